//! Correlation of ring widths with the weather, with the interval of each and the number tried.
//!
//! The interval is that of a moving-block bootstrap (Künsch 1989, Annals of Statistics 17: 1217-1241,
//! from memory): years are drawn in blocks of about the cube root of their number, so that what
//! hangs together from year to year stays together, and r is taken of each of [`DRAWS`] such
//! samples; the interval lies between their percentiles. Draws come from a fixed seed.
//!
//! Of many correlations some leave out zero by chance. A correlation **holds** where its interval
//! leaves out zero at the level that allows for the number tried, 1 - 0.05 / number (Bonferroni).

use super::{Hemisphere, Weather, windows};
use crate::growth::GrowthRecord;
use crate::growth::departures::below;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use serde::Serialize;

/// Fewest years for a correlation. Common practice, no source: an interval of fewer says nothing.
pub const FEWEST_YEARS: usize = 15;

/// Bootstrap samples. With 42 correlations the percentile asked for is the twelfth of them.
const DRAWS: usize = 20_000;

/// Level of the interval that is shown.
const LEVEL: f64 = 0.95;

/// Correlation with one month or season.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Correlation {
    /// Column of the weather table.
    pub column: String,
    /// Month or season.
    pub window: String,
    /// Whether it is a season.
    pub is_season: bool,
    /// Years that have both.
    pub years: usize,
    /// Pearson's r; unknown with fewer than [`FEWEST_YEARS`], or where one never changes.
    pub r: Option<f64>,
    /// Interval of r at 95 %.
    pub interval: Option<(f64, f64)>,
    /// Whether zero is left out when allowed for the number tried.
    pub holds: bool,
}

/// What a disc and a weather table have to say to each other.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    /// All that were looked at, column by column.
    pub correlations: Vec<Correlation>,
    /// How many had years enough.
    pub tried: usize,
    /// Of these, how many intervals at 95 % leave out zero.
    pub leave_out_zero: usize,
    /// How many chance alone would make, about.
    pub by_chance: f64,
    /// How many hold when allowed for the number tried.
    pub hold: usize,
}

/// Correlates the widths of a record, over their local trend, with every month and season of every
/// column. A record without years has nothing to try.
pub fn correlate(record: &GrowthRecord, weather: &Weather, hemisphere: Hemisphere) -> Finding {
    let index: Vec<(i32, f64)> = record
        .rings
        .iter()
        .filter_map(|ring| Some((ring.year?, ring.index?)))
        .collect();
    let mut paired = Vec::new();
    for (column, name) in weather.columns.iter().enumerate() {
        for window in windows(hemisphere) {
            let pairs: Vec<(f64, f64)> = index
                .iter()
                .filter_map(|(year, index)| {
                    let months = window.months.iter();
                    let values: Option<Vec<f64>> = months
                        .map(|(after, month)| weather.value(column, year + after, *month))
                        .collect();
                    let values = values?;
                    Some((*index, values.iter().sum::<f64>() / values.len() as f64))
                })
                .collect();
            paired.push((name.clone(), window, pairs));
        }
    }
    let can_be_tried =
        |pairs: &[(f64, f64)]| pairs.len() >= FEWEST_YEARS && pearson(pairs).is_some();
    let tried = paired
        .iter()
        .filter(|(_, _, pairs)| can_be_tried(pairs))
        .count();
    let mut chance = ChaCha8Rng::seed_from_u64(1);
    let correlations: Vec<Correlation> = paired
        .into_iter()
        .map(|(column, window, pairs)| {
            let can = can_be_tried(&pairs);
            let draws = if can {
                draws(&pairs, &mut chance)
            } else {
                Vec::new()
            };
            let interval = can.then(|| percentiles(&draws, LEVEL));
            let strict = can.then(|| percentiles(&draws, 1.0 - (1.0 - LEVEL) / tried as f64));
            Correlation {
                column,
                window: window.name,
                is_season: window.is_season,
                years: pairs.len(),
                r: can.then(|| pearson(&pairs)).flatten(),
                interval,
                holds: strict.is_some_and(leaves_out_zero),
            }
        })
        .collect();
    let leave_out_zero = correlations
        .iter()
        .filter(|c| c.interval.is_some_and(leaves_out_zero))
        .count();
    let hold = correlations.iter().filter(|c| c.holds).count();
    Finding {
        correlations,
        tried,
        leave_out_zero,
        by_chance: tried as f64 * (1.0 - LEVEL),
        hold,
    }
}

