//! How wide a ring is, along the levels: everything after is read at that scale.
//!
//! Sectors of twenty degrees are correlated with their neighbours, shifted by a lag: what a sector
//! has to itself (pores, saw marks, the camera's noise) is not in its neighbour, so only rings
//! correlate. The correlation is over the power that the two share without a lag; half a lag that
//! correlates as well speaks against the lag (multiples of the ring width do), and shorter lags are
//! preferred. A smooth path of lags along the levels (Viterbi) is the width. Correlating each arc
//! with itself locked on to texture of three or four pixels on rough and porous faces.

use crate::plane::{Plane, blur_line, line_at};
use crate::vectors::widest;
use std::ops::RangeInclusive;

/// Shortest and longest ring width looked for, levels.
const LAGS: (f32, f32) = (3.0, 130.0);

/// Ratio of one lag to the next.
const RATIO: f32 = 1.09;

/// Arcs averaged into a sector.
const ARCS_A_SECTOR: usize = 4;

/// Levels between the places where the width is measured.
const STRIDE: usize = 8;

/// Typical ring width at every level.
pub(crate) fn measure(arcs: &Plane, seen: &Plane) -> Vec<f32> {
    Scales::of(arcs, seen).likeliest()
}

/// How well every width that rings may have goes with what the sectors share, along the levels.
#[derive(Debug, Clone)]
pub(crate) struct Scales {
    /// Levels.
    levels: usize,
    /// Ring widths looked at, levels, each [`RATIO`] times the one before.
    lags: Vec<f32>,
    /// What speaks for each, `[lag][place]`, a place every [`STRIDE`] levels.
    merit: Vec<Vec<f32>>,
}

impl Scales {
    /// Correlates the sectors.
    pub(crate) fn of(arcs: &Plane, seen: &Plane) -> Scales {
        let n = arcs.width;
        let mut lags = Vec::new();
        let mut lag = LAGS.0;
        while lag < LAGS.1.min(n as f32 / 4.0).max(LAGS.0 * 1.5) {
            lags.push(lag);
            lag *= RATIO;
        }
        let places: Vec<usize> = (0..n).step_by(STRIDE).collect();
        // Correlation at every lag and place; halves are looked up in the same table.
        let (sectors, wood) = (arcs.shrunk(1, ARCS_A_SECTOR), seen.shrunk(1, ARCS_A_SECTOR));
        let table: Vec<Vec<f32>> = widest(
            #[inline(always)]
            || correlations(&sectors, &wood, &lags, &places),
        );
        let half_shift = (2.0f32.ln() / RATIO.ln()).round();
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a small positive number"
        )]
        let half_shift = half_shift as usize;
        let merit = (0..lags.len())
            .map(|lag| {
                (0..places.len())
                    .map(|place| {
                        let own = table[lag][place];
                        let half = if lag >= half_shift {
                            table[lag - half_shift][place]
                        } else {
                            0.0
                        };
                        own.min(0.45) - 0.5 * half.min(0.45) - 0.08 * lags[lag].ln()
                    })
                    .collect()
            })
            .collect();
        Scales {
            levels: n,
            lags,
            merit,
        }
    }

    /// The likeliest width at every level.
    pub(crate) fn likeliest(&self) -> Vec<f32> {
        self.path(|_, _| true)
    }

    /// The likeliest that is within so many times another width, at every level where rings can be as narrow;
    /// none where they can't anywhere. Without a lower end nothing held it where no narrower rings are to be
    /// seen: the narrowest there are, of so few samples that a sequence of rings broke off.
    pub(crate) fn narrower(&self, width: &[f32], times: RangeInclusive<f32>) -> Option<Vec<f32>> {
        let narrowest = self.lags[0];
        let most = |level: usize| times.end() * width[level];
        let is_narrower = (0..self.levels).any(|level| most(level) >= narrowest);
        is_narrower.then(|| {
            self.path(|lag, level| {
                let least = (times.start() * width[level]).max(narrowest);
                (least..=most(level).max(narrowest)).contains(&lag)
            })
        })
    }

    /// The smooth path of widths for which most speaks.
    fn path(&self, is_allowed: impl Fn(f32, usize) -> bool) -> Vec<f32> {
        let merit = |lag: usize, place: usize| {
            let barred = if is_allowed(self.lags[lag], place * STRIDE) {
                0.0
            } else {
                10.0
            };
            self.merit[lag][place] - barred
        };
        let m = self.lags.len();
        let places = self.merit[0].len();
        let mut score: Vec<f32> = (0..m).map(|k| merit(k, 0)).collect();
        let mut from: Vec<Vec<usize>> = Vec::with_capacity(places);
        // 4: a step of ten per cent in eight levels costs 0.4, about what a wrong multiple gains.
        let toll = 2.5 * RATIO.ln();
        for place in 1..places {
            let mut next = vec![0.0; m];
            let mut back = vec![0; m];
            for k in 0..m {
                let (mut best, mut source) = (f32::MIN, k);
                for j in k.saturating_sub(6)..(k + 7).min(m) {
                    let s = score[j] - toll * k.abs_diff(j) as f32;
                    if s > best {
                        (best, source) = (s, j);
                    }
                }
                next[k] = best + merit(k, place);
                back[k] = source;
            }
            score = next;
            from.push(back);
        }
        let mut k = (0..m)
            .max_by(|a, b| score[*a].total_cmp(&score[*b]))
            .unwrap_or(0);
        let mut path = vec![self.lags[k]];
        for back in from.iter().rev() {
            k = back[k];
            path.push(self.lags[k]);
        }
        path.reverse();
        let path = blur_line(&path, 1.5);
        (0..self.levels)
            .map(|i| line_at(&path, i as f32 / STRIDE as f32))
            .collect()
    }
}

