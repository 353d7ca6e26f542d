//! How many log ends a photo shows, and where.
//!
//! Each log end has rings of its own, and the normals of its rings meet in its pith. Normals of the
//! whole face (structure tensor: Bigun & Granlund 1987, as in [`crate::pith`]) each draw a line; where
//! lines heap up beyond their surroundings may be a pith. About such a place every sector is followed
//! outward for as long as its normals point there, and the distances reached are joined into a closed
//! path. A log end is a place that at least half of the sectors point at, out to their ends. What lies
//! inside one is taken from the others, and the next is looked for.
//!
//! Limits: an end narrower than about a ninth of the photo, or one that shows its rings on less than
//! half of its circumference (stain, deep saw marks), is not told from the ground. The place of the
//! pith itself is left to [`crate::pith`], which looks at one end at a time.

use crate::face::Face;
use crate::plane::{Plane, RowBorder};
use crate::settings::Region;
use crate::vectors::widest;
use std::f32::consts::TAU;

/// One log end.
///
/// Holds: the region lies inside the photo and is at least 64 px a side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct End {
    /// The part of the photo that holds it, px.
    pub region: Region,
    /// Median distance from the middle of its rings to its edge, px.
    pub radius_px: f64,
    /// Whether all of it is in the photo.
    pub is_complete: bool,
}

/// Face samples a cell of the normals.
const CELL: usize = 4;

/// Normals that are followed: a disc a ninth of the photo wide still has about a hundred.
const MOST_NORMALS: usize = 12_000;

/// Sectors about a place, 15 degrees each.
const SECTORS: usize = 24;

/// Radial step of a sector, face samples.
const STEP: f32 = 6.0;

/// How many steps the path may go in or out from one sector to the next.
const MOST_JUMP: usize = 3;

/// Share of the weight of a sector's normals that must point at the place for the sector to go on:
/// normals of any direction give 0.07, rings 0.5 to 0.95 (28 development renders, five photos).
const POINTING: f32 = 0.35;

/// What a step outward costs, share of the mean weight that steps have where there are normals at all:
/// on ground without any grain (paper, snow) nothing else would end a sector.
const TOLL: f32 = 0.05;

/// The same over a whole sector for it to count as wood of this end.
const POINTING_SECTOR: f32 = 0.5;

/// Share of the sectors that must point at the place: on the development renders and photos at most
/// 0.42 for anything that was no log end, and under half for three stained or rough discs.
const LEAST_SECTORS: f32 = 0.5;

/// Least radius of an end as a share of the photo's longer side.
const LEAST_RADIUS: f32 = 0.055;

/// Places that are tried.
const PLACES: usize = 40;

/// Most log ends that are told of.
pub const MOST_ENDS: usize = 32;

/// An end that leaves the photo on more than this share of its sectors is not complete.
const MOST_FRAMED: f32 = 0.15;

/// Room that a region has beyond the distance reached, as a share of it: ground for the wood's edge to be
/// told from. The distance is some twenty samples beyond the edge already, for the edge itself points at the pith.
const ROOM: f32 = 0.08;

/// Finds the log ends of the face, in the order in which they are numbered: rows from top to bottom,
/// within a row from left to right.
pub fn find(face: &Face) -> Vec<End> {
    let (w, h) = (face.grey.width, face.grey.height);
    if w < 16 * CELL || h < 16 * CELL {
        return Vec::new();
    }
    let mut normals = Normals::of(face);
    let mut places = normals.places(w / CELL, h / CELL);
    let longest = w.max(h) as f32;
    let mut found: Vec<Reach> = Vec::new();
    while found.len() < MOST_ENDS {
        places.retain(|place| !found.iter().any(|end| end.holds(*place, 1.1, STEP)));
        let tried = places.iter().map(|place| normals.reach(*place, face));
        // Places come in a fixed order, and the first of equals is kept.
        let best = tried
            .filter(|reach| {
                reach.sectors >= LEAST_SECTORS && reach.radius() >= LEAST_RADIUS * longest
            })
            .reduce(|a, b| if b.merit > a.merit { b } else { a });
        let Some(best) = best else { break };
        normals.claim(&best);
        found.push(best);
    }
    in_order(found.iter().map(|reach| reach.end(face)).collect())
}

