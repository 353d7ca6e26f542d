//! How many rings are lost with the centre: hollow, rotten, or outside the photo.
//!
//! Two questions. How far is the pith: an arc of a ring with chord L and height h (sagitta) is part of
//! a circle of radius L^2 / (8 h) + h / 2 (Duncan 1989, New Zealand Journal of Ecology 12: 31-37), and
//! where many points of the arc are known, a circle through all of them is surer than one from three.
//! How many rings fit in there: the mean width of the inner rings carried inward overcounts, because
//! young rings are wider (Baudet, Josefsson & Östlund 2020, Dendrochronologia 64: 125782: up to
//! threefold); constant growth by area is the other extreme. The best estimate lies between both, the
//! range holds both.
//!
//! Published errors decide how wide the range is at least: of 45 cores 13 were more than five years off
//! (Baker et al. 2005, Ecological Monographs 75: 317-343), single trees up to 78 % (Norton, Palmer &
//! Ogden 1987, New Zealand Journal of Botany 25), hollow oaks 15 % of their age on average (Ranius,
//! Niklasson & Berg 2009, Ecoscience 16): half of the missing rings to either side.
//!
//! Limits: concentric, about circular rings and even growth near the pith. A flat arc says little: at a
//! height of a tenth of the chord, a fifth more or less of it moves the radius by -15 to +23 %.

/// Half width of the range, share of the missing rings, by the published errors.
const LEAST_ERROR: f64 = 0.5;

/// Weight of growth by width against growth by area in the best estimate, as a power. On the true
/// boundaries of 28 practice discs and 28 development renders, hollowed to 15, 25, 35 and 45 % of their
/// radius, the median error is -16 and -2 % of the missing rings; at 0.5 it is -44 and -34 %, by width
/// alone +8 and +22 %.
const BY_WIDTH: f64 = 0.8;

/// The range reaches beyond growth by width, because some trees begin slowly: with it the range held the
/// truth on 93 and 86 % of those discs, 86 and 83 % without.
const ABOVE_WIDTH: f64 = 1.2;

/// Inner rings whose growth is carried inward.
const NEAR: usize = 10;

/// Radius of the circle of which an arc has this chord and this height, all in one unit; `None` where
/// the arc is none.
pub fn arc_radius(chord: f64, sagitta: f64) -> Option<f64> {
    let is_arc = chord > 0.0 && sagitta > 0.0 && chord.is_finite() && sagitta.is_finite();
    is_arc.then(|| chord * chord / (8.0 * sagitta) + sagitta / 2.0)
}

/// The same where the height is known to `error` only: the least and the greatest radius; the greatest
/// is infinite where the arc may be straight.
pub fn arc_radius_range(chord: f64, sagitta: f64, error: f64) -> Option<(f64, f64)> {
    arc_radius(chord, sagitta)?;
    // Beyond half a circle a higher arc is a larger circle again; no ring is followed so far here.
    let ends = [sagitta + error, sagitta - error];
    let radii = ends.map(|h| arc_radius(chord, h).unwrap_or(f64::INFINITY));
    Some((radii[0].min(radii[1]), radii[0].max(radii[1])))
}

/// A circle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Circle {
    /// Centre.
    pub x: f64,
    /// Centre.
    pub y: f64,
    /// Radius.
    pub radius: f64,
    /// Standard deviation of the radius by the scatter of the points, which are taken to be
    /// independent; 0 for three points.
    pub radius_sd: f64,
}

/// The circle through three points; `None` where they lie on a line.
pub fn circle_through(a: (f64, f64), b: (f64, f64), c: (f64, f64)) -> Option<Circle> {
    let (bx, by) = (b.0 - a.0, b.1 - a.1);
    let (cx, cy) = (c.0 - a.0, c.1 - a.1);
    let twice_area = 2.0 * (bx * cy - by * cx);
    let scale = bx.hypot(by) * cx.hypot(cy);
    if twice_area.abs() <= 1e-12 * scale {
        return None;
    }
    let (bb, cc) = (bx * bx + by * by, cx * cx + cy * cy);
    let (x, y) = (
        (cy * bb - by * cc) / twice_area,
        (bx * cc - cx * bb) / twice_area,
    );
    Some(Circle {
        x: a.0 + x,
        y: a.1 + y,
        radius: x.hypot(y),
        radius_sd: 0.0,
    })
}