/// Distances between neighbouring boundaries, in measured ring widths, that are taken for one ring.
const ONE_RING: (f32, f32) = (0.3, 1.4);

/// Weight of the measured width beside a clear ring's own.
const MEASURED_WEIGHT: f32 = 0.2;

/// Rings that the widths of found rings are smoothed over (sd).
const SMOOTH_RINGS: f32 = 1.5;

/// Two neighbouring boundaries.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Gap {
    /// Level of the inner one.
    pub(crate) inner: f32,
    /// Level of the outer one.
    pub(crate) outer: f32,
    /// How clear the less clear of the two is, 0 to 1.
    pub(crate) clear: f32,
}

/// The measured width corrected by the rings that were found by it: where widths drop from one year to
/// the next the measure, which looks at three rings to either side, lags behind.
///
/// `measured` has one width a level. A gap that looks like several rings, or a part of one, has no say.
pub(crate) fn corrected(measured: &[f32], gaps: &[Gap]) -> Vec<f32> {
    let n = measured.len();
    let mut sum: Vec<f32> = measured.iter().map(|w| MEASURED_WEIGHT * w.ln()).collect();
    let mut weight = vec![MEASURED_WEIGHT; n];
    for &Gap {
        inner,
        outer,
        clear,
    } in gaps
    {
        let width = outer - inner;
        let rings = width / line_at(measured, 0.5 * (inner + outer));
        if rings < ONE_RING.0 || rings > ONE_RING.1 {
            continue;
        }
        for i in index(inner)..index(outer).min(n) {
            sum[i] += clear * width.ln();
            weight[i] += clear;
        }
    }
    (0..n)
        .map(|i| {
            let sd = SMOOTH_RINGS * measured[i];
            let (first, end) = (index(i as f32 - 2.0 * sd), index(i as f32 + 2.0 * sd) + 1);
            let (mut logarithm, mut total) = (0.0f32, 0.0f32);
            // Some sixty places are enough for a mean.
            for j in (first..end.min(n)).step_by(((end - first) / 60).max(1)) {
                let near = (-0.5 * ((j as f32 - i as f32) / sd).powi(2)).exp();
                logarithm += near * sum[j];
                total += near * weight[j];
            }
            (logarithm / total).exp()
        })
        .collect()
}

/// The level at or below a place, 0 at least.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "levels from 0 up"
)]
fn index(place: f32) -> usize {
    place.max(0.0) as usize
}

