//! The scale at which the rings are read: the one at which their sequence, as a whole, says most.
//!
//! The measured ring width may be that of something slower: in tight and faint wood years come in waves of
//! pale and dark ones that correlate better than the rings. So the arcs are also measured out by the likeliest
//! narrower width, and that reading is kept if its rings are many more, bring clearly more as a sequence, and the
//! new ones among them are not much weaker than those seen before: texture read as rings brings less than its gaps
//! cost, and what lies between true rings is faint beside them. At the scale that was kept the arcs are measured
//! out once more, by the rings that were found.

use crate::bounds::{self, Bounds};
use crate::evidence::Evidence;
use crate::kind::RingMark;
use crate::plane::line_at;
use crate::ring_width::{self, Gap};
use crate::rings::{self, Placed, Sequence};
use crate::settings::WoodKind;

/// Agreement of the arcs below which the rings found say nothing of their scale.
const AGREES_ENOUGH: f32 = 0.3;

/// Fewest rings that say something of it.
const ENOUGH_RINGS: usize = 5;

/// Times that a narrower width is tried for.
const NARROWER: usize = 3;

/// The most that a narrower width is of the one before, share.
const NARROWER_BY: f32 = 0.6;

/// Least number of rings of a narrower reading that is kept, times the other's: where it has about as many, they are
/// the same rings read more finely, which now gains and now loses.
const MORE_RINGS: f32 = 1.4;

/// Least gain of it, times the other's, and least strength of the rings that the other doesn't have, share of that of
/// those it has. Of 34 practice discs (drawn with a pith, in a trial) with so many more rings, four came out worse: they
/// gained 1.11 times or less, or had a share of 0.42 or less; three of the 30 others fall to these limits.
const MORE_GAIN: f32 = 1.15;
const AS_STRONG: f32 = 0.43;

/// Distance at which two boundaries are one, share of the local ring width.
const THE_SAME: f32 = 0.35;

/// The candidates, and the evidence at the scale of the rings that were found. A third reading, at the scale of
/// the rings found by the second, gained next to nothing.
pub(crate) fn settle(
    evidence: Evidence,
    mark: &RingMark,
    wood: Option<WoodKind>,
) -> (Evidence, Bounds) {
    let bounds = bounds::trace(&evidence, mark, wood);
    let (evidence, bounds, found) = narrower(evidence, bounds, mark, wood);
    if evidence.agreement() < AGREES_ENOUGH || found.rings.len() < ENOUGH_RINGS {
        return (evidence, bounds);
    }
    let corrected = ring_width::corrected(&evidence.ring_width, &gaps(&found));
    let evidence = evidence.at_width(corrected);
    let bounds = bounds::trace(&evidence, mark, wood);
    (evidence, bounds)
}

/// The gaps between the rings of a sequence.
fn gaps(found: &Sequence) -> Vec<Gap> {
    found
        .rings
        .windows(2)
        .map(|pair| Gap {
            inner: pair[0].level,
            outer: pair[1].level,
            clear: pair[0].clear.min(pair[1].clear),
        })
        .collect()
}

/// The reading at a narrower ring width where that says more, else the one given.
fn narrower(
    mut evidence: Evidence,
    mut bounds: Bounds,
    mark: &RingMark,
    wood: Option<WoodKind>,
) -> (Evidence, Bounds, Sequence) {
    let mut found = rings::found(&bounds, &evidence);
    for _ in 0..NARROWER {
        let Some(width) = evidence.narrower_width(NARROWER_BY) else {
            break;
        };
        let finer = evidence.clone().at_width(width);
        let candidates = bounds::trace(&finer, mark, wood);
        let there = rings::found(&candidates, &finer);
        if !says_more(&there, &found, &finer.ring_width) {
            break;
        }
        (evidence, bounds, found) = (finer, candidates, there);
    }
    (evidence, bounds, found)
}

/// Whether a sequence read at a narrower ring width, levels at each level, says more than another.
fn says_more(there: &Sequence, found: &Sequence, width: &[f32]) -> bool {
    // Where nothing is gained there is nothing to go by.
    if there.gain <= MORE_GAIN * found.gain.max(0.0)
        || (there.rings.len() as f32) < MORE_RINGS * found.rings.len() as f32
    {
        return false;
    }
    let had = |level: f32| {
        let near = THE_SAME * line_at(width, level);
        found
            .rings
            .iter()
            .any(|ring| (ring.level - level).abs() < near)
    };
    let (old, new): (Vec<&Placed>, Vec<&Placed>) =
        there.rings.iter().partition(|ring| had(ring.level));
    let strength =
        |of: &[&Placed]| of.iter().map(|r| r.strength).sum::<f32>() / of.len().max(1) as f32;
    strength(&new) >= AS_STRONG * strength(&old)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rings on these levels, of one strength.
    fn sequence(levels: &[f32], strength: f32, gain: f32) -> Sequence {
        Sequence {
            rings: levels
                .iter()
                .map(|&level| Placed {
                    level,
                    strength,
                    clear: 0.9,
                })
                .collect(),
            gain,
        }
    }

    #[test]
    fn many_more_rings_as_strong_as_those_before_say_more_and_faint_ones_between_them_do_not() {
        let waves: Vec<f32> = (1..10).map(|k| 40.0 * k as f32).collect();
        let years: Vec<f32> = (1..40).map(|k| 10.0 * k as f32).collect();
        let width = [10.0; 400];
        let before = sequence(&waves, 0.9, 40.0);
        let as_clear = sequence(&years, 0.8, 160.0);
        assert!(says_more(&as_clear, &before, &width));
        let mut faint = as_clear.clone();
        for ring in &mut faint.rings {
            if !waves.contains(&ring.level) {
                ring.strength *= 0.3;
            }
        }
        assert!(!says_more(&faint, &before, &width));
        let little_gain = sequence(&years, 0.8, 42.0);
        assert!(!says_more(&little_gain, &before, &width));
        let same_rings = sequence(&waves[..8], 1.4, 90.0);
        assert!(!says_more(&same_rings, &before, &width));
        // Two sequences that cost more than they bring.
        let (few, many) = (sequence(&waves, 0.1, -20.0), sequence(&years, 0.1, -21.0));
        assert!(!says_more(&many, &few, &width));
    }
}
