//! Two counts of one disc against each other, without a reading as judge: two hands, or two readings.
//!
//! Of either count its rings and their distances from the pith are known, at marks or at every ring.
//! Each stretch of the first is held against what the second has between the same distances. Which of
//! the two is right can't be said here.

use super::comparing::{PlacedMark, place_among_rings};
use super::ladder::Ladder;
use super::marks::{HandCount, Mark, Place};
use super::outward;
use crate::error::Error;
use crate::reading::Reading;
use serde::{Deserialize, Serialize};

/// A stretch of the first count against the second.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TwoStretch {
    /// Number at the inner end by the first count; 0 for the pith.
    pub from_ring: u32,
    /// Number at the outer end by the first count.
    pub to_ring: u32,
    /// Whether it ends at the bark, where either count has its total.
    pub ends_at_edge: bool,
    /// Rings of the second count between the same places; unknown where it has no marks.
    pub second_rings: Option<f64>,
    /// Numbers of the second count at both ends; unknown where it has no marks.
    pub second_numbers: Option<(f64, f64)>,
    /// First less second.
    pub difference: Option<f64>,
}

/// Two counts against each other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TwoCounts {
    /// Total of the first count.
    pub first_total: Option<u32>,
    /// Total of the second count.
    pub second_total: Option<u32>,
    /// The stretches of the first, from the pith outward.
    pub stretches: Vec<TwoStretch>,
}

/// What came out for two counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TwoOutcome {
    /// Totals or a stretch differ.
    Part,
    /// All that both have is the same.
    Agree,
    /// They have neither totals nor marks in common.
    NotCompared,
}

impl TwoOutcome {
    /// The outcome's name in tables and on pages.
    pub fn name(self) -> &'static str {
        match self {
            TwoOutcome::Part => "they part",
            TwoOutcome::Agree => "they agree",
            TwoOutcome::NotCompared => "not compared",
        }
    }
}

/// Below this difference two counts have the same rings in a stretch: marks lie a fraction of a ring
/// off their boundaries.
const SAME_BELOW: f64 = 0.6;

impl TwoStretch {
    /// Whether the two part in it.
    pub fn parts(&self) -> bool {
        self.difference.is_some_and(|d| d.abs() >= SAME_BELOW)
    }

    /// Its name: `40-60`, from the pith, to the bark.
    pub fn name(&self) -> String {
        let (from, to) = self.ends();
        format!("{from}-{to}")
    }

    fn ends(&self) -> (String, String) {
        let from = match self.from_ring {
            0 => "pith".to_owned(),
            ring => ring.to_string(),
        };
        let to = if self.ends_at_edge {
            "bark".to_owned()
        } else {
            self.to_ring.to_string()
        };
        (from, to)
    }
}

impl TwoCounts {
    /// First less second, of the totals.
    pub fn difference(&self) -> Option<i64> {
        let (first, second) = self.first_total.zip(self.second_total)?;
        Some(i64::from(first) - i64::from(second))
    }

    /// The stretches in which the two part, the farthest apart first.
    pub fn parting(&self) -> Vec<&TwoStretch> {
        let off = |stretch: &TwoStretch| stretch.difference.map_or(0.0, f64::abs);
        let mut parting: Vec<_> = self.stretches.iter().filter(|s| s.parts()).collect();
        parting.sort_by(|a, b| {
            off(b)
                .total_cmp(&off(a))
                .then(a.from_ring.cmp(&b.from_ring))
        });
        parting
    }

    /// What came out.
    pub fn outcome(&self) -> TwoOutcome {
        let totals = self.difference();
        if totals.is_some_and(|off| off != 0) || self.stretches.iter().any(TwoStretch::parts) {
            TwoOutcome::Part
        } else if totals.is_some() || self.stretches.iter().any(|s| s.difference.is_some()) {
            TwoOutcome::Agree
        } else {
            TwoOutcome::NotCompared
        }
    }
}

/// Holds the rings of one count, given at some of them, against another's.
fn stretches(first: &[(u32, f64)], second: &Ladder) -> Vec<TwoStretch> {
    let mut inner = (0, Some(0.0));
    first
        .iter()
        .map(|(ring, distance)| {
            let last = second.last_number();
            let number = second
                .number_at(*distance)
                // Beyond its last mark the second count says nothing.
                .filter(|number| last.is_some_and(|last| *number <= last + 0.45));
            let stretch = stretch_of(inner, (*ring, number), false);
            inner = (*ring, number);
            stretch
        })
        .collect()
}

/// The stretch between two places, each with its number in either count.
fn stretch_of(inner: (u32, Option<f64>), outer: (u32, Option<f64>), at_edge: bool) -> TwoStretch {
    let second_numbers = inner.1.zip(outer.1);
    let second_rings = second_numbers.map(|(inner, outer)| outer - inner);
    TwoStretch {
        from_ring: inner.0,
        to_ring: outer.0,
        ends_at_edge: at_edge,
        second_rings,
        second_numbers,
        difference: second_rings.map(|n| f64::from(outer.0 - inner.0) - n),
    }
}

