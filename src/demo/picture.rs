//! From a plan to pixels: scene, light, lens, sensor.

use super::Suite;
use super::ground::GroundKind;
use super::growth::Profile;
use super::looks::{Colour, blend, lit, rgb};
use super::noise::{cell, channel, dice, plane, ramp};
use super::plan::Plan;
use super::view::View;
use super::wood::{Painter, Point};
use crate::settings::RulerMarks;
use crate::units::MM_PER_INCH;
use image::RgbImage;
use rayon::prelude::*;

/// Paints the whole picture; rows in parallel, each pixel from its own coordinates only, so the
/// result does not depend on the number of threads.
pub(crate) fn paint(plan: &Plan, view: &View) -> RgbImage {
    let (width, height) = (plan.width_px, plan.height_px);
    let painter = Painter::new(plan, view.mm_per_px, plan.suite == Suite::NoneSaw);
    let lamp = Lamp::new(plan);
    let bark = Profile::of(|azimuth| plan.bark.at(azimuth));
    let row_bytes = width as usize * 3;
    let mut bytes = vec![0_u8; row_bytes * height as usize];
    bytes
        .par_chunks_mut(row_bytes)
        .zip(0..height)
        .for_each(|(row, y)| {
            for (pixel, x) in row.chunks_exact_mut(3).zip(0_u32..) {
                let (x, y) = (f64::from(x), f64::from(y));
                let colour = lit(scene(plan, view, &painter, &bark, x, y), lamp.at(x, y));
                for (byte, value) in pixel.iter_mut().zip(colour) {
                    *byte = channel(value);
                }
            }
        });
    let bytes = lens(bytes, width as usize, height as usize, plan);
    RgbImage::from_raw(width, height, bytes).unwrap_or_else(|| RgbImage::new(width, height))
}

fn scene(
    plan: &Plan,
    view: &View,
    painter: &Painter<'_>,
    bark: &Profile,
    x_px: f64,
    y_px: f64,
) -> Colour {
    let [x_mm, y_mm] = view.to_face(x_px, y_px);
    let size = painter.size_mm;
    let (x, y) = (x_mm / size, y_mm / size);
    match plan.suite {
        Suite::NoneWall => return plan.ground.wall(x, y),
        Suite::NonePlank => return plan.ground.planks(x, y, 1.1),
        Suite::NoneLeaves => return plan.ground.litter(x, y),
        _ => {}
    }
    let radius_mm = x_mm.hypot(y_mm);
    let azimuth = y_mm.atan2(x_mm);
    let edge_mm = plan.disc.edge_mm(azimuth);
    let soft = 0.5 * view.mm_per_px;
    if radius_mm < edge_mm - soft {
        return painter.paint(&Point {
            x_mm,
            y_mm,
            radius_mm,
            azimuth,
            edge_mm,
        });
    }
    let outside = {
        let bark_mm = bark.at(azimuth) * size;
        let depth_mm = radius_mm - edge_mm;
        if depth_mm < bark_mm {
            let colour = plan
                .bark
                .paint((depth_mm / bark_mm).clamp(0.0, 1.0), x, y, azimuth);
            let rim = ramp(bark_mm, bark_mm - 2.0 * soft, depth_mm);
            if rim < 1.0 {
                blend(around(plan, bark, x, y, view.mm_per_px), colour, rim)
            } else {
                colour
            }
        } else {
            around(plan, bark, x, y, view.mm_per_px)
        }
    };
    if radius_mm < edge_mm + soft {
        let inner = Point {
            x_mm,
            y_mm,
            radius_mm: radius_mm.min(edge_mm * 0.999_999),
            azimuth,
            edge_mm,
        };
        let mix = 0.5 + (radius_mm - edge_mm) / (2.0 * soft) * 0.5;
        return blend(painter.paint(&inner), outside, mix);
    }
    outside
}

