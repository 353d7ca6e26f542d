//! Runs that are killed, stopped, or meet a disk that gives out: started again with the same command,
//! they end with the bytes of a run that nothing happened to.

mod pictures;
mod yards;

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};
use yards::{Ran, Yard, same_files, wait_until};

const COUNT: [&str; 4] = ["count", "yard", "--out", "out"];

/// The outputs of a run that nothing happens to, in a folder of its own.
fn uninterrupted(yard: &Yard) -> std::collections::BTreeMap<std::path::PathBuf, Vec<u8>> {
    yard.run(&["count", "yard", "--out", "judge"]).ends(0, &[]);
    yard.files("judge")
}

#[test]
fn a_run_killed_fifty_times_ends_with_the_bytes_of_one_that_was_not() {
    const KILLS: usize = 50;
    let yard = Yard::of(20, 100);
    let begun = Instant::now();
    let judge = uninterrupted(&yard);
    // Kills are spread over a whole run and somewhat beyond.
    let whole_us = u64::try_from(begun.elapsed().as_micros()).unwrap();
    let mut state = 7_u64;
    let mut chance = || {
        // Knuth's MMIX generator; the constants from memory.
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        state >> 33
    };
    let (mut killed, mut ended, mut went_on) = (0, 0, 0);
    while killed < KILLS {
        let has_record = yard.at("out/run-record.jsonl").exists();
        let mut run = yard.start(&COUNT);
        std::thread::sleep(Duration::from_micros(chance() % (whole_us / 3)));
        let is_over = run.try_wait().unwrap().is_some();
        // SIGKILL: nothing is tidied up.
        let _ = run.kill();
        let output = run.wait_with_output().unwrap();
        if !is_over && output.status.code().is_none() {
            killed += 1;
            went_on += usize::from(has_record);
        } else {
            Ran::of(&output).ends(0, &["20 photos read"]);
            same_files(&yard.files("out"), &judge);
            ended += 1;
            fs::remove_dir_all(yard.at("out")).unwrap();
        }
    }
    yard.run(&COUNT).ends(0, &["20 photos read"]);
    same_files(&yard.files("out"), &judge);
    eprintln!(
        "{killed} kills, {went_on} of them in runs that went on from an earlier one; {ended} runs came to their end between"
    );
    assert!(went_on > KILLS / 4, "most kills fell into fresh runs");
}

#[cfg(target_os = "linux")]
#[test]
fn a_killed_run_leaves_no_process_behind() {
    let yard = Yard::of(40, 300);
    let mut run = yard.start(&COUNT);
    wait_until("a process that reads", || {
        !yards::children_of(run.id()).is_empty()
    });
    let readers = yards::children_of(run.id());
    run.kill().unwrap();
    run.wait().unwrap();
    wait_until("the readers' end", || {
        readers
            .iter()
            .all(|id| !Path::new(&format!("/proc/{id}")).exists())
    });
}

#[cfg(unix)]
#[test]
fn a_signal_ends_the_run_with_tables_and_a_word_on_how_to_go_on() {
    let yard = Yard::of(40, 260);
    let judge = uninterrupted(&yard);
    for name in ["INT", "TERM"] {
        let run = yard.start(&COUNT);
        wait_until("a first photo", || {
            yard.at("out/log-001.rings.json").exists()
        });
        yards::signal(name, run.id());
        let ran = Ran::of(&run.wait_with_output().unwrap());
        ran.ends(
            130,
            &[
                "stopping after the photos in work",
                "not reached; the same command goes on from here",
            ],
        );
        let ages = fs::read_to_string(yard.at("out/ages.csv")).unwrap();
        assert_eq!(ages.lines().count(), 41, "a photo is not accounted for");
        let not_reached = ages.matches(",not-reached,").count();
        let read = ages.matches(",read,").count();
        assert!(not_reached > 0 && read > 1 && read + not_reached == 40);
        assert!(
            ran.err
                .contains(&format!("{not_reached} photos not reached")),
            "{}",
            ran.err
        );
        // Stopped once more, at once: what was done stays done.
        let run = yard.start(&COUNT);
        wait_until("the signal's handler", || {
            fs::read_dir(yard.at("out")).unwrap().any(|entry| {
                let name = entry.unwrap().file_name();
                name.to_string_lossy().starts_with(".widths.csv.part-")
            })
        });
        std::thread::sleep(Duration::from_millis(20));
        yards::signal(name, run.id());
        Ran::of(&run.wait_with_output().unwrap()).ends(130, &["not reached"]);
        let ran = yard.run(&COUNT);
        ran.ends(0, &["40 photos read, ", " of them by an earlier run"]);
        let before: usize = ran
            .err
            .split("read, ")
            .nth(1)
            .unwrap()
            .split(' ')
            .next()
            .unwrap()
            .parse()
            .unwrap();
        assert!(before >= read, "{before} of {read} were kept");
        same_files(&yard.files("out"), &judge);
        fs::remove_dir_all(yard.at("out")).unwrap();
    }
}

