//! The photo at a working size: what the search for the pith and the wood's edge looks at.
//!
//! Full resolution is needed where boundaries are placed, not where the disc is looked for. The
//! face is the photo shrunk by a whole factor to about `LONGEST_SIDE` samples on its longer side, as
//! luminance and two opponent colours. One pass over the photo makes all of it.

use crate::photo::Photo;
use crate::plane::{Plane, RowBorder};
use crate::settings::Settings;
use crate::vectors::widest;
use std::sync::OnceLock;

/// Longest side of the working picture, samples. Below 700, rings of 5 px in a 12-megapixel photo
/// blur away altogether and the pith of a tight disc is lost; above 1200 the time is felt.
const LONGEST_SIDE: usize = 900;

/// The photo at its working size.
///
/// Holds: all planes have one shape; every value is finite; luminance 0 to 255.
#[derive(Debug, Clone)]
pub struct Face {
    /// Photo pixels a sample.
    pub step_px: usize,
    /// Luminance, 0 to 255.
    pub grey: Plane,
    /// Red minus green, -255 to 255.
    pub red_green: Plane,
    /// Yellow minus blue: (red + green) / 2 - blue, -255 to 255.
    pub yellow_blue: Plane,
    /// The part that may be looked at, in samples: left, top, right and bottom (the last two excluded).
    pub bounds: [f32; 4],
    /// Made when it is first asked for.
    even: OnceLock<Even>,
}

/// The luminance with local mean 0 and local deviation 1.
#[derive(Debug, Clone)]
struct Even {
    sharp: Plane,
    smooth: Plane,
}

/// Samples over which mean and deviation of the even luminance are taken (sd).
pub(crate) const EVEN_SIGMA: f32 = 12.0;

/// Grey levels added to the local deviation: contrast below that is the camera's noise.
pub(crate) const NOISE_LEVELS: f32 = 3.0;

/// Weights of red, green and blue in the luminance that rings are read from: a little less red
/// than a television's, because stain and heartwood colour live there.
pub(crate) const LUMINANCE: [f32; 3] = [0.2, 0.5, 0.3];

impl Face {
    /// A face of three planes of one shape; all of it may be looked at.
    #[cfg(test)]
    pub(crate) fn of(step_px: usize, [grey, red_green, yellow_blue]: [Plane; 3]) -> Face {
        Face {
            bounds: [0.0, 0.0, grey.width as f32, grey.height as f32],
            step_px,
            grey,
            red_green,
            yellow_blue,
            even: OnceLock::new(),
        }
    }

    /// The luminance with local mean 0 and local deviation 1, within [`EVEN_SIGMA`] samples: what the
    /// directions of rings are taken from. Worked out once a face.
    pub(crate) fn even(&self) -> &Plane {
        &self.evened().sharp
    }

    /// The same, blurred by one sample.
    pub(crate) fn even_smooth(&self) -> &Plane {
        &self.evened().smooth
    }

    fn evened(&self) -> &Even {
        self.even.get_or_init(|| {
            let sharp = self.grey.locally_normalised(EVEN_SIGMA, 4, NOISE_LEVELS);
            Even {
                smooth: sharp.blurred(1.0, 1.0, RowBorder::Repeat),
                sharp,
            }
        })
    }

    /// Photo pixel of a sample's coordinate (the centre of a block of pixels).
    pub fn to_photo_px(&self, sample: f64) -> f64 {
        sample * self.step_px as f64 + (self.step_px as f64 - 1.0) / 2.0
    }

    /// Sample coordinate of a photo pixel.
    pub fn from_photo_px(&self, px: f64) -> f64 {
        (px - (self.step_px as f64 - 1.0) / 2.0) / self.step_px as f64
    }
}

/// Photo pixels a face sample, for a photo of `width` by `height` px.
pub(crate) fn step_px(width: usize, height: usize) -> usize {
    ((width.max(height) + LONGEST_SIDE / 2) / LONGEST_SIDE).max(1)
}

/// Luminance, red-green and yellow-blue of a colour.
#[inline(always)]
pub(crate) fn axes([r, g, b]: [f32; 3]) -> [f32; 3] {
    [
        LUMINANCE[0] * r + LUMINANCE[1] * g + LUMINANCE[2] * b,
        r - g,
        (r + g) / 2.0 - b,
    ]
}

