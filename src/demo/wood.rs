//! Paints the face of the wood: what ring a point lies in, and how wood looks at that point of it.

use super::blemish::CheckIndex;
use super::growth::{FalseRing, Place, Profile, angle_between};
use super::looks::{Colour, blend, lit};
use super::noise::{cell, cloud, dice, lerp, line, part, plane, ramp, turn};
use super::plan::{Plan, SawMarks};
use crate::settings::WoodKind;
use std::f64::consts::TAU;

/// A point of the face in the coordinates that painting needs.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Point {
    /// From the pith, mm.
    pub(crate) x_mm: f64,
    /// From the pith, mm, down.
    pub(crate) y_mm: f64,
    /// Distance from the pith, mm.
    pub(crate) radius_mm: f64,
    /// Azimuth about the pith, rad.
    pub(crate) azimuth: f64,
    /// The wood's edge in this direction, mm.
    pub(crate) edge_mm: f64,
}

/// What stays the same for all pixels of a photo.
#[derive(Debug)]
pub(crate) struct Painter<'a> {
    plan: &'a Plan,
    checks: CheckIndex<'a>,
    /// The false ring of each ring, if it has one.
    bands: Vec<Option<FalseRing>>,
    /// Mean radius of the wood, mm.
    pub(crate) size_mm: f64,
    /// A pixel, mm.
    px_mm: f64,
    /// The heart's edge, share of the radius; without the finest waves.
    heart: Option<Profile>,
    /// The hollow's edge, share of the radius.
    hollow: Option<Profile>,
    /// Sine and cosine of each saw's direction.
    saws: Vec<[f64; 2]>,
    /// No rings are painted: a sawn face on which they can't be seen.
    is_ringless: bool,
}

impl<'a> Painter<'a> {
    pub(crate) fn new(plan: &'a Plan, px_mm: f64, is_ringless: bool) -> Self {
        let disc = &plan.disc;
        let size_mm = disc.mean_mm[disc.rings];
        let mut bands = vec![None; disc.rings];
        for band in &disc.false_rings {
            bands[band.ring - 1] = Some(*band);
        }
        Painter {
            plan,
            checks: CheckIndex::new(&plan.checks, size_mm),
            bands,
            size_mm,
            px_mm,
            heart: plan.heart.map(|heart| {
                let k = plan.noise_seed;
                Profile::of(|azimuth| {
                    let wave = turn(k ^ 30, azimuth, 9, 0.5) + 0.5 * turn(k ^ 31, azimuth, 31, 0.5);
                    heart.share + heart.wander * wave
                })
            }),
            hollow: plan
                .hollow
                .map(|hollow| Profile::of(|azimuth| hollow.edge(azimuth))),
            saws: plan
                .saw
                .iter()
                .map(|saw| [saw.across.sin(), saw.across.cos()])
                .collect(),
            is_ringless,
        }
    }

    /// The colour of a point inside the wood's edge.
    pub(crate) fn paint(&self, p: &Point) -> Colour {
        let plan = self.plan;
        let (k, grain) = (plan.noise_seed, &plan.grain);
        let share = p.radius_mm / p.edge_mm;
        let (x, y) = (p.x_mm / self.size_mm, p.y_mm / self.size_mm);
        let (early, late) = self.woods(p, share, x, y);

        let (mut colour, shade) = if self.is_ringless {
            (blend(early, late, 0.35), 0.0)
        } else {
            // Cell rows make a boundary ragged; under half a pixel, so that truth stays true.
            let ragged = 0.4
                * self.px_mm
                * plane(
                    k ^ 20,
                    0.35 * p.x_mm / self.px_mm,
                    0.35 * p.y_mm / self.px_mm,
                );
            let (colour, shade) = self.ring_colour(p, p.radius_mm + ragged, early, late);
            (self.pith(colour, p, early, late), shade)
        };

        let levels = (p.radius_mm / (0.1 * self.size_mm)).max(1.0).log2().floor();
        let mut light = 1.0 + shade;
        // Streaks keep about their width outward: twice as many each time the radius doubles.
        let streaks = 60 << cell(levels);
        light += grain.streaks * turn(k ^ 21, p.azimuth, streaks, 5.0 * share);
        light += grain.blotch * cloud(k ^ 22, 2.3 * x, 2.3 * y);
        if grain.rays > 0.0 {
            colour = self.rays(colour, p, share, levels, early);
        }
        light += self.surface(p, x, y);
        for (saw, turned) in plan.saw.iter().zip(&self.saws) {
            light += self.groove(saw, *turned, x, y);
        }
        colour = lit(colour, light);
        for knot in &plan.knots {
            colour = knot.paint(colour, p.azimuth, share, late);
        }
        for stain in &plan.stains {
            colour = stain.paint(colour, x, y, p.azimuth, share);
        }
        let crack = self.checks.cover(p.radius_mm, p.azimuth, share, self.px_mm);
        if crack > 0.0 {
            colour = blend(colour, lit(late, 0.22), crack);
        }
        if let (Some(hollow), Some(edge)) = (&plan.hollow, &self.hollow) {
            let depth = edge.at(p.azimuth) - share;
            colour = hollow.paint(colour, x, y, depth, self.px_mm / self.size_mm);
        }
        if plan.pen.is_some() {
            colour = self.pen(colour, p);
        }
        colour
    }

