//! `endgrain double-check`.

mod folder;
mod two;
mod two_sheets;

use super::console::{Console, printable};
use super::{DONE, SOME_FAILED, WRONG_USE, values};
use clap::ValueEnum;
use endgrain::error::Error;
use endgrain::hand_count::checking::{self, Checked, Disc, PenMarks, Task};
use endgrain::hand_count::comparing::Given;
use endgrain::hand_count::{HandCount, Mark, marks, words};
use endgrain::settings::{LengthUnit, ScaleGiven, Settings};
use folder::whole_folder;
use serde::Serialize;
use std::path::{Path, PathBuf};
use two::{two_hands, two_readings};
use two_sheets::two_sheets;

const EXAMPLES: &str = "\
Examples:
  endgrain double-check log-7.jpg --total 97 --counted-by \"A. Reed\"
  endgrain double-check log-7.jpg --total 97 --mark 20@3.2in --mark 40@6.1in \\
      --azimuth 40 --diameter 31in --out checks
  endgrain double-check log-7.jpg --total 97 --marks points.csv --out checks
  endgrain double-check log-7.jpg --total 97 --find-marks --mark-every 10
  endgrain double-check yard/ --sheet counts.csv --marks marks.csv --out checks
  endgrain double-check june.jpg --against august.jpg
  endgrain double-check --marks reed.csv --total 97 --against-marks moss.csv
  endgrain double-check yard/ --sheet reed.csv --against moss.csv --out checks

A stretch is named where hand and photo part; settle it on the wood. The count is an
aid; a grader or an arborist decides.
Exit status: 0 all compared, 1 something failed or was left out (with --strict also:
parts or is within doubt), 2 wrong use.";

/// Hold a hand count against a photo and show where they part
///
/// Takes a photo or its reading (.rings.json) and a count by hand: its total, or its total with marks
/// on the line that was counted on. Says whether the total agrees, between which marks the two part
/// and how sure that is, and writes with --out the record (.hand-count.json), a page to print
/// (.hand-count.html) and an enlarged picture of each stretch that parts. A sheet does a whole folder.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
#[allow(
    clippy::doc_markdown,
    reason = "the comments are the command's help, shown as they are"
)]
pub(super) struct Args {
    /// Photo, or its reading (.rings.json); with --sheet the folder of the photos
    ///
    /// Two hand counts don't need it, but then only marks as lengths on one line are compared, and no
    /// pictures are drawn.
    #[arg(value_name = "PATH")]
    path: Option<PathBuf>,

    /// Rings counted by hand from the pith to the bark
    #[arg(long, value_name = "RINGS", value_parser = clap::value_parser!(u32).range(1..), help_heading = "The hand count")]
    total: Option<u32>,

    /// Who counted
    #[arg(long, value_name = "NAME", help_heading = "The hand count")]
    counted_by: Option<String>,

    /// When, kept as it is written
    #[arg(long, value_name = "DATE", help_heading = "The hand count")]
    counted_on: Option<String>,

    /// A mark, RING@PLACE: 20@3.2in, "40@190mm dia", 60@1210,985; may be given again
    ///
    /// The ring's number counted from the pith, and where its outer edge is: a distance from the pith
    /// along the line, a diameter (with dia), or a point in the photo in px. Lengths need the scale:
    /// --diameter or --mm-per-px.
    #[arg(long, value_name = "RING@PLACE", value_parser = Mark::parse, help_heading = "The hand count")]
    mark: Vec<Mark>,

    /// Marks in a CSV file: ring with x_px,y_px, or distance or diameter with a unit
    ///
    /// For example ring,distance_in or ring,diameter with cells like 190mm. With --sheet also photo.
    #[arg(long, value_name = "FILE", help_heading = "The hand count")]
    marks: Option<PathBuf>,

    /// Direction of the line from the pith, degrees clockwise from the right
    ///
    /// For marks given as distances. Without it they are held against the disc's mean radii.
    #[arg(long, value_name = "DEG", help_heading = "The hand count")]
    azimuth: Option<f64>,

