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
    let reach = [(left, top), (right, top), (left, bottom), (right, bottom)]
        .iter()
        .map(|(x, y)| (x - cx).hypot(y - cy))
        .fold(0.0f32, f32::max);
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
            if x >= left && y >= top && x <= right - 1.0 && y <= bottom - 1.0 {
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
        roundness: roundness(grey),
        colour: planes,
        texture,
        bins,
        visible,
    }
}

/// Share by which the luminance changes along the ray rather than along the circle, smoothed.
fn roundness(grey: &Plane) -> Plane {
    let (n, rays) = (grey.width, grey.height);
    let smooth = grey.blurred(0.7, 0.0, RowBorder::Wrap);
    let mut along = Plane::filled(n, rays, 0.0);
    let mut across = Plane::filled(n, rays, 0.0);
    for ray in 0..rays {
        let (before, after) = (
            smooth.row((ray + rays - 1) % rays),
            smooth.row((ray + 1) % rays),
        );
        let row = smooth.row(ray);
        for i in 1..n - 1 {
            let radial = row[i + 1] - row[i - 1];
            // Tangential change over the same length as the radial one.
            let arc =
                (i as f32 * STEP * std::f32::consts::TAU / rays as f32).max(STEP * 0.5) / STEP;
            let tangential = (after[i] - before[i]) / arc.max(1.0);
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
