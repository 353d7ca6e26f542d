//! Photos, files and names that no run may fall over: each costs itself and nothing else.

mod pictures;
mod yards;

use endgrain::batch::{Answer, Processes, Reader};
use endgrain::demo::{self, Order, Suite};
use endgrain::error::Error;
use endgrain::settings::Settings;
use pictures::{end_face, jpeg, png};
use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use yards::{Ran, Yard, wait_until};

const COUNT: [&str; 4] = ["count", "yard", "--out", "out"];

/// Reading processes that are the program's own.
fn readers() -> Processes {
    processes(env!("CARGO_BIN_EXE_endgrain"), &["reading-process"])
}

fn processes(program: &str, arguments: &[&str]) -> Processes {
    let arguments: Vec<OsString> = arguments.iter().map(OsString::from).collect();
    Processes::new(program.into(), arguments, &Settings::default()).unwrap()
}

/// A small photo, and one of 27 megapixels of which reading takes a while.
fn small_and_large(yard: &Yard) -> [PathBuf; 2] {
    yard.put("small.png", &png(&end_face(100, 100)));
    yard.put("large.jpg", &jpeg(&end_face(6000, 4500), 90, None));
    [yard.at("small.png"), yard.at("large.jpg")]
}

#[track_caller]
fn reads(reader: &dyn Reader, photo: &Path) {
    let answer = reader.read(photo, None).unwrap();
    assert!(matches!(answer, Answer::Finished(_)));
}

// ---- A process that is lost costs its photo

#[test]
fn a_photo_that_takes_too_long_is_given_up_and_the_next_is_read() {
    let yard = Yard::new();
    let [small, large] = small_and_large(&yard);
    let readers = readers().time_limit(Some(Duration::from_millis(250)));
    let begun = Instant::now();
    let refused = readers.read(&large, None).unwrap_err();
    assert!(begun.elapsed() < Duration::from_secs(5));
    assert!(matches!(refused, Error::TooSlow { .. }), "{refused}");
    assert!(
        refused.to_string().ends_with(
            "large.jpg: not read within 0.25 s; raise --time-limit or save the photo smaller"
        ),
        "{refused}"
    );
    // The limit is tight for a busy machine: the small one gets some tries.
    assert!((0..20).any(|_| readers.read(&small, None).is_ok()));
}

#[cfg(target_os = "linux")]
#[test]
fn a_photo_that_eats_memory_is_refused_it_and_the_next_is_read() {
    let yard = Yard::new();
    let [small, large] = small_and_large(&yard);
    let readers = readers().guard(60 << 20);
    reads(&readers, &small);
    let refused = readers.read(&large, None).unwrap_err();
    let Error::Lost { what, .. } = &refused else {
        panic!("{refused}")
    };
    assert!(
        what.contains("signal 6") && what.contains("memory allocation of"),
        "{what}"
    );
    reads(&readers, &small);
    // Without a guard so low it is read.
    reads(&self::readers(), &large);
}

#[cfg(unix)]
#[test]
fn a_process_that_crashes_hangs_or_talks_nonsense_costs_its_photo() {
    let photo = Path::new("log-7.jpg");
    for (line, words) in [
        ("kill -SEGV $$", "ended by signal 11"),
        (
            "kill -KILL $$",
            "ended by signal 9, by the system where memory is short",
        ),
        (
            "cat >/dev/null & echo no stack left >&2; exit 3",
            "exit status: 3: no stack left",
        ),
        (
            "printf '\\377\\377\\377\\377\\377\\377\\377\\377'; sleep 9",
            "it closed its end",
        ),
    ] {
        let reader = processes("sh", &["-c", &format!("head -c 1 >/dev/null; {line}")]);
        let refused = reader.read(photo, None).unwrap_err().to_string();
        assert!(refused.starts_with("log-7.jpg: "), "{refused}");
        assert!(refused.contains(words), "{line}: {refused}");
    }
    let stuck = processes("sh", &["-c", "sleep 600"]).time_limit(Some(Duration::from_millis(50)));
    let refused = stuck.read(photo, None).unwrap_err();
    assert!(matches!(refused, Error::TooSlow { .. }), "{refused}");
    let none = processes("no-such-program", &[])
        .read(photo, None)
        .unwrap_err();
    assert!(
        none.to_string()
            .contains("no process to read it could be started"),
        "{none}"
    );
}

