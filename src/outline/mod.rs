//! Where the wood ends: a closed path about the pith.
//!
//! Photo and reader see the wood's edge by three signs: up to it the grain runs round the pith and
//! beyond it does not; the colours inside differ from those outside; and the change is sudden.
//! None suffices alone: a heartwood edge is a sudden change of colour too, faint wood shows little
//! grain at the working size, and sawdust has the colour of wood. How much the grain runs round is told by
//! the luminance's change along the ray and across it, over one length (`rays`). So every place is given odds of
//! being wood from grain and colour, the colours being learned from the photo itself in a few
//! rounds; every place on a ray is given the sharpness of the change across it; and the closed path
//! that gathers most (dynamic programming round the pith) is the edge. A last round tells wood from
//! bark close to that path, and a closer look in the photo's own pixels from inner bark. Whether bark is
//! there at all is told last, from what lies next to the edge and from the ground.

mod bark;
mod cambium;
mod odds;
mod path;
mod rays;
mod search;

use bark::{has_bark, inside_bark};
use rays::{CHANCE_GRAIN, RAYS, Rays, STEP, cast};
use search::{beyond_frame, change, grain_beyond, segment};

use crate::face::Face;
use crate::photo::Photo;
use crate::pith::Pith;
use crate::reading::{AZIMUTHS, OutlineState};

/// The wood's edge about the pith.
///
/// Holds: one finite distance above 0 a degree of azimuth, also where the edge lies outside the photo (there it
/// is the frame's, and `in_photo` is false).
#[derive(Debug, Clone)]
pub struct WoodEdge {
    /// Distance from the pith, photo px, one a degree.
    pub radius_px: Vec<f64>,
    /// Whether the edge is in the photo there.
    pub in_photo: Vec<bool>,
    /// What was found.
    pub state: OutlineState,
    /// Mean sharpness of the change across the path, in local standard deviations.
    pub contrast: f64,
}

/// Rays, of a hundred, whose edge must be in the photo for the edge not to be the frame's.
const LEAST_SEEN: usize = 60;

/// Least sharpness of the change at an edge that is clear.
const CLEAR: f64 = 1.5;

/// Finds the wood's edge.
pub fn trace(photo: &Photo, face: &Face, pith: &Pith) -> WoodEdge {
    let rays = cast(face, pith);
    let mut path = inside_bark(&rays, &segment(&rays));
    let mut is_in = in_frame(&rays, &path);
    // Hardly any change across the path and grain on both sides of it: wood that fills the photo.
    if contrast(&rays, &path, &is_in) < CLEAR && grain_beyond(&rays, &path) > CHANCE_GRAIN {
        path = beyond_frame(&rays);
        is_in = in_frame(&rays, &path);
    }
    let px = f64::from(STEP) * face.step_px as f64;
    let rough_px = smoothed(&path.iter().map(|at| *at as f64 * px).collect::<Vec<_>>());
    let radius_px = by_degree(&smoothed(&cambium::closer(photo, pith, &rough_px, &is_in)));
    let (contrast, seen) = (contrast(&rays, &path, &is_in), count(&is_in));
    let state = if seen * 100 < RAYS * LEAST_SEEN {
        OutlineState::Frame
    } else if contrast < CLEAR {
        OutlineState::Unclear
    } else {
        let on_rays = radius_px.iter().step_by(AZIMUTHS / RAYS);
        let samples: Vec<f64> = on_rays.map(|r| r / px).collect();
        if has_bark(&rays, &samples, &is_in) {
            OutlineState::Bark
        } else {
            OutlineState::Wood
        }
    };
    let in_photo = (0..AZIMUTHS)
        .map(|degree| {
            let (ray, odd) = (degree * RAYS / AZIMUTHS, degree % (AZIMUTHS / RAYS) != 0);
            is_in[ray] && (!odd || is_in[(ray + 1) % RAYS])
        })
        .collect();
    WoodEdge {
        radius_px,
        in_photo,
        state,
        contrast,
    }
}

/// Whether a path is in the photo, for each ray.
fn in_frame(rays: &Rays, path: &[usize]) -> Vec<bool> {
    path.iter()
        .zip(&rays.visible)
        .map(|(at, seen)| at + 2 < *seen)
        .collect()
}

fn count(are: &[bool]) -> usize {
    are.iter().filter(|is| **is).count()
}

/// Mean sharpness of the change at a path, of the rays on which it is in the photo.
fn contrast(rays: &Rays, path: &[usize], is_in: &[bool]) -> f64 {
    let n = rays.texture.width;
    let near = |ray: usize| path[ray].saturating_sub(2)..(path[ray] + 3).min(n);
    let change = change(rays, 0.06, near);
    let sharpest = |ray: usize| {
        let near = near(ray).map(|i| change.data[ray * n + i]);
        f64::from(near.fold(0.0f32, f32::max))
    };
    let sum: f64 = (0..RAYS).filter(|ray| is_in[*ray]).map(sharpest).sum();
    sum / count(is_in).max(1) as f64
}

