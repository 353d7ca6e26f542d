//! Readings: the paths given, folders walked.

use crate::batch::Found;
use crate::error::Error;
use std::collections::HashSet;
use std::path::{Path, PathBuf};
use walkdir::WalkDir;

/// How the name of a reading ends.
pub const ENDING: &str = ".rings.json";

/// Readings at the paths given: files as they are, folders walked for names that end in [`ENDING`],
/// by path; each once. What of a path lies below a given folder keeps the reading's name without
/// its ending, so that what is made of it lies where the reading does.
///
/// Folders that can't be read are the second list.
pub fn readings(given: &[PathBuf]) -> (Vec<Found>, Vec<Error>) {
    let (mut found, mut refused) = (Vec::new(), Vec::new());
    let mut seen = HashSet::new();
    let mut add = |path: PathBuf, below: &Path| {
        let identity = path.canonicalize().unwrap_or_else(|_| path.clone());
        if seen.insert(identity) {
            let below = without_ending(below);
            found.push(Found { path, below });
        }
    };
    for path in given {
        if !path.is_dir() {
            let name = path.file_name().map_or(path.clone(), PathBuf::from);
            add(path.clone(), &name);
            continue;
        }
        for entry in WalkDir::new(path).follow_links(true).sort_by_file_name() {
            match entry {
                Ok(entry) if entry.file_type().is_file() && is_reading(entry.path()) => {
                    let below = entry
                        .path()
                        .strip_prefix(path)
                        .unwrap_or(entry.path())
                        .to_path_buf();
                    add(entry.path().to_path_buf(), &below);
                }
                Ok(_) => {}
                Err(error) => refused.push(Error::Unreadable {
                    path: error.path().unwrap_or(path).to_path_buf(),
                    source: error.into(),
                }),
            }
        }
    }
    (found, refused)
}

fn is_reading(path: &Path) -> bool {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    name.ends_with(ENDING) && !name.starts_with('.')
}

/// `a.jpg.rings.json` as `a.jpg.json`: one extension is taken off where files are named.
fn without_ending(path: &Path) -> PathBuf {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    match name.strip_suffix(ENDING) {
        Some(stem) => path.with_file_name(format!("{stem}.json")),
        None => path.to_path_buf(),
    }
}

/// Where the overlay of a reading lies: beside it, under the same name.
pub fn overlay_path(reading: &Path) -> PathBuf {
    beside(reading, ".overlay.jpg")
}

/// A file beside a reading, under its name with another ending.
pub fn beside(reading: &Path, ending: &str) -> PathBuf {
    let name = reading.file_name().unwrap_or_default().to_string_lossy();
    let stem = name.strip_suffix(ENDING).unwrap_or(&name);
    reading.with_file_name(format!("{stem}{ending}"))
}