    /// Look in the photo for the ruled line and the cross marks or dots on it
    #[arg(long, help_heading = "The hand count")]
    find_marks: bool,

    /// Each mark found is another so many rings from the last
    #[arg(long, value_name = "RINGS", default_value_t = 10, value_parser = clap::value_parser!(u32).range(1..=100), help_heading = "The hand count")]
    mark_every: u32,

    /// Number the marks found from the bark inward instead; needs the total
    #[arg(long, requires = "find_marks", help_heading = "The hand count")]
    from_bark: bool,

    /// A CSV file with a row a photo: photo, total, counted_by, counted_on, azimuth_deg, ...
    ///
    /// Further columns: diameter (with its unit) and last_ring. Photos are looked for in PATH, or
    /// beside the sheet.
    #[arg(long, value_name = "FILE", help_heading = "The hand count")]
    sheet: Option<PathBuf>,

    /// Another photo or reading of the same disc, or with --sheet another sheet, to compare with
    #[arg(long, value_name = "FILE", help_heading = "A second count instead")]
    against: Option<PathBuf>,

    /// Marks of a second hand count, CSV; with two sheets those of the second
    #[arg(long, value_name = "FILE", help_heading = "A second count instead")]
    against_marks: Option<PathBuf>,

    /// Total of a second hand count
    #[arg(long, value_name = "RINGS", value_parser = clap::value_parser!(u32).range(1..), help_heading = "A second count instead")]
    against_total: Option<u32>,

    /// Folder to write to; made if it isn't there [default: nothing is written]
    #[arg(short, long, value_name = "DIR", help_heading = "Output")]
    out: Option<PathBuf>,

    /// Print the record (endgrain.hand-count/1, of two counts endgrain.two-counts/1) instead of words
    /// and table, one line a photo
    #[arg(long, help_heading = "Output")]
    json: bool,

    /// Print nothing but failures, and the JSON that was asked for
    #[arg(short, long, help_heading = "Output")]
    quiet: bool,

    /// Unit of the lengths that are shown
    #[arg(
        long,
        value_name = "UNIT",
        default_value = "mm",
        help_heading = "Output"
    )]
    units: Units,

    /// Folder with readings that endgrain count wrote; taken where the photo is the same
    #[arg(long, value_name = "DIR", help_heading = "What is known")]
    readings: Option<PathBuf>,

    /// The photo of the reading that is given, for pictures and pen marks [default: beside it]
    #[arg(long, value_name = "FILE", help_heading = "What is known")]
    photo: Option<PathBuf>,

    /// Mean diameter of the face inside the bark, with its unit: 14.5in, 368mm
    #[arg(long, value_name = "LENGTH", value_parser = endgrain::units::parse_length_mm, conflicts_with = "mm_per_px", help_heading = "What is known")]
    diameter: Option<f64>,

    /// Scale of the photo, millimetres a pixel
    #[arg(long, value_name = "MM", help_heading = "What is known")]
    mm_per_px: Option<f64>,

    /// Year of the outermost ring: gives each mark its year
    #[arg(
        long,
        value_name = "YEAR",
        allow_hyphen_values = true,
        help_heading = "What is known"
    )]
    last_ring: Option<i32>,

    /// Kind of wood, where the photo is read anew
    #[arg(
        long,
        value_name = "KIND",
        default_value = "auto",
        help_heading = "What is known"
    )]
    wood: values::WoodGiven,

    /// Place of the pith, px, where the photo is read anew
    #[arg(long, value_name = "X,Y", value_parser = values::point, allow_hyphen_values = true, help_heading = "What is known")]
    pith: Option<(f64, f64)>,

    /// Photos read side by side [default: one a core]
    #[arg(short, long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..), help_heading = "The run")]
    jobs: Option<u16>,

    /// Make counts that part or are within doubt count as failed in the exit status
    #[arg(long, help_heading = "The run")]
    strict: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Units {
    Mm,
    In,
}

