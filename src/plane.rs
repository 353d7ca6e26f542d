//! A plane of `f32` samples, row after row, with the few filters that every stage needs.
//!
//! Written here rather than taken from a library because the unwrapped disc is periodic in one
//! axis and bounded in the other, and because a blur that is called a hundred times a photo must
//! not allocate more than its result. The judge of the fast blur is the plain one in the tests.

use crate::vectors::{whole, widest};

/// `height` rows of `width` samples.
#[derive(Debug, Clone, PartialEq)]
pub struct Plane {
    /// Samples a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// The samples, row after row.
    pub data: Vec<f32>,
}

/// What lies beyond the first and last row of a plane.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RowBorder {
    /// The border row goes on.
    Repeat,
    /// The rows close into a ring, as azimuths do.
    Wrap,
}

impl Plane {
    /// A plane of one value.
    pub fn filled(width: usize, height: usize, value: f32) -> Self {
        Plane {
            width,
            height,
            data: vec![value; width * height],
        }
    }

    /// One row.
    #[inline]
    pub fn row(&self, y: usize) -> &[f32] {
        &self.data[y * self.width..(y + 1) * self.width]
    }

    /// One row, to be changed.
    #[inline]
    pub fn row_mut(&mut self, y: usize) -> &mut [f32] {
        &mut self.data[y * self.width..(y + 1) * self.width]
    }

    /// One sample.
    #[inline]
    pub fn at(&self, x: usize, y: usize) -> f32 {
        self.data[y * self.width + x]
    }

    /// A plane of the same shape, sample by sample.
    pub fn map(&self, f: impl Fn(f32) -> f32) -> Plane {
        Plane {
            width: self.width,
            height: self.height,
            data: self.data.iter().map(|v| f(*v)).collect(),
        }
    }

    /// A plane made of two of the same shape, sample by sample.
    pub fn with(&self, other: &Plane, f: impl Fn(f32, f32) -> f32) -> Plane {
        debug_assert_eq!((self.width, self.height), (other.width, other.height));
        let data = self
            .data
            .iter()
            .zip(&other.data)
            .map(|(a, b)| f(*a, *b))
            .collect();
        Plane {
            width: self.width,
            height: self.height,
            data,
        }
    }

    /// Gaussian blur, sigma along the rows and across them, samples; beyond the ends of a row its
    /// end value goes on.
    ///
    /// Taps reach to three sigma; both axes are plain convolutions, arranged so that the compiler
    /// vectorises them.
    pub fn blurred(&self, sigma_along: f32, sigma_across: f32, border: RowBorder) -> Plane {
        match (sigma_along > 0.0, sigma_across > 0.0) {
            (true, true) => self.blurred_both(&kernel(sigma_along), &kernel(sigma_across), border),
            (true, false) => self.blurred_along(&kernel(sigma_along)),
            (false, true) => self.blurred_across(&kernel(sigma_across), border),
            (false, false) => self.clone(),
        }
    }

    /// Along the rows and then across them, of the former no more rows at a time than the latter needs.
    fn blurred_both(&self, along: &[f32], across: &[f32], border: RowBorder) -> Plane {
        let (width, reach) = (self.width, across.len() - 1);
        let rows = 2 * reach + 1;
        // Row `i` of the plane, counted from `reach` rows before its first, is kept at `i % rows`.
        let mut kept = vec![0.0f32; rows * width];
        let mut padded = vec![0.0f32; width + 2 * (along.len() - 1)];
        let mut done = 0;
        self.by_lines(|y, line| {
            while done <= y + 2 * reach {
                let source = match done.checked_sub(reach) {
                    Some(i) => neighbour_row(0, i, true, self.height, border),
                    None => neighbour_row(0, reach - done, false, self.height, border),
                };
                let place = done % rows * width;
                let beyond = done < reach || done - reach >= self.height;
                if border == RowBorder::Repeat && beyond && done > 0 && done != reach {
                    let before = (done - 1) % rows * width;
                    kept.copy_within(before..before + width, place);
                } else {
                    pad(self.row(source), along.len() - 1, &mut padded);
                    convolve(&padded, along, &mut kept[place..place + width]);
                }
                done += 1;
            }
            let row = |i: usize| &kept[i % rows * width..][..width];
            let middle = y + reach;
            let pairs: Vec<(f32, &[f32], &[f32])> = (1..=reach)
                .map(|d| (across[d], row(middle - d), row(middle + d)))
                .collect();
            gather_pairs(across[0], row(middle), &pairs, line);
        })
    }

