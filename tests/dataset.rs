//! Datasets: what is gathered and from where, and that the same goes in and comes out.

mod tridas_order;
mod yard;

use endgrain::chronology::source::{Wanted, gather as radii_gathered, radii_of};
use endgrain::dataset;
use endgrain::reading::{OutlineState, Tilt};
use endgrain::settings::Region;
use serde_json::Value;
use std::collections::{BTreeMap, HashMap};
use std::fs;
use yard::sample::{self, Disc};
use yard::{SHEET, Yard, disc, files, put, series_of, told};

#[test]
fn a_dataset_has_every_ring_of_every_radius_and_where_it_is_from() {
    let yard = Yard::with([1, 2, 3]);
    let gathered = yard.gather(&["readings"]);
    assert_eq!((gathered.added, gathered.specimens), (3, 3));
    let rings = yard.rows("rings.csv");
    let want: usize = [9, 10, 11].map(|rings| rings * 4).iter().sum();
    assert_eq!((rings.len(), gathered.rows), (want, want));
    for row in &rings {
        let n: u32 = row["specimen"][3..].parse().unwrap();
        let truth = Disc {
            side_px: 400,
            rings: 8 + n % 5,
            ring_px: 9.0 + f64::from(n % 7),
            brightness: 0.8,
        };
        let (ring, azimuth) = (
            row["ring"].parse().unwrap(),
            row["azimuth_deg"].parse().unwrap(),
        );
        let px = truth.radius(ring, azimuth) - truth.radius(ring - 1, azimuth);
        let width_px: f64 = row["width_px"].parse().unwrap();
        let width_mm: f64 = row["width_mm"].parse().unwrap();
        assert!(
            (width_px - px).abs() < 1e-3 && (width_mm - px * 0.1).abs() < 1e-4,
            "{row:?}"
        );
        // The sample's outermost ring is 2023.
        assert_eq!(row["year"], (2023 - (truth.rings - ring)).to_string());
        assert_eq!(
            (row["state"].as_str(), row["origin"].as_str()),
            ("measured", "automatic")
        );
    }
    for row in yard.rows("specimens.csv") {
        let n: u32 = row["specimen"][3..].parse().unwrap();
        assert_eq!(row["photo_sha256"], format!("{n:064x}"));
        assert_eq!(row["program_version"], "0.1.0");
        assert!(row["options"].contains("\"last_ring\":2023"));
        let line = serde_json::to_string(&disc(n)).unwrap();
        let digest = <sha2::Sha256 as sha2::Digest>::digest(line.as_bytes());
        let hash: String = digest.iter().map(|b| format!("{b:02x}")).collect();
        assert_eq!(row["reading_sha256"], hash);
    }
    // From areas: facts, T-6.4 in ring_area; here the reading's own mean width.
    let first = disc(1).rings[0].mean_width_px;
    let area = yard
        .rows("means.csv")
        .into_iter()
        .find(|r| r["level"] == "area")
        .unwrap();
    assert_eq!(area["width_px"], format!("{first:.3}"));
}

#[test]
fn adding_the_same_again_changes_nothing_and_the_order_doesnt_show() {
    let yard = Yard::with(1..=6);
    for n in 1..=6 {
        put(&yard.at(&format!("one/{n}")), &disc(n));
    }
    yard.gather(&["readings"]);
    let want = files(&yard.at("dataset"));
    let modified = |name: &str| {
        fs::metadata(yard.at("dataset").join(name))
            .unwrap()
            .modified()
            .unwrap()
    };
    let before = modified("rings.csv");
    let again = yard.gather(&["readings"]);
    assert_eq!(
        (again.added, again.unchanged, again.is_written),
        (0, 6, false)
    );
    assert_eq!(modified("rings.csv"), before);
    assert_eq!(files(&yard.at("dataset")), want);
    // One by one, the other way round, and from JSON lines and a dataset.
    for n in (1..=6).rev() {
        let order = yard.order(&[&format!("one/{n}")]);
        dataset::gather(&yard.at("backward"), &order).unwrap();
    }
    assert_eq!(files(&yard.at("backward")), want);
    for from in ["dataset", "dataset/readings.jsonl"] {
        let folder = yard.at(&from.replace('/', "-from-"));
        let folder = folder.with_extension("copy");
        dataset::gather(&folder, &yard.order(&[from])).unwrap();
        assert_eq!(files(&folder), want, "{from}");
    }
}

