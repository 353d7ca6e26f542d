//! The weighted least-squares solve for one increment of the displacement.

use crate::plane::Plane;
use crate::vectors::widest;

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
    let smoothness = Smoothness::new(n, rays, even, bend);
    let mut room = Room::new(n, rays);
    let apply = |u: &[f32], out: &mut [f32]| {
        smoothness.apply(u, out, &mut room);
        add_steps(&w, u, out, n);
    };
    // The whole displacement is to be smooth, not each increment: else noise adds up over the rounds.
    let mut rhs = vec![0.0f32; n * rays];
    smoothness.apply(&so_far.data, &mut rhs, &mut Room::new(n, rays));
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
    let data = widest(
        #[inline(always)]
        || conjugate_gradients(apply, &rhs, &diagonal, 60),
    );
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
#[inline(always)]
fn conjugate_gradients(
    mut apply: impl FnMut(&[f32], &mut [f32]),
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
        for (x, direction) in x.iter_mut().zip(&direction) {
            *x += step * direction;
        }
        for (rest, product) in rest.iter_mut().zip(&product) {
            *rest -= step * product;
        }
        for ((z, rest), diagonal) in z.iter_mut().zip(&rest).zip(diagonal) {
            *z = rest / diagonal;
        }
        let next = dot(&rest, &z);
        #[allow(clippy::cast_possible_truncation, reason = "the system is f32")]
        let keep = (next / rz) as f32;
        rz = next;
        for (direction, z) in direction.iter_mut().zip(&z) {
            *direction = z + keep * *direction;
        }
    }
    x
}

/// Scalar product in double precision, in four running sums: one alone waits for itself.
#[inline(always)]
fn dot(a: &[f32], b: &[f32]) -> f64 {
    let mut sums = [0.0f64; 4];
    let (fours, others) = (a.chunks_exact(4), b.chunks_exact(4));
    let rest: f64 = fours
        .remainder()
        .iter()
        .zip(others.remainder())
        .map(|(p, q)| f64::from(*p) * f64::from(*q))
        .sum();
    for (p, q) in fours.zip(others) {
        for i in 0..4 {
            sums[i] += f64::from(p[i]) * f64::from(q[i]);
        }
    }
    sums.iter().sum::<f64>() + rest
}

/// What is asked of a displacement besides the slopes: even growth along the radius, little bending
/// round the pith.
struct Smoothness {
    n: usize,
    rays: usize,
    even: f32,
    bend: f32,
    /// Shares of the knot before and the knot after in even growth.
    before: Vec<f32>,
    after: Vec<f32>,
}

/// Room that one application works in: bends of all knots, growth along one ray.
struct Room {
    bends: Vec<f32>,
    growth: Vec<f32>,
}

impl Room {
    fn new(n: usize, rays: usize) -> Room {
        Room {
            bends: vec![0.0; n * rays],
            growth: vec![0.0; n],
        }
    }
}

impl Smoothness {
    fn new(n: usize, rays: usize, even: f32, bend: f32) -> Smoothness {
        let rho: Vec<f32> = (0..n).map(|i| (i as f32 + 0.5).max(2.0)).collect();
        let middle = |i: usize| 0.5 * (rho[i] + rho[i + 1]);
        Smoothness {
            n,
            rays,
            even,
            bend,
            before: (0..n - 1).map(|i| middle(i) / rho[i]).collect(),
            after: (0..n - 1).map(|i| middle(i) / rho[i + 1]).collect(),
        }
    }

    /// The normal equations' product with a displacement.
    #[inline(always)]
    fn apply(&self, u: &[f32], out: &mut [f32], room: &mut Room) {
        let (n, rays) = (self.n, self.rays);
        let row = |ray: usize| ray * n..(ray + 1) * n;
        for ray in 0..rays {
            let (next, last) = ((ray + 1) % rays, (ray + rays - 1) % rays);
            let around = u[row(last)].iter().zip(&u[row(next)]);
            let here = &u[row(ray)];
            for ((bend, (a, c)), b) in room.bends[row(ray)].iter_mut().zip(around).zip(here) {
                *bend = self.bend * (a - 2.0 * b + c);
            }
        }
        for ray in 0..rays {
            let (next, last) = ((ray + 1) % rays, (ray + rays - 1) % rays);
            let here = &u[row(ray)];
            let out = &mut out[row(ray)];
            let shares = self.before.iter().zip(&self.after);
            for ((growth, pair), (g, h)) in room.growth.iter_mut().zip(here.windows(2)).zip(shares)
            {
                *growth = self.even * (h * pair[1] - g * pair[0]);
            }
            let bends = |ray: usize| &room.bends[row(ray)];
            for (out, u) in out.iter_mut().zip(here) {
                *out = 1e-4 * u;
            }
            // Sums go round from ray 0 on, so the two rays on either side of the start differ.
            if ray + 1 == rays {
                add(out, bends(next));
            }
            if ray > 0 {
                add(out, bends(last));
            }
            for ((out, growth), h) in out[1..].iter_mut().zip(&room.growth).zip(&self.after) {
                *out += h * growth;
            }
            for ((out, growth), g) in out.iter_mut().zip(&room.growth[..n - 1]).zip(&self.before) {
                *out -= g * growth;
            }
            for (out, bend) in out.iter_mut().zip(bends(ray)) {
                *out -= 2.0 * bend;
            }
            if ray + 1 < rays {
                add(out, bends(next));
            }
            if ray == 0 {
                add(out, bends(last));
            }
        }
    }
}

/// Adds a line to another.
#[inline(always)]
fn add(out: &mut [f32], line: &[f32]) {
    for (out, value) in out.iter_mut().zip(line) {
        *out += value;
    }
}

/// Adds what the slopes ask: the weighted differences from ray to ray.
#[inline(always)]
fn add_steps(w: &[f32], u: &[f32], out: &mut [f32], n: usize) {
    let rays = u.len() / n;
    let mut step = vec![0.0f32; n];
    for ray in 0..rays {
        let next = (ray + 1) % rays;
        let (here, there) = (&u[ray * n..(ray + 1) * n], &u[next * n..(next + 1) * n]);
        let weights = &w[ray * n..(ray + 1) * n];
        for ((step, w), (a, b)) in step.iter_mut().zip(weights).zip(here.iter().zip(there)) {
            *step = w * (b - a);
        }
        for (out, step) in out[ray * n..(ray + 1) * n].iter_mut().zip(&step) {
            *out -= step;
        }
        add(&mut out[next * n..(next + 1) * n], &step);
    }
}
