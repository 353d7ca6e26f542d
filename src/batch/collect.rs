//! Which photos there are: the paths given, folders walked.
//!
//! A path that the user named is always tried, whatever it is called. In a walked folder a file is
//! taken where its extension is a photo's or its content is; hidden files and our own outputs are
//! passed over in silence, other files with a line a folder. Links are followed, but not in circles,
//! and no photo is read twice. Order: as given, and below a folder by path.

use crate::error::Error;
use crate::photo::{HEAD_BYTES, Kind, tell};
use std::collections::{HashMap, HashSet};
use std::ffi::OsStr;
use std::fs::File;
use std::io::{self, BufRead, Read};
use std::path::{Path, PathBuf};
use walkdir::{DirEntry, WalkDir};

/// A photo to be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// Its path, beginning with the given one.
    pub path: PathBuf,
    /// What of it lies below the given path: folders and file name, or the file name alone where the
    /// photo itself was given.
    pub below: PathBuf,
}

/// Something the user should hear of, though nothing failed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Remark {
    /// File or folder.
    pub path: PathBuf,
    /// What of it: lower case, no full stop.
    pub text: String,
}

/// What was found.
#[derive(Debug, Default)]
pub struct Collected {
    /// Photos, in order.
    pub photos: Vec<Found>,
    /// What was passed over, and why.
    pub remarks: Vec<Remark>,
    /// Folders that can't be opened, links that lead nowhere.
    pub unreadable: Vec<Error>,
}

/// Extensions that photos have, lower case.
const EXTENSIONS: [&str; 12] = [
    "jpg", "jpeg", "jpe", "jfif", "png", "tif", "tiff", "webp", "heic", "heif", "hif", "heics",
];

/// Names listed in a remark before it says "and so many more".
const NAMES_LISTED: usize = 3;

/// Finds the photos at the paths given.
pub fn collect(given: &[PathBuf]) -> Collected {
    let mut collected = Collected::default();
    let mut seen = HashSet::new();
    for path in given {
        if path.is_dir() {
            walk(path, &mut collected, &mut seen);
        } else {
            let below = path.file_name().map_or_else(|| path.clone(), PathBuf::from);
            add(&mut collected, &mut seen, path.clone(), below);
        }
    }
    collected
}

/// Paths in a list, one a line (a carriage return before the line's end is no part of it), or with
/// `separator` 0 each ended by a zero byte. Empty ones are left out.
///
/// # Errors
/// What the list's reader says; and, on systems whose paths are no bytes, a path that is no UTF-8.
pub fn paths_in(list: impl BufRead, separator: u8) -> io::Result<Vec<PathBuf>> {
    let mut paths = Vec::new();
    for line in list.split(separator) {
        let mut line = line?;
        if separator == b'\n' && line.last() == Some(&b'\r') {
            line.pop();
        }
        if !line.is_empty() {
            paths.push(path_of(line)?);
        }
    }
    Ok(paths)
}

#[cfg(unix)]
#[allow(clippy::unnecessary_wraps, reason = "other systems can fail here")]
fn path_of(bytes: Vec<u8>) -> io::Result<PathBuf> {
    use std::os::unix::ffi::OsStringExt;
    Ok(std::ffi::OsString::from_vec(bytes).into())
}

#[cfg(not(unix))]
fn path_of(bytes: Vec<u8>) -> io::Result<PathBuf> {
    String::from_utf8(bytes)
        .map(PathBuf::from)
        .map_err(|error| io::Error::new(io::ErrorKind::InvalidData, error))
}

/// Adds a photo unless it is one that was added already, under this name or another.
fn add(collected: &mut Collected, seen: &mut HashSet<PathBuf>, path: PathBuf, below: PathBuf) {
    // A path that doesn't lead anywhere is still tried, and fails with what the system says.
    let identity = path.canonicalize().unwrap_or_else(|_| path.clone());
    if seen.insert(identity) {
        collected.photos.push(Found { path, below });
    } else {
        collected.remarks.push(Remark {
            path,
            text: "passed over: a photo that was given before".into(),
        });
    }
}

