//! How sure it is that the hand's rings in a stretch are right, given the reading.
//!
//! A mark has a place, so a hand's fault changes the number of one stretch and no other. What the
//! reading itself has wrong does the same. Which of the two it was is weighed by what is known of both:
//!
//! - Each ring of the reading may be none, or be more than one. How often that is follows from its
//!   confidence and from its width beside its neighbours' (`MISSED`, `FALSE`): a doubtful ring
//!   is mostly one beside which others are missed, a wide one two, a narrow one none.
//! - The first ring at the pith and the last at the edge have chances of their own.
//! - A mark may belong to the boundary next to the nearest one. A boundary ends one stretch and begins
//!   the next, so that what one has too many the other lacks: all marks are weighed together, from
//!   the pith outward and back (the forward-backward sums of a hidden Markov chain, Rabiner 1989, from
//!   memory; its states are the boundaries that each mark may belong to).
//! - Some discs are read worse than their confidences tell. How much worse is not known beforehand, and
//!   the stretches tell of it together (`READ_WORSE`): where hand and reading part in many, the
//!   reading is the likelier cause, since a hand's faults are few.
//!
//! The constants were set on practice discs with simulated faults, and looked at on the development
//! renders; what they reach is in DEVELOPERS.md.

use super::ladder::Ladder;
use crate::poisson_binomial::{central, convolved};
use crate::reading::{MissingCentre, Reading, Ring};

/// Chance that a hand errs at a ring, before anything is known: about one fault in seventy rings. Short
/// stretches are rarely at fault.
const HAND_ERRS: f64 = 0.015;
/// And that it starts wrong at the pith, where the first rings are hard to tell.
const STARTS_WRONG: f64 = 0.03;

/// How many times the usual odds of a ring missed or too many a disc has, and how likely that is
/// beforehand. On practice discs half have none of the misses that the usual odds expect, one in ten
/// has five times as many or more.
const READ_WORSE: [(f64, f64); 5] = [
    (0.1, 0.4),
    (0.5, 0.25),
    (2.0, 0.2),
    (8.0, 0.1),
    (30.0, 0.05),
];

/// Odds, in logarithms, that a ring of usual width and full confidence hides another; growth with the
/// logarithm of its width over its neighbours', and with that of its doubt (logistic regression on
/// 1,660 rings of 45 practice discs gives -4.1, 4.2, 0.6, two badly read discs among them; the 1,333 rings of
/// the development renders -6.0, 5.7, 1.2).
const MISSED: (f64, f64, f64) = (-5.1, 5.0, 0.8);
/// The same for a ring that is none (practice discs -5.4, -5.8, -0.1; renders -6.4, -4.0, 0.7).
const FALSE: (f64, f64, f64) = (-5.6, -5.0, 0.3);
/// Where a ring hides others, each further one has this chance (22 of 69 were more than one).
const MISSED_MORE: f64 = 0.3;

/// Sd of a mark about the boundary that it belongs to, in rings, for most marks and for the rest, and
/// the share of the rest: hands and boundaries lie about so well.
const MARK_SD_RINGS: [(f64, f64); 2] = [(0.14, 0.88), (0.35, 0.12)];

/// The first ring is the hardest: the rim of the pith may be taken for one, or one for the rim. Chances
/// that the reading has two too few, one too few, one too many. On practice discs it has one too few
/// in two of three, on the development renders in one of five, and one too many in one of ten.
const FIRST_OFF: [(i64, f64); 3] = [(2, 0.04), (1, 0.37), (-1, 0.1)];

/// The same for the last ring under the bark (one of ten practice discs, one of five renders).
const LAST_OFF: [(i64, f64); 3] = [(2, 0.01), (1, 0.09), (-1, 0.08)];

/// Share of all chance that is kept for what the model doesn't know of.
const UNKNOWN: f64 = 0.01;
/// Of that, what falls on one number of rings.
const UNKNOWN_EACH: f64 = 0.05;

