//! Many photos at once: order, panics, the same bytes for any number of threads, whole files. What is
//! done with a photo is a stand-in here, so that every test knows what must come out.

mod pictures;

use endgrain::batch::{self, Outputs, Report, Tables, Work};
use endgrain::error::Error;
use endgrain::notes::{Note, NoteCode};
use endgrain::photo::Photo;
use endgrain::reading::{
    AZIMUTHS, AgeRecord, MissingCentre, Outline, OutlineState, PhotoRecord, PithRecord, PithState,
    Program, Reading, Ring, SCHEMA, Wood,
};
use endgrain::settings::{Settings, WoodKind};
use pictures::{end_face, png};
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

/// A reading that says of the photo only what its pixels and name give.
fn stand_in(photo: Photo, settings: &Settings) -> Result<Outputs, Error> {
    let rings = 3 + u32::from(photo.pixels.as_raw()[0]) % 5;
    let level_circle = |radius: u32| vec![Some(f64::from(radius)); AZIMUTHS];
    let reading = Reading {
        schema: SCHEMA.into(),
        program: Program {
            name: "endgrain".into(),
            version: "0".into(),
        },
        photo: PhotoRecord {
            file: photo.file.clone(),
            sha256: photo.sha256.clone(),
            width_px: photo.pixels.width(),
            height_px: photo.pixels.height(),
        },
        end: None,
        options: None,
        scale: None,
        pith: PithRecord {
            x_px: 30.0,
            y_px: 40.0,
            sd_px: 1.0,
            state: PithState::Seen,
        },
        outline: Outline {
            state: OutlineState::Wood,
            radius_px: level_circle(4 * rings),
        },
        wood: Wood {
            kind: WoodKind::Conifer,
            confidence: 0.9,
        },
        rings: (1..=rings)
            .map(|number| Ring {
                number,
                year: None,
                confidence: 0.95,
                radius_px: level_circle(4 * number),
                mean_width_px: 4.0,
                mean_width_mm: None,
            })
            .collect(),
        age: AgeRecord {
            rings,
            low: rings - 1,
            high: rings + 1,
            level: settings.level,
            missing_centre: MissingCentre {
                rings: 0,
                low: 0,
                high: 0,
            },
            complete: true,
        },
        notes: vec![Note::new(NoteCode::DoubtfulRings, "two rings are faint")],
        calendar: None,
    };
    Ok(Outputs {
        reading,
        overlay: b"overlay".to_vec(),
        strip: b"strip".to_vec(),
    })
}

/// Writes down what it hears.
#[derive(Default)]
struct Heard(Vec<(String, Result<u32, String>)>);

impl Report for Heard {
    fn read(&mut self, work: &Work, reading: &Reading) {
        self.0.push((name(&work.path), Ok(reading.age.rings)));
    }
    fn failed(&mut self, work: &Work, error: &Error) {
        self.0.push((name(&work.path), Err(error.reason())));
    }
}

fn name(path: &Path) -> String {
    path.file_name().unwrap().to_string_lossy().into_owned()
}

/// A folder of so many photos, all different.
fn yard(photos: u32) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for i in 0..photos {
        let path = folder.path().join(format!("log-{i:02}.png"));
        fs::write(path, png(&end_face(70 + i, 64))).unwrap();
    }
    folder
}

type Make<'a> = &'a (dyn Fn(Photo, &Settings) -> Result<Outputs, Error> + Sync);

fn read_all(photos: &Path, out: &Path, jobs: usize, make: Make<'_>) -> Heard {
    let settings = Settings::default();
    let collected = batch::collect(&[photos.to_path_buf()]);
    let work = batch::plan(&collected.photos, out).unwrap();
    let tables = Tables::create(out, &settings).unwrap();
    let mut heard = Heard::default();
    batch::run(&work, tables, &settings, jobs, make, &mut heard).unwrap();
    heard
}

/// Every file below a folder with its bytes.
fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    walkdir::WalkDir::new(folder)
        .into_iter()
        .map(|entry| entry.unwrap())
        .filter(|entry| entry.file_type().is_file())
        .map(|entry| {
            let below = entry.path().strip_prefix(folder).unwrap().to_path_buf();
            (below, fs::read(entry.path()).unwrap())
        })
        .collect()
}

