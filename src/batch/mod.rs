//! Many photos: found, read side by side, written, and told of in the order in which they were given.
//!
//! [`collect`](crate::batch::collect()) finds the photos, [`plan`](crate::batch::plan) gives each its
//! place under the output folder, [`run`](crate::batch::run) reads them on threads of this process by a
//! function that the caller hands in ([`read_and_draw`](crate::batch::read_and_draw) in the program),
//! [`run_recorded`](crate::batch::run_recorded) in [processes](crate::batch::Processes) of their own,
//! and goes on where an earlier run was stopped ([`Record`](crate::batch::Record)). Results leave in
//! the order of the work whatever the number of threads, and nothing of thread order reaches a file.
//! A photo that fails costs no other photo anything. [`Part`](crate::batch::Part) takes a share of the
//! photos for one of several machines, [`merge`](crate::batch::merge()) makes one run of the parts.
//!
//! Every file is written under a temporary name in its own folder, synced and renamed, the reading
//! last: a reading that is there has its pictures, and a killed run leaves no half file (but perhaps a
//! hidden `.*.part-*`, which the next run removes).

mod budget;
mod collect;
mod forecast;
mod frames;
mod merge;
mod names;
mod part;
mod processes;
mod reader;
mod record;
mod serve;
mod stop;
mod whole_file;

pub use budget::{BASE_BYTES, Budget, Held, PIXEL_BYTES, need_bytes};
pub use collect::{Collected, Found, Remark, collect, paths_in};
pub use forecast::{Forecast, forecast};
pub use merge::{Merged, merge};
pub use names::{Work, plan};
pub use part::Part;
pub use processes::Processes;
pub use reader::{Answer, FilesOfEnd, Finished, Reader};
pub use record::{Listing, RECORD, Record};
pub use serve::serve;
pub use stop::{Stop, StopReason};
pub use whole_file::WholeFile;

