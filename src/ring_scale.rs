//! The scale at which the rings are read: the one at which their sequence, as a whole, says most.
//!
//! The measured ring width may be that of something slower: in tight and faint wood years come in waves of
//! pale and dark ones that correlate better than the rings, and where growth is cut back for some years the
//! measure, which changes slowly, passes over them. So the arcs are also measured out by the likeliest narrower
//! width. That reading is kept if its rings are many more, bring clearly more as a sequence, and the new ones among
//! them are not much weaker than those seen before: texture read as rings brings less than its gaps cost, and what
//! lies between true rings is faint beside them. Else the span of years over which it brings most is read at
//! the narrower width, the rest as before, and that is kept if it brings more and the arcs agree about as well. At the
//! scale that was kept the arcs are measured out once more, by the rings that were found.

use crate::bounds::{self, Bounds};
use crate::evidence::Evidence;
use crate::plane::line_at;
use crate::ring_mark::RingMark;
use crate::ring_width::{self, Gap};
use crate::rings::{self, Placed, Sequence};
use std::ops::RangeInclusive;

/// Agreement of the arcs below which the rings found say nothing of their scale.
const AGREES_ENOUGH: f32 = 0.3;

/// Fewest rings that say something of it.
const ENOUGH_RINGS: usize = 5;

/// Times that a narrower width is tried for.
const NARROWER: usize = 3;

/// What a narrower width is of the one before, share.
const NARROWER_BY: RangeInclusive<f32> = 0.25..=0.6;

/// Least number of rings of a narrower reading that is kept, times the other's: where it has about as many, they are
/// the same rings read more finely, which now gains and now loses.
const MORE_RINGS: f32 = 1.4;

/// Least gain of it, times the other's, and least strength of the rings that the other doesn't have, share of that of
/// those it has. Of 34 practice discs (drawn with a pith, in a trial) with so many more rings, four came out worse: they
/// gained 1.11 times or less, or had a share of 0.42 or less; three of the 30 others fall to these limits.
const MORE_GAIN: f32 = 1.15;
const AS_STRONG: f32 = 0.43;

/// Least number of rings of a span that is read more narrowly, times those before and beyond them, the least that it
/// gains (log odds), and the least agreement of the arcs after it, share of that before. Of 61 spans on 520 practice
/// discs that gained 2 or more, 39 pass these limits: F1 fell by 0.03 to 0.05 on three of these discs (a false ring or
/// two) and rose by 1.88 in all; of the others it fell by 1.15 in all.
const SPAN_MORE_RINGS: (f32, usize) = (1.3, 2);
const SPAN_GAIN: f32 = 4.0;
const AGREES_AS_WELL: f32 = 0.9;

/// Distance at which two boundaries are one, share of the local ring width.
const THE_SAME: f32 = 0.35;

/// The arcs read at one scale.
#[derive(Debug, Clone)]
struct Read {
    evidence: Evidence,
    bounds: Bounds,
    found: Sequence,
}

