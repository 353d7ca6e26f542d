//! The weather table: CSV with `year`, `month` and any columns of numbers.

use super::MONTHS;
use crate::error::Error;
use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

/// Monthly weather.
#[derive(Debug, Clone, PartialEq)]
pub struct Weather {
    /// Names of the columns, in the file's order.
    pub columns: Vec<String>,
    /// Values of the columns, by year and month from 1; empty cells are unknown.
    months: BTreeMap<(i32, u8), Vec<Option<f64>>>,
}

/// Years that are taken for years: a slip beyond them would make gaps of thousands of millions of
/// months.
const YEARS: RangeInclusive<i32> = -20_000..=9999;

/// What a weather table should be, for the way out of its errors.
const EXPECTED: &str =
    "expected is a CSV table with a header, the columns year and month, and columns of numbers";

impl Weather {
    /// Reads a table from a file.
    ///
    /// # Errors
    /// [`Error::Unreadable`], [`Error::Empty`], and [`Error::BadData`] with its line where a column is
    /// missing, a cell is no number, a month is none, or a month comes twice.
    pub fn load(path: &Path) -> Result<Self, Error> {
        let bytes = std::fs::read(path).map_err(|source| Error::Unreadable {
            path: path.to_path_buf(),
            source,
        })?;
        Self::parse(&bytes, path)
    }

    /// Reads a table from the bytes of its file; `path` is named in errors.
    ///
    /// # Errors
    /// As [`Weather::load`].
    pub fn parse(bytes: &[u8], path: &Path) -> Result<Self, Error> {
        if bytes.is_empty() {
            return Err(Error::BadData {
                path: path.to_path_buf(),
                line: None,
                what: "the file is empty".into(),
                way_out: EXPECTED.into(),
            });
        }
        let bad = |line: Option<u64>, what: String| Error::BadData {
            path: PathBuf::from(path),
            line,
            what,
            way_out: EXPECTED.into(),
        };
        // Spreadsheets put a byte order mark before the header.
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let mut reader = csv::ReaderBuilder::new()
            .trim(csv::Trim::All)
            .from_reader(bytes);
        let told = |error: &csv::Error| {
            let line = error.position().map(csv::Position::line);
            bad(line, format!("can't be read as CSV: {error}"))
        };
        let header = reader.headers().map_err(|error| told(&error))?.clone();
        let at = |name: &str| {
            header
                .iter()
                .position(|cell| cell.eq_ignore_ascii_case(name))
        };
        let (Some(year_at), Some(month_at)) = (at("year"), at("month")) else {
            let found: Vec<&str> = header.iter().collect();
            return Err(bad(
                Some(1),
                format!("no column year and month, but {:?}", found.join(", ")),
            ));
        };
        let value_at: Vec<usize> = (0..header.len())
            .filter(|i| *i != year_at && *i != month_at)
            .collect();
        if value_at.is_empty() {
            return Err(bad(Some(1), "no column beside year and month".into()));
        }
        let mut months = BTreeMap::new();
        for row in reader.records() {
            let row = row.map_err(|error| told(&error))?;
            let line = row.position().map(csv::Position::line);
            let cell = |i: usize| row.get(i).unwrap_or("");
            let year = cell(year_at).parse().ok().filter(|y| YEARS.contains(y));
            let year: i32 =
                year.ok_or_else(|| bad(line, format!("{:?} is no year", cell(year_at))))?;
            let month = month_of(cell(month_at)).ok_or_else(|| {
                bad(
                    line,
                    format!(
                        "{:?} is no month; months are 1 to 12 or Jan to Dec",
                        cell(month_at)
                    ),
                )
            })?;
            let mut values = Vec::with_capacity(value_at.len());
            for i in &value_at {
                let text = cell(*i);
                let value: Option<f64> = if text.is_empty() {
                    None
                } else {
                    let number = text.parse().ok().filter(|value: &f64| value.is_finite());
                    Some(number.ok_or_else(|| {
                        let column = header.get(*i).unwrap_or("");
                        bad(line, format!("{text:?} in column {column} is no number; leave a cell empty where nothing is known"))
                    })?)
                };
                values.push(value);
            }
            if months.insert((year, month), values).is_some() {
                return Err(bad(
                    line,
                    format!("{} {year} comes twice", MONTHS[usize::from(month - 1)]),
                ));
            }
        }
        if months.is_empty() {
            return Err(bad(None, "a header, but no row".into()));
        }
        Ok(Weather {
            columns: value_at
                .iter()
                .map(|i| header.get(*i).unwrap_or("").to_owned())
                .collect(),
            months,
        })
    }

    /// Value of a column in a month (from 1).
    pub fn value(&self, column: usize, year: i32, month: u8) -> Option<f64> {
        self.months
            .get(&(year, month))?
            .get(column)
            .copied()
            .flatten()
    }

