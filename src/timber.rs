//! Rings per inch and latewood along the line that a grading rule prescribes, and what the published
//! rule calls it. Help for a grader, who decides.
//!
//! Rules (ASTM D245 and the southern pine rules, DIN 4074-1, BS 4978, UNE 56544, NF B 52-001) are
//! from memory where nothing else is said, and each differs in its line: the same wood has another
//! number under each. They grade sawn pieces; a disc shows what its best and worst boards could have,
//! on one radius that stands for its average growth.
//!
//! **Whole rings** are counted: a ring cut by an end of the line is left out, and the length is that
//! of the rings counted. The rules that begin 25 mm from the pith can be read another way, the line
//! from 25 mm on and the ring that the limit cuts counted as one: [`with_cut_ring`](crate::timber::with_cut_ring)
//! says what that makes of it, and whoever shows a number says which of the two it is.
//!
//! **Faces seen aslant**: lengths on the radius are by the scale along it.

use crate::growth::MM_PER_INCH;
use crate::heartwood::pixel_at;
use crate::reading::Reading;
use crate::settings::WoodKind;
use image::RgbImage;
use serde::Serialize;

/// Softwoods that rules tell apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Softwood {
    /// Southern pines.
    SouthernPine,
    /// Douglas-fir.
    DouglasFir,
    /// Any other.
    Other,
}

/// Growth along a stretch of a radius.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GrowthLine {
    /// Azimuth of the radius, degrees.
    pub azimuth_deg: f64,
    /// Where the first whole ring begins, mm from the pith.
    pub from_mm: f64,
    /// Where the last whole ring ends, mm from the pith.
    pub to_mm: f64,
    /// Whole rings.
    pub rings: usize,
}

impl GrowthLine {
    /// Rings to the inch.
    pub fn rings_per_inch(&self) -> f64 {
        self.rings as f64 * MM_PER_INCH / (self.to_mm - self.from_mm)
    }

    /// Mean ring width, mm.
    pub fn mean_ring_mm(&self) -> f64 {
        (self.to_mm - self.from_mm) / self.rings as f64
    }
}

/// What the density rule calls a line (ASTM D245; the same in southern pine rules): at least 6 rings
/// per inch and a third latewood, or at least 4 and a half. The second clause: US Navy MO-312, 2.1.2.
pub fn is_dense(rings_per_inch: f64, latewood_share: f64) -> bool {
    (rings_per_inch >= 6.0 && latewood_share >= 1.0 / 3.0)
        || (rings_per_inch >= 4.0 && latewood_share >= 0.5)
}

/// Grain by rings per inch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Grain {
    /// 6 to 30 rings per inch; Douglas-fir from 5, or above 30, with a third latewood.
    Close,
    /// At least 4 rings per inch, and not close.
    Medium,
    /// Fewer than 4.
    Coarse,
}

impl Grain {
    /// Its name in the rule; coarse is what the rule has no name for.
    pub fn name(self) -> &'static str {
        match self {
            Grain::Close => "close grain",
            Grain::Medium => "medium grain",
            Grain::Coarse => "neither close nor medium grain",
        }
    }
}

/// What the grain rule of ASTM D245 calls a line.
pub fn grain(rings_per_inch: f64, latewood_share: Option<f64>, softwood: Softwood) -> Grain {
    let third = latewood_share.is_some_and(|share| share >= 1.0 / 3.0);
    let fir = softwood == Softwood::DouglasFir && third && rings_per_inch >= 5.0;
    if (6.0..=30.0).contains(&rings_per_inch) || fir {
        Grain::Close
    } else if rings_per_inch >= 4.0 {
        Grain::Medium
    } else {
        Grain::Coarse
    }
}

/// Highest class whose limit of ring width DIN 4074-1 lets pass: S7 and S10 6 mm (Douglas-fir 8),
/// S13 4 mm (6).
pub fn din_4074(mean_ring_mm: f64, softwood: Softwood) -> Option<&'static str> {
    let (s10, s13) = match softwood {
        Softwood::DouglasFir => (8.0, 6.0),
        _ => (6.0, 4.0),
    };
    if mean_ring_mm <= s13 {
        Some("S13")
    } else if mean_ring_mm <= s10 {
        Some("S7 and S10")
    } else {
        None
    }
}

/// Highest class whose limit of ring width BS 4978 lets pass: SS 6 mm, GS 10 mm.
pub fn bs_4978(mean_ring_mm: f64) -> Option<&'static str> {
    if mean_ring_mm <= 6.0 {
        Some("SS")
    } else if mean_ring_mm <= 10.0 {
        Some("GS")
    } else {
        None
    }
}

