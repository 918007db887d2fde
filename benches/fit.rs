//! Least squares of a million invented flakes from columns in memory, by number of rows.

use conchoid::calibration::{Collector, Provenance, Recipe};
use conchoid::form::Form;
use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

fn from_columns(c: &mut Criterion) {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let n = 1_000_000;
    let depth: Vec<f64> = (0..n).map(|_| 2.0 + 12.0 * rng.random::<f64>()).collect();
    let angle: Vec<f64> = (0..n).map(|_| 50.0 + 35.0 * rng.random::<f64>()).collect();
    let mass: Vec<f64> = depth.iter().map(|d| d * d * (0.5 + rng.random::<f64>())).collect();
    let provenance = Provenance::new("invented", "this bench", "own", "cargo bench");
    let recipe =
        Recipe::single("columns", "mass_g", Form::named("log-log").unwrap(), provenance).expect("a recipe");
    let names = ["platform_depth_mm", "exterior_platform_angle_deg", "mass_g"];
    let mut group = c.benchmark_group("fit/columns");
    for n in [1_000, 10_000, 100_000, 1_000_000] {
        group.throughput(Throughput::Elements(n as u64));
        group.bench_function(BenchmarkId::from_parameter(n), |b| {
            b.iter(|| {
                let mut collector = Collector::new(recipe.clone()).unwrap();
                collector.offer_numbers(&names, &[&depth[..n], &angle[..n], &mass[..n]]).unwrap();
                collector.finish().unwrap()
            })
        });
    }
    group.finish();
}

criterion_group!(benches, from_columns);
criterion_main!(benches);
