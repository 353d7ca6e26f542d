//! Lengths as people write them, with how finely they were told: a mark at `3.2in` may lie a twentieth
//! of an inch to either side. Units are those of [`units`](crate::units).

use crate::units::{LONGEST_MM, MM_PER_INCH, parse_length_mm};

/// A length as it was written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Length {
    /// The length, mm.
    pub mm: f64,
    /// One unit in the last place written, mm: `3.2in` is told to a tenth of an inch, 2.54 mm.
    pub last_place_mm: f64,
}

/// What a length should look like.
const WANTED: &str = "give a number with its unit, such as 368mm, 36.8cm or 14.5in";

/// Millimetres in a unit of length: mm, cm, m, in or its sign `"`.
pub fn mm_per(unit: &str) -> Option<f64> {
    match unit {
        "mm" => Some(1.0),
        "cm" => Some(10.0),
        "m" => Some(1000.0),
        "in" | "\"" => Some(MM_PER_INCH),
        _ => None,
    }
}

/// Reads a length with its unit, as [`parse_length_mm`] does, with how finely it was told.
///
/// # Errors
/// A sentence that says what to write where there is no number, no unit or an unknown one.
pub fn parse(text: &str) -> Result<Length, String> {
    let mm = parse_length_mm(text)?;
    let unit = text
        .trim()
        .trim_start_matches(|sign: char| sign.is_ascii_digit() || ". /-".contains(sign));
    let mm_per_unit = mm_per(unit.trim()).ok_or(WANTED)?;
    let number = text.trim().trim_end_matches(unit).trim();
    let last_place_mm = match number.split_once('/') {
        // A fraction is told to one of its parts.
        Some((_, parts)) => mm_per_unit / parts.trim().parse::<f64>().map_err(|_| WANTED)?,
        None => parse_in(number, mm_per_unit)?.last_place_mm,
    };
    Ok(Length { mm, last_place_mm })
}

/// Reads a bare number of a unit that is `mm_per_unit` long.
///
/// # Errors
/// A sentence that says what to write where it is no number of digits and at most one point, or is
/// beyond a kilometre.
pub fn parse_in(number: &str, mm_per_unit: f64) -> Result<Length, String> {
    let number = number.trim();
    let plain = |sign: char| sign.is_ascii_digit() || sign == '.';
    if !number.chars().all(plain) {
        return Err(WANTED.into());
    }
    let value: f64 = number.parse().map_err(|_| WANTED)?;
    let mm = value * mm_per_unit;
    if mm > LONGEST_MM {
        return Err(WANTED.into());
    }
    let decimals = number.split_once('.').map_or(0, |(_, part)| part.len());
    let decimals = i32::try_from(decimals).unwrap_or(i32::MAX);
    Ok(Length {
        mm,
        last_place_mm: mm_per_unit * 10_f64.powi(-decimals.min(9)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_length_knows_how_finely_it_was_told() {
        // 25.4 mm an inch by definition.
        for (text, mm, last) in [
            ("3.2in", 81.28, 2.54),
            ("3.25 in", 82.55, 0.254),
            ("190mm", 190.0, 1.0),
            ("19.05cm", 190.5, 0.1),
            ("0.5m", 500.0, 100.0),
            ("14 1/2in", 368.3, 12.7),
        ] {
            let length = parse(text).unwrap();
            assert!((length.mm - mm).abs() < 1e-9, "{text}");
            assert!((length.last_place_mm - last).abs() < 1e-9, "{text}");
        }
    }

    /// Found while its fuzz target was written: so many digits are infinitely many millimetres to a float.
    #[test]
    fn a_bare_number_beyond_a_kilometre_is_refused() {
        let digits = "9".repeat(400);
        for text in [digits.as_str(), "1000001", "39371"] {
            assert!(parse_in(text, MM_PER_INCH).is_err(), "{text}");
        }
        assert!(parse_in("39370", MM_PER_INCH).is_ok());
    }

    #[test]
    fn what_has_no_number_or_no_known_unit_is_refused() {
        for text in [
            "", "368", "mm", "-3mm", "3ft", "3..4mm", "14,5in", ".", ".mm",
        ] {
            assert!(parse(text).is_err(), "{text:?}");
        }
    }
}
