//! Intervals of whole columns, of one row, and of tables whose rows are mixtures, under bundled calibrations.

use conchoid::calibration::bundled;
use conchoid::predict::{Interval, Predictor};
use conchoid::table::{TableEstimates, TableOptions, TableReader};
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
                let out = [&mut low[..], &mut median, &mut high];
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

/// Tables of glass flakes, tips and core shapes in turn: with all of the blow; without its landing place (mixtures of two
/// settings); with nothing of it (of 39).
fn glass(c: &mut Criterion) {
    let rows = 4_000;
    let mut group = c.benchmark_group("predict/table of glass");
    group.throughput(Throughput::Elements(rows));
    let blow = ["percussor", "angle_of_blow_deg", "blow_lands_on"];
    for (name, told) in [("blow given", 3), ("landing place not given", 2), ("blow not given", 0)] {
        let mut table = String::from("platform_depth_mm,exterior_platform_angle_deg,core_shape");
        blow[..told].iter().for_each(|column| table.extend([",", column]));
        table.push('\n');
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        for _ in 0..rows {
            let (depth, angle) = (2.0 + 6.0 * rng.random::<f64>(), [55, 65, 75, 85][rng.random_range(0..4)]);
            let shape = ["semispherical", "centerridge"][rng.random_range(0..2)];
            let degrees = [0, 10, 20][rng.random_range(0..3)].to_string();
            let of = [["steel", "copper"][rng.random_range(0..2)], degrees.as_str(), "platform"];
            table += &format!("{depth:.2},{angle},{shape}");
            of[..told].iter().for_each(|value| table.extend([",", value]));
            table.push('\n');
        }
        let how = TableEstimates::new(bundled::named("controlled-glass").unwrap(), 0.95).unwrap();
        group.bench_function(name, |b| {
            b.iter(|| {
                let reader = TableReader::new(table.as_bytes(), &TableOptions::new()).unwrap();
                let (out, summary) = how.write(reader, Vec::new(), |_| {}).unwrap();
                assert_eq!(summary.refused_rows(), 0);
                out.len()
            });
        });
    }
    group.finish();
}

criterion_group!(benches, columns, one, glass);
criterion_main!(benches);