    fn blurred_along(&self, taps: &[f32]) -> Plane {
        let reach = taps.len() - 1;
        let mut padded = vec![0.0f32; self.width + 2 * reach];
        self.by_lines(|y, line| {
            pad(self.row(y), reach, &mut padded);
            convolve(&padded, taps, line);
        })
    }

    fn blurred_across(&self, taps: &[f32], border: RowBorder) -> Plane {
        let mut pairs = Vec::with_capacity(taps.len());
        self.by_lines(|y, line| {
            pairs.clear();
            for (d, tap) in taps.iter().enumerate().skip(1) {
                let above = self.row(neighbour_row(y, d, false, self.height, border));
                let below = self.row(neighbour_row(y, d, true, self.height, border));
                pairs.push((*tap, above, below));
            }
            gather_pairs(taps[0], self.row(y), &pairs, line);
        })
    }

    /// A plane of the same shape, line by line: each is made in a buffer that stays in the cache and
    /// written once, where a plane filled first would be written twice.
    fn by_lines(&self, mut make: impl FnMut(usize, &mut [f32])) -> Plane {
        let mut data = Vec::with_capacity(self.data.len());
        let mut line = vec![0.0f32; self.width];
        if self.width > 0 {
            for y in 0..self.height {
                make(y, &mut line);
                data.extend_from_slice(&line);
            }
        }
        Plane {
            width: self.width,
            height: self.height,
            data,
        }
    }

    /// Smaller by whole factors: the mean of each block of `fx` by `fy` samples; a last block that
    /// is cut short is dropped unless it is the only one.
    pub fn shrunk(&self, fx: usize, fy: usize) -> Plane {
        self.shrunk_by(fx, fy, |v| v)
    }

    /// Block means as [`Plane::shrunk`] makes them, of what `f` makes of each sample.
    fn shrunk_by(&self, fx: usize, fy: usize, f: impl Fn(f32) -> f32) -> Plane {
        let (width, height) = ((self.width / fx).max(1), (self.height / fy).max(1));
        let mut out = Plane::filled(width, height, 0.0);
        let (fx, fy) = (fx.min(self.width), fy.min(self.height));
        let share = 1.0 / (fx * fy) as f32;
        for y in 0..height {
            let target = &mut out.data[y * width..(y + 1) * width];
            for dy in 0..fy {
                let row = self.row(y * fy + dy);
                match fx {
                    1 => add_blocks::<1>(row, share, &f, target),
                    2 => add_blocks::<2>(row, share, &f, target),
                    4 => add_blocks::<4>(row, share, &f, target),
                    _ => {
                        for (value, block) in target.iter_mut().zip(row.chunks_exact(fx)) {
                            *value += block.iter().map(|v| f(*v)).sum::<f32>() * share;
                        }
                    }
                }
            }
        }
        out
    }

    /// Larger by a whole factor: the way back from [`Plane::shrunk`] to a plane of `width` by
    /// `height` samples, straight in both axes between the middles of the blocks.
    pub fn stretched(&self, factor: usize, width: usize, height: usize) -> Plane {
        let mut stretch = Stretch::of(self, factor, width, height);
        let mut data = Vec::with_capacity(width * height);
        let mut line = vec![0.0f32; width];
        for y in 0..height {
            stretch.line(y, &mut line);
            data.extend_from_slice(&line);
        }
        Plane {
            width,
            height,
            data,
        }
    }

