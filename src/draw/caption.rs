//! The caption under a picture: the count with its band, what is known of the disc, what the
//! lines mean, and the notes.

use super::canvas::{Canvas, Dash};
use super::lettering::Lettering;
use super::{DIM, DOUBTFUL, GROUND, INK, SURE, is_sure, plain_pen, ring_pen};
use crate::calendar::{OuterState, year_text};
use crate::reading::{OutlineState, PithState, Reading, Scale};
use crate::ring_area::equivalent_radius_px;
use crate::settings::Settings;
use crate::tables::{age_text, length_text};

/// At most so many notes are written out; more are counted.
const MAX_NOTES: usize = 3;

/// Lines that a note may take; on a picture too narrow for that its beginning has to do.
const MAX_NOTE_LINES: usize = 3;

/// Sizes of the letters of a picture, em sizes in px.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sizes {
    /// The count.
    pub(crate) headline_px: f32,
    /// The rest of the caption.
    pub(crate) body_px: f32,
    /// Numbers at the marks.
    pub(crate) mark_px: f32,
}

impl Sizes {
    /// Sizes for a picture by its shorter side, px: a forty-fifth of it for the count. On a photo
    /// shown 1000 px wide that is 17 to 22 px. Never under 11 px, where letters stop being legible.
    pub(crate) fn of(shorter_px: f32) -> Self {
        let base = shorter_px / 45.0;
        Sizes {
            headline_px: (1.15 * base).max(14.0),
            body_px: (0.8 * base).max(11.0),
            mark_px: (0.72 * base).max(11.0),
        }
    }
}

/// A sample in the legend with its words.
#[derive(Debug, Clone)]
enum Key {
    Sure(String),
    Doubtful(String),
    Edge(String),
    Cross(String),
    Hatch(String),
}

impl Key {
    fn words(&self) -> &str {
        match self {
            Key::Sure(w) | Key::Doubtful(w) | Key::Edge(w) | Key::Cross(w) | Key::Hatch(w) => w,
        }
    }
}

/// A caption, laid out for a width.
pub(crate) struct Caption {
    sizes: Sizes,
    headline: String,
    lines: Vec<String>,
    legend: Vec<Vec<Key>>,
    notes: Vec<String>,
}

/// What a caption is to tell of the picture it stands under.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Shows {
    /// The wood's edge is drawn.
    pub(crate) edge: bool,
    /// Cross marks are drawn.
    pub(crate) marks: bool,
    /// Zones are hatched.
    pub(crate) zones: bool,
    /// The notes are written out.
    pub(crate) notes: bool,
}

impl Caption {
    /// Lays out the caption for a picture `width_px` wide.
    pub(crate) fn new(
        letters: &Lettering,
        sizes: Sizes,
        width_px: f32,
        reading: &Reading,
        settings: &Settings,
        shows: Shows,
    ) -> Self {
        let room = width_px - 2.0 * margin(sizes);
        let fit = |text: &str, size| letters.shorten(text, size, room);
        let headline = fit(&age_text(reading), sizes.headline_px);
        // A part that is too long for a line by itself is shortened.
        let lines_of = |parts: &[String], separator: &str| -> Vec<String> {
            wrap(parts, |line| {
                letters.width_px(&line.join(separator), sizes.body_px) <= room
            })
            .iter()
            .map(|line| fit(&line.join(separator), sizes.body_px))
            .collect()
        };
        let lines = lines_of(&facts(reading, settings), SEPARATOR);
        let legend = wrap(&keys(reading, settings, shows), |line| {
            let words: f32 = line.iter().map(|key| key_px(letters, sizes, key)).sum();
            words - key_gap(sizes) <= room
        });
        let mut notes = Vec::new();
        if shows.notes {
            for note in reading.notes.iter().take(MAX_NOTES) {
                let words: Vec<String> = note.text.split(' ').map(str::to_owned).collect();
                let lines = lines_of(&words, " ");
                if lines.len() <= MAX_NOTE_LINES {
                    notes.extend(lines);
                } else {
                    notes.push(fit(&note.text, sizes.body_px));
                }
            }
            let more = reading.notes.len().saturating_sub(MAX_NOTES);
            if more > 0 {
                notes.push(fit(
                    &format!("and {more} more in the reading"),
                    sizes.body_px,
                ));
            }
        }
        Caption {
            sizes,
            headline,
            lines,
            legend,
            notes,
        }
    }

