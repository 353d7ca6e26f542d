//! Each stage by name, on a clean conifer disc at 3, 12 and 48 megapixels, on one thread. Throughput
//! is in pixels of the photo, so that stages and sizes can be compared.
//!
//! `cargo bench --bench stages -- --table` prints instead how many times the decoding of the same photo
//! each stage takes: decoding and all stages are timed in turn, again and again, and each figure is the
//! median of the ratios of one turn, so that a machine that is busy for a while slows both alike. Beside
//! it stands what a pixel costs at each size: cost should grow with the pixels and no faster.

use criterion::{BenchmarkId, Criterion, SamplingMode, Throughput};
use endgrain::demo::{self, Suite};
use endgrain::settings::Settings;
use endgrain::{
    age, bounds, draw, ends, evidence, face, outline, photo, pith, polar, record, ring_mark, rings,
    straight, stripes, wood_kind,
};
use std::hint::black_box;
use std::path::Path;
use std::time::{Duration, Instant};

const MEGAPIXELS: [f64; 3] = [3.0, 12.0, 48.0];

/// Turns of the table, of which the median is taken.
const TURNS: usize = 7;

/// What is done with each stage: its name and one run of it.
type Bench<'a> = dyn FnMut(&str, &mut dyn FnMut()) + 'a;

/// Goes through all stages once, in order.
type RunAll<'a> = dyn FnMut(&mut Bench<'_>) + 'a;

