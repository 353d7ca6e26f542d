//! `endgrain chronology`.

use super::console::Console;
use super::{DONE, SOME_FAILED, WRONG_USE};
use clap::ValueEnum;
use endgrain::batch::WholeFile;
use endgrain::chronology::detrend::{Detrending, Stiffness, USUAL_SHARE};
use endgrain::chronology::source::{Gathered, Wanted, gather, trees_in};
use endgrain::chronology::{Chronology, Plan, build, page, written};
use endgrain::error::Error;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

const EXAMPLES: &str = "\
Examples:
  endgrain chronology readings --out compared
  endgrain chronology quillbrook/rings.csv --out compared --detrend spline --spline-years 32
  endgrain chronology readings --trees trees.csv --out compared --detrend exponential

The figures take the years as given and date nothing; where an age matters, a dating
laboratory decides.
Exit status: 0 all done, 1 something given could not be read, 2 wrong use.";

/// Compare ring widths across discs; build their mean chronology
///
/// Reads readings (.rings.json), tidy CSV (rings.csv), decadal ring-width text and Tree-Ring Data
/// Standard XML. Writes a page with charts (chronology.html) and tables: the mean chronology with its
/// sample depth (chronology.csv), the agreement of trees in running windows (-windows.csv), figures of
/// trees and series (-trees.csv, -series.csv), each width with its curve and index (-indices.csv), and
/// the years in which a radius lacks or adds a ring against the others of its disc
/// (-differences.csv).
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// Readings, files of ring widths, or folders of readings and datasets
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<PathBuf>,

    /// Folder to write to; made if it isn't there
    #[arg(short, long, value_name = "DIR")]
    out: PathBuf,

    /// Curve of growth that each series is divided by
    #[arg(long, value_name = "CURVE", default_value = "spline")]
    detrend: Curve,

    /// Years of the waves that the spline halves [default: 0.67 times the length of each series]
    #[arg(long, value_name = "YEARS")]
    spline_years: Option<f64>,

    /// Length of the running windows, years
    #[arg(long, value_name = "YEARS", default_value_t = Plan::default().window_years)]
    window: u16,

    /// Years from one window to the next
    #[arg(long, value_name = "YEARS", default_value_t = Plan::default().step_years)]
    step: u16,

    /// Years that two series must have in common for their correlation to count
    #[arg(long, value_name = "YEARS", default_value_t = Plan::default().least_common_years)]
    common: u16,

    /// Radii taken from each reading, at even azimuths
    #[arg(long, value_name = "N", default_value_t = 16, value_parser = clap::value_parser!(u16).range(1..=360))]
    radii: u16,

    /// Table with the columns specimen and tree: several discs of one tree become one
    ///
    /// A specimen that isn't in it is a tree by itself, or of the tree that its own file names.
    #[arg(long, value_name = "CSV")]
    trees: Option<PathBuf>,

    /// Print nothing but failures
    #[arg(short, long)]
    quiet: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Curve {
    /// Widths as they are, mm
    None,
    /// The mean width
    Mean,
    /// A straight line
    Line,
    /// The negative exponential a exp(-b t) + k; a falling line or the mean where it doesn't fit
    Exponential,
    /// A cubic smoothing spline
    Spline,
}

impl Args {
    fn plan(&self) -> Result<Plan, Error> {
        if self.spline_years.is_some() && self.detrend != Curve::Spline {
            return Err(Error::Setting {
                what: "--spline-years is for --detrend spline only; leave one of them out".into(),
            });
        }
        let plan = Plan {
            detrending: match self.detrend {
                Curve::None => Detrending::None,
                Curve::Mean => Detrending::Mean,
                Curve::Line => Detrending::Line,
                Curve::Exponential => Detrending::Exponential,
                Curve::Spline => Detrending::Spline(
                    self.spline_years
                        .map_or(Stiffness::Share(USUAL_SHARE), Stiffness::Years),
                ),
            },
            window_years: self.window,
            step_years: self.step,
            least_common_years: self.common,
        };
        plan.check()?;
        Ok(plan)
    }
}

const PAGE: &str = "chronology.html";

pub(super) fn run(args: &Args, console: &mut Console) -> Result<u8, Error> {
    let plan = args.plan()?;
    let trees = match &args.trees {
        Some(path) => trees_in(path)?,
        None => BTreeMap::new(),
    };
    let wanted = Wanted {
        radii: args.radii,
        trees,
    };
    let mut gathered = gather(&args.paths, &wanted);
    for error in &gathered.failed {
        console.complain(error);
    }
    if gathered.radii.is_empty() {
        console
            .say("no series to compare; name readings, a rings.csv, or a folder that holds some");
        return Ok(if gathered.failed.is_empty() {
            WRONG_USE
        } else {
            SOME_FAILED
        });
    }
    not_over_inputs(args, &gathered)?;
    let radii = std::mem::take(&mut gathered.radii);
    let made = build(radii, &plan)?;
    let left_out = left_out(&made, &gathered);
    write(&args.out, &made, &left_out)?;
    if !args.quiet {
        for line in &left_out {
            console.say(line);
        }
        console.print(&summary(&made));
        console.say(&format!("files in {}", args.out.display()));
    }
    Ok(if gathered.failed.is_empty() {
        DONE
    } else {
        SOME_FAILED
    })
}

