//! Double-checking hand counts: worked numbers, simulated faults, pen marks, files and bad input.

mod hand_faults;

use endgrain::demo::{self, Suite, Truth};
use endgrain::photo;
use endgrain::reading::{self, Reading};
use endgrain::settings::Settings;
use hand_faults::{by_suite_and_fault, print, sum};
use rayon::prelude::*;
use std::path::Path;

/// Truth and readings of the discs in a folder, as `endgrain demo` (or the development renders) and
/// `endgrain count` wrote them.
fn read_before(photos: &Path, readings: &Path) -> Vec<(Truth, Reading)> {
    let mut names: Vec<_> = std::fs::read_dir(readings)
        .unwrap_or_else(|e| panic!("{}: {e}", readings.display()))
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .filter_map(|name| name.strip_suffix(".rings.json").map(str::to_owned))
        .collect();
    names.sort();
    names
        .iter()
        .map(|name| {
            let text = std::fs::read(photos.join(format!("{name}.json"))).expect("a truth");
            let reading = reading::load(&readings.join(format!("{name}.rings.json")));
            (truth_of(&text), reading.expect("a reading"))
        })
        .filter(|(truth, reading)| !truth.no_rings && reading.is_counted())
        .collect()
}

/// The fields of a truth that a simulated count needs; the development renders' other fields are of
/// another form than the practice discs'.
fn truth_of(text: &[u8]) -> Truth {
    let mut value: serde_json::Value = serde_json::from_slice(text).expect("JSON");
    let fields = value.as_object_mut().expect("an object");
    let defaults = serde_json::json!({
        "yard": "", "tag": "", "absent": [], "growth_events": [], "checks": [], "knots": [],
        "stains": [], "hollow": null, "pen_marks": [], "saw_marks": false,
        "late_wood_bright": false, "species_look": "", "bark_look": "", "bark_missing_share": 0.0,
        "background": "", "ruler": false, "tilt_deg": 0.0, "jpeg_quality": 90,
    });
    for (name, default) in defaults.as_object().expect("an object") {
        fields.insert(name.clone(), default.clone());
    }
    serde_json::from_value(value).expect("a truth")
}

/// Practice discs read here: small, so that the test is quick.
fn read_now(suites: &[Suite], seed: u64, discs: u64) -> Vec<(Truth, Reading)> {
    let list: Vec<(Suite, u64)> = suites
        .iter()
        .flat_map(|suite| (0..discs).map(move |index| (*suite, index)))
        .collect();
    list.into_par_iter()
        .map(|(suite, index)| {
            let plan = demo::plan(suite, seed, index).at_long_side(1200);
            let rendered = demo::render(&plan);
            let bytes = plan.to_jpeg(&rendered).expect("a JPEG");
            let name = format!("{}.jpg", plan.name());
            let photo = photo::decode(&bytes, Path::new(&name), &Settings::default()).expect("a photo");
            let reading = endgrain::read(&photo, &Settings::default()).expect("a reading");
            (rendered.truth, reading)
        })
        .collect()
}

/// Faults of a known place are named, and right counts aren't accused. Floors a little under what is
/// reached; raise them, never lower them. With `ENDGRAIN_HAND_COUNTS=PHOTOS:READINGS` (folders; more
/// after commas) the table of DEVELOPERS.md is printed for the discs there.
#[test]
fn simulated_faults_are_named_by_their_stretch() {
    if let Ok(folders) = std::env::var("ENDGRAIN_HAND_COUNTS") {
        let discs: Vec<_> = folders
            .split(',')
            .flat_map(|pair| {
                let (photos, readings) = pair.split_once(':').expect("PHOTOS:READINGS");
                read_before(Path::new(photos), Path::new(readings))
            })
            .collect();
        print(&by_suite_and_fault(&discs, 8, 77));
        return;
    }
    let clean = [Suite::CleanConifer, Suite::CleanRingPorous, Suite::CleanDiffuse];
    let discs = read_now(&clean, 611, 2);
    let table = by_suite_and_fault(&discs, 6, 77);
    print(&table);
    let all = sum(&table, |_| true);
    assert!(all.faults > 100 && all.right > 30);
    assert!(all.named_share() >= 0.5, "{:.3}", all.named_share());
    assert!(all.cleared_share() >= 0.9, "{:.3}", all.cleared_share());
}