/// A stretch, as the model needs it.
#[derive(Debug, Clone)]
pub struct Between {
    /// Ring number of the reading at its inner end, as [`Ladder::number_at`] gives it; 0 at the pith.
    pub from: f64,
    /// The same at its outer end.
    pub to: f64,
    /// Whether it begins at the pith, which is no mark.
    pub begins_at_pith: bool,
    /// Whether it ends at the wood's edge, which is no mark.
    pub ends_at_edge: bool,
    /// Whether it begins at the mark at which the one before it ends.
    pub follows: bool,
    /// Sd with which the marks at either end were told, in rings.
    pub mark_sd_rings: (f64, f64),
    /// Rings by the hand.
    pub hand_rings: u32,
}

/// What the model makes of a stretch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judged {
    /// Boundaries of the reading that its ends most likely belong to, as ring numbers.
    pub ends: (i64, i64),
    /// Ends of the band of the reading's rings at the reading's level.
    pub band: (u32, u32),
    /// Chance that the hand's rings are right, 0 to 1.
    pub hand_right: f64,
}

/// Chances of each number of rings; the first is that of `least`, which may be below nothing while
/// sums are made.
#[derive(Debug, Clone)]
struct Numbers {
    least: i64,
    chances: Vec<f64>,
}

impl Numbers {
    fn of_exactly(number: i64) -> Self {
        Numbers {
            least: number,
            chances: vec![1.0],
        }
    }

    fn plus(self, least: i64, chances: &[f64]) -> Self {
        Numbers {
            least: self.least + least,
            chances: convolved(&self.chances, chances),
        }
    }

    /// More or less by some numbers, each with its chance.
    fn off_by(self, numbers: &[(i64, f64)]) -> Self {
        let mut chances = [0.0; 4];
        for (number, chance) in numbers {
            if let Some(at) = usize::try_from(number + 1).ok().filter(|at| *at < 4) {
                chances[at] += chance;
            }
        }
        chances[1] = (1.0 - chances.iter().sum::<f64>()).max(0.0);
        self.plus(-1, &chances)
    }

    /// Chance of a number, what the model doesn't know of included.
    fn chance(&self, number: i64) -> f64 {
        let at = usize::try_from(number - self.least).ok();
        let known = at.and_then(|at| self.chances.get(at)).copied();
        known.unwrap_or(0.0) * (1.0 - UNKNOWN) + UNKNOWN * UNKNOWN_EACH
    }
}

/// A stretch between two boundaries that its ends may belong to.
struct Weighed {
    from: usize,
    to: usize,
    numbers: Numbers,
    /// Chances of what was read and counted, the hand being right, and it being wrong.
    right: f64,
    wrong: f64,
}

/// Judges all stretches of a disc together.
pub fn judge(reading: &Reading, stretches: &[Between]) -> Vec<Judged> {
    let mut judged = Vec::with_capacity(stretches.len());
    let mut from = 0;
    while from < stretches.len() {
        let more = stretches[from + 1..].iter().take_while(|b| b.follows);
        let to = from + 1 + more.count();
        judged.extend(judge_chain(reading, &stretches[from..to]));
        from = to;
    }
    judged
}

/// Judges stretches of which each begins where the one before it ends.
fn judge_chain(reading: &Reading, chain: &[Between]) -> Vec<Judged> {
    let last = reading
        .rings
        .last()
        .map_or(0, |ring| i64::from(ring.number));
    let nodes = nodes_of(chain, last);
    let by_worse: Vec<Summed> = READ_WORSE
        .iter()
        .map(|(times, _)| summed(reading, chain, &nodes, *times))
        .collect();
    let weights = shares(
        by_worse
            .iter()
            .zip(READ_WORSE)
            .map(|(sums, (_, before))| before.ln() + sums.log_chance),
    );
    let at_node = |k: usize| {
        let mut chances = vec![0.0; nodes[k].len()];
        for (sums, weight) in by_worse.iter().zip(&weights) {
            for (sum, chance) in chances.iter_mut().zip(&sums.nodes[k]) {
                *sum += weight * chance;
            }
        }
        let likeliest = (0..chances.len()).max_by(|a, b| chances[*a].total_cmp(&chances[*b]));
        likeliest.map_or(0, |i| nodes[k][i].0)
    };
    let ends: Vec<i64> = (0..nodes.len()).map(at_node).collect();
    (0..chain.len())
        .map(|k| {
            let right = by_worse.iter().zip(&weights);
            let bands = by_worse.iter().zip(READ_WORSE);
            Judged {
                ends: (ends[k], ends[k + 1].max(ends[k])),
                band: band(
                    bands.flat_map(|(sums, (_, before))| {
                        let (inner, outer) = (&nodes[k], &nodes[k + 1]);
                        let of = move |w: &'_ Weighed| before * inner[w.from].1 * outer[w.to].1;
                        sums.stretches[k].iter().map(move |w| (&w.numbers, of(w)))
                    }),
                    reading.age.level,
                ),
                hand_right: right.map(|(sums, weight)| weight * sums.right[k]).sum(),
            }
        })
        .collect()
}

