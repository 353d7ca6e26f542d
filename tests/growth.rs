//! `endgrain growth` from readings to tables: what is written is what the reading holds.

use endgrain::growth::{self, Rules, SCHEMA, pointer};
use endgrain::reading::{self, Reading};
use endgrain::ring_area::equivalent_radius_px;
use endgrain::settings::Settings;
use endgrain::{photo, weather};
use std::collections::HashMap;
use std::f64::consts::PI;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A practice photo read with years, as its reading's file in a folder.
fn read_into(folder: &Path, name: &str, mm_per_px: Option<f64>) -> (PathBuf, Reading) {
    let settings = Settings {
        last_ring: Some(2023),
        scale: mm_per_px
            .map(endgrain::settings::ScaleGiven::MmPerPx)
            .into_iter()
            .collect(),
        ..Settings::default()
    };
    let photo = photo::read(&Path::new("fixtures/yard").join(name), &settings).unwrap();
    let reading = endgrain::read(&photo, &settings).unwrap();
    let path = folder.join(format!("{}.rings.json", name.trim_end_matches(".jpg")));
    fs::write(&path, serde_json::to_vec(&reading).unwrap()).unwrap();
    (path, reading)
}

fn growth(from: &Path, out: &Path) -> i32 {
    let made = Command::new(env!("CARGO_BIN_EXE_endgrain"))
        .arg("growth")
        .arg(from)
        .arg("--out")
        .arg(out)
        .output()
        .unwrap();
    eprintln!("{}", String::from_utf8_lossy(&made.stderr));
    made.status.code().unwrap()
}

fn rows(path: &Path) -> Vec<HashMap<String, String>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

#[test]
fn tables_hold_the_reading_and_its_sums_agree() {
    let folder = tempfile::tempdir().unwrap();
    let readings = folder.path().join("readings");
    fs::create_dir(&readings).unwrap();
    let (_, disc) = read_into(&readings, "clean_conifer_QB-0001.jpg", Some(0.5));
    read_into(&readings, "checks_QB-0011.jpg", None);
    read_into(&readings, "clean_diffuse_QB-0007.jpg", None);
    fs::write(readings.join("broken.rings.json"), "{}").unwrap();
    let out = folder.path().join("out");
    assert_eq!(
        growth(&readings, &out),
        1,
        "one reading is broken, the others are done"
    );

    let all = rows(&out.join("growth.csv"));
    let mine: Vec<_> = all
        .iter()
        .filter(|row| row["reading"].contains("conifer"))
        .collect();
    assert_eq!(mine.len(), disc.rings.len());
    let number = |row: &HashMap<String, String>, column: &str| row[column].parse::<f64>().unwrap();
    let mut radius = 0.0;
    let mut area = 0.0;
    for (row, ring) in mine.iter().zip(&disc.rings) {
        assert_eq!(row["year"], ring.year.unwrap().to_string());
        radius += number(row, "width_px");
        area += number(row, "area_increment_mm2");
        assert!((number(row, "radius_px") - radius).abs() < 0.02, "{row:?}");
        // The radius is the equivalent one of the boundary, and mm are half the px here.
        let equivalent = equivalent_radius_px(&ring.radius_px).unwrap();
        assert!(
            (number(row, "radius_px") - equivalent).abs() < 1e-3 * equivalent,
            "{row:?}"
        );
        // A reading gives each width to 0.01 px and 0.001 mm: sums differ by their rounding.
        let rounding = f64::from(ring.number) * (0.005 + 2.0 * 0.0005);
        let off = number(row, "diameter_mm") - number(row, "radius_px");
        assert!(off.abs() <= rounding, "{row:?}");
    }
    let face = PI * (0.5 * radius).powi(2);
    assert!((area / face - 1.0).abs() < 1e-3, "{area} {face}");
    // Without a scale there are no mm, and nothing else is missing.
    let bare = all
        .iter()
        .find(|row| row["reading"].contains("checks"))
        .unwrap();
    assert_eq!(
        (bare["width_mm"].as_str(), bare["rings_per_inch"].as_str()),
        ("", "")
    );
    assert!(!bare["width_px"].is_empty() && !bare["radius_share"].is_empty());

    let json: serde_json::Value =
        serde_json::from_slice(&fs::read(out.join("clean_conifer_QB-0001.growth.json")).unwrap())
            .unwrap();
    assert_eq!(json["schema"], SCHEMA);
    assert_eq!(json["rings"].as_array().unwrap().len(), disc.rings.len());

    // Three dated discs share years: the table is that of the library.
    let records: Vec<_> = [
        "checks_QB-0011",
        "clean_conifer_QB-0001",
        "clean_diffuse_QB-0007",
    ]
    .iter()
    .map(|stem| reading::load(&readings.join(format!("{stem}.rings.json"))).unwrap())
    .map(|reading| growth::record(&reading, &Rules::default()))
    .collect();
    let years = pointer::years(&records);
    assert!(!years.is_empty());
    let written = rows(&out.join("pointer-years.csv"));
    assert_eq!(written.len(), years.len());
    for (row, year) in written.iter().zip(&years) {
        assert_eq!(row["year"], year.year.to_string());
        assert_eq!(row["pointer"].is_empty(), year.pointer.is_none());
    }
}

