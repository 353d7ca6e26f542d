//! The disc unwrapped about its pith: azimuth down, distance from the pith along.
//!
//! One sample a photo pixel along the radius, straight from the decoded photo: tight rings are
//! three to five pixels wide, and what is lost here can't be had again.

use crate::face::LUMINANCE;
use crate::outline::WoodEdge;
use crate::photo::Photo;
use crate::pith::Pith;
use crate::plane::{Plane, RowBorder};
use crate::settings::Settings;

/// Azimuths of the unwrapped disc, one every half degree.
pub const RAYS: usize = 720;

/// The unwrapped disc.
///
/// Holds: `grey` is `[RAYS, reach]` with one sample a pixel from the pith; every value is finite;
/// `visible[ray].0 <= visible[ray].1 <= reach`.
#[derive(Debug, Clone)]
pub struct Polar {
    /// Luminance less its local mean over its local deviation, -3 to 3; 0 where there is no wood.
    pub grey: Plane,
    /// Luminance as it is, 0 to 255.
    pub plain: Plane,
    /// First sample and end of the wood in the photo, a ray.
    pub visible: Vec<(usize, usize)>,
    /// Distance of the wood's edge, px, a ray; beyond `visible` where it is not in the photo.
    pub edge: Vec<f32>,
    /// Whether the edge is in the photo, a ray.
    pub edge_seen: Vec<bool>,
}

/// Unwraps the disc out to the wood's edge.
pub fn unwrap(photo: &Photo, pith: &Pith, wood_edge: &WoodEdge, settings: &Settings) -> Polar {
    let (width, height) = (
        photo.pixels.width() as usize,
        photo.pixels.height() as usize,
    );
    let raw = photo.pixels.as_raw();
    let (left, top, right, bottom) = match settings.region_px {
        None => (0.0, 0.0, width as f64, height as f64),
        Some(r) => (
            f64::from(r.x_px),
            f64::from(r.y_px),
            f64::from(r.x_px.saturating_add(r.width_px)).min(width as f64),
            f64::from(r.y_px.saturating_add(r.height_px)).min(height as f64),
        ),
    };
    let edge: Vec<f32> = (0..RAYS)
        .map(|ray| {
            let (degree, odd) = (ray / 2, ray % 2 == 1);
            let here = wood_edge.radius_px[degree];
            let there = wood_edge.radius_px[(degree + 1) % 360];
            #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
            let r = (if odd { (here + there) / 2.0 } else { here }) as f32;
            r
        })
        .collect();
    let edge_seen = (0..RAYS).map(|ray| wood_edge.in_photo[ray / 2]).collect();
    let mut visible = Vec::with_capacity(RAYS);
    let mut reach = 8usize;
    for (ray, edge_px) in edge.iter().enumerate() {
        let (sin, cos) = turn(ray).sin_cos();
        let (near, far) = inside_box(
            (pith.x_px, pith.y_px),
            (cos, sin),
            (left, top, right - 1.0, bottom - 1.0),
        );
        let end = far.min(f64::from(*edge_px) * EDGE_MARGIN);
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "distances inside the photo, floored at 0"
        )]
        let (a, b) = (near.max(0.0).ceil() as usize, end.max(0.0).floor() as usize);
        visible.push((a.min(b), b));
        reach = reach.max(b + 1);
    }
    let mut plain = Plane::filled(reach, RAYS, 0.0);
    let mut mask = Plane::filled(reach, RAYS, 0.0);
    for ray in 0..RAYS {
        let (sin, cos) = turn(ray).sin_cos();
        let (a, b) = visible[ray];
        for r in a..b {
            let (x, y) = (pith.x_px + r as f64 * cos, pith.y_px + r as f64 * sin);
            plain.data[ray * reach + r] = luminance_at(raw, width, height, x, y);
            mask.data[ray * reach + r] = 1.0;
        }
    }
    let grey = normalised(&plain, &mask, reach);
    Polar {
        grey,
        plain,
        visible,
        edge,
        edge_seen,
    }
}

impl Polar {
    /// The same disc seen by its pores: in place of the luminance stands how much it differs from
    /// ray to ray. In ring-porous wood that rises where a ring begins, whether its pores are darker
    /// or paler than the wood; luminance there has two edges of unlike sign and either may be the
    /// stronger.
    pub fn by_pores(&self) -> Polar {
        let reach = self.grey.width;
        let mut rough = Plane::filled(reach, RAYS, 0.0);
        let mut mask = Plane::filled(reach, RAYS, 0.0);
        for ray in 0..RAYS {
            let next = (ray + 1) % RAYS;
            let (a, b) = self.visible[ray];
            let (here, there) = (self.grey.row(ray), self.grey.row(next));
            let row = &mut rough.data[ray * reach..(ray + 1) * reach];
            let end = b.min(self.visible[next].1).max(a);
            for r in a..end {
                row[r] = (here[r] - there[r]).abs();
            }
            mask.row_mut(ray)[a..end].fill(1.0);
        }
        // Three rays to either side: a pore is seen by one or two.
        let rough = rough
            .blurred(0.7, 2.5, RowBorder::Wrap)
            .map(|v| 40.0 * (v + 0.05).ln());
        let grey = normalised(&rough, &mask, reach);
        Polar {
            grey,
            ..self.clone()
        }
    }
}

