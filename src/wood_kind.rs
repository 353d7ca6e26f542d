//! The kind of the wood, by how its rings look once they are found.
//!
//! Ring-porous wood has been told with what marks the rings ([`ring_mark`](crate::ring_mark)). Of the others
//! conifers end a ring with a broad band of latewood much darker than the earlywood, diffuse-porous wood with
//! a thin line on even wood, dark or pale (Wood Handbook, FPL-GTR-190, 2010, chapter 3). How far the tone
//! swings through a ring tells most: it is taken ring by ring in step with the year, where roughness evens
//! out. Logistic regression of that, of which side of a ring is dark and of how much sharper its end is than
//! the rest. Limit: a conifer with faint latewood passes for diffuse-porous wood, diffuse-porous wood with
//! strong dark lines for a conifer.

use crate::bounds::Bounds;
use crate::evidence::Evidence;
use crate::plane::line_at;
use crate::polar::{Polar, RAYS};
use crate::ring_mark::RingSign;
use crate::rings::Rings;
use crate::settings::WoodKind;

/// What the wood is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Told {
    /// The kind.
    pub kind: WoodKind,
    /// How sure it is, 0 to 1.
    pub confidence: f64,
    /// What it was told by, where it is not ring-porous, not given, and a ring is wide enough to show it.
    pub signs: Option<Signs>,
}

/// What tells diffuse-porous wood from conifers: 1, the logarithm of the tone's swing through a ring, 1 where
/// rings close pale (else 0), and the skew of the change of tone outward.
pub type Signs = [f64; 4];

/// Coefficients for diffuse-porous wood rather than a conifer, as
/// `cargo bench --bench doubt -- fit target/fit target/practice target/large` prints them. With signs taken in
/// the same way right on 0.86, 0.935 and 0.94 of the discs of these sets that are read by tone (each tenth
/// judged by a fit on the others).
const THIN_LINE: Signs = [-12.6262, -5.3949, 5.2648, 10.7358];

/// Steps that a ring is cut into, from its inner to its outer boundary.
const STEPS: usize = 24;

/// Rings narrower than this show no course of their tone, px.
const NARROWEST_PX: f64 = 4.0;

/// Degrees on which a ring must be seen.
const LEAST_SEEN: usize = 30;

/// Tells the kind of wood, unless it is given.
pub fn tell(
    polar: &Polar,
    rings: &Rings,
    bounds: &Bounds,
    evidence: &Evidence,
    given: Option<WoodKind>,
) -> Told {
    let told = |kind, confidence| Told {
        kind,
        confidence,
        signs: None,
    };
    if let Some(kind) = given {
        return told(kind, 1.0);
    }
    if bounds.mark.sign != RingSign::Tone {
        return told(WoodKind::RingPorous, bounds.mark.confidence);
    }
    let Some(course) = Course::of(polar, rings) else {
        return told(WoodKind::Conifer, 0.5);
    };
    let signs = [
        1.0,
        course.swing().ln(),
        if bounds.sense < 0.0 { 1.0 } else { 0.0 },
        // A thin line's outer edge is sharp, latewood darkens little by little before its own.
        evidence.skew_of_change(),
    ];
    let odds: f64 = signs.iter().zip(THIN_LINE).map(|(s, c)| s * c).sum();
    let chance = 1.0 / (1.0 + (-odds).exp());
    let (kind, confidence) = if chance > 0.5 {
        (WoodKind::DiffusePorous, chance)
    } else {
        (WoodKind::Conifer, 1.0 - chance)
    };
    Told {
        kind,
        confidence,
        signs: Some(signs),
    }
}

/// How the tone goes through a ring of the disc.
#[derive(Debug)]
struct Course {
    /// Median luminance.
    level: f64,
    /// Luminance less the ring's mean, from the inner to the outer boundary: median of the rings.
    tone: [f64; STEPS],
}

impl Course {
    /// None where no ring is wide enough.
    fn of(polar: &Polar, rings: &Rings) -> Option<Course> {
        let of_rings: Vec<(f64, [f64; STEPS])> = rings
            .rings
            .windows(2)
            .filter_map(|pair| of_ring(polar, &pair[0].radius_px, &pair[1].radius_px))
            .collect();
        let level = median(of_rings.iter().map(|(level, _)| *level))?;
        let tone = std::array::from_fn(|step| {
            median(of_rings.iter().map(|(_, tone)| tone[step])).unwrap_or(0.0)
        });
        Some(Course { level, tone })
    }

