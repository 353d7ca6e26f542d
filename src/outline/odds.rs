//! What wood and ground look like, learnt from the two sides of a path, and the odds of wood by it.

use super::rays::{CHANCE_GRAIN, Rays};
use crate::plane::Plane;

/// Bins a colour axis of the histograms.
const BINS: usize = SIDE as usize;

/// The same, as bins are kept.
const SIDE: u16 = 14;

/// Colour and texture frequencies inside and outside a path.
pub(super) struct Learned {
    inside: Vec<f32>,
    outside: Vec<f32>,
    texture_in: Vec<f32>,
    texture_out: Vec<f32>,
}

/// Bin of a colour: luminance, red-green, yellow-blue.
#[inline(always)]
pub(super) fn colour_bin([grey, red_green, yellow_blue]: [f32; 3]) -> u16 {
    let axis = |value: f32, low: f32, high: f32| {
        let share = ((value - low) / (high - low)).clamp(0.0, 0.999);
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share below 1 times the bins"
        )]
        let i = (share * BINS as f32) as u16;
        i
    };
    (axis(grey, 0.0, 256.0) * SIDE + axis(red_green, -30.0, 80.0)) * SIDE
        + axis(yellow_blue, -30.0, 120.0)
}

/// Bin of a texture.
#[inline(always)]
pub(super) fn texture_bin(value: f32) -> u8 {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the bins"
    )]
    let i = (value / 7.0).clamp(0.0, (BINS - 1) as f32) as u8;
    i
}

/// Frequencies on the two sides of a path.
pub(super) fn learn(rays: &Rays, path: &[usize]) -> Learned {
    let n = rays.texture.width;
    let size = BINS * BINS * BINS;
    let mut learned = Learned {
        inside: vec![0.0; size],
        outside: vec![0.0; size],
        texture_in: vec![1.0; BINS],
        texture_out: vec![1.0; BINS],
    };
    for ((bins, seen), edge) in rays.bins.chunks_exact(n).zip(&rays.visible).zip(path) {
        for (i, &(colour, texture)) in bins[..*seen].iter().enumerate() {
            let (colour, texture) = (usize::from(colour), usize::from(texture));
            // A sample stands for an area that grows with its distance; the outer wood matters most.
            let weight = i as f32;
            if i < *edge {
                learned.inside[colour] += weight;
                learned.texture_in[texture] += weight;
            } else {
                learned.outside[colour] += weight;
                learned.texture_out[texture] += weight;
            }
        }
    }
    for frequencies in [&mut learned.inside, &mut learned.outside] {
        smooth_bins(frequencies);
    }
    for frequencies in [
        &mut learned.inside,
        &mut learned.outside,
        &mut learned.texture_in,
        &mut learned.texture_out,
    ] {
        let total: f32 = frequencies.iter().sum::<f32>().max(1.0);
        frequencies.iter_mut().for_each(|v| *v /= total);
    }
    learned
}

/// A little of each bin goes to its neighbours on the three axes.
fn smooth_bins(bins: &mut [f32]) {
    for stride in [1, BINS, BINS * BINS] {
        let old = bins.to_vec();
        for (i, value) in bins.iter_mut().enumerate() {
            let place = i / stride % BINS;
            let below = if place > 0 { old[i - stride] } else { old[i] };
            let above = if place + 1 < BINS {
                old[i + stride]
            } else {
                old[i]
            };
            *value = 0.5 * old[i] + 0.25 * (below + above);
        }
    }
}

/// Logarithm of the odds of wood at each sample.
pub(super) fn odds_of(rays: &Rays, learned: &Learned) -> Plane {
    let odds_of_bins =
        |inside: &[f32], outside: &[f32], floor: f32, most: f32, weight: f32| -> Vec<f32> {
            let odds =
                |(i, o): (&f32, &f32)| ((i + floor) / (o + floor)).ln().clamp(-most, most) * weight;
            inside.iter().zip(outside).map(odds).collect()
        };
    let colours = odds_of_bins(&learned.inside, &learned.outside, 1e-5, 3.0, 0.25);
    let textures = odds_of_bins(&learned.texture_in, &learned.texture_out, 1e-3, 2.0, 0.1);
    let mut odds = rays.roundness.map(|v| (v - CHANCE_GRAIN) * 0.8);
    for (value, &(colour, texture)) in odds.data.iter_mut().zip(&rays.bins) {
        *value += colours[usize::from(colour)] + textures[usize::from(texture)];
    }
    odds
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colours_and_textures_keep_within_their_bins() {
        for value in [-1e4, 0.0, 255.0, 1e4] {
            assert!(usize::from(colour_bin([value; 3])) < BINS * BINS * BINS);
            assert!(usize::from(texture_bin(value)) < BINS);
        }
        assert_eq!(colour_bin([0.0, -30.0, -30.0]), 0);
    }
}
