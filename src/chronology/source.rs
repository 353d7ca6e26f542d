//! Radii out of readings and files of series.
//!
//! Of a reading each azimuth asked for gives one radius: the distances between neighbouring boundaries
//! along it. A boundary that isn't known there leaves the widths on both its sides unknown. Where two
//! boundaries all but touch the ring between them is absent on that radius
//! ([`crate::ring_area::width_on_radius_px`]). Of a file of series (tidy CSV, decadal text, `TRiDaS` XML: [`crate::formats`]) each series is
//! one radius.
//!
//! A radius is known by its specimen and its name. Where two files give the same one the first is
//! taken and the second is a fault: figures of one ring counted twice would look surer than they are.

use super::Radius;
use crate::error::Error;
use crate::formats::{self, Measured};
use crate::reading::{self, Reading};
use crate::series::Series;
use crate::tables::width_at_px;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use walkdir::{DirEntry, WalkDir};

/// How a reading's file name ends.
const READING_ENDING: &str = ".rings.json";

/// The table of a dataset that is taken from a walked folder.
const RINGS_TABLE: &str = "rings.csv";

/// Years that rings may have: no wood is dated so far back, and a slip of the pen in a year mustn't
/// become a chronology of millions of years.
const YEARS: std::ops::RangeInclusive<i32> = -20_000..=10_000;

/// What was found at the paths given.
#[derive(Debug, Default)]
pub struct Gathered {
    /// Radii, as they were found.
    pub radii: Vec<Radius>,
    /// What is not in them though it was given, and nothing is wrong with it: a sentence each.
    pub left_out: Vec<String>,
    /// What could not be read.
    pub failed: Vec<Error>,
    /// Files that were read, as the system knows them.
    pub files: BTreeSet<PathBuf>,
}

/// Where to find things and how.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wanted {
    /// Radii taken from each reading, at even azimuths.
    pub radii: u16,
    /// Tree of each specimen, where it isn't the specimen itself.
    pub trees: BTreeMap<String, String>,
}

/// Reads all radii at the paths given: files are taken as they are, folders are walked for readings
/// and tables called `rings.csv`.
pub fn gather(paths: &[PathBuf], wanted: &Wanted) -> Gathered {
    let mut gathered = Gathered::default();
    // Where each radius came from.
    let mut origins: BTreeMap<(String, String), PathBuf> = BTreeMap::new();
    for given in paths {
        let is_folder = given.is_dir();
        let before = gathered.files.len() + gathered.failed.len();
        for path in files(given, &mut gathered.failed) {
            // Not as it is written: the same file may be given once itself and once by its folder.
            let identity = path.canonicalize().unwrap_or_else(|_| path.clone());
            if gathered.files.contains(&identity) {
                continue;
            }
            let below = if is_folder {
                path.strip_prefix(given).unwrap_or(&path)
            } else {
                Path::new(path.file_name().unwrap_or_default())
            };
            match radii_in(&path, below, wanted) {
                Ok((radii, left_out)) => {
                    gathered.files.insert(identity);
                    gathered.left_out.extend(left_out);
                    take(radii, &path, &mut origins, &mut gathered);
                }
                Err(errors) => gathered.failed.extend(errors),
            }
        }
        if is_folder && gathered.files.len() + gathered.failed.len() == before {
            gathered.failed.push(Error::BadData {
                path: given.clone(),
                line: None,
                what: "nothing to compare in this folder".into(),
                way_out: format!(
                    "expected are readings (*{READING_ENDING}) or a dataset's {RINGS_TABLE}; name other files one by one"
                ),
            });
        }
    }
    gathered
}

/// Takes radii in, those of them that are new.
fn take(
    radii: Vec<Radius>,
    path: &Path,
    origins: &mut BTreeMap<(String, String), PathBuf>,
    gathered: &mut Gathered,
) {
    let mut again: BTreeMap<String, PathBuf> = BTreeMap::new();
    for radius in radii {
        let key = (radius.specimen.clone(), radius.radius.clone());
        match origins.get(&key) {
            Some(first) => {
                again.insert(radius.specimen, first.clone());
            }
            None => {
                origins.insert(key, path.to_path_buf());
                gathered.radii.push(radius);
            }
        }
    }
    for (specimen, first) in again {
        gathered.failed.push(Error::BadData {
            path: path.to_path_buf(),
            line: None,
            what: format!(
                "the specimen {specimen} has radii that {} has too; they are taken from there",
                first.display()
            ),
            way_out: "leave one of the two out, or give the specimens names of their own".into(),
        });
    }
}

