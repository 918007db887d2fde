//! Location and scale by REML and ML against R (nlme, mgcv, dense textbook algebra), laws, and coverage of
//! the predictive over repeated draws. Reference numbers: `tests/reference/location_scale.R`.

use conchoid::fit::Design;
use conchoid::fit::location_scale::{Criterion, LocationScale, LocationScaleFit, StopReason};
use conchoid::{Error, special};
use nalgebra::DMatrix;
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const DATA: &str = include_str!("reference/location_scale_data.csv");
const REFERENCE: &str = include_str!("reference/location_scale.csv");

/// Rows of depth_mm, angle_deg, antler, ln_mass.
fn flakes() -> Vec<[f64; 4]> {
    DATA.lines()
        .skip(1)
        .map(|l| {
            let v: Vec<f64> = l.split(',').map(|c| c.parse().unwrap()).collect();
            [v[0], v[1], v[2], v[3]]
        })
        .collect()
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

fn location(flakes: &[[f64; 4]]) -> Design {
    design(4, flakes.iter().map(|f| vec![1.0, f[0].ln(), f[1], f[2]]).collect())
}

fn scale(name: &str, flakes: &[[f64; 4]]) -> Design {
    let row = |f: &[f64; 4]| match name {
        "ident" => vec![1.0, f[2]],
        "exp" => vec![1.0, f[0]],
        "power" => vec![1.0, f[0].ln()],
        _ => vec![1.0, f[2], f[0]],
    };
    design(row(&flakes[0]).len(), flakes.iter().map(row).collect())
}

fn response(flakes: &[[f64; 4]]) -> Vec<f64> {
    flakes.iter().map(|f| f[3]).collect()
}

#[track_caller]
fn close(found: &[f64], expected: &[f64], relative: f64, what: &str) {
    assert_eq!(found.len(), expected.len(), "{what}");
    for (f, e) in found.iter().zip(expected) {
        assert!((f - e).abs() <= relative * e.abs().max(1e-3), "{what}: {found:?} against {expected:?}");
    }
}

/// Differences, not relative ones: for coefficients, whose size means nothing beside their error.
#[track_caller]
fn within(found: &[f64], expected: &[f64], difference: f64, what: &str) {
    assert_eq!(found.len(), expected.len(), "{what}");
    for (f, e) in found.iter().zip(expected) {
        assert!((f - e).abs() <= difference, "{what}: {found:?} against {expected:?}");
    }
}

fn root_diagonal(m: &DMatrix<f64>) -> Vec<f64> {
    m.diagonal().iter().map(|v| v.sqrt()).collect()
}

#[test]
fn agrees_with_gls_and_with_dense_algebra() {
    let flakes = flakes();
    let (x, y) = (location(&flakes), response(&flakes));
    for name in ["ident", "exp", "power", "both"] {
        for (suffix, criterion) in [("reml", Criterion::Reml), ("ml", Criterion::Ml)] {
            let model = format!("{name}_{suffix}");
            let fit = LocationScale::new().criterion(criterion).fit(&x, &scale(name, &flakes), &y).unwrap();
            // gls, to the accuracy of its own optimiser.
            within(fit.beta(), &reference(&model, "gls_beta"), 1e-6, &format!("{model} beta"));
            within(fit.gamma(), &reference(&model, "gls_gamma"), 1e-6, &format!("{model} gamma"));
            let se = root_diagonal(fit.beta_covariance());
            let of_gls = if criterion == Criterion::Reml { 1.0 } else { (64.0f64 / 60.0).sqrt() };
            let expected: Vec<f64> = reference(&model, "gls_se_beta").iter().map(|s| s / of_gls).collect();
            close(&se, &expected, 1e-6, &format!("{model} standard errors"));
            let best = match criterion {
                Criterion::Reml => fit.ln_restricted_likelihood(),
                Criterion::Ml => fit.ln_likelihood(),
            };
            close(&[best], &reference(&model, "gls_loglik"), 1e-11, &format!("{model} log-likelihood"));
            close(&[fit.aic()], &reference(&model, "gls_aic"), 1e-11, &format!("{model} AIC"));
            // The same criterion with n by n matrices, polished by Newton steps.
            close(fit.gamma(), &reference(&model, "gamma"), 1e-8, &format!("{model} polished gamma"));
            close(&[fit.ln_likelihood()], &reference(&model, "ml"), 1e-9, &format!("{model} ml"));
            close(
                &[fit.ln_restricted_likelihood()],
                &reference(&model, "reml"),
                1e-9,
                &format!("{model} reml"),
            );
            close(fit.gamma_covariance().as_slice(), &reference(&model, "gamma_cov"), 1e-7, &model);
            close(fit.beta_covariance().as_slice(), &reference(&model, "beta_cov"), 1e-7, &model);
            assert!(fit.iterations() <= 12, "{model}: {} steps", fit.iterations());
        }
    }
}

#[test]
fn agrees_with_gaulss_without_its_offset() {
    let flakes = flakes();
    let fit = LocationScale::new()
        .criterion(Criterion::Ml)
        .fit(&location(&flakes), &scale("both", &flakes), &response(&flakes))
        .unwrap();
    let coef: Vec<f64> = fit.beta().iter().chain(fit.gamma()).copied().collect();
    close(&coef, &reference("gaulss_both", "coef"), 1e-6, "gaulss");
    close(&[fit.ln_likelihood()], &reference("gaulss_both", "loglik"), 1e-10, "gaulss");
}

#[test]
fn one_spread_for_all_is_least_squares_with_its_exact_t() {
    let flakes = flakes();
    let (x, y) = (location(&flakes), response(&flakes));
    let one = design(1, vec![vec![1.0]; 64]);
    let fit = LocationScale::new().fit(&x, &one, &y).unwrap();
    let svd = x.matrix().clone().svd(true, true);
    let beta = svd.solve(&DMatrix::from_column_slice(64, 1, &y), 1e-12).unwrap();
    close(fit.beta(), beta.as_slice(), 1e-10, "least squares");
    let rss = (x.matrix() * &beta - DMatrix::from_column_slice(64, 1, &y)).norm_squared();
    let new = [1.0, 2.0, 70.0, 1.0];
    let row = fit.predict_row(&new, &[1.0]).unwrap();
    assert!((row.df - 60.0).abs() < 1e-9, "{}", row.df);
    let v = DMatrix::from_column_slice(4, 1, &new);
    let leverage = (v.transpose() * (x.matrix().transpose() * x.matrix()).try_inverse().unwrap() * &v)[0];
    close(&[row.scale], &[(rss / 60.0 * (1.0 + leverage)).sqrt()], 1e-9, "spread of a new flake");
}

#[test]
fn two_groups_apart_are_two_least_squares_fits() {
    // Location and scale both by group: each group has its own exact t.
    let flakes = flakes();
    let y = response(&flakes);
    let x = design(
        4,
        flakes.iter().map(|f| vec![1.0 - f[2], (1.0 - f[2]) * f[0].ln(), f[2], f[2] * f[0].ln()]).collect(),
    );
    let z = design(2, flakes.iter().map(|f| vec![1.0 - f[2], f[2]]).collect());
    let fit = LocationScale::new().fit(&x, &z, &y).unwrap();
    assert!((fit.predict_row(&[1.0, 2.0, 0.0, 0.0], &[1.0, 0.0]).unwrap().df - 36.0).abs() < 1e-9);
    assert!((fit.predict_row(&[0.0, 0.0, 1.0, 2.0], &[0.0, 1.0]).unwrap().df - 24.0).abs() < 1e-9);
}

#[test]
fn a_warm_start_gives_the_same_answer_in_fewer_steps() {
    let flakes = flakes();
    let (x, z, y) = (location(&flakes), scale("both", &flakes), response(&flakes));
    let cold = LocationScale::new().fit(&x, &z, &y).unwrap();
    let warm = LocationScale::new().fit_from(&x, &z, &y, cold.gamma()).unwrap();
    close(warm.gamma(), cold.gamma(), 1e-9, "warm");
    assert_eq!((warm.iterations(), warm.stopped()), (0, StopReason::Gradient));
    let far = LocationScale::new().fit_from(&x, &z, &y, &[3.0, -2.0, 0.5]).unwrap();
    close(far.gamma(), cold.gamma(), 1e-8, "far");
}

#[test]
fn a_ridge_pulls_towards_one_spread() {
    let flakes = flakes();
    let (x, z, y) = (location(&flakes), scale("both", &flakes), response(&flakes));
    let free = LocationScale::new().fit(&x, &z, &y).unwrap();
    let some = LocationScale::new().ridge(20.0).fit(&x, &z, &y).unwrap();
    let all = LocationScale::new().ridge(1e9).fit(&x, &z, &y).unwrap();
    for j in 1..3 {
        assert!(some.gamma()[j].abs() < free.gamma()[j].abs());
        assert!(all.gamma()[j].abs() < 1e-6);
    }
    let one = LocationScale::new().fit(&x, &design(1, vec![vec![1.0]; 64]), &y).unwrap();
    close(&all.gamma()[..1], one.gamma(), 1e-5, "the intercept is free");
}

#[test]
fn bad_input_is_answered_by_name() {
    let flakes = flakes();
    let (x, z, y) = (location(&flakes), scale("both", &flakes), response(&flakes));
    let fit = |x: &Design, z: &Design, y: &[f64]| LocationScale::new().fit(x, z, y);
    assert!(matches!(fit(&x, &z, &y[1..]), Err(Error::Shape { found: 64, expected: 63, .. })));
    let mut bad = y.clone();
    bad[4] = f64::NAN;
    assert_eq!(fit(&x, &z, &bad).unwrap_err().place().unwrap().row, Some(5));
    let few = design(1, vec![vec![1.0]; 2]);
    assert!(matches!(fit(&few, &few, &[1.0, 2.0]), Err(Error::TooFew { found: 2, needed: 3, .. })));
    let twice = design(3, flakes.iter().map(|f| vec![1.0, f[0], 3.0 * f[0] - 2.0]).collect());
    assert_eq!(fit(&twice, &z, &y).unwrap_err(), Error::RankDeficient { term: "term 2".into() });
    assert_eq!(fit(&x, &twice, &y).unwrap_err(), Error::RankDeficient { term: "term 2".into() });
    let zero = design(2, vec![vec![1.0, 0.0]; 64]);
    assert_eq!(fit(&x, &zero, &y).unwrap_err(), Error::RankDeficient { term: "term 1".into() });
    let exact: Vec<f64> = flakes.iter().map(|f| 2.0 * f[0].ln() - 1.0).collect();
    assert!(matches!(fit(&x, &z, &exact), Err(Error::Invalid { .. })));
    assert!(matches!(fit(&x, &z, &[0.0; 64]), Err(Error::Invalid { .. })));
    assert!(matches!(LocationScale::new().ridge(-1.0).fit(&x, &z, &y), Err(Error::OutOfRange { .. })));
    assert!(matches!(LocationScale::new().tolerance(0.0).fit(&x, &z, &y), Err(Error::OutOfRange { .. })));
    assert!(matches!(LocationScale::new().max_iterations(0).fit(&x, &z, &y), Err(Error::OutOfRange { .. })));
    assert!(matches!(
        LocationScale::new().max_iterations(1).fit(&x, &z, &y),
        Err(Error::NotConverged { .. })
    ));
    assert!(matches!(LocationScale::new().fit_from(&x, &z, &y, &[0.0]), Err(Error::Shape { .. })));
    let huge: Vec<f64> = y.iter().map(|v| v * 1e300).collect();
    assert!(fit(&x, &z, &huge).is_err());
    let ok = fit(&x, &z, &y).unwrap();
    assert!(matches!(ok.predict_row(&[1.0], &[1.0, 0.0, 1.0]), Err(Error::Shape { .. })));
    assert!(ok.predict_row(&[1.0, 2.0, f64::INFINITY, 0.0], &[1.0, 0.0, 1.0]).is_err());
    assert!(ok.predict_row(&[1.0, 2.0, 70.0, 0.0], &[1.0, 0.0, -1e300]).is_err());
}

#[test]
fn a_spread_that_vanishes_is_refused_with_advice() {
    // Four flakes of one percussor lie exactly on a line of their own and have a spread of their own.
    let mut flakes = flakes();
    for f in &mut flakes {
        f[2] = 0.0;
    }
    for f in &mut flakes[..4] {
        f[2] = 1.0;
        f[3] = 0.5 + f[0].ln();
    }
    let x = design(4, flakes.iter().map(|f| vec![1.0, f[0].ln(), f[2], f[2] * f[0].ln()]).collect());
    let e = LocationScale::new().fit(&x, &scale("ident", &flakes), &response(&flakes)).unwrap_err();
    assert!(matches!(&e, Error::NotConverged { reason, .. } if reason.contains("nothing")), "{e}");
    let ridge = LocationScale::new().ridge(20.0).fit(&x, &scale("ident", &flakes), &response(&flakes));
    assert!(ridge.unwrap().gamma()[1] < -1.0);
}

#[test]
fn a_stored_fit_comes_back_and_a_spoilt_one_does_not() {
    let flakes = flakes();
    let fit =
        LocationScale::new().fit(&location(&flakes), &scale("both", &flakes), &response(&flakes)).unwrap();
    let text = serde_json::to_string(&fit).unwrap();
    assert_eq!(serde_json::from_str::<LocationScaleFit>(&text).unwrap(), fit);
    let value = serde_json::to_value(&fit).unwrap();
    let spoilt: [(&str, serde_json::Value); 5] = [
        ("beta", serde_json::json!([1.0])),
        ("gamma_covariance", serde_json::json!([[1.0]])),
        ("gamma_covariance", serde_json::json!([[1.0, 2.0, 0.0], [2.0, 1.0, 0.0], [0.0, 0.0, 1.0]])),
        ("gamma_covariance", serde_json::json!([[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, 1.0]])),
        ("rows", serde_json::json!(3)),
    ];
    for (field, with) in spoilt {
        let mut other = value.clone();
        other[field] = with;
        let e = serde_json::from_value::<LocationScaleFit>(other).unwrap_err();
        assert!(e.to_string().contains(field), "{field}: {e}");
    }
}

/// The likelihoods with nothing but dense algebra, for differences.
fn dense(x: &Design, z: &Design, y: &[f64], gamma: &[f64]) -> (f64, f64) {
    let (n, p) = x.matrix().shape();
    let y = DMatrix::from_column_slice(n, 1, y);
    let ln_sigma = z.matrix() * DMatrix::from_column_slice(gamma.len(), 1, gamma);
    let w = DMatrix::from_diagonal(&ln_sigma.column(0).map(|s| (-2.0 * s).exp()));
    let a = x.matrix().transpose() * &w * x.matrix();
    let beta = a.clone().lu().solve(&(x.matrix().transpose() * &w * &y)).unwrap();
    let r = y - x.matrix() * beta;
    let q = (r.transpose() * &w * &r)[0];
    let ln_2pi = (2.0 * std::f64::consts::PI).ln();
    let ml = -0.5 * (n as f64 * ln_2pi + 2.0 * ln_sigma.sum() + q);
    (ml + 0.5 * (p as f64 * ln_2pi - a.determinant().ln()), ml)
}

fn drawn(seed: u64, n: usize) -> (Design, Design, Vec<f64>) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
    let rows: Vec<(f64, f64, f64)> = (0..n)
        .map(|i| {
            let (u, group) = (normal(), f64::from(u8::from(i % 3 == 0)));
            (u, group, 1.0 + 0.5 * u - group + (-0.3 + 0.4 * u + 0.6 * group).exp() * normal())
        })
        .collect();
    (
        design(3, rows.iter().map(|r| vec![1.0, r.0, r.1]).collect()),
        design(3, rows.iter().map(|r| vec![1.0, r.0, r.1]).collect()),
        rows.iter().map(|r| r.2).collect(),
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn gradient_is_zero_by_differences(seed in 0u64..100_000, n in 40usize..80, ml in any::<bool>()) {
        let (x, z, y) = drawn(seed, n);
        let criterion = if ml { Criterion::Ml } else { Criterion::Reml };
        let fit = LocationScale::new().criterion(criterion).fit(&x, &z, &y).unwrap();
        let value = |g: &[f64]| { let (r, m) = dense(&x, &z, &y, g); if ml { m } else { r } };
        let best = value(fit.gamma());
        let own = if ml { fit.ln_likelihood() } else { fit.ln_restricted_likelihood() };
        prop_assert!((best - own).abs() < 1e-9);
        for j in 0..3 {
            let h = 1e-4;
            let at = |s: f64| { let mut g = fit.gamma().to_vec(); g[j] += s * h; value(&g) };
            let slope = (8.0 * (at(1.0) - at(-1.0)) - (at(2.0) - at(-2.0))) / (12.0 * h);
            prop_assert!(slope.abs() < 2e-7 * n as f64, "slope {slope} along {j}");
            prop_assert!(at(10.0) < best && at(-10.0) < best);
        }
    }

    #[test]
    fn a_change_of_unit_moves_only_what_it_should(seed in 0u64..100_000, c in 1e-3f64..1e3, shift in -50.0f64..50.0) {
        let (x, z, y) = drawn(seed, 50);
        let a = LocationScale::new().fit(&x, &z, &y).unwrap();
        let other: Vec<f64> = y.iter().map(|v| c * (v + shift)).collect();
        let b = LocationScale::new().fit(&x, &z, &other).unwrap();
        prop_assert!((b.gamma()[0] - a.gamma()[0] - c.ln()).abs() < 1e-7);
        for j in 1..3 {
            prop_assert!((b.gamma()[j] - a.gamma()[j]).abs() < 1e-7);
            prop_assert!((b.beta()[j] / c - a.beta()[j]).abs() < 1e-7);
        }
        prop_assert!((b.beta()[0] / c - shift - a.beta()[0]).abs() < 1e-7);
        prop_assert!((b.gamma_covariance() - a.gamma_covariance()).amax() < 1e-7);
    }

    #[test]
    fn the_order_of_rows_is_nothing(seed in 0u64..100_000, turn in 1usize..49) {
        let (x, z, y) = drawn(seed, 50);
        let a = LocationScale::new().fit(&x, &z, &y).unwrap();
        let turned = |d: &Design| {
            let m = DMatrix::from_fn(50, 3, |i, j| d.matrix()[((i + turn) % 50, j)]);
            Design::new(d.names().to_vec(), m).unwrap()
        };
        let y: Vec<f64> = (0..50).map(|i| y[(i + turn) % 50]).collect();
        let b = LocationScale::new().fit(&turned(&x), &turned(&z), &y).unwrap();
        close(b.beta(), a.beta(), 1e-8, "beta");
        close(b.gamma(), a.gamma(), 1e-8, "gamma");
    }
}

// ---------------------------------------------------------------------------------------------------------
// Coverage of a new flake's interval.

/// What the spread follows in a simulated experiment.
#[derive(Clone, Copy, Debug)]
enum Spread {
    Groups,
    Covariate,
    Both,
}

/// Location and scale terms of a flake at covariate u (−1 to 1) in a group (0 or 1).
fn terms(spread: Spread, u: f64, group: f64) -> (Vec<f64>, Vec<f64>) {
    let z = match spread {
        Spread::Groups => vec![1.0, group],
        Spread::Covariate => vec![1.0, u],
        Spread::Both => vec![1.0, u, group],
    };
    (vec![1.0, u, group], z)
}

fn true_gamma(spread: Spread) -> &'static [f64] {
    match spread {
        Spread::Groups => &[-1.0, 0.8],
        Spread::Covariate => &[-1.0, 0.6],
        Spread::Both => &[-1.0, 0.6, 0.8],
    }
}

