//! Counts and measures annual rings in photos of end grain.
//!
//! The way of the data is the order of the modules below: a photo is read, the wood is told from
//! what is round it, the pith is found, the disc is unwrapped into polar coordinates and
//! straightened until its rings lie level, evidence of ring boundaries is gathered, boundaries are
//! traced on every arc, reconciled into rings, and the rings are counted with a band. What is
//! published of all that is the [`reading::Reading`].
#![cfg_attr(
    not(test),
    warn(
        missing_docs,
        clippy::cast_possible_truncation,
        clippy::cast_possible_wrap,
        clippy::cast_sign_loss,
        clippy::float_cmp,
        clippy::missing_errors_doc,
        clippy::missing_panics_doc,
        clippy::print_stderr,
        clippy::print_stdout,
        clippy::unwrap_used
    )
)]

/// Takes nothing, makes the sentences of what can go wrong.
pub mod error;

/// Takes what the user asked for, makes the one struct that every stage obeys.
pub mod settings;

/// Takes a path or bytes, makes an upright [`photo::Photo`].
pub mod photo;

/// Lengths as people say them: mm, decimal inches, sixteenths.
pub mod units;

/// Loops on the widest vectors of the processor.
mod vectors;

/// Freed memory kept for the next photo.
mod memory;

/// Planes of samples and the filters that every stage needs.
pub mod plane;

/// Takes a photo, makes the picture at working size that the search looks at.
pub mod face;

/// Takes the face, makes the regions of the photo with one log end each.
pub mod ends;

/// Takes the face, makes the place of the pith; takes the wood's edge too, makes other places to try.
pub mod pith;

/// Takes the photo, its face and the pith, makes the closed path where the wood ends.
pub mod outline;

/// Takes the photo, the pith and the edge, makes the unwrapped disc.
pub mod polar;

/// Takes arcs of the disc, makes the width that a ring typically has along them.
pub mod ring_width;

/// Takes the unwrapped disc, makes it with its rings lying level.
pub mod straight;

/// Takes the straightened disc, makes a better place of the pith where there is one.
pub mod recentre;

/// Takes the straightened disc, makes what its sectors agree on.
pub mod evidence;

/// Takes the evidence, makes what marks the rings (pores or tone) and the sense of their ends.
pub mod ring_mark;

/// Takes the evidence, makes candidate boundaries placed on every arc.
pub mod bounds;

/// Takes the evidence, makes it anew at the scale at which its rings say most, with their candidates.
mod ring_scale;

/// Takes the face, the pith and the edge, makes whether stripes are all that is to be seen.
pub mod stripes;

/// Takes the signs of a candidate or of a disc, makes chances: the doubt, as it was fitted.
pub mod doubt;

/// Takes the candidates, makes the rings.
pub mod rings;

/// Takes the unwrapped disc and the rings, makes the kind of wood.
pub mod wood_kind;

/// Takes chances, makes the distribution of how many come true.
mod poisson_binomial;

/// Takes the innermost boundaries, makes how far the pith is and how many rings are missing.
pub mod missing_centre;

/// Takes the rings, makes the count with its band.
pub mod age;

/// The named troubles that a reading may carry.
pub mod notes;

/// Takes a boundary's radii, makes the equivalent radius and the mean ring width.
pub mod ring_area;

/// Takes what the user states of sizes, and the photo, makes millimetres a pixel.
pub mod scale;

/// What is published of all of the above.
pub mod reading;

/// Takes what the stages made, makes the published record.
pub mod record;

/// Takes a reading and what is known of the felling, makes its years.
pub mod calendar;

/// Takes a photo and its reading, makes the pictures to check the count by.
pub mod draw;

/// Takes readings, makes the tables for data and for people.
pub mod tables;

/// The colours of pages and charts.
pub mod palette;

/// Takes a body, makes the whole HTML page round it.
pub mod page;

/// Takes values, makes charts as SVG, as PNG and as parts of a page.
pub mod chart;

/// Takes a reading, makes the growth record: sizes, ages, spells, changes, shape.
pub mod growth;

/// Takes a growth record and a weather table, makes correlations with months and seasons.
pub mod weather;

/// Takes a photo and its reading, makes the sapwood and heartwood where they are to be seen.
pub mod heartwood;

/// Takes a reading with a scale, makes rings per inch along the lines of grading rules.
pub mod timber;

/// Takes readings and their growth records, makes a page a disc and one for the folder.
pub mod report;

