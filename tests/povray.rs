//! The photos under `fixtures/povray` are what their scenes give.
//!
//! POV-Ray renders wood with its own documented pattern, so the number of rings follows from the
//! scene's numbers and owes nothing to our code. Where the program is installed, every scene is
//! rendered again and compared with the committed photo.

use std::path::{Path, PathBuf};
use std::process::Command;

/// Scenes and the side of their square pictures, px.
const SCENES: [(&str, u16); 3] = [
    ("four_and_twenty", 900),
    ("sixty_oval", 960),
    ("off_centre", 900),
];

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/povray")
}

/// Renders a scene; `None` where POV-Ray is not installed.
fn rendered(scene: &str, side: u16, into: &Path) -> Option<image::RgbImage> {
    let picture = into.join(format!("{scene}.png"));
    let run = Command::new("povray")
        .arg(format!(
            "+I{}",
            folder().join(format!("{scene}.pov")).display()
        ))
        .arg(format!("+O{}", picture.display()))
        .args([format!("+W{side}"), format!("+H{side}")])
        .args(["+A0.1", "+FN", "-D", "-GA"])
        .output();
    let run = match run {
        Ok(run) => run,
        Err(missing) if missing.kind() == std::io::ErrorKind::NotFound => return None,
        Err(other) => panic!("povray can't be started: {other}"),
    };
    assert!(
        run.status.success(),
        "{scene}: {}",
        String::from_utf8_lossy(&run.stderr)
    );
    Some(image::open(picture).expect("a picture").into_rgb8())
}

#[test]
fn the_committed_photos_are_what_the_scenes_give() {
    let place = tempfile::tempdir().expect("a folder");
    for (scene, side) in SCENES {
        let Some(now) = rendered(scene, side, place.path()) else {
            eprintln!("skipped: povray is not installed");
            return;
        };
        let photo = folder().join(format!("{scene}.jpg"));
        if std::env::var_os("ENDGRAIN_BLESS").is_some() {
            let mut bytes = Vec::new();
            jpeg_encoder::Encoder::new(&mut bytes, 88)
                .encode(now.as_raw(), side, side, jpeg_encoder::ColorType::Rgb)
                .expect("encodes");
            std::fs::write(&photo, bytes).expect("written");
        }
        let kept = image::open(&photo).expect("committed").into_rgb8();
        assert_eq!(kept.dimensions(), now.dimensions());
        let (mut off, mut far) = (0.0, 0_usize);
        for (a, b) in kept.as_raw().iter().zip(now.as_raw()) {
            let step = a.abs_diff(*b);
            off += f64::from(step);
            far += usize::from(step > 60);
        }
        let all = kept.as_raw().len() as f64;
        // JPEG at quality 88 is off by two or three levels here; a ring that moved by a pixel
        // is off by tens of them along its whole length.
        assert!(
            off / all < 4.0,
            "{scene}: {:.2} levels off on average",
            off / all
        );
        assert!(
            (far as f64) < 0.002 * all,
            "{scene}: {far} values are far off"
        );
    }
}

/// The scene's own numbers, seen in the committed picture: along +x from the pith, the brightness
/// jumps up once at each ring's end.
#[test]
fn the_squarely_seen_scene_shows_the_rings_that_it_was_built_with() {
    let photo = image::open(folder().join("four_and_twenty.jpg"))
        .expect("committed")
        .into_luma8();
    let (pith_x, pith_y, ring_px) = (469.5_f64, 459.5_f64, 900.0 / 54.0);
    // Two rows lie on either side of the pith's line; either will do 0.5 px off it.
    let row = pith_y.floor() as u32;
    let at = |x: f64| f64::from(photo.get_pixel(x.round() as u32, row)[0]);
    let mut jumps = 0;
    for ring in 1..=24 {
        let edge = pith_x + f64::from(ring) * ring_px;
        let rise = at(edge + 3.0) - at(edge - 3.0);
        jumps += u32::from(rise > 50.0);
    }
    // The 24th ring ends at the dark bark, which is no jump up.
    assert_eq!(jumps, 23);
}
