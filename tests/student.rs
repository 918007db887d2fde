//! Student-t errors against direct likelihood maximisation in R and MASS, laws, and coverage of the
//! predictive over repeated draws. Reference numbers: `tests/reference/student.R`.

use conchoid::fit::Design;
use conchoid::fit::location_scale::{Criterion, LocationScale, StopReason};
use conchoid::fit::student::{FEWEST_DF, Freedom, StudentErrors, StudentFit};
use conchoid::{Error, special};
use nalgebra::DMatrix;
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal, StudentT};

const DATA: &str = include_str!("reference/student_data.csv");
const REFERENCE: &str = include_str!("reference/student.csv");

/// Rows of depth_mm, angle_deg, antler, ln_mass, ln_mass_normal (whose tails are lighter than normal).
fn flakes() -> Vec<Vec<f64>> {
    DATA.lines().skip(1).map(|l| l.split(',').map(|c| c.parse().unwrap()).collect()).collect()
}

fn reference(model: &str, quantity: &str) -> Vec<f64> {
    let found: Vec<f64> = REFERENCE
        .lines()
        .skip(1)
        .filter_map(|l| {
            let c: Vec<&str> = l.split(',').collect();
            (c[0] == model && c[1] == quantity).then(|| c[3].parse().unwrap())
        })
        .collect();
    assert!(!found.is_empty(), "no reference for {model} {quantity}");
    found
}

fn design(columns: usize, rows: Vec<Vec<f64>>) -> Design {
    Design::from_rows((0..columns).map(|j| format!("term {j}")).collect(), &rows).unwrap()
}

fn designs(flakes: &[Vec<f64>]) -> (Design, Design, Vec<f64>) {
    (
        design(3, flakes.iter().map(|f| vec![1.0, f[0].ln(), f[1]]).collect()),
        design(2, flakes.iter().map(|f| vec![1.0, f[2]]).collect()),
        flakes.iter().map(|f| f[3]).collect(),
    )
}

#[track_caller]
fn close(found: &[f64], expected: &[f64], relative: f64, what: &str) {
    assert_eq!(found.len(), expected.len(), "{what}");
    for (f, e) in found.iter().zip(expected) {
        let same = f == e || (f - e).abs() <= relative * e.abs().max(1e-3);
        assert!(same, "{what}: {found:?} against {expected:?}");
    }
}

fn root_diagonal(m: &DMatrix<f64>) -> Vec<f64> {
    m.diagonal().iter().map(|v| v.sqrt()).collect()
}

#[test]
fn agrees_with_direct_maximisation() {
    let (x, z, y) = designs(&flakes());
    let one = design(1, vec![vec![1.0]; y.len()]);
    for (name, z) in [("alone", &one), ("both", &z)] {
        let errors = StudentErrors::new();
        let fit = errors.fit(&x, z, &y).unwrap();
        close(fit.beta(), &reference(name, "beta"), 1e-8, name);
        close(fit.gamma(), &reference(name, "gamma"), 1e-8, name);
        close(&[1.0 / fit.df()], &reference(name, "kappa"), 1e-8, name);
        close(&[fit.ln_likelihood()], &reference(name, "loglik"), 1e-12, name);
        close(&root_diagonal(fit.beta_covariance()), &reference(name, "se_beta"), 1e-7, name);
        let mut se = root_diagonal(&fit.gamma_covariance());
        se.push(fit.reciprocal_df_standard_error().unwrap());
        close(&se, &reference(name, "se_scale"), 1e-7, name);
        let count = (3 + z.columns() + 1) as f64;
        close(&[fit.aic()], &[2.0 * count - 2.0 * fit.ln_likelihood()], 1e-14, name);
        let (low, high) = errors.df_interval(&x, z, &y, &fit, 0.9).unwrap();
        close(&[low, high], &reference(name, "df_interval_90"), 1e-6, name);
        let four = errors.freedom(Freedom::Fixed(4.0)).fit(&x, z, &y).unwrap();
        close(four.beta(), &reference(name, "beta_4"), 1e-8, name);
        close(four.gamma(), &reference(name, "gamma_4"), 1e-8, name);
        close(&[four.ln_likelihood()], &reference(name, "loglik_4"), 1e-12, name);
        assert!(four.df() == 4.0 && four.reciprocal_df_standard_error().is_none());
        assert!(matches!(errors.df_interval(&x, z, &y, &four, 0.9), Err(Error::Invalid { .. })));
    }
    let alone = StudentErrors::new().fit(&x, &one, &y).unwrap();
    assert_eq!(StudentErrors::new().fit_one_spread(&x, &y).unwrap().beta(), alone.beta());
}

