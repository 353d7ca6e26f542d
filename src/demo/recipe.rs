//! What each suite asks for: the ranges that its plans are drawn from.

use super::Suite;
use super::chance::Chance;
use super::view::Camera;
use crate::settings::WoodKind;

/// Ranges and counts for one photo of a suite.
#[derive(Debug, Clone)]
pub(crate) struct Recipe {
    pub(crate) wood: WoodKind,
    /// Mean ring width in the picture, px, from and to.
    pub(crate) ring_px: [f64; 2],
    /// Mean ring width of the tree, mm, from and to.
    pub(crate) ring_mm: [f64; 2],
    /// Least ring width in any direction, px.
    pub(crate) least_px: f64,
    pub(crate) eccentricity: f64,
    pub(crate) lobes: f64,
    pub(crate) trend: [f64; 2],
    pub(crate) events: usize,
    pub(crate) absent: usize,
    pub(crate) false_rings: usize,
    pub(crate) contrast: [f64; 2],
    /// Probability of a pale terminal line in diffuse-porous wood.
    pub(crate) line_pale: f64,
    pub(crate) is_weathered: bool,
    pub(crate) is_reversed: bool,
    /// Probability of a coloured heart.
    pub(crate) heart: f64,
    pub(crate) saw_sets: usize,
    pub(crate) saw_depth: [f64; 2],
    /// Probability of a rough face.
    pub(crate) rough: f64,
    pub(crate) hairline_checks: usize,
    pub(crate) gaping_checks: usize,
    pub(crate) heart_checks: usize,
    pub(crate) knots: usize,
    pub(crate) stains: usize,
    pub(crate) is_hollow: bool,
    pub(crate) has_pen: bool,
    /// Share of the circumference that has its bark.
    pub(crate) bark: f64,
    pub(crate) ruler: f64,
    pub(crate) shadow: f64,
    /// Blur in mean ring widths; 0 for an ordinary lens.
    pub(crate) blur_rings: f64,
    /// Blur of an ordinary lens, sd in px, from and to.
    pub(crate) blur_px: [f64; 2],
    pub(crate) fill: [f64; 2],
    pub(crate) tilt_deg: [f64; 2],
    pub(crate) is_cropped: bool,
}

const WOODS: [WoodKind; 3] = [
    WoodKind::Conifer,
    WoodKind::RingPorous,
    WoodKind::DiffusePorous,
];

