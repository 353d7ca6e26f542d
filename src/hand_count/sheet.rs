//! A sheet of hand counts: a CSV file with a row a photo.
//!
//! Columns: `photo` (its path from the sheet's folder, or from the folder given), and any of `total`,
//! `counted_by`, `counted_on`, `azimuth_deg` (of the line), `diameter` (of the face inside the bark,
//! with its unit, or `diameter_in` and the like) and `last_ring`. Marks come in a file of their own
//! ([`marks`](super::marks)).

use super::marks::{HandCount, Origin, Table, bytes_of};
use crate::error::Error;
use crate::length;
use std::collections::HashSet;
use std::path::Path;

/// A row of a sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The photo, as it is written.
    pub photo: String,
    /// The count; its marks are still to be added.
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
    /// The rows that could be read.
    pub rows: Vec<Row>,
    /// What is wrong with the others.
    pub faults: Vec<Error>,
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
    let mut sheet = Sheet::default();
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
        match columns.row(&cells, name, origin) {
            Ok(row) => {
                taken.insert(row.photo.clone());
                sheet.rows.push(row);
            }
            Err(fault) => sheet.faults.push(fault),
        }
    }
    Ok(sheet)
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
        let diameter = table.names.iter().enumerate().find_map(|(at, name)| {
            let unit = name.strip_prefix("diameter")?;
            Some((at, length::mm_per(unit.trim_start_matches('_'))))
        });
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
    fn a_sheet_needs_its_photo_column() {
        let told = parse(b"total\n97\n", Path::new("counts.csv")).unwrap_err();
        assert!(told.to_string().contains("no column \"photo\""), "{told}");
    }
}
