//! Areas inside boundaries, and the radii and widths that follow from them.
//!
//! The equivalent radius, sqrt(area / pi), is the radius to use for mean ring widths of a whole
//! disc: the mean of the radii falls short when the pith is off centre. With the boundary given as
//! a radius a degree about the pith, the area is half the integral of the squared radius over the
//! azimuth, so the equivalent radius is the quadratic mean of the radii. For a circle seen from any
//! inner point that is exact (the mean square of the radii at opposite and crossing azimuths is the
//! squared radius); a polygon through the same points falls short by 0.0025 %.
//!
//! On a single radius the width is the distance of the two boundaries, and a ring that hardly has any is
//! absent there ([`width_on_radius_px`](crate::ring_area::width_on_radius_px)): the one rule for every
//! table and file.
//!
//! Limits: a gap is bridged in a straight line over the azimuth, and no more than a quarter of the
//! circle may be missing ([`MAX_MISSING`](crate::ring_area::MAX_MISSING)).

/// Largest share of the circle that is bridged. A quarter: a disc cut by one side of the frame
/// loses about that much; beyond it the bridge, not the photo, would make the number. Common
/// practice, no source.
pub const MAX_MISSING: f64 = 0.25;

/// A ring narrower than this, px, is absent on a radius: half a pixel can hold no ring that was seen.
/// Common practice, no source.
pub const ABSENT_BELOW_PX: f64 = 0.5;

/// Width of a ring on one radius, px, from the distances of its two boundaries from the pith: 0 where
/// the ring is absent there, that is narrower than [`ABSENT_BELOW_PX`].
///
/// The sliver itself goes lost, so the widths on a radius add up to up to half a pixel less for each
/// ring that is absent there.
pub fn width_on_radius_px(inner_px: f64, outer_px: f64) -> f64 {
    let width_px = outer_px - inner_px;
    if width_px < ABSENT_BELOW_PX {
        0.0
    } else {
        width_px
    }
}

/// Equivalent radius of a boundary, in the unit of its radii, given at even azimuths about a point
/// inside it.
///
/// `None` where more than [`MAX_MISSING`] of the radii is unknown, or the list is empty.
pub fn equivalent_radius_px(radius_px: &[Option<f64>]) -> Option<f64> {
    let bridged = bridge(radius_px)?;
    let squares: f64 = bridged.iter().map(|r| r * r).sum();
    Some((squares / bridged.len() as f64).sqrt())
}

/// Mean width of the ring between two boundaries: the difference of their equivalent radii.
///
/// Without an inner boundary the ring goes down to the pith. Where too much of either boundary is
/// unknown, only the azimuths at which both are known are used, as if the rest of the circle were
/// like them: the width of a ring in a cropped photo is that of its visible part. `None` where no
/// azimuth has both.
pub fn mean_width_px(inner_px: Option<&[Option<f64>]>, outer_px: &[Option<f64>]) -> Option<f64> {
    let Some(inner_px) = inner_px else {
        return equivalent_radius_px(outer_px).or_else(|| {
            let known: Vec<f64> = outer_px.iter().copied().flatten().collect();
            quadratic_mean(&known)
        });
    };
    if let (Some(inner), Some(outer)) = (
        equivalent_radius_px(inner_px),
        equivalent_radius_px(outer_px),
    ) {
        return Some(outer - inner);
    }
    let both = inner_px.iter().zip(outer_px).filter_map(|(i, o)| i.zip(*o));
    let (inner, outer): (Vec<f64>, Vec<f64>) = both.unzip();
    Some(quadratic_mean(&outer)? - quadratic_mean(&inner)?)
}