/// How far beyond the wood's edge the unwrapped disc goes: the last boundary must lie inside it.
const EDGE_MARGIN: f64 = 1.02;

/// Direction of a ray, radians.
pub(crate) fn turn(ray: usize) -> f64 {
    ray as f64 / RAYS as f64 * std::f64::consts::TAU
}

/// Stretch of a ray inside a box: distances from its start; both 0 where it misses.
fn inside_box(
    start: (f64, f64),
    direction: (f64, f64),
    bounds: (f64, f64, f64, f64),
) -> (f64, f64) {
    let (mut near, mut far) = (0.0f64, f64::MAX);
    for (place, step, low, high) in [
        (start.0, direction.0, bounds.0, bounds.2),
        (start.1, direction.1, bounds.1, bounds.3),
    ] {
        if step.abs() < 1e-12 {
            if place < low || place > high {
                return (0.0, 0.0);
            }
            continue;
        }
        let (a, b) = ((low - place) / step, (high - place) / step);
        near = near.max(a.min(b));
        far = far.min(a.max(b));
    }
    if far <= near { (0.0, 0.0) } else { (near, far) }
}

/// Luminance between pixels, straight in both axes.
fn luminance_at(raw: &[u8], width: usize, height: usize, x: f64, y: f64) -> f32 {
    #[allow(
        clippy::cast_possible_truncation,
        reason = "places in the photo, floored at 0; cutting off is rounding down there"
    )]
    let (x0, y0) = ((x as i32).max(0), (y as i32).max(0));
    #[allow(clippy::cast_possible_truncation, reason = "parts of a pixel")]
    let (fx, fy) = ((x - f64::from(x0)) as f32, (y - f64::from(y0)) as f32);
    let (x0, y0) = (
        (x0.cast_unsigned() as usize).min(width - 1),
        (y0.cast_unsigned() as usize).min(height - 1),
    );
    let (x1, y1) = ((x0 + 1).min(width - 1), (y0 + 1).min(height - 1));
    let pixel = |x: usize, y: usize| {
        let i = (y * width + x) * 3;
        LUMINANCE[0] * f32::from(raw[i])
            + LUMINANCE[1] * f32::from(raw[i + 1])
            + LUMINANCE[2] * f32::from(raw[i + 2])
    };
    let top = pixel(x0, y0) * (1.0 - fx) + pixel(x1, y0) * fx;
    let bottom = pixel(x0, y1) * (1.0 - fx) + pixel(x1, y1) * fx;
    top * (1.0 - fy) + bottom * fy
}

/// Luminance less its local mean over its local deviation, where there is wood.
///
/// The neighbourhood is a fiftieth of the disc along the radius: a few rings, narrower than stain,
/// shadow and heartwood.
fn normalised(plain: &Plane, mask: &Plane, reach: usize) -> Plane {
    // The local mean needs no full resolution: it is taken on a plane shrunk four times.
    let shrink = 4;
    let small = plain.shrunk(shrink, 1);
    let small_mask = mask.shrunk(shrink, 1);
    let sigma = (reach as f32 / 50.0 / shrink as f32).clamp(2.0, 10.0);
    let blur = |plane: &Plane| plane.blurred(sigma, 3.0, RowBorder::Wrap);
    let weight = blur(&small_mask).map(|v| v + 1e-3);
    let mean = blur(&small).with(&weight, |a, b| a / b);
    // Power about the mean, at full resolution before it is shrunk.
    let mut deviation = Plane::filled(plain.width, plain.height, 0.0);
    let place = |r: usize| (r as f32 + 0.5) / shrink as f32 - 0.5;
    for ray in 0..plain.height {
        let row = mean.row(ray);
        for r in 0..plain.width {
            let at = ray * plain.width + r;
            if mask.data[at] > 0.0 {
                deviation.data[at] = plain.data[at] - crate::plane::line_at(row, place(r));
            }
        }
    }
    let power = blur(&deviation.map(|v| v * v).shrunk(shrink, 1)).with(&weight, |a, b| a / b);
    for ray in 0..plain.height {
        let row = power.row(ray);
        for r in 0..plain.width {
            let at = ray * plain.width + r;
            if mask.data[at] > 0.0 {
                let sd = crate::plane::line_at(row, place(r)).max(0.0).sqrt();
                // 2 grey levels: below that, contrast is the camera's noise.
                deviation.data[at] = (deviation.data[at] / (sd + 2.0)).clamp(-3.0, 3.0);
            }
        }
    }
    deviation
}
