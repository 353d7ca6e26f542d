//! Where the pith is: the normals of the rings vote for it.
//!
//! Every ring boundary is crossed at a right angle by a line that passes near the pith. Local
//! normals come from the structure tensor (Bigun & Granlund 1987, "Optimal orientation detection
//! of linear symmetry") of the locally normalised luminance at three scales. A place scores by the
//! weight of the normals that point at it within about 8 degrees.
//!
//! Two things keep the vote honest. Straight textures (saw marks, planks) all vote along one
//! direction, while a disc has every direction alike: weights are divided by how common a normal's
//! direction is. And a far ring of an off-centre disc points elsewhere than a near one: the vote
//! is repeated in shrinking windows, a step being taken only if the near normals agree better
//! there; without that guard it ran away on two of 28 discs in the trial before this program.
//!
//! What comes after may still doubt the place: once the wood's edge is known, circles are looked for all over
//! the wood, and the place about which the straightened rings agree more is kept (`elsewhere`).

mod arcs;
mod circles;
mod tensors;

pub use arcs::centre_of_arcs;
use circles::{centre_circles, places_of_circles};
use tensors::Tensors;

use crate::face::{EVEN_SIGMA, Face, NOISE_LEVELS};
use crate::outline::WoodEdge;
use crate::plane::Plane;
use crate::reading::{AZIMUTHS, PithState};
use crate::settings::Settings;
use crate::vectors::widest;

/// The pith.
///
/// Holds: every number is finite; `sd_px` above 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pith {
    /// Place, photo px.
    pub x_px: f64,
    /// Place, photo px.
    pub y_px: f64,
    /// Standard deviation of the place, px.
    pub sd_px: f64,
    /// Inside the photo or not; whether it can be seen is settled later, from the rings.
    pub state: PithState,
    /// Share of the normals' weight that points at it within the tolerance, less what a picture
    /// without any centre gives; 0 to 1.
    pub agreement: f64,
}

/// Half width of the vote, radians: normals further off than about 8 degrees hardly count.
const TOLERANCE: f32 = 0.14;

/// Bins of direction over half a turn, for the balance of straight textures.
const DIRECTIONS: usize = 36;

/// Normals kept for the vote: enough for 0.1 % of the frame, few enough for some ten milliseconds.
const VOTERS: usize = 9000;

/// Local normals of the rings, one entry each: place (samples), direction and weight.
#[derive(Debug, Default)]
struct Normals {
    x: Vec<f32>,
    y: Vec<f32>,
    nx: Vec<f32>,
    ny: Vec<f32>,
    weight: Vec<f32>,
}

impl Normals {
    fn push(&mut self, x: f32, y: f32, angle: f32, weight: f32) {
        self.x.push(x);
        self.y.push(y);
        self.nx.push(angle.cos());
        self.ny.push(angle.sin());
        self.weight.push(weight);
    }

    fn len(&self) -> usize {
        self.x.len()
    }

    /// Weight of the normals that point at a place, near ones below `core` counting less.
    fn score(&self, px: f32, py: f32, core: f32) -> f32 {
        widest(
            #[inline(always)]
            || self.score_plain(px, py, core),
        )
    }

    #[inline(always)]
    fn score_plain(&self, px: f32, py: f32, core: f32) -> f32 {
        let inverse = 1.0 / (TOLERANCE * TOLERANCE);
        let core2 = core * core;
        let mut lanes = [0.0f32; 8];
        let n = self.len() / 8 * 8;
        for start in (0..n).step_by(8) {
            let (x, y) = (&self.x[start..start + 8], &self.y[start..start + 8]);
            let (nx, ny) = (&self.nx[start..start + 8], &self.ny[start..start + 8]);
            let weight = &self.weight[start..start + 8];
            for i in 0..8 {
                let (dx, dy) = (x[i] - px, y[i] - py);
                let r2 = dx * dx + dy * dy + 1e-3;
                let across = dx * ny[i] - dy * nx[i];
                // A bell of the miss angle s, 1 / (1 + s^2)^2, that falls to a ninth at twice the
                // tolerance; near the place itself any direction is right by chance, so nearness
                // counts less, r^2 / (r^2 + core^2). Written out as one division for both.
                let wide = r2 + across * across * inverse;
                lanes[i] += weight[i] * (r2 * r2 * r2) / (wide * wide * (r2 + core2));
            }
        }
        lanes.iter().sum()
    }

