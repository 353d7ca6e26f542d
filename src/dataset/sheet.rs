//! The sheet of specimens: what a person knows of each photo and no photo tells.
//!
//! A CSV table, one row a photo. `blank` writes an empty one, `parse` reads and checks a whole one
//! before anything else is done, and tells every fault by line and column. Columns that are not ours
//! are kept. A row is matched to its reading by the photo's SHA-256 where the row has it, else by the
//! photo's file name.

use super::felled;
use super::sources::hexadecimal;
use crate::batch::Found;
use crate::error::Error;
use crate::settings::Region;
use csv::{ReaderBuilder, StringRecord};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::fs::File;
use std::io::{self, Read, Write};
use std::path::Path;

/// The columns of a sheet and what each is for.
pub const COLUMNS: [(&str, &str); 20] = [
    (
        "photo",
        "File of the photo; folders before the name are for people",
    ),
    (
        "photo_sha256",
        "SHA-256 of the photo's bytes; tells photos of one name apart",
    ),
    (
        "region_px",
        "Part of the photo that was read, X,Y,W,H px; empty: all of it",
    ),
    ("tree", "Tree; discs of one tree have the same"),
    (
        "disc",
        "Disc; its name in the dataset, each disc its own; empty: the photo's name",
    ),
    (
        "azimuths_deg",
        "Radii wanted, degrees clockwise from the right, with blanks between; empty: evenly spaced",
    ),
    ("species", "Species, in any words"),
    ("species_latin", "Species, Latin name"),
    ("place", "Place where the tree stood"),
    ("latitude_deg", "Latitude, degrees, north positive"),
    ("longitude_deg", "Longitude, degrees, east positive"),
    ("elevation_m", "Elevation above sea level, m"),
    ("cut_height_m", "Height of the cut above the ground, m"),
    ("felled", "Day of felling, YYYY-MM-DD, YYYY-MM or YYYY"),
    (
        "last_ring",
        "Year of the outermost ring; years are counted with a year 0 (2 BC is -1)",
    ),
    (
        "bark",
        "Whether bark is on the disc: yes, no, or empty where not known",
    ),
    ("collector", "Who took the disc"),
    ("mm_per_px", "Scale of the photo, mm a pixel"),
    (
        "diameter_mm",
        "Mean diameter of the face inside the bark, mm; gives the scale instead",
    ),
    ("notes", "Anything else"),
];

/// One row, checked.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Row {
    /// Line of the file that it stands in.
    pub line: u64,
    /// Photo as it is written, folders included.
    pub photo: String,
    /// SHA-256 of the photo; empty where the sheet doesn't tell.
    pub photo_sha256: String,
    /// Part of the photo.
    pub region_px: Option<Region>,
    /// Tree; empty where not told, as all texts here.
    pub tree: String,
    /// Disc.
    pub disc: String,
    /// Radii wanted, degrees, rising.
    pub azimuths_deg: Vec<f64>,
    /// Latitude and longitude, degrees.
    pub place_deg: Option<(f64, f64)>,
    /// Elevation, m.
    pub elevation_m: Option<f64>,
    /// Year of the outermost ring, as told or as it follows from the day of felling.
    pub last_ring: Option<i32>,
    /// Bark on the disc.
    pub bark: Option<bool>,
    /// Scale, mm a pixel.
    pub mm_per_px: Option<f64>,
    /// Mean diameter of the face inside the bark, mm.
    pub diameter_mm: Option<f64>,
    /// All cells as they are written, by column.
    pub cells: BTreeMap<String, String>,
}

impl Row {
    /// A cell as it is written; empty where there is none.
    pub fn cell(&self, column: &str) -> &str {
        self.cells.get(column).map_or("", String::as_str)
    }

    /// The photo's file name.
    pub fn file(&self) -> &str {
        self.photo.rsplit(['/', '\\']).next().unwrap_or(&self.photo)
    }
}

