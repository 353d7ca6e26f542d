//! The doubt, fitted to discs whose rings are known and held against the truth of others.
//!
//!     cargo bench --bench doubt -- fit DIR...
//!     cargo bench --bench doubt -- table DIR...
//!
//! Both read every photo of the folders that has its truth beside it (`endgrain demo DIR` makes them).
//! `fit` prints the constants of `src/doubt.rs` as they stand there; `table` prints what is said
//! against what is true, of rings, counts and the kind of wood. What the stages make of a disc is kept in `target/doubt/FOLDER/`; delete that
//! after a change of a stage. A boundary is a year's where it lies, on most azimuths, within the larger
//! of 1.5 px and a fifth of the narrower neighbouring ring of the same true boundary.

use endgrain::doubt::{self, Common, Signs};
use endgrain::settings::{Settings, WoodKind};
use endgrain::{age, photo, rings, survey, wood_kind};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use std::{env, fs};

/// What is needed of a practice disc's truth.
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
    wood: String,
}

/// A disc as the fit needs it.
#[derive(Debug, Serialize, Deserialize)]
struct Disc {
    name: String,
    suite: String,
    /// True rings; in the frame only where the edge is not.
    true_rings: usize,
    is_readable: bool,
    level_agreement: f64,
    lost_centre_px: f64,
    missing: (u32, u32, u32),
    rings: Vec<Judged>,
    left_out: Vec<Judged>,
    /// Kind of wood in truth, as the truth names it, and as told.
    kind: (String, String),
    /// What the kind was told by, where it was not by pores.
    look: Option<wood_kind::Signs>,
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
    let (Some(what), folders) = (args.first(), args.get(1..).unwrap_or_default()) else {
        eprintln!("say what: cargo bench --bench doubt -- fit DIR... or table DIR...");
        return;
    };
    let discs: Vec<Disc> = folders
        .iter()
        .flat_map(|folder| of_folder(folder))
        .collect();
    let counted: Vec<&Disc> = discs.iter().filter(|d| d.is_readable).collect();
    eprintln!("{} discs, {} of them counted", discs.len(), counted.len());
    match what.as_str() {
        "fit" => fit(&counted, folders),
        "table" => table(&counted),
        other => eprintln!("{other} is neither fit nor table"),
    }
}

/// The discs of a folder, in the order of their names.
fn of_folder(folder: &str) -> Vec<Disc> {
    let mut photos: Vec<PathBuf> = fs::read_dir(folder)
        .expect("the folder can be read")
        .map(|entry| entry.expect("the folder can be read").path())
        .filter(|path| path.extension().is_some_and(|e| e == "jpg"))
        .collect();
    photos.sort();
    photos.par_iter().filter_map(|path| disc(path)).collect()
}

