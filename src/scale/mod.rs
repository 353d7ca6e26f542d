//! From what the user states, and a ruler in the photo, to millimetres a pixel.
//!
//! Each statement (a scale, a resolution, two points, a ruler, diameters, a girth) gives mm a pixel
//! by itself, with a tolerance. Where all agree within their tolerances the most certain one is
//! taken; where two contradict each other neither is: which one is wrong can't be told from here, and
//! a wrong scale is worse than none. Then the lengths stay in pixels and a note has both numbers.
//!
//! A reading stays in pixels of the photo. A face seen aslant has no single scale: [`tilt`](crate::scale::tilt) gives the
//! direction in which it is foreshortened and by how much, the scale published is the geometric
//! mean over the directions (areas come out right with it), and lengths along an azimuth are
//! corrected by [`Scale::mm_per_px_at`](crate::reading::Scale::mm_per_px_at).
//!
//! Limits: the tilt is corrected as if seen from far away. From near, the farther half of the face
//! is smaller as well; that part (a few per cent at 10 degrees from two disc widths) stays.

mod girth;
pub mod ruler;
pub mod tilt;

use crate::notes::{Note, NoteCode};
use crate::reading::{Outline, RulerSeen, Scale, Tilt, radius_at};
use crate::ring_area;
use crate::settings::{ScaleGiven, Settings};
use crate::units::MM_PER_INCH;
use image::RgbImage;

/// Relative tolerance of a scale that the user states: the last of its three figures.
const GIVEN_TOLERANCE: f64 = 0.005;
/// Relative tolerance of a scanner's resolution: scanners are held to one per cent or better. Common
/// practice, no source.
const DPI_TOLERANCE: f64 = 0.01;
/// How well a point is pointed at, px.
const POINT_PX: f64 = 2.0;
/// Relative tolerance of a diameter: the tape's and the traced edge's, one per cent each. Common
/// practice, no source.
const DIAMETER_TOLERANCE: f64 = 0.02;
/// Relative tolerance of a mean diameter: which mean was taken adds to it.
const MEAN_DIAMETER_TOLERANCE: f64 = 0.03;
/// Relative tolerance of a girth: the tape lies on ridges, and bark varies.
const GIRTH_TOLERANCE: f64 = 0.04;
/// Relative tolerance of a ruler beside the wood: one that lies on the ground is farther off than the
/// face; measured 2 % on renders of that kind.
const RULER_TOLERANCE: f64 = 0.03;

/// The scale and what is to be said of it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Settled {
    /// The scale, where it is known.
    pub scale: Option<Scale>,
    /// Why there is none, or that it was corrected.
    pub notes: Vec<Note>,
}

/// One statement worked out.
#[derive(Debug, Clone, PartialEq)]
struct Statement {
    mm_per_px: f64,
    tolerance: f64,
    source: &'static str,
    /// What a message calls it.
    words: String,
    ruler: Option<RulerSeen>,
}

