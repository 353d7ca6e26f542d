//! Where each photo's files go: named after the photo without its extension, in folders that mirror
//! those below the path that was given.
//!
//! No two photos ever share a name. Photos of one folder that differ only in the extension keep it
//! (`a.jpg.rings.json`, `a.png.rings.json`). Photos from different given paths that would meet are
//! both placed under the whole of their paths instead (`june/a.jpg` at `june/a`), and where even that
//! isn't enough (`../june/a.jpg`) numbered in the order given. The log ends of a photo with several
//! add their number (`a.end-2.rings.json`), so a photo that is named like one keeps its extension. Letters' case doesn't tell names apart,
//! as it doesn't on every disk.

use super::collect::Found;
use super::{AGES, RECORD, WIDTHS};
use crate::error::Error;
use std::collections::{HashMap, HashSet};
use std::ffi::OsString;
use std::path::{Component, Path, PathBuf};

/// One photo and the place of its files.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Work {
    /// The photo, as given or as found below a given folder.
    pub path: PathBuf,
    /// The output files' path, but for their endings.
    pub stem: PathBuf,
    /// Its place in the whole list of photos, from 0.
    pub place: usize,
}

impl Work {
    /// The files that are written for the photo: overlay, strip, reading.
    pub fn outputs(&self) -> [PathBuf; 3] {
        [".overlay.jpg", ".strip.jpg", ".rings.json"].map(|ending| with_ending(&self.stem, ending))
    }

    /// The same for one log end, numbered from 1, of a photo with several: `log-7.end-2.rings.json`.
    pub fn outputs_of_end(&self, number: usize) -> [PathBuf; 3] {
        let stem = with_ending(&self.stem, &format!("{END_MARK}{number}"));
        [".overlay.jpg", ".strip.jpg", ".rings.json"].map(|ending| with_ending(&stem, ending))
    }
}

/// What stands between a photo's name and the number of the log end.
const END_MARK: &str = ".end-";

/// Whether a path without its extension ends like the files of one log end; such a photo keeps its
/// extension, so that its files are not those of another's end.
fn is_like_an_end(stem: &Path) -> bool {
    let name = stem.to_string_lossy();
    name.rsplit_once(END_MARK)
        .is_some_and(|(_, number)| !number.is_empty() && number.bytes().all(|b| b.is_ascii_digit()))
}

/// A file's name without the number of the log end: that of the photo's only end.
pub(super) fn without_end(name: &[u8]) -> Vec<u8> {
    let mark = END_MARK.as_bytes();
    let at = name.windows(mark.len()).rposition(|part| part == mark);
    let Some(at) = at else { return name.to_vec() };
    let after = &name[at + mark.len()..];
    let digits = after.iter().take_while(|b| b.is_ascii_digit()).count();
    [&name[..at], &after[digits..]].concat()
}

/// The path with an ending added to its name; `with_extension` would take a dotted name apart.
fn with_ending(stem: &Path, ending: &str) -> PathBuf {
    let mut name = OsString::from(stem.as_os_str());
    name.push(ending);
    name.into()
}

/// Gives each photo its place under the folder `out`.
///
/// # Errors
/// [`Error::Setting`] where an output would be written over one of the photos.
pub fn plan(found: &[Found], out: &Path) -> Result<Vec<Work>, Error> {
    let stems = stems(found);
    let work: Vec<Work> = found
        .iter()
        .zip(stems)
        .enumerate()
        .map(|(place, (found, stem))| Work {
            path: found.path.clone(),
            stem: out.join(stem),
            place,
        })
        .collect();
    // An output that is a photo exists already, so its true path can be had.
    let photos: HashSet<PathBuf> = found
        .iter()
        .filter_map(|found| found.path.canonicalize().ok())
        .collect();
    let outputs = work.iter().flat_map(Work::outputs);
    for output in outputs.chain([AGES, WIDTHS, RECORD].map(|name| out.join(name))) {
        if output
            .canonicalize()
            .is_ok_and(|path| photos.contains(&path))
        {
            return Err(Error::setting(format!(
                "{}: one of the photos would be written over; give --out another folder",
                output.display()
            )));
        }
    }
    Ok(work)
}

