//! A chart of bars, each with a name and, where known, the interval of its value.

use super::DataInk;
use super::drawing::Drawing;
use super::frame::{Frame, colour, fault, range_round};
use crate::error::Error;
use crate::palette;
use plotters::prelude::{PathElement, Rectangle};
use plotters::style::Color;

/// A bar.
#[derive(Debug, Clone, PartialEq)]
pub struct Bar {
    /// Name under it.
    pub name: String,
    /// Value; `None` leaves its place empty.
    pub value: Option<f64>,
    /// Ends of the interval of the value.
    pub interval: Option<(f64, f64)>,
    /// Whether it is drawn full; open bars are those that say nothing for sure.
    pub is_full: bool,
}

/// A chart of bars from zero.
#[derive(Debug, Clone, PartialEq)]
pub struct BarChart {
    /// Height over [`super::WIDTH_UNITS`] units of width, units.
    pub height: u32,
    /// What the bars stand for.
    pub x_label: String,
    /// What they measure, with its unit.
    pub y_label: String,
    /// The bars from left to right.
    pub bars: Vec<Bar>,
}

impl BarChart {
    /// Draws it.
    ///
    /// # Errors
    /// [`Error::BadData`] where no bar has a value, [`Error::Fault`] of the drawing library.
    pub fn draw(&self) -> Result<Drawing, Error> {
        let values = self.bars.iter().flat_map(|bar| {
            let ends = bar.interval.map(|(low, high)| [low, high]);
            bar.value.into_iter().chain(ends.into_iter().flatten())
        });
        let y = range_round(values, true).ok_or_else(|| Error::BadData {
            path: "chart".into(),
            line: None,
            what: "no value to draw".to_owned(),
            way_out: "give at least one".to_owned(),
        })?;
        let frame = Frame {
            height: self.height,
            x: -0.6..self.bars.len() as f64 - 0.4,
            y,
            x_label: &self.x_label,
            y_label: &self.y_label,
            keys: Vec::new(),
            x_names: Some(self.bars.iter().map(|bar| bar.name.clone()).collect()),
        };
        frame.draw(
            |_| Ok(()),
            |chart| {
                let ink = colour(DataInk::First.ink());
                for (at, bar) in self.bars.iter().enumerate() {
                    let x = at as f64;
                    if let Some(value) = bar.value {
                        let corners = [(x - 0.34, 0.0), (x + 0.34, value)];
                        let style = if bar.is_full {
                            ink.filled()
                        } else {
                            ink.stroke_width(3)
                        };
                        chart
                            .draw_series([Rectangle::new(corners, style)])
                            .map_err(fault)?;
                    }
                    if let Some((low, high)) = bar.interval {
                        let style = colour(palette::TEXT).stroke_width(3);
                        let strokes = [
                            vec![(x, low), (x, high)],
                            vec![(x - 0.12, low), (x + 0.12, low)],
                            vec![(x - 0.12, high), (x + 0.12, high)],
                        ];
                        let strokes = strokes.map(|ends| PathElement::new(ends, style));
                        chart.draw_series(strokes).map_err(fault)?;
                    }
                }
                let ends = vec![(-0.6, 0.0), (self.bars.len() as f64 - 0.4, 0.0)];
                let axis = PathElement::new(ends, colour(palette::DIM).stroke_width(2));
                chart.draw_series([axis]).map_err(fault)?;
                Ok(())
            },
        )
    }
}
