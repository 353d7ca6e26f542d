//! The JSON Schema accepts what the library writes and refuses what is broken.

mod sample;

use sample::Disc;
use serde_json::{Value, json};

fn schema() -> jsonschema::Validator {
    let text: Value = serde_json::from_str(endgrain::schema::READING).unwrap();
    jsonschema::draft202012::new(&text).unwrap()
}

fn reading() -> Value {
    let disc = Disc {
        side_px: 200,
        rings: 8,
        ring_px: 9.0,
        brightness: 0.8,
    };
    serde_json::to_value(disc.reading()).unwrap()
}

#[test]
fn the_schema_is_sound_by_its_own_standard() {
    let text: Value = serde_json::from_str(endgrain::schema::READING).unwrap();
    assert!(jsonschema::meta::is_valid(&text));
}

#[test]
fn readings_of_all_sorts_are_valid() {
    let schema = schema();
    let mut sorts = vec![
        reading(),
        serde_json::to_value(sample::nothing_read(300)).unwrap(),
    ];
    let mut unknown = reading();
    unknown["scale"] = Value::Null;
    unknown["rings"][0]["year"] = Value::Null;
    unknown["rings"][0]["mean_width_mm"] = Value::Null;
    unknown["rings"][3]["radius_px"][17] = Value::Null;
    unknown["pith"]["x_px"] = json!(-250.5);
    unknown["a_later_field"] = json!({"anything": 1});
    sorts.push(unknown);
    sorts.push(serde_json::to_value(with_ruler_and_calendar()).unwrap());
    for reading in sorts {
        let faults: Vec<String> = schema
            .iter_errors(&reading)
            .map(|e| format!("{e} at {}", e.instance_path()))
            .collect();
        assert!(faults.is_empty(), "{faults:?}");
    }
}

/// A reading with all that may be there and need not.
fn with_ruler_and_calendar() -> endgrain::reading::Reading {
    use endgrain::calendar::{self, Felled, YearsPerHeight};
    use endgrain::reading::{RulerSeen, Scale, Tilt};
    let disc = Disc {
        side_px: 200,
        rings: 8,
        ring_px: 9.0,
        brightness: 0.8,
    };
    let mut reading = disc.reading();
    reading.scale = Some(Scale {
        tilt: Some(Tilt {
            foreshortening: 0.94,
            azimuth_deg: 30.0,
        }),
        ruler: Some(RulerSeen {
            from_px: [1.0, 2.0],
            to_px: [151.0, 2.0],
            graduations: 31,
            graduations_px: (0..31).map(|i| 5.0 * f64::from(i)).collect(),
            graduation_mm: 1.0,
            mm_per_px: 0.2,
            relative_sd: 0.001,
            confidence: 0.9,
        }),
        ..Scale::even(0.2, "ruler")
    });
    let mut settings = endgrain::settings::Settings::default();
    settings.felling.felled = Felled::parse("2023-07-10").ok();
    settings.felling.cut_height_mm = Some(300.0);
    settings.felling.years_per_height = YearsPerHeight::parse("3-8/10cm").ok();
    calendar::date(&mut reading, &settings).unwrap();
    reading
}

#[test]
fn a_reading_with_ruler_and_calendar_comes_back_from_its_file_as_it_was() {
    let reading = with_ruler_and_calendar();
    let bytes = serde_json::to_vec(&reading).unwrap();
    let back = endgrain::reading::parse(&bytes, std::path::Path::new("log.rings.json")).unwrap();
    assert_eq!(back, reading);
    let mut broken = serde_json::to_value(&reading).unwrap();
    broken["calendar"]["outermost"]["state"] = json!("half");
    assert!(!schema().is_valid(&broken));
    let mut broken = serde_json::to_value(&reading).unwrap();
    broken["scale"]["tilt"]["foreshortening"] = json!(1.2);
    assert!(!schema().is_valid(&broken));
}

