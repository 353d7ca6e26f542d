//! The unwrapped disc straightened until its rings lie level.
//!
//! A ring is one closed curve; a reader who follows one radius is fooled by every pore, check and
//! saw mark on it. Looked for is a displacement u so that a ring lies at constant rho at r = rho +
//! u(rho, azimuth). The local slope of the rings comes from the products of the gradients, each
//! sample weighted down where its gradient points away from the radius (saw marks), where its
//! energy is an outlier (cracks) and where there is no wood. One weighted least-squares solve over
//! the whole disc gives the increment of u: gaps are bridged by what surrounds them. Following the
//! slopes ray by ray failed on rough sawn ends. Repeated from coarse windows to fine ones.

use crate::plane::{Plane, RowBorder, line_at};
use crate::polar::{Polar, RAYS};

/// The straightened disc.
///
/// Holds: `radius` is `[LEVEL_RAYS, levels]`, strictly increasing along every row, finite, in px
/// from the pith; level 0 lies at the pith.
#[derive(Debug, Clone)]
pub struct Straight {
    /// Distance from the pith of each level on each ray, px.
    pub radius: Plane,
}

/// Azimuths of the straightening, one every degree.
pub const LEVEL_RAYS: usize = 360;

/// Azimuths of the solve.
const KNOT_RAYS: usize = 90;

/// One round: window of the slope along and across (samples, rays), blur of the luminance along,
/// and the angle (degrees) beyond which a gradient is no ring's.
const ROUNDS: [(f32, f32, f32, f32); 8] = [
    (6.0, 2.5, 2.2, 30.0),
    (5.0, 2.0, 1.6, 35.0),
    (4.0, 1.5, 1.2, 40.0),
    (3.0, 1.0, 1.0, 40.0),
    (3.0, 1.0, 1.0, 40.0),
    (3.0, 1.0, 1.0, 40.0),
    (3.0, 1.0, 1.0, 40.0),
    (3.0, 1.0, 1.0, 40.0),
];

/// Longest radius at which the rounds before the last two are run, samples.
const COARSE_LEVELS: usize = 600;

/// Straightens the disc.
pub fn level(polar: &Polar) -> Straight {
    let reach = polar.grey.width;
    let mut radius = start(polar);
    // Displacement so far, on the solve's grid, as a share of the levels: what evenness is asked of.
    let mut so_far = Plane::filled(KNOT_LEVELS, KNOT_RAYS, 0.0);
    for (round, &(along, across, blur, angle)) in ROUNDS.iter().enumerate() {
        let limit = if round + 2 < ROUNDS.len() { COARSE_LEVELS } else { COARSE_LEVELS * 2 };
        let step = reach.div_ceil(limit).max(1);
        let (picture, mask) = sample(polar, &radius, step);
        let (slope, weight) = slopes(&picture, &mask, step, (along, across), blur, angle);
        let increment = solve(&slope, &weight, &so_far);
        compose(&mut radius, &increment);
        so_far = so_far.with(&increment, |a, b| a + b);
    }
    debug_assert!(radius.data.iter().all(|v| v.is_finite()));
    Straight { radius }
}

/// First guess: every ring has the shape of the wood's edge, the inner ones less so.
fn start(polar: &Polar) -> Plane {
    let reach = polar.grey.width;
    let edge: Vec<f32> = (0..LEVEL_RAYS).map(|ray| polar.edge[ray * RAYS / LEVEL_RAYS]).collect();
    let smooth = Plane { width: 1, height: LEVEL_RAYS, data: edge }.blurred(0.0, 4.0, RowBorder::Wrap).data;
    let longest = smooth.iter().copied().fold(1.0f32, f32::max);
    let mean = smooth.iter().sum::<f32>() / LEVEL_RAYS as f32;
    let mut radius = Plane::filled(reach, LEVEL_RAYS, 0.0);
    for ray in 0..LEVEL_RAYS {
        let ratio = smooth[ray] / mean;
        let row = radius.row_mut(ray);
        for (i, r) in row.iter_mut().enumerate() {
            // The levels go to the mean edge and a little beyond; rho is stretched so that they fill the plane.
            let rho = i as f32 * mean / longest * 1.0;
            let share = (i as f32 / reach as f32 / 0.9).min(1.0);
            *r = rho * (1.0 + (ratio - 1.0) * share);
        }
    }
    rising(&mut radius);
    radius
}

