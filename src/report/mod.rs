//! Pages of readings: one for each disc, one for the folder.
//!
//! A page is a self-contained HTML file ([`crate::page`]) made of a reading, its growth record and,
//! where it lies beside the reading, its overlay. It is complete without its script, which only
//! names the ring under the pointer, and prints on two A4 or Letter pages. Every text of a file or a
//! reading is escaped. Lengths are in the unit asked for where the reading has a scale; else they are
//! pixels and shares of the radius, and the page says so.

pub mod charts;
pub mod find;
mod folder;
pub mod lengths;
mod picture;
mod sections;
mod wood;

pub use folder::{Entry, folder_page};

use crate::error::Error;
use crate::growth::{GrowthRecord, Rules};
use crate::heartwood::Heartwood;
use crate::page::{Extras, whole_with};
use crate::reading::Reading;
use crate::settings::LengthUnit;
use crate::timber::{Lines, Softwood};
use crate::weather::Finding;
use lengths::Shown;
use maud::{Markup, html};
use std::path::Path;

const EXTRAS: Extras = Extras {
    style: include_str!("report.css"),
    script: include_str!("report.js"),
};

/// All that a disc's page is made of.
#[derive(Debug, Clone, Copy)]
pub struct Disc<'a> {
    /// The reading.
    pub reading: &'a Reading,
    /// Its growth record.
    pub record: &'a GrowthRecord,
    /// The rules that the record was made by.
    pub rules: &'a Rules,
    /// Bytes of the overlay, where it is there.
    pub overlay: Option<&'a [u8]>,
    /// Where the overlay is, or should be.
    pub overlay_path: &'a Path,
    /// Unit asked for.
    pub unit: LengthUnit,
    /// What was found beside the rings.
    pub beside: &'a Beside,
}

/// What the user gave besides the reading, and what was found with it. By default nothing.
#[derive(Debug, Clone, Default)]
pub struct Beside {
    /// Heartwood: `None` where the photo wasn't at hand, `Some(None)` where none is to be seen.
    pub heartwood: Option<Option<Heartwood>>,
    /// Correlations with the weather.
    pub weather: Option<Finding>,
    /// Gaps of the weather table, in words.
    pub weather_gaps: Vec<String>,
    /// Lines of the grading rules.
    pub lines: Option<Lines>,
    /// The softwood that the rules ask for.
    pub softwood: Option<Softwood>,
    /// Share of latewood along the three inches, and where it is from.
    pub latewood: Option<(f64, LatewoodFrom)>,
}

/// Where the share of latewood is from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LatewoodFrom {
    /// The user measured it.
    Given,
    /// It was measured in the photo.
    Photo,
}

/// The page of one disc.
///
/// # Errors
/// [`Error::Fault`] of the drawing library or the JPEG writer. An overlay that can't be used is no
/// error: the page says what is wrong with it.
pub fn disc_page(disc: &Disc<'_>) -> Result<String, Error> {
    let shown = Shown::of(disc.unit, disc.record.mm_per_px);
    let counted = disc.reading.is_counted();
    let body = html! {
        (sections::facts(disc, shown))
        (sections::caution())
        div.sides {
            div {
                (sections::face(disc, shown)?)
                (sections::label(disc, shown))
            }
            div {
                (sections::notes(disc.reading))
                (sections::shape(disc, shown))
                (sections::thirds(disc, shown))
                (wood::heartwood(disc, shown))
                (sections::origin(disc))
            }
        }
        @if counted {
            (sections::fast_and_slow(disc, shown))
            (sections::growth_charts(disc, shown)?)
            (sections::sizes(disc, shown))
            (wood::timber(disc, shown))
            (wood::weather(disc)?)
        }
        @if counted {
            (sections::every_ring(disc, shown))
            (told_line())
        }
    };
    Ok(whole_with(&disc.reading.subject(), &body, EXTRAS))
}

/// The line in which the script names the ring under the pointer; not there without the script.
fn told_line() -> Markup {
    html! {
        output.told.on-screen aria-live="polite" hidden
            data-hint="Point at a ring in the picture or a chart, or step through a chart with the arrow keys." {}
    }
}
