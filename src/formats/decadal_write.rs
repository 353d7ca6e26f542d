//! Writing decadal ring-width text; the format is told in `super::decadal`.

use super::decadal::{A_DECADE, END_HUNDREDTH, END_THOUSANDTH};
use super::{Step, stretches};
use crate::series::Series;
use std::collections::HashSet;
use std::io::{self, Write};

/// Columns of a name; one less where a year of the series needs five.
const NAME: usize = 8;

/// Largest number in six columns.
const LARGEST: f64 = 999_999.0;

/// A series to be written.
#[derive(Debug, Clone, Copy)]
pub struct Entry<'a> {
    /// Name in the file, of [`names`].
    pub name: &'a str,
    /// Years and widths.
    pub series: &'a Series,
    /// In what steps; the finer one is taken where a width would else read as an end mark.
    pub step: Step,
}

/// Names of eight columns at most, all different, for series named so: a name that fits is kept, any
/// other cut to seven of its letters and digits (a blank before the year is easier to read), and
/// numbered where that name is taken.
///
/// Years before -999 leave seven columns; `first_years` has the first year of each series.
pub fn names(wanted: &[&str], first_years: &[i32]) -> Vec<String> {
    let room = |year: i32| if year < -999 { NAME - 1 } else { NAME };
    let years = first_years.iter().copied().chain(std::iter::repeat(0));
    let rooms: Vec<usize> = years.take(wanted.len()).map(room).collect();
    let fits = |name: &str, room: usize| {
        let is_plain = name.bytes().all(|b| b.is_ascii_graphic());
        // A minus sign in column 8 would read as the year's.
        is_plain
            && !name.is_empty()
            && name.len() <= room
            && !(name.len() == NAME && name.ends_with('-'))
    };
    let mut taken: HashSet<String> = HashSet::new();
    let mut out: Vec<Option<String>> = wanted
        .iter()
        .zip(&rooms)
        .map(|(name, room)| {
            (fits(name, *room) && taken.insert((*name).to_owned())).then(|| (*name).to_owned())
        })
        .collect();
    for ((slot, name), room) in out.iter_mut().zip(wanted).zip(&rooms) {
        if slot.is_some() {
            continue;
        }
        let room = (*room).min(NAME - 1);
        let signs: Vec<char> = name.chars().filter(char::is_ascii_alphanumeric).collect();
        let short = |length: usize| -> String {
            // The end of a name tells more than its beginning: trees of one site begin alike.
            signs[signs.len().saturating_sub(length)..].iter().collect()
        };
        let numbered = (1_u64..).map(|n| {
            let number = n.to_string();
            format!("{}{number}", short(room.saturating_sub(number.len())))
        });
        let plain = short(room);
        let first = (!plain.is_empty()).then_some(plain);
        *slot = first
            .into_iter()
            .chain(numbered)
            .find(|c| !taken.contains(c));
        taken.extend(slot.clone());
    }
    out.into_iter().map(Option::unwrap_or_default).collect()
}

/// Three header lines: site code and line number, then name and species code; state or country and
/// species' name, elevation, first and last year; investigators. What is too long is cut, signs that
/// are no ASCII letter become `?`.
pub fn header(
    code: &str,
    title: &str,
    species: &str,
    country: &str,
    investigators: &str,
    years: Option<(i32, i32)>,
) -> Vec<String> {
    let code: String = plain(code).chars().take(6).collect();
    let cut = |text: &str, width: usize| -> String { plain(text).chars().take(width).collect() };
    let years = years.map_or(String::new(), |(first, last)| {
        format!("{first:>4} {last:>4}")
    });
    vec![
        format!("{code:<7}1 {:<52}", cut(title, 52))
            .trim_end()
            .to_owned(),
        // Columns 10-22 country, 23-40 species, first and last year from 68.
        format!(
            "{code:<7}2 {:<13}{:<18}{:<27}{years}",
            cut(country, 12),
            cut(species, 17),
            ""
        )
        .trim_end()
        .to_owned(),
        format!("{code:<7}3 {:<62}", cut(investigators, 62))
            .trim_end()
            .to_owned(),
    ]
}

