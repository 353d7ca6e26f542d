//! The record of one disc.

use super::change::{self, Change};
use super::departures::{self, Spell};
use super::shape::{self, Shape};
use super::zones::{self, Decade, Zone};
use super::{MM_PER_INCH, Rules};
use crate::draw::SURE_FROM;
use crate::reading::Reading;
use crate::ring_area;
use crate::settings::LengthUnit;
use serde::Serialize;
use std::f64::consts::PI;

/// The schema's name.
pub const SCHEMA: &str = "endgrain.growth/1";

/// What the rings of one disc say of the tree's years.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GrowthRecord {
    /// Always [`SCHEMA`].
    pub schema: &'static str,
    /// File name of the photo.
    pub photo: String,
    /// SHA-256 of the photo, hexadecimal.
    pub sha256: String,
    /// Millimetres a pixel, where known.
    pub mm_per_px: Option<f64>,
    /// Whether centre and edge are in the photo; sizes and ages are else those of the part seen.
    pub complete: bool,
    /// The rings from the pith outward.
    pub rings: Vec<GrowthRing>,
    /// Size at each mark, and at the last ring.
    pub sizes: Vec<SizeAt>,
    /// Age at even diameters: of the rules' unit where the scale is known, else of shares of the last radius.
    pub ages: Vec<AgeAt>,
    /// Means by calendar decade, or by ten rings where years aren't known.
    pub decades: Vec<Decade>,
    /// Means of the inner, middle and outer third of the radius.
    pub zones: Vec<Zone>,
    /// Numbers of the widest rings, the widest first; at most five.
    pub widest: Vec<u32>,
    /// Numbers of the narrowest rings, the narrowest first; at most five.
    pub narrowest: Vec<u32>,
    /// Runs of rings on one side of the local trend.
    pub spells: Vec<Spell>,
    /// Spells that chance makes in such a series, on average: the same departures in random order.
    pub spells_by_chance: Option<f64>,
    /// Releases and suppressions.
    pub changes: Vec<Change>,
    /// Shape of the face; none where too much of the edge is unknown.
    pub shape: Option<Shape>,
}

/// One ring of the record.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GrowthRing {
    /// Number from the pith: the age at the cut when it was complete.
    pub number: u32,
    /// Calendar year.
    pub year: Option<i32>,
    /// Chance that it is a year's ring, 0 to 1.
    pub confidence: f64,
    /// Width, px; unknown for the first ring after a lost centre.
    pub width_px: Option<f64>,
    /// Width, mm.
    pub width_mm: Option<f64>,
    /// Radius of its outer edge, px.
    pub radius_px: f64,
    /// Radius of its outer edge, mm.
    pub radius_mm: Option<f64>,
    /// Radius of its outer edge over that of the last ring.
    pub radius_share: f64,
    /// Basal area increment, px².
    pub area_px2: Option<f64>,
    /// Basal area increment, mm².
    pub area_mm2: Option<f64>,
    /// Local trend of the width, px.
    pub trend_px: Option<f64>,
    /// Width over its local trend.
    pub index: Option<f64>,
    /// Change of growth in percent: mean of the years after it against those up to and with it.
    pub change_percent: Option<f64>,
    /// Cropper's value over 5 rings with it in the middle: (width - mean) / sd, sd with n - 1.
    pub cropper_5: Option<f64>,
}

impl GrowthRing {
    /// Whether the overlay draws it as sure.
    pub fn is_sure(&self) -> bool {
        self.confidence >= SURE_FROM
    }

    /// Rings of its width to the inch.
    pub fn rings_per_inch(&self) -> Option<f64> {
        self.width_mm.filter(|w| *w > 0.0).map(|w| MM_PER_INCH / w)
    }
}

/// The size at an age.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SizeAt {
    /// Age at the cut: the ring's number.
    pub age: u32,
    /// Calendar year.
    pub year: Option<i32>,
    /// Diameter inside bark, px.
    pub diameter_px: f64,
    /// Diameter inside bark, mm.
    pub diameter_mm: Option<f64>,
    /// Radius over that of the last ring.
    pub radius_share: f64,
}

/// The age at a diameter.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AgeAt {
    /// Diameter inside bark, px.
    pub diameter_px: f64,
    /// Diameter inside bark, mm.
    pub diameter_mm: Option<f64>,
    /// Radius over that of the last ring.
    pub radius_share: f64,
    /// The ring in which it was reached.
    pub ring: u32,
    /// The year in which it was reached.
    pub year: Option<i32>,
}

