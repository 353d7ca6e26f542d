//! Ring widths of many discs compared: figures of each series, the mean chronology, how well the
//! trees agree, and the years in which the radii of a disc disagree.
//!
//! A [`Radius`](crate::chronology::Radius) is one series of widths: along one radius of one specimen. Radii are detrended one by
//! one, averaged to their tree, and only then compared: two radii of one tree are not two trees.
//! What is not dated (no year is known for its rings) has figures of its own, but stays out of
//! everything that compares years; so does, without a scale, the mean width in mm. Lengths only
//! enter [`Detrending::None`](crate::chronology::detrend::Detrending::None); every other index is a quotient and needs no scale.
//!
//! The figures are made here, written as tables by `written` and as a page by `page`.

pub mod agreement;
pub mod alignment;
pub mod coverage;
pub mod detrend;
pub mod exponential;
pub mod figures;
pub mod likeness;
pub mod page;
pub mod radii;
pub mod robust_mean;

pub mod source;
pub mod spline;
pub mod written;

use crate::error::Error;
use crate::series::Series;
use agreement::{Agreement, Track, Window};
use detrend::{Detrended, Detrending};
use radii::Difference;
use rayon::iter::{
    IntoParallelIterator, IntoParallelRefIterator, IntoParallelRefMutIterator, ParallelIterator,
};
use std::collections::BTreeMap;

/// Widths along one radius.
#[derive(Debug, Clone, PartialEq)]
pub struct Radius {
    /// The disc, stump or core.
    pub specimen: String,
    /// The tree that it is of.
    pub tree: String,
    /// Which radius of the specimen; empty where it has but one.
    pub radius: String,
    /// The widths. Where the radius isn't dated the year is the ring's number, from 1 at the pith.
    pub series: Series,
    /// Whether its years are known.
    pub is_dated: bool,
    /// Whether its widths are mm; px where no scale is known.
    pub is_scaled: bool,
}

/// What is asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Curve that each series is divided by.
    pub detrending: Detrending,
    /// Length of the running windows, years.
    pub window_years: u16,
    /// Years from one window to the next.
    pub step_years: u16,
    /// Years that two series must have in common for their correlation to count.
    pub least_common_years: u16,
}

impl Default for Plan {
    /// Windows of 50 years, each 25 years on (common practice, no source), pairs with at least 30
    /// years in common (a choice: below it chance alone often gives r of 0.3 and more).
    fn default() -> Self {
        Plan {
            detrending: Detrending::default(),
            window_years: 50,
            step_years: 25,
            least_common_years: 30,
        }
    }
}

impl Plan {
    /// Refuses a plan that can't be followed.
    ///
    /// # Errors
    /// [`Error::Setting`].
    pub fn check(&self) -> Result<(), Error> {
        self.detrending.check()?;
        if self.least_common_years < 3 {
            return Err(Error::setting(
                "a correlation of fewer than 3 years says nothing; give at least 3 common years",
            ));
        }
        if self.window_years < self.least_common_years {
            return Err(Error::setting(format!(
                "no two series can have {} years in common within a window of {}; give a longer window or fewer common years",
                self.least_common_years, self.window_years
            )));
        }
        if self.step_years == 0 {
            return Err(Error::setting(
                "windows must move on; give a step of at least 1 year",
            ));
        }
        Ok(())
    }
}

/// Figures of one radius.
#[derive(Debug, Clone, PartialEq)]
pub struct RadiusFigures {
    /// The radius.
    pub radius: Radius,
    /// First and last year with a known width; ring numbers where it isn't dated.
    pub years: Option<(i32, i32)>,
    /// Rings with a known width, absent ones among them.
    pub rings: usize,
    /// Absent rings (width zero).
    pub absent: usize,
    /// Years between the first and the last whose width is not known.
    pub unknown: usize,
    /// Mean width, in the unit of the widths.
    pub mean: Option<f64>,
    /// Standard deviation of the widths, with n - 1.
    pub sd: Option<f64>,
    /// Mean sensitivity of the widths.
    pub mean_sensitivity: Option<f64>,
    /// First-order autocorrelation of the widths.
    pub autocorrelation: Option<f64>,
    /// Standard deviation of what the year before doesn't foretell, in the unit of the widths (first-order
    /// autoregressive model).
    pub innovation_sd: Option<f64>,
    /// First-order autocorrelation of the indices: what the curve left of it.
    pub index_autocorrelation: Option<f64>,
    /// Widths divided by their curve; none where there is nothing to divide by, or where widths
    /// without a scale were to be left as they are.
    pub detrended: Option<Detrended>,
}

