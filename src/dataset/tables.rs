//! The tables of a dataset: their columns, and the rows of a specimen.

use super::sheet;
use super::specimen::{Specimen, Width, mean};
use super::table::{Cell, Column, Kind, Rows};
use crate::reading::{OutlineState, PithState};
use crate::series::Series;
use std::borrow::Cow;
use std::io;

/// `rings.csv`: one row a ring, radius and specimen.
pub(super) fn rings_columns() -> Vec<Column> {
    vec![
        Column::new(
            "tree",
            Kind::Text,
            "",
            "Tree; where the sheet has none, the specimen stands for it",
        )
        .required(),
        Column::new("specimen", Kind::Text, "", "Disc").required(),
        Column::new(
            "radius",
            Kind::Text,
            "",
            "Radius of the disc, named for its azimuth",
        )
        .required(),
        Column::new(
            "azimuth_deg",
            Kind::Real(4),
            "deg",
            "Azimuth of the radius, clockwise from the right of the photo",
        )
        .required(),
        Column::new(
            "ring",
            Kind::Whole,
            "",
            "Number of the ring from the pith, corrections by hand applied",
        )
        .required(),
        Column::new(
            "year",
            Kind::Whole,
            "",
            "Calendar year of the ring, counted with a year 0 (2 BC is -1); empty where not dated",
        ),
        Column::new(
            "width_mm",
            Kind::Real(4),
            "mm",
            "Width on this radius, by the scale along it; 0 where the ring is absent there (narrower than half a pixel), empty where unknown",
        ),
        Column::new(
            "width_px",
            Kind::Real(3),
            "px",
            "The same in pixels of the photo",
        ),
        Column::new(
            "state",
            Kind::Text,
            "",
            "What is known of the ring on this radius",
        )
        .required()
        .one_of(&["measured", "absent", "unknown"]),
        Column::new(
            "confidence",
            Kind::Real(3),
            "",
            "Chance that this is a year's ring, 0 to 1; empty for a ring added by hand",
        ),
        Column::new(
            "origin",
            Kind::Text,
            "",
            "Whether the width is from the automatic reading or from a correction by hand",
        )
        .required()
        .one_of(&["automatic", "hand"]),
        Column::new(
            "reading_ring",
            Kind::Whole,
            "",
            "Number of the ring in the reading; empty for a ring added by hand",
        ),
    ]
}

/// `means.csv`: one row a ring and disc from areas and from the radii, one row a year and tree.
pub(super) fn means_columns() -> Vec<Column> {
    vec![
        Column::new("level", Kind::Text, "", "area: disc, from the areas inside the boundaries; disc: mean of its radii; tree: mean of its discs").required().one_of(&["area", "disc", "tree"]),
        Column::new("tree", Kind::Text, "", "Tree").required(),
        Column::new("specimen", Kind::Text, "", "Disc; empty for a tree"),
        Column::new("ring", Kind::Whole, "", "Number of the ring from the pith; empty for a tree"),
        Column::new("year", Kind::Whole, "", "Calendar year, counted with a year 0; empty where not dated"),
        Column::new("width_mm", Kind::Real(4), "mm", "Width; 0 where the ring is absent, empty where unknown"),
        Column::new("width_px", Kind::Real(3), "px", "The same in pixels of the photo; empty for a tree"),
        Column::new("parts", Kind::Whole, "", "Radii or discs that the mean is of; empty for areas"),
    ]
}

/// `series.csv`: one row a series of widths.
pub(super) fn series_columns() -> Vec<Column> {
    vec![
        Column::new(
            "series",
            Kind::Text,
            "",
            "Name of the series, as in the XML file",
        )
        .required(),
        Column::new(
            "level",
            Kind::Text,
            "",
            "radius, disc (mean of its radii) or tree (mean of its discs)",
        )
        .required()
        .one_of(&["radius", "disc", "tree"]),
        Column::new(
            "decadal_name",
            Kind::Text,
            "",
            "Name in the decadal text files; empty where it is in none",
        ),
        Column::new("tree", Kind::Text, "", "Tree").required(),
        Column::new("specimen", Kind::Text, "", "Disc; empty for a tree"),
        Column::new("radius", Kind::Text, "", "Radius; empty for a disc or tree"),
        Column::new(
            "azimuth_deg",
            Kind::Real(4),
            "deg",
            "Azimuth of the radius, clockwise from the right of the photo",
        ),
        Column::new(
            "is_dated",
            Kind::YesNo,
            "",
            "Whether its rings have calendar years",
        )
        .required(),
        Column::new(
            "first_year",
            Kind::Whole,
            "",
            "First calendar year with a known width",
        ),
        Column::new(
            "last_year",
            Kind::Whole,
            "",
            "Last calendar year with a known width",
        ),
        Column::new("known", Kind::Whole, "", "Rings with a known width").required(),
        Column::new(
            "absent",
            Kind::Whole,
            "",
            "Of these, rings that are absent there",
        )
        .required(),
        Column::new(
            "mean_width_mm",
            Kind::Real(4),
            "mm",
            "Mean of the known widths",
        ),
    ]
}

