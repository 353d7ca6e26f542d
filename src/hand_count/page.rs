//! The printable pages of double-checks: what was said, the table, the pictures.

use super::agreement::Agreement;
use super::folder::Folder;
use super::record::Record;
use super::two_counts::TwoStretch;
use super::two_written::{Side, TwoRecord};
use super::words;
use crate::chart::Drawing;
use crate::page::{data_uri, whole};
use crate::settings::LengthUnit;
use maud::{Markup, html};

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
    let body = html! {
        dl.facts {
            div { dt { "First count" } dd { (total(two.first_total)) } }
            div { dt { "Second count" } dd { (total(two.second_total)) } }
            div { dt { "Outcome" } dd { (record.outcome.name()) } }
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
                        td { (stretch.name()) }
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

/// The page of a folder: totals, plot, the worst first.
pub fn of_folder(folder: &Folder, agreement: Option<&Agreement>, plot: Option<&Drawing>) -> String {
    let [first, second] = folder.kind.counts;
    let body = html! {
        @if !folder.sources.is_empty() {
            ul { @for source in &folder.sources { li { (source) } } }
        }
        @if let Some(agreement) = agreement {
            h2 { "How well they agree" }
            ul { @for said in agreement.words() { li { (said) } } }
        }
        @if let Some(plot) = plot {
            figure {
                (plot.inline("agreement", "The differences of both counts over their means.", &[]))
                figcaption {
                    "Difference over mean, a dot a disc (" (first) " less " (second)
                    "). The limits suppose that differences don't grow with the count: look whether the dots spread toward the right. After Bland and Altman 1986, Lancet 1: 307-310."
                }
            }
        }
        h2 { "Disc by disc, the worst first" }
        div.scroll { table {
            thead { tr {
                @for (i, name) in folder.kind.head().into_iter().enumerate() {
                    th.n[is_number(i)] { (capital(name)) }
                }
            } }
            tbody { @for line in &folder.lines { tr {
                @for (i, cell) in line.iter().enumerate() {
                    td.n[is_number(i)] { (cell) }
                }
            } } }
        } }
        p.caution { (CAUTION) }
        p.dim { "Compared by endgrain " (env!("CARGO_PKG_VERSION")) "." }
    };
    whole(folder.kind.title, &body)
}

/// Whether a column of a folder's table holds numbers: both counts and their difference.
fn is_number(column: usize) -> bool {
    (1..=3).contains(&column)
}

fn capital(word: &str) -> String {
    let mut signs = word.chars();
    signs.next().map_or(String::new(), |first| {
        first.to_uppercase().chain(signs).collect()
    })
}
