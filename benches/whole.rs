//! The whole: a 12-megapixel JPEG decoded, read and drawn on one thread, against decoding it alone;
//! and a folder of photos with one job and with two.
//!
//! Two lines are printed beside criterion's: how many times the decoding the whole takes (at most 5
//! is asked for), and the speed-up of two jobs.

use criterion::{Criterion, SamplingMode, Throughput, criterion_group, criterion_main};
use endgrain::batch::{self, Report, Tables, Work};
use endgrain::demo::{self, Order, Suite};
use endgrain::draw;
use endgrain::error::Error;
use endgrain::photo;
use endgrain::reading::Reading;
use endgrain::settings::Settings;
use std::hint::black_box;
use std::path::Path;
use std::time::{Duration, Instant};

/// A phone's photo.
const MEGAPIXELS: f64 = 12.0;
/// Pairs that a ratio is the median of: the two are timed in turn, so that a busy machine slows both.
const PAIRS: usize = 7;

fn seconds(run: impl FnOnce()) -> f64 {
    let start = Instant::now();
    run();
    start.elapsed().as_secs_f64()
}

/// Medians of two runs' times in seconds, and of their ratio, timed in turn.
fn in_pairs(pairs: usize, mut first: impl FnMut(), mut second: impl FnMut()) -> [f64; 3] {
    let times: Vec<[f64; 2]> = (0..pairs)
        .map(|_| [seconds(&mut first), seconds(&mut second)])
        .collect();
    let median = |value: &dyn Fn(&[f64; 2]) -> f64| {
        let mut values: Vec<f64> = times.iter().map(value).collect();
        values.sort_by(f64::total_cmp);
        values[values.len() / 2]
    };
    [
        median(&|t| t[0]),
        median(&|t| t[1]),
        median(&|t| t[1] / t[0]),
    ]
}

fn one_photo(criterion: &mut Criterion) {
    // What stages share out among threads runs on this one; the folder's jobs have pools of their own.
    rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build_global()
        .expect("no pool before");
    let settings = Settings::default();
    let name = Path::new("disc.jpg");
    let plan = demo::plan(Suite::CleanConifer, 3, 0).at_megapixels(MEGAPIXELS);
    let bytes = plan.to_jpeg(&demo::render(&plan)).expect("a JPEG");
    let decode = || photo::decode(&bytes, name, &settings).expect("a photo");
    let read = |photo: &photo::Photo| endgrain::read(photo, &settings).expect("a reading");
    // Reading and overlay, as files hold them.
    let whole = || {
        let photo = decode();
        let reading = read(&photo);
        // As the program does it: the photo's own pixels are drawn on.
        let overlay = draw::overlay_onto(photo.pixels, &reading, &settings);
        let overlay = draw::jpeg(&overlay, name);
        (
            serde_json::to_vec(&reading).expect("JSON"),
            overlay.expect("a JPEG"),
        )
    };
    let photo = decode();
    let pixels = u64::from(photo.pixels.width()) * u64::from(photo.pixels.height());
    let reading = read(&photo);
    let mut group = criterion.benchmark_group("whole, 12 MP, one thread");
    group
        .throughput(Throughput::Elements(pixels))
        .sampling_mode(SamplingMode::Flat)
        .sample_size(10)
        .warm_up_time(Duration::from_millis(300))
        .measurement_time(Duration::from_secs(2));
    group.bench_function("decode", |bencher| bencher.iter(|| black_box(decode())));
    group.bench_function("read", |bencher| bencher.iter(|| black_box(read(&photo))));
    group.bench_function("overlay and jpeg", |bencher| {
        bencher.iter(|| {
            let overlay = draw::overlay(&photo, &reading, &settings);
            black_box(draw::jpeg(&overlay, name).expect("a JPEG"))
        });
    });
    group.bench_function("strip and jpeg", |bencher| {
        bencher.iter(|| {
            let strip = draw::strip(&photo, &reading, &settings);
            black_box(draw::jpeg(&strip, name).expect("a JPEG"))
        });
    });
    group.bench_function("decode to reading and overlay", |bencher| {
        bencher.iter(|| black_box(whole()));
    });
    group.finish();
    // Decoding alone by the decoder itself: no hash, no turning upright.
    let [alone, all, ratio] = in_pairs(
        PAIRS,
        || {
            black_box(
                image::load_from_memory(&bytes)
                    .expect("a picture")
                    .into_rgb8(),
            );
        },
        || {
            black_box(whole());
        },
    );
    println!(
        "\n12 MP JPEG, one thread: decoding {:.0} ms, to reading and overlay {:.0} ms: {ratio:.1} times (median of {PAIRS} pairs; at most 5 asked for)\n",
        1e3 * alone,
        1e3 * all,
    );
}

/// Hears nothing but failures.
struct Deaf;

impl Report for Deaf {
    fn read(&mut self, _: &Work, _: &Reading) {}
    fn failed(&mut self, work: &Work, error: &Error) {
        panic!("{}: {error}", work.path.display());
    }
}

fn folder(criterion: &mut Criterion) {
    let settings = Settings::default();
    let photos = tempfile::tempdir().expect("a folder");
    let order = Order {
        count: 4,
        seed: 3,
        suites: vec![Suite::CleanConifer],
        megapixels: Some(2.0),
    };
    demo::write(photos.path(), &order, |_| {}).expect("practice photos");
    let found = batch::collect(&[photos.path().to_path_buf()]).photos;
    let run = |jobs: usize| {
        let out = tempfile::tempdir().expect("a folder");
        let work = batch::plan(&found, out.path()).expect("names");
        let tables = Tables::create(out.path(), &settings).expect("writable");
        batch::run(
            &work,
            tables,
            &settings,
            jobs,
            &batch::read_and_draw,
            &mut Deaf,
        )
        .expect("a run");
    };
    let mut group = criterion.benchmark_group("folder of 4 photos of 2 MP");
    group
        .throughput(Throughput::Elements(4 * 2_000_000))
        .sampling_mode(SamplingMode::Flat)
        .sample_size(10)
        .warm_up_time(Duration::from_millis(100))
        .measurement_time(Duration::from_secs(1));
    for jobs in [1, 2] {
        group.bench_function(format!("{jobs} jobs"), |bencher| bencher.iter(|| run(jobs)));
    }
    group.finish();
    let [two, one, speed_up] = in_pairs(3, || run(2), || run(1));
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    println!(
        "\n4 photos of 2 MP: one job {one:.2} s, two jobs {two:.2} s: {speed_up:.2} times as fast (median of 3 pairs, {cores} cores)\n"
    );
}

criterion_group!(benches, one_photo, folder);
criterion_main!(benches);
