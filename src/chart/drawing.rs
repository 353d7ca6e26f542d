//! A drawn chart: as a file, as a picture, or as a part of a page.

use super::WIDTH_UNITS;
use super::frame::{fault, plain};
use crate::error::Error;
use crate::palette;
use maud::{Markup, PreEscaped, html};
use resvg::{tiny_skia, usvg};
use std::ops::Range;
use std::sync::Arc;

/// Where the values lie in a drawing, units.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Place {
    pub(super) left: f64,
    pub(super) right: f64,
    pub(super) top: f64,
    pub(super) bottom: f64,
    pub(super) x: Range<f64>,
    pub(super) y: Range<f64>,
}

/// A stretch of the x axis that answers to the pointer.
#[derive(Debug, Clone, PartialEq)]
pub struct Hit {
    /// Where it begins, in values of the x axis.
    pub from: f64,
    /// Where it ends.
    pub to: f64,
    /// What it belongs to: becomes `data-ring`.
    pub ring: u32,
    /// What it says.
    pub label: String,
}

/// A drawn chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    svg: String,
    height: u32,
    place: Place,
}

impl Drawing {
    pub(super) fn new(svg: String, height: u32, place: Place) -> Self {
        Drawing { svg, height, place }
    }

    /// The chart as the text of an SVG file, in the light colours.
    pub fn svg(&self) -> &str {
        &self.svg
    }

    /// The chart as the bytes of a PNG file, `width_px` wide, with the program's own letters.
    ///
    /// # Errors
    /// [`Error::Fault`] where the SVG is not rendered.
    ///
    /// # Memory
    /// Four bytes a pixel.
    pub fn png(&self, width_px: u32) -> Result<Vec<u8>, Error> {
        let mut fonts = usvg::fontdb::Database::new();
        fonts.load_font_source(usvg::fontdb::Source::Binary(Arc::new(
            crate::draw::FONT_FILE,
        )));
        fonts.set_sans_serif_family("DejaVu Sans");
        let options = usvg::Options {
            fontdb: Arc::new(fonts),
            font_family: "DejaVu Sans".to_owned(),
            ..usvg::Options::default()
        };
        let tree = usvg::Tree::from_str(&self.svg, &options).map_err(fault)?;
        let height_px = (u64::from(width_px) * u64::from(self.height)).div_ceil(WIDTH_UNITS.into());
        let height_px = u32::try_from(height_px).map_err(fault)?;
        let mut picture = tiny_skia::Pixmap::new(width_px, height_px)
            .ok_or_else(|| fault(format!("a chart {width_px} x {height_px} px can't be held")))?;
        let scale = single(f64::from(width_px) / f64::from(WIDTH_UNITS));
        let transform = tiny_skia::Transform::from_scale(scale, scale);
        resvg::render(&tree, transform, &mut picture.as_mut());
        picture.encode_png().map_err(fault)
    }

    /// The chart as a part of a page: it fills the width, follows the page's colours, and says `text`
    /// to those who can't see it. `name` becomes its id.
    pub fn inline(&self, name: &str, text: &str, hits: &[Hit]) -> Markup {
        let mut inner = self.inner().to_owned();
        for ink in palette::ALL {
            let hex = ink.light_hex();
            let follows = format!("\"var(--{}, {hex})\"", ink.name);
            inner = inner.replace(&format!("\"{hex}\""), &follows);
        }
        let hits = hits
            .iter()
            .map(|hit| (self.x_at(hit.from), self.x_at(hit.to), hit));
        let top = self.place.top;
        let high = self.place.bottom - top;
        html! {
            svg.chart id=(name) role="img" aria-label=(text) viewBox={ "0 0 " (WIDTH_UNITS) " " (self.height) }
                xmlns="http://www.w3.org/2000/svg" data-left=(self.place.left) data-right=(self.place.right) {
                (PreEscaped(inner))
                @for (left, right, hit) in hits {
                    rect.hit data-ring=(hit.ring) x=(format!("{left:.1}")) y=(top) width=(format!("{:.1}", right - left)) height=(high) fill="transparent" {
                        title { (plain(&hit.label)) }
                    }
                }
            }
        }
    }

    /// Place of a value of the x axis, units.
    pub fn x_at(&self, value: f64) -> f64 {
        let Place { left, right, x, .. } = &self.place;
        left + (value - x.start) / (x.end - x.start) * (right - left)
    }

    /// Place of a value of the y axis, units.
    pub fn y_at(&self, value: f64) -> f64 {
        let Place { top, bottom, y, .. } = &self.place;
        bottom - (value - y.start) / (y.end - y.start) * (bottom - top)
    }

    /// What is between the tags of the SVG.
    fn inner(&self) -> &str {
        let from = self.svg.find('>').map_or(0, |at| at + 1);
        let to = self.svg.rfind("</svg>").unwrap_or(self.svg.len());
        self.svg.get(from..to).unwrap_or("")
    }
}

