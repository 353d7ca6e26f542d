//! The photo with its reading laid over it, and a caption below.
//!
//! The caption hangs under the photo and covers no wood; coordinates of the photo hold on the
//! overlay, over a whole factor where a large photo of wide rings is reduced (module `reduced`). On the counter-clockwise side of the index line a window of bare wood stays free of
//! ring lines: boundaries seen in the wood there must run into the lines on the other side, and
//! each has a short tick into the window to count by.

use super::canvas::{Canvas, Dash, Pen};
use super::caption::{Caption, Shows, Sizes, cross};
use super::lettering::Lettering;
use super::{
    DARK, DOUBTFUL, SURE, WHITE, index_line, is_sure, plain_pen, reduced, ring_pen, single, zones,
};
use crate::photo::Photo;
use crate::reading::{OutlineState, PithState, Reading, radius_at};
use crate::settings::Settings;
use crate::tables::length_text;
use image::RgbImage;

/// Draws the overlay of a reading: the photo's width, its height and that of the caption below; of a
/// large photo whose rings are wide a half, a third or a quarter of them.
///
/// Shown are the pith, the wood's edge, every ring boundary, an index line from the pith to the
/// bark through the clearest sector, a tick for each ring and a cross mark with its number every
/// `settings.mark_every` rings, wood that was not read (hatched), and the caption. A reading
/// without rings gets what is known of it and a caption that says so.
///
/// # Memory
/// Three bytes a pixel of the picture that is returned; [`overlay_onto`] draws on the photo's own
/// pixels instead.
pub fn overlay(photo: &Photo, reading: &Reading, settings: &Settings) -> RgbImage {
    overlay_onto(photo.pixels.clone(), reading, settings)
}

/// Draws the overlay as [`overlay`] does, onto the photo's own pixels, which it takes and hands
/// back longer by the caption.
///
/// # Memory
/// Next to nothing besides the photo, where the system can lengthen its buffer in place; up to a
/// quarter of it more where it is reduced.
pub fn overlay_onto(photo: RgbImage, reading: &Reading, settings: &Settings) -> RgbImage {
    let factor = reduced::factor(photo.width(), photo.height(), reading);
    let index = index_line::azimuth_deg(&photo, reading);
    let mut zones = zones::find(reading);
    let small;
    // Whole blocks of the photo: those beyond the last are left out.
    let (width, height) = (photo.width() / factor, photo.height() / factor);
    let letters = Lettering::new();
    let sizes = Sizes::of(width.min(height) as f32);
    let shows = Shows {
        edge: reading.outline.radius_px.iter().any(Option::is_some),
        marks: true,
        zones: zones.iter().any(|ray| !ray.is_empty()),
        notes: true,
    };
    let caption = Caption::new(&letters, sizes, width as f32, reading, settings, shows);
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a caption is a few dozen lines high"
    )]
    let band = caption.height_px(&letters).ceil() as u32;
    let (mut picture, reading) = if factor > 1 {
        for (from, to) in zones.iter_mut().flatten() {
            (*from, *to) = (*from / f64::from(factor), *to / f64::from(factor));
        }
        small = reduced::reading(reading, factor);
        (reduced::picture(&photo, factor, band), &small)
    } else {
        let mut pixels = photo.into_raw();
        let more = 3 * width as usize * band as usize;
        pixels.reserve_exact(more);
        pixels.resize(pixels.len() + more, 0);
        let Some(picture) = RgbImage::from_raw(width, height + band, pixels) else {
            unreachable!("the buffer was made for this size");
        };
        (picture, reading)
    };
    {
        let mut canvas = Canvas::new(&mut picture);
        let sheet = Sheet {
            reading,
            line_px: line_px(width, height),
            sizes,
            width: f64::from(width),
            height: f64::from(height),
            index,
        };
        let hatch = Pen {
            core_alpha: 0.5,
            casing_alpha: 0.3,
            ..plain_pen(0.7 * sheet.line_px)
        };
        let spacing = f64::from(sizes.mark_px) * 0.9;
        zones::hatch(&mut canvas, sheet.pith(), &zones, spacing, &hatch);
        sheet.draw_edge(&mut canvas);
        for k in 0..reading.rings.len() {
            sheet.draw_ring(&mut canvas, k);
        }
        if let Some(azimuth) = sheet.index {
            sheet.draw_index_line(&mut canvas, azimuth);
            sheet.draw_marks(&mut canvas, &letters, azimuth, settings.mark_every);
        }
        sheet.draw_pith(&mut canvas);
        sheet.draw_ruler(&mut canvas, &letters, settings);
        sheet.draw_end_numbers(&mut canvas, &letters);
        caption.draw(&mut canvas, &letters, height as f32);
    }
    picture
}

