//! What must hold for the figures of any series: units, order, years, and bounds.

use endgrain::chronology::agreement::{expressed_population_signal, subsample_signal};
use endgrain::chronology::detrend::{Detrending, Stiffness, detrend};
use endgrain::chronology::robust_mean::{Steps, biweight};
use endgrain::chronology::{Plan, Radius, alignment, build, figures, radii, spline};
use endgrain::series::Series;
use proptest::prelude::{Just, ProptestConfig, Strategy, any, prop_oneof};
use proptest::test_runner::RngSeed;
use proptest::{collection, prop_assert, prop_assert_eq, proptest};

/// Widths of up to `most` years as a measurer gives them: whole hundredths of a mm, some absent, some
/// unknown.
fn widths(most: usize) -> impl Strategy<Value = Vec<Option<f64>>> {
    let width = prop_oneof![
        20 => (1_u32..900).prop_map(|w| Some(f64::from(w) / 100.0)),
        1 => Just(Some(0.0)),
        1 => Just(None),
    ];
    collection::vec(width, 1..most)
}

fn curves() -> impl Strategy<Value = Detrending> {
    prop_oneof![
        Just(Detrending::Mean),
        Just(Detrending::Line),
        Just(Detrending::Exponential),
        (0.1..3.0).prop_map(|share| Detrending::Spline(Stiffness::Share(share))),
        (2.0..300.0).prop_map(|years| Detrending::Spline(Stiffness::Years(years))),
    ]
}

fn some_radii() -> impl Strategy<Value = Vec<Radius>> {
    collection::vec((widths(60), -40_i32..40, any::<bool>()), 1..7).prop_map(|all| {
        all.into_iter()
            .enumerate()
            .map(|(k, (widths_mm, first_year, is_dated))| Radius {
                specimen: format!("QB-{}", k / 2),
                tree: format!("QB-{}", k / 3),
                radius: format!("{:03}", 90 * k),
                series: Series {
                    name: String::new(),
                    first_year,
                    widths_mm,
                },
                is_dated,
                is_scaled: true,
            })
            .collect()
    })
}

fn is_close(a: Option<f64>, b: Option<f64>, off: f64) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => (a - b).abs() <= off * a.abs().max(1.0),
        (None, None) => true,
        _ => false,
    }
}

