//! What is true of a practice photo: written beside it, so that a reading can be scored.

use super::Suite;
use super::noise::index;
use super::plan::Plan;
use super::view::View;
use crate::settings::WoodKind;
use serde::{Deserialize, Serialize};

/// The truth of one photo. Coordinates are px of the final picture: the centre of the top left pixel
/// is (0, 0), y down; azimuths in degrees, 0 along +x, clockwise as seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// File name of the photo.
    pub photo: String,
    /// The yard that the disc is said to come from (invented).
    pub yard: String,
    /// The log's tag in that yard (invented).
    pub tag: String,
    /// Suite.
    pub suite: String,
    /// `conifer`, `ring_porous` or `diffuse`; absent where there is no wood.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub wood: Option<String>,
    /// Width of the photo, px.
    pub width: u32,
    /// Height of the photo, px.
    pub height: u32,
    /// No ring can be read in this photo, so `rings` is absent.
    pub no_rings: bool,
    /// Rings from the pith to the wood's edge.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub rings: Option<usize>,
    /// Where the pith is, px; may lie outside the frame or in a hollow.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub pith: Option<[f64; 2]>,
    /// The pith is in the frame and not rotted away.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub pith_visible: Option<bool>,
    /// One row a ring: its outer boundary at azimuths 0 to 359 degrees, px from the pith, `null`
    /// outside the frame. Two rows are alike where the outer of the two rings is absent.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub boundaries: Vec<Vec<Option<f64>>>,
    /// First ring whose boundary no hollow hides.
    pub visible_from_ring: usize,
    /// Rings of which some boundary lies in the frame.
    pub rings_in_frame: usize,
    /// Share of azimuths at which the wood's edge is in the frame.
    pub edge_in_frame_share: f64,
    /// Sectors, degrees from and to, that a wide crack hides in part.
    pub hidden_sectors: Vec<[f64; 2]>,
    /// Scale at the pith, mm a px.
    pub mm_per_px: f64,
    /// Mean diameter of the wood (from its area), mm.
    pub diameter_mm_mean: f64,
    /// Narrowest ring on any of the azimuths in the frame, px; 0 where one is absent.
    pub min_ring_px: f64,
    /// Widest ring on any of the azimuths in the frame, px.
    pub max_ring_px: f64,
    /// Rings missing in a sector: ring, azimuths from and to.
    pub absent: Vec<(usize, f64, f64)>,
    /// Density bands that are no ring.
    pub false_rings: Vec<FalseRingTruth>,
    /// First and last ring of growth events, and the factor on the widths.
    pub growth_events: Vec<(usize, usize, f64)>,
    /// Cracks.
    pub checks: Vec<CheckTruth>,
    /// Knots: azimuth, and from and to, px from the pith.
    pub knots: Vec<[f64; 3]>,
    /// Kinds of stain.
    pub stains: Vec<String>,
    /// Mean radius of a hollow or of rot, px.
    pub hollow: Option<f64>,
    /// Azimuth of the ruled line.
    pub pen_marks: Vec<f64>,
    /// The ruled line has a cross mark every so many rings, from the pith; absent without a line.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub pen_mark_every: Option<usize>,
    /// Saw marks stronger than sanding would leave.
    pub saw_marks: bool,
    /// Latewood brighter than earlywood.
    pub late_wood_bright: bool,
    /// Look of the wood.
    pub species_look: String,
    /// Look of the bark.
    pub bark_look: String,
    /// Share of the circumference without bark.
    pub bark_missing_share: f64,
    /// What the disc lies on.
    pub background: String,
    /// A rule lies in the picture's plane.
    pub ruler: bool,
    /// Angle between line of sight and the face's normal.
    pub tilt_deg: f64,
    /// Quality of the last compression.
    pub jpeg_quality: u8,
    /// Seed of the set.
    pub seed: u64,
    /// Number in the set.
    pub index: u64,
}

/// A density band in the truth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FalseRingTruth {
    /// The ring that holds it.
    pub ring: usize,
    /// Where in the ring, 0 inner boundary, 1 outer.
    pub frac: f64,
    /// Darkness at its middle, 0 to 1.
    pub strength: f64,
    /// Azimuth from.
    pub az_from: f64,
    /// Azimuth to.
    pub az_to: f64,
}

