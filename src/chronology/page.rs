//! The page of a chronology: its figures, charts and tables in one HTML file.

use super::agreement::{Track, trees_needed};
use super::detrend::Detrending;
use super::written::fixed;
use super::{Chronology, RadiusFigures, coverage, figures};
use crate::chart::{DataInk, Line, LineChart, Span, Stroke};
use crate::error::Error;
use crate::page::{self, Extras};
use maud::{Markup, html};

/// The signal that is often asked for; a rule of thumb (Wigley, Briffa and Jones 1984), not a test.
pub const SIGNAL_OFTEN_ASKED: f64 = 0.85;

/// Rows of a table on the page; the CSV tables have them all.
const MOST_ROWS: usize = 500;

/// Makes the page. `left_out` is what was given and isn't in the figures, a sentence each.
///
/// # Errors
/// [`Error::Fault`] where a chart can't be drawn.
pub fn page(made: &Chronology, left_out: &[String]) -> Result<String, Error> {
    let specimens: Vec<&Track> = made.specimens.iter().collect();
    let body = html! {
        p { "Detrending: " (made.plan.detrending.words()) ". Running windows of "
            (made.plan.window_years) " years, " (made.plan.step_years) " years apart; pairs count from "
            (made.plan.least_common_years) " common years on." }
        (tiles(made))
        div.caution {
            p { "These figures take the years as they were given and date nothing. A wrong year in one "
                "series blurs all. Where an age matters in law or for protected timber, a dating laboratory decides." }
        }
        @if !left_out.is_empty() {
            h2 { "Left out, or done otherwise" }
            ul { @for line in left_out { li { (line) } } }
        }
        @if made.years.is_empty() {
            p { "No dated series with a width: there is no chronology, only the figures of each series." }
        } @else {
            h2 { "Mean chronology" }
            figure {
                (index_chart(made)?)
                figcaption { "Biweight robust mean (c = 9, spread of the median kept) and plain mean of the trees' indices, each the mean of its radii." }
            }
            h2 { "Sample depth" }
            figure { (depth_chart(made)?) figcaption { "Trees with a value in each year." } }
            h2 { "Years covered" }
            figure { (coverage::chart(&specimens)) figcaption { "Specimens, the oldest first." } }
            h2 { "How well the trees agree" }
            (agreement(made)?)
        }
        h2 { "Radii that disagree" }
        (differences(made))
        h2 { "Figures by tree" }
        (tree_table(made))
        p.dim { "Lag 1: first-order autocorrelation. With others: correlation with the mean of all other trees; t: that of five-year percentages in logarithms. Means over the tree's radii. Mean sensitivity depends on spread and autocorrelation and is a poor measure alone, so both stand beside it. Every radius by itself: chronology-series.csv." }
    };
    let extras = Extras {
        style: "td.years{white-space:nowrap}",
        ..Extras::default()
    };
    Ok(page::whole_with("Ring widths compared", &body, extras))
}

/// Mean of a figure over some radii.
fn mean_of<'a>(
    radii: impl Iterator<Item = &'a RadiusFigures>,
    figure: impl Fn(&RadiusFigures) -> Option<f64>,
) -> Option<f64> {
    figures::mean(&radii.map(figure).collect::<Vec<_>>())
}

fn shown(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "-".into(), |v| fixed(Some(v), decimals))
}

fn in_mm(figure: fn(&RadiusFigures) -> Option<f64>) -> impl Fn(&RadiusFigures) -> Option<f64> {
    move |r| figure(r).filter(|_| r.radius.is_scaled)
}

/// The figures of the whole, as name, value and remark; the page and the summary show the same.
pub fn whole_figures(made: &Chronology) -> Vec<(&'static str, String, String)> {
    let all = || made.radii.iter();
    let years = made.years.first().zip(made.years.last());
    let rbar = made.between_trees.map(|a| a.rbar);
    let needed = rbar
        .and_then(|r| trees_needed(SIGNAL_OFTEN_ASKED, r))
        .map_or(String::new(), |n| {
            format!("{SIGNAL_OFTEN_ASKED} takes {:.0} trees", n.ceil())
        });
    let pairs = |a: Option<super::agreement::Agreement>| match a {
        Some(a) if a.pairs == 1 => "one pair".into(),
        Some(a) => format!("{} pairs", a.pairs),
        None => "no pair with enough common years".into(),
    };
    vec![
        (
            "series",
            made.radii.len().to_string(),
            format!(
                "{} dated, of {} trees",
                all().filter(|r| r.radius.is_dated).count(),
                made.trees.len()
            ),
        ),
        (
            "years",
            years.map_or_else(
                || "-".into(),
                |(first, last)| format!("{} to {}", first.year, last.year),
            ),
            String::new(),
        ),
        (
            "mean width",
            format!("{} mm", shown(mean_of(all(), in_mm(|r| r.mean)), 3)),
            format!("sd {} mm", shown(mean_of(all(), in_mm(|r| r.sd)), 3)),
        ),
        (
            "mean sensitivity",
            shown(mean_of(all(), |r| r.mean_sensitivity), 3),
            String::new(),
        ),
        (
            "first-order autocorrelation",
            shown(mean_of(all(), |r| r.autocorrelation), 3),
            format!(
                "{} after detrending",
                shown(mean_of(all(), |r| r.index_autocorrelation), 3)
            ),
        ),
        (
            "correlation between trees",
            shown(rbar, 3),
            pairs(made.between_trees),
        ),
        (
            "correlation within trees",
            shown(made.within_trees.map(|a| a.rbar), 3),
            pairs(made.within_trees),
        ),
        ("expressed population signal", shown(made.signal, 3), needed),
    ]
}

