//! Discs whose centre is not in the photo: how many rings that takes is told from the arcs that are.

use endgrain::demo::{self, Suite};
use endgrain::photo::Photo;
use endgrain::reading::PithState;
use endgrain::settings::Settings;
use image::imageops::crop_imm;

/// Seed of the discs: none to tune on.
const SEED: u64 = 6022;

/// Photos cut an eighth of the radius beside the pith: the rings inside are counted within the band.
#[test]
fn rings_beyond_the_frame_are_estimated_from_the_arcs_of_the_innermost_seen() {
    let (mut outside, mut held) = (0, 0);
    for index in 0..5 {
        let plan = demo::plan(Suite::CleanConifer, SEED, index).at_long_side(1300);
        let rendered = demo::render(&plan);
        let truth = rendered.truth;
        let [x, _] = truth.pith.expect("a pith");
        let edge = truth.boundaries.last().expect("rings");
        let radius = edge.iter().flatten().sum::<f64>() / edge.iter().flatten().count() as f64;
        let cut = (x + radius / 8.0).round() as u32;
        let (w, h) = rendered.pixels.dimensions();
        let photo = Photo {
            file: truth.photo.clone(),
            sha256: "ab".repeat(32),
            pixels: crop_imm(&rendered.pixels, cut, 0, w - cut, h).to_image(),
        };
        let reading = endgrain::read(&photo, &Settings::default()).expect("a reading");
        let (rings, age) = (truth.rings.expect("rings"), &reading.age);
        println!(
            "{index}: {rings} rings, read {} ({} to {}), {:?} of them missing; pith {:?}",
            age.rings, age.low, age.high, age.missing_centre, reading.pith.state
        );
        assert!(!age.complete);
        if reading.pith.state != PithState::Outside {
            continue;
        }
        outside += 1;
        let missing = &age.missing_centre;
        assert!(missing.low <= missing.rings && missing.rings <= missing.high);
        assert_eq!(reading.rings[0].number, missing.rings + 1);
        held += u32::from((age.low as usize..=age.high as usize).contains(&rings));
    }
    assert!(outside >= 3, "{outside} of 5 piths are told to lie outside");
    // A band of 90 %; one of three to five may miss.
    assert!(held + 1 >= outside, "{held} of {outside}");
}
