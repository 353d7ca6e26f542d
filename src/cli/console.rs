//! Printing: data to standard output, words to standard error, and what to do when nobody listens.

use endgrain::error::Error;
use indicatif::{ProgressBar, ProgressStyle};
use std::io::{self, ErrorKind, Write};

/// Both streams, with a progress bar that must not be torn.
pub(super) struct Console {
    bar: ProgressBar,
    /// The bar's look from the first step on.
    timed: Option<ProgressStyle>,
    is_closed: bool,
    lost: Option<io::Error>,
}

impl Console {
    pub(super) fn new() -> Self {
        Console {
            bar: ProgressBar::hidden(),
            timed: None,
            is_closed: false,
            lost: None,
        }
    }

    /// Shows a bar of so many steps; nothing of it where standard error is no terminal. The time left
    /// is told from the first step on: before it there is nothing to tell it by.
    pub(super) fn begin(&mut self, steps: usize, unit: &str) {
        self.bar = ProgressBar::new(steps as u64).with_style(style(unit, ""));
        self.timed = Some(style(unit, ", {eta} left"));
        self.bar.tick();
    }

    pub(super) fn step(&mut self) {
        if let Some(timed) = self.timed.take() {
            self.bar.set_style(timed);
        }
        self.bar.inc(1);
    }

    /// Takes the bar away.
    pub(super) fn end(&mut self) {
        self.bar.finish_and_clear();
        self.bar = ProgressBar::hidden();
    }

    /// Prints data. Once the reader has closed the pipe (`| head`), nothing more is printed and
    /// nothing is said about it: the files are still written.
    pub(super) fn print(&mut self, data: &str) {
        if self.is_closed || self.lost.is_some() {
            return;
        }
        let written = self.bar.suspend(|| {
            let mut out = io::stdout().lock();
            out.write_all(data.as_bytes()).and_then(|()| out.flush())
        });
        match written {
            Err(error) if error.kind() == ErrorKind::BrokenPipe => self.is_closed = true,
            Err(error) => self.lost = Some(error),
            Ok(()) => {}
        }
    }

    /// Prints a line for the eye, without control signs: a file's name can hold any.
    pub(super) fn say(&self, words: &str) {
        self.bar.suspend(|| {
            // If standard error is gone there is nobody left to tell.
            let _ = writeln!(io::stderr().lock(), "endgrain: {}", printable(words));
        });
    }

    /// Prints an error with its causes.
    pub(super) fn complain(&self, error: &Error) {
        self.say(&error.told());
    }

    /// What kept the data from being printed, other than a reader that had enough.
    pub(super) fn lost_output(&self) -> Option<&io::Error> {
        self.lost.as_ref()
    }
}

fn style(unit: &str, rest: &str) -> ProgressStyle {
    ProgressStyle::with_template(&format!("{{bar:30}} {{pos}} of {{len}} {unit}{rest}"))
        .unwrap_or_else(|_| ProgressStyle::default_bar())
}

/// The text without signs that could drive a terminal.
pub(super) fn printable(text: &str) -> String {
    text.chars()
        .map(|sign| if sign.is_control() { '\u{fffd}' } else { sign })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::printable;

    #[test]
    fn names_cant_drive_a_terminal() {
        assert_eq!(
            printable("log\u{1b}[31m\n.jpg"),
            "log\u{fffd}[31m\u{fffd}.jpg"
        );
        assert_eq!(printable("bûche-7 ø.jpg"), "bûche-7 ø.jpg");
    }
}
