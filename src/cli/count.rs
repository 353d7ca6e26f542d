//! `endgrain count`.

use super::console::{Console, printable};
use super::{DONE, SOME_FAILED, STOPPED, WRONG_USE, expected, reading_process, values};
use clap::ValueEnum;
use endgrain::batch::{self, Collected, Listing, Part, Record, Report, StopReason, Tables, Work};
use endgrain::calendar::{self, Felled, Felling, Hemisphere, Season, YearsPerHeight};
use endgrain::error::Error;
use endgrain::notes::NoteCode;
use endgrain::reading::Reading;
use endgrain::settings::{EndsWanted, LengthUnit, Region, RulerMarks, ScaleGiven, Settings};
use endgrain::tables::{SummaryRow, summary};
use endgrain::units::parse_length_mm;
use serde::Serialize;
use std::io;
use std::path::{Path, PathBuf};

const EXAMPLES: &str = "\
Examples:
  endgrain count yard/ --out readings
  endgrain count log-7.heic --out readings --diameter 14.5in --units in
  endgrain count stump.jpg --out readings --pith 1210,985 --felled 2023-07-10
  endgrain count disc.jpg --out readings --ruler
  find . -name '*.jpg' -print0 | endgrain count - -0 --out readings --json

A good photo: sanded or clean-cut face, flat light, camera square to it, all of it in the frame, at
least 5 pixels a ring. Look at each .overlay.jpg before you rely on a count; a grader or an arborist
decides.
The overlay of a large photo with wide rings is reduced to a half, a third or a quarter.
Stopped or killed? The same command goes on where it was.
Exit status: 0 all photos read, 1 some photo failed (with --strict also: is doubtful), 2 wrong use,
130 stopped before the last photo.";

