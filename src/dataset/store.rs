//! The dataset's folder: locked while it is written, and never half new and half old.
//!
//! All files of a run are written into the hidden folder `.gathering` inside it and synced; then a list
//! of them, the last thing written there, says that they are whole; then each is renamed to its place.
//! Killed before the list is there, a run has changed nothing, and what it left is deleted by the next;
//! killed after it, the next run finishes the renaming first. So at any moment either all of the old
//! files or all of the new ones are there or to be had.

use super::sources::hexadecimal;
use crate::batch::WholeFile;
use crate::error::Error;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

const STAGING: &str = ".gathering";
const LIST: &str = "whole.json";
const LOCK: &str = ".lock";

/// The list of a finished run.
#[derive(Debug, Serialize, Deserialize)]
struct Whole {
    /// Files to be renamed to their places.
    files: Vec<String>,
    /// Files of an earlier run that are no longer written.
    gone: Vec<String>,
}

/// The folder, locked.
#[derive(Debug)]
pub(super) struct Store {
    folder: PathBuf,
    /// Holds the lock until it is dropped.
    _lock: File,
}

impl Store {
    /// Makes the folder where it isn't there, locks it, and ends what a killed run left.
    pub(super) fn open(folder: &Path) -> Result<Self, Error> {
        let unwritable = |path: &Path| {
            let path = path.to_path_buf();
            move |source| Error::Unwritable { path, source }
        };
        fs::create_dir_all(folder).map_err(unwritable(folder))?;
        let path = folder.join(LOCK);
        let lock = OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .map_err(unwritable(folder))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(Error::Setting {
                    what: format!(
                        "{}: another run is writing this dataset; wait until it has ended",
                        folder.display()
                    ),
                });
            }
            // A disk without locks is taken at its word.
            Err(TryLockError::Error(_)) => {}
        }
        let store = Store {
            folder: folder.to_path_buf(),
            _lock: lock,
        };
        store.recover()?;
        Ok(store)
    }

    pub(super) fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    fn staged(&self, name: &str) -> PathBuf {
        self.folder.join(STAGING).join(name)
    }

    /// Ends what a killed run left: renames on where its list is whole, deletes it where not.
    pub(super) fn recover(&self) -> Result<(), Error> {
        let staging = self.folder.join(STAGING);
        if !staging.is_dir() {
            return Ok(());
        }
        if let Ok(list) = fs::read(self.staged(LIST)) {
            let whole: Whole = serde_json::from_slice(&list).map_err(|fault| Error::BadData {
                path: self.staged(LIST),
                line: None,
                what: format!("no list of files: {fault}"),
                way_out: "delete the folder .gathering and gather again".into(),
            })?;
            self.place(&whole)
        } else {
            fs::remove_dir_all(&staging).map_err(|source| Error::Unwritable {
                path: staging,
                source,
            })
        }
    }

    /// A file of this dataset; `None` where it isn't there.
    pub(super) fn read(&self, name: &str) -> Result<Option<Vec<u8>>, Error> {
        let path = self.path(name);
        match fs::read(&path) {
            Ok(bytes) => Ok(Some(bytes)),
            Err(source) if source.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(source) => Err(Error::Unreadable { path, source }),
        }
    }

    /// SHA-256 of a file; `None` where it isn't there.
    pub(super) fn hash(&self, name: &str) -> Result<Option<String>, Error> {
        let path = self.path(name);
        let unreadable = |source| Error::Unreadable {
            path: path.clone(),
            source,
        };
        let mut file = match File::open(&path) {
            Ok(file) => file,
            Err(source) if source.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(source) => return Err(unreadable(source)),
        };
        let (mut hash, mut buffer) = (Sha256::new(), vec![0; 1 << 18]);
        loop {
            let read = file.read(&mut buffer).map_err(unreadable)?;
            if read == 0 {
                return Ok(Some(hexadecimal(&hash.finalize())));
            }
            hash.update(&buffer[..read]);
        }
    }

    /// Begins the new files.
    pub(super) fn begin(&self) -> Result<(), Error> {
        let staging = self.folder.join(STAGING);
        fs::create_dir(&staging).map_err(|source| Error::Unwritable {
            path: staging,
            source,
        })
    }

    /// Begins one new file.
    pub(super) fn create(&self, name: &str) -> Result<Staged, Error> {
        Ok(Staged {
            name: name.to_owned(),
            path: self.path(name),
            file: WholeFile::create(&self.staged(name))?,
            hash: Sha256::new(),
            bytes: 0,
        })
    }

    /// Opens a new file that is whole, to be read.
    pub(super) fn open_staged(&self, name: &str) -> Result<File, Error> {
        let path = self.staged(name);
        File::open(&path).map_err(|source| Error::Unreadable { path, source })
    }

    /// Puts all new files in their places; `gone` are names that are to be no more.
    pub(super) fn commit(&self, files: Vec<String>, gone: Vec<String>) -> Result<(), Error> {
        let whole = Whole { files, gone };
        let list = serde_json::to_vec(&whole).map_err(|fault| Error::Fault {
            path: self.staged(LIST),
            what: fault.to_string(),
        })?;
        self.sync(STAGING)?;
        let mut file = WholeFile::create(&self.staged(LIST))?;
        file.write_all(&list).map_err(|source| Error::Unwritable {
            path: self.staged(LIST),
            source,
        })?;
        file.finish()?;
        self.sync(STAGING)?;
        self.place(&whole)
    }

    fn place(&self, whole: &Whole) -> Result<(), Error> {
        let unwritable = |name: &str, source| Error::Unwritable {
            path: self.path(name),
            source,
        };
        for name in &whole.files {
            match fs::rename(self.staged(name), self.path(name)) {
                Ok(()) => {}
                // Renamed already by the run that was killed.
                Err(gone) if gone.kind() == io::ErrorKind::NotFound => {}
                Err(source) => return Err(unwritable(name, source)),
            }
        }
        for name in &whole.gone {
            match fs::remove_file(self.path(name)) {
                Err(source) if source.kind() != io::ErrorKind::NotFound => {
                    return Err(unwritable(name, source));
                }
                _ => {}
            }
        }
        self.sync("")?;
        fs::remove_dir_all(self.folder.join(STAGING)).map_err(|source| unwritable(STAGING, source))
    }

    /// Brings the names in a folder to the disk.
    fn sync(&self, name: &str) -> Result<(), Error> {
        let path = self.folder.join(name);
        if cfg!(unix) {
            let synced = File::open(&path).and_then(|folder| folder.sync_all());
            synced.map_err(|source| Error::Unwritable { path, source })
        } else {
            Ok(())
        }
    }
}

