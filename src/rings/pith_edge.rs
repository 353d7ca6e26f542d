//! The pith's own edge, told from the boundary of the first ring.
//!
//! Both close round the pith, and the pith may be as wide as a ring. What lies inside them differs: a ring runs
//! from earlywood to its boundary as the rings after it do, a pith is of one shade down to its middle and mostly of
//! another one. So the tone of what the first boundary encloses is held against that of the second and third ring:
//! how unlike it is, and how much it varies. A first boundary may also be nothing but the centre of the unwrapping:
//! what is left when it is taken away is asked about again.

use super::{FoundRing, median_radius};
use crate::doubt;
use crate::plane::line_at;
use crate::polar::{Polar, RAYS};
use crate::reading::AZIMUTHS;
use std::ops::{Range, RangeInclusive};

/// A first boundary that is nearer to the centre than so many times the second ring's width is none of a ring's, whatever
/// the tone inside: of 465 discs (as below) this costs two their first ring and takes three false boundaries.
const BESIDE: f64 = 0.55;

/// Where too few rings are found to compare tones, a first boundary that is nearer to the centre than so many times
/// the second ring's width is the pith's edge: on development discs the true first radius was never under 1.2 times
/// that width, the pith's edge nearly always under 0.8 times.
const NEARER: f64 = 0.85;

/// Log odds that a first boundary is the pith's edge, or nothing's beside the centre: constant, and logarithms of its
/// radius over the second ring's width, of that width over the third's, of how unlike the tone inside is and of how
/// much that varies ([`Inside`]). Logistic regression over the first three boundaries of 465 practice discs (the 520 of
/// the doubt's fit, DEVELOPERS.md, but for hollow ones and those whose pith is not found). Fitted on two of the three sets and
/// tried on the third, the boundary kept as the first was that of the first ring on 319 of them, one inside it on 24;
/// by distance and unlikeness alone, asked once, 252 and 94.
const PITH: [f64; 5] = [-2.671, -2.11, -2.554, 2.965, -2.349];

/// Added to tone in standard deviations before its logarithm is taken.
const LEAST: f64 = 0.1;

/// Boundaries that may be left out before the first ring: a false one beside the centre, and the pith's edge.
pub(super) const MOST: usize = 3;

/// What the radius of a first ring is of the second's width, and that width of the third's. Of the candidates
/// between a pith's edge that was taken for a ring and the next boundary on 268 practice discs and renders, 19 lay
/// within: 17 were first rings, all there were among the 61.
const FIRST_OVER_SECOND: RangeInclusive<f64> = 0.65..=2.2;
const SECOND_OVER_THIRD: RangeInclusive<f64> = 0.45..=1.2;

/// Places along a ring's width at which its tone is taken.
const PLACES: usize = 20;

/// Whether the first boundary is that of the pith, or of less.
pub(super) fn is_first(rings: &[FoundRing], polar: &Polar) -> bool {
    let radius = |i: usize| rings.get(i).and_then(median_radius);
    let (Some(first), Some(second)) = (radius(0), radius(1)) else {
        return false;
    };
    let over_second = first / (second - first);
    if over_second < BESIDE {
        return true;
    }
    match (radius(2), inside(rings, polar)) {
        (Some(third), Some(inside)) => {
            let narrowing = ((second - first) / (third - second)).ln();
            let signs = [
                1.0,
                over_second.ln(),
                narrowing,
                inside.unlike.ln(),
                inside.spread.ln(),
            ];
            doubt::chance(&PITH, &signs) > 0.5
        }
        _ => over_second < NEARER,
    }
}

/// The first ring, of the candidates between the pith's edge and the first of the rings found: where two boundaries lie
/// closer than rings do, the sequence has but one of them. The most prominent one that is as far from the pith and
/// from the next boundary as young rings are.
pub(super) fn first_ring(
    candidates: Range<usize>,
    rings: &[FoundRing],
    ring_of: impl Fn(usize) -> FoundRing,
) -> Option<(usize, FoundRing)> {
    let [second, third, ..] = rings else {
        return None;
    };
    let (second, third) = (median_radius(second)?, median_radius(third)?);
    let as_young_rings = |first: f64| {
        let width = second - first;
        FIRST_OVER_SECOND.contains(&(first / width))
            && SECOND_OVER_THIRD.contains(&(width / (third - second)))
    };
    candidates
        .map(|i| (i, ring_of(i)))
        .filter(|(_, ring)| median_radius(ring).is_some_and(as_young_rings))
        .max_by(|(_, a), (_, b)| a.signs.prominence.total_cmp(&b.signs.prominence))
}

/// The tone inside the first boundary beside that along the second and third ring, in standard deviations of the
/// latter; both with [`LEAST`] added, so that their logarithms are bounded.
struct Inside {
    /// How unlike it is over the outer half of a ring's width, root mean square.
    unlike: f64,
    /// How much it varies from 0.25 to 0.85 of the width, standard deviation.
    spread: f64,
}

