//! `endgrain gather`.

use super::console::Console;
use super::{DONE, SOME_FAILED, WRONG_USE};
use endgrain::dataset::{self, Order};
use endgrain::error::Error;
use std::path::PathBuf;

const EXAMPLES: &str = "\
Examples:
  endgrain gather readings/ --out dataset
  endgrain gather june/ july/ --out dataset --sheet yard-sheet.csv
  endgrain gather --out dataset        after a change of its sheet.csv or corrections.csv

Widths in mm need a scale, years the last ring: from the sheet or from the readings.
Look at the overlays before you rely on the widths; rings read from one photo are not cross-dated.
Exit status: 0 all done, 1 something failed, 2 wrong use.";

/// Remarks that are printed one by one.
const MOST_REMARKS: usize = 20;

/// Gather readings into one ring-width dataset for others to use
///
/// The folder gets rings.csv (a row a ring, radius and specimen), specimens.csv, series.csv, means.csv
/// and the same as Parquet, decadal ring-width text (.rwl), Tree-Ring Data Standard XML, the readings
/// as JSON lines, and datapackage.json, which describes every column. Add readings as often as you
/// like: the same ones change nothing, another reading of a photo takes the place of the first. Put
/// corrections into its corrections.csv; they are kept.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// Readings (.rings.json), folders of them, JSON lines (.jsonl), other datasets
    #[arg(value_name = "READINGS")]
    readings: Vec<PathBuf>,

    /// Folder of the dataset; made if it isn't there
    #[arg(short, long, value_name = "DIR")]
    out: PathBuf,

    /// Sheet of specimens; its rows replace those that the dataset has for these photos
    #[arg(long, value_name = "FILE")]
    sheet: Option<PathBuf>,

    /// Radii at even azimuths, for discs whose row asks for none [default: as before, at first 16]
    #[arg(long, value_name = "N")]
    radii: Option<usize>,

    /// Title of the dataset [default: as before, at first "Ring widths"]
    #[arg(long, value_name = "TEXT")]
    title: Option<String>,

    /// Take newer readings also of specimens that were corrected by hand; their corrections then rest
    #[arg(long)]
    replace_corrected: bool,

    /// Write tables anew that somebody has changed since they were written
    #[arg(long)]
    discard_edits: bool,

    /// Print nothing but failures
    #[arg(short, long)]
    quiet: bool,
}

pub(super) fn run(args: &Args, console: &mut Console) -> Result<u8, Error> {
    let order = Order {
        readings: args.readings.clone(),
        sheet: args.sheet.clone(),
        radii: args.radii,
        title: args.title.clone(),
        replace_corrected: args.replace_corrected,
        discard_edits: args.discard_edits,
    };
    let gathered = match dataset::gather(&args.out, &order) {
        Ok(gathered) => gathered,
        Err(faults) => {
            let is_wrong_use = faults.iter().all(|f| matches!(f, Error::Setting { .. }));
            for fault in &faults {
                console.complain(fault);
            }
            console.say("nothing was changed");
            return Ok(if is_wrong_use { WRONG_USE } else { SOME_FAILED });
        }
    };
    for error in &gathered.refused {
        console.complain(error);
    }
    if !args.quiet {
        for remark in gathered.remarks.iter().take(MOST_REMARKS) {
            console.say(remark);
        }
        if gathered.remarks.len() > MOST_REMARKS {
            let more = gathered.remarks.len() - MOST_REMARKS;
            console.say(&format!("and {more} more remarks like these"));
        }
        console.say(&summary(&gathered, &args.out.to_string_lossy()));
    }
    Ok(if gathered.refused.is_empty() {
        DONE
    } else {
        SOME_FAILED
    })
}

fn summary(gathered: &dataset::Gathered, out: &str) -> String {
    let mut words = format!(
        "readings: {} new, {} replaced, {} there already",
        gathered.added, gathered.replaced, gathered.unchanged
    );
    for (count, what) in [
        (gathered.held_back, "held back"),
        (gathered.refused.len(), "refused"),
    ] {
        if count > 0 {
            words.push_str(&format!(", {count} {what}"));
        }
    }
    if gathered.is_written {
        format!(
            "{words}; {} specimens, {} rows of rings in {out}",
            gathered.specimens, gathered.rows
        )
    } else {
        format!("{words}; {out} is as it was")
    }
}
