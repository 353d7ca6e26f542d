//! Double-checking a hand count: takes a count by hand and a reading of the same disc, makes where
//! the two part.
//!
//! A hand count is a total, or a total with marks ([`marks`](crate::hand_count::marks)); a folder
//! of them is a sheet ([`sheet`](crate::hand_count::sheet)). The marks cut the line from the pith to
//! the bark into stretches, and [`comparing`](crate::hand_count::comparing) asks of each stretch how
//! sure it is that the hand's rings there are right, given what was read. The pen marks themselves can
//! be looked for in the photo ([`find_marks`](crate::hand_count::find_marks)). Many discs together
//! give the limits within which hand and reading agree
//! ([`agreement`](crate::hand_count::agreement)). [`record`](crate::hand_count::record) is what is
//! written of it, [`words`](crate::hand_count::words) what is said.
//!
//! Only the reading is looked at, and for the pen marks the photo; no stage is.

pub mod agreement;
pub mod checking;
pub mod comparing;
pub mod doubt;
pub mod find_marks;
pub mod folder;
pub mod ladder;
pub mod marks;
pub mod page;
pub mod record;
pub mod sheet;
pub mod two_counts;
pub mod two_written;
pub mod words;

pub use comparing::{Comparison, Finding, PlacedMark, Stretch, TotalComparison, compare};
pub use marks::{HandCount, Mark, Place};
