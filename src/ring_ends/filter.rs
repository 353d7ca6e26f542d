//! The filter: a few convolutions over arcs and levels, with weights taught by `teach.py`.
//!
//! Arcs close into a turn, nothing lies beyond the ends of the levels. Six rounds look at three arcs
//! and seven cells each, ever wider spaced; twice the mean of all arcs is told to each of them, since
//! rings go round and texture doesn't. The disc as a whole is judged on the mean of what the arcs say.
//! Sums are taken in a fixed order: the same answer on every machine.

use super::FINE;
use super::close_up::CloseUp;
use crate::evidence::ARCS;
use crate::plane::Plane;

/// What `teach.py` wrote, little endian f32; its order is told there.
const WEIGHTS: &[u8] = include_bytes!("weights.bin");

/// Channels of the arcs.
const CHANNELS: usize = 16;

/// Channels of the disc as a whole.
const DISC: usize = 24;

/// What the filter is shown of a cell: tone and roughness twice, share of wood, length.
const INPUTS: usize = 2 * FINE + 2;

/// Spacing of the taps, cells and arcs, round by round.
const SPACING: [(usize, usize); 6] = [(1, 1), (1, 2), (2, 4), (4, 4), (2, 2), (1, 1)];

/// Rounds after which every arc hears of the mean.
const CONTEXT_AFTER: [usize; 2] = [1, 3];

/// Spacing of the taps, cells, in the layers of the disc as a whole.
const DISC_SPACING: [usize; 4] = [1, 2, 4, 1];

/// Deals out the weights in the order in which they were written.
struct Weights {
    left: std::slice::ChunksExact<'static, u8>,
}

impl Weights {
    fn take(&mut self, count: usize) -> Vec<f32> {
        self.left
            .by_ref()
            .take(count)
            .map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]]))
            .collect()
    }
}

/// Rows of one length, the arcs of a channel one after the other.
struct Rows {
    n: usize,
    arcs: usize,
    data: Vec<f32>,
}

impl Rows {
    fn filled(channels: usize, arcs: usize, n: usize) -> Self {
        Rows {
            n,
            arcs,
            data: vec![0.0; channels * arcs * n],
        }
    }

    fn row(&self, channel: usize, arc: usize) -> &[f32] {
        let at = (channel * self.arcs + arc) * self.n;
        &self.data[at..at + self.n]
    }

    fn row_mut(&mut self, channel: usize, arc: usize) -> &mut [f32] {
        let at = (channel * self.arcs + arc) * self.n;
        &mut self.data[at..at + self.n]
    }
}

/// Log odds that a ring ends at each sample: on every arc `[ARCS, FINE * cells]`, and on the disc.
pub(super) fn judge(close_up: &CloseUp) -> (Plane, Vec<f32>) {
    let mut weights = Weights {
        left: WEIGHTS.chunks_exact(4),
    };
    let n = close_up.seen.width;
    let input = shown(close_up);
    let total: Vec<f32> = (0..n)
        .map(|i| {
            (0..ARCS)
                .map(|arc| close_up.seen.at(i, arc))
                .sum::<f32>()
                .max(1.0)
        })
        .collect();
    let mut here = stem(
        &input,
        &weights.take(CHANNELS * INPUTS * 15),
        &weights.take(CHANNELS),
    );
    let rounds: Vec<[Vec<f32>; 4]> = SPACING
        .iter()
        .map(|_| {
            [
                weights.take(CHANNELS * 21),
                weights.take(CHANNELS),
                weights.take(CHANNELS * CHANNELS),
                weights.take(CHANNELS),
            ]
        })
        .collect();
    let contexts: Vec<[Vec<f32>; 2]> = CONTEXT_AFTER
        .iter()
        .map(|_| {
            [
                weights.take(CHANNELS * CHANNELS * 5),
                weights.take(CHANNELS),
            ]
        })
        .collect();
    for (round, [along, along_bias, mix, mix_bias]) in rounds.iter().enumerate() {
        here = look_round(&here, SPACING[round], along, along_bias, mix, mix_bias);
        if let Some(k) = CONTEXT_AFTER.iter().position(|after| *after == round) {
            let mean = mean_of_arcs(&here, CHANNELS, close_up, &total);
            let told = line_layer(&mean, n, CHANNELS, CHANNELS, 1, &contexts[k]);
            for channel in 0..CHANNELS {
                let line = &told[channel * n..(channel + 1) * n];
                for arc in 0..ARCS {
                    for (v, t) in here.row_mut(channel, arc).iter_mut().zip(line) {
                        *v += t.max(0.0);
                    }
                }
            }
        }
    }
    let (head, head_bias) = (weights.take(FINE * CHANNELS), weights.take(FINE));
    let mut arcs = Rows::filled(FINE, ARCS, n);
    for arc in 0..ARCS {
        for side in 0..FINE {
            let mut line = vec![head_bias[side]; n];
            mixed(
                &mut line,
                |channel| here.row(channel, arc),
                &head[side * CHANNELS..(side + 1) * CHANNELS],
            );
            arcs.row_mut(side, arc).copy_from_slice(&line);
        }
    }
    let agreed = judge_disc(&here, &arcs, close_up, &total, &mut weights);
    let mut on_arc = Plane::filled(FINE * n, ARCS, 0.0);
    for arc in 0..ARCS {
        for side in 0..FINE {
            for (i, v) in arcs.row(side, arc).iter().enumerate() {
                on_arc.data[arc * FINE * n + FINE * i + side] = *v;
            }
        }
    }
    debug_assert!(weights.left.next().is_none(), "every weight has its place");
    (on_arc, agreed)
}