/// Columns of the sheet that the table has under names of its own.
const SHEET_ONLY: [&str; 4] = ["photo", "photo_sha256", "region_px", "tree"];

/// `specimens.csv`: one row a disc: what the sheet has, what was read, and where it is from. Columns
/// of the sheet that are not ours come last, under their names.
pub(super) fn specimens_columns(further: &[String]) -> Vec<Column> {
    let mut columns = vec![
        Column::new("specimen", Kind::Text, "", "Disc; the key of this table").required(),
        Column::new(
            "tree",
            Kind::Text,
            "",
            "Tree; where the sheet has none, the specimen stands for it",
        )
        .required(),
    ];
    for (name, about) in sheet::COLUMNS
        .iter()
        .filter(|(name, _)| !SHEET_ONLY.contains(name))
    {
        let (kind, unit) = sheet_kind(name);
        columns.push(Column::new(name, kind, unit, about));
    }
    columns.extend([
        Column::new("rings", Kind::Whole, "", "Best count from the pith to the edge, the missing centre included; empty where there is no count"),
        Column::new("rings_low", Kind::Whole, "", "Lower end of the count's band"),
        Column::new("rings_high", Kind::Whole, "", "Upper end of the count's band"),
        Column::new("level", Kind::Real(3), "", "Share of discs whose true count such a band holds"),
        Column::new("is_complete", Kind::YesNo, "", "False where edge or centre is not in the photo: the count is then at least").required(),
        Column::new("missing_centre_rings", Kind::Whole, "", "Rings lost with the centre, estimated"),
        Column::new("rings_measured", Kind::Whole, "", "Rings in the tables, corrections by hand applied").required(),
        Column::new("first_year", Kind::Whole, "", "Year of the first ring in the tables"),
        Column::new("last_year", Kind::Whole, "", "Year of the outermost ring"),
        Column::new("years_from", Kind::Text, "", "Where the year of the outermost ring is from").one_of(&["sheet", "reading"]),
        Column::new("scale_mm_per_px", Kind::Real(8), "mm/px", "Scale that the widths are in; of a face seen aslant the geometric mean over the directions"),
        Column::new("scale_from", Kind::Text, "", "sheet, or how the reading has it"),
        Column::new("wood", Kind::Text, "", "Kind of wood").required().one_of(&["conifer", "ring-porous", "diffuse-porous"]),
        Column::new("wood_confidence", Kind::Real(3), "", "Confidence of the kind, 0 to 1").required(),
        Column::new("pith", Kind::Text, "", "Whether the pith is to be seen").required().one_of(&["seen", "inferred", "outside"]),
        Column::new("edge", Kind::Text, "", "What was found at the wood's edge").required().one_of(&["bark", "wood", "frame", "unclear"]),
        Column::new("reading_notes", Kind::Text, "", "Codes of the reading's troubles, with blanks between"),
        Column::new("corrections", Kind::Whole, "", "Corrections by hand that were applied").required(),
        Column::new("photo", Kind::Text, "", "File name of the photo").required(),
        Column::new("photo_sha256", Kind::Text, "", "SHA-256 of the photo's bytes").required(),
        Column::new("program_version", Kind::Text, "", "Version of endgrain that read the photo").required(),
        Column::new("options", Kind::Text, "", "What the program was asked for, JSON; empty in readings of early versions"),
        Column::new("reading_sha256", Kind::Text, "", "SHA-256 of the reading's line in readings.jsonl").required(),
    ]);
    for name in further {
        let is_taken = columns.iter().any(|c| c.name.as_ref() == name);
        columns.push(Column {
            name: if is_taken {
                Cow::Owned(format!("sheet_{name}"))
            } else {
                Cow::Owned(name.clone())
            },
            about: Cow::Borrowed("From the sheet"),
            ..Column::new("", Kind::Text, "", "")
        });
    }
    columns
}