#[test]
fn files_and_order_are_the_same_for_any_number_of_threads() {
    let photos = yard(23);
    // Early photos take longest, so that with several threads they are done last.
    let begun = AtomicUsize::new(0);
    let slow_first = |photo: Photo, settings: &Settings| {
        let place = begun.fetch_add(1, Ordering::Relaxed) as u64;
        std::thread::sleep(Duration::from_millis(12_u64.saturating_sub(2 * place)));
        stand_in(photo, settings)
    };
    let mut judge = None;
    for jobs in [1, 2, 5, 64] {
        begun.store(0, Ordering::Relaxed);
        let out = tempfile::tempdir().unwrap();
        let heard = read_all(photos.path(), out.path(), jobs, &slow_first);
        let names: Vec<&str> = heard.0.iter().map(|(name, _)| name.as_str()).collect();
        assert_eq!(names.len(), 23);
        assert!(names.is_sorted(), "{jobs} jobs: {names:?}");
        let files = files(out.path());
        // Three for each photo and two tables, nothing left over.
        assert_eq!(files.len(), 3 * 23 + 2, "{jobs} jobs");
        assert!(
            *judge.get_or_insert_with(|| files.clone()) == files,
            "{jobs} jobs"
        );
    }
}

#[test]
fn a_panic_costs_its_photo_and_no_other() {
    let photos = yard(9);
    let out = tempfile::tempdir().unwrap();
    let heard = read_all(photos.path(), out.path(), 3, &|photo, settings| {
        assert!(photo.file != "log-04.png", "no wood in {}", photo.file);
        stand_in(photo, settings)
    });
    let failed: Vec<_> = heard
        .0
        .iter()
        .filter(|(_, result)| result.is_err())
        .collect();
    assert_eq!(failed.len(), 1);
    let (name, Err(reason)) = failed[0] else {
        unreachable!()
    };
    assert_eq!(name, "log-04.png");
    assert!(reason.contains("a fault in endgrain itself"), "{reason}");
    assert!(reason.contains("no wood in log-04.png"), "{reason}");
    let files = files(out.path());
    assert_eq!(files.len(), 3 * 8 + 2);
    let ages = String::from_utf8(files[Path::new("ages.csv")].clone()).unwrap();
    // A header and a row a photo, the failed one included.
    assert_eq!(ages.lines().count(), 1 + 9);
}

#[test]
fn a_damaged_photo_costs_no_other() {
    let photos = yard(3);
    let cut = photos.path().join("log-01.png");
    let bytes = fs::read(&cut).unwrap();
    fs::write(&cut, &bytes[..bytes.len() / 2]).unwrap();
    let out = tempfile::tempdir().unwrap();
    let heard = read_all(photos.path(), out.path(), 2, &stand_in);
    let is_read: Vec<bool> = heard.0.iter().map(|(_, result)| result.is_ok()).collect();
    assert_eq!(is_read, [true, false, true]);
}

#[test]
fn an_output_that_cant_be_written_costs_its_photo_and_no_other() {
    let photos = yard(3);
    let out = tempfile::tempdir().unwrap();
    // A folder stands where a reading is to go: what a full disk or a lost permission does, and root
    // can't get past it.
    fs::create_dir(out.path().join("log-01.rings.json")).unwrap();
    let heard = read_all(photos.path(), out.path(), 2, &stand_in);
    let is_read: Vec<bool> = heard.0.iter().map(|(_, result)| result.is_ok()).collect();
    assert_eq!(is_read, [true, false, true]);
    let reason = heard.0[1].1.clone().unwrap_err();
    assert!(reason.starts_with("can't be written"), "{reason}");
    let left: Vec<PathBuf> = files(out.path()).into_keys().collect();
    let parts = left.iter().filter(|path| name(path).contains(".part-"));
    assert_eq!(parts.count(), 0, "{left:?}");
}

#[test]
fn a_photo_is_never_written_over() {
    let photos = yard(1);
    let at = |name: &str| photos.path().join(name);
    fs::copy(at("log-00.png"), at("log-00.overlay.jpg")).unwrap();
    let before = files(photos.path());
    let collected = batch::collect(&[at("log-00.png"), at("log-00.overlay.jpg")]);
    let refused = batch::plan(&collected.photos, photos.path()).unwrap_err();
    assert!(matches!(refused, Error::Setting { .. }));
    assert!(
        refused.to_string().contains("would be written over"),
        "{refused}"
    );
    assert_eq!(files(photos.path()), before);
}

#[test]
fn no_more_photos_are_in_work_than_jobs() {
    let photos = yard(12);
    let out = tempfile::tempdir().unwrap();
    let (now, most) = (AtomicUsize::new(0), Mutex::new(0));
    read_all(photos.path(), out.path(), 3, &|photo, settings| {
        let here = now.fetch_add(1, Ordering::SeqCst) + 1;
        {
            let mut most = most.lock().unwrap();
            *most = here.max(*most);
        }
        std::thread::sleep(Duration::from_millis(5));
        now.fetch_sub(1, Ordering::SeqCst);
        stand_in(photo, settings)
    });
    let most = *most.lock().unwrap();
    assert!((2..=3).contains(&most), "{most} at once with 3 jobs");
}
