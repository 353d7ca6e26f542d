//! The tables hold what the reading holds, in columns that say their unit.

mod sample;

use endgrain::notes::{Note, NoteCode};
use endgrain::reading::Reading;
use endgrain::settings::{LengthUnit, ScaleGiven, Settings};
use endgrain::tables::{
    AGES_COLUMNS, AgesWriter, SummaryRow, WidthsWriter, age_text, length_text, mean_diameter_px,
    summary, width_at_px,
};
use sample::{Disc, nothing_read};
use std::collections::HashMap;

fn disc() -> Disc {
    Disc {
        side_px: 400,
        rings: 15,
        ring_px: 10.0,
        brightness: 0.8,
    }
}

/// Rows of a CSV table, each as column name to text.
fn rows(csv: &[u8]) -> Vec<HashMap<String, String>> {
    let mut reader = csv::Reader::from_reader(csv);
    reader.deserialize().map(Result::unwrap).collect()
}

fn widths(reading: &Reading, settings: &Settings) -> Vec<HashMap<String, String>> {
    let mut table = WidthsWriter::new(Vec::new(), settings).unwrap();
    table.read("yard/log-17.jpg", reading).unwrap();
    rows(&table.finish().unwrap())
}

#[test]
fn ages_has_a_row_for_every_photo_read_or_refused() {
    let mut table = AgesWriter::new(Vec::new()).unwrap();
    table.read("yard/log-17.jpg", &disc().reading()).unwrap();
    table
        .refused(
            "yard/a, \"b\".jpg",
            "the file is empty; copy the photo again",
        )
        .unwrap();
    table.read("yard/fence.jpg", &nothing_read(300)).unwrap();
    let rows = rows(&table.finish().unwrap());
    assert_eq!(rows.len(), 3);

    let row = &rows[0];
    assert_eq!(row.len(), AGES_COLUMNS.len());
    for (column, want) in [
        ("photo", "yard/log-17.jpg"),
        ("status", "read"),
        ("reason", ""),
        ("rings", "15"),
        ("low", "14"),
        ("high", "17"),
        ("level", "0.900"),
        ("complete", "true"),
        ("missing_centre_rings", "0"),
        ("rings_drawn", "15"),
        ("rings_doubtful", "2"),
        ("first_year", "2009"),
        ("last_year", "2023"),
        ("wood", "conifer"),
        ("pith_x_px", "200.00"),
        ("pith_state", "seen"),
        ("outline_state", "wood"),
        ("mm_per_px", "0.100000"),
        ("scale_source", "given"),
        ("notes", "doubtful-rings"),
    ] {
        assert_eq!(row[column], want, "{column}");
    }
    // Two lobes of a twentieth: equivalent radius 150 * sqrt(1 + 0.05^2 / 2) = 150.0937.
    assert_eq!(row["mean_diameter_px"], "300.19");
    assert_eq!(row["mean_diameter_mm"], "30.019");

    assert_eq!(rows[1]["photo"], "yard/a, \"b\".jpg");
    assert_eq!(rows[1]["status"], "refused");
    assert_eq!(rows[1]["reason"], "the file is empty; copy the photo again");
    assert_eq!(rows[1]["rings"], "");

    // Nothing read is an empty count, not a count of nought.
    assert_eq!(rows[2]["status"], "read");
    assert_eq!(rows[2]["rings"], "");
    assert_eq!(rows[2]["mean_diameter_px"], "");
    assert_eq!(rows[2]["notes"], "no-end-grain");
}

#[test]
fn widths_are_differences_of_boundaries_and_sum_to_the_radius() {
    let disc = disc();
    let settings = Settings {
        azimuths_deg: vec![33.3],
        scale: vec![ScaleGiven::MmPerPx(0.1)],
        ..Settings::default()
    };
    let rows = widths(&disc.reading(), &settings);
    assert_eq!(rows.len(), 15);
    assert_eq!(rows[0]["ring"], "1");
    assert_eq!(rows[14]["year"], "2023");
    for (name, azimuth) in [
        ("az000.0", 0.0),
        ("az022.5", 22.5),
        ("az033.3", 33.3),
        ("az337.5", 337.5),
    ] {
        for (unit, per_px) in [("px", 1.0), ("mm", 0.1)] {
            let column = format!("width_{name}_{unit}");
            let sum: f64 = rows
                .iter()
                .map(|r| r[&column].parse::<f64>().unwrap())
                .sum();
            let radius = disc.radius(15, azimuth) * per_px;
            // Fifteen roundings to the last decimal, and straight lines between whole degrees.
            assert!(
                (sum - radius).abs() < 0.15 * per_px,
                "{column}: {sum} for {radius}"
            );
        }
    }
    let mean: f64 = rows
        .iter()
        .map(|r| r["mean_width_px"].parse::<f64>().unwrap())
        .sum();
    assert!((mean - 150.0937).abs() < 0.01, "{mean}");
}

