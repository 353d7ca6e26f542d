//! The run record: which photos a run has finished, so that the same command goes on where an earlier
//! one was stopped or killed.
//!
//! `run-record.jsonl` lies beside the tables (`run-record.part-3-of-8.jsonl` for a part). One JSON
//! object a line. The first, `endgrain.run/1`, says what the run is of: `version` and `build` (a hash
//! of the sources) of the program, `settings`, the `part`, how many photos the whole list has
//! (`photos`) and a hash of their names (`list_sha256`), how many of them are this record's (`share`);
//! and once the run has ended `ended`: the SHA-256 of both tables and how many photos were not
//! reached. Every other line is a photo: its `place` in the whole list, its path, and either the
//! SHA-256 of its bytes (`sha256`) and of its three files, with the number of its rings, or why it was
//! `refused`. Where each of several log ends has its files, those after the first are in `further_ends`.
//!
//! While photos are read, lines are added as each is done; a line is written after the photo's files
//! are. At the end the record is written anew in the order of the photos, so that it is the same
//! however the run came to its end. A cut last line is passed over.
//!
//! A photo counts as done where version, build and settings are those of the record, the photo's bytes
//! have the hash, and so do its three files on the disk: one that was half written when the power went,
//! or that somebody changed, is made again. Photos that were refused are tried again each time: what
//! was in the way may be gone.
//!
//! The open record is locked, so that no two runs write the same files. A system that has no locks is
//! taken at its word.

use super::collect::Found;
use super::names::{Work, without_end};
use super::part::{Part, name_of};
use super::whole_file::{self, WholeFile};
use super::{AGES, WIDTHS};
use crate::error::Error;
use crate::settings::Settings;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, HashMap, HashSet};
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, BufRead, BufReader, Write};
use std::path::{Path, PathBuf};

/// The record's name in its first line.
const SCHEMA: &str = "endgrain.run/1";
/// File name of the record.
pub const RECORD: &str = "run-record.jsonl";

/// The whole list of photos of which a run may be a part.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listing {
    /// How many.
    pub photos: usize,
    /// SHA-256 of their paths below the paths given, in order, each ended by a zero byte.
    pub sha256: String,
}

impl Listing {
    /// The listing of what was found.
    pub fn of(found: &[Found]) -> Self {
        let mut hash = Sha256::new();
        for photo in found {
            hash.update(name_of(&photo.below));
            hash.update([0]);
        }
        Listing {
            photos: found.len(),
            sha256: hexadecimal(&hash.finalize()),
        }
    }
}

/// What a run is of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Head {
    pub(super) schema: String,
    pub(super) version: String,
    pub(super) build: String,
    pub(super) settings: Settings,
    pub(super) part: Option<String>,
    pub(super) photos: usize,
    pub(super) list_sha256: String,
    pub(super) share: usize,
    pub(super) ended: Option<Ended>,
}

/// How a run ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Ended {
    pub(super) ages_sha256: String,
    pub(super) widths_sha256: String,
    pub(super) not_reached: usize,
}

/// One photo's line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Entry {
    pub(super) place: usize,
    pub(super) photo: String,
    /// The files' path below the output folder, without their endings.
    pub(super) stem: String,
    #[serde(flatten)]
    pub(super) fate: Fate,
}

/// What became of a photo.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub(super) enum Fate {
    Read {
        sha256: String,
        #[serde(flatten)]
        first: FateOfEnd,
        /// The other log ends, where each of several has its files.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        further_ends: Vec<FateOfEnd>,
    },
    Refused {
        refused: String,
    },
}

/// What was made of one log end.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct FateOfEnd {
    pub(super) rings: usize,
    pub(super) reading_sha256: String,
    pub(super) overlay_sha256: String,
    pub(super) strip_sha256: String,
}

impl Fate {
    /// The log ends that were read; none of a photo that was refused.
    pub(super) fn ends(&self) -> impl Iterator<Item = &FateOfEnd> {
        let (first, further): (_, &[FateOfEnd]) = match self {
            Fate::Read {
                first,
                further_ends,
                ..
            } => (Some(first), further_ends),
            Fate::Refused { .. } => (None, &[]),
        };
        first.into_iter().chain(further)
    }
}

