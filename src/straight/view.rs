//! The disc seen through a displacement, in cells, and how much its rays agree there.

use super::LEVEL_RAYS;
use crate::plane::{Plane, RowBorder, blur_line, line_at};
use crate::polar::Polar;
use crate::vectors::{whole, widest};

/// Cells along the radius in the rounds at a fixed scale.
const FIXED_CELLS: usize = 600;

/// Zones along the radius that may each take a step of their own. With 6, 10 and 12 the figures of the
/// development discs were alike.
const ZONES: usize = 8;

/// Cells of one width: the levels at which they begin, and the end.
pub(super) fn even_cells(reach: usize) -> Vec<f32> {
    let step = reach.div_ceil(FIXED_CELLS).max(1) as f32;
    let mut cells = vec![0.0];
    while cells[cells.len() - 1] + step <= reach as f32 {
        cells.push(cells[cells.len() - 1] + step);
    }
    cells
}

/// Cells of a share of the local ring width.
pub(super) fn measured_cells(width: &[f32], cells_a_ring: f32) -> Vec<f32> {
    let reach = width.len() as f32;
    let smooth = blur_line(width, 10.0);
    let mut cells = vec![0.0f32];
    loop {
        let last = cells[cells.len() - 1];
        let next = last + (line_at(&smooth, last) / cells_a_ring).max(0.5);
        if next > reach {
            return cells;
        }
        cells.push(next);
    }
}

/// The mean normalised luminance of every cell on every ray, with its mask.
pub(super) fn sample(polar: &Polar, radius: &Plane, cells: &[f32]) -> (Plane, Plane) {
    widest(
        #[inline(always)]
        || sample_plain(polar, radius, cells),
    )
}

#[inline(always)]
fn sample_plain(polar: &Polar, radius: &Plane, cells: &[f32]) -> (Plane, Plane) {
    let n = cells.len() - 1;
    let mut picture = Plane::filled(n, LEVEL_RAYS, 0.0);
    let mut mask = picture.clone();
    // Levels looked at: about one a level, at least one a cell; as whole level and part.
    let last = radius.width - 2;
    let samples_a_px = 1.0 / polar.step_px as f32;
    let (mut cell_of, mut levels, mut parts) = (Vec::new(), Vec::new(), Vec::new());
    let mut counts = vec![0.0f32; n];
    for i in 0..n {
        let (a, b) = (cells[i], cells[i + 1]);
        let count = (b - a).round().max(1.0);
        let mut k = 0.5;
        while k < count {
            let level = a + (b - a) * k / count;
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "levels from 0 up"
            )]
            let whole = (level.floor() as usize).min(last);
            cell_of.push(i);
            levels.push(whole);
            parts.push(level - whole as f32);
            counts[i] += 2.0;
            k += 1.0;
        }
    }
    let taps = levels.len();
    let [mut here, mut here_more, mut next, mut next_more] = [(); 4].map(|()| vec![0.0f32; taps]);
    // Sample at or before each tap, share of the one after it, and 1 where it is in the photo.
    let mut samples = vec![0u32; taps];
    let [mut after, mut seen] = [(); 2].map(|()| vec![0.0f32; taps]);
    // One sample more at the end: there the last one goes on.
    let mut row = vec![0.0f32; polar.grey.width + 1];
    distances(radius.row(0), &levels, &parts, &mut next, &mut next_more);
    for ray in 0..LEVEL_RAYS {
        std::mem::swap(&mut here, &mut next);
        std::mem::swap(&mut here_more, &mut next_more);
        let beyond = radius.row((ray + 1) % LEVEL_RAYS);
        distances(beyond, &levels, &parts, &mut next, &mut next_more);
        for side in 0..2 {
            let source = 2 * ray + side;
            let (first, end) = polar.visible[source];
            let (first, end) = (first as f32, end as f32);
            let grey = polar.grey.row(source);
            row[..grey.len()].copy_from_slice(grey);
            row[grey.len()] = grey[grey.len() - 1];
            let places = here.iter().zip(&here_more).zip(next.iter().zip(&next_more));
            let out = samples.iter_mut().zip(&mut after).zip(&mut seen);
            for (((sample, after), seen), ((here, more), (next, next_more))) in out.zip(places) {
                // The half-degree ray lies half way to the next degree's levels.
                let mut r = here + more;
                r = if side == 1 {
                    0.5 * (r + next + next_more)
                } else {
                    r
                };
                let is_in = (r >= first) & (r < end);
                let place = if is_in { r * samples_a_px } else { 0.0 };
                let (before, at) = whole(place);
                *sample = at;
                *after = place - before;
                *seen = if is_in { 1.0 } else { 0.0 };
            }
            let (means, marks) = (picture.row_mut(ray), mask.row_mut(ray));
            let places = samples.iter().zip(&after).zip(&seen);
            for (&i, ((sample, after), seen)) in cell_of.iter().zip(places) {
                let at = *sample as usize;
                let (here, next) = (row[at], row[at + 1]);
                means[i] += seen * (here + after * (next - here));
                marks[i] += seen;
            }
        }
        for i in 0..n {
            let at = ray * n + i;
            let whole = mask.data[at] >= counts[i];
            picture.data[at] = if whole {
                picture.data[at] / counts[i]
            } else {
                0.0
            };
            mask.data[at] = f32::from(u8::from(whole));
        }
    }
    (picture, mask)
}

