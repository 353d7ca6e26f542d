//! How sure it is that the hand's rings in a stretch are right, given the reading.
//!
//! For each stretch the reading gives chances of every number of rings: each ring it found is one
//! with its confidence, each wide gap may hide another, each mark at a stretch's end may belong to the
//! boundary next to the nearest one, and some share of rings is missed that no confidence tells of.
//! That share belongs to the disc: it is not known beforehand, and the stretches tell of it together.
//! Where hand and reading part in many of them, the reading is the likelier cause, since a hand's
//! faults are few; where they part in one, the hand is. So the shares in `MISSED` are weighed by how
//! well they explain all stretches (Bayes), and the chance that the hand is right in a stretch is the
//! mean over them.
//!
//! The constants were set on 24 clean practice discs (seed 501), 48 others (seed 503) and the 28
//! development renders, with five kinds of simulated faults; what they reach is in DEVELOPERS.md.

use super::ladder::Ladder;
use crate::poisson_binomial::{central, convolved, number_of_years};
use crate::reading::{MissingCentre, Reading, Ring};

/// Chance that a hand errs in a stretch, before anything is known: some faults a disc. Below 0.1 few
/// single rings are told from the reading's own doubt, above 0.2 one right count in ten is doubted.
const HAND_ERRS: f64 = 0.15;

/// Shares of rings that a reading misses without a sign of it, and how likely each is beforehand.
const MISSED: [(f64, f64); 6] = [
    (0.0005, 0.7),
    (0.004, 0.105),
    (0.02, 0.075),
    (0.05, 0.045),
    (0.1, 0.039),
    (0.2, 0.036),
];

/// No ring is surer than this, whatever its confidence.
const SUREST: f64 = 0.997;

/// Sd of a mark about the boundary that it belongs to, in rings: hands and boundaries lie about so
/// well. 0.12 to 0.25 made no difference on the simulated counts.
const MARK_SD_RINGS: f64 = 0.18;

/// The first ring is the hardest: the rim of the pith may be taken for one, or one for the rim. Chance
/// that the reading has one ring too few, or one too many, in a stretch that begins at the pith. On
/// the clean practice discs it has one too few in two of three, on the development renders in one of
/// six.
const FIRST_MISSED: f64 = 0.35;
const FIRST_ADDED: f64 = 0.05;

/// The same for the last ring under the bark.
const LAST_OFF: f64 = 0.02;

/// A ring this many times as wide as its neighbours is as likely as not to be two, as far as widths
/// can tell; at most [`HIDDEN_AT_MOST`] of such are.
const HIDDEN_FROM: f64 = 1.8;
/// How fast that grows, in logarithms of the ratio.
const HIDDEN_STEP: f64 = 0.12;
const HIDDEN_AT_MOST: f64 = 0.2;

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
    /// Sd of the marks at either end beyond `MARK_SD_RINGS`, in rings.
    pub mark_sd_rings: (f64, f64),
    /// Rings by the hand.
    pub hand_rings: u32,
}

/// What the model makes of a stretch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judged {
    /// Ends of the band of the reading's rings at the reading's level.
    pub band: (u32, u32),
    /// Chance that the hand's rings are right, 0 to 1.
    pub hand_right: f64,
}

/// Chances of each number of rings; the first is that of `least`, which may be below nothing while
/// sums are made.
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

    /// One less, the same, one more.
    fn off_by_one(self, less: f64, more: f64) -> Self {
        self.plus(-1, &[less, (1.0 - less - more).max(0.0), more])
    }

    /// Chance of a number, what the model doesn't know of included.
    fn chance(&self, number: i64) -> f64 {
        let at = usize::try_from(number - self.least).ok();
        let known = at.and_then(|at| self.chances.get(at)).copied();
        known.unwrap_or(0.0) * (1.0 - UNKNOWN) + UNKNOWN * UNKNOWN_EACH
    }
}

