//! What perspective does to a ruler, and from it to the scale elsewhere in its plane.
//!
//! The plane's own coordinates are fractions of linear functions of the picture's with one common
//! denominator, `w` (a homography; Hartley and Zisserman 2004, chapter 2). With
//! `w = 1 + h_t t + h_v v` (`t` along the ruler, `v` off it) areas of the plane go with `w^-3`, so
//! the mean scale goes with `w^-1.5`. The spacing of the marks along the ruler tells `h_t`. The marks
//! themselves are parallel in the plane: as much as they converge in the picture tells `h_v`. A mark
//! of number `n` has the slope `s = (n h_v - g) / (b - n h_t)` in the picture, `b` being the numbers
//! a px at the middle and `g` a constant, so that `s (b - n h_t)` is a straight line over `n` whose
//! slope is `h_v`.
//!
//! How far the plane is foreshortened at one place can't be told from a ruler; that part (1.5 % at
//! 10 degrees) stays, and so does a ruler lying nearer or farther than the face.

/// How a mark leans.
#[derive(Debug, Clone, Copy)]
pub(super) struct Slant {
    /// Its number.
    pub(super) number: f64,
    /// Px along the ruler for each px off it.
    pub(super) slant: f64,
    /// Inverse variance, up to a common factor.
    pub(super) weight: f64,
}

/// Usual tilt of a camera held square by eye, as the tangent over the focal length in long sides of
/// the photo: 4 degrees and 0.9. What the marks tell is weighed against it, so that marks too short
/// to tell anything change nothing.
const USUAL_TILT: f64 = 0.078;

/// By how much the scale at a place (t, v) differs from that at (`foot`, 0) on the ruler, as a
/// factor on mm a px, and its relative standard deviation.
pub(super) fn toward(
    fit: &Fit,
    slants: &[Slant],
    foot: f64,
    place: (f64, f64),
    side_px: f64,
) -> (f64, f64) {
    let (origin, h_t) = fit.denominator();
    let prior = USUAL_TILT / side_px;
    let (h_v, sd) = match convergence(fit, slants) {
        Some((h_v, sd)) => {
            let trust = prior * prior / (prior * prior + sd * sd);
            (h_v * trust, prior * (1.0 - trust).sqrt())
        }
        None => (0.0, prior),
    };
    let w = |t: f64, v: f64| 1.0 + h_t * (t - origin) + h_v * v;
    let ratio = w(foot, 0.0) / w(place.0, place.1);
    // A horizon between ruler and pith: nonsense, and no correction.
    if ratio.is_nan() || !(0.5..=2.0).contains(&ratio) {
        return (1.0, 1.5 * prior * place.1.abs());
    }
    (ratio.powf(1.5), 1.5 * sd * place.1.abs())
}

/// Slope of w across the ruler and its standard deviation, by the marks' slants; outliers, more
/// than three deviations off, are left out once.
fn convergence(fit: &Fit, slants: &[Slant]) -> Option<(f64, f64)> {
    let (origin, h_t) = fit.denominator();
    let b = fit.numbers_per_px(origin);
    let mut points: Vec<(f64, f64, f64)> = slants
        .iter()
        .map(|s| {
            let n = s.number - fit.number_of(origin);
            (n, s.slant * (b - n * h_t), s.weight)
        })
        .collect();
    let mut result = None;
    for _ in 0..3 {
        if points.len() < 12 {
            return result;
        }
        let weight: f64 = points.iter().map(|p| p.2).sum();
        let mx = points.iter().map(|p| p.2 * p.0).sum::<f64>() / weight;
        let my = points.iter().map(|p| p.2 * p.1).sum::<f64>() / weight;
        let xx: f64 = points.iter().map(|p| p.2 * (p.0 - mx).powi(2)).sum();
        let xy: f64 = points.iter().map(|p| p.2 * (p.0 - mx) * (p.1 - my)).sum();
        if xx <= 0.0 {
            return result;
        }
        let slope = xy / xx;
        let off = |p: &(f64, f64, f64)| p.1 - my - slope * (p.0 - mx);
        // Variance of a point of unit weight.
        let unit =
            points.iter().map(|p| p.2 * off(p).powi(2)).sum::<f64>() / (points.len() as f64 - 2.0);
        result = Some((slope, (unit / xx).sqrt()));
        let kept: Vec<(f64, f64, f64)> = points
            .iter()
            .copied()
            .filter(|p| p.2 * off(p).powi(2) <= 9.0 * unit)
            .collect();
        points = kept;
    }
    result
}

