//! What all charts share: ground, axes, labels, legend, and the way back from values to places.

use super::drawing::{Drawing, Place};
use super::{DataInk, Stroke, WIDTH_UNITS};
use crate::error::Error;
use crate::palette::{self, Ink};
use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::{
    Cartesian2d, ChartBuilder, ChartContext, DashedLineSeries, DrawingArea, IntoDrawingArea,
    LineSeries, PathElement, RGBColor, SVGBackend, ShapeStyle, Text,
};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, IntoTextStyle};
use std::ops::Range;

/// Size that plotters is asked for; its SVG letters are smaller than that by 1.24.
pub(super) const LETTERS: i32 = 31;
/// Width of a data line, units.
pub(super) const LINE_UNITS: u32 = 4;
/// Height of the legend's row, units.
const LEGEND_UNITS: i32 = 44;
/// Width of a letter over the size asked for, on average: for the places of the legend.
const LETTER_WIDTH: f64 = 0.46;

pub(super) type Chart<'a, 'b> =
    ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

pub(super) fn colour(ink: Ink) -> RGBColor {
    let [r, g, b] = ink.light;
    RGBColor(r, g, b)
}

pub(super) fn line_style(ink: DataInk) -> ShapeStyle {
    colour(ink.ink()).stroke_width(LINE_UNITS)
}

/// A text that XML can hold: control signs are shown as the sign for what can't be shown.
pub(super) fn plain(text: &str) -> String {
    text.chars()
        .map(|sign| if sign.is_control() { '\u{fffd}' } else { sign })
        .collect()
}

/// A fault of the drawing library.
pub(super) fn fault(what: impl std::fmt::Display) -> Error {
    Error::Fault {
        path: "chart".into(),
        what: what.to_string(),
    }
}

/// Kinds of keys in the legend.
pub(super) enum Key {
    Line(DataInk, Stroke),
    Fill,
    Dot(DataInk, super::Shape),
}

/// What frames a chart.
pub(super) struct Frame<'t> {
    pub(super) height: u32,
    pub(super) x: Range<f64>,
    pub(super) y: Range<f64>,
    pub(super) x_label: &'t str,
    pub(super) y_label: &'t str,
    pub(super) keys: Vec<(Key, &'t str)>,
    /// Names under the bars, at 0, 1, 2...; `None`: the axis has numbers.
    pub(super) x_names: Option<Vec<String>>,
}

impl Frame<'_> {
    /// Draws the frame, then the data by `data`.
    pub(super) fn draw(
        &self,
        behind: impl FnOnce(&mut Chart<'_, '_>) -> Result<(), Error>,
        data: impl FnOnce(&mut Chart<'_, '_>) -> Result<(), Error>,
    ) -> Result<Drawing, Error> {
        let mut svg = String::new();
        let place = {
            let root =
                SVGBackend::with_string(&mut svg, (WIDTH_UNITS, self.height)).into_drawing_area();
            root.fill(&colour(palette::PANEL)).map_err(fault)?;
            let mut builder = ChartBuilder::on(&root);
            builder
                .margin_top(if self.keys.is_empty() {
                    24
                } else {
                    24 + LEGEND_UNITS
                })
                .margin_right(36)
                .margin_left(12)
                .margin_bottom(8)
                .x_label_area_size(92)
                .y_label_area_size(128);
            let mut chart = builder
                .build_cartesian_2d(self.x.clone(), self.y.clone())
                .map_err(fault)?;
            behind(&mut chart)?;
            self.axes(&mut chart)?;
            data(&mut chart)?;
            self.legend(&root)?;
            let area = chart.plotting_area();
            let (left, top) = area.map_coordinate(&(self.x.start, self.y.end));
            let (right, bottom) = area.map_coordinate(&(self.x.end, self.y.start));
            root.present().map_err(fault)?;
            Place {
                left: f64::from(left),
                right: f64::from(right),
                top: f64::from(top),
                bottom: f64::from(bottom),
                x: self.x.clone(),
                y: self.y.clone(),
            }
        };
        Ok(Drawing::new(svg, self.height, place))
    }

    fn axes(&self, chart: &mut Chart<'_, '_>) -> Result<(), Error> {
        let dim = colour(palette::DIM);
        let text = ("sans-serif", LETTERS, &dim).into_text_style(&SIZE);
        let (x_span, y_span) = (self.x.end - self.x.start, self.y.end - self.y.start);
        let x_number = move |value: &f64| number(*value, x_span);
        let y_number = move |value: &f64| number(*value, y_span);
        let names = self.x_names.as_ref();
        let x_name = move |value: &f64| match names {
            Some(names) => names
                .iter()
                .enumerate()
                .find(|(at, _)| (*at as f64 - value).abs() < 0.01)
                .map_or(String::new(), |(_, name)| name.clone()),
            None => x_number(value),
        };
        let (x_label, y_label) = (plain(self.x_label), plain(self.y_label));
        let mut mesh = chart.configure_mesh();
        mesh.light_line_style(palette_rule())
            .bold_line_style(palette_rule())
            .max_light_lines(0)
            .axis_style(colour(palette::DIM).stroke_width(2))
            .x_labels(names.map_or(12, |names| 2 * names.len() + 2))
            .y_labels(6)
            .x_label_formatter(&x_name)
            .y_label_formatter(&y_number)
            .x_desc(x_label)
            .y_desc(y_label)
            .label_style(text.clone())
            .axis_desc_style(text);
        if names.is_some() {
            mesh.disable_x_mesh();
        }
        mesh.draw().map_err(fault)
    }

    fn legend(&self, root: &DrawingArea<SVGBackend<'_>, Shift>) -> Result<(), Error> {
        let ink = colour(palette::TEXT);
        let style = ("sans-serif", LETTERS, &ink)
            .into_text_style(root)
            .pos(Pos::new(HPos::Left, VPos::Center));
        let (mut x, y) = (140, 12 + LEGEND_UNITS / 2);
        for (key, name) in &self.keys {
            let ends = vec![(x, y), (x + 64, y)];
            match key {
                Key::Fill => root
                    .draw(&plotters::prelude::Rectangle::new(
                        [(x, y - 13), (x + 64, y + 13)],
                        colour(palette::HAZE).filled(),
                    ))
                    .map_err(fault)?,
                Key::Line(ink, Stroke::Solid) => root
                    .draw(&PathElement::new(ends, line_style(*ink)))
                    .map_err(fault)?,
                Key::Line(ink, stroke) => {
                    let (on, off) = dashes(*stroke);
                    let mut from = x;
                    while from < x + 64 {
                        let to = (from + on).min(x + 64);
                        root.draw(&PathElement::new(
                            vec![(from, y), (to, y)],
                            line_style(*ink),
                        ))
                        .map_err(fault)?;
                        from = to + off;
                    }
                }
                Key::Dot(ink, shape) => super::lines::draw_shape(root, (x + 32, y), *shape, *ink)?,
            }
            let name = plain(name);
            root.draw(&Text::new(name.clone(), (x + 76, y), style.clone()))
                .map_err(fault)?;
            let letters = name.chars().count() as f64 * f64::from(LETTERS) * LETTER_WIDTH;
            x += 76 + 48 + whole(letters);
        }
        Ok(())
    }
}

