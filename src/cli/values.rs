//! Values as people write them: lengths, sizes and times with a unit, points, rectangles.

use clap::ValueEnum;
use endgrain::settings::{Region, ScaleGiven, WoodKind};
use endgrain::units::parse_length_mm;
use std::time::Duration;

/// The wood's kind, or that it is to be told from the photo.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub(super) enum WoodGiven {
    /// Tell it from the photo
    Auto,
    /// Pale earlywood, dark latewood: pine, spruce, fir, larch
    Conifer,
    /// A row of large pores at the start of each ring: oak, ash, elm
    RingPorous,
    /// Small pores throughout: maple, birch, beech
    DiffusePorous,
}

impl WoodGiven {
    /// The kind that was stated.
    pub(super) fn kind(self) -> Option<WoodKind> {
        match self {
            WoodGiven::Auto => None,
            WoodGiven::Conifer => Some(WoodKind::Conifer),
            WoodGiven::RingPorous => Some(WoodKind::RingPorous),
            WoodGiven::DiffusePorous => Some(WoodKind::DiffusePorous),
        }
    }
}

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

/// A size in bytes with its unit: `2GiB`, `800MB`.
pub(super) fn size_bytes(text: &str) -> Result<u64, String> {
    const SAY: &str = "give a number with its unit, such as 2GiB, 1.5GB or 800MB";
    let (number, unit) = number_and_unit(text).ok_or(SAY)?;
    let bytes_per_unit: f64 = match unit {
        "kB" | "KB" => 1e3,
        "MB" | "M" => 1e6,
        "GB" | "G" => 1e9,
        "TB" | "T" => 1e12,
        "KiB" => 1024.0,
        "MiB" => 1_048_576.0,
        "GiB" => 1_073_741_824.0,
        "TiB" => 1_099_511_627_776.0,
        _ => return Err(SAY.into()),
    };
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "positive and whole; past u64 it saturates"
    )]
    let bytes = (number * bytes_per_unit).round() as u64;
    if bytes == 0 {
        Err(SAY.into())
    } else {
        Ok(bytes)
    }
}

/// A limit of time, or none.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Limit(pub(super) Option<Duration>);

/// A time with its unit: `90s`, `1.5min`, `1h`; or `none`.
pub(super) fn time(text: &str) -> Result<Limit, String> {
    const SAY: &str = "give a number above 0 with its unit, such as 90s, 10min or 1h, or none";
    if text.trim() == "none" {
        return Ok(Limit(None));
    }
    let (number, unit) = number_and_unit(text).ok_or(SAY)?;
    let seconds_per_unit = match unit {
        "ms" => 1e-3,
        "s" => 1.0,
        "min" => 60.0,
        "h" => 3600.0,
        _ => return Err(SAY.into()),
    };
    match Duration::try_from_secs_f64(number * seconds_per_unit) {
        Ok(time) if !time.is_zero() => Ok(Limit(Some(time))),
        _ => Err(SAY.into()),
    }
}

/// A number that isn't negative and what follows it.
fn number_and_unit(text: &str) -> Option<(f64, &str)> {
    let text = text.trim();
    let at = text.find(|sign: char| !(sign.is_ascii_digit() || sign == '.'))?;
    let (number, unit) = text.split_at(at);
    Some((number.parse().ok()?, unit.trim()))
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
    use super::{Limit, diameter, dpi, point, points, region, size_bytes, time};
    use std::time::Duration;

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
    fn sizes_and_times_need_a_unit() {
        for (text, bytes) in [
            ("2GiB", 2_147_483_648),
            ("800MB", 800_000_000),
            ("1.5 GB", 1_500_000_000),
        ] {
            assert_eq!(size_bytes(text), Ok(bytes), "{text}");
        }
        for text in ["", "2", "GiB", "-1GB", "0MB", "2GiBs", "1e9MB"] {
            assert!(size_bytes(text).is_err(), "{text:?}");
        }
        let seconds = |s| Ok(Limit(Some(Duration::from_millis(s))));
        assert_eq!(time("90s"), seconds(90_000));
        assert_eq!(time("1.5min"), seconds(90_000));
        assert_eq!(time("250ms"), seconds(250));
        assert_eq!(time("none"), Ok(Limit(None)));
        for text in ["", "90", "0s", "-3s", "1d", "no"] {
            assert!(time(text).is_err(), "{text:?}");
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
