//! The radii of one disc compared: which of them lacks a ring, or has one more, and in which year.
//!
//! Two things tell it. A ring that is marked absent on some radii (width zero) and present on others
//! is named at once: the fewer are the odd ones. And a radius counted by itself, from which a ring is
//! missing, has all its further rings in wrong years: its widths then agree with those of the others
//! only when a year is passed over ([`super::alignment`]). Widths are first divided by each radius's
//! own level, so that the wide and the narrow side of an off-centre disc can be compared.
//!
//! Rings that a photo's reading follows round the whole disc are the same on all radii: there only
//! the first kind can be found. The second is for radii counted one by one.
//!
//! Limits: radii need [`LEAST_RINGS`] rings, and half a dozen of them beyond the fault; with two radii
//! it can't be told which one is odd, and the finding says how many were compared. A year that is
//! absent or false on most radii is not found here: only other trees can show that. It is how a
//! doubtful ring is found, not a proof: look at the wood.

use super::alignment::{self, Alignment, Kind, MOST_SHIFT};
use super::figures::median_of;
use super::{Radius, spline};

/// Fewest known rings of a radius whose widths are compared.
pub const LEAST_RINGS: usize = 12;

/// The level that a radius's widths are divided by: waves of so many years are halved, longer ones go.
const LEVEL_YEARS: f64 = 20.0;

/// The least sd of the logarithm of widths that is taken for true: 5 %, about what measuring leaves.
const LEAST_SD: f64 = 0.05;

/// What a radius does against the others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Against {
    /// It has no ring of its own in a year in which the others have one.
    Lacks,
    /// It has a ring where the others have none.
    Adds,
}

/// How it was told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Told {
    /// The ring is marked absent on some radii and present on others.
    Marked {
        /// Radii with the ring.
        with: usize,
        /// Radii on which it is marked absent.
        without: usize,
    },
    /// Its widths fit those of the others only so.
    ByWidths {
        /// By how much they fit better, in units of the log likelihood.
        gain: f64,
        /// Radii that it was compared with.
        others: usize,
    },
}

impl Told {
    /// In words: `marked absent on 1 of 4 radii`.
    pub fn words(&self) -> String {
        match self {
            Told::Marked { with, without } => {
                format!("marked absent on {without} of {} radii", with + without)
            }
            Told::ByWidths { others: 1, gain } => {
                format!("widths, against one other: either may be odd (gain {gain:.1})")
            }
            Told::ByWidths { others, gain } => {
                format!("widths, against {others} others (gain {gain:.1})")
            }
        }
    }
}

/// One disagreement.
#[derive(Debug, Clone, PartialEq)]
pub struct Difference {
    /// The tree.
    pub tree: String,
    /// The specimen.
    pub specimen: String,
    /// The odd radius.
    pub radius: String,
    /// What it does.
    pub against: Against,
    /// The year, as the other radii count it; where the specimen isn't dated, the ring's number.
    pub year: i32,
    /// The earliest year that the widths allow as well.
    pub earliest: i32,
    /// The latest.
    pub latest: i32,
    /// Whether `year` is a year and not a ring's number.
    pub is_dated: bool,
    /// How it was told.
    pub told: Told,
}

impl Difference {
    /// The finding in words: `lacks the ring of 1921 (1920 to 1922)`.
    pub fn words(&self) -> String {
        let ring = if self.is_dated {
            format!("the ring of {}", self.year)
        } else {
            format!("ring {}", self.year)
        };
        let range = if self.earliest == self.latest {
            String::new()
        } else {
            format!(" (anywhere from {} to {})", self.earliest, self.latest)
        };
        match self.against {
            Against::Lacks => format!("lacks {ring}{range}"),
            Against::Adds => format!("has one ring more in {ring}{range}"),
        }
    }
}

/// Compares the radii of one specimen; nothing where it has but one. Radii that are dated and radii
/// that aren't are two specimens to it.
pub fn compare(radii: &[Radius]) -> Vec<Difference> {
    let mut found = Vec::new();
    for is_dated in [true, false] {
        let alike: Vec<&Radius> = radii.iter().filter(|r| r.is_dated == is_dated).collect();
        if alike.len() > 1 {
            found.extend(by_marks(&alike));
            found.extend(by_widths(&alike));
        }
    }
    found.sort_by(|a, b| (a.year, &a.radius).cmp(&(b.year, &b.radius)));
    found
}

fn difference(radius: &Radius, against: Against, years: [i32; 3], told: Told) -> Difference {
    Difference {
        tree: radius.tree.clone(),
        specimen: radius.specimen.clone(),
        radius: radius.radius.clone(),
        against,
        year: years[0],
        earliest: years[1],
        latest: years[2],
        is_dated: radius.is_dated,
        told,
    }
}

