//! What the user knows of a felling, as it is typed, and the outermost ring that follows from it.

use super::{OuterRing, OuterState, year_text};
use crate::error::Error;
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
    /// This, where anything was stated.
    pub fn stated(&self) -> Option<Felling> {
        (*self != Felling::default()).then(|| self.clone())
    }

    fn season(&self) -> Season {
        self.season.unwrap_or(Season::of(self.hemisphere))
    }

    /// Whether the felling lies so near to the start of growth that a look at the last ring decides.
    pub(super) fn is_near_start(&self) -> bool {
        let season = self.season();
        self.felled.as_ref().is_some_and(|felled| {
            season.is_near_start(felled.first) || season.is_near_start(felled.last)
        })
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
    pub(super) fn by_date(&self) -> Result<Option<(OuterRing, OuterRing)>, Error> {
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
