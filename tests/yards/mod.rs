//! A folder with photos, and the command run on it: what the tests of whole runs share.
#![allow(dead_code, reason = "each test binary uses its own part")]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

/// A folder of its own, with `yard/` in it.
pub(crate) struct Yard(pub(crate) tempfile::TempDir);

/// What a run said and how it ended.
pub(crate) struct Ran {
    pub(crate) status: Option<i32>,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl Yard {
    pub(crate) fn new() -> Self {
        let yard = Yard(tempfile::tempdir().unwrap());
        fs::create_dir(yard.at("yard")).unwrap();
        yard
    }

    /// A yard of so many small photos, all different: `log-000.jpg` and on.
    pub(crate) fn of(photos: u32, side_px: u32) -> Self {
        let yard = Yard::new();
        for i in 0..photos {
            let face = crate::pictures::end_face(side_px + i, side_px);
            yard.put(
                format!("yard/log-{i:03}.jpg"),
                &crate::pictures::jpeg(&face, 90, None),
            );
        }
        yard
    }

    pub(crate) fn at(&self, name: impl AsRef<Path>) -> PathBuf {
        self.0.path().join(name)
    }

    pub(crate) fn put(&self, name: impl AsRef<Path>, bytes: &[u8]) {
        let path = self.at(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }

    /// `endgrain` with these arguments, run in the folder.
    pub(crate) fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_endgrain"));
        command
            .args(arguments)
            .current_dir(self.0.path())
            .stdin(Stdio::null());
        command
    }

    pub(crate) fn run(&self, arguments: &[&str]) -> Ran {
        Ran::of(&self.command(arguments).output().unwrap())
    }

    pub(crate) fn start(&self, arguments: &[&str]) -> Child {
        let mut command = self.command(arguments);
        let piped = command.stdout(Stdio::piped()).stderr(Stdio::piped());
        piped.spawn().unwrap()
    }

    /// Every file below a folder with its bytes.
    pub(crate) fn files(&self, folder: &str) -> BTreeMap<PathBuf, Vec<u8>> {
        let folder = self.at(folder);
        walkdir::WalkDir::new(&folder)
            .into_iter()
            .map(Result::unwrap)
            .filter(|entry| entry.file_type().is_file())
            .map(|entry| {
                let below = entry.path().strip_prefix(&folder).unwrap().to_path_buf();
                (below, fs::read(entry.path()).unwrap())
            })
            .collect()
    }
}

impl Ran {
    pub(crate) fn of(output: &Output) -> Self {
        Ran {
            status: output.status.code(),
            out: String::from_utf8_lossy(&output.stdout).into_owned(),
            err: String::from_utf8_lossy(&output.stderr).into_owned(),
        }
    }

    #[track_caller]
    pub(crate) fn ends(&self, status: i32, words: &[&str]) {
        assert_eq!(self.status, Some(status), "{}", self.err);
        for words in words {
            assert!(
                self.err.contains(words),
                "{words:?} is not in: {}",
                self.err
            );
        }
    }
}

/// Fails with the names of files that differ, not with their bytes.
#[track_caller]
pub(crate) fn same_files(a: &BTreeMap<PathBuf, Vec<u8>>, b: &BTreeMap<PathBuf, Vec<u8>>) {
    let names = |files: &BTreeMap<PathBuf, Vec<u8>>| files.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(a), names(b));
    let differ: Vec<&PathBuf> = a.keys().filter(|name| a[*name] != b[*name]).collect();
    assert!(differ.is_empty(), "{differ:?}");
}

/// Waits until something holds; fails after half a minute.
#[track_caller]
pub(crate) fn wait_until(what: &str, holds: impl Fn() -> bool) {
    let begun = Instant::now();
    while !holds() {
        assert!(begun.elapsed() < Duration::from_secs(30), "never: {what}");
        std::thread::sleep(Duration::from_millis(1));
    }
}

/// Sends a signal.
#[cfg(unix)]
pub(crate) fn signal(name: &str, process: u32) {
    let sent = Command::new("kill")
        .args([&format!("-{name}"), &process.to_string()])
        .status();
    assert!(sent.unwrap().success(), "no signal to {process}");
}

/// Processes that a process has started.
#[cfg(target_os = "linux")]
pub(crate) fn children_of(process: u32) -> Vec<u32> {
    let threads = fs::read_dir(format!("/proc/{process}/task"));
    threads
        .into_iter()
        .flatten()
        .flatten()
        .filter_map(|thread| fs::read_to_string(thread.path().join("children")).ok())
        .flat_map(|ids| {
            ids.split_whitespace()
                .filter_map(|id| id.parse().ok())
                .collect::<Vec<u32>>()
        })
        .collect()
}
