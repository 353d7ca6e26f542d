//! The cross marks or dots on a ruled line: what differs beside it from the wood of the same ring.

use super::super::ladder::Ladder;
use super::{Colour, Line, View, dot, less};
use rayon::prelude::*;

/// Share of the ink's difference that a mark has beside the line.
const MARK_SHARE: f64 = 0.36;
/// With this share it is a mark, however much the wood spreads, under a line of this contrast, levels:
/// under a fainter one the camera's noise has such shares.
const SURE_SHARE: f64 = 0.6;
const CLEAR_CONTRAST: f64 = 20.0;

/// Where the colour beside the line is looked at, in widths of the line from its middle: within a mark,
/// and beyond it. A mark that is shorter than three widths of the line is none.
const NEAR: [f64; 4] = [0.75, 1.0, 1.25, 1.5];
const FAR: [f64; 5] = [3.8, 4.4, 5.0, 5.6, 6.2];
/// Differences with more than this share of the ink's colour may be marks: they don't tell how the wood
/// differs.
const MAY_BE_MARK: f64 = 0.5;
/// What a camera's noise and compression leave in a difference of colours, levels.
const NOISE_LEVELS: f64 = 3.0;
/// Marks are looked for up to this share of the edge's distance: the rim of bark is dark as well.
const MARKS_TO: f64 = 0.985;
/// And from this one on: the pith's own rim looks like a mark.
const MARKS_FROM: f64 = 0.035;
/// A mark stands out of what the wood has beside the line by so many times the distance of its 5th from
/// its 20th percentile, three standard deviations if it were normal: on pores and under faint pencil
/// the spread is large.
const OUT_OF_SPREAD: f64 = 4.8;

/// How a difference of colours is weighed, so that the ink counts and what the wood does by itself does
/// not: Fisher's linear discriminant (Fisher 1936, from memory). Beside a line the wood differs along its
/// own scale from early- to latewood, where a ring bends away, and by its pores; pencil and pens differ
/// from that scale in hue, and black ink at least in being darker than all of it.
#[derive(Debug, Clone, Copy)]
struct Ink {
    /// Weights of the three colours; the ink itself weighs 1.
    weights: Colour,
}

impl Ink {
    /// From the differences beside a line, of which marks are the lesser part.
    fn of<'a>(differences: impl Iterator<Item = &'a Colour>, way: Colour, contrast: f64) -> Ink {
        let ink = way.map(|v| v * contrast);
        let mut spread = [[0.0; 3]; 3];
        let mut count = 0.0;
        for off in differences {
            // What has a good part of the ink's colour may be a mark.
            if dot(*off, way) > MAY_BE_MARK * contrast {
                continue;
            }
            count += 1.0;
            for (row, a) in spread.iter_mut().zip(off) {
                for (cell, b) in row.iter_mut().zip(off) {
                    *cell += a * b;
                }
            }
        }
        for (i, row) in spread.iter_mut().enumerate() {
            for cell in row.iter_mut() {
                *cell /= f64::max(count, 1.0);
            }
            row[i] += NOISE_LEVELS * NOISE_LEVELS;
        }
        let direction = solved(spread, ink);
        let own = dot(direction, ink);
        Ink {
            weights: if own > 0.0 {
                direction.map(|v| v / own)
            } else {
                way.map(|v| v / contrast)
            },
        }
    }

    /// Share of the ink in what differs beside the line. A mark crosses the line whole: nearly all of the
    /// places to both sides have its colour, which a pore or a fleck beside the line has on few.
    fn share(&self, differences: &[Colour]) -> f64 {
        let mut shares: Vec<f64> = differences
            .iter()
            .map(|off| dot(*off, self.weights))
            .collect();
        shares.sort_by(f64::total_cmp);
        match shares.as_slice() {
            [_, a, b, c, ..] => (a + b + c) / 3.0,
            _ => 0.0,
        }
    }
}

/// Solves three equations (Cramer's rule); nothing where they don't determine it.
fn solved(m: [[f64; 3]; 3], right: Colour) -> Colour {
    let cross = |a: Colour, b: Colour| -> Colour {
        [
            a[1] * b[2] - a[2] * b[1],
            a[2] * b[0] - a[0] * b[2],
            a[0] * b[1] - a[1] * b[0],
        ]
    };
    // The matrix is symmetric: its rows are its columns.
    let [a, b, c] = m;
    let determinant = dot(a, cross(b, c));
    if determinant.abs() < 1e-12 {
        return [0.0; 3];
    }
    [
        dot(right, cross(b, c)) / determinant,
        dot(a, cross(right, c)) / determinant,
        dot(a, cross(b, right)) / determinant,
    ]
}