/// Fits all constants and prints them.
fn fit(discs: &[&Disc], folders: &[String]) {
    let of = |rings: bool, is_edge: bool| {
        discs
            .iter()
            .flat_map(move |d| if rings { &d.rings } else { &d.left_out })
            .filter(move |j| j.signs.is_edge == is_edge)
    };
    let told = |j: &Judged| j.ring.is_some();
    let ring = logistic_fit(of(true, false).map(|j| (doubt::of_ring(&j.signs), told(j))));
    let edge = logistic_fit(of(true, true).map(|j| (doubt::of_edge(&j.signs), told(j))));
    let left = logistic_fit(of(false, false).map(|j| (doubt::of_left_out(&j.signs), told(j))));
    // A gap is known to hide rings or none where the rings on both sides are known.
    let gap = logistic_fit(discs.iter().flat_map(|d| {
        d.rings.windows(2).filter_map(|pair| {
            let (inner, outer) = (pair[0].ring?, pair[1].ring?);
            (outer > inner).then(|| {
                let signs = doubt::of_gap(&pair[0].signs, &pair[1].signs);
                (signs, outer > inner + 1)
            })
        })
    }));
    let pith = logistic_fit(
        discs
            .iter()
            .filter(|d| d.lost_centre_px <= 0.0)
            .filter_map(|d| {
                let first = d.rings.first()?;
                let next = d.rings.get(1).map(|j| &j.signs);
                Some((doubt::of_pith(&first.signs, next), first.ring? > 0))
            }),
    );
    let thin_line = logistic_fit(
        discs
            .iter()
            .filter(|d| !is_kind(d, WoodKind::RingPorous))
            .filter_map(|d| Some((d.look?, is_kind(d, WoodKind::DiffusePorous)))),
    );
    println!("// cargo bench --bench doubt -- fit {}", folders.join(" "));
    print_line("of_ring", "RING", &ring);
    print_line("of_left_out", "LEFT_OUT", &left);
    print_line("of_edge", "EDGE", &edge);
    print_line("of_gap", "GAP", &gap);
    print_line("of_pith", "PITH", &pith);
    print_line("wood_kind", "THIN_LINE", &thin_line);
    let cases: Vec<Case> = discs
        .iter()
        .filter(|d| d.lost_centre_px <= 0.0)
        .map(|d| {
            let signs: Vec<Signs> = d.rings.iter().map(|j| j.signs).collect();
            let left_out: Vec<f64> = d
                .left_out
                .iter()
                .map(|j| doubt::chance(&left, &doubt::of_left_out(&j.signs)))
                .collect();
            let sum = left_out.iter().sum();
            let chances: Vec<f64> = (0..signs.len())
                .map(|i| match i {
                    0 => doubt::chance(&pith, &doubt::of_pith(&signs[0], signs.get(1))),
                    _ => doubt::chance(&gap, &doubt::of_gap(&signs[i - 1], &signs[i])),
                })
                .chain(left_out)
                .collect();
            Case {
                signs: doubt::of_disc(&signs, sum, d.level_agreement),
                expected: signs.len() as f64 + chances.iter().sum::<f64>(),
                own: number_of(&chances),
                more: d.true_rings as i64 - i64::from(d.missing.0) - signs.len() as i64,
            }
        })
        .collect();
    let common = common_fit(&cases);
    println!("/// The doubt common to a disc.");
    println!("pub const COMMON: Common = {common:?};");
}

fn print_line(what: &str, name: &str, values: &[f64]) {
    let text: Vec<String> = values.iter().map(|v| format!("{v:.4}")).collect();
    println!("/// Coefficients of [`{what}`].");
    println!(
        "const {name}: [f64; {}] = [{}];",
        values.len(),
        text.join(", ")
    );
}

/// Coefficients of the logistic model of greatest likelihood (Newton's method, a slight ridge against
/// signs that say the same).
fn logistic_fit<const N: usize>(cases: impl Iterator<Item = ([f64; N], bool)>) -> [f64; N] {
    let cases: Vec<([f64; N], bool)> = cases.collect();
    let ridge = 1e-5 * cases.len() as f64;
    let mut b = [0.0; N];
    for _ in 0..50 {
        let mut slope: Vec<f64> = b.iter().map(|v| -ridge * v).collect();
        let mut bend = vec![[0.0; N]; N];
        for i in 0..N {
            bend[i][i] = ridge;
        }
        for (x, is_true) in &cases {
            let p = doubt::chance(&b, x);
            let off = f64::from(u8::from(*is_true)) - p;
            for i in 0..N {
                slope[i] += x[i] * off;
                for j in 0..N {
                    bend[i][j] += p * (1.0 - p) * x[i] * x[j];
                }
            }
        }
        let step = solve(&mut bend, &mut slope);
        for i in 0..N {
            b[i] += step[i];
        }
        if step.iter().all(|s| s.abs() < 1e-8) {
            break;
        }
    }
    b
}

/// Solves a symmetric positive system by elimination.
fn solve<const N: usize>(a: &mut [[f64; N]], y: &mut [f64]) -> Vec<f64> {
    for i in 0..N {
        for k in i + 1..N {
            let factor = a[k][i] / a[i][i];
            for j in i..N {
                a[k][j] -= factor * a[i][j];
            }
            y[k] -= factor * y[i];
        }
    }
    let mut x = vec![0.0; N];
    for i in (0..N).rev() {
        let rest: f64 = (i + 1..N).map(|j| a[i][j] * x[j]).sum();
        x[i] = (y[i] - rest) / a[i][i];
    }
    x
}

