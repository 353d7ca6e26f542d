//! The count with its band.
//!
//! Each ring found is a year with some chance, each candidate left out may be one after all. The
//! number of years is a sum of such chances; its exact distribution is a short convolution (the
//! idea of a chance for each boundary: Ricker et al. 2020, PLoS ONE 15: e0239052). To it is added
//! what single chances can't say, a doubt common to the whole disc, and the missing centre. The
//! band is the central part of the distribution.
//!
//! How many rings a missing centre takes is estimated in [`crate::missing_centre`].

use crate::missing_centre;
use crate::poisson_binomial::{central, convolved, number_of_years};
use crate::rings::{FoundRing, Rings};
use crate::settings::Settings;

/// The count.
///
/// Holds: `low <= rings <= high`.
#[derive(Debug, Clone, PartialEq)]
pub struct Age {
    /// Best count, missing centre included.
    pub rings: u32,
    /// Lower end of the band.
    pub low: u32,
    /// Upper end of the band.
    pub high: u32,
    /// Level of the band.
    pub level: f64,
    /// Rings lost with the centre: best, low, high.
    pub missing: (u32, u32, u32),
    /// Whether there is a count at all.
    pub is_counted: bool,
}

/// A pith outside the photo takes at least so many rings with it; fewer are within the doubt of the
/// circle through the innermost one.
const LEAST_MISSING: f64 = 2.0;

/// Counts.
pub fn count(rings: &Rings, settings: &Settings) -> Age {
    let seen = rings.rings.len();
    if !rings.is_readable {
        return Age {
            rings: 0,
            low: 0,
            high: 0,
            level: settings.level,
            missing: (0, 0, 0),
            is_counted: false,
        };
    }
    let missing = missing_centre(rings);
    let chances: Vec<f64> = rings.rings.iter().map(|r| r.confidence).collect();
    let own = number_of_years(&chances);
    let others = number_of_years(&rings.left_out.iter().map(|l| l.chance).collect::<Vec<_>>());
    let mut distribution = convolved(&own, &others);
    let (down, up) = common_doubt(rings.agreement, seen);
    let (common, shift) = two_sided(down, up);
    distribution = convolved(&distribution, &common);
    let (low, high) = central(&distribution, settings.level);
    #[allow(clippy::cast_possible_wrap, reason = "counts of rings")]
    let (seen, low, high) = (seen as i64, low as i64, high as i64);
    let best = seen + i64::from(missing.0);
    let down = low - shift + i64::from(missing.1);
    let up = high - shift + i64::from(missing.2);
    let whole = |v: i64| u32::try_from(v.max(1)).unwrap_or(u32::MAX);
    Age {
        rings: whole(best),
        low: whole(down.min(best)),
        high: whole(up.max(best)),
        level: settings.level,
        missing,
        is_counted: true,
    }
}

/// Doubt common to the whole disc, rings (sd below and above the count).
///
/// Where arcs agree on little, whole runs of tight rings are passed over: the count errs low more
/// than high. Fitted by eye to 120 practice discs (counted over true rings against the agreement).
fn common_doubt(agreement: f64, seen: usize) -> (f64, f64) {
    let poor = 1.0 - agreement;
    let n = seen as f64;
    (
        n * (0.015 + 0.06 * poor),
        n * (0.02 + 0.45 * poor.powf(1.5)),
    )
}

/// A normal distribution on the whole numbers with one sd below its middle and another above, and
/// how many numbers lie below the middle.
fn two_sided(below: f64, above: f64) -> (Vec<f64>, i64) {
    #[allow(
        clippy::cast_possible_truncation,
        reason = "small positive numbers, rounded up"
    )]
    let (first, last) = ((3.0 * below).ceil() as i64, (3.0 * above).ceil() as i64);
    let bell = |k: i64| {
        let sd = if k < 0 { below } else { above };
        if k == 0 {
            1.0
        } else {
            (-0.5 * (k as f64 / sd).powi(2)).exp()
        }
    };
    let raw: Vec<f64> = (-first..=last).map(bell).collect();
    let side = |sign: i64| {
        (-first..=last)
            .zip(&raw)
            .filter(|(k, _)| k.signum() == sign)
            .map(|(_, v)| v)
            .sum::<f64>()
            + 0.5
    };
    let (low, high) = (side(-1), side(1));
    // Each side keeps half of the chance, so that the middle stays the median.
    let scaled = (-first..=last)
        .zip(&raw)
        .map(|(k, v)| match k.signum() {
            -1 => v / low / 2.0,
            1 => v / high / 2.0,
            _ => 0.25 / low + 0.25 / high,
        })
        .collect();
    (scaled, first)
}

/// Rings lost with the centre: best, low, high.
///
/// The centre is lost to a hollow or rot, or lies outside the photo: then all that is seen of the
/// innermost ring is an arc of less than half a turn, many rings away from where the pith must be.
fn missing_centre(rings: &Rings) -> (u32, u32, u32) {
    let seen_of = |r: &[Option<f64>]| r.iter().flatten().count();
    let is_arc = rings
        .rings
        .first()
        .is_some_and(|ring| 2 * seen_of(&ring.radius_px) < ring.radius_px.len());
    let is_hollow = rings.lost_centre_px > 0.0;
    if !is_hollow && !is_arc {
        return (0, 0, 0);
    }
    // Mean radius of the boundaries nearest to the gap: of equal area where they are seen all round, of
    // the circle through them where an arc is seen.
    let mean = |r: &[Option<f64>]| {
        if 3 * seen_of(r) <= r.len() {
            return None;
        }
        let seen: Vec<f64> = r.iter().flatten().copied().collect();
        Some((seen.iter().map(|v| v * v).sum::<f64>() / seen.len() as f64).sqrt())
    };
    let radius = |ring: &FoundRing| {
        if is_hollow {
            mean(&ring.radius_px)
        } else {
            missing_centre::radius_of_arc(&ring.radius_px)
        }
    };
    let mut radii: Vec<f64> = rings.rings.iter().filter_map(radius).collect();
    if !is_hollow {
        // Circles through flat arcs scatter; boundaries don't.
        radii.sort_by(f64::total_cmp);
    }
    let Some(missing) = missing_centre::missing(&radii) else {
        return (0, 0, 0);
    };
    if !is_hollow && missing.rings < LEAST_MISSING {
        return (0, 0, 0);
    }
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "counts of rings, floored at 0"
    )]
    let whole = |v: f64| v.round().max(0.0) as u32;
    (
        whole(missing.rings),
        whole(missing.low),
        whole(missing.high),
    )
}
