//! The unwrapped and straightened disc, for checking tight rings.
//!
//! The pith lies on the left, the bark on the right, the azimuth runs downward. On every row the
//! photo is stretched, in straight pieces from boundary to boundary, so that each ring boundary of
//! the reading becomes one upright line: where the reading is right, the rings of the wood stand
//! upright too; where it slipped, they lean or break. Rings keep their relative widths, but none is
//! drawn narrower than [`LEAST_RING_PX`] as long as all fit into [`MAX_WIDTH_PX`].
//!
//! The lines are drawn in short ladders with bare wood between them, the numbers stand above and
//! below. Beyond the outermost boundary, and where none is known, the photo goes on at the scale of
//! the whole strip.

use super::canvas::{Canvas, Dash, Pen, Rgb3};
use super::caption::{Caption, Shows, Sizes};
use super::lettering::Lettering;
use super::{
    DARK, DIM, DOUBTFUL, GROUND, INK, SURE, index_line, is_sure, plain_pen, ring_pen, single,
};
use crate::photo::Photo;
use crate::reading::{AZIMUTHS, Reading, radius_at};
use crate::settings::Settings;
use image::RgbImage;

/// No ring is drawn narrower than this, px: twice what an eye needs to see a line apart.
const LEAST_RING_PX: f64 = 8.0;

/// Widest unwrapped picture, px; beyond it all rings are drawn narrower in proportion.
const MAX_WIDTH_PX: f64 = 5800.0;

/// Rows of the unwrapped picture, px.
const ROWS: u32 = 900;

/// Most that small photos are magnified.
const MAX_SCALE: f64 = 3.0;

/// What lies outside the photo.
const OUTSIDE: Rgb3 = [58, 62, 70];

/// Draws the strip of a reading: at most 6000 x 1200 px.
///
/// A reading without rings gets its photo unwrapped, without lines. A pith outside the photo gets
/// the sector of azimuths that meets the photo instead of the full circle.
pub fn strip(photo: &Photo, reading: &Reading, settings: &Settings) -> RgbImage {
    let letters = Lettering::new();
    let sizes = Sizes::of(ROWS as f32);
    let layout = Layout::new(&photo.pixels, reading);
    let left = (3.9 * sizes.mark_px).ceil();
    let head = (letters.line_px(sizes.body_px) * 1.3 + letters.line_px(sizes.mark_px) * 1.7).ceil();
    let foot = (letters.line_px(sizes.mark_px) * 1.9).ceil();
    let width = (left + single(f64::from(layout.width)) + 0.5 * left).max(760.0);
    let shows = Shows {
        edge: false,
        marks: false,
        zones: false,
        notes: false,
    };
    let caption = Caption::new(&letters, sizes, width, reading, settings, shows);
    let frame = Frame {
        left: whole(f64::from(left)),
        head: whole(f64::from(head)),
        foot: head + ROWS as f32 + foot,
    };
    let height = whole(f64::from(frame.foot + caption.height_px(&letters)));
    let mut picture = RgbImage::from_pixel(whole(f64::from(width)), height, image::Rgb(GROUND));
    unwrap(&photo.pixels, reading, &layout, &frame, &mut picture);

    let mut canvas = Canvas::new(&mut picture);
    let title = "unwrapped and straightened: pith on the left, bark on the right, azimuth downward";
    let title = letters.shorten(title, sizes.body_px, width - 1.4 * left);
    let at = (left, 0.2 * sizes.body_px);
    letters.draw(&mut canvas, at, sizes.body_px, &title, DIM);
    draw_azimuths(&mut canvas, &letters, sizes, &layout, &frame);
    if let Some(azimuth) = index_line::azimuth_deg(&photo.pixels, reading) {
        let y = f64::from(frame.head) + layout.row_of(azimuth as f64);
        let x = f64::from(left);
        canvas.segment((x - 14.0, y), (x - 1.0, y), &plain_pen(2.5));
    }
    draw_ladders(&mut canvas, reading, &layout, &frame);
    draw_numbers(&mut canvas, &letters, sizes, reading, &layout, &frame);
    caption.draw(&mut canvas, &letters, frame.foot);
    picture
}

/// Where the unwrapped picture lies in the whole one, px.
struct Frame {
    left: u32,
    head: u32,
    foot: f32,
}

/// How the strip is laid out: which azimuths on the rows, which boundary in which column.
struct Layout {
    /// Azimuth of the upper edge, degrees.
    from_deg: f64,
    /// Degrees from the upper to the lower edge.
    span_deg: f64,
    /// Column of each ring's boundary.
    columns: Vec<f64>,
    /// Columns in all.
    width: u32,
    /// Columns a photo px, where no boundary says otherwise.
    scale: f64,
    /// Radius at column 0 where no boundary is known; also where the first ring begins, if it
    /// begins at the pith.
    start_px: f64,
    /// Whether column 0 is the pith.
    from_pith: bool,
}

