//! Where a ruler may lie: blocks with evenly spaced, parallel marks, joined into lines.
//!
//! In each round block the strongest direction of the gradients (its structure tensor) and the one
//! across it are tried; the block's mean profile along a direction is compared with itself shifted
//! (autocorrelation). A ruler's marks agree with themselves over the whole block, grain and gravel
//! don't. Blocks vote for the line through them.

use super::{Luminance, Row};
use rayon::prelude::*;
use std::f64::consts::{FRAC_PI_2, PI};

/// Radius of a block, px of its level.
const BLOCK_PX: i32 = 32;
/// Distance of blocks, px of their level.
const STRIDE_PX: usize = 24;
/// Spacings that a level looks for, px of it: below 3 px marks run together, above 18 px fewer than
/// four are in a block; the next level, half the size, goes on there.
const LAGS: std::ops::RangeInclusive<usize> = 3..=18;
/// Levels, each half the size of the one before: marks up to 144 px apart.
const LEVELS: usize = 4;
/// Least correlation of a block with itself shifted by one spacing.
const LEAST_CORRELATION: f64 = 0.42;
/// Least mean squared gradient (levels a px) of a block that is looked at: marks are the sharpest
/// thing in a photo.
const LEAST_ENERGY: f64 = 6.0;
/// Lines that are tried at most.
const MAX_ROWS: usize = 10;

/// A block with even marks.
#[derive(Debug, Clone, Copy)]
struct Block {
    x_px: f64,
    y_px: f64,
    angle: f64,
    period_px: f64,
    correlation: f64,
    /// Radius in px of the photo.
    radius_px: f64,
}

/// Lines that may be rulers, the most promising first. `skip(x, y, margin)`: whether a place, or one
/// within the margin of it, is not to be looked at.
pub(super) fn find(
    luminance: &Luminance,
    skip: &(dyn Fn(f64, f64, f64) -> bool + Sync),
) -> Vec<Row> {
    let mut blocks = Vec::new();
    let mut level = None;
    let mut scale = 1.0;
    for _ in 0..LEVELS {
        let plane = level.as_ref().unwrap_or(luminance);
        if plane.width.min(plane.height) < 4 * STRIDE_PX {
            break;
        }
        let rows: Vec<usize> = (STRIDE_PX..plane.height.saturating_sub(STRIDE_PX))
            .step_by(STRIDE_PX)
            .collect();
        let found: Vec<Vec<Block>> = rows
            .into_par_iter()
            .map(|y| {
                (STRIDE_PX..plane.width.saturating_sub(STRIDE_PX))
                    .step_by(STRIDE_PX)
                    .filter(|x| {
                        let (x, y) = (*x as f64 * scale, y as f64 * scale);
                        !skip(x, y, 0.7 * f64::from(BLOCK_PX) * scale)
                    })
                    .filter_map(|x| block(plane, x, y, scale))
                    .collect()
            })
            .collect();
        blocks.extend(found.into_iter().flatten());
        let half = plane.halved();
        level = Some(half);
        scale *= 2.0;
    }
    join(blocks)
}

