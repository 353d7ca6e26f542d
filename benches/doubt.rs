//! gather

use endgrain::doubt::Signs;
use endgrain::settings::Settings;
use endgrain::{age, bounds, photo, rings, survey};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use std::{env, fs};

#[derive(Deserialize)]
struct Truth {
    suite: String,
    #[serde(default)]
    no_rings: bool,
    #[serde(default)]
    rings: Option<usize>,
    #[serde(default)]
    rings_in_frame: usize,
    #[serde(default)]
    edge_in_frame_share: f64,
    #[serde(default)]
    pith: Option<[f64; 2]>,
    #[serde(default)]
    boundaries: Vec<Vec<Option<f64>>>,
    #[serde(default)]
    visible_from_ring: usize,
}

/// A disc as the fit needs it.
#[derive(Debug, Serialize, Deserialize)]
struct Disc {
    name: String,
    suite: String,
    /// True rings; in the frame only where the edge is not.
    true_rings: usize,
    is_readable: bool,
    agreement: f64,
    level_agreement: f64,
    pith_agreement: f64,
    sense_confidence: f64,
    wood_confidence: f64,
    is_pores: bool,
    lost_centre_px: f64,
    missing: (u32, u32, u32),
    said: (u32, u32, u32),
    rings: Vec<Judged>,
    left_out: Vec<Judged>,
    /// First ring that no hollow hides.
    visible_from_ring: usize,
}

/// A boundary and what it is in truth.
#[derive(Debug, Serialize, Deserialize)]
struct Judged {
    signs: Signs,
    /// The true ring that it is, from 0.
    ring: Option<usize>,
    /// The true ring it lies on at most azimuths, whether or not another is that one.
    on: Option<usize>,
    /// Share of azimuths.
    share: f64,
}

fn main() {
    let args: Vec<String> = env::args().skip(1).filter(|a| a != "--bench").collect();
    for folder in &args {
        let mut photos: Vec<PathBuf> = fs::read_dir(folder)
            .expect("the folder can be read")
            .map(|entry| entry.expect("the folder can be read").path())
            .filter(|path| path.extension().is_some_and(|e| e == "jpg"))
            .collect();
        photos.sort();
        let n: usize = photos.par_iter().filter_map(|path| disc(path)).count();
        println!("{n} discs of {folder}");
    }
}

fn disc(path: &Path) -> Option<Disc> {
    let folder = path.parent()?.file_name()?.to_str()?;
    let name = path.file_stem()?.to_str()?;
    let kept = PathBuf::from(format!("target/doubt/{folder}/{name}.json"));
    if let Ok(text) = fs::read(&kept) {
        return serde_json::from_slice(&text).ok();
    }
    let truth: Truth = serde_json::from_slice(&fs::read(path.with_extension("json")).ok()?).ok()?;
    if truth.no_rings {
        return None;
    }
    let settings = Settings::default();
    let photo = photo::read(path, &settings).ok()?;
    let seen = survey(&photo, &settings).ok()?;
    let bounds = bounds::trace(&seen.evidence, &seen.mark, None);
    let found = rings::settle(
        &seen.pith,
        &bounds,
        &seen.evidence,
        &seen.straight,
        &seen.polar,
    );
    let age = age::count(&found, &settings);
    let pith = (seen.pith.x_px, seen.pith.y_px);
    let boundaries: Vec<(&Vec<Option<f64>>, Signs)> = found
        .rings
        .iter()
        .map(|ring| (&ring.radius_px, ring.signs))
        .chain(found.left_out.iter().map(|l| (&l.radius_px, l.signs)))
        .collect();
    let mut judged = judge(&truth, pith, &boundaries, found.rings.len());
    let left_out = judged.split_off(found.rings.len());
    let disc = Disc {
        name: name.to_owned(),
        suite: truth.suite.clone(),
        true_rings: if truth.edge_in_frame_share < 0.05 {
            truth.rings_in_frame
        } else {
            truth.rings?
        },
        is_readable: found.is_readable,
        agreement: found.agreement,
        level_agreement: f64::from(seen.straight.agreement),
        pith_agreement: f64::from(seen.pith.agreement),
        sense_confidence: bounds.sense_confidence,
        wood_confidence: bounds.wood_confidence,
        is_pores: seen.mark.is_pores,
        lost_centre_px: found.lost_centre_px,
        missing: age.missing,
        said: (age.rings, age.low, age.high),
        rings: judged,
        left_out,
        visible_from_ring: truth.visible_from_ring,
    };
    fs::create_dir_all(kept.parent()?).ok()?;
    fs::write(&kept, serde_json::to_vec(&disc).ok()?).ok()?;
    Some(disc)
}

