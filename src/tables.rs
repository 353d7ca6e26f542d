//! Tables of readings: `ages.csv`, `widths.csv`, and the summary for people.
//!
//! The CSV tables are plain RFC 4180 with a header; units are in the column's names, decimals are
//! fixed, the decimal sign is a dot, and what is unknown is empty, never a stand-in number. Lengths
//! in data are px and mm whatever the unit that is shown. Rows come in the order in which they are
//! given.
//!
//! `ages.csv` has one row a photo, failed ones included. `widths.csv` is tidy: one row a ring and
//! photo. Where each log end of a photo is read, both have a row an end and a last column `end`. A width on a radius is the difference of two neighbouring boundaries on that azimuth
//! (ring 1: from the pith), empty where either is unknown; the mean width is from ring areas (see
//! [`crate::ring_area`]), which no mean of a few radii replaces.

use crate::calendar::years_before_outermost;
use crate::notes::NoteCode;
use crate::reading::{OutlineState, PithState, Reading};
use crate::ring_area::{equivalent_radius_px, width_on_radius_px};
use crate::settings::{EndsWanted, LengthUnit, Settings};
use crate::units::{MM_PER_INCH, inch_text};
use std::fmt::Write as _;
use std::io::{self, Write};

/// How many columns `ages.csv` has.
const AGES_WIDTH: usize = 36;

/// The columns of `ages.csv`.
pub const AGES_COLUMNS: [&str; AGES_WIDTH] = [
    "photo",
    "status",
    "reason",
    "rings",
    "low",
    "high",
    "level",
    "complete",
    "missing_centre_rings",
    "missing_centre_low",
    "missing_centre_high",
    "rings_drawn",
    "rings_doubtful",
    "first_year",
    "last_year",
    "wood",
    "wood_confidence",
    "pith_x_px",
    "pith_y_px",
    "pith_sd_px",
    "pith_state",
    "outline_state",
    "mean_diameter_px",
    "mean_diameter_mm",
    "mm_per_px",
    "scale_source",
    "width_px",
    "height_px",
    "notes",
    "felled",
    "outermost_ring",
    "first_year_earliest",
    "first_year_latest",
    "ground_age_low",
    "ground_age_high",
    "tilt_foreshortening",
];

/// The last column of both tables where each log end of a photo is read.
const END_COLUMN: &str = "end";

/// Number of the log end in its photo; 1 where no second one was found.
fn end_number(reading: &Reading) -> String {
    reading.end.as_ref().map_or(1, |end| end.number).to_string()
}

/// Writes `ages.csv`: one row a photo.
#[derive(Debug)]
pub struct AgesWriter<W: Write> {
    csv: csv::Writer<W>,
    /// Whether a last column has the number of the log end.
    with_ends: bool,
}

impl<W: Write> AgesWriter<W> {
    /// Starts the table with its header.
    ///
    /// # Errors
    /// What `out` says on writing.
    pub fn new(out: W) -> io::Result<Self> {
        let mut csv = csv::Writer::from_writer(out);
        csv.write_record(AGES_COLUMNS)?;
        Ok(AgesWriter {
            csv,
            with_ends: false,
        })
    }

    /// Starts the table of a run that reads each log end of a photo, a row an end: the same with a last
    /// column `end`, the number of the log end in its photo.
    ///
    /// # Errors
    /// What `out` says on writing.
    pub fn with_ends(out: W) -> io::Result<Self> {
        let mut csv = csv::Writer::from_writer(out);
        csv.write_record(AGES_COLUMNS.iter().chain(&[END_COLUMN]))?;
        Ok(AgesWriter {
            csv,
            with_ends: true,
        })
    }

