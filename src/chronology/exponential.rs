//! The negative exponential a exp(-b t) + k: how rings grow narrower as a stem grows thicker.
//!
//! For any b the best a and k follow from a straight-line fit on exp(-b t), so the search is over b
//! alone: a look over all scales from a thousandth of the length to a few years, then Gauss-Newton
//! from the best of them. No starting values to give, no way to get stuck in a wrong valley.

/// A fitted negative exponential.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exponential {
    /// What is lost with age, in the unit of the values; above zero.
    pub a: f64,
    /// Rate at which it is lost, per year; above zero.
    pub b: f64,
    /// What is left at great age, in the unit of the values; zero or above.
    pub k: f64,
}

impl Exponential {
    /// The curve in year `t` of the series, from 1.
    pub fn at(&self, t: f64) -> f64 {
        self.a * (-self.b * t).exp() + self.k
    }
}

/// The slowest and the fastest decay that is told from a straight line and from a lone first ring:
/// the curve loses 5 % of `a` over the whole length, or all but 5 % of it within a year.
const LEAST_LOSS: f64 = 0.05;
const FASTEST_PER_YEAR: f64 = 3.0;

/// Steps of the look over the scales: each b is a tenth or less above the one before.
const STEPS: u32 = 120;

/// Fits the curve by least squares to points (year of the series from 1, value); none where fewer
/// than four points are given, or what fits best is not a falling curve that ends above zero.
pub fn fit(points: &[(f64, f64)]) -> Option<Exponential> {
    if points.len() < 4 {
        return None;
    }
    let length = points.last()?.0 - points.first()?.0;
    let (slow, fast) = (LEAST_LOSS / length, FASTEST_PER_YEAR);
    let rate = |step: u32| slow * (fast / slow).powf(f64::from(step) / f64::from(STEPS));
    let loss = |b: f64| line_on(points, b).map_or(f64::INFINITY, |(_, _, loss)| loss);
    let best = (0..=STEPS).min_by(|i, j| loss(rate(*i)).total_cmp(&loss(rate(*j))))?;
    // At either end of the scales the curve is a straight line, or one ring and a level.
    if best == 0 || best == STEPS {
        return None;
    }
    let b = narrowed(&loss, rate(best - 1), rate(best + 1));
    let (a, k, _) = line_on(points, b)?;
    let curve = polished(points, Exponential { a, b, k });
    let falls = curve.a > 0.0 && curve.b > 0.0 && curve.k >= 0.0;
    (falls && curve.a.is_finite() && curve.b.is_finite() && curve.k.is_finite()).then_some(curve)
}

/// The best a and k for a rate, and the sum of squares that they leave.
fn line_on(points: &[(f64, f64)], b: f64) -> Option<(f64, f64, f64)> {
    let (first, n) = (points.first()?.0, points.len() as f64);
    // Counted from the first point, so that no power of a late start is lost to rounding.
    let basis = |t: f64| (-b * (t - first)).exp();
    let (sum_e, sum_y) = points
        .iter()
        .fold((0.0, 0.0), |(se, sy), (t, y)| (se + basis(*t), sy + y));
    let (mean_e, mean_y) = (sum_e / n, sum_y / n);
    let (mut ee, mut ey) = (0.0, 0.0);
    for (t, y) in points {
        let e = basis(*t) - mean_e;
        ee += e * e;
        ey += e * (y - mean_y);
    }
    if ee <= 0.0 {
        return None;
    }
    let a = ey / ee;
    let k = mean_y - a * mean_e;
    let loss = points
        .iter()
        .map(|(t, y)| {
            let off = y - a * basis(*t) - k;
            off * off
        })
        .sum();
    Some((a * (b * first).exp(), k, loss))
}

/// Golden-section search for the least of a function between two places.
fn narrowed(loss: &impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    let golden = f64::midpoint(-1.0, 5.0_f64.sqrt());
    // 60 steps: the span shrinks by 10^12, to where rounding hides the rest.
    for _ in 0..60 {
        let (left, right) = (high - golden * (high - low), low + golden * (high - low));
        if loss(left) <= loss(right) {
            high = right;
        } else {
            low = left;
        }
    }
    f64::midpoint(low, high)
}

/// Gauss-Newton steps for as long as they bring something: near its least the sum of squares is too
/// flat to find b to more than half the digits by comparing it.
fn polished(points: &[(f64, f64)], start: Exponential) -> Exponential {
    let squares = |c: &Exponential| -> f64 {
        points
            .iter()
            .map(|(t, y)| (y - c.at(*t)) * (y - c.at(*t)))
            .sum()
    };
    let mut best = start;
    for _ in 0..20 {
        let mut normal = [[0.0; 4]; 3];
        for (t, y) in points {
            let e = (-best.b * t).exp();
            let slope = [e, -best.a * t * e, 1.0];
            let off = y - best.at(*t);
            for i in 0..3 {
                for j in 0..3 {
                    normal[i][j] += slope[i] * slope[j];
                }
                normal[i][3] += slope[i] * off;
            }
        }
        let Some(step) = solve_three(normal) else {
            break;
        };
        let next = Exponential {
            a: best.a + step[0],
            b: best.b + step[1],
            k: best.k + step[2],
        };
        // Not to be worse than by rounding, or the steps would end at half the digits again.
        if squares(&next) > squares(&best) * (1.0 + 1e-12) + f64::MIN_POSITIVE {
            break;
        }
        best = next;
        if step[1].abs() <= 1e-15 * best.b.abs() {
            break;
        }
    }
    best
}

