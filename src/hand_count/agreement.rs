//! How well two counts of many discs agree: limits of agreement after Bland and Altman 1986,
//! "Statistical methods for assessing agreement between two methods of clinical measurement", Lancet
//! 1: 307-310.
//!
//! The differences of the two, not their correlation: mean difference d, their standard deviation s
//! (with n - 1), limits d - 1.96 s and d + 1.96 s. Standard errors after the same paper: s / sqrt(n) of
//! the mean, about sqrt(3 s^2 / n) of a limit. It supposes that differences don't grow with the count:
//! the plot shows whether they do.

use crate::chart::{DataInk, Drawing, Line, LineChart, Mark, Shape, Stroke};
use crate::error::Error;
use std::collections::BTreeMap;

/// Two counts of one disc.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// The hand's, or the first hand's.
    pub hand: f64,
    /// The reading's, or the second hand's.
    pub reading: f64,
}

impl Pair {
    fn difference(&self) -> f64 {
        self.hand - self.reading
    }

    fn mean(&self) -> f64 {
        (self.hand + self.reading) / 2.0
    }
}

/// How well the counts agree.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Agreement {
    /// Discs with both counts.
    pub discs: usize,
    /// Share that differ by at most one ring.
    pub within_one: f64,
    /// Share that differ by at most 2 % of the mean of the two.
    pub within_two_percent: f64,
    /// Mean difference, hand less reading, rings.
    pub mean_difference: f64,
    /// What needs at least two discs.
    pub spread: Option<Spread>,
}

/// Spread of the differences.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Standard deviation, rings.
    pub sd: f64,
    /// Lower 95 % limit of agreement, rings.
    pub low: f64,
    /// Upper 95 % limit of agreement, rings.
    pub high: f64,
    /// Standard error of the mean difference, rings.
    pub mean_se: f64,
    /// Standard error of either limit, rings.
    pub limit_se: f64,
}

/// Standard deviations that hold 95 % of a normal distribution.
const HOLDS_95: f64 = 1.96;

/// Compares the counts; `None` where there are none.
pub fn of(pairs: &[Pair]) -> Option<Agreement> {
    if pairs.is_empty() {
        return None;
    }
    let n = pairs.len() as f64;
    let share = |fits: &dyn Fn(&Pair) -> bool| pairs.iter().filter(|p| fits(p)).count() as f64 / n;
    let mean = pairs.iter().map(Pair::difference).sum::<f64>() / n;
    let squares: f64 = pairs.iter().map(|p| (p.difference() - mean).powi(2)).sum();
    let spread = (pairs.len() > 1).then(|| {
        let sd = (squares / (n - 1.0)).sqrt();
        Spread {
            sd,
            low: mean - HOLDS_95 * sd,
            high: mean + HOLDS_95 * sd,
            mean_se: sd / n.sqrt(),
            limit_se: (3.0 * sd * sd / n).sqrt(),
        }
    });
    Some(Agreement {
        discs: pairs.len(),
        within_one: share(&|p| p.difference().abs() <= 1.0),
        within_two_percent: share(&|p| p.difference().abs() <= 0.02 * p.mean()),
        mean_difference: mean,
        spread,
    })
}

impl Agreement {
    /// The totals in words, a line each.
    pub fn words(&self) -> Vec<String> {
        let discs = if self.discs == 1 { "disc" } else { "discs" };
        let mut words = vec![format!(
            "{} {discs} with both counts: {:.0} % within 1 ring, {:.0} % within 2 %",
            self.discs,
            100.0 * self.within_one,
            100.0 * self.within_two_percent
        )];
        words.push(match &self.spread {
            Some(s) => format!(
                "mean difference {:+.2} (standard error {:.2}), sd {:.2}; 95 % limits of agreement {:+.2} to {:+.2} (standard error {:.2})",
                self.mean_difference, s.mean_se, s.sd, s.low, s.high, s.limit_se
            ),
            None => format!(
                "difference {:+.0}; limits of agreement need two discs or more",
                self.mean_difference
            ),
        });
        words
    }
}

/// Draws the differences over the means, with the mean difference and its limits: a dot a disc, with
/// their number where several lie on each other. `names` are the two counts.
///
/// # Errors
/// [`Error::Fault`] where the chart can't be drawn.
pub fn plot(
    pairs: &[Pair],
    agreement: &Agreement,
    [first, second]: [&str; 2],
) -> Result<Drawing, Error> {
    let means = pairs.iter().map(Pair::mean);
    let ends = means.fold((f64::MAX, f64::MIN), |(a, b), mean| {
        (a.min(mean), b.max(mean))
    });
    let room = (0.06 * (ends.1 - ends.0)).max(1.0);
    let level = |y: f64, name: String, ink: DataInk, stroke: Stroke| Line {
        name,
        points: vec![(ends.0 - room, Some(y)), (ends.1 + room, Some(y))],
        ink,
        stroke,
    };
    let mean = agreement.mean_difference;
    let mut lines = vec![level(
        mean,
        format!("mean difference {mean:+.2}"),
        DataInk::Second,
        Stroke::Solid,
    )];
    if let Some(s) = agreement.spread {
        let name = format!("95 % limits of agreement {:+.2} and {:+.2}", s.low, s.high);
        for (y, name) in [(s.low, name), (s.high, String::new())] {
            lines.push(level(y, name, DataInk::Second, Stroke::Dashed));
        }
    }
    lines.push(level(0.0, String::new(), DataInk::Ground, Stroke::Dotted));
    // Counts are whole numbers, so that their sums and differences tell equal places.
    let place = |pair: &Pair| (pair.difference().to_bits(), pair.mean().to_bits());
    let mut often: BTreeMap<_, u32> = BTreeMap::new();
    for pair in pairs {
        *often.entry(place(pair)).or_default() += 1;
    }
    let mark = |pair: &Pair| Mark {
        x: pair.mean(),
        y: pair.difference(),
        shape: Shape::Dot,
        label: match often.remove(&place(pair)) {
            None | Some(1) => String::new(),
            Some(discs) => discs.to_string(),
        },
    };
    LineChart {
        height: 800,
        x_label: "mean of the two counts, rings".into(),
        y_label: format!("{first} less {second}, rings"),
        from_zero: false,
        marks: pairs.iter().map(mark).collect(),
        lines,
        ..LineChart::default()
    }
    .draw()
}

