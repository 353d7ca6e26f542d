//! A photo from disk to upright pixels. The only module that knows the image decoders.
//!
//! What a file is follows from its content, never from its name: a JPEG called `log.png` is read all
//! the same. The header's size is held against the limit before anything as large as the picture is
//! allocated. The camera's orientation tag is applied once, here; every later stage sees an upright
//! picture of 8-bit red, green and blue.
//!
//! Colour profiles are not applied to JPEG, PNG, TIFF and WebP (phones' Display P3 differs from sRGB
//! by a few levels of saturation and not in where a ring ends); HEIC comes out in sRGB because its
//! decoder offers that.
//!
//! A JPEG that ends before its end-of-image mark is refused: the decoder would fill the rest with
//! grey, and rings would be missing without a word. Damage in the middle of a JPEG that leaves its
//! marks in place can't be seen from outside the decoder, which goes on after it.

mod container;
#[cfg(feature = "heic")]
mod heic;
mod levels;
mod resolution;
mod upright;

pub(crate) use container::{HEAD_BYTES, Kind, tell};
pub use resolution::dots_per_inch;

use crate::error::Error;
use crate::settings::Settings;
use image::error::ImageError;
use image::metadata::Orientation;
use image::{DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits, RgbImage};
use sha2::{Digest, Sha256};
use std::any::Any;
use std::fmt::Write as _;
use std::fs::File;
use std::io::{Cursor, Read as _};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

/// An upright photo, decoded once.
///
/// Holds: both sides at least [`LEAST_SIDE_PX`]; orientation applied; 8 bits a channel.
#[derive(Debug, Clone)]
pub struct Photo {
    /// File name without folders.
    pub file: String,
    /// SHA-256 of the file's bytes, hexadecimal.
    pub sha256: String,
    /// The pixels, upright.
    pub pixels: RgbImage,
}

/// The least side of a photo that can hold a disc, px.
pub const LEAST_SIDE_PX: u32 = 64;

/// Bytes a decoder may hold beside its picture: tables, rows in work, metadata.
const DECODER_SLACK_BYTES: u64 = 64 << 20;

/// Bytes of the widest pixel that decoders hand out: four channels of 32-bit floats.
const WIDEST_PIXEL_BYTES: u64 = 16;

/// Reads a photo from disk.
///
/// # Errors
/// [`Error::Unreadable`] where the file can't be opened, [`Error::NotAPicture`] for a folder, and
/// all of [`decode`]'s.
///
/// # Memory
/// The file's bytes beside what [`decode`] takes.
pub fn read(path: &Path, settings: &Settings) -> Result<Photo, Error> {
    let unreadable = |source| Error::Unreadable {
        path: path.to_path_buf(),
        source,
    };
    // Reading a folder fails on some systems only at the first byte, with words that help nobody.
    if std::fs::metadata(path).map_err(unreadable)?.is_dir() {
        return Err(Error::NotAPicture {
            path: path.to_path_buf(),
            what: "a folder, not a photo".into(),
            way_out: "name the photo in it".into(),
        });
    }
    let mut file = File::open(path).map_err(unreadable)?;
    // A film of gigabytes, or a device that never ends, is refused by its first bytes.
    let mut bytes = Vec::new();
    file.by_ref()
        .take(HEAD_BYTES as u64)
        .read_to_end(&mut bytes)
        .map_err(unreadable)?;
    if !bytes.is_empty() {
        refuse_foreign(&bytes, path)?;
    }
    file.read_to_end(&mut bytes).map_err(unreadable)?;
    decode(&bytes, path, settings)
}

/// Decodes a photo from the bytes of its file; `file` is what messages call it.
///
/// 16-bit pictures are scaled to 8 bits, and stretched first where they use only a small part of
/// their range; transparent parts are laid over white; grey becomes three equal channels. Of a file
/// with several pictures the first (of a HEIC file the primary one) is read.
///
/// # Errors
/// [`Error::Empty`], [`Error::NotAPicture`] (also: HEIC in a build without it), [`Error::Damaged`],
/// [`Error::TooLarge`] by `settings.max_megapixels`, [`Error::TooSmall`] by [`LEAST_SIDE_PX`].
///
/// # Memory
/// For 8-bit RGB the picture once, 3 bytes a pixel, and once more while it is turned by a quarter;
/// up to 19 bytes a pixel for 32-bit RGBA.
pub fn decode(bytes: &[u8], file: &Path, settings: &Settings) -> Result<Photo, Error> {
    if bytes.is_empty() {
        return Err(Error::Empty {
            path: file.to_path_buf(),
        });
    }
    let format = refuse_foreign(bytes, file)?;
    // Decoders meet files from anywhere; one that panics must cost its photo, not the run.
    let pixels = catch_unwind(AssertUnwindSafe(|| match format {
        Some(format) => decode_known(bytes, format, file, settings),
        None => decode_heic(bytes, file, settings),
    }))
    .unwrap_or_else(|panic| {
        let words = panic_words(panic.as_ref());
        Err(damaged(file, format!("the decoder gave up: {words}")))
    })?;
    Ok(Photo {
        file: file
            .file_name()
            .map(|name| name.to_string_lossy().into_owned())
            .unwrap_or_default(),
        sha256: hexadecimal(&Sha256::digest(bytes)),
        pixels,
    })
}

