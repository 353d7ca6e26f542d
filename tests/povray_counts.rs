//! Reads discs that POV-Ray drew: how many rings there are, how much of a ring is latewood and how the
//! camera is held follows from the scenes.

use endgrain::reading::Reading;
use endgrain::settings::{ScaleGiven, Settings, WoodKind};
use endgrain::timber;
use serde::Deserialize;
use std::path::Path;

#[derive(Deserialize)]
struct Truth {
    rings: u32,
    pith: [f64; 2],
}

#[test]
fn rings_of_the_rendered_scenes_are_counted_within_one() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/povray");
    let settings = Settings::default();
    for scene in ["four_and_twenty", "sixty_oval", "off_centre"] {
        let text =
            std::fs::read_to_string(folder.join(format!("{scene}.json"))).expect("committed");
        let truth: Truth = serde_json::from_str(&text).expect("truth");
        let photo = endgrain::photo::read(&folder.join(format!("{scene}.jpg")), &settings)
            .expect("a photo");
        let reading = endgrain::read(&photo, &settings).expect("a reading");
        let age = &reading.age;
        let (count, low, high) = (age.rings as f64, age.low as f64, age.high as f64);
        let rings = f64::from(truth.rings);
        assert!(
            low <= rings && rings <= high,
            "{scene}: {rings} is not in {low} to {high}"
        );
        assert!(
            (count - rings).abs() <= 1.0,
            "{scene}: {count} counted, {rings} drawn"
        );
        let off = (reading.pith.x_px - truth.pith[0]).hypot(reading.pith.y_px - truth.pith[1]);
        // 1 % of the smallest of the three discs' radii, 365 px.
        assert!(off < 3.7, "{scene}: pith {off:.1} px off");
    }
}

/// A scene's photo read with what is stated of it.
fn read(scene: &str, settings: &Settings) -> (endgrain::photo::Photo, Reading) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("fixtures/povray/{scene}.jpg"));
    let photo = endgrain::photo::read(&path, settings).expect("a photo");
    let reading = endgrain::read(&photo, settings).expect("a reading");
    (photo, reading)
}

/// Share of a ring that is darker than halfway between its ends by the scene's colour map: given as
/// written, turned to light, blended there, and shown again by the sRGB curve (IEC 61966-2-1).
fn late_share(map: &[(f64, [f64; 3])]) -> f64 {
    let light = |v: f64| {
        if v <= 0.04045 {
            v / 12.92
        } else {
            ((v + 0.055) / 1.055).powf(2.4)
        }
    };
    let shown = |v: f64| {
        if v <= 0.003_130_8 {
            12.92 * v
        } else {
            1.055 * v.powf(1.0 / 2.4) - 0.055
        }
    };
    let tone = |phase: f64| -> f64 {
        let at = map.partition_point(|(from, _)| *from <= phase);
        let ((a, from), (b, to)) = (map[at - 1], map[at.min(map.len() - 1)]);
        let part = if b > a { (phase - a) / (b - a) } else { 0.0 };
        (0..3)
            .map(|c| shown(light(from[c]) + part * (light(to[c]) - light(from[c]))))
            .sum()
    };
    let half = 0.5 * (tone(0.0) + tone(1.0));
    let steps = 100_000;
    let late = (0..steps).filter(|i| tone(f64::from(*i) / f64::from(steps)) < half);
    late.count() as f64 / f64::from(steps)
}

