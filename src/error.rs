//! What can go wrong, sorted by who has to act.
//!
//! A sentence here is lower case, without a full stop, names the thing and gives the way out after a
//! semicolon; causes are chained with `source`, not pasted. What merely could not be measured is no
//! error: it is a [`Note`](crate::notes::Note) in the reading.

use std::path::PathBuf;

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
    /// An output could not be written.
    #[error("{}: can't be written; check the free space and the permissions of the folder", path.display())]
    Unwritable {
        /// The output file or folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
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
}