/// Shrinks the photo to its working size.
pub fn view(photo: &Photo, settings: &Settings) -> Face {
    let (width, height) = (
        photo.pixels.width() as usize,
        photo.pixels.height() as usize,
    );
    let step = step_px(width, height);
    let (w, h) = (width / step, height / step);
    let (mut grey, mut red_green, mut yellow_blue) = (
        Plane::filled(w, h, 0.0),
        Plane::filled(w, h, 0.0),
        Plane::filled(w, h, 0.0),
    );
    widest(
        #[inline(always)]
        || {
            each_block(
                photo,
                step,
                #[inline(always)]
                |first, [r, g, b]| {
                    let piece = first..first + r.len();
                    let planes = grey.data[piece.clone()]
                        .iter_mut()
                        .zip(&mut red_green.data[piece.clone()])
                        .zip(&mut yellow_blue.data[piece]);
                    let colours = r.iter().zip(g).zip(b);
                    for (((grey, red_green), yellow_blue), ((r, g), b)) in planes.zip(colours) {
                        [*grey, *red_green, *yellow_blue] = axes([*r, *g, *b]);
                    }
                },
            );
        },
    );
    let bounds = match settings.region_px {
        None => [0.0, 0.0, w as f32, h as f32],
        Some(region) => {
            let sample = |px: u32| px as f32 / step as f32;
            [
                sample(region.x_px),
                sample(region.y_px),
                sample(region.x_px.saturating_add(region.width_px)).min(w as f32),
                sample(region.y_px.saturating_add(region.height_px)).min(h as f32),
            ]
        }
    };
    Face {
        step_px: step,
        grey,
        red_green,
        yellow_blue,
        bounds,
        even: OnceLock::new(),
    }
}

/// Hands out the mean colours of the whole blocks of `step` pixels a side, line by line and piece by
/// piece, with the number of the first.
#[inline(always)]
fn each_block(photo: &Photo, step: usize, mut take: impl FnMut(usize, [&[f32]; 3])) {
    let (width, height) = (
        photo.pixels.width() as usize,
        photo.pixels.height() as usize,
    );
    let (w, h) = (width / step, height / step);
    let raw = photo.pixels.as_raw();
    let share = 1.0 / (step * step) as f32;
    // First down the columns, channel by channel, which vectorises; then along the row of sums. Both
    // in pieces of a line that stay in the nearest cache.
    let blocks = (PIECE / (3 * step)).max(1);
    let mut sums = vec![
        0u32;
        if step > MOST_LINES {
            blocks * step * 3
        } else {
            0
        }
    ];
    let mut few = vec![0u16; blocks * step * 3];
    let mut room = few.clone();
    let mut totals = [(); 3].map(|()| vec![0u32; blocks]);
    let mut means = [(); 3].map(|()| vec![0.0f32; blocks]);
    for y in 0..h {
        for first in (0..w).step_by(blocks) {
            let channels = 3 * step * first..3 * step * (first + blocks).min(w);
            let (length, start) = (channels.len(), y * w + first);
            let lines = (y * step..(y + 1) * step)
                .map(|y| &raw[y * width * 3..][..width * 3][channels.clone()]);
            if step > MOST_LINES {
                add_lines(lines, &mut few[..length], &mut sums[..length]);
                total_blocks(&sums[..length], step, &mut totals);
            } else {
                let few = &mut few[..length];
                few.fill(0);
                for line in lines {
                    add_line(line, few);
                }
                total_few_blocks(few, step, &mut room, &mut totals);
            }
            let count = length / (3 * step);
            for (mean, total) in means.iter_mut().zip(&totals) {
                for (mean, total) in mean.iter_mut().zip(&total[..count]) {
                    // A whole photo's levels stay below 2^31.
                    *mean = total.cast_signed() as f32 * share;
                }
            }
            take(start, means.each_ref().map(|mean| &mean[..count]));
        }
    }
}

/// Channels of a line that are summed at a time.
const PIECE: usize = 1536;

/// Lines of 255 as many as 16 bits hold.
const MOST_LINES: usize = 257;

/// Adds a line of a photo to sums channel by channel.
#[inline(always)]
fn add_line(line: &[u8], few: &mut [u16]) {
    for (few, value) in few.iter_mut().zip(line) {
        *few += u16::from(*value);
    }
}

/// The three totals of each block of `step` pixels of a line of sums.
#[inline(always)]
fn total_blocks<T: Copy + Into<u32>>(sums: &[T], step: usize, totals: &mut [Vec<u32>; 3]) {
    for (x, block) in sums.chunks_exact(3 * step).enumerate() {
        for (channel, totals) in totals.iter_mut().enumerate() {
            let channels = block.iter().skip(channel).step_by(3);
            totals[x] = channels.map(|sum| -> u32 { (*sum).into() }).sum();
        }
    }
}

/// The same of few lines.
#[inline(always)]
fn total_few_blocks(few: &[u16], step: usize, room: &mut [u16], totals: &mut [Vec<u32>; 3]) {
    // Steps of photos up to some 20 megapixels, with loops of a known length.
    match step {
        2 => total_known_blocks::<2, 6>(few, room, totals),
        3 => total_known_blocks::<3, 9>(few, room, totals),
        4 => total_known_blocks::<4, 12>(few, room, totals),
        5 => total_known_blocks::<5, 15>(few, room, totals),
        _ => total_blocks(few, step, totals),
    }
}

