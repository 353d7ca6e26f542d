//! Candidate ring boundaries and their place on every arc.
//!
//! A candidate is a maximum of the agreed change in the sense in which the rings of this disc end.
//! Its place on each arc is the best smooth closed path within a third of a ring of the agreed
//! line; placing the boundary arc by arc gained more than any other single step (0.06 of F1 in
//! the trial that preceded this program). The change is smoothed to the scale of a ring, which shows a
//! thin line's edge a tenth of a ring off; the path is therefore followed to the tone's own edge.

use crate::evidence::{ARCS, Evidence};
use crate::plane::{Plane, RowBorder, blur_line, line_at};
use crate::ring_mark::{self, RingMark, RingSign};

/// The candidates of one disc, from the pith outward.
#[derive(Debug, Clone)]
pub struct Bounds {
    /// In which sense the luminance changes where a ring ends: +1 dark to pale, -1 pale to dark.
    pub sense: f32,
    /// How sure the sense is, 0 (a toss-up) to 1.
    pub sense_confidence: f64,
    /// What marks the rings.
    pub mark: RingMark,
    /// The candidates, their agreed samples rising.
    pub candidates: Vec<Candidate>,
}

/// One candidate boundary.
#[derive(Debug, Clone)]
pub struct Candidate {
    /// Agreed place on the measured-out scale, samples.
    pub sample: f32,
    /// Place on each arc, samples (lined up), at the tone's own edge.
    pub place: Vec<f32>,
    /// Change across it on each arc, in local deviations, at the scale of the rings.
    pub change: Vec<f32>,
    /// Whether the arc shows wood there.
    pub seen: Vec<bool>,
    /// Agreed change across it, in local deviations.
    pub agreed: f32,
    /// Mean change along its placed path over the arcs that see it.
    pub strength: f32,
    /// Share of the arcs that see it on which the change has the right sense and is clear.
    pub support: f32,
    /// How far it stands above the higher of the two minima beside it.
    pub prominence: f32,
}

/// How far a boundary may lie from the agreed line on an arc, samples.
const REACH: usize = 3;

/// Finds the candidates and places them.
pub fn trace(evidence: &Evidence, mark: &RingMark) -> Bounds {
    let (sense, sense_confidence) = match mark.sign {
        RingSign::Tone => ring_mark::tone_sense(evidence),
        RingSign::Pores => (1.0, 1.0),
        RingSign::RowsOfPores { sense } => (sense, 1.0),
    };
    let signed: Vec<f32> = evidence.agreed.iter().map(|v| v * sense).collect();
    let toward = evidence
        .change
        .with(&evidence.seen, |c, w| c.clamp(-3.0, 3.0) * sense * w);
    let smooth = toward.blurred(0.0, 1.5, RowBorder::Wrap);
    let sharp = sharp_tone(evidence);
    let peaks = maxima(&signed);
    let candidates = peaks
        .into_iter()
        .map(|(peak, prominence)| place(evidence, &toward, &smooth, &signed, peak, prominence))
        .map(|candidate| Candidate {
            place: followed(&candidate.place, &sharp, sense),
            ..candidate
        })
        .filter(|c| c.seen.iter().filter(|s| **s).count() >= 2)
        .collect();
    Bounds {
        sense,
        sense_confidence,
        mark: *mark,
        candidates,
    }
}

/// How far the edge of the tone may lie from where the change at the rings' scale has it, samples.
const FOLLOW: f32 = 1.3;

/// The tone of the arcs, smoothed over half a sample along and over neighbouring arcs.
fn sharp_tone(evidence: &Evidence) -> Plane {
    let mut tone = evidence.tone.clone();
    for arc in 0..ARCS {
        let row = blur_line(tone.row(arc), 0.5);
        tone.row_mut(arc).copy_from_slice(&row);
    }
    tone.blurred(0.0, 1.5, RowBorder::Wrap)
}

/// A placed boundary moved, on every arc, to the steepest change of the tone nearby.
fn followed(place: &[f32], tone: &Plane, sense: f32) -> Vec<f32> {
    let moves = (0..ARCS)
        .map(|arc| {
            let row = tone.row(arc);
            let steep = |by: f32| {
                let at = place[arc] + by;
                let change = sense * (line_at(row, at + 0.5) - line_at(row, at - 0.5));
                // Of two edges about as steep the nearer one.
                change - 0.02 * by * by * change.abs()
            };
            // From where it is outward on both sides: where nothing changes it stays.
            let (mut best, mut steepest) = (0.0, steep(0.0));
            for k in 1..=10u8 {
                let by = f32::from(k) / 10.0 * FOLLOW;
                for by in [-by, by] {
                    let change = steep(by);
                    if change > steepest {
                        (best, steepest) = (by, change);
                    }
                }
            }
            best
        })
        .collect();
    // A boundary moves as a whole: single arcs have edges of their own.
    let moves = Plane {
        width: 1,
        height: ARCS,
        data: moves,
    }
    .blurred(0.0, 2.0, RowBorder::Wrap);
    place.iter().zip(&moves.data).map(|(p, m)| p + m).collect()
}