/// Figures of one tree.
#[derive(Debug, Clone, PartialEq)]
pub struct TreeFigures {
    /// Mean index of its dated radii, by year.
    pub index: Track,
    /// How many dated radii it has.
    pub radii: usize,
    /// Its specimens, in the order of their names.
    pub specimens: Vec<String>,
    /// Correlation with the mean of all other trees, over at least the least common years.
    pub with_others: Option<figures::Correlation>,
    /// How its widths, as logarithms of their percentage of five years, fit those of all other trees
    /// in these years and in others.
    pub fit: Option<likeness::Fit>,
}

/// One year of the mean chronology.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Year {
    /// The year, astronomical.
    pub year: i32,
    /// Sample depth: trees that have a value.
    pub trees: usize,
    /// Radii that have a value.
    pub radii: usize,
    /// Mean of the trees' indices.
    pub mean: Option<f64>,
    /// Their biweight robust mean ([`robust_mean::Steps::SpreadKept`]).
    pub robust: Option<f64>,
    /// Their standard deviation, with n - 1.
    pub sd: Option<f64>,
    /// Expressed population signal of so many trees, by the mean correlation over all years.
    pub signal: Option<f64>,
    /// Subsample signal strength of so many trees against all.
    pub subsample: Option<f64>,
}

/// Everything that is made of a set of radii.
#[derive(Debug, Clone, PartialEq)]
pub struct Chronology {
    /// What was asked for.
    pub plan: Plan,
    /// Each radius, by tree, specimen and radius.
    pub radii: Vec<RadiusFigures>,
    /// Each tree with a dated radius, by name.
    pub trees: Vec<TreeFigures>,
    /// Mean index of the dated radii of each specimen, by tree and name: which specimen covers which
    /// years.
    pub specimens: Vec<Track>,
    /// The mean chronology, every year from the first to the last.
    pub years: Vec<Year>,
    /// Agreement between trees, over all years.
    pub between_trees: Option<Agreement>,
    /// Agreement between radii of the same tree, over all years.
    pub within_trees: Option<Agreement>,
    /// Expressed population signal of all trees that are in a pair.
    pub signal: Option<f64>,
    /// Agreement between trees in running windows.
    pub windows: Vec<Window>,
    /// Where the radii of a specimen disagree.
    pub differences: Vec<Difference>,
}

/// All years that a series can have.
const ALL_YEARS: (i32, i32) = (i32::MIN, i32::MAX);

/// Makes everything of a set of radii; their order doesn't matter.
///
/// # Errors
/// [`Error::Setting`] where the plan can't be followed.
pub fn build(mut radii: Vec<Radius>, plan: &Plan) -> Result<Chronology, Error> {
    plan.check()?;
    radii.sort_by(|a, b| place(a).cmp(&place(b)));
    let specimens: Vec<&[Radius]> = radii
        .chunk_by(|a, b| (&a.tree, &a.specimen) == (&b.tree, &b.specimen))
        .collect();
    let differences: Vec<Vec<Difference>> =
        specimens.par_iter().map(|s| radii::compare(s)).collect();
    let differences = differences.into_iter().flatten().collect();
    let radii: Vec<RadiusFigures> = radii.into_par_iter().map(|r| figures_of(r, plan)).collect();
    let mut trees = trees(&radii);
    let least = usize::from(plan.least_common_years);
    let tracks: Vec<Track> = trees.iter().map(|t| t.index.clone()).collect();
    let tracks: Vec<&Track> = tracks.iter().collect();
    let all = Totals::of(&tracks);
    for tree in &mut trees {
        tree.with_others = all.with_others(&tree.index, least);
    }
    fit_to_others(&mut trees, &radii);
    let between_trees = agreement::agreement(&tracks, ALL_YEARS, least);
    let windows = agreement::windows(
        &tracks,
        plan.window_years.into(),
        plan.step_years.into(),
        least,
    );
    Ok(Chronology {
        plan: plan.clone(),
        years: years(&tracks, &radii, between_trees),
        specimens: specimens_of(&radii),
        within_trees: within_trees(&radii, least),
        signal: between_trees
            .and_then(|a| agreement::expressed_population_signal(a.tracks as f64, a.rbar)),
        between_trees,
        windows,
        differences,
        radii,
        trees,
    })
}

fn place(radius: &Radius) -> (&str, &str, &str) {
    (&radius.tree, &radius.specimen, &radius.radius)
}

