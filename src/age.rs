//! The count with its band.
//!
//! To the rings found come years that may have been passed over: candidates left out and gaps, each
//! with a chance of its own. Their number is a sum of such chances; its exact distribution is a short
//! convolution (the idea of a chance for each boundary: Ricker et al. 2020, PLoS ONE 15: e0239052). To
//! it is added what single chances can't say, a doubt common to the whole disc ([`crate::doubt`], where
//! all of them are fitted), and the missing centre. Misses come together: by a chance of its own nothing
//! was passed over at all, and the count is right. The band grows from the count to the likelier side
//! until it holds its level.
//!
//! How many rings a missing centre takes is estimated in [`crate::missing_centre`].

use crate::doubt::{self, Signs};
use crate::missing_centre;
use crate::poisson_binomial::{around, convolved, number_of_years};
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
    let signs: Vec<Signs> = rings.rings.iter().map(|ring| ring.signs).collect();
    let left_out: Vec<Signs> = rings.left_out.iter().map(|left| left.signs).collect();
    let centre_is_lost = rings.lost_centre_px > 0.0;
    let (distribution, at) = distribution(&signs, &left_out, rings.level_agreement, centre_is_lost);
    let (low, high) = band(&distribution, at, settings.level);
    #[allow(clippy::cast_possible_wrap, reason = "counts of rings")]
    let (seen, at, low, high) = (seen as i64, at as i64, low as i64, high as i64);
    let best = seen + i64::from(missing.0);
    let down = seen + low - at + i64::from(missing.1);
    let up = seen + high - at + i64::from(missing.2);
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

/// Chances of the number of years from the first ring seen to the wood's edge, and at which place in
/// the list the number of rings seen stands.
///
/// From the signs of the rings and of the candidates left out, how level the rings lie (0 to 1), and
/// whether the centre is lost.
pub fn distribution(
    rings: &[Signs],
    left_out: &[Signs],
    level_agreement: f64,
    centre_is_lost: bool,
) -> (Vec<f64>, usize) {
    let own: Vec<f64> = left_out.iter().map(doubt::left_out).collect();
    let of_left_out = own.iter().sum();
    let chances = [own, doubt::hidden(rings, centre_is_lost)].concat();
    let expected = rings.len() as f64 + chances.iter().sum::<f64>();
    let of_disc = doubt::of_disc(rings, of_left_out, level_agreement);
    let (common, below) = doubt::COMMON.distribution(&of_disc, expected);
    let unseen = number_of_years(&chances);
    let right = doubt::COMMON.all_right(unseen[0]);
    let mut years = convolved(&unseen, &common);
    years.iter_mut().for_each(|chance| *chance *= 1.0 - right);
    years[below] += right;
    (years, below)
}

/// The band of a distribution: first and last place in its list, `at` being the place of the count.
pub fn band(distribution: &[f64], at: usize, level: f64) -> (usize, usize) {
    around(distribution, at, level)
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
