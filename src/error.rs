//! What can go wrong, sorted by who has to act.
//!
//! A sentence here is lower case, without a full stop, names the thing and gives the way out after a
//! semicolon; causes are chained with `source`, not pasted. What merely could not be measured is no
//! error: it is a [`Note`](crate::notes::Note) in the reading.

use std::error::Error as _;
use std::path::{Path, PathBuf};

/// Why a photo was not read, or an output not written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The file could not be opened or read from the disk.
    #[error("{}: can't be opened; check the path and the permissions", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The file is empty.
    #[error("{}: the file is empty; copy the photo again", path.display())]
    Empty {
        /// The file.
        path: PathBuf,
    },
    /// The file is no picture of a kind that this build reads.
    #[error("{}: {what}; {way_out}", path.display())]
    NotAPicture {
        /// The file.
        path: PathBuf,
        /// What it is instead.
        what: String,
        /// What to do about it.
        way_out: String,
    },
    /// The file looks like a picture, but its data is damaged or cut short.
    #[error("{}: the picture is damaged or cut short; copy the photo again or save it anew", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What the decoder said.
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    /// The picture is larger than the limit.
    #[error(
        "{}: {width_px} x {height_px} pixels are over the limit of {limit_megapixels} megapixels; raise it with --max-megapixels or save the photo smaller",
        path.display()
    )]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// Width that the header states, px.
        width_px: u64,
        /// Height that the header states, px.
        height_px: u64,
        /// The limit in force, megapixels.
        limit_megapixels: f64,
    },
    /// The picture is too small to hold a disc.
    #[error("{}: {width_px} x {height_px} pixels are too few to hold a disc; at least {least_px} a side are needed", path.display())]
    TooSmall {
        /// The file.
        path: PathBuf,
        /// Width, px.
        width_px: u32,
        /// Height, px.
        height_px: u32,
        /// The least side, px.
        least_px: u32,
    },
    /// A setting makes no sense, by itself or for this photo.
    #[error("{what}")]
    Setting {
        /// The sentence: which setting, why, and what would do.
        what: String,
    },
    /// A file of data (a reading, a sheet, a table, a series) is not what it should be.
    #[error("{}{}: {what}; {way_out}", path.display(), line.map_or(String::new(), |n| format!(", line {n}")))]
    BadData {
        /// The file.
        path: PathBuf,
        /// The line, from 1, where one is at fault.
        line: Option<u64>,
        /// What is wrong.
        what: String,
        /// What was expected, or what to do.
        way_out: String,
    },
    /// An output could not be written.
    #[error("{}: can't be written; check the free space and the permissions of the folder", path.display())]
    Unwritable {
        /// The output file or folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The file changes while it is read: a copy is under way.
    #[error("{}: the file is still being written; run the same command again when it is done", path.display())]
    StillWritten {
        /// The file.
        path: PathBuf,
    },
    /// The photo took longer than the user allows for one.
    #[error("{}: not read within {limit_s} s; raise --time-limit or save the photo smaller", path.display())]
    TooSlow {
        /// The photo.
        path: PathBuf,
        /// The limit in force, seconds.
        limit_s: f64,
    },
    /// The photo needs more memory than the user allows for all.
    #[error("{}: needs about {need_mib} MiB of memory, --memory allows {budget_mib} MiB; raise it or save the photo smaller", path.display())]
    OverBudget {
        /// The photo.
        path: PathBuf,
        /// What it needs, MiB.
        need_mib: u64,
        /// What is allowed, MiB.
        budget_mib: u64,
    },
    /// The process that read the photo came to its end over it.
    #[error("{}: the process that read it was lost ({what}); save the photo anew or leave it out", path.display())]
    Lost {
        /// The photo.
        path: PathBuf,
        /// How it ended.
        what: String,
    },
    /// What another process told of a photo that it could not read.
    #[error("{}: {reason}", path.display())]
    Told {
        /// The photo.
        path: PathBuf,
        /// The sentence and its causes, without the path.
        reason: String,
    },
    /// A fault of the program.
    #[error("{}: a fault in endgrain itself; please report it with the photo: {what}", path.display())]
    Fault {
        /// The photo in hand.
        path: PathBuf,
        /// What is known about it.
        what: String,
    },
}

impl Error {
    /// A refused setting.
    pub(crate) fn setting(what: impl Into<String>) -> Self {
        Error::Setting { what: what.into() }
    }

    /// The file or folder that the error is about; none for a setting.
    pub fn path(&self) -> Option<&Path> {
        match self {
            Error::Unreadable { path, .. }
            | Error::Empty { path }
            | Error::NotAPicture { path, .. }
            | Error::Damaged { path, .. }
            | Error::TooLarge { path, .. }
            | Error::TooSmall { path, .. }
            | Error::BadData { path, .. }
            | Error::Unwritable { path, .. }
            | Error::StillWritten { path }
            | Error::TooSlow { path, .. }
            | Error::OverBudget { path, .. }
            | Error::Lost { path, .. }
            | Error::Told { path, .. }
            | Error::Fault { path, .. } => Some(path),
            Error::Setting { .. } => None,
        }
    }

    /// The sentence and its causes, one after the other, without the path that it begins with.
    pub fn reason(&self) -> String {
        let text = self.told();
        let Some(path) = self.path() else {
            return text;
        };
        // A place in the file follows the path after a comma and stays.
        let rest = text.strip_prefix(&path.display().to_string());
        match rest.and_then(|r| r.strip_prefix(": ").or(r.strip_prefix(", "))) {
            Some(rest) => rest.to_owned(),
            None => text,
        }
    }

    /// The whole sentence and its causes, one after the other.
    pub fn told(&self) -> String {
        let mut text = self.to_string();
        let mut cause = self.source();
        while let Some(error) = cause {
            let words = error.to_string();
            // Some libraries put their cause into their own sentence as well.
            if !text.ends_with(&words) {
                text.push_str(": ");
                text.push_str(&words);
            }
            cause = error.source();
        }
        text
    }

    /// The same fault, told of a photo's path instead of its bare file name.
    pub(crate) fn about(mut self, photo: &Path) -> Self {
        if let Error::Fault { path, .. } = &mut self {
            *path = photo.to_path_buf();
        }
        self
    }
}