/// Settles the scale of a photo.
///
/// `outline` is the wood's edge about `pith_px`. Nothing is asked, nothing is looked for: without
/// statements the result is empty.
///
/// # Memory
/// With a ruler asked for, about 6 bytes a pixel of the photo while it is looked for.
pub fn settle(
    pixels: &RgbImage,
    settings: &Settings,
    outline: &Outline,
    pith_px: (f64, f64),
) -> Settled {
    let mut notes = Vec::new();
    if settings.scale.is_empty() && !settings.face_is_round {
        return Settled::default();
    }
    let across = diameters_across(settings, outline, &mut notes);
    let (tilt, by_pair) = find_tilt(settings, outline, &across, &mut notes);
    let mut statements: Vec<Statement> = Vec::new();
    if let Some(mm_per_px) = by_pair {
        statements.push(Statement {
            mm_per_px,
            tolerance: DIAMETER_TOLERANCE,
            source: "diameters",
            words: "the two diameters".into(),
            ruler: None,
        });
    } else {
        for across in &across {
            statements.push(Statement {
                mm_per_px: across.mm / (across.length_px * tilt::stretch(tilt, across.azimuth_deg)),
                tolerance: DIAMETER_TOLERANCE,
                source: "diameter",
                words: format!("the diameter at {} degrees", across.azimuth_deg),
                ruler: None,
            });
        }
    }
    for given in &settings.scale {
        match state(given, pixels, outline, pith_px, tilt) {
            Ok(statement) => statements.extend(statement),
            Err(words) => notes.push(Note::new(NoteCode::ScaleNotFound, words)),
        }
    }
    let scale = agree(statements, tilt, &mut notes);
    if let Some(tilt) = tilt {
        let off = tilt.foreshortening.min(1.0).acos().to_degrees();
        // 1.5 %: what a tape and a traced edge leave open anyway.
        if tilt.foreshortening < 0.985 {
            let words = if scale.is_some() {
                format!(
                    "The face is seen about {off:.0} degrees off square, foreshortened to {:.1} % along {:.0} degrees; lengths in mm are corrected for it, those in pixels are not.",
                    100.0 * tilt.foreshortening,
                    tilt.azimuth_deg
                )
            } else {
                format!(
                    "The face is seen about {off:.0} degrees off square; without a scale lengths stay in pixels and are not corrected for it."
                )
            };
            notes.push(Note::new(NoteCode::Tilted, words));
        }
    }
    Settled { scale, notes }
}

/// A diameter across the face in the photo and as measured.
#[derive(Debug, Clone, Copy)]
struct Across {
    length_px: f64,
    mm: f64,
    azimuth_deg: f64,
}

/// The diameters at stated azimuths, through the pith from edge to edge.
fn diameters_across(settings: &Settings, outline: &Outline, notes: &mut Vec<Note>) -> Vec<Across> {
    let mut found = Vec::new();
    for given in &settings.scale {
        let ScaleGiven::DiameterAcross { mm, azimuth_deg } = *given else {
            continue;
        };
        let radius = |azimuth| radius_at(&outline.radius_px, azimuth);
        match radius(azimuth_deg).zip(radius(azimuth_deg + 180.0)) {
            Some((out, back)) if out + back > 0.0 => found.push(Across {
                length_px: out + back,
                mm,
                azimuth_deg,
            }),
            _ => notes.push(Note::new(
                NoteCode::ScaleNotFound,
                format!("The diameter at {azimuth_deg} degrees can't serve as scale: the wood's edge was not found at both its ends."),
            )),
        }
    }
    found
}

/// The tilt by a face declared round, or else by two diameters; with the scale of the latter.
fn find_tilt(
    settings: &Settings,
    outline: &Outline,
    across: &[Across],
    notes: &mut Vec<Note>,
) -> (Option<Tilt>, Option<f64>) {
    if settings.face_is_round {
        let tilt = tilt::of_round(&outline.radius_px);
        if tilt.is_none() {
            notes.push(Note::new(
                NoteCode::ScaleNotFound,
                "The tilt can't be found: too much of the wood's edge is not in the photo, or it is no ellipse that a round face could be.",
            ));
        }
        return (tilt, None);
    }
    let [a, b] = across else {
        return (None, None);
    };
    let measured = |across: &Across| tilt::Measured {
        length_px: across.length_px,
        length_mm: across.mm,
        azimuth_deg: across.azimuth_deg,
    };
    match tilt::of_two(&measured(a), &measured(b)) {
        Some((tilt, mm_per_px)) => (Some(tilt), Some(mm_per_px)),
        None => (None, None),
    }
}

