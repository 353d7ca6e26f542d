//! Files of ring-width series: worked examples, archived files, round trips, and files that are none.

mod tridas_order;

use endgrain::error::Error;
use endgrain::formats::{self, Format, Measured, Place, SeriesSet, Step, decadal, tidy, tridas};
use endgrain::series::Series;
use proptest::prelude::*;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use tridas_order::in_order;

/// The ten archived files, where they lie beside the checkout.
const SITES: [&str; 10] = [
    "arge080", "az527", "brit036", "brit053", "cana237", "indi014", "morc019", "newz002", "ny035",
    "swit302",
];

fn archive() -> Option<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/itrdb");
    if folder.is_dir() {
        return Some(folder);
    }
    eprintln!(
        "skipped: the archived files are not there ({})",
        folder.display()
    );
    None
}

fn series(name: &str, first_year: i32, widths_mm: &[f64]) -> Series {
    Series {
        name: name.into(),
        first_year,
        widths_mm: widths_mm.iter().map(|w| Some(*w)).collect(),
    }
}

fn written(format: Format, set: &SeriesSet, step: Option<Step>) -> String {
    let mut out = Vec::new();
    formats::write(&mut out, format, set, step).unwrap();
    String::from_utf8(out).unwrap()
}

fn parsed(format: Format, text: &str) -> SeriesSet {
    let path = Path::new("series");
    match format {
        Format::Decadal => decadal::parse(text.as_bytes(), path),
        Format::Tridas => tridas::parse(text.as_bytes(), path),
        Format::Tidy => tidy::parse(text.as_bytes(), path),
    }
    .unwrap_or_else(|faults| panic!("{faults:?}\n{text}"))
}

/// Facts, T-5.1.
const DEMO: [f64; 13] = [
    1.23, 0.98, 1.05, 0.0, 0.77, 1.10, 1.31, 0.64, 0.89, 1.02, 1.15, 0.93, 0.71,
];

#[test]
fn decadal_text_is_written_byte_for_byte_as_the_worked_examples() {
    let mut out = Vec::new();
    let demo = series("DEMO01A", 1967, &DEMO);
    // Facts, T-5.2, in 0.01 mm.
    let bog = series(
        "BOG0001",
        -3007,
        &[1.20, 0.85, 0.90, 1.00, 1.10, 0.95, 0.70, 0.66, 0.81],
    );
    let entry = |series, step| decadal::Entry {
        name: match step {
            Step::Thousandth => "DEMO01B",
            Step::Hundredth => "",
        },
        series,
        step,
    };
    let hundredth = |name, series| decadal::Entry {
        name,
        ..entry(series, Step::Hundredth)
    };
    // Facts, T-5.1, second part: unit 0.001, widths 1.234 0.981 1.050 0 ...
    let mut finer = DEMO;
    (finer[0], finer[1]) = (1.234, 0.981);
    let finer = series("DEMO01B", 1967, &finer);
    decadal::write(
        &mut out,
        &[],
        &[
            hundredth("DEMO01A", &demo),
            hundredth("BOG0001", &bog),
            entry(&finer, Step::Thousandth),
        ],
    )
    .unwrap();
    let want = "\
DEMO01A 1967   123    98   105
DEMO01A 1970     0    77   110   131    64    89   102   115    93    71
DEMO01A 1980   999
BOG0001-3007   120    85    90   100   110    95    70
BOG0001-3000    66    81   999
DEMO01B 1967  1234   981  1050
DEMO01B 1970     0   770  1100  1310   640   890  1020  1150   930   710
DEMO01B 1980 -9999
";
    assert_eq!(String::from_utf8(out).unwrap(), want);
    let back = parsed(Format::Decadal, want);
    assert_eq!(
        back.series.iter().map(|m| &m.series).collect::<Vec<_>>(),
        [&demo, &bog, &finer]
    );
    assert_eq!(back.series[0].step, Step::Hundredth);
    assert_eq!(back.series[2].step, Step::Thousandth);
}