/// Makes a photo and every stage's input; gives `with` its pixels and what goes through its stages.
fn each_stage(megapixels: f64, with: &mut dyn FnMut(u64, &mut RunAll<'_>)) {
    let settings = Settings::default();
    let name = Path::new("disc.jpg");
    let plan = demo::plan(Suite::CleanConifer, 3, 0).at_megapixels(megapixels);
    let bytes = plan.to_jpeg(&demo::render(&plan)).expect("a JPEG");
    // Every stage's input, made once.
    let photo = photo::decode(&bytes, name, &settings).expect("a photo");
    let view = face::view(&photo, &settings);
    let place = pith::find(&view, &settings);
    let edge = outline::trace(&photo, &view, &place);
    let disc = polar::unwrap(&photo, &place, &edge, &settings);
    let level = straight::level(&disc);
    let seen = evidence::gather(&disc, &level);
    let mark = ring_mark::tell(&seen, settings.wood);
    let candidates = bounds::trace(&seen, &mark);
    let settled = rings::settle(&place, &candidates, &seen, &level, &disc);
    let wood = || wood_kind::tell(&disc, &settled, &candidates, &seen, settings.wood);
    let counted = age::count(&settled, &settings);
    let written = || record::write(&photo, &settings, &place, &edge, &settled, wood(), &counted);
    let reading = written();
    let overlay = draw::overlay(&photo, &reading, &settings);

    let pixels = u64::from(photo.pixels.width()) * u64::from(photo.pixels.height());
    with(pixels, &mut |bench| {
        bench(DECODE, &mut || {
            let picture = image::load_from_memory(&bytes).expect("a picture");
            black_box(picture.into_rgb8());
        });
        bench(WHOLE, &mut || {
            let photo = photo::decode(&bytes, name, &settings).expect("a photo");
            let reading = endgrain::read(&photo, &settings).expect("a reading");
            // As the program does it: the photo's own pixels are drawn on.
            let overlay = draw::overlay_onto(photo.pixels, &reading, &settings);
            black_box(draw::jpeg(&overlay, name).expect("a JPEG"));
            black_box(serde_json::to_vec(&reading).expect("JSON"));
        });
        bench("photo", &mut || {
            black_box(photo::decode(&bytes, name, &settings).expect("a photo"));
        });
        bench("face", &mut || {
            black_box(face::view(&photo, &settings));
        });
        // With the even luminance of a fresh face, which the pith and the stripes use as well.
        bench("face and ends", &mut || {
            black_box(ends::find(&face::view(&photo, &settings)));
        });
        bench("pith", &mut || {
            black_box(pith::find(&view, &settings));
        });
        bench("outline", &mut || {
            black_box(outline::trace(&photo, &view, &place));
        });
        bench("polar", &mut || {
            black_box(polar::unwrap(&photo, &place, &edge, &settings));
        });
        bench("polar, coarse", &mut || {
            black_box(polar::unwrap_coarse(
                &photo, &view, &place, &edge, &settings,
            ));
        });
        bench("polar by pores", &mut || {
            black_box(disc.by_pores(&level.radius));
        });
        bench("straight", &mut || {
            black_box(straight::level(&disc));
        });
        // What a large photo with wide, clear rings takes in place of "polar" and "straight".
        if let Some(coarse) = polar::unwrap_coarse(&photo, &view, &place, &edge, &settings) {
            bench("straight, coarse", &mut || {
                let level = straight::level_clear(&coarse);
                let sparse = polar::unwrap_sparse(&photo, &place, &edge, &settings);
                black_box(level.map(|l| straight::shows_all(&sparse, &l, coarse.step_px)));
            });
        }
        bench("evidence", &mut || {
            black_box(evidence::gather(&disc, &level));
        });
        // What a face takes besides that isn't clear by then, and the evidence once more.
        bench("straight, again", &mut || {
            let again = straight::level_again(&disc, &level, &seen.level, &seen.shift);
            black_box(again);
        });
        bench("ring mark", &mut || {
            black_box(ring_mark::tell(&seen, settings.wood));
        });
        bench("bounds", &mut || {
            black_box(bounds::trace(&seen, &mark));
        });
        bench("rings", &mut || {
            black_box(rings::settle(&place, &candidates, &seen, &level, &disc));
        });
        bench("wood kind", &mut || {
            black_box(wood());
        });
        bench("age", &mut || {
            black_box(age::count(&settled, &settings));
        });
        bench("stripes", &mut || {
            black_box(stripes::measure(&view, &place, &edge));
        });
        bench("record", &mut || {
            black_box(written());
        });
        bench("overlay", &mut || {
            black_box(draw::overlay(&photo, &reading, &settings));
        });
        bench("strip", &mut || {
            black_box(draw::strip(&photo, &reading, &settings));
        });
        bench("jpeg", &mut || {
            black_box(draw::jpeg(&overlay, name).expect("a JPEG"));
        });
    });
}

/// What the whole program does of a photo: decoded, read, drawn on and written as JPEG and JSON.
const WHOLE: &str = "decode to reading and overlay";
/// The decoder alone, without hash and turning upright.
const DECODE: &str = "decode";

fn stages(criterion: &mut Criterion) {
    for megapixels in MEGAPIXELS {
        each_stage(megapixels, &mut |pixels, run_all| {
            let mut group = criterion.benchmark_group("stages");
            group
                .throughput(Throughput::Elements(pixels))
                .sampling_mode(SamplingMode::Flat)
                .sample_size(10)
                .warm_up_time(Duration::from_millis(100))
                .measurement_time(Duration::from_millis(400));
            run_all(&mut |stage, run| {
                let id = BenchmarkId::new(stage, format!("{megapixels} MP"));
                group.bench_function(id, |bencher| bencher.iter(&mut *run));
            });
            group.finish();
        });
    }
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// One stage at one size: times its decoding, and nanoseconds a pixel.
struct Cell {
    ratio: f64,
    ns_per_px: f64,
}

/// Prints the table of ratios, as Markdown.
fn table() {
    let mut names: Vec<String> = Vec::new();
    let mut sizes: Vec<Vec<Cell>> = Vec::new();
    let begun = Instant::now();
    for megapixels in MEGAPIXELS {
        each_stage(megapixels, &mut |pixels, run_all| {
            names.clear();
            let mut seconds: Vec<Vec<f64>> = Vec::new();
            for turn in 0..TURNS {
                let mut at = 0;
                run_all(&mut |stage, run| {
                    let begun = Instant::now();
                    run();
                    let took = begun.elapsed().as_secs_f64();
                    if turn == 0 {
                        names.push(stage.to_owned());
                        seconds.push(Vec::new());
                    }
                    seconds[at].push(took);
                    at += 1;
                });
            }
            // The decoder is the first.
            assert_eq!(names[0], DECODE);
            let cells = seconds.iter().map(|took| {
                let ratios = took
                    .iter()
                    .zip(&seconds[0])
                    .map(|(own, decode)| own / decode);
                Cell {
                    ratio: median(ratios.collect()),
                    ns_per_px: 1e9 * median(took.clone()) / pixels as f64,
                }
            });
            sizes.push(cells.collect());
        });
    }
    println!(
        "\nTimes the decoding of the same JPEG, and nanoseconds a pixel, one thread, median of {TURNS} \
         turns ({:.0} s in all)\n",
        begun.elapsed().as_secs_f64()
    );
    println!(
        "| stage | 3 MP | 12 MP | 48 MP | ns a pixel at 3, 12, 48 MP | cost a pixel, 12 to 3, 48 to 12 MP |"
    );
    println!("|---|---|---|---|---|---|");
    for (at, name) in names.iter().enumerate() {
        let [three, twelve, most] = [0, 1, 2].map(|size: usize| &sizes[size][at]);
        println!(
            "| {name} | {:.2} | {:.2} | {:.2} | {:.1}, {:.1}, {:.1} | {:.2}, {:.2} |",
            three.ratio,
            twelve.ratio,
            most.ratio,
            three.ns_per_px,
            twelve.ns_per_px,
            most.ns_per_px,
            twelve.ns_per_px / three.ns_per_px,
            most.ns_per_px / twelve.ns_per_px
        );
    }
}

fn main() {
    // What stages share out among threads runs on this one.
    rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build_global()
        .expect("no pool before");
    if std::env::args().any(|argument| argument == "--table") {
        table();
        return;
    }
    let mut criterion = Criterion::default().configure_from_args();
    stages(&mut criterion);
    criterion.final_summary();
}
