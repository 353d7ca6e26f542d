//! Datasets: that nothing a person did and nothing gathered is lost, and what is told of bad input.

mod yard;

use endgrain::dataset::{Order, sheet};
use std::collections::HashMap;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use yard::{Yard, disc, files, put, told};

fn correct(yard: &Yard, text: &str) {
    fs::write(yard.at("dataset/corrections.csv"), text).unwrap();
}

#[test]
fn corrections_by_hand_are_applied_and_hold_against_newer_readings() {
    let yard = Yard::with([1, 2]);
    yard.gather(&["readings"]);
    let before = yard.rows("rings.csv");
    correct(
        &yard,
        "specimen,change,ring,radius,width_mm,by,why\n\
         QB-0001,width,4,az090,0,A. Sawyer,wedges out there\n\
         QB-0001,width,5,az090,,A. Sawyer,under a knot\n\
         QB-0001,not-a-ring,2,,,A. Sawyer,false ring\n\
         QB-0001,absent-ring,6,,,A. Sawyer,cross-dated\n\
         QB-0001,not-a-ring,9,,,,the last\n\
         QB-0001,width,3,az045,1,,no such radius\n\
         QB-0099,not-a-ring,2,,,,no such disc\n",
    );
    let gathered = yard.gather(&[]);
    assert_eq!(gathered.unchanged, 0);
    for words in [
        "line 6: not applied: ring 9 of QB-0001 is the last one",
        "line 7: not applied: QB-0001 has no ring 3 on a radius az045",
        "line 8: no specimen QB-0099 here",
    ] {
        assert!(
            gathered.remarks.iter().any(|r| r.contains(words)),
            "{words}: {:?}",
            gathered.remarks
        );
    }
    let rings = yard.rows("rings.csv");
    let along: Vec<&HashMap<String, String>> = rings
        .iter()
        .filter(|r| r["specimen"] == "QB-0001" && r["radius"] == "az090")
        .collect();
    let cells = |column: &str| along.iter().map(|r| r[column].as_str()).collect::<Vec<_>>();
    // Nine rings: the second is one with the third, one is added outside the sixth.
    assert_eq!(cells("ring"), ["1", "2", "3", "4", "5", "6", "7", "8", "9"]);
    assert_eq!(
        cells("reading_ring"),
        ["1", "3", "4", "5", "6", "", "7", "8", "9"]
    );
    assert_eq!(
        cells("state"),
        [
            "measured", "measured", "absent", "unknown", "measured", "absent", "measured",
            "measured", "measured"
        ]
    );
    assert_eq!(
        cells("origin"),
        [
            "automatic",
            "hand",
            "hand",
            "hand",
            "automatic",
            "hand",
            "automatic",
            "automatic",
            "automatic"
        ]
    );
    assert_eq!(cells("year").last(), Some(&"2023"));
    let width = |rows: &[HashMap<String, String>], ring: &str| -> f64 {
        let row = rows.iter().find(|r| {
            r["specimen"] == "QB-0001" && r["radius"] == "az090" && r["reading_ring"] == ring
        });
        row.unwrap()["width_mm"].parse().unwrap()
    };
    let joined = width(&before, "2") + width(&before, "3");
    assert!((width(&rings, "3") - joined).abs() < 1e-4);
    // The other disc is as it was, and the file says which reading was corrected.
    let other = |rows: &[HashMap<String, String>]| {
        rows.iter()
            .filter(|r| r["specimen"] == "QB-0002")
            .cloned()
            .collect::<Vec<_>>()
    };
    assert_eq!(other(&rings), other(&before));
    let kept = yard.rows("corrections.csv");
    let specimens = yard.rows("specimens.csv");
    let first = specimens
        .iter()
        .find(|r| r["specimen"] == "QB-0001")
        .unwrap();
    assert_eq!(kept[0]["reading_sha256"], first["reading_sha256"]);
    assert_eq!((kept.len(), first["corrections"].as_str()), (7, "4"));
    assert_eq!(kept[0]["why"], "wedges out there");

    // A newer automatic reading of both: only the uncorrected one is taken.
    for n in [1, 2] {
        let mut newer = disc(n);
        newer.program.version = "0.2.0".into();
        newer.rings.pop();
        put(&yard.at("newer"), &newer);
    }
    let gathered = yard.gather(&["newer"]);
    assert_eq!((gathered.replaced, gathered.held_back), (1, 1));
    assert_eq!(yard.rows("corrections.csv"), kept);
    let still: Vec<_> = yard
        .rows("rings.csv")
        .into_iter()
        .filter(|r| r["specimen"] == "QB-0001")
        .collect();
    let corrected: Vec<_> = rings
        .iter()
        .filter(|r| r["specimen"] == "QB-0001")
        .cloned()
        .collect();
    assert_eq!(still, corrected);
    // Asked for, it is taken; the corrections rest, and none is lost.
    let order = Order {
        replace_corrected: true,
        ..yard.order(&["newer"])
    };
    let gathered = yard.try_gather(&order).unwrap();
    assert_eq!(gathered.replaced, 1);
    assert!(
        gathered
            .remarks
            .iter()
            .any(|r| r.contains("6 made on readings that are no longer here rest")),
        "{:?}",
        gathered.remarks
    );
    assert_eq!(yard.rows("corrections.csv"), kept);
    assert!(
        yard.rows("rings.csv")
            .iter()
            .all(|r| r["origin"] == "automatic")
    );
    // And back again they apply.
    let order = Order {
        replace_corrected: true,
        ..yard.order(&["readings"])
    };
    yard.try_gather(&order).unwrap();
    assert_eq!(yard.rows("rings.csv"), rings);
}

