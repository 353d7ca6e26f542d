//! How level the straightening makes the rings of discs whose rings are known.
//!
//!     cargo bench --bench level -- DIR
//!
//! reads every photo of DIR that has its truth beside it (`endgrain demo DIR` makes them) and prints
//! the share of true ring ends that lie, on their arc of the straightened disc, within a third of a
//! ring of the place that most arcs have that ring at; 1 is level. Rings that don't lie level can't be
//! found by what arcs agree on, whatever comes after.

use endgrain::evidence::ARCS;
use endgrain::settings::Settings;
use endgrain::{Survey, photo, survey};
use rayon::prelude::*;
use std::path::{Path, PathBuf};
use std::{env, fs};

/// What is needed of a practice disc's truth.
#[derive(serde::Deserialize)]
struct Truth {
    #[serde(default)]
    pith: Option<[f64; 2]>,
    #[serde(default)]
    boundaries: Vec<Vec<Option<f64>>>,
    #[serde(default)]
    visible_from_ring: usize,
}

fn main() {
    let Some(folder) = env::args_os().skip(1).find(|a| a != "--bench") else {
        eprintln!("give a folder of practice discs: cargo bench --bench level -- DIR");
        return;
    };
    let mut photos: Vec<PathBuf> = fs::read_dir(&folder)
        .expect("the folder can be read")
        .map(|entry| entry.expect("the folder can be read").path())
        .filter(|path| path.extension().is_some_and(|e| e == "jpg"))
        .collect();
    photos.sort();
    let shares: Vec<(&PathBuf, f32)> = photos
        .par_iter()
        .filter_map(|path| Some((path, of_photo(path)?)))
        .collect();
    for (path, share) in &shares {
        println!("{share:.3} {}", path.display());
    }
    let mean = shares.iter().map(|(_, share)| share).sum::<f32>() / shares.len().max(1) as f32;
    println!("{mean:.3} mean of {} discs", shares.len());
}

/// The share of one photo; none where its rings are not known.
fn of_photo(path: &Path) -> Option<f32> {
    let truth: Truth = serde_json::from_slice(&fs::read(path.with_extension("json")).ok()?).ok()?;
    let settings = Settings::default();
    let photo = photo::read(path, &settings).ok()?;
    let survey = survey(&photo, &settings).ok()?;
    let ends = true_ends(&truth, &survey);
    (ends.len() > 1).then(|| level_share(&ends))
}

/// How well the disc was straightened: the share of ring ends that lie within a third of a ring of
/// the place that most arcs have that ring at.
fn level_share(ends: &[Vec<Option<f32>>]) -> f32 {
    let middle = |ring: &[Option<f32>]| {
        let mut places: Vec<f32> = ring.iter().flatten().copied().collect();
        places.sort_by(f32::total_cmp);
        places.get(places.len() / 2).copied()
    };
    let (mut level, mut all) = (0.0, 0.0f32);
    for pair in ends.windows(2) {
        if let (Some(inner), Some(outer)) = (middle(&pair[0]), middle(&pair[1])) {
            let reach = ((outer - inner) / 3.0).max(0.5);
            for end in pair[1].iter().flatten() {
                level += f32::from(u8::from((end - outer).abs() < reach));
                all += 1.0;
            }
        }
    }
    level / all.max(1.0)
}

/// Where each ring truly ends on each arc, samples of the lined-up scale.
fn true_ends(truth: &Truth, survey: &Survey) -> Vec<Vec<Option<f32>>> {
    let Some([px, py]) = truth.pith else {
        return Vec::new();
    };
    truth
        .boundaries
        .iter()
        .enumerate()
        .filter(|(ring, _)| ring + 1 >= truth.visible_from_ring)
        .map(|(_, boundary)| {
            // The boundary as seen from the pith that the program found.
            let mut seen: Vec<(f64, f64)> = boundary
                .iter()
                .enumerate()
                .filter_map(|(degree, radius)| {
                    let (sin, cos) = (degree as f64).to_radians().sin_cos();
                    let radius = (*radius)?;
                    let (x, y) = (
                        px + radius * cos - survey.pith.x_px,
                        py + radius * sin - survey.pith.y_px,
                    );
                    Some((y.atan2(x).to_degrees().rem_euclid(360.0), x.hypot(y)))
                })
                .collect();
            seen.sort_by(|a, b| a.0.total_cmp(&b.0));
            (0..ARCS)
                .map(|arc| {
                    let azimuth = arc as f64 * 5.0 + 2.25;
                    let radius = radius_toward(&seen, azimuth)?;
                    sample_of(survey, arc, azimuth, radius)
                })
                .collect()
        })
        .collect()
}

/// Radius at an azimuth between the two points next to it; none where they are far apart.
fn radius_toward(seen: &[(f64, f64)], azimuth: f64) -> Option<f64> {
    if seen.is_empty() {
        return None;
    }
    let after = seen.partition_point(|p| p.0 < azimuth);
    let (a, b) = (
        seen[(after + seen.len() - 1) % seen.len()],
        seen[after % seen.len()],
    );
    let span = (b.0 - a.0).rem_euclid(360.0);
    if span > 6.0 {
        return None;
    }
    let part = (azimuth - a.0).rem_euclid(360.0) / span.max(1e-9);
    Some(a.1 + part.clamp(0.0, 1.0) * (b.1 - a.1))
}

/// Sample of the lined-up scale at which a radius lies on an arc.
fn sample_of(survey: &Survey, arc: usize, azimuth: f64, radius: f64) -> Option<f32> {
    let rows = &survey.straight.radius;
    let ray = azimuth.floor() as usize;
    let part = azimuth.fract() as f32;
    let (here, next) = (rows.row(ray), rows.row((ray + 1) % rows.height));
    let at = |i: usize| here[i] * (1.0 - part) + next[i] * part;
    let radius = radius as f32;
    let level = find(rows.width, radius, at)?;
    let levels = &survey.evidence.level;
    let raw = find(levels.len(), level, |i| levels[i])?;
    let shift = survey.evidence.shift.row(arc);
    find(levels.len(), raw, |i| i as f32 + shift[i])
}

/// Place at which a rising line reaches a value.
fn find(n: usize, value: f32, line: impl Fn(usize) -> f32) -> Option<f32> {
    let (mut low, mut high) = (0, n.checked_sub(1)?);
    if value < line(low) || value > line(high) {
        return None;
    }
    while high - low > 1 {
        let middle = (low + high) / 2;
        if line(middle) <= value {
            low = middle;
        } else {
            high = middle;
        }
    }
    let (a, b) = (line(low), line(high));
    Some(low as f32 + (value - a) / (b - a).max(1e-6))
}
