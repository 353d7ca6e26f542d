//! A sheet of hand counts: a CSV file with a row a photo.
//!
//! Columns: `photo` (its path from the sheet's folder, or from the folder given), and any of `total`,
//! `counted_by`, `counted_on`, `azimuth_deg` (of the line), `diameter` (of the face inside the bark,
//! with its unit, or `diameter_in` and the like) and `last_ring`. Marks come in a file of their own
//! ([`marks`](super::marks)).

use super::marks::{HandCount, MarkRow, Origin, Table, bytes_of};
use crate::error::Error;
use crate::length;
use std::collections::{HashMap, HashSet};
use std::ffi::{OsStr, OsString};
use std::path::{Path, PathBuf};

/// A row of a sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The photo, as it is written.
    pub photo: String,
    /// The count; its marks come by [`Sheet::give_marks`].
    pub hand: HandCount,
    /// Direction of the line, degrees clockwise from the right.
    pub azimuth_deg: Option<f64>,
    /// Mean diameter of the face inside the bark, mm.
    pub diameter_mm: Option<f64>,
    /// Year of the outermost ring.
    pub last_ring: Option<i32>,
    /// Where the row was written.
    pub origin: Origin,
}

/// What a sheet holds: its good rows, and a sentence for each bad one.
#[derive(Debug, Default)]
pub struct Sheet {
    /// Its file.
    pub path: PathBuf,
    /// The rows that could be read.
    pub rows: Vec<Row>,
    /// What is wrong with the others, and with the header.
    pub faults: Vec<Error>,
    /// The photos that have only rows which couldn't be read.
    pub refused: HashSet<String>,
}

impl Sheet {
    /// Gives each row the marks of its photo; tells of the marks that have none.
    ///
    /// A mark names its photo as the sheet does, or by the name of its file alone where only one photo
    /// of the sheet has that.
    pub fn give_marks(&mut self, marks: Vec<MarkRow>) -> Vec<Error> {
        let file_name = |text: &str| Path::new(text).file_name().map(OsStr::to_os_string);
        let mut by_path: HashMap<String, usize> = HashMap::new();
        let mut by_name: HashMap<Option<OsString>, Vec<usize>> = HashMap::new();
        for (at, row) in self.rows.iter().enumerate() {
            by_path.insert(row.photo.clone(), at);
            by_name.entry(file_name(&row.photo)).or_default().push(at);
        }
        let mut faults = Vec::new();
        for MarkRow { photo, mark } in marks {
            let origin = &mark.origin;
            let Some(of) = photo else {
                faults.push(
                    origin.fault("a mark without a photo", "name its photo in a column photo"),
                );
                continue;
            };
            let named = by_name.get(&file_name(&of)).map_or(&[][..], Vec::as_slice);
            let at = match (by_path.get(&of), named) {
                (Some(at), _) | (None, [at]) => *at,
                (None, []) => {
                    faults.push(origin.fault(
                        format!("a mark of {of:?}, which the sheet doesn't have"),
                        "name the photo as the sheet does",
                    ));
                    continue;
                }
                (None, several) => {
                    faults.push(origin.fault(
                        format!(
                            "a mark of {of:?}, and {} photos of that name",
                            several.len()
                        ),
                        "name the photo with its folder, as the sheet does",
                    ));
                    continue;
                }
            };
            if let Some(row) = self.rows.get_mut(at) {
                row.hand.marks.push(mark);
            }
        }
        faults
    }
}

/// Reads a sheet.
///
/// # Errors
/// [`Error::Unreadable`], [`Error::Empty`], and [`Error::BadData`] where the header lacks a column
/// that is needed. Bad rows are no error: they are in `faults`.
pub fn load(path: &Path) -> Result<Sheet, Error> {
    parse(&bytes_of(path)?, path)
}

/// Reads a sheet from its bytes; `path` is what messages call it.
///
/// # Errors
/// As [`load`], but for [`Error::Unreadable`].
pub fn parse(bytes: &[u8], path: &Path) -> Result<Sheet, Error> {
    let mut table = Table::open(bytes, path)?;
    let photo = table.needed("photo", "photo,total,counted_by,counted_on")?;
    let columns = Columns::of(&table);
    let mut sheet = Sheet {
        path: path.to_path_buf(),
        faults: unknown_columns(&table),
        ..Sheet::default()
    };
    let mut taken = HashSet::new();
    while let Some(row) = table.next_row() {
        let (line, cells) = match row {
            Ok(row) => row,
            Err(fault) => {
                sheet.faults.push(fault);
                continue;
            }
        };
        let origin = Origin {
            path: path.to_path_buf(),
            line: Some(line),
        };
        let name = cells.get(photo).to_owned();
        if name.is_empty() {
            sheet
                .faults
                .push(origin.fault("a row without a photo", "name the photo in its column"));
            continue;
        }
        if taken.contains(&name) {
            sheet.faults.push(origin.fault(
                format!("{name} a second time"),
                "give each photo one row; the first one was taken",
            ));
            continue;
        }
        match columns.row(&cells, name.clone(), origin) {
            Ok(row) => {
                taken.insert(row.photo.clone());
                sheet.refused.remove(&row.photo);
                sheet.rows.push(row);
            }
            Err(fault) => {
                sheet.faults.push(fault);
                sheet.refused.insert(name);
            }
        }
    }
    Ok(sheet)
}

