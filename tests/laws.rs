//! Laws that hold for any photo, whatever the program makes of it: turned, mirrored, scaled,
//! brightened or padded, a disc keeps its rings; they lie in order; their widths add up; the same
//! photo gives the same bytes.
//!
//! Read are committed practice discs (`fixtures/yard`). A law compares two readings, not a reading
//! with the truth: it holds for wrong counts too.

mod scoring;

use endgrain::batch::{self, Report, Tables, Work};
use endgrain::error::Error;
use endgrain::photo::{self, Photo};
use endgrain::reading::{AZIMUTHS, Reading, radius_at};
use endgrain::ring_area::equivalent_radius_px;
use endgrain::settings::Settings;
use image::{RgbImage, imageops};
use scoring::matched;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// Discs that the laws of pictures are tried on: three kinds of wood, one with a ruled line.
const DISCS: [&str; 4] = [
    "clean_conifer_QB-0001",
    "clean_diffuse_QB-0007",
    "clean_ring_porous_QB-0011",
    "penmarks_QB-0005",
];

fn yard() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/yard")
}

fn photo(name: &str) -> Photo {
    let path = yard().join(format!("{name}.jpg"));
    photo::read(&path, &Settings::default()).expect("a committed photo")
}

fn read(photo: &Photo) -> Reading {
    endgrain::read(photo, &Settings::default()).expect("a reading")
}

/// The discs as they are, each read once for all laws.
fn plain() -> &'static [(Photo, Reading)] {
    static PLAIN: OnceLock<Vec<(Photo, Reading)>> = OnceLock::new();
    PLAIN.get_or_init(|| {
        DISCS
            .iter()
            .map(|name| {
                let photo = photo(name);
                let reading = read(&photo);
                (photo, reading)
            })
            .collect()
    })
}

/// Share of boundaries that two readings have in common (F1), on 72 azimuths, where azimuth `a` of
/// the first is `azimuth_of(a)` of the second and a length of the first is `stretch` times as long in
/// the second. Tolerance: the larger of 1.5 px and a fifth of a ring, as where readings are scored.
fn common(first: &Reading, second: &Reading, azimuth_of: impl Fn(f64) -> f64, stretch: f64) -> f64 {
    let radii = |reading: &Reading, azimuth: f64| -> Vec<f64> {
        let rings = reading.rings.iter();
        rings
            .filter_map(|ring| radius_at(&ring.radius_px, azimuth))
            .collect()
    };
    let (mut hits, mut all) = (0, 0);
    for azimuth in (0..360).step_by(5).map(f64::from) {
        let a: Vec<f64> = radii(first, azimuth).iter().map(|r| r * stretch).collect();
        let b = radii(second, azimuth_of(azimuth).rem_euclid(360.0));
        let width = a.last().copied().unwrap_or(0.0) / a.len().max(1) as f64;
        hits += matched(&a, &vec![(0.2 * width).max(1.5); a.len()], &b);
        all += a.len() + b.len();
    }
    2.0 * f64::from(u32::try_from(hits).expect("few")) / all.max(1) as f64
}

/// What a change of the picture must leave as it is.
struct Law<'a> {
    name: &'a str,
    change: &'a dyn Fn(&RgbImage) -> RgbImage,
    /// Where a point of the photo lies in the changed one of this size (before the change).
    place: &'a dyn Fn((f64, f64), (f64, f64)) -> (f64, f64),
    azimuth: &'a dyn Fn(f64) -> f64,
    stretch: f64,
    /// Least share of boundaries in common.
    least: f64,
}