#[test]
fn agrees_with_fitdistr() {
    let (_, _, y) = designs(&flakes());
    let fit = StudentErrors::new().fit_one_spread(&design(1, vec![vec![1.0]; y.len()]), &y).unwrap();
    let mass = reference("fitdistr", "estimate");
    // fitdistr stops at optim's default tolerance.
    close(&[fit.beta()[0], fit.gamma()[0].exp()], &mass[..2], 1e-3, "fitdistr");
    let best = reference("fitdistr", "loglik")[0];
    assert!(fit.ln_likelihood() >= best - 1e-9 && fit.ln_likelihood() < best + 1e-3);
}

#[test]
fn light_tails_end_at_the_normal() {
    let flakes = flakes();
    let (x, z, _) = designs(&flakes);
    let y: Vec<f64> = flakes.iter().map(|f| f[4]).collect();
    let fit = StudentErrors::new().fit_one_spread(&x, &y).unwrap();
    assert!(fit.df().is_infinite() && fit.reciprocal_df_standard_error().is_none());
    close(fit.beta(), &reference("light", "beta"), 1e-8, "least squares");
    close(&[fit.ln_likelihood()], &reference("light", "loglik"), 1e-12, "logLik of lm");
    let both = StudentErrors::new().fit(&x, &z, &y).unwrap();
    let ml = LocationScale::new().criterion(Criterion::Ml).fit(&x, &z, &y).unwrap();
    close(both.gamma(), ml.gamma(), 1e-8, "location-scale by ML");
    close(both.beta_covariance().as_slice(), ml.beta_covariance().as_slice(), 1e-7, "covariance");
    close(both.gamma_covariance().as_slice(), ml.gamma_covariance().as_slice(), 1e-8, "covariance");
    let (low, high) = StudentErrors::new().df_interval(&x, &z, &y, &both, 0.95).unwrap();
    assert!(low > 5.0 && high.is_infinite(), "{low} to {high}");
}

#[test]
fn the_heaviest_tails_stop_at_the_fewest_degrees_of_freedom() {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let cauchy = StudentT::new(1.0).unwrap();
    let y: Vec<f64> = (0..200).map(|_| cauchy.sample(&mut rng)).collect();
    let x = design(1, vec![vec![1.0]; 200]);
    let errors = StudentErrors::new();
    let fit = errors.fit_one_spread(&x, &y).unwrap();
    assert!((fit.df() - FEWEST_DF).abs() < 1e-12);
    let one = Design::from_rows(vec!["1".into()], &[[1.0]; 200]).unwrap();
    let (low, high) = errors.df_interval(&x, &one, &y, &fit, 0.95).unwrap();
    assert!(low == FEWEST_DF && high < 2.5, "{low} to {high}");
}

#[test]
fn a_warm_start_gives_the_same_answer() {
    let (x, z, y) = designs(&flakes());
    let cold = StudentErrors::new().fit(&x, &z, &y).unwrap();
    let warm = StudentErrors::new().fit_from(&x, &z, &y, &cold).unwrap();
    close(warm.beta(), cold.beta(), 1e-10, "warm");
    assert_eq!((warm.iterations(), warm.stopped()), (0, StopReason::Gradient));
    assert!(cold.iterations() < 20, "{}", cold.iterations());
}

