//! Figures of one series: mean, sd, mean sensitivity, autocorrelation; and the correlation of two.
//!
//! A value that is not known (`None`) takes part in nothing: a figure over neighbouring years uses
//! only years that stand next to each other, it never closes a gap up. An absent ring (zero) is a
//! value like any other.
//!
//! Mean sensitivity after Douglass 1928 and Fritts 1976 follows from variance and autocorrelation
//! and is a poor estimator by itself (Bunn, Jansma, Korpela et al. 2013, Dendrochronologia 31:
//! 250-254), so the sd and the autocorrelation stand beside it wherever it is given.

/// The values that are known.
pub fn known(values: &[Option<f64>]) -> impl Iterator<Item = f64> + '_ {
    values.iter().copied().flatten()
}

/// Mean of the known values; none where none is known.
pub fn mean(values: &[Option<f64>]) -> Option<f64> {
    let (sum, n) = known(values).fold((0.0, 0.0), |(sum, n), v| (sum + v, n + 1.0));
    (n > 0.0).then(|| sum / n)
}

/// Standard deviation of the known values, with n - 1; none of fewer than two.
pub fn sd(values: &[Option<f64>]) -> Option<f64> {
    let mean = mean(values)?;
    let (squares, n) = known(values).fold((0.0, 0.0), |(sum, n), v| {
        (sum + (v - mean) * (v - mean), n + 1.0)
    });
    (n > 1.0).then(|| f64::sqrt(squares / (n - 1.0)))
}

/// Median of the known values, the mean of the middle two where their number is even.
pub fn median(values: &[Option<f64>]) -> Option<f64> {
    median_of(known(values).collect())
}

/// Median of numbers.
pub(crate) fn median_of(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    match n {
        0 => None,
        _ if n % 2 == 1 => Some(values[n / 2]),
        _ => Some(f64::midpoint(values[n / 2 - 1], values[n / 2])),
    }
}

/// Mean sensitivity: mean of 2|x\[t\] - x\[t-1\]| / (x\[t\] + x\[t-1\]) over years that follow each
/// other; 0 to 2 for widths. Two absent rings in a row count as no change (a choice). None where no
/// two known years follow each other.
pub fn mean_sensitivity(widths: &[Option<f64>]) -> Option<f64> {
    let terms: Vec<Option<f64>> = widths
        .windows(2)
        .map(|pair| {
            let (before, now) = (pair[0]?, pair[1]?);
            let sum = before + now;
            Some(if sum > 0.0 {
                2.0 * (now - before).abs() / sum
            } else {
                0.0
            })
        })
        .collect();
    mean(&terms)
}

/// Autocorrelation at a lag of `lag` years: the sum of (x\[t\] - m)(x\[t+lag\] - m) over all years where
/// both are known, by the sum of (x\[t\] - m)^2 over all that are known. None where no such pair is
/// known or all values are equal.
pub fn autocorrelation(values: &[Option<f64>], lag: usize) -> Option<f64> {
    let mean = mean(values)?;
    let squares: f64 = known(values).map(|v| (v - mean) * (v - mean)).sum();
    let later = values.get(lag..)?;
    let products: Vec<f64> = values
        .iter()
        .zip(later)
        .filter_map(|(a, b)| Some((a.as_ref()? - mean) * (b.as_ref()? - mean)))
        .collect();
    (squares > 0.0 && !products.is_empty()).then(|| products.iter().sum::<f64>() / squares)
}

/// The first-order autoregressive model x\[t\] - m = phi (x\[t-1\] - m) + e\[t\] of a series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Autoregression {
    /// phi: the autocorrelation at lag 1 (the Yule-Walker estimate).
    pub coefficient: f64,
    /// Standard deviation of e, the part of a year that the year before doesn't foretell, in the
    /// unit of the values: sd sqrt(1 - phi^2).
    pub innovation_sd: f64,
    /// Share of the variance that the year before foretells, phi^2.
    pub explained: f64,
}

/// Fits the first-order autoregressive model; none where there is no autocorrelation to be had.
pub fn autoregression(values: &[Option<f64>]) -> Option<Autoregression> {
    let coefficient = autocorrelation(values, 1)?;
    let explained = coefficient * coefficient;
    Some(Autoregression {
        coefficient,
        innovation_sd: sd(values)? * f64::sqrt((1.0 - explained).max(0.0)),
        explained,
    })
}

/// Correlation of two series over the years that both know.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correlation {
    /// Pearson's r.
    pub r: f64,
    /// Years in common.
    pub years: usize,
}

