//! Whether a face shows only stripes: saw marks without rings.
//!
//! Rings run round the pith, so the direction in which the tone changes turns with the azimuth; saw
//! marks run one way all over the face, straight or in wide arcs. Over each sector the structure tensor
//! (Bigun & Granlund 1987) gives that direction and how strong it is, as a doubled angle; the mean over
//! the sectors is what is common to the face (the stripes), the mean after each is turned back by its
//! azimuth what runs round the pith (the rings). Either vanishes from the other's mean, because the
//! sectors go all the way round.
//!
//! Limits: rings that a whole face of deep saw marks hides altogether go with them, and stripes that
//! themselves close round a centre are not told from rings.

use crate::ends::normalised;
use crate::face::Face;
use crate::outline::WoodEdge;
use crate::pith::Pith;
use crate::plane::RowBorder;
use crate::reading::AZIMUTHS;

/// Sectors of 15 degrees.
const SECTORS: usize = 24;

/// Sectors that must have wood in the photo for anything to be told.
const LEAST_SECTORS: usize = 16;

/// Samples that a sector must have.
const LEAST_SAMPLES: f64 = 50.0;

/// Part of the distance from the pith to the edge that is looked at: not the pith's own shape, nor the
/// bark.
const PART: std::ops::Range<f64> = 0.1..0.93;

/// Stripes from which they may be all there is. Faces of saw marks alone had 0.31 to 0.97, 28
/// development renders and five photos at most 0.26.
const STRIPED_FROM: f64 = 0.28;

/// Share of the stripes that what runs round the pith must have, for rings to be under them: faces of
/// saw marks alone had at most 0.17, the photos and renders at least 0.5. Of twelve practice discs under
/// heavy saw marks three had 0.09 to 0.22: their counts were wrong (10 of 16, 18 of 25, 15 of 21 rings),
/// two with the pith a third of the radius off or more.
const LEAST_ROUND: f64 = 0.25;

/// What the face shows, each 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pattern {
    /// How much the tone changes in one direction all over the face.
    pub striped: f64,
    /// How much it changes outward from the pith rather than round it; negative where round it.
    pub round: f64,
}

impl Pattern {
    /// Whether stripes are all there is.
    pub fn is_stripes_only(self) -> bool {
        self.striped > STRIPED_FROM && self.round < LEAST_ROUND * self.striped
    }
}

/// Measures the pattern of the wood; `None` where too little of it is in the photo.
pub fn measure(face: &Face, pith: &Pith, wood_edge: &WoodEdge) -> Option<Pattern> {
    let grey = &face.grey;
    let (w, h) = (grey.width, grey.height);
    if w < 3 || h < 3 {
        return None;
    }
    let plane = normalised(grey).blurred(1.0, 1.0, RowBorder::Repeat);
    let (cx, cy) = (face.from_photo_px(pith.x_px), face.from_photo_px(pith.y_px));
    let edge: Vec<f64> = wood_edge
        .radius_px
        .iter()
        .map(|r| r / face.step_px as f64)
        .collect();
    // Of each sector: xx - yy, 2 xy, xx + yy, samples.
    let mut sums = [[0.0f64; 4]; SECTORS];
    for y in 1..h - 1 {
        let dy = y as f64 - cy;
        for x in 1..w - 1 {
            let dx = x as f64 - cx;
            let turn = (dy.atan2(dx) / std::f64::consts::TAU).rem_euclid(1.0);
            let part = |parts: usize| {
                #[allow(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "a share of a turn times the parts"
                )]
                let i = (turn * parts as f64).floor() as usize;
                i.min(parts - 1)
            };
            let share = dx.hypot(dy) / edge[part(AZIMUTHS)];
            if !PART.contains(&share) {
                continue;
            }
            let gx = f64::from(plane.at(x + 1, y) - plane.at(x - 1, y));
            let gy = f64::from(plane.at(x, y + 1) - plane.at(x, y - 1));
            let sum = &mut sums[part(SECTORS)];
            sum[0] += gx * gx - gy * gy;
            sum[1] += 2.0 * gx * gy;
            sum[2] += gx * gx + gy * gy;
            sum[3] += 1.0;
        }
    }
    let (mut n, mut common, mut round) = (0usize, (0.0, 0.0), 0.0);
    for (k, [real, imaginary, energy, samples]) in sums.into_iter().enumerate() {
        if samples < LEAST_SAMPLES || energy <= 0.0 {
            continue;
        }
        let (re, im) = (real / energy, imaginary / energy);
        let twice = 2.0 * (k as f64 + 0.5) / SECTORS as f64 * std::f64::consts::TAU;
        let (sin, cos) = twice.sin_cos();
        common.0 += re;
        common.1 += im;
        round += re * cos + im * sin;
        n += 1;
    }
    (n >= LEAST_SECTORS).then(|| Pattern {
        striped: f64::hypot(common.0, common.1) / n as f64,
        round: round / n as f64,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plane::Plane;
    use crate::reading::{OutlineState, PithState};

    fn pattern(tone: impl Fn(f32, f32) -> f32) -> Pattern {
        let (width, height) = (320, 260);
        let mut grey = Plane::filled(width, height, 0.0);
        for y in 0..height {
            for x in 0..width {
                grey.data[y * width + x] = 140.0 + tone(x as f32 - 150.0, y as f32 - 130.0);
            }
        }
        let flat = Plane::filled(width, height, 0.0);
        let face = Face {
            step_px: 1,
            grey,
            red_green: flat.clone(),
            yellow_blue: flat,
            bounds: [0.0, 0.0, width as f32, height as f32],
        };
        let pith = Pith {
            x_px: 150.0,
            y_px: 130.0,
            sd_px: 1.0,
            state: PithState::Seen,
            agreement: 0.5,
        };
        let edge = WoodEdge {
            radius_px: vec![120.0; AZIMUTHS],
            in_photo: vec![true; AZIMUTHS],
            state: OutlineState::Wood,
            contrast: 5.0,
        };
        measure(&face, &pith, &edge).expect("enough wood")
    }

    #[test]
    fn rings_are_round_stripes_are_striped_and_both_are_both() {
        let rings = |x: f32, y: f32| 30.0 * (x.hypot(y) * 0.7).sin();
        let saw = |x: f32, y: f32| 30.0 * (0.6 * x + 0.4 * y).sin();
        let arcs = |x: f32, y: f32| 30.0 * ((x - 900.0).hypot(y - 200.0) * 0.7).sin();
        let told = pattern(rings);
        assert!(told.round > 0.9 && told.striped < 0.05, "{told:?}");
        for stripes in [&saw as &dyn Fn(f32, f32) -> f32, &arcs] {
            let told = pattern(stripes);
            assert!(told.striped > 0.9 && told.round.abs() < 0.05, "{told:?}");
            assert!(told.is_stripes_only());
        }
        // Rings under saw marks twice as deep are rings still.
        let told = pattern(|x, y| rings(x, y) + 1.4 * saw(x, y));
        assert!(!told.is_stripes_only(), "{told:?}");
        assert!(told.striped > 0.3 && told.round > 0.15, "{told:?}");
    }
}