fn quadratic_mean(values: &[f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let squares: f64 = values.iter().map(|v| v * v).sum();
    Some((squares / values.len() as f64).sqrt())
}

/// The radii with gaps filled in a straight line over the azimuth, round the circle.
pub(crate) fn bridge(radius_px: &[Option<f64>]) -> Option<Vec<f64>> {
    let n = radius_px.len();
    let missing = radius_px.iter().filter(|r| r.is_none()).count();
    if missing == n || missing as f64 > MAX_MISSING * n as f64 {
        return None;
    }
    let known: Vec<(usize, f64)> = radius_px
        .iter()
        .enumerate()
        .filter_map(|(i, r)| r.map(|r| (i, r)))
        .collect();
    let mut filled = vec![0.0; n];
    for (place, &(i, here)) in known.iter().enumerate() {
        let (next, there) = known[(place + 1) % known.len()];
        // Round the circle; a single known value reaches round to itself.
        let steps = if next > i { next - i } else { next + n - i };
        for step in 0..steps {
            let part = step as f64 / steps as f64;
            filled[(i + step) % n] = here + part * (there - here);
        }
    }
    Some(filled)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    fn boundary(radius: impl Fn(f64) -> f64) -> Vec<Option<f64>> {
        (0..360)
            .map(|i| Some(radius(f64::from(i).to_radians())))
            .collect()
    }

    /// Radius of a circle of radius `r` about a pith that is `e` off its centre.
    fn off_centre(r: f64, e: f64) -> Vec<Option<f64>> {
        boundary(|a| e * a.cos() + (r * r - (e * a.sin()).powi(2)).sqrt())
    }

    #[test]
    fn a_ring_of_less_than_half_a_pixel_on_a_radius_is_absent_there() {
        assert_eq!(width_on_radius_px(100.0, 100.49), 0.0);
        assert_eq!(width_on_radius_px(100.0, 100.5), 0.5);
        // Rounded boundaries of a ring that is absent may seem to cross.
        assert_eq!(width_on_radius_px(100.0, 99.99), 0.0);
        assert_eq!(width_on_radius_px(0.0, 12.25), 12.25);
    }

    /// Facts, T-6.3: ellipse 320 x 280: area 70371.675; equivalent radius 149.666.
    #[test]
    fn an_ellipse_has_its_equivalent_radius() {
        let (a, b) = (160.0, 140.0);
        let radii = boundary(|t| a * b / (b * t.cos()).hypot(a * t.sin()));
        let radius = equivalent_radius_px(&radii).unwrap();
        assert!((radius - 149.666).abs() < 5e-4, "{radius}");
        assert!((PI * radius * radius - 70371.675).abs() < 5e-3);
    }

    /// Facts, T-6.4: R=150, e=30: radii 120 to 180; mean over all directions 148.489, quadratic
    /// mean 150.000; four radii: mean 148.485, quadratic mean 150.000; 60 rings: 2.5 mm.
    #[test]
    fn an_off_centre_pith_leaves_the_equivalent_radius_alone() {
        let radii = off_centre(150.0, 30.0);
        assert!((equivalent_radius_px(&radii).unwrap() - 150.0).abs() < 1e-9);
        let mean = radii.iter().flatten().sum::<f64>() / 360.0;
        assert!((mean - 148.489).abs() < 5e-4, "{mean}");
        let four: Vec<_> = (0..4).map(|i| radii[i * 90]).collect();
        assert!((equivalent_radius_px(&four).unwrap() - 150.0).abs() < 1e-9);
        let mean = four.iter().flatten().sum::<f64>() / 4.0;
        assert!((mean - 148.485).abs() < 5e-4, "{mean}");
        let inner = off_centre(147.5, 29.5);
        let width = mean_width_px(Some(&inner), &radii).unwrap();
        assert!((width - 2.5).abs() < 1e-9);
    }

    /// Facts, T-3.18: widths 2.0 3.0 2.5 1.5 from the pith: areas 12.566371 65.973446 98.174770
    /// 77.754418, together pi * 81.
    #[test]
    fn ring_areas_follow_from_the_equivalent_radii() {
        let radii = [2.0, 5.0, 7.5, 9.0];
        let want = [12.566371, 65.973446, 98.174770, 77.754418];
        let mut before: f64 = 0.0;
        let mut inner: Option<Vec<Option<f64>>> = None;
        for (i, radius) in radii.into_iter().enumerate() {
            let outer = vec![Some(radius); 360];
            let equivalent = equivalent_radius_px(&outer).unwrap();
            let area = PI * (equivalent.powi(2) - before.powi(2));
            assert!((area - want[i]).abs() < 1e-6, "{area}");
            let width = mean_width_px(inner.as_deref(), &outer).unwrap();
            assert!((width - [2.0, 3.0, 2.5, 1.5][i]).abs() < 1e-9);
            before = equivalent;
            inner = Some(outer);
        }
        assert!((PI * before * before - 254.469005).abs() < 1e-6);
    }

    #[test]
    fn a_gap_up_to_a_quarter_is_bridged_and_a_larger_one_refused() {
        let mut radii = off_centre(150.0, 30.0);
        for radius in radii.iter_mut().skip(320) {
            *radius = None;
        }
        for radius in radii.iter_mut().take(50) {
            *radius = None;
        }
        assert!(
            equivalent_radius_px(&radii).is_some(),
            "90 of 360 are missing"
        );
        radii[50] = None;
        assert_eq!(equivalent_radius_px(&radii), None);
        assert_eq!(equivalent_radius_px(&[]), None);
        assert_eq!(equivalent_radius_px(&[None; 360]), None);

        // Bridging a circle about its centre changes nothing, wherever the gap lies.
        let mut circle = vec![Some(80.0); 360];
        for i in [359, 0, 1, 2, 100] {
            circle[i] = None;
        }
        assert!((equivalent_radius_px(&circle).unwrap() - 80.0).abs() < 1e-12);
    }

    #[test]
    fn a_ring_seen_over_an_arc_has_the_width_of_that_arc() {
        let arc = |r: f64| -> Vec<Option<f64>> {
            (0..360)
                .map(|i| (100..160).contains(&i).then_some(r))
                .collect()
        };
        let width = mean_width_px(Some(&arc(40.0)), &arc(47.0)).unwrap();
        assert!((width - 7.0).abs() < 1e-12);
        assert_eq!(mean_width_px(Some(&[None; 360]), &arc(47.0)), None);
    }
}
