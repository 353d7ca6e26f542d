//! Years: the worked examples of the field, and what can't be dated.

mod sample;

use endgrain::calendar::{
    self, Felled, Felling, Hemisphere, OuterState, Season, YearsPerHeight, prick_marks, sentences,
    year_from_bark, year_text,
};
use endgrain::error::Error;
use endgrain::reading::{OutlineState, PithState, Reading};
use endgrain::settings::{LengthUnit, Settings};
use proptest::prelude::*;

/// A reading of a disc with so many rings under bark, its band one below and two above.
fn reading(rings: u32) -> Reading {
    let mut reading = sample::Disc {
        side_px: 64,
        rings,
        ring_px: 4.0,
        brightness: 0.8,
    }
    .reading();
    reading.outline.state = OutlineState::Bark;
    for ring in &mut reading.rings {
        ring.year = None;
    }
    reading
}

fn felled(date: &str) -> Felling {
    Felling {
        felled: Some(Felled::parse(date).expect("a date")),
        ..Felling::default()
    }
}

fn dated(rings: u32, felling: Felling, last_ring: Option<i32>) -> Result<Reading, Error> {
    let mut reading = reading(rings);
    let settings = Settings {
        felling,
        last_ring,
        ..Settings::default()
    };
    calendar::date(&mut reading, &settings)?;
    Ok(reading)
}

fn told(reading: &Reading) -> String {
    sentences(reading, LengthUnit::Mm).join(" ")
}

/// T-1.1: 88 rings, the 88th partial, felled 2023-07-10: the partial ring is 2023's, the last
/// complete one 2022's, ring 1 is 1936's; 87 complete rings.
#[test]
fn t_1_1_felled_in_summer_the_last_ring_is_begun_and_not_complete() {
    let reading = dated(88, felled("2023-07-10"), None).unwrap();
    let calendar = reading.calendar.as_ref().unwrap();
    let outer = calendar.outermost.unwrap();
    assert_eq!((outer.year, outer.state), (2023, OuterState::Begun));
    assert_eq!(reading.rings[87].year, Some(2023));
    assert_eq!(reading.rings[86].year, Some(2022));
    assert_eq!(reading.rings[0].year, Some(1936));
    assert_eq!(calendar.first_year.unwrap().best, Some(1936));
    let told = told(&reading);
    assert!(
        told.contains("88 rings, 87 of them complete; the last complete one is that of 2022"),
        "{told}"
    );
}

/// T-1.2: 88 complete rings, felled 2024-01-15, before growth: the outermost is 2023's, ring 1
/// 1936's.
#[test]
fn t_1_2_felled_in_winter_the_last_ring_is_that_of_the_year_before() {
    let reading = dated(88, felled("2024-01-15"), None).unwrap();
    let outer = reading.calendar.as_ref().unwrap().outermost.unwrap();
    assert_eq!((outer.year, outer.state), (2023, OuterState::Complete));
    assert_eq!(reading.rings[0].year, Some(1936));
    assert!(told(&reading).contains("that of 2023 and complete"));
}

/// T-1.3: ring n counted from the bark, outermost year Y: Y - n + 1; n = 10, Y = 2023: 2014.
#[test]
fn t_1_3_the_tenth_ring_from_the_bark_is_nine_years_older() {
    assert_eq!(year_from_bark(10, 2023), 2014);
    assert_eq!(year_from_bark(1, 2023), 2023);
    let reading = dated(88, Felling::default(), Some(2023)).unwrap();
    assert_eq!(reading.rings[88 - 10].year, Some(2014));
    assert_eq!(calendar::years_before_outermost(&reading, 88 - 10), Some(9));
}

