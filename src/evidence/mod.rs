//! Evidence of ring boundaries: what the sectors of the straightened disc agree on.
//!
//! The straightened disc is averaged over arcs of five degrees, measured out so that a ring takes
//! about eleven samples whatever its width ([`ring_width`](crate::ring_width)), and every arc is lined up with its
//! neighbours (`alignment`), which takes out the last fraction of a ring that the straightening
//! leaves; where they agree on little, with the whole turn before that, as a sector may follow the year
//! before or after. The evidence is the change of luminance along that scale, on every arc and agreed.

mod alignment;

use crate::plane::{Plane, blur_line, line_at, skew};
use crate::polar::Polar;
use crate::ring_width::Scales;
use crate::straight::{Arcs, Straight, arcs};
use alignment::With;
use std::ops::RangeInclusive;

/// Arcs of the disc that are read, five degrees each.
pub const ARCS: usize = 72;

/// Agreement from which arcs need not be lined up with the whole turn.
const AGREE_CLEARLY: f32 = 0.8;

/// Samples a ring takes on the measured-out scale.
pub const SAMPLES_A_RING: f32 = 11.0;

/// What the arcs show, on the measured-out scale.
///
/// Holds: `change`, `seen` and `shift` are `[ARCS, samples]`; `level` rises strictly.
#[derive(Debug, Clone)]
pub struct Evidence {
    /// Signed change of luminance outward, in local deviations, lined up between the arcs.
    pub change: Plane,
    /// Change of the roughness along the arc, likewise: pores set in where it rises.
    pub onset: Plane,
    /// Luminance, in local deviations, lined up between the arcs.
    pub tone: Plane,
    /// Roughness along the arc, lined up between the arcs.
    pub roughness: Plane,
    /// Share of the arc that is wood in the photo there, 0 to 1.
    pub seen: Plane,
    /// By how many samples each arc was shifted to line up.
    pub shift: Plane,
    /// Level of the straightened disc at each sample.
    pub level: Vec<f32>,
    /// Change agreed between the arcs that see it.
    pub agreed: Vec<f32>,
    /// Change of roughness agreed between the arcs that see it.
    pub agreed_onset: Vec<f32>,
    /// Ring width by which the arcs are measured out, levels, at each level.
    pub ring_width: Vec<f32>,
    /// The straightened arcs that all of this was made from.
    arcs: Arcs,
    /// How likely each ring width is, along the levels.
    scales: Scales,
}

impl Evidence {
    /// Share of the arcs' power that they agree on, 0 to 1.
    pub fn agreement(&self) -> f32 {
        agreement(&self.change, &self.seen, &self.agreed)
    }

    /// Skew of the changes on the arcs: how much sharper they are in the one sense (positive: to pale) than in
    /// the other.
    pub fn skew_of_change(&self) -> f64 {
        let seen = self.change.data.iter().zip(&self.seen.data);
        skew(
            seen.filter(|(_, seen)| **seen > 0.5)
                .map(|(change, _)| *change),
        )
    }

    /// The same arcs measured out by another ring width, levels, at each level.
    pub fn at_width(self, ring_width: Vec<f32>) -> Evidence {
        measured_out(self.arcs, self.scales, ring_width)
    }

    /// The likeliest ring width, levels at each level, that is within so many times the one the arcs are
    /// measured out by; none where even that is narrower than rings can be.
    pub fn narrower_width(&self, times: RangeInclusive<f32>) -> Option<Vec<f32>> {
        self.scales.narrower(&self.ring_width, times)
    }

    /// Steepness across the rings, change of tone a px, `[ARCS, samples]`, lined up between the arcs. Made
    /// when asked for: it tells the kind of wood, once a disc.
    pub fn steepness(&self) -> Plane {
        let steepness = measure_out(&self.arcs.steepness, &self.level, &self.ring_width);
        lined_up(&steepness, &self.shift, |row| row.to_vec())
    }