#[cfg(target_os = "linux")]
#[test]
fn a_run_outlives_readers_that_hang_and_readers_that_are_killed() {
    for (name, words) in [
        ("STOP", "not read within 2 s"),
        (
            "KILL",
            "the process that read it was lost (ended by signal 9",
        ),
    ] {
        let yard = Yard::of(12, 200);
        yard.put("yard/a-large.jpg", &jpeg(&end_face(4000, 3000), 90, None));
        let mut arguments = COUNT.to_vec();
        arguments.extend(["--jobs", "1", "--time-limit", "2s"]);
        let run = yard.start(&arguments);
        wait_until("a process that reads", || {
            !yards::children_of(run.id()).is_empty()
        });
        // It has the first photo, which takes a while.
        std::thread::sleep(Duration::from_millis(20));
        yards::signal(name, yards::children_of(run.id())[0]);
        let ran = Ran::of(&run.wait_with_output().unwrap());
        ran.ends(
            1,
            &["yard/a-large.jpg: ", words, "12 photos read, ", "1 failed"],
        );
        // Next time it is tried again.
        let again = yard.run(&COUNT);
        again.ends(0, &["13 photos read, 12 of them by an earlier run"]);
    }
}

#[test]
fn the_budget_refuses_what_can_never_fit_and_lets_the_others_wait() {
    let yard = Yard::of(8, 200);
    yard.put("yard/large.jpg", &jpeg(&end_face(4000, 3000), 90, None));
    let mut arguments = COUNT.to_vec();
    // Of small ones two fit: 100 MB and a little each.
    arguments.extend(["--memory", "250MB", "--jobs", "4"]);
    let ran = yard.run(&arguments);
    ran.ends(
        1,
        &[
            "large.jpg: needs about ",
            " MiB of memory, --memory allows 238 MiB; raise it",
            "8 photos read",
        ],
    );
    yard.run(&["count", "yard", "--out", "out", "--memory", "1GB"])
        .ends(0, &["9 photos read"]);
}

/// The most memory that a process and those it started have had, bytes, summed over the processes.
#[cfg(target_os = "linux")]
fn peak_bytes(process: u32) -> u64 {
    let status = fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmHWM:"));
    let kib: u64 = line.map_or(0, |line| {
        line.split_whitespace().nth(1).unwrap().parse().unwrap()
    });
    kib * 1024
}

/// Runs the command on the yard with one worker; gives what the program and its worker took at most,
/// bytes, and holds both together against the budget of a photo of so many pixels.
#[cfg(target_os = "linux")]
#[track_caller]
fn stays_within_the_budget(yard: &Yard, largest_px: u64) {
    let mut run = yard.start(&["count", "yard", "--out", "out", "--jobs", "1"]);
    let (mut own, mut worker) = (0, 0);
    let status = loop {
        own = peak_bytes(run.id()).max(own);
        for child in yards::children_of(run.id()) {
            worker = peak_bytes(child).max(worker);
        }
        if let Some(status) = run.try_wait().unwrap() {
            break status;
        }
        std::thread::sleep(Duration::from_millis(1));
    };
    assert!(status.success(), "{status}");
    let bound = largest_px * endgrain::batch::PIXEL_BYTES + endgrain::batch::BASE_BYTES;
    eprintln!(
        "{:.1} megapixels: the program {} MB, its worker {} MB ({:.1} bytes a pixel), together at most {} MB",
        largest_px as f64 / 1e6,
        own / 1_000_000,
        worker / 1_000_000,
        worker as f64 / largest_px as f64,
        bound / 1_000_000
    );
    assert!(
        worker > 0 && own + worker < bound,
        "{own} and {worker} bytes of {bound}"
    );
}

