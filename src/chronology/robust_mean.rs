//! The biweight robust mean: a mean that a few wild values can't pull.
//!
//! S is the median of |v - T|, u = (v - T) / (c S), a value's weight (1 - u^2)^2 where |u| < 1 and
//! nought beyond, and T the weighted mean, beginning at the median, with c = 9 (Mosteller and Tukey
//! 1977). Three ways of going on from there are in use; a figure should say which one it is. Where
//! half of the values are equal S is zero and T stays the median.

use super::figures::median_of;

/// Spread at which a value loses all weight, in units of S.
const C: f64 = 9.0;

/// How the mean goes on from the median.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Steps {
    /// One step.
    One,
    /// Until it stands still, S being that of the median throughout. Each step lessens one and the
    /// same loss, so it always comes to an end; the chronology is made so.
    SpreadKept,
    /// Until it stands still, S being taken anew about T in each step.
    SpreadRenewed,
}

/// The most steps that are taken; a few dozen are enough where it comes to an end at all.
const MOST_STEPS: usize = 1000;

/// The robust mean of values; none of none.
pub fn biweight(values: &[f64], steps: Steps) -> Option<f64> {
    let spread = |about: f64| median_of(values.iter().map(|v| (v - about).abs()).collect());
    let mut place = median_of(values.to_vec())?;
    let mut s = spread(place)?;
    for _ in 0..MOST_STEPS {
        if s <= 0.0 {
            break;
        }
        let (mut sum, mut weights) = (0.0, 0.0);
        for v in values {
            let u = (v - place) / (C * s);
            if u.abs() < 1.0 {
                let weight = (1.0 - u * u) * (1.0 - u * u);
                sum += weight * v;
                weights += weight;
            }
        }
        // Half of the values lie within S of T, so there is always some weight.
        let next = sum / weights;
        let moved = (next - place).abs();
        place = next;
        if steps == Steps::One || moved <= 1e-15 * place.abs() {
            break;
        }
        if steps == Steps::SpreadRenewed {
            s = spread(place)?;
        }
    }
    Some(place)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: Option<f64>, want: f64, off: f64) {
        let got = got.unwrap();
        assert!((got - want).abs() <= off, "{got}, expected {want}");
    }

    #[test]
    fn each_way_gives_the_worked_examples() {
        // T-3.10.
        let wild = [1.0, 1.1, 0.9, 1.05, 3.0];
        close(biweight(&wild, Steps::One), 1.018319413, 5e-10);
        close(biweight(&wild, Steps::SpreadRenewed), 1.013097779, 5e-10);
        close(biweight(&wild, Steps::SpreadKept), 1.014462685, 5e-10);
        // T-3.11.
        let skewed = [0.8, 0.9, 1.0, 1.1, 1.6];
        close(biweight(&skewed, Steps::One), 1.001069, 5e-7);
        close(biweight(&skewed, Steps::SpreadRenewed), 1.051457059, 5e-10);
        close(biweight(&skewed, Steps::SpreadKept), 1.001540018, 5e-10);
    }

    #[test]
    fn equal_values_and_few_values_have_a_mean() {
        close(biweight(&[1.2; 4], Steps::SpreadKept), 1.2, 0.0);
        close(biweight(&[1.0, 1.0, 1.0, 7.0], Steps::SpreadKept), 1.0, 0.0);
        close(biweight(&[1.0, 2.0], Steps::SpreadKept), 1.5, 1e-15);
        close(biweight(&[4.0], Steps::SpreadRenewed), 4.0, 0.0);
        assert_eq!(biweight(&[], Steps::SpreadKept), None);
    }
}