/// A whole sheet.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sheet {
    /// Columns that are not ours, in order.
    pub further: Vec<String>,
    /// Rows in the order of the file.
    pub rows: Vec<Row>,
    /// What a person should know though nothing is wrong: line and words.
    pub remarks: Vec<(u64, String)>,
}

/// Most faults of a sheet that are told.
const MOST_FAULTS: usize = 1000;

/// Reads a sheet and checks all of it; `path` is named in faults.
///
/// # Errors
/// [`Error::BadData`] for every fault, with its line and column.
pub fn parse(bytes: &[u8], path: &Path) -> Result<Sheet, Vec<Error>> {
    let mut check = Check {
        path,
        faults: Vec::new(),
    };
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    if bytes.starts_with(b"\xff\xfe") || bytes.starts_with(b"\xfe\xff") {
        check.fault(1, "", "UTF-16 text", "save the sheet as CSV in UTF-8");
        return Err(check.faults);
    }
    let mut reader = ReaderBuilder::new().flexible(true).from_reader(bytes);
    let header: Vec<String> = match reader.headers() {
        Ok(header) => header.iter().map(|h| h.trim().to_owned()).collect(),
        Err(_) => {
            check.fault(
                1,
                "",
                "signs that are no UTF-8",
                "save the sheet as CSV in UTF-8",
            );
            return Err(check.faults);
        }
    };
    check.header(&header);
    if !check.faults.is_empty() {
        return Err(check.faults);
    }
    let mut sheet = Sheet {
        further: header
            .iter()
            .filter(|name| !name.is_empty() && !is_ours(name))
            .cloned()
            .collect(),
        ..Sheet::default()
    };
    let mut record = StringRecord::new();
    loop {
        match reader.read_record(&mut record) {
            Ok(true) => {
                let line = record.position().map_or(0, csv::Position::line);
                if record.iter().all(|cell| cell.trim().is_empty()) {
                    continue;
                }
                if let Some(row) = check.row(&record, line, &header, &mut sheet.remarks) {
                    sheet.rows.push(row);
                }
            }
            Ok(false) => break,
            Err(refused) => {
                let line = refused.position().map_or(0, csv::Position::line);
                check.fault(
                    line,
                    "",
                    "signs that are no UTF-8",
                    "save the sheet as CSV in UTF-8",
                );
            }
        }
    }
    check.rows_together(&sheet.rows);
    if check.faults.is_empty() {
        Ok(sheet)
    } else {
        check.faults.sort_by_key(|fault| match fault {
            Error::BadData { line, .. } => *line,
            _ => None,
        });
        check.faults.truncate(MOST_FAULTS);
        Err(check.faults)
    }
}

fn is_ours(name: &str) -> bool {
    COLUMNS.iter().any(|(ours, _)| *ours == name)
}

/// Writes a sheet: our columns, then the further ones.
///
/// # Errors
/// What `out` says on writing.
pub fn write(out: impl Write, sheet: &Sheet) -> io::Result<()> {
    let mut csv = csv::Writer::from_writer(out);
    let names: Vec<&str> = COLUMNS
        .iter()
        .map(|(name, _)| *name)
        .chain(sheet.further.iter().map(String::as_str))
        .collect();
    csv.write_record(&names)?;
    for row in &sheet.rows {
        csv.write_record(names.iter().map(|name| row.cell(name)))?;
    }
    csv.flush()
}

/// An empty sheet with a row for each photo: its path below the folder that was given, and the SHA-256
/// of its bytes. `step` is called after each; photos that can't be read are told and left out.
pub fn blank(photos: &[Found], step: &mut dyn FnMut()) -> (Sheet, Vec<Error>) {
    let (mut sheet, mut refused) = (Sheet::default(), Vec::new());
    for found in photos {
        let photo = found.below.to_string_lossy().replace('\\', "/");
        match hash_of(&found.path) {
            Ok(photo_sha256) => sheet.rows.push(Row {
                cells: BTreeMap::from([
                    ("photo".to_owned(), photo.clone()),
                    ("photo_sha256".to_owned(), photo_sha256.clone()),
                ]),
                photo,
                photo_sha256,
                ..Row::default()
            }),
            Err(source) => refused.push(Error::Unreadable {
                path: found.path.clone(),
                source,
            }),
        }
        step();
    }
    (sheet, refused)
}