/// Solves three equations by elimination with pivots; none where they don't hold one solution.
fn solve_three(mut rows: [[f64; 4]; 3]) -> Option<[f64; 3]> {
    for column in 0..3 {
        let pivot =
            (column..3).max_by(|i, j| rows[*i][column].abs().total_cmp(&rows[*j][column].abs()))?;
        rows.swap(column, pivot);
        let lead = rows[column];
        if lead[column].abs() < f64::MIN_POSITIVE {
            return None;
        }
        for row in rows.iter_mut().skip(column + 1) {
            let by = row[column] / lead[column];
            for (value, lead) in row.iter_mut().zip(lead) {
                *value -= by * lead;
            }
        }
    }
    let mut out = [0.0; 3];
    for i in (0..3).rev() {
        let rest: f64 = (i + 1..3).map(|j| rows[i][j] * out[j]).sum();
        out[i] = (rows[i][3] - rest) / rows[i][i];
    }
    out.iter().all(|v| v.is_finite()).then_some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn numbered(values: &[f64]) -> Vec<(f64, f64)> {
        (1_u32..)
            .zip(values)
            .map(|(t, y)| (f64::from(t), *y))
            .collect()
    }

    fn close(got: f64, want: f64, off: f64) {
        assert!((got - want).abs() <= off, "{got}, expected {want}");
    }

    #[test]
    fn values_of_a_curve_give_the_curve_back() {
        // T-3.12.
        let truth = Exponential {
            a: 2.0,
            b: 0.05,
            k: 0.5,
        };
        for (t, want) in [
            (1.0, 2.402459),
            (10.0, 1.713061),
            (20.0, 1.235759),
            (50.0, 0.664170),
            (100.0, 0.513476),
        ] {
            close(truth.at(t), want, 5e-7);
        }
        let values: Vec<f64> = (1..=100).map(|t| truth.at(f64::from(t))).collect();
        let got = fit(&numbered(&values)).unwrap();
        close(got.a, 2.0, 1e-10);
        close(got.b, 0.05, 1e-11);
        close(got.k, 0.5, 1e-10);
        // The five values alone, as printed, to what six decimals hold.
        let few = [
            (1.0, 2.402459),
            (10.0, 1.713061),
            (20.0, 1.235759),
            (50.0, 0.664170),
            (100.0, 0.513476),
        ];
        let got = fit(&few).unwrap();
        close(got.a, 2.0, 1e-5);
        close(got.b, 0.05, 1e-6);
        close(got.k, 0.5, 1e-5);
    }

    #[test]
    fn noisy_widths_give_the_curve_of_scipy() {
        // scipy 1.17.1, numpy 2.4.6, w the widths below, t = numpy.arange(1, 21.):
        //   scipy.optimize.curve_fit(lambda t, a, b, k: a*numpy.exp(-b*t)+k, t, w, p0=[3, .1, .5],
        //       xtol=1e-15, ftol=1e-15, gtol=1e-15, maxfev=100000)
        let widths = [
            3.1, 2.9, 2.2, 2.6, 1.9, 1.7, 2.0, 1.4, 1.5, 1.1, 1.3, 0.9, 1.2, 1.0, 0.8, 1.1, 0.7,
            0.9, 0.8, 0.9,
        ];
        let got = fit(&numbered(&widths)).unwrap();
        close(got.a, 2.8953105457, 1e-7);
        close(got.b, 0.1486248887, 1e-8);
        close(got.k, 0.6427915319, 1e-7);
    }

    #[test]
    fn what_does_not_fall_to_a_level_is_refused() {
        let rising: Vec<f64> = (1..=40).map(|t| 1.0 + 0.02 * f64::from(t)).collect();
        assert_eq!(fit(&numbered(&rising)), None);
        // Ends below zero: k < 0.
        let low: Vec<f64> = (1..=40)
            .map(|t| 3.0 * (-0.02 * f64::from(t)).exp() - 1.0)
            .collect();
        assert_eq!(fit(&numbered(&low)), None);
        assert_eq!(fit(&numbered(&[1.0; 30])), None);
        assert_eq!(fit(&numbered(&[3.0, 2.0, 1.5])), None);
        assert_eq!(fit(&[]), None);
    }
}
