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
//! compared with that of the same ring farther off ([`Ladder`] tells which place that is), weighed so
//! that the ink counts and what the wood does by itself doesn't (`Ink`); marks are the peaks.

use super::ladder::Ladder;
use super::marks::{Mark, Origin, Place};
use crate::photo::Photo;
use crate::reading::{Reading, radius_at};
use image::RgbImage;
use rayon::prelude::*;
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

/// Distances at which a direction is looked at.
const PLACES: u32 = 140;
/// They run between these shares of the wood's edge: nearer in, a pith off by a few px spoils the
/// direction; farther out there are bark and shadow.
const FROM_SHARE: f64 = 0.10;
const TO_SHARE: f64 = 0.95;
/// Widths of lines that are looked for, px.
const WIDTHS_PX: [f64; 4] = [1.6, 3.0, 6.0, 11.0];
/// How far beside the pith a line may pass, as a share of the mean radius, and in how many steps to
/// either side.
const BESIDE_SHARE: f64 = 0.03;
const BESIDE_STEPS: i32 = 6;
/// A line is taken for ruled where three quarters of its places differ from the wood by this, levels.
/// Below 5, grain and saw marks reach it on practice discs without a line.
const LEAST_CONTRAST: f64 = 7.0;
/// And by so many times what the middle one of all directions reaches.
const LEAST_RATIO: f64 = 4.0;
/// Nine in ten places of a ruled line have this share of the middle place's difference. 0.2 refused
/// faint pencil on rows of pores; cracks have less than nothing.
const STEADY_SHARE: f64 = 0.05;
/// Pieces of a line that are held against each other.
const PIECES: usize = 10;
/// Widest less narrowest of them, without the extremes, is at most this share of a ruled line's width.
/// Practice lines reach 0.13; the gaping check that was once taken for a line, 1.5.
const WIDENS_AT_MOST: f64 = 0.5;
/// Share of the ink's difference that a mark has beside the line.
const MARK_SHARE: f64 = 0.36;
/// With this share it is a mark, however much the wood spreads, under a line of this contrast, levels:
/// under a fainter one the camera's noise has such shares.
const SURE_SHARE: f64 = 0.6;
const CLEAR_CONTRAST: f64 = 20.0;

/// Where the colour beside the line is looked at, in widths of the line from its middle: within a mark,
/// and beyond it. A mark that is shorter than three widths of the line is none.
const NEAR: [f64; 4] = [0.75, 1.0, 1.25, 1.5];
const FAR: [f64; 5] = [3.8, 4.4, 5.0, 5.6, 6.2];
/// Differences with more than this share of the ink's colour may be marks: they don't tell how the wood
/// differs.
const MAY_BE_MARK: f64 = 0.5;
/// What a camera's noise and compression leave in a difference of colours, levels.
const NOISE_LEVELS: f64 = 3.0;
/// Marks are looked for up to this share of the edge's distance: the rim of bark is dark as well.
const MARKS_TO: f64 = 0.985;
/// And from this one on: the pith's own rim looks like a mark.
const MARKS_FROM: f64 = 0.035;
/// A mark stands out of what the wood has beside the line by so many times the distance of its 5th from
/// its 20th percentile, three standard deviations if it were normal: on pores and under faint pencil
/// the spread is large.
const OUT_OF_SPREAD: f64 = 4.8;

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

/// How a difference of colours is weighed, so that the ink counts and what the wood does by itself does
/// not: Fisher's linear discriminant (Fisher 1936, from memory). Beside a line the wood differs along its
/// own scale from early- to latewood, where a ring bends away, and by its pores; pencil and pens differ
/// from that scale in hue, and black ink at least in being darker than all of it.
#[derive(Debug, Clone, Copy)]
struct Ink {
    /// Weights of the three colours; the ink itself weighs 1.
    weights: Colour,
}

