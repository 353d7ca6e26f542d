//! A second look at the pith, once the rings lie level.
//!
//! The vote and the circles see the pith through rings that they take to be round about it. Where
//! the rings are ovals, nested off centre, they end up between the pith and the middle of the disc,
//! and the innermost rings are cut by the centre of the unwrapping. The straightened disc knows the
//! shape of every ring: the centroids of the level lines move evenly towards the pith as the lines
//! shrink, so a straight line through them, carried on to a line of no size, gives a better place.
//!
//! About a hollow the levels beyond it are carried on in the same way: the median error of the pith of 37
//! hollow discs (35 practice discs, two renders) fell from 6.9 to 2.0 % of the radius. Where the true
//! boundaries of the 28 renders are cut off inside two fifths of the radius, the line ends about
//! 1 % off in the median.

use crate::outline::WoodEdge;
use crate::pith::Pith;
use crate::straight::{LEVEL_RAYS, Straight};

/// Levels that are looked at, as shares of all: further in the wrong centre spoils them, further out
/// the drift is no longer even.
const FROM: f64 = 0.08;
/// See [`FROM`].
const TO: f64 = 0.25;

/// A step shorter than this share of the edge's mean distance is not worth a second unwrapping.
const LEAST_STEP: f64 = 0.012;

/// Of a disc with a hollow centre: levels whose mean distance is this many times the hollow's, out to this
/// share of the edge's. From 1.05 or 1.25 on, or out to 0.75 or 0.98, the median error stays within 0.2 %.
const BEYOND_HOLLOW: f64 = 1.12;
/// See [`BEYOND_HOLLOW`].
const WITHIN_EDGE: f64 = 0.9;

/// The place that the level lines close in on, where it is worth another unwrapping; `lost_centre_px` is the
/// radius of a hollow centre, 0 where there is none.
pub fn look_again(
    pith: &Pith,
    straight: &Straight,
    wood_edge: &WoodEdge,
    lost_centre_px: f64,
) -> Option<Pith> {
    let edge = wood_edge.radius_px.iter().sum::<f64>() / wood_edge.radius_px.len() as f64;
    let (dx, dy) = if lost_centre_px > 0.0 {
        beyond_hollow(straight, BEYOND_HOLLOW * lost_centre_px, WITHIN_EDGE * edge)
    } else {
        about_pith(straight)
    };
    let step = dx.hypot(dy);
    (step > LEAST_STEP * edge && step < 0.25 * edge).then_some(Pith {
        x_px: pith.x_px + dx,
        y_px: pith.y_px + dy,
        ..*pith
    })
}

/// Where the innermost levels close in, px from the centre of the unwrapping.
fn about_pith(straight: &Straight) -> (f64, f64) {
    let levels = straight.radius.width as f64;
    let mut sums = Sums::default();
    let mut share = FROM;
    while share <= TO {
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of the levels"
        )]
        let level = (share * levels).floor() as usize;
        let (x, y) = centroid(straight, level);
        sums.add(level as f64, x, y);
        share += 0.01;
    }
    sums.at_zero()
}

/// The same by the levels between two mean distances, px.
fn beyond_hollow(straight: &Straight, from: f64, to: f64) -> (f64, f64) {
    let mut sums = Sums::default();
    for level in 0..straight.radius.width {
        let mean = (0..LEVEL_RAYS)
            .map(|ray| f64::from(straight.radius.at(level, ray)))
            .sum::<f64>()
            / LEVEL_RAYS as f64;
        if (from..to).contains(&mean) {
            let (x, y) = centroid(straight, level);
            sums.add(mean, x, y);
        }
    }
    sums.at_zero()
}

/// Centroid of the area inside a level line, px from the centre of the unwrapping.
fn centroid(straight: &Straight, level: usize) -> (f64, f64) {
    let (mut area, mut x, mut y) = (0.0, 0.0, 0.0);
    for ray in 0..LEVEL_RAYS {
        let r = f64::from(straight.radius.at(level, ray));
        let (sin, cos) = (ray as f64).to_radians().sin_cos();
        // A sector's area goes with r^2 / 2, its centroid lies at 2 r / 3.
        area += r * r / 2.0;
        x += r * r * r / 3.0 * cos;
        y += r * r * r / 3.0 * sin;
    }
    (x / area.max(1e-9), y / area.max(1e-9))
}

