//! Any bytes as tidy CSV: refused with sentences that name the file, or series that every format can
//! take and that are the same when read back.
#![no_main]

#[path = "../series/mod.rs"]
mod series;

use endgrain::formats::{Format, tidy};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    series::check(bytes, Format::Tidy, |bytes, path| tidy::parse(bytes, path));
});