/// Kind and unit of a column of the sheet.
fn sheet_kind(name: &str) -> (Kind, &'static str) {
    match name {
        "latitude_deg" | "longitude_deg" => (Kind::Real(6), "deg"),
        "elevation_m" => (Kind::Real(1), "m"),
        "cut_height_m" => (Kind::Real(3), "m"),
        "mm_per_px" => (Kind::Real(8), "mm/px"),
        "diameter_mm" => (Kind::Real(2), "mm"),
        "last_ring" => (Kind::Whole, ""),
        _ => (Kind::Text, ""),
    }
}

/// Adds a specimen's rings.
pub(super) fn rings(rows: &mut Rows, specimen: &Specimen) -> io::Result<()> {
    for (i, radius) in specimen.radii.iter().enumerate() {
        for ring in &specimen.rings {
            let width = ring.widths[i];
            rows.push(&[
                Cell::Text(&specimen.tree),
                Cell::Text(&specimen.name),
                Cell::Text(&radius.name),
                Cell::Real(radius.azimuth_deg),
                Cell::Whole(ring.number.into()),
                Cell::whole(ring.year),
                Cell::real(width.mm),
                Cell::real(width.px),
                Cell::Text(state(width)),
                Cell::real(ring.confidence),
                Cell::Text(if width.is_by_hand {
                    "hand"
                } else {
                    "automatic"
                }),
                Cell::whole(ring.reading_ring),
            ])?;
        }
    }
    Ok(())
}

/// What is 0 in the table is an absent ring: measured widths below half a pixel were made 0 where they
/// were measured, and a width by hand may be finer than the table's last decimal.
fn state(width: Width) -> &'static str {
    match width.px {
        None => "unknown",
        Some(px) if px < 0.0005 => "absent",
        Some(_) => "measured",
    }
}

/// Adds the widths of a specimen from areas, and the means of its radii.
pub(super) fn means(rows: &mut Rows, specimen: &Specimen) -> io::Result<()> {
    for ring in &specimen.rings {
        rows.push(&[
            Cell::Text("area"),
            Cell::Text(&specimen.tree),
            Cell::Text(&specimen.name),
            Cell::Whole(ring.number.into()),
            Cell::whole(ring.year),
            Cell::real(ring.from_areas.mm),
            Cell::real(ring.from_areas.px),
            Cell::Empty,
        ])?;
    }
    for ring in &specimen.rings {
        let (px, count) = mean(ring.widths.iter().filter_map(|w| w.px));
        let (mm, _) = mean(ring.widths.iter().filter_map(|w| w.mm));
        rows.push(&[
            Cell::Text("disc"),
            Cell::Text(&specimen.tree),
            Cell::Text(&specimen.name),
            Cell::Whole(ring.number.into()),
            Cell::whole(ring.year),
            Cell::real(mm),
            Cell::real(px),
            Cell::Whole(count.into()),
        ])?;
    }
    Ok(())
}

/// Adds the mean of a tree's discs; `parts` is how many discs each year is the mean of.
pub(super) fn tree_means(rows: &mut Rows, series: &Series, parts: &[u32]) -> io::Result<()> {
    for ((year, width), parts) in (series.first_year..).zip(&series.widths_mm).zip(parts) {
        rows.push(&[
            Cell::Text("tree"),
            Cell::Text(&series.name),
            Cell::Empty,
            Cell::Empty,
            Cell::Whole(year.into()),
            Cell::real(*width),
            Cell::Empty,
            Cell::Whole((*parts).into()),
        ])?;
    }
    Ok(())
}

/// What a row of `series.csv` tells beside the series itself.
#[derive(Debug, Clone, Copy)]
pub(super) struct Listed<'a> {
    pub(super) level: &'a str,
    pub(super) decadal_name: &'a str,
    pub(super) tree: &'a str,
    pub(super) specimen: &'a str,
    pub(super) radius: Option<(&'a str, f64)>,
    pub(super) is_dated: bool,
}

