//! Counts the rings of discs that POV-Ray drew: how many there are follows from the scenes.

use endgrain::settings::Settings;
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