/// Values of the archive's own decode of a file: series and year to width, mm.
fn decoded(site: &str, folder: &Path) -> BTreeMap<(String, i32), f64> {
    let path = folder.join(format!("{site}-archive-decoded.tsv"));
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(b'\t')
        .flexible(true)
        .from_path(path)
        .unwrap();
    // morc019's decode is in 0.001 mm (README beside the files).
    let per_mm = if site == "morc019" { 1000.0 } else { 1.0 };
    let names: Vec<String> = reader
        .headers()
        .unwrap()
        .iter()
        .map(str::to_owned)
        .collect();
    let mut out = BTreeMap::new();
    for row in reader.records() {
        let row = row.unwrap();
        let year: i32 = row[0].parse().unwrap();
        for (name, cell) in names.iter().zip(row.iter()).skip(1) {
            if !cell.is_empty() && !name.is_empty() {
                let width: f64 = cell.parse().unwrap();
                out.insert((name.trim().to_owned(), year), width / per_mm);
            }
        }
    }
    out
}

/// Facts, T-5.3: 46,039 values, one difference, a -8. The decode writes 0 also into the gap of six
/// years in newz002's CRG573, which holds no values.
#[test]
fn the_archived_files_read_value_for_value_as_the_archive_decodes_them() {
    let Some(folder) = archive() else { return };
    let (mut values, mut differences, mut in_the_gap, mut count) = (0, Vec::new(), 0, 0);
    for site in SITES {
        let (format, set) = formats::load(&folder.join(format!("{site}.rwl"))).unwrap();
        assert_eq!(format, Format::Decadal);
        assert_eq!(set.header.len(), 3, "{site}");
        count += set.series.len();
        let mut theirs = decoded(site, &folder);
        for measured in &set.series {
            let series = &measured.series;
            for (year, width) in (series.first_year..).zip(&series.widths_mm) {
                let their = theirs.remove(&(series.name.clone(), year));
                let is_gap =
                    site == "newz002" && series.name == "CRG573" && (1846..=1851).contains(&year);
                if is_gap {
                    assert_eq!((*width, their), (None, Some(0.0)));
                    in_the_gap += 1;
                    continue;
                }
                values += 1;
                let their = their.unwrap_or_else(|| panic!("{site} {} {year}", series.name));
                match width {
                    Some(width) if (width - their).abs() < 1e-9 => {}
                    _ => differences.push((site, series.name.clone(), year, *width, their)),
                }
            }
        }
        assert!(theirs.is_empty(), "{site}: not read: {theirs:?}");
    }
    assert_eq!((count, values, in_the_gap), (249, 46_039, 6));
    let known = ("newz002", "CRG455".to_owned(), 1749, None, 0.0);
    assert_eq!(differences, [known]);
}

#[test]
fn the_archived_files_have_the_units_oddities_and_sums_that_are_known_of_them() {
    let Some(folder) = archive() else { return };
    let load = |site: &str| {
        formats::load(&folder.join(format!("{site}.rwl")))
            .unwrap()
            .1
    };
    let thousandths = |set: &SeriesSet| {
        let in_step = set.series.iter().filter(|m| m.step == Step::Thousandth);
        in_step.count()
    };
    // Facts, 9: cana237 has 20 series in 0.01 and 12 in 0.001 mm; az527 begins in 1627.
    assert_eq!(thousandths(&load("cana237")), 12);
    assert_eq!(thousandths(&load("arge080")), 17);
    let az527 = load("az527");
    assert_eq!(
        az527.series.iter().map(|m| m.series.first_year).min(),
        Some(1627)
    );
    let zeros = az527.series.iter().flat_map(|m| &m.series.widths_mm);
    assert_eq!(zeros.filter(|w| **w == Some(0.0)).count(), 20);
    assert_eq!(load("newz002").remarks.len(), 1);
    // The sum of each series, computed with NumPy beside the files.
    let mut table = csv::ReaderBuilder::new()
        .delimiter(b'\t')
        .from_path(folder.join("series-check-values.tsv"))
        .unwrap();
    let mut sums = BTreeMap::new();
    for row in table.records() {
        let row = row.unwrap();
        sums.insert(
            (row[0].to_owned(), row[1].to_owned()),
            row[8].parse::<f64>().unwrap(),
        );
    }
    for site in SITES {
        for measured in load(site).series {
            let sum: f64 = measured.series.widths_mm.iter().flatten().sum();
            let want = sums[&(site.to_owned(), measured.series.name.clone())];
            assert!((sum - want).abs() < 1e-3, "{site} {}", measured.series.name);
        }
    }
}