/// The end that is read where one is: the largest of those that are complete.
pub fn largest_complete(ends: &[End]) -> Option<usize> {
    (0..ends.len())
        .filter(|k| ends[*k].is_complete)
        .max_by(|a, b| ends[*a].radius_px.total_cmp(&ends[*b].radius_px))
}

/// Share of its side that a region grows by where wood runs on past it.
const GROWTH: f64 = 0.25;

/// Degrees of the edge that must be missing toward a side for wood to run on there.
const LEAST_PASSED: usize = 4;

/// A larger region for an end whose wood was seen to run on past a side of `region`, which held it too
/// tightly; none where that is so at the border of `within` only, or where the next end begins.
///
/// `pith` in px of the photo, `edge` the distance of the wood's edge from it at every degree.
pub fn with_more_room(
    region: Region,
    others: &[Region],
    pith: (f64, f64),
    edge: &[Option<f64>],
    within: Region,
) -> Option<Region> {
    let [x, y, w, h] = [region.x_px, region.y_px, region.width_px, region.height_px].map(f64::from);
    // Left, right, top, bottom.
    let mut passed = [0_usize; 4];
    for (degree, _) in edge.iter().enumerate().filter(|(_, e)| e.is_none()) {
        let (sin, cos) = (degree as f64 * std::f64::consts::TAU / edge.len() as f64).sin_cos();
        let across = if cos < 0.0 {
            x - pith.0
        } else {
            x + w - pith.0
        } / cos;
        let along = if sin < 0.0 {
            y - pith.1
        } else {
            y + h - pith.1
        } / sin;
        let side = match (across < along, cos < 0.0, sin < 0.0) {
            (true, true, _) => 0,
            (true, false, _) => 1,
            (false, _, true) => 2,
            (false, _, false) => 3,
        };
        passed[side] += 1;
    }
    let [mut left, mut right, mut top, mut bottom] = [x, x + w, y, y + h];
    let goes_on = passed.map(|degrees| degrees >= LEAST_PASSED);
    left -= if goes_on[0] { GROWTH * w } else { 0.0 };
    right += if goes_on[1] { GROWTH * w } else { 0.0 };
    top -= if goes_on[2] { GROWTH * h } else { 0.0 };
    bottom += if goes_on[3] { GROWTH * h } else { 0.0 };
    for other in others {
        let [ox, oy, ow, oh] =
            [other.x_px, other.y_px, other.width_px, other.height_px].map(f64::from);
        // Beside it where they share rows for the most part, else above or below it.
        let rows = (y + h).min(oy + oh) - y.max(oy);
        let columns = (x + w).min(ox + ow) - x.max(ox);
        if rows >= columns && rows > 0.0 {
            if ox + ow / 2.0 > x + w / 2.0 {
                right = right.min(ox.max(x + w));
            } else {
                left = left.max((ox + ow).min(x));
            }
        } else if columns > 0.0 {
            if oy + oh / 2.0 > y + h / 2.0 {
                bottom = bottom.min(oy.max(y + h));
            } else {
                top = top.max((oy + oh).min(y));
            }
        }
    }
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "inside a region of the photo"
    )]
    let [left, right, top, bottom] = [
        left.max(f64::from(within.x_px).min(x)) as u32,
        right.min(f64::from(within.x_px + within.width_px).max(x + w)) as u32,
        top.max(f64::from(within.y_px).min(y)) as u32,
        bottom.min(f64::from(within.y_px + within.height_px).max(y + h)) as u32,
    ];
    let grown = Region {
        x_px: left,
        y_px: top,
        width_px: right - left,
        height_px: bottom - top,
    };
    (grown != region).then_some(grown)
}