/// The JSON Schema of the reading.
pub mod schema;

/// Ring widths by year: what readings become for everything that compares years.
pub mod series;

/// Files of ring-width series that other programs read and write.
pub mod formats;

/// Takes series of many discs, makes their figures, their mean chronology and how well they agree.
pub mod chronology;

/// Takes readings and a sheet of specimens, makes a dataset for others to use.
pub mod dataset;

/// Lengths as people write them.
pub mod length;

/// Takes a hand count and a reading, makes where the two part.
pub mod hand_count;

/// Takes a suite and a seed, makes practice photos whose rings are known.
pub mod demo;

/// Takes paths, reads the photos there side by side and writes what was made of them.
pub mod batch;

use crate::error::Error;
use crate::notes::{Note, NoteCode};
use crate::photo::Photo;
use crate::pith::Pith;
use crate::reading::{EndRecord, Reading};
use crate::settings::{EndsWanted, Region, Settings};

/// What the stages up to the candidate boundaries make of a photo.
#[derive(Debug, Clone)]
pub struct Survey {
    /// The pith.
    pub pith: Pith,
    /// Where the wood ends.
    pub wood_edge: outline::WoodEdge,
    /// The unwrapped disc, by its tone.
    pub polar: polar::Polar,
    /// What makes its rings lie level.
    pub straight: straight::Straight,
    /// What its sectors agree on.
    pub evidence: evidence::Evidence,
    /// The candidate boundaries.
    pub bounds: bounds::Bounds,
}

/// The way from a photo's pixels to candidate boundaries.
///
/// # Errors
/// [`Error::Setting`] where the settings make no sense, by themselves or for this photo.
///
/// # Memory
/// About 10 bytes a pixel of the disc.
pub fn survey(photo: &Photo, settings: &Settings) -> Result<Survey, Error> {
    settings.check()?;
    settings.check_for(photo.pixels.width(), photo.pixels.height())?;
    Ok(survey_face(photo, &face::view(photo, settings), settings))
}

/// The same from the face on.
fn survey_face(photo: &Photo, face: &face::Face, settings: &Settings) -> Survey {
    let Levelled {
        pith,
        wood_edge,
        mut polar,
        straight: by_tone,
    } = level_about_pith(photo, face, settings);
    let evidence_of_tone = evidence::gather(&polar, &by_tone);
    let mark = ring_mark::tell(&evidence_of_tone, settings.wood);
    let (straight, evidence) = if mark.sign == ring_mark::RingSign::Pores {
        if polar.step_px > polar::finest_step_px(photo) {
            // Pores are small: they need all that the photo has.
            polar = polar::unwrap(photo, &pith, &wood_edge, settings);
        }
        let pores = polar.by_pores(&by_tone.radius);
        let straight = straight::level(&pores);
        let evidence = evidence::gather(&pores, &straight);
        (straight, evidence)
    } else {
        level_again(&polar, by_tone, evidence_of_tone)
    };
    let (evidence, bounds) = ring_scale::settle(evidence, &mark);
    Survey {
        pith,
        wood_edge,
        polar,
        straight,
        evidence,
        bounds,
    }
}

/// A disc levelled once more from where its arcs line up, if they agree more after that.
fn level_again(
    polar: &polar::Polar,
    straight: straight::Straight,
    evidence: evidence::Evidence,
) -> (straight::Straight, evidence::Evidence) {
    let before = evidence.agreement();
    if before >= LEVEL_ALREADY {
        return (straight, evidence);
    }
    let again = straight::level_again(polar, &straight, &evidence.level, &evidence.shift);
    let other = evidence::gather(polar, &again);
    if other.agreement() > before.max(LINED_UP) {
        (again, other)
    } else {
        (straight, evidence)
    }
}

/// Agreement of the arcs from which a disc isn't levelled once more.
const LEVEL_ALREADY: f32 = 0.9;

/// Agreement that arcs must reach by it: texture that was lined up agrees by less.
const LINED_UP: f32 = 0.45;

/// The disc with its rings lying level about a place taken for its pith.
struct Levelled {
    pith: Pith,
    wood_edge: outline::WoodEdge,
    polar: polar::Polar,
    straight: straight::Straight,
}

