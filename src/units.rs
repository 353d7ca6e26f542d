//! Lengths as people say them: parsed with their unit, shown in mm, decimal inches and sixteenths.
//!
//! Inside, a length is mm. An inch is 25.4 mm by definition (international yard and pound
//! agreement, 1959). A sawyer reads an inch rule by its sixteenths, so an inch length may be shown
//! both ways; the fraction is for the rule, the decimal for reckoning.

use std::fmt;

/// Millimetres in an inch, exactly (international inch, 1959).
pub const MM_PER_INCH: f64 = 25.4;

/// Longest length that is taken, mm: a kilometre. Longer ones are slips of the unit.
pub(crate) const LONGEST_MM: f64 = 1e6;

/// What a refused length is answered with.
const WAY_OUT: &str = "give a length with its unit, such as 368mm, 36.8cm, 14.5in or \"14 1/2in\"";

/// A length with its unit, mm: `368mm`, `36.8 cm`, `0.368m`, `14.5in`, `14 1/2in`, `14-1/2"`,
/// `5/16in`.
///
/// # Errors
/// The way out, where the text is no length: no unit, a sign, an exponent, a fraction of anything
/// but inches, or a length beyond a kilometre.
pub fn parse_length_mm(text: &str) -> Result<f64, String> {
    let refused = || WAY_OUT.to_owned();
    let text = text.trim();
    let at = text
        .find(|sign: char| !(sign.is_ascii_digit() || ". /-".contains(sign)))
        .ok_or_else(refused)?;
    let (number, unit) = text.split_at(at);
    let number = number.trim();
    let mm_per_unit = match unit.trim() {
        "mm" => 1.0,
        "cm" => 10.0,
        "m" => 1000.0,
        "in" | "\"" => MM_PER_INCH,
        _ => return Err(refused()),
    };
    let value = match number.split_once('/') {
        None => decimal(number),
        // Fractions are read off inch rules only.
        Some(_) if mm_per_unit.to_bits() != MM_PER_INCH.to_bits() => None,
        Some((above, below)) => mixed(above, below),
    };
    let mm = value.ok_or_else(refused)? * mm_per_unit;
    if mm > LONGEST_MM {
        return Err(refused());
    }
    Ok(mm)
}

fn decimal(text: &str) -> Option<f64> {
    let plain = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    plain.then(|| text.parse().ok()).flatten()
}

fn whole(text: &str) -> Option<u32> {
    let plain = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    plain.then(|| text.parse().ok()).flatten()
}

/// `14 1` over `2`: a whole number, where there is one, and a proper fraction.
fn mixed(above: &str, below: &str) -> Option<f64> {
    let (whole_part, above) = match above.split_once([' ', '-']) {
        Some((left, right)) => (whole(left.trim())?, whole(right.trim())?),
        None => (0, whole(above.trim())?),
    };
    let below = whole(below.trim())?;
    (below > 0 && above < below)
        .then(|| f64::from(whole_part) + f64::from(above) / f64::from(below))
}

/// A length to the nearest sixteenth of an inch, in lowest terms.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sixteenths {
    /// Sixteenths of an inch in all.
    pub count: i64,
}

impl Sixteenths {
    /// The nearest one to a length in mm; halves go away from zero.
    pub fn of_mm(mm: f64) -> Self {
        let sixteenths = (mm / MM_PER_INCH * 16.0).round().clamp(-1e15, 1e15);
        #[allow(
            clippy::cast_possible_truncation,
            reason = "rounded, and clamped to what both types hold"
        )]
        let count = sixteenths as i64;
        Sixteenths { count }
    }

    /// The length, mm.
    pub fn mm(self) -> f64 {
        self.count as f64 / 16.0 * MM_PER_INCH
    }
}

impl fmt::Display for Sixteenths {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (whole, mut above) = (self.count.abs() / 16, self.count.abs() % 16);
        if self.count < 0 {
            out.write_str("-")?;
        }
        let mut below = 16;
        while above > 0 && above % 2 == 0 {
            (above, below) = (above / 2, below / 2);
        }
        match (whole, above) {
            (_, 0) => write!(out, "{whole} in"),
            (0, _) => write!(out, "{above}/{below} in"),
            _ => write!(out, "{whole} {above}/{below} in"),
        }
    }
}