/// Ground, the ruler on it and the disc's own shadow; coordinates in radii of the disc.
fn around(plan: &Plan, bark: &Profile, x: f64, y: f64, pixel_mm: f64) -> Colour {
    let mut colour = plan.ground.paint(x, y);
    if plan.has_ruler {
        colour = ruler(plan, colour, x, y, pixel_mm);
    }
    // The shadow is the outline moved away from the light; a thick disc would throw more.
    let (s, c) = plan.light.from.sin_cos();
    let (u, v) = (x + 0.05 * c, y + 0.05 * s);
    let azimuth = v.atan2(u);
    let size = plan.disc.mean_mm[plan.disc.rings];
    let edge = plan.disc.edge_mm(azimuth) / size + bark.at(azimuth);
    let flat = plan.ground.kind == GroundKind::Dark;
    let depth = if flat { 0.1 } else { 0.5 };
    lit(
        colour,
        1.0 - depth * ramp(edge + 0.09, edge - 0.03, u.hypot(v)),
    )
}

/// Angle that the rule is turned by in the picture, rad.
pub(crate) fn rule_turn(plan: &Plan) -> f64 {
    plan.ground.turn + 0.2
}

/// A rule lying beside the disc, marked in mm and cm or in sixteenths of an inch; a pixel is
/// `pixel_mm` wide.
fn ruler(plan: &Plan, under: Colour, x: f64, y: f64, pixel_mm: f64) -> Colour {
    let size = plan.disc.mean_mm[plan.disc.rings];
    let (s, c) = rule_turn(plan).sin_cos();
    let (u, v) = (c * x - s * y, s * x + c * y);
    let top = plan.disc.farthest_mm / size + 0.14;
    let (along_mm, across) = (u * size + 150.0, (v - top) / 0.16);
    if !(0.0..1.0).contains(&across) || !(0.0..300.0).contains(&along_mm) {
        return under;
    }
    let body = lit(rgb(0xe9e4d2), 0.96 + 0.02 * plane(3, 30.0 * u, 30.0 * v));
    let (spacing_mm, is_inch) = match plan.rule_marks {
        RulerMarks::Sixteenths => (MM_PER_INCH / 16.0, true),
        RulerMarks::Mm | RulerMarks::Auto => (1.0, false),
    };
    let at = cell(along_mm / spacing_mm);
    let long = match (is_inch, at % 16, at % 10) {
        (true, 0, _) => 0.6,
        (true, 8, _) | (false, _, 0) => 0.5,
        (true, 4 | 12, _) | (false, _, 5) => 0.38,
        (true, n, _) if n % 2 == 0 => 0.27,
        (true, ..) => 0.17,
        _ => 0.25,
    };
    // The share of the pixel that the line covers, else thin lines would flicker.
    let from = along_mm - f64::from(at) * spacing_mm - 0.5 * pixel_mm;
    let covered = (from + pixel_mm).min(0.25) - from.max(0.0);
    let ink = (covered / pixel_mm).clamp(0.0, 1.0);
    if across < long {
        blend(body, rgb(0x202020), 0.85 * ink)
    } else {
        body
    }
}

/// Light on the scene with its directions worked out once.
struct Lamp<'a> {
    plan: &'a Plan,
    half: [f64; 2],
    short: f64,
    /// Cosine and sine of the direction the light comes from, times its fall.
    fall: [f64; 2],
    /// Cosine and sine across a shadow's edge, its place, the darkness kept.
    shadow: Option<[f64; 4]>,
}

impl<'a> Lamp<'a> {
    fn new(plan: &'a Plan) -> Self {
        let (w, h) = (f64::from(plan.width_px), f64::from(plan.height_px));
        let light = &plan.light;
        Lamp {
            plan,
            half: [0.5 * w, 0.5 * h],
            short: w.min(h),
            fall: [light.fall * light.from.cos(), light.fall * light.from.sin()],
            shadow: light
                .shadow
                .map(|[turn, place, dark]| [turn.cos(), turn.sin(), place, dark]),
        }
    }

    fn at(&self, x_px: f64, y_px: f64) -> f64 {
        let light = &self.plan.light;
        let (u, v) = (
            (x_px - self.half[0]) / self.short,
            (y_px - self.half[1]) / self.short,
        );
        let mut factor = light.exposure
            * (1.0 + self.fall[0] * u + self.fall[1] * v)
            * (1.0 - light.vignette * (u * u + v * v));
        if let Some([c, s, place, dark]) = self.shadow {
            let wave = 0.04 * plane(self.plan.noise_seed ^ 99, 3.0 * u, 3.0 * v);
            let off = c * u + s * v - place + wave;
            factor *= 1.0 - (1.0 - dark) * ramp(-0.015, 0.015, off);
        }
        factor
    }
}

