//! A closer look at the wood's edge: where wood meets the inner bark.
//!
//! The search over the whole face sees wood and what lies round it; the inner bark, a thin layer
//! with colours near the wood's, it mostly leaves inside. Here the photo's own pixels are looked at,
//! in a strip about that path. First a place is wood as far as its colour is one of the wood's
//! further in (Mahalanobis's distance over the three axes, the wood of 40 degrees together); then as
//! far as it is rather that than a colour of what lies beyond the path found, there or most of the way round
//! (quadratic discriminant). The closed path that gathers most is the edge. Where a ray has clearly left
//! the wood, outer bark with the wood's colours doesn't win it back.

use super::path::{closed_path, gathered};
use super::rays::RAYS;
use crate::face;
use crate::photo::Photo;
use crate::pith::Pith;
use crate::plane::{Plane, RowBorder, line_at};
use crate::vectors::widest;
use std::ops::Range;

/// Samples of the strip on a ray.
const SAMPLES: usize = 280;

/// Inner side of the strip, as a share of the path's distance.
const INNER: f64 = 0.8;

/// Length of a sample, as a share of the path's distance.
const SHARE: f64 = 0.001;

/// Sample that lies on the path.
const ON_PATH: usize = 200;

/// Samples that are taken for wood before an edge is found in the strip. With 150 and 130 of them the
/// edges of practice discs lay alike; with 130 a stained one of the development discs lost its outer wood.
const WOOD: Range<usize> = 0..170;

/// Times that the strip is laid about the path found: the first path winds as the bark's outer side
/// does, and what is smoothed along it runs over the edge.
const LOOKS: usize = 2;

/// Rounds of learning the colours on both sides of the path.
const ROUNDS: usize = 2;

/// Blur of the colours (sd): samples, rays.
const BLUR: (f32, f32) = (1.0, 0.75);

/// Rays on either side whose colours are taken together.
const TOGETHER: usize = 10;

/// Grey levels that no spread of colours is below: luminance, red-green, yellow-blue. With three quarters
/// and with one and a half of them the edges of practice discs lay alike.
const LEAST_SPREAD: [f64; 3] = [4.0, 2.5, 2.5];

/// Squared distance at which a colour is as likely the wood's as not (three axes; chi-square reaches it
/// on one sample of wood in twenty).
const EVEN_ODDS: f32 = 8.0;

/// Most that a sample's odds of being wood count: by its distance from the wood's colours alone, and by
/// both sides.
const MOST_ALONE: f32 = 3.0;
const MOST_OF_BOTH: f32 = 4.0;

/// Drop of the gathered odds from which a ray has left the wood for good.
const LEFT: f32 = 20.0;

/// Samples inside and beyond a path that its two sides are learnt from, but for the two nearest to it.
const INSIDE: usize = 60;
const BEYOND: usize = 22;

/// Samples that a round may move the path by.
const NEAR: usize = 40;

/// Samples beyond the rough path that the edge may lie: the rough path is nowhere known to lie further in
/// than a thirtieth.
const OUTWARD: usize = 30;

/// Most samples from ray to ray, and the toll on each.
const JUMP: usize = 5;
const TOLL: f32 = 0.75;

/// Blur of the path before the strip is laid about it anew (sd), rays.
const SMOOTH: f32 = 1.5;

/// Distance from the pith, px, of the wood's edge on each ray, from that of a rough path. Where the edge
/// is not in the photo it stays.
pub(super) fn closer(photo: &Photo, pith: &Pith, rough_px: &[f64], in_photo: &[bool]) -> Vec<f64> {
    let photographed = Strip::about(photo, pith, rough_px);
    let mut middle_px = rough_px.to_vec();
    let mut path_px = middle_px.clone();
    for look in 0..LOOKS {
        let strip = if look == 0 {
            photographed.blurred()
        } else {
            middle_px = smoothed(&path_px);
            let moved: Vec<f64> = middle_px.iter().zip(rough_px).map(|(a, b)| a / b).collect();
            photographed.about_path(&moved).blurred()
        };
        for (ray, at) in strip.edge(in_photo).into_iter().enumerate() {
            path_px[ray] = if in_photo[ray] {
                middle_px[ray] * (INNER + SHARE * at as f64)
            } else {
                rough_px[ray]
            };
        }
    }
    path_px
}