fn tiles(made: &Chronology) -> Markup {
    html! {
        dl.facts {
            @for (name, value, remark) in whole_figures(made) {
                div { dt { (name) } dd { (value) @if !remark.is_empty() { small { (remark) } } } }
            }
        }
    }
}

fn by_year(
    made: &Chronology,
    value: impl Fn(&super::Year) -> Option<f64>,
) -> Vec<(f64, Option<f64>)> {
    made.years
        .iter()
        .map(|year| (f64::from(year.year), value(year)))
        .collect()
}

fn index_chart(made: &Chronology) -> Result<Markup, Error> {
    let line = |name: &str, points, ink, stroke| Line {
        name: name.into(),
        points,
        ink,
        stroke,
    };
    let chart = LineChart {
        x_label: "year".into(),
        y_label: if matches!(made.plan.detrending, Detrending::None) {
            "width, mm".into()
        } else {
            "index".into()
        },
        lines: vec![
            line(
                "robust mean",
                by_year(made, |y| y.robust),
                DataInk::First,
                Stroke::Solid,
            ),
            line(
                "mean",
                by_year(made, |y| y.mean),
                DataInk::Second,
                Stroke::Dotted,
            ),
        ],
        spans: weak_years(made),
        spans_name: "signal below 0.85".into(),
        ..LineChart::default()
    };
    let said = "Mean index by year; the values are in chronology.csv";
    Ok(chart.draw()?.inline("index", said, &[]))
}

/// Stretches of years whose sample depth gives less signal than is often asked for.
fn weak_years(made: &Chronology) -> Vec<Span> {
    let is_weak = |year: &&super::Year| year.signal.is_some_and(|s| s < SIGNAL_OFTEN_ASKED);
    let mut spans: Vec<Span> = Vec::new();
    for year in made.years.iter().filter(is_weak) {
        let (from, to) = (f64::from(year.year) - 0.5, f64::from(year.year) + 0.5);
        match spans.last_mut() {
            Some(span) if (span.to - from).abs() < 0.25 => span.to = to,
            _ => spans.push(Span { from, to }),
        }
    }
    spans
}

fn depth_chart(made: &Chronology) -> Result<Markup, Error> {
    // A step a year: flat over each year.
    let points = made.years.iter().flat_map(|year| {
        let trees = Some(year.trees as f64);
        let at = f64::from(year.year);
        [(at - 0.5, trees), (at + 0.5, trees)]
    });
    let chart = LineChart {
        height: 320,
        x_label: "year".into(),
        y_label: "trees".into(),
        lines: vec![Line {
            name: String::new(),
            points: points.collect(),
            ink: DataInk::Second,
            stroke: Stroke::Solid,
        }],
        ..LineChart::default()
    };
    let said = "Number of trees by year; the values are in chronology.csv";
    Ok(chart.draw()?.inline("depth", said, &[]))
}

