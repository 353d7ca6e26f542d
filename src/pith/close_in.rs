//! The pith from the rings close to it, in shrinking windows.

use super::tensors::Tensors;
use super::vote::Normals;
use crate::face::{Face, NOISE_LEVELS};
use crate::plane::Plane;
use crate::vectors::widest;

/// Moves the place to where the rings close to it point, in shrinking windows, and says how sure.
pub(super) fn close_in(face: &Face, start: (f32, f32)) -> (f32, f32, f32) {
    let (w, h) = (face.grey.width as f32, face.grey.height as f32);
    let half = w.min(h) / 2.0;
    let mut place = start;
    let mut sd = half * 0.05;
    for (window, scale) in [(half / 2.0, 2.0f32), (half / 4.0, 1.5), (half * 0.12, 1.0)] {
        let Some(cut) = cut_out(&face.grey, place, window) else {
            break;
        };
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a small positive number"
        )]
        let shrink = (window / 60.0).floor().max(1.0) as usize;
        let tensors = Tensors::of(
            &cut.plane.locally_normalised(15.0, 1, NOISE_LEVELS),
            1.5 * scale,
            4.0 * scale,
            shrink,
        );
        let Some((x, y, spread, gain)) = intersect(&cut, &tensors, place, window) else {
            break;
        };
        // A step must make the near normals agree better, and stay well inside its window.
        if gain > 0.0 && (x - place.0).hypot(y - place.1) < window * 0.8 {
            place = (x, y);
            sd = spread;
        }
    }
    (place.0, place.1, sd)
}

pub(super) struct Cut {
    pub(super) plane: Plane,
    pub(super) left: f32,
    pub(super) top: f32,
}

pub(super) fn cut_out(grey: &Plane, place: (f32, f32), reach: f32) -> Option<Cut> {
    let edge = |v: f32, size: usize| {
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to the plane"
        )]
        let i = v.round().clamp(0.0, size as f32) as usize;
        i
    };
    let (x0, x1) = (
        edge(place.0 - reach, grey.width),
        edge(place.0 + reach, grey.width),
    );
    let (y0, y1) = (
        edge(place.1 - reach, grey.height),
        edge(place.1 + reach, grey.height),
    );
    if x1 < x0 + 20 || y1 < y0 + 20 {
        return None;
    }
    let mut plane = Plane::filled(x1 - x0, y1 - y0, 0.0);
    for y in y0..y1 {
        plane.row_mut(y - y0).copy_from_slice(&grey.row(y)[x0..x1]);
    }
    Some(Cut {
        plane,
        left: x0 as f32,
        top: y0 as f32,
    })
}

/// Weighted least-squares meeting point of the normals in a window, its sd, and how much better
/// they agree there than at the place before (share of their weight).
fn intersect(
    cut: &Cut,
    tensors: &Tensors,
    start: (f32, f32),
    window: f32,
) -> Option<(f32, f32, f32, f32)> {
    let mut normals = Normals::default();
    for row in 0..tensors.height() {
        for column in 0..tensors.width() {
            let i = row * tensors.width() + column;
            let (x, y) = (
                tensors.middle(column) + cut.left,
                tensors.middle(row) + cut.top,
            );
            normals.push(x, y, tensors.angle(i), tensors.coherence(i).powi(2));
        }
    }
    // Of each normal about a place: what goes into the bell of its miss, its distance and a first
    // weight of 0 where it doesn't count.
    let mut misses = vec![[0.0f32; 3]; normals.len()];
    let look = |px: f32, py: f32, misses: &mut [[f32; 3]]| {
        let places = normals.x.iter().zip(&normals.y);
        let directions = normals.nx.iter().zip(&normals.ny);
        let all = places.zip(directions).zip(&normals.weight);
        for (out, (((x, y), (nx, ny)), weight)) in misses.iter_mut().zip(all) {
            let (dx, dy) = (x - px, y - py);
            let r = (dx * dx + dy * dy + 1e-6).sqrt();
            let across = (dx * ny - dy * nx) / r;
            let is_near = (r >= 4.0) & (r <= window);
            *out = [
                -(across / 0.2).powi(2),
                (r + 0.1 * window).powi(2),
                if is_near { *weight } else { 0.0 },
            ];
        }
    };
    let offsets: Vec<f64> = (0..normals.len())
        .map(|i| {
            let (nx, ny) = (f64::from(normals.nx[i]), f64::from(normals.ny[i]));
            ny * f64::from(normals.x[i]) - nx * f64::from(normals.y[i])
        })
        .collect();
    let (mut px, mut py) = start;
    let mut spread = window;
    for _ in 0..12 {
        let (mut a, mut b, mut d, mut u, mut v) = (0.0f64, 0.0f64, 0.0f64, 0.0f64, 0.0f64);
        let (mut total, mut residual) = (0.0f64, 0.0f64);
        widest(
            #[inline(always)]
            || look(px, py, &mut misses),
        );
        for (i, &[bell, distance, weight]) in misses.iter().enumerate() {
            if weight == 0.0 {
                continue;
            }
            let q = f64::from(weight * bell.exp() / distance);
            let (nx, ny) = (f64::from(normals.nx[i]), f64::from(normals.ny[i]));
            let offset = offsets[i];
            a += q * ny * ny;
            b -= q * ny * nx;
            d += q * nx * nx;
            u += q * ny * offset;
            v -= q * nx * offset;
            let miss = offset - (ny * f64::from(px) - nx * f64::from(py));
            residual += q * miss * miss;
            total += q;
        }
        let determinant = a * d - b * b;
        if total <= 0.0 || determinant <= 1e-9 * total * total {
            return None;
        }
        let moved;
        let (x, y) = ((d * u - b * v) / determinant, (a * v - b * u) / determinant);
        #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
        {
            moved = (x as f32 - px).hypot(y as f32 - py);
            (px, py) = (x as f32, y as f32);
            // Neighbouring normals share their pixels: about one in forty is independent.
            spread = (residual / total * 40.0 / normals.len() as f64).sqrt() as f32;
        }
        if !(px.is_finite() && py.is_finite()) {
            return None;
        }
        if moved < 0.003 {
            break;
        }
    }
    let core = 0.1 * window;
    let total: f32 = normals.weight.iter().sum::<f32>().max(1e-9);
    let gain = (normals.score(px, py, core) - normals.score(start.0, start.1, core)) / total;
    Some((px, py, spread.clamp(0.3, window), gain + 0.002))
}
