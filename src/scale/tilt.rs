//! Faces seen aslant: which way they are foreshortened, and lengths corrected for it.
//!
//! A flat face seen from far away at an angle t is shortened to cos t along one direction and keeps
//! its lengths across it. With the geometric mean over both as the scale, a length along azimuth a
//! is longer than it seems by
//!
//! ```text
//! sqrt(cos^2(a - d) / q + sin^2(a - d) q)
//! ```
//!
//! where d is the direction of the foreshortening and q = cos t; areas need no correction.
//!
//! Two ways lead to d and q. A face declared round is an ellipse in the photo: the one of the same
//! second moments of area has its axes. Two measured diameters leave one number open, and the
//! smallest tilt that explains both is taken; at right angles that puts the foreshortening along one
//! of them.

use crate::reading::Tilt;
use crate::ring_area;
use std::f64::consts::TAU;

/// Strongest foreshortening that is taken: 0.7 is 46 degrees, beyond which no ring is read; a
/// stronger one is a slip, or an oval face.
const LEAST_FORESHORTENING: f64 = 0.7;

/// Least angle between two diameters, degrees: nearer ones say little of the tilt.
pub const LEAST_CROSSING_DEG: f64 = 45.0;

/// A length in the photo and on the wood.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// In the photo, px.
    pub length_px: f64,
    /// On the wood, mm.
    pub length_mm: f64,
    /// Its direction in the photo, degrees.
    pub azimuth_deg: f64,
}

/// By how much a length along an azimuth is longer than it seems, at the geometric mean scale.
pub fn stretch(tilt: Option<Tilt>, azimuth_deg: f64) -> f64 {
    tilt.map_or(1.0, |tilt| tilt.stretch(azimuth_deg))
}

/// A place relative to any origin, as seen square on and at the geometric mean scale.
pub(super) fn square(tilt: Option<Tilt>, (x, y): (f64, f64)) -> (f64, f64) {
    let Some(tilt) = tilt else {
        return (x, y);
    };
    let (sin, cos) = tilt.azimuth_deg.to_radians().sin_cos();
    let root = tilt.foreshortening.sqrt();
    let (along, across) = ((x * cos + y * sin) / root, (y * cos - x * sin) * root);
    (along * cos - across * sin, along * sin + across * cos)
}

/// The tilt of a face that is known to be round, from its edge in the photo, px, one a degree about
/// a point inside it.
///
/// None where more than a quarter of the edge is unknown, or where it is flatter than any face that
/// could be read.
pub fn of_round(radius_px: &[Option<f64>]) -> Option<Tilt> {
    let radii = ring_area::bridge(radius_px)?;
    let n = radii.len();
    let place = |i: usize| {
        let angle = i as f64 / n as f64 * TAU;
        (radii[i] * angle.cos(), radii[i] * angle.sin())
    };
    // Area and moments of the polygon, triangle by triangle from the pith.
    let (mut area, mut sx, mut sy) = (0.0, 0.0, 0.0);
    let (mut sxx, mut syy, mut sxy) = (0.0, 0.0, 0.0);
    for i in 0..n {
        let ((x0, y0), (x1, y1)) = (place(i), place((i + 1) % n));
        let twice = x0 * y1 - x1 * y0;
        area += twice / 2.0;
        sx += twice * (x0 + x1) / 6.0;
        sy += twice * (y0 + y1) / 6.0;
        sxx += twice * (x0 * x0 + x0 * x1 + x1 * x1) / 12.0;
        syy += twice * (y0 * y0 + y0 * y1 + y1 * y1) / 12.0;
        sxy += twice * (2.0 * x0 * y0 + x0 * y1 + x1 * y0 + 2.0 * x1 * y1) / 24.0;
    }
    if area <= 0.0 {
        return None;
    }
    let (mx, my) = (sx / area, sy / area);
    let (xx, yy, xy) = (
        sxx / area - mx * mx,
        syy / area - my * my,
        sxy / area - mx * my,
    );
    let (middle, half) = ((xx + yy) / 2.0, ((xx - yy) / 2.0).hypot(xy));
    // The longest axis lies along this direction, the foreshortening across it.
    let longest_deg = 0.5 * (2.0 * xy).atan2(xx - yy).to_degrees();
    let ratio = (middle - half) / (middle + half);
    checked(ratio, longest_deg + 90.0)
}

