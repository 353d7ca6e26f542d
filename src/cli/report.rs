//! `endgrain report`.

use super::beside::BesideArgs;
use super::console::{Console, printable};
use super::growth::rules;
use super::loaded::{Loaded, discs, load, with_ending, write};
use super::{DONE, SOME_FAILED, WRONG_USE};
use clap::ValueEnum;
use endgrain::chart::LineChart;
use endgrain::error::Error;
use endgrain::growth::{self, GrowthRecord, Rules};
use endgrain::reading::Reading;
use endgrain::report::lengths::Shown;
use endgrain::report::{Beside, Disc, Entry, LatewoodFrom, charts, disc_page, find, folder_page};
use endgrain::settings::LengthUnit;
use endgrain::timber::Softwood;
use endgrain::weather::Weather;
use std::path::{Path, PathBuf};

const EXAMPLES: &str = "\
Examples:
  endgrain report readings --out pages
  endgrain report readings/log-7.rings.json --out pages --units in
  endgrain report readings --out pages --charts png --charts svg

Look at each picture before you rely on a count; a grader or an arborist decides.
Exit status: 0 all pages written, 1 some failed, 2 wrong use.";

/// Make a page to keep of each disc, and one of all
///
/// Takes readings (.rings.json) as endgrain count writes them, with the overlays beside them, and
/// writes for each an HTML page (.report.html): picture, ring width by year, diameter by age, decades,
/// fast and slow years, where the numbers come from, and a label to cut out. index.html leads to
/// them and tells the pointer years that dated discs share. Pages need no network, print on A4 or
/// Letter and are complete without scripts.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// Readings (.rings.json) and folders of readings
    #[arg(required = true, value_name = "READING")]
    readings: Vec<PathBuf>,

    /// Folder to write to; made if it isn't there
    #[arg(short, long, value_name = "DIR")]
    out: PathBuf,

    /// Unit of the lengths that are shown, where a reading has a scale
    #[arg(long, value_name = "UNIT", default_value = "mm")]
    units: Units,

    /// Sizes are told at every so many rings: 5, 10, 15 or 20
    #[arg(long, value_name = "RINGS", default_value_t = 10)]
    mark_every: u32,

    #[command(flatten)]
    beside: BesideArgs,

    /// Softwood, for the grading rules that tell them apart
    #[arg(long, value_name = "WOOD", default_value = "other")]
    softwood: Wood,

    /// Share of latewood on the three inches as you measured it, 0 to 1
    #[arg(long, value_name = "SHARE")]
    latewood: Option<f64>,

    /// Write the charts also as files of this kind; may be given again
    #[arg(long, value_name = "KIND")]
    charts: Vec<ChartFile>,

    /// Title of the page of all discs
    #[arg(long, value_name = "TEXT", default_value = "Discs")]
    title: String,

    /// Print nothing but failures
    #[arg(short, long)]
    quiet: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Units {
    Mm,
    In,
}

/// Softwoods that rules tell apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Wood {
    SouthernPine,
    DouglasFir,
    Other,
}

/// Kinds of chart files.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum ChartFile {
    Png,
    Svg,
}

/// Width of a chart's PNG, px: 170 mm at 240 dots an inch.
const PNG_PX: u32 = 1600;

pub(super) fn run(args: &Args, console: &mut Console) -> Result<u8, Error> {
    let rules = rules(args.mark_every, unit(args))?;
    if let Some(share) = args.latewood.filter(|share| !(0.0..=1.0).contains(share)) {
        return Err(Error::Setting {
            what: format!("{share} is no share of latewood; give --latewood a number from 0 to 1"),
        });
    }
    let weather = args.beside.weather(console)?;
    let (loaded, mut failed) = load(&args.readings, &args.out, console)?;
    if loaded.is_empty() {
        console.say("no reading found; name files ending in .rings.json, or a folder that holds some, as endgrain count writes them");
        return Ok(WRONG_USE);
    }
    console.begin(loaded.len(), "discs");
    let mut entries = Vec::new();
    let mut records = Vec::new();
    for disc in &loaded {
        let made = match &disc.reading {
            // It was complained of when it was loaded.
            Err(refused) => Err(refused.reason()),
            Ok(reading) => {
                one(args, &rules, weather.as_ref(), disc, reading, console).map_err(|error| {
                    console.complain(&error);
                    error.reason()
                })
            }
        };
        match made {
            Ok((entry, record)) => {
                entries.push(entry);
                records.push(record);
            }
            Err(reason) => {
                failed += 1;
                entries.push(Entry::failed(&disc.path.to_string_lossy(), &reason));
            }
        }
        console.step();
    }
    console.end();
    let index = args.out.join("index.html");
    let unit = unit(args);
    write(
        &index,
        folder_page(&args.title, &entries, &records, unit)?.as_bytes(),
    )?;
    if !args.quiet {
        let failures = if failed > 0 {
            format!(", {failed} failed")
        } else {
            String::new()
        };
        console.say(&format!(
            "{} done{failures}; begin with {}",
            discs(records.len()),
            printable(&index.to_string_lossy())
        ));
    }
    Ok(if failed > 0 { SOME_FAILED } else { DONE })
}