impl Head {
    pub(super) fn new(
        settings: &Settings,
        part: Option<Part>,
        listing: &Listing,
        share: usize,
    ) -> Self {
        Head {
            schema: SCHEMA.into(),
            version: env!("CARGO_PKG_VERSION").into(),
            build: env!("ENDGRAIN_BUILD").into(),
            settings: settings.clone(),
            part: part.map(|part| part.to_string()),
            photos: listing.photos,
            list_sha256: listing.sha256.clone(),
            share,
            ended: None,
        }
    }

    /// Whether readings of that run are those that this one would make.
    pub(super) fn reads_as(&self, other: &Head) -> bool {
        self.schema == other.schema
            && self.version == other.version
            && self.build == other.build
            && self.settings == other.settings
    }
}

/// The file name of a table or record of a part: `ages.csv`, `ages.part-3-of-8.csv`.
pub(super) fn name_in_part(name: &str, part: Option<Part>) -> String {
    match (part, name.split_once('.')) {
        (Some(part), Some((stem, ending))) => {
            format!("{stem}.part-{}-of-{}.{ending}", part.number, part.of)
        }
        _ => name.to_owned(),
    }
}

/// The record of a run in progress.
#[derive(Debug)]
pub struct Record {
    path: PathBuf,
    head: Head,
    /// What earlier runs finished, by stem.
    known: HashMap<String, Entry>,
    /// What this run has finished, by place.
    now: BTreeMap<usize, Entry>,
    /// Open and locked; none once it could not be written.
    file: Option<File>,
}

impl Record {
    /// Opens the record of a run into `out`, with what an earlier run of the same settings and the
    /// same program left; with `again` that is not looked at. `work` is this run's share of the
    /// photos in `listing`.
    ///
    /// # Errors
    /// [`Error::Unwritable`]; [`Error::Setting`] where another run has it open.
    pub fn open(
        out: &Path,
        settings: &Settings,
        part: Option<Part>,
        listing: &Listing,
        work: &[Work],
        again: bool,
    ) -> Result<Self, Error> {
        let path = out.join(name_in_part(RECORD, part));
        let unwritable = |source| Error::Unwritable {
            path: path.clone(),
            source,
        };
        std::fs::create_dir_all(out).map_err(|source| Error::Unwritable {
            path: out.to_path_buf(),
            source,
        })?;
        let open = || {
            let mut options = OpenOptions::new();
            let file = options.create(true).read(true).append(true).open(&path);
            lock(file.map_err(unwritable)?, out)
        };
        let earlier = open()?;
        let head = Head::new(settings, part, listing, work.len());
        let mut known = HashMap::new();
        if !again
            && let Some((old, entries)) = read(&earlier).map_err(unwritable)?
            && old.reads_as(&head)
        {
            let places: HashMap<String, usize> = work
                .iter()
                .map(|work| (stem_in(work, out), work.place))
                .collect();
            // The list may have grown or shrunk: places are those of now.
            let read = entries.into_iter().filter_map(|mut entry| {
                entry.place = *places.get(&entry.stem)?;
                let is_read = matches!(entry.fate, Fate::Read { .. });
                is_read.then(|| (entry.stem.clone(), entry))
            });
            known = read.collect();
        }
        // Written anew: a cut last line must not swallow the next one.
        let mut whole = WholeFile::create(&path)?;
        let mut begun: Vec<&Entry> = known.values().collect();
        begun.sort_by_key(|entry| (entry.place, &entry.stem));
        write_line(&mut whole, &head)
            .and_then(|()| {
                begun
                    .iter()
                    .try_for_each(|entry| write_line(&mut whole, entry))
            })
            .map_err(unwritable)?;
        whole.finish()?;
        let file = open()?;
        drop(earlier);
        let of_run = [AGES, WIDTHS, RECORD].map(|name| out.join(name_in_part(name, part)));
        remove_leftovers(work.iter().flat_map(Work::outputs).chain(of_run));
        Ok(Record {
            path,
            head,
            known,
            now: BTreeMap::new(),
            file: Some(file),
        })
    }

    /// What an earlier run finished of a photo, if the files are still what it wrote.
    pub(super) fn known(&self, work: &Work, out: &Path) -> Option<&Entry> {
        let entry = self.known.get(&*stem_in(work, out))?;
        (entry.photo == work.path.to_string_lossy()).then_some(entry)
    }

