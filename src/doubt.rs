//! The doubt.

use serde::{Deserialize, Serialize};

/// What a boundary's chance of being a year's goes by.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Signs {
    /// Mean change along its path, in local deviations.
    pub strength: f64,
    /// The same over the weakest sixth of the disc.
    pub weakest: f64,
    /// Share of the arcs on which the change is clear, 0 to 1.
    pub support: f64,
    /// Agreed change across it, in local deviations.
    pub agreed: f64,
    /// How far it stands above the minima beside it.
    pub prominence: f64,
    /// Mean strength of the rings beside it.
    pub nearby: f64,
    /// Largest agreed change in the other sense within half a ring of it, in local deviations.
    pub opposite: f64,
    /// Largest agreed rise of roughness within a fifth of a ring of it: pores set in.
    pub onset: f64,
    /// Mean over the disc's rings of strength less `opposite`: how plain it is which of a ring's two
    /// edges ends the year.
    pub one_sided: f64,
    /// Mean of `onset` over the disc's rings.
    pub pores: f64,
    /// How sure the sense of the boundaries is, 0 to 1.
    pub sense_confidence: f64,
    /// The rings were read by their pores.
    pub by_pores: bool,
    /// Distance from the ring inside it, in local ring widths.
    pub inner_gap: f64,
    /// Distance from the ring outside it, in local ring widths.
    pub outer_gap: f64,
    /// Local ring width, px.
    pub width_px: f64,
    /// Agreement of the disc, 0 to 1.
    pub agreement: f64,
    /// Rings inside it.
    pub from_pith: f64,
    /// Rings outside it.
    pub from_edge: f64,
    /// It is the wood's edge, no candidate.
    pub is_edge: bool,
}

impl Signs {
    /// Sets its distances from the rings beside it (px from the pith) in local ring widths.
    pub fn place_among(&mut self, inner: Option<f64>, own: f64, outer: Option<f64>) {
        let width = self.width_px.max(1.0);
        self.inner_gap = (own - inner.unwrap_or(0.0)) / width;
        self.outer_gap = outer.map_or(1.0, |r| (r - own) / width);
    }
}

/// Chance that a ring is a year's.
pub fn ring(signs: &Signs) -> f64 {
    let gain = 4.0 * (signs.strength.min(2.0) - 0.45) + 1.5 * (signs.prominence - 0.3);
    if signs.is_edge {
        0.9
    } else {
        1.0 / (1.0 + (-gain).exp())
    }
}

/// Chance that a candidate that was left out is a year's.
pub fn left_out(signs: &Signs) -> f64 {
    ring(signs)
}