/// Correlation of the arcs with themselves, `[lag][place]`.
#[inline(always)]
fn correlations(arcs: &Plane, seen: &Plane, lags: &[f32], places: &[usize]) -> Vec<Vec<f32>> {
    let n = arcs.width;
    let mut out = Vec::with_capacity(lags.len());
    let mut filtered: Option<(f32, Plane)> = None;
    for &lag in lags {
        // One filter serves lags up to a fifth apart: lows off, pores blurred.
        let fits = filtered.as_ref().is_some_and(|(made, _)| lag / made < 1.2);
        if !fits {
            filtered = Some((lag, band(arcs, seen, lag)));
        }
        let Some((_, plane)) = &filtered else {
            continue;
        };
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "lags are from 3 up"
        )]
        let shift = lag.round() as usize;
        let (mut product, mut shared, mut power) = (
            vec![0.0f64; n + 1],
            vec![0.0f64; n + 1],
            vec![0.0f64; n + 1],
        );
        let (mut p, mut f, mut s) = (vec![0.0f32; n], vec![0.0f32; n], vec![0.0f32; n]);
        for sector in 0..plane.height {
            let (row, next) = (plane.row(sector), plane.row((sector + 1) % plane.height));
            let room = n.saturating_sub(shift);
            let (near, far) = (&row[..room], &row[n - room..]);
            let (next_near, next_far) = (&next[..room], &next[n - room..]);
            let (p, f, s) = (&mut p[..room], &mut f[..room], &mut s[..room]);
            for i in 0..room {
                // Outside the wood the band is exactly 0 and adds nothing.
                let (a, b, c, d) = (near[i], next_far[i], next_near[i], far[i]);
                let is_wood = (a != 0.0) & (b != 0.0) & (c != 0.0) & (d != 0.0);
                let share = if is_wood { 1.0 } else { 0.0 };
                p[i] += share * (a * b + c * d);
                f[i] += share * (a * c + b * d);
                s[i] += share * (0.5 * (a * a + b * b + c * c + d * d));
            }
        }
        for i in 0..n {
            product[i + 1] = product[i] + f64::from(p[i]);
            shared[i + 1] = shared[i] + f64::from(f[i]);
            power[i + 1] = power[i] + f64::from(s[i]);
        }
        let row = places
            .iter()
            .map(|&place| {
                // Three rings to either side.
                let (a, b) = (place.saturating_sub(3 * shift), (place + 2 * shift).min(n));
                let sums = |v: &[f64]| v[b] - v[a.min(b)];
                #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
                // Where next to nothing is shared, a tenth of the power stands in for it.
                let correlation =
                    (sums(&product) / (sums(&shared).max(0.1 * sums(&power)) + 1e-6)) as f32;
                if b < a + 2 * shift { -1.0 } else { correlation }
            })
            .collect();
        out.push(row);
    }
    out
}

