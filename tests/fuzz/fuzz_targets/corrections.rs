//! Any bytes as a file of corrections: refused with sentences that name the file, or corrections that
//! can be made.
#![no_main]

use endgrain::dataset::corrections::{self, Change};
use libfuzzer_sys::fuzz_target;
use std::path::Path;

fuzz_target!(|bytes: &[u8]| {
    match corrections::parse(bytes, Path::new("corrections.csv")) {
        Ok(read) => {
            for correction in read.list {
                assert!(correction.ring > 0 && !correction.specimen.is_empty());
                if let Change::Width { radius, width_mm } = correction.change {
                    assert!(!radius.is_empty());
                    assert!(width_mm.is_none_or(|mm| (0.0..=1000.0).contains(&mm)));
                }
            }
        }
        Err(faults) => {
            assert!(!faults.is_empty());
            for fault in faults {
                assert!(fault.to_string().starts_with("corrections.csv"), "{fault}");
            }
        }
    }
});
