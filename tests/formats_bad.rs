//! Files of ring-width series that are none: each is told with its file, line and what was expected.

use endgrain::error::Error;
use endgrain::formats::{Format, MOST_FAULTS, decadal, tidy, tridas};
use std::path::Path;

fn faults(bytes: &[u8]) -> Vec<String> {
    let faults = decadal::parse(bytes, Path::new("site.rwl")).unwrap_err();
    faults.iter().map(Error::to_string).collect()
}

#[test]
fn a_malformed_file_gives_file_line_and_what_was_expected() {
    for (text, words) in [
        (
            "DEMO01A 1967   123   9x8   105   999\n",
            "site.rwl, line 1: \"   9x8\" in columns 19 to 24; expected a width as a whole number",
        ),
        (
            "DEMO01A 1967   123    98   105\nDEMO01A 1960   110   999\n",
            "site.rwl, line 2: the year runs backwards to 1960 in the series DEMO01A; expected the year 1970",
        ),
        (
            "DEMO01A 1967   123    98   105\nDEMO01A 1980   110   999\n",
            "line 2: the year jumps to 1980 in the series DEMO01A; expected the year 1970",
        ),
        (
            "DEMO01A 1967   123    98   105\nDEMO02A 1960   110   999\n",
            "line 1: the series DEMO01A that begins here has no end mark; expected 999 (widths in 0.01 mm) or -9999",
        ),
        (
            "DEMO01A 1967   123    98   105\n",
            "line 1: the series DEMO01A that begins here has no end mark",
        ),
        (
            "DEMO01A 1967   123    98   105   110   999\n",
            "line 1: 4 widths from the year 1967; expected at most 3",
        ),
        (
            "DEMO01A 1967 123   98  105   999\n",
            "expected a width as a whole number that ends in the last of these columns",
        ),
        (
            "DEMO01A 1967   123    98   105\nDEMO01A 1970   999\nDEMO01A 1980   110 -9999\n",
            "line 3: the series DEMO01A has parts in 0.01 mm and in 0.001 mm",
        ),
        (
            "DEMO01A 1967   123 -9999   105   999\n",
            "line 1: numbers behind the end mark -9999",
        ),
        (
            "DEMO01A 1967   123         105   999\n",
            "an empty place in columns 19 to 24",
        ),
        (
            "DEMO01A\t1967\t123\t999\n",
            "line 1: a tab in column 8; expected blanks",
        ),
        (
            "DEMO01A 19a7   123   999\n",
            "line 1: \"19a7\" in columns 9 to 12; expected the year",
        ),
        (
            "        1967   123   999\n",
            "line 1: no name in columns 1 to 8",
        ),
        (
            "DEMO01A 1967   999\n",
            "line 1: an end mark without a width",
        ),
        (
            "DEMO01A 1967   123    98   999\nDEMO01A 1968   110   999\n",
            "line 2: two parts of the series DEMO01A meet in the year 1968",
        ),
        (
            "",
            "site.rwl: no series in it; expected decadal ring-width text",
        ),
    ] {
        let told = faults(text.as_bytes());
        assert!(told[0].contains(words), "{:?}\nwanted {words}", told);
    }
    // Every fault is told, with a limit.
    let many = "DEMO01A 1967   123   9x8   999\n".repeat(100);
    assert_eq!(
        faults(format!("A1      1960    12   999\n{many}").as_bytes()).len(),
        MOST_FAULTS
    );
}

/// 200 MB of garbage: told fast, and not taken into memory.
#[test]
fn garbage_without_end_is_refused_at_once() {
    struct Garbage(u64, u8);
    impl std::io::Read for Garbage {
        fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
            let many = into.len().min(usize::try_from(self.0).unwrap());
            for (i, byte) in into[..many].iter_mut().enumerate() {
                *byte = match self.1 {
                    0 => b'7',
                    1 => [b'<', b'q', b' '][i % 3],
                    _ => (i * 31 % 251) as u8,
                };
            }
            self.0 -= many as u64;
            Ok(many)
        }
    }
    for kind in 0..3 {
        for format in [Format::Decadal, Format::Tridas, Format::Tidy] {
            let input = std::io::BufReader::new(Garbage(200_000_000, kind));
            let path = Path::new("garbage");
            let began = std::time::Instant::now();
            let told = match format {
                Format::Decadal => decadal::parse(input, path),
                Format::Tridas => tridas::parse(input, path),
                Format::Tidy => tidy::parse(input, path),
            }
            .unwrap_err();
            assert!(told.len() <= MOST_FAULTS);
            assert!(told[0].to_string().starts_with("garbage"), "{told:?}");
            assert!(began.elapsed().as_secs() < 20, "{kind} {format:?}");
        }
    }
}

#[test]
fn a_faulty_table_is_told_with_its_lines() {
    for (text, words) in [
        (
            "a,b\n1,2\n",
            "line 1: no table of ring widths; expected a column width_mm, or width_px",
        ),
        (
            "year,width_mm\n1,2\n",
            "expected a column series, or specimen",
        ),
        (
            "specimen,width_mm\n1,2\n",
            "expected a column year, or ring",
        ),
        (
            "series,year,width_mm\nA,1990,1.2\nA,1990,1.3\n",
            "line 3: the series A has the year or ring 1990 twice; expected it once; it is also in line 2",
        ),
        (
            "series,year,width_mm\nA,1990,\"1,2\"\n",
            "line 2: \"1,2\" for a width",
        ),
        (
            "series,year,width_mm\nA,1990,-1\n",
            "line 2: \"-1\" for a width",
        ),
        (
            "series,year,width_mm\nA,19x0,1\n",
            "line 2: \"19x0\" for a year",
        ),
        (
            "series,year,width_mm\nA,1990\n",
            "line 2: 2 cells; expected 3",
        ),
        (
            "series,year,width_mm\n,1990,1\n",
            "line 2: no name of a series",
        ),
        (
            "series,year,width_mm\nA,1,1\nA,999999,1\n",
            "the series A reaches to the year 999999",
        ),
        (
            "series,ring,year,width_mm\nA,1,1990,1\nA,2,,1\n",
            "line 3: the series A has rows with and without a year",
        ),
        ("series,year,width_mm\n", "no row in it"),
    ] {
        let faults = tidy::parse(text.as_bytes(), Path::new("t.csv")).unwrap_err();
        let told = faults[0].to_string();
        assert!(told.contains(words), "{told}");
    }
    let latin = b"series,year,width_mm\n\xfc,1990,1\n";
    let faults = tidy::parse(&latin[..], Path::new("t.csv")).unwrap_err();
    assert!(
        faults[0]
            .to_string()
            .contains("line 2: signs that are no UTF-8"),
        "{faults:?}"
    );
}