/// Mean width of the first rings from the pith (UNE 56544 takes five), in the unit of the widths.
pub fn mean_of_first(widths: &[f64], rings: usize) -> Option<f64> {
    let first = widths.get(..rings)?;
    Some(first.iter().sum::<f64>() / rings as f64)
}

/// The whole rings between two distances from the pith, by the boundaries on a radius, rising, mm,
/// the pith's 0 among them. `None` without a whole ring.
pub fn whole_rings(
    boundaries_mm: &[f64],
    azimuth_deg: f64,
    from_mm: f64,
    to_mm: f64,
) -> Option<GrowthLine> {
    // A boundary on the limit itself is inside, whatever its last digit.
    let slack = 1e-9;
    let mut inside = boundaries_mm
        .iter()
        .copied()
        .filter(|at| *at >= from_mm - slack && *at <= to_mm + slack);
    let first = inside.next()?;
    let (mut last, mut rings) = (first, 0);
    for at in inside {
        (last, rings) = (at, rings + 1);
    }
    (rings > 0 && last > first).then_some(GrowthLine {
        azimuth_deg,
        from_mm: first,
        to_mm: last,
        rings,
    })
}

/// Mean width of the rings on a line that begins at a limit, the ring that the limit cuts counted as
/// one: the length from the limit to the last boundary, over the rings that have any wood on it.
///
/// The boundaries are those on a radius, rising, mm. `None` where the limit lies before the first or
/// beyond the last of them.
pub fn with_cut_ring(boundaries_mm: &[f64], from_mm: f64) -> Option<f64> {
    let (first, last) = boundaries_mm.first().zip(boundaries_mm.last())?;
    if from_mm < *first || from_mm >= *last {
        return None;
    }
    let slack = 1e-9;
    let beyond = boundaries_mm.iter().filter(|at| **at > from_mm + slack);
    let rings = beyond.count();
    (rings > 0).then(|| (last - from_mm) / rings as f64)
}

/// The lines of the rules on the radius of a disc that stands for its average growth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Lines {
    /// The radius: azimuth, degrees.
    pub azimuth_deg: f64,
    /// Boundaries on it, mm from the pith; the first is the pith or the rim of a lost centre.
    pub boundaries_mm: Vec<f64>,
    /// 3 inches, for the density and grain rules: the third to fifth inch from the pith, or where
    /// the radius is shorter its last three.
    pub three_inches: Option<GrowthLine>,
    /// All beyond 25 mm from the pith, for DIN 4074-1 and NF B 52-001.
    pub beyond_25_mm: Option<GrowthLine>,
    /// Mean ring of the same line by its other reading, the ring cut at 25 mm counted, mm.
    pub beyond_25_mm_with_cut: Option<f64>,
    /// 75 mm from 25 mm on, for BS 4978.
    pub from_25_to_100_mm: Option<GrowthLine>,
    /// The first five rings, for UNE 56544, mm.
    pub first_five_mm: Option<f64>,
}

/// Lines of a reading; `None` for hardwoods, without a scale, or where no radius has all boundaries.
///
/// The radius is the one whose length to the last boundary is nearest to the equivalent radius, of
/// those on which every boundary is known.
pub fn lines(reading: &Reading) -> Option<Lines> {
    if reading.wood.kind != WoodKind::Conifer {
        return None;
    }
    let scale = reading.scale.as_ref()?;
    let last = reading.rings.last()?;
    let known: Vec<usize> = (0..last.radius_px.len())
        .filter(|azimuth| {
            reading
                .rings
                .iter()
                .all(|ring| ring.radius_px[*azimuth].is_some())
        })
        .collect();
    let length = |azimuth: usize| last.radius_px[azimuth].unwrap_or(0.0);
    let squares: f64 = known.iter().map(|azimuth| length(*azimuth).powi(2)).sum();
    let mean = (squares / known.len().max(1) as f64).sqrt();
    let azimuth = known.into_iter().min_by(|a, b| {
        (length(*a) - mean)
            .abs()
            .total_cmp(&(length(*b) - mean).abs())
    })?;
    let azimuth_deg = azimuth as f64;
    let mm_per_px = scale.mm_per_px_at(azimuth_deg);
    let mut boundaries_mm: Vec<f64> = reading
        .rings
        .iter()
        .filter_map(|ring| Some(ring.radius_px[azimuth]? * mm_per_px))
        .collect();
    if reading.rings.first()?.number == 1 {
        boundaries_mm.insert(0, 0.0);
    }
    let end = boundaries_mm.last().copied()?;
    let inch = MM_PER_INCH;
    let from = if end >= 5.0 * inch {
        2.0 * inch
    } else {
        (end - 3.0 * inch).max(0.0)
    };
    let widths: Vec<f64> = boundaries_mm
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .collect();
    let line = |from: f64, to: f64| whole_rings(&boundaries_mm, azimuth_deg, from, to);
    Some(Lines {
        azimuth_deg,
        three_inches: line(from, (from + 3.0 * inch).min(end)),
        beyond_25_mm: line(25.0, end),
        beyond_25_mm_with_cut: with_cut_ring(&boundaries_mm, 25.0),
        from_25_to_100_mm: line(25.0, end.min(100.0)),
        // With a lost centre the first rings seen are not the first.
        first_five_mm: (reading.rings.first()?.number == 1)
            .then(|| mean_of_first(&widths, 5))
            .flatten(),
        boundaries_mm,
    })
}