fn figures_of(radius: Radius, plan: &Plan) -> RadiusFigures {
    let widths = &radius.series.widths_mm;
    let first = widths.iter().position(Option::is_some);
    let last = widths.iter().rposition(Option::is_some);
    let span = first.zip(last);
    let rings = figures::known(widths).count();
    let year = |at: usize| {
        let at = i32::try_from(at).ok()?;
        radius.series.first_year.checked_add(at)
    };
    let comparable = radius.is_scaled || !matches!(plan.detrending, Detrending::None);
    let detrended = comparable
        .then(|| detrend::detrend(widths, plan.detrending))
        .flatten();
    RadiusFigures {
        years: span.and_then(|(first, last)| year(first).zip(year(last))),
        rings,
        absent: figures::known(widths).filter(|w| *w <= 0.0).count(),
        unknown: span.map_or(0, |(first, last)| last - first + 1 - rings),
        mean: figures::mean(widths),
        sd: figures::sd(widths),
        mean_sensitivity: figures::mean_sensitivity(widths),
        autocorrelation: figures::autocorrelation(widths, 1),
        innovation_sd: figures::autoregression(widths).map(|model| model.innovation_sd),
        index_autocorrelation: detrended
            .as_ref()
            .and_then(|d| figures::autocorrelation(&d.index, 1)),
        detrended,
        radius,
    }
}

/// The indices of a dated radius, if there are any.
fn dated_index(figures: &RadiusFigures) -> Option<Track> {
    let detrended = figures.detrended.as_ref()?;
    figures.radius.is_dated.then(|| Track {
        name: figures.radius.radius.clone(),
        first_year: figures.radius.series.first_year,
        values: detrended.index.clone(),
    })
}

/// Mean of tracks, year by year, over those that know it; with how many that are.
fn mean_track(name: &str, tracks: &[Track]) -> Option<Track> {
    let mut years: BTreeMap<i32, (f64, f64)> = BTreeMap::new();
    for track in tracks {
        for (at, value) in (0_i32..).zip(&track.values) {
            if let (Some(value), Some(year)) = (value, track.first_year.checked_add(at)) {
                let (sum, n) = years.entry(year).or_insert((0.0, 0.0));
                *sum += value;
                *n += 1.0;
            }
        }
    }
    let (first, last) = (*years.first_key_value()?.0, *years.last_key_value()?.0);
    Some(Track {
        name: name.to_owned(),
        first_year: first,
        values: (first..=last)
            .map(|year| years.get(&year).map(|(sum, n)| sum / n))
            .collect(),
    })
}

fn trees(radii: &[RadiusFigures]) -> Vec<TreeFigures> {
    radii
        .chunk_by(|a, b| a.radius.tree == b.radius.tree)
        .filter_map(|of_tree| {
            let dated: Vec<Track> = of_tree.iter().filter_map(dated_index).collect();
            let mut specimens: Vec<String> =
                of_tree.iter().map(|r| r.radius.specimen.clone()).collect();
            specimens.dedup();
            Some(TreeFigures {
                index: mean_track(&of_tree.first()?.radius.tree, &dated)?,
                radii: dated.len(),
                specimens,
                with_others: None,
                fit: None,
            })
        })
        .collect()
}

fn specimens_of(radii: &[RadiusFigures]) -> Vec<Track> {
    radii
        .chunk_by(|a, b| {
            (&a.radius.tree, &a.radius.specimen) == (&b.radius.tree, &b.radius.specimen)
        })
        .filter_map(|of_specimen| {
            let dated: Vec<Track> = of_specimen.iter().filter_map(dated_index).collect();
            mean_track(&of_specimen.first()?.radius.specimen, &dated)
        })
        .collect()
}

/// Sums over all trees, by year.
struct Totals {
    first_year: i32,
    /// Sum of the values, and how many they are.
    years: Vec<(f64, usize)>,
}

impl Totals {
    fn of(tracks: &[&Track]) -> Self {
        let spans = || tracks.iter().filter_map(|t| t.known_years());
        let first_year = spans().map(|(first, _)| first).min().unwrap_or(0);
        let last = spans().map(|(_, last)| last).max();
        let years = last.map_or(0, |last| i64::from(last) - i64::from(first_year) + 1);
        let mut totals = Totals {
            first_year,
            years: vec![(0.0, 0); usize::try_from(years).unwrap_or(0)],
        };
        for track in tracks {
            for (value, year) in track.values.iter().zip(track.first_year..) {
                if let Some(value) = value
                    && let Some(at) = totals.place(year)
                {
                    totals.years[at].0 += value;
                    totals.years[at].1 += 1;
                }
            }
        }
        totals
    }

