//! Any bytes as decadal text: refused with sentences that name the file, or series that every format
//! can take and that are the same when read back.
#![no_main]

#[path = "../series/mod.rs"]
mod series;

use endgrain::formats::{Format, decadal};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    series::check(bytes, Format::Decadal, |bytes, path| decadal::parse(bytes, path));
});
