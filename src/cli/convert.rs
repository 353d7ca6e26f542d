//! `endgrain convert`.

use super::console::Console;
use super::{DONE, SOME_FAILED};
use clap::ValueEnum;
use endgrain::batch::WholeFile;
use endgrain::error::Error;
use endgrain::formats::{self, Format, SeriesSet, Step};
use std::path::PathBuf;

const EXAMPLES: &str = "\
Examples:
  endgrain convert site.rwl --to tidy --out site.csv
  endgrain convert dataset/ring-widths.xml --to decadal --step 0.01 --out yard.rwl

The format of a file is told by its content. A width of 9.99 mm, and a gap that would hide the end
of a series, can't be written in 0.01 mm: such a series is written in 0.001 mm.
Exit status: 0 all done, 1 something failed, 2 wrong use.";

/// Turn ring-width files into one another: decadal text, XML, CSV
///
/// Reads decadal ring-width text of the International Tree-Ring Data Bank (.rwl), the Tree-Ring Data
/// Standard 1.2.2 (XML) and tidy CSV with a row a year, and writes all series of the files given into
/// one. A file with a fault is told with its lines and left out.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// Files of ring-width series
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,

    /// Format to write
    #[arg(long, value_name = "FORMAT")]
    to: To,

    /// File to write
    #[arg(short, long, value_name = "FILE")]
    out: PathBuf,

    /// Step of the widths in decadal text and XML, mm [default: as each series has it]
    #[arg(long, value_name = "MM")]
    step: Option<StepGiven>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum To {
    /// Decadal ring-width text of the International Tree-Ring Data Bank
    Decadal,
    /// Tree-Ring Data Standard 1.2.2
    Xml,
    /// CSV with a row a series and year
    Tidy,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum StepGiven {
    /// Hundredths of a millimetre
    #[value(name = "0.01")]
    Hundredth,
    /// Thousandths of a millimetre
    #[value(name = "0.001")]
    Thousandth,
}

pub(super) fn run(args: &Args, console: &mut Console) -> Result<u8, Error> {
    let mut all: Option<SeriesSet> = None;
    let mut failed = 0;
    for path in &args.files {
        match formats::load(path) {
            Ok((_, set)) => {
                for (line, words) in &set.remarks {
                    console.say(&format!("{}, line {line}: {words}", path.display()));
                }
                match &mut all {
                    None => all = Some(set),
                    Some(all) => {
                        // Titles and headers of several files contradict each other.
                        all.title.clear();
                        all.header.clear();
                        all.series.extend(set.series);
                    }
                }
            }
            Err(faults) => {
                failed += 1;
                for fault in &faults {
                    console.complain(fault);
                }
            }
        }
    }
    let Some(set) = all else {
        console.say("nothing was written");
        return Ok(SOME_FAILED);
    };
    let format = match args.to {
        To::Decadal => Format::Decadal,
        To::Xml => Format::Tridas,
        To::Tidy => Format::Tidy,
    };
    let step = args.step.map(|step| match step {
        StepGiven::Hundredth => Step::Hundredth,
        StepGiven::Thousandth => Step::Thousandth,
    });
    let mut file = WholeFile::create(&args.out)?;
    let remarks = formats::write(&mut file, format, &set, step).map_err(|source| {
        if source.kind() == std::io::ErrorKind::InvalidInput {
            Error::BadData {
                path: args.out.clone(),
                line: None,
                what: source.to_string(),
                way_out: "write another format".into(),
            }
        } else {
            Error::Unwritable {
                path: args.out.clone(),
                source,
            }
        }
    })?;
    file.finish()?;
    for remark in remarks {
        console.say(&remark);
    }
    let (series, files) = (set.series.len(), args.files.len() - failed);
    let values: usize = set.series.iter().map(|m| m.series.widths_mm.len()).sum();
    console.say(&format!(
        "{series} series, {values} years, from {files} of {} files in {}",
        args.files.len(),
        args.out.display()
    ));
    Ok(if failed == 0 { DONE } else { SOME_FAILED })
}
