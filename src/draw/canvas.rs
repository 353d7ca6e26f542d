//! Anti-aliased strokes, discs and plates blended straight into an RGB picture.
//!
//! A stroke is a core with a casing on both sides, laid down in one pass over its pixels: the
//! casing keeps a pale core visible on pale wood, the core a dark casing on dark wood. A pixel's
//! share is taken from its distance to the stroke's middle line (a box of one pixel), and every
//! pixel belongs to exactly one piece of a line, so half-transparent lines have neither beads nor
//! gaps at their joints. Places are px with the pixel's centre at whole numbers.

use super::single;
use crate::vectors::widest;
use image::RgbImage;

/// A colour: red, green, blue, 0 to 255.
pub(crate) type Rgb3 = [u8; 3];

/// How a stroke looks.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pen {
    /// Width of the core, px.
    pub(crate) core_px: f32,
    /// Width of the casing on either side, px.
    pub(crate) casing_px: f32,
    /// Colour of the core.
    pub(crate) core: Rgb3,
    /// Colour of the casing.
    pub(crate) casing: Rgb3,
    /// Opacity of the core, 0 to 1.
    pub(crate) core_alpha: f32,
    /// Opacity of the casing, 0 to 1.
    pub(crate) casing_alpha: f32,
}

/// Lengths along a line that are drawn and left out in turn, px.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Dash {
    /// Drawn.
    pub(crate) on_px: f64,
    /// Left out.
    pub(crate) off_px: f64,
}

/// A picture to draw on.
pub(crate) struct Canvas<'a> {
    pixels: &'a mut [u8],
    width: usize,
    height: usize,
}

impl<'a> Canvas<'a> {
    /// Takes a picture to draw on.
    pub(crate) fn new(picture: &'a mut RgbImage) -> Self {
        let (width, height) = (picture.width() as usize, picture.height() as usize);
        Canvas {
            pixels: picture,
            width,
            height,
        }
    }

    /// Width, px.
    pub(crate) fn width(&self) -> usize {
        self.width
    }

    /// Height, px.
    pub(crate) fn height(&self) -> usize {
        self.height
    }

    /// Blends a colour into a pixel by a share of 0 to 1; off the picture it does nothing.
    pub(crate) fn blend(&mut self, x: i64, y: i64, colour: Rgb3, share: f32) {
        if let (Ok(x), Ok(y)) = (usize::try_from(x), usize::try_from(y))
            && x < self.width
            && y < self.height
        {
            let at = 3 * (y * self.width + x);
            mix(&mut self.pixels[at..at + 3], colour, share);
        }
    }

    /// Blends a rectangle, px, `right` and `bottom` not included.
    pub(crate) fn plate(&mut self, [left, top, right, bottom]: [f32; 4], colour: Rgb3, share: f32) {
        let columns = span(left, right - 1.0, self.width);
        for y in span(top, bottom - 1.0, self.height) {
            for x in columns.clone() {
                let at = 3 * (y * self.width + x);
                mix(&mut self.pixels[at..at + 3], colour, share);
            }
        }
    }

    /// Draws a straight piece with flat ends.
    pub(crate) fn segment(&mut self, a: (f64, f64), b: (f64, f64), pen: &Pen) {
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        self.piece(a, b, [(dx, dy), (dx, dy)], pen);
    }

    /// Draws a straight piece that ends at both ends on a cut through the end point, given by its
    /// normal. Pieces that share an end point and its normal share no pixel and leave none out.
    fn piece(&mut self, a: (f64, f64), b: (f64, f64), cuts: [(f64, f64); 2], pen: &Pen) {
        widest(
            #[inline(always)]
            || self.piece_plain(a, b, cuts, pen),
        );
    }