#[test]
fn bad_input_is_answered_by_name() {
    let (x, z, y) = designs(&flakes());
    let errors = StudentErrors::new();
    assert!(matches!(errors.fit(&x, &z, &y[1..]), Err(Error::Shape { .. })));
    let mut bad = y.clone();
    bad[7] = f64::INFINITY;
    assert_eq!(errors.fit(&x, &z, &bad).unwrap_err().place().unwrap().row, Some(8));
    let twice = design(2, vec![vec![1.0, 2.0]; y.len()]);
    assert_eq!(errors.fit(&x, &twice, &y).unwrap_err(), Error::RankDeficient { term: "term 1".into() });
    assert!(matches!(errors.fit(&x, &z, &vec![0.0; y.len()]), Err(Error::Invalid { .. })));
    for df in [2.0, -1.0, f64::NAN, 0.0] {
        let e = errors.freedom(Freedom::Fixed(df)).fit(&x, &z, &y).unwrap_err();
        assert_eq!(e.place().unwrap().column.as_deref(), Some("freedom"));
    }
    assert!(errors.freedom(Freedom::Fixed(f64::INFINITY)).fit(&x, &z, &y).unwrap().df().is_infinite());
    assert!(matches!(errors.max_iterations(1).fit(&x, &z, &y), Err(Error::NotConverged { .. })));
    assert!(matches!(errors.tolerance(1.0).fit(&x, &z, &y), Err(Error::OutOfRange { .. })));
    let fit = errors.fit(&x, &z, &y).unwrap();
    assert!(errors.df_interval(&x, &z, &bad, &fit, 0.95).is_err());
    assert!(matches!(errors.df_interval(&x, &z, &y, &fit, 1.0), Err(Error::OutOfRange { .. })));
    let other: Vec<f64> = y.iter().map(|v| 2.0 * v).collect();
    assert!(matches!(errors.df_interval(&x, &z, &other, &fit, 0.95), Err(Error::Invalid { .. })));
    assert!(matches!(errors.fit_from(&z, &z, &y, &fit), Err(Error::Shape { .. })));
    assert!(matches!(fit.predict_row(&[1.0], &[1.0, 0.0]), Err(Error::Shape { .. })));
    assert!(fit.predict_row(&[1.0, f64::NAN, 70.0], &[1.0, 0.0]).is_err());
    let huge: Vec<f64> = y.iter().map(|v| v * 1e300).collect();
    assert!(errors.fit(&x, &z, &huge).is_err());
}

#[test]
fn a_stored_fit_comes_back_and_a_spoilt_one_does_not() {
    let (x, z, y) = designs(&flakes());
    for errors in [StudentErrors::new(), StudentErrors::new().freedom(Freedom::Fixed(f64::INFINITY))] {
        let fit = errors.fit(&x, &z, &y).unwrap();
        let text = serde_json::to_string(&fit).unwrap();
        assert_eq!(serde_json::from_str::<StudentFit>(&text).unwrap(), fit);
        for (field, with) in [("reciprocal_df", serde_json::json!(0.6)), ("rows", serde_json::json!(6))] {
            let mut other = serde_json::to_value(&fit).unwrap();
            other[field] = with;
            let e = serde_json::from_value::<StudentFit>(other).unwrap_err();
            assert!(e.to_string().contains(field), "{field}: {e}");
        }
    }
}

/// The log-likelihood from the density of the t alone.
fn dense(x: &Design, z: &Design, y: &[f64], theta: &[f64]) -> f64 {
    use statrs::distribution::{Continuous, StudentsT};
    let (p, q) = (x.columns(), z.columns());
    let t = StudentsT::new(0.0, 1.0, 1.0 / theta[p + q]).unwrap();
    (0..y.len())
        .map(|i| {
            let m: f64 = (0..p).map(|j| x.matrix()[(i, j)] * theta[j]).sum();
            let s: f64 = (0..q).map(|j| z.matrix()[(i, j)] * theta[p + j]).sum();
            t.ln_pdf((y[i] - m) * (-s).exp()) - s
        })
        .sum()
}

