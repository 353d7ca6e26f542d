//! Reading photos in processes of their own.
//!
//! A panic can be caught, but a decoder may also run out of the stack, ask for all memory there is, or
//! never come back. A thread can't be stopped from outside and takes the program with it; a process
//! can be ended, and costs its photo only. Each process reads many photos, one after the other, so
//! that starting it (a few milliseconds) doesn't count; a lost one is replaced. The process reads the
//! photo's file itself, so that a disk that never answers is under the time limit too; it writes no
//! file, so that nothing is half done when it is lost.

use super::budget::{BASE_BYTES, Budget};
use super::frames;
use super::reader::{Answer, FilesOfEnd, Finished, Reader};
use crate::error::Error;
use crate::settings::Settings;
use std::ffi::OsString;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, ExitStatus, Stdio};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

// First parts of messages.
pub(super) const NEED: &[u8] = b"need";
pub(super) const GO: &[u8] = b"go";
pub(super) const LEAVE: &[u8] = b"leave";
pub(super) const SAME: &[u8] = b"same";
pub(super) const DONE: &[u8] = b"done";
pub(super) const BAD: &[u8] = b"bad";
pub(super) const WRONG: &[u8] = b"wrong";
pub(super) const FAULT: &[u8] = b"fault";

/// Bytes kept of what a process says on its standard error.
const SAID_BYTES: usize = 2000;
/// How long a process that has closed its end may take to be gone.
const END_TAKES: Duration = Duration::from_secs(2);

/// Reads photos in as many processes as threads ask at once.
#[derive(Debug)]
pub struct Processes {
    program: PathBuf,
    arguments: Vec<OsString>,
    settings: Vec<u8>,
    time_limit: Option<Duration>,
    budget: Option<Budget>,
    guard_bytes: Option<u64>,
    idle: Mutex<Vec<Process>>,
}

impl Processes {
    /// Processes of `program` with `arguments`, which must call [`super::serve`].
    ///
    /// # Errors
    /// [`Error::Fault`] where the settings can't be told to another process.
    pub fn new(
        program: PathBuf,
        arguments: Vec<OsString>,
        settings: &Settings,
    ) -> Result<Self, Error> {
        Ok(Processes {
            settings: serde_json::to_vec(settings).map_err(|refused| Error::Fault {
                path: program.clone(),
                what: refused.to_string(),
            })?,
            program,
            arguments,
            time_limit: None,
            budget: None,
            guard_bytes: None,
            idle: Mutex::new(Vec::new()),
        })
    }

    /// The longest time that a photo may take, its file's reading included, waiting for memory not.
    #[must_use]
    pub fn time_limit(mut self, limit: Option<Duration>) -> Self {
        self.time_limit = limit;
        self
    }

    /// Memory for all photos in work, bytes; photos wait for each other where it is short.
    #[must_use]
    pub fn memory(mut self, bytes: Option<u64>) -> Self {
        self.budget = bytes.map(Budget::new);
        self
    }

    /// Bytes beyond what a process has at a photo's beginning that it may take, in place of what the
    /// photo's header lets expect. Linux only.
    #[must_use]
    pub fn guard(mut self, bytes: u64) -> Self {
        self.guard_bytes = Some(bytes);
        self
    }

    fn idle(&self) -> MutexGuard<'_, Vec<Process>> {
        // A list of processes stays good whatever happened to the thread that had it.
        self.idle.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn start(&self) -> io::Result<Process> {
        let mut process = Process::start(&self.program, &self.arguments)?;
        let guard = self.guard_bytes.map(u64::to_le_bytes);
        process.say(&[&self.settings, guard.as_ref().map_or(&[], |bytes| bytes)])?;
        Ok(process)
    }

    /// A process that has the photo, just started where none is at hand.
    fn begin(&self, request: &[&[u8]]) -> io::Result<Process> {
        loop {
            // The guard must not live while a process is asked.
            let waiting = self.idle().pop();
            let Some(mut process) = waiting else { break };
            // One that was ended while it had nothing to do is no photo's loss.
            if process.say(request).is_ok() {
                return Ok(process);
            }
        }
        let mut process = self.start()?;
        process.say(request)?;
        Ok(process)
    }
}

