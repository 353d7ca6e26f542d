//! Pictures made in the tests, as files in memory: what cameras, scanners and broken disks produce.
#![allow(dead_code, reason = "each test binary uses its own part")]

use image::{ExtendedColorType, ImageFormat, RgbImage};
use std::io::Cursor;

/// An end face by formula: rings round a point off the centre, over a background; four corners that
/// differ, so that every turn and mirror shows.
pub(crate) fn end_face(width: u32, height: u32) -> RgbImage {
    let (w, h) = (f64::from(width), f64::from(height));
    let (x0, y0, most) = (0.45 * w, 0.55 * h, 0.4 * w.min(h));
    RgbImage::from_fn(width, height, |x, y| {
        let r = (f64::from(x) - x0).hypot(f64::from(y) - y0);
        let level = if r < most {
            150.0 + 50.0 * (r * std::f64::consts::TAU / 12.0).sin()
        } else {
            60.0 + 60.0 * f64::from(x) / w + 30.0 * f64::from(y) / h
        };
        image::Rgb([level + 20.0, level, level - 30.0].map(|v| v.round().clamp(0.0, 255.0) as u8))
    })
}

/// A JPEG without loss of colour resolution; with an EXIF block where a tag is given.
pub(crate) fn jpeg(picture: &RgbImage, quality: u8, orientation_tag: Option<u16>) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut bytes, quality);
    encoder.set_sampling_factor(jpeg_encoder::SamplingFactor::F_1_1);
    encoder
        .encode(
            picture,
            u16::try_from(picture.width()).unwrap(),
            u16::try_from(picture.height()).unwrap(),
            jpeg_encoder::ColorType::Rgb,
        )
        .unwrap();
    match orientation_tag {
        Some(tag) => with_exif(&bytes, tag),
        None => bytes,
    }
}

/// A JPEG with an EXIF block put in behind its start mark: a TIFF header (Exif 2.3, 4.5.2) and a
/// directory of one entry, orientation (tag 0x0112, a short).
pub(crate) fn with_exif(jpeg: &[u8], orientation_tag: u16) -> Vec<u8> {
    let mut block = b"Exif\0\0MM\0*\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01".to_vec();
    block.extend_from_slice(&orientation_tag.to_be_bytes());
    block.extend_from_slice(&[0; 6]);
    let length = u16::try_from(block.len() + 2).unwrap();
    let mut bytes = jpeg[..2].to_vec();
    bytes.extend_from_slice(&[0xFF, 0xE1]);
    bytes.extend_from_slice(&length.to_be_bytes());
    bytes.extend_from_slice(&block);
    bytes.extend_from_slice(&jpeg[2..]);
    bytes
}

/// A picture in any of image's own formats.
pub(crate) fn encoded(
    format: ImageFormat,
    colour: ExtendedColorType,
    width: u32,
    height: u32,
    samples: &[u8],
) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    image::write_buffer_with_format(&mut bytes, samples, width, height, colour, format).unwrap();
    bytes.into_inner()
}

/// A PNG of 8-bit RGB.
pub(crate) fn png(picture: &RgbImage) -> Vec<u8> {
    encoded(
        ImageFormat::Png,
        ExtendedColorType::Rgb8,
        picture.width(),
        picture.height(),
        picture,
    )
}

/// An uncompressed TIFF (TIFF 6.0, section 3 to 6) in one strip, big-endian, with an orientation.
pub(crate) fn tiff(
    width: u32,
    height: u32,
    channels: u16,
    bits: u16,
    is_float: bool,
    orientation_tag: u16,
    samples: &[u8],
) -> Vec<u8> {
    let entries: [(u16, u16, u32); 11] = [
        (256, 4, width),
        (257, 4, height),
        // One value for all channels would need an offset for three; see below.
        (258, 3, u32::from(bits)),
        (259, 3, 1),
        (262, 3, if channels < 3 { 1 } else { 2 }),
        (273, 4, 0),
        (274, 3, u32::from(orientation_tag)),
        (277, 3, u32::from(channels)),
        (278, 4, height),
        (279, 4, u32::try_from(samples.len()).unwrap()),
        (339, 3, if is_float { 3 } else { 1 }),
    ];
    let values_at = 8 + 2 + 12 * 11 + 4;
    let mut bytes = b"MM\0*\0\0\0\x08\0\x0b".to_vec();
    let mut values = Vec::new();
    let strip_at = values_at + 2 * 2 * usize::from(channels);
    for (tag, kind, value) in entries {
        let count = if matches!(tag, 258 | 339) {
            channels
        } else {
            1
        };
        bytes.extend_from_slice(&tag.to_be_bytes());
        bytes.extend_from_slice(&kind.to_be_bytes());
        bytes.extend_from_slice(&u32::from(count).to_be_bytes());
        let short = u16::try_from(value & 0xFFFF).unwrap();
        if count > 2 {
            let at = u32::try_from(values_at + values.len()).unwrap();
            bytes.extend_from_slice(&at.to_be_bytes());
            (0..count).for_each(|_| values.extend_from_slice(&short.to_be_bytes()));
        } else if kind == 3 {
            bytes.extend_from_slice(&short.to_be_bytes());
            let second = if count == 2 { short } else { 0 };
            bytes.extend_from_slice(&second.to_be_bytes());
        } else if tag == 273 {
            bytes.extend_from_slice(&u32::try_from(strip_at).unwrap().to_be_bytes());
        } else {
            bytes.extend_from_slice(&value.to_be_bytes());
        }
    }
    bytes.extend_from_slice(&[0; 4]);
    bytes.extend_from_slice(&values);
    bytes.resize(strip_at, 0);
    bytes.extend_from_slice(samples);
    bytes
}

/// A PNG that is nothing but a header of this size, with a right checksum, and an empty data chunk.
pub(crate) fn png_header(width: u32, height: u32) -> Vec<u8> {
    let mut bytes = b"\x89PNG\r\n\x1a\n".to_vec();
    let mut header = b"IHDR".to_vec();
    header.extend_from_slice(&width.to_be_bytes());
    header.extend_from_slice(&height.to_be_bytes());
    header.extend_from_slice(&[8, 2, 0, 0, 0]);
    for chunk in [&header[..], b"IDAT", b"IEND"] {
        bytes.extend_from_slice(&u32::try_from(chunk.len() - 4).unwrap().to_be_bytes());
        bytes.extend_from_slice(chunk);
        bytes.extend_from_slice(&crc32(chunk).to_be_bytes());
    }
    bytes
}

/// The checksum of PNG's chunks (PNG specification, annex D).
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0_u32, |crc, &byte| {
        (0..8).fold(crc ^ u32::from(byte), |c, _| {
            if c & 1 == 1 {
                0xEDB8_8320 ^ (c >> 1)
            } else {
                c >> 1
            }
        })
    })
}