fn drawn(seed: u64, n: usize, df: f64) -> (Design, Design, Vec<f64>) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let t = StudentT::new(df).unwrap();
    let rows: Vec<(f64, f64)> = (0..n)
        .map(|_| {
            let u: f64 = StandardNormal.sample(&mut rng);
            (u, 1.0 + 0.5 * u + (-0.3 + 0.4 * u).exp() * t.sample(&mut rng))
        })
        .collect();
    let terms = || design(2, rows.iter().map(|r| vec![1.0, r.0]).collect());
    (terms(), terms(), rows.iter().map(|r| r.1).collect())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn gradient_is_zero_by_differences(seed in 0u64..100_000, n in 60usize..120) {
        let (x, z, y) = drawn(seed, n, 4.0);
        let fit = StudentErrors::new().fit(&x, &z, &y).unwrap();
        let kappa = 1.0 / fit.df();
        let mut theta = fit.beta().to_vec();
        theta.extend(fit.gamma());
        theta.push(kappa);
        let free = if kappa > 0.005 && kappa < 0.47 { 5 } else { 4 };
        if kappa == 0.0 { theta[4] = 1e-12; }
        let best = dense(&x, &z, &y, &theta);
        prop_assert!((best - fit.ln_likelihood()).abs() < 1e-6);
        for j in 0..free {
            let h = if j == 4 { 1e-3 * kappa } else { 1e-4 };
            let at = |s: f64| { let mut t = theta.clone(); t[j] += s * h; dense(&x, &z, &y, &t) };
            let slope = (8.0 * (at(1.0) - at(-1.0)) - (at(2.0) - at(-2.0))) / (12.0 * h);
            prop_assert!(slope.abs() < 1e-5 * n as f64, "slope {slope} along {j} at κ = {kappa}");
            prop_assert!(at(10.0) < best && at(-10.0) < best);
        }
    }

    #[test]
    fn a_change_of_unit_moves_only_what_it_should(seed in 0u64..100_000, c in 1e-3f64..1e3, shift in -50.0f64..50.0) {
        let (x, z, y) = drawn(seed, 70, 5.0);
        let a = StudentErrors::new().fit(&x, &z, &y).unwrap();
        let other: Vec<f64> = y.iter().map(|v| c * (v + shift)).collect();
        let b = StudentErrors::new().fit(&x, &z, &other).unwrap();
        prop_assert!((b.gamma()[0] - a.gamma()[0] - c.ln()).abs() < 1e-6);
        prop_assert!((b.gamma()[1] - a.gamma()[1]).abs() < 1e-6);
        prop_assert!((b.beta()[0] / c - shift - a.beta()[0]).abs() < 1e-6);
        prop_assert!((b.beta()[1] / c - a.beta()[1]).abs() < 1e-6);
        prop_assert!((1.0 / b.df() - 1.0 / a.df()).abs() < 1e-6);
    }

    #[test]
    fn the_order_of_rows_is_nothing(seed in 0u64..100_000, turn in 1usize..69) {
        let (x, z, y) = drawn(seed, 70, 5.0);
        let a = StudentErrors::new().fit(&x, &z, &y).unwrap();
        let turned = |d: &Design| {
            let m = DMatrix::from_fn(70, 2, |i, j| d.matrix()[((i + turn) % 70, j)]);
            Design::new(d.names().to_vec(), m).unwrap()
        };
        let y: Vec<f64> = (0..70).map(|i| y[(i + turn) % 70]).collect();
        let b = StudentErrors::new().fit(&turned(&x), &turned(&z), &y).unwrap();
        close(b.beta(), a.beta(), 1e-6, "beta");
        close(b.gamma(), a.gamma(), 1e-6, "gamma");
    }
}

// ---------------------------------------------------------------------------------------------------------
// Coverage of a new flake's interval.

