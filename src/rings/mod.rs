//! The candidates reconciled into rings.
//!
//! The sequence is chosen as a whole: every candidate brings a gain that grows with how clearly
//! the arcs agree on it, every gap between neighbours a loss that grows with its distance from the
//! local ring width (a semi-Markov best path). Ring width changes slowly, but may halve or double
//! from one year to the next, so the loss is gentle: it helps to choose among weak candidates and
//! cannot remove a well-seen ring.

mod pith_edge;

use crate::bounds::{Bounds, Candidate};
use crate::doubt::{self, Signs};
use crate::evidence::{ARCS, Evidence, SAMPLES_A_RING};
use crate::pith::Pith;
use crate::plane::line_at;
use crate::polar::{Polar, RAYS};
use crate::reading::AZIMUTHS;
use crate::ring_mark::RingSign;
use crate::straight::{LEVEL_RAYS, Straight};

/// The rings of the disc.
///
/// Holds: boundaries in order; on each azimuth their radii strictly rise.
#[derive(Debug, Clone)]
pub struct Rings {
    /// The rings, from the pith outward.
    pub rings: Vec<FoundRing>,
    /// The candidates between the first ring and the wood's edge that were left out.
    pub left_out: Vec<LeftOut>,
    /// Share of what the arcs show that they agree on, 0 to 1: how good the face is to read.
    pub agreement: f64,
    /// How level the rings lie once straightened, 0 to 1.
    pub level_agreement: f64,
    /// Whether the rings can be told apart well enough for a count.
    pub is_readable: bool,
    /// Radius of the centre that is lost (hollow, rot), px; 0 where the pith can be seen.
    pub lost_centre_px: f64,
    /// Rings narrower than this can't be counted in this photo, px.
    pub tight_below_px: f64,
}

/// One ring's outer boundary.
#[derive(Debug, Clone)]
pub struct FoundRing {
    /// Distance from the pith, px, one a degree.
    pub radius_px: Vec<Option<f64>>,
    /// Chance that it is a year's.
    pub confidence: f64,
    /// What that chance goes by.
    pub signs: Signs,
}

/// A candidate that was left out.
#[derive(Debug, Clone)]
pub struct LeftOut {
    /// Distance from the pith, px, one a degree.
    pub radius_px: Vec<Option<f64>>,
    /// Chance that it is a year's after all.
    pub chance: f64,
    /// What that chance goes by.
    pub signs: Signs,
}

/// Chooses the rings.
pub fn settle(
    pith: &Pith,
    bounds: &Bounds,
    evidence: &Evidence,
    straight: &Straight,
    polar: &Polar,
) -> Rings {
    let mut chosen: Vec<usize> = sequence(&bounds.candidates)
        .into_iter()
        .map(|(i, _)| i)
        .collect();
    let ring_of = |i: usize| {
        let candidate = &bounds.candidates[i];
        FoundRing {
            radius_px: radii(candidate, evidence, straight, polar),
            confidence: clearness(candidate),
            signs: signs(candidate, bounds, evidence, straight),
        }
    };
    let mut rings: Vec<FoundRing> = chosen.iter().map(|&i| ring_of(i)).collect();
    let lost_centre_px = polar.lost_centre_px();
    rings.retain(|ring| median_radius(ring).is_some_and(|r| r > lost_centre_px));
    if lost_centre_px <= 0.0 {
        let mut edges = 0;
        while edges < pith_edge::MOST && pith_edge::is_first(&rings, polar) {
            rings.remove(0);
            edges += 1;
        }
        // Taken for a ring, the pith's edge has pushed out the first ring close to it.
        if edges > 0
            && let Some(&[edge, next, ..]) = chosen.get(edges - 1..)
            && let Some((first, ring)) = pith_edge::first_ring(edge + 1..next, &rings, ring_of)
        {
            chosen.push(first);
            rings.insert(0, ring);
        }
    }
    close_with_edge(&mut rings, polar);
    order(&mut rings);
    let agreement = f64::from(evidence.agreement());
    let mut left_out: Vec<LeftOut> = (0..bounds.candidates.len())
        .filter(|i| !chosen.contains(i))
        .map(|i| LeftOut {
            radius_px: radii(&bounds.candidates[i], evidence, straight, polar),
            chance: 0.0,
            signs: signs(&bounds.candidates[i], bounds, evidence, straight),
        })
        .collect();
    let is_readable = is_readable(&rings, agreement, pith);
    weigh(&mut rings, &mut left_out, agreement);
    Rings {
        rings,
        left_out,
        agreement,
        level_agreement: f64::from(straight.agreement),
        is_readable,
        lost_centre_px,
        tight_below_px: TIGHT_BELOW_PX,
    }
}