use crate::error::Error;
use crate::photo::{self, Photo, panic_words};
use crate::reading::{self, Reading};
use crate::settings::{EndsWanted, Settings};
use crate::{draw, tables};
use reader::OnThread;
use record::{Ended, Entry, Fate, FateOfEnd, file_sha256, name_in_part, stem_in};
use std::collections::BTreeMap;
use std::fs;
use std::io::{self, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::mpsc;

/// What is made of one log end of a photo, before it is written.
#[derive(Debug, Clone)]
pub struct Outputs {
    /// The reading.
    pub reading: Reading,
    /// The overlay, as the bytes of a JPEG file.
    pub overlay: Vec<u8>,
    /// The strip, as the bytes of a JPEG file.
    pub strip: Vec<u8>,
}

/// Hears of each photo as it is done, in the order of the work, on the thread that called [`run`].
pub trait Report {
    /// A photo was read and its files are written.
    fn read(&mut self, work: &Work, reading: &Reading);
    /// A photo could not be read, or its files not be written.
    fn failed(&mut self, work: &Work, error: &Error);
    /// A photo's files were finished by an earlier run and are what they would be now.
    fn read_before(&mut self, work: &Work, reading: &Reading) {
        self.read(work, reading);
    }
    /// A further log end of the photo that [`Report::read`] or [`Report::read_before`] has just told
    /// of, where each of several is read.
    fn further_end(&mut self, work: &Work, reading: &Reading) {
        self.read(work, reading);
    }
    /// The run was stopped before it came to this photo.
    fn not_reached(&mut self, _: &Work) {}
}

/// The two tables of a run, open under temporary names until the run is over.
#[derive(Debug)]
pub struct Tables {
    out: PathBuf,
    /// File names of both.
    names: [String; 2],
    ages: tables::AgesWriter<WholeFile>,
    widths: tables::WidthsWriter<WholeFile>,
}

/// File name of the table with one row a photo.
pub const AGES: &str = "ages.csv";
/// File name of the table with one row a ring.
pub const WIDTHS: &str = "widths.csv";

/// Photos that may be in work or wait for an earlier one, for each thread: enough that one slow photo
/// doesn't idle the others, few enough that their readings (about half a megabyte each) don't pile up.
const AHEAD: usize = 8;

impl Tables {
    /// Makes the output folder and begins both tables in it, so that a folder that can't be written
    /// is noticed before the first photo is read.
    ///
    /// # Errors
    /// [`Error::Unwritable`].
    pub fn create(out: &Path, settings: &Settings) -> Result<Self, Error> {
        Tables::create_part(out, settings, None)
    }

    /// The same for a part of a run, whose tables have the part in their names.
    ///
    /// # Errors
    /// [`Error::Unwritable`].
    pub fn create_part(out: &Path, settings: &Settings, part: Option<Part>) -> Result<Self, Error> {
        fs::create_dir_all(out).map_err(|source| Error::Unwritable {
            path: out.to_path_buf(),
            source,
        })?;
        let names = [AGES, WIDTHS].map(|name| name_in_part(name, part));
        let begin = |name: &str| WholeFile::create(&out.join(name));
        let unwritable = |name: &str, source| Error::Unwritable {
            path: out.join(name),
            source,
        };
        Ok(Tables {
            ages: match settings.ends {
                EndsWanted::Largest => tables::AgesWriter::new(begin(&names[0])?),
                EndsWanted::All => tables::AgesWriter::with_ends(begin(&names[0])?),
            }
            .map_err(|e| unwritable(&names[0], e))?,
            widths: tables::WidthsWriter::new(begin(&names[1])?, settings)
                .map_err(|e| unwritable(&names[1], e))?,
            out: out.to_path_buf(),
            names,
        })
    }

    fn unwritable(&self, source: io::Error) -> Error {
        Error::Unwritable {
            path: self.out.clone(),
            source,
        }
    }

    /// Adds one photo's row and rings.
    fn add(&mut self, work: &Work, fate: &Told) -> Result<(), Error> {
        let photo = work.path.to_string_lossy();
        let written = match fate {
            Told::Read { readings, .. } => readings.iter().try_for_each(|reading| {
                self.ages.read(&photo, reading)?;
                self.widths.read(&photo, reading)
            }),
            Told::Refused(error) => self.ages.refused(&photo, &error.reason()),
            Told::NotReached => self.ages.not_reached(&photo),
        };
        written.map_err(|source| self.unwritable(source))
    }

    /// Gives both tables their names; then their hashes.
    fn finish(self) -> Result<[String; 2], Error> {
        let Tables {
            out,
            names,
            ages,
            widths,
        } = self;
        let paths = names.map(|name| out.join(name));
        let unwritable = |path: &Path, source| Error::Unwritable {
            path: path.to_path_buf(),
            source,
        };
        let ages = ages.finish().map_err(|e| unwritable(&paths[0], e))?;
        ages.finish()?;
        let widths = widths.finish().map_err(|e| unwritable(&paths[1], e))?;
        widths.finish()?;
        let hash = |path: &PathBuf| file_sha256(path).map_err(|e| unwritable(path, e));
        Ok([hash(&paths[0])?, hash(&paths[1])?])
    }
}

/// Reads one log end of a photo, the largest whole one of several, and draws its pictures.
///
/// # Errors
/// All of [`crate::read`]'s, and a fault of the JPEG writer.
///
/// # Memory
/// Beside what reading takes, the strip; the overlay is drawn on the photo's own pixels.
pub fn read_and_draw(photo: Photo, settings: &Settings) -> Result<Outputs, Error> {
    let reading = crate::read(&photo, settings)?;
    let file = Path::new(&photo.file);
    let strip = draw::jpeg(&draw::strip(&photo, &reading, settings), file)?;
    let overlay = draw::jpeg(&draw::overlay_onto(photo.pixels, &reading, settings), file)?;
    Ok(Outputs {
        reading,
        overlay,
        strip,
    })
}

/// Reads the log ends that the settings ask for and draws the pictures of each: what the program does
/// with each photo. At least one.
///
/// # Errors
/// As [`read_and_draw`].
///
/// # Memory
/// As [`read_and_draw`]; where several are read a second photo, and their pictures as JPEG.
pub fn read_and_draw_ends(photo: Photo, settings: &Settings) -> Result<Vec<Outputs>, Error> {
    if settings.ends == EndsWanted::Largest {
        return Ok(vec![read_and_draw(photo, settings)?]);
    }
    let readings = crate::read_ends(&photo, settings)?;
    let file = Path::new(&photo.file).to_path_buf();
    let drawn = readings.into_iter().map(|reading| {
        Ok(Outputs {
            strip: draw::jpeg(&draw::strip(&photo, &reading, settings), &file)?,
            overlay: draw::jpeg(&draw::overlay(&photo, &reading, settings), &file)?,
            reading,
        })
    });
    drawn.collect()
}

/// How a run came to its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RunEnd {
    /// Why it was stopped, if it was.
    pub stopped: Option<StopReason>,
    /// Photos that it didn't come to.
    pub not_reached: usize,
}

