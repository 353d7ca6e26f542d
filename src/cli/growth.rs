//! `endgrain growth`.

use super::beside::BesideArgs;
use super::console::{Console, printable};
use super::loaded::{discs, load, with_ending, write};
use super::{DONE, SOME_FAILED, WRONG_USE};
use endgrain::error::Error;
use endgrain::growth::table::{
    CorrelationWriter, GrowthWriter, LinesWriter, SapwoodWriter, pointer_years_csv,
};
use endgrain::growth::{self, Rules, pointer};
use endgrain::settings::LengthUnit;
use std::path::PathBuf;

const EXAMPLES: &str = "\
Examples:
  endgrain growth readings --out growth
  endgrain growth readings/log-7.rings.json --out growth --mark-every 5

Exit status: 0 all readings done, 1 some failed, 2 wrong use.";

/// Write the growth record of readings as tables
///
/// Takes readings (.rings.json) as endgrain count writes them and writes growth.csv (a row a ring:
/// width, radius, diameter, basal area increment, local trend, growth change), for each disc its
/// .growth.json (also sizes at ages, ages at sizes, decades, spells, releases and suppressions,
/// shape), grading-lines.csv (rings per inch of conifers with a scale), pointer-years.csv where at
/// least three discs share dated years, with --photos sapwood.csv and with --weather
/// weather-correlations.csv. Lengths are px, and mm where the reading has a scale.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// Readings (.rings.json) and folders of readings
    #[arg(required = true, value_name = "READING")]
    readings: Vec<PathBuf>,

    /// Folder to write to; made if it isn't there
    #[arg(short, long, value_name = "DIR")]
    out: PathBuf,

    /// Sizes are told at every so many rings: 5, 10, 15 or 20
    #[arg(long, value_name = "RINGS", default_value_t = 10)]
    mark_every: u32,

    #[command(flatten)]
    beside: BesideArgs,

    /// Print nothing but failures
    #[arg(short, long)]
    quiet: bool,
}

/// The rules with the marks asked for.
pub(super) fn rules(mark_every: u32, unit: LengthUnit) -> Result<Rules, Error> {
    if !matches!(mark_every, 5 | 10 | 15 | 20) {
        return Err(Error::Setting {
            what: format!(
                "a mark every {mark_every} rings is not offered; give --mark-every 5, 10, 15 or 20"
            ),
        });
    }
    Ok(Rules {
        mark_every,
        unit,
        ..Rules::default()
    })
}

pub(super) fn run(args: &Args, console: &mut Console) -> Result<u8, Error> {
    let rules = rules(args.mark_every, LengthUnit::Mm)?;
    let weather = args.beside.weather(console)?;
    let (loaded, mut failed) = load(&args.readings, &args.out, console)?;
    if loaded.is_empty() {
        console.say("no reading found; name files ending in .rings.json, or a folder that holds some, as endgrain count writes them");
        return Ok(WRONG_USE);
    }
    let fault = |source| Error::Unwritable {
        path: args.out.join("growth.csv"),
        source,
    };
    let mut table = GrowthWriter::new(Vec::new()).map_err(fault)?;
    let mut sapwood = SapwoodWriter::new(Vec::new()).map_err(fault)?;
    let mut correlations = CorrelationWriter::new(Vec::new()).map_err(fault)?;
    let mut lines = LinesWriter::new(Vec::new()).map_err(fault)?;
    let mut has_lines = false;
    let mut records = Vec::new();
    for disc in &loaded {
        let Ok(reading) = &disc.reading else {
            failed += 1;
            continue;
        };
        let record = growth::record(reading, &rules);
        table
            .add(&disc.path.to_string_lossy(), &record)
            .map_err(fault)?;
        let path = disc.path.to_string_lossy();
        let found = args
            .beside
            .found(weather.as_ref(), reading, &record, console);
        if let Some(heart) = &found.heartwood {
            sapwood.add(&path, heart.as_ref()).map_err(fault)?;
        }
        if let Some(found) = &found.weather {
            correlations.add(&path, found).map_err(fault)?;
        }
        if let Some(found_lines) = &found.lines {
            has_lines = true;
            lines
                .add(&path, found_lines, found.latewood)
                .map_err(fault)?;
        }
        let json = serde_json::to_vec(&record).map_err(|refused| Error::Fault {
            path: disc.path.clone(),
            what: refused.to_string(),
        })?;
        if let Err(error) = write(&with_ending(&disc.stem, ".growth.json"), &json) {
            console.complain(&error);
            failed += 1;
            continue;
        }
        records.push(record);
    }
    write(
        &args.out.join("growth.csv"),
        &table.finish().map_err(fault)?,
    )?;
    for (name, is_wanted, bytes) in [
        (
            "sapwood.csv",
            args.beside.photos.is_some(),
            sapwood.finish(),
        ),
        (
            "weather-correlations.csv",
            weather.is_some(),
            correlations.finish(),
        ),
        ("grading-lines.csv", has_lines, lines.finish()),
    ] {
        if is_wanted {
            write(&args.out.join(name), &bytes.map_err(fault)?)?;
        }
    }
    let years = pointer::years(&records);
    if !years.is_empty() {
        let csv = pointer_years_csv(&years).map_err(fault)?;
        write(&args.out.join("pointer-years.csv"), &csv)?;
    }
    if !args.quiet {
        let out = printable(&args.out.to_string_lossy());
        let failures = if failed > 0 {
            format!(", {failed} failed")
        } else {
            String::new()
        };
        console.say(&format!(
            "{} done{failures}; files in {out}",
            discs(records.len())
        ));
    }
    Ok(if failed > 0 { SOME_FAILED } else { DONE })
}
