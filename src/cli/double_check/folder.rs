//! A folder by its sheet, and what is told of any folder.

use super::super::console::{Console, printable};
use super::super::{DONE, SOME_FAILED};
use super::{Args, marks_of, print_line, stem_of};
use endgrain::error::Error;
use endgrain::hand_count::checking::{self, Checked, Task};
use endgrain::hand_count::comparing::Given;
use endgrain::hand_count::folder::Folder;
use endgrain::hand_count::one_sheet::{self, Entry};
use endgrain::hand_count::sheet::{self, Row, Sheet};
use endgrain::hand_count::words;
use endgrain::settings::{ScaleGiven, Settings};
use rayon::prelude::*;
use std::path::{Path, PathBuf};

pub(super) fn whole_folder(
    args: &Args,
    settings: &Settings,
    sheet_path: &Path,
    folder_path: Option<&Path>,
    console: &mut Console,
) -> Result<u8, Error> {
    let (sheet, mut failed) = sheet_with_marks(sheet_path, args.marks.as_deref(), console)?;
    let base = folder_path.or(sheet_path.parent()).unwrap_or(Path::new(""));
    let done = side_by_side(args, &sheet.rows, |row| one_row(args, settings, base, row))?;
    let mut entries = Vec::new();
    let mut doubtful = 0;
    for (row, result) in sheet.rows.iter().zip(done) {
        let result = match result {
            Ok(checked) => {
                failed += checked.faults.len();
                doubtful += usize::from(checking::is_doubtful(&checked.record));
                for fault in &checked.faults {
                    console.say(&fault.to_string());
                }
                if args.json {
                    print_line(console, &checked.record);
                }
                Ok(checked.record)
            }
            Err(error) => {
                failed += 1;
                console.complain(&error);
                Err(error.reason())
            }
        };
        entries.push(Entry {
            photo: row.photo.clone(),
            result,
        });
    }
    let of = entries.len() + sheet.refused.len();
    finish(args, &one_sheet::folder(entries), of, console)?;
    Ok(if failed > 0 || (args.strict && doubtful > 0) {
        SOME_FAILED
    } else {
        DONE
    })
}

/// A sheet with the marks of its photos, and how much of both was bad: that is told of.
pub(super) fn sheet_with_marks(
    path: &Path,
    marks: Option<&Path>,
    console: &Console,
) -> Result<(Sheet, usize), Error> {
    let mut sheet = sheet::load(path)?;
    for fault in &sheet.faults {
        console.say(&fault.to_string());
    }
    let mut failed = sheet.faults.len();
    if let Some(path) = marks {
        let (rows, faults) = marks_of(path, console)?;
        let strays = sheet.give_marks(rows);
        for fault in &strays {
            console.say(&fault.to_string());
        }
        failed += faults + strays.len();
    }
    Ok((sheet, failed))
}

/// Does something with each row, as many at once as `--jobs` says.
pub(super) fn side_by_side<R: Sync, T: Send>(
    args: &Args,
    rows: &[R],
    work: impl Fn(&R) -> T + Sync + Send,
) -> Result<Vec<T>, Error> {
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(args.jobs.map_or(0, usize::from))
        .build()
        .map_err(|refused| Error::Setting {
            what: format!("no threads can be had: {refused}"),
        })?;
    Ok(pool.install(|| rows.par_iter().map(work).collect()))
}

/// The photo of a row, in the folder of the photos.
pub(super) fn photo_of(row: &Row, base: &Path) -> Result<PathBuf, Error> {
    let path = base.join(&row.photo);
    if path.exists() {
        return Ok(path);
    }
    Err(row.origin.fault(
        format!("{} isn't there", path.display()),
        "correct the photo's name, or name its folder before --sheet",
    ))
}

/// What the names of a row's files begin with: folders below the photos' own are mirrored.
pub(super) fn stem_below(row: &Row, out: &Path) -> PathBuf {
    let below = Path::new(&row.photo);
    let inside = below
        .parent()
        .filter(|parent| parent.is_relative() && !row.photo.contains(".."))
        .unwrap_or(Path::new(""));
    out.join(inside).join(stem_of(below))
}

fn one_row(args: &Args, settings: &Settings, base: &Path, row: &Row) -> Result<Checked, Error> {
    let path = photo_of(row, base)?;
    let mut settings = settings.clone();
    if let Some(mm) = row.diameter_mm {
        settings.scale = vec![ScaleGiven::DiameterMm(mm)];
    }
    let disc = checking::open(&path, None, args.readings.as_deref(), &settings)?;
    let task = Task {
        hand: row.hand.clone(),
        given: Given {
            azimuth_deg: row.azimuth_deg.or(args.azimuth),
            mm_per_px: checking::scale_given(&settings),
            last_ring: row.last_ring.or(args.last_ring),
        },
        diameter_mm: row.diameter_mm.or(args.diameter),
        find_marks: args.pen_marks(),
    };
    let checked = checking::check(&disc, &task, &path)?;
    if let Some(out) = &args.out {
        checking::write_files(&checked, &disc, &stem_below(row, out), &settings)?;
    }
    Ok(checked)
}

/// Writes a folder's table, plot and page where they are asked for, prints the table and the totals,
/// the worst first, and says how many `of` the photos were compared.
pub(super) fn finish(
    args: &Args,
    folder: &Folder,
    of: usize,
    console: &mut Console,
) -> Result<(), Error> {
    let written = match &args.out {
        Some(out) => folder.write(out)?,
        None => Vec::new(),
    };
    if !args.json && !args.quiet {
        let mut rows = vec![folder.kind.head().map(str::to_owned).to_vec()];
        for line in &folder.lines {
            rows.push(line.iter().map(|cell| printable(cell)).collect());
        }
        let mut text = words::aligned(&rows);
        match folder.agreement() {
            Some(agreement) => {
                for said in agreement.words() {
                    text.push_str(&format!("{said}\n"));
                }
            }
            None => text.push_str("no disc has both counts\n"),
        }
        console.print(&text);
    }
    if let Some(out) = args.out.as_ref().filter(|_| !args.quiet) {
        console.say(&format!(
            "{} of {of} compared; {} in {}",
            folder.compared,
            written.join(", "),
            out.display()
        ));
    }
    Ok(())
}