/// Width of a line where there is room: 1.2 px on small photos, 4 px at 12 megapixels, so that it
/// is still seen with the whole photo shown 1000 px wide.
fn line_px(width: u32, height: u32) -> f32 {
    (width.min(height) as f32 / 750.0).clamp(1.2, 10.0)
}

/// Room on either side of a number on its plate, in em.
const PLATE_PAD: f32 = 0.22;

/// One overlay in the making.
struct Sheet<'a> {
    reading: &'a Reading,
    line_px: f32,
    sizes: Sizes,
    width: f64,
    height: f64,
    index: Option<usize>,
}

impl Sheet<'_> {
    fn pith(&self) -> (f64, f64) {
        (self.reading.pith.x_px, self.reading.pith.y_px)
    }

    fn place(&self, azimuth_deg: f64, radius_px: f64) -> (f64, f64) {
        let (sin, cos) = azimuth_deg.to_radians().sin_cos();
        let (x, y) = self.pith();
        (x + radius_px * cos, y + radius_px * sin)
    }

    fn in_photo(&self, (x, y): (f64, f64)) -> bool {
        x >= 0.0 && y >= 0.0 && x <= self.width - 1.0 && y <= self.height - 1.0
    }

    /// Width of the window of bare wood beside the index line, px: a thirtieth of the photo.
    fn window_px(&self) -> f64 {
        self.width.min(self.height) / 30.0
    }

    /// Azimuths of a boundary's vertices, from the index line clockwise round to the window.
    fn vertices(&self, radius_px: f64) -> Vec<f64> {
        let Some(start) = self.index else {
            return (0..=360).map(f64::from).collect();
        };
        // The window is as wide at every radius; near the pith it may take a sixth of the circle.
        let gap =
            (self.window_px() / radius_px.max(1.0)).min(0.5).asin() * 180.0 / std::f64::consts::PI;
        let gap = gap.min(60.0);
        let mut azimuths: Vec<f64> = (0..360)
            .map(f64::from)
            .take_while(|a| *a < 360.0 - gap)
            .collect();
        azimuths.push(360.0 - gap);
        let start = start as f64;
        azimuths.iter().map(|a| a + start).collect()
    }

    /// Runs of known places along a boundary.
    fn runs(
        &self,
        radius_px: &[Option<f64>],
        azimuths: &[f64],
        pen: impl Fn(f64, f64) -> Pen,
    ) -> Vec<Vec<((f64, f64), Pen)>> {
        let mut runs = vec![Vec::new()];
        for &azimuth in azimuths {
            if let Some(radius) = radius_at(radius_px, azimuth) {
                let point = (self.place(azimuth, radius), pen(azimuth, radius));
                if let Some(run) = runs.last_mut() {
                    run.push(point);
                }
            } else {
                runs.push(Vec::new());
            }
        }
        runs.retain(|run| run.len() > 1);
        runs
    }

    fn draw_edge(&self, canvas: &mut Canvas<'_>) {
        let pen = plain_pen(1.8 * self.line_px);
        let all: Vec<f64> = (0..=360).map(f64::from).collect();
        let dash = (self.reading.outline.state == OutlineState::Unclear).then_some(Dash {
            on_px: 16.0 * f64::from(self.line_px),
            off_px: 10.0 * f64::from(self.line_px),
        });
        for run in self.runs(&self.reading.outline.radius_px, &all, |_, _| pen) {
            canvas.line(&run, dash);
        }
    }

    /// Distance to the nearer neighbour of a boundary at an azimuth, px.
    fn width_at(&self, k: usize, azimuth_deg: f64, radius_px: f64) -> f64 {
        let inner = match k {
            0 => Some(0.0),
            _ => self.reading.radius_at(k - 1, azimuth_deg),
        };
        let outer = self.reading.radius_at(k + 1, azimuth_deg);
        let inward = inner.map(|inner| radius_px - inner);
        let outward = outer.map(|outer| outer - radius_px);
        inward
            .into_iter()
            .chain(outward)
            .fold(f64::INFINITY, f64::min)
            .clamp(0.0, 1000.0)
    }

    fn draw_ring(&self, canvas: &mut Canvas<'_>, k: usize) {
        let ring = &self.reading.rings[k];
        let sure = is_sure(ring.confidence);
        let colour = if sure { SURE } else { DOUBTFUL };
        let known = ring.radius_px.iter().flatten();
        let nearest = known.copied().fold(f64::INFINITY, f64::min);
        // Half of a dashed line is missing: it is drawn wider, where the ring has room.
        let line_px = self.line_px * if sure { 1.0 } else { 1.3 };
        let pen = |azimuth, radius| ring_pen(self.width_at(k, azimuth, radius), line_px, colour);
        let dash = (!sure).then(|| {
            let unit = f64::from(self.line_px).max(1.0);
            Dash {
                on_px: 6.0 * unit,
                off_px: 5.0 * unit,
            }
        });
        for run in self.runs(&ring.radius_px, &self.vertices(nearest), pen) {
            canvas.line(&run, dash);
        }
    }

    fn draw_index_line(&self, canvas: &mut Canvas<'_>, azimuth: usize) {
        let a = azimuth as f64;
        let last = self
            .reading
            .rings
            .iter()
            .rev()
            .find_map(|ring| ring.radius_px[azimuth]);
        let edge = self
            .reading
            .outline
            .radius_px
            .get(azimuth)
            .copied()
            .flatten();
        let end = last.into_iter().chain(edge).fold(0.0, f64::max);
        let pen = Pen {
            core_alpha: 0.85,
            ..plain_pen(0.7 * self.line_px)
        };
        let pen = Pen {
            casing_px: pen.casing_px.max(0.7),
            ..pen
        };
        canvas.segment(
            self.place(a, 0.0),
            self.place(a, end + 2.0 * f64::from(self.line_px)),
            &pen,
        );
    }

    /// Ticks, cross marks and numbers along the index line.
    fn draw_marks(&self, canvas: &mut Canvas<'_>, letters: &Lettering, azimuth: usize, every: u32) {
        let a = azimuth as f64;
        let (sin, cos) = a.to_radians().sin_cos();
        // Into the window: counter-clockwise.
        let out = (sin, -cos);
        let rings = &self.reading.rings;
        let numbers = (
            rings.first().map_or(0, |ring| ring.number),
            rings.last().map_or(0, |ring| ring.number),
        );
        let mut marks = Vec::new();
        for (k, ring) in rings.iter().enumerate() {
            let Some(radius) = self.reading.radius_at(k, a) else {
                continue;
            };
            let at = self.place(a, radius);
            if !self.in_photo(at) {
                continue;
            }
            let width = self.width_at(k, a, radius);
            let sure = is_sure(ring.confidence);
            let pen = ring_pen(width, self.line_px, if sure { SURE } else { DOUBTFUL });
            let pen = Pen {
                core_alpha: 0.95,
                ..pen
            };
            let long = (0.35 * f64::from(self.sizes.mark_px)).min(0.4 * self.window_px());
            let end = (at.0 + long * out.0, at.1 + long * out.1);
            canvas.segment(at, end, &pen);
            if !sure {
                // An open dot; on tight rings it shrinks to what lies between the neighbours.
                let dot = (0.3 * width).clamp(1.2, 2.6 * f64::from(self.line_px).max(1.0));
                let centre = (end.0 + dot * out.0, end.1 + dot * out.1);
                let dot = single(dot);
                canvas.dot(centre, dot + pen.casing_px + 0.4, DARK, 0.8);
                canvas.dot(centre, dot, DOUBTFUL, 1.0);
                canvas.dot(centre, 0.45 * dot, DARK, 0.9);
            }
            let is_end = ring.number == numbers.1 || (ring.number == numbers.0 && numbers.0 > 1);
            if ring.number % every == 0 || is_end {
                marks.push(Mark {
                    number: ring.number,
                    at,
                    room: width * f64::from(every),
                    is_end,
                });
            }
        }
        let pen = plain_pen((0.9 * self.line_px).max(1.0));
        for mark in &marks {
            let half = (0.4 * f64::from(self.sizes.mark_px))
                .min(0.2 * mark.room)
                .max(2.5);
            cross(canvas, mark.at, half, a.to_radians(), &pen);
        }
        // Numbers that matter most take their places first.
        marks.sort_by_key(|mark| (!mark.is_end, mark.number % 100 != 0, mark.number % 50 != 0));
        let mut taken: Vec<[f64; 4]> = Vec::new();
        let mut numbers: Vec<(&Mark, [f64; 4])> = Vec::new();
        for mark in &marks {
            if let Some(plate) = self.place_number(canvas, letters, (-out.0, -out.1), mark, &taken)
            {
                taken.push(plate);
                numbers.push((mark, plate));
            }
        }
        // After all leaders, so that none runs over a number.
        for (mark, plate) in numbers {
            let (ground, ink) = if mark.is_end {
                (WHITE, DARK)
            } else {
                (DARK, WHITE)
            };
            let corners = plate.map(single);
            canvas.plate(corners, ground, 0.78);
            let size = self.sizes.mark_px;
            let at = (corners[0] + PLATE_PAD * size, corners[1]);
            letters.draw(canvas, at, size, &mark.number.to_string(), ink);
        }
    }

    /// Finds the plate of a mark's number beside the index line, away from the window, in the
    /// nearest lane that is free, and draws the leader to it; without a free place the cross mark
    /// stands alone. A plate is left, top, right, bottom in px.
    fn place_number(
        &self,
        canvas: &mut Canvas<'_>,
        letters: &Lettering,
        side: (f64, f64),
        mark: &Mark,
        taken: &[[f64; 4]],
    ) -> Option<[f64; 4]> {
        let text = mark.number.to_string();
        let size = self.sizes.mark_px;
        let pad = f64::from(PLATE_PAD * size);
        let wide = f64::from(letters.width_px(&text, size)) + 2.0 * pad;
        let high = f64::from(letters.line_px(size));
        let reach = 0.5 * (side.0.abs() * wide + side.1.abs() * high);
        let first = 0.55 * f64::from(size) + reach;
        for lane in 0..4 {
            let off = first + f64::from(lane) * (2.0 * reach + pad);
            let (x, y) = (mark.at.0 + off * side.0, mark.at.1 + off * side.1);
            let plate = [
                x - 0.5 * wide,
                y - 0.5 * high,
                x + 0.5 * wide,
                y + 0.5 * high,
            ];
            let inside = self.in_photo((plate[0], plate[1])) && self.in_photo((plate[2], plate[3]));
            let free = taken.iter().all(|other| {
                plate[2] < other[0]
                    || plate[0] > other[2]
                    || plate[3] < other[1]
                    || plate[1] > other[3]
            });
            if !inside || !free {
                continue;
            }
            if lane > 0 {
                let near = off - reach;
                let pen = plain_pen((0.5 * self.line_px).max(0.8));
                canvas.segment(
                    mark.at,
                    (mark.at.0 + near * side.0, mark.at.1 + near * side.1),
                    &pen,
                );
            }
            return Some(plate);
        }
        None
    }

    /// The ruler that the scale was read from: a line along it with a tick at each graduation taken,
    /// and the length between the first and the last.
    fn draw_ruler(&self, canvas: &mut Canvas<'_>, letters: &Lettering, settings: &Settings) {
        let scale = self.reading.scale.as_ref();
        let Some(ruler) = scale.and_then(|scale| scale.ruler.as_ref()) else {
            return;
        };
        let [[x0, y0], [x1, y1]] = [ruler.from_px, ruler.to_px];
        let length_px = (x1 - x0).hypot(y1 - y0);
        let Some(last) = ruler.graduations_px.last() else {
            return;
        };
        if length_px < 1.0 {
            return;
        }
        let (dx, dy) = ((x1 - x0) / length_px, (y1 - y0) / length_px);
        let spacing = last / (ruler.graduations_px.len() as f64 - 1.0).max(1.0);
        let pen = ring_pen(spacing, 0.7 * self.line_px, SURE);
        canvas.segment((x0, y0), (x1, y1), &pen);
        let half = (0.9 * spacing).clamp(4.0, 0.6 * f64::from(self.sizes.mark_px).max(8.0));
        for along in &ruler.graduations_px {
            let (x, y) = (x0 + along * dx, y0 + along * dy);
            canvas.segment(
                (x - half * dy, y + half * dx),
                (x + half * dy, y - half * dx),
                &pen,
            );
        }
        // The ruler's numbers are not read, so the length between both ends is told.
        let span_mm = f64::from(ruler.graduations.saturating_sub(1)) * ruler.graduation_mm;
        let text = format!("ruler: {}", length_text(span_mm, settings.unit));
        let size = self.sizes.mark_px;
        let wide = letters.width_px(&text, size) + 2.0 * PLATE_PAD * size;
        let high = letters.line_px(size);
        // Beyond the end that has room in the photo, so that neither wood nor digits are covered.
        let away =
            0.6 * f64::from(size) + 0.5 * (f64::from(wide) * dx.abs() + f64::from(high) * dy.abs());
        let corners = |(x, y): (f64, f64), way: f64| {
            let (cx, cy) = (x + way * away * dx, y + way * away * dy);
            let (half, tall) = (0.5 * f64::from(wide), 0.5 * f64::from(high));
            [cx - half, cy - tall, cx + half, cy + tall]
        };
        let places = [corners((x1, y1), 1.0), corners((x0, y0), -1.0)];
        let inside = |p: &&[f64; 4]| self.in_photo((p[0], p[1])) && self.in_photo((p[2], p[3]));
        let place = places.iter().find(inside).unwrap_or(&places[0]);
        let left = single(place[0]).clamp(0.0, (single(self.width) - wide).max(0.0));
        let top = single(place[1]).clamp(0.0, (single(self.height) - high).max(0.0));
        canvas.plate([left, top, left + wide, top + high], DARK, 0.78);
        letters.draw(canvas, (left + PLATE_PAD * size, top), size, &text, WHITE);
    }

    /// The number of each log end where several are in the photo, at the top of its part of it; that of
    /// this reading on a light plate, the others on dark ones.
    fn draw_end_numbers(&self, canvas: &mut Canvas<'_>, letters: &Lettering) {
        let Some(end) = &self.reading.end else {
            return;
        };
        let size = 1.6 * self.sizes.mark_px;
        for (region, number) in end.regions_px.iter().zip(1..) {
            let text = format!("{number}");
            let (wide, high) = (
                letters.width_px(&text, size) + 2.0 * PLATE_PAD * size,
                letters.line_px(size),
            );
            let middle = region.x_px as f32 + 0.5 * region.width_px as f32;
            let left = (middle - 0.5 * wide).clamp(0.0, (single(self.width) - wide).max(0.0));
            let top = (region.y_px as f32).min((single(self.height) - high).max(0.0));
            let (ground, ink) = if number == end.number {
                (WHITE, DARK)
            } else {
                (DARK, WHITE)
            };
            canvas.plate([left, top, left + wide, top + high], ground, 0.85);
            letters.draw(canvas, (left + PLATE_PAD * size, top), size, &text, ink);
        }
    }

    /// The pith: cross hairs with an open middle; where it is only inferred, with a dashed circle
    /// of its standard deviation.
    fn draw_pith(&self, canvas: &mut Canvas<'_>) {
        let pith = &self.reading.pith;
        let is_shown = match pith.state {
            PithState::Seen => true,
            PithState::Inferred => !self.reading.rings.is_empty(),
            PithState::Outside => false,
        };
        if !is_shown {
            return;
        }
        let (x, y) = self.pith();
        let pen = plain_pen(self.line_px.max(1.0));
        let arm = 0.55 * f64::from(self.sizes.mark_px);
        let open = 0.3 * arm;
        for (dx, dy) in [(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)] {
            canvas.segment(
                (x + open * dx, y + open * dy),
                (x + arm * dx, y + arm * dy),
                &pen,
            );
        }
        if pith.state == PithState::Inferred {
            let dash = Dash {
                on_px: 0.5 * arm,
                off_px: 0.4 * arm,
            };
            canvas.circle((x, y), pith.sd_px.max(1.4 * arm), pen, Some(dash));
        }
    }
}

/// A ring that is marked on the index line.
#[derive(Debug)]
struct Mark {
    number: u32,
    at: (f64, f64),
    /// About how far the next mark is, px.
    room: f64,
    /// First or last ring.
    is_end: bool,
}