/// Adds the photos of a folder.
fn walk(folder: &Path, collected: &mut Collected, seen: &mut HashSet<PathBuf>) {
    // In the walk's order, one list a folder.
    let mut others: Vec<(PathBuf, Vec<String>)> = Vec::new();
    let mut places: HashMap<PathBuf, usize> = HashMap::new();
    let entries = WalkDir::new(folder)
        .follow_links(true)
        .sort_by_file_name()
        .into_iter()
        .filter_entry(|entry| entry.depth() == 0 || !is_hidden(entry.file_name()));
    for entry in entries {
        let entry = match entry {
            Ok(entry) => entry,
            Err(error) => {
                refuse(folder, error, collected);
                continue;
            }
        };
        if entry.file_type().is_dir() || is_own_output(&entry) {
            continue;
        }
        let path = entry.path();
        if entry.file_type().is_file() && (has_photo_extension(path) || has_photo_content(path)) {
            let below = path.strip_prefix(folder).unwrap_or(path).to_path_buf();
            add(collected, seen, path.to_path_buf(), below);
        } else {
            let parent = path.parent().unwrap_or(folder);
            let name = entry.file_name().to_string_lossy().into_owned();
            let place = *places.entry(parent.to_path_buf()).or_insert(others.len());
            match others.get_mut(place) {
                Some((_, names)) => names.push(name),
                None => others.push((parent.to_path_buf(), vec![name])),
            }
        }
    }
    collected
        .remarks
        .extend(others.into_iter().map(|(path, names)| Remark {
            path,
            text: passed_over(&names),
        }));
}

/// The line about a folder's other files.
fn passed_over(names: &[String]) -> String {
    let listed = names[..names.len().min(NAMES_LISTED)].join(", ");
    let what = if names.len() == 1 {
        "1 file that is no photo".to_owned()
    } else {
        format!("{} files that are no photos", names.len())
    };
    match names.len().saturating_sub(NAMES_LISTED) {
        0 => format!("passed over {what}: {listed}"),
        more => format!("passed over {what}: {listed} and {more} more"),
    }
}

/// Notes what the walk could not enter.
fn refuse(folder: &Path, error: walkdir::Error, collected: &mut Collected) {
    let path = error.path().unwrap_or(folder).to_path_buf();
    match error.loop_ancestor() {
        Some(above) => collected.remarks.push(Remark {
            text: format!("passed over: a link back to {}", above.display()),
            path,
        }),
        None => collected.unreadable.push(Error::Unreadable {
            path,
            source: error.into(),
        }),
    }
}

fn is_hidden(name: &OsStr) -> bool {
    name.as_encoded_bytes().starts_with(b".")
}

fn has_photo_extension(path: &Path) -> bool {
    path.extension()
        .and_then(OsStr::to_str)
        .is_some_and(|extension| EXTENSIONS.contains(&extension.to_lowercase().as_str()))
}

/// Whether the file's first bytes are those of a picture that is read here.
fn has_photo_content(path: &Path) -> bool {
    let mut head = Vec::with_capacity(HEAD_BYTES);
    File::open(path)
        .and_then(|file| file.take(HEAD_BYTES as u64).read_to_end(&mut head))
        .is_ok_and(|_| !matches!(tell(&head), Kind::Foreign { .. }))
}

/// Whether a file of a walked folder is one that this program wrote. A picture's name alone is not
/// enough for that, a photo may be called `log.strip.jpg`: its reading must lie beside it.
fn is_own_output(entry: &DirEntry) -> bool {
    let name = entry.file_name().to_string_lossy();
    if name.ends_with(".rings.json") || is_own_table(&name) {
        return true;
    }
    [".overlay.jpg", ".strip.jpg"].iter().any(|ending| {
        name.strip_suffix(ending).is_some_and(|stem| {
            entry
                .path()
                .with_file_name(format!("{stem}.rings.json"))
                .is_file()
        })
    })
}

/// Whether a file's name is that of a table or a record, of a whole run or of a part.
fn is_own_table(name: &str) -> bool {
    [super::AGES, super::WIDTHS, super::RECORD]
        .iter()
        .filter_map(|own| own.split_once('.'))
        .any(|(stem, ending)| {
            name.strip_prefix(stem)
                .and_then(|rest| rest.strip_suffix(ending))
                .is_some_and(|rest| rest == "." || rest.starts_with(".part-"))
        })
}

#[cfg(test)]
mod tests {
    use super::{collect, paths_in};
    use std::fs;
    use std::path::{Path, PathBuf};

    const JPEG_HEAD: &[u8] = &[0xFF, 0xD8, 0xFF, 0xE0];

