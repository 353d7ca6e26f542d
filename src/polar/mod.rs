//! The disc unwrapped about its pith: azimuth down, distance from the pith along.
//!
//! One sample a photo pixel along the radius, straight from the decoded photo: tight rings are
//! three to five pixels wide, and what is lost here can't be had again. Where the rings of a large
//! photo are wide, `unwrap_coarse` takes the samples of the face instead: the evidence reads a ring
//! at eleven samples, however many are unwrapped.

mod lost_centre;

use crate::face::{self, Face, LUMINANCE};
use crate::outline::WoodEdge;
use crate::photo::Photo;
use crate::pith::Pith;
use crate::plane::{Plane, RowBorder, line_at};
use crate::settings::Settings;
use crate::vectors::widest;

/// Azimuths of the unwrapped disc, one every half degree.
pub const RAYS: usize = 720;

/// The unwrapped disc.
///
/// Holds: `plain` is `[RAYS, reach]` with one sample a pixel from the pith, `grey` the same with one
/// every `step_px`; every value is finite; `visible[ray].0 <= visible[ray].1 <= reach`.
#[derive(Debug, Clone)]
pub struct Polar {
    /// Luminance less its local mean over its local deviation, -3 to 3; 0 where there is no wood.
    pub grey: Plane,
    /// Pixels a sample of `grey` along the radius.
    pub step_px: usize,
    /// Luminance as it is, 0 to 255.
    pub plain: Plane,
    /// First pixel and end of the wood in the photo, a ray.
    pub visible: Vec<(usize, usize)>,
    /// Distance of the wood's edge, px, a ray; beyond `visible` where it is not in the photo.
    pub edge: Vec<f32>,
    /// Whether the edge is in the photo, a ray.
    pub edge_seen: Vec<bool>,
}

/// Where the rays of a disc run.
struct Course {
    visible: Vec<(usize, usize)>,
    edge: Vec<f32>,
    edge_seen: Vec<bool>,
    reach: usize,
}

/// Samples of a face sample's length along the radius, at least: a photo of up to some 34 megapixels is
/// read at every pixel, a larger one at as many samples as one of half or a third of its sides. Cost and
/// the range of ring widths that are looked for ([`crate::ring_width`]) are in samples: at every pixel
/// of 48 megapixels wide rings were beyond it and none was read.
const SAMPLES_A_FACE_SAMPLE: usize = 4;

/// Pixels a sample of a disc that is unwrapped as finely as its photo is read.
pub(crate) fn finest_step_px(photo: &Photo) -> usize {
    let (width, height) = photo.pixels.dimensions();
    (face::step_px(width as usize, height as usize) / SAMPLES_A_FACE_SAMPLE).max(1)
}

/// Unwraps the disc out to the wood's edge, one sample a pixel; of a photo beyond some 34 megapixels
/// one every second or third.
pub fn unwrap(photo: &Photo, pith: &Pith, wood_edge: &WoodEdge, settings: &Settings) -> Polar {
    let step_px = finest_step_px(photo);
    let course = Course::of(photo, pith, wood_edge, settings);
    let plain = sample_rays(photo, pith, &course.visible, 1, course.reach);
    let grey = normalised_at(&plain, &course.visible, step_px);
    course.into_polar(grey, step_px, plain)
}

/// As [`normalised`], with one sample every `step_px`.
fn normalised_at(plain: &Plane, visible: &[(usize, usize)], step_px: usize) -> Plane {
    if step_px == 1 {
        return normalised(plain, visible);
    }
    // What lies between two samples is blurred into them.
    let smooth = plain.blurred(0.4 * step_px as f32, 0.0, RowBorder::Wrap);
    let width = plain.width.div_ceil(step_px);
    let mut data = Vec::with_capacity(width * plain.height);
    for ray in 0..plain.height {
        data.extend(smooth.row(ray).iter().step_by(step_px));
    }
    let thinned = Plane {
        width,
        height: plain.height,
        data,
    };
    normalised(&thinned, &in_samples(visible, step_px))
}

