//! Practice discs with known rings, read stage by stage: one tolerance a stage, one floor a suite.
//!
//! Every disc is photographed from so far that its rings are nine px wide on average (tight ones
//! five): enough to count, small enough to be quick. `ENDGRAIN_FLOORS=1 cargo test --test stages -- --nocapture` prints what is
//! reached beside each floor. Floors are raised when the program gets better, never lowered.

mod scoring;

use endgrain::demo::{self, Plan, Suite, Truth};
use endgrain::notes::NoteCode;
use endgrain::photo::{self, Photo};
use endgrain::reading::Reading;
use endgrain::settings::{Settings, WoodKind};
use endgrain::{face, outline, pith, polar, straight};
use rayon::prelude::*;
use scoring::{matched, score};
use std::path::Path;
use std::sync::OnceLock;

/// Seed of the set: not the fixtures', and none to tune on.
const SEED: u64 = 907;
/// Discs a suite.
const DISCS: u64 = 2;
/// Mean ring width of a disc, px.
const RING_PX: f64 = 14.0;
/// The same of the suite of tight rings.
const TIGHT_RING_PX: f64 = 5.0;

/// A disc with everything that was made of it.
struct Case {
    suite: Suite,
    truth: Truth,
    reading: Reading,
    f1: f64,
}

fn shot(suite: Suite, index: u64) -> (Photo, Truth) {
    let plan = demo::plan(suite, SEED, index);
    // A small picture tells how wide the rings come out at a given size.
    let small_px = 300.0;
    let plan = plan.at_long_side(300);
    let small = demo::render(&plan).truth;
    let widest: f64 = small
        .boundaries
        .iter()
        .rev()
        .find_map(|row| {
            let seen: Vec<f64> = row.iter().flatten().copied().collect();
            (seen.len() > 60).then(|| seen.iter().sum::<f64>() / seen.len() as f64)
        })
        .unwrap_or(100.0);
    let ring_px = widest / small.rings.unwrap_or(25) as f64;
    let wanted_px = if suite == Suite::Tight {
        TIGHT_RING_PX
    } else {
        RING_PX
    };
    // 600 to 1800: below, bark and background have no room; above, the time is felt.
    let long_px = (small_px * wanted_px / ring_px)
        .clamp(600.0, 1800.0)
        .round();
    let plan = plan.at_long_side(long_px as u32);
    let rendered = demo::render(&plan);
    let bytes = plan.to_jpeg(&rendered).expect("a JPEG");
    let name = format!("{}.jpg", plan.name());
    let photo = photo::decode(&bytes, Path::new(&name), &Settings::default()).expect("a photo");
    (photo, rendered.truth)
}

/// All discs with rings, each read once for all tests.
fn cases() -> &'static [Case] {
    static CASES: OnceLock<Vec<Case>> = OnceLock::new();
    CASES.get_or_init(|| {
        let list: Vec<(Suite, u64)> = Suite::with_rings()
            .flat_map(|suite| (0..DISCS).map(move |index| (suite, index)))
            .collect();
        list.into_par_iter()
            .map(|(suite, index)| {
                let (photo, truth) = shot(suite, index);
                let reading = endgrain::read(&photo, &Settings::default()).expect("a reading");
                let f1 = score(&truth, &reading).f1();
                Case {
                    suite,
                    truth,
                    reading,
                    f1,
                }
            })
            .collect()
    })
}

fn is_clean(suite: Suite) -> bool {
    matches!(
        suite,
        Suite::CleanConifer | Suite::CleanRingPorous | Suite::CleanDiffuse
    )
}