/// A length in inches both ways: `14.49 in (14 1/2 in)`.
pub fn inch_text(mm: f64) -> String {
    format!("{:.2} in ({})", mm / MM_PER_INCH, Sixteenths::of_mm(mm))
}

/// Rings on each inch of a length; none where there is no length.
///
/// Along a radius and along a diameter the same rings give numbers that differ by two: say which.
pub fn rings_per_inch(rings: f64, length_mm: f64) -> Option<f64> {
    (length_mm > 0.0).then(|| rings * MM_PER_INCH / length_mm)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn lengths_need_a_unit_and_come_out_in_mm() {
        for (text, mm) in [
            ("368mm", 368.0),
            ("36.8cm", 368.0),
            ("36.8 cm", 368.0),
            ("0.5m", 500.0),
            // 14.5 x 25.4, the inch being 25.4 mm by definition.
            ("14.5in", 368.3),
            ("14.5\"", 368.3),
            ("14 1/2in", 368.3),
            ("14-1/2 in", 368.3),
            ("5/16in", 7.9375),
        ] {
            assert!((parse_length_mm(text).unwrap() - mm).abs() < 1e-9, "{text}");
        }
        for text in [
            "368",
            "",
            "mm",
            "-3mm",
            "3ft",
            "1e3mm",
            "3..4mm",
            "14,5in",
            "1/2mm",
            "1/0in",
            "3/2in",
            "1 2/3/4in",
            "1 1 1/2in",
            "/2in",
            "3 in 4",
            "2000000mm",
            "1/2",
            "NaNmm",
            "infmm",
        ] {
            assert!(parse_length_mm(text).is_err(), "{text:?}");
        }
    }

    #[test]
    fn sixteenths_are_shown_in_lowest_terms() {
        for (inches, text) in [
            (14.5, "14 1/2 in"),
            (14.0, "14 in"),
            (0.3125, "5/16 in"),
            (14.99, "15 in"),
            (0.01, "0 in"),
            (7.75, "7 3/4 in"),
            (2.125, "2 1/8 in"),
        ] {
            assert_eq!(Sixteenths::of_mm(inches * MM_PER_INCH).to_string(), text);
        }
        assert_eq!(inch_text(368.0), "14.49 in (14 1/2 in)");
    }

    /// T-1.5: elm butt of 36 in with 89 layers: 2.472 to an inch of diameter, 4.944 to an inch of
    /// radius, mean ring 5.137 mm; top of 18 in with 56: 3.111 (Laslett 1875 prints 2.47 and 3.10).
    #[test]
    fn t_1_5_rings_per_inch_of_diameter_and_of_radius_differ_by_two() {
        let butt_mm = 36.0 * MM_PER_INCH;
        assert!((rings_per_inch(89.0, butt_mm).unwrap() - 2.472).abs() < 5e-4);
        assert!((rings_per_inch(89.0, butt_mm / 2.0).unwrap() - 4.944).abs() < 5e-4);
        assert!((butt_mm / 2.0 / 89.0 - 5.137).abs() < 5e-4);
        let top = rings_per_inch(56.0, 18.0 * MM_PER_INCH).unwrap();
        assert!((top - 3.111).abs() < 5e-4);
        assert_eq!(rings_per_inch(5.0, 0.0), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig {
            cases: 400,
            failure_persistence: None,
            rng_algorithm: prop::test_runner::RngAlgorithm::ChaCha,
            ..ProptestConfig::default()
        })]

        /// Inches to mm and back are the same length, and a sixteenth is off by at most half of one.
        #[test]
        fn lengths_come_back_from_inches_and_from_sixteenths(mm in 0.0..50_000.0_f64) {
            let text = format!("{:.9}in", mm / MM_PER_INCH);
            prop_assert!((parse_length_mm(&text).unwrap() - mm).abs() < 1e-6);
            let text = format!("{:.9}cm", mm / 10.0);
            prop_assert!((parse_length_mm(&text).unwrap() - mm).abs() < 1e-6);
            let near = Sixteenths::of_mm(mm);
            prop_assert!((near.mm() - mm).abs() <= MM_PER_INCH / 32.0 + 1e-9);
            // What is shown is what is read.
            prop_assert!((parse_length_mm(&near.to_string()).unwrap() - near.mm()).abs() < 1e-9);
        }
    }
}