/// Of each end of the stretches the boundaries that it may belong to, with the chance of each.
fn nodes_of(chain: &[Between], last: i64) -> Vec<Vec<(i64, f64)>> {
    let first = chain.iter().take(1).map(|between| {
        if between.begins_at_pith {
            vec![(0, 1.0)]
        } else {
            boundaries(between.from, between.mark_sd_rings.0, last)
        }
    });
    let others = chain.iter().map(|between| {
        if between.ends_at_edge {
            vec![(nearest(between.to), 1.0)]
        } else {
            boundaries(between.to, between.mark_sd_rings.1, last)
        }
    });
    first.chain(others).collect()
}

/// The boundaries about a mark, with the chance that it belongs to each.
fn boundaries(number: f64, told_sd: f64, last: i64) -> Vec<(i64, f64)> {
    let near = nearest(number).min(last);
    let density = |boundary: i64| {
        #[allow(clippy::cast_precision_loss, reason = "a ring's number")]
        let off = number - boundary as f64;
        let of = |(sd, share): (f64, f64)| {
            let sd = sd.hypot(told_sd);
            share / sd * (-0.5 * (off / sd).powi(2)).exp()
        };
        MARK_SD_RINGS.into_iter().map(of).sum::<f64>()
    };
    // A mark told to whole rings only may belong to any of some.
    let reach = nearest((3.0 * told_sd).ceil()).clamp(1, 6);
    let all: Vec<(i64, f64)> = ((near - reach).max(0)..=(near + reach).min(last))
        .map(|boundary| (boundary, density(boundary)))
        .collect();
    let sum: f64 = all.iter().map(|(_, density)| density).sum();
    all.into_iter()
        .map(|(boundary, density)| (boundary, density / sum))
        .collect()
}

/// What a chain sums up to where a disc's odds are so many times the usual.
struct Summed {
    /// Logarithm of the chance of all that was counted.
    log_chance: f64,
    /// Of each end the chances of its boundaries.
    nodes: Vec<Vec<f64>>,
    /// Of each stretch the chance that the hand is right.
    right: Vec<f64>,
    stretches: Vec<Vec<Weighed>>,
}

