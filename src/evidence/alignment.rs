//! Lines every arc up with its neighbours.
//!
//! The straightening is smooth; what it leaves is a fraction of a ring on single arcs. Each arc is
//! matched elastically to the mean of its neighbours: the shift along the scale that correlates
//! best and changes little from sample to sample (dynamic programming), in three rounds with a
//! growing neighbourhood. Arcs next to empty sectors have no neighbours to be matched to and stay.

use super::deviation;
use crate::plane::{Plane, RowBorder, blur_line, line_at};
use crate::vectors::widest;

/// Shifts tried in one round, half samples to either side.
const TRIES: usize = 17;

/// Samples that a cost is averaged over, about.
const WINDOW: usize = 27;

/// Shift of every arc, samples, `[arc, sample]`.
pub(super) fn line_up(tone: &Plane, seen: &Plane) -> Plane {
    let (n, arcs) = (tone.width, tone.height);
    let mut normal = tone.clone();
    for arc in 0..arcs {
        let typical = deviation(tone.row(arc), 41, 0.2);
        for (value, d) in normal.row_mut(arc).iter_mut().zip(&typical) {
            *value /= d;
        }
    }
    let mut shift = Plane::filled(n, arcs, 0.0);
    for spread in [3.0f32, 6.0, 12.0] {
        let mut moved = Plane::filled(n, arcs, 0.0);
        let mut wood = Plane::filled(n, arcs, 0.0);
        for arc in 0..arcs {
            for s in 0..n {
                let at = s as f32 + shift.at(s, arc);
                let share = line_at(seen.row(arc), at);
                wood.data[arc * n + s] = share;
                moved.data[arc * n + s] = line_at(normal.row(arc), at) * share;
            }
        }
        let weight = wood.blurred(0.0, spread, RowBorder::Wrap);
        let mut mean = moved
            .blurred(0.0, spread, RowBorder::Wrap)
            .with(&weight, |m, w| m / (w + 1e-3));
        for arc in 0..arcs {
            let typical = deviation(mean.row(arc), 41, 0.1);
            for (value, d) in mean.row_mut(arc).iter_mut().zip(&typical) {
                *value /= d;
            }
        }
        for arc in 0..arcs {
            let step = best_shift(
                normal.row(arc),
                mean.row(arc),
                wood.row(arc),
                shift.row(arc),
            );
            for (value, d) in shift.row_mut(arc).iter_mut().zip(&step) {
                *value += d;
            }
        }
        shift = shift.blurred(0.0, 1.0, RowBorder::Wrap);
        centre(&mut shift, &wood);
        keep_order(&mut shift);
    }
    shift
}

/// Best further shift of one arc along the scale.
fn best_shift(arc: &[f32], mean: &[f32], wood: &[f32], so_far: &[f32]) -> Vec<f32> {
    widest(
        #[inline(always)]
        || best_shift_plain(arc, mean, wood, so_far),
    )
}

#[inline(always)]
fn best_shift_plain(arc: &[f32], mean: &[f32], wood: &[f32], so_far: &[f32]) -> Vec<f32> {
    let n = arc.len();
    let half = (TRIES / 2) as f32;
    // Cost of every shift at every sample, averaged over three rings.
    let by: [f32; TRIES] = std::array::from_fn(|k| (k as f32 - half) / 2.0);
    // Sums of all tries before each sample, side by side.
    let mut sums = Vec::with_capacity(n + 1);
    let mut sum = [0.0f64; TRIES];
    sums.push(sum);
    for s in 0..n {
        let place = s as f32 + so_far[s];
        let values = by.map(|by| line_at(arc, place + by));
        for k in 0..TRIES {
            let cost = (-values[k] * mean[s]).clamp(-4.0, 4.0) * wood[s] + 0.006 * by[k] * by[k];
            sum[k] += f64::from(cost);
        }
        sums.push(sum);
    }
    let costs: Vec<[f32; TRIES]> = (0..n)
        .map(|s| {
            let (a, b) = (s.saturating_sub(WINDOW / 2), (s + WINDOW / 2 + 1).min(n));
            let (before, after, count) = (&sums[a], &sums[b], (b - a) as f64);
            #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
            let means = std::array::from_fn(|k| ((after[k] - before[k]) / count) as f32);
            means
        })
        .collect();
    let mut score = costs[0];
    let mut from = vec![[0i8; TRIES]; n];
    for s in 1..n {
        // One try more at either end, never taken.
        let mut padded = [f32::INFINITY; TRIES + 2];
        padded[1..=TRIES].copy_from_slice(&score);
        for k in 0..TRIES {
            let (less, same, more) = (padded[k] + 0.05, padded[k + 1], padded[k + 2] + 0.05);
            let (best, step) = if less < same { (less, -1) } else { (same, 0) };
            let (best, step) = if more < best { (more, 1) } else { (best, step) };
            score[k] = best + costs[s][k];
            from[s][k] = step;
        }
    }
    let mut k = (0..TRIES)
        .min_by(|a, b| score[*a].total_cmp(&score[*b]))
        .unwrap_or(TRIES / 2);
    let mut path = vec![0.0f32; n];
    for s in (0..n).rev() {
        path[s] = (k as f32 - half) / 2.0;
        k = k.saturating_add_signed(isize::from(from[s][k]));
    }
    blur_line(&path, 4.0)
}

/// Takes the mean shift of the arcs that are seen off, so that the scale stays where it is.
fn centre(shift: &mut Plane, wood: &Plane) {
    let n = shift.width;
    for s in 0..n {
        let (mut sum, mut total) = (0.0, 1e-3);
        for arc in 0..shift.height {
            sum += shift.at(s, arc) * wood.at(s, arc);
            total += wood.at(s, arc);
        }
        let mean = sum / total;
        for arc in 0..shift.height {
            shift.data[arc * n + s] -= mean;
        }
    }
}

/// Sample plus shift never falls along an arc.
fn keep_order(shift: &mut Plane) {
    let n = shift.width;
    for arc in 0..shift.height {
        let row = shift.row_mut(arc);
        let mut reached = f32::MIN;
        for (s, value) in row.iter_mut().enumerate().take(n) {
            reached = reached.max(s as f32 + *value);
            *value = reached - s as f32;
        }
    }
}
