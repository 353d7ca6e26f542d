//! A file that is there whole or not at all.

use crate::error::Error;
use std::ffi::{OsStr, OsString};
use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

/// A file in the making: written under a hidden temporary name in the folder of its own, and given
/// its name by [`WholeFile::finish`]. Dropped before that, it leaves nothing behind.
#[derive(Debug)]
pub struct WholeFile {
    path: PathBuf,
    part: PathBuf,
    /// Taken out when the file is finished.
    file: Option<BufWriter<File>>,
}

/// Stands between a file's name and the process that writes it, in the temporary name.
const PART: &str = ".part-";

/// The name of the file of which this is the temporary name, if it is one.
pub(super) fn half_of(name: &OsStr) -> Option<&[u8]> {
    let name = name.as_encoded_bytes().strip_prefix(b".")?;
    let at = name
        .windows(PART.len())
        .rposition(|window| window == PART.as_bytes())?;
    let process = &name[at + PART.len()..];
    let is_number = !process.is_empty() && process.iter().all(u8::is_ascii_digit);
    is_number.then_some(&name[..at])
}

impl WholeFile {
    /// Begins the file.
    ///
    /// # Errors
    /// [`Error::Unwritable`].
    pub fn create(path: &Path) -> Result<Self, Error> {
        let mut name = OsString::from(".");
        name.push(path.file_name().unwrap_or_default());
        // With the process in the name, two runs into one folder don't write into each other's file.
        name.push(format!("{PART}{}", std::process::id()));
        let part = path.with_file_name(name);
        let file = File::create(&part).map_err(|source| Error::Unwritable {
            path: path.to_path_buf(),
            source,
        })?;
        Ok(WholeFile {
            path: path.to_path_buf(),
            part,
            file: Some(BufWriter::new(file)),
        })
    }

    /// Brings all bytes to the disk and gives the file its name, in place of an older one.
    ///
    /// # Errors
    /// [`Error::Unwritable`]; the older file, if any, is then as it was.
    pub fn finish(mut self) -> Result<(), Error> {
        let Some(file) = self.file.take() else {
            return Ok(());
        };
        file.into_inner()
            .map_err(io::IntoInnerError::into_error)
            .and_then(|file| file.sync_all())
            .and_then(|()| fs::rename(&self.part, &self.path))
            .map_err(|source| {
                // What is left of a failed write is of no use; failing to remove it changes nothing.
                let _ = fs::remove_file(&self.part);
                Error::Unwritable {
                    path: self.path.clone(),
                    source,
                }
            })
    }
}

impl Write for WholeFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut self.file {
            Some(file) => file.write(bytes),
            None => Err(io::ErrorKind::BrokenPipe.into()),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.as_mut().map_or(Ok(()), Write::flush)
    }
}

impl Drop for WholeFile {
    fn drop(&mut self) {
        if let Some(file) = self.file.take() {
            // Without flushing: the file goes.
            drop(file.into_parts());
            let _ = fs::remove_file(&self.part);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{WholeFile, half_of};
    use std::fs;
    use std::io::Write;

    #[test]
    fn a_file_is_there_whole_or_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let names = || -> Vec<_> {
            let entries = fs::read_dir(folder.path()).unwrap();
            entries.map(|entry| entry.unwrap().file_name()).collect()
        };
        let path = folder.path().join("a.rings.json");
        let mut file = WholeFile::create(&path).unwrap();
        file.write_all(b"half").unwrap();
        assert!(!path.exists(), "half a file shows");
        drop(file);
        assert!(names().is_empty(), "a dropped file leaves {:?}", names());

        let mut file = WholeFile::create(&path).unwrap();
        file.write_all(b"whole").unwrap();
        file.finish().unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"whole");
        assert_eq!(names(), ["a.rings.json"]);
    }

    #[test]
    fn a_temporary_name_tells_whose_it_is() {
        let half = |name: &str| half_of(name.as_ref()).map(<[u8]>::to_vec);
        assert_eq!(
            half(".a.rings.json.part-17"),
            Some(b"a.rings.json".to_vec())
        );
        assert_eq!(
            half(".ages.part-3-of-8.csv.part-17"),
            Some(b"ages.part-3-of-8.csv".to_vec())
        );
        for name in [
            "a.rings.json",
            ".a.part-",
            ".a.part-x",
            "a.part-17",
            "ages.part-3-of-8.csv",
        ] {
            assert_eq!(half(name), None, "{name}");
        }
    }

    #[test]
    fn an_older_file_stays_until_the_new_one_is_whole() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("ages.csv");
        fs::write(&path, b"older").unwrap();
        let mut file = WholeFile::create(&path).unwrap();
        file.write_all(b"newer").unwrap();
        file.flush().unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"older");
        file.finish().unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"newer");
    }
}