/// Reads all photos of `work` on `jobs` threads (at least one) of this process by `make` and writes
/// their files and the two tables, without a record.
///
/// `make` gets one photo at a time and must not depend on anything else, so that its outputs are the
/// same for any number of threads. `report` hears of each photo.
///
/// # Errors
/// [`Error::Unwritable`] where a table can't be finished; [`Error::Fault`] where no threads can be
/// had. Failures of single photos go to `report` instead.
///
/// # Memory
/// `jobs` times what one photo takes (decoded picture, work, overlay), and up to eight readings a
/// thread that wait for an earlier photo.
pub fn run(
    work: &[Work],
    mut tables: Tables,
    settings: &Settings,
    jobs: usize,
    make: &(dyn Fn(Photo, &Settings) -> Result<Outputs, Error> + Sync),
    report: &mut dyn Report,
) -> Result<(), Error> {
    let make = |photo: Photo, settings: &Settings| Ok(vec![make(photo, settings)?]);
    let reader = OnThread {
        settings,
        make: &make,
    };
    let stop = Stop::new();
    let mut record = None;
    drive(work, &mut tables, &mut record, &reader, jobs, &stop, report)?;
    tables.finish()?;
    Ok(())
}

/// Reads all photos of `work` by `reader`, `jobs` of them side by side, and writes their files, the two
/// tables and the record. Photos that the record knows as done are not read again. Once `stop` is
/// asked, photos in work are finished, no other is begun, and the tables are written all the same.
///
/// # Errors
/// As [`run`].
pub fn run_recorded(
    work: &[Work],
    mut tables: Tables,
    record: Record,
    reader: &dyn Reader,
    jobs: usize,
    stop: &Stop,
    report: &mut dyn Report,
) -> Result<RunEnd, Error> {
    let mut record = Some(record);
    let not_reached = drive(work, &mut tables, &mut record, reader, jobs, stop, report)?;
    let [ages_sha256, widths_sha256] = tables.finish()?;
    if let Some(record) = record {
        record.finish(Ended {
            ages_sha256,
            widths_sha256,
            not_reached,
        })?;
    }
    Ok(RunEnd {
        stopped: stop.reason(),
        not_reached,
    })
}

/// What became of a photo, as the thread that called hears of it.
enum Told {
    Read {
        /// One a log end, at least one.
        readings: Vec<Reading>,
        fate: Box<Fate>,
        is_before: bool,
    },
    Refused(Error),
    NotReached,
}

