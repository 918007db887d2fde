//! Random intercept by REML from raw columns: 100,000 flakes of 4,000 cores, four and six terms; the stages
//! apart (accumulate, then fit from what is kept); and two levels. Names: stage, flakes × groups × terms.
//! Seeded; report the median.

use conchoid::fit::Design;
use conchoid::fit::grouped::{GroupedFit, GroupedRows, Groups, Likelihood};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use nalgebra::DMatrix;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::hint::black_box;

fn invented(n: usize, groups: usize, terms: usize) -> (Design, Vec<f64>, Vec<usize>) {
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let effects: Vec<f64> = (0..groups).map(|_| 0.4 * normal(&mut rng)).collect();
    let of: Vec<usize> = (0..n).map(|_| rng.random_range(0..groups)).collect();
    let x = DMatrix::from_fn(n, terms, |_, j| if j == 0 { 1.0 } else { normal(&mut rng) });
    let y = (0..n).map(|i| x.row(i).sum() + effects[of[i]] + 0.6 * normal(&mut rng)).collect();
    (Design::new((0..terms).map(|j| format!("x{j}")).collect(), x).unwrap(), y, of)
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

fn fits(c: &mut Criterion) {
    let (n, count) = (100_000, 4_000);
    let mut bench = c.benchmark_group("grouped");
    bench.throughput(Throughput::Elements(n as u64)).sample_size(20);
    let names: Vec<String> = (0..count).map(|g| format!("c{g}")).collect();
    let groups = Groups::new(names.clone()).unwrap();
    for terms in [4, 6] {
        let (design, y, of) = invented(n, count, terms);
        bench.bench_function(format!("fit 1e5 x 4000 x {terms}"), |b| {
            b.iter(|| GroupedFit::fit(&design, black_box(&y), &groups, &of, Likelihood::Restricted).unwrap());
        });
        let accumulate = || {
            let mut rows = GroupedRows::new(design.names().to_vec(), count);
            rows.observe(&design, black_box(&y), &of).unwrap();
            rows
        };
        bench.bench_function(format!("accumulate 1e5 x 4000 x {terms}"), |b| b.iter(accumulate));
        let rows = accumulate();
        bench.bench_function(format!("from rows 1e5 x 4000 x {terms}"), |b| {
            b.iter(|| GroupedFit::from_rows(black_box(&rows), &groups, Likelihood::Restricted).unwrap());
        });
    }
    let outer_names = (0..400).map(|k| format!("k{k}")).collect();
    let nested = Groups::nested(names, outer_names, (0..count).map(|g| g / 10).collect()).unwrap();
    let (design, y, of) = invented(n, count, 4);
    bench.bench_function("fit 1e5 x 4000 in 400 x 4", |b| {
        b.iter(|| GroupedFit::fit(&design, black_box(&y), &nested, &of, Likelihood::Restricted).unwrap());
    });
    bench.finish();
}

criterion_group!(benches, fits);
criterion_main!(benches);