fn leaves_out_zero((low, high): (f64, f64)) -> bool {
    low > 0.0 || high < 0.0
}

/// Pearson's correlation; `None` where either never changes.
pub fn pearson(pairs: &[(f64, f64)]) -> Option<f64> {
    let n = pairs.len() as f64;
    let mean_x = pairs.iter().map(|p| p.0).sum::<f64>() / n;
    let mean_y = pairs.iter().map(|p| p.1).sum::<f64>() / n;
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for (x, y) in pairs {
        let (x, y) = (x - mean_x, y - mean_y);
        xx += x * x;
        yy += y * y;
        xy += x * y;
    }
    let spread = (xx * yy).sqrt();
    // What never changes has a spread of rounding alone.
    let least = 1e-12 * n * (mean_x * mean_y).abs();
    (spread > least && spread > 0.0).then(|| (xy / spread).clamp(-1.0, 1.0))
}

/// Years of a block: the cube root of their number, at least two.
fn block_years(years: usize) -> usize {
    (1..=years)
        .take_while(|b| b * b * b <= years)
        .last()
        .unwrap_or(1)
        .max(2)
}

/// Correlations of bootstrap samples, rising.
fn draws(pairs: &[(f64, f64)], chance: &mut ChaCha8Rng) -> Vec<f64> {
    let n = pairs.len();
    let block = block_years(n).min(n);
    let mut sample = Vec::with_capacity(n + block);
    let mut found = Vec::with_capacity(DRAWS);
    for _ in 0..DRAWS {
        sample.clear();
        while sample.len() < n {
            let from = below(chance, n - block + 1);
            sample.extend_from_slice(&pairs[from..from + block]);
        }
        sample.truncate(n);
        // A sample of one block over and over may never change; it says nothing.
        found.extend(pearson(&sample));
    }
    found.sort_by(f64::total_cmp);
    found
}