/// Sums over all boundaries that the marks may belong to, outward and back.
fn summed(reading: &Reading, chain: &[Between], nodes: &[Vec<(i64, f64)>], times: f64) -> Summed {
    let stretches: Vec<Vec<Weighed>> = chain
        .iter()
        .enumerate()
        .map(|(k, between)| weighed(reading, between, &nodes[k], &nodes[k + 1], times))
        .collect();
    let start: Vec<f64> = nodes[0].iter().map(|(_, chance)| *chance).collect();
    let mut outward = vec![start];
    let mut log_chance = 0.0;
    for (k, pairs) in stretches.iter().enumerate() {
        let mut next = vec![0.0; nodes[k + 1].len()];
        for pair in pairs {
            next[pair.to] +=
                outward[k][pair.from] * (pair.right + pair.wrong) * nodes[k + 1][pair.to].1;
        }
        // Brought to a sum of one: the product over many stretches leaves the range of a float.
        let sum: f64 = next.iter().sum::<f64>().max(f64::MIN_POSITIVE);
        log_chance += sum.ln();
        outward.push(next.into_iter().map(|chance| chance / sum).collect());
    }
    let mut inward = vec![1.0; nodes[chain.len()].len()];
    let mut at_nodes = vec![Vec::new(); nodes.len()];
    let mut right = vec![0.0; chain.len()];
    for k in (0..=chain.len()).rev() {
        at_nodes[k] = normed(outward[k].iter().zip(&inward).map(|(a, b)| a * b).collect());
        let Some(k) = k.checked_sub(1) else { break };
        let mut before = vec![0.0; nodes[k].len()];
        let (mut sum_right, mut sum) = (0.0, 0.0);
        for pair in &stretches[k] {
            let beyond = nodes[k + 1][pair.to].1 * inward[pair.to];
            before[pair.from] += (pair.right + pair.wrong) * beyond;
            sum_right += outward[k][pair.from] * pair.right * beyond;
            sum += outward[k][pair.from] * (pair.right + pair.wrong) * beyond;
        }
        right[k] = if sum > 0.0 { sum_right / sum } else { 0.0 };
        inward = normed(before);
    }
    Summed {
        log_chance,
        nodes: at_nodes,
        right,
        stretches,
    }
}

fn normed(chances: Vec<f64>) -> Vec<f64> {
    let sum: f64 = chances.iter().sum::<f64>().max(f64::MIN_POSITIVE);
    chances.into_iter().map(|chance| chance / sum).collect()
}

/// Shares of one from logarithms.
fn shares(logs: impl Iterator<Item = f64>) -> Vec<f64> {
    let logs: Vec<f64> = logs.collect();
    let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    normed(logs.into_iter().map(|log| (log - top).exp()).collect())
}

/// A stretch between each pair of boundaries that its ends may belong to.
fn weighed(
    reading: &Reading,
    between: &Between,
    inner: &[(i64, f64)],
    outer: &[(i64, f64)],
    times: f64,
) -> Vec<Weighed> {
    let mut pairs = Vec::with_capacity(inner.len() * outer.len());
    for (i, (from, _)) in inner.iter().enumerate() {
        for (j, (to, _)) in outer.iter().enumerate().filter(|(_, (to, _))| to >= from) {
            let numbers = numbers_of(reading, between, (*from, *to), times);
            let (right, wrong) = right_and_wrong(&numbers, between, uncounted(reading, between));
            pairs.push(Weighed {
                from: i,
                to: j,
                numbers,
                right,
                wrong,
            });
        }
    }
    pairs
}

/// Rings of a stretch that are lost with the centre: a hand can't have miscounted them.
fn uncounted(reading: &Reading, between: &Between) -> u32 {
    if between.begins_at_pith {
        reading.age.missing_centre.rings.min(between.hand_rings)
    } else {
        0
    }
}

/// Chance that the hand is right and the reading as it is, and that the hand is wrong and it is.
fn right_and_wrong(numbers: &Numbers, between: &Between, uncounted: u32) -> (f64, f64) {
    let hand = i64::from(between.hand_rings);
    let start = if between.begins_at_pith {
        STARTS_WRONG
    } else {
        0.0
    };
    let errs =
        1.0 - (1.0 - start) * (1.0 - HAND_ERRS).powf(f64::from(between.hand_rings - uncounted));
    let right = (1.0 - errs) * numbers.chance(hand);
    let reach = i64::try_from(numbers.chances.len()).unwrap_or(0);
    let wrong: f64 = (numbers.least..numbers.least + reach)
        .filter(|number| *number != hand)
        .map(|number| numbers.chance(number) * fault_chance(number - hand))
        .sum();
    (right, errs * wrong)
}

/// How likely a hand's fault is of a size, true rings less counted ones: one ring skipped, counted
/// twice or a false one counted is the commonest, then a wrong start and a run of ten lost (the kinds
/// that the simulation has; how often each happens is not known). Runs are lost, not invented: a hand
/// with many rings more than the reading is rarely the one that errs.
fn fault_chance(off: i64) -> f64 {
    match off {
        -1 | 1 => 0.3,
        -2 | 2 => 0.08,
        -3 | 3 | 10 => 0.04,
        4..=14 => 0.012,
        15.. => 0.004,
        0 | ..=-4 => 0.001,
    }
}