    /// The pith over the first ring: of one shade, neither quite round nor sharp at its edge.
    fn pith(&self, under: Colour, p: &Point, early: Colour, late: Colour) -> Colour {
        let Some(pith) = &self.plan.pith else {
            return under;
        };
        let share = p.radius_mm / pith.radius_mm;
        if share > 2.0 {
            return under;
        }
        let edge = 1.0 + 0.12 * turn(self.plan.noise_seed ^ 33, p.azimuth, 6, 0.5);
        let half = (0.5 * pith.soft).max(0.5 * self.px_mm / pith.radius_mm);
        let inside = ramp(edge + half, edge - half, share);
        blend(under, lit(blend(early, late, 0.4), pith.light), inside)
    }

    /// Early and latewood colours at a point: heart against sap.
    fn woods(&self, p: &Point, share: f64, x: f64, y: f64) -> (Colour, Colour) {
        let look = &self.plan.species;
        let (Some(heart), Some(profile)) = (&self.plan.heart, &self.heart) else {
            return (look.early, look.late);
        };
        let k = self.plan.noise_seed;
        let edge = profile.at(p.azimuth) + 0.3 * heart.wander * plane(k ^ 32, 14.0 * x, 14.0 * y);
        let inside = heart.strength * ramp(edge + heart.soft, edge - heart.soft, share);
        let tint = blend([1.0; 3], look.heart, inside);
        let apply = |c: Colour| [c[0] * tint[0], c[1] * tint[1], c[2] * tint[2]];
        (apply(look.early), apply(look.late))
    }

    /// Colour of the ring at a radius, and how much brighter that ring is than the others. The step
    /// at a boundary is spread over a pixel, half of it on either side.
    fn ring_colour(&self, p: &Point, radius_mm: f64, early: Colour, late: Colour) -> (Colour, f64) {
        let disc = &self.plan.disc;
        let Some(place) = disc.place(radius_mm.max(0.0), p.azimuth) else {
            let last = Place {
                ring: disc.rings - 1,
                depth_mm: 1.0,
                width_mm: 1.0,
            };
            return (self.at_place(p, &last, early, late), 0.0);
        };
        let own = self.at_place(p, &place, early, late);
        let reach = 0.5 * self.px_mm;
        let to_outer = place.width_mm - place.depth_mm;
        let mut shade = disc.tones[place.ring].shade;
        let (other, mix) = if to_outer < reach && place.ring + 1 < disc.rings {
            let next = Place {
                ring: place.ring + 1,
                depth_mm: 0.0,
                width_mm: place.width_mm,
            };
            (next, 0.5 - 0.5 * to_outer / reach)
        } else if place.depth_mm < reach && place.ring > 0 {
            let before = Place {
                ring: place.ring - 1,
                depth_mm: place.width_mm,
                width_mm: place.width_mm,
            };
            (before, 0.5 - 0.5 * place.depth_mm / reach)
        } else {
            return (own, shade);
        };
        shade = lerp(shade, disc.tones[other.ring].shade, mix);
        (
            blend(own, self.at_place(p, &other, early, late), mix),
            shade,
        )
    }