    /// Adds a photo's line.
    pub(super) fn add(&mut self, entry: Entry) {
        if let Some(file) = &mut self.file {
            // A line that can't be written costs no more than reading the photo once more, should
            // the run be killed; what is wrong with the disk is told at the latest with the tables.
            if write_line(file, &entry).is_err() {
                self.file = None;
            }
        }
        self.now.insert(entry.place, entry);
    }

    /// Writes the record as it stays.
    pub(super) fn finish(mut self, ended: Ended) -> Result<(), Error> {
        if ended.not_reached > 0 {
            // What an earlier run finished stays finished.
            for entry in self.known.into_values() {
                self.now.entry(entry.place).or_insert(entry);
            }
        }
        self.head.ended = Some(ended);
        write_whole(&self.path, &self.head, self.now.values())
    }
}

/// Removes what a killed run left half written of these files. That the record is locked says that
/// nobody is writing them now; other parts' files in the same folders are left alone.
fn remove_leftovers(outputs: impl Iterator<Item = PathBuf>) {
    let mut own: HashMap<PathBuf, HashSet<Vec<u8>>> = HashMap::new();
    for path in outputs {
        if let (Some(folder), Some(name)) = (path.parent(), path.file_name()) {
            let names = own.entry(folder.to_path_buf()).or_default();
            names.insert(name.as_encoded_bytes().to_vec());
        }
    }
    for (folder, names) in own {
        // A folder that isn't there holds nothing that was left.
        for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
            let name = entry.file_name();
            if whole_file::half_of(&name)
                .is_some_and(|whole| names.contains(whole) || names.contains(&without_end(whole)))
            {
                // Should it stay, it does no harm.
                let _ = std::fs::remove_file(entry.path());
            }
        }
    }
}

/// Writes a record whole.
pub(super) fn write_whole<'a>(
    path: &Path,
    head: &Head,
    mut entries: impl Iterator<Item = &'a Entry>,
) -> Result<(), Error> {
    let mut file = WholeFile::create(path)?;
    write_line(&mut file, head)
        .and_then(|()| entries.try_for_each(|entry| write_line(&mut file, entry)))
        .map_err(|source| Error::Unwritable {
            path: path.to_path_buf(),
            source,
        })?;
    file.finish()
}

/// A photo's stem as the record names it.
pub(super) fn stem_in(work: &Work, out: &Path) -> String {
    let below = work.stem.strip_prefix(out).unwrap_or(&work.stem);
    below.to_string_lossy().into_owned()
}

fn write_line(to: &mut impl Write, object: &impl Serialize) -> io::Result<()> {
    let mut line = serde_json::to_vec(object)?;
    line.push(b'\n');
    to.write_all(&line)
}

fn lock(file: File, out: &Path) -> Result<File, Error> {
    match file.try_lock() {
        Err(TryLockError::WouldBlock) => Err(Error::setting(format!(
            "{}: another run is writing there; wait for its end or give --out another folder",
            out.display()
        ))),
        // Done, or there are no locks on this disk.
        _ => Ok(file),
    }
}

/// Reads a record as far as it is whole; `None` where its first line isn't.
pub(super) fn read(file: &File) -> io::Result<Option<(Head, Vec<Entry>)>> {
    let mut lines = BufReader::new(file).split(b'\n');
    let Some(first) = lines.next().transpose()? else {
        return Ok(None);
    };
    let Ok(head) = serde_json::from_slice::<Head>(&first) else {
        return Ok(None);
    };
    let mut entries = Vec::new();
    for line in lines {
        // A cut line, or one of zeros that a power cut left.
        if let Ok(entry) = serde_json::from_slice(&line?) {
            entries.push(entry);
        }
    }
    Ok(Some((head, entries)))
}

/// SHA-256 of a file, hexadecimal.
pub(super) fn file_sha256(path: &Path) -> io::Result<String> {
    let mut file = BufReader::with_capacity(1 << 16, File::open(path)?);
    let mut hash = Sha256::new();
    loop {
        let bytes = file.fill_buf()?;
        if bytes.is_empty() {
            return Ok(hexadecimal(&hash.finalize()));
        }
        hash.update(bytes);
        let n = bytes.len();
        file.consume(n);
    }
}

fn hexadecimal(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes.iter().fold(String::new(), |mut text, byte| {
        // Writing into a String can't fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}
