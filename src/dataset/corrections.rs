//! Corrections by hand: what a person saw on the disc that the reading has otherwise.
//!
//! `corrections.csv` in the dataset's folder is the person's file; `gather` only fills in which
//! reading each was made on. One row a correction:
//!
//! | column | what |
//! |---|---|
//! | `specimen` | name in the dataset |
//! | `change` | `width`: the ring has this width on this radius; `not-a-ring`: this boundary ends no year, the ring is one with the next outward; `absent-ring`: between this ring and the next a year left no wood on the whole disc |
//! | `ring` | number of the ring in the reading (`reading_ring` in `rings.csv`) |
//! | `radius` | name of the radius as in `rings.csv`, for `width` |
//! | `width_mm` | for `width`: mm; 0 for a ring absent there, empty for unknown |
//! | `by`, `why` | who and why, in any words |
//! | `reading_sha256` | the reading that it was made on; filled in |
//!
//! Ring numbers hold for one reading only. So a specimen with corrections keeps its reading when a
//! newer one comes, unless that is asked for; corrections of an earlier reading then rest, and none is
//! ever deleted.

use super::specimen::{Specimen, Width};
use crate::error::Error;
use csv::{ReaderBuilder, StringRecord};
use std::collections::BTreeMap;
use std::io::{self, Write};
use std::path::Path;

/// The columns that a file of corrections has, in order.
pub const COLUMNS: [&str; 8] = [
    "specimen",
    "change",
    "ring",
    "radius",
    "width_mm",
    "by",
    "why",
    "reading_sha256",
];

/// What is changed.
#[derive(Debug, Clone, PartialEq)]
pub enum Change {
    /// The width on one radius, mm.
    Width {
        /// Name of the radius.
        radius: String,
        /// The width; `None`: not known.
        width_mm: Option<f64>,
    },
    /// The ring ends no year.
    NotARing,
    /// A year without wood on the whole disc follows this ring.
    AbsentRing,
}

/// One correction.
#[derive(Debug, Clone, PartialEq)]
pub struct Correction {
    /// Line of the file.
    pub line: u64,
    /// Specimen.
    pub specimen: String,
    /// Number of the ring in the reading.
    pub ring: u32,
    /// What is changed.
    pub change: Change,
    /// SHA-256 of the reading that it was made on; empty until it is gathered.
    pub reading_sha256: String,
}

/// A file of corrections.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Corrections {
    /// The corrections in the order of the file.
    pub list: Vec<Correction>,
    /// Column names and rows as they stand.
    header: Vec<String>,
    rows: Vec<Vec<String>>,
}

/// Reads a file of corrections; `path` is named in faults.
///
/// # Errors
/// [`Error::BadData`] for every fault with its line.
pub fn parse(bytes: &[u8], path: &Path) -> Result<Corrections, Vec<Error>> {
    let mut faults = Vec::new();
    let mut fault = |line: u64, what: String, way_out: &str| {
        faults.push(Error::BadData {
            path: path.to_path_buf(),
            line: (line > 0).then_some(line),
            what,
            way_out: way_out.to_owned(),
        });
    };
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let mut reader = ReaderBuilder::new().from_reader(bytes);
    let mut corrections = Corrections::default();
    let header: Vec<String> = reader.headers().map_or(Vec::new(), |h| {
        h.iter().map(|n| n.trim().to_owned()).collect()
    });
    for needed in ["specimen", "change", "ring"] {
        if !header.iter().any(|name| name == needed) {
            fault(
                1,
                format!("no column {needed}"),
                "the columns are specimen, change, ring, radius, width_mm, by, why, reading_sha256",
            );
        }
    }
    let mut record = StringRecord::new();
    loop {
        match reader.read_record(&mut record) {
            Ok(true) => {
                let line = record.position().map_or(0, csv::Position::line);
                let cells: Vec<String> = record.iter().map(|c| c.trim().to_owned()).collect();
                match correction(&header, &cells, line) {
                    Ok(correction) => {
                        corrections.list.push(correction);
                        corrections.rows.push(cells);
                    }
                    Err((what, way_out)) => fault(line, what, way_out),
                }
            }
            Ok(false) => break,
            Err(refused) => {
                let line = refused.position().map_or(0, csv::Position::line);
                fault(
                    line,
                    "no row of this table".into(),
                    "give each row as many cells as the header line, in UTF-8",
                );
            }
        }
    }
    corrections.header = header;
    if faults.is_empty() {
        Ok(corrections)
    } else {
        Err(faults)
    }
}