    /// Months between the first and the last of the table that have no value in a column.
    pub fn gaps(&self, column: usize) -> Vec<(i32, u8)> {
        let known = |key: &&(i32, u8)| self.value(column, key.0, key.1).is_some();
        let (Some(first), Some(last)) = (
            self.months.keys().find(known),
            self.months.keys().rev().find(known),
        ) else {
            return Vec::new();
        };
        let mut gaps = Vec::new();
        for year in first.0..=last.0 {
            for month in 1..=12 {
                let at = (year, month);
                if at > *first && at < *last && self.value(column, year, month).is_none() {
                    gaps.push(at);
                }
            }
        }
        gaps
    }

    /// The gaps of all columns in a sentence each, as `rain: no value in Mar 1951, Apr 1951 and 3 more
    /// months; their years are left out there`.
    pub fn gaps_in_words(&self) -> Vec<String> {
        let told = |(column, name): (usize, &String)| {
            let gaps = self.gaps(column);
            let some: Vec<String> = gaps
                .iter()
                .take(3)
                .map(|(year, month)| format!("{} {year}", MONTHS[usize::from(*month - 1)]))
                .collect();
            let more = match gaps.len().saturating_sub(3) {
                0 => String::new(),
                1 => " and 1 more month".to_owned(),
                n => format!(" and {n} more months"),
            };
            (!gaps.is_empty()).then(|| {
                format!(
                    "{name}: no value in {}{more}; their years are left out there",
                    some.join(", ")
                )
            })
        };
        self.columns.iter().enumerate().filter_map(told).collect()
    }
}

fn month_of(text: &str) -> Option<u8> {
    if let Ok(number) = text.parse::<u8>() {
        return (1..=12).contains(&number).then_some(number);
    }
    // Three letters tell months apart.
    let named = text.is_ascii() && text.len() >= 3;
    let at = MONTHS
        .iter()
        .position(|name| named && text[..3].eq_ignore_ascii_case(name))?;
    u8::try_from(at + 1).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Weather, Error> {
        Weather::parse(text.as_bytes(), Path::new("rain.csv"))
    }

    #[test]
    fn columns_come_in_any_order_and_months_by_number_or_name() {
        let weather =
            parse("\u{feff}rain_mm, Month,YEAR,temp\n81.5,1,1950,-2\n,feb,1950,0.5\n").unwrap();
        assert_eq!(weather.columns, ["rain_mm", "temp"]);
        assert_eq!(weather.value(0, 1950, 1), Some(81.5));
        assert_eq!(weather.value(0, 1950, 2), None);
        assert_eq!(weather.value(1, 1950, 2), Some(0.5));
    }

    #[test]
    fn what_is_wrong_is_told_with_file_and_line() {
        for (text, words) in [
            ("", "rain.csv: the file is empty"),
            (
                "year,rain\n1950,3\n",
                "rain.csv, line 1: no column year and month, but \"year, rain\"",
            ),
            (
                "year;month;rain\n",
                "line 1: no column year and month, but \"year;month;rain\"",
            ),
            ("year,month\n1950,1\n", "no column beside year and month"),
            ("year,month,rain\n", "a header, but no row"),
            ("year,month,rain\n1950,13,1\n", "line 2: \"13\" is no month"),
            (
                "year,month,rain\n1950,1,1\n1950,x,1\n",
                "line 3: \"x\" is no month",
            ),
            ("year,month,rain\n19so,1,1\n", "line 2: \"19so\" is no year"),
            (
                "year,month,rain\n1950,1,wet\n",
                "line 2: \"wet\" in column rain is no number",
            ),
            (
                "year,month,rain\n1950,1,inf\n",
                "\"inf\" in column rain is no number",
            ),
            (
                "year,month,rain\n1950,1,1\n1950,1,2\n",
                "line 3: Jan 1950 comes twice",
            ),
            ("year,month,rain\n1950,1\n", "line 2: can't be read as CSV"),
        ] {
            let told = parse(text).unwrap_err().to_string();
            assert!(told.contains(words), "{told}");
        }
    }

    /// Found while its fuzz target was written: the months between these two were all looked up and kept.
    #[test]
    fn a_year_beyond_all_years_is_refused_before_its_gaps_are_counted() {
        for year in ["-2000000000", "2000000000", "10000", "-20001"] {
            let text = format!("year,month,rain\n1950,1,1\n{year},1,1\n");
            let told = parse(&text).unwrap_err().to_string();
            assert!(
                told.contains(&format!("line 3: \"{year}\" is no year")),
                "{told}"
            );
        }
        let far = parse("year,month,rain\n-20000,1,1\n9999,12,1\n").unwrap();
        assert_eq!(far.gaps(0).len(), 30_000 * 12 - 2);
    }

    #[test]
    fn gaps_are_months_within_that_have_no_value() {
        let weather = parse("year,month,rain\n1950,11,1\n1951,1,\n1951,3,2\n").unwrap();
        assert_eq!(weather.gaps(0), [(1950, 12), (1951, 1), (1951, 2)]);
        assert_eq!(
            weather.gaps_in_words(),
            ["rain: no value in Dec 1950, Jan 1951, Feb 1951; their years are left out there"]
        );
    }
}
