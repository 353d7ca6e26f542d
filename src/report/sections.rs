//! The sections of a disc's page.

use super::charts::{self, is_dated, told};
use super::lengths::{Shown, number};
use super::{Disc, picture};
use crate::calendar::{Felling, Hemisphere, Season};
use crate::error::Error;
use crate::growth::{Decade, GrowthRecord, GrowthRing, MM_PER_INCH};
use crate::reading::{Options, OutlineState, PithState, Reading};
use crate::settings::WoodKind;
use crate::tables::{age_text, mean_diameter_px};
use maud::{Markup, html};

fn wood_name(kind: WoodKind) -> &'static str {
    match kind {
        WoodKind::Conifer => "conifer",
        WoodKind::RingPorous => "ring-porous hardwood",
        WoodKind::DiffusePorous => "diffuse-porous hardwood",
    }
}

fn outline_name(state: OutlineState) -> &'static str {
    match state {
        OutlineState::Bark => "bark outside it",
        OutlineState::Wood => "bark is gone",
        OutlineState::Frame => "partly outside the photo",
        OutlineState::Unclear => "not found with certainty",
    }
}

fn pith_name(state: PithState) -> &'static str {
    match state {
        PithState::Seen => "seen",
        PithState::Inferred => "hidden or lost; its place follows from the rings",
        PithState::Outside => "outside the photo",
    }
}

/// First and last year of the rings.
fn years(record: &GrowthRecord) -> Option<(i32, i32)> {
    Some((record.rings.first()?.year?, record.rings.last()?.year?))
}

/// Mean width of the rings that have one.
fn mean_width(record: &GrowthRecord) -> (Option<f64>, Option<f64>) {
    let mean = |values: Vec<f64>| {
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
    };
    (
        mean(
            record
                .rings
                .iter()
                .filter_map(|ring| ring.width_px)
                .collect(),
        ),
        mean(
            record
                .rings
                .iter()
                .filter_map(|ring| ring.width_mm)
                .collect(),
        ),
    )
}

/// Mean diameter of the face: of its edge, else of the last ring.
fn face_diameter(disc: &Disc<'_>) -> (Option<f64>, Option<f64>) {
    let last = disc.record.rings.last();
    let px = mean_diameter_px(disc.reading).or(last.map(|ring| 2.0 * ring.radius_px));
    (px, px.zip(disc.record.mm_per_px).map(|(px, mm)| px * mm))
}

/// The tiles on top.
pub(super) fn facts(disc: &Disc<'_>, shown: Shown) -> Markup {
    let Disc {
        reading, record, ..
    } = disc;
    let (diameter_px, diameter_mm) = face_diameter(disc);
    let (width_px, width_mm) = mean_width(record);
    let age = &reading.age;
    html! {
        dl.facts {
            div {
                dt { "Age at the cut" }
                @if reading.is_counted() {
                    dd {
                        @if !age.complete { "at least " }
                        (age.rings) @if age.rings == 1 { " year" } @else { " years" }
                        small { (age.low) " to " (age.high) " at " (number(Some(100.0 * age.level), 0)) " %" }
                    }
                } @else {
                    dd { "no count" small { (age_text(reading)) } }
                }
            }
            @if let Some((first, last)) = years(record) {
                div {
                    dt { "Years of its rings" }
                    dd { (first) " to " (last)
                        @if !age.complete { small { "of the rings seen" } }
                    }
                }
            }
            div {
                dt { "Mean diameter inside bark" }
                dd { (shown.size_alone(diameter_px, diameter_mm))
                    @if shown == Shown::Px { small { "no scale: lengths are pixels" } }
                    @if !age.complete { small { "as far as it is seen" } }
                }
            }
            @if width_px.is_some() {
                div {
                    dt { "Mean ring width" }
                    dd { (shown.width(width_px, width_mm)) " " (shown.sign())
                        @if let Some(mm) = width_mm.filter(|mm| *mm > 0.0) {
                            small { (number(Some(MM_PER_INCH / mm), 1)) " rings per inch" }
                        }
                    }
                }
            }
        }
    }
}

/// The one caution of the page.
pub(super) fn caution() -> Markup {
    html! {
        div.caution role="note" {
            p { "An aid, not a verdict: check the rings in the picture before you rely on the count. A licensed grader decides on grade, an arborist or the authority on a tree." }
        }
    }
}

