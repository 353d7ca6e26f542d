//! The files for other programs: a specimen as decadal text and as XML.

use super::plan::decadal_name;
use super::specimen::Specimen;
use crate::formats::{Measured, Place, Step, decadal, tridas};
use crate::reading::{OutlineState, PithState};
use crate::series::Series;
use std::io;

/// The decadal text files: name, step, and what is in it.
pub(super) const DECADAL: [(&str, Step, &str); 5] = [
    (
        "radii-0.01mm.rwl",
        Step::Hundredth,
        "Widths on each radius of dated discs, decadal ring-width text in 0.01 mm (a series that would hide its end mark is in 0.001 mm)",
    ),
    (
        "radii-0.001mm.rwl",
        Step::Thousandth,
        "The same in 0.001 mm",
    ),
    (
        "discs-0.001mm.rwl",
        Step::Thousandth,
        "Mean of the radii of each dated disc, 0.001 mm",
    ),
    (
        "trees-0.001mm.rwl",
        Step::Thousandth,
        "Mean of the dated discs of each tree, 0.001 mm",
    ),
    (
        "radii-undated-0.001mm.rwl",
        Step::Thousandth,
        "Widths on each radius of discs that are not dated: years are ring numbers from the pith, 0.001 mm",
    ),
];

/// Places in [`DECADAL`].
pub(super) const DISCS: usize = 2;
pub(super) const TREES: usize = 3;
const UNDATED: usize = 4;

/// A specimen as text for each of the decadal files.
///
/// # Errors
/// A width or year that has no room in the format.
pub(super) fn decadal(specimen: &Specimen, code: &str) -> io::Result<[Vec<u8>; 5]> {
    let mut out: [Vec<u8>; 5] = Default::default();
    if specimen.mm_per_px.is_none() {
        return Ok(out);
    }
    let files: &[usize] = if specimen.is_dated() {
        &[0, 1]
    } else {
        &[UNDATED]
    };
    for radius in 0..specimen.radii.len() {
        let series = specimen.along(radius);
        for &file in files {
            one(
                &mut out[file],
                &decadal_name(code, radius),
                &series,
                DECADAL[file].1,
            )?;
        }
    }
    if specimen.is_dated() {
        one(
            &mut out[DISCS],
            code,
            &specimen.mean_of_radii(),
            DECADAL[DISCS].1,
        )?;
    }
    Ok(out)
}

/// Adds one series, or nothing where it has no room in the format.
pub(super) fn one(out: &mut Vec<u8>, name: &str, series: &Series, step: Step) -> io::Result<()> {
    let mut whole = Vec::new();
    decadal::write(&mut whole, &[], &[decadal::Entry { name, series, step }])?;
    out.append(&mut whole);
    Ok(())
}

/// A specimen as a sample of the XML file.
///
/// # Errors
/// A width that is none.
pub(super) fn sample(specimen: &Specimen) -> io::Result<Vec<u8>> {
    let mut out = Vec::new();
    tridas::open_sample(&mut out, &specimen.name)?;
    if specimen.mm_per_px.is_some() {
        for (i, radius) in specimen.radii.iter().enumerate() {
            let measured = Measured {
                series: specimen.along(i),
                is_dated: specimen.is_dated(),
                is_in_px: false,
                step: Step::Thousandth,
                place: Place::default(),
            };
            let method = tridas::Method::Onscreen;
            let azimuth = Some(radius.azimuth_deg);
            tridas::radius(
                &mut out,
                &radius.name,
                azimuth,
                whole(specimen),
                method,
                &[&measured],
            )?;
        }
    }
    tridas::close_sample(&mut out)?;
    Ok(out)
}

fn whole(specimen: &Specimen) -> tridas::Wholeness {
    let reading = &specimen.reading;
    tridas::Wholeness {
        pith: match reading.pith.state {
            PithState::Seen => tridas::Presence::Complete,
            PithState::Inferred => tridas::Presence::Incomplete,
            PithState::Outside => tridas::Presence::Absent,
        },
        bark: match (specimen.row.bark, reading.outline.state) {
            (Some(true), _) => tridas::Presence::Complete,
            (Some(false), _) => tridas::Presence::Absent,
            (None, OutlineState::Bark) => tridas::Presence::Complete,
            (None, _) => tridas::Presence::Unknown,
        },
    }
}
