//! The graduations along a line: followed one by one, fitted, measured, and told apart by length.
//!
//! The spacing of even marks on a straight ruler seen in perspective is a fraction of two straight
//! lines, `t(n) = (a + b n) / (1 + c n)` (a projective map of a line; Hartley and Zisserman 2004,
//! chapter 2). Its slope at one place is the spacing there. Marks that don't fit it are no
//! graduations.

use super::perspective::{Fit, Slant, toward};
use super::{LEAST_CONFIDENCE, Luminance, Refusal, Row};
use crate::reading::RulerSeen;
use crate::settings::RulerMarks;
use crate::units::MM_PER_INCH;
use std::f64::consts::TAU;

/// Fewest marks in a row: two and a half centimetres, or one inch and a half in sixteenths.
const LEAST_MARKS: usize = 25;
/// Marks in a row that may be hidden before the row is taken to end.
const MAX_HIDDEN: i32 = 3;
/// Standard deviation of the marks about their fit, in spacings, beyond which they are no
/// graduations. 0.12: printed ones have 0.01 to 0.05, chance gives 0.17 (even within +-0.3).
const MOST_UNEVEN: f64 = 0.12;
/// Share of the lengths' variance that a pattern of longer marks must explain.
const LEAST_EXPLAINED: f64 = 0.55;

/// One graduation.
#[derive(Debug, Clone, Copy)]
struct Mark {
    number: i32,
    along_px: f64,
    length_px: f64,
    /// From where to where it reaches across the line, px off it.
    ends_px: [f64; 2],
}

/// A line in work: places on it are px along and px off it.
#[derive(Debug, Clone, Copy)]
struct Line {
    x: f64,
    y: f64,
    sin: f64,
    cos: f64,
}

impl Line {
    fn new(row: &Row, turn: f64, off_px: f64) -> Self {
        let (s0, c0) = row.angle.sin_cos();
        let (sin, cos) = (row.angle + turn).sin_cos();
        Line {
            x: row.x_px - off_px * s0,
            y: row.y_px + off_px * c0,
            sin,
            cos,
        }
    }

    fn place(&self, along: f64, off: f64) -> (f64, f64) {
        (
            self.x + along * self.cos - off * self.sin,
            self.y + along * self.sin + off * self.cos,
        )
    }

    /// Mean of the luminance over `offs` at each step along the line; none outside the photo.
    fn profile(
        &self,
        luminance: &Luminance,
        from: f64,
        step: f64,
        n: usize,
        offs: &[f64],
    ) -> Vec<Option<f64>> {
        (0..n)
            .map(|i| {
                let along = from + i as f64 * step;
                let mut sum = 0.0;
                for off in offs {
                    let (x, y) = self.place(along, *off);
                    sum += luminance.at(x, y)?;
                }
                Some(sum / offs.len() as f64)
            })
            .collect()
    }
}

