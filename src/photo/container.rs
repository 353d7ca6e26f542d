//! What a file is, told from its bytes: the first few mostly, a TIFF's first directory, a JPEG's
//! marks.
//!
//! Sources: ITU-T T.81 (JPEG) annex B for the marks; TIFF 6.0 section 2 for the directory; ISO/IEC
//! 14496-12 for the `ftyp` box and 23008-12 for the brands of HEIC. Which tags give a camera raw
//! file away (DNG's version tag; a first directory that holds a reduced picture, as several makers
//! have it) is from memory.

use image::ImageFormat;

/// What a file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// A picture that the `image` crate reads for us.
    Known(ImageFormat),
    /// A HEIC picture.
    Heic,
    /// Something else: what it is, and what to do about it.
    Foreign {
        /// What it is.
        what: &'static str,
        /// What to do about it.
        way_out: &'static str,
    },
}

/// Enough of a file's beginning to tell a picture from other files, bytes.
pub(crate) const HEAD_BYTES: usize = 64;

const SAVE_AS: &str = "save it as JPEG, PNG, TIFF or WebP";
const RAW: Kind = Kind::Foreign {
    what: "a camera raw file",
    way_out: "export it as TIFF or JPEG with the camera's software",
};

/// Tells what a file is.
pub(crate) fn tell(bytes: &[u8]) -> Kind {
    if let Some(kind) = tell_boxed(bytes) {
        return kind;
    }
    let foreign = |what| Kind::Foreign {
        what,
        way_out: SAVE_AS,
    };
    if [&b"FUJIFILM"[..], b"IIRO", b"IIRS", b"IIU\0", b"MMOR"]
        .iter()
        .any(|mark| bytes.starts_with(mark))
    {
        return RAW;
    }
    match image::guess_format(bytes) {
        Ok(ImageFormat::Tiff) if is_raw_tiff(bytes) => RAW,
        Ok(
            format @ (ImageFormat::Jpeg | ImageFormat::Png | ImageFormat::Tiff | ImageFormat::WebP),
        ) => Kind::Known(format),
        Ok(ImageFormat::Gif) => foreign("a GIF picture, which isn't read here"),
        Ok(ImageFormat::Bmp) => foreign("a BMP picture, which isn't read here"),
        Ok(ImageFormat::OpenExr | ImageFormat::Hdr) => {
            foreign("a high-dynamic-range picture, which isn't read here")
        }
        _ if bytes.starts_with(b"%PDF") => Kind::Foreign {
            what: "a PDF, not a photo",
            way_out: "export the picture in it as JPEG or PNG",
        },
        _ => Kind::Foreign {
            what: "not a picture that is known here",
            way_out: "give it a JPEG, PNG, TIFF, WebP or HEIC photo",
        },
    }
}

/// Tells the kinds that begin with an `ftyp` box by their brands: HEIC, AVIF, raw, film.
fn tell_boxed(bytes: &[u8]) -> Option<Kind> {
    if bytes.get(4..8)? != b"ftyp" {
        return None;
    }
    let length = u32::from_be_bytes(bytes.get(0..4)?.try_into().ok()?);
    let end = usize::try_from(length).ok()?.clamp(12, 256);
    // Major brand, a version, then the brands that it is compatible with.
    let mut brands = bytes.get(8..end.min(bytes.len()))?.chunks_exact(4);
    let major = brands.next()?;
    let has = |wanted: &[&[u8]]| {
        wanted.contains(&major) || brands.clone().any(|brand| wanted.contains(&brand))
    };
    Some(if major == b"crx " {
        RAW
    } else if has(&[b"avif", b"avis"]) {
        Kind::Foreign {
            what: "an AVIF picture, which isn't read here",
            way_out: SAVE_AS,
        }
    } else if has(&[
        b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1",
    ]) {
        Kind::Heic
    } else {
        Kind::Foreign {
            what: "a film, not a photo",
            way_out: "take a still from it as JPEG or PNG",
        }
    })
}

/// The name of a kind of picture as people write it.
pub(crate) fn name(format: ImageFormat) -> &'static str {
    match format {
        ImageFormat::Jpeg => "JPEG",
        ImageFormat::Png => "PNG",
        ImageFormat::Tiff => "TIFF",
        ImageFormat::WebP => "WebP",
        _ => "picture",
    }
}

