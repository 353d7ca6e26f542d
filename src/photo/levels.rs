//! Any picture's levels as 8-bit red, green and blue.
//!
//! 16-bit pictures mostly fill their range and are scaled, 65535 to 255. Those of instruments often
//! don't: 12-bit data in a 16-bit file ends at 4095 and would come out nearly black, its rings rounded
//! away. Where the levels (but for a thousandth of the samples at either end) span less than a quarter
//! of the range, that span is stretched to all of it, the same way for every channel, so that hues
//! stay. A span below [`LEAST_SPAN`] is a blank picture and left alone: stretched, it would be noise.

use image::{DynamicImage, RgbImage};

/// Levels of 65536 that must be spanned to call it a picture: half a level of 8 bits.
const LEAST_SPAN: usize = 128;

/// Share of the samples at either end that a stretch may cut off: dead and hot pixels.
const CUT_SHARE: f64 = 0.001;

/// Makes 8-bit red, green and blue of any picture; transparent parts are laid over white.
///
/// # Memory
/// The new picture beside the old one; an 8-bit RGB picture is passed on as it is.
pub(super) fn to_rgb8(picture: DynamicImage) -> RgbImage {
    let (width, height) = (picture.width(), picture.height());
    let plain = |level: u8, _: usize| level;
    let rgb = match picture {
        DynamicImage::ImageRgb8(rgb) => return rgb,
        DynamicImage::ImageLuma8(p) => spread::<u8, 1>(p.as_raw(), plain),
        DynamicImage::ImageLumaA8(p) => spread::<u8, 2>(p.as_raw(), plain),
        DynamicImage::ImageRgba8(p) => spread::<u8, 4>(p.as_raw(), plain),
        DynamicImage::ImageLuma16(p) => spread_wide::<1>(p.as_raw()),
        DynamicImage::ImageLumaA16(p) => spread_wide::<2>(p.as_raw()),
        DynamicImage::ImageRgb16(p) => spread_wide::<3>(p.as_raw()),
        DynamicImage::ImageRgba16(p) => spread_wide::<4>(p.as_raw()),
        DynamicImage::ImageRgb32F(p) => spread_wide::<3>(&from_floats::<3>(p.as_raw())),
        DynamicImage::ImageRgba32F(p) => spread_wide::<4>(&from_floats::<4>(p.as_raw())),
        other => return other.into_rgb8(),
    };
    // Three bytes were written for each pixel, so this always fits.
    RgbImage::from_raw(width, height, rgb).unwrap_or_else(|| RgbImage::new(width, height))
}

/// A level under a cover of opacity `alpha`, over white paper, rounded.
pub(super) fn over_white(level: u8, alpha: u8) -> u8 {
    let (level, alpha) = (u32::from(level), u32::from(alpha));
    let mixed = (level * alpha + 255 * (255 - alpha) + 127) / 255;
    u8::try_from(mixed).unwrap_or(u8::MAX)
}

/// Pixels of `N` samples (grey, grey and alpha, RGB, RGBA) as RGB; `level` gives a sample's 8 bits,
/// told its channel.
fn spread<S: Copy, const N: usize>(samples: &[S], level: impl Fn(S, usize) -> u8) -> Vec<u8> {
    let mut rgb = Vec::with_capacity(samples.len() / N * 3);
    for pixel in samples.as_chunks::<N>().0 {
        let at = |channel: usize| level(pixel[channel], channel);
        let colour = if N < 3 {
            [at(0); 3]
        } else {
            [at(0), at(1), at(2)]
        };
        if has_alpha(N) {
            let alpha = at(N - 1);
            rgb.extend(colour.map(|c| over_white(c, alpha)));
        } else {
            rgb.extend(colour);
        }
    }
    rgb
}

fn has_alpha(channels: usize) -> bool {
    channels.is_multiple_of(2)
}

/// The same for 16-bit samples, through a table of levels.
fn spread_wide<const N: usize>(samples: &[u16]) -> Vec<u8> {
    let (low, high) = used_range::<N>(samples);
    let table: Vec<u8> = (0..=u16::MAX).map(|v| scaled(v, low, high)).collect();
    spread::<u16, N>(samples, |sample, channel| {
        if has_alpha(N) && channel == N - 1 {
            scaled(sample, 0, u16::MAX)
        } else {
            table[usize::from(sample)]
        }
    })
}

/// The level on 0..=255 of a sample on `low..=high`, rounded and clamped.
fn scaled(sample: u16, low: u16, high: u16) -> u8 {
    let span = u32::from(high - low).max(1);
    let above = u32::from(sample.clamp(low, high) - low);
    u8::try_from((above * 255 + span / 2) / span).unwrap_or(u8::MAX)
}