/// Works one statement out; none for what is worked out elsewhere.
fn state(
    given: &ScaleGiven,
    pixels: &RgbImage,
    outline: &Outline,
    pith_px: (f64, f64),
    tilt: Option<Tilt>,
) -> Result<Option<Statement>, String> {
    let plain = |mm_per_px: f64, tolerance: f64, source: &'static str, words: String| {
        Ok(Some(Statement {
            mm_per_px,
            tolerance,
            source,
            words,
            ruler: None,
        }))
    };
    match *given {
        ScaleGiven::MmPerPx(mm) => plain(mm, GIVEN_TOLERANCE, "given", "--mm-per-px".into()),
        ScaleGiven::Dpi(dpi) => plain(MM_PER_INCH / dpi, DPI_TOLERANCE, "dpi", "--dpi".into()),
        ScaleGiven::DpiOfFile(Some(dpi)) => plain(
            MM_PER_INCH / dpi,
            DPI_TOLERANCE,
            "dpi",
            format!("the file's {dpi:.0} dpi"),
        ),
        ScaleGiven::DpiOfFile(None) => Err(
            "The file states no resolution that could serve as scale (72 and 96 dpi are what cameras write without measuring); for a scan give --dpi with its number.".into(),
        ),
        ScaleGiven::Points { from_px, to_px, mm } => {
            let (dx, dy) = (to_px.0 - from_px.0, to_px.1 - from_px.1);
            let length_px = dx.hypot(dy);
            let azimuth_deg = dy.atan2(dx).to_degrees();
            plain(
                mm / (length_px * tilt::stretch(tilt, azimuth_deg)),
                GIVEN_TOLERANCE + POINT_PX / length_px,
                "points",
                "the two points".into(),
            )
        }
        ScaleGiven::DiameterMm(mm) => {
            let radius_px = ring_area::equivalent_radius_px(&outline.radius_px)
                .filter(|radius| *radius > 0.0)
                .ok_or("The diameter can't serve as scale: too much of the wood's edge is not in the photo.")?;
            plain(
                mm / (2.0 * radius_px),
                MEAN_DIAMETER_TOLERANCE,
                "diameter",
                "--diameter".into(),
            )
        }
        ScaleGiven::Girth { girth_mm, bark_mm } => {
            let inside_mm = girth::inside_bark_mm(girth_mm, bark_mm);
            let girth_px = girth::of_outline_px(&outline.radius_px, tilt)
                .filter(|girth| *girth > 0.0)
                .ok_or("The girth can't serve as scale: too much of the wood's edge is not in the photo.")?;
            plain(
                inside_mm / girth_px,
                GIRTH_TOLERANCE,
                "girth",
                "--girth".into(),
            )
        }
        ScaleGiven::DiameterAcross { .. } => Ok(None),
        ScaleGiven::Ruler(marks) => {
            let seen = ruler::find(pixels, outline, pith_px, marks)?;
            let (dx, dy) = (
                seen.to_px[0] - seen.from_px[0],
                seen.to_px[1] - seen.from_px[1],
            );
            let azimuth_deg = dy.atan2(dx).to_degrees();
            Ok(Some(Statement {
                mm_per_px: seen.mm_per_px / tilt::stretch(tilt, azimuth_deg),
                tolerance: RULER_TOLERANCE + 3.0 * seen.relative_sd,
                source: "ruler",
                words: "the ruler".into(),
                ruler: Some(seen),
            }))
        }
    }
}

/// The most certain of the statements, if all agree.
fn agree(statements: Vec<Statement>, tilt: Option<Tilt>, notes: &mut Vec<Note>) -> Option<Scale> {
    for (i, a) in statements.iter().enumerate() {
        for b in &statements[i + 1..] {
            let apart = (a.mm_per_px / b.mm_per_px).ln().abs();
            if apart > a.tolerance + b.tolerance {
                notes.push(Note::new(
                    NoteCode::ScaleContradicts,
                    format!(
                        "Two statements of the scale contradict each other: {:.4} mm a pixel by {}, {:.4} by {}. Neither is used, lengths stay in pixels; leave the wrong one out.",
                        a.mm_per_px, a.words, b.mm_per_px, b.words
                    ),
                ));
                return None;
            }
        }
    }
    let best = statements
        .into_iter()
        .min_by(|a, b| a.tolerance.total_cmp(&b.tolerance))?;
    Some(Scale {
        mm_per_px: best.mm_per_px,
        source: best.source.into(),
        tilt,
        ruler: best.ruler,
    })
}