/// The files at a path: itself, or of a folder what can be compared, by name.
fn files(given: &Path, failed: &mut Vec<Error>) -> Vec<PathBuf> {
    if !given.is_dir() {
        return vec![given.to_path_buf()];
    }
    let is_hidden = |entry: &DirEntry| {
        entry.depth() > 0 && entry.file_name().to_string_lossy().starts_with('.')
    };
    let mut found = Vec::new();
    let walk = WalkDir::new(given).follow_links(true).sort_by_file_name();
    for entry in walk.into_iter().filter_entry(|e| !is_hidden(e)) {
        match entry {
            Ok(entry) => {
                let name = entry.file_name().to_string_lossy();
                if entry.file_type().is_file()
                    && (name.ends_with(READING_ENDING) || name == RINGS_TABLE)
                {
                    found.push(entry.into_path());
                }
            }
            Err(error) => failed.push(Error::Unreadable {
                path: error.path().unwrap_or(given).to_path_buf(),
                source: error.into(),
            }),
        }
    }
    found
}

/// The radii in one file, and what of it is left out.
fn radii_in(
    path: &Path,
    below: &Path,
    wanted: &Wanted,
) -> Result<(Vec<Radius>, Vec<String>), Vec<Error>> {
    let below = below.to_string_lossy();
    let tree = |specimen: &str| -> String {
        wanted
            .trees
            .get(specimen)
            .map_or_else(|| specimen.to_owned(), Clone::clone)
    };
    if path
        .extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("json"))
    {
        let reading = reading::load(path).map_err(|error| vec![error])?;
        let specimen = below.strip_suffix(READING_ENDING).unwrap_or(&below);
        let radii = radii_of(&reading, specimen, &tree(specimen), wanted.radii);
        check_years(&radii, path)?;
        let left_out = radii
            .is_empty()
            .then(|| format!("{}: the reading has no rings", path.display()));
        return Ok((radii, left_out.into_iter().collect()));
    }
    let (_, set) = formats::load(path)?;
    let left_out = set
        .remarks
        .iter()
        .map(|(line, words)| format!("{}, line {line}: {words}", path.display()))
        .collect();
    let radii: Vec<Radius> = set
        .series
        .into_iter()
        .map(|measured| radius_of(measured, tree))
        .collect();
    check_years(&radii, path)?;
    Ok((radii, left_out))
}

/// The radius of a measured series: what the file tells of its place, else its name.
fn radius_of(measured: Measured, tree: impl Fn(&str) -> String) -> Radius {
    let place = measured.place;
    let specimen = if place.specimen.is_empty() {
        measured.series.name.clone()
    } else {
        place.specimen
    };
    // Who names the trees knows better than the file.
    let named = tree(&specimen);
    let tree = if named == specimen && !place.tree.is_empty() {
        place.tree
    } else {
        named
    };
    Radius {
        specimen,
        tree,
        radius: place.radius,
        series: measured.series,
        is_dated: measured.is_dated,
        is_scaled: !measured.is_in_px,
    }
}

fn check_years(radii: &[Radius], path: &Path) -> Result<(), Vec<Error>> {
    let is_odd = |r: &&Radius| {
        let last = r.series.last_year();
        r.is_dated
            && !(YEARS.contains(&r.series.first_year) && last.is_none_or(|y| YEARS.contains(&y)))
    };
    match radii.iter().find(is_odd) {
        None => Ok(()),
        Some(radius) => Err(vec![Error::BadData {
            path: path.to_path_buf(),
            line: None,
            what: format!(
                "{} begins in the year {} and has {} years",
                radius.series.name,
                radius.series.first_year,
                radius.series.widths_mm.len()
            ),
            way_out: format!(
                "expected are years from {} to {}",
                YEARS.start(),
                YEARS.end()
            ),
        }]),
    }
}

/// Reads a table that says of which tree each specimen is: CSV with the columns `specimen` and `tree`;
/// others may be there and are passed over.
///
/// # Errors
/// [`Error::Unreadable`]; [`Error::BadData`] where a column is missing, a row isn't CSV, a specimen has
/// no tree or has two.
pub fn trees_in(path: &Path) -> Result<BTreeMap<String, String>, Error> {
    let text = std::fs::read(path).map_err(|source| Error::Unreadable {
        path: path.to_path_buf(),
        source,
    })?;
    parse_trees(&text, path)
}

