//! What a day of felling says of the year of the outermost ring.
//!
//! With bark on, the outermost ring grew in the year of felling; felled in the first months of a year,
//! before growth starts, it is that of the year before (English Heritage reports of the Nottingham
//! laboratory, "Estimating the felling date"). Between the months in which that is sure the sheet has
//! to say it: growth starts in April at the earliest and every tree of the temperate north has begun
//! its ring by July (common practice, no source).
//!
//! Limits: only north of the equator and only with bark; elsewhere nothing follows.

/// A day, as far as it is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Day {
    pub(super) year: i32,
    pub(super) month: Option<i8>,
}

/// Reads `2023-07-10`, `2023-07` or `2023`.
pub(super) fn parse(text: &str) -> Option<Day> {
    let parts: Vec<&str> = text.split('-').collect();
    let is_number = |part: &&str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
    if !parts.iter().all(is_number) || parts[0].len() != 4 {
        return None;
    }
    let year: i16 = parts[0].parse().ok()?;
    let month: Option<i8> = match parts.get(1) {
        Some(month) => Some(month.parse().ok().filter(|m| (1..=12).contains(m))?),
        None => None,
    };
    if let Some(day) = parts.get(2) {
        jiff::civil::Date::new(year, month?, day.parse().ok()?).ok()?;
    }
    (parts.len() <= 3).then_some(Day {
        year: year.into(),
        month,
    })
}

impl Day {
    /// Year of the outermost ring, where that is sure.
    pub(super) fn outermost_ring(
        self,
        latitude_deg: Option<f64>,
        bark: Option<bool>,
    ) -> Option<i32> {
        if !(latitude_deg? > 0.0 && bark?) {
            return None;
        }
        match self.month? {
            1..=3 => Some(self.year - 1),
            7..=12 => Some(self.year),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Facts, T-1.1: felled 2023-07-10, the outermost (partial) ring is 2023. T-1.2: felled 2024-01-15
    /// without new growth, it is 2023.
    #[test]
    fn the_outermost_ring_follows_from_the_felling_where_that_is_sure() {
        let ring = |text: &str, latitude, bark| parse(text).unwrap().outermost_ring(latitude, bark);
        assert_eq!(ring("2023-07-10", Some(52.0), Some(true)), Some(2023));
        assert_eq!(ring("2024-01-15", Some(52.0), Some(true)), Some(2023));
        for (text, latitude, bark) in [
            ("2024-05-02", Some(52.0), Some(true)),
            ("2024", Some(52.0), Some(true)),
            ("2024-01-15", Some(-41.0), Some(true)),
            ("2024-01-15", None, Some(true)),
            ("2024-01-15", Some(52.0), None),
            ("2024-01-15", Some(52.0), Some(false)),
        ] {
            assert_eq!(ring(text, latitude, bark), None, "{text}");
        }
    }

    #[test]
    fn what_is_no_day_is_refused() {
        for text in [
            "",
            "23-07-10",
            "2023-13",
            "2023-02-30",
            "2023-7-1-1",
            "10.07.2023",
            "2023-",
        ] {
            assert_eq!(parse(text), None, "{text}");
        }
        assert_eq!(parse("2023-07").unwrap().month, Some(7));
    }
}