#[test]
fn the_archived_files_come_back_from_every_format_as_they_went() {
    let Some(folder) = archive() else { return };
    for site in SITES {
        let (_, set) = formats::load(&folder.join(format!("{site}.rwl"))).unwrap();
        let set = set.trimmed();
        for format in [Format::Decadal, Format::Tridas, Format::Tidy] {
            let back = parsed(format, &written(format, &set, None)).trimmed();
            assert_eq!(back.series.len(), set.series.len(), "{site} {format:?}");
            for (back, here) in back.series.iter().zip(&set.series) {
                assert_eq!(back.series, here.series, "{site} {format:?}");
            }
            if format != Format::Tidy {
                let steps = back.series.iter().zip(&set.series);
                let others = steps.filter(|(back, here)| back.step != here.step);
                let others: Vec<&str> = others.map(|(_, m)| m.series.name.as_str()).collect();
                // CRG455's unknown 1749 stands at the end of a decade: in 0.01 mm the end mark before
                // it would read as a width.
                let is_gap = site == "newz002" && format == Format::Decadal;
                let want: &[&str] = if is_gap { &["CRG455"] } else { &[] };
                assert_eq!(others, want, "{site} {format:?}");
            }
        }
        // In 0.001 mm nothing is lost either.
        let finer = written(Format::Decadal, &set, Some(Step::Thousandth));
        let finer = parsed(Format::Decadal, &finer);
        for (back, here) in finer.series.iter().zip(&set.series) {
            for (b, h) in back.series.widths_mm.iter().zip(&here.series.widths_mm) {
                assert!(
                    (b.unwrap_or(-1.0) - h.unwrap_or(-1.0)).abs() < 1e-9,
                    "{site}"
                );
            }
        }
    }
}