impl GrowthRecord {
    /// The ring of a number.
    pub fn ring(&self, number: u32) -> Option<&GrowthRing> {
        self.rings.iter().find(|ring| ring.number == number)
    }

    /// Radius before the first ring of the record, px: zero at the pith, none after a lost centre.
    pub fn inner_radius_px(&self) -> Option<f64> {
        let first = self.rings.first()?;
        first.width_px.map(|width| first.radius_px - width)
    }

    /// Rings from the pith to a radius, px, within a ring in proportion to its width; `None` where
    /// the radius lies inside a lost centre or beyond the last ring.
    pub fn rings_at(&self, radius_px: f64) -> Option<f64> {
        let (mut inner, mut number) = match self.inner_radius_px() {
            Some(inner) => (inner, self.rings.first()?.number - 1),
            None => (self.rings.first()?.radius_px, self.rings.first()?.number),
        };
        if radius_px < inner {
            return None;
        }
        for ring in &self.rings {
            if radius_px <= ring.radius_px {
                let width = ring.radius_px - inner;
                let part = if width > 0.0 {
                    (radius_px - inner) / width
                } else {
                    0.0
                };
                return Some(f64::from(number) + part);
            }
            (inner, number) = (ring.radius_px, ring.number);
        }
        None
    }
}

/// The record of a reading. A reading without rings has an empty one.
pub fn record(reading: &Reading, rules: &Rules) -> GrowthRecord {
    let mm_per_px = reading.scale.as_ref().map(|scale| scale.mm_per_px);
    let mut rings = rings(reading, mm_per_px);
    let widths: Vec<f64> = rings.iter().filter_map(|ring| ring.width_px).collect();
    // Only the first ring can lack a width.
    let skip = rings.len() - widths.len();
    let trend = departures::local_trend(&widths);
    let change = change::growth_change_percent(&widths, rules.change_years);
    for (at, ring) in rings.iter_mut().skip(skip).enumerate() {
        ring.trend_px = Some(trend[at]);
        ring.index = (trend[at] > 0.0).then(|| widths[at] / trend[at]);
        ring.change_percent = change[at];
        ring.cropper_5 = super::pointer::cropper(&widths, at, 5);
    }
    let numbered = &rings[skip..];
    let index: Vec<Option<f64>> = numbered.iter().map(|ring| ring.index).collect();
    let spells = departures::spells(&index, rules)
        .into_iter()
        .map(|run| Spell::of(&run, numbered))
        .collect();
    let changes = change::changes(&change, rules)
        .into_iter()
        .map(|peak| Change::of(&peak, numbered))
        .collect();
    let mut by_width: Vec<&GrowthRing> = numbered.iter().collect();
    by_width.sort_by(|a, b| {
        let width = |ring: &GrowthRing| ring.width_px.unwrap_or(0.0);
        width(b).total_cmp(&width(a)).then(a.number.cmp(&b.number))
    });
    // Not more than a quarter of the rings is called widest or narrowest.
    let few = (numbered.len() / 4).min(5);
    let widest = by_width.iter().take(few).map(|r| r.number).collect();
    let narrowest = by_width.iter().rev().take(few).map(|r| r.number).collect();
    let spells_by_chance = departures::spells_by_chance(&index, rules);
    let mut record = GrowthRecord {
        schema: SCHEMA,
        photo: reading.photo.file.clone(),
        sha256: reading.photo.sha256.clone(),
        mm_per_px,
        complete: reading.age.complete,
        sizes: sizes(&rings, rules),
        decades: zones::decades(&rings),
        rings,
        ages: Vec::new(),
        zones: Vec::new(),
        widest,
        narrowest,
        spells,
        spells_by_chance,
        changes,
        shape: shape::of(reading),
    };
    record.ages = ages(&record, rules.unit);
    record.zones = zones::thirds(&record);
    record
}

