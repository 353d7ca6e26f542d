//! Every kind of picture that is promised, from its file's bytes to upright 8-bit RGB.

mod pictures;

use endgrain::error::Error;
use endgrain::photo::{self, Photo};
use endgrain::settings::Settings;
use image::{ExtendedColorType, ImageFormat, Rgb, RgbImage};
use pictures::{encoded, end_face, jpeg, png, tiff, with_exif};
use std::path::Path;

fn decode(bytes: &[u8]) -> Photo {
    photo::decode(bytes, Path::new("yard/end.any"), &Settings::default()).unwrap()
}

/// The greatest difference of any channel.
fn most_apart(a: &RgbImage, b: &RgbImage) -> u8 {
    assert_eq!(a.dimensions(), b.dimensions());
    a.iter()
        .zip(b.iter())
        .map(|(a, b)| a.abs_diff(*b))
        .max()
        .unwrap()
}

/// The picture as a camera stores it under an orientation tag. Exif 2.3, 4.6.4 (tag 0x0112) says for
/// each tag which visual side the stored first row and the stored first column are.
fn stored(upright: &RgbImage, tag: u16) -> RgbImage {
    let (w, h) = upright.dimensions();
    let (rows, columns) = if tag < 5 { (h, w) } else { (w, h) };
    RgbImage::from_fn(columns, rows, |c, r| {
        let (x, y) = match tag {
            1 => (c, r),                 // top, left
            2 => (w - 1 - c, r),         // top, right
            3 => (w - 1 - c, h - 1 - r), // bottom, right
            4 => (c, h - 1 - r),         // bottom, left
            5 => (r, c),                 // left, top
            6 => (w - 1 - r, c),         // right, top
            7 => (w - 1 - r, h - 1 - c), // right, bottom
            8 => (r, h - 1 - c),         // left, bottom
            _ => unreachable!(),
        };
        *upright.get_pixel(x, y)
    })
}

#[test]
fn all_eight_orientations_of_a_jpeg_come_out_upright() {
    let upright = end_face(160, 96);
    for tag in 1..=8 {
        let read = decode(&jpeg(&stored(&upright, tag), 100, Some(tag)));
        let apart = most_apart(&read.pixels, &upright);
        // Quality 100 rounds colours twice; a wrong turn is off by more than a hundred.
        assert!(apart <= 4, "tag {tag}: {apart} levels apart");
    }
}

#[test]
fn all_eight_orientations_of_a_tiff_come_out_upright() {
    let upright = end_face(80, 96);
    for tag in 1..=8 {
        let kept = stored(&upright, tag);
        let bytes = tiff(kept.width(), kept.height(), 3, 8, false, tag, &kept);
        assert!(decode(&bytes).pixels == upright, "tag {tag}");
    }
}

#[test]
fn a_nonsense_orientation_is_no_orientation() {
    let upright = end_face(96, 80);
    let plain = jpeg(&upright, 95, None);
    for tag in [0, 9, 700] {
        assert!(decode(&with_exif(&plain, tag)).pixels == decode(&plain).pixels);
    }
}

#[test]
fn lossless_kinds_come_out_as_they_were() {
    let face = end_face(90, 70);
    for format in [ImageFormat::Png, ImageFormat::Tiff, ImageFormat::WebP] {
        let bytes = encoded(format, ExtendedColorType::Rgb8, 90, 70, &face);
        assert!(decode(&bytes).pixels == face, "{format:?}");
    }
}

#[test]
fn grey_alpha_and_sixteen_bits_come_out_as_eight_bit_rgb() {
    use ExtendedColorType as C;
    let face = end_face(90, 70);
    let green: Vec<u8> = face.pixels().map(|p| p[1]).collect();
    let grey = RgbImage::from_fn(90, 70, |x, y| Rgb([face.get_pixel(x, y)[1]; 3]));
    // The upper half under a clear cover: white.
    let covered = |of: &RgbImage| {
        RgbImage::from_fn(90, 70, |x, y| {
            if y < 35 {
                Rgb([255; 3])
            } else {
                *of.get_pixel(x, y)
            }
        })
    };
    let alpha = |i: usize| if i < 90 * 35 { 0 } else { 255 };
    let with_alpha = |samples: &[u8], channels: usize| -> Vec<u8> {
        let pixels = samples.chunks(channels).enumerate();
        pixels
            .flat_map(|(i, p)| p.iter().copied().chain([alpha(i)]))
            .collect()
    };
    // A sample of 16 bits that scales back to the same 8: v * 257.
    let wide = |samples: &[u8]| -> Vec<u8> { samples.iter().flat_map(|&v| [v, v]).collect() };
    let la = with_alpha(&green, 1);
    let rgba = with_alpha(&face, 3);
    for (what, colour, samples, judge) in [
        ("grey", C::L8, green.clone(), grey.clone()),
        ("grey and alpha", C::La8, la.clone(), covered(&grey)),
        ("RGBA", C::Rgba8, rgba.clone(), covered(&face)),
        ("16-bit grey", C::L16, wide(&green), grey.clone()),
        ("16-bit grey and alpha", C::La16, wide(&la), covered(&grey)),
        ("16-bit RGB", C::Rgb16, wide(&face), face.clone()),
        ("16-bit RGBA", C::Rgba16, wide(&rgba), covered(&face)),
    ] {
        let bytes = encoded(ImageFormat::Png, colour, 90, 70, &samples);
        assert!(decode(&bytes).pixels == judge, "{what}");
    }
    let bytes = encoded(ImageFormat::Tiff, C::L16, 90, 70, &wide(&green));
    assert!(decode(&bytes).pixels == grey, "16-bit grey TIFF");
}

