//! Reading the Tree-Ring Data Standard; what is read and how is told in `super::tridas`.

use super::tridas::NOT_STATED;
use super::{Faults, Measured, Place, SeriesSet, Step, join};
use crate::error::Error;
use crate::series::Series;
use quick_xml::XmlVersion;
use quick_xml::events::{BytesStart, Event};
use quick_xml::reader::Reader;
use std::io::{self, BufRead, Read};
use std::path::Path;

/// Longest piece between two tags, bytes; a longer one is no such document, and must not be taken into
/// memory whole.
const LONGEST: usize = 1 << 20;

/// Years that are taken for years.
const FARTHEST_YEAR: i64 = 1_000_000;

/// The year that BP counts from (AD 1950 is 0 BP).
const BEFORE_PRESENT: i64 = 1950;

const EXPECTED: &str =
    "expected a document of the Tree-Ring Data Standard (namespace http://www.tridas.org/1.2.2)";

/// Counts lines as they are read, and refuses pieces without end.
#[derive(Debug)]
struct Counted<R> {
    input: R,
    line: u64,
    since_tag: usize,
}

impl<R: BufRead> Read for Counted<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let taken = self.fill_buf()?.read(into)?;
        self.consume(taken);
        Ok(taken)
    }
}

impl<R: BufRead> BufRead for Counted<R> {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        if self.since_tag > LONGEST {
            let what = format!("no end of a tag or a text within {LONGEST} bytes");
            return Err(io::Error::new(io::ErrorKind::InvalidData, what));
        }
        self.input.fill_buf()
    }

    fn consume(&mut self, amount: usize) {
        if let Ok(bytes) = self.input.fill_buf() {
            let ends = bytes.iter().take(amount).filter(|b| **b == b'\n').count();
            self.line += ends as u64;
        }
        self.since_tag += amount;
        self.input.consume(amount);
    }
}

/// A measured series while it is read.
#[derive(Debug, Default)]
struct Found {
    name: String,
    line: u64,
    first: Option<(i64, Dating)>,
    last: Option<(i64, Dating)>,
    variable: String,
    unit: String,
    is_unitless: bool,
    values: Vec<(String, u64)>,
    /// Value groups that came before this one.
    groups: usize,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Dating {
    Calendar,
    Relative,
}

/// The stretches of one title on one radius.
#[derive(Debug)]
struct Parts {
    name: String,
    line: u64,
    dating: Dating,
    step: Step,
    pieces: Vec<(i32, Vec<Option<f64>>)>,
}

/// Everything that is kept while the document is read.
#[derive(Debug)]
struct State {
    path: Vec<String>,
    text: String,
    set: SeriesSet,
    place: Place,
    series: Option<Found>,
    on_radius: Vec<Parts>,
    faults: Faults,
}

/// Reads a document; `path` is named in faults.
///
/// # Errors
/// [`Error::BadData`] for each fault with its line, up to [`super::MOST_FAULTS`]; what the disk says.
///
/// # Memory
/// The widths read.
pub fn parse(input: impl BufRead, path: &Path) -> Result<SeriesSet, Vec<Error>> {
    let mut reader = Reader::from_reader(Counted {
        input,
        line: 1,
        since_tag: 0,
    });
    reader.config_mut().expand_empty_elements = true;
    let mut state = State {
        path: Vec::new(),
        text: String::new(),
        set: SeriesSet::default(),
        place: Place::default(),
        series: None,
        on_radius: Vec::new(),
        faults: Faults::new(path),
    };
    let mut buffer = Vec::new();
    loop {
        buffer.clear();
        reader.get_mut().since_tag = 0;
        let event = reader.read_event_into(&mut buffer);
        let event = event.map(Event::into_owned);
        let line = reader.get_mut().line;
        match event {
            Ok(Event::Start(tag)) => state.start(&tag, line),
            Ok(Event::End(_)) => state.end(line),
            Ok(Event::Text(text)) => state.text.push_str(&text.xml10_content()),
            Ok(Event::CData(text)) => state.text.push_str(&text.xml10_content()),
            Ok(Event::GeneralRef(name)) => state.reference(&name, line),
            Ok(Event::Eof) => {
                if let Some(open) = state.path.last() {
                    let what = format!("the document ends inside <{open}>");
                    state.faults.add(
                        line,
                        what,
                        "expected its end tag; the file may be cut short",
                    );
                }
                break;
            }
            Ok(_) => {}
            Err(refused) => {
                state
                    .faults
                    .add(line, format!("no well-formed XML: {refused}"), EXPECTED);
                break;
            }
        }
        if state.faults.is_full() {
            break;
        }
    }
    if state.set.series.is_empty() && state.faults.found.is_empty() {
        state
            .faults
            .add(0, "no measured ring widths in it", EXPECTED);
    }
    state.faults.or(state.set)
}

impl State {
    fn is_in(&self, above: &str) -> bool {
        self.path.iter().any(|name| name == above)
    }

