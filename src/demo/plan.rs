//! Draws all parameters of a practice photo before a pixel is painted.

use super::blemish::{Check, Hollow, Knot, PenMark, Stain, StainKind};
use super::chance::Chance;
use super::ground::{Ground, GroundKind};
use super::growth::{Disc, Wish, grow};
use super::looks::{Colour, Species, draw, rgb};
use super::rim::Bark;
use super::view::{Camera, View};
use super::{Suite, recipe};
use crate::settings::{RulerMarks, WoodKind};

/// Everything that was drawn for one practice photo; [`super::render`] adds nothing to it.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The suite.
    pub suite: Suite,
    /// The seed of the whole set.
    pub seed: u64,
    /// The photo's number in the set.
    pub index: u64,
    /// The kind of wood.
    pub wood: WoodKind,
    /// Width of the picture, px.
    pub width_px: u32,
    /// Height of the picture, px.
    pub height_px: u32,
    pub(crate) disc: Disc,
    pub(crate) species: Species,
    pub(crate) pith: Option<Pith>,
    pub(crate) heart: Option<Heart>,
    pub(crate) grain: Grain,
    pub(crate) saw: Vec<SawMarks>,
    pub(crate) checks: Vec<Check>,
    pub(crate) knots: Vec<Knot>,
    pub(crate) stains: Vec<Stain>,
    pub(crate) hollow: Option<Hollow>,
    pub(crate) pen: Option<PenMark>,
    pub(crate) bark: Bark,
    pub(crate) ground: Ground,
    pub(crate) has_ruler: bool,
    pub(crate) rule_marks: RulerMarks,
    pub(crate) light: Light,
    pub(crate) camera: Camera,
    pub(crate) sensor: Sensor,
    pub(crate) noise_seed: u32,
}

/// The pith, as it shows on the face.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pith {
    /// Mean radius, mm.
    pub(crate) radius_mm: f64,
    /// How light it is beside the first ring's wood: under 1 darker.
    pub(crate) light: f64,
    /// Softness of its edge, share of its radius.
    pub(crate) soft: f64,
}

/// Heartwood: its edge and how it wanders across the rings.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Heart {
    /// Mean edge as a share of the wood's radius.
    pub(crate) share: f64,
    /// Wandering of the edge, share of the radius.
    pub(crate) wander: f64,
    /// Softness of the edge, share of the radius.
    pub(crate) soft: f64,
    /// How strongly the heart is coloured, 0 to 1.
    pub(crate) strength: f64,
}

/// The fine look of the wood.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Grain {
    /// Contrast of rings, 1 as grown.
    pub(crate) contrast: f64,
    /// Share of the ring over which early turns to latewood: 0.1 abrupt, 1 gradual.
    pub(crate) transition: f64,
    /// Latewood bright on dark earlywood: worn faces.
    pub(crate) is_reversed: bool,
    /// Diameter of the large pores (ring-porous) or spacing of the small ones (diffuse), mm.
    pub(crate) pore_mm: f64,
    /// Rows of large pores.
    pub(crate) pore_rows: f64,
    /// Pores filled with pale dust instead of dark.
    pub(crate) pores_pale: bool,
    /// Width of the terminal line of diffuse-porous wood, mm.
    pub(crate) line_mm: f64,
    /// The terminal line is paler than the wood.
    pub(crate) line_pale: bool,
    /// Strength of wood rays, 0 to 1.
    pub(crate) rays: f64,
    /// Spacing of wood rays, mm.
    pub(crate) ray_mm: f64,
    /// Strength of broad radial streaks.
    pub(crate) streaks: f64,
    /// Roughness of the surface (torn fibres), about 0.01 sanded to 0.15 torn.
    pub(crate) rough: f64,
    /// Strength of slow blotches.
    pub(crate) blotch: f64,
}

/// One set of saw marks.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SawMarks {
    /// Direction across the grooves, rad.
    pub(crate) across: f64,
    /// Distance to the arcs' centre in radii of the disc; large is straight.
    pub(crate) far: f64,
    /// Spacing of the grooves, share of the disc's radius.
    pub(crate) spacing: f64,
    /// Depth of shading, 0 to 1.
    pub(crate) depth: f64,
    /// Even as a bandsaw's, or uneven as a chainsaw's, 0 to 1.
    pub(crate) uneven: f64,
}