/// A set of series as a program may make them: any names, gaps, zeros, years before the era.
fn any_set() -> impl Strategy<Value = SeriesSet> {
    let width = prop_oneof![
        8 => (0_u32..20_000).prop_map(Some),
        1 => Just(Some(0)),
        // What would read as an end mark.
        1 => Just(Some(999)),
        2 => Just(None),
    ];
    let name = "[A-Za-z][A-Za-z0-9 _<&\"'./-]{0,13}[A-Za-z0-9]";
    let one = (
        name,
        -4500_i32..2000,
        proptest::collection::vec(width, 1..60),
        prop::bool::ANY,
        (
            "[A-Z]{0,3}",
            "[a-z]{0,3}",
            "[0-9]{0,3}",
            prop::option::of(0_u16..360),
        ),
    );
    proptest::collection::vec(one, 1..6).prop_map(|list| {
        let mut series: Vec<Measured> = list
            .into_iter()
            .enumerate()
            .map(|(i, (name, first_year, widths, is_fine, place))| {
                let step = if is_fine {
                    Step::Thousandth
                } else {
                    Step::Hundredth
                };
                let mm = |w: u32| f64::from(w) / step.per_mm();
                Measured {
                    series: Series {
                        name: format!("{name}{i}"),
                        first_year,
                        widths_mm: widths.into_iter().map(|w| w.map(mm)).collect(),
                    },
                    is_dated: true,
                    is_in_px: false,
                    step,
                    place: Place {
                        tree: place.0,
                        specimen: place.1,
                        radius: place.2,
                        azimuth_deg: place.3.map(f64::from),
                        species: String::new(),
                    },
                }
            })
            .collect();
        // One of three is not dated.
        if series.len() > 2 {
            series[2].is_dated = false;
        }
        SeriesSet {
            series,
            ..SeriesSet::default()
        }
        .trimmed()
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_series_comes_back_from_decadal_text(set in any_set()) {
        prop_assume!(!set.series.is_empty());
        let back = parsed(Format::Decadal, &written(Format::Decadal, &set, None)).trimmed();
        prop_assert_eq!(back.series.len(), set.series.len());
        for (back, here) in back.series.iter().zip(&set.series) {
            prop_assert_eq!(back.series.first_year, here.series.first_year);
            prop_assert_eq!(back.series.widths_mm.len(), here.series.widths_mm.len());
            for (b, h) in back.series.widths_mm.iter().zip(&here.series.widths_mm) {
                prop_assert_eq!(b.is_some(), h.is_some());
                prop_assert!((b.unwrap_or(0.0) - h.unwrap_or(0.0)).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn any_series_comes_back_from_tidy_csv(set in any_set()) {
        prop_assume!(!set.series.is_empty());
        let back = parsed(Format::Tidy, &written(Format::Tidy, &set, None)).trimmed();
        prop_assert_eq!(back.series.len(), set.series.len());
        for (back, here) in back.series.iter().zip(&set.series) {
            prop_assert_eq!(&back.series, &here.series);
            prop_assert_eq!(&back.place, &here.place);
            prop_assert_eq!(back.is_dated, here.is_dated);
        }
    }

    #[test]
    fn any_series_comes_back_from_xml(set in any_set()) {
        prop_assume!(!set.series.is_empty());
        let text = written(Format::Tridas, &set, None);
        in_order(&text);
        let back = parsed(Format::Tridas, &text).trimmed();
        prop_assert_eq!(back.series, set.series);
    }

    #[test]
    fn no_text_makes_a_reader_stumble(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let path = Path::new("x");
        let _ = decadal::parse(bytes.as_slice(), path);
        let _ = tidy::parse(bytes.as_slice(), path);
        let _ = tridas::parse(bytes.as_slice(), path);
    }

    #[test]
    fn no_damaged_file_makes_a_reader_stumble(
        at in 0_usize..200, sign in any::<u8>(), cut in 0_usize..400,
    ) {
        let whole = "DEMO01A 1967   123    98   105\nDEMO01A 1970     0    77   110   131    64    89   102   115    93    71\nDEMO01A 1980   999\n";
        let set = parsed(Format::Decadal, whole);
        let path = Path::new("x");
        for format in [Format::Decadal, Format::Tridas, Format::Tidy] {
            let mut bytes = written(format, &set, None).into_bytes();
            let length = bytes.len();
            bytes[at * 7 % length] = sign;
            bytes.truncate(length.saturating_sub(cut));
            let _ = match format {
                Format::Decadal => decadal::parse(bytes.as_slice(), path),
                Format::Tridas => tridas::parse(bytes.as_slice(), path),
                Format::Tidy => tidy::parse(bytes.as_slice(), path),
            };
        }
    }
}

/// Facts, T-5.4: the smallest useful document.
const SMALLEST: &str = r#"<tridas xmlns="http://www.tridas.org/1.2.2"><project><title>Farm woodlot</title><type>dating</type>
 <laboratory><name>None</name><address/></laboratory><category normalTridas="standing trees"/><investigator>A. Owner</investigator><period>2024</period>
 <object><title>Plot 1</title><type>stand</type><element><title>Tree 7</title><taxon>Pinus sylvestris</taxon>
  <sample><title>Disc 7a</title><type>section</type><radius><title>North</title>
   <measurementSeries><title>7aN</title>
    <woodCompleteness><ringCount>3</ringCount><pith presence="complete"/><heartwood presence="unknown"/><sapwood presence="complete"/><bark presence="present"/></woodCompleteness>
    <measuringMethod normalTridas="onscreen measuring"/>
    <interpretation><firstYear suffix="AD">2021</firstYear><lastYear suffix="AD">2023</lastYear></interpretation>
    <values><variable normalTridas="ring width"/><unit normalTridas="micrometres"/>
     <value value="1230"/><value value="0"><remark normalTridas="missing ring"/></value><value value="980"/></values>
   </measurementSeries></radius></sample></element></object></project></tridas>"#;

#[test]
fn the_smallest_document_is_read_and_keeps_the_order() {
    in_order(SMALLEST);
    let set = parsed(Format::Tridas, SMALLEST);
    assert_eq!(set.title, "Farm woodlot");
    let [one] = set.series.as_slice() else {
        panic!("{set:?}")
    };
    assert_eq!(one.series, series("7aN", 2021, &[1.23, 0.0, 0.98]));
    assert_eq!((one.is_dated, one.step), (true, Step::Thousandth));
    let place = &one.place;
    assert_eq!(
        (
            place.tree.as_str(),
            place.specimen.as_str(),
            place.radius.as_str()
        ),
        ("Tree 7", "Disc 7a", "North")
    );
    assert_eq!(place.species, "Pinus sylvestris");
}

/// Facts, T-5.5: -3776 is 3777 BC, 0 is 1 BC. T-1.6: -3 to 1 are 4 BC to AD 1.
#[test]
fn years_before_the_era_are_written_bc_and_read_back() {
    let text = |first_year: i32, widths: &[f64]| {
        let set = SeriesSet {
            series: vec![Measured {
                series: series("bog", first_year, widths),
                is_dated: true,
                is_in_px: false,
                step: Step::Hundredth,
                place: Place::default(),
            }],
            ..SeriesSet::default()
        };
        let text = written(Format::Tridas, &set, None);
        assert_eq!(parsed(Format::Tridas, &text).series, set.series);
        text
    };
    assert!(text(-3776, &[1.0]).contains(r#"<firstYear suffix="BC">3777</firstYear>"#));
    let turn = text(-3, &[1.0; 5]);
    assert!(
        turn.contains(r#"<firstYear suffix="BC">4</firstYear>"#),
        "{turn}"
    );
    assert!(turn.contains(r#"<lastYear suffix="AD">1</lastYear>"#));
    assert!(text(0, &[1.0]).contains(r#"<firstYear suffix="BC">1</firstYear>"#));
}

#[test]
fn xml_from_elsewhere_is_read_in_its_units_and_years() {
    let other = SMALLEST
        .replace(r#"<unit normalTridas="micrometres"/>"#, "<unit>mm</unit>")
        .replace(r#"<firstYear suffix="AD">2021</firstYear>"#, "")
        .replace(
            r#"<lastYear suffix="AD">2023"#,
            r#"<lastYear suffix="BP">50"#,
        )
        .replace(r#"value="1230""#, r#"value="1.23""#)
        .replace(r#"value="980""#, r#"value="0.98""#)
        .replace("Tree 7", "Tree &lt;7&#62; &amp; <![CDATA[<b>]]>");
    let set = parsed(Format::Tridas, &other);
    // 50 BP is 1900.
    assert_eq!(
        set.series[0].series,
        series("7aN", 1898, &[1.23, 0.0, 0.98])
    );
    assert_eq!(set.series[0].place.tree, "Tree <7> & <b>");
    let density = SMALLEST.replace("ring width", "latewood density");
    let told = tridas::parse(density.as_bytes(), Path::new("d.xml")).unwrap_err();
    assert!(
        told[0].to_string().contains("no measured ring widths"),
        "{told:?}"
    );
}

#[test]
fn what_is_no_document_is_told_with_its_line() {
    for (from, to, words) in [
        ("</element>", "", "line 11: no well-formed XML"),
        ("980", "98o", r#"line 10: "98o" for a width"#),
        ("980", "-980", r#"line 10: "-980" for a width"#),
        (
            r#""AD">2021"#,
            r#""AD">2020"#,
            "3 values for the years 2020 to 2023",
        ),
        (
            r#""AD">2021"#,
            r#""AH">2021"#,
            r#"line 8: "2021" AH for a year"#,
        ),
        ("Tree 7", "&tree;", "line 3: &tree;, an entity"),
        ("tridas", "table", "line 1: the document is a <table>"),
    ] {
        let bad = SMALLEST.replace(from, to);
        let faults = tridas::parse(bad.as_bytes(), Path::new("d.xml")).unwrap_err();
        let told = faults[0].to_string();
        assert!(told.contains(words), "{told}");
    }
    let cut = SMALLEST.split_inclusive("</values>").next().unwrap();
    let faults = tridas::parse(cut.as_bytes(), Path::new("d.xml")).unwrap_err();
    let told = faults.last().unwrap().to_string();
    assert!(told.contains("the document ends inside"), "{told}");
}

/// A width that reads as an end mark, wherever it stands; gaps that would hide an end mark.
#[test]
fn a_width_is_never_written_so_that_it_reads_as_an_end() {
    let cases: [(i32, Vec<Option<f64>>); 6] = [
        (1900, vec![Some(9.99); 25]),
        (1905, vec![Some(1.0), Some(9.99)]),
        (
            1900,
            [vec![Some(1.0); 9], vec![Some(9.99)], vec![Some(1.0); 3]].concat(),
        ),
        // The gap is one year, the last of a decade.
        (
            1900,
            [vec![Some(1.0); 9], vec![None], vec![Some(1.0); 3]].concat(),
        ),
        (
            -1005,
            [vec![Some(0.999); 4], vec![None; 8], vec![Some(0.999); 30]].concat(),
        ),
        (-3, vec![Some(0.0), None, Some(9.99), None, Some(0.5)]),
    ];
    for step in [Step::Hundredth, Step::Thousandth] {
        for (first_year, widths_mm) in &cases {
            let one = Series {
                name: "A".into(),
                first_year: *first_year,
                widths_mm: widths_mm.clone(),
            };
            let follower = series("B", 1990, &[1.0, 2.0]);
            let entries = [("A", &one), ("B", &follower)].map(|(name, series)| decadal::Entry {
                name,
                series,
                step,
            });
            let mut out = Vec::new();
            decadal::write(&mut out, &[], &entries).unwrap();
            let text = String::from_utf8(out).unwrap();
            let back = parsed(Format::Decadal, &text);
            assert_eq!(back.series.len(), 2, "{text}");
            assert_eq!(back.series[0].series.first_year, one.first_year);
            let places = back.series[0].series.widths_mm.iter().zip(widths_mm);
            for (b, w) in places {
                let near = (b.unwrap_or(-1.0) - w.unwrap_or(-1.0)).abs();
                assert!(near <= 0.5 / step.per_mm() + 1e-9, "{text}");
            }
            assert_eq!(back.series[1].series, follower);
        }
    }
}

#[test]
fn headers_are_written_in_their_columns_and_read_as_headers() {
    let header = decadal::header(
        "QBK",
        "Quillbrook yard, north stack",
        "Scots pine",
        "Nowhere",
        "A. Sawyer",
        Some((1936, 2023)),
    );
    // Facts, 5.1: columns 1-6 site, 8 line number, 10- name; 10-22 country, 23-40 species, 68-71 and
    // 73-76 first and last year.
    assert_eq!(&header[0][..37], "QBK    1 Quillbrook yard, north stack");
    assert_eq!(&header[1][..32], "QBK    2 Nowhere      Scots pine");
    assert_eq!(&header[1][67..76], "1936 2023");
    let text = format!("{}\nDEMO01A 1967   123   999\n", header.join("\n"));
    let set = parsed(Format::Decadal, &text);
    assert_eq!(set.header, header);
    assert_eq!(set.title, "Quillbrook yard, north stack");
    assert_eq!(set.series[0].series, series("DEMO01A", 1967, &[1.23]));
}

#[test]
fn line_ends_padding_and_site_names_make_no_difference() {
    let plain = "DEMO01A 1967   123    98   105\nDEMO01A 1970   110   120   130   140   150   160   170   180   190   200\nDEMO01A 1980   999\n";
    let want = parsed(Format::Decadal, plain).series;
    for text in [
        plain.replace('\n', "\r\n"),
        plain.replace('\n', "\r\r\n"),
        plain.replace('\n', "          \n"),
        plain.replace("   200\n", "   200 SITE1\n"),
        // The end mark behind ten widths.
        plain.replace("   200\nDEMO01A 1980   999\n", "   200   999\n"),
        format!("\u{feff}{plain}\n\n\u{1a}"),
    ] {
        assert_eq!(parsed(Format::Decadal, &text).series, want, "{text}");
    }
}

#[test]
fn names_of_eight_columns_are_all_different_and_kept_where_they_fit() {
    let wanted = [
        "QB-0011/az000",
        "QB-0012/az000",
        "BPW01",
        "BPW01",
        "ABCDEFG-",
        "\u{fc}",
    ];
    let names = decadal::names(&wanted, &[1900; 6]);
    let want = ["11az000", "12az000", "BPW01", "BPW011", "ABCDEFG", "1"];
    assert_eq!(names, want);
    let old = decadal::names(&["C3N2_0201", "C3N2_02"], &[-3694, -3694]);
    assert_eq!(old[1], "C3N2_02");
    assert!(old[0].len() <= 7 && old[0] != old[1]);
}

#[test]
fn files_on_disk_are_told_by_content_and_missing_ones_by_name() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str, text: &str| {
        let path = folder.path().join(name);
        fs::write(&path, text).unwrap();
        path
    };
    let format = |path: &Path| formats::load(path).unwrap().0;
    assert_eq!(
        format(&at("a.txt", "A1      1960    12   999\n")),
        Format::Decadal
    );
    assert_eq!(format(&at("b.txt", SMALLEST)), Format::Tridas);
    assert_eq!(
        format(&at("c.txt", "series,year,width_mm\nA,1,1\n")),
        Format::Tidy
    );
    let gone = formats::load(&folder.path().join("gone")).unwrap_err();
    assert!(gone[0].to_string().contains("can't be opened"));
    let empty = formats::load(&at("d", "")).unwrap_err();
    assert!(matches!(empty[0], Error::Empty { .. }));
}
