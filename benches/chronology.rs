//! The chronology's parts by the length of a series, and the whole by the number of discs: 16 radii of
//! 80 rings each, every disc a tree.

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use endgrain::chronology::detrend::{Detrending, detrend};
use endgrain::chronology::{Plan, Radius, build};
use endgrain::series::Series;
use std::hint::black_box;

/// Widths with what is common to all years, and something of their own.
fn widths(years: u32, own: f64) -> Vec<Option<f64>> {
    (0..years)
        .map(|t| {
            let t = f64::from(t);
            let common = 0.25 * (1.9 * t).sin() + 0.25 * (0.7 * t * t).cos();
            Some((2.0 - t / 100.0).max(0.5) * (common + 0.1 * (3.1 * t + own).sin()).exp())
        })
        .collect()
}

fn curves(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("curve");
    for years in [100_u32, 1_000, 10_000] {
        let widths = widths(years, 0.0);
        group.throughput(Throughput::Elements(years.into()));
        for (name, curve) in [
            ("spline", Detrending::default()),
            ("exponential", Detrending::Exponential),
        ] {
            group.bench_with_input(BenchmarkId::new(name, years), &widths, |b, widths| {
                b.iter(|| detrend(black_box(widths), curve));
            });
        }
    }
    group.finish();
}

fn discs(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("discs");
    group.sample_size(10);
    for discs in [10_u32, 100, 1_000] {
        let radii: Vec<Radius> = (0..discs)
            .flat_map(|disc| (0..16_u32).map(move |radius| (disc, radius)))
            .map(|(disc, radius)| Radius {
                specimen: format!("QB-{disc:05}"),
                tree: format!("QB-{disc:05}"),
                radius: format!("{radius:02}"),
                series: Series {
                    name: String::new(),
                    first_year: 1940,
                    widths_mm: widths(80, f64::from(disc * 16 + radius)),
                },
                is_dated: true,
                is_scaled: true,
            })
            .collect();
        group.throughput(Throughput::Elements(discs.into()));
        group.bench_with_input(BenchmarkId::new("whole", discs), &radii, |b, radii| {
            b.iter(|| build(black_box(radii.clone()), &Plan::default()));
        });
    }
    group.finish();
}

criterion_group!(benches, curves, discs);
criterion_main!(benches);
