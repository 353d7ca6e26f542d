//! Cheap procedural noise: hashed lattices with smooth interpolation between their points.
//!
//! Value noise as commonly practised in computer graphics: a pseudo-random number at each lattice
//! point, blended by a cubic. It costs a few hashes a pixel, needs no table, and is the same for the
//! same seed at any picture size. The hash is two rounds of the multiply and xor-shift finaliser
//! common in such code (common practice, no source).

/// The whole number at or below `x`, for lattice cells.
#[inline]
#[allow(
    clippy::cast_possible_truncation,
    reason = "coordinates are mm or px of a picture, far inside an i32; floored below"
)]
pub(crate) fn cell(x: f64) -> i32 {
    // Without SSE 4.1, which the plain x86-64 target lacks, `floor` is a call into the C library:
    // a tenth of the whole rendering.
    let toward_zero = x as i32;
    toward_zero - i32::from(f64::from(toward_zero) > x)
}

/// The part of `x` above the whole number below it, 0 to 1: an angle's share of a turn. (The
/// remainder of floats costs far more.)
#[inline]
pub(crate) fn part(x: f64) -> f64 {
    x - f64::from(cell(x))
}

/// The whole number at or below `x`, as an index held to 0 up to, not including, `n`; 0 where `n` is 0.
#[inline]
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to the range just before"
)]
pub(crate) fn index(x: f64, n: usize) -> usize {
    x.clamp(0.0, n.saturating_sub(1) as f64) as usize
}

/// A brightness of 0 to 1 as a channel of a pixel.
#[inline]
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to 0..=255 just before"
)]
pub(crate) fn channel(brightness: f64) -> u8 {
    (brightness * 255.0 + 0.5).clamp(0.0, 255.0) as u8
}

/// 32 mixed bits of a lattice point.
#[inline]
#[allow(
    clippy::cast_sign_loss,
    reason = "bits of a lattice coordinate are mixed, their sign has no meaning"
)]
pub(crate) fn mix(seed: u32, x: i32, y: i32) -> u32 {
    let mut h = seed
        ^ (x as u32).wrapping_mul(0x9e37_79b1)
        ^ (y as u32).wrapping_mul(0x85eb_ca77).rotate_left(13);
    h ^= h >> 16;
    h = h.wrapping_mul(0x7feb_352d);
    h ^= h >> 15;
    h = h.wrapping_mul(0x846c_a68b);
    h ^ (h >> 16)
}

/// A number from 0 to 1 for a lattice point.
#[inline]
pub(crate) fn dice(seed: u32, x: i32, y: i32) -> f64 {
    f64::from(mix(seed, x, y)) / 4_294_967_296.0
}

/// 0 below `from`, 1 above `to`, a smooth cubic between; falls where `from` is above `to`.
#[inline]
pub(crate) fn ramp(from: f64, to: f64, x: f64) -> f64 {
    let t = ((x - from) / (to - from)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// Between `a` and `b`.
#[inline]
pub(crate) fn lerp(a: f64, b: f64, t: f64) -> f64 {
    a + (b - a) * t
}

/// Smooth noise along a line, -1 to 1, one lattice point a unit.
#[inline]
pub(crate) fn line(seed: u32, x: f64) -> f64 {
    let i = cell(x);
    let t = x - f64::from(i);
    let t = t * t * (3.0 - 2.0 * t);
    2.0 * lerp(dice(seed, i, 7), dice(seed, i.wrapping_add(1), 7), t) - 1.0
}

/// Smooth noise in the plane, -1 to 1, one lattice point a unit.
#[inline]
pub(crate) fn plane(seed: u32, x: f64, y: f64) -> f64 {
    let (i, j) = (cell(x), cell(y));
    let (tx, ty) = (x - f64::from(i), y - f64::from(j));
    let (tx, ty) = (tx * tx * (3.0 - 2.0 * tx), ty * ty * (3.0 - 2.0 * ty));
    let (i1, j1) = (i.wrapping_add(1), j.wrapping_add(1));
    let upper = lerp(dice(seed, i, j), dice(seed, i1, j), tx);
    let lower = lerp(dice(seed, i, j1), dice(seed, i1, j1), tx);
    2.0 * lerp(upper, lower, ty) - 1.0
}

/// Noise on a circle, -1 to 1: `points` lattice points a turn along the angle (rad), one a unit
/// along `across`. No seam at angle 0.
#[inline]
pub(crate) fn turn(seed: u32, angle: f64, points: i32, across: f64) -> f64 {
    let x = angle / std::f64::consts::TAU * f64::from(points);
    let (i, j) = (cell(x), cell(across));
    let (tx, ty) = (x - f64::from(i), across - f64::from(j));
    let (tx, ty) = (tx * tx * (3.0 - 2.0 * tx), ty * ty * (3.0 - 2.0 * ty));
    let a = i.rem_euclid(points);
    let b = if a + 1 == points { 0 } else { a + 1 };
    let upper = lerp(dice(seed, a, j), dice(seed, b, j), tx);
    let lower = lerp(
        dice(seed, a, j.wrapping_add(1)),
        dice(seed, b, j.wrapping_add(1)),
        tx,
    );
    2.0 * lerp(upper, lower, ty) - 1.0
}

/// Three octaves of [`plane`], about -1 to 1: clouds, stains, rough surfaces.
#[inline]
pub(crate) fn cloud(seed: u32, x: f64, y: f64) -> f64 {
    0.57 * plane(seed, x, y)
        + 0.29 * plane(seed ^ 0x51ab, 2.03 * x + 11.3, 2.03 * y - 4.1)
        + 0.14 * plane(seed ^ 0xa3f1, 4.1 * x - 3.7, 4.1 * y + 8.9)
}

#[cfg(test)]
mod tests {
    use super::{cloud, line, plane, turn};
    use std::f64::consts::TAU;

    #[test]
    fn noise_stays_in_range_and_has_no_jumps() {
        let mut x = -40.0;
        while x < 40.0 {
            for value in [line(3, x), plane(3, x, 0.3 * x), cloud(3, x, -x)] {
                assert!((-1.0..=1.0).contains(&value));
            }
            // The steepest that the cubic allows is 1.5 times the span of 2 a unit.
            assert!((plane(3, x, 1.7) - plane(3, x + 0.01, 1.7)).abs() <= 0.031);
            x += 0.037;
        }
    }

    #[test]
    fn noise_round_the_circle_has_no_seam() {
        assert!((turn(9, 1e-9, 12, 3.3) - turn(9, TAU - 1e-9, 12, 3.3)).abs() < 1e-6);
    }
}