impl View<'_> {
    /// The marks along the line.
    pub(super) fn marks(
        &self,
        line: Line,
        width_px: f64,
        contrast: f64,
        way: Colour,
    ) -> Vec<(f64, f64)> {
        let Some(edge) = self.edge_px(line.azimuth_deg) else {
            return Vec::new();
        };
        let from = (MARKS_FROM * edge).max(2.0 * width_px);
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "half px along a line in a photo"
        )]
        let steps = (2.0 * (MARKS_TO * edge - width_px - from))
            .floor()
            .clamp(0.0, 1e5) as u32;
        let beside: Vec<Option<Vec<Colour>>> = (0..steps)
            .into_par_iter()
            .map(|i| self.beside(line, from + 0.5 * f64::from(i), width_px))
            .collect();
        let ink = Ink::of(beside.iter().flatten().flatten(), way, contrast);
        let shares: Vec<f64> = beside
            .iter()
            .map(|offs| offs.as_deref().map_or(0.0, |offs| ink.share(offs)))
            .collect();
        let sure_share = if contrast >= CLEAR_CONTRAST {
            SURE_SHARE
        } else {
            f64::MAX
        };
        peaks(&shares, width_px, sure_share)
            .into_iter()
            .map(|i| self.point(line, from + 0.5 * i, 0.0))
            .collect()
    }

    /// How far the colour just beside the line differs from that of the same ring farther off, at
    /// several places to both sides.
    fn beside(&self, line: Line, along: f64, width_px: f64) -> Option<Vec<Colour>> {
        let mut offs = Vec::with_capacity(2 * NEAR.len());
        for sign in [-1.0, 1.0] {
            for near in NEAR {
                let across = sign * (near * width_px + 0.7);
                let here = self.colour(self.point(line, along, across))?;
                let ring = self.ring_at(line, along, across);
                let mut wood: Vec<Colour> = FAR
                    .iter()
                    .filter_map(|far| {
                        let across = sign * (far * width_px + 3.0);
                        let along = ring
                            .and_then(|ring| self.along_of(line, ring, along, across))
                            .unwrap_or(along);
                        self.colour(self.point(line, along, across))
                    })
                    .collect();
                // Pores and flecks lie in the wood as well: of its own colours the lighter middle.
                wood.sort_by(|a, b| (b[0] + b[1] + b[2]).total_cmp(&(a[0] + a[1] + a[2])));
                offs.push(less(here, *wood.get(wood.len() / 3)?));
            }
        }
        Some(offs)
    }

    /// Ring number at a place.
    fn ring_at(&self, line: Line, along: f64, across: f64) -> Option<f64> {
        let (x, y) = self.point(line, along, across);
        let (x, y) = (x - self.reading.pith.x_px, y - self.reading.pith.y_px);
        let azimuth = y.atan2(x).to_degrees().rem_euclid(360.0);
        Ladder::of(self.reading, Some(azimuth)).number_at(x.hypot(y))
    }

    /// How far along the line a ring passes, so far across it; near a place.
    fn along_of(&self, line: Line, ring: f64, along: f64, across: f64) -> Option<f64> {
        let mut at = along;
        // The direction from the pith depends on the place sought: two rounds are enough so near.
        for _ in 0..2 {
            let (x, y) = self.point(line, at, across);
            let (x, y) = (x - self.reading.pith.x_px, y - self.reading.pith.y_px);
            let azimuth = y.atan2(x).to_degrees().rem_euclid(360.0);
            let distance = Ladder::of(self.reading, Some(azimuth)).distance_px(ring)?;
            at += distance - x.hypot(y);
        }
        (at.is_finite() && (at - along).abs() < 0.3 * along + 10.0).then_some(at)
    }
}