/// Width and height that a PNG's header states, px; `None` where the bytes are no PNG.
pub(crate) fn png_size(bytes: &[u8]) -> Option<(u32, u32)> {
    if !bytes.starts_with(b"\x89PNG\r\n\x1a\n") || bytes.get(12..16)? != b"IHDR" {
        return None;
    }
    let side = |at: usize| Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?));
    Some((side(16)?, side(20)?))
}

/// Width and height that a JPEG's frame header states, px; `None` where it doesn't lie in `bytes`.
///
/// T.81 B.2.2: after the frame's mark (SOF, all of 0xC0 to 0xCF but the tables 0xC4, 0xC8 and 0xCC)
/// come the length, the precision, the number of lines and the samples a line.
pub(crate) fn jpeg_size(bytes: &[u8]) -> Option<(u32, u32)> {
    let mut at = 2;
    loop {
        let mark = bytes.get(at..at + 4)?;
        if mark[0] != 0xFF {
            return None;
        }
        match mark[1] {
            0xFF => at += 1,
            0x01 | 0xD0..=0xD8 => at += 2,
            0xC0..=0xC3 | 0xC5..=0xC7 | 0xC9..=0xCB | 0xCD..=0xCF => {
                let side =
                    |at: usize| Some(u16::from_be_bytes(bytes.get(at..at + 2)?.try_into().ok()?));
                let (height, width) = (side(at + 5)?, side(at + 7)?);
                return Some((width.into(), height.into()));
            }
            // The data begins and no frame came.
            0xD9 | 0xDA => return None,
            _ => at += 2 + usize::from(u16::from_be_bytes([mark[2], mark[3]])).max(2),
        }
    }
}

/// Whether a JPEG's data runs to its end-of-image mark. What follows that mark (phones append a
/// second picture or a film there) doesn't matter.
///
/// One pass over the marks: T.81 B.1.1.2 gives their form, B.1.1.5 how one is told from entropy-coded
/// data (there, 0xFF is followed by a zero byte or by a restart mark).
pub(crate) fn jpeg_is_whole(bytes: &[u8]) -> bool {
    const END: u8 = 0xD9;
    let mut at = 2;
    while let Some(step) = bytes
        .get(at..)
        .and_then(|rest| rest.iter().position(|&b| b == 0xFF))
    {
        at += step;
        match bytes.get(at + 1) {
            Some(&END) => return true,
            // Stuffing, fill bytes, restart marks and the like carry no length.
            Some(0x00 | 0x01 | 0xD0..=0xD8) => at += 2,
            Some(0xFF) => at += 1,
            Some(_) => {
                let Some(&[high, low]) = bytes.get(at + 2..at + 4) else {
                    return false;
                };
                let length = usize::from(u16::from_be_bytes([high, low]));
                // After a scan's header its data follows, which the search for 0xFF runs through.
                at += 2 + length.max(2);
            }
            None => return false,
        }
    }
    false
}

/// Whether a TIFF is a camera raw file: its first picture then is a mere thumbnail, and reading that
/// without a word would be worse than a refusal.
fn is_raw_tiff(bytes: &[u8]) -> bool {
    const NEW_SUBFILE_TYPE: u16 = 254;
    const DNG_VERSION: u16 = 50_706;
    if bytes.get(8..10) == Some(b"CR") {
        return true;
    }
    let little = bytes.starts_with(b"II");
    let u16_at = |at: usize| {
        let pair: [u8; 2] = bytes.get(at..at.checked_add(2)?)?.try_into().ok()?;
        Some(if little {
            u16::from_le_bytes(pair)
        } else {
            u16::from_be_bytes(pair)
        })
    };
    let u32_at = |at: usize| {
        let four: [u8; 4] = bytes.get(at..at.checked_add(4)?)?.try_into().ok()?;
        Some(if little {
            u32::from_le_bytes(four)
        } else {
            u32::from_be_bytes(four)
        })
    };
    let Some(directory) = u32_at(4).and_then(|at| usize::try_from(at).ok()) else {
        return false;
    };
    let entries = u16_at(directory).unwrap_or(0);
    (0..usize::from(entries)).any(|i| {
        let Some(entry) = directory.checked_add(2 + 12 * i) else {
            return false;
        };
        match u16_at(entry) {
            Some(DNG_VERSION) => true,
            Some(NEW_SUBFILE_TYPE) => u32_at(entry + 8).is_some_and(|v| v & 1 == 1),
            _ => false,
        }
    })
}

#[cfg(test)]
mod tests {
    use super::{Kind, is_raw_tiff, jpeg_is_whole, jpeg_size, png_size, tell};