/// Which true ring each boundary is. Rings that were chosen come first: a candidate left out is a
/// year's only where no ring is that year's.
fn judge(
    truth: &Truth,
    pith: (f64, f64),
    boundaries: &[(&Vec<Option<f64>>, Signs)],
    chosen: usize,
) -> Vec<Judged> {
    let Some([tx, ty]) = truth.pith else {
        return boundaries
            .iter()
            .map(|(_, signs)| Judged {
                signs: *signs,
                ring: None,
                on: None,
                share: 0.0,
            })
            .collect();
    };
    let mut judged: Vec<Judged> = boundaries
        .iter()
        .map(|(radius, signs)| {
            let seen = about(radius, pith, (tx, ty));
            let (mut votes, mut all) = (vec![0usize; truth.boundaries.len()], 0usize);
            for azimuth in (0..360).step_by(5) {
                let Some(r) = radius_toward(&seen, azimuth as f64) else {
                    continue;
                };
                let own: Vec<(usize, f64)> = truth
                    .boundaries
                    .iter()
                    .enumerate()
                    .filter_map(|(k, row)| Some((k, row[azimuth]?)))
                    .collect();
                if own.is_empty() {
                    continue;
                }
                all += 1;
                let near = (0..own.len())
                    .min_by(|a, b| (own[*a].1 - r).abs().total_cmp(&(own[*b].1 - r).abs()))
                    .unwrap_or(0);
                let inside = if near == 0 {
                    own[0].1
                } else {
                    own[near].1 - own[near - 1].1
                };
                let outside = own.get(near + 1).map_or(inside, |o| o.1 - own[near].1);
                if (own[near].1 - r).abs() <= (0.2 * inside.min(outside)).max(1.5) {
                    votes[own[near].0] += 1;
                }
            }
            let (on, most) = votes
                .iter()
                .enumerate()
                .max_by_key(|(_, v)| **v)
                .map_or((0, 0), |(k, v)| (k, *v));
            let share = most as f64 / all.max(1) as f64;
            Judged {
                signs: *signs,
                ring: None,
                on: (most > 0).then_some(on),
                share,
            }
        })
        .collect();
    let mut taken = vec![false; truth.boundaries.len()];
    for range in [0..chosen, chosen..boundaries.len()] {
        let mut order: Vec<usize> = range.collect();
        order.sort_by(|a, b| judged[*b].share.total_cmp(&judged[*a].share));
        for i in order {
            if let Some(on) = judged[i].on
                && judged[i].share > 0.5
                && !taken[on]
            {
                taken[on] = true;
                judged[i].ring = Some(on);
            }
        }
    }
    judged
}

/// A boundary as seen from another centre: azimuth (degrees, rising) and radius (px).
fn about(radius: &[Option<f64>], from: (f64, f64), to: (f64, f64)) -> Vec<(f64, f64)> {
    let mut seen: Vec<(f64, f64)> = radius
        .iter()
        .enumerate()
        .filter_map(|(degree, radius)| {
            let (sin, cos) = (degree as f64).to_radians().sin_cos();
            let radius = (*radius)?;
            let (x, y) = (from.0 + radius * cos - to.0, from.1 + radius * sin - to.1);
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