/// Light on the scene.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Light {
    /// Direction that it comes from in the picture, rad.
    pub(crate) from: f64,
    /// Fall across the picture.
    pub(crate) fall: f64,
    /// Darkening of the corners.
    pub(crate) vignette: f64,
    /// Overall exposure.
    pub(crate) exposure: f64,
    /// A cast shadow's edge: direction (rad), place (share of the short side from the middle),
    /// darkness kept.
    pub(crate) shadow: Option<[f64; 3]>,
}

/// Lens, sensor and the camera's own processing.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sensor {
    /// Gaussian blur, sd in px.
    pub(crate) blur_px: f64,
    /// Sharpening as phones do it, 0 none.
    pub(crate) sharpen: f64,
    /// Noise, sd as a share of full brightness at mid grey.
    pub(crate) noise: f64,
    /// JPEG quality, 1 to 100.
    pub(crate) jpeg_quality: u8,
    /// Quality of a second compression, as messengers do it.
    pub(crate) second_quality: Option<u8>,
    /// Colours taken out.
    pub(crate) is_grey: bool,
}

/// The part of a plan's chance that the pith is drawn by: far from those of [`plan`], so that discs stay
/// as they are when something is drawn besides.
const PITH_PART: u64 = 100;

impl Plan {
    /// The same disc at another size: both sides scaled so that the picture has so many megapixels.
    #[must_use]
    pub fn at_megapixels(mut self, megapixels: f64) -> Self {
        let have = f64::from(self.width_px) * f64::from(self.height_px) / 1e6;
        let factor = (megapixels / have).sqrt();
        self.width_px = whole_px(f64::from(self.width_px) * factor);
        self.height_px = whole_px(f64::from(self.height_px) * factor);
        self
    }

    /// The same disc with the picture's long side at so many px.
    #[must_use]
    pub fn at_long_side(mut self, long_px: u32) -> Self {
        let factor = f64::from(long_px) / f64::from(self.width_px.max(self.height_px));
        self.width_px = whole_px(f64::from(self.width_px) * factor);
        self.height_px = whole_px(f64::from(self.height_px) * factor);
        self
    }

    /// The same photo saved at another JPEG quality (1 to 100), compressed once.
    #[must_use]
    pub fn at_jpeg_quality(mut self, quality: u8) -> Self {
        self.sensor.jpeg_quality = quality;
        self.sensor.second_quality = None;
        self
    }

    /// The same disc with a rule beside it that lies in the frame, marked in millimetres or in
    /// sixteenths of an inch; the camera steps back for it.
    #[must_use]
    pub fn with_rule(mut self, marks: RulerMarks) -> Self {
        self.has_ruler = true;
        self.rule_marks = marks;
        self.camera.fill = self.camera.fill.min(0.6);
        // The disc moves away from the rule's side.
        let (s, c) = super::picture::rule_turn(&self).sin_cos();
        self.camera.shift = [-0.12 * s, -0.12 * c];
        self
    }

    /// The same photo with the camera held off square by so many degrees.
    #[must_use]
    pub fn tilted_deg(mut self, degrees: f64) -> Self {
        self.camera.tilt = degrees.to_radians();
        self
    }

    /// The same disc grown round a pith, as stems are: 1.0 to 5.1 mm across (cypress, cedar and larch 1/25 to
    /// 1/15 inch, southern pines 1/8 to 1/5; a text after Roth 1895), mostly darker than the wood about it (common
    /// practice, no source).
    #[must_use]
    pub fn with_pith(mut self) -> Self {
        let mut chance = Chance::new(self.suite.number(), self.seed, self.index, PITH_PART);
        let ring_mm = self.disc.mean_mm[self.disc.rings] / self.disc.rings as f64;
        let pith = Pith {
            radius_mm: (0.5 * chance.between(1.0, 5.1)).min(1.2 * ring_mm),
            light: if chance.yes(0.8) {
                chance.between(0.6, 1.0)
            } else {
                chance.between(1.0, 1.3)
            },
            soft: chance.between(0.1, 0.6),
        };
        self.disc.grown_round(pith.radius_mm);
        self.pith = Some(pith);
        self
    }

    /// The camera's map at the planned size.
    pub(crate) fn view(&self) -> View {
        let size = self.disc.mean_mm[self.disc.rings];
        View::of(
            &self.disc,
            if self.bark.share < 0.02 {
                0.0
            } else {
                self.bark.thick * size
            },
            &self.camera,
            f64::from(self.width_px),
            f64::from(self.height_px),
        )
    }