/// The disc levelled about the pith found first, or about a place about which its rings agree more. A pith
/// that the user gave stays where it is.
fn level_about_pith(photo: &Photo, face: &face::Face, settings: &Settings) -> Levelled {
    let about = |pith: Pith| {
        let wood_edge = outline::trace(photo, face, &pith);
        let (polar, straight) = unwrap_level(photo, face, &pith, &wood_edge, settings);
        Levelled {
            pith,
            wood_edge,
            polar,
            straight,
        }
    };
    let mut best = about(pith::find(face, settings));
    if settings.pith_px.is_some() {
        return best;
    }
    let better = |best: Levelled, place: Pith, least: f32| {
        let other = about(place);
        if other.straight.agreement > best.straight.agreement.max(least) {
            other
        } else {
            best
        }
    };
    // What the rings about a hollow point at.
    if let Some(place) = pith::centre_of_arcs(face, &best.pith, &best.wood_edge) {
        best = better(best, place, 0.0);
    }
    if best.straight.agreement < AGREES_CLEARLY
        && !shows_stripes_only(face, &best.pith, &best.wood_edge)
    {
        for place in pith::elsewhere(face, &best.pith, &best.wood_edge) {
            let least = if place.votes >= AS_MANY_VOTES {
                AGREES_AT_ALL.min(AGREES_MORE * best.straight.agreement)
            } else {
                AGREES_AT_ALL
            };
            best = better(best, place.pith, least);
        }
    }
    // What the levelled rings close in on. About a hollow that is surer than how well they agree: none of
    // them is so small that a wrong place would tear it.
    let lost_centre_px = best.polar.lost_centre_px();
    match recentre::look_again(&best.pith, &best.straight, &best.wood_edge, lost_centre_px) {
        Some(place) if lost_centre_px > 0.0 => about(place),
        Some(place) => better(best, place, 0.0),
        None => best,
    }
}

/// Agreement of the straightened rings about a pith above which no other place is tried, and the least
/// that another place must have: below it a wrong place agrees as well as a right one.
const AGREES_CLEARLY: f32 = 0.87;
const AGREES_AT_ALL: f32 = 0.3;

/// Less does where about as many normals point at the other place and the rings agree so many times as well about
/// it. Of ten practice discs on which a place with less agreed more, the five right ones (sawn faces) had 0.81 to
/// 2.2 times the votes and 1.36 to 2.1 times the agreement; of the others four had at most 0.75 of the votes, one was
/// wrong at either place.
const AS_MANY_VOTES: f64 = 0.8;
const AGREES_MORE: f32 = 1.2;

/// The disc unwrapped and what makes its rings lie level: wide and clear rings of a large photo need no
/// more samples than the face has.
fn unwrap_level(
    photo: &Photo,
    face: &face::Face,
    pith: &Pith,
    wood_edge: &outline::WoodEdge,
    settings: &Settings,
) -> (polar::Polar, straight::Straight) {
    let coarse = polar::unwrap_coarse(photo, face, pith, wood_edge, settings);
    let clear = coarse.and_then(|polar| {
        let straight = straight::level_clear(&polar)?;
        let sparse = polar::unwrap_sparse(photo, pith, wood_edge, settings);
        straight::shows_all(&sparse, &straight, polar.step_px).then_some((polar, straight))
    });
    clear.unwrap_or_else(|| {
        let polar = polar::unwrap(photo, pith, wood_edge, settings);
        let straight = straight::level(&polar);
        (polar, straight)
    })
}

/// Reads one log end of a photo: the way from its pixels to its record. Of several the largest whole
/// one is read, unless the settings name a region or the pith.
///
/// # Errors
/// [`Error::Setting`] where the settings make no sense, by themselves or for this photo. A photo
/// without readable end grain is no error: its reading has no rings and says so.
///
/// # Memory
/// The photo (3 bytes a pixel) and about 10 bytes a pixel of the disc beside it.
pub fn read(photo: &Photo, settings: &Settings) -> Result<Reading, Error> {
    let (face, ends) = look_for_ends(photo, settings)?;
    let one = match ends.as_slice() {
        [_, _, ..] if settings.region_px.is_none() => ends::largest_complete(&ends),
        _ => None,
    };
    match one {
        Some(k) => read_end(photo, settings, &ends, k),
        None => read_face(photo, &face, settings),
    }
}

