//! The pen marks themselves, looked for in the photo: a line ruled from the pith to the bark and the
//! cross marks or dots on it.
//!
//! Ink, correction pen, pencil or chalk: whatever it is, it has one colour all along, and differs from
//! the wood beside it in the same way all along, while rings pass under it from one side to the other
//! alike. So for every direction from the pith (and a little beside it, since the pith is known to a
//! few px only) the colour on the line less that of both flanks is taken at many distances, and the
//! line is where three quarters of these differences point the same way the farthest. Cracks are dark
//! too, but bend, gape and end.
//!
//! Marks stick out of the line to both sides. At each place along it the colour just beside the line is
//! compared with that of the same ring farther off ([`Ladder`](super::ladder::Ladder) tells which place that is), weighed so
//! that the ink counts and what the wood does by itself doesn't; marks are the peaks.
//!
//! `ruled_line` finds the line, `cross_marks` the marks along it.

mod cross_marks;
mod ruled_line;

use super::marks::{Mark, Origin, Place};
use crate::photo::Photo;
use crate::reading::{Reading, radius_at};
use image::RgbImage;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// A ruled line with its marks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PenLine {
    /// Direction from the pith to the bark, degrees clockwise from the right.
    pub azimuth_deg: f64,
    /// Width of the line, px.
    pub width_px: f64,
    /// How much its colour differs from the wood's, in levels of 0 to 255 (length in RGB).
    pub contrast: f64,
    /// The cross marks or dots on it, from the pith outward: points in the photo, px.
    pub marks_px: Vec<(f64, f64)>,
}

impl PenLine {
    /// The marks as those of every so-many-th ring, counted from the pith; or, with the disc's total,
    /// from the bark inward, where marks that would fall on ring 0 or below are left out.
    pub fn as_marks(&self, every: u32, from_bark: Option<u32>, path: &Path) -> Vec<Mark> {
        let count = self.marks_px.len();
        self.marks_px
            .iter()
            .enumerate()
            .filter_map(|(i, &(x_px, y_px))| {
                let back = u32::try_from(count - i).ok()?.saturating_mul(every);
                let out = u32::try_from(i + 1).ok()?.saturating_mul(every);
                let ring = match from_bark {
                    Some(total) => total.checked_sub(back).filter(|ring| *ring > 0)?,
                    None => out,
                };
                Some(Mark {
                    ring,
                    place: Place::Point { x_px, y_px },
                    origin: Origin {
                        path: path.to_path_buf(),
                        line: None,
                    },
                })
            })
            .collect()
    }
}

/// A colour or a difference of colours, levels of 0 to 255.
type Colour = [f64; 3];

fn dot(a: Colour, b: Colour) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn less(a: Colour, b: Colour) -> Colour {
    std::array::from_fn(|c| a[c] - b[c])
}

fn mean(of: &[Colour]) -> Colour {
    let n = of.len().max(1) as f64;
    std::array::from_fn(|c| of.iter().map(|one| one[c]).sum::<f64>() / n)
}

/// A line: its direction, and how far beside the pith it passes, px to the right as seen outward.
#[derive(Debug, Clone, Copy)]
struct Line {
    azimuth_deg: f64,
    beside_px: f64,
}

/// The photo about the reading's pith.
struct View<'a> {
    pixels: &'a RgbImage,
    reading: &'a Reading,
    /// Mean radius of the wood, px.
    radius_px: f64,
}

impl View<'_> {
    /// Distance of the wood's edge, px: of the last ring where the edge is not known.
    fn edge_px(&self, azimuth_deg: f64) -> Option<f64> {
        let last = self.reading.rings.last();
        radius_at(&self.reading.outline.radius_px, azimuth_deg)
            .or_else(|| radius_at(&last?.radius_px, azimuth_deg))
    }

    /// The point so far along a line and across it, px.
    fn point(&self, line: Line, along_px: f64, across_px: f64) -> (f64, f64) {
        let (sin, cos) = line.azimuth_deg.to_radians().sin_cos();
        let across = line.beside_px + across_px;
        (
            self.reading.pith.x_px + along_px * cos - across * sin,
            self.reading.pith.y_px + along_px * sin + across * cos,
        )
    }

    /// Colour there, between four pixels in straight lines.
    fn colour(&self, (x, y): (f64, f64)) -> Option<Colour> {
        let (w, h) = (self.pixels.width(), self.pixels.height());
        if !(x >= 0.0 && y >= 0.0 && x < f64::from(w - 1) && y < f64::from(h - 1)) {
            return None;
        }
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "inside the photo, rounded down"
        )]
        let (ix, iy) = (x.floor() as u32, y.floor() as u32);
        let (fx, fy) = (x.fract(), y.fract());
        let at = |x, y| self.pixels.get_pixel(x, y).0;
        let four = [
            at(ix, iy),
            at(ix + 1, iy),
            at(ix, iy + 1),
            at(ix + 1, iy + 1),
        ];
        Some(std::array::from_fn(|c| {
            let [a, b, d, e] = four.map(|p| f64::from(p[c]));
            (a * (1.0 - fx) + b * fx) * (1.0 - fy) + (d * (1.0 - fx) + e * fx) * fy
        }))
    }
}

/// Looks for the ruled line and its marks; `None` where there is none.
pub fn find(photo: &Photo, reading: &Reading) -> Option<PenLine> {
    let last = reading.rings.last()?;
    let radius_px = crate::ring_area::equivalent_radius_px(&reading.outline.radius_px)
        .or_else(|| crate::ring_area::equivalent_radius_px(&last.radius_px))?;
    let view = View {
        pixels: &photo.pixels,
        reading,
        radius_px,
    };
    let (line, width_px) = view.search()?;
    let (line, width_px, way) = view.sharpen(line, width_px)?;
    let (contrast, _) = view.strength(line, width_px)?;
    if !view.is_steady(line, width_px, way) || !view.is_ruled(line, width_px, way) {
        return None;
    }
    let marks_px = view.marks(line, width_px, contrast, way);
    Some(PenLine {
        azimuth_deg: line.azimuth_deg.rem_euclid(360.0),
        width_px,
        contrast,
        marks_px,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_are_numbered_from_the_pith_or_from_the_bark() {
        let line = PenLine {
            azimuth_deg: 0.0,
            width_px: 3.0,
            contrast: 50.0,
            marks_px: vec![(10.0, 0.0), (50.0, 0.0), (90.0, 0.0)],
        };
        let numbers = |from_bark| -> Vec<u32> {
            let marks = line.as_marks(10, from_bark, Path::new("log-7.jpg"));
            marks.iter().map(|mark| mark.ring).collect()
        };
        assert_eq!(numbers(None), [10, 20, 30]);
        assert_eq!(numbers(Some(32)), [2, 12, 22]);
        // Of 30 rings the innermost mark would be ring 0: the pith itself.
        assert_eq!(numbers(Some(30)), [10, 20]);
    }
}
