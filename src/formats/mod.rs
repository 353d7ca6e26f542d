//! Files of ring-width series that other programs read and write.
//!
//! Three formats, each parsed and written here: the decadal ring-width text of the International
//! Tree-Ring Data Bank (`decadal`), the Tree-Ring Data Standard 1.2.2 (`tridas`, XML) and tidy
//! CSV (`tidy`). All become a `SeriesSet`, so that any can be turned into any other.
//!
//! The three agree on what a width may be: a number of millimetres, zero where the ring is absent
//! there, or unknown. Tidy CSV alone may also hold series in pixels of a photo that has no scale: they
//! are never taken for millimetres, and stay out of the other two. Decadal text and XML have no sign for an unknown width inside a series: there a
//! series stops and goes on later under the same name, and becomes one series again when read.
//! Unknown widths before the first and after the last known one carry nothing and are not kept
//! (`SeriesSet::trimmed`).
//!
//! Limits: widths are whole numbers of 0.01 or 0.001 mm in decadal text and of 0.001 mm in XML; finer
//! ones are rounded, and a ring that is there to one step at least. Years are astronomical (see `crate::series`).

pub mod decadal;
mod decadal_write;
mod lines;
pub mod tidy;
pub mod tridas;
mod tridas_read;

use crate::error::Error;
use crate::series::Series;
use std::borrow::Cow;
use std::collections::HashSet;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Write};
use std::path::{Path, PathBuf};

/// Faults of one file that are told; a file of garbage would tell millions.
pub const MOST_FAULTS: usize = 20;

/// In what steps the widths of a series were written, or are to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Step {
    /// Whole numbers of 0.01 mm.
    Hundredth,
    /// Whole numbers of 0.001 mm.
    Thousandth,
}

impl Step {
    /// Steps in a millimetre.
    pub fn per_mm(self) -> f64 {
        match self {
            Step::Hundredth => 100.0,
            Step::Thousandth => 1000.0,
        }
    }

    /// A width, mm, in whole steps. A ring that is there has at least one: 0 says that it is absent.
    fn in_steps(self, width_mm: f64) -> f64 {
        let steps = (width_mm * self.per_mm()).round();
        if width_mm > 0.0 {
            steps.max(1.0)
        } else {
            steps
        }
    }

    /// The coarser of the two steps in which all these widths, mm, are whole numbers; the finer one
    /// where none is.
    pub fn of(widths_mm: &[Option<f64>]) -> Self {
        let is_whole = |w: &f64| (w * 100.0 - (w * 100.0).round()).abs() < 1e-6;
        if widths_mm.iter().flatten().all(is_whole) {
            Step::Hundredth
        } else {
            Step::Thousandth
        }
    }
}

/// One series with what the file tells of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Name, years and widths. Where the series is not dated, year 1 is its first ring.
    pub series: Series,
    /// The widths are px of a photo without a scale, and no millimetres.
    pub is_in_px: bool,
    /// Whether the years are calendar years.
    pub is_dated: bool,
    /// In what steps the widths were written, or are to be.
    pub step: Step,
    /// Where in its tree the series was measured.
    pub place: Place,
}

/// Where a series was measured. Empty: the file doesn't tell.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Place {
    /// Tree.
    pub tree: String,
    /// Disc or core of the tree.
    pub specimen: String,
    /// Radius of the disc.
    pub radius: String,
    /// Its azimuth, degrees clockwise.
    pub azimuth_deg: Option<f64>,
    /// Species, as the file writes it.
    pub species: String,
}

/// What a file of series holds.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SeriesSet {
    /// Title, where the format has one.
    pub title: String,
    /// Header lines as they stood, where the format has them.
    pub header: Vec<String>,
    /// The series in the order of the file.
    pub series: Vec<Measured>,
    /// What the reader should know, though nothing failed: codes that are no widths, parts that are
    /// no ring widths. Line, from 1, and words.
    pub remarks: Vec<(u64, String)>,
}

impl SeriesSet {
    /// The set without unknown widths at the ends of its series, without series that have no width at
    /// all, and without remarks: what every format keeps.
    #[must_use]
    pub fn trimmed(mut self) -> Self {
        for measured in &mut self.series {
            trim(&mut measured.series);
        }
        self.series.retain(|m| !m.series.widths_mm.is_empty());
        self.remarks.clear();
        self
    }
}

