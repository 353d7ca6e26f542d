//! The growth record of a disc: what its rings say of the tree's years.
//!
//! From a reading alone: the size at each age and the age at each size, ring widths and basal area
//! increments, zones, fast and slow years, spells against the local trend, releases and
//! suppressions, and the shape of the face. Of several dated discs together: pointer years
//! ([`pointer`](crate::growth::pointer)).
//!
//! **Radius** here is the radius that the mean ring widths add up to, from the pith outward. Where
//! every boundary is known round the disc it is the equivalent radius, sqrt(area / pi), so that the
//! basal area increments add up to the face. Where the centre is lost it begins with the first
//! boundary that is known, about the inferred pith.
//!
//! **Lengths** are in mm where the reading has a scale, and always in pixels and in shares of the
//! radius. **Age** is the age at the cut: ring numbers, the rings lost with the centre included. Years
//! are those of the reading.

pub mod change;
pub mod departures;
pub mod pointer;
mod record;
pub mod shape;
pub mod table;
mod zones;

pub use record::{AgeAt, GrowthRecord, GrowthRing, SCHEMA, SizeAt, record};
pub use zones::{Decade, Zone};

use crate::settings::LengthUnit;

/// Millimetres in an inch, exactly (international inch, 1959).
pub const MM_PER_INCH: f64 = 25.4;

/// What the record is asked to look for. The rules are stated where they are printed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rules {
    /// Rings between the marks at which the size is told: 5, 10, 15 or 20.
    pub mark_every: u32,
    /// Unit whose even diameters are asked for their ages.
    pub unit: LengthUnit,
    /// Least number of rings of a spell.
    pub spell_rings: usize,
    /// Least mean departure of a spell from the local trend, as a share of it.
    pub spell_departure: f64,
    /// Years whose means are compared for a release or a suppression.
    pub change_years: usize,
    /// Change from which it is told, percent.
    pub change_percent: f64,
    /// Change from which it is called major, percent.
    pub major_percent: f64,
}

