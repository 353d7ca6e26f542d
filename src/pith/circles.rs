//! The last look for the pith: the place about which circles look alike all the way round.

use super::arcs::degree_of;
use super::cut_out;
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
        let plane = even(&cut.plane, sigma);
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

/// Blur (sd, samples) that sets how far the circles of a search over the whole wood are apart.
const WIDE_SIGMA: f32 = 2.2;

/// Reach of those circles and radius within which they weigh most, shares of half the shorter side.
const WIDE_REACH: (f32, f32) = (0.4, 0.08);

/// Step of that search, share of half the shorter side.
const WIDE_STEP: f32 = 0.014;

/// Share of the way to the wood's edge that is searched.
const SEARCHED: f32 = 0.75;

/// Distance between two places found, share of the edge's mean distance: nearer ones are one.
const APART: f32 = 0.08;

/// Places in the wood about which circles look alike all the way round, best first, with the energy there;
/// `edge` has the wood's edge about `pith`, one distance a degree. At most `most` of them.
pub(super) fn places_of_circles(
    face: &Face,
    pith: (f32, f32),
    edge: &[f32],
    most: usize,
) -> Vec<(f32, (f32, f32))> {
    let half = (face.grey.width.min(face.grey.height)) as f32 / 2.0;
    let plane = even(&face.grey, WIDE_SIGMA);
    let circles = Circles::new(&plane, WIDE_REACH.0 * half, WIDE_SIGMA, WIDE_REACH.1 * half);
    let step = WIDE_STEP * half;
    let widest = SEARCHED * edge.iter().copied().fold(0.0f32, f32::max);
    let n = (widest / step).ceil();
    let last = (
        (plane.width - 1) as f32 - step,
        (plane.height - 1) as f32 - step,
    );
    let mut means = Vec::new();
    let mut found = Vec::new();
    let mut iy = -n;
    while iy <= n {
        let mut ix = -n;
        while ix <= n {
            let (dx, dy) = (ix * step, iy * step);
            let (x, y) = (pith.0 + dx, pith.1 + dy);
            let is_wood = dx.hypot(dy) < SEARCHED * edge[degree_of(dx.into(), dy.into())];
            if is_wood && x > step && y > step && x < last.0 && y < last.1 {
                found.push((circles.energy(x, y, &mut means), (x, y)));
            }
            ix += 1.0;
        }
        iy += 1.0;
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let apart = APART * edge.iter().sum::<f32>() / edge.len() as f32;
    let mut tops: Vec<(f32, (f32, f32))> = Vec::new();
    for (energy, (x, y)) in found {
        if tops.len() == most {
            break;
        }
        if tops
            .iter()
            .all(|(_, top)| (top.0 - x).hypot(top.1 - y) > apart)
        {
            tops.push((energy, (x, y)));
        }
    }
    tops
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
