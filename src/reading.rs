//! The reading: what is published of a photo, `endgrain.reading/1`, and nothing else.
//!
//! All pixel coordinates are in the oriented photo; the centre of its top left pixel is (0, 0), x
//! grows to the right, y downward. Azimuths are in degrees, 0 along +x, growing clockwise as seen.
//! A ring's boundary is its outer edge, the end of its latewood. Ring 1 is the first around the
//! pith; the pith is no ring; the last ring's boundary is the wood's edge if that is in the photo.
//! Unknown is `null`, never a stand-in number.

use crate::calendar::{CalendarRecord, Felling};
use crate::error::Error;
use crate::notes::Note;
use crate::settings::{Region, ScaleGiven, WoodKind};
use serde::{Deserialize, Serialize};
use std::ops::RangeInclusive;
use std::path::Path;

/// The schema's name.
pub const SCHEMA: &str = "endgrain.reading/1";

/// Numbers in a boundary: one a degree of azimuth.
pub const AZIMUTHS: usize = 360;

/// The published record of one photo.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// The program that made it.
    pub program: Program,
    /// The photo that was read.
    pub photo: PhotoRecord,
    /// Which of several log ends in the photo this is; absent where one was found.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub end: Option<EndRecord>,
    /// What the program was asked for; none in readings of early versions.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub options: Option<Options>,
    /// Scale, where known.
    pub scale: Option<Scale>,
    /// The pith.
    pub pith: PithRecord,
    /// The wood's edge.
    pub outline: Outline,
    /// The wood's kind.
    pub wood: Wood,
    /// The rings from the pith outward.
    pub rings: Vec<Ring>,
    /// The count with its band.
    pub age: AgeRecord,
    /// Troubles and remarks.
    pub notes: Vec<Note>,
    /// What is known of the years, where the user said something of the felling.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub calendar: Option<CalendarRecord>,
}

/// Name and version of the program.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Program {
    /// Always `endgrain`.
    pub name: String,
    /// Version.
    pub version: String,
}

/// Which photo was read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PhotoRecord {
    /// File name without folders.
    pub file: String,
    /// SHA-256 of the file's bytes, hexadecimal.
    pub sha256: String,
    /// Width of the oriented photo, px.
    pub width_px: u32,
    /// Height of the oriented photo, px.
    pub height_px: u32,
}

/// Which of several log ends in a photo was read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct EndRecord {
    /// Its number, from 1: rows from top to bottom, within a row from left to right.
    pub number: u32,
    /// The parts of the photo that hold the log ends, px, in the order of their numbers.
    pub regions_px: Vec<Region>,
}

impl EndRecord {
    /// How it is told to people: `end 2 of 5`.
    pub fn text(&self) -> String {
        format!("end {} of {}", self.number, self.regions_px.len())
    }
}

/// What the user asked for, as far as the reading depends on it; the fields of
/// [`Settings`](crate::settings::Settings).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Options {
    /// Share of discs whose true count the band is to hold.
    pub level: f64,
    /// The pith given by hand, px.
    pub pith_px: Option<(f64, f64)>,
    /// Part of the photo that was looked at.
    pub region_px: Option<Region>,
    /// What was stated of the scale.
    pub scale: Vec<ScaleGiven>,
    /// Whether the face was said to be round.
    pub face_is_round: bool,
    /// Calendar year of the outermost ring.
    pub last_ring: Option<i32>,
    /// What was stated of the felling, all of it; none where nothing was, and in readings of early
    /// versions.
    #[serde(default)]
    pub felling: Option<Felling>,
    /// The wood's kind as it was stated.
    pub wood: Option<WoodKind>,
}