/// Looks at one block.
fn block(plane: &Luminance, x: usize, y: usize, scale: f64) -> Option<Block> {
    let value = |i: usize, j: usize| plane.values[j * plane.width + i];
    let reach = BLOCK_PX as usize;
    let (x0, x1) = (
        x.saturating_sub(reach).max(1),
        (x + reach).min(plane.width - 2),
    );
    let (y0, y1) = (
        y.saturating_sub(reach).max(1),
        (y + reach).min(plane.height - 2),
    );
    let is_in = |i: usize, j: usize| {
        let (dx, dy) = (i as f32 - x as f32, j as f32 - y as f32);
        dx * dx + dy * dy <= (BLOCK_PX * BLOCK_PX) as f32
    };
    let (mut xx, mut yy, mut xy, mut n) = (0.0_f64, 0.0_f64, 0.0_f64, 0.0_f64);
    // Every second row is enough for a direction.
    for j in (y0..=y1).step_by(2) {
        for i in x0..=x1 {
            if is_in(i, j) {
                let gx = f64::from(value(i + 1, j) - value(i - 1, j));
                let gy = f64::from(value(i, j + 1) - value(i, j - 1));
                xx += gx * gx;
                yy += gy * gy;
                xy += gx * gy;
                n += 1.0;
            }
        }
    }
    if n < 300.0 || (xx + yy) / n < 4.0 * LEAST_ENERGY {
        return None;
    }
    let strongest = 0.5 * (2.0 * xy).atan2(xx - yy);
    let profile = |angle: f64| {
        #[allow(clippy::cast_possible_truncation, reason = "directions need no more")]
        let (sin, cos) = (angle.sin() as f32, angle.cos() as f32);
        let bins = 2 * reach + 3;
        let (mut sums, mut counts) = (vec![0.0_f32; bins], vec![0.0_f32; bins]);
        for j in y0..=y1 {
            let dy = j as f32 - y as f32;
            for i in x0..=x1 {
                if is_in(i, j) {
                    let t = (i as f32 - x as f32) * cos + dy * sin + (reach + 1) as f32;
                    #[allow(
                        clippy::cast_possible_truncation,
                        clippy::cast_sign_loss,
                        reason = "within the block: 1 to 2 reach + 1"
                    )]
                    let at = t as usize;
                    let part = t - at as f32;
                    let value = value(i, j);
                    sums[at] += (1.0 - part) * value;
                    counts[at] += 1.0 - part;
                    sums[at + 1] += part * value;
                    counts[at + 1] += part;
                }
            }
        }
        // The rim of the block has few pixels a bin.
        let edge = reach / 6;
        (edge..bins - edge)
            .filter(|i| counts[*i] > 4.0)
            .map(|i| f64::from(sums[i] / counts[i]))
            .collect::<Vec<f64>>()
    };
    let mut best: Option<(f64, f64, f64)> = None;
    for base in [strongest, strongest + FRAC_PI_2] {
        let Some((_, first)) = evenness(&profile(base)) else {
            continue;
        };
        if first < 0.5 * LEAST_CORRELATION {
            continue;
        }
        for step in -2..=2 {
            let angle = base + (1.5 * f64::from(step)).to_radians();
            if let Some((period, correlation)) = evenness(&profile(angle))
                && best.is_none_or(|(_, _, most)| correlation > most)
            {
                best = Some((angle, period, correlation));
            }
        }
    }
    let (angle, period, correlation) = best?;
    (correlation >= LEAST_CORRELATION).then(|| Block {
        // The centre of a pixel of a level lies between those of the pixels it was made of.
        x_px: (x as f64 + 0.5) * scale - 0.5,
        y_px: (y as f64 + 0.5) * scale - 0.5,
        angle: angle.rem_euclid(PI),
        period_px: period * scale,
        correlation,
        radius_px: f64::from(BLOCK_PX) * scale,
    })
}

/// The spacing of a profile and the correlation at it: the shortest spacing that does nearly as
/// well as the best.
fn evenness(profile: &[f64]) -> Option<(f64, f64)> {
    let n = profile.len();
    if n < 2 * LAGS.end() {
        return None;
    }
    // A straight ground is taken off: light falls off along a ruler.
    let middle = (n - 1) as f64 / 2.0;
    let mean = profile.iter().sum::<f64>() / n as f64;
    let (mut st, mut tt) = (0.0, 0.0);
    for (i, v) in profile.iter().enumerate() {
        let t = i as f64 - middle;
        st += t * v;
        tt += t * t;
    }
    let flat: Vec<f64> = profile
        .iter()
        .enumerate()
        .map(|(i, v)| v - mean - st / tt * (i as f64 - middle))
        .collect();
    let power = flat.iter().map(|v| v * v).sum::<f64>() / n as f64;
    // 1.5 levels of standard deviation: less is noise of the sensor.
    if power < 2.25 {
        return None;
    }
    let correlation = |lag: usize| {
        let pairs = flat.iter().zip(&flat[lag..]);
        pairs.map(|(a, b)| a * b).sum::<f64>() / ((n - lag) as f64 * power)
    };
    let all: Vec<f64> = (0..=LAGS.end() + 1).map(correlation).collect();
    let is_peak = |lag: usize| all[lag] >= all[lag - 1] && all[lag] > all[lag + 1];
    let most = LAGS
        .filter(|l| is_peak(*l))
        .map(|l| all[l])
        .max_by(f64::total_cmp)?;
    let lag = LAGS
        .into_iter()
        .find(|l| is_peak(*l) && all[*l] >= 0.75 * most)?;
    let (a, b, c) = (all[lag - 1], all[lag], all[lag + 1]);
    let bend = a - 2.0 * b + c;
    let part = if bend < 0.0 {
        0.5 * (a - c) / bend
    } else {
        0.0
    };
    Some((lag as f64 + part.clamp(-0.5, 0.5), b))
}

