//! The written record of a double-check: both counts, who counted, the photo's hash and the outcome.
//!
//! `endgrain.hand-count/1`, one JSON object. Lengths are px of the photo and mm; unknown is `null`.
//! `comparison` holds the totals, the marks at their places and the stretches; `suspects` in it are
//! places in `stretches`, the likeliest fault first. Fields may be added, none changes its meaning.

use super::comparing::{Comparison, Finding};
use super::find_marks::PenLine;
use super::marks::{HandCount, Mark, Place};
use super::words;
use crate::error::Error;
use crate::reading::{PhotoRecord, Program, Reading};
use serde::{Deserialize, Serialize};

/// The schema's name.
pub const SCHEMA: &str = "endgrain.hand-count/1";

/// The record of one disc.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// The program that compared.
    pub program: Program,
    /// The photo.
    pub photo: PhotoRecord,
    /// The count by hand.
    pub hand: HandRecord,
    /// The reading that it was held against.
    pub reading: ReadingRecord,
    /// The ruled line and its marks, where they were looked for in the photo.
    pub pen_line: Option<PenLine>,
    /// The worst finding.
    pub outcome: Finding,
    /// What is to be said of it.
    pub sentences: Vec<String>,
    /// Marks that were left out, and why.
    pub left_out: Vec<String>,
    /// The comparison.
    pub comparison: Comparison,
}

/// The count by hand, as it was given.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HandRecord {
    /// Rings from the pith to the bark.
    pub total: Option<u32>,
    /// Who counted.
    pub counted_by: Option<String>,
    /// When.
    pub counted_on: Option<String>,
    /// The marks.
    pub marks: Vec<MarkRecord>,
}

/// A mark as it was given; one of the three places is not `null`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MarkRecord {
    /// Ring number.
    pub ring: u32,
    /// Distance from the pith, mm.
    pub distance_mm: Option<f64>,
    /// Diameter, mm.
    pub diameter_mm: Option<f64>,
    /// Point in the photo, px.
    pub point_px: Option<(f64, f64)>,
}

/// The count of the reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReadingRecord {
    /// The program that read.
    pub program: Program,
    /// Best count.
    pub rings: u32,
    /// Lower end of the band.
    pub low: u32,
    /// Upper end of the band.
    pub high: u32,
    /// Share of discs whose true count such a band holds.
    pub level: f64,
    /// False where the count is "at least".
    pub complete: bool,
}

/// Makes the record.
pub fn write(
    hand: &HandCount,
    reading: &Reading,
    comparison: Comparison,
    left_out: &[Error],
    pen_line: Option<PenLine>,
) -> Record {
    Record {
        schema: SCHEMA.into(),
        program: Program {
            name: "endgrain".into(),
            version: env!("CARGO_PKG_VERSION").into(),
        },
        photo: reading.photo.clone(),
        hand: HandRecord {
            total: hand.total,
            counted_by: hand.counted_by.clone(),
            counted_on: hand.counted_on.clone(),
            marks: hand.marks.iter().map(Into::into).collect(),
        },
        reading: ReadingRecord {
            program: reading.program.clone(),
            rings: reading.age.rings,
            low: reading.age.low,
            high: reading.age.high,
            level: reading.age.level,
            complete: reading.age.complete,
        },
        pen_line,
        outcome: comparison.finding(),
        sentences: words::sentences(&comparison, reading),
        left_out: left_out.iter().map(ToString::to_string).collect(),
        comparison,
    }
}

impl From<&Mark> for MarkRecord {
    fn from(mark: &Mark) -> Self {
        let mut record = MarkRecord {
            ring: mark.ring,
            distance_mm: None,
            diameter_mm: None,
            point_px: None,
        };
        match mark.place {
            Place::Distance(length) => record.distance_mm = Some(length.mm),
            Place::Diameter(length) => record.diameter_mm = Some(length.mm),
            Place::Point { x_px, y_px } => record.point_px = Some((x_px, y_px)),
        }
        record
    }
}
