//! Adding readings to a dataset, from what is there to what is written.

use super::corrections::{self, Correction, Corrections};
use super::plan::{self, Planned};
use super::sheet::{self, Sheet};
use super::sources::{self, Entry, Key};
use super::store::Store;
use super::write::{self, Inputs};
use super::{CORRECTIONS, PACKAGE, RADII, READINGS, SHEET};
use crate::error::Error;
use rayon::prelude::*;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::{Path, PathBuf};

/// What is to be gathered.
#[derive(Debug, Clone, Default)]
pub struct Order {
    /// Files of readings, folders of them, JSON lines of readings, other datasets.
    pub readings: Vec<PathBuf>,
    /// A sheet of specimens; its rows take the place of those that the dataset has for these photos.
    pub sheet: Option<PathBuf>,
    /// Evenly spaced radii for discs whose row asks for none; `None`: as before, at first [`RADII`].
    pub radii: Option<usize>,
    /// Title of the dataset; `None`: as before.
    pub title: Option<String>,
    /// Takes newer readings also of specimens that were corrected by hand.
    pub replace_corrected: bool,
    /// Writes tables anew that somebody has changed.
    pub discard_edits: bool,
}

/// What was gathered.
#[derive(Debug, Default)]
pub struct Gathered {
    /// Readings of photos that were not there.
    pub added: usize,
    /// Readings that took the place of others.
    pub replaced: usize,
    /// Readings that were there already.
    pub unchanged: usize,
    /// Newer readings not taken, because the specimen was corrected by hand.
    pub held_back: usize,
    /// Specimens in the dataset now.
    pub specimens: usize,
    /// Rows of `rings.csv`; 0 where nothing had to be written.
    pub rows: usize,
    /// Whether files were written.
    pub is_written: bool,
    /// What a person should know, though nothing failed.
    pub remarks: Vec<String>,
    /// Readings that could not be taken.
    pub refused: Vec<Error>,
}

/// Adds readings to the dataset in `folder`, which is made if it isn't there.
///
/// # Errors
/// Nothing is changed then. [`Error::BadData`] for every fault of the sheet, of the corrections, or of
/// what the folder holds; a table changed by hand; [`Error::Setting`] where another run is writing the
/// dataset; [`Error::Unwritable`]. A reading that can't be taken is no such error but in
/// [`Gathered::refused`].
pub fn gather(folder: &Path, order: &Order) -> Result<Gathered, Vec<Error>> {
    let one = |error: Error| vec![error];
    // Checked in full before anything else is read or written.
    let sheet_given = order.sheet.as_deref().map(load_sheet).transpose()?;
    if order.radii.is_some_and(|n| !(1..=360).contains(&n)) {
        return Err(one(Error::setting("give --radii a number from 1 to 360")));
    }
    let store = Store::open(folder).map_err(one)?;
    let before = Before::load(&store, order.discard_edits)?;
    let mut gathered = Gathered::default();
    let mut corrections = load_corrections(&store)?;

    // Corrections that don't say so were made on what the dataset holds now.
    let planned = plan::plan(&before.entries, &before.sheet, &mut Vec::new());
    corrections.pin(&readings_of(&planned));
    let entries = merge(&before, order, &corrections, &mut gathered);

    let sheet = merge_sheets(&store, &before.sheet, sheet_given, &mut gathered.remarks)?;
    let planned = plan::plan(&entries, &sheet, &mut gathered.remarks);
    for (line, specimen) in corrections.pin(&readings_of(&planned)) {
        gathered.remarks.push(format!(
            "{CORRECTIONS}, line {line}: no specimen {specimen} here; the correction rests"
        ));
    }
    resting(&corrections, &planned, &mut gathered.remarks);
    gathered.specimens = planned.len();

    if entries.is_empty() && sheet.rows.is_empty() {
        gathered.remarks.push("no reading in what was given".into());
        return Ok(gathered);
    }
    let radii = order.radii.or(before.radii).unwrap_or(RADII);
    let title = order.title.clone().or(before.title.clone());
    let title = title.unwrap_or_else(|| "Ring widths".into());
    let inputs = Inputs {
        sheet: bytes_of(|out| sheet::write(out, &sheet)).map_err(one)?,
        corrections: bytes_of(|out| corrections.write(out)).map_err(one)?,
        radii,
        title,
    };
    let hash = inputs.hash(&planned);
    if before.is_whole && before.inputs_sha256.as_deref() == Some(hash.as_str()) {
        return Ok(gathered);
    }
    store.begin().map_err(one)?;
    let written = write::write(
        &store,
        &inputs,
        &hash,
        &planned,
        &sheet,
        &corrections,
        &mut gathered.remarks,
    );
    gathered.rows = written.map_err(|error| {
        // What is half made goes; a failure in that is the next run's to tell.
        let _ = store.recover();
        one(error)
    })?;
    gathered.is_written = true;
    Ok(gathered)
}