/// Rows from top to bottom, within a row from left to right. An end belongs to the row of the topmost
/// end left if its middle is no further down than half of that end's height.
fn in_order(mut ends: Vec<End>) -> Vec<End> {
    let middle = |end: &End| {
        (
            f64::from(end.region.x_px) + f64::from(end.region.width_px) / 2.0,
            f64::from(end.region.y_px) + f64::from(end.region.height_px) / 2.0,
        )
    };
    ends.sort_by(|a, b| middle(a).1.total_cmp(&middle(b).1));
    let mut ordered = Vec::with_capacity(ends.len());
    while let Some(top) = ends.first() {
        let below = middle(top).1 + f64::from(top.region.height_px) / 2.0;
        let rest = ends
            .iter()
            .position(|end| middle(end).1 > below)
            .unwrap_or(ends.len());
        let mut row: Vec<End> = ends.drain(..rest).collect();
        row.sort_by(|a, b| middle(a).0.total_cmp(&middle(b).0));
        ordered.append(&mut row);
    }
    ordered
}

/// One normal: place (face samples), direction and weight.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Normal {
    pub(crate) x: f32,
    pub(crate) y: f32,
    pub(crate) nx: f32,
    pub(crate) ny: f32,
    pub(crate) weight: f32,
    /// Lies inside an end already found.
    is_claimed: bool,
}

/// Normals of the rings all over the face, at most [`MOST_NORMALS`].
pub(crate) fn normals(face: &Face) -> Vec<Normal> {
    Normals::of(face).0
}

struct Normals(Vec<Normal>);

impl Normals {
    /// Normals of the part of the face that may be looked at.
    fn of(face: &Face) -> Self {
        let [xx, yy, xy] = cell_tensors(face.even_smooth())
            .map(|plane| plane.blurred(1.0, 1.0, RowBorder::Repeat));
        let mut energies: Vec<f32> = xx.data.iter().zip(&yy.data).map(|(a, b)| a + b).collect();
        let middle = energies.len() / 2;
        let (_, typical, _) = energies.select_nth_unstable_by(middle, f32::total_cmp);
        let typical = typical.max(1e-9);
        let [left, top, right, bottom] = face.bounds;
        let mut all = Vec::new();
        for row in 0..xx.height {
            for column in 0..xx.width {
                let (a, b, c) = (xx.at(column, row), yy.at(column, row), xy.at(column, row));
                let energy = a + b;
                let coherence = ((a - b).powi(2) + 4.0 * c * c).sqrt() / (energy + 1e-9);
                let at = |cell: usize| (cell * CELL) as f32 + (CELL as f32 - 1.0) / 2.0;
                let (x, y) = (at(column), at(row));
                let is_inside = x >= left && x < right && y >= top && y < bottom;
                if coherence > 0.3 && is_inside {
                    let (ny, nx) = (0.5 * (2.0 * c).atan2(a - b)).sin_cos();
                    all.push(Normal {
                        x,
                        y,
                        nx,
                        ny,
                        weight: coherence.powi(2) * (energy / typical).min(1.5),
                        is_claimed: false,
                    });
                }
            }
        }
        let every = all.len().div_ceil(MOST_NORMALS).max(1);
        Normals(all.into_iter().step_by(every).collect())
    }

    /// Places that lines along the normals heap up at, beyond what their surroundings have.
    fn places(&self, columns: usize, rows: usize) -> Vec<(f32, f32)> {
        widest(
            #[inline(always)]
            || self.places_plain(columns, rows),
        )
    }

