//! A folder of 200 photos with one worker and with two, each worker a process, as the command runs
//! them; and the same folder once more, when all of it is known.
//!
//! Photos are a quarter of a megapixel, so that the bench ends in minutes; what running a folder costs
//! beside reading its photos shows the more. No criterion: a run of a minute is its own average. Each
//! is run twice, in turn, the faster one counts.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

const PHOTOS: u32 = 200;
const MEGAPIXELS: f64 = 0.25;

fn endgrain(place: &Path, arguments: &[&str]) -> f64 {
    let begun = Instant::now();
    let status = Command::new(env!("CARGO_BIN_EXE_endgrain"))
        .args(arguments)
        .current_dir(place)
        .stdin(Stdio::null())
        .status()
        .expect("the program");
    assert!(status.success(), "{arguments:?}: {status}");
    begun.elapsed().as_secs_f64()
}

fn main() {
    // `cargo bench -- NAME` asks for other benches; tests call benches to see that they start.
    let asked: Vec<String> = std::env::args().skip(1).collect();
    if asked
        .iter()
        .any(|a| a == "--test" || (!a.starts_with('-') && !"folder".contains(a.as_str())))
    {
        return;
    }
    let place = tempfile::tempdir().expect("a folder");
    let place = place.path();
    let (count, size) = (PHOTOS.to_string(), MEGAPIXELS.to_string());
    endgrain(
        place,
        &[
            "demo",
            "yard",
            "--count",
            &count,
            "--seed",
            "5",
            "--megapixels",
            &size,
            "--quiet",
        ],
    );
    let run = |out: &str, jobs: &str| {
        endgrain(
            place,
            &["count", "yard", "--out", out, "--jobs", jobs, "--quiet"],
        )
    };
    let (mut one, mut two) = (f64::INFINITY, f64::INFINITY);
    for round in 0..2 {
        one = run(&format!("one-{round}"), "1").min(one);
        two = run(&format!("two-{round}"), "2").min(two);
    }
    let known = run("one-0", "1");
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    println!(
        "{PHOTOS} photos of {MEGAPIXELS} MP, {cores} cores: 1 worker {one:.1} s, 2 workers {two:.1} s \
         ({:.2} times as fast); all known from before {known:.2} s",
        one / two
    );
}
