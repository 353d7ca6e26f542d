//! The last look for the pith: the place about which circles look alike all the way round.

use super::arcs::degree_of;
use super::close_in::cut_out;
use super::vote::AROUND;
use crate::face::{Face, NOISE_LEVELS};
use crate::plane::{Plane, RowBorder};

/// What far circles weigh beside near ones: without them a rough face (p < 10 px rings torn by the
/// saw) loses its pith, with more of them an off-centre disc is pulled towards its middle.
const FAR_SHARE: f32 = 0.4;

/// Azimuths on which a circle is looked at.
const SPOKES: usize = 64;

/// Moves the place to where circles about it look alike all the way round.
///
/// The mean of the normalised luminance along a circle keeps a ring's step only if the circle
/// follows the ring; saw marks, pores and checks average out. Rings near the pith are nearly
/// circles even in off-centre discs, so the energy of the steps of that mean, over circles up to
/// a fifth of the frame, has its peak at the pith. This took the pith of rough-sawn and faint
/// discs from 4 to 12 % off to within 1 %.
pub(super) fn centre_circles(face: &Face, start: (f32, f32)) -> (f32, f32) {
    let half = (face.grey.width.min(face.grey.height)) as f32 / 2.0;
    let mut place = start;
    for (reach, search, step, sigma) in [
        (0.26 * half, 0.14 * half, 0.007 * half, 2.2f32),
        (0.2 * half, 0.02 * half, 0.005 * half, 1.5),
        (0.16 * half, 0.006 * half, 0.0015 * half, 1.0),
    ] {
        let Some(cut) = cut_out(&face.grey, place, reach + search + 8.0) else {
            break;
        };
        let plane = even(&without_checks(&cut.plane), sigma);
        let local = (place.0 - cut.left, place.1 - cut.top);
        let circles = Circles::new(&plane, reach, sigma, 0.08 * half);
        let mut means = Vec::new();
        let mut best = (f32::MIN, place);
        let n = (search / step).round();
        let mut iy = -n;
        while iy <= n {
            let mut ix = -n;
            while ix <= n {
                let (dx, dy) = (ix * step, iy * step);
                let far = dx.hypot(dy) / search;
                if far <= 1.0 {
                    // A far place must be a good deal better than a near one.
                    let energy = circles.energy(local.0 + dx, local.1 + dy, &mut means)
                        * (1.0 - 0.25 * far * far);
                    if energy > best.0 {
                        best = (energy, (place.0 + dx, place.1 + dy));
                    }
                }
                ix += 1.0;
            }
            iy += 1.0;
        }
        place = best.1;
    }
    place
}

/// Blurs (sd, samples) that set how far the circles of the search over the whole wood are apart: of the grid and
/// the first climb, and of the second climb.
const WIDE_SIGMA: (f32, f32) = (2.2, 1.5);

/// Reach of those circles and radius within which they weigh most, shares of half the shorter side.
const WIDE_REACH: (f32, f32) = (0.4, 0.08);

/// Step of that search, share of half the shorter side.
const WIDE_STEP: f32 = 0.014;

/// Share of the way to the wood's edge that is searched, of its median distance where the edge is further.
const SEARCHED: f32 = 0.75;

/// Distance between two places found, share of the edge's mean distance: nearer ones are one.
const APART: f32 = 0.08;

/// Places of the grid that are climbed from: the grid is coarser than the peak of clear rings, so that it
/// says little of how high a peak is.
const CLIMBED: usize = 8;