    /// Writes a row, and the number of the log end where the table has it.
    fn row<'a>(&mut self, row: impl Iterator<Item = &'a str>, end: &'a str) -> io::Result<()> {
        let end = self.with_ends.then_some(end);
        self.csv.write_record(row.chain(end))?;
        Ok(())
    }

    /// Adds a photo that was read. `photo` is its path as it was given.
    ///
    /// # Errors
    /// What `out` says on writing.
    pub fn read(&mut self, photo: &str, reading: &Reading) -> io::Result<()> {
        let diameter_px = mean_diameter_px(reading);
        let mm_per_px = reading.scale.as_ref().map(|scale| scale.mm_per_px);
        let age = &reading.age;
        let doubtful = doubtful(reading);
        let counted = |n: u32| -> String {
            if reading.is_counted() {
                n.to_string()
            } else {
                String::new()
            }
        };
        let calendar = reading.calendar.as_ref();
        let first = calendar.and_then(|calendar| calendar.first_year);
        let ground = calendar.and_then(|calendar| calendar.ground);
        let tilt = reading.scale.as_ref().and_then(|scale| scale.tilt);
        let row: [String; AGES_WIDTH] = [
            photo.to_owned(),
            "read".to_owned(),
            String::new(),
            counted(age.rings),
            counted(age.low),
            counted(age.high),
            format!("{:.3}", age.level),
            age.complete.to_string(),
            counted(age.missing_centre.rings),
            counted(age.missing_centre.low),
            counted(age.missing_centre.high),
            reading.rings.len().to_string(),
            doubtful.to_string(),
            whole(reading.rings.first().and_then(|ring| ring.year)),
            whole(reading.rings.last().and_then(|ring| ring.year)),
            reading.wood.kind.name().to_owned(),
            format!("{:.3}", reading.wood.confidence),
            format!("{:.2}", reading.pith.x_px),
            format!("{:.2}", reading.pith.y_px),
            format!("{:.2}", reading.pith.sd_px),
            pith_state(reading.pith.state).to_owned(),
            outline_state(reading.outline.state).to_owned(),
            fixed(diameter_px, 2),
            fixed(diameter_px.zip(mm_per_px).map(|(px, mm)| px * mm), 3),
            fixed(mm_per_px, 6),
            reading
                .scale
                .as_ref()
                .map_or(String::new(), |scale| scale.source.clone()),
            reading.photo.width_px.to_string(),
            reading.photo.height_px.to_string(),
            note_codes(reading),
            calendar
                .and_then(|calendar| calendar.felled.clone())
                .unwrap_or_default(),
            calendar
                .and_then(|calendar| calendar.outermost)
                .map_or("", |outer| outer.state.name())
                .to_owned(),
            whole(first.and_then(|first| first.earliest)),
            whole(first.map(|first| first.latest)),
            whole(ground.map(|ground| ground.low)),
            whole(ground.map(|ground| ground.high)),
            fixed(tilt.map(|tilt| tilt.foreshortening), 4),
        ];
        self.row(row.iter().map(String::as_str), &end_number(reading))
    }

    /// Adds a photo that was not read, with the reason.
    ///
    /// # Errors
    /// What `out` says on writing.
    pub fn refused(&mut self, photo: &str, reason: &str) -> io::Result<()> {
        let mut row = [""; AGES_WIDTH];
        (row[0], row[1], row[2]) = (photo, "refused", reason);
        self.row(row.into_iter(), "")
    }

    /// Adds a photo that the run didn't come to, because it was stopped.
    ///
    /// # Errors
    /// What `out` says on writing.
    pub fn not_reached(&mut self, photo: &str) -> io::Result<()> {
        let mut row = [""; AGES_WIDTH];
        (row[0], row[1]) = (photo, "not-reached");
        self.row(row.into_iter(), "")
    }

    /// Ends the table and gives back what it was written into.
    ///
    /// # Errors
    /// What `out` says on writing the last of it.
    pub fn finish(self) -> io::Result<W> {
        self.csv.into_inner().map_err(|e| e.into_error())
    }
}

/// Writes `widths.csv`: one row a ring and photo.
#[derive(Debug)]
pub struct WidthsWriter<W: Write> {
    csv: csv::Writer<W>,
    azimuths_deg: Vec<f64>,
    in_mm: bool,
    with_ends: bool,
}