fn holds(law: &Law<'_>) {
    for (photo, before) in plain() {
        let changed = Photo {
            pixels: (law.change)(&photo.pixels),
            ..photo.clone()
        };
        let after = read(&changed);
        let size = (
            f64::from(photo.pixels.width()),
            f64::from(photo.pixels.height()),
        );
        let (x, y) = (law.place)((before.pith.x_px, before.pith.y_px), size);
        let off = (after.pith.x_px - x).hypot(after.pith.y_px - y);
        let radius = law.stretch
            * before
                .rings
                .last()
                .and_then(|r| equivalent_radius_px(&r.radius_px))
                .expect("rings");
        let share = common(before, &after, law.azimuth, law.stretch);
        println!(
            "{} {}: {} and {} rings, pith {off:.2} px off, {share:.3} in common",
            law.name, photo.file, before.age.rings, after.age.rings
        );
        assert!(
            before.age.rings.abs_diff(after.age.rings) <= 1,
            "{} {}: {} rings became {}",
            law.name,
            photo.file,
            before.age.rings,
            after.age.rings
        );
        assert!(
            off < 0.01 * radius,
            "{} {}: the pith moved {off:.1} px",
            law.name,
            photo.file
        );
        assert!(
            share >= law.least,
            "{} {}: only {share:.3} of the boundaries in common",
            law.name,
            photo.file
        );
    }
}

#[test]
fn turning_the_photo_turns_azimuths_and_keeps_the_count() {
    holds(&Law {
        name: "turned",
        change: &imageops::rotate90,
        place: &|(x, y), (_, height)| (height - 1.0 - y, x),
        azimuth: &|a| a + 90.0,
        stretch: 1.0,
        least: 0.9,
    });
}

#[test]
fn mirroring_the_photo_mirrors_azimuths_and_keeps_the_count() {
    holds(&Law {
        name: "mirrored",
        change: &imageops::flip_horizontal,
        place: &|(x, y), (width, _)| (width - 1.0 - x, y),
        azimuth: &|a| 180.0 - a,
        stretch: 1.0,
        least: 0.9,
    });
}

#[test]
fn twice_the_pixels_double_every_length_and_keep_the_count() {
    holds(&Law {
        name: "doubled",
        change: &|pixels| {
            let (width, height) = pixels.dimensions();
            imageops::resize(
                pixels,
                2 * width,
                2 * height,
                imageops::FilterType::CatmullRom,
            )
        },
        // The middle of the pixel (0, 0) lies half a pixel from the corner in either photo.
        place: &|(x, y), _| (2.0 * x + 0.5, 2.0 * y + 0.5),
        azimuth: &|a| a,
        stretch: 2.0,
        least: 0.9,
    });
}

#[test]
fn a_paler_and_flatter_photo_has_the_same_rings() {
    holds(&Law {
        name: "paler",
        change: &|pixels| {
            let mut pale = pixels.clone();
            for value in pale.iter_mut() {
                *value = (0.8 * f64::from(*value) + 45.0).round().clamp(0.0, 255.0) as u8;
            }
            pale
        },
        place: &|place, _| place,
        azimuth: &|a| a,
        stretch: 1.0,
        least: 0.9,
    });
}

#[test]
fn a_wider_frame_moves_the_pith_and_nothing_else() {
    const LEFT: u32 = 70;
    const TOP: u32 = 40;
    holds(&Law {
        name: "padded",
        change: &|pixels| {
            let (width, height) = pixels.dimensions();
            RgbImage::from_fn(width + LEFT + 20, height + TOP + 20, |x, y| {
                // The border goes on: what lies round a disc does.
                let (x, y) = (x.saturating_sub(LEFT), y.saturating_sub(TOP));
                *pixels.get_pixel(x.min(width - 1), y.min(height - 1))
            })
        },
        place: &|(x, y), _| (x + f64::from(LEFT), y + f64::from(TOP)),
        azimuth: &|a| a,
        stretch: 1.0,
        least: 0.9,
    });
}

/// Readings of all committed photos, discs and none, practice and POV-Ray.
fn all() -> &'static [Reading] {
    static ALL: OnceLock<Vec<Reading>> = OnceLock::new();
    ALL.get_or_init(|| {
        let folders = [yard(), yard().with_file_name("povray")];
        let found = batch::collect(&folders);
        assert!(found.photos.len() >= 13, "the fixtures are there");
        let settings = Settings {
            last_ring: Some(2023),
            ..Settings::default()
        };
        found
            .photos
            .iter()
            .map(|found| {
                let photo = photo::read(&found.path, &settings).expect("a committed photo");
                endgrain::read(&photo, &settings).expect("a reading")
            })
            .collect()
    })
}

