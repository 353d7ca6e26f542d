//! The displacement itself: the first guess, and increments put under it.

use super::view::{agreement, even_cells, sample};
use super::{KNOT_RAYS, LEVEL_RAYS};
use crate::plane::{Plane, RowBorder, line_at};
use crate::polar::{Polar, RAYS};
use crate::vectors::widest;

/// Shares of the way out from which rings have the shape of the wood's edge, in the first guesses. The
/// first alone: F1 of the development renders 0.935 in place of 0.940.
const FULL_SHAPE_FROM: [f32; 3] = [0.9, 0.6, 0.3];

/// First guess: rings have the shape of the wood's edge, the inner ones less so. From where on they have
/// all of it is tried: an off-centre disc may have grown so from its first years on.
pub(super) fn start(polar: &Polar) -> Plane {
    let cells = even_cells(polar.grey.width);
    let guesses = FULL_SHAPE_FROM.map(|share| {
        let radius = shaped_like_edge(polar, share);
        (agreement(&sample(polar, &radius, &cells)), radius)
    });
    let [first, others @ ..] = guesses;
    let best = others.into_iter().fold(
        first,
        |best, guess| if guess.0 > best.0 { guess } else { best },
    );
    best.1
}

/// Rings that take on the shape of the wood's edge evenly, up to a share of the way out.
fn shaped_like_edge(polar: &Polar, full_from: f32) -> Plane {
    let reach = polar.grey.width;
    let edge: Vec<f32> = (0..LEVEL_RAYS)
        .map(|ray| polar.edge[ray * RAYS / LEVEL_RAYS])
        .collect();
    let smooth = Plane {
        width: 1,
        height: LEVEL_RAYS,
        data: edge,
    }
    .blurred(0.0, 4.0, RowBorder::Wrap)
    .data;
    let longest = smooth.iter().copied().fold(1.0f32, f32::max);
    let mean = smooth.iter().sum::<f32>() / LEVEL_RAYS as f32;
    let mut radius = Plane::filled(reach, LEVEL_RAYS, 0.0);
    for ray in 0..LEVEL_RAYS {
        let ratio = smooth[ray] / mean;
        let row = radius.row_mut(ray);
        for (i, r) in row.iter_mut().enumerate() {
            // Levels are spaced so that the last one lies at the farthest edge's mean.
            let rho = (i * polar.step_px) as f32 * mean / longest;
            let share = (i as f32 / reach as f32 / full_from).min(1.0);
            *r = rho * (1.0 + (ratio - 1.0) * share);
        }
    }
    rising(&mut radius);
    radius
}

/// Puts under the displacement what lines its arcs up: sample `s` of an arc, at level `level[s]`, now
/// shows what lay `shift` samples further out. Of a single sample nothing can be told.
pub(super) fn lined_up(old: &Plane, level: &[f32], shift: &Plane) -> Plane {
    if level.len() < 2 {
        return old.clone();
    }
    let (reach, arcs) = (old.width, shift.height);
    let end = level.len() - 1;
    let samples: Vec<f32> = (0..reach)
        .map(|i| {
            let place = i as f32;
            let after = level.partition_point(|l| *l < place).clamp(1, end);
            let (inner, outer) = (level[after - 1], level[after]);
            ((after - 1) as f32 + (place - inner) / (outer - inner)).min(end as f32)
        })
        .collect();
    let mut radius = Plane::filled(reach, old.height, 0.0);
    for ray in 0..LEVEL_RAYS {
        let (arc, next, part) = between(ray, LEVEL_RAYS / arcs, arcs);
        let (a, b) = (shift.row(arc), shift.row(next));
        let source = old.row(ray);
        for (i, (r, sample)) in radius.row_mut(ray).iter_mut().zip(&samples).enumerate() {
            let by = line_at(a, *sample) * (1.0 - part) + line_at(b, *sample) * part;
            let moved = line_at(level, sample + by) - line_at(level, *sample);
            *r = carried_on(source, i as f32 + moved * ramp(i));
        }
    }
    rising(&mut radius);
    radius
}

/// The two blocks of rays that a ray lies between the middles of, and the share of the second.
fn between(ray: usize, block: usize, blocks: usize) -> (usize, usize, f32) {
    let place = (ray as f32 + 0.5) / block as f32 - 0.5;
    let whole = place.floor();
    #[allow(clippy::cast_possible_truncation, reason = "a small whole number")]
    let first = (whole as isize)
        .rem_euclid(blocks.cast_signed())
        .unsigned_abs();
    (first, (first + 1) % blocks, place - whole)
}