fn rings(reading: &Reading, mm_per_px: Option<f64>) -> Vec<GrowthRing> {
    let mut radius_px = 0.0;
    let mut radius_mm = mm_per_px.map(|_| 0.0);
    let mut rings: Vec<GrowthRing> = Vec::with_capacity(reading.rings.len());
    for (at, ring) in reading.rings.iter().enumerate() {
        let is_after_lost_centre = at == 0 && ring.number > 1;
        let width_px = (!is_after_lost_centre).then_some(ring.mean_width_px);
        let width_mm = width_px.and_then(|px| ring.mean_width_mm.or(mm_per_px.map(|mm| px * mm)));
        let (inner_px, inner_mm) = (radius_px, radius_mm);
        match width_px {
            Some(px) => {
                radius_px += px;
                radius_mm = radius_mm
                    .zip(width_mm)
                    .map(|(radius, width)| radius + width);
            }
            None => {
                radius_px = ring_area::mean_width_px(None, &ring.radius_px).unwrap_or(0.0);
                radius_mm = mm_per_px.map(|mm| radius_px * mm);
            }
        }
        let area = |inner: f64, outer: f64| PI * (outer * outer - inner * inner);
        rings.push(GrowthRing {
            number: ring.number,
            year: ring.year,
            confidence: ring.confidence,
            width_px,
            width_mm,
            radius_px,
            radius_mm,
            radius_share: 0.0,
            area_px2: width_px.map(|_| area(inner_px, radius_px)),
            area_mm2: width_px
                .and(inner_mm.zip(radius_mm))
                .map(|(inner, outer)| area(inner, outer)),
            trend_px: None,
            index: None,
            change_percent: None,
            cropper_5: None,
        });
    }
    if radius_px > 0.0 {
        for ring in &mut rings {
            ring.radius_share = ring.radius_px / radius_px;
        }
    }
    rings
}

fn sizes(rings: &[GrowthRing], rules: &Rules) -> Vec<SizeAt> {
    let last = rings.last().map(|ring| ring.number);
    rings
        .iter()
        .filter(|ring| ring.number % rules.mark_every == 0 || Some(ring.number) == last)
        .map(|ring| SizeAt {
            age: ring.number,
            year: ring.year,
            diameter_px: 2.0 * ring.radius_px,
            diameter_mm: ring.radius_mm.map(|radius| 2.0 * radius),
            radius_share: ring.radius_share,
        })
        .collect()
}

/// Steps of diameter that a person would take, mm.
const STEPS_MM: [f64; 7] = [10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0];
/// The same in inches, mm.
const STEPS_IN_MM: [f64; 7] = [
    0.5 * MM_PER_INCH,
    MM_PER_INCH,
    2.0 * MM_PER_INCH,
    4.0 * MM_PER_INCH,
    10.0 * MM_PER_INCH,
    20.0 * MM_PER_INCH,
    50.0 * MM_PER_INCH,
];
/// Most rows of the table of ages.
const MOST_STEPS: f64 = 10.0;

fn ages(record: &GrowthRecord, unit: LengthUnit) -> Vec<AgeAt> {
    let Some(last) = record.rings.last() else {
        return Vec::new();
    };
    let widest_px = 2.0 * last.radius_px;
    let step_px = match last.radius_mm {
        Some(radius_mm) if last.radius_px > 0.0 => {
            let fits = |step: &&f64| 2.0 * radius_mm / **step <= MOST_STEPS;
            let steps = match unit {
                LengthUnit::Mm => &STEPS_MM,
                LengthUnit::In => &STEPS_IN_MM,
            };
            let step_mm = steps.iter().find(fits).unwrap_or(&steps[6]);
            step_mm * last.radius_px / radius_mm
        }
        _ => widest_px / 10.0,
    };
    if !(step_px > 0.0 && step_px.is_finite()) {
        return Vec::new();
    }
    let mm = |px: f64| {
        let radius_mm = last.radius_mm?;
        Some(px * radius_mm / last.radius_px)
    };
    (1..=100)
        .map(|step| f64::from(step) * step_px)
        // The last ring may fall short of the last step by the rounding of a sum.
        .take_while(|diameter_px| *diameter_px <= widest_px * (1.0 + 1e-9))
        .filter_map(|diameter_px| {
            let radius_px = (diameter_px / 2.0).min(last.radius_px);
            // Inside a lost centre there is no age to tell.
            record.rings_at(radius_px)?;
            let ring = record
                .rings
                .iter()
                .find(|ring| ring.radius_px >= radius_px)?;
            Some(AgeAt {
                diameter_px,
                diameter_mm: mm(diameter_px),
                radius_share: diameter_px / widest_px,
                ring: ring.number,
                year: ring.year,
            })
        })
        .collect()
}
