//! The bark round the wood: its thickness, its looks, where it is missing.

use super::chance::Chance;
use super::looks::{Colour, blend, lit, rgb};
use super::noise::{cloud, plane, ramp, turn};
use std::f64::consts::TAU;

/// Looks of bark.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum BarkLook {
    /// Deep grooves, dark brown.
    Furrowed,
    /// Layers of reddish flakes.
    Flaky,
    /// Thin and smooth, grey.
    Smooth,
    /// Pale and papery, with dark marks.
    Papery,
}

impl BarkLook {
    pub(crate) fn name(self) -> &'static str {
        match self {
            BarkLook::Furrowed => "furrowed",
            BarkLook::Flaky => "flaky",
            BarkLook::Smooth => "smooth",
            BarkLook::Papery => "papery",
        }
    }
}

/// Bark of one disc.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Bark {
    pub(crate) look: BarkLook,
    /// Share of the circumference asked for.
    pub(crate) share: f64,
    /// Thickness as a share of the wood's mean radius.
    pub(crate) thick: f64,
    tint: f64,
    seed: u32,
}

impl Bark {
    pub(crate) fn draw(share: f64, chance: &mut Chance) -> Bark {
        let look = chance.pick(&[
            BarkLook::Furrowed,
            BarkLook::Furrowed,
            BarkLook::Flaky,
            BarkLook::Smooth,
            BarkLook::Papery,
        ]);
        let thick = match look {
            BarkLook::Furrowed => chance.between(0.035, 0.09),
            BarkLook::Flaky => chance.between(0.03, 0.06),
            BarkLook::Smooth | BarkLook::Papery => chance.between(0.015, 0.03),
        };
        Bark {
            look,
            share,
            thick,
            tint: chance.between(0.7, 1.15),
            seed: chance.noise_seed(),
        }
    }

    /// Thickness at an azimuth (rad), share of the mean radius; 0 where it has come off.
    #[inline]
    pub(crate) fn at(&self, azimuth: f64) -> f64 {
        let kept = if self.share >= 1.0 {
            1.0
        } else {
            let field = 0.5
                + 0.5 * turn(self.seed ^ 77, azimuth, 6, 0.5)
                + 0.04 * turn(self.seed ^ 78, azimuth, 90, 0.5);
            ramp(self.share + 0.012, self.share - 0.012, field)
        };
        if kept <= 0.0 {
            return 0.0;
        }
        let depth = match self.look {
            BarkLook::Furrowed => 0.35,
            BarkLook::Flaky => 0.25,
            BarkLook::Smooth | BarkLook::Papery => 0.1,
        };
        let wave = turn(self.seed, azimuth, 31, 0.5)
            + 0.6 * turn(self.seed ^ 2, azimuth, 97, 0.5)
            + 0.35 * turn(self.seed ^ 3, azimuth, 311, 0.5);
        (self.thick * kept * (0.9 + depth * wave)).max(0.0)
    }

    /// Share of the circumference without bark.
    pub(crate) fn missing_share(&self) -> f64 {
        let bare = (0_u32..720)
            .filter(|&i| self.at(f64::from(i) / 720.0 * TAU) < 0.3 * self.thick)
            .count();
        bare as f64 / 720.0
    }

    /// Colour at a depth (0 at the wood, 1 at the outside) for a point in radii of the disc.
    pub(crate) fn paint(&self, depth: f64, x: f64, y: f64, azimuth: f64) -> Colour {
        let lump = 0.5 + 0.5 * cloud(self.seed ^ 5, 40.0 * x, 40.0 * y);
        let layer = 0.5 + 0.5 * turn(self.seed ^ 6, azimuth, 60, 6.0 * depth);
        let fine = plane(self.seed ^ 7, 150.0 * x, 150.0 * y);
        let (dark, pale) = match self.look {
            BarkLook::Furrowed => (rgb(0x33261d), rgb(0x7a6350)),
            BarkLook::Flaky => (rgb(0x57301d), rgb(0xa86a40)),
            BarkLook::Smooth => (rgb(0x55504a), rgb(0x8d877d)),
            BarkLook::Papery => (rgb(0x5a4a3c), rgb(0xd8d2c6)),
        };
        let outer = lit(
            blend(dark, pale, (0.55 * lump + 0.45 * layer).clamp(0.0, 1.0)),
            self.tint * (1.0 + 0.14 * fine),
        );
        // The bast: a band of warmer, often darker, colour against the wood.
        let bast = lit(rgb(0x8a5a34), 0.75 + 0.35 * lump);
        blend(bast, outer, ramp(0.12, 0.35, depth))
    }
}
