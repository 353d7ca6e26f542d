//! Pictures as JPEG bytes (ITU-T T.81), 4:2:0 at quality 88.
//!
//! Quality 88 with halved colour: about a tenth of the pixels in bytes, and thin pale lines still
//! stand clear, since lines here differ from wood in lightness and not in colour alone.

use crate::error::Error;
use image::RgbImage;
use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
use std::path::Path;

/// Largest side of a JPEG, px (T.81 keeps it in 16 bits).
const MAX_SIDE_PX: u32 = 65_535;

const QUALITY: u8 = 88;

/// Encodes a picture as a JPEG file.
///
/// JPEG has no more than 65,535 px a side: a longer picture is reduced to fit, in proportion.
/// `name` is the photo in hand, for the message of an error.
///
/// # Errors
/// [`Error::Fault`] where the encoder refuses, which for a picture with pixels it can't.
///
/// # Memory
/// The bytes of the file, about a tenth of the picture's.
pub fn jpeg(picture: &RgbImage, name: &Path) -> Result<Vec<u8>, Error> {
    let longest = picture.width().max(picture.height());
    if longest > MAX_SIDE_PX {
        let scale = f64::from(MAX_SIDE_PX) / f64::from(longest);
        let side = |px: u32| {
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "clamped to 1..=65535"
            )]
            let side = (f64::from(px) * scale)
                .floor()
                .clamp(1.0, f64::from(MAX_SIDE_PX)) as u32;
            side
        };
        let smaller =
            image::imageops::thumbnail(picture, side(picture.width()), side(picture.height()));
        return jpeg(&smaller, name);
    }
    let fault = |what: String| Error::Fault {
        path: name.to_path_buf(),
        what,
    };
    let (Ok(width), Ok(height)) = (
        u16::try_from(picture.width()),
        u16::try_from(picture.height()),
    ) else {
        return Err(fault("a picture stayed too large for JPEG".to_owned()));
    };
    let mut bytes = Vec::with_capacity(picture.len() / 8 + 4096);
    let mut encoder = Encoder::new(&mut bytes, QUALITY);
    encoder.set_sampling_factor(SamplingFactor::F_2_2);
    encoder
        .encode(picture, width, height, ColorType::Rgb)
        .map_err(|e| fault(format!("a picture was not encoded: {e}")))?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::{GenericImageView, Rgb};

    #[test]
    fn a_picture_comes_back_nearly_the_same() {
        let picture = RgbImage::from_fn(301, 203, |x, y| {
            Rgb([(x / 2) as u8, y as u8, ((x + y) / 3) as u8])
        });
        let bytes = jpeg(&picture, Path::new("log-7.jpg")).unwrap();
        let back = image::load_from_memory(&bytes).unwrap().to_rgb8();
        assert_eq!(back.dimensions(), picture.dimensions());
        let off: f64 = picture
            .iter()
            .zip(back.iter())
            .map(|(a, b)| f64::from(a.abs_diff(*b)))
            .sum::<f64>()
            / picture.len() as f64;
        assert!(off < 2.0, "{off}");
    }

    #[test]
    fn a_picture_longer_than_jpeg_allows_is_reduced_in_proportion() {
        let picture = RgbImage::from_pixel(70_000, 70, Rgb([90, 60, 30]));
        let bytes = jpeg(&picture, Path::new("log-7.jpg")).unwrap();
        let back = image::load_from_memory(&bytes).unwrap();
        assert_eq!(back.dimensions(), (65_535, 65));
    }

    #[test]
    fn a_picture_without_pixels_is_an_error_that_names_the_photo() {
        let error = jpeg(&RgbImage::new(0, 5), Path::new("log-7.jpg")).unwrap_err();
        assert!(error.to_string().contains("log-7.jpg"), "{error}");
    }
}
