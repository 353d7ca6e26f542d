//! Tidy CSV: one row a series and year.
//!
//! Read: a header line with at least `width_mm`, `year` (or `ring`), and what names the series:
//! `series`, or `specimen` (or `sample`) with or without `radius`. Columns may stand in any order;
//! `tree`, `azimuth_deg` and `species` are taken where they are, further ones passed over. Rows may
//! come in any order. An empty width is unknown, 0 is a ring that is absent there. A series whose rows
//! have rings and no years is not dated; its rings stand for years, from 1 at the pith.
//!
//! Written: `series`, `tree`, `specimen`, `radius`, `azimuth_deg`, `species`, `ring`, `year`,
//! `width_mm`; `ring` is empty where the series is dated, `year` where it is not. Widths are written
//! with as many decimals as they have.

use super::{Faults, MOST_YEARS, Measured, Place, SeriesSet, Step, join};
use crate::error::Error;
use crate::series::Series;
use csv::{ReaderBuilder, StringRecord};
use std::collections::HashMap;
use std::io::{self, BufRead, Write};
use std::path::Path;

/// The columns that are written.
pub const COLUMNS: [&str; 9] = [
    "series",
    "tree",
    "specimen",
    "radius",
    "azimuth_deg",
    "species",
    "ring",
    "year",
    "width_mm",
];

/// Years that are taken for years.
const FARTHEST_YEAR: i32 = 1_000_000;

/// Where the columns stand.
#[derive(Debug)]
struct Places {
    series: Option<usize>,
    specimen: Option<usize>,
    radius: Option<usize>,
    tree: Option<usize>,
    azimuth: Option<usize>,
    species: Option<usize>,
    year: Option<usize>,
    ring: Option<usize>,
    width: usize,
}

/// A series while its rows come.
#[derive(Debug)]
struct Rows {
    name: String,
    place: Place,
    /// Year or ring, width, line.
    rows: Vec<(i32, Option<f64>, u64)>,
    is_dated: bool,
    line: u64,
}

/// Reads tidy CSV; `path` is named in faults.
///
/// # Errors
/// [`Error::BadData`] for each fault with its line, up to [`super::MOST_FAULTS`]; what the disk says.
///
/// # Memory
/// The widths read.
pub fn parse(input: impl BufRead, path: &Path) -> Result<SeriesSet, Vec<Error>> {
    let mut faults = Faults::new(path);
    let mut reader = ReaderBuilder::new().from_reader(input);
    let places = match reader.headers().map(places) {
        Ok(Ok(places)) => places,
        Ok(Err(expected)) => {
            faults.add(1, "no table of ring widths", expected);
            return faults.or(SeriesSet::default());
        }
        Err(refused) => {
            refuse(refused, &mut faults);
            return faults.or(SeriesSet::default());
        }
    };
    let mut found: Vec<Rows> = Vec::new();
    let mut of_name: HashMap<String, usize> = HashMap::new();
    let mut record = StringRecord::new();
    while !faults.is_full() {
        match reader.read_record(&mut record) {
            Ok(true) => {
                let line = record.position().map_or(0, csv::Position::line);
                row(
                    &record,
                    line,
                    &places,
                    &mut found,
                    &mut of_name,
                    &mut faults,
                );
            }
            Ok(false) => break,
            Err(refused) => {
                let is_damaged = matches!(refused.kind(), csv::ErrorKind::Io(_));
                refuse(refused, &mut faults);
                if is_damaged {
                    break;
                }
            }
        }
    }
    if found.is_empty() && faults.found.is_empty() {
        faults.add(0, "no row in it", "expected a row a ring below the header");
    }
    let mut set = SeriesSet::default();
    for rows in found {
        if let Some(measured) = whole(rows, &mut faults) {
            set.series.push(measured);
        }
    }
    faults.or(set)
}

fn refuse(refused: csv::Error, faults: &mut Faults) {
    let line = refused.position().map_or(0, csv::Position::line);
    match refused.into_kind() {
        csv::ErrorKind::Io(source) => faults.unreadable(source),
        csv::ErrorKind::UnequalLengths {
            expected_len, len, ..
        } => faults.add(
            line,
            format!("{len} cells"),
            format!("expected {expected_len}, as in the header line"),
        ),
        csv::ErrorKind::Utf8 { .. } => {
            faults.add(
                line,
                "signs that are no UTF-8",
                "save the table as CSV in UTF-8",
            );
        }
        _ => faults.add(line, "no CSV", "expected a table as RFC 4180 has it"),
    }
}

/// Finds the columns.
///
/// # Errors
/// What is missing.
fn places(header: &StringRecord) -> Result<Places, String> {
    let at = |name: &str| {
        let mut names = header
            .iter()
            .map(|h| h.trim_start_matches('\u{feff}').trim());
        names.position(|h| h == name)
    };
    let places = Places {
        series: at("series"),
        specimen: at("specimen").or_else(|| at("sample")),
        radius: at("radius"),
        tree: at("tree"),
        azimuth: at("azimuth_deg"),
        species: at("species"),
        year: at("year"),
        ring: at("ring"),
        width: at("width_mm").ok_or("expected a column width_mm in the header line")?,
    };
    if places.series.is_none() && places.specimen.is_none() {
        return Err("expected a column series, or specimen, in the header line".into());
    }
    if places.year.is_none() && places.ring.is_none() {
        return Err("expected a column year, or ring, in the header line".into());
    }
    Ok(places)
}