/// Rings marked absent on some radii.
fn by_marks(radii: &[&Radius]) -> Vec<Difference> {
    let mut found = Vec::new();
    for year in years(radii) {
        let width = |r: &&&Radius| r.series.width_mm(year);
        let (with, without): (Vec<&&Radius>, Vec<&&Radius>) = radii
            .iter()
            .filter(|r| width(r).is_some())
            .partition(|r| width(r).is_some_and(|w| w > 0.0));
        if with.is_empty() || without.is_empty() {
            continue;
        }
        let (odd, against) = if with.len() < without.len() {
            (&with, Against::Adds)
        } else {
            (&without, Against::Lacks)
        };
        let told = Told::Marked {
            with: with.len(),
            without: without.len(),
        };
        found.extend(odd.iter().map(|r| difference(r, against, [year; 3], told)));
    }
    found
}

/// All years of some radii.
fn years(radii: &[&Radius]) -> std::ops::Range<i32> {
    let ends = radii
        .iter()
        .filter_map(|r| Some((r.series.first_year, r.series.last_year()?)));
    ends.fold(0..0, |all, (first, last)| {
        if all.is_empty() {
            first..last.saturating_add(1)
        } else {
            all.start.min(first)..all.end.max(last.saturating_add(1))
        }
    })
}

/// Radii that are out of step with the others; the clearest one is put right before the next is
/// looked for, so that it doesn't mislead.
fn by_widths(radii: &[&Radius]) -> Vec<Difference> {
    let all = years(radii);
    let pad = i32::try_from(MOST_SHIFT).unwrap_or(0);
    let begin = all.start.saturating_sub(pad);
    let frame = begin..all.end.saturating_add(pad);
    let mut rows: Vec<(&Radius, Vec<Option<f64>>)> = radii
        .iter()
        .map(|r| (*r, relative(r, frame.clone())))
        .filter(|(_, row)| row.iter().flatten().count() >= LEAST_RINGS)
        .collect();
    if rows.len() < 2 {
        return Vec::new();
    }
    let others = rows.len() - 1;
    let mut is_done = vec![false; rows.len()];
    let mut found = Vec::new();
    loop {
        let sd = spread(&rows);
        let next = (0..rows.len())
            .filter(|i| !is_done[*i])
            .map(|i| (i, in_step(&rows, i, sd)))
            .filter(|(_, alignment)| !alignment.events.is_empty())
            // Of equal gains the first.
            .max_by(|(i, a), (j, b)| a.gain.total_cmp(&b.gain).then(j.cmp(i)));
        let Some((i, alignment)) = next else {
            break;
        };
        is_done[i] = true;
        for event in &alignment.events {
            let year = |at: usize| begin.saturating_add(i32::try_from(at).unwrap_or(i32::MAX));
            let against = match event.kind {
                Kind::Absent | Kind::Merged => Against::Lacks,
                Kind::Split => Against::Adds,
            };
            let years = [event.year, event.earliest, event.latest].map(year);
            let told = Told::ByWidths {
                gain: alignment.gain,
                others,
            };
            found.push(difference(rows[i].0, against, years, told));
        }
        rows[i].1 = alignment.widths;
    }
    found
}

/// Widths by the radius's own level, about one, on a frame of years; absent rings are left out: they
/// hold their year already.
fn relative(radius: &Radius, frame: std::ops::Range<i32>) -> Vec<Option<f64>> {
    let logs: Vec<Option<f64>> = frame
        .map(|year| {
            let width = radius.series.width_mm(year)?;
            (width > 0.0).then(|| width.ln())
        })
        .collect();
    let level = spline::smooth(&logs, spline::weight(LEVEL_YEARS));
    logs.iter()
        .zip(level)
        .map(|(log, level)| Some(((*log)? - level?).exp()))
        .collect()
}

/// The middle of the other rows, year by year.
fn middle(rows: &[(&Radius, Vec<Option<f64>>)], but: usize) -> Vec<Option<f64>> {
    let years = rows.first().map_or(0, |(_, row)| row.len());
    (0..years)
        .map(|year| {
            let others = rows.iter().enumerate().filter(|(i, _)| *i != but);
            let known = others.filter_map(|(_, (_, row))| row[year]);
            median_of(known.collect())
        })
        .collect()
}

/// Sd of the logarithm of a ring by the middle of the others, from the median of its size: 1.4826
/// of them are one sd of normal noise.
fn spread(rows: &[(&Radius, Vec<Option<f64>>)]) -> f64 {
    let offs = (0..rows.len()).flat_map(|i| {
        let middle = middle(rows, i);
        rows[i]
            .1
            .iter()
            .zip(middle)
            .filter_map(|(ring, year)| Some(((*ring)? / year?).ln().abs()))
            .collect::<Vec<f64>>()
    });
    median_of(offs.collect()).map_or(LEAST_SD, |off| (1.4826 * off).max(LEAST_SD))
}