/// The arcs less their mean over two lags, blurred by a twelfth of a lag; 0 outside the wood.
#[inline(always)]
fn band(arcs: &Plane, seen: &Plane, lag: f32) -> Plane {
    let n = arcs.width;
    let mut out = Plane::filled(n, arcs.height, 0.0);
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "lags are from 3 up"
    )]
    let half = lag.round() as usize;
    let mut sum = vec![0.0f64; n + 1];
    for arc in 0..arcs.height {
        let row = blur_line(arcs.row(arc), lag * 0.08);
        for i in 0..n {
            sum[i + 1] = sum[i] + f64::from(row[i]);
        }
        let seen = seen.row(arc);
        let target = &mut out.data[arc * n..(arc + 1) * n];
        let less_mean = |i: usize, (a, b): (usize, usize), count: f64| {
            #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
            let mean = ((sum[b] - sum[a]) / count) as f32;
            if seen[i] > 0.5 { row[i] - mean } else { 0.0 }
        };
        // Away from both ends all means are over as many.
        let (inner, outer) = (half.min(n), n.saturating_sub(half + 1).max(half.min(n)));
        for i in (0..inner).chain(outer..n) {
            let (a, b) = (i.saturating_sub(half), (i + half + 1).min(n));
            target[i] = less_mean(i, (a, b), (b - a) as f64);
        }
        let count = (2 * half + 1) as f64;
        let sums = sum.iter().zip(&sum[(2 * half + 1).min(n)..]);
        let wood = row[inner..outer].iter().zip(&seen[inner..outer]);
        for ((value, (row, seen)), (before, after)) in
            target[inner..outer].iter_mut().zip(wood).zip(sums)
        {
            #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
            let mean = ((after - before) / count) as f32;
            *value = if *seen > 0.5 { row - mean } else { 0.0 };
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gap(inner: f32, outer: f32) -> Gap {
        Gap {
            inner,
            outer,
            clear: 0.9,
        }
    }

    #[test]
    fn the_band_is_what_a_line_has_beyond_its_mean_about_each_place() {
        let n = 60;
        let line: Vec<f32> = (0..n).map(|i| ((i * 37) % 23) as f32).collect();
        let wood: Vec<f32> = (0..n).map(|i| f32::from(u8::from(i > 4))).collect();
        let plane = |data: &[f32]| Plane {
            width: n,
            height: 1,
            data: data.to_vec(),
        };
        // Lags within the line, and one that reaches beyond both its ends everywhere.
        for lag in [3.0f32, 8.0, 29.0, 40.0, 70.0] {
            let found = band(&plane(&line), &plane(&wood), lag);
            let (smooth, half) = (blur_line(&line, lag * 0.08), lag as usize);
            for i in 0..n {
                let near = &smooth[i.saturating_sub(half)..(i + half + 1).min(n)];
                let mean = near.iter().sum::<f32>() / near.len() as f32;
                let expected = if i > 4 { smooth[i] - mean } else { 0.0 };
                let off = (found.data[i] - expected).abs();
                assert!(off < 1e-4, "lag {lag}, place {i}: {off}");
            }
        }
    }

    #[test]
    fn the_likeliest_of_the_narrower_widths_is_that_of_the_finer_rings() {
        // Rings of 9 levels in waves of 47, alike on all arcs.
        let tone = |i: usize| {
            let turn = std::f32::consts::TAU * i as f32;
            (turn / 9.0).sin() + 2.0 * (turn / 47.0).sin()
        };
        let (n, height) = (600, 72);
        let row: Vec<f32> = (0..n).map(tone).collect();
        let arcs = Plane {
            width: n,
            height,
            data: row.repeat(height),
        };
        let scales = Scales::of(&arcs, &Plane::filled(n, height, 1.0));
        let finer = scales.narrower(&vec![47.0; n], 0.1..=0.6).expect("widths");
        // Of lags that correlate by 0.45 and more the shortest is taken: a seventh less than a ring here.
        for (level, width) in finer.iter().enumerate().take(500).skip(100) {
            assert!((0.83..1.05).contains(&(width / 9.0)), "{level}: {width}");
        }
        assert_eq!(scales.narrower(&vec![4.0; n], 0.1..=0.6), None);
    }

    #[test]
    fn rings_that_turn_narrow_correct_a_width_that_lags_behind() {
        // Rings of 20 levels up to 400, of 10 from there on; measured with a slope between.
        let measured: Vec<f32> = (0..800)
            .map(|i| 20.0 - 10.0 * ((i as f32 - 380.0) / 120.0).clamp(0.0, 1.0))
            .collect();
        let mut gaps: Vec<Gap> = (0..20)
            .map(|k| gap(20.0 * k as f32, 20.0 * (k + 1) as f32))
            .collect();
        gaps.extend((0..40).map(|k| gap(400.0 + 10.0 * k as f32, 410.0 + 10.0 * k as f32)));
        let corrected = corrected(&measured, &gaps);
        let off = |width: &[f32], i: usize| (width[i] / if i < 400 { 20.0 } else { 10.0 }).ln();
        let total = |width: &[f32]| (340..500).map(|i| off(width, i).abs()).sum::<f32>();
        assert!(total(&corrected) < 0.6 * total(&measured));
        for i in [100, 300, 600, 799] {
            assert!(off(&corrected, i).abs() < 0.02, "{i}: {}", corrected[i]);
        }
    }

    #[test]
    fn gaps_of_several_rings_or_of_a_part_of_one_leave_the_measured_width() {
        let measured = vec![12.0f32; 300];
        let gaps = [gap(0.0, 36.0), gap(36.0, 38.0), gap(38.0, 62.0)];
        for width in corrected(&measured, &gaps) {
            assert!((width - 12.0).abs() < 1e-3);
        }
    }
}
