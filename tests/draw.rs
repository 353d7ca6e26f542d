//! The pictures show the reading, on pale and on dark wood, tight and wide, and never crash.

mod sample;

use endgrain::draw;
use endgrain::notes::{Note, NoteCode};
use endgrain::photo::Photo;
use endgrain::reading::{PithState, Reading};
use endgrain::settings::Settings;
use image::{Rgb, RgbImage};
use sample::{Disc, nothing_read};

fn disc(side_px: u32, rings: u32, ring_px: f64, brightness: f64) -> Disc {
    Disc {
        side_px,
        rings,
        ring_px,
        brightness,
    }
}

fn overlay(photo: &Photo, reading: &Reading) -> RgbImage {
    draw::overlay(photo, reading, &Settings::default())
}

fn grey(p: &Rgb<u8>) -> f64 {
    p.0.iter().map(|c| f64::from(*c)).sum::<f64>() / 3.0
}

/// Share of the whole degrees at which a ring's boundary differs in lightness from the wood.
fn share_drawn(before: &Photo, after: &RgbImage, disc: &Disc, ring: u32) -> f64 {
    let middle = f64::from(disc.side_px) / 2.0;
    let drawn = (0..360)
        .filter(|a| {
            let a = f64::from(*a);
            let r = disc.radius(ring, a);
            let x = (middle + r * a.to_radians().cos()).round() as u32;
            let y = (middle + r * a.to_radians().sin()).round() as u32;
            let around = |picture: &RgbImage| -> Vec<f64> {
                (0..9)
                    .map(|i| grey(picture.get_pixel(x + i % 3 - 1, y + i / 3 - 1)))
                    .collect()
            };
            let pairs = around(&before.pixels).into_iter().zip(around(after));
            pairs.map(|(a, b)| (a - b).abs()).fold(0.0, f64::max) > 25.0
        })
        .count();
    drawn as f64 / 360.0
}

#[test]
fn a_large_photo_is_reduced_where_its_rings_stay_wide_and_its_lines_lie_on_them() {
    let wide = disc(2300, 20, 50.0, 0.9);
    let after = overlay(&wide.photo(), &wide.reading());
    assert_eq!(after.width(), 1150);
    let half = disc(1150, 20, 25.0, 0.9);
    for ring in 10..20 {
        let drawn = share_drawn(&half.photo(), &after, &half, ring);
        assert!(drawn > 0.5, "{drawn} of ring {ring}");
    }
    let tight = disc(2300, 70, 14.0, 0.9);
    assert_eq!(overlay(&tight.photo(), &tight.reading()).width(), 2300);
}

/// In grey, so that what is tested is not colour.
#[test]
fn sure_rings_are_whole_lines_and_doubtful_ones_broken_on_pale_and_dark_wood() {
    for brightness in [0.98, 0.6, 0.2] {
        for (side, rings, ring_px) in [(500, 14, 14.0), (700, 60, 5.0)] {
            let disc = disc(side, rings, ring_px, brightness);
            let photo = disc.photo();
            let after = overlay(&photo, &disc.reading());
            // Away from the pith, where the window of bare wood is a few degrees.
            for ring in rings / 2..rings {
                let share = share_drawn(&photo, &after, &disc, ring);
                if ring % 7 == 0 {
                    assert!(
                        (0.35..0.85).contains(&share),
                        "doubtful ring {ring} of {ring_px} px on {brightness}: {share}"
                    );
                } else {
                    assert!(
                        share > 0.85,
                        "sure ring {ring} of {ring_px} px on {brightness}: {share}"
                    );
                }
            }
        }
    }
}

#[test]
fn between_wide_rings_the_wood_is_left_as_it_is() {
    let disc = disc(600, 5, 50.0, 0.8);
    let photo = disc.photo();
    let after = overlay(&photo, &disc.reading());
    let same = photo
        .pixels
        .enumerate_pixels()
        .filter(|(x, y, p)| after.get_pixel(*x, *y) == *p)
        .count();
    let share = same as f64 / 360_000.0;
    assert!(share > 0.88, "{share} of the photo is untouched");
}

