//! What the commands after the reading are given beside the readings: the photos, the weather.

use super::console::Console;
use endgrain::batch;
use endgrain::error::Error;
use endgrain::growth::GrowthRecord;
use endgrain::heartwood::{self, Heartwood};
use endgrain::photo::{self, Photo};
use endgrain::reading::Reading;
use endgrain::settings::Settings;
use endgrain::timber::{self, Lines};
use endgrain::weather::{Finding, Hemisphere, Weather, correlate};
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
pub(super) struct BesideArgs {
    /// Folder of the photos that were read: tells sapwood from heartwood and measures latewood in them
    ///
    /// A photo is found by its name and told by its SHA-256, so only the very photo is looked at.
    #[arg(long, value_name = "DIR")]
    pub(super) photos: Option<PathBuf>,

    /// Monthly weather: CSV with the columns year and month, and columns of numbers
    ///
    /// Rings need years. Each month and season from June before to September is tried against ring width
    /// over its local trend, and it is told how many that were.
    #[arg(long, value_name = "FILE")]
    weather: Option<PathBuf>,

    /// The tree grew in the southern hemisphere: months are six later
    #[arg(long)]
    south: bool,
}

/// What was found with them.
pub(super) struct Found {
    /// `None` where the photo isn't at hand, `Some(None)` where no heartwood is to be seen.
    pub(super) heartwood: Option<Option<Heartwood>>,
    pub(super) weather: Option<Finding>,
    pub(super) lines: Option<Lines>,
    /// Measured in the photo, along the three inches.
    pub(super) latewood: Option<f64>,
}

impl BesideArgs {
    /// The weather table, its gaps told.
    pub(super) fn weather(&self, console: &Console) -> Result<Option<Weather>, Error> {
        let Some(path) = &self.weather else {
            return Ok(None);
        };
        let weather = Weather::load(path)?;
        for gap in weather.gaps_in_words() {
            console.say(&format!("{}: {gap}", path.display()));
        }
        Ok(Some(weather))
    }

    /// Looks for what can be found of one disc.
    pub(super) fn found(
        &self,
        weather: Option<&Weather>,
        reading: &Reading,
        record: &GrowthRecord,
        console: &Console,
    ) -> Found {
        let photo = self.photos.as_deref().and_then(|folder| {
            let found = photo_of(folder, reading);
            if found.is_none() {
                console.say(&format!(
                    "{}: the photo {} of a reading isn't in it, or is another by now; its heartwood and latewood are not looked for",
                    folder.display(),
                    reading.photo.file
                ));
            }
            found
        });
        let lines = timber::lines(reading);
        let latewood = || {
            let line = lines.as_ref()?.three_inches.as_ref()?;
            timber::latewood_share(&photo.as_ref()?.pixels, reading, line)
        };
        let hemisphere = if self.south {
            Hemisphere::South
        } else {
            Hemisphere::North
        };
        Found {
            heartwood: photo
                .as_ref()
                .map(|photo| heartwood::find(&photo.pixels, reading)),
            weather: weather.map(|weather| correlate(record, weather, hemisphere)),
            latewood: latewood(),
            lines,
        }
    }
}

/// The photo of a reading below a folder: of its name, and with its very bytes.
fn photo_of(folder: &Path, reading: &Reading) -> Option<Photo> {
    let collected = batch::collect(&[folder.to_path_buf()]);
    let named = collected.photos.into_iter().filter(|found| {
        let name = found.path.file_name().unwrap_or_default();
        name.to_string_lossy() == reading.photo.file
    });
    named
        .filter_map(|found| photo::read(&found.path, &Settings::default()).ok())
        .find(|photo| photo.sha256 == reading.photo.sha256)
}
