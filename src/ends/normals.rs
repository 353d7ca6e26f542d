//! The normals of the rings all over the face, and the places where they heap up.

use super::CELL;
use super::reach::Reach;
use crate::face::Face;
use crate::plane::{Plane, RowBorder};
use crate::vectors::{whole, widest};

/// Normals that are followed: a disc a ninth of the photo wide still has about a hundred.
const MOST_NORMALS: usize = 12_000;

/// Places that are tried.
const PLACES: usize = 40;

/// One normal: place (face samples), direction and weight.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Normal {
    pub(crate) x: f32,
    pub(crate) y: f32,
    pub(crate) nx: f32,
    pub(crate) ny: f32,
    pub(crate) weight: f32,
    /// Lies inside an end already found.
    pub(super) is_claimed: bool,
}

/// Normals of the rings all over the face, at most [`MOST_NORMALS`].
pub(crate) fn normals(face: &Face) -> Vec<Normal> {
    Normals::of(face).0
}

pub(super) struct Normals(pub(super) Vec<Normal>);

impl Normals {
    /// Normals of the part of the face that may be looked at.
    pub(super) fn of(face: &Face) -> Self {
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
    pub(super) fn places(&self, columns: usize, rows: usize) -> Vec<(f32, f32)> {
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
        // Cells along a line, -1 for none: worked out eight at a time, then gone through one by one.
        let mut cells = vec![-1i32; reach.max(2) - 2];
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_possible_wrap,
            reason = "a plane has fewer columns"
        )]
        let stride = columns as i32;
        for normal in &self.0 {
            let (x, y) = (cell(normal.x), cell(normal.y));
            for way in [-1.0, 1.0] {
                for (d, place) in (2i32..).zip(&mut cells) {
                    let along = way * d as f32;
                    // Half a cell on and cut off below: `round` is a call on plain x86-64.
                    let (px, py) = (x + along * normal.nx + 0.5, y + along * normal.ny + 0.5);
                    let is_inside =
                        (px >= 0.0) & (py >= 0.0) & (px < columns as f32) & (py < rows as f32);
                    let (px, py) = if is_inside { (px, py) } else { (0.0, 0.0) };
                    let (column, row) = (whole(px).1, whole(py).1);
                    let at = row.cast_signed() * stride + column.cast_signed();
                    *place = if is_inside { at } else { -1 };
                }
                // A line that has left the plane doesn't come back.
                for place in cells.iter().take_while(|place| **place >= 0) {
                    heap.data[place.cast_unsigned() as usize] += normal.weight;
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

    /// Takes the wood of an end from the others.
    pub(super) fn claim(&mut self, end: &Reach) {
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
