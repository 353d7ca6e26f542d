//! Double-checking hand counts: worked numbers, simulated faults, pen marks, files and bad input.

mod hand_faults;
mod hand_made;

use endgrain::demo::{self, Suite, Truth};
use endgrain::hand_count::comparing::{Finding, Given, compare, year_of};
use endgrain::hand_count::{find_marks, words};
use endgrain::photo;
use endgrain::reading::{self, OutlineState, Reading};
use endgrain::settings::Settings;
use hand_faults::{by_suite_and_fault, print, sum};
use hand_made::{even_rings, hand, program};
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
    let line = fields
        .get("pen_marks")
        .and_then(|lines| lines.get(0))
        .cloned();
    let azimuth = line.and_then(|line| line.as_f64().or_else(|| line.get("az")?.as_f64()));
    fields.insert(
        "pen_marks".into(),
        azimuth.into_iter().collect::<Vec<_>>().into(),
    );
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
            let photo =
                photo::decode(&bytes, Path::new(&name), &Settings::default()).expect("a photo");
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
    let clean = [
        Suite::CleanConifer,
        Suite::CleanRingPorous,
        Suite::CleanDiffuse,
    ];
    let discs = read_now(&clean, 611, 5);
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
        println!(
            "missed {left:.0?}, wrong {wrong:?}, off {off:.2} degrees, width {:.1} px",
            line.width_px
        );
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
                println!(
                    "{}: no line, {}",
                    truth.photo,
                    line.map_or("none found".into(), |l| format!("FOUND {l:?}"))
                );
                continue;
            }
            if truth.pen_mark_every.is_none() {
                let line = find_marks::find(&photo, &reading).expect("a line");
                let [px, py] = truth.pith.expect("a pith");
                let along: Vec<f64> = line
                    .marks_px
                    .iter()
                    .map(|(x, y)| (x - px).hypot(y - py))
                    .collect();
                println!(
                    "{}: line at {:.2} for {:?}, marks {along:.0?}",
                    truth.photo, line.azimuth_deg, truth.pen_marks
                );
                continue;
            }
            let score = pen_score(&photo, &truth, &reading);
            println!(
                "{}: every {:?} {score:?}",
                truth.photo, truth.pen_mark_every
            );
            if let Some(s) = score {
                sum.marks += s.marks;
                sum.found += s.found;
                sum.hits += s.hits;
            } else {
                sum.marks += true_marks(&truth).len();
            }
        }
        println!(
            "found {:.3}, false {:.3}",
            sum.hits as f64 / sum.marks as f64,
            1.0 - sum.hits as f64 / sum.found.max(1) as f64
        );
        return;
    }
    // Marks at every fifth or tenth ring, as people make them; four discs, the first such of a seed.
    let (mut seen, mut marks, mut found, mut hits) = (0, 0, 0, 0);
    for index in 0..12 {
        let plan = demo::plan(Suite::PenMarks, 640, index).at_long_side(1500);
        if seen == 4 || plan.truth().pen_mark_every.is_none_or(|every| every < 5) {
            continue;
        }
        seen += 1;
        let (photo, truth) = photographed(&plan);
        let reading = endgrain::read(&photo, &Settings::default()).expect("a reading");
        let score = pen_score(&photo, &truth, &reading)
            .unwrap_or_else(|| panic!("{}: no line found", truth.photo));
        assert!(score.line_off_deg < 2.0, "{}: {score:?}", truth.photo);
        marks += score.marks;
        found += score.found;
        hits += score.hits;
    }
    assert!(seen == 4 && marks >= 8, "{seen} {marks}");
    assert!(hits * 10 >= marks * 8, "{hits} of {marks}");
    assert!((found - hits) * 10 <= found, "{hits} of {found}");
}