/// The circle nearest to many points, in the least squares of their distances from it, points far off
/// counting less (Tukey's biweight); `None` for fewer than three, or points on a line.
pub fn circle_near(points: &[(f64, f64)]) -> Option<Circle> {
    let n = points.len();
    if n < 3 {
        return None;
    }
    let mut circle = circle_through(points[0], points[n / 2], points[n - 1])
        .or_else(|| circle_through(points[0], points[n / 3], points[2 * n / 3]))?;
    let mut weights = vec![1.0; n];
    for round in 0..40 {
        let off: Vec<f64> = points
            .iter()
            .map(|(x, y)| (x - circle.x).hypot(y - circle.y) - circle.radius)
            .collect();
        if round > 2 {
            let mut sizes: Vec<f64> = off.iter().map(|v| v.abs()).collect();
            sizes.sort_by(f64::total_cmp);
            // 4.685 standard deviations, of which the median of the sizes is 0.6745.
            let reach = 4.685 * sizes[n / 2] / 0.6745 + 1e-9;
            for (weight, v) in weights.iter_mut().zip(&off) {
                *weight = (1.0 - (v / reach).powi(2)).max(0.0).powi(2);
            }
        }
        let (step, covariance) = gauss_newton(points, &weights, &off, &circle)?;
        circle.x += step[0];
        circle.y += step[1];
        circle.radius += step[2];
        let sum: f64 = weights.iter().sum();
        let square: f64 = off.iter().zip(&weights).map(|(v, w)| w * v * v).sum();
        circle.radius_sd = (covariance * square / (sum - 3.0).max(1.0)).max(0.0).sqrt();
        if !(circle.radius.is_finite() && circle.radius > 0.0) {
            return None;
        }
        let moved = step.iter().map(|v| v.abs()).fold(0.0, f64::max);
        if round > 4 && moved < 1e-9 * circle.radius {
            break;
        }
    }
    Some(circle)
}

/// One step towards the least squares, and the variance of the radius for scatter 1.
fn gauss_newton(
    points: &[(f64, f64)],
    weights: &[f64],
    off: &[f64],
    circle: &Circle,
) -> Option<([f64; 3], f64)> {
    let mut m = [[0.0f64; 3]; 3];
    let mut b = [0.0f64; 3];
    for (((x, y), weight), off) in points.iter().zip(weights).zip(off) {
        let (dx, dy) = (x - circle.x, y - circle.y);
        let r = dx.hypot(dy).max(1e-12);
        let row = [-dx / r, -dy / r, -1.0];
        for i in 0..3 {
            for j in 0..3 {
                m[i][j] += weight * row[i] * row[j];
            }
            b[i] -= weight * row[i] * off;
        }
    }
    let minor = |i: usize, j: usize| {
        let (r, c) = ([[1, 2], [0, 2], [0, 1]][i], [[1, 2], [0, 2], [0, 1]][j]);
        let value = m[r[0]][c[0]] * m[r[1]][c[1]] - m[r[0]][c[1]] * m[r[1]][c[0]];
        if (i + j).is_multiple_of(2) {
            value
        } else {
            -value
        }
    };
    let determinant: f64 = (0..3).map(|j| m[0][j] * minor(0, j)).sum();
    let size = m[0][0] + m[1][1] + m[2][2];
    if determinant.abs() <= 1e-15 * size.powi(3) {
        return None;
    }
    let step =
        std::array::from_fn(|i| (0..3).map(|j| minor(j, i) * b[j]).sum::<f64>() / determinant);
    Some((step, minor(2, 2) / determinant))
}

/// Rings lost with the centre.
///
/// Holds: `0 <= low <= rings <= high`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Missing {
    /// Best estimate.
    pub rings: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Rings within a radius if all were as wide as the mean of the nearest: overcounts.
