//! The charts of a disc: ring width by year, diameter by age.

use super::lengths::{Shown, number};
use crate::chart::{DataInk, Hit, Line, LineChart, Mark, Shape, Span, Stroke};
use crate::growth::{GrowthRecord, GrowthRing};

/// Where a ring stands on the x axis: its year where all have one, else its number.
fn place(record: &GrowthRecord, ring: &GrowthRing) -> f64 {
    match ring.year.filter(|_| is_dated(record)) {
        Some(year) => f64::from(year),
        None => f64::from(ring.number),
    }
}

/// Whether every ring has its year.
pub(super) fn is_dated(record: &GrowthRecord) -> bool {
    !record.rings.is_empty() && record.rings.iter().all(|ring| ring.year.is_some())
}

/// Ring width by year, or by ring where years aren't known: the widths, their local trend, doubtful
/// rings set off, the widest and narrowest marked. `None` without a width.
pub fn widths(record: &GrowthRecord, shown: Shown) -> Option<LineChart> {
    let rings = &record.rings;
    rings.iter().find(|ring| ring.width_px.is_some())?;
    let width = |ring: &GrowthRing| shown.value(ring.width_px, ring.width_mm);
    // The trend in the unit of the widths.
    let trend = |ring: &GrowthRing| {
        let per_px = width(ring)? / ring.width_px.filter(|px| *px > 0.0)?;
        Some(ring.trend_px? * per_px)
    };
    let line = |name: &str, ink, stroke, value: &dyn Fn(&GrowthRing) -> Option<f64>| Line {
        name: name.to_owned(),
        points: rings
            .iter()
            .map(|ring| (place(record, ring), value(ring)))
            .collect(),
        ink,
        stroke,
    };
    let mark = |numbers: &[u32], shape| -> Vec<Mark> {
        let rings = numbers.iter().filter_map(|number| record.ring(*number));
        rings
            .filter_map(|ring| {
                Some(Mark {
                    x: place(record, ring),
                    y: width(ring)?,
                    shape,
                    label: String::new(),
                })
            })
            .collect()
    };
    let mut marks = mark(&record.widest, Shape::Up);
    marks.extend(mark(&record.narrowest, Shape::Down));
    let mut marks_names = Vec::new();
    if !marks.is_empty() {
        marks_names.push((Shape::Up, "widest".to_owned()));
        marks_names.push((Shape::Down, "narrowest".to_owned()));
    }
    Some(LineChart {
        x_label: if is_dated(record) {
            "year"
        } else {
            "ring, from the pith"
        }
        .to_owned(),
        y_label: format!("ring width, {}", shown.sign()),
        lines: vec![
            line("ring width", DataInk::First, Stroke::Solid, &width),
            line("local trend", DataInk::Second, Stroke::Dashed, &trend),
        ],
        spans: doubtful(record),
        spans_name: "doubtful rings".to_owned(),
        marks,
        marks_names,
        ..LineChart::default()
    })
}

/// Diameter inside bark by age at the cut, with a dot at each mark. `None` without rings.
pub fn sizes(record: &GrowthRecord, shown: Shown) -> Option<LineChart> {
    if record.rings.is_empty() {
        return None;
    }
    let diameter = |px: f64, mm: Option<f64>| shown.value(Some(px), mm);
    let mut points: Vec<(f64, Option<f64>)> = record
        .rings
        .iter()
        .map(|ring| {
            let mm = ring.radius_mm.map(|radius| 2.0 * radius);
            (f64::from(ring.number), diameter(2.0 * ring.radius_px, mm))
        })
        .collect();
    if record.inner_radius_px().is_some_and(|inner| inner < 1e-9) {
        points.insert(0, (f64::from(record.rings[0].number - 1), Some(0.0)));
    }
    let marks = record
        .sizes
        .iter()
        .filter_map(|size| {
            Some(Mark {
                x: f64::from(size.age),
                y: diameter(size.diameter_px, size.diameter_mm)?,
                shape: Shape::Dot,
                label: String::new(),
            })
        })
        .collect();
    Some(LineChart {
        height: 420,
        x_label: "age at the cut, years".to_owned(),
        y_label: format!("diameter, {}", shown.sign()),
        lines: vec![Line {
            name: String::new(),
            points,
            ink: DataInk::First,
            stroke: Stroke::Solid,
        }],
        marks,
        ..LineChart::default()
    })
}

/// Doubtful rings as stretches of the x axis, neighbours joined.
fn doubtful(record: &GrowthRecord) -> Vec<Span> {
    let mut spans: Vec<Span> = Vec::new();
    for ring in record.rings.iter().filter(|ring| !ring.is_sure()) {
        let at = place(record, ring);
        match spans.last_mut() {
            Some(span) if at - 0.5 <= span.to + 1e-9 => span.to = at + 0.5,
            _ => spans.push(Span {
                from: at - 0.5,
                to: at + 0.5,
            }),
        }
    }
    spans
}

/// The stretch of each ring on the chart of widths.
pub(super) fn width_hits(record: &GrowthRecord, shown: Shown) -> Vec<Hit> {
    hits(record, shown, |ring| place(record, ring))
}

/// The stretch of each ring on the chart of sizes.
pub(super) fn size_hits(record: &GrowthRecord, shown: Shown) -> Vec<Hit> {
    hits(record, shown, |ring| f64::from(ring.number))
}

fn hits(record: &GrowthRecord, shown: Shown, place: impl Fn(&GrowthRing) -> f64) -> Vec<Hit> {
    let hit = |ring: &GrowthRing| Hit {
        from: place(ring) - 0.5,
        to: place(ring) + 0.5,
        ring: ring.number,
        label: told(ring, shown),
    };
    record.rings.iter().map(hit).collect()
}

/// What a ring says of itself: `ring 23, 1958: 2.41 mm wide, diameter 110.6 mm; doubtful (61 %)`.
pub(super) fn told(ring: &GrowthRing, shown: Shown) -> String {
    let year = ring.year.map_or(String::new(), |year| format!(", {year}"));
    let sign = shown.sign();
    let width = match ring.width_px {
        Some(_) => format!("{} {sign} wide", shown.width(ring.width_px, ring.width_mm)),
        None => "width not known".to_owned(),
    };
    let mm = ring.radius_mm.map(|radius| 2.0 * radius);
    let diameter = shown.size(Some(2.0 * ring.radius_px), mm);
    let doubt = if ring.is_sure() {
        String::new()
    } else {
        format!(
            "; doubtful ({} %)",
            number(Some(100.0 * ring.confidence), 0)
        )
    };
    format!(
        "ring {}{year}: {width}, diameter {diameter} {sign}{doubt}",
        ring.number
    )
}

/// The chart of widths in words, for those who can't see it.
pub(super) fn widths_in_words(record: &GrowthRecord, shown: Shown) -> String {
    let mut words = String::from("Line chart of ring widths");
    let widths: Vec<f64> = record
        .rings
        .iter()
        .filter_map(|ring| shown.value(ring.width_px, ring.width_mm))
        .collect();
    if let (Some(first), Some(last)) = (record.rings.first(), record.rings.last()) {
        let name = |ring: &GrowthRing| match ring.year {
            Some(year) => year.to_string(),
            None => format!("ring {}", ring.number),
        };
        let low = widths.iter().copied().fold(f64::INFINITY, f64::min);
        let high = widths.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        words.push_str(&format!(
            " from {} to {}, between {} and {} {}, with the local trend. The numbers are in the table of every ring.",
            name(first),
            name(last),
            number(Some(low), 2),
            number(Some(high), 2),
            shown.sign(),
        ));
    }
    words
}