/// A disc without a line has none; white and red lines drawn on it are found with their marks.
#[test]
fn a_line_of_any_colour_is_found_and_none_where_none_is() {
    let plan = demo::plan(Suite::CleanConifer, 641, 1).at_long_side(1200);
    let (photo, truth) = photographed(&plan);
    let reading = endgrain::read(&photo, &Settings::default()).expect("a reading");
    assert_eq!(find_marks::find(&photo, &reading), None);
    let [px, py] = truth.pith.expect("a pith");
    for (ink, azimuth) in [
        ([245, 245, 240], 40.0_f64),
        ([190, 30, 30], 200.0),
        ([20, 20, 30], 301.0),
    ] {
        let mut photo = photo.clone();
        let (sin, cos) = azimuth.to_radians().sin_cos();
        let boundary = |ring: usize| {
            reading::radius_at(&truth.boundaries[ring - 1], azimuth).expect("a boundary")
        };
        let edge = boundary(truth.rings.expect("rings"));
        let marks: Vec<f64> = (5..truth.rings.expect("rings"))
            .step_by(5)
            .map(boundary)
            .collect();
        let mut dab = |along: f64, across: f64| {
            let (x, y) = (
                px + along * cos - across * sin,
                py + along * sin + across * cos,
            );
            photo
                .pixels
                .put_pixel(x.round() as u32, y.round() as u32, image::Rgb(ink));
        };
        for i in 0..(4.0 * edge) as i32 {
            for j in -6..=6 {
                dab(f64::from(i) / 4.0, f64::from(j) / 4.0);
            }
        }
        for at in &marks {
            for j in -36..=36 {
                for i in -6..=6 {
                    dab(at + f64::from(i) / 4.0, f64::from(j) / 4.0);
                }
            }
        }
        let line = find_marks::find(&photo, &reading).expect("the line");
        let off = (line.azimuth_deg - azimuth + 180.0).rem_euclid(360.0) - 180.0;
        assert!(off.abs() < 2.0, "{ink:?}: {off}");
        let near = |at: &f64| {
            let distance = |(x, y): &(f64, f64)| ((x - px).hypot(y - py) - at).abs();
            line.marks_px.iter().map(distance).fold(f64::MAX, f64::min) < 3.0
        };
        let hits = marks.iter().filter(|at| near(at)).count();
        assert_eq!(
            (hits, line.marks_px.len()),
            (marks.len(), marks.len()),
            "{ink:?}"
        );
    }
}

fn photographed(plan: &demo::Plan) -> (photo::Photo, Truth) {
    let rendered = demo::render(plan);
    let bytes = plan.to_jpeg(&rendered).expect("a JPEG");
    let name = format!("{}.jpg", plan.name());
    let photo = photo::decode(&bytes, Path::new(&name), &Settings::default()).expect("a photo");
    (photo, rendered.truth)
}

/// By hand: rings of 10 px at 0.254 mm a px are 2.54 mm wide, so ring 20 lies 50.8 mm = 2 in from the
/// pith and has a diameter of 4 in (the inch is 25.4 mm by definition).
#[test]
fn distances_and_diameters_at_marks_are_those_of_the_rings() {
    let reading = even_rings(60, 10.0, 0.254);
    let count = hand(60, &["20@2.00in", "40@203.2mm dia", "50@1500,1000"]);
    let (comparison, faults) = compare(&count, &reading, &Given::default());
    assert!(faults.is_empty(), "{faults:?}");
    let got: Vec<_> = comparison
        .marks
        .iter()
        .map(|m| {
            (
                m.distance_px,
                m.reading_ring.unwrap(),
                m.diameter_mm.unwrap(),
                m.reading_diameter_mm.unwrap(),
            )
        })
        .collect();
    for (got, want) in got.iter().zip([
        (200.0, 20.0, 101.6, 101.6),
        (400.0, 40.0, 203.2, 203.2),
        (500.0, 50.0, 254.0, 254.0),
    ]) {
        assert!(
            (got.0 - want.0).abs() < 1e-6 && (got.1 - want.1).abs() < 1e-6,
            "{got:?}"
        );
        assert!(
            (got.2 - want.2).abs() < 1e-6 && (got.3 - want.3).abs() < 1e-6,
            "{got:?}"
        );
    }
    assert_eq!(comparison.finding(), Finding::Agrees);
    assert!(comparison.suspects.is_empty());
}

