//! What a reading is asked to do: one struct, all defaults in one place, refused with a sentence
//! where it makes no sense.

use crate::calendar::Felling;
use crate::error::Error;
use crate::scale::tilt::{LEAST_CROSSING_DEG, crossing_deg};
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
    /// Which log ends of a photo with several are read. Default: the largest whole one.
    pub ends: EndsWanted,
    /// What is stated of the scale; all of it must agree. Default: nothing.
    pub scale: Vec<ScaleGiven>,
    /// The face is known to be round: its outline tells the tilt. Default: no.
    pub face_is_round: bool,
    /// Calendar year of the outermost ring. Default: unknown.
    pub last_ring: Option<i32>,
    /// What is known of the felling. Default: nothing.
    pub felling: Felling,
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
            ends: EndsWanted::default(),
            scale: Vec::new(),
            face_is_round: false,
            last_ring: None,
            felling: Felling::default(),
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
        if self.ends == EndsWanted::All && self.pith_px.is_some() {
            return Err(Error::setting(
                "--pith names one log end and --ends all asks for each; give one of them",
            ));
        }
        for given in &self.scale {
            given.check()?;
        }
        self.check_diameters()?;
        self.felling.check(self.last_ring)?;
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

    /// Refuses diameters of which not all can serve.
    fn check_diameters(&self) -> Result<(), Error> {
        let across: Vec<f64> = self
            .scale
            .iter()
            .filter_map(|given| match given {
                ScaleGiven::DiameterAcross { azimuth_deg, .. } => Some(*azimuth_deg),
                _ => None,
            })
            .collect();
        let means = self
            .scale
            .iter()
            .filter(|given| matches!(given, ScaleGiven::DiameterMm(_)))
            .count();
        if means > 1 || across.len() > 2 || (means > 0 && !across.is_empty()) {
            return Err(Error::setting(
                "these diameters can't all be taken; give --diameter once for the mean, or once or twice with an azimuth, such as --diameter 368mm@0 --diameter 352mm@90",
            ));
        }
        if let [a, b] = across[..]
            && crossing_deg(a, b) < LEAST_CROSSING_DEG
        {
            return Err(Error::setting(format!(
                "diameters at {a} and {b} degrees lie too near to one line; measure them about at right angles"
            )));
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

/// Which log ends of a photo with several are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EndsWanted {
    /// The largest that is whole in the photo.
    #[default]
    Largest,
    /// Each, with a reading of its own.
    All,
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
    /// A diameter through the pith, inside bark.
    DiameterAcross {
        /// Length, mm.
        mm: f64,
        /// Direction in the photo, degrees clockwise from +x.
        azimuth_deg: f64,
    },
    /// The girth over bark.
    Girth {
        /// Girth, mm.
        girth_mm: f64,
        /// Thickness of the bark, mm; 0 where it is gone.
        bark_mm: f64,
    },
    /// Pixels an inch in the plane of the face: a scan's.
    Dpi(f64),
    /// The resolution that the photo's file states, once it was looked up; none where it states
    /// none.
    DpiOfFile(Option<f64>),
    /// Two points of the photo and their distance.
    Points {
        /// The one, px.
        from_px: (f64, f64),
        /// The other, px.
        to_px: (f64, f64),
        /// Their distance in the plane of the face, mm.
        mm: f64,
    },
    /// A ruler in the photo.
    Ruler(RulerMarks),
}

impl ScaleGiven {
    /// Refuses what can be no scale.
    fn check(&self) -> Result<(), Error> {
        let is_length = |v: f64| v.is_finite() && v > 0.0;
        let refused = |words: &str| Err(Error::setting(words));
        match *self {
            ScaleGiven::MmPerPx(v) if !is_length(v) => {
                refused("--mm-per-px needs a number above 0")
            }
            ScaleGiven::DiameterMm(mm) | ScaleGiven::DiameterAcross { mm, .. }
                if !is_length(mm) =>
            {
                refused("--diameter needs a length above 0, such as 368mm or 14.5in")
            }
            ScaleGiven::DiameterAcross { azimuth_deg, .. }
                if !(0.0..360.0).contains(&azimuth_deg) =>
            {
                Err(Error::setting(format!(
                    "{azimuth_deg} is no azimuth; give --diameter as LENGTH@DEG with degrees from 0 up to, not including, 360"
                )))
            }
            ScaleGiven::Girth { girth_mm, bark_mm }
                if !(is_length(girth_mm) && bark_mm.is_finite() && bark_mm >= 0.0) =>
            {
                refused("--girth needs a length above 0, and --bark one of 0 or more")
            }
            ScaleGiven::Girth { girth_mm, bark_mm }
                if girth_mm <= std::f64::consts::TAU * bark_mm * 1.05 =>
            {
                Err(Error::setting(format!(
                    "a girth of {girth_mm:.0} mm leaves no wood under bark {bark_mm:.0} mm thick; check --girth and --bark"
                )))
            }
            ScaleGiven::Dpi(v) if !(v.is_finite() && v > 0.0) => {
                refused("--dpi needs a number above 0, or the word file")
            }
            ScaleGiven::Points { from_px, to_px, mm } => {
                let apart_px = (to_px.0 - from_px.0).hypot(to_px.1 - from_px.1);
                if !is_length(mm) {
                    refused("--points needs a distance above 0, such as 100,200,900,210=50mm")
                } else if apart_px.is_nan() || apart_px < 20.0 {
                    refused(
                        "the two points of --points are too near to each other; take two at least 20 pixels apart, better hundreds",
                    )
                } else {
                    Ok(())
                }
            }
            _ => Ok(()),
        }
    }
}

/// Graduations of a ruler.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RulerMarks {
    /// Told by the pattern of the longer marks.
    Auto,
    /// Millimetres, every fifth and tenth mark longer.
    Mm,
    /// Sixteenths of an inch, every second, fourth, eighth and sixteenth longer.
    Sixteenths,
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
