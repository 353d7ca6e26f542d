//! Where the index line is ruled: the azimuth along which a person counts most easily.
//!
//! Every degree is scored by its neighbourhood: for each ring that is known there and lies in the
//! photo, its confidence, weighed by how strong a step of brightness the photo has at that boundary
//! and by whether the ring is wide enough to be seen apart. Deterministic: ties go to the least
//! azimuth. No source; made for this program.

use crate::reading::Reading;
use image::RgbImage;

/// Half of the neighbourhood, degrees. Four: a finger's width of wood beside the line at the bark.
const HALF_DEG: usize = 4;

/// A step of this many grey levels counts half. Grain and noise make steps of a few levels on any
/// line; latewood against earlywood makes tens.
const HALF_STEP: f64 = 12.0;

/// Rings this wide, px, are told apart as easily as they ever will be.
const EASY_WIDTH_PX: f64 = 12.0;

/// The azimuth of the index line, whole degrees, or `None` where no ring lies in the photo.
pub(crate) fn azimuth_deg(photo: &RgbImage, reading: &Reading) -> Option<usize> {
    let scores: Vec<f64> = (0..360).map(|a| score(photo, reading, a)).collect();
    let around = |a: usize| -> f64 {
        (0..=2 * HALF_DEG)
            .map(|i| scores[(a + 360 + i - HALF_DEG) % 360])
            .sum()
    };
    let mut best: Option<(usize, f64)> = None;
    for (azimuth, own) in scores.iter().enumerate() {
        let sum = around(azimuth);
        if *own > 0.0 && best.is_none_or(|(_, most)| sum > most) {
            best = Some((azimuth, sum));
        }
    }
    best.map(|(azimuth, _)| azimuth)
}

/// How well one ray shows the rings.
fn score(photo: &RgbImage, reading: &Reading, azimuth: usize) -> f64 {
    let (sin, cos) = (azimuth as f64).to_radians().sin_cos();
    let (x0, y0) = (reading.pith.x_px, reading.pith.y_px);
    let grey = |r: f64| grey_at(photo, x0 + r * cos, y0 + r * sin);
    let in_photo = |r: f64| pixel_at(photo, x0 + r * cos, y0 + r * sin).is_some();
    let mut sum = 0.0;
    let mut before: Option<f64> = Some(0.0);
    for ring in &reading.rings {
        let Some(here) = ring.radius_px.get(azimuth).copied().flatten() else {
            before = None;
            continue;
        };
        if in_photo(here) {
            let width = before.map_or(EASY_WIDTH_PX, |b| here - b);
            let reach = (0.25 * width).clamp(1.0, 4.0);
            let step = match (grey(here - reach), grey(here + reach)) {
                (Some(inside), Some(outside)) => (outside - inside).abs(),
                _ => 0.0,
            };
            let seen = step / (step + HALF_STEP);
            let easy = (width / EASY_WIDTH_PX).clamp(0.1, 1.0).sqrt();
            sum += ring.confidence * (0.3 + 0.7 * seen * easy);
        }
        before = Some(here);
    }
    sum
}

/// Column and row of the pixel at a place, or `None` off the photo.
fn pixel_at(photo: &RgbImage, x: f64, y: f64) -> Option<(u32, u32)> {
    // Half a pixel on and cut off: `round` is a call on plain x86-64.
    let (x, y) = (x + 0.5, y + 0.5);
    if !(x >= 0.0 && y >= 0.0 && x < f64::from(photo.width()) && y < f64::from(photo.height())) {
        return None;
    }
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "inside the photo, where cutting off is rounding down"
    )]
    Some((x as u32, y as u32))
}

/// Mean of the channels of the pixel at a place, or `None` off the photo.
fn grey_at(photo: &RgbImage, x: f64, y: f64) -> Option<f64> {
    let (x, y) = pixel_at(photo, x, y)?;
    let [r, g, b] = photo.get_pixel(x, y).0.map(u32::from);
    Some(f64::from(r + g + b) / 3.0)
}
