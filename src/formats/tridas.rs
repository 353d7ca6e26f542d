//! Tree-Ring Data Standard 1.2.2, XML (Jansma, Brewer and Zandhuis 2010, Dendrochronologia 28: 99-130).
//!
//! A project holds objects (here: places), these elements (trees), these samples (discs), these radii,
//! and a radius its measured series. Inside each the order of the parts is fixed; words come from the
//! standard's own list (`normalTridas`) wherever it has one.
//!
//! How a series is written: widths as whole numbers of 0.001 mm ("micrometres") or 0.01 mm ("1/100th
//! millimetres"); an absent ring as 0 with the remark "missing ring"; a series with unknown widths
//! inside as one measured series for each stretch, all of one title. Years from 0 down are written
//! BC (astronomical year y is 1 - y BC); a series that is not dated has years with the suffix
//! "relative". What must be there and isn't known reads "not stated".
//!
//! How it is read (`parse`): ring widths of measured series in any of the standard's length units.
//! Other variables, series without a unit and derived series are passed over with a remark. Titles
//! that say "not stated" are taken as not told.
//!
//! Limits: the order of elements and the words are those of the standard's published field list; the
//! schema file itself was not at hand to validate against.

use super::{Measured, SeriesSet, Step, stretches};
use quick_xml::escape::escape;
use std::borrow::Cow;
use std::io::{self, Write};

pub use super::tridas_read::parse;

/// The namespace.
pub const NAMESPACE: &str = "http://www.tridas.org/1.2.2";

/// What stands where the standard asks for something that isn't known.
pub const NOT_STATED: &str = "not stated";

/// The project: what all series have in common.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Project {
    /// Title. Each empty text is written as [`NOT_STATED`].
    pub title: String,
    /// Who measured.
    pub investigator: String,
    /// When.
    pub period: String,
    /// Anything else; left out where empty.
    pub comments: String,
}

/// A tree.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Tree {
    /// Title.
    pub title: String,
    /// Species, best in Latin.
    pub taxon: String,
    /// Elevation above sea level, m.
    pub altitude_m: Option<f64>,
    /// Latitude and longitude, degrees, north and east positive.
    pub place_deg: Option<(f64, f64)>,
}

/// Whether parts of the wood are there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Presence {
    /// All of it.
    Complete,
    /// A part of it.
    Incomplete,
    /// None.
    Absent,
    /// Not known.
    Unknown,
}

impl Presence {
    fn word(self) -> &'static str {
        match self {
            Presence::Complete => "complete",
            Presence::Incomplete => "incomplete",
            Presence::Absent => "absent",
            Presence::Unknown => "unknown",
        }
    }
}

/// How whole the wood is along a radius.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Wholeness {
    /// The pith.
    pub pith: Presence,
    /// The bark; [`Presence::Incomplete`] is written as present.
    pub bark: Presence,
}

impl Wholeness {
    /// Nothing is known.
    pub const UNKNOWN: Self = Wholeness {
        pith: Presence::Unknown,
        bark: Presence::Unknown,
    };
}

/// How the widths were measured, in the standard's words.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// On a picture.
    Onscreen,
    /// Not known: a word of our own, the standard has none.
    Unknown,
}

/// Writes a set of series as one document. Neighbouring series of one tree, disc and radius share
/// their elements.
///
/// # Errors
/// [`io::ErrorKind::InvalidInput`] for a negative width; what `out` says on writing.
pub fn write(out: &mut impl Write, set: &SeriesSet) -> io::Result<()> {
    open(
        out,
        &Project {
            title: set.title.clone(),
            ..Project::default()
        },
    )?;
    open_object(out, &set.title)?;
    let mut before: Option<&Measured> = None;
    for measured in &set.series {
        let place = &measured.place;
        let same = |tell: fn(&super::Place) -> &String| {
            before.is_some_and(|b| tell(&b.place) == tell(place) && !tell(place).is_empty())
        };
        let tree =
            same(|p| &p.tree) && before.is_some_and(|b| b.place.species == measured.place.species);
        let disc = tree && same(|p| &p.specimen);
        if before.is_some() && !disc {
            close_sample(out)?;
        }
        if before.is_some() && !tree {
            close_tree(out)?;
        }
        if !tree {
            open_tree(
                out,
                &Tree {
                    title: place.tree.clone(),
                    taxon: place.species.clone(),
                    ..Tree::default()
                },
            )?;
        }
        if !disc {
            open_sample(out, &place.specimen)?;
        }
        radius(
            out,
            &place.radius,
            place.azimuth_deg,
            Wholeness::UNKNOWN,
            Method::Unknown,
            &[measured],
        )?;
        before = Some(measured);
    }
    if before.is_some() {
        close_sample(out)?;
        close_tree(out)?;
    }
    close_object(out)?;
    close(out)
}

