//! A hand count: its total and its marks, as people write them down.
//!
//! A mark says that the outer edge of a ring, counted from the pith, lies at some place: at a
//! distance from the pith along the line that was counted on, at a diameter, or at a point in the
//! photo. On the command line a mark is `RING@PLACE`: `20@3.2in`, `40@190mm dia`, `60@1210,985`. In a
//! CSV file it is a row of `ring` with `x_px` and `y_px`, or with one of `distance`, `radius` (the
//! same) and `diameter`; a length carries its unit in the cell or, as `diameter_in`, in the header.
//! A `photo` column sends each row to its photo.

use crate::error::Error;
use crate::length::{self, Length};
use std::path::{Path, PathBuf};

/// A count by hand of one disc.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct HandCount {
    /// Rings from the pith to the bark.
    pub total: Option<u32>,
    /// Who counted.
    pub counted_by: Option<String>,
    /// When, as it was written.
    pub counted_on: Option<String>,
    /// The marks, in the order in which they were given.
    pub marks: Vec<Mark>,
}

/// A mark at a ring's outer edge.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// The ring's number by the hand, from 1 at the pith.
    pub ring: u32,
    /// Where it is.
    pub place: Place,
    /// Where it was written.
    pub origin: Origin,
}

/// Where a mark is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Place {
    /// At a distance from the pith along the line that was counted on.
    Distance(Length),
    /// Where the face has this diameter.
    Diameter(Length),
    /// At a point in the photo, px.
    Point {
        /// From the left, px.
        x_px: f64,
        /// From above, px.
        y_px: f64,
    },
}

/// Where a mark was written: a file and its line, or an argument.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Origin {
    /// The file, or the option and its value.
    pub path: PathBuf,
    /// Line of the file, from 1.
    pub line: Option<u64>,
}

impl Origin {
    /// An error about what was written there.
    pub fn fault(&self, what: impl Into<String>, way_out: impl Into<String>) -> Error {
        Error::BadData {
            path: self.path.clone(),
            line: self.line,
            what: what.into(),
            way_out: way_out.into(),
        }
    }
}

/// What a mark on the command line should look like.
const WANTED: &str = "give RING@PLACE, such as 20@3.2in (distance from the pith), 40@190mm dia (diameter there) or 60@1210,985 (a point in the photo, px)";

impl Mark {
    /// Reads a mark as it is written on the command line.
    ///
    /// # Errors
    /// A sentence that says what is wrong and what to write.
    pub fn parse(text: &str) -> Result<Mark, String> {
        let (ring, place) = text
            .split_once('@')
            .ok_or_else(|| format!("a mark without @; {WANTED}"))?;
        let ring = ring_number(ring)?;
        let place = place.trim();
        let place = if let Some((x, y)) = place.split_once(',') {
            point(x, y)?
        } else {
            let (is_diameter, bare) = match place.rsplit_once(char::is_whitespace) {
                Some((bare, "dia" | "diameter")) => (true, bare),
                Some((bare, "radius" | "distance")) => (false, bare),
                _ => match place.strip_suffix("dia") {
                    Some(bare) => (true, bare),
                    None => (false, place),
                },
            };
            lengthy(is_diameter, checked(length::parse(bare), bare)?)
        };
        let path = PathBuf::from(format!("--mark {text}"));
        Ok(Mark {
            ring,
            place,
            origin: Origin { path, line: None },
        })
    }
}

fn ring_number(text: &str) -> Result<u32, String> {
    match text.trim().parse::<u32>() {
        Ok(0) => Err("ring 0 is no ring; number them from 1 at the pith".into()),
        Ok(ring) => Ok(ring),
        Err(_) => Err(format!(
            "{:?} is no ring's number; give a whole number, counted from 1 at the pith",
            text.trim()
        )),
    }
}

fn point(x: &str, y: &str) -> Result<Place, String> {
    let number = |text: &str| {
        let value: Option<f64> = text.trim().parse().ok();
        value.filter(|v| v.is_finite()).ok_or_else(|| {
            format!(
                "{:?} is no place in a photo; give pixels from the upper left, such as 1210,985",
                text.trim()
            )
        })
    };
    Ok(Place::Point {
        x_px: number(x)?,
        y_px: number(y)?,
    })
}

/// A length above nothing; told with what was written.
fn checked(parsed: Result<Length, String>, written: &str) -> Result<Length, String> {
    let length = parsed.map_err(|wanted| {
        let written = written.trim();
        format!("{written:?} is no length with a known unit (mm, cm, m, in); {wanted}")
    })?;
    if length.mm > 0.0 {
        Ok(length)
    } else {
        Err("a mark at no distance from the pith; give the ring's outer edge".into())
    }
}

fn lengthy(is_diameter: bool, length: Length) -> Place {
    if is_diameter {
        Place::Diameter(length)
    } else {
        Place::Distance(length)
    }
}