/// The map of numbers to places: `t = (a + b n) / (1 + c n)`, n counted from the middle.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fit {
    a: f64,
    b: f64,
    c: f64,
    middle: f64,
}

impl Fit {
    /// Least squares of `a + b n - c n t = t`.
    pub(super) fn of(marks: &[(i32, f64)]) -> Option<Self> {
        if marks.len() < 5 {
            return None;
        }
        let count = marks.len() as f64;
        let middle = marks.iter().map(|(n, _)| f64::from(*n)).sum::<f64>() / count;
        // About the mean place: else the columns are nearly alike and the sums lose their digits.
        let origin = marks.iter().map(|(_, t)| t).sum::<f64>() / count;
        let mut m = [[0.0; 4]; 3];
        for (n, t) in marks {
            let (n, t) = (f64::from(*n) - middle, t - origin);
            let row = [1.0, n, -n * t];
            for i in 0..3 {
                for j in 0..3 {
                    m[i][j] += row[i] * row[j];
                }
                m[i][3] += row[i] * t;
            }
        }
        let [a, b, c] = solve(m)?;
        // t - origin = (a + b n) / (1 + c n), so t = (a + origin + (b + c origin) n) / (1 + c n).
        Some(Fit {
            a: a + origin,
            b: b + c * origin,
            c,
            middle,
        })
    }

    pub(super) fn at(&self, number: f64) -> f64 {
        let n = number - self.middle;
        (self.a + self.b * n) / (1.0 + self.c * n)
    }

    /// Where the denominator of the inverse map is one, px, and its slope there: the inverse of
    /// `t = (a + b n) / (1 + c n)` is `n = (t - a) / (b - c t)`.
    fn denominator(&self) -> (f64, f64) {
        // At t = a, n is 0.
        (self.a, -self.c / (self.b - self.c * self.a))
    }

    /// Number at a place.
    fn number_of(&self, along: f64) -> f64 {
        self.middle + (along - self.a) / (self.b - self.c * along)
    }

    /// Numbers a px at a place.
    fn numbers_per_px(&self, along: f64) -> f64 {
        1.0 / self.spacing(self.number_of(along))
    }

    /// Spacing at a number, px.
    pub(super) fn spacing(&self, number: f64) -> f64 {
        let n = number - self.middle;
        ((self.b - self.a * self.c) / (1.0 + self.c * n).powi(2)).abs()
    }

    /// The number at a place between two numbers, by halving.
    pub(super) fn number_at(&self, along: f64, first: i32, last: i32) -> f64 {
        let (mut low, mut high) = (f64::from(first), f64::from(last));
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if self.at(middle) < along {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }

    /// Standard deviation of marks about the fit, in spacings.
    pub(super) fn uneven(&self, marks: &[(i32, f64)]) -> f64 {
        let sum: f64 = marks
            .iter()
            .map(|(n, t)| {
                let n = f64::from(*n);
                ((self.at(n) - t) / self.spacing(n)).powi(2)
            })
            .sum();
        (sum / (marks.len() as f64 - 3.0).max(1.0)).sqrt()
    }

    /// Standard deviation of the spacing, relative to it: that of a straight line's slope, sqrt(12 /
    /// n^3) of the marks' own, four times as large because the bend is fitted as well and the place
    /// may be an end (at the end of a parabola the slope's is 4 times that of a line's).
    pub(super) fn relative_sd(&self, uneven: f64, count: usize) -> f64 {
        4.0 * uneven * (12.0 / (count as f64).powi(3)).sqrt()
    }
}

/// Solves three equations, coefficients and right side in a row, by elimination with pivots.
fn solve(mut m: [[f64; 4]; 3]) -> Option<[f64; 3]> {
    for i in 0..3 {
        let pivot = (i..3).max_by(|a, b| m[*a][i].abs().total_cmp(&m[*b][i].abs()))?;
        m.swap(i, pivot);
        if m[i][i].abs() < 1e-12 {
            return None;
        }
        for j in 0..3 {
            if j != i {
                let factor = m[j][i] / m[i][i];
                for k in i..4 {
                    m[j][k] -= factor * m[i][k];
                }
            }
        }
    }
    Some([m[0][3] / m[0][0], m[1][3] / m[1][1], m[2][3] / m[2][2]])
}