/// Stretches in pixels as stretches in samples.
fn in_samples(visible: &[(usize, usize)], step_px: usize) -> Vec<(usize, usize)> {
    visible
        .iter()
        .map(|(a, b)| (a.div_ceil(step_px), b.div_ceil(step_px)))
        .collect()
}

/// Rays of [`RAYS`] between two rays of a sparsely unwrapped disc.
const SPARSE: usize = 8;

/// Every eighth ray of a disc as finely as the photo is read: enough to tell whether there are rings that a coarsely
/// unwrapped disc doesn't show.
#[derive(Debug, Clone)]
pub struct Sparse {
    /// As in [`Polar`], one ray every four degrees.
    pub grey: Plane,
    /// Pixels a sample of `grey` along the radius.
    pub step_px: usize,
    /// As in [`Polar`].
    pub visible: Vec<(usize, usize)>,
}

/// Unwraps every eighth ray of the disc, as finely as [`unwrap`] does.
pub fn unwrap_sparse(
    photo: &Photo,
    pith: &Pith,
    wood_edge: &WoodEdge,
    settings: &Settings,
) -> Sparse {
    let course = Course::of(photo, pith, wood_edge, settings);
    let visible: Vec<(usize, usize)> = course.visible.iter().copied().step_by(SPARSE).collect();
    let plain = sample_rays(photo, pith, &visible, SPARSE, course.reach);
    let step_px = finest_step_px(photo);
    Sparse {
        grey: normalised_at(&plain, &visible, step_px),
        step_px,
        visible,
    }
}

/// Luminance along every `every`-th ray, one sample a pixel; 0 where nothing is visible.
fn sample_rays(
    photo: &Photo,
    pith: &Pith,
    visible: &[(usize, usize)],
    every: usize,
    reach: usize,
) -> Plane {
    widest(
        #[inline(always)]
        || sample_rays_plain(photo, pith, visible, every, reach),
    )
}

#[inline(always)]
fn sample_rays_plain(
    photo: &Photo,
    pith: &Pith,
    visible: &[(usize, usize)],
    every: usize,
    reach: usize,
) -> Plane {
    let (width, height) = (
        photo.pixels.width() as usize,
        photo.pixels.height() as usize,
    );
    let raw = photo.pixels.as_raw();
    let mut plain = Plane::filled(reach, visible.len(), 0.0);
    let turns: Vec<(f64, f64)> = (0..visible.len())
        .map(|ray| turn(ray * every).sin_cos())
        .collect();
    // Piece by piece on neighbouring rays: a ray down the photo meets a new page of memory at every
    // pixel, and its neighbours meet the same ones.
    for first in (0..visible.len()).step_by(RAYS_AT_ONCE) {
        for start in (0..reach).step_by(PIXELS_AT_ONCE) {
            for ray in first..(first + RAYS_AT_ONCE).min(visible.len()) {
                let (a, b) = visible[ray];
                let (a, b) = (a.max(start), b.min(start + PIXELS_AT_ONCE));
                if a >= b {
                    continue;
                }
                let (sin, cos) = turns[ray];
                for (value, r) in plain.row_mut(ray)[a..b].iter_mut().zip(a..) {
                    let (x, y) = (pith.x_px + r as f64 * cos, pith.y_px + r as f64 * sin);
                    *value = luminance_at(raw, width, height, x, y);
                }
            }
        }
    }
    plain
}

/// Neighbouring rays that are unwrapped together, and pixels of each that are.
const RAYS_AT_ONCE: usize = 45;
const PIXELS_AT_ONCE: usize = 64;

/// Samples along the radius that a coarsely unwrapped disc has at least.
const LEAST_SAMPLES: usize = 350;

