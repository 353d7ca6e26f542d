//! Any bytes as a reading's file: refused with a sentence, or a reading that is written as it is read
//! and that every table and drawing can be made of.
#![no_main]

use endgrain::chronology::source::radii_of;
use endgrain::growth::{self, Rules, pointer};
use endgrain::hand_count::{self, HandCount, Mark};
use endgrain::report::{self, Beside, Disc};
use endgrain::settings::{LengthUnit, Settings};
use endgrain::weather::{Hemisphere, Weather, correlate};
use endgrain::{draw, photo::Photo, reading, tables, timber};
use libfuzzer_sys::fuzz_target;
use std::path::Path;

fuzz_target!(|bytes: &[u8]| {
    let path = Path::new("log-7.rings.json");
    let read = match reading::parse(bytes, path) {
        Ok(read) => read,
        Err(refused) => {
            assert!(refused.to_string().starts_with("log-7.rings.json"));
            return;
        }
    };
    let written = serde_json::to_vec(&read).expect("JSON");
    assert!(reading::parse(&written, path).expect("its own reading") == read);
    let settings = Settings::default();
    let mut ages = tables::AgesWriter::new(Vec::new()).expect("memory");
    ages.read("log-7.jpg", &read).expect("memory");
    let mut widths = tables::WidthsWriter::new(Vec::new(), &settings).expect("memory");
    widths.read("log-7.jpg", &read).expect("memory");
    let _ = tables::summary(&[tables::SummaryRow::read("log-7.jpg", &read, &settings)]);
    let photo = Photo {
        file: "log-7.jpg".into(),
        sha256: String::new(),
        pixels: image_of(96, 80),
    };
    let _ = draw::overlay(&photo, &read, &settings);
    let _ = draw::strip(&photo, &read, &settings);
    after(&read);
});

/// What the other commands make of a reading.
fn after(read: &reading::Reading) {
    let rules = Rules::default();
    let record = growth::record(read, &rules);
    let _ = pointer::years(std::slice::from_ref(&record));
    let rain = Weather::parse(b"year,month,mm\n1950,1,3\n", Path::new("rain.csv")).expect("a table");
    let beside = Beside {
        weather: Some(correlate(&record, &rain, Hemisphere::South)),
        lines: timber::lines(read),
        ..Beside::default()
    };
    let disc = Disc {
        reading: read,
        record: &record,
        rules: &rules,
        overlay: None,
        overlay_path: Path::new("log-7.overlay.jpg"),
        unit: LengthUnit::Mm,
        beside: &beside,
    };
    report::disc_page(&disc).expect("a page");
    let _ = radii_of(read, "QB-1", "QB", 4);
    let marks = ["1@3mm", "2@40,30", "5@9mm dia"].map(|mark| Mark::parse(mark).expect("a mark"));
    let hand = HandCount {
        total: Some(7),
        marks: marks.into(),
        ..HandCount::default()
    };
    let given = hand_count::comparing::Given {
        azimuth_deg: Some(40.0),
        mm_per_px: None,
        last_ring: Some(2025),
    };
    let (comparison, _) = hand_count::compare(&hand, read, &given);
    let _ = hand_count::words::sentences(&comparison, read);
}

/// A grey picture.
fn image_of(width: u32, height: u32) -> image::RgbImage {
    image::RgbImage::from_pixel(width, height, image::Rgb([120, 110, 90]))
}
