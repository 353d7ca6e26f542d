//! Photos with several log ends: practice discs side by side, each of which knows its rings.

mod pictures;
mod yards;

use endgrain::demo::{self, Suite, Truth};
use endgrain::notes::NoteCode;
use endgrain::photo::Photo;
use endgrain::reading::{self, Reading};
use endgrain::settings::{EndsWanted, Settings};
use endgrain::{ends, face};
use image::RgbImage;
use image::imageops::replace;
use std::fs;
use yards::{Yard, same_files};

/// Seed of the discs: none to tune on.
const SEED: u64 = 6021;

/// A practice photo with its longer side at so many px.
fn disc(suite: Suite, index: u64, long_px: u32) -> (RgbImage, Truth) {
    let rendered = demo::render(&demo::plan(suite, SEED, index).at_long_side(long_px));
    (rendered.pixels, rendered.truth)
}

/// A log end of the stack: its photo's upper left corner there, and what is true of it.
struct Placed {
    corner: (u32, u32),
    truth: Truth,
}

/// Four discs in two rows, one of them twice.
fn stack() -> (RgbImage, Vec<Placed>) {
    // Discs of at most 25 rings, which are wide enough at this size. A strongly lobed one (number 5)
    // is not found in such a stack: its rings don't point at the pith.
    let parts = [
        (0, 560, (20, 30)),
        (3, 520, (700, 150)),
        (4, 700, (0, 590)),
        (0, 600, (760, 560)),
    ];
    let mut stack = RgbImage::from_fn(1300, 1300, |x, y| {
        let shade = 70 + (x * 7 + y * 13) as u8 % 9;
        image::Rgb([shade, shade, shade - 8])
    });
    let mut placed = Vec::new();
    for (index, long_px, corner) in parts {
        let (pixels, truth) = disc(Suite::CleanConifer, index, long_px);
        assert!(corner.0 + pixels.width() <= 1300 && corner.1 + pixels.height() <= 1300);
        replace(
            &mut stack,
            &pixels,
            i64::from(corner.0),
            i64::from(corner.1),
        );
        placed.push(Placed { corner, truth });
    }
    (stack, placed)
}

fn photo(pixels: RgbImage) -> Photo {
    Photo {
        file: "stack.png".to_owned(),
        sha256: "ab".repeat(32),
        pixels,
    }
}

/// Mean radius of a disc, px.
fn mean_radius_px(end: &Placed) -> f64 {
    let edge = end.truth.boundaries.last().expect("rings");
    edge.iter().flatten().sum::<f64>() / edge.iter().flatten().count() as f64
}

/// How far the pith is off, as a share of the disc's mean radius.
fn pith_off(reading: &Reading, end: &Placed) -> f64 {
    let [x, y] = end.truth.pith.expect("a pith");
    let (x, y) = (x + f64::from(end.corner.0), y + f64::from(end.corner.1));
    (reading.pith.x_px - x).hypot(reading.pith.y_px - y) / mean_radius_px(end)
}

#[test]
fn each_end_of_a_stack_is_read_in_order_and_the_largest_alone_by_default() {
    let (pixels, placed) = stack();
    let photo = photo(pixels);
    let all = Settings {
        ends: EndsWanted::All,
        ..Settings::default()
    };
    let readings = endgrain::read_ends(&photo, &all).expect("readings");
    assert_eq!(readings.len(), placed.len());
    for ((reading, end), number) in readings.iter().zip(&placed).zip(1..) {
        let told = reading.end.as_ref().expect("which end");
        assert_eq!((told.number, told.regions_px.len()), (number, 4));
        let off = pith_off(reading, end);
        assert!(off < 0.03, "end {number}: pith {off:.3} of the radius off");
        let rings = u32::try_from(end.truth.rings.expect("rings")).unwrap();
        // Which end it is shows in the count; how good counts are at such a size is not tested here.
        let off = f64::from(rings.abs_diff(reading.age.rings)) / f64::from(rings);
        assert!(
            off <= 0.25,
            "end {number}: {rings} rings, read {}",
            reading.age.rings
        );
        println!(
            "end {number}: {rings} rings, read {} ({} to {})",
            reading.age.rings, reading.age.low, reading.age.high
        );
        assert_eq!(
            reading.options.as_ref().expect("options").region_px,
            Some(told.regions_px[number as usize - 1])
        );
    }
    let one = endgrain::read(&photo, &Settings::default()).expect("a reading");
    let largest = (0..placed.len())
        .max_by(|a, b| mean_radius_px(&placed[*a]).total_cmp(&mean_radius_px(&placed[*b])))
        .expect("four ends");
    let number = largest as u32 + 1;
    assert_eq!(one.end.as_ref().expect("which end").number, number);
    let note = one.notes.iter().find(|n| n.code == NoteCode::SeveralEnds);
    let note = note.expect("a note");
    assert!(
        note.text.contains("4 log ends") && note.text.contains(&format!("number {number}")),
        "{}",
        note.text
    );
    assert_eq!(one.rings, readings[largest].rings);
    // A region says which one is meant: then there is one.
    let region = one.end.expect("which end").regions_px[0];
    let by_region = Settings {
        region_px: Some(region),
        ..Settings::default()
    };
    let first = endgrain::read(&photo, &by_region).expect("a reading");
    assert_eq!((first.end, &first.rings), (None, &readings[0].rings));
}