/// Unwraps a large disc from the face, one sample a face sample: enough where rings are wide. None
/// where the face has too few samples for that, or as many as the photo.
pub fn unwrap_coarse(
    photo: &Photo,
    face: &Face,
    pith: &Pith,
    wood_edge: &WoodEdge,
    settings: &Settings,
) -> Option<Polar> {
    let step_px = face.step_px;
    let course = Course::of(photo, pith, wood_edge, settings);
    let samples = course.reach.div_ceil(step_px);
    if step_px < 2 || samples < LEAST_SAMPLES {
        return None;
    }
    let visible = in_samples(&course.visible, step_px);
    let mut coarse = Plane::filled(samples, RAYS, 0.0);
    let (x, y) = (face.from_photo_px(pith.x_px), face.from_photo_px(pith.y_px));
    let mut sample = |ray: usize, (a, b): (usize, usize)| {
        let (sin, cos) = turn(ray).sin_cos();
        let row = coarse.row_mut(ray);
        for (i, value) in row.iter_mut().enumerate().take(b).skip(a) {
            let r = i as f64;
            #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
            let place = ((x + r * cos) as f32, (y + r * sin) as f32);
            *value = face.grey.sampled(place.0, place.1);
        }
    };
    for (ray, &visible) in visible.iter().enumerate() {
        widest(
            #[inline(always)]
            || sample(ray, visible),
        );
    }
    let grey = normalised(&coarse, &visible);
    let mut plain = Plane::filled(course.reach, RAYS, 0.0);
    for ray in 0..RAYS {
        let pixels = plain.row_mut(ray).chunks_mut(step_px);
        for (pixels, sample) in pixels.zip(coarse.row(ray)) {
            pixels.fill(*sample);
        }
    }
    Some(course.into_polar(grey, step_px, plain))
}

