//! Two sheets of hand counts against each other.

use super::super::console::Console;
use super::super::{DONE, SOME_FAILED};
use super::folder::{finish, photo_of, sheet_with_marks, side_by_side, stem_below};
use super::{Args, print_line};
use endgrain::error::Error;
use endgrain::hand_count::checking::{self, Disc};
use endgrain::hand_count::comparing::Given;
use endgrain::hand_count::sheet::{Row, Sheet};
use endgrain::hand_count::two_counts::TwoOutcome;
use endgrain::hand_count::two_hands::{self, OneHand};
use endgrain::hand_count::two_sheets::{self, Couple, Entry};
use endgrain::hand_count::two_written::{self, TwoRecord};
use endgrain::reading::PhotoRecord;
use endgrain::settings::{ScaleGiven, Settings};
use std::collections::BTreeSet;
use std::path::Path;

pub(super) fn two_sheets(
    args: &Args,
    settings: &Settings,
    base: Option<&Path>,
    [first, second]: [&Path; 2],
    console: &mut Console,
) -> Result<u8, Error> {
    let (a, mut failed) = sheet_with_marks(first, args.marks.as_deref(), console)?;
    let (b, more) = sheet_with_marks(second, args.against_marks.as_deref(), console)?;
    failed += more;
    let refused = a.refused.union(&b.refused).cloned();
    let mut photos: BTreeSet<String> = refused.collect();
    let sources = vec![source("First", &a), source("Second", &b)];
    let (couples, alone) = two_sheets::couples(a, b);
    failed += alone.len();
    let work = |couple: &Couple| one_couple(args, settings, base, couple);
    let done = side_by_side(args, &couples, work)?;
    let mut entries = Vec::new();
    let mut unlike = 0;
    for (couple, result) in couples.iter().zip(done) {
        let result = match result {
            Ok((record, faults)) => {
                failed += faults.len();
                unlike += usize::from(record.outcome != TwoOutcome::Agree);
                for fault in &faults {
                    console.complain(fault);
                }
                if args.json {
                    print_line(console, &record);
                }
                Ok(record)
            }
            Err(error) => {
                failed += 1;
                console.complain(&error);
                Err(error.reason())
            }
        };
        entries.push(Entry {
            photo: couple.first.photo.clone(),
            result,
        });
    }
    for (photo, fault) in alone {
        console.say(&fault.to_string());
        entries.push(Entry {
            photo,
            result: Err(fault.reason()),
        });
    }
    photos.extend(entries.iter().map(|entry| entry.photo.clone()));
    finish(
        args,
        &two_sheets::folder(entries, sources),
        photos.len(),
        console,
    )?;
    Ok(if failed > 0 || (args.strict && unlike > 0) {
        SOME_FAILED
    } else {
        DONE
    })
}

/// Where the counts of a sheet are from: its file, and who counted.
fn source(which: &str, sheet: &Sheet) -> String {
    let who = sheet
        .rows
        .iter()
        .filter_map(|row| row.hand.counted_by.as_deref());
    let who: Vec<&str> = who.collect::<BTreeSet<_>>().into_iter().collect();
    let by = match who.as_slice() {
        [] => String::new(),
        who => format!(", counted by {}", who.join(", ")),
    };
    format!("{which} count: {}{by}", file_name(&sheet.path))
}

fn file_name(path: &Path) -> String {
    path.file_name()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned()
}

/// The photo of a couple, as far as it was looked at.
enum Looked {
    /// Read, since its marks need its rings.
    Read(Box<Disc>),
    /// Only told apart by its hash.
    Told(PhotoRecord),
}

/// Compares one photo's two counts, and writes its files. A photo that can't be had is told of, and
/// the counts are compared without it.
fn one_couple(
    args: &Args,
    settings: &Settings,
    base: Option<&Path>,
    couple: &Couple,
) -> Result<(TwoRecord, Vec<Error>), Error> {
    let mut settings = settings.clone();
    if let Some(mm) = couple.first.diameter_mm.or(couple.second.diameter_mm) {
        settings.scale = vec![ScaleGiven::DiameterMm(mm)];
    }
    let mut faults = Vec::new();
    let looked = base.and_then(|base| match look(args, &settings, base, couple) {
        Ok(looked) => Some(looked),
        Err(fault) => {
            faults.push(fault);
            None
        }
    });
    let (disc, photo) = match &looked {
        Some(Looked::Read(disc)) => (Some(&**disc), None),
        Some(Looked::Told(photo)) => (None, Some(photo)),
        None => (None, None),
    };
    let one = |row: &Row| OneHand {
        hand: row.hand.clone(),
        name: file_name(&row.origin.path),
        given: Given {
            azimuth_deg: row.azimuth_deg.or(args.azimuth),
            mm_per_px: checking::scale_given(&settings),
            last_ring: None,
        },
        diameter_mm: row.diameter_mm.or(args.diameter),
    };
    let mut two = two_hands::compare(&one(&couple.first), &one(&couple.second), disc, photo);
    let told = faults.iter().map(Error::told);
    two.record.left_out.splice(0..0, told);
    if let Some(out) = &args.out {
        let stem = stem_below(&couple.first, out);
        two_written::write_files(&two.record, &two.seen(disc), &stem)?;
    }
    faults.extend(two.faults);
    Ok((two.record, faults))
}

fn look(args: &Args, settings: &Settings, base: &Path, couple: &Couple) -> Result<Looked, Error> {
    let path = photo_of(&couple.first, base)?;
    let rows = [&couple.first, &couple.second];
    if rows.iter().all(|row| row.hand.marks.is_empty()) {
        return Ok(Looked::Told(checking::photo_record(&path, settings)?));
    }
    let disc = checking::open(&path, None, args.readings.as_deref(), settings)?;
    Ok(Looked::Read(Box::new(disc)))
}