impl Layout {
    fn new(photo: &RgbImage, reading: &Reading) -> Self {
        let (w, h) = (f64::from(photo.width()), f64::from(photo.height()));
        let (x, y) = (reading.pith.x_px, reading.pith.y_px);
        let from_pith = x >= 0.0 && y >= 0.0 && x <= w - 1.0 && y <= h - 1.0;
        let (from_deg, span_deg) = if from_pith {
            (0.0, 360.0)
        } else {
            sector(reading, (x, y), (w, h))
        };
        let corners = [(0.0, 0.0), (w, 0.0), (0.0, h), (w, h)];
        let far = corners
            .iter()
            .map(|(cx, cy)| (cx - x).hypot(cy - y))
            .fold(0.0, f64::max);
        let near = (x - x.clamp(0.0, w)).hypot(y - y.clamp(0.0, h));
        let edge = reading.outline.radius_px.iter().flatten().copied();
        let edge = edge.fold(0.0, f64::max);

        if reading.rings.is_empty() {
            let reach = if edge > near { edge } else { far };
            let scale = (1600.0 / (reach - near).max(1.0)).min(MAX_SCALE);
            return Layout {
                from_deg,
                span_deg,
                columns: Vec::new(),
                width: whole(((reach - near) * scale).clamp(1.0, 1700.0)),
                scale,
                start_px: near,
                from_pith,
            };
        }
        let mut sorted: Vec<f64> = reading.rings.iter().map(|r| r.mean_width_px).collect();
        sorted.sort_by(f64::total_cmp);
        let tight = sorted[sorted.len() / 10].max(0.1);
        let scale = (LEAST_RING_PX / tight).clamp(1.0, MAX_SCALE);
        let mean = |radius_px: &[Option<f64>]| {
            let known: Vec<f64> = radius_px.iter().flatten().copied().collect();
            known.iter().sum::<f64>() / known.len().max(1) as f64
        };
        let first = mean(&reading.rings[0].radius_px);
        // Wood before the first boundary: from the pith, or a little of it.
        let lead = if from_pith {
            (first * scale).clamp(LEAST_RING_PX, 400.0)
        } else {
            40.0
        };
        let mut columns = vec![lead];
        let mut column = lead;
        for ring in &reading.rings[1..] {
            column += (ring.mean_width_px * scale).clamp(LEAST_RING_PX, 800.0);
            columns.push(column);
        }
        let shrink = (MAX_WIDTH_PX / (column + 120.0)).min(1.0);
        for column in &mut columns {
            *column *= shrink;
        }
        Layout {
            from_deg,
            span_deg,
            width: whole((column + 120.0) * shrink),
            columns,
            scale: scale * shrink,
            start_px: if from_pith { 0.0 } else { near },
            from_pith,
        }
    }

    fn azimuth_of(&self, row: f64) -> f64 {
        self.from_deg + self.span_deg * row / f64::from(ROWS)
    }

    fn row_of(&self, azimuth_deg: f64) -> f64 {
        (azimuth_deg - self.from_deg).rem_euclid(360.0) / self.span_deg * f64::from(ROWS)
    }

    /// Known places of one row: column and radius, rising in both.
    fn knots(&self, reading: &Reading, azimuth_deg: f64) -> Vec<(f64, f64)> {
        let mut knots = Vec::with_capacity(self.columns.len() + 1);
        if self.from_pith {
            knots.push((0.0, 0.0));
        }
        for (ring, column) in reading.rings.iter().zip(&self.columns) {
            if let Some(radius) = radius_at(&ring.radius_px, azimuth_deg) {
                knots.push((*column, radius));
            }
        }
        knots
    }
}

/// The sector of azimuths that a pith outside the photo sees: from, and degrees across.
fn sector(reading: &Reading, (x, y): (f64, f64), (w, h): (f64, f64)) -> (f64, f64) {
    let mut shown = [false; AZIMUTHS];
    for ring in &reading.rings {
        for (azimuth, radius) in ring.radius_px.iter().enumerate().take(AZIMUTHS) {
            shown[azimuth] |= radius.is_some();
        }
    }
    if !shown.contains(&true) {
        for i in 0..400 {
            let part = f64::from(i) / 400.0;
            for (px, py) in [
                (part * w, 0.0),
                (part * w, h),
                (0.0, part * h),
                (w, part * h),
            ] {
                let azimuth = (py - y).atan2(px - x).to_degrees().rem_euclid(360.0);
                shown[whole(azimuth.floor()) as usize % AZIMUTHS] = true;
            }
        }
    }
    // The widest gap, round the circle, is what is left out.
    let mut widest = (0, 0);
    let mut gap = 0;
    for i in 0..2 * AZIMUTHS {
        if shown[i % AZIMUTHS] {
            gap = 0;
        } else {
            gap += 1;
            if gap > widest.1 && gap < AZIMUTHS {
                widest = (i + 1, gap);
            }
        }
    }
    (
        (widest.0 % AZIMUTHS) as f64,
        ((AZIMUTHS - widest.1) as f64).max(2.0),
    )
}