/// Reads the graduations along a row.
pub(super) fn read(
    luminance: &Luminance,
    row: &Row,
    pith_px: (f64, f64),
    asked: RulerMarks,
) -> Result<RulerSeen, Refusal> {
    let line = best_line(luminance, row).ok_or(Refusal::NoRow)?;
    let places = follow(luminance, &line, row)?;
    let fit = Fit::of(&places).ok_or(Refusal::FewMarks)?;
    let marks: Vec<(i32, f64)> = places
        .iter()
        .copied()
        .filter(|(n, t)| (fit.at(f64::from(*n)) - t).abs() < 0.3 * fit.spacing(f64::from(*n)))
        .collect();
    if marks.len() < LEAST_MARKS {
        return Err(Refusal::FewMarks);
    }
    let fit = Fit::of(&marks).ok_or(Refusal::FewMarks)?;
    let uneven = fit.uneven(&marks);
    if uneven > MOST_UNEVEN {
        return Err(Refusal::Uneven);
    }
    let (first, last) = (marks[0].0, marks[marks.len() - 1].0);
    let span = f64::from(last - first + 1);
    let seen = marks.len() as f64 / span;
    let marks: Vec<Mark> = marks
        .iter()
        .map(|(number, along_px)| {
            let spacing = fit.spacing(f64::from(*number));
            let ends_px = ends(luminance, &line, *along_px, spacing);
            Mark {
                number: *number,
                along_px: *along_px,
                length_px: ends_px[1] - ends_px[0],
                ends_px,
            }
        })
        .collect();
    let (graduation_mm, explained) = unit(&marks, asked).ok_or(Refusal::UnitUnknown)?;
    let confidence = seen.min(1.0) * explained * (1.0 - uneven / 0.3).clamp(0.0, 1.0);
    if confidence < LEAST_CONFIDENCE {
        return Err(Refusal::Unsure);
    }
    // The foot of the pith on the ruler, or its nearer end.
    let (dx, dy) = (pith_px.0 - line.x, pith_px.1 - line.y);
    let foot =
        (dx * line.cos + dy * line.sin).clamp(fit.at(f64::from(first)), fit.at(f64::from(last)));
    let spacing = fit.spacing(fit.number_at(foot, first, last));
    let slants: Vec<Slant> = marks
        .iter()
        .filter_map(|mark| slant(luminance, &line, mark, fit.spacing(f64::from(mark.number))))
        .collect();
    let pith = (dx * line.cos + dy * line.sin, dy * line.cos - dx * line.sin);
    let side_px = luminance.width.max(luminance.height) as f64;
    let (factor, factor_sd) = toward(&fit, &slants, foot, pith, side_px);
    let own_sd = fit.relative_sd(uneven, marks.len());
    let at = |along: f64| {
        let (x, y) = line.place(along, 0.0);
        [(x * 100.0).round() / 100.0, (y * 100.0).round() / 100.0]
    };
    let start = marks[0].along_px;
    Ok(RulerSeen {
        from_px: at(start),
        to_px: at(marks[marks.len() - 1].along_px),
        graduations: u32::try_from(last - first + 1).unwrap_or(0),
        graduations_px: marks
            .iter()
            .map(|mark| ((mark.along_px - start) * 100.0).round() / 100.0)
            .collect(),
        graduation_mm,
        mm_per_px: graduation_mm / spacing * factor,
        relative_sd: own_sd.hypot(factor_sd),
        confidence: (confidence * 1000.0).round() / 1000.0,
    })
}

/// The line near a row along which a spacing near the row's is strongest.
fn best_line(luminance: &Luminance, row: &Row) -> Option<Line> {
    let p = row.period_px;
    let wide = 0.5 * (row.reach_px[1] - row.reach_px[0]).max(20.0 * p);
    let score =
        |turn: f64, off: f64| evenness(luminance, &Line::new(row, turn, off), row, 1.0 + 0.06 * p);
    let mut best = (0.0, 0.0, 0.0);
    // Blocks are 64 px of their level wide and their spacing 3 to 18 of it: the marks lie within
    // about eight spacings of the blocks' middle, or four where the spacing is wide.
    let reach = (8.0 * p).clamp(24.0, 90.0).max(2.0 * p);
    let step = (0.45 * p).max(1.0);
    let turns: Vec<f64> = (-8..=8)
        .map(|i| (0.5 * f64::from(i)).to_radians())
        .collect();
    #[allow(clippy::cast_possible_truncation, reason = "some dozens, rounded up")]
    let steps = (reach / step).ceil() as i32;
    for turn in &turns {
        for i in -steps..=steps {
            let off = f64::from(i) * step;
            let found = score(*turn, off);
            if found > best.0 {
                best = (found, *turn, off);
            }
        }
    }
    if best.0 <= 0.0 {
        return None;
    }
    let mut fine = (0.35 * p / wide).max(0.0005);
    let mut nudge = 0.25 * p;
    for _ in 0..3 {
        let (_, turn, off) = best;
        for i in -3..=3 {
            for j in -2..=2 {
                let (turn, off) = (turn + f64::from(i) * fine, off + f64::from(j) * nudge);
                let found = score(turn, off);
                if found > best.0 {
                    best = (found, turn, off);
                }
            }
        }
        fine *= 0.5;
        nudge *= 0.5;
    }
    Some(Line::new(row, best.1, best.2))
}