/// The path blurred round the pith.
fn smoothed(path_px: &[f64]) -> Vec<f64> {
    #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
    let column = Plane {
        width: 1,
        height: path_px.len(),
        data: path_px.iter().map(|v| *v as f32).collect(),
    };
    let smooth = column.blurred(0.0, SMOOTH, RowBorder::Wrap);
    smooth.data.into_iter().map(f64::from).collect()
}

/// The photo's colours about a path: `[RAYS, SAMPLES]`.
struct Strip {
    /// Luminance, red-green, yellow-blue.
    colour: [Plane; 3],
    /// Samples of each ray that are in the photo.
    seen: Vec<Range<usize>>,
}

/// Neighbouring rays that are sampled together, and samples of each that are.
const RAYS_AT_ONCE: usize = 30;
const SAMPLES_AT_ONCE: usize = 70;

impl Strip {
    fn about(photo: &Photo, pith: &Pith, path_px: &[f64]) -> Strip {
        let mut colour = [(); 3].map(|()| Plane::filled(SAMPLES, RAYS, 0.0));
        let mut seen = vec![0..0; RAYS];
        // Piece by piece on neighbouring rays, as the unwrapping does: they meet the same lines of the photo.
        for first in (0..RAYS).step_by(RAYS_AT_ONCE) {
            for start in (0..SAMPLES).step_by(SAMPLES_AT_ONCE) {
                let piece = start..(start + SAMPLES_AT_ONCE).min(SAMPLES);
                for ray in first..(first + RAYS_AT_ONCE).min(RAYS) {
                    let rows = colour
                        .each_mut()
                        .map(|plane| &mut plane.row_mut(ray)[piece.clone()]);
                    let found = cast(photo, pith, (ray, path_px[ray]), piece.start, rows);
                    seen[ray] = match (seen[ray].is_empty(), found.is_empty()) {
                        (_, true) => seen[ray].clone(),
                        (true, false) => found,
                        (false, false) => seen[ray].start..found.end,
                    };
                }
            }
        }
        Strip { colour, seen }
    }

    /// The strip about another path, each ray's distance a multiple of this one's.
    fn about_path(&self, moved: &[f64]) -> Strip {
        let mut out = Strip {
            colour: [(); 3].map(|()| Plane::filled(SAMPLES, RAYS, 0.0)),
            seen: vec![0..0; RAYS],
        };
        for (ray, moved) in moved.iter().enumerate() {
            let seen = &self.seen[ray];
            #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
            let places: Vec<f32> = (0..SAMPLES)
                .map(|i| ((moved * (INNER + SHARE * i as f64) - INNER) / SHARE) as f32)
                .collect();
            let first = places.partition_point(|place| *place < seen.start as f32);
            let end = places.partition_point(|place| place + 1.0 <= seen.end as f32);
            out.seen[ray] = first..end.max(first);
            for (plane, from) in out.colour.iter_mut().zip(&self.colour) {
                let from = from.row(ray);
                let values = plane.row_mut(ray)[out.seen[ray].clone()].iter_mut();
                for (value, place) in values.zip(&places[out.seen[ray].clone()]) {
                    *value = line_at(from, *place);
                }
            }
        }
        out
    }

    /// The colours blurred a little.
    fn blurred(&self) -> Strip {
        let blurred = |plane: &Plane| plane.blurred(BLUR.0, BLUR.1, RowBorder::Wrap);
        Strip {
            colour: self.colour.each_ref().map(blurred),
            seen: self.seen.clone(),
        }
    }