#[test]
fn a_changed_reading_takes_the_place_of_its_own_rows_only() {
    let yard = Yard::with([1, 2]);
    yard.gather(&["readings"]);
    let before = yard.rows("rings.csv");
    let mut changed = disc(2);
    changed.rings.pop();
    put(&yard.at("readings"), &changed);
    let gathered = yard.gather(&["readings"]);
    assert_eq!((gathered.replaced, gathered.unchanged), (1, 1));
    let after = yard.rows("rings.csv");
    let of = |rows: &[HashMap<String, String>], name: &str| -> Vec<HashMap<String, String>> {
        rows.iter()
            .filter(|r| r["specimen"] == name)
            .cloned()
            .collect()
    };
    assert_eq!(of(&before, "QB-0001"), of(&after, "QB-0001"));
    assert_eq!(
        of(&before, "QB-0002").len(),
        of(&after, "QB-0002").len() + 4
    );
}

#[test]
fn the_sheet_names_dates_and_scales_the_specimens_and_keeps_its_own_columns() {
    let yard = Yard::with([1, 2, 3]);
    let gathered = yard.gather_with_sheet(&["readings"], SHEET);
    let specimens = yard.rows("specimens.csv");
    let by_name: HashMap<&str, &HashMap<String, String>> = specimens
        .iter()
        .map(|row| (row["specimen"].as_str(), row))
        .collect();
    let (a, b, c) = (by_name["T1-a"], by_name["T1-b"], by_name["QB-0003"]);
    assert_eq!(
        (a["tree"].as_str(), a["stack"].as_str(), a["notes"].as_str()),
        ("T1", "north", "first, wet")
    );
    assert_eq!(
        (a["last_year"].as_str(), a["years_from"].as_str()),
        ("2020", "sheet")
    );
    assert!(gathered.remarks.iter().any(|r| {
        r.contains("T1-a: the outermost ring is 2020 in the sheet and 2023 in the reading")
    }));
    assert_eq!(
        (a["scale_mm_per_px"].as_str(), a["scale_from"].as_str()),
        ("0.20000000", "sheet")
    );
    // Facts, T-1.2: felled 2024-01-15, the outermost ring is 2023.
    assert_eq!(
        (b["last_year"].as_str(), b["years_from"].as_str()),
        ("2023", "sheet")
    );
    // 100 mm over twice the equivalent radius of the outline.
    let radius = endgrain::ring_area::equivalent_radius_px(&disc(2).outline.radius_px).unwrap();
    assert_eq!(b["scale_mm_per_px"], format!("{:.8}", 50.0 / radius));
    assert_eq!(
        (c["years_from"].as_str(), c["scale_from"].as_str()),
        ("reading", "given")
    );
    // Three radii asked for, 22.5 among them; four evenly spaced for the others.
    let radii = |name: &str| {
        let rings = yard.rows("rings.csv");
        let mut radii: Vec<String> = rings
            .into_iter()
            .filter(|r| r["specimen"] == name)
            .map(|r| r["radius"].clone())
            .collect();
        radii.dedup();
        radii
    };
    assert_eq!(radii("T1-a"), ["az000", "az022.5", "az090"]);
    assert_eq!(radii("T1-b"), ["az000", "az090", "az180", "az270"]);
    // The sheet is kept: without it everything stays.
    let before = files(&yard.at("dataset"));
    assert!(!yard.gather(&["readings"]).is_written);
    assert_eq!(files(&yard.at("dataset")), before);
    // A second sheet changes its own rows only.
    yard.gather_with_sheet(&[], "photo,tree,colour\njune/QB-0003.jpg,T3,red\n");
    let specimens = yard.rows("specimens.csv");
    let c = specimens
        .iter()
        .find(|r| r["specimen"] == "QB-0003")
        .unwrap();
    assert_eq!((c["tree"].as_str(), c["colour"].as_str()), ("T3", "red"));
    assert!(
        specimens
            .iter()
            .any(|r| r["specimen"] == "T1-a" && r["stack"] == "north")
    );
}

