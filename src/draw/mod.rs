//! Pictures that show the work: the photo with its reading laid over it, and the unwrapped strip.
//!
//! What a person needs to check a count: where the pith is, where the wood ends, every ring
//! boundary, a line to count along with its marks, and bare wood beside that line to compare with.
//! Rings below [`SURE_FROM`](crate::draw::SURE_FROM) are dashed and end in an open dot on the index line, so that sure and
//! doubtful differ by shape and not by colour alone. Every line has a pale core and a dark casing
//! and so shows on pale and on dark wood, in colour and in grey. Lines are thin where rings are
//! tight and grow with the photo where rings are wide.
//!
//! Nothing here looks into a stage: photo and reading in, pixels out. Letters come from an embedded
//! font (`DejaVu` Sans, licence beside it; see the module `lettering`).

mod canvas;
mod caption;
mod index_line;
mod jpeg;
mod lettering;
mod overlay;
mod reduced;
mod stretch;
mod strip;
mod zones;

pub use jpeg::jpeg;
pub(crate) use lettering::FONT as FONT_FILE;
pub use overlay::{overlay, overlay_onto};
pub(crate) use reduced::MOST as MOST_REDUCED;
pub use stretch::{BESIDE_DEG, LineNames, StretchView, stretch};
pub use strip::strip;

use canvas::{Pen, Rgb3};

/// Confidence from which a ring counts as sure. 0.8: of the rings drawn whole at most one in five
/// may be wrong at the limit, and few are near it. Common practice, no source.
pub const SURE_FROM: f64 = 0.8;

/// Core of a sure ring: pale blue, which no wood has.
const SURE: Rgb3 = [120, 232, 255];
/// Core of a doubtful ring: pale yellow; differs from [`SURE`] to colour-blind eyes too.
const DOUBTFUL: Rgb3 = [255, 224, 70];
/// Core of the pith, the index line and the wood's edge.
const WHITE: Rgb3 = [255, 255, 255];
/// Casing of all lines.
const DARK: Rgb3 = [16, 20, 32];
/// Ground of captions and margins.
const GROUND: Rgb3 = [24, 27, 34];
/// Letters on it.
const INK: Rgb3 = [236, 238, 242];
/// Lesser letters on it.
const DIM: Rgb3 = [176, 182, 194];

/// Whether a ring is drawn as sure.
fn is_sure(confidence: f64) -> bool {
    confidence >= SURE_FROM
}

/// Pen of a ring boundary where the next one is `width_px` away, on a picture whose lines are
/// `line_px` wide where there is room.
///
/// The core takes at most a sixth of the ring, the casing a tenth on either side: on a ring of 4 px
/// that is a line of under a pixel that leaves the wood to be seen between; on one of 60 px the
/// picture's own line width rules.
fn ring_pen(width_px: f64, line_px: f32, colour: Rgb3) -> Pen {
    let width = single(width_px);
    let tight = ((14.0 - width) / 10.0).clamp(0.0, 1.0);
    Pen {
        core_px: (width / 6.0).clamp(0.8, line_px.max(0.8)),
        casing_px: (width / 10.0).clamp(0.3, (0.75 * line_px).max(0.5)),
        core: colour,
        casing: DARK,
        core_alpha: 0.92 - 0.1 * tight,
        casing_alpha: 0.6 - 0.2 * tight,
    }
}

/// Pen of the lines that belong to no ring.
fn plain_pen(line_px: f32) -> Pen {
    Pen {
        core_px: line_px,
        casing_px: 0.75 * line_px.max(1.0),
        core: WHITE,
        casing: DARK,
        core_alpha: 0.95,
        casing_alpha: 0.65,
    }
}

/// A length or place of a drawing in single precision, in which pixels are blended: right to a
/// thousandth of a px on the largest photos.
#[allow(
    clippy::cast_possible_truncation,
    reason = "less precision is the purpose"
)]
fn single(value: f64) -> f32 {
    value as f32
}
