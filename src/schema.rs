//! The JSON Schema of the reading, as it comes with the program.
//!
//! Written by hand in draft 2020-12. Strict in what is there: every field that
//! `endgrain.reading/1` names is required and has its range; fields that are added later pass, so
//! that old schemas accept new readings. What a schema can't say is said in the documentation of
//! [`crate::reading`]: that ring numbers rise without holes, that boundaries don't cross, and that
//! the count lies in its band.

/// JSON Schema (draft 2020-12) of `endgrain.reading/1`.
pub const READING: &str = include_str!("reading.schema.json");