    #[inline(always)]
    fn places_plain(&self, columns: usize, rows: usize) -> Vec<(f32, f32)> {
        let mut heap = Plane::filled(columns, rows, 0.0);
        let cell = |v: f32| (v - (CELL as f32 - 1.0) / 2.0) / CELL as f32;
        let reach = columns.max(rows) / 2;
        for normal in &self.0 {
            let (x, y) = (cell(normal.x), cell(normal.y));
            for way in [-1.0, 1.0] {
                for d in 2..reach {
                    let along = way * d as f32;
                    // Half a cell on and cut off below: `round` is a call on plain x86-64.
                    let (px, py) = (x + along * normal.nx + 0.5, y + along * normal.ny + 0.5);
                    if px < 0.0 || py < 0.0 || px >= columns as f32 || py >= rows as f32 {
                        break;
                    }
                    #[allow(
                        clippy::cast_possible_truncation,
                        reason = "inside the plane by the test above"
                    )]
                    let (column, row) = (px as i32, py as i32);
                    let i =
                        row.cast_unsigned() as usize * columns + column.cast_unsigned() as usize;
                    heap.data[i] += normal.weight;
                }
            }
        }
        let heap = heap.blurred(1.2, 1.2, RowBorder::Repeat);
        let beyond = heap.with(&heap.blurred(10.0, 10.0, RowBorder::Repeat), |a, b| {
            a / (b + 1e-6)
        });
        let mut tops: Vec<(f32, usize, usize)> = Vec::new();
        for row in 0..rows {
            for column in 0..columns {
                let here = beyond.at(column, row);
                let around = (row.saturating_sub(4)..(row + 5).min(rows)).all(|y| {
                    beyond.row(y)[column.saturating_sub(4)..(column + 5).min(columns)]
                        .iter()
                        .all(|v| *v <= here)
                });
                if around && here > 0.0 {
                    tops.push((here, row, column));
                }
            }
        }
        tops.sort_by(|a, b| b.0.total_cmp(&a.0).then((a.1, a.2).cmp(&(b.1, b.2))));
        let at = |cell: usize| (cell * CELL) as f32 + (CELL as f32 - 1.0) / 2.0;
        tops.iter()
            .take(PLACES)
            .map(|&(_, row, column)| (at(column), at(row)))
            .collect()
    }

    /// How far the normals about a place point at it, sector by sector.
    fn reach(&self, place: (f32, f32), face: &Face) -> Reach {
        widest(
            #[inline(always)]
            || self.reach_plain(place, face),
        )
    }

    #[inline(always)]
    fn reach_plain(&self, place: (f32, f32), face: &Face) -> Reach {
        let [left, top, right, bottom] = face.bounds;
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a length in steps"
        )]
        let steps = (0.75 * (right - left).max(bottom - top) / STEP)
            .ceil()
            .max(4.0) as usize;
        // Gain and weight of each step of each sector, then summed outward.
        let mut gain = vec![[0.0f32; 2]; SECTORS * steps];
        for normal in &self.0 {
            let (dx, dy) = (normal.x - place.0, normal.y - place.1);
            #[allow(
                clippy::imprecise_flops,
                reason = "`hypot` is a call, and lengths across a face neither overflow nor vanish"
            )]
            let r = (dx * dx + dy * dy).sqrt().max(1e-3);
            let miss = (dx * normal.ny - dy * normal.nx) / r / 0.15;
            let pointing = if normal.is_claimed {
                0.0
            } else {
                1.0 / (1.0 + miss * miss).powi(2)
            };
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a length in steps"
            )]
            let step = ((r / STEP) as usize).min(steps - 1);
            let sum = &mut gain[sector_of(dx, dy) * steps + step];
            sum[0] += normal.weight * (pointing - POINTING);
            if !normal.is_claimed {
                sum[1] += normal.weight;
            }
        }
        let occupied = gain.iter().filter(|sum| sum[1] > 0.0).count().max(1);
        let toll = TOLL * gain.iter().map(|sum| sum[1]).sum::<f32>() / occupied as f32;
        for sector in gain.chunks_exact_mut(steps) {
            sector.iter_mut().for_each(|sum| sum[0] -= toll);
            for i in 1..steps {
                let before = sector[i - 1];
                sector[i][0] += before[0];
                sector[i][1] += before[1];
            }
        }
        let path = closed_path(&gain, steps);
        let mut reach = Reach {
            place,
            radii: path.iter().map(|step| *step as f32 * STEP).collect(),
            merit: 0.0,
            sectors: 0.0,
            framed: 0.0,
        };
        let typical = reach.radius();
        for (sector, &step) in path.iter().enumerate() {
            let [sum, weight] = gain[sector * steps + step];
            // What the normals say, without the toll.
            let pointing = sum + toll * (step + 1) as f32;
            reach.merit += sum;
            let share = if weight > 0.0 {
                pointing / weight + POINTING
            } else {
                0.0
            };
            if share > POINTING_SECTOR && reach.radii[sector] > 0.4 * typical {
                reach.sectors += 1.0 / SECTORS as f32;
            }
            let (x, y) = reach.point(sector, 1.0, STEP);
            if x < left || y < top || x > right - 1.0 || y > bottom - 1.0 {
                reach.framed += 1.0 / SECTORS as f32;
            }
        }
        reach
    }

    /// Takes the wood of an end from the others.
    fn claim(&mut self, end: &Reach) {
        for normal in &mut self.0 {
            normal.is_claimed |= end.holds((normal.x, normal.y), 1.05, 0.0);
        }
    }
}

