//! What is written of two counts of one disc: the record (`endgrain.two-counts/1`), a page to print and
//! a picture of each stretch that parts.
//!
//! The pictures are of the photo at hand: of two hand counts the marks of both on the line of the first,
//! of two readings the same piece of wood as either of them numbers it.

use super::checking::{self, Disc};
use super::comparing::PlacedMark;
use super::ladder::Ladder;
use super::page::{self, Shown};
use super::record::MarkRecord;
use super::two_counts::{self, TwoCounts, TwoOutcome, TwoStretch};
use crate::draw::{self, LineNames, StretchView};
use crate::error::Error;
use crate::reading::{PhotoRecord, Program, Reading};
use serde::Serialize;
use std::path::{Path, PathBuf};

/// The schema's name.
pub const SCHEMA: &str = "endgrain.two-counts/1";

/// The record of two counts.
#[derive(Debug, Clone, Serialize)]
pub struct TwoRecord {
    /// Always [`SCHEMA`].
    pub schema: &'static str,
    /// The program that compared.
    pub program: Program,
    /// The first count.
    pub first: Side,
    /// The second count.
    pub second: Side,
    /// What came out.
    pub outcome: TwoOutcome,
    /// What is to be said of them.
    pub sentences: Vec<String>,
    /// Marks that were left out, and why.
    pub left_out: Vec<String>,
    /// Totals and stretches.
    #[serde(flatten)]
    pub two: TwoCounts,
}

/// One of two counts.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Side {
    /// Who counted, or the file that the count is from.
    pub name: String,
    /// When, as it was written.
    pub counted_on: Option<String>,
    /// The marks of a hand count, as they were given.
    pub marks: Vec<MarkRecord>,
    /// The photo that was counted or read, where there is one.
    pub photo: Option<PhotoRecord>,
    /// The program, of a reading.
    pub read_by: Option<Program>,
}

impl Side {
    /// A reading.
    pub fn of_reading(reading: &Reading) -> Side {
        Side {
            name: reading.photo.file.clone(),
            counted_on: None,
            marks: Vec::new(),
            photo: Some(reading.photo.clone()),
            read_by: Some(reading.program.clone()),
        }
    }
}

impl TwoRecord {
    /// The record of two counts.
    pub fn new(first: Side, second: Side, two: TwoCounts, left_out: &[Error]) -> TwoRecord {
        TwoRecord {
            schema: SCHEMA,
            program: Program {
                name: "endgrain".into(),
                version: env!("CARGO_PKG_VERSION").into(),
            },
            first,
            second,
            outcome: two.outcome(),
            sentences: two_counts::sentences(&two),
            left_out: left_out.iter().map(ToString::to_string).collect(),
            two,
        }
    }
}

/// What the pictures are made from.
#[derive(Debug)]
pub enum Seen<'a> {
    /// Two hand counts, without a photo.
    Nothing,
    /// Two hand counts with their marks placed on a photo.
    Hands {
        /// The photo and its reading.
        disc: &'a Disc,
        /// The marks of the first.
        first: &'a [PlacedMark],
        /// The marks of the second.
        second: &'a [PlacedMark],
    },
    /// Two readings.
    Readings(&'a Disc, &'a Disc),
}

/// Pictures of more stretches than this are not drawn.
const MOST_STRETCHES: usize = 12;

/// Writes record, page and pictures under `stem` and endings; gives the paths.
///
/// # Errors
/// [`Error::Unwritable`], and faults of the writers.
pub fn write_files(
    record: &TwoRecord,
    seen: &Seen<'_>,
    stem: &Path,
) -> Result<Vec<PathBuf>, Error> {
    let mut written = Vec::new();
    let mut shown = Vec::new();
    let parting = record.two.stretches.iter().filter(|s| s.parts());
    for stretch in parting.take(MOST_STRETCHES) {
        for (ending, disc, view) in views(stretch, seen) {
            let Some(photo) = &disc.photo else { continue };
            let drawn = draw::stretch(photo, &disc.reading, &view);
            let jpeg = draw::jpeg(&drawn, Path::new(&photo.file))?;
            let name = format!(".stretch-{}{ending}.jpg", stretch.name());
            let path = checking::with_ending(stem, &name);
            checking::put(&path, &jpeg)?;
            written.push(path);
            shown.push(Shown {
                caption: view.title,
                jpeg,
            });
        }
    }
    let path = checking::with_ending(stem, ".two-counts.html");
    checking::put(&path, page::of_two(record, &shown).as_bytes())?;
    written.push(path);
    let path = checking::with_ending(stem, ".two-counts.json");
    let mut json = serde_json::to_vec(record).map_err(|refused| Error::Fault {
        path: path.clone(),
        what: refused.to_string(),
    })?;
    json.push(b'\n');
    checking::put(&path, &json)?;
    written.push(path);
    Ok(written)
}