/// Makes every row strictly increasing.
fn rising(radius: &mut Plane) {
    for ray in 0..radius.height {
        let row = radius.row_mut(ray);
        row[0] = 0.0;
        for i in 1..row.len() {
            row[i] = row[i].max(row[i - 1] + 0.05);
        }
    }
}

/// The normalised luminance at every `step`-th level, with its mask.
fn sample(polar: &Polar, radius: &Plane, step: usize) -> (Plane, Plane) {
    let n = radius.width / step;
    let mut picture = Plane::filled(n, LEVEL_RAYS, 0.0);
    let mut mask = Plane::filled(n, LEVEL_RAYS, 0.0);
    let half = (step as f32 - 1.0) / 2.0;
    for ray in 0..LEVEL_RAYS {
        let levels = radius.row(ray);
        for i in 0..n {
            let (mut sum, mut seen) = (0.0f32, 0u32);
            for (side, source) in [2 * ray, 2 * ray + 1].into_iter().enumerate() {
                let (first, end) = polar.visible[source];
                let row = polar.grey.row(source);
                // The half-degree ray lies half way to the next degree's levels.
                let next = radius.row((ray + 1) % LEVEL_RAYS);
                for k in 0..step {
                    let at = i * step + k;
                    let r = if side == 0 { levels[at] } else { 0.5 * (levels[at] + next[at]) };
                    if r >= first as f32 && r < end as f32 {
                        sum += line_at(row, r);
                        seen += 1;
                    }
                }
            }
            let _ = half;
            let total = 2 * step as u32;
            if seen == total {
                picture.data[ray * n + i] = sum / total as f32;
                mask.data[ray * n + i] = 1.0;
            }
        }
    }
    (picture, mask)
}

/// Slope of the rings, levels a ray (of the solve's grid), and its weight, on the solve's grid.
fn slopes(picture: &Plane, mask: &Plane, step: usize, window: (f32, f32), blur: f32, angle: f32) -> (Plane, Plane) {
    let (n, rays) = (picture.width, picture.height);
    let smooth = picture.blurred(blur, 0.8, RowBorder::Wrap);
    let mut product = Plane::filled(n, rays, 0.0);
    let mut square = Plane::filled(n, rays, 0.0);
    let mut trust = Plane::filled(n, rays, 0.0);
    let mut energies = Vec::with_capacity(n * rays / 8);
    let turn = std::f32::consts::TAU / rays as f32;
    let gradient = |ray: usize, i: usize| {
        let at = ray * n + i;
        let radial = (smooth.data[at + 1] - smooth.data[at - 1]) / 2.0;
        let before = ((ray + rays - 1) % rays) * n + i;
        let after = ((ray + 1) % rays) * n + i;
        ((smooth.data[after] - smooth.data[before]) / 2.0, radial)
    };
    for ray in 0..rays {
        for i in (1..n - 1).step_by(7) {
            if mask.data[ray * n + i] > 0.0 {
                let (tangential, radial) = gradient(ray, i);
                let arc = tangential / (turn * (i as f32 + 3.0));
                energies.push(radial * radial + arc * arc);
            }
        }
    }
    energies.sort_by(f32::total_cmp);
    let cap = energies.get(energies.len() * 9 / 10).copied().unwrap_or(1.0).max(1e-9);
    let limit = angle.to_radians().tan().powi(2);
    for ray in 0..rays {
        for i in 1..n - 1 {
            let at = ray * n + i;
            if mask.data[at] == 0.0 {
                continue;
            }
            let (tangential, radial) = gradient(ray, i);
            let arc = tangential / (turn * (i as f32 + 3.0));
            let energy = radial * radial + arc * arc;
            let off = arc * arc / (radial * radial + 1e-9) / limit;
            // Falls to a half at the angle, to a fifth at twice its tangent.
            let w = (1.0 / (1.0 + off * off)) * (cap / (energy + 1e-9)).min(1.0);
            product.data[at] = radial * tangential * w;
            square.data[at] = radial * radial * w;
            trust.data[at] = w;
        }
    }
    let mut tangent = Plane::filled(n, rays, 0.0);
    for ray in 0..rays {
        for i in 1..n - 1 {
            let at = ray * n + i;
            if trust.data[at] > 0.0 {
                let (tangential, _) = gradient(ray, i);
                tangent.data[at] = tangential * tangential * trust.data[at];
            }
        }
    }
    // Windows are applied on the solve's grid: gather on the knots first, blur after.
    let fy = rays / KNOT_RAYS;
    let levels_a_knot = n as f32 / KNOT_LEVELS as f32;
    let shrink_blur = |plane: &Plane| {
        gathered(plane, KNOT_LEVELS, fy).blurred(window.0 / levels_a_knot, window.1 * 2.0 / fy as f32, RowBorder::Wrap)
    };
    let (a, b, c) = (shrink_blur(&product), shrink_blur(&square), shrink_blur(&trust));
    let middle = {
        let mut sorted: Vec<f32> = b.data.iter().copied().filter(|v| *v > 0.0).collect();
        sorted.sort_by(f32::total_cmp);
        sorted.get(sorted.len() / 2).copied().unwrap_or(1.0).max(1e-9)
    };
    let squared = shrink_blur(&tangent);
    // Noise is alike in both axes once each gradient is taken over the blur of its own axis.
    let (unit_along, unit_across) = (blur.hypot(0.5), 0.8f32.hypot(0.5));
    let kk = 0.2f32;
    let mut slope = Plane::filled(a.width, a.height, 0.0);
    let mut weight = slope.clone();
    for i in 0..slope.data.len() {
        let xx = b.data[i] * unit_along * unit_along;
        let yy = squared.data[i] * unit_across * unit_across;
        let xy = a.data[i] * unit_along * unit_across;
        let spread = ((xx - yy).powi(2) + 4.0 * xy * xy).sqrt();
        let (most, least) = (0.5 * (xx + yy + spread), 0.5 * (xx + yy - spread).max(0.0));
        let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
        // In knots a knot ray.
        slope.data[i] = (-angle.tan() * unit_along / unit_across * fy as f32).clamp(-6.0, 6.0) / levels_a_knot;
        let signal = b.data[i] / (b.data[i] + 0.3 * middle) * c.data[i].clamp(0.0, 1.0);
        let m0 = 1.5f32;
        weight.data[i] = signal * (kk * (most / (least + 1e-3 * middle) - m0).max(0.0)).min(6.0) * angle.cos().powi(2);
    }
    (slope, weight)
}

