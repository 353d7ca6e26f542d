//! The closed path round the pith that gathers most, by dynamic programming.

use crate::plane::Plane;
use crate::vectors::widest;

/// Closed path through a plane of gains, at most `jump` samples from ray to ray, each sample
/// costing `toll`; a gain of `f32::MIN` bars a place. Two turns are run and the second kept, so
/// that the ends meet.
pub(super) fn closed_path(gain: &Plane, jump: usize, toll: f32) -> Vec<usize> {
    widest(
        #[inline(always)]
        || closed_path_plain(gain, jump, toll),
    )
}

#[inline(always)]
fn closed_path_plain(gain: &Plane, jump: usize, toll: f32) -> Vec<usize> {
    let (n, rays) = (gain.width, gain.height);
    let turns = 2 * rays;
    // Scores of every place on every ray, with barred places at both ends so that a jump needs no
    // check; the steps are found again on the way back, on one path instead of everywhere.
    let wide = n + 2 * jump;
    let mut scores = vec![f32::MIN; turns * wide];
    let mut is_start = vec![false; turns];
    scores[jump..jump + n].copy_from_slice(gain.row(0));
    let mut best = vec![f32::MIN; n];
    for t in 1..turns {
        let (done, rest) = scores.split_at_mut(t * wide);
        let before = &done[(t - 1) * wide..];
        let row = gain.row(t % rays);
        best_before(before, jump, toll, &mut best);
        let next = &mut rest[jump..jump + n];
        let mut open = 0u32;
        for ((next, best), gain) in next.iter_mut().zip(&best).zip(row) {
            let is_open = (*gain > f32::MIN) & (*best > f32::MIN);
            *next = if is_open { best + gain } else { f32::MIN };
            open |= u32::from(*next > f32::MIN);
        }
        if open == 0 {
            // The frame steps further than a path may: start again from this ray.
            next.copy_from_slice(row);
            is_start[t] = true;
        }
    }
    let score = |t: usize, i: usize| scores[t * wide + jump + i];
    let mut at = (0..n)
        .max_by(|a, b| score(turns - 1, *a).total_cmp(&score(turns - 1, *b)))
        .unwrap_or(0);
    let mut path = vec![0; rays];
    for t in (rays..turns).rev() {
        path[t % rays] = at;
        if is_start[t] || score(t, at) <= f32::MIN {
            continue;
        }
        let mut best = f32::MIN;
        let here = at;
        for from in here.saturating_sub(jump)..=(here + jump).min(n - 1) {
            let score = score(t - 1, from) - toll * here.abs_diff(from) as f32;
            if score > best {
                (best, at) = (score, from);
            }
        }
    }
    path
}

/// Places whose best step is looked for together, in registers.
const LANES: usize = 16;

/// Best score at the end of a step to each place, of the places up to `jump` to either side.
#[inline(always)]
fn best_before(before: &[f32], jump: usize, toll: f32, best: &mut [f32]) {
    let n = best.len();
    if n < LANES {
        for place in 0..n {
            best_of_block::<1>(place, before, jump, toll, best);
        }
        return;
    }
    // The last block ends with the line and may overlap the one before.
    for block in 0..n.div_ceil(LANES) {
        best_of_block::<LANES>((block * LANES).min(n - LANES), before, jump, toll, best);
    }
}

#[inline(always)]
fn best_of_block<const N: usize>(
    start: usize,
    before: &[f32],
    jump: usize,
    toll: f32,
    best: &mut [f32],
) {
    let mut lanes = [f32::MIN; N];
    for offset in 0..=2 * jump {
        let price = toll * offset.abs_diff(jump) as f32;
        let scores = &before[start + offset..start + offset + N];
        for i in 0..N {
            let score = scores[i] - price;
            lanes[i] = if score > lanes[i] { score } else { lanes[i] };
        }
    }
    best[start..start + N].copy_from_slice(&lanes);
}