/// Reads such a table from the bytes of its file; `path` is named in errors.
///
/// # Errors
/// As [`trees_in`], but for [`Error::Unreadable`].
pub fn parse_trees(text: &[u8], path: &Path) -> Result<BTreeMap<String, String>, Error> {
    let bad = |line: Option<u64>, what: String, way_out: &str| Error::BadData {
        path: path.to_path_buf(),
        line,
        what,
        way_out: way_out.to_owned(),
    };
    let text = text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(text);
    let mut csv = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .from_reader(text);
    let no_csv = |error: &csv::Error| {
        let line = error.position().map(csv::Position::line);
        bad(
            line,
            "not a row of the table".into(),
            "expected is CSV in UTF-8 with as many cells as the header",
        )
    };
    let header = csv.headers().map_err(|e| no_csv(&e))?.clone();
    let column = |name: &str| {
        header.iter().position(|h| h == name).ok_or_else(|| {
            bad(
                Some(1),
                format!("no column {name}"),
                "expected are the columns specimen and tree",
            )
        })
    };
    let (specimen_at, tree_at) = (column("specimen")?, column("tree")?);
    let mut trees: BTreeMap<String, String> = BTreeMap::new();
    for row in csv.records() {
        let row = row.map_err(|e| no_csv(&e))?;
        let line = row.position().map(csv::Position::line);
        let cell = |at: usize| row.get(at).unwrap_or("").to_owned();
        let (specimen, tree) = (cell(specimen_at), cell(tree_at));
        if specimen.is_empty() || tree.is_empty() {
            return Err(bad(
                line,
                "a specimen without a tree, or a tree without a specimen".into(),
                "give both, or take the row out",
            ));
        }
        if let Some(other) = trees.insert(specimen.clone(), tree.clone())
            && other != tree
        {
            return Err(bad(
                line,
                format!("the specimen {specimen} is of the tree {tree} here and of {other} before"),
                "give it one tree",
            ));
        }
    }
    Ok(trees)
}

/// The radii of a reading at `count` even azimuths, from the right hand side clockwise; none where it
/// has no rings. In mm where its scale is known, in px otherwise; by years where its last ring is
/// dated, by ring numbers otherwise.
pub fn radii_of(reading: &Reading, specimen: &str, tree: &str, count: u16) -> Vec<Radius> {
    let Some(first) = reading.rings.first() else {
        return Vec::new();
    };
    let is_dated = first.year.is_some();
    let first_year = first
        .year
        .unwrap_or_else(|| i32::try_from(first.number).unwrap_or(i32::MAX));
    (0..count)
        .map(|k| {
            let azimuth_deg = 360.0 * f64::from(k) / f64::from(count);
            // By the scale along this radius: a face may be seen aslant.
            let scale = reading.scale.as_ref();
            let mm_per_px = scale.map(|scale| scale.mm_per_px_at(azimuth_deg));
            let widths_mm = (0..reading.rings.len())
                .map(|ring| {
                    let width_px = width_at_px(reading, ring, azimuth_deg)?;
                    Some(width_px * mm_per_px.unwrap_or(1.0))
                })
                .collect();
            let radius = azimuth_name(azimuth_deg);
            Radius {
                specimen: specimen.to_owned(),
                tree: tree.to_owned(),
                series: Series {
                    name: format!("{specimen}/{radius}"),
                    first_year,
                    widths_mm,
                },
                radius,
                is_dated,
                is_scaled: mm_per_px.is_some(),
            }
        })
        .collect()
}

/// An azimuth as a radius's name, in the order of the numbers: `022.5`, `090`.
fn azimuth_name(azimuth_deg: f64) -> String {
    let text = format!("{azimuth_deg:07.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn azimuths_are_named_so_that_they_sort() {
        let names = [0.0, 22.5, 90.0, 337.5, 360.0 / 7.0].map(azimuth_name);
        assert_eq!(names, ["000", "022.5", "090", "337.5", "051.429"]);
    }

    #[test]
    fn a_table_of_trees_is_read_or_refused_with_its_line() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("trees.csv");
        let read = |text: &str| {
            std::fs::write(&path, text).unwrap();
            trees_in(&path).map_err(|e| e.to_string())
        };
        let good = read("\u{feff}tree,note,specimen\nQB-7, top ,QB-7a\nQB-7,,QB-7b\n").unwrap();
        assert_eq!(good["QB-7b"], "QB-7");
        for (text, words) in [
            ("specimen\nQB-7a\n", "line 1: no column tree"),
            (
                "specimen,tree\nQB-7a,\n",
                "line 2: a specimen without a tree",
            ),
            (
                "specimen,tree\nQB-7a,QB-7\nQB-7a,QB-8\n",
                "line 3: the specimen QB-7a is of the tree QB-8 here and of QB-7 before",
            ),
            ("specimen,tree\na,b,c\n", "line 2: not a row"),
        ] {
            let told = read(text).unwrap_err();
            assert!(told.contains(words), "{told}");
        }
    }
}