fn mean_radius_px(truth: &Truth) -> f64 {
    let edge: Vec<f64> = truth
        .boundaries
        .last()
        .expect("rings")
        .iter()
        .flatten()
        .copied()
        .collect();
    edge.iter().sum::<f64>() / edge.len() as f64
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

#[test]
fn matching_is_one_to_one_in_order_and_within_tolerance() {
    // By hand: 10 takes 9, 20 takes nothing (18 is 2 off), 30 takes one of 29.5 and 30.5.
    assert_eq!(
        matched(&[10.0, 20.0, 30.0], &[1.5; 3], &[9.0, 18.0, 29.5, 30.5]),
        2
    );
    // One found boundary serves one true one only.
    assert_eq!(matched(&[10.0, 11.0], &[1.5; 2], &[10.5]), 1);
    assert_eq!(matched(&[], &[], &[1.0]), 0);
}

#[test]
fn a_reading_that_is_the_truth_scores_one_and_one_that_is_moved_scores_less() {
    let case = &cases()[0];
    let mut perfect = case.reading.clone();
    let [x, y] = case.truth.pith.expect("a pith");
    (perfect.pith.x_px, perfect.pith.y_px) = (x, y);
    let ring = perfect.rings[0].clone();
    perfect.rings = case
        .truth
        .boundaries
        .iter()
        .map(|row| endgrain::reading::Ring {
            radius_px: row.clone(),
            ..ring.clone()
        })
        .collect();
    assert!((score(&case.truth, &perfect).f1() - 1.0).abs() < 1e-9);
    for ring in &mut perfect.rings {
        ring.radius_px.iter_mut().flatten().for_each(|r| *r += 4.0);
    }
    assert!(score(&case.truth, &perfect).f1() < 0.2);
}

#[test]
fn the_pith_of_clean_discs_is_found_within_one_percent_of_the_radius_half_the_time_and_two_always()
{
    let mut percents: Vec<f64> = cases()
        .iter()
        .filter(|c| is_clean(c.suite))
        .map(|case| {
            let [x, y] = case.truth.pith.expect("a pith");
            let off = (case.reading.pith.x_px - x).hypot(case.reading.pith.y_px - y);
            100.0 * off / mean_radius_px(&case.truth)
        })
        .collect();
    percents.sort_by(f64::total_cmp);
    assert!(percents[percents.len() / 2] < 1.0, "{percents:?}");
    assert!(percents[percents.len() - 1] < 2.0, "{percents:?}");
}

#[test]
fn the_edge_of_clean_discs_is_found_within_one_percent_of_the_radius() {
    for suite in [
        Suite::CleanConifer,
        Suite::CleanRingPorous,
        Suite::CleanDiffuse,
        Suite::PenMarks,
        Suite::Checks,
    ] {
        for index in 0..DISCS {
            let (photo, truth) = shot(suite, index);
            let settings = Settings {
                pith_px: truth.pith.map(|[x, y]| (x, y)),
                ..Settings::default()
            };
            let face = face::view(&photo, &settings);
            let pith = pith::find(&face, &settings);
            let edge = outline::trace(&photo, &face, &pith);
            let last = truth.boundaries.last().expect("rings");
            let off = (0..360)
                .filter_map(|degree| Some((edge.radius_px[degree] - last[degree]?).abs()))
                .collect();
            let share = median(off) / mean_radius_px(&truth);
            assert!(
                share < 0.01,
                "{}: {:.2} % off in the median",
                truth.photo,
                100.0 * share
            );
        }
    }
}

/// By how much of a ring's width a boundary strays from its own median level once the disc is
/// straightened: median over azimuths, then over rings.
fn unevenness(photo: &Photo, truth: &Truth) -> f64 {
    let settings = Settings {
        pith_px: truth.pith.map(|[x, y]| (x, y)),
        ..Settings::default()
    };
    let face = face::view(photo, &settings);
    let pith = pith::find(&face, &settings);
    let edge = outline::trace(photo, &face, &pith);
    let polar = polar::unwrap(photo, &pith, &edge, &settings);
    let radius = straight::level(&polar).radius;
    // Level of each boundary on each degree: where the straightened disc's radius reaches it.
    let levels: Vec<Vec<f64>> = truth
        .boundaries
        .iter()
        .map(|row| {
            (0..360)
                .filter_map(|degree| {
                    let r = row[degree]?;
                    let line = radius.row(degree * radius.height / 360);
                    let after = line.partition_point(|v| f64::from(*v) < r);
                    if after == 0 || after == line.len() {
                        return None;
                    }
                    let (a, b) = (f64::from(line[after - 1]), f64::from(line[after]));
                    Some(after as f64 - 1.0 + (r - a) / (b - a))
                })
                .collect()
        })
        .filter(|row: &Vec<f64>| row.len() > 180)
        .collect();
    let middles: Vec<f64> = levels.iter().map(|row| median(row.clone())).collect();
    let strays = (1..levels.len())
        .map(|i| {
            let width = middles[i] - middles[i - 1];
            median(
                levels[i]
                    .iter()
                    .map(|level| (level - middles[i]).abs() / width)
                    .collect(),
            )
        })
        .collect();
    median(strays)
}

#[test]
fn rings_lie_level_within_a_third_of_a_ring_once_straightened() {
    for suite in [
        Suite::CleanConifer,
        Suite::CleanRingPorous,
        Suite::CleanDiffuse,
        Suite::Checks,
        Suite::PenMarks,
    ] {
        for index in 0..DISCS {
            let (photo, truth) = shot(suite, index);
            let uneven = unevenness(&photo, &truth);
            assert!(uneven < 0.35, "{}: {uneven:.2} of a ring", truth.photo);
        }
    }
}

#[test]
fn the_true_count_of_clean_discs_lies_in_the_band() {
    let outside: Vec<String> = cases()
        .iter()
        .filter(|c| is_clean(c.suite))
        .filter_map(|case| {
            let (truth, age) = (case.truth.rings.expect("rings"), &case.reading.age);
            let is_held = (age.low as usize..=age.high as usize).contains(&truth);
            (!is_held).then(|| {
                format!(
                    "{}: {truth} is not in {} to {}",
                    case.truth.photo, age.low, age.high
                )
            })
        })
        .collect();
    // The band is one of 90 %: of six discs one may lie outside, two would say that it is too narrow.
    assert!(outside.len() <= 1, "{outside:#?}");
}

/// Floor of each suite's mean F1: some hundredths below what was reached when it was set.
const FLOORS: [(Suite, f64); 15] = [
    (Suite::CleanConifer, 0.93),
    (Suite::CleanRingPorous, 0.82),
    (Suite::CleanDiffuse, 0.91),
    (Suite::Checks, 0.91),
    // One of the two is refused.
    (Suite::SawMarks, 0.40),
    (Suite::Tight, 0.83),
    (Suite::Eccentric, 0.93),
    (Suite::Hollow, 0.72),
    (Suite::Cropped, 0.92),
    (Suite::Stained, 0.72),
    (Suite::Perspective, 0.83),
    (Suite::PenMarks, 0.85),
    (Suite::FalseAndMissing, 0.91),
    (Suite::Worn, 0.94),
    (Suite::Mixed, 0.75),
];

#[test]
fn every_suite_with_rings_reaches_its_floor() {
    let mut below = Vec::new();
    for suite in Suite::with_rings() {
        let floor = FLOORS
            .iter()
            .find(|(s, _)| *s == suite)
            .expect("every suite has a floor")
            .1;
        let scores: Vec<f64> = cases()
            .iter()
            .filter(|c| c.suite == suite)
            .map(|c| c.f1)
            .collect();
        let mean = scores.iter().sum::<f64>() / scores.len() as f64;
        if std::env::var_os("ENDGRAIN_FLOORS").is_some() {
            println!("{:18} {mean:.3} of {floor:.2}  {scores:.3?}", suite.name());
        }
        if mean < floor {
            below.push(format!("{} {mean:.3} of {floor}", suite.name()));
        }
    }
    assert!(below.is_empty(), "below their floors: {below:?}");
}

/// A practice disc of four megapixels, read; of its seed three other discs had a say (faint rows of pores).
fn larger_disc(suite: Suite, index: u64) -> (Truth, Reading) {
    disc_of(8888, 4.0, suite, index)
}

/// A practice disc of some seed and size, read.
fn disc_of(seed: u64, megapixels: f64, suite: Suite, index: u64) -> (Truth, Reading) {
    read_plan(&demo::plan(suite, seed, index).at_megapixels(megapixels))
}

fn read_plan(plan: &Plan) -> (Truth, Reading) {
    let rendered = demo::render(plan);
    let bytes = plan.to_jpeg(&rendered).expect("a JPEG");
    let photo =
        photo::decode(&bytes, Path::new("disc.jpg"), &Settings::default()).expect("a photo");
    let reading = endgrain::read(&photo, &Settings::default()).expect("a reading");
    (rendered.truth, reading)
}

/// Ring-porous discs on which pores are small: dark and pale rows, in step with the tone or against it.
/// Their boundaries lay on the outer edge of the rows once (F1 0.02 to 0.26), which no count can show.
#[test]
fn rows_of_small_pores_open_the_rings() {
    let discs = [
        (Suite::Checks, 3),
        (Suite::FalseAndMissing, 57),
        (Suite::Perspective, 40),
    ];
    discs.into_par_iter().for_each(|(suite, index)| {
        let (truth, reading) = larger_disc(suite, index);
        let f1 = score(&truth, &reading).f1();
        assert!(f1 > 0.85, "{}: {f1}", suite.name());
        assert_eq!(reading.wood.kind, WoodKind::RingPorous, "{}", suite.name());
    });
}

/// Ring-porous discs so small that pores are blurred away, of a seed that nothing was chosen on: dark rows
/// passed for latewood, and half of the discs were read on the wrong edge (mean F1 0.54, three of ten told).
#[test]
fn blurred_rows_of_pores_are_told_from_latewood() {
    let read = |suite: Suite, first: u64| -> Vec<(f64, WoodKind)> {
        (0..10u64)
            .into_par_iter()
            .map(|i| {
                let (truth, reading) = disc_of(60_606, 1.2, suite, first + 15 * i);
                (score(&truth, &reading).f1(), reading.wood.kind)
            })
            .collect()
    };
    let told = |discs: &[(f64, WoodKind)]| {
        let porous = discs.iter().filter(|d| d.1 == WoodKind::RingPorous);
        porous.count()
    };
    let porous = read(Suite::CleanRingPorous, 1);
    let mean = porous.iter().map(|d| d.0).sum::<f64>() / porous.len() as f64;
    assert!(told(&porous) >= 7 && mean > 0.8, "{mean:.2}: {porous:.2?}");
    for (suite, first) in [(Suite::CleanConifer, 0), (Suite::CleanDiffuse, 2)] {
        let others = read(suite, first);
        assert!(told(&others) == 0, "{}: {others:.2?}", suite.name());
    }
}

/// Discs grown round a pith, of a seed that nothing was chosen on: the pith's edge is no ring, and the first ring
/// next to it is not passed over. Of the 24 it was found on 12 when the pith was known by its distance alone.
#[test]
fn the_first_ring_is_told_from_the_pith() {
    let suites = [
        Suite::CleanConifer,
        Suite::CleanRingPorous,
        Suite::CleanDiffuse,
        Suite::PenMarks,
    ];
    let discs: Vec<(String, bool, f64)> = (0..24usize)
        .into_par_iter()
        .map(|i| {
            let plan = demo::plan(suites[i % 4], 70_707, i as u64)
                .with_pith()
                .at_megapixels(2.0);
            let (truth, reading) = read_plan(&plan);
            let middle = |radii: &[Option<f64>]| median(radii.iter().flatten().copied().collect());
            let (first, second) = (middle(&truth.boundaries[0]), middle(&truth.boundaries[1]));
            let found = middle(&reading.rings[0].radius_px);
            let off = (found - first).abs() / first.min(second - first);
            (plan.name(), off < 0.3, score(&truth, &reading).f1())
        })
        .collect();
    let told = discs.iter().filter(|d| d.1).count();
    let mean = discs.iter().map(|d| d.2).sum::<f64>() / discs.len() as f64;
    if std::env::var_os("ENDGRAIN_FLOORS").is_some() {
        println!("first ring on {told} of 24, F1 {mean:.3}: {discs:.3?}");
    }
    assert!(told >= 18 && mean > 0.95, "{told}, {mean:.3}: {discs:.2?}");
}

/// Distance of the pith found from the true one, share of the disc's mean radius.
fn pith_off(truth: &Truth, reading: &Reading) -> f64 {
    let [x, y] = truth.pith.expect("a pith");
    (reading.pith.x_px - x).hypot(reading.pith.y_px - y) / mean_radius_px(truth)
}

/// Hollow discs of a seed that nothing was chosen on: the rings beyond the hollow show where the pith was.
#[test]
fn the_pith_of_a_hollow_disc_is_where_the_rings_beyond_close_in() {
    let off: Vec<f64> = (0..12u64)
        .into_par_iter()
        .map(|i| {
            let (truth, reading) = disc_of(61_616, 2.0, Suite::Hollow, i);
            pith_off(&truth, &reading)
        })
        .collect();
    if std::env::var_os("ENDGRAIN_FLOORS").is_some() {
        println!("hollow discs, pith off: {off:.3?}");
    }
    assert!(median(off.clone()) < 0.04, "{off:.3?}");
}

/// Where the pith was looked for in the wrong place once: on the boards that the disc lies on (28,000 px away), and on
/// two sawn faces, where the place about which circles are alike was offered and refused.
#[test]
fn boards_and_saw_marks_do_not_lead_away_from_the_pith() {
    let discs = [
        (Suite::Tight, 20, 1.2, 9101),
        (Suite::SawMarks, 184, 1.2, 9101),
        (Suite::SawMarks, 34, 4.0, 7301),
    ];
    discs
        .into_par_iter()
        .for_each(|(suite, index, megapixels, seed)| {
            let plan = demo::plan(suite, seed, index)
                .with_pith()
                .at_megapixels(megapixels);
            let (truth, reading) = read_plan(&plan);
            let off = pith_off(&truth, &reading);
            assert!(off < 0.01, "{}: {off}", plan.name());
        });
}

/// The kind of wood where single pores and lines have some pixels: diffuse-porous discs were all taken
/// for conifers once. On the small pictures of `cases` half of the kinds are told.
#[test]
fn the_kind_of_wood_is_told_on_clean_discs() {
    let discs = [
        (Suite::CleanConifer, WoodKind::Conifer, [0, 15]),
        (Suite::CleanRingPorous, WoodKind::RingPorous, [1, 16]),
        (Suite::CleanDiffuse, WoodKind::DiffusePorous, [2, 17]),
    ];
    let wrong: Vec<String> = discs
        .into_par_iter()
        .flat_map(|(suite, kind, indices)| indices.into_par_iter().map(move |i| (suite, kind, i)))
        .filter_map(|(suite, kind, index)| {
            let told = larger_disc(suite, index).1.wood.kind;
            (told != kind).then(|| format!("{} {index}: {}", suite.name(), told.name()))
        })
        .collect();
    assert!(wrong.len() <= 1, "{wrong:?}");
}

/// What can't be counted is not counted, or said to be unclear with a band that shows it.
fn claims_nothing(reading: &Reading) -> bool {
    let age = &reading.age;
    let is_unclear = reading
        .notes
        .iter()
        .any(|n| n.code == NoteCode::RingsUnclear);
    // A quarter of the count: where the program itself calls rings unclear.
    let is_wide = f64::from(age.high - age.low) > 0.25 * f64::from(age.rings);
    age.rings == 0 || (is_unclear && is_wide)
}

#[test]
fn pictures_without_rings_get_no_confident_count() {
    let list: Vec<(Suite, u64)> = Suite::ALL
        .into_iter()
        .filter(|suite| suite.has_no_rings())
        .flat_map(|suite| (0..DISCS).map(move |index| (suite, index)))
        .collect();
    let claims: Vec<String> = list
        .into_par_iter()
        .filter_map(|(suite, index)| {
            let (photo, truth) = shot(suite, index);
            let reading = endgrain::read(&photo, &Settings::default()).expect("a reading");
            let age = &reading.age;
            (!claims_nothing(&reading)).then(|| {
                format!(
                    "{}: {} rings, {} to {}",
                    truth.photo, age.rings, age.low, age.high
                )
            })
        })
        .collect();
    assert!(
        claims.is_empty(),
        "counted where there is nothing to count: {claims:#?}"
    );
}
