//! Detrending: widths divided by a curve of growth, which leaves what the years have in common.
//!
//! A stem lays its wood on an ever longer girth, so rings narrow with age, and one tree's narrow
//! outer rings can't be averaged with another's wide inner ones. Each series is divided by a curve
//! of its own; the quotient, the index, is about one whatever the tree's age. A stiff curve leaves
//! slow changes of the climate in, a supple one takes them out with the growth: it is a choice, made
//! by whoever uses the figures.
//!
//! A curve that comes to zero, or near it, can't divide. What was fitted in its place is told with
//! the reason ([`Detrended::instead`]), never passed over.

use super::exponential::{self, Exponential};
use super::{figures, spline};
use crate::error::Error;

/// The curve asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Detrending {
    /// No curve: the index is the width itself, mm.
    None,
    /// The mean width.
    Mean,
    /// The straight line of least squares.
    Line,
    /// The negative exponential of least squares, a exp(-b t) + k with a, b > 0 and k >= 0.
    Exponential,
    /// The cubic smoothing spline that halves waves of a period.
    Spline(Stiffness),
}

/// The period that a spline halves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Stiffness {
    /// In years.
    Years(f64),
    /// As a share of the series' length, from its first known year to its last.
    Share(f64),
}

/// The usual stiff spline: two thirds of the series' length (common practice, no source).
pub const USUAL_SHARE: f64 = 0.67;

impl Default for Detrending {
    fn default() -> Self {
        Detrending::Spline(Stiffness::Share(USUAL_SHARE))
    }
}

impl Detrending {
    /// Refuses a stiffness that no spline can have.
    ///
    /// # Errors
    /// [`Error::Setting`].
    pub fn check(&self) -> Result<(), Error> {
        match self {
            Detrending::Spline(Stiffness::Years(years))
                if !(spline::LEAST_PERIOD_YEARS..=1e5).contains(years) =>
            {
                Err(Error::setting(format!(
                    "a spline can't halve waves of {years} years; give 2 to 100000"
                )))
            }
            Detrending::Spline(Stiffness::Share(share)) if !(0.01..=100.0).contains(share) => {
                Err(Error::setting(format!(
                    "a spline can't be {share} times as stiff as its series is long; give 0.01 to 100"
                )))
            }
            _ => Ok(()),
        }
    }

    /// What is done, in words: `smoothing spline with 50 % response at 32 years`.
    pub fn words(&self) -> String {
        match self {
            Detrending::None => "none: the widths themselves, mm".into(),
            Detrending::Mean => "mean width".into(),
            Detrending::Line => "straight line".into(),
            Detrending::Exponential => "negative exponential".into(),
            Detrending::Spline(Stiffness::Years(years)) => {
                format!("smoothing spline with 50 % response at {years} years")
            }
            Detrending::Spline(Stiffness::Share(share)) => format!(
                "smoothing spline with 50 % response at {share} times the length of each series"
            ),
        }
    }
}

/// The curve that was fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fitted {
    /// None.
    None,
    /// The mean, in the unit of the widths.
    Mean(f64),
    /// level + slope t, t being the year of the series from 1.
    Line {
        /// Height at t = 0, in the unit of the widths.
        level: f64,
        /// Change a year.
        slope: f64,
    },
    /// a exp(-b t) + k, t being the year of the series from 1.
    Exponential(Exponential),
    /// A spline.
    Spline {
        /// The period that it halves, years.
        years: f64,
    },
}

impl Fitted {
    /// The curve's name in tables.
    pub fn name(&self) -> &'static str {
        match self {
            Fitted::None => "none",
            Fitted::Mean(_) => "mean",
            Fitted::Line { .. } => "line",
            Fitted::Exponential(_) => "exponential",
            Fitted::Spline { .. } => "spline",
        }
    }
}

/// A series divided by its curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Detrended {
    /// What was fitted.
    pub fitted: Fitted,
    /// Why it is not what was asked for; none where it is.
    pub instead: Option<&'static str>,
    /// The curve in the years that are known, in the unit of the widths.
    pub curve: Vec<Option<f64>>,
    /// Width by curve in the years that are known.
    pub index: Vec<Option<f64>>,
}

/// A spline is not divided by where it comes below this share of the mean width; it follows the widths
/// down, so only absent rings take it there.
const LEAST_SHARE: f64 = 0.01;

/// The same of a straight line. It goes on falling where the widths don't: of an archive series (az527,
/// MTP081) it ends at 0.5 % of the mean and makes the last index 53.
const LEAST_SHARE_OF_LINE: f64 = 0.1;