/// T-1.4: cut at 30 cm, 120 rings, 5 years for 10 cm: 135 at the ground, and 120 at the cut is said.
#[test]
fn t_1_4_the_age_at_the_ground_adds_the_years_below_the_cut() {
    let felling = Felling {
        cut_height_mm: Some(300.0),
        years_per_height: Some(YearsPerHeight::parse("5/10cm").unwrap()),
        ..Felling::default()
    };
    let reading = dated(120, felling, None).unwrap();
    let ground = reading.calendar.as_ref().unwrap().ground.unwrap();
    assert_eq!((ground.best_low, ground.best_high), (135, 135));
    assert_eq!((ground.low, ground.high), (134, 137));
    let words = told(&reading);
    assert!(words.contains("120 rings at the cut"), "{words}");
    assert!(words.contains("135 years at the ground"), "{words}");

    let felling = Felling {
        cut_height_mm: Some(300.0),
        years_per_height: Some(YearsPerHeight::parse("3-8/10cm").unwrap()),
        ..Felling::default()
    };
    let ground = dated(120, felling, None).unwrap().calendar.unwrap().ground;
    let ground = ground.unwrap();
    assert_eq!((ground.best_low, ground.best_high), (129, 144));
}

/// T-1.6: from the astronomical year -3, five rings: 4 BC, 3 BC, 2 BC, 1 BC, AD 1.
#[test]
fn t_1_6_there_is_no_year_between_1_bc_and_ad_1() {
    let reading = dated(5, Felling::default(), Some(1)).unwrap();
    let years: Vec<i32> = reading.rings.iter().filter_map(|ring| ring.year).collect();
    assert_eq!(years, [-3, -2, -1, 0, 1]);
    let shown: Vec<String> = years.into_iter().map(year_text).collect();
    assert_eq!(shown, ["4 BC", "3 BC", "2 BC", "1 BC", "AD 1"]);
    assert_eq!(year_text(2023), "2023");
}

/// T-1.7: outermost 2023, ring 1 of 1936: 1940, 1950 (two holes), 1960, ..., 2000 (four), 2010,
/// 2020: nine marks.
#[test]
fn t_1_7_decades_are_pricked_with_more_holes_at_rounder_years() {
    let marks = prick_marks(1936, 2023);
    let years: Vec<i32> = marks.iter().map(|mark| mark.0).collect();
    assert_eq!(
        years,
        [1940, 1950, 1960, 1970, 1980, 1990, 2000, 2010, 2020]
    );
    let holes: Vec<u8> = marks.iter().map(|mark| mark.1).collect();
    assert_eq!(holes, [1, 2, 1, 1, 1, 1, 4, 1, 1]);
    assert_eq!(prick_marks(1895, 1905), [(1900, 3)]);
    assert_eq!(prick_marks(-12, 1), [(-10, 1), (0, 4)]);
    assert!(prick_marks(1931, 1939).is_empty());
}

/// In the south a ring has the year in which its growth began (Schulman 1956): felled in February
/// 2023 the last ring is begun and 2022's; felled in July 2023 it is 2022's and complete.
#[test]
fn in_the_south_a_ring_has_the_year_in_which_its_growth_began() {
    for (date, year, state) in [
        ("2023-02-10", 2022, OuterState::Begun),
        ("2023-07-10", 2022, OuterState::Complete),
        ("2022-12-24", 2022, OuterState::Begun),
        ("2022-08", 2021, OuterState::Complete),
    ] {
        let felling = Felling {
            hemisphere: Hemisphere::South,
            ..felled(date)
        };
        let outer = felling.outermost(None).unwrap().unwrap();
        assert_eq!((outer.year, outer.state), (year, state), "{date}");
    }
}

#[test]
fn the_users_own_season_decides_and_a_felling_near_its_start_is_said() {
    let may = |season: &str| Felling {
        season: Some(Season::parse(season).unwrap()),
        ..felled("2023-05-10")
    };
    let outer = |felling: &Felling| felling.outermost(None).unwrap().unwrap();
    assert_eq!(outer(&may("4-9")).year, 2023);
    assert_eq!(outer(&may("05-20..09-10")).year, 2022);
    let reading = dated(30, may("05-20..09-10"), None).unwrap();
    assert!(reading.calendar.as_ref().unwrap().felled_near_start);
    assert!(told(&reading).contains("near the start of growth"));
    for text in ["", "4", "13-2", "4-9-1", "02-29..09-01", "05-20", "a-b"] {
        assert!(Season::parse(text).is_err(), "{text:?}");
    }
}

