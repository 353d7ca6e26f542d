//! Where readings come from: files of readings, folders of them, JSON lines, other datasets.
//!
//! A reading is kept as it is written, but for blanks outside its strings: one line of JSON. Its
//! SHA-256 is that of this line, so that the same reading has the same hash however it was laid out.

use crate::error::Error;
use crate::reading::{self, Reading};
use crate::settings::Region;
use serde::Deserialize;
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{BufRead, BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use walkdir::WalkDir;

/// What tells one reading's subject from another's: the photo, and the part of it that was read.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub(super) struct Key {
    pub(super) photo_sha256: String,
    /// `X,Y,W,H`; empty for the whole photo.
    pub(super) region: String,
}

impl Key {
    fn of(photo_sha256: &str, region: Option<Region>) -> Self {
        Key {
            photo_sha256: photo_sha256.to_owned(),
            region: region.map_or(String::new(), |r| region_text(&r)),
        }
    }
}

/// A part of a photo as the sheet writes it.
pub(super) fn region_text(r: &Region) -> String {
    format!("{},{},{},{}", r.x_px, r.y_px, r.width_px, r.height_px)
}

/// Where a reading's line lies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Place {
    pub(super) path: PathBuf,
    /// Offset and length in the file, bytes; `None`: the whole file.
    pub(super) part: Option<(u64, u64)>,
    /// Line in the file where it holds several readings.
    pub(super) line: Option<u64>,
}

/// A reading that is there, without its boundaries.
#[derive(Debug, Clone)]
pub(super) struct Entry {
    pub(super) key: Key,
    /// File name of its photo.
    pub(super) photo: String,
    pub(super) version: String,
    /// SHA-256 of its line.
    pub(super) sha256: String,
    pub(super) place: Place,
}

/// The head of a reading; the rest is passed over.
#[derive(Debug, Deserialize)]
struct Head {
    program: reading::Program,
    photo: reading::PhotoRecord,
    options: Option<HeadOptions>,
}

#[derive(Debug, Deserialize)]
struct HeadOptions {
    region_px: Option<Region>,
}

/// Longest line of JSON lines, bytes: 5,000 rings of 360 radii take about 20 MB.
const LONGEST: u64 = 200_000_000;

/// Finds the places of readings under the paths given: a folder is walked for files ending in
/// `.rings.json`, or taken for a dataset where it holds one; a file ending in `.jsonl` has a reading a
/// line; any other file is a reading.
pub(super) fn find(given: &[PathBuf], refused: &mut Vec<Error>) -> Vec<Place> {
    let mut places = Vec::new();
    for path in given {
        if path.is_dir() && path.join(super::PACKAGE).is_file() {
            lines(&path.join(super::READINGS), &mut places, refused);
        } else if path.is_dir() {
            walk(path, &mut places, refused);
        } else if path.extension().is_some_and(|e| e == "jsonl") {
            lines(path, &mut places, refused);
        } else {
            places.push(Place {
                path: path.clone(),
                part: None,
                line: None,
            });
        }
    }
    places
}

fn walk(folder: &Path, places: &mut Vec<Place>, refused: &mut Vec<Error>) {
    let is_hidden =
        |entry: &walkdir::DirEntry| entry.file_name().as_encoded_bytes().starts_with(b".");
    let entries = WalkDir::new(folder)
        .follow_links(true)
        .sort_by_file_name()
        .into_iter()
        .filter_entry(|entry| entry.depth() == 0 || !is_hidden(entry));
    for entry in entries {
        match entry {
            Ok(entry) if entry.file_type().is_file() => {
                if entry
                    .file_name()
                    .as_encoded_bytes()
                    .ends_with(b".rings.json")
                {
                    places.push(Place {
                        path: entry.into_path(),
                        part: None,
                        line: None,
                    });
                }
            }
            Ok(_) => {}
            Err(error) => refused.push(Error::Unreadable {
                path: error.path().unwrap_or(folder).to_path_buf(),
                source: error.into(),
            }),
        }
    }
}

/// The places of the lines of a file; a last line without its end is one that was cut short.
pub(super) fn lines(path: &Path, places: &mut Vec<Place>, refused: &mut Vec<Error>) {
    let unreadable = |source| Error::Unreadable {
        path: path.to_path_buf(),
        source,
    };
    let mut input = match File::open(path) {
        Ok(file) => BufReader::with_capacity(1 << 20, file),
        Err(source) => return refused.push(unreadable(source)),
    };
    let (mut offset, mut number) = (0, 0);
    loop {
        let length = match line_length(&mut input) {
            Ok(0) => return,
            Ok(length) => length,
            Err(source) => return refused.push(unreadable(source)),
        };
        number += 1;
        // An empty line is no reading.
        if length > 1 {
            places.push(Place {
                path: path.to_path_buf(),
                part: Some((offset, length)),
                line: Some(number),
            });
        }
        offset += length;
    }
}

/// Length of the next line with its end, without keeping it.
fn line_length(input: &mut impl BufRead) -> std::io::Result<u64> {
    let mut length = 0;
    loop {
        let bytes = input.fill_buf()?;
        if bytes.is_empty() {
            return Ok(length);
        }
        match bytes.iter().position(|b| *b == b'\n') {
            Some(at) => {
                input.consume(at + 1);
                return Ok(length + at as u64 + 1);
            }
            None => {
                let all = bytes.len();
                input.consume(all);
                length += all as u64;
            }
        }
    }
}

