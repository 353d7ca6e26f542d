//! Readings of the invented Quillbrook yard and datasets made of them, for tests.
#![allow(dead_code, reason = "each test file uses its part")]

#[path = "../sample/mod.rs"]
pub(crate) mod sample;

use endgrain::dataset::{self, Gathered, Order};
use endgrain::error::Error;
use endgrain::formats;
use endgrain::reading::{Options, Reading};
use sample::Disc;
use std::collections::{BTreeMap, HashMap};
use std::fs;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// Disc `n` of the invented Quillbrook yard: its own rings, photo and hash.
pub(crate) fn disc(n: u32) -> Reading {
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
        scale: Vec::new(),
        face_is_round: false,
        last_ring: Some(2023),
        felling: None,
        wood: None,
    });
    reading
}

pub(crate) fn put(folder: &Path, reading: &Reading) -> PathBuf {
    let stem = reading.photo.file.trim_end_matches(".jpg");
    let path = folder.join(format!("{stem}.rings.json"));
    fs::create_dir_all(folder).unwrap();
    fs::write(&path, serde_json::to_string(reading).unwrap() + "\n").unwrap();
    path
}

pub(crate) struct Yard {
    pub(crate) folder: TempDir,
}

impl Yard {
    pub(crate) fn new() -> Self {
        Yard {
            folder: tempfile::tempdir().unwrap(),
        }
    }

    pub(crate) fn with(numbers: impl IntoIterator<Item = u32>) -> Self {
        let yard = Yard::new();
        for n in numbers {
            put(&yard.at("readings"), &disc(n));
        }
        yard
    }

    pub(crate) fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn order(&self, names: &[&str]) -> Order {
        Order {
            readings: names.iter().map(|name| self.at(name)).collect(),
            radii: Some(4),
            ..Order::default()
        }
    }

    pub(crate) fn try_gather(&self, order: &Order) -> Result<Gathered, Vec<Error>> {
        dataset::gather(&self.at("dataset"), order)
    }

    pub(crate) fn gather(&self, names: &[&str]) -> Gathered {
        self.try_gather(&self.order(names)).unwrap()
    }

    pub(crate) fn gather_with_sheet(&self, names: &[&str], sheet: &str) -> Gathered {
        let path = self.at("given.csv");
        fs::write(&path, sheet).unwrap();
        let order = Order {
            sheet: Some(path),
            ..self.order(names)
        };
        self.try_gather(&order).unwrap()
    }

    pub(crate) fn rows(&self, table: &str) -> Vec<HashMap<String, String>> {
        rows(&self.at("dataset").join(table))
    }
}

pub(crate) fn rows(path: &Path) -> Vec<HashMap<String, String>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

/// All files of a folder but hidden ones, by name.
pub(crate) fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let entries = fs::read_dir(folder).unwrap().map(Result::unwrap);
    entries
        .map(|e| (e.file_name().into_string().unwrap(), e.path()))
        .filter(|(name, _)| !name.starts_with('.'))
        .map(|(name, path)| (name, fs::read(path).unwrap()))
        .collect()
}

pub(crate) fn told(faults: &[Error]) -> String {
    faults.iter().map(|f| f.to_string() + "\n").collect()
}

pub(crate) const SHEET: &str = "\
photo,tree,disc,azimuths_deg,species,species_latin,place,latitude_deg,longitude_deg,elevation_m,felled,last_ring,bark,collector,mm_per_px,diameter_mm,notes,stack
june/QB-0001.jpg,T1,T1-a,0 90 22.5,larch,Larix decidua,Quillbrook,52.5,-1.25,140,,2020,yes,A. Sawyer,0.2,,\"first, wet\",north
june/QB-0002.jpg,T1,T1-b,,larch,Larix decidua,Quillbrook,52.5,-1.25,140,2024-01-15,,yes,A. Sawyer,,100,,south
june/QB-0003.jpg,T2,,,,,,,,,,,no,,,,,
";

/// Values by series: year to width to the nearest thousandth.
pub(crate) fn series_of(path: &Path) -> BTreeMap<String, BTreeMap<i32, i64>> {
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