/// Judges all stretches of a disc together.
pub fn judge(reading: &Reading, stretches: &[Between]) -> Vec<Judged> {
    let by_share: Vec<Vec<Numbers>> = MISSED
        .iter()
        .map(|(share, _)| {
            let numbers = |between| numbers_of(reading, between, *share);
            stretches.iter().map(numbers).collect()
        })
        .collect();
    let parts: Vec<Vec<(f64, f64)>> = by_share
        .iter()
        .map(|numbers| {
            let both = numbers.iter().zip(stretches);
            both.map(|(n, between)| right_and_wrong(n, between.hand_rings))
                .collect()
        })
        .collect();
    // In logarithms: the product over many stretches leaves the range of a float.
    let weights: Vec<f64> = parts
        .iter()
        .zip(MISSED)
        .map(|(parts, (_, before))| {
            before.ln() + parts.iter().map(|(r, w)| (r + w).ln()).sum::<f64>()
        })
        .collect();
    let top = weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = weights.iter().map(|w| (w - top).exp()).collect();
    let all: f64 = weights.iter().sum();
    (0..stretches.len())
        .map(|i| {
            let hand_right = parts
                .iter()
                .zip(&weights)
                .map(|(parts, weight)| weight / all * parts[i].0 / (parts[i].0 + parts[i].1))
                .sum();
            let mixed = by_share.iter().zip(MISSED);
            Judged {
                band: band(
                    mixed.map(|(n, (_, before))| (&n[i], before)),
                    reading.age.level,
                ),
                hand_right,
            }
        })
        .collect()
}

/// Chance that the hand is right and the reading as it is, and that the hand is wrong and it is.
fn right_and_wrong(numbers: &Numbers, hand: u32) -> (f64, f64) {
    let hand = i64::from(hand);
    let right = (1.0 - HAND_ERRS) * numbers.chance(hand);
    let reach = i64::try_from(numbers.chances.len()).unwrap_or(0);
    let wrong: f64 = (numbers.least..numbers.least + reach)
        .filter(|number| *number != hand)
        .map(|number| numbers.chance(number) * fault_chance(number - hand))
        .sum();
    (right, HAND_ERRS * wrong)
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

/// Number of the boundary that a ring number of [`Ladder::number_at`] belongs to.
#[allow(
    clippy::cast_possible_truncation,
    reason = "ring numbers, rounded, far below the limits"
)]
pub fn nearest(number: f64) -> i64 {
    number.round().clamp(0.0, 1e6) as i64
}

/// Chances of the number of rings in a stretch where the reading misses a share of them.
fn numbers_of(reading: &Reading, between: &Between, share: f64) -> Numbers {
    let (from, to) = (nearest(between.from), nearest(between.to));
    let inside: Vec<&Ring> = reading
        .rings
        .iter()
        .filter(|ring| (from + 1..=to).contains(&i64::from(ring.number)))
        .collect();
    let mut chances: Vec<f64> = inside
        .iter()
        .map(|ring| ring.confidence.clamp(0.02, SUREST))
        .collect();
    chances.extend(inside.iter().map(|ring| hidden(reading, ring)));
    let missing = &reading.age.missing_centre;
    let mut numbers = Numbers::of_exactly(0).plus(0, &number_of_years(&chances));
    if between.begins_at_pith && missing.rings > 0 {
        numbers = numbers.plus(i64::from(missing.low), &lost(missing));
    } else if between.begins_at_pith {
        numbers = numbers.off_by_one(FIRST_ADDED, FIRST_MISSED);
    }
    if between.ends_at_edge {
        numbers = numbers.off_by_one(LAST_OFF, LAST_OFF);
    }
    let marks = [
        (!between.begins_at_pith).then_some((between.from, between.mark_sd_rings.0, true)),
        (!between.ends_at_edge).then_some((between.to, between.mark_sd_rings.1, false)),
    ];
    for (number, sd, is_inner) in marks.into_iter().flatten() {
        let (below, above) = beside(number, sd);
        // An inner end that belongs one boundary further out leaves one ring less between.
        numbers = if is_inner {
            numbers.off_by_one(above, below)
        } else {
            numbers.off_by_one(below, above)
        };
    }
    #[allow(clippy::cast_precision_loss, reason = "a number of rings")]
    let expected = share * (to - from).max(1) as f64;
    numbers.plus(0, &rare(expected))
}

