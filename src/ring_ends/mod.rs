//! How likely each place of the straightened disc is the end of a ring.
//!
//! What tells a ring's end from a pore row's other edge, a saw mark or a band within the year is the
//! shape of the tone over several rings and what the other arcs show at the same level. No threshold
//! on the change of tone held on all woods; a small convolutional filter that was taught on rendered
//! practice discs does. It sees the disc on the measured-out scale of [`evidence`](crate::evidence),
//! two samples a cell, and says for every arc, and for the disc as a whole, how likely a ring ends
//! there. It was taught no photo of a real disc.

mod close_up;

mod filter;

pub use close_up::{CloseUp, look};

use crate::evidence::Evidence;
use crate::plane::Plane;
use crate::polar::Polar;
use crate::straight::Straight;

/// Samples a cell of the evidence's scale: narrow rings between wide ones need the finer look.
/// Sample `i` lies at cell `(i - 0.5) / 2`.
pub const FINE: usize = 2;

/// How likely rings end where.
///
/// Holds: `on_arc` is `[ARCS, FINE * cells]`, `agreed` as long as its rows; chances from 0 to 1. A
/// true end has about 1 at its place and half of it a sample and a half to either side.
#[derive(Debug, Clone)]
pub struct RingEnds {
    /// Chance on each arc.
    pub on_arc: Plane,
    /// Chance on the disc as a whole.
    pub agreed: Vec<f32>,
}

/// Finds where rings are likely to end.
pub fn find(polar: &Polar, straight: &Straight, evidence: &Evidence) -> RingEnds {
    let (on_arc, agreed) = filter::judge(&look(polar, straight, evidence));
    RingEnds {
        on_arc: on_arc.map(filter::chance),
        agreed: agreed.into_iter().map(filter::chance).collect(),
    }
}
