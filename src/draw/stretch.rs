//! One stretch of a line from the pith, enlarged, with the same rings 30 degrees to either side: for
//! settling by eye how many rings it holds.
//!
//! Three strips lie below each other, the pith to the left: the line's own in the middle. Each is cut
//! from the photo along its direction, at its own scale, so that the boundaries at the stretch's ends
//! stand one below the other in all three; where the reading is right, those between do so nearly.
//! Boundaries are drawn at the upper and lower rim of a strip only, so that the wood between stays
//! bare; every one has its number, doubtful ones are dashed and end in an open dot. On the middle
//! strip stand the marks of the hand.

use super::canvas::{Canvas, Dash};
use super::lettering::Lettering;
use super::strip::look_at;
use super::{DARK, DIM, DOUBTFUL, GROUND, INK, SURE, WHITE, is_sure, plain_pen, ring_pen, single};
use crate::photo::Photo;
use crate::reading::{Reading, radius_at};
use image::RgbImage;

/// Degrees between the strips.
pub const BESIDE_DEG: f64 = 30.0;

/// Height of a strip, px.
const STRIP_PX: f64 = 170.0;
/// Boundaries reach this far into a strip from either rim, px.
const TICK_PX: f64 = 42.0;
/// Least room between the names of two marks, px.
const NAMES_APART_PX: f64 = 6.0;

/// Room above a strip for two rows of numbers, and below it for the marks, px.
const OVER_PX: f64 = 42.0;
const UNDER_PX: f64 = 30.0;
/// No ring of the stretch is narrower than this on the picture, px, while it fits into [`MOST_PX`].
const LEAST_RING_PX: f64 = 26.0;
/// Widest and narrowest stretch, px.
const MOST_PX: f64 = 2600.0;
const LEAST_PX: f64 = 760.0;
/// Most that the photo is magnified.
const MOST_SCALE: f64 = 12.0;
/// Left margin, px.
const LEFT_PX: f64 = 16.0;
const LETTER_PX: f32 = 15.0;
const TITLE_PX: f32 = 19.0;

/// What is to be shown.
#[derive(Debug, Clone)]
pub struct StretchView {
    /// Direction of the line, degrees clockwise from the right.
    pub azimuth_deg: f64,
    /// Inner and outer end along it, px from the pith.
    pub ends_px: (f64, f64),
    /// The hand's marks along it: what to letter, and where, px from the pith.
    pub marks: Vec<(String, f64)>,
    /// What the line and the marks are called.
    pub names: LineNames,
    /// What is said of the stretch.
    pub title: String,
}

/// What the line of a stretch and the marks on it are called.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LineNames {
    /// The line: on the middle strip.
    pub line: &'static str,
    /// Whose marks stand on it, for the key; empty without marks.
    pub marks: &'static str,
}

impl LineNames {
    /// A hand count that the reader made.
    pub const YOURS: LineNames = LineNames {
        line: "your line",
        marks: "your marks",
    };
}

/// Draws a stretch: at most 2,900 px wide and about 900 high.
pub fn stretch(photo: &Photo, reading: &Reading, view: &StretchView) -> RgbImage {
    let letters = Lettering::new();
    let layout = Layout::new(reading, view);
    let line = f64::from(letters.line_px(TITLE_PX));
    let head = 2.2 * line;
    let each = OVER_PX + STRIP_PX + UNDER_PX;
    let foot = 1.8 * f64::from(letters.line_px(LETTER_PX));
    let size = |px: f64| super::strip::whole(px);
    let mut picture = RgbImage::from_pixel(
        size(2.0 * LEFT_PX + layout.width),
        size(head + 3.0 * each + foot),
        image::Rgb(GROUND),
    );
    let strips =
        [-BESIDE_DEG, 0.0, BESIDE_DEG].map(|turn| Strip::new(reading, view, &layout, turn));
    for (i, strip) in strips.iter().enumerate() {
        let top = head + each * i as f64 + OVER_PX;
        if let Some(strip) = strip {
            strip.cut_from(photo, reading, top, &mut picture);
        }
    }
    let mut canvas = Canvas::new(&mut picture);
    let room = single(layout.width);
    let title = letters.shorten(&view.title, TITLE_PX, room);
    let at = (single(LEFT_PX), single(0.3 * line));
    letters.draw(&mut canvas, at, TITLE_PX, &title, INK);
    for (i, (strip, name)) in strips
        .iter()
        .zip(["30° back", view.names.line, "30° on"])
        .enumerate()
    {
        let top = head + each * i as f64 + OVER_PX;
        match strip {
            Some(strip) => {
                strip.draw_boundaries(reading, top, &letters, &mut canvas);
                if i == 1 {
                    draw_marks(strip, view, top, &letters, &mut canvas);
                }
            }
            None => {
                let at = (single(LEFT_PX), single(top + 0.4 * STRIP_PX));
                letters.draw(
                    &mut canvas,
                    at,
                    LETTER_PX,
                    "not read in this direction",
                    DIM,
                );
            }
        }
        name_strip(name, top, &letters, &mut canvas);
    }
    let mut key =
        "numbers: rings as read, from the pith; dashed with an open dot: doubtful".to_owned();
    if !view.names.marks.is_empty() {
        key.push_str("; white: ");
        key.push_str(view.names.marks);
    }
    let key = letters.shorten(&key, LETTER_PX, room);
    let at = (single(LEFT_PX), single(head + 3.0 * each + 0.2 * line));
    letters.draw(&mut canvas, at, LETTER_PX, &key, DIM);
    picture
}

