//! Decadal ring-width text of the International Tree-Ring Data Bank (files ending `.rwl`).
//!
//! A line holds the name of its series in columns 1 to 8, the year of its first width in 9 to 12 and
//! up to ten widths of six columns each from column 13 (NOAA, "Format for tree ring data files"). Years
//! before -999 need a fifth column: then the name has seven and the year begins, with its minus sign,
//! in column 8. The first line of a series may begin inside a decade; every further one begins at a
//! year divisible by ten. After its last width stands an end mark, 999 where the widths are whole
//! numbers of 0.01 mm and -9999 where they are of 0.001 mm; so one file may mix both, series by series.
//! Three header lines may stand first, their number in column 8.
//!
//! What archived files do, and what is made of it here:
//!
//! - 0 is a ring that is absent there. Other numbers below zero are codes (-8, -999), no widths: the
//!   width is unknown, and a remark says so.
//! - A series may end and go on later under its name: one series, unknown between.
//! - 999 is an end mark only as the last number of a line, and not where it fills the line's decade
//!   and the series goes on with the next: there it is a width. Elsewhere in a line it is a width too.
//! - Lines end in LF, CR LF or CR CR LF, are padded with blanks, may carry a site's name from column 74.
//! - Whether there is a year 0 the format doesn't say; years are taken as they stand.
//!
//! A writer must not let a width read as an end mark. A series with a width of 9.99 mm, or with a gap
//! that would hide its end mark, is written in 0.001 mm whatever was asked for.

use super::lines::{Line, Lines};
use super::{Faults, Measured, Place, SeriesSet, Step, join};
use crate::error::Error;
use crate::series::Series;
use std::collections::HashMap;
use std::io::BufRead;
use std::path::Path;

pub use super::decadal_write::{Entry, header, names, write};

/// End mark of a series in 0.01 mm.
pub(super) const END_HUNDREDTH: i64 = 999;
/// End mark of a series in 0.001 mm.
pub(super) const END_THOUSANDTH: i64 = -9999;
/// Widths in a full line.
pub(super) const A_DECADE: i32 = 10;

/// What a data line says.
#[derive(Debug, Clone, PartialEq)]
struct DataLine {
    name: String,
    year: i32,
    numbers: Vec<i64>,
}

impl DataLine {
    /// Places from the line's first year to the end of its decade.
    fn places(&self) -> usize {
        usize::try_from(A_DECADE - self.year.rem_euclid(A_DECADE)).unwrap_or(0)
    }

    /// Whether `next` goes on where this line's decade ends.
    fn goes_on_in(&self, next: &DataLine) -> bool {
        let after = i64::from(self.year) + i64::try_from(self.places()).unwrap_or(0);
        next.name == self.name && i64::from(next.year) == after
    }
}

/// A series whose end mark has not come yet.
#[derive(Debug)]
struct Open {
    name: String,
    first_year: i32,
    widths: Vec<i64>,
    line: u64,
}

impl Open {
    fn next_year(&self) -> i32 {
        self.first_year
            .saturating_add(super::years_in(self.widths.len()))
    }
}

/// A stretch of a series from its first line to its end mark.
#[derive(Debug)]
struct Stretch {
    name: String,
    first_year: i32,
    widths: Vec<i64>,
    step: Step,
    line: u64,
}

/// Reads decadal text; `path` is named in faults.
///
/// # Errors
/// [`Error::BadData`] for each fault with its line, up to [`super::MOST_FAULTS`]; what the disk says.
///
/// # Memory
/// One line and the widths read.
pub fn parse(input: impl BufRead, path: &Path) -> Result<SeriesSet, Vec<Error>> {
    let mut faults = Faults::new(path);
    let mut set = SeriesSet::default();
    let mut stretches = Vec::new();
    let mut lines = Lines::new(input);
    let mut ahead = match headed(&mut lines, &mut set, &mut faults) {
        Ok(ahead) => ahead,
        Err(refused) => {
            faults.unreadable(refused);
            return faults.or(set);
        }
    };
    let mut open: Option<Open> = None;
    // The series that a fault was told of: its next lines are not faults of their own.
    let mut broken: Option<String> = None;
    while let Some((number, line)) = ahead.take() {
        if faults.is_full() {
            break;
        }
        let next = match next_data(&mut lines) {
            Ok(next) => next,
            Err(refused) => {
                faults.unreadable(refused);
                break;
            }
        };
        let line = match line {
            Ok(line) => line,
            Err((what, expected)) => {
                faults.add(number, what, expected);
                broken = open.take().map(|o| o.name).or(broken);
                ahead = next;
                continue;
            }
        };
        let follower = next.as_ref().and_then(|(_, n)| n.as_ref().ok());
        take(
            number,
            line,
            follower,
            &mut open,
            &mut broken,
            &mut stretches,
            &mut faults,
        );
        ahead = next;
    }
    if let Some(open) = open {
        no_end(&open, &mut faults);
    }
    if stretches.is_empty() && faults.found.is_empty() {
        faults.add(0, "no series in it", FORMAT);
    }
    gather(stretches, &mut set, &mut faults);
    set.title = title(&set.header);
    faults.or(set)
}