    /// The samples less their local mean over their local deviation, both within about `sigma`
    /// samples (8 or more); `floor` is added to the deviation.
    ///
    /// Mean and deviation vary over `sigma` samples and need no full resolution: both are blurred on
    /// planes shrunk `shrink` times, which is some thirty times faster with 4.
    pub fn locally_normalised(&self, sigma: f32, shrink: usize, floor: f32) -> Plane {
        let spread = sigma / shrink as f32;
        let blurred = |plane: &Plane| plane.blurred(spread, spread, RowBorder::Repeat);
        let mean = if shrink == 1 {
            blurred(self)
        } else {
            blurred(&self.shrunk(shrink, shrink))
        };
        let mut local = Stretch::of(&mean, shrink, self.width, self.height);
        let mut means = vec![0.0f32; self.width];
        let mut rest = self.by_lines(|y, line| {
            local.line(y, &mut means);
            for ((rest, v), mean) in line.iter_mut().zip(self.row(y)).zip(&means) {
                *rest = v - mean;
            }
        });
        let power = blurred(&rest.shrunk_by(shrink, shrink, |v| v * v));
        let mut local = Stretch::of(&power, shrink, self.width, self.height);
        let mut powers = means;
        for y in 0..self.height {
            local.line(y, &mut powers);
            let row = rest.row_mut(y);
            widest(
                #[inline(always)]
                || {
                    for (v, power) in row.iter_mut().zip(&powers) {
                        *v /= power.max(0.0).sqrt() + floor;
                    }
                },
            );
        }
        rest
    }

    /// The value between samples, straight in both axes; beyond the borders the border goes on.
    #[inline(always)]
    pub fn sampled(&self, x: f32, y: f32) -> f32 {
        let x = x.clamp(0.0, (self.width - 1) as f32);
        let y = y.clamp(0.0, (self.height - 1) as f32);
        // Cutting off is rounding down from 0 on, and no call into the mathematics library.
        #[allow(
            clippy::cast_possible_truncation,
            reason = "clamped into the plane above"
        )]
        let (x0, y0) = (x as i32, y as i32);
        let (fx, fy) = (x - x0 as f32, y - y0 as f32);
        let (x0, y0) = (x0.cast_unsigned() as usize, y0.cast_unsigned() as usize);
        let (x1, y1) = ((x0 + 1).min(self.width - 1), (y0 + 1).min(self.height - 1));
        let top = self.at(x0, y0) * (1.0 - fx) + self.at(x1, y0) * fx;
        let bottom = self.at(x0, y1) * (1.0 - fx) + self.at(x1, y1) * fx;
        top * (1.0 - fy) + bottom * fy
    }
}

/// Adds the mean share of each block of `N` samples, made into something, to a line of sums.
fn add_blocks<const N: usize>(
    row: &[f32],
    share: f32,
    f: &impl Fn(f32) -> f32,
    target: &mut [f32],
) {
    for (value, block) in target.iter_mut().zip(row.as_chunks::<N>().0) {
        *value += block.iter().map(|v| f(*v)).sum::<f32>() * share;
    }
}

/// A plane of block means seen at full size, line by line.
struct Stretch<'a> {
    means: &'a Plane,
    factor: usize,
    height: usize,
    /// Block before each sample of a line, the one after it, and the share of the latter.
    columns: Vec<(usize, usize, f32)>,
    /// One line of blocks, straight between two.
    blocks: Vec<f32>,
}

impl Stretch<'_> {
    fn of(means: &Plane, factor: usize, width: usize, height: usize) -> Stretch<'_> {
        // Blocks of four have a way of their own.
        let listed = if matches!(factor, 1 | 4) { 0 } else { width };
        Stretch {
            means,
            factor,
            height,
            columns: (0..listed)
                .map(|x| between(x, factor, means.width))
                .collect(),
            blocks: vec![0.0f32; means.width],
        }
    }

    /// Line `y` of the plane at full size.
    fn line(&mut self, y: usize, line: &mut [f32]) {
        debug_assert!(y < self.height);
        let (above, below, share) = between(y, self.factor, self.means.height);
        let rows = self.means.row(above).iter().zip(self.means.row(below));
        for (value, (a, b)) in self.blocks.iter_mut().zip(rows) {
            *value = a + share * (b - a);
        }
        let blocks = &self.blocks;
        match self.factor {
            1 => line.copy_from_slice(blocks),
            4 => lengthen_fours(blocks, line),
            _ => {
                for (value, &(a, b, share)) in line.iter_mut().zip(&self.columns) {
                    *value = blocks[a] + share * (blocks[b] - blocks[a]);
                }
            }
        }
    }
}

