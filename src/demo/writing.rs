//! Writes practice photos and their truth.

use super::plan::{Plan, plan};
use super::{Rendered, Suite, render};
use crate::error::Error;
use image::RgbImage;
use std::fs;
use std::path::{Path, PathBuf};

/// A set of practice discs to write.
#[derive(Debug, Clone)]
pub struct Order {
    /// How many photos.
    pub count: u64,
    /// Seed of the set.
    pub seed: u64,
    /// Suites, taken in turn.
    pub suites: Vec<Suite>,
    /// Size of each photo, megapixels; `None` leaves each at the size that was drawn for it
    /// (2 to 6 megapixels).
    pub megapixels: Option<f64>,
}

/// A photo that was written.
#[derive(Debug, Clone)]
pub struct Written {
    /// The photo.
    pub photo: PathBuf,
    /// Its truth.
    pub truth: PathBuf,
    /// Rings in it, if any can be counted.
    pub rings: Option<usize>,
}

impl Plan {
    /// The photo's bytes as a camera or messenger would hand it over: JPEG at the planned quality,
    /// compressed a second time where that was planned.
    ///
    /// # Errors
    /// [`Error::Fault`] if the encoder refuses the picture (sides over 65,535 px).
    pub fn to_jpeg(&self, rendered: &Rendered) -> Result<Vec<u8>, Error> {
        let first = self.encode(&rendered.pixels, self.sensor.jpeg_quality)?;
        let Some(second) = self.sensor.second_quality else {
            return Ok(first);
        };
        let again = image::load_from_memory_with_format(&first, image::ImageFormat::Jpeg)
            .map_err(|refused| self.fault(&refused))?;
        self.encode(&again.into_rgb8(), second)
    }

    fn encode(&self, pixels: &RgbImage, quality: u8) -> Result<Vec<u8>, Error> {
        let mut bytes = Vec::new();
        let (width, height) = (
            u16::try_from(pixels.width()).map_err(|large| self.fault(&large))?,
            u16::try_from(pixels.height()).map_err(|large| self.fault(&large))?,
        );
        jpeg_encoder::Encoder::new(&mut bytes, quality)
            .encode(pixels.as_raw(), width, height, jpeg_encoder::ColorType::Rgb)
            .map_err(|refused| self.fault(&refused))?;
        Ok(bytes)
    }

    fn fault(&self, what: &dyn std::error::Error) -> Error {
        Error::Fault {
            path: PathBuf::from(format!("{}.jpg", self.name())),
            what: what.to_string(),
        }
    }

    /// Renders this plan and writes photo and truth into a folder.
    ///
    /// # Errors
    /// [`Error::Unwritable`] for the file that could not be written.
    pub fn write(&self, folder: &Path) -> Result<Written, Error> {
        let rendered = render(self);
        let photo = folder.join(format!("{}.jpg", self.name()));
        let truth = folder.join(format!("{}.json", self.name()));
        let text = serde_json::to_vec(&rendered.truth).map_err(|refused| self.fault(&refused))?;
        // Truth first: a photo that is there always has its truth.
        put(&truth, &text)?;
        put(&photo, &self.to_jpeg(&rendered)?)?;
        Ok(Written {
            photo,
            truth,
            rings: rendered.truth.rings,
        })
    }
}

/// Under a temporary name first, so that a killed run leaves no half file.
fn put(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let mut name = path.file_name().unwrap_or_default().to_os_string();
    name.push(".part");
    let part = path.with_file_name(name);
    fs::write(&part, bytes)
        .and_then(|()| fs::rename(&part, path))
        .map_err(|source| {
            // What is left of a failed write is of no use; failing to remove it changes nothing.
            let _ = fs::remove_file(&part);
            Error::Unwritable {
                path: path.to_path_buf(),
                source,
            }
        })
}

/// The plans of an order, in its order: suites in turn, numbered from 0.
fn plans(order: &Order) -> impl Iterator<Item = Plan> {
    let suites = &order.suites;
    (0..order.count)
        .zip(suites.iter().cycle())
        .map(|(index, &suite)| {
            let plan = plan(suite, order.seed, index).with_pith();
            match order.megapixels {
                Some(size) => plan.at_megapixels(size),
                None => plan,
            }
        })
}

/// Writes a set of practice photos with their truth: `NAME.jpg` and `NAME.json`, the name being the
/// suite and the log's tag. `done` hears of each photo as it is finished. The folder is made.
///
/// # Errors
/// [`Error::Unwritable`] for the folder or file that could not be written; what was written before
/// stays.
pub fn write(
    folder: &Path,
    order: &Order,
    mut done: impl FnMut(&Written),
) -> Result<Vec<Written>, Error> {
    fs::create_dir_all(folder).map_err(|source| Error::Unwritable {
        path: folder.to_path_buf(),
        source,
    })?;
    let mut list = Vec::new();
    for plan in plans(order) {
        let written = plan.write(folder)?;
        done(&written);
        list.push(written);
    }
    Ok(list)
}