fn scaled(values: &[Option<f64>], factor: f64) -> Vec<Option<f64>> {
    values.iter().map(|v| v.map(|v| v * factor)).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, rng_seed: RngSeed::Fixed(6), cases: 256, ..ProptestConfig::default() })]

    #[test]
    fn the_unit_only_changes_what_has_a_unit(w in widths(80), curve in curves()) {
        // Inches: the factor is no power of two, so that rounding differs.
        let inches = scaled(&w, 1.0 / 25.4);
        prop_assert!(is_close(figures::mean_sensitivity(&w), figures::mean_sensitivity(&inches), 1e-12));
        prop_assert!(is_close(figures::autocorrelation(&w, 1), figures::autocorrelation(&inches, 1), 1e-9));
        prop_assert!(is_close(figures::mean(&w), figures::mean(&inches).map(|m| m * 25.4), 1e-12));
        prop_assert!(is_close(figures::sd(&w), figures::sd(&inches).map(|s| s * 25.4), 1e-9));
        let (mm, inch) = (detrend(&w, curve), detrend(&inches, curve));
        prop_assert_eq!(mm.is_some(), inch.is_some());
        if let (Some(mm), Some(inch)) = (mm, inch) {
            // A fit at the very edge of what is allowed may fall on either side of it.
            if mm.fitted.name() == inch.fitted.name() {
                for (a, b) in mm.index.iter().zip(&inch.index) {
                    prop_assert!(is_close(*a, *b, 1e-5), "{:?} {:?}", a, b);
                }
            }
        }
    }

    #[test]
    fn figures_stay_in_their_bounds(w in widths(80)) {
        if let Some(ms) = figures::mean_sensitivity(&w) {
            prop_assert!((0.0..=2.0).contains(&ms));
        }
        if let Some(r) = figures::autocorrelation(&w, 1) {
            prop_assert!((-1.0..=1.0).contains(&r));
            let model = figures::autoregression(&w).unwrap();
            prop_assert!(model.innovation_sd <= figures::sd(&w).unwrap() + 1e-12);
        }
    }

    #[test]
    fn an_index_is_width_by_curve_and_finite(w in widths(80), curve in curves()) {
        if let Some(made) = detrend(&w, curve) {
            for ((w, c), i) in w.iter().zip(&made.curve).zip(&made.index) {
                prop_assert_eq!(w.is_some(), i.is_some());
                if let (Some(w), Some(c), Some(i)) = (w, c, i) {
                    prop_assert!(*c > 0.0 && i.is_finite());
                    prop_assert_eq!(*i, w / c);
                }
            }
        }
    }

    #[test]
    fn the_spline_takes_sums_apart(w in widths(60), period in 2.0..500.0, slope in -1.0..1.0) {
        let weight = spline::weight(period);
        let tilted: Vec<Option<f64>> = (0..).zip(&w).map(|(t, v)| v.map(|v| v + slope * f64::from(t))).collect();
        let (plain, tilted) = (spline::smooth(&w, weight), spline::smooth(&tilted, weight));
        for (t, (a, b)) in (0..).zip(plain.into_iter().zip(tilted)) {
            prop_assert!(is_close(a.map(|a| a + slope * f64::from(t)), b, 1e-6), "{:?} {:?}", a, b);
        }
    }

    #[test]
    fn the_robust_mean_lies_among_its_values_and_moves_with_them(
        values in collection::vec(0.0..3.0, 1..30), factor in 0.1..10.0, shift in -5.0..5.0,
    ) {
        for steps in [Steps::One, Steps::SpreadKept] {
            let mean = biweight(&values, steps).unwrap();
            let (low, high) = values.iter().fold((f64::MAX, f64::MIN), |(l, h), v: &f64| (l.min(*v), h.max(*v)));
            prop_assert!((low - 1e-12..=high + 1e-12).contains(&mean));
            let moved: Vec<f64> = values.iter().map(|v| v * factor + shift).collect();
            prop_assert!(is_close(biweight(&moved, steps), Some(mean * factor + shift), 1e-8));
        }
    }

    #[test]
    fn more_trees_and_more_agreement_give_more_signal(trees in 1_u16..500, rbar in 0.001..0.999) {
        let trees = f64::from(trees);
        let signal = expressed_population_signal(trees, rbar).unwrap();
        prop_assert!((0.0..=1.0).contains(&signal));
        prop_assert!(expressed_population_signal(trees + 1.0, rbar).unwrap() > signal);
        prop_assert!(expressed_population_signal(trees, rbar + 0.0005).unwrap() >= signal);
        // Of N trees, some stand for all by signal(some) / signal(all).
        let all = expressed_population_signal(trees + 7.0, rbar).unwrap();
        prop_assert!(is_close(subsample_signal(trees, trees + 7.0, rbar), Some(signal / all), 1e-9));
    }

    #[test]
    fn order_and_place_in_time_of_the_radii_change_nothing_else(all in some_radii(), turn in 0_usize..7, years in -3000_i32..3000) {
        let plan = Plan { window_years: 20, step_years: 10, least_common_years: 5, ..Plan::default() };
        let made = build(all.clone(), &plan).unwrap();
        let mut turned = all.clone();
        let by = turn % turned.len();
        turned.rotate_left(by);
        prop_assert_eq!(&build(turned, &plan).unwrap(), &made);

        let mut moved = all;
        moved.iter_mut().for_each(|r| r.series.first_year += years);
        let later = build(moved, &plan).unwrap();
        prop_assert_eq!(made.signal, later.signal);
        prop_assert_eq!(made.years.len(), later.years.len());
        for (a, b) in made.years.iter().zip(&later.years) {
            prop_assert_eq!(a.year + years, b.year);
            prop_assert_eq!((a.trees, a.radii, a.mean, a.robust), (b.trees, b.radii, b.mean, b.robust));
        }
        for (a, b) in made.differences.iter().zip(&later.differences) {
            prop_assert_eq!(a.year + years, b.year);
        }
        prop_assert_eq!(made.differences.len(), later.differences.len());
    }

    #[test]
    fn an_alignment_names_years_in_order_and_keeps_widths(rings in widths(70), years in widths(70)) {
        let n = rings.len().min(years.len());
        let found = alignment::align(&rings[..n], &years[..n], 0.3);
        prop_assert!(found.gain >= 0.0);
        prop_assert_eq!(found.widths.len(), n);
        prop_assert!(found.events.windows(2).all(|e| e[0].year <= e[1].year));
        for event in &found.events {
            prop_assert!(event.earliest <= event.year && event.year <= event.latest);
        }
        if found.events.is_empty() {
            prop_assert_eq!(found.gain, 0.0);
            prop_assert_eq!(&found.widths[..], &rings[..n]);
        }
    }

    #[test]
    fn a_radius_has_nothing_against_its_like(w in widths(70), copies in 2_usize..5) {
        let like: Vec<Radius> = (0..copies)
            .map(|k| Radius {
                specimen: "QB-1".into(),
                tree: "QB-1".into(),
                radius: k.to_string(),
                series: Series { name: String::new(), first_year: 1900, widths_mm: scaled(&w, 1.0 + 0.3 * k as f64) },
                is_dated: true,
                is_scaled: true,
            })
            .collect();
        prop_assert_eq!(radii::compare(&like), vec![]);
    }
}
