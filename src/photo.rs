//! A photo from disk to upright pixels. The only module that knows the image decoders.

use image::RgbImage;

/// An upright photo, decoded once.
///
/// Holds: both sides at least [`LEAST_SIDE_PX`]; orientation applied; 8 bits a channel.
#[derive(Debug, Clone)]
pub struct Photo {
    /// File name without folders.
    pub file: String,
    /// SHA-256 of the file's bytes, hexadecimal.
    pub sha256: String,
    /// The pixels, upright.
    pub pixels: RgbImage,
}

/// The least side of a photo that can hold a disc, px.
pub const LEAST_SIDE_PX: u32 = 64;