    /// Samples along the scale.
    pub fn samples(&self) -> usize {
        self.level.len()
    }
}

/// Gathers the evidence.
pub fn gather(polar: &Polar, straight: &Straight) -> Evidence {
    let arcs = arcs(polar, &straight.radius);
    let scales = Scales::of(&arcs.tone, &arcs.seen);
    let ring_width = scales.likeliest();
    measured_out(arcs, scales, ring_width)
}

/// What arcs show that are measured out by a ring width.
fn measured_out(arcs: Arcs, scales: Scales, ring_width: Vec<f32>) -> Evidence {
    let level = places(&ring_width, arcs.tone.width);
    let raw = Measured {
        tone: measure_out(&arcs.tone, &level, &ring_width),
        roughness: measure_out(&arcs.roughness, &level, &ring_width),
        seen: at_places(&arcs.seen, &level),
    };
    let mut lined = raw.lined_up(With::Neighbours);
    if lined.agreement() < AGREE_CLEARLY {
        // Arcs that line up with their neighbours may do so a year off.
        let far = raw.lined_up(With::WholeTurn);
        if far.agreement() > lined.agreement() {
            lined = far;
        }
    }
    Evidence {
        change: lined.change,
        onset: lined.onset,
        tone: lined.tone,
        roughness: lined.roughness,
        seen: lined.seen,
        shift: lined.shift,
        level,
        agreed: lined.agreed,
        agreed_onset: lined.agreed_onset,
        ring_width,
        arcs,
        scales,
    }
}

/// Arcs measured out, before they are lined up.
struct Measured {
    tone: Plane,
    roughness: Plane,
    seen: Plane,
}

/// Arcs lined up, and what they agree on.
struct Lined {
    change: Plane,
    onset: Plane,
    tone: Plane,
    roughness: Plane,
    seen: Plane,
    shift: Plane,
    agreed: Vec<f32>,
    agreed_onset: Vec<f32>,
}

impl Measured {
    fn lined_up(&self, with: With) -> Lined {
        let shift = alignment::line_up(&self.tone, &self.seen, with);
        let seen = lined_up(&self.seen, &shift, |row| row.to_vec());
        let change = lined_up(&self.tone, &shift, relative_change);
        let onset = lined_up(&self.roughness, &shift, relative_change);
        Lined {
            agreed: agree(&change, &seen),
            agreed_onset: agree(&onset, &seen),
            tone: lined_up(&self.tone, &shift, |row| row.to_vec()),
            roughness: lined_up(&self.roughness, &shift, |row| row.to_vec()),
            change,
            onset,
            seen,
            shift,
        }
    }
}

impl Lined {
    fn agreement(&self) -> f32 {
        agreement(&self.change, &self.seen, &self.agreed)
    }
}

/// Share of the arcs' power that they agree on, 0 to 1.
fn agreement(change: &Plane, seen: &Plane, agreed: &[f32]) -> f32 {
    let (mut power, mut count) = (0.0f32, 0.0f32);
    for (change, seen) in change.data.iter().zip(&seen.data) {
        if *seen > 0.5 {
            power += change.clamp(-3.0, 3.0).powi(2);
            count += 1.0;
        }
    }
    let common = agreed.iter().map(|v| v * v).sum::<f32>() / agreed.len().max(1) as f32;
    (common * count / power.max(1e-6)).clamp(0.0, 1.0)
}

/// Change along a row in units of its own local deviation.
fn relative_change(row: &[f32]) -> Vec<f32> {
    let steps = slope_of(row);
    let typical = deviation(&steps, 61, 0.05);
    steps.iter().zip(&typical).map(|(s, t)| s / t).collect()
}