/// Azimuths on either side of the line that its latewood is averaged over.
const BESIDE: usize = 6;
/// Samples through a ring.
const SAMPLES: usize = 24;
/// Least width of a ring, px, in which latewood can be told from earlywood.
const LEAST_RING_PX: f64 = 8.0;
/// Least fall of tone from early- to latewood, as a share of the earlywood's: the rule asks for a
/// distinct contrast. Common practice, no source.
const LEAST_CONTRAST: f64 = 0.1;
/// Light of the next ring before a ring's outer edge that is let pass, px: a boundary is placed to
/// about a pixel, and the step is blurred. Where it stays pale for longer the ring doesn't end dark.
const BLURRED_PX: f64 = 2.0;
/// Share of the rings that may not end dark, their boundaries being off: on a worn face with pale
/// latewood hardly any does, and what is dark there is no latewood. Common practice, no source.
const MOST_PALE: f64 = 0.25;

/// Share of latewood along a line, measured in the photo (upright, as it was read): in each ring
/// the stretch before its outer edge that is darker than halfway from its brightest to its darkest
/// tone. `None` where a ring of the line is narrower than 8 px, shows no distinct latewood, or where
/// more than a quarter of the rings doesn't end dark.
///
/// Limits: halfway is a convention; saw marks, soil and a blurred photo widen what looks dark. Where
/// earlywood turns to latewood slowly, halfway lies well before what a grader calls latewood.
pub fn latewood_share(photo: &RgbImage, reading: &Reading, line: &GrowthLine) -> Option<f64> {
    let mm_per_px = reading.scale.as_ref()?.mm_per_px_at(line.azimuth_deg);
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a whole azimuth below 360"
    )]
    let azimuth = line.azimuth_deg.round().clamp(0.0, 359.0) as usize;
    let radius = |k: usize, azimuth: usize| -> Option<f64> {
        match k.checked_sub(1) {
            Some(k) => reading.rings.get(k)?.radius_px[azimuth],
            None => (reading.rings.first()?.number == 1).then_some(0.0),
        }
    };
    let slack = 1e-6 * line.to_mm;
    let (mut late_px, mut all_px) = (0.0, 0.0);
    let (mut pale_rings, mut rings) = (0.0, 0.0);
    for k in 0..reading.rings.len() {
        let ends = radius(k, azimuth).zip(radius(k + 1, azimuth));
        let Some((inner, outer)) = ends else { continue };
        if inner * mm_per_px < line.from_mm - slack || outer * mm_per_px > line.to_mm + slack {
            continue;
        }
        if outer - inner < LEAST_RING_PX {
            return None;
        }
        let profile = tones(photo, reading, azimuth, |azimuth| {
            radius(k, azimuth).zip(radius(k + 1, azimuth))
        })?;
        let bright = profile.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let dark = profile.iter().copied().fold(f64::INFINITY, f64::min);
        if bright <= 0.0 || (bright - dark) / bright < LEAST_CONTRAST {
            return None;
        }
        let half = 0.5 * (bright + dark);
        let pale = profile.iter().rev().take_while(|tone| **tone >= half);
        let pale = pale.count();
        rings += 1.0;
        if pale as f64 * (outer - inner) / SAMPLES as f64 > BLURRED_PX {
            pale_rings += 1.0;
        }
        let from_edge = profile.iter().rev().skip(pale);
        let late = from_edge.take_while(|tone| **tone < half).count();
        late_px += (outer - inner) * late as f64 / SAMPLES as f64;
        all_px += outer - inner;
    }
    (all_px > 0.0 && pale_rings <= MOST_PALE * rings).then(|| late_px / all_px)
}

