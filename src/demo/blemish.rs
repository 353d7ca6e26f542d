//! What lies over the rings: drying checks, knots, stains, a hollow heart, a ruled pen line.
//!
//! Shares are of the wood's own radius in that direction, so a blemish keeps its place on a lobed or
//! off-centre disc.

use super::chance::Chance;
use super::growth::angle_between;
use super::looks::{Colour, blend, lit, rgb};
use super::noise::{cell, cloud, line, part, plane, ramp, turn};
use super::recipe::Recipe;
use std::f64::consts::{PI, TAU};

/// Kinds of radial crack.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum CheckKind {
    /// Thin, somewhere along the radius.
    Hairline,
    /// Opens towards the bark.
    Gaping,
    /// Opens at the pith.
    Heart,
}

impl CheckKind {
    pub(crate) fn name(self) -> &'static str {
        match self {
            CheckKind::Hairline => "hairline",
            CheckKind::Gaping => "gaping",
            CheckKind::Heart => "heart",
        }
    }
}

/// A radial crack.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Check {
    pub(crate) kind: CheckKind,
    /// Mean azimuth on the face, rad.
    pub(crate) azimuth: f64,
    /// Start and end, shares of the radius.
    pub(crate) span: [f64; 2],
    /// Largest half width, mm.
    pub(crate) half_mm: f64,
    /// Wandering of the azimuth, rad.
    pub(crate) wander: f64,
    seed: u32,
}

impl Check {
    /// All checks of a disc.
    pub(crate) fn draw_all(
        recipe: &Recipe,
        radius_mm: f64,
        mm_per_px: f64,
        chance: &mut Chance,
    ) -> Vec<Check> {
        let mut list = Vec::new();
        let mut add = |kind, chance: &mut Chance| {
            let from = chance.between(0.05, 0.85);
            let (span, half_mm, wander) = match kind {
                CheckKind::Hairline => (
                    [from, (from + chance.between(0.06, 0.35)).min(1.02)],
                    chance.between(0.35, 1.3) * mm_per_px,
                    0.01,
                ),
                CheckKind::Gaping => (
                    [chance.between(0.1, 0.75), 1.1],
                    chance.between(0.006, 0.03) * radius_mm,
                    0.02,
                ),
                CheckKind::Heart => (
                    [0.0, chance.between(0.06, 0.4)],
                    chance.between(0.8, 3.0) * mm_per_px,
                    0.12,
                ),
            };
            list.push(Check {
                kind,
                azimuth: chance.between(0.0, TAU),
                span,
                half_mm,
                wander: wander * chance.between(0.5, 1.6),
                seed: chance.noise_seed(),
            });
        };
        for _ in 0..recipe.gaping_checks {
            add(CheckKind::Gaping, chance);
        }
        for _ in 0..recipe.hairline_checks {
            add(CheckKind::Hairline, chance);
        }
        for _ in 0..recipe.heart_checks {
            add(CheckKind::Heart, chance);
        }
        list
    }

    /// Azimuth (rad) of the crack's middle at a share of the radius.
    #[inline]
    pub(crate) fn azimuth_at(&self, share: f64) -> f64 {
        self.azimuth
            + self.wander
                * (line(self.seed, share * 9.0) + 0.35 * line(self.seed ^ 5, share * 41.0))
    }

    /// Half width (mm) at a share of the radius; 0 beyond its ends.
    #[inline]
    pub(crate) fn half_mm_at(&self, share: f64) -> f64 {
        let t = (share - self.span[0]) / (self.span[1] - self.span[0]);
        if !(0.0..=1.0).contains(&t) {
            return 0.0;
        }
        let ragged = 1.0 + 0.3 * line(self.seed ^ 9, share * 60.0);
        self.half_mm
            * ragged
            * match self.kind {
                CheckKind::Hairline => (PI * t).sin().sqrt(),
                CheckKind::Gaping => t.sqrt() * (0.4 + 0.6 * t),
                CheckKind::Heart => (1.0 - t).sqrt(),
            }
    }

    /// How much of a point is crack, 0 to 1; `px_mm` softens its edges over about a pixel.
    #[inline]
    pub(crate) fn cover(&self, radius_mm: f64, azimuth: f64, share: f64, px_mm: f64) -> f64 {
        let half = self.half_mm_at(share);
        if half <= 0.0 {
            return 0.0;
        }
        let off = angle_between(azimuth, self.azimuth_at(share)).abs() * radius_mm;
        // A crack thinner than a pixel darkens it by its share of it.
        let thin = (2.0 * half / px_mm).min(1.0);
        thin * ramp(half + 0.6 * px_mm, half - 0.6 * px_mm, off)
    }