/// Block before a sample, the one after it, and the share of the latter.
fn between(i: usize, factor: usize, blocks: usize) -> (usize, usize, f32) {
    let twice = 2 * i + 1;
    let last = blocks.saturating_sub(1);
    let before = (twice.saturating_sub(factor) / (2 * factor)).min(last);
    let beyond = twice as f32 / (2 * factor) as f32 - 0.5 - before as f32;
    (before, (before + 1).min(last), beyond.clamp(0.0, 1.0))
}

/// Means of blocks of four at full size, straight between the middles of the blocks.
fn lengthen_fours(means: &[f32], line: &mut [f32]) {
    let (Some(first), Some(last)) = (means.first(), means.last()) else {
        return;
    };
    // Half a block before the first middle; then whole ones, from middle to middle.
    let (start, rest) = line.split_at_mut(line.len().min(2));
    start.fill(*first);
    let (fours, end) = rest.as_chunks_mut::<4>();
    let runs = fours.len().min(means.len() - 1);
    for (four, pair) in fours[..runs].iter_mut().zip(means.windows(2)) {
        let rise = pair[1] - pair[0];
        *four = [0.125, 0.375, 0.625, 0.875].map(|share| pair[0] + share * rise);
    }
    fours[runs..].as_flattened_mut().fill(*last);
    // A line that ends within a run.
    for (value, share) in end.iter_mut().zip([0.125, 0.375, 0.625]) {
        let (here, next) = (
            means[runs.min(means.len() - 1)],
            means[(runs + 1).min(means.len() - 1)],
        );
        *value = if runs < fours.len() {
            *last
        } else {
            here + share * (next - here)
        };
    }
}

/// Half of a Gaussian's taps, the middle one first, all together summing to one.
fn kernel(sigma: f32) -> Vec<f32> {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a small positive number, rounded up"
    )]
    let reach = (3.0 * sigma).ceil().max(1.0) as usize;
    let mut taps: Vec<f32> = (0..=reach)
        .map(|i| (-0.5 * (i as f32 / sigma).powi(2)).exp())
        .collect();
    let sum = taps[0] + 2.0 * taps[1..].iter().sum::<f32>();
    taps.iter_mut().for_each(|t| *t /= sum);
    taps
}

/// `target[i]` is the symmetric convolution of `padded` about `i + taps.len() - 1`.
fn convolve(padded: &[f32], taps: &[f32], target: &mut [f32]) {
    let (reach, n) = (taps.len() - 1, target.len());
    let pairs: Vec<(f32, &[f32], &[f32])> = (1..=reach)
        .map(|d| {
            (
                taps[d],
                &padded[reach - d..reach - d + n],
                &padded[reach + d..reach + d + n],
            )
        })
        .collect();
    gather_pairs(taps[0], &padded[reach..reach + n], &pairs, target);
}

/// Samples that are summed together in registers.
const LANES: usize = 64;

/// The same at the end of a line.
const FEW_LANES: usize = 16;

/// `target` is `tap * middle` and, for each pair of lines, their tap times their sum.
fn gather_pairs(tap: f32, middle: &[f32], pairs: &[(f32, &[f32], &[f32])], target: &mut [f32]) {
    widest(
        #[inline(always)]
        || gather_pairs_plain(tap, middle, pairs, target),
    );
}

