//! The line ruled from the pith to the bark: in every direction the colour on it against that of both
//! flanks, then the best one in small steps, then whether a ruler made it.

use super::{Colour, Line, View, dot, less, mean};
use rayon::prelude::*;

/// Distances at which a direction is looked at.
const PLACES: u32 = 140;
/// They run between these shares of the wood's edge: nearer in, a pith off by a few px spoils the
/// direction; farther out there are bark and shadow.
const FROM_SHARE: f64 = 0.10;
const TO_SHARE: f64 = 0.95;
/// Widths of lines that are looked for, px.
const WIDTHS_PX: [f64; 4] = [1.6, 3.0, 6.0, 11.0];
/// How far beside the pith a line may pass, as a share of the mean radius, and in how many steps to
/// either side.
const BESIDE_SHARE: f64 = 0.03;
const BESIDE_STEPS: i32 = 6;
/// A line is taken for ruled where three quarters of its places differ from the wood by this, levels.
/// Below 5, grain and saw marks reach it on practice discs without a line.
const LEAST_CONTRAST: f64 = 7.0;
/// And by so many times what the middle one of all directions reaches.
const LEAST_RATIO: f64 = 4.0;
/// Nine in ten places of a ruled line have this share of the middle place's difference. 0.2 refused
/// faint pencil on rows of pores; cracks have less than nothing.
const STEADY_SHARE: f64 = 0.05;
/// Pieces of a line that are held against each other.
const PIECES: usize = 10;
/// Widest less narrowest of them, without the extremes, is at most this share of a ruled line's width.
/// Practice lines reach 0.13; the gaping check that was once taken for a line, 1.5.
const WIDENS_AT_MOST: f64 = 0.5;

