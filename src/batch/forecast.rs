//! What a run will take, told before it: photos and megapixels by their headers, time and room on the
//! disk by a sample that is read for real and written nowhere, memory by the largest photo.
//!
//! Time and size grow with pixels, so what the sample took is scaled by megapixels. The sample is
//! spread evenly over the list. A forecast of time is as good as ten photos are like the rest; other
//! work on the machine counts as well.

use super::budget::need_bytes;
use super::names::Work;
use super::reader::{Answer, Reader};
use crate::photo::{self, Header};
use crate::settings::Settings;
use std::time::{Duration, Instant};

/// Photos that are read for the forecast.
const SAMPLE: usize = 10;
/// A part that takes about this long loses little when its machine is lost, and starting it costs
/// little beside it. Common practice, no source.
const PART_TAKES: Duration = Duration::from_secs(3600);
/// Photos that a part has at least: fewer don't even out.
const PART_PHOTOS: usize = 50;

/// What a run will take.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// Photos whose headers can be read.
    pub photos: usize,
    /// Files that won't be read: no picture, damaged, beyond the limits.
    pub unreadable: usize,
    /// Megapixels of all of them.
    pub megapixels: f64,
    /// Megapixels of the largest.
    pub largest_megapixels: f64,
    /// Photos that were read as a sample.
    pub sampled: usize,
    /// Time for all on one worker; none where no photo of the sample could be read.
    pub one_worker: Option<Duration>,
    /// Bytes of all outputs, likewise.
    pub disk_bytes: Option<u64>,
    /// Bytes of memory that a worker needs for the largest photo.
    pub worker_bytes: u64,
}

impl Forecast {
    /// Time for all on so many workers.
    pub fn takes(&self, workers: usize) -> Option<Duration> {
        let workers = u32::try_from(workers.max(1)).unwrap_or(u32::MAX);
        self.one_worker.map(|time| time / workers)
    }

    /// A good number of parts for machines of so many workers: each takes about an hour.
    pub fn good_parts(&self, workers: usize) -> Option<usize> {
        let hours = self.takes(workers)?.as_secs_f64() / PART_TAKES.as_secs_f64();
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "positive, and clamped before"
        )]
        let parts = hours.ceil().clamp(1.0, 10_000.0) as usize;
        Some(parts.min((self.photos / PART_PHOTOS).max(1)))
    }
}

/// Looks at the header of every photo of `work` and reads ten of them by `reader`.
///
/// # Memory
/// That of the photo in work.
pub fn forecast(work: &[Work], settings: &Settings, reader: &dyn Reader) -> Forecast {
    let mut readable: Vec<(&Work, f64)> = Vec::new();
    let (mut largest_megapixels, mut worker_bytes) = (0.0, 0);
    for work in work {
        let Ok(header) = photo::header_at(&work.path, settings) else {
            continue;
        };
        let megapixels = megapixels(&header);
        largest_megapixels = megapixels.max(largest_megapixels);
        let file_bytes = std::fs::metadata(&work.path).map_or(0, |metadata| metadata.len());
        worker_bytes = need_bytes(&header, file_bytes).max(worker_bytes);
        readable.push((work, megapixels));
    }
    let count = SAMPLE.min(readable.len());
    let (mut sampled, mut sample_megapixels, mut took, mut bytes) = (0, 0.0, Duration::ZERO, 0);
    for k in 0..count {
        // The middle of each of ten equal stretches of the list.
        let (work, megapixels) = readable[(2 * k + 1) * readable.len() / (2 * count)];
        let begun = Instant::now();
        if let Ok(Answer::Finished(finished)) = reader.read(&work.path, None) {
            took += begun.elapsed();
            for end in &finished.ends {
                bytes += end.reading.len() + end.overlay.len() + end.strip.len();
            }
            sample_megapixels += megapixels;
            sampled += 1;
        }
    }
    let all: f64 = readable.iter().map(|(_, megapixels)| megapixels).sum();
    let scale = (sample_megapixels > 0.0).then(|| all / sample_megapixels);
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a count of bytes, rounded; past u64 it saturates"
    )]
    let scaled = |bytes: usize, scale: f64| (bytes as f64 * scale).round() as u64;
    Forecast {
        photos: readable.len(),
        unreadable: work.len() - readable.len(),
        megapixels: all,
        largest_megapixels,
        sampled,
        one_worker: scale.and_then(|s| Duration::try_from_secs_f64(took.as_secs_f64() * s).ok()),
        disk_bytes: scale.map(|s| scaled(bytes, s)),
        worker_bytes,
    }
}

fn megapixels(header: &Header) -> f64 {
    f64::from(header.width_px) * f64::from(header.height_px) / 1e6
}

#[cfg(test)]
mod tests {
    use super::{Forecast, forecast};
    use crate::batch::{Answer, FilesOfEnd, Finished, Reader, Work};
    use crate::error::Error;
    use crate::settings::Settings;
    use std::path::Path;
    use std::sync::atomic::{AtomicUsize, Ordering};
    use std::time::Duration;

    /// Takes a millisecond a photo and makes 1000 bytes of each.
    struct Steady(AtomicUsize);

    impl Reader for Steady {
        fn read(&self, _: &Path, _: Option<&str>) -> Result<Answer, Error> {
            self.0.fetch_add(1, Ordering::Relaxed);
            std::thread::sleep(Duration::from_millis(1));
            Ok(Answer::Finished(Finished {
                sha256: String::new(),
                ends: vec![FilesOfEnd {
                    reading: vec![0; 200],
                    overlay: vec![0; 500],
                    strip: vec![0; 300],
                }],
            }))
        }
    }

    #[test]
    fn ten_photos_tell_of_all() {
        let folder = tempfile::tempdir().unwrap();
        let work: Vec<Work> = (0..40)
            .map(|place| {
                let path = folder.path().join(format!("{place}.png"));
                if place == 7 {
                    std::fs::write(&path, b"no picture").unwrap();
                } else {
                    image::RgbImage::new(100, 100).save(&path).unwrap();
                }
                Work {
                    stem: path.clone(),
                    path,
                    place,
                }
            })
            .collect();
        let steady = Steady(AtomicUsize::new(0));
        let told = forecast(&work, &Settings::default(), &steady);
        assert_eq!(steady.0.into_inner(), 10);
        assert_eq!((told.photos, told.unreadable, told.sampled), (39, 1, 10));
        assert!((told.megapixels - 0.39).abs() < 1e-9);
        assert_eq!(told.disk_bytes, Some(39_000));
        assert!(told.one_worker.unwrap() >= Duration::from_millis(39));
    }

    #[test]
    fn parts_take_about_an_hour() {
        let told = Forecast {
            photos: 20_000,
            unreadable: 0,
            megapixels: 240_000.0,
            largest_megapixels: 12.0,
            sampled: 10,
            one_worker: Some(Duration::from_secs(20_000)),
            disk_bytes: None,
            worker_bytes: 0,
        };
        // 5.6 hours on one worker, 2.8 on two.
        assert_eq!(told.good_parts(1), Some(6));
        assert_eq!(told.good_parts(2), Some(3));
        let few = Forecast { photos: 60, ..told };
        assert_eq!(few.good_parts(1), Some(1));
    }
}
