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

mod normals;
mod reach;

use normals::Normals;
pub(crate) use normals::{Normal, normals};
use reach::Reach;

use crate::face::Face;
use crate::settings::Region;

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

/// Radial step of a sector, face samples.
const STEP: f32 = 6.0;

/// Share of the sectors that must point at the place: on the development renders and photos at most
/// 0.42 for anything that was no log end, and under half for three stained or rough discs.
const LEAST_SECTORS: f32 = 0.5;

/// Least radius of an end as a share of the photo's longer side.
const LEAST_RADIUS: f32 = 0.055;

/// Most log ends that are told of.
pub const MOST_ENDS: usize = 32;

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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plane::Plane;
    use std::f32::consts::TAU;

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