/// A row of a file of marks.
#[derive(Debug, Clone, PartialEq)]
pub struct MarkRow {
    /// The photo that it belongs to, where the file has that column.
    pub photo: Option<String>,
    /// The mark.
    pub mark: Mark,
}

/// What a file of marks holds: its good rows, and a sentence for each bad one.
#[derive(Debug, Default)]
pub struct MarkFile {
    /// The rows that could be read.
    pub rows: Vec<MarkRow>,
    /// What is wrong with the others.
    pub faults: Vec<Error>,
}

/// Reads a CSV file of marks.
///
/// # Errors
/// [`Error::Unreadable`], [`Error::Empty`], and [`Error::BadData`] where the header lacks a column
/// that is needed: then no row can be read. Bad rows are no error: they are in `faults`.
pub fn load(path: &Path) -> Result<MarkFile, Error> {
    parse_file(&bytes_of(path)?, path)
}

/// Reads a CSV file of marks from its bytes; `path` is what messages call it.
///
/// # Errors
/// As [`load`], but for [`Error::Unreadable`].
pub fn parse_file(bytes: &[u8], path: &Path) -> Result<MarkFile, Error> {
    let mut table = Table::open(bytes, path)?;
    let ring = table.needed("ring", "ring,x_px,y_px or ring,distance or ring,diameter")?;
    let photo = table.column("photo");
    let columns = Columns::of(&table)?;
    let mut file = MarkFile::default();
    while let Some(row) = table.next_row() {
        let (line, cells) = match row {
            Ok(row) => row,
            Err(fault) => {
                file.faults.push(fault);
                continue;
            }
        };
        let origin = Origin {
            path: path.to_path_buf(),
            line: Some(line),
        };
        let read = ring_number(cells.get(ring))
            .and_then(|ring| Ok((ring, columns.place(&cells)?)))
            .map(|(ring, place)| MarkRow {
                photo: photo
                    .map(|at| cells.get(at).to_owned())
                    .filter(|name| !name.is_empty()),
                mark: Mark {
                    ring,
                    place,
                    origin: origin.clone(),
                },
            });
        match read {
            Ok(row) => file.rows.push(row),
            Err(sentence) => {
                let (what, way_out) = sentence.split_once("; ").unwrap_or((&sentence, WANTED));
                file.faults.push(origin.fault(what, way_out));
            }
        }
    }
    Ok(file)
}

/// The columns that say where a mark is.
struct Columns {
    point: Option<(usize, usize)>,
    /// Column, whether it is a diameter, and the unit of its header.
    lengths: Vec<(usize, bool, Option<f64>)>,
}

impl Columns {
    fn of(table: &Table<'_>) -> Result<Self, Error> {
        let point = table.column("x_px").zip(table.column("y_px"));
        let mut lengths = Vec::new();
        for (at, name) in table.names.iter().enumerate() {
            let (base, unit) = match name.rsplit_once('_') {
                Some((base, unit)) => (base, length::mm_per(unit)),
                None => (name.as_str(), None),
            };
            let is_diameter = match base {
                "diameter" => true,
                "distance" | "radius" => false,
                _ => continue,
            };
            if name != base && unit.is_none() {
                return Err(table.header_fault(
                    format!("the column {name:?} has an unknown unit"),
                    "known are mm, cm, m and in, as in diameter_in",
                ));
            }
            lengths.push((at, is_diameter, unit));
        }
        if point.is_none() && lengths.is_empty() {
            return Err(table.header_fault(
                "no column says where a mark is",
                "give x_px and y_px, or distance, radius or diameter with a unit, as in distance_mm",
            ));
        }
        Ok(Columns { point, lengths })
    }

    /// The one place that a row gives.
    fn place(&self, cells: &Cells) -> Result<Place, String> {
        let mut places = Vec::new();
        if let Some((x, y)) = self.point
            && !(cells.get(x).is_empty() && cells.get(y).is_empty())
        {
            places.push(point(cells.get(x), cells.get(y))?);
        }
        for (at, is_diameter, unit) in &self.lengths {
            let cell = cells.get(*at);
            if cell.is_empty() {
                continue;
            }
            let parsed = match unit {
                Some(mm) if cell.ends_with(|sign: char| sign.is_ascii_digit()) => {
                    length::parse_in(cell, *mm)
                }
                _ => length::parse(cell),
            };
            places.push(lengthy(*is_diameter, checked(parsed, cell)?));
        }
        match places.as_slice() {
            [place] => Ok(*place),
            [] => Err("a mark without a place; give a point, a distance or a diameter".into()),
            _ => Err("a mark with two places; leave one of them empty".into()),
        }
    }
}