/// Millimetres a pixel, and where that is from.
///
/// Areas and mean widths come out right with `mm_per_px` alone; lengths along one azimuth need
/// [`Scale::mm_per_px_at`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Scale {
    /// Millimetres a pixel; of a face seen aslant the geometric mean over the directions.
    pub mm_per_px: f64,
    /// `given`; `diameter` (inside bark, over the outline's); `diameters` (two, with the tilt);
    /// `girth`; `dpi`; `points`; or `ruler`.
    pub source: String,
    /// How the face is seen aslant, where that is known and corrected for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tilt: Option<Tilt>,
    /// The ruler that the scale was read from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ruler: Option<RulerSeen>,
}

impl Scale {
    /// A scale that is alike in all directions.
    pub fn even(mm_per_px: f64, source: impl Into<String>) -> Self {
        Scale {
            mm_per_px,
            source: source.into(),
            tilt: None,
            ruler: None,
        }
    }

    /// Millimetres a pixel along an azimuth.
    pub fn mm_per_px_at(&self, azimuth_deg: f64) -> f64 {
        self.mm_per_px * self.tilt.map_or(1.0, |tilt| tilt.stretch(azimuth_deg))
    }
}

/// How a flat face is seen aslant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Tilt {
    /// Lengths along the azimuth over those across it, as seen: the cosine of the tilt, at most 1.
    pub foreshortening: f64,
    /// Direction in which lengths are foreshortened, degrees, 0 up to, not including, 180.
    pub azimuth_deg: f64,
}

impl Tilt {
    /// By how much a length along an azimuth is longer than it seems, at the geometric mean scale;
    /// below 1 across the foreshortening.
    pub fn stretch(&self, azimuth_deg: f64) -> f64 {
        let (sin, cos) = (azimuth_deg - self.azimuth_deg).to_radians().sin_cos();
        (cos * cos / self.foreshortening + sin * sin * self.foreshortening).sqrt()
    }
}

/// A ruler in the photo and what was read from it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RulerSeen {
    /// The first graduation taken, px.
    pub from_px: [f64; 2],
    /// The last graduation taken, px.
    pub to_px: [f64; 2],
    /// Graduations from the first to the last one taken, hidden ones included.
    pub graduations: u32,
    /// Distances of the graduations seen from the first one, px.
    pub graduations_px: Vec<f64>,
    /// Distance of two graduations on the ruler, mm.
    pub graduation_mm: f64,
    /// Millimetres a pixel by it at the pith.
    pub mm_per_px: f64,
    /// Relative standard deviation of that by the scatter of the graduations alone.
    pub relative_sd: f64,
    /// How sure it is that these are graduations, and of that unit: 0 to 1.
    pub confidence: f64,
}

/// The pith.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PithRecord {
    /// Place, px.
    pub x_px: f64,
    /// Place, px.
    pub y_px: f64,
    /// Standard deviation of the place, px.
    pub sd_px: f64,
    /// Whether it is to be seen.
    pub state: PithState,
}

/// Whether the pith is to be seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PithState {
    /// It is in the photo and the rings close in on it.
    Seen,
    /// It is hidden or lost; its place follows from the rings.
    Inferred,
    /// It lies outside the photo.
    Outside,
}

/// The wood's edge about the pith.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Outline {
    /// What was found at the edge.
    pub state: OutlineState,
    /// Distance of the wood's edge from the pith, px, one a degree; `null` where it is not in the photo.
    pub radius_px: Vec<Option<f64>>,
}

/// What was found at the wood's edge.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutlineState {
    /// Bark lies outside it, at least for the most part.
    Bark,
    /// The wood ends at the background: the bark is gone.
    Wood,
    /// A good part of it lies outside the photo.
    Frame,
    /// It was not found with certainty.
    Unclear,
}

/// The wood's kind with its confidence.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Wood {
    /// Kind.
    pub kind: WoodKind,
    /// 0 to 1; 1 where the user said it.
    pub confidence: f64,
}

