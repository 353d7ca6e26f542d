//! Where the wood ends: a closed path about the pith.
//!
//! Photo and reader see the wood's edge by three signs: up to it the grain runs round the pith and
//! beyond it does not; the colours inside differ from those outside; and the change is sudden.
//! None suffices alone: a heartwood edge is a sudden change of colour too, faint wood shows little
//! grain at the working size, and sawdust has the colour of wood. So every place is given odds of
//! being wood from grain and colour, the colours being learned from the photo itself in a few
//! rounds; every place on a ray is given the sharpness of the change across it; and the closed path
//! that gathers most (dynamic programming round the pith) is the edge. A last round tells wood from
//! bark close to that path.

use crate::face::Face;
use crate::pith::Pith;
use crate::plane::{Plane, RowBorder};
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

/// Rays of the search, one every two degrees.
const RAYS: usize = 180;

/// Radial step of the search, face samples.
const STEP: f32 = 2.0;

/// Bins a colour axis of the histograms.
const BINS: usize = 14;

/// What the change across the path weighs beside the odds gathered along a ray.
const CHANGE_WEIGHT: f32 = 3.5;

/// What a path that leaves the frame is taken to have as change there.
const FRAME_CHANGE: f32 = 1.5;

struct Rays {
    /// Luminance, red-green, yellow-blue: `[ray, radius]`.
    colour: [Plane; 3],
    /// Texture: logarithm of the local luminance deviation.
    texture: Plane,
    /// How much the grain runs round the pith, -1 to 1.
    roundness: Plane,
    /// Samples of each ray inside the frame.
    visible: Vec<usize>,
}

/// Finds the wood's edge.
pub fn trace(face: &Face, pith: &Pith) -> WoodEdge {
    let rays = cast(face, pith);
    let mut path = segment(&rays);
    path = inside_bark(&rays, &path);
    describe(face, &rays, &path)
}

/// Unwraps the face about the pith.
fn cast(face: &Face, pith: &Pith) -> Rays {
    #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
    let (cx, cy) = (face.from_photo_px(pith.x_px) as f32, face.from_photo_px(pith.y_px) as f32);
    let [left, top, right, bottom] = face.bounds;
    let reach = [(left, top), (right, top), (left, bottom), (right, bottom)]
        .iter()
        .map(|(x, y)| (x - cx).hypot(y - cy))
        .fold(0.0f32, f32::max);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a length in samples")]
    let n = (reach / STEP).ceil().max(8.0) as usize;
    let mut planes = [(); 3].map(|()| Plane::filled(n, RAYS, 0.0));
    let mut visible = vec![0; RAYS];
    for ray in 0..RAYS {
        let (sin, cos) = (ray as f32 / RAYS as f32 * std::f32::consts::TAU).sin_cos();
        for i in 0..n {
            let r = i as f32 * STEP;
            let (x, y) = (cx + r * cos, cy + r * sin);
            if x >= left && y >= top && x <= right - 1.0 && y <= bottom - 1.0 {
                visible[ray] = i + 1;
            }
            planes[0].data[ray * n + i] = face.grey.sampled(x, y);
            planes[1].data[ray * n + i] = face.red_green.sampled(x, y);
            planes[2].data[ray * n + i] = face.yellow_blue.sampled(x, y);
        }
    }
    let grey = &planes[0];
    let mean = grey.blurred(3.0, 1.5, RowBorder::Wrap);
    let texture = grey
        .with(&mean, |a, b| (a - b) * (a - b))
        .blurred(3.0, 1.5, RowBorder::Wrap)
        .map(|v| (v + 1.0).ln() * 12.0);
    Rays { roundness: roundness(grey), colour: planes, texture, visible }
}

/// Share by which the luminance changes along the ray rather than along the circle, smoothed.
fn roundness(grey: &Plane) -> Plane {
    let (n, rays) = (grey.width, grey.height);
    let smooth = grey.blurred(0.7, 0.0, RowBorder::Wrap);
    let mut along = Plane::filled(n, rays, 0.0);
    let mut across = Plane::filled(n, rays, 0.0);
    for ray in 0..rays {
        let (before, after) = (smooth.row((ray + rays - 1) % rays), smooth.row((ray + 1) % rays));
        let row = smooth.row(ray);
        for i in 1..n - 1 {
            let radial = row[i + 1] - row[i - 1];
            // Tangential change over the same length as the radial one.
            let arc = (i as f32 * STEP * std::f32::consts::TAU / rays as f32).max(STEP * 0.5) / STEP;
            let tangential = (after[i] - before[i]) / arc.max(1.0);
            along.data[ray * n + i] = radial * radial;
            across.data[ray * n + i] = tangential * tangential;
        }
    }
    let (along, across) = (along.blurred(5.0, 4.0, RowBorder::Wrap), across.blurred(5.0, 4.0, RowBorder::Wrap));
    along.with(&across, |a, b| (a - b) / (a + b + 2.0))
}