/// The filter's input.
fn shown(close_up: &CloseUp) -> Rows {
    let n = close_up.seen.width;
    let mut input = Rows::filled(INPUTS, ARCS, n);
    for (k, plane) in [&close_up.tone, &close_up.roughness].iter().enumerate() {
        for side in 0..FINE {
            for arc in 0..ARCS {
                let row = input.row_mut(FINE * k + side, arc);
                for (i, v) in row.iter_mut().enumerate() {
                    // Lessons are kept in steps of 1/32, capped at 127 of them.
                    if close_up.seen.at(i, arc) > 0.5 {
                        *v = plane.at(FINE * i + side, arc).clamp(-127.0 / 32.0, 127.0 / 32.0);
                    }
                }
            }
        }
    }
    for arc in 0..ARCS {
        input
            .row_mut(2 * FINE, arc)
            .copy_from_slice(close_up.seen.row(arc));
        let row = input.row_mut(2 * FINE + 1, arc);
        for (v, levels) in row.iter_mut().zip(&close_up.cell_levels) {
            *v = levels.max(0.05).log2();
        }
    }
    input
}

/// Three arcs by five cells of every input into every channel, nothing below zero.
fn stem(input: &Rows, weight: &[f32], bias: &[f32]) -> Rows {
    let n = input.n;
    let mut out = Rows::filled(CHANNELS, ARCS, n);
    let mut line = vec![0.0f32; n];
    for channel in 0..CHANNELS {
        for arc in 0..ARCS {
            line.fill(bias[channel]);
            for source in 0..INPUTS {
                for turn in 0..3 {
                    let row = input.row(source, (arc + ARCS + turn - 1) % ARCS);
                    let at = ((channel * INPUTS + source) * 3 + turn) * 5;
                    taps(&mut line, row, &weight[at..at + 5], 1);
                }
            }
            for (v, sum) in out.row_mut(channel, arc).iter_mut().zip(&line) {
                *v = sum.max(0.0);
            }
        }
    }
    out
}

/// One round: each channel looked at along and across, then all mixed and added to what was there.
fn look_round(
    here: &Rows,
    (cells, turns): (usize, usize),
    along: &[f32],
    along_bias: &[f32],
    mix: &[f32],
    mix_bias: &[f32],
) -> Rows {
    let n = here.n;
    let mut out = Rows::filled(CHANNELS, ARCS, n);
    let mut seen = vec![0.0f32; CHANNELS * n];
    let mut line = vec![0.0f32; n];
    for arc in 0..ARCS {
        for channel in 0..CHANNELS {
            let sum = &mut seen[channel * n..(channel + 1) * n];
            sum.fill(along_bias[channel]);
            for turn in 0..3 {
                let row = here.row(channel, (arc + ARCS + turn * turns - turns) % ARCS);
                let at = (channel * 3 + turn) * 7;
                taps(sum, row, &along[at..at + 7], cells);
            }
        }
        for channel in 0..CHANNELS {
            line.fill(mix_bias[channel]);
            mixed(
                &mut line,
                |source| &seen[source * n..(source + 1) * n],
                &mix[channel * CHANNELS..(channel + 1) * CHANNELS],
            );
            let before = here.row(channel, arc);
            let after = out.row_mut(channel, arc);
            for ((v, was), sum) in after.iter_mut().zip(before).zip(&line) {
                *v = was + sum.max(0.0);
            }
        }
    }
    out
}

