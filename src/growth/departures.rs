//! Departures from the local trend, and spells: runs of rings that grew faster or slower than it.
//!
//! The local trend of a width is a straight line fitted to the rings within [`REACH`] of it, nearer
//! ones weighing more (tricube weights; Cleveland 1979, Journal of the American Statistical
//! Association 74: 829-836, one pass, from memory). At the ends of the series the window is cut, and
//! the line still follows a slope, which a running mean would not.
//!
//! A **spell** is a run of at least `Rules::spell_rings` rings, all wider or all narrower than their
//! local trend, whose mean departure is at least `Rules::spell_departure` of it. Such runs come about
//! by chance too: [`spells_by_chance`] counts them in the same departures put into random order. Real
//! ring widths hang together from year to year, so a few more than that are nothing special.

use super::Rules;
use super::record::GrowthRing;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use serde::Serialize;

/// Rings on either side of a ring that its local trend looks at. 15: spells of five to ten rings
/// don't bend it, the slowing down with age does. Common practice, no source.
pub const REACH: usize = 15;

/// Fewest rings that have a local trend of their own; with fewer it is their mean.
const FEWEST: usize = 5;

/// Random orders that chance is judged by.
const ORDERS: u32 = 1000;

/// Local trend of each width, in their unit.
pub fn local_trend(widths: &[f64]) -> Vec<f64> {
    let n = widths.len();
    let mean = widths.iter().sum::<f64>() / n.max(1) as f64;
    if n < FEWEST {
        return vec![mean; n];
    }
    (0..n)
        .map(|at| {
            let from = at.saturating_sub(REACH);
            let to = (at + REACH + 1).min(n);
            let reach = (REACH + 1) as f64;
            let (mut w, mut wx, mut wy, mut wxx, mut wxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
            for (i, y) in widths.iter().enumerate().take(to).skip(from) {
                let x = i as f64 - at as f64;
                let weight = (1.0 - (x.abs() / reach).powi(3)).powi(3);
                w += weight;
                wx += weight * x;
                wy += weight * y;
                wxx += weight * x * x;
                wxy += weight * x * y;
            }
            let spread = w * wxx - wx * wx;
            // At its own place, x = 0, the line has the height of its intercept.
            let line = (wxx * wy - wx * wxy) / spread;
            // Steep ends may take a line below any width there is.
            let least = widths[from..to]
                .iter()
                .copied()
                .fold(f64::INFINITY, f64::min);
            line.max(0.5 * least)
        })
        .collect()
}

/// A run of departures on one side, by place in the series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run {
    /// First place.
    pub from: usize,
    /// Place after the last.
    pub to: usize,
    /// Mean departure, share of the trend; above zero: fast.
    pub mean_departure: f64,
}

/// A spell of fast or slow growth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Spell {
    /// Whether the rings are wider than the local trend.
    pub is_fast: bool,
    /// First ring.
    pub first_ring: u32,
    /// Last ring.
    pub last_ring: u32,
    /// Year of the first ring.
    pub first_year: Option<i32>,
    /// Year of the last ring.
    pub last_year: Option<i32>,
    /// Mean departure from the local trend, percent.
    pub mean_departure_percent: f64,
}

impl Spell {
    pub(super) fn of(run: &Run, rings: &[GrowthRing]) -> Self {
        let (first, last) = (&rings[run.from], &rings[run.to - 1]);
        Spell {
            is_fast: run.mean_departure > 0.0,
            first_ring: first.number,
            last_ring: last.number,
            first_year: first.year,
            last_year: last.year,
            mean_departure_percent: 100.0 * run.mean_departure,
        }
    }
}

/// Runs of indices (width over trend) that are spells by the rule.
pub fn spells(index: &[Option<f64>], rules: &Rules) -> Vec<Run> {
    let side = |value: &Option<f64>| value.map_or(0, |v| i32::from(v > 1.0) - i32::from(v < 1.0));
    let mut runs = Vec::new();
    let mut from = 0;
    for run in index.chunk_by(|a, b| side(a) == side(b)) {
        let to = from + run.len();
        let departure = run.iter().flatten().map(|v| v - 1.0).sum::<f64>() / run.len() as f64;
        if side(&run[0]) != 0
            && run.len() >= rules.spell_rings
            && departure.abs() >= rules.spell_departure
        {
            runs.push(Run {
                from,
                to,
                mean_departure: departure,
            });
        }
        from = to;
    }
    runs
}

