//! The cubic smoothing spline, its stiffness told by the period that it halves.
//!
//! The curve g minimises sum (y - g)^2 + lambda integral g''^2. In the middle of a long yearly series
//! a wave of w radians a year comes through by the factor 1 / (1 + 12 lambda (1 - cos w)^2 / (2 + cos
//! w)), so that a wave of N years is halved where lambda = (2 + cos w) / (12 (1 - cos w)^2), w = 2
//! pi / N. Cook and Peters 1981 (Tree-Ring Bulletin 41: 45-53) give the same curve by a weight p = 1 /
//! (2 lambda). Near the ends of a series, and for N near its length, the factor is an approximation.
//!
//! Solved as Reinsch did: (R + lambda Q'Q) c = Q'y, g = y - lambda Q c, with bands of width five,
//! so that time and memory grow with the length. Years that are not known leave the knots uneven;
//! R and Q are those of the uneven knots.

use std::f64::consts::TAU;

/// The shortest period that can be asked for, years: what a yearly series can hold at all.
pub const LEAST_PERIOD_YEARS: f64 = 2.0;

/// The weight lambda, years cubed, of the spline that halves waves of `period_years`.
pub fn weight(period_years: f64) -> f64 {
    let cos = (TAU / period_years).cos();
    (2.0 + cos) / (12.0 * (1.0 - cos) * (1.0 - cos))
}

/// What the spline of a weight leaves of a wave of `period_years`, 0 to 1, in mid-series.
pub fn response(weight: f64, period_years: f64) -> f64 {
    let cos = (TAU / period_years).cos();
    1.0 / (1.0 + 12.0 * weight * (1.0 - cos) * (1.0 - cos) / (2.0 + cos))
}

/// The spline through values of years, at the years that are known; a straight line where two are
/// known, the value itself where one is.
pub fn smooth(values: &[Option<f64>], weight: f64) -> Vec<Option<f64>> {
    let knots: Vec<(f64, f64)> = (0_u32..)
        .zip(values)
        .filter_map(|(t, v)| Some((f64::from(t), (*v)?)))
        .collect();
    let mut curve = through(&knots, weight).into_iter();
    values
        .iter()
        .map(|v| v.and_then(|_| curve.next()))
        .collect()
}

/// The spline's values at its knots (place, value), places rising.
fn through(knots: &[(f64, f64)], weight: f64) -> Vec<f64> {
    let n = knots.len();
    if n < 3 {
        return knots.iter().map(|(_, y)| *y).collect();
    }
    let gap: Vec<f64> = knots.windows(2).map(|k| k[1].0 - k[0].0).collect();
    // Column j of Q has 1/h[j], -1/h[j] - 1/h[j+1], 1/h[j+1] at rows j, j+1, j+2.
    let q: Vec<[f64; 3]> = gap
        .windows(2)
        .map(|h| [1.0 / h[0], -1.0 / h[0] - 1.0 / h[1], 1.0 / h[1]])
        .collect();
    let m = n - 2;
    // The bands of R + weight Q'Q: the diagonal, and the two above it.
    let mut bands = vec![[0.0_f64; 3]; m];
    for j in 0..m {
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        bands[j][0] = (gap[j] + gap[j + 1]) / 3.0 + weight * dot(&q[j], &q[j]);
        if j + 1 < m {
            bands[j][1] = gap[j + 1] / 6.0 + weight * dot(&q[j][1..], &q[j + 1][..2]);
        }
        if j + 2 < m {
            bands[j][2] = weight * q[j][2] * q[j + 2][0];
        }
    }
    let right: Vec<f64> = (0..m)
        .map(|j| (0..3).map(|i| q[j][i] * knots[j + i].1).sum())
        .collect();
    let bend = solve(bands, right);
    let mut curve: Vec<f64> = knots.iter().map(|(_, y)| *y).collect();
    for j in 0..m {
        for i in 0..3 {
            curve[j + i] -= weight * q[j][i] * bend[j];
        }
    }
    curve
}