/// One ring.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ring {
    /// From 1 at the pith, without holes. Rings lost with a missing centre are not in the list, but
    /// counted: the first ring seen then has a number above 1.
    pub number: u32,
    /// Calendar year, where the year of the last ring is known and the edge is in the photo.
    pub year: Option<i32>,
    /// Chance that this is a year's ring, 0 to 1.
    pub confidence: f64,
    /// Distance of the ring's outer edge from the pith, px, one a degree of azimuth; `null` where
    /// that can be neither seen nor inferred.
    pub radius_px: Vec<Option<f64>>,
    /// Mean width, px: the difference of the equivalent radii, sqrt(area / pi), of this boundary
    /// and the one before it (facts of geometry: the equivalent radius is the one to use for a whole disc).
    pub mean_width_px: f64,
    /// The same, mm, where the scale is known.
    pub mean_width_mm: Option<f64>,
}

/// The count with its band.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AgeRecord {
    /// Best count from pith to edge, the missing centre included.
    pub rings: u32,
    /// Lower end of the band.
    pub low: u32,
    /// Upper end of the band.
    pub high: u32,
    /// Share of discs whose true count such a band holds.
    pub level: f64,
    /// Rings lost with the centre.
    pub missing_centre: MissingCentre,
    /// False where the edge or the centre is not in the photo: the count is then "at least".
    pub complete: bool,
}

/// How many rings are lost with the centre.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct MissingCentre {
    /// Best estimate.
    pub rings: u32,
    /// Lower end of its band.
    pub low: u32,
    /// Upper end of its band.
    pub high: u32,
}

impl Reading {
    /// Radius of ring `index` (from 0) at any azimuth, px, between the whole degrees in a straight
    /// line; `None` where a neighbour is unknown.
    pub fn radius_at(&self, index: usize, azimuth_deg: f64) -> Option<f64> {
        radius_at(&self.rings.get(index)?.radius_px, azimuth_deg)
    }

    /// What was read, as it is told to people: the photo's file name, of several log ends with the number.
    pub fn subject(&self) -> String {
        match &self.end {
            Some(end) => format!("{}, {}", self.photo.file, end.text()),
            None => self.photo.file.clone(),
        }
    }

    /// Whether a count is stated at all.
    pub fn is_counted(&self) -> bool {
        self.age.rings > 0
    }
}

/// Reads a reading back from its file.
///
/// # Errors
/// [`Error::Unreadable`] where the file can't be read, [`Error::Empty`] where it is empty,
/// [`Error::BadData`] where it is no reading, one of another version, or one whose boundaries don't
/// have [`AZIMUTHS`] radii.
pub fn load(path: &Path) -> Result<Reading, Error> {
    let text = std::fs::read(path).map_err(|source| Error::Unreadable {
        path: path.to_path_buf(),
        source,
    })?;
    parse(&text, path)
}

/// Reads a reading back from the bytes of its file; `path` is named where they are none.
///
/// # Errors
/// As [`load`].
pub fn parse(bytes: &[u8], path: &Path) -> Result<Reading, Error> {
    if bytes.is_empty() {
        return Err(Error::Empty {
            path: path.to_path_buf(),
        });
    }
    let bad = |line: Option<u64>, what: String| Error::BadData {
        path: path.to_path_buf(),
        line,
        what,
        way_out: format!("expected is a reading ({SCHEMA}) as endgrain count writes it"),
    };
    let reading: Reading = serde_json::from_slice(bytes).map_err(|fault| {
        let line = u64::try_from(fault.line()).ok().filter(|line| *line > 0);
        bad(line, format!("not a reading: {fault}"))
    })?;
    if reading.schema != SCHEMA {
        return Err(bad(None, format!("of another kind: {:?}", reading.schema)));
    }
    let mut boundaries = reading.rings.iter().map(|ring| &ring.radius_px);
    if reading.outline.radius_px.len() != AZIMUTHS || !boundaries.all(|b| b.len() == AZIMUTHS) {
        return Err(bad(None, format!("a boundary without {AZIMUTHS} radii")));
    }
    match unsound(&reading) {
        Some(what) => Err(bad(None, what)),
        None => Ok(reading),
    }
}

