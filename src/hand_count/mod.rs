//! Double-checking a hand count: takes a count by hand and a reading of the same disc, makes where
//! the two part.
//!
//! A hand count is a total, or a total with marks ([`marks`](crate::hand_count::marks)); a folder
//! of them is a sheet ([`sheet`](crate::hand_count::sheet)). The marks cut the line from the pith to
//! the bark into stretches, and [`comparing`](crate::hand_count::comparing) asks of each stretch how
//! sure it is that the hand's rings there are right, given what was read. The pen marks themselves can
//! be looked for in the photo ([`find_marks`](crate::hand_count::find_marks)). Many discs together
//! ([`folder`](crate::hand_count::folder)) give the limits within which hand and reading, or two
//! hands, agree ([`agreement`](crate::hand_count::agreement)). Two counts of one disc are held against
//! each other without a judge ([`two_counts`](crate::hand_count::two_counts)).
//! [`record`](crate::hand_count::record) and [`two_written`](crate::hand_count::two_written) are what
//! is written, [`words`](crate::hand_count::words) what is said.
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
pub mod one_sheet;
mod outward;
pub mod page;
pub mod record;
pub mod sheet;
pub mod two_counts;
pub mod two_hands;
pub mod two_sheets;
pub mod two_written;
pub mod words;

pub use comparing::{Comparison, Finding, PlacedMark, Stretch, TotalComparison, compare};
pub use marks::{HandCount, Mark, Place};