/// Blur and sharpening as one kernel, `2 n + 1` weights that add up to 1.
fn kernel(blur_px: f64, sharpen: f64) -> Vec<f64> {
    let wide = 2.2 * blur_px;
    let reach = if sharpen > 0.0 {
        2.5 * wide
    } else {
        3.0 * blur_px
    };
    let n = cell(reach.ceil()).max(1);
    let gauss = |sd: f64| {
        let raw: Vec<f64> = (-n..=n)
            .map(|i| (-0.5 * (f64::from(i) / sd).powi(2)).exp())
            .collect();
        let sum: f64 = raw.iter().sum();
        raw.into_iter().map(move |value| value / sum)
    };
    gauss(blur_px)
        .zip(gauss(wide))
        .map(|(sharp, soft)| (1.0 + sharpen) * sharp - sharpen * soft)
        .collect()
}

/// Blur along rows, then along columns, then the sensor's noise.
fn lens(mut bytes: Vec<u8>, width: usize, height: usize, plan: &Plan) -> Vec<u8> {
    let weights = kernel(plan.sensor.blur_px, plan.sensor.sharpen);
    let reach = weights.len() / 2;
    let row_bytes = width * 3;
    bytes.par_chunks_mut(row_bytes).for_each(|row| {
        let mut padded = Vec::with_capacity(row_bytes + 6 * reach);
        for _ in 0..reach {
            padded.extend(row[..3].iter().map(|&v| f64::from(v)));
        }
        padded.extend(row.iter().map(|&v| f64::from(v)));
        for _ in 0..reach {
            padded.extend(row[row_bytes - 3..].iter().map(|&v| f64::from(v)));
        }
        let mut sums = vec![0.0; row_bytes];
        for (step, weight) in weights.iter().enumerate() {
            for (sum, value) in sums.iter_mut().zip(&padded[3 * step..]) {
                *sum += weight * value;
            }
        }
        for (byte, sum) in row.iter_mut().zip(sums) {
            *byte = channel(sum / 255.0);
        }
    });
    let source = &bytes;
    let mut out = vec![0_u8; bytes.len()];
    out.par_chunks_mut(row_bytes)
        .enumerate()
        .for_each(|(y, row)| {
            let mut sums = vec![0.0; row_bytes];
            for (step, weight) in weights.iter().enumerate() {
                let from = (y + step).saturating_sub(reach).min(height - 1) * row_bytes;
                for (sum, &value) in sums.iter_mut().zip(&source[from..from + row_bytes]) {
                    *sum += weight * f64::from(value);
                }
            }
            let line = i32::try_from(y).unwrap_or(0);
            for (pixel, (sum, x)) in row
                .chunks_exact_mut(3)
                .zip(sums.chunks_exact(3).zip(0_i32..))
            {
                sense(
                    pixel,
                    [sum[0] / 255.0, sum[1] / 255.0, sum[2] / 255.0],
                    plan,
                    x,
                    line,
                );
            }
        });
    out
}

/// Noise of one pixel: mostly brightness, some colour, stronger in the light (shot noise).
fn sense(pixel: &mut [u8], mut colour: Colour, plan: &Plan, x: i32, y: i32) {
    let k = plan.noise_seed ^ 0x5eed;
    let bell = |key: u32| {
        // Two even draws make a triangle of sd 1 / sqrt(6): near enough to a bell for noise.
        (dice(key, x, y) + dice(key ^ 0xff, x, y) - 1.0) * 2.449
    };
    if plan.sensor.is_grey {
        colour = [0.299 * colour[0] + 0.587 * colour[1] + 0.114 * colour[2]; 3];
    }
    let common = bell(k);
    for ((byte, value), number) in pixel.iter_mut().zip(colour).zip(1_u32..) {
        let strength = plan.sensor.noise * (0.4 + value.clamp(0.0, 1.0)).sqrt();
        let own = if plan.sensor.is_grey {
            0.0
        } else {
            0.45 * bell(k ^ number)
        };
        *byte = channel(value + strength * (common + own));
    }
}