/// A crack in the truth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CheckTruth {
    /// `hairline`, `gaping` or `heart`.
    pub kind: String,
    /// Azimuth of its middle.
    pub azimuth: f64,
    /// Inner end, px from the pith.
    pub r_from: f64,
    /// Outer end, px from the pith.
    pub r_to: f64,
    /// Largest half width, px.
    pub half_width_px: f64,
}

/// The yard of the demo: invented.
pub(crate) const YARD: &str = "Quillbrook yard";

fn to(decimals: i32, value: f64) -> f64 {
    let factor = 10_f64.powi(decimals);
    (value * factor).round() / factor
}

/// Boundaries in the picture: distances from the pith, and whether each is in the frame.
fn boundaries(plan: &Plan, view: &View) -> Vec<Vec<Option<f64>>> {
    let (w, h) = (f64::from(plan.width_px), f64::from(plan.height_px));
    let [px, py] = view.pith_px;
    let mut rows = vec![vec![None; 360]; plan.disc.rings];
    for degree in 0_u32..360 {
        let azimuth = view.face_azimuth(f64::from(degree).to_radians());
        for (ring, row) in rows.iter_mut().enumerate() {
            let r = plan.disc.boundary_mm(ring + 1, azimuth);
            let [x, y] = view.to_picture(r * azimuth.cos(), r * azimuth.sin());
            if (0.0..w).contains(&x) && (0.0..h).contains(&y) {
                row[index(f64::from(degree), 360)] = Some(to(2, (x - px).hypot(y - py)));
            }
        }
    }
    rows
}

/// Narrowest and widest ring, px, over the boundaries in the frame.
fn width_range(rows: &[Vec<Option<f64>>]) -> [f64; 2] {
    let mut range = [f64::MAX, 0.0_f64];
    for degree in 0..360 {
        let mut inner = Some(0.0);
        for row in rows {
            if let (Some(a), Some(b)) = (inner, row[degree]) {
                range = [range[0].min(b - a), range[1].max(b - a)];
            }
            inner = row[degree];
        }
    }
    [range[0].min(range[1]), range[1]]
}