    /// Azimuths (rad, about its own) that it hides where it is at least `least_mm` half wide.
    pub(crate) fn hides(&self, radius_mm: f64, least_mm: f64) -> Option<[f64; 2]> {
        let mut range: Option<[f64; 2]> = None;
        for step in 0_u32..=100 {
            let share = f64::from(step) / 100.0;
            let half = self.half_mm_at(share);
            if half < least_mm || share < 0.04 {
                continue;
            }
            let off = self.azimuth_at(share) - self.azimuth;
            let wide = half / (share * radius_mm);
            let [low, high] = range.unwrap_or([off - wide, off + wide]);
            range = Some([low.min(off - wide), high.max(off + wide)]);
        }
        range
    }
}

/// Checks sorted by azimuth, so that a pixel asks only those near it.
#[derive(Debug)]
pub(crate) struct CheckIndex<'a> {
    all: &'a [Check],
    bins: Vec<Vec<usize>>,
}

const BINS: i32 = 180;
/// Below this share of the radius a crack may lie in any bin.
const NEAR_PITH: f64 = 0.05;

impl<'a> CheckIndex<'a> {
    pub(crate) fn new(all: &'a [Check], radius_mm: f64) -> Self {
        let mut bins = vec![Vec::new(); BINS.unsigned_abs() as usize];
        for (number, check) in all.iter().enumerate() {
            let start = check.span[0].max(NEAR_PITH);
            // 0.6: the radius in a direction may be well under the mean.
            let reach = 1.4 * check.wander + 1.5 * check.half_mm / (0.6 * start * radius_mm) + 0.03;
            let bin = |angle: f64| cell(angle / TAU * f64::from(BINS));
            for at in bin(check.azimuth - reach)..=bin(check.azimuth + reach) {
                let list = &mut bins[at.rem_euclid(BINS).unsigned_abs() as usize];
                if !list.contains(&number) {
                    list.push(number);
                }
            }
        }
        CheckIndex { all, bins }
    }

    /// How much of a point is crack, 0 to 1.
    #[inline]
    pub(crate) fn cover(&self, radius_mm: f64, azimuth: f64, share: f64, px_mm: f64) -> f64 {
        let of = |check: &Check| check.cover(radius_mm, azimuth, share, px_mm);
        if share < NEAR_PITH {
            return self.all.iter().map(of).fold(0.0, f64::max);
        }
        let bin = cell(azimuth / TAU * f64::from(BINS)).rem_euclid(BINS);
        self.bins[bin.unsigned_abs() as usize]
            .iter()
            .map(|&number| of(&self.all[number]))
            .fold(0.0, f64::max)
    }
}

/// A branch cut along its length: a spindle that runs outward from inside the stem.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Knot {
    /// Azimuth on the face, rad.
    pub(crate) azimuth: f64,
    /// Start and end, shares of the radius.
    pub(crate) span: [f64; 2],
    /// Half width at its widest, share of the radius.
    pub(crate) half: f64,
    seed: u32,
}

impl Knot {
    pub(crate) fn draw_all(number: usize, chance: &mut Chance) -> Vec<Knot> {
        (0..number)
            .map(|_| {
                let from = chance.between(0.05, 0.4);
                Knot {
                    azimuth: chance.between(0.0, TAU),
                    span: [from, (from + chance.between(0.25, 0.6)).min(1.05)],
                    half: chance.between(0.02, 0.06),
                    seed: chance.noise_seed(),
                }
            })
            .collect()
    }

    /// The knot's colour over the wood's.
    pub(crate) fn paint(&self, under: Colour, azimuth: f64, share: f64, dark: Colour) -> Colour {
        let t = (share - self.span[0]) / (self.span[1] - self.span[0]);
        if !(0.0..=1.0).contains(&t) {
            return under;
        }
        let off = angle_between(azimuth, self.azimuth) * share;
        let half = self.half * (0.25 + 0.75 * ramp(0.0, 0.5, t)) * ramp(1.0, 0.85, t);
        let place = off / half.max(1e-6);
        if place.abs() > 1.3 {
            return under;
        }
        // Its own rings run along it; its rim is dark.
        let lines = 0.5 + 0.5 * (place * 16.0 + 2.0 * line(self.seed, share * 20.0)).sin();
        let wood = blend(lit(under, 0.85), dark, 0.35 + 0.35 * lines);
        let rim = blend(
            wood,
            lit(dark, 0.5),
            ramp(0.75, 1.0, place.abs()) * ramp(1.25, 1.0, place.abs()),
        );
        blend(under, rim, ramp(1.2, 0.95, place.abs()))
    }
}

/// Kinds of stain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum StainKind {
    /// A wet patch: darker, sharp edge.
    Wet,
    /// Blue stain: grey-blue wedges in the outer wood.
    Blue,
    /// Brown blotches.
    Blotch,
    /// Dirt and mould: small dark specks in patches.
    Dirt,
}

impl StainKind {
    pub(crate) fn name(self) -> &'static str {
        match self {
            StainKind::Wet => "wet",
            StainKind::Blue => "blue",
            StainKind::Blotch => "blotch",
            StainKind::Dirt => "dirt",
        }
    }
}