fn inside(rings: &[FoundRing], polar: &Polar) -> Option<Inside> {
    let [first, second, third, ..] = rings else {
        return None;
    };
    let inside = along(polar, None, first)?;
    let rings = [
        along(polar, Some(first), second)?,
        along(polar, Some(second), third)?,
    ];
    let deviation = deviation(rings.as_flattened()).max(1e-3);
    let squares = (PLACES / 2..PLACES).map(|k| {
        let typical = 0.5 * (rings[0][k] + rings[1][k]);
        ((inside[k] - typical) / deviation).powi(2)
    });
    Some(Inside {
        unlike: (squares.sum::<f64>() / (PLACES / 2) as f64).sqrt() + LEAST,
        spread: self::deviation(&inside[PLACES / 4..PLACES * 17 / 20]) / deviation + LEAST,
    })
}

/// Standard deviation.
fn deviation(values: &[f64]) -> f64 {
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    let squares = values.iter().map(|value| (value - mean).powi(2));
    (squares.sum::<f64>() / count).sqrt()
}

/// Mean tone at places along a ring's width, from its inner boundary (the centre for none) to its outer; none where
/// it isn't seen.
fn along(polar: &Polar, inner: Option<&FoundRing>, outer: &FoundRing) -> Option<[f64; PLACES]> {
    let (mut sum, mut seen) = ([0.0; PLACES], [0.0; PLACES]);
    for degree in (0..AZIMUTHS).step_by(3) {
        let ray = degree * RAYS / AZIMUTHS;
        let (near, far) = polar.visible[ray];
        let from = inner.map_or(Some(0.0), |ring| ring.radius_px[degree]);
        let (Some(from), Some(to)) = (from, outer.radius_px[degree]) else {
            continue;
        };
        for k in 0..PLACES {
            let at = from + (to - from) * (k as f64 + 0.5) / PLACES as f64;
            if at < near as f64 || at >= far as f64 {
                continue;
            }
            #[allow(
                clippy::cast_possible_truncation,
                reason = "distances inside the photo"
            )]
            let tone = line_at(polar.plain.row(ray), at as f32);
            sum[k] += f64::from(tone);
            seen[k] += 1.0;
        }
    }
    seen.iter()
        .all(|n| *n > 0.0)
        .then(|| std::array::from_fn(|k| sum[k] / seen[k]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::doubt::Signs;

    /// A disc of 300 px with boundaries at these distances, latewood over the outer third of each ring, and what
    /// lies inside the first in another tone, if one is given.
    fn disc(boundaries: &[f64], first: Option<f32>) -> (Vec<FoundRing>, Polar) {
        let polar = Polar::of_tone(300, |r| {
            let r = r as f64;
            let outer = boundaries.partition_point(|boundary| *boundary <= r);
            let inner = outer.checked_sub(1).map_or(0.0, |i| boundaries[i]);
            let width = boundaries.get(outer).map_or(30.0, |at| at - inner);
            let wood = if r - inner > width * 2.0 / 3.0 {
                110.0
            } else {
                190.0
            };
            first.filter(|_| outer == 0).unwrap_or(wood)
        });
        let rings = boundaries
            .iter()
            .map(|&boundary| FoundRing {
                radius_px: vec![Some(boundary); AZIMUTHS],
                confidence: 0.9,
                signs: Signs::default(),
            })
            .collect();
        (rings, polar)
    }

    #[test]
    fn the_ring_that_a_pith_pushed_out_is_as_wide_as_young_rings_are() {
        let (rings, _) = disc(&[60.0, 90.0, 118.0], None);
        let first_of = |radii: &[f64]| {
            let ring_of = |i: usize| {
                let (mut ring, _) = disc(&[radii[i]], None);
                // Those further out stand out more.
                ring[0].signs.prominence = radii[i];
                ring.remove(0)
            };
            first_ring(0..radii.len(), &rings, ring_of).map(|(i, _)| radii[i])
        };
        assert_eq!(first_of(&[12.0, 28.0, 55.0]), Some(28.0));
        assert_eq!(first_of(&[28.0, 33.0]), Some(33.0));
        assert_eq!(first_of(&[12.0, 55.0]), None);
        assert_eq!(first_of(&[]), None);
    }

    #[test]
    fn a_pith_of_another_shade_is_none_of_the_rings_and_a_first_ring_is_one() {
        let even = [30.0, 60.0, 90.0, 120.0];
        let is_pith = |boundaries: &[f64], first| {
            let (rings, polar) = disc(boundaries, first);
            is_first(&rings, &polar)
        };
        assert!(!is_pith(&even, None));
        assert!(is_pith(&even, Some(20.0)));
        assert!(is_pith(&even, Some(250.0)));
        // As pale as earlywood and latewood are on the mean: that it is even all through tells it.
        assert!(is_pith(&even, Some(150.0)));
        // Near to the centre, whatever its tone.
        assert!(is_pith(&[15.0, 45.0, 75.0, 105.0], None));
        // Too few rings to compare with.
        assert!(!is_pith(&even[..2], Some(20.0)));
    }
}