/// Every arc, made into something, at its lined-up places.
fn lined_up(plane: &Plane, shift: &Plane, make: impl Fn(&[f32]) -> Vec<f32>) -> Plane {
    let n = plane.width;
    let mut out = Plane::filled(n, plane.height, 0.0);
    for arc in 0..plane.height {
        let made = make(plane.row(arc));
        for s in 0..n {
            out.data[arc * n + s] = line_at(&made, s as f32 + shift.at(s, arc));
        }
    }
    out
}

/// Mean over the arcs that see it; few arcs count less.
fn agree(change: &Plane, seen: &Plane) -> Vec<f32> {
    (0..change.width)
        .map(|s| {
            let (mut sum, mut total) = (0.0, 1.0);
            for arc in 0..change.height {
                sum += change.at(s, arc).clamp(-3.0, 3.0) * seen.at(s, arc);
                total += seen.at(s, arc);
            }
            sum / total
        })
        .collect()
}

/// Levels at which samples are taken: [`SAMPLES_A_RING`] a ring.
fn places(width: &[f32], levels: usize) -> Vec<f32> {
    let (mut place, last) = (0.0f32, (levels - 1) as f32);
    let mut level = Vec::new();
    while place < last {
        level.push(place);
        place += line_at(width, place) / SAMPLES_A_RING;
    }
    level
}

/// A plane's rows read at places between its samples.
fn at_places(plane: &Plane, places: &[f32]) -> Plane {
    let mut out = Plane::filled(places.len(), plane.height, 0.0);
    for y in 0..plane.height {
        for (x, place) in places.iter().enumerate() {
            out.data[y * places.len() + x] = line_at(plane.row(y), *place);
        }
    }
    out
}

/// Resamples the arcs at the places given; wide rings are smoothed accordingly.
fn measure_out(arcs: &Plane, level: &[f32], width: &[f32]) -> Plane {
    // Smoothing before resampling, in steps of sigma; each sample takes the step next to what its
    // spacing asks for.
    let sigmas = [0.0f32, 0.5, 1.0, 1.5, 2.5, 4.0, 6.0, 9.0];
    let wanted: Vec<usize> = level
        .iter()
        .map(|l| {
            let sigma = line_at(width, *l) / SAMPLES_A_RING * 0.45;
            let far = |s: &f32| ((s + 0.05).ln() - (sigma.max(0.01) + 0.05).ln()).abs();
            (0..sigmas.len())
                .min_by(|a, b| far(&sigmas[*a]).total_cmp(&far(&sigmas[*b])))
                .unwrap_or(0)
        })
        .collect();
    let mut tone = Plane::filled(level.len(), ARCS, 0.0);
    for arc in 0..ARCS {
        for (k, sigma) in sigmas.iter().enumerate() {
            if !wanted.contains(&k) {
                continue;
            }
            let line = blur_line(arcs.row(arc), *sigma);
            for (s, l) in level.iter().enumerate() {
                if wanted[s] == k {
                    tone.data[arc * level.len() + s] = line_at(&line, *l);
                }
            }
        }
    }
    tone
}

/// Derivative of a Gaussian (sigma 1.2 samples) along a row: the change outward.
fn slope_of(row: &[f32]) -> Vec<f32> {
    let smooth = blur_line(row, 1.1);
    let n = smooth.len();
    (0..n)
        .map(|i| (smooth[(i + 1).min(n - 1)] - smooth[i.saturating_sub(1)]) / 2.0)
        .collect()
}

/// Root mean square over a window, plus a floor.
fn deviation(row: &[f32], window: usize, floor: f32) -> Vec<f32> {
    let n = row.len();
    let mut sum = vec![0.0f64; n + 1];
    for (i, v) in row.iter().enumerate() {
        sum[i + 1] = sum[i] + f64::from(v * v);
    }
    (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(window / 2), (i + window / 2 + 1).min(n));
            #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
            let mean = ((sum[b] - sum[a]) / (b - a) as f64) as f32;
            mean.max(0.0).sqrt() + floor
        })
        .collect()
}