/// Aligns one row with the others; a row that agrees with them less well than most, even when it is
/// put in step, is judged by its own spread.
fn in_step(rows: &[(&Radius, Vec<Option<f64>>)], which: usize, sd: f64) -> Alignment {
    let middle = middle(rows, which);
    let first = alignment::align(&rows[which].1, &middle, sd);
    let offs = first
        .widths
        .iter()
        .zip(&middle)
        .filter_map(|(ring, year)| Some(((*ring)? / (*year)?).ln().abs()));
    match median_of(offs.collect()) {
        Some(off) if 1.4826 * off > sd => alignment::align(&rows[which].1, &middle, 1.4826 * off),
        _ => first,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::series::Series;

    /// A radius of the practice disc QB-0100: the years' own widths, a trend of its own and a little
    /// noise of its own.
    fn radius(which: u32, years: i32) -> Radius {
        let of_radius = f64::from(which);
        let widths_mm = (0..years)
            .map(|t| {
                let t = f64::from(t);
                let common = 0.25 * (1.9 * t).sin() + 0.25 * (0.7 * t * t).cos();
                let own = 0.08 * (3.1 * t + 2.0 * of_radius).sin();
                Some((1.0 + 0.3 * of_radius) * (2.0 - t / 60.0) * (common + own).exp())
            })
            .collect();
        Radius {
            specimen: "QB-0100".into(),
            tree: "QB-0100".into(),
            radius: format!("{:03}", which * 90),
            series: Series {
                name: "QB-0100".into(),
                first_year: 1951,
                widths_mm,
            },
            is_dated: true,
            is_scaled: true,
        }
    }

    fn told(radii: &[Radius]) -> Vec<(String, Against, i32)> {
        compare(radii)
            .into_iter()
            .map(|d| (d.radius, d.against, d.year))
            .collect()
    }

    #[test]
    fn radii_in_step_have_nothing_against_each_other() {
        let radii: Vec<Radius> = (0..4).map(|r| radius(r, 50)).collect();
        assert_eq!(compare(&radii), []);
        assert_eq!(compare(&radii[..1]), []);
        assert_eq!(compare(&[]), []);
    }

    #[test]
    fn a_ring_lacking_on_one_radius_is_named_with_its_year() {
        let mut radii: Vec<Radius> = (0..4).map(|r| radius(r, 50)).collect();
        // Counted from the bark: what is farther in slips one year outward.
        radii[2].series.widths_mm.remove(30);
        radii[2].series.first_year += 1;
        let found = compare(&radii);
        assert_eq!(told(&radii), [("180".into(), Against::Lacks, 1981)]);
        assert!(found[0].earliest <= 1981 && found[0].latest >= 1981);
        assert!(found[0].latest - found[0].earliest <= 2);
        assert!(found[0].words().starts_with("lacks the ring of 1981"));
        assert!(matches!(found[0].told, Told::ByWidths { others: 3, gain } if gain > 20.0));
    }

    #[test]
    fn a_false_ring_and_a_lacking_one_on_two_radii_are_both_named() {
        let mut radii: Vec<Radius> = (0..5).map(|r| radius(r, 60)).collect();
        let width = radii[1].series.widths_mm[20].unwrap();
        radii[1].series.widths_mm[20] = Some(0.45 * width);
        radii[1].series.widths_mm.insert(21, Some(0.55 * width));
        radii[1].series.first_year -= 1;
        radii[3].series.widths_mm.remove(40);
        radii[3].series.first_year += 1;
        let found = compare(&radii);
        let odd: Vec<(&str, Against)> = found
            .iter()
            .map(|d| (d.radius.as_str(), d.against))
            .collect();
        assert_eq!(odd, [("090", Against::Adds), ("270", Against::Lacks)]);
        // The widths of 1990 to 1992 are alike: the range holds the year, the best guess is one off.
        for (difference, year) in found.iter().zip([1971, 1991]) {
            assert!((difference.earliest..=difference.latest).contains(&year));
            assert!(difference.year.abs_diff(year) <= 1, "{difference:?}");
        }
    }

    #[test]
    fn a_ring_marked_absent_is_named_and_the_fewer_are_the_odd_ones() {
        let mut radii: Vec<Radius> = (0..4).map(|r| radius(r, 50)).collect();
        radii[0].series.widths_mm[10] = Some(0.0);
        for odd in [1, 2, 3] {
            radii[odd].series.widths_mm[25] = Some(0.0);
        }
        radii[1].series.widths_mm[40] = None;
        let found = compare(&radii);
        assert_eq!(
            told(&radii),
            [
                ("000".into(), Against::Lacks, 1961),
                ("000".into(), Against::Adds, 1976)
            ]
        );
        assert_eq!(
            found[0].told,
            Told::Marked {
                with: 3,
                without: 1
            }
        );
        assert_eq!(found[0].words(), "lacks the ring of 1961");
        assert_eq!(found[1].words(), "has one ring more in the ring of 1976");
    }
}