/// Places in the wood about which circles look alike all the way round, best first, with the energy there;
/// `edge` has the wood's edge about `pith`, one distance a degree.
pub(super) fn places_of_circles(
    face: &Face,
    pith: (f32, f32),
    edge: &[f32],
) -> Vec<(f32, (f32, f32))> {
    let half = (face.grey.width.min(face.grey.height)) as f32 / 2.0;
    let mut sorted = edge.to_vec();
    sorted.sort_by(f32::total_cmp);
    let median = sorted[sorted.len() / 2];
    let (reach, near) = (WIDE_REACH.0 * half, WIDE_REACH.1 * half);
    // In a very long and narrow frame no smaller than a hundredth of the way to the edge.
    let step = (WIDE_STEP * half).max(0.01 * median);
    let wood = without_checks(&face.grey);
    let plane = even(&wood, WIDE_SIGMA.0);
    let circles = Circles::new(&plane, reach, WIDE_SIGMA.0, near);
    let searched: Vec<f32> = edge.iter().map(|r| SEARCHED * r.min(median)).collect();
    let mut places = on_a_grid(&circles, pith, &searched, step);
    let apart = APART * edge.iter().sum::<f32>() / edge.len() as f32;
    keep_apart(&mut places, apart);
    circles.climb(&mut places, step, 0.2 * step);
    let plane = even(&wood, WIDE_SIGMA.1);
    let circles = Circles::new(&plane, reach, WIDE_SIGMA.1, near);
    circles.climb(&mut places, 0.25 * step, 0.1 * step);
    places.sort_by(|a, b| b.0.total_cmp(&a.0));
    places
}

/// Places of a grid about the pith out to a distance that is given for each degree, best first.
fn on_a_grid(
    circles: &Circles,
    pith: (f32, f32),
    reach: &[f32],
    step: f32,
) -> Vec<(f32, (f32, f32))> {
    let n = (reach.iter().copied().fold(0.0f32, f32::max) / step).ceil();
    let last = (
        (circles.plane.width - 1) as f32 - step,
        (circles.plane.height - 1) as f32 - step,
    );
    let mut means = Vec::new();
    let mut found = Vec::new();
    let mut iy = -n;
    while iy <= n {
        let mut ix = -n;
        while ix <= n {
            let (dx, dy) = (ix * step, iy * step);
            let (x, y) = (pith.0 + dx, pith.1 + dy);
            let is_near = dx.hypot(dy) < reach[degree_of(dx.into(), dy.into())];
            if is_near && x > step && y > step && x < last.0 && y < last.1 {
                found.push((circles.energy(x, y, &mut means), (x, y)));
            }
            ix += 1.0;
        }
        iy += 1.0;
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found
}

/// Keeps the first [`CLIMBED`] places that are further than a distance from all before them.
fn keep_apart(places: &mut Vec<(f32, (f32, f32))>, apart: f32) {
    let mut kept: Vec<(f32, (f32, f32))> = Vec::with_capacity(CLIMBED);
    places.retain(|&(energy, (x, y))| {
        let is_kept = kept.len() < CLIMBED
            && kept
                .iter()
                .all(|(_, other)| (other.0 - x).hypot(other.1 - y) > apart);
        if is_kept {
            kept.push((energy, (x, y)));
        }
        is_kept
    });
}

/// Darker than the wood about it by more than this, in local deviations, is a check or a line of ink.
const CHECK: f32 = -2.0;

/// Spread of what is taken for the wood about a place, samples, and the least share of it that is no check: a hollow is
/// dark all about and stays.
const ABOUT: f32 = 4.0;
const MOSTLY_WOOD: f32 = 0.6;

/// The luminance with checks and ink filled in by the mean of the wood about them: two checks that run out from
/// the pith pull the place about which circles look alike in between them.
fn without_checks(grey: &Plane) -> Plane {
    let wood = grey
        .locally_normalised(14.0, 4, NOISE_LEVELS)
        .map(|v| f32::from(u8::from(v >= CHECK)));
    let blurred = |plane: &Plane| plane.blurred(ABOUT, ABOUT, RowBorder::Repeat);
    let (share, sum) = (blurred(&wood), blurred(&grey.with(&wood, |v, w| v * w)));
    let mut filled = grey.clone();
    for (i, value) in filled.data.iter_mut().enumerate() {
        if wood.data[i] < 0.5 && share.data[i] >= MOSTLY_WOOD {
            *value = sum.data[i] / share.data[i];
        }
    }
    filled
}

/// The luminance blurred a little and evened out.
fn even(grey: &Plane, sigma: f32) -> Plane {
    grey.blurred(sigma * 0.5, sigma * 0.5, RowBorder::Repeat)
        .locally_normalised(14.0, 4, NOISE_LEVELS)
        .map(|v| v.clamp(-1.8, 1.8))
}

/// Circles about a place, and the plane they are looked at in.
struct Circles<'a> {
    plane: &'a Plane,
    /// Radii, samples: evenly spaced.
    radii: Vec<f32>,
    /// Places of the spokes on each circle relative to its middle: x and y.
    offsets: Vec<([f32; SPOKES], [f32; SPOKES])>,
    /// What the steps at each radius weigh.
    weights: Vec<f32>,
}

