//! The notes of a reading: a fixed set of named troubles, each with a sentence for the reader.
//!
//! A value that can't be had is empty and noted, neither guessed nor a crash. Codes never change
//! their meaning; the sentence may say numbers.

use serde::{Deserialize, Serialize};

/// One trouble or remark of a reading.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    /// The trouble's fixed name.
    pub code: NoteCode,
    /// A sentence that a sawyer understands.
    pub text: String,
}

impl Note {
    /// A note with its sentence.
    pub fn new(code: NoteCode, text: impl Into<String>) -> Self {
        Note {
            code,
            text: text.into(),
        }
    }
}

/// The names of the troubles, in the order of the data.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum NoteCode {
    /// No readable end grain was found: there is no count.
    NoEndGrain,
    /// Rings are there, but can't be told apart well enough for a count to be relied on.
    RingsUnclear,
    /// The pith can't be seen; its place was inferred from the rings.
    PithInferred,
    /// The pith lies outside the photo.
    PithOutside,
    /// The centre is missing (hollow, rotten or torn); how many rings is an estimate.
    CentreMissing,
    /// The wood's edge lies outside the photo, at least in part: the count is "at least".
    EdgeOutside,
    /// The wood's edge was not found with certainty.
    EdgeUnclear,
    /// In a zone the rings are narrower than about five pixels: they can't be counted there.
    RingsTooTight,
    /// Some rings are doubtful; they are drawn dashed on the overlay.
    DoubtfulRings,
    /// Rings run together over a part of the circumference (wedging or locally absent rings).
    WedgingRings,
    /// Which side of a ring is its end could not be told for sure.
    RingEndUnclear,
    /// More than one log end is in the photo; one was read.
    SeveralEnds,
    /// The disc is seen at an angle: lengths along the short axis are foreshortened.
    Tilted,
    /// Statements of the scale contradict each other: none is used.
    ScaleContradicts,
    /// The scale asked for (a ruler, a file's resolution, a size of the wood) could not be had.
    ScaleNotFound,
}