    /// Luminance from the darkest to the brightest step of a ring, share of the wood's; a hundredth at least.
    fn swing(&self) -> f64 {
        let most = self.tone.iter().copied().fold(f64::MIN, f64::max);
        let least = self.tone.iter().copied().fold(f64::MAX, f64::min);
        (most - least) / self.level.max(1.0) + 0.01
    }
}

/// Median luminance of a ring between its boundaries, and how it departs from its mean on the way out.
fn of_ring(
    polar: &Polar,
    inner: &[Option<f64>],
    outer: &[Option<f64>],
) -> Option<(f64, [f64; STEPS])> {
    let rays_a_degree = RAYS / inner.len().max(1);
    let (mut levels, mut departures) = (Vec::new(), Vec::new());
    for (degree, ends) in inner.iter().zip(outer).enumerate() {
        let (Some(from), Some(to)) = ends else {
            continue;
        };
        if to - from < NARROWEST_PX {
            continue;
        }
        let row = polar.plain.row(degree * rays_a_degree);
        let tone: [f64; STEPS] = std::array::from_fn(|step| {
            let share = (step as f64 + 0.5) / STEPS as f64;
            #[allow(clippy::cast_possible_truncation, reason = "planes are f32")]
            let place = (from + (to - from) * share) as f32;
            f64::from(line_at(row, place))
        });
        let mean = tone.iter().sum::<f64>() / STEPS as f64;
        levels.push(mean);
        departures.push(tone.map(|tone| tone - mean));
    }
    if departures.len() < LEAST_SEEN {
        return None;
    }
    let level = median(levels.into_iter())?;
    let tone =
        std::array::from_fn(|step| median(departures.iter().map(|tone| tone[step])).unwrap_or(0.0));
    Some((level, tone))
}

/// The middle value; none of no values.
fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    let middle = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::doubt::Signs as RingSigns;
    use crate::rings::FoundRing;

    /// Ten rings of 20 px, the last ones too narrow to be looked at, on a disc of a tone.
    fn course_of(tone: impl Fn(usize) -> f32) -> Option<Course> {
        let boundary = |radius: f64| FoundRing {
            radius_px: vec![Some(radius); 360],
            confidence: 1.0,
            signs: RingSigns::default(),
        };
        let wide = (1..=10).map(|k| 20.0 * f64::from(k));
        let narrow = (1..=5).map(|k| 200.0 + 3.0 * f64::from(k));
        let rings = Rings {
            rings: wide.chain(narrow).map(boundary).collect(),
            left_out: Vec::new(),
            agreement: 1.0,
            level_agreement: 1.0,
            is_readable: true,
            lost_centre_px: 0.0,
            tight_below_px: 5.0,
        };
        Course::of(&Polar::of_tone(220, tone), &rings)
    }

    #[test]
    fn the_swing_is_that_of_a_ring_whatever_the_wood_s_brightness() {
        // Latewood on the outer third of a ring, 60 of 180 darker; then half as bright in half the light.
        for light in [1.0f32, 0.5] {
            let tone = |r: usize| light * if r % 20 >= 14 { 120.0 } else { 180.0 };
            let course = course_of(tone).expect("rings wide enough");
            assert!(
                (course.level - f64::from(light) * 162.0).abs() < 2.0,
                "{course:?}"
            );
            assert!(
                (course.swing() - 0.01 - 60.0 / 162.0).abs() < 0.01,
                "{course:?}"
            );
            assert!(course.tone[2] > 0.0 && course.tone[STEPS - 2] < 0.0);
        }
    }

    #[test]
    fn a_slope_across_the_disc_is_no_swing_of_its_rings() {
        let course = course_of(|r| 100.0 + 0.2 * r as f32).expect("rings wide enough");
        assert!(course.swing() < 0.05, "{course:?}");
    }

    #[test]
    fn rings_too_narrow_show_no_course() {
        let polar = Polar::of_tone(50, |_| 100.0);
        let narrow = of_ring(&polar, &[Some(20.0); 360], &[Some(23.0); 360]);
        assert!(narrow.is_none());
        let in_one_corner: Vec<Option<f64>> = (0..360).map(|d| (d < 20).then_some(40.0)).collect();
        assert!(of_ring(&polar, &[Some(20.0); 360], &in_one_corner).is_none());
    }
}