    /// The element that the current one stands in.
    fn parent(&self) -> &str {
        let above = self.path.len().checked_sub(2);
        above
            .and_then(|i| self.path.get(i))
            .map_or("", String::as_str)
    }

    fn start(&mut self, tag: &BytesStart<'_>, line: u64) {
        let name = tag.local_name().as_ref().to_owned();
        if self.path.is_empty() && name != "tridas" && name != "project" {
            self.faults
                .add(line, format!("the document is a <{name}>"), EXPECTED);
        }
        self.text.clear();
        match name.as_str() {
            "element" => self.place = Place::default(),
            "sample" => {
                let Place { tree, species, .. } = std::mem::take(&mut self.place);
                self.place = Place {
                    tree,
                    species,
                    ..Place::default()
                };
            }
            "radius" => {
                self.place.radius = String::new();
                self.place.azimuth_deg = None;
                self.on_radius.clear();
            }
            "measurementSeries" => {
                self.series = Some(Found {
                    line,
                    ..Found::default()
                });
            }
            "derivedSeries" => {
                let words = "a derived series; passed over, only measured ones are read";
                self.set.remarks.push((line, words.to_owned()));
            }
            _ => {}
        }
        let attribute = |wanted: &str| -> Option<String> {
            let mut all = tag.attributes().flatten();
            let found = all.find(|a| a.key.local_name().as_ref() == wanted)?;
            let value = found.normalized_value(XmlVersion::Implicit1_0).ok()?;
            Some(value.into_owned())
        };
        if let Some(series) = &mut self.series {
            match name.as_str() {
                "values" => {
                    series.variable.clear();
                    series.unit.clear();
                    series.is_unitless = false;
                    series.values.clear();
                }
                "variable" => series.variable = attribute("normalTridas").unwrap_or_default(),
                "unit" => series.unit = attribute("normalTridas").unwrap_or_default(),
                "unitless" => series.is_unitless = true,
                "value" => match attribute("value") {
                    Some(value) => series.values.push((value, line)),
                    None => self.faults.add(
                        line,
                        "a <value> without its value",
                        "expected an attribute value=\"...\"",
                    ),
                },
                _ => {}
            }
            if matches!(name.as_str(), "firstYear" | "lastYear") {
                // Kept with the text, which comes later.
                self.path.push(format!(
                    "{name} {}",
                    attribute("suffix").unwrap_or_default()
                ));
                return;
            }
        }
        self.path.push(name);
    }

    fn reference(&mut self, name: &quick_xml::events::BytesRef<'_>, line: u64) {
        let known = match name.resolve_char_ref() {
            Ok(Some(sign)) => Some(sign),
            Ok(None) => match name.xml10_content().as_ref() {
                "lt" => Some('<'),
                "gt" => Some('>'),
                "amp" => Some('&'),
                "apos" => Some('\''),
                "quot" => Some('"'),
                _ => None,
            },
            Err(_) => None,
        };
        match known {
            Some(sign) => self.text.push(sign),
            None => self.faults.add(
                line,
                format!(
                    "&{};, an entity that XML doesn't have",
                    name.xml10_content()
                ),
                "expected plain text, or one of &amp; &lt; &gt; &quot; &apos;",
            ),
        }
    }

    fn end(&mut self, line: u64) {
        let text = std::mem::take(&mut self.text);
        let text = match text.trim() {
            NOT_STATED => String::new(),
            words => words.to_owned(),
        };
        let name = self.path.last().cloned().unwrap_or_default();
        let parent = self.parent().to_owned();
        match (parent.as_str(), name.as_str()) {
            ("project", "title") if self.set.title.is_empty() => self.set.title = text,
            ("element", "title") => self.place.tree = text,
            ("element", "taxon") => self.place.species = text,
            ("sample", "title") => self.place.specimen = text,
            ("radius", "title") => self.place.radius = text,
            ("radius", "azimuth") => {
                self.place.azimuth_deg = text.parse().ok().filter(|a: &f64| a.is_finite());
            }
            ("measurementSeries", "title") => {
                if let Some(series) = &mut self.series {
                    series.name = text;
                }
            }
            ("values", "variable" | "unit") => {
                if let Some(series) = &mut self.series {
                    let kept = if name == "unit" {
                        &mut series.unit
                    } else {
                        &mut series.variable
                    };
                    if kept.is_empty() {
                        *kept = text;
                    }
                }
            }
            ("measurementSeries", "values") => self.values(),
            (_, "measurementSeries") => {
                if let Some(series) = self.series.take()
                    && series.groups == 0
                {
                    let words = format!("the series {} has no values", series.name);
                    self.set.remarks.push((series.line, words));
                }
            }
            (_, "radius") if self.is_in("sample") => self.radius_ends(),
            (_, year) if year.starts_with("firstYear ") || year.starts_with("lastYear ") => {
                self.year(&name, &text, line);
            }
            _ => {}
        }
        self.path.pop();
    }

