//! The structure tensor: in which direction a picture changes, place by place.
//!
//! The products of its gradients, averaged about a place, have one large eigenvalue where all the
//! gradients there are parallel: rings, whatever their tone. Coherence is the difference of the
//! eigenvalues over their sum (Bigün and Granlund 1987, from memory).

use crate::plane::{Plane, RowBorder};
use crate::vectors::widest;

/// Structure tensors, one for each block of `shrink` by `shrink` samples.
pub(super) struct Tensors {
    pub(super) xx: Plane,
    pub(super) xy: Plane,
    pub(super) yy: Plane,
    pub(super) shrink: usize,
}

impl Tensors {
    /// Of a plane blurred by `fine` samples, averaged over about `wide` samples.
    pub(super) fn of(plane: &Plane, fine: f32, wide: f32, shrink: usize) -> Tensors {
        widest(
            #[inline(always)]
            || Tensors::of_plain(plane, fine, wide, shrink),
        )
    }

    #[inline(always)]
    fn of_plain(plane: &Plane, fine: f32, wide: f32, shrink: usize) -> Tensors {
        let smooth = plane.blurred(fine, fine, RowBorder::Repeat);
        let (w, h) = (plane.width, plane.height);
        let shrink = shrink.clamp(1, w.min(h));
        let (blocks, rows) = (w / shrink, h / shrink);
        let mut sums = [(); 3].map(|()| Plane::filled(blocks, rows, 0.0));
        let mut lines = [(); 3].map(|()| vec![0.0f32; w]);
        let mut across = vec![0.0f32; w];
        for block_row in 0..rows {
            lines.iter_mut().for_each(|line| line.fill(0.0));
            let [xx, xy, yy] = &mut lines;
            for y in block_row * shrink..(block_row + 1) * shrink {
                let (above, below) = (
                    smooth.row(y.saturating_sub(1)),
                    smooth.row((y + 1).min(h - 1)),
                );
                let row = smooth.row(y);
                // Beyond its ends the end value of a row goes on.
                across[0] = row[1.min(w - 1)] - row[0];
                across[w - 1] = row[w - 1] - row[w.saturating_sub(2)];
                let neighbours = row.iter().zip(row.iter().skip(2));
                for (gx, (left, right)) in across.iter_mut().skip(1).zip(neighbours) {
                    *gx = right - left;
                }
                let sums = xx.iter_mut().zip(xy.iter_mut()).zip(yy.iter_mut());
                let down = below.iter().zip(above);
                for (((xx, xy), yy), (gx, (below, above))) in sums.zip(across.iter().zip(down)) {
                    let gy = below - above;
                    *xx += gx * gx;
                    *xy += gx * gy;
                    *yy += gy * gy;
                }
            }
            for (plane, line) in sums.iter_mut().zip(&lines) {
                for (sum, block) in plane
                    .row_mut(block_row)
                    .iter_mut()
                    .zip(line.chunks_exact(shrink))
                {
                    *sum = block.iter().sum();
                }
            }
        }
        let spread = wide / shrink as f32;
        let [xx, xy, yy] = sums.map(|p| p.blurred(spread, spread, RowBorder::Repeat));
        Tensors { xx, xy, yy, shrink }
    }

    pub(super) fn width(&self) -> usize {
        self.xx.width
    }

    pub(super) fn height(&self) -> usize {
        self.xx.height
    }

    /// Place of a block's middle, samples.
    pub(super) fn middle(&self, block: usize) -> f32 {
        (block as f32 + 0.5) * self.shrink as f32 - 0.5
    }

    /// Strength of the gradients in a block.
    pub(super) fn energy(&self, i: usize) -> f32 {
        self.xx.data[i] + self.yy.data[i]
    }

    /// How much the gradients of a block agree, 0 to 1.
    pub(super) fn coherence(&self, i: usize) -> f32 {
        let (difference, mixed) = (self.xx.data[i] - self.yy.data[i], self.xy.data[i]);
        (difference * difference + 4.0 * mixed * mixed).sqrt() / (self.energy(i) + 1e-9)
    }

    /// Direction of the normal in a block, radians.
    pub(super) fn angle(&self, i: usize) -> f32 {
        0.5 * (2.0 * self.xy.data[i]).atan2(self.xx.data[i] - self.yy.data[i])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ramp_has_one_direction_and_full_coherence() {
        let data = (0..40 * 30)
            .map(|i| (i % 40) as f32 * 3.0 + (i / 40) as f32 * 3.0)
            .collect();
        let tensors = Tensors::of(
            &Plane {
                width: 40,
                height: 30,
                data,
            },
            1.0,
            2.0,
            2,
        );
        assert_eq!((tensors.width(), tensors.height()), (20, 15));
        let i = 7 * tensors.width() + 10;
        assert!(
            (tensors.angle(i).to_degrees() - 45.0).abs() < 0.1,
            "{}",
            tensors.angle(i).to_degrees()
        );
        assert!(tensors.coherence(i) > 0.999);
        // Blocks of two: the first middle lies between samples 0 and 1.
        assert_eq!(tensors.middle(0), 0.5);
    }

    /// Against `scipy` 1.17.1 with `numpy` 2.4.6, on `im = sin(0.7x + 0.35y) * 20 + (7x + 13y) % 5`, 28 by
    /// 24: `g = lambda a, s: gaussian_filter(a, s, mode="nearest", truncate=3.0)`; `s = g(im, 1.2)`;
    /// `gx`, `gy` differences of the neighbours of `s` to either side; `xx, xy, yy = g(gx*gx, 2),
    /// g(gx*gy, 2), g(gy*gy, 2)`; coherence `sqrt((xx-yy)^2 + 4 xy^2) / (xx+yy)`, angle
    /// `0.5 * arctan2(2 xy, xx-yy)`. Corners are left out of the tight check: blurs end there unlike.
    /// scikit-image 0.26.0's `structure_tensor` (Sobel gradients) gives 0.448, 0.451 and 0.449 there.
    #[test]
    fn the_structure_tensor_agrees_with_scipy() {
        let (w, h) = (28, 24);
        let data = (0..w * h)
            .map(|i| {
                let (x, y) = (i % w, i / w);
                (0.7 * x as f32 + 0.35 * y as f32).sin() * 20.0 + ((x * 7 + y * 13) % 5) as f32
            })
            .collect();
        let tensors = Tensors::of(
            &Plane {
                width: w,
                height: h,
                data,
            },
            1.2,
            2.0,
            1,
        );
        for ((x, y), coherence, angle, rough) in [
            ((5, 5), 0.99438, 0.48411, 0.4481),
            ((14, 12), 0.99956, 0.48902, 0.4510),
            ((20, 17), 0.99873, 0.48694, 0.4489),
        ] {
            let i = y * w + x;
            assert!(
                (tensors.coherence(i) - coherence).abs() < 1e-3,
                "{}",
                tensors.coherence(i)
            );
            assert!(
                (tensors.angle(i) - angle).abs() < 1e-3,
                "{}",
                tensors.angle(i)
            );
            assert!((tensors.angle(i) - rough).abs() < 0.05);
        }
    }
}