/// The path between wood (with or without bark) and what lies outside.
///
/// Learning goes where its start points, so there are several starts: the grain alone, the change
/// alone, and circles of three sizes. The path kept is the one with the sharpest change across it
/// and the most grain inside it but not beyond it.
fn segment(rays: &Rays) -> Vec<usize> {
    let n = rays.texture.width;
    let contrast = change(rays, 0.10);
    // 0.25: what background textures reach by chance.
    let by_grain = best_path(rays, &rays.roundness.map(|v| (v - 0.25) * 0.6), &contrast);
    let by_change = best_path(rays, &Plane::filled(n, RAYS, 0.0), &contrast);
    let mut starts = vec![by_grain, by_change];
    for share in [0.35, 0.55, 0.8] {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share of a length")]
        let circle = |seen: &usize| ((*seen as f32 * share).round() as usize).max(1);
        starts.push(rays.visible.iter().map(circle).collect());
    }
    let mut found = Vec::new();
    for mut path in starts {
        for _ in 0..4 {
            let next = best_path(rays, &odds_of(rays, &learn(rays, &path)), &contrast);
            if next == path {
                break;
            }
            path = next;
        }
        found.push((merit(rays, &contrast, &path), path));
    }
    // A heartwood or hollow edge can be as sharp as the wood's own, but it lies further in: of the
    // paths that are about as good as the best the outermost is the wood's edge.
    let beyond = |path: &[usize]| path.iter().zip(&rays.visible).filter(|(at, seen)| **at + 2 >= **seen).count();
    let Some((most, framed)) = found.iter().max_by(|a, b| a.0.total_cmp(&b.0)).map(|(m, path)| (*m, beyond(path))) else {
        return Vec::new();
    };
    found.retain(|(merit, path)| *merit >= 0.6 * most && beyond(path) <= framed + RAYS / 8);
    let size = |path: &[usize]| path.iter().sum::<usize>();
    found.into_iter().map(|(_, path)| path).max_by_key(|path| size(path)).unwrap_or_default()
}

/// How much a path looks like the wood's edge: change across it, grain inside but not beyond it.
fn merit(rays: &Rays, contrast: &Plane, path: &[usize]) -> f32 {

    let (mut change, mut grain) = (0.0, 0.0);
    for (ray, &at) in path.iter().enumerate() {
        let seen = rays.visible[ray];
        let mean = |a: usize, b: usize| {
            let (a, b) = (a.min(seen), b.min(seen));
            if b > a { rays.roundness.row(ray)[a..b].iter().sum::<f32>() / (b - a) as f32 } else { 0.0 }
        };
        // An edge beyond the frame counts as a weak change.
        change += if at + 2 >= seen { FRAME_CHANGE } else { contrast.at(at, ray).min(8.0) };
        grain += mean(at * 70 / 100, at * 95 / 100) - mean(at * 108 / 100 + 2, at * 130 / 100 + 6);
    }
    (change + 6.0 * grain) / RAYS as f32
}

