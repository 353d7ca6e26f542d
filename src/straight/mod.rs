//! The unwrapped disc straightened until its rings lie level.
//!
//! A ring is one closed curve; a reader who follows one radius is fooled by every pore, check and
//! saw mark on it. Looked for is a displacement u so that a ring lies at constant rho at r = rho +
//! u(rho, azimuth). The local slope of the rings comes from the products of the gradients, each
//! sample weighted down where its gradient points away from the radius (saw marks), where its
//! energy is an outlier (cracks) and where there is no wood. One weighted least-squares solve over
//! the whole disc gives the increment of u: gaps are bridged by what surrounds them. Following the
//! slopes ray by ray failed on rough sawn ends.
//!
//! The first rounds look at fixed scales; the later ones at the scale of the rings themselves
//! ([`ring_width`](crate::ring_width)), where rings stand out best from pores and saw marks.
//! What is asked to be smooth is the whole displacement, not each round's increment: else the noise
//! of the rounds adds up, and a rough face ended up less straight than it began. Slopes at the rings' own
//! scale are joined with those at half of it: where the short side of an off-centre disc has its rings,
//! or widths drop, the measured scale is too wide. Where a face isn't clear, zones along the radius take
//! steps of their own.

mod arcs;
mod displacement;
mod slopes;
mod solve;
mod view;

pub(crate) use arcs::{Arcs, arcs};
use displacement::{composed, start};
use view::{agreement, by_zone, even_cells, measured_cells, sample};

use crate::plane::{Plane, line_at};
use crate::polar::{Polar, RAYS, Sparse};
use crate::ring_width;
use crate::vectors::widest;
use std::iter;

/// The straightened disc.
///
/// Holds: `radius` is `[LEVEL_RAYS, levels]`, strictly increasing along every row, finite, in px
/// from the pith; level 0 lies at the pith.
#[derive(Debug, Clone)]
pub struct Straight {
    /// Distance from the pith of each level on each ray, px.
    pub radius: Plane,
    /// Share of the picture's power that the rays have in common at the scale of the rings, 0 to 1.
    pub agreement: f32,
}

/// Azimuths of the straightening, one every degree.
pub const LEVEL_RAYS: usize = 360;

/// Azimuths of the solve.
const KNOT_RAYS: usize = 90;

/// Knots of the solve along the radius.
const KNOT_LEVELS: usize = 128;

/// Arcs that the ring width is measured on.
const ARCS: usize = 72;

/// Cells a ring in the rounds at the rings' own scale.
const CELLS_A_RING: f32 = 8.0;

/// Cells a ring in the rounds at half that scale.
const CLOSE_CELLS_A_RING: f32 = 16.0;

/// One round of the straightening.
#[derive(Debug, Clone, Copy)]
struct Round {
    /// Window of the slope along the radius and across it (sd): cells, rays.
    window: (f32, f32),
    /// Blur of the luminance before the gradient (sd): cells, rays.
    blur: (f32, f32),
    /// Angle off the radius beyond which a gradient is no ring's, degrees.
    angle_deg: f32,
}

/// Rounds at a fixed scale, from coarse to fine.
const FIXED: [Round; 3] = [
    Round {
        window: (6.0, 5.0),
        blur: (2.2, 0.8),
        angle_deg: 30.0,
    },
    Round {
        window: (5.0, 4.0),
        blur: (1.6, 0.8),
        angle_deg: 35.0,
    },
    Round {
        window: (4.0, 3.0),
        blur: (1.2, 0.8),
        angle_deg: 40.0,
    },
];

/// Rounds at the rings' own scale.
const MEASURED: [Round; 4] = [
    Round {
        window: (12.0, 6.0),
        blur: (1.2, 1.5),
        angle_deg: 40.0,
    },
    Round {
        window: (10.0, 5.0),
        blur: (1.2, 1.5),
        angle_deg: 40.0,
    },
    Round {
        window: (8.0, 4.0),
        blur: (1.0, 1.2),
        angle_deg: 40.0,
    },
    Round {
        window: (6.0, 3.0),
        blur: (1.0, 1.0),
        angle_deg: 40.0,
    },
];

/// Rounds at half that scale: rings that turn narrow between one year and the next, and those on the
/// short side of an off-centre disc, are lost in the measured width.
const CLOSE: [Round; 2] = [MEASURED[0], MEASURED[1]];

