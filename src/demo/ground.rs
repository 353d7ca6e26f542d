//! What a disc lies on, and the pictures that hold no end grain at all.
//!
//! Coordinates are on the face's plane in radii of the disc, so that grass keeps its size against
//! the disc at any picture size and shrinks away with the perspective.

use super::looks::{Colour, blend, lit, rgb};
use super::noise::{cell, cloud, dice, line, plane, ramp};

/// Kinds of ground.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum GroundKind {
    Concrete,
    Planks,
    Grass,
    Litter,
    Sawdust,
    Cloth,
    Snow,
    Soil,
    Paper,
    Dark,
}

impl GroundKind {
    pub(crate) const ALL: [GroundKind; 10] = [
        GroundKind::Concrete,
        GroundKind::Planks,
        GroundKind::Grass,
        GroundKind::Litter,
        GroundKind::Sawdust,
        GroundKind::Cloth,
        GroundKind::Snow,
        GroundKind::Soil,
        GroundKind::Paper,
        GroundKind::Dark,
    ];

    pub(crate) fn name(self) -> &'static str {
        match self {
            GroundKind::Concrete => "concrete",
            GroundKind::Planks => "planks",
            GroundKind::Grass => "grass",
            GroundKind::Litter => "leaf litter",
            GroundKind::Sawdust => "sawdust",
            GroundKind::Cloth => "cloth",
            GroundKind::Snow => "snow",
            GroundKind::Soil => "soil",
            GroundKind::Paper => "paper",
            GroundKind::Dark => "dark",
        }
    }
}

/// The ground of one photo.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Ground {
    pub(crate) kind: GroundKind,
    pub(crate) tint: f64,
    pub(crate) cloth: Colour,
    /// Turn of planks and weave, rad.
    pub(crate) turn: f64,
    pub(crate) scale: f64,
    pub(crate) seed: u32,
}

impl Ground {
    /// Its colour at a point, radii of the disc.
    pub(crate) fn paint(&self, x: f64, y: f64) -> Colour {
        let (s, c) = self.turn.sin_cos();
        let (x, y) = ((c * x - s * y) / self.scale, (s * x + c * y) / self.scale);
        let k = self.seed;
        let colour = match self.kind {
            GroundKind::Concrete => {
                let tone = 0.58
                    + 0.1 * cloud(k, 1.5 * x, 1.5 * y)
                    + 0.05 * cloud(k ^ 1, 40.0 * x, 40.0 * y);
                let pit = ramp(0.72, 0.85, plane(k ^ 2, 30.0 * x, 30.0 * y));
                lit([1.0, 0.98, 0.95], tone * (1.0 - 0.35 * pit))
            }
            GroundKind::Planks => self.planks(x, y, 0.55),
            GroundKind::Grass => self.grass(x, y),
            GroundKind::Litter => self.litter(x, y),
            GroundKind::Sawdust => {
                let grain =
                    0.6 * plane(k, 70.0 * x, 70.0 * y) + 0.5 * plane(k ^ 1, 25.0 * x, 25.0 * y);
                let heap = cloud(k ^ 2, 1.7 * x, 1.7 * y);
                lit(
                    blend(rgb(0xb98d55), rgb(0xe8cf9f), 0.5 + 0.5 * grain),
                    0.88 + 0.14 * heap,
                )
            }
            GroundKind::Cloth => {
                let weave = (x * 330.0).sin() * (y * 330.0).sin();
                let fold = cloud(k, 0.9 * x, 0.9 * y);
                lit(self.cloth, 0.95 + 0.04 * weave + 0.22 * fold)
            }
            GroundKind::Snow => {
                let drift = cloud(k, 1.3 * x, 1.3 * y);
                let spark = ramp(0.75, 0.95, plane(k ^ 1, 120.0 * x, 120.0 * y));
                let twig = ramp(0.02, 0.0, plane(k ^ 2, 2.2 * x + 0.4 * y, 1.1 * y).abs())
                    * ramp(0.3, 0.5, plane(k ^ 3, 1.5 * x, 1.5 * y));
                blend(
                    lit(rgb(0xdfe7f2), 0.93 + 0.09 * drift + 0.06 * spark),
                    rgb(0x4b4038),
                    0.8 * twig,
                )
            }
            GroundKind::Soil => {
                let clod = cloud(k, 9.0 * x, 9.0 * y) + 0.5 * cloud(k ^ 1, 35.0 * x, 35.0 * y);
                lit(rgb(0x6b5440), 0.75 + 0.35 * clod)
            }
            GroundKind::Paper => lit(rgb(0xf2f1ee), 0.97 + 0.02 * cloud(k, x, y)),
            GroundKind::Dark => lit(rgb(0x17171a), 0.9 + 0.3 * cloud(k, x, y)),
        };
        lit(colour, self.tint)
    }

    /// Boards seen from the side, `wide` radii each: long grain with cathedrals, gaps, nails none.
    pub(crate) fn planks(&self, x: f64, y: f64, wide: f64) -> Colour {
        let board = cell(y / wide);
        let across = y / wide - f64::from(board);
        let k = self.seed ^ board.unsigned_abs().wrapping_mul(2_654_435_761);
        let tone = 0.8 + 0.3 * dice(k, board, 1);
        // Distance from a stretched hill of noise makes the flat-sawn figure.
        let hill = cloud(k, 0.35 * x, 2.2 * across) * 9.0 + 5.0 * across;
        let figure = (hill * 6.3).sin();
        let fibre = plane(k ^ 1, 4.0 * x, 130.0 * y);
        let gap = ramp(0.02, 0.008, across.min(1.0 - across));
        let wood = blend(
            rgb(0x7d6750),
            rgb(0xb39876),
            0.5 + 0.3 * figure + 0.2 * fibre,
        );
        blend(lit(wood, tone), rgb(0x15110d), gap)
    }

