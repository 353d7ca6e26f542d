//! Seeded chance: every number of a practice disc is drawn here.
//!
//! The stream is that of `ChaCha` with 8 rounds, which is defined by its algorithm and so the same on
//! every machine; only raw bits are taken from it and shaped here, because the shaping of other
//! libraries may change between their versions. Each part of a disc (growth, looks, camera) has a
//! stream of its own, so that a new draw in one part leaves the others as they were.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// A stream of draws.
#[derive(Debug, Clone)]
pub(crate) struct Chance(ChaCha8Rng);

impl Chance {
    /// The stream of one part of one disc.
    pub(crate) fn new(suite: u64, seed: u64, index: u64, part: u64) -> Self {
        let mut key = [0_u8; 32];
        for (at, word) in [seed, suite, index, 0x656e_6467_7261_696e]
            .into_iter()
            .enumerate()
        {
            key[at * 8..at * 8 + 8].copy_from_slice(&word.to_le_bytes());
        }
        let mut generator = ChaCha8Rng::from_seed(key);
        generator.set_stream(part);
        Chance(generator)
    }

    /// Raw bits.
    pub(crate) fn bits(&mut self) -> u64 {
        self.0.next_u64()
    }

    /// Raw bits for the lattice noise.
    pub(crate) fn noise_seed(&mut self) -> u32 {
        self.0.next_u32()
    }

    /// Even on 0 to 1, 1 left out: the upper 53 bits.
    pub(crate) fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / 9_007_199_254_740_992.0
    }

    /// Even on `low` to `high`.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Even on the whole numbers `low` to `high`, both held. The bias is under 2^-50 for our ranges.
    pub(crate) fn whole(&mut self, low: usize, high: usize) -> usize {
        let span = (high.max(low) - low) as u64 + 1;
        low + usize::try_from(self.bits() % span).unwrap_or(0)
    }

    /// True with the probability given.
    pub(crate) fn yes(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// Gaussian with mean 0 and sd 1 (Box and Muller 1958).
    pub(crate) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.unit()).cos()
    }

    /// One of a list; the list must not be empty.
    pub(crate) fn pick<T: Copy>(&mut self, from: &[T]) -> T {
        from[self.whole(0, from.len() - 1)]
    }
}

#[cfg(test)]
mod tests {
    use super::Chance;

    #[test]
    fn draws_depend_on_every_part_of_the_key_and_repeat() {
        let first = |s, seed, i, p| Chance::new(s, seed, i, p).bits();
        let base = first(1, 2, 3, 4);
        assert_eq!(base, first(1, 2, 3, 4));
        for other in [
            first(0, 2, 3, 4),
            first(1, 0, 3, 4),
            first(1, 2, 0, 4),
            first(1, 2, 3, 0),
        ] {
            assert_ne!(base, other);
        }
    }

    #[test]
    fn shapes_have_the_moments_they_should() {
        let mut chance = Chance::new(0, 1, 0, 0);
        let n = 40_000;
        let (mut sum, mut square, mut unit) = (0.0, 0.0, 0.0);
        for _ in 0..n {
            let z = chance.normal();
            sum += z;
            square += z * z;
            unit += chance.unit();
        }
        let n = f64::from(n);
        // Four standard errors of each mean.
        assert!((sum / n).abs() < 4.0 / n.sqrt());
        assert!((square / n - 1.0).abs() < 4.0 * (2.0 / n).sqrt());
        assert!((unit / n - 0.5).abs() < 4.0 / (12.0 * n).sqrt());
    }
}