/// Pearson's correlation of two runs of values of the same years; none where they have fewer than
/// `least_years` (at least two) in common or one of them doesn't change there.
pub fn correlation(
    a: &[Option<f64>],
    b: &[Option<f64>],
    least_years: usize,
) -> Option<Correlation> {
    let both = || a.iter().zip(b).filter_map(|(a, b)| a.zip(*b));
    let years = both().count();
    if years < least_years.max(2) {
        return None;
    }
    let n = years as f64;
    let (sum_a, sum_b) = both().fold((0.0, 0.0), |(sa, sb), (a, b)| (sa + a, sb + b));
    let (mean_a, mean_b) = (sum_a / n, sum_b / n);
    let (mut aa, mut bb, mut ab) = (0.0, 0.0, 0.0);
    for (a, b) in both() {
        let (a, b) = (a - mean_a, b - mean_b);
        aa += a * a;
        bb += b * b;
        ab += a * b;
    }
    // Of equal values the squares may be a rounding away from zero.
    let is_flat = |squares: f64, mean: f64| squares <= n * (1e-14 * mean) * (1e-14 * mean);
    if is_flat(aa, mean_a) || is_flat(bb, mean_b) {
        return None;
    }
    let r = ab / (aa.sqrt() * bb.sqrt());
    r.is_finite().then(|| Correlation {
        r: r.clamp(-1.0, 1.0),
        years,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use statrs::statistics::Statistics;

    /// The example series of T-3.1 to T-3.8, mm.
    pub(crate) const X: [f64; 10] = [1.0, 1.5, 0.9, 1.2, 0.6, 1.1, 1.3, 0.8, 1.0, 1.4];
    const Y: [f64; 10] = [0.8, 1.3, 0.9, 1.0, 0.5, 1.0, 0.9, 0.7, 0.8, 1.2];

    fn all(values: &[f64]) -> Vec<Option<f64>> {
        values.iter().copied().map(Some).collect()
    }

    fn close(got: Option<f64>, want: f64, off: f64) {
        let got = got.unwrap();
        assert!((got - want).abs() <= off, "{got}, expected {want}");
    }

    #[test]
    fn mean_sensitivity_is_that_of_the_worked_examples() {
        // T-3.1 and T-3.2.
        close(mean_sensitivity(&all(&X)), 0.404337, 5e-7);
        close(mean_sensitivity(&all(&Y)), 0.351891, 5e-7);
        close(
            mean_sensitivity(&all(&[1.0, 2.0, 1.0, 2.0, 1.0, 2.0])),
            2.0 / 3.0,
            1e-15,
        );
        close(mean_sensitivity(&all(&[1.0, 0.0, 1.0])), 2.0, 1e-15);
        close(mean_sensitivity(&all(&[0.0, 0.0])), 0.0, 0.0);
        let inches: Vec<f64> = X.iter().map(|mm| mm / 25.4).collect();
        close(mean_sensitivity(&all(&inches)), 0.404337, 5e-7);
    }

    #[test]
    fn autocorrelation_is_that_of_the_worked_example() {
        // T-3.3.
        let x = all(&X);
        close(mean(&x), 1.08, 1e-15);
        close(sd(&x), 0.278089, 5e-7);
        close(autocorrelation(&x, 1), -0.371264, 5e-7);
        close(autocorrelation(&x, 0), 1.0, 1e-15);
        close(
            correlation(&x[1..], &x[..9], 2).map(|c| c.r),
            -0.403521,
            5e-7,
        );
        let model = autoregression(&x).unwrap();
        // sd sqrt(1 - r1^2) by hand from the figures of T-3.3: 0.278089 x 0.928524.
        close(Some(model.innovation_sd), 0.258212, 2e-6);
        close(Some(model.explained), 0.137837, 1e-6);
    }

    #[test]
    fn mean_sd_and_correlation_agree_with_statrs() {
        let x = all(&X);
        close(mean(&x), X.iter().mean(), 1e-14);
        close(sd(&x), X.iter().std_dev(), 1e-14);
        let r = X.iter().covariance(Y.iter()) / (X.iter().std_dev() * Y.iter().std_dev());
        close(correlation(&x, &all(&Y), 2).map(|c| c.r), r, 1e-14);
    }

    #[test]
    fn what_is_not_known_bridges_nothing() {
        let gap = [Some(1.0), None, Some(3.0), Some(1.0)];
        // One pair of neighbours: 2 x 2 / 4.
        close(mean_sensitivity(&gap), 1.0, 1e-15);
        // m 5/3; the one product (4/3)(-2/3), squares 4/9 + 16/9 + 4/9.
        close(autocorrelation(&gap, 1), -8.0 / 24.0, 1e-15);
        assert_eq!(mean_sensitivity(&[Some(1.0), None, Some(2.0)]), None);
        assert_eq!(mean(&[None]), None);
        assert_eq!(sd(&[Some(1.0)]), None);
        assert_eq!(autocorrelation(&all(&[2.0, 2.0]), 1), None);
        assert_eq!(autocorrelation(&all(&[2.0]), 1), None);
        assert_eq!(autocorrelation(&[], 1), None);
        assert_eq!(median(&[Some(4.0), None, Some(1.0)]), Some(2.5));
    }

    #[test]
    fn a_correlation_needs_years_and_changes() {
        let x = all(&X);
        assert_eq!(correlation(&x, &all(&Y), 11), None);
        assert_eq!(correlation(&x, &all(&[0.1; 10]), 2), None);
        assert_eq!(
            correlation(&x, &x, 2).map(|c| (c.r, c.years)),
            Some((1.0, 10))
        );
    }
}