/// Knots of the solve along the radius.
const KNOT_LEVELS: usize = 128;

/// Means over blocks of `height` rows and over `width` even stretches of each row.
fn gathered(plane: &Plane, width: usize, height: usize) -> Plane {
    let rows = plane.shrunk(1, height);
    let mut out = Plane::filled(width, rows.height, 0.0);
    for y in 0..rows.height {
        let row = rows.row(y);
        for x in 0..width {
            let a = x * row.len() / width;
            let b = ((x + 1) * row.len() / width).max(a + 1).min(row.len().max(a + 1));
            let stretch = &row[a.min(row.len() - 1)..b.min(row.len())];
            out.data[y * width + x] = stretch.iter().sum::<f32>() / stretch.len().max(1) as f32;
        }
    }
    out
}

/// Increment of the displacement, samples, on the solve's grid: its differences from ray to ray are
/// the slopes, it grows evenly along the radius, and it bends little round the pith.
fn solve(slope: &Plane, weight: &Plane, so_far: &Plane) -> Plane {
    let (n, rays) = (slope.width, slope.height);
    // Weights of evenness along the radius and of bending round the pith, found on the development
    // photos: a third of them and saw marks bend the rings, three times them and lobes stay.
    let (even, bend) = (0.1f32, 0.01f32);
    let w: Vec<f32> = weight.data.iter().map(|v| v + 1e-4).collect();
    let rho: Vec<f32> = (0..n).map(|i| (i as f32 + 0.5).max(2.0)).collect();
    let smoothness = |u: &[f32], out: &mut [f32]| {
        out.iter_mut().zip(u).for_each(|(o, v)| *o = 1e-4 * v);
        for ray in 0..rays {
            let (next, last) = ((ray + 1) % rays, (ray + rays - 1) % rays);
            for i in 0..n - 1 {
                let at = ray * n + i;
                let mid = 0.5 * (rho[i] + rho[i + 1]);
                let (g, h) = (mid / rho[i], mid / rho[i + 1]);
                let v = even * (h * u[at + 1] - g * u[at]);
                out[at] -= g * v;
                out[at + 1] += h * v;
            }
            for i in 0..n {
                let (a, b, c) = (last * n + i, ray * n + i, next * n + i);
                let v = bend * (u[a] - 2.0 * u[b] + u[c]);
                out[a] += v;
                out[b] -= 2.0 * v;
                out[c] += v;
            }
        }
    };
    let apply = |u: &[f32], out: &mut [f32]| {
        smoothness(u, out);
        for ray in 0..rays {
            let next = (ray + 1) % rays;
            for i in 0..n {
                let (at, after) = (ray * n + i, next * n + i);
                let d = w[at] * (u[after] - u[at]);
                out[at] -= d;
                out[after] += d;
            }
        }
    };
    // The whole displacement is to be smooth, not each increment: else noise adds up over the rounds.
    let mut rhs = vec![0.0f32; n * rays];
    smoothness(&so_far.data, &mut rhs);
    rhs.iter_mut().for_each(|v| *v = -*v);
    let mut diagonal = vec![1e-4 + 6.0 * bend; n * rays];
    for ray in 0..rays {
        let next = (ray + 1) % rays;
        for i in 0..n {
            let (at, after) = (ray * n + i, next * n + i);
            let v = w[at] * slope.data[at];
            rhs[at] -= v;
            rhs[after] += v;
            diagonal[at] += w[at];
            diagonal[after] += w[at];
            diagonal[at] += 2.0 * even;
        }
    }
    let data = conjugate_gradients(apply, &rhs, &diagonal, 60);
    let mut increment = Plane { width: n, height: rays, data };
    for i in 0..n {
        let mean = (0..rays).map(|ray| increment.data[ray * n + i]).sum::<f32>() / rays as f32;
        for ray in 0..rays {
            increment.data[ray * n + i] -= mean;
        }
    }
    increment
}

