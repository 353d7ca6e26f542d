//! The printable pages of double-checks: what was said, the table, the pictures.

use super::agreement::Agreement;
use super::record::Record;
use super::two_counts::TwoStretch;
use super::two_written::{Side, TwoRecord};
use super::words;
use crate::page::{data_uri, whole};
use crate::settings::LengthUnit;
use maud::{Markup, PreEscaped, html};

/// A picture of a stretch for the page.
#[derive(Debug, Clone)]
pub struct Shown {
    /// What it shows.
    pub caption: String,
    /// The bytes of its JPEG file.
    pub jpeg: Vec<u8>,
}

/// What others decide, and what a reader should do first.
const CAUTION: &str =
    "Settle a difference on the wood itself. The count is an aid; a grader or an arborist decides.";

/// The page of one disc.
pub fn of_record(record: &Record, pictures: &[Shown], unit: LengthUnit) -> String {
    let counted = |text: &Option<String>| text.clone().unwrap_or_else(|| "not told".into());
    let hand = record.hand.total;
    let body = html! {
        dl.facts {
            div { dt { "Your count" } dd { (hand.map_or("-".into(), |n| n.to_string())) } }
            div { dt { "My count" } dd { (record.reading.rings) " (" (record.reading.low) "-" (record.reading.high) ")" } }
            div { dt { "Outcome" } dd { (record.outcome.name()) } }
            div { dt { "Counted by" } dd { (counted(&record.hand.counted_by)) } }
            div { dt { "Counted on" } dd { (counted(&record.hand.counted_on)) } }
        }
        h2 { "What came out" }
        ul { @for said in &record.sentences { li { (said) } } }
        @if !record.left_out.is_empty() {
            h2 { "Left out" }
            ul { @for told in &record.left_out { li { (told) } } }
        }
        @if !record.comparison.stretches.is_empty() {
            h2 { "Stretch by stretch" }
            div.scroll { (table(record, unit)) }
        }
        (figures(pictures))
        p.caution { (CAUTION) }
        p.dim { "Photo " (record.photo.file) ", SHA-256 " (record.photo.sha256) "; read by " (record.reading.program.name) " " (record.reading.program.version) "." }
    };
    whole(&format!("Double-check of {}", record.photo.file), &body)
}

fn figures(pictures: &[Shown]) -> Markup {
    html! {
        @for picture in pictures {
            figure {
                img src=(data_uri("image/jpeg", &picture.jpeg)) alt=(picture.caption) style="max-width:100%";
                figcaption { (picture.caption) }
            }
        }
    }
}

/// The page of two counts of one disc.
pub fn of_two(record: &TwoRecord, pictures: &[Shown]) -> String {
    let two = &record.two;
    let total = |rings: Option<u32>| rings.map_or("-".into(), |n| n.to_string());
    let outcome = if record.parts() {
        "they part"
    } else {
        "they agree"
    };
    let body = html! {
        dl.facts {
            div { dt { "First count" } dd { (total(two.first_total)) } }
            div { dt { "Second count" } dd { (total(two.second_total)) } }
            div { dt { "Outcome" } dd { (outcome) } }
        }
        ul {
            li { "First: " (side(&record.first)) }
            li { "Second: " (side(&record.second)) }
        }
        h2 { "What came out" }
        ul { @for said in &record.sentences { li { (said) } } }
        @if !record.left_out.is_empty() {
            h2 { "Left out" }
            ul { @for told in &record.left_out { li { (told) } } }
        }
        @if !two.stretches.is_empty() {
            h2 { "Stretch by stretch" }
            div.scroll { (two_table(&two.stretches)) }
        }
        (figures(pictures))
        p.caution { (CAUTION) }
        p.dim { "Compared by " (record.program.name) " " (record.program.version) ". Which of the two is right can't be said from them alone." }
    };
    whole("Two counts of one disc", &body)
}

