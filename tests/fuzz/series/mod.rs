//! What must hold of any file of series, shared by the three formats' targets.

use endgrain::error::Error;
use endgrain::formats::{self, Format, MOST_FAULTS, SeriesSet, decadal, tidy, tridas};
use std::io::ErrorKind;
use std::path::Path;

/// Widths beyond which a file is not written again: a short file may span 100,000 years, and writing
/// those tries nothing new.
const MOST_WIDTHS: usize = 5_000;

/// Steps in a millimetre of the format that rounds finest, and half of one of them.
const HALF_A_STEP_MM: f64 = 0.0005;

/// Reads bytes as a format; where that succeeds, writes the series in all formats and reads them back.
pub fn check(
    bytes: &[u8],
    format: Format,
    parse: impl Fn(&[u8], &Path) -> Result<SeriesSet, Vec<Error>>,
) {
    let path = Path::new("site.txt");
    let set = match parse(bytes, path) {
        Ok(set) => set,
        Err(faults) => {
            // What the disk says is told on top.
            assert!((1..=MOST_FAULTS + 1).contains(&faults.len()));
            for fault in faults {
                assert!(fault.to_string().starts_with("site.txt"), "{fault}");
            }
            return;
        }
    };
    for measured in &set.series {
        let mut widths = measured.series.widths_mm.iter().flatten();
        assert!(widths.all(|w| w.is_finite() && *w >= 0.0));
    }
    let set = set.trimmed();
    if set.series.iter().map(|m| m.series.widths_mm.len()).sum::<usize>() > MOST_WIDTHS {
        return;
    }
    for other in [Format::Decadal, Format::Tridas, Format::Tidy] {
        let mut written = Vec::new();
        match formats::write(&mut written, other, &set, None) {
            Ok(_) => {}
            Err(refused) if refused.kind() == ErrorKind::InvalidInput => continue,
            Err(refused) => panic!("{refused}"),
        }
        if set.series.is_empty() {
            continue;
        }
        let again = match other {
            Format::Decadal => decadal::parse(written.as_slice(), path),
            Format::Tridas => tridas::parse(written.as_slice(), path),
            Format::Tidy => tidy::parse(written.as_slice(), path),
        };
        let again = again.unwrap_or_else(|faults| {
            panic!("{format:?} as {other:?}: {faults:?}\n{}", String::from_utf8_lossy(&written))
        });
        same(&set, &again.trimmed(), other);
    }
}

/// Whether both sets have the same series, as far as the format keeps them.
fn same(set: &SeriesSet, again: &SeriesSet, format: Format) {
    let flat = |set: &SeriesSet| -> Vec<(i32, Vec<Option<f64>>)> {
        let series = set.series.iter().map(|m| &m.series);
        series.map(|s| (s.first_year, s.widths_mm.clone())).collect()
    };
    let (before, after) = (flat(set), flat(again));
    assert_eq!(before.len(), after.len(), "{format:?}");
    for ((year, widths), (year_again, widths_again)) in before.iter().zip(&after) {
        assert_eq!(year, year_again, "{format:?}");
        assert_eq!(widths.len(), widths_again.len(), "{format:?}");
        for (a, b) in widths.iter().zip(widths_again) {
            let is_same = match (a, b) {
                (None, None) => true,
                // Whole steps of a number that a file may make as large as it likes; a ring that is there has
                // at least one, however narrow.
                (Some(a), Some(b)) => {
                    let nearest = if *a > 0.0 { a.max(2.0 * HALF_A_STEP_MM) } else { *a };
                    (nearest - b).abs() <= HALF_A_STEP_MM + 1e-9 * a.abs()
                }
                _ => false,
            };
            assert!(is_same, "{format:?}: {a:?} and {b:?}");
        }
    }
}