    fn yard(files: &[(&str, &[u8])]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        for (name, bytes) in files {
            let path = folder.path().join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, bytes).unwrap();
        }
        folder
    }

    fn below(collected: &super::Collected) -> Vec<String> {
        let photos = collected.photos.iter();
        photos.map(|f| f.below.display().to_string()).collect()
    }

    #[test]
    fn a_folder_is_walked_by_path_and_the_rest_passed_over_with_a_line() {
        let folder = yard(&[
            ("b.jpg", b""),
            ("a/z.PNG", b""),
            ("c/photo", JPEG_HEAD),
            ("c.tif", b""),
            ("notes.txt", b"QB-0003 is elm"),
            ("list.json", b"{}"),
            (".hidden.jpg", b""),
            (".cache/a.jpg", b""),
        ]);
        let collected = collect(&[folder.path().to_path_buf()]);
        assert_eq!(below(&collected), ["a/z.PNG", "b.jpg", "c/photo", "c.tif"]);
        assert_eq!(collected.remarks.len(), 1);
        assert_eq!(
            collected.remarks[0].text,
            "passed over 2 files that are no photos: list.json, notes.txt"
        );
        assert!(collected.unreadable.is_empty());
    }

    #[test]
    fn own_outputs_are_passed_over_in_silence_but_not_a_photo_named_like_one() {
        let folder = yard(&[
            ("a.jpg", b""),
            ("out/a.rings.json", b"{}"),
            ("out/a.overlay.jpg", b""),
            ("out/a.strip.jpg", b""),
            ("out/ages.csv", b""),
            ("out/widths.csv", b""),
            ("out/run-record.jsonl", b""),
            ("out/ages.part-3-of-8.csv", b""),
            ("out/run-record.part-3-of-8.jsonl", b""),
            ("log.strip.jpg", b""),
        ]);
        let collected = collect(&[folder.path().to_path_buf()]);
        assert_eq!(below(&collected), ["a.jpg", "log.strip.jpg"]);
        assert!(collected.remarks.is_empty(), "{:?}", collected.remarks);
    }

    #[test]
    fn what_was_named_is_always_tried_and_nothing_twice() {
        let folder = yard(&[("a.txt", b"x"), ("b.jpg", b"")]);
        let at = |name: &str| folder.path().join(name);
        let given = [
            at("a.txt"),
            at("gone.jpg"),
            folder.path().to_path_buf(),
            at("b.jpg"),
        ];
        let collected = collect(&given);
        assert_eq!(below(&collected), ["a.txt", "gone.jpg", "b.jpg"]);
        // The walk names a.txt among the files that are no photos, and b.jpg comes twice.
        let remarks: Vec<&str> = collected.remarks.iter().map(|r| r.text.as_str()).collect();
        assert!(remarks.contains(&"passed over: a photo that was given before"));
    }

    #[cfg(unix)]
    #[test]
    fn a_link_that_leads_back_is_noticed_and_one_to_nowhere_told() {
        use std::os::unix::fs::symlink;
        let folder = yard(&[("x/a.jpg", b"")]);
        symlink(folder.path(), folder.path().join("x/back")).unwrap();
        symlink("gone", folder.path().join("x/nowhere.jpg")).unwrap();
        let collected = collect(&[folder.path().to_path_buf()]);
        assert_eq!(below(&collected), ["x/a.jpg"]);
        assert_eq!(collected.remarks.len(), 1);
        assert!(collected.remarks[0].text.contains("a link back to"));
        assert_eq!(collected.unreadable.len(), 1);
    }

    #[test]
    fn a_list_of_paths_is_split_at_lines_or_at_zero_bytes() {
        let paths = |list: &[u8], separator| paths_in(list, separator).unwrap();
        let expected: Vec<PathBuf> = ["a b.jpg", "c.png"].map(PathBuf::from).into();
        assert_eq!(paths(b"a b.jpg\n\nc.png", b'\n'), expected);
        assert_eq!(paths(b"a b.jpg\r\nc.png\r\n", b'\n'), expected);
        assert_eq!(paths(b"a b.jpg\0c.png\0", 0), expected);
        assert_eq!(paths(b"a\nb.jpg\0", 0), [Path::new("a\nb.jpg")]);
        assert!(paths(b"", b'\n').is_empty());
    }
}
