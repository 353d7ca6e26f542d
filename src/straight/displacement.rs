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
            (whole, knot - whole as f32, (i as f32 / 6.0).min(1.0))
        })
        .collect();
    for ray in 0..LEVEL_RAYS {
        // Knot rays stand in the middle of their block of rays.
        let block = (LEVEL_RAYS / KNOT_RAYS) as f32;
        let place = (ray as f32 + 0.5) / block - 0.5;
        let whole = place.floor();
        let part = place - whole;
        #[allow(clippy::cast_possible_truncation, reason = "a small whole number")]
        let first = (whole as isize)
            .rem_euclid(KNOT_RAYS.cast_signed())
            .unsigned_abs();
        let (a, b) = (increment.row(first), increment.row((first + 1) % KNOT_RAYS));
        for (value, (p, q)) in line.iter_mut().zip(a.iter().zip(b)) {
            *value = p * (1.0 - part) + q * part;
        }
        let source = old.row(ray);
        let target = radius.row_mut(ray);
        for (i, (r, &(whole, part, ramp))) in target.iter_mut().zip(&knots).enumerate() {
            let (here, next) = (line[whole], line[(whole + 1).min(n - 1)]);
            let shift = (here + part * (next - here)) * scale * ramp;
            let at = i as f32 + shift;
            *r = line_at(source, at);
            let last = (reach - 1) as f32;
            if at > last {
                // Beyond the last level the spacing of the last ones goes on.
                *r += (at - last) * (source[reach - 1] - source[reach - 2]);
            }
        }
    }
    rising(&mut radius);
    radius
}