pub fn rings_by_width(radius: f64, width: f64) -> f64 {
    radius / width
}

/// Rings within a radius if each had the area of the nearest, given as area over pi.
pub fn rings_by_area(radius: f64, area_over_pi: f64) -> f64 {
    radius * radius / area_over_pi
}

/// How many rings are missing inside the first of these boundaries' inner neighbour: `radii` are the
/// distances of the innermost boundaries from the pith, rising, in any unit. The first of them closes
/// the first ring that is seen, so one less than fits within it is missing. `None` for fewer than three.
pub fn missing(radii: &[f64]) -> Option<Missing> {
    let near = radii.len().min(NEAR);
    if near < 3 {
        return None;
    }
    let (first, last) = (radii[0], radii[near - 1]);
    if !(first > 0.0 && last > first) {
        return None;
    }
    let years = (near - 1) as f64;
    let by_width = (rings_by_width(first, (last - first) / years) - 1.0).max(0.0);
    let area = (last * last - first * first) / years;
    let by_area = (rings_by_area(first, area) - 1.0).max(0.0);
    let rings = by_width.powf(BY_WIDTH) * by_area.powf(1.0 - BY_WIDTH);
    Some(Missing {
        rings,
        low: by_area.min(rings * (1.0 - LEAST_ERROR)),
        high: (ABOVE_WIDTH * by_width).max(rings * (1.0 + LEAST_ERROR)),
    })
}