    #[inline(always)]
    fn piece_plain(&mut self, a: (f64, f64), b: (f64, f64), cuts: [(f64, f64); 2], pen: &Pen) {
        let (x0, y0) = (single(a.0), single(a.1));
        let (x1, y1) = (single(b.0), single(b.1));
        let (dx, dy) = (x1 - x0, y1 - y0);
        let length = dx.hypot(dy);
        if length.is_nan() || length < 1e-6 {
            return;
        }
        let (ux, uy) = (dx / length, dy / length);
        // The same sum for the end of one piece and the start of the next: equal to the last bit.
        let [start, end] = cuts.map(|(x, y)| (single(x), single(y)));
        let core = 0.5 * pen.core_px;
        let reach = core + pen.casing_px;
        // A line thinner than a pixel is drawn a pixel wide and so much fainter, else its strength
        // would hang on where it falls on the grid.
        let (core, core_alpha) = thin(core, pen.core_alpha);
        let (reach, casing_alpha) = thin(reach, pen.casing_alpha);
        let casing_alpha = if pen.casing_px > 0.0 {
            casing_alpha
        } else {
            0.0
        };
        let far = reach + 0.5;
        let ink = Ink {
            far: fixed(far),
            near: fixed(core + 0.5),
            casing_alpha: fixed(casing_alpha),
            core_alpha: fixed(core_alpha),
            casing: pen.casing.map(i32::from),
            core: pen.core.map(i32::from),
        };
        let belongs = |x: f32, y: f32| {
            (x - x0) * start.0 + (y - y0) * start.1 >= 0.0
                && (x - x1) * end.0 + (y - y1) * end.1 < 0.0
        };
        // Walk the longer side, and across it only as far as the stroke reaches. A cut may lean, so
        // the walk starts a stroke's reach before the end; only near the ends is a pixel's side of
        // the cuts looked at. Across the stroke a pixel's distance grows by the same step.
        let is_flat = dx.abs() >= dy.abs();
        let (along0, along1) = if is_flat { (x0, x1) } else { (y0, y1) };
        let (cross0, slope) = if is_flat {
            (y0, dy / dx)
        } else {
            (x0, dx / dy)
        };
        let (lo, hi) = (along0.min(along1), along0.max(along1));
        let across = far / if is_flat { ux.abs() } else { uy.abs() };
        let step = fixed(if is_flat { -ux } else { uy });
        let (rows, columns) = if is_flat {
            (self.width, self.height)
        } else {
            (self.height, self.width)
        };
        let stride = 3 * if is_flat { self.width } else { 1 };
        for i in span(lo - far, hi + far, rows) {
            let along = i as f32;
            let middle = cross0 + (along - along0) * slope;
            let run = span(middle - across, middle + across, columns);
            let near_end = along < lo + 2.0 * far || along > hi - 2.0 * far;
            let first = run.start as f32;
            let (x, y) = if is_flat {
                (along, first)
            } else {
                (first, along)
            };
            let mut off = fixed((x - x0) * uy - (y - y0) * ux);
            let mut at = if is_flat {
                3 * (run.start * self.width + i)
            } else {
                3 * (i * self.width + run.start)
            };
            for j in run {
                let is_in = !near_end
                    || if is_flat {
                        belongs(along, j as f32)
                    } else {
                        belongs(j as f32, along)
                    };
                if is_in {
                    ink.lay(&mut self.pixels[at..at + 3], off.abs());
                }
                off += step;
                at += stride;
            }
        }
    }

    /// Draws a line through points, each with the pen of the piece that starts there, whole or
    /// dashed. Neighbouring pieces meet in the bisector of their directions.
    pub(crate) fn line(&mut self, points: &[((f64, f64), Pen)], dash: Option<Dash>) {
        let step = |i: usize| -> (f64, f64) {
            let (a, b) = (points[i].0, points[i + 1].0);
            let (dx, dy) = (b.0 - a.0, b.1 - a.1);
            let length = dx.hypot(dy).max(1e-12);
            (dx / length, dy / length)
        };
        let last = points.len().saturating_sub(1);
        if last == 0 {
            return;
        }
        let mut travelled = 0.0;
        let is_closed = last > 2 && points[0].0 == points[last].0;
        let mut cut = step(0);
        if is_closed {
            cut = meet(step(last - 1), cut);
        }
        for i in 0..last {
            let ((a, pen), b) = (&points[i], points[i + 1].0);
            let here = step(i);
            let start = cut;
            cut = if i + 1 < last {
                meet(here, step(i + 1))
            } else if is_closed {
                meet(here, step(0))
            } else {
                here
            };
            let length = (b.0 - a.0).hypot(b.1 - a.1);
            let seen = self.may_show(*a, b, f64::from(pen.core_px + pen.casing_px));
            let Some(dash) = dash else {
                if seen {
                    self.piece(*a, b, [start, cut], pen);
                }
                continue;
            };
            let period = dash.on_px + dash.off_px;
            if length < 1e-9 || period < 1e-9 {
                continue;
            }
            if seen {
                let at = |s: f64| (a.0 + here.0 * s, a.1 + here.1 * s);
                // Dashes that started before this piece go on in it.
                let mut from = -(travelled % period);
                while from < length {
                    let (on, off) = (from.max(0.0), (from + dash.on_px).min(length));
                    if on < off {
                        let first = if on > 0.0 { here } else { start };
                        let second = if off < length { here } else { cut };
                        self.piece(at(on), at(off), [first, second], pen);
                    }
                    from += period;
                }
            }
            travelled += length;
        }
    }