/// The truth of a plan seen by its camera.
pub(crate) fn of(plan: &Plan, view: &View) -> Truth {
    let suite = plan.suite;
    let disc = &plan.disc;
    let has_disc = !matches!(
        suite,
        Suite::NoneWall | Suite::NonePlank | Suite::NoneLeaves
    );
    let no_rings = suite.has_no_rings();
    let rows = if no_rings {
        Vec::new()
    } else {
        boundaries(plan, view)
    };
    let (w, h) = (f64::from(plan.width_px), f64::from(plan.height_px));
    let [x, y] = view.pith_px;
    let in_frame = (0.0..w).contains(&x) && (0.0..h).contains(&y);
    let seen = |row: &Vec<Option<f64>>| row.iter().flatten().count();
    let [min_ring_px, max_ring_px] = if no_rings {
        [0.0; 2]
    } else {
        width_range(&rows)
    };
    let size = disc.mean_mm[disc.rings];
    let degrees = |azimuth: f64| to(1, view.picture_azimuth_deg(azimuth));
    let px_from_pith = |azimuth: f64, r: f64| {
        let [u, v] = view.to_picture(r * azimuth.cos(), r * azimuth.sin());
        to(1, (u - x).hypot(v - y))
    };
    let visible_from_ring = plan.hollow.map_or(1, |hollow| {
        (1..=disc.rings)
            .find(|&ring| {
                (0_u32..360).all(|i| {
                    let a = f64::from(i).to_radians();
                    disc.boundary_mm(ring, a) > hollow.edge(a) * disc.edge_mm(a)
                })
            })
            .unwrap_or(disc.rings)
    });
    let hides = |check: &super::blemish::Check| {
        // 1.5 px: a crack of three pixels begins to hide a boundary that must be found to 1.5 px.
        let [low, high] = check.hides(size, 1.5 * view.mm_per_px)?;
        (check.half_mm > 2.5 * view.mm_per_px)
            .then(|| [degrees(check.azimuth + low), degrees(check.azimuth + high)])
    };
    let mean_square = (0_u32..720)
        .map(|i| disc.edge_mm(f64::from(i).to_radians() / 2.0).powi(2))
        .sum::<f64>()
        / 720.0;
    Truth {
        photo: format!("{}.jpg", plan.name()),
        yard: YARD.to_owned(),
        tag: plan.tag(),
        suite: suite.name().to_owned(),
        wood: has_disc.then(|| {
            match plan.wood {
                WoodKind::Conifer => "conifer",
                WoodKind::RingPorous => "ring_porous",
                WoodKind::DiffusePorous => "diffuse",
            }
            .to_owned()
        }),
        width: plan.width_px,
        height: plan.height_px,
        no_rings,
        rings: (!no_rings).then_some(disc.rings),
        pith: (!no_rings).then(|| [to(2, x), to(2, y)]),
        pith_visible: (!no_rings).then_some(in_frame && plan.hollow.is_none()),
        visible_from_ring,
        rings_in_frame: rows.iter().filter(|row| seen(row) > 0).count(),
        edge_in_frame_share: to(3, rows.last().map_or(0.0, |row| seen(row) as f64 / 360.0)),
        hidden_sectors: if no_rings {
            Vec::new()
        } else {
            plan.checks.iter().filter_map(hides).collect()
        },
        mm_per_px: to(6, view.mm_per_px),
        diameter_mm_mean: to(1, 2.0 * mean_square.sqrt()),
        min_ring_px: to(2, min_ring_px),
        max_ring_px: to(2, max_ring_px),
        absent: disc
            .absences
            .iter()
            .map(|a| {
                (
                    a.ring,
                    degrees(a.middle - a.half),
                    degrees(a.middle + a.half),
                )
            })
            .collect(),
        false_rings: disc
            .false_rings
            .iter()
            .map(|f| FalseRingTruth {
                ring: f.ring,
                frac: to(2, f.phase),
                strength: to(2, f.strength),
                az_from: degrees(f.middle - f.half),
                az_to: degrees(f.middle + f.half),
            })
            .collect(),
        growth_events: disc
            .events
            .iter()
            .map(|e| (e.from, e.to, to(2, e.factor)))
            .collect(),
        checks: plan
            .checks
            .iter()
            .map(|c| CheckTruth {
                kind: c.kind.name().to_owned(),
                azimuth: degrees(c.azimuth),
                r_from: px_from_pith(c.azimuth, c.span[0] * disc.edge_mm(c.azimuth)),
                r_to: px_from_pith(c.azimuth, c.span[1] * disc.edge_mm(c.azimuth)),
                half_width_px: to(1, c.half_mm / view.mm_per_px),
            })
            .collect(),
        knots: plan
            .knots
            .iter()
            .map(|k| {
                let edge = disc.edge_mm(k.azimuth);
                [
                    degrees(k.azimuth),
                    px_from_pith(k.azimuth, k.span[0] * edge),
                    px_from_pith(k.azimuth, k.span[1] * edge),
                ]
            })
            .collect(),
        stains: plan
            .stains
            .iter()
            .map(|s| s.kind.name().to_owned())
            .collect(),
        hollow: plan.hollow.map(|h| to(1, h.share * size / view.mm_per_px)),
        pen_marks: plan.pen.iter().map(|p| degrees(p.azimuth)).collect(),
        pen_mark_every: plan.pen.map(|pen| pen.every),
        saw_marks: plan.saw.iter().any(|s| s.depth > 0.045),
        late_wood_bright: plan.grain.is_reversed,
        species_look: plan.species.name.to_owned(),
        bark_look: plan.bark.look.name().to_owned(),
        bark_missing_share: to(2, plan.bark.missing_share()),
        background: plan.ground.kind.name().to_owned(),
        ruler: plan.has_ruler,
        tilt_deg: to(2, plan.camera.tilt.to_degrees()),
        jpeg_quality: plan
            .sensor
            .second_quality
            .unwrap_or(plan.sensor.jpeg_quality),
        boundaries: rows,
        seed: plan.seed,
        index: plan.index,
    }
}
