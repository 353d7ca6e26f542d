//! Years of rings and how they are numbered, by the conventions of those who count: ring 1 is the
//! first round the pith, the outermost ring has the year that the user gives, a ring begun is a ring
//! (BC Ministry of Forests, training course 00011, appendix 2: count every ring to the bark).
//!
//! The discs are drawn by formula, so that their number of rings is known without the demo.

use endgrain::photo::Photo;
use endgrain::reading::{OutlineState, Reading};
use endgrain::settings::Settings;
use image::{Rgb, RgbImage};
use std::path::Path;

/// A round disc of `rings` even rings on a dark cloth, pale to dark outward in each; the last ring
/// is `last` of a ring wide: below 1 it has no latewood.
fn disc(rings: u32, ring_px: f64, last: f64) -> Photo {
    let wood_px = (f64::from(rings) - 1.0 + last) * ring_px;
    let side_px = (2.0 * wood_px + 80.0).ceil() as u32;
    let middle = f64::from(side_px) / 2.0;
    let pixels = RgbImage::from_fn(side_px, side_px, |x, y| {
        // Four samples a pixel each way: edges without steps.
        let mut sum = [0.0; 3];
        for i in 0..16 {
            let (dx, dy) = (
                f64::from(i % 4) / 4.0 - 0.375,
                f64::from(i / 4) / 4.0 - 0.375,
            );
            let r = (f64::from(x) + dx - middle).hypot(f64::from(y) + dy - middle);
            let colour = if r < wood_px {
                let late = (r / ring_px).fract().powi(3);
                [
                    225.0 - 110.0 * late,
                    180.0 - 110.0 * late,
                    130.0 - 90.0 * late,
                ]
            } else {
                [45.0, 55.0, 75.0]
            };
            sum.iter_mut().zip(colour).for_each(|(s, c)| *s += c / 16.0);
        }
        // Grain of a sensor, the same on every run.
        let grain = f64::from((x * 7919 + y * 104_729 + x * y * 31) % 13) - 6.0;
        Rgb(sum.map(|v| (v + grain).round().clamp(0.0, 255.0) as u8))
    });
    Photo {
        file: "drawn.png".into(),
        sha256: String::new(),
        pixels,
    }
}

fn read(photo: &Photo, last_ring: Option<i32>) -> Reading {
    endgrain::read(
        photo,
        &Settings {
            last_ring,
            ..Settings::default()
        },
    )
    .expect("a reading")
}

fn years(reading: &Reading) -> Vec<i32> {
    reading.rings.iter().filter_map(|ring| ring.year).collect()
}

/// T-1.2: 88 complete rings, felled in January 2024, before growth: the outermost ring is 2023's and
/// ring 1 is 1936's (2023 - 88 + 1).
#[test]
fn of_eighty_eight_rings_to_2023_the_first_is_of_1936() {
    let reading = read(&disc(88, 6.0, 1.0), Some(2023));
    assert_eq!(reading.age.rings, 88);
    assert_eq!(years(&reading), (1936..=2023).collect::<Vec<_>>());
    assert_eq!(reading.rings[0].number, 1);
    // T-1.3: the tenth from the bark, of 1 for the outermost, is 2023 - 10 + 1.
    assert_eq!(reading.rings[88 - 10].year, Some(2014));
}

/// T-1.1: 88 rings of which the last is partial, felled in July 2023: the partial one is 2023's, the
/// last complete one 2022's, ring 1 1936's.
#[test]
fn a_ring_begun_counts_and_has_the_year_of_felling() {
    let reading = read(&disc(88, 6.0, 0.6), Some(2023));
    assert_eq!(reading.age.rings, 88);
    assert_eq!(reading.rings[87].year, Some(2023));
    assert_eq!(reading.rings[86].year, Some(2022));
    assert_eq!(reading.rings[0].year, Some(1936));
    let widths: Vec<f64> = reading.rings.iter().map(|r| r.mean_width_px).collect();
    assert!(widths[87] < 0.8 * widths[86], "{:?}", &widths[85..]);
}

/// T-1.6: years are astronomical: five rings up to AD 1 are of -3, -2, -1, 0 and 1, which is 4 BC to
/// AD 1; the year 0 is 1 BC.
#[test]
fn years_before_christ_are_astronomical_and_have_a_zero() {
    let reading = read(&disc(12, 14.0, 1.0), Some(1));
    let years = years(&reading);
    assert_eq!(years[years.len() - 5..], [-3, -2, -1, 0, 1]);
}

#[test]
fn without_the_year_of_the_last_ring_no_ring_has_a_year() {
    let reading = read(&disc(12, 14.0, 1.0), None);
    assert!(reading.rings.len() >= 10);
    assert!(years(&reading).is_empty());
}

#[test]
fn where_the_edge_is_not_in_the_photo_no_ring_has_a_year() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/yard/cropped_QB-0006.jpg");
    let photo = endgrain::photo::read(&path, &Settings::default()).expect("a committed photo");
    let reading = read(&photo, Some(2023));
    assert_eq!(reading.outline.state, OutlineState::Frame);
    assert!(!reading.age.complete);
    assert!(years(&reading).is_empty());
}