/// The line of a reading, without its end.
pub(super) fn line(place: &Place) -> Result<Vec<u8>, Error> {
    let unreadable = |source| Error::Unreadable {
        path: place.path.clone(),
        source,
    };
    let mut file = File::open(&place.path).map_err(unreadable)?;
    let mut bytes = Vec::new();
    let limit = match place.part {
        Some((offset, length)) => {
            file.seek(SeekFrom::Start(offset)).map_err(unreadable)?;
            length.min(LONGEST)
        }
        None => LONGEST,
    };
    file.take(limit)
        .read_to_end(&mut bytes)
        .map_err(unreadable)?;
    Ok(on_one_line(bytes))
}

/// JSON without blanks outside its strings.
fn on_one_line(bytes: Vec<u8>) -> Vec<u8> {
    let is_blank = |b: u8| matches!(b, b' ' | b'\n' | b'\r' | b'\t');
    let (mut out, mut is_quoted) = (Vec::with_capacity(bytes.len()), false);
    let mut rest = bytes.as_slice();
    while let Some(&byte) = rest.first() {
        // A run of what goes through as it is.
        let run = if is_quoted {
            rest.iter().position(|b| matches!(b, b'"' | b'\\'))
        } else {
            rest.iter().position(|b| *b == b'"' || is_blank(*b))
        };
        let run = run.unwrap_or(rest.len());
        if run > 0 {
            out.extend_from_slice(&rest[..run]);
            rest = &rest[run..];
            continue;
        }
        let taken = match byte {
            b'\\' => 2.min(rest.len()),
            b'"' => {
                is_quoted = !is_quoted;
                1
            }
            _ => {
                rest = &rest[1..];
                continue;
            }
        };
        out.extend_from_slice(&rest[..taken]);
        rest = &rest[taken..];
    }
    out
}

/// SHA-256, hexadecimal.
pub(super) fn sha256(bytes: &[u8]) -> String {
    hexadecimal(&Sha256::digest(bytes))
}

pub(super) fn hexadecimal(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes.iter().fold(String::new(), |mut text, byte| {
        // Writing into a string can't fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// Reads the whole of a reading from its line.
pub(super) fn parse(line: &[u8], place: &Place) -> Result<Reading, Error> {
    reading::parse(line, &place.path).map_err(|error| at_line(error, place))
}

/// A fault told with the line of the file where that holds several readings; inside the line it is
/// none of the file's.
fn at_line(mut error: Error, place: &Place) -> Error {
    if let Error::BadData { line, .. } = &mut error {
        *line = place.line;
    }
    error
}

/// What a line holds. `is_new`: it comes from outside, and all of it is checked.
pub(super) fn entry(place: &Place, is_new: bool) -> Result<Entry, Error> {
    let line = line(place)?;
    let refuse = |what: String| Error::BadData {
        path: place.path.clone(),
        line: place.line,
        what,
        way_out: "expected is a reading as endgrain count writes it".into(),
    };
    if is_new {
        let reading = parse(&line, place)?;
        check(&reading).map_err(refuse)?;
        return Ok(Entry {
            key: Key::of(
                &reading.photo.sha256,
                reading.options.and_then(|o| o.region_px),
            ),
            photo: reading.photo.file,
            version: reading.program.version,
            sha256: sha256(&line),
            place: place.clone(),
        });
    }
    let head: Head =
        serde_json::from_slice(&line).map_err(|fault| refuse(format!("not a reading: {fault}")))?;
    Ok(Entry {
        key: Key::of(&head.photo.sha256, head.options.and_then(|o| o.region_px)),
        photo: head.photo.file,
        version: head.program.version,
        sha256: sha256(&line),
        place: place.clone(),
    })
}

/// What the types of a reading don't say and a dataset relies on.
fn check(reading: &Reading) -> Result<(), String> {
    let sha = &reading.photo.sha256;
    if !(sha.len() == 64 && sha.bytes().all(|b| b.is_ascii_hexdigit())) {
        return Err(format!("its photo has no SHA-256 but {sha:?}"));
    }
    let follows =
        |pair: &[reading::Ring]| i64::from(pair[0].number) + 1 == i64::from(pair[1].number);
    if reading.rings.first().is_some_and(|ring| ring.number == 0)
        || !reading.rings.windows(2).all(follows)
    {
        return Err("its rings are not numbered one after the other".into());
    }
    let scale = reading.scale.as_ref().map_or(1.0, |s| s.mm_per_px);
    if !(scale.is_finite() && scale > 0.0) {
        return Err(format!("its scale is {scale} mm a pixel"));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn json_goes_on_one_line_and_keeps_its_strings() {
        let text = b"{\n  \"a b\" : [1, 2.5],\t\"c\\\" d\": \"x\\\\\" , \"e\":null\r\n}\n".to_vec();
        let line = on_one_line(text);
        let want = br#"{"a b":[1,2.5],"c\" d":"x\\","e":null}"#;
        assert_eq!(line, want);
        assert_eq!(on_one_line(line.clone()), line);
    }

    #[test]
    fn lines_have_their_places() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.jsonl");
        std::fs::write(&path, "{\"a\":1}\n\n{\"b\": 2}\n{\"cut").unwrap();
        let (mut places, mut refused) = (Vec::new(), Vec::new());
        lines(&path, &mut places, &mut refused);
        let texts: Vec<Vec<u8>> = places.iter().map(|p| line(p).unwrap()).collect();
        assert_eq!(texts, [&b"{\"a\":1}"[..], b"{\"b\":2}", b"{\"cut"]);
        assert_eq!(places[1].line, Some(3));
        assert!(
            entry(&places[2], true)
                .unwrap_err()
                .to_string()
                .contains("a.jsonl, line 4: not a reading")
        );
    }
}
