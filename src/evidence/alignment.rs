//! Lines every arc up with the others.
//!
//! The straightening is smooth; what it leaves is a fraction of a ring on single arcs, and now and then
//! more on a whole sector. Each arc is matched elastically to a mean of arcs: the shift along the scale
//! that correlates best and changes little from sample to sample (dynamic programming). At first that is
//! the mean of the whole turn, over many rings and as far as a ring and more: years that are wide or
//! narrow, pale or dark together tell by how much a sector is off. Then it is that of the neighbours, in
//! rounds with a growing neighbourhood and over few rings. Arcs next to empty sectors have no neighbours
//! to be matched to and stay.

use super::deviation;
use crate::plane::{Plane, RowBorder, blur_line, line_at};
use crate::vectors::widest;

/// What arcs are lined up with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum With {
    /// Their neighbours.
    Neighbours,
    /// The whole turn, then their neighbours.
    WholeTurn,
}

/// One round of matching.
struct Round {
    /// Neighbourhood whose mean an arc is matched to (sd), arcs; none: the whole turn.
    spread: Option<f32>,
    /// Samples that a cost is averaged over, about.
    window: usize,
    /// Cost of a shift, by its square in samples.
    stay: f32,
}

/// Samples between two shifts tried.
const STEP: f32 = 0.5;

/// Cost of going from one shift to the next at the next sample.
const CHANGE: f32 = 0.05;

/// Shifts tried against the whole turn, as far as 14 samples to either side.
const FAR_TRIES: usize = 57;

/// Shifts tried against the neighbours, as far as four samples to either side.
const NEAR_TRIES: usize = 17;

/// Rounds against the whole turn, over some seven rings.
const FAR: [Round; 2] = [
    Round {
        spread: None,
        window: 75,
        stay: 0.0005,
    },
    Round {
        spread: None,
        window: 75,
        stay: 0.0005,
    },
];

/// Rounds against the neighbours, over some two and a half rings.
const NEAR: [Round; 3] = [near(3.0), near(6.0), near(12.0)];

const fn near(spread: f32) -> Round {
    Round {
        spread: Some(spread),
        window: 27,
        stay: 0.006,
    }
}

/// Shift of every arc, samples, `[arc, sample]`: to its neighbours alone, or to the whole turn before them.
pub(super) fn line_up(tone: &Plane, seen: &Plane, with: With) -> Plane {
    let mut normal = tone.clone();
    in_deviations(&mut normal, 0.2);
    let mut shift = Plane::filled(tone.width, tone.height, 0.0);
    if with == With::WholeTurn {
        for round in &FAR {
            shift = matched::<FAR_TRIES>(&normal, seen, shift, round);
        }
    }
    for round in &NEAR {
        shift = matched::<NEAR_TRIES>(&normal, seen, shift, round);
    }
    shift
}

/// The shift after one more round.
fn matched<const TRIES: usize>(
    normal: &Plane,
    seen: &Plane,
    mut shift: Plane,
    round: &Round,
) -> Plane {
    let (n, arcs) = (normal.width, normal.height);
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
    // One row for the whole turn, else one an arc.
    let mut mean = match round.spread {
        Some(spread) => {
            let weight = wood.blurred(0.0, spread, RowBorder::Wrap);
            moved
                .blurred(0.0, spread, RowBorder::Wrap)
                .with(&weight, |m, w| m / (w + 1e-3))
        }
        None => whole_turn(&moved, &wood),
    };
    in_deviations(&mut mean, 0.1);
    for arc in 0..arcs {
        let (row, mean) = (shift.row_mut(arc), mean.row(arc % mean.height));
        let step = best_shift::<TRIES>(normal.row(arc), mean, wood.row(arc), row, round);
        for (value, d) in row.iter_mut().zip(&step) {
            *value += d;
        }
    }
    shift = shift.blurred(0.0, 1.0, RowBorder::Wrap);
    centre(&mut shift, &wood);
    keep_order(&mut shift);
    shift
}

/// Puts every row in units of its local deviation plus a floor.
fn in_deviations(rows: &mut Plane, floor: f32) {
    for y in 0..rows.height {
        let row = rows.row_mut(y);
        let typical = deviation(row, 41, floor);
        for (value, d) in row.iter_mut().zip(&typical) {
            *value /= d;
        }
    }
}

/// Mean over all arcs, one row; few arcs count less.
fn whole_turn(moved: &Plane, wood: &Plane) -> Plane {
    let n = moved.width;
    let (mut sum, mut total) = (vec![0.0f32; n], vec![1.0f32; n]);
    for arc in 0..moved.height {
        for (s, (v, w)) in moved.row(arc).iter().zip(wood.row(arc)).enumerate() {
            sum[s] += v;
            total[s] += w;
        }
    }
    Plane {
        width: n,
        height: 1,
        data: sum.iter().zip(&total).map(|(v, w)| v / w).collect(),
    }
}

/// Best further shift of one arc along the scale.
fn best_shift<const TRIES: usize>(
    arc: &[f32],
    mean: &[f32],
    wood: &[f32],
    so_far: &[f32],
    round: &Round,
) -> Vec<f32> {
    widest(
        #[inline(always)]
        || best_shift_plain::<TRIES>(arc, mean, wood, so_far, round),
    )
}