/// Odds of wood gathered along a ray before each sample. Where they have dropped by more than `left` below
/// the most so far, the ray has left the wood for good: what looks like wood beyond wins nothing back.
pub(super) fn gathered(odds: impl Iterator<Item = f32>, left: f32) -> impl Iterator<Item = f32> {
    odds.scan(
        (0.0f32, 0.0f32, false),
        move |(sum, most, has_left), odds| {
            let before = *sum;
            *most = most.max(before);
            *has_left |= before < *most - left;
            *sum += if *has_left { odds.min(0.0) } else { odds };
            Some(before)
        },
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ray_that_has_left_the_wood_wins_nothing_back() {
        let odds = [3.0, 3.0, -4.0, 2.0, -7.0, 3.0, -1.0, 3.0];
        let sums: Vec<f32> = gathered(odds.into_iter(), 5.0).collect();
        assert_eq!(sums, [0.0, 3.0, 6.0, 2.0, 4.0, -3.0, -3.0, -4.0]);
        let never: Vec<f32> = gathered(odds.into_iter(), 50.0).collect();
        assert_eq!(never, [0.0, 3.0, 6.0, 2.0, 4.0, -3.0, 0.0, -1.0]);
    }

    #[test]
    fn the_closed_path_follows_a_planted_one_and_closes() {
        let planted = |ray: usize| {
            let wave = (ray as f32 / 60.0 * std::f32::consts::TAU).sin() * 9.0;
            (40.0 + wave).round() as usize
        };
        let mut gain = Plane::filled(90, 60, 0.0);
        for ray in 0..60 {
            gain.row_mut(ray)[planted(ray)] = 10.0;
        }
        assert_eq!(
            closed_path(&gain, 3, 0.6),
            (0..60).map(planted).collect::<Vec<_>>()
        );
    }

    #[test]
    fn the_closed_path_keeps_to_its_jump_and_off_barred_places() {
        let mut gain = Plane::filled(50, 30, 0.0);
        for ray in 0..30 {
            // A prize that hops further than a path may, and a bar through the upper half.
            gain.row_mut(ray)[if ray % 2 == 0 { 5 } else { 20 }] = 9.0;
            gain.row_mut(ray)[25..].fill(f32::MIN);
        }
        let path = closed_path(&gain, 2, 0.5);
        for (ray, &at) in path.iter().enumerate() {
            assert!(at.abs_diff(path[(ray + 1) % 30]) <= 2, "{path:?}");
            assert!(at < 25, "{path:?}");
        }
    }

    /// The plain way: every step tried at every place, remembered in a table.
    fn plain_closed_path(gain: &Plane, jump: usize, toll: f32) -> Vec<usize> {
        let (n, rays) = (gain.width, gain.height);
        let mut score = gain.row(0).to_vec();
        let mut from = vec![vec![0usize; n]];
        for t in 1..2 * rays {
            let row = gain.row(t % rays);
            let mut steps: Vec<usize> = (0..n).collect();
            let mut next = vec![f32::MIN; n];
            for i in 0..n {
                let reach = i.saturating_sub(jump)..=(i + jump).min(n - 1);
                let mut best = f32::MIN;
                for j in reach {
                    let s = score[j] - toll * i.abs_diff(j) as f32;
                    if s > best {
                        (best, steps[i]) = (s, j);
                    }
                }
                if row[i] > f32::MIN && best > f32::MIN {
                    next[i] = best + row[i];
                } else {
                    steps[i] = i;
                }
            }
            if next.iter().all(|v| *v == f32::MIN) {
                next = row.to_vec();
                steps = (0..n).collect();
            }
            score = next;
            from.push(steps);
        }
        let mut at = (0..n)
            .max_by(|a, b| score[*a].total_cmp(&score[*b]))
            .unwrap();
        let mut path = vec![0; rays];
        for t in (rays..2 * rays).rev() {
            path[t % rays] = at;
            at = from[t][at];
        }
        path
    }

    #[test]
    fn the_fast_closed_path_is_the_plain_one() {
        let mut state = 7u32;
        let mut chance = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 8) as f32 / (1 << 24) as f32
        };
        for (n, rays, bars) in [
            (1, 1, 0.0),
            (2, 9, 0.3),
            (31, 24, 0.1),
            (40, 36, 0.6),
            (17, 12, 0.95),
        ] {
            let mut gain = Plane::filled(n, rays, 0.0);
            for v in &mut gain.data {
                *v = if chance() < bars {
                    f32::MIN
                } else {
                    8.0 * chance() - 2.0
                };
            }
            for jump in [1, 2, 3] {
                let (fast, plain) = (
                    closed_path(&gain, jump, 0.6),
                    plain_closed_path(&gain, jump, 0.6),
                );
                assert_eq!(fast, plain, "{n} x {rays}, jump {jump}, bars {bars}");
            }
        }
    }
}
