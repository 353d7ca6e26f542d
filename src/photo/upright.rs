//! Turning a picture the way the camera was held.
//!
//! A quarter turn of 12 megapixels took image 0.25's own routine, which goes pixel by pixel along the
//! rows of the source, longer than decoding the photo did; phones held upright need that turn for
//! every photo. So it is done in square blocks that stay in the cache; image's routine is the judge
//! in the tests.

use image::RgbImage;
use image::imageops::{flip_horizontal_in_place, flip_vertical_in_place, rotate180_in_place};
use image::metadata::Orientation;

/// Side of the blocks, px: 64 rows of 64 pixels of 3 bytes are 12 kB on either side of the copy.
const BLOCK_PX: usize = 64;

/// Turns and mirrors the picture so that it stands upright.
///
/// # Memory
/// A second picture while it is turned by a quarter; none otherwise.
pub(super) fn turn(mut picture: RgbImage, orientation: Orientation) -> RgbImage {
    match orientation {
        Orientation::NoTransforms => {}
        Orientation::FlipHorizontal => flip_horizontal_in_place(&mut picture),
        Orientation::FlipVertical => flip_vertical_in_place(&mut picture),
        Orientation::Rotate180 => rotate180_in_place(&mut picture),
        // With "across" the source's columns become rows from the last to the first, with "along"
        // its rows become columns from the last to the first.
        Orientation::Rotate90 => return quarter(&picture, false, true),
        Orientation::Rotate270 => return quarter(&picture, true, false),
        Orientation::Rotate90FlipH => return quarter(&picture, false, false),
        Orientation::Rotate270FlipH => return quarter(&picture, true, true),
    }
    picture
}

/// The picture with rows and columns exchanged; `across` reverses the order of the new rows, `along`
/// that of the new columns.
fn quarter(picture: &RgbImage, across: bool, along: bool) -> RgbImage {
    let mut turned = RgbImage::new(picture.height(), picture.width());
    let (width, height) = (picture.width() as usize, picture.height() as usize);
    let from = picture.as_raw();
    let to: &mut [u8] = &mut turned;
    for top in (0..height).step_by(BLOCK_PX) {
        for left in (0..width).step_by(BLOCK_PX) {
            for x in left..(left + BLOCK_PX).min(width) {
                let row = if across { width - 1 - x } else { x };
                for y in top..(top + BLOCK_PX).min(height) {
                    let column = if along { height - 1 - y } else { y };
                    let (a, b) = (3 * (y * width + x), 3 * (row * height + column));
                    to[b..b + 3].copy_from_slice(&from[a..a + 3]);
                }
            }
        }
    }
    turned
}

#[cfg(test)]
mod tests {
    use super::turn;
    use image::metadata::Orientation;
    use image::{DynamicImage, Rgb, RgbImage};

    #[test]
    fn every_turn_is_the_one_that_image_makes() {
        for (width, height) in [(1, 1), (3, 1), (1, 5), (64, 65), (130, 70)] {
            let picture = RgbImage::from_fn(width, height, |x, y| {
                Rgb([x, y, x * 7 + y * 3].map(|v| u8::try_from(v % 256).unwrap()))
            });
            for tag in 1..=8 {
                let orientation = Orientation::from_exif(tag).unwrap();
                let mut judge = DynamicImage::ImageRgb8(picture.clone());
                judge.apply_orientation(orientation);
                let turned = turn(picture.clone(), orientation);
                assert!(turned == judge.into_rgb8(), "{width} x {height}, tag {tag}");
            }
        }
    }
}
