//! Releases and suppressions: lasting changes of growth, as after neighbours fall or close in.
//!
//! Percent growth change (Nowacki and Abrams 1997, Ecological Monographs 67: 225-249): 100 * (M2 -
//! M1) / M1, where M1 is the mean width of ten rings up to and with a year, M2 that of the ten after.
//! Where it passes the limit for a run of years, the year of the largest change is told, once. The
//! study is of releases; the same limits are put to falls here, which is common practice, no source.
//!
//! Limits: slow trees can gain over 800 percent, fast ones never 20 (Black and Abrams 2003, Ecological
//! Applications 13: 1733-1749), so a fixed limit misleads; and growth falls with age without any
//! suppression.

use super::Rules;
use super::record::GrowthRing;
use serde::Serialize;

/// A release or a suppression.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Change {
    /// Whether growth rose.
    pub is_release: bool,
    /// Whether the change is major by the rule.
    pub is_major: bool,
    /// The last ring before the change.
    pub ring: u32,
    /// Its year.
    pub year: Option<i32>,
    /// Percent growth change.
    pub change_percent: f64,
}

/// The place of a change, before it has a ring.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Place of the last ring before the change.
    pub at: usize,
    /// Percent growth change.
    pub change_percent: f64,
    /// Whether it is major.
    pub is_major: bool,
}

impl Change {
    pub(super) fn of(peak: &Peak, rings: &[GrowthRing]) -> Self {
        Change {
            is_release: peak.change_percent > 0.0,
            is_major: peak.is_major,
            ring: rings[peak.at].number,
            year: rings[peak.at].year,
            change_percent: peak.change_percent,
        }
    }
}

/// Percent growth change at each ring, of means of `years` rings; `None` where fewer than that lie
/// on either side, or where the earlier ones have no width.
pub fn growth_change_percent(widths: &[f64], years: usize) -> Vec<Option<f64>> {
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    (0..widths.len())
        .map(|at| {
            let before = widths.get((at + 1).checked_sub(years)?..=at)?;
            let after = widths.get(at + 1..at + 1 + years)?;
            let (before, after) = (mean(before), mean(after));
            (before > 0.0).then(|| 100.0 * (after - before) / before)
        })
        .collect()
}

/// Releases and suppressions by the rule, in order.
pub fn changes(change_percent: &[Option<f64>], rules: &Rules) -> Vec<Peak> {
    let side = |value: &Option<f64>| match value {
        Some(v) if *v >= rules.change_percent => 1,
        Some(v) if *v <= -rules.change_percent => -1,
        _ => 0,
    };
    let mut peaks = Vec::new();
    let mut from = 0;
    for run in change_percent.chunk_by(|a, b| side(a) == side(b)) {
        if side(&run[0]) != 0 {
            let largest = run
                .iter()
                .enumerate()
                .filter_map(|(i, value)| Some((i, (*value)?)))
                // The first of equals.
                .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()).then(b.0.cmp(&a.0)));
            if let Some((i, change_percent)) = largest {
                peaks.push(Peak {
                    at: from + i,
                    change_percent,
                    is_major: change_percent.abs() >= rules.major_percent,
                });
            }
        }
        from += run.len();
    }
    peaks
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Facts, T-3.17: M1 = 1.0, M2 = 1.5: 50.0 %; 1.0 x 10 then 1.6 x 10: 60 %.
    #[test]
    fn growth_changes_are_those_of_the_worked_examples() {
        let widths = [
            1.1, 0.9, 1.0, 1.2, 0.8, 1.0, 0.9, 1.1, 1.0, 1.0, 1.4, 1.6, 1.5, 1.7, 1.3, 1.5, 1.6,
            1.4, 1.5, 1.5,
        ];
        let change = growth_change_percent(&widths, 10);
        assert!((change[9].unwrap() - 50.0).abs() < 1e-9);
        assert_eq!(
            change.iter().flatten().count(),
            1,
            "one year has ten on either side"
        );
        let rules = Rules::default();
        let peaks = changes(&change, &rules);
        assert_eq!((peaks.len(), peaks[0].at, peaks[0].is_major), (1, 9, true));

        let mut widths = [1.0; 20];
        widths[10..].fill(1.6);
        assert!((growth_change_percent(&widths, 10)[9].unwrap() - 60.0).abs() < 1e-9);
    }

    #[test]
    fn a_lasting_change_is_told_once_at_its_largest() {
        let rules = Rules::default();
        let mut widths = vec![1.0; 60];
        widths[30..].fill(2.0);
        let peaks = changes(&growth_change_percent(&widths, 10), &rules);
        assert_eq!(peaks.len(), 1);
        assert_eq!(peaks[0].at, 29);
        widths[30..].fill(0.6);
        let peaks = changes(&growth_change_percent(&widths, 10), &rules);
        assert_eq!(
            (peaks.len(), peaks[0].at, peaks[0].is_major),
            (1, 29, false)
        );
        assert!((peaks[0].change_percent + 40.0).abs() < 1e-9);
    }

    #[test]
    fn what_has_no_width_before_has_no_change() {
        assert_eq!(growth_change_percent(&[0.0, 0.0, 1.0, 1.0], 2), [None; 4]);
        assert_eq!(growth_change_percent(&[], 10), []);
        assert_eq!(growth_change_percent(&[1.0; 19], 10), [None; 19]);
    }
}
