//! Years: from the day of felling to the year of each ring, and what can't be dated.
//!
//! Takes a [`Reading`] and what the user knows of the felling, makes the [`CalendarRecord`].
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

use crate::error::Error;
use crate::reading::{OutlineState, PithState, Reading};
use crate::settings::{LengthUnit, Settings};
use crate::tables::length_text;
use jiff::ToSpan;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

/// Half of the earth: decides the growing season where none is given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Hemisphere {
    /// Growth in the months about June.
    #[default]
    North,
    /// Growth in the months about December.
    South,
}

/// A day of any year.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct MonthDay {
    /// 1 to 12.
    pub month: i8,
    /// From 1; the 29th of February, which most years lack, is not taken.
    pub day: i8,
}

impl MonthDay {
    fn in_year(self, year: i16) -> Option<Date> {
        Date::new(year, self.month, self.day).ok()
    }
}

/// When wood grows: from the first to the last day, both in it; may run over the new year.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Season {
    /// First day.
    pub from: MonthDay,
    /// Last day.
    pub to: MonthDay,
}

impl Season {
    /// The season taken where none is given: April to September in the north, October to March in
    /// the south (common practice, no source).
    pub fn of(hemisphere: Hemisphere) -> Self {
        let day = |month, day| MonthDay { month, day };
        match hemisphere {
            Hemisphere::North => Season {
                from: day(4, 1),
                to: day(9, 30),
            },
            Hemisphere::South => Season {
                from: day(10, 1),
                to: day(3, 31),
            },
        }
    }

    /// A season as typed: months, `4-9`, or days, `04-15..09-20`.
    ///
    /// # Errors
    /// The way out.
    pub fn parse(text: &str) -> Result<Self, String> {
        let way_out = || "give months, such as 4-9, or days, such as 04-15..09-20".to_owned();
        let month = |text: &str| -> Option<i8> {
            let text = text.trim();
            let plain = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
            let month = plain.then(|| text.parse().ok()).flatten()?;
            (1..=12).contains(&month).then_some(month)
        };
        let day = |text: &str| -> Option<MonthDay> {
            let (left, right) = text.trim().split_once('-')?;
            let day = right.parse().ok()?;
            let found = MonthDay {
                month: month(left)?,
                day,
            };
            // 2023 is no leap year.
            found.in_year(2023).map(|_| found)
        };
        let season = if let Some((from, to)) = text.split_once("..") {
            day(from).zip(day(to)).map(|(from, to)| Season { from, to })
        } else {
            text.split_once('-').and_then(|(from, to)| {
                let (from, to) = (month(from)?, month(to)?);
                let last = Date::new(2023, to, 1).ok()?.last_of_month();
                Some(Season {
                    from: MonthDay {
                        month: from,
                        day: 1,
                    },
                    to: MonthDay {
                        month: to,
                        day: last.day(),
                    },
                })
            })
        };
        season.ok_or_else(way_out)
    }

    /// The outermost ring of a tree felled on a day.
    fn ring_on(self, day: Date) -> Option<OuterRing> {
        let this_year = self.from.in_year(day.year())?;
        let began = if this_year <= day {
            this_year
        } else {
            self.from.in_year(day.year().checked_sub(1)?)?
        };
        let end = self.to.in_year(began.year())?;
        let end = if end >= began {
            end
        } else {
            self.to.in_year(began.year().checked_add(1)?)?
        };
        Some(OuterRing {
            year: i32::from(began.year()),
            state: if day <= end {
                OuterState::Begun
            } else {
                OuterState::Complete
            },
        })
    }

    /// Whether a day lies so near to the start of growth that a look at the last ring must decide:
    /// four weeks (common practice, no source).
    fn is_near_start(self, day: Date) -> bool {
        let near = |year: i16| {
            let Some(start) = self.from.in_year(year) else {
                return false;
            };
            let from = start.saturating_sub(28.days());
            let to = start.saturating_add(28.days());
            (from..=to).contains(&day)
        };
        [-1, 0, 1]
            .into_iter()
            .any(|off| near(day.year().saturating_add(off)))
    }
}

/// When the tree was felled, as far as it is known: a day, a month or a year.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Felled {
    text: String,
    first: Date,
    last: Date,
}

