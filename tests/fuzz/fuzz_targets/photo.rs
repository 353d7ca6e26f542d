//! Any bytes as a photo's file: refused with a sentence, or read and drawn as the program does it, to
//! a reading that can be read back. Small pictures only, so that many are tried.
#![no_main]

use endgrain::settings::Settings;
use endgrain::{batch, photo, reading};
use libfuzzer_sys::fuzz_target;
use std::path::Path;

fuzz_target!(|bytes: &[u8]| {
    let path = Path::new("log-7.jpg");
    let settings = Settings {
        max_megapixels: 0.0125,
        ..Settings::default()
    };
    let header = photo::header(bytes, path, &settings);
    let photo = match photo::decode(bytes, path, &settings) {
        Ok(photo) => photo,
        Err(refused) => {
            assert!(refused.to_string().starts_with("log-7.jpg: "));
            return;
        }
    };
    let (width, height) = photo.pixels.dimensions();
    let told = header.expect("the header of a picture that is read");
    assert!(told.pixels() == 0 || told.pixels() == u64::from(width) * u64::from(height));
    let made = batch::read_and_draw(photo, &settings).expect("a reading");
    let json = serde_json::to_vec(&made.reading).expect("JSON");
    assert!(reading::parse(&json, path).expect("its own reading") == made.reading);
});