const NO_FALL: &str = "the widths don't fall to a level";
const NOT_POSITIVE: &str = "the curve comes too near to zero";

/// Divides a series of widths by the curve asked for. None where no width is known or all of the
/// rings are absent: there is nothing to divide by.
pub fn detrend(widths: &[Option<f64>], asked: Detrending) -> Option<Detrended> {
    let mean = figures::mean(widths)?;
    if matches!(asked, Detrending::None) {
        return Some(Detrended {
            fitted: Fitted::None,
            instead: None,
            curve: widths.iter().map(|w| w.map(|_| 1.0)).collect(),
            index: widths.to_vec(),
        });
    }
    if mean <= 0.0 {
        return None;
    }
    let stays_above =
        |curve: &[Option<f64>], share: f64| figures::known(curve).all(|c| c >= share * mean);
    let along = |at: &dyn Fn(f64) -> f64| -> Vec<Option<f64>> {
        (1_u32..)
            .zip(widths)
            .map(|(t, w)| w.map(|_| at(f64::from(t))))
            .collect()
    };
    let flat = || (Fitted::Mean(mean), along(&|_| mean));
    let straight = || {
        let (level, slope) = line(widths)?;
        let curve = along(&|t| level + slope * t);
        Some((Fitted::Line { level, slope }, curve))
    };
    let ((fitted, curve), instead) = match asked {
        Detrending::None | Detrending::Mean => (flat(), None),
        Detrending::Line => match straight() {
            Some(fit) if stays_above(&fit.1, LEAST_SHARE_OF_LINE) => (fit, None),
            Some(_) => (flat(), Some(NOT_POSITIVE)),
            None => (flat(), Some("a single width has no line")),
        },
        Detrending::Exponential => match exponential::fit(&points(widths)) {
            Some(fit) => ((Fitted::Exponential(fit), along(&|t| fit.at(t))), None),
            // A line that rises would take out growth that is no matter of age.
            None => match straight() {
                Some(fit)
                    if stays_above(&fit.1, LEAST_SHARE_OF_LINE)
                        && matches!(fit.0, Fitted::Line { slope, .. } if slope < 0.0) =>
                {
                    (fit, Some(NO_FALL))
                }
                _ => (flat(), Some(NO_FALL)),
            },
        },
        Detrending::Spline(stiffness) => {
            let years = match stiffness {
                Stiffness::Years(years) => years,
                Stiffness::Share(share) => share * span_years(widths),
            }
            .max(spline::LEAST_PERIOD_YEARS);
            let curve = spline::smooth(widths, spline::weight(years));
            if stays_above(&curve, LEAST_SHARE) {
                ((Fitted::Spline { years }, curve), None)
            } else {
                (flat(), Some(NOT_POSITIVE))
            }
        }
    };
    let index = widths
        .iter()
        .zip(&curve)
        .map(|(w, c)| Some((*w)? / (*c)?))
        .collect();
    Some(Detrended {
        fitted,
        instead,
        curve,
        index,
    })
}

/// Known widths with their year of the series from 1.
fn points(widths: &[Option<f64>]) -> Vec<(f64, f64)> {
    (1_u32..)
        .zip(widths)
        .filter_map(|(t, w)| Some((f64::from(t), (*w)?)))
        .collect()
}

/// Years from the first known width to the last, both counted.
fn span_years(widths: &[Option<f64>]) -> f64 {
    let first = widths.iter().position(Option::is_some);
    let last = widths.iter().rposition(Option::is_some);
    first
        .zip(last)
        .map_or(0.0, |(first, last)| (last - first + 1) as f64)
}