    /// The sample at which each ray leaves the wood.
    fn edge(&self, in_photo: &[bool]) -> Vec<usize> {
        let wood = together(&self.sums(|_| WOOD));
        let alone = self.odds(|ray| {
            let wood = &wood[ray];
            #[inline(always)]
            move |colour| (EVEN_ODDS - wood.distance(colour)).clamp(-EVEN_ODDS, MOST_ALONE)
        });
        let mut path = self.best_path(&alone, in_photo, |_| 0..SAMPLES);
        for _ in 0..ROUNDS {
            let beyond = |ray: usize| (path[ray] + 2)..(path[ray] + BEYOND).min(SAMPLES);
            let inside = |ray: usize| path[ray].saturating_sub(INSIDE)..path[ray].saturating_sub(2);
            let inner = together(&self.sums(inside));
            let outer = together(&self.sums(beyond));
            let all_round = self.most_of(beyond, in_photo);
            let odds = self.odds(|ray| {
                let (inner, outer, all_round) = (&inner[ray], &outer[ray], &all_round);
                #[inline(always)]
                move |colour| {
                    let out = outer.likelihood(colour).max(all_round.likelihood(colour));
                    (inner.likelihood(colour) - out).clamp(-MOST_OF_BOTH, MOST_OF_BOTH)
                }
            });
            let near = |ray: usize| path[ray].saturating_sub(NEAR)..path[ray] + NEAR + 1;
            path = self.best_path(&odds, in_photo, near);
        }
        path
    }

    /// The three axes of a sample.
    fn at(&self, ray: usize, i: usize) -> [f32; 3] {
        self.colour
            .each_ref()
            .map(|plane| plane.data[ray * SAMPLES + i])
    }

    /// Samples of a stretch of a ray that are in the photo.
    fn part(&self, ray: usize, stretch: &Range<usize>) -> Range<usize> {
        let seen = &self.seen[ray];
        let start = stretch.start.max(seen.start);
        start..stretch.end.min(seen.end).max(start)
    }

    /// Sums over a stretch of every ray.
    fn sums(&self, stretch: impl Fn(usize) -> Range<usize>) -> Vec<Sums> {
        (0..RAYS)
            .map(|ray| {
                let mut sums = Sums::default();
                for i in self.part(ray, &stretch(ray)) {
                    sums.add(self.at(ray, i));
                }
                sums
            })
            .collect()
    }

    /// The colours that most of a stretch of all rays have, those far from them left out (Mahalanobis's
    /// distance, renewed): where a part of the path lies wrong, most of it tells what bark is like.
    fn most_of(&self, stretch: impl Fn(usize) -> Range<usize>, in_photo: &[bool]) -> Colours {
        let samples: Vec<[f32; 3]> = (0..RAYS)
            .filter(|ray| in_photo[*ray])
            .flat_map(|ray| self.part(ray, &stretch(ray)).map(move |i| (ray, i)))
            .map(|(ray, i)| self.at(ray, i))
            .collect();
        let all = Sums::of(samples.iter());
        if samples.is_empty() {
            return all.colours();
        }
        let middle = [0, 1, 2].map(|axis| {
            let mut values: Vec<f32> = samples.iter().map(|sample| sample[axis]).collect();
            let half = values.len() / 2;
            *values.select_nth_unstable_by(half, f32::total_cmp).1
        });
        let mut colours = all.colours_about(middle.map(f64::from), 0.3);
        for _ in 0..5 {
            let near = samples
                .iter()
                .filter(|sample| colours.distance(**sample) < 7.0);
            colours = Sums::of(near).colours();
        }
        colours
    }

    /// Odds of being wood of every sample.
    fn odds<F: Fn([f32; 3]) -> f32>(&self, of_ray: impl Fn(usize) -> F) -> Plane {
        let mut odds = Plane::filled(SAMPLES, RAYS, 0.0);
        for ray in 0..RAYS {
            let seen = self.seen[ray].clone();
            let of = of_ray(ray);
            let [grey, red_green, yellow_blue] = self
                .colour
                .each_ref()
                .map(|plane| &plane.row(ray)[seen.clone()]);
            let axes = grey.iter().zip(red_green.iter().zip(yellow_blue));
            let row = &mut odds.row_mut(ray)[seen.clone()];
            widest(
                #[inline(always)]
                || {
                    for (odds, (grey, (red_green, yellow_blue))) in row.iter_mut().zip(axes) {
                        *odds = of([*grey, *red_green, *yellow_blue]);
                    }
                },
            );
        }
        odds
    }

