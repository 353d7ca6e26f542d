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
use crate::memory;
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
/// All of [`bytes_of`]'s and of [`decode`]'s.
///
/// # Memory
/// The file's bytes beside what [`decode`] takes.
pub fn read(path: &Path, settings: &Settings) -> Result<Photo, Error> {
    decode(&bytes_of(path, settings)?, path, settings)
}

/// Reads the bytes of a photo's file, as far as they can be a photo's.
///
/// # Errors
/// [`Error::Unreadable`] where the file can't be opened; [`Error::NotAPicture`] for a folder, a pipe,
/// what its first bytes tell to be something else, and a file longer than a picture within
/// `settings.max_megapixels` can be; [`Error::StillWritten`] where it changes while it is read.
///
/// # Memory
/// The file's bytes.
pub fn bytes_of(path: &Path, settings: &Settings) -> Result<Vec<u8>, Error> {
    let unreadable = |source| Error::Unreadable {
        path: path.to_path_buf(),
        source,
    };
    let before = std::fs::metadata(path).map_err(unreadable)?;
    // Reading a folder fails on some systems only at the first byte, with words that help nobody.
    if before.is_dir() {
        return Err(Error::NotAPicture {
            path: path.to_path_buf(),
            what: "a folder, not a photo".into(),
            way_out: "name the photo in it".into(),
        });
    }
    if is_pipe(&before) {
        // Opening one waits for somebody to write into it, for ever perhaps.
        return Err(Error::NotAPicture {
            path: path.to_path_buf(),
            what: "a pipe, not a file".into(),
            way_out: "save the photo to a file first".into(),
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
    let longest = longest_file_bytes(settings);
    file.by_ref()
        .take(longest)
        .read_to_end(&mut bytes)
        .map_err(unreadable)?;
    if bytes.len() as u64 > longest {
        return Err(Error::NotAPicture {
            path: path.to_path_buf(),
            what: format!(
                "a file longer than a picture of {} megapixels can be",
                settings.max_megapixels
            ),
            way_out: "raise the limit with --max-megapixels or save the photo smaller".into(),
        });
    }
    let after = file.metadata().map_err(unreadable)?;
    let is_changed = after.len() != before.len() || after.modified().ok() != before.modified().ok();
    // Devices state no length.
    let is_other = before.is_file() && bytes.len() as u64 != after.len();
    if is_changed || is_other {
        return Err(Error::StillWritten {
            path: path.to_path_buf(),
        });
    }
    Ok(bytes)
}

#[cfg(unix)]
fn is_pipe(metadata: &std::fs::Metadata) -> bool {
    use std::os::unix::fs::FileTypeExt;
    metadata.file_type().is_fifo()
}

#[cfg(not(unix))]
fn is_pipe(_: &std::fs::Metadata) -> bool {
    false
}

/// The longest file that a picture within the limit makes: every pixel at its widest, not packed.
fn longest_file_bytes(settings: &Settings) -> u64 {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a positive limit, and a larger one than u64 holds may saturate"
    )]
    let pixels = (settings.max_megapixels * 1e6).ceil() as u64;
    pixels
        .saturating_mul(WIDEST_PIXEL_BYTES)
        .saturating_add(DECODER_SLACK_BYTES)
}

/// SHA-256 of a file's bytes, hexadecimal, as a reading names its photo.
pub fn sha256_of(bytes: &[u8]) -> String {
    hexadecimal(&Sha256::digest(bytes))
}

/// What a photo's header states, before anything as large as the picture is allocated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Header {
    /// Width as stored, px.
    pub width_px: u32,
    /// Height as stored, px.
    pub height_px: u32,
    /// Bytes a pixel that the decoder hands out: 3 for most photos, up to 16.
    pub pixel_bytes: u64,
}

impl Header {
    /// Pixels of the photo.
    pub fn pixels(&self) -> u64 {
        u64::from(self.width_px) * u64::from(self.height_px)
    }
}

/// Reads a photo's header; `file` is what messages call it.
///
/// # Errors
/// As [`decode`], as far as the header tells.
pub fn header(bytes: &[u8], file: &Path, settings: &Settings) -> Result<Header, Error> {
    if bytes.is_empty() {
        return Err(Error::Empty {
            path: file.to_path_buf(),
        });
    }
    let format = refuse_foreign(bytes, file)?;
    guarded(file, || match format {
        Some(format) => {
            let decoder = open_known(bytes, format, file, settings)?;
            let (width_px, height_px) = decoder.dimensions();
            let pixels = u64::from(width_px) * u64::from(height_px);
            Ok(Header {
                width_px,
                height_px,
                pixel_bytes: decoder.total_bytes().div_ceil(pixels.max(1)),
            })
        }
        None => heic_header(bytes, file, settings),
    })
}