/// Count the rings in photos of end grain
///
/// Reads photos (JPEG, PNG, TIFF, WebP, HEIC) and writes for each its reading (.rings.json), an
/// overlay with every ring boundary (.overlay.jpg) and the unwrapped disc (.strip.jpg), for all
/// together ages.csv and widths.csv. The age is the count from the pith to the edge of the wood, with
/// the band that holds the true count at the level asked for; where the centre or the edge isn't in
/// the photo it says "at least".
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// Photos and folders of photos; - reads a list of paths from standard input
    ///
    /// Folders are walked; files in them that are no photos are passed over with a line saying so.
    /// A file named here is always tried, whatever its extension.
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<PathBuf>,

    /// Folder to write to; made if it isn't there
    ///
    /// Folders below each given path are mirrored in it. Photos that an earlier run into it has finished
    /// are not read again, unless the photo, the options or the program changed; files that aren't
    /// those of the run are replaced.
    #[arg(short, long, value_name = "DIR", help_heading = "Output")]
    out: PathBuf,

    /// Print one JSON object a line as each photo is done, instead of the table
    ///
    /// The reading with the photo's path added, or for a photo that failed
    /// {"schema":"endgrain.failure/1","path":...,"error":...}. In the order of the photos.
    #[arg(long, help_heading = "Output")]
    json: bool,

    /// Print nothing but failures, and the JSON that was asked for
    #[arg(short, long, help_heading = "Output")]
    quiet: bool,

    /// Unit of the lengths that are shown; data files have px and mm
    #[arg(
        long,
        value_name = "UNIT",
        default_value = "mm",
        help_heading = "Output"
    )]
    units: Units,

    /// A cross mark and number every so many rings: 5, 10, 15 or 20
    #[arg(
        long,
        value_name = "RINGS",
        default_value_t = 10,
        help_heading = "Output"
    )]
    mark_every: u32,

    /// Radii on which ring widths are given, at even azimuths
    #[arg(long, value_name = "N", default_value_t = 16, help_heading = "Output")]
    radii: usize,

    /// A further radius for ring widths, degrees clockwise from the right; may be given again
    #[arg(
        long,
        value_name = "DEG",
        allow_hyphen_values = true,
        help_heading = "Output"
    )]
    azimuth: Vec<f64>,

    /// Share of discs whose true count the band is to hold, 0.5 to 0.99
    #[arg(
        long,
        value_name = "SHARE",
        default_value_t = 0.90,
        help_heading = "What is known of the wood"
    )]
    level: f64,

    /// Kind of wood
    #[arg(
        long,
        value_name = "KIND",
        default_value = "auto",
        help_heading = "What is known of the wood"
    )]
    wood: values::WoodGiven,

    /// Diameter inside the bark: the mean, 14.5in or 368mm, or across at an azimuth, 368mm@90
    ///
    /// With @DEG it is the diameter through the pith in that direction of the photo, degrees
    /// clockwise from the right. Given twice, about at right angles, they also tell how far off square
    /// the camera was held: lengths in mm are then corrected for it. Lengths: 368mm, 36.8cm, 14.5in,
    /// "14 1/2in".
    #[arg(long, value_name = "LENGTH[@DEG]", value_parser = values::diameter, help_heading = "Size")]
    diameter: Vec<values::Diameter>,

    /// Girth over the bark, by tape; needs --bark
    #[arg(long, value_name = "LENGTH", value_parser = parse_length_mm, requires = "bark", help_heading = "Size")]
    girth: Option<f64>,

    /// Thickness of the bark under that tape; 0mm where it is gone
    #[arg(long, value_name = "LENGTH", value_parser = parse_length_mm, requires = "girth", help_heading = "Size")]
    bark: Option<f64>,

    /// Scale of the photo, millimetres a pixel in the plane of the face
    #[arg(long, value_name = "MM", help_heading = "Size")]
    mm_per_px: Option<f64>,

    /// Resolution of a scan, pixels an inch; the word file takes it from the file
    #[arg(long, value_name = "DPI", value_parser = values::dpi, help_heading = "Size")]
    dpi: Option<ScaleGiven>,

    /// Two points of the photo and their distance
    #[arg(long, value_name = "X1,Y1,X2,Y2=LENGTH", value_parser = values::points, allow_hyphen_values = true, help_heading = "Size")]
    points: Option<ScaleGiven>,

    /// Read the scale from a ruler or tape lying in the plane of the face
    ///
    /// Its graduations are found and drawn on the overlay: check that they are the ruler's. Told by
    /// the longer marks, or said by you: millimetres (mm) or sixteenths of an inch (16ths). At least
    /// 25 graduations must show. What is not sure is not taken.
    #[arg(
        long,
        value_name = "MARKS",
        num_args = 0..=1,
        require_equals = true,
        default_missing_value = "auto",
        help_heading = "Size"
    )]
    ruler: Option<RulerGiven>,

    /// The face is known to be round: correct the lengths for a camera held off square
    #[arg(long, help_heading = "Size")]
    round: bool,

    /// Year of the outermost ring; dates every ring where the edge of the wood is in the photo
    #[arg(
        long,
        value_name = "YEAR",
        allow_hyphen_values = true,
        help_heading = "Years"
    )]
    last_ring: Option<i32>,

    /// Day of the felling, 2023-07-10; a month or a year where that settles the outermost ring
    #[arg(long, value_name = "DATE", value_parser = Felled::parse, allow_hyphen_values = true, help_heading = "Years")]
    felled: Option<Felled>,

    /// Where the tree grew; rings of the south have the year in which their growth began
    #[arg(
        long,
        value_name = "HALF",
        default_value = "north",
        help_heading = "Years"
    )]
    hemisphere: HemisphereGiven,

    /// Growing season, months 4-9 or days 04-15..09-20 [default: 4-9, in the south 10-3]
    #[arg(long, value_name = "FROM-TO", value_parser = Season::parse, help_heading = "Years")]
    season: Option<Season>,

    /// The outermost rings are gone (rot, hewing, planing): --last-ring is the last one left
    #[arg(long, help_heading = "Years")]
    outer_rings_lost: bool,

    /// Height of the cut above the ground; needs --years-per-height
    #[arg(long, value_name = "LENGTH", value_parser = parse_length_mm, help_heading = "Years")]
    cut_height: Option<f64>,

    /// Years such a tree took to grow so high, your own figures: 3-8/10cm
    #[arg(long, value_name = "YEARS/LENGTH", value_parser = YearsPerHeight::parse, help_heading = "Years")]
    years_per_height: Option<YearsPerHeight>,

    /// Place of the pith, px from the upper left of the upright photo; may lie outside it
    #[arg(long, value_name = "X,Y", value_parser = values::point, allow_hyphen_values = true, help_heading = "What is known of the photo")]
    pith: Option<(f64, f64)>,

    /// Part of the photo to look at, px
    #[arg(long, value_name = "X,Y,W,H", value_parser = values::region, help_heading = "What is known of the photo")]
    region: Option<Region>,

    /// Which log ends to read where a photo shows several
    ///
    /// The largest that is whole in the photo, with a note that says so; or each, numbered in rows from
    /// top to bottom and within a row from left to right, with files of its own: log-7.end-2.rings.json.
    #[arg(
        long,
        value_name = "WHICH",
        default_value = "largest",
        help_heading = "What is known of the photo"
    )]
    ends: EndsGiven,

    /// Largest photo that is decoded, megapixels
    #[arg(
        long,
        value_name = "MP",
        default_value_t = 120.0,
        help_heading = "The run"
    )]
    max_megapixels: f64,

    /// Photos read side by side, each in a process of its own [default: one a core]
    #[arg(short, long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..), help_heading = "The run")]
    jobs: Option<u16>,

    /// Memory for all photos in work: 2GiB, 800MB; photos wait for each other where it is short
    ///
    /// A photo needs up to 30 bytes a pixel and 100 MB: 460 MB at 12 megapixels. One that needs more
    /// than all is refused. Without this option --jobs alone bounds the memory.
    #[arg(long, value_name = "SIZE", value_parser = values::size_bytes, help_heading = "The run")]
    memory: Option<u64>,

    /// Longest time that one photo may take, with its unit: 90s, 10min, or none
    #[arg(long, value_name = "TIME", value_parser = values::time, default_value = "10min", help_heading = "The run")]
    time_limit: values::Limit,

    /// Read a share of the photos, the same on every machine: 3/8 is the third of eight
    ///
    /// For several machines, each with a part of its own and one output folder for all, or one each.
    /// endgrain merge makes one run of them.
    #[arg(long, value_name = "K/N", help_heading = "The run")]
    part: Option<Part>,

    /// Say how many photos there are, the time, memory and disk that they will take, and stop
    #[arg(long, help_heading = "The run")]
    plan: bool,

    /// Read all photos again, also those that an earlier run has finished
    #[arg(long, help_heading = "The run")]
    again: bool,

    /// The list on standard input has its paths ended by zero bytes, as find -print0 does it
    #[arg(short = '0', long = "null", help_heading = "The run")]
    null: bool,

    /// Make doubtful readings count as failed in the exit status
    ///
    /// Doubtful: no count; a count that is "at least"; rings that are unclear or too tight; a scale
    /// that was asked for and not found. The files are written all the same.
    #[arg(long, help_heading = "The run")]
    strict: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Units {
    Mm,
    In,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum RulerGiven {
    /// Tell them by the longer marks
    Auto,
    /// Millimetres
    Mm,
    /// Sixteenths of an inch
    #[value(name = "16ths")]
    Sixteenths,
}

#[derive(Debug, Clone, Copy, PartialEq, ValueEnum)]
enum EndsGiven {
    /// The largest whole one
    Largest,
    /// Each, with a reading of its own
    All,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum HemisphereGiven {
    North,
    South,
}

impl Args {
    /// What was typed, as the library understands it.
    fn settings(&self) -> Result<Settings, Error> {
        let settings = Settings {
            level: self.level,
            radii: self.radii,
            azimuths_deg: self.azimuth.clone(),
            pith_px: self.pith,
            region_px: self.region,
            ends: match self.ends {
                EndsGiven::Largest => EndsWanted::Largest,
                EndsGiven::All => EndsWanted::All,
            },
            scale: self.scale(),
            face_is_round: self.round,
            last_ring: self.last_ring,
            felling: Felling {
                felled: self.felled.clone(),
                hemisphere: match self.hemisphere {
                    HemisphereGiven::North => Hemisphere::North,
                    HemisphereGiven::South => Hemisphere::South,
                },
                season: self.season,
                outer_rings_lost: self.outer_rings_lost,
                cut_height_mm: self.cut_height,
                years_per_height: self.years_per_height,
            },
            wood: self.wood.kind(),
            mark_every: self.mark_every,
            unit: match self.units {
                Units::Mm => LengthUnit::Mm,
                Units::In => LengthUnit::In,
            },
            max_megapixels: self.max_megapixels,
        };
        settings.check()?;
        Ok(settings)
    }

    /// All that was said of the scale.
    fn scale(&self) -> Vec<ScaleGiven> {
        let mut scale: Vec<ScaleGiven> = self
            .mm_per_px
            .map(ScaleGiven::MmPerPx)
            .into_iter()
            .collect();
        scale.extend(self.points);
        scale.extend(self.dpi);
        scale.extend(self.ruler.map(|marks| {
            ScaleGiven::Ruler(match marks {
                RulerGiven::Auto => RulerMarks::Auto,
                RulerGiven::Mm => RulerMarks::Mm,
                RulerGiven::Sixteenths => RulerMarks::Sixteenths,
            })
        }));
        scale.extend(self.diameter.iter().map(|diameter| {
            let mm = diameter.mm;
            match diameter.azimuth_deg {
                Some(azimuth_deg) => ScaleGiven::DiameterAcross { mm, azimuth_deg },
                None => ScaleGiven::DiameterMm(mm),
            }
        }));
        scale.extend(
            self.girth
                .zip(self.bark)
                .map(|(girth_mm, bark_mm)| ScaleGiven::Girth { girth_mm, bark_mm }),
        );
        scale
    }

    /// The paths given, those listed on standard input in place of `-`.
    fn given(&self) -> Result<Vec<PathBuf>, Error> {
        let mut given = Vec::new();
        for path in &self.paths {
            if path == Path::new("-") {
                let separator = if self.null { 0 } else { b'\n' };
                let listed = batch::paths_in(io::stdin().lock(), separator);
                given.extend(listed.map_err(|source| Error::Unreadable {
                    path: "standard input".into(),
                    source,
                })?);
            } else {
                given.push(path.clone());
            }
        }
        Ok(given)
    }

    fn jobs(&self) -> usize {
        self.jobs.map_or_else(
            || std::thread::available_parallelism().map_or(1, std::num::NonZero::get),
            usize::from,
        )
    }
}

pub(super) fn run(args: &Args, console: &mut Console) -> Result<u8, Error> {
    let settings = args.settings()?;
    let collected = batch::collect(&args.given()?);
    tell_of_others(args, &collected, console);
    if collected.photos.is_empty() {
        console.say("no photo found; name photos or a folder that holds some");
        return Ok(WRONG_USE);
    }
    let mut work = batch::plan(&collected.photos, &args.out)?;
    let listing = Listing::of(&collected.photos);
    if let Some(part) = args.part {
        work.retain(|work| part.holds(&collected.photos[work.place]));
        if !args.quiet {
            console.say(&format!(
                "part {part}: {} of {}",
                work.len(),
                photos(listing.photos)
            ));
        }
    }
    let reader = reading_process::start(&settings)?
        .time_limit(args.time_limit.0)
        .memory(args.memory);
    let jobs = args.jobs().min(work.len()).max(1);
    if args.plan {
        let forecast = batch::forecast(&work, &settings, &reader);
        expected::tell(&forecast, args.jobs(), &args.out, console);
        return Ok(DONE);
    }
    if work.len() > 1 && !args.quiet {
        say_what_goes_for_all(args, work.len(), console);
    }
    let opened = Record::open(&args.out, &settings, args.part, &listing, &work, args.again)
        .and_then(|record| {
            let tables = Tables::create_part(&args.out, &settings, args.part)?;
            Ok((record, tables))
        });
    let (record, tables) = match opened {
        Ok(opened) => opened,
        Err(error) => {
            // Nothing can be written there: the folder is a wrong one, no photo's fault.
            console.complain(&error);
            return Ok(WRONG_USE);
        }
    };
    let stop = reading_process::stop_on_signals(console);
    console.begin(work.len(), "photos");
    let mut tally = Tally {
        args,
        settings: &settings,
        console,
        rows: Vec::new(),
        told: Vec::new(),
        read: 0,
        read_before: 0,
        further_ends: 0,
        doubtful: 0,
        failed: collected.unreadable.len(),
    };
    let ended = batch::run_recorded(&work, tables, record, &reader, jobs, stop, &mut tally);
    let status = tally.end();
    let ended = ended?;
    let left = photos(ended.not_reached);
    match ended.stopped {
        Some(StopReason::Asked) => {
            console.say(&format!(
                "stopped; {left} not reached; the same command goes on from here"
            ));
            Ok(STOPPED)
        }
        Some(StopReason::Disk) => {
            console.say(&format!(
                "stopped, because the disk takes no more; {left} not reached; make room on it, and \
                 the same command goes on from here"
            ));
            Ok(SOME_FAILED)
        }
        None => Ok(status),
    }
}

/// Says what is no photo and what can't be looked into.
fn tell_of_others(args: &Args, collected: &Collected, console: &mut Console) {
    if !args.quiet {
        for remark in &collected.remarks {
            console.say(&format!("{}: {}", remark.path.display(), remark.text));
        }
    }
    for error in &collected.unreadable {
        console.complain(error);
        if args.json {
            let path = error.path().unwrap_or(Path::new("")).to_string_lossy();
            print_line(console, &FailedLine::new(&path, &error.reason()));
        }
    }
}

/// Says where a value that belongs to one face is taken for several photos.
fn say_what_goes_for_all(args: &Args, photos: usize, console: &Console) {
    for (option, is_given) in [
        ("--diameter", !args.diameter.is_empty()),
        ("--girth", args.girth.is_some()),
        ("--points", args.points.is_some()),
        ("--felled", args.felled.is_some()),
        ("--cut-height", args.cut_height.is_some()),
        ("--pith", args.pith.is_some()),
        ("--region", args.region.is_some()),
    ] {
        if is_given {
            console.say(&format!(
                "{option} is taken for each of the {photos} photos"
            ));
        }
    }
}

/// Prints each photo's result and counts them.
struct Tally<'a> {
    args: &'a Args,
    settings: &'a Settings,
    console: &'a mut Console,
    rows: Vec<SummaryRow>,
    /// What is to be said of the years, a line a photo.
    told: Vec<String>,
    read: usize,
    /// Those of them that an earlier run finished.
    read_before: usize,
    /// Log ends beyond the first of their photo.
    further_ends: usize,
    doubtful: usize,
    failed: usize,
}

/// A reading with its photo's path, as `--json` prints it: the fields of `endgrain.reading/1` and
/// `path`, the photo's path as given.
#[derive(Serialize)]
struct ReadLine<'a> {
    #[serde(flatten)]
    reading: &'a Reading,
    path: &'a str,
}

