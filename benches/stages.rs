//! Each stage by name, on a clean conifer disc at 3, 12 and 48 megapixels, on one thread. Throughput
//! is in pixels of the photo, so that stages and sizes can be compared.

use criterion::{
    BenchmarkId, Criterion, SamplingMode, Throughput, criterion_group, criterion_main,
};
use endgrain::demo::{self, Suite};
use endgrain::settings::Settings;
use endgrain::{
    age, bounds, draw, evidence, face, kind, outline, photo, pith, polar, record, rings, straight,
};
use std::hint::black_box;
use std::path::Path;
use std::time::Duration;

const MEGAPIXELS: [f64; 3] = [3.0, 12.0, 48.0];

fn stages(criterion: &mut Criterion) {
    let settings = Settings::default();
    let name = Path::new("disc.jpg");
    // What stages share out among threads runs on this one.
    rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build_global()
        .expect("no pool before");
    for megapixels in MEGAPIXELS {
        let plan = demo::plan(Suite::CleanConifer, 3, 0).at_megapixels(megapixels);
        let bytes = plan.to_jpeg(&demo::render(&plan)).expect("a JPEG");
        // Every stage's input, made once.
        let photo = photo::decode(&bytes, name, &settings).expect("a photo");
        let view = face::view(&photo, &settings);
        let place = pith::find(&view, &settings);
        let edge = outline::trace(&view, &place);
        let disc = polar::unwrap(&photo, &place, &edge, &settings);
        let level = straight::level(&disc);
        let seen = evidence::gather(&disc, &level);
        let mark = kind::tell(&seen, settings.wood);
        let candidates = bounds::trace(&seen, &mark, settings.wood);
        let settled = rings::settle(&place, &candidates, &seen, &level, &disc);
        let counted = age::count(&settled, &settings);
        let reading = record::write(
            &photo,
            &settings,
            &place,
            &edge,
            &candidates,
            &settled,
            &counted,
        );
        let overlay = draw::overlay(&photo, &reading, &settings);

        let mut group = criterion.benchmark_group("stages");
        group
            .throughput(Throughput::Elements(
                u64::from(photo.pixels.width()) * u64::from(photo.pixels.height()),
            ))
            .sampling_mode(SamplingMode::Flat)
            .sample_size(10)
            .warm_up_time(Duration::from_millis(100))
            .measurement_time(Duration::from_millis(400));
        let mut bench = |stage: &str, run: &mut dyn FnMut()| {
            let id = BenchmarkId::new(stage, format!("{megapixels} MP"));
            group.bench_function(id, |bencher| bencher.iter(&mut *run));
        };
        bench("photo", &mut || {
            black_box(photo::decode(&bytes, name, &settings).expect("a photo"));
        });
        bench("face", &mut || {
            black_box(face::view(&photo, &settings));
        });
        bench("pith", &mut || {
            black_box(pith::find(&view, &settings));
        });
        bench("outline", &mut || {
            black_box(outline::trace(&view, &place));
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
            black_box(disc.by_pores());
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
        bench("kind", &mut || {
            black_box(kind::tell(&seen, settings.wood));
        });
        bench("bounds", &mut || {
            black_box(bounds::trace(&seen, &mark, settings.wood));
        });
        bench("rings", &mut || {
            black_box(rings::settle(&place, &candidates, &seen, &level, &disc));
        });
        bench("age", &mut || {
            black_box(age::count(&settled, &settings));
        });
        bench("record", &mut || {
            black_box(record::write(
                &photo,
                &settings,
                &place,
                &edge,
                &candidates,
                &settled,
                &counted,
            ));
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
        group.finish();
    }
}

criterion_group!(benches, stages);
criterion_main!(benches);