/// The picture.
pub(super) fn face(disc: &Disc<'_>, shown: Shown) -> Result<Markup, Error> {
    let opened = disc
        .overlay
        .map(|bytes| picture::open(bytes, disc.reading, disc.overlay_path));
    let name = disc
        .overlay_path
        .file_name()
        .unwrap_or_default()
        .to_string_lossy();
    let missing = match &opened {
        None => format!(
            "{name} isn't beside the reading, so there is no picture here; run endgrain count again or put it back"
        ),
        Some(Err(error)) => error.reason(),
        Some(Ok(_)) => String::new(),
    };
    Ok(html! {
        section aria-labelledby="face" {
            h2 id="face" { "The face" }
            @if let Some(Ok(picture)) = &opened {
                figure {
                    (picture::figure(picture, disc.reading, &ring_words(disc.record, shown))?)
                    figcaption {
                        "Whole lines are sure rings, dashed ones with an open dot on the line to count along doubtful; hatched wood was not read."
                    }
                }
            } @else {
                p { "No picture: " (missing) "." }
            }
        }
    })
}

fn ring_words(record: &GrowthRecord, shown: Shown) -> Vec<String> {
    record.rings.iter().map(|ring| told(ring, shown)).collect()
}

/// What the reading remarks.
pub(super) fn notes(reading: &Reading) -> Markup {
    html! {
        section aria-labelledby="notes" {
            h2 id="notes" { "Notes of the reading" }
            @if reading.notes.is_empty() {
                p { "None." }
            } @else {
                ul { @for note in &reading.notes { li { (note.text) } } }
            }
            @if reading.age.missing_centre.rings > 0 || reading.age.missing_centre.high > 0 {
                @let lost = &reading.age.missing_centre;
                p { "Rings lost with the centre: " (lost.rings) " (" (lost.low) " to " (lost.high) "), estimated and counted in the age." }
            }
        }
    }
}

/// The shape of the face.
pub(super) fn shape(disc: &Disc<'_>, shown: Shown) -> Markup {
    let Some(shape) = &disc.record.shape else {
        return html! {};
    };
    let size = |px: f64, mm: Option<f64>| shown.size(Some(px), mm);
    html! {
        section aria-labelledby="shape" {
            h2 id="shape" { "Shape of the face" }
            table {
                tbody {
                    tr { th scope="row" { "longest diameter, " (shown.sign()) } td.n { (size(shape.longest_px, shape.longest_mm)) } }
                    tr { th scope="row" { "across it, " (shown.sign()) } td.n { (size(shape.across_px, shape.across_mm)) } }
                    tr { th scope="row" { "pith off the middle, " (shown.sign()) } td.n { (size(shape.pith_off_px, shape.pith_off_mm)) } }
                    tr { th scope="row" { "eccentricity, % of the diameter" } td.n { (number(Some(shape.eccentricity_percent), 1)) } }
                    @if let Some(area) = shape.area_mm2 {
                        tr { th scope="row" { "area inside bark, " (shown.area_sign()) } td.n { (shown.area(Some(area), 1)) } }
                    }
                }
            }
            @if shape.eccentricity_percent >= 5.0 {
                p.dim { "The wood is widest towards " (number(Some(shape.wide_side_deg), 0)) "° (clockwise from the right of the photo)." }
            }
        }
    }
}

/// Both charts.
pub(super) fn growth_charts(disc: &Disc<'_>, shown: Shown) -> Result<Markup, Error> {
    let record = disc.record;
    let by = if is_dated(record) { "year" } else { "ring" };
    Ok(html! {
        section.charts aria-labelledby="widths-head" {
            h2 id="widths-head" { "Ring width by " (by) }
            @if let Some(chart) = charts::widths(record, shown) {
                figure {
                    (chart.draw()?.inline("widths", &charts::widths_in_words(record, shown), &charts::width_hits(record, shown)))
                    figcaption { "Mean width round the disc, from ring areas. Shaded: doubtful rings." }
                }
            }
        }
        section.charts aria-labelledby="sizes-head" {
            h2 id="sizes-head" { "Diameter by age" }
            @if let Some(chart) = charts::sizes(record, shown) {
                figure {
                    (chart.draw()?.inline("sizes", "Line chart of the diameter inside bark by age at the cut. The numbers are in the tables below.", &charts::size_hits(record, shown)))
                }
            }
        }
    })
}

