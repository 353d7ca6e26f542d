//! Girths: what a tape round the log measures, and the same round the outline in a photo.
//!
//! A tape bridges hollows: it measures the outline's convex hull. The hull of the log over bark is
//! that of its wood moved outward by the bark's thickness b, and a convex outline moved outward by b
//! is longer by exactly 2 pi b (Steiner's formula), whatever its shape.

use crate::reading::Tilt;
use crate::ring_area;
use std::f64::consts::TAU;

/// Girth under the bark, mm, of a girth over bark of this thickness.
pub(super) fn inside_bark_mm(girth_mm: f64, bark_mm: f64) -> f64 {
    girth_mm - TAU * bark_mm
}

/// Girth of an outline, px of the geometric mean scale: the length of its convex hull once the
/// tilt is corrected. None where more than a quarter of it is unknown.
pub(super) fn of_outline_px(radius_px: &[Option<f64>], tilt: Option<Tilt>) -> Option<f64> {
    let radii = ring_area::bridge(radius_px)?;
    let n = radii.len() as f64;
    let points: Vec<(f64, f64)> = radii
        .iter()
        .enumerate()
        .map(|(i, radius)| {
            let angle = i as f64 / n * TAU;
            super::tilt::square(tilt, (radius * angle.cos(), radius * angle.sin()))
        })
        .collect();
    let hull = hull(points);
    let next = hull.iter().cycle().skip(1);
    Some(
        hull.iter()
            .zip(next)
            .map(|(a, b)| (b.0 - a.0).hypot(b.1 - a.1))
            .sum(),
    )
}

/// Convex hull of points, in order round it (Andrew's monotone chain, 1979).
fn hull(mut points: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    points.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let half = |points: &mut dyn Iterator<Item = (f64, f64)>| {
        let mut chain: Vec<(f64, f64)> = Vec::new();
        for p in points {
            while let [.., a, b] = chain[..] {
                let turn = (b.0 - a.0) * (p.1 - a.1) - (b.1 - a.1) * (p.0 - a.0);
                if turn > 0.0 {
                    break;
                }
                chain.pop();
            }
            chain.push(p);
        }
        chain.pop();
        chain
    };
    let mut hull = half(&mut points.iter().copied());
    hull.extend(half(&mut points.iter().rev().copied()));
    hull
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    #[test]
    fn a_circle_has_the_girth_of_a_circle_and_a_dent_shortens_none() {
        let mut radii = vec![Some(100.0); 360];
        let girth = of_outline_px(&radii, None).unwrap();
        assert!((girth / (TAU * 100.0) - 1.0).abs() < 2e-5, "{girth}");
        // A dent of ten degrees is bridged by the tape: the chord instead of the arc.
        for radius in &mut radii[40..50] {
            *radius = Some(70.0);
        }
        let dented = of_outline_px(&radii, None).unwrap();
        let angle = 11.0_f64.to_radians();
        let want = TAU * 100.0 - 100.0 * angle + 200.0 * (angle / 2.0).sin();
        assert!((dented / want - 1.0).abs() < 2e-5, "{dented} for {want}");
        radii[..100].fill(None);
        assert_eq!(of_outline_px(&radii, None), None);
    }

    /// Facts, T-6.1: girth 157.0: 49.97 across; girth 1570 mm, bark 12: 499.75 over bark, 475.75 inside.
    #[test]
    fn a_girth_gives_the_diameters_of_the_worked_example() {
        let across = |girth_mm: f64, bark_mm: f64| inside_bark_mm(girth_mm, bark_mm) / PI;
        assert!((across(157.0, 0.0) - 49.97).abs() < 5e-3);
        assert!((across(1570.0, 0.0) - 499.75).abs() < 5e-3);
        assert!((across(1570.0, 12.0) - 475.75).abs() < 5e-3);
    }

    /// Steiner's formula on a square of side 100 moved outward by 10: 400 + 2 pi 10.
    #[test]
    fn bark_lengthens_a_girth_by_its_thickness_times_two_pi() {
        assert!((inside_bark_mm(400.0 + TAU * 10.0, 10.0) - 400.0).abs() < 1e-9);
    }
}