#[test]
fn photos_and_weather_beside_the_readings_make_their_tables() {
    let folder = tempfile::tempdir().unwrap();
    let readings = folder.path().join("readings");
    fs::create_dir(&readings).unwrap();
    let (_, disc) = read_into(&readings, "clean_conifer_QB-0001.jpg", Some(0.5));
    let weather = folder.path().join("rain.csv");
    let mut text = String::from("year,month,rain\n");
    for year in 1990..=2023 {
        for month in 1..=12 {
            text.push_str(&format!(
                "{year},{month},{}\n",
                (year * 37 + month * 101) % 83
            ));
        }
    }
    fs::write(&weather, text).unwrap();
    let out = folder.path().join("out");
    let run = |photos: &Path, out: &Path| {
        Command::new(env!("CARGO_BIN_EXE_endgrain"))
            .arg("growth")
            .arg(&readings)
            .args([Path::new("--out"), out, Path::new("--photos"), photos])
            .args([Path::new("--weather"), &weather])
            .output()
            .unwrap()
    };
    assert!(run(Path::new("fixtures/yard"), &out).status.success());
    assert_eq!(rows(&out.join("sapwood.csv")).len(), 1);
    let correlations = rows(&out.join("weather-correlations.csv"));
    assert_eq!(correlations.len(), 21);
    assert!(
        correlations
            .iter()
            .all(|row| row["tried"] == "21" && !row["low_95"].is_empty())
    );
    // Rings per inch on the line, from the reading's own boundaries on its azimuth.
    let lines = rows(&out.join("grading-lines.csv"));
    let line = lines
        .iter()
        .find(|row| row["line"] == "three inches")
        .unwrap();
    let number = |column: &str| line[column].parse::<f64>().unwrap();
    let inside = (0..disc.rings.len())
        .filter_map(|k| disc.radius_at(k, number("azimuth_deg")))
        .filter(|px| 0.5 * px > number("from_mm") + 1e-3 && 0.5 * px <= number("to_mm") + 1e-3)
        .count();
    assert!(
        (number("rings") - inside as f64).abs() < 0.5,
        "{inside} {line:?}"
    );
    let inches = (number("to_mm") - number("from_mm")) / 25.4;
    assert!((number("rings_per_inch") - number("rings") / inches).abs() < 0.01);

    // Another photo of that name is told from the one that was read.
    let others = folder.path().join("others");
    fs::create_dir(&others).unwrap();
    fs::copy(
        "fixtures/yard/checks_QB-0011.jpg",
        others.join("clean_conifer_QB-0001.jpg"),
    )
    .unwrap();
    let told = run(&others, &folder.path().join("again"));
    assert!(told.status.success());
    let told = String::from_utf8_lossy(&told.stderr).into_owned();
    assert!(
        told.contains("clean_conifer_QB-0001.jpg of a reading isn't in it, or is another by now"),
        "{told}"
    );
    assert!(rows(&folder.path().join("again/sapwood.csv")).is_empty());
}

#[test]
fn a_gap_in_the_weather_costs_only_the_years_it_touches() {
    let folder = tempfile::tempdir().unwrap();
    let (_, reading) = read_into(folder.path(), "clean_conifer_QB-0001.jpg", None);
    let record = growth::record(&reading, &Rules::default());
    let table = |skip: Option<(i32, u8)>| {
        let mut text = String::from("year,month,rain\n");
        for year in 1990..=2023 {
            for month in 1..=12u8 {
                if skip != Some((year, month)) {
                    // Whatever changes from month to month and year to year.
                    text.push_str(&format!(
                        "{year},{month},{}\n",
                        (year * 37 + i32::from(month) * 101) % 83
                    ));
                }
            }
        }
        weather::Weather::parse(text.as_bytes(), Path::new("rain.csv")).unwrap()
    };
    let years = |found: &weather::Finding, window: &str| {
        found
            .correlations
            .iter()
            .find(|c| c.window == window)
            .unwrap()
            .years
    };
    let north = weather::Hemisphere::North;
    let whole = weather::correlate(&record, &table(None), north);
    let gap = weather::correlate(&record, &table(Some((2010, 3))), north);
    assert_eq!(years(&gap, "Mar") + 1, years(&whole, "Mar"));
    assert_eq!(years(&gap, "spring") + 1, years(&whole, "spring"));
    assert_eq!(years(&gap, "Apr"), years(&whole, "Apr"));
    assert_eq!(table(Some((2010, 3))).gaps_in_words().len(), 1);
}