/// Adds a row seen through an odd number of taps, `spacing` apart about each place.
fn taps(sum: &mut [f32], row: &[f32], weight: &[f32], spacing: usize) {
    let n = row.len();
    let half = weight.len() / 2;
    for (k, w) in weight.iter().enumerate() {
        let (back, ahead) = (
            half.saturating_sub(k) * spacing,
            k.saturating_sub(half) * spacing,
        );
        if back.max(ahead) >= n {
            continue;
        }
        let source = &row[ahead..n - back];
        for (s, v) in sum[back..n - ahead].iter_mut().zip(source) {
            *s += w * v;
        }
    }
}

/// Adds all channels' rows, weighted.
fn mixed<'a>(sum: &mut [f32], row: impl Fn(usize) -> &'a [f32], weight: &[f32]) {
    for (k, four) in weight.chunks_exact(4).enumerate() {
        let (a, b, c, d) = (row(4 * k), row(4 * k + 1), row(4 * k + 2), row(4 * k + 3));
        for ((((s, a), b), c), d) in sum.iter_mut().zip(a).zip(b).zip(c).zip(d) {
            *s += four[0] * a + four[1] * b + four[2] * c + four[3] * d;
        }
    }
}

/// Mean over the arcs, by how much of each is wood; one line a channel.
fn mean_of_arcs(rows: &Rows, channels: usize, close_up: &CloseUp, total: &[f32]) -> Vec<f32> {
    let n = rows.n;
    let mut out = vec![0.0f32; channels * n];
    for channel in 0..channels {
        let line = &mut out[channel * n..(channel + 1) * n];
        for arc in 0..ARCS {
            for ((s, v), w) in line
                .iter_mut()
                .zip(rows.row(channel, arc))
                .zip(close_up.seen.row(arc))
            {
                *s += v * w;
            }
        }
        for (s, t) in line.iter_mut().zip(total) {
            *s /= t;
        }
    }
    out
}

/// Every line of `from` into every line of `to`, through as many taps as there are weights for.
fn line_layer(
    lines: &[f32],
    n: usize,
    from: usize,
    to: usize,
    spacing: usize,
    [weight, bias]: &[Vec<f32>; 2],
) -> Vec<f32> {
    let size = weight.len() / (from * to);
    let mut out = vec![0.0f32; to * n];
    for target in 0..to {
        let line = &mut out[target * n..(target + 1) * n];
        line.fill(bias[target]);
        for source in 0..from {
            let at = (target * from + source) * size;
            taps(
                line,
                &lines[source * n..(source + 1) * n],
                &weight[at..at + size],
                spacing,
            );
        }
    }
    out
}

/// Judges the disc as a whole, from what its arcs say on average.
fn judge_disc(
    here: &Rows,
    arcs: &Rows,
    close_up: &CloseUp,
    total: &[f32],
    weights: &mut Weights,
) -> Vec<f32> {
    let n = here.n;
    let mut lines = mean_of_arcs(here, CHANNELS, close_up, total);
    let chances = Rows {
        n,
        arcs: ARCS,
        data: arcs.data.iter().map(|v| chance(*v)).collect(),
    };
    lines.extend(mean_of_arcs(&chances, FINE, close_up, total));
    lines.extend((0..n).map(|i| {
        (0..ARCS).map(|arc| close_up.seen.at(i, arc)).sum::<f32>() / ARCS as f32
    }));
    let from = CHANNELS + FINE + 1;
    let first = [weights.take(DISC * from), weights.take(DISC)];
    let mut disc = line_layer(&lines, n, from, DISC, 1, &first);
    disc.iter_mut().for_each(|v| *v = v.max(0.0));
    for spacing in DISC_SPACING {
        let layer = [weights.take(DISC * DISC * 5), weights.take(DISC)];
        let more = line_layer(&disc, n, DISC, DISC, spacing, &layer);
        disc.iter_mut().zip(&more).for_each(|(v, m)| *v += m.max(0.0));
    }
    let last = [weights.take(FINE * DISC), weights.take(FINE)];
    let sides = line_layer(&disc, n, DISC, FINE, 1, &last);
    (0..FINE * n)
        .map(|i| sides[(i % FINE) * n + i / FINE])
        .collect()
}

/// Chance of log odds.
pub(super) fn chance(log_odds: f32) -> f32 {
    1.0 / (1.0 + (-log_odds).exp())
}
