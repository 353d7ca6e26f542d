//! The photo with its overlay, as a part of the page: scaled down, with each ring as a shape that
//! answers to the pointer.

use crate::draw;
use crate::error::Error;
use crate::page::data_uri;
use crate::reading::Reading;
use image::RgbImage;
use image::imageops::{crop_imm, thumbnail};
use maud::{Markup, html};
use std::fmt::Write as _;
use std::path::Path;

/// Longest side of the picture on a page, px: shows rings of 4 px on a photo of 3 megapixels, and
/// keeps the page at a few hundred kilobytes.
const LONGEST_PX: u32 = 1200;
/// Longest side of a picture in the table of a folder, px.
const SMALL_PX: u32 = 160;
/// Azimuths between two corners of a ring's shape, degrees.
const STEP_DEG: usize = 4;

/// An overlay's picture without its caption, in the pixels of the photo or reduced by a whole factor.
///
/// # Errors
/// [`Error::BadData`] where the bytes are no picture, or not one of this reading's photo.
pub(super) fn open(overlay: &[u8], reading: &Reading, path: &Path) -> Result<RgbImage, Error> {
    let bad = |what: String| Error::BadData {
        path: path.to_path_buf(),
        line: None,
        what,
        way_out: "run endgrain count again on the photo".to_owned(),
    };
    let picture = image::load_from_memory_with_format(overlay, image::ImageFormat::Jpeg)
        .map_err(|refused| bad(format!("the overlay can't be opened: {refused}")))?
        .into_rgb8();
    let (width, height) = (reading.photo.width_px, reading.photo.height_px);
    let size = (1..=draw::MOST_REDUCED)
        .map(|factor| (width / factor, height / factor))
        .find(|size| picture.width() == size.0 && picture.height() >= size.1);
    let Some((width, height)) = size else {
        return Err(bad(format!(
            "the overlay is {} px wide, the photo of the reading {width} px: it is not of this reading",
            picture.width()
        )));
    };
    Ok(crop_imm(&picture, 0, 0, width, height).to_image())
}

fn reduced(picture: &RgbImage, longest_px: u32, name: &Path) -> Result<String, Error> {
    let (width, height) = picture.dimensions();
    let longest = width.max(height).max(1);
    let jpeg = if longest <= longest_px {
        draw::jpeg(picture, name)?
    } else {
        let side = |px: u32| {
            let scaled = u64::from(px) * u64::from(longest_px) / u64::from(longest);
            u32::try_from(scaled).unwrap_or(longest_px).max(1)
        };
        draw::jpeg(&thumbnail(picture, side(width), side(height)), name)?
    };
    Ok(data_uri("image/jpeg", &jpeg))
}

/// The picture of a disc; `told` is what each ring says, by its place in the reading.
///
/// # Errors
/// [`Error::Fault`] of the JPEG writer.
pub(super) fn figure(
    picture: &RgbImage,
    reading: &Reading,
    told: &[String],
) -> Result<Markup, Error> {
    let name = Path::new(&reading.photo.file);
    let uri = reduced(picture, LONGEST_PX, name)?;
    let (width, height) = (reading.photo.width_px, reading.photo.height_px);
    let alt = format!(
        "Photo of the end grain with its pith, the edge of the wood and {} ring boundaries drawn on it",
        reading.rings.len()
    );
    Ok(html! {
        div.picture style={ "aspect-ratio:" (width) "/" (height) } {
            img src=(uri) alt=(alt) width=(width) height=(height);
            svg viewBox={ "0 0 " (width) " " (height) } aria-hidden="true" {
                // The outermost first: the ring under the pointer is the innermost that holds it.
                @for (ring, told) in reading.rings.iter().zip(told).rev() {
                    path.hit data-ring=(ring.number) d=(shape(reading, &ring.radius_px)) {
                        title { (told) }
                    }
                }
            }
        }
    })
}

/// A small picture for a table.
///
/// # Errors
/// [`Error::Fault`] of the JPEG writer.
pub(super) fn small(picture: &RgbImage, reading: &Reading) -> Result<Markup, Error> {
    let uri = reduced(picture, SMALL_PX, Path::new(&reading.photo.file))?;
    // The name stands beside it.
    Ok(html! { img.small src=(uri) alt=""; })
}

/// A boundary as the path of an SVG, px of the photo; where it is not known the path goes by the
/// pith, so that the shape covers what is known.
fn shape(reading: &Reading, radius_px: &[Option<f64>]) -> String {
    let (x, y) = (reading.pith.x_px, reading.pith.y_px);
    let mut path = String::new();
    for (azimuth, radius) in radius_px.iter().enumerate().step_by(STEP_DEG) {
        let radius = radius.unwrap_or(0.0);
        let (sin, cos) = (azimuth as f64).to_radians().sin_cos();
        let sign = if path.is_empty() { 'M' } else { 'L' };
        let _ = write!(
            path,
            "{sign}{:.0} {:.0}",
            x + radius * cos,
            y + radius * sin
        );
    }
    path.push('Z');
    path
}