#[cfg(target_os = "linux")]
#[test]
fn a_worker_stays_within_thirty_bytes_a_pixel_and_a_hundred_megabytes() {
    // What the budget reckons with is what is promised.
    assert_eq!(endgrain::batch::PIXEL_BYTES, 30);
    assert_eq!(endgrain::batch::BASE_BYTES, 100_000_000);
    for megapixels in [0.3, 12.0] {
        let yard = Yard::new();
        let order = Order {
            count: 3,
            seed: 5,
            suites: vec![Suite::CleanConifer, Suite::Checks, Suite::CleanRingPorous],
            megapixels: Some(megapixels),
        };
        demo::write(&yard.at("yard"), &order, |_| {}).unwrap();
        stays_within_the_budget(&yard, (megapixels * 1e6) as u64);
    }
}

/// 8000 x 6000 pixels. The disc is drawn at a quarter of the width and enlarged: drawing it in full
/// would take longer than reading it, and memory goes by the pixels, not by what they show.
#[cfg(target_os = "linux")]
#[test]
fn a_photo_of_forty_eight_megapixels_stays_within_the_same_bounds() {
    use image::imageops::{FilterType, resize};
    const SIDES_PX: (u32, u32) = (8000, 6000);
    let plan = demo::plan(Suite::CleanConifer, 5, 0).at_megapixels(3.0);
    let small = demo::render(&plan).pixels;
    let large = resize(&small, SIDES_PX.0, SIDES_PX.1, FilterType::Triangle);
    let yard = Yard::new();
    yard.put("yard/large.jpg", &jpeg(&large, 90, None));
    drop(large);
    stays_within_the_budget(&yard, u64::from(SIDES_PX.0) * u64::from(SIDES_PX.1));
    // It was read, not given up.
    let ages = fs::read_to_string(yard.at("out/ages.csv")).unwrap();
    assert!(ages.contains("yard/large.jpg,read,"), "{ages}");
}

// ---- Files

#[test]
fn a_photo_that_is_still_being_copied_is_told_as_such_and_read_the_next_time() {
    let yard = Yard::new();
    let bytes = jpeg(&end_face(300, 300), 90, None);
    yard.put("yard/done.jpg", &bytes);
    yard.put("yard/copied.jpg", &bytes[..bytes.len() / 4]);
    let path = yard.at("yard/copied.jpg");
    let over = std::sync::atomic::AtomicBool::new(false);
    let ran = std::thread::scope(|scope| {
        scope.spawn(|| {
            use std::io::Write as _;
            let mut file = fs::File::options().append(true).open(&path).unwrap();
            // Slowly, and never to its end while the run is on.
            let rest = &bytes[bytes.len() / 4..bytes.len() - 1];
            for byte in rest {
                if over.load(std::sync::atomic::Ordering::Relaxed) {
                    break;
                }
                file.write_all(&[*byte]).unwrap();
                std::thread::sleep(Duration::from_millis(10));
            }
        });
        let ran = yard.run(&COUNT);
        over.store(true, std::sync::atomic::Ordering::Relaxed);
        ran
    });
    ran.ends(
        1,
        &[
            "copied.jpg: the file is still being written; run the same command again",
            "1 photo read",
        ],
    );
    fs::write(&path, &bytes).unwrap();
    yard.run(&COUNT)
        .ends(0, &["2 photos read, 1 of them by an earlier run"]);
}

#[cfg(unix)]
#[test]
fn a_pipe_is_refused_and_not_waited_for() {
    let yard = Yard::of(1, 100);
    let made = std::process::Command::new("mkfifo")
        .arg(yard.at("pipe.jpg"))
        .status();
    assert!(made.unwrap().success());
    let ran = yard.run(&[
        "count",
        "pipe.jpg",
        "yard",
        "--out",
        "out",
        "--time-limit",
        "20s",
    ]);
    ran.ends(
        1,
        &[
            "pipe.jpg: a pipe, not a file; save the photo to a file first",
            "1 photo read",
        ],
    );
}

