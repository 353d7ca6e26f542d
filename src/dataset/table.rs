//! Tables: one definition of a column serves the CSV file, the Parquet file and the description.

use std::borrow::Cow;
use std::fmt::Write as _;
use std::io;
use std::sync::Arc;

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// Words.
    Text,
    /// A whole number.
    Whole,
    /// A number with so many decimals.
    Real(u8),
    /// `true` or `false`.
    YesNo,
}

/// One column.
#[derive(Debug, Clone)]
pub(super) struct Column {
    pub(super) name: Cow<'static, str>,
    pub(super) kind: Kind,
    /// Unit, empty where it has none.
    pub(super) unit: &'static str,
    pub(super) about: Cow<'static, str>,
    /// Whether every row has it.
    pub(super) is_required: bool,
    /// The words it may hold; empty: any.
    pub(super) words: &'static [&'static str],
}

impl Column {
    pub(super) const fn new(
        name: &'static str,
        kind: Kind,
        unit: &'static str,
        about: &'static str,
    ) -> Self {
        Column {
            name: Cow::Borrowed(name),
            kind,
            unit,
            about: Cow::Borrowed(about),
            is_required: false,
            words: &[],
        }
    }

    pub(super) const fn required(mut self) -> Self {
        self.is_required = true;
        self
    }

    pub(super) const fn one_of(mut self, words: &'static [&'static str]) -> Self {
        self.words = words;
        self
    }
}

/// One cell of a row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Cell<'a> {
    /// Not known.
    Empty,
    Text(&'a str),
    Whole(i64),
    Real(f64),
    YesNo(bool),
}

impl<'a> Cell<'a> {
    /// Words; empty ones are none.
    pub(super) fn text(words: &'a str) -> Self {
        if words.is_empty() {
            Cell::Empty
        } else {
            Cell::Text(words)
        }
    }

    pub(super) fn whole(number: Option<impl Into<i64>>) -> Self {
        number.map_or(Cell::Empty, |n| Cell::Whole(n.into()))
    }

    pub(super) fn real(number: Option<f64>) -> Self {
        number.map_or(Cell::Empty, Cell::Real)
    }
}

/// A number as the tables have it: to so many decimals, a negative zero as zero.
pub(super) fn rounded(value: f64, decimals: u8) -> f64 {
    let factor = 10_f64.powi(i32::from(decimals));
    (value * factor).round() / factor + 0.0
}

/// Writes a number that is rounded to so many decimals with all of them.
fn fixed(text: &mut String, number: f64, decimals: u8) {
    let units = (number * 10_f64.powi(i32::from(decimals))).round();
    let places = usize::from(decimals);
    if units.abs() < 9e15 {
        // Whole numbers are written several times faster than fractions, and a table has millions.
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "whole, from 0 to 9e15"
        )]
        let units = units.abs() as u64;
        let (whole, rest) = (
            units / 10_u64.pow(decimals.into()),
            units % 10_u64.pow(decimals.into()),
        );
        let sign = if number < 0.0 && units > 0 { "-" } else { "" };
        // Writing into a string can't fail.
        let _ = match places {
            0 => write!(text, "{sign}{whole}"),
            _ => write!(text, "{sign}{whole}.{rest:0places$}"),
        };
    } else {
        let _ = write!(text, "{number:.places$}");
    }
}

/// Values of one column, for Parquet; one `is_there` a row, a value for each that is.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Values {
    Text(Vec<Arc<str>>),
    Whole(Vec<i64>),
    Real(Vec<f64>),
    YesNo(Vec<bool>),
}

/// One column of some rows: whether each row has a value, and the values of those that have.
pub(super) type ColumnOf = (Vec<bool>, Values);

/// Rows that are made: as CSV without a header, by column, and how many.
#[derive(Debug)]
pub(super) struct Finished {
    pub(super) csv: Vec<u8>,
    pub(super) columns: Vec<ColumnOf>,
    pub(super) count: usize,
}

/// Rows of a table in the making: as CSV and, where Parquet is written, by column.
#[derive(Debug)]
pub(super) struct Rows {
    csv: csv::Writer<Vec<u8>>,
    columns: Vec<ColumnOf>,
    decimals: Vec<u8>,
    scratch: String,
    count: usize,
}