/// A stain.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stain {
    pub(crate) kind: StainKind,
    /// About how much of the face it takes.
    pub(crate) share: f64,
    pub(crate) strength: f64,
    pub(crate) seed: u32,
    /// Where wedges lie, rad.
    pub(crate) middle: f64,
}

impl Stain {
    /// The stained colour; `x`, `y` in radii of the disc.
    pub(crate) fn paint(&self, under: Colour, x: f64, y: f64, azimuth: f64, share: f64) -> Colour {
        let level = 0.55 - 1.1 * self.share;
        match self.kind {
            StainKind::Wet => {
                let field = cloud(self.seed, 1.6 * x, 1.6 * y);
                let rim = ramp(0.05, 0.0, (field - level).abs());
                let inside = ramp(level - 0.02, level + 0.02, field);
                lit(under, 1.0 - self.strength * (0.38 * inside + 0.12 * rim))
            }
            StainKind::Blue => {
                let wedge = turn(self.seed, azimuth - self.middle, 7, 0.4)
                    + 0.3 * plane(self.seed, 9.0 * x, 9.0 * y);
                let cover = ramp(level, level + 0.35, wedge) * ramp(0.45, 0.8, share);
                blend(
                    under,
                    lit(rgb(0x5b6470), 0.3 + under[1]),
                    0.6 * self.strength * cover,
                )
            }
            StainKind::Blotch => {
                let field = cloud(self.seed, 2.6 * x, 2.6 * y);
                let cover = ramp(level, level + 0.5, field);
                let brown = [under[0] * 0.62, under[1] * 0.5, under[2] * 0.42];
                blend(under, brown, self.strength * cover)
            }
            StainKind::Dirt => {
                let patch = ramp(level, level + 0.4, cloud(self.seed, 2.0 * x, 2.0 * y));
                let speck = ramp(0.25, 0.6, plane(self.seed ^ 3, 55.0 * x, 55.0 * y));
                lit(under, 1.0 - self.strength * patch * (0.15 + 0.6 * speck))
            }
        }
    }
}

/// A hollow or rotten heart.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Hollow {
    /// Mean radius, share of the wood's.
    pub(crate) share: f64,
    /// Unevenness of its edge.
    pub(crate) ragged: f64,
    /// Crumbled brown wood instead of a hole.
    pub(crate) is_rot: bool,
    pub(crate) seed: u32,
}

impl Hollow {
    /// Its edge as a share of the radius.
    #[inline]
    pub(crate) fn edge(&self, azimuth: f64) -> f64 {
        self.share
            * (1.0
                + self.ragged
                    * (turn(self.seed, azimuth, 6, 0.5)
                        + 0.5 * turn(self.seed ^ 1, azimuth, 23, 0.5)
                        + 0.25 * turn(self.seed ^ 2, azimuth, 71, 0.5)))
    }

    /// Its colour over the wood's; `x`, `y` in radii of the disc, `depth` inside its edge and `px`
    /// the pixel in the same.
    pub(crate) fn paint(&self, under: Colour, x: f64, y: f64, depth: f64, px: f64) -> Colour {
        if depth < -0.06 {
            return under;
        }
        // A rim of soft brown wood round it.
        let soft = blend(
            under,
            [under[0] * 0.55, under[1] * 0.42, under[2] * 0.33],
            ramp(-0.06, 0.0, depth) * 0.8,
        );
        let crumb = 0.5 + 0.5 * cloud(self.seed ^ 8, 26.0 * x, 26.0 * y);
        let inner = if self.is_rot {
            // Brown rot breaks into cubes: cracks along two bent directions.
            let (u, v) = (
                x + 0.05 * cloud(self.seed ^ 4, 6.0 * x, 6.0 * y),
                y + 0.05 * cloud(self.seed ^ 6, 6.0 * x, 6.0 * y),
            );
            let (u, v) = (part(9.0 * (u + 0.4 * v)), part(7.0 * (v - 0.3 * u)));
            let cube = ramp(0.02, 0.16, u.min(1.0 - u)) * ramp(0.02, 0.13, v.min(1.0 - v));
            lit(
                blend(rgb(0x3a2415), rgb(0x8a5a30), crumb),
                0.35 + 0.65 * cube,
            )
        } else {
            lit(rgb(0x2a1f16), 0.25 + 0.9 * crumb * ramp(0.16, 0.0, depth))
        };
        blend(soft, inner, ramp(-px, px, depth))
    }
}

/// A line ruled from the pith to the bark, with ticks at rings.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PenMark {
    /// Azimuth on the face, rad.
    pub(crate) azimuth: f64,
    /// A tick every so many rings.
    pub(crate) every: usize,
    /// Width of the line, share of the mean radius.
    pub(crate) width: f64,
    pub(crate) ink: Colour,
}
