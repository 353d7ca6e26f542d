//! Values as people write them: lengths with a unit, points, rectangles.

use endgrain::settings::{Region, ScaleGiven};
use endgrain::units::parse_length_mm;

/// A diameter: a length, or a length and the azimuth it was measured at, `368mm@90`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Diameter {
    pub(super) mm: f64,
    pub(super) azimuth_deg: Option<f64>,
}

pub(super) fn diameter(text: &str) -> Result<Diameter, String> {
    let (length, azimuth) = match text.split_once('@') {
        Some((length, azimuth)) => (length, Some(azimuth)),
        None => (text, None),
    };
    let azimuth_deg = azimuth
        .map(|azimuth| {
            let degrees = azimuth.trim().trim_end_matches('°');
            degrees
                .parse()
                .ok()
                .filter(|v: &f64| v.is_finite())
                .ok_or("give LENGTH@DEG, such as 368mm@90, degrees clockwise from the right")
        })
        .transpose()?;
    Ok(Diameter {
        mm: parse_length_mm(length)?,
        azimuth_deg,
    })
}

/// Two points and their distance: `X1,Y1,X2,Y2=LENGTH`.
pub(super) fn points(text: &str) -> Result<ScaleGiven, String> {
    let way_out = "give X1,Y1,X2,Y2=LENGTH, such as 100,200,900,210=50mm";
    let (places, length) = text.split_once('=').ok_or(way_out)?;
    let mm = parse_length_mm(length)?;
    match numbers(places).as_deref() {
        Some(&[x1, y1, x2, y2]) => Ok(ScaleGiven::Points {
            from_px: (x1, y1),
            to_px: (x2, y2),
            mm,
        }),
        _ => Err(way_out.into()),
    }
}

/// A scan's resolution: pixels an inch, or the word `file`.
pub(super) fn dpi(text: &str) -> Result<ScaleGiven, String> {
    if text.trim() == "file" {
        return Ok(ScaleGiven::DpiOfFile(None));
    }
    text.trim()
        .parse()
        .map(ScaleGiven::Dpi)
        .map_err(|_| "give pixels an inch, such as 600, or the word file".into())
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
    use super::{diameter, dpi, point, points, region};

    #[test]
    fn diameters_may_have_an_azimuth() {
        let found = diameter("14 1/2in@90").unwrap();
        assert!((found.mm - 368.3).abs() < 1e-9);
        assert_eq!(found.azimuth_deg, Some(90.0));
        assert_eq!(diameter("368mm").unwrap().azimuth_deg, None);
        for text in ["368", "368mm@", "368mm@x", "@90", "368mm@inf"] {
            assert!(diameter(text).is_err(), "{text:?}");
        }
    }

    #[test]
    fn points_have_a_distance_and_a_resolution_is_a_number_or_the_files() {
        assert!(points("1,2,300.5,4=50mm").is_ok());
        for text in ["1,2,3=50mm", "1,2,3,4", "1,2,3,4=50", "a,2,3,4=5mm"] {
            assert!(points(text).is_err(), "{text:?}");
        }
        assert!(dpi("600").is_ok() && dpi("file").is_ok());
        assert!(dpi("600dpi").is_err() && dpi("").is_err());
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
