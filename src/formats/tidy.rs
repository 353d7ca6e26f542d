//! Tidy CSV: one row a series and year.
//!
//! Read: a header line with at least `width_mm` (or `width_px`), `year` (or `ring`), and what names the series:
//! `series`, or `specimen` (or `sample`) with or without `radius`. Columns may stand in any order;
//! `tree`, `azimuth_deg` and `species` are taken where they are, further ones passed over. Rows may
//! come in any order. An empty width is unknown, 0 is a ring that is absent there. A series whose rows
//! have rings and no years is not dated; its rings stand for years, from 1 at the pith.
//!
//! The unit is each series' own. With any width in mm it is in mm, and `width_px` says the same once
//! more and is passed over; without, it is in pixels, of a photo that has no scale, and is marked so.
//! A row that has its width in px alone within a series in mm is a fault: nothing tells how many mm
//! that is.
//!
//! Written: `series`, `tree`, `specimen`, `radius`, `azimuth_deg`, `species`, `ring`, `year`,
//! `width_mm`; `ring` is empty where the series is dated, `year` where it is not. A last column
//! `width_px` is there where a series is in pixels. Widths are written with as many decimals as they
//! have.

use super::{Faults, MOST_YEARS, Measured, Place, SeriesSet, Step, join};
use crate::error::Error;
use crate::series::Series;
use csv::{ReaderBuilder, StringRecord};
use std::collections::HashMap;
use std::io::{self, BufRead, Write};
use std::path::Path;

/// The columns that are written; [`IN_PX`] after them where a series is in pixels.
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

/// The column of widths in pixels.
pub const IN_PX: &str = "width_px";

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
    width: Option<usize>,
    width_px: Option<usize>,
}

/// One row of a series.
#[derive(Debug, Clone, Copy)]
struct Row {
    /// Year or ring.
    number: i32,
    width_mm: Option<f64>,
    width_px: Option<f64>,
    line: u64,
}

/// A series while its rows come.
#[derive(Debug)]
struct Rows {
    name: String,
    place: Place,
    rows: Vec<Row>,
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
        width: at("width_mm"),
        width_px: at(IN_PX),
    };
    if places.width.is_none() && places.width_px.is_none() {
        return Err("expected a column width_mm, or width_px, in the header line".into());
    }
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
    let mut width = |at: Option<usize>, unit: &str| -> Option<Option<f64>> {
        let text = cell(at);
        match text.parse::<f64>() {
            _ if text.is_empty() => Some(None),
            Ok(width) if width.is_finite() && width >= 0.0 => Some(Some(width)),
            _ => {
                faults.add(
                    line,
                    format!("{text:?} for a width"),
                    format!("expected {unit} with a decimal point, 0 for an absent ring, nothing for unknown"),
                );
                None
            }
        }
    };
    let widths = width(places.width, "millimetres").zip(width(places.width_px, "pixels"));
    let Some((width_mm, width_px)) = widths else {
        return;
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
    found[at].rows.push(Row {
        number,
        width_mm,
        width_px,
        line,
    });
}