    /// The log's tag in the yard: `QB-0017` for number 17.
    pub fn tag(&self) -> String {
        format!("QB-{:04}", self.index)
    }

    /// What is true of the photo, without rendering it.
    pub fn truth(&self) -> super::Truth {
        super::truth::of(self, &self.view())
    }

    /// File name without extension: suite first, so that a folder sorts by suite.
    pub fn name(&self) -> String {
        format!("{}_{}", self.suite.name(), self.tag())
    }
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to the sides a JPEG can have"
)]
fn whole_px(side: f64) -> u32 {
    side.round().clamp(16.0, 65_535.0) as u32
}

/// Draws the plan of one practice photo: the same for the same suite, seed and index. Its rings begin
/// at a point; [`Plan::with_pith`] puts a pith there.
pub fn plan(suite: Suite, seed: u64, index: u64) -> Plan {
    let mut part = 0;
    let mut stream = || {
        part += 1;
        Chance::new(suite.number(), seed, index, part)
    };
    let mut chance = stream();
    let recipe = recipe::of(suite, &mut chance);
    let [width_px, height_px] = frame(&mut chance);
    let short = f64::from(width_px.min(height_px));
    let wood = recipe.wood;

    let mut chance = stream();
    let camera = recipe::camera(&recipe, &mut chance);

    // Rings are wished for in px of the picture, because that decides how hard they are to see.
    let mut chance = stream();
    let radius_px = 0.5 * short * camera.fill * if recipe.bark < 0.02 { 1.0 } else { 0.95 };
    let ring_px = chance.between(recipe.ring_px[0], recipe.ring_px[1]);
    let rings = super::noise::index((radius_px / ring_px).round(), 261).max(8);
    let ring_mm = chance.between(recipe.ring_mm[0], recipe.ring_mm[1]);
    let radius_mm = ring_mm * rings as f64;
    let mm_per_px = radius_mm / radius_px;
    let wish = Wish {
        rings,
        radius_mm,
        least_mm: (recipe.least_px * mm_per_px).min(0.6 * ring_mm),
        eccentricity: recipe.eccentricity,
        lobes: recipe.lobes,
        trend: chance.between(recipe.trend[0], recipe.trend[1]),
        variation: chance.between(0.12, 0.32),
        events: chance.whole(0, recipe.events),
        absent: recipe.absent,
        false_rings: recipe.false_rings,
    };
    let disc = grow(&wish, &mut chance);

    let mut chance = stream();
    let species = draw(wood, recipe.is_weathered, &mut chance);
    let grain = grain(&recipe, ring_mm, &mut chance);
    let heart = chance.yes(recipe.heart).then(|| Heart {
        share: chance.between(0.35, 0.85),
        wander: chance.between(0.01, 0.07),
        soft: chance.between(0.004, 0.05),
        strength: chance.between(0.35, 1.0),
    });

    let mut chance = stream();
    let saw = (0..recipe.saw_sets)
        .map(|_| SawMarks {
            across: chance.between(0.0, std::f64::consts::TAU),
            far: if chance.yes(0.5) {
                chance.between(2.5, 8.0)
            } else {
                200.0
            },
            spacing: chance.between(0.012, 0.06),
            depth: chance.between(recipe.saw_depth[0], recipe.saw_depth[1]),
            uneven: chance.between(0.2, 1.0),
        })
        .collect();

    let mut chance = stream();
    let checks = Check::draw_all(&recipe, radius_mm, mm_per_px, &mut chance);
    let knots = Knot::draw_all(recipe.knots, &mut chance);
    let stains = (0..recipe.stains)
        .map(|_| Stain {
            kind: chance.pick(&[
                StainKind::Wet,
                StainKind::Blue,
                StainKind::Blotch,
                StainKind::Dirt,
            ]),
            share: chance.between(0.15, 0.5),
            strength: chance.between(0.3, 0.9),
            seed: chance.noise_seed(),
            middle: chance.between(0.0, std::f64::consts::TAU),
        })
        .collect();
    let hollow = recipe.is_hollow.then(|| Hollow {
        share: chance.between(0.15, 0.45),
        ragged: chance.between(0.08, 0.25),
        is_rot: chance.yes(0.35),
        seed: chance.noise_seed(),
    });
    let pen = recipe.has_pen.then(|| PenMark {
        azimuth: chance.between(0.0, std::f64::consts::TAU),
        every: chance.pick(&[1, 5, 10]),
        width: chance.between(0.003, 0.007),
        ink: chance.pick(&[rgb(0x1e2a6b), rgb(0x18181c), rgb(0x9c1f1f), rgb(0x5a5754)]),
    });

    let mut chance = stream();
    let bark = Bark::draw(recipe.bark, &mut chance);
    let ground = ground(&mut chance);
    let has_ruler = chance.yes(recipe.ruler);
    let light = Light {
        from: chance.between(0.0, std::f64::consts::TAU),
        fall: chance.between(0.0, 0.22),
        vignette: chance.between(0.0, 0.3),
        exposure: chance.between(0.85, 1.08),
        shadow: chance.yes(recipe.shadow).then(|| {
            [
                chance.between(0.0, std::f64::consts::TAU),
                chance.between(-0.25, 0.25),
                chance.between(0.5, 0.75),
            ]
        }),
    };
    let sensor = Sensor {
        blur_px: if recipe.blur_rings > 0.0 {
            recipe.blur_rings * ring_px
        } else {
            chance.between(recipe.blur_px[0], recipe.blur_px[1])
        },
        sharpen: if chance.yes(0.6) {
            chance.between(0.1, 0.6)
        } else {
            0.0
        },
        noise: chance.between(0.004, 0.022),
        jpeg_quality: u8::try_from(chance.whole(82, 95)).unwrap_or(90),
        second_quality: chance
            .yes(0.2)
            .then(|| u8::try_from(chance.whole(70, 88)).unwrap_or(80)),
        is_grey: chance.yes(0.04),
    };
    Plan {
        suite,
        seed,
        index,
        wood,
        width_px,
        height_px,
        disc,
        species,
        pith: None,
        heart,
        grain,
        saw,
        checks,
        knots,
        stains,
        hollow,
        pen,
        bark,
        ground,
        has_ruler,
        rule_marks: RulerMarks::Mm,
        light,
        camera,
        sensor,
        noise_seed: chance.noise_seed(),
    }
}