/// How much of a line has marks at a spacing near the row's: the sum over windows of ten spacings
/// of the share of the variance that the spacing's sine wave takes.
fn evenness(luminance: &Luminance, line: &Line, row: &Row, step_px: f64) -> f64 {
    let p = row.period_px;
    let step = step_px.min(p / 3.0).max(0.5);
    let (from, to) = (row.reach_px[0] - 10.0 * p, row.reach_px[1] + 10.0 * p);
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "positive, floored"
    )]
    let n = ((to - from) / step).floor().clamp(0.0, 20_000.0) as usize;
    let offs = [-0.12 * p, 0.0, 0.12 * p];
    let profile = line.profile(luminance, from, step, n, &offs);
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "positive, rounded"
    )]
    let window = (10.0 * p / step).round().max(8.0) as usize;
    let mut sum = 0.0;
    for part in profile.chunks_exact(window) {
        let Some(values) = part.iter().copied().collect::<Option<Vec<f64>>>() else {
            continue;
        };
        let share = wave_share(&values, step, p);
        if share > 0.25 {
            sum += share;
        }
    }
    sum
}

/// Share of the variance of evenly taken values that a sine wave near a period takes.
fn wave_share(values: &[f64], step: f64, period: f64) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let power: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    // 2 levels of standard deviation: fainter marks can't be followed.
    if power < 4.0 * n {
        return 0.0;
    }
    let mut most = 0.0_f64;
    for i in -5..=5 {
        let turn = TAU * step / (period * (1.0 + 0.03 * f64::from(i)));
        let (ts, tc) = turn.sin_cos();
        let (mut s, mut c) = (0.0, 1.0);
        let (mut re, mut im) = (0.0, 0.0);
        for v in values {
            re += (v - mean) * c;
            im += (v - mean) * s;
            (s, c) = (s * tc + c * ts, c * tc - s * ts);
        }
        most = most.max(2.0 * (re * re + im * im) / (n * power));
    }
    most
}

/// Follows the marks from the clearest place both ways: number and px along the line, rising.
fn follow(luminance: &Luminance, line: &Line, row: &Row) -> Result<Vec<(i32, f64)>, Refusal> {
    let p = row.period_px;
    let step = (p / 16.0).clamp(0.2, 1.0);
    // A ruler may go on far beyond the blocks that found it.
    let more = (row.reach_px[1] - row.reach_px[0]).max(40.0 * p);
    let (from, to) = (row.reach_px[0] - more, row.reach_px[1] + more);
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "positive, floored"
    )]
    let n = ((to - from) / step).floor().clamp(0.0, 200_000.0) as usize;
    let offs = [-0.3, -0.15, 0.0, 0.15, 0.3].map(|off| off * p);
    let raw = line.profile(luminance, from, step, n, &offs);
    let depth = depths(&raw, step, p);
    // The clearest window of ten spacings.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "positive, rounded"
    )]
    let window = (10.0 * p / step).round().max(8.0) as usize;
    let clearest = raw
        .chunks_exact(window)
        .enumerate()
        .filter_map(|(i, part)| {
            let values = part.iter().copied().collect::<Option<Vec<f64>>>()?;
            Some((i * window + window / 2, wave_share(&values, step, p)))
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .filter(|(_, share)| *share > 0.25)
        .ok_or(Refusal::NoRow)?
        .0;
    let is_dark = {
        // Thin marks on a wide ground: the side with the longer tail is the marks'.
        let part = &depth[clearest.saturating_sub(window / 2)..(clearest + window / 2).min(n)];
        let known: Vec<f64> = part.iter().flatten().copied().collect();
        known.iter().map(|v| v.powi(3)).sum::<f64>() >= 0.0
    };
    let z = |i: usize| {
        depth
            .get(i)
            .copied()
            .flatten()
            .map(|v| if is_dark { v } else { -v })
    };
    // Highest place within a reach of an expected one, by a parabola through it.
    let peak = |at: f64, reach: f64| -> Option<(f64, f64)> {
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to the profile"
        )]
        let index = |v: f64| ((v - from) / step).round().clamp(1.0, n as f64 - 2.0) as usize;
        let (low, high) = (index(at - reach), index(at + reach));
        let best = (low..=high)
            .filter_map(|i| Some((i, z(i)?)))
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        let (i, value) = best;
        let (a, c) = (z(i.checked_sub(1)?)?, z(i + 1)?);
        // On the rim of the search it is the flank of another one.
        if a > value || c > value {
            return None;
        }
        let bend = a - 2.0 * value + c;
        let part = if bend < 0.0 {
            0.5 * (a - c) / bend
        } else {
            0.0
        };
        Some((from + (i as f64 + part.clamp(-0.5, 0.5)) * step, value))
    };
    let middle = from + clearest as f64 * step;
    let (start, height) = peak(middle, 0.5 * p).ok_or(Refusal::NoRow)?;
    let mut found = vec![(0, start)];
    for way in [1.0, -1.0] {
        let (mut at, mut spacing, mut number, mut hidden) = (start, p, 0, 0);
        let mut usual = height;
        loop {
            let ahead = f64::from(hidden + 1) * spacing;
            let expected = at + way * ahead;
            if expected < from || expected > to {
                break;
            }
            match peak(expected, 0.3 * spacing).filter(|(_, v)| *v > 0.3 * usual) {
                Some((here, value)) => {
                    let steps = f64::from(hidden + 1);
                    let own = (here - at).abs() / steps;
                    spacing += 0.2 * (own - spacing);
                    usual += 0.15 * (value - usual);
                    number += hidden + 1;
                    hidden = 0;
                    at = here;
                    found.push((if way > 0.0 { number } else { -number }, here));
                }
                None => {
                    hidden += 1;
                    if hidden > MAX_HIDDEN {
                        break;
                    }
                }
            }
        }
    }
    found.sort_by_key(|(number, _)| *number);
    if found.len() < LEAST_MARKS {
        return Err(Refusal::FewMarks);
    }
    Ok(found)
}

