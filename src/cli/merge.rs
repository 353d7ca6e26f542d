//! `endgrain merge`.

use super::DONE;
use super::console::{Console, printable};
use endgrain::batch;
use endgrain::error::Error;
use std::path::PathBuf;

const EXAMPLES: &str = "\
Examples:
  endgrain count yard/ --out readings --part 1/2
  endgrain count yard/ --out readings --part 2/2
  endgrain merge readings --out readings

Exit status: 0 merged, 1 the parts don't make a whole: nothing is written, and what is said tells
which part to run again.";

/// Make one run of the parts that several machines read
///
/// Joins the ages.csv and widths.csv of all parts, in the order that one run would have: the same
/// bytes. Checks that no part is missing, none doubled, none stopped half way, and that all were made
/// by the same version with the same options of the same photos.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// Folders that parts were written to
    #[arg(required = true, value_name = "DIR")]
    parts: Vec<PathBuf>,

    /// Folder to write the tables to; made if it isn't there
    #[arg(short, long, value_name = "DIR")]
    out: PathBuf,

    /// Print nothing but failures
    #[arg(short, long)]
    quiet: bool,
}

pub(super) fn run(args: &Args, console: &mut Console) -> Result<u8, Error> {
    let merged = batch::merge(&args.parts, &args.out)?;
    if !args.quiet {
        let refused = match merged.refused {
            0 => String::new(),
            n => format!(", {n} of them failed"),
        };
        console.say(&format!(
            "{} parts, {} photos{refused}; ages.csv and widths.csv in {}",
            merged.parts,
            merged.photos,
            printable(&args.out.to_string_lossy())
        ));
    }
    Ok(DONE)
}