fn frame(chance: &mut Chance) -> [u32; 2] {
    let [long, short] = chance.pick(&[[4, 3], [4, 3], [3, 2], [16, 9], [1, 1]]);
    let side = chance.pick(&[1200_u32, 1400, 1600, 1800]);
    let far = side * long / short;
    if chance.yes(0.6) {
        [far, side]
    } else {
        [side, far]
    }
}

fn grain(recipe: &recipe::Recipe, ring_mm: f64, chance: &mut Chance) -> Grain {
    let is_rough = chance.yes(recipe.rough);
    Grain {
        contrast: chance.between(recipe.contrast[0], recipe.contrast[1]),
        transition: if chance.yes(0.5) {
            chance.between(0.05, 0.2)
        } else {
            chance.between(0.5, 1.3)
        },
        is_reversed: recipe.is_reversed,
        pore_mm: match recipe.wood {
            WoodKind::DiffusePorous => chance.between(0.1, 0.22),
            _ => chance.between(0.2, 0.36).min(0.3 * ring_mm),
        },
        pore_rows: chance.pick(&[1.0, 1.0, 2.0, 2.0, 3.0]),
        pores_pale: chance.yes(0.3),
        line_mm: chance.between(0.06, 0.25).min(0.2 * ring_mm),
        line_pale: chance.yes(recipe.line_pale),
        rays: match recipe.wood {
            WoodKind::Conifer => chance.between(0.0, 0.15),
            _ => chance.between(0.1, 0.8),
        },
        ray_mm: chance.between(0.7, 2.2) * ring_mm.max(1.0),
        streaks: chance.between(0.01, 0.06),
        rough: if is_rough {
            chance.between(0.06, 0.16)
        } else {
            chance.between(0.015, 0.05)
        },
        blotch: chance.between(0.02, 0.08),
    }
}

fn ground(chance: &mut Chance) -> Ground {
    let kind = chance.pick(&GroundKind::ALL);
    let cloths: [Colour; 5] = [
        rgb(0x6d7f8f),
        rgb(0x2b2d33),
        rgb(0xc9c2b4),
        rgb(0x7b3f3a),
        rgb(0x50664f),
    ];
    Ground {
        kind,
        tint: chance.between(0.75, 1.1),
        cloth: chance.pick(&cloths),
        turn: chance.between(-0.5, 0.5) + if chance.yes(0.5) { 1.57 } else { 0.0 },
        scale: chance.between(0.7, 1.5),
        seed: chance.noise_seed(),
    }
}
