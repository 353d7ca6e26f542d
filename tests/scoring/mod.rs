//! Scores a reading against known boundaries, by the rule that DEVELOPERS.md states: on each azimuth
//! boundaries are matched one to one and in order; a match lies within the larger of 1.5 px and a
//! fifth of the narrower neighbouring true ring.
#![allow(
    dead_code,
    reason = "each test that includes this module uses a part of it"
)]

use endgrain::demo::Truth;
use endgrain::reading::Reading;

/// Boundaries matched, true and found, added up over azimuths.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Matched {
    /// Found boundaries that are true.
    pub(crate) hits: usize,
    /// True boundaries.
    pub(crate) truths: usize,
    /// Found boundaries.
    pub(crate) found: usize,
}

impl Matched {
    /// Harmonic mean of precision and recall, 0 to 1.
    pub(crate) fn f1(self) -> f64 {
        2.0 * self.hits as f64 / (self.truths + self.found).max(1) as f64
    }

    /// With another one added.
    #[must_use]
    pub(crate) fn and(self, other: Matched) -> Matched {
        Matched {
            hits: self.hits + other.hits,
            truths: self.truths + other.truths,
            found: self.found + other.found,
        }
    }
}

/// The reading's boundaries about another centre: one row a ring, 360 radii in px.
///
/// Azimuths seen from the other centre are no whole degrees; between two of them that are at most 6
/// degrees apart the radius is taken in a straight line.
pub(crate) fn about(reading: &Reading, centre_px: [f64; 2]) -> Vec<Vec<Option<f64>>> {
    let pith = &reading.pith;
    reading
        .rings
        .iter()
        .map(|ring| {
            let mut seen: Vec<(f64, f64)> = ring
                .radius_px
                .iter()
                .enumerate()
                .filter_map(|(degree, radius)| {
                    let (sin, cos) = (degree as f64).to_radians().sin_cos();
                    let x = pith.x_px + (*radius)? * cos - centre_px[0];
                    let y = pith.y_px + (*radius)? * sin - centre_px[1];
                    Some((y.atan2(x).to_degrees().rem_euclid(360.0), x.hypot(y)))
                })
                .collect();
            seen.sort_by(|a, b| a.0.total_cmp(&b.0));
            (0..360)
                .map(|degree| between(&seen, f64::from(degree)))
                .collect()
        })
        .collect()
}

/// The radius at an azimuth, from sorted (azimuth, radius) round the turn.
fn between(seen: &[(f64, f64)], azimuth: f64) -> Option<f64> {
    if seen.len() < 2 {
        return None;
    }
    let after = seen.partition_point(|s| s.0 < azimuth);
    let next = seen[after % seen.len()];
    let last = seen[(after + seen.len() - 1) % seen.len()];
    let gap = (next.0 - last.0).rem_euclid(360.0);
    if gap > 6.0 {
        return None;
    }
    let part = (azimuth - last.0).rem_euclid(360.0);
    Some(if gap > 0.0 {
        last.1 + (next.1 - last.1) * part / gap
    } else {
        next.1
    })
}

/// The most pairs, one to one and in order, in which a found radius lies within the true one's
/// tolerance.
pub(crate) fn matched(truths: &[f64], tolerances: &[f64], found: &[f64]) -> usize {
    let mut last = vec![0; found.len() + 1];
    for (truth, tolerance) in truths.iter().zip(tolerances) {
        let mut here = vec![0; found.len() + 1];
        for (j, radius) in found.iter().enumerate() {
            here[j + 1] = here[j].max(last[j + 1]);
            if (truth - radius).abs() <= *tolerance {
                here[j + 1] = here[j + 1].max(last[j] + 1);
            }
        }
        last = here;
    }
    last[found.len()]
}

/// Tolerance of each boundary, px, from the widths of the rings inside and outside it.
fn tolerances(widths: &[f64]) -> Vec<f64> {
    (0..widths.len())
        .map(|i| {
            let outer = widths[(i + 1).min(widths.len() - 1)];
            (0.2 * widths[i].min(outer)).max(1.5)
        })
        .collect()
}

fn widths(from: f64, radii: &[f64]) -> Vec<f64> {
    let inner = std::iter::once(from).chain(radii.iter().copied());
    inner.zip(radii).map(|(a, b)| b - a).collect()
}