/// Round in which the rings' own scale is measured for the last time before it is halved.
const LAST_MEASURED: usize = FIXED.len() + 2;

/// Stiffness of the displacement tried in a round, from supple to stiff.
const STIFFNESS: [f32; 4] = [1.0, 10.0, 100.0, 1000.0];

/// Agreement from which slopes at the rings' own scale do, and a gain is taken without trying stiffer
/// displacements or one for each zone: clean faces reach it after a round or two, rough ones never.
const CLEAR: f32 = 0.7;

/// Agreement at which the rings lie level to a tenth of their width.
const LEVEL_ENOUGH: f32 = 0.8;

/// Width of narrow rings, levels, from which a coarsely unwrapped disc is good for the reading: about
/// as many as the samples at which the evidence reads a ring. With 11 and with 9 the figures of twelve
/// discs of 12 megapixels were alike; one whose rings are 5.5 wide read at that lost most of them.
const WIDE_RING: f32 = 9.0;

/// The same before the rings lie level, when they look narrower: from here on a try is worth its time.
const HOPEFUL_RING: f32 = 8.0;

/// Gain in agreement below which a scale is done.
const LEAST_GAIN: f32 = 0.004;

/// Weight of the edge's slope on a knot, beside the at most 6 of a measured one.
const EDGE_WEIGHT: f32 = 1.0;

/// A round's outcome.
struct Step {
    agreed: f32,
    increment: Plane,
    radius: Plane,
    view: (Plane, Plane),
}

/// Straightens the disc.
pub fn level(polar: &Polar) -> Straight {
    let (straight, _) = rounds(polar, start(polar), 0, false);
    straight
}

/// Straightens the disc once more, at the rings' own scale, from where its arcs line up: those measured
/// out at `level` and shifted by `shift`, samples, `[arcs, samples]`.
pub fn level_again(polar: &Polar, straight: &Straight, level: &[f32], shift: &Plane) -> Straight {
    let radius = displacement::lined_up(&straight.radius, level, shift);
    let (straight, _) = rounds(polar, radius, LAST_MEASURED, false);
    straight
}

/// Straightens a coarsely unwrapped disc, where its rings look wide and lie level after the first
/// rounds. None where not. Whether it shows all rings is for [`shows_all`] to say.
pub fn level_clear(polar: &Polar) -> Option<Straight> {
    let start = start(polar);
    if narrow_ring(polar, &start) < HOPEFUL_RING {
        return None;
    }
    let (straight, is_level) = rounds(polar, start, 0, true);
    is_level.then_some(straight)
}

/// Whether a coarsely unwrapped disc, straightened, shows the rings as well as every pixel would:
/// on a tenth of the way out at most they are narrower than nine of its levels, at every
/// pixel of some rays. Waves of wide rings hide narrow ones with thin ends from a coarse look.
pub fn shows_all(sparse: &Sparse, straight: &Straight, step_px: usize) -> bool {
    let (n, rays) = (sparse.grey.width, sparse.grey.height);
    let (mut tone, mut seen) = (Plane::filled(n, ARCS, 0.0), Plane::filled(n, ARCS, 0.0));
    let mut counts = [0.0f32; ARCS];
    for ray in 0..rays {
        let arc = ray * ARCS / rays;
        counts[arc] += 1.0;
        let levels = straight.radius.row(ray * LEVEL_RAYS / rays);
        let (first, end) = sparse.visible[ray];
        let row = sparse.grey.row(ray);
        let (tone, seen) = (tone.row_mut(arc), seen.row_mut(arc));
        widest(
            #[inline(always)]
            || {
                for (i, (tone, seen)) in tone.iter_mut().zip(seen).enumerate() {
                    let r = line_at(levels, (i * sparse.step_px) as f32 / step_px as f32);
                    if r >= first as f32 && r < end as f32 {
                        *tone += line_at(row, r / sparse.step_px as f32);
                        *seen += 1.0;
                    }
                }
            },
        );
    }
    for arc in 0..ARCS {
        for (tone, seen) in tone.row_mut(arc).iter_mut().zip(seen.row_mut(arc)) {
            *tone /= seen.max(1.0);
            *seen /= counts[arc].max(1.0);
        }
    }
    let width = narrower(ring_width::measure(&tone, &seen));
    width * sparse.step_px as f32 >= WIDE_RING * step_px as f32
}