/// The pictures of a stretch: what their files' names end in, and what they show.
fn views<'a>(stretch: &TwoStretch, seen: &Seen<'a>) -> Vec<(&'static str, &'a Disc, StretchView)> {
    let said = two_counts::sentence(stretch);
    match *seen {
        Seen::Nothing => Vec::new(),
        Seen::Hands {
            disc,
            first,
            second,
        } => {
            let at = |ring| first.iter().find(|mark| mark.ring == ring);
            let inner = at(stretch.from_ring);
            let outer = at(stretch.to_ring).filter(|_| !stretch.ends_at_edge);
            let azimuth_deg = outer.or(inner).and_then(|mark| mark.azimuth_deg);
            let azimuth_deg = azimuth_deg.unwrap_or(0.0);
            let along = |mark: &PlacedMark| checking::along_line(mark, azimuth_deg, &disc.reading);
            let named = |whose: &'static str, marks: &[PlacedMark]| -> Vec<(String, f64)> {
                let name = |mark: &PlacedMark| (format!("{whose} {}", mark.ring), along(mark));
                marks.iter().map(name).collect()
            };
            let mut marks = named("1st:", first);
            marks.extend(named("2nd:", second));
            // A stretch to the bark is shown where the wood's edge is in the photo.
            let to_px = outer.map(along).or_else(|| {
                let line = Ladder::of(&disc.reading, Some(azimuth_deg));
                line.edge_px.filter(|_| stretch.ends_at_edge)
            });
            let from_px = inner.map_or(0.0, along);
            // A last mark at the bark leaves no wood to be shown.
            let Some(to_px) = to_px.filter(|to_px| *to_px > from_px + 1.0) else {
                return Vec::new();
            };
            let view = StretchView {
                azimuth_deg,
                ends_px: (from_px, to_px),
                marks,
                names: LineNames {
                    line: "the line",
                    marks: "the marks of both counts",
                },
                title: said,
            };
            vec![("", disc, view)]
        }
        Seen::Readings(first, second) => {
            let own = (f64::from(stretch.from_ring), f64::from(stretch.to_ring));
            let both = [
                (
                    ".first",
                    first,
                    Some(own),
                    "as the first reading numbers it",
                ),
                (
                    ".second",
                    second,
                    stretch.second_numbers,
                    "as the second reading numbers it",
                ),
            ];
            both.into_iter()
                .filter_map(|(ending, disc, numbers, whose)| {
                    let (azimuth_deg, ends_px) = ends_of(&disc.reading, numbers?)?;
                    let view = StretchView {
                        azimuth_deg,
                        ends_px,
                        marks: Vec::new(),
                        names: LineNames {
                            line: "one line",
                            marks: "",
                        },
                        title: format!("{said}; {whose}"),
                    };
                    Some((ending, disc, view))
                })
                .collect()
        }
    }
}

/// A direction in which both rings are known, and their distances in it: to the right, or the next in
/// steps of ten degrees.
fn ends_of(reading: &Reading, (from, to): (f64, f64)) -> Option<(f64, (f64, f64))> {
    (0..36)
        .map(|i| 10.0 * f64::from(i))
        .find_map(|azimuth_deg| {
            let ladder = Ladder::of(reading, Some(azimuth_deg));
            let ends = (ladder.distance_px(from)?, ladder.distance_px(to)?);
            Some((azimuth_deg, ends))
        })
}
