//! Readings loaded for the commands that come after the reading.

use super::console::Console;
use endgrain::batch;
use endgrain::error::Error;
use endgrain::reading::{self, Reading};
use endgrain::report::find;
use std::path::{Path, PathBuf};

/// A reading, its file, and the place of what is made of it.
pub(super) struct Loaded {
    pub(super) path: PathBuf,
    /// Output path but for its ending.
    pub(super) stem: PathBuf,
    pub(super) reading: Result<Reading, Error>,
}

/// Loads the readings at the paths given; faults are told at once. The second value counts the
/// folders that could not be read.
pub(super) fn load(
    given: &[PathBuf],
    out: &Path,
    console: &Console,
) -> Result<(Vec<Loaded>, usize), Error> {
    let (found, refused) = find::readings(given);
    for error in &refused {
        console.complain(error);
    }
    let work = batch::plan(&found, out)?;
    let loaded = work
        .into_iter()
        .map(|work| {
            let reading = reading::load(&work.path);
            if let Err(error) = &reading {
                console.complain(error);
            }
            Loaded {
                path: work.path,
                stem: work.stem,
                reading,
            }
        })
        .collect();
    Ok((loaded, refused.len()))
}

/// The path of an output with its ending.
pub(super) fn with_ending(stem: &Path, ending: &str) -> PathBuf {
    let mut name = stem.as_os_str().to_owned();
    name.push(ending);
    name.into()
}

/// Writes an output whole, its folder made if it isn't there.
pub(super) fn write(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    use std::io::Write as _;
    let unwritable = |path: &Path, source| Error::Unwritable {
        path: path.to_path_buf(),
        source,
    };
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(|source| unwritable(folder, source))?;
    }
    let mut file = batch::WholeFile::create(path)?;
    file.write_all(bytes)
        .map_err(|source| unwritable(path, source))?;
    file.finish()
}

/// `1 disc`, `7 discs`.
pub(super) fn discs(count: usize) -> String {
    if count == 1 {
        "1 disc".into()
    } else {
        format!("{count} discs")
    }
}