/// The stretch to the bark, where both counts have their totals: from the last mark of the first that
/// the second reaches.
fn to_the_bark(two: &TwoCounts) -> Option<TwoStretch> {
    let (first, second) = two.first_total.zip(two.second_total)?;
    let mut known = two.stretches.iter().rev();
    let (ring, number) = known.find_map(|s| Some((s.to_ring, s.second_numbers?.1)))?;
    let stretch = stretch_of((ring, Some(number)), (first, Some(f64::from(second))), true);
    (first > ring || stretch.parts()).then_some(stretch)
}

/// Two hand counts, their marks as lengths; also tells of marks that can't be right or are points, for
/// which `no_points` is said.
pub(super) fn of_hands(
    first: &HandCount,
    second: &HandCount,
    no_points: (&str, &str),
) -> (TwoCounts, Vec<Error>) {
    let (a, mut faults) = in_mm(first, no_points);
    let (b, more) = in_mm(second, no_points);
    faults.extend(more);
    (of_rungs((first.total, a), (second.total, b)), faults)
}

/// Two hand counts whose marks were placed on a photo: held against each other among the rings read,
/// so that either may have been counted on a line of its own.
pub(super) fn of_placed(
    (first_total, first): (Option<u32>, &[PlacedMark]),
    (second_total, second): (Option<u32>, &[PlacedMark]),
    reading: &Reading,
) -> TwoCounts {
    let rungs = |marks: &[PlacedMark]| {
        let rung = |mark: &PlacedMark| (mark.ring, place_among_rings(mark, reading));
        marks.iter().map(rung).collect()
    };
    of_rungs((first_total, rungs(first)), (second_total, rungs(second)))
}

fn of_rungs(
    (first_total, first): (Option<u32>, Vec<(u32, f64)>),
    (second_total, second): (Option<u32>, Vec<(u32, f64)>),
) -> TwoCounts {
    let mut rungs = vec![(0.0, 0.0)];
    rungs.extend(second.iter().map(|(ring, at)| (f64::from(*ring), *at)));
    let mut two = TwoCounts {
        first_total,
        second_total,
        stretches: if second.is_empty() {
            Vec::new()
        } else {
            stretches(&first, &Ladder::from_rungs(rungs))
        },
    };
    two.stretches.extend(to_the_bark(&two));
    two
}

/// Rings and distances, mm, rising.
fn in_mm(hand: &HandCount, (what, way_out): (&str, &str)) -> (Vec<(u32, f64)>, Vec<Error>) {
    let place = |mark: &Mark| match mark.place {
        Place::Distance(length) => Ok(length.mm),
        Place::Diameter(length) => Ok(length.mm / 2.0),
        Place::Point { .. } => Err(mark.origin.fault(what, way_out)),
    };
    outward::in_order(hand, place, |mm| *mm)
}

/// Two readings of one disc: of the same photo, ring by ring in px; of two photos, with the mean
/// radius of the wood's edge as the measure in both.
///
/// # Errors
/// [`Error::BadData`] where one of them has no count, or of two photos one lacks the wood's edge.
pub fn of_readings(first: &Reading, second: &Reading, every: u32) -> Result<TwoCounts, Error> {
    for reading in [first, second] {
        if !reading.is_counted() {
            return Err(fault(reading, "no rings were read", "take another photo"));
        }
    }
    let (a, b) = (Ladder::of(first, None), Ladder::of(second, None));
    let scale = if first.photo.sha256 == second.photo.sha256 {
        1.0
    } else {
        let edge = |reading: &Reading, ladder: &Ladder| {
            ladder.edge_px.filter(|px| *px > 0.0).ok_or_else(|| {
                fault(
                    reading,
                    "the wood's edge is not in the photo, so two photos can't be laid on each other",
                    "take a photo with the whole outline",
                )
            })
        };
        edge(second, &b)? / edge(first, &a)?
    };
    let every = every.max(1);
    let last = first.rings.last().map_or(0, |ring| ring.number);
    let marks: Vec<(u32, f64)> = (1..=last)
        .filter(|ring| ring % every == 0 || *ring == last)
        .filter_map(|ring| Some((ring, a.distance_px(f64::from(ring))? * scale)))
        .collect();
    Ok(TwoCounts {
        first_total: Some(first.age.rings),
        second_total: Some(second.age.rings),
        stretches: stretches(&marks, &b),
    })
}

fn fault(reading: &Reading, what: &str, way_out: &str) -> Error {
    Error::BadData {
        path: reading.photo.file.clone().into(),
        line: None,
        what: what.into(),
        way_out: way_out.into(),
    }
}

/// The sentence about a stretch.
pub fn sentence(stretch: &TwoStretch) -> String {
    let (from, to) = stretch.ends();
    let to = to.replace("bark", "the bark");
    let first = stretch.to_ring - stretch.from_ring;
    match stretch.second_rings {
        Some(second) => {
            format!(
                "between {from} and {to} the first count has {first} rings, the second {second:.1}"
            )
        }
        None => {
            format!("between {from} and {to} the first count has {first} rings, the second no mark")
        }
    }
}