/// How big when, how old at which size, decades, thirds.
pub(super) fn sizes(disc: &Disc<'_>, shown: Shown) -> Markup {
    let record = disc.record;
    let sign = shown.sign();
    let dated = is_dated(record);
    html! {
        div.sides.tables {
            section aria-labelledby="at-age" {
                h2 id="at-age" { "How big, how old" }
                div.pair {
                table {
                    caption { "Diameter at each age" }
                    thead { tr {
                        th.n { "age" } @if dated { th.n { "year" } }
                        th.n { "diameter, " (sign) } th.n { "share, %" }
                    } }
                    tbody { @for size in &record.sizes { tr {
                        td.n { (size.age) } @if dated { td.n { (year(size.year)) } }
                        td.n { (shown.size(Some(size.diameter_px), size.diameter_mm)) }
                        td.n { (number(Some(100.0 * size.radius_share), 0)) }
                    } } }
                }
                @if !record.ages.is_empty() { table {
                    caption { "Age at each diameter" }
                    thead { tr {
                        th.n { "diameter, " (sign) } @if shown == Shown::Px { th.n { "share, %" } }
                        th.n { "in ring" } @if dated { th.n { "year" } }
                    } }
                    tbody { @for age in &record.ages { tr {
                        td.n { (shown.size(Some(age.diameter_px), age.diameter_mm)) }
                        @if shown == Shown::Px { td.n { (number(Some(100.0 * age.radius_share), 0)) } }
                        td.n { (age.ring) } @if dated { td.n { (year(age.year)) } }
                    } } }
                } }
                }
            }
            section aria-labelledby="decades" {
                h2 id="decades" { @if dated { "Decades" } @else { "Ten rings at a time" } }
                div.scroll { table {
                    thead { tr {
                        th { @if dated { "decade" } @else { "rings" } }
                        th.n { "mean ring, " (sign) }
                        @if shown != Shown::Px { th.n { "rings per inch" } th.n { (shown.area_sign()) " a year" } }
                        th.n { "doubtful" }
                    } }
                    tbody { @for decade in &record.decades { tr {
                        th scope="row" { (decade_name(decade)) }
                        td.n { (shown.width(decade.mean_width_px, decade.mean_width_mm)) }
                        @if shown != Shown::Px {
                            td.n { (number(decade.rings_per_inch, 1)) }
                            td.n { (shown.area(decade.mean_area_mm2, 2)) }
                        }
                        td.n { (decade.doubtful) }
                    } } }
                } }
            }
        }
    }
}

/// Means by thirds of the radius.
pub(super) fn thirds(disc: &Disc<'_>, shown: Shown) -> Markup {
    let record = disc.record;
    if record.zones.is_empty() {
        return html! {};
    }
    let sign = shown.sign();
    html! {
        section aria-labelledby="thirds" {
            h2 id="thirds" { "From the pith to the edge" }
            table {
                                thead { tr {
                    th { "radius, %" } th.n { "rings" } th.n { "mean ring, " (sign) }
                    @if shown != Shown::Px { th.n { "rings per inch" } }
                } }
                tbody { @for zone in &record.zones { tr {
                    th scope="row" { (number(Some(100.0 * zone.from_share), 0)) " to " (number(Some(100.0 * zone.to_share), 0)) }
                    td.n { (number(Some(zone.rings), 1)) }
                    td.n { (shown.width(Some(zone.mean_width_px), zone.mean_width_mm)) }
                    @if shown != Shown::Px { td.n { (number(zone.rings_per_inch, 1)) } }
                } } }
            }
        }
    }
}

fn year(year: Option<i32>) -> String {
    year.map_or("–".to_owned(), |year| year.to_string())
}

fn decade_name(decade: &Decade) -> String {
    match decade.decade {
        Some(decade) => format!("{decade}s"),
        None => format!("{} to {}", decade.first_ring, decade.last_ring),
    }
}

/// Name of a ring in a list: its year, else its number.
fn name(number: u32, year: Option<i32>) -> String {
    match year {
        Some(year) => year.to_string(),
        None => format!("ring {number}"),
    }
}

fn names(record: &GrowthRecord, numbers: &[u32], shown: Shown) -> String {
    let rings = numbers.iter().filter_map(|number| record.ring(*number));
    let words: Vec<String> = rings
        .map(|ring| {
            let doubt = if ring.is_sure() { "" } else { ", doubtful" };
            format!(
                "{} ({} {}{doubt})",
                name(ring.number, ring.year),
                shown.width(ring.width_px, ring.width_mm),
                shown.sign()
            )
        })
        .collect();
    words.join(", ")
}