fn bytes_of(write: impl FnOnce(&mut Vec<u8>) -> io::Result<()>) -> Result<Vec<u8>, Error> {
    let mut bytes = Vec::new();
    write(&mut bytes).map_err(|fault| Error::Fault {
        path: "dataset".into(),
        what: fault.to_string(),
    })?;
    Ok(bytes)
}

fn load_sheet(path: &Path) -> Result<Sheet, Vec<Error>> {
    let bytes = std::fs::read(path).map_err(|source| {
        vec![Error::Unreadable {
            path: path.to_path_buf(),
            source,
        }]
    })?;
    sheet::parse(&bytes, path)
}

fn load_corrections(store: &Store) -> Result<Corrections, Vec<Error>> {
    match store.read(CORRECTIONS).map_err(|e| vec![e])? {
        Some(bytes) => corrections::parse(&bytes, &store.path(CORRECTIONS)),
        None => Ok(Corrections::default()),
    }
}

/// The dataset as it was found.
#[derive(Debug)]
struct Before {
    entries: BTreeMap<Key, Entry>,
    sheet: Sheet,
    radii: Option<usize>,
    title: Option<String>,
    inputs_sha256: Option<String>,
    /// Whether every file is there as it was written.
    is_whole: bool,
}

impl Before {
    fn load(store: &Store, discard_edits: bool) -> Result<Self, Vec<Error>> {
        let one = |error: Error| vec![error];
        let package = match store.read(PACKAGE).map_err(one)? {
            Some(bytes) => serde_json::from_slice(&bytes).map_err(|fault| {
                one(Error::BadData {
                    path: store.path(PACKAGE),
                    line: u64::try_from(fault.line()).ok(),
                    what: format!("no description of a dataset: {fault}"),
                    way_out: "restore it, or delete it to have all tables written anew".into(),
                })
            })?,
            None => Value::Null,
        };
        let is_whole = unchanged(store, &package, discard_edits)?;
        let ours = &package["endgrain"];
        let whole = |value: &Value| value.as_u64().and_then(|n| usize::try_from(n).ok());
        let sheet = match store.read(SHEET).map_err(one)? {
            Some(bytes) => sheet::parse(&bytes, &store.path(SHEET))?,
            None => Sheet::default(),
        };
        Ok(Before {
            entries: entries(store)?,
            sheet,
            radii: whole(&ours["radii"]),
            title: package["title"].as_str().map(str::to_owned),
            inputs_sha256: ours["inputs_sha256"].as_str().map(str::to_owned),
            is_whole,
        })
    }
}

/// Whether every described file is there as it was written.
///
/// # Errors
/// One for each that somebody has changed, unless edits are to be discarded.
fn unchanged(store: &Store, package: &Value, discard_edits: bool) -> Result<bool, Vec<Error>> {
    let described: Vec<(&str, &str)> = package["resources"]
        .as_array()
        .map_or(&[][..], Vec::as_slice)
        .iter()
        .filter_map(|file| Some((file["path"].as_str()?, file["hash"].as_str()?)))
        // Its lines are checked one by one.
        .filter(|(name, _)| *name != READINGS)
        .collect();
    let looks: Vec<Result<Option<bool>, Error>> = described
        .par_iter()
        .map(|(name, wanted)| {
            let hash = store.hash(name)?;
            Ok(hash.map(|hash| wanted.strip_prefix("sha256:") == Some(&hash)))
        })
        .collect();
    let (mut is_whole, mut faults) = (!described.is_empty(), Vec::new());
    for ((name, _), look) in described.iter().zip(looks) {
        match look {
            Ok(Some(true)) => {}
            Ok(None) => is_whole = false,
            Ok(Some(false)) => {
                is_whole = false;
                if !discard_edits {
                    faults.push(Error::BadData {
                        path: store.path(name),
                        line: None,
                        what: "somebody has changed it since it was written".into(),
                        way_out: format!("put what is to be otherwise into {CORRECTIONS}, or give --discard-edits to have it written anew"),
                    });
                }
            }
            Err(error) => faults.push(error),
        }
    }
    if faults.is_empty() {
        Ok(is_whole)
    } else {
        Err(faults)
    }
}