/// The rings that would be chosen of some candidates.
#[derive(Debug, Clone)]
pub(crate) struct Sequence {
    /// The rings, from the pith outward.
    pub(crate) rings: Vec<Placed>,
}

impl Sequence {
    /// What the rings bring, less what the gaps between them cost (log odds).
    pub(crate) fn gain(&self) -> f32 {
        self.rings.last().map_or(0.0, |ring| ring.so_far)
    }
}

/// Where a ring's boundary lies and how plain it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Placed {
    /// Level of the straightened disc.
    pub(crate) level: f32,
    /// Mean change across it, in local deviations.
    pub(crate) strength: f32,
    /// How clear it is, 0 to 1.
    pub(crate) clear: f32,
    /// What the sequence brings up to it, log odds.
    pub(crate) so_far: f32,
}

/// The sequence that would be chosen: what the scale is settled by.
pub(crate) fn found(bounds: &Bounds, evidence: &Evidence) -> Sequence {
    let rings = sequence(&bounds.candidates)
        .into_iter()
        .map(|(i, so_far)| {
            let candidate = &bounds.candidates[i];
            #[allow(clippy::cast_possible_truncation, reason = "a share")]
            let clear = clearness(candidate) as f32;
            Placed {
                level: line_at(&evidence.level, candidate.sample),
                strength: candidate.strength,
                clear,
                so_far,
            }
        })
        .collect();
    Sequence { rings }
}

/// Rings narrower than this can't be counted reliably, px (common practice, no source: five pixels
/// to count a ring, ten to measure it; four still show as a dip between two boundaries).
pub(crate) const TIGHT_BELOW_PX: f64 = 4.0;

/// Whether there is end grain to be counted at all.
///
/// Walls, planks and leaves have no centre that their texture runs round; faces with saw marks
/// only, and blurred ones, show few and doubtful rings. A small disc has few rings too, but clear
/// ones. Limits by the practice pictures without rings; a false confident count is worse than none.
fn is_readable(rings: &[FoundRing], agreement: f64, pith: &Pith) -> bool {
    let n = rings.len();
    let mean = rings.iter().map(|r| r.confidence).sum::<f64>() / n.max(1) as f64;
    let few_and_doubtful = n < 15 && mean < 0.85;
    n >= 3 && agreement > 0.1 && pith.agreement > 0.05 && !few_and_doubtful
}

fn median_radius(ring: &FoundRing) -> Option<f64> {
    let mut radii: Vec<f64> = ring.radius_px.iter().flatten().copied().collect();
    radii.sort_by(f64::total_cmp);
    radii.get(radii.len() / 2).copied()
}

/// What of a candidate can be told from itself alone.
fn signs(
    candidate: &Candidate,
    bounds: &Bounds,
    evidence: &Evidence,
    straight: &Straight,
) -> Signs {
    // How far apart two rings are here, px: the mean over the rays of what a ring's samples span.
    let last = (evidence.samples() - 1) as f32;
    let half = SAMPLES_A_RING / 2.0;
    let level = |at: f32| line_at(&evidence.level, at.clamp(0.0, last));
    let (near, far) = (
        level(candidate.sample - half),
        level(candidate.sample + half),
    );
    let rays = (0..LEVEL_RAYS).step_by(12);
    let count = rays.len() as f64;
    let width_px = rays
        .map(|ray| {
            let row = straight.radius.row(ray);
            f64::from(line_at(row, far) - line_at(row, near))
        })
        .sum::<f64>()
        / count;
    // The weakest sixth of the disc: a path that passes from ring to ring is torn somewhere.
    let weakest = (0..6)
        .filter_map(|sixth| {
            let seen: Vec<f32> = (sixth * ARCS / 6..(sixth + 1) * ARCS / 6)
                .filter(|arc| candidate.seen[*arc])
                .map(|arc| candidate.change[arc])
                .collect();
            (seen.len() >= 4).then(|| seen.iter().sum::<f32>() / seen.len() as f32)
        })
        .fold(candidate.strength, f32::min);
    // The agreed lines round it, the largest value within some samples.
    let largest = |line: &[f32], sign: f32, reach: i16| {
        (-reach..=reach)
            .map(|off| sign * line_at(line, (candidate.sample + f32::from(off)).clamp(0.0, last)))
            .fold(0.0, f32::max)
    };
    Signs {
        opposite: f64::from(largest(&evidence.agreed, -bounds.sense, 6)),
        onset: f64::from(largest(&evidence.agreed_onset, 1.0, 2)),
        sense_confidence: bounds.sense_confidence,
        by_pores: bounds.mark.sign != RingSign::Tone,
        strength: f64::from(candidate.strength),
        weakest: f64::from(weakest),
        support: f64::from(candidate.support),
        agreed: f64::from(candidate.agreed),
        prominence: f64::from(candidate.prominence),
        width_px,
        ..Signs::default()
    }
}

