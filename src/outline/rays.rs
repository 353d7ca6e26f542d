//! The face unwrapped about the pith: what the search for the wood's edge looks at.

use super::odds::{colour_bin, texture_bin};
use crate::face::Face;
use crate::pith::Pith;
use crate::plane::{Plane, RowBorder};
use crate::vectors::widest;

/// Rays of the search, one every two degrees.
pub(super) const RAYS: usize = 180;

/// Radial step of the search, face samples.
pub(super) const STEP: f32 = 2.0;

/// Blur of the face before its grain is taken, samples: below it is the camera's noise.
const GRAIN_BLUR: f32 = 1.0;

/// How much a ground's grain may run round the pith by chance.
pub(super) const CHANCE_GRAIN: f32 = 0.1;

/// Colours, texture and grain on the rays.
pub(super) struct Rays {
    /// Luminance, red-green, yellow-blue: `[ray, radius]`.
    pub(super) colour: [Plane; 3],
    /// Texture: logarithm of the local luminance deviation.
    pub(super) texture: Plane,
    /// How much the grain runs round the pith, -1 to 1.
    pub(super) roundness: Plane,
    /// Bin of each sample in the histograms of colour and of texture.
    pub(super) bins: Vec<(u16, u8)>,
    /// Samples of each ray inside the frame.
    pub(super) visible: Vec<usize>,
}

/// Unwraps the face about the pith.
pub(super) fn cast(face: &Face, pith: &Pith) -> Rays {
    widest(
        #[inline(always)]
        || cast_plain(face, pith),
    )
}

#[inline(always)]
fn cast_plain(face: &Face, pith: &Pith) -> Rays {
    #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
    let (cx, cy) = (
        face.from_photo_px(pith.x_px) as f32,
        face.from_photo_px(pith.y_px) as f32,
    );
    let [left, top, right, bottom] = face.bounds;
    let is_far = is_far(face, (cx, cy));
    let reach = if is_far {
        0.0
    } else {
        [(left, top), (right, top), (left, bottom), (right, bottom)]
            .iter()
            .map(|(x, y)| (x - cx).hypot(y - cy))
            .fold(0.0f32, f32::max)
    };
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a length in samples"
    )]
    let n = (reach / STEP).ceil().max(8.0) as usize;
    let mut planes = [(); 3].map(|()| Plane::filled(n, RAYS, 0.0));
    let mut visible = vec![0; RAYS];
    let faces = [&face.grey, &face.red_green, &face.yellow_blue];
    let (last_x, last_y) = ((face.grey.width - 1) as f32, (face.grey.height - 1) as f32);
    for (ray, visible) in visible.iter_mut().enumerate() {
        let (sin, cos) = (ray as f32 / RAYS as f32 * std::f32::consts::TAU).sin_cos();
        for i in 0..n {
            let r = i as f32 * STEP;
            let (x, y) = (cx + r * cos, cy + r * sin);
            if !is_far && x >= left && y >= top && x <= right - 1.0 && y <= bottom - 1.0 {
                *visible = i + 1;
            }
            // Straight between samples in both axes, as `Plane::sampled`; the place is worked out
            // once for the three planes.
            let (x, y) = (x.clamp(0.0, last_x), y.clamp(0.0, last_y));
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "clamped into the plane above"
            )]
            let (x0, y0) = (x as usize, y as usize);
            let (fx, fy) = (x - x0 as f32, y - y0 as f32);
            let (x1, y1) = (
                (x0 + 1).min(face.grey.width - 1),
                (y0 + 1).min(face.grey.height - 1),
            );
            let (above, below) = (y0 * face.grey.width, y1 * face.grey.width);
            for (plane, face) in planes.iter_mut().zip(faces) {
                let upper = face.data[above + x0] * (1.0 - fx) + face.data[above + x1] * fx;
                let lower = face.data[below + x0] * (1.0 - fx) + face.data[below + x1] * fx;
                plane.data[ray * n + i] = upper * (1.0 - fy) + lower * fy;
            }
        }
    }
    let grey = &planes[0];
    let mean = grey.blurred(3.0, 1.5, RowBorder::Wrap);
    let texture = grey
        .with(&mean, |a, b| (a - b) * (a - b))
        .blurred(3.0, 1.5, RowBorder::Wrap)
        .map(|v| v.ln_1p() * 12.0);
    let bins = (0..RAYS * n)
        .map(|at| {
            (
                colour_bin(planes.each_ref().map(|plane| plane.data[at])),
                texture_bin(texture.data[at]),
            )
        })
        .collect();
    Rays {
        roundness: roundness(face, (cx, cy), &visible, n),
        colour: planes,
        texture,
        bins,
        visible,
    }
}

/// Whether a pith lies so far outside the photo that no ring can be seen to bend: straight lines point there.
/// About it nothing is wood.
fn is_far(face: &Face, (cx, cy): (f32, f32)) -> bool {
    let (width, height) = (face.grey.width as f32, face.grey.height as f32);
    cx < -width || cy < -height || cx > 2.0 * width || cy > 2.0 * height
}

