//! How level the straightening makes the rings of discs whose rings are known, and how much of their
//! wood's edge is told right.
//!
//!     cargo bench --bench level -- DIR
//!
//! reads every photo of DIR that has its truth beside it (`endgrain demo DIR` makes them) and prints
//! the share of true ring ends that lie, on their arc of the straightened disc, within a third of a
//! ring of the place that most arcs have that ring at; 1 is level. Rings that don't lie level can't be
//! found by what arcs agree on, whatever comes after. Beside it stands the share of the turn on which
//! the wood's edge, where it is in the photo, lies within 6 % of the true one; discs with less than 0.9
//! of it are counted at the end.

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
    #[serde(default)]
    width: f64,
    #[serde(default)]
    height: f64,
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
    let discs: Vec<(&PathBuf, Shares)> = photos
        .par_iter()
        .filter_map(|path| Some((path, of_photo(path)?)))
        .collect();
    for (path, Shares { level, edge }) in &discs {
        println!("{level:.3} {edge:.2} {}", path.display());
    }
    let n = discs.len().max(1) as f32;
    let level = discs.iter().map(|(_, shares)| shares.level).sum::<f32>() / n;
    let edge = discs.iter().map(|(_, shares)| shares.edge).sum::<f32>() / n;
    let off = |least: f32| {
        discs
            .iter()
            .filter(|(_, shares)| shares.edge < least)
            .count()
    };
    println!(
        "{level:.3} {edge:.2} mean of {} discs; the edge off on over a tenth of the turn on {}, on over half on {}",
        discs.len(),
        off(0.9),
        off(0.5)
    );
}

/// What is measured on one disc.
struct Shares {
    level: f32,
    edge: f32,
}

/// The shares of one photo; none where its rings are not known.
fn of_photo(path: &Path) -> Option<Shares> {
    let truth: Truth = serde_json::from_slice(&fs::read(path.with_extension("json")).ok()?).ok()?;
    let settings = Settings::default();
    let photo = photo::read(path, &settings).ok()?;
    let survey = survey(&photo, &settings).ok()?;
    let ends = true_ends(&truth, &survey);
    (ends.len() > 1).then(|| Shares {
        level: level_share(&ends),
        edge: edge_share(&truth, &survey),
    })
}

/// Share of the turn on which the wood's edge lies within 6 % of the true one, of where that is in
/// the photo; 1 where it is nowhere.
fn edge_share(truth: &Truth, survey: &Survey) -> f32 {
    let (Some(pith), Some(cambium)) = (truth.pith, truth.boundaries.last()) else {
        return 1.0;
    };
    let (width, height) = (truth.width, truth.height);
    let in_photo = |x: f64, y: f64| (0.0..width).contains(&x) && (0.0..height).contains(&y);
    let seen = seen_from(survey, pith, cambium);
    let (mut right, mut all) = (0u16, 0u16);
    for (degree, found) in survey.wood_edge.radius_px.iter().enumerate() {
        let Some(radius) = radius_toward(&seen, degree as f64) else {
            continue;
        };
        let (sin, cos) = (degree as f64).to_radians().sin_cos();
        if in_photo(
            survey.pith.x_px + radius * cos,
            survey.pith.y_px + radius * sin,
        ) {
            right += u16::from((found / radius - 1.0).abs() < 0.06);
            all += 1;
        }
    }
    if all == 0 {
        1.0
    } else {
        f32::from(right) / f32::from(all)
    }
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
            let seen = seen_from(survey, [px, py], boundary);
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

/// A boundary's points as seen from the pith that the program found: azimuth in degrees, and radius.
fn seen_from(survey: &Survey, [px, py]: [f64; 2], boundary: &[Option<f64>]) -> Vec<(f64, f64)> {
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
    seen
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
