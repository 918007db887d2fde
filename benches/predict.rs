//! Intervals of whole columns, and of one row, under a bundled calibration.

use conchoid::calibration::bundled;
use conchoid::predict::{Interval, IntervalColumns, Predictor};
use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

fn columns(c: &mut Criterion) {
    let predictor = Predictor::new(bundled::named("hard-hammer-quartzite").unwrap()).unwrap();
    let layout = predictor.calibration().layout();
    let batch = predictor.batch("depth, angle", "length_mm", 0.95).unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let mut group = c.benchmark_group("predict/columns");
    for n in [1_000, 100_000, 1_000_000] {
        let input: Vec<Vec<f64>> =
            (0..layout.len()).map(|_| (0..n).map(|_| 5.0 + 70.0 * rng.random::<f64>()).collect()).collect();
        let input: Vec<&[f64]> = input.iter().map(|c| &c[..]).collect();
        let (mut low, mut median, mut high) = (vec![0.0; n], vec![0.0; n], vec![0.0; n]);
        group.throughput(Throughput::Elements(n as u64));
        group.bench_function(BenchmarkId::from_parameter(n), |b| {
            b.iter(|| {
                let out = IntervalColumns { low: &mut low, median: &mut median, high: &mut high };
                batch.fill(&input, out).unwrap()
            });
        });
    }
    group.finish();
}

fn one(c: &mut Criterion) {
    let predictor = Predictor::new(bundled::named("hard-hammer-quartzite").unwrap()).unwrap();
    let quick = predictor.quick("depth, angle", 0.95).unwrap();
    let row = [8.0, 20.0, 75.0];
    let mut out = [Interval { low: 0.0, median: 0.0, high: 0.0, level: 0.95 }; 4];
    c.bench_function("predict/one row, four sizes", |b| b.iter(|| quick.intervals(&row, &mut out).unwrap()));
}

criterion_group!(benches, columns, one);
criterion_main!(benches);
