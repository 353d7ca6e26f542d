//! What a reading is asked to do: one struct, all defaults in one place, refused with a sentence
//! where it makes no sense.

use crate::error::Error;
use serde::{Deserialize, Serialize};

/// Settings of one run, kept with its outputs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// Share of discs whose true count the band is to hold, 0.5 to 0.99. Default 0.90.
    pub level: f64,
    /// Radii at even azimuths on which ring widths are given, 1 to 360. Default 16.
    pub radii: usize,
    /// Further azimuths asked for, degrees clockwise from +x. Default none.
    pub azimuths_deg: Vec<f64>,
    /// The pith given by hand, px. Default: found.
    pub pith_px: Option<(f64, f64)>,
    /// Part of the photo to look at. Default: all of it.
    pub region_px: Option<Region>,
    /// The scale, if known. Default: unknown.
    pub scale: Option<ScaleGiven>,
    /// Calendar year of the outermost ring. Default: unknown.
    pub last_ring: Option<i32>,
    /// The wood's kind, if known. Default: told from the photo.
    pub wood: Option<WoodKind>,
    /// A cross mark and number every so many rings: 5, 10, 15 or 20. Default 10.
    pub mark_every: u32,
    /// Unit of the lengths that are shown. Default mm.
    pub unit: LengthUnit,
    /// Largest photo that is decoded, megapixels. Default 120.
    pub max_megapixels: f64,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            level: 0.90,
            radii: 16,
            azimuths_deg: Vec::new(),
            pith_px: None,
            region_px: None,
            scale: None,
            last_ring: None,
            wood: None,
            mark_every: 10,
            unit: LengthUnit::Mm,
            max_megapixels: 120.0,
        }
    }
}

impl Settings {
    /// Refuses nonsense.
    ///
    /// # Errors
    /// [`Error::Setting`] with a sentence that names the option and what would do.
    pub fn check(&self) -> Result<(), Error> {
        if !(0.5..=0.99).contains(&self.level) {
            return Err(Error::setting(format!(
                "a level of {} makes no band; give --level a number from 0.5 to 0.99",
                self.level
            )));
        }
        if !(1..=360).contains(&self.radii) {
            return Err(Error::setting(format!(
                "{} radii can't be ruled; give --radii a number from 1 to 360",
                self.radii
            )));
        }
        if let Some(azimuth) = self
            .azimuths_deg
            .iter()
            .find(|a| !(0.0..360.0).contains(*a))
        {
            return Err(Error::setting(format!(
                "{azimuth} is no azimuth; give --azimuth degrees from 0 up to, not including, 360"
            )));
        }
        if let Some((x, y)) = self.pith_px
            && !(x.is_finite() && y.is_finite())
        {
            return Err(Error::setting("--pith needs two numbers, X,Y in pixels"));
        }
        if let Some(region) = self.region_px
            && (region.width_px < 64 || region.height_px < 64)
        {
            return Err(Error::setting(
                "the region is too small to hold a disc; give --region at least 64 pixels a side",
            ));
        }
        match self.scale {
            Some(ScaleGiven::MmPerPx(v)) if !(v.is_finite() && v > 0.0) => {
                return Err(Error::setting("--mm-per-px needs a number above 0"));
            }
            Some(ScaleGiven::DiameterMm(v)) if !(v.is_finite() && v > 0.0) => {
                return Err(Error::setting(
                    "--diameter needs a length above 0, such as 368mm or 14.5in",
                ));
            }
            _ => {}
        }
        if !matches!(self.mark_every, 5 | 10 | 15 | 20) {
            return Err(Error::setting(format!(
                "a mark every {} rings is not offered; give --mark-every 5, 10, 15 or 20",
                self.mark_every
            )));
        }
        if !(self.max_megapixels.is_finite() && self.max_megapixels > 0.0) {
            return Err(Error::setting("--max-megapixels needs a number above 0"));
        }
        Ok(())
    }

    /// Refuses what makes no sense for a photo of this size.
    ///
    /// # Errors
    /// [`Error::Setting`] where the region or the pith given lies outside the photo.
    pub fn check_for(&self, width_px: u32, height_px: u32) -> Result<(), Error> {
        if let Some(r) = self.region_px
            && (r.x_px.saturating_add(r.width_px) > width_px
                || r.y_px.saturating_add(r.height_px) > height_px)
        {
            return Err(Error::setting(format!(
                "the region reaches beyond the photo; the photo is {width_px} x {height_px} pixels"
            )));
        }
        if let Some((x, y)) = self.pith_px {
            let (w, h) = (f64::from(width_px), f64::from(height_px));
            // A pith outside the photo is allowed, but not so far that no ring can be seen to bend.
            if x < -w || y < -h || x > 2.0 * w || y > 2.0 * h {
                return Err(Error::setting(format!(
                    "the pith given lies far outside the photo; the photo is {width_px} x {height_px} pixels"
                )));
            }
        }
        Ok(())
    }

    /// Azimuths of the radii on which widths are given, degrees, rising: the even ones and those
    /// asked for, each once.
    pub fn radius_azimuths_deg(&self) -> Vec<f64> {
        let mut azimuths: Vec<f64> = (0..self.radii)
            .map(|i| i as f64 * 360.0 / self.radii as f64)
            .collect();
        azimuths.extend(&self.azimuths_deg);
        azimuths.sort_by(f64::total_cmp);
        azimuths.dedup_by(|a, b| (*a - *b).abs() < 1e-9);
        azimuths
    }
}

/// A rectangle of the oriented photo, px.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Region {
    /// Left edge, px.
    pub x_px: u32,
    /// Upper edge, px.
    pub y_px: u32,
    /// Width, px.
    pub width_px: u32,
    /// Height, px.
    pub height_px: u32,
}

/// A scale as the user stated it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ScaleGiven {
    /// Millimetres a pixel.
    MmPerPx(f64),
    /// The face's mean diameter inside bark, mm.
    DiameterMm(f64),
}

/// Kinds of wood by how a ring looks on end grain (Wood Handbook, FPL-GTR-190, 2010, chapter 3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WoodKind {
    /// Pale earlywood inside, dark latewood outside.
    Conifer,
    /// A row of large pores at the start of the ring: oak, ash, elm.
    RingPorous,
    /// Small pores throughout, a thin line at the end of the ring: maple, birch, beech.
    DiffusePorous,
}

impl WoodKind {
    /// The kind's name as the reading has it.
    pub fn name(self) -> &'static str {
        match self {
            WoodKind::Conifer => "conifer",
            WoodKind::RingPorous => "ring-porous",
            WoodKind::DiffusePorous => "diffuse-porous",
        }
    }
}

/// Unit of the lengths that are shown to people. Data files say their unit in the header.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LengthUnit {
    /// Millimetres.
    Mm,
    /// Inches.
    In,
}
