//! Lengths as a reader sees them: in mm, in inches with the nearest sixteenth, or in pixels where
//! the reading has no scale.

use crate::growth::MM_PER_INCH;
use crate::settings::LengthUnit;

/// The unit of one page.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shown {
    /// Millimetres.
    Mm,
    /// Inches.
    In,
    /// Pixels: the reading has no scale.
    Px,
}

impl Shown {
    /// The unit of a reading's lengths: the one asked for, where there is a scale.
    pub fn of(asked: LengthUnit, mm_per_px: Option<f64>) -> Self {
        match (mm_per_px, asked) {
            (None, _) => Shown::Px,
            (Some(_), LengthUnit::Mm) => Shown::Mm,
            (Some(_), LengthUnit::In) => Shown::In,
        }
    }

    /// Its sign.
    pub fn sign(self) -> &'static str {
        match self {
            Shown::Mm => "mm",
            Shown::In => "in",
            Shown::Px => "px",
        }
    }

    /// A length in this unit; `None` where it isn't known in it.
    pub fn value(self, px: Option<f64>, mm: Option<f64>) -> Option<f64> {
        match self {
            Shown::Mm => mm,
            Shown::In => mm.map(|mm| mm / MM_PER_INCH),
            Shown::Px => px,
        }
    }

    /// A ring's width, without the unit: `2.41`, `0.095`, `14.2`.
    pub fn width(self, px: Option<f64>, mm: Option<f64>) -> String {
        let decimals = match self {
            Shown::Mm => 2,
            Shown::In => 3,
            Shown::Px => 1,
        };
        number(self.value(px, mm), decimals)
    }

    /// A diameter or radius, without the unit: `325.7`, `12.82`, `1431.2`.
    pub fn size(self, px: Option<f64>, mm: Option<f64>) -> String {
        let decimals = match self {
            Shown::Mm | Shown::Px => 1,
            Shown::In => 2,
        };
        number(self.value(px, mm), decimals)
    }

    /// Sign of areas: square centimetres or square inches; areas in pixels are not shown.
    pub fn area_sign(self) -> &'static str {
        match self {
            Shown::Mm | Shown::Px => "cm²",
            Shown::In => "sq in",
        }
    }

    /// An area without the unit, with so many decimals.
    pub fn area(self, mm2: Option<f64>, decimals: usize) -> String {
        let per_unit = match self {
            Shown::Mm | Shown::Px => 100.0,
            Shown::In => MM_PER_INCH * MM_PER_INCH,
        };
        number(mm2.map(|mm2| mm2 / per_unit), decimals)
    }

    /// A diameter as it stands alone: `325.7 mm`, `12.82 in (12 13/16)`, `1431.2 px`.
    pub fn size_alone(self, px: Option<f64>, mm: Option<f64>) -> String {
        let size = self.size(px, mm);
        match (self, mm) {
            (Shown::In, Some(mm)) if size != format!("{}.00", sixteenths(mm)) => {
                format!("{size} in ({})", sixteenths(mm))
            }
            _ => format!("{size} {}", self.sign()),
        }
    }
}

/// A number with fixed decimals; a dash where it isn't known.
pub fn number(value: Option<f64>, decimals: usize) -> String {
    let Some(value) = value.filter(|value| value.is_finite()) else {
        return "–".to_owned();
    };
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.to_owned(),
        Some(rest) => format!("\u{2212}{rest}"),
        None => text,
    }
}

/// A length to the nearest sixteenth of an inch, reduced: `12 13/16`, `3/4`, `9`. Halves of a
/// sixteenth go up.
pub fn sixteenths(mm: f64) -> String {
    let all = (mm.abs() / MM_PER_INCH * 16.0 + 0.5).floor();
    let sign = if mm < 0.0 && all > 0.0 {
        "\u{2212}"
    } else {
        ""
    };
    let inches = (all / 16.0).floor();
    let (mut above, mut below) = (all - 16.0 * inches, 16.0);
    while above > 0.0 && above % 2.0 == 0.0 {
        (above, below) = (above / 2.0, below / 2.0);
    }
    if above == 0.0 {
        format!("{sign}{inches}")
    } else if inches == 0.0 {
        format!("{sign}{above}/{below}")
    } else {
        format!("{sign}{inches} {above}/{below}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::proptest;
    use proptest::test_runner::Config;

    #[test]
    fn inches_are_told_to_the_nearest_sixteenth() {
        // The inch is 25.4 mm by definition, its sixteenth 1.5875 mm.
        for (mm, text) in [
            (25.4, "1"),
            (0.0, "0"),
            (1.5875, "1/16"),
            (12.7, "1/2"),
            (19.05, "3/4"),
            (325.7, "12 13/16"),
            (368.3, "14 1/2"),
            (25.4 * 15.999, "16"),
            // Half a sixteenth goes up: 1/32 in.
            (0.79375, "1/16"),
            (-12.7, "\u{2212}1/2"),
            (-0.1, "0"),
        ] {
            assert_eq!(sixteenths(mm), text, "{mm}");
        }
        assert_eq!(Shown::In.area(Some(25.4 * 25.4 * 3.0), 1), "3.0");
        assert_eq!(Shown::Mm.area(Some(250.0), 2), "2.50");
        let alone = Shown::In.size_alone(None, Some(325.7));
        assert_eq!(alone, "12.82 in (12 13/16)");
        assert_eq!(Shown::In.size_alone(None, Some(355.6)), "14.00 in");
        assert_eq!(Shown::In.size_alone(None, Some(356.0)), "14.02 in (14)");
    }

    #[test]
    fn without_a_scale_lengths_are_pixels() {
        assert_eq!(Shown::of(LengthUnit::In, None), Shown::Px);
        assert_eq!(Shown::Px.size_alone(Some(1431.23), None), "1431.2 px");
        assert_eq!(Shown::Mm.width(Some(3.0), None), "–");
        assert_eq!(number(Some(-0.001), 2), "0.00");
        assert_eq!(number(Some(f64::NAN), 2), "–");
    }

    proptest! {
        #![proptest_config(Config { failure_persistence: None, ..Config::default() })]

        #[test]
        fn there_and_back_a_length_stays_within_half_of_its_last_place(mm in 0.0f64..5000.0) {
            let text = sixteenths(mm);
            let mut inches = 0.0;
            for part in text.split(' ') {
                inches += match part.split_once('/') {
                    Some((above, below)) => {
                        above.parse::<f64>().unwrap() / below.parse::<f64>().unwrap()
                    }
                    None => part.parse::<f64>().unwrap(),
                };
            }
            assert!((inches * MM_PER_INCH - mm).abs() <= 25.4 / 32.0 + 1e-9, "{text}");
            let back: f64 = Shown::In.size(None, Some(mm)).parse().unwrap();
            assert!((back * MM_PER_INCH - mm).abs() <= 0.005 * 25.4 + 1e-9);
        }
    }
}