/// Joins blocks into lines.
fn join(mut blocks: Vec<Block>) -> Vec<Row> {
    blocks.sort_by(|a, b| {
        b.correlation
            .total_cmp(&a.correlation)
            .then(a.y_px.total_cmp(&b.y_px))
            .then(a.x_px.total_cmp(&b.x_px))
    });
    let mut is_free = vec![true; blocks.len()];
    let mut rows: Vec<Row> = Vec::new();
    for _ in 0..MAX_ROWS {
        let mut best: Option<(f64, Vec<usize>)> = None;
        // The strongest 300 are enough to start from: a ruler has dozens of blocks.
        for seed in (0..blocks.len()).filter(|i| is_free[*i]).take(300) {
            let members = on_line(&blocks, &is_free, &blocks[seed]);
            let weight: f64 = members.iter().map(|i| blocks[*i].correlation).sum();
            if best.as_ref().is_none_or(|(most, _)| weight > *most) {
                best = Some((weight, members));
            }
        }
        let Some((weight, members)) = best.filter(|(_, members)| members.len() >= 2) else {
            break;
        };
        rows.push(row(&blocks, &members, weight));
        for i in members {
            is_free[i] = false;
        }
    }
    rows
}

/// Blocks that lie on the line of one and have its spacing.
fn on_line(blocks: &[Block], is_free: &[bool], seed: &Block) -> Vec<usize> {
    let (sin, cos) = seed.angle.sin_cos();
    (0..blocks.len())
        .filter(|i| is_free[*i])
        .filter(|i| {
            let block = &blocks[*i];
            let (dx, dy) = (block.x_px - seed.x_px, block.y_px - seed.y_px);
            let off = (dy * cos - dx * sin).abs();
            let along = (dx * cos + dy * sin).abs();
            let turn = (block.angle - seed.angle).rem_euclid(PI);
            // 7 degrees: a block tells its direction to about two; 20 %: perspective.
            turn.min(PI - turn) < 0.12
                && off < 0.6 * seed.radius_px + 0.05 * along
                && (block.period_px / seed.period_px).ln().abs() < 0.2
        })
        .collect()
}

/// The line of its blocks: direction and spacing are means, weighted by correlation.
fn row(blocks: &[Block], members: &[usize], weight: f64) -> Row {
    let all = || members.iter().map(|i| &blocks[*i]);
    let mean = |value: &dyn Fn(&Block) -> f64| {
        all().map(|b| b.correlation * value(b)).sum::<f64>() / weight
    };
    let (x_px, y_px) = (mean(&|b| b.x_px), mean(&|b| b.y_px));
    let angle = 0.5 * mean(&|b| (2.0 * b.angle).sin()).atan2(mean(&|b| (2.0 * b.angle).cos()));
    let (sin, cos) = angle.sin_cos();
    let mut reach_px = [0.0_f64; 2];
    for b in all() {
        let along = (b.x_px - x_px) * cos + (b.y_px - y_px) * sin;
        reach_px = [
            reach_px[0].min(along - b.radius_px),
            reach_px[1].max(along + b.radius_px),
        ];
    }
    Row {
        x_px,
        y_px,
        angle,
        period_px: mean(&|b| b.period_px),
        reach_px,
        weight,
    }
}
