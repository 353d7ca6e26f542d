//! An invented disc whose rings are known, as photo and as reading, for tests of what follows a
//! reading. Each test file uses its part of it.
#![allow(dead_code, reason = "each test file uses its part")]

use endgrain::notes::{Note, NoteCode};
use endgrain::photo::Photo;
use endgrain::reading::{
    AgeRecord, MissingCentre, Outline, OutlineState, PhotoRecord, PithRecord, PithState, Program,
    Reading, Ring, SCHEMA, Scale, Wood,
};
use endgrain::ring_area::mean_width_px;
use endgrain::settings::WoodKind;
use image::{Rgb, RgbImage};

/// A disc of rings of one width with two lobes, its pith in the middle of the photo.
pub(crate) struct Disc {
    pub(crate) side_px: u32,
    pub(crate) rings: u32,
    pub(crate) ring_px: f64,
    pub(crate) brightness: f64,
}

impl Disc {
    fn pith(&self) -> (f64, f64) {
        let middle = f64::from(self.side_px) / 2.0;
        (middle, middle)
    }

    /// Lobes stretch the radius by up to a twentieth.
    fn lobe(azimuth_rad: f64) -> f64 {
        1.0 + 0.05 * (2.0 * azimuth_rad).cos()
    }

    pub(crate) fn radius(&self, ring: u32, azimuth_deg: f64) -> f64 {
        f64::from(ring) * self.ring_px * Self::lobe(azimuth_deg.to_radians())
    }

    pub(crate) fn photo(&self) -> Photo {
        let (x0, y0) = self.pith();
        let pixels = RgbImage::from_fn(self.side_px, self.side_px, |x, y| {
            let (dx, dy) = (f64::from(x) - x0, f64::from(y) - y0);
            let place = dx.hypot(dy) / Self::lobe(dy.atan2(dx)) / self.ring_px;
            let light = if place >= f64::from(self.rings) {
                0.3
            } else {
                // Earlywood pale, growing darker to the end of the ring.
                self.brightness * (1.0 - 0.45 * place.fract().powi(3))
            };
            Rgb([255.0, 205.0, 150.0].map(|c: f64| (c * light).round() as u8))
        });
        Photo {
            file: "log-17.jpg".to_owned(),
            sha256: "ab".repeat(32),
            pixels,
        }
    }

    /// The true reading; every seventh ring is doubtful, and there is a scale of a tenth of a mm.
    pub(crate) fn reading(&self) -> Reading {
        let (x_px, y_px) = self.pith();
        let boundary = |ring: u32| -> Vec<Option<f64>> {
            (0..360)
                .map(|a| Some(self.radius(ring, f64::from(a))))
                .collect()
        };
        let mut rings: Vec<Ring> = Vec::new();
        for number in 1..=self.rings {
            let radius_px = boundary(number);
            let inner = rings.last().map(|ring| ring.radius_px.as_slice());
            let width = mean_width_px(inner, &radius_px).unwrap();
            rings.push(Ring {
                number,
                year: Some(2023 - (self.rings - number) as i32),
                confidence: if number % 7 == 0 { 0.55 } else { 0.97 },
                radius_px,
                mean_width_px: width,
                mean_width_mm: Some(width * 0.1),
            });
        }
        Reading {
            schema: SCHEMA.to_owned(),
            program: Program {
                name: "endgrain".to_owned(),
                version: "0.1.0".to_owned(),
            },
            photo: PhotoRecord {
                file: "log-17.jpg".to_owned(),
                sha256: "ab".repeat(32),
                width_px: self.side_px,
                height_px: self.side_px,
            },
            end: None,
            options: None,
            scale: Some(Scale::even(0.1, "given")),
            pith: PithRecord {
                x_px,
                y_px,
                sd_px: 1.0,
                state: PithState::Seen,
            },
            outline: Outline {
                state: OutlineState::Wood,
                radius_px: boundary(self.rings),
            },
            wood: Wood {
                kind: WoodKind::Conifer,
                confidence: 0.9,
            },
            rings,
            age: AgeRecord {
                rings: self.rings,
                low: self.rings - 1,
                high: self.rings + 2,
                level: 0.9,
                missing_centre: MissingCentre {
                    rings: 0,
                    low: 0,
                    high: 0,
                },
                complete: true,
            },
            notes: vec![Note::new(
                NoteCode::DoubtfulRings,
                "Some rings are doubtful; they are dashed on the overlay.",
            )],
            calendar: None,
        }
    }
}

/// A reading of a photo without end grain.
pub(crate) fn nothing_read(side_px: u32) -> Reading {
    let disc = Disc {
        side_px,
        rings: 1,
        ring_px: 10.0,
        brightness: 0.8,
    };
    let mut reading = disc.reading();
    reading.rings.clear();
    reading.scale = None;
    reading.outline.radius_px = vec![None; 360];
    reading.outline.state = OutlineState::Unclear;
    reading.pith.state = PithState::Inferred;
    reading.age.rings = 0;
    reading.age.low = 0;
    reading.age.high = 0;
    reading.age.complete = false;
    reading.notes = vec![Note::new(
        NoteCode::NoEndGrain,
        "No readable end grain was found in this photo.",
    )];
    reading
}
