//! A ring-width dataset: many readings, gathered into one folder that others can use without this
//! program.
//!
//! `gather()` adds readings to the folder; what is in it follows from three things alone, all kept in
//! it: the readings (`readings.jsonl`, one a photo or part of a photo), what a person knows of them
//! (`sheet.csv`, see `sheet`) and corrections by hand (`corrections.csv`, see `corrections`). All
//! else is made of these and made anew when they change: the tables `rings.csv`, `specimens.csv`,
//! `series.csv`, `means.csv` (and the same as Parquet), decadal text, XML, and `datapackage.json`, which
//! describes every column. So the order in which readings came doesn't show, and the same readings again
//! change nothing.
//!
//! - A reading of a photo that is there already, if it is another one, takes its place.
//! - A specimen with corrections keeps the reading that they were made on, unless it is asked for.
//! - A table that somebody changed is not written over, unless that is asked for.
//! - The folder is never half new and half old (`store`), and is locked while it is written.
//!
//! Limits: each run that adds something writes all files anew. Memory: 64 readings (about 20 MB), the
//! sheet, and about 1 kB a specimen.

pub mod corrections;
mod exports;
mod felled;
mod gather;
mod package;
mod parquet;
mod plan;
pub mod sheet;
mod sources;
mod specimen;
mod store;
mod table;
mod tables;
mod write;

pub use gather::{Gathered, Order, gather};

/// Readings, one a line.
pub const READINGS: &str = "readings.jsonl";
/// The sheet of specimens, a person's file.
pub const SHEET: &str = "sheet.csv";
/// Corrections by hand, a person's file.
pub const CORRECTIONS: &str = "corrections.csv";
/// One row a ring, radius and specimen.
pub const RINGS: &str = "rings.csv";
/// One row a specimen.
pub const SPECIMENS: &str = "specimens.csv";
/// One row a series.
pub const SERIES: &str = "series.csv";
/// Widths from areas, means of discs and trees.
pub const MEANS: &str = "means.csv";
/// The Tree-Ring Data Standard file.
pub const XML: &str = "ring-widths.xml";
/// The description of all files.
pub const PACKAGE: &str = "datapackage.json";

/// Radii of a disc where nothing else is asked for.
pub const RADII: usize = 16;