/// Chance that a ring is two: by how much wider it is than those round it.
fn hidden(reading: &Reading, ring: &Ring) -> f64 {
    // The first known ring is wide by nature, and what is hidden in it has its own chance.
    let first = reading.rings.first().map_or(0, |ring| ring.number);
    if ring.number == first {
        return 0.0;
    }
    let mut widths: Vec<f64> = reading
        .rings
        .iter()
        .filter(|other| other.number.abs_diff(ring.number) <= 3)
        .filter(|other| other.number != ring.number && other.number != first)
        .map(|other| other.mean_width_px)
        .collect();
    if widths.len() < 2 {
        return 0.0;
    }
    widths.sort_by(f64::total_cmp);
    let typical = (widths[(widths.len() - 1) / 2] + widths[widths.len() / 2]) / 2.0;
    if typical <= 0.0 || ring.mean_width_px <= 0.0 {
        return 0.0;
    }
    let over = (ring.mean_width_px / typical).ln() - HIDDEN_FROM.ln();
    HIDDEN_AT_MOST / (1.0 + (-over / HIDDEN_STEP).exp())
}

/// Chances of the rings lost with the centre, from the least up: even over its band, half of them at
/// the best estimate.
fn lost(missing: &MissingCentre) -> Vec<f64> {
    let high = missing.high.max(missing.low);
    let each = 0.5 / f64::from(high - missing.low + 1);
    (missing.low..=high)
        .map(|n| {
            each + if n == missing.rings.clamp(missing.low, high) {
                0.5
            } else {
                0.0
            }
        })
        .collect()
}

/// Chances that a mark belongs to the boundary before, or after, the nearest one.
fn beside(number: f64, further_sd: f64) -> (f64, f64) {
    let sd = MARK_SD_RINGS.hypot(further_sd);
    let off = number - number.round();
    // Even odds to either side at the middle of a ring.
    let (below, above) = (tail((0.5 + off) / sd), tail((0.5 - off) / sd));
    let all = (below + above).max(1.0);
    (below / all, above / all)
}

/// Upper tail of the normal distribution, by the logistic curve that fits it to 0.01 (Bowling et al.
/// 2009, from memory): chances here are not known better.
fn tail(z: f64) -> f64 {
    1.0 / (1.0 + (0.07056 * z.powi(3) + 1.5976 * z).exp())
}

/// Poisson chances of 0, 1, 2, ... with a mean, as far as they matter.
fn rare(mean: f64) -> Vec<f64> {
    let mut chances = vec![(-mean).exp()];
    while chances.len() < 40 && chances.iter().sum::<f64>() < 1.0 - 1e-9 {
        #[allow(clippy::cast_precision_loss, reason = "at most forty")]
        let k = chances.len() as f64;
        chances.push(chances[chances.len() - 1] * mean / k);
    }
    chances
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

    /// Normal tails (standard tables): 0.5, 0.158655, 0.022750.
    #[test]
    fn the_tail_is_the_normal_one_within_a_hundredth() {
        for (z, p) in [(0.0, 0.5), (1.0, 0.158_655), (2.0, 0.022_750)] {
            assert!((tail(z) - p).abs() < 0.01, "{z}: {}", tail(z));
        }
    }

    #[test]
    fn a_mark_in_the_middle_of_a_ring_may_belong_to_either_side() {
        let (below, above) = beside(10.0, 0.0);
        assert!(below < 0.01 && above < 0.01);
        let (below, above) = beside(10.499, 0.0);
        assert!(below < 0.001 && (above - 0.5).abs() < 0.01);
        // Told only to two thirds of a ring, even a mark on a boundary may be its neighbour's.
        let (below, above) = beside(10.0, 0.66);
        assert!(below > 0.2 && (below - above).abs() < 1e-9);
    }

    #[test]
    fn poisson_chances_sum_to_one() {
        // exp(-2) = 0.135335, twice that for one (Poisson's formula).
        let chances = rare(2.0);
        assert!((chances[0] - 0.135_335).abs() < 1e-6);
        assert!((chances[1] - 0.270_671).abs() < 1e-6);
        assert!((chances.iter().sum::<f64>() - 1.0).abs() < 1e-6);
    }

    #[test]
    fn a_lost_centre_spreads_over_its_band() {
        let chances = lost(&MissingCentre {
            rings: 6,
            low: 4,
            high: 9,
        });
        assert_eq!(chances.len(), 6);
        assert!((chances.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        assert!(chances[2] > 0.5);
    }
}
