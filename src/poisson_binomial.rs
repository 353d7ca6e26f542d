//! How many of several independent things come true, each with a chance of its own.
//!
//! The exact distribution of such a sum is a short convolution. For rings: Ricker et al. 2020, `PLoS`
//! ONE 15: e0239052 (the idea of a chance for each boundary).

/// Chances of 0, 1, 2, ... years among independent candidates.
pub(crate) fn number_of_years(chances: &[f64]) -> Vec<f64> {
    let mut distribution = vec![1.0];
    for p in chances {
        let mut next = vec![0.0; distribution.len() + 1];
        for (k, q) in distribution.iter().enumerate() {
            next[k] += q * (1.0 - p);
            next[k + 1] += q * p;
        }
        distribution = next;
    }
    distribution
}

/// Distribution of the sum of two independent numbers.
pub(crate) fn convolved(a: &[f64], b: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; a.len() + b.len() - 1];
    for (i, p) in a.iter().enumerate() {
        for (j, q) in b.iter().enumerate() {
            out[i + j] += p * q;
        }
    }
    out
}

/// Shortest reach about the middle that holds `level` of a distribution: its central part.
pub(crate) fn central(distribution: &[f64], level: f64) -> (usize, usize) {
    let tail = (1.0 - level) / 2.0;
    let mut sum = 0.0;
    let mut low = 0;
    for (k, p) in distribution.iter().enumerate() {
        sum += p;
        if sum > tail {
            low = k;
            break;
        }
    }
    let mut sum = 0.0;
    let mut high = distribution.len() - 1;
    for (k, p) in distribution.iter().enumerate().rev() {
        sum += p;
        if sum > tail {
            high = k;
            break;
        }
    }
    (low, high.max(low))
}

/// Reach about the place `at` that holds `level` of a distribution: it grows from there to the likelier
/// side, and stops where its chance is nearest to the level.
///
/// Equal chances at both ends would do for a distribution without a tail; with one, the upper end would
/// leap to the far end of the tail as soon as that holds half of what is to lie outside.
pub(crate) fn around(distribution: &[f64], at: usize, level: f64) -> (usize, usize) {
    let last = distribution.len().saturating_sub(1);
    let (mut low, mut high) = (at.min(last), at.min(last));
    let mut held = distribution.get(low).copied().unwrap_or(1.0);
    while held < level && (low > 0 || high < last) {
        let below = low.checked_sub(1).map(|k| distribution[k]);
        let above = distribution.get(high + 1).copied();
        let goes_down = below.unwrap_or(-1.0) > above.unwrap_or(-1.0);
        let step = if goes_down { below } else { above }.unwrap_or(0.0);
        if held + step - level > level - held {
            break;
        }
        held += step;
        if goes_down {
            low -= 1;
        } else {
            high += 1;
        }
    }
    (low, high)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// T-3.20 of the project's facts: 50 sure and 5 at a half; computed from the formula.
    #[test]
    fn fifty_sure_rings_and_five_doubtful_ones_follow_the_binomial() {
        let mut chances = vec![1.0; 50];
        chances.extend([0.5; 5]);
        let d = number_of_years(&chances);
        let expected = [1.0, 5.0, 10.0, 10.0, 5.0, 1.0].map(|v| v / 32.0);
        for (k, e) in expected.iter().enumerate() {
            assert!((d[50 + k] - e).abs() < 1e-12);
        }
        assert!(d[..50].iter().all(|p| p.abs() < 1e-12));
    }

    /// T-3.20, second part: 80 sure, 10 at 0.9, 6 at 0.3: mean 90.8, sd 1.469694.
    #[test]
    fn mean_and_sd_of_a_count_follow_from_its_chances() {
        let chances: Vec<f64> = [vec![1.0; 80], vec![0.9; 10], vec![0.3; 6]].concat();
        let d = number_of_years(&chances);
        let mean: f64 = d.iter().enumerate().map(|(k, p)| k as f64 * p).sum();
        let variance: f64 = d
            .iter()
            .enumerate()
            .map(|(k, p)| (k as f64 - mean).powi(2) * p)
            .sum();
        assert!((mean - 90.8).abs() < 1e-9);
        assert!((variance.sqrt() - 1.469694).abs() < 1e-6);
    }

    #[test]
    fn the_central_part_holds_at_least_its_level() {
        let d = number_of_years(&[0.5; 20]);
        let (low, high) = central(&d, 0.9);
        let held: f64 = d[low..=high].iter().sum();
        assert!(held >= 0.9, "{held}");
        assert_eq!((low, high), (6, 14));
    }

    #[test]
    fn the_reach_holds_as_near_to_its_level_as_whole_numbers_allow() {
        let d = number_of_years(&[0.5; 20]);
        let (low, high) = around(&d, 10, 0.9);
        let held: f64 = d[low..=high].iter().sum();
        // Binomial(20, 1/2): 7 to 13 hold 0.8847, one more on either side 0.9216.
        assert_eq!((low, high), (7, 13));
        assert!((held - 927_656.0 / 1_048_576.0).abs() < 1e-12, "{held}");
    }

    #[test]
    fn a_long_thin_tail_does_not_stretch_the_reach() {
        let mut d = vec![0.0, 0.1, 0.7, 0.1];
        d.extend([0.001; 100]);
        assert_eq!(around(&d, 2, 0.9), (1, 3));
        // But a level that the core can't hold reaches into it.
        assert!(around(&d, 2, 0.95).1 > 40);
    }
}