#[test]
fn a_file_longer_than_any_photo_is_refused_without_being_read_whole() {
    let yard = Yard::of(1, 100);
    yard.put("yard/film.jpg", &jpeg(&end_face(100, 100), 90, None));
    // A hole of 3 GB behind the photo takes no room on the disk.
    let file = fs::File::options()
        .write(true)
        .open(yard.at("yard/film.jpg"))
        .unwrap();
    if file.set_len(3_000_000_000).is_err() {
        eprintln!("skipped: no long file can be made here");
        return;
    }
    let ran = yard.run(&[&COUNT[..], &["--max-megapixels", "2"]].concat());
    ran.ends(
        1,
        &[
            "film.jpg: a file longer than a picture of 2 megapixels can be",
            "1 photo read",
        ],
    );
}

#[test]
fn names_in_any_script_and_with_newlines_get_their_files() {
    let yard = Yard::new();
    let face = png(&end_face(90, 90));
    let names = [
        "yard/Fichtenstück Größe 7.png",
        "yard/年輪 写真.png",
        "yard/جذع.png",
        "yard/पेड़/अंत.png",
        "yard/\u{1F332}.png",
        "yard/ leading and trailing .png",
        "yard/quote\"comma,.png",
        "yard/-o.png",
        #[cfg(unix)]
        "yard/two\nlines.png",
        #[cfg(unix)]
        "yard/back\\slash\tand tab.png",
    ];
    for name in names {
        yard.put(name, &face);
    }
    #[cfg(target_os = "linux")]
    {
        use std::os::unix::ffi::OsStrExt;
        // No UTF-8 at all: a name from an old disk.
        let old = std::ffi::OsStr::from_bytes(b"yard/b\xFBche.png");
        yard.put(old, &face);
    }
    let count = names.len() + usize::from(cfg!(target_os = "linux"));
    let ran = yard.run(&COUNT);
    ran.ends(0, &[&format!("{count} photos read")]);
    for name in names {
        let below = name
            .strip_prefix("yard/")
            .unwrap()
            .strip_suffix(".png")
            .unwrap();
        assert!(
            yard.at(format!("out/{below}.rings.json")).exists(),
            "{name:?}"
        );
    }
    // Every row is one photo, newlines or not.
    let mut ages = csv::Reader::from_path(yard.at("out/ages.csv")).unwrap();
    assert_eq!(ages.records().map(Result::unwrap).count(), count);
    yard.run(&COUNT).ends(
        0,
        &[&format!(
            "{count} photos read, {count} of them by an earlier run"
        )],
    );
}

#[cfg(unix)]
#[test]
fn links_in_circles_dont_hold_a_run_up() {
    use std::os::unix::fs::symlink;
    let yard = Yard::of(2, 100);
    symlink(".", yard.at("yard/self")).unwrap();
    symlink("..", yard.at("yard/up")).unwrap();
    symlink("b.jpg", yard.at("yard/a.jpg")).unwrap();
    symlink("a.jpg", yard.at("yard/b.jpg")).unwrap();
    yard.run(&COUNT).ends(
        1,
        &[
            "yard/self: passed over: a link back to",
            "yard/a.jpg: can't be opened",
            "2 photos read",
        ],
    );
}

#[test]
fn a_hundred_thousand_files_in_one_folder_are_all_accounted_for() {
    const FILES: usize = 100_000;
    let yard = Yard::of(2, 100);
    for i in 0..FILES {
        fs::write(yard.at(format!("yard/x{i:06}.jpg")), b"no photo").unwrap();
    }
    let begun = Instant::now();
    let ran = yard.run(&[&COUNT[..], &["--quiet"]].concat());
    eprintln!("{FILES} files: {:.1} s", begun.elapsed().as_secs_f64());
    assert_eq!(ran.status, Some(1));
    let mut ages = csv::Reader::from_path(yard.at("out/ages.csv")).unwrap();
    let status: Vec<String> = ages
        .records()
        .map(|row| row.unwrap()[1].to_owned())
        .collect();
    assert_eq!(status.len(), FILES + 2);
    assert_eq!(status.iter().filter(|s| *s == "read").count(), 2);
    assert_eq!(status.iter().filter(|s| *s == "refused").count(), FILES);
    assert_eq!(ran.err.lines().count(), FILES, "a line for each");
}