fn unit(args: &Args) -> LengthUnit {
    match args.units {
        Units::Mm => LengthUnit::Mm,
        Units::In => LengthUnit::In,
    }
}

/// Writes the page and charts of one disc.
fn one(
    args: &Args,
    rules: &Rules,
    weather: Option<&Weather>,
    loaded: &Loaded,
    reading: &Reading,
    console: &Console,
) -> Result<(Entry, GrowthRecord), Error> {
    let record = growth::record(reading, rules);
    let overlay_path = find::overlay_path(&loaded.path);
    let overlay = match std::fs::read(&overlay_path) {
        Ok(bytes) => Some(bytes),
        Err(missing) => {
            console.say(&format!(
                "{}: {missing}; the page has no picture",
                overlay_path.display()
            ));
            None
        }
    };
    let beside = beside(args, weather, reading, &record, console);
    let disc = Disc {
        beside: &beside,
        reading,
        record: &record,
        rules,
        overlay: overlay.as_deref(),
        overlay_path: &overlay_path,
        unit: unit(args),
    };
    let page = with_ending(&loaded.stem, ".report.html");
    write(&page, disc_page(&disc)?.as_bytes())?;
    let shown = Shown::of(unit(args), record.mm_per_px);
    write_charts(args, &loaded.stem, "widths", charts::widths(&record, shown))?;
    write_charts(args, &loaded.stem, "sizes", charts::sizes(&record, shown))?;
    let below = page.strip_prefix(&args.out).unwrap_or(&page);
    let parts: Vec<_> = below.iter().map(|part| part.to_string_lossy()).collect();
    let entry = Entry::disc(&disc, &parts.join("/"))?;
    Ok((entry, record))
}

/// What is found beside the rings: in the photo, in the weather, by the grading rules.
fn beside(
    args: &Args,
    weather: Option<&Weather>,
    reading: &Reading,
    record: &GrowthRecord,
    console: &Console,
) -> Beside {
    let found = args.beside.found(weather, reading, record, console);
    let given = args.latewood.map(|share| (share, LatewoodFrom::Given));
    let measured = found.latewood.map(|share| (share, LatewoodFrom::Photo));
    Beside {
        heartwood: found.heartwood,
        weather: found.weather,
        weather_gaps: weather.map(Weather::gaps_in_words).unwrap_or_default(),
        lines: found.lines,
        softwood: Some(match args.softwood {
            Wood::SouthernPine => Softwood::SouthernPine,
            Wood::DouglasFir => Softwood::DouglasFir,
            Wood::Other => Softwood::Other,
        }),
        latewood: given.or(measured),
    }
}

fn write_charts(
    args: &Args,
    stem: &Path,
    name: &str,
    chart: Option<LineChart>,
) -> Result<(), Error> {
    let Some(chart) = chart.filter(|_| !args.charts.is_empty()) else {
        return Ok(());
    };
    let drawing = chart.draw()?;
    if args.charts.contains(&ChartFile::Svg) {
        let path = with_ending(stem, &format!(".{name}.svg"));
        write(&path, drawing.svg().as_bytes())?;
    }
    if args.charts.contains(&ChartFile::Png) {
        let path = with_ending(stem, &format!(".{name}.png"));
        write(&path, &drawing.png(PNG_PX)?)?;
    }
    Ok(())
}