/// Means over cells of the products of a plane's gradients: xx, yy, xy.
fn cell_tensors(plane: &Plane) -> [Plane; 3] {
    let (w, h) = (plane.width, plane.height);
    let mut cells = [(); 3].map(|()| Plane::filled(w / CELL, h / CELL, 0.0));
    let mut lines = [(); 3].map(|()| vec![0.0f32; w]);
    let share = 1.0 / (CELL * CELL) as f32;
    for y in 1..(h / CELL * CELL).min(h - 1) {
        let (above, here, below) = (plane.row(y - 1), plane.row(y), plane.row(y + 1));
        let [xx, yy, xy] = &mut lines;
        let inner = 1..w - 1;
        let products = xx[inner.clone()]
            .iter_mut()
            .zip(&mut yy[inner.clone()])
            .zip(&mut xy[inner.clone()]);
        let across = here[2..].iter().zip(&here[..w - 2]);
        let down = below[inner.clone()].iter().zip(&above[inner]);
        for (((xx, yy), xy), ((right, left), (below, above))) in products.zip(across.zip(down)) {
            let (gx, gy) = ((right - left) / 2.0, (below - above) / 2.0);
            (*xx, *yy, *xy) = (gx * gx, gy * gy, gx * gy);
        }
        for (cells, line) in cells.iter_mut().zip(&lines) {
            let blocks = line.as_chunks::<CELL>().0;
            for (cell, block) in cells.row_mut(y / CELL).iter_mut().zip(blocks) {
                *cell += block.iter().sum::<f32>() * share;
            }
        }
    }
    cells
}

/// Tangents of 15, 30, 45, 60 and 75 degrees: the sectors' borders within a quarter turn.
const BORDERS: [f32; 5] = [0.267_949_2, 0.577_350_26, 1.0, 1.732_050_8, 3.732_051];

/// Sector of a direction; each begins with its border.
#[inline(always)]
fn sector_of(dx: f32, dy: f32) -> usize {
    let (across, down) = (dx.abs(), dy.abs());
    // Borders that a direction has reached, and those that it has passed: the quarters are gone
    // through to and fro.
    let reached: usize = BORDERS
        .iter()
        .map(|t| usize::from(down >= t * across))
        .sum();
    let passed: usize = BORDERS.iter().map(|t| usize::from(down > t * across)).sum();
    match (dx > 0.0, dy > 0.0, dx < 0.0, dy < 0.0) {
        (true, _, _, false) => reached,
        (false, true, ..) => 11 - passed,
        (_, _, true, _) => 12 + reached,
        (_, _, _, true) => 23 - passed,
        _ => 0,
    }
}

/// The path round the sectors with the greatest sum: twice round from an open start, of which the
/// middle turn has forgotten both ends.
#[inline(always)]
fn closed_path(gain: &[[f32; 2]], steps: usize) -> Vec<usize> {
    let value = |turn: usize, step: usize| gain[turn % SECTORS * steps + step][0];
    let mut best: Vec<f32> = (0..steps).map(|step| value(0, step)).collect();
    let mut from: Vec<Vec<usize>> = Vec::with_capacity(2 * SECTORS);
    for turn in 1..2 * SECTORS {
        let (mut next, mut back) = (vec![f32::MIN; steps], vec![0; steps]);
        for step in 0..steps {
            let near = step.saturating_sub(MOST_JUMP)..(step + MOST_JUMP + 1).min(steps);
            for before in near {
                if best[before] > next[step] {
                    (next[step], back[step]) = (best[before], before);
                }
            }
            next[step] += value(turn, step);
        }
        best = next;
        from.push(back);
    }
    let mut at = (0..steps)
        .max_by(|a, b| best[*a].total_cmp(&best[*b]).then(b.cmp(a)))
        .unwrap_or(0);
    let mut path = vec![0; SECTORS];
    for turn in (0..2 * SECTORS).rev() {
        if (SECTORS / 2..SECTORS / 2 + SECTORS).contains(&turn) {
            path[turn % SECTORS] = at;
        }
        if turn > 0 {
            at = from[turn - 1][at];
        }
    }
    path
}

