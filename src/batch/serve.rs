//! A reading process: takes one photo after the other from the program that started it.
//!
//! It holds nothing that a later photo depends on, so it may be lost at any moment. When the program
//! that started it ends, in whatever way, its standard input closes and it leaves at once, in the
//! middle of a photo if need be: it writes to no file, so nothing half done stays.
//!
//! On Linux what one photo may take of memory is bounded by the system (`RLIMIT_DATA`): twice what its
//! header lets expect, and [`GUARD_BYTES`]. Beyond that the process is refused memory and ends, the
//! photo is lost, and the run goes on. Elsewhere only the decoders' own limits hold.

use super::budget::need_bytes;
use super::frames;
use super::processes::{BAD, DONE, FAULT, GO, NEED, SAME, WRONG, path_from};
use super::reader::{Answer, Make, finish};
use crate::error::Error;
use crate::photo;
use crate::settings::Settings;
use std::io::{self, Read, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::{Mutex, PoisonError, mpsc};
use std::time::{Duration, SystemTime};

/// Bytes beyond what a photo lets expect before its process is refused memory.
const GUARD_BYTES: u64 = 256 << 20;

/// A file changed no longer ago than this may be one that is being copied.
const FRESH: Duration = Duration::from_secs(60);
/// Time in which a copy under way shows itself by a longer file.
const COPY_SHOWS: Duration = Duration::from_millis(200);

/// What the last panic said, its place included.
static LAST_PANIC: Mutex<String> = Mutex::new(String::new());

/// Serves photos until `input` closes; then calls `leave`, which is to end the process.
///
/// # Errors
/// What reading `input` or writing `output` says: the program that started this one is gone.
pub fn serve(
    input: impl Read + Send + 'static,
    mut output: impl Write,
    make: &Make<'_>,
    leave: fn(),
) -> io::Result<()> {
    std::panic::set_hook(Box::new(|panic| {
        *LAST_PANIC.lock().unwrap_or_else(PoisonError::into_inner) = panic.to_string();
    }));
    let (sender, messages) = mpsc::channel();
    // A thread of its own hears the end while a photo is in work.
    std::thread::spawn(move || {
        let mut input = io::BufReader::new(input);
        while let Ok(Some(message)) = frames::read(&mut input) {
            if sender.send(message).is_err() {
                break;
            }
        }
        leave();
    });
    let Ok(first) = messages.recv() else {
        return Ok(());
    };
    let [settings, guard] = first.as_slice() else {
        return Err(io::ErrorKind::InvalidData.into());
    };
    let settings: Settings = serde_json::from_slice(settings)?;
    let guard_bytes: Option<u64> = guard.as_slice().try_into().ok().map(u64::from_le_bytes);
    while let Ok(request) = messages.recv() {
        let [path, known] = request.as_slice() else {
            return Err(io::ErrorKind::InvalidData.into());
        };
        let path = path_from(path)?;
        let answer = match guarded(&path, || look(&path, known, guard_bytes, &settings)) {
            Err(error) => Err(error),
            Ok(None) => Ok(Answer::Same),
            Ok(Some((bytes, need))) => {
                frames::write(&mut output, &[NEED, &need.to_le_bytes()])?;
                let Ok(word) = messages.recv() else { break };
                if word.first().is_none_or(|word| word != GO) {
                    continue;
                }
                bound_memory(guard_bytes.unwrap_or(GUARD_BYTES + 2 * need));
                guarded(&path, || finish(&bytes, &path, &settings, make))
            }
        };
        reply(&mut output, answer, &path)?;
    }
    Ok(())
}

/// Reads a photo's bytes and what it needs of memory; nothing where they have the hash `known`.
fn look(
    path: &Path,
    known: &[u8],
    guard_bytes: Option<u64>,
    settings: &Settings,
) -> Result<Option<(Vec<u8>, u64)>, Error> {
    // The buffer of a file's bytes may be twice as long while it grows.
    bound_memory(guard_bytes.unwrap_or(GUARD_BYTES) + 3 * file_bytes(path));
    let bytes = photo::bytes_of(path, settings)?;
    if !known.is_empty() && photo::sha256_of(&bytes).as_bytes() == known {
        return Ok(None);
    }
    let header = photo::header(&bytes, path, settings)?;
    let need = need_bytes(&header, bytes.len() as u64);
    Ok(Some((bytes, need)))
}

/// Does one photo's work; a panic becomes the photo's fault, with the place in the program.
fn guarded<T>(path: &Path, work: impl FnOnce() -> Result<T, Error>) -> Result<T, Error> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|_| {
        let last = LAST_PANIC.lock().unwrap_or_else(PoisonError::into_inner);
        Err(Error::Fault {
            path: path.to_path_buf(),
            what: last.clone(),
        })
    })
}

/// Tells what became of a photo.
fn reply(output: &mut impl Write, answer: Result<Answer, Error>, path: &Path) -> io::Result<()> {
    match answer {
        Ok(Answer::Same) => frames::write(output, &[SAME]),
        Ok(Answer::Finished(finished)) => {
            let mut parts = vec![DONE, finished.sha256.as_bytes()];
            for end in &finished.ends {
                parts.extend([&end.reading[..], &end.overlay, &end.strip]);
            }
            frames::write(output, &parts)
        }
        Err(error) => match unless_copied(error, path) {
            Error::Setting { what } => frames::write(output, &[WRONG, what.as_bytes()]),
            Error::Fault { what, .. } => frames::write(output, &[FAULT, what.as_bytes()]),
            other => frames::write(output, &[BAD, other.reason().as_bytes()]),
        },
    }
}

/// The same error, or that the photo is still being copied where its file grows.
fn unless_copied(error: Error, path: &Path) -> Error {
    if !matches!(error, Error::Damaged { .. } | Error::Empty { .. }) {
        return error;
    }
    let state = || {
        let metadata = std::fs::metadata(path).ok()?;
        Some((metadata.len(), metadata.modified().ok()?))
    };
    let Some((length, changed)) = state() else {
        return error;
    };
    let is_fresh = SystemTime::now()
        .duration_since(changed)
        .is_ok_and(|age| age < FRESH);
    if !is_fresh || length == 0 {
        // An empty file that is being filled has been so for less than anybody waits.
        return error;
    }
    std::thread::sleep(COPY_SHOWS);
    match state() {
        Some(now) if now != (length, changed) => Error::StillWritten {
            path: path.to_path_buf(),
        },
        _ => error,
    }
}

fn file_bytes(path: &Path) -> u64 {
    std::fs::metadata(path).map_or(0, |metadata| metadata.len())
}

/// Lets the process take so many bytes beyond what it has.
#[cfg(target_os = "linux")]
fn bound_memory(more: u64) {
    use rustix::process::{Resource, getrlimit, setrlimit};
    let Some(now) = data_bytes() else { return };
    let mut limit = getrlimit(Resource::Data);
    let wished = now.saturating_add(more);
    limit.current = Some(limit.maximum.map_or(wished, |most| wished.min(most)));
    // Where it is refused, the decoders' own limits still hold.
    let _ = setrlimit(Resource::Data, limit);
}

/// Bytes of data that the process has: what freed memory it keeps must not count against a photo.
#[cfg(target_os = "linux")]
fn data_bytes() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmData:"))?;
    let kib: u64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kib * 1024)
}

#[cfg(not(target_os = "linux"))]
fn bound_memory(_: u64) {}