/// Number of the boundary that a ring number of [`Ladder::number_at`] is nearest to.
#[allow(
    clippy::cast_possible_truncation,
    reason = "ring numbers, rounded, far below the limits"
)]
pub fn nearest(number: f64) -> i64 {
    number.round().clamp(0.0, 1e6) as i64
}

/// Chances of the number of rings between two boundaries of a disc whose odds are so many times the
/// usual.
fn numbers_of(reading: &Reading, between: &Between, (from, to): (i64, i64), times: f64) -> Numbers {
    let missing = &reading.age.missing_centre;
    let mut numbers = Numbers::of_exactly(0);
    let last = reading.rings.last().map_or(0, |ring| ring.number);
    for ring in &reading.rings {
        if !(from + 1..=to).contains(&i64::from(ring.number)) {
            continue;
        }
        let is_end = ring.number == 1 || (ring.number == last && between.ends_at_edge);
        numbers = if is_end {
            numbers.plus(1, &[1.0])
        } else {
            numbers.plus(0, &of_one(reading, ring, times))
        };
    }
    if between.begins_at_pith && missing.rings > 0 {
        let (least, chances) = lost(missing);
        numbers = numbers.plus(i64::from(least), &chances);
    } else if between.begins_at_pith && to > 0 {
        let doubt = reading
            .rings
            .first()
            .map_or(0.0, |ring| 1.0 - ring.confidence);
        let [two, one, (none, chance)] = FIRST_OFF;
        numbers = numbers.off_by(&[two, one, (none, chance.max(0.5 * doubt))]);
    }
    if between.ends_at_edge {
        numbers = numbers.off_by(&LAST_OFF);
    }
    numbers
}

/// Chances that a ring of the reading is none, one, two, ... of the wood's.
fn of_one(reading: &Reading, ring: &Ring, times: f64) -> [f64; 6] {
    let width = width_beside(reading, ring);
    let none = chance_of(FALSE, ring, width, times).min(0.9);
    let more = chance_of(MISSED, ring, width, times) * (1.0 - none);
    let mut chances = [none, 1.0 - none - more, 0.0, 0.0, 0.0, 0.0];
    let mut left = more;
    for chance in &mut chances[2..5] {
        *chance = left * (1.0 - MISSED_MORE);
        left *= MISSED_MORE;
    }
    chances[5] = left;
    chances
}

/// Chance of a fault of the reading at a ring, of a disc whose odds are so many times the usual.
fn chance_of(
    (at_rest, by_width, by_doubt): (f64, f64, f64),
    ring: &Ring,
    width: f64,
    times: f64,
) -> f64 {
    let doubt = 1.0 + (1.0 - ring.confidence.clamp(0.0, 1.0)) / 0.01;
    let odds = (at_rest + by_width * width).exp() * times * doubt.powf(by_doubt);
    odds / (1.0 + odds)
}

/// Logarithm of a ring's width over the middle one of up to three to either side; 0 where that can't
/// be told.
fn width_beside(reading: &Reading, ring: &Ring) -> f64 {
    // The first known ring is wide by nature.
    let first = reading.rings.first().map_or(0, |ring| ring.number);
    let mut widths: Vec<f64> = reading
        .rings
        .iter()
        .filter(|other| other.number.abs_diff(ring.number) <= 3)
        .filter(|other| other.number != ring.number && other.number != first)
        .map(|other| other.mean_width_px)
        .collect();
    if ring.number == first || widths.len() < 2 {
        return 0.0;
    }
    widths.sort_by(f64::total_cmp);
    let typical = f64::midpoint(widths[(widths.len() - 1) / 2], widths[widths.len() / 2]);
    if typical <= 0.0 || ring.mean_width_px <= 0.0 {
        return 0.0;
    }
    (ring.mean_width_px / typical).clamp(0.2, 4.0).ln()
}