/// Begins the document and its project.
///
/// # Errors
/// What `out` says on writing.
pub fn open(out: &mut impl Write, project: &Project) -> io::Result<()> {
    writeln!(out, r#"<?xml version="1.0" encoding="UTF-8"?>"#)?;
    writeln!(out, r#"<tridas xmlns="{NAMESPACE}">"#)?;
    writeln!(out, "<project>")?;
    title(out, &project.title)?;
    if !project.comments.is_empty() {
        writeln!(out, "<comments>{}</comments>", text(&project.comments))?;
    }
    writeln!(out, "<type>ring widths</type>")?;
    writeln!(
        out,
        "<laboratory><name>{NOT_STATED}</name><address/></laboratory>"
    )?;
    writeln!(out, "<category>ring widths</category>")?;
    let investigator = stated(&project.investigator);
    writeln!(out, "<investigator>{investigator}</investigator>")?;
    writeln!(out, "<period>{}</period>", stated(&project.period))
}

/// Begins an object: a place.
///
/// # Errors
/// What `out` says on writing.
pub fn open_object(out: &mut impl Write, place: &str) -> io::Result<()> {
    writeln!(out, "<object>")?;
    title(out, place)?;
    writeln!(out, "<type>site</type>")
}

/// Begins an element: a tree.
///
/// # Errors
/// What `out` says on writing.
pub fn open_tree(out: &mut impl Write, tree: &Tree) -> io::Result<()> {
    writeln!(out, "<element>")?;
    title(out, &tree.title)?;
    writeln!(out, "<taxon>{}</taxon>", stated(&tree.taxon))?;
    if let Some(altitude) = tree.altitude_m {
        writeln!(out, "<altitude>{altitude}</altitude>")?;
    }
    if let Some((latitude, longitude)) = tree.place_deg {
        for (name, degrees) in [("latitude_deg", latitude), ("longitude_deg", longitude)] {
            writeln!(
                out,
                r#"<genericField name="{name}" type="xs:double">{degrees}</genericField>"#
            )?;
        }
    }
    Ok(())
}

/// Begins a sample: a disc.
///
/// # Errors
/// What `out` says on writing.
pub fn open_sample(out: &mut impl Write, disc: &str) -> io::Result<()> {
    writeln!(out, "<sample>")?;
    title(out, disc)?;
    writeln!(out, "<type>section</type>")
}

/// Writes a radius with its measured series.
///
/// # Errors
/// [`io::ErrorKind::InvalidInput`] for a negative width; what `out` says on writing.
pub fn radius(
    out: &mut impl Write,
    name: &str,
    azimuth_deg: Option<f64>,
    whole: Wholeness,
    method: Method,
    measured: &[&Measured],
) -> io::Result<()> {
    writeln!(out, "<radius>")?;
    title(out, name)?;
    if let Some(azimuth) = azimuth_deg {
        writeln!(out, "<azimuth>{azimuth}</azimuth>")?;
    }
    for one in measured {
        let first = one.series.first_year;
        for (at, widths_mm) in stretches(&one.series.widths_mm) {
            let year = first.saturating_add(super::years_in(at));
            stretch(out, one, year, &widths_mm, whole, method)?;
        }
    }
    writeln!(out, "</radius>")
}

/// Writes one measured series without unknown widths.
fn stretch(
    out: &mut impl Write,
    one: &Measured,
    first_year: i32,
    widths_mm: &[f64],
    whole: Wholeness,
    method: Method,
) -> io::Result<()> {
    writeln!(out, "<measurementSeries>")?;
    title(out, &one.series.name)?;
    let bark = match whole.bark {
        Presence::Complete | Presence::Incomplete => "present",
        other => other.word(),
    };
    writeln!(
        out,
        r#"<woodCompleteness><ringCount>{}</ringCount><pith presence="{}"/><heartwood presence="unknown"/><sapwood presence="unknown"/><bark presence="{bark}"/></woodCompleteness>"#,
        widths_mm.len(),
        whole.pith.word(),
    )?;
    match method {
        Method::Onscreen => writeln!(
            out,
            r#"<measuringMethod normalTridas="onscreen measuring"/>"#
        )?,
        Method::Unknown => writeln!(out, "<measuringMethod>{NOT_STATED}</measuringMethod>")?,
    }
    let last_year = first_year.saturating_add(super::years_in(widths_mm.len()) - 1);
    let (first, last) = (
        dated(first_year, one.is_dated),
        dated(last_year, one.is_dated),
    );
    writeln!(
        out,
        r#"<interpretation><firstYear suffix="{}">{}</firstYear><lastYear suffix="{}">{}</lastYear></interpretation>"#,
        first.0, first.1, last.0, last.1
    )?;
    let unit = match one.step {
        Step::Hundredth => "1/100th millimetres",
        Step::Thousandth => "micrometres",
    };
    writeln!(
        out,
        r#"<values><variable normalTridas="ring width"/><unit normalTridas="{unit}"/>"#
    )?;
    for width in widths_mm {
        let steps = one.step.in_steps(*width);
        if !(0.0..=1e9).contains(&steps) {
            let what = format!("the width {width} mm of {} is none", one.series.name);
            return Err(io::Error::new(io::ErrorKind::InvalidInput, what));
        }
        if steps == 0.0 {
            writeln!(
                out,
                r#"<value value="0"><remark normalTridas="missing ring"/></value>"#
            )?;
        } else {
            writeln!(out, r#"<value value="{steps}"/>"#)?;
        }
    }
    writeln!(out, "</values>")?;
    writeln!(out, "</measurementSeries>")
}

/// Ends a sample.
///
/// # Errors
/// What `out` says on writing.
pub fn close_sample(out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "</sample>")
}

/// Ends an element.
///
/// # Errors
/// What `out` says on writing.
pub fn close_tree(out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "</element>")
}

/// Ends an object.
///
/// # Errors
/// What `out` says on writing.
pub fn close_object(out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "</object>")
}