/// How much darker a profile is than its mean over one spacing, slightly smoothed.
fn depths(raw: &[Option<f64>], step: f64, period: f64) -> Vec<Option<f64>> {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "positive, rounded"
    )]
    let half = |px: f64| (px / step / 2.0).round().max(0.0) as usize;
    let (wide, narrow) = (half(period), half(0.14 * period));
    let mean = |i: usize, half: usize| -> Option<f64> {
        let part = raw.get(i.checked_sub(half)?..=i + half)?;
        let sum: Option<f64> = part.iter().copied().sum();
        Some(sum? / part.len() as f64)
    };
    (0..raw.len())
        .map(|i| Some(mean(i, wide)? - mean(i, narrow)?))
        .collect()
}

/// Where a mark ends on both sides of the line, px off it: followed both ways while it stays darker (or paler) than
/// what lies on both sides of it by a good part of its contrast on the line.
fn ends(luminance: &Luminance, line: &Line, along: f64, spacing: f64) -> [f64; 2] {
    // How far the place stands out of both its sides; at the best of three places, since marks seen
    // aslant wander along the line.
    let stands_out = |along: f64, off: f64| -> Option<f64> {
        let value = |along: f64| {
            let (x, y) = line.place(along, off);
            luminance.at(x, y)
        };
        let side = 0.5 * (value(along - 0.45 * spacing)? + value(along + 0.45 * spacing)?);
        Some(side - value(along)?)
    };
    let Some(contrast) = stands_out(along, 0.0) else {
        return [0.0; 2];
    };
    let sign = contrast.signum();
    let step = (0.12 * spacing).max(0.5);
    let drift = (0.06 * spacing).max(0.25);
    let mut ends = [0.0; 2];
    for (side, way) in [(1, 1.0), (0, -1.0)] {
        let mut at = along;
        let (mut off, mut gap) = (0.0, 0);
        let mut end = 0.0;
        // 20 spacings: the longest mark of a rule is below 10 mm, or an inch of 16.
        while off < 20.0 * spacing {
            off += step;
            let best = [-drift, 0.0, drift]
                .into_iter()
                .filter_map(|d| Some((at + d, sign * stands_out(at + d, way * off)?)))
                .max_by(|a, b| a.1.total_cmp(&b.1));
            match best {
                Some((here, out)) if out > 0.45 * contrast.abs() => {
                    at = here;
                    end = off;
                    gap = 0;
                }
                Some(_) => {
                    gap += 1;
                    // One speck of noise doesn't end a mark.
                    if gap > 2 {
                        break;
                    }
                }
                None => break,
            }
        }
        ends[side] = way * end;
    }
    ends
}