/// Widest and narrowest rings, spells, releases and suppressions, each with its rule.
pub(super) fn fast_and_slow(disc: &Disc<'_>, shown: Shown) -> Markup {
    let Disc { record, rules, .. } = disc;
    let percent = |value: f64| {
        let sign = if value > 0.0 { "+" } else { "" };
        format!("{sign}{} %", number(Some(value), 0))
    };
    let range = |from: (u32, Option<i32>), to: (u32, Option<i32>)| match (from.1, to.1) {
        (Some(a), Some(b)) => format!("{a} to {b}"),
        _ => format!("rings {} to {}", from.0, to.0),
    };
    html! {
        section aria-labelledby="fast" {
            h2 id="fast" { "Fast and slow years" }
            @if !record.widest.is_empty() {
                p { b { "Widest: " } (names(record, &record.widest, shown)) "." }
                p { b { "Narrowest: " } (names(record, &record.narrowest, shown)) "." }
            }
            p { b { "Spells: " }
                @if record.spells.is_empty() { "none." }
                @for (i, spell) in record.spells.iter().enumerate() {
                    @if i > 0 { "; " }
                    @if spell.is_fast { "fast " } @else { "slow " }
                    (range((spell.first_ring, spell.first_year), (spell.last_ring, spell.last_year)))
                    " (" (percent(spell.mean_departure_percent)) ")"
                }
                @if !record.spells.is_empty() { "." }
            }
            p.dim {
                "A spell is at least " (rules.spell_rings) " rings in a row on one side of their local trend (a straight line fitted to the 15 rings on either side, near ones weighing more), by "
                (number(Some(100.0 * rules.spell_departure), 0)) " % on average."
                @if let Some(chance) = record.spells_by_chance {
                    " The same rings in random order make " (number(Some(chance), 1)) " of them."
                }
            }
            p { b { "Releases and suppressions: " }
                @if record.changes.is_empty() { "none." }
                @for (i, change) in record.changes.iter().enumerate() {
                    @if i > 0 { "; " }
                    @if change.is_major { "major " }
                    @if change.is_release { "release" } @else { "suppression" }
                    " after " (name(change.ring, change.year)) " (" (percent(change.change_percent)) ")"
                }
                @if !record.changes.is_empty() { "." }
            }
            p.dim {
                "The mean of " (rules.change_years) " rings after a year against the " (rules.change_years) " up to it; told from "
                (number(Some(rules.change_percent), 0)) " %, major from " (number(Some(rules.major_percent), 0))
                " % (Nowacki and Abrams 1997). Growth also slows with age, and slow trees pass such a limit more easily than fast ones."
            }
        }
    }
}

/// What the program was asked for, in words: the band's level and whatever was stated by hand.
fn asked_for(options: &Options) -> String {
    let mut told = vec![format!("a band at {:.0} %", 100.0 * options.level)];
    if let Some((x, y)) = options.pith_px {
        told.push(format!("the pith at {x:.0}, {y:.0} px"));
    }
    if let Some(r) = options.region_px {
        told.push(format!(
            "the part {} x {} px from {}, {}",
            r.width_px, r.height_px, r.x_px, r.y_px
        ));
    }
    if let Some(wood) = options.wood {
        told.push(format!("wood: {}", wood_name(wood)));
    }
    if let Some(year) = options.last_ring {
        told.push(format!("last ring {year}"));
    }
    if let Some(felling) = &options.felling {
        told.extend(felling_asked(felling));
    }
    if options.face_is_round {
        told.push("a round face".into());
    }
    for given in &options.scale {
        // As the data has it, such as {"mm-per-px":0.1}: exact, whatever kind of statement it is.
        told.extend(serde_json::to_string(given).map(|words| format!("scale {words}")));
    }
    told.join("; ")
}

/// What was stated of the felling, a phrase each.
fn felling_asked(felling: &Felling) -> Vec<String> {
    let mut told = Vec::new();
    if let Some(felled) = &felling.felled {
        told.push(format!("felled {}", felled.text()));
    }
    if felling.hemisphere == Hemisphere::South {
        told.push("the southern hemisphere".into());
    }
    if let Some(Season { from, to }) = felling.season {
        told.push(format!(
            "growing season {:02}-{:02}..{:02}-{:02}",
            from.month, from.day, to.month, to.day
        ));
    }
    if felling.outer_rings_lost {
        told.push("outer rings lost".into());
    }
    if let Some(mm) = felling.cut_height_mm {
        told.push(format!("cut at {mm} mm"));
    }
    if let Some(pace) = felling.years_per_height {
        told.push(format!(
            "{} to {} years for {} mm of height",
            pace.least, pace.most, pace.height_mm
        ));
    }
    told
}