impl Ink {
    /// From the differences beside a line, of which marks are the lesser part.
    fn of<'a>(differences: impl Iterator<Item = &'a Colour>, way: Colour, contrast: f64) -> Ink {
        let ink = way.map(|v| v * contrast);
        let mut spread = [[0.0; 3]; 3];
        let mut count = 0.0;
        for off in differences {
            // What has a good part of the ink's colour may be a mark.
            if dot(*off, way) > MAY_BE_MARK * contrast {
                continue;
            }
            count += 1.0;
            for (row, a) in spread.iter_mut().zip(off) {
                for (cell, b) in row.iter_mut().zip(off) {
                    *cell += a * b;
                }
            }
        }
        for (i, row) in spread.iter_mut().enumerate() {
            for cell in row.iter_mut() {
                *cell /= f64::max(count, 1.0);
            }
            row[i] += NOISE_LEVELS * NOISE_LEVELS;
        }
        let direction = solved(spread, ink);
        let own = dot(direction, ink);
        Ink {
            weights: if own > 0.0 {
                direction.map(|v| v / own)
            } else {
                way.map(|v| v / contrast)
            },
        }
    }

    /// Share of the ink in what differs beside the line. A mark crosses the line whole: nearly all of the
    /// places to both sides have its colour, which a pore or a fleck beside the line has on few.
    fn share(&self, differences: &[Colour]) -> f64 {
        let mut shares: Vec<f64> = differences
            .iter()
            .map(|off| dot(*off, self.weights))
            .collect();
        shares.sort_by(f64::total_cmp);
        match shares.as_slice() {
            [_, a, b, c, ..] => (a + b + c) / 3.0,
            _ => 0.0,
        }
    }
}

/// Solves three equations (Cramer's rule); nothing where they don't determine it.
fn solved(m: [[f64; 3]; 3], right: Colour) -> Colour {
    let cross = |a: Colour, b: Colour| -> Colour {
        [
            a[1] * b[2] - a[2] * b[1],
            a[2] * b[0] - a[0] * b[2],
            a[0] * b[1] - a[1] * b[0],
        ]
    };
    // The matrix is symmetric: its rows are its columns.
    let [a, b, c] = m;
    let determinant = dot(a, cross(b, c));
    if determinant.abs() < 1e-12 {
        return [0.0; 3];
    }
    [
        dot(right, cross(b, c)) / determinant,
        dot(a, cross(right, c)) / determinant,
        dot(a, cross(b, right)) / determinant,
    ]
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

    /// Colour on the line less that of either flank, at a distance.
    fn difference(&self, line: Line, along_px: f64, width_px: f64) -> Option<[Colour; 2]> {
        let take = |across: &[f64]| -> Option<Colour> {
            let seen: Option<Vec<Colour>> = across
                .iter()
                .map(|a| self.colour(self.point(line, along_px, a * width_px)))
                .collect();
            Some(mean(&seen?))
        };
        let on = take(&[-0.25, 0.0, 0.25])?;
        let flanks = [take(&[-2.4, -1.8, -1.3])?, take(&[1.3, 1.8, 2.4])?];
        Some(flanks.map(|flank| less(on, flank)))
    }

    /// How far three quarters of the places on a line differ from the wood, all the same way, levels;
    /// with that way, of length 1.
    fn strength(&self, line: Line, width_px: f64) -> Option<(f64, Colour)> {
        let edge = self.edge_px(line.azimuth_deg)?;
        let differences: Vec<[Colour; 2]> = places(edge)
            .filter_map(|along| self.difference(line, along, width_px))
            .collect();
        strength_of(&differences)
    }
}

fn places(edge_px: f64) -> impl Iterator<Item = f64> {
    (0..PLACES).map(move |i| {
        let share = (f64::from(i) + 0.5) / f64::from(PLACES);
        edge_px * (FROM_SHARE + (TO_SHARE - FROM_SHARE) * share)
    })
}