impl Default for Rules {
    /// Spells: five rings, 15 %: about one in a century by chance alone (the record counts how many
    /// chance makes in the series at hand). Changes: Nowacki and Abrams 1997, Ecological Monographs
    /// 67: 225-249: means of 10 years, 25 % moderate, 50 % major (from memory).
    fn default() -> Self {
        Rules {
            mark_every: 10,
            unit: LengthUnit::Mm,
            spell_rings: 5,
            spell_departure: 0.15,
            change_years: 10,
            change_percent: 25.0,
            major_percent: 50.0,
        }
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::notes::Note;
    use crate::reading::{
        AgeRecord, MissingCentre, Outline, OutlineState, PhotoRecord, PithRecord, PithState,
        Program, Reading, Ring, Scale, Wood,
    };
    use crate::settings::WoodKind;
    use proptest::prelude::{prop, proptest};
    use proptest::test_runner::Config;
    use std::f64::consts::PI;

    /// A reading of round rings with these widths, px, about their pith.
    pub(crate) fn disc(
        widths_px: &[f64],
        last_year: Option<i32>,
        mm_per_px: Option<f64>,
    ) -> Reading {
        let mut radius = 0.0;
        let count = u32::try_from(widths_px.len()).unwrap();
        let rings = widths_px
            .iter()
            .zip(1..)
            .map(|(width, number)| {
                radius += width;
                Ring {
                    number,
                    year: last_year.map(|last| last - (count - number) as i32),
                    confidence: 0.95,
                    radius_px: vec![Some(radius); 360],
                    mean_width_px: *width,
                    mean_width_mm: mm_per_px.map(|mm| width * mm),
                }
            })
            .collect();
        Reading {
            schema: crate::reading::SCHEMA.into(),
            program: Program {
                name: "endgrain".into(),
                version: "0.0.0".into(),
            },
            photo: PhotoRecord {
                file: "QB-0900.jpg".into(),
                sha256: "0".repeat(64),
                width_px: 1000,
                height_px: 1000,
            },
            end: None,
            options: None,
            calendar: None,
            scale: mm_per_px.map(|mm_per_px| Scale::even(mm_per_px, "given")),
            pith: PithRecord {
                x_px: 500.0,
                y_px: 500.0,
                sd_px: 1.0,
                state: PithState::Seen,
            },
            outline: Outline {
                state: OutlineState::Bark,
                radius_px: vec![Some(radius); 360],
            },
            wood: Wood {
                kind: WoodKind::Conifer,
                confidence: 1.0,
            },
            rings,
            age: AgeRecord {
                rings: count,
                low: count,
                high: count,
                level: 0.9,
                missing_centre: MissingCentre {
                    rings: 0,
                    low: 0,
                    high: 0,
                },
                complete: true,
            },
            notes: Vec::<Note>::new(),
        }
    }

    /// Facts, T-3.18: widths 2.0 3.0 2.5 1.5 from the pith: radii 2 5 7.5 9, increments 12.566371
    /// 65.973446 98.174770 77.754418, together pi * 81.
    #[test]
    fn radii_and_basal_area_increments_are_those_of_the_worked_example() {
        let made = record(
            &disc(&[2.0, 3.0, 2.5, 1.5], None, Some(1.0)),
            &Rules::default(),
        );
        let radii: Vec<f64> = made
            .rings
            .iter()
            .map(|ring| ring.radius_mm.unwrap())
            .collect();
        assert_eq!(radii, [2.0, 5.0, 7.5, 9.0]);
        let areas: Vec<f64> = made
            .rings
            .iter()
            .map(|ring| ring.area_mm2.unwrap())
            .collect();
        for (area, want) in areas
            .iter()
            .zip([12.566371, 65.973446, 98.174770, 77.754418])
        {
            assert!((area - want).abs() < 5e-7, "{area}");
        }
        assert!((areas.iter().sum::<f64>() - 254.469005).abs() < 5e-7);
    }

    /// Facts, T-3.19, from the bark inward: diameter 300 over bark, bark 10: radii 140 138 135.5
    /// 132.5 for widths 2, 2.5, 3: increments 1746.7255 2148.0640 2525.8405.
    #[test]
    fn increments_below_the_bark_are_those_of_the_worked_example() {
        let made = record(
            &disc(&[132.5, 3.0, 2.5, 2.0], None, Some(1.0)),
            &Rules::default(),
        );
        let areas: Vec<f64> = made
            .rings
            .iter()
            .rev()
            .map(|ring| ring.area_mm2.unwrap())
            .collect();
        for (area, want) in areas.iter().zip([1746.7255, 2148.0640, 2525.8405]) {
            assert!((area - want).abs() < 5e-5, "{area}");
        }
    }

    /// Facts, T-4.2: rings per inch to mean width: 4 is 6.35 mm, 6 is 4.2333, 8 is 3.175, 12 is
    /// 2.1167, 16 is 1.5875, 30 is 0.8467.
    #[test]
    fn rings_per_inch_are_those_of_the_worked_examples() {
        for (per_inch, width_mm) in [
            (4.0, 6.35),
            (6.0, 4.2333),
            (8.0, 3.175),
            (12.0, 2.1167),
            (16.0, 1.5875),
            (30.0, 0.8467),
        ] {
            let made = record(
                &disc(&[width_mm; 12], Some(2023), Some(1.0)),
                &Rules::default(),
            );
            let found = [
                made.rings[3].rings_per_inch().unwrap(),
                made.decades[0].rings_per_inch.unwrap(),
                made.zones[2].rings_per_inch.unwrap(),
            ];
            for found in found {
                assert!((found / per_inch - 1.0).abs() < 1e-4, "{found} {per_inch}");
            }
        }
    }

    #[test]
    fn sizes_at_ages_and_ages_at_sizes_agree() {
        // 40 rings of 2.5 mm: 5 mm of diameter a year, 200 mm in all.
        let made = record(
            &disc(&[10.0; 40], Some(2023), Some(0.25)),
            &Rules::default(),
        );
        let sizes: Vec<_> = made
            .sizes
            .iter()
            .map(|s| (s.age, s.year.unwrap()))
            .collect();
        assert_eq!(sizes, [(10, 1993), (20, 2003), (30, 2013), (40, 2023)]);
        assert!((made.sizes[1].diameter_mm.unwrap() - 100.0).abs() < 1e-9);
        let ages: Vec<_> = made
            .ages
            .iter()
            .map(|a| (a.ring, a.diameter_mm.unwrap()))
            .collect();
        let steps: Vec<f64> = ages.iter().map(|a| a.1).collect();
        for (i, (ring, mm)) in ages.iter().enumerate() {
            assert!((mm - 20.0 * (i + 1) as f64).abs() < 1e-9, "{steps:?}");
            assert_eq!(*ring, 4 * (i as u32 + 1));
        }
        assert_eq!(ages.len(), 10);
    }

    #[test]
    fn diameters_are_even_in_the_unit_asked_for() {
        let rules = Rules {
            unit: LengthUnit::In,
            ..Rules::default()
        };
        // 200 mm are 7.87 in.
        let made = record(&disc(&[10.0; 40], None, Some(0.25)), &rules);
        let inches: Vec<f64> = made
            .ages
            .iter()
            .map(|age| age.diameter_mm.unwrap() / MM_PER_INCH)
            .collect();
        for (i, found) in inches.iter().enumerate() {
            assert!((found - (i + 1) as f64).abs() < 1e-9, "{inches:?}");
        }
        assert_eq!(inches.len(), 7);
    }

    #[test]
    fn decades_are_calendar_decades_or_tens_of_rings() {
        let dated = record(&disc(&[2.0; 25], Some(2012), None), &Rules::default());
        let decades: Vec<_> = dated
            .decades
            .iter()
            .map(|d| (d.decade.unwrap(), d.rings))
            .collect();
        // Rings 1 to 25 are 1988 to 2012.
        assert_eq!(decades, [(1980, 2), (1990, 10), (2000, 10), (2010, 3)]);
        let undated = record(&disc(&[2.0; 25], None, None), &Rules::default());
        let tens: Vec<_> = undated
            .decades
            .iter()
            .map(|d| (d.first_ring, d.last_ring))
            .collect();
        assert_eq!(tens, [(1, 10), (11, 20), (21, 25)]);
        assert!(undated.decades.iter().all(|d| d.mean_width_mm.is_none()));
    }

    #[test]
    fn a_lost_centre_leaves_what_is_not_known_unknown() {
        let mut reading = disc(&[30.0, 2.0, 2.0, 2.0], Some(2023), Some(1.0));
        for ring in &mut reading.rings {
            ring.number += 10;
        }
        let made = record(&reading, &Rules::default());
        assert_eq!(
            (made.rings[0].width_px, made.rings[0].area_mm2),
            (None, None)
        );
        assert_eq!(made.rings[0].radius_mm, Some(30.0));
        assert_eq!(made.rings_at(29.0), None);
        assert_eq!(made.rings_at(31.0), Some(11.5));
        assert_eq!(made.inner_radius_px(), None);
        // No diameter inside the lost centre has an age.
        assert!(made.ages.iter().all(|age| age.diameter_mm.unwrap() >= 60.0));
        assert!((made.zones[0].from_share - 30.0 / 36.0).abs() < 1e-12);
    }

    #[test]
    fn no_rings_make_an_empty_record() {
        let made = record(&disc(&[], None, Some(1.0)), &Rules::default());
        assert!(made.rings.is_empty() && made.ages.is_empty() && made.decades.is_empty());
        assert_eq!(made.spells_by_chance, None);
    }

    proptest! {
        #![proptest_config(Config { failure_persistence: None, cases: 64, ..Config::default() })]

        #[test]
        fn widths_sum_to_radii_and_areas_to_the_face(
            widths in prop::collection::vec(0.01f64..40.0, 1..120),
            mm_per_px in 0.01f64..2.0,
            lost in 0u32..3,
        ) {
            let mut reading = disc(&widths, Some(2000), Some(mm_per_px));
            for ring in &mut reading.rings {
                ring.number += lost;
            }
            let made = record(&reading, &Rules::default());
            let last = made.rings.last().unwrap();
            let inner = made.inner_radius_px().unwrap_or(made.rings[0].radius_px);
            let sum: f64 = made.rings.iter().filter_map(|ring| ring.width_px).sum();
            assert!((inner + sum - last.radius_px).abs() < 1e-9 * last.radius_px.max(1.0));
            let area: f64 = made.rings.iter().filter_map(|ring| ring.area_mm2).sum();
            let face = PI * mm_per_px * mm_per_px * (last.radius_px.powi(2) - inner.powi(2));
            assert!((area - face).abs() < 1e-9 * face.max(1.0), "{area} {face}");
            let per_inch: Vec<f64> =
                made.rings.iter().filter_map(GrowthRing::rings_per_inch).collect();
            for (ring, per_inch) in made.rings.iter().filter(|r| r.width_mm.is_some()).zip(per_inch) {
                // There and back: mm, rings per inch, mm.
                let back = MM_PER_INCH / per_inch;
                assert!((back / ring.width_mm.unwrap() - 1.0).abs() < 1e-12);
            }
        }
    }
}
