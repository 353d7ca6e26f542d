//! One run made of its parts: their tables and records become those that one run on one machine
//! would have written, byte for byte, after it is checked that they belong together.
//!
//! Checked are: the same program, settings and list of photos; every part there, none twice; every
//! part ended, all its photos reached; its tables those that its record names by hash; every photo of
//! the list in one part. Rows are taken as they stand, in the order of the whole list.

use super::record::{
    Ended, Entry, Fate, Head, RECORD, file_sha256, name_in_part, read, write_whole,
};
use super::{AGES, Part, WIDTHS, WholeFile};
use crate::error::Error;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, BufReader};
use std::path::{Path, PathBuf};

/// What was merged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Merged {
    /// Parts.
    pub parts: u32,
    /// Photos in all of them.
    pub photos: usize,
    /// Those of them that were refused.
    pub refused: usize,
}

/// One part's files.
struct Share {
    part: Part,
    record: PathBuf,
    head: Head,
    entries: Vec<Entry>,
}

/// Merges the parts whose tables and records lie in the folders `parts` into `out`. A run record is
/// written where all of them lie in `out` itself: elsewhere it would tell of readings that aren't
/// there.
///
/// # Errors
/// [`Error::BadData`] names the record or table that doesn't fit and what to do about it;
/// [`Error::Unreadable`], [`Error::Unwritable`].
///
/// # Memory
/// The records; the tables are read row by row.
pub fn merge(parts: &[PathBuf], out: &Path) -> Result<Merged, Error> {
    let mut shares = Vec::new();
    for folder in parts {
        find(folder, &mut shares)?;
    }
    let of = check(&mut shares, parts)?;
    let order = order(&shares)?;
    std::fs::create_dir_all(out).map_err(|source| Error::Unwritable {
        path: out.to_path_buf(),
        source,
    })?;
    let ages_sha256 = join(&shares, &order, out, AGES, |fate| {
        fate.ends().count().max(1)
    })?;
    let widths_sha256 = join(&shares, &order, out, WIDTHS, |fate| {
        fate.ends().map(|end| end.rings).sum()
    })?;
    let entry = |&(share, at): &(usize, usize)| &shares[share].entries[at];
    let here = out.canonicalize().ok();
    let is_all_here = shares.iter().all(|share| {
        let folder = share.record.parent().map(Path::canonicalize);
        folder.and_then(Result::ok) == here
    });
    if is_all_here {
        let head = Head {
            part: None,
            share: order.len(),
            ended: Some(Ended {
                ages_sha256,
                widths_sha256,
                not_reached: 0,
            }),
            ..shares[0].head.clone()
        };
        write_whole(&out.join(RECORD), &head, order.values().map(entry))?;
    }
    let refused = order
        .values()
        .filter(|place| matches!(entry(place).fate, Fate::Refused { .. }));
    Ok(Merged {
        parts: of,
        photos: order.len(),
        refused: refused.count(),
    })
}

fn bad(path: &Path, what: impl Into<String>, way_out: &str) -> Error {
    Error::BadData {
        path: path.to_path_buf(),
        line: None,
        what: what.into(),
        way_out: way_out.into(),
    }
}

/// Finds the records of parts in a folder.
fn find(folder: &Path, shares: &mut Vec<Share>) -> Result<(), Error> {
    let unreadable = |path: &Path, source| Error::Unreadable {
        path: path.to_path_buf(),
        source,
    };
    let entries = std::fs::read_dir(folder).map_err(|e| unreadable(folder, e))?;
    let mut records: Vec<PathBuf> = Vec::new();
    for entry in entries {
        let name = entry.map_err(|e| unreadable(folder, e))?.file_name();
        let name = name.to_string_lossy();
        if name.starts_with("run-record.part-") && name.ends_with(".jsonl") {
            records.push(folder.join(&*name));
        }
    }
    records.sort();
    for record in records {
        let file = File::open(&record).map_err(|e| unreadable(&record, e))?;
        let read = read(&file).map_err(|e| unreadable(&record, e))?;
        let again = "run that part again";
        let Some((head, entries)) = read else {
            return Err(bad(&record, "no run record that this version knows", again));
        };
        let part = head.part.as_ref().and_then(|part| part.parse().ok());
        let Some(part) = part else {
            return Err(bad(&record, "a record without its part", again));
        };
        shares.push(Share {
            part,
            record,
            head,
            entries,
        });
    }
    Ok(())
}

