//! How far a hollow or rotten centre reaches.

use super::{Polar, RAYS};
use crate::plane::blur_line;

/// Tone of a lost centre over that of the wood beyond it, at most. Hollows of development and practice discs
/// lay at 0.03 to 0.41, dark heartwood and shadow at 0.74 and 0.94.
const DARKER: f64 = 0.55;

impl Polar {
    /// Radius of a hollow or rotten centre, px: the median over the rays of how far it stays darker than
    /// three fifths of the wood; 0 where that is no more than a pith's stain, or where the wood just beyond
    /// is about as dark (heartwood).
    pub(crate) fn lost_centre_px(&self) -> f64 {
        let mut wood: Vec<f32> = Vec::new();
        for ray in (0..RAYS).step_by(8) {
            let (a, b) = self.visible[ray];
            let row = self.plain.row(ray);
            wood.extend(
                (a + (b - a) * 6 / 10..a + (b - a) * 9 / 10)
                    .step_by(5)
                    .map(|r| row[r]),
            );
        }
        wood.sort_by(f32::total_cmp);
        let Some(typical) = wood.get(wood.len() / 2) else {
            return 0.0;
        };
        let mut reaches: Vec<f64> = Vec::new();
        for ray in (0..RAYS).step_by(4) {
            let (a, b) = self.visible[ray];
            if a > 0 {
                continue;
            }
            let smooth = blur_line(&self.plain.row(ray)[..b], 4.0);
            let reach = smooth.iter().position(|v| *v > 0.6 * typical).unwrap_or(b);
            reaches.push(reach as f64);
        }
        reaches.sort_by(f64::total_cmp);
        let middle = reaches.get(reaches.len() / 2).copied().unwrap_or(0.0);
        let edge = self.edge.iter().sum::<f32>() / RAYS as f32;
        if middle > 0.05 * f64::from(edge) && is_darker_inside(self, middle) {
            middle
        } else {
            0.0
        }
    }
}

/// Whether what lies within a distance from the pith, px, is clearly darker than what lies beyond it.
fn is_darker_inside(polar: &Polar, radius: f64) -> bool {
    let mean = |from: f64, to: f64| {
        let (mut sum, mut count) = (0.0f64, 0.0f64);
        for ray in (0..RAYS).step_by(4) {
            let (a, b) = polar.visible[ray];
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "distances inside the photo"
            )]
            let (from, to) = ((from * radius) as usize, (to * radius) as usize);
            for value in &polar.plain.row(ray)[from.clamp(a, b)..to.clamp(a, b)] {
                sum += f64::from(*value);
                count += 1.0;
            }
        }
        (count > 0.0).then(|| sum / count)
    };
    // With no wood left beyond it there is nothing that it could be as dark as.
    match (mean(0.0, 0.8), mean(1.2, 1.8)) {
        (Some(inside), Some(beyond)) => inside < DARKER * beyond,
        _ => true,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A disc of 600 px with one tone out to 60 px, another out to 300 and a pale sapwood beyond.
    fn disc(centre: f32, heartwood: f32) -> Polar {
        Polar::of_tone(600, |r| match r {
            0..60 => centre,
            60..300 => heartwood,
            _ => 200.0,
        })
    }

    #[test]
    fn a_dark_hole_is_a_lost_centre_and_dark_heartwood_is_not() {
        let hole = disc(30.0, 160.0).lost_centre_px();
        assert!((hole - 60.0).abs() < 8.0, "{hole}");
        assert!(disc(105.0, 115.0).lost_centre_px().abs() < 1e-9);
        assert!(disc(160.0, 160.0).lost_centre_px().abs() < 1e-9);
    }
}
