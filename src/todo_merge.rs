//! todo-merge: stand-ins for what other branches bring, with their signatures. At the merge delete
//! this file and its `mod` line, and take `todo_merge::` out of every path that has it.
#![allow(missing_docs, clippy::missing_errors_doc, reason = "goes at the merge")]

use crate::error::Error;
use crate::photo::Photo;
use crate::reading::Reading;
use crate::settings::Settings;

pub fn read(photo: &Photo, settings: &Settings) -> Result<Reading, Error> {
    let text = serde_json::json!({
        "schema": crate::reading::SCHEMA,
        "program": {"name": "endgrain", "version": env!("CARGO_PKG_VERSION")},
        "photo": {"file": photo.file, "sha256": photo.sha256,
            "width_px": photo.pixels.width(), "height_px": photo.pixels.height()},
        "scale": null,
        "pith": {"x_px": 0.0, "y_px": 0.0, "sd_px": 0.0, "state": "outside"},
        "outline": {"state": "unclear", "radius_px": vec![None::<f64>; 360]},
        "wood": {"kind": "conifer", "confidence": 0.0},
        "rings": [],
        "age": {"rings": 0, "low": 0, "high": 0, "level": settings.level,
            "missing_centre": {"rings": 0, "low": 0, "high": 0}, "complete": false},
        "notes": [{"code": "no-end-grain", "text": "todo-merge: the reader is not joined"}]});
    serde_json::from_value(text).map_err(|e| Error::setting(e.to_string()))
}

pub mod draw {
    use super::{Error, Photo, Reading, Settings};
    use image::RgbImage;
    use std::path::Path;

    pub fn overlay(photo: &Photo, _: &Reading, _: &Settings) -> RgbImage {
        photo.pixels.clone()
    }
    pub fn strip(photo: &Photo, _: &Reading, _: &Settings) -> RgbImage {
        photo.pixels.clone()
    }
    pub fn jpeg(picture: &RgbImage, _: &Path) -> Result<Vec<u8>, Error> {
        let mut bytes = std::io::Cursor::new(Vec::new());
        picture
            .write_to(&mut bytes, image::ImageFormat::Jpeg)
            .map_err(|e| Error::setting(e.to_string()))?;
        Ok(bytes.into_inner())
    }
}

pub mod tables {
    use super::{Reading, Settings};
    use std::io::{self, Write};

    #[derive(Debug)]
    pub struct AgesWriter<W: Write>(W);
    impl<W: Write> AgesWriter<W> {
        pub fn new(mut out: W) -> io::Result<Self> {
            writeln!(out, "photo,status,reason,rings")?;
            Ok(Self(out))
        }
        pub fn read(&mut self, photo: &str, reading: &Reading) -> io::Result<()> {
            writeln!(self.0, "{photo},read,,{}", reading.age.rings)
        }
        pub fn refused(&mut self, photo: &str, reason: &str) -> io::Result<()> {
            writeln!(self.0, "{photo},refused,\"{reason}\",")
        }
        pub fn finish(self) -> io::Result<W> {
            Ok(self.0)
        }
    }

    #[derive(Debug)]
    pub struct WidthsWriter<W: Write>(W);
    impl<W: Write> WidthsWriter<W> {
        pub fn new(mut out: W, _: &Settings) -> io::Result<Self> {
            writeln!(out, "photo,ring")?;
            Ok(Self(out))
        }
        pub fn read(&mut self, photo: &str, reading: &Reading) -> io::Result<()> {
            for ring in &reading.rings {
                writeln!(self.0, "{photo},{}", ring.number)?;
            }
            Ok(())
        }
        pub fn finish(self) -> io::Result<W> {
            Ok(self.0)
        }
    }

    #[derive(Debug)]
    pub struct SummaryRow(String);
    impl SummaryRow {
        pub fn read(photo: &str, reading: &Reading, _: &Settings) -> Self {
            Self(format!("{} {}", photo.escape_debug(), reading.age.rings))
        }
        pub fn refused(photo: &str, reason: &str) -> Self {
            Self(format!("{} not read {reason}", photo.escape_debug()))
        }
    }
    pub fn summary(rows: &[SummaryRow]) -> String {
        rows.iter().map(|row| format!("{}\n", row.0)).collect()
    }
}

pub mod schema {
    pub const READING: &str = "{}\n";
}

pub mod demo {
    use super::Error;
    use std::path::{Path, PathBuf};

    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    pub struct Suite(usize);
    const NAMES: [&str; 2] = ["clean_conifer", "none_wall"];
    impl Suite {
        pub const ALL: [Suite; 2] = [Suite(0), Suite(1)];
        pub fn with_rings() -> impl Iterator<Item = Suite> {
            [Suite(0)].into_iter()
        }
        pub fn name(self) -> &'static str {
            NAMES[self.0]
        }
        pub fn of_name(name: &str) -> Option<Suite> {
            Suite::ALL.into_iter().find(|s| s.name() == name)
        }
    }
    #[derive(Debug, Clone)]
    pub struct Order {
        pub count: u64,
        pub seed: u64,
        pub suites: Vec<Suite>,
        pub megapixels: Option<f64>,
    }
    #[derive(Debug, Clone)]
    pub struct Written {
        pub photo: PathBuf,
        pub truth: PathBuf,
        pub rings: Option<usize>,
    }
    pub fn write(folder: &Path, _: &Order, _: impl FnMut(&Written)) -> Result<Vec<Written>, Error> {
        Err(Error::Fault {
            path: folder.into(),
            what: "todo-merge: the demo is not joined".into(),
        })
    }
}
