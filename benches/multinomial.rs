//! Fitting a multinomial logit: invented flakes, 4 classes, 6 terms, from raw columns to the covariance.

use conchoid::fit::Design;
use conchoid::fit::multinomial::{MultinomialOptions, Outcomes, Penalty, fit};
use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use nalgebra::DMatrix;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// `n` flakes struck with quartzite or antler; the chances of the four ends are of the size seen in glass.
fn flakes(n: usize) -> (Design, Outcomes) {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let mut x = DMatrix::zeros(n, 6);
    let mut ends = Vec::with_capacity(n);
    for i in 0..n {
        let mut normal = || (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
        let row = [1.0, 1.6 + 0.5 * normal(), 68.0 + 9.0 * normal(), 14.0 + 13.0 * normal()];
        let (antler, edge) = (rng.random::<f64>() < 0.3, rng.random::<f64>() < 0.25);
        for (j, v) in row.into_iter().enumerate() {
            x[(i, j)] = v;
        }
        x[(i, 4)] = f64::from(u8::from(antler));
        x[(i, 5)] = f64::from(u8::from(edge));
        let (d, a, b) = (row[1] - 1.6, row[2] - 68.0, row[3] - 14.0);
        let e = [
            1.0,
            (-1.8 - 0.4 * d + 0.02 * a - 0.02 * b - 0.5 * x[(i, 4)]).exp(),
            (-3.2 + 0.5 * d - 0.05 * b + 0.8 * x[(i, 5)]).exp(),
            (-2.6 + 1.8 * d + 0.05 * a + 0.3 * x[(i, 4)]).exp(),
        ];
        let mut left = rng.random::<f64>() * e.iter().sum::<f64>();
        let mut class = 0;
        while class < 3 && left > e[class] {
            left -= e[class];
            class += 1;
        }
        ends.push(class);
    }
    let names = ["intercept", "ln depth", "angle", "blow", "antler", "edge"].map(String::from).to_vec();
    let classes = ["feather", "hinge", "step", "overshot"].map(String::from).to_vec();
    (Design::new(names, x).unwrap(), Outcomes::new(classes, ends).unwrap())
}

fn fits(c: &mut Criterion) {
    let mut group = c.benchmark_group("multinomial");
    for n in [300, 10_000, 100_000] {
        let (design, outcomes) = flakes(n);
        group.throughput(Throughput::Elements(n as u64));
        for (name, penalty) in
            [("none", Penalty::None), ("ridge", Penalty::ridge(1.0)), ("firth", Penalty::Firth)]
        {
            let options = MultinomialOptions::with_penalty(penalty);
            group.bench_with_input(BenchmarkId::new(name, n), &n, |b, _| {
                b.iter(|| fit(&design, &outcomes, &options).unwrap())
            });
        }
    }
    group.finish();
    let (design, outcomes) = flakes(300);
    let f = fit(&design, &outcomes, &MultinomialOptions::default()).unwrap();
    let mut out = [0.0; 4];
    let row = [1.0, 1.7, 70.0, 10.0, 1.0, 0.0];
    c.bench_function("multinomial/probabilities of one row", |b| {
        b.iter(|| f.probabilities_into(std::hint::black_box(&row), &mut out))
    });
    c.bench_function("multinomial/intervals of one row", |b| {
        b.iter(|| f.probability_intervals(std::hint::black_box(&row), 0.9))
    });
}

criterion_group!(benches, fits);
criterion_main!(benches);