/// Bytes of a file's beginning in which a JPEG's or a PNG's header lies, metadata before it included.
const HEADER_WITHIN_BYTES: u64 = 1 << 20;

/// Reads a photo's header from disk without reading all of its file, where its kind allows that. The
/// file may still turn out damaged or cut short.
///
/// # Errors
/// As [`read`], as far as the header tells.
pub fn header_at(path: &Path, settings: &Settings) -> Result<Header, Error> {
    let unreadable = |source| Error::Unreadable {
        path: path.to_path_buf(),
        source,
    };
    let mut start = Vec::new();
    if std::fs::metadata(path).map_err(unreadable)?.is_file() {
        let file = File::open(path).map_err(unreadable)?;
        file.take(HEADER_WITHIN_BYTES)
            .read_to_end(&mut start)
            .map_err(unreadable)?;
    }
    let size = match tell(&start) {
        Kind::Known(ImageFormat::Jpeg) => container::jpeg_size(&start),
        Kind::Known(ImageFormat::Png) => container::png_size(&start),
        _ => None,
    };
    match size {
        Some((width_px, height_px)) => {
            check_size(width_px.into(), height_px.into(), path, settings)?;
            Ok(Header {
                width_px,
                height_px,
                pixel_bytes: 3,
            })
        }
        None => header(&bytes_of(path, settings)?, path, settings),
    }
}

/// Does what meets bytes from anywhere: a decoder that panics must cost its photo, not the run.
fn guarded<T>(file: &Path, decode: impl FnOnce() -> Result<T, Error>) -> Result<T, Error> {
    catch_unwind(AssertUnwindSafe(decode)).unwrap_or_else(|panic| {
        let words = panic_words(panic.as_ref());
        Err(damaged(file, format!("the decoder gave up: {words}")))
    })
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
    memory::keep_freed();
    let format = refuse_foreign(bytes, file)?;
    let pixels = guarded(file, || match format {
        Some(format) => decode_known(bytes, format, file, settings),
        None => decode_heic(bytes, file, settings),
    })?;
    Ok(Photo {
        file: file
            .file_name()
            .map(|name| name.to_string_lossy().into_owned())
            .unwrap_or_default(),
        sha256: sha256_of(bytes),
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

/// Opens what the `image` crate reads, its header's size held against the limits.
fn open_known<'a>(
    bytes: &'a [u8],
    format: ImageFormat,
    file: &Path,
    settings: &Settings,
) -> Result<impl ImageDecoder + 'a, Error> {
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
    Ok(decoder)
}

/// Decodes what the `image` crate reads.
fn decode_known(
    bytes: &[u8],
    format: ImageFormat,
    file: &Path,
    settings: &Settings,
) -> Result<RgbImage, Error> {
    let mut decoder = open_known(bytes, format, file, settings)?;
    // An orientation that can't be read is no reason to lose the photo: most have none.
    let orientation = decoder.orientation().unwrap_or(Orientation::NoTransforms);
    let picture =
        DynamicImage::from_decoder(decoder).map_err(|error| refusal(error, file, format))?;
    Ok(upright::turn(levels::to_rgb8(picture), orientation))
}

#[cfg(feature = "heic")]
fn decode_heic(bytes: &[u8], file: &Path, settings: &Settings) -> Result<RgbImage, Error> {
    heic::decode(bytes, file, settings)
}

#[cfg(feature = "heic")]
fn heic_header(bytes: &[u8], file: &Path, settings: &Settings) -> Result<Header, Error> {
    heic::header(bytes, file, settings)
}

#[cfg(not(feature = "heic"))]
fn decode_heic(_: &[u8], file: &Path, _: &Settings) -> Result<RgbImage, Error> {
    Err(no_heic(file))
}

#[cfg(not(feature = "heic"))]
fn heic_header(_: &[u8], file: &Path, _: &Settings) -> Result<Header, Error> {
    Err(no_heic(file))
}

#[cfg(not(feature = "heic"))]
fn no_heic(file: &Path) -> Error {
    Error::NotAPicture {
        path: file.to_path_buf(),
        what: "no HEIC reader in this build".into(),
        way_out: "convert it to JPEG or build with --features heic".into(),
    }
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
