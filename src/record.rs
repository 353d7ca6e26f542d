//! The published record, written from what the stages made.

use crate::age::Age;
use crate::draw::SURE_FROM;
use crate::notes::{Note, NoteCode};
use crate::outline::WoodEdge;
use crate::photo::Photo;
use crate::pith::Pith;
use crate::reading::{
    AZIMUTHS, AgeRecord, MissingCentre, Options, Outline, OutlineState, PhotoRecord, PithRecord,
    PithState, Program, Reading, Ring, SCHEMA, Scale, Wood,
};
use crate::ring_area;
use crate::rings::{Rings, TIGHT_BELOW_PX};
use crate::scale;
use crate::settings::Settings;
use crate::wood_kind::Told;

/// Decimals of a pixel that are published.
const DECIMALS: f64 = 100.0;

/// Writes the record.
pub fn write(
    photo: &Photo,
    settings: &Settings,
    pith: &Pith,
    wood_edge: &WoodEdge,
    rings: &Rings,
    wood: Told,
    age: &Age,
) -> Reading {
    let outline = outline(wood_edge, age);
    let settled = scale::settle(&photo.pixels, settings, &outline, (pith.x_px, pith.y_px));
    let scale = settled.scale;
    let state = pith_state(pith, age);
    let edge_whole = matches!(outline.state, OutlineState::Bark | OutlineState::Wood);
    let complete = age.is_counted && edge_whole && state == PithState::Seen && age.missing.0 == 0;
    let published = if age.is_counted {
        publish(rings, age, scale.as_ref())
    } else {
        Vec::new()
    };
    // A pith inferred from rings about a hole is known to a fraction of the hole.
    let sd_px = pith.sd_px.max(0.2 * rings.lost_centre_px);
    let mut notes = notes(sd_px, state, &outline, rings, age, &published);
    notes.extend(settled.notes);
    Reading {
        schema: SCHEMA.into(),
        program: Program {
            name: "endgrain".into(),
            version: env!("CARGO_PKG_VERSION").into(),
        },
        photo: photo.into(),
        end: None,
        options: Some(Options {
            level: settings.level,
            pith_px: settings.pith_px,
            region_px: settings.region_px,
            scale: settings.scale.clone(),
            face_is_round: settings.face_is_round,
            last_ring: settings.last_ring,
            felling: settings.felling.stated(),
            wood: settings.wood,
        }),
        scale,
        pith: PithRecord {
            x_px: rounded(pith.x_px),
            y_px: rounded(pith.y_px),
            sd_px: rounded(sd_px),
            state,
        },
        outline,
        wood: Wood {
            kind: wood.kind,
            confidence: rounded(wood.confidence),
        },
        rings: published,
        age: AgeRecord {
            rings: age.rings,
            low: age.low,
            high: age.high,
            level: age.level,
            missing_centre: MissingCentre {
                rings: age.missing.0,
                low: age.missing.1,
                high: age.missing.2,
            },
            complete,
        },
        notes,
        calendar: None,
    }
}

impl From<&Photo> for PhotoRecord {
    fn from(photo: &Photo) -> Self {
        PhotoRecord {
            file: photo.file.clone(),
            sha256: photo.sha256.clone(),
            width_px: photo.pixels.width(),
            height_px: photo.pixels.height(),
        }
    }
}

fn rounded(value: f64) -> f64 {
    (value * DECIMALS).round() / DECIMALS
}

fn outline(wood_edge: &WoodEdge, age: &Age) -> Outline {
    let radius_px = (0..AZIMUTHS)
        .map(|a| (age.is_counted && wood_edge.in_photo[a]).then(|| rounded(wood_edge.radius_px[a])))
        .collect();
    let state = if age.is_counted {
        wood_edge.state
    } else {
        OutlineState::Unclear
    };
    Outline { state, radius_px }
}

fn pith_state(pith: &Pith, age: &Age) -> PithState {
    if pith.state == PithState::Outside {
        PithState::Outside
    } else if age.is_counted && age.missing.0 == 0 {
        PithState::Seen
    } else {
        PithState::Inferred
    }
}

