//! The growth record as a table and as JSON.
//!
//! `growth.csv` is tidy: one row a ring and disc, RFC 4180, units in the column's names, fixed decimals,
//! what is unknown empty. The JSON is a [`GrowthRecord`] as it is.

use super::record::GrowthRecord;
use std::io::{self, Write};

/// The columns of `growth.csv`.
pub const COLUMNS: [&str; 18] = [
    "reading",
    "ring",
    "year",
    "confidence",
    "width_px",
    "width_mm",
    "radius_px",
    "radius_mm",
    "radius_share",
    "diameter_px",
    "diameter_mm",
    "area_increment_px2",
    "area_increment_mm2",
    "rings_per_inch",
    "local_trend_px",
    "width_over_trend",
    "growth_change_percent",
    "cropper_5",
];

/// Writes `growth.csv`.
#[derive(Debug)]
pub struct GrowthWriter<W: Write> {
    csv: csv::Writer<W>,
}

impl<W: Write> GrowthWriter<W> {
    /// Starts the table with its header.
    ///
    /// # Errors
    /// What `out` says on writing.
    pub fn new(out: W) -> io::Result<Self> {
        let mut csv = csv::Writer::from_writer(out);
        csv.write_record(COLUMNS)?;
        Ok(GrowthWriter { csv })
    }

    /// Adds the rings of a disc. `reading` is its path as given.
    ///
    /// # Errors
    /// What `out` says on writing.
    pub fn add(&mut self, reading: &str, record: &GrowthRecord) -> io::Result<()> {
        for ring in &record.rings {
            let row: [String; 18] = [
                reading.to_owned(),
                ring.number.to_string(),
                ring.year.map_or(String::new(), |year| year.to_string()),
                format!("{:.3}", ring.confidence),
                fixed(ring.width_px, 3),
                fixed(ring.width_mm, 4),
                fixed(Some(ring.radius_px), 3),
                fixed(ring.radius_mm, 4),
                fixed(Some(ring.radius_share), 5),
                fixed(Some(2.0 * ring.radius_px), 3),
                fixed(ring.radius_mm.map(|radius| 2.0 * radius), 4),
                fixed(ring.area_px2, 1),
                fixed(ring.area_mm2, 3),
                fixed(ring.rings_per_inch(), 3),
                fixed(ring.trend_px, 3),
                fixed(ring.index, 4),
                fixed(ring.change_percent, 2),
                fixed(ring.cropper_5, 4),
            ];
            self.csv.write_record(&row)?;
        }
        Ok(())
    }

    /// Ends the table and gives back what it was written into.
    ///
    /// # Errors
    /// What `out` says on writing the last of it.
    pub fn finish(self) -> io::Result<W> {
        self.csv.into_inner().map_err(|error| error.into_error())
    }
}

/// Fixed decimals without a minus zero; what is unknown is empty.
fn fixed(value: Option<f64>, decimals: usize) -> String {
    let Some(value) = value.filter(|value| value.is_finite()) else {
        return String::new();
    };
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.to_owned(),
        _ => text,
    }
}

/// Years that several discs share, as CSV: a row a year, pointer years named.
///
/// # Errors
/// None but of the writer.
pub fn pointer_years_csv(years: &[super::pointer::YearOfDiscs]) -> io::Result<Vec<u8>> {
    use super::pointer::Pointer;
    let mut csv = csv::Writer::from_writer(Vec::new());
    csv.write_record([
        "year",
        "discs",
        "rose",
        "fell",
        "mean_change_percent",
        "mean_cropper_5",
        "pointer",
    ])?;
    for year in years {
        let pointer = match year.pointer {
            Some(Pointer::Wide) => "wide",
            Some(Pointer::Narrow) => "narrow",
            None => "",
        };
        csv.write_record([
            year.year.to_string(),
            year.discs.to_string(),
            year.rose.to_string(),
            year.fell.to_string(),
            fixed(Some(year.mean_change_percent), 2),
            fixed(year.mean_cropper_5, 4),
            pointer.to_owned(),
        ])?;
    }
    csv.into_inner().map_err(|error| error.into_error())
}