/// Places of peaks, in steps of half a px; what reaches `sure_share`
/// stands out, however much the shares spread.
fn peaks(shares: &[f64], width_px: f64, sure_share: f64) -> Vec<f64> {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a line's width in half px"
    )]
    let half = (0.5 * width_px).round().clamp(1.0, 40.0) as usize;
    let smooth = |i: usize| {
        let part = &shares[i.saturating_sub(half)..(i + half + 1).min(shares.len())];
        part.iter().sum::<f64>() / part.len() as f64
    };
    let smoothed: Vec<f64> = (0..shares.len()).map(smooth).collect();
    // What the wood beside the line has of the ink's colour by itself.
    let reach = 24 * half;
    let ground = |i: usize| {
        let mut part: Vec<f64> =
            smoothed[i.saturating_sub(reach)..(i + reach + 1).min(smoothed.len())].to_vec();
        part.sort_by(f64::total_cmp);
        part[part.len() / 4]
    };
    // The spread well below the middle: marks at every ring can take up a third of a line.
    let mut sorted = smoothed.clone();
    sorted.sort_by(f64::total_cmp);
    let quantile = |share: usize| {
        sorted
            .get(sorted.len() * share / 100)
            .copied()
            .unwrap_or(0.0)
    };
    let out_of_spread = quantile(20) + OUT_OF_SPREAD * (quantile(20) - quantile(5));
    let least = out_of_spread.clamp(MARK_SHARE, sure_share);
    let mut found: Vec<f64> = Vec::new();
    let apart = (3 * half).max(6);
    for i in 0..smoothed.len() {
        let here = smoothed[i];
        if here < least {
            continue;
        }
        let round = &smoothed[i.saturating_sub(apart)..(i + apart + 1).min(smoothed.len())];
        let is_top = round.iter().all(|other| *other <= here);
        let is_new = found
            .last()
            .is_none_or(|last| i as f64 - last > apart as f64);
        // A rise of the ground is high on one side too far.
        let falls = |side: &[f64]| {
            side.len() < 2 * apart || side.iter().any(|other| here - other >= MARK_SHARE)
        };
        let is_narrow = falls(&smoothed[i.saturating_sub(2 * apart)..i])
            && falls(&smoothed[i + 1..(i + 1 + 2 * apart).min(smoothed.len())]);
        if is_top && is_new && is_narrow && here - ground(i) >= MARK_SHARE {
            found.push(i as f64);
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: with nothing but the camera's noise the weights are the ink's own way, so that the ink
    /// weighs 1: 30, 40, 0 over its squared length 2500. Wood that differs along 3, 4, 0 makes that way
    /// worthless, and what is left of an ink of 30, 40, 10 is the blue.
    #[test]
    fn ink_is_weighed_by_what_the_wood_does_not_do() {
        let way = [0.6, 0.8, 0.0];
        let ink = Ink::of([].iter(), way, 50.0);
        for (got, want) in ink.weights.iter().zip([0.012, 0.016, 0.0]) {
            assert!((got - want).abs() < 1e-12, "{:?}", ink.weights);
        }
        let wood: Vec<Colour> = (-20..=20)
            .map(|i| [3.0, 4.0, 0.0].map(|v| f64::from(i) * v))
            .collect();
        let length = 2600_f64.sqrt();
        let way = [30.0, 40.0, 10.0].map(|v| v / length);
        let ink = Ink::of(wood.iter(), way, length);
        let share = |off: Colour| ink.share(&[off; 8]);
        assert!((share([30.0, 40.0, 10.0]) - 1.0).abs() < 1e-9);
        assert!(share([30.0, 40.0, 0.0]).abs() < 0.1);
        assert!(share([0.0, 0.0, 10.0]) > 0.9);
    }

    #[test]
    fn three_equations_are_solved() {
        // By hand: 2x + z = 5, 3y = 6, x + 4z = 13: x 1, y 2, z 3.
        let m = [[2.0, 0.0, 1.0], [0.0, 3.0, 0.0], [1.0, 0.0, 4.0]];
        for (got, want) in solved(m, [5.0, 6.0, 13.0]).into_iter().zip([1.0, 2.0, 3.0]) {
            assert!((got - want).abs() < 1e-12, "{got}");
        }
        assert_eq!(solved([[0.0; 3]; 3], [1.0; 3]), [0.0; 3]);
    }

    #[test]
    fn peaks_stand_out_of_their_ground() {
        let mut shares = vec![0.05; 400];
        for at in [100_usize, 220, 300] {
            for (i, share) in shares.iter_mut().enumerate() {
                if i.abs_diff(at) < 4 {
                    *share = 0.9;
                }
            }
        }
        // A rise of the ground is no peak.
        for share in &mut shares[340..] {
            *share = 0.6;
        }
        let found = peaks(&shares, 3.0, SURE_SHARE);
        assert_eq!(found.len(), 3, "{found:?}");
        for (found, at) in found.iter().zip([100.0, 220.0, 300.0]) {
            assert!((found - at).abs() <= 3.0, "{found} {at}");
        }
    }
}
