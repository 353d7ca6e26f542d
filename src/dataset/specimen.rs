//! A specimen: one disc, its reading seen along the radii asked for.
//!
//! A width along a radius is the difference of two neighbouring boundaries on its azimuth, in mm by the
//! scale along it (a face may be seen aslant), and 0 where the ring is absent there; the width
//! from areas is the difference of equivalent radii, which no mean of a few radii replaces
//! (`crate::ring_area`). The mean of a disc is that of the widths known on its radii; a ring absent on
//! a radius counts there as 0.

use super::felled;
use super::sheet::Row;
use crate::reading::{OutlineState, Reading};
use crate::ring_area::equivalent_radius_px;
use crate::series::Series;
use crate::tables::width_at_px;

/// A radius of a disc.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Radius {
    /// Name: `az022.5`.
    pub(super) name: String,
    pub(super) azimuth_deg: f64,
}

impl Radius {
    fn at(azimuth_deg: f64) -> Self {
        let tenths = (azimuth_deg * 10.0).round();
        let is_whole = (azimuth_deg - azimuth_deg.round()).abs() < 1e-9;
        let is_tenth = (azimuth_deg * 10.0 - tenths).abs() < 1e-9;
        let name = match (is_whole, is_tenth) {
            (true, _) => format!("az{azimuth_deg:03.0}"),
            (_, true) => format!("az{azimuth_deg:05.1}"),
            _ => format!("az{azimuth_deg:08.4}"),
        };
        Radius { name, azimuth_deg }
    }
}

/// A width in px and, where there is a scale, mm.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Width {
    pub(super) px: Option<f64>,
    pub(super) mm: Option<f64>,
    pub(super) is_by_hand: bool,
}

impl Width {
    fn of(px: Option<f64>, mm_per_px: Option<f64>) -> Self {
        Width {
            px,
            mm: px.zip(mm_per_px).map(|(px, mm)| px * mm),
            is_by_hand: false,
        }
    }

    fn absent(mm_per_px: Option<f64>) -> Self {
        Width {
            is_by_hand: true,
            ..Width::of(Some(0.0), mm_per_px)
        }
    }

    fn joined(self, next: Width) -> Self {
        Width {
            px: self.px.zip(next.px).map(|(a, b)| a + b),
            mm: self.mm.zip(next.mm).map(|(a, b)| a + b),
            is_by_hand: true,
        }
    }
}

/// One ring of a specimen.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct RingOf {
    pub(super) number: u32,
    pub(super) year: Option<i32>,
    /// Number in the reading; none for a ring that a person added.
    pub(super) reading_ring: Option<u32>,
    pub(super) confidence: Option<f64>,
    pub(super) from_areas: Width,
    /// On each radius.
    pub(super) widths: Vec<Width>,
}

/// One disc.
#[derive(Debug, Clone)]
pub(super) struct Specimen {
    pub(super) name: String,
    pub(super) tree: String,
    pub(super) reading: Reading,
    pub(super) reading_sha256: String,
    pub(super) row: Row,
    pub(super) radii: Vec<Radius>,
    pub(super) rings: Vec<RingOf>,
    pub(super) mm_per_px: Option<f64>,
    /// `sheet`, or the reading's own word; empty without a scale.
    pub(super) scale_from: String,
    pub(super) last_year: Option<i32>,
    /// `sheet` or `reading`; empty without years.
    pub(super) years_from: &'static str,
    /// How many corrections were applied.
    pub(super) corrections: usize,
    /// What a person should know of it.
    pub(super) remarks: Vec<String>,
}

impl Specimen {
    /// Sees a reading along its radii. `radii` evenly spaced ones where its row asks for none.
    pub(super) fn new(
        name: String,
        tree: String,
        reading: Reading,
        reading_sha256: String,
        row: Row,
        radii: usize,
    ) -> Self {
        let azimuths: Vec<f64> = if row.azimuths_deg.is_empty() {
            (0..radii)
                .map(|i| i as f64 * 360.0 / radii as f64)
                .collect()
        } else {
            row.azimuths_deg.clone()
        };
        let mut remarks = Vec::new();
        let (mm_per_px, scale_from) = scale(&reading, &row, &mut remarks);
        let (last_year, years_from) = last_year(&reading, &row, &mut remarks);
        let mut specimen = Specimen {
            radii: azimuths.into_iter().map(Radius::at).collect(),
            rings: Vec::new(),
            name,
            tree,
            reading_sha256,
            row,
            mm_per_px,
            scale_from,
            last_year,
            years_from,
            corrections: 0,
            remarks,
            reading,
        };
        specimen.rings = specimen.rings_read();
        specimen.number();
        specimen
    }

    fn rings_read(&self) -> Vec<RingOf> {
        let reading = &self.reading;
        let along = |i: usize, radius: &Radius| {
            let width_px = width_at_px(reading, i, radius.azimuth_deg);
            Width::of(width_px, self.mm_per_px_at(radius.azimuth_deg))
        };
        let ring = |(i, ring): (usize, &crate::reading::Ring)| RingOf {
            number: ring.number,
            year: None,
            reading_ring: Some(ring.number),
            confidence: Some(ring.confidence),
            from_areas: Width::of(Some(ring.mean_width_px), self.mm_per_px),
            widths: self.radii.iter().map(|radius| along(i, radius)).collect(),
        };
        reading.rings.iter().enumerate().map(ring).collect()
    }

    /// Millimetres a pixel along an azimuth: the scale, whoever told it, with the tilt of the face as the
    /// reading has it.
    pub(super) fn mm_per_px_at(&self, azimuth_deg: f64) -> Option<f64> {
        let tilt = self.reading.scale.as_ref().and_then(|scale| scale.tilt);
        let stretch = tilt.map_or(1.0, |tilt| tilt.stretch(azimuth_deg));
        self.mm_per_px.map(|mm_per_px| mm_per_px * stretch)
    }