impl Reader for Processes {
    fn read(&self, path: &Path, known_sha256: Option<&str>) -> Result<Answer, Error> {
        let no_process = |source: io::Error| Error::Fault {
            path: path.to_path_buf(),
            what: format!("no process to read it could be started: {source}"),
        };
        let name = bytes_of(path).map_err(no_process)?;
        let request = [name.as_slice(), known_sha256.unwrap_or_default().as_bytes()];
        let mut process = self.begin(&request).map_err(no_process)?;
        let mut left = self.time_limit;
        let mut hear = |process: &mut Process| {
            let begun = Instant::now();
            let heard = process.hear(left);
            left = left.map(|left| left.saturating_sub(begun.elapsed()));
            heard.map_err(|lost| match lost {
                Silence::TooLong => Error::TooSlow {
                    path: path.to_path_buf(),
                    limit_s: self.time_limit.unwrap_or_default().as_secs_f64(),
                },
                Silence::Ended(what) => Error::Lost {
                    path: path.to_path_buf(),
                    what,
                },
            })
        };
        let mut message = hear(&mut process)?;
        let mut _held = None;
        if message.first().is_some_and(|word| word == NEED) {
            let need = message.get(1).and_then(|n| n.as_slice().try_into().ok());
            let need = need.map_or(BASE_BYTES, u64::from_le_bytes);
            if let Some(budget) = &self.budget {
                _held = budget.hold(need);
                if _held.is_none() {
                    if process.say(&[LEAVE]).is_ok() {
                        self.idle().push(process);
                    }
                    return Err(Error::OverBudget {
                        path: path.to_path_buf(),
                        need_mib: need.div_ceil(1 << 20),
                        budget_mib: budget.total_bytes() >> 20,
                    });
                }
            }
            // A process that is gone is noticed by its silence.
            let _ = process.say(&[GO]);
            message = hear(&mut process)?;
        }
        let answer = answer(message, path);
        if answer.is_some() {
            self.idle().push(process);
        }
        answer.unwrap_or_else(|| {
            Err(Error::Lost {
                path: path.to_path_buf(),
                what: "it answered with nonsense".into(),
            })
        })
    }
}

/// What a message tells; `None` where it is none.
fn answer(message: Vec<Vec<u8>>, path: &Path) -> Option<Result<Answer, Error>> {
    let mut parts = message.into_iter();
    let word = parts.next()?;
    let mut text = || Some(String::from_utf8_lossy(&parts.next()?).into_owned());
    let path = path.to_path_buf();
    Some(match word.as_slice() {
        SAME => Ok(Answer::Same),
        DONE => {
            let sha256 = text()?;
            let mut ends = Vec::new();
            while let Some(reading) = parts.next() {
                ends.push(FilesOfEnd {
                    reading,
                    overlay: parts.next()?,
                    strip: parts.next()?,
                });
            }
            if ends.is_empty() {
                return None;
            }
            Ok(Answer::Finished(Finished { sha256, ends }))
        }
        BAD => Err(Error::Told {
            path,
            reason: text()?,
        }),
        WRONG => Err(Error::Setting { what: text()? }),
        FAULT => Err(Error::Fault {
            path,
            what: text()?,
        }),
        _ => return None,
    })
}

#[cfg(unix)]
#[allow(clippy::unnecessary_wraps, reason = "other systems can fail here")]
fn bytes_of(path: &Path) -> io::Result<Vec<u8>> {
    use std::os::unix::ffi::OsStrExt;
    Ok(path.as_os_str().as_bytes().to_vec())
}

#[cfg(not(unix))]
fn bytes_of(path: &Path) -> io::Result<Vec<u8>> {
    path.to_str()
        .map(|text| text.as_bytes().to_vec())
        .ok_or_else(|| io::ErrorKind::InvalidData.into())
}

#[cfg(unix)]
#[allow(clippy::unnecessary_wraps, reason = "other systems can fail here")]
pub(super) fn path_from(bytes: &[u8]) -> io::Result<PathBuf> {
    use std::os::unix::ffi::OsStrExt;
    Ok(std::ffi::OsStr::from_bytes(bytes).into())
}

#[cfg(not(unix))]
pub(super) fn path_from(bytes: &[u8]) -> io::Result<PathBuf> {
    String::from_utf8(bytes.to_vec())
        .map(PathBuf::from)
        .map_err(|error| io::Error::new(io::ErrorKind::InvalidData, error))
}