#[test]
fn what_changed_is_read_again_and_nothing_else() {
    let yard = Yard::of(6, 120);
    yard.run(&COUNT).ends(0, &["6 photos read;"]);
    let judge = yard.files("out");
    let first = yard.run(&COUNT);
    first.ends(0, &["6 photos read, 6 of them by an earlier run"]);
    same_files(&yard.files("out"), &judge);

    // An output that is missing, one that is cut, one that is changed.
    fs::remove_file(yard.at("out/log-000.strip.jpg")).unwrap();
    fs::write(yard.at("out/log-001.overlay.jpg"), b"half").unwrap();
    let reading = fs::read_to_string(yard.at("out/log-002.rings.json")).unwrap();
    fs::write(
        yard.at("out/log-002.rings.json"),
        reading.replace("0.9", "0.8"),
    )
    .unwrap();
    yard.run(&COUNT)
        .ends(0, &["6 photos read, 3 of them by an earlier run"]);
    same_files(&yard.files("out"), &judge);

    // The photo itself, with its size and time kept.
    let (a, b) = (yard.at("yard/log-003.jpg"), yard.at("yard/log-004.jpg"));
    let (old, time) = (
        fs::read(&a).unwrap(),
        fs::metadata(&a).unwrap().modified().unwrap(),
    );
    let mut new = old.clone();
    let middle = new.len() / 2;
    new[middle] ^= 1;
    fs::write(&a, &new).unwrap();
    fs::File::options()
        .write(true)
        .open(&a)
        .unwrap()
        .set_modified(time)
        .unwrap();
    yard.run(&COUNT)
        .ends(0, &["6 photos read, 5 of them by an earlier run"]);
    fs::write(&a, &old).unwrap();
    yard.run(&COUNT)
        .ends(0, &["6 photos read, 5 of them by an earlier run"]);
    same_files(&yard.files("out"), &judge);

    // A photo more, a photo less, and back.
    let bytes = fs::read(&b).unwrap();
    fs::remove_file(&b).unwrap();
    yard.put("yard/log-000a.jpg", &bytes);
    yard.run(&COUNT)
        .ends(0, &["6 photos read, 5 of them by an earlier run"]);
    fs::write(&b, &bytes).unwrap();
    fs::remove_file(yard.at("yard/log-000a.jpg")).unwrap();
    yard.run(&COUNT)
        .ends(0, &["6 photos read, 5 of them by an earlier run"]);

    // The options, and a run that is to read all anew.
    let with_year = ["count", "yard", "--out", "out", "--last-ring", "2023"];
    yard.run(&with_year).ends(0, &["6 photos read;"]);
    yard.run(&with_year)
        .ends(0, &["6 of them by an earlier run"]);
    yard.run(&[&with_year[..], &["--again"]].concat())
        .ends(0, &["6 photos read;"]);
    // Jobs, limits and what is printed change no output.
    let other = [
        "--jobs",
        "1",
        "--json",
        "--time-limit",
        "1h",
        "--memory",
        "4GiB",
        "--strict",
    ];
    let ran = yard.run(&[&with_year[..], &other].concat());
    assert!(
        ran.err.contains("6 of them by an earlier run"),
        "{}",
        ran.err
    );
    assert_eq!(ran.out.lines().count(), 6);
}

