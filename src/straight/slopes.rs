//! The local slope of the rings and how far to trust it, on the solve's grid.

use super::{KNOT_LEVELS, KNOT_RAYS, Round};
use crate::plane::{Plane, RowBorder, line_at};
use crate::vectors::widest;

/// A knot's weight is this times its coherence beyond [`CHANCE`], at most [`MOST_WEIGHT`]. Found on
/// rendered discs: five times it and saw marks bend the rings, a fifth of it and lobes stay.
const WEIGHT: f32 = 0.2;

/// Ratio of the tensor's eigenvalues that texture without direction reaches by chance.
const CHANCE: f32 = 1.5;

/// Largest weight of a knot.
const MOST_WEIGHT: f32 = 6.0;

/// Slope of the rings (knots a knot ray) and its weight, both `[KNOT_RAYS, KNOT_LEVELS]`.
///
/// The slope is the direction of the structure tensor, gathered over a window, not the ratio of
/// mixed to radial products: noise adds to that ratio's denominator and flattens every slope.
pub(super) fn measure(
    picture: &Plane,
    mask: &Plane,
    cells: &[f32],
    round: &Round,
) -> (Plane, Plane) {
    let (n, rays) = (picture.width, picture.height);
    let smooth = picture.blurred(round.blur.0, round.blur.1, RowBorder::Wrap);
    let whole = mask.blurred(round.blur.0, round.blur.1, RowBorder::Wrap);
    let turn = std::f32::consts::TAU / rays as f32;
    // Cells a pixel of arc over cells a pixel of radius, squared, at every cell.
    let stretch: Vec<f32> = (0..n)
        .map(|i| {
            ((cells[i + 1] - cells[i]) / (turn * (0.5 * (cells[i] + cells[i + 1]) + 3.0))).powi(2)
        })
        .collect();
    let mut along = Plane::filled(n, rays, 0.0);
    let mut across = Plane::filled(n, rays, 0.0);
    let mut energies = Vec::with_capacity(n * rays / 6);
    for ray in 0..rays {
        let (before, after) = (
            smooth.row((ray + rays - 1) % rays),
            smooth.row((ray + 1) % rays),
        );
        let (row, whole) = (smooth.row(ray), whole.row(ray));
        let (radial, tangential) = (along.row_mut(ray), across.row_mut(ray));
        let gradients = radial[1..n - 1].iter_mut().zip(&mut tangential[1..n - 1]);
        let neighbours = row[2..].iter().zip(row);
        let beside = after[1..n - 1].iter().zip(&before[1..n - 1]);
        for (((radial, tangential), whole), ((outer, inner), (after, before))) in
            gradients.zip(&whole[1..n - 1]).zip(neighbours.zip(beside))
        {
            // Gradients that reach over the edge of the wood are the edge's.
            let share = if *whole > 0.97 { 0.5 } else { 0.0 };
            *radial = (outer - inner) * share;
            *tangential = (after - before) * share;
        }
        // Every seventh cell, on each ray one further.
        for i in ((7 - ray % 7) % 7..n - 1).step_by(7) {
            if i > 0 && whole[i] > 0.97 {
                energies.push(radial[i].powi(2) + tangential[i].powi(2) * stretch[i]);
            }
        }
    }
    // The strongest tenth are cracks and bark: they count no more than the rest.
    let cap = quantile(&mut energies, 0.9).max(1e-9);
    let limit = round.angle_deg.to_radians().tan().powi(2);
    let rays_a_knot = rays / KNOT_RAYS;
    let share = 1.0 / rays_a_knot as f32;
    // Means over the rays of a knot, cell by cell.
    let mut products = [(); 4].map(|()| Plane::filled(n, KNOT_RAYS, 0.0));
    widest(
        #[inline(always)]
        || {
            for ray in 0..rays_a_knot * KNOT_RAYS {
                let knot = ray / rays_a_knot;
                let [squares, mixed, tangents, trusts] = &mut products;
                let sums = squares
                    .row_mut(knot)
                    .iter_mut()
                    .zip(mixed.row_mut(knot))
                    .zip(tangents.row_mut(knot).iter_mut().zip(trusts.row_mut(knot)));
                let gradients = along.row(ray).iter().zip(across.row(ray)).zip(&stretch);
                for (((square, mixed), (tangent, trust)), ((radial, tangential), stretch)) in
                    sums.zip(gradients)
                {
                    let arc = tangential * tangential * stretch;
                    let energy = radial * radial + arc;
                    let off = arc / (radial * radial + 1e-9) / limit;
                    // Falls to a half at the angle, to a seventeenth at twice its tangent.
                    let w = (1.0 / (1.0 + off * off)) * (cap / energy).min(1.0);
                    // Nothing where nothing changes: beyond the wood.
                    let w = if energy > 0.0 { w } else { 0.0 };
                    *square += radial * radial * w * share;
                    *mixed += radial * tangential * w * share;
                    *tangent += tangential * tangential * w * share;
                    *trust += w * share;
                }
            }
        },
    );
    let cells_a_knot = n as f32 / KNOT_LEVELS as f32;
    let [square, product, tangent, trust] = products.map(|plane| {
        gathered(&plane, KNOT_LEVELS).blurred(
            round.window.0 / cells_a_knot,
            round.window.1 / rays_a_knot as f32,
            RowBorder::Wrap,
        )
    });
    let middle = quantile(
        &mut square
            .data
            .iter()
            .copied()
            .filter(|v| *v > 0.0)
            .collect::<Vec<f32>>(),
        0.5,
    )
    .max(1e-9);
    // Noise is alike in both axes once each gradient is taken over the blur of its own axis; half a
    // cell stands for the sampling.
    let (unit_along, unit_across) = (round.blur.0.hypot(0.5), round.blur.1.hypot(0.5));
    let mut slope = Plane::filled(KNOT_LEVELS, KNOT_RAYS, 0.0);
    let mut weight = slope.clone();
    for i in 0..slope.data.len() {
        let xx = square.data[i] * unit_along * unit_along;
        let yy = tangent.data[i] * unit_across * unit_across;
        let xy = product.data[i] * unit_along * unit_across;
        let spread = ((xx - yy).powi(2) + 4.0 * xy * xy).sqrt();
        let (most, least) = (0.5 * (xx + yy + spread), 0.5 * (xx + yy - spread).max(0.0));
        let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
        // Cells a knot ray.
        slope.data[i] =
            (-angle.tan() * unit_along / unit_across * rays_a_knot as f32).clamp(-6.0, 6.0);
        let signal =
            square.data[i] / (square.data[i] + 0.3 * middle) * trust.data[i].clamp(0.0, 1.0);
        let coherence = (most / (least + 1e-3 * middle) - CHANCE).max(0.0);
        weight.data[i] = signal * (WEIGHT * coherence).min(MOST_WEIGHT) * angle.cos().powi(2);
    }
    to_level_knots(&slope, &weight, cells)
}

