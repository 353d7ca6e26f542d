//! Any text as a value on the command line: refused with the way out, or a value that makes sense.
#![no_main]

// The binary's own parsers; no library has them.
#[allow(dead_code, reason = "what the binary makes of a value")]
#[path = "../../../src/cli/values.rs"]
mod values;

use endgrain::batch::Part;
use endgrain::calendar::{Felled, Season, YearsPerHeight};
use endgrain::{length, units};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    if let Ok(mm) = units::parse_length_mm(text) {
        assert!((0.0..=1e6).contains(&mm), "{mm}");
        let shown = units::Sixteenths::of_mm(mm).to_string();
        assert!(units::parse_length_mm(&shown).is_ok(), "{shown}");
    }
    if let Ok(told) = length::parse(text) {
        assert!(told.mm >= 0.0 && told.last_place_mm > 0.0 && told.last_place_mm.is_finite());
    }
    if let Ok(part) = text.parse::<Part>() {
        assert!((1..=part.of).contains(&part.number));
    }
    if let Ok(felled) = Felled::parse(text) {
        assert!(Felled::parse(felled.text()).as_ref() == Ok(&felled));
    }
    let _ = Season::parse(text);
    if let Ok(pace) = YearsPerHeight::parse(text) {
        let (least, most) = pace.for_height(300.0);
        assert!(least <= most);
    }
    if let Ok(diameter) = values::diameter(text) {
        assert!(diameter.azimuth_deg.is_none_or(f64::is_finite));
        assert!(diameter.mm.is_finite());
    }
    let _ = (values::points(text), values::dpi(text), values::region(text));
    if let Ok(bytes) = values::size_bytes(text) {
        assert!(bytes > 0);
    }
    if let Ok(values::Limit(limit)) = values::time(text) {
        assert!(limit.is_none_or(|time| !time.is_zero()));
    }
    if let Ok((x, y)) = values::point(text) {
        assert!(x.is_finite() && y.is_finite());
    }
});
