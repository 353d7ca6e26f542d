//! A folder read in parts: by hand, by GNU parallel, by Slurm. Merged, the parts are one run.
//!
//! `tests/spread.sh` is the recipe for both; the tests here run it where the engine is installed and
//! say that they skipped where it isn't.

mod pictures;
mod yards;

use std::fs;
use std::path::Path;
use std::process::Command;
use yards::{Yard, same_files};

/// Without the parts' own tables and records.
fn merged(
    files: std::collections::BTreeMap<std::path::PathBuf, Vec<u8>>,
) -> std::collections::BTreeMap<std::path::PathBuf, Vec<u8>> {
    let is_of_part = |path: &Path| path.to_string_lossy().contains(".part-");
    files
        .into_iter()
        .filter(|(path, _)| !is_of_part(path))
        .collect()
}

/// A yard with folders, bad photos and odd names in it.
fn mixed_yard() -> Yard {
    let yard = Yard::of(23, 90);
    for i in 0..7 {
        let face = pictures::end_face(110 + i, 80);
        yard.put(format!("yard/june/{i}.png"), &pictures::png(&face));
    }
    yard.put("yard/june/bad.jpg", b"no photo");
    yard.put("yard/empty.jpg", b"");
    yard.put(
        "yard/log, \"7\".png",
        &pictures::png(&pictures::end_face(80, 90)),
    );
    yard
}

fn count_part(yard: &Yard, part: &str, out: &str) -> yards::Ran {
    yard.run(&["count", "yard", "--out", out, "--part", part, "--jobs", "1"])
}

#[test]
fn parts_merged_are_one_run_byte_for_byte() {
    let yard = mixed_yard();
    yard.run(&["count", "yard", "--out", "judge"])
        .ends(1, &["2 failed"]);
    for part in ["3/4", "1/4", "4/4", "2/4"] {
        let ran = count_part(&yard, part, "out");
        assert!(matches!(ran.status, Some(0 | 1)), "{}", ran.err);
        assert!(ran.err.contains(&format!("part {part}: ")), "{}", ran.err);
    }
    yard.run(&["merge", "out", "--out", "out"])
        .ends(0, &["4 parts, 33 photos, 2 of them failed"]);
    same_files(&merged(yard.files("out")), &yard.files("judge"));
    // And as one run it is gone on with.
    let ran = yard.run(&["count", "yard", "--out", "out"]);
    ran.ends(
        1,
        &["31 photos read, 31 of them by an earlier run", "2 failed"],
    );
    same_files(&merged(yard.files("out")), &yard.files("judge"));
}

#[test]
fn parts_may_lie_in_folders_of_their_own_and_be_empty() {
    let yard = Yard::of(3, 80);
    yard.run(&["count", "yard", "--out", "judge"]).ends(0, &[]);
    // More parts than photos: some have none, and are parts all the same.
    for k in 1..=6 {
        count_part(&yard, &format!("{k}/6"), &format!("out-{k}")).ends(0, &[]);
    }
    let folders: Vec<String> = (1..=6).map(|k| format!("out-{k}")).collect();
    let mut arguments = vec!["merge", "--out", "all"];
    arguments.extend(folders.iter().map(String::as_str));
    yard.run(&arguments).ends(0, &["6 parts, 3 photos"]);
    let (all, judge) = (yard.files("all"), yard.files("judge"));
    for table in ["ages.csv", "widths.csv"] {
        assert!(all[Path::new(table)] == judge[Path::new(table)], "{table}");
    }
    // The readings lie elsewhere: no record tells of them here.
    assert_eq!(all.len(), 2);
}

#[test]
fn parts_that_make_no_whole_are_refused_with_the_part_to_run_again() {
    let yard = mixed_yard();
    let merge = ["merge", "out", "--out", "all"];
    fs::create_dir(yard.at("out")).unwrap();
    yard.run(&merge)
        .ends(1, &["out: no part of a run; name the folders"]);
    yard.run(&["merge", "gone", "--out", "all"])
        .ends(1, &["gone: can't be opened"]);

    count_part(&yard, "1/3", "out");
    count_part(&yard, "3/3", "out");
    yard.run(&merge)
        .ends(1, &["missing: part 2/3; run it, or name the folder"]);

    count_part(&yard, "2/3", "out");
    yard.run(&merge).ends(0, &["3 parts, 33 photos"]);
    count_part(&yard, "2/3", "other");
    let twice = ["merge", "out", "other", "--out", "all"];
    yard.run(&twice).ends(1, &["part 2/3 is there twice"]);
    fs::remove_dir_all(yard.at("other")).unwrap();

    count_part(&yard, "2/4", "other");
    yard.run(&twice).ends(1, &["part 2/4 among parts of 3"]);

    // Another option.
    let other = [
        "count", "yard", "--out", "out", "--part", "2/3", "--level", "0.8",
    ];
    yard.run(&other);
    yard.run(&merge).ends(
        1,
        &["part-2-of-3.jsonl: part 2/3 was made by another version or with other settings"],
    );

    // Another list of photos.
    fs::remove_file(yard.at("yard/log-004.jpg")).unwrap();
    count_part(&yard, "2/3", "out");
    yard.run(&merge)
        .ends(1, &["part 2/3 is of another list of photos than part 1/3"]);
    for part in ["1/3", "3/3"] {
        count_part(&yard, part, "out");
    }
    yard.run(&merge).ends(0, &["3 parts, 32 photos"]);

    // A table that was touched, a record that isn't whole, one of a run that was killed.
    let (ages, record) = (
        yard.at("out/ages.part-2-of-3.csv"),
        yard.at("out/run-record.part-2-of-3.jsonl"),
    );
    let good = fs::read_to_string(&ages).unwrap();
    fs::write(&ages, good.replace(",read,", ",dead,")).unwrap();
    yard.run(&merge)
        .ends(1, &["ages.part-2-of-3.csv: changed since its run ended"]);
    fs::write(&ages, &good).unwrap();
    let good = fs::read_to_string(&record).unwrap();
    let cut: Vec<&str> = good.lines().collect();
    fs::write(&record, cut[..cut.len() - 1].join("\n")).unwrap();
    yard.run(&merge)
        .ends(1, &["part 2/3 tells of", "run that part again"]);
    let ended = good.find("\"ended\":").unwrap();
    let end = ended + good[ended..].find('}').unwrap() + 1;
    fs::write(
        &record,
        format!("{}\"ended\":null{}", &good[..ended], &good[end..]),
    )
    .unwrap();
    yard.run(&merge).ends(
        1,
        &["part 2/3 has not ended; run that part again; it goes on"],
    );
    fs::write(&record, "").unwrap();
    yard.run(&merge)
        .ends(1, &["no run record that this version knows"]);
    // Nothing of all that cost the tables that were merged before.
    assert!(yard.at("all/ages.csv").exists());
    // What the sentences ask for is enough.
    count_part(&yard, "2/3", "out");
    yard.run(&merge).ends(0, &["3 parts, 32 photos"]);
}