#[test]
fn the_photo_keeps_its_place_and_the_caption_hangs_below() {
    let disc = disc(500, 14, 14.0, 0.8);
    let photo = disc.photo();
    let after = overlay(&photo, &disc.reading());
    assert_eq!(after.width(), 500);
    assert!(
        after.height() > 540 && after.height() < 750,
        "{}",
        after.height()
    );
    assert_eq!(after.get_pixel(2, 2), photo.pixels.get_pixel(2, 2));
    assert_eq!(after.get_pixel(2, 499), photo.pixels.get_pixel(2, 499));
}

#[test]
fn a_note_is_written_out_over_several_lines() {
    let disc = disc(500, 14, 14.0, 0.8);
    let photo = disc.photo();
    let height = |words: usize| {
        let mut reading = disc.reading();
        reading.notes = vec![Note::new(
            NoteCode::RingsUnclear,
            "a caution ".repeat(words),
        )];
        overlay(&photo, &reading).height()
    };
    let (one, two, three) = (height(3), height(11), height(20));
    let line = two - one;
    assert!((12..20).contains(&line), "{line}");
    // Heights are whole pixels.
    assert!((two + line).abs_diff(three) <= 1, "{three}");
    // Too much for the picture: its beginning stands there, on one line.
    assert_eq!(height(400), one);
}

#[test]
fn drawing_on_the_photo_itself_gives_the_same_picture() {
    let disc = disc(500, 14, 14.0, 0.8);
    let photo = disc.photo();
    let reading = disc.reading();
    let settings = Settings::default();
    let apart = draw::overlay(&photo, &reading, &settings);
    assert_eq!(draw::overlay_onto(photo.pixels, &reading, &settings), apart);
}

/// One unit of the reading moves one line: nothing but the reading decides where lines are.
#[test]
fn a_lost_ring_leaves_its_line_out() {
    let disc = disc(500, 14, 14.0, 0.8);
    let photo = disc.photo();
    let mut reading = disc.reading();
    reading.rings[9].radius_px = vec![None; 360];
    let after = overlay(&photo, &reading);
    let lost = share_drawn(&photo, &after, &disc, 10);
    // Its place is hatched as not read: slanted lines cross it here and there.
    assert!(lost < 0.6, "{lost}");
    assert!(share_drawn(&photo, &after, &disc, 11) > 0.85);
    assert!(after != overlay(&photo, &disc.reading()));
}

#[test]
fn a_photo_without_rings_is_captioned_and_otherwise_untouched() {
    let photo = Photo {
        file: "fence.jpg".to_owned(),
        sha256: "cd".repeat(32),
        pixels: RgbImage::from_pixel(300, 200, Rgb([120, 90, 60])),
    };
    let reading = nothing_read(300);
    let after = overlay(&photo, &reading);
    let upper = image::imageops::crop_imm(&after, 0, 0, 300, 200).to_image();
    assert_eq!(upper, photo.pixels);
    let letters = after
        .enumerate_pixels()
        .filter(|(_, y, p)| *y >= 200 && p[0] > 200);
    assert!(letters.count() > 100, "nothing is written below");
    let strip = draw::strip(&photo, &reading, &Settings::default());
    assert!(strip.width() > 300 && strip.height() > 900);
}

/// Least correlation of bare rows of a strip with the one at azimuth 50: 1 where rings are upright.
fn least_uprightness(photo: &Photo, reading: &Reading) -> f64 {
    let strip = draw::strip(photo, reading, &Settings::default());
    let row = |y: u32| -> Vec<f64> {
        let line: Vec<f64> = (120..380).map(|x| grey(strip.get_pixel(x, y))).collect();
        let mean = line.iter().sum::<f64>() / line.len() as f64;
        line.iter().map(|v| v - mean).collect()
    };
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(p, q)| p * q).sum::<f64>();
    let one = row(140);
    // Rows between the ladders, all round the disc.
    [150, 280, 300, 420, 560, 850]
        .into_iter()
        .map(|y| {
            let other = row(y);
            dot(&one, &other) / (dot(&one, &one) * dot(&other, &other)).sqrt()
        })
        .fold(1.0, f64::min)
}

