//! Many photos: found, read side by side, written, and told of in the order in which they were given.
//!
//! [`collect`](crate::batch::collect()) finds the photos, [`plan`](crate::batch::plan) gives each its
//! place under the output folder, [`run`](crate::batch::run) reads them. Photos are read in parallel,
//! one a thread; what is done with one photo is a function that the caller hands in
//! ([`read_and_draw`](crate::batch::read_and_draw) in the program). Results leave in the order of the
//! work whatever the number of threads, and nothing of thread order reaches a file. A photo that
//! fails, by an error or by a panic, costs no other photo anything.
//!
//! Every file is written under a temporary name in its own folder, synced and renamed, the reading
//! last: a reading that is there has its pictures, and a killed run leaves no half file (but perhaps a
//! hidden `.*.part-*`, which is safe to delete).

mod collect;
mod names;
mod whole_file;

pub use collect::{Collected, Found, Remark, collect, paths_in};
pub use names::{Work, plan};
pub use whole_file::WholeFile;

use crate::error::Error;
use crate::photo::{self, Photo, panic_words};
use crate::reading::Reading;
use crate::settings::{ScaleGiven, Settings};
use crate::{draw, tables};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::mpsc;

/// What is made of one photo, before it is written.
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
}

/// The two tables of a run, open under temporary names until the run is over.
#[derive(Debug)]
pub struct Tables {
    out: PathBuf,
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
        fs::create_dir_all(out).map_err(|source| Error::Unwritable {
            path: out.to_path_buf(),
            source,
        })?;
        let begin = |name: &str| WholeFile::create(&out.join(name));
        let unwritable = |name: &str, source| Error::Unwritable {
            path: out.join(name),
            source,
        };
        Ok(Tables {
            out: out.to_path_buf(),
            ages: tables::AgesWriter::new(begin(AGES)?).map_err(|e| unwritable(AGES, e))?,
            widths: tables::WidthsWriter::new(begin(WIDTHS)?, settings)
                .map_err(|e| unwritable(WIDTHS, e))?,
        })
    }
}

/// Reads a photo and draws its pictures: what the program does with each photo.
///
/// # Errors
/// All of [`crate::read`]'s, and a fault of the JPEG writer.
pub fn read_and_draw(photo: &Photo, settings: &Settings) -> Result<Outputs, Error> {
    let reading = crate::read(photo, settings)?;
    let file = Path::new(&photo.file);
    let strip = draw::jpeg(&draw::strip(photo, &reading, settings), file)?;
    let overlay = draw::jpeg(&draw::overlay(photo, &reading, settings), file)?;
    Ok(Outputs {
        reading,
        overlay,
        strip,
    })
}

/// Reads all photos of `work` on `jobs` threads (at least one) by `make` and writes their files and
/// the two tables.
///
/// `make` sees one photo at a time and must not depend on anything else, so that its outputs are the
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
    make: &(dyn Fn(&Photo, &Settings) -> Result<Outputs, Error> + Sync),
    report: &mut dyn Report,
) -> Result<(), Error> {
    let jobs = jobs.max(1);
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(jobs)
        .build()
        .map_err(|refused| Error::Fault {
            path: "threads".into(),
            what: refused.to_string(),
        })?;
    pool.in_place_scope_fifo(|scope| {
        let (sender, results) = mpsc::channel();
        let mut waiting = BTreeMap::new();
        let (mut begun, mut done) = (0, 0);
        while done < work.len() {
            while begun < work.len() && begun < done + AHEAD * jobs {
                let (sender, index) = (sender.clone(), begun);
                scope.spawn_fifo(move |_| {
                    // The receiver is gone only where the run has already failed.
                    let _ = sender.send((index, one(&work[index], settings, make)));
                });
                begun += 1;
            }
            // `sender` lives here, so the channel can't be closed.
            let Ok((index, result)) = results.recv() else {
                break;
            };
            waiting.insert(index, result);
            while let Some(result) = waiting.remove(&done) {
                tell(&work[done], &result, &mut tables, report)?;
                done += 1;
            }
        }
        Ok(())
    })?;
    let Tables { out, ages, widths } = tables;
    let unwritable = |name: &str, source| Error::Unwritable {
        path: out.join(name),
        source,
    };
    let ages = ages.finish().map_err(|e| unwritable(AGES, e))?;
    ages.finish()?;
    let widths = widths.finish().map_err(|e| unwritable(WIDTHS, e))?;
    widths.finish()
}