    /// Every `step`-th of them.
    fn thinned(&self, step: usize) -> Normals {
        let pick = |values: &[f32]| values.iter().copied().step_by(step).collect();
        Normals {
            x: pick(&self.x),
            y: pick(&self.y),
            nx: pick(&self.nx),
            ny: pick(&self.ny),
            weight: pick(&self.weight),
        }
    }
}

/// Finds the pith, or takes the one given.
pub fn find(face: &Face, settings: &Settings) -> Pith {
    let inside = |x: f64, y: f64| {
        let (w, h) = (face.grey.width as f64, face.grey.height as f64);
        (0.0..w).contains(&x) && (0.0..h).contains(&y)
    };
    let state_at = |x, y| {
        if inside(x, y) {
            PithState::Seen
        } else {
            PithState::Outside
        }
    };
    if let Some((x_px, y_px)) = settings.pith_px {
        let (x, y) = (face.from_photo_px(x_px), face.from_photo_px(y_px));
        return Pith {
            x_px,
            y_px,
            sd_px: 1.0,
            state: state_at(x, y),
            agreement: 1.0,
        };
    }
    let normals = gather(face);
    let (first, agreement) = vote(&normals, face);
    let (x, y, sd) = close_in(face, first);
    let (x, y) = centre_circles(face, (x, y));
    Pith {
        x_px: face.to_photo_px(f64::from(x)),
        y_px: face.to_photo_px(f64::from(y)),
        sd_px: f64::from(sd).max(0.3) * face.step_px as f64,
        state: state_at(f64::from(x), f64::from(y)),
        agreement: f64::from(agreement),
    }
}

/// Places of circles that are looked at, and the least energy of one, share of the best one's.
const PLACES: usize = 2;
const LEAST_ENERGY: f32 = 0.8;

/// Distances from the pith, shares of the edge's mean distance: below the first the best of the places is
/// the pith; below the second a place is the pith once its circles are centred.
const SAME_PLACE: f32 = 0.04;
const SAME_CENTRE: f32 = 0.02;

/// A place where the pith may be instead.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    /// The pith there.
    pub pith: Pith,
    /// Weight of the normals that point at it, times that of those that point at the pith found.
    pub votes: f64,
}

/// Other places in the wood where the pith may be, likeliest first: those about which circles look more
/// alike than about the pith found; where that lies outside the photo, those anywhere in the photo. None where it is
/// hollow: the rim of a hollow is no circle about the pith.
///
/// Normals see the pith of a lobed or very off-centre disc between it and the disc's middle, and the circles
/// after them look no further than a seventh of the frame. These look all over the wood, and are only an
/// offer: the caller keeps the place about which the straightened rings agree more.
pub fn elsewhere(face: &Face, pith: &Pith, wood_edge: &WoodEdge) -> Vec<Place> {
    let is_outside = pith.state == PithState::Outside;
    if !is_outside && arcs::is_hollow(face, pith, wood_edge) {
        return Vec::new();
    }
    let (start, edge) = if is_outside {
        middle_of_frame(face)
    } else {
        arcs::in_samples(face, pith, wood_edge)
    };
    #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
    let (start, edge) = (
        (start.0 as f32, start.1 as f32),
        edge.iter().map(|r| *r as f32).collect::<Vec<_>>(),
    );
    let radius = edge.iter().sum::<f32>() / edge.len() as f32;
    let moved = |(x, y): (f32, f32)| (x - start.0).hypot(y - start.1) / radius;
    let places = places_of_circles(face, start, &edge);
    let Some(&(most, best)) = places.first() else {
        return Vec::new();
    };
    if !is_outside && moved(best) < SAME_PLACE {
        return Vec::new();
    }
    let normals = gather(face);
    #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
    let votes = |(x, y): (f64, f64)| f64::from(normals.score(x as f32, y as f32, core(face)));
    let first = votes((face.from_photo_px(pith.x_px), face.from_photo_px(pith.y_px)));
    places
        .into_iter()
        .take(PLACES)
        .filter(|(energy, _)| *energy >= LEAST_ENERGY * most)
        .map(|(_, place)| centre_circles(face, place))
        .filter(|place| is_outside || moved(*place) > SAME_CENTRE)
        .map(|(x, y)| (f64::from(x), f64::from(y)))
        .map(|(x, y)| Place {
            pith: Pith {
                x_px: face.to_photo_px(x),
                y_px: face.to_photo_px(y),
                state: PithState::Seen,
                ..*pith
            },
            votes: votes((x, y)) / first.max(1e-9),
        })
        .collect()
}

