//! `endgrain demo`.

use super::console::{Console, printable};
use super::{DONE, WRONG_USE};
use clap::builder::PossibleValuesParser;
use endgrain::demo::{self, Order, Suite};
use endgrain::error::Error;
use std::path::PathBuf;

const EXAMPLES: &str = "\
Examples:
  endgrain demo practice
  endgrain demo practice --count 30 --seed 7 --kind tight --kind checks
  endgrain count practice --out readings

Count by eye first, then look into the .json beside the photo.";

/// Make practice discs with known rings
///
/// Grows discs year by year and photographs them: off-centre piths, checks, saw marks, stain, bark.
/// Each photo NAME.jpg has its truth beside it, NAME.json. The same seed gives the same photos.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// Folder to write them to; made if it isn't there
    #[arg(value_name = "DIR")]
    folder: PathBuf,

    /// How many photos
    #[arg(long, value_name = "N", default_value_t = 10, value_parser = clap::value_parser!(u64).range(1..))]
    count: u64,

    /// Seed of the set
    #[arg(long, value_name = "SEED", default_value_t = 1)]
    seed: u64,

    /// Kind of photo, by its main trouble; may be given again [default: all that have rings, in turn]
    #[arg(long, value_name = "KIND", value_parser = PossibleValuesParser::new(Suite::ALL.map(Suite::name)))]
    kind: Vec<String>,

    /// Size of each photo [default: as drawn, 2 to 6 megapixels]
    #[arg(long, value_name = "MP")]
    megapixels: Option<f64>,

    /// Print nothing but failures
    #[arg(short, long)]
    quiet: bool,
}

pub(super) fn run(args: &Args, console: &mut Console) -> Result<u8, Error> {
    // 0.01: a picture of 100 by 100 px; 400: what a JPEG's sides can hold.
    if let Some(size) = args.megapixels
        && !(0.01..=400.0).contains(&size)
    {
        console.say("no photo has that size; give --megapixels a number from 0.01 to 400");
        return Ok(WRONG_USE);
    }
    let suites: Vec<Suite> = if args.kind.is_empty() {
        Suite::with_rings().collect()
    } else {
        args.kind
            .iter()
            .filter_map(|name| Suite::of_name(name))
            .collect()
    };
    let order = Order {
        count: args.count,
        seed: args.seed,
        suites,
        megapixels: args.megapixels,
    };
    console.begin(usize::try_from(order.count).unwrap_or(usize::MAX), "photos");
    let written = demo::write(&args.folder, &order, |written| {
        if !args.quiet {
            console.print(&format!(
                "{}\n",
                printable(&written.photo.to_string_lossy())
            ));
        }
        console.step();
    });
    console.end();
    let written = written?;
    if !args.quiet {
        console.say(&format!(
            "{} practice photos in {}; the rings of each are in the .json beside it",
            written.len(),
            args.folder.display()
        ));
    }
    Ok(DONE)
}