/// The smallest tilt that explains two lengths, and the geometric mean scale with it, mm a px.
///
/// None where the lengths cross at less than [`LEAST_CROSSING_DEG`], or where only a tilt beyond
/// reading would explain them.
pub fn of_two(a: &Measured, b: &Measured) -> Option<(Tilt, f64)> {
    if crossing_deg(a.azimuth_deg, b.azimuth_deg) < LEAST_CROSSING_DEG {
        return None;
    }
    // (mm / px)^2 along an azimuth t is m + u cos 2t + v sin 2t. Two lengths fix two of m, u, v;
    // the smallest (u, v) is the smallest tilt.
    let square = |l: &Measured| (l.length_mm / l.length_px).powi(2);
    let turn = |l: &Measured| (2.0 * l.azimuth_deg.to_radians()).sin_cos();
    let ((s1, c1), (s2, c2)) = (turn(a), turn(b));
    let (k1, k2) = (square(a), square(b));
    let (dc, ds) = (c1 - c2, s1 - s2);
    let part = (k1 - k2) / (dc * dc + ds * ds);
    let (u, v) = (part * dc, part * ds);
    let m = k1 - u * c1 - v * s1;
    let w = u.hypot(v);
    let tilt = checked((m - w) / (m + w), 0.5 * v.atan2(u).to_degrees())?;
    let mm_per_px = ((m - w) * (m + w)).powf(0.25);
    Some((tilt, mm_per_px))
}

/// Angle between two directions, degrees, 0 to 90.
pub fn crossing_deg(a_deg: f64, b_deg: f64) -> f64 {
    let off = (a_deg - b_deg).rem_euclid(180.0);
    off.min(180.0 - off)
}

/// A tilt from the squared ratio of its axes, if it can be one.
fn checked(squared: f64, azimuth_deg: f64) -> Option<Tilt> {
    let foreshortening = squared.max(0.0).sqrt();
    (foreshortening >= LEAST_FORESHORTENING).then(|| Tilt {
        foreshortening: foreshortening.min(1.0),
        azimuth_deg: azimuth_deg.rem_euclid(180.0),
    })
}

