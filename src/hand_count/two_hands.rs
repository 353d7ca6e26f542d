//! Two hand counts of one disc, with its photo where that is at hand.
//!
//! With a photo that was read the marks of both are placed among its rings, points and lengths alike,
//! and either may have been counted on a line of its own. Without one only lengths can be compared,
//! and only along one line.

use super::checking::Disc;
use super::comparing::{Given, PlacedMark, place_all};
use super::marks::HandCount;
use super::two_counts::{self, TwoCounts};
use super::two_written::{Seen, Side, TwoRecord};
use crate::error::Error;
use crate::reading::PhotoRecord;

/// One of the two.
#[derive(Debug, Clone)]
pub struct OneHand {
    /// The count.
    pub hand: HandCount,
    /// What it is called where it isn't told who counted: its file.
    pub name: String,
    /// What else is known: the line, the scale.
    pub given: Given,
    /// Mean diameter of the face inside the bark, mm, where it gives the scale.
    pub diameter_mm: Option<f64>,
}

impl OneHand {
    fn side(&self, photo: Option<&PhotoRecord>) -> Side {
        let who = self.hand.counted_by.as_ref();
        Side {
            name: who.unwrap_or(&self.name).clone(),
            counted_on: self.hand.counted_on.clone(),
            marks: self.hand.marks.iter().map(Into::into).collect(),
            photo: photo.cloned(),
            read_by: None,
        }
    }
}

/// Two hand counts, compared.
#[derive(Debug)]
pub struct TwoHands {
    /// The record.
    pub record: TwoRecord,
    /// What was left out, and why.
    pub faults: Vec<Error>,
    /// The marks of both, where they were placed on a photo.
    placed: Option<(Vec<PlacedMark>, Vec<PlacedMark>)>,
}

impl TwoHands {
    /// What the pictures are made from: the disc that the counts were compared on.
    pub fn seen<'a>(&'a self, disc: Option<&'a Disc>) -> Seen<'a> {
        match (disc, &self.placed) {
            (Some(disc), Some((first, second))) => Seen::Hands {
                disc,
                first,
                second,
            },
            _ => Seen::Nothing,
        }
    }
}

/// Two lines are one up to this angle between them, degrees. Where the pith lies 30 % of the radius off
/// the centre, a ring's distance changes by at most 0.3 sin 2 = 1 % of the radius within it: one ring
/// of a hundred.
const ONE_LINE_DEG: f64 = 2.0;

/// Compares two hand counts. `photo` is what the record says of the photo, where that was looked at
/// but not read.
pub fn compare(
    first: &OneHand,
    second: &OneHand,
    disc: Option<&Disc>,
    photo: Option<&PhotoRecord>,
) -> TwoHands {
    let counted = disc.filter(|disc| disc.reading.is_counted());
    let mut placed = None;
    let (two, faults) = match counted {
        Some(disc) => {
            let place = |one: &OneHand| {
                let given = one.given.scaled_by(one.diameter_mm, &disc.reading);
                place_all(&one.hand, &disc.reading, &given)
            };
            let ((a, mut faults), (b, more)) = (place(first), place(second));
            faults.extend(more);
            let two = two_counts::of_placed(
                (first.hand.total, &a),
                (second.hand.total, &b),
                &disc.reading,
            );
            placed = Some((a, b));
            (two, faults)
        }
        None => along_one_line(first, second, disc.is_some()),
    };
    let photo = disc.map(|disc| &disc.reading.photo).or(photo);
    let sides = (first.side(photo), second.side(photo));
    TwoHands {
        record: TwoRecord::new(sides.0, sides.1, two, &faults),
        faults,
        placed,
    }
}

/// The marks as lengths, where both were counted on one line as far as is known.
fn along_one_line(first: &OneHand, second: &OneHand, is_unread: bool) -> (TwoCounts, Vec<Error>) {
    let no_points = if is_unread {
        (
            "a mark as a point, but no rings could be read in the photo to place it among",
            "give the marks as distances from the pith",
        )
    } else {
        (
            "a mark as a point, but no photo to find the pith in",
            "name the photo or its reading as well",
        )
    };
    let lines = first.given.azimuth_deg.zip(second.given.azimuth_deg);
    let apart = lines.map_or(0.0, |(a, b)| {
        let turn = (a - b).rem_euclid(360.0);
        turn.min(360.0 - turn)
    });
    let marked = first.hand.marks.first().zip(second.hand.marks.first());
    match marked.filter(|_| apart > ONE_LINE_DEG) {
        None => two_counts::of_hands(&first.hand, &second.hand, no_points),
        Some((_, mark)) => {
            let fault = mark.origin.fault(
                format!(
                    "marks on a line {apart:.0} degrees from that of the first count, and no photo to carry them over by"
                ),
                "name the photo or its reading as well; the totals were compared",
            );
            let bare = |hand: &HandCount| HandCount {
                marks: Vec::new(),
                ..hand.clone()
            };
            let (two, mut faults) =
                two_counts::of_hands(&bare(&first.hand), &bare(&second.hand), no_points);
            faults.push(fault);
            (two, faults)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hand_count::Mark;

    fn counted(total: u32, azimuth_deg: f64, marks: &[&str]) -> OneHand {
        OneHand {
            hand: HandCount {
                total: Some(total),
                marks: marks.iter().map(|m| Mark::parse(m).unwrap()).collect(),
                ..HandCount::default()
            },
            name: "the count".into(),
            given: Given {
                azimuth_deg: Some(azimuth_deg),
                ..Given::default()
            },
            diameter_mm: None,
        }
    }

    #[test]
    fn lengths_on_two_lines_need_a_photo() {
        let first = counted(30, 359.0, &["10@40mm", "20@60mm"]);
        let same = compare(
            &first,
            &counted(30, 1.0, &["10@40mm", "20@60mm"]),
            None,
            None,
        );
        assert!(same.faults.is_empty() && same.record.two.stretches.len() == 3);
        let across = compare(&first, &counted(30, 90.0, &["10@20mm"]), None, None);
        let told = across.faults[0].to_string();
        assert!(
            told.starts_with("--mark 10@20mm: marks on a line 91 degrees from"),
            "{told}"
        );
        assert!(across.record.two.stretches.iter().all(|s| s.from_ring == 0));
        assert_eq!(across.record.left_out, [told]);
    }
}