#[test]
fn a_float_tiff_is_read() {
    let face = end_face(90, 70);
    let samples: Vec<u8> = face
        .iter()
        .flat_map(|&v| (f32::from(v) / 255.0).to_be_bytes())
        .collect();
    let bytes = tiff(90, 70, 3, 32, true, 1, &samples);
    assert!(decode(&bytes).pixels == face);
}

#[test]
fn a_dim_sixteen_bit_tiff_keeps_its_rings() {
    // 12-bit data in 16 bits, and only the lower half of it: 8 bits of it would be 8 levels.
    let face = end_face(90, 70);
    let samples: Vec<u8> = face
        .pixels()
        .flat_map(|p| (u16::from(p[1]) * 8).to_be_bytes())
        .collect();
    let read = decode(&tiff(90, 70, 1, 16, false, 1, &samples)).pixels;
    let levels: std::collections::BTreeSet<u8> = read.pixels().map(|p| p[0]).collect();
    assert!(levels.len() > 60, "{} levels left", levels.len());
    assert!(levels.first() < Some(&2) && levels.last() > Some(&253));
}

#[test]
fn jpegs_of_all_colour_kinds_are_read() {
    use jpeg_encoder::{ColorType, Encoder};
    let face = end_face(160, 96);
    let green: Vec<u8> = face.pixels().map(|p| p[1]).collect();
    let grey = RgbImage::from_fn(160, 96, |x, y| Rgb([face.get_pixel(x, y)[1]; 3]));
    // Ink is what light lacks: C = 255 - R and so on, no black.
    let inks: Vec<u8> = face
        .pixels()
        .flat_map(|p| [255 - p[0], 255 - p[1], 255 - p[2], 0])
        .collect();
    for is_progressive in [false, true] {
        for (what, colour, samples, judge) in [
            ("RGB", ColorType::Rgb, face.as_raw(), &face),
            ("grey", ColorType::Luma, &green, &grey),
            ("CMYK", ColorType::Cmyk, &inks, &face),
            ("YCCK", ColorType::CmykAsYcck, &inks, &face),
        ] {
            let mut bytes = Vec::new();
            let mut encoder = Encoder::new(&mut bytes, 100);
            encoder.set_progressive(is_progressive);
            encoder.encode(samples, 160, 96, colour).unwrap();
            let apart = most_apart(&decode(&bytes).pixels, judge);
            assert!(
                apart <= 6,
                "{what}, progressive {is_progressive}: {apart} levels apart"
            );
        }
    }
}

#[test]
fn a_wrong_extension_is_read_all_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let face = end_face(90, 70);
    for (name, bytes) in [
        ("a.jpg", png(&face)),
        ("b.png", jpeg(&face, 90, None)),
        ("c", png(&face)),
    ] {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        let read = photo::read(&path, &Settings::default()).unwrap();
        assert_eq!(
            (read.file.as_str(), read.pixels.dimensions()),
            (name, (90, 70))
        );
    }
}

#[test]
fn the_hash_is_that_of_the_files_bytes() {
    // `printf abc | sha256sum` begins ba7816bf (FIPS 180-4's example); here by the same library over
    // the whole file, to pin that neither name nor pixels go into it.
    use sha2::{Digest, Sha256};
    let bytes = png(&end_face(90, 70));
    let judge: String = Sha256::digest(&bytes)
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect();
    assert_eq!(decode(&bytes).sha256, judge);
    assert_eq!(decode(&bytes).file, "end.any");
}

#[cfg(feature = "heic")]
#[test]
fn heic_photos_come_out_as_libheif_decodes_them() {
    for name in ["end", "end_turned"] {
        let folder = Path::new("fixtures/photo");
        let heic = photo::read(&folder.join(format!("{name}.heic")), &Settings::default()).unwrap();
        let judge = photo::read(&folder.join(format!("{name}.png")), &Settings::default()).unwrap();
        let apart = most_apart(&heic.pixels, &judge.pixels);
        // The two decoders round the step from luma and chroma to RGB differently.
        assert!(apart <= 3, "{name}: {apart} levels apart");
    }
}

#[cfg(feature = "heic")]
#[test]
fn a_cut_heic_is_refused() {
    let whole = std::fs::read("fixtures/photo/end.heic").unwrap();
    for cut in [13, 40, 200, whole.len() / 2, whole.len() - 1] {
        let refused = photo::decode(&whole[..cut], Path::new("a.heic"), &Settings::default());
        assert!(
            matches!(refused, Err(Error::Damaged { .. })),
            "cut at {cut}: {refused:?}"
        );
    }
}

#[cfg(not(feature = "heic"))]
#[test]
fn without_the_feature_heic_is_refused_with_the_way_out() {
    let path = Path::new("fixtures/photo/end.heic");
    let refused = photo::read(path, &Settings::default()).unwrap_err();
    assert!(matches!(refused, Error::NotAPicture { .. }));
    assert!(
        refused.to_string().contains("convert it to JPEG"),
        "{refused}"
    );
}
