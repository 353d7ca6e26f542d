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

mod slopes;

mod solve;

use crate::plane::{Plane, RowBorder, blur_line, line_at};
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

/// Cells along the radius in the rounds at a fixed scale.
const FIXED_CELLS: usize = 600;

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

/// Zones along the radius that may each take a step of their own. With 6, 10 and 12 the figures of the
/// development discs were alike.
const ZONES: usize = 8;

/// Shares of the way out from which rings have the shape of the wood's edge, in the first guesses. The
/// first alone: F1 of the development renders 0.935 in place of 0.940.
const FULL_SHAPE_FROM: [f32; 3] = [0.9, 0.6, 0.3];

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
    let (straight, _) = rounds(polar, start(polar), false);
    straight
}

/// Straightens a coarsely unwrapped disc, where its rings look wide and lie level after the first
/// rounds. None where not. Whether it shows all rings is for [`shows_all`] to say.
pub fn level_clear(polar: &Polar) -> Option<Straight> {
    let start = start(polar);
    if narrow_ring(polar, &start) < HOPEFUL_RING {
        return None;
    }
    let (straight, is_level) = rounds(polar, start, true);
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
        for i in 0..n {
            let r = line_at(levels, (i * sparse.step_px) as f32 / step_px as f32);
            if r >= first as f32 && r < end as f32 {
                tone[i] += line_at(row, r / sparse.step_px as f32);
                seen[i] += 1.0;
            }
        }
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

/// Goes through the rounds from a first guess on, to their end or as far as only a clear face needs
/// them; and whether the rings lie level.
fn rounds(polar: &Polar, start: Plane, is_clear: bool) -> (Straight, bool) {
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
    for (i, round) in FIXED.iter().chain(&MEASURED).chain(&CLOSE).enumerate() {
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

/// Cells of one width: the levels at which they begin, and the end.
fn even_cells(reach: usize) -> Vec<f32> {
    let step = reach.div_ceil(FIXED_CELLS).max(1) as f32;
    let mut cells = vec![0.0];
    while cells[cells.len() - 1] + step <= reach as f32 {
        cells.push(cells[cells.len() - 1] + step);
    }
    cells
}

/// Cells of a share of the local ring width.
fn measured_cells(width: &[f32], cells_a_ring: f32) -> Vec<f32> {
    let reach = width.len() as f32;
    let smooth = blur_line(width, 10.0);
    let mut cells = vec![0.0f32];
    loop {
        let last = cells[cells.len() - 1];
        let next = last + (line_at(&smooth, last) / cells_a_ring).max(0.5);
        if next > reach {
            return cells;
        }
        cells.push(next);
    }
}

/// First guess: rings have the shape of the wood's edge, the inner ones less so. From where on they have
/// all of it is tried: an off-centre disc may have grown so from its first years on.
fn start(polar: &Polar) -> Plane {
    let cells = even_cells(polar.grey.width);
    let guesses = FULL_SHAPE_FROM.map(|share| {
        let radius = shaped_like_edge(polar, share);
        (agreement(&sample(polar, &radius, &cells)), radius)
    });
    let [first, others @ ..] = guesses;
    let best = others.into_iter().fold(
        first,
        |best, guess| if guess.0 > best.0 { guess } else { best },
    );
    best.1
}

/// Rings that take on the shape of the wood's edge evenly, up to a share of the way out.
fn shaped_like_edge(polar: &Polar, full_from: f32) -> Plane {
    let reach = polar.grey.width;
    let edge: Vec<f32> = (0..LEVEL_RAYS)
        .map(|ray| polar.edge[ray * RAYS / LEVEL_RAYS])
        .collect();
    let smooth = Plane {
        width: 1,
        height: LEVEL_RAYS,
        data: edge,
    }
    .blurred(0.0, 4.0, RowBorder::Wrap)
    .data;
    let longest = smooth.iter().copied().fold(1.0f32, f32::max);
    let mean = smooth.iter().sum::<f32>() / LEVEL_RAYS as f32;
    let mut radius = Plane::filled(reach, LEVEL_RAYS, 0.0);
    for ray in 0..LEVEL_RAYS {
        let ratio = smooth[ray] / mean;
        let row = radius.row_mut(ray);
        for (i, r) in row.iter_mut().enumerate() {
            // Levels are spaced so that the last one lies at the farthest edge's mean.
            let rho = (i * polar.step_px) as f32 * mean / longest;
            let share = (i as f32 / reach as f32 / full_from).min(1.0);
            *r = rho * (1.0 + (ratio - 1.0) * share);
        }
    }
    rising(&mut radius);
    radius
}

/// Makes every row strictly increasing.
fn rising(radius: &mut Plane) {
    for ray in 0..radius.height {
        let row = radius.row_mut(ray);
        row[0] = 0.0;
        for i in 1..row.len() {
            row[i] = row[i].max(row[i - 1] + 0.05);
        }
    }
}

/// The mean normalised luminance of every cell on every ray, with its mask.
fn sample(polar: &Polar, radius: &Plane, cells: &[f32]) -> (Plane, Plane) {
    widest(
        #[inline(always)]
        || sample_plain(polar, radius, cells),
    )
}

#[inline(always)]
fn sample_plain(polar: &Polar, radius: &Plane, cells: &[f32]) -> (Plane, Plane) {
    let n = cells.len() - 1;
    let mut picture = Plane::filled(n, LEVEL_RAYS, 0.0);
    let mut mask = picture.clone();
    // Levels looked at: about one a level, at least one a cell; as whole level and part.
    let last = radius.width - 2;
    let samples_a_px = 1.0 / polar.step_px as f32;
    let mut taps: Vec<(usize, usize, f32)> = Vec::new();
    let mut counts = vec![0.0f32; n];
    for i in 0..n {
        let (a, b) = (cells[i], cells[i + 1]);
        let count = (b - a).round().max(1.0);
        let mut k = 0.5;
        while k < count {
            let level = a + (b - a) * k / count;
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "levels from 0 up"
            )]
            let whole = (level.floor() as usize).min(last);
            taps.push((i, whole, level - whole as f32));
            counts[i] += 2.0;
            k += 1.0;
        }
    }
    for ray in 0..LEVEL_RAYS {
        // The half-degree ray lies half way to the next degree's levels.
        let (levels, next) = (radius.row(ray), radius.row((ray + 1) % LEVEL_RAYS));
        for side in 0..2 {
            let source = 2 * ray + side;
            let (first, end) = polar.visible[source];
            let (first, end) = (first as f32, end as f32);
            let row = polar.grey.row(source);
            let (means, marks) = (picture.row_mut(ray), mask.row_mut(ray));
            for &(i, whole, part) in &taps {
                let mut r = levels[whole] + part * (levels[whole + 1] - levels[whole]);
                if side == 1 {
                    r = 0.5 * (r + next[whole] + part * (next[whole + 1] - next[whole]));
                }
                if r >= first && r < end {
                    let place = r * samples_a_px;
                    #[allow(
                        clippy::cast_possible_truncation,
                        clippy::cast_sign_loss,
                        reason = "inside the ray by the test above"
                    )]
                    let at = place as usize;
                    let here = row[at];
                    let next = row[(at + 1).min(row.len() - 1)];
                    means[i] += here + (place - at as f32) * (next - here);
                    marks[i] += 1.0;
                }
            }
        }
        for i in 0..n {
            let at = ray * n + i;
            let whole = mask.data[at] >= counts[i];
            picture.data[at] = if whole {
                picture.data[at] / counts[i]
            } else {
                0.0
            };
            mask.data[at] = f32::from(u8::from(whole));
        }
    }
    (picture, mask)
}