    /// Notes the first or last year of the series in hand.
    fn year(&mut self, name: &str, text: &str, line: u64) {
        let (which, suffix) = name.split_once(' ').unwrap_or((name, ""));
        let number = text
            .parse::<i64>()
            .ok()
            .filter(|y| y.abs() <= FARTHEST_YEAR);
        let year = number.and_then(|y| match suffix {
            "" | "AD" => Some((y, Dating::Calendar)),
            "BC" => Some((1 - y, Dating::Calendar)),
            "BP" => Some((BEFORE_PRESENT - y, Dating::Calendar)),
            "relative" => Some((y, Dating::Relative)),
            _ => None,
        });
        match (year, &mut self.series) {
            (Some(year), Some(series)) if which == "firstYear" => series.first = Some(year),
            (Some(year), Some(series)) => series.last = Some(year),
            (None, Some(_)) => self.faults.add(
                line,
                format!("{text:?} {suffix} for a year"),
                "expected a whole number with the suffix AD, BC, BP or relative",
            ),
            _ => {}
        }
    }

    /// Takes the values of the series in hand to its radius.
    fn values(&mut self) {
        let Some(series) = &mut self.series else {
            return;
        };
        series.groups += 1;
        let (name, line) = (series.name.clone(), series.line);
        let mut pass_over = |why: String| {
            let words = format!("values of the series {name} passed over: {why}");
            self.set.remarks.push((line, words));
        };
        if series.variable != "ring width" && !series.variable.is_empty() {
            return pass_over(format!("{}, no ring widths", series.variable));
        }
        if series.is_unitless {
            return pass_over("without a unit".into());
        }
        let Some(per_mm) = steps_per_mm(&series.unit) else {
            return pass_over(format!(
                "the unit {:?} is no length that is known",
                series.unit
            ));
        };
        if name.is_empty() {
            self.faults.add(
                line,
                "a series without a title",
                "expected <title> first in it",
            );
            return;
        }
        let mut widths = Vec::with_capacity(series.values.len());
        for (text, at) in &series.values {
            match text.trim().parse::<f64>() {
                Ok(v) if v.is_finite() && v >= 0.0 => widths.push(Some(v / per_mm)),
                _ => self.faults.add(
                    *at,
                    format!("{text:?} for a width in the series {name}"),
                    "expected a number from 0 up",
                ),
            }
        }
        let count = i64::from(super::years_in(widths.len()));
        let (first, dating) = match (series.first, series.last) {
            (Some((first, dating)), Some((last, _))) if last != first + count - 1 => {
                self.faults.add(
                    line,
                    format!("the series {name} has {count} values for the years {first} to {last}"),
                    format!("expected {}", (last - first).saturating_add(1)),
                );
                (first, dating)
            }
            (Some(first), _) => first,
            (None, Some((last, dating))) => (last - count + 1, dating),
            (None, None) => (1, Dating::Relative),
        };
        let piece = (i32::try_from(first).unwrap_or(0), widths);
        let step = if (per_mm - 1000.0).abs() < f64::EPSILON {
            Step::Thousandth
        } else {
            Step::of(&piece.1)
        };
        match self
            .on_radius
            .iter_mut()
            .find(|p| p.name == name && p.dating == dating)
        {
            Some(parts) => {
                parts.step = parts.step.max(step);
                parts.pieces.push(piece);
            }
            None => self.on_radius.push(Parts {
                name,
                line,
                dating,
                step,
                pieces: vec![piece],
            }),
        }
    }

    /// Makes series of the stretches of the radius that ends.
    fn radius_ends(&mut self) {
        for parts in std::mem::take(&mut self.on_radius) {
            match join(parts.pieces) {
                Ok((first_year, widths_mm)) => self.set.series.push(Measured {
                    series: Series {
                        name: parts.name,
                        first_year,
                        widths_mm,
                    },
                    is_dated: parts.dating == Dating::Calendar,
                    is_in_px: false,
                    step: parts.step,
                    place: self.place.clone(),
                }),
                Err(year) => self.faults.add(
                    parts.line,
                    format!(
                        "two series {} of one radius meet in the year {year}",
                        parts.name
                    ),
                    "expected each year once; give one of them another title",
                ),
            }
        }
    }
}

/// How many of a unit make a millimetre; the standard's words, and the usual short ones.
fn steps_per_mm(unit: &str) -> Option<f64> {
    Some(match unit.trim() {
        "micrometres" | "micrometre" | "\u{b5}m" | "\u{3bc}m" | "um" | "1/1000th millimetres" => {
            1000.0
        }
        "1/100th millimetres" | "1/100 mm" | "0.01 mm" => 100.0,
        "1/50th millimetres" => 50.0,
        "1/20th millimetres" => 20.0,
        "1/10th millimetres" | "1/10 mm" | "0.1 mm" => 10.0,
        "millimetres" | "millimetre" | "mm" => 1.0,
        "centimetres" | "centimetre" | "cm" => 0.1,
        "metres" | "metre" | "m" => 0.001,
        _ => return None,
    })
}