#[test]
fn without_a_scale_there_are_no_mm_columns_and_what_is_unknown_is_empty() {
    let mut reading = disc().reading();
    reading.scale = None;
    for ring in &mut reading.rings {
        ring.year = None;
        ring.mean_width_mm = None;
    }
    reading.rings[4].radius_px[90] = None;
    let rows = widths(&reading, &Settings::default());
    assert!(
        rows[0]
            .keys()
            .all(|column| !column.contains("_mm") || column == "mean_width_mm")
    );
    assert_eq!(rows[3]["mean_width_mm"], "");
    assert_eq!(rows[3]["year"], "");
    assert_eq!(rows[3]["width_az090.0_px"], "9.50");
    // Both rings that the lost boundary bounds.
    assert_eq!(rows[4]["width_az090.0_px"], "");
    assert_eq!(rows[5]["width_az090.0_px"], "");
    assert_eq!(rows[6]["width_az090.0_px"], "9.50");
}

#[test]
fn the_first_ring_after_a_missing_centre_has_no_width_on_a_radius() {
    let mut reading = disc().reading();
    reading.rings.drain(..5);
    assert_eq!(width_at_px(&reading, 0, 45.0), None);
    assert!((width_at_px(&reading, 1, 45.0).unwrap() - 10.0).abs() < 1e-9);
    assert_eq!(
        widths(&reading, &Settings::default())[0]["width_az045.0_px"],
        ""
    );
}

#[test]
fn azimuths_that_differ_in_the_second_decimal_have_columns_of_their_own() {
    let settings = Settings {
        radii: 1,
        azimuths_deg: vec![10.01, 10.04],
        ..Settings::default()
    };
    let row = &widths(&disc().reading(), &settings)[0];
    assert!(row.contains_key("width_az010.01_px") && row.contains_key("width_az010.04_px"));
}

#[test]
fn a_full_disk_is_an_error_of_the_table() {
    #[derive(Debug)]
    struct Full;
    impl std::io::Write for Full {
        fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
            Err(std::io::ErrorKind::StorageFull.into())
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }
    let mut table = AgesWriter::new(Full).unwrap();
    table.read("log-17.jpg", &disc().reading()).unwrap();
    assert_eq!(
        table.finish().unwrap_err().kind(),
        std::io::ErrorKind::StorageFull
    );
}

#[test]
fn a_count_is_told_with_its_band_and_with_at_least_where_it_must() {
    let mut reading = disc().reading();
    assert_eq!(age_text(&reading), "15 rings, 14 to 17 at 90 %");
    reading.age.complete = false;
    reading.age.level = 0.975;
    assert_eq!(age_text(&reading), "at least 15 rings, 14 to 17 at 97.5 %");
    assert_eq!(
        age_text(&nothing_read(300)),
        "no readable end grain: no count"
    );
    let mut unclear = nothing_read(300);
    unclear.notes = vec![Note::new(NoteCode::RingsUnclear, "Rings run together.")];
    assert_eq!(age_text(&unclear), "rings can't be told apart: no count");
    // 14.5 in is 368.3 mm by the inch of 25.4 mm.
    assert_eq!(length_text(368.3, LengthUnit::In), "14.50 in (14 1/2 in)");
    assert_eq!(length_text(368.3, LengthUnit::Mm), "368.3 mm");
}

#[test]
fn the_summary_is_aligned_and_cannot_drive_a_terminal() {
    let settings = Settings {
        unit: LengthUnit::In,
        ..Settings::default()
    };
    let reading = disc().reading();
    assert!((mean_diameter_px(&reading).unwrap() - 300.187).abs() < 1e-3);
    let table = summary(&[
        SummaryRow::read("yard/log-17.jpg", &reading, &settings),
        SummaryRow::read("yard/fence.jpg", &nothing_read(300), &settings),
        SummaryRow::refused(
            "yard/\u{1b}[31mred.jpg",
            "the file is empty; copy the photo again",
        ),
    ]);
    let want = "\
photo                 rings           band  doubtful        mean diameter  mean ring  notes
yard/log-17.jpg          15  14-17 at 90 %         2  1.18 in (1 3/16 in)   0.039 in  doubtful-rings
yard/fence.jpg         none              -         -                    -          -  no-end-grain
yard/\u{fffd}[31mred.jpg  not read              -         -                    -          -  the file is empty; copy the photo again
";
    assert_eq!(table, want, "\n{table}");
}