const FORMAT: &str = "expected decadal ring-width text: name in columns 1 to 8, year in 9 to 12, widths of six columns each from column 13";

type Numbered = (u64, Result<DataLine, (String, String)>);

/// The next line that is not blank.
fn next_data(lines: &mut Lines<impl BufRead>) -> std::io::Result<Option<Numbered>> {
    while let Some(line) = lines.next()? {
        if !is_blank(&line) {
            return Ok(Some((line.number, data_line(line.text.as_deref()))));
        }
    }
    Ok(None)
}

fn is_blank(line: &Line) -> bool {
    // Some archived files end with the end-of-file sign of old disks.
    let blank = |sign: char| sign.is_whitespace() || sign == '\u{1a}';
    line.text.as_ref().is_some_and(|t| t.chars().all(blank))
}

/// Takes the header lines and gives the first data line.
///
/// A line that is no data is a header line where it has its number in column 8; without numbers,
/// only where there are three.
fn headed(
    lines: &mut Lines<impl BufRead>,
    set: &mut SeriesSet,
    faults: &mut Faults,
) -> std::io::Result<Option<Numbered>> {
    let mut without_number: Vec<(u64, (String, String))> = Vec::new();
    let mut first_data = None;
    while let Some(line) = lines.next()? {
        if is_blank(&line) {
            continue;
        }
        let data = data_line(line.text.as_deref());
        let (fault, text) = match (data, line.text) {
            (Err(fault), Some(text)) if set.header.len() < 3 => (fault, text),
            (data, _) => {
                first_data = Some((line.number, data));
                break;
            }
        };
        let wanted = ["1", "2", "3"][set.header.len()];
        let place: String = text.chars().skip(7).take(2).collect();
        if place.trim_end() != wanted {
            without_number.push((line.number, fault));
        }
        set.header.push(text.trim_end().to_owned());
    }
    if set.header.len() == 3 && first_data.is_some() {
        if let Some((line, _)) = without_number.first() {
            let words = "no series; the first three lines are taken for a header".to_owned();
            set.remarks.push((*line, words));
        }
    } else {
        for (line, (what, expected)) in without_number {
            faults.add(line, what, expected);
        }
    }
    Ok(first_data)
}

/// Takes a data line apart.
fn data_line(text: Option<&str>) -> Result<DataLine, (String, String)> {
    let no_series = |what: String| (what, FORMAT.to_owned());
    let Some(text) = text else {
        let what = format!("longer than {} signs", super::lines::LONGEST);
        return Err(no_series(what));
    };
    let signs: Vec<char> = text.trim_end().chars().collect();
    if let Some(at) = signs.iter().position(|sign| *sign == '\t') {
        return Err((
            format!("a tab in column {}", at + 1),
            "expected blanks: the columns of this format are counted".to_owned(),
        ));
    }
    let cut = |from: usize, to: usize| -> String {
        let to = to.min(signs.len());
        signs.get(from..to).unwrap_or_default().iter().collect()
    };
    let split = if signs.get(7) == Some(&'-') { 7 } else { 8 };
    let name = cut(0, split).trim().to_owned();
    if name.is_empty() {
        return Err(no_series("no name in columns 1 to 8".into()));
    }
    let year_text = cut(split, 12);
    let Ok(year) = year_text.trim().parse::<i32>() else {
        return Err((
            format!("{:?} in columns {} to 12", year_text, split + 1),
            "expected the year of the line's first width".to_owned(),
        ));
    };
    let mut numbers = Vec::new();
    for k in 0..10 {
        let (from, to) = (12 + 6 * k, 18 + 6 * k);
        let field = cut(from, to);
        if field.trim().is_empty() {
            break;
        }
        let number = field.trim_start().parse::<i64>().map_err(|_| {
            (
                format!("{field:?} in columns {} to {to}", from + 1),
                "expected a width as a whole number that ends in the last of these columns"
                    .to_owned(),
            )
        })?;
        if field.chars().count() < 6 {
            return Err((
                format!("{field:?} at the end of the line"),
                "expected widths of six columns each: columns are shifted here".to_owned(),
            ));
        }
        numbers.push(number);
    }
    let used = 12 + 6 * numbers.len();
    if !cut(used, 72).trim().is_empty() {
        return Err((
            format!("an empty place in columns {} to {}", used + 1, used + 6),
            "expected widths without a gap; write an end mark before years that were not measured"
                .to_owned(),
        ));
    }
    // An end mark behind ten widths; anything else from column 73 on is the site's name.
    if numbers.len() == 10
        && let Ok(mark @ (END_HUNDREDTH | END_THOUSANDTH)) = cut(72, 78).trim().parse()
    {
        numbers.push(mark);
    }
    if numbers.is_empty() {
        return Err(("no width in the line".to_owned(), FORMAT.to_owned()));
    }
    Ok(DataLine {
        name,
        year,
        numbers,
    })
}

