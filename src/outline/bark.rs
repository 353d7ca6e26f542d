//! The bark: a path inside it where it is, and whether it is there at all.

use super::path::{closed_path, gathered};
use super::rays::{RAYS, Rays};
use crate::plane::Plane;
use std::ops::Range;

/// Drop of the odds gathered along a ray from which it has left the wood for good (a shadow on the ground, a
/// layer of bark): two samples that are nothing like it.
const LEFT: f32 = 14.0;

/// Stretches of a ray next to the edge and well outside of any bark, as shares of the edge's distance.
const NEXT: Range<f64> = 1.0..1.035;
const GROUND: Range<f64> = 1.2..1.45;

/// Grey levels that count as one in the distance between two colours, on the axes luminance, red-green and
/// yellow-blue; the distance from which they are unlike; the least light that a shadow leaves.
const LEVELS: [f32; 3] = [10.0, 5.0, 5.0];
const UNLIKE: f32 = 1.5;
const DARKEST: f32 = 0.3;

/// Moves the path inside the bark where there is bark: to where the ray leaves the colours that
/// the wood has just inside.
pub(super) fn inside_bark(rays: &Rays, path: &[usize]) -> Vec<usize> {
    let n = rays.texture.width;
    // Model of the wood near the edge: mean and sd of the colours between 70 and 90 % of the path.
    // Sums of the values, of their squares and of the samples on each ray first.
    let floors = [7.0f32, 4.0, 4.0];
    let sums: Vec<[(f32, f32, f32); 3]> = (0..RAYS)
        .map(|ray| {
            let seen = rays.visible[ray];
            let stretch = (path[ray] * 70 / 100).min(seen)..(path[ray] * 90 / 100).min(seen);
            rays.colour.each_ref().map(|plane| {
                let wood = &plane.row(ray)[stretch.clone()];
                (
                    wood.iter().sum(),
                    wood.iter().map(|v| v * v).sum(),
                    wood.len() as f32,
                )
            })
        })
        .collect();
    let model: Vec<[(f32, f32); 3]> = (0..RAYS)
        .map(|ray| {
            std::array::from_fn(|axis| {
                let (mut sum, mut square, mut count) = (0.0f32, 0.0f32, 0.0f32);
                for d in 0..15 {
                    let (s, q, c) = sums[(ray + RAYS + d - 7) % RAYS][axis];
                    sum += s;
                    square += q;
                    count += c;
                }
                let mean = sum / count.max(1.0);
                (
                    mean,
                    ((square / count.max(1.0) - mean * mean).max(0.0)).sqrt() + floors[axis],
                )
            })
        })
        .collect();
    let mut gain = Plane::filled(n, RAYS, f32::MIN);
    for ray in 0..RAYS {
        let seen = rays.visible[ray];
        if path[ray] + 2 >= seen {
            // The edge lies outside the frame here.
            for i in seen.saturating_sub(2)..n {
                gain.data[ray * n + i] = 0.0;
            }
            continue;
        }
        let (low, high) = (path[ray] * 80 / 100, (path[ray] * 106 / 100 + 2).min(n - 1));
        let odds = (low..=high.max(low)).map(|i| {
            let at = ray * n + i;
            let mut distance = 0.0f32;
            for ((mean, sd), plane) in model[ray].iter().zip(&rays.colour) {
                distance += ((plane.data[at] - mean) / sd).powi(2);
            }
            // Wood lies within about 2.6 sd over the three axes (7 of chi-square).
            (7.0 - distance).clamp(-7.0, 3.0)
        });
        for (i, sum) in (low..).zip(gathered(odds, LEFT)) {
            gain.data[ray * n + i] = sum;
        }
    }
    closed_path(&gain, 2, 1.5)
}

/// Whether bark lies outside the edge: on most rays what is next to it is neither ground, as it lies
/// further out on the ray, nor ground in the stem's shadow. `edge` has the edge's distance on each ray, samples.
pub(super) fn has_bark(rays: &Rays, edge: &[f64], is_in: &[bool]) -> bool {
    let (mut compared, mut unlike) = (0usize, 0usize);
    for (ray, &radius) in edge.iter().enumerate().filter(|(ray, _)| is_in[*ray]) {
        let mean = |share: Range<f64>| {
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a place on a ray, in samples"
            )]
            let at = |share: f64| (radius * share).round() as usize;
            // A sample more: the one on the edge has something of both sides.
            let start = at(share.start) + 1;
            let stretch = start..at(share.end).max(start + 1).min(rays.visible[ray]);
            let samples = stretch.len() as f32;
            (samples > 0.0).then(|| {
                rays.colour
                    .each_ref()
                    .map(|plane| plane.row(ray)[stretch.clone()].iter().sum::<f32>() / samples)
            })
        };
        let (Some(near), Some(ground)) = (mean(NEXT), mean(GROUND)) else {
            continue;
        };
        compared += 1;
        if shaded_distance(near, ground) > UNLIKE {
            unlike += 1;
        }
    }
    unlike * 2 > compared
}

/// Distance between a colour and the nearest shade of another.
fn shaded_distance(colour: [f32; 3], of: [f32; 3]) -> f32 {
    let product = |a: [f32; 3], b: [f32; 3]| -> f32 {
        (0..3)
            .map(|axis| a[axis] * b[axis] / (LEVELS[axis] * LEVELS[axis]))
            .sum()
    };
    let light = (product(colour, of) / product(of, of).max(1.0)).clamp(DARKEST, 1.0);
    let rest = std::array::from_fn(|axis| colour[axis] - light * of[axis]);
    product(rest, rest).sqrt()
}