/// Columns that all strips share.
struct Layout {
    /// Width in all, px.
    width: f64,
    /// Indices in the reading's list of the rings whose boundaries are the common ends; the inner end
    /// may be the pith.
    inner: Option<usize>,
    outer: usize,
    /// Columns of both ends.
    columns: (f64, f64),
}

impl Layout {
    fn new(reading: &Reading, view: &StretchView) -> Layout {
        let along: Vec<(usize, f64)> = (0..reading.rings.len())
            .filter_map(|i| Some((i, reading.radius_at(i, view.azimuth_deg)?)))
            .collect();
        let nearest = |px: f64| {
            let off = |(_, at): &&(usize, f64)| (at - px).abs();
            along
                .iter()
                .min_by(|a, b| off(a).total_cmp(&off(b)))
                .copied()
        };
        let (from, to) = view.ends_px;
        let (outer, outer_px) = nearest(to).unwrap_or((0, to));
        let inner = nearest(from).filter(|(i, px)| *i < outer && px / 2.0 < from);
        let inner_px = inner.map_or(0.0, |(_, px)| px);
        let inside = along
            .iter()
            .filter(|(_, px)| *px > inner_px && *px <= outer_px);
        let mut narrowest = outer_px - inner_px;
        let mut before = inner_px;
        for (_, px) in inside {
            narrowest = narrowest.min(px - before);
            before = *px;
        }
        let span = (outer_px - inner_px).max(1.0);
        let wanted = span * LEAST_RING_PX / narrowest.max(0.5);
        let most = MOST_PX.min(span * MOST_SCALE).max(0.3 * LEAST_PX);
        let wide = wanted.max(LEAST_PX).min(most);
        // A little of the wood to either side, so that both ends can be seen in place.
        let lead = if inner.is_some() {
            0.08 * wide + 20.0
        } else {
            12.0
        };
        let tail = 0.08 * wide + 20.0;
        Layout {
            width: (lead + wide + tail).max(LEAST_PX),
            inner: inner.map(|(i, _)| i),
            outer,
            columns: (lead, lead + wide),
        }
    }
}

/// One direction's strip.
struct Strip {
    azimuth_deg: f64,
    /// Photo px a picture px.
    step: f64,
    /// Distance from the pith at column 0, px.
    start_px: f64,
    width: f64,
}

impl Strip {
    fn new(reading: &Reading, view: &StretchView, layout: &Layout, turn: f64) -> Option<Strip> {
        let azimuth_deg = (view.azimuth_deg + turn).rem_euclid(360.0);
        let outer = reading.radius_at(layout.outer, azimuth_deg)?;
        let inner = match layout.inner {
            Some(i) => reading.radius_at(i, azimuth_deg)?,
            None => 0.0,
        };
        let step = (outer - inner) / (layout.columns.1 - layout.columns.0);
        (step > 0.0).then_some(Strip {
            azimuth_deg,
            step,
            start_px: inner - step * layout.columns.0,
            width: layout.width,
        })
    }

    fn column_of(&self, distance_px: f64) -> f64 {
        LEFT_PX + (distance_px - self.start_px) / self.step
    }

    fn cut_from(&self, photo: &Photo, reading: &Reading, top: f64, picture: &mut RgbImage) {
        let (sin, cos) = self.azimuth_deg.to_radians().sin_cos();
        let (x0, y0) = (reading.pith.x_px, reading.pith.y_px);
        let (first, rows) = (super::strip::whole(top), super::strip::whole(STRIP_PX));
        let left = super::strip::whole(LEFT_PX);
        for row in 0..rows {
            let across = (f64::from(row) + 0.5 - STRIP_PX / 2.0) * self.step;
            for column in 0..super::strip::whole(self.width) {
                let along = self.start_px + (f64::from(column) + 0.5) * self.step;
                let (x, y) = (
                    x0 + along * cos - across * sin,
                    y0 + along * sin + across * cos,
                );
                let colour = look_at(&photo.pixels, single(x), single(y));
                if left + column < picture.width() && first + row < picture.height() {
                    picture.put_pixel(left + column, first + row, image::Rgb(colour));
                }
            }
        }
    }

