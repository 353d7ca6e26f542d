//! Where the wood ends: a closed path about the pith.
//!
//! Photo and reader see the wood's edge by three signs: up to it the grain runs round the pith and
//! beyond it does not; the colours inside differ from those outside; and the change is sudden.
//! None suffices alone: a heartwood edge is a sudden change of colour too, faint wood shows little
//! grain at the working size, and sawdust has the colour of wood. So every place is given odds of
//! being wood from grain and colour, the colours being learned from the photo itself in a few
//! rounds; every place on a ray is given the sharpness of the change across it; and the closed path
//! that gathers most (dynamic programming round the pith) is the edge. A last round tells wood from
//! bark close to that path, and a closer look in the photo's own pixels from inner bark. Whether bark is
//! there at all is told last, from what lies next to the edge and from the ground.

mod cambium;
mod odds;
mod path;

use odds::{colour_bin, learn, odds_of, texture_bin};
use path::{closed_path, gathered};

use crate::face::Face;
use crate::photo::Photo;
use crate::pith::Pith;
use crate::plane::{Plane, RowBorder};
use crate::reading::{AZIMUTHS, OutlineState};
use crate::vectors::widest;

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

/// Rays of the search, one every two degrees.
const RAYS: usize = 180;

/// Radial step of the search, face samples.
const STEP: f32 = 2.0;

/// What the change across the path weighs beside the odds gathered along a ray.
const CHANGE_WEIGHT: f32 = 3.5;

/// What a path that leaves the frame is taken to have as change there.
const FRAME_CHANGE: f32 = 1.5;

/// Drop of the odds gathered along a ray from which it has left the wood for good (a shadow on the ground, a
/// layer of bark): two samples that are nothing like it.
const LEFT: f32 = 14.0;

/// Stretches of a ray next to the edge and well outside of any bark, as shares of the edge's distance.
const NEXT: std::ops::Range<f64> = 1.0..1.035;
const GROUND: std::ops::Range<f64> = 1.2..1.45;

/// Grey levels that count as one in the distance between two colours, on the axes luminance, red-green and
/// yellow-blue; the distance from which they are unlike; the least light that a shadow leaves.
const LEVELS: [f32; 3] = [10.0, 5.0, 5.0];
const UNLIKE: f32 = 1.5;
const DARKEST: f32 = 0.3;

struct Rays {
    /// Luminance, red-green, yellow-blue: `[ray, radius]`.
    colour: [Plane; 3],
    /// Texture: logarithm of the local luminance deviation.
    texture: Plane,
    /// How much the grain runs round the pith, -1 to 1.
    roundness: Plane,
    /// Bin of each sample in the histograms of colour and of texture.
    bins: Vec<(u16, u8)>,
    /// Samples of each ray inside the frame.
    visible: Vec<usize>,
}

/// Finds the wood's edge.
pub fn trace(photo: &Photo, face: &Face, pith: &Pith) -> WoodEdge {
    let rays = cast(face, pith);
    let mut path = segment(&rays);
    path = inside_bark(&rays, &path);
    let mut edge = closer(photo, pith, describe(face, &rays, &path));
    if edge.state == OutlineState::Bark && !has_bark(face, &rays, &edge) {
        edge.state = OutlineState::Wood;
    }
    edge
}

/// Unwraps the face about the pith.
fn cast(face: &Face, pith: &Pith) -> Rays {
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

/// The path between wood (with or without bark) and what lies outside.
///
/// Learning goes where its start points, so there are several starts: the grain alone, the change
/// alone, and circles of three sizes. The path kept is the one with the sharpest change across it
/// and the most grain inside it but not beyond it.
fn segment(rays: &Rays) -> Vec<usize> {
    let n = rays.texture.width;
    let contrast = change(rays, 0.10, |_| 0..n);
    // 0.25: what background textures reach by chance.
    let by_grain = best_path(rays, &rays.roundness.map(|v| (v - 0.25) * 0.6), &contrast);
    let by_change = best_path(rays, &Plane::filled(n, RAYS, 0.0), &contrast);
    let mut starts = vec![by_grain, by_change];
    for share in [0.35, 0.55, 0.8] {
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of a length"
        )]
        let circle = |seen: &usize| ((*seen as f32 * share).round() as usize).max(1);
        starts.push(rays.visible.iter().map(circle).collect());
    }
    let mut found = Vec::new();
    // Most starts soon run into the same paths: what follows on a path is worked out once.
    let mut known: Vec<(Vec<usize>, Vec<usize>)> = Vec::new();
    let mut follow = |path: &Vec<usize>| {
        if let Some((_, next)) = known.iter().find(|(from, _)| from == path) {
            return next.clone();
        }
        let next = best_path(rays, &odds_of(rays, &learn(rays, path)), &contrast);
        known.push((path.clone(), next.clone()));
        next
    };
    for mut path in starts {
        for _ in 0..4 {
            let next = follow(&path);
            if next == path {
                break;
            }
            path = next;
        }
        found.push((merit(rays, &contrast, &path), path));
    }
    // A heartwood or hollow edge can be as sharp as the wood's own, but it lies further in: of the
    // paths that are about as good as the best the outermost is the wood's edge.
    let beyond = |path: &[usize]| {
        path.iter()
            .zip(&rays.visible)
            .filter(|(at, seen)| **at + 2 >= **seen)
            .count()
    };
    let Some((most, framed)) = found
        .iter()
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(m, path)| (*m, beyond(path)))
    else {
        return Vec::new();
    };
    found.retain(|(merit, path)| *merit >= 0.6 * most && beyond(path) <= framed + RAYS / 8);
    let size = |path: &[usize]| path.iter().sum::<usize>();
    found
        .into_iter()
        .map(|(_, path)| path)
        .max_by_key(|path| size(path))
        .unwrap_or_default()
}