/// The text with what no file of this format has replaced.
fn plain(text: &str) -> String {
    let sign = |c: char| {
        if c.is_ascii_graphic() || c == ' ' {
            c
        } else {
            '?'
        }
    };
    text.chars().map(sign).collect()
}

/// Writes header lines and series. Unknown widths inside a series end it and let it go on later; a
/// series without a known width is left out.
///
/// # Errors
/// [`io::ErrorKind::InvalidInput`] where a name, a year or a width has no room in its columns, or a
/// width is negative or no number; what `out` says on writing.
pub fn write(out: &mut impl Write, header: &[String], entries: &[Entry<'_>]) -> io::Result<()> {
    for line in header {
        writeln!(out, "{line}")?;
    }
    for entry in entries {
        entry_lines(out, entry)?;
    }
    Ok(())
}

fn entry_lines(out: &mut impl Write, entry: &Entry<'_>) -> io::Result<()> {
    let refuse = |what: String| Err(io::Error::new(io::ErrorKind::InvalidInput, what));
    let series = entry.series;
    let mut parts = in_steps(series, entry.step)?;
    let mut step = entry.step;
    if step == Step::Hundredth && parts.iter().any(|part| reads_as_an_end(part, &parts)) {
        step = Step::Thousandth;
        parts = in_steps(series, step)?;
    }
    let mark = match step {
        Step::Hundredth => END_HUNDREDTH,
        Step::Thousandth => END_THOUSANDTH,
    };
    for (first_year, numbers) in &parts {
        if *first_year < -9999 || *first_year > 9999 - super::years_in(numbers.len()) {
            return refuse(format!(
                "the year {first_year} of {} has no room in this format",
                series.name
            ));
        }
        let mut year = *first_year;
        let mut left: Vec<i64> = numbers.clone();
        left.push(mark);
        let mut rest = left.as_slice();
        while !rest.is_empty() {
            let places = usize::try_from(A_DECADE - year.rem_euclid(A_DECADE)).unwrap_or(1);
            let (line, more) = rest.split_at(places.min(rest.len()));
            let room = if year < -999 { NAME - 1 } else { NAME };
            if entry.name.len() > room || entry.name.is_empty() || !entry.name.is_ascii() {
                return refuse(format!(
                    "the name {:?} has no room in {room} columns",
                    entry.name
                ));
            }
            write!(
                out,
                "{:<room$}{year:>width$}",
                entry.name,
                width = 12 - room
            )?;
            for number in line {
                write!(out, "{number:>6}")?;
            }
            writeln!(out)?;
            year += super::years_in(line.len());
            rest = more;
        }
    }
    Ok(())
}

/// Stretches of known widths as whole steps, each with its first year.
fn in_steps(series: &Series, step: Step) -> io::Result<Vec<(i32, Vec<i64>)>> {
    let whole = |mm: f64| -> io::Result<i64> {
        let steps = step.in_steps(mm);
        if !(0.0..=LARGEST).contains(&steps) {
            let what = format!(
                "the width {mm} mm of {} has no room in six columns",
                series.name
            );
            return Err(io::Error::new(io::ErrorKind::InvalidInput, what));
        }
        #[allow(clippy::cast_possible_truncation, reason = "0 <= steps <= 999999")]
        let steps = steps as i64;
        Ok(steps)
    };
    stretches(&series.widths_mm)
        .into_iter()
        .map(|(at, widths)| {
            let numbers = widths.into_iter().map(whole).collect::<io::Result<_>>()?;
            Ok((
                series.first_year.saturating_add(super::years_in(at)),
                numbers,
            ))
        })
        .collect()
}

/// Whether in 0.01 mm a width of this part, or what follows its end mark, would be taken wrongly: a
/// width of 9.99 mm reads as an end, and an end mark that fills its decade reads as a width where the
/// series goes on in the next.
fn reads_as_an_end(part: &(i32, Vec<i64>), parts: &[(i32, Vec<i64>)]) -> bool {
    let (first_year, numbers) = part;
    // The year in whose place the end mark stands.
    let mark = first_year.saturating_add(super::years_in(numbers.len()));
    let fills = mark.rem_euclid(A_DECADE) == A_DECADE - 1;
    numbers.contains(&END_HUNDREDTH)
        || fills
            && parts
                .iter()
                .any(|(year, _)| *year == mark.saturating_add(1))
}