fn correction(
    header: &[String],
    cells: &[String],
    line: u64,
) -> Result<Correction, (String, &'static str)> {
    let cell = |name: &str| {
        let at = header.iter().position(|h| h == name);
        at.and_then(|i| cells.get(i)).map_or("", String::as_str)
    };
    if cell("specimen").is_empty() {
        return Err((
            "column specimen: empty".into(),
            "give the specimen's name in specimens.csv",
        ));
    }
    let ring = cell("ring").parse::<u32>().ok().filter(|n| *n > 0);
    let ring = ring.ok_or_else(|| {
        let what = format!("column ring: {:?}", cell("ring"));
        (
            what,
            "give the number in the column reading_ring of rings.csv",
        )
    })?;
    let change = match cell("change") {
        "not-a-ring" => Change::NotARing,
        "absent-ring" => Change::AbsentRing,
        "width" => {
            let text = cell("width_mm");
            let width_mm = match text.parse::<f64>() {
                _ if text.is_empty() => None,
                Ok(w) if (0.0..=1000.0).contains(&w) => Some(w),
                _ => {
                    let what = format!("column width_mm: {text:?}");
                    return Err((
                        what,
                        "give millimetres from 0 to 1000, or nothing for unknown",
                    ));
                }
            };
            if cell("radius").is_empty() {
                return Err((
                    "column radius: empty".into(),
                    "give the radius as rings.csv names it",
                ));
            }
            Change::Width {
                radius: cell("radius").to_owned(),
                width_mm,
            }
        }
        other => {
            let what = format!("column change: {other:?}");
            return Err((what, "give width, not-a-ring or absent-ring"));
        }
    };
    Ok(Correction {
        line,
        specimen: cell("specimen").to_owned(),
        ring,
        change,
        reading_sha256: cell("reading_sha256").to_ascii_lowercase(),
    })
}

impl Corrections {
    /// Fills in the reading of corrections that don't tell it; `reading_of` knows the reading of a
    /// specimen. Gives the corrections whose specimen isn't there.
    pub(super) fn pin(&mut self, reading_of: &BTreeMap<String, String>) -> Vec<(u64, String)> {
        let mut lost = Vec::new();
        if !self.list.is_empty() && !self.header.iter().any(|h| h == "reading_sha256") {
            self.header.push("reading_sha256".into());
            for row in &mut self.rows {
                row.push(String::new());
            }
        }
        let at = self.header.iter().position(|h| h == "reading_sha256");
        for (correction, row) in self.list.iter_mut().zip(&mut self.rows) {
            if !correction.reading_sha256.is_empty() {
                continue;
            }
            match reading_of.get(&correction.specimen) {
                Some(sha256) => {
                    correction.reading_sha256.clone_from(sha256);
                    if let Some(cell) = at.and_then(|i| row.get_mut(i)) {
                        cell.clone_from(sha256);
                    }
                }
                None => lost.push((correction.line, correction.specimen.clone())),
            }
        }
        lost
    }

    /// Writes the file: the columns that it has, or for an empty one those of [`COLUMNS`].
    pub(super) fn write(&self, out: impl Write) -> io::Result<()> {
        let mut csv = csv::Writer::from_writer(out);
        if self.header.is_empty() {
            csv.write_record(COLUMNS)?;
        } else {
            csv.write_record(&self.header)?;
        }
        for row in &self.rows {
            csv.write_record(row)?;
        }
        csv.flush()
    }
}

/// Applies the corrections of a specimen's reading: widths first, then rings that are none and rings
/// that are absent. Gives those that can't be applied, with the reason.
pub(super) fn apply(specimen: &mut Specimen, corrections: &[&Correction]) -> Vec<(u64, String)> {
    let mut refused = Vec::new();
    let place = |specimen: &Specimen, ring: u32| {
        specimen
            .rings
            .iter()
            .position(|r| r.reading_ring == Some(ring))
    };
    let mut applied = 0;
    for one in corrections {
        let Change::Width { radius, width_mm } = &one.change else {
            continue;
        };
        let column = specimen.radii.iter().position(|r| r.name == *radius);
        let (Some(at), Some(column)) = (place(specimen, one.ring), column) else {
            refused.push((
                one.line,
                format!(
                    "{} has no ring {} on a radius {radius}",
                    specimen.name, one.ring
                ),
            ));
            continue;
        };
        let azimuth_deg = specimen.radii[column].azimuth_deg;
        let Some(mm_per_px) = specimen.mm_per_px_at(azimuth_deg) else {
            refused.push((
                one.line,
                format!("{} has no scale, so no width in mm", specimen.name),
            ));
            continue;
        };
        specimen.rings[at].widths[column] = Width {
            px: width_mm.map(|mm| mm / mm_per_px),
            mm: *width_mm,
            is_by_hand: true,
        };
        applied += 1;
    }
    for one in corrections {
        let Some(at) = place(specimen, one.ring) else {
            if !matches!(one.change, Change::Width { .. }) {
                refused.push((
                    one.line,
                    format!(
                        "{} has no ring {}, or it is no ring by another correction",
                        specimen.name, one.ring
                    ),
                ));
            }
            continue;
        };
        match one.change {
            Change::Width { .. } => continue,
            Change::NotARing if at + 1 == specimen.rings.len() => {
                refused.push((
                    one.line,
                    format!(
                        "ring {} of {} is the last one; the wood ends there",
                        one.ring, specimen.name
                    ),
                ));
                continue;
            }
            Change::NotARing => specimen.join_with_next(at),
            Change::AbsentRing => specimen.insert_absent_after(at),
        }
        applied += 1;
    }
    specimen.number();
    specimen.corrections = applied;
    refused
}
