//! A chart of lines over a number: years, ages, ring numbers.

use super::drawing::Drawing;
use super::frame::{Frame, Key, colour, draw_line, fault, plain, range_round};
use super::{DataInk, Stroke};
use crate::error::Error;
use crate::palette;
use plotters::coord::Shift;
use plotters::prelude::{
    Circle, DrawingArea, PathElement, Polygon, Rectangle, SVGBackend, Text, TriangleMarker,
};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, IntoTextStyle};

/// A line of the chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Name in the legend; empty: not in it.
    pub name: String,
    /// Places and values; `None` breaks the line.
    pub points: Vec<(f64, Option<f64>)>,
    /// Colour.
    pub ink: DataInk,
    /// Dashes.
    pub stroke: Stroke,
}

/// A band between two values, as of a confidence interval.
#[derive(Debug, Clone, PartialEq)]
pub struct Band {
    /// Name in the legend; empty: not in it.
    pub name: String,
    /// Place, lower and upper value.
    pub points: Vec<(f64, f64, f64)>,
}

/// A stretch of the x axis that is set off, as of doubtful rings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// Where it begins.
    pub from: f64,
    /// Where it ends.
    pub to: f64,
}

/// Shape of a mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// An open dot.
    OpenDot,
    /// A full dot.
    Dot,
    /// A full triangle that points up.
    Up,
    /// An open triangle that points down.
    Down,
}

/// A mark at a value, with a word if need be.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Place.
    pub x: f64,
    /// Value.
    pub y: f64,
    /// Shape.
    pub shape: Shape,
    /// Word above it; may be empty.
    pub label: String,
}

/// A chart of lines, bands, spans and marks.
#[derive(Debug, Clone, PartialEq)]
pub struct LineChart {
    /// Height over [`super::WIDTH_UNITS`] units of width, units.
    pub height: u32,
    /// What the x axis counts.
    pub x_label: String,
    /// What the y axis measures, with its unit.
    pub y_label: String,
    /// Whether the y axis shows zero.
    pub from_zero: bool,
    /// Lines, the first drawn on top.
    pub lines: Vec<Line>,
    /// Bands, behind the lines.
    pub bands: Vec<Band>,
    /// Stretches set off, behind all.
    pub spans: Vec<Span>,
    /// Name of the stretches in the legend.
    pub spans_name: String,
    /// Marks, on top.
    pub marks: Vec<Mark>,
    /// Names of kinds of marks in the legend.
    pub marks_names: Vec<(Shape, String)>,
}

impl Default for LineChart {
    fn default() -> Self {
        LineChart {
            height: 560,
            x_label: String::new(),
            y_label: String::new(),
            from_zero: true,
            lines: Vec::new(),
            bands: Vec::new(),
            spans: Vec::new(),
            spans_name: String::new(),
            marks: Vec::new(),
            marks_names: Vec::new(),
        }
    }
}