/// How a mark leans: px along the line for each px off it, by its middle in each row that it
/// reaches over; none where it is too short to tell.
fn slant(luminance: &Luminance, line: &Line, mark: &Mark, spacing: f64) -> Option<Slant> {
    let value = |along: f64, off: f64| {
        let (x, y) = line.place(along, off);
        luminance.at(x, y)
    };
    let step = (0.12 * spacing).max(0.7);
    let fine = (spacing / 14.0).clamp(0.15, 1.0);
    let mut middles: Vec<(f64, f64)> = Vec::new();
    for (way, end) in [(1.0, mark.ends_px[1]), (-1.0, -mark.ends_px[0])] {
        let mut at = mark.along_px;
        let mut off = if way > 0.0 { 0.0 } else { step };
        while off <= end - 0.5 * step {
            let samples: Option<Vec<(f64, f64)>> = (-5..=5)
                .map(|i| {
                    let along = at + f64::from(i) * fine;
                    Some((along, value(along, way * off)?))
                })
                .collect();
            let samples = samples?;
            let side = 0.5 * (samples[0].1 + samples[10].1);
            let depths = samples.iter().map(|(along, v)| (along, (side - v).abs()));
            let (sum, first) = depths.fold((0.0, 0.0), |(sum, first), (along, depth)| {
                (sum + depth, first + depth * (along - at))
            });
            if sum > 0.0 {
                at += (first / sum).clamp(-0.1 * spacing, 0.1 * spacing);
                middles.push((way * off, at));
            }
            off += step;
        }
    }
    if middles.len() < 6 {
        return None;
    }
    let n = middles.len() as f64;
    let (mv, mt) = middles
        .iter()
        .fold((0.0, 0.0), |sum, m| (sum.0 + m.0 / n, sum.1 + m.1 / n));
    let (mut vv, mut vt) = (0.0, 0.0);
    for (v, t) in &middles {
        vv += (v - mv).powi(2);
        vt += (v - mv) * (t - mt);
    }
    (vv > 0.0).then(|| Slant {
        number: f64::from(mark.number),
        slant: vt / vv,
        weight: vv,
    })
}

/// Millimetres between marks by the pattern of the longer ones, and the share of the lengths'
/// variance that the pattern explains.
fn unit(marks: &[Mark], asked: RulerMarks) -> Option<(f64, f64)> {
    let metric = (
        1.0,
        pattern(marks, 10, &|r| match r {
            0 => 0,
            5 => 1,
            _ => 2,
        }),
    );
    let inch = (
        MM_PER_INCH / 16.0,
        pattern(marks, 16, &|r| match r {
            0 => 0,
            8 => 1,
            4 | 12 => 2,
            _ if r % 2 == 0 => 3,
            _ => 4,
        }),
    );
    let found = [metric, inch]
        .into_iter()
        .filter_map(|(mm, explained)| Some((mm, explained?)))
        .filter(|(_, explained)| *explained >= LEAST_EXPLAINED)
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let agrees = match asked {
        RulerMarks::Auto => true,
        RulerMarks::Mm => (found.0 - 1.0).abs() < 1e-9,
        RulerMarks::Sixteenths => (found.0 - 1.0).abs() > 1e-9,
    };
    agrees.then_some(found)
}

/// How much of the variance of lengths classes of numbers explain, over the best start of the
/// count; none where no start has its classes in falling order.
fn pattern(marks: &[Mark], modulus: i32, class: &dyn Fn(i32) -> usize) -> Option<f64> {
    let lengths: Vec<f64> = marks.iter().map(|mark| mark.length_px).collect();
    let count = lengths.len() as f64;
    let mean = lengths.iter().sum::<f64>() / count;
    let total: f64 = lengths.iter().map(|l| (l - mean).powi(2)).sum();
    if total <= 0.0 {
        return None;
    }
    let classes = (0..modulus).map(class).max()? + 1;
    (0..modulus)
        .filter_map(|start| {
            let mut groups = vec![Vec::new(); classes];
            for (mark, length) in marks.iter().zip(&lengths) {
                groups[class((mark.number - start).rem_euclid(modulus))].push(*length);
            }
            if groups.iter().any(|group| group.len() < 2) {
                return None;
            }
            let means: Vec<f64> = groups
                .iter()
                .map(|g| g.iter().sum::<f64>() / g.len() as f64)
                .collect();
            // Each kind of mark clearly longer than the next: rules are made to be read.
            if means.windows(2).any(|pair| pair[0] < 1.08 * pair[1])
                || means[0] < 1.4 * means[classes - 1]
            {
                return None;
            }
            let within: f64 = groups
                .iter()
                .zip(&means)
                .flat_map(|(group, mean)| group.iter().map(move |l| (l - mean).powi(2)))
                .sum();
            Some(1.0 - within / total)
        })
        .max_by(f64::total_cmp)
}
