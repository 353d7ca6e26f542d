//! Means over stretches of the disc: decades of years, thirds of the radius.

use super::MM_PER_INCH;
use super::record::{GrowthRecord, GrowthRing};
use serde::Serialize;

/// Means over a calendar decade, or over ten rings.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Decade {
    /// First year of the decade (1950 for 1950 to 1959), where years are known.
    pub decade: Option<i32>,
    /// First ring of it that is in the record.
    pub first_ring: u32,
    /// Last ring of it that is in the record.
    pub last_ring: u32,
    /// Rings of it that have a width.
    pub rings: u32,
    /// Rings of it that are doubtful.
    pub doubtful: u32,
    /// Mean width, px.
    pub mean_width_px: Option<f64>,
    /// Mean width, mm.
    pub mean_width_mm: Option<f64>,
    /// Rings to the inch.
    pub rings_per_inch: Option<f64>,
    /// Mean basal area increment a year, mm².
    pub mean_area_mm2: Option<f64>,
    /// Diameter at its end, px.
    pub diameter_px: f64,
    /// Diameter at its end, mm.
    pub diameter_mm: Option<f64>,
}

/// Means over a zone of the radius. Rings cut by its limits count in proportion.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Zone {
    /// Where it begins, share of the last ring's radius.
    pub from_share: f64,
    /// Where it ends, share of the last ring's radius.
    pub to_share: f64,
    /// Rings in it.
    pub rings: f64,
    /// Mean width, px.
    pub mean_width_px: f64,
    /// Mean width, mm.
    pub mean_width_mm: Option<f64>,
    /// Rings to the inch.
    pub rings_per_inch: Option<f64>,
}

fn mean(values: impl Iterator<Item = Option<f64>>) -> Option<f64> {
    let known: Vec<f64> = values.flatten().collect();
    (!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64)
}

/// Decades of the rings, from the pith outward.
pub(super) fn decades(rings: &[GrowthRing]) -> Vec<Decade> {
    let decade_of = |ring: &GrowthRing| match ring.year {
        Some(year) => (true, year.div_euclid(10)),
        None => (
            false,
            i32::try_from(ring.number.saturating_sub(1) / 10).unwrap_or(i32::MAX),
        ),
    };
    rings
        .chunk_by(|a, b| decade_of(a) == decade_of(b))
        .filter_map(|rings| {
            let (first, last) = (rings.first()?, rings.last()?);
            let count = |counted: usize| u32::try_from(counted).unwrap_or(u32::MAX);
            let mean_width_mm = mean(rings.iter().map(|ring| ring.width_mm));
            let with_width = rings.iter().filter(|ring| ring.width_px.is_some());
            Some(Decade {
                decade: first.year.map(|year| year.div_euclid(10) * 10),
                first_ring: first.number,
                last_ring: last.number,
                rings: count(with_width.count()),
                doubtful: count(rings.iter().filter(|ring| !ring.is_sure()).count()),
                mean_width_px: mean(rings.iter().map(|ring| ring.width_px)),
                mean_width_mm,
                rings_per_inch: mean_width_mm
                    .filter(|mm| *mm > 0.0)
                    .map(|mm| MM_PER_INCH / mm),
                mean_area_mm2: mean(rings.iter().map(|ring| ring.area_mm2)),
                diameter_px: 2.0 * last.radius_px,
                diameter_mm: last.radius_mm.map(|radius| 2.0 * radius),
            })
        })
        .collect()
}

/// Inner, middle and outer third of the radius; those inside a lost centre begin at its rim, or are
/// left out.
pub(super) fn thirds(record: &GrowthRecord) -> Vec<Zone> {
    let (Some(first), Some(last)) = (record.rings.first(), record.rings.last()) else {
        return Vec::new();
    };
    let inner = record.inner_radius_px().unwrap_or(first.radius_px);
    let outer = last.radius_px;
    let mm_per_px = last.radius_mm.map(|mm| mm / outer);
    (0..3)
        .filter_map(|third| {
            let limit = |at: i32| outer * f64::from(at) / 3.0;
            let from = limit(third).max(inner);
            let to = if third == 2 { outer } else { limit(third + 1) };
            let rings = record.rings_at(to)? - record.rings_at(from)?;
            if rings <= 0.0 {
                return None;
            }
            let mean_width_px = (to - from) / rings;
            let mean_width_mm = mm_per_px.map(|mm| mean_width_px * mm);
            Some(Zone {
                from_share: from / outer,
                to_share: to / outer,
                rings,
                mean_width_px,
                mean_width_mm,
                rings_per_inch: mean_width_mm.map(|mm| MM_PER_INCH / mm),
            })
        })
        .collect()
}
