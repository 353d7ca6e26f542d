//! HEIC, the photos that phones write by default.
//!
//! The decoder is called directly: its registration with the `image` crate would change that for the
//! whole process. It applies the file's own turns and mirrors, so its picture is upright already,
//! while the EXIF block that such files carry may still tell of a turn: that tag must not be obeyed.

use super::{Header, check_size, damaged};
use crate::error::Error;
use crate::settings::Settings;
use heifer::heifer_isobmff::HeifFile;
use heifer::{Image, Options};
use image::RgbImage;
use std::path::Path;

/// The primary picture's size without decoding; 0 by 0 where the container doesn't state it.
pub(super) fn header(bytes: &[u8], file: &Path, settings: &Settings) -> Result<Header, Error> {
    let container = HeifFile::parse(bytes).map_err(|error| damaged(file, error))?;
    let size = container.image_size(container.primary_id).ok().flatten();
    if let Some((width_px, height_px)) = size {
        check_size(width_px.into(), height_px.into(), file, settings)?;
    }
    let (width_px, height_px) = size.unwrap_or((0, 0));
    Ok(Header {
        width_px,
        height_px,
        // The decoder's RGBA, and about as much for its own planes.
        pixel_bytes: 8,
    })
}

/// Decodes the primary picture, in sRGB where the file tells its colours.
///
/// # Memory
/// 7 bytes a pixel at the peak: the decoder's RGBA beside our RGB.
pub(super) fn decode(bytes: &[u8], file: &Path, settings: &Settings) -> Result<RgbImage, Error> {
    let refused = |error: heifer::Error| refusal(error, file);
    let container = HeifFile::parse(bytes).map_err(|error| damaged(file, error))?;
    if let Ok(Some((width_px, height_px))) = container.image_size(container.primary_id) {
        check_size(width_px.into(), height_px.into(), file, settings)?;
    }
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a positive limit, and a larger one than u64 holds may saturate"
    )]
    let max_pixels = (settings.max_megapixels * 1e6).ceil() as u64;
    let options = Options {
        // Photos are what is read side by side, not the tiles of one.
        max_threads: 1,
        max_pixels,
    };
    let picture: Image<u8> = match heifer::decode_srgb_rgba8(bytes, &options) {
        // Colours that it can't convert (high dynamic range): rings don't need them exact.
        Err(heifer::Error::Unsupported(_)) => {
            heifer::decode_rgba8(bytes, &options).map_err(refused)?
        }
        other => other.map_err(refused)?,
    };
    check_size(picture.width.into(), picture.height.into(), file, settings)?;
    let mut rgb = Vec::with_capacity(picture.data.len() / 4 * 3);
    for &[r, g, b, a] in picture.data.as_chunks::<4>().0 {
        if picture.has_alpha {
            rgb.extend([r, g, b].map(|c| super::levels::over_white(c, a)));
        } else {
            rgb.extend([r, g, b]);
        }
    }
    RgbImage::from_raw(picture.width, picture.height, rgb)
        .ok_or_else(|| damaged(file, "the picture's data doesn't fill its size"))
}

fn refusal(error: heifer::Error, file: &Path) -> Error {
    match error {
        heifer::Error::Unsupported(words) => Error::NotAPicture {
            path: file.to_path_buf(),
            what: format!("a kind of HEIC that isn't read here ({words})"),
            way_out: "save it as JPEG on the phone, or set the camera to JPEG".into(),
        },
        other => damaged(file, other),
    }
}