/// The columns of a sheet; a diameter's may also carry its unit, as `diameter_in`.
const COLUMNS: [&str; 7] = [
    "photo",
    "total",
    "counted_by",
    "counted_on",
    "azimuth_deg",
    "last_ring",
    "diameter",
];

/// The unit in millimetres of a column of diameters: `Some(None)` where each cell has its own.
fn diameter_unit(name: &str) -> Option<Option<f64>> {
    match name.strip_prefix("diameter")? {
        "" => Some(None),
        unit => length::mm_per(unit.strip_prefix('_')?).map(Some),
    }
}

/// A sentence for each column that isn't known: a name written wrongly must not lose its counts in
/// silence.
fn unknown_columns(table: &Table<'_>) -> Vec<Error> {
    let is_known = |name: &str| COLUMNS.contains(&name) || diameter_unit(name).is_some();
    let unknown = table
        .names
        .iter()
        .filter(|name| !name.is_empty() && !is_known(name));
    unknown
        .map(|name| {
            table.header_fault(
                format!("the column {name:?} isn't known and was not read"),
                format!(
                    "take it out, or correct its name: known are {} (with its unit, or as diameter_in)",
                    COLUMNS.join(", "),
                ),
            )
        })
        .collect()
}

struct Columns {
    total: Option<usize>,
    counted_by: Option<usize>,
    counted_on: Option<usize>,
    azimuth: Option<usize>,
    diameter: Option<(usize, Option<f64>)>,
    last_ring: Option<usize>,
}

impl Columns {
    fn of(table: &Table<'_>) -> Self {
        let mut names = table.names.iter().enumerate();
        let diameter = names.find_map(|(at, name)| Some((at, diameter_unit(name)?)));
        Columns {
            total: table.column("total"),
            counted_by: table.column("counted_by"),
            counted_on: table.column("counted_on"),
            azimuth: table.column("azimuth_deg"),
            diameter,
            last_ring: table.column("last_ring"),
        }
    }