/// Checks that the parts belong together and are whole, and sorts them; gives how many there are.
fn check(shares: &mut [Share], folders: &[PathBuf]) -> Result<u32, Error> {
    shares.sort_by_key(|share| share.part);
    let Some(first) = shares.first() else {
        let folder = folders.first().map_or(Path::new("."), PathBuf::as_path);
        return Err(bad(
            folder,
            "no part of a run",
            "name the folders given to endgrain count --part K/N --out",
        ));
    };
    let of = first.part.of;
    let again = "run that part again, by the same program with the same settings";
    for share in shares.iter() {
        let told = &share.record;
        if share.part.of != of {
            let what = format!("part {} among parts of {of}", share.part);
            return Err(bad(told, what, "merge the parts of one run only"));
        }
        if !share.head.reads_as(&first.head) {
            let what = format!(
                "part {} was made by another version or with other settings than part {}",
                share.part, first.part
            );
            return Err(bad(told, what, again));
        }
        if (share.head.photos, &share.head.list_sha256)
            != (first.head.photos, &first.head.list_sha256)
        {
            let what = format!(
                "part {} is of another list of photos than part {}",
                share.part, first.part
            );
            return Err(bad(told, what, "run all parts again on the same photos"));
        }
        let go_on = "run that part again; it goes on where it was stopped";
        match &share.head.ended {
            None => {
                return Err(bad(
                    told,
                    format!("part {} has not ended", share.part),
                    go_on,
                ));
            }
            Some(ended) if ended.not_reached > 0 => {
                let what = format!(
                    "part {} was stopped with {} photos not reached",
                    share.part, ended.not_reached
                );
                return Err(bad(told, what, go_on));
            }
            Some(ended) => {
                check_table(share, AGES, &ended.ages_sha256)?;
                check_table(share, WIDTHS, &ended.widths_sha256)?;
            }
        }
    }
    for pair in shares.windows(2) {
        if pair[0].part == pair[1].part {
            let what = format!("part {} is there twice", pair[1].part);
            return Err(bad(
                &pair[1].record,
                what,
                "name the folder of one of them only",
            ));
        }
    }
    let missing: Vec<String> = (1..=of)
        .filter(|number| !shares.iter().any(|share| share.part.number == *number))
        .map(|number| format!("{number}/{of}"))
        .collect();
    if !missing.is_empty() {
        let what = format!("missing: part {}", missing.join(", "));
        return Err(bad(
            &shares[0].record,
            what,
            "run it, or name the folder that it lies in as well",
        ));
    }
    Ok(of)
}

fn check_table(share: &Share, name: &str, sha256: &str) -> Result<(), Error> {
    let path = table_of(share, name);
    let now = file_sha256(&path).map_err(|source| Error::Unreadable {
        path: path.clone(),
        source,
    })?;
    if now == sha256 {
        return Ok(());
    }
    Err(bad(
        &path,
        "changed since its run ended",
        "run that part again; its photos are not read anew",
    ))
}

fn table_of(share: &Share, name: &str) -> PathBuf {
    share
        .record
        .with_file_name(name_in_part(name, Some(share.part)))
}

/// Every photo of the list, by its place: which part has it, and where there.
fn order(shares: &[Share]) -> Result<BTreeMap<usize, (usize, usize)>, Error> {
    let mut order = BTreeMap::new();
    for (k, share) in shares.iter().enumerate() {
        for (at, entry) in share.entries.iter().enumerate() {
            if let Some((other, _)) = order.insert(entry.place, (k, at)) {
                let what = format!(
                    "{} is in part {} and in part {}",
                    entry.photo, shares[other].part, share.part
                );
                return Err(bad(&share.record, what, "run both parts again"));
            }
        }
        if share.entries.len() != share.head.share {
            let what = format!(
                "part {} tells of {} photos and should of {}",
                share.part,
                share.entries.len(),
                share.head.share
            );
            return Err(bad(&share.record, what, "run that part again"));
        }
    }
    let photos = shares[0].head.photos;
    if order.len() != photos {
        let what = if order.len() < photos {
            format!("{} of {photos} photos are in no part", photos - order.len())
        } else {
            format!("{} photos in parts of a list of {photos}", order.len())
        };
        return Err(bad(&shares[0].record, what, "run all parts again"));
    }
    Ok(order)
}

/// Joins one of the tables: its header, then of each photo so many rows; gives its hash.
fn join(
    shares: &[Share],
    order: &BTreeMap<usize, (usize, usize)>,
    out: &Path,
    name: &str,
    rows: impl Fn(&Fate) -> usize,
) -> Result<String, Error> {
    let path = out.join(name);
    let unwritable = |source: io::Error| Error::Unwritable {
        path: path.clone(),
        source,
    };
    let mut tables = Vec::new();
    for share in shares {
        let from = table_of(share, name);
        let file = File::open(&from).map_err(|source| Error::Unreadable {
            path: from.clone(),
            source,
        })?;
        tables.push((from, csv::Reader::from_reader(BufReader::new(file))));
    }
    let mut joined = csv::Writer::from_writer(WholeFile::create(&path)?);
    let damaged =
        |path: &Path, refused: csv::Error| bad(path, refused.to_string(), "run that part again");
    let mut row = csv::ByteRecord::new();
    for (k, (from, table)) in tables.iter_mut().enumerate() {
        let head = table.byte_headers().map_err(|e| damaged(from, e))?;
        if k == 0 {
            joined
                .write_byte_record(head)
                .map_err(|e| unwritable(e.into()))?;
        }
    }
    for &(k, at) in order.values() {
        let entry = &shares[k].entries[at];
        let (from, table) = &mut tables[k];
        for _ in 0..rows(&entry.fate) {
            let is_there = table
                .read_byte_record(&mut row)
                .map_err(|e| damaged(from, e))?;
            if !is_there || row.get(0) != Some(entry.photo.as_bytes()) {
                let what = format!("no row of {} where its record has it", entry.photo);
                return Err(bad(from, what, "run that part again"));
            }
            joined
                .write_byte_record(&row)
                .map_err(|e| unwritable(e.into()))?;
        }
    }
    let file = joined
        .into_inner()
        .map_err(|e| unwritable(e.into_error()))?;
    file.finish()?;
    file_sha256(&path).map_err(unwritable)
}
