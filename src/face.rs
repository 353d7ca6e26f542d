//! The photo at a working size: what the search for the pith and the wood's edge looks at.
//!
//! Full resolution is needed where boundaries are placed, not where the disc is looked for. The
//! face is the photo shrunk by a whole factor to about [`LONGEST_SIDE`] samples on its longer side, as
//! luminance and two opponent colours. One pass over the photo makes all of it.

use crate::photo::Photo;
use crate::plane::Plane;
use crate::settings::Settings;

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
}

/// Weights of red, green and blue in the luminance that rings are read from: a little less red
/// than a television's, because stain and heartwood colour live there.
pub(crate) const LUMINANCE: [f32; 3] = [0.2, 0.5, 0.3];

impl Face {
    /// Photo pixel of a sample's coordinate (the centre of a block of pixels).
    pub fn to_photo_px(&self, sample: f64) -> f64 {
        sample * self.step_px as f64 + (self.step_px as f64 - 1.0) / 2.0
    }

    /// Sample coordinate of a photo pixel.
    pub fn from_photo_px(&self, px: f64) -> f64 {
        (px - (self.step_px as f64 - 1.0) / 2.0) / self.step_px as f64
    }
}

/// Shrinks the photo to its working size.
pub fn view(photo: &Photo, settings: &Settings) -> Face {
    let (width, height) = (photo.pixels.width() as usize, photo.pixels.height() as usize);
    let step = ((width.max(height) + LONGEST_SIDE / 2) / LONGEST_SIDE).max(1);
    let (w, h) = (width / step, height / step);
    let mut sums = vec![[0u32; 3]; w];
    let (mut grey, mut red_green, mut yellow_blue) =
        (Plane::filled(w, h, 0.0), Plane::filled(w, h, 0.0), Plane::filled(w, h, 0.0));
    let raw = photo.pixels.as_raw();
    let share = 1.0 / (step * step) as f32;
    for y in 0..h {
        sums.fill([0; 3]);
        for dy in 0..step {
            let start = (y * step + dy) * width * 3;
            let row = &raw[start..start + w * step * 3];
            for (sum, block) in sums.iter_mut().zip(row.chunks_exact(3 * step)) {
                for pixel in block.chunks_exact(3) {
                    sum[0] += u32::from(pixel[0]);
                    sum[1] += u32::from(pixel[1]);
                    sum[2] += u32::from(pixel[2]);
                }
            }
        }
        for (x, sum) in sums.iter().enumerate() {
            let [r, g, b] = sum.map(|v| v as f32 * share);
            grey.data[y * w + x] = LUMINANCE[0] * r + LUMINANCE[1] * g + LUMINANCE[2] * b;
            red_green.data[y * w + x] = r - g;
            yellow_blue.data[y * w + x] = (r + g) / 2.0 - b;
        }
    }
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
    Face { step_px: step, grey, red_green, yellow_blue, bounds }
}