/// Fills the unwrapped picture from the photo.
fn unwrap(
    photo: &RgbImage,
    reading: &Reading,
    layout: &Layout,
    frame: &Frame,
    picture: &mut RgbImage,
) {
    let wide = picture.width() as usize;
    let width = (layout.width as usize).min(wide - frame.left as usize);
    let (x0, y0) = (single(reading.pith.x_px), single(reading.pith.y_px));
    for row in 0..ROWS {
        let azimuth = layout.azimuth_of(f64::from(row) + 0.5);
        let knots = layout.knots(reading, azimuth);
        let (sin, cos) = azimuth.to_radians().sin_cos();
        let (sin, cos) = (single(sin), single(cos));
        let mut next = 0;
        let (mut from, mut radius, mut rate) = (0.0, layout.start_px, 1.0 / layout.scale);
        if let Some(first) = knots.first()
            && first.0 > 0.0
        {
            radius = first.1 - first.0 * rate;
        }
        let start = 3 * ((row + frame.head) as usize * wide + frame.left as usize);
        let pixels: &mut [u8] = picture;
        let line = &mut pixels[start..start + 3 * width];
        for (column, pixel) in line.chunks_exact_mut(3).enumerate() {
            let column = column as f64 + 0.5;
            while next < knots.len() && knots[next].0 <= column {
                (from, radius) = knots[next];
                next += 1;
                rate = knots.get(next).map_or(1.0 / layout.scale, |to| {
                    (to.1 - radius) / (to.0 - from).max(1e-6)
                });
            }
            let r = single(radius + (column - from) * rate);
            pixel.copy_from_slice(&look_at(photo, x0 + r * cos, y0 + r * sin));
        }
    }
}

/// Colour of the photo at a place, between four pixels in straight lines. Shares of a pixel are
/// taken in 256ths, the sums in whole numbers: half the time of the same in floats.
pub(super) fn look_at(photo: &RgbImage, x: f32, y: f32) -> Rgb3 {
    let (w, h) = (photo.width() as usize, photo.height() as usize);
    if !(x >= 0.0 && y >= 0.0 && x < (w - 1) as f32 && y < (h - 1) as f32) {
        return OUTSIDE;
    }
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "inside the photo, where cutting off is rounding down"
    )]
    let (ix, iy) = (x as u32, y as u32);
    #[allow(
        clippy::cast_possible_truncation,
        reason = "shares of a pixel in 256ths"
    )]
    let (fx, fy) = (
        ((x - ix as f32) * 256.0) as i32,
        ((y - iy as f32) * 256.0) as i32,
    );
    let upper = 3 * (iy as usize * w + ix as usize);
    let lower = upper + 3 * w;
    let pixels = photo.as_raw();
    let (a, b) = (&pixels[upper..upper + 6], &pixels[lower..lower + 6]);
    std::array::from_fn(|c| {
        let between = |four: &[u8]| {
            (i32::from(four[c]) << 8) + (i32::from(four[c + 3]) - i32::from(four[c])) * fx
        };
        let (above, below) = (between(a), between(b));
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a mean of numbers of 0 to 255, rounded"
        )]
        let level = (((above << 8) + (below - above) * fy + (1 << 15)) >> 16) as u8;
        level
    })
}

/// Azimuths on the left.
fn draw_azimuths(
    canvas: &mut Canvas<'_>,
    letters: &Lettering,
    sizes: Sizes,
    layout: &Layout,
    frame: &Frame,
) {
    let step = if layout.span_deg > 200.0 { 30 } else { 10 };
    let half = 0.5 * letters.line_px(sizes.mark_px);
    for azimuth in (0..360).step_by(step) {
        let row = layout.row_of(f64::from(azimuth));
        if row > f64::from(ROWS) {
            continue;
        }
        let y = frame.head as f32 + single(row);
        let text = format!("{azimuth}°");
        let wide = letters.width_px(&text, sizes.mark_px);
        let at = (frame.left as f32 - wide - 18.0, y - half);
        letters.draw(canvas, at, sizes.mark_px, &text, DIM);
        let x = f64::from(frame.left);
        let pen = margin_pen(DIM);
        canvas.segment((x - 7.0, f64::from(y)), (x - 1.0, f64::from(y)), &pen);
    }
}

/// Lines of the margins, which need no casing.
fn margin_pen(colour: Rgb3) -> Pen {
    Pen {
        core_px: 1.5,
        casing_px: 0.0,
        core: colour,
        casing: DARK,
        core_alpha: 1.0,
        casing_alpha: 0.0,
    }
}