fn agreement(made: &Chronology) -> Result<Markup, Error> {
    let middle = |w: &super::Window| f64::midpoint(w.first_year.into(), w.last_year.into());
    let points = |value: &dyn Fn(&super::Window) -> Option<f64>| -> Vec<(f64, Option<f64>)> {
        let windows = made.windows.iter();
        windows.map(|w| (middle(w), value(w))).collect()
    };
    let signal = points(&|w| w.signal);
    let is_drawn = signal.iter().filter(|(_, v)| v.is_some()).count() > 1;
    let chart = LineChart {
        height: 420,
        x_label: "middle of the window, year".into(),
        y_label: "signal, correlation".into(),
        lines: vec![
            Line {
                name: "expressed population signal".into(),
                points: signal,
                ink: DataInk::First,
                stroke: Stroke::Solid,
            },
            Line {
                name: "mean correlation between trees".into(),
                points: points(&|w| w.agreement.map(|a| a.rbar)),
                ink: DataInk::Second,
                stroke: Stroke::Dashed,
            },
            Line {
                name: "0.85, often asked for".into(),
                points: points(&|_| Some(SIGNAL_OFTEN_ASKED)),
                ink: DataInk::Ground,
                stroke: Stroke::Dotted,
            },
        ],
        ..LineChart::default()
    };
    let said = "Expressed population signal and mean correlation in running windows; the table below has the values";
    let drawn = if is_drawn {
        Some(chart.draw()?.inline("signal", said, &[]))
    } else {
        None
    };
    Ok(html! {
        @if let Some(drawn) = drawn { figure { (drawn) } }
        div.scroll { table {
            caption { "The signal is N r / (N r + 1 - r) for the mean correlation r of the pairs and the mean number N of trees a year. 0.85 is a rule of thumb, not a test." }
            thead { tr { th { "years" } th.n { "trees" } th.n { "pairs" } th.n { "trees a year" } th.n { "correlation" } th.n { "signal" } } }
            tbody { @for w in &made.windows { tr {
                td.years { (w.first_year) " to " (w.last_year) }
                td.n { (w.agreement.map_or(0, |a| a.tracks)) }
                td.n { (w.agreement.map_or(0, |a| a.pairs)) }
                td.n { (fixed(Some(w.mean_depth), 1)) }
                td.n { (shown(w.agreement.map(|a| a.rbar), 3)) }
                td.n { (shown(w.signal, 3)) }
            } } }
        } }
    })
}

fn differences(made: &Chronology) -> Markup {
    if made.differences.is_empty() {
        return html! { p { "No radius lacks or adds a ring against the others of its specimen, as far as marks and widths tell." } };
    }
    html! {
        p { "Look at the wood in these years: an absent ring, a false one, or a boundary missed." }
        div.scroll { table {
            thead { tr { th { "specimen" } th { "radius" } th { "against the others" } th { "told by" } } }
            tbody { @for found in made.differences.iter().take(MOST_ROWS) { tr {
                td { (found.specimen) }
                td { (found.radius) }
                td { (found.words()) }
                td { (found.told.words()) }
            } } }
        } }
        (rest(made.differences.len(), "chronology-differences.csv"))
    }
}

fn rest(rows: usize, file: &str) -> Markup {
    html! {
        @if rows > MOST_ROWS {
            p.dim { "And " (rows - MOST_ROWS) " more: see " (file) "." }
        }
    }
}

fn tree_table(made: &Chronology) -> Markup {
    let trees: Vec<&[RadiusFigures]> = made
        .radii
        .chunk_by(|a, b| a.radius.tree == b.radius.tree)
        .collect();
    let figures = |name: &str| made.trees.iter().find(|t| t.index.name == name);
    let with_others = |name: &str| figures(name)?.with_others.map(|c| c.r);
    let t_value = |name: &str| figures(name)?.fit?.t;
    html! {
        div.scroll { table {
            thead { tr {
                th { "tree" } th.n { "radii" } th { "years" } th.n { "rings" } th.n { "absent" }
                th.n { "mean mm" } th.n { "sd mm" } th.n { "sensitivity" } th.n { "lag 1" }
                th.n { "with others" } th.n { "t" }
            } }
            tbody { @for tree in trees.iter().take(MOST_ROWS) {
                @let name = &tree[0].radius.tree;
                tr {
                    td { (name) }
                    td.n { (tree.len()) }
                    td.years { (span_words(tree)) }
                    td.n { (tree.iter().map(|r| r.rings).max().unwrap_or(0)) }
                    td.n { (tree.iter().map(|r| r.absent).sum::<usize>()) }
                    td.n { (shown(mean_of(tree.iter(), in_mm(|r| r.mean)), 3)) }
                    td.n { (shown(mean_of(tree.iter(), in_mm(|r| r.sd)), 3)) }
                    td.n { (shown(mean_of(tree.iter(), |r| r.mean_sensitivity), 3)) }
                    td.n { (shown(mean_of(tree.iter(), |r| r.autocorrelation), 3)) }
                    td.n { (shown(with_others(name), 3)) }
                    td.n { (shown(t_value(name), 1)) }
                }
            } }
        } }
        (rest(trees.len(), "chronology-series.csv"))
    }
}

fn span_words(tree: &[RadiusFigures]) -> String {
    let spans = || {
        tree.iter()
            .filter(|r| r.radius.is_dated)
            .filter_map(|r| r.years)
    };
    match (spans().map(|s| s.0).min(), spans().map(|s| s.1).max()) {
        (Some(first), Some(last)) => format!("{first} to {last}"),
        _ => "not dated".into(),
    }
}
