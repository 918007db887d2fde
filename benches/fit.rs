//! Least squares of a million invented flakes from raw columns, by number of rows.

use conchoid::calibration::RawColumns;
use conchoid::form::{Form, Layout};
use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

fn from_columns(c: &mut Criterion) {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let n = 1_000_000;
    let depth: Vec<f64> = (0..n).map(|_| 2.0 + 12.0 * rng.random::<f64>()).collect();
    let angle: Vec<f64> = (0..n).map(|_| 50.0 + 35.0 * rng.random::<f64>()).collect();
    let mass: Vec<f64> = depth.iter().map(|d| d * d * (0.5 + rng.random::<f64>())).collect();
    let form = Form::named("log-log").unwrap();
    let layout = Layout::of([&form]);
    let mut group = c.benchmark_group("fit/columns");
    for n in [1_000, 10_000, 100_000, 1_000_000] {
        let columns: [&[f64]; 2] = [&depth[..n], &angle[..n]];
        let raw = RawColumns::new(&form, &layout, &columns, &mass[..n]).unwrap();
        group.throughput(Throughput::Elements(n as u64));
        group.bench_function(BenchmarkId::from_parameter(n), |b| b.iter(|| raw.fit().unwrap()));
    }
    group.finish();
}

criterion_group!(benches, from_columns);
criterion_main!(benches);
