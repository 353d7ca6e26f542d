//! The path between wood, with or without its bark, and what lies outside.

use super::odds::{learn, odds_of};
use super::path::closed_path;
use super::rays::{CHANCE_GRAIN, RAYS, Rays};
use crate::plane::{Plane, RowBorder};
use crate::vectors::widest;

/// What the change across the path weighs beside the odds gathered along a ray.
const CHANGE_WEIGHT: f32 = 3.5;

/// What a path that leaves the frame is taken to have as change there.
const FRAME_CHANGE: f32 = 1.5;

/// What grain inside a path, and grain beyond it, weigh beside the change across it. Rings that go on
/// beyond say that it is no edge of the wood; that few are seen inside, or that checks run across it beyond,
/// says little. With 8 beyond a disc cropped by the frame is read inside its heartwood; with 16 beyond one
/// with deep checks is read inside these. With 3 to 10 inside and 10 to 13 beyond the discs looked at are alike.
const INSIDE_WEIGHT: f32 = 6.0;
const BEYOND_WEIGHT: f32 = 12.0;

/// The path between wood (with or without bark) and what lies outside.
///
/// Learning goes where its start points, so there are several starts: the grain alone, the change
/// alone, circles of three sizes, and the frame, since the wood may fill the photo. The path kept is the
/// one with the sharpest change across it and the most grain inside it but not beyond it.
pub(super) fn segment(rays: &Rays) -> Vec<usize> {
    let n = rays.texture.width;
    let contrast = change(rays, 0.10, |_| 0..n);
    let by_grain = best_path(
        rays,
        &rays.roundness.map(|v| (v - CHANCE_GRAIN) * 0.6),
        &contrast,
    );
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
    starts.push(rays.visible.clone());
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
    // A merit may lie below 0.
    let least = most - 0.4 * most.abs();
    found.retain(|(merit, path)| *merit >= least && beyond(path) <= framed + RAYS / 8);
    let size = |path: &[usize]| path.iter().sum::<usize>();
    found
        .into_iter()
        .map(|(_, path)| path)
        .max_by_key(|path| size(path))
        .unwrap_or_default()
}

/// A path round wood that fills the photo: smooth, and beyond the frame everywhere.
pub(super) fn beyond_frame(rays: &Rays) -> Vec<usize> {
    let n = rays.texture.width;
    let wood = Plane::filled(n, RAYS, SURELY_WOOD);
    best_path(rays, &wood, &Plane::filled(n, RAYS, 0.0))
}

/// Odds of wood, as a logarithm, that no place on a path makes up for.
const SURELY_WOOD: f32 = 4.0;

/// How much a path looks like the wood's edge: change across it, grain inside but not beyond it.
fn merit(rays: &Rays, contrast: &Plane, path: &[usize]) -> f32 {
    let (mut change, mut inside, mut beyond) = (0.0, 0.0, 0.0);
    for (ray, &at) in path.iter().enumerate() {
        // An edge beyond the frame counts as a weak change.
        change += if at + 2 >= rays.visible[ray] {
            FRAME_CHANGE
        } else {
            contrast.at(at, ray).min(8.0)
        };
        inside += grain_in(rays, ray, at * 70 / 100..at * 95 / 100);
        beyond += grain_in(rays, ray, just_beyond(at)).max(0.0);
    }
    (change + INSIDE_WEIGHT * inside - BEYOND_WEIGHT * beyond) / RAYS as f32
}

/// Samples just beyond a place on a ray.
fn just_beyond(at: usize) -> std::ops::Range<usize> {
    at * 108 / 100 + 2..at * 130 / 100 + 6
}

/// Mean grain over a stretch of a ray, as far as it is in the photo.
fn grain_in(rays: &Rays, ray: usize, stretch: std::ops::Range<usize>) -> f32 {
    let seen = rays.visible[ray];
    let (start, end) = (stretch.start.min(seen), stretch.end.min(seen));
    if end > start {
        rays.roundness.row(ray)[start..end].iter().sum::<f32>() / (end - start) as f32
    } else {
        0.0
    }
}

/// Mean grain just beyond a path, on the rays on which the photo goes on there; 0 where it does so on none.
pub(super) fn grain_beyond(rays: &Rays, path: &[usize]) -> f32 {
    let goes_on = |(ray, at): &(usize, &usize)| just_beyond(**at).start < rays.visible[*ray];
    let of_rays: Vec<f32> = path
        .iter()
        .enumerate()
        .filter(goes_on)
        .map(|(ray, &at)| grain_in(rays, ray, just_beyond(at)))
        .collect();
    of_rays.iter().sum::<f32>() / of_rays.len().max(1) as f32
}

/// Two-sample distance between the stretch inside and the stretch outside of places on the rays:
/// those that `wanted` gives for each ray, 0 elsewhere. A stretch is as long as a `share` of the
/// distance from the pith.
pub(super) fn change(
    rays: &Rays,
    share: f32,
    wanted: impl Fn(usize) -> std::ops::Range<usize>,
) -> Plane {
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
