//! The weighted least-squares solve for one increment of the displacement.

use crate::plane::Plane;

/// Weight of growing evenly along the radius.
const EVEN: f32 = 0.1;

/// Weight of bending little round the pith.
const BEND: f32 = 0.01;

/// Increment of the displacement, knots, on the solve's grid: its differences from ray to ray are
/// the slopes, it grows evenly along the radius, and it bends little round the pith.
pub(super) fn increment(slope: &Plane, weight: &Plane, so_far: &Plane, stiffness: f32) -> Plane {
    let (n, rays) = (slope.width, slope.height);
    let (even, bend) = (EVEN * stiffness, BEND * stiffness);
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
    let mut increment = Plane {
        width: n,
        height: rays,
        data,
    };
    for i in 0..n {
        let mean = (0..rays)
            .map(|ray| increment.data[ray * n + i])
            .sum::<f32>()
            / rays as f32;
        for ray in 0..rays {
            increment.data[ray * n + i] -= mean;
        }
    }
    increment
}

/// Solves a positive definite system (Hestenes & Stiefel 1952) with its diagonal as preconditioner.
fn conjugate_gradients(
    apply: impl Fn(&[f32], &mut [f32]),
    rhs: &[f32],
    diagonal: &[f32],
    rounds: usize,
) -> Vec<f32> {
    let n = rhs.len();
    let mut x = vec![0.0f32; n];
    let mut rest = rhs.to_vec();
    let mut z: Vec<f32> = rest.iter().zip(diagonal).map(|(r, d)| r / d).collect();
    let mut direction = z.clone();
    let mut product = vec![0.0f32; n];
    let dot = |a: &[f32], b: &[f32]| {
        a.iter()
            .zip(b)
            .map(|(p, q)| f64::from(*p) * f64::from(*q))
            .sum::<f64>()
    };
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