    /// Column of a boundary at a row of the strip: the boundary's own bend is followed.
    fn boundary_column(&self, radius_px: &[Option<f64>], row: f64) -> Option<f64> {
        let across = (row - STRIP_PX / 2.0) * self.step;
        let on_line = radius_at(radius_px, self.azimuth_deg)?;
        if across.abs() >= 0.9 * on_line {
            return None;
        }
        let turn = across.atan2(on_line).to_degrees();
        let radius = radius_at(radius_px, self.azimuth_deg + turn)?;
        Some(self.column_of(radius * turn.to_radians().cos()))
    }

    fn draw_boundaries(
        &self,
        reading: &Reading,
        top: f64,
        letters: &Lettering,
        canvas: &mut Canvas<'_>,
    ) {
        let (left, right) = (LEFT_PX, LEFT_PX + self.width);
        let mut before: Option<f64> = None;
        for ring in &reading.rings {
            let Some(middle) = radius_at(&ring.radius_px, self.azimuth_deg) else {
                continue;
            };
            let column = self.column_of(middle);
            let room = before.map_or(LEAST_RING_PX, |before| column - before);
            before = Some(column);
            if !(left..=right).contains(&column) {
                continue;
            }
            let sure = is_sure(ring.confidence);
            let colour = if sure { SURE } else { DOUBTFUL };
            let pen = ring_pen(room.max(8.0), 2.2, colour);
            let dash = (!sure).then_some(Dash {
                on_px: 6.0,
                off_px: 5.0,
            });
            for rim in [0.0, STRIP_PX - TICK_PX] {
                let points: Vec<_> = (0..=6)
                    .filter_map(|i| {
                        let row = rim + TICK_PX * f64::from(i) / 6.0;
                        let x = self.boundary_column(&ring.radius_px, row)?;
                        Some(((x, top + row), pen))
                    })
                    .collect();
                canvas.line(&points, dash);
            }
            let head = self.boundary_column(&ring.radius_px, 0.0).unwrap_or(column);
            if !sure {
                canvas.dot((head, top - 3.0), 4.0, DOUBTFUL, 1.0);
                canvas.dot((head, top - 3.0), 1.8, DARK, 1.0);
            }
            // In two rows by turns, so that neighbours with three digits have room.
            let text = ring.number.to_string();
            let wide = letters.width_px(&text, LETTER_PX);
            let up = if ring.number.is_multiple_of(2) {
                20.0
            } else {
                36.0
            };
            let at = (single(head) - 0.5 * wide, single(top - up - 4.0));
            if room > 0.55 * f64::from(wide) || ring.number.is_multiple_of(5) {
                letters.draw(
                    canvas,
                    at,
                    LETTER_PX,
                    &text,
                    if sure { INK } else { DOUBTFUL },
                );
            }
        }
    }
}

/// The hand's marks below its strip.
fn draw_marks(
    strip: &Strip,
    view: &StretchView,
    top: f64,
    letters: &Lettering,
    canvas: &mut Canvas<'_>,
) {
    let foot = top + STRIP_PX;
    let mut marks: Vec<(f64, &str)> = view
        .marks
        .iter()
        .map(|(name, distance_px)| (strip.column_of(*distance_px), name.as_str()))
        .filter(|(x, _)| (LEFT_PX..=LEFT_PX + strip.width).contains(x))
        .collect();
    marks.sort_by(|a, b| a.0.total_cmp(&b.0));
    // Names that would lie over each other are written side by side.
    let mut names: Vec<(f64, f64, String)> = Vec::new();
    for (x, name) in marks {
        // The line itself runs along the middle of the strip: that is where the mark is.
        let middle = top + STRIP_PX / 2.0;
        canvas.segment((x, middle - 11.0), (x, middle + 11.0), &plain_pen(3.0));
        canvas.segment((x, foot), (x, foot + 8.0), &plain_pen(3.0));
        let half = |text: &str| 0.5 * f64::from(letters.width_px(text, LETTER_PX));
        match names.last_mut() {
            Some((first, last, joined))
                if x - half(name) < 0.5 * (*first + *last) + half(joined) + NAMES_APART_PX =>
            {
                *last = x;
                joined.push_str(", ");
                joined.push_str(name);
            }
            _ => names.push((x, x, name.to_owned())),
        }
    }
    for (first, last, name) in names {
        let wide = f64::from(letters.width_px(&name, LETTER_PX));
        let from = (0.5 * (first + last - wide))
            .min(LEFT_PX + strip.width - wide)
            .max(LEFT_PX);
        let at = (single(from), single(foot + 9.0));
        letters.draw(canvas, at, LETTER_PX, &name, WHITE);
    }
}

/// A strip's name, on a plate in its middle row at the left.
fn name_strip(name: &str, top: f64, letters: &Lettering, canvas: &mut Canvas<'_>) {
    let (x, y) = (single(LEFT_PX + 4.0), single(top + STRIP_PX / 2.0));
    let half = 0.6 * letters.line_px(LETTER_PX);
    let wide = letters.width_px(name, LETTER_PX);
    canvas.plate([x, y - half, x + wide + 10.0, y + half], GROUND, 0.75);
    letters.draw(canvas, (x + 5.0, y - half), LETTER_PX, name, INK);
}