impl Rows {
    pub(super) fn new(columns: &[Column]) -> Self {
        let values = |column: &Column| match column.kind {
            Kind::Text => Values::Text(Vec::new()),
            Kind::Whole => Values::Whole(Vec::new()),
            Kind::Real(_) => Values::Real(Vec::new()),
            Kind::YesNo => Values::YesNo(Vec::new()),
        };
        let decimals = |column: &Column| match column.kind {
            Kind::Real(decimals) => decimals,
            _ => 0,
        };
        Rows {
            csv: csv::Writer::from_writer(Vec::new()),
            columns: columns.iter().map(|c| (Vec::new(), values(c))).collect(),
            decimals: columns.iter().map(decimals).collect(),
            scratch: String::new(),
            count: 0,
        }
    }

    /// Adds a row with a cell for each column.
    pub(super) fn push(&mut self, row: &[Cell<'_>]) -> io::Result<()> {
        debug_assert_eq!(row.len(), self.columns.len());
        for ((cell, (is_there, values)), decimals) in
            row.iter().zip(&mut self.columns).zip(&self.decimals)
        {
            self.scratch.clear();
            is_there.push(*cell != Cell::Empty);
            match (*cell, values) {
                (Cell::Text(words), Values::Text(values)) => {
                    // Neighbouring rows mostly have the same words.
                    let same = values.last().filter(|last| last.as_ref() == words);
                    let shared = same.map_or_else(|| Arc::from(words), Arc::clone);
                    values.push(shared);
                    self.scratch.push_str(words);
                }
                (Cell::Whole(number), Values::Whole(values)) => {
                    values.push(number);
                    // Writing into a string can't fail.
                    let _ = write!(self.scratch, "{number}");
                }
                (Cell::Real(number), Values::Real(values)) => {
                    let number = rounded(number, *decimals);
                    values.push(number);
                    fixed(&mut self.scratch, number, *decimals);
                }
                (Cell::YesNo(answer), Values::YesNo(values)) => {
                    values.push(answer);
                    self.scratch.push_str(if answer { "true" } else { "false" });
                }
                (Cell::Empty, _) => {}
                (_, _) => return Err(io::Error::other("a cell of another kind than its column")),
            }
            self.csv.write_field(&self.scratch)?;
        }
        self.csv.write_record(None::<&[u8]>)?;
        self.count += 1;
        Ok(())
    }

    /// The rows.
    pub(super) fn finish(self) -> io::Result<Finished> {
        let csv = self.csv.into_inner().map_err(|e| e.into_error())?;
        Ok(Finished {
            csv,
            columns: self.columns,
            count: self.count,
        })
    }
}

/// The header line.
pub(super) fn header(columns: &[Column]) -> io::Result<Vec<u8>> {
    let mut csv = csv::Writer::from_writer(Vec::new());
    csv.write_record(columns.iter().map(|column| column.name.as_ref()))?;
    csv.into_inner().map_err(|e| e.into_error())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fixed_numbers_are_written_as_the_formatter_writes_them() {
        for decimals in [0, 1, 3, 4, 8] {
            for n in -2000..2000 {
                let number = rounded(f64::from(n) * 0.012_345_678_9, decimals);
                let mut text = String::new();
                fixed(&mut text, number, decimals);
                let places = usize::from(decimals);
                assert_eq!(text, format!("{number:.places$}"));
            }
        }
        let mut text = String::new();
        fixed(&mut text, 1e300, 1);
        assert_eq!(text, format!("{:.1}", 1e300));
    }

    #[test]
    fn cells_are_written_with_their_decimals_and_empty_where_unknown() {
        let columns = [
            Column::new("a", Kind::Text, "", ""),
            Column::new("b", Kind::Real(3), "mm", ""),
            Column::new("c", Kind::Whole, "", ""),
            Column::new("d", Kind::YesNo, "", ""),
        ];
        let mut rows = Rows::new(&columns);
        rows.push(&[
            Cell::text("x, \"y\""),
            Cell::Real(-0.00001),
            Cell::Whole(-7),
            Cell::YesNo(true),
        ])
        .unwrap();
        rows.push(&[
            Cell::text(""),
            Cell::real(None),
            Cell::whole(None::<i32>),
            Cell::Empty,
        ])
        .unwrap();
        let Finished {
            csv,
            columns: values,
            ..
        } = rows.finish().unwrap();
        assert_eq!(
            String::from_utf8(csv).unwrap(),
            "\"x, \"\"y\"\"\",0.000,-7,true\n,,,\n"
        );
        assert_eq!(values[2], (vec![true, false], Values::Whole(vec![-7])));
        assert_eq!(header(&columns).unwrap(), b"a,b,c,d\n");
    }
}