/// Ends the project and the document.
///
/// # Errors
/// What `out` says on writing.
pub fn close(out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "</project>")?;
    writeln!(out, "</tridas>")
}

fn title(out: &mut impl Write, name: &str) -> io::Result<()> {
    writeln!(out, "<title>{}</title>", stated(name))
}

/// A year as suffix and number: T-5.5, astronomical year y <= 0 is 1 - y BC.
fn dated(year: i32, is_dated: bool) -> (&'static str, i64) {
    let year = i64::from(year);
    match (is_dated, year > 0) {
        (false, _) => ("relative", year),
        (true, true) => ("AD", year),
        (true, false) => ("BC", 1 - year),
    }
}

fn stated(words: &str) -> Cow<'_, str> {
    if words.trim().is_empty() {
        NOT_STATED.into()
    } else {
        text(words)
    }
}

/// The text as XML 1.0 may hold it: its own signs escaped, control signs, which it has no way to
/// write, as the sign for what can't be shown.
fn text(words: &str) -> Cow<'_, str> {
    let has_no_place = |c: char| {
        (c.is_control() && !matches!(c, '\t' | '\n')) || matches!(c, '\u{fffe}' | '\u{ffff}')
    };
    if words.contains(has_no_place) {
        let kept: String = words
            .chars()
            .map(|c| if has_no_place(c) { '\u{fffd}' } else { c })
            .collect();
        return escape(kept).into_owned().into();
    }
    escape(words)
}