    /// Height, px.
    pub(crate) fn height_px(&self, letters: &Lettering) -> f32 {
        let rows = self.lines.len() + self.legend.len() + self.notes.len();
        letters.line_px(self.sizes.headline_px) * 1.15
            + letters.line_px(self.sizes.body_px) * 1.15 * rows as f32
            + 1.2 * margin(self.sizes)
    }

    /// Draws it with its upper edge at `top_px`.
    pub(crate) fn draw(&self, canvas: &mut Canvas<'_>, letters: &Lettering, top_px: f32) {
        let Sizes {
            headline_px,
            body_px,
            ..
        } = self.sizes;
        let left = margin(self.sizes);
        let bottom = top_px + self.height_px(letters);
        canvas.plate(
            [0.0, top_px, canvas.width() as f32, bottom + 1.0],
            GROUND,
            1.0,
        );
        let mut y = top_px + 0.6 * left;
        letters.draw(canvas, (left, y), headline_px, &self.headline, INK);
        y += letters.line_px(headline_px) * 1.15;
        let line = letters.line_px(body_px) * 1.15;
        for text in &self.lines {
            letters.draw(canvas, (left, y), body_px, text, INK);
            y += line;
        }
        for keys in &self.legend {
            let mut x = left;
            for key in keys {
                sample(
                    canvas,
                    self.sizes,
                    key,
                    x,
                    y + 0.5 * letters.line_px(body_px),
                );
                let at = (x + sample_px(self.sizes) + 0.5 * body_px, y);
                letters.draw(canvas, at, body_px, key.words(), DIM);
                x += key_px(letters, self.sizes, key);
            }
            y += line;
        }
        for text in &self.notes {
            letters.draw(canvas, (left, y), body_px, text, DIM);
            y += line;
        }
    }
}

const SEPARATOR: &str = "  ·  ";

fn margin(sizes: Sizes) -> f32 {
    0.9 * sizes.body_px
}

fn sample_px(sizes: Sizes) -> f32 {
    3.4 * sizes.body_px
}

fn key_gap(sizes: Sizes) -> f32 {
    1.6 * sizes.body_px
}

fn key_px(letters: &Lettering, sizes: Sizes, key: &Key) -> f32 {
    sample_px(sizes)
        + 0.5 * sizes.body_px
        + letters.width_px(key.words(), sizes.body_px)
        + key_gap(sizes)
}

/// Sets items into lines, as many in each as fit.
fn wrap<T: Clone>(items: &[T], fits: impl Fn(&[T]) -> bool) -> Vec<Vec<T>> {
    let mut lines: Vec<Vec<T>> = Vec::new();
    for item in items {
        if let Some(line) = lines.last_mut() {
            line.push(item.clone());
            if fits(line) {
                continue;
            }
            line.pop();
        }
        lines.push(vec![item.clone()]);
    }
    lines
}

/// What is known of the disc, in phrases.
fn facts(reading: &Reading, settings: &Settings) -> Vec<String> {
    let mut facts = vec![reading.photo.file.clone()];
    if !reading.rings.is_empty() {
        facts.push(reading.wood.kind.name().to_owned());
    }
    let missing = &reading.age.missing_centre;
    if missing.high > 0 {
        facts.push(format!(
            "{} of the rings lost with the centre ({} to {})",
            missing.rings, missing.low, missing.high
        ));
    }
    let years = reading.rings.first().zip(reading.rings.last());
    if let Some((Some(first), Some(last))) = years.map(|(a, b)| (a.year, b.year)) {
        facts.push(format!("{} to {}", year_text(first), year_text(last)));
    }
    facts.extend(calendar_fact(reading));
    let diameter_px = equivalent_radius_px(&reading.outline.radius_px).map(|r| 2.0 * r);
    match (&reading.scale, diameter_px) {
        (Some(scale), Some(px)) => {
            let length = length_text(px * scale.mm_per_px, settings.unit);
            facts.push(format!("mean diameter {length}"));
        }
        (None, Some(px)) => facts.push(format!("mean diameter {px:.0} px")),
        _ => {}
    }
    match &reading.scale {
        Some(scale) => facts.push(scale_fact(scale)),
        None => facts.push("scale unknown".to_owned()),
    }
    if !reading.rings.is_empty() {
        match reading.pith.state {
            PithState::Seen => {}
            PithState::Inferred => facts.push("pith inferred".to_owned()),
            PithState::Outside => facts.push("pith outside the photo".to_owned()),
        }
        facts.push(
            match reading.outline.state {
                OutlineState::Bark => "edge under bark",
                OutlineState::Wood => "edge of bare wood",
                OutlineState::Frame => "edge partly outside the photo",
                OutlineState::Unclear => "edge unclear",
            }
            .to_owned(),
        );
    }
    facts
}