/// The distance from the pith of the boundary whose arc is seen, one radius a degree about a supposed
/// pith, as the circle through it has it; `None` where the arc is too flat for half of it to be sure.
pub fn radius_of_arc(radius_px: &[Option<f64>]) -> Option<f64> {
    let degrees = radius_px.len() as f64 / 360.0;
    let points: Vec<(f64, f64)> = radius_px
        .iter()
        .enumerate()
        .filter_map(|(i, r)| {
            let (sin, cos) = (i as f64 / degrees).to_radians().sin_cos();
            r.map(|r| (r * cos, r * sin))
        })
        .collect();
    let circle = circle_near(&points)?;
    // Boundaries are traced on arcs of five degrees: neighbours are not independent.
    let sd = circle.radius_sd * (5.0 * degrees).sqrt();
    (2.0 * sd < LEAST_ERROR * circle.radius).then_some(circle.radius)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64, within: f64) {
        assert!((a - b).abs() <= within, "{a} is not {b}");
    }

    /// T-2.1: Duncan's arc formula.
    #[test]
    fn an_arc_of_chord_10_and_height_1_has_radius_13_and_ten_rings_of_1_3_fit() {
        let radius = arc_radius(10.0, 1.0).unwrap();
        close(radius, 13.0, 1e-12);
        close(rings_by_width(radius, 1.3), 10.0, 1e-12);
    }

    /// T-2.2.
    #[test]
    fn other_arcs_have_their_radii() {
        let radius = arc_radius(20.0, 2.5).unwrap();
        close(radius, 21.25, 1e-12);
        close(rings_by_width(radius, 2.0), 10.625, 1e-12);
        assert_eq!(rings_by_width(radius, 2.0).round(), 11.0);
        close(arc_radius(10.0, 5.0).unwrap(), 5.0, 1e-12);
        close(arc_radius(12.0, 2.0).unwrap(), 10.0, 1e-12);
        close(arc_radius(8.0, 0.5).unwrap(), 16.25, 1e-12);
        for (chord, sagitta) in [(0.0, 1.0), (10.0, 0.0), (10.0, -1.0), (f64::NAN, 1.0)] {
            assert_eq!(arc_radius(chord, sagitta), None);
        }
    }

    /// T-2.3: three points and the arc formula are one.
    #[test]
    fn the_circle_through_three_points_is_that_of_the_arc() {
        let circle = circle_through((-5.0, 0.0), (0.0, 1.0), (5.0, 0.0)).unwrap();
        close(circle.x, 0.0, 1e-12);
        close(circle.y, -12.0, 1e-12);
        close(circle.radius, arc_radius(10.0, 1.0).unwrap(), 1e-12);
        assert_eq!(circle_through((0.0, 0.0), (1.0, 1.0), (2.0, 2.0)), None);
    }

    /// T-2.4: 0.2 of a height of 1 moves the radius by -15 to +23 %.
    #[test]
    fn a_small_error_of_the_height_moves_the_radius_far() {
        close(arc_radius(10.0, 0.8).unwrap(), 16.025, 1e-9);
        close(arc_radius(10.0, 1.2).unwrap(), 11.0167, 1e-4);
        let (least, most) = arc_radius_range(10.0, 1.0, 0.2).unwrap();
        close(least / 13.0 - 1.0, -0.15, 0.005);
        close(most / 13.0 - 1.0, 0.23, 0.005);
        assert_eq!(arc_radius_range(10.0, 1.0, 1.0).unwrap().1, f64::INFINITY);
    }

    /// T-2.5: constant growth by area, two rings missing; the mean width gives 5.16.
    #[test]
    fn the_mean_width_overcounts_and_the_range_holds_the_truth() {
        let boundaries: Vec<f64> = (1..=5).map(|k| 10.0 * f64::from(k).sqrt()).collect();
        close(boundaries[1], 14.142_136, 1e-6);
        let mean = (boundaries[4] - boundaries[1]) / 3.0;
        close(mean, 2.739_515, 1e-5);
        close(rings_by_width(boundaries[1], mean), 5.16, 0.005);
        close(rings_by_area(boundaries[1], 100.0), 2.0, 1e-9);
        // Rings 3 to 5 are seen; the first boundary seen is the third.
        let told = missing(&boundaries[2..]).unwrap();
        assert!(told.low <= 2.0 && 2.0 <= told.high, "{told:?}");
        assert!(
            told.rings < rings_by_width(boundaries[2], mean) - 1.0,
            "{told:?}"
        );
    }

    #[test]
    fn even_widths_are_counted_and_few_rings_are_not() {
        let even: Vec<f64> = (6..20).map(|k| 3.0 * f64::from(k)).collect();
        let told = missing(&even).unwrap();
        // Five are missing.
        assert!(told.low <= 5.0 && 5.0 <= told.high, "{told:?}");
        assert_eq!(missing(&even[..2]), None);
        assert_eq!(missing(&[5.0, 5.0, 5.0]), None);
    }

    #[test]
    fn a_circle_is_fitted_through_scatter_and_past_wild_points() {
        let mut state = 7u32;
        let mut noise = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(state) / f64::from(u32::MAX) - 0.5
        };
        let mut points: Vec<(f64, f64)> = (0..90)
            .map(|i| {
                let (sin, cos) = f64::from(i).to_radians().sin_cos();
                let r = 200.0 + noise();
                (30.0 + r * cos, -10.0 + r * sin)
            })
            .collect();
        points[20].0 += 60.0;
        points[70].1 -= 45.0;
        let circle = circle_near(&points).unwrap();
        close(circle.x, 30.0, 1.0);
        close(circle.y, -10.0, 1.0);
        close(circle.radius, 200.0, 1.0);
        assert!(
            circle.radius_sd > 0.02 && circle.radius_sd < 1.0,
            "{circle:?}"
        );
        assert_eq!(circle_near(&points[..2]), None);
    }

    #[test]
    fn the_radius_of_an_arc_is_told_about_a_wrong_centre_and_not_of_a_flat_one() {
        // A circle of 150 about (40, 0), seen from the origin over a quarter.
        let seen = |degrees: std::ops::Range<usize>, wave: f64| -> Vec<Option<f64>> {
            (0..360)
                .map(|i| {
                    let (sin, cos) = (i as f64).to_radians().sin_cos();
                    let r = 40.0 * cos + (150.0f64.powi(2) - (40.0 * sin).powi(2)).sqrt();
                    degrees
                        .contains(&i)
                        .then(|| r + wave * (i as f64 * 1.7).sin())
                })
                .collect()
        };
        close(radius_of_arc(&seen(20..110, 0.3)).unwrap(), 150.0, 3.0);
        assert_eq!(radius_of_arc(&seen(50..58, 3.0)), None);
    }
}