/// Width of the narrower rings, levels: on a tenth of the way out from the pith rings are narrower.
/// Where rings can't be told it is small.
fn narrow_ring(polar: &Polar, radius: &Plane) -> f32 {
    let arcs = arcs(polar, radius);
    narrower(ring_width::measure(&arcs.tone, &arcs.seen))
}

/// The width that one in ten is narrower than.
fn narrower(mut width: Vec<f32>) -> f32 {
    width.sort_by(f32::total_cmp);
    width[width.len() / 10]
}

/// Goes through the rounds from a first guess on, beginning with the round `first`, to their end or as far
/// as only a clear face needs them; and whether the rings lie level.
fn rounds(polar: &Polar, start: Plane, first: usize, is_clear: bool) -> (Straight, bool) {
    let reach = polar.grey.width;
    let mut radius = start;
    // Displacement so far on the solve's grid, in knots: what smoothness is asked of.
    let mut so_far = Plane::filled(KNOT_LEVELS, KNOT_RAYS, 0.0);
    let mut cells = even_cells(reach);
    let mut view = sample(polar, &radius, &cells);
    let mut agreed = agreement(&view);
    let mut stuck = false;
    // Ring width along the levels, once it is measured.
    let mut width: Vec<f32> = Vec::new();
    let all = FIXED.iter().chain(&MEASURED).chain(&CLOSE);
    for (i, round) in all.enumerate().skip(first) {
        // A clear face gains nothing from a second measure of its ring width.
        if i >= FIXED.len() + 2 && (is_clear || agreed > LEVEL_ENOUGH) {
            break;
        }
        let is_new_scale = i >= FIXED.len() && (i - FIXED.len()).is_multiple_of(2);
        if stuck && !is_new_scale {
            // What didn't help at this scale won't help at it again.
            continue;
        }
        let cells_a_ring = if i < FIXED.len() + MEASURED.len() {
            CELLS_A_RING
        } else {
            CLOSE_CELLS_A_RING
        };
        if is_new_scale {
            let arcs = arcs(polar, &radius);
            width = ring_width::measure(&arcs.tone, &arcs.seen);
            cells = measured_cells(&width, cells_a_ring);
            view = sample(polar, &radius, &cells);
            agreed = agreement(&view);
        }
        let mut slopes = slopes::measure(&view.0, &view.1, &cells, round);
        if !width.is_empty() && agreed <= CLEAR && !is_clear {
            let finer = measured_cells(&width, 2.0 * cells_a_ring);
            let view = sample(polar, &radius, &finer);
            slopes = join(slopes, slopes::measure(&view.0, &view.1, &finer, round));
        }
        hold_edge(polar, &radius, &mut slopes);
        let (from, now) = ((&radius, &so_far), (&view, agreed));
        let step = best_step(polar, from, &cells, now, &slopes, is_clear);
        // A step that makes the sectors agree less followed something other than rings.
        if step.agreed > agreed {
            stuck = step.agreed < agreed + LEAST_GAIN;
            so_far = so_far.with(&step.increment, |a, b| a + b);
            (radius, view, agreed) = (step.radius, step.view, step.agreed);
        } else {
            stuck = true;
        }
    }
    debug_assert!(radius.data.iter().all(|v| v.is_finite()));
    let straight = Straight {
        radius,
        agreement: agreed,
    };
    (straight, agreed > LEVEL_ENOUGH)
}

/// The step that makes the sectors agree most: of several stiffnesses one for the whole disc or, where
/// the disc may be unclear, one for each zone along the radius, run into each other. A step that helps
/// where rings are wide may hurt where they are narrow, and the other way round.
fn best_step(
    polar: &Polar,
    (radius, so_far): (&Plane, &Plane),
    cells: &[f32],
    (view, agreed): (&(Plane, Plane), f32),
    (slope, weight): &(Plane, Plane),
    is_clear: bool,
) -> Step {
    let step = |increment: Plane| {
        let moved = composed(radius, &increment);
        let view = sample(polar, &moved, cells);
        Step {
            agreed: agreement(&view),
            increment,
            radius: moved,
            view,
        }
    };
    let mut best = step(solve::increment(slope, weight, so_far, STIFFNESS[0]));
    // Rings that are clear lie level in the end whichever step that helped was taken.
    let enough = if is_clear { 0.0 } else { CLEAR };
    if best.agreed > agreed && best.agreed > enough {
        return best;
    }
    let mut stiffer = Vec::new();
    for stiffness in &STIFFNESS[1..] {
        stiffer.push(step(solve::increment(slope, weight, so_far, *stiffness)));
        let last = stiffer[stiffer.len() - 1].agreed;
        if is_clear && last > agreed {
            break;
        }
    }
    if !is_clear {
        let zoned = zone_by_zone(view, iter::once(&best).chain(&stiffer), cells);
        stiffer.insert(0, step(zoned));
    }
    for step in stiffer {
        if step.agreed > best.agreed {
            best = step;
        }
    }
    best
}