    /// Numbers the rings from the first one's number on and gives them their years.
    pub(super) fn number(&mut self) {
        let first = self.reading.rings.first().map_or(1, |ring| ring.number);
        let count = self.rings.len();
        for ((number, ring), back) in (first..).zip(&mut self.rings).zip((0..count).rev()) {
            ring.number = number;
            let back = i32::try_from(back).unwrap_or(i32::MAX);
            ring.year = self.last_year.map(|last| last.saturating_sub(back));
        }
    }

    /// Makes ring `at` one with the next outward; there is one.
    pub(super) fn join_with_next(&mut self, at: usize) {
        let gone = self.rings.remove(at);
        if let Some(next) = self.rings.get_mut(at) {
            next.from_areas = gone.from_areas.joined(next.from_areas);
            for (width, inner) in next.widths.iter_mut().zip(gone.widths) {
                *width = inner.joined(*width);
            }
        }
    }

    /// Adds a ring without wood outside ring `at`.
    pub(super) fn insert_absent_after(&mut self, at: usize) {
        let absent = Width::absent(self.mm_per_px);
        let ring = RingOf {
            number: 0,
            year: None,
            reading_ring: None,
            confidence: None,
            from_areas: absent,
            widths: vec![absent; self.radii.len()],
        };
        self.rings.insert(at + 1, ring);
    }

    /// Whether the rings have calendar years.
    pub(super) fn is_dated(&self) -> bool {
        self.last_year.is_some()
    }

    /// Year of the first ring, or its number where the rings aren't dated.
    fn first_year(&self) -> i32 {
        self.rings.first().map_or(1, |ring| {
            ring.year
                .unwrap_or_else(|| i32::try_from(ring.number).unwrap_or(i32::MAX))
        })
    }

    /// Widths along radius `radius`, mm, by year or, undated, by ring number.
    pub(super) fn along(&self, radius: usize) -> Series {
        let width = |ring: &RingOf| ring.widths.get(radius).and_then(|w| w.mm);
        self.series(format!("{}/{}", self.name, self.radii[radius].name), width)
    }

    /// Mean widths of the radii, mm.
    pub(super) fn mean_of_radii(&self) -> Series {
        self.series(self.name.clone(), |ring| {
            mean(ring.widths.iter().filter_map(|w| w.mm)).0
        })
    }

    fn series(&self, name: String, width_mm: impl Fn(&RingOf) -> Option<f64>) -> Series {
        Series {
            name,
            first_year: self.first_year(),
            widths_mm: self.rings.iter().map(width_mm).collect(),
        }
    }
}

/// Mean and number of values.
pub(super) fn mean(values: impl Iterator<Item = f64>) -> (Option<f64>, u32) {
    let (sum, count) = values.fold((0.0, 0_u32), |(sum, count), v| (sum + v, count + 1));
    ((count > 0).then(|| sum / f64::from(count)), count)
}

/// The scale: the sheet's where it has one, else the reading's.
fn scale(reading: &Reading, row: &Row, remarks: &mut Vec<String>) -> (Option<f64>, String) {
    if let Some(mm_per_px) = row.mm_per_px {
        return (Some(mm_per_px), "sheet".into());
    }
    if let Some(diameter_mm) = row.diameter_mm {
        let radius_px = equivalent_radius_px(&reading.outline.radius_px).filter(|r| *r > 0.0);
        if let Some(radius_px) = radius_px {
            return (Some(diameter_mm / (2.0 * radius_px)), "sheet".into());
        }
        remarks.push("the diameter in the sheet gives no scale: too little of the wood's edge is in the photo".into());
    }
    match &reading.scale {
        Some(scale) => (Some(scale.mm_per_px), scale.source.clone()),
        None => (None, String::new()),
    }
}

/// The year of the outermost ring: the sheet's where it has one, else the reading's. A year can be
/// given only where the outermost ring is in the photo, and none where the sheet's day of felling lies
/// before the year that the reading has: which of the two is wrong can't be told from here.
fn last_year(
    reading: &Reading,
    row: &Row,
    remarks: &mut Vec<String>,
) -> (Option<i32>, &'static str) {
    let read = reading.rings.last().and_then(|ring| ring.year);
    let felled_year = felled::parse(row.cell("felled")).map(|day| day.year);
    let edge_whole = matches!(
        reading.outline.state,
        OutlineState::Bark | OutlineState::Wood
    );
    match (row.last_ring, read) {
        (Some(_), _) if !edge_whole => {
            remarks.push("not dated: the sheet has the year of the outermost ring, but the wood's edge is not in the photo".into());
            (None, "")
        }
        (Some(year), read) => {
            if let Some(read) = read.filter(|read| *read != year) {
                remarks.push(format!("the outermost ring is {year} in the sheet and {read} in the reading; the sheet's is taken"));
            }
            (Some(year), "sheet")
        }
        (None, Some(year)) if felled_year.is_some_and(|felled| year > felled) => {
            let felled = row.cell("felled");
            let first = reading.rings.first().and_then(|ring| ring.year);
            let before = match first.zip(felled_year) {
                Some((first, felled)) if felled < first => " before its first ring",
                _ => "",
            };
            remarks.push(format!(
                "not dated: felled {felled} in the sheet{before}, but the rings of the reading are those of {} to {year}; set the sheet right, or count again with the right year",
                first.unwrap_or(year)
            ));
            (None, "")
        }
        (None, Some(year)) => (Some(year), "reading"),
        (None, None) => (None, ""),
    }
}