/// Adds a row to its series.
fn row(
    record: &StringRecord,
    line: u64,
    places: &Places,
    found: &mut Vec<Rows>,
    of_name: &mut HashMap<String, usize>,
    faults: &mut Faults,
) {
    let cell = |place: Option<usize>| place.and_then(|i| record.get(i)).unwrap_or("").trim();
    let (specimen, radius) = (cell(places.specimen), cell(places.radius));
    let name = match cell(places.series) {
        "" if radius.is_empty() => specimen.to_owned(),
        "" => format!("{specimen}/{radius}"),
        series => series.to_owned(),
    };
    if name.is_empty() {
        faults.add(line, "no name of a series", "expected one in each row");
        return;
    }
    let (year, ring) = (cell(places.year), cell(places.ring));
    let is_dated = !year.is_empty();
    let number = if is_dated { year } else { ring };
    let parsed = number.parse::<i32>().ok();
    let Some(number) = parsed.filter(|n| (-FARTHEST_YEAR..=FARTHEST_YEAR).contains(n)) else {
        faults.add(
            line,
            format!("{number:?} for a year"),
            "expected a whole number in year, or in ring where the year is not known",
        );
        return;
    };
    let text = cell(Some(places.width));
    let width = match text.parse::<f64>() {
        _ if text.is_empty() => None,
        Ok(width) if width.is_finite() && width >= 0.0 => Some(width),
        _ => {
            faults.add(
                line,
                format!("{text:?} for a width"),
                "expected millimetres with a decimal point, 0 for an absent ring, nothing for unknown",
            );
            return;
        }
    };
    let at = *of_name.entry(name).or_insert_with_key(|name| {
        found.push(Rows {
            name: name.clone(),
            place: Place {
                tree: cell(places.tree).to_owned(),
                specimen: specimen.to_owned(),
                radius: radius.to_owned(),
                azimuth_deg: cell(places.azimuth)
                    .parse()
                    .ok()
                    .filter(|a: &f64| a.is_finite()),
                species: cell(places.species).to_owned(),
            },
            rows: Vec::new(),
            is_dated,
            line,
        });
        found.len() - 1
    });
    if found[at].is_dated != is_dated {
        let name = &found[at].name;
        faults.add(
            line,
            format!("the series {name} has rows with and without a year"),
            "expected a year in all of its rows or in none",
        );
        return;
    }
    found[at].rows.push((number, width, line));
}

/// The series of its rows.
fn whole(mut rows: Rows, faults: &mut Faults) -> Option<Measured> {
    // Stable, so that of two rows of one year the later in the file is the one told of.
    rows.rows.sort_by_key(|(year, ..)| *year);
    if let Some(pair) = rows.rows.windows(2).find(|pair| pair[0].0 == pair[1].0) {
        faults.add(
            pair[1].2,
            format!(
                "the series {} has the year or ring {} twice",
                rows.name, pair[1].0
            ),
            format!("expected it once; it is also in line {}", pair[0].2),
        );
        return None;
    }
    let pieces = rows.rows.iter().map(|(y, w, _)| (*y, vec![*w])).collect();
    match join(pieces) {
        Ok((first_year, widths_mm)) => Some(Measured {
            step: Step::of(&widths_mm),
            series: Series {
                name: rows.name,
                first_year,
                widths_mm,
            },
            is_dated: rows.is_dated,
            place: rows.place,
        }),
        Err(year) => {
            faults.add(
                rows.line,
                format!("the series {} reaches to the year {year}", rows.name),
                format!("expected no more than {MOST_YEARS} years in a series"),
            );
            None
        }
    }
}

/// Writes a set as tidy CSV.
///
/// # Errors
/// What `out` says on writing.
pub fn write(out: impl Write, set: &SeriesSet) -> io::Result<()> {
    let mut csv = csv::Writer::from_writer(out);
    csv.write_record(COLUMNS)?;
    for measured in &set.series {
        let Measured { series, place, .. } = measured;
        let azimuth = place.azimuth_deg.map_or(String::new(), |a| a.to_string());
        for (year, width) in (series.first_year..).zip(&series.widths_mm) {
            let year = year.to_string();
            let (ring, year) = if measured.is_dated {
                ("", year.as_str())
            } else {
                (year.as_str(), "")
            };
            let width = width.map_or(String::new(), |w| w.to_string());
            csv.write_record([
                &series.name,
                &place.tree,
                &place.specimen,
                &place.radius,
                &azimuth,
                &place.species,
                ring,
                year,
                &width,
            ])?;
        }
    }
    csv.flush()
}