/// A new file in the making, hashed as it is written.
#[derive(Debug)]
pub(super) struct Staged {
    name: String,
    /// Where it will be, for what is told of it.
    path: PathBuf,
    file: WholeFile,
    hash: Sha256,
    bytes: u64,
}

/// A new file that is whole.
#[derive(Debug, Clone)]
pub(super) struct Made {
    pub(super) name: String,
    pub(super) bytes: u64,
    pub(super) sha256: String,
}

impl Staged {
    /// Writes all of these bytes.
    pub(super) fn add(&mut self, bytes: &[u8]) -> Result<(), Error> {
        self.write_all(bytes)
            .map_err(|source| self.unwritable(source))
    }

    pub(super) fn unwritable(&self, source: io::Error) -> Error {
        Error::Unwritable {
            path: self.path.clone(),
            source,
        }
    }

    pub(super) fn finish(self) -> Result<Made, Error> {
        self.file.finish()?;
        Ok(Made {
            name: self.name,
            bytes: self.bytes,
            sha256: hexadecimal(&self.hash.finalize()),
        })
    }
}

impl Write for Staged {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.file.write(bytes)?;
        self.hash.update(&bytes[..written]);
        self.bytes += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn add(store: &Store, name: &str, text: &str) {
        let mut file = store.create(name).unwrap();
        file.add(text.as_bytes()).unwrap();
        file.finish().unwrap();
    }

    #[test]
    fn a_run_killed_before_its_list_has_changed_nothing_and_after_it_is_finished_by_the_next() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        let store = Store::open(folder.path()).unwrap();
        store.begin().unwrap();
        add(&store, "a", "old a");
        add(&store, "b", "old b");
        store.commit(vec!["a".into(), "b".into()], vec![]).unwrap();
        assert!(Store::open(folder.path()).is_err(), "two runs at once");
        drop(store);

        let store = Store::open(folder.path()).unwrap();
        store.begin().unwrap();
        add(&store, "a", "half");
        drop(store);
        let store = Store::open(folder.path()).unwrap();
        assert!(!at(STAGING).exists());
        assert_eq!(fs::read_to_string(at("a")).unwrap(), "old a");

        store.begin().unwrap();
        add(&store, "a", "new a");
        add(&store, "c", "new c");
        // As if killed between two renames.
        let list = r#"{"files":["a","c"],"gone":["b"]}"#;
        fs::write(store.staged(LIST), list).unwrap();
        fs::rename(store.staged("a"), store.path("a")).unwrap();
        drop(store);
        Store::open(folder.path()).unwrap();
        assert_eq!(fs::read_to_string(at("a")).unwrap(), "new a");
        assert_eq!(fs::read_to_string(at("c")).unwrap(), "new c");
        assert!(!at("b").exists() && !at(STAGING).exists());
    }
}