impl View<'_> {
    /// Colour on the line less that of either flank, at a distance.
    fn difference(&self, line: Line, along_px: f64, width_px: f64) -> Option<[Colour; 2]> {
        let take = |across: &[f64]| -> Option<Colour> {
            let seen: Option<Vec<Colour>> = across
                .iter()
                .map(|a| self.colour(self.point(line, along_px, a * width_px)))
                .collect();
            Some(mean(&seen?))
        };
        let on = take(&[-0.25, 0.0, 0.25])?;
        let flanks = [take(&[-2.4, -1.8, -1.3])?, take(&[1.3, 1.8, 2.4])?];
        Some(flanks.map(|flank| less(on, flank)))
    }

    /// How far three quarters of the places on a line differ from the wood, all the same way, levels;
    /// with that way, of length 1.
    pub(super) fn strength(&self, line: Line, width_px: f64) -> Option<(f64, Colour)> {
        let edge = self.edge_px(line.azimuth_deg)?;
        let differences: Vec<[Colour; 2]> = places(edge)
            .filter_map(|along| self.difference(line, along, width_px))
            .collect();
        strength_of(&differences)
    }

    /// The line, to a step of the search, and the width that shows it best.
    pub(super) fn search(&self) -> Option<(Line, f64)> {
        let mut best: Option<(f64, Line, f64)> = None;
        for width_px in WIDTHS_PX {
            let (found, typical) = self.search_width(width_px)?;
            // Wide lines gather more noise from the flanks; each width is held against its own.
            let is_clear = found.0 > LEAST_CONTRAST && found.0 > LEAST_RATIO * typical;
            if is_clear && best.is_none_or(|(strength, ..)| found.0 > strength) {
                best = Some((found.0, found.1, width_px));
            }
        }
        best.map(|(_, line, width)| (line, width))
    }

    /// The strongest line of a width, and the strength of the middle one of all directions.
    fn search_width(&self, width_px: f64) -> Option<((f64, Line), f64)> {
        // A third of a line's width at the edge from one direction to the next.
        let steps =
            (std::f64::consts::TAU * self.radius_px / (0.5 * width_px)).clamp(1440.0, 5760.0);
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to 1440..=5760"
        )]
        let steps = steps.round() as usize;
        let step_deg = 360.0 / steps as f64;
        // Differences about the pith itself, once; lines beside it pass through other directions.
        let rows: Vec<Option<Vec<Option<[Colour; 2]>>>> = (0..steps)
            .into_par_iter()
            .map(|i| {
                let line = Line {
                    azimuth_deg: step_deg * i as f64,
                    beside_px: 0.0,
                };
                let edge = self.edge_px(line.azimuth_deg)?;
                let at = |along| self.difference(line, along, width_px);
                Some(places(edge).map(at).collect())
            })
            .collect();
        let lines: Vec<(f64, Line)> = (0..steps)
            .into_par_iter()
            .filter_map(|i| {
                let azimuth_deg = step_deg * i as f64;
                let edge = self.edge_px(azimuth_deg)?;
                (-BESIDE_STEPS..=BESIDE_STEPS)
                    .filter_map(|side| {
                        let beside_px = BESIDE_SHARE * self.radius_px * f64::from(side)
                            / f64::from(BESIDE_STEPS);
                        let differences: Vec<[Colour; 2]> = places(edge)
                            .enumerate()
                            .filter_map(|(k, along)| {
                                let turn = beside_px.atan2(along).to_degrees() / step_deg;
                                let row = step_at(i, turn, steps);
                                rows[row].as_ref()?[k]
                            })
                            .collect();
                        let line = Line {
                            azimuth_deg,
                            beside_px,
                        };
                        strength_of(&differences).map(|(strength, _)| (strength, line))
                    })
                    .max_by(|a, b| a.0.total_cmp(&b.0))
            })
            .collect();
        let best = lines.iter().max_by(|a, b| a.0.total_cmp(&b.0)).copied()?;
        let mut all: Vec<f64> = lines.iter().map(|(strength, _)| *strength).collect();
        all.sort_by(f64::total_cmp);
        Some((best, all[all.len() / 2].max(0.0)))
    }

    /// The line and its width in small steps, and the way in which its colour differs.
    pub(super) fn sharpen(&self, coarse: Line, width_px: f64) -> Option<(Line, f64, Colour)> {
        let mut best = (self.strength(coarse, width_px)?.0, coarse);
        // Each round looks half as far as the one before it.
        let mut turn_deg = (width_px / self.radius_px).to_degrees();
        let mut side_px = BESIDE_SHARE * self.radius_px / f64::from(BESIDE_STEPS);
        for _ in 0..6 {
            let about = best.1;
            for i in -2..=2 {
                for j in -2..=2 {
                    let line = Line {
                        azimuth_deg: about.azimuth_deg + turn_deg * f64::from(i) / 2.0,
                        beside_px: about.beside_px + side_px * f64::from(j) / 2.0,
                    };
                    if let Some((strength, _)) = self.strength(line, width_px)
                        && strength > best.0
                    {
                        best = (strength, line);
                    }
                }
            }
            turn_deg /= 2.0;
            side_px /= 2.0;
        }
        let line = best.1;
        let (_, way) = self.strength(line, width_px)?;
        Some((line, self.width_of(line, width_px, way), way))
    }

    /// Whether the line is there nearly all along: cracks end, or close for a while.
    pub(super) fn is_steady(&self, line: Line, width_px: f64, way: Colour) -> bool {
        let Some(edge) = self.edge_px(line.azimuth_deg) else {
            return false;
        };
        let mut along: Vec<f64> = places(edge)
            .filter_map(|along| self.difference(line, along, width_px))
            .map(|[a, b]| dot(a, way).min(dot(b, way)))
            .collect();
        along.sort_by(f64::total_cmp);
        let at = |share: usize| along.get(along.len() * share / 100).copied().unwrap_or(0.0);
        at(10) >= STEADY_SHARE * at(50)
    }

    /// Whether the line is as wide all along as a pen along a ruler leaves it: checks gape towards the
    /// bark or the pith.
    pub(super) fn is_ruled(&self, line: Line, width_px: f64, way: Colour) -> bool {
        let Some(edge) = self.edge_px(line.azimuth_deg) else {
            return false;
        };
        let along: Vec<f64> = places(edge).collect();
        let mut widths: Vec<f64> = along
            .chunks(along.len().div_ceil(PIECES))
            .filter_map(|piece| self.width_in(line, piece, width_px, way))
            .collect();
        widths.sort_by(f64::total_cmp);
        let at = |share: usize| widths.get(widths.len() * share / 100).copied();
        at(90)
            .zip(at(10))
            .is_some_and(|(wide, narrow)| wide - narrow <= WIDENS_AT_MOST * width_px)
    }

    /// How wide the ink is in a piece of the line, px: its sum across over its height.
    fn width_in(&self, line: Line, piece: &[f64], width_px: f64, way: Colour) -> Option<f64> {
        let across: Vec<f64> = (-12..=12)
            .map(|i| 0.125 * f64::from(i) * width_px)
            .collect();
        let levels: Vec<f64> = across
            .iter()
            .map(|across| {
                let seen: Vec<f64> = piece
                    .iter()
                    .filter_map(|along| self.colour(self.point(line, *along, *across)))
                    .map(|colour| dot(colour, way))
                    .collect();
                seen.iter().sum::<f64>() / seen.len().max(1) as f64
            })
            .collect();
        // The wood to both sides may differ in tone: a straight line from one to the other.
        let (first, last) = (*levels.first()?, *levels.last()?);
        let over: Vec<f64> = levels
            .iter()
            .zip(&across)
            .map(|(level, at)| {
                let share = (at / (1.5 * width_px) + 1.0) / 2.0;
                (level - first - share * (last - first)).max(0.0)
            })
            .collect();
        let sum: f64 = over.iter().sum();
        let top = over.iter().copied().fold(0.0, f64::max);
        (top > 0.0).then(|| sum / top * 0.125 * width_px)
    }

    /// Width at half of the line's mean difference, px.
    fn width_of(&self, line: Line, width_px: f64, way: Colour) -> f64 {
        let Some(edge) = self.edge_px(line.azimuth_deg) else {
            return width_px;
        };
        let level = |across: f64| {
            let seen: Vec<f64> = places(edge)
                .filter_map(|along| self.colour(self.point(line, along, across)))
                .map(|colour| dot(colour, way))
                .collect();
            seen.iter().sum::<f64>() / seen.len().max(1) as f64
        };
        let wood = (level(-2.5 * width_px) + level(2.5 * width_px)) / 2.0;
        let half = (level(0.0) + wood) / 2.0;
        // In quarters of a px outward to either side until half of the difference is left.
        let reach = |sign: f64| {
            (0..60)
                .map(|i| 0.25 * f64::from(i))
                .find(|across| level(sign * across) < half)
                .unwrap_or(width_px)
        };
        (reach(-1.0) + reach(1.0)).clamp(1.0, 2.5 * width_px)
    }
}

