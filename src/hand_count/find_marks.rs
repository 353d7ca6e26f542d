//! The pen marks.

use serde::{Deserialize, Serialize};

/// A ruled line with its marks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PenLine {
    /// Direction from the pith to the bark, degrees clockwise from the right.
    pub azimuth_deg: f64,
}
