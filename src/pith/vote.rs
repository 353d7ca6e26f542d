//! The vote: what weight of the rings' normals points at a place.

use super::tensors::Tensors;
use crate::face::{EVEN_SIGMA, Face, NOISE_LEVELS};
use crate::vectors::widest;

/// Half width of the vote, radians: normals further off than about 8 degrees hardly count.
const TOLERANCE: f32 = 0.14;

/// Bins of direction over half a turn, for the balance of straight textures.
const DIRECTIONS: usize = 36;

/// Normals kept for the vote: enough for 0.1 % of the frame, few enough for some ten milliseconds.
const VOTERS: usize = 9000;

/// Local normals of the rings, one entry each: place (samples), direction and weight.
#[derive(Debug, Default)]
pub(super) struct Normals {
    pub(super) x: Vec<f32>,
    pub(super) y: Vec<f32>,
    pub(super) nx: Vec<f32>,
    pub(super) ny: Vec<f32>,
    pub(super) weight: Vec<f32>,
}

impl Normals {
    /// Weight of those that point at a place of the face they were gathered on.
    pub(super) fn votes(&self, (x, y): (f32, f32), face: &Face) -> f32 {
        self.score(x, y, core(face))
    }

    pub(super) fn push(&mut self, x: f32, y: f32, angle: f32, weight: f32) {
        self.x.push(x);
        self.y.push(y);
        self.nx.push(angle.cos());
        self.ny.push(angle.sin());
        self.weight.push(weight);
    }

    pub(super) fn len(&self) -> usize {
        self.x.len()
    }

    /// Weight of the normals that point at a place, near ones below `core` counting less.
    pub(super) fn score(&self, px: f32, py: f32, core: f32) -> f32 {
        widest(
            #[inline(always)]
            || self.score_plain(px, py, core),
        )
    }

    #[inline(always)]
    fn score_plain(&self, px: f32, py: f32, core: f32) -> f32 {
        let inverse = 1.0 / (TOLERANCE * TOLERANCE);
        let core2 = core * core;
        let mut lanes = [0.0f32; 8];
        let n = self.len() / 8 * 8;
        for start in (0..n).step_by(8) {
            let (x, y) = (&self.x[start..start + 8], &self.y[start..start + 8]);
            let (nx, ny) = (&self.nx[start..start + 8], &self.ny[start..start + 8]);
            let weight = &self.weight[start..start + 8];
            for i in 0..8 {
                let (dx, dy) = (x[i] - px, y[i] - py);
                let r2 = dx * dx + dy * dy + 1e-3;
                let across = dx * ny[i] - dy * nx[i];
                // A bell of the miss angle s, 1 / (1 + s^2)^2, that falls to a ninth at twice the
                // tolerance; near the place itself any direction is right by chance, so nearness
                // counts less, r^2 / (r^2 + core^2). Written out as one division for both.
                let wide = r2 + across * across * inverse;
                lanes[i] += weight[i] * (r2 * r2 * r2) / (wide * wide * (r2 + core2));
            }
        }
        lanes.iter().sum()
    }

    /// Every `step`-th of them.
    fn thinned(&self, step: usize) -> Normals {
        let pick = |values: &[f32]| values.iter().copied().step_by(step).collect();
        Normals {
            x: pick(&self.x),
            y: pick(&self.y),
            nx: pick(&self.nx),
            ny: pick(&self.ny),
            weight: pick(&self.weight),
        }
    }
}

/// Normals at three scales, thinned to about [`VOTERS`], balanced over the directions.
pub(super) fn gather(face: &Face) -> Normals {
    let mut all = Normals::default();
    for scale in [1usize, 2, 4] {
        let smaller;
        let plane = if scale == 1 {
            face.even()
        } else {
            smaller =
                face.grey
                    .shrunk(scale, scale)
                    .locally_normalised(EVEN_SIGMA, 4, NOISE_LEVELS);
            &smaller
        };
        let tensors = Tensors::of(plane, 1.2, 4.0, 2);
        let typical = typical_energy(&tensors);
        let s = scale as f32;
        let stride =
            (((plane.width * plane.height) as f32 / (VOTERS as f32)).sqrt() * 1.2).max(1.0);
        let stride = (stride / tensors.shrink as f32).max(1.0);
        let mut gy = stride / 2.0;
        while gy < tensors.height() as f32 {
            let mut gx = stride / 2.0;
            while gx < tensors.width() as f32 {
                #[allow(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "inside the plane by the loops"
                )]
                let (column, row) = (gx.floor() as usize, gy.floor() as usize);
                let i = row * tensors.width() + column;
                let (x, y) = (
                    (tensors.middle(column) + 0.5) * s - 0.5,
                    (tensors.middle(row) + 0.5) * s - 0.5,
                );
                let b = face.bounds;
                let coherence = tensors.coherence(i);
                if coherence > 0.3 && x >= b[0] && y >= b[1] && x < b[2] && y < b[3] {
                    let weight =
                        coherence.powi(2) * (tensors.energy(i) / typical.max(1e-9)).min(1.5);
                    all.push(x, y, tensors.angle(i), weight);
                }
                gx += stride;
            }
            gy += stride;
        }
    }
    balance(&mut all);
    all
}