/// Mean coverage, by drawing the experiment again and again: the chance, under the truth, that a new
/// flake lies in the interval. Overall (over the rows of the experiment), and at u = 1 in the smaller
/// group, the corner with the least to go by. A third of the flakes are in group 1.
fn coverage(spread: Spread, n: usize, repetitions: usize, seed: u64, level: f64) -> (f64, f64) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let settings: Vec<(f64, f64)> = (0..n)
        .map(|i| (-1.0 + 2.0 * ((i * 7) % n) as f64 / (n - 1) as f64, f64::from(u8::from(i % 3 == 0))))
        .collect();
    let (rows, scales): (Vec<_>, Vec<_>) = settings.iter().map(|s| terms(spread, s.0, s.1)).unzip();
    let gamma = true_gamma(spread);
    let sigma = |z: &[f64]| z.iter().zip(gamma).map(|(a, b)| a * b).sum::<f64>().exp();
    let (x, z) = (design(3, rows.clone()), design(gamma.len(), scales.clone()));
    let corner = terms(spread, 1.0, 1.0);
    let (mut overall, mut at_corner, mut count) = (0.0, 0.0, 0.0);
    let mut y = vec![0.0; n];
    for _ in 0..repetitions {
        for (v, z) in y.iter_mut().zip(&scales) {
            let e: f64 = StandardNormal.sample(&mut rng);
            // β = 0 loses nothing: the fit moves with it exactly.
            *v = sigma(z) * e;
        }
        let fit = LocationScale::new().fit(&x, &z, &y).unwrap();
        let chance = |fit: &LocationScaleFit, x: &[f64], z: &[f64]| {
            let row = fit.predict_row(x, z).unwrap();
            let half = special::student_quantile(0.5 + level / 2.0, row.df) * row.scale;
            special::normal_cdf((row.location + half) / sigma(z))
                - special::normal_cdf((row.location - half) / sigma(z))
        };
        for i in (0..n).step_by(n / 10) {
            overall += chance(&fit, &rows[i], &scales[i]);
            count += 1.0;
        }
        at_corner += chance(&fit, &corner.0, &corner.1);
    }
    (overall / count, at_corner / repetitions as f64)
}