    /// The closed path that gathers most odds of wood inside it, within the samples allowed on each ray;
    /// on rays whose edge is not in the photo anywhere from the rough path on.
    fn best_path(
        &self,
        odds: &Plane,
        in_photo: &[bool],
        allowed: impl Fn(usize) -> Range<usize>,
    ) -> Vec<usize> {
        let mut gain = Plane::filled(SAMPLES, RAYS, f32::MIN);
        for ray in 0..RAYS {
            let row = gain.row_mut(ray);
            if !in_photo[ray] {
                row[ON_PATH..].fill(0.0);
                continue;
            }
            let allowed = allowed(ray);
            let sums = gathered(odds.row(ray).iter().copied(), LEFT);
            for (i, (gain, sum)) in row.iter_mut().zip(sums).enumerate() {
                if allowed.contains(&i) && i <= ON_PATH + OUTWARD {
                    *gain = sum;
                }
            }
        }
        closed_path(&gain, JUMP, TOLL)
    }
}

/// Samples a piece of one ray of the strip, from sample `start` on; the samples that are in the photo.
fn cast(
    photo: &Photo,
    pith: &Pith,
    (ray, path_px): (usize, f64),
    start: usize,
    [grey, red_green, yellow_blue]: [&mut [f32]; 3],
) -> Range<usize> {
    let (width, height) = (
        photo.pixels.width() as usize,
        photo.pixels.height() as usize,
    );
    let raw = photo.pixels.as_raw();
    let (sin, cos) = (ray as f64 / RAYS as f64 * std::f64::consts::TAU).sin_cos();
    // A sample of two pixels or more is the mean of places one or two pixels apart.
    let length = path_px * SHARE;
    let taps = length.floor().max(1.0);
    let (last_x, last_y) = ((width - 1) as f64, (height - 1) as f64);
    let mut seen = 0..0;
    let rows = grey.iter_mut().zip(red_green).zip(yellow_blue);
    for (i, ((grey, red_green), yellow_blue)) in (start..).zip(rows) {
        let inner = path_px * (INNER + SHARE * (i as f64 - 0.5));
        let (mut sums, mut count, mut is_in) = ([0.0f32; 3], 0.0f32, true);
        let mut tap = 0.5;
        while tap < taps {
            let r = inner + length * tap / taps;
            let (x, y) = (pith.x_px + r * cos, pith.y_px + r * sin);
            is_in &= x >= 0.0 && y >= 0.0 && x < last_x && y < last_y;
            if is_in {
                let colour = colour_at(raw, width, x, y);
                for (sum, value) in sums.iter_mut().zip(colour) {
                    *sum += value;
                }
            }
            count += 1.0;
            tap += 1.0;
        }
        if is_in {
            let first = if seen.is_empty() { i } else { seen.start };
            seen = first..i + 1;
            [*grey, *red_green, *yellow_blue] = face::axes(sums.map(|sum| sum / count));
        }
    }
    seen
}

/// Red, green and blue at a place of the photo, straight between its pixels in both axes; the place is
/// inside the last row and column.
#[inline(always)]
fn colour_at(raw: &[u8], width: usize, x: f64, y: f64) -> [f32; 3] {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a place in the photo"
    )]
    let (x0, y0) = (x as usize, y as usize);
    #[allow(clippy::cast_possible_truncation, reason = "a share of a pixel")]
    let (fx, fy) = ((x - x0 as f64) as f32, (y - y0 as f64) as f32);
    let above = &raw[3 * (y0 * width + x0)..][..6];
    let below = &raw[3 * ((y0 + 1) * width + x0)..][..6];
    std::array::from_fn(|channel| {
        let mean = |row: &[u8]| {
            let (a, b) = (f32::from(row[channel]), f32::from(row[channel + 3]));
            a + fx * (b - a)
        };
        let (above, below) = (mean(above), mean(below));
        above + fy * (below - above)
    })
}

/// Count, sums and sums of products of colours.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    count: f64,
    sum: [f64; 3],
    /// Of the axes 0 0, 0 1, 0 2, 1 1, 1 2 and 2 2.
    product: [f64; 6],
}