/// How far the normals about a place point at it.
#[derive(Debug, Clone)]
struct Reach {
    /// The place, face samples.
    place: (f32, f32),
    /// Distance reached in each sector, face samples.
    radii: Vec<f32>,
    /// Weight of the normals that point at the place beyond what other places get.
    merit: f32,
    /// Share of the sectors that point at it.
    sectors: f32,
    /// Share of the sectors that reach the photo's border.
    framed: f32,
}

impl Reach {
    /// Median radius, face samples.
    fn radius(&self) -> f32 {
        let mut sorted = self.radii.clone();
        sorted.sort_by(f32::total_cmp);
        sorted[sorted.len() / 2]
    }

    fn holds(&self, (x, y): (f32, f32), times: f32, more: f32) -> bool {
        let (dx, dy) = (x - self.place.0, y - self.place.1);
        dx.hypot(dy) < self.radii[sector_of(dx, dy)] * times + more
    }

    /// The edge in the middle of a sector.
    fn point(&self, sector: usize, times: f32, more: f32) -> (f32, f32) {
        let (sin, cos) = ((sector as f32 + 0.5) / SECTORS as f32 * TAU).sin_cos();
        let r = self.radii[sector] * times + more;
        (self.place.0 + r * cos, self.place.1 + r * sin)
    }

