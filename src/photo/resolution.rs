//! The resolution that a file states: pixels an inch, as scanners write it.
//!
//! Read from JPEG (JFIF density, or Exif), PNG (pHYs) and TIFF (tags 282, 283, 296). Only a
//! resolution that is alike in both directions and has a unit is taken. 72 and 96 an inch are what
//! cameras and programs write without having measured anything, and are taken for nothing.
//! Sources: JFIF 1.02 (1992), PNG third edition (2025) section 11.3.4.3, TIFF 6.0 (1992) and Exif
//! 2.3 section 4.6.

use crate::units::MM_PER_INCH;

/// Pixels an inch of a file by its bytes; none where it states none that could have been measured.
pub fn dots_per_inch(bytes: &[u8]) -> Option<f64> {
    let dpi = if bytes.starts_with(&[0xff, 0xd8]) {
        of_jpeg(bytes)
    } else if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
        of_png(bytes)
    } else {
        of_tiff(bytes)
    }?;
    let is_placeholder = [72.0, 96.0].iter().any(|p| (dpi - p).abs() < 0.5);
    // 20: a face of a metre on 800 px; 20,000: beyond any scanner.
    ((20.0..=20_000.0).contains(&dpi) && !is_placeholder).then_some(dpi)
}

/// One number of both directions, where they agree to a thousandth.
fn alike(x: f64, y: f64) -> Option<f64> {
    (x > 0.0 && (x / y - 1.0).abs() < 1e-3).then_some(x)
}

fn be16(bytes: &[u8], at: usize) -> Option<u16> {
    let pair = bytes.get(at..at.checked_add(2)?)?;
    Some(u16::from_be_bytes([pair[0], pair[1]]))
}

/// Exif goes before the JFIF density: programs that write both measure for the former.
fn of_jpeg(bytes: &[u8]) -> Option<f64> {
    let (mut jfif, mut at) = (None, 2_usize);
    // Segments up to the start of the picture's data.
    while bytes.get(at) == Some(&0xff) {
        let marker = *bytes.get(at + 1)?;
        if marker == 0xda || marker == 0xd9 {
            break;
        }
        let length = usize::from(be16(bytes, at + 2)?);
        let body = bytes.get(at + 4..(at + 2).checked_add(length)?)?;
        match marker {
            0xe0 if body.starts_with(b"JFIF\0") && body.len() >= 12 => {
                let (x, y) = (be16(body, 8)?, be16(body, 10)?);
                let per_inch = match body[7] {
                    1 => Some(1.0),
                    2 => Some(MM_PER_INCH / 10.0),
                    _ => None,
                };
                jfif = per_inch
                    .and_then(|per| alike(f64::from(x) * per, f64::from(y) * per))
                    .or(jfif);
            }
            0xe1 if body.starts_with(b"Exif\0\0") => {
                if let Some(dpi) = of_tiff(&body[6..]) {
                    return Some(dpi);
                }
            }
            _ => {}
        }
        at += 2 + length;
    }
    jfif
}

fn of_png(bytes: &[u8]) -> Option<f64> {
    let mut at: usize = 8;
    loop {
        let head = bytes.get(at..at.checked_add(8)?)?;
        let length = u32::from_be_bytes([head[0], head[1], head[2], head[3]]);
        let length = usize::try_from(length).ok()?;
        match &head[4..] {
            b"pHYs" => {
                let body = bytes.get(at + 8..at.checked_add(17)?)?;
                let number = |i: usize| {
                    f64::from(u32::from_be_bytes([
                        body[i],
                        body[i + 1],
                        body[i + 2],
                        body[i + 3],
                    ]))
                };
                let per_metre = alike(number(0), number(4)).filter(|_| body[8] == 1)?;
                return Some(per_metre * MM_PER_INCH / 1000.0);
            }
            b"IDAT" | b"IEND" => return None,
            _ => at = at.checked_add(12)?.checked_add(length)?,
        }
    }
}