#[test]
fn a_year_alone_leaves_the_outermost_ring_open_and_is_refused_with_both() {
    let told = felled("2023").outermost(None).unwrap_err().to_string();
    assert!(told.contains("2022 or 2023"), "{told}");
    // The year with the ring stated is enough, and one month may be.
    let outer = felled("2023").outermost(Some(2022)).unwrap().unwrap();
    assert_eq!((outer.year, outer.state), (2022, OuterState::Unknown));
    let outer = felled("2023-11").outermost(None).unwrap().unwrap();
    assert_eq!((outer.year, outer.state), (2023, OuterState::Complete));
    for text in [
        "",
        "23",
        "2023-13",
        "2023-02-30",
        "10.7.2023",
        "2023-7-1-1",
        "--2023",
    ] {
        assert!(Felled::parse(text).is_err(), "{text:?}");
    }
}

#[test]
fn a_last_ring_after_the_felling_is_refused_with_both() {
    let told = dated(30, felled("2024-01-15"), Some(2024))
        .unwrap_err()
        .to_string();
    assert!(told.contains("2023") && told.contains("2024"), "{told}");
    assert!(told.contains("leave one out"), "{told}");
    // A felling centuries before the ring that is said to be the last.
    assert!(dated(30, felled("1500-01-15"), Some(2023)).is_err());
    let lost = Felling {
        outer_rings_lost: true,
        ..felled("1980-01-15")
    };
    assert!(dated(30, lost, Some(1987)).is_err());
}

/// 88 rings and a felling in the year 23: a slip for 2023 is likelier than wood of that time, so it is
/// told; the rings have their years all the same.
#[test]
fn a_felling_sooner_than_the_rings_allow_in_the_era_is_told() {
    let reading = dated(88, felled("0023-07-10"), None).unwrap();
    assert_eq!(reading.rings[87].year, Some(23));
    assert_eq!(reading.rings[0].year, Some(-64));
    let words = told(&reading);
    assert!(
        words.contains("These rings reach back to 65 BC") && words.contains("slip of the pen"),
        "{words}"
    );
    // Wood that begins and ends on one side of the era is not questioned.
    for (date, last) in [
        ("0203-07-10", None),
        ("2023-07-10", None),
        ("-0043-07-10", Some(-43)),
    ] {
        let reading = dated(88, felled(date), last).unwrap();
        assert!(!told(&reading).contains("slip of the pen"), "{date}");
    }
}

#[test]
fn what_was_stated_of_the_felling_is_kept_whole() {
    assert_eq!(Felling::default().stated(), None);
    let stated = felled("2023-07").stated().unwrap();
    assert_eq!(stated.felled.unwrap().text(), "2023-07");
}

#[test]
fn lost_outer_rings_leave_a_bound_and_the_years_before_it() {
    // The last ring left is known, by comparison with other trees, to be that of 1987.
    let lost = Felling {
        outer_rings_lost: true,
        ..Felling::default()
    };
    let reading = dated(40, lost, Some(1987)).unwrap();
    assert_eq!(reading.rings[39].year, Some(1987));
    let words = told(&reading);
    assert!(
        words.contains("outermost ring seen is that of 1987; later ones are lost: the tree was felled in 1987 or later"),
        "{words}"
    );
    // Only the felling is known: no ring can be given a year.
    let lost = Felling {
        outer_rings_lost: true,
        ..felled("2023-07-10")
    };
    let reading = dated(40, lost, None).unwrap();
    assert!(reading.rings.iter().all(|ring| ring.year.is_none()));
    let calendar = reading.calendar.as_ref().unwrap();
    assert_eq!(calendar.outermost, None);
    assert_eq!(calendar.outermost_at_latest, Some(2023));
    assert!(told(&reading).contains("2023 or an earlier year, because outer rings are lost"));
    assert_eq!(calendar.first_year.unwrap().best, None);
    assert!(
        Felling {
            outer_rings_lost: true,
            ..Felling::default()
        }
        .check(None)
        .is_err()
    );
}

