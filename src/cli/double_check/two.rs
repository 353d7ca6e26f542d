//! Two counts of one disc against each other: readings, hands.

use super::super::console::{Console, printable};
use super::super::{DONE, SOME_FAILED};
use super::{Args, marks_of, print_line, stem_of};
use endgrain::error::Error;
use endgrain::hand_count::checking;
use endgrain::hand_count::two_counts::{self, TwoOutcome};
use endgrain::hand_count::two_hands::{self, OneHand};
use endgrain::hand_count::two_written::{self, Seen, Side, TwoRecord};
use endgrain::hand_count::{HandCount, Mark};
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
        counted_by: args.counted_by.clone(),
        counted_on: args.counted_on.clone(),
        marks: load(&args.marks)?,
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
    let one = |hand: HandCount, file: &Option<PathBuf>, which: &str| {
        let file = file.as_deref().and_then(Path::file_name);
        OneHand {
            hand,
            name: file.map_or(which.into(), |name| name.to_string_lossy().into_owned()),
            given: args.given(settings),
            diameter_mm: args.diameter,
        }
    };
    let two = two_hands::compare(
        &one(first, &args.marks, "the first count"),
        &one(second, &args.against_marks, "the second count"),
        disc.as_ref(),
        None,
    );
    for fault in &two.faults {
        console.say(&fault.to_string());
    }
    failed += two.faults.len();
    let name = stem_of(path.unwrap_or(Path::new("two-hands")));
    let status = tell_two(args, &two.record, &two.seen(disc.as_ref()), &name, console)?;
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
    Ok(if args.strict && record.outcome != TwoOutcome::Agree {
        SOME_FAILED
    } else {
        DONE
    })
}
