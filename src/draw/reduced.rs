//! The overlay of a large photo at a smaller size, where nothing that it shows gets lost.
//!
//! An overlay of 12 megapixels whose rings are 30 px wide takes longer to write than the rings take to
//! be found, and is no easier to check than one of 3. So a large photo is reduced by a whole factor
//! as long as narrow rings stay wide enough to be seen between their lines.

use crate::reading::{AZIMUTHS, Reading};
use crate::vectors::widest;
use image::RgbImage;

/// What rings have at least on a reduced overlay, px, but at one place in [`NARROW_PLACES`] (boundaries
/// that run together at the edge): line and casing leave most of it bare.
const LEAST_RING_PX: f64 = 8.0;

/// See [`LEAST_RING_PX`].
const NARROW_PLACES: usize = 20;

/// What the shorter side of a reduced overlay has at least, px: letters and lines are as sharp as on
/// a screen of that height.
const LEAST_SIDE_PX: u32 = 1100;

/// The most that a photo is reduced by.
pub(crate) const MOST: u32 = 4;

/// Azimuths between two places at which rings are measured, degrees.
const STEP_DEG: usize = 5;

/// By how much the overlay of a photo is smaller than the photo: 1 where rings would
/// get narrower than [`LEAST_RING_PX`], and where none was found.
pub(super) fn factor(width: u32, height: u32, reading: &Reading) -> u32 {
    let by_side = (width.min(height) / LEAST_SIDE_PX).clamp(1, MOST);
    if by_side == 1 || reading.rings.is_empty() {
        return 1;
    }
    let narrow = narrow_px(reading);
    (1..=by_side)
        .rev()
        .find(|factor| narrow >= f64::from(*factor) * LEAST_RING_PX)
        .unwrap_or(1)
}

/// The distance that one place in [`NARROW_PLACES`] stays below, from boundary to boundary and from
/// the pith to the first, px.
fn narrow_px(reading: &Reading) -> f64 {
    let mut widths = Vec::new();
    for azimuth in (0..AZIMUTHS).step_by(STEP_DEG) {
        let mut before = 0.0;
        for ring in &reading.rings {
            if let Some(radius) = ring.radius_px.get(azimuth).copied().flatten() {
                widths.push(radius - before);
                before = radius;
            }
        }
    }
    widths.sort_by(f64::total_cmp);
    widths
        .get(widths.len() / NARROW_PLACES)
        .copied()
        .unwrap_or(0.0)
}

/// The photo reduced: each pixel the mean of a block of `factor` by `factor`; rows and columns beyond
/// the last whole block are left out. Below it are `band` black rows more.
pub(super) fn picture(photo: &RgbImage, factor: u32, band: u32) -> RgbImage {
    // Loops and divisions of a known size are several times as fast.
    widest(
        #[inline(always)]
        || match factor {
            2 => means::<2, 6>(photo, band),
            3 => means::<3, 9>(photo, band),
            _ => means::<4, 12>(photo, band),
        },
    )
}

/// Blocks of a line that are summed at a time: they stay in the nearest cache.
const BLOCKS: usize = 256;