/// Rings of the oldest trees are about 5,000 (from memory); a number beyond this is no count.
const MOST_RINGS: u32 = 100_000;
/// Farthest that anything of a disc lies, px: beyond the diagonal of any photo that can be read. What is
/// drawn takes its time with its length.
const FARTHEST_PX: f64 = 1e5;
/// Years that are taken for years.
const YEARS: RangeInclusive<i32> = -1_000_000..=1_000_000;

/// What in a reading can't be, as far as all that is made of readings rests on it: ring numbers that
/// don't rise from 1, counts, years and lengths beyond all measure, lengths below zero.
fn unsound(reading: &Reading) -> Option<String> {
    let mut before = 0;
    for ring in &reading.rings {
        if ring.number <= before || ring.number > MOST_RINGS {
            return Some(format!("a ring {} after ring {before}", ring.number));
        }
        before = ring.number;
        if let Some(year) = ring.year.filter(|year| !YEARS.contains(year)) {
            return Some(format!("a ring of the year {year}"));
        }
    }
    let mut boundaries = reading.rings.iter().map(|ring| &ring.radius_px);
    let is_length = |radius: &Option<f64>| radius.is_none_or(|r| (0.0..=FARTHEST_PX).contains(&r));
    let are_lengths = |boundary: &Vec<Option<f64>>| boundary.iter().all(is_length);
    if !are_lengths(&reading.outline.radius_px) || !boundaries.all(are_lengths) {
        return Some(format!("a radius below zero or beyond {FARTHEST_PX} px"));
    }
    let (x_px, y_px) = (reading.pith.x_px, reading.pith.y_px);
    if x_px.abs() > FARTHEST_PX || y_px.abs() > FARTHEST_PX {
        return Some(format!("a pith at {x_px}, {y_px} px"));
    }
    let AgeRecord {
        rings,
        low,
        high,
        level,
        missing_centre: lost,
        ..
    } = &reading.age;
    let counts = [*rings, *low, *high, lost.rings, lost.low, lost.high];
    if counts.into_iter().any(|count| count > MOST_RINGS) {
        return Some("a count beyond the age of any tree".into());
    }
    if !(*level > 0.0 && *level < 1.0) {
        return Some(format!("a band that holds a share of {level}"));
    }
    let scale = reading.scale.as_ref()?;
    if scale.mm_per_px <= 0.0 {
        return Some(format!("a scale of {} mm a pixel", scale.mm_per_px));
    }
    let seen = scale.tilt.map_or(1.0, |tilt| tilt.foreshortening);
    (!(seen > 0.0 && seen <= 1.0)).then(|| format!("lengths foreshortened to {seen}"))
}

/// Radius of a boundary at any azimuth, px.
pub fn radius_at(radius_px: &[Option<f64>], azimuth_deg: f64) -> Option<f64> {
    let n = radius_px.len();
    if n == 0 {
        return None;
    }
    let place = azimuth_deg.rem_euclid(360.0) * n as f64 / 360.0;
    let (whole, part) = (place.floor(), place.fract());
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "0 <= whole <= n"
    )]
    let i = whole as usize % n;
    let here = radius_px[i]?;
    if part == 0.0 {
        return Some(here);
    }
    Some(here + part * (radius_px[(i + 1) % n]? - here))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_reading_is_refused_with_its_file_and_a_way_out() {
        let path = Path::new("log.rings.json");
        for (bytes, words) in [
            ("", "log.rings.json: the file is empty"),
            ("{\n\"schema\": 3}", "log.rings.json, line 2: not a reading"),
            ("[]", "not a reading"),
        ] {
            let told = parse(bytes.as_bytes(), path).unwrap_err().to_string();
            assert!(told.contains(words), "{told}");
        }
    }
}
