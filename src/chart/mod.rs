//! The house style of charts: lines, bands, bars, drawn once and used on pages, as SVG and as PNG.
//!
//! A chart says what it shows ([`LineChart`], [`BarChart`]) and is drawn into a [`Drawing`] by
//! plotters. Lines differ by their dashes and by lightness before they differ by colour, marks by
//! shape: a chart is readable in grey. Colours are those of [`crate::palette`]; on a page they follow
//! the reader into the dark.
//!
//! A drawing is [`WIDTH_UNITS`] wide in units of its own (plotters rounds places to whole units, and
//! these are half a pixel or less on a screen) and fills the width it is given.

mod bars;
mod drawing;
mod frame;
mod lines;

pub use bars::{Bar, BarChart};
pub use drawing::{Drawing, Hit};
pub use lines::{Band, Line, LineChart, Mark, Shape, Span};

use crate::palette::{self, Ink};

/// Width of every drawing, units.
pub const WIDTH_UNITS: u32 = 1600;

/// How a line is drawn; the stroke tells lines apart without colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stroke {
    /// An unbroken line.
    Solid,
    /// Long dashes.
    Dashed,
    /// Short dashes.
    Dotted,
}

/// Colour of a line or bar, by its order in the chart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DataInk {
    /// What the chart is about.
    First,
    /// What it is compared with.
    Second,
    /// A third.
    Third,
    /// What lies in the background: means, limits.
    Ground,
}

impl DataInk {
    fn ink(self) -> Ink {
        match self {
            DataInk::First => palette::BARK,
            DataInk::Second => palette::WATER,
            DataInk::Third => palette::LEAF,
            DataInk::Ground => palette::DIM,
        }
    }
}