    fn grass(&self, x: f64, y: f64) -> Colour {
        let mut best = -1.0_f64;
        let mut hue = 0.0;
        for layer in 0_u32..5 {
            let lean =
                f64::from(layer) * 0.66 - 1.3 + 0.5 * plane(self.seed ^ layer, 1.5 * x, 1.5 * y);
            let (s, c) = lean.sin_cos();
            let (u, v) = (c * x - s * y, s * x + c * y);
            let blade = plane(self.seed ^ (layer + 11), 46.0 * u, 5.0 * v);
            if blade > best {
                best = blade;
                hue = dice(self.seed, cell(46.0 * u), cell(2.0 * v));
            }
        }
        let green = blend(rgb(0x35591f), rgb(0x86a349), hue);
        lit(green, ramp(-0.2, 0.9, best) * 1.05 + 0.1)
    }

    /// Fallen leaves: each cell of a lattice holds one, the topmost is seen.
    pub(crate) fn litter(&self, x: f64, y: f64) -> Colour {
        let ground = lit(
            rgb(0x4a3726),
            0.7 + 0.4 * cloud(self.seed, 12.0 * x, 12.0 * y),
        );
        // The upper layer first: where it covers, the lower need not be looked at.
        let mut top: Option<Leaf> = None;
        for layer in [1_u32, 0] {
            let k = self.seed ^ (layer * 977 + 13);
            let (gx, gy) = (x * 5.0 + 0.5 * f64::from(layer), y * 5.0);
            for (cx, cy) in
                (-1..=1).flat_map(|j| (-1..=1).map(move |i| (cell(gx) + i, cell(gy) + j)))
            {
                let rank = dice(k ^ 1, cx, cy);
                if top.as_ref().is_some_and(|leaf| leaf.rank >= rank) {
                    continue;
                }
                let (dx, dy) = (
                    gx - f64::from(cx) - dice(k ^ 2, cx, cy),
                    gy - f64::from(cy) - dice(k ^ 3, cx, cy),
                );
                let long = 0.5 + 0.35 * dice(k ^ 5, cx, cy);
                if dx * dx + dy * dy > long * long {
                    continue;
                }
                let (s, c) = (dice(k ^ 4, cx, cy) * 6.3).sin_cos();
                let (u, v) = (c * dx + s * dy, c * dy - s * dx);
                let lobe = 0.12 * (9.0 * u + 6.0 * dice(k ^ 6, cx, cy)).sin();
                let inside = 1.0 - (u / long).powi(2) - (v / (0.45 * long + lobe * long)).powi(2);
                if inside > 0.0 {
                    top = Some(Leaf {
                        rank,
                        inside,
                        along: u,
                        across: v,
                        warm: dice(k ^ 7, cx, cy),
                    });
                }
            }
            if top.is_some() {
                break;
            }
        }
        top.map_or(ground, |leaf| leaf.paint(self.seed))
    }

    /// A plain wall: plaster, or bricks.
    pub(crate) fn wall(&self, x: f64, y: f64) -> Colour {
        let k = self.seed;
        let rough = 0.07 * cloud(k, 2.0 * x, 2.0 * y) + 0.05 * cloud(k ^ 1, 45.0 * x, 45.0 * y);
        if k & 1 == 0 {
            return lit(blend(rgb(0xd8d0c0), self.cloth, 0.3), 0.92 + rough);
        }
        let row = cell(y / 0.16);
        let shift = if row.rem_euclid(2) == 0 { 0.0 } else { 0.25 };
        let column = cell((x + shift) / 0.5);
        let (u, v) = (
            (x + shift) / 0.5 - f64::from(column),
            y / 0.16 - f64::from(row),
        );
        let joint = ramp(0.025, 0.015, u.min(1.0 - u)).max(ramp(0.08, 0.05, v.min(1.0 - v)));
        let brick = blend(rgb(0x7c3b2a), rgb(0xb4674a), dice(k ^ 2, column, row));
        lit(blend(brick, rgb(0xb5aca0), joint), 0.95 + 2.0 * rough)
    }
}

/// The leaf that covers a point, in its own coordinates (cells of the lattice of leaves).
struct Leaf {
    rank: f64,
    inside: f64,
    along: f64,
    across: f64,
    warm: f64,
}

impl Leaf {
    fn paint(&self, seed: u32) -> Colour {
        let colour = blend(rgb(0x4f3420), rgb(0xb07f45), self.warm);
        let side = ((self.along + self.across.abs() * 0.8) * 22.0).sin().abs();
        let vein = ramp(0.05, 0.0, self.across.abs()) + 0.6 * ramp(0.12, 0.0, side);
        let shade =
            0.7 + 0.35 * ramp(0.0, 0.25, self.inside) + 0.15 * line(seed ^ 8, 20.0 * self.along);
        lit(blend(colour, lit(colour, 1.2), 0.4 * vein), shade)
    }
}