fn publish(rings: &Rings, age: &Age, scale: Option<&Scale>) -> Vec<Ring> {
    let mut out: Vec<Ring> = Vec::with_capacity(rings.rings.len());
    for (i, ring) in rings.rings.iter().enumerate() {
        let radius_px: Vec<Option<f64>> = ring.radius_px.iter().map(|r| r.map(rounded)).collect();
        let inner = out.last().map(|r| r.radius_px.as_slice());
        let width = ring_area::mean_width_px(inner, &radius_px)
            .unwrap_or(0.0)
            .max(0.0);
        #[allow(clippy::cast_possible_truncation, reason = "a count of rings")]
        let number = i as u32 + 1 + age.missing.0;
        out.push(Ring {
            number,
            // Years come with the calendar.
            year: None,
            confidence: rounded(ring.confidence),
            mean_width_px: rounded(width),
            mean_width_mm: scale.map(|s| (width * s.mm_per_px * 1000.0).round() / 1000.0),
            radius_px,
        });
    }
    out
}

fn notes(
    sd_px: f64,
    state: PithState,
    outline: &Outline,
    rings: &Rings,
    age: &Age,
    published: &[Ring],
) -> Vec<Note> {
    let mut notes = Vec::new();
    if !age.is_counted {
        notes.push(Note::new(
            NoteCode::NoEndGrain,
            "No rings could be read in this photo: there is no count. Sand or plane the face, photograph it square in flat light, and try again.",
        ));
        return notes;
    }
    let spread = age.high - age.low;
    // Of a sapling's few rings one or two are a large share.
    if spread > 2 && f64::from(spread) / f64::from(age.rings.max(1)) > 0.25 {
        notes.push(Note::new(
            NoteCode::RingsUnclear,
            "The rings are hard to tell apart in this photo: do not rely on the count before you have checked it on the overlay.",
        ));
    }
    match state {
        PithState::Outside => notes.push(Note::new(NoteCode::PithOutside, "The pith is not in the photo: the rings near it are not counted.")),
        PithState::Inferred => notes.push(Note::new(
            NoteCode::PithInferred,
            format!("The pith can't be seen; its place follows from the rings, within about {:.0} pixels.", sd_px.max(1.0)),
        )),
        PithState::Seen => {}
    }
    if age.missing.0 > 0 {
        notes.push(Note::new(
            NoteCode::CentreMissing,
            format!(
                "The centre is missing: about {} rings are lost with it, {} to {}.",
                age.missing.0, age.missing.1, age.missing.2
            ),
        ));
    }
    match outline.state {
        OutlineState::Frame => notes.push(Note::new(NoteCode::EdgeOutside, "A good part of the wood's edge is not in the photo: the count is at least this.")),
        OutlineState::Unclear => notes.push(Note::new(NoteCode::EdgeUnclear, "Where the wood ends was not found with certainty: look at the outermost rings on the overlay.")),
        OutlineState::Bark | OutlineState::Wood => {}
    }
    let tight: Vec<u32> = published
        .iter()
        .filter(|r| r.mean_width_px > 0.0 && r.mean_width_px < rings.tight_below_px)
        .map(|r| r.number)
        .collect();
    // A photo that is read at every second or third pixel has a higher limit.
    let way_out = if rings.tight_below_px > TIGHT_BELOW_PX {
        "Come closer, or cut a photo this large down to the disc: not all of its pixels are read."
    } else {
        "Come closer or use more pixels."
    };
    if tight.len() > 2 {
        notes.push(Note::new(
            NoteCode::RingsTooTight,
            format!("{} rings are narrower than {:.0} pixels: there the photo can't support a count. {way_out}", tight.len(), rings.tight_below_px),
        ));
    }
    let is_doubtful = |r: &&Ring| r.confidence < SURE_FROM;
    let doubtful = published.iter().filter(is_doubtful).count();
    // That the wood's edge is off by more than a fifth of a ring is possible on nearly every disc: alone
    // it is no news.
    let only_edge = doubtful == 1
        && published.last().as_ref().is_some_and(is_doubtful)
        && rings.rings.last().is_some_and(|ring| ring.signs.is_edge);
    if doubtful > 0 && !only_edge {
        notes.push(Note::new(
            NoteCode::DoubtfulRings,
            format!(
                "{doubtful} of {} rings are doubtful; they are dashed on the overlay.",
                published.len()
            ),
        ));
    }
    let first = rings.rings.iter().find(|ring| !ring.signs.is_edge);
    if first.is_some_and(|ring| ring.signs.sense_confidence < 0.1) {
        notes.push(Note::new(NoteCode::RingEndUnclear, "Which side of a ring is its end could not be told for sure: boundaries may lie on the wrong side of the dark band."));
    }
    notes
}
