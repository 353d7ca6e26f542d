//! One disc double-checked from its path: photo or reading found, compared, drawn and written.

use super::comparing::{Comparison, Finding, Given, PlacedMark, Stretch, compare};
use super::find_marks::{self, PenLine};
use super::ladder::Ladder;
use super::marks::HandCount;
use super::page::{self, Shown};
use super::record::{self, Record};
use super::words;
use crate::batch::WholeFile;
use crate::draw::{self, LineNames, StretchView};
use crate::error::Error;
use crate::photo::{self, Photo};
use crate::reading::{self, PhotoRecord, Reading};
use crate::settings::{ScaleGiven, Settings};
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// A reading, with its photo where that is at hand.
#[derive(Debug)]
pub struct Disc {
    /// The reading.
    pub reading: Reading,
    /// The photo.
    pub photo: Option<Photo>,
}

/// Whether a path names a reading rather than a photo.
pub fn is_reading(path: &Path) -> bool {
    path.extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("json"))
}

/// Opens a photo and reads it, or opens a reading.
///
/// Of a photo an earlier reading is taken where `readings` (a folder that `endgrain count` wrote) has
/// one of the same bytes. Of a reading the photo is looked for beside it, or is `photo_at`.
///
/// # Errors
/// Those of the photo and the reading; [`Error::BadData`] where `photo_at` is another photo than the
/// one that was read.
pub fn open(
    path: &Path,
    photo_at: Option<&Path>,
    readings: Option<&Path>,
    settings: &Settings,
) -> Result<Disc, Error> {
    if is_reading(path) {
        let reading = reading::load(path)?;
        let photo = match photo_at {
            Some(at) => {
                let photo = photo::read(at, settings)?;
                if photo.sha256 != reading.photo.sha256 {
                    return Err(Error::BadData {
                        path: at.to_path_buf(),
                        line: None,
                        what: format!("not the photo that {} is a reading of", path.display()),
                        way_out: format!("name {} as it was then", reading.photo.file),
                    });
                }
                Some(photo)
            }
            // Only a help: where it isn't there, is no photo or another one, there are no pictures.
            None => photo::read(&path.with_file_name(&reading.photo.file), settings)
                .ok()
                .filter(|photo| photo.sha256 == reading.photo.sha256),
        };
        return Ok(Disc { reading, photo });
    }
    let photo = photo::read(path, settings)?;
    let earlier = readings.and_then(|folder| {
        let stem = path.file_stem()?.to_string_lossy().into_owned();
        let name = path.file_name()?.to_string_lossy().into_owned();
        [stem, name]
            .iter()
            .filter_map(|base| reading::load(&folder.join(format!("{base}.rings.json"))).ok())
            .find(|reading| reading.photo.sha256 == photo.sha256)
    });
    let reading = match earlier {
        Some(reading) => reading,
        None => crate::read(&photo, settings).map_err(|error| error.about(path))?,
    };
    Ok(Disc {
        reading,
        photo: Some(photo),
    })
}

/// What a record says of a photo, or of the photo of a reading.
///
/// # Errors
/// Those of the photo and the reading.
pub fn photo_record(path: &Path, settings: &Settings) -> Result<PhotoRecord, Error> {
    if is_reading(path) {
        return Ok(reading::load(path)?.photo);
    }
    Ok((&photo::read(path, settings)?).into())
}

/// What is to be done with one disc.
#[derive(Debug, Clone)]
pub struct Task {
    /// The hand count.
    pub hand: HandCount,
    /// What else is known.
    pub given: Given,
    /// Mean diameter of the face inside the bark, mm, where it gives the scale.
    pub diameter_mm: Option<f64>,
    /// Look for the ruled line and its marks.
    pub find_marks: Option<PenMarks>,
}

/// How the marks on a ruled line are numbered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PenMarks {
    /// A mark every so many rings.
    pub every: u32,
    /// Counted from the bark inward; needs the total.
    pub from_bark: bool,
}

/// A disc that was checked.
#[derive(Debug)]
pub struct Checked {
    /// The record.
    pub record: Record,
    /// What was left out, and why.
    pub faults: Vec<Error>,
}

/// Compares a disc with its hand count.
///
/// # Errors
/// [`Error::BadData`] where the pen marks were asked for and there is no photo, or no ruled line in
/// it.
pub fn check(disc: &Disc, task: &Task, path: &Path) -> Result<Checked, Error> {
    let reading = &disc.reading;
    let mut hand = task.hand.clone();
    let mut given = task.given.scaled_by(task.diameter_mm, reading);
    let mut pen_line = None;
    if let Some(PenMarks { every, from_bark }) = task.find_marks {
        if from_bark && hand.total.is_none() {
            return Err(Error::BadData {
                path: path.to_path_buf(),
                line: None,
                what: "marks counted from the bark, but no total".into(),
                way_out: "give the total, so that they can be numbered from the pith".into(),
            });
        }
        let line = pen_marks(disc, path)?;
        given.azimuth_deg = given.azimuth_deg.or(Some(line.azimuth_deg));
        let total = hand.total.filter(|_| from_bark);
        hand.marks.extend(line.as_marks(every, total, path));
        pen_line = Some(line);
    }
    let (comparison, faults) = compare(&hand, reading, &given);
    let record = record::write(&hand, reading, comparison, &faults, pen_line);
    Ok(Checked { record, faults })
}

