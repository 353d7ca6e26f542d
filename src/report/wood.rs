//! The sections of a disc's page that need more than its rings: heartwood, timber, weather.

use super::lengths::{Shown, number};
use super::{Disc, LatewoodFrom};
use crate::chart::{Bar, BarChart};
use crate::error::Error;
use crate::timber::{GrowthLine, Softwood, bs_4978, din_4074, grain, is_dense};
use crate::weather::{Correlation, FEWEST_YEARS};
use maud::{Markup, html};

/// Sapwood and heartwood, where the photo was at hand.
pub(super) fn heartwood(disc: &Disc<'_>, shown: Shown) -> Markup {
    let Some(heartwood) = &disc.beside.heartwood else {
        return html! {};
    };
    html! {
        section aria-labelledby="heartwood" {
            h2 id="heartwood" { "Sapwood and heartwood" }
            @match heartwood {
                None => p { "No step of colour between them is to be seen." },
                Some(heart) => {
                    p {
                        "Sapwood: " (number(Some(heart.sapwood_rings), 0)) " rings ("
                        (heart.sapwood_rings_low) " to " (heart.sapwood_rings_high) " round the disc), "
                        (shown.size(Some(heart.sapwood_width_px), heart.sapwood_width_mm)) " " (shown.sign())
                        " wide on average. Heartwood: " (number(Some(100.0 * heart.heartwood_share), 0)) " % of the face."
                    }
                    p.dim { "By the step of colour that wanders across the rings; it is placed between rings. Rot, stain and wet sapwood can look like it." }
                }
            }
        }
    }
}

/// Rings per inch and what rules call it.
pub(super) fn timber(disc: &Disc<'_>, shown: Shown) -> Markup {
    let Some(lines) = &disc.beside.lines else {
        return html! {};
    };
    let softwood = disc.beside.softwood.unwrap_or(Softwood::Other);
    let share = disc.beside.latewood.map(|(share, _)| share);
    let span = |line: &GrowthLine| {
        let px = |mm: f64| disc.record.mm_per_px.map(|scale| mm / scale);
        let at = |mm: f64| shown.size(px(mm), Some(mm));
        format!("{} to {}", at(line.from_mm), at(line.to_mm))
    };
    let width = |mm: f64| shown.width(None, Some(mm));
    let row = |rule: &str, line: &Option<GrowthLine>, called: &dyn Fn(&GrowthLine) -> String| {
        html! { tr {
            th scope="row" { (rule) }
            @match line {
                Some(line) => {
                    @let with_cut = lines.beyond_25_mm_with_cut.filter(|_| rule.starts_with("25 mm on"));
                    td.n { (span(line)) } td.n { (line.rings) } td.n { (number(Some(line.rings_per_inch()), 1)) }
                    td.n {
                        (width(line.mean_ring_mm()))
                        @if let Some(mm) = with_cut { " (" (width(mm)) ")" }
                    }
                    td { (called(line)) }
                }
                None => { td colspan="5" { "no whole ring on the line" } }
            }
        } }
    };
    let none = || "over the widest limit".to_owned();
    html! {
        section aria-labelledby="timber" {
            h2 id="timber" { "Rings for the grader" }
            div.scroll { table {
                caption { "On the radius of average growth, azimuth " (number(Some(lines.azimuth_deg), 0)) "°. Whole rings; in brackets the ring cut at 25 mm counts too." }
                thead { tr {
                    th { "line" } th.n { "from the pith, " (shown.sign()) } th.n { "rings" } th.n { "per inch" } th.n { "mean ring, " (shown.sign()) } th { "by ring width the rule says" }
                } }
                tbody {
                    (row("3 inches (ASTM D245)", &lines.three_inches, &|line| {
                        let per_inch = line.rings_per_inch();
                        let mut words = grain(per_inch, share, softwood).name().to_owned();
                        if softwood != Softwood::Other {
                            words.push_str(match share {
                                Some(share) if is_dense(per_inch, share) => ", dense",
                                Some(_) => ", not dense",
                                None => "; dense or not needs the share of latewood",
                            });
                        }
                        words
                    }))
                    (row("25 mm on (DIN 4074, NF B 52)", &lines.beyond_25_mm, &|line| din_4074(line.mean_ring_mm(), softwood).map_or_else(|| "over DIN's widest limit".to_owned(), |class| format!("DIN: up to {class}"))))
                    (row("25 to 100 mm (BS 4978)", &lines.from_25_to_100_mm, &|line| bs_4978(line.mean_ring_mm()).map_or_else(none, |class| format!("up to {class}"))))
                    @if let Some(mm) = lines.first_five_mm {
                        tr { th scope="row" { "first five rings (UNE 56544)" } td.n { "from the pith" } td.n { "5" } td.n { (number(Some(25.4 / mm), 1)) } td.n { (width(mm)) } td {} }
                    }
                }
            } }
            @if let Some((share, from)) = disc.beside.latewood {
                p { "Latewood on the 3 inches: " (number(Some(100.0 * share), 0)) " %, "
                    @match from { LatewoodFrom::Given => "as given.", LatewoodFrom::Photo => "measured in the photo: darker than halfway between a ring's palest and darkest tone." }
                }
            }
            p.dim { "Rules as remembered, without their other limits (knots, slope of grain, splits); the dense rule is for southern pines and Douglas-fir. A licensed grader or the mill's certified scheme decides." }
        }
    }
}