/// The middle of what is looked at, and how far its border is, one distance a degree, face samples.
fn middle_of_frame(face: &Face) -> ((f64, f64), Vec<f64>) {
    let [left, top, right, bottom] = face.bounds.map(f64::from);
    let half = (0.5 * (right - left), 0.5 * (bottom - top));
    let edge = (0..AZIMUTHS)
        .map(|degree| {
            let (sin, cos) = (degree as f64).to_radians().sin_cos();
            (half.0 / cos.abs().max(1e-9)).min(half.1 / sin.abs().max(1e-9))
        })
        .collect();
    ((left + half.0, top + half.1), edge)
}

/// Normals at three scales, thinned to about [`VOTERS`], balanced over the directions.
fn gather(face: &Face) -> Normals {
    let mut all = Normals::default();
    for scale in [1usize, 2, 4] {
        let smaller;
        let plane = if scale == 1 {
            face.even()
        } else {
            smaller =
                face.grey
                    .shrunk(scale, scale)
                    .locally_normalised(EVEN_SIGMA, 4, NOISE_LEVELS);
            &smaller
        };
        let tensors = Tensors::of(plane, 1.2, 4.0, 2);
        let typical = typical_energy(&tensors);
        let s = scale as f32;
        let stride =
            (((plane.width * plane.height) as f32 / (VOTERS as f32)).sqrt() * 1.2).max(1.0);
        let stride = (stride / tensors.shrink as f32).max(1.0);
        let mut gy = stride / 2.0;
        while gy < tensors.height() as f32 {
            let mut gx = stride / 2.0;
            while gx < tensors.width() as f32 {
                #[allow(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "inside the plane by the loops"
                )]
                let (column, row) = (gx.floor() as usize, gy.floor() as usize);
                let i = row * tensors.width() + column;
                let (x, y) = (
                    (tensors.middle(column) + 0.5) * s - 0.5,
                    (tensors.middle(row) + 0.5) * s - 0.5,
                );
                let b = face.bounds;
                let coherence = tensors.coherence(i);
                if coherence > 0.3 && x >= b[0] && y >= b[1] && x < b[2] && y < b[3] {
                    let weight =
                        coherence.powi(2) * (tensors.energy(i) / typical.max(1e-9)).min(1.5);
                    all.push(x, y, tensors.angle(i), weight);
                }
                gx += stride;
            }
            gy += stride;
        }
    }
    balance(&mut all);
    all
}

/// Divides each weight by how common its direction is, where it is commoner than the average.
fn balance(normals: &mut Normals) {
    let bin = |nx: f32, ny: f32| {
        let share = (ny.atan2(nx) / std::f32::consts::PI).rem_euclid(1.0);
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share below 1 times the bins"
        )]
        let i = (share * DIRECTIONS as f32).floor() as usize;
        i.min(DIRECTIONS - 1)
    };
    let mut totals = [0.0f32; DIRECTIONS];
    for i in 0..normals.len() {
        totals[bin(normals.nx[i], normals.ny[i])] += normals.weight[i];
    }
    let smooth: Vec<f32> = (0..DIRECTIONS)
        .map(|i| {
            (totals[(i + DIRECTIONS - 1) % DIRECTIONS]
                + 2.0 * totals[i]
                + totals[(i + 1) % DIRECTIONS])
                / 4.0
        })
        .collect();
    let mean = smooth.iter().sum::<f32>() / DIRECTIONS as f32;
    for i in 0..normals.len() {
        let common = smooth[bin(normals.nx[i], normals.ny[i])] / mean.max(1e-9);
        if common > 1.0 {
            normals.weight[i] /= common;
        }
    }
}

/// Distance from a place, face samples, below which normals count less.
fn core(face: &Face) -> f32 {
    let [left, top, right, bottom] = face.bounds;
    0.03 * (right - left).max(bottom - top)
}