#[test]
fn a_table_that_was_changed_by_hand_is_not_written_over() {
    let yard = Yard::with([1]);
    yard.gather(&["readings"]);
    let path = yard.at("dataset/rings.csv");
    let edited = fs::read_to_string(&path)
        .unwrap()
        .replacen("measured", "absent", 1);
    fs::write(&path, &edited).unwrap();
    put(&yard.at("readings"), &disc(2));
    let faults = yard.try_gather(&yard.order(&["readings"])).unwrap_err();
    let words = told(&faults);
    assert!(words.contains("rings.csv: somebody has changed it since it was written; put what is to be otherwise into corrections.csv, or give --discard-edits"), "{words}");
    assert_eq!(fs::read_to_string(&path).unwrap(), edited);
    let order = Order {
        discard_edits: true,
        ..yard.order(&["readings"])
    };
    assert_eq!(yard.try_gather(&order).unwrap().added, 1);
    // One that is gone is made again.
    let want = files(&yard.at("dataset"));
    fs::remove_file(yard.at("dataset/means.csv")).unwrap();
    yard.gather(&[]);
    assert_eq!(files(&yard.at("dataset")), want);
}

#[test]
fn every_fault_of_a_sheet_is_told_by_row_and_column_before_anything_is_read() {
    let yard = Yard::with([1]);
    let text = "\
photo,photo_sha256,region_px,tree,disc,azimuths_deg,species,latitude_deg,longitude_deg,elevation_m,cut_height_m,felled,last_ring,bark,mm_per_px,diameter_mm
,,,,,,,,,,,,,,,
,,,T1,,,,,,,,,,,,
a.jpg,xyz,1;2,T1,D1,0 400,oak,95,,12m,-1,10.7.2023,20x3,maybe,0,
a.jpg,,,T1,D1,x,ash,52,200,,,2020-05-01,2023,yes,0.1,300
b.jpg,,
c.jpg,,,,,,,,\"1,5\",,,,,,,
";
    let path = yard.at("sheet.csv");
    fs::write(&path, text).unwrap();
    let order = Order {
        sheet: Some(path),
        ..yard.order(&["readings"])
    };
    let faults = yard.try_gather(&order).unwrap_err();
    let words = told(&faults);
    for wanted in [
        "sheet.csv, line 3: column photo: empty; name the photo's file",
        "line 4: column photo_sha256: no SHA-256",
        "line 4: column region_px: \"1;2\"; give X,Y,W,H",
        "line 4: column azimuths_deg: \"400\"; give degrees from 0",
        "line 4: column latitude_deg: \"95\"; give degrees from -90 to 90",
        "line 4: column longitude_deg: empty; give latitude and longitude, or neither",
        "line 4: column elevation_m: \"12m\"; give metres",
        "line 4: column cut_height_m: \"-1\"; give metres",
        "line 4: column felled: \"10.7.2023\"; give a day as 2023-07-10",
        "line 4: column last_ring: \"20x3\"; give a year",
        "line 4: column bark: \"maybe\"; give yes, no",
        "line 4: column mm_per_px: \"0\"; give millimetres a pixel",
        "line 5: column azimuths_deg: \"x\"",
        "line 5: column longitude_deg: \"200\"",
        "line 5: column diameter_mm: a second scale beside mm_per_px",
        "line 5: column last_ring: 2023, a ring grown after the felling in 2020",
        "line 5: column disc: \"D1\" is also in line 4",
        "line 5: column species: \"ash\", but \"oak\" in line 4 for the tree T1",
        "line 6: 3 cells; give it 16",
        "line 7: column longitude_deg: \"1,5\"; give degrees from -180 to 180 with a decimal point",
    ] {
        assert!(words.contains(wanted), "{wanted} is not in\n{words}");
    }
    assert!(
        !yard.at("dataset").exists(),
        "nothing is written before the sheet is right"
    );
    for (text, wanted) in [
        (
            "photo;tree\na.jpg;T1\n",
            "cells that are not parted by commas",
        ),
        ("foto,tree\na.jpg,T1\n", "no column photo"),
        ("photo,tree,tree\na.jpg,T1,T2\n", "column tree: there twice"),
        (
            "photo\na.jpg\na.jpg\n",
            "line 3: column photo: \"a.jpg\" is also in line 2",
        ),
    ] {
        let faults = sheet::parse(text.as_bytes(), Path::new("s.csv")).unwrap_err();
        assert!(told(&faults).contains(wanted), "{}", told(&faults));
    }
    let latin = sheet::parse(b"photo,tree\na.jpg,\xfc\n", Path::new("s.csv")).unwrap_err();
    assert!(
        told(&latin).contains("line 2: signs that are no UTF-8; save the sheet as CSV in UTF-8")
    );
    assert!(sheet::parse(b"\xff\xfep\0h\0", Path::new("s.csv")).is_err());
}

