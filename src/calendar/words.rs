//! Years as people read them: historians' years, pricked marks, sentences.

use super::{OuterState, edge_is_whole};
use crate::reading::{OutlineState, Reading};
use crate::settings::LengthUnit;
use crate::tables::length_text;

/// A year as historians write it: `1936`, `AD 1`, `4 BC`. There is no year 0: 1 BC is followed by
/// AD 1. Years before 1000 have their AD, so that none is taken for a count.
pub fn year_text(year: i32) -> String {
    match year {
        1000.. => year.to_string(),
        1.. => format!("AD {year}"),
        _ => format!("{} BC", 1 - i64::from(year)),
    }
}

/// Marks that are pricked into a sanded face, by their years: one hole each tenth year, two each
/// 50th, three each 100th, four each 1000th (Stokes and Smiley 1968, from memory).
pub fn prick_marks(first_year: i32, last_year: i32) -> Vec<(i32, u8)> {
    let holes = |year: i32| {
        if year % 1000 == 0 {
            4
        } else if year % 100 == 0 {
            3
        } else if year % 50 == 0 {
            2
        } else {
            1
        }
    };
    let from = first_year.saturating_add((-first_year).rem_euclid(10));
    (from..=last_year)
        .step_by(10)
        .map(|year| (year, holes(year)))
        .collect()
}

/// Year of the first ring seen where the rings begin before AD 1 and end after it. Wood of that time
/// is rare; a year typed with a digit wrong, `0203` for `2023`, is not.
fn before_the_era(reading: &Reading) -> Option<i32> {
    let years = |ring: Option<&crate::reading::Ring>| ring.and_then(|ring| ring.year);
    let (first, last) = years(reading.rings.first()).zip(years(reading.rings.last()))?;
    (first < 1 && last >= 1).then_some(first)
}

/// What a reader is to know of the years, in sentences; lengths in the unit that is shown.
pub fn sentences(reading: &Reading, unit: LengthUnit) -> Vec<String> {
    let Some(calendar) = &reading.calendar else {
        return Vec::new();
    };
    let age = &reading.age;
    let at_least = if age.complete { "" } else { "at least " };
    let mut told = Vec::new();
    let felled = calendar
        .felled
        .as_ref()
        .map_or_else(String::new, |date| format!("Felled {date}. "));
    if let Some(outer) = calendar.outermost {
        let year = year_text(outer.year);
        told.push(match outer.state {
            OuterState::Complete => format!("{felled}The outermost ring is that of {year} and complete."),
            OuterState::Begun => format!(
                "{felled}The outermost ring is that of {year}, begun and not complete: {at_least}{} rings, {} of them complete; the last complete one is that of {}.",
                age.rings,
                age.rings.saturating_sub(1),
                year_text(outer.year.saturating_sub(1))
            ),
            OuterState::Unknown => format!("{felled}The outermost ring is that of {year}."),
            OuterState::LaterLost => format!(
                "{felled}The outermost ring seen is that of {year}; later ones are lost: the tree was felled in {year} or later."
            ),
        });
        if reading.outline.state == OutlineState::Wood && outer.state != OuterState::LaterLost {
            told.push("The bark is missing: if rings went with it, every year given here is too late; then say --outer-rings-lost.".to_owned());
        }
    } else if let Some(latest) = calendar.outermost_at_latest {
        let why = if edge_is_whole(reading) {
            "outer rings are lost"
        } else {
            "the edge of the wood is not whole in the photo"
        };
        told.push(format!(
            "{felled}The outermost ring seen is that of {} or an earlier year, because {why}: rings are given no years.",
            year_text(latest)
        ));
    }
    if let Some(first) = before_the_era(reading) {
        told.push(format!(
            "These rings reach back to {}, before the era: the year stated for the felling or for the outermost ring is smaller than the number of rings; if it is a slip of the pen, count again with the right one.",
            year_text(first)
        ));
    }
    if calendar.felled_near_start {
        told.push("The felling lies near the start of growth: look whether a new ring had begun; if the season was another one, give --season.".to_owned());
    }
    if let Some(first) = calendar.first_year {
        told.push(match (first.best, first.earliest) {
            (Some(best), Some(earliest)) if earliest == first.latest => {
                format!("Ring 1 grew in {}.", year_text(best))
            }
            (Some(best), Some(earliest)) => format!(
                "Ring 1 grew in {}, or between {} and {} by the band.",
                year_text(best),
                year_text(earliest),
                year_text(first.latest)
            ),
            _ => format!("Ring 1 grew in {} or earlier.", year_text(first.latest)),
        });
    }
    if let Some(ground) = calendar.ground {
        let span = |low: u32, high: u32| {
            if low == high {
                low.to_string()
            } else {
                format!("{low} to {high}")
            }
        };
        told.push(format!(
            "{at_least}{} rings at the cut; with {} years for its height of {}, by your figures, {at_least}{} years at the ground ({} with the band).",
            age.rings,
            span(ground.years_low, ground.years_high),
            length_text(ground.cut_height_mm, unit),
            span(ground.best_low, ground.best_high),
            span(ground.low, ground.high)
        ));
    }
    told
}
