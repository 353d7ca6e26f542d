//! What marks the rings of this disc: pores or tone.
//!
//! In ring-porous wood (oak, ash, elm) a ring begins with a row of large pores, and what the sectors
//! agree on most is where the wood turns rough along the ring. In conifers and diffuse-porous wood
//! roughness hardly changes through the year, and what they agree on is tone. The two agreements
//! are compared. On the development photos their ratio was 0.84 to 1.1 for ring-porous discs and at
//! most 0.54 for the others. Limit: where single pores don't show, as on many practice discs of 1.5
//! megapixels, it falls to 0.14 to 0.6 for ring-porous wood too, which is then read by its tone.

use crate::evidence::Evidence;
use crate::settings::WoodKind;

/// What marks the rings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RingMark {
    /// Whether rings are read by their pores.
    pub is_pores: bool,
    /// How sure that is, 0 to 1.
    pub confidence: f64,
}

/// Tells what marks the rings, unless the kind of wood is given.
pub fn tell(evidence: &Evidence, given: Option<WoodKind>) -> RingMark {
    if let Some(kind) = given {
        return RingMark {
            is_pores: kind == WoodKind::RingPorous,
            confidence: 1.0,
        };
    }
    let power = |line: &[f32]| line.iter().map(|v| f64::from(v * v)).sum::<f64>();
    let ratio = (power(&evidence.agreed_onset) / power(&evidence.agreed).max(1e-9)).sqrt();
    // Even odds where the agreements are about equal.
    let odds = (ratio / 0.62).ln() * 4.0;
    let chance = 1.0 / (1.0 + (-odds).exp());
    RingMark {
        is_pores: chance > 0.5,
        confidence: chance.max(1.0 - chance),
    }
}