/// A scale in the precision of the renderer.
#[allow(
    clippy::cast_possible_truncation,
    reason = "less precision is the purpose"
)]
fn single(value: f64) -> f32 {
    value as f32
}

#[cfg(test)]
mod tests {
    use super::super::{Band, DataInk, Line, LineChart, Mark, Shape, Span, Stroke};
    use super::*;

    fn chart() -> LineChart {
        LineChart {
            x_label: "year".into(),
            y_label: "ring width, mm".into(),
            lines: vec![
                Line {
                    name: "ring width".into(),
                    points: (0..40)
                        .map(|i| {
                            let x = f64::from(i);
                            (
                                1980.0 + x,
                                (i != 20).then_some(3.0 - 0.05 * x + (x * 1.3).sin() * 0.6),
                            )
                        })
                        .collect(),
                    ink: DataInk::First,
                    stroke: Stroke::Solid,
                },
                Line {
                    name: "local trend".into(),
                    points: (0..40)
                        .map(|i| (1980.0 + f64::from(i), Some(3.0 - 0.05 * f64::from(i))))
                        .collect(),
                    ink: DataInk::Second,
                    stroke: Stroke::Dashed,
                },
            ],
            bands: vec![Band {
                name: "band".into(),
                points: (0..40)
                    .map(|i| {
                        let y = 3.0 - 0.05 * f64::from(i);
                        (1980.0 + f64::from(i), y - 0.2, y + 0.2)
                    })
                    .collect(),
            }],
            spans: vec![Span {
                from: 1990.0,
                to: 1993.0,
            }],
            spans_name: "doubtful rings".into(),
            marks: vec![Mark {
                x: 2000.0,
                y: 2.0,
                shape: Shape::OpenDot,
                label: "<script>alert(1)</script>\u{1}".into(),
            }],
            ..LineChart::default()
        }
    }

    #[test]
    fn values_lie_where_the_drawing_says() {
        let drawing = chart().draw().unwrap();
        let p = &drawing.place;
        assert!((drawing.x_at(p.x.start) - p.left).abs() < 1e-9);
        assert!((drawing.y_at(p.y.end) - p.top).abs() < 1e-9);
        // The open dot at (2000, 2.0) is a circle of the SVG, its place rounded to whole units.
        let near = |at: f64| [at.floor(), at.ceil(), at.floor() - 1.0, at.ceil() + 1.0];
        let found = near(drawing.x_at(2000.0)).iter().any(|x| {
            near(drawing.y_at(2.0)).iter().any(|y| {
                drawing
                    .svg
                    .contains(&format!("<circle cx=\"{x}\" cy=\"{y}\""))
            })
        });
        assert!(found, "{} {}", drawing.x_at(2000.0), drawing.y_at(2.0));
    }

    #[test]
    fn hostile_texts_stay_text_in_file_and_page() {
        let drawing = chart().draw().unwrap();
        assert!(!drawing.svg().contains("<script"));
        assert!(!drawing.svg().contains('\u{1}'));
        let hit = Hit {
            from: 1990.0,
            to: 1991.0,
            ring: 11,
            label: "</title></rect><script>alert(1)</script>".into(),
        };
        let page = drawing
            .inline("widths", "\"><script>", &[hit])
            .into_string();
        assert!(!page.contains("<script"), "{page}");
        assert!(page.contains("data-ring=\"11\""));
    }

    #[test]
    fn on_a_page_every_colour_follows_the_reader() {
        let page = chart()
            .draw()
            .unwrap()
            .inline("widths", "text", &[])
            .into_string();
        // A colour that is drawn but not in the palette would stay light in the dark.
        for part in page.split("=\"#").skip(1) {
            panic!("a colour of its own: #{}", &part[..6]);
        }
        assert!(page.contains("var(--bark, #7A3E12)"));
    }

    #[test]
    fn the_png_has_letters_and_lines() {
        let drawing = chart().draw().unwrap();
        let bytes = drawing.png(800).unwrap();
        std::fs::create_dir_all("target/charts").unwrap();
        std::fs::write("target/charts/lines.png", &bytes).unwrap();
        let picture = image::load_from_memory(&bytes).unwrap().to_rgb8();
        assert_eq!(picture.dimensions(), (800, 280));
        let inked = |x: Range<u32>, y: Range<u32>| {
            y.flat_map(|y| x.clone().map(move |x| (x, y)))
                .filter(|(x, y)| picture.get_pixel(*x, *y).0[0] < 140)
                .count()
        };
        // The name of the x axis stands in the lowest rows, the curve in the middle.
        assert!(inked(300..600, 255..280) > 50, "no letters");
        assert!(inked(100..780, 60..200) > 500, "no lines");
    }

    #[test]
    fn a_chart_without_a_value_is_refused() {
        let told = LineChart::default().draw().unwrap_err().to_string();
        assert!(told.contains("no value"), "{told}");
    }
}
