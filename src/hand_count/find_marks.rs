//! The pen marks.

use super::marks::{Mark, Origin, Place};
use crate::photo::Photo;
use crate::reading::Reading;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// A ruled line with its marks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PenLine {
    /// Direction from the pith to the bark, degrees clockwise from the right.
    pub azimuth_deg: f64,
    /// The cross marks or dots on it, from the pith outward, points in the photo, px.
    pub marks_px: Vec<(f64, f64)>,
}

impl PenLine {
    /// The marks as those of every so-many-th ring.
    pub fn as_marks(&self, every: u32, path: &Path) -> Vec<Mark> {
        (1..)
            .zip(&self.marks_px)
            .map(|(n, &(x_px, y_px))| Mark {
                ring: every.saturating_mul(n),
                place: Place::Point { x_px, y_px },
                origin: Origin {
                    path: path.to_path_buf(),
                    line: None,
                },
            })
            .collect()
    }
}

/// Looks.
pub fn find(_photo: &Photo, _reading: &Reading) -> Option<PenLine> {
    None
}