impl LineChart {
    /// Draws it.
    ///
    /// # Errors
    /// [`Error::BadData`] where no line has a value, [`Error::Fault`] of the drawing library.
    pub fn draw(&self) -> Result<Drawing, Error> {
        let known = |line: &'_ Line| -> Vec<(f64, f64)> {
            let points = line.points.iter();
            points.filter_map(|(x, y)| Some((*x, (*y)?))).collect()
        };
        let points: Vec<(f64, f64)> = self.lines.iter().flat_map(known).collect();
        let xs = points.iter().map(|p| p.0).chain(
            self.bands
                .iter()
                .flat_map(|band| band.points.iter().map(|p| p.0)),
        );
        let ys = points
            .iter()
            .map(|p| p.1)
            .chain(
                self.bands
                    .iter()
                    .flat_map(|band| band.points.iter().flat_map(|p| [p.1, p.2])),
            )
            .chain(self.marks.iter().map(|mark| mark.y));
        let no_value = || Error::BadData {
            path: "chart".into(),
            line: None,
            what: "no value to draw".to_owned(),
            way_out: "give at least one".to_owned(),
        };
        let (low, high) = xs.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| {
            (low.min(x), high.max(x))
        });
        let y = range_round(ys, self.from_zero).ok_or_else(no_value)?;
        let frame = Frame {
            height: self.height,
            // Half a year on either side, so that the first and the last stand free.
            x: low - 0.5..high + 0.5,
            y: y.clone(),
            x_label: &self.x_label,
            y_label: &self.y_label,
            keys: self.keys(),
            x_names: None,
        };
        frame.draw(
            |chart| {
                for span in &self.spans {
                    let (from, to) = (span.from.max(low - 0.5), span.to.min(high + 0.5));
                    if from < to {
                        let corners = [(from, y.start), (to, y.end)];
                        let filled = Rectangle::new(corners, colour(palette::HAZE).filled());
                        chart.draw_series([filled]).map_err(fault)?;
                    }
                }
                for band in &self.bands {
                    let up = band.points.iter().map(|p| (p.0, p.1));
                    let down = band.points.iter().rev().map(|p| (p.0, p.2));
                    let outline: Vec<(f64, f64)> = up.chain(down).collect();
                    let filled = Polygon::new(outline, colour(palette::HAZE).filled());
                    chart.draw_series([filled]).map_err(fault)?;
                }
                Ok(())
            },
            |chart| {
                for line in self.lines.iter().rev() {
                    draw_line(chart, &line.points, line.ink, line.stroke)?;
                }
                let ink = colour(palette::TEXT);
                let style = ("sans-serif", super::frame::LETTERS, &ink)
                    .into_text_style(chart.plotting_area())
                    .pos(Pos::new(HPos::Center, VPos::Bottom));
                let area = chart.plotting_area().strip_coord_spec();
                let (left, top) = area.get_base_pixel();
                for mark in &self.marks {
                    let (x, y) = chart.plotting_area().map_coordinate(&(mark.x, mark.y));
                    let at = (x - left, y - top);
                    draw_shape(&area, at, mark.shape, DataInk::First)?;
                    if !mark.label.is_empty() {
                        let text = Text::new(plain(&mark.label), (at.0, at.1 - 14), style.clone());
                        area.draw(&text).map_err(fault)?;
                    }
                }
                Ok(())
            },
        )
    }

    fn keys(&self) -> Vec<(Key, &str)> {
        let lines = self.lines.iter();
        let mut keys: Vec<(Key, &str)> = lines
            .map(|line| (Key::Line(line.ink, line.stroke), line.name.as_str()))
            .collect();
        keys.extend(
            self.bands
                .iter()
                .map(|band| (Key::Fill, band.name.as_str())),
        );
        if !self.spans.is_empty() {
            keys.push((Key::Fill, &self.spans_name));
        }
        for (shape, name) in &self.marks_names {
            keys.push((Key::Dot(DataInk::First, *shape), name));
        }
        keys.retain(|(_, name)| !name.is_empty());
        keys
    }
}

/// Draws a mark at a place of the drawing, units.
pub(super) fn draw_shape(
    area: &DrawingArea<SVGBackend<'_>, Shift>,
    (x, y): (i32, i32),
    shape: Shape,
    ink: DataInk,
) -> Result<(), Error> {
    let (full, ring) = (
        colour(ink.ink()).filled(),
        colour(ink.ink()).stroke_width(4),
    );
    let ground = colour(palette::PANEL).filled();
    match shape {
        Shape::Dot => area.draw(&Circle::new((x, y), 9, full)).map_err(fault),
        Shape::OpenDot => {
            area.draw(&Circle::new((x, y), 8, ground)).map_err(fault)?;
            area.draw(&Circle::new((x, y), 8, ring)).map_err(fault)
        }
        Shape::Up => area
            .draw(&TriangleMarker::new((x, y), 14, full))
            .map_err(fault),
        Shape::Down => {
            let corners = vec![
                (x - 12, y - 10),
                (x + 12, y - 10),
                (x, y + 12),
                (x - 12, y - 10),
            ];
            area.draw(&Polygon::new(corners.clone(), ground))
                .map_err(fault)?;
            area.draw(&PathElement::new(corners, ring)).map_err(fault)
        }
    }
}
