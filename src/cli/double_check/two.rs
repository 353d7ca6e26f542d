//! Two counts against each other: readings, hands, sheets.

use super::super::console::{Console, printable};
use super::super::{DONE, SOME_FAILED};
use super::{Args, marks_of, print_line, stem_of};
use endgrain::error::Error;
use endgrain::hand_count::checking;
use endgrain::hand_count::two_counts;
use endgrain::hand_count::two_written::{self, Seen, Side, TwoRecord};
use endgrain::hand_count::{HandCount, Mark, agreement, comparing, folder, sheet, words};
use endgrain::settings::Settings;
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
    let sides = [&first, &second].map(|disc| Side::of_reading(&disc.reading));
    let [a, b] = sides;
    let record = TwoRecord::new(a, b, two, &[]);
    tell_two(
        args,
        &record,
        &Seen::Readings(&first, &second),
        &stem_of(path),
        console,
    )
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
    let disc = match path {
        Some(path) => {
            let readings = args.readings.as_deref();
            Some(checking::open(
                path,
                args.photo.as_deref(),
                readings,
                settings,
            )?)
        }
        None => None,
    };
    let photo = disc.as_ref().map(|disc| disc.reading.photo.clone());
    let side = |who: &Option<String>, file: &Option<PathBuf>, which: &str| Side {
        name: who.clone().unwrap_or_else(|| {
            let file = file.as_deref().and_then(Path::file_name);
            file.map_or(which.into(), |name| name.to_string_lossy().into_owned())
        }),
        counted_on: None,
        photo: photo.clone(),
        read_by: None,
    };
    let mut sides = (
        side(&args.counted_by, &args.marks, "the first count"),
        side(&None, &args.against_marks, "the second count"),
    );
    sides.0.counted_on.clone_from(&args.counted_on);
    let Some(disc) = disc else {
        let two = two_counts::of_hands(&first, &second)?;
        let record = TwoRecord::new(sides.0, sides.1, two, &[]);
        let status = tell_two(args, &record, &Seen::Nothing, "two-hands", console)?;
        return Ok(if failed > 0 { SOME_FAILED } else { status });
    };
    let given = args.given(settings);
    let (a, mut left_out) = comparing::compare(&first, &disc.reading, &given);
    let (b, more) = comparing::compare(&second, &disc.reading, &given);
    left_out.extend(more);
    for fault in &left_out {
        console.say(&fault.to_string());
    }
    failed += left_out.len();
    let two = two_counts::of_placed((first.total, &a.marks), (second.total, &b.marks));
    let record = TwoRecord::new(sides.0, sides.1, two, &left_out);
    let seen = Seen::Hands {
        disc: &disc,
        first: &a.marks,
        second: &b.marks,
    };
    let name = stem_of(path.unwrap_or(Path::new("two-hands")));
    let status = tell_two(args, &record, &seen, &name, console)?;
    Ok(if failed > 0 { SOME_FAILED } else { status })
}

fn tell_two(
    args: &Args,
    record: &TwoRecord,
    seen: &Seen<'_>,
    name: &str,
    console: &mut Console,
) -> Result<u8, Error> {
    if args.json {
        print_line(console, record);
    } else if !args.quiet {
        let said: Vec<String> = record.sentences.iter().map(|s| printable(s)).collect();
        console.print(&format!("{}\n", said.join("\n")));
    }
    if let Some(out) = &args.out {
        for path in two_written::write_files(record, seen, &out.join(name))? {
            if !args.quiet {
                console.say(&format!("written: {}", path.display()));
            }
        }
    }
    Ok(if args.strict && record.parts() {
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