#[cfg(test)]
mod practice;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A circle of radius `r` mm about (0, 0) seen from far away: shortened to `q` along `d`
    /// degrees, `s` px a mm; edge about a pith at (x, y) mm.
    fn seen(r: f64, q: f64, d: f64, s: f64, pith: (f64, f64)) -> Vec<Option<f64>> {
        let (sin, cos) = d.to_radians().sin_cos();
        let view = |(x, y): (f64, f64)| {
            let (along, across) = (s * q * (x * cos + y * sin), s * (y * cos - x * sin));
            (along * cos - across * sin, along * sin + across * cos)
        };
        let (px, py) = view(pith);
        (0..360)
            .map(|degree| {
                let (ds, dc) = f64::from(degree).to_radians().sin_cos();
                // Bisection along the ray: inside the circle or not.
                let (mut low, mut high) = (0.0, 4.0 * r * s);
                for _ in 0..60 {
                    let middle = 0.5 * (low + high);
                    let (x, y) = (px + middle * dc, py + middle * ds);
                    let (along, across) = ((x * cos + y * sin) / (s * q), (y * cos - x * sin) / s);
                    if along.hypot(across) < r {
                        low = middle;
                    } else {
                        high = middle;
                    }
                }
                Some(low)
            })
            .collect()
    }

    #[test]
    fn a_round_face_tells_its_tilt_wherever_the_pith_lies() {
        for (q, d, pith) in [
            (0.9, 20.0, (0.0, 0.0)),
            (0.95, 100.0, (30.0, -40.0)),
            (0.8, 179.0, (-60.0, 10.0)),
        ] {
            let tilt = of_round(&seen(150.0, q, d, 7.0, pith)).unwrap();
            assert!((tilt.foreshortening - q).abs() < 1e-3, "{tilt:?} for {q}");
            assert!(crossing_deg(tilt.azimuth_deg, d) < 0.5, "{tilt:?} for {d}");
        }
        assert_eq!(of_round(&seen(150.0, 0.5, 0.0, 7.0, (0.0, 0.0))), None);
        assert_eq!(of_round(&vec![None; 360]), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig {
            cases: 200,
            failure_persistence: None,
            rng_algorithm: prop::test_runner::RngAlgorithm::ChaCha,
            ..ProptestConfig::default()
        })]

        /// Whatever the tilt, both diameters come out as they were measured.
        #[test]
        fn two_diameters_come_out_as_measured(
            first in 0.0..180.0_f64,
            crossing in 45.0..135.0_f64,
            mm in 100.0..900.0_f64,
            flat in 0.85..1.15_f64,
            px in 500.0..3000.0_f64,
        ) {
            let a = Measured { length_px: px, length_mm: mm, azimuth_deg: first };
            let b = Measured { length_px: px, length_mm: mm * flat, azimuth_deg: first + crossing };
            let (tilt, mm_per_px) = of_two(&a, &b).unwrap();
            for l in [a, b] {
                let told = l.length_px * mm_per_px * tilt.stretch(l.azimuth_deg);
                prop_assert!((told / l.length_mm - 1.0).abs() < 1e-9);
            }
            // The mean over areas: the product of both axes' stretches is one.
            let along = tilt.stretch(tilt.azimuth_deg) * tilt.stretch(tilt.azimuth_deg + 90.0);
            prop_assert!((along - 1.0).abs() < 1e-12);
        }
    }

    /// Facts, T-6.5: a camera 10 degrees off square shortens one axis by 1.52 %: over the other axis a
    /// length along it is longer than it seems by as much; cut 10 degrees off square, 1.54 %.
    #[test]
    fn a_camera_off_square_shortens_as_in_the_worked_example() {
        let tilt = Tilt {
            foreshortening: 10.0_f64.to_radians().cos(),
            azimuth_deg: 0.0,
        };
        let ratio = tilt.stretch(0.0) / tilt.stretch(90.0);
        assert!((100.0 * (1.0 - 1.0 / ratio) - 1.52).abs() < 5e-3, "{ratio}");
        assert!((100.0 * (ratio - 1.0) - 1.54).abs() < 5e-3, "{ratio}");
        let found = of_round(&seen(100.0, tilt.foreshortening, 0.0, 1.0, (0.0, 0.0))).unwrap();
        assert!((100.0 * (1.0 - found.foreshortening) - 1.52).abs() < 5e-3);
    }

    /// Perspective practice discs (6 to 24 degrees off square, pinhole): two diameters, measured on
    /// the wood along and across the foreshortening, against the mean diameter alone. What stays is
    /// that from near the farther half looks smaller, which no two lengths tell.
    #[test]
    fn perspective_discs_have_truer_radii_with_two_diameters() {
        use crate::demo::{Suite, plan, render};
        let (mut before, mut after, mut scales) = (Vec::new(), Vec::new(), Vec::new());
        for index in 0..8 {
            let plan = plan(Suite::Perspective, 4711, index).at_long_side(400);
            let truth = render(&plan).truth;
            let view = plan.view();
            let edge = truth.boundaries.last().unwrap();
            let Some(px) = edge.iter().copied().collect::<Option<Vec<f64>>>() else {
                continue;
            };
            let mm: Vec<f64> = (0..360_u32)
                .map(|a| {
                    let azimuth = view.face_azimuth(f64::from(a).to_radians());
                    plan.disc.edge_mm(azimuth)
                })
                .collect();
            let along = (plan.camera.axis.to_degrees() + 90.0)
                .rem_euclid(180.0)
                .round();
            let across = |azimuth_deg: f64| {
                let a = azimuth_deg as usize % 360;
                let b = (a + 180) % 360;
                Measured {
                    length_px: px[a] + px[b],
                    length_mm: mm[a] + mm[b],
                    azimuth_deg,
                }
            };
            let (tilt, mm_per_px) = of_two(&across(along), &across(along + 90.0)).unwrap();
            let mean = |values: &[f64]| {
                let radii: Vec<Option<f64>> = values.iter().copied().map(Some).collect();
                ring_area::equivalent_radius_px(&radii).unwrap()
            };
            let even = mean(&mm) / mean(&px);
            // Diameters, since the pith's own place is shifted by the perspective.
            let off = |told: &dyn Fn(usize) -> f64| {
                let sum: f64 = (0..180)
                    .map(|a| (told(a) / (mm[a] + mm[a + 180]) - 1.0).powi(2))
                    .sum();
                (sum / 180.0).sqrt()
            };
            before.push(off(&|a| (px[a] + px[a + 180]) * even));
            after.push(off(&|a| {
                (px[a] + px[a + 180]) * mm_per_px * tilt.stretch(a as f64)
            }));
            scales.push((mm_per_px / truth.mm_per_px - 1.0).abs());
        }
        assert!(before.len() >= 6, "{} discs", before.len());
        let median = |values: &mut Vec<f64>| {
            values.sort_by(f64::total_cmp);
            values[values.len() / 2]
        };
        eprintln!("before {before:.4?}\nafter  {after:.4?}\nscale  {scales:.4?}");
        let (before, after) = (median(&mut before), median(&mut after));
        assert!(after < 0.5 * before, "{after} after, {before} before");
        assert!(after < 0.012, "{after}");
        // The scale published against the truth's at the pith.
        let scale = median(&mut scales);
        assert!(scale < 0.02, "{scale}");
    }

    #[test]
    fn diameters_along_nearly_one_line_say_nothing_of_the_tilt() {
        let l = |azimuth_deg, length_mm| Measured {
            length_px: 1000.0,
            length_mm,
            azimuth_deg,
        };
        assert!(of_two(&l(10.0, 300.0), &l(200.0, 280.0)).is_none());
        assert!(
            of_two(&l(0.0, 300.0), &l(90.0, 180.0)).is_none(),
            "beyond reading"
        );
    }
}