/// Spells in the same indices in random order, on average over a thousand orders (drawn from a
/// fixed seed); `None` where the series is shorter than two spells.
pub fn spells_by_chance(index: &[Option<f64>], rules: &Rules) -> Option<f64> {
    if index.len() < 2 * rules.spell_rings {
        return None;
    }
    let mut chance = ChaCha8Rng::seed_from_u64(0);
    let mut order = index.to_vec();
    let mut found = 0;
    for _ in 0..ORDERS {
        for last in (1..order.len()).rev() {
            order.swap(last, below(&mut chance, last + 1));
        }
        found += spells(&order, rules).len();
    }
    Some(found as f64 / f64::from(ORDERS))
}

/// A whole number from 0 up to, not including, `limit`, all equally likely (to one part in 2^32).
pub(crate) fn below(chance: &mut ChaCha8Rng, limit: usize) -> usize {
    let scaled = (u128::from(chance.next_u64()) * limit as u128) >> 64;
    usize::try_from(scaled).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_line_is_its_own_trend_to_its_very_ends() {
        let widths: Vec<f64> = (0..60).map(|i| 5.0 - 0.05 * f64::from(i)).collect();
        for (trend, width) in local_trend(&widths).iter().zip(&widths) {
            assert!((trend - width).abs() < 1e-9);
        }
    }

    const NUMPY: [(usize, f64); 4] = [
        (0, 1.7618214962346777),
        (7, 1.5234104590889774),
        (20, 1.4607026507770844),
        (39, 1.1620360931159317),
    ];

    /// Reference: `NumPy` 2.4.6, weighted least squares by np.polyfit:
    /// `y = np.array([2.0,1.8,1.9,1.5,1.6,1.2,1.3,1.1,1.0,1.2]*4)`, i = 0, 7, 20, 39
    /// `x = np.arange(40) - i; w = np.where(abs(x) < 16, (1-(abs(x)/16)**3)**3, 0)`
    /// `k = w > 0; np.polyfit(x[k], y[k], 1, w=np.sqrt(w[k]))[1]`
    #[test]
    fn the_trend_is_the_weighted_straight_line_of_numpy() {
        let ten = [2.0, 1.8, 1.9, 1.5, 1.6, 1.2, 1.3, 1.1, 1.0, 1.2];
        let widths: Vec<f64> = ten.iter().cycle().take(40).copied().collect();
        let trend = local_trend(&widths);
        for (at, want) in NUMPY {
            assert!((trend[at] - want).abs() < 1e-9, "{at}: {}", trend[at]);
        }
    }

    #[test]
    fn a_run_is_a_spell_by_length_and_by_depth() {
        let rules = Rules::default();
        let mut index = vec![Some(1.0); 30];
        for (i, value) in index.iter_mut().enumerate() {
            *value = Some(match i {
                5..10 => 0.8,
                12..16 => 1.9,
                20..26 => 1.16,
                _ if i % 2 == 0 => 1.02,
                _ => 0.98,
            });
        }
        let found = spells(&index, &rules);
        // 5..10 is followed by 10 (1.02), preceded by 4 (1.02); 12..16 has four rings, and 16
        // (1.02) is a fifth on the same side; 20..26 is preceded by 19 (0.98), followed by 26.
        let places: Vec<_> = found.iter().map(|run| (run.from, run.to)).collect();
        assert_eq!(places, [(5, 10), (12, 17)]);
        assert!((found[0].mean_departure + 0.2).abs() < 1e-12);
        // A run's mean counts all its rings: six of 1.16 and one of 1.02 are 0.14.
        let shallow = spells(
            &index[18..27],
            &Rules {
                spell_departure: 0.139,
                ..rules
            },
        );
        assert_eq!(shallow.len(), 1);
    }

    #[test]
    fn chance_makes_as_many_spells_as_can_be_worked_out() {
        // Departures of +-0.5 in random order among many: a run of at least 5 of one side begins at
        // a place with probability (1/2)^5 * 1/2 for each side, the first place excepted.
        let rules = Rules::default();
        let index: Vec<Option<f64>> = (0..2000)
            .map(|i| Some(if i % 2 == 0 { 1.5 } else { 0.5 }))
            .collect();
        let found = spells_by_chance(&index, &rules).unwrap();
        let want = 2.0 * (1995.0 / 64.0 + 1.0 / 32.0);
        assert!((found / want - 1.0).abs() < 0.02, "{found} {want}");
    }
}