/// The series of its rows.
fn whole(mut rows: Rows, faults: &mut Faults) -> Option<Measured> {
    // Stable, so that of two rows of one year the later in the file is the one told of.
    rows.rows.sort_by_key(|row| row.number);
    let mut pairs = rows.rows.windows(2);
    if let Some(pair) = pairs.find(|pair| pair[0].number == pair[1].number) {
        faults.add(
            pair[1].line,
            format!(
                "the series {} has the year or ring {} twice",
                rows.name, pair[1].number
            ),
            format!("expected it once; it is also in line {}", pair[0].line),
        );
        return None;
    }
    let is_in_mm = rows.rows.iter().any(|row| row.width_mm.is_some());
    let is_in_px = !is_in_mm && rows.rows.iter().any(|row| row.width_px.is_some());
    let is_px_alone = |row: &&Row| row.width_mm.is_none() && row.width_px.is_some();
    if is_in_mm && let Some(row) = rows.rows.iter().find(is_px_alone) {
        faults.add(
            row.line,
            format!(
                "the series {} has its width in px alone here and in mm elsewhere",
                rows.name
            ),
            "expected one unit in a series: give all its widths in mm, or none",
        );
        return None;
    }
    let width = |row: &Row| if is_in_px { row.width_px } else { row.width_mm };
    let pieces = rows.rows.iter().map(|row| (row.number, vec![width(row)]));
    let pieces = pieces.collect();
    match join(pieces) {
        Ok((first_year, widths_mm)) => Some(Measured {
            step: Step::of(&widths_mm),
            series: Series {
                name: rows.name,
                first_year,
                widths_mm,
            },
            is_dated: rows.is_dated,
            is_in_px,
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
    let has_px = set.series.iter().any(|measured| measured.is_in_px);
    let further = has_px.then_some(IN_PX);
    csv.write_record(COLUMNS.into_iter().chain(further))?;
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
            let (in_mm, in_px) = if measured.is_in_px {
                ("", width.as_str())
            } else {
                (width.as_str(), "")
            };
            let row = [
                series.name.as_str(),
                &place.tree,
                &place.specimen,
                &place.radius,
                &azimuth,
                &place.species,
                ring,
                year,
                in_mm,
            ];
            csv.write_record(row.into_iter().chain(has_px.then_some(in_px)))?;
        }
    }
    csv.flush()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<SeriesSet, Vec<Error>> {
        parse(text.as_bytes(), Path::new("rings.csv"))
    }

    /// A dataset's own table: a disc with a scale has both units, one without has px alone.
    const BOTH: &str = "\
tree,specimen,radius,azimuth_deg,ring,year,width_mm,width_px
T1,QB-1,az000,0.0,1,2001,1.05,10.5
T1,QB-1,az000,0.0,2,2002,0,0
T2,QB-2,az000,0.0,1,,,12.25
T2,QB-2,az000,0.0,2,,,
T2,QB-2,az000,0.0,3,,,0.000
";

    #[test]
    fn series_without_a_scale_are_read_in_px_and_never_taken_for_mm() {
        let set = read(BOTH).unwrap();
        let [scaled, bare] = set.series.as_slice() else {
            panic!("{set:?}")
        };
        assert!(!scaled.is_in_px && scaled.is_dated);
        assert_eq!(scaled.series.widths_mm, [Some(1.05), Some(0.0)]);
        assert!(bare.is_in_px && !bare.is_dated);
        assert_eq!(bare.series.widths_mm, [Some(12.25), None, Some(0.0)]);
        // A table of px alone has no column of mm.
        let px = read("specimen,ring,width_px\nQB-3,1,8\n").unwrap();
        assert!(px.series[0].is_in_px);
        // Nothing known: in no unit, so not in px.
        let none = read("specimen,ring,width_mm,width_px\nQB-3,1,,\n").unwrap();
        assert!(!none.series[0].is_in_px);
    }

    #[test]
    fn a_series_in_both_units_is_refused_with_its_line() {
        let told =
            read("specimen,year,width_mm,width_px\nQB-1,2001,1.0,10\nQB-1,2002,,\nQB-1,2003,,11\n")
                .unwrap_err();
        assert_eq!(told.len(), 1);
        assert_eq!(
            told[0].to_string(),
            "rings.csv, line 4: the series QB-1 has its width in px alone here and in mm elsewhere; \
             expected one unit in a series: give all its widths in mm, or none"
        );
        let told = read("specimen,year,width_px\nQB-1,2001,wide\n").unwrap_err();
        assert!(
            told[0]
                .to_string()
                .contains("line 2: \"wide\" for a width; expected pixels"),
            "{told:?}"
        );
    }

    #[test]
    fn series_in_px_come_back_from_a_table_as_they_went_beside_those_in_mm() {
        let set = read(BOTH).unwrap();
        let mut text = Vec::new();
        write(&mut text, &set).unwrap();
        let text = String::from_utf8(text).unwrap();
        let header =
            "series,tree,specimen,radius,azimuth_deg,species,ring,year,width_mm,width_px\n";
        assert!(text.starts_with(header), "{text}");
        assert_eq!(read(&text).unwrap(), set);
    }
}