/// A number of samples in an `f32` plus this is rounded to a whole number, which then stands in the
/// lower bits: several times faster than `round` and a cast on plain x86-64.
const ROUNDER: f32 = 8_388_608.0;

impl<'a> Circles<'a> {
    /// Circles up to `reach`; those within about `near` weigh most. `sigma` is the blur that sets
    /// how far they are apart.
    fn new(plane: &'a Plane, reach: f32, sigma: f32, near: f32) -> Self {
        let step = sigma * 0.6;
        let mut radii = Vec::new();
        let mut r = 2.0;
        while r < reach {
            radii.push(r);
            r += step;
        }
        let turns: Vec<(f32, f32)> = (0..SPOKES)
            .map(|i| (i as f32 / SPOKES as f32 * std::f32::consts::TAU).sin_cos())
            .collect();
        let offsets = radii
            .iter()
            .map(|r| {
                (
                    std::array::from_fn(|i| r * turns[i].1),
                    std::array::from_fn(|i| r * turns[i].0),
                )
            })
            .collect();
        // Small circles have few samples of their own: their mean is noise, so they count less.
        let weights = radii
            .iter()
            .map(|r| r / (r + 12.0) * (1.0 / (1.0 + (r / near).powi(2)) + FAR_SHARE))
            .collect();
        Circles {
            plane,
            radii,
            offsets,
            weights,
        }
    }

    /// Energy of the steps of the mean along circles about a place, a radius. `means` is room to
    /// work in.
    fn energy(&self, x: f32, y: f32, means: &mut Vec<f32>) -> f32 {
        means.clear();
        let room = x
            .min(y)
            .min((self.plane.width - 1) as f32 - x)
            .min((self.plane.height - 1) as f32 - y);
        for (r, offsets) in self.radii.iter().zip(&self.offsets) {
            means.push(if *r <= room {
                self.mean_inside(x, y, offsets)
            } else {
                self.mean_cut(x, y, offsets)
            });
        }
        let (mut energy, mut total) = (0.0, 1e-6);
        for (steps, weight) in means.windows(3).zip(&self.weights[1..]) {
            energy += weight * (steps[2] - steps[0]).powi(2);
            total += weight;
        }
        energy / total
    }

    /// Moves each place uphill, by steps that are halved from `step` to `least`, and renews its energy.
    fn climb(&self, places: &mut [(f32, (f32, f32))], step: f32, least: f32) {
        let mut means = Vec::new();
        for (energy, place) in places {
            *energy = self.energy(place.0, place.1, &mut means);
            let mut step = step;
            while step > least {
                let middle = *place;
                for (dx, dy) in AROUND {
                    let (x, y) = (middle.0 + dx * step, middle.1 + dy * step);
                    let found = self.energy(x, y, &mut means);
                    if found > *energy {
                        (*energy, *place) = (found, (x, y));
                    }
                }
                if *place == middle {
                    step /= 2.0;
                }
            }
        }
    }

