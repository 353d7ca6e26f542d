//! The shape of the face: how far the pith is off its middle, and how far the face is from round.
//!
//! Eccentricity is that of the German round-wood rules (RVR): 100 * A / ((D1 + D2) / 2), A the
//! distance of the pith from where two diameters at right angles cross. The diameters here are the
//! longest through the middle of the face's area, and the one at right angles to it; they cross in
//! that middle.

use crate::reading::Reading;
use crate::ring_area::bridge;
use serde::Serialize;

/// Shape of a face, from its edge inside bark.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Shape {
    /// Distance of the pith from the middle of the face, percent of the mean of the two diameters.
    pub eccentricity_percent: f64,
    /// Azimuth from the middle of the face towards its wide side, degrees.
    pub wide_side_deg: f64,
    /// Distance of the pith from the middle of the face, px.
    pub pith_off_px: f64,
    /// Longest diameter through the middle of the face, px.
    pub longest_px: f64,
    /// The diameter at right angles to it, px.
    pub across_px: f64,
    /// Azimuth of the longest diameter, degrees, 0 to 180.
    pub longest_deg: f64,
    /// Area inside the edge, px².
    pub area_px2: f64,
    /// The same three in mm and mm².
    pub pith_off_mm: Option<f64>,
    /// Longest diameter, mm.
    pub longest_mm: Option<f64>,
    /// The diameter at right angles, mm.
    pub across_mm: Option<f64>,
    /// Area inside the edge, mm².
    pub area_mm2: Option<f64>,
}

/// Shape of a reading's face; `None` where more than a quarter of its edge is unknown.
pub fn of(reading: &Reading) -> Option<Shape> {
    let radii = bridge(&reading.outline.radius_px)?;
    let step = std::f64::consts::TAU / radii.len() as f64;
    // A polygon about the pith, which is (0, 0) here.
    let corners: Vec<(f64, f64)> = radii
        .iter()
        .enumerate()
        .map(|(i, r)| {
            let azimuth = i as f64 * step;
            (r * azimuth.cos(), r * azimuth.sin())
        })
        .collect();
    let (mut twice_area, mut x, mut y) = (0.0, 0.0, 0.0);
    for (i, a) in corners.iter().enumerate() {
        let b = corners[(i + 1) % corners.len()];
        let cross = a.0 * b.1 - b.0 * a.1;
        twice_area += cross;
        x += cross * (a.0 + b.0);
        y += cross * (a.1 + b.1);
    }
    if twice_area <= 0.0 {
        return None;
    }
    let middle = (x / (3.0 * twice_area), y / (3.0 * twice_area));
    let diameter = |azimuth_deg: f64| {
        let azimuth = azimuth_deg.to_radians();
        let towards = (azimuth.cos(), azimuth.sin());
        reach(&corners, middle, towards) + reach(&corners, middle, (-towards.0, -towards.1))
    };
    let (longest_deg, longest_px) = (0..180)
        .map(|deg| (f64::from(deg), diameter(f64::from(deg))))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let across_px = diameter(longest_deg + 90.0);
    let pith_off_px = middle.0.hypot(middle.1);
    // From the pith through the middle, the wood reaches farther on.
    let wide_side_deg = middle.1.atan2(middle.0).to_degrees().rem_euclid(360.0);
    let mm_per_px = reading.scale.as_ref().map(|scale| scale.mm_per_px);
    let mm = |px: f64| mm_per_px.map(|mm| px * mm);
    let area_px2 = twice_area / 2.0;
    Some(Shape {
        eccentricity_percent: 100.0 * pith_off_px / ((longest_px + across_px) / 2.0),
        wide_side_deg,
        pith_off_px,
        longest_px,
        across_px,
        longest_deg,
        area_px2,
        pith_off_mm: mm(pith_off_px),
        longest_mm: mm(longest_px),
        across_mm: mm(across_px),
        area_mm2: mm_per_px.map(|mm| area_px2 * mm * mm),
    })
}

/// How far the farthest edge lies from a point inside, in a direction.
fn reach(corners: &[(f64, f64)], from: (f64, f64), towards: (f64, f64)) -> f64 {
    let mut farthest: f64 = 0.0;
    for (i, a) in corners.iter().enumerate() {
        let b = corners[(i + 1) % corners.len()];
        let side = (b.0 - a.0, b.1 - a.1);
        let cross = towards.0 * side.1 - towards.1 * side.0;
        if cross.abs() < 1e-12 {
            continue;
        }
        let (dx, dy) = (a.0 - from.0, a.1 - from.1);
        let along = (dx * side.1 - dy * side.0) / cross;
        let part = (dx * towards.1 - dy * towards.0) / cross;
        if (-1e-9..=1.0 + 1e-9).contains(&part) {
            farthest = farthest.max(along);
        }
    }
    farthest
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::growth::tests::disc;

    /// Facts, T-4.4: diameters 300 and 300, pith 30 from the middle: 10.0 %.
    #[test]
    fn a_pith_off_the_middle_gives_the_worked_eccentricity() {
        let mut reading = disc(&[1.0; 10], None, None);
        reading.outline.radius_px = (0..360)
            .map(|i| {
                let a = f64::from(i).to_radians();
                Some(30.0 * a.cos() + (150.0f64.powi(2) - (30.0 * a.sin()).powi(2)).sqrt())
            })
            .collect();
        let shape = of(&reading).unwrap();
        assert!(
            (shape.eccentricity_percent - 10.0).abs() < 0.01,
            "{shape:?}"
        );
        assert!((shape.longest_px - 300.0).abs() < 0.05, "{shape:?}");
        assert!((shape.across_px - 300.0).abs() < 0.05, "{shape:?}");
        assert!(shape.wide_side_deg < 0.5 || shape.wide_side_deg > 359.5);
        let circle = std::f64::consts::PI * 150.0 * 150.0;
        assert!((shape.area_px2 / circle - 1.0).abs() < 1e-3);
        assert_eq!(shape.longest_mm, None);
    }

    /// Facts, T-6.3: ellipse 320 x 280, area 70371.675.
    #[test]
    fn an_oval_face_has_its_two_diameters() {
        let mut reading = disc(&[1.0; 10], None, Some(0.5));
        reading.outline.radius_px = (0..360)
            .map(|i| {
                let a = f64::from(i - 30).to_radians();
                Some(160.0 * 140.0 / (140.0 * a.cos()).hypot(160.0 * a.sin()))
            })
            .collect();
        let shape = of(&reading).unwrap();
        assert!((shape.longest_px - 320.0).abs() < 0.05 && (shape.across_px - 280.0).abs() < 0.05);
        assert!((shape.longest_deg - 30.0).abs() < 1e-9);
        assert!((shape.longest_mm.unwrap() - 160.0).abs() < 0.05);
        assert!((shape.area_mm2.unwrap() * 4.0 / 70371.675 - 1.0).abs() < 1e-3);
        assert!(shape.eccentricity_percent < 0.01);
        reading.outline.radius_px[..91].fill(None);
        assert_eq!(of(&reading), None);
    }
}