#[test]
fn every_field_is_required() {
    let schema = schema();
    let whole = reading();
    // Every object of the reading, by its path; one ring and one note stand for all.
    let objects = [
        "",
        "/program",
        "/photo",
        "/scale",
        "/pith",
        "/outline",
        "/wood",
        "/age",
        "/age/missing_centre",
        "/rings/0",
        "/notes/0",
    ];
    let mut tried = 0;
    for path in objects {
        let keys: Vec<String> = whole
            .pointer(path)
            .and_then(Value::as_object)
            .unwrap()
            .keys()
            .cloned()
            .collect();
        for key in keys {
            let mut broken = whole.clone();
            broken
                .pointer_mut(path)
                .and_then(Value::as_object_mut)
                .unwrap()
                .remove(&key);
            assert!(!schema.is_valid(&broken), "{path}/{key} may be left out");
            tried += 1;
        }
    }
    assert_eq!(tried, 43);
}

#[test]
fn nonsense_is_refused() {
    let schema = schema();
    for (path, value) in [
        ("/schema", json!("endgrain.reading/2")),
        ("/program/name", json!("other")),
        ("/photo/sha256", json!("ABC")),
        ("/photo/width_px", json!(0)),
        ("/photo/width_px", json!(12.5)),
        ("/scale/mm_per_px", json!(0.0)),
        ("/pith/state", json!("gone")),
        ("/pith/sd_px", json!(-1.0)),
        ("/outline/radius_px/5", json!(-2.0)),
        ("/outline/radius_px", json!([1.0, 2.0])),
        ("/wood/kind", json!("palm")),
        ("/wood/confidence", json!(1.2)),
        ("/rings/0/number", json!(0)),
        ("/rings/0/confidence", json!(-0.1)),
        ("/rings/0/radius_px/0", json!("far")),
        ("/rings/0/mean_width_px", Value::Null),
        ("/age/rings", json!(-1)),
        ("/age/level", json!(90)),
        ("/age/complete", json!("yes")),
        ("/notes/0/code", json!("Doubtful Rings")),
        ("/notes/0/text", json!("")),
    ] {
        let mut broken = reading();
        *broken.pointer_mut(path).unwrap() = value.clone();
        assert!(!schema.is_valid(&broken), "{path} may be {value}");
    }
}

/// From fuzzing: a growth record subtracted one from the number of a ring 0, and a radius of 5.5e23 px
/// was drawn dash by dash. What the schema refuses and sums rest on is refused on loading.
#[test]
fn a_reading_whose_numbers_cant_be_is_refused_on_loading() {
    let load = |reading: &Value| {
        let bytes = serde_json::to_vec(reading).unwrap();
        endgrain::reading::parse(&bytes, std::path::Path::new("log.rings.json"))
    };
    assert!(load(&reading()).is_ok());
    for (path, value, words) in [
        ("/rings/0/number", json!(0), "a ring 0 after ring 0"),
        ("/rings/3/number", json!(3), "a ring 3 after ring 3"),
        (
            "/rings/7/number",
            json!(4_294_967_295_u32),
            "a ring 4294967295",
        ),
        (
            "/rings/2/year",
            json!(2_147_483_647),
            "a ring of the year 2147483647",
        ),
        ("/rings/2/radius_px/9", json!(-1e300), "a radius below zero"),
        ("/outline/radius_px/5", json!(-2), "a radius below zero"),
        (
            "/rings/3/radius_px/265",
            json!(5.5e23),
            "a radius below zero or beyond 100000 px",
        ),
        ("/pith/y_px", json!(1e9), "a pith at "),
        ("/age/high", json!(4_294_967_295_u32), "a count beyond"),
        ("/age/level", json!(1), "a band that holds a share of 1"),
        ("/scale/mm_per_px", json!(0), "a scale of 0 mm a pixel"),
        (
            "/scale/tilt",
            json!({"foreshortening": 0, "azimuth_deg": 3}),
            "lengths foreshortened to 0",
        ),
    ] {
        let mut broken = reading();
        if path == "/scale/tilt" {
            broken["scale"]["tilt"] = value;
        } else {
            *broken.pointer_mut(path).unwrap() = value;
        }
        let told = load(&broken).unwrap_err().to_string();
        assert!(
            told.starts_with(&format!("log.rings.json: {words}")),
            "{path}: {told}"
        );
    }
}
