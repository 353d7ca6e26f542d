//! Gathering readings of 80 rings on 16 radii into a new dataset: 100 and 1,000 by criterion, 10,000
//! once, with the largest memory of the process (`VmHWM`, where the system tells it). What is written
//! in between lies in a temporary folder: about 5 GB for 10,000.

#[path = "../tests/sample/mod.rs"]
mod sample;

use criterion::{
    BenchmarkId, Criterion, SamplingMode, Throughput, criterion_group, criterion_main,
};
use endgrain::dataset::{self, Order};
use endgrain::reading::Reading;
use sample::Disc;
use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

/// A disc of 80 rings with two decimals of a pixel, as readings have them.
fn template() -> Reading {
    let disc = Disc {
        side_px: 3000,
        rings: 80,
        ring_px: 17.3,
        brightness: 0.8,
    };
    let mut reading = disc.reading();
    let rounded = |r: &mut Option<f64>| *r = r.map(|r| (r * 100.0).round() / 100.0);
    for ring in &mut reading.rings {
        ring.radius_px.iter_mut().for_each(rounded);
        ring.mean_width_px = (ring.mean_width_px * 100.0).round() / 100.0;
        ring.mean_width_mm = ring.mean_width_mm.map(|w| (w * 1000.0).round() / 1000.0);
    }
    reading.outline.radius_px.iter_mut().for_each(rounded);
    reading
}

/// Writes so many readings and gives their bytes.
fn write(folder: &Path, count: usize) -> u64 {
    let mut reading = template();
    let mut bytes = 0;
    for n in 0..count {
        reading.photo.file = format!("QB-{n:05}.jpg");
        reading.photo.sha256 = format!("{n:064x}");
        let text = serde_json::to_vec(&reading).expect("JSON");
        bytes += text.len() as u64;
        let folder = folder.join(format!("{}", n / 1000));
        fs::create_dir_all(&folder).expect("a folder");
        fs::write(folder.join(format!("QB-{n:05}.rings.json")), text).expect("a file");
    }
    bytes
}

fn gather(readings: &Path, out: &Path) {
    let order = Order {
        readings: vec![readings.to_path_buf()],
        radii: Some(16),
        ..Order::default()
    };
    let gathered = dataset::gather(out, &order).expect("a dataset");
    assert!(gathered.is_written && gathered.refused.is_empty());
}

/// Largest memory so far, MB.
fn largest_mb() -> Option<u64> {
    let status = fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    let kb: u64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kb / 1024)
}

fn gathering(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("gather");
    group
        .sampling_mode(SamplingMode::Flat)
        .sample_size(10)
        .warm_up_time(Duration::from_millis(100))
        .measurement_time(Duration::from_secs(5));
    for count in [100, 1000] {
        let folder = tempfile::tempdir().expect("a folder");
        let readings = folder.path().join("readings");
        write(&readings, count);
        group.throughput(Throughput::Elements(count as u64));
        group.bench_function(BenchmarkId::new("readings", count), |bencher| {
            bencher.iter_custom(|rounds| {
                let mut took = Duration::ZERO;
                for _ in 0..rounds {
                    let out = folder.path().join("dataset");
                    let began = Instant::now();
                    gather(&readings, &out);
                    took += began.elapsed();
                    fs::remove_dir_all(&out).expect("it was written");
                }
                took
            });
        });
    }
    group.finish();
    let folder = tempfile::tempdir().expect("a folder");
    let readings = folder.path().join("readings");
    let megabytes = write(&readings, 10_000) / 1_000_000;
    let began = Instant::now();
    gather(&readings, &folder.path().join("dataset"));
    let (took, memory) = (began.elapsed().as_secs_f64(), largest_mb());
    println!(
        "gather/readings/10000 once: {took:.1} s, {megabytes} MB of readings, largest memory {memory:?} MB"
    );
    let began = Instant::now();
    let order = Order {
        readings: vec![readings],
        ..Order::default()
    };
    let again = dataset::gather(&folder.path().join("dataset"), &order).expect("a dataset");
    assert!(!again.is_written);
    println!("the same again: {:.1} s", began.elapsed().as_secs_f64());
}

criterion_group!(benches, gathering);
criterion_main!(benches);