/// Pairs of axes in the order of [`Sums::product`].
const PAIRS: [(usize, usize); 6] = [(0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)];

impl Sums {
    fn of<'a>(colours: impl Iterator<Item = &'a [f32; 3]>) -> Sums {
        let mut sums = Sums::default();
        for colour in colours {
            sums.add(*colour);
        }
        sums
    }

    fn add(&mut self, colour: [f32; 3]) {
        let colour = colour.map(f64::from);
        self.count += 1.0;
        for (sum, value) in self.sum.iter_mut().zip(colour) {
            *sum += value;
        }
        for (product, (a, b)) in self.product.iter_mut().zip(PAIRS) {
            *product += colour[a] * colour[b];
        }
    }

    fn join(&mut self, other: &Sums) {
        self.count += other.count;
        for (sum, value) in self.sum.iter_mut().zip(other.sum) {
            *sum += value;
        }
        for (product, value) in self.product.iter_mut().zip(other.product) {
            *product += value;
        }
    }

    fn mean(&self) -> [f64; 3] {
        self.sum.map(|sum| sum / self.count.max(1.0))
    }

    fn colours(&self) -> Colours {
        self.colours_about(self.mean(), 1.0)
    }

    /// The distribution with this spread, or a share of it, about another middle.
    fn colours_about(&self, middle: [f64; 3], share: f64) -> Colours {
        let mean = self.mean();
        let [a, b, c, d, e, f] = std::array::from_fn(|k| {
            let (i, j) = PAIRS[k];
            let covariance = self.product[k] / self.count.max(1.0) - mean[i] * mean[j];
            let least = if i == j { LEAST_SPREAD[i].powi(2) } else { 0.0 };
            covariance * share + least
        });
        let cofactors = [
            d * f - e * e,
            c * e - b * f,
            b * e - c * d,
            a * f - c * c,
            b * c - a * e,
            a * d - b * b,
        ];
        let volume = (a * cofactors[0] + b * cofactors[1] + c * cofactors[2]).max(1e-9);
        #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
        Colours {
            middle: middle.map(|v| v as f32),
            inverse: cofactors.map(|v| (v / volume) as f32),
            log_spread: (0.5 * volume.ln()) as f32,
        }
    }
}

/// The colours of neighbouring rays together.
fn together(sums: &[Sums]) -> Vec<Colours> {
    (0..RAYS)
        .map(|ray| {
            let mut all = Sums::default();
            for d in 0..=2 * TOGETHER {
                all.join(&sums[(ray + RAYS + d - TOGETHER) % RAYS]);
            }
            all.colours()
        })
        .collect()
}

/// A normal distribution of colours.
#[derive(Debug)]
struct Colours {
    middle: [f32; 3],
    /// Inverse of the covariance, in the order of [`PAIRS`].
    inverse: [f32; 6],
    /// Logarithm of the covariance's determinant, halved.
    log_spread: f32,
}

impl Colours {
    /// Squared distance of a colour from the middle, in deviations.
    #[inline(always)]
    fn distance(&self, colour: [f32; 3]) -> f32 {
        let [x, y, z] = [0, 1, 2].map(|axis| colour[axis] - self.middle[axis]);
        let [a, b, c, d, e, f] = self.inverse;
        a * x * x + d * y * y + f * z * z + 2.0 * (b * x * y + c * x * z + e * y * z)
    }

