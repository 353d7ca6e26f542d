//! Values as people write them: lengths with a unit, points, rectangles.

use endgrain::length;
use endgrain::settings::Region;

/// A length with its unit, in mm: `368mm`, `36.8cm`, `0.368m`, `14.5in`.
pub(super) fn length_mm(text: &str) -> Result<f64, String> {
    length::parse(text).map(|length| length.mm)
}

/// A point: `X,Y`.
pub(super) fn point(text: &str) -> Result<(f64, f64), String> {
    match numbers(text).as_deref() {
        Some(&[x, y]) => Ok((x, y)),
        _ => Err("give X,Y in pixels, such as 1210,985.5".into()),
    }
}

/// A rectangle: `X,Y,W,H`.
pub(super) fn region(text: &str) -> Result<Region, String> {
    let sides: Option<Vec<u32>> = text
        .split(',')
        .map(|part| part.trim().parse().ok())
        .collect();
    match sides.as_deref() {
        Some(&[x_px, y_px, width_px, height_px]) => Ok(Region {
            x_px,
            y_px,
            width_px,
            height_px,
        }),
        _ => Err("give X,Y,W,H in whole pixels, such as 400,300,2000,2000".into()),
    }
}

fn numbers(text: &str) -> Option<Vec<f64>> {
    let parse = |part: &str| part.trim().parse().ok().filter(|v: &f64| v.is_finite());
    text.split(',').map(parse).collect()
}

#[cfg(test)]
mod tests {
    use super::{length_mm, point, region};

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
        ] {
            assert!((length_mm(text).unwrap() - mm).abs() < 1e-9, "{text}");
        }
        for text in ["368", "", "mm", "-3mm", "3ft", "1e3mm", "3..4mm", "14,5in"] {
            assert!(length_mm(text).is_err(), "{text:?}");
        }
    }

    #[test]
    fn points_and_regions_are_numbers_with_commas() {
        assert_eq!(point("12,-3.5").unwrap(), (12.0, -3.5));
        assert_eq!(region("1, 2, 300,400").unwrap().height_px, 400);
        for text in ["", "1", "1,2,3", "a,b", "inf,0"] {
            assert!(point(text).is_err(), "{text:?}");
        }
        for text in ["1,2,3", "1,2,3,-4", "1,2,3,4,5", "1.5,2,3,4"] {
            assert!(region(text).is_err(), "{text:?}");
        }
    }
}
