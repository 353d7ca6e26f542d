//! The tables of a chronology, as CSV.
//!
//! Plain RFC 4180 with a header; units are in the columns' names, the decimal sign is a dot, decimals
//! are fixed, and what is unknown is empty, never a stand-in number. Years are astronomical (1 BC is
//! 0). Rows come by tree, specimen, radius and year.

use super::agreement::Window;
use super::radii::{Against, Told};
use super::{Chronology, RadiusFigures, TreeFigures};
use std::io::{self, Write};

/// The tables: the names of their files and what writes them.
pub const TABLES: [(&str, Table); 6] = [
    ("chronology.csv", chronology),
    ("chronology-windows.csv", windows),
    ("chronology-trees.csv", trees),
    ("chronology-series.csv", series),
    ("chronology-indices.csv", indices),
    ("chronology-differences.csv", differences),
];

/// Writes one table.
pub type Table = fn(&Chronology, &mut dyn Write) -> io::Result<()>;

/// A number with fixed decimals; empty where it is unknown. There is no minus zero.
pub(super) fn fixed(value: Option<f64>, decimals: usize) -> String {
    let Some(value) = value.filter(|v| v.is_finite()) else {
        return String::new();
    };
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.to_owned(),
        _ => text,
    }
}

fn number(value: Option<impl ToString>) -> String {
    value.map_or(String::new(), |v| v.to_string())
}

fn table(
    out: &mut dyn Write,
    header: &[&str],
    rows: impl Iterator<Item = Vec<String>>,
) -> io::Result<()> {
    let mut csv = csv::Writer::from_writer(out);
    csv.write_record(header)?;
    for row in rows {
        csv.write_record(&row)?;
    }
    csv.flush()
}

/// One row a year: sample depth, mean and robust mean of the trees' indices, signal.
fn chronology(made: &Chronology, out: &mut dyn Write) -> io::Result<()> {
    let header = [
        "year",
        "trees",
        "radii",
        "mean_index",
        "robust_mean_index",
        "sd_index",
        "expressed_population_signal",
        "subsample_signal_strength",
    ];
    let rows = made.years.iter().map(|year| {
        vec![
            year.year.to_string(),
            year.trees.to_string(),
            year.radii.to_string(),
            fixed(year.mean, 4),
            fixed(year.robust, 4),
            fixed(year.sd, 4),
            fixed(year.signal, 4),
            fixed(year.subsample, 4),
        ]
    });
    table(out, &header, rows)
}

/// One row a running window.
fn windows(made: &Chronology, out: &mut dyn Write) -> io::Result<()> {
    let header = [
        "first_year",
        "last_year",
        "trees",
        "pairs",
        "mean_trees_a_year",
        "mean_correlation",
        "expressed_population_signal",
    ];
    let rows = made.windows.iter().map(|window: &Window| {
        vec![
            window.first_year.to_string(),
            window.last_year.to_string(),
            window.agreement.map_or(0, |a| a.tracks).to_string(),
            window.agreement.map_or(0, |a| a.pairs).to_string(),
            fixed(Some(window.mean_depth), 2),
            fixed(window.agreement.map(|a| a.rbar), 4),
            fixed(window.signal, 4),
        ]
    });
    table(out, &header, rows)
}

/// One row a tree that has a dated radius.
fn trees(made: &Chronology, out: &mut dyn Write) -> io::Result<()> {
    let header = [
        "tree",
        "specimens",
        "radii",
        "first_year",
        "last_year",
        "correlation_with_others",
        "years_with_others",
        "t_value",
        "t_years",
        "best_t_elsewhere",
        "moved_by_years",
    ];
    let rows = made.trees.iter().map(|tree: &TreeFigures| {
        let years = tree.index.known_years();
        vec![
            tree.index.name.clone(),
            tree.specimens.join("; "),
            tree.radii.to_string(),
            number(years.map(|y| y.0)),
            number(years.map(|y| y.1)),
            fixed(tree.with_others.map(|c| c.r), 4),
            number(tree.with_others.map(|c| c.years)),
            fixed(tree.fit.and_then(|f| f.t), 2),
            number(tree.fit.map(|f| f.years)),
            fixed(tree.fit.and_then(|f| f.t_elsewhere), 2),
            number(tree.fit.and_then(|f| f.moved_by)),
        ]
    });
    table(out, &header, rows)
}