/// The range that is to fill the 8 bits: all of it, or the part that is used where that is small.
fn used_range<const N: usize>(samples: &[u16]) -> (u16, u16) {
    let mut counts = vec![0_usize; usize::from(u16::MAX) + 1];
    let colours = if has_alpha(N) { N - 1 } else { N };
    for pixel in samples.as_chunks::<N>().0 {
        // What is hidden behind a clear cover says nothing about the picture.
        if has_alpha(N) && pixel[N - 1] == 0 {
            continue;
        }
        for &sample in &pixel[..colours] {
            counts[usize::from(sample)] += 1;
        }
    }
    let total: usize = counts.iter().sum();
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "a thousandth of a count, rounded down"
    )]
    let cut = (total as f64 * CUT_SHARE).floor() as usize;
    let low = level_past(&counts, cut, 0..counts.len());
    let high = level_past(&counts, cut, (0..counts.len()).rev());
    match (low, high) {
        (Some(low), Some(high))
            if high > low && (LEAST_SPAN..counts.len() / 4).contains(&(high - low)) =>
        {
            let short = |v: usize| u16::try_from(v).unwrap_or(u16::MAX);
            (short(low), short(high))
        }
        _ => (0, u16::MAX),
    }
}

/// The first level, in the order given, at which more than `cut` samples have been passed.
fn level_past(
    counts: &[usize],
    cut: usize,
    mut levels: impl Iterator<Item = usize>,
) -> Option<usize> {
    let mut passed = 0;
    levels.find(|&level| {
        passed += counts[level];
        passed > cut
    })
}

/// Float samples as 16-bit ones: 0 to 1 as the range where all lie in it, else from the least to the
/// greatest. Not-a-number becomes the least.
fn from_floats<const N: usize>(samples: &[f32]) -> Vec<u16> {
    let is_alpha = |i: usize| has_alpha(N) && i % N == N - 1;
    let finite = || {
        samples
            .iter()
            .enumerate()
            .filter(|&(i, v)| v.is_finite() && !is_alpha(i))
            .map(|(_, &v)| v)
    };
    let least = finite().fold(0.0_f32, f32::min);
    let greatest = finite().fold(1.0_f32, f32::max);
    let level = |v: f32, low: f32, high: f32| {
        let share = ((v - low) / (high - low)).clamp(0.0, 1.0);
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "0 to 65535, rounded; not-a-number becomes 0"
        )]
        let level = (share * 65535.0).round() as u16;
        level
    };
    samples
        .iter()
        .enumerate()
        .map(|(i, &v)| {
            if is_alpha(i) {
                level(v, 0.0, 1.0)
            } else {
                level(v, least, greatest)
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::{over_white, to_rgb8};
    use image::{DynamicImage, ImageBuffer, Luma, LumaA, Rgb, Rgba};

    fn ramp16(most: u32) -> DynamicImage {
        // Every level of 0..=most about equally often.
        DynamicImage::ImageLuma16(ImageBuffer::from_fn(256, 256, |x, y| {
            Luma([u16::try_from((y * 256 + x) * most / 65535).unwrap()])
        }))
    }

    #[test]
    fn a_full_16_bit_range_is_scaled_as_image_scales_it() {
        let picture = ramp16(65535);
        assert!(to_rgb8(picture.clone()) == picture.to_rgb8());
    }

    #[test]
    fn twelve_bits_in_sixteen_are_stretched_to_the_full_range() {
        let rgb = to_rgb8(ramp16(4095));
        let (least, most) = rgb.iter().fold((255, 0), |(a, b), &v| (v.min(a), v.max(b)));
        assert_eq!((least, most), (0, 255));
        // Half way up the ramp is half way up the levels.
        assert!((126..=129).contains(&rgb.get_pixel(0, 128)[0]));
    }

    #[test]
    fn a_blank_16_bit_picture_stays_blank() {
        let picture = DynamicImage::ImageLuma16(ImageBuffer::from_fn(64, 64, |x, _| {
            Luma([30_000 + u16::try_from(x).unwrap()])
        }));
        assert!(to_rgb8(picture).iter().all(|v| (116..=118).contains(v)));
    }

    #[test]
    fn transparent_parts_lie_over_white() {
        assert_eq!(over_white(10, 255), 10);
        assert_eq!(over_white(10, 0), 255);
        assert_eq!(over_white(0, 128), 127);
        let pixel = Rgba([200, 100, 0, 51]);
        let rgb = to_rgb8(DynamicImage::ImageRgba8(ImageBuffer::from_pixel(
            2, 1, pixel,
        )));
        // 0.2 c + 0.8 x 255
        assert_eq!(rgb.get_pixel(1, 0), &Rgb([244, 224, 204]));
        let grey = LumaA([0_u16, 0]);
        let rgb = to_rgb8(DynamicImage::ImageLumaA16(ImageBuffer::from_pixel(
            1, 1, grey,
        )));
        assert_eq!(rgb.get_pixel(0, 0), &Rgb([255; 3]));
    }

    #[test]
    fn floats_are_taken_from_nought_to_one_or_from_least_to_greatest() {
        let plain = ImageBuffer::from_fn(2, 1, |x, _| Rgb([if x == 0 { 0.5_f32 } else { 1.0 }; 3]));
        let rgb = to_rgb8(DynamicImage::ImageRgb32F(plain));
        assert_eq!((rgb.get_pixel(0, 0)[0], rgb.get_pixel(1, 0)[0]), (128, 255));
        let wide =
            ImageBuffer::from_fn(3, 1, |x, _| Rgb([[f32::NAN, 500.0, 1000.0][x as usize]; 3]));
        let rgb = to_rgb8(DynamicImage::ImageRgb32F(wide));
        let row: Vec<u8> = rgb.pixels().map(|p| p[0]).collect();
        assert_eq!(row, [0, 128, 255]);
    }
}