/// The means of blocks of `SIDE` by `SIDE` pixels; `LINE` is three times that, the channels of a
/// block's line.
#[inline(always)]
fn means<const SIDE: usize, const LINE: usize>(photo: &RgbImage, band: u32) -> RgbImage {
    const { assert!(LINE == 3 * SIDE && SIDE <= MOST as usize) };
    let (width, height) = (
        photo.width() as usize / SIDE,
        photo.height() as usize / SIDE,
    );
    let line = 3 * photo.width() as usize;
    let mut pixels = vec![0u8; 3 * width * (height + band as usize)];
    let lines = photo.as_raw().chunks_exact((SIDE * line).max(1));
    for (means, lines) in pixels.chunks_exact_mut((3 * width).max(1)).zip(lines) {
        let mut sums = [[0u16; LINE]; BLOCKS];
        let mut levels = [[0u8; LINE]; BLOCKS];
        for (piece, means) in means.chunks_mut(3 * BLOCKS).enumerate() {
            let sums = &mut sums[..means.len() / 3];
            let start = piece * BLOCKS * LINE;
            sums.as_flattened_mut().fill(0);
            for line in lines.chunks_exact(line) {
                for (sum, value) in sums.as_flattened_mut().iter_mut().zip(&line[start..]) {
                    *sum += u16::from(*value);
                }
            }
            // A mean from every channel on, as if a block began there: most are thrown away, and still
            // it is a good deal faster than block by block, because it is done sixteen at once.
            let sums = sums.as_flattened();
            let count = sums.len() + 3 - LINE;
            let pixels: [&[u16]; SIDE] =
                std::array::from_fn(|pixel| &sums[3 * pixel..3 * pixel + count]);
            #[allow(
                clippy::cast_possible_truncation,
                reason = "a mean of values up to 255, rounded; 16 of them fit 16 bits"
            )]
            for (i, level) in levels.as_flattened_mut()[..count].iter_mut().enumerate() {
                let total: u16 = pixels.iter().map(|pixel| pixel[i]).sum();
                let share = (SIDE * SIDE) as u16;
                let mean = ((total + share / 2) / share) as u8;
                *level = mean;
            }
            for (mean, block) in means.as_chunks_mut::<3>().0.iter_mut().zip(&levels) {
                *mean = [block[0], block[1], block[2]];
            }
        }
    }
    #[allow(
        clippy::cast_possible_truncation,
        reason = "not larger than the photo's"
    )]
    let size = (width as u32, height as u32 + band);
    let Some(picture) = RgbImage::from_raw(size.0, size.1, pixels) else {
        unreachable!("the buffer was made for this size");
    };
    picture
}

/// The reading in the pixels of the reduced picture: what is drawn at a place is moved, what is told
/// is not.
pub(super) fn reading(reading: &Reading, factor: u32) -> Reading {
    let factor = f64::from(factor);
    let place = |px: f64| (px + 0.5) / factor - 0.5;
    let lengths = |radius_px: &mut Vec<Option<f64>>| {
        radius_px.iter_mut().flatten().for_each(|r| *r /= factor);
    };
    let mut small = reading.clone();
    small.pith.x_px = place(small.pith.x_px);
    small.pith.y_px = place(small.pith.y_px);
    small.pith.sd_px /= factor;
    lengths(&mut small.outline.radius_px);
    for ring in &mut small.rings {
        lengths(&mut ring.radius_px);
        ring.mean_width_px /= factor;
    }
    if let Some(ruler) = small.scale.as_mut().and_then(|scale| scale.ruler.as_mut()) {
        ruler.from_px = ruler.from_px.map(place);
        ruler.to_px = ruler.to_px.map(place);
        ruler.graduations_px.iter_mut().for_each(|at| *at /= factor);
    }
    small
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::Rgb;

    #[test]
    fn a_reduced_picture_has_the_means_of_whole_blocks() {
        let photo = RgbImage::from_fn(7, 5, |x, y| Rgb([(10 * x) as u8, (20 * y) as u8, 255]));
        let small = picture(&photo, 2, 0);
        assert_eq!(small.dimensions(), (3, 2));
        assert_eq!(small.get_pixel(2, 1), &Rgb([45, 50, 255]));
        for factor in 2..=MOST {
            // As wide as three pieces of blocks, the last cut short.
            let photo = RgbImage::from_fn(600 * factor + 1, factor, |x, y| {
                Rgb([7, 31, 101].map(|times| (times * (x + 13 * y) % 256) as u8))
            });
            let small = picture(&photo, factor, 0);
            for (x, y, pixel) in small.enumerate_pixels() {
                for channel in 0..3 {
                    let block = (0..factor * factor).map(|i| {
                        let at = (x * factor + i % factor, y * factor + i / factor);
                        u32::from(photo.get_pixel(at.0, at.1)[channel])
                    });
                    let share = factor * factor;
                    let mean = (block.sum::<u32>() + share / 2) / share;
                    assert_eq!(
                        u32::from(pixel[channel]),
                        mean,
                        "{x} {y}, blocks of {factor}"
                    );
                }
            }
        }
        let white = RgbImage::from_pixel(8, 8, Rgb([255; 3]));
        assert!(picture(&white, 4, 0).iter().all(|v| *v == 255));
    }
}