fn in_frame(centre: [f64; 2], azimuth_deg: f64, radius: f64, size: (f64, f64)) -> bool {
    let (sin, cos) = azimuth_deg.to_radians().sin_cos();
    let (x, y) = (centre[0] + radius * cos, centre[1] + radius * sin);
    (0.0..size.0).contains(&x) && (0.0..size.1).contains(&y)
}

/// Scores a reading of a practice disc on 72 azimuths. What a hollow or a wide crack hides doesn't
/// count.
pub(crate) fn score(truth: &Truth, reading: &Reading) -> Matched {
    let pith = truth.pith.expect("a disc");
    let rings = about(reading, pith);
    let first = truth.visible_from_ring.max(1) - 1;
    let size = (f64::from(truth.width), f64::from(truth.height));
    let mut sum = Matched::default();
    for degree in (0..360).step_by(5) {
        let azimuth = degree as f64;
        let is_hidden = truth
            .hidden_sectors
            .iter()
            .any(|[a, b]| (azimuth - a).rem_euclid(360.0) <= (b - a).rem_euclid(360.0));
        let truths: Vec<f64> = truth
            .boundaries
            .iter()
            .skip(first)
            .filter_map(|row| row[degree])
            .collect();
        if is_hidden || truths.is_empty() {
            continue;
        }
        let from = match first.checked_sub(1).map(|i| truth.boundaries[i][degree]) {
            Some(Some(radius)) => radius + 1.0,
            _ => 0.0,
        };
        let mut found: Vec<f64> = rings
            .iter()
            .filter_map(|row| row[degree])
            .filter(|r| *r >= from && in_frame(pith, azimuth, *r, size))
            .collect();
        found.sort_by(f64::total_cmp);
        sum = sum.and(Matched {
            hits: matched(&truths, &tolerances(&widths(from, &truths)), &found),
            truths: truths.len(),
            found: found.len(),
        });
    }
    sum
}

/// One counted radius of a real photo.
#[derive(Debug, Clone, serde::Deserialize)]
pub(crate) struct CountedRadius {
    /// Direction from the pith.
    pub(crate) azimuth_deg: f64,
    /// Boundaries, px from the pith.
    pub(crate) boundaries_px: Vec<f64>,
    /// `bark` where the radius was counted to the wood's edge.
    pub(crate) reaches: String,
}

/// What was counted by hand in a real photo.
#[derive(Debug, Clone, serde::Deserialize)]
pub(crate) struct CountedPhoto {
    /// Place of the pith, px.
    pub(crate) pith: [f64; 2],
    /// Whether the pith is to be seen; where absent it is.
    pub(crate) pith_visible: Option<bool>,
    /// Width, px.
    pub(crate) width: u32,
    /// Height, px.
    pub(crate) height: u32,
    /// The radii.
    pub(crate) radii: Vec<CountedRadius>,
}

/// Scores a reading on hand-counted radii.
pub(crate) fn score_radii(truth: &CountedPhoto, reading: &Reading) -> Matched {
    let rings = about(reading, truth.pith);
    let is_visible = truth.pith_visible.unwrap_or(true);
    let size = (f64::from(truth.width), f64::from(truth.height));
    let mut sum = Matched::default();
    for radius in &truth.radii {
        let truths = &radius.boundaries_px;
        let azimuth = radius.azimuth_deg.rem_euclid(360.0);
        let from = if is_visible { 0.0 } else { truths[0] * 0.5 };
        let mut widths = widths(0.0, truths);
        if !is_visible && widths.len() > 1 {
            widths[0] = widths[1];
        }
        let last = widths[widths.len() - 1];
        let end = if radius.reaches == "bark" {
            f64::INFINITY
        } else {
            truths[truths.len() - 1] + last / 2.0
        };
        let mut found: Vec<f64> = rings
            .iter()
            .filter_map(|row| endgrain::reading::radius_at(row, azimuth))
            .filter(|r| (from..=end).contains(r) && in_frame(truth.pith, azimuth, *r, size))
            .collect();
        found.sort_by(f64::total_cmp);
        sum = sum.and(Matched {
            hits: matched(truths, &tolerances(&widths), &found),
            truths: truths.len(),
            found: found.len(),
        });
    }
    sum
}
