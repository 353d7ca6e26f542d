//! Counts and measures annual rings in photos of end grain.
//!
//! The way of the data is the order of the modules below: a photo is read, the wood is told from
//! what is round it, the pith is found, the disc is unwrapped into polar coordinates and
//! straightened until its rings lie level, evidence of ring boundaries is gathered, boundaries are
//! traced on every arc, reconciled into rings, and the rings are counted with a band. What is
//! published of all that is the [`reading::Reading`].
#![cfg_attr(
    not(test),
    warn(
        missing_docs,
        clippy::cast_possible_truncation,
        clippy::cast_possible_wrap,
        clippy::cast_sign_loss,
        clippy::float_cmp,
        clippy::missing_errors_doc,
        clippy::missing_panics_doc,
        clippy::print_stderr,
        clippy::print_stdout,
        clippy::unwrap_used
    )
)]

/// Takes nothing, makes the sentences of what can go wrong.
pub mod error;

/// Takes what the user asked for, makes the one struct that every stage obeys.
pub mod settings;

/// Takes a path or bytes, makes an upright [`photo::Photo`].
pub mod photo;

/// The named troubles that a reading may carry.
pub mod notes;

/// Takes all of the above, makes the published record.
pub mod reading;

/// Takes paths, reads the photos there side by side and writes what was made of them.
pub mod batch;

#[doc(hidden)]
pub mod todo_merge;