/// T-1.1 and T-1.7 of the project's facts: 88 rings, the outermost of 2023: ring 1 is of 1936.
#[test]
fn marks_have_the_years_of_the_calendar() {
    assert_eq!(year_of(1, 88, 2023), Some(1936));
    // The mark at 1940 stands on ring 5, that at 2020 on ring 85.
    assert_eq!(year_of(5, 88, 2023), Some(1940));
    assert_eq!(year_of(85, 88, 2023), Some(2020));
    // T-1.2: 88 complete rings, felled in January 2024: the outermost is of 2023 too.
    assert_eq!(year_of(88, 88, 2023), Some(2023));
    assert_eq!(year_of(89, 88, 2023), None);
    let given = Given {
        last_ring: Some(2023),
        ..Given::default()
    };
    let (comparison, _) = compare(
        &hand(60, &["20@1200,1000"]),
        &even_rings(60, 10.0, 1.0),
        &given,
    );
    assert_eq!(comparison.marks[0].year, Some(1983));
}

/// The case of the issue: between the marks 40 and 60 there are 23 rings.
#[test]
fn the_stretch_that_holds_more_rings_is_named() {
    let reading = even_rings(97, 8.0, 1.0);
    let at = |ring: u32| {
        format!(
            "{}@{},1000",
            ring,
            1000 + 8 * if ring > 40 { ring + 3 } else { ring }
        )
    };
    let marks: Vec<String> = (1..=4).map(|n| at(20 * n)).collect();
    let marks: Vec<&str> = marks.iter().map(String::as_str).collect();
    let (comparison, faults) = compare(&hand(94, &marks), &reading, &Given::default());
    assert!(faults.is_empty());
    let first = comparison.first_suspect().expect("a stretch");
    assert_eq!(
        (first.from_ring, first.to_ring, first.hand_rings),
        (40, 60, 20)
    );
    assert_eq!(
        (first.reading_rings, first.finding),
        (Some(23), Finding::Differs)
    );
    assert_eq!(comparison.suspects.len(), 1);
    let said = words::sentences(&comparison, &reading).join("\n");
    assert!(said.contains("your 40-60 stretch holds 23 rings"), "{said}");
    assert!(said.contains("not 20; I am sure of all of them"), "{said}");
    assert!(said.contains("differs by 3"), "{said}");
}

#[test]
fn marks_that_cant_be_right_are_told_of_and_the_rest_is_compared() {
    let reading = even_rings(60, 10.0, 0.254);
    let count = hand(
        60,
        &[
            "10@1100,1000",
            "10@1101,1000",
            "20@1090,1000",
            "30@1300,1000",
            "40@9in",
            "70@1550,1000",
        ],
    );
    let (comparison, faults) = compare(&count, &reading, &Given::default());
    let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
    for words in [
        "ring 10 a second time",
        "ring 20 lies no farther from the pith than ring 10",
        "ring 40 lies beyond the bark",
        "ring 70 of a disc whose total is 60",
    ] {
        assert!(
            told.iter().any(|told| told.contains(words)),
            "{words}: {told:?}"
        );
    }
    assert_eq!(told.len(), 4);
    assert_eq!(comparison.marks.len(), 2);
    assert_eq!(comparison.finding(), Finding::Agrees);
}

#[test]
fn a_total_is_held_against_the_band() {
    let reading = even_rings(60, 10.0, 1.0);
    for (total, finding) in [
        (60, Finding::Agrees),
        (61, Finding::WithinDoubt),
        (59, Finding::WithinDoubt),
        (58, Finding::Differs),
        (63, Finding::Differs),
    ] {
        let (comparison, _) = compare(&hand(total, &[]), &reading, &Given::default());
        assert_eq!(comparison.total.unwrap().finding, finding, "{total}");
    }
    // An "at least" has no upper end.
    let mut open = even_rings(60, 10.0, 1.0);
    open.age.complete = false;
    open.outline.state = OutlineState::Frame;
    let (comparison, _) = compare(&hand(80, &[]), &open, &Given::default());
    assert_eq!(comparison.total.unwrap().finding, Finding::WithinDoubt);
    let (comparison, _) = compare(&hand(50, &[]), &open, &Given::default());
    assert_eq!(comparison.total.unwrap().finding, Finding::Differs);
}

