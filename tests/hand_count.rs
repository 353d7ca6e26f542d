//! Double-checking hand counts: worked numbers, simulated faults, pen marks, files and bad input.

mod hand_faults;

use endgrain::demo::{self, Suite, Truth};
use endgrain::hand_count::find_marks;
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
        "stains": [], "hollow": null, "saw_marks": false,
        "late_wood_bright": false, "species_look": "", "bark_look": "", "bark_missing_share": 0.0,
        "background": "", "ruler": false, "tilt_deg": 0.0, "jpeg_quality": 90,
    });
    for (name, default) in defaults.as_object().expect("an object") {
        fields.insert(name.clone(), default.clone());
    }
    // A number in a practice disc's truth, an object in a development render's.
    let line = fields.get("pen_marks").and_then(|lines| lines.get(0)).cloned();
    let azimuth = line.and_then(|line| line.as_f64().or_else(|| line.get("az")?.as_f64()));
    fields.insert("pen_marks".into(), azimuth.into_iter().collect::<Vec<_>>().into());
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

/// Pen marks of one photo against the truth.
#[derive(Debug, Default, Clone, Copy)]
struct PenScore {
    line_off_deg: f64,
    marks: usize,
    found: usize,
    hits: usize,
}

/// Where a practice disc's marks are, px from its pith along its line.
fn true_marks(truth: &Truth) -> Vec<f64> {
    let (azimuth, every) = (truth.pen_marks[0], truth.pen_mark_every.expect("a line"));
    (every..=truth.rings.expect("rings"))
        .step_by(every)
        .filter_map(|ring| reading::radius_at(&truth.boundaries[ring - 1], azimuth))
        .collect()
}

fn pen_score(photo: &photo::Photo, truth: &Truth, reading: &Reading) -> Option<PenScore> {
    let line = find_marks::find(photo, reading)?;
    let [px, py] = truth.pith.expect("a pith");
    let azimuth = truth.pen_marks[0];
    let off = (line.azimuth_deg - azimuth + 180.0).rem_euclid(360.0) - 180.0;
    let marks = true_marks(truth);
    let mut left = marks.clone();
    let mut hits = 0;
    let mut wrong = Vec::new();
    for (x, y) in &line.marks_px {
        let along = (x - px).hypot(y - py);
        let near = |at: &f64| (at - along).abs() <= (1.0_f64).max(line.width_px);
        if let Some(i) = left.iter().position(near) {
            left.remove(i);
            hits += 1;
        } else {
            wrong.push(along.round());
        }
    }
    if std::env::var_os("ENDGRAIN_PEN_MARKS").is_some() {
        println!("missed {left:.0?}, wrong {wrong:?}, off {off:.2} degrees, width {:.1} px", line.width_px);
    }
    Some(PenScore {
        line_off_deg: off.abs(),
        marks: marks.len(),
        found: line.marks_px.len(),
        hits,
    })
}

/// With `ENDGRAIN_PEN_MARKS=PHOTOS:READINGS` prints what is found on the discs there.
#[test]
fn ruled_lines_and_their_marks_are_found() {
    if let Ok(folders) = std::env::var("ENDGRAIN_PEN_MARKS") {
        let (photos, readings) = folders.split_once(':').expect("PHOTOS:READINGS");
        let mut sum = PenScore::default();
        for (truth, reading) in read_before(Path::new(photos), Path::new(readings)) {
            let path = Path::new(photos).join(&truth.photo);
            let photo = photo::read(&path, &Settings::default()).expect("a photo");
            if truth.pen_marks.is_empty() {
                let line = find_marks::find(&photo, &reading);
                println!("{}: no line, {}", truth.photo, line.map_or("none found".into(), |l| format!("FOUND {l:?}")));
                continue;
            }
            let score = pen_score(&photo, &truth, &reading);
            println!("{}: every {:?} {score:?}", truth.photo, truth.pen_mark_every);
            if let Some(s) = score {
                sum.marks += s.marks;
                sum.found += s.found;
                sum.hits += s.hits;
            } else {
                sum.marks += true_marks(&truth).len();
            }
        }
        println!("found {:.3}, false {:.3}", sum.hits as f64 / sum.marks as f64, 1.0 - sum.hits as f64 / sum.found.max(1) as f64);
        return;
    }
}