/// A failure as `--json` prints it, `endgrain.failure/1`: `path`, the photo's path as given, and
/// `error`, what is wrong with it, its causes and the way out.
#[derive(Serialize)]
struct FailedLine<'a> {
    schema: &'static str,
    path: &'a str,
    error: &'a str,
}

impl<'a> FailedLine<'a> {
    fn new(path: &'a str, error: &'a str) -> Self {
        FailedLine {
            schema: "endgrain.failure/1",
            path,
            error,
        }
    }
}

fn print_line(console: &mut Console, object: &impl Serialize) {
    match serde_json::to_string(object) {
        Ok(line) => console.print(&format!("{line}\n")),
        Err(error) => console.say(&format!("a fault in endgrain itself: {error}")),
    }
}

impl Report for Tally<'_> {
    fn read(&mut self, work: &Work, reading: &Reading) {
        self.read += 1;
        self.tell(work, reading);
        self.console.step();
    }

    fn further_end(&mut self, work: &Work, reading: &Reading) {
        self.further_ends += 1;
        self.tell(work, reading);
    }

    fn read_before(&mut self, work: &Work, reading: &Reading) {
        self.read_before += 1;
        self.read(work, reading);
    }

    fn failed(&mut self, work: &Work, error: &Error) {
        let path = work.path.to_string_lossy();
        let reason = error.reason();
        self.failed += 1;
        match error.path() {
            Some(_) => self.console.complain(error),
            // What a photo makes nonsense of is told with the photo.
            None => self.console.say(&format!("{path}: {reason}")),
        }
        if self.args.json {
            print_line(self.console, &FailedLine::new(&path, &reason));
        } else if !self.args.quiet {
            self.rows.push(SummaryRow::refused(&path, &reason));
        }
        self.console.step();
    }
}