#[test]
fn a_record_of_another_build_or_a_cut_one_is_not_believed() {
    let yard = Yard::of(4, 100);
    let first = yard.run(&COUNT);
    first.ends(0, &["4 photos read"]);
    let judge = yard.files("out");
    let record = fs::read_to_string(yard.at("out/run-record.jsonl")).unwrap();
    let build = record
        .split("\"build\":\"")
        .nth(1)
        .unwrap()
        .split('"')
        .next()
        .unwrap();
    for (changed, kept) in [
        (record.replace(build, "0123456789abcdef"), 0),
        (record.replace("\"version\":\"", "\"version\":\"0."), 0),
        (String::new(), 0),
        ("nonsense\n".to_owned(), 0),
        // The last line cut in its middle: what a kill while writing leaves.
        (record[..record.len() - 40].to_owned(), 3),
        // Zeros at its end: what a power cut may leave.
        (
            format!("{}{}", &record[..record.len() - 40], "\0".repeat(64)),
            3,
        ),
    ] {
        fs::write(yard.at("out/run-record.jsonl"), &changed).unwrap();
        let ran = yard.run(&COUNT);
        ran.ends(0, &[]);
        if kept == 0 {
            // All of it is done anew: its last words are the first run's.
            assert_eq!(ran.err.lines().last(), first.err.lines().last());
        } else {
            let words = format!("4 photos read, {kept} of them by an earlier run");
            ran.ends(0, &[&words]);
        }
        same_files(&yard.files("out"), &judge);
    }
}

#[test]
fn half_written_files_of_a_killed_run_are_removed_and_foreign_ones_left() {
    let yard = Yard::of(2, 100);
    for name in [
        ".log-000.overlay.jpg.part-99",
        ".log-001.rings.json.part-1",
        ".ages.csv.part-7",
        ".run-record.jsonl.part-8",
        // Another part's, another program's.
        ".ages.part-1-of-2.csv.part-7",
        ".log-000.overlay.jpg.part-x",
        ".other.rings.json.part-3",
    ] {
        yard.put(format!("out/{name}"), b"half");
    }
    yard.run(&COUNT).ends(0, &[]);
    let files = yard.files("out");
    let hidden: Vec<_> = files
        .keys()
        .map(|path| path.to_string_lossy().into_owned())
        .filter(|name| name.starts_with('.'))
        .collect();
    assert_eq!(
        hidden,
        [
            ".ages.part-1-of-2.csv.part-7",
            ".log-000.overlay.jpg.part-x",
            ".other.rings.json.part-3"
        ]
    );
}

#[test]
fn two_runs_dont_write_into_one_folder_at_once() {
    let yard = Yard::of(30, 260);
    let first = yard.start(&COUNT);
    wait_until("a first photo", || {
        yard.at("out/log-000.rings.json").exists()
    });
    yard.run(&COUNT).ends(2, &["another run is writing there"]);
    Ran::of(&first.wait_with_output().unwrap()).ends(0, &["30 photos read"]);
}

#[test]
fn an_output_folder_that_is_removed_is_told_and_the_next_run_makes_it_whole() {
    let yard = Yard::of(30, 260);
    let judge = uninterrupted(&yard);
    let run = yard.start(&COUNT);
    wait_until("a first photo", || {
        yard.at("out/log-000.rings.json").exists()
    });
    let _ = fs::remove_dir_all(yard.at("out"));
    let ran = Ran::of(&run.wait_with_output().unwrap());
    ran.ends(1, &["can't be written"]);
    yard.run(&COUNT).ends(0, &["30 photos read"]);
    same_files(&yard.files("out"), &judge);
}