/// The bytes of a file of data.
pub(super) fn bytes_of(path: &Path) -> Result<Vec<u8>, Error> {
    std::fs::read(path).map_err(|source| Error::Unreadable {
        path: path.to_path_buf(),
        source,
    })
}

/// A CSV file with a header: comma, semicolon or tab between cells, told by the header.
pub(super) struct Table<'a> {
    path: &'a Path,
    /// Column names, lower case, blanks and hyphens as `_`.
    pub(super) names: Vec<String>,
    bytes: &'a [u8],
    reader: csv::Reader<&'a [u8]>,
    /// Bytes that were looked at for line ends, and how many those have.
    counted: (usize, u64),
}

/// The cells of one row, without blanks round them.
pub(super) struct Cells(csv::StringRecord);

impl Cells {
    pub(super) fn get(&self, at: usize) -> &str {
        self.0.get(at).unwrap_or("").trim()
    }

    fn is_blank(&self) -> bool {
        self.0.iter().all(|cell| cell.trim().is_empty())
    }
}

impl<'a> Table<'a> {
    pub(super) fn open(bytes: &'a [u8], path: &'a Path) -> Result<Self, Error> {
        // Spreadsheets put a mark of the encoding before the header.
        let bytes = bytes.strip_prefix("\u{feff}".as_bytes()).unwrap_or(bytes);
        if bytes.iter().all(u8::is_ascii_whitespace) {
            return Err(Error::Empty {
                path: path.to_path_buf(),
            });
        }
        let head = bytes.split(|byte| *byte == b'\n').next().unwrap_or(bytes);
        let often = |sign: u8| head.iter().filter(|byte| **byte == sign).count();
        let delimiter = [b';', b'\t']
            .into_iter()
            .find(|sign| often(*sign) > often(b','))
            .unwrap_or(b',');
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(delimiter)
            .flexible(true)
            .from_reader(bytes);
        let fault = |source: &csv::Error| Error::BadData {
            path: path.to_path_buf(),
            line: Some(1),
            what: format!("the header can't be read: {source}"),
            way_out: "save the table as CSV in UTF-8".into(),
        };
        let names = reader
            .headers()
            .map_err(|source| fault(&source))?
            .iter()
            .map(|name| name.trim().to_lowercase().replace([' ', '-'], "_"))
            .collect();
        Ok(Table {
            path,
            names,
            bytes,
            reader,
            counted: (0, 0),
        })
    }