/// Why a process says nothing.
enum Silence {
    TooLong,
    Ended(String),
}

/// One reading process. Dropped, it is ended.
#[derive(Debug)]
struct Process {
    child: Child,
    to: ChildStdin,
    from: Receiver<Vec<Vec<u8>>>,
    said: Arc<Mutex<String>>,
    /// Takes down what it says.
    listener: JoinHandle<()>,
}

impl Process {
    fn start(program: &Path, arguments: &[OsString]) -> io::Result<Self> {
        let mut command = Command::new(program);
        #[cfg(unix)]
        {
            use std::os::unix::process::CommandExt;
            // In a list of processes it shows by this name.
            command.arg0("endgrain");
        }
        let mut child = command
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()?;
        let (Some(to), Some(mut out), Some(mut err)) =
            (child.stdin.take(), child.stdout.take(), child.stderr.take())
        else {
            return Err(io::ErrorKind::BrokenPipe.into());
        };
        let (sender, from) = mpsc::channel();
        // Both threads end with the process.
        std::thread::Builder::new().spawn(move || {
            while let Ok(Some(message)) = frames::read(&mut out) {
                if sender.send(message).is_err() {
                    break;
                }
            }
        })?;
        let said = Arc::new(Mutex::new(String::new()));
        let words = Arc::clone(&said);
        let listener = std::thread::Builder::new().spawn(move || {
            let mut bytes = [0; 512];
            while let Ok(n @ 1..) = err.read(&mut bytes) {
                let mut words = words.lock().unwrap_or_else(PoisonError::into_inner);
                // A process says why it ends first, and where after it.
                if words.len() < SAID_BYTES {
                    words.push_str(&String::from_utf8_lossy(&bytes[..n]));
                }
            }
        })?;
        Ok(Process {
            child,
            to,
            from,
            said,
            listener,
        })
    }

    fn say(&mut self, parts: &[&[u8]]) -> io::Result<()> {
        // One write: a request is a few hundred bytes.
        let mut bytes = Vec::new();
        frames::write(&mut bytes, parts)?;
        io::Write::write_all(&mut self.to, &bytes)
    }

    fn hear(&mut self, limit: Option<Duration>) -> Result<Vec<Vec<u8>>, Silence> {
        let heard = match limit {
            Some(limit) => self.from.recv_timeout(limit),
            None => self.from.recv().map_err(|_| RecvTimeoutError::Disconnected),
        };
        heard.map_err(|silence| match silence {
            RecvTimeoutError::Timeout => Silence::TooLong,
            RecvTimeoutError::Disconnected => Silence::Ended(self.how_it_ended()),
        })
    }

    /// How a process that has closed its end came to it.
    fn how_it_ended(&mut self) -> String {
        let begun = Instant::now();
        let status = loop {
            match self.child.try_wait() {
                Ok(Some(status)) => break Some(status),
                Ok(None) if begun.elapsed() < END_TAKES => {
                    std::thread::sleep(Duration::from_millis(2));
                }
                _ => break None,
            }
        };
        // Its last words may still be on the way when it has ended.
        let heard_all = || {
            let said = self.said.lock().unwrap_or_else(PoisonError::into_inner);
            said.trim_start().contains('\n') || self.listener.is_finished()
        };
        while status.is_some() && !heard_all() && begun.elapsed() < END_TAKES {
            std::thread::sleep(Duration::from_millis(2));
        }
        let mut words = status.map_or("it closed its end".to_owned(), ended);
        let said = self.said.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(line) = said.lines().find(|line| !line.trim().is_empty()) {
            words.push_str(": ");
            words.push_str(line.trim());
        }
        words
    }
}

#[cfg(unix)]
fn ended(status: ExitStatus) -> String {
    use std::os::unix::process::ExitStatusExt;
    match status.signal() {
        // 9 is what the system sends where memory is short.
        Some(9) => "ended by signal 9, by the system where memory is short".into(),
        Some(signal) => format!("ended by signal {signal}"),
        None => status.to_string(),
    }
}

#[cfg(not(unix))]
fn ended(status: ExitStatus) -> String {
    status.to_string()
}

impl Drop for Process {
    fn drop(&mut self) {
        // Gone already, or about to be: either is well.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