    fn at_place(&self, p: &Point, place: &Place, early: Colour, late: Colour) -> Colour {
        let plan = self.plan;
        let grain = &plan.grain;
        let tone = &plan.disc.tones[place.ring];
        let phase = (place.depth_mm / place.width_mm).clamp(0.0, 1.0);
        let k = plan.noise_seed;
        let ring = f64::from(u32::try_from(place.ring).unwrap_or(0));
        // A ring is plainer in some directions than in others.
        let clear = 0.82 + 0.22 * turn(k ^ 40, p.azimuth, 7, 0.35 * ring);
        let strength = grain.contrast * clear;
        let mut dark = match plan.wood {
            WoodKind::Conifer => {
                let swing = 1.0 + 0.25 * turn(k ^ 41, p.azimuth, 11, 0.8 * ring);
                let start = 1.0 - (tone.late_share * swing).clamp(0.06, 0.7);
                let wide = grain.transition * tone.late_share.max(0.2);
                let rise = ramp(
                    (start - 0.75 * wide).max(0.0),
                    (start + 0.25 * wide).min(0.96),
                    phase,
                );
                let base = tone.early_dark - 0.05 * (1.0 - phase);
                lerp(base, tone.late_dark, rise)
            }
            WoodKind::RingPorous => 0.12 + (0.38 + 0.25 * tone.late_dark) * ramp(0.0, 0.75, phase),
            WoodKind::DiffusePorous => {
                // The line may be no thinner than a pixel shows, and fades where rings crowd.
                let line_mm = grain
                    .line_mm
                    .max(1.1 * self.px_mm)
                    .min(0.35 * place.width_mm);
                let line = ramp(
                    line_mm * 1.25,
                    line_mm * 0.75,
                    place.width_mm - place.depth_mm,
                );
                let sign = if grain.line_pale { -0.45 } else { 0.85 };
                0.22 + 0.12 * ramp(0.4, 1.0, phase) + sign * tone.late_dark * line
            }
        };
        dark *= strength;
        if let Some(band) = self.bands[place.ring] {
            let off = angle_between(p.azimuth, band.middle).abs() - band.half;
            let z = (phase - band.phase) / band.spread;
            dark += strength * band.strength * (-0.5 * z * z).exp() * ramp(0.25, 0.0, off);
        }
        if grain.is_reversed {
            dark = strength.mul_add(0.75, -dark) + 0.1;
        }
        let colour = blend(early, late, dark);
        match plan.wood {
            WoodKind::Conifer => colour,
            WoodKind::RingPorous => self.large_pores(colour, p, place, strength),
            WoodKind::DiffusePorous => self.small_pores(colour, p),
        }
    }

    /// Rows of large pores at the start of a ring.
    fn large_pores(&self, under: Colour, p: &Point, place: &Place, strength: f64) -> Colour {
        let grain = &self.plan.grain;
        let pitch = grain.pore_mm * 1.25;
        let k = self.plan.noise_seed ^ 50;
        let ring = i32::try_from(place.ring).unwrap_or(0);
        let zone = (grain.pore_rows * pitch).min(0.5 * place.width_mm);
        let mean = self.plan.disc.mean_mm[place.ring].max(pitch);
        let count = cell((TAU * mean / pitch).max(6.0));
        let turns = part(p.azimuth / TAU) * f64::from(count);
        let pore = if grain.pores_pale {
            lit(under, 1.35)
        } else {
            self.plan.species.pore
        };
        if place.depth_mm >= zone {
            // Latewood: small pores in flame-like groups, faint.
            let flame = plane(
                k ^ 1,
                turns * 0.35,
                0.9 * place.depth_mm / pitch + 9.0 * f64::from(ring),
            );
            return blend(under, pore, 0.22 * ramp(0.35, 0.8, flame) * strength);
        }
        if pitch < 2.0 * self.px_mm {
            // Too small to be seen one by one: the zone's mean, speckled.
            let speck = dice(k, cell(turns), ring) - 0.5;
            return blend(
                under,
                pore,
                ((0.5 + 0.5 * speck) * strength).clamp(0.0, 1.0),
            );
        }
        let row = cell(place.depth_mm / pitch);
        let arc_mm = TAU * p.radius_mm / f64::from(count);
        let mut cover = 0.0_f64;
        for step in -1..=1 {
            let at = cell(turns) + step;
            let id = at.rem_euclid(count);
            let key = k ^ (ring.unsigned_abs() * 8 + row.unsigned_abs());
            if dice(key, id, 3) < 0.14 {
                continue;
            }
            let centre = f64::from(at) + 0.5 + 0.5 * (dice(key, id, 1) - 0.5);
            let depth = (f64::from(row) + 0.5 + 0.25 * (dice(key, id, 2) - 0.5)) * pitch;
            let away = ((turns - centre) * arc_mm).hypot(place.depth_mm - depth);
            // Pores shrink away from the boundary.
            let size = 0.5
                * grain.pore_mm
                * (0.7 + 0.45 * dice(key, id, 4))
                * (1.0 - 0.12 * f64::from(row));
            cover = cover.max(ramp(size + 0.5 * self.px_mm, size - 0.5 * self.px_mm, away));
        }
        blend(under, pore, (cover * (0.45 + 0.55 * strength)).min(1.0))
    }

