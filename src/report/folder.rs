//! The page of a folder: its discs side by side, and the years that they share.

use super::lengths::{Shown, number};
use super::{Disc, EXTRAS, picture};
use crate::chart::{DataInk, Line, LineChart, Mark, Shape, Stroke};
use crate::error::Error;
use crate::growth::pointer::{self, Pointer, YearOfDiscs};
use crate::growth::{GrowthRecord, MM_PER_INCH};
use crate::page::whole_with;
use crate::reading::Reading;
use crate::settings::LengthUnit;
use crate::tables::{mean_diameter_px, note_code};
use maud::{Markup, html};
use std::fmt::Write as _;

/// One disc of the folder, or what failed in its place.
#[derive(Debug, Clone)]
pub struct Entry {
    link: String,
    row: Markup,
    failed: bool,
}

impl Entry {
    /// A disc and the place of its page relative to the folder's, with `/` between folders.
    ///
    /// # Errors
    /// [`Error::Fault`] of the JPEG writer.
    pub fn disc(disc: &Disc<'_>, page: &str) -> Result<Self, Error> {
        let Disc {
            reading, record, ..
        } = disc;
        let shown = Shown::of(disc.unit, record.mm_per_px);
        let small = match disc
            .overlay
            .map(|bytes| picture::open(bytes, reading, disc.overlay_path))
        {
            Some(Ok(opened)) => picture::small(&opened, reading)?,
            _ => html! {},
        };
        let px = mean_diameter_px(reading).or(record.rings.last().map(|ring| 2.0 * ring.radius_px));
        let mm = px.zip(record.mm_per_px).map(|(px, mm)| px * mm);
        let widths: Vec<f64> = record
            .rings
            .iter()
            .filter_map(|ring| shown.value(ring.width_px, ring.width_mm))
            .collect();
        let mean = (!widths.is_empty()).then(|| widths.iter().sum::<f64>() / widths.len() as f64);
        let per_inch = match shown {
            Shown::Mm => mean.map(|mm| MM_PER_INCH / mm),
            Shown::In => mean.map(|inches| 1.0 / inches),
            Shown::Px => None,
        };
        let years = record
            .rings
            .first()
            .and_then(|ring| ring.year)
            .zip(record.rings.last().and_then(|ring| ring.year));
        let age = &reading.age;
        let link = relative_link(page);
        let row = html! {
            td { (small) }
            th scope="row" { a href=(link) { (reading.subject()) } }
            @if reading.is_counted() {
                td.n { @if !age.complete { "≥ " } (age.rings) }
                td.n { (age.low) " to " (age.high) }
            } @else {
                td.n { "none" } td.n { "–" }
            }
            td.y { @if let Some((first, last)) = years { (first) " to " (last) } @else { "–" } }
            td.n { (shown.size(px, mm)) " " (shown.sign()) }
            td.n { (number(mean, if shown == Shown::In { 3 } else { 2 })) " " (shown.sign()) }
            td.n { (number(per_inch, 1)) }
            td { (notes(reading)) }
        };
        Ok(Entry {
            link,
            row,
            failed: false,
        })
    }

    /// A reading that has no page, with the reason.
    pub fn failed(path: &str, reason: &str) -> Self {
        let row = html! {
            td {} th scope="row" { (path) } td colspan="7" { (reason) }
        };
        Entry {
            link: String::new(),
            row,
            failed: true,
        }
    }

    /// The link to the disc's page; empty where it failed.
    pub fn link(&self) -> &str {
        &self.link
    }
}

/// The page of a folder. `records` are those of the discs that have one.
///
/// # Errors
/// [`Error::Fault`] of the drawing library.
pub fn folder_page(
    title: &str,
    entries: &[Entry],
    records: &[GrowthRecord],
    unit: LengthUnit,
) -> Result<String, Error> {
    let failed = entries.iter().filter(|entry| entry.failed).count();
    let done = entries.len() - failed;
    let sign = if unit == LengthUnit::In {
        "inches"
    } else {
        "mm"
    };
    let body = html! {
        p {
            (done) @if done == 1 { " disc" } @else { " discs" }
            @if failed > 0 { ", " (failed) " without a page" }
            ". Lengths in " (sign) " where the reading has a scale, else in pixels. Each name leads to the page of its disc."
        }
        (super::sections::caution())
        div.scroll { table {
            thead { tr {
                th { span.dim { "picture" } } th { "photo" } th.n { "rings" } th.n { "band" } th { "years" }
                th.n { "mean diameter" } th.n { "mean ring" } th.n { "rings per inch" } th { "notes" }
            } }
            tbody { @for entry in entries { tr { (entry.row) } } }
        } }
        (pointer_years(&pointer::years(records))?)
    };
    Ok(whole_with(title, &body, EXTRAS))
}