/// A disc for the fit of the common doubt.
struct Case {
    signs: [f64; 8],
    expected: f64,
    /// Chances of the number of years passed over, each by itself.
    own: Vec<f64>,
    /// How many there truly are beyond the rings found.
    more: i64,
}

/// Chances of how many of independent things come true.
fn number_of(chances: &[f64]) -> Vec<f64> {
    chances.iter().fold(vec![1.0], |d, p| {
        let mut next = vec![0.0; d.len() + 1];
        for (k, q) in d.iter().enumerate() {
            next[k] += q * (1.0 - p);
            next[k + 1] += q * p;
        }
        next
    })
}

fn common_of(t: &[f64; 15]) -> Common {
    Common {
        spread: [t[0], t[1], t[2]],
        lost: [t[3], t[4], t[5], t[6], t[7], t[8], t[9], t[10]],
        middle: t[11],
        reach: t[12],
        right: [t[13], t[14]],
    }
}

/// The common doubt of greatest likelihood: one coefficient after the other, by steps that grow where
/// they help and shrink where not; the same slight ridge on all.
fn common_fit(cases: &[Case]) -> Common {
    let loss = |t: &[f64; 15]| {
        let common = common_of(t);
        let sum: f64 = cases
            .par_iter()
            .map(|case| {
                let (d, below) = common.distribution(&case.signs, case.expected);
                let at = case.more + below as i64;
                let p: f64 = case
                    .own
                    .iter()
                    .enumerate()
                    .filter_map(|(k, p)| {
                        let i = usize::try_from(at - k as i64).ok()?;
                        Some(p * d.get(i)?)
                    })
                    .sum();
                let right = common.all_right(case.own[0]);
                let seen_is_all = if case.more == 0 { 1.0 } else { 0.0 };
                -((1.0 - right) * p + right * seen_is_all + 1e-6).ln()
            })
            .collect::<Vec<f64>>()
            .iter()
            .sum();
        sum / cases.len() as f64 + 2e-4 * t.iter().map(|v| v * v).sum::<f64>()
    };
    let mut t = [0.0; 15];
    (t[0], t[1], t[3], t[4], t[11], t[12]) = (-4.0, 2.0, -3.0, 3.0, -0.01, -0.5);
    (t[13], t[14]) = (0.5, 0.5);
    let mut steps = [0.5; 15];
    steps[11] = 0.01;
    let mut best = loss(&t);
    for _ in 0..80 {
        let before = best;
        for i in 0..15 {
            let old = t[i];
            let mut helped = false;
            for sign in [1.0, -1.0] {
                t[i] = old + sign * steps[i];
                let now = loss(&t);
                if now < best {
                    best = now;
                    helped = true;
                    break;
                }
                t[i] = old;
            }
            steps[i] *= if helped { 1.6 } else { 0.5 };
        }
        if before - best < 1e-6 && steps.iter().all(|s| *s < 0.02) {
            break;
        }
    }
    eprintln!("mean loss {best:.4}");
    common_of(&t.map(|v| (v * 1e4).round() / 1e4))
}