/// Short ladders of boundary lines: at both ends and five times between.
fn draw_ladders(canvas: &mut Canvas<'_>, reading: &Reading, layout: &Layout, frame: &Frame) {
    let rows = f64::from(ROWS);
    let high = rows / 28.0;
    for ladder in 0..7 {
        let top = (rows - high) * f64::from(ladder) / 6.0;
        let azimuth = layout.azimuth_of(top + 0.5 * high);
        for (k, ring) in reading.rings.iter().enumerate() {
            if radius_at(&ring.radius_px, azimuth).is_none() {
                continue;
            }
            let sure = is_sure(ring.confidence);
            let pen = ring_pen(layout.room(k), 1.6, if sure { SURE } else { DOUBTFUL });
            let x = layout.x(k, frame);
            let y = f64::from(frame.head) + top;
            let dash = (!sure).then_some(Dash {
                on_px: 5.0,
                off_px: 4.0,
            });
            canvas.line(&[((x, y), pen), ((x, y + high), pen)], dash);
        }
    }
}

impl Layout {
    /// Place of a boundary in the whole picture, px.
    fn x(&self, k: usize, frame: &Frame) -> f64 {
        // Column 0 begins half a pixel left of the middle of its first pixel.
        f64::from(frame.left) + self.columns[k] - 0.5
    }

    /// Distance to the nearer neighbour of a boundary, px.
    fn room(&self, k: usize) -> f64 {
        let here = self.columns[k];
        let inner = here - if k > 0 { self.columns[k - 1] } else { 0.0 };
        let outer = self.columns.get(k + 1).map_or(inner, |next| next - here);
        inner.min(outer)
    }
}

/// Ticks and numbers above and below.
fn draw_numbers(
    canvas: &mut Canvas<'_>,
    letters: &Lettering,
    sizes: Sizes,
    reading: &Reading,
    layout: &Layout,
    frame: &Frame,
) {
    let size = sizes.mark_px;
    let rings = &reading.rings;
    // Every ring has its number where most have room for one, else every fifth and tenth; round
    // numbers take their places first.
    let wide = |k: usize| f64::from(letters.width_px(&rings[k].number.to_string(), size));
    let roomy = (0..rings.len())
        .filter(|&k| layout.room(k) > wide(k) + 0.5 * f64::from(size))
        .count();
    let ranks: &[u32] = if 4 * roomy > 3 * rings.len() {
        &[100, 50, 10, 5, 1]
    } else {
        &[100, 50, 10, 5]
    };
    let rank = |k: usize| {
        ranks
            .iter()
            .position(|m| rings[k].number.is_multiple_of(*m))
    };
    let is_end = |k: usize| k == 0 || k + 1 == rings.len();
    let mut order: Vec<usize> = (0..rings.len())
        .filter(|&k| is_end(k) || rank(k).is_some())
        .collect();
    order.sort_by_key(|&k| (!is_end(k), rank(k)));
    let mut taken: Vec<(f64, f64)> = Vec::new();
    let mut is_numbered = vec![false; rings.len()];
    for k in order {
        let (x, half) = (layout.x(k, frame), 0.5 * wide(k) + 0.25 * f64::from(size));
        if taken.iter().all(|(a, b)| x + half <= *a || x - half >= *b) {
            taken.push((x - half, x + half));
            is_numbered[k] = true;
        }
    }
    let line = f64::from(letters.line_px(size));
    let top = f64::from(frame.head);
    let bottom = top + f64::from(ROWS);
    for (k, ring) in rings.iter().enumerate() {
        let sure = is_sure(ring.confidence);
        let colour = if sure { SURE } else { DOUBTFUL };
        let x = layout.x(k, frame);
        let pen = margin_pen(colour);
        let long = line * if is_numbered[k] { 0.6 } else { 0.35 };
        canvas.segment((x, top - long), (x, top), &pen);
        canvas.segment((x, bottom), (x, bottom + long), &pen);
        if !sure {
            let dot = single((0.3 * layout.room(k)).clamp(1.5, 3.5));
            for y in [top - long, bottom + long] {
                canvas.dot((x, y), dot, DOUBTFUL, 1.0);
                canvas.dot((x, y), 0.45 * dot, DARK, 1.0);
            }
        }
        if is_numbered[k] {
            let text = ring.number.to_string();
            let left = single(x - 0.5 * wide(k));
            for y in [top - 1.65 * line, bottom + 0.7 * line] {
                letters.draw(canvas, (left, single(y)), size, &text, INK);
            }
        }
    }
}

/// A length in whole px, rounded up.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to the sizes of pictures"
)]
pub(super) fn whole(px: f64) -> u32 {
    px.ceil().clamp(0.0, 65_535.0) as u32
}