/// Solves a symmetric, positive definite system of five bands by its L D L' factors.
fn solve(mut bands: Vec<[f64; 3]>, mut right: Vec<f64>) -> Vec<f64> {
    let m = bands.len();
    for j in 0..m {
        let [d, one, two] = bands[j];
        let (l1, l2) = (one / d, two / d);
        if j + 1 < m {
            bands[j + 1][0] -= l1 * one;
            bands[j + 1][1] -= l1 * two;
            right[j + 1] -= l1 * right[j];
        }
        if j + 2 < m {
            bands[j + 2][0] -= l2 * two;
            right[j + 2] -= l2 * right[j];
        }
        bands[j] = [d, l1, l2];
        right[j] /= d;
    }
    for j in (0..m).rev() {
        for i in 1..=2 {
            if j + i < m {
                right[j] -= bands[j][i] * right[j + i];
            }
        }
    }
    right
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(values: &[f64]) -> Vec<Option<f64>> {
        values.iter().copied().map(Some).collect()
    }

    fn close(got: f64, want: f64, off: f64) {
        assert!((got - want).abs() <= off, "{got}, expected {want}");
    }

    const Y: [f64; 10] = [2.0, 1.8, 1.9, 1.5, 1.6, 1.2, 1.3, 1.1, 1.0, 1.2];

    #[test]
    fn the_weight_of_a_period_is_that_of_the_worked_examples() {
        // T-3.13.
        for (period, want) in [
            (10.0, 6.417763),
            (20.0, 102.661244),
            (32.0, 672.792815),
            (50.0, 4010.150712),
            (67.0, 12929.442054),
            (100.0, 64162.390482),
        ] {
            close(weight(period), want, 5e-7 * want.max(1.0));
            close(response(weight(period), period), 0.5, 1e-12);
        }
        for (period, want) in [
            (8.0, 0.003893),
            (16.0, 0.058825),
            (64.0, 0.941176),
            (128.0, 0.996109),
        ] {
            close(response(weight(32.0), period), want, 5e-7);
        }
    }

    #[test]
    fn the_curve_is_that_of_the_worked_example() {
        // T-3.14.
        let want = [
            1.98865394, 1.87610989, 1.76222692, 1.61788838, 1.47349327, 1.32489501, 1.21182090,
            1.12651590, 1.09477587, 1.12361993,
        ];
        for (got, want) in smooth(&all(&Y), 1.0).iter().zip(want) {
            close(got.unwrap(), want, 6e-9);
        }
        let stiff = smooth(&all(&Y), 100.0);
        close(stiff[0].unwrap(), 1.95879225, 6e-9);
        close(stiff[9].unwrap(), 0.99133016, 6e-9);
    }

    #[test]
    fn a_wave_of_the_period_is_halved_in_mid_series() {
        // T-3.13's check: a cosine of 20, 32 and 67 years.
        for period in [20.0, 32.0, 67.0] {
            let wave: Vec<Option<f64>> = (0..1601)
                .map(|t| Some((TAU * f64::from(t - 800) / period).cos()))
                .collect();
            close(smooth(&wave, weight(period))[800].unwrap(), 0.5, 1e-6);
        }
    }

    #[test]
    fn uneven_knots_give_the_curve_of_scipy() {
        // scipy 1.17.1, numpy 2.4.6:
        //   t = numpy.array([0,1,2,5,6,8,9.]); y = numpy.array([2,1.8,1.9,1.2,1.3,1,1.2])
        //   scipy.interpolate.make_smoothing_spline(t, y, lam=10.0)(t)
        let mut gappy = all(&Y);
        (gappy[3], gappy[4], gappy[7]) = (None, None, None);
        let curve = smooth(&gappy, 10.0);
        assert!(curve[3].is_none() && curve[7].is_none());
        let got: Vec<f64> = curve.into_iter().flatten().collect();
        for (got, want) in got.iter().zip(UNEVEN) {
            close(*got, want, 1e-9);
        }
        assert_eq!(got.len(), UNEVEN.len());
    }

    const UNEVEN: [f64; 7] = [
        1.9972817487,
        1.8678019071,
        1.7374638587,
        1.3561382722,
        1.2594321844,
        1.1169523520,
        1.0649296769,
    ];

    #[test]
    fn straight_lines_pass_unchanged_and_few_points_too() {
        let line: Vec<Option<f64>> = (0..50).map(|t| Some(3.0 - 0.04 * f64::from(t))).collect();
        for (got, want) in smooth(&line, weight(500.0)).iter().zip(&line) {
            close(got.unwrap(), want.unwrap(), 1e-9);
        }
        assert_eq!(
            smooth(&[None, Some(2.0), None], 5.0),
            [None, Some(2.0), None]
        );
        assert_eq!(smooth(&[], 5.0), []);
    }

    #[test]
    fn the_banded_solution_is_that_of_full_elimination() {
        // The plain version: the full matrix, Gauss-Jordan.
        let weight = weight(7.0);
        let n = Y.len();
        let mut full = vec![vec![0.0; n - 1]; n - 2];
        for i in 0..n - 2 {
            for j in 0..n - 2 {
                full[i][j] = match i.abs_diff(j) {
                    0 => 2.0 / 3.0 + weight * 6.0,
                    1 => 1.0 / 6.0 - weight * 4.0,
                    2 => weight,
                    _ => 0.0,
                };
            }
            full[i][n - 2] = Y[i] - 2.0 * Y[i + 1] + Y[i + 2];
        }
        for j in 0..n - 2 {
            let pivot = full[j].clone();
            for (i, row) in full.iter_mut().enumerate() {
                let by = if i == j {
                    1.0 - 1.0 / pivot[j]
                } else {
                    row[j] / pivot[j]
                };
                row.iter_mut().zip(&pivot).for_each(|(v, p)| *v -= by * p);
            }
        }
        let curve = smooth(&all(&Y), weight);
        for t in 0..n {
            let bend = |k: usize| full.get(k).map_or(0.0, |row| row[n - 2]);
            let second = bend(t) - 2.0 * t.checked_sub(1).map_or(0.0, bend)
                + t.checked_sub(2).map_or(0.0, bend);
            close(curve[t].unwrap(), Y[t] - weight * second, 1e-12);
        }
    }
}