#[test]
fn a_bad_reading_is_refused_by_name_and_the_rest_is_done() {
    let yard = Yard::with([1, 2]);
    let at = |name: &str, text: &str| fs::write(yard.at("readings").join(name), text).unwrap();
    at("empty.rings.json", "");
    at(
        "cut.rings.json",
        &serde_json::to_string(&disc(3)).unwrap()[..500],
    );
    let mut other = serde_json::to_value(disc(4)).unwrap();
    other["schema"] = "endgrain.reading/9".into();
    at("later.rings.json", &other.to_string());
    let mut hole = disc(5);
    hole.rings.last_mut().unwrap().number += 3;
    put(&yard.at("readings"), &hole);
    let mut turned = disc(6);
    turned.rings[2].number = 7;
    put(&yard.at("readings"), &turned);
    let gathered = yard.gather(&["readings", "gone.rings.json"]);
    assert_eq!(gathered.added, 2);
    let words = told(&gathered.refused);
    for wanted in [
        "empty.rings.json: the file is empty",
        "cut.rings.json: not a reading: EOF",
        "later.rings.json: of another kind: \"endgrain.reading/9\"",
        "QB-0005.rings.json: its rings are not numbered one after the other",
        "QB-0006.rings.json: a ring 4 after ring 7",
        "gone.rings.json: can't be opened",
    ] {
        assert!(words.contains(wanted), "{wanted} is not in\n{words}");
    }
}