fn hash_of(path: &Path) -> io::Result<String> {
    let (mut file, mut hash, mut buffer) = (File::open(path)?, Sha256::new(), vec![0; 1 << 18]);
    loop {
        let read = file.read(&mut buffer)?;
        if read == 0 {
            return Ok(hexadecimal(&hash.finalize()));
        }
        hash.update(&buffer[..read]);
    }
}

/// The rows of both sheets; where both have one for a photo (and part of it), that of `newer`. Further
/// columns come in the order of their names and rows in that of their photos, so that the result
/// doesn't depend on the order in which sheets were given.
#[must_use]
pub fn merge(older: Sheet, newer: Sheet) -> Sheet {
    let mut further: Vec<String> = older.further;
    further.extend(newer.further);
    further.sort();
    further.dedup();
    let mut rows: BTreeMap<usize, Row> = BTreeMap::new();
    let mut places: HashMap<(String, String), usize> = HashMap::new();
    for (place, row) in older.rows.into_iter().chain(newer.rows).enumerate() {
        // A row stands for the photo of its name and for that of its SHA-256.
        for name in [&row.photo, &row.photo_sha256] {
            if name.is_empty() {
                continue;
            }
            let key = (name.clone(), row.cell("region_px").to_owned());
            if let Some(before) = places.insert(key, place) {
                rows.remove(&before);
            }
        }
        rows.insert(place, row);
    }
    let mut rows: Vec<Row> = rows.into_values().collect();
    rows.sort_by(|a, b| {
        let order = |r: &Row| {
            (
                r.photo.clone(),
                r.cell("region_px").to_owned(),
                r.photo_sha256.clone(),
            )
        };
        order(a).cmp(&order(b))
    });
    Sheet {
        further,
        rows,
        remarks: newer.remarks,
    }
}

/// The faults that have been found.
struct Check<'a> {
    path: &'a Path,
    faults: Vec<Error>,
}