/// Reads the photos and tells of each in order; gives how many were not reached.
fn drive(
    work: &[Work],
    tables: &mut Tables,
    record: &mut Option<Record>,
    reader: &dyn Reader,
    jobs: usize,
    stop: &Stop,
    report: &mut dyn Report,
) -> Result<usize, Error> {
    let jobs = jobs.max(1);
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(jobs)
        .build()
        .map_err(|refused| Error::Fault {
            path: "threads".into(),
            what: refused.to_string(),
        })?;
    let out = tables.out.clone();
    let mut not_reached = 0;
    pool.in_place_scope_fifo(|scope| {
        let (sender, results) = mpsc::channel();
        let mut waiting = BTreeMap::new();
        let (mut begun, mut done) = (0, 0);
        while done < work.len() {
            while begun < work.len() && begun < done + AHEAD * jobs {
                let (sender, index) = (sender.clone(), begun);
                let known = record
                    .as_ref()
                    .and_then(|record| record.known(&work[index], &out))
                    .map(|entry| entry.fate.clone());
                scope.spawn_fifo(move |_| {
                    // The receiver is gone only where the run has already failed.
                    let _ = sender.send((index, one(&work[index], known, reader, stop)));
                });
                begun += 1;
            }
            // `sender` lives here, so the channel can't be closed.
            let Ok((index, told)) = results.recv() else {
                break;
            };
            if let Some(record) = record
                && let Some(entry) = entry(&work[index], &told, &out)
            {
                record.add(entry);
            }
            waiting.insert(index, told);
            while let Some(told) = waiting.remove(&done) {
                let work = &work[done];
                done += 1;
                let added = tables.add(work, &told);
                match &told {
                    Told::Read {
                        readings,
                        is_before,
                        ..
                    } => {
                        for (k, reading) in readings.iter().enumerate() {
                            match (k, is_before) {
                                (0, true) => report.read_before(work, reading),
                                (0, false) => report.read(work, reading),
                                _ => report.further_end(work, reading),
                            }
                        }
                    }
                    Told::Refused(error) => report.failed(work, error),
                    Told::NotReached => {
                        not_reached += 1;
                        report.not_reached(work);
                    }
                }
                added?;
            }
        }
        Ok(not_reached)
    })
}

/// A photo's line in the record; none for one that was not reached.
fn entry(work: &Work, told: &Told, out: &Path) -> Option<Entry> {
    let fate = match told {
        Told::Read { fate, .. } => Fate::clone(fate),
        Told::Refused(error) => Fate::Refused {
            refused: error.reason(),
        },
        Told::NotReached => return None,
    };
    Some(Entry {
        place: work.place,
        photo: work.path.to_string_lossy().into_owned(),
        stem: stem_in(work, out),
        fate,
    })
}

/// Reads one photo and writes its files. Whatever happens here, down to a panic, is this photo's.
fn one(work: &Work, known: Option<Fate>, reader: &dyn Reader, stop: &Stop) -> Told {
    if stop.reason().is_some() {
        return Told::NotReached;
    }
    let whole = || read_one(work, known.as_ref(), reader);
    let result = catch_unwind(AssertUnwindSafe(whole)).unwrap_or_else(|panic| {
        Err(Error::Fault {
            path: work.path.clone(),
            what: panic_words(panic.as_ref()),
        })
    });
    result.unwrap_or_else(|error| {
        if is_disk_full(&error) {
            // Every photo after this one would be read for nothing.
            stop.ask(StopReason::Disk);
        }
        Told::Refused(error)
    })
}

fn is_disk_full(error: &Error) -> bool {
    let Error::Unwritable { source, .. } = error else {
        return false;
    };
    matches!(
        source.kind(),
        io::ErrorKind::StorageFull
            | io::ErrorKind::QuotaExceeded
            | io::ErrorKind::ReadOnlyFilesystem
    )
}