    fn end(&self, face: &Face) -> End {
        let [mut left, mut top, mut right, mut bottom] = [f32::MAX, f32::MAX, f32::MIN, f32::MIN];
        for sector in 0..SECTORS {
            let (x, y) = self.point(sector, 1.0 + ROOM, STEP);
            (left, right) = (left.min(x), right.max(x));
            (top, bottom) = (top.min(y), bottom.max(y));
        }
        let [first_x, first_y, last_x, last_y] = face.bounds;
        let px = |sample: f32| {
            let px = (f64::from(sample) * face.step_px as f64).round().max(0.0);
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a place in the photo, not below 0"
            )]
            let px = px as u32;
            px
        };
        let (x0, x1) = (px(left.max(first_x)), px(right.min(last_x)));
        let (y0, y1) = (px(top.max(first_y)), px(bottom.min(last_y)));
        End {
            region: Region {
                x_px: x0,
                y_px: y0,
                width_px: x1.saturating_sub(x0).max(1),
                height_px: y1.saturating_sub(y0).max(1),
            },
            radius_px: f64::from(self.radius()) * face.step_px as f64,
            is_complete: self.framed <= MOST_FRAMED,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A face with rings of 9 samples inside circles (x, y, radius), nothing else.
    fn face_of(circles: &[(f32, f32, f32)], width: usize, height: usize) -> Face {
        let mut grey = Plane::filled(width, height, 90.0);
        for y in 0..height {
            for x in 0..width {
                for &(cx, cy, radius) in circles {
                    let r = (x as f32 - cx).hypot(y as f32 - cy);
                    if r < radius {
                        grey.data[y * width + x] = 140.0 + 40.0 * (r / 9.0 * TAU).sin();
                    }
                }
            }
        }
        let flat = Plane::filled(width, height, 0.0);
        Face::of(3, [grey, flat.clone(), flat])
    }

    #[test]
    fn a_region_grows_where_wood_runs_on_and_not_into_the_next_end() {
        let region = |x_px, y_px, width_px, height_px| Region {
            x_px,
            y_px,
            width_px,
            height_px,
        };
        let (own, photo) = (region(100, 50, 200, 100), region(0, 0, 600, 150));
        // The edge is missing toward the right and downward.
        let edge: Vec<Option<f64>> = (0..360)
            .map(|degree| {
                (!(0..=5).contains(&degree) && !(85..=95).contains(&degree)).then_some(40.0)
            })
            .collect();
        let grown =
            |others: &[Region], within| with_more_room(own, others, (200.0, 100.0), &edge, within);
        // A quarter of 200 px to the right; below is the photo's border.
        assert_eq!(grown(&[], photo), Some(region(100, 50, 250, 100)));
        let next = region(320, 40, 200, 100);
        assert_eq!(grown(&[next], photo), Some(region(100, 50, 220, 100)));
        assert_eq!(grown(&[], region(100, 50, 200, 100)), None);
        let whole = vec![Some(40.0); 360];
        assert_eq!(
            with_more_room(own, &[], (200.0, 100.0), &whole, photo),
            None
        );
    }

    /// Whether a region holds the circle of a face of 3 px a sample.
    fn holds(region: Region, (x, y, r): (f32, f32, f32)) -> bool {
        let (left, top) = (region.x_px as f32 / 3.0, region.y_px as f32 / 3.0);
        let (right, bottom) = (
            left + region.width_px as f32 / 3.0,
            top + region.height_px as f32 / 3.0,
        );
        left <= x - r && top <= y - r && right >= x + r && bottom >= y + r
    }

    #[test]
    fn drawn_ends_are_found_numbered_in_rows_and_the_largest_whole_one_is_named() {
        // The second row first: the order is not that of the finding.
        let circles = [
            (150.0, 420.0, 130.0),
            (420.0, 430.0, 110.0),
            (120.0, 140.0, 90.0),
            (360.0, 150.0, 120.0),
            (620.0, 120.0, 80.0),
        ];
        let ends = find(&face_of(&circles, 760, 580));
        assert_eq!(ends.len(), 5, "{ends:?}");
        for (end, circle) in ends.iter().zip([2, 3, 4, 0, 1]) {
            assert!(holds(end.region, circles[circle]), "{end:?} {circle}");
            let radius = f64::from(circles[circle].2) * 3.0;
            // The cells on the edge point at the pith as well: some twenty samples more.
            let over = end.radius_px / radius;
            assert!((0.95..1.3).contains(&over), "{end:?}: {over}");
            assert!(end.is_complete);
        }
        assert_eq!(largest_complete(&ends), Some(3));
    }

    #[test]
    fn one_end_is_one_and_a_cut_one_is_not_complete() {
        let ends = find(&face_of(&[(300.0, 240.0, 200.0)], 640, 480));
        assert_eq!(ends.len(), 1);
        let ends = find(&face_of(
            &[(200.0, 240.0, 150.0), (600.0, 240.0, 170.0)],
            640,
            480,
        ));
        assert_eq!(ends.len(), 2, "{ends:?}");
        assert!(ends[0].is_complete && !ends[1].is_complete, "{ends:?}");
        assert_eq!(largest_complete(&ends), Some(0));
    }

    #[test]
    fn sectors_are_those_of_the_azimuth() {
        for y in -112i16..=112 {
            for x in -112i16..=112 {
                let (dx, dy) = (4.0 * f32::from(x), 4.0 * f32::from(y));
                let turn = (dy.atan2(dx) / TAU).rem_euclid(1.0);
                let expected = ((turn * SECTORS as f32).floor() as usize).min(SECTORS - 1);
                assert_eq!(sector_of(dx, dy), expected, "{dx} {dy}");
            }
        }
    }

    #[test]
    fn no_end_is_seen_in_stripes_noise_or_tiny_faces() {
        let mut striped = face_of(&[], 400, 300);
        for y in 0..300 {
            for x in 0..400 {
                striped.grey.data[y * 400 + x] =
                    120.0 + 50.0 * (x as f32 * 0.7 + y as f32 * 0.2).sin();
            }
        }
        assert!(find(&striped).is_empty());
        let mut state = 1u32;
        let mut noisy = face_of(&[], 400, 300);
        for value in &mut noisy.grey.data {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            *value = (state >> 24) as f32;
        }
        assert!(find(&noisy).is_empty());
        assert!(find(&face_of(&[(10.0, 10.0, 9.0)], 20, 20)).is_empty());
    }
}