#[test]
fn rings_lie_in_order_and_none_cross() {
    for reading in all() {
        for degree in 0..AZIMUTHS {
            let mut last = 0.0;
            for ring in &reading.rings {
                if let Some(radius) = ring.radius_px[degree] {
                    assert!(
                        radius > last,
                        "{}: ring {} at {degree} degrees",
                        reading.photo.file,
                        ring.number
                    );
                    last = radius;
                }
            }
        }
        let numbers: Vec<u32> = reading.rings.iter().map(|r| r.number).collect();
        let first = reading.age.missing_centre.rings + 1;
        let expected: Vec<u32> = (first..).take(numbers.len()).collect();
        assert_eq!(numbers, expected, "{}", reading.photo.file);
        assert!(reading.age.low <= reading.age.rings && reading.age.rings <= reading.age.high);
        if reading.is_counted() {
            assert_eq!(
                numbers.last(),
                Some(&reading.age.rings),
                "{}",
                reading.photo.file
            );
        } else {
            assert!(reading.rings.is_empty(), "{}", reading.photo.file);
        }
    }
}

#[test]
fn widths_add_up_to_the_equivalent_radius_of_the_last_ring() {
    let mut tried = 0;
    for reading in all() {
        let is_whole = reading
            .rings
            .iter()
            .all(|r| r.radius_px.iter().all(Option::is_some));
        let Some(last) = reading.rings.last() else {
            continue;
        };
        // Behind a lost centre the first ring's width is that of all that is inside it.
        if !is_whole || reading.age.missing_centre.rings > 0 {
            continue;
        }
        let sum: f64 = reading.rings.iter().map(|r| r.mean_width_px).sum();
        let radius = equivalent_radius_px(&last.radius_px).expect("whole");
        // A hundredth of a px is published: each width may be half of that off, and each radius.
        let most = 0.005 * (reading.rings.len() + 1) as f64;
        assert!(
            (sum - radius).abs() <= most,
            "{}: {sum} and {radius}",
            reading.photo.file
        );
        tried += 1;
    }
    assert!(tried >= 5, "only {tried} whole discs among the fixtures");
}

#[test]
fn readings_hold_to_the_schema() {
    let text: serde_json::Value =
        serde_json::from_str(endgrain::schema::READING).expect("the schema is JSON");
    let schema = jsonschema::draft202012::new(&text).expect("the schema is sound");
    for reading in all() {
        let value = serde_json::to_value(reading).expect("JSON");
        let faults: Vec<String> = schema
            .iter_errors(&value)
            .map(|e| format!("{e} at {}", e.instance_path()))
            .collect();
        assert!(faults.is_empty(), "{}: {faults:?}", reading.photo.file);
    }
}

/// Hears nothing but failures.
struct Deaf;

impl Report for Deaf {
    fn read(&mut self, _: &Work, _: &Reading) {}
    fn failed(&mut self, work: &Work, error: &Error) {
        panic!("{}: {error}", work.path.display());
    }
}

/// All files that a run over the yard writes.
fn files_with(jobs: usize) -> BTreeMap<PathBuf, Vec<u8>> {
    let settings = Settings {
        last_ring: Some(2023),
        ..Settings::default()
    };
    let out = tempfile::tempdir().expect("a folder");
    let mut found = batch::collect(&[yard()]).photos;
    found.truncate(4);
    let work = batch::plan(&found, out.path()).expect("names");
    let tables = Tables::create(out.path(), &settings).expect("writable");
    batch::run(
        &work,
        tables,
        &settings,
        jobs,
        &batch::read_and_draw,
        &mut Deaf,
    )
    .expect("a run");
    let entries = std::fs::read_dir(out.path()).expect("a folder");
    entries
        .map(|entry| {
            let path = entry.expect("an entry").path();
            let bytes = std::fs::read(&path).expect("a file");
            (
                path.strip_prefix(out.path()).expect("below").to_path_buf(),
                bytes,
            )
        })
        .collect()
}

#[test]
fn any_number_of_jobs_writes_the_same_bytes() {
    let one = files_with(1);
    assert_eq!(one.len(), 4 * 3 + 2, "{:?}", one.keys());
    for jobs in [2, 5] {
        let more = files_with(jobs);
        assert!(one.keys().eq(more.keys()));
        for (path, bytes) in &one {
            assert!(
                more[path] == *bytes,
                "{} differs with {jobs} jobs",
                path.display()
            );
        }
    }
}