    /// Logarithm of the likelihood of a colour, but for a constant.
    #[inline(always)]
    fn likelihood(&self, colour: [f32; 3]) -> f32 {
        -0.5 * self.distance(colour) - self.log_spread
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::PithState;
    use image::{Rgb, RgbImage};

    const MIDDLE: (f64, f64) = (400.0, 380.0);

    /// Radius of the drawn wood toward an angle: oval, so that the rough path is nowhere alike.
    fn wood(angle: f64) -> f64 {
        240.0 + 20.0 * (2.0 * angle).cos()
    }

    /// Wood with dark latewood, a layer of inner bark a little redder than it, outer bark of the wood's
    /// own colour, then ground.
    fn log_end() -> Photo {
        let pixels = RgbImage::from_fn(800, 760, |x, y| {
            let (dx, dy) = (f64::from(x) - MIDDLE.0, f64::from(y) - MIDDLE.1);
            let (r, edge) = (dx.hypot(dy), wood(dy.atan2(dx)));
            let speck = f64::from((x * 7919 + y * 104_729) % 13) - 6.0;
            let colour = if r < edge {
                let tone = 25.0 * (r / edge * 20.0 * std::f64::consts::TAU).sin();
                [180.0 + tone, 150.0 + tone, 110.0 + tone]
            } else if r < edge + 6.0 {
                [185.0, 125.0, 85.0]
            } else if r < edge + 12.0 {
                [178.0, 149.0, 111.0]
            } else {
                [70.0, 95.0, 60.0]
            };
            Rgb(colour.map(|v| (v + speck).round() as u8))
        });
        Photo {
            file: "log-8.jpg".to_owned(),
            sha256: String::new(),
            pixels,
        }
    }

    fn pith() -> Pith {
        Pith {
            x_px: MIDDLE.0,
            y_px: MIDDLE.1,
            sd_px: 1.0,
            state: PithState::Seen,
            agreement: 1.0,
        }
    }

    fn angle(ray: usize) -> f64 {
        ray as f64 / RAYS as f64 * std::f64::consts::TAU
    }

    #[test]
    fn the_edge_lies_inside_the_inner_bark_though_the_outer_bark_has_the_woods_colours() {
        let rough: Vec<f64> = (0..RAYS).map(|ray| wood(angle(ray)) + 12.0).collect();
        let found = closer(&log_end(), &pith(), &rough, &[true; RAYS]);
        for (ray, found) in found.iter().enumerate() {
            let off = found - wood(angle(ray));
            assert!(off.abs() < 1.5, "{off} px off on ray {ray}");
        }
    }

    #[test]
    fn a_part_that_runs_inside_the_wood_comes_back_to_its_edge() {
        let rough: Vec<f64> = (0..RAYS)
            .map(|ray| wood(angle(ray)) - if (30..50).contains(&ray) { 5.0 } else { 0.0 })
            .collect();
        let found = closer(&log_end(), &pith(), &rough, &[true; RAYS]);
        for ray in 0..RAYS {
            let off = found[ray] - wood(angle(ray));
            assert!(off.abs() < 1.5, "{off} px off on ray {ray}");
        }
    }

    #[test]
    fn an_edge_beyond_the_photo_stays() {
        let rough: Vec<f64> = (0..RAYS).map(|ray| wood(angle(ray)) + 10.0).collect();
        let in_photo: Vec<bool> = (0..RAYS).map(|ray| ray >= 60).collect();
        let found = closer(&log_end(), &pith(), &rough, &in_photo);
        assert_eq!(found[..60], rough[..60]);
        let off = found[120] - wood(angle(120));
        assert!(off.abs() < 1.5, "{off} px off");
    }

    #[test]
    fn a_colours_distance_and_likelihood_are_those_of_its_normal_distribution() {
        // Four colours at the corners of a square in two axes: deviations 3 and 4, no covariance.
        let colours = [
            [47.0, 6.0, 7.0],
            [53.0, 6.0, 7.0],
            [47.0, 14.0, 7.0],
            [53.0, 14.0, 7.0],
        ];
        let normal = Sums::of(colours.iter()).colours();
        let variance = [9.0 + 16.0, 16.0 + 6.25, 6.25];
        let distance = normal.distance([55.0, 10.0, 9.5]);
        let expected = 25.0 / variance[0] + 6.25 / variance[2];
        assert!(
            (distance - expected as f32).abs() < 1e-4,
            "{distance} {expected}"
        );
        let spread: f64 = variance.iter().product();
        let likelihood = normal.likelihood([55.0, 10.0, 9.5]);
        let expected = -0.5 * expected - 0.5 * spread.ln();
        assert!(
            (f64::from(likelihood) - expected).abs() < 1e-4,
            "{likelihood} {expected}"
        );
    }
}