fn strength_of(differences: &[[Colour; 2]]) -> Option<(f64, Colour)> {
    // A line that leaves the photo on half of its way is none to count on.
    if differences.len() * 2 < PLACES as usize {
        return None;
    }
    let way = mean(differences.as_flattened());
    let length = dot(way, way).sqrt();
    if length < 1e-6 {
        return None;
    }
    let way = way.map(|v| v / length);
    // The lesser of the two: the rim of a shadow differs from one side only.
    let lesser = |[a, b]: &[Colour; 2]| dot(*a, way).min(dot(*b, way));
    let mut along: Vec<f64> = differences.iter().map(lesser).collect();
    along.sort_by(f64::total_cmp);
    Some((along[along.len() / 4], way))
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

impl View<'_> {
    /// The line, to a step of the search, and the width that shows it best.
    fn search(&self) -> Option<(Line, f64)> {
        let mut best: Option<(f64, Line, f64)> = None;
        for width_px in WIDTHS_PX {
            let (found, typical) = self.search_width(width_px)?;
            // Wide lines gather more noise from the flanks; each width is held against its own.
            let is_clear = found.0 > LEAST_CONTRAST && found.0 > LEAST_RATIO * typical;
            if is_clear && best.is_none_or(|(strength, ..)| found.0 > strength) {
                best = Some((found.0, found.1, width_px));
            }
        }
        best.map(|(_, line, width)| (line, width))
    }

    /// The strongest line of a width, and the strength of the middle one of all directions.
    fn search_width(&self, width_px: f64) -> Option<((f64, Line), f64)> {
        // A third of a line's width at the edge from one direction to the next.
        let steps =
            (std::f64::consts::TAU * self.radius_px / (0.5 * width_px)).clamp(1440.0, 5760.0);
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to 1440..=5760"
        )]
        let steps = steps.round() as usize;
        let step_deg = 360.0 / steps as f64;
        // Differences about the pith itself, once; lines beside it pass through other directions.
        let rows: Vec<Option<Vec<Option<[Colour; 2]>>>> = (0..steps)
            .into_par_iter()
            .map(|i| {
                let line = Line {
                    azimuth_deg: step_deg * i as f64,
                    beside_px: 0.0,
                };
                let edge = self.edge_px(line.azimuth_deg)?;
                let at = |along| self.difference(line, along, width_px);
                Some(places(edge).map(at).collect())
            })
            .collect();
        let lines: Vec<(f64, Line)> = (0..steps)
            .into_par_iter()
            .filter_map(|i| {
                let azimuth_deg = step_deg * i as f64;
                let edge = self.edge_px(azimuth_deg)?;
                (-BESIDE_STEPS..=BESIDE_STEPS)
                    .filter_map(|side| {
                        let beside_px = BESIDE_SHARE * self.radius_px * f64::from(side)
                            / f64::from(BESIDE_STEPS);
                        let differences: Vec<[Colour; 2]> = places(edge)
                            .enumerate()
                            .filter_map(|(k, along)| {
                                let turn = beside_px.atan2(along).to_degrees() / step_deg;
                                let row = step_at(i, turn, steps);
                                rows[row].as_ref()?[k]
                            })
                            .collect();
                        let line = Line {
                            azimuth_deg,
                            beside_px,
                        };
                        strength_of(&differences).map(|(strength, _)| (strength, line))
                    })
                    .max_by(|a, b| a.0.total_cmp(&b.0))
            })
            .collect();
        let best = lines.iter().max_by(|a, b| a.0.total_cmp(&b.0)).copied()?;
        let mut all: Vec<f64> = lines.iter().map(|(strength, _)| *strength).collect();
        all.sort_by(f64::total_cmp);
        Some((best, all[all.len() / 2].max(0.0)))
    }

    /// The line and its width in small steps, and the way in which its colour differs.
    fn sharpen(&self, coarse: Line, width_px: f64) -> Option<(Line, f64, Colour)> {
        let mut best = (self.strength(coarse, width_px)?.0, coarse);
        // Each round looks half as far as the one before it.
        let mut turn_deg = (width_px / self.radius_px).to_degrees();
        let mut side_px = BESIDE_SHARE * self.radius_px / f64::from(BESIDE_STEPS);
        for _ in 0..6 {
            let about = best.1;
            for i in -2..=2 {
                for j in -2..=2 {
                    let line = Line {
                        azimuth_deg: about.azimuth_deg + turn_deg * f64::from(i) / 2.0,
                        beside_px: about.beside_px + side_px * f64::from(j) / 2.0,
                    };
                    if let Some((strength, _)) = self.strength(line, width_px)
                        && strength > best.0
                    {
                        best = (strength, line);
                    }
                }
            }
            turn_deg /= 2.0;
            side_px /= 2.0;
        }
        let line = best.1;
        let (_, way) = self.strength(line, width_px)?;
        Some((line, self.width_of(line, width_px, way), way))
    }

    /// Whether the line is there nearly all along: cracks end, or close for a while.
    fn is_steady(&self, line: Line, width_px: f64, way: Colour) -> bool {
        let Some(edge) = self.edge_px(line.azimuth_deg) else {
            return false;
        };
        let mut along: Vec<f64> = places(edge)
            .filter_map(|along| self.difference(line, along, width_px))
            .map(|[a, b]| dot(a, way).min(dot(b, way)))
            .collect();
        along.sort_by(f64::total_cmp);
        let at = |share: usize| along.get(along.len() * share / 100).copied().unwrap_or(0.0);
        at(10) >= STEADY_SHARE * at(50)
    }

    /// Whether the line is as wide all along as a pen along a ruler leaves it: checks gape towards the
    /// bark or the pith.
    fn is_ruled(&self, line: Line, width_px: f64, way: Colour) -> bool {
        let Some(edge) = self.edge_px(line.azimuth_deg) else {
            return false;
        };
        let along: Vec<f64> = places(edge).collect();
        let mut widths: Vec<f64> = along
            .chunks(along.len().div_ceil(PIECES))
            .filter_map(|piece| self.width_in(line, piece, width_px, way))
            .collect();
        widths.sort_by(f64::total_cmp);
        let at = |share: usize| widths.get(widths.len() * share / 100).copied();
        at(90)
            .zip(at(10))
            .is_some_and(|(wide, narrow)| wide - narrow <= WIDENS_AT_MOST * width_px)
    }

    /// How wide the ink is in a piece of the line, px: its sum across over its height.
    fn width_in(&self, line: Line, piece: &[f64], width_px: f64, way: Colour) -> Option<f64> {
        let across: Vec<f64> = (-12..=12)
            .map(|i| 0.125 * f64::from(i) * width_px)
            .collect();
        let levels: Vec<f64> = across
            .iter()
            .map(|across| {
                let seen: Vec<f64> = piece
                    .iter()
                    .filter_map(|along| self.colour(self.point(line, *along, *across)))
                    .map(|colour| dot(colour, way))
                    .collect();
                seen.iter().sum::<f64>() / seen.len().max(1) as f64
            })
            .collect();
        // The wood to both sides may differ in tone: a straight line from one to the other.
        let (first, last) = (*levels.first()?, *levels.last()?);
        let over: Vec<f64> = levels
            .iter()
            .zip(&across)
            .map(|(level, at)| {
                let share = (at / (1.5 * width_px) + 1.0) / 2.0;
                (level - first - share * (last - first)).max(0.0)
            })
            .collect();
        let sum: f64 = over.iter().sum();
        let top = over.iter().copied().fold(0.0, f64::max);
        (top > 0.0).then(|| sum / top * 0.125 * width_px)
    }

    /// Width at half of the line's mean difference, px.
    fn width_of(&self, line: Line, width_px: f64, way: Colour) -> f64 {
        let Some(edge) = self.edge_px(line.azimuth_deg) else {
            return width_px;
        };
        let level = |across: f64| {
            let seen: Vec<f64> = places(edge)
                .filter_map(|along| self.colour(self.point(line, along, across)))
                .map(|colour| dot(colour, way))
                .collect();
            seen.iter().sum::<f64>() / seen.len().max(1) as f64
        };
        let wood = (level(-2.5 * width_px) + level(2.5 * width_px)) / 2.0;
        let half = (level(0.0) + wood) / 2.0;
        // In quarters of a px outward to either side until half of the difference is left.
        let reach = |sign: f64| {
            (0..60)
                .map(|i| 0.25 * f64::from(i))
                .find(|across| level(sign * across) < half)
                .unwrap_or(width_px)
        };
        (reach(-1.0) + reach(1.0)).clamp(1.0, 2.5 * width_px)
    }

    /// The marks along the line.
    fn marks(&self, line: Line, width_px: f64, contrast: f64, way: Colour) -> Vec<(f64, f64)> {
        let Some(edge) = self.edge_px(line.azimuth_deg) else {
            return Vec::new();
        };
        let from = (MARKS_FROM * edge).max(2.0 * width_px);
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "half px along a line in a photo"
        )]
        let steps = (2.0 * (MARKS_TO * edge - width_px - from))
            .floor()
            .clamp(0.0, 1e5) as u32;
        let beside: Vec<Option<Vec<Colour>>> = (0..steps)
            .into_par_iter()
            .map(|i| self.beside(line, from + 0.5 * f64::from(i), width_px))
            .collect();
        let ink = Ink::of(beside.iter().flatten().flatten(), way, contrast);
        let shares: Vec<f64> = beside
            .iter()
            .map(|offs| offs.as_deref().map_or(0.0, |offs| ink.share(offs)))
            .collect();
        let sure_share = if contrast >= CLEAR_CONTRAST {
            SURE_SHARE
        } else {
            f64::MAX
        };
        peaks(&shares, width_px, sure_share)
            .into_iter()
            .map(|i| self.point(line, from + 0.5 * i, 0.0))
            .collect()
    }

    /// How far the colour just beside the line differs from that of the same ring farther off, at
    /// several places to both sides.
    fn beside(&self, line: Line, along: f64, width_px: f64) -> Option<Vec<Colour>> {
        let mut offs = Vec::with_capacity(2 * NEAR.len());
        for sign in [-1.0, 1.0] {
            for near in NEAR {
                let across = sign * (near * width_px + 0.7);
                let here = self.colour(self.point(line, along, across))?;
                let ring = self.ring_at(line, along, across);
                let mut wood: Vec<Colour> = FAR
                    .iter()
                    .filter_map(|far| {
                        let across = sign * (far * width_px + 3.0);
                        let along = ring
                            .and_then(|ring| self.along_of(line, ring, along, across))
                            .unwrap_or(along);
                        self.colour(self.point(line, along, across))
                    })
                    .collect();
                // Pores and flecks lie in the wood as well: of its own colours the lighter middle.
                wood.sort_by(|a, b| (b[0] + b[1] + b[2]).total_cmp(&(a[0] + a[1] + a[2])));
                offs.push(less(here, *wood.get(wood.len() / 3)?));
            }
        }
        Some(offs)
    }

    /// Ring number at a place.
    fn ring_at(&self, line: Line, along: f64, across: f64) -> Option<f64> {
        let (x, y) = self.point(line, along, across);
        let (x, y) = (x - self.reading.pith.x_px, y - self.reading.pith.y_px);
        let azimuth = y.atan2(x).to_degrees().rem_euclid(360.0);
        Ladder::of(self.reading, Some(azimuth)).number_at(x.hypot(y))
    }

    /// How far along the line a ring passes, so far across it; near a place.
    fn along_of(&self, line: Line, ring: f64, along: f64, across: f64) -> Option<f64> {
        let mut at = along;
        // The direction from the pith depends on the place sought: two rounds are enough so near.
        for _ in 0..2 {
            let (x, y) = self.point(line, at, across);
            let (x, y) = (x - self.reading.pith.x_px, y - self.reading.pith.y_px);
            let azimuth = y.atan2(x).to_degrees().rem_euclid(360.0);
            let distance = Ladder::of(self.reading, Some(azimuth)).distance_px(ring)?;
            at += distance - x.hypot(y);
        }
        (at.is_finite() && (at - along).abs() < 0.3 * along + 10.0).then_some(at)
    }
}