impl Args {
    fn settings(&self) -> Result<Settings, Error> {
        let settings = Settings {
            pith_px: self.pith,
            scale: self
                .mm_per_px
                .map(ScaleGiven::MmPerPx)
                .or(self.diameter.map(ScaleGiven::DiameterMm))
                .into_iter()
                .collect(),
            last_ring: self.last_ring,
            wood: self.wood.kind(),
            azimuths_deg: self.azimuth.into_iter().collect(),
            unit: self.unit(),
            ..Settings::default()
        };
        settings.check()?;
        Ok(settings)
    }

    fn unit(&self) -> LengthUnit {
        match self.units {
            Units::Mm => LengthUnit::Mm,
            Units::In => LengthUnit::In,
        }
    }

    fn has_hand_count(&self) -> bool {
        self.total.is_some() || !self.mark.is_empty() || self.marks.is_some() || self.find_marks
    }

    fn pen_marks(&self) -> Option<PenMarks> {
        self.find_marks.then_some(PenMarks {
            every: self.mark_every,
            from_bark: self.from_bark,
        })
    }

    fn given(&self, settings: &Settings) -> Given {
        Given {
            azimuth_deg: self.azimuth,
            mm_per_px: checking::scale_given(settings),
            last_ring: self.last_ring,
        }
    }
}

pub(super) fn run(args: &Args, console: &mut Console) -> Result<u8, Error> {
    let settings = args.settings()?;
    let has_second_hand = args.against_marks.is_some() || args.against_total.is_some();
    let wrong = |words: &str| {
        console.say(words);
        Ok(WRONG_USE)
    };
    match (&args.sheet, &args.path, &args.against) {
        (Some(_), ..)
            if args.total.is_some() || !args.mark.is_empty() || args.against_total.is_some() =>
        {
            wrong("--sheet has the totals itself; leave out --total, --mark and --against-total")
        }
        (Some(_), _, None) if args.against_marks.is_some() => {
            wrong("--against-marks are those of a second sheet; give it with --against")
        }
        (Some(_), _, Some(_)) if args.find_marks => wrong(
            "marks found in a photo are of one count; leave out --find-marks, or one of the sheets",
        ),
        (Some(sheet), path, Some(other)) => {
            two_sheets(args, &settings, path.as_deref(), [sheet, other], console)
        }
        (Some(sheet), path, None) => whole_folder(args, &settings, sheet, path.as_deref(), console),
        (None, Some(_), Some(_)) if args.has_hand_count() || has_second_hand => wrong(
            "--against compares two readings; for a second hand count give --against-marks or --against-total",
        ),
        (None, Some(path), Some(other)) => two_readings(args, &settings, path, other, console),
        (None, None, Some(_)) => wrong("--against needs a photo or a reading to compare with"),
        (None, path, None) if has_second_hand => {
            two_hands(args, &settings, path.as_deref(), console)
        }
        (None, None, None) => wrong("name a photo or a reading, or a sheet with --sheet"),
        (None, Some(_), None) if !args.has_hand_count() => {
            wrong("no hand count; give --total, --mark, --marks, --find-marks or --sheet")
        }
        (None, Some(path), None) => one_disc(args, &settings, path, console),
    }
}

/// Marks of a file, and how many of its rows were bad: those are told of.
fn marks_of(path: &Path, console: &Console) -> Result<(Vec<marks::MarkRow>, usize), Error> {
    let file = marks::load(path)?;
    for fault in &file.faults {
        console.say(&fault.to_string());
    }
    Ok((file.rows, file.faults.len()))
}

/// The marks of a file that are this photo's: all where the file has no such column.
fn marks_for(rows: &[marks::MarkRow], photo: &str) -> Vec<Mark> {
    let name = |text: &str| {
        Path::new(text)
            .file_name()
            .map(std::ffi::OsStr::to_os_string)
    };
    let is_of = |row: &&marks::MarkRow| {
        let of = row.photo.as_deref();
        of.is_none_or(|of| of == photo || name(of) == name(photo))
    };
    let of_photo = rows.iter().filter(is_of);
    of_photo.map(|row| row.mark.clone()).collect()
}