/// Killed at any moment, the dataset is what it was or what it was to be, and the next run makes it
/// what it would have been without the kill.
#[cfg(unix)]
#[test]
fn killed_at_any_point_nothing_gathered_is_lost() {
    let yard = Yard::with(1..=8);
    for n in 9..=60 {
        put(&yard.at("more"), &disc(n));
    }
    yard.gather(&["readings"]);
    let first = files(&yard.at("dataset"));
    let run = |dataset: &Path| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_endgrain"));
        command
            .arg("gather")
            .arg(yard.at("more"))
            .arg("--out")
            .arg(dataset);
        command.stdout(Stdio::null()).stderr(Stdio::null());
        command
    };
    let start = |name: &str| {
        let dataset = yard.at(name);
        fs::create_dir_all(&dataset).unwrap();
        for (name, bytes) in &first {
            fs::write(dataset.join(name), bytes).unwrap();
        }
        dataset
    };
    let whole = start("whole");
    let began = std::time::Instant::now();
    assert!(run(&whole).status().unwrap().success());
    let takes = began.elapsed();
    let want = files(&whole);
    assert_ne!(want, first);
    let (mut before, mut after, mut between) = (0, 0, 0);
    for round in 0..50_u32 {
        let dataset = start(&format!("killed-{round}"));
        let mut child = run(&dataset).spawn().unwrap();
        if round % 2 == 0 {
            std::thread::sleep(takes.mul_f64(f64::from(round) / 48.0));
        } else {
            // While the files are put in their places, which takes but a moment.
            let list = dataset.join(".gathering/whole.json");
            while !list.exists() && child.try_wait().unwrap().is_none() {}
            std::thread::sleep(std::time::Duration::from_micros(u64::from(round) * 20));
        }
        child.kill().unwrap();
        child.wait().unwrap();
        let now = files(&dataset);
        let readings = &now["readings.jsonl"];
        assert!(
            readings == &first["readings.jsonl"] || readings == &want["readings.jsonl"],
            "round {round}"
        );
        if now == first {
            before += 1;
        } else if now == want {
            after += 1;
        } else {
            // Some files in their places, the others still waiting for theirs.
            between += 1;
            for (name, bytes) in &want {
                let staged = dataset.join(".gathering").join(name);
                let is_here = now.get(name) == Some(bytes);
                assert!(
                    is_here || fs::read(staged).is_ok_and(|b| b == *bytes),
                    "round {round}: {name}"
                );
            }
        }
        assert!(run(&dataset).status().unwrap().success());
        assert_eq!(files(&dataset), want, "round {round}");
        assert!(!dataset.join(".gathering").exists());
    }
    eprintln!("killed before {before}, between {between}, after {after}");
    assert!(before > 0, "no kill hit the run before its end");
}

#[test]
fn two_runs_dont_write_one_dataset_at_a_time() {
    let yard = Yard::with([1]);
    yard.gather(&["readings"]);
    let lock = fs::File::options()
        .write(true)
        .open(yard.at("dataset/.lock"))
        .unwrap();
    lock.lock().unwrap();
    let faults = yard.try_gather(&yard.order(&["readings"])).unwrap_err();
    assert!(told(&faults).contains("another run is writing this dataset"));
}

#[test]
fn a_damaged_dataset_is_told_and_left_alone() {
    let yard = Yard::with([1, 2]);
    yard.gather(&["readings"]);
    let path = yard.at("dataset/readings.jsonl");
    let whole = fs::read_to_string(&path).unwrap();
    fs::write(&path, &whole[..whole.len() - 200]).unwrap();
    let before = files(&yard.at("dataset"));
    let faults = yard.try_gather(&yard.order(&["readings"])).unwrap_err();
    assert!(
        told(&faults).contains("readings.jsonl, line 2: not a reading"),
        "{}",
        told(&faults)
    );
    assert_eq!(files(&yard.at("dataset")), before);
    fs::write(&path, &whole).unwrap();
    fs::write(
        yard.at("dataset/corrections.csv"),
        "specimen,change,ring\nQB-0001,gone,2\nQB-0001,not-a-ring,x\n",
    )
    .unwrap();
    let words = told(&yard.try_gather(&yard.order(&[])).unwrap_err());
    assert!(words.contains("corrections.csv, line 2: column change: \"gone\"; give width, not-a-ring or absent-ring"), "{words}");
    assert!(words.contains("corrections.csv, line 3: column ring: \"x\""));
}