/// A folder with a sheet: good rows are done, bad ones told with their line, the worst comes first.
#[test]
fn a_folder_is_done_by_its_sheet() {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, rings) in [("QB-1", 60), ("QB-2", 40), ("QB-3", 52)] {
        let mut reading = even_rings(rings, 10.0, 1.0);
        reading.photo.file = format!("{name}.jpg");
        let json = serde_json::to_vec(&reading).expect("JSON");
        std::fs::write(folder.path().join(format!("{name}.rings.json")), json).expect("written");
    }
    let sheet = "photo,total,counted_by\nQB-1.rings.json,60,Reed\nQB-2.rings.json,47,Moss\ngone.jpg,12,\nQB-3.rings.json,x,\nQB-1.rings.json,61,\n";
    std::fs::write(folder.path().join("counts.csv"), sheet).expect("written");
    let marks = "photo,ring,x_px,y_px\nQB-2.rings.json,20,1130,1000\nQB-2.rings.json,20,1140,1000\nQB-9.rings.json,5,1,1\nQB-1.rings.json,30,1300,1000\n";
    std::fs::write(folder.path().join("marks.csv"), marks).expect("written");
    let args = [
        "double-check",
        "--sheet",
        "counts.csv",
        "--marks",
        "marks.csv",
        "--out",
        "checks",
    ];
    let (status, out, err) = program(&args, folder.path());
    assert_eq!(status, 1, "{err}");
    for words in [
        "counts.csv, line 4: gone.jpg isn't there",
        "counts.csv, line 5: \"x\" is no total",
        "counts.csv, line 6: QB-1.rings.json a second time",
        "marks.csv, line 3: ring 20 a second time",
        "marks.csv, line 4: a mark of \"QB-9.rings.json\"",
    ] {
        assert!(err.contains(words), "{words}\n{err}");
    }
    let first = out.lines().nth(1).expect("a row");
    assert!(
        first.starts_with("QB-2.rings.json") && first.contains("differs"),
        "{out}"
    );
    assert!(
        out.contains("2 discs with both counts: 50 % within 1 ring"),
        "{out}"
    );
    let table =
        std::fs::read_to_string(folder.path().join("checks/hand-counts.csv")).expect("a table");
    let photos: Vec<&str> = table
        .lines()
        .skip(1)
        .filter_map(|l| l.split(',').next())
        .collect();
    assert_eq!(photos, ["QB-2.rings.json", "QB-1.rings.json", "gone.jpg"]);
    for name in [
        "agreement.svg",
        "hand-counts.html",
        "QB-1.hand-count.json",
        "QB-2.hand-count.html",
    ] {
        assert!(folder.path().join("checks").join(name).is_file(), "{name}");
    }
    let record =
        std::fs::read(folder.path().join("checks/QB-2.hand-count.json")).expect("a record");
    let record: serde_json::Value = serde_json::from_slice(&record).expect("JSON");
    assert_eq!(record["schema"], "endgrain.hand-count/1");
    assert_eq!(record["hand"]["counted_by"], "Moss");
    assert_eq!(record["outcome"], "differs");
    assert_eq!(record["comparison"]["total"]["difference"], 7);
}