#[test]
fn means_of_discs_and_trees_are_those_of_their_parts() {
    let yard = Yard::with([1, 2, 3]);
    yard.gather_with_sheet(&["readings"], SHEET);
    let rings = yard.rows("rings.csv");
    let mut of_disc: BTreeMap<(String, i32), Vec<f64>> = BTreeMap::new();
    for row in &rings {
        let key = (row["specimen"].clone(), row["year"].parse().unwrap());
        of_disc
            .entry(key)
            .or_default()
            .push(row["width_mm"].parse().unwrap());
    }
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let means = yard.rows("means.csv");
    let near = |text: &str, value: f64| (text.parse::<f64>().unwrap() - value).abs() < 1e-4;
    let mut of_tree: BTreeMap<i32, Vec<f64>> = BTreeMap::new();
    for ((specimen, year), widths) in &of_disc {
        let row = means
            .iter()
            .find(|r| {
                r["level"] == "disc" && r["specimen"] == *specimen && r["year"] == year.to_string()
            })
            .unwrap();
        assert!(near(&row["width_mm"], mean(widths)), "{row:?}");
        assert_eq!(row["parts"], widths.len().to_string());
        if specimen.starts_with("T1") {
            of_tree.entry(*year).or_default().push(mean(widths));
        }
    }
    for (year, widths) in &of_tree {
        let row = means
            .iter()
            .find(|r| r["level"] == "tree" && r["tree"] == "T1" && r["year"] == year.to_string())
            .unwrap();
        assert!(near(&row["width_mm"], mean(widths)), "{row:?}");
        assert_eq!(row["parts"], widths.len().to_string());
    }
    assert_eq!(of_tree.values().map(Vec::len).max(), Some(2));
}

#[test]
fn tables_decadal_text_and_xml_hold_the_same_widths() {
    let yard = Yard::with(1..=9);
    yard.gather_with_sheet(&["readings"], SHEET);
    let at = |name: &str| yard.at("dataset").join(name);
    let tidy = series_of(&at("rings.csv"));
    assert_eq!(series_of(&at("ring-widths.xml")), tidy);
    tridas_order::in_order(&fs::read_to_string(at("ring-widths.xml")).unwrap());
    let finer = series_of(&at("radii-0.001mm.rwl"));
    let coarser = series_of(&at("radii-0.01mm.rwl"));
    assert_eq!(tidy.len(), finer.len());
    for row in yard.rows("series.csv") {
        let name = row["decadal_name"].as_str();
        match row["level"].as_str() {
            "radius" => {
                let widths = &tidy[&row["series"]];
                assert_eq!(&finer[name], widths, "{row:?}");
                assert_eq!(row["known"], widths.len().to_string());
                assert_eq!(row["first_year"], widths.keys().next().unwrap().to_string());
                for (year, width) in widths {
                    assert!((coarser[name][year] - width).abs() <= 5, "{name} {year}");
                }
            }
            level => {
                let file = series_of(&at(&format!("{level}s-0.001mm.rwl")));
                let means = yard.rows("means.csv");
                let column = if level == "disc" { "specimen" } else { "tree" };
                for (year, width) in &file[name] {
                    let year = year.to_string();
                    let row = means
                        .iter()
                        .find(|r| {
                            r["level"] == level && r[column] == row["series"] && r["year"] == year
                        })
                        .unwrap();
                    let mm: f64 = row["width_mm"].parse().unwrap();
                    assert!(
                        (mm * 1000.0 - *width as f64).abs() <= 0.55,
                        "{row:?} {width}"
                    );
                }
            }
        }
    }
}