    pub(super) fn column(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|n| n == name)
    }

    /// A column that the file can't do without.
    pub(super) fn needed(&self, name: &str, wanted: &str) -> Result<usize, Error> {
        self.column(name).ok_or_else(|| {
            self.header_fault(
                format!("no column {name:?}"),
                format!("the first line names the columns: {wanted}"),
            )
        })
    }

    pub(super) fn header_fault(
        &self,
        what: impl Into<String>,
        way_out: impl Into<String>,
    ) -> Error {
        Error::BadData {
            path: self.path.to_path_buf(),
            line: Some(1),
            what: what.into(),
            way_out: way_out.into(),
        }
    }

    /// Line, from 1, of the row that begins at a byte or after the empty lines there: the reader counts
    /// those to the row. Rows come in order, so that the bytes are gone through once.
    fn line_at(&mut self, byte: u64) -> u64 {
        let mut at = usize::try_from(byte).map_or(self.bytes.len(), |b| b.min(self.bytes.len()));
        while matches!(self.bytes.get(at), Some(b'\n' | b'\r')) {
            at += 1;
        }
        let (from, before) = self.counted;
        let more = self.bytes.get(from..at).unwrap_or_default();
        let ends = more.iter().filter(|byte| **byte == b'\n').count();
        let ends = before.saturating_add(u64::try_from(ends).unwrap_or(u64::MAX));
        self.counted = (at.max(from), ends);
        ends.saturating_add(1)
    }

    /// The next row that isn't blank, with its line.
    pub(super) fn next_row(&mut self) -> Option<Result<(u64, Cells), Error>> {
        loop {
            let mut record = csv::StringRecord::new();
            let line = self.reader.position().line();
            match self.reader.read_record(&mut record) {
                Ok(false) => return None,
                Ok(true) => {
                    let byte = record.position().map(csv::Position::byte);
                    let line = byte.map_or(line, |byte| self.line_at(byte));
                    let cells = Cells(record);
                    if !cells.is_blank() {
                        return Some(Ok((line, cells)));
                    }
                }
                Err(source) => {
                    return Some(Err(Error::BadData {
                        path: self.path.to_path_buf(),
                        line: Some(source.position().map_or(line, csv::Position::line)),
                        what: format!("a row that can't be read: {source}"),
                        way_out: "save the table as CSV in UTF-8".into(),
                    }));
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mm(place: Place) -> (bool, f64) {
        match place {
            Place::Distance(l) => (false, l.mm),
            Place::Diameter(l) => (true, l.mm),
            Place::Point { .. } => panic!("a point"),
        }
    }

    #[test]
    fn marks_on_the_command_line_are_a_ring_and_a_place() {
        // 3.2 x 25.4 = 81.28, the inch being 25.4 mm by definition.
        let (is_diameter, value) = mm(Mark::parse("20@3.2in").unwrap().place);
        assert!(!is_diameter && (value - 81.28).abs() < 1e-9);
        for text in ["40@190mm dia", "40@19cm diameter", "40@190mmdia"] {
            let mark = Mark::parse(text).unwrap();
            assert_eq!((mark.ring, mm(mark.place)), (40, (true, 190.0)), "{text}");
        }
        let point = Mark::parse("60@1210,985.5").unwrap().place;
        assert_eq!(
            point,
            Place::Point {
                x_px: 1210.0,
                y_px: 985.5
            }
        );
    }

    #[test]
    fn a_bad_mark_says_what_is_wrong_with_it() {
        for (text, words) in [
            ("20", "without @"),
            ("x@3in", "no ring's number"),
            ("0@3in", "ring 0"),
            ("20@3ft", "known unit"),
            ("20@3", "known unit"),
            ("20@0mm", "no distance"),
            ("20@a,b", "no place"),
            ("20@inf,1", "no place"),
        ] {
            let told = Mark::parse(text).unwrap_err();
            assert!(told.contains(words), "{text}: {told}");
        }
    }

    #[test]
    fn a_file_of_marks_has_points_or_lengths_and_keeps_its_good_rows() {
        let path = Path::new("marks.csv");
        let text = "\u{feff}photo;ring;distance_in;diameter\n\
                    QB-1.jpg;10;1.5;\n\
                    QB-1.jpg;20;;190mm\n\
                    \n\
                    QB-1.jpg;30;5ft;\n\
                    QB-1.jpg;x;2;\n\
                    QB-1.jpg;50;2;3mm\n\
                    QB-1.jpg;60;;\n\
                    QB-2.jpg;10;40mm;\n";
        let file = parse_file(text.as_bytes(), path).unwrap();
        let rows: Vec<_> = file
            .rows
            .iter()
            .map(|row| (row.photo.as_deref(), row.mark.ring, mm(row.mark.place)))
            .collect();
        assert_eq!(rows[0], (Some("QB-1.jpg"), 10, (false, 1.5 * 25.4)));
        assert_eq!(rows[1], (Some("QB-1.jpg"), 20, (true, 190.0)));
        assert_eq!(rows[2], (Some("QB-2.jpg"), 10, (false, 40.0)));
        let told: Vec<String> = file.faults.iter().map(ToString::to_string).collect();
        for (told, words) in told.iter().zip([
            "marks.csv, line 5: \"5ft\" is no length",
            "marks.csv, line 6: \"x\" is no ring's number",
            "marks.csv, line 7: a mark with two places",
            "marks.csv, line 8: a mark without a place",
        ]) {
            assert!(told.starts_with(words), "{told}");
        }
        assert_eq!(told.len(), 4);
    }

    /// Found while its fuzz target was written: each row's line was counted from the first byte, and each photo of a sheet was
    /// looked for among all before it.
    #[test]
    fn a_long_file_takes_time_with_its_length_only() {
        let mut text = "photo,ring,distance_mm,total\n".to_owned();
        for i in 0..200_000 {
            text.push_str(&format!("log-{i}.jpg,1,40,7\n"));
        }
        text.push_str("log-0.jpg,x,,x\n");
        let begun = std::time::Instant::now();
        let marks = parse_file(text.as_bytes(), Path::new("marks.csv")).unwrap();
        let sheet = crate::hand_count::sheet::parse(text.as_bytes(), Path::new("counts.csv"));
        // Ten minutes and more before.
        assert!(begun.elapsed() < std::time::Duration::from_secs(60));
        assert_eq!((marks.rows.len(), marks.faults.len()), (200_000, 1));
        let told = marks.faults[0].to_string();
        assert!(told.starts_with("marks.csv, line 200002: "), "{told}");
        // After the two columns that a sheet doesn't have.
        let told = sheet.unwrap().faults[2].to_string();
        assert!(
            told.starts_with("counts.csv, line 200002: log-0.jpg a second"),
            "{told}"
        );
    }

    #[test]
    fn a_file_without_the_columns_is_refused() {
        let path = Path::new("marks.csv");
        for (text, words) in [
            ("", "empty"),
            ("number,x_px,y_px\n", "no column \"ring\""),
            ("ring,colour\n", "no column says where"),
            ("ring,diameter_ft\n", "unknown unit"),
        ] {
            let told = parse_file(text.as_bytes(), path).unwrap_err().to_string();
            assert!(told.contains(words), "{told}");
        }
    }
}