fn outputs(out: &Path) -> impl Iterator<Item = PathBuf> {
    let names = written::TABLES.iter().map(|(name, _)| *name);
    names.chain([PAGE]).map(move |name| out.join(name))
}

fn not_over_inputs(args: &Args, gathered: &Gathered) -> Result<(), Error> {
    let trees = args.trees.iter().filter_map(|t| t.canonicalize().ok());
    let inputs: BTreeSet<PathBuf> = gathered.files.iter().cloned().chain(trees).collect();
    for output in outputs(&args.out) {
        if output
            .canonicalize()
            .is_ok_and(|path| inputs.contains(&path))
        {
            return Err(Error::Setting {
                what: format!(
                    "{}: one of the files given would be written over; give --out another folder",
                    output.display()
                ),
            });
        }
    }
    Ok(())
}

fn write(out: &Path, made: &Chronology, left_out: &[String]) -> Result<(), Error> {
    let unwritable = |path: &Path, source| Error::Unwritable {
        path: path.to_path_buf(),
        source,
    };
    fs::create_dir_all(out).map_err(|e| unwritable(out, e))?;
    for (name, table) in written::TABLES {
        let path = out.join(name);
        let mut file = WholeFile::create(&path)?;
        table(made, &mut file).map_err(|e| unwritable(&path, e))?;
        file.finish()?;
    }
    let path = out.join(PAGE);
    let mut file = WholeFile::create(&path)?;
    file.write_all(page::page(made, left_out)?.as_bytes())
        .map_err(|e| unwritable(&path, e))?;
    file.finish()
}

/// Names listed before it says "and so many more".
const NAMES_LISTED: usize = 5;

/// What was given and is not, or not wholly, in the figures.
fn left_out(made: &Chronology, gathered: &Gathered) -> Vec<String> {
    let mut lines = gathered.left_out.clone();
    let mut tell = |is: fn(&endgrain::chronology::RadiusFigures) -> bool, what: &str| {
        let mut names: Vec<&str> = made
            .radii
            .iter()
            .filter(|r| is(r))
            .map(|r| r.radius.specimen.as_str())
            .collect();
        names.dedup();
        if names.is_empty() {
            return;
        }
        let mut listed = names[..names.len().min(NAMES_LISTED)].join(", ");
        if names.len() > NAMES_LISTED {
            listed.push_str(&format!(" and {} more", names.len() - NAMES_LISTED));
        }
        lines.push(format!("{what}: {listed}"));
    };
    tell(
        |r| !r.radius.is_dated,
        "not dated, so in no comparison of years (count again with --last-ring)",
    );
    tell(
        |r| !r.radius.is_scaled,
        "without a scale, so without widths in mm (count again with --diameter or --mm-per-px)",
    );
    tell(
        |r| r.detrended.is_none() && r.radius.is_scaled,
        "without a ring of known width in mm, so without indices",
    );
    tell(
        |r| r.detrended.is_none() && !r.radius.is_scaled,
        "without a scale, so not to be compared as widths (--detrend none)",
    );
    tell(
        |r| r.detrended.as_ref().is_some_and(|d| d.instead.is_some()),
        "divided by a plainer curve than asked for (see chronology-series.csv)",
    );
    for tree in &made.trees {
        if let Some(fit) = tree
            .fit
            .filter(endgrain::chronology::likeness::Fit::is_questioned)
        {
            lines.push(format!(
                "{}: fits the other trees better moved by {} years (t {:.1}, {:.1} as dated); check its years",
                tree.index.name,
                fit.moved_by.unwrap_or(0),
                fit.t_elsewhere.unwrap_or(0.0),
                fit.t.unwrap_or(0.0),
            ));
        }
    }
    lines
}

/// The figures of the whole, a line each, and the radii that disagree.
fn summary(made: &Chronology) -> String {
    let figures = page::whole_figures(made);
    let wide = figures.iter().map(|(n, ..)| n.len()).max().unwrap_or(0);
    let mut text = String::new();
    for (name, value, remark) in figures {
        let remark = if remark.is_empty() {
            remark
        } else {
            format!("  ({remark})")
        };
        text.push_str(&format!("{name:wide$}  {value}{remark}\n"));
    }
    for found in &made.differences {
        let line = format!(
            "{} radius {}: {}; {}",
            found.specimen,
            found.radius,
            found.words(),
            found.told.words()
        );
        text.push_str(&super::console::printable(&line));
        text.push('\n');
    }
    text
}
