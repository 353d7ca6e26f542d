//! Reading one photo, wherever that is done: on the thread that asks, or in a process of its own
//! ([`super::Processes`]).

use super::Outputs;
use crate::error::Error;
use crate::photo::{self, Photo, panic_words};
use crate::settings::{ScaleGiven, Settings};
use std::borrow::Cow;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

/// What is made of one photo, as its files hold it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finished {
    /// SHA-256 of the photo's bytes, hexadecimal.
    pub sha256: String,
    /// The files of each log end that was read, in their order; at least one.
    pub ends: Vec<FilesOfEnd>,
}

/// What is made of one log end, as its files hold it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FilesOfEnd {
    /// The reading as JSON, a newline at its end.
    pub reading: Vec<u8>,
    /// The overlay as JPEG.
    pub overlay: Vec<u8>,
    /// The strip as JPEG.
    pub strip: Vec<u8>,
}

/// What reading a photo came to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// The photo's bytes are those whose hash was given: nothing was read.
    Same,
    /// The photo was read.
    Finished(Finished),
}

/// Reads single photos, several at once where several threads ask.
pub trait Reader: Sync {
    /// Reads the photo at `path`, unless its bytes have the hash `known_sha256`.
    ///
    /// # Errors
    /// What is wrong with the photo, or what reading it came to.
    fn read(&self, path: &Path, known_sha256: Option<&str>) -> Result<Answer, Error>;
}

/// What is done with a decoded photo.
pub(super) type Make<'a> = dyn Fn(Photo, &Settings) -> Result<Vec<Outputs>, Error> + Sync + 'a;

/// Reads on the thread that asks. A panic costs its photo only; a crash, a hang or a hunger for memory
/// would cost the run.
pub(super) struct OnThread<'a> {
    pub(super) settings: &'a Settings,
    pub(super) make: &'a Make<'a>,
}

impl Reader for OnThread<'_> {
    fn read(&self, path: &Path, known_sha256: Option<&str>) -> Result<Answer, Error> {
        let whole = || {
            let bytes = photo::bytes_of(path, self.settings)?;
            if known_sha256.is_some_and(|known| photo::sha256_of(&bytes) == known) {
                return Ok(Answer::Same);
            }
            finish(&bytes, path, self.settings, self.make)
        };
        catch_unwind(AssertUnwindSafe(whole)).unwrap_or_else(|panic| {
            Err(Error::Fault {
                path: path.to_path_buf(),
                what: panic_words(panic.as_ref()),
            })
        })
    }
}

/// Decodes a photo's bytes and makes its files' bytes of them.
pub(super) fn finish(
    bytes: &[u8],
    path: &Path,
    settings: &Settings,
    make: &Make<'_>,
) -> Result<Answer, Error> {
    let photo = photo::decode(bytes, path, settings)?;
    let settings = &with_resolution(bytes, settings);
    let sha256 = photo.sha256.clone();
    let outputs = make(photo, settings).map_err(|error| error.about(path))?;
    let ends = outputs.into_iter().map(|end| {
        let mut reading = serde_json::to_vec(&end.reading).map_err(|refused| Error::Fault {
            path: path.to_path_buf(),
            what: refused.to_string(),
        })?;
        reading.push(b'\n');
        Ok(FilesOfEnd {
            reading,
            overlay: end.overlay,
            strip: end.strip,
        })
    });
    Ok(Answer::Finished(Finished {
        sha256,
        ends: ends.collect::<Result<_, Error>>()?,
    }))
}

/// The settings for one photo: where its file's own resolution was asked for, with that looked up.
fn with_resolution<'a>(bytes: &[u8], settings: &'a Settings) -> Cow<'a, Settings> {
    let is_asked = |given: &ScaleGiven| matches!(given, ScaleGiven::DpiOfFile(_));
    if !settings.scale.iter().any(is_asked) {
        return Cow::Borrowed(settings);
    }
    let dpi = photo::dots_per_inch(bytes);
    let mut settings = settings.clone();
    for given in settings.scale.iter_mut().filter(|given| is_asked(given)) {
        *given = ScaleGiven::DpiOfFile(dpi);
    }
    Cow::Owned(settings)
}