impl Tally<'_> {
    /// Tells of one reading.
    fn tell(&mut self, work: &Work, reading: &Reading) {
        let path = work.path.to_string_lossy();
        self.doubtful += usize::from(is_doubtful(reading));
        if self.args.json {
            let path = &path;
            print_line(self.console, &ReadLine { reading, path });
        } else if !self.args.quiet {
            let shown = match &reading.end {
                Some(end) if self.args.ends == EndsGiven::All => format!("{path} ({})", end.text()),
                _ => path.to_string(),
            };
            self.rows
                .push(SummaryRow::read(&shown, reading, self.settings));
            let told = calendar::sentences(reading, self.settings.unit);
            if !told.is_empty() {
                self.told
                    .push(format!("{}: {}", printable(&shown), told.join(" ")));
            }
        }
    }

    /// Prints the table and the last line, and gives the exit status.
    fn end(self) -> u8 {
        self.console.end();
        if !self.rows.is_empty() {
            self.console.print(&summary(&self.rows));
        }
        for line in &self.told {
            self.console.say(line);
        }
        if !self.args.quiet {
            let out = printable(&self.args.out.to_string_lossy());
            let mut words = format!("{} read", photos(self.read));
            if self.further_ends > 0 {
                words.push_str(&format!(", {} log ends", self.read + self.further_ends));
            }
            if self.read_before > 0 {
                words.push_str(&format!(", {} of them by an earlier run", self.read_before));
            }
            if self.doubtful > 0 {
                words.push_str(&format!(", {} of them doubtful", self.doubtful));
            }
            if self.failed > 0 {
                words.push_str(&format!(", {} failed", self.failed));
            }
            self.console.say(&format!("{words}; files in {out}"));
        }
        if self.failed > 0 || (self.args.strict && self.doubtful > 0) {
            SOME_FAILED
        } else {
            DONE
        }
    }
}

fn photos(count: usize) -> String {
    if count == 1 {
        "1 photo".into()
    } else {
        format!("{count} photos")
    }
}

/// Whether `--strict` refuses a reading: no count, an "at least", or rings unclear or too tight.
fn is_doubtful(reading: &Reading) -> bool {
    !reading.is_counted()
        || !reading.age.complete
        || reading.notes.iter().any(|note| {
            matches!(
                note.code,
                NoteCode::NoEndGrain
                    | NoteCode::RingsUnclear
                    | NoteCode::RingsTooTight
                    | NoteCode::ScaleContradicts
                    | NoteCode::ScaleNotFound
            )
        })
}