#[inline(always)]
fn gather_pairs_plain(
    tap: f32,
    middle: &[f32],
    pairs: &[(f32, &[f32], &[f32])],
    target: &mut [f32],
) {
    let n = target.len();
    let whole = n / LANES * LANES;
    for start in (0..whole).step_by(LANES) {
        gather_block::<LANES>(start, tap, middle, pairs, target);
    }
    // The rest in smaller blocks, of which the last ends with the line: some sums are made twice, which
    // is cheaper than one by one.
    if n >= FEW_LANES {
        for start in (whole..n).step_by(FEW_LANES) {
            gather_block::<FEW_LANES>(start.min(n - FEW_LANES), tap, middle, pairs, target);
        }
    } else {
        for start in 0..n {
            gather_block::<1>(start, tap, middle, pairs, target);
        }
    }
}

#[inline(always)]
fn gather_block<const N: usize>(
    start: usize,
    tap: f32,
    middle: &[f32],
    pairs: &[(f32, &[f32], &[f32])],
    target: &mut [f32],
) {
    let mut sums = [0.0f32; N];
    for (sum, source) in sums.iter_mut().zip(&middle[start..start + N]) {
        *sum = tap * source;
    }
    for (tap, before, after) in pairs {
        let (before, after) = (&before[start..start + N], &after[start..start + N]);
        for i in 0..N {
            sums[i] += tap * (before[i] + after[i]);
        }
    }
    target[start..start + N].copy_from_slice(&sums);
}

/// A row with its end values going on for `reach` samples on either side.
fn pad(row: &[f32], reach: usize, padded: &mut [f32]) {
    padded[..reach].fill(row[0]);
    padded[reach..reach + row.len()].copy_from_slice(row);
    padded[reach + row.len()..].fill(row[row.len() - 1]);
}

fn neighbour_row(
    y: usize,
    distance: usize,
    below: bool,
    height: usize,
    border: RowBorder,
) -> usize {
    match (border, below) {
        (RowBorder::Repeat, false) => y.saturating_sub(distance),
        (RowBorder::Repeat, true) => (y + distance).min(height - 1),
        (RowBorder::Wrap, false) => (y + height - distance % height) % height,
        (RowBorder::Wrap, true) => (y + distance) % height,
    }
}

/// Gaussian blur of one row of samples; beyond its ends the end value goes on.
pub fn blur_line(line: &[f32], sigma: f32) -> Vec<f32> {
    if line.is_empty() || sigma <= 0.0 {
        return line.to_vec();
    }
    let taps = kernel(sigma);
    let reach = taps.len() - 1;
    let mut padded = vec![line[0]; reach];
    padded.extend_from_slice(line);
    padded.extend(std::iter::repeat_n(line[line.len() - 1], reach));
    let mut out = vec![0.0; line.len()];
    convolve(&padded, &taps, &mut out);
    out
}

/// The value of a row of samples at a place between them; beyond its ends the end value goes on.
#[inline(always)]
pub fn line_at(line: &[f32], place: f32) -> f32 {
    let place = place.clamp(0.0, (line.len() - 1) as f32);
    // The innermost step of several stages: no cast and no call that keeps it from vectors.
    let (before, i) = whole(place);
    let last = line.len() - 1;
    let i = (i as usize).min(last);
    line[i] + (place - before) * (line[(i + 1).min(last)] - line[i])
}

