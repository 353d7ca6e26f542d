//! What the filter looks at: tone and roughness of the arcs on the measured-out scale.

use super::FINE;
use crate::evidence::{ARCS, Evidence, SAMPLES_A_RING, measure_out};
use crate::plane::{Plane, line_at};
use crate::polar::Polar;
use crate::straight::{Straight, arcs};

/// Arcs of the disc seen from near.
///
/// Holds: `tone` and `roughness` are `[ARCS, FINE * cells]`, `seen` is `[ARCS, cells]`; every value
/// finite.
#[derive(Debug, Clone)]
pub struct CloseUp {
    /// Luminance less its local mean, in deviations common to the arcs, -6 to 6, lined up.
    pub tone: Plane,
    /// Roughness along the arc, likewise.
    pub roughness: Plane,
    /// Share of the arc that is wood in the photo, 0 to 1, lined up.
    pub seen: Plane,
    /// Length of a cell, levels (about px), one a cell.
    pub cell_levels: Vec<f32>,
}

/// Half a window of the local mean and deviation, samples: three rings to either side.
const HALF_WINDOW: usize = 66;

/// Looks at the arcs from near.
pub fn look(polar: &Polar, straight: &Straight, evidence: &Evidence) -> CloseUp {
    let arcs = arcs(polar, &straight.radius);
    let cells = evidence.samples();
    #[allow(clippy::cast_precision_loss, reason = "counts of cells are small")]
    let fine_level: Vec<f32> = (0..FINE * cells)
        .map(|i| line_at(&evidence.level, i as f32 / FINE as f32 - 0.25))
        .collect();
    let fine_width: Vec<f32> = {
        // One width a level, as the evidence measured it.
        let mut width = vec![0.0; arcs.tone.width];
        let mut cell = 0;
        for (level, value) in width.iter_mut().enumerate() {
            while cell + 1 < cells && evidence.level[cell + 1] <= level as f32 {
                cell += 1;
            }
            *value = evidence.ring_width[cell] / FINE as f32;
        }
        width
    };
    let moved = |plane: &Plane| {
        let fine = measure_out(plane, &fine_level, &fine_width);
        let mut out = Plane::filled(FINE * cells, ARCS, 0.0);
        for arc in 0..ARCS {
            let row = fine.row(arc);
            for i in 0..FINE * cells {
                let shift = evidence.shift.at(i / FINE, arc);
                out.data[arc * FINE * cells + i] =
                    line_at(row, i as f32 + FINE as f32 * shift);
            }
        }
        out
    };
    let seen = evidence.seen.clone();
    let tone = in_deviations(&moved(&arcs.tone), &seen);
    let roughness = in_deviations(&moved(&arcs.roughness), &seen);
    let cell_levels = evidence
        .ring_width
        .iter()
        .map(|w| w / SAMPLES_A_RING)
        .collect();
    CloseUp {
        tone,
        roughness,
        seen,
        cell_levels,
    }
}

/// A plane less its local mean on each arc, over the local deviation of all arcs; 0 without wood.
fn in_deviations(plane: &Plane, seen: &Plane) -> Plane {
    let n = plane.width;
    let mut out = Plane::filled(n, plane.height, 0.0);
    let mut power = vec![0.0f64; n];
    let mut count = vec![0.0f64; n];
    let (mut sum, mut wood) = (vec![0.0f64; n + 1], vec![0.0f64; n + 1]);
    for arc in 0..plane.height {
        let row = plane.row(arc);
        let is_wood = |i: usize| seen.at(i / FINE, arc) > 0.5;
        for i in 0..n {
            let w = f64::from(u8::from(is_wood(i)));
            sum[i + 1] = sum[i] + w * f64::from(row[i]);
            wood[i + 1] = wood[i] + w;
        }
        for i in 0..n {
            if is_wood(i) {
                let (a, b) = (i.saturating_sub(HALF_WINDOW), (i + HALF_WINDOW + 1).min(n));
                let mean = (sum[b] - sum[a]) / (wood[b] - wood[a]).max(1.0);
                #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
                let off = (f64::from(row[i]) - mean) as f32;
                out.data[arc * n + i] = off;
                power[i] += f64::from(off * off);
                count[i] += 1.0;
            }
        }
    }
    for i in 0..n {
        sum[i + 1] = sum[i] + power[i];
        wood[i + 1] = wood[i] + count[i];
    }
    let typical: Vec<f32> = (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(HALF_WINDOW), (i + HALF_WINDOW + 1).min(n));
            #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
            let sd = ((sum[b] - sum[a]) / (wood[b] - wood[a]).max(1.0)).sqrt() as f32;
            sd + 0.02
        })
        .collect();
    for arc in 0..plane.height {
        for i in 0..n {
            let value = &mut out.data[arc * n + i];
            *value = (*value / typical[i]).clamp(-6.0, 6.0);
        }
    }
    out
}
