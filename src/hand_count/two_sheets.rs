//! Two sheets of hand counts against each other, by two people say: a row a photo, the worst first.

use super::agreement::Pair;
use super::folder::{self, Folder, Kind, Line, number, shown, worst_first};
use super::sheet::{Row, Sheet};
use super::two_counts::TwoOutcome;
use super::two_written::TwoRecord;
use crate::error::Error;
use std::collections::{HashMap, HashSet};

/// Two hand counts of each disc.
pub const KIND: Kind = Kind {
    title: "Two hand counts of each disc",
    counts: ["first count", "second count"],
    table: "two-counts.csv",
    page: "two-counts.html",
    plot: "two-counts-agreement.svg",
};

/// The rows of one photo in both sheets.
#[derive(Debug)]
pub struct Couple {
    /// The row of the first sheet.
    pub first: Row,
    /// The row of the second.
    pub second: Row,
}

/// Brings the rows of two sheets together, in the order of the first; also gives each photo that only
/// one of them has, with the sentence about it.
pub fn couples(first: Sheet, second: Sheet) -> (Vec<Couple>, Vec<(String, Error)>) {
    let in_first: HashSet<String> = first.rows.iter().map(|row| row.photo.clone()).collect();
    let alone = |row: &Row, other: (&std::path::Path, &HashSet<String>)| {
        let sheet = other.0.display();
        let fault = if other.1.contains(&row.photo) {
            let what = format!("{} has a row in {sheet} that can't be used", row.photo);
            row.origin.fault(what, "correct that row")
        } else {
            let what = format!("{} isn't in {sheet}", row.photo);
            row.origin.fault(what, "name photos alike in both sheets")
        };
        (row.photo.clone(), fault)
    };
    let mut faults = Vec::new();
    for row in second.rows.iter().filter(|r| !in_first.contains(&r.photo)) {
        faults.push(alone(row, (&first.path, &first.refused)));
    }
    let rows = second.rows.into_iter();
    let mut by_photo: HashMap<String, Row> = rows.map(|row| (row.photo.clone(), row)).collect();
    let mut couples = Vec::new();
    let mut of_first = Vec::new();
    for row in first.rows {
        match by_photo.remove(&row.photo) {
            Some(second) => couples.push(Couple { first: row, second }),
            None => of_first.push(alone(&row, (&second.path, &second.refused))),
        }
    }
    of_first.extend(faults);
    (couples, of_first)
}

/// One photo of the two sheets.
pub type Entry = folder::Entry<TwoRecord>;

/// The folder of these photos, the worst first; `sources` says where the counts are from.
pub fn folder(mut entries: Vec<Entry>, sources: Vec<String>) -> Folder {
    sort(&mut entries);
    let cells: Vec<_> = entries.iter().map(cells).collect();
    Folder {
        kind: KIND,
        sources,
        lines: entries.iter().zip(&cells).map(line).collect(),
        table: std::iter::once(HEADER.map(str::to_owned))
            .chain(cells)
            .map(Vec::from)
            .collect(),
        compared: entries.iter().filter(|entry| entry.result.is_ok()).count(),
        pairs: entries.iter().filter_map(pair).collect(),
    }
}

fn pair(entry: &Entry) -> Option<Pair> {
    let two = &entry.result.as_ref().ok()?.two;
    let (first, second) = two.first_total.zip(two.second_total)?;
    Some(Pair {
        hand: f64::from(first),
        reading: f64::from(second),
    })
}

/// Sorts the worst first: counts that part by how far their totals are, then their stretches; then
/// those that agree, those that can't be compared, and photos that failed.
fn sort(entries: &mut [Entry]) {
    worst_first(entries, |record| {
        let rank = match record.outcome {
            TwoOutcome::Part => 0,
            TwoOutcome::Agree => 1,
            TwoOutcome::NotCompared => 2,
        };
        let off = record.two.difference().map_or(0, i64::abs);
        let parting = record.two.parting();
        let stretch = parting.first().and_then(|s| s.difference);
        (rank, -off, -stretch.map_or(0.0, f64::abs))
    });
}

const HEADER: [&str; 14] = [
    "photo",
    "first_rings",
    "second_rings",
    "difference",
    "outcome",
    "stretch",
    "stretch_first_rings",
    "stretch_second_rings",
    "first_counted_by",
    "first_counted_on",
    "second_counted_by",
    "second_counted_on",
    "sha256",
    "error",
];

fn cells(entry: &Entry) -> [String; 14] {
    folder::cells(entry, |record, cells| {
        cells[1] = number(record.two.first_total);
        cells[2] = number(record.two.second_total);
        let off = record.two.difference();
        cells[3] = off.map_or(String::new(), |off| off.to_string());
        cells[4] = record.outcome.name().into();
        if let Some(stretch) = record.two.parting().first() {
            cells[5] = stretch.name();
            cells[6] = (stretch.to_ring - stretch.from_ring).to_string();
            cells[7] = stretch
                .second_rings
                .map_or(String::new(), |n| format!("{n:.1}"));
        }
        cells[8].clone_from(&record.first.name);
        cells[9] = record.first.counted_on.clone().unwrap_or_default();
        cells[10].clone_from(&record.second.name);
        cells[11] = record.second.counted_on.clone().unwrap_or_default();
        if let Some(photo) = &record.first.photo {
            cells[12].clone_from(&photo.sha256);
        }
        cells[13] = record.left_out.join(" | ");
    })
}

fn line((entry, cells): (&Entry, &[String; 14])) -> Line {
    let [photo, first, second, difference, outcome, ..] = cells;
    let (outcome, place) = match &entry.result {
        Err(reason) => ("failed".into(), reason.clone()),
        Ok(record) => {
            let parting = record.two.parting();
            let places = parting.iter().map(|stretch| {
                format!(
                    "{}: {} and {:.1} rings",
                    stretch.name(),
                    stretch.to_ring - stretch.from_ring,
                    stretch.second_rings.unwrap_or_default()
                )
            });
            let places: Vec<String> = places.collect();
            let place = match places.join("; ") {
                places if places.is_empty() => shown(""),
                places => format!("in {places}"),
            };
            (outcome.clone(), place)
        }
    };
    [
        photo.clone(),
        shown(first),
        shown(second),
        shown(difference),
        outcome,
        place,
    ]
}