impl Course {
    fn of(photo: &Photo, pith: &Pith, wood_edge: &WoodEdge, settings: &Settings) -> Course {
        let (width, height) = (
            f64::from(photo.pixels.width()),
            f64::from(photo.pixels.height()),
        );
        let (left, top, right, bottom) = match settings.region_px {
            None => (0.0, 0.0, width, height),
            Some(r) => (
                f64::from(r.x_px),
                f64::from(r.y_px),
                f64::from(r.x_px.saturating_add(r.width_px)).min(width),
                f64::from(r.y_px.saturating_add(r.height_px)).min(height),
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
        Course {
            visible,
            edge,
            edge_seen,
            reach,
        }
    }

    fn into_polar(self, grey: Plane, step_px: usize, plain: Plane) -> Polar {
        Polar {
            grey,
            step_px,
            plain,
            visible: self.visible,
            edge: self.edge,
            edge_seen: self.edge_seen,
        }
    }
}

impl Polar {
    /// The same disc seen by its pores: in place of the luminance stands how much it differs from
    /// ray to ray. In ring-porous wood that rises where a ring begins, whether its pores are darker
    /// or paler than the wood; luminance there has two edges of unlike sign and either may be the
    /// stronger.
    ///
    /// Rays are compared along the rings' course: `course` is a straightened disc's `[rays, levels]`
    /// with the distance from the pith, px, of each level. Compared at one distance from the pith, the narrow
    /// rings of an off-centre disc run into each other where they slope.
    pub fn by_pores(&self, course: &Plane) -> Polar {
        let reach = self.grey.width;
        // The course may be of a coarser disc; pores need a level for every sample.
        let levels = course.width.max(reach).max(2);
        let on_rays: Vec<Vec<f32>> = (0..RAYS)
            .map(|ray| course_on(course, ray, levels))
            .collect();
        let rough = self.roughness(&on_rays);
        let mut unlike = Plane::filled(reach, RAYS, 0.0);
        let mut visible = Vec::with_capacity(RAYS);
        for (ray, radius) in on_rays.iter().enumerate() {
            let (a, b) = self.visible[ray];
            let end = b.min(self.visible[(ray + 1) % RAYS].1).max(a);
            let (a, end) = (a.div_ceil(self.step_px), end.div_ceil(self.step_px));
            let mut below = 0;
            for (value, r) in unlike.row_mut(ray)[a..end].iter_mut().zip(a..) {
                let px = (r * self.step_px) as f32;
                while below + 2 < radius.len() && radius[below + 1] < px {
                    below += 1;
                }
                let part = (px - radius[below]) / (radius[below + 1] - radius[below]).max(1e-6);
                *value = line_at(rough.row(ray), below as f32 + part.clamp(0.0, 1.0));
            }
            visible.push((a, end));
        }
        let grey = normalised(&unlike.map(|v| 40.0 * (v + 0.05).ln()), &visible);
        Polar {
            grey,
            ..self.clone()
        }
    }

    /// How much the luminance differs from ray to ray along the rings' course, `[RAYS, levels]`.
    fn roughness(&self, on_rays: &[Vec<f32>]) -> Plane {
        let levels = on_rays[0].len();
        let mut tone = Plane::filled(levels, RAYS, 0.0);
        let mut seen = Vec::with_capacity(RAYS);
        for (ray, radius) in on_rays.iter().enumerate() {
            let (a, b) = self.visible[ray];
            let first = radius.partition_point(|r| *r < a as f32);
            let end = radius.partition_point(|r| *r < b as f32).max(first);
            let grey = self.grey.row(ray);
            let levels = tone.row_mut(ray)[first..end].iter_mut();
            for (tone, r) in levels.zip(&radius[first..end]) {
                *tone = line_at(grey, r / self.step_px as f32);
            }
            seen.push((first, end));
        }
        let mut rough = Plane::filled(levels, RAYS, 0.0);
        for ray in 0..RAYS {
            let next = (ray + 1) % RAYS;
            let first = seen[ray].0.max(seen[next].0);
            let end = seen[ray].1.min(seen[next].1).max(first);
            let pairs = tone.row(ray)[first..end]
                .iter()
                .zip(&tone.row(next)[first..end]);
            for (rough, (here, there)) in rough.row_mut(ray)[first..end].iter_mut().zip(pairs) {
                *rough = (here - there).abs();
            }
        }
        // Two or three rays to either side: a pore is seen by one or two. With 4 and with 7 nothing
        // is better.
        rough.blurred(0.7, 2.5, RowBorder::Wrap)
    }
}

/// Distance from the pith of each of so many levels on a ray of the unwrapped disc.
fn course_on(course: &Plane, ray: usize, levels: usize) -> Vec<f32> {
    let place = ray * course.height;
    let (row, part) = (place / RAYS, (place % RAYS) as f32 / RAYS as f32);
    let next = course.row((row + 1) % course.height);
    let rows = course.row(row).iter().zip(next);
    let radius: Vec<f32> = rows
        .map(|(here, next)| here + part * (next - here))
        .collect();
    let spacing = (course.width - 1) as f32 / (levels - 1) as f32;
    (0..levels)
        .map(|level| line_at(&radius, level as f32 * spacing))
        .collect()
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
#[inline(always)]
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

/// Samples of the local mean: it needs no full resolution and is taken on a plane shrunk so often.
const SHRINK: usize = 4;

/// Luminance less its local mean over its local deviation, where there is wood.
///
/// The neighbourhood is a fiftieth of the disc along the radius: a few rings, narrower than stain,
/// shadow and heartwood.
fn normalised(plain: &Plane, visible: &[(usize, usize)]) -> Plane {
    let width = plain.width;
    let sigma = (width as f32 / 50.0 / SHRINK as f32).clamp(2.0, 10.0);
    let blur = |plane: &Plane| plane.blurred(sigma, 3.0, RowBorder::Wrap);
    let small = plain.shrunk(SHRINK, 1);
    let weight = blur(&shrunk_mask(visible, small.width)).map(|v| v + 1e-3);
    let mean = blur(&small).with(&weight, |a, b| a / b);
    // Power about the mean, at full resolution before it is shrunk.
    let mut deviation = Plane::filled(width, plain.height, 0.0);
    let mut power = Plane::filled(small.width, plain.height, 0.0);
    let mut line = vec![0.0f32; width];
    for (ray, &(a, b)) in visible.iter().enumerate() {
        lengthen(mean.row(ray), &mut line);
        let row = &mut deviation.row_mut(ray)[..b];
        let wood = plain.row(ray)[a..b].iter().zip(&line[a..b]);
        for (value, (plain, mean)) in row[a..].iter_mut().zip(wood) {
            *value = plain - mean;
        }
        let blocks = deviation.row(ray).chunks_exact(SHRINK);
        for (power, block) in power.row_mut(ray).iter_mut().zip(blocks) {
            *power = block.iter().map(|v| v * v).sum::<f32>() * (1.0 / SHRINK as f32);
        }
    }
    let sd = blur(&power).with(&weight, |a, b| a / b);
    for (ray, &(a, b)) in visible.iter().enumerate() {
        lengthen(sd.row(ray), &mut line);
        for (value, power) in deviation.row_mut(ray)[a..b].iter_mut().zip(&line[a..b]) {
            // 2 grey levels: below that, contrast is the camera's noise.
            *value = (*value / (power.max(0.0).sqrt() + 2.0)).clamp(-3.0, 3.0);
        }
    }
    deviation
}

/// Share of each block of [`SHRINK`] samples that is wood.
fn shrunk_mask(visible: &[(usize, usize)], width: usize) -> Plane {
    let mut mask = Plane::filled(width, visible.len(), 0.0);
    for (ray, &(a, b)) in visible.iter().enumerate() {
        for (block, share) in mask.row_mut(ray).iter_mut().enumerate() {
            let (first, end) = (block * SHRINK, (block + 1) * SHRINK);
            let inside = end.min(b).saturating_sub(first.max(a));
            *share = inside as f32 / SHRINK as f32;
        }
    }
    mask
}

/// A row of block means as long as the samples they were made of, straight between the middles of
/// the blocks.
fn lengthen(means: &[f32], line: &mut [f32]) {
    let last = means.len() - 1;
    for (block, four) in line.chunks_mut(SHRINK).enumerate() {
        let here = means[block.min(last)];
        let (before, after) = (
            means[block.saturating_sub(1).min(last)],
            means[(block + 1).min(last)],
        );
        let up = [0.625, 0.875].map(|part| before + part * (here - before));
        let down = [0.125, 0.375].map(|part| here + part * (after - here));
        let values = [up[0], up[1], down[0], down[1]];
        four.copy_from_slice(&values[..four.len()]);
    }
}

#[cfg(test)]
impl Polar {
    /// A disc of a radius, px, whose tone goes by the distance from the pith.
    pub(crate) fn of_tone(radius: usize, tone: impl Fn(usize) -> f32) -> Polar {
        let mut plain = Plane::filled(radius + 10, RAYS, 0.0);
        for ray in 0..RAYS {
            for (r, value) in plain.row_mut(ray).iter_mut().enumerate() {
                *value = tone(r);
            }
        }
        Polar {
            grey: plain.clone(),
            step_px: 1,
            plain,
            visible: vec![(0, radius); RAYS],
            edge: vec![radius as f32; RAYS],
            edge_seen: vec![true; RAYS],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plane::line_at;
    use crate::reading::{OutlineState, PithState};
    use image::{Rgb, RgbImage};

    #[test]
    fn block_means_are_lengthened_straight_between_their_middles() {
        let means = [3.0, 7.0, 5.0, 11.0];
        for n in [14, 16, 19] {
            let mut line = vec![0.0; n];
            lengthen(&means, &mut line);
            for (i, value) in line.iter().enumerate() {
                let expected = line_at(&means, (i as f32 + 0.5) / SHRINK as f32 - 0.5);
                assert!((value - expected).abs() < 1e-6, "{i} of {n}");
            }
        }
    }

    #[test]
    fn a_shrunk_mask_has_the_share_of_wood_in_each_block() {
        let mask = shrunk_mask(&[(0, 8), (3, 9), (5, 5)], 3);
        assert_eq!(mask.data, [1.0, 1.0, 0.0, 0.25, 1.0, 0.25, 0.0, 0.0, 0.0]);
    }

    /// Rings of 80 px about a place off the middle of a photo of 3 px a face sample.
    #[test]
    fn a_coarse_disc_and_a_sparse_one_show_what_every_pixel_shows() {
        let (x, y) = (1290.3, 1330.8);
        let pixels = RgbImage::from_fn(2700, 2700, |px, py| {
            let r = (f64::from(px) - x).hypot(f64::from(py) - y);
            let tone = 130.0 + 60.0 * (r / 80.0 * std::f64::consts::TAU).sin();
            Rgb([tone.round() as u8; 3])
        });
        let settings = Settings::default();
        let photo = Photo {
            file: "log-7.jpg".to_owned(),
            sha256: String::new(),
            pixels,
        };
        let face = face::view(&photo, &settings);
        let pith = Pith {
            x_px: x,
            y_px: y,
            sd_px: 1.0,
            state: PithState::Seen,
            agreement: 1.0,
        };
        let edge = WoodEdge {
            radius_px: vec![1200.0; 360],
            in_photo: vec![true; 360],
            state: OutlineState::Wood,
            contrast: 5.0,
        };
        let whole = unwrap(&photo, &pith, &edge, &settings);
        let sparse = unwrap_sparse(&photo, &pith, &edge, &settings);
        assert_eq!(sparse.visible[7], whole.visible[7 * SPARSE]);
        let coarse = unwrap_coarse(&photo, &face, &pith, &edge, &settings).expect("a large disc");
        assert_eq!(
            (face.step_px, coarse.step_px, coarse.visible[9]),
            (3, 3, whole.visible[9])
        );
        for ray in [0, 100, 333, 719] {
            for sample in 20..380 {
                let (fine, rough) = (whole.grey.at(3 * sample, ray), coarse.grey.at(sample, ray));
                assert!(
                    (fine - rough).abs() < 0.1,
                    "{fine} {rough} at {sample}, ray {ray}"
                );
            }
        }
    }

    /// Share of the radius that rings have toward an angle on a very off-centre disc.
    fn off_centre(angle: f64) -> f64 {
        1.0 + 0.4 * angle.cos()
    }

    /// Rings of 12 px, pores in the first third of each, differing from ray to ray as `off_centre` has it.
    fn pores() -> Polar {
        let reach = 700;
        let mut grey = Plane::filled(reach, RAYS, 0.0);
        for ray in 0..RAYS {
            for (r, value) in grey.row_mut(ray).iter_mut().enumerate() {
                let phase = (r as f64 / off_centre(turn(ray)) / 12.0).fract();
                let is_pore = (ray * 7919 + r / 3 * 104_729) % 31 < 12;
                *value = f32::from(u8::from(phase < 0.33 && is_pore));
            }
        }
        Polar {
            plain: grey.clone(),
            grey,
            step_px: 1,
            visible: vec![(0, reach); RAYS],
            edge: vec![reach as f32; RAYS],
            edge_seen: vec![true; RAYS],
        }
    }

    /// By how much the pores' third of a ring is more unlike from ray to ray than the rest, where rings slope most.
    fn stands_out(polar: &Polar) -> f32 {
        let mut sums = [(0.0f32, 0.0f32); 2];
        for ray in 160..200 {
            for r in 300..500 {
                let phase = (r as f64 / off_centre(turn(ray)) / 12.0).fract();
                let sum = &mut sums[usize::from(phase > 0.33)];
                *sum = (sum.0 + polar.grey.at(r, ray), sum.1 + 1.0);
            }
        }
        sums[0].0 / sums[0].1 - sums[1].0 / sums[1].1
    }

    #[test]
    fn pores_of_sloping_rings_stand_out_along_the_rings_course() {
        let disc = pores();
        let course = |shape: fn(f64) -> f64| {
            let mut plane = Plane::filled(700, 360, 0.0);
            for ray in 0..360 {
                let ratio = shape((ray as f64).to_radians()) as f32;
                for (level, r) in plane.row_mut(ray).iter_mut().enumerate() {
                    *r = level as f32 * ratio;
                }
            }
            plane
        };
        let along = stands_out(&disc.by_pores(&course(off_centre)));
        let at_one_distance = stands_out(&disc.by_pores(&course(|_| 1.0)));
        // Every third level, as of a disc that was unwrapped coarsely first.
        let fine = course(off_centre);
        let mut coarse = Plane::filled(234, 360, 0.0);
        for ray in 0..360 {
            for (level, r) in coarse.row_mut(ray).iter_mut().enumerate() {
                *r = fine.at(3 * level, ray);
            }
        }
        let by_coarse = stands_out(&disc.by_pores(&coarse));
        assert!((by_coarse - along).abs() < 0.05, "{by_coarse} {along}");
        assert!(
            along > 1.2 && at_one_distance < 0.5 * along,
            "{along} along the rings, {at_one_distance} at one distance from the pith"
        );
    }
}
