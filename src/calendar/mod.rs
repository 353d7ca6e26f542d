//! Years: from the day of felling to the year of each ring, and what can't be dated.
//!
//! Takes a [`Reading`](crate::reading::Reading) and what the user knows of the felling, makes the [`CalendarRecord`](crate::calendar::CalendarRecord).
//!
//! The outermost ring under the bark is the last one that began to grow before the felling, so its
//! year is that of the last start of the growing season on or before that day; felled while the
//! season lasts, that ring is begun and not complete, and both counts are told. In the southern
//! hemisphere a ring is dated by the year in which its growth began (convention of Schulman 1956),
//! which is the same rule with another season. The days of the seasons taken by default are common
//! practice, no source: near the start of growth the user's own season, or a look at the last ring,
//! decides.
//!
//! Years are astronomical: 0 is 1 BC, -1 is 2 BC, so that differences are numbers of years.
//!
//! The count is the age at the cut. The years that the tree took to grow that high come on top; they
//! depend so much on kind and site (published figures: 5 years for 10 cm in ponderosa pine; 13 to
//! 49 years, or 14 to 112, for the first metre of black spruce on organic soil: Laamrani et al.
//! 2016) that they are only ever the user's own.

mod felling;
mod words;

pub use felling::{Felled, Felling, Hemisphere, MonthDay, Season, YearsPerHeight};
pub use words::{prick_marks, sentences, year_text};

use crate::error::Error;
use crate::reading::{OutlineState, PithState, Reading};
use crate::settings::Settings;
use serde::{Deserialize, Serialize};

/// The outermost ring seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct OuterRing {
    /// Its year, astronomical.
    pub year: i32,
    /// How far it had grown.
    pub state: OuterState,
}

/// How far the outermost ring had grown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OuterState {
    /// Its season was over.
    Complete,
    /// Its season had begun and not ended: a ring begun, not a year's growth.
    Begun,
    /// Not known.
    Unknown,
    /// Later rings are lost: it is not the last that the tree made.
    LaterLost,
}

impl OuterState {
    /// The state's name as the reading has it.
    pub fn name(self) -> &'static str {
        match self {
            OuterState::Complete => "complete",
            OuterState::Begun => "begun",
            OuterState::Unknown => "unknown",
            OuterState::LaterLost => "later-lost",
        }
    }
}

/// The year in which ring 1 grew.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct FirstYear {
    /// By the best count; `null` where the count is "at least".
    pub best: Option<i32>,
    /// By the upper end of the band; `null` where the count is "at least".
    pub earliest: Option<i32>,
    /// By the lower end of the band.
    pub latest: i32,
}

/// The age at the ground by the height of the cut.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct GroundAge {
    /// Height of the cut, mm.
    pub cut_height_mm: f64,
    /// Fewest years to grow so high, by the user's figures.
    pub years_low: u32,
    /// Most years to grow so high.
    pub years_high: u32,
    /// Rings at the cut and the fewest years.
    pub best_low: u32,
    /// Rings at the cut and the most years.
    pub best_high: u32,
    /// Lower end of the count's band and the fewest years.
    pub low: u32,
    /// Upper end of the count's band and the most years.
    pub high: u32,
}

/// What is known of a disc's years.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CalendarRecord {
    /// The felling as it was stated.
    pub felled: Option<String>,
    /// The felling lies within four weeks of the start of growth.
    pub felled_near_start: bool,
    /// The outermost ring seen; `null` where no year can be given to it.
    pub outermost: Option<OuterRing>,
    /// The outermost ring seen is of this year or an earlier one, where rings are lost.
    pub outermost_at_latest: Option<i32>,
    /// The year of ring 1.
    pub first_year: Option<FirstYear>,
    /// Age at the ground.
    pub ground: Option<GroundAge>,
}

/// Whether the outermost ring is in the photo, so that years can be counted from it.
pub fn edge_is_whole(reading: &Reading) -> bool {
    matches!(
        reading.outline.state,
        OutlineState::Bark | OutlineState::Wood
    )
}

/// Gives the rings of a reading their years and adds its [`CalendarRecord`]; does nothing where
/// nothing is known of the felling.
///
/// # Errors
/// As [`Felling::check`].
pub fn date(reading: &mut Reading, settings: &Settings) -> Result<(), Error> {
    let felling = &settings.felling;
    let by_edge = felling.outermost(settings.last_ring)?;
    let asked =
        felling.felled.is_some() || settings.last_ring.is_some() || felling.cut_height_mm.is_some();
    if !asked || !reading.is_counted() {
        return Ok(());
    }
    let is_whole = edge_is_whole(reading);
    let outermost = by_edge.filter(|_| is_whole);
    if let Some(outer) = outermost {
        for (back, ring) in reading.rings.iter_mut().rev().enumerate() {
            ring.year = i32::try_from(back)
                .ok()
                .and_then(|back| outer.year.checked_sub(back));
        }
    }
    let age = &reading.age;
    let bound = match felling.by_date()? {
        Some((_, high)) if outermost.is_none() => Some(high.year),
        _ => by_edge
            .filter(|_| outermost.is_none())
            .map(|outer| outer.year),
    };
    let first = |last: i32, rings: u32| first_year(rings, last);
    let is_bound = reading.pith.state == PithState::Outside;
    let first_year = match (outermost, bound) {
        (Some(outer), _) => Some(FirstYear {
            best: (!is_bound).then(|| first(outer.year, age.rings)),
            earliest: (!is_bound).then(|| first(outer.year, age.high)),
            latest: first(outer.year, age.low),
        }),
        (None, Some(last)) => Some(FirstYear {
            best: None,
            earliest: None,
            latest: first(last, age.low),
        }),
        (None, None) => None,
    };
    let ground = felling
        .cut_height_mm
        .zip(felling.years_per_height)
        .map(|(cut_height_mm, pace)| ground_age(cut_height_mm, pace, age.rings, age.low, age.high));
    reading.calendar = Some(CalendarRecord {
        felled: felling
            .felled
            .as_ref()
            .map(|felled| felled.text().to_owned()),
        felled_near_start: felling.is_near_start(),
        outermost,
        outermost_at_latest: bound,
        first_year,
        ground,
    });
    Ok(())
}

/// Adds to a count at the cut the years that the tree took to grow that high.
pub fn ground_age(
    cut_height_mm: f64,
    pace: YearsPerHeight,
    rings: u32,
    low: u32,
    high: u32,
) -> GroundAge {
    let (years_low, years_high) = pace.for_height(cut_height_mm);
    GroundAge {
        cut_height_mm,
        years_low,
        years_high,
        best_low: rings.saturating_add(years_low),
        best_high: rings.saturating_add(years_high),
        low: low.saturating_add(years_low),
        high: high.saturating_add(years_high),
    }
}

/// Year of ring 1 where `rings` rings end with that of `last_year`.
pub fn first_year(rings: u32, last_year: i32) -> i32 {
    year_from_bark(rings, last_year)
}

/// Year of the ring that is number `from_bark` counted from the bark, the outermost being 1.
pub fn year_from_bark(from_bark: u32, last_year: i32) -> i32 {
    let from_bark = i32::try_from(from_bark).unwrap_or(i32::MAX);
    last_year.saturating_sub(from_bark).saturating_add(1)
}

/// How many years before the outermost ring seen a ring of a reading grew; none where the outermost
/// is not in the photo.
pub fn years_before_outermost(reading: &Reading, index: usize) -> Option<u32> {
    let back = reading.rings.len().checked_sub(1)?.checked_sub(index)?;
    edge_is_whole(reading)
        .then(|| u32::try_from(back).ok())
        .flatten()
}