impl<W: Write> WidthsWriter<W> {
    /// Starts the table with its header: photo, ring, year, mean width in px and in mm, confidence,
    /// years before the outermost ring (empty where that is not in the photo), mean width as a
    /// share of the mean radius of the wood (needs no scale; empty where too much of the edge is unknown),
    /// one px column for each of the radii asked for (`width_az022.5_px`), and one mm column for
    /// each if a scale was given for the run; a last column `end` where each log end is read.
    ///
    /// # Errors
    /// What `out` says on writing.
    pub fn new(out: W, settings: &Settings) -> io::Result<Self> {
        let azimuths_deg = settings.radius_azimuths_deg();
        let in_mm = !settings.scale.is_empty();
        let mut csv = csv::Writer::from_writer(out);
        let mut header: Vec<String> = [
            "photo",
            "ring",
            "year",
            "mean_width_px",
            "mean_width_mm",
            "confidence",
            "years_before_outermost",
            "mean_width_share",
        ]
        .map(str::to_owned)
        .to_vec();
        let names = azimuth_names(&azimuths_deg);
        header.extend(names.iter().map(|name| format!("width_az{name}_px")));
        if in_mm {
            header.extend(names.iter().map(|name| format!("width_az{name}_mm")));
        }
        let with_ends = settings.ends == EndsWanted::All;
        header.extend(with_ends.then(|| END_COLUMN.to_owned()));
        csv.write_record(&header)?;
        Ok(WidthsWriter {
            csv,
            azimuths_deg,
            in_mm,
            with_ends,
        })
    }

    /// Adds the rings of a photo. `photo` is its path as it was given.
    ///
    /// # Errors
    /// What `out` says on writing.
    pub fn read(&mut self, photo: &str, reading: &Reading) -> io::Result<()> {
        let mut row: Vec<String> = Vec::new();
        let radius_px =
            equivalent_radius_px(&reading.outline.radius_px).filter(|radius| *radius > 0.0);
        for (k, ring) in reading.rings.iter().enumerate() {
            row.clear();
            row.extend([
                photo.to_owned(),
                ring.number.to_string(),
                whole(ring.year),
                fixed(Some(ring.mean_width_px), 3),
                fixed(ring.mean_width_mm, 4),
                format!("{:.3}", ring.confidence),
                whole(years_before_outermost(reading, k)),
                fixed(radius_px.map(|radius| ring.mean_width_px / radius), 5),
            ]);
            let widths: Vec<Option<f64>> = self
                .azimuths_deg
                .iter()
                .map(|azimuth| width_at_px(reading, k, *azimuth))
                .collect();
            row.extend(widths.iter().map(|width| fixed(*width, 2)));
            if self.in_mm {
                // Along each azimuth by its own scale: a face may be seen aslant.
                let mm = |(width, azimuth): (&Option<f64>, &f64)| {
                    let scale = reading.scale.as_ref();
                    fixed(
                        width
                            .zip(scale)
                            .map(|(w, scale)| w * scale.mm_per_px_at(*azimuth)),
                        4,
                    )
                };
                row.extend(widths.iter().zip(&self.azimuths_deg).map(mm));
            }
            row.extend(self.with_ends.then(|| end_number(reading)));
            self.csv.write_record(&row)?;
        }
        Ok(())
    }

    /// Ends the table and gives back what it was written into.
    ///
    /// # Errors
    /// What `out` says on writing the last of it.
    pub fn finish(self) -> io::Result<W> {
        self.csv.into_inner().map_err(|e| e.into_error())
    }
}

/// Mean diameter of the wood, px: twice the equivalent radius of the outline; `None` where too
/// much of the outline is unknown.
pub fn mean_diameter_px(reading: &Reading) -> Option<f64> {
    equivalent_radius_px(&reading.outline.radius_px).map(|radius| 2.0 * radius)
}

/// Width of ring `index` (from 0) on one azimuth, px: the difference of its boundary and the one
/// before it, or 0 where the ring is absent there ([`width_on_radius_px`]). The first ring of a list
/// has a width only if it is ring 1, which starts at the pith.
pub fn width_at_px(reading: &Reading, index: usize, azimuth_deg: f64) -> Option<f64> {
    let outer = reading.radius_at(index, azimuth_deg)?;
    let inner = match index {
        0 => (reading.rings.first()?.number == 1).then_some(0.0)?,
        _ => reading.radius_at(index - 1, azimuth_deg)?,
    };
    Some(width_on_radius_px(inner, outer))
}