fn places(edge_px: f64) -> impl Iterator<Item = f64> {
    (0..PLACES).map(move |i| {
        let share = (f64::from(i) + 0.5) / f64::from(PLACES);
        edge_px * (FROM_SHARE + (TO_SHARE - FROM_SHARE) * share)
    })
}

fn strength_of(differences: &[[Colour; 2]]) -> Option<(f64, Colour)> {
    // A line that leaves the photo on half of its way is none to count on.
    if differences.len() * 2 < PLACES as usize {
        return None;
    }
    let way = mean(differences.as_flattened());
    let length = dot(way, way).sqrt();
    if length < 1e-6 {
        return None;
    }
    let way = way.map(|v| v / length);
    // The lesser of the two: the rim of a shadow differs from one side only.
    let lesser = |[a, b]: &[Colour; 2]| dot(*a, way).min(dot(*b, way));
    let mut along: Vec<f64> = differences.iter().map(lesser).collect();
    along.sort_by(f64::total_cmp);
    Some((along[along.len() / 4], way))
}

/// The step nearest to `turn` steps from step `i` of a circle of `steps`.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::cast_sign_loss,
    reason = "steps of a circle, rounded and wrapped"
)]
fn step_at(i: usize, turn: f64, steps: usize) -> usize {
    (i as i64 + turn.round() as i64).rem_euclid(steps as i64) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_strength_is_what_three_quarters_of_the_places_reach() {
        let mut differences = vec![[[-20.0, -20.0, -10.0]; 2]; 100];
        differences.extend(vec![[[0.0, 0.0, 0.0]; 2]; 20]);
        let (strength, way) = strength_of(&differences).unwrap();
        // sqrt(400 + 400 + 100) = 30.
        assert!((strength - 30.0).abs() < 1e-9);
        assert!(way[0] < 0.0);
        differences.extend(vec![[[0.0, 0.0, 0.0]; 2]; 40]);
        assert!(strength_of(&differences).unwrap().0 < 1.0);
        // A shadow's rim: darker than one flank, lighter than the other.
        let rim = vec![[[-40.0, -40.0, -20.0], [20.0, 20.0, 10.0]]; 140];
        assert!(strength_of(&rim).unwrap().0 < 0.0);
    }
}
