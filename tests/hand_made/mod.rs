//! Readings and counts made for worked numbers, and the command run in a folder.
#![allow(dead_code, reason = "each test binary uses its own part")]

use endgrain::hand_count::{HandCount, Mark};
use endgrain::reading::{
    AZIMUTHS, AgeRecord, MissingCentre, Outline, OutlineState, PhotoRecord, PithRecord, PithState,
    Program, Reading, Ring, SCHEMA, Scale, Wood,
};
use endgrain::settings::WoodKind;
use std::path::Path;

/// A reading of round, even rings about (1000, 1000), made for worked numbers.
pub(crate) fn even_rings(rings: u32, width_px: f64, mm_per_px: f64) -> Reading {
    let level = |radius: f64| vec![Some(radius); AZIMUTHS];
    Reading {
        schema: SCHEMA.into(),
        program: Program {
            name: "endgrain".into(),
            version: "0".into(),
        },
        photo: PhotoRecord {
            file: "QB-0042.jpg".into(),
            sha256: "0".repeat(64),
            width_px: 2000,
            height_px: 2000,
        },
        end: None,
        options: None,
        calendar: None,
        scale: Some(Scale::even(mm_per_px, "given")),
        pith: PithRecord {
            x_px: 1000.0,
            y_px: 1000.0,
            sd_px: 1.0,
            state: PithState::Seen,
        },
        outline: Outline {
            state: OutlineState::Bark,
            radius_px: level(f64::from(rings) * width_px),
        },
        wood: Wood {
            kind: WoodKind::Conifer,
            confidence: 1.0,
        },
        rings: (1..=rings)
            .map(|number| Ring {
                number,
                year: None,
                confidence: 0.99,
                radius_px: level(f64::from(number) * width_px),
                mean_width_px: width_px,
                mean_width_mm: Some(width_px * mm_per_px),
            })
            .collect(),
        age: AgeRecord {
            rings,
            low: rings - 1,
            high: rings + 2,
            level: 0.9,
            missing_centre: MissingCentre {
                rings: 0,
                low: 0,
                high: 0,
            },
            complete: true,
        },
        notes: Vec::new(),
    }
}

pub(crate) fn hand(total: u32, marks: &[&str]) -> HandCount {
    HandCount {
        total: Some(total),
        marks: marks
            .iter()
            .map(|text| Mark::parse(text).expect("a mark"))
            .collect(),
        ..HandCount::default()
    }
}

/// Runs the command in a folder: its exit status, standard output and standard error.
pub(crate) fn program(args: &[&str], folder: &Path) -> (i32, String, String) {
    let out = std::process::Command::new(env!("CARGO_BIN_EXE_endgrain"))
        .args(args)
        .current_dir(folder)
        .output()
        .expect("the program runs");
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (
        out.status.code().unwrap_or(-1),
        text(&out.stdout),
        text(&out.stderr),
    )
}