/// Sums of a straight-line fit of two coordinates over one.
#[derive(Debug, Default)]
struct Sums {
    n: f64,
    t: f64,
    tt: f64,
    x: f64,
    y: f64,
    tx: f64,
    ty: f64,
}

impl Sums {
    fn add(&mut self, t: f64, x: f64, y: f64) {
        self.n += 1.0;
        self.t += t;
        self.tt += t * t;
        self.x += x;
        self.y += y;
        self.tx += t * x;
        self.ty += t * y;
    }

    /// The fitted coordinates where the first is 0.
    fn at_zero(&self) -> (f64, f64) {
        let determinant = self.n * self.tt - self.t * self.t;
        if determinant.abs() < 1e-9 {
            return (0.0, 0.0);
        }
        let at = |v: f64, tv: f64| (self.tt * v - self.t * tv) / determinant;
        (at(self.x, self.tx), at(self.y, self.ty))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plane::Plane;
    use crate::reading::{OutlineState, PithState};

    /// Where the levels lie that are circles of so many px, about a centre that goes by it.
    fn nested(radius_of: impl Fn(f64) -> f64, centre: impl Fn(f64) -> (f64, f64)) -> Straight {
        let mut radius = Plane::filled(400, LEVEL_RAYS, 0.0);
        for ray in 0..LEVEL_RAYS {
            let (sin, cos) = (ray as f64).to_radians().sin_cos();
            for level in 0..400 {
                let t = radius_of(level as f64);
                let (cx, cy) = centre(t);
                let along = cx * cos + cy * sin;
                let r = along + (t * t - cx * cx - cy * cy + along * along).sqrt();
                radius.data[ray * 400 + level] = r as f32;
            }
        }
        Straight {
            radius,
            agreement: 1.0,
        }
    }

    /// What is found about a pith at (700, 600), less that place.
    fn step(straight: &Straight, lost_centre_px: f64) -> Option<(f64, f64)> {
        let edge = WoodEdge {
            radius_px: vec![450.0; 360],
            in_photo: vec![true; 360],
            state: OutlineState::Wood,
            contrast: 5.0,
        };
        let pith = Pith {
            x_px: 700.0,
            y_px: 600.0,
            sd_px: 1.0,
            state: PithState::Seen,
            agreement: 1.0,
        };
        let found = look_again(&pith, straight, &edge, lost_centre_px)?;
        Some((found.x_px - 700.0, found.y_px - 600.0))
    }

    #[test]
    fn nested_circles_lead_to_their_common_point() {
        // About (12 - 0.06 t, 5), closing in on (12, 5). Level 0 stands for t = 20, so the line is carried on to
        // 20 levels short of the point.
        let straight = nested(|level| level + 20.0, |t| (12.0 - 0.06 * t, 5.0));
        let (x, y) = step(&straight, 0.0).expect("a step of twelve pixels");
        assert!((x - (12.0 - 0.06 * 20.0)).abs() < 0.3, "{x}");
        assert!((y - 5.0).abs() < 0.3, "{y}");
    }

    #[test]
    fn about_a_hollow_the_levels_beyond_it_lead_to_the_pith() {
        // About (30 - 0.1 t, -14) beyond 150 px; in the hollow about (60, 60).
        let centre = |t: f64| {
            if t < 150.0 {
                (60.0, 60.0)
            } else {
                (30.0 - 0.1 * t, -14.0)
            }
        };
        let straight = nested(|level| level + 100.0, centre);
        let (x, y) = step(&straight, 150.0).expect("a step of 33 pixels");
        assert!((x - 30.0).abs() < 2.0, "{x}");
        assert!((y + 14.0).abs() < 2.0, "{y}");
    }

    #[test]
    fn rings_about_the_centre_ask_for_no_second_look() {
        let straight = nested(|level| level + 1.0, |_| (0.0, 0.0));
        assert_eq!(step(&straight, 0.0), None);
        assert_eq!(step(&straight, 150.0), None);
    }
}