#[inline(always)]
fn best_shift_plain<const TRIES: usize>(
    arc: &[f32],
    mean: &[f32],
    wood: &[f32],
    so_far: &[f32],
    round: &Round,
) -> Vec<f32> {
    let n = arc.len();
    let half = (TRIES / 2) as f32;
    // Cost of every shift at every sample, averaged over a window.
    let by: [f32; TRIES] = std::array::from_fn(|k| (k as f32 - half) * STEP);
    // Sums of all tries before each sample, side by side.
    let mut sums = Vec::with_capacity(n + 1);
    let mut sum = [0.0f64; TRIES];
    sums.push(sum);
    for s in 0..n {
        let place = s as f32 + so_far[s];
        let values = by.map(|by| line_at(arc, place + by));
        for k in 0..TRIES {
            let cost =
                (-values[k] * mean[s]).clamp(-4.0, 4.0) * wood[s] + round.stay * by[k] * by[k];
            sum[k] += f64::from(cost);
        }
        sums.push(sum);
    }
    let reach = round.window / 2;
    let costs: Vec<[f32; TRIES]> = (0..n)
        .map(|s| {
            let (a, b) = (s.saturating_sub(reach), (s + reach + 1).min(n));
            let (before, after, count) = (&sums[a], &sums[b], (b - a) as f64);
            #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
            let means = std::array::from_fn(|k| ((after[k] - before[k]) / count) as f32);
            means
        })
        .collect();
    let mut score = costs[0];
    let mut from = vec![[0i8; TRIES]; n];
    for s in 1..n {
        let last = score;
        for k in 0..TRIES {
            // One try beyond either end is never taken.
            let less = if k > 0 {
                last[k - 1] + CHANGE
            } else {
                f32::INFINITY
            };
            let more = if k + 1 < TRIES {
                last[k + 1] + CHANGE
            } else {
                f32::INFINITY
            };
            let (best, step) = if less < last[k] {
                (less, -1)
            } else {
                (last[k], 0)
            };
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
        path[s] = (k as f32 - half) * STEP;
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

#[cfg(test)]
mod tests {
    use super::{With, line_up};
    use crate::evidence::ARCS;
    use crate::plane::{Plane, line_at};

    const SAMPLES: usize = 400;

    /// Arcs that end up off: a quarter of the turn.
    const OFF: std::ops::Range<usize> = 20..38;

    /// A dark line closes every year; years are 7 to 15 samples wide and differ in shade.
    fn years() -> Vec<f32> {
        let mut row = vec![0.0f32; SAMPLES + 40];
        let (mut end, mut year) = (9.0f32, 0usize);
        while end < (SAMPLES + 40) as f32 {
            let shade = 1.0 + (year * 7 % 5) as f32 * 0.3;
            for (i, value) in row.iter_mut().enumerate() {
                *value -= shade * (-0.5 * ((i as f32 - end) / 1.5).powi(2)).exp();
            }
            end += 7.0 + (year * 5 % 9) as f32;
            year += 1;
        }
        row
    }

    /// Arcs on which some years lie further out by so many samples.
    fn arcs(by: f32) -> Plane {
        let years = years();
        let mut tone = Plane::filled(SAMPLES, ARCS, 0.0);
        for arc in 0..ARCS {
            let by = if OFF.contains(&arc) { by } else { 0.0 };
            for (s, value) in tone.row_mut(arc).iter_mut().enumerate() {
                *value = line_at(&years, s as f32 + 20.0 - by);
            }
        }
        tone
    }

    /// How far the arcs are from each other once lined up: the mean of the sector's shift less that of the
    /// rest, away from the ends and the seams.
    fn told(by: f32, with: With) -> f32 {
        let seen = Plane::filled(SAMPLES, ARCS, 1.0);
        let shift = line_up(&arcs(by), &seen, with);
        let mean = |arcs: std::ops::Range<usize>| {
            let count = (arcs.len() * 300) as f32;
            arcs.map(|arc| shift.row(arc)[50..350].iter().sum::<f32>())
                .sum::<f32>()
                / count
        };
        mean(24..34) - mean(45..70)
    }

    #[test]
    fn a_sector_that_is_a_ring_off_is_brought_home_by_the_whole_turn_only() {
        let whole = told(11.0, With::WholeTurn);
        assert!((whole - 11.0).abs() < 1.0, "{whole}");
        let near = told(11.0, With::Neighbours);
        assert!((near - 11.0).abs() > 5.0, "{near}");
    }

    #[test]
    fn a_sector_that_is_a_fraction_of_a_ring_off_is_brought_home() {
        let whole = told(3.0, With::WholeTurn);
        assert!((whole - 3.0).abs() < 0.5, "{whole}");
    }

    #[test]
    fn arcs_that_lie_level_stay() {
        for with in [With::Neighbours, With::WholeTurn] {
            let told = told(0.0, with);
            assert!(told.abs() < 0.1, "{told}");
        }
    }
}
