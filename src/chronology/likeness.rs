//! How like two rows of widths are year by year, and whether a series would fit the others better in
//! other years.
//!
//! Widths are first freed of growth and level: each as a percentage of the mean of the five years
//! round it, in natural logarithms (Baillie and Pilcher 1973, Tree-Ring Bulletin 33: 7-14; details
//! from memory), or as the logarithm of its ratio to the year before (Hollstein 1980, from memory).
//! The correlation r of n common years becomes t = r sqrt(n - 2) / sqrt(1 - r^2). An absent ring gives
//! no value: set to a small one it makes wrong years look right.
//!
//! A t of 3.5 at one place is only worth a look: over all places chance brings it to most series. Only a
//! series that fits clearly better elsewhere is called into question here, and nothing is dated.

use super::agreement::Track;
use super::figures::{self, Correlation};

/// Years in common from which a fit in other years is looked at (80 would be better).
pub const LEAST_YEARS: usize = 50;

/// t from which a better fit elsewhere is told.
pub const LEAST_T: f64 = 6.0;

/// Each width as a percentage of the mean of the five centred on it, ln; two years are lost at each
/// end, five round an unknown one, and an absent ring has none of its own.
pub fn percent_logs(widths: &[Option<f64>]) -> Vec<Option<f64>> {
    (0..widths.len())
        .map(|at| {
            let five = widths.get(at.checked_sub(2)?..at + 3)?;
            let mut sum = 0.0;
            for width in five {
                sum += (*width)?;
            }
            let width = widths[at].filter(|w| *w > 0.0)?;
            Some((500.0 * width / sum).ln())
        })
        .collect()
}

/// 100 log10 of each width by the one before it, beginning with the second year; none where either
/// isn't known or is absent.
pub fn growth_ratios(widths: &[Option<f64>]) -> Vec<Option<f64>> {
    widths
        .windows(2)
        .map(|pair| {
            let (before, now) = (pair[0]?, pair[1]?);
            (before > 0.0 && now > 0.0).then(|| 100.0 * (now / before).log10())
        })
        .collect()
}

/// Student's t of a correlation; none of fewer than three years.
pub fn t_value(found: Correlation) -> Option<f64> {
    // Of two alike series r is 1 and t beyond all bounds: kept finite.
    let rest = (1.0 - found.r * found.r).max(1e-12);
    (found.years > 2).then(|| found.r * ((found.years as f64 - 2.0) / rest).sqrt())
}

/// Share of the intervals in which two rows change in the same direction, and how many these are; no
/// change in one of them counts half. None where there is no interval that both know.
pub fn sign_agreement(a: &[Option<f64>], b: &[Option<f64>]) -> Option<(f64, usize)> {
    let way = |pair: &[Option<f64>]| -> Option<f64> {
        let change = pair[1]? - pair[0]?;
        Some(if change > 0.0 {
            1.0
        } else if change < 0.0 {
            -1.0
        } else {
            0.0
        })
    };
    let (mut score, mut intervals) = (0.0, 0_usize);
    for (a, b) in a.windows(2).zip(b.windows(2)) {
        if let (Some(a), Some(b)) = (way(a), way(b)) {
            // 1 alike, 0 against each other, a half where one alone stands still.
            score += 1.0 - 0.5 * f64::abs(a - b);
            intervals += 1;
        }
    }
    (intervals > 0).then(|| (score / intervals as f64, intervals))
}

/// The share that chance alone doesn't pass but with the chance that z stands for (one-sided; 1.645,
/// 2.326, 3.090 for 5, 1 and 0.1 %).
pub fn chance_limit(intervals: usize, z: f64) -> f64 {
    0.5 + 0.5 * z / (intervals as f64).sqrt()
}

/// How a series fits others in its years, and where it fits best in other years.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// t in its own years; none where they have too few in common.
    pub t: Option<f64>,
    /// Years in common there.
    pub years: usize,
    /// The highest t in any other years, with at least [`LEAST_YEARS`] in common.
    pub t_elsewhere: Option<f64>,
    /// By how many years the series would have to be moved for that, later being above zero.
    pub moved_by: Option<i32>,
}

impl Fit {
    /// Whether it fits clearly better elsewhere.
    pub fn is_questioned(&self) -> bool {
        self.t_elsewhere
            .is_some_and(|t| t >= LEAST_T && self.t.is_none_or(|own| t > own))
    }
}

