//! Lines of a text from anywhere: any line ends, any encoding, never longer than a line may be.

use std::io::{self, BufRead, Read};

/// Longest line that is taken for one, bytes as UTF-8, so that what was read can be written. Lines of series have 80; a longer one is no such file,
/// and a file without line ends must not be taken into memory whole.
pub(super) const LONGEST: usize = 1000;

/// One line.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Line {
    /// From 1.
    pub(super) number: u64,
    /// The line without its end (LF, CR LF, CR CR LF); bytes that are no UTF-8 read as Latin-1, so
    /// that columns stay columns. `None`: longer than [`LONGEST`].
    pub(super) text: Option<String>,
}

/// Lines one after the other.
#[derive(Debug)]
pub(super) struct Lines<R> {
    input: R,
    number: u64,
}

impl<R: BufRead> Lines<R> {
    pub(super) fn new(input: R) -> Self {
        Lines { input, number: 0 }
    }

    /// The next line; none at the end.
    pub(super) fn next(&mut self) -> io::Result<Option<Line>> {
        let mut bytes = Vec::new();
        let limit = LONGEST as u64 + 4;
        self.input
            .by_ref()
            .take(limit)
            .read_until(b'\n', &mut bytes)?;
        if bytes.is_empty() {
            return Ok(None);
        }
        self.number += 1;
        if self.number == 1 && bytes.starts_with(b"\xef\xbb\xbf") {
            bytes.drain(..3);
        }
        let ended = bytes.last() == Some(&b'\n');
        while matches!(bytes.last(), Some(b'\n' | b'\r')) {
            bytes.pop();
        }
        let text = (bytes.len() <= LONGEST && (ended || bytes.len() < LONGEST)).then(|| {
            String::from_utf8(bytes).unwrap_or_else(|fault| {
                let bytes = fault.into_bytes();
                bytes.into_iter().map(char::from).collect()
            })
        });
        let text = text.filter(|text: &String| text.len() <= LONGEST);
        Ok(Some(Line {
            number: self.number,
            text,
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(bytes: &[u8]) -> Vec<Option<String>> {
        let mut lines = Lines::new(bytes);
        let mut out = Vec::new();
        while let Some(line) = lines.next().unwrap() {
            assert_eq!(line.number, out.len() as u64 + 1);
            out.push(line.text);
        }
        out
    }

    #[test]
    fn all_line_ends_are_line_ends_and_latin_1_keeps_its_columns() {
        let lines = read(b"\xef\xbb\xbfa\nb\r\nc\r\r\n\nd\xfce\r");
        let want = ["a", "b", "c", "", "d\u{fc}e"].map(|s| Some(s.to_owned()));
        assert_eq!(lines, want);
    }

    /// From fuzzing: a header line of 600 bytes of Latin-1 was read, written as 1200 bytes of UTF-8 and
    /// then refused.
    #[test]
    fn a_line_that_is_read_is_not_too_long_once_it_is_written() {
        for (bytes, is_taken) in [(500, true), (501, false)] {
            let mut line = vec![0xfc; bytes];
            line.push(b'\n');
            let taken = read(&line).remove(0);
            assert_eq!(taken.is_some(), is_taken, "{bytes}");
            if let Some(text) = taken {
                assert_eq!(read(format!("{text}\n").as_bytes()), [Some(text)]);
            }
        }
    }

    #[test]
    fn a_file_without_line_ends_is_not_taken_whole() {
        let lines = read(&vec![b'7'; 5000]);
        assert_eq!(lines[0], None);
        assert!(lines.len() > 4);
    }
}