/// Lengths of dash and gap, units.
fn dashes(stroke: Stroke) -> (i32, i32) {
    match stroke {
        Stroke::Solid => (i32::MAX, 0),
        Stroke::Dashed => (20, 10),
        Stroke::Dotted => (5, 8),
    }
}

/// Draws points as a line, broken where a value is not known.
pub(super) fn draw_line(
    chart: &mut Chart<'_, '_>,
    points: &[(f64, Option<f64>)],
    ink: DataInk,
    stroke: Stroke,
) -> Result<(), Error> {
    for run in points.split(|(_, y)| y.is_none()) {
        let run: Vec<(f64, f64)> = run.iter().filter_map(|(x, y)| Some((*x, (*y)?))).collect();
        if stroke == Stroke::Solid {
            chart
                .draw_series(LineSeries::new(run, line_style(ink)))
                .map_err(fault)?;
        } else {
            let (on, off) = dashes(stroke);
            chart
                .draw_series(DashedLineSeries::new(run, on, off, line_style(ink)))
                .map_err(fault)?;
        }
    }
    Ok(())
}

fn palette_rule() -> ShapeStyle {
    colour(palette::RULE).stroke_width(2)
}

/// Any size: letters are given in units.
const SIZE: (u32, u32) = (WIDTH_UNITS, WIDTH_UNITS);

/// A number on an axis, with as many decimals as its span needs.
fn number(value: f64, span: f64) -> String {
    let decimals = if span >= 10.0 {
        0
    } else if span >= 1.0 {
        1
    } else if span >= 0.1 {
        2
    } else {
        3
    };
    let text = format!("{value:.decimals$}");
    // No minus zero; a true minus sign else.
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.to_owned(),
        Some(rest) => format!("\u{2212}{rest}"),
        None => text,
    }
}

/// A place in whole units.
#[allow(
    clippy::cast_possible_truncation,
    reason = "rounded and clamped to what a drawing can hold"
)]
pub(super) fn whole(units: f64) -> i32 {
    units.round().clamp(-1e6, 1e6) as i32
}

/// A range round values that has an extent, with a margin at the ends that aren't held at zero.
/// `None` where there is no value.
pub(super) fn range_round(
    values: impl Iterator<Item = f64>,
    from_zero: bool,
) -> Option<Range<f64>> {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for value in values.filter(|value| value.is_finite()) {
        low = low.min(value);
        high = high.max(value);
    }
    if low > high {
        return None;
    }
    if from_zero {
        low = low.min(0.0);
        high = high.max(0.0);
    }
    let span = if high > low {
        high - low
    } else {
        high.abs().max(1.0)
    };
    let held = |end: f64| from_zero && end.abs() < f64::EPSILON;
    let start = if held(low) { 0.0 } else { low - 0.06 * span };
    let end = if held(high) && low < 0.0 {
        0.0
    } else {
        high + 0.06 * span
    };
    Some(start..end)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn axis_numbers_have_the_decimals_their_span_needs() {
        assert_eq!(number(1987.0, 60.0), "1987");
        assert_eq!(number(0.25, 0.9), "0.25");
        assert_eq!(number(-0.0001, 5.0), "0.0");
        assert_eq!(number(-2.5, 8.0), "\u{2212}2.5");
    }

    #[test]
    fn ranges_have_an_extent_whatever_the_values() {
        assert_eq!(range_round([].into_iter(), true), None);
        let flat = range_round([3.0, 3.0].into_iter(), false).unwrap();
        assert!(flat.start < 3.0 && flat.end > 3.0);
        let zero = range_round([0.0].into_iter(), true).unwrap();
        assert!(zero.start.abs() < 1e-12 && zero.end > 0.0, "{zero:?}");
        let below = range_round([-2.0, -1.0].into_iter(), true).unwrap();
        assert!(below.start < -2.0 && below.end.abs() < 1e-12, "{below:?}");
        let mixed = range_round([f64::NAN, 1.0, 2.0].into_iter(), false).unwrap();
        assert!((mixed.end - 2.06).abs() < 1e-9);
    }
}
