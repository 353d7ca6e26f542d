//! How far the normals about a place point at it: the path round its sectors that gathers most.

use super::normals::Normals;
use super::{End, STEP};
use crate::face::Face;
use crate::settings::Region;
use crate::vectors::{whole, widest};
use std::f32::consts::TAU;

/// Sectors about a place, 15 degrees each.
const SECTORS: usize = 24;

/// How many steps the path may go in or out from one sector to the next.
const MOST_JUMP: usize = 3;

/// Share of the weight of a sector's normals that must point at the place for the sector to go on:
/// normals of any direction give 0.07, rings 0.5 to 0.95 (28 development renders, five photos).
const POINTING: f32 = 0.35;

/// What a step outward costs, share of the mean weight that steps have where there are normals at all:
/// on ground without any grain (paper, snow) nothing else would end a sector.
const TOLL: f32 = 0.05;

/// The same over a whole sector for it to count as wood of this end.
const POINTING_SECTOR: f32 = 0.5;

/// An end that leaves the photo on more than this share of its sectors is not complete.
const MOST_FRAMED: f32 = 0.15;

/// Room that a region has beyond the distance reached, as a share of it: ground for the wood's edge to be
/// told from. The distance is some twenty samples beyond the edge already, for the edge itself points at the pith.
const ROOM: f32 = 0.08;

/// How far the normals about a place point at it.
#[derive(Debug, Clone)]
pub(super) struct Reach {
    /// The place, face samples.
    place: (f32, f32),
    /// Distance reached in each sector, face samples.
    radii: Vec<f32>,
    /// Weight of the normals that point at the place beyond what other places get.
    pub(super) merit: f32,
    /// Share of the sectors that point at it.
    pub(super) sectors: f32,
    /// Share of the sectors that reach the photo's border.
    framed: f32,
}

impl Reach {
    /// Median radius, face samples.
    pub(super) fn radius(&self) -> f32 {
        let mut sorted = self.radii.clone();
        sorted.sort_by(f32::total_cmp);
        sorted[sorted.len() / 2]
    }

    pub(super) fn holds(&self, (x, y): (f32, f32), times: f32, more: f32) -> bool {
        let (dx, dy) = (x - self.place.0, y - self.place.1);
        dx.hypot(dy) < self.radii[sector_of(dx, dy) as usize] * times + more
    }

    /// The edge in the middle of a sector.
    fn point(&self, sector: usize, times: f32, more: f32) -> (f32, f32) {
        let (sin, cos) = ((sector as f32 + 0.5) / SECTORS as f32 * TAU).sin_cos();
        let r = self.radii[sector] * times + more;
        (self.place.0 + r * cos, self.place.1 + r * sin)
    }

    pub(super) fn end(&self, face: &Face) -> End {
        let [mut left, mut top, mut right, mut bottom] = [f32::MAX, f32::MAX, f32::MIN, f32::MIN];
        for sector in 0..SECTORS {
            let (x, y) = self.point(sector, 1.0 + ROOM, STEP);
            (left, right) = (left.min(x), right.max(x));
            (top, bottom) = (top.min(y), bottom.max(y));
        }
        let [first_x, first_y, last_x, last_y] = face.bounds;
        let px = |sample: f32| {
            let px = (f64::from(sample) * face.step_px as f64).round().max(0.0);
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a place in the photo, not below 0"
            )]
            let px = px as u32;
            px
        };
        let (x0, x1) = (px(left.max(first_x)), px(right.min(last_x)));
        let (y0, y1) = (px(top.max(first_y)), px(bottom.min(last_y)));
        End {
            region: Region {
                x_px: x0,
                y_px: y0,
                width_px: x1.saturating_sub(x0).max(1),
                height_px: y1.saturating_sub(y0).max(1),
            },
            radius_px: f64::from(self.radius()) * face.step_px as f64,
            is_complete: self.framed <= MOST_FRAMED,
        }
    }
}

impl Normals {
    /// How far the normals about a place point at it, sector by sector.
    pub(super) fn reach(&self, place: (f32, f32), face: &Face) -> Reach {
        widest(
            #[inline(always)]
            || self.reach_plain(place, face),
        )
    }