/// A photo from the fixtures whole: the record, the page and a picture of the stretch that parts.
#[test]
fn a_photo_with_points_gets_its_pictures() {
    let text = std::fs::read("fixtures/yard/clean_conifer_QB-0001.json").expect("a truth");
    let truth: Truth = serde_json::from_slice(&text).expect("a truth");
    let [px, py] = truth.pith.expect("a pith");
    let folder = tempfile::tempdir().expect("a folder");
    let mut csv = String::from("ring,x_px,y_px\n");
    let (sin, cos) = 20_f64.to_radians().sin_cos();
    // One ring is skipped between 10 and 15.
    for number in (5..25).step_by(5) {
        let ring = if number > 10 { number + 1 } else { number };
        let radius = truth.boundaries[ring - 1][20].expect("in the photo");
        csv.push_str(&format!(
            "{number},{:.1},{:.1}\n",
            px + radius * cos,
            py + radius * sin
        ));
    }
    let marks = folder.path().join("marks.csv");
    std::fs::write(&marks, csv).expect("written");
    let out = folder.path().join("checks");
    let (status, said, err) = program(
        &[
            "double-check",
            "fixtures/yard/clean_conifer_QB-0001.jpg",
            "--total",
            "25",
            "--marks",
            &marks.to_string_lossy(),
            "--out",
            &out.to_string_lossy(),
        ],
        Path::new("."),
    );
    assert_eq!(status, 0, "{err}");
    // Whether it is sure of it or not, it is this stretch and this number.
    let named = said
        .lines()
        .find(|line| line.starts_with("your 10-15 stretch"));
    assert!(named.is_some_and(|line| line.contains("6 rings")), "{said}");
    let picture = out.join("clean_conifer_QB-0001.stretch-10-15.jpg");
    let picture = image::open(picture).expect("a picture");
    assert!(picture.width() > 700 && picture.height() > 700);
    let page =
        std::fs::read_to_string(out.join("clean_conifer_QB-0001.hand-count.html")).expect("a page");
    assert!(page.contains("data:image/jpeg;base64,") && page.contains("your 10-15 stretch"));
}

/// A gaping check is straight and dark, but wedge-shaped: no ruled line.
#[test]
fn a_wedge_is_no_ruled_line() {
    let plan = demo::plan(Suite::CleanConifer, 641, 1).at_long_side(1200);
    let (mut photo, truth) = photographed(&plan);
    let reading = endgrain::read(&photo, &Settings::default()).expect("a reading");
    let [px, py] = truth.pith.expect("a pith");
    let (sin, cos) = 40_f64.to_radians().sin_cos();
    let edge = reading::radius_at(truth.boundaries.last().expect("rings"), 40.0).expect("an edge");
    for i in 0..(4.0 * edge) as i32 {
        let along = f64::from(i) / 4.0;
        let half = 1.0 + 9.0 * along / edge;
        for j in (-4.0 * half) as i32..=(4.0 * half) as i32 {
            let across = f64::from(j) / 4.0;
            let (x, y) = (
                px + along * cos - across * sin,
                py + along * sin + across * cos,
            );
            let dark = image::Rgb([25, 20, 15]);
            photo
                .pixels
                .put_pixel(x.round() as u32, y.round() as u32, dark);
        }
    }
    assert_eq!(find_marks::find(&photo, &reading), None);
}

#[test]
fn wrong_use_is_told_with_status_two() {
    let here = Path::new(".");
    for (args, words) in [
        (&["double-check"][..], "name a photo or a reading"),
        (&["double-check", "a.jpg"][..], "no hand count"),
        (
            &["double-check", "a.jpg", "--mark", "20@3ft"][..],
            "known unit",
        ),
        (
            &["double-check", "--against", "b.jpg"][..],
            "--against needs",
        ),
        (
            &[
                "double-check",
                "a.jpg",
                "--total",
                "9",
                "--against",
                "b.jpg",
            ][..],
            "--against compares two readings",
        ),
        (
            &["double-check", "--sheet", "s.csv", "--total", "9"][..],
            "--sheet has the totals",
        ),
    ] {
        let (status, _, err) = program(args, here);
        assert_eq!(status, 2, "{args:?}: {err}");
        assert!(err.contains(words), "{args:?}: {err}");
    }
    let (status, _, err) = program(&["double-check", "gone.jpg", "--total", "9"], here);
    assert!(status == 1 && err.contains("gone.jpg"), "{err}");
}
