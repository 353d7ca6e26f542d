//! Radii out of readings.
//!
//! Each azimuth asked for gives one radius: the distances between neighbouring boundaries along it. A
//! boundary that isn't known there leaves the widths on both its sides unknown. Where two boundaries
//! lie within [`ABSENT_BELOW_PX`] of each other the ring between them is absent on that radius.

use super::Radius;
use crate::reading::Reading;
use crate::series::Series;
use crate::tables::width_at_px;

/// A ring narrower than this is absent on a radius: half a pixel can hold no ring that was seen.
pub const ABSENT_BELOW_PX: f64 = 0.5;

/// The radii of a reading at `count` even azimuths, from the right hand side clockwise; none where it
/// has no rings. In mm where its scale is known, in px otherwise; by years where its last ring is
/// dated, by ring numbers otherwise.
pub fn radii_of(reading: &Reading, specimen: &str, tree: &str, count: u16) -> Vec<Radius> {
    let Some(first) = reading.rings.first() else {
        return Vec::new();
    };
    let is_dated = first.year.is_some();
    let first_year = first
        .year
        .unwrap_or_else(|| i32::try_from(first.number).unwrap_or(i32::MAX));
    let mm_per_px = reading.scale.as_ref().map(|scale| scale.mm_per_px);
    (0..count)
        .map(|k| {
            let azimuth_deg = 360.0 * f64::from(k) / f64::from(count);
            let widths_mm = (0..reading.rings.len())
                .map(|ring| {
                    let width_px = width_at_px(reading, ring, azimuth_deg)?;
                    let seen_px = if width_px < ABSENT_BELOW_PX {
                        0.0
                    } else {
                        width_px
                    };
                    Some(seen_px * mm_per_px.unwrap_or(1.0))
                })
                .collect();
            let radius = azimuth_name(azimuth_deg);
            Radius {
                specimen: specimen.to_owned(),
                tree: tree.to_owned(),
                series: Series {
                    name: format!("{specimen}/{radius}"),
                    first_year,
                    widths_mm,
                },
                radius,
                is_dated,
                is_scaled: mm_per_px.is_some(),
            }
        })
        .collect()
}

/// An azimuth as a radius's name, in the order of the numbers: `022.5`, `090`.
fn azimuth_name(azimuth_deg: f64) -> String {
    let text = format!("{azimuth_deg:07.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn azimuths_are_named_so_that_they_sort() {
        let names = [0.0, 22.5, 90.0, 337.5, 360.0 / 7.0].map(azimuth_name);
        assert_eq!(names, ["000", "022.5", "090", "337.5", "051.429"]);
    }
}