/// Solves a positive definite system (Hestenes & Stiefel 1952) with its diagonal as preconditioner.
fn conjugate_gradients(apply: impl Fn(&[f32], &mut [f32]), rhs: &[f32], diagonal: &[f32], rounds: usize) -> Vec<f32> {
    let n = rhs.len();
    let mut x = vec![0.0f32; n];
    let mut rest = rhs.to_vec();
    let mut z: Vec<f32> = rest.iter().zip(diagonal).map(|(r, d)| r / d).collect();
    let mut direction = z.clone();
    let mut product = vec![0.0f32; n];
    let dot = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(p, q)| f64::from(*p) * f64::from(*q)).sum::<f64>();
    let mut rz = dot(&rest, &z);
    let goal = rz * 1e-7;
    for _ in 0..rounds {
        if rz <= goal || rz <= 0.0 {
            break;
        }
        apply(&direction, &mut product);
        let curvature = dot(&direction, &product);
        if curvature <= 0.0 {
            break;
        }
        #[allow(clippy::cast_possible_truncation, reason = "the system is f32")]
        let step = (rz / curvature) as f32;
        for i in 0..n {
            x[i] += step * direction[i];
            rest[i] -= step * product[i];
            z[i] = rest[i] / diagonal[i];
        }
        let next = dot(&rest, &z);
        #[allow(clippy::cast_possible_truncation, reason = "the system is f32")]
        let keep = (next / rz) as f32;
        rz = next;
        for i in 0..n {
            direction[i] = z[i] + keep * direction[i];
        }
    }
    x
}

/// Puts the increment under the displacement so far: level rho now lies where rho + increment lay.
fn compose(radius: &mut Plane, increment: &Plane) {
    let (reach, n) = (radius.width, increment.width);
    let scale = reach as f32 / n as f32;
    let mut line = vec![0.0f32; n];
    let old = radius.clone();
    for ray in 0..LEVEL_RAYS {
        // Knot rays stand in the middle of their block of rays.
        let block = (LEVEL_RAYS / KNOT_RAYS) as f32;
        let place = (ray as f32 + 0.5) / block - 0.5;
        let whole = place.floor();
        let part = place - whole;
        #[allow(clippy::cast_possible_truncation, reason = "a small whole number")]
        let first = (whole as isize).rem_euclid(KNOT_RAYS as isize).unsigned_abs();
        let (a, b) = (increment.row(first), increment.row((first + 1) % KNOT_RAYS));
        for (value, (p, q)) in line.iter_mut().zip(a.iter().zip(b)) {
            *value = p * (1.0 - part) + q * part;
        }
        let source = old.row(ray);
        let target = radius.row_mut(ray);
        for (i, r) in target.iter_mut().enumerate() {
            let knot = (i as f32 + 0.5) / scale - 0.5;
            let shift = line_at(&line, knot) * scale * (i as f32 / 6.0).min(1.0);
            let at = i as f32 + shift;
            *r = line_at(source, at);
            let last = (reach - 1) as f32;
            if at > last {
                // Beyond the last level the spacing of the last ones goes on.
                *r += (at - last) * (source[reach - 1] - source[reach - 2]);
            }
        }
    }
    rising(radius);
}