/// Mean tone through a ring, from its inner to its outer edge, over the azimuths beside the line.
fn tones(
    photo: &RgbImage,
    reading: &Reading,
    azimuth: usize,
    ends: impl Fn(usize) -> Option<(f64, f64)>,
) -> Option<Vec<f64>> {
    let (mut sums, mut count) = (vec![0.0; SAMPLES], 0.0);
    for beside in 0..=2 * BESIDE {
        let azimuth = (azimuth + 360 + beside - BESIDE) % 360;
        let Some((inner, outer)) = ends(azimuth) else {
            continue;
        };
        let (sin, cos) = (azimuth as f64).to_radians().sin_cos();
        let samples: Option<Vec<f64>> = (0..SAMPLES)
            .map(|i| {
                let radius = inner + (outer - inner) * (i as f64 + 0.5) / SAMPLES as f64;
                let (x, y) = (
                    reading.pith.x_px + radius * cos,
                    reading.pith.y_px + radius * sin,
                );
                pixel_at(photo, x, y).map(|[r, g, b]| r + g + b)
            })
            .collect();
        if let Some(samples) = samples {
            for (sum, sample) in sums.iter_mut().zip(samples) {
                *sum += sample;
            }
            count += 1.0;
        }
    }
    (count > 0.0).then(|| sums.into_iter().map(|sum| sum / count).collect())
}