/// The readings that the dataset holds.
fn entries(store: &Store) -> Result<BTreeMap<Key, Entry>, Vec<Error>> {
    let path = store.path(READINGS);
    if !path.is_file() {
        return Ok(BTreeMap::new());
    }
    let (mut places, mut refused) = (Vec::new(), Vec::new());
    sources::lines(&path, &mut places, &mut refused);
    let found: Vec<Result<Entry, Error>> = places
        .par_iter()
        .map(|p| sources::entry(p, false))
        .collect();
    let mut entries = BTreeMap::new();
    for entry in found {
        match entry {
            Ok(entry) => {
                entries.insert(entry.key.clone(), entry);
            }
            Err(error) => refused.push(error),
        }
    }
    if refused.is_empty() {
        Ok(entries)
    } else {
        Err(refused)
    }
}

/// The reading of each specimen.
fn readings_of(planned: &[Planned]) -> BTreeMap<String, String> {
    let pair = |one: &Planned| (one.name.clone(), one.entry.sha256.clone());
    planned.iter().map(pair).collect()
}

/// The readings that the dataset is to hold: those that it has and those given.
fn merge(
    before: &Before,
    order: &Order,
    corrections: &Corrections,
    gathered: &mut Gathered,
) -> BTreeMap<Key, Entry> {
    let places = sources::find(&order.readings, &mut gathered.refused);
    let found: Vec<Result<Entry, Error>> =
        places.par_iter().map(|p| sources::entry(p, true)).collect();
    let mut given: BTreeMap<Key, Vec<Entry>> = BTreeMap::new();
    for entry in found {
        match entry {
            Ok(entry) => {
                let list = given.entry(entry.key.clone()).or_default();
                if list.iter().all(|other| other.sha256 != entry.sha256) {
                    list.push(entry);
                }
            }
            Err(error) => gathered.refused.push(error),
        }
    }
    let corrected: BTreeSet<&str> = corrections
        .list
        .iter()
        .map(|c| c.reading_sha256.as_str())
        .collect();
    let mut entries = before.entries.clone();
    for (key, mut list) in given {
        list.sort_by_key(|entry| std::cmp::Reverse(version(&entry.version)));
        if let [first, second, ..] = list.as_slice()
            && version(&first.version) == version(&second.version)
        {
            let other = second.place.path.display();
            gathered.refused.push(Error::BadData {
                path: first.place.path.clone(),
                line: first.place.line,
                what: format!("another reading of the photo {} than {other}", first.photo),
                way_out:
                    "both are given in one run; give only the one that is to be in the dataset"
                        .into(),
            });
            continue;
        }
        let Some(new) = list.into_iter().next() else {
            continue;
        };
        match entries.get(&key) {
            Some(old) if old.sha256 == new.sha256 => gathered.unchanged += 1,
            Some(old) if corrected.contains(old.sha256.as_str()) && !order.replace_corrected => {
                gathered.held_back += 1;
                gathered.remarks.push(format!(
                    "{}: a newer reading was not taken, the one here is corrected by hand; --replace-corrected takes it",
                    new.photo
                ));
            }
            Some(_) => {
                gathered.replaced += 1;
                entries.insert(key, new);
            }
            None => {
                gathered.added += 1;
                entries.insert(key, new);
            }
        }
    }
    entries
}

/// A version to be compared.
fn version(text: &str) -> Vec<u64> {
    text.split(['.', '-', '+'])
        .map(|part| part.parse().unwrap_or(0))
        .collect()
}

/// The sheet that the dataset is to have, checked as a whole.
fn merge_sheets(
    store: &Store,
    older: &Sheet,
    newer: Option<Sheet>,
    remarks: &mut Vec<String>,
) -> Result<Sheet, Vec<Error>> {
    let newer = newer.unwrap_or_default();
    for (line, words) in newer.remarks.iter().chain(&older.remarks) {
        remarks.push(format!("sheet, line {line}: {words}"));
    }
    let merged = sheet::merge(older.clone(), newer);
    let mut bytes = Vec::new();
    sheet::write(&mut bytes, &merged).map_err(|source| {
        vec![Error::Unwritable {
            path: store.path(SHEET),
            source,
        }]
    })?;
    // Rows that are right by themselves may contradict those that were there.
    let path = store.path("sheet.csv with the rows of the new sheet");
    let mut whole = sheet::parse(&bytes, &path)?;
    whole.remarks.clear();
    Ok(whole)
}

/// Tells of corrections that were made on readings that are no longer here.
fn resting(corrections: &Corrections, planned: &[Planned], remarks: &mut Vec<String>) {
    let here: BTreeSet<&str> = planned.iter().map(|p| p.entry.sha256.as_str()).collect();
    let resting =
        |c: &&Correction| !c.reading_sha256.is_empty() && !here.contains(c.reading_sha256.as_str());
    let count = corrections.list.iter().filter(resting).count();
    if count > 0 {
        remarks.push(format!(
            "{CORRECTIONS}: {count} made on readings that are no longer here rest; look whether they are still needed"
        ));
    }
}
