//! A sheet of hand counts against readings: a row a photo, the worst first.

use super::agreement::Pair;
use super::comparing::Finding;
use super::folder::{self, Folder, Kind, Line, number, shown, worst_first};
use super::record::Record;
use super::words;

/// Hand counts against readings.
pub const KIND: Kind = Kind {
    title: "Hand counts against readings",
    counts: ["hand", "reading"],
    table: "hand-counts.csv",
    page: "hand-counts.html",
    plot: "agreement.svg",
};

/// One photo of the folder.
pub type Entry = folder::Entry<Record>;

/// The folder of these photos, the worst first.
pub fn folder(mut entries: Vec<Entry>) -> Folder {
    sort(&mut entries);
    let cells: Vec<_> = entries.iter().map(cells).collect();
    Folder {
        kind: KIND,
        sources: Vec::new(),
        lines: entries.iter().zip(&cells).map(line).collect(),
        table: std::iter::once(HEADER.map(str::to_owned))
            .chain(cells)
            .map(Vec::from)
            .collect(),
        compared: entries.iter().filter(|entry| entry.result.is_ok()).count(),
        pairs: pairs(&entries),
    }
}

/// Sorts the worst first: counts that differ, then doubtful ones, then those that agree, each by how
/// far the totals are apart; photos that failed last.
fn sort(entries: &mut [Entry]) {
    worst_first(entries, |record| {
        let rank = match record.outcome {
            Finding::Differs => 0,
            Finding::WithinDoubt => 1,
            Finding::Agrees => 2,
            Finding::NotRead => 3,
        };
        let off = record.comparison.total.map_or(0, |t| t.difference.abs());
        let right = record
            .comparison
            .first_suspect()
            .and_then(|s| s.hand_right)
            .unwrap_or(1.0);
        (rank, -off, right)
    });
}

/// Pairs of totals, for the limits of agreement: of complete readings only, since an "at least" is no
/// count.
fn pairs(entries: &[Entry]) -> Vec<Pair> {
    entries
        .iter()
        .filter_map(|entry| entry.result.as_ref().ok()?.comparison.total)
        .filter(|total| total.high.is_some())
        .map(|total| Pair {
            hand: f64::from(total.hand),
            reading: f64::from(total.reading),
        })
        .collect()
}

const HEADER: [&str; 15] = [
    "photo",
    "hand_rings",
    "reading_rings",
    "reading_low",
    "reading_high",
    "difference",
    "outcome",
    "stretch",
    "stretch_hand_rings",
    "stretch_reading_rings",
    "stretch_hand_right",
    "counted_by",
    "counted_on",
    "sha256",
    "error",
];

fn cells(entry: &Entry) -> [String; 15] {
    folder::cells(entry, |record, cells| {
        cells[1] = number(record.hand.total);
        if record.reading.rings > 0 {
            cells[2] = record.reading.rings.to_string();
            cells[3] = record.reading.low.to_string();
            let has_high = record.comparison.total.is_none_or(|t| t.high.is_some());
            cells[4] = number(Some(record.reading.high).filter(|_| has_high));
        }
        cells[5] = record
            .comparison
            .total
            .map_or(String::new(), |t| t.difference.to_string());
        cells[6] = record.outcome.name().into();
        if let Some(stretch) = record.comparison.first_suspect() {
            cells[7] = words::name(stretch);
            cells[8] = stretch.hand_rings.to_string();
            cells[9] = number(stretch.reading_rings);
            cells[10] = stretch
                .hand_right
                .map_or(String::new(), |p| format!("{p:.3}"));
        }
        cells[11] = record.hand.counted_by.clone().unwrap_or_default();
        cells[12] = record.hand.counted_on.clone().unwrap_or_default();
        cells[13].clone_from(&record.photo.sha256);
        cells[14] = record.left_out.join(" | ");
    })
}

fn line((entry, cells): (&Entry, &[String; 15])) -> Line {
    let [
        photo,
        hand,
        reading,
        low,
        high,
        difference,
        outcome,
        stretch,
        stretch_hand,
        stretch_reading,
        ..,
    ] = cells;
    let band = match (low.as_str(), high.as_str()) {
        ("", _) => String::new(),
        (low, "") => format!(" (at least {low})"),
        (low, high) => format!(" ({low}-{high})"),
    };
    let place = match &entry.result {
        Err(reason) => reason.clone(),
        Ok(_) if stretch.is_empty() => shown(""),
        Ok(_) => format!(
            "in {stretch}: {} for {stretch_hand} rings",
            shown(stretch_reading)
        ),
    };
    [
        photo.clone(),
        shown(hand),
        format!("{}{band}", shown(reading)),
        shown(difference),
        if entry.result.is_ok() {
            outcome.clone()
        } else {
            "failed".into()
        },
        place,
    ]
}
