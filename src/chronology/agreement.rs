//! How well trees agree: mean correlation of pairs, expressed population signal, running windows.
//!
//! rbar is the mean correlation over pairs of trees in the years that they have in common. The
//! expressed population signal of N trees, N rbar / (N rbar + 1 - rbar), is how well their mean
//! stands for that of a forest that agrees as they do (Wigley, Briffa and Jones 1984, J. Climate
//! Appl. Meteorol. 23: 201-213). 0.85 is a rule of thumb there, not a test. Two radii of one tree are
//! not two trees: they are averaged before anything here is asked of them.
//!
//! Pairs of T trees over Y years take T^2 Y steps: a second or so for a thousand trees of 80 years.

use super::figures::{self, Correlation};

/// Values of consecutive years.
#[derive(Debug, Clone, PartialEq)]
pub struct Track {
    /// Whose they are.
    pub name: String,
    /// Year of the first value, astronomical.
    pub first_year: i32,
    /// One value a year; none where it is not known.
    pub values: Vec<Option<f64>>,
}

impl Track {
    /// The value of a year.
    pub fn at(&self, year: i32) -> Option<f64> {
        let at = usize::try_from(i64::from(year) - i64::from(self.first_year)).ok()?;
        self.values.get(at).copied().flatten()
    }

    /// First and last year with a known value.
    pub fn known_years(&self) -> Option<(i32, i32)> {
        let year = |at: usize| self.first_year.checked_add(i32::try_from(at).ok()?);
        let first = year(self.values.iter().position(Option::is_some)?)?;
        let last = year(self.values.iter().rposition(Option::is_some)?)?;
        Some((first, last))
    }

    /// The values from year to year, both counted, as far as they go, with the first one's year.
    fn between(&self, years: (i64, i64)) -> (i64, &[Option<f64>]) {
        let begin = i64::from(self.first_year);
        let end = begin.saturating_add(i64::try_from(self.values.len()).unwrap_or(i64::MAX));
        let (from, to) = (years.0.clamp(begin, end), (years.1 + 1).clamp(begin, end));
        let at = |year: i64| usize::try_from(year - begin).unwrap_or(0);
        (from, self.values.get(at(from)..at(to)).unwrap_or(&[]))
    }
}

/// Correlation of two tracks in the years from `years.0` to `years.1` that both know; none where
/// these are fewer than `least_years`.
pub fn correlate(
    a: &Track,
    b: &Track,
    years: (i32, i32),
    least_years: usize,
) -> Option<Correlation> {
    let (begin_a, within_a) = a.between((years.0.into(), years.1.into()));
    let (begin_b, within_b) = b.between((years.0.into(), years.1.into()));
    let skip = |begin: i64, other: i64| usize::try_from(other - begin).unwrap_or(0);
    figures::correlation(
        within_a.get(skip(begin_a, begin_b)..)?,
        within_b.get(skip(begin_b, begin_a)..)?,
        least_years,
    )
}

/// Agreement of some tracks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Agreement {
    /// Mean correlation of the pairs.
    pub rbar: f64,
    /// Pairs with enough years in common.
    pub pairs: usize,
    /// Tracks that are in at least one such pair.
    pub tracks: usize,
}

/// Agreement of tracks in some years, over the pairs with at least `least_years` in common; none
/// where there is no such pair.
pub fn agreement(tracks: &[&Track], years: (i32, i32), least_years: usize) -> Option<Agreement> {
    agreement_and_members(tracks, years, least_years).map(|(agreement, _)| agreement)
}

fn agreement_and_members(
    tracks: &[&Track],
    years: (i32, i32),
    least_years: usize,
) -> Option<(Agreement, Vec<bool>)> {
    let (mut sum, mut pairs) = (0.0, 0_usize);
    let mut is_member = vec![false; tracks.len()];
    for (i, a) in tracks.iter().enumerate() {
        for (j, b) in tracks.iter().enumerate().skip(i + 1) {
            if let Some(found) = correlate(a, b, years, least_years) {
                sum += found.r;
                pairs += 1;
                (is_member[i], is_member[j]) = (true, true);
            }
        }
    }
    (pairs > 0).then(|| {
        let agreement = Agreement {
            rbar: sum / pairs as f64,
            pairs,
            tracks: is_member.iter().filter(|m| **m).count(),
        };
        (agreement, is_member)
    })
}

/// Expressed population signal of `trees` trees that correlate by `rbar`; none where `rbar` is below
/// zero: such trees express nothing in common.
pub fn expressed_population_signal(trees: f64, rbar: f64) -> Option<f64> {
    (rbar >= 0.0 && trees > 0.0).then(|| trees * rbar / (trees * rbar + 1.0 - rbar))
}

/// Trees needed for an expressed population signal; none where `rbar` isn't above zero.
pub fn trees_needed(signal: f64, rbar: f64) -> Option<f64> {
    (rbar > 0.0 && (0.0..1.0).contains(&signal))
        .then(|| signal * (1.0 - rbar) / (rbar * (1.0 - signal)))
}

/// Subsample signal strength: how well the mean of `some` trees stands for that of all `trees`; none
/// where `rbar` is below zero.
pub fn subsample_signal(some: f64, trees: f64, rbar: f64) -> Option<f64> {
    (rbar >= 0.0 && some > 0.0 && trees > 0.0)
        .then(|| some * (1.0 + (trees - 1.0) * rbar) / (trees * (1.0 + (some - 1.0) * rbar)))
}

/// Agreement in one window of years.
#[derive(Debug, Clone, PartialEq)]
pub struct Window {
    /// First year, astronomical.
    pub first_year: i32,
    /// Last year, counted in.
    pub last_year: i32,
    /// Agreement of the trees there; none where no two have enough years in common.
    pub agreement: Option<Agreement>,
    /// Trees a year, on the mean over the window, of those that are in a pair.
    pub mean_depth: f64,
    /// Expressed population signal at that depth.
    pub signal: Option<f64>,
}