/// Share of the picture's power that rays have in common, over the whole turn and over sixths of it
/// in equal parts: the whole turn alone is deaf to what gets better in one sector of a rough face.
fn agreement(view: &(Plane, Plane)) -> f32 {
    shared_by(view, 1, |_| 0)[0]
}

/// The same in every zone along the radius.
fn by_zone(view: &(Plane, Plane), cells: &[f32]) -> Vec<f32> {
    let n = cells.len() - 1;
    let zone = |cell: usize| {
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of the zones"
        )]
        let zone = (cells[cell] / cells[n] * ZONES as f32) as usize;
        zone.min(ZONES - 1)
    };
    shared_by(view, ZONES, zone)
}

/// What rays have in common in groups of cells.
fn shared_by(
    (picture, mask): &(Plane, Plane),
    groups: usize,
    group: impl Fn(usize) -> usize,
) -> Vec<f32> {
    let picture = picture.blurred(1.0, 0.0, RowBorder::Wrap);
    let of_rays = |rays: std::ops::Range<usize>| {
        let mut sums = vec![(0.0f64, 1e-6f64); groups];
        let shares = common_power(&picture, mask, rays);
        for (before, (common, power)) in shares.into_iter().enumerate() {
            let sum = &mut sums[group(before + 1)];
            *sum = (sum.0 + common, sum.1 + power);
        }
        sums
    };
    #[allow(clippy::cast_possible_truncation, reason = "a share")]
    let share = |(common, power): (f64, f64)| (common / power) as f32;
    let mut out: Vec<f32> = of_rays(0..picture.height)
        .into_iter()
        .map(|sum| 0.5 * share(sum))
        .collect();
    let sector = picture.height / SECTORS;
    for k in 0..SECTORS {
        for (out, sum) in out.iter_mut().zip(of_rays(k * sector..(k + 1) * sector)) {
            *out += 0.5 * share(sum) / SECTORS as f32;
        }
    }
    out
}

/// Sectors of the agreement.
const SECTORS: usize = 6;