fn pen_marks(disc: &Disc, path: &Path) -> Result<PenLine, Error> {
    let fault = |what: &str, way_out: &str| Error::BadData {
        path: path.to_path_buf(),
        line: None,
        what: what.into(),
        way_out: way_out.into(),
    };
    let photo = disc.photo.as_ref().ok_or_else(|| {
        fault(
            "the photo isn't at hand, so pen marks can't be looked for",
            "name the photo, or give it with --photo",
        )
    })?;
    find_marks::find(photo, &disc.reading).ok_or_else(|| {
        fault(
            "no ruled line from the pith to the bark was found",
            "give the marks with --mark or --marks",
        )
    })
}

/// Scale that was given in the settings, mm a px, where it is a scale.
pub fn scale_given(settings: &Settings) -> Option<f64> {
    settings.scale.iter().find_map(|given| match given {
        ScaleGiven::MmPerPx(mm) => Some(*mm),
        _ => None,
    })
}

/// Pictures of more stretches than this are not drawn: whoever counts a disc anew has the strip.
const MOST_PICTURES: usize = 12;

/// Writes the record, the page and a picture of each stretch that parts, under `stem` and endings;
/// gives the paths.
///
/// # Errors
/// [`Error::Unwritable`], and a fault of the JPEG writer.
pub fn write_files(
    checked: &Checked,
    disc: &Disc,
    stem: &Path,
    settings: &Settings,
) -> Result<Vec<PathBuf>, Error> {
    let mut written = Vec::new();
    let mut pictures = Vec::new();
    let comparison = &checked.record.comparison;
    if let Some(photo) = &disc.photo {
        for &i in comparison.suspects.iter().take(MOST_PICTURES) {
            let Some(stretch) = comparison.stretches.get(i) else {
                continue;
            };
            let view = view_of(stretch, comparison, &disc.reading);
            let drawn = draw::stretch(photo, &disc.reading, &view);
            let jpeg = draw::jpeg(&drawn, Path::new(&photo.file))?;
            let path = with_ending(stem, &format!(".stretch-{}.jpg", words::name(stretch)));
            put(&path, &jpeg)?;
            written.push(path);
            pictures.push(Shown {
                caption: words::stretch(stretch),
                jpeg,
            });
        }
    }
    let page = page::of_record(&checked.record, &pictures, settings.unit);
    let path = with_ending(stem, ".hand-count.html");
    put(&path, page.as_bytes())?;
    written.push(path);
    let mut json = serde_json::to_vec(&checked.record).map_err(|refused| Error::Fault {
        path: stem.to_path_buf(),
        what: refused.to_string(),
    })?;
    json.push(b'\n');
    let path = with_ending(stem, ".hand-count.json");
    put(&path, &json)?;
    written.push(path);
    Ok(written)
}

/// What a stretch's picture shows. A stretch whose direction is not known is shown to the right.
fn view_of(stretch: &Stretch, comparison: &Comparison, reading: &Reading) -> StretchView {
    let azimuth_deg = stretch.azimuth_deg.unwrap_or(0.0);
    let along = |distance_px: f64| match stretch.azimuth_deg {
        Some(_) => distance_px,
        None => carried((None, distance_px), azimuth_deg, reading),
    };
    StretchView {
        azimuth_deg,
        ends_px: (along(stretch.from_px), along(stretch.to_px)),
        marks: comparison
            .marks
            .iter()
            .map(|mark| (format!("your {}", mark.ring), along(mark.distance_px)))
            .collect(),
        names: LineNames::YOURS,
        title: words::stretch(stretch),
    }
}

/// Where a mark stands on a line: of one on another line, or without a direction, where that ring is.
pub(super) fn along_line(mark: &PlacedMark, azimuth_deg: f64, reading: &Reading) -> f64 {
    match mark.azimuth_deg {
        Some(own) if (own - azimuth_deg).abs() < 1e-9 => mark.distance_px,
        own => carried((own, mark.distance_px), azimuth_deg, reading),
    }
}

/// A distance in one direction, or by area, carried along the rings into another.
fn carried((from_deg, distance_px): (Option<f64>, f64), to_deg: f64, reading: &Reading) -> f64 {
    let number = Ladder::of(reading, from_deg).number_at(distance_px);
    number
        .and_then(|number| Ladder::of(reading, Some(to_deg)).distance_px(number))
        .unwrap_or(distance_px)
}

/// Whether `--strict` counts a record as failed.
pub fn is_doubtful(record: &Record) -> bool {
    record.outcome != Finding::Agrees
}

/// The path with an ending added to its name.
pub fn with_ending(stem: &Path, ending: &str) -> PathBuf {
    let mut name = std::ffi::OsString::from(stem.as_os_str());
    name.push(ending);
    name.into()
}

/// Writes a file whole, its folder made where it isn't there.
///
/// # Errors
/// [`Error::Unwritable`].
pub fn put(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let unwritable = |source| Error::Unwritable {
        path: path.to_path_buf(),
        source,
    };
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(unwritable)?;
    }
    let mut file = WholeFile::create(path)?;
    file.write_all(bytes).map_err(unwritable)?;
    file.finish()
}
