//! Finds a ruler or tape in the photo and reads millimetres a pixel from its graduations.
//!
//! A ruler is a row of thin, parallel, evenly spaced marks with every fifth and tenth (on an inch
//! rule every second, fourth, eighth and sixteenth) longer. `places` looks in small blocks of the
//! photo, at several sizes, for rows of even spacing and joins blocks that lie on one line;
//! `marks` follows the marks along each such line one by one, fits their places by the map that
//! perspective allows, and measures their lengths. The longer marks tell the unit: without them
//! nothing is known of it, and a row of anything else that is evenly spaced (rings, saw marks,
//! planks, cloth) has none. What is not sure is refused; a wrong ruler is worse than none.
//!
//! The scale is that at the point of the ruler nearest to the pith, carried over to the pith by what
//! the marks tell of the perspective (`perspective`). The ruler is taken to lie in the plane of the
//! face; nearer to the camera or farther, its scale is off by the same share as its distance. Digits are not read: a tape in hundredths of a foot has the same pattern as one in mm
//! and is taken for it.

mod marks;
mod perspective;
mod places;

use crate::reading::{AZIMUTHS, Outline, RulerSeen};
use crate::settings::RulerMarks;
use image::RgbImage;

/// Confidence below which a ruler is refused. 0.6: on 54 practice discs without a ruler (seed 7) no
/// row of anything came as far as having one; of twelve rules on another seed ten passed, with 0.77
/// to 0.99.
pub const LEAST_CONFIDENCE: f64 = 0.6;

/// Luminance of a photo, `[y, x]`, 0 to 255.
#[derive(Debug, Clone)]
struct Luminance {
    width: usize,
    height: usize,
    values: Vec<f32>,
}

impl Luminance {
    fn of(pixels: &RgbImage) -> Self {
        // Weights of the video standard BT.601; any would do to tell dark marks from pale ground.
        let values = pixels
            .pixels()
            .map(|p| 0.299 * f32::from(p[0]) + 0.587 * f32::from(p[1]) + 0.114 * f32::from(p[2]))
            .collect();
        Luminance {
            width: pixels.width() as usize,
            height: pixels.height() as usize,
            values,
        }
    }

    /// Every two by two pixels made one.
    fn halved(&self) -> Self {
        let (width, height) = (self.width / 2, self.height / 2);
        let mut values = Vec::with_capacity(width * height);
        for y in 0..height {
            let upper = &self.values[2 * y * self.width..][..2 * width];
            let lower = &self.values[(2 * y + 1) * self.width..][..2 * width];
            values.extend(
                upper
                    .chunks_exact(2)
                    .zip(lower.chunks_exact(2))
                    .map(|(u, l)| 0.25 * (u[0] + u[1] + l[0] + l[1])),
            );
        }
        Luminance {
            width,
            height,
            values,
        }
    }

    /// Between the pixels in straight lines; none outside the photo.
    fn at(&self, x: f64, y: f64) -> Option<f64> {
        let inside = x >= 0.0
            && y >= 0.0
            && x <= self.width.saturating_sub(1) as f64
            && y <= self.height.saturating_sub(1) as f64;
        if !inside {
            return None;
        }
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "floored, and inside the photo"
        )]
        let (i, j) = (x.floor() as usize, y.floor() as usize);
        let (i1, j1) = ((i + 1).min(self.width - 1), (j + 1).min(self.height - 1));
        let (fx, fy) = (x - x.floor(), y - y.floor());
        let value = |i: usize, j: usize| f64::from(self.values[j * self.width + i]);
        let upper = value(i, j) + fx * (value(i1, j) - value(i, j));
        let lower = value(i, j1) + fx * (value(i1, j1) - value(i, j1));
        Some(upper + fy * (lower - upper))
    }
}

/// A line along which blocks have evenly spaced marks.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Row {
    /// A point of it, px.
    x_px: f64,
    y_px: f64,
    /// Its direction, rad.
    angle: f64,
    /// Spacing of the marks, px.
    period_px: f64,
    /// From where to where along it, px from the point.
    reach_px: [f64; 2],
    /// How much speaks for it.
    weight: f64,
}

/// Why no ruler was taken; ordered by how far the search came.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Refusal {
    NoRow,
    FewMarks,
    Uneven,
    UnitUnknown,
    Unsure,
}

impl Refusal {
    fn words(self) -> &'static str {
        match self {
            Refusal::NoRow => "no row of even graduations was found",
            Refusal::FewMarks => "the graduations found are too few, 25 in a row are needed",
            Refusal::Uneven => "what looks like graduations is too uneven to be any",
            Refusal::UnitUnknown => {
                "the longer marks, every fifth and tenth or every sixteenth of an inch, can't be told from the others"
            }
            Refusal::Unsure => "the graduations are not clear enough to be relied on",
        }
    }
}

/// Finds a ruler and reads its scale.
///
/// # Errors
/// A sentence that says why none was taken and what to do.
///
/// # Memory
/// About 6 bytes a pixel while it looks.
pub fn find(
    pixels: &RgbImage,
    outline: &Outline,
    pith_px: (f64, f64),
    marks: RulerMarks,
) -> Result<RulerSeen, String> {
    let luminance = Luminance::of(pixels);
    let edge = wood_edge(outline);
    let is_wood = |x: f64, y: f64, margin: f64| {
        let Some(edge) = &edge else {
            return false;
        };
        let (dx, dy) = (x - pith_px.0, y - pith_px.1);
        let degree = dy.atan2(dx).to_degrees().rem_euclid(360.0).floor();
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "0 to 360, floored"
        )]
        let at = degree as usize % AZIMUTHS;
        dx.hypot(dy) < edge[at] + margin
    };
    let mut furthest = Refusal::NoRow;
    // Beside the wood first; a ruler may also lie across it, where rings are looked at as well.
    for wood_counts in [false, true] {
        let mut best: Option<RulerSeen> = None;
        let rows = places::find(&luminance, &|x, y, margin| {
            !wood_counts && is_wood(x, y, margin)
        });
        for row in rows {
            match marks::read(&luminance, &row, pith_px, marks) {
                Ok(seen) => {
                    if best
                        .as_ref()
                        .is_none_or(|best| seen.confidence > best.confidence)
                    {
                        best = Some(seen);
                    }
                }
                Err(refusal) => furthest = furthest.max(refusal),
            }
        }
        if let Some(seen) = best {
            return Ok(seen);
        }
    }
    Err(format!(
        "No ruler could be read with certainty: {}. Lengths stay in pixels; give two points of it and their distance with --points.",
        furthest.words()
    ))
}

/// Radius of the wood a degree; where its edge is outside the photo all is wood. None where no edge
/// is known at all.
fn wood_edge(outline: &Outline) -> Option<Vec<f64>> {
    let known = outline.radius_px.iter().any(Option::is_some);
    (known && outline.radius_px.len() == AZIMUTHS).then(|| {
        outline
            .radius_px
            .iter()
            .map(|r| r.unwrap_or(f64::INFINITY))
            .collect()
    })
}