/// Slides a track along others: both of transformed widths.
pub fn fit(own: &Track, others: &Track) -> Fit {
    let mut here: Option<(f64, usize)> = None;
    let mut elsewhere: Option<(f64, i32)> = None;
    let span = |t: &Track| {
        let length = i32::try_from(t.values.len()).unwrap_or(i32::MAX);
        (t.first_year, t.first_year.saturating_add(length))
    };
    let ((own_from, own_to), (from, to)) = (span(own), span(others));
    for shift in from.saturating_sub(own_to)..to.saturating_sub(own_from) {
        let skip = |by: i64| usize::try_from(by).unwrap_or(0);
        let lead = i64::from(from) - i64::from(own_from) - i64::from(shift);
        let (a, b) = (
            own.values.get(skip(lead)..),
            others.values.get(skip(-lead)..),
        );
        let least = if shift == 0 { 3 } else { LEAST_YEARS };
        let (Some(a), Some(b)) = (a, b) else {
            continue;
        };
        let Some((t, years)) =
            figures::correlation(a, b, least).and_then(|r| Some((t_value(r)?, r.years)))
        else {
            continue;
        };
        if shift == 0 {
            here = Some((t, years));
        } else if elsewhere.is_none_or(|(best, _)| t > best) {
            elsewhere = Some((t, shift));
        }
    }
    Fit {
        t: here.map(|(t, _)| t),
        years: here.map_or(0, |(_, years)| years),
        t_elsewhere: elsewhere.map(|(t, _)| t),
        moved_by: elsewhere.map(|(_, shift)| shift),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const X: [f64; 10] = [1.0, 1.5, 0.9, 1.2, 0.6, 1.1, 1.3, 0.8, 1.0, 1.4];
    const Y: [f64; 10] = [0.8, 1.3, 0.9, 1.0, 0.5, 1.0, 0.9, 0.7, 0.8, 1.2];

    fn all(values: &[f64]) -> Vec<Option<f64>> {
        values.iter().copied().map(Some).collect()
    }

    fn close(got: f64, want: f64, off: f64) {
        assert!((got - want).abs() <= off, "{got}, expected {want}");
    }

    #[test]
    fn signs_agree_as_in_the_worked_examples() {
        // T-3.5.
        let (share, intervals) = sign_agreement(&all(&X), &all(&Y)).unwrap();
        close(share, 8.0 / 9.0, 1e-12);
        assert_eq!(intervals, 9);
        let (a, b) = ([1.0, 1.2, 1.2, 0.9, 1.1], [0.5, 0.7, 0.6, 0.6, 0.9]);
        close(sign_agreement(&all(&a), &all(&b)).unwrap().0, 0.75, 0.0);
        // Section 3, chance limits in % at 95, 99 and 99.9 %.
        for (intervals, limits) in [
            (50, [61.6, 66.4, 71.9]),
            (100, [58.2, 61.6, 65.5]),
            (200, [55.8, 58.2, 60.9]),
            (400, [54.1, 55.8, 57.7]),
        ] {
            for (z, limit) in [1.645, 2.326, 3.090].into_iter().zip(limits) {
                close(100.0 * chance_limit(intervals, z), limit, 0.051);
            }
        }
        assert_eq!(sign_agreement(&[Some(1.0), None], &all(&[1.0, 2.0])), None);
    }

    #[test]
    fn t_of_percent_logs_is_that_of_the_worked_examples() {
        // T-3.6.
        let (x, y) = (percent_logs(&all(&X)), percent_logs(&all(&Y)));
        for (got, want) in [
            (
                &x,
                [4.460589, 4.729223, 4.074542, 4.700480, 4.908356, 4.268698],
            ),
            (
                &y,
                [4.605170, 4.667046, 4.062846, 4.803621, 4.748271, 4.331877],
            ),
        ] {
            assert_eq!((got[1], got[8]), (None, None));
            for (got, want) in got[2..8].iter().zip(want) {
                close(got.unwrap(), want, 5.1e-7);
            }
        }
        let found = figures::correlation(&x, &y, 2).unwrap();
        close(found.r, 0.932914, 5.1e-7);
        assert_eq!(found.years, 6);
        close(t_value(found).unwrap(), 5.181417, 5.1e-7);
        // T-3.7.
        for (r, years, want) in [
            (0.5, 50, 4.000),
            (0.35, 100, 3.699),
            (0.2, 300, 3.524),
            (1.0 / 3.0, 100, 3.500),
            (0.6, 80, 6.624),
        ] {
            close(t_value(Correlation { r, years }).unwrap(), want, 5.1e-4);
        }
    }

    #[test]
    fn growth_ratios_are_those_of_the_worked_example() {
        // T-3.8.
        let want = [
            17.609126, -22.184875, 12.493874, -30.103000, 26.324143, 7.255067, -21.085337,
            9.691001, 14.612804,
        ];
        let x = growth_ratios(&all(&X));
        for (got, want) in x.iter().zip(want) {
            close(got.unwrap(), want, 5.1e-7);
        }
        let found = figures::correlation(&x, &growth_ratios(&all(&Y)), 2).unwrap();
        close(found.r, 0.939122, 5.1e-7);
        assert_eq!(found.years, 9);
        close(t_value(found).unwrap(), 7.231654, 5.1e-6);
    }

    #[test]
    fn an_absent_ring_has_no_value_and_counts_in_the_mean_of_five() {
        let logs = percent_logs(&all(&[1.0, 1.0, 0.0, 1.0, 2.0, 1.0, 1.0]));
        assert_eq!(logs[2], None);
        // 1 of (1 + 0 + 1 + 2 + 1) / 5.
        close(logs[3].unwrap(), f64::ln(100.0), 1e-12);
        assert_eq!(growth_ratios(&all(&[1.0, 0.0, 1.0])), [None, None]);
    }

    #[test]
    fn a_series_in_wrong_years_is_questioned() {
        let values: Vec<Option<f64>> = (0..120)
            .map(|t| Some((1.9 * f64::from(t)).sin() + (0.7 * f64::from(t * t)).cos()))
            .collect();
        let track = |first_year, values: &[Option<f64>]| Track {
            name: String::new(),
            first_year,
            values: values.to_vec(),
        };
        let others = track(1900, &values);
        let right = fit(&track(1920, &values[20..110]), &others);
        assert!(right.t.unwrap() > 100.0 && !right.is_questioned());
        assert_eq!(right.years, 90);
        let wrong = fit(&track(1917, &values[20..110]), &others);
        assert!(wrong.is_questioned());
        assert_eq!(wrong.moved_by, Some(3));
        // Far off: no year in common at all.
        let far = fit(&track(1400, &values[20..110]), &others);
        assert_eq!((far.t, far.years, far.moved_by), (None, 0, Some(520)));
    }
}