/// Takes unknown widths off both ends.
fn trim(series: &mut Series) {
    let known = |w: &Option<f64>| w.is_some();
    let end = series
        .widths_mm
        .iter()
        .rposition(known)
        .map_or(0, |i| i + 1);
    series.widths_mm.truncate(end);
    let start = series.widths_mm.iter().position(known).unwrap_or(0);
    series.widths_mm.drain(..start);
    let start = i32::try_from(start).unwrap_or(i32::MAX);
    series.first_year = series.first_year.saturating_add(start);
}

/// The formats.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// Decadal text.
    Decadal,
    /// Tree-Ring Data Standard, XML.
    Tridas,
    /// Tidy CSV.
    Tidy,
}

/// Reads a file of series, telling its format by its content: XML begins with `<`, tidy CSV has a
/// header line that names `width_mm` or `width_px`, all else is taken for decadal text.
///
/// # Errors
/// [`Error::Unreadable`], [`Error::Empty`], or an [`Error::BadData`] for each fault with its line, up
/// to [`MOST_FAULTS`].
pub fn load(path: &Path) -> Result<(Format, SeriesSet), Vec<Error>> {
    let unreadable = |source| {
        vec![Error::Unreadable {
            path: path.to_path_buf(),
            source,
        }]
    };
    let file = File::open(path).map_err(unreadable)?;
    let mut input = BufReader::with_capacity(1 << 16, file);
    let head = input.fill_buf().map_err(unreadable)?;
    if head.is_empty() {
        return Err(vec![Error::Empty {
            path: path.to_path_buf(),
        }]);
    }
    let format = tell(head);
    let set = match format {
        Format::Decadal => decadal::parse(input, path),
        Format::Tridas => tridas::parse(input, path),
        Format::Tidy => tidy::parse(input, path),
    }?;
    Ok((format, set))
}

/// Writes a set in a format, and tells in words what had to be changed for it: names that were cut to
/// the room of decadal text or numbered because another series has them, and series in pixels, which
/// only tidy CSV has room for.
///
/// `step` is how widths are written in decadal text and XML; without it each series keeps its own.
///
/// # Errors
/// [`io::ErrorKind::InvalidInput`] where a width or a year has no room in the format, or all series are
/// in pixels and it is one of millimetres; what `out` says on writing.
pub fn write(
    out: &mut impl Write,
    format: Format,
    set: &SeriesSet,
    step: Option<Step>,
) -> io::Result<Vec<String>> {
    let mut set = Cow::Borrowed(set);
    if let Some(step) = step {
        for measured in &mut set.to_mut().series {
            measured.step = step;
        }
    }
    let mut remarks = Vec::new();
    if format != Format::Tidy {
        without_px(&mut set, &mut remarks)?;
    }
    match format {
        Format::Tidy => {
            with_names_of_their_own(&mut set, &mut remarks);
            tidy::write(out, &set)?;
        }
        Format::Tridas => tridas::write(out, &set)?,
        Format::Decadal => {
            let wanted: Vec<&str> = set.series.iter().map(|m| m.series.name.as_str()).collect();
            let years: Vec<i32> = set.series.iter().map(|m| m.series.first_year).collect();
            let names = decadal::names(&wanted, &years);
            for (name, wanted) in names.iter().zip(&wanted) {
                if name != wanted {
                    remarks.push(format!("the series {wanted} is named {name} there"));
                }
            }
            let undated = set.series.iter().filter(|m| !m.is_dated).count();
            if undated > 0 {
                remarks.push(format!(
                    "{undated} of {} series are not dated: their years count rings from 1",
                    set.series.len()
                ));
            }
            let entries: Vec<decadal::Entry<'_>> = set
                .series
                .iter()
                .zip(&names)
                .map(|(measured, name)| decadal::Entry {
                    name,
                    series: &measured.series,
                    step: measured.step,
                })
                .collect();
            let header = if set.header.is_empty() && !set.title.is_empty() {
                let dated = set.series.iter().filter(|m| m.is_dated);
                let years =
                    dated.filter_map(|m| Some((m.series.first_year, m.series.last_year()?)));
                let span = years.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)));
                let species = set.series.first().map_or("", |m| m.place.species.as_str());
                decadal::header(&set.title, &set.title, species, "", "", span)
            } else {
                set.header.clone()
            };
            decadal::write(out, &header, &entries)?;
        }
    }
    Ok(remarks)
}

