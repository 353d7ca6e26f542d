//! A folder of hand counts: a row a photo, the worst first, and how well the counts agree.

use super::agreement::{self, Agreement, Pair};
use super::comparing::Finding;
use super::page::Line;
use super::record::Record;
use super::words;
use crate::error::Error;
use std::path::Path;

/// File name of the table with one row a photo, the worst first.
pub const TABLE: &str = "hand-counts.csv";
/// File name of the plot of differences.
pub const PLOT: &str = "agreement.svg";
/// File name of the folder's page.
pub const PAGE: &str = "hand-counts.html";

/// One photo of the folder.
#[derive(Debug)]
pub struct Entry {
    /// The photo as the sheet names it.
    pub photo: String,
    /// Its record, or why there is none.
    pub result: Result<Record, String>,
}

/// Sorts the worst first: counts that differ, then doubtful ones, then those that agree, each by how
/// far the totals are apart; photos that failed last.
pub fn sort(entries: &mut [Entry]) {
    let rank = |entry: &Entry| match &entry.result {
        Err(_) => (4, 0, 0.0),
        Ok(record) => {
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
        }
    };
    entries.sort_by(|a, b| {
        let (ka, kb) = (rank(a), rank(b));
        (ka.0, ka.1)
            .cmp(&(kb.0, kb.1))
            .then(ka.2.total_cmp(&kb.2))
            .then_with(|| a.photo.cmp(&b.photo))
    });
}

/// Pairs of totals, for the limits of agreement: of complete readings only, since an "at least" is no
/// count.
pub fn pairs(entries: &[Entry]) -> Vec<Pair> {
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

/// The table, CSV: a header and a row a photo in the order given.
///
/// # Errors
/// [`Error::Fault`] where the CSV writer refuses.
pub fn table(entries: &[Entry]) -> Result<Vec<u8>, Error> {
    let fault = |refused: &dyn std::fmt::Display| Error::Fault {
        path: TABLE.into(),
        what: refused.to_string(),
    };
    let mut csv = csv::Writer::from_writer(Vec::new());
    csv.write_record([
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
    ])
    .map_err(|e| fault(&e))?;
    for entry in entries {
        csv.write_record(cells(entry)).map_err(|e| fault(&e))?;
    }
    csv.into_inner().map_err(|e| fault(&e))
}

fn cells(entry: &Entry) -> [String; 15] {
    let mut cells: [String; 15] = std::array::from_fn(|_| String::new());
    cells[0].clone_from(&entry.photo);
    let record = match &entry.result {
        Ok(record) => record,
        Err(reason) => {
            cells[14].clone_from(reason);
            return cells;
        }
    };
    let number = |n: Option<u32>| n.map_or(String::new(), |n| n.to_string());
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
    cells
}

/// The lines of the folder's page and of the table for the eye.
pub fn lines(entries: &[Entry]) -> Vec<Line> {
    entries
        .iter()
        .map(|entry| {
            let cells = cells(entry);
            let [
                photo,
                hand,
                reading,
                low,
                high,
                difference,
                outcome,
                stretch,
                ..,
            ] = cells.clone();
            let shown = |text: String| if text.is_empty() { "-".into() } else { text };
            let band = match (low.as_str(), high.as_str()) {
                ("", _) => String::new(),
                (low, "") => format!(" (at least {low})"),
                (low, high) => format!(" ({low}-{high})"),
            };
            let place = match (&entry.result, stretch.is_empty()) {
                (Err(reason), _) => reason.clone(),
                (Ok(_), true) => "-".into(),
                (Ok(_), false) => {
                    format!(
                        "{stretch}: {} for {} rings",
                        shown(cells[9].clone()),
                        cells[8]
                    )
                }
            };
            let outcome = if outcome.is_empty() {
                "failed".into()
            } else {
                outcome
            };
            Line {
                cells: [
                    photo,
                    shown(hand),
                    format!("{}{band}", shown(reading)),
                    shown(difference),
                    outcome,
                    place,
                ],
            }
        })
        .collect()
}

/// Writes table, plot and page of a folder; gives how well the counts agree, where there are any.
///
/// # Errors
/// [`Error::Unwritable`], and faults of the writers.
pub fn write(entries: &[Entry], out: &Path) -> Result<Option<Agreement>, Error> {
    let pairs = pairs(entries);
    let agreement = agreement::of(&pairs);
    let svg = match &agreement {
        Some(agreement) => Some(agreement::plot(&pairs, agreement, ("hand", "reading"))?),
        None => None,
    };
    super::checking::put(&out.join(TABLE), &table(entries)?)?;
    if let Some(svg) = &svg {
        super::checking::put(&out.join(PLOT), svg.as_bytes())?;
    }
    let page = super::page::of_folder(agreement.as_ref(), svg.as_deref(), &lines(entries));
    super::checking::put(&out.join(PAGE), page.as_bytes())?;
    Ok(agreement)
}