/// Chances of the rings lost with the centre, from a number up: half of them at the best estimate, the
/// rest even over its band and half as far again to either side: rot hides how it lies.
fn lost(missing: &MissingCentre) -> (u32, Vec<f64>) {
    let high = missing.high.max(missing.low);
    let further = (high - missing.low) / 2;
    let (low, high) = (missing.low.saturating_sub(further), high + further);
    let each = 0.5 / f64::from(high - low + 1);
    let best = missing.rings.clamp(low, high);
    let chance = |n| if n == best { each + 0.5 } else { each };
    (low, (low..=high).map(chance).collect())
}

/// Band of a mixture of distributions: its central part at a level.
fn band<'a>(mixed: impl Iterator<Item = (&'a Numbers, f64)>, level: f64) -> (u32, u32) {
    let mut sums: Vec<f64> = Vec::new();
    for (numbers, weight) in mixed {
        for (number, chance) in (numbers.least..).zip(&numbers.chances) {
            let at = usize::try_from(number.max(0)).unwrap_or(0);
            if sums.len() <= at {
                sums.resize(at + 1, 0.0);
            }
            sums[at] += weight * chance;
        }
    }
    if sums.is_empty() {
        return (0, 0);
    }
    let (low, high) = central(&sums, level);
    let whole = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    (whole(low), whole(high))
}

/// How far a mark's place is known, in rings, where it was told to `sd_px`.
pub fn in_rings(ladder: &Ladder, distance_px: f64, sd_px: f64) -> f64 {
    let width = ladder.width_px_at(distance_px);
    if width > 0.0 { sd_px / width } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mark_in_the_middle_of_a_ring_may_belong_to_either_side() {
        let chance = |number: f64, sd: f64, boundary: i64| {
            let all = boundaries(number, sd, 50);
            assert!((all.iter().map(|(_, chance)| chance).sum::<f64>() - 1.0).abs() < 1e-12);
            all.into_iter()
                .find(|(b, _)| *b == boundary)
                .map_or(0.0, |(_, chance)| chance)
        };
        assert!(chance(10.0, 0.0, 10) > 0.99);
        let (below, above) = (chance(10.5, 0.0, 10), chance(10.5, 0.0, 11));
        assert!((below - above).abs() < 1e-9 && below > 0.49);
        // Told only to two thirds of a ring, even a mark on a boundary may be its neighbour's.
        let (below, above) = (chance(10.0, 0.66, 9), chance(10.0, 0.66, 11));
        assert!(below > 0.15 && (below - above).abs() < 1e-9);
        // No boundary lies beyond the last one.
        assert_eq!(boundaries(50.4, 0.0, 50).last().map(|(b, _)| *b), Some(50));
    }

    /// By hand: the odds of the regression at full confidence and usual width are exp(-5.1) = 0.006097, the
    /// chance 0.006060; a ring 1.6 times as wide as its neighbours: exp(-5.1 + 5 ln 1.6) = 0.06393, 0.06009.
    #[test]
    fn wide_and_doubtful_rings_hide_others() {
        let ring = |confidence: f64| Ring {
            number: 5,
            year: None,
            confidence,
            radius_px: Vec::new(),
            mean_width_px: 10.0,
            mean_width_mm: None,
        };
        let chance =
            |confidence: f64, ratio: f64| chance_of(MISSED, &ring(confidence), f64::ln(ratio), 1.0);
        assert!(
            (chance(1.0, 1.0) - 0.006_060).abs() < 1e-5,
            "{}",
            chance(1.0, 1.0)
        );
        assert!(
            (chance(1.0, 1.6) - 0.060_09).abs() < 1e-4,
            "{}",
            chance(1.0, 1.6)
        );
        assert!(chance(0.6, 1.0) > 5.0 * chance(1.0, 1.0));
        assert!(chance_of(FALSE, &ring(1.0), f64::ln(0.4), 1.0) > 0.2);
    }

    #[test]
    fn a_lost_centre_spreads_over_its_band() {
        let (least, chances) = lost(&MissingCentre {
            rings: 6,
            low: 4,
            high: 9,
        });
        assert_eq!((least, chances.len()), (2, 10));
        assert!((chances.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        assert!(chances[4] > 0.5);
    }
}