/// Adds a series to the list of series.
pub(super) fn listed(rows: &mut Rows, series: &Series, listed: Listed<'_>) -> io::Result<()> {
    let known = || {
        (series.first_year..)
            .zip(&series.widths_mm)
            .filter_map(|(y, w)| w.map(|w| (y, w)))
    };
    let year =
        |year: Option<(i32, f64)>| Cell::whole(year.filter(|_| listed.is_dated).map(|(y, _)| y));
    let (mean_width, count) = mean(known().map(|(_, w)| w));
    let absent = known().filter(|(_, w)| *w < 0.000_05).count();
    rows.push(&[
        Cell::Text(&series.name),
        Cell::Text(listed.level),
        Cell::text(listed.decadal_name),
        Cell::Text(listed.tree),
        Cell::text(listed.specimen),
        Cell::text(listed.radius.map_or("", |(name, _)| name)),
        Cell::real(listed.radius.map(|(_, azimuth)| azimuth)),
        Cell::YesNo(listed.is_dated),
        year(known().next()),
        year(known().last()),
        Cell::Whole(count.into()),
        Cell::Whole(i64::try_from(absent).unwrap_or(i64::MAX)),
        Cell::real(mean_width),
    ])
}

/// Adds a specimen's row.
pub(super) fn specimen(rows: &mut Rows, specimen: &Specimen, further: &[String]) -> io::Result<()> {
    let reading = &specimen.reading;
    let row = &specimen.row;
    let age = &reading.age;
    let counted = |n: u32| Cell::whole(reading.is_counted().then_some(n));
    let notes: Vec<String> = reading
        .notes
        .iter()
        .filter_map(|note| serde_json::to_value(note.code).ok())
        .filter_map(|code| code.as_str().map(str::to_owned))
        .collect();
    let notes = notes.join(" ");
    let options = reading
        .options
        .as_ref()
        .and_then(|options| serde_json::to_string(options).ok())
        .unwrap_or_default();
    let mut cells = vec![Cell::Text(&specimen.name), Cell::Text(&specimen.tree)];
    let ours = sheet::COLUMNS
        .iter()
        .filter(|(name, _)| !SHEET_ONLY.contains(name));
    // The sheet was checked: what is to be a number is one.
    cells.extend(ours.map(|(name, _)| match sheet_kind(name).0 {
        Kind::Whole => Cell::whole(row.cell(name).parse::<i64>().ok()),
        Kind::Real(_) => Cell::real(row.cell(name).parse().ok()),
        _ => Cell::text(row.cell(name)),
    }));
    cells.extend([
        counted(age.rings),
        counted(age.low),
        counted(age.high),
        Cell::Real(age.level),
        Cell::YesNo(age.complete),
        counted(age.missing_centre.rings),
        Cell::Whole(i64::try_from(specimen.rings.len()).unwrap_or(i64::MAX)),
        Cell::whole(specimen.rings.first().and_then(|r| r.year)),
        Cell::whole(specimen.rings.last().and_then(|r| r.year)),
        Cell::text(if specimen.rings.is_empty() {
            ""
        } else {
            specimen.years_from
        }),
        Cell::real(specimen.mm_per_px),
        Cell::text(&specimen.scale_from),
        Cell::Text(reading.wood.kind.name()),
        Cell::Real(reading.wood.confidence),
        Cell::Text(match reading.pith.state {
            PithState::Seen => "seen",
            PithState::Inferred => "inferred",
            PithState::Outside => "outside",
        }),
        Cell::Text(match reading.outline.state {
            OutlineState::Bark => "bark",
            OutlineState::Wood => "wood",
            OutlineState::Frame => "frame",
            OutlineState::Unclear => "unclear",
        }),
        Cell::text(&notes),
        Cell::Whole(i64::try_from(specimen.corrections).unwrap_or(i64::MAX)),
        Cell::Text(&reading.photo.file),
        Cell::Text(&reading.photo.sha256),
        Cell::Text(&reading.program.version),
        Cell::text(&options),
        Cell::Text(&specimen.reading_sha256),
    ]);
    cells.extend(further.iter().map(|name| Cell::text(row.cell(name))));
    rows.push(&cells)
}