/// Gives every ring, and every candidate between the first and the last, its chance.
fn weigh(rings: &mut [FoundRing], left_out: &mut Vec<LeftOut>, agreement: f64) {
    let radius: Vec<f64> = rings
        .iter()
        .map(|ring| median_radius(ring).unwrap_or(0.0))
        .collect();
    // The wood's edge has no strength of its own.
    let own: Vec<Option<f64>> = rings
        .iter()
        .map(|ring| (!ring.signs.is_edge).then_some(ring.signs.strength))
        .collect();
    let (Some(&first), Some(&last)) = (radius.first(), radius.last()) else {
        left_out.clear();
        return;
    };
    let n = rings.len();
    // Mean strength of the four rings next to a place, the ring there not among them.
    let nearby = |place: usize, without: Option<usize>| {
        let near: Vec<f64> = (place.saturating_sub(3)..(place + 3).min(n))
            .filter(|i| Some(*i) != without)
            .filter_map(|i| own[i])
            .collect();
        near.iter().sum::<f64>() / near.len().max(1) as f64
    };
    let placed: Vec<&Signs> = (0..n)
        .filter(|i| !rings[*i].signs.is_edge)
        .map(|i| &rings[i].signs)
        .collect();
    let mean = |of: &dyn Fn(&Signs) -> f64| {
        placed.iter().map(|s| of(s)).sum::<f64>() / placed.len().max(1) as f64
    };
    let one_sided = mean(&|s| s.strength - s.opposite);
    let pores = mean(&|s| s.onset);
    let of_disc = placed
        .first()
        .map_or((0.0, false), |s| (s.sense_confidence, s.by_pores));
    let context: Vec<f64> = (0..n).map(|i| nearby(i, Some(i))).collect();
    for i in 0..n {
        let inner = (i > 0).then(|| radius[i - 1]);
        // The wood's edge is no candidate: the rings before it tell the width there.
        if rings[i].signs.is_edge {
            rings[i].signs.width_px = inner.map_or(0.0, |_| rings[i - 1].signs.width_px);
        }
        let outer = radius.get(i + 1).copied();
        let signs = &mut rings[i].signs;
        signs.place_among(inner, radius[i], outer);
        signs.nearby = context[i];
        signs.one_sided = one_sided;
        signs.pores = pores;
        (signs.sense_confidence, signs.by_pores) = of_disc;
        signs.agreement = agreement;
        signs.from_pith = i as f64;
        signs.from_edge = (n - 1 - i) as f64;
        rings[i].confidence = doubt::ring(signs);
    }
    left_out.retain_mut(|left| {
        let mut seen: Vec<f64> = left.radius_px.iter().flatten().copied().collect();
        seen.sort_by(f64::total_cmp);
        let Some(r) = seen.get(seen.len() / 2).copied() else {
            return false;
        };
        if r >= last || r < 0.5 * first {
            return false;
        }
        let after = radius.partition_point(|at| *at <= r);
        let inner = after.checked_sub(1).map(|i| radius[i]);
        left.signs.place_among(inner, r, radius.get(after).copied());
        left.signs.nearby = nearby(after, None);
        left.signs.one_sided = one_sided;
        left.signs.pores = pores;
        left.signs.agreement = agreement;
        left.signs.from_pith = after as f64;
        left.signs.from_edge = (n - after) as f64;
        left.chance = doubt::left_out(&left.signs);
        true
    });
}

/// How clear a candidate is, 0 to 1.
fn clearness(candidate: &Candidate) -> f64 {
    1.0 / (1.0 + (-f64::from(gain(candidate))).exp())
}

/// What a candidate brings to the sequence: log odds of being a year's boundary.
fn gain(candidate: &Candidate) -> f32 {
    4.0 * (candidate.strength.min(2.0) - 0.45) + 1.5 * (candidate.prominence - 0.3)
}

/// What a gap costs, in rings of the local width.
fn gap_cost(rings: f32) -> f32 {
    let off = rings.max(0.05).ln();
    // Below four tenths of a ring two boundaries are one, seen twice.
    let close = if rings < 0.4 {
        6.0 * (0.4 - rings) / 0.4
    } else {
        0.0
    };
    1.5 * off * off + close
}