/// The ends of an interval that leaves out the same share on either side.
fn percentiles(rising: &[f64], level: f64) -> (f64, f64) {
    let last = rising.len().saturating_sub(1) as f64;
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "0 <= share <= 1 of the last place"
    )]
    let at = |share: f64| {
        let place = (share.clamp(0.0, 1.0) * last).round() as usize;
        rising.get(place).copied().unwrap_or(0.0)
    };
    let tail = (1.0 - level) / 2.0;
    (at(tail), at(1.0 - tail))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::growth::tests::disc;
    use crate::growth::{Rules, record};
    use statrs::distribution::{ContinuousCDF, Normal};
    use std::path::Path;

    /// Facts, section 3, the common series; reference `NumPy` 2.4.6: `np.corrcoef(x, y)[0, 1]` is
    /// 0.9290524590484456.
    #[test]
    fn pearsons_r_is_that_of_numpy() {
        let x = [1.0, 1.5, 0.9, 1.2, 0.6, 1.1, 1.3, 0.8, 1.0, 1.4];
        let y = [0.8, 1.3, 0.9, 1.0, 0.5, 1.0, 0.9, 0.7, 0.8, 1.2];
        let pairs: Vec<(f64, f64)> = x.into_iter().zip(y).collect();
        assert!((pearson(&pairs).unwrap() - 0.9290524590484456).abs() < 1e-12);
        assert_eq!(pearson(&[(1.0, 0.3), (2.0, 0.3), (3.0, 0.3)]), None);
        assert_eq!(pearson(&[]), None);
    }

    fn normal(chance: &mut ChaCha8Rng) -> f64 {
        let normal = Normal::new(0.0, 1.0).unwrap();
        normal.inverse_cdf((below(chance, 1 << 30) as f64 + 0.5) / f64::from(1u32 << 30))
    }

    #[test]
    fn on_years_that_dont_hang_together_the_interval_is_about_fishers() {
        // Fisher's interval: tanh(atanh(r) -+ 1.96 / sqrt(n - 3)), statrs for the 1.96.
        let mut chance = ChaCha8Rng::seed_from_u64(5);
        let pairs: Vec<(f64, f64)> = (0..300)
            .map(|_| {
                let x = normal(&mut chance);
                (x, 0.5 * x + normal(&mut chance))
            })
            .collect();
        let r = pearson(&pairs).unwrap();
        let z = Normal::new(0.0, 1.0).unwrap().inverse_cdf(0.975) / 297f64.sqrt();
        let (low, high) = percentiles(&draws(&pairs, &mut chance), 0.95);
        assert!((low - (r.atanh() - z).tanh()).abs() < 0.03, "{low}");
        assert!((high - (r.atanh() + z).tanh()).abs() < 0.03, "{high}");
    }

    #[test]
    fn years_that_hang_together_widen_the_interval() {
        let mut chance = ChaCha8Rng::seed_from_u64(6);
        let (mut x, mut y) = (0.0, 0.0);
        let pairs: Vec<(f64, f64)> = (0..300)
            .map(|_| {
                x = 0.8 * x + normal(&mut chance);
                y = 0.8 * y + normal(&mut chance);
                (x, y)
            })
            .collect();
        let (low, high) = percentiles(&draws(&pairs, &mut chance), 0.95);
        // Fisher's, which takes years for independent, would be 0.23 wide.
        assert!(high - low > 0.29, "{low} {high}");
    }

    fn rain(years: std::ops::RangeInclusive<i32>, value: impl Fn(i32, u8) -> f64) -> Weather {
        let mut text = String::from("year,month,rain\n");
        for year in years {
            for month in 1..=12 {
                text.push_str(&format!("{year},{month},{}\n", value(year, month)));
            }
        }
        Weather::parse(text.as_bytes(), Path::new("rain.csv")).unwrap()
    }

    #[test]
    fn a_month_that_makes_the_rings_is_found_and_holds() {
        let mut chance = ChaCha8Rng::seed_from_u64(7);
        let months: Vec<f64> = (0..12 * 80).map(|_| normal(&mut chance)).collect();
        let value =
            |year: i32, month: u8| months[(year - 1940) as usize * 12 + usize::from(month) - 1];
        // 60 rings to 2019, wide where May of their year was wet.
        let widths: Vec<f64> = (1960..2020)
            .map(|year| 10.0 + 2.0 * value(year, 5))
            .collect();
        let made = record(&disc(&widths, Some(2019), Some(0.1)), &Rules::default());
        let found = correlate(&made, &rain(1940..=2019, value), Hemisphere::North);
        assert_eq!((found.tried, found.correlations.len()), (21, 21));
        assert!((found.by_chance - 1.05).abs() < 1e-9);
        let may = found
            .correlations
            .iter()
            .find(|c| c.window == "May")
            .unwrap();
        assert!(
            may.holds && may.r.unwrap() > 0.9 && may.years == 60,
            "{may:?}"
        );
        let held: Vec<&str> = found
            .correlations
            .iter()
            .filter(|c| c.holds)
            .map(|c| c.window.as_str())
            .collect();
        // Spring holds May.
        assert!(
            held.iter().all(|window| ["May", "spring"].contains(window)),
            "{held:?}"
        );
        // The first ring's June before needs 1959, which is there; with a table from 1970 years go.
        let short = correlate(&made, &rain(1970..=2019, value), Hemisphere::North);
        assert_eq!(short.correlations[0].years, 49);
        assert_eq!(short.correlations[7].years, 50);
        let none = correlate(
            &made,
            &rain(1930..=1939, |_, m| f64::from(m)),
            Hemisphere::North,
        );
        assert_eq!((none.tried, none.correlations[0].r), (0, None));
    }

    #[test]
    fn weather_that_has_nothing_to_do_with_the_rings_seldom_leaves_out_zero_and_hardly_ever_holds()
    {
        let mut chance = ChaCha8Rng::seed_from_u64(8);
        let (mut tried, mut out, mut hold) = (0, 0, 0);
        for _ in 0..8 {
            let months: Vec<f64> = (0..12 * 62).map(|_| normal(&mut chance)).collect();
            let widths: Vec<f64> = (0..60).map(|_| 10.0 + normal(&mut chance)).collect();
            let made = record(&disc(&widths, Some(2019), None), &Rules::default());
            let value =
                |year: i32, month: u8| months[(year - 1958) as usize * 12 + usize::from(month) - 1];
            let found = correlate(&made, &rain(1958..=2019, value), Hemisphere::North);
            tried += found.tried;
            out += found.leave_out_zero;
            hold += found.hold;
        }
        let share = out as f64 / f64::from(tried as u32);
        assert!((0.01..0.13).contains(&share), "{out} of {tried}");
        assert!(hold <= 3, "{hold} hold");
    }
}