    #[test]
    fn a_jpeg_is_whole_only_with_its_end_mark() {
        // Start, comment of 2 + 1 bytes holding 0xFF, scan header, data with stuffing and a restart, end.
        let whole = [
            0xFF, 0xD8, 0xFF, 0xFE, 0, 3, 0xFF, 0xFF, 0xDA, 0, 3, 1, 7, 0xFF, 0, 9, 0xFF, 0xD0, 5,
            0xFF, 0xD9,
        ];
        assert!(jpeg_is_whole(&whole));
        for cut in 0..whole.len() {
            assert!(!jpeg_is_whole(&whole[..cut]), "cut at {cut}");
        }
        let mut trailed = whole.to_vec();
        trailed.extend_from_slice(b"film after the photo");
        assert!(jpeg_is_whole(&trailed));
        // An end mark inside a segment (an embedded thumbnail's) is not the picture's end.
        assert!(!jpeg_is_whole(&[
            0xFF, 0xD8, 0xFF, 0xE1, 0, 4, 0xFF, 0xD9, 1, 2
        ]));
    }

    #[test]
    fn a_jpeg_tells_its_size_after_whatever_metadata() {
        let mut bytes = vec![
            0xFF, 0xD8, 0xFF, 0xE1, 0, 6, 0xFF, 0xC0, 1, 2, 0xFF, 0xC4, 0, 2,
        ];
        bytes.extend([0xFF, 0xC2, 0, 17, 8, 0x0B, 0xB8, 0x0F, 0xA0, 3]);
        // 0x0BB8 = 3000 lines of 0x0FA0 = 4000 samples.
        assert_eq!(jpeg_size(&bytes), Some((4000, 3000)));
        assert_eq!(jpeg_size(&bytes[..20]), None);
        assert_eq!(jpeg_size(b"\xFF\xD8\xFF\xDA\0\x02abcd"), None);
    }

    #[test]
    fn boxed_files_are_told_by_their_brands() {
        let boxed = |brands: &[&[u8; 4]]| {
            let mut bytes = vec![0, 0, 0, u8::try_from(12 + 4 * brands.len()).unwrap()];
            bytes.extend_from_slice(b"ftyp");
            bytes.extend_from_slice(brands[0]);
            bytes.extend_from_slice(&[0; 4]);
            for brand in &brands[1..] {
                bytes.extend_from_slice(*brand);
            }
            bytes.extend_from_slice(&[0; 8]);
            tell(&bytes)
        };
        assert_eq!(boxed(&[b"heic", b"mif1"]), Kind::Heic);
        assert_eq!(boxed(&[b"mif1", b"heic"]), Kind::Heic);
        for (brands, word) in [
            (&[b"avif", b"mif1"], "AVIF"),
            (&[b"mif1", b"avif"], "AVIF"),
            (&[b"isom", b"mp42"], "film"),
            (&[b"crx ", b"isom"], "raw"),
        ] {
            let Kind::Foreign { what, .. } = boxed(brands) else {
                panic!("{brands:?} taken for a photo")
            };
            assert!(what.contains(word), "{what}");
        }
    }

    #[test]
    fn a_raw_file_in_tiff_clothes_is_known() {
        let tiff = |tag: u16, value: u32| {
            let mut bytes = b"II*\0\x08\0\0\0\x01\0".to_vec();
            bytes.extend_from_slice(&tag.to_le_bytes());
            bytes.extend_from_slice(&[4, 0, 1, 0, 0, 0]);
            bytes.extend_from_slice(&value.to_le_bytes());
            bytes.extend_from_slice(&[0; 4]);
            bytes
        };
        assert!(is_raw_tiff(&tiff(50_706, 0x0104)));
        assert!(is_raw_tiff(&tiff(254, 1)));
        assert!(!is_raw_tiff(&tiff(254, 0)));
        assert!(!is_raw_tiff(&tiff(256, 4000)));
        assert!(!is_raw_tiff(b"II*\0\xFF\xFF\xFF\xFF"));
        assert!(!is_raw_tiff(b"II*"));
    }

    #[test]
    fn a_png_tells_its_size_before_it_is_decoded() {
        let mut head = b"\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR".to_vec();
        head.extend_from_slice(&[0, 0, 1, 0, 0xFF, 0, 0, 0]);
        assert_eq!(png_size(&head), Some((256, 0xFF00_0000)));
        assert_eq!(png_size(&head[..20]), None);
        assert_eq!(png_size(b"GIF89a"), None);
    }
}