/// Level at t = 0 and slope of the least-squares line; none of fewer than two points.
fn line(widths: &[Option<f64>]) -> Option<(f64, f64)> {
    let points = points(widths);
    let n = points.len() as f64;
    if points.len() < 2 {
        return None;
    }
    let mean_t = points.iter().map(|(t, _)| t).sum::<f64>() / n;
    let mean_w = points.iter().map(|(_, w)| w).sum::<f64>() / n;
    let (mut tt, mut tw) = (0.0, 0.0);
    for (t, w) in points {
        tt += (t - mean_t) * (t - mean_t);
        tw += (t - mean_t) * (w - mean_w);
    }
    let slope = tw / tt;
    Some((mean_w - slope * mean_t, slope))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(values: &[f64]) -> Vec<Option<f64>> {
        values.iter().copied().map(Some).collect()
    }

    const WIDTHS: [f64; 20] = [
        3.1, 2.9, 2.2, 2.6, 1.9, 1.7, 2.0, 1.4, 1.5, 1.1, 1.3, 0.9, 1.2, 1.0, 0.8, 1.1, 0.7, 0.9,
        0.8, 0.9,
    ];

    #[test]
    fn the_line_is_that_of_numpy() {
        // numpy 2.4.6: numpy.polyfit(numpy.arange(1, 21.), w, 1) -> -0.11142857, 2.67
        let got = detrend(&all(&WIDTHS), Detrending::Line).unwrap();
        let Fitted::Line { level, slope } = got.fitted else {
            panic!("{:?}", got.fitted)
        };
        assert!((slope + 0.11142857).abs() < 5e-9 && (level - 2.67).abs() < 1e-12);
        assert!((got.index[0].unwrap() - 3.1 / (2.67 - 0.111428571)).abs() < 1e-8);
        assert_eq!(got.instead, None);
    }

    #[test]
    fn each_curve_has_the_mean_of_its_widths() {
        for asked in [
            Detrending::Mean,
            Detrending::Line,
            Detrending::Exponential,
            Detrending::default(),
            Detrending::Spline(Stiffness::Years(10.0)),
        ] {
            let got = detrend(&all(&WIDTHS), asked).unwrap();
            assert_eq!(got.instead, None, "{asked:?}");
            // So it is for every least-squares fit with a level of its own, and for the spline.
            let mean = figures::mean(&got.curve).unwrap();
            assert!((mean - 1.5).abs() < 1e-9, "{asked:?}: {mean}");
        }
        let same = detrend(&all(&WIDTHS), Detrending::None).unwrap();
        assert_eq!(same.index, all(&WIDTHS));
    }

    #[test]
    fn a_curve_that_does_not_serve_is_replaced_with_the_reason() {
        let rising: Vec<f64> = (0..30).map(|t| 1.0 + 0.05 * f64::from(t)).collect();
        let got = detrend(&all(&rising), Detrending::Exponential).unwrap();
        assert_eq!((got.fitted.name(), got.instead), ("mean", Some(NO_FALL)));
        let falling: Vec<f64> = (0..30).map(|t| 3.0 - 0.05 * f64::from(t)).collect();
        let got = detrend(&all(&falling), Detrending::Exponential).unwrap();
        assert_eq!((got.fitted.name(), got.instead), ("line", Some(NO_FALL)));
        // A line through 9, 0, 0, 0 ends below zero.
        let got = detrend(&all(&[9.0, 0.0, 0.0, 0.0]), Detrending::Line).unwrap();
        assert_eq!(
            (got.fitted.name(), got.instead),
            ("mean", Some(NOT_POSITIVE))
        );
    }

    #[test]
    fn unknown_years_stay_unknown_and_absent_rings_are_zero() {
        let mut widths = all(&WIDTHS);
        (widths[4], widths[9]) = (None, Some(0.0));
        let got = detrend(&widths, Detrending::default()).unwrap();
        assert_eq!((got.curve[4], got.index[4]), (None, None));
        assert_eq!(got.index[9], Some(0.0));
        assert_eq!(detrend(&[None, None], Detrending::Mean), None);
        assert_eq!(detrend(&all(&[0.0, 0.0]), Detrending::Mean), None);
        assert!(detrend(&[Some(1.5)], Detrending::Line).is_some());
    }

    #[test]
    fn nonsense_is_refused_with_what_would_do() {
        for bad in [f64::NAN, 1.0, -5.0, f64::INFINITY] {
            let told = Detrending::Spline(Stiffness::Years(bad))
                .check()
                .unwrap_err();
            assert!(told.to_string().contains("give 2 to 100000"), "{told}");
        }
        assert!(Detrending::Spline(Stiffness::Share(0.0)).check().is_err());
        assert!(Detrending::default().check().is_ok());
    }

    #[test]
    fn the_unit_of_the_widths_does_not_change_an_index() {
        let inches: Vec<f64> = WIDTHS.iter().map(|mm| mm / 25.4).collect();
        for asked in [
            Detrending::Mean,
            Detrending::Line,
            Detrending::Exponential,
            Detrending::default(),
        ] {
            let mm = detrend(&all(&WIDTHS), asked).unwrap();
            let inch = detrend(&all(&inches), asked).unwrap();
            for (a, b) in mm.index.iter().zip(&inch.index) {
                assert!((a.unwrap() - b.unwrap()).abs() < 1e-9, "{asked:?}");
            }
        }
    }
}
