//! Any bytes as XML of the Tree-Ring Data Standard: refused with sentences that name the file, or
//! series that every format can take and that are the same when read back.
#![no_main]

#[path = "../series/mod.rs"]
mod series;

use endgrain::formats::{Format, tridas};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    series::check(bytes, Format::Tridas, |bytes, path| tridas::parse(bytes, path));
});