/// Adds a line to its series, ends the series where the line has its end mark.
fn take(
    number: u64,
    line: DataLine,
    follower: Option<&DataLine>,
    open: &mut Option<Open>,
    broken: &mut Option<String>,
    stretches: &mut Vec<Stretch>,
    faults: &mut Faults,
) {
    if let Some(other) = open.take_if(|o| o.name != line.name) {
        no_end(&other, faults);
    }
    let places = line.places();
    let fills_its_decade = line.numbers.len() == places;
    let is_width = fills_its_decade && follower.is_some_and(|next| line.goes_on_in(next));
    let mark = match line.numbers.last() {
        Some(&END_THOUSANDTH) => Some(Step::Thousandth),
        Some(&END_HUNDREDTH) if !is_width => Some(Step::Hundredth),
        _ => None,
    };
    let DataLine {
        name,
        year,
        mut numbers,
    } = line;
    if mark.is_some() {
        numbers.pop();
    }
    let mut fault = None;
    if numbers.contains(&END_THOUSANDTH) {
        fault = Some((
            "numbers behind the end mark -9999".to_owned(),
            "expected the end mark as the last number of its series".to_owned(),
        ));
    } else if numbers.len() > places {
        fault = Some((
            format!("{} widths from the year {year}", numbers.len()),
            format!("expected at most {places}, to the end of the decade"),
        ));
    } else if let Some(o) = open.as_ref()
        && o.next_year() != year
    {
        let due = o.next_year();
        let runs = if year < due {
            "runs backwards"
        } else {
            "jumps"
        };
        fault = Some((
            format!("the year {runs} to {year} in the series {name}"),
            format!(
                "expected the year {due}, or an end mark (999 or -9999) before years that were not measured"
            ),
        ));
    }
    if let Some((what, expected)) = fault {
        faults.add(number, what, expected);
        *broken = (mark.is_none()).then(|| name.clone());
        *open = None;
        return;
    }
    if open.is_none() && broken.take_if(|b| *b == name).is_some() && mark.is_some() {
        // The end of a series that was told of already.
        return;
    }
    let mut whole = open.take().unwrap_or(Open {
        name,
        first_year: year,
        widths: Vec::new(),
        line: number,
    });
    whole.widths.append(&mut numbers);
    match mark {
        Some(_) if whole.widths.is_empty() => faults.add(
            number,
            format!("an end mark without a width in the series {}", whole.name),
            "expected widths before it",
        ),
        Some(step) => stretches.push(Stretch {
            name: whole.name,
            first_year: whole.first_year,
            widths: whole.widths,
            step,
            line: whole.line,
        }),
        None => *open = Some(whole),
    }
}

fn no_end(open: &Open, faults: &mut Faults) {
    faults.add(
        open.line,
        format!("the series {} that begins here has no end mark", open.name),
        "expected 999 (widths in 0.01 mm) or -9999 (in 0.001 mm) behind its last width",
    );
}

/// Makes series of the stretches, in the order in which their names come first.
fn gather(stretches: Vec<Stretch>, set: &mut SeriesSet, faults: &mut Faults) {
    let mut order: Vec<String> = Vec::new();
    let mut of_name: HashMap<String, Vec<Stretch>> = HashMap::new();
    for stretch in stretches {
        let list = of_name.entry(stretch.name.clone()).or_insert_with(|| {
            order.push(stretch.name.clone());
            Vec::new()
        });
        list.push(stretch);
    }
    for name in order {
        let list = of_name.remove(&name).unwrap_or_default();
        let Some(first) = list.first() else { continue };
        let (step, line) = (first.step, list.last().map_or(0, |s| s.line));
        if let Some(other) = list.iter().find(|s| s.step != step) {
            faults.add(
                other.line,
                format!("the series {name} has parts in 0.01 mm and in 0.001 mm"),
                "expected the same end mark behind each part of a series",
            );
            continue;
        }
        for stretch in &list {
            for (year, number) in (stretch.first_year..).zip(&stretch.widths) {
                if *number < 0 {
                    set.remarks.push((
                        stretch.line,
                        format!(
                            "the series {name} has {number} in {year}: a code, no width; taken as unknown"
                        ),
                    ));
                }
            }
        }
        let pieces = list
            .into_iter()
            .map(|s| {
                let mm = |n: i64| u32::try_from(n).ok().map(|n| f64::from(n) / step.per_mm());
                (s.first_year, s.widths.into_iter().map(mm).collect())
            })
            .collect();
        match join(pieces) {
            Ok((first_year, widths_mm)) => set.series.push(Measured {
                series: Series {
                    name,
                    first_year,
                    widths_mm,
                },
                is_dated: true,
                is_in_px: false,
                step,
                place: Place::default(),
            }),
            Err(year) => faults.add(
                line,
                format!("two parts of the series {name} meet in the year {year}"),
                "expected each year once; give one of two series of that name another name",
            ),
        }
    }
}

/// The site's name in the first header line, columns 10 to 61.
fn title(header: &[String]) -> String {
    header.first().map_or(String::new(), |line| {
        let name: String = line.chars().skip(9).take(52).collect();
        name.trim().to_owned()
    })
}