/// In each zone the displacement of the step that helps it most, none where none helps; run into each
/// other: in the middle of a zone its own, between two middles a mean.
fn zone_by_zone<'a>(
    view: &(Plane, Plane),
    steps: impl Iterator<Item = &'a Step>,
    cells: &[f32],
) -> Plane {
    let still = Plane::filled(KNOT_LEVELS, KNOT_RAYS, 0.0);
    let mut zones: Vec<(f32, &Plane)> = by_zone(view, cells)
        .into_iter()
        .map(|share| (share, &still))
        .collect();
    for step in steps {
        for (zone, share) in zones.iter_mut().zip(by_zone(&step.view, cells)) {
            if share > zone.0 {
                *zone = (share, &step.increment);
            }
        }
    }
    run_together(&zones)
}

/// One displacement of those of the zones.
fn run_together(zones: &[(f32, &Plane)]) -> Plane {
    let mut out = Plane::filled(KNOT_LEVELS, KNOT_RAYS, 0.0);
    let last = (zones.len() - 1) as f32;
    for knot in 0..KNOT_LEVELS {
        let place = (knot as f32 + 0.5) / KNOT_LEVELS as f32 * zones.len() as f32 - 0.5;
        let place = place.clamp(0.0, last);
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to the zones"
        )]
        let whole = place as usize;
        let part = place - whole as f32;
        let (here, next) = (zones[whole].1, zones[(whole + 1).min(zones.len() - 1)].1);
        for ray in 0..KNOT_RAYS {
            out.data[ray * KNOT_LEVELS + knot] =
                here.at(knot, ray) * (1.0 - part) + next.at(knot, ray) * part;
        }
    }
    out
}

/// Two measures of the slopes joined by their weights.
fn join(mut one: (Plane, Plane), other: (Plane, Plane)) -> (Plane, Plane) {
    let (slope, weight) = (&mut one.0.data, &mut one.1.data);
    for i in 0..slope.len() {
        let total = weight[i] + other.1.data[i];
        if total > 0.0 {
            slope[i] = (slope[i] * weight[i] + other.0.data[i] * other.1.data[i]) / total;
            weight[i] = total;
        }
    }
    one
}

/// The wood's edge is the outermost ring's boundary: where it is in the photo its own slope joins the
/// measured ones, on the knots next to it and beyond. Without it a displacement that follows the wide
/// rings of one side runs on past the edge of the other, where rings are tight.
fn hold_edge(polar: &Polar, radius: &Plane, (slope, weight): &mut (Plane, Plane)) {
    let levels_a_knot = radius.width as f32 / KNOT_LEVELS as f32;
    let block = LEVEL_RAYS / KNOT_RAYS;
    let level: Vec<Option<f32>> = (0..KNOT_RAYS)
        .map(|knot| {
            let ray = knot * block + block / 2;
            let source = ray * RAYS / LEVEL_RAYS;
            let row = radius.row(ray);
            let edge = polar.edge[source];
            let above = row.partition_point(|r| *r < edge);
            (polar.edge_seen[source] && above > 0 && above < row.len()).then(|| {
                let (a, b) = (row[above - 1], row[above]);
                (above - 1) as f32 + (edge - a) / (b - a)
            })
        })
        .collect();
    for knot in 0..KNOT_RAYS {
        let (Some(here), Some(next)) = (level[knot], level[(knot + 1) % KNOT_RAYS]) else {
            continue;
        };
        let rise = (next - here) / levels_a_knot;
        let place = here.min(next) / levels_a_knot - 1.5;
        for i in 0..KNOT_LEVELS {
            if i as f32 + 0.5 >= place {
                let at = knot * KNOT_LEVELS + i;
                let total = weight.data[at] + EDGE_WEIGHT;
                slope.data[at] = (slope.data[at] * weight.data[at] + rise * EDGE_WEIGHT) / total;
                weight.data[at] = total;
            }
        }
    }
}
