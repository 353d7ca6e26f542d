//! `endgrain chronology`: tables, page, readings as input, bad input.

mod sample;

use sample::Disc;
use std::collections::HashMap;
use std::fs;
use std::path::Path;
use std::process::Command;

fn endgrain(folder: &Path, arguments: &[&str]) -> (i32, String, String) {
    let done = Command::new(env!("CARGO_BIN_EXE_endgrain"))
        .args(["chronology", "--out", "out"])
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (
        done.status.code().unwrap(),
        text(done.stdout),
        text(done.stderr),
    )
}

fn table(folder: &Path, name: &str) -> Vec<HashMap<String, String>> {
    let mut reader = csv::Reader::from_path(folder.join("out").join(name)).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

/// Three invented trees of Quillbrook, QB-1 with two discs, 1960 to 2019.
fn rings_csv() -> String {
    let mut text = String::from("tree,specimen,radius,year,width_mm\n");
    for (k, (tree, specimen)) in [
        ("QB-1", "QB-1a"),
        ("QB-1", "QB-1b"),
        ("QB-2", "QB-2"),
        ("QB-3", "QB-3"),
    ]
    .into_iter()
    .enumerate()
    {
        for year in 1960..2020 {
            let t = f64::from(year - 1960);
            let common = 0.3 * (1.9 * t).sin() + 0.25 * (0.7 * t * t).cos();
            let own = 0.15 * (3.1 * t + 2.0 * k as f64).sin();
            let width = (2.0 - t / 60.0 + 0.2 * k as f64) * (common + own).exp();
            text.push_str(&format!("{tree},{specimen},000,{year},{width:.3}\n"));
        }
    }
    text
}

#[test]
fn a_tidy_table_becomes_tables_and_a_page() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("rings.csv"), rings_csv()).unwrap();
    let (status, said, told) = endgrain(folder.path(), &["rings.csv"]);
    assert_eq!(status, 0, "{told}");
    assert!(said.contains("4 dated, of 3 trees"), "{said}");
    assert!(said.contains("1960 to 2019"));

    let years = table(folder.path(), "chronology.csv");
    assert_eq!(years.len(), 60);
    assert!(years.iter().all(|y| y["trees"] == "3" && y["radii"] == "4"));
    let trees = table(folder.path(), "chronology-trees.csv");
    assert_eq!(trees[0]["specimens"], "QB-1a; QB-1b");
    // Every width is there again, and its index is width by curve, to what four decimals hold.
    let indices = table(folder.path(), "chronology-indices.csv");
    assert_eq!(indices.len(), 240);
    for row in &indices {
        let number = |column: &str| row[column].parse::<f64>().unwrap();
        let index = number("width_mm") / number("curve");
        assert!((index - number("index")).abs() < 2e-4, "{row:?}");
    }
    // The mean of the three trees of 1960, by hand from the indices.
    let of = |specimen: &str| -> f64 {
        let row = indices.iter().find(|r| r["specimen"] == specimen).unwrap();
        row["index"].parse().unwrap()
    };
    let mean = ((of("QB-1a") + of("QB-1b")) / 2.0 + of("QB-2") + of("QB-3")) / 3.0;
    assert!((years[0]["mean_index"].parse::<f64>().unwrap() - mean).abs() < 1e-4);

    let page = fs::read_to_string(folder.path().join("out/chronology.html")).unwrap();
    // Index, depth and coverage; the one window of 50 years makes no line.
    assert_eq!(page.matches("<svg").count(), 3);
    assert!(page.contains("QB-1b: 1960 to 2019") && page.contains("caution"));
    // The same again is the same, byte for byte.
    let (status, ..) = endgrain(folder.path(), &["rings.csv", "--quiet"]);
    assert_eq!(status, 0);
    assert_eq!(
        page,
        fs::read_to_string(folder.path().join("out/chronology.html")).unwrap()
    );
}

#[test]
fn a_table_of_trees_joins_discs_and_a_hostile_name_stays_text() {
    let folder = tempfile::tempdir().unwrap();
    let rings = rings_csv().replace("QB-3,QB-3", "<b>QB-3</b>,<b>QB-3</b>");
    fs::write(folder.path().join("rings.csv"), rings).unwrap();
    fs::write(
        folder.path().join("trees.csv"),
        "specimen,tree\nQB-2,QB-1\n",
    )
    .unwrap();
    let (status, said, _) = endgrain(folder.path(), &["rings.csv", "--trees", "trees.csv"]);
    assert_eq!(status, 0);
    assert!(said.contains("4 dated, of 2 trees"), "{said}");
    let page = fs::read_to_string(folder.path().join("out/chronology.html")).unwrap();
    assert!(page.contains("&lt;b&gt;QB-3") && !page.contains("<b>QB-3"));
}