/// Draws the recipe of a photo.
pub(crate) fn of(suite: Suite, chance: &mut Chance) -> Recipe {
    let wood = chance.pick(&WOODS);
    let mut recipe = Recipe {
        wood,
        ring_px: [9.0, 30.0],
        ring_mm: [1.4, 4.5],
        least_px: 3.5,
        eccentricity: chance.between(0.02, 0.22),
        lobes: chance.between(0.01, 0.05),
        trend: [1.2, 2.6],
        events: 1,
        absent: 0,
        false_rings: 0,
        contrast: [0.65, 1.0],
        line_pale: 0.25,
        is_weathered: false,
        is_reversed: false,
        heart: 0.5,
        saw_sets: usize::from(chance.yes(0.3)),
        saw_depth: [0.01, 0.04],
        rough: 0.1,
        hairline_checks: chance.whole(0, 4),
        gaping_checks: 0,
        heart_checks: chance.whole(0, 2),
        knots: 0,
        stains: 0,
        is_hollow: false,
        has_pen: false,
        bark: if chance.yes(0.65) {
            1.0
        } else {
            chance.between(0.0, 0.9)
        },
        ruler: 0.1,
        shadow: 0.12,
        blur_rings: 0.0,
        blur_px: [0.5, 1.1],
        fill: [0.68, 0.94],
        tilt_deg: [0.0, 2.0],
        is_cropped: false,
    };
    match suite {
        Suite::CleanConifer => recipe.wood = WoodKind::Conifer,
        Suite::CleanRingPorous => recipe.wood = WoodKind::RingPorous,
        Suite::CleanDiffuse => {
            recipe.wood = WoodKind::DiffusePorous;
            recipe.line_pale = 0.0;
        }
        Suite::Checks => {
            recipe.gaping_checks = chance.whole(2, 8);
            recipe.hairline_checks = chance.whole(5, 22);
            recipe.heart_checks = chance.whole(0, 4);
        }
        Suite::SawMarks => {
            recipe.saw_sets = chance.whole(1, 3);
            recipe.saw_depth = [0.06, 0.2];
            recipe.rough = 0.6;
        }
        Suite::Tight => {
            recipe.ring_px = [4.2, 7.0];
            recipe.ring_mm = [0.4, 1.2];
            recipe.least_px = 2.2;
            recipe.events = 2;
        }
        Suite::Eccentric => {
            recipe.eccentricity = chance.between(0.35, 0.7);
            recipe.lobes = chance.between(0.02, 0.06);
            recipe.least_px = 2.2;
            recipe.fill = [0.75, 0.94];
        }
        Suite::Hollow => {
            recipe.is_hollow = true;
            recipe.is_weathered = chance.yes(0.4);
            recipe.gaping_checks = chance.whole(0, 3);
        }
        Suite::Cropped => {
            recipe.is_cropped = true;
            recipe.fill = [1.15, 1.9];
            recipe.ring_px = [9.0, 34.0];
        }
        Suite::Stained => {
            recipe.stains = chance.whole(1, 3);
            recipe.is_weathered = chance.yes(0.25);
            recipe.rough = 0.3;
        }
        Suite::Perspective => {
            recipe.tilt_deg = [6.0, 24.0];
            recipe.fill = [0.7, 0.9];
        }
        Suite::PenMarks => recipe.has_pen = true,
        Suite::FalseAndMissing => {
            recipe.false_rings = chance.whole(2, 7);
            recipe.absent = chance.whole(1, 6);
            recipe.least_px = 2.5;
        }
        Suite::Worn => {
            recipe.is_weathered = true;
            recipe.is_reversed = chance.yes(0.6);
            recipe.hairline_checks = chance.whole(8, 30);
            recipe.gaping_checks = chance.whole(0, 3);
            recipe.rough = 0.8;
            recipe.bark = chance.between(0.0, 0.4);
            recipe.contrast = [0.6, 1.0];
        }
        Suite::Mixed => mix(&mut recipe, chance),
        Suite::NoneSaw => {
            recipe.saw_sets = chance.whole(1, 3);
            recipe.saw_depth = [0.08, 0.22];
            recipe.rough = 0.7;
            recipe.hairline_checks = 0;
            recipe.heart_checks = 0;
        }
        Suite::NoneWall | Suite::NonePlank | Suite::NoneLeaves => {}
        Suite::NoneBlur => {
            recipe.ring_px = [4.5, 7.0];
            recipe.ring_mm = [0.6, 1.5];
            recipe.trend = [1.0, 1.3];
            recipe.events = 0;
            recipe.eccentricity = 0.05;
            recipe.blur_rings = 1.3;
            recipe.hairline_checks = 0;
        }
    }
    recipe
}

/// A yard photo with several troubles at once.
fn mix(recipe: &mut Recipe, chance: &mut Chance) {
    recipe.ring_px = [5.5, 26.0];
    recipe.least_px = 2.5;
    recipe.events = 2;
    recipe.eccentricity = chance.between(0.02, 0.5);
    recipe.lobes = chance.between(0.01, 0.07);
    recipe.contrast = [0.35, 1.0];
    recipe.blur_px = [0.5, 1.9];
    recipe.hairline_checks = chance.whole(0, 14);
    recipe.shadow = 0.35;
    recipe.tilt_deg = [0.0, 9.0];
    recipe.rough = 0.35;
    if chance.yes(0.35) {
        recipe.gaping_checks = chance.whole(1, 5);
    }
    if chance.yes(0.45) {
        recipe.saw_sets = chance.whole(1, 2);
        recipe.saw_depth = [0.03, 0.12];
    }
    if chance.yes(0.35) {
        recipe.stains = chance.whole(1, 2);
    }
    if chance.yes(0.3) {
        recipe.knots = chance.whole(1, 2);
    }
    if chance.yes(0.25) {
        recipe.false_rings = chance.whole(1, 4);
    }
    if chance.yes(0.2) {
        recipe.absent = chance.whole(1, 3);
    }
    recipe.is_weathered = chance.yes(0.2);
    recipe.is_reversed = recipe.is_weathered && chance.yes(0.4);
    recipe.has_pen = chance.yes(0.12);
    recipe.ruler = 0.2;
}

/// Draws the camera of a photo.
pub(crate) fn camera(recipe: &Recipe, chance: &mut Chance) -> Camera {
    let fill = chance.between(recipe.fill[0], recipe.fill[1]);
    // What the frame leaves free, so that an uncropped disc stays whole.
    let free = if recipe.is_cropped {
        0.0
    } else {
        (0.96 - fill).max(0.0) / 2.0
    };
    let reach = if recipe.is_cropped { 0.38 } else { free };
    Camera {
        fill,
        shift: [chance.between(-reach, reach), chance.between(-reach, reach)],
        tilt: chance
            .between(recipe.tilt_deg[0], recipe.tilt_deg[1])
            .to_radians(),
        axis: chance.between(0.0, std::f64::consts::TAU),
        focal: chance.between(0.8, 1.4),
    }
}