/// One row a radius.
fn series(made: &Chronology, out: &mut dyn Write) -> io::Result<()> {
    let header = [
        "tree",
        "specimen",
        "radius",
        "first_year",
        "last_year",
        "rings",
        "absent",
        "unknown",
        "mean_width_mm",
        "sd_width_mm",
        "mean_width_px",
        "sd_width_px",
        "mean_sensitivity",
        "autocorrelation",
        "innovation_sd_mm",
        "curve",
        "curve_instead_because",
        "index_autocorrelation",
    ];
    let rows = made.radii.iter().map(|figures: &RadiusFigures| {
        let radius = &figures.radius;
        let years = figures.years.filter(|_| radius.is_dated);
        let mm = |value: Option<f64>| fixed(value.filter(|_| radius.is_scaled), 4);
        let px = |value: Option<f64>| fixed(value.filter(|_| !radius.is_scaled), 2);
        let detrended = figures.detrended.as_ref();
        vec![
            radius.tree.clone(),
            radius.specimen.clone(),
            radius.radius.clone(),
            number(years.map(|y| y.0)),
            number(years.map(|y| y.1)),
            figures.rings.to_string(),
            figures.absent.to_string(),
            figures.unknown.to_string(),
            mm(figures.mean),
            mm(figures.sd),
            px(figures.mean),
            px(figures.sd),
            fixed(figures.mean_sensitivity, 4),
            fixed(figures.autocorrelation, 4),
            mm(figures.innovation_sd),
            detrended.map_or(String::new(), |d| d.fitted.name().to_owned()),
            detrended
                .and_then(|d| d.instead)
                .unwrap_or_default()
                .to_owned(),
            fixed(figures.index_autocorrelation, 4),
        ]
    });
    table(out, &header, rows)
}

/// One row a radius and ring that is known: the width, the curve, and the one by the other.
fn indices(made: &Chronology, out: &mut dyn Write) -> io::Result<()> {
    let header = [
        "tree", "specimen", "radius", "year", "ring", "width_mm", "width_px", "curve", "index",
    ];
    let rows = made.radii.iter().flat_map(|figures| {
        let radius = &figures.radius;
        let detrended = figures.detrended.as_ref();
        let of = |values: Option<&Vec<Option<f64>>>, at: usize| {
            values.and_then(|v| v.get(at).copied().flatten())
        };
        radius
            .series
            .widths_mm
            .iter()
            .enumerate()
            .zip(radius.series.first_year..)
            .filter_map(move |((at, width), year)| {
                let width = (*width)?;
                let if_so = |is: bool, text: String| if is { text } else { String::new() };
                Some(vec![
                    radius.tree.clone(),
                    radius.specimen.clone(),
                    radius.radius.clone(),
                    if_so(radius.is_dated, year.to_string()),
                    if_so(!radius.is_dated, year.to_string()),
                    if_so(radius.is_scaled, fixed(Some(width), 4)),
                    if_so(!radius.is_scaled, fixed(Some(width), 2)),
                    fixed(of(detrended.map(|d| &d.curve), at), 4),
                    fixed(of(detrended.map(|d| &d.index), at), 4),
                ])
            })
    });
    table(out, &header, rows)
}

/// One row a year in which a radius lacks or adds a ring against the others of its specimen.
fn differences(made: &Chronology, out: &mut dyn Write) -> io::Result<()> {
    let header = [
        "tree",
        "specimen",
        "radius",
        "difference",
        "year",
        "ring",
        "earliest",
        "latest",
        "told_by",
        "radii_with_it",
        "radii_without_it",
        "radii_compared_with",
        "gain",
    ];
    let rows = made.differences.iter().map(|found| {
        let if_so = |is: bool| {
            if is {
                found.year.to_string()
            } else {
                String::new()
            }
        };
        let (by, with, without, others, gain) = match found.told {
            Told::Marked { with, without } => (
                "marks",
                with.to_string(),
                without.to_string(),
                String::new(),
                None,
            ),
            Told::ByWidths { gain, others } => (
                "widths",
                String::new(),
                String::new(),
                others.to_string(),
                Some(gain),
            ),
        };
        vec![
            found.tree.clone(),
            found.specimen.clone(),
            found.radius.clone(),
            match found.against {
                Against::Lacks => "lacks".to_owned(),
                Against::Adds => "adds".to_owned(),
            },
            if_so(found.is_dated),
            if_so(!found.is_dated),
            found.earliest.to_string(),
            found.latest.to_string(),
            by.to_owned(),
            with,
            without,
            others,
            fixed(gain, 1),
        ]
    });
    table(out, &header, rows)
}

#[cfg(test)]
mod tests {
    use super::fixed;

    #[test]
    fn numbers_have_fixed_decimals_and_no_minus_zero() {
        for (value, want) in [
            (Some(1.23456), "1.2346"),
            (Some(-0.00001), "0.0000"),
            (Some(-0.5), "-0.5000"),
            (Some(f64::NAN), ""),
            (None, ""),
        ] {
            assert_eq!(fixed(value, 4), want);
        }
    }
}