/// Puts one photo's result into the tables and passes it on.
fn tell(
    work: &Work,
    result: &Result<Reading, Error>,
    tables: &mut Tables,
    report: &mut dyn Report,
) -> Result<(), Error> {
    let photo = work.path.to_string_lossy();
    let written = match result {
        Ok(reading) => tables
            .ages
            .read(&photo, reading)
            .and_then(|()| tables.widths.read(&photo, reading)),
        Err(error) => tables.ages.refused(&photo, &error.reason()),
    };
    match result {
        Ok(reading) => report.read(work, reading),
        Err(error) => report.failed(work, error),
    }
    written.map_err(|source| Error::Unwritable {
        path: tables.out.clone(),
        source,
    })
}

/// One photo from its path to its written files.
fn one(
    work: &Work,
    settings: &Settings,
    make: &(dyn Fn(&Photo, &Settings) -> Result<Outputs, Error> + Sync),
) -> Result<Reading, Error> {
    let whole = || {
        let photo = photo::read(&work.path, settings)?;
        let settings = &with_resolution(&work.path, settings)?;
        let outputs = make(&photo, settings).map_err(|error| error.about(&work.path))?;
        // The picture is the largest thing in memory and not needed for writing.
        drop(photo);
        write(work, &outputs)?;
        Ok(outputs.reading)
    };
    catch_unwind(AssertUnwindSafe(whole)).unwrap_or_else(|panic| {
        Err(Error::Fault {
            path: work.path.clone(),
            what: panic_words(panic.as_ref()),
        })
    })
}

/// The settings for one photo: where its file's own resolution was asked for, with that looked up.
fn with_resolution<'a>(path: &Path, settings: &'a Settings) -> Result<Cow<'a, Settings>, Error> {
    let is_asked = |given: &ScaleGiven| matches!(given, ScaleGiven::DpiOfFile(_));
    if !settings.scale.iter().any(is_asked) {
        return Ok(Cow::Borrowed(settings));
    }
    let bytes = fs::read(path).map_err(|source| Error::Unreadable {
        path: path.to_path_buf(),
        source,
    })?;
    let dpi = photo::dots_per_inch(&bytes);
    let mut settings = settings.clone();
    for given in settings.scale.iter_mut().filter(|given| is_asked(given)) {
        *given = ScaleGiven::DpiOfFile(dpi);
    }
    Ok(Cow::Owned(settings))
}

/// Writes one photo's files, the reading last.
fn write(work: &Work, outputs: &Outputs) -> Result<(), Error> {
    let mut reading = serde_json::to_vec(&outputs.reading).map_err(|refused| Error::Fault {
        path: work.path.clone(),
        what: refused.to_string(),
    })?;
    reading.push(b'\n');
    let [overlay_path, strip_path, reading_path] = work.outputs();
    if let Some(folder) = reading_path.parent() {
        fs::create_dir_all(folder).map_err(|source| Error::Unwritable {
            path: folder.to_path_buf(),
            source,
        })?;
    }
    for (path, bytes) in [
        (overlay_path, &outputs.overlay),
        (strip_path, &outputs.strip),
        (reading_path, &reading),
    ] {
        let mut file = WholeFile::create(&path)?;
        file.write_all(bytes)
            .map_err(|source| Error::Unwritable { path, source })?;
        file.finish()?;
    }
    Ok(())
}