#[cfg(test)]
mod tests {
    use super::*;
    use statrs::statistics::Statistics;

    fn pairs(of: &[(f64, f64)]) -> Vec<Pair> {
        of.iter()
            .map(|(hand, reading)| Pair {
                hand: *hand,
                reading: *reading,
            })
            .collect()
    }

    /// By hand: differences 1, -1, 2, 0, -2: mean 0, squares 10, sd sqrt(10/4) = 1.5811, limits
    /// 1.96 x 1.5811 = 3.0990; two of five beyond one ring; standard errors 0.7071 and 1.2247.
    #[test]
    fn five_discs_by_hand() {
        let a = of(&pairs(&[
            (51.0, 50.0),
            (59.0, 60.0),
            (72.0, 70.0),
            (80.0, 80.0),
            (88.0, 90.0),
        ]))
        .unwrap();
        let s = a.spread.unwrap();
        assert!((a.mean_difference).abs() < 1e-12);
        assert!((s.sd - 1.581_139).abs() < 1e-6);
        assert!((s.low + 3.099_032).abs() < 1e-6 && (s.high - 3.099_032).abs() < 1e-6);
        assert!((s.mean_se - 0.5_f64.sqrt()).abs() < 1e-6 && (s.limit_se - 1.224_745).abs() < 1e-6);
        assert!((a.within_one - 0.6).abs() < 1e-12);
        // 1 of 50.5 is 1.98 %, 1 of 59.5 1.68 %, 2 of 71 2.8 %, 0, 2 of 89 2.2 %.
        assert!((a.within_two_percent - 0.6).abs() < 1e-12);
    }

    /// The paper's own example: peak flow of 17 people by two meters, first measurements (data from
    /// memory; the paper gives mean difference -2.1 and sd 38.8 l/min, which they reproduce).
    #[test]
    fn the_papers_peak_flow_example() {
        let large = [
            494., 395., 516., 434., 476., 557., 413., 442., 650., 433., 417., 656., 267., 478.,
            178., 423., 427.,
        ];
        let mini = [
            512., 430., 520., 428., 500., 600., 364., 380., 658., 445., 432., 626., 260., 477.,
            259., 350., 451.,
        ];
        let both: Vec<(f64, f64)> = large.into_iter().zip(mini).collect();
        let a = of(&pairs(&both)).unwrap();
        let s = a.spread.unwrap();
        assert!(
            (a.mean_difference + 2.1).abs() < 0.05,
            "{}",
            a.mean_difference
        );
        assert!((s.sd - 38.8).abs() < 0.05, "{}", s.sd);
        // Against the reference library statrs.
        let differences: Vec<f64> = both.iter().map(|(a, b)| a - b).collect();
        assert!((s.sd - (&differences).std_dev()).abs() < 1e-9);
        assert!((a.mean_difference - (&differences).mean()).abs() < 1e-9);
    }

    #[test]
    fn one_disc_has_no_limits_and_none_nothing() {
        assert!(of(&[]).is_none());
        assert!(of(&pairs(&[(50.0, 49.0)])).unwrap().spread.is_none());
    }

    #[test]
    fn the_plot_has_a_dot_a_disc_and_its_lines() {
        let of_four = pairs(&[(51.0, 50.0), (59.0, 60.0), (72.0, 70.0), (51.0, 50.0)]);
        let drawn = plot(&of_four, &of(&of_four).unwrap(), ["hand", "reading"]).unwrap();
        assert_eq!(drawn.svg().matches("<circle").count(), 4);
        // Differences 1, -1, 2, 1: mean 0.75, squares 4.75, sd 1.2583, limits 0.75 -/+ 2.4663. By hand.
        for words in [
            "mean difference +0.75",
            "95 % limits of agreement -1.72 and +3.22",
        ] {
            assert!(drawn.svg().contains(words), "{words}");
        }
        // Two discs at one place are told.
        assert!(drawn.svg().contains(">\n2\n<"), "{}", drawn.svg());
        let one = pairs(&[(51.0, 50.0)]);
        assert!(plot(&one, &of(&one).unwrap(), ["hand", "reading"]).is_ok());
    }
}
