//! Datasets: what is gathered, that nothing is lost, and that the same goes in and comes out.

mod sample;
mod tridas_order;

use endgrain::dataset::{self, Gathered, Order, sheet};
use endgrain::error::Error;
use endgrain::formats;
use endgrain::reading::{Options, OutlineState, Reading};
use endgrain::settings::Region;
use sample::Disc;
use serde_json::Value;
use std::collections::{BTreeMap, HashMap};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use tempfile::TempDir;

/// Disc `n` of the invented Quillbrook yard: its own rings, photo and hash.
fn disc(n: u32) -> Reading {
    let disc = Disc {
        side_px: 400,
        rings: 8 + n % 5,
        ring_px: 9.0 + f64::from(n % 7),
        brightness: 0.8,
    };
    let mut reading = disc.reading();
    reading.photo.file = format!("QB-{n:04}.jpg");
    reading.photo.sha256 = format!("{n:064x}");
    reading.options = Some(Options {
        level: 0.9,
        pith_px: None,
        region_px: None,
        scale: None,
        last_ring: Some(2023),
        wood: None,
    });
    reading
}

fn put(folder: &Path, reading: &Reading) -> PathBuf {
    let stem = reading.photo.file.trim_end_matches(".jpg");
    let path = folder.join(format!("{stem}.rings.json"));
    fs::create_dir_all(folder).unwrap();
    fs::write(&path, serde_json::to_string(reading).unwrap() + "\n").unwrap();
    path
}

struct Yard {
    folder: TempDir,
}

impl Yard {
    fn new() -> Self {
        Yard {
            folder: tempfile::tempdir().unwrap(),
        }
    }

    fn with(numbers: impl IntoIterator<Item = u32>) -> Self {
        let yard = Yard::new();
        for n in numbers {
            put(&yard.at("readings"), &disc(n));
        }
        yard
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn order(&self, names: &[&str]) -> Order {
        Order {
            readings: names.iter().map(|name| self.at(name)).collect(),
            radii: Some(4),
            ..Order::default()
        }
    }

    fn try_gather(&self, order: &Order) -> Result<Gathered, Vec<Error>> {
        dataset::gather(&self.at("dataset"), order)
    }

    fn gather(&self, names: &[&str]) -> Gathered {
        self.try_gather(&self.order(names)).unwrap()
    }

    fn gather_with_sheet(&self, names: &[&str], sheet: &str) -> Gathered {
        let path = self.at("given.csv");
        fs::write(&path, sheet).unwrap();
        let order = Order {
            sheet: Some(path),
            ..self.order(names)
        };
        self.try_gather(&order).unwrap()
    }

    fn rows(&self, table: &str) -> Vec<HashMap<String, String>> {
        rows(&self.at("dataset").join(table))
    }
}

fn rows(path: &Path) -> Vec<HashMap<String, String>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

/// All files of a folder but hidden ones, by name.
fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let entries = fs::read_dir(folder).unwrap().map(Result::unwrap);
    entries
        .map(|e| (e.file_name().into_string().unwrap(), e.path()))
        .filter(|(name, _)| !name.starts_with('.'))
        .map(|(name, path)| (name, fs::read(path).unwrap()))
        .collect()
}

fn told(faults: &[Error]) -> String {
    faults.iter().map(|f| f.to_string() + "\n").collect()
}

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

const SHEET: &str = "\
photo,tree,disc,azimuths_deg,species,species_latin,place,latitude_deg,longitude_deg,elevation_m,felled,last_ring,bark,collector,mm_per_px,diameter_mm,notes,stack
june/QB-0001.jpg,T1,T1-a,0 90 22.5,larch,Larix decidua,Quillbrook,52.5,-1.25,140,,2020,yes,A. Sawyer,0.2,,\"first, wet\",north
june/QB-0002.jpg,T1,T1-b,,larch,Larix decidua,Quillbrook,52.5,-1.25,140,2024-01-15,,yes,A. Sawyer,,100,,south
june/QB-0003.jpg,T2,,,,,,,,,,,no,,,,,
";

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

/// Values by series: year to width to the nearest thousandth.
fn series_of(path: &Path) -> BTreeMap<String, BTreeMap<i32, i64>> {
    let (_, set) = formats::load(path).unwrap_or_else(|faults| panic!("{faults:?}"));
    let mut out = BTreeMap::new();
    for m in set.series {
        let years = (m.series.first_year..).zip(m.series.widths_mm);
        let known = years.filter_map(|(y, w)| w.map(|w| (y, (w * 1000.0).round() as i64)));
        let before = out.insert(m.series.name.clone(), known.collect());
        assert!(before.is_none(), "{} twice", m.series.name);
    }
    out
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
    hole.rings[2].number = 7;
    put(&yard.at("readings"), &hole);
    let gathered = yard.gather(&["readings", "gone.rings.json"]);
    assert_eq!(gathered.added, 2);
    let words = told(&gathered.refused);
    for wanted in [
        "empty.rings.json: the file is empty",
        "cut.rings.json: not a reading: EOF",
        "later.rings.json: of another kind: \"endgrain.reading/9\"",
        "QB-0005.rings.json: its rings are not numbered one after the other",
        "gone.rings.json: can't be opened",
    ] {
        assert!(words.contains(wanted), "{wanted} is not in\n{words}");
    }
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