#[test]
fn where_the_edge_is_not_in_the_photo_no_ring_is_dated() {
    let mut reading = reading(40);
    reading.outline.state = OutlineState::Frame;
    reading.age.complete = false;
    let settings = Settings {
        felling: felled("2023-07-10"),
        ..Settings::default()
    };
    calendar::date(&mut reading, &settings).unwrap();
    assert!(reading.rings.iter().all(|ring| ring.year.is_none()));
    assert_eq!(calendar::years_before_outermost(&reading, 3), None);
    assert!(told(&reading).contains("edge of the wood is not whole in the photo"));
}

/// A missing centre is a range of first years: 40 rings seen and 8 (5 to 12) lost with it.
#[test]
fn a_missing_centre_gives_a_range_of_first_years() {
    let mut reading = reading(40);
    reading.pith.state = PithState::Inferred;
    for ring in &mut reading.rings {
        ring.number += 8;
    }
    reading.age.rings = 48;
    (reading.age.low, reading.age.high) = (45, 52);
    reading.age.missing_centre.rings = 8;
    let settings = Settings {
        last_ring: Some(2023),
        ..Settings::default()
    };
    calendar::date(&mut reading, &settings).unwrap();
    let first = reading.calendar.as_ref().unwrap().first_year.unwrap();
    assert_eq!(first.best, Some(2023 - 48 + 1));
    assert_eq!(first.earliest, Some(2023 - 52 + 1));
    assert_eq!(first.latest, 2023 - 45 + 1);
    assert_eq!(reading.rings[0].year, Some(2023 - 39));
    assert!(told(&reading).contains("Ring 1 grew in 1976, or between 1972 and 1979 by the band"));
}

#[test]
fn the_height_of_the_cut_needs_the_users_own_years() {
    let only = |cut_height_mm, years_per_height| Felling {
        cut_height_mm,
        years_per_height,
        ..Felling::default()
    };
    let pace = YearsPerHeight::parse("3-8/10cm").ok();
    assert!(only(Some(300.0), None).check(None).is_err());
    assert!(only(None, pace).check(None).is_err());
    assert!(only(Some(300.0), pace).check(None).is_ok());
    for text in ["5", "8-3/10cm", "5/0cm", "-5/10cm", "5/10", "a/10cm"] {
        assert!(YearsPerHeight::parse(text).is_err(), "{text:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 200,
        failure_persistence: None,
        rng_algorithm: prop::test_runner::RngAlgorithm::ChaCha,
        ..ProptestConfig::default()
    })]

    /// Whatever the day and the half of the earth: the outermost ring began to grow at most a year
    /// before, never after; and the rings' years run without a gap.
    #[test]
    fn the_outermost_ring_began_within_the_year_before(
        year in 1..9000_i32, month in 1..=12_u32, day in 1..=28_u32, south: bool, rings in 2..40_u32,
    ) {
        let date = format!("{year:04}-{month:02}-{day:02}");
        let felling = Felling {
            hemisphere: if south { Hemisphere::South } else { Hemisphere::North },
            ..felled(&date)
        };
        let outer = felling.outermost(None).unwrap().unwrap();
        let start = if south { 10 } else { 4 };
        let expected = if month >= start { year } else { year - 1 };
        prop_assert_eq!(outer.year, expected);
        let reading = dated(rings, felling, None).unwrap();
        for pair in reading.rings.windows(2) {
            prop_assert_eq!(pair[0].year.unwrap() + 1, pair[1].year.unwrap());
        }
        prop_assert_eq!(reading.rings.last().unwrap().year, Some(outer.year));
    }
}