#[test]
fn discs_without_years_or_scale_are_kept_apart() {
    let yard = Yard::new();
    let mut undated = disc(1);
    undated.outline.state = OutlineState::Frame;
    for ring in &mut undated.rings {
        ring.year = None;
    }
    let mut unscaled = disc(2);
    unscaled.scale = None;
    put(&yard.at("readings"), &undated);
    put(&yard.at("readings"), &unscaled);
    put(&yard.at("readings"), &sample::nothing_read(300));
    let sheet = "photo,last_ring\nQB-0001.jpg,2020\n";
    let gathered = yard.gather_with_sheet(&["readings"], sheet);
    assert!(
        gathered
            .remarks
            .iter()
            .any(|r| r.contains("QB-0001: not dated")),
        "{:?}",
        gathered.remarks
    );
    let dataset = yard.at("dataset");
    assert!(
        !dataset.join("radii-0.01mm.rwl").exists(),
        "no dated disc with a scale"
    );
    let undated = series_of(&dataset.join("radii-undated-0.001mm.rwl"));
    assert_eq!(undated.len(), 4);
    assert!(
        undated
            .values()
            .all(|widths| widths.keys().next() == Some(&1))
    );
    let rings = yard.rows("rings.csv");
    let of = |name: &str| {
        rings
            .iter()
            .filter(|r| r["specimen"] == name)
            .collect::<Vec<_>>()
    };
    assert!(
        of("QB-0001")
            .iter()
            .all(|r| r["year"].is_empty() && !r["width_mm"].is_empty())
    );
    assert!(
        of("QB-0002")
            .iter()
            .all(|r| r["width_mm"].is_empty() && !r["width_px"].is_empty())
    );
    let specimens = yard.rows("specimens.csv");
    let nothing = specimens
        .iter()
        .find(|r| r["photo"] == "log-17.jpg")
        .unwrap();
    assert_eq!(
        (
            nothing["rings"].as_str(),
            nothing["rings_measured"].as_str()
        ),
        ("", "0")
    );
    assert_eq!(nothing["reading_notes"], "no-end-grain");
    let xml = fs::read_to_string(dataset.join("ring-widths.xml")).unwrap();
    assert!(xml.contains(r#"<firstYear suffix="relative">1</firstYear>"#));
}

/// One rule everywhere: under half a pixel on a radius a ring is absent there, at half a pixel it is
/// measured.
#[test]
fn a_sliver_on_a_radius_is_an_absent_ring_in_every_table_and_file() {
    let yard = Yard::new();
    let mut reading = disc(1);
    for (ring, width) in [(3, 0.49), (5, 0.5)] {
        let inner = reading.rings[ring - 1].radius_px[90].unwrap();
        reading.rings[ring].radius_px[90] = Some(inner + width);
    }
    put(&yard.at("readings"), &reading);
    yard.gather(&["readings"]);
    let at = |name: &str| yard.at("dataset").join(name);
    let row = |ring: &str| {
        let rings = yard.rows("rings.csv");
        let found = rings
            .into_iter()
            .find(|r| r["radius"] == "az090" && r["ring"] == ring)
            .unwrap();
        (
            found["width_mm"].clone(),
            found["width_px"].clone(),
            found["state"].clone(),
        )
    };
    let cells = |a: &str, b: &str, c: &str| (a.to_owned(), b.to_owned(), c.to_owned());
    assert_eq!(row("4"), cells("0.0000", "0.000", "absent"));
    assert_eq!(row("6"), cells("0.0500", "0.500", "measured"));
    // 9 rings, the last of 2023: ring 4 is that of 2018, ring 6 that of 2020.
    let tidy = &series_of(&at("rings.csv"))["QB-0001/az090"];
    assert_eq!((tidy[&2018], tidy[&2020]), (0, 50));
    assert_eq!(&series_of(&at("ring-widths.xml"))["QB-0001/az090"], tidy);
    let xml = fs::read_to_string(at("ring-widths.xml")).unwrap();
    let missing = r#"<value value="0"><remark normalTridas="missing ring"/></value>"#;
    assert_eq!(xml.matches(missing).count(), 1);
    let series = yard.rows("series.csv");
    let radius = series
        .iter()
        .find(|r| r["series"] == "QB-0001/az090")
        .unwrap();
    assert_eq!(radius["absent"], "1");
    for (file, name) in [
        ("radii-0.01mm.rwl", "decadal_name"),
        ("radii-0.001mm.rwl", "decadal_name"),
    ] {
        let text = &series_of(&at(file))[&radius[name]];
        assert_eq!((text[&2018], text[&2020]), (0, 50), "{file}");
    }
    // The chronology sees the same, from the reading and from the table.
    let radii = radii_of(&reading, "QB-0001", "QB-0001", 4);
    assert_eq!(radii[1].series.width_mm(2018), Some(0.0));
    assert!((radii[1].series.width_mm(2020).unwrap() - 0.05).abs() < 1e-12);
}

/// Widths of a disc without a scale are in px: the table says so, and the chronology compares them.
#[test]
fn a_disc_without_a_scale_is_compared_in_px_from_the_datasets_table() {
    let yard = Yard::with([1, 2]);
    let mut bare = disc(3);
    bare.scale = None;
    put(&yard.at("readings"), &bare);
    yard.gather(&["readings"]);
    let wanted = Wanted {
        radii: 4,
        trees: BTreeMap::new(),
    };
    let found = radii_gathered(&[yard.at("dataset")], &wanted);
    assert!(found.failed.is_empty(), "{:?}", found.failed);
    assert_eq!(found.radii.len(), 12);
    for radius in &found.radii {
        let is_bare = radius.specimen == "QB-0003";
        assert_eq!(radius.is_scaled, !is_bare);
        let n: u32 = radius.specimen[3..].parse().unwrap();
        let direct = radii_of(&if is_bare { bare.clone() } else { disc(n) }, "", "", 4);
        let azimuth: usize = radius.radius[2..].parse().unwrap();
        let direct = &direct[azimuth / 90].series;
        assert_eq!(radius.series.first_year, direct.first_year);
        for (table, own) in radius.series.widths_mm.iter().zip(&direct.widths_mm) {
            assert!((table.unwrap() - own.unwrap()).abs() < 1e-3);
        }
    }
    let plan = endgrain::chronology::Plan::default();
    let made = endgrain::chronology::build(found.radii, &plan).unwrap();
    let indices = made.radii.iter().filter(|r| r.detrended.is_some()).count();
    assert_eq!(indices, 12, "indices need no unit");
    assert_eq!(made.trees.len(), 3);
}

/// A face seen aslant: widths in mm along each radius by the scale along it, areas as they are.
#[test]
fn a_face_seen_aslant_has_its_widths_corrected_along_each_radius() {
    let yard = Yard::new();
    let mut reading = disc(1);
    let tilt = Tilt {
        foreshortening: 0.81,
        azimuth_deg: 90.0,
    };
    reading.scale.as_mut().unwrap().tilt = Some(tilt);
    put(&yard.at("readings"), &reading);
    yard.gather(&["readings"]);
    let radii = radii_of(&reading, "", "", 4);
    for row in yard.rows("rings.csv") {
        let px: f64 = row["width_px"].parse().unwrap();
        let mm: f64 = row["width_mm"].parse().unwrap();
        // 0.81 along 90 degrees: lengths along it are 1 / 0.9 of what they seem, across it 0.9.
        let (stretch, k) = match row["radius"].as_str() {
            "az000" => (0.9, 0),
            "az090" => (1.0 / 0.9, 1),
            "az180" => (0.9, 2),
            _ => (1.0 / 0.9, 3),
        };
        assert!((mm - 0.1 * stretch * px).abs() < 2e-4, "{row:?}");
        let year: i32 = row["year"].parse().unwrap();
        let direct = radii[k].series.width_mm(year).unwrap();
        assert!((direct - mm).abs() < 1e-4, "{row:?} {direct}");
    }
}

/// A felling before the rings of the reading: told with both, the disc kept without years.
#[test]
fn a_felling_before_the_first_ring_leaves_the_disc_undated_and_is_told() {
    let yard = Yard::with([1, 2]);
    let sheet = "photo,felled\nQB-0001.jpg,1903-07\nQB-0002.jpg,2023-07\n";
    let gathered = yard.gather_with_sheet(&["readings"], sheet);
    let words = "QB-0001: not dated: felled 1903-07 in the sheet before its first ring, \
                 but the rings of the reading are those of 2015 to 2023";
    assert!(
        gathered.remarks.iter().any(|r| r.starts_with(words)),
        "{:?}",
        gathered.remarks
    );
    for row in yard.rows("specimens.csv") {
        let want = if row["specimen"] == "QB-0001" {
            ""
        } else {
            "2023"
        };
        assert_eq!(row["last_year"], want);
        assert_ne!(row["rings_measured"], "0");
    }
}

#[test]
fn a_row_of_the_sheet_without_its_photo_is_told_and_the_rest_is_done() {
    let yard = Yard::with([1]);
    let sheet = "photo,tree\nQB-0099.jpg,T9\nQB-0001.jpg,T1\n";
    let gathered = yard.gather_with_sheet(&["readings"], sheet);
    assert_eq!((gathered.added, gathered.specimens), (1, 1));
    let told = |r: &String| r.starts_with("sheet: no reading yet of QB-0099.jpg");
    assert!(gathered.remarks.iter().any(told), "{:?}", gathered.remarks);
    assert_eq!(yard.rows("specimens.csv")[0]["tree"], "T1");
    let kept = fs::read_to_string(yard.at("dataset/sheet.csv")).unwrap();
    assert!(kept.contains("QB-0099.jpg"), "{kept}");
}

#[test]
fn old_wood_has_its_years_and_wood_too_old_for_a_format_is_still_in_the_tables() {
    let yard = Yard::with([1, 2]);
    let sheet = "photo,last_ring,tree\nQB-0001.jpg,-3000,T1\nQB-0002.jpg,-9995,T2\n";
    let gathered = yard.gather_with_sheet(&["readings"], sheet);
    let remark = "QB-0002: not in the decadal text: the year -10004 of QB-0002/az000 has no room";
    assert!(
        gathered.remarks.iter().any(|r| r.starts_with(remark)),
        "{:?}",
        gathered.remarks
    );
    let text = fs::read_to_string(yard.at("dataset/radii-0.01mm.rwl")).unwrap();
    // Nine rings, the last in -3000.
    assert!(
        text.lines().nth(3).unwrap().starts_with("B000100-3008"),
        "{text}"
    );
    let tidy = series_of(&yard.at("dataset/rings.csv"));
    let xml = series_of(&yard.at("dataset/ring-widths.xml"));
    assert_eq!(tidy, xml);
    assert_eq!(tidy["QB-0002/az000"].keys().next(), Some(&-10004));
    let named = |row: &HashMap<String, String>| !row["decadal_name"].is_empty();
    let series = yard.rows("series.csv");
    assert_eq!(series.iter().filter(|r| named(r)).count(), 6);
    assert!(series.iter().all(|r| named(r) == (r["tree"] == "T1")));
}

#[test]
fn two_readings_of_one_photo_in_one_run_are_told_unless_one_is_newer() {
    let yard = Yard::with([1]);
    let mut other = disc(1);
    other.age.low = 1;
    put(&yard.at("other"), &other);
    let gathered = yard.gather(&["readings", "other"]);
    assert_eq!((gathered.added, gathered.refused.len()), (0, 1));
    assert!(told(&gathered.refused).contains("another reading of the photo QB-0001.jpg than"));
    other.program.version = "0.10.0".into();
    put(&yard.at("other"), &other);
    let gathered = yard.gather(&["readings", "other"]);
    assert_eq!((gathered.added, gathered.refused.len()), (1, 0));
    assert_eq!(yard.rows("specimens.csv")[0]["program_version"], "0.10.0");
}

#[test]
fn photos_of_one_name_and_log_ends_of_one_photo_are_specimens_of_their_own() {
    let yard = Yard::new();
    let mut list = [disc(1), disc(2), disc(3), disc(3)];
    list[1].photo.file = "QB-0001.jpg".into();
    for (i, x_px) in [(2, 0), (3, 900)] {
        let region = Region {
            x_px,
            y_px: 0,
            width_px: 800,
            height_px: 800,
        };
        list[i].options.as_mut().unwrap().region_px = Some(region);
    }
    for (i, reading) in list.iter().enumerate() {
        put(&yard.at(&format!("readings/{i}")), reading);
    }
    let sheet =
        "photo,region_px,disc\nQB-0001.jpg,,log 1\nQB-0003.jpg,\"900,0,800,800\",log 3 right\n";
    let gathered = yard.gather_with_sheet(&["readings"], sheet);
    assert_eq!(gathered.specimens, 4);
    assert!(
        gathered
            .remarks
            .iter()
            .any(|r| r.contains("2 different photos are called QB-0001.jpg; fill in photo_sha256"))
    );
    let mut names: Vec<String> = yard
        .rows("specimens.csv")
        .into_iter()
        .map(|r| r["specimen"].clone())
        .collect();
    names.sort();
    assert!(
        names[0].starts_with("QB-0001-")
            && names[1].starts_with("QB-0001-")
            && names[0] != names[1]
    );
    assert_eq!(names[2..], ["QB-0003", "log 3 right"]);
}

/// The description names each file with its true size and hash, and each column of each table.
#[test]
fn the_description_fits_the_files() {
    let yard = Yard::with(1..=3);
    yard.gather_with_sheet(&["readings"], SHEET);
    let dataset = yard.at("dataset");
    let text = fs::read(dataset.join("datapackage.json")).unwrap();
    let package: Value = serde_json::from_slice(&text).unwrap();
    let resources = package["resources"].as_array().unwrap();
    let described: Vec<&str> = resources
        .iter()
        .map(|r| r["path"].as_str().unwrap())
        .collect();
    for name in files(&dataset)
        .keys()
        .filter(|name| *name != "datapackage.json")
    {
        assert!(
            described.contains(&name.as_str()),
            "{name} is not described"
        );
    }
    for resource in resources {
        let bytes = fs::read(dataset.join(resource["path"].as_str().unwrap())).unwrap();
        if let Some(size) = resource["bytes"].as_u64() {
            assert_eq!(size, bytes.len() as u64);
            let digest = <sha2::Sha256 as sha2::Digest>::digest(&bytes);
            let hash: String = digest.iter().map(|b| format!("{b:02x}")).collect();
            assert_eq!(resource["hash"], format!("sha256:{hash}"));
        }
        let Some(fields) = resource["schema"]["fields"].as_array() else {
            continue;
        };
        let mut reader = csv::Reader::from_reader(bytes.as_slice());
        let header: Vec<String> = reader
            .headers()
            .unwrap()
            .iter()
            .map(str::to_owned)
            .collect();
        let names: Vec<&str> = fields.iter().map(|f| f["name"].as_str().unwrap()).collect();
        assert_eq!(names, header);
        for record in reader.records() {
            let record = record.unwrap();
            for (field, cell) in fields.iter().zip(record.iter()) {
                assert!(!field["description"].as_str().unwrap().is_empty());
                let constraints = &field["constraints"];
                assert!(
                    !(constraints["required"] == true && cell.is_empty()),
                    "{field}"
                );
                if cell.is_empty() {
                    continue;
                }
                let fits = match field["type"].as_str().unwrap() {
                    "integer" => cell.parse::<i64>().is_ok(),
                    "number" => cell.parse::<f64>().is_ok(),
                    "boolean" => matches!(cell, "true" | "false"),
                    _ => true,
                };
                assert!(fits, "{cell:?} in {field}");
                if let Some(words) = constraints["enum"].as_array() {
                    assert!(words.iter().any(|w| w == cell), "{cell:?} in {field}");
                }
            }
        }
    }
}

#[cfg(feature = "parquet")]
#[test]
fn parquet_holds_what_the_csv_files_hold() {
    use parquet::file::reader::{FileReader, SerializedFileReader};
    let yard = Yard::with(1..=5);
    yard.gather_with_sheet(&["readings"], SHEET);
    for table in ["rings", "specimens", "series", "means"] {
        let file = fs::File::open(yard.at(&format!("dataset/{table}.parquet"))).unwrap();
        let reader = SerializedFileReader::new(file).unwrap();
        let rows = yard.rows(&format!("{table}.csv"));
        let mut count = 0;
        for (row, want) in reader.get_row_iter(None).unwrap().zip(&rows) {
            let row = row.unwrap();
            count += 1;
            assert_eq!(row.len(), want.len());
            for (name, value) in row.get_column_iter() {
                use parquet::record::Field;
                let want = want[name].as_str();
                match value {
                    Field::Null => assert_eq!(want, "", "{name}"),
                    Field::Str(text) => assert_eq!(text, want),
                    Field::Long(n) => assert_eq!(n.to_string(), want),
                    Field::Bool(b) => assert_eq!(b.to_string(), want),
                    Field::Double(x) => assert_eq!(
                        want.parse::<f64>().unwrap().to_bits(),
                        x.to_bits(),
                        "{name}"
                    ),
                    other => panic!("{name}: {other:?}"),
                }
            }
        }
        assert_eq!(count, rows.len(), "{table}");
    }
}