/// How much a path looks like the wood's edge: change across it, grain inside but not beyond it.
fn merit(rays: &Rays, contrast: &Plane, path: &[usize]) -> f32 {
    let (mut change, mut grain) = (0.0, 0.0);
    for (ray, &at) in path.iter().enumerate() {
        let seen = rays.visible[ray];
        let mean = |a: usize, b: usize| {
            let (a, b) = (a.min(seen), b.min(seen));
            if b > a {
                rays.roundness.row(ray)[a..b].iter().sum::<f32>() / (b - a) as f32
            } else {
                0.0
            }
        };
        // An edge beyond the frame counts as a weak change.
        change += if at + 2 >= seen {
            FRAME_CHANGE
        } else {
            contrast.at(at, ray).min(8.0)
        };
        grain += mean(at * 70 / 100, at * 95 / 100) - mean(at * 108 / 100 + 2, at * 130 / 100 + 6);
    }
    (change + 6.0 * grain) / RAYS as f32
}

/// Two-sample distance between the stretch inside and the stretch outside of places on the rays:
/// those that `wanted` gives for each ray, 0 elsewhere. A stretch is as long as a `share` of the
/// distance from the pith.
fn change(rays: &Rays, share: f32, wanted: impl Fn(usize) -> std::ops::Range<usize>) -> Plane {
    widest(
        #[inline(always)]
        || change_plain(rays, share, wanted),
    )
}

#[inline(always)]
fn change_plain(
    rays: &Rays,
    share: f32,
    wanted: impl Fn(usize) -> std::ops::Range<usize>,
) -> Plane {
    let n = rays.texture.width;
    let mut out = Plane::filled(n, RAYS, 0.0);
    let fields: Vec<(Plane, f32)> = rays
        .colour
        .iter()
        .zip([6.0f32, 4.0, 4.0])
        .map(|(p, floor)| (p.blurred(0.0, 1.5, RowBorder::Wrap), floor))
        .chain([(rays.texture.clone(), 5.0)])
        .collect();
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a small positive length, rounded"
    )]
    let lengths: Vec<usize> = (0..n)
        .map(|i| ((i as f32 * share + 0.5) as usize).clamp(3, 40))
        .collect();
    // Sums of the values and of their squares before each sample of a ray.
    let mut sums = vec![(0.0f64, 0.0f64); n + 1];
    for (plane, floor) in &fields {
        for ray in 0..RAYS {
            let (mut sum, mut square) = (0.0, 0.0);
            for (v, sums) in plane.row(ray).iter().zip(&mut sums[1..]) {
                let v = f64::from(*v);
                sum += v;
                square += v * v;
                *sums = (sum, square);
            }
            let stretch = |a: usize, b: usize| {
                let share = 1.0 / (b - a) as f64;
                let mean = (sums[b].0 - sums[a].0) * share;
                (
                    mean,
                    ((sums[b].1 - sums[a].1) * share - mean * mean).max(0.0),
                )
            };
            let seen = rays.visible[ray];
            let wanted = wanted(ray);
            let end = wanted.end.min(seen.saturating_sub(2));
            for (i, &w) in lengths
                .iter()
                .enumerate()
                .take(end)
                .skip(wanted.start.max(3))
            {
                let (a, b) = (i.saturating_sub(w), (i + w).min(seen));
                if i - a < 2 || b - i < 3 {
                    continue;
                }
                let (inside, vi) = stretch(a, i);
                let (outside, vo) = stretch(i + 1, b);
                let sd = (0.5 * (vi + vo)).sqrt() + f64::from(*floor);
                #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
                let d = ((inside - outside).abs() / sd).min(4.0) as f32;
                out.data[ray * n + i] += d;
            }
        }
    }
    out
}

