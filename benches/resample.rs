//! Bootstrap, leave-one-out and k-fold of 500 invented flakes with six terms.

use conchoid::fit::{Design, resample};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use nalgebra::DMatrix;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

fn of_500(c: &mut Criterion) {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let names = (0..6).map(|j| format!("term {j}")).collect();
    let x = DMatrix::from_fn(500, 6, |_, j| if j == 0 { 1.0 } else { rng.random::<f64>() });
    let design = Design::new(names, x).unwrap();
    let y: Vec<f64> = (0..500).map(|_| rng.random::<f64>()).collect();
    let folds: Vec<usize> = (0..500).map(|i| i % 10).collect();
    let mut group = c.benchmark_group("resample/500 rows");
    group.bench_function("leave one out", |b| b.iter(|| resample::leave_one_out(&design, &y).unwrap()));
    group.bench_function("10 folds", |b| b.iter(|| resample::k_fold(&design, &y, &folds).unwrap()));
    group.throughput(Throughput::Elements(2000));
    group.bench_function("2000 replicates", |b| {
        b.iter(|| resample::bootstrap(&design, &y, 2000, 1).unwrap());
    });
    group.finish();
}

criterion_group!(benches, of_500);
criterion_main!(benches);