/// What is said of two counts.
pub fn sentences(two: &TwoCounts) -> Vec<String> {
    let mut said = Vec::new();
    if let (Some(a), Some(b)) = (two.first_total, two.second_total) {
        said.push(match i64::from(a) - i64::from(b) {
            0 => format!("both totals are {a}"),
            off => format!("the totals are {a} and {b}: they differ by {}", off.abs()),
        });
    }
    let parting = two.stretches.iter().filter(|stretch| stretch.parts());
    said.extend(parting.map(sentence));
    let compared = two.stretches.iter().filter(|s| s.difference.is_some());
    if compared.count() == 0 {
        said.push("no stretch has marks of both counts".into());
    } else if !two.stretches.iter().any(TwoStretch::parts) {
        said.push("no stretch parts".into());
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hand(total: u32, marks: &[&str]) -> HandCount {
        HandCount {
            total: Some(total),
            marks: marks
                .iter()
                .map(|text| Mark::parse(text).unwrap())
                .collect(),
            ..HandCount::default()
        }
    }

    const NO_POINTS: (&str, &str) = ("no photo to find the pith in", "name the photo");

    fn differences(two: &TwoCounts) -> Vec<f64> {
        two.stretches.iter().filter_map(|s| s.difference).collect()
    }

    /// By hand: the second lays its ring 20 where the first has 21 by a straight line (40 to 60 mm in
    /// ten rings of 2 mm: 42 mm is ring 11 + ...), so the first has one ring more in 10-20. Beyond 80 mm
    /// either has one ring to its total.
    #[test]
    fn two_hands_part_where_their_marks_do() {
        let first = hand(31, &["10@40mm", "20@60mm", "30@80mm"]);
        let second = hand(30, &["10@40mm", "20@62.2222mm", "29@80mm"]);
        let (two, faults) = of_hands(&first, &second, NO_POINTS);
        assert!(faults.is_empty(), "{faults:?}");
        let d = differences(&two);
        // 60 mm is 10 + 10 x 20 / 22.2222 = 19 of the second; 80 mm is its 29.
        assert!(d[0].abs() < 1e-9, "{d:?}");
        assert!((d[1] - 1.0).abs() < 1e-4, "{d:?}");
        assert!(d[2].abs() < 1e-4 && d[3].abs() < 1e-4, "{d:?}");
        assert_eq!(two.outcome(), TwoOutcome::Part);
        let said = sentences(&two).join("\n");
        assert!(said.contains("differ by 1"), "{said}");
        assert!(said.contains("between 10 and 20 the first count has 10 rings, the second 9.0"));
    }

    /// By hand: to the mark at 60 mm both have 20 rings; from there to the bark 35 - 20 = 15 and
    /// 32 - 20 = 12. The first's mark 30 at 80 mm lies beyond the second's last: nothing is said there.
    #[test]
    fn what_is_left_to_the_totals_lies_at_the_bark() {
        let first = hand(35, &["10@40mm", "20@60mm", "30@80mm"]);
        let second = hand(32, &["10@40mm", "20@60mm"]);
        let (two, _) = of_hands(&first, &second, NO_POINTS);
        assert_eq!(two.stretches[2].difference, None);
        let last = two.parting();
        assert_eq!((last.len(), last[0].name().as_str()), (1, "20-bark"));
        assert_eq!(last[0].difference, Some(3.0));
        let said = sentences(&two).join("\n");
        assert!(
            said.contains("between 20 and the bark the first count has 15 rings, the second 12.0"),
            "{said}"
        );
        // A last mark at the bark leaves no stretch, unless the other goes on.
        let marked = hand(20, &["20@60mm"]);
        let (two, _) = of_hands(&marked, &marked, NO_POINTS);
        assert_eq!((two.stretches.len(), two.outcome()), (1, TwoOutcome::Agree));
        let (two, _) = of_hands(&marked, &hand(22, &["20@60mm"]), NO_POINTS);
        assert_eq!(differences(&two), [0.0, -2.0]);
    }

    #[test]
    fn without_anything_in_common_nothing_is_compared() {
        let (two, _) = of_hands(&hand(20, &["10@30mm"]), &HandCount::default(), NO_POINTS);
        assert_eq!(two.outcome(), TwoOutcome::NotCompared);
    }

    #[test]
    fn points_need_a_photo_and_marks_go_outward() {
        let point = hand(30, &["10@400,300"]);
        let (_, told) = of_hands(&point, &HandCount::default(), NO_POINTS);
        assert_eq!(told.len(), 1);
        let words = "--mark 10@400,300: no photo to find the pith in; name the photo";
        assert_eq!(told[0].to_string(), words);
        // The bad mark is told of and left out, the others are compared.
        let inward = hand(30, &["10@40mm", "20@30mm", "25@50mm"]);
        let (two, told) = of_hands(&inward, &hand(30, &["10@40mm", "25@50mm"]), NO_POINTS);
        assert_eq!((told.len(), two.outcome()), (1, TwoOutcome::Agree));
        let words = "ring 20 lies no farther from the pith than ring 10";
        assert!(told[0].to_string().contains(words), "{}", told[0]);
        assert_eq!(differences(&two), [0.0, 0.0, 0.0]);
    }
}