/// Prints what is said against what is true.
fn table(discs: &[&Disc]) {
    let rings: Vec<(f64, bool)> = discs
        .iter()
        .flat_map(|d| &d.rings)
        .map(|j| (doubt::ring(&j.signs), j.ring.is_some()))
        .collect();
    println!("| confidence of a ring | rings | said | true |\n|---|---|---|---|");
    let line = |name: &str, from: f64, to: f64| {
        let of: Vec<&(f64, bool)> = rings.iter().filter(|r| r.0 >= from && r.0 < to).collect();
        let n = of.len().max(1) as f64;
        println!(
            "| {name} | {} | {:.3} | {:.3} |",
            of.len(),
            of.iter().map(|r| r.0).sum::<f64>() / n,
            of.iter().filter(|r| r.1).count() as f64 / n
        );
    };
    for tenth in 0..10u32 {
        let from = f64::from(tenth) / 10.0;
        let to = if tenth == 9 { 1.1 } else { from + 0.1 };
        line(&format!("{from:.1} to {:.1}", from + 0.1), from, to);
    }
    line("under 0.5", 0.0, 0.5);
    let mut suites: Vec<&str> = discs.iter().map(|d| d.suite.as_str()).collect();
    suites.sort_unstable();
    suites.dedup();
    println!("\n| suite | discs | held at 0.5 | width | at 0.8 | width | at 0.9 | width |");
    println!("|---|---|---|---|---|---|---|---|");
    for suite in suites.into_iter().map(Some).chain([None]) {
        let of: Vec<&Disc> = discs
            .iter()
            .copied()
            .filter(|d| suite.is_none_or(|s| d.suite == s))
            .collect();
        print!("| {} | {} |", suite.unwrap_or("all"), of.len());
        for level in [0.5, 0.8, 0.9] {
            let bands: Vec<(i64, i64)> = of.iter().map(|d| band_of(d, level)).collect();
            let held = of
                .iter()
                .zip(&bands)
                .filter(|(d, b)| (b.0..=b.1).contains(&(d.true_rings as i64)))
                .count();
            let mut widths: Vec<f64> = of
                .iter()
                .zip(&bands)
                .map(|(d, b)| (b.1 - b.0) as f64 / d.true_rings as f64)
                .collect();
            widths.sort_by(f64::total_cmp);
            print!(
                " {:.2} | {:.3} |",
                held as f64 / of.len() as f64,
                widths[widths.len() / 2]
            );
        }
        println!();
    }
    println!("\n| kind of wood | discs | told | so told, of other kinds |\n|---|---|---|---|");
    for kind in [
        WoodKind::Conifer,
        WoodKind::RingPorous,
        WoodKind::DiffusePorous,
    ] {
        let is = |d: &Disc| is_kind(d, kind);
        let told = |d: &Disc| d.kind.1 == kind.name();
        let count = |of: &dyn Fn(&Disc) -> bool| discs.iter().filter(|d| of(d)).count();
        println!(
            "| {} | {} | {} | {} |",
            kind.name(),
            count(&is),
            count(&|d| is(d) && told(d)),
            count(&|d| !is(d) && told(d))
        );
    }
}

/// Whether a disc is of a kind in truth, which may shorten it: "diffuse".
fn is_kind(disc: &Disc, kind: WoodKind) -> bool {
    !disc.kind.0.is_empty() && kind.name().starts_with(&disc.kind.0)
}

/// The band as the program gives it.
fn band_of(disc: &Disc, level: f64) -> (i64, i64) {
    let signs = |of: &[Judged]| of.iter().map(|j| j.signs).collect::<Vec<Signs>>();
    let (d, at) = age::distribution(
        &signs(&disc.rings),
        &signs(&disc.left_out),
        disc.level_agreement,
        disc.lost_centre_px > 0.0,
    );
    let (low, high) = age::band(&d, at, level);
    let seen = disc.rings.len() as i64;
    let best = seen + i64::from(disc.missing.0);
    (
        (seen + low as i64 - at as i64 + i64::from(disc.missing.1)).min(best),
        (seen + high as i64 - at as i64 + i64::from(disc.missing.2)).max(best),
    )
}

/// What the stages make of one photo, kept for the next time; none where its rings are not known.
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
    let found = rings::settle(
        &seen.pith,
        &seen.bounds,
        &seen.evidence,
        &seen.straight,
        &seen.polar,
    );
    let wood = wood_kind::tell(&seen.polar, &found, &seen.bounds, &seen.evidence, None);
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
        level_agreement: f64::from(seen.straight.agreement),
        lost_centre_px: found.lost_centre_px,
        missing: age.missing,
        rings: judged,
        left_out,
        kind: (truth.wood.replace('_', "-"), wood.kind.name().to_owned()),
        look: wood.signs,
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