#[test]
fn a_95_percent_interval_holds_95_percent() {
    for (spread, seed) in [(Spread::Groups, 1), (Spread::Covariate, 2), (Spread::Both, 3)] {
        let (overall, corner) = coverage(spread, 100, 200, seed, 0.95);
        assert!((0.94..=0.96).contains(&overall), "{spread:?}: {overall}");
        assert!((0.93..=0.97).contains(&corner), "{spread:?}, corner: {corner}");
    }
}

#[test]
#[ignore = "long: 10,000 experiments of each kind; run in release"]
fn a_95_percent_interval_holds_95_percent_over_10_000_experiments() {
    for (spread, seed) in [(Spread::Groups, 11), (Spread::Covariate, 12), (Spread::Both, 13)] {
        for n in [30, 50, 100, 350] {
            let repetitions = if n > 200 { 2_000 } else { 10_000 };
            let (overall, corner) = coverage(spread, n, repetitions, seed, 0.95);
            let (half, _) = coverage(spread, n, repetitions / 5, seed + 100, 0.5);
            println!("{spread:?} n = {n}: {overall:.4} overall, {corner:.4} in the corner; 50 %: {half:.4}");
            if n >= 100 {
                assert!((0.94..=0.96).contains(&overall), "{spread:?} n = {n}: {overall}");
                assert!((0.94..=0.96).contains(&corner), "{spread:?} n = {n}, corner: {corner}");
            }
        }
    }
}