/// Third moment of values about zero over the 3/2 power of the second; 0 where all are 0.
pub fn skew(values: impl Iterator<Item = f32>) -> f64 {
    let (mut count, mut squares, mut cubes) = (0.0f64, 0.0f64, 0.0f64);
    for value in values.map(f64::from) {
        count += 1.0;
        squares += value * value;
        cubes += value * value * value;
    }
    let n = count.max(1.0);
    cubes / n / (squares / n).powf(1.5).max(1e-9)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plain_blur(plane: &Plane, sx: f32, sy: f32) -> Plane {
        let weight = |d: isize, s: f32| (-0.5 * (d as f32 / s).powi(2)).exp();
        let mut out = Plane::filled(plane.width, plane.height, 0.0);
        let (rx, ry) = ((3.0 * sx).ceil() as isize, (3.0 * sy).ceil() as isize);
        for y in 0..plane.height as isize {
            for x in 0..plane.width as isize {
                let (mut sum, mut total) = (0.0, 0.0);
                for dy in -ry..=ry {
                    for dx in -rx..=rx {
                        let w = weight(dx, sx) * weight(dy, sy);
                        let px = (x + dx).clamp(0, plane.width as isize - 1) as usize;
                        let py = (y + dy).rem_euclid(plane.height as isize) as usize;
                        sum += w * plane.at(px, py);
                        total += w;
                    }
                }
                out.data[y as usize * plane.width + x as usize] = sum / total;
            }
        }
        out
    }

    #[test]
    fn the_fast_blur_agrees_with_the_plain_one() {
        for (width, height) in [(1, 1), (7, 1), (1, 9), (13, 11), (37, 5), (64, 3), (151, 4)] {
            let data = (0..width * height)
                .map(|i| ((i * 37) % 101) as f32)
                .collect();
            let plane = Plane {
                width,
                height,
                data,
            };
            let fast = plane.blurred(1.7, 2.3, RowBorder::Wrap);
            let plain = plain_blur(&plane, 1.7, 2.3);
            for (a, b) in fast.data.iter().zip(&plain.data) {
                assert!((a - b).abs() < 1e-3, "{a} {b} on {width} x {height}");
            }
        }
    }

    #[test]
    fn both_axes_at_once_are_one_after_the_other() {
        for (width, height) in [(1, 1), (40, 1), (7, 3), (33, 30)] {
            let data = (0..width * height)
                .map(|i| ((i * 37) % 101) as f32)
                .collect();
            let plane = Plane {
                width,
                height,
                data,
            };
            for border in [RowBorder::Repeat, RowBorder::Wrap] {
                let apart = plane.blurred(1.7, 0.0, border).blurred(0.0, 2.3, border);
                assert_eq!(plane.blurred(1.7, 2.3, border), apart);
            }
        }
    }

    #[test]
    fn shrinking_keeps_the_mean_of_whole_blocks() {
        let plane = Plane {
            width: 4,
            height: 2,
            data: vec![1.0, 3.0, 5.0, 7.0, 1.0, 3.0, 5.0, 7.0],
        };
        assert_eq!(plane.shrunk(2, 2).data, vec![2.0, 6.0]);
    }

    #[test]
    fn stretching_puts_a_ramp_back_between_the_middles_of_its_blocks() {
        let data = (0..12 * 8)
            .map(|i| ((i % 12) * 2 + (i / 12) * 5) as f32)
            .collect();
        let ramp = Plane {
            width: 12,
            height: 8,
            data,
        };
        let back = ramp.shrunk(4, 4).stretched(4, 12, 8);
        for y in 2..6 {
            for x in 2..10 {
                assert!((back.at(x, y) - ramp.at(x, y)).abs() < 1e-4, "{x} {y}");
            }
        }
        // Before the first middle, 1.5 on both axes, its value goes on.
        assert!((back.at(0, 0) - 10.5).abs() < 1e-4);
        // Samples beyond the last whole block.
        assert_eq!(ramp.shrunk(5, 5).stretched(5, 12, 8).data.len(), 96);
    }

    #[test]
    fn values_between_samples_lie_on_a_ramp() {
        let plane = Plane {
            width: 3,
            height: 2,
            data: vec![0.0, 1.0, 2.0, 10.0, 11.0, 12.0],
        };
        assert!((plane.sampled(1.25, 0.5) - 6.25).abs() < 1e-6);
        assert!((line_at(&[0.0, 2.0, 4.0], 1.5) - 3.0).abs() < 1e-6);
    }

    #[test]
    fn skew_is_that_of_the_moments_about_zero() {
        // Squares 1, 1, 4 and cubes -1, -1, 8: 2 over 2 to the power of 3/2.
        let one_sided = skew([-1.0f32, -1.0, 2.0].into_iter());
        assert!((one_sided - 0.5f64.sqrt()).abs() < 1e-12);
        assert_eq!(skew([-3.0f32, 3.0].into_iter()), 0.0);
        assert_eq!(skew(std::iter::empty()), 0.0);
    }
}