/// Reads every log end of a photo, in the order in which they are numbered: rows from top to bottom,
/// within a row from left to right. A photo in which no two are found has one reading, that of
/// [`read`].
///
/// # Errors
/// As [`read`].
///
/// # Memory
/// As [`read`], and half a megabyte a reading.
pub fn read_ends(photo: &Photo, settings: &Settings) -> Result<Vec<Reading>, Error> {
    let (face, ends) = look_for_ends(photo, settings)?;
    if ends.len() < 2 {
        return Ok(vec![read_face(photo, &face, settings)?]);
    }
    (0..ends.len())
        .map(|k| read_end(photo, settings, &ends, k))
        .collect()
}

/// The face, and the log ends on it; a pith given by hand says which one is meant.
fn look_for_ends(
    photo: &Photo,
    settings: &Settings,
) -> Result<(face::Face, Vec<ends::End>), Error> {
    settings.check()?;
    settings.check_for(photo.pixels.width(), photo.pixels.height())?;
    let face = face::view(photo, settings);
    let ends = match (settings.pith_px, settings.region_px, settings.ends) {
        (Some(_), ..) | (None, Some(_), EndsWanted::Largest) => Vec::new(),
        _ => ends::find(&face),
    };
    Ok((face, ends))
}

/// Reads one of several log ends; the reading says which.
fn read_end(
    photo: &Photo,
    settings: &Settings,
    ends: &[ends::End],
    k: usize,
) -> Result<Reading, Error> {
    let (mut reading, regions) = read_in_room(photo, settings, ends, k)?;
    let (number, of) = (k + 1, ends.len());
    reading.notes.push(Note::new(
        NoteCode::SeveralEnds,
        match settings.ends {
            EndsWanted::Largest => format!(
                "{of} log ends are in the photo: the largest whole one, number {number}, was read; --ends all reads each."
            ),
            EndsWanted::All => format!("This is log end {number} of the {of} in the photo."),
        },
    ));
    reading.end = Some(EndRecord {
        number: u32::try_from(number).unwrap_or(u32::MAX),
        regions_px: regions,
    });
    Ok(reading)
}

/// How often the region of a log end is enlarged where its wood runs on past it.
const MOST_ENLARGED: usize = 3;

/// Reads one of several log ends, in a larger region where its own cuts its wood; with the regions of
/// all as they were read.
fn read_in_room(
    photo: &Photo,
    settings: &Settings,
    ends: &[ends::End],
    k: usize,
) -> Result<(Reading, Vec<Region>), Error> {
    let mut regions: Vec<Region> = ends.iter().map(|end| end.region).collect();
    let within = settings.region_px.unwrap_or(Region {
        x_px: 0,
        y_px: 0,
        width_px: photo.pixels.width(),
        height_px: photo.pixels.height(),
    });
    let mut enlarged = 0;
    loop {
        let of_end = Settings {
            region_px: Some(regions[k]),
            ..settings.clone()
        };
        let reading = read_face(photo, &face::view(photo, &of_end), &of_end)?;
        let others = [&regions[..k], &regions[k + 1..]].concat();
        let larger = ends::with_more_room(
            regions[k],
            &others,
            (reading.pith.x_px, reading.pith.y_px),
            &reading.outline.radius_px,
            within,
        );
        match larger {
            Some(larger) if enlarged < MOST_ENLARGED && reading.is_counted() => {
                regions[k] = larger;
                enlarged += 1;
            }
            _ => return Ok((reading, regions)),
        }
    }
}

/// Whether the face shows stripes and nothing else, as saw marks without rings do.
fn shows_stripes_only(face: &face::Face, pith: &Pith, wood_edge: &outline::WoodEdge) -> bool {
    stripes::measure(face, pith, wood_edge).is_some_and(stripes::Pattern::is_stripes_only)
}

/// The way from the face to the record.
fn read_face(photo: &Photo, face: &face::Face, settings: &Settings) -> Result<Reading, Error> {
    let Survey {
        pith,
        wood_edge,
        polar,
        straight,
        evidence,
        bounds,
    } = survey_face(photo, face, settings);
    let mut rings = rings::settle(&pith, &bounds, &evidence, &straight, &polar);
    // A very large photo is read at fewer samples than it has.
    rings.tight_below_px *= polar::finest_step_px(photo) as f64;
    rings.is_readable &= !shows_stripes_only(face, &pith, &wood_edge);
    let wood = wood_kind::tell(&polar, &rings, &bounds, &evidence, settings.wood);
    let age = age::count(&rings, settings);
    let mut reading = record::write(photo, settings, &pith, &wood_edge, &rings, wood, &age);
    calendar::date(&mut reading, settings)?;
    Ok(reading)
}