    /// Whether a piece may touch the picture.
    fn may_show(&self, a: (f64, f64), b: (f64, f64), reach: f64) -> bool {
        let reach = reach + 1.0;
        a.0.max(b.0) > -reach
            && a.1.max(b.1) > -reach
            && a.0.min(b.0) < self.width as f64 + reach
            && a.1.min(b.1) < self.height as f64 + reach
    }

    /// Draws a circle line.
    pub(crate) fn circle(
        &mut self,
        (x, y): (f64, f64),
        radius_px: f64,
        pen: Pen,
        dash: Option<Dash>,
    ) {
        let points: Vec<_> = (0..=90)
            .map(|i| {
                let (sin, cos) = (f64::from(i % 90) * 4.0).to_radians().sin_cos();
                ((x + radius_px * cos, y + radius_px * sin), pen)
            })
            .collect();
        self.line(&points, dash);
    }

    /// Fills a disc.
    pub(crate) fn dot(&mut self, (x, y): (f64, f64), radius_px: f32, colour: Rgb3, share: f32) {
        let (x, y) = (single(x), single(y));
        let far = radius_px + 0.5;
        for row in span(y - far, y + far, self.height) {
            for column in span(x - far, x + far, self.width) {
                let off = (column as f32 - x).hypot(row as f32 - y);
                let at = 3 * (row * self.width + column);
                mix(
                    &mut self.pixels[at..at + 3],
                    colour,
                    share * (far - off).clamp(0.0, 1.0),
                );
            }
        }
    }
}

/// Normal of the cut in which two directions meet: their bisector. A sharp turn has no useful one
/// and keeps the flat end of the first.
fn meet(here: (f64, f64), next: (f64, f64)) -> (f64, f64) {
    if here.0 * next.0 + here.1 * next.1 > 0.0 {
        (here.0 + next.0, here.1 + next.1)
    } else {
        here
    }
}

/// A half width of at least half a pixel, with the opacity that makes up for it.
fn thin(half_px: f32, alpha: f32) -> (f32, f32) {
    if half_px < 0.5 {
        (0.5, alpha * half_px / 0.5)
    } else {
        (half_px, alpha)
    }
}

/// Whole numbers from `lo` to `hi` that are in a picture of `n` rows or columns.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to 0..=n, where cutting off is rounding down, and NaN becomes 0"
)]
#[inline(always)]
fn span(lo: f32, hi: f32, n: usize) -> std::ops::Range<usize> {
    // Not ceil() and floor(): calls on plain x86-64, and this runs for every row of every line.
    let from = lo.clamp(0.0, n as f32);
    let whole = from as usize;
    let from = whole + usize::from((whole as f32) < from);
    let to = (hi + 1.0).clamp(0.0, n as f32) as usize;
    from..to.max(from)
}

/// Moves a pixel towards a colour by a share of 0 to 1.
fn mix(pixel: &mut [u8], colour: Rgb3, share: f32) {
    let share = part(share);
    for (channel, target) in pixel.iter_mut().zip(colour) {
        *channel = level(u32::from(*channel) * (WHOLE - share) + u32::from(target) * share);
    }
}

/// A pen in fixed point numbers, ready for many pixels.
struct Ink {
    /// Distance at which the casing ends, and that at which the core ends.
    far: i32,
    near: i32,
    casing_alpha: i32,
    core_alpha: i32,
    casing: [i32; 3],
    core: [i32; 3],
}

impl Ink {
    /// Lays the casing and then the core over a pixel at a distance from the middle line.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "shares of one whole keep a channel within 0..=255"
    )]
    #[inline(always)]
    fn lay(&self, pixel: &mut [u8], off: i32) {
        let outer = (self.casing_alpha * (self.far - off).clamp(0, FINE)) >> FINE_BITS;
        let inner = (self.core_alpha * (self.near - off).clamp(0, FINE)) >> FINE_BITS;
        let keep = ((FINE - outer) * (FINE - inner)) >> FINE_BITS;
        let casing = FINE - inner - keep;
        for (i, channel) in pixel.iter_mut().enumerate() {
            let sum = i32::from(*channel) * keep + self.casing[i] * casing + self.core[i] * inner;
            *channel = ((sum + FINE / 2) >> FINE_BITS) as u8;
        }
    }
}

/// Fixed point numbers of strokes: 1/4096, so that a product of two still fits 32 bits and a
/// distance summed over a hundred pixels is right to a fortieth of a pixel.
const FINE_BITS: i32 = 12;
const FINE: i32 = 1 << FINE_BITS;

