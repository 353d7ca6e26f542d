//! Any bytes as a file of marks, and each of its lines as a mark on the command line: refused with
//! sentences, or marks at rings from 1 and at places that are numbers.
#![no_main]

use endgrain::hand_count::marks::{self, Mark, Place};
use libfuzzer_sys::fuzz_target;
use std::path::Path;

fuzz_target!(|bytes: &[u8]| {
    if let Ok(text) = str::from_utf8(bytes) {
        for line in text.lines() {
            match Mark::parse(line) {
                Ok(mark) => check(&mark),
                Err(sentence) => assert!(!sentence.is_empty()),
            }
        }
    }
    match marks::parse_file(bytes, Path::new("marks.csv")) {
        Ok(file) => {
            for row in &file.rows {
                check(&row.mark);
                assert!(row.photo.as_ref().is_none_or(|name| !name.is_empty()));
            }
            for fault in &file.faults {
                assert!(fault.to_string().starts_with("marks.csv"), "{fault}");
            }
        }
        Err(refused) => assert!(refused.to_string().starts_with("marks.csv"), "{refused}"),
    }
});

fn check(mark: &Mark) {
    assert!(mark.ring > 0);
    let is_sound = match mark.place {
        Place::Distance(length) | Place::Diameter(length) => {
            length.mm > 0.0
                && length.mm.is_finite()
                && length.last_place_mm > 0.0
                && length.last_place_mm.is_finite()
        }
        Place::Point { x_px, y_px } => x_px.is_finite() && y_px.is_finite(),
    };
    assert!(is_sound, "{mark:?}");
}
