//! Two counts against each other: readings, hands, sheets.

use super::super::console::{Console, printable};
use super::super::{DONE, SOME_FAILED};
use super::{Args, marks_of, print_line, stem_of};
use endgrain::error::Error;
use endgrain::hand_count::checking;
use endgrain::hand_count::two_counts::{self, TwoCounts};
use endgrain::hand_count::{HandCount, Mark, agreement, comparing, folder, sheet, words};
use endgrain::settings::Settings;
use serde::Serialize;
use std::path::{Path, PathBuf};

pub(super) fn two_readings(
    args: &Args,
    settings: &Settings,
    path: &Path,
    other: &Path,
    console: &mut Console,
) -> Result<u8, Error> {
    let readings = args.readings.as_deref();
    let first = checking::open(path, args.photo.as_deref(), readings, settings)?;
    let second = checking::open(other, None, readings, settings)?;
    let two = two_counts::of_readings(&first.reading, &second.reading, args.mark_every)?;
    tell_two(args, &two, &stem_of(path), console)
}

pub(super) fn two_hands(
    args: &Args,
    settings: &Settings,
    path: Option<&Path>,
    console: &mut Console,
) -> Result<u8, Error> {
    let mut failed = 0;
    let mut load = |file: &Option<PathBuf>| -> Result<Vec<Mark>, Error> {
        let Some(file) = file else {
            return Ok(Vec::new());
        };
        let (rows, faults) = marks_of(file, console)?;
        failed += faults;
        Ok(rows.into_iter().map(|row| row.mark).collect())
    };
    let mut first = HandCount {
        total: args.total,
        marks: load(&args.marks)?,
        ..HandCount::default()
    };
    first.marks.extend(args.mark.iter().cloned());
    let second = HandCount {
        total: args.against_total,
        marks: load(&args.against_marks)?,
        ..HandCount::default()
    };
    let (two, name) = match path {
        Some(path) => {
            let readings = args.readings.as_deref();
            let disc = checking::open(path, args.photo.as_deref(), readings, settings)?;
            let given = args.given(settings);
            let mut placed = |hand: &HandCount| {
                let (comparison, faults) = comparing::compare(hand, &disc.reading, &given);
                for fault in &faults {
                    console.say(&fault.to_string());
                }
                failed += faults.len();
                comparison.marks
            };
            let (a, b) = (placed(&first), placed(&second));
            (
                two_counts::of_placed((first.total, &a), (second.total, &b)),
                stem_of(path),
            )
        }
        None => (two_counts::of_hands(&first, &second)?, "two-hands".into()),
    };
    let status = tell_two(args, &two, &name, console)?;
    Ok(if failed > 0 { SOME_FAILED } else { status })
}

/// Two counts as they are printed and written, `endgrain.two-counts/1`.
#[derive(Serialize)]
struct TwoRecord<'a> {
    schema: &'static str,
    sentences: Vec<String>,
    #[serde(flatten)]
    two: &'a TwoCounts,
}

fn tell_two(args: &Args, two: &TwoCounts, name: &str, console: &mut Console) -> Result<u8, Error> {
    let record = TwoRecord {
        schema: "endgrain.two-counts/1",
        sentences: two_counts::sentences(two),
        two,
    };
    if args.json {
        print_line(console, &record);
    } else if !args.quiet {
        console.print(&format!("{}\n", record.sentences.join("\n")));
    }
    if let Some(out) = &args.out {
        let path = out.join(format!("{name}.two-counts.json"));
        let json = serde_json::to_vec(&record).map_err(|refused| Error::Fault {
            path: path.clone(),
            what: refused.to_string(),
        })?;
        checking::put(&path, &json)?;
    }
    let parts = two.first_total != two.second_total || two.stretches.iter().any(|s| s.parts());
    Ok(if args.strict && parts {
        SOME_FAILED
    } else {
        DONE
    })
}

pub(super) fn two_sheets(
    args: &Args,
    first: &Path,
    second: &Path,
    console: &mut Console,
) -> Result<u8, Error> {
    let (a, b) = (sheet::load(first)?, sheet::load(second)?);
    let mut failed = a.faults.len() + b.faults.len();
    for fault in a.faults.iter().chain(&b.faults) {
        console.say(&fault.to_string());
    }
    let mut pairs = Vec::new();
    let mut rows = Vec::new();
    for row in &a.rows {
        let Some(other) = b.rows.iter().find(|other| other.photo == row.photo) else {
            let fault = row.origin.fault(
                format!("{} isn't in {}", row.photo, second.display()),
                "name photos alike in both sheets",
            );
            console.say(&fault.to_string());
            failed += 1;
            continue;
        };
        if let (Some(hand), Some(reading)) = (row.hand.total, other.hand.total) {
            pairs.push(agreement::Pair {
                hand: f64::from(hand),
                reading: f64::from(reading),
            });
            rows.push((row.photo.clone(), hand, reading));
        }
    }
    for row in &b.rows {
        if !a.rows.iter().any(|other| other.photo == row.photo) {
            let fault = row.origin.fault(
                format!("{} isn't in {}", row.photo, first.display()),
                "name photos alike in both sheets",
            );
            console.say(&fault.to_string());
            failed += 1;
        }
    }
    let Some(agreement) = agreement::of(&pairs) else {
        console.say("no photo has a total in both sheets");
        return Ok(SOME_FAILED);
    };
    rows.sort_by(|x, y| {
        y.1.abs_diff(y.2)
            .cmp(&x.1.abs_diff(x.2))
            .then(x.0.cmp(&y.0))
    });
    let mut table = vec![
        ["photo", "first", "second", "difference"]
            .map(str::to_owned)
            .to_vec(),
    ];
    table.extend(rows.iter().map(|(photo, x, y)| {
        let off = i64::from(*x) - i64::from(*y);
        vec![
            printable(photo),
            x.to_string(),
            y.to_string(),
            off.to_string(),
        ]
    }));
    if !args.quiet {
        let mut text = words::aligned(&table);
        for said in agreement.words() {
            text.push_str(&format!("{said}\n"));
        }
        console.print(&text);
    }
    if let Some(out) = &args.out {
        let svg = agreement::plot(&pairs, &agreement, ("first count", "second count"))?;
        checking::put(&out.join(folder::PLOT), svg.as_bytes())?;
    }
    let parts = rows.iter().any(|(_, x, y)| x != y);
    Ok(if failed > 0 || (args.strict && parts) {
        SOME_FAILED
    } else {
        DONE
    })
}