/// The same of blocks of `SIDE` pixels, `LINE` channels; `room` is as long as the sums.
#[inline(always)]
fn total_known_blocks<const SIDE: usize, const LINE: usize>(
    few: &[u16],
    room: &mut [u16],
    totals: &mut [Vec<u32>; 3],
) {
    const { assert!(LINE == 3 * SIDE) };
    // A total from every channel on, as if a block began there: most are thrown away, and still it
    // is a good deal faster than block by block, because it is done sixteen at once.
    let count = few.len() + 3 - LINE;
    let pixels: [&[u16]; SIDE] = std::array::from_fn(|pixel| &few[3 * pixel..3 * pixel + count]);
    let room = &mut room[..few.len()];
    for (i, total) in room[..count].iter_mut().enumerate() {
        *total = pixels.iter().map(|pixel| pixel[i]).sum();
    }
    let [r, g, b] = totals;
    let blocks = room.as_chunks::<LINE>().0;
    for (((r, g), b), block) in r.iter_mut().zip(g).zip(b).zip(blocks) {
        (*r, *g, *b) = (block[0].into(), block[1].into(), block[2].into());
    }
}

/// Sums lines of a photo channel by channel into `sums`; `few` is room of the same length.
fn add_lines<'a>(lines: impl Iterator<Item = &'a [u8]>, few: &mut [u16], sums: &mut [u32]) {
    sums.fill(0);
    few.fill(0);
    let mut held = 0;
    let mut hand_over = |few: &mut [u16]| {
        for (sum, few) in sums.iter_mut().zip(few) {
            *sum += u32::from(*few);
            *few = 0;
        }
    };
    for line in lines {
        if held == MOST_LINES {
            hand_over(few);
            held = 0;
        }
        add_line(line, few);
        held += 1;
    }
    hand_over(few);
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::{Rgb, RgbImage};

    fn photo(pixels: RgbImage) -> Photo {
        Photo {
            file: "log-7.jpg".to_owned(),
            sha256: String::new(),
            pixels,
        }
    }

    #[test]
    fn a_sample_is_the_mean_of_its_block_in_luminance_and_colours() {
        let pixels = RgbImage::from_fn(1801, 900, |x, y| {
            Rgb([(x % 2 * 10) as u8, (y % 2 * 20) as u8, 30])
        });
        let face = view(&photo(pixels), &Settings::default());
        assert_eq!(
            (face.step_px, face.grey.width, face.grey.height),
            (2, 900, 450)
        );
        for (plane, expected) in [
            (&face.grey, 0.2 * 5.0 + 0.5 * 10.0 + 0.3 * 30.0),
            (&face.red_green, 5.0 - 10.0),
            (&face.yellow_blue, 7.5 - 30.0),
        ] {
            assert!(
                plane.data.iter().all(|v| (v - expected).abs() < 1e-4),
                "{expected} {}",
                plane.at(0, 0)
            );
        }
    }

    #[test]
    fn a_small_photo_keeps_its_pixels_and_places_come_back() {
        let pixels = RgbImage::from_fn(40, 30, |x, y| Rgb([x as u8, y as u8, 0]));
        let face = view(&photo(pixels), &Settings::default());
        assert_eq!(face.step_px, 1);
        assert!((face.grey.at(7, 4) - (0.2 * 7.0 + 0.5 * 4.0)).abs() < 1e-5);
        let large = Face { step_px: 4, ..face };
        // The first block of 4 pixels has its middle at 1.5.
        assert_eq!(large.to_photo_px(0.0), 1.5);
        assert_eq!(large.from_photo_px(large.to_photo_px(12.3)), 12.3);
    }

    #[test]
    fn blocks_of_known_sides_have_the_totals_of_any() {
        for step in 1..=6 {
            let blocks = 23;
            let few: Vec<u16> = (0..3 * step * blocks)
                .map(|i| (i * 7919 % 251 * step) as u16)
                .collect();
            let [mut fast, mut plain] = [(); 2].map(|()| [(); 3].map(|()| vec![0u32; blocks]));
            total_few_blocks(&few, step, &mut few.clone(), &mut fast);
            total_blocks(&few, step, &mut plain);
            assert_eq!(fast, plain, "blocks of {step}");
        }
    }

    #[test]
    fn many_white_lines_do_not_overflow() {
        let line = [255u8; 6];
        let (mut few, mut sums) = (vec![0; 6], vec![0; 6]);
        add_lines(std::iter::repeat_n(&line[..], 1000), &mut few, &mut sums);
        assert_eq!(sums, vec![255_000; 6]);
    }
}