impl Check<'_> {
    fn fault(
        &mut self,
        line: u64,
        column: &str,
        what: impl AsRef<str>,
        way_out: impl Into<String>,
    ) {
        let what = what.as_ref();
        self.faults.push(Error::BadData {
            path: self.path.to_path_buf(),
            line: (line > 0).then_some(line),
            what: if column.is_empty() {
                what.to_owned()
            } else {
                format!("column {column}: {what}")
            },
            way_out: way_out.into(),
        });
    }

    fn header(&mut self, header: &[String]) {
        if header.len() == 1 && header[0].contains([';', '\t']) {
            let way_out = "save the sheet with commas between the cells and decimal points";
            self.fault(1, "", "cells that are not parted by commas", way_out);
            return;
        }
        if !header.iter().any(|name| name == "photo") {
            self.fault(
                1,
                "",
                "no column photo",
                "endgrain specimens writes an empty sheet",
            );
        }
        let mut seen = BTreeSet::new();
        for name in header {
            if !name.is_empty() && !seen.insert(name) {
                self.fault(1, name, "there twice", "give each column its own name");
            }
        }
    }

    /// Checks one row by itself; none where it has no photo.
    fn row(
        &mut self,
        record: &StringRecord,
        line: u64,
        header: &[String],
        remarks: &mut Vec<(u64, String)>,
    ) -> Option<Row> {
        if record.len() != header.len() {
            let what = format!("{} cells", record.len());
            let way_out = format!(
                "give it {}, as in the header line; put text with commas in quotes",
                header.len()
            );
            self.fault(line, "", what, way_out);
            return None;
        }
        let cells: BTreeMap<String, String> = header
            .iter()
            .zip(record)
            .filter(|(name, _)| !name.is_empty())
            .map(|(name, cell)| (name.clone(), cell.trim().to_owned()))
            .collect();
        let mut row = Row {
            line,
            cells,
            ..Row::default()
        };
        row.photo = row.cell("photo").to_owned();
        if row.photo.is_empty() {
            self.fault(line, "photo", "empty", "name the photo's file");
            return None;
        }
        row.tree = row.cell("tree").to_owned();
        row.disc = row.cell("disc").to_owned();
        row.photo_sha256 = row.cell("photo_sha256").to_ascii_lowercase();
        let sha = &row.photo_sha256;
        let is_hash = sha.len() == 64 && sha.bytes().all(|b| b.is_ascii_hexdigit());
        if !sha.is_empty() && !is_hash {
            self.fault(
                line,
                "photo_sha256",
                "no SHA-256",
                "give 64 hexadecimal digits or nothing",
            );
        }
        row.region_px = self.region(&row);
        row.azimuths_deg = self.azimuths(&row);
        let number = |check: &mut Self, column: &str, low: f64, high: f64, words: &str| {
            check.number(&row, column, low, high, words)
        };
        let latitude = number(self, "latitude_deg", -90.0, 90.0, "degrees from -90 to 90");
        let longitude = number(
            self,
            "longitude_deg",
            -180.0,
            180.0,
            "degrees from -180 to 180",
        );
        // The Dead Sea's shore and above the highest trees; common knowledge.
        let elevation_m = number(
            self,
            "elevation_m",
            -450.0,
            6000.0,
            "metres from -450 to 6000",
        );
        number(self, "cut_height_m", 0.0, 130.0, "metres from 0 to 130");
        let mm_per_px = number(
            self,
            "mm_per_px",
            1e-6,
            100.0,
            "millimetres a pixel, above 0",
        );
        let diameter_mm = number(
            self,
            "diameter_mm",
            1.0,
            20_000.0,
            "millimetres from 1 to 20000",
        );
        if mm_per_px.is_some() && diameter_mm.is_some() {
            let way_out = "give one of the two";
            self.fault(
                line,
                "diameter_mm",
                "a second scale beside mm_per_px",
                way_out,
            );
        }
        let is_empty = |column: &str| row.cell(column).is_empty();
        if is_empty("latitude_deg") != is_empty("longitude_deg") {
            let column = if is_empty("latitude_deg") {
                "latitude_deg"
            } else {
                "longitude_deg"
            };
            let way_out = "give latitude and longitude, or neither";
            self.fault(line, column, "empty", way_out);
        }
        row.place_deg = latitude.zip(longitude);
        (row.elevation_m, row.mm_per_px, row.diameter_mm) = (elevation_m, mm_per_px, diameter_mm);
        row.bark = match row.cell("bark").to_ascii_lowercase().as_str() {
            "" => None,
            "yes" => Some(true),
            "no" => Some(false),
            other => {
                self.fault(
                    line,
                    "bark",
                    format!("{other:?}"),
                    "give yes, no, or nothing where it is not known",
                );
                None
            }
        };
        row.last_ring = self.last_ring(&row, remarks);
        Some(row)
    }

    fn number(&mut self, row: &Row, column: &str, low: f64, high: f64, words: &str) -> Option<f64> {
        let text = row.cell(column);
        if text.is_empty() {
            return None;
        }
        match text.parse::<f64>() {
            Ok(value) if (low..=high).contains(&value) => Some(value),
            _ => {
                let comma = if text.contains(',') {
                    " with a decimal point"
                } else {
                    ""
                };
                self.fault(
                    row.line,
                    column,
                    format!("{text:?}"),
                    format!("give {words}{comma}"),
                );
                None
            }
        }
    }

    fn region(&mut self, row: &Row) -> Option<Region> {
        let text = row.cell("region_px");
        if text.is_empty() {
            return None;
        }
        let sides: Option<Vec<u32>> = text
            .split([',', ' '])
            .filter(|p| !p.is_empty())
            .map(|p| p.parse().ok())
            .collect();
        if let Some(&[x_px, y_px, width_px, height_px]) = sides.as_deref() {
            return Some(Region {
                x_px,
                y_px,
                width_px,
                height_px,
            });
        }
        self.fault(
            row.line,
            "region_px",
            format!("{text:?}"),
            "give X,Y,W,H in whole pixels",
        );
        None
    }

    fn azimuths(&mut self, row: &Row) -> Vec<f64> {
        let text = row.cell("azimuths_deg");
        let mut azimuths = Vec::new();
        for part in text.split([' ', ';', ',']).filter(|part| !part.is_empty()) {
            match part.parse::<f64>() {
                Ok(azimuth) if (0.0..360.0).contains(&azimuth) => azimuths.push(azimuth),
                _ => self.fault(
                    row.line,
                    "azimuths_deg",
                    format!("{part:?}"),
                    "give degrees from 0 up to, not including, 360, with blanks between",
                ),
            }
        }
        azimuths.sort_by(f64::total_cmp);
        azimuths.dedup_by(|a, b| (*a - *b).abs() < 1e-9);
        azimuths
    }

    /// The year of the outermost ring, told or as it follows from the felling.
    fn last_ring(&mut self, row: &Row, remarks: &mut Vec<(u64, String)>) -> Option<i32> {
        let (felled_text, text) = (row.cell("felled"), row.cell("last_ring"));
        let day = match felled_text {
            "" => None,
            text => match felled::parse(text) {
                Some(day) => Some(day),
                None => {
                    self.fault(
                        row.line,
                        "felled",
                        format!("{text:?}"),
                        "give a day as 2023-07-10, 2023-07 or 2023",
                    );
                    None
                }
            },
        };
        let told = match text {
            "" => None,
            text => match text.parse::<i32>() {
                Ok(year) if (-20_000..=9999).contains(&year) => Some(year),
                _ => {
                    self.fault(
                        row.line,
                        "last_ring",
                        format!("{text:?}"),
                        "give a year such as 2023",
                    );
                    None
                }
            },
        };
        if let (Some(day), Some(year)) = (day, told)
            && year > day.year
        {
            let what = format!("{year}, a ring grown after the felling in {}", day.year);
            self.fault(row.line, "last_ring", what, "set one of the two right");
        }
        if told.is_some() || day.is_none() {
            return told;
        }
        let follows = day.and_then(|day| day.outermost_ring(row.place_deg.map(|p| p.0), row.bark));
        if follows.is_none() {
            remarks.push((
                row.line,
                format!(
                    "felled {felled_text}: the year of the outermost ring doesn't follow from that for sure; give last_ring to date the rings"
                ),
            ));
        }
        follows
    }

    /// Checks rows against each other.
    fn rows_together(&mut self, rows: &[Row]) {
        let mut photos: HashMap<(&str, &str), u64> = HashMap::new();
        let mut discs: HashMap<&str, u64> = HashMap::new();
        let mut trees: HashMap<&str, &Row> = HashMap::new();
        for row in rows {
            let photo = if row.photo_sha256.is_empty() {
                row.photo.as_str()
            } else {
                row.photo_sha256.as_str()
            };
            if let Some(line) = photos.insert((photo, row.cell("region_px")), row.line) {
                let what = format!("{:?} is also in line {line}", row.photo);
                self.fault(row.line, "photo", what, "give each photo one row");
            }
            if !row.disc.is_empty()
                && let Some(line) = discs.insert(&row.disc, row.line)
            {
                let what = format!("{:?} is also in line {line}", row.disc);
                self.fault(row.line, "disc", what, "give each disc a name of its own");
            }
            if row.tree.is_empty() {
                continue;
            }
            let Some(first) = trees.get(row.tree.as_str()) else {
                trees.insert(&row.tree, row);
                continue;
            };
            for column in ["place", "species", "species_latin"] {
                let (here, there) = (row.cell(column), first.cell(column));
                if !here.is_empty() && !there.is_empty() && here != there {
                    let what = format!(
                        "{here:?}, but {there:?} in line {} for the tree {}",
                        first.line, row.tree
                    );
                    self.fault(
                        row.line,
                        column,
                        what,
                        "a tree has one; set one of the two right",
                    );
                }
            }
        }
    }
}