/// Found while the record's fuzz target was written: the photos too many were subtracted from.
#[test]
fn parts_with_more_photos_than_their_list_are_refused() {
    let yard = Yard::of(3, 80);
    count_part(&yard, "1/1", "out").ends(0, &[]);
    let record = yard.at("out/run-record.part-1-of-1.jsonl");
    let whole = fs::read_to_string(&record).unwrap();
    assert!(whole.contains("\"photos\":3,"), "{whole}");
    fs::write(&record, whole.replace("\"photos\":3,", "\"photos\":2,")).unwrap();
    yard.run(&["merge", "out", "--out", "all"]).ends(
        1,
        &["part-1-of-1.jsonl: 3 photos in parts of a list of 2; run all parts again"],
    );
}

#[cfg(unix)]
#[test]
fn a_part_that_was_stopped_is_not_merged_and_goes_on() {
    let yard = Yard::of(30, 260);
    let run = yard.start(&[
        "count", "yard", "--out", "out", "--part", "1/1", "--jobs", "1",
    ]);
    yards::wait_until("a first photo", || {
        yard.at("out/log-000.rings.json").exists()
    });
    yards::signal("TERM", run.id());
    yards::Ran::of(&run.wait_with_output().unwrap()).ends(130, &[]);
    let merge = ["merge", "out", "--out", "out"];
    yard.run(&merge).ends(
        1,
        &[
            "part 1/1 was stopped with ",
            " photos not reached; run that part again",
        ],
    );
    count_part(&yard, "1/1", "out").ends(0, &["by an earlier run"]);
    yard.run(&merge).ends(0, &["1 parts, 30 photos"]);
}

#[test]
fn a_plan_tells_what_a_run_takes_and_writes_nothing() {
    let yard = mixed_yard();
    let ran = yard.run(&["count", "yard", "--out", "out", "--plan", "--jobs", "2"]);
    ran.ends(0, &[]);
    // 23 photos of 90 lines of 90 to 112, 7 of 80 of 110 to 116, one of 80 x 90.
    let pixels: u32 = (0..23).map(|i| (90 + i) * 90).sum::<u32>()
        + (0..7).map(|i| (110 + i) * 80).sum::<u32>()
        + 80 * 90;
    let first = format!(
        "photos: 31, {:.1} megapixels together, the largest 0.0\n",
        f64::from(pixels) / 1e6
    );
    assert!(ran.out.starts_with(&first), "{first}{}", ran.out);
    for words in [
        "not readable by their headers: 2",
        "time: about ",
        " with 2 jobs, from a sample of 10",
        "memory: at most 20",
        "disk: about ",
        "parts: none needed",
    ] {
        assert!(ran.out.contains(words), "{words}: {}", ran.out);
    }
    assert!(!yard.at("out").exists());
}

// ---- Engines

/// Runs `tests/spread.sh`; `None`, with a word, where the engine isn't installed.
fn spread(engine: &str) -> Option<()> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/spread.sh");
    let output = Command::new("bash")
        .arg(script)
        .args([engine, "200", "8"])
        .env("ENDGRAIN", env!("CARGO_BIN_EXE_endgrain"))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout).into_owned()
        + &String::from_utf8_lossy(&output.stderr);
    if output.status.code() == Some(77) {
        eprintln!("skipped: {}", said.trim());
        return None;
    }
    assert!(output.status.success(), "{said}");
    assert!(
        said.contains("200 photos in 8 parts: the same bytes as one run"),
        "{said}"
    );
    Some(())
}

#[test]
fn eight_parts_by_gnu_parallel_are_one_run() {
    spread("parallel");
}

#[test]
fn eight_parts_by_slurm_are_one_run() {
    spread("slurm");
}