    /// Mean along a circle that lies inside the plane.
    fn mean_inside(&self, x: f32, y: f32, (dx, dy): &([f32; SPOKES], [f32; SPOKES])) -> f32 {
        let width = self.plane.width as f32;
        // Whole numbers below 2^23 are exact in an f32, and no cut has as many samples.
        let places: [u32; SPOKES] = std::array::from_fn(|i| {
            let column = (x + dx[i] + ROUNDER) - ROUNDER;
            let row = (y + dy[i] + ROUNDER) - ROUNDER;
            (row * width + column + ROUNDER).to_bits() & 0x007F_FFFF
        });
        let data = &self.plane.data[..];
        let mut sums = [0.0f32; 4];
        for four in places.chunks_exact(4) {
            for (sum, place) in sums.iter_mut().zip(four) {
                *sum += data[*place as usize];
            }
        }
        sums.iter().sum::<f32>() / SPOKES as f32
    }

    /// Mean along a circle that leaves the plane.
    fn mean_cut(&self, x: f32, y: f32, (dx, dy): &([f32; SPOKES], [f32; SPOKES])) -> f32 {
        let (w, h) = (
            (self.plane.width - 1) as f32,
            (self.plane.height - 1) as f32,
        );
        let (mut sum, mut seen) = (0.0f32, 0usize);
        for (dx, dy) in dx.iter().zip(dy) {
            let (px, py) = (x + dx, y + dy);
            if px >= 0.0 && py >= 0.0 && px <= w && py <= h {
                #[allow(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "inside the plane by the test above"
                )]
                let i = (px + 0.5) as usize + (py + 0.5) as usize * self.plane.width;
                sum += self.plane.data[i];
                seen += 1;
            }
        }
        // Circles that leave the frame for more than half say little.
        if seen * 2 > SPOKES {
            sum / seen as f32
        } else {
            0.0
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pith::tests::face_of_rings;

    #[test]
    fn a_check_is_filled_in_with_the_wood_about_it_and_a_hollow_is_left() {
        let face = face_of_rings((60.0, 55.0), 121, 111);
        let mut grey = face.grey.clone();
        // A check three samples wide out to the right, and a hole lower down.
        for x in 62..110 {
            for y in 54..57 {
                grey.row_mut(y)[x] = 10.0;
            }
        }
        let is_hole = |x: usize, y: usize| (x as f32 - 40.0).hypot(y as f32 - 90.0) < 12.0;
        for y in 0..grey.height {
            for x in 0..grey.width {
                if is_hole(x, y) {
                    grey.row_mut(y)[x] = 10.0;
                }
            }
        }
        let filled = without_checks(&grey);
        let least_wood = face.grey.data.iter().copied().fold(f32::MAX, f32::min);
        for x in 64..108 {
            assert!(filled.at(x, 55) > least_wood, "{x}: {}", filled.at(x, 55));
        }
        assert!((filled.at(40, 90) - 10.0).abs() < 1e-3);
        // Wood away from both stays to the bit.
        for x in 5..110 {
            assert_eq!(filled.at(x, 20).to_bits(), face.grey.at(x, 20).to_bits());
        }
    }

    #[test]
    fn circles_inside_and_cut_agree_and_peak_in_the_middle() {
        let face = face_of_rings((60.0, 55.0), 121, 111);
        // Mean 0, as locally normalised planes have it.
        let plane = face.grey.map(|v| v - 140.0);
        let circles = Circles::new(&plane, 40.0, 1.5, 10.0);
        for offsets in &circles.offsets {
            let (inside, cut) = (
                circles.mean_inside(60.23, 54.91, offsets),
                circles.mean_cut(60.23, 54.91, offsets),
            );
            assert!((inside - cut).abs() < 1e-2, "{inside} {cut}");
        }
        let mut means = Vec::new();
        let top = circles.energy(60.0, 55.0, &mut means);
        for (x, y) in [(63.0, 55.0), (60.0, 51.0), (20.0, 55.0), (3.0, 2.0)] {
            assert!(circles.energy(x, y, &mut means) < 0.5 * top, "{x} {y}");
        }
    }
}