/// The closed path that gathers most: odds of wood inside it, change across it, smoothness.
fn best_path(rays: &Rays, odds: &Plane, contrast: &Plane) -> Vec<usize> {
    widest(
        #[inline(always)]
        || best_path_plain(rays, odds, contrast),
    )
}

#[inline(always)]
fn best_path_plain(rays: &Rays, odds: &Plane, contrast: &Plane) -> Vec<usize> {
    let n = odds.width;
    let mut gain = Plane::filled(n, RAYS, f32::MIN);
    for ray in 0..RAYS {
        let seen = rays.visible[ray];
        let mut sum = 0.0;
        for i in 0..seen {
            // A path nearer than a twentieth of the frame is no disc.
            if i * 20 > n {
                gain.data[ray * n + i] = sum + CHANGE_WEIGHT * contrast.data[ray * n + i];
            }
            sum += odds.data[ray * n + i];
        }
        // The wood goes on beyond the frame: as good as a fair change, and no place there better
        // than another but for a slight pull inward.
        for i in seen..n {
            gain.data[ray * n + i] = sum + CHANGE_WEIGHT * FRAME_CHANGE - 0.02 * (i - seen) as f32;
        }
    }
    closed_path(&gain, 3, 0.6)
}

/// Moves the path inside the bark where there is bark: to where the ray leaves the colours that
/// the wood has just inside.
fn inside_bark(rays: &Rays, path: &[usize]) -> Vec<usize> {
    let n = rays.texture.width;
    // Model of the wood near the edge: mean and sd of the colours between 70 and 90 % of the path.
    // Sums of the values, of their squares and of the samples on each ray first.
    let floors = [7.0f32, 4.0, 4.0];
    let sums: Vec<[(f32, f32, f32); 3]> = (0..RAYS)
        .map(|ray| {
            let seen = rays.visible[ray];
            let stretch = (path[ray] * 70 / 100).min(seen)..(path[ray] * 90 / 100).min(seen);
            rays.colour.each_ref().map(|plane| {
                let wood = &plane.row(ray)[stretch.clone()];
                (
                    wood.iter().sum(),
                    wood.iter().map(|v| v * v).sum(),
                    wood.len() as f32,
                )
            })
        })
        .collect();
    let model: Vec<[(f32, f32); 3]> = (0..RAYS)
        .map(|ray| {
            std::array::from_fn(|axis| {
                let (mut sum, mut square, mut count) = (0.0f32, 0.0f32, 0.0f32);
                for d in 0..15 {
                    let (s, q, c) = sums[(ray + RAYS + d - 7) % RAYS][axis];
                    sum += s;
                    square += q;
                    count += c;
                }
                let mean = sum / count.max(1.0);
                (
                    mean,
                    ((square / count.max(1.0) - mean * mean).max(0.0)).sqrt() + floors[axis],
                )
            })
        })
        .collect();
    let mut gain = Plane::filled(n, RAYS, f32::MIN);
    for ray in 0..RAYS {
        let seen = rays.visible[ray];
        if path[ray] + 2 >= seen {
            // The edge lies outside the frame here.
            for i in seen.saturating_sub(2)..n {
                gain.data[ray * n + i] = 0.0;
            }
            continue;
        }
        let (low, high) = (path[ray] * 80 / 100, (path[ray] * 106 / 100 + 2).min(n - 1));
        let odds = (low..=high.max(low)).map(|i| {
            let at = ray * n + i;
            let mut distance = 0.0f32;
            for ((mean, sd), plane) in model[ray].iter().zip(&rays.colour) {
                distance += ((plane.data[at] - mean) / sd).powi(2);
            }
            // Wood lies within about 2.6 sd over the three axes (7 of chi-square).
            (7.0 - distance).clamp(-7.0, 3.0)
        });
        for (i, sum) in (low..).zip(gathered(odds, LEFT)) {
            gain.data[ray * n + i] = sum;
        }
    }
    closed_path(&gain, 2, 1.5)
}

/// The edge looked at closely, in the photo's own pixels.
fn closer(photo: &Photo, pith: &Pith, edge: WoodEdge) -> WoodEdge {
    let every = AZIMUTHS / RAYS;
    let rough: Vec<f64> = edge.radius_px.iter().step_by(every).copied().collect();
    let in_photo: Vec<bool> = edge.in_photo.iter().step_by(every).copied().collect();
    let found = cambium::closer(photo, pith, &rough, &in_photo);
    WoodEdge {
        radius_px: by_degree(&found),
        ..edge
    }
}