/// The first directory of a TIFF file, or of an Exif block, which is one.
fn of_tiff(bytes: &[u8]) -> Option<f64> {
    let is_little = match bytes.get(..4)? {
        b"II*\0" => true,
        b"MM\0*" => false,
        _ => return None,
    };
    let u16_at = |at: usize| -> Option<u16> {
        let raw: [u8; 2] = bytes.get(at..at.checked_add(2)?)?.try_into().ok()?;
        Some(if is_little {
            u16::from_le_bytes(raw)
        } else {
            u16::from_be_bytes(raw)
        })
    };
    let u32_at = |at: usize| -> Option<u32> {
        let raw: [u8; 4] = bytes.get(at..at.checked_add(4)?)?.try_into().ok()?;
        Some(if is_little {
            u32::from_le_bytes(raw)
        } else {
            u32::from_be_bytes(raw)
        })
    };
    let place = |at: usize| usize::try_from(u32_at(at)?).ok();
    let directory = place(4)?;
    let entries = usize::from(u16_at(directory)?);
    let (mut x, mut y, mut unit) = (None, None, 2);
    for i in 0..entries {
        let at = directory.checked_add(2 + 12 * i)?;
        let rational = || -> Option<f64> {
            let value = place(at + 8)?;
            let (above, below) = (u32_at(value)?, u32_at(value.checked_add(4)?)?);
            (below > 0).then(|| f64::from(above) / f64::from(below))
        };
        // Type 5 is a rational, type 3 a short (TIFF 6.0 page 15).
        match (u16_at(at)?, u16_at(at + 2)?) {
            (282, 5) => x = rational(),
            (283, 5) => y = rational(),
            (296, 3) => unit = u16_at(at + 8)?,
            _ => {}
        }
    }
    let per_inch = match unit {
        2 => 1.0,
        3 => MM_PER_INCH / 10.0,
        _ => return None,
    };
    alike(x? * per_inch, y? * per_inch)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn png(x: u32, y: u32, unit: u8) -> Vec<u8> {
        let mut bytes = b"\x89PNG\r\n\x1a\n".to_vec();
        bytes.extend([0, 0, 0, 9]);
        bytes.extend(b"pHYs");
        bytes.extend(x.to_be_bytes());
        bytes.extend(y.to_be_bytes());
        bytes.push(unit);
        bytes.extend([0; 4]);
        bytes
    }

    fn jfif(unit: u8, x: u16, y: u16) -> Vec<u8> {
        let mut bytes = vec![0xff, 0xd8, 0xff, 0xe0, 0, 16];
        bytes.extend(b"JFIF\0\x01\x02");
        bytes.push(unit);
        bytes.extend(x.to_be_bytes());
        bytes.extend(y.to_be_bytes());
        bytes.extend([0, 0, 0xff, 0xda]);
        bytes
    }

    fn tiff(dpi: u32, unit: u16) -> Vec<u8> {
        let mut bytes = b"II*\0\x08\0\0\0".to_vec();
        bytes.extend(3_u16.to_le_bytes());
        for tag in [282_u16, 283] {
            bytes.extend(tag.to_le_bytes());
            bytes.extend(5_u16.to_le_bytes());
            bytes.extend(1_u32.to_le_bytes());
            bytes.extend(50_u32.to_le_bytes());
        }
        bytes.extend(296_u16.to_le_bytes());
        bytes.extend(3_u16.to_le_bytes());
        bytes.extend(1_u32.to_le_bytes());
        bytes.extend(unit.to_le_bytes());
        bytes.extend([0; 2]);
        bytes.extend([0; 4]);
        assert_eq!(bytes.len(), 50);
        bytes.extend(dpi.to_le_bytes());
        bytes.extend(1_u32.to_le_bytes());
        bytes
    }

    #[test]
    fn scanners_resolutions_are_read_from_each_kind_of_file() {
        // 600 an inch are 23622 a metre and 236.22 a centimetre (25.4 mm to the inch).
        let near = |found: Option<f64>, want: f64| (found.unwrap() / want - 1.0).abs() < 1e-3;
        assert!(near(dots_per_inch(&png(23_622, 23_622, 1)), 600.0));
        assert!(near(dots_per_inch(&jfif(1, 600, 600)), 600.0));
        assert!(near(dots_per_inch(&jfif(2, 236, 236)), 599.4));
        assert!(near(dots_per_inch(&tiff(1200, 2)), 1200.0));
        assert!(near(dots_per_inch(&tiff(236, 3)), 599.4));
        let mut exif = vec![0xff, 0xd8, 0xff, 0xe1];
        let block = tiff(300, 2);
        exif.extend(u16::try_from(block.len() + 8).unwrap().to_be_bytes());
        exif.extend(b"Exif\0\0");
        exif.extend(block);
        assert!(near(dots_per_inch(&exif), 300.0));
    }

    #[test]
    fn placeholders_and_nonsense_are_no_resolution() {
        for bytes in [
            jfif(1, 72, 72),
            jfif(1, 96, 96),
            jfif(0, 1, 1),
            jfif(1, 300, 600),
            jfif(1, 0, 0),
            png(23_622, 23_622, 0),
            png(0, 0, 1),
            tiff(300, 1),
            Vec::new(),
            b"II*\0\xff\xff\xff\xff".to_vec(),
        ] {
            assert_eq!(dots_per_inch(&bytes), None, "{bytes:?}");
        }
        // Cut short anywhere: no panic, no number.
        let whole = tiff(300, 2);
        for end in 0..whole.len() {
            assert_eq!(dots_per_inch(&whole[..end]), None);
        }
    }
}