/// The scale and where it is from.
fn scale_fact(scale: &Scale) -> String {
    let from = match (&scale.ruler, scale.source.as_str()) {
        (Some(ruler), _) => format!(
            " by the ruler, {} graduations, {:.0} % sure",
            ruler.graduations,
            100.0 * ruler.confidence
        ),
        (None, "given") => String::new(),
        (None, source) => format!(" by {source}"),
    };
    let tilt = if scale.tilt.is_some() {
        ", corrected for tilt"
    } else {
        ""
    };
    format!("{:.4} mm a pixel{from}{tilt}", scale.mm_per_px)
}

/// What the calendar adds to the years.
fn calendar_fact(reading: &Reading) -> Option<String> {
    let calendar = reading.calendar.as_ref()?;
    let felled = calendar
        .felled
        .as_ref()
        .map(|date| format!("felled {date}"));
    let state = match calendar.outermost.map(|outer| outer.state) {
        Some(OuterState::Begun) => Some("last ring begun".to_owned()),
        Some(OuterState::Complete) => Some("last ring complete".to_owned()),
        Some(OuterState::LaterLost) => Some("later rings lost".to_owned()),
        Some(OuterState::Unknown) => None,
        None => Some("rings not dated".to_owned()),
    };
    let parts: Vec<String> = felled.into_iter().chain(state).collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}

fn keys(reading: &Reading, settings: &Settings, shows: Shows) -> Vec<Key> {
    let mut keys = Vec::new();
    if !reading.rings.is_empty() {
        let sure = reading
            .rings
            .iter()
            .filter(|ring| is_sure(ring.confidence))
            .count();
        keys.push(Key::Sure(format!("sure ({sure})")));
        keys.push(Key::Doubtful(format!(
            "doubtful ({})",
            reading.rings.len() - sure
        )));
        if shows.marks {
            keys.push(Key::Cross(format!("every {}th ring", settings.mark_every)));
        }
    }
    if shows.edge {
        keys.push(Key::Edge("wood's edge".to_owned()));
    }
    if shows.zones {
        keys.push(Key::Hatch("not read".to_owned()));
    }
    keys
}

/// Draws the sample of a legend entry.
fn sample(canvas: &mut Canvas<'_>, sizes: Sizes, key: &Key, x: f32, y: f32) {
    let (x, y) = (f64::from(x), f64::from(y));
    let long = f64::from(sample_px(sizes));
    let thick = (0.14 * sizes.body_px).max(1.5);
    let wide = 100.0 * f64::from(thick);
    let ends = |pen| [((x, y), pen), ((x + long, y), pen)];
    match key {
        Key::Sure(_) => canvas.line(&ends(ring_pen(wide, thick, SURE)), None),
        Key::Doubtful(_) => {
            let pen = ring_pen(wide, thick, DOUBTFUL);
            let on_px = 0.16 * long;
            let off_px = 0.12 * long;
            canvas.line(&ends(pen), Some(Dash { on_px, off_px }));
        }
        Key::Edge(_) => canvas.line(&ends(plain_pen(1.8 * thick)), None),
        Key::Cross(_) => {
            let pen = plain_pen(thick);
            canvas.line(&ends(pen), None);
            cross(
                canvas,
                (x + 0.5 * long, y),
                0.35 * f64::from(sizes.body_px),
                0.0,
                &pen,
            );
        }
        Key::Hatch(_) => {
            let pen = plain_pen(0.7 * thick);
            let half = 0.4 * f64::from(sizes.body_px);
            for i in 0..5 {
                let middle = x + long * (0.1 + 0.2 * f64::from(i));
                canvas.segment((middle + half, y - half), (middle - half, y + half), &pen);
            }
        }
    }
}

/// A cross mark of two slanted strokes, turned by an azimuth in radians.
pub(crate) fn cross(
    canvas: &mut Canvas<'_>,
    (x, y): (f64, f64),
    half_px: f64,
    azimuth: f64,
    pen: &super::canvas::Pen,
) {
    for slant in [45.0_f64, 135.0] {
        let (sin, cos) = (azimuth + slant.to_radians()).sin_cos();
        canvas.segment(
            (x - half_px * cos, y - half_px * sin),
            (x + half_px * cos, y + half_px * sin),
            pen,
        );
    }
}