/// Power of the radial changes that these rays have in common, and their mean power, in each cell but
/// the first and the last.
fn common_power(picture: &Plane, mask: &Plane, rays: std::ops::Range<usize>) -> Vec<(f64, f64)> {
    widest(
        #[inline(always)]
        || common_power_plain(picture, mask, rays),
    )
}

#[inline(always)]
fn common_power_plain(
    picture: &Plane,
    mask: &Plane,
    rays: std::ops::Range<usize>,
) -> Vec<(f64, f64)> {
    let n = picture.width;
    let inner = n.saturating_sub(2);
    let [mut sums, mut squares, mut counts] = [(); 3].map(|()| vec![0.0f32; inner]);
    for ray in rays.clone() {
        let (row, seen) = (picture.row(ray), mask.row(ray));
        let all = seen
            .iter()
            .zip(seen.iter().skip(1))
            .zip(seen.iter().skip(2));
        let steps = row.iter().zip(row.iter().skip(2)).zip(all);
        let totals = sums.iter_mut().zip(&mut squares).zip(&mut counts);
        for (((sum, square), count), ((before, after), ((a, b), c))) in totals.zip(steps) {
            // The mask is 0 or 1.
            let share = a * b * c;
            let v = (after - before) * share;
            *sum += v;
            *square += v * v;
            *count += share;
        }
    }
    sums.into_iter()
        .zip(squares)
        .zip(counts)
        .map(|((sum, square), count)| {
            if count * 12.0 > rays.len() as f32 {
                // Less what unrelated rays share by chance.
                let common = (sum / count).powi(2) - square / count / count;
                (f64::from(common), f64::from(square / count))
            } else {
                (0.0, 0.0)
            }
        })
        .collect()
}

/// The straightened disc averaged over arcs, `[ARCS, levels]`.
#[derive(Debug, Clone)]
pub(crate) struct Arcs {
    /// Mean normalised luminance.
    pub(crate) tone: Plane,
    /// Roughness along the arc: deviation between neighbouring rays. Pores make it, bands don't.
    pub(crate) roughness: Plane,
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
    let (mut tone, mut roughness, mut seen) = (empty.clone(), empty.clone(), empty);
    let mut last = vec![f32::NAN; n];
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
    }
    for i in 0..tone.data.len() {
        let count = seen.data[i];
        tone.data[i] /= count.max(1.0);
        roughness.data[i] = (roughness.data[i] / (count - 1.0).max(1.0)).sqrt();
        seen.data[i] = count / rays_an_arc as f32;
    }
    Arcs {
        tone,
        roughness,
        seen,
    }
}

/// Puts the increment under the displacement so far: level rho now lies where rho + increment lay.
fn composed(old: &Plane, increment: &Plane) -> Plane {
    widest(
        #[inline(always)]
        || composed_plain(old, increment),
    )
}

#[inline(always)]
fn composed_plain(old: &Plane, increment: &Plane) -> Plane {
    let (reach, n) = (old.width, increment.width);
    let scale = reach as f32 / n as f32;
    let mut line = vec![0.0f32; n];
    let mut radius = Plane::filled(reach, old.height, 0.0);
    // Each level's knot, as whole knot and part, and how much it may move: alike on all rays.
    let knots: Vec<(usize, f32, f32)> = (0..reach)
        .map(|i| {
            let knot = ((i as f32 + 0.5) / scale - 0.5).clamp(0.0, (n - 1) as f32);
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "clamped to the knots"
            )]
            let whole = knot as usize;
            (whole, knot - whole as f32, (i as f32 / 6.0).min(1.0))
        })
        .collect();
    for ray in 0..LEVEL_RAYS {
        // Knot rays stand in the middle of their block of rays.
        let block = (LEVEL_RAYS / KNOT_RAYS) as f32;
        let place = (ray as f32 + 0.5) / block - 0.5;
        let whole = place.floor();
        let part = place - whole;
        #[allow(clippy::cast_possible_truncation, reason = "a small whole number")]
        let first = (whole as isize)
            .rem_euclid(KNOT_RAYS.cast_signed())
            .unsigned_abs();
        let (a, b) = (increment.row(first), increment.row((first + 1) % KNOT_RAYS));
        for (value, (p, q)) in line.iter_mut().zip(a.iter().zip(b)) {
            *value = p * (1.0 - part) + q * part;
        }
        let source = old.row(ray);
        let target = radius.row_mut(ray);
        for (i, (r, &(whole, part, ramp))) in target.iter_mut().zip(&knots).enumerate() {
            let (here, next) = (line[whole], line[(whole + 1).min(n - 1)]);
            let shift = (here + part * (next - here)) * scale * ramp;
            let at = i as f32 + shift;
            *r = line_at(source, at);
            let last = (reach - 1) as f32;
            if at > last {
                // Beyond the last level the spacing of the last ones goes on.
                *r += (at - last) * (source[reach - 1] - source[reach - 2]);
            }
        }
    }
    rising(&mut radius);
    radius
}
