//! A folder of discs counted twice: a table with a row a photo, the worst first, and how well the
//! counts agree, with the plot and a page to print.
//!
//! What is held against what is [`one_sheet`](super::one_sheet)'s and
//! [`two_sheets`](super::two_sheets)'s; here it is put together and written.

use super::agreement::{self, Agreement, Pair};
use super::{checking, page};
use crate::error::Error;
use std::path::Path;

/// What a folder's two counts are, and what its files are called.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Kind {
    /// The page's title.
    pub title: &'static str,
    /// The two counts, as the plot and the table for the eye name them.
    pub counts: [&'static str; 2],
    /// File name of the table with one row a photo, the worst first.
    pub table: &'static str,
    /// File name of the page.
    pub page: &'static str,
    /// File name of the plot of differences.
    pub plot: &'static str,
}

impl Kind {
    /// The head of the table for the eye.
    pub fn head(&self) -> [&'static str; 6] {
        let [first, second] = self.counts;
        ["photo", first, second, "difference", "outcome", "where"]
    }
}

/// A row for the eye, in words: photo, both counts, difference, outcome and where they part.
pub type Line = [String; 6];

/// A folder, compared.
#[derive(Debug)]
pub struct Folder {
    /// What is held against what.
    pub kind: Kind,
    /// Where the counts are from, a sentence each; for the page.
    pub sources: Vec<String>,
    /// The table's rows of cells, its header first.
    pub table: Vec<Vec<String>>,
    /// The rows for the eye, in the same order.
    pub lines: Vec<Line>,
    /// How many photos were compared.
    pub compared: usize,
    /// The totals of the discs that have both.
    pub pairs: Vec<Pair>,
}

impl Folder {
    /// How well the counts agree; `None` without a disc that has both.
    pub fn agreement(&self) -> Option<Agreement> {
        agreement::of(&self.pairs)
    }

    /// Writes table, plot and page; gives their names. Without a disc that has both counts there is no
    /// plot.
    ///
    /// # Errors
    /// [`Error::Unwritable`], and faults of the writers.
    pub fn write(&self, out: &Path) -> Result<Vec<&'static str>, Error> {
        let Kind {
            table, page, plot, ..
        } = self.kind;
        let agreement = self.agreement();
        let drawing = agreement
            .as_ref()
            .map(|agreement| agreement::plot(&self.pairs, agreement, self.kind.counts))
            .transpose()?;
        let mut written = vec![table, page];
        checking::put(&out.join(table), &self.csv()?)?;
        if let Some(drawing) = &drawing {
            checking::put(&out.join(plot), drawing.svg().as_bytes())?;
            written.push(plot);
        }
        let html = page::of_folder(self, agreement.as_ref(), drawing.as_ref());
        checking::put(&out.join(page), html.as_bytes())?;
        Ok(written)
    }

    fn csv(&self) -> Result<Vec<u8>, Error> {
        let fault = |refused: &dyn std::fmt::Display| Error::Fault {
            path: self.kind.table.into(),
            what: refused.to_string(),
        };
        let mut csv = csv::Writer::from_writer(Vec::new());
        for row in &self.table {
            csv.write_record(row).map_err(|e| fault(&e))?;
        }
        csv.into_inner().map_err(|e| fault(&e))
    }
}

/// One photo of a folder.
#[derive(Debug)]
pub struct Entry<R> {
    /// The photo as the sheets name it.
    pub photo: String,
    /// Its record, or why there is none.
    pub result: Result<R, String>,
}

/// Sorts the worst first: by the rank of a record, then by name; photos that failed last.
pub(super) fn worst_first<R>(entries: &mut [Entry<R>], rank: impl Fn(&R) -> (u8, i64, f64)) {
    let rank = |entry: &Entry<R>| match &entry.result {
        Err(_) => (u8::MAX, 0, 0.0),
        Ok(record) => rank(record),
    };
    entries.sort_by(|a, b| {
        let (ka, kb) = (rank(a), rank(b));
        (ka.0, ka.1)
            .cmp(&(kb.0, kb.1))
            .then(ka.2.total_cmp(&kb.2))
            .then_with(|| a.photo.cmp(&b.photo))
    });
}

/// A row of the table: the photo, what `fill` takes from the record, or in the last cell why there is
/// none.
pub(super) fn cells<R, const N: usize>(
    entry: &Entry<R>,
    fill: impl FnOnce(&R, &mut [String; N]),
) -> [String; N] {
    let mut cells = std::array::from_fn(|_| String::new());
    match &entry.result {
        Ok(record) => fill(record, &mut cells),
        Err(reason) => cells[N - 1].clone_from(reason),
    }
    cells[0].clone_from(&entry.photo);
    cells
}

/// A number, or nothing.
pub(super) fn number(n: Option<u32>) -> String {
    n.map_or(String::new(), |n| n.to_string())
}

/// A cell for the eye: a stroke where there is nothing.
pub(super) fn shown(text: &str) -> String {
    if text.is_empty() { "-" } else { text }.into()
}