/// Distance of every tap on a ray: that of the level below it, and what its part adds.
#[inline(always)]
fn distances(ray: &[f32], levels: &[usize], parts: &[f32], below: &mut [f32], more: &mut [f32]) {
    let out = below.iter_mut().zip(more);
    for ((below, more), (&level, part)) in out.zip(levels.iter().zip(parts)) {
        *below = ray[level];
        *more = part * (ray[level + 1] - ray[level]);
    }
}

/// Share of the picture's power that rays have in common, over the whole turn and over sixths of it
/// in equal parts: the whole turn alone is deaf to what gets better in one sector of a rough face.
pub(super) fn agreement(view: &(Plane, Plane)) -> f32 {
    shared_by(view, 1, |_| 0)[0]
}

/// The same in every zone along the radius.
pub(super) fn by_zone(view: &(Plane, Plane), cells: &[f32]) -> Vec<f32> {
    let n = cells.len() - 1;
    let zone = |cell: usize| {
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of the zones"
        )]
        let zone = (cells[cell] / cells[n] * ZONES as f32) as usize;
        zone.min(ZONES - 1)
    };
    shared_by(view, ZONES, zone)
}

/// What rays have in common in groups of cells.
fn shared_by(
    (picture, mask): &(Plane, Plane),
    groups: usize,
    group: impl Fn(usize) -> usize,
) -> Vec<f32> {
    let picture = picture.blurred(1.0, 0.0, RowBorder::Wrap);
    let of_rays = |rays: std::ops::Range<usize>| {
        let mut sums = vec![(0.0f64, 1e-6f64); groups];
        let shares = common_power(&picture, mask, rays);
        for (before, (common, power)) in shares.into_iter().enumerate() {
            let sum = &mut sums[group(before + 1)];
            *sum = (sum.0 + common, sum.1 + power);
        }
        sums
    };
    #[allow(clippy::cast_possible_truncation, reason = "a share")]
    let share = |(common, power): (f64, f64)| (common / power) as f32;
    let mut out: Vec<f32> = of_rays(0..picture.height)
        .into_iter()
        .map(|sum| 0.5 * share(sum))
        .collect();
    let sector = picture.height / SECTORS;
    for k in 0..SECTORS {
        for (out, sum) in out.iter_mut().zip(of_rays(k * sector..(k + 1) * sector)) {
            *out += 0.5 * share(sum) / SECTORS as f32;
        }
    }
    out
}

/// Sectors of the agreement.
const SECTORS: usize = 6;

/// Power of the radial changes that these rays have in common, and their mean power, in each cell but
/// the first and the last.
fn common_power(picture: &Plane, mask: &Plane, rays: std::ops::Range<usize>) -> Vec<(f64, f64)> {
    widest(
        #[inline(always)]
        || common_power_plain(picture, mask, rays),
    )
}

#[inline(always)]
fn common_power_plain(
    picture: &Plane,
    mask: &Plane,
    rays: std::ops::Range<usize>,
) -> Vec<(f64, f64)> {
    let n = picture.width;
    let inner = n.saturating_sub(2);
    let [mut sums, mut squares, mut counts] = [(); 3].map(|()| vec![0.0f32; inner]);
    for ray in rays.clone() {
        let (row, seen) = (picture.row(ray), mask.row(ray));
        let all = seen
            .iter()
            .zip(seen.iter().skip(1))
            .zip(seen.iter().skip(2));
        let steps = row.iter().zip(row.iter().skip(2)).zip(all);
        let totals = sums.iter_mut().zip(&mut squares).zip(&mut counts);
        for (((sum, square), count), ((before, after), ((a, b), c))) in totals.zip(steps) {
            // The mask is 0 or 1.
            let share = a * b * c;
            let v = (after - before) * share;
            *sum += v;
            *square += v * v;
            *count += share;
        }
    }
    sums.into_iter()
        .zip(squares)
        .zip(counts)
        .map(|((sum, square), count)| {
            if count * 12.0 > rays.len() as f32 {
                // Less what unrelated rays share by chance.
                let common = (sum / count).powi(2) - square / count / count;
                (f64::from(common), f64::from(square / count))
            } else {
                (0.0, 0.0)
            }
        })
        .collect()
}
