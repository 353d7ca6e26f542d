//! Latewood measured in photos of practice discs, whose drawing tells how much of it there is.

use super::{GrowthLine, latewood_share, lines};
use crate::demo::{self, Plan, Suite};
use crate::growth::tests::disc;
use crate::photo;
use crate::reading::Reading;
use crate::settings::{ScaleGiven, Settings, WoodKind};
use std::path::Path;

/// A place of the face (azimuth in the picture, degrees; boundary) as distance from the pith, px.
fn boundary_px(plan: &Plan, ring: usize, azimuth_deg: f64) -> f64 {
    let view = plan.view();
    let azimuth = view.face_azimuth(azimuth_deg.to_radians());
    let mm = plan.disc.boundary_mm(ring, azimuth);
    let [x, y] = view.to_picture(mm * azimuth.cos(), mm * azimuth.sin());
    (x - view.pith_px[0]).hypot(y - view.pith_px[1])
}

/// Share of latewood drawn on a stretch of a radius: of each ring what lies outside the middle of the
/// smooth turn from early- to latewood, which is where its tone is halfway.
fn drawn_share(plan: &Plan, azimuth_deg: f64, from_px: f64, to_px: f64) -> f64 {
    let mut late_px = 0.0;
    for (ring, tone) in plan.disc.tones.iter().enumerate().take(plan.disc.rings) {
        let inner = boundary_px(plan, ring, azimuth_deg);
        let outer = boundary_px(plan, ring + 1, azimuth_deg);
        let start = 1.0 - tone.late_share.clamp(0.06, 0.7);
        let wide = plan.grain.transition * tone.late_share.max(0.2);
        let turn = (
            (start - 0.75 * wide).max(0.0),
            (start + 0.25 * wide).min(0.96),
        );
        let begins = inner + 0.5 * (turn.0 + turn.1) * (outer - inner);
        late_px += (outer.min(to_px) - begins.max(from_px)).max(0.0);
    }
    late_px / (to_px - from_px)
}

/// The reading that knows every boundary.
fn known(plan: &Plan, truth: &demo::Truth) -> Reading {
    let count = truth.boundaries.len();
    let mut reading = disc(&vec![1.0; count], None, Some(truth.mm_per_px));
    let [x_px, y_px] = truth.pith.unwrap();
    (reading.pith.x_px, reading.pith.y_px) = (x_px, y_px);
    reading.wood.kind = plan.wood;
    for (ring, radii) in reading.rings.iter_mut().zip(&truth.boundaries) {
        ring.radius_px.clone_from(radii);
    }
    reading
}

/// Clean conifers of a seed that nothing was tuned on, by their true rings and by the program's own:
/// prints each share beside the one that was drawn.
#[test]
fn latewood_of_practice_discs_is_measured_as_it_was_drawn() {
    let (mut of_truth, mut of_reading) = (Vec::new(), Vec::new());
    for index in 0..8 {
        let plan = demo::plan(Suite::CleanConifer, 90_401, index).at_megapixels(4.0);
        assert_eq!(plan.wood, WoodKind::Conifer);
        let rendered = demo::render(&plan);
        let jpeg = plan.to_jpeg(&rendered).unwrap();
        let settings = Settings {
            scale: vec![ScaleGiven::MmPerPx(rendered.truth.mm_per_px)],
            wood: Some(WoodKind::Conifer),
            ..Settings::default()
        };
        let photo = photo::decode(&jpeg, Path::new("disc.jpg"), &settings).unwrap();
        let share = |reading: &Reading| -> Option<(f64, f64, GrowthLine)> {
            let line = lines(reading)?.three_inches?;
            let found = latewood_share(&photo.pixels, reading, &line)?;
            let px = |mm: f64| mm / rendered.truth.mm_per_px;
            let drawn = drawn_share(&plan, line.azimuth_deg, px(line.from_mm), px(line.to_mm));
            Some((found, drawn, line))
        };
        let own = crate::read(&photo, &settings).unwrap();
        for (what, reading, errors) in [
            ("true rings", known(&plan, &rendered.truth), &mut of_truth),
            ("own reading", own, &mut of_reading),
        ] {
            match share(&reading) {
                Some((found, drawn, line)) => {
                    eprintln!(
                        "{} {what}: {found:.3} measured, {drawn:.3} drawn, {} rings",
                        plan.name(),
                        line.rings
                    );
                    errors.push(found - drawn);
                }
                None => eprintln!("{} {what}: refused", plan.name()),
            }
        }
    }
    for (what, errors) in [("true rings", &of_truth), ("own reading", &of_reading)] {
        let n = errors.len() as f64;
        let mean = errors.iter().sum::<f64>() / n;
        let size = errors.iter().map(|e| e.abs()).sum::<f64>() / n;
        let most = errors.iter().fold(0.0, |most: f64, e| most.max(e.abs()));
        eprintln!(
            "{what}: {} of 8 measured, mean error {mean:+.3}, mean size {size:.3}, largest {most:.3}",
            errors.len()
        );
        assert!(errors.len() >= 3, "{what}: {} measured", errors.len());
        assert!(size < 0.05 && most < 0.12, "{what}: {size} {most}");
    }
}

/// A face whose latewood is paler than its earlywood: what is dark there is no latewood.
#[test]
fn pale_latewood_is_refused_and_not_taken_for_earlywood() {
    let reading = disc(&[20.0; 20], None, Some(0.25));
    let photo = image::RgbImage::from_fn(1000, 1000, |x, y| {
        let radius = (f64::from(x) - 500.0).hypot(f64::from(y) - 500.0);
        let is_late = (radius / 20.0).fract() > 0.7;
        image::Rgb([if is_late { 220 } else { 120 }; 3])
    });
    let line = lines(&reading).unwrap().three_inches.unwrap();
    assert_eq!(latewood_share(&photo, &reading, &line), None);
}
