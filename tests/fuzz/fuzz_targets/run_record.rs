//! Any bytes as the record of a part of a run, with its two tables behind it, each after a line of
//! `----`: merged to the tables of one run, or refused with a sentence; and a run that finds the record
//! goes on whatever it says.
#![no_main]

use endgrain::batch::{self, Found, Listing, Record};
use endgrain::settings::Settings;
use libfuzzer_sys::fuzz_target;
use std::fs;
use std::path::{Path, PathBuf};

const PARTING: &[u8] = b"\n----\n";

fuzz_target!(|bytes: &[u8]| {
    // One folder a process, written over each time. TMPDIR in memory makes it fast.
    let place = std::env::temp_dir().join(format!("endgrain-fuzz-{}", std::process::id()));
    let out = place.join("out");
    fs::create_dir_all(&out).expect("a folder");
    let mut files = parts(bytes);
    for name in ["run-record", "ages", "widths"] {
        let ending = if name == "run-record" { "jsonl" } else { "csv" };
        let path = out.join(format!("{name}.part-1-of-1.{ending}"));
        fs::write(path, files.next().unwrap_or_default()).expect("a file");
    }
    if let Err(refused) = batch::merge(std::slice::from_ref(&out), &out) {
        assert!(refused.to_string().starts_with(&*out.to_string_lossy()), "{refused}");
    }
    // The same as a run of its own.
    fs::write(out.join(batch::RECORD), parts(bytes).next().unwrap_or_default()).expect("a file");
    let found: Vec<Found> = ["clean_conifer_QB-0000.jpg", "log-7.jpg"]
        .map(|name| Found { path: Path::new("yard").join(name), below: PathBuf::from(name) })
        .into();
    let work = batch::plan(&found, &out).expect("no photo there");
    let listing = Listing::of(&found);
    Record::open(&out, &Settings::default(), None, &listing, &work, false).expect("a record");
});

/// The pieces between the parting lines.
fn parts(bytes: &[u8]) -> impl Iterator<Item = &[u8]> {
    let mut rest = Some(bytes);
    std::iter::from_fn(move || {
        let all = rest?;
        let at = all.windows(PARTING.len()).position(|w| w == PARTING);
        // The line's end before the parting belongs to the piece.
        let (piece, after) = match at {
            Some(at) => (&all[..=at], Some(&all[at + PARTING.len()..])),
            None => (all, None),
        };
        rest = after;
        Some(piece)
    })
}
