//! `endgrain count --plan`: what a run will take.

use super::console::{Console, printable};
use endgrain::batch::Forecast;
use std::path::Path;
use std::time::Duration;

/// Prints what a run on so many jobs will take.
pub(super) fn tell(forecast: &Forecast, jobs: usize, out: &Path, console: &mut Console) {
    let mut lines = vec![format!(
        "photos: {}, {:.1} megapixels together, the largest {:.1}",
        forecast.photos, forecast.megapixels, forecast.largest_megapixels
    )];
    if forecast.unreadable > 0 {
        lines.push(format!(
            "not readable by their headers: {}",
            forecast.unreadable
        ));
    }
    let jobs_words = if jobs == 1 {
        "1 job".to_owned()
    } else {
        format!("{jobs} jobs")
    };
    match (forecast.takes(jobs), forecast.good_parts(jobs)) {
        (Some(time), Some(parts)) => {
            lines.push(format!(
                "time: about {} with {jobs_words}, from a sample of {}",
                time_text(time),
                forecast.sampled
            ));
            lines.push(memory_line(forecast, jobs, &jobs_words));
            let disk = forecast.disk_bytes.unwrap_or(0);
            let free = free_bytes(out).map_or(String::new(), |free| {
                format!("; free where it goes: {}", size_text(free))
            });
            lines.push(format!("disk: about {}{free}", size_text(disk)));
            lines.push(if parts == 1 {
                "parts: none needed, one machine does it in about an hour or less, or there are few photos"
                    .to_owned()
            } else {
                format!(
                    "parts: --part K/{parts}, K from 1 to {parts}, about {} each",
                    time_text(time / u32::try_from(parts).unwrap_or(u32::MAX))
                )
            });
        }
        _ => {
            lines.push("time and disk: unknown, none of the sample could be read".to_owned());
            lines.push(memory_line(forecast, jobs, &jobs_words));
        }
    }
    for line in lines {
        console.print(&format!("{}\n", printable(&line)));
    }
}

fn memory_line(forecast: &Forecast, jobs: usize, jobs_words: &str) -> String {
    let all = forecast.worker_bytes.saturating_mul(jobs as u64);
    format!(
        "memory: at most {} with {jobs_words}; --memory sets a bound",
        size_text(all)
    )
}

/// A time as people tell it: `40 s`, `12 min`, `3 h 20 min`.
fn time_text(time: Duration) -> String {
    let seconds = time.as_secs() + u64::from(time.subsec_nanos() > 0);
    match seconds {
        0..=99 => format!("{seconds} s"),
        100..=5999 => format!("{} min", seconds.div_ceil(60)),
        _ => {
            let minutes = seconds.div_ceil(60);
            format!("{} h {} min", minutes / 60, minutes % 60)
        }
    }
}

/// A size as people tell it: `800 MB`, `1.3 GB`.
fn size_text(bytes: u64) -> String {
    let megabytes = bytes as f64 / 1e6;
    if megabytes < 1000.0 {
        format!("{} MB", megabytes.ceil())
    } else {
        format!("{:.1} GB", megabytes / 1e3)
    }
}

/// Bytes free on the disk of a folder, or of the nearest one above it that is there.
#[cfg(unix)]
fn free_bytes(out: &Path) -> Option<u64> {
    let here = std::path::absolute(out).ok()?;
    let stat = here
        .ancestors()
        .find_map(|folder| rustix::fs::statvfs(folder).ok())?;
    Some(stat.f_bavail.saturating_mul(stat.f_frsize))
}

#[cfg(not(unix))]
fn free_bytes(_: &Path) -> Option<u64> {
    None
}

#[cfg(test)]
mod tests {
    use super::{size_text, time_text};
    use std::time::Duration;

    #[test]
    fn times_and_sizes_are_rounded_up_and_short() {
        for (ms, words) in [
            (1, "1 s"),
            (99_000, "99 s"),
            (100_000, "2 min"),
            (12_000_000, "3 h 20 min"),
        ] {
            assert_eq!(time_text(Duration::from_millis(ms)), words);
        }
        assert_eq!(size_text(1), "1 MB");
        assert_eq!(size_text(1_340_000_000), "1.3 GB");
    }
}