/// Path to distances a degree, with what was found at it.
fn describe(face: &Face, rays: &Rays, path: &[usize]) -> WoodEdge {
    let n = rays.texture.width;
    let near = |ray: usize| path[ray].saturating_sub(2)..(path[ray] + 3).min(n);
    let contrast_plane = change(rays, 0.06, near);
    let px = f64::from(STEP) * face.step_px as f64;
    let outside: Vec<bool> = (0..RAYS)
        .map(|ray| path[ray] + 2 >= rays.visible[ray])
        .collect();
    let path_px: Vec<f64> = path.iter().map(|at| *at as f64 * px).collect();
    let in_photo = (0..AZIMUTHS)
        .map(|degree| {
            let (ray, odd) = (degree * RAYS / AZIMUTHS, degree % (AZIMUTHS / RAYS) != 0);
            !outside[ray] && (!odd || !outside[(ray + 1) % RAYS])
        })
        .collect();
    let (mut contrast, mut count) = (0.0, 0usize);
    for ray in (0..RAYS).filter(|ray| !outside[*ray]) {
        contrast += f64::from(
            near(ray)
                .map(|i| contrast_plane.data[ray * n + i])
                .fold(0.0f32, f32::max),
        );
        count += 1;
    }
    let contrast = contrast / count.max(1) as f64;
    let state = if count * 100 < RAYS * 60 {
        OutlineState::Frame
    } else if contrast < 1.5 {
        OutlineState::Unclear
    } else {
        // Or bare wood: told once the edge is found closely.
        OutlineState::Bark
    };
    WoodEdge {
        radius_px: by_degree(&path_px),
        in_photo,
        state,
        contrast,
    }
}

/// Whether bark lies outside the edge: on most rays what is next to it is neither ground, as it lies
/// further out on the ray, nor ground in the stem's shadow.
fn has_bark(face: &Face, rays: &Rays, edge: &WoodEdge) -> bool {
    let px = f64::from(STEP) * face.step_px as f64;
    let (mut compared, mut unlike) = (0usize, 0usize);
    for ray in 0..RAYS {
        let degree = ray * AZIMUTHS / RAYS;
        let radius = edge.radius_px[degree] / px;
        let mean = |share: std::ops::Range<f64>| {
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a place on a ray, in samples"
            )]
            let at = |share: f64| (radius * share).round() as usize;
            // A sample more: the one on the edge has something of both sides.
            let start = at(share.start) + 1;
            let stretch = start..at(share.end).max(start + 1).min(rays.visible[ray]);
            let samples = stretch.len() as f32;
            (samples > 0.0).then(|| {
                rays.colour
                    .each_ref()
                    .map(|plane| plane.row(ray)[stretch.clone()].iter().sum::<f32>() / samples)
            })
        };
        let (true, Some(near), Some(ground)) = (edge.in_photo[degree], mean(NEXT), mean(GROUND))
        else {
            continue;
        };
        compared += 1;
        if shaded_distance(near, ground) > UNLIKE {
            unlike += 1;
        }
    }
    unlike * 2 > compared
}

/// Distance between a colour and the nearest shade of another.
fn shaded_distance(colour: [f32; 3], of: [f32; 3]) -> f32 {
    let product = |a: [f32; 3], b: [f32; 3]| -> f32 {
        (0..3)
            .map(|axis| a[axis] * b[axis] / (LEVELS[axis] * LEVELS[axis]))
            .sum()
    };
    let light = (product(colour, of) / product(of, of).max(1.0)).clamp(DARKEST, 1.0);
    let rest = std::array::from_fn(|axis| colour[axis] - light * of[axis]);
    product(rest, rest).sqrt()
}

/// Distances on rays, smoothed a little, as distances a degree.
fn by_degree(path_px: &[f64]) -> Vec<f64> {
    let smooth: Vec<f64> = (0..RAYS)
        .map(|ray| {
            let at = |d: usize| path_px[(ray + RAYS + d - 1) % RAYS];
            (at(0) + 2.0 * at(1) + at(2)) / 4.0
        })
        .collect();
    (0..AZIMUTHS)
        .map(|degree| {
            let (ray, odd) = (degree * RAYS / AZIMUTHS, degree % (AZIMUTHS / RAYS) != 0);
            let px = if odd {
                (smooth[ray] + smooth[(ray + 1) % RAYS]) / 2.0
            } else {
                smooth[ray]
            };
            px.max(1.0)
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

    fn pith_at(face: &Face, (x, y): (f32, f32)) -> Pith {
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
