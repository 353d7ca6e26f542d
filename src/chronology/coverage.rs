//! Which specimen covers which years: a chart of bars, one a specimen, the oldest first.
//!
//! Drawn as a piece of SVG for a page, in the page's colours. A year without a value is a gap in the
//! bar.

use super::agreement::Track;
use crate::chart::WIDTH_UNITS;
use maud::{Markup, html};

/// Specimens that a chart has room for; it says how many more there are.
pub const MOST_ROWS: usize = 300;

/// Height of a row, and of the years above and below all, units.
const ROW: usize = 30;
const AXIS: usize = 44;

/// Room for the specimens' names, and at the right, units.
const NAMES: f64 = 300.0;
const RIGHT: f64 = 30.0;

/// Signs of a name that have room.
const NAME_SIGNS: usize = 20;

/// Stretches of consecutive known years, both ends counted.
pub fn stretches(track: &Track) -> Vec<(i32, i32)> {
    let mut out: Vec<(i32, i32)> = Vec::new();
    for (value, year) in track.values.iter().zip(track.first_year..) {
        if value.is_none() {
            continue;
        }
        match out.last_mut() {
            Some((_, last)) if *last + 1 == year => *last = year,
            _ => out.push((year, year)),
        }
    }
    out
}

/// The chart; nothing where none has a year.
pub fn chart(tracks: &[&Track]) -> Markup {
    let mut rows: Vec<(&Track, Vec<(i32, i32)>)> = tracks
        .iter()
        .map(|track| (*track, stretches(track)))
        .filter(|(_, bars)| !bars.is_empty())
        .collect();
    rows.sort_by(|(a, x), (b, y)| x[0].cmp(&y[0]).then(a.name.cmp(&b.name)));
    let ends = rows.iter().flat_map(|(_, bars)| bars);
    let (Some(first), Some(last)) = (ends.clone().map(|b| b.0).min(), ends.map(|b| b.1).max())
    else {
        return html! {};
    };
    let more = rows.len().saturating_sub(MOST_ROWS);
    rows.truncate(MOST_ROWS);
    let (from, years) = (f64::from(first), f64::from(last) - f64::from(first) + 1.0);
    let width = f64::from(WIDTH_UNITS) - NAMES - RIGHT;
    let x = |year: f64| NAMES + (year - from) / years * width;
    let bottom = AXIS + ROW * rows.len();
    let height = bottom + AXIS;
    let ticks = ticks(first, last);
    html! {
        svg.chart role="img" aria-label={ "Years covered by " (rows.len()) " specimens, " (first) " to " (last) }
            viewBox={ "0 0 " (WIDTH_UNITS) " " (height) } xmlns="http://www.w3.org/2000/svg" {
            @for year in &ticks {
                @let at = format!("{:.1}", x(f64::from(*year)));
                line x1=(at) x2=(at) y1=(AXIS) y2=(bottom) stroke="var(--rule)" stroke-width="2" {}
                @for y in [AXIS - 12, bottom + 32] {
                    text x=(at) y=(y) text-anchor="middle" font-size="24" fill="var(--dim)" { (year) }
                }
            }
            @for (at, (track, bars)) in rows.iter().enumerate() {
                @let top = AXIS + ROW * at;
                text x=(NAMES - 12.0) y=(top + 22) text-anchor="end" font-size="22" fill="var(--text)" {
                    (shortened(&track.name))
                }
                @for (begin, end) in bars {
                    @let (left, right) = (x(f64::from(*begin)), x(f64::from(*end) + 1.0));
                    rect x=(format!("{left:.1}")) y=(top + 5) width=(format!("{:.1}", right - left))
                        height=(ROW - 10) fill="var(--bark)" {
                        title { (track.name) ": " (begin) " to " (end) }
                    }
                }
            }
        }
        @if more > 0 {
            p.dim { "And " (more) " specimens that begin later: see chronology-series.csv." }
        }
    }
}

/// Whole years for the axis: eight at the most, a round number apart.
fn ticks(first: i32, last: i32) -> Vec<i32> {
    let years = i64::from(last) - i64::from(first) + 1;
    let step = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000]
        .into_iter()
        .find(|step| years / i64::from(*step) < 8)
        .unwrap_or(10_000);
    let begin = first.div_euclid(step) * step;
    (0..)
        .map_while(|k: i32| begin.checked_add(k.checked_mul(step)?))
        .skip_while(|year| *year < first)
        .take_while(|year| *year <= last)
        .collect()
}

fn shortened(name: &str) -> String {
    if name.chars().count() <= NAME_SIGNS {
        return name.to_owned();
    }
    let mut short: String = name.chars().take(NAME_SIGNS - 1).collect();
    short.push('\u{2026}');
    short
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gaps_break_a_bar() {
        let track = Track {
            name: "QB-1".into(),
            first_year: -1,
            values: vec![None, Some(1.0), Some(0.0), None, Some(2.0)],
        };
        assert_eq!(stretches(&track), [(0, 1), (3, 3)]);
        let drawn = chart(&[&track]).into_string();
        assert_eq!(drawn.matches("<rect").count(), 2);
        assert!(drawn.contains("QB-1: 0 to 1"));
        assert_eq!(chart(&[]).into_string(), "");
    }

    #[test]
    fn ticks_are_round_and_few() {
        assert_eq!(
            ticks(1627, 1986),
            [1650, 1700, 1750, 1800, 1850, 1900, 1950]
        );
        assert_eq!(ticks(-7, 6), [-6, -4, -2, 0, 2, 4, 6]);
        assert_eq!(ticks(1999, 1999), [1999]);
    }
}