/// Takes the series in pixels out of a set for a format that has only millimetres.
fn without_px(set: &mut Cow<'_, SeriesSet>, remarks: &mut Vec<String>) -> io::Result<()> {
    let in_px: Vec<String> = set
        .series
        .iter()
        .filter(|m| m.is_in_px)
        .map(|m| m.series.name.clone())
        .collect();
    if in_px.is_empty() {
        return Ok(());
    }
    if in_px.len() == set.series.len() {
        let what = "all widths are in pixels, and this format has only millimetres";
        return Err(io::Error::new(io::ErrorKind::InvalidInput, what));
    }
    remarks.extend(in_px.iter().map(|name| {
        format!("the series {name} is in pixels, not in millimetres; it is left out there")
    }));
    set.to_mut().series.retain(|m| !m.is_in_px);
    Ok(())
}

/// Gives series that share a name, which in a table of rows would run together, names of their own.
fn with_names_of_their_own(set: &mut Cow<'_, SeriesSet>, remarks: &mut Vec<String>) {
    let mut taken = HashSet::new();
    let twins: Vec<usize> = (0..set.series.len())
        .filter(|i| !taken.insert(set.series[*i].series.name.clone()))
        .collect();
    for i in twins {
        let name = set.series[i].series.name.clone();
        let mut numbered = (2_u64..).map(|n| format!("{name} ({n})"));
        let Some(own) = numbered.find(|own| !taken.contains(own)) else {
            continue;
        };
        remarks.push(format!("a further series {name} is named {own} there"));
        taken.insert(own.clone());
        set.to_mut().series[i].series.name = own;
    }
}

/// The format that a file beginning so is in.
fn tell(head: &[u8]) -> Format {
    let head = head.strip_prefix(b"\xef\xbb\xbf").unwrap_or(head);
    let first = head.iter().find(|sign| !sign.is_ascii_whitespace());
    if first == Some(&b'<') {
        return Format::Tridas;
    }
    let line = head.split(|sign| *sign == b'\n').next().unwrap_or(head);
    let mut parts = line.windows(8);
    let is_named = parts.any(|part| part == b"width_mm" || part == b"width_px");
    if is_named {
        Format::Tidy
    } else {
        Format::Decadal
    }
}

/// Collects the faults of one file, up to [`MOST_FAULTS`].
#[derive(Debug)]
struct Faults {
    path: PathBuf,
    found: Vec<Error>,
}

impl Faults {
    fn new(path: &Path) -> Self {
        Faults {
            path: path.to_path_buf(),
            found: Vec::new(),
        }
    }

    /// Notes a fault: what is wrong, and what was expected.
    fn add(&mut self, line: u64, what: impl Into<String>, expected: impl Into<String>) {
        if !self.is_full() {
            self.found.push(Error::BadData {
                path: self.path.clone(),
                line: (line > 0).then_some(line),
                what: what.into(),
                way_out: expected.into(),
            });
        }
    }

    /// What the disk said.
    fn unreadable(&mut self, source: io::Error) {
        self.found.push(Error::Unreadable {
            path: self.path.clone(),
            source,
        });
    }

    fn is_full(&self) -> bool {
        self.found.len() >= MOST_FAULTS
    }

    /// The value, or the faults where there are any.
    fn or<T>(self, value: T) -> Result<T, Vec<Error>> {
        if self.found.is_empty() {
            Ok(value)
        } else {
            Err(self.found)
        }
    }
}

/// Length of a list as a number of years.
fn years_in(count: usize) -> i32 {
    i32::try_from(count).unwrap_or(i32::MAX)
}

/// A piece of a series without unknown widths: the place of its first width and the widths.
fn stretches(widths_mm: &[Option<f64>]) -> Vec<(usize, Vec<f64>)> {
    let mut out: Vec<(usize, Vec<f64>)> = Vec::new();
    let mut is_open = false;
    for (i, width) in widths_mm.iter().enumerate() {
        match (width, is_open, out.last_mut()) {
            (Some(w), true, Some((_, open))) => open.push(*w),
            (Some(w), ..) => out.push((i, vec![*w])),
            (None, ..) => {}
        }
        is_open = width.is_some();
    }
    out
}

/// Largest number of years that a series may span; more is a fault of the file (the oldest trees have
/// about 5,000 rings, the longest joined chronologies some 12,000 years; from memory).
const MOST_YEARS: i64 = 100_000;