#[test]
fn readings_give_radii_with_and_without_years_and_scale() {
    let folder = tempfile::tempdir().unwrap();
    let readings = folder.path().join("readings/june");
    fs::create_dir_all(&readings).unwrap();
    let disc = Disc {
        side_px: 900,
        rings: 40,
        ring_px: 10.0,
        brightness: 0.8,
    };
    let dated = disc.reading();
    let mut bare = disc.reading();
    bare.scale = None;
    bare.rings.iter_mut().for_each(|ring| ring.year = None);
    // Over 30 degrees ring 20 has no width.
    for azimuth in 80..=110 {
        bare.rings[19].radius_px[azimuth] = bare.rings[18].radius_px[azimuth];
    }
    for (name, reading) in [("QB-1", &dated), ("QB-2", &bare)] {
        let path = readings.join(format!("{name}.rings.json"));
        fs::write(path, serde_json::to_vec(reading).unwrap()).unwrap();
    }
    let (status, said, told) = endgrain(folder.path(), &["readings", "--radii", "4"]);
    assert_eq!(status, 0);
    assert!(told.contains(
        "not dated, so in no comparison of years (count again with --last-ring): june/QB-2"
    ));
    assert!(told.contains("without a scale"));
    assert!(
        said.contains("june/QB-2 radius 090: lacks ring 20; marked absent on 1 of 4 radii"),
        "{said}"
    );
    let series = table(folder.path(), "chronology-series.csv");
    assert_eq!(series.len(), 8);
    // Rings of 10 px, stretched by 1.05 along azimuth 0; a tenth of a mm a px.
    assert_eq!(series[0]["specimen"], "june/QB-1");
    assert_eq!(series[0]["mean_width_mm"], "1.0500");
    assert_eq!(
        (
            series[0]["first_year"].as_str(),
            series[0]["last_year"].as_str()
        ),
        ("1984", "2023")
    );
    assert_eq!(series[4]["mean_width_mm"], "");
    assert_eq!(series[4]["mean_width_px"], "10.50");
    assert_eq!(series[4]["first_year"], "");
    assert_eq!(table(folder.path(), "chronology.csv").len(), 40);
    // Widths as they are can't be px and mm at once.
    let (_, _, told) = endgrain(folder.path(), &["readings", "--detrend", "none"]);
    assert!(told.contains("not to be compared as widths"), "{told}");
}

#[test]
fn what_is_bad_is_told_with_its_place_and_the_rest_is_done() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).unwrap();
    write("rings.csv", &rings_csv());
    write("again.csv", &rings_csv());
    write(
        "letters.csv",
        "specimen,year,width_mm\nQB-9,1999,1.0\nQB-9,2000,wide\n",
    );
    write("far.csv", "specimen,year,width_mm\nQB-9,2000000,1.0\n");
    write("log.rings.json", "{}");
    fs::create_dir(folder.path().join("empty")).unwrap();
    let given = [
        "rings.csv",
        "again.csv",
        "letters.csv",
        "far.csv",
        "log.rings.json",
        "gone.csv",
        "empty",
    ];
    let (status, said, told) = endgrain(folder.path(), &given);
    assert_eq!(status, 1);
    assert!(said.contains("4 dated, of 3 trees"), "{said}");
    for words in [
        "again.csv: the specimen QB-1a has radii that rings.csv has too",
        "letters.csv, line 3: \"wide\"",
        "far.csv, line 2: \"2000000\"",
        "log.rings.json, line 1: not a reading",
        "gone.csv: can't be opened",
        "empty: nothing to compare in this folder",
    ] {
        assert!(told.contains(words), "{words}\n{told}");
    }
    // Alone, each of them leaves nothing to compare and no folder behind.
    fs::remove_dir_all(folder.path().join("out")).unwrap();
    for alone in &given[2..] {
        assert_eq!(endgrain(folder.path(), &[alone]).0, 1, "{alone}");
    }
    assert!(!folder.path().join("out").exists());
}

#[test]
fn nonsense_is_wrong_use_and_nothing_given_is_written_over() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("rings.csv"), rings_csv()).unwrap();
    for (arguments, words) in [
        (vec!["--window", "20"], "within a window of 20"),
        (vec!["--step", "0"], "give a step of at least 1 year"),
        (vec!["--common", "2"], "at least 3 common years"),
        (vec!["--spline-years", "1"], "give 2 to 100000"),
        (
            vec!["--detrend", "mean", "--spline-years", "32"],
            "for --detrend spline only",
        ),
        (vec!["--detrend", "wavelet"], "invalid value"),
        (vec!["--radii", "0"], "0 is not in 1..=360"),
    ] {
        let mut all = vec!["rings.csv"];
        all.extend(&arguments);
        let (status, _, told) = endgrain(folder.path(), &all);
        assert_eq!(status, 2, "{arguments:?}");
        assert!(told.contains(words), "{told}");
    }
    let out = folder.path().join("out");
    fs::create_dir(&out).unwrap();
    fs::write(out.join("chronology.csv"), rings_csv()).unwrap();
    let (status, _, told) = endgrain(folder.path(), &["out/chronology.csv"]);
    assert_eq!(status, 2);
    assert!(told.contains("would be written over"), "{told}");
    assert_eq!(
        fs::read_to_string(out.join("chronology.csv")).unwrap(),
        rings_csv()
    );
}

#[test]
fn a_tree_in_wrong_years_is_named_with_the_years_that_fit() {
    let folder = tempfile::tempdir().unwrap();
    let moved: Vec<String> = rings_csv()
        .lines()
        .map(|line| match line.strip_prefix("QB-3,QB-3,000,") {
            Some(rest) => {
                let (year, width) = rest.split_once(',').unwrap();
                format!("QB-3,QB-3,000,{},{width}", year.parse::<i32>().unwrap() - 2)
            }
            None => line.to_owned(),
        })
        .collect();
    fs::write(folder.path().join("rings.csv"), moved.join("\n")).unwrap();
    let (status, _, told) = endgrain(folder.path(), &["rings.csv"]);
    assert_eq!(status, 0);
    assert!(
        told.contains("QB-3: fits the other trees better moved by 2 years"),
        "{told}"
    );
    assert_eq!(told.matches("fits the other trees better").count(), 1);
    let trees = table(folder.path(), "chronology-trees.csv");
    assert_eq!(trees[2]["moved_by_years"], "2");
}