/// The best place over the frame and a margin of a fifth round it, by a grid and hill climbing. Straight lines all
/// meet far away: the climb may leave the margin, for a place on its border would make rings of them.
fn vote(normals: &Normals, face: &Face) -> ((f32, f32), f32) {
    let [left, top, right, bottom] = face.bounds;
    let (w, h) = (right - left, bottom - top);
    let longest = w.max(h);
    let core = core(face);
    let step = longest / 28.0;
    // A third of the normals finds the hill, all of them its top.
    let few = normals.thinned(3);
    let mut grid = Vec::new();
    let mut y = top - 0.2 * h;
    while y < bottom + 0.2 * h {
        let mut x = left - 0.2 * w;
        while x < right + 0.2 * w {
            grid.push((few.score(x, y, core), x, y));
            x += step;
        }
        y += step;
    }
    grid.sort_by(|a, b| {
        b.0.total_cmp(&a.0)
            .then(a.2.total_cmp(&b.2))
            .then(a.1.total_cmp(&b.1))
    });
    let mut best = (f32::MIN, (left + w / 2.0, top + h / 2.0));
    for &(score, x, y) in grid.iter().take(6) {
        let (_, (x, y)) = climb(&few, (x, y), score, step / 2.0, core);
        let score = normals.score(x, y, core);
        if score > best.0 {
            best = (score, (x, y));
        }
    }
    best = climb(normals, best.1, best.0, step / 8.0, core);
    let total: f32 = normals.weight.iter().sum::<f32>().max(1e-9);
    // What normals without any centre give: the bell's mean over directions.
    let chance = TOLERANCE / 2.0;
    let agreement = ((best.0 / total - chance) / (1.0 - chance)).clamp(0.0, 1.0);
    (best.1, agreement)
}

/// Directions of a step of hill climbing.
const AROUND: [(f32, f32); 8] = [
    (-1.0, 0.0),
    (1.0, 0.0),
    (0.0, -1.0),
    (0.0, 1.0),
    (-1.0, -1.0),
    (1.0, 1.0),
    (-1.0, 1.0),
    (1.0, -1.0),
];

fn climb(
    normals: &Normals,
    start: (f32, f32),
    score: f32,
    step: f32,
    core: f32,
) -> (f32, (f32, f32)) {
    let (mut place, mut best, mut step) = (start, score, step);
    while step > 0.5 {
        let mut moved = false;
        let centre = place;
        for (dx, dy) in AROUND {
            let (x, y) = (centre.0 + dx * step, centre.1 + dy * step);
            let s = normals.score(x, y, core);
            if s > best {
                (best, place, moved) = (s, (x, y), true);
            }
        }
        if !moved {
            step /= 2.0;
        }
    }
    (best, place)
}

