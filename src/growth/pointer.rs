//! Pointer years: years in which most of several discs grew more, or less, than the year before.
//!
//! The rule is that of Becker, Nieminen and Gérémia 1994 (Annales des Sciences Forestières 51: 477-492;
//! from memory): the relative change `(x[t] - x[t-1]) / x[t-1]` of each tree; a pointer year where at
//! least 75 percent of the trees change by at least 10 percent in the same direction. Beside it
//! stands Cropper's value (1979, Tree-Ring Bulletin 39: 47-59; from memory): the width less the mean of
//! the years about it, over their standard deviation, here with n - 1. With n - 1 its size can't pass
//! (n - 1) / sqrt(n), 1.79 for five years.
//!
//! Limits: two discs of one tree are not two trees; few discs agree by chance; one disc dated a year
//! off spoils the years it shares.

use super::record::GrowthRecord;
use serde::Serialize;
use std::collections::BTreeMap;

/// Fewest discs with a change in a year for it to be judged. Three agree by chance once in four
/// years of such changes: the number of discs stands beside every year. Common practice, no source.
pub const FEWEST_DISCS: usize = 3;

/// Least change of a disc, share of the width before.
pub const LEAST_CHANGE: f64 = 0.10;

/// Least share of discs that change by it in the same direction.
pub const LEAST_SHARE: f64 = 0.75;

/// A year judged on several discs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct YearOfDiscs {
    /// Calendar year.
    pub year: i32,
    /// Discs that have this year and the one before.
    pub discs: usize,
    /// Discs that grew by at least [`LEAST_CHANGE`] more.
    pub rose: usize,
    /// Discs that grew by at least [`LEAST_CHANGE`] less.
    pub fell: usize,
    /// Mean relative change, percent.
    pub mean_change_percent: f64,
    /// Mean of Cropper's values over five years, of the discs that have one.
    pub mean_cropper_5: Option<f64>,
    /// What the rule says; `None`: no pointer year.
    pub pointer: Option<Pointer>,
}

/// Kinds of pointer years.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Pointer {
    /// Most discs grew more.
    Wide,
    /// Most discs grew less.
    Narrow,
}

/// What the rule says of the relative changes of several trees; `None` with fewer than
/// [`FEWEST_DISCS`] of them.
pub fn pointer(changes: &[f64]) -> Option<Pointer> {
    if changes.len() < FEWEST_DISCS {
        return None;
    }
    let share = |count: usize| count as f64 / changes.len() as f64;
    let (rose, fell) = rose_and_fell(changes);
    if share(rose) >= LEAST_SHARE {
        Some(Pointer::Wide)
    } else if share(fell) >= LEAST_SHARE {
        Some(Pointer::Narrow)
    } else {
        None
    }
}

fn rose_and_fell(changes: &[f64]) -> (usize, usize) {
    // A change of exactly 10 % is one, whatever the last digit of the quotient.
    let least = LEAST_CHANGE - 1e-12;
    let rose = changes.iter().filter(|change| **change >= least).count();
    let fell = changes.iter().filter(|change| **change <= -least).count();
    (rose, fell)
}

/// Cropper's value of a width in a window of `years` (an odd number) with it in the middle, with the
/// standard deviation of n - 1; `None` near the ends and where all widths are alike.
pub fn cropper(widths: &[f64], at: usize, years: usize) -> Option<f64> {
    let window = widths.get(at.checked_sub(years / 2)?..=at + years / 2)?;
    let n = window.len() as f64;
    let mean = window.iter().sum::<f64>() / n;
    let squares = window.iter().map(|w| (w - mean).powi(2)).sum::<f64>();
    let sd = (squares / (n - 1.0)).sqrt();
    (sd > 1e-12 * mean.abs()).then(|| (widths[at] - mean) / sd)
}

/// Every year that at least [`FEWEST_DISCS`] dated discs share with the year before, in order.
pub fn years(records: &[GrowthRecord]) -> Vec<YearOfDiscs> {
    let mut by_year: BTreeMap<i32, (Vec<f64>, Vec<f64>)> = BTreeMap::new();
    for record in records {
        for pair in record.rings.windows(2) {
            let widths = pair[0].width_px.zip(pair[1].width_px);
            let (Some(year), Some((before, width))) = (pair[1].year, widths) else {
                continue;
            };
            if before <= 0.0 {
                continue;
            }
            let (changes, croppers) = by_year.entry(year).or_default();
            changes.push((width - before) / before);
            croppers.extend(pair[1].cropper_5);
        }
    }
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    by_year
        .into_iter()
        .filter(|(_, (changes, _))| changes.len() >= FEWEST_DISCS)
        .map(|(year, (changes, croppers))| {
            let (rose, fell) = rose_and_fell(&changes);
            YearOfDiscs {
                year,
                discs: changes.len(),
                rose,
                fell,
                mean_change_percent: 100.0 * mean(&changes),
                mean_cropper_5: (!croppers.is_empty()).then(|| mean(&croppers)),
                pointer: pointer(&changes),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Facts, T-3.15: changes -20 -13.333 -5 -25 -16.667 -15 +5.556 -18.182 %: 6 of 8, a narrow
    /// pointer year.
    #[test]
    fn six_of_eight_trees_make_a_pointer_year() {
        let before = [1.0, 1.5, 2.0, 0.8, 1.2, 1.0, 0.9, 1.1];
        let width = [0.8, 1.3, 1.9, 0.6, 1.0, 0.85, 0.95, 0.9];
        let mut changes: Vec<f64> = before
            .iter()
            .zip(width)
            .map(|(b, w): (&f64, f64)| (w - b) / b)
            .collect();
        let percent = [-20.0, -13.333, -5.0, -25.0, -16.667, -15.0, 5.556, -18.182];
        for (change, want) in changes.iter().zip(percent) {
            assert!((100.0 * change - want).abs() < 5e-4, "{change}");
        }
        assert_eq!(pointer(&changes), Some(Pointer::Narrow));
        changes[0] = 0.0;
        assert_eq!(pointer(&changes), None, "five of eight are too few");
        assert_eq!(pointer(&[-0.5, -0.5]), None, "two discs are too few");
        assert_eq!(pointer(&[0.1, 0.1, 0.1, -0.9]), Some(Pointer::Wide));
    }

    /// Facts, T-3.16: window 1.1 1.3 0.6 1.0 1.2 has mean 1.04, but the year in its middle is 0.6: C =
    /// -1.628513 with n - 1.
    #[test]
    fn croppers_value_is_that_of_the_worked_example() {
        let widths = [1.1, 1.3, 0.6, 1.0, 1.2];
        assert!((cropper(&widths, 2, 5).unwrap() + 1.628513).abs() < 5e-7);
        for at in [0, 1, 3, 4] {
            assert_eq!(cropper(&widths, at, 5), None);
        }
        assert_eq!(cropper(&[0.7; 5], 2, 5), None);
        // The ceiling: one year unlike four that are alike.
        let most = cropper(&[1.0, 1.0, 9.0, 1.0, 1.0], 2, 5).unwrap();
        assert!((most - 1.788854).abs() < 5e-7, "{most}");
        let mut thirteen = [1.0; 13];
        thirteen[6] = 2.0;
        assert!((cropper(&thirteen, 6, 13).unwrap() - 3.328201).abs() < 5e-7);
    }
}