#[cfg(test)]
mod drawn;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::growth::tests::disc;

    /// Boundaries from widths, the pith's 0 first.
    fn boundaries(widths: &[f64]) -> Vec<f64> {
        let sums = widths.iter().scan(0.0, |sum, width| {
            *sum += width;
            Some(*sum)
        });
        std::iter::once(0.0).chain(sums).collect()
    }

    /// Facts, T-4.1: a line of 3 inches, so many rings, so many inches of latewood.
    #[test]
    fn density_and_grain_are_those_of_the_worked_examples() {
        for (rings, latewood_in, per_inch, share, dense, close) in [
            (20i32, 1.1f64, 6.667f64, 0.367f64, true, true),
            (17, 1.1, 5.667, 0.367, false, false),
            (13, 1.6, 4.333, 0.533, true, false),
            (13, 1.4, 4.333, 0.467, false, false),
            (11, 1.8, 3.667, 0.6, false, false),
            (19, 0.95, 6.333, 0.317, false, true),
            (95, 1.1, 31.7, 0.367, true, false),
        ] {
            let width = 3.0 * MM_PER_INCH / f64::from(rings);
            let found = whole_rings(
                &boundaries(&vec![width; rings as usize]),
                0.0,
                0.0,
                3.0 * MM_PER_INCH,
            )
            .unwrap();
            assert!(
                (found.rings_per_inch() - per_inch).abs() < 0.04,
                "{found:?}"
            );
            let latewood = latewood_in / 3.0;
            assert!((latewood - share).abs() < 6e-4);
            assert_eq!(is_dense(found.rings_per_inch(), latewood), dense, "{rings}");
            let grain = grain(
                found.rings_per_inch(),
                Some(latewood),
                Softwood::SouthernPine,
            );
            assert_eq!(grain == Grain::Close, close, "{rings}");
        }
        // Facts, section 4: Douglas-fir: 5, or more than 30, passes with a third latewood.
        assert_eq!(grain(5.0, Some(0.34), Softwood::DouglasFir), Grain::Close);
        assert_eq!(grain(31.0, Some(0.34), Softwood::DouglasFir), Grain::Close);
        assert_eq!(grain(5.0, Some(0.3), Softwood::DouglasFir), Grain::Medium);
        assert_eq!(grain(5.0, None, Softwood::Other), Grain::Medium);
        assert_eq!(grain(3.9, None, Softwood::Other), Grain::Coarse);
    }

    /// Facts, T-4.3: from 25 to 120 mm, 19 rings: 5.00 mm, S10, not S13; 24 rings: 3.958 mm, S13.
    #[test]
    fn the_german_line_is_that_of_the_worked_example() {
        for (rings, mean, class) in [(19, 5.0, "S7 and S10"), (24, 3.958, "S13")] {
            let width = 95.0 / f64::from(rings);
            let mut widths = vec![25.0];
            widths.extend(vec![width; rings as usize]);
            let line = whole_rings(&boundaries(&widths), 0.0, 25.0, 120.0).unwrap();
            assert_eq!(line.rings, rings as usize);
            assert!((line.mean_ring_mm() - mean).abs() < 5e-4);
            assert_eq!(din_4074(line.mean_ring_mm(), Softwood::Other), Some(class));
        }
        assert_eq!(din_4074(6.1, Softwood::Other), None);
        assert_eq!(din_4074(6.1, Softwood::DouglasFir), Some("S7 and S10"));
        assert_eq!(
            (bs_4978(6.0), bs_4978(6.1), bs_4978(10.1)),
            (Some("SS"), Some("GS"), None)
        );
    }

    /// Facts, T-4.5: five rings of 6, then ten of 2: the first five 6.0 mm; beyond 25 mm, whole rings
    /// only, 20/10 = 2.0 mm.
    #[test]
    fn the_same_wood_has_another_number_under_another_rule() {
        let widths = [[6.0; 5].as_slice(), [2.0; 10].as_slice()].concat();
        assert_eq!(mean_of_first(&widths, 5), Some(6.0));
        let beyond = whole_rings(&boundaries(&widths), 0.0, 25.0, 50.0).unwrap();
        assert_eq!(beyond.rings, 10);
        assert!((beyond.mean_ring_mm() - 2.0).abs() < 1e-12);
        // Counting the ring cut by the limit: 25/11 = 2.273 mm.
        let with_cut = with_cut_ring(&boundaries(&widths), 25.0).unwrap();
        assert!((with_cut - 25.0 / 11.0).abs() < 1e-12, "{with_cut}");
        assert!((with_cut - 2.273).abs() < 5e-4);
        // A limit on a boundary cuts no ring: both readings agree.
        assert_eq!(with_cut_ring(&boundaries(&widths), 30.0), Some(2.0));
        assert_eq!(with_cut_ring(&boundaries(&widths), 50.0), None);
        assert_eq!(mean_of_first(&widths[..4], 5), None);
    }

    #[test]
    fn the_three_inches_lie_away_from_the_pith() {
        // 30 rings of 5.08 mm: 6 inches of radius, 5 rings to the inch.
        let found = lines(&disc(&[5.08; 30], None, Some(1.0))).unwrap();
        let line = found.three_inches.unwrap();
        assert!((line.from_mm - 50.8).abs() < 1e-9 && (line.to_mm - 127.0).abs() < 1e-9);
        assert!((line.rings_per_inch() - 5.0).abs() < 1e-9);
        // Four inches of radius: the last three.
        let line = lines(&disc(&[5.08; 20], None, Some(1.0)))
            .unwrap()
            .three_inches
            .unwrap();
        assert!((line.from_mm - 25.4).abs() < 1e-9 && (line.to_mm - 101.6).abs() < 1e-9);
        // Two inches: as much as there is.
        let line = lines(&disc(&[5.08; 10], None, Some(1.0)))
            .unwrap()
            .three_inches
            .unwrap();
        assert_eq!((line.from_mm, line.rings), (0.0, 10));
        assert_eq!(lines(&disc(&[5.08; 10], None, None)), None, "no scale");
        let mut oak = disc(&[5.08; 10], None, Some(1.0));
        oak.wood.kind = WoodKind::RingPorous;
        assert_eq!(lines(&oak), None);
    }

    #[test]
    fn latewood_is_measured_where_it_is_drawn_and_refused_where_it_isnt() {
        // 20 rings of 20 px about (500, 500); the outer 37 % of each is dark.
        let reading = disc(&[20.0; 20], None, Some(0.25));
        let draw = |late: f64, dark: u8| {
            RgbImage::from_fn(1000, 1000, |x, y| {
                let radius = (f64::from(x) - 500.0).hypot(f64::from(y) - 500.0);
                let part = (radius / 20.0).fract();
                image::Rgb([if part > 1.0 - late { dark } else { 220 }; 3])
            })
        };
        let line = lines(&reading).unwrap().three_inches.unwrap();
        assert_eq!(line.rings, 15);
        for late in [0.2, 0.37, 0.55] {
            let found = latewood_share(&draw(late, 110), &reading, &line).unwrap();
            assert!((found - late).abs() < 0.04, "{found} {late}");
        }
        assert_eq!(
            latewood_share(&draw(0.37, 210), &reading, &line),
            None,
            "no contrast"
        );
        let tight = disc(&[6.0; 60], None, Some(0.25));
        let line = lines(&tight).unwrap().three_inches.unwrap();
        assert_eq!(
            latewood_share(&draw(0.37, 110), &tight, &line),
            None,
            "6 px a ring"
        );
    }
}