/// Where the numbers come from.
pub(super) fn origin(disc: &Disc<'_>) -> Markup {
    let reading = disc.reading;
    html! {
        section aria-labelledby="origin" {
            h2 id="origin" { "Where this comes from" }
            dl.origin {
                dt.dim { "Photo" } dd { (reading.subject()) ", " (reading.photo.width_px) " × " (reading.photo.height_px) " px" }
                dt.dim { "SHA-256 of the photo" } dd { code { (reading.photo.sha256) } }
                dt.dim { "Read by" } dd { (reading.program.name) " " (reading.program.version) ", " (reading.schema) }
                dt.dim { "Asked for" } dd { (reading.options.as_ref().map_or("not recorded".into(), asked_for)) }
                dt.dim { "Scale" } dd {
                    @match &reading.scale {
                        Some(scale) => { (number(Some(scale.mm_per_px), 4)) " mm a pixel (" (scale.source) ")" }
                        None => { "none: lengths are pixels and shares of the radius" }
                    }
                }
                dt.dim { "Wood" } dd { (wood_name(reading.wood.kind)) " (" (number(Some(100.0 * reading.wood.confidence), 0)) " % sure)" }
                dt.dim { "Pith" } dd { (pith_name(reading.pith.state)) }
                dt.dim { "Edge of the wood" } dd { (outline_name(reading.outline.state)) }
            }
        }
    }
}

/// The label for the stack.
pub(super) fn label(disc: &Disc<'_>, shown: Shown) -> Markup {
    let Disc {
        reading, record, ..
    } = disc;
    let (px, mm) = face_diameter(disc);
    html! {
        section aria-labelledby="label" {
            h2 id="label" { "Label for the stack" }
            div.label {
                b { (reading.subject()) }
                div {
                    (age_text(reading))
                    @if let Some((first, last)) = years(record) { ", " (first) " to " (last) }
                }
                div { "diameter " (shown.size_alone(px, mm)) ", " (wood_name(reading.wood.kind)) }
                div { small { "photo " (reading.photo.sha256.chars().take(12).collect::<String>()) } }
                div.write {
                    "Species" i {} "Board" i {} "Felled, where" i {}
                }
            }
        }
    }
}

/// The table of every ring, folded.
pub(super) fn every_ring(disc: &Disc<'_>, shown: Shown) -> Markup {
    let record = disc.record;
    let dated = is_dated(record);
    let sign = shown.sign();
    let row = |ring: &GrowthRing| {
        let diameter_mm = ring.radius_mm.map(|radius| 2.0 * radius);
        html! { tr {
            th.n scope="row" { (ring.number) } @if dated { td.n { (year(ring.year)) } }
            td.n { (shown.width(ring.width_px, ring.width_mm)) }
            td.n { (number(ring.index.map(|index| 100.0 * index), 0)) }
            td.n { (shown.size(Some(2.0 * ring.radius_px), diameter_mm)) }
            @if shown != Shown::Px { td.n { (shown.area(ring.area_mm2, 2)) } }
            td.n { (number(Some(100.0 * ring.confidence), 0)) }
        } }
    };
    html! {
        details.on-screen {
            summary { "Every ring (" (record.rings.len()) ")" }
            div.scroll { table {
                thead { tr {
                    th.n { "ring" } @if dated { th.n { "year" } }
                    th.n { "width, " (sign) } th.n { "of local trend, %" } th.n { "diameter, " (sign) }
                    @if shown != Shown::Px { th.n { "area grown, " (shown.area_sign()) } }
                    th.n { "sure, %" }
                } }
                tbody { @for ring in &record.rings { (row(ring)) } }
            } }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calendar::{Felled, YearsPerHeight};
    use crate::settings::{Region, ScaleGiven};

    #[test]
    fn a_page_tells_what_was_asked_for() {
        let options = Options {
            level: 0.8,
            pith_px: Some((1210.0, 985.0)),
            region_px: Some(Region {
                x_px: 10,
                y_px: 20,
                width_px: 300,
                height_px: 400,
            }),
            scale: vec![ScaleGiven::MmPerPx(0.1)],
            face_is_round: false,
            last_ring: Some(2023),
            felling: Some(Felling {
                felled: Felled::parse("2023-07-10").ok(),
                season: Season::parse("4-9").ok(),
                cut_height_mm: Some(300.0),
                years_per_height: YearsPerHeight::parse("3-8/10cm").ok(),
                ..Felling::default()
            }),
            wood: Some(WoodKind::Conifer),
        };
        assert_eq!(
            asked_for(&options),
            "a band at 80 %; the pith at 1210, 985 px; the part 300 x 400 px from 10, 20; \
             wood: conifer; last ring 2023; felled 2023-07-10; growing season 04-01..09-30; \
             cut at 300 mm; 3 to 8 years for 100 mm of height; scale {\"mm-per-px\":0.1}"
        );
    }
}