/// Moves the place to where the rings close to it point, in shrinking windows, and says how sure.
fn close_in(face: &Face, start: (f32, f32)) -> (f32, f32, f32) {
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

struct Cut {
    plane: Plane,
    left: f32,
    top: f32,
}

fn cut_out(grey: &Plane, place: (f32, f32), reach: f32) -> Option<Cut> {
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

/// Median energy of some 4000 blocks.
fn typical_energy(tensors: &Tensors) -> f32 {
    let blocks = tensors.xx.data.len();
    let mut energies: Vec<f32> = (0..blocks)
        .step_by(blocks.div_ceil(4096).max(1))
        .map(|i| tensors.energy(i))
        .collect();
    let middle = energies.len() / 2;
    if energies.is_empty() {
        return 0.0;
    }
    *energies.select_nth_unstable_by(middle, f32::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rings of 9 samples about a place, on a face of 4 px a sample.
    pub(super) fn face_of_rings(middle: (f32, f32), width: usize, height: usize) -> Face {
        let mut grey = Plane::filled(width, height, 0.0);
        for y in 0..height {
            for x in 0..width {
                let r = (x as f32 - middle.0).hypot(y as f32 - middle.1);
                grey.data[y * width + x] = 140.0 + 40.0 * (r / 9.0 * std::f32::consts::TAU).sin();
            }
        }
        let flat = Plane::filled(width, height, 0.0);
        Face::of(4, [grey, flat.clone(), flat])
    }

    #[test]
    fn the_pith_of_drawn_rings_is_found_within_half_a_sample() {
        for middle in [(151.3, 120.8), (190.0, 88.4)] {
            let face = face_of_rings(middle, 320, 260);
            let pith = find(&face, &Settings::default());
            let (x, y) = (face.from_photo_px(pith.x_px), face.from_photo_px(pith.y_px));
            let off = (x - f64::from(middle.0)).hypot(y - f64::from(middle.1));
            assert!(off < 0.5, "{off} off {middle:?}: {x} {y}");
            assert_eq!(pith.state, PithState::Seen);
            assert!(pith.agreement > 0.7, "{}", pith.agreement);
        }
    }

    #[test]
    fn a_given_pith_is_taken_and_may_lie_outside() {
        let face = face_of_rings((150.0, 120.0), 320, 260);
        let at = |x, y| {
            find(
                &face,
                &Settings {
                    pith_px: Some((x, y)),
                    ..Settings::default()
                },
            )
        };
        assert_eq!((at(30.0, 40.5).x_px, at(30.0, 40.5).y_px), (30.0, 40.5));
        assert_eq!(at(30.0, 40.5).state, PithState::Seen);
        assert_eq!(at(-60.0, 40.5).state, PithState::Outside);
    }

    /// The face's wood out to 100 samples from a place, and a pith there.
    fn taken_for_pith(face: &Face, place: (f32, f32)) -> (Pith, WoodEdge) {
        let pith = Pith {
            x_px: face.to_photo_px(f64::from(place.0)),
            y_px: face.to_photo_px(f64::from(place.1)),
            sd_px: 1.0,
            state: PithState::Seen,
            agreement: 0.5,
        };
        let wood_edge = WoodEdge {
            radius_px: vec![100.0 * face.step_px as f64; AZIMUTHS],
            in_photo: vec![true; AZIMUTHS],
            state: crate::reading::OutlineState::Wood,
            contrast: 3.0,
        };
        (pith, wood_edge)
    }

    #[test]
    fn a_pith_half_a_radius_off_is_found_elsewhere() {
        let middle = (151.3, 120.8);
        let face = face_of_rings(middle, 320, 260);
        let (pith, wood_edge) = taken_for_pith(&face, (201.0, 135.0));
        let off = |found: &Place| {
            let (x, y) = (
                face.from_photo_px(found.pith.x_px),
                face.from_photo_px(found.pith.y_px),
            );
            (x - f64::from(middle.0)).hypot(y - f64::from(middle.1))
        };
        let found = elsewhere(&face, &pith, &wood_edge);
        assert!(off(&found[0]) < 0.5, "{found:?}");
        assert!(found[0].votes > 2.0, "{found:?}");
        // One that lies outside the photo, whatever is taken for the wood about it.
        let (pith, wood_edge) = taken_for_pith(&face, (-900.0, 2000.0));
        let outside = Pith {
            state: PithState::Outside,
            ..pith
        };
        let found = elsewhere(&face, &outside, &wood_edge);
        assert!(off(&found[0]) < 0.5, "{found:?}");
        assert_eq!(found[0].pith.state, PithState::Seen);
        let (pith, wood_edge) = taken_for_pith(&face, middle);
        assert!(elsewhere(&face, &pith, &wood_edge).is_empty());
    }

    #[test]
    fn a_hollow_disc_has_no_pith_elsewhere() {
        let middle = (151.3, 120.8);
        let mut face = face_of_rings(middle, 320, 260);
        for (i, v) in face.grey.data.iter_mut().enumerate() {
            let (x, y) = ((i % 320) as f32, (i / 320) as f32);
            if (x - middle.0).hypot(y - middle.1) < 40.0 {
                *v = 20.0;
            }
        }
        let (pith, wood_edge) = taken_for_pith(&face, (160.0, 125.0));
        assert!(elsewhere(&face, &pith, &wood_edge).is_empty());
    }

    #[test]
    fn a_very_narrow_photo_is_searched_in_no_time() {
        for (width, height) in [(3, 4000), (1, 1), (2000, 21)] {
            let face = face_of_rings((10.0, 12.0), width, height);
            let (pith, mut wood_edge) = taken_for_pith(&face, (1.0, 1.0));
            wood_edge.radius_px.fill(4000.0);
            elsewhere(&face, &pith, &wood_edge);
        }
    }

    #[test]
    fn tiny_and_empty_looking_photos_get_some_finite_place() {
        for (width, height) in [(1, 1), (3, 40), (25, 21)] {
            let mut face = face_of_rings((150.0, 120.0), width, height);
            face.grey.data.fill(128.0);
            let pith = find(&face, &Settings::default());
            assert!(
                pith.x_px.is_finite() && pith.y_px.is_finite() && pith.sd_px > 0.0,
                "{width} x {height}"
            );
        }
    }

    #[test]
    fn a_straight_texture_is_held_down_to_the_mean_of_the_directions() {
        let mut normals = Normals::default();
        for i in 0..3600 {
            normals.push(0.0, 0.0, (i as f32 * 0.1).to_radians(), 1.0);
            normals.push(0.0, 0.0, 0.3, 1.0);
        }
        balance(&mut normals);
        let along: f32 = (0..normals.len())
            .step_by(2)
            .map(|i| normals.weight[i])
            .sum();
        let saw: f32 = (1..normals.len())
            .step_by(2)
            .map(|i| normals.weight[i])
            .sum();
        assert!(saw < 0.3 * along, "{saw} {along}");
    }
}