/// The count with its band as it is told to people: `87 rings, 84 to 91 at 90 %`.
pub fn age_text(reading: &Reading) -> String {
    if !reading.is_counted() {
        let no_wood = reading
            .notes
            .iter()
            .any(|note| note.code == NoteCode::NoEndGrain);
        return if no_wood {
            "no readable end grain: no count".to_owned()
        } else {
            "rings can't be told apart: no count".to_owned()
        };
    }
    let age = &reading.age;
    format!(
        "{}{} {}, {} to {} at {} %",
        if age.complete { "" } else { "at least " },
        age.rings,
        if age.rings == 1 { "ring" } else { "rings" },
        age.low,
        age.high,
        percent(age.level)
    )
}

/// A length as it is shown to people: `325.7 mm`, `12.82 in (12 13/16 in)`.
pub fn length_text(mm: f64, unit: LengthUnit) -> String {
    match unit {
        LengthUnit::Mm => format!("{mm:.1} mm"),
        LengthUnit::In => inch_text(mm),
    }
}

/// One photo's line of the [`summary`]; keeps a few short texts and not the reading.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SummaryRow {
    cells: [String; 7],
}

impl SummaryRow {
    /// The line of a photo that was read.
    pub fn read(photo: &str, reading: &Reading, settings: &Settings) -> Self {
        let age = &reading.age;
        let mm_per_px = reading.scale.as_ref().map(|scale| scale.mm_per_px);
        let shown = |px: Option<f64>| match (px, mm_per_px, settings.unit) {
            (None, ..) => "-".to_owned(),
            (Some(px), None, _) => format!("{px:.1} px"),
            (Some(px), Some(mm), LengthUnit::Mm) => format!("{:.2} mm", px * mm),
            (Some(px), Some(mm), LengthUnit::In) => format!("{:.3} in", px * mm / MM_PER_INCH),
        };
        let counted = reading.is_counted();
        let unless = |there: bool, text: String| if there { text } else { "-".to_owned() };
        SummaryRow {
            cells: [
                printable(photo),
                if counted {
                    format!("{}{}", if age.complete { "" } else { "≥ " }, age.rings)
                } else {
                    "none".to_owned()
                },
                unless(
                    counted,
                    format!("{}-{} at {} %", age.low, age.high, percent(age.level)),
                ),
                unless(counted, doubtful(reading).to_string()),
                match (mean_diameter_px(reading).zip(mm_per_px), settings.unit) {
                    // A log is measured by an inch rule, a ring is not.
                    (Some((px, mm)), LengthUnit::In) => inch_text(px * mm),
                    _ => shown(mean_diameter_px(reading)),
                },
                shown(mean_ring_px(reading)),
                note_codes(reading),
            ],
        }
    }

    /// The line of a photo that was not read.
    pub fn refused(photo: &str, reason: &str) -> Self {
        let mut cells: [String; 7] = std::array::from_fn(|_| "-".to_owned());
        cells[0] = printable(photo);
        cells[1] = "not read".to_owned();
        cells[6] = printable(reason);
        SummaryRow { cells }
    }
}

/// The table for standard output: a header, a line a photo, columns aligned, a newline at the end.
/// Control signs in paths are left out, so that no path can drive a terminal.
pub fn summary(rows: &[SummaryRow]) -> String {
    let head: [String; 7] = [
        "photo",
        "rings",
        "band",
        "doubtful",
        "mean diameter",
        "mean ring",
        "notes",
    ]
    .map(str::to_owned);
    let lines = || std::iter::once(&head).chain(rows.iter().map(|row| &row.cells));
    let wide: Vec<usize> = (0..head.len())
        .map(|i| {
            lines()
                .map(|cells| cells[i].chars().count())
                .max()
                .unwrap_or(0)
        })
        .collect();
    let mut table = String::new();
    for cells in lines() {
        let mut line = String::new();
        for (i, (cell, wide)) in cells.iter().zip(&wide).enumerate() {
            // Words to the left, numbers to the right.
            let is_number = (1..=5).contains(&i);
            let _ = if is_number {
                write!(line, "{cell:>wide$}  ")
            } else {
                write!(line, "{cell:<wide$}  ")
            };
        }
        table.push_str(line.trim_end());
        table.push('\n');
    }
    table
}