/// Joins stretches of one series, sorted by their years, with unknown years between.
///
/// # Errors
/// Year at which two stretches overlap, or at which the series grows longer than [`MOST_YEARS`].
fn join(mut stretches: Vec<(i32, Vec<Option<f64>>)>) -> Result<(i32, Vec<Option<f64>>), i32> {
    stretches.sort_by_key(|(year, _)| *year);
    let mut joined = stretches.into_iter();
    let Some((first, mut widths)) = joined.next() else {
        return Ok((0, Vec::new()));
    };
    for (year, more) in joined {
        let gap = i64::from(year) - i64::from(first) - i64::from(years_in(widths.len()));
        let Ok(gap) = usize::try_from(gap) else {
            return Err(year);
        };
        if i64::from(year) - i64::from(first) > MOST_YEARS {
            return Err(year);
        }
        widths.extend(std::iter::repeat_n(None, gap));
        widths.extend(more);
    }
    Ok((first, widths))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formats_are_told_by_their_content() {
        assert_eq!(tell(b"\xef\xbb\xbf <tridas>"), Format::Tridas);
        assert_eq!(tell(b"specimen,year,width_mm\n"), Format::Tidy);
        assert_eq!(tell(b"specimen,ring,width_px\n"), Format::Tidy);
        assert_eq!(tell(b"DEMO01A 1967   123    98"), Format::Decadal);
    }

    fn measured(name: &str, is_in_px: bool, widths: &[f64]) -> Measured {
        Measured {
            series: Series {
                name: name.into(),
                first_year: 1990,
                widths_mm: widths.iter().copied().map(Some).collect(),
            },
            is_in_px,
            is_dated: true,
            step: Step::Hundredth,
            place: Place::default(),
        }
    }

    #[test]
    fn pixels_are_left_out_of_formats_of_millimetres_and_told() {
        let set = SeriesSet {
            series: vec![
                measured("QB-1", false, &[1.0, 1.2]),
                measured("QB-2", true, &[10.0, 12.0]),
            ],
            ..SeriesSet::default()
        };
        for format in [Format::Decadal, Format::Tridas] {
            let mut out = Vec::new();
            let remarks = write(&mut out, format, &set, None).unwrap();
            assert!(
                remarks[0].contains("the series QB-2 is in pixels, not in millimetres"),
                "{remarks:?}"
            );
            let text = String::from_utf8(out).unwrap();
            assert!(text.contains("QB-1") && !text.contains("QB-2"), "{text}");
            let bare = SeriesSet {
                series: vec![measured("QB-2", true, &[10.0])],
                ..SeriesSet::default()
            };
            let refused = write(&mut Vec::new(), format, &bare, None).unwrap_err();
            assert!(refused.to_string().contains("all widths are in pixels"));
        }
    }

    /// 0 says that a ring is absent; one of 0.003 mm is there, in whatever step it is written.
    #[test]
    fn a_ring_that_is_there_is_never_written_as_absent() {
        let set = SeriesSet {
            series: vec![measured("QB-1", false, &[1.0, 0.003, 0.0, 0.000_2])],
            ..SeriesSet::default()
        };
        for (step, least) in [(Step::Hundredth, 0.01), (Step::Thousandth, 0.001)] {
            for format in [Format::Decadal, Format::Tridas] {
                let mut out = Vec::new();
                write(&mut out, format, &set, Some(step)).unwrap();
                let path = Path::new("QB-1");
                let back = match format {
                    Format::Decadal => decadal::parse(out.as_slice(), path),
                    _ => tridas::parse(out.as_slice(), path),
                };
                let widths = &back.unwrap().series[0].series.widths_mm;
                let small = if step == Step::Hundredth { 0.01 } else { 0.003 };
                assert_eq!(
                    widths,
                    &[Some(1.0), Some(small), Some(0.0), Some(least)],
                    "{format:?}"
                );
            }
        }
    }

    #[test]
    fn stretches_join_to_what_they_were_cut_from() {
        let widths = [None, Some(1.0), Some(0.0), None, None, Some(2.0), None];
        let cut = stretches(&widths);
        assert_eq!(cut, [(1, vec![1.0, 0.0]), (5, vec![2.0])]);
        let pieces = cut
            .into_iter()
            .map(|(at, w)| (1900 + at as i32, w.into_iter().map(Some).collect()))
            .rev()
            .collect();
        assert_eq!(
            join(pieces),
            Ok((1901, vec![Some(1.0), Some(0.0), None, None, Some(2.0)]))
        );
        let overlapping = vec![(1900, vec![Some(1.0); 3]), (1902, vec![Some(1.0)])];
        assert_eq!(join(overlapping), Err(1902));
    }

    #[test]
    fn the_step_is_the_coarser_one_where_that_loses_nothing() {
        assert_eq!(Step::of(&[Some(1.23), None, Some(0.0)]), Step::Hundredth);
        assert_eq!(Step::of(&[Some(1.23), Some(0.981)]), Step::Thousandth);
    }
}