/// The step nearest to `turn` steps from step `i` of a circle of `steps`.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::cast_sign_loss,
    reason = "steps of a circle, rounded and wrapped"
)]
fn step_at(i: usize, turn: f64, steps: usize) -> usize {
    (i as i64 + turn.round() as i64).rem_euclid(steps as i64) as usize
}

/// Places of peaks, in steps of half a px, between steps by their weight; what reaches `sure_share`
/// stands out, however much the shares spread.
fn peaks(shares: &[f64], width_px: f64, sure_share: f64) -> Vec<f64> {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a line's width in half px"
    )]
    let half = (0.5 * width_px).round().clamp(1.0, 40.0) as usize;
    let smooth = |i: usize| {
        let part = &shares[i.saturating_sub(half)..(i + half + 1).min(shares.len())];
        part.iter().sum::<f64>() / part.len() as f64
    };
    let smoothed: Vec<f64> = (0..shares.len()).map(smooth).collect();
    // What the wood beside the line has of the ink's colour by itself.
    let reach = 24 * half;
    let ground = |i: usize| {
        let mut part: Vec<f64> =
            smoothed[i.saturating_sub(reach)..(i + reach + 1).min(smoothed.len())].to_vec();
        part.sort_by(f64::total_cmp);
        part[part.len() / 4]
    };
    // The spread well below the middle: marks at every ring can take up a third of a line.
    let mut sorted = smoothed.clone();
    sorted.sort_by(f64::total_cmp);
    let quantile = |share: usize| {
        sorted
            .get(sorted.len() * share / 100)
            .copied()
            .unwrap_or(0.0)
    };
    let out_of_spread = quantile(20) + OUT_OF_SPREAD * (quantile(20) - quantile(5));
    let least = out_of_spread.clamp(MARK_SHARE, sure_share);
    let mut found: Vec<f64> = Vec::new();
    let apart = (3 * half).max(6);
    for i in 0..smoothed.len() {
        let here = smoothed[i];
        if here < least {
            continue;
        }
        let round = &smoothed[i.saturating_sub(apart)..(i + apart + 1).min(smoothed.len())];
        let is_top = round.iter().all(|other| *other <= here);
        let is_new = found
            .last()
            .is_none_or(|last| i as f64 - last > apart as f64);
        // A rise of the ground is high on one side too far.
        let falls = |side: &[f64]| {
            side.len() < 2 * apart || side.iter().any(|other| here - other >= MARK_SHARE)
        };
        let is_narrow = falls(&smoothed[i.saturating_sub(2 * apart)..i])
            && falls(&smoothed[i + 1..(i + 1 + 2 * apart).min(smoothed.len())]);
        if is_top && is_new && is_narrow && here - ground(i) >= MARK_SHARE {
            found.push(i as f64);
        }
    }
    found
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

    /// By hand: with nothing but the camera's noise the weights are the ink's own way, so that the ink
    /// weighs 1: 30, 40, 0 over its squared length 2500. Wood that differs along 3, 4, 0 makes that way
    /// worthless, and what is left of an ink of 30, 40, 10 is the blue.
    #[test]
    fn ink_is_weighed_by_what_the_wood_does_not_do() {
        let way = [0.6, 0.8, 0.0];
        let ink = Ink::of([].iter(), way, 50.0);
        for (got, want) in ink.weights.iter().zip([0.012, 0.016, 0.0]) {
            assert!((got - want).abs() < 1e-12, "{:?}", ink.weights);
        }
        let wood: Vec<Colour> = (-20..=20)
            .map(|i| [3.0, 4.0, 0.0].map(|v| f64::from(i) * v))
            .collect();
        let length = 2600_f64.sqrt();
        let way = [30.0, 40.0, 10.0].map(|v| v / length);
        let ink = Ink::of(wood.iter(), way, length);
        let share = |off: Colour| ink.share(&[off; 8]);
        assert!((share([30.0, 40.0, 10.0]) - 1.0).abs() < 1e-9);
        assert!(share([30.0, 40.0, 0.0]).abs() < 0.1);
        assert!(share([0.0, 0.0, 10.0]) > 0.9);
    }

    #[test]
    fn three_equations_are_solved() {
        // By hand: 2x + z = 5, 3y = 6, x + 4z = 13: x 1, y 2, z 3.
        let m = [[2.0, 0.0, 1.0], [0.0, 3.0, 0.0], [1.0, 0.0, 4.0]];
        for (got, want) in solved(m, [5.0, 6.0, 13.0]).into_iter().zip([1.0, 2.0, 3.0]) {
            assert!((got - want).abs() < 1e-12, "{got}");
        }
        assert_eq!(solved([[0.0; 3]; 3], [1.0; 3]), [0.0; 3]);
    }

    #[test]
    fn peaks_stand_out_of_their_ground() {
        let mut shares = vec![0.05; 400];
        for at in [100_usize, 220, 300] {
            for (i, share) in shares.iter_mut().enumerate() {
                if i.abs_diff(at) < 4 {
                    *share = 0.9;
                }
            }
        }
        // A rise of the ground is no peak.
        for share in &mut shares[340..] {
            *share = 0.6;
        }
        let found = peaks(&shares, 3.0, SURE_SHARE);
        assert_eq!(found.len(), 3, "{found:?}");
        for (found, at) in found.iter().zip([100.0, 220.0, 300.0]) {
            assert!((found - at).abs() <= 3.0, "{found} {at}");
        }
    }

    #[test]
    fn a_strength_is_what_three_quarters_of_the_places_reach() {
        let mut differences = vec![[[-20.0, -20.0, -10.0]; 2]; 100];
        differences.extend(vec![[[0.0, 0.0, 0.0]; 2]; 20]);
        let (strength, way) = strength_of(&differences).unwrap();
        // sqrt(400 + 400 + 100) = 30.
        assert!((strength - 30.0).abs() < 1e-9);
        assert!(way[0] < 0.0);
        differences.extend(vec![[[0.0, 0.0, 0.0]; 2]; 40]);
        assert!(strength_of(&differences).unwrap().0 < 1.0);
        // A shadow's rim: darker than one flank, lighter than the other.
        let rim = vec![[[-40.0, -40.0, -20.0], [20.0, 20.0, 10.0]]; 140];
        assert!(strength_of(&rim).unwrap().0 < 0.0);
    }
}