/// Mean width of the rings in the list, px, from the equivalent radii.
fn mean_ring_px(reading: &Reading) -> Option<f64> {
    if reading.rings.is_empty() {
        return None;
    }
    // Where the centre is lost, the first ring known has no width of its own.
    let skip = usize::from(reading.rings.first()?.number > 1);
    let widths: Vec<f64> = reading
        .rings
        .iter()
        .skip(skip)
        .map(|ring| ring.mean_width_px)
        .collect();
    (!widths.is_empty()).then(|| widths.iter().sum::<f64>() / widths.len() as f64)
}

/// How many rings are drawn as doubtful.
fn doubtful(reading: &Reading) -> usize {
    reading
        .rings
        .iter()
        .filter(|ring| ring.confidence < crate::draw::SURE_FROM)
        .count()
}

fn note_codes(reading: &Reading) -> String {
    let codes: Vec<&str> = reading
        .notes
        .iter()
        .map(|note| note_code(note.code))
        .collect();
    codes.join(" ")
}

/// A note's name as the reading has it.
pub(crate) fn note_code(code: NoteCode) -> &'static str {
    match code {
        NoteCode::NoEndGrain => "no-end-grain",
        NoteCode::RingsUnclear => "rings-unclear",
        NoteCode::PithInferred => "pith-inferred",
        NoteCode::PithOutside => "pith-outside",
        NoteCode::CentreMissing => "centre-missing",
        NoteCode::EdgeOutside => "edge-outside",
        NoteCode::EdgeUnclear => "edge-unclear",
        NoteCode::RingsTooTight => "rings-too-tight",
        NoteCode::DoubtfulRings => "doubtful-rings",
        NoteCode::WedgingRings => "wedging-rings",
        NoteCode::RingEndUnclear => "ring-end-unclear",
        NoteCode::SeveralEnds => "several-ends",
        NoteCode::Tilted => "tilted",
        NoteCode::ScaleContradicts => "scale-contradicts",
        NoteCode::ScaleNotFound => "scale-not-found",
    }
}

fn pith_state(state: PithState) -> &'static str {
    match state {
        PithState::Seen => "seen",
        PithState::Inferred => "inferred",
        PithState::Outside => "outside",
    }
}

fn outline_state(state: OutlineState) -> &'static str {
    match state {
        OutlineState::Bark => "bark",
        OutlineState::Wood => "wood",
        OutlineState::Frame => "frame",
        OutlineState::Unclear => "unclear",
    }
}

/// Percent without needless decimals: 90, 97.5.
fn percent(share: f64) -> String {
    let tenths = (share * 1000.0).round() / 10.0;
    format!("{tenths}")
}

fn whole(value: Option<impl ToString>) -> String {
    value.map_or(String::new(), |v| v.to_string())
}

/// Fixed decimals; what is unknown or not finite is empty, and there is no minus zero.
fn fixed(value: Option<f64>, decimals: usize) -> String {
    match value {
        Some(v) if v.is_finite() => {
            let text = format!("{v:.decimals$}");
            match text.strip_prefix('-') {
                Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.to_owned(),
                _ => text,
            }
        }
        _ => String::new(),
    }
}

/// Names of azimuths for columns: three digits before the dot and as few after it as tell them
/// apart, at least one.
fn azimuth_names(azimuths_deg: &[f64]) -> Vec<String> {
    let mut names = Vec::new();
    for decimals in 1..=9 {
        let wide = 4 + decimals;
        names = azimuths_deg
            .iter()
            .map(|azimuth| format!("{azimuth:0wide$.decimals$}"))
            .collect();
        // The azimuths rise, so equal names are neighbours.
        if names.windows(2).all(|pair| pair[0] != pair[1]) {
            break;
        }
    }
    names
}

/// A text without control signs.
fn printable(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .collect()
}