/// From knots even in cells to knots even in levels, slopes from cells to knots.
fn to_level_knots(slope: &Plane, weight: &Plane, cells: &[f32]) -> (Plane, Plane) {
    let n = cells.len() - 1;
    let reach = cells[n];
    let levels_a_knot = reach / KNOT_LEVELS as f32;
    let mut out = (slope.clone(), weight.clone());
    for k in 0..KNOT_LEVELS {
        let level = (k as f32 + 0.5) * levels_a_knot;
        let cell = cells.partition_point(|c| *c <= level).clamp(1, n) - 1;
        let width = cells[cell + 1] - cells[cell];
        let place =
            (cell as f32 + (level - cells[cell]) / width) * KNOT_LEVELS as f32 / n as f32 - 0.5;
        for ray in 0..KNOT_RAYS {
            out.0.data[ray * KNOT_LEVELS + k] =
                line_at(slope.row(ray), place) * width / levels_a_knot;
            out.1.data[ray * KNOT_LEVELS + k] = line_at(weight.row(ray), place);
        }
    }
    out
}

/// Means over `width` even stretches of each row.
fn gathered(plane: &Plane, width: usize) -> Plane {
    let mut out = Plane::filled(width, plane.height, 0.0);
    for y in 0..plane.height {
        let row = plane.row(y);
        for x in 0..width {
            let a = x * row.len() / width;
            let b = ((x + 1) * row.len() / width)
                .max(a + 1)
                .min(row.len().max(a + 1));
            let stretch = &row[a.min(row.len() - 1)..b.min(row.len())];
            out.data[y * width + x] = stretch.iter().sum::<f32>() / stretch.len().max(1) as f32;
        }
    }
    out
}

fn quantile(values: &mut [f32], share: f32) -> f32 {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a share of a length"
    )]
    let at = (values.len() as f32 * share).floor() as usize;
    if at < values.len() {
        *values.select_nth_unstable_by(at, f32::total_cmp).1
    } else {
        1.0
    }
}