fn side(side: &Side) -> String {
    let mut text = side.name.clone();
    if let Some(on) = &side.counted_on {
        text.push_str(&format!(", counted on {on}"));
    }
    if let Some(program) = &side.read_by {
        text.push_str(&format!(", read by {} {}", program.name, program.version));
    }
    if let Some(photo) = &side.photo {
        text.push_str(&format!("; photo {}, SHA-256 {}", photo.file, photo.sha256));
    }
    text
}

fn two_table(stretches: &[TwoStretch]) -> Markup {
    let tenth = |n: Option<f64>| n.map_or("-".to_owned(), |n| format!("{n:.1}"));
    html! {
        table {
            thead { tr { th { "Stretch of the first" } th.n { "First" } th.n { "Second" } th.n { "Difference" } th { "Finding" } } }
            tbody {
                @for stretch in stretches {
                    tr {
                        td { @if stretch.from_ring == 0 { "pith" } @else { (stretch.from_ring) } "-" (stretch.to_ring) }
                        td.n { (stretch.to_ring - stretch.from_ring) }
                        td.n { (tenth(stretch.second_rings)) }
                        td.n { (stretch.difference.map_or("-".to_owned(), |d| format!("{d:+.1}").replace("-0.0", "0.0").replace("+0.0", "0.0"))) }
                        td { @if stretch.parts() { "parts" } @else if stretch.difference.is_some() { "agrees" } @else { "no mark" } }
                    }
                }
            }
        }
    }
}

fn table(record: &Record, unit: LengthUnit) -> Markup {
    let comparison = &record.comparison;
    let length = |mm: Option<f64>| mm.map_or("-".to_owned(), |mm| words::shown(mm, unit));
    let number = |n: Option<String>| n.unwrap_or_else(|| "-".into());
    html! {
        table {
            thead { tr {
                th { "Stretch" } th.n { "Yours" } th.n { "Mine" } th.n { "Band" } th.n { "Sure" }
                th.n { "You right" } th { "Finding" } th.n { "Diameter at mark" } th.n { "Mine at that ring" }
            } }
            tbody {
                @for stretch in &comparison.stretches {
                    @let mark = comparison.marks.iter().find(|m| m.ring == stretch.to_ring && !stretch.ends_at_edge);
                    tr {
                        td { (words::name(stretch)) }
                        td.n { (stretch.hand_rings) }
                        td.n { (number(stretch.reading_rings.map(|n| n.to_string()))) }
                        td.n { (number(stretch.band.map(|(a, b)| format!("{a}-{b}")))) }
                        td.n { (stretch.sure_rings) }
                        td.n { (number(stretch.hand_right.map(|p| format!("{:.0} %", 100.0 * p)))) }
                        td { (stretch.finding.name()) }
                        td.n { (length(mark.and_then(|m| m.diameter_mm))) }
                        td.n { (length(mark.and_then(|m| m.reading_diameter_mm))) }
                    }
                }
            }
        }
    }
}

/// A row of the folder's page.
#[derive(Debug, Clone)]
pub struct Line {
    /// Photo, hand, reading, difference, outcome and what is to be said.
    pub cells: [String; 6],
}

/// The page of a folder: totals, plot, the worst first.
pub fn of_folder(agreement: Option<&Agreement>, plot_svg: Option<&str>, lines: &[Line]) -> String {
    let body = html! {
        @if let Some(agreement) = agreement {
            ul { @for said in agreement.words() { li { (said) } } }
        }
        @if let Some(svg) = plot_svg {
            // Drawn by the program from numbers and its own words alone.
            figure.chart { (PreEscaped(svg)) }
        }
        div.scroll { table {
            thead { tr { th { "Photo" } th.n { "Hand" } th.n { "Reading" } th.n { "Difference" } th { "Outcome" } th { "Where" } } }
            tbody { @for line in lines { tr {
                @for (i, cell) in line.cells.iter().enumerate() {
                    @if (1..=3).contains(&i) { td.n { (cell) } } @else { td { (cell) } }
                }
            } } }
        } }
        p.caution { (CAUTION) }
    };
    whole("Hand counts against readings", &body)
}