/// Agreement in windows of `length` years, each `step` years on from the one before, the last of
/// them ending with the last year; the first one begins at the earliest year from which this works
/// out without a rest. One window over all years where there are fewer than `length`.
pub fn windows(tracks: &[&Track], length: i32, step: i32, least_years: usize) -> Vec<Window> {
    let spans = || tracks.iter().filter_map(|t| t.known_years());
    let (Some(first), Some(last)) = (
        spans().map(|(first, _)| first).min(),
        spans().map(|(_, last)| last).max(),
    ) else {
        return Vec::new();
    };
    let (length, step) = (i64::from(length.max(1)), i64::from(step.max(1)));
    let (first, last) = (i64::from(first), i64::from(last));
    let room = (last - first + 1 - length).max(0);
    let mut begin = first + room % step;
    let mut out = Vec::new();
    loop {
        let end = (begin + length - 1).min(last);
        // Both lie between two years that fit.
        if let (Ok(from), Ok(to)) = (i32::try_from(begin), i32::try_from(end)) {
            out.push(window(tracks, (from, to), least_years));
        }
        begin += step;
        if begin + length - 1 > last {
            break;
        }
    }
    out
}

fn window(tracks: &[&Track], years: (i32, i32), least_years: usize) -> Window {
    let found = agreement_and_members(tracks, years, least_years);
    let known: usize = found.iter().fold(0, |_, (_, is_member)| {
        let members = tracks.iter().zip(is_member).filter(|(_, m)| **m);
        members
            .map(|(t, _)| {
                let (_, within) = t.between((years.0.into(), years.1.into()));
                figures::known(within).count()
            })
            .sum()
    });
    let mean_depth = known as f64 / (f64::from(years.1) - f64::from(years.0) + 1.0);
    let agreement = found.map(|(agreement, _)| agreement);
    Window {
        first_year: years.0,
        last_year: years.1,
        agreement,
        mean_depth,
        signal: agreement.and_then(|a| expressed_population_signal(mean_depth, a.rbar)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: Option<f64>, want: f64, off: f64) {
        let got = got.unwrap();
        assert!((got - want).abs() <= off, "{got}, expected {want}");
    }

    fn track(first_year: i32, values: &[f64]) -> Track {
        Track {
            name: String::new(),
            first_year,
            values: values.iter().copied().map(Some).collect(),
        }
    }

    #[test]
    fn the_signal_is_that_of_the_worked_examples() {
        // T-3.9.
        for (rbar, trees, want) in [
            (0.3, 10.0, 0.810811),
            (0.3, 14.0, 0.857143),
            (0.4, 8.0, 0.842105),
            (0.4, 9.0, 0.857143),
            (0.5, 6.0, 0.857143),
            (0.25, 17.0, 0.85),
        ] {
            close(expressed_population_signal(trees, rbar), want, 5e-7);
        }
        for (rbar, want) in [
            (0.2, 22.67),
            (0.3, 13.22),
            (0.4, 8.5),
            (0.5, 5.67),
            (0.6, 3.78),
        ] {
            close(trees_needed(0.85, rbar), want, 5e-3);
        }
        close(subsample_signal(4.0, 12.0, 0.4), 0.818182, 5e-7);
        close(subsample_signal(12.0, 12.0, 0.4), 1.0, 1e-15);
        assert_eq!(expressed_population_signal(10.0, -0.1), None);
        assert_eq!(trees_needed(0.85, 0.0), None);
    }

    #[test]
    fn only_common_years_are_compared() {
        let a = track(1900, &[1.0, 2.0, 3.0, 5.0]);
        let b = track(1902, &[6.0, 10.0, 1.0, 1.0]);
        let all = (i32::MIN, i32::MAX);
        let found = correlate(&a, &b, all, 2).unwrap();
        assert!((found.r - 1.0).abs() < 1e-15 && found.years == 2);
        assert_eq!(correlate(&b, &a, all, 2), Some(found));
        assert_eq!(correlate(&a, &b, all, 3), None);
        assert_eq!(correlate(&a, &b, (1903, 1904), 2), None);
        assert_eq!(correlate(&a, &track(1950, &[1.0, 2.0]), all, 2), None);
    }

    #[test]
    fn windows_end_with_the_last_year_and_count_trees_by_the_year() {
        let wave = |k: i32| f64::from((k * 7) % 11) + 1.0;
        let long: Vec<f64> = (0..105).map(wave).collect();
        let half: Vec<f64> = (65..105).map(wave).collect();
        let (a, b, c) = (track(1900, &long), track(1900, &long), track(1965, &half));
        let found = windows(&[&a, &b, &c], 50, 25, 30);
        let years: Vec<(i32, i32)> = found.iter().map(|w| (w.first_year, w.last_year)).collect();
        assert_eq!(years, [(1905, 1954), (1930, 1979), (1955, 2004)]);
        assert!((found[0].mean_depth - 2.0).abs() < 1e-12);
        // In the last window the third tree has 40 of 50 years; in the one before only 15.
        assert!((found[1].mean_depth - 2.0).abs() < 1e-12);
        assert!((found[2].mean_depth - 2.8).abs() < 1e-12);
        assert_eq!(found[2].agreement.unwrap().pairs, 3);
        close(found[2].signal, 1.0, 1e-12);
        let short = windows(&[&a], 500, 25, 30);
        assert_eq!(short.len(), 1);
        assert_eq!((short[0].agreement, short[0].signal), (None, None));
        assert!(windows(&[], 50, 25, 30).is_empty());
    }
}
