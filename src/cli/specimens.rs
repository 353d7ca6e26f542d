//! `endgrain specimens`.

use super::console::Console;
use super::{DONE, SOME_FAILED, WRONG_USE};
use endgrain::batch::{self, WholeFile};
use endgrain::dataset::sheet;
use endgrain::error::Error;
use std::path::{Path, PathBuf};

const EXAMPLES: &str = "\
Examples:
  endgrain specimens yard/ --out yard-sheet.csv
  endgrain specimens --check yard-sheet.csv

Fill it in with any program that keeps CSV in UTF-8, with decimal points; columns of your own are
kept. Then: endgrain gather readings/ --sheet yard-sheet.csv --out dataset
Exit status: 0 all done, 1 a fault in the sheet or a photo that can't be read, 2 wrong use.";

/// Write a sheet of specimens for photos, or check a filled one
///
/// A sheet says what no photo tells: tree and disc, species, place, height of the cut, felling, scale.
/// It has one row a photo. Checking tells every fault with its line and column.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// Photos and folders of photos to have a row each
    #[arg(
        value_name = "PATH",
        required_unless_present = "check",
        requires = "out",
        conflicts_with = "check"
    )]
    paths: Vec<PathBuf>,

    /// File to write the empty sheet to; a file that is there is never written over
    #[arg(short, long, value_name = "FILE", conflicts_with = "check")]
    out: Option<PathBuf>,

    /// Check this filled sheet instead
    #[arg(long, value_name = "SHEET")]
    check: Option<PathBuf>,
}

pub(super) fn run(args: &Args, console: &mut Console) -> Result<u8, Error> {
    match (&args.check, &args.out) {
        (Some(path), _) => check(path, console),
        (None, Some(out)) => blank(&args.paths, out, console),
        (None, None) => Ok(WRONG_USE),
    }
}

fn check(path: &Path, console: &Console) -> Result<u8, Error> {
    let bytes = std::fs::read(path).map_err(|source| Error::Unreadable {
        path: path.to_path_buf(),
        source,
    })?;
    match sheet::parse(&bytes, path) {
        Ok(sheet) => {
            for (line, words) in &sheet.remarks {
                console.say(&format!("{}, line {line}: {words}", path.display()));
            }
            console.say(&format!("{} rows, no fault", sheet.rows.len()));
            Ok(DONE)
        }
        Err(faults) => {
            for fault in &faults {
                console.say(&fault.to_string());
            }
            console.say(&format!("faults in the sheet: {}", faults.len()));
            Ok(SOME_FAILED)
        }
    }
}

fn blank(paths: &[PathBuf], out: &Path, console: &mut Console) -> Result<u8, Error> {
    if out.exists() {
        return Err(Error::Setting {
            what: format!(
                "{}: there is a file of that name, perhaps one that was filled in; give --out another name",
                out.display()
            ),
        });
    }
    let collected = batch::collect(paths);
    for remark in &collected.remarks {
        console.say(&format!("{}: {}", remark.path.display(), remark.text));
    }
    if collected.photos.is_empty() {
        console.say("no photo found; name photos or a folder that holds some");
        return Ok(WRONG_USE);
    }
    console.begin(collected.photos.len(), "photos");
    let (sheet, refused) = sheet::blank(&collected.photos, &mut || console.step());
    console.end();
    for error in collected.unreadable.iter().chain(&refused) {
        console.complain(error);
    }
    let mut file = WholeFile::create(out)?;
    sheet::write(&mut file, &sheet).map_err(|source| Error::Unwritable {
        path: out.to_path_buf(),
        source,
    })?;
    file.finish()?;
    console.say(&format!("{} rows in {}", sheet.rows.len(), out.display()));
    if collected.unreadable.is_empty() && refused.is_empty() {
        Ok(DONE)
    } else {
        Ok(SOME_FAILED)
    }
}
