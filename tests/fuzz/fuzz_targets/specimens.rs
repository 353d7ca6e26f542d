//! Any bytes as a sheet of specimens: refused with sentences that name the file, or a sheet that is
//! the same when it is written and read again.
#![no_main]

use endgrain::dataset::sheet::{self, Row, Sheet};
use libfuzzer_sys::fuzz_target;
use std::path::Path;

fuzz_target!(|bytes: &[u8]| {
    let path = Path::new("specimens.csv");
    let read = match sheet::parse(bytes, path) {
        Ok(read) => read,
        Err(faults) => {
            assert!(!faults.is_empty());
            for fault in faults {
                assert!(fault.to_string().starts_with("specimens.csv"), "{fault}");
            }
            return;
        }
    };
    let mut written = Vec::new();
    sheet::write(&mut written, &read).expect("memory");
    let again = sheet::parse(&written, path).expect("its own sheet");
    assert!(plain(&again) == plain(&read));
    let merged = sheet::merge(read.clone(), again);
    assert!(merged.rows.len() <= read.rows.len());
});

/// The rows without what a file's layout decides: lines, and cells of columns that were not there.
fn plain(sheet: &Sheet) -> Vec<Row> {
    let mut rows = sheet.rows.clone();
    for row in &mut rows {
        row.line = 0;
        row.cells.retain(|_, cell| !cell.is_empty());
    }
    rows
}