/// A length or a share in fixed point.
#[allow(
    clippy::cast_possible_truncation,
    reason = "lengths across a stroke are below a thousand px; beyond, the cast holds at the end"
)]
fn fixed(value: f32) -> i32 {
    (value * FINE as f32).clamp(-1e9, 1e9) as i32
}

/// A whole in the fixed point numbers of blending.
const WHOLE: u32 = 256;

/// A share of 0 to 1 in fixed point.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to 0..=256, where cutting off is rounding down"
)]
fn part(share: f32) -> u32 {
    (share.clamp(0.0, 1.0) * WHOLE as f32 + 0.5) as u32
}

/// A channel from its fixed point number.
#[allow(
    clippy::cast_possible_truncation,
    reason = "at most 255 * 256, over 256"
)]
fn level(fixed: u32) -> u8 {
    ((fixed + WHOLE / 2) / WHOLE) as u8
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pen(width: f32) -> Pen {
        Pen {
            core_px: width,
            casing_px: 0.0,
            core: [255; 3],
            casing: [0; 3],
            core_alpha: 1.0,
            casing_alpha: 0.0,
        }
    }

    fn sum(picture: &RgbImage) -> f64 {
        picture.pixels().map(|p| f64::from(p[0]) / 255.0).sum()
    }

    /// A law: ink is length times width, whatever the direction and the width; taken over places
    /// on the grid, since one slanted hairline may be an eighth too strong or too weak.
    #[test]
    fn a_stroke_lays_down_its_length_times_its_width() {
        for width in [0.5_f32, 1.0, 1.7, 4.0, 9.0] {
            for azimuth in [0.0_f64, 7.0, 30.0, 45.0, 61.0, 90.0, 200.0, 315.0] {
                let (sin, cos) = azimuth.to_radians().sin_cos();
                let mut ink = 0.0;
                for shift in 0..40 {
                    let mut picture = RgbImage::new(200, 200);
                    let off = f64::from(shift) / 8.0;
                    let (x, y) = (100.3 - off * sin, 99.6 + off * cos);
                    Canvas::new(&mut picture).segment(
                        (x - 60.0 * cos, y - 60.0 * sin),
                        (x + 60.0 * cos, y + 60.0 * sin),
                        &pen(width),
                    );
                    ink += sum(&picture) / 40.0;
                }
                let want = 120.0 * f64::from(width);
                assert!(
                    (ink / want - 1.0).abs() < 0.03,
                    "width {width}, azimuth {azimuth}: {ink} for {want}"
                );
            }
        }
    }

    #[test]
    fn half_transparent_joints_have_neither_beads_nor_gaps() {
        let mut picture = RgbImage::new(300, 300);
        let mut faint = pen(3.0);
        faint.core_alpha = 0.5;
        Canvas::new(&mut picture).circle((150.0, 150.0), 120.0, faint, None);
        let most = picture.pixels().map(|p| p[0]).max().unwrap();
        // Once is 128; twice would be 192.
        assert!(most <= 128, "{most}");
        // No gap either: every pixel within half a pixel of the middle line is fully covered.
        let mut least = 255;
        for (x, y, p) in picture.enumerate_pixels() {
            let off = (f64::from(x) - 150.0).hypot(f64::from(y) - 150.0) - 120.0;
            if off.abs() < 0.5 {
                least = least.min(p[0]);
            }
        }
        assert!(least >= 127, "{least}");
    }

    #[test]
    fn dashes_leave_out_their_share() {
        let mut whole = RgbImage::new(300, 300);
        let mut dashed = RgbImage::new(300, 300);
        Canvas::new(&mut whole).circle((150.0, 150.0), 100.0, pen(2.0), None);
        Canvas::new(&mut dashed).circle(
            (150.0, 150.0),
            100.0,
            pen(2.0),
            Some(Dash {
                on_px: 6.0,
                off_px: 4.0,
            }),
        );
        assert!((sum(&dashed) / sum(&whole) - 0.6).abs() < 0.03);
    }

    #[test]
    fn nonsense_places_draw_nothing() {
        let mut picture = RgbImage::new(10, 10);
        let mut canvas = Canvas::new(&mut picture);
        canvas.segment((f64::NAN, 1.0), (5.0, 5.0), &pen(2.0));
        canvas.segment((-1e9, -1e9), (-1e8, -2e9), &pen(2.0));
        canvas.segment((3.0, 3.0), (3.0, 3.0), &pen(2.0));
        canvas.dot((f64::NAN, 0.0), 3.0, [255; 3], 1.0);
        assert!((sum(&picture)).abs() < 1e-9);
    }
}