/// Distances on rays, smoothed a little.
fn smoothed(path_px: &[f64]) -> Vec<f64> {
    (0..RAYS)
        .map(|ray| {
            let at = |d: usize| path_px[(ray + RAYS + d - 1) % RAYS];
            ((at(0) + 2.0 * at(1) + at(2)) / 4.0).max(1.0)
        })
        .collect()
}

/// Distances on rays as distances a degree.
fn by_degree(on_rays: &[f64]) -> Vec<f64> {
    (0..AZIMUTHS)
        .map(|degree| {
            let (ray, odd) = (degree * RAYS / AZIMUTHS, degree % (AZIMUTHS / RAYS) != 0);
            if odd {
                (on_rays[ray] + on_rays[(ray + 1) % RAYS]) / 2.0
            } else {
                on_rays[ray]
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::face;
    use crate::reading::PithState;
    use crate::settings::Settings;
    use image::{Rgb, RgbImage};

    /// A ringed disc on a flat ground of another colour.
    fn photo_of_disc(middle: (f32, f32), radius: f32, width: u32, height: u32) -> Photo {
        photo_of_disc_with(middle, radius, width, height, |_, ground| ground)
    }

    /// The same with what lies next to its edge as a function of the distance from it and of the ground there.
    fn photo_of_disc_with(
        middle: (f32, f32),
        radius: f32,
        width: u32,
        height: u32,
        beyond: impl Fn(f32, [f32; 3]) -> [f32; 3],
    ) -> Photo {
        let pixels = RgbImage::from_fn(width, height, |x, y| {
            let r = (x as f32 - middle.0).hypot(y as f32 - middle.1);
            // Ground with a little texture of its own, so that it is not told by flatness alone.
            let speck = ((x * 7919 + y * 104_729) % 31) as f32 - 15.0;
            let colour = if r < radius {
                let tone = 170.0 + 25.0 * (r / 6.0 * std::f32::consts::TAU).sin();
                [tone + 20.0, tone - 5.0, tone - 52.0]
            } else {
                beyond(r - radius, [88.0 + speck, 93.0 + speck, 85.0 + speck])
            };
            Rgb(colour.map(|v| v.round() as u8))
        });
        Photo {
            file: "log-7.jpg".to_owned(),
            sha256: String::new(),
            pixels,
        }
    }

    pub(super) fn pith_at(face: &Face, (x, y): (f32, f32)) -> Pith {
        let (x_px, y_px) = (
            face.to_photo_px(f64::from(x)),
            face.to_photo_px(f64::from(y)),
        );
        Pith {
            x_px,
            y_px,
            sd_px: 1.0,
            state: PithState::Seen,
            agreement: 1.0,
        }
    }

    #[test]
    fn the_edge_of_a_disc_is_found_within_a_step_and_a_half() {
        let (middle, radius) = ((165.0, 150.0), 110.0);
        let photo = photo_of_disc(middle, radius, 340, 300);
        let face = face::view(&photo, &Settings::default());
        let edge = trace(&photo, &face, &pith_at(&face, (170.0, 150.0)));
        assert_eq!(
            (edge.radius_px.len(), edge.in_photo.len()),
            (AZIMUTHS, AZIMUTHS)
        );
        for (degree, found) in edge.radius_px.iter().enumerate() {
            // Seen from 5 samples to the right of the middle (law of cosines).
            let (sin, cos) = (degree as f64).to_radians().sin_cos();
            let expected = -5.0 * cos + (110.0f64.powi(2) - (5.0 * sin).powi(2)).sqrt();
            let off = found / face.step_px as f64 - expected;
            assert!(
                off.abs() < 1.5 * f64::from(STEP),
                "{off} samples off at {degree} degrees"
            );
        }
        assert!(edge.in_photo.iter().all(|is_in| *is_in));
        assert!(edge.contrast > 2.0, "{}", edge.contrast);
        assert_eq!(edge.state, OutlineState::Wood);
    }

    #[test]
    fn bark_is_told_from_the_stems_own_shadow() {
        let state = |beyond: fn(f32, [f32; 3]) -> [f32; 3]| {
            let photo = photo_of_disc_with((165.0, 150.0), 100.0, 340, 300, beyond);
            let face = face::view(&photo, &Settings::default());
            trace(&photo, &face, &pith_at(&face, (165.0, 150.0))).state
        };
        let shadow = |beyond: f32, ground: [f32; 3]| {
            let light = if beyond < 9.0 { 0.5 } else { 1.0 };
            ground.map(|v| v * light)
        };
        let bark = |beyond: f32, ground: [f32; 3]| {
            if beyond < 9.0 {
                [95.0, 62.0, 38.0]
            } else {
                ground
            }
        };
        assert_eq!(state(shadow), OutlineState::Wood);
        assert_eq!(state(bark), OutlineState::Bark);
    }

    #[test]
    fn a_disc_larger_than_the_photo_ends_at_the_frame() {
        let photo = photo_of_disc((150.0, 130.0), 400.0, 300, 260);
        let face = face::view(&photo, &Settings::default());
        let edge = trace(&photo, &face, &pith_at(&face, (150.0, 130.0)));
        assert_eq!(edge.state, OutlineState::Frame);
        assert!(edge.in_photo.iter().filter(|is_in| !**is_in).count() > 300);
    }
}