/// Share by which the luminance changes along the ray rather than along the circle, smoothed.
///
/// Both changes are taken on the face itself, over one length. Taken between samples of the rays the
/// tangential one would be spread over a length that grows with the distance from the pith, and any
/// fine ground would seem to run round it far out.
fn roundness(face: &Face, (cx, cy): (f32, f32), visible: &[usize], n: usize) -> Plane {
    let grey = face.grey.blurred(GRAIN_BLUR, GRAIN_BLUR, RowBorder::Repeat);
    let (width, height) = (grey.width, grey.height);
    let mut along = Plane::filled(n, RAYS, 0.0);
    let mut across = Plane::filled(n, RAYS, 0.0);
    for (ray, &seen) in visible.iter().enumerate() {
        let (sin, cos) = (ray as f32 / RAYS as f32 * std::f32::consts::TAU).sin_cos();
        for i in 0..seen {
            let r = i as f32 * STEP;
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "clamped into the plane"
            )]
            let near = |v: f32, size: usize| (v.max(0.0).round() as usize).min(size - 1);
            let (x, y) = (near(cx + r * cos, width), near(cy + r * sin, height));
            let at = |x: usize, y: usize| grey.data[y * width + x];
            let gx = at((x + 1).min(width - 1), y) - at(x.saturating_sub(1), y);
            let gy = at(x, (y + 1).min(height - 1)) - at(x, y.saturating_sub(1));
            let radial = (gx * cos + gy * sin) * STEP;
            let tangential = (gy * cos - gx * sin) * STEP;
            along.data[ray * n + i] = radial * radial;
            across.data[ray * n + i] = tangential * tangential;
        }
    }
    let (along, across) = (
        along.blurred(5.0, 4.0, RowBorder::Wrap),
        across.blurred(5.0, 4.0, RowBorder::Wrap),
    );
    along.with(&across, |a, b| (a - b) / (a + b + 2.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::outline::tests::pith_at;
    use crate::photo::Photo;
    use crate::settings::Settings;
    use image::{Rgb, RgbImage};

    const PITH: (f32, f32) = (150.0, 150.0);

    /// Rays about the middle of a photo of 300 px whose tone is given by the place.
    fn rays_of(tone: impl Fn(f32, f32) -> f32) -> Rays {
        rays_about(PITH, tone)
    }

    /// The same about a place, px.
    fn rays_about(pith: (f32, f32), tone: impl Fn(f32, f32) -> f32) -> Rays {
        let pixels = RgbImage::from_fn(300, 300, |x, y| {
            let v = tone(x as f32, y as f32).clamp(0.0, 255.0).round() as u8;
            Rgb([v; 3])
        });
        let photo = Photo {
            file: "log-7.jpg".to_owned(),
            sha256: String::new(),
            pixels,
        };
        let face = crate::face::view(&photo, &Settings::default());
        cast(&face, &pith_at(&face, pith))
    }

    #[test]
    fn about_a_pith_where_no_ring_would_bend_no_wood_is_seen() {
        let seen = |pith| {
            let rays = rays_about(pith, |x, _| 140.0 + 30.0 * (x / 2.0).sin());
            rays.visible.iter().sum::<usize>()
        };
        assert!(seen((-250.0, 150.0)) > 0);
        assert_eq!(seen((-3000.0, 150.0)), 0);
        assert_eq!(seen((150.0, 650.0)), 0);
    }

    /// Mean roundness over the turn of a stretch of samples.
    fn mean(rays: &Rays, stretch: std::ops::Range<usize>) -> f32 {
        let of_ray = |ray| {
            let samples = &rays.roundness.row(ray)[stretch.clone()];
            samples.iter().sum::<f32>() / samples.len() as f32
        };
        (0..RAYS).map(of_ray).sum::<f32>() / RAYS as f32
    }

    #[test]
    fn a_fine_texture_runs_round_at_no_distance() {
        // Noise by a linear congruence of the place, with no direction of its own.
        let rays = rays_of(|x, y| {
            let seed = (x as u32 * 300 + y as u32).wrapping_mul(2_654_435_761);
            100.0 + ((seed ^ (seed >> 15)).wrapping_mul(2_246_822_519) >> 26) as f32
        });
        for start in [15, 30, 45, 60] {
            let roundness = mean(&rays, start..start + 12);
            assert!(roundness.abs() < 0.06, "{roundness} from sample {start} on");
        }
    }

    #[test]
    fn rings_run_round_at_every_distance() {
        let rays = rays_of(|x, y| {
            let r = (x - PITH.0).hypot(y - PITH.1);
            140.0 + 30.0 * (r / 8.0 * std::f32::consts::TAU).sin()
        });
        for start in [15, 30, 45, 60] {
            let roundness = mean(&rays, start..start + 12);
            assert!(roundness > 0.9, "{roundness} from sample {start} on");
        }
    }
}