/// The share of latewood follows from the scene's colour map. Rings of 16.7 px, 24 of them; those of
/// the tight disc are under 8 px and refused.
#[test]
fn the_latewood_of_a_rendered_scene_is_that_of_its_colour_map() {
    let settings = Settings {
        scale: vec![ScaleGiven::MmPerPx(0.2)],
        wood: Some(WoodKind::Conifer),
        ..Settings::default()
    };
    let (photo, reading) = read("four_and_twenty", &settings);
    let line = timber::lines(&reading).unwrap().three_inches.unwrap();
    let found = timber::latewood_share(&photo.pixels, &reading, &line).expect("measured");
    // The map in four_and_twenty.pov.
    let drawn = late_share(&[
        (0.00, [0.90, 0.77, 0.56]),
        (0.55, [0.86, 0.70, 0.47]),
        (0.80, [0.66, 0.43, 0.23]),
        (1.00, [0.52, 0.31, 0.15]),
    ]);
    eprintln!(
        "four_and_twenty: latewood {found:.3} measured, {drawn:.3} drawn, on {} rings",
        line.rings
    );
    assert!(line.rings >= 18, "{line:?}");
    assert!((found - drawn).abs() < 0.03, "{found} {drawn}");
    let (photo, reading) = read("sixty_oval", &settings);
    let line = timber::lines(&reading).unwrap().three_inches.unwrap();
    assert_eq!(timber::latewood_share(&photo.pixels, &reading, &line), None);
}

/// A round disc photographed by a perspective camera 13.7 degrees off square: the tilt of a face
/// declared round is that of the scene, and lengths through the pith come out nearer to the wood's.
#[test]
fn the_tilt_of_a_round_disc_is_that_of_the_scenes_camera() {
    // A unit of the scene is 5 mm: a disc of 32 units is 320 mm across.
    let settings = Settings {
        scale: vec![ScaleGiven::DiameterMm(320.0)],
        face_is_round: true,
        ..Settings::default()
    };
    let (_, reading) = read("off_centre", &settings);
    let scale = reading.scale.as_ref().expect("a scale");
    let tilt = scale.tilt.expect("a tilt");
    let found_deg = tilt.foreshortening.acos().to_degrees();
    let drawn_deg = 22.0_f64.atan2(90.0).to_degrees();
    // From a place in the picture to the wood's plane, z = 0, by the camera in off_centre.pov.
    let far = 22.0_f64.hypot(90.0);
    let k = 450.0 / 23.0_f64.to_radians().tan();
    let on_wood = |x_px: f64, y_px: f64| -> [f64; 2] {
        let (right, up) = ((x_px - 449.5) / k, (449.5 - y_px) / k);
        let ray = [right, (22.0 + 90.0 * up) / far, (90.0 - 22.0 * up) / far];
        let t = 90.0 / ray[2];
        [t * ray[0], -22.0 + t * ray[1]]
    };
    let (x, y) = (reading.pith.x_px, reading.pith.y_px);
    let pith = on_wood(x, y);
    let (mut even, mut corrected) = (0.0, 0.0);
    for azimuth in 0..180_u32 {
        let azimuth = f64::from(azimuth);
        let (sin, cos) = azimuth.to_radians().sin_cos();
        let towards = on_wood(x + 100.0 * cos, y + 100.0 * sin);
        let (dx, dy) = (towards[0] - pith[0], towards[1] - pith[1]);
        let length = dx.hypot(dy);
        let along = (pith[0] * dx + pith[1] * dy) / length;
        let inside = 32.0_f64.powi(2) - pith[0].powi(2) - pith[1].powi(2);
        let chord_mm = 5.0 * 2.0 * (along * along + inside).sqrt();
        let edge = |a: f64| endgrain::reading::radius_at(&reading.outline.radius_px, a).unwrap();
        let px = edge(azimuth) + edge(azimuth + 180.0);
        let off = |mm_per_px: f64| (px * mm_per_px / chord_mm).ln().powi(2) / 180.0;
        even += off(scale.mm_per_px);
        corrected += off(scale.mm_per_px_at(azimuth));
    }
    let (even, corrected) = (100.0 * even.sqrt(), 100.0 * corrected.sqrt());
    eprintln!(
        "off_centre: {found_deg:.1} degrees found, {drawn_deg:.1} drawn, along {:.0} (90 drawn); diameters {even:.2} % off with the mean scale, {corrected:.2} % corrected",
        tilt.azimuth_deg
    );
    assert!((found_deg - drawn_deg).abs() < 3.0, "{found_deg}");
    assert!((tilt.azimuth_deg - 90.0).abs() < 10.0, "{tilt:?}");
    // From so near the farther half looks smaller, which no ellipse tells.
    assert!(
        corrected < 0.75 * even && corrected < 0.8,
        "{corrected} {even}"
    );
}