    fn place(&self, year: i32) -> Option<usize> {
        let at = usize::try_from(i64::from(year) - i64::from(self.first_year)).ok()?;
        (at < self.years.len()).then_some(at)
    }

    /// Mean of the others than one of the tracks, in all years.
    fn others(&self, own: &Track) -> Track {
        let mean = |(&(sum, n), year): (&(f64, usize), i32)| {
            let (sum, n) = match own.at(year) {
                Some(value) => (sum - value, n - 1),
                None => (sum, n),
            };
            (n > 0).then(|| sum / n as f64)
        };
        Track {
            name: String::new(),
            first_year: self.first_year,
            values: self.years.iter().zip(self.first_year..).map(mean).collect(),
        }
    }

    /// Correlation of one of the tracks with the mean of the others in each year.
    fn with_others(&self, own: &Track, least: usize) -> Option<figures::Correlation> {
        agreement::correlate(own, &self.others(own), ALL_YEARS, least)
    }
}

/// Slides each tree along the mean of the others.
fn fit_to_others(trees: &mut [TreeFigures], radii: &[RadiusFigures]) {
    let logs: BTreeMap<&str, Track> = radii
        .chunk_by(|a, b| a.radius.tree == b.radius.tree)
        .filter_map(|of_tree| {
            let dated = of_tree.iter().filter(|r| r.radius.is_dated);
            let logs: Vec<Track> = dated
                .map(|r| Track {
                    name: String::new(),
                    first_year: r.radius.series.first_year,
                    values: likeness::percent_logs(&r.radius.series.widths_mm),
                })
                .collect();
            let name = of_tree.first()?.radius.tree.as_str();
            Some((name, mean_track(name, &logs)?))
        })
        .collect();
    let all = Totals::of(&logs.values().collect::<Vec<_>>());
    trees.par_iter_mut().for_each(|tree| {
        let own = logs.get(tree.index.name.as_str());
        tree.fit = own.map(|own| likeness::fit(own, &all.others(own)));
    });
}

/// Agreement of the radii within each tree, over the pairs of all trees together.
fn within_trees(radii: &[RadiusFigures], least: usize) -> Option<Agreement> {
    let mut all = Agreement {
        rbar: 0.0,
        pairs: 0,
        tracks: 0,
    };
    let mut sum = 0.0;
    for of_tree in radii.chunk_by(|a, b| a.radius.tree == b.radius.tree) {
        let tracks: Vec<Track> = of_tree.iter().filter_map(dated_index).collect();
        let tracks: Vec<&Track> = tracks.iter().collect();
        if let Some(found) = agreement::agreement(&tracks, ALL_YEARS, least) {
            sum += found.rbar * found.pairs as f64;
            all.pairs += found.pairs;
            all.tracks += found.tracks;
        }
    }
    (all.pairs > 0).then(|| Agreement {
        rbar: sum / all.pairs as f64,
        ..all
    })
}

fn years(tracks: &[&Track], radii: &[RadiusFigures], between: Option<Agreement>) -> Vec<Year> {
    let spans = || tracks.iter().filter_map(|t| t.known_years());
    let (Some(first), Some(last)) = (
        spans().map(|(first, _)| first).min(),
        spans().map(|(_, last)| last).max(),
    ) else {
        return Vec::new();
    };
    let dated: Vec<Track> = radii.iter().filter_map(dated_index).collect();
    let radii = Totals::of(&dated.iter().collect::<Vec<_>>());
    (first..=last)
        .map(|year| {
            let values: Vec<f64> = tracks.iter().filter_map(|t| t.at(year)).collect();
            let known: Vec<Option<f64>> = values.iter().copied().map(Some).collect();
            let depth = values.len() as f64;
            let all = between.map_or(0.0, |a| a.tracks as f64);
            Year {
                year,
                trees: values.len(),
                radii: radii.place(year).map_or(0, |at| radii.years[at].1),
                mean: figures::mean(&known),
                robust: robust_mean::biweight(&values, robust_mean::Steps::SpreadKept),
                sd: figures::sd(&known),
                signal: between.and_then(|a| agreement::expressed_population_signal(depth, a.rbar)),
                subsample: between
                    .and_then(|a| agreement::subsample_signal(depth.min(all), all, a.rbar)),
            }
        })
        .collect()
}