/// Each photo's place below the output folder, all different.
fn stems(found: &[Found]) -> Vec<PathBuf> {
    let key = |path: &Path| path.to_string_lossy().to_lowercase();
    // Photos of one folder with one name but for the extension.
    let mut twins: HashMap<String, usize> = HashMap::new();
    for found in found {
        *twins
            .entry(key(&found.path.with_extension("")))
            .or_default() += 1;
    }
    let keeps = |found: &Found| {
        let short = found.path.with_extension("");
        twins[&key(&short)] > 1 || is_like_an_end(&short)
    };
    let short = |path: &Path, found: &Found| {
        if keeps(found) {
            path.to_path_buf()
        } else {
            path.with_extension("")
        }
    };
    let wished: Vec<PathBuf> = found.iter().map(|f| short(&f.below, f)).collect();
    let mut wishes: HashMap<String, usize> = HashMap::new();
    for stem in &wished {
        *wishes.entry(key(stem)).or_default() += 1;
    }
    // Who is alone with a wish has it before those that must give way.
    let mut taken: HashSet<String> = wishes
        .iter()
        .filter(|(_, count)| **count == 1)
        .map(|(key, _)| key.clone())
        .collect();
    wished
        .into_iter()
        .zip(found)
        .map(|(stem, found)| {
            if wishes[&key(&stem)] == 1 {
                return stem;
            }
            let long: PathBuf = short(&found.path, found)
                .components()
                .filter(|part| matches!(part, Component::Normal(_)))
                .collect();
            let numbered = (2..).map(|n: u64| with_ending(&long, &format!("-{n}")));
            let mut choices = std::iter::once(long.clone()).chain(numbered);
            loop {
                // The numbers don't end before a free one comes.
                let choice = choices.next().unwrap_or_default();
                if taken.insert(key(&choice)) {
                    return choice;
                }
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::{Found, stems};
    use std::path::PathBuf;

    /// Photos as given paths and what lies below them.
    fn stems_of(photos: &[(&str, &str)]) -> Vec<String> {
        let found: Vec<Found> = photos
            .iter()
            .map(|(path, below)| Found {
                path: path.into(),
                below: below.into(),
            })
            .collect();
        let stems: Vec<PathBuf> = stems(&found);
        stems.iter().map(|s| s.display().to_string()).collect()
    }

    #[test]
    fn folders_are_mirrored_and_extensions_go() {
        assert_eq!(
            stems_of(&[
                ("yard/a.jpg", "a.jpg"),
                ("yard/x/a.b.png", "x/a.b.png"),
                ("c", "c")
            ]),
            ["a", "x/a.b", "c"]
        );
    }

    #[test]
    fn twins_in_one_folder_keep_their_extensions() {
        assert_eq!(
            stems_of(&[
                ("y/a.jpg", "a.jpg"),
                ("y/a.PNG", "a.PNG"),
                ("y/x/a.png", "x/a.png")
            ]),
            ["a.jpg", "a.PNG", "x/a"]
        );
        // Also where each was named by itself.
        assert_eq!(
            stems_of(&[("a.jpg", "a.jpg"), ("a.tif", "a.tif")]),
            ["a.jpg", "a.tif"]
        );
        // And a name that already ends like a twin's gives way.
        assert_eq!(
            stems_of(&[
                ("a.jpg", "a.jpg"),
                ("a.tif", "a.tif"),
                ("a.jpg.jpg", "a.jpg.jpg")
            ]),
            ["a.jpg", "a.tif", "a.jpg-2"]
        );
    }

    #[test]
    fn a_photo_named_like_a_log_end_keeps_its_extension() {
        assert_eq!(
            stems_of(&[
                ("y/a.jpg", "a.jpg"),
                ("y/a.end-2.jpg", "a.end-2.jpg"),
                ("y/a.end-x.jpg", "a.end-x.jpg")
            ]),
            ["a", "a.end-2.jpg", "a.end-x"]
        );
    }

    #[test]
    fn photos_from_different_given_paths_never_meet() {
        assert_eq!(
            stems_of(&[
                ("june/a.jpg", "a.jpg"),
                ("july/A.jpg", "A.jpg"),
                ("july/b.jpg", "b.jpg")
            ]),
            ["june/a", "july/A", "b"]
        );
        assert_eq!(
            stems_of(&[
                ("x/a.jpg", "a.jpg"),
                ("../x/a.jpg", "a.jpg"),
                ("/x/a.jpg", "a.jpg")
            ]),
            ["x/a", "x/a-2", "x/a-3"]
        );
        // One who is alone with a name keeps it, though it comes later.
        assert_eq!(
            stems_of(&[
                ("x/a.jpg", "a.jpg"),
                ("y/a.jpg", "a.jpg"),
                ("z/x/a.jpg", "x/a.jpg")
            ]),
            ["x/a-2", "y/a", "x/a"]
        );
    }
}