/// Correlations with the weather.
pub(super) fn weather(disc: &Disc<'_>) -> Result<Markup, Error> {
    let Some(found) = &disc.beside.weather else {
        return Ok(html! {});
    };
    let mut columns: Vec<&str> = Vec::new();
    for correlation in &found.correlations {
        if !columns.contains(&correlation.column.as_str()) {
            columns.push(&correlation.column);
        }
    }
    let of = |column: &str| -> Vec<&Correlation> {
        found
            .correlations
            .iter()
            .filter(|c| c.column == column)
            .collect()
    };
    let figure = |at: usize, column: &str| -> Result<Markup, Error> {
        let bars: Vec<Bar> = of(column)
            .into_iter()
            .filter(|c| !c.is_season)
            .map(|c| Bar {
                name: c.window.chars().take(3).collect(),
                value: c.r,
                interval: c.interval,
                is_full: c.holds,
            })
            .collect();
        if bars.iter().all(|bar| bar.value.is_none()) {
            return Ok(html! {});
        }
        let first = of(column)
            .first()
            .map_or(String::new(), |c| c.window.clone());
        let chart = BarChart {
            height: 420,
            x_label: format!("month, from {first} on"),
            y_label: format!("r with {column}"),
            bars,
        };
        let text = format!(
            "Bar chart of the correlation of ring width with {column} by month. The numbers are in the table below."
        );
        Ok(html! { figure { (chart.draw()?.inline(&format!("weather-{at}"), &text, &[])) } })
    };
    Ok(html! {
        section.charts aria-labelledby="weather" {
            h2 id="weather" { "Weather and rings" }
            @if found.tried == 0 {
                p { "Not tried: fewer than " (FEWEST_YEARS) " rings have a year and weather in the table." }
            } @else {
                p {
                    (found.tried) " correlations were tried. Chance alone makes about "
                    (number(Some(found.by_chance), 0)) " whose interval at 95 % leaves out zero; "
                    (found.leave_out_zero) " did. "
                    @if found.hold == 0 { b { "None holds when allowed for the number tried." } }
                    @else { b { (found.hold) @if found.hold == 1 { " holds" } @else { " hold" } " when allowed for the number tried" } " (full bars, bold rows)." }
                    " One disc is one tree, and a correlation is no cause."
                }
                @for (at, column) in columns.iter().enumerate() { (figure(at, column)?) }
                details.on-screen {
                    summary { "Every correlation" }
                    div.scroll { table {
                        thead { tr { th { "column" } th { "months" } th.n { "years" } th.n { "r" } th.n { "95 % interval" } th { "holds" } } }
                        tbody { @for c in &found.correlations { tr {
                            td { (c.column) } th scope="row" { (c.window) } td.n { (c.years) } td.n { (number(c.r, 2)) }
                            td.n { @if let Some((low, high)) = c.interval { (number(Some(low), 2)) " to " (number(Some(high), 2)) } @else { "–" } }
                            td { @if c.holds { b { "yes" } } }
                        } } }
                    } }
                }
                p.dim { "Ring widths over their local trend against each month, and seasons of three, from June before to September (in the south six months later). Intervals by a bootstrap of blocks of years." }
            }
            @for gap in &disc.beside.weather_gaps { p.dim { (gap) "." } }
        }
    })
}
