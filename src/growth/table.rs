//! The growth record as a table and as JSON.
//!
//! `growth.csv` is tidy: one row a ring and disc, RFC 4180, units in the column's names, fixed decimals,
//! what is unknown empty; so are the tables of what is found beside the rings. The JSON is a [`GrowthRecord`] as it is.

use super::record::GrowthRecord;
use crate::heartwood::Heartwood;
use crate::timber::Lines;
use crate::weather::Finding;
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

/// Writes `sapwood.csv`: a row a disc whose photo was looked at; cells are empty where no heartwood is
/// to be seen.
#[derive(Debug)]
pub struct SapwoodWriter<W: Write> {
    csv: csv::Writer<W>,
}

impl<W: Write> SapwoodWriter<W> {
    /// Starts the table with its header.
    ///
    /// # Errors
    /// What `out` says on writing.
    pub fn new(out: W) -> io::Result<Self> {
        let mut csv = csv::Writer::from_writer(out);
        csv.write_record([
            "reading",
            "is_seen",
            "sapwood_rings",
            "sapwood_rings_low",
            "sapwood_rings_high",
            "sapwood_width_px",
            "sapwood_width_mm",
            "heartwood_share_of_face",
            "edge_share_of_radius",
        ])?;
        Ok(SapwoodWriter { csv })
    }

    /// Adds a disc.
    ///
    /// # Errors
    /// What `out` says on writing.
    pub fn add(&mut self, reading: &str, heart: Option<&Heartwood>) -> io::Result<()> {
        let count = |rings: Option<usize>| rings.map_or(String::new(), |n| n.to_string());
        self.csv.write_record([
            reading.to_owned(),
            heart.is_some().to_string(),
            fixed(heart.map(|h| h.sapwood_rings), 2),
            count(heart.map(|h| h.sapwood_rings_low)),
            count(heart.map(|h| h.sapwood_rings_high)),
            fixed(heart.map(|h| h.sapwood_width_px), 2),
            fixed(heart.and_then(|h| h.sapwood_width_mm), 3),
            fixed(heart.map(|h| h.heartwood_share), 4),
            fixed(heart.map(|h| h.edge_share), 4),
        ])?;
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

/// Writes `weather-correlations.csv`: a row a disc, column and months.
#[derive(Debug)]
pub struct CorrelationWriter<W: Write> {
    csv: csv::Writer<W>,
}

impl<W: Write> CorrelationWriter<W> {
    /// Starts the table with its header. `tried` is the number of correlations of the disc, `holds`
    /// whether the interval leaves out zero when allowed for them.
    ///
    /// # Errors
    /// What `out` says on writing.
    pub fn new(out: W) -> io::Result<Self> {
        let mut csv = csv::Writer::from_writer(out);
        csv.write_record([
            "reading", "column", "months", "years", "r", "low_95", "high_95", "tried", "holds",
        ])?;
        Ok(CorrelationWriter { csv })
    }

    /// Adds what was found of a disc.
    ///
    /// # Errors
    /// What `out` says on writing.
    pub fn add(&mut self, reading: &str, found: &Finding) -> io::Result<()> {
        for c in &found.correlations {
            self.csv.write_record([
                reading.to_owned(),
                c.column.clone(),
                c.window.clone(),
                c.years.to_string(),
                fixed(c.r, 4),
                fixed(c.interval.map(|i| i.0), 4),
                fixed(c.interval.map(|i| i.1), 4),
                found.tried.to_string(),
                c.holds.to_string(),
            ])?;
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

/// Writes `grading-lines.csv`: a row a disc and line.
#[derive(Debug)]
pub struct LinesWriter<W: Write> {
    csv: csv::Writer<W>,
}

impl<W: Write> LinesWriter<W> {
    /// Starts the table with its header.
    ///
    /// # Errors
    /// What `out` says on writing.
    pub fn new(out: W) -> io::Result<Self> {
        let mut csv = csv::Writer::from_writer(out);
        csv.write_record([
            "reading",
            "line",
            "azimuth_deg",
            "from_mm",
            "to_mm",
            "rings",
            "rings_per_inch",
            "mean_ring_mm",
            "mean_ring_with_cut_mm",
            "latewood_share",
        ])?;
        Ok(LinesWriter { csv })
    }

    /// Adds the lines of a disc; `latewood_share` is that of the three inches, and the mean ring with
    /// the one cut at 25 mm counted that of the line beyond it.
    ///
    /// # Errors
    /// What `out` says on writing.
    pub fn add(
        &mut self,
        reading: &str,
        lines: &Lines,
        latewood_share: Option<f64>,
    ) -> io::Result<()> {
        for (name, line, with_cut, latewood) in [
            ("three inches", &lines.three_inches, None, latewood_share),
            (
                "beyond 25 mm",
                &lines.beyond_25_mm,
                lines.beyond_25_mm_with_cut,
                None,
            ),
            ("25 to 100 mm", &lines.from_25_to_100_mm, None, None),
        ] {
            let Some(line) = line else { continue };
            self.csv.write_record([
                reading.to_owned(),
                name.to_owned(),
                fixed(Some(line.azimuth_deg), 0),
                fixed(Some(line.from_mm), 3),
                fixed(Some(line.to_mm), 3),
                line.rings.to_string(),
                fixed(Some(line.rings_per_inch()), 3),
                fixed(Some(line.mean_ring_mm()), 4),
                fixed(with_cut, 4),
                fixed(latewood, 4),
            ])?;
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