/// Best sequence of candidates, each with what the sequence brings up to it.
fn sequence(candidates: &[Candidate]) -> Vec<(usize, f32)> {
    let n = candidates.len();
    let mut best = vec![0.0f32; n];
    let mut from: Vec<Option<usize>> = vec![None; n];
    for i in 0..n {
        let own = gain(&candidates[i]);
        // The first ring may be wide or narrow: starting costs little.
        let mut top = -0.3 * gap_cost((candidates[i].sample / SAMPLES_A_RING).max(0.3));
        for j in (0..i).rev() {
            let gap = (candidates[i].sample - candidates[j].sample) / SAMPLES_A_RING;
            if gap > 6.0 {
                break;
            }
            let score = best[j] - gap_cost(gap);
            if score > top {
                top = score;
                from[i] = Some(j);
            }
        }
        best[i] = own + top;
    }
    // The path ends at its best candidate among the last six rings, or the best of all.
    let mut at = (0..n).max_by(|a, b| best[*a].total_cmp(&best[*b]));
    let mut chosen = Vec::new();
    while let Some(i) = at {
        chosen.push((i, best[i]));
        at = from[i];
    }
    chosen.reverse();
    chosen
}

/// A candidate's distance from the pith at every degree.
fn radii(
    candidate: &Candidate,
    evidence: &Evidence,
    straight: &Straight,
    polar: &Polar,
) -> Vec<Option<f64>> {
    let n = evidence.samples();
    let level: Vec<f32> = (0..ARCS)
        .map(|arc| {
            let at = candidate.place[arc].clamp(0.0, (n - 1) as f32);
            line_at(&evidence.level, at + line_at(evidence.shift.row(arc), at))
        })
        .collect();
    (0..AZIMUTHS)
        .map(|degree| {
            let place = degree as f32 * ARCS as f32 / AZIMUTHS as f32 - 0.5;
            let whole = place.floor();
            let part = place - whole;
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_possible_wrap,
                reason = "small whole numbers"
            )]
            let first = (whole as isize).rem_euclid(ARCS as isize).unsigned_abs();
            let second = (first + 1) % ARCS;
            let nearest = if part < 0.5 { first } else { second };
            if !candidate.seen[nearest] {
                return None;
            }
            let l = level[first] * (1.0 - part) + level[second] * part;
            let r = line_at(straight.radius.row(degree * LEVEL_RAYS / AZIMUTHS), l);
            let (near, far) = polar.visible[degree * RAYS / AZIMUTHS];
            (r >= near as f32 && r <= far as f32).then(|| f64::from(r))
        })
        .collect()
}

/// The last ring ends at the wood's edge: a boundary close to it is it, else one is added.
fn close_with_edge(rings: &mut Vec<FoundRing>, polar: &Polar) {
    let edge: Vec<Option<f64>> = (0..AZIMUTHS)
        .map(|degree| {
            let ray = degree * RAYS / AZIMUTHS;
            polar.edge_seen[ray].then(|| f64::from(polar.edge[ray]))
        })
        .collect();
    if edge.iter().filter(|r| r.is_some()).count() * 20 < AZIMUTHS {
        return;
    }
    // Boundaries beyond the edge on most azimuths are bark or background.
    let lies = |ring: &FoundRing, by: &dyn Fn(f64, f64) -> bool| {
        let pairs: Vec<bool> = ring
            .radius_px
            .iter()
            .zip(&edge)
            .filter_map(|(r, e)| Some(by((*r)?, (*e)?)))
            .collect();
        pairs.iter().filter(|b| **b).count() * 2 > pairs.len()
    };
    let width = typical_last_width(rings);
    while rings
        .last()
        .is_some_and(|ring| lies(ring, &|r, e| r > e - 0.45 * width))
    {
        rings.pop();
    }
    rings.push(FoundRing {
        radius_px: edge,
        confidence: 0.9,
        signs: Signs {
            is_edge: true,
            ..Signs::default()
        },
    });
}

/// Median width of the last few rings, px.
fn typical_last_width(rings: &[FoundRing]) -> f64 {
    let tail = &rings[rings.len().saturating_sub(6)..];
    let mut widths: Vec<f64> = tail
        .windows(2)
        .flat_map(|pair| {
            pair[0]
                .radius_px
                .iter()
                .zip(&pair[1].radius_px)
                .filter_map(|(a, b)| Some((*b)? - (*a)?))
        })
        .collect();
    widths.sort_by(f64::total_cmp);
    widths.get(widths.len() / 2).copied().unwrap_or(4.0)
}

/// Boundaries never cross: each lies at least a hair outside the one before it.
fn order(rings: &mut [FoundRing]) {
    for degree in 0..AZIMUTHS {
        let mut reached = 0.0f64;
        for ring in rings.iter_mut() {
            if let Some(r) = &mut ring.radius_px[degree] {
                *r = r.max(reached + 0.05);
                reached = *r;
            }
        }
    }
}