#[test]
fn photos_of_one_disc_have_one_end() {
    let mut several = Vec::new();
    for suite in Suite::ALL {
        for index in 0..2 {
            let (pixels, _) = disc(suite, index, 800);
            let found = ends::find(&face::view(&photo(pixels), &Settings::default()));
            if found.len() > 1 {
                several.push(format!("{} {index}: {}", suite.name(), found.len()));
            }
        }
    }
    assert!(several.is_empty(), "{several:?}");
}

#[test]
fn a_photo_of_one_disc_is_read_as_without_the_option() {
    let (pixels, _) = disc(Suite::CleanConifer, 4, 500);
    let photo = photo(pixels);
    let all = Settings {
        ends: EndsWanted::All,
        ..Settings::default()
    };
    let readings = endgrain::read_ends(&photo, &all).expect("readings");
    let one = endgrain::read(&photo, &Settings::default()).expect("a reading");
    assert_eq!(readings, [one]);
}

#[test]
fn the_command_writes_each_end_goes_on_merges_and_is_understood_by_the_others() {
    let yard = Yard::new();
    yard.put("yard/stack.png", &pictures::png(&stack().0));
    yard.put(
        "yard/disc.png",
        &pictures::png(&disc(Suite::CleanConifer, 4, 500).0),
    );
    let count = |out: &str, more: &[&str]| {
        let mut arguments = vec!["count", "yard", "--ends", "all", "--out", out];
        arguments.extend(more);
        yard.run(&arguments)
    };
    let ran = count("out", &["--json"]);
    ran.ends(0, &["2 photos read, 5 log ends"]);
    let numbers: Vec<Option<u64>> = ran
        .out
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap())
        .map(|line| line["end"]["number"].as_u64())
        .collect();
    assert_eq!(numbers, [None, Some(1), Some(2), Some(3), Some(4)]);
    for name in [
        "disc.rings.json",
        "stack.end-1.rings.json",
        "stack.end-4.overlay.jpg",
    ] {
        assert!(yard.at("out").join(name).exists(), "{name}");
    }
    assert!(!yard.at("out/stack.rings.json").exists());
    for (number, regions) in [(1, 4), (4, 4)] {
        let path = yard.at(format!("out/stack.end-{number}.rings.json"));
        let end = reading::load(&path).unwrap().end.unwrap();
        assert_eq!((end.number, end.regions_px.len()), (number, regions));
    }
    let ages = fs::read_to_string(yard.at("out/ages.csv")).unwrap();
    let mut ages = csv::Reader::from_reader(ages.as_bytes());
    assert_eq!(ages.headers().unwrap().iter().next_back(), Some("end"));
    let ends: Vec<String> = ages
        .records()
        .map(|row| row.unwrap().iter().next_back().unwrap().to_owned())
        .collect();
    assert_eq!(ends, ["1", "1", "2", "3", "4"]);

    // Gone on with, one file spoilt: only that photo is read again, and all is as it was.
    let before = yard.files("out");
    count("out", &[]).ends(
        0,
        &["2 photos read, 5 log ends, 2 of them by an earlier run"],
    );
    fs::write(yard.at("out/stack.end-3.strip.jpg"), b"spoilt").unwrap();
    fs::write(yard.at("out/.stack.end-2.rings.json.part-77"), b"half").unwrap();
    count("out", &[]).ends(0, &["1 of them by an earlier run"]);
    same_files(&before, &yard.files("out"));

    // In parts and merged.
    for part in ["1/2", "2/2"] {
        count("parts", &["--part", part]).ends(0, &[]);
    }
    yard.run(&["merge", "parts", "--out", "parts"])
        .ends(0, &["2 parts, 2 photos"]);
    for table in ["ages.csv", "widths.csv", "run-record.jsonl"] {
        let read = |out: &str| fs::read(yard.at(out).join(table)).unwrap();
        assert!(read("parts") == read("out"), "{table}");
    }

    // A page for each, a dataset that keeps them apart, a hand count against one of them.
    yard.run(&["report", "out", "--out", "pages"]).ends(0, &[]);
    assert!(yard.at("pages/stack.end-2.report.html").exists());
    yard.run(&["gather", "out", "--out", "dataset"])
        .ends(0, &[]);
    let specimens = fs::read_to_string(yard.at("dataset/specimens.csv")).unwrap();
    assert_eq!(specimens.lines().count(), 1 + 5);
    let rings = reading::load(&yard.at("out/stack.end-2.rings.json"))
        .unwrap()
        .age
        .rings;
    let total = rings.to_string();
    let reading = "out/stack.end-2.rings.json";
    yard.run(&["double-check", reading, "--total", &total])
        .ends(0, &[]);

    // One pith can't be that of each.
    count("out", &["--pith", "10,10"]).ends(2, &["--ends all"]);
}
