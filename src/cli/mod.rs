//! What the user types and what the user sees. Everything is printed from here; the library prints
//! nothing.
//!
//! Standard output carries the data that was asked for, standard error everything for the eye. Exit
//! status: 0 all photos read, 1 some photo failed, 2 wrong use or settings, 130 stopped by a signal.

mod beside;
mod chronology;
mod console;
mod convert;
mod count;
mod demo;
mod double_check;
mod expected;
mod gather;
mod growth;
mod loaded;
mod merge;
mod reading_process;
mod report;
mod schema;
mod specimens;
mod values;

use clap::{Parser, Subcommand};
use console::Console;
use endgrain::error::Error;
use std::process::ExitCode;

/// All that was asked for was done.
const DONE: u8 = 0;
/// Some photo, or some output, failed.
const SOME_FAILED: u8 = 1;
/// Wrong use, or settings that make no sense.
const WRONG_USE: u8 = 2;
/// Stopped by a signal before the last photo: 128 and the number of SIGINT, as shells have it.
const STOPPED: u8 = 130;

#[cfg(feature = "heic")]
const VERSION: &str = concat!(env!("CARGO_PKG_VERSION"), " (reads HEIC)");
#[cfg(not(feature = "heic"))]
const VERSION: &str = concat!(env!("CARGO_PKG_VERSION"), " (without HEIC)");

const EXAMPLES: &str = "\
Examples:
  endgrain count yard/ --out readings
  endgrain double-check log-7.jpg --total 97

Check the overlay before you rely on a count: a grader or an arborist decides.
Block logs before you step up; keep clear of saws; wear a mask where you sand.
Exit status: 0 all done, 1 something failed, 2 wrong use, 130 stopped.";

/// Counts and measures the annual rings in photos of end grain: log ends, stumps,
/// discs. Finds the pith, follows each ring boundary round it, and gives the age
/// with a band, the ring widths, and an overlay to check the count on.
#[derive(Debug, Parser)]
#[command(name = "endgrain", version = VERSION, verbatim_doc_comment, after_help = EXAMPLES)]
#[command(disable_help_subcommand = true, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Count(Box<count::Args>),
    DoubleCheck(Box<double_check::Args>),
    Growth(growth::Args),
    Report(report::Args),
    Specimens(specimens::Args),
    Gather(gather::Args),
    Convert(convert::Args),
    Chronology(chronology::Args),
    Merge(merge::Args),
    Demo(demo::Args),
    Schema(schema::Args),
    #[command(hide = true, name = reading_process::NAME)]
    ReadingProcess,
}

/// Parses the arguments, does what they say, and gives the exit status.
pub(crate) fn run() -> ExitCode {
    std::panic::set_hook(Box::new(|panic| {
        // Panics in a photo's work are caught and told as its failure; the place is for the report.
        Console::new().say(&format!("a fault in endgrain itself: {panic}"));
    }));
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(told) => {
            // Help goes to standard output; that nobody reads it to its end is no failure.
            let _ = told.print();
            return u8::try_from(told.exit_code()).unwrap_or(WRONG_USE).into();
        }
    };
    let mut console = Console::new();
    let status = match cli.command {
        Command::Count(args) => count::run(&args, &mut console),
        Command::DoubleCheck(args) => double_check::run(&args, &mut console),
        Command::Growth(args) => growth::run(&args, &mut console),
        Command::Report(args) => report::run(&args, &mut console),
        Command::Specimens(args) => specimens::run(&args, &mut console),
        Command::Gather(args) => gather::run(&args, &mut console),
        Command::Convert(args) => convert::run(&args, &mut console),
        Command::Chronology(args) => chronology::run(&args, &mut console),
        Command::Merge(args) => merge::run(&args, &mut console),
        Command::Demo(args) => demo::run(&args, &mut console),
        Command::Schema(args) => schema::run(&args, &mut console),
        Command::ReadingProcess => reading_process::serve(),
    };
    let status = status.unwrap_or_else(|error| {
        console.complain(&error);
        match error {
            Error::Setting { .. } => WRONG_USE,
            _ => SOME_FAILED,
        }
    });
    match console.lost_output() {
        Some(lost) if status == DONE => {
            console.say(&format!("standard output: can't be written: {lost}"));
            SOME_FAILED.into()
        }
        _ => status.into(),
    }
}

#[cfg(test)]
mod tests {
    use super::Cli;
    use clap::{CommandFactory, Parser};

    #[test]
    fn the_definition_holds_together() {
        Cli::command().debug_assert();
    }

    #[test]
    fn the_programs_help_fits_a_screen() {
        // As --help prints it; the renderer alone doesn't know that nothing has a longer text.
        let help = Cli::try_parse_from(["endgrain", "--help"])
            .unwrap_err()
            .to_string();
        let lines = help.lines().count();
        assert!((20..=30).contains(&lines), "{lines} lines");
        assert!(help.lines().all(|line| line.chars().count() <= 80));
    }
}
