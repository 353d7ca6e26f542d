//! Any bytes as a sheet of hand counts: refused as a whole or row by row with sentences that name the
//! file, and rows that make sense.
#![no_main]

use endgrain::hand_count::sheet;
use libfuzzer_sys::fuzz_target;
use std::collections::HashSet;
use std::path::Path;

fuzz_target!(|bytes: &[u8]| {
    let read = match sheet::parse(bytes, Path::new("counts.csv")) {
        Ok(read) => read,
        Err(refused) => {
            assert!(refused.to_string().starts_with("counts.csv"), "{refused}");
            return;
        }
    };
    for fault in &read.faults {
        assert!(fault.to_string().starts_with("counts.csv"), "{fault}");
    }
    let mut photos = HashSet::new();
    for row in &read.rows {
        assert!(!row.photo.is_empty() && photos.insert(&row.photo));
        assert!(row.hand.total.is_none_or(|rings| rings > 0));
        assert!(row.azimuth_deg.is_none_or(|a| (0.0..360.0).contains(&a)));
        assert!(row.diameter_mm.is_none_or(|mm| mm > 0.0 && mm.is_finite()));
    }
});