/// How much a level may move: the pith stays.
fn ramp(level: usize) -> f32 {
    (level as f32 / 6.0).min(1.0)
}

/// A rising line at a place; beyond its end the spacing of the last ones goes on.
fn carried_on(line: &[f32], at: f32) -> f32 {
    let n = line.len();
    let beyond = at - (n - 1) as f32;
    let value = line_at(line, at);
    if beyond > 0.0 {
        value + beyond * (line[n - 1] - line[n - 2])
    } else {
        value
    }
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

/// Puts the increment under the displacement so far: level rho now lies where rho + increment lay.
pub(super) fn composed(old: &Plane, increment: &Plane) -> Plane {
    widest(
        #[inline(always)]
        || composed_plain(old, increment),
    )
}

#[inline(always)]
fn composed_plain(old: &Plane, increment: &Plane) -> Plane {
    let (reach, n) = (old.width, increment.width);
    let scale = reach as f32 / n as f32;
    let mut line = vec![0.0f32; n];
    let mut radius = Plane::filled(reach, old.height, 0.0);
    // Each level's knot, as whole knot and part, and how much it may move: alike on all rays.
    let knots: Vec<(usize, f32, f32)> = (0..reach)
        .map(|i| {
            let knot = ((i as f32 + 0.5) / scale - 0.5).clamp(0.0, (n - 1) as f32);
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "clamped to the knots"
            )]
            let whole = knot as usize;
            (whole, knot - whole as f32, ramp(i))
        })
        .collect();
    for ray in 0..LEVEL_RAYS {
        // Knot rays stand in the middle of their block of rays.
        let (first, second, part) = between(ray, LEVEL_RAYS / KNOT_RAYS, KNOT_RAYS);
        let (a, b) = (increment.row(first), increment.row(second));
        for (value, (p, q)) in line.iter_mut().zip(a.iter().zip(b)) {
            *value = p * (1.0 - part) + q * part;
        }
        let source = old.row(ray);
        let target = radius.row_mut(ray);
        for (i, (r, &(whole, part, ramp))) in target.iter_mut().zip(&knots).enumerate() {
            let (here, next) = (line[whole], line[(whole + 1).min(n - 1)]);
            let shift = (here + part * (next - here)) * scale * ramp;
            *r = carried_on(source, i as f32 + shift);
        }
    }
    rising(&mut radius);
    radius
}

#[cfg(test)]
mod tests {
    use super::lined_up;
    use crate::plane::Plane;
    use crate::straight::LEVEL_RAYS;

    const LEVELS: usize = 200;
    const ARCS: usize = 72;

    /// Levels a pixel apart on every ray, arcs measured out every two levels.
    fn even() -> (Plane, Vec<f32>) {
        let mut radius = Plane::filled(LEVELS, LEVEL_RAYS, 0.0);
        for ray in 0..LEVEL_RAYS {
            for (i, r) in radius.row_mut(ray).iter_mut().enumerate() {
                *r = i as f32;
            }
        }
        (radius, (0..LEVELS / 2).map(|s| 2.0 * s as f32).collect())
    }

    #[test]
    fn arcs_that_line_up_keep_their_levels() {
        let (radius, level) = even();
        let still = Plane::filled(level.len(), ARCS, 0.0);
        let same = lined_up(&radius, &level, &still);
        for (a, b) in same.data.iter().zip(&radius.data) {
            assert!((a - b).abs() < 1e-3, "{a} {b}");
        }
    }

    #[test]
    fn a_disc_too_small_for_two_samples_keeps_its_levels() {
        let (radius, _) = even();
        for level in [&[][..], &[0.0][..]] {
            let shift = Plane::filled(level.len(), ARCS, 1.0);
            assert_eq!(lined_up(&radius, level, &shift).data, radius.data);
        }
    }

    #[test]
    fn a_shifted_arc_moves_by_its_samples_and_the_pith_stays() {
        let (radius, level) = even();
        let mut shift = Plane::filled(level.len(), ARCS, 0.0);
        for arc in 9..12 {
            shift.row_mut(arc).fill(3.0);
        }
        let moved = lined_up(&radius, &level, &shift);
        // The middle ray of arc 10 shows what lay three samples, six levels, further out.
        let row = moved.row(52);
        assert!((row[100] - 106.0).abs() < 1e-3, "{}", row[100]);
        assert!(row[0].abs() < 1e-6, "{}", row[0]);
        let other = moved.row(200);
        assert!((other[100] - 100.0).abs() < 1e-3, "{}", other[100]);
        for row in moved.data.chunks(LEVELS) {
            assert!(row.windows(2).all(|pair| pair[0] < pair[1]));
        }
    }
}
