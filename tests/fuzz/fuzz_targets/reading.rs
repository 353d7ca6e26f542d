//! Any bytes as a reading's file: refused with a sentence, or a reading that is written as it is read
//! and that every table and drawing can be made of.
#![no_main]

use endgrain::reading;
use endgrain::settings::Settings;
use endgrain::{draw, photo::Photo, tables};
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
});

/// A grey picture.
fn image_of(width: u32, height: u32) -> image::RgbImage {
    image::RgbImage::from_pixel(width, height, image::Rgb([120, 110, 90]))
}
