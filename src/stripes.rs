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

use crate::face::Face;
use crate::outline::WoodEdge;
use crate::pith::Pith;
use crate::reading::AZIMUTHS;
use std::sync::LazyLock;

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
    let plane = face.even_smooth();
    let (cx, cy) = (face.from_photo_px(pith.x_px), face.from_photo_px(pith.y_px));
    let edge: Vec<f64> = wood_edge
        .radius_px
        .iter()
        .map(|r| r / face.step_px as f64)
        .collect();
    // Of each sector: xx - yy, 2 xy, xx + yy, samples.
    let mut sums = [[0.0f64; 4]; SECTORS];
    let farthest = PART.end * edge.iter().copied().fold(0.0, f64::max);
    for y in 1..h - 1 {
        let dy = y as f64 - cy;
        let mut azimuth = Sweep::of_line(dy);
        let (above, row, below) = (plane.row(y - 1), plane.row(y), plane.row(y + 1));
        for x in within(cx, (farthest * farthest - dy * dy).max(0.0).sqrt(), w) {
            let dx = x as f64 - cx;
            let degree = azimuth.degree(dx, dy);
            #[allow(
                clippy::imprecise_flops,
                reason = "`hypot` is a call, and lengths across a face neither overflow nor vanish"
            )]
            let share = (dx * dx + dy * dy).sqrt() / edge[degree];
            if !PART.contains(&share) {
                continue;
            }
            let gx = f64::from(row[x + 1] - row[x - 1]);
            let gy = f64::from(below[x] - above[x]);
            let sum = &mut sums[degree * SECTORS / AZIMUTHS];
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

/// Samples of a line of `width`, but for its ends, that are at most `reach` from a place.
fn within(place: f64, reach: f64, width: usize) -> std::ops::Range<usize> {
    let last = (width - 1) as f64;
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the line"
    )]
    let [first, end] = [
        (place - reach).floor().clamp(1.0, last) as usize,
        (place + reach + 2.0).clamp(1.0, last) as usize,
    ];
    first..end
}

/// The azimuths along a line of samples, from left to right: they turn one way only, so each is found
/// from the one before by whole degrees. Working out the angle of every sample took most of the time.
struct Sweep {
    degree: usize,
    is_below: bool,
    borders: &'static [(f64, f64); AZIMUTHS],
}

impl Sweep {
    /// For a line `dy` samples below the pith.
    fn of_line(dy: f64) -> Sweep {
        static BORDERS: LazyLock<[(f64, f64); AZIMUTHS]> = LazyLock::new(|| {
            std::array::from_fn(|k| (k as f64 * std::f64::consts::TAU / AZIMUTHS as f64).sin_cos())
        });
        Sweep {
            degree: if dy > 0.0 {
                AZIMUTHS / 2 - 1
            } else {
                AZIMUTHS / 2
            },
            is_below: dy > 0.0,
            borders: &BORDERS,
        }
    }

    /// Whole degrees of the azimuth of a sample further right than all before.
    fn degree(&mut self, dx: f64, dy: f64) -> usize {
        // Whether the sample is short of a border of degrees within its half turn.
        let is_short = |degree: usize| {
            let (sin, cos) = self.borders[degree];
            cos * dy - sin * dx < 0.0
        };
        if self.is_below {
            while self.degree > 0 && is_short(self.degree) {
                self.degree -= 1;
            }
        } else if dy < 0.0 {
            while self.degree + 1 < AZIMUTHS && !is_short(self.degree + 1) {
                self.degree += 1;
            }
        } else {
            self.degree = if dx < 0.0 { AZIMUTHS / 2 } else { 0 };
        }
        self.degree
    }
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
        let face = Face::of(1, [grey, flat.clone(), flat]);
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
    fn azimuths_along_a_line_are_those_worked_out_one_by_one() {
        for y in -60..60 {
            let dy = f64::from(y) + if y % 3 == 0 { 0.0 } else { 0.37 };
            let mut sweep = Sweep::of_line(dy);
            for x in -90..90 {
                let dx = f64::from(x) + 0.23;
                let degree = dy.atan2(dx).to_degrees().rem_euclid(360.0).floor() as usize;
                assert_eq!(sweep.degree(dx, dy), degree, "{dx} {dy}");
            }
        }
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
