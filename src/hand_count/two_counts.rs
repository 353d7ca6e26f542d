//! Two counts of one disc against each other, without a reading as judge: two hands, or two readings.
//!
//! Of either count its rings and their distances from the pith are known, at marks or at every ring.
//! Each stretch of the first is held against what the second has between the same distances. Which of
//! the two is right can't be said here.

use super::comparing::PlacedMark;
use super::ladder::Ladder;
use super::marks::{HandCount, Mark, Place};
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

/// Below this difference two counts have the same rings in a stretch: marks lie a fraction of a ring
/// off their boundaries.
const SAME_BELOW: f64 = 0.6;

impl TwoStretch {
    /// Whether the two part in it.
    pub fn parts(&self) -> bool {
        self.difference.is_some_and(|d| d.abs() >= SAME_BELOW)
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
            let second_rings = number.zip(inner.1).map(|(outer, inner)| outer - inner);
            let stretch = TwoStretch {
                from_ring: inner.0,
                to_ring: *ring,
                second_rings,
                second_numbers: inner.1.zip(number),
                difference: second_rings.map(|n| f64::from(ring - inner.0) - n),
            };
            inner = (*ring, number);
            stretch
        })
        .collect()
}

/// Two hand counts, their marks at places on the same photo or both in units of length.
///
/// # Errors
/// [`Error::BadData`] for marks as points where no photo with its pith is given.
pub fn of_hands(first: &HandCount, second: &HandCount) -> Result<TwoCounts, Error> {
    let a = in_mm(&first.marks)?;
    let b = in_mm(&second.marks)?;
    Ok(of_rungs((first.total, a), (second.total, b)))
}

/// Two hand counts whose marks were placed on a photo.
pub fn of_placed(
    (first_total, first): (Option<u32>, &[PlacedMark]),
    (second_total, second): (Option<u32>, &[PlacedMark]),
) -> TwoCounts {
    let rungs = |marks: &[PlacedMark]| marks.iter().map(|m| (m.ring, m.distance_px)).collect();
    of_rungs((first_total, rungs(first)), (second_total, rungs(second)))
}

fn of_rungs(
    (first_total, first): (Option<u32>, Vec<(u32, f64)>),
    (second_total, second): (Option<u32>, Vec<(u32, f64)>),
) -> TwoCounts {
    let mut rungs = vec![(0.0, 0.0)];
    rungs.extend(second.iter().map(|(ring, at)| (f64::from(*ring), *at)));
    TwoCounts {
        first_total,
        second_total,
        stretches: if second.is_empty() {
            Vec::new()
        } else {
            stretches(&first, &Ladder::from_rungs(rungs))
        },
    }
}

/// Rings and distances, mm, rising; marks that go inward are refused.
fn in_mm(marks: &[Mark]) -> Result<Vec<(u32, f64)>, Error> {
    let mut sorted: Vec<&Mark> = marks.iter().collect();
    sorted.sort_by_key(|mark| mark.ring);
    let mut rungs: Vec<(u32, f64)> = Vec::new();
    for mark in sorted {
        let mm = match mark.place {
            Place::Distance(length) => length.mm,
            Place::Diameter(length) => length.mm / 2.0,
            Place::Point { .. } => {
                return Err(mark.origin.fault(
                    "a mark as a point, but no photo to find the pith in",
                    "name the photo or its reading as well",
                ));
            }
        };
        if let Some((ring, before)) = rungs.last()
            && (*ring == mark.ring || mm <= *before)
        {
            return Err(mark.origin.fault(
                format!(
                    "ring {} doesn't lie farther out than ring {ring}, or is given twice",
                    mark.ring
                ),
                "ring numbers grow from the pith outward, each once",
            ));
        }
        rungs.push((mark.ring, mm));
    }
    Ok(rungs)
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
    let name = name(stretch);
    let first = stretch.to_ring - stretch.from_ring;
    match stretch.second_rings {
        Some(second) => {
            format!("between {name} the first count has {first} rings, the second {second:.1}")
        }
        None => format!("between {name} the first count has {first} rings, the second no mark"),
    }
}

/// A stretch's ends: `20 and 30`, from the pith.
fn name(stretch: &TwoStretch) -> String {
    match stretch.from_ring {
        0 => format!("pith and {}", stretch.to_ring),
        ring => format!("{ring} and {}", stretch.to_ring),
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

    /// By hand: the second lays its ring 20 where the first has 21 by a straight line (40 to 60 mm in
    /// ten rings of 2 mm: 42 mm is ring 11 + ...), so the first has one ring more in 10-20.
    #[test]
    fn two_hands_part_where_their_marks_do() {
        let first = hand(31, &["10@40mm", "20@60mm", "30@80mm"]);
        let second = hand(30, &["10@40mm", "20@62.2222mm", "29@80mm"]);
        let two = of_hands(&first, &second).unwrap();
        let d: Vec<f64> = two.stretches.iter().filter_map(|s| s.difference).collect();
        // 60 mm is 10 + 10 x 20 / 22.2222 = 19 of the second; 80 mm is its 29.
        assert!(d[0].abs() < 1e-9, "{d:?}");
        assert!((d[1] - 1.0).abs() < 1e-4, "{d:?}");
        assert!(d[2].abs() < 1e-4, "{d:?}");
        let said = sentences(&two).join("\n");
        assert!(said.contains("differ by 1"), "{said}");
        assert!(said.contains("between 10 and 20 the first count has 10 rings, the second 9.0"));
    }

    #[test]
    fn points_need_a_photo_and_marks_go_outward() {
        let point = hand(30, &["10@400,300"]);
        let told = of_hands(&point, &point).unwrap_err().to_string();
        assert!(told.contains("no photo to find the pith in"), "{told}");
        let inward = hand(30, &["10@40mm", "20@30mm"]);
        assert!(of_hands(&inward, &inward).is_err());
    }
}