impl Felled {
    /// A date as typed: `2023-07-10`, `2023-07` or `2023`; may be before Christ, `-0043-03-15`.
    ///
    /// # Errors
    /// The way out.
    pub fn parse(text: &str) -> Result<Self, String> {
        let way_out = || "give a date, such as 2023-07-10, 2023-07 or 2023".to_owned();
        let text = text.trim();
        let (is_negative, plain) = match text.strip_prefix('-') {
            Some(rest) => (true, rest),
            None => (false, text),
        };
        let parts: Vec<&str> = plain.split('-').collect();
        let number = |part: &str| -> Option<i16> {
            let digits = !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
            digits.then(|| part.parse().ok()).flatten()
        };
        let numbers: Option<Vec<i16>> = parts.iter().map(|part| number(part)).collect();
        // A year of two digits is a slip more often than a year of the first century.
        let numbers = numbers
            .filter(|_| parts[0].len() == 4)
            .ok_or_else(way_out)?;
        let year = if is_negative { -numbers[0] } else { numbers[0] };
        let small = |n: i16| i8::try_from(n).ok();
        let span = match numbers[1..] {
            [] => Date::new(year, 1, 1).ok().zip(Date::new(year, 12, 31).ok()),
            [month] => small(month)
                .and_then(|month| Date::new(year, month, 1).ok())
                .map(|first| (first, first.last_of_month())),
            [month, day] => small(month)
                .zip(small(day))
                .and_then(|(month, day)| Date::new(year, month, day).ok())
                .map(|day| (day, day)),
            _ => None,
        };
        let (first, last) = span.ok_or_else(way_out)?;
        Ok(Felled {
            text: text.to_owned(),
            first,
            last,
        })
    }

    /// The date as it was typed.
    pub fn text(&self) -> &str {
        &self.text
    }
}

impl TryFrom<String> for Felled {
    type Error = String;
    fn try_from(text: String) -> Result<Self, String> {
        Felled::parse(&text)
    }
}

impl From<Felled> for String {
    fn from(felled: Felled) -> String {
        felled.text
    }
}

/// Years that a tree takes to grow so high, from least to most.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct YearsPerHeight {
    /// Fewest years.
    pub least: f64,
    /// Most years.
    pub most: f64,
    /// For this height, mm.
    pub height_mm: f64,
}

impl YearsPerHeight {
    /// Years for a height as typed: `5/10cm`, `3-8/10cm`.
    ///
    /// # Errors
    /// The way out.
    pub fn parse(text: &str) -> Result<Self, String> {
        let way_out = || "give years for a height, such as 3-8/10cm or 5/10cm".to_owned();
        let (years, height) = text.split_once('/').ok_or_else(way_out)?;
        let number = |text: &str| -> Option<f64> {
            let text = text.trim();
            let plain = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit() || b == b'.');
            plain.then(|| text.parse().ok()).flatten()
        };
        let (least, most) = years.split_once('-').unwrap_or((years, years));
        let (least, most) = number(least).zip(number(most)).ok_or_else(way_out)?;
        let height_mm = crate::units::parse_length_mm(height)?;
        if least > most || most > 10_000.0 || height_mm <= 0.0 {
            return Err(way_out());
        }
        Ok(YearsPerHeight {
            least,
            most,
            height_mm,
        })
    }

    /// Years for another height at the same pace, least and most, to the nearest whole year.
    pub fn for_height(self, height_mm: f64) -> (u32, u32) {
        let years = |per: f64| {
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "rounded, and clamped to what the type holds"
            )]
            let years = (per * height_mm / self.height_mm).round().clamp(0.0, 1e6) as u32;
            years
        };
        (years(self.least), years(self.most))
    }
}

/// What the user knows of the felling.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Felling {
    /// When. Default: unknown.
    pub felled: Option<Felled>,
    /// Half of the earth. Default: north.
    pub hemisphere: Hemisphere,
    /// Growing season. Default: [`Season::of`] the hemisphere.
    pub season: Option<Season>,
    /// The outermost rings are gone (rot, hewing, planing). Default: no.
    pub outer_rings_lost: bool,
    /// Height of the cut above the ground, mm. Default: unknown.
    pub cut_height_mm: Option<f64>,
    /// Years that such a tree takes to grow so high. Default: unknown.
    pub years_per_height: Option<YearsPerHeight>,
}

