//! Writes what the filter of `ring_ends` is taught on: practice discs as the program sees them, with
//! where their rings truly end. Prints of each how level the straightening made the rings.
//!
//!     cargo bench --bench lessons -- DIR OUT
//!
//! reads every photo of DIR that has its truth beside it (`endgrain demo DIR` makes them) and writes
//! one `.lesson` a photo under OUT, little endian: `u32` cells n; then, with A arcs, `i8[A, 2n]` tone
//! and `i8[A, 2n]` roughness (32 a deviation, capped), `u8[A, n]` seen (255 all wood), `f32[n]` levels
//! a cell, `u8[A, 2n]` distance to the nearest true ring end on that arc (16 a sample, 255 far),
//! `u32` rings m, `f32[m]` the ring's end on the disc as a whole (median over arcs, samples), and
//! `f32[m]` the share of arcs that show it, and `u8` the wood: 0 conifer, 1 ring-porous, 2
//! diffuse-porous, 255 none. The program `src/ring_ends/teach.py` learns from them.

use endgrain::evidence::ARCS;
use endgrain::settings::Settings;
use endgrain::{Survey, photo, ring_ends, survey};
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
    wood: Option<String>,
}

/// Samples a cell.
const FINE: usize = 2;

fn main() {
    let paths: Vec<PathBuf> = env::args_os()
        .skip(1)
        .filter(|a| a != "--bench")
        .map(PathBuf::from)
        .collect();
    let [from, to] = paths.as_slice() else {
        eprintln!("give a folder of practice discs and an output folder");
        return;
    };
    fs::create_dir_all(to).expect("the output folder can be made");
    let mut photos: Vec<PathBuf> = fs::read_dir(from)
        .expect("the folder can be read")
        .map(|entry| entry.expect("the folder can be read").path())
        .filter(|path| path.extension().is_some_and(|e| e == "jpg"))
        .collect();
    photos.sort();
    let written: usize = photos
        .par_iter()
        .map(|path| usize::from(lesson(path, to).is_some()))
        .sum();
    eprintln!("{written} lessons of {} photos", photos.len());
}

/// Writes the lesson of one photo; none where its disc has no truth or the program no arcs.
fn lesson(path: &Path, to: &Path) -> Option<()> {
    let truth: Truth =
        serde_json::from_slice(&fs::read(path.with_extension("json")).ok()?).ok()?;
    let settings = Settings::default();
    let photo = photo::read(path, &settings).ok()?;
    let survey = survey(&photo, &settings).ok()?;
    let close_up = ring_ends::look(&survey.polar, &survey.straight, &survey.evidence);
    let cells = close_up.seen.width;
    let ends = true_ends(&truth, &survey);
    println!(
        "{} {:.3}",
        path.file_name()?.to_string_lossy(),
        level_share(&ends)
    );
    let samples = FINE * cells;
    let mut distance = vec![255u8; ARCS * samples];
    let mut agreed: Vec<(f32, f32)> = Vec::new();
    for ring in &ends {
        for (arc, end) in ring.iter().enumerate() {
            let Some(end) = end else { continue };
            for i in 0..samples {
                let off = ((i as f32 - end).abs() * 16.0).min(255.0).round() as u8;
                let at = &mut distance[arc * samples + i];
                *at = (*at).min(off);
            }
        }
        let mut places: Vec<f32> = ring
            .iter()
            .enumerate()
            .filter_map(|(arc, end)| {
                let end = (*end)?;
                let cell = (end / FINE as f32).clamp(0.0, (cells - 1) as f32) as usize;
                (close_up.seen.at(cell, arc) > 0.5).then_some(end)
            })
            .collect();
        if !places.is_empty() {
            places.sort_by(f32::total_cmp);
            agreed.push((places[places.len() / 2], places.len() as f32 / ARCS as f32));
        }
    }
    let mut bytes = Vec::new();
    bytes.extend((cells as u32).to_le_bytes());
    for plane in [&close_up.tone, &close_up.roughness] {
        bytes.extend(
            plane
                .data
                .iter()
                .map(|v| (v * 32.0).round().clamp(-127.0, 127.0) as i8 as u8),
        );
    }
    bytes.extend(close_up.seen.data.iter().map(|v| (v * 255.0).round() as u8));
    for v in &close_up.cell_levels {
        bytes.extend(v.to_le_bytes());
    }
    bytes.extend(&distance);
    bytes.extend((agreed.len() as u32).to_le_bytes());
    for (place, _) in &agreed {
        bytes.extend(place.to_le_bytes());
    }
    for (_, share) in &agreed {
        bytes.extend(share.to_le_bytes());
    }
    bytes.push(match truth.wood.as_deref() {
        Some("conifer") => 0,
        Some("ring_porous") => 1,
        Some("diffuse") => 2,
        _ => 255,
    });
    let name = Path::new(path.file_stem()?).with_extension("lesson");
    fs::write(to.join(name), bytes).ok()
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
            let reach = ((outer - inner) / 3.0).max(1.0);
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
    let cell = find(levels.len(), raw, |i| i as f32 + shift[i])?;
    // Sample i looks at cell i / 2 - 1/4.
    Some(FINE as f32 * (cell + 0.25))
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
