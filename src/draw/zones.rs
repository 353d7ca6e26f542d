//! Wood that the reading does not vouch for, hatched on the overlay.
//!
//! Zones follow from the reading alone, ray by ray: between two known boundaries with unknown ones
//! between them; from the pith to the first ring where the centre is missing; from the outermost
//! known boundary to the wood's edge where rings are left out; and, where a note says that rings are
//! too tight to be counted, the rings narrower than [`TIGHT_PX`].

use super::canvas::{Canvas, Pen};
use crate::notes::NoteCode;
use crate::reading::{AZIMUTHS, Reading};

/// Rings narrower than this can't be counted (note `rings-too-tight`), px.
const TIGHT_PX: f64 = 5.0;

/// Stretches of each ray, from and to a radius in px, that are not readable; one list a degree.
pub(crate) type Zones = Vec<Vec<(f64, f64)>>;

/// Finds the zones of a reading.
pub(crate) fn find(reading: &Reading) -> Zones {
    let too_tight = reading
        .notes
        .iter()
        .any(|note| note.code == NoteCode::RingsTooTight);
    (0..AZIMUTHS)
        .map(|azimuth| on_ray(reading, azimuth, too_tight))
        .collect()
}

fn on_ray(reading: &Reading, azimuth: usize, too_tight: bool) -> Vec<(f64, f64)> {
    let at = |radius_px: &[Option<f64>]| radius_px.get(azimuth).copied().flatten();
    let mut zones = Vec::new();
    // The pith stands for "ring 0": all numbers up to the first known ring are lost between.
    let mut before = (0, 0.0);
    for ring in &reading.rings {
        let Some(radius) = at(&ring.radius_px) else {
            continue;
        };
        let skipped = ring.number > before.0 + 1;
        let tight = too_tight && radius - before.1 < TIGHT_PX;
        if skipped || tight {
            zones.push((before.1, radius));
        }
        before = (ring.number, radius);
    }
    if let Some(edge) = at(&reading.outline.radius_px) {
        let last = reading.rings.last();
        let lost = last.is_none_or(|last| last.number > before.0);
        // The edge and the last boundary are found apart and may differ by a good part of a ring.
        let slack = last.map_or(0.0, |last| (1.6 * last.mean_width_px).max(6.0));
        if edge > before.1 && (lost || edge - before.1 > slack) {
            zones.push((before.1, edge));
        }
    }
    zones
}

/// Hatches the zones with slanted lines `spacing_px` apart.
pub(crate) fn hatch(
    canvas: &mut Canvas<'_>,
    (x0, y0): (f64, f64),
    zones: &Zones,
    spacing_px: f64,
    pen: &Pen,
) {
    let far = zones
        .iter()
        .flatten()
        .map(|(_, to)| *to)
        .fold(0.0, f64::max);
    if far <= 0.0 || spacing_px < 1.0 {
        return;
    }
    let (right, bottom) = (canvas.width() as f64 - 1.0, canvas.height() as f64 - 1.0);
    let (left, right) = ((x0 - far).max(0.0), (x0 + far).min(right));
    let (top, bottom) = ((y0 - far).max(0.0), (y0 + far).min(bottom));
    let inside = |x: f64, y: f64| {
        let (dx, dy) = (x - x0, y - y0);
        let radius = dx.hypot(dy);
        let azimuth = dy.atan2(dx).to_degrees().rem_euclid(360.0).round();
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "0 to 360, whole"
        )]
        let azimuth = azimuth as usize % AZIMUTHS;
        zones[azimuth]
            .iter()
            .any(|(from, to)| (*from..*to).contains(&radius))
    };
    // Lines of constant x + y, walked from the upper right to the lower left. Steps of two px
    // find every stretch that is worth a line.
    let mut sum = ((left + top) / spacing_px).ceil() * spacing_px;
    while sum <= right + bottom {
        let end = (sum - top).min(right);
        let mut x = (sum - bottom).max(left);
        let mut start: Option<f64> = None;
        while x <= end {
            match (start, inside(x, sum - x)) {
                (None, true) => start = Some(x),
                (Some(from), false) => {
                    canvas.segment((from, sum - from), (x, sum - x), pen);
                    start = None;
                }
                _ => {}
            }
            x += 2.0;
        }
        if let Some(from) = start {
            canvas.segment((from, sum - from), (end, sum - end), pen);
        }
        sum += spacing_px;
    }
}