/// Two-sample distance between the stretch inside and the stretch outside each place of a ray.
fn change(rays: &Rays, share: f32) -> Plane {
    let n = rays.texture.width;
    let mut out = Plane::filled(n, RAYS, 0.0);
    let fields: Vec<(Plane, f32)> = rays
        .colour
        .iter()
        .zip([6.0f32, 4.0, 4.0])
        .map(|(p, floor)| (p.blurred(0.0, 1.5, RowBorder::Wrap), floor))
        .chain([(rays.texture.clone(), 5.0)])
        .collect();
    for (plane, floor) in &fields {
        for ray in 0..RAYS {
            let row = plane.row(ray);
            let (mut sum, mut square) = (vec![0.0f64; n + 1], vec![0.0f64; n + 1]);
            for i in 0..n {
                let v = f64::from(row[i]);
                sum[i + 1] = sum[i] + v;
                square[i + 1] = square[i] + v * v;
            }
            let seen = rays.visible[ray];
            for i in 3..seen.saturating_sub(2) {
                #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a small positive length")]
                let w = ((i as f32 * share).round() as usize).clamp(3, 40);
                let stretch = |a: usize, b: usize| {
                    let count = (b - a) as f64;
                    let mean = (sum[b] - sum[a]) / count;
                    (mean, ((square[b] - square[a]) / count - mean * mean).max(0.0))
                };
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

/// Colour and texture frequencies inside and outside a path.
struct Learned {
    inside: Vec<f32>,
    outside: Vec<f32>,
    texture_in: Vec<f32>,
    texture_out: Vec<f32>,
}

fn colour_bin(rays: &Rays, at: usize) -> usize {
    let axis = |value: f32, low: f32, high: f32| {
        let share = ((value - low) / (high - low)).clamp(0.0, 0.999);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share below 1 times the bins")]
        let i = (share * BINS as f32).floor() as usize;
        i
    };
    (axis(rays.colour[0].data[at], 0.0, 256.0) * BINS + axis(rays.colour[1].data[at], -30.0, 80.0)) * BINS
        + axis(rays.colour[2].data[at], -30.0, 120.0)
}

fn texture_bin(value: f32) -> usize {
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to the bins")]
    let i = (value / 7.0).floor().clamp(0.0, (BINS - 1) as f32) as usize;
    i
}

fn learn(rays: &Rays, path: &[usize]) -> Learned {
    let n = rays.texture.width;
    let size = BINS * BINS * BINS;
    let mut learned = Learned {
        inside: vec![0.0; size],
        outside: vec![0.0; size],
        texture_in: vec![1.0; BINS],
        texture_out: vec![1.0; BINS],
    };
    for ray in 0..RAYS {
        for i in 0..rays.visible[ray] {
            let at = ray * n + i;
            // A sample stands for an area that grows with its distance; the outer wood matters most.
            let weight = i as f32;
            if i < path[ray] {
                learned.inside[colour_bin(rays, at)] += weight;
                learned.texture_in[texture_bin(rays.texture.data[at])] += weight;
            } else {
                learned.outside[colour_bin(rays, at)] += weight;
                learned.texture_out[texture_bin(rays.texture.data[at])] += weight;
            }
        }
    }
    for frequencies in [&mut learned.inside, &mut learned.outside] {
        smooth_bins(frequencies);
    }
    for frequencies in [&mut learned.inside, &mut learned.outside, &mut learned.texture_in, &mut learned.texture_out] {
        let total: f32 = frequencies.iter().sum::<f32>().max(1.0);
        frequencies.iter_mut().for_each(|v| *v /= total);
    }
    learned
}

/// A little of each bin goes to its neighbours on the three axes.
fn smooth_bins(bins: &mut Vec<f32>) {
    for stride in [1, BINS, BINS * BINS] {
        let old = bins.clone();
        for (i, value) in bins.iter_mut().enumerate() {
            let place = i / stride % BINS;
            let below = if place > 0 { old[i - stride] } else { old[i] };
            let above = if place + 1 < BINS { old[i + stride] } else { old[i] };
            *value = 0.5 * old[i] + 0.25 * (below + above);
        }
    }
}

fn odds_of(rays: &Rays, learned: &Learned) -> Plane {
    let mut odds = rays.roundness.map(|v| (v - 0.2) * 0.5);
    for (at, value) in odds.data.iter_mut().enumerate() {
        let bin = colour_bin(rays, at);
        let colour = ((learned.inside[bin] + 1e-5) / (learned.outside[bin] + 1e-5)).ln().clamp(-3.0, 3.0);
        let t = texture_bin(rays.texture.data[at]);
        let texture = ((learned.texture_in[t] + 1e-3) / (learned.texture_out[t] + 1e-3)).ln().clamp(-2.0, 2.0);
        *value += 0.25 * colour + 0.1 * texture;
    }
    odds
}

/// The closed path that gathers most: odds of wood inside it, change across it, smoothness.
fn best_path(rays: &Rays, odds: &Plane, contrast: &Plane) -> Vec<usize> {
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

/// Closed path through a plane of gains, at most `jump` samples from ray to ray, each sample
/// costing `toll`. Two turns are run and the second kept, so that the ends meet.
fn closed_path(gain: &Plane, jump: usize, toll: f32) -> Vec<usize> {
    let (n, rays) = (gain.width, gain.height);
    let turns = 2 * rays;
    let mut score: Vec<f32> = gain.row(0).to_vec();
    let mut from = vec![0i8; turns * n];
    for t in 1..turns {
        let row = gain.row(t % rays);
        let mut next = vec![f32::MIN; n];
        for i in 0..n {
            if row[i] == f32::MIN {
                continue;
            }
            let (mut best, mut step) = (f32::MIN, 0i8);
            for j in i.saturating_sub(jump)..=(i + jump).min(n - 1) {
                let s = score[j] - toll * i.abs_diff(j) as f32;
                if s > best {
                    #[allow(clippy::cast_possible_truncation, clippy::cast_possible_wrap, reason = "within the jump")]
                    {
                        step = (j as isize - i as isize) as i8;
                    }
                    best = s;
                }
            }
            if best > f32::MIN {
                next[i] = best + row[i];
                from[t * n + i] = step;
            }
        }
        if next.iter().all(|v| *v == f32::MIN) {
            // The frame steps further than a path may: start again from this ray.
            next = row.to_vec();
        }
        score = next;
    }
    let mut at = (0..n).max_by(|a, b| score[*a].total_cmp(&score[*b])).unwrap_or(0);
    let mut path = vec![0; rays];
    for t in (rays..turns).rev() {
        path[t % rays] = at;
        at = at.saturating_add_signed(isize::from(from[t * n + at])).min(n - 1);
    }
    path
}

/// Moves the path inside the bark where there is bark: to where the ray leaves the colours that
/// the wood has just inside.
fn inside_bark(rays: &Rays, path: &[usize]) -> Vec<usize> {
    let n = rays.texture.width;
    // Model of the wood near the edge: mean and sd of the colours between 70 and 90 % of the path.
    let mut model = vec![[(0.0f32, 0.0f32); 3]; RAYS];
    for ray in 0..RAYS {
        for (axis, floor) in [(0usize, 7.0f32), (1, 4.0), (2, 4.0)] {
            let (mut sum, mut square, mut count) = (0.0f32, 0.0f32, 0.0f32);
            for d in 0..15 {
                let other = (ray + RAYS + d - 7) % RAYS;
                let seen = rays.visible[other];
                for i in (path[other] * 70 / 100).min(seen)..(path[other] * 90 / 100).min(seen) {
                    let v = rays.colour[axis].data[other * n + i];
                    sum += v;
                    square += v * v;
                    count += 1.0;
                }
            }
            let mean = sum / count.max(1.0);
            model[ray][axis] = (mean, ((square / count.max(1.0) - mean * mean).max(0.0)).sqrt() + floor);
        }
    }
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
        let mut sum = 0.0;
        for i in low..=high.max(low) {
            gain.data[ray * n + i] = sum;
            let at = ray * n + i;
            let mut distance = 0.0;
            for axis in 0..3 {
                let (mean, sd) = model[ray][axis];
                distance += ((rays.colour[axis].data[at] - mean) / sd).powi(2);
            }
            // Wood lies within about 2.6 sd over the three axes (7 of chi-square).
            sum += (7.0 - distance).clamp(-7.0, 3.0);
        }
    }
    closed_path(&gain, 2, 1.5)
}

/// Path to distances a degree, with what was found at it.
fn describe(face: &Face, rays: &Rays, path: &[usize]) -> WoodEdge {
    let n = rays.texture.width;
    let contrast_plane = change(rays, 0.06);
    let px = f64::from(STEP) * face.step_px as f64;
    let outside: Vec<bool> = (0..RAYS).map(|ray| path[ray] + 2 >= rays.visible[ray]).collect();
    let smooth: Vec<f64> = (0..RAYS)
        .map(|ray| {
            let at = |d: usize| path[(ray + RAYS + d - 1) % RAYS] as f64;
            (at(0) + 2.0 * at(1) + at(2)) / 4.0
        })
        .collect();
    let mut radius_px = Vec::with_capacity(AZIMUTHS);
    let mut in_photo = Vec::with_capacity(AZIMUTHS);
    for degree in 0..AZIMUTHS {
        let (ray, odd) = (degree * RAYS / AZIMUTHS, degree % (AZIMUTHS / RAYS) != 0);
        let next = (ray + 1) % RAYS;
        let samples = if odd { (smooth[ray] + smooth[next]) / 2.0 } else { smooth[ray] };
        radius_px.push((samples * px).max(1.0));
        in_photo.push(!outside[ray] && (!odd || !outside[next]));
    }
    let (mut contrast, mut count) = (0.0, 0usize);
    let mut dark = 0usize;
    for ray in (0..RAYS).filter(|ray| !outside[*ray]) {
        let near = path[ray].saturating_sub(2)..(path[ray] + 3).min(n);
        contrast += f64::from(near.map(|i| contrast_plane.data[ray * n + i]).fold(0.0f32, f32::max));
        let stretch = |a: usize, b: usize| {
            let (a, b) = (a.min(n - 1), b.min(n));
            rays.colour[0].row(ray)[a..b.max(a + 1)].iter().sum::<f32>() / (b.max(a + 1) - a) as f32
        };
        let w = (path[ray] / 30).max(2);
        // Bark is darker than the wood inside it, almost always (common practice, no source).
        if stretch(path[ray] + 1, path[ray] + 1 + w) + 8.0 < stretch(path[ray].saturating_sub(3 * w), path[ray].saturating_sub(1)) {
            dark += 1;
        }
        count += 1;
    }
    let contrast = contrast / count.max(1) as f64;
    let state = if count * 100 < RAYS * 60 {
        OutlineState::Frame
    } else if contrast < 1.5 {
        OutlineState::Unclear
    } else if dark * 2 > count {
        OutlineState::Bark
    } else {
        OutlineState::Wood
    };
    WoodEdge { radius_px, in_photo, state, contrast }
}