fn one_disc(
    args: &Args,
    settings: &Settings,
    path: &Path,
    console: &mut Console,
) -> Result<u8, Error> {
    let mut failed = 0;
    let disc = checking::open(
        path,
        args.photo.as_deref(),
        args.readings.as_deref(),
        settings,
    )?;
    let mut hand_marks = args.mark.clone();
    if let Some(file) = &args.marks {
        let (rows, faults) = marks_of(file, console)?;
        failed += faults;
        hand_marks.extend(marks_for(&rows, &disc.reading.photo.file));
    }
    let task = Task {
        hand: HandCount {
            total: args.total,
            counted_by: args.counted_by.clone(),
            counted_on: args.counted_on.clone(),
            marks: hand_marks,
        },
        given: args.given(settings),
        diameter_mm: args.diameter,
        find_marks: args.pen_marks(),
    };
    let checked = checking::check(&disc, &task, path)?;
    failed += checked.faults.len();
    tell(args, settings, &checked, console);
    if let Some(out) = &args.out {
        write(
            &checked,
            &disc,
            &out.join(stem_of(path)),
            settings,
            args,
            console,
        )?;
    }
    let doubtful = args.strict && checking::is_doubtful(&checked.record);
    Ok(if failed > 0 || doubtful {
        SOME_FAILED
    } else {
        DONE
    })
}

/// A photo's or reading's name without its endings.
fn stem_of(path: &Path) -> String {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    match name.strip_suffix(".rings.json") {
        Some(stem) => stem.to_owned(),
        None => path
            .file_stem()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned(),
    }
}

/// Says what came out.
fn tell(args: &Args, settings: &Settings, checked: &Checked, console: &mut Console) {
    for fault in &checked.faults {
        console.say(&fault.to_string());
    }
    if args.json {
        print_line(console, &checked.record);
        return;
    }
    if args.quiet {
        return;
    }
    let record = &checked.record;
    let by_points = record.hand.marks.iter().any(|mark| mark.point_px.is_some());
    if !record.hand.marks.is_empty() && !by_points && args.azimuth.is_none() {
        console.say(
            "the line's direction isn't known: distances are held against mean radii; give --azimuth for the line itself",
        );
    }
    if let Some(line) = &record.pen_line {
        console.say(&format!(
            "a ruled line at {:.1} degrees with {} marks on it, taken as every {} rings from the {}",
            line.azimuth_deg,
            line.marks_px.len(),
            args.mark_every,
            if args.from_bark { "bark" } else { "pith" }
        ));
    }
    let mut text = String::new();
    for sentence in &record.sentences {
        text.push_str(&format!("{}\n", printable(sentence)));
    }
    let table = words::table(&record.comparison, settings.unit);
    if !table.is_empty() {
        text.push_str(&format!("\n{table}"));
    }
    console.print(&text);
}

fn print_line(console: &mut Console, object: &impl Serialize) {
    match serde_json::to_string(object) {
        Ok(line) => console.print(&format!("{line}\n")),
        Err(error) => console.say(&format!("a fault in endgrain itself: {error}")),
    }
}

fn write(
    checked: &Checked,
    disc: &Disc,
    stem: &Path,
    settings: &Settings,
    args: &Args,
    console: &Console,
) -> Result<(), Error> {
    let written = checking::write_files(checked, disc, stem, settings)?;
    let parts = !checked.record.comparison.suspects.is_empty();
    if args.quiet {
        return Ok(());
    }
    if parts && disc.photo.is_none() {
        console.say("the photo isn't at hand, so no pictures were drawn; give it with --photo");
    }
    for path in written {
        console.say(&format!("written: {}", path.display()));
    }
    Ok(())
}