#[test]
fn rings_stand_upright_in_the_strip_and_a_slip_shows() {
    let disc = disc(700, 40, 8.0, 0.8);
    let photo = disc.photo();
    let reading = disc.reading();
    let right = least_uprightness(&photo, &reading);
    // Not 1: the disc of the test is drawn without smoothing.
    assert!(right > 0.9, "{right}");
    // The same boundaries half a ring too far out over a part of the circle.
    let mut slipped = reading;
    for ring in &mut slipped.rings {
        for radius in ring.radius_px[150..250].iter_mut().flatten() {
            *radius += 4.0;
        }
    }
    let wrong = least_uprightness(&photo, &slipped);
    assert!(wrong < 0.5, "{wrong}");
}

#[test]
fn the_strip_stays_within_its_bounds() {
    // 900 rings of at least 8 px would take 7200 px.
    let disc = disc(1000, 900, 0.5, 0.8);
    let strip = draw::strip(&disc.photo(), &disc.reading(), &Settings::default());
    assert!(
        strip.width() <= 6000 && strip.height() <= 1200,
        "{:?}",
        strip.dimensions()
    );
}

#[test]
fn odd_readings_are_drawn_without_a_crash() {
    let settings = Settings::default();
    let usual = disc(400, 12, 12.0, 0.8);
    let mut odd: Vec<(Photo, Reading)> = Vec::new();
    let mut with = |change: &dyn Fn(&mut Reading)| {
        let mut reading = usual.reading();
        change(&mut reading);
        odd.push((usual.photo(), reading));
    };
    // The pith outside the photo, near and far.
    for x in [-40.0, -30_000.0] {
        with(&|reading| {
            reading.pith.x_px = x;
            reading.pith.state = PithState::Outside;
            for ring in &mut reading.rings {
                for (azimuth, radius) in ring.radius_px.iter_mut().enumerate() {
                    *radius = radius
                        .filter(|_| !(40..320).contains(&azimuth))
                        .map(|r| r - x);
                }
            }
            reading.outline.radius_px = vec![None; 360];
        });
    }
    // Boundaries that touch, of no width.
    with(&|reading| {
        let first = reading.rings[0].radius_px.clone();
        for ring in &mut reading.rings {
            ring.radius_px.clone_from(&first);
            ring.mean_width_px = 0.0;
        }
    });
    // All null; one ring; a lost centre; tight zones; a name of signs that no font has.
    with(&|reading| {
        for ring in &mut reading.rings {
            ring.radius_px = vec![None; 360];
        }
    });
    with(&|reading| reading.rings.truncate(1));
    with(&|reading| {
        reading.rings.drain(..6);
        reading.pith.state = PithState::Inferred;
        reading
            .notes
            .push(Note::new(NoteCode::RingsTooTight, "Too tight."));
        reading.photo.file = "\u{6728}\u{7}\n".repeat(300);
    });
    // A pith and rings that no photo of this size holds.
    with(&|reading| {
        reading.pith.x_px = 1e7;
        reading.pith.y_px = -1e7;
    });
    for (photo, reading) in &odd {
        let picture = draw::overlay(photo, reading, &settings);
        assert_eq!(picture.width(), 400);
        let strip = draw::strip(photo, reading, &settings);
        assert!(strip.width() <= 6000 && strip.height() <= 1200);
    }
    // The smallest photo, and a very flat one.
    for (w, h) in [(64, 64), (5000, 64), (64, 5000), (1, 1)] {
        let photo = Photo {
            file: "log-17.jpg".to_owned(),
            sha256: "ab".repeat(32),
            pixels: RgbImage::from_pixel(w, h, Rgb([200, 160, 110])),
        };
        draw::overlay(&photo, &usual.reading(), &settings);
        draw::strip(&photo, &usual.reading(), &settings);
    }
}