#[test]
fn photos_that_vanish_are_told_and_the_rest_is_read() {
    let yard = Yard::of(30, 260);
    let run = yard.start(&COUNT);
    wait_until("a first photo", || {
        yard.at("out/log-000.rings.json").exists()
    });
    fs::remove_dir_all(yard.at("yard")).unwrap();
    let ran = Ran::of(&run.wait_with_output().unwrap());
    ran.ends(1, &["log-029.jpg: can't be opened", "failed"]);
    let ages = fs::read_to_string(yard.at("out/ages.csv")).unwrap();
    assert_eq!(ages.lines().count(), 31, "a photo is not accounted for");
}

/// Runs shell lines as on a machine of its own, where file systems may be mounted; `None`, with a
/// word, where that isn't allowed here.
#[cfg(target_os = "linux")]
fn with_mounts(yard: &Yard, lines: &str) -> Option<Ran> {
    let try_it = |lines: &str| {
        std::process::Command::new("unshare")
            .args(["--mount", "--map-root-user", "sh", "-c", lines])
            .current_dir(yard.0.path())
            .output()
    };
    match try_it("mkdir -p probe && mount -t tmpfs none probe") {
        Ok(probe) if probe.status.success() => Some(Ran::of(&try_it(lines).unwrap())),
        _ => {
            eprintln!("skipped: no file system may be mounted here");
            None
        }
    }
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_stops_the_run_and_with_room_it_goes_on() {
    let yard = Yard::of(12, 260);
    let judge = uninterrupted(&yard);
    let program = env!("CARGO_BIN_EXE_endgrain");
    // Room for some of the photos, then for all, on the same disk.
    let lines = format!(
        "mkdir -p out && mount -t tmpfs -o size=400k none out || exit 99
         '{program}' count yard --out out --jobs 1 2>first; echo $? >status
         ls -A out >left
         mount -o remount,size=40m out
         '{program}' count yard --out out --jobs 1 2>second; echo $? >>status
         cp -r out copy"
    );
    let Some(ran) = with_mounts(&yard, &lines) else {
        return;
    };
    assert_eq!(ran.status, Some(0), "{}", ran.err);
    let text = |name: &str| fs::read_to_string(yard.at(name)).unwrap();
    assert_eq!(
        text("status"),
        "1\n0\n",
        "{}{}",
        text("first"),
        text("second")
    );
    assert!(
        text("first").contains("can't be written; check the free space"),
        "{}",
        text("first")
    );
    assert!(!text("left").contains(".part-"), "{}", text("left"));
    assert!(
        text("second").contains("of them by an earlier run"),
        "{}",
        text("second")
    );
    same_files(&yard.files("copy"), &judge);
}

#[cfg(target_os = "linux")]
#[test]
fn a_read_only_disk_is_wrong_use_and_photos_may_lie_on_one() {
    let yard = Yard::of(3, 100);
    let judge = uninterrupted(&yard);
    let program = env!("CARGO_BIN_EXE_endgrain");
    // A disk can't be made read-only under a run that has files open on it; the system does so on
    // faults of the disk, and then writing fails as it does here.
    let lines = format!(
        "mkdir -p out locked && mount -t tmpfs -o ro none locked || exit 99
         mount --bind yard yard && mount -o remount,bind,ro yard || exit 99
         '{program}' count yard --out locked 2>first; echo $? >status
         '{program}' count yard --out out 2>second; echo $? >>status"
    );
    let Some(ran) = with_mounts(&yard, &lines) else {
        return;
    };
    assert_eq!(ran.status, Some(0), "{}", ran.err);
    let text = |name: &str| fs::read_to_string(yard.at(name)).unwrap();
    assert_eq!(text("status"), "2\n0\n");
    for words in [
        "can't be written; check the free space",
        "Read-only file system",
    ] {
        assert!(text("first").contains(words), "{}", text("first"));
    }
    same_files(&yard.files("out"), &judge);
}