/// The candidates, and the evidence at the scale of the rings that were found. A third reading, at the scale of
/// the rings found by the second, gained next to nothing.
pub(crate) fn settle(evidence: Evidence, mark: &RingMark) -> (Evidence, Bounds) {
    let read = |evidence: Evidence| {
        let bounds = bounds::trace(&evidence, mark);
        let found = rings::found(&bounds, &evidence);
        Read {
            evidence,
            bounds,
            found,
        }
    };
    let mut best = read(evidence);
    for _ in 0..NARROWER {
        let Some(finer) = narrower(&best, read) else {
            break;
        };
        best = finer;
    }
    if best.evidence.agreement() >= AGREES_ENOUGH && best.found.rings.len() >= ENOUGH_RINGS {
        let corrected = ring_width::corrected(&best.evidence.ring_width, &gaps(&best.found));
        best = read(best.evidence.at_width(corrected));
    }
    (best.evidence, best.bounds)
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

/// The reading at a narrower ring width, or at one that is narrower over a span of years, where that says more.
fn narrower(before: &Read, read: impl Fn(Evidence) -> Read) -> Option<Read> {
    let width = before.evidence.narrower_width(NARROWER_BY)?;
    let finer = read(before.evidence.clone().at_width(width));
    let narrow = &finer.evidence.ring_width;
    if says_more(&finer.found, &before.found, narrow) {
        return Some(finer);
    }
    let span = span_that_says_more(&finer.found, &before.found, narrow)?;
    let mut width = before.evidence.ring_width.clone();
    for (level, width) in width.iter_mut().enumerate() {
        if span.contains(&(level as f32)) {
            *width = narrow[level];
        }
    }
    let spliced = read(before.evidence.clone().at_width(width));
    let agrees = spliced.evidence.agreement() >= AGREES_AS_WELL * before.evidence.agreement();
    (agrees && spliced.found.gain() >= before.found.gain() + SPAN_GAIN).then_some(spliced)
}

/// Whether a sequence read at a narrower ring width, levels at each level, says more than another.
fn says_more(there: &Sequence, found: &Sequence, width: &[f32]) -> bool {
    // Where nothing is gained there is nothing to go by.
    if there.gain() <= MORE_GAIN * found.gain().max(0.0)
        || (there.rings.len() as f32) < MORE_RINGS * found.rings.len() as f32
    {
        return false;
    }
    let is_new = |ring: &Placed| !found.rings.iter().any(|had| is_same(had, ring, width));
    new_are_strong(&there.rings, is_new)
}

/// A place that two sequences have in common.
#[derive(Debug, Clone, Copy)]
struct InBoth {
    level: f32,
    /// Rings up to it and what they bring, in the sequence before and in the one read more narrowly.
    before: (usize, f32),
    narrow: (usize, f32),
}

/// The levels over which a sequence read at a narrower ring width, levels at each level, says most more than the one
/// before; none where it says little more. They begin at a boundary of both and end at another, or at the wood's edge.
fn span_that_says_more(
    narrow: &Sequence,
    before: &Sequence,
    width: &[f32],
) -> Option<RangeInclusive<f32>> {
    let mut places: Vec<InBoth> = before
        .rings
        .iter()
        .enumerate()
        .filter_map(|(i, had)| {
            let same = |now: &Placed| is_same(had, now, width);
            let j = narrow.rings.iter().position(same)?;
            Some(InBoth {
                level: narrow.rings[j].level,
                before: (i + 1, had.so_far),
                narrow: (j + 1, narrow.rings[j].so_far),
            })
        })
        .collect();
    places.push(InBoth {
        level: width.len() as f32,
        before: (before.rings.len() + 1, before.gain()),
        narrow: (narrow.rings.len() + 1, narrow.gain()),
    });
    let (times, besides) = SPAN_MORE_RINGS;
    let mut most: Option<(f32, RangeInclusive<f32>)> = None;
    for (k, from) in places.iter().enumerate() {
        for to in &places[k + 1..] {
            let rings = to.before.0 - from.before.0;
            let rings_now = to.narrow.0.saturating_sub(from.narrow.0);
            if (rings_now as f32) < times * rings as f32 || rings_now < rings + besides {
                continue;
            }
            let more = to.narrow.1 - from.narrow.1 - (to.before.1 - from.before.1).max(0.0);
            if more < SPAN_GAIN || most.as_ref().is_some_and(|(best, _)| *best >= more) {
                continue;
            }
            let had = between(before, from.before.0, to.before.0);
            let is_new = |ring: &Placed| !had.iter().any(|had| is_same(had, ring, width));
            if new_are_strong(between(narrow, from.narrow.0, to.narrow.0), is_new) {
                most = Some((more, from.level..=to.level));
            }
        }
    }
    most.map(|(_, levels)| levels)
}

/// The rings of a sequence from one to another, by their numbers; the wood's edge is no ring of it.
fn between(sequence: &Sequence, first: usize, last: usize) -> &[Placed] {
    &sequence.rings[first - 1..last.min(sequence.rings.len())]
}

/// Whether two boundaries are one, seen at two scales; `width` is the narrower of both, levels at each level.
fn is_same(before: &Placed, now: &Placed, width: &[f32]) -> bool {
    (before.level - now.level).abs() < THE_SAME * line_at(width, now.level)
}

/// Whether the new ones of some rings are not much weaker than the others.
fn new_are_strong(rings: &[Placed], is_new: impl Fn(&Placed) -> bool) -> bool {
    let (new, old): (Vec<&Placed>, Vec<&Placed>) = rings.iter().partition(|ring| is_new(ring));
    let strength =
        |of: &[&Placed]| of.iter().map(|r| r.strength).sum::<f32>() / of.len().max(1) as f32;
    strength(&new) >= AS_STRONG * strength(&old)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rings on these levels, of one strength, each of which brings as much.
    fn sequence(levels: &[f32], strength: f32, gain: f32) -> Sequence {
        let each = gain / levels.len() as f32;
        Sequence {
            rings: levels
                .iter()
                .enumerate()
                .map(|(k, &level)| Placed {
                    level,
                    strength,
                    clear: 0.9,
                    so_far: each * (k + 1) as f32,
                })
                .collect(),
        }
    }

    #[test]
    fn years_cut_back_are_the_span_that_says_more_and_faint_ones_between_wide_are_none() {
        // Ten wide years, six narrow ones read as two, ten wide years.
        let wide = |from: f32| (0..10).map(move |k| from + 20.0 * k as f32);
        let before: Vec<f32> = wide(20.0)
            .chain([218.0, 236.0])
            .chain(wide(256.0))
            .collect();
        let narrow = (1..=6).map(|k| 200.0 + 6.0 * k as f32);
        let now: Vec<f32> = wide(20.0).chain(narrow).chain(wide(256.0)).collect();
        let width = [6.0; 460];
        // Where a width fits, a ring brings five; where it is too wide or too narrow, two.
        let bringing = |levels: &[f32], fits: &dyn Fn(f32) -> bool| {
            let mut sequence = sequence(levels, 0.9, 0.0);
            let mut sum = 0.0;
            for ring in &mut sequence.rings {
                sum += if fits(ring.level) { 5.0 } else { 2.0 };
                ring.so_far = sum;
            }
            sequence
        };
        let in_narrow = |level: f32| (201.0..240.0).contains(&level);
        let before = bringing(&before, &|level| !in_narrow(level));
        let now = bringing(&now, &in_narrow);
        assert!(!says_more(&now, &before, &width));
        assert_eq!(
            span_that_says_more(&now, &before, &width),
            Some(200.0..=236.0)
        );
        let mut faint = now.clone();
        for ring in &mut faint.rings {
            let had = before.rings.iter().any(|had| had.level == ring.level);
            ring.strength *= if had { 1.0 } else { 0.3 };
        }
        assert_eq!(span_that_says_more(&faint, &before, &width), None);
        assert_eq!(span_that_says_more(&before, &before, &width), None);
        // The last years, passed over up to the wood's edge.
        let kept = |of: &Sequence, to: f32| Sequence {
            rings: of.rings.iter().filter(|r| r.level <= to).copied().collect(),
        };
        assert_eq!(
            span_that_says_more(&kept(&now, 236.0), &kept(&before, 201.0), &width),
            Some(200.0..=460.0)
        );
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