/// The format that the `image` crate reads, or none for HEIC; an error for everything else.
fn refuse_foreign(bytes: &[u8], file: &Path) -> Result<Option<ImageFormat>, Error> {
    match tell(bytes) {
        Kind::Known(format) => Ok(Some(format)),
        Kind::Heic => Ok(None),
        Kind::Foreign { what, way_out } => Err(Error::NotAPicture {
            path: file.to_path_buf(),
            what: what.into(),
            way_out: way_out.into(),
        }),
    }
}

/// What a caught panic said.
pub(crate) fn panic_words(panic: &(dyn Any + Send)) -> String {
    panic
        .downcast_ref::<&str>()
        .map(|words| (*words).to_owned())
        .or_else(|| panic.downcast_ref::<String>().cloned())
        .unwrap_or_else(|| "no words".into())
}

/// Decodes what the `image` crate reads.
fn decode_known(
    bytes: &[u8],
    format: ImageFormat,
    file: &Path,
    settings: &Settings,
) -> Result<RgbImage, Error> {
    if format == ImageFormat::Jpeg && !container::jpeg_is_whole(bytes) {
        return Err(damaged(file, "the data ends before the picture does"));
    }
    if let Some((width_px, height_px)) = container::png_size(bytes) {
        // The PNG decoder refuses sizes that overflow its own sums before it tells them.
        check_size(width_px.into(), height_px.into(), file, settings)?;
    }
    let refused = |error| refusal(error, file, format);
    let mut reader = ImageReader::with_format(Cursor::new(bytes), format);
    let mut limits = Limits::default();
    limits.max_alloc = Some(DECODER_SLACK_BYTES);
    reader.limits(limits);
    let mut decoder = reader.into_decoder().map_err(refused)?;
    let (width_px, height_px) = decoder.dimensions();
    check_size(width_px.into(), height_px.into(), file, settings)?;
    let budget_bytes = u64::from(width_px) * u64::from(height_px) * WIDEST_PIXEL_BYTES;
    if decoder.total_bytes() > budget_bytes {
        return Err(damaged(file, "the header's sizes contradict each other"));
    }
    let mut limits = Limits::default();
    limits.max_alloc = Some(budget_bytes + DECODER_SLACK_BYTES);
    decoder.set_limits(limits).map_err(refused)?;
    // An orientation that can't be read is no reason to lose the photo: most have none.
    let orientation = decoder.orientation().unwrap_or(Orientation::NoTransforms);
    let picture = DynamicImage::from_decoder(decoder).map_err(refused)?;
    Ok(upright::turn(levels::to_rgb8(picture), orientation))
}

#[cfg(feature = "heic")]
fn decode_heic(bytes: &[u8], file: &Path, settings: &Settings) -> Result<RgbImage, Error> {
    heic::decode(bytes, file, settings)
}

#[cfg(not(feature = "heic"))]
fn decode_heic(_: &[u8], file: &Path, _: &Settings) -> Result<RgbImage, Error> {
    Err(Error::NotAPicture {
        path: file.to_path_buf(),
        what: "no HEIC reader in this build".into(),
        way_out: "convert it to JPEG or build with --features heic".into(),
    })
}

/// Holds the header's size against the limits.
fn check_size(
    width_px: u64,
    height_px: u64,
    file: &Path,
    settings: &Settings,
) -> Result<(), Error> {
    #[allow(
        clippy::cast_precision_loss,
        reason = "a limit is not exact to one pixel"
    )]
    let megapixels = width_px as f64 * height_px as f64 / 1e6;
    if megapixels > settings.max_megapixels {
        return Err(Error::TooLarge {
            path: file.to_path_buf(),
            width_px,
            height_px,
            limit_megapixels: settings.max_megapixels,
        });
    }
    if width_px.min(height_px) < LEAST_SIDE_PX.into() {
        let short = |side: u64| u32::try_from(side).unwrap_or(u32::MAX);
        return Err(Error::TooSmall {
            path: file.to_path_buf(),
            width_px: short(width_px),
            height_px: short(height_px),
            least_px: LEAST_SIDE_PX,
        });
    }
    Ok(())
}

/// A decoder's refusal, sorted by who has to act.
fn refusal(error: ImageError, file: &Path, format: ImageFormat) -> Error {
    match error {
        ImageError::Unsupported(unsupported) => Error::NotAPicture {
            path: file.to_path_buf(),
            what: format!(
                "a kind of {} that isn't read here ({unsupported})",
                container::name(format)
            ),
            way_out: "save it as JPEG, or as PNG or TIFF with 8 or 16 bits a channel".into(),
        },
        other => damaged(file, other),
    }
}

/// A damaged file with what is known about it.
fn damaged(file: &Path, source: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Error {
    Error::Damaged {
        path: file.to_path_buf(),
        source: source.into(),
    }
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes
        .iter()
        .fold(String::with_capacity(2 * bytes.len()), |mut text, byte| {
            // Writing into a String can't fail.
            let _ = write!(text, "{byte:02x}");
            text
        })
}