/// Local maxima of a line above a floor, with their prominence.
fn maxima(line: &[f32]) -> Vec<(usize, f32)> {
    let n = line.len();
    let mut peaks = Vec::new();
    for i in 1..n.saturating_sub(1) {
        if line[i] > 0.04 && line[i] >= line[i - 1] && line[i] > line[i + 1] {
            let lowest = |range: &mut dyn Iterator<Item = usize>| {
                let mut low = line[i];
                for j in range {
                    if line[j] > line[i] {
                        break;
                    }
                    low = low.min(line[j]);
                }
                low
            };
            let before = lowest(&mut (0..i).rev());
            let after = lowest(&mut (i + 1..n));
            peaks.push((i, line[i] - before.max(after)));
        }
    }
    peaks
}

/// Places one candidate on every arc.
fn place(
    evidence: &Evidence,
    toward: &Plane,
    smooth: &Plane,
    signed: &[f32],
    peak: usize,
    prominence: f32,
) -> Candidate {
    let n = smooth.width;
    let (low, high) = (peak.saturating_sub(REACH), (peak + REACH + 1).min(n));
    let size = high - low;
    let gain = |arc: usize, k: usize| {
        let off = (low + k) as f32 - peak as f32;
        smooth.at(low + k, arc) - 0.02 * off * off
    };
    // Closed path: two turns, the second is kept.
    let mut score: Vec<f32> = (0..size).map(|k| gain(0, k)).collect();
    let mut from = vec![vec![0usize; size]; 2 * ARCS];
    for turn in 1..2 * ARCS {
        let mut next = vec![0.0f32; size];
        for k in 0..size {
            let (mut best, mut source) = (f32::MIN, k);
            for (j, s) in score.iter().enumerate() {
                let s = s - 0.25 * k.abs_diff(j) as f32;
                if s > best {
                    (best, source) = (s, j);
                }
            }
            next[k] = best + gain(turn % ARCS, k);
            from[turn][k] = source;
        }
        score = next;
    }
    let mut k = (0..size)
        .max_by(|a, b| score[*a].total_cmp(&score[*b]))
        .unwrap_or(0);
    let mut path = vec![0usize; ARCS];
    for turn in (ARCS..2 * ARCS).rev() {
        path[turn % ARCS] = low + k;
        k = from[turn][k];
    }
    let between: Vec<f32> = (0..ARCS)
        .map(|arc| {
            let p = path[arc];
            let value = |i: usize| smooth.at(i.min(n - 1), arc);
            let (a, b, c) = (value(p.saturating_sub(1)), value(p), value(p + 1));
            let bend = a - 2.0 * b + c;
            let part = if b >= a && b >= c && bend.abs() > 1e-6 {
                0.5 * (a - c) / bend
            } else {
                0.0
            };
            p as f32 + part.clamp(-0.5, 0.5)
        })
        .collect();
    let place = Plane {
        width: 1,
        height: ARCS,
        data: between,
    }
    .blurred(0.0, 1.0, RowBorder::Wrap)
    .data;
    let seen: Vec<bool> = (0..ARCS)
        .map(|arc| evidence.seen.at(peak, arc) > 0.5)
        .collect();
    let change: Vec<f32> = (0..ARCS)
        .map(|arc| line_at(toward.row(arc), place[arc]))
        .collect();
    let (mut sum, mut good, mut count) = (0.0, 0.0, 0.0f32);
    for arc in (0..ARCS).filter(|arc| seen[*arc]) {
        sum += change[arc];
        good += f32::from(u8::from(change[arc] > 0.5));
        count += 1.0;
    }
    Candidate {
        sample: peak as f32,
        strength: sum / count.max(1.0),
        support: good / count.max(1.0),
        agreed: signed[peak],
        prominence,
        place,
        change,
        seen,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Arcs with one tone each at every sample.
    fn arcs(tone: impl Fn(usize) -> f32) -> Plane {
        let row: Vec<f32> = (0..100).map(tone).collect();
        Plane {
            width: 100,
            height: ARCS,
            data: row.repeat(ARCS),
        }
    }

    #[test]
    fn a_boundary_is_followed_to_the_edge_of_the_tone_in_its_sense() {
        // A dark line from 49 to 51, as a tenth of a ring off in the smoothed change.
        let line = arcs(|s| if (49..=51).contains(&s) { -1.0 } else { 0.0 });
        let place = [52.4; ARCS];
        for at in followed(&place, &line, 1.0) {
            assert!((at - 51.5).abs() < 0.15, "{at}");
        }
        for at in followed(&[47.6; ARCS], &line, -1.0) {
            assert!((at - 48.5).abs() < 0.15, "{at}");
        }
    }

    #[test]
    fn a_boundary_stays_where_the_tone_does_not_change() {
        let place = vec![30.25; ARCS];
        assert_eq!(followed(&place, &arcs(|_| 0.4), 1.0), place);
    }
}