fn pointer_years(years: &[YearOfDiscs]) -> Result<Markup, Error> {
    if years.is_empty() {
        return Ok(html! {
            section aria-labelledby="pointer" {
                h2 id="pointer" { "Pointer years" }
                p { "Not told: fewer than " (pointer::FEWEST_DISCS) " discs share dated years. Give endgrain count the year of the last ring." }
            }
        });
    }
    let found: Vec<&YearOfDiscs> = years.iter().filter(|year| year.pointer.is_some()).collect();
    let chart = LineChart {
        height: 420,
        x_label: "year".to_owned(),
        y_label: "mean change, %".to_owned(),
        lines: vec![Line {
            name: "change of ring width from the year before, mean of the discs".to_owned(),
            points: points(years),
            ink: DataInk::First,
            stroke: Stroke::Solid,
        }],
        marks: found
            .iter()
            .map(|year| Mark {
                x: f64::from(year.year),
                y: year.mean_change_percent,
                shape: if year.pointer == Some(Pointer::Wide) {
                    Shape::Up
                } else {
                    Shape::Down
                },
                label: String::new(),
            })
            .collect(),
        marks_names: vec![
            (Shape::Up, "wide".to_owned()),
            (Shape::Down, "narrow".to_owned()),
        ],
        ..LineChart::default()
    };
    Ok(html! {
        section.charts aria-labelledby="pointer" {
            h2 id="pointer" { "Pointer years" }
            p {
                "Years in which at least " (number(Some(100.0 * pointer::LEAST_SHARE), 0)) " % of the discs, and at least "
                (pointer::FEWEST_DISCS) ", changed by at least " (number(Some(100.0 * pointer::LEAST_CHANGE), 0))
                " % in the same direction (Becker and others 1994). Few discs agree by chance, two discs of one tree are not two trees, and one disc dated a year off spoils its years."
            }
            figure {
                (chart.draw()?.inline("changes", "Line chart of the mean change of ring width from year to year. Pointer years are in the table below.", &[]))
            }
            @if found.is_empty() {
                p { "None of the " (years.len()) " years looked at." }
            } @else {
                div.scroll { table {
                    thead { tr {
                        th.n { "year" } th { "rings" } th.n { "discs" } th.n { "grew more" } th.n { "grew less" }
                        th.n { "mean change, %" } th.n { "mean C (5 years)" }
                    } }
                    tbody { @for year in &found { tr {
                        th.n scope="row" { (year.year) }
                        td { @if year.pointer == Some(Pointer::Wide) { "wide" } @else { "narrow" } }
                        td.n { (year.discs) } td.n { (year.rose) } td.n { (year.fell) }
                        td.n { (number(Some(year.mean_change_percent), 0)) }
                        td.n { (number(year.mean_cropper_5, 2)) }
                    } } }
                } }
                p.dim { "C: width less the mean of the five years about it, over their standard deviation (n − 1), Cropper 1979; it can't pass 1.79." }
            }
        }
    })
}

/// The names of the notes, in words; the disc's page has their sentences.
fn notes(reading: &Reading) -> String {
    let names: Vec<String> = reading
        .notes
        .iter()
        .map(|note| note_code(note.code).replace('-', " "))
        .collect();
    names.join(", ")
}

/// The mean changes with a gap where years are missing between them.
fn points(years: &[YearOfDiscs]) -> Vec<(f64, Option<f64>)> {
    let mut points = Vec::new();
    for (at, year) in years.iter().enumerate() {
        if at > 0 && years[at - 1].year + 1 != year.year {
            points.push((f64::from(year.year - 1), None));
        }
        points.push((f64::from(year.year), Some(year.mean_change_percent)));
    }
    points
}

/// A path as a relative link: every byte that could mean something else is percent-encoded (RFC
/// 3986), and `./` before it keeps a colon in a name from making a scheme of it.
fn relative_link(page: &str) -> String {
    let mut link = String::from("./");
    for byte in page.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte) {
            link.push(char::from(byte));
        } else {
            let _ = write!(link, "%{byte:02X}");
        }
    }
    link
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn links_can_only_lead_to_files() {
        assert_eq!(
            relative_link("javascript:alert(1).report.html"),
            "./javascript%3Aalert%281%29.report.html"
        );
        assert_eq!(
            relative_link("a b/ü\"#?.html"),
            "./a%20b/%C3%BC%22%23%3F.html"
        );
    }
}
