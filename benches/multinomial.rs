//! Fitting how flakes end: invented flakes, 4 classes, 6 terms, from flakes collected to the calibration.

use conchoid::calibration::{Collector, Provenance, Recipe, TerminationRecipe};
use conchoid::flake::{Flake, Termination};
use conchoid::form::{Form, Transform, indicator, ln};
use conchoid::strike::{LandsOn, Strike};
use criterion::{BatchSize, BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// `n` flakes struck with quartzite or antler; the chances of the four ends are of the size seen in glass.
fn flakes(n: usize, ridge: Option<f64>) -> Collector {
    let terms = vec![
        ln("platform_depth_mm"),
        "exterior_platform_angle_deg".into(),
        "angle_of_blow_deg".into(),
        indicator("percussor_class", "organic"),
        indicator("blow_lands_on", "edge"),
    ];
    let provenance = Provenance::new("invented", "this bench", "own", "cargo bench");
    let mut recipe =
        Recipe::single("ends", "mass_g", Form::named("log-log").unwrap(), provenance).expect("a recipe");
    let form = Form::new("ends", Transform::Identity, terms).unwrap();
    let ends = TerminationRecipe::four(form);
    recipe.variants[0].termination = Some(match ridge {
        Some(lambda) => ends.with_ridge(lambda),
        None => ends,
    });
    let mut collector = Collector::new(recipe).unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    for _ in 0..n {
        let mut normal = || (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
        let (depth, angle) = ((1.6 + 0.5 * normal()).exp(), (68.0 + 9.0 * normal()).clamp(1.0, 179.0));
        let (blow, noise) = ((14.0 + 13.0 * normal()).clamp(0.0, 60.0), 0.4 * normal());
        let (antler, edge) = (rng.random::<f64>() < 0.3, rng.random::<f64>() < 0.25);
        let (d, a, b) = (depth.ln() - 1.6, angle - 68.0, blow - 14.0);
        let e = [
            1.0,
            (-1.8 - 0.4 * d + 0.02 * a - 0.02 * b - 0.5 * f64::from(u8::from(antler))).exp(),
            (-3.2 + 0.5 * d - 0.05 * b + 0.8 * f64::from(u8::from(edge))).exp(),
            (-2.6 + 1.8 * d + 0.05 * a + 0.3 * f64::from(u8::from(antler))).exp(),
        ];
        let mut left = rng.random::<f64>() * e.iter().sum::<f64>();
        let mut end = 0;
        while end < 3 && left > e[end] {
            left -= e[end];
            end += 1;
        }
        let percussor = if antler { "antler" } else { "quartzite" };
        let strike = Strike::builder()
            .platform_depth_mm(depth)
            .exterior_platform_angle_deg(angle)
            .angle_of_blow_deg(blow)
            .blow_lands_on(if edge { LandsOn::Edge } else { LandsOn::Platform })
            .percussor(percussor)
            .build();
        let flake = Flake::builder()
            .strike(strike.unwrap())
            .mass_g((2.0 * depth.ln() + noise).exp())
            .termination(ENDS[end])
            .build();
        collector.offer(&flake.unwrap());
    }
    collector
}

/// The terminations, as they are told apart.
const ENDS: [Termination; 4] =
    [Termination::Feather, Termination::Hinge, Termination::Step, Termination::Overshot];

fn fits(c: &mut Criterion) {
    let mut group = c.benchmark_group("multinomial");
    for n in [300, 10_000, 100_000] {
        group.throughput(Throughput::Elements(n as u64));
        for (name, ridge) in [("weak", Some(1e-12)), ("ridge", Some(1.0)), ("firth", None)] {
            let collector = flakes(n, ridge);
            group.bench_function(BenchmarkId::new(name, n), |b| {
                b.iter_batched(|| collector.clone(), |c| c.finish().unwrap(), BatchSize::LargeInput)
            });
        }
    }
    group.finish();
}

criterion_group!(benches, fits);
criterion_main!(benches);