    fn row(
        &self,
        cells: &super::marks::Cells,
        photo: String,
        origin: Origin,
    ) -> Result<Row, Error> {
        let cell = |at: Option<usize>| at.map(|at| cells.get(at)).filter(|c| !c.is_empty());
        let total = match cell(self.total) {
            None => None,
            Some(text) => Some(text.parse::<u32>().ok().filter(|n| *n > 0).ok_or_else(|| {
                origin.fault(
                    format!("{text:?} is no total"),
                    "give the rings as a whole number above 0, or leave it empty",
                )
            })?),
        };
        let azimuth_deg = match cell(self.azimuth) {
            None => None,
            Some(text) => {
                let azimuth = text.parse::<f64>().ok();
                Some(
                    azimuth
                        .filter(|a| (0.0..360.0).contains(a))
                        .ok_or_else(|| {
                            origin.fault(
                        format!("{text:?} is no azimuth"),
                        "give degrees clockwise from the right, 0 up to, not including, 360",
                    )
                        })?,
                )
            }
        };
        let last_ring = match cell(self.last_ring) {
            None => None,
            Some(text) => Some(text.parse::<i32>().map_err(|_| {
                origin.fault(
                    format!("{text:?} is no year"),
                    "give the outermost ring's year, such as 2023",
                )
            })?),
        };
        let diameter_mm = match self
            .diameter
            .and_then(|(at, unit)| Some((cell(Some(at))?, unit)))
        {
            None => None,
            Some((text, unit)) => {
                let parsed = match unit {
                    Some(mm) if text.ends_with(|c: char| c.is_ascii_digit()) => {
                        length::parse_in(text, mm)
                    }
                    _ => length::parse(text),
                };
                let length = parsed
                    .map_err(|wanted| origin.fault(format!("{text:?} is no diameter"), wanted))?;
                Some(length.mm).filter(|mm| *mm > 0.0)
            }
        };
        Ok(Row {
            photo,
            hand: HandCount {
                total,
                counted_by: cell(self.counted_by).map(str::to_owned),
                counted_on: cell(self.counted_on).map(str::to_owned),
                marks: Vec::new(),
            },
            azimuth_deg,
            diameter_mm,
            last_ring,
            origin,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bad_rows_are_told_with_their_line_and_the_rest_is_kept() {
        let text = "photo,total,counted by,counted_on,azimuth_deg,diameter_in,last_ring\n\
                    QB-1.jpg,97,A. Reed,2026-05-02,40,14.5,2025\n\
                    QB-2.jpg,ninety,,,,,\n\
                    ,5,,,,,\n\
                    QB-1.jpg,98,,,,,\n\
                    QB-3.jpg,,,,400,,\n\
                    QB-4.jpg,0,,,,,\n\
                    QB-5.jpg,31,,,,5ft,\n\
                    QB-6.jpg,31,,,,,soon\n\
                    QB-7.jpg,\n";
        let sheet = parse(text.as_bytes(), Path::new("counts.csv")).unwrap();
        let photos: Vec<&str> = sheet.rows.iter().map(|row| row.photo.as_str()).collect();
        assert_eq!(photos, ["QB-1.jpg", "QB-7.jpg"]);
        let first = &sheet.rows[0];
        assert_eq!(first.hand.total, Some(97));
        assert_eq!(first.hand.counted_by.as_deref(), Some("A. Reed"));
        assert!((first.diameter_mm.unwrap() - 14.5 * 25.4).abs() < 1e-9);
        let told: Vec<String> = sheet.faults.iter().map(ToString::to_string).collect();
        let words = [
            "counts.csv, line 3: \"ninety\" is no total",
            "counts.csv, line 4: a row without a photo",
            "counts.csv, line 5: QB-1.jpg a second time",
            "counts.csv, line 6: \"400\" is no azimuth",
            "counts.csv, line 7: \"0\" is no total",
            "counts.csv, line 8: \"5ft\" is no diameter",
            "counts.csv, line 9: \"soon\" is no year",
        ];
        assert_eq!(told.len(), words.len());
        for (told, words) in told.iter().zip(words) {
            assert!(told.starts_with(words), "{told}");
        }
    }

    #[test]
    fn a_column_that_isnt_known_is_told_and_the_rest_is_read() {
        let text = "photo,totl,diameter_ft,total\nQB-1.jpg,96,3,97\n";
        let sheet = parse(text.as_bytes(), Path::new("counts.csv")).unwrap();
        assert_eq!(sheet.rows[0].hand.total, Some(97));
        assert_eq!(sheet.rows[0].diameter_mm, None);
        let told: Vec<String> = sheet.faults.iter().map(ToString::to_string).collect();
        for (told, name) in told.iter().zip(["totl", "diameter_ft"]) {
            let words = format!("counts.csv, line 1: the column {name:?} isn't known");
            assert!(told.starts_with(&words), "{told}");
        }
        assert_eq!(told.len(), 2);
    }

    #[test]
    fn a_mark_goes_to_its_photo_alone() {
        let text = "photo,total\na/log.jpg,9\nb/log.jpg,9\nc/end.jpg,9\n";
        let mut sheet = parse(text.as_bytes(), Path::new("counts.csv")).unwrap();
        let text =
            "photo,ring,distance_mm\na/log.jpg,1,9\nend.jpg,2,9\nlog.jpg,3,9\nd.jpg,4,9\n,5,9\n";
        let marks = super::super::marks::parse_file(text.as_bytes(), Path::new("marks.csv"));
        let told = sheet.give_marks(marks.unwrap().rows);
        let rings = |row: &Row| row.hand.marks.iter().map(|m| m.ring).collect::<Vec<_>>();
        let rings: Vec<_> = sheet.rows.iter().map(rings).collect();
        assert_eq!(rings, [vec![1], vec![], vec![2]]);
        let told: Vec<String> = told.iter().map(ToString::to_string).collect();
        for (told, words) in told.iter().zip([
            "marks.csv, line 4: a mark of \"log.jpg\", and 2 photos of that name",
            "marks.csv, line 5: a mark of \"d.jpg\", which the sheet doesn't have",
            "marks.csv, line 6: a mark without a photo",
        ]) {
            assert!(told.starts_with(words), "{told}");
        }
        assert_eq!(told.len(), 3);
    }

    #[test]
    fn a_sheet_needs_its_photo_column() {
        let told = parse(b"total\n97\n", Path::new("counts.csv")).unwrap_err();
        assert!(told.to_string().contains("no column \"photo\""), "{told}");
    }
}
