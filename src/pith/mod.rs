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
mod close_in;
mod tensors;
mod vote;

pub use arcs::centre_of_arcs;
use circles::{centre_circles, places_of_circles};
use close_in::close_in;
use vote::{gather, most_votes};

use crate::face::Face;
use crate::outline::WoodEdge;
use crate::reading::{AZIMUTHS, PithState};
use crate::settings::Settings;

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
    let (first, agreement) = most_votes(&normals, face);
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
    let votes = |(x, y): (f64, f64)| f64::from(normals.votes((x as f32, y as f32), face));
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plane::Plane;

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
}
