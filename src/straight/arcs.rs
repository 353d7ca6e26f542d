//! The straightened disc averaged over arcs.

use super::{ARCS, LEVEL_RAYS};
use crate::plane::{Plane, line_at};
use crate::polar::{Polar, RAYS};
use crate::vectors::widest;

/// The straightened disc averaged over arcs, `[ARCS, levels]`.
#[derive(Debug, Clone)]
pub(crate) struct Arcs {
    /// Mean normalised luminance.
    pub(crate) tone: Plane,
    /// Roughness along the arc: deviation between neighbouring rays. Pores make it, bands don't.
    pub(crate) roughness: Plane,
    /// Steepness across the rings: root mean square of the change a px outward. Edges of bands make it,
    /// and pores as much of it as of roughness.
    pub(crate) steepness: Plane,
    /// Share of the arc that is wood in the photo.
    pub(crate) seen: Plane,
}

/// Averages the disc over arcs at every level.
pub(crate) fn arcs(polar: &Polar, radius: &Plane) -> Arcs {
    widest(
        #[inline(always)]
        || arcs_plain(polar, radius),
    )
}

#[inline(always)]
fn arcs_plain(polar: &Polar, radius: &Plane) -> Arcs {
    let n = radius.width;
    let rays_an_arc = RAYS / ARCS;
    let empty = Plane::filled(n, ARCS, 0.0);
    let (mut tone, mut roughness) = (empty.clone(), empty.clone());
    let (mut steepness, mut seen) = (empty.clone(), empty);
    let mut last = vec![f32::NAN; n];
    let mut places = vec![0.0; n];
    let samples_a_px = 1.0 / polar.step_px as f32;
    for ray in 0..RAYS {
        let (first, end) = polar.visible[ray];
        let (place, odd) = (ray * LEVEL_RAYS / RAYS, ray % 2 == 1);
        let (here, next) = (radius.row(place), radius.row((place + 1) % LEVEL_RAYS));
        let row = polar.grey.row(ray);
        let arc = ray / rays_an_arc;
        if ray % rays_an_arc == 0 {
            last.fill(f32::NAN);
        }
        for i in 0..n {
            let r = if odd {
                0.5 * (here[i] + next[i])
            } else {
                here[i]
            };
            places[i] = r;
            if r >= first as f32 && r < end as f32 {
                let value = line_at(row, r * samples_a_px);
                tone.data[arc * n + i] += value;
                seen.data[arc * n + i] += 1.0;
                if last[i].is_finite() {
                    roughness.data[arc * n + i] += (value - last[i]).powi(2);
                }
                last[i] = value;
            }
        }
        for i in 1..n.saturating_sub(1) {
            if places[i - 1] >= first as f32 && places[i + 1] < end as f32 {
                let steep = (last[i + 1] - last[i - 1]) / (places[i + 1] - places[i - 1]);
                steepness.data[arc * n + i] += steep * steep;
            }
        }
    }
    for i in 0..tone.data.len() {
        let count = seen.data[i];
        tone.data[i] /= count.max(1.0);
        roughness.data[i] = (roughness.data[i] / (count - 1.0).max(1.0)).sqrt();
        steepness.data[i] = (steepness.data[i] / count.max(1.0)).sqrt();
        seen.data[i] = count / rays_an_arc as f32;
    }
    Arcs {
        tone,
        roughness,
        steepness,
        seen,
    }
}