    #[inline(always)]
    fn reach_plain(&self, place: (f32, f32), face: &Face) -> Reach {
        let [left, top, right, bottom] = face.bounds;
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a length in steps"
        )]
        let steps = (0.75 * (right - left).max(bottom - top) / STEP)
            .ceil()
            .max(4.0) as usize;
        let last = u32::try_from(steps).unwrap_or(u32::MAX) - 1;
        // Gain and weight of each step of each sector, then summed outward.
        let mut gain = vec![[0.0f32; 2]; SECTORS * steps];
        // Where each normal counts and what it gives is worked out for some together, eight at a time.
        let [mut xs, mut ys, mut nxs, mut nys, mut weights, mut open] = [[0.0f32; AT_ONCE]; 6];
        let mut places = [0u32; AT_ONCE];
        for normals in self.0.chunks(AT_ONCE) {
            for (i, normal) in normals.iter().enumerate() {
                (xs[i], ys[i]) = (normal.x, normal.y);
                (nxs[i], nys[i], weights[i]) = (normal.nx, normal.ny, normal.weight);
                open[i] = if normal.is_claimed { 0.0 } else { 1.0 };
            }
            let [mut pointing, mut free] = [[0.0f32; AT_ONCE]; 2];
            for i in 0..AT_ONCE {
                let (dx, dy) = (xs[i] - place.0, ys[i] - place.1);
                #[allow(
                    clippy::imprecise_flops,
                    reason = "`hypot` is a call, and lengths across a face neither overflow nor vanish"
                )]
                let r = (dx * dx + dy * dy).sqrt().max(1e-3);
                let miss = (dx * nys[i] - dy * nxs[i]) / r / 0.15;
                let bell = 1.0 / (1.0 + miss * miss).powi(2);
                pointing[i] = weights[i] * (open[i] * bell - POINTING);
                free[i] = open[i] * weights[i];
                let step = whole(r / STEP).1.min(last);
                places[i] = sector_of(dx, dy) * (last + 1) + step;
            }
            for i in 0..normals.len() {
                let sum = &mut gain[places[i] as usize];
                sum[0] += pointing[i];
                sum[1] += free[i];
            }
        }
        let occupied = gain.iter().filter(|sum| sum[1] > 0.0).count().max(1);
        let toll = TOLL * gain.iter().map(|sum| sum[1]).sum::<f32>() / occupied as f32;
        for sector in gain.chunks_exact_mut(steps) {
            sector.iter_mut().for_each(|sum| sum[0] -= toll);
            for i in 1..steps {
                let before = sector[i - 1];
                sector[i][0] += before[0];
                sector[i][1] += before[1];
            }
        }
        let path = closed_path(&gain, steps);
        let mut reach = Reach {
            place,
            radii: path.iter().map(|step| *step as f32 * STEP).collect(),
            merit: 0.0,
            sectors: 0.0,
            framed: 0.0,
        };
        let typical = reach.radius();
        for (sector, &step) in path.iter().enumerate() {
            let [sum, weight] = gain[sector * steps + step];
            // What the normals say, without the toll.
            let pointing = sum + toll * (step + 1) as f32;
            reach.merit += sum;
            let share = if weight > 0.0 {
                pointing / weight + POINTING
            } else {
                0.0
            };
            if share > POINTING_SECTOR && reach.radii[sector] > 0.4 * typical {
                reach.sectors += 1.0 / SECTORS as f32;
            }
            let (x, y) = reach.point(sector, 1.0, STEP);
            if x < left || y < top || x > right - 1.0 || y > bottom - 1.0 {
                reach.framed += 1.0 / SECTORS as f32;
            }
        }
        reach
    }
}

/// Normals that are worked out together.
const AT_ONCE: usize = 64;

/// Tangents of 15, 30, 45, 60 and 75 degrees: the sectors' borders within a quarter turn.
const BORDERS: [f32; 5] = [0.267_949_2, 0.577_350_26, 1.0, 1.732_050_8, 3.732_051];

/// Sector of a direction; each begins with its border.
#[inline(always)]
fn sector_of(dx: f32, dy: f32) -> u32 {
    let (across, down) = (dx.abs(), dy.abs());
    // Borders that a direction has reached, and those that it has passed: the quarters are gone
    // through to and fro.
    let reached: u32 = BORDERS.iter().map(|t| u32::from(down >= t * across)).sum();
    let passed: u32 = BORDERS.iter().map(|t| u32::from(down > t * across)).sum();
    // Choices without a branch: directions come in no order.
    let last_half = if dx < 0.0 { 12 + reached } else { 23 - passed };
    let upward = if (dx < 0.0) | (dy < 0.0) {
        last_half
    } else {
        0
    };
    let first_half = if dx > 0.0 { reached } else { 11 - passed };
    let is_first = ((dx > 0.0) & (dy >= 0.0)) | ((dx <= 0.0) & (dy > 0.0));
    if is_first { first_half } else { upward }
}

/// The path round the sectors with the greatest sum: twice round from an open start, of which the
/// middle turn has forgotten both ends.
#[inline(always)]
fn closed_path(gain: &[[f32; 2]], steps: usize) -> Vec<usize> {
    let value = |turn: usize, step: usize| gain[turn % SECTORS * steps + step][0];
    let mut best: Vec<f32> = (0..steps).map(|step| value(0, step)).collect();
    let mut from: Vec<Vec<usize>> = Vec::with_capacity(2 * SECTORS);
    let mut padded = vec![f32::MIN; steps + 2 * MOST_JUMP];
    for turn in 1..2 * SECTORS {
        let (mut next, mut back) = (vec![f32::MIN; steps], vec![0; steps]);
        // From the innermost that is near outward; of equals the first.
        padded[MOST_JUMP..MOST_JUMP + steps].copy_from_slice(&best);
        for offset in 0..=2 * MOST_JUMP {
            let near = next.iter_mut().zip(&mut back).zip(&padded[offset..]);
            for (step, ((next, back), before)) in near.enumerate() {
                let is_better = before > next;
                *next = if is_better { *before } else { *next };
                let from = (step + offset).wrapping_sub(MOST_JUMP);
                *back = if is_better { from } else { *back };
            }
        }
        for (step, next) in next.iter_mut().enumerate() {
            *next += value(turn, step);
        }
        best = next;
        from.push(back);
    }
    let mut at = (0..steps)
        .max_by(|a, b| best[*a].total_cmp(&best[*b]).then(b.cmp(a)))
        .unwrap_or(0);
    let mut path = vec![0; SECTORS];
    for turn in (0..2 * SECTORS).rev() {
        if (SECTORS / 2..SECTORS / 2 + SECTORS).contains(&turn) {
            path[turn % SECTORS] = at;
        }
        if turn > 0 {
            at = from[turn - 1][at];
        }
    }
    path
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sectors_are_those_of_the_azimuth() {
        for y in -112i16..=112 {
            for x in -112i16..=112 {
                let (dx, dy) = (4.0 * f32::from(x), 4.0 * f32::from(y));
                let turn = (dy.atan2(dx) / TAU).rem_euclid(1.0);
                let expected = ((turn * SECTORS as f32).floor() as usize).min(SECTORS - 1);
                assert_eq!(sector_of(dx, dy) as usize, expected, "{dx} {dy}");
            }
        }
    }
}