impl Felling {
    fn season(&self) -> Season {
        self.season.unwrap_or(Season::of(self.hemisphere))
    }

    /// The outermost ring by the felling and by the year stated for it; `None` where neither is
    /// known, or where lost rings leave only a bound.
    ///
    /// # Errors
    /// [`Error::Setting`] where both contradict each other, or where the date leaves open which
    /// ring is the outermost.
    pub fn outermost(&self, stated: Option<i32>) -> Result<Option<OuterRing>, Error> {
        let by_date = self.by_date()?;
        let lost = OuterState::LaterLost;
        match (by_date, stated) {
            (Some((low, high)), Some(year)) => {
                let text = self.felled.as_ref().map_or("", Felled::text);
                let holds = if self.outer_rings_lost {
                    year <= high.year
                } else {
                    (low.year..=high.year).contains(&year)
                };
                if !holds {
                    return Err(Error::setting(format!(
                        "felled {text}, the outermost ring is that of {}, but --last-ring says {}; \
                         leave one out, or give the growing season with --season",
                        year_text(high.year),
                        year_text(year)
                    )));
                }
                let state = if self.outer_rings_lost {
                    lost
                } else if low.year == high.year && low.state == high.state {
                    high.state
                } else {
                    OuterState::Unknown
                };
                Ok(Some(OuterRing { year, state }))
            }
            (None, Some(year)) => Ok(Some(OuterRing {
                year,
                state: if self.outer_rings_lost {
                    lost
                } else {
                    OuterState::Unknown
                },
            })),
            (Some(_), None) if self.outer_rings_lost => Ok(None),
            (Some((low, high)), None) => {
                if low.year != high.year {
                    let text = self.felled.as_ref().map_or("", Felled::text);
                    return Err(Error::setting(format!(
                        "felled {text} leaves open whether the outermost ring is that of {} or {}; \
                         give --felled with the day, or --last-ring",
                        year_text(low.year),
                        year_text(high.year)
                    )));
                }
                Ok(Some(OuterRing {
                    year: high.year,
                    state: if low.state == high.state {
                        high.state
                    } else {
                        OuterState::Unknown
                    },
                }))
            }
            (None, None) => Ok(None),
        }
    }

    /// The outermost ring as of the first and the last day on which the tree may have been felled.
    fn by_date(&self) -> Result<Option<(OuterRing, OuterRing)>, Error> {
        let Some(felled) = &self.felled else {
            return Ok(None);
        };
        let season = self.season();
        match season
            .ring_on(felled.first)
            .zip(season.ring_on(felled.last))
        {
            Some(both) => Ok(Some(both)),
            None => Err(Error::setting(format!(
                "{} is beyond the calendar; give --felled a year from -9998 to 9998",
                felled.text
            ))),
        }
    }

    /// Refuses what contradicts itself.
    ///
    /// # Errors
    /// [`Error::Setting`].
    pub fn check(&self, stated: Option<i32>) -> Result<(), Error> {
        self.outermost(stated)?;
        if self.outer_rings_lost && self.felled.is_none() && stated.is_none() {
            return Err(Error::setting(
                "--outer-rings-lost says nothing by itself; add --felled, or --last-ring for the outermost ring that is left",
            ));
        }
        match (self.cut_height_mm, self.years_per_height) {
            (Some(_), None) => Err(Error::setting(
                "the height of the cut needs the years for it; add --years-per-height with figures of your own, such as 3-8/10cm",
            )),
            (None, Some(_)) => Err(Error::setting(
                "years for a height need the height of the cut; add --cut-height, such as 30cm",
            )),
            _ => Ok(()),
        }
    }
}

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
    let near = |felled: &Felled| {
        let season = felling.season();
        season.is_near_start(felled.first) || season.is_near_start(felled.last)
    };
    reading.calendar = Some(CalendarRecord {
        felled: felling.felled.as_ref().map(|felled| felled.text.clone()),
        felled_near_start: felling.felled.as_ref().is_some_and(near),
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