    /// Small pores all over.
    fn small_pores(&self, under: Colour, p: &Point) -> Colour {
        let pitch = self.plan.grain.pore_mm * 1.6;
        if pitch < 1.5 * self.px_mm {
            return under;
        }
        let k = self.plan.noise_seed ^ 60;
        let (i, j) = (cell(p.x_mm / pitch), cell(p.y_mm / pitch));
        let (dx, dy) = (
            p.x_mm / pitch - f64::from(i) - lerp(0.3, 0.7, dice(k, i, j)),
            p.y_mm / pitch - f64::from(j) - lerp(0.3, 0.7, dice(k ^ 1, i, j)),
        );
        let size = 0.12 + 0.18 * dice(k ^ 2, i, j);
        let soft = 0.5 * self.px_mm / pitch;
        blend(
            under,
            self.plan.species.pore,
            0.4 * ramp(size + soft, size - soft, dx.hypot(dy)),
        )
    }

    /// Wood rays: thin radial lines, a little paler or darker, broken along the radius.
    fn rays(&self, under: Colour, p: &Point, share: f64, levels: f64, early: Colour) -> Colour {
        let grain = &self.plan.grain;
        let k = self.plan.noise_seed ^ 70;
        let inner = TAU * 0.1 * self.size_mm / grain.ray_mm;
        let count = cell(inner.max(8.0)) << cell(levels);
        let turns = part(p.azimuth / TAU) * f64::from(count);
        let id = cell(turns).rem_euclid(count);
        let level = cell(levels);
        let centre = lerp(0.25, 0.75, dice(k ^ 1, id, level))
            + 0.12 * line(k ^ id.unsigned_abs(), 14.0 * share);
        let arc_mm = TAU * p.radius_mm / f64::from(count);
        let off = (turns - turns.floor() - centre).abs() * arc_mm;
        let half = (0.06 * grain.ray_mm * dice(k ^ 2, id, level)).max(0.4 * self.px_mm);
        let broken = ramp(-0.2, 0.3, line(k ^ 3 ^ id.unsigned_abs(), 25.0 * share));
        let cover =
            grain.rays * broken * ramp(half + 0.6 * self.px_mm, half - 0.6 * self.px_mm, off);
        blend(under, lit(early, 1.08), 0.35 * cover)
    }

    /// Light and shade of the surface: fine grain, torn fibres.
    fn surface(&self, p: &Point, x: f64, y: f64) -> f64 {
        let rough = self.plan.grain.rough;
        let k = self.plan.noise_seed ^ 80;
        let fine = plane(k, 0.45 * p.x_mm / self.px_mm, 0.45 * p.y_mm / self.px_mm);
        let fibre = plane(k ^ 1, 140.0 * x, 140.0 * y);
        let patch = 0.6 + 0.6 * plane(k ^ 2, 5.0 * x, 5.0 * y);
        rough * (0.45 * fine + patch * fibre)
    }

    /// Shading of a saw's grooves.
    fn groove(&self, saw: &SawMarks, [s, c]: [f64; 2], x: f64, y: f64) -> f64 {
        let (across, along) = (c * x + s * y, c * y - s * x);
        let at = if saw.far > 100.0 {
            across
        } else {
            (saw.far + across).hypot(along) - saw.far
        } / saw.spacing;
        let k = self.plan.noise_seed ^ 90;
        let even = (TAU * at).sin();
        let wild = line(k, 1.3 * at) + 0.6 * line(k ^ 1, 3.1 * at);
        // A tooth's mark comes and goes along its way.
        let strength = 0.65 + 0.5 * plane(k ^ 2, 0.7 * at, 2.0 * along);
        saw.depth * strength * lerp(even, wild, saw.uneven)
    }

    /// The ruled line and its ticks.
    fn pen(&self, under: Colour, p: &Point) -> Colour {
        let Some(pen) = &self.plan.pen else {
            return under;
        };
        let off = angle_between(p.azimuth, pen.azimuth);
        if off.abs() > 0.7 {
            return under;
        }
        let half = (0.5 * pen.width * self.size_mm).max(0.6 * self.px_mm);
        let side = p.radius_mm * off.sin();
        let stroke =
            |distance: f64| ramp(half + 0.6 * self.px_mm, half - 0.6 * self.px_mm, distance);
        let mut cover = stroke(side.abs());
        let along = p.radius_mm * off.cos();
        if side.abs() < 6.0 * half {
            let disc = &self.plan.disc;
            if let Some(place) = disc.place(along, pen.azimuth) {
                for ring in [place.ring, place.ring + 1] {
                    if ring > 0 && ring % pen.every == 0 {
                        let tick = along - disc.boundary_mm(ring, pen.azimuth);
                        cover = cover.max(stroke(tick.abs() * 1.6));
                    }
                }
            }
        }
        // Ink sinks in unevenly.
        let dry = 0.8 + 0.2 * line(self.plan.noise_seed ^ 95, 3.0 * along / half);
        blend(under, pen.ink, cover * dry)
    }
}