fn read_one(work: &Work, known: Option<&Fate>, reader: &dyn Reader) -> Result<Told, Error> {
    let before = known.and_then(|fate| finished_before(work, fate));
    let known_sha256 = before.as_ref().map(|(sha256, ..)| sha256.as_str());
    let finished = match reader.read(&work.path, known_sha256)? {
        Answer::Finished(finished) => finished,
        Answer::Same => {
            let Some((_, fate, readings)) = before else {
                return Err(Error::Fault {
                    path: work.path.clone(),
                    what: "a photo that is not known was taken for a known one".into(),
                });
            };
            return Ok(Told::Read {
                readings,
                fate: Box::new(fate),
                is_before: true,
            });
        }
    };
    let mut readings = Vec::with_capacity(finished.ends.len());
    let mut fates = Vec::with_capacity(finished.ends.len());
    for end in &finished.ends {
        let reading = reading::parse(&end.reading, &work.path).map_err(|refused| Error::Fault {
            path: work.path.clone(),
            what: format!("its reading can't be read back: {}", refused.reason()),
        })?;
        fates.push(FateOfEnd {
            rings: reading.rings.len(),
            reading_sha256: photo::sha256_of(&end.reading),
            overlay_sha256: photo::sha256_of(&end.overlay),
            strip_sha256: photo::sha256_of(&end.strip),
        });
        readings.push(reading);
    }
    let mut fates = fates.into_iter();
    let Some(first) = fates.next() else {
        return Err(Error::Fault {
            path: work.path.clone(),
            what: "a photo was read and nothing came of it".into(),
        });
    };
    write(work, &finished)?;
    let fate = Fate::Read {
        sha256: finished.sha256,
        first,
        further_ends: fates.collect(),
    };
    Ok(Told::Read {
        readings,
        fate: Box::new(fate),
        is_before: false,
    })
}

/// The files of one of so many log ends, counted from 0.
fn outputs_of(work: &Work, k: usize, ends: usize) -> [PathBuf; 3] {
    if ends == 1 {
        work.outputs()
    } else {
        work.outputs_of_end(k + 1)
    }
}

/// The photo's hash and its readings, where its files are those that the record tells of.
fn finished_before(work: &Work, fate: &Fate) -> Option<(String, Fate, Vec<Reading>)> {
    let Fate::Read { sha256, .. } = fate else {
        return None;
    };
    let ends = fate.ends().count();
    let readings = fate.ends().enumerate().map(|(k, end)| {
        let [overlay_path, strip_path, reading_path] = outputs_of(work, k, ends);
        let is_whole = |path: &Path, hash: &String| file_sha256(path).is_ok_and(|now| now == *hash);
        if !is_whole(&overlay_path, &end.overlay_sha256)
            || !is_whole(&strip_path, &end.strip_sha256)
        {
            return None;
        }
        let bytes = fs::read(&reading_path).ok()?;
        if photo::sha256_of(&bytes) != end.reading_sha256 {
            return None;
        }
        let reading = reading::parse(&bytes, &reading_path).ok()?;
        let is_named_so = work
            .path
            .file_name()
            .is_some_and(|name| name.to_string_lossy() == reading.photo.file);
        is_named_so.then_some(reading)
    });
    let readings = readings.collect::<Option<Vec<Reading>>>()?;
    Some((sha256.clone(), fate.clone(), readings))
}

/// Writes one photo's files, the reading of each log end after its pictures.
fn write(work: &Work, finished: &Finished) -> Result<(), Error> {
    if let Some(folder) = work.stem.parent() {
        fs::create_dir_all(folder).map_err(|source| Error::Unwritable {
            path: folder.to_path_buf(),
            source,
        })?;
    }
    for (k, end) in finished.ends.iter().enumerate() {
        let [overlay_path, strip_path, reading_path] = outputs_of(work, k, finished.ends.len());
        for (path, bytes) in [
            (overlay_path, &end.overlay),
            (strip_path, &end.strip),
            (reading_path, &end.reading),
        ] {
            let mut file = WholeFile::create(&path)?;
            file.write_all(bytes)
                .map_err(|source| Error::Unwritable { path, source })?;
            file.finish()?;
        }
    }
    Ok(())
}