/// Divides each weight by how common its direction is, where it is commoner than the average.
fn balance(normals: &mut Normals) {
    let bin = |nx: f32, ny: f32| {
        let share = (ny.atan2(nx) / std::f32::consts::PI).rem_euclid(1.0);
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share below 1 times the bins"
        )]
        let i = (share * DIRECTIONS as f32).floor() as usize;
        i.min(DIRECTIONS - 1)
    };
    let mut totals = [0.0f32; DIRECTIONS];
    for i in 0..normals.len() {
        totals[bin(normals.nx[i], normals.ny[i])] += normals.weight[i];
    }
    let smooth: Vec<f32> = (0..DIRECTIONS)
        .map(|i| {
            (totals[(i + DIRECTIONS - 1) % DIRECTIONS]
                + 2.0 * totals[i]
                + totals[(i + 1) % DIRECTIONS])
                / 4.0
        })
        .collect();
    let mean = smooth.iter().sum::<f32>() / DIRECTIONS as f32;
    for i in 0..normals.len() {
        let common = smooth[bin(normals.nx[i], normals.ny[i])] / mean.max(1e-9);
        if common > 1.0 {
            normals.weight[i] /= common;
        }
    }
}

/// Distance from a place, face samples, below which normals count less.
fn core(face: &Face) -> f32 {
    let [left, top, right, bottom] = face.bounds;
    0.03 * (right - left).max(bottom - top)
}

/// The best place over the frame and a margin of a fifth round it, by a grid and hill climbing. Straight lines all
/// meet far away: the climb may leave the margin, for a place on its border would make rings of them.
pub(super) fn most_votes(normals: &Normals, face: &Face) -> ((f32, f32), f32) {
    let [left, top, right, bottom] = face.bounds;
    let (w, h) = (right - left, bottom - top);
    let longest = w.max(h);
    let core = core(face);
    let step = longest / 28.0;
    // A third of the normals finds the hill, all of them its top.
    let few = normals.thinned(3);
    let mut grid = Vec::new();
    let mut y = top - 0.2 * h;
    while y < bottom + 0.2 * h {
        let mut x = left - 0.2 * w;
        while x < right + 0.2 * w {
            grid.push((few.score(x, y, core), x, y));
            x += step;
        }
        y += step;
    }
    grid.sort_by(|a, b| {
        b.0.total_cmp(&a.0)
            .then(a.2.total_cmp(&b.2))
            .then(a.1.total_cmp(&b.1))
    });
    let mut best = (f32::MIN, (left + w / 2.0, top + h / 2.0));
    for &(score, x, y) in grid.iter().take(6) {
        let (_, (x, y)) = climb(&few, (x, y), score, step / 2.0, core);
        let score = normals.score(x, y, core);
        if score > best.0 {
            best = (score, (x, y));
        }
    }
    best = climb(normals, best.1, best.0, step / 8.0, core);
    let total: f32 = normals.weight.iter().sum::<f32>().max(1e-9);
    // What normals without any centre give: the bell's mean over directions.
    let chance = TOLERANCE / 2.0;
    let agreement = ((best.0 / total - chance) / (1.0 - chance)).clamp(0.0, 1.0);
    (best.1, agreement)
}

/// Directions of a step of hill climbing.
pub(super) const AROUND: [(f32, f32); 8] = [
    (-1.0, 0.0),
    (1.0, 0.0),
    (0.0, -1.0),
    (0.0, 1.0),
    (-1.0, -1.0),
    (1.0, 1.0),
    (-1.0, 1.0),
    (1.0, -1.0),
];

fn climb(
    normals: &Normals,
    start: (f32, f32),
    score: f32,
    step: f32,
    core: f32,
) -> (f32, (f32, f32)) {
    let (mut place, mut best, mut step) = (start, score, step);
    while step > 0.5 {
        let mut moved = false;
        let centre = place;
        for (dx, dy) in AROUND {
            let (x, y) = (centre.0 + dx * step, centre.1 + dy * step);
            let s = normals.score(x, y, core);
            if s > best {
                (best, place, moved) = (s, (x, y), true);
            }
        }
        if !moved {
            step /= 2.0;
        }
    }
    (best, place)
}

/// Median energy of some 4000 blocks.
fn typical_energy(tensors: &Tensors) -> f32 {
    let blocks = tensors.xx.data.len();
    let mut energies: Vec<f32> = (0..blocks)
        .step_by(blocks.div_ceil(4096).max(1))
        .map(|i| tensors.energy(i))
        .collect();
    let middle = energies.len() / 2;
    if energies.is_empty() {
        return 0.0;
    }
    *energies.select_nth_unstable_by(middle, f32::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_texture_is_held_down_to_the_mean_of_the_directions() {
        let mut normals = Normals::default();
        for i in 0..3600 {
            normals.push(0.0, 0.0, (i as f32 * 0.1).to_radians(), 1.0);
            normals.push(0.0, 0.0, 0.3, 1.0);
        }
        balance(&mut normals);
        let along: f32 = (0..normals.len())
            .step_by(2)
            .map(|i| normals.weight[i])
            .sum();
        let saw: f32 = (1..normals.len())
            .step_by(2)
            .map(|i| normals.weight[i])
            .sum();
        assert!(saw < 0.3 * along, "{saw} {along}");
    }
}