/// Mean coverage, under the truth, of the interval for a new flake: overall (over rows of the experiment) and
/// at the corner with the least to go by. Terms: location 1, u, group; scale 1 or (1, u, group).
fn coverage(df: f64, with_scale: bool, n: usize, repetitions: usize, seed: u64, level: f64) -> (f64, f64) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let rows: Vec<Vec<f64>> = (0..n)
        .map(|i| {
            vec![1.0, -1.0 + 2.0 * ((i * 7) % n) as f64 / (n - 1) as f64, f64::from(u8::from(i % 3 == 0))]
        })
        .collect();
    let terms = |row: &[f64]| if with_scale { row.to_vec() } else { vec![1.0] };
    let gamma: &[f64] = if with_scale { &[-1.0, 0.6, 0.8] } else { &[-1.0] };
    let sigma = |z: &[f64]| z.iter().zip(gamma).map(|(a, b)| a * b).sum::<f64>().exp();
    let scales: Vec<Vec<f64>> = rows.iter().map(|r| terms(r)).collect();
    let (x, z) = (design(3, rows.clone()), design(gamma.len(), scales.clone()));
    let corner = [1.0, 1.0, 1.0];
    let t = StudentT::new(df.min(1e9)).unwrap();
    let (mut overall, mut at_corner, mut count) = (0.0, 0.0, 0.0);
    let mut y = vec![0.0; n];
    for _ in 0..repetitions {
        for (v, z) in y.iter_mut().zip(&scales) {
            let e: f64 = if df.is_infinite() { StandardNormal.sample(&mut rng) } else { t.sample(&mut rng) };
            *v = sigma(z) * e;
        }
        let fit = StudentErrors::new().fit(&x, &z, &y).unwrap();
        let chance = |fit: &StudentFit, x: &[f64], z: &[f64]| {
            let row = fit.predict_row(x, z).unwrap();
            let half = special::student_quantile(0.5 + level / 2.0, row.df) * row.scale;
            special::student_cdf((row.location + half) / sigma(z), df)
                - special::student_cdf((row.location - half) / sigma(z), df)
        };
        for i in (0..n).step_by(n / 10) {
            overall += chance(&fit, &rows[i], &scales[i]);
            count += 1.0;
        }
        at_corner += chance(&fit, &corner, &terms(&corner));
    }
    (overall / count, at_corner / repetitions as f64)
}

#[test]
fn a_95_percent_interval_holds_95_percent() {
    for (with_scale, df, seed) in [(false, 4.0, 1), (true, 4.0, 2), (true, f64::INFINITY, 3)] {
        let (overall, corner) = coverage(df, with_scale, 100, 100, seed, 0.95);
        assert!((0.94..=0.96).contains(&overall), "ν = {df}: {overall}");
        assert!((0.93..=0.97).contains(&corner), "ν = {df}, corner: {corner}");
    }
}

#[test]
#[ignore = "long: 10,000 experiments of each kind; run in release"]
fn a_95_percent_interval_holds_95_percent_over_10_000_experiments() {
    for (with_scale, seed) in [(false, 11), (true, 12)] {
        for df in [3.0, 5.0, 10.0, f64::INFINITY] {
            for n in [30, 50, 100, 350] {
                let repetitions = if n > 200 { 1_000 } else { 10_000 };
                let (overall, corner) = coverage(df, with_scale, n, repetitions, seed, 0.95);
                let (half, _) = coverage(df, with_scale, n, repetitions / 5, seed + 100, 0.5);
                println!(
                    "scale terms {with_scale}, ν = {df}, n = {n}: {overall:.4} overall, {corner:.4} in the \
                     corner; 50 %: {half:.4}"
                );
                if n >= 100 {
                    assert!((0.94..=0.96).contains(&overall), "ν = {df}, n = {n}: {overall}");
                    assert!((0.94..=0.96).contains(&corner), "ν = {df}, n = {n}, corner: {corner}");
                }
            }
        }
    }
}
