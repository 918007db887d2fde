//! The shrunken fit against an independent dense implementation (tests/reference/shrunken.py), against the fits it
//! contains as special cases, and against its own laws; its intervals against a known truth.

use crate::fit::shrunken::{Shrunken, ShrunkenFit, Tails};
use crate::fit::{Design, linear};
use crate::special::{normal_cdf, student_cdf, student_quantile};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal, StudentT};
use serde_json::Value;

const INF: f64 = f64::INFINITY;

/// The invented table: columns depth, angle, antler, edge, y.
fn table() -> Vec<[f64; 5]> {
    let text = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/shrunken.csv"));
    let rows: Vec<[f64; 5]> = text
        .lines()
        .filter(|l| !l.starts_with('#'))
        .skip(1)
        .map(|l| {
            let cells: Vec<f64> = l.split(',').map(|c| c.parse().unwrap()).collect();
            cells.try_into().unwrap()
        })
        .collect();
    assert_eq!(rows.len(), 150);
    rows
}

/// Location terms (5 free, 8 second-order) and scale terms of one row, as in the script.
fn terms(depth: f64, angle: f64, antler: f64, edge: f64) -> ([f64; 13], [f64; 3]) {
    let (l, a) = (depth.ln() - 1.5, angle - 70.0);
    let second = [l * l, a * a, l * a, antler * l, antler * a, edge * l, edge * a, edge * antler];
    let mut x = [0.0; 13];
    x[..5].copy_from_slice(&[1.0, depth.ln(), angle, antler, edge]);
    x[5..].copy_from_slice(&second);
    (x, [1.0, depth.ln(), edge])
}

fn design(rows: &[Vec<f64>]) -> Design {
    Design::from_rows((0..rows[0].len()).map(|j| format!("term {j}")).collect(), rows).unwrap()
}

/// Designs with this many location and scale terms, responses, and the class of every row (1: edge).
fn data(p: usize, q: usize) -> (Design, Design, Vec<f64>, Vec<usize>) {
    let rows = table();
    let x: Vec<Vec<f64>> = rows.iter().map(|r| terms(r[0], r[1], r[2], r[3]).0[..p].to_vec()).collect();
    let z: Vec<Vec<f64>> = rows.iter().map(|r| terms(r[0], r[1], r[2], r[3]).1[..q].to_vec()).collect();
    let class = rows.iter().map(|r| r[3] as usize).collect();
    (design(&x), design(&z), rows.iter().map(|r| r[4]).collect(), class)
}

fn second_order(p: usize) -> Vec<bool> {
    (0..p).map(|j| j >= 5).collect()
}

/// Asserts agreement relative to the larger of the reference and `size`.
#[track_caller]
fn same(what: &str, found: f64, expected: f64, size: f64, tolerance: f64) {
    let error = (found - expected).abs() / expected.abs().max(size);
    assert!(error <= tolerance, "{what}: {found} against {expected} (relative {error:.1e})");
}

fn numbers(v: &Value) -> Vec<f64> {
    v.as_array().unwrap().iter().map(|x| x.as_f64().unwrap_or(INF)).collect()
}

fn compare(name: &str, fit: &ShrunkenFit, expected: &Value, tolerance: f64) {
    assert_eq!(fit.degrees_of_freedom, numbers(&expected["nu"]), "{name}: degrees of freedom");
    for (what, found, variances) in
        [("coefficients", &fit.coefficients, &fit.covariance), ("gamma", &fit.gamma, &fit.gamma_covariance)]
    {
        let key = if what == "gamma" { "gamma_covariance" } else { "covariance" };
        for (i, e) in numbers(&expected[what]).iter().enumerate() {
            // against the standard error: a coefficient may be near 0
            let se = variances[(i, i)].sqrt();
            same(&format!("{name}: {what} {i}"), found[i], *e, se, tolerance);
            for (j, e) in numbers(&expected[key][i]).iter().enumerate() {
                let size = se * variances[(j, j)].sqrt();
                same(&format!("{name}: {key} {i} {j}"), variances[(i, j)], *e, size, tolerance);
            }
        }
    }
    if let Some(e) = expected["ln_lambda"].as_f64() {
        same(&format!("{name}: lambda"), fit.lambda.unwrap(), e.exp(), 0.0, tolerance);
    } else {
        assert_eq!(fit.lambda, None);
    }
    for (what, found) in [
        ("effective_parameters", fit.effective_parameters),
        ("ln_likelihood", fit.ln_likelihood),
        ("ln_restricted_likelihood", fit.ln_restricted_likelihood),
        ("ln_marginal_likelihood", fit.ln_marginal_likelihood),
    ] {
        same(&format!("{name}: {what}"), found, expected[what].as_f64().unwrap(), 0.0, tolerance);
    }
}

#[test]
fn agrees_with_the_independent_fits() {
    let reference: Value = serde_json::from_str(include_str!(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/reference/shrunken.json"
    )))
    .unwrap();
    let usual = || vec![3.0, 4.0, 6.0, 10.0, INF];
    let models = reference["models"].as_array().unwrap();
    for m in models {
        let name = m["name"].as_str().unwrap();
        let (p, q) = match name {
            "nothing penalised" | "nothing penalised, t" => (5, 3),
            "constant spread" => (13, 1),
            _ => (13, 3),
        };
        let (x, z, y, class) = data(p, q);
        let settings = Shrunken::default().tolerance(1e-11);
        let (settings, tails) = match name {
            "tails by class" => {
                (settings, Tails::by_class(class, vec![usual(), vec![4.0, 10.0, INF]]).unwrap())
            }
            "one tail" => (settings, Tails::same(usual()).unwrap()),
            "given penalty" => {
                (settings.lambda(25.0), Tails::by_class(class, vec![vec![4.0], vec![INF]]).unwrap())
            }
            "nothing penalised, t" => (settings, Tails::same(vec![4.0]).unwrap()),
            _ => (settings, Tails::normal()),
        };
        let fit = settings.fit(&x, &second_order(p), &z, &tails, &y).unwrap();
        compare(name, &fit, &m["fit"], 1e-7);
    }
    assert_eq!(models.len(), 7);
}

#[test]
fn is_least_squares_with_exact_degrees_of_freedom_where_nothing_is_modelled() {
    let (x, z, y, _) = data(13, 1);
    let free = [false; 13];
    let fit = Shrunken::default().tolerance(1e-12).fit(&x, &free, &z, &Tails::normal(), &y).unwrap();
    let plain = linear::fit(&x, &y, None).unwrap();
    for (j, (a, b)) in fit.coefficients.iter().zip(plain.coefficients()).enumerate() {
        same(&format!("coefficient {j}"), *a, *b, plain.standard_errors()[j], 1e-10);
        same("standard error", fit.covariance[(j, j)].sqrt(), plain.standard_errors()[j], 0.0, 1e-10);
    }
    let row = terms(11.0, 82.0, 1.0, 0.0).0;
    let new = fit.predict_row(&row, &[1.0], 0).unwrap();
    same("degrees of freedom", new.df, 137.0, 0.0, 1e-10);
    let (low, high) = plain.interval(&row, 0.95, 1.0).unwrap();
    let half = new.scale * student_quantile(0.975, new.df);
    same("low", new.location - half, low, 0.0, 1e-9);
    same("high", new.location + half, high, 0.0, 1e-9);
    same("effective parameters", fit.effective_parameters, 13.0, 0.0, 1e-12);
}

/// Without penalty and with normal tails: R's gls (to the accuracy of its optimiser), and the same criterion with n by n
/// matrices, polished by Newton steps (tests/reference/location_scale.R).
#[test]
fn is_restricted_maximum_likelihood_where_nothing_is_penalised() {
    let flakes: Vec<[f64; 4]> =
        include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/location_scale_data.csv"))
            .lines()
            .skip(1)
            .map(|l| {
                let v: Vec<f64> = l.split(',').map(|c| c.parse().unwrap()).collect();
                [v[0], v[1], v[2], v[3]]
            })
            .collect();
    assert_eq!(flakes.len(), 64);
    let reference = |model: &str, quantity: &str| -> Vec<f64> {
        let found: Vec<f64> =
            include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/location_scale.csv"))
                .lines()
                .map(|l| l.split(',').collect::<Vec<_>>())
                .filter(|c| c[0] == model && c[1] == quantity)
                .map(|c| c[3].parse().unwrap())
                .collect();
        assert!(!found.is_empty(), "no reference for {model} {quantity}");
        found
    };
    let x = design(&flakes.iter().map(|f| vec![1.0, f[0].ln(), f[1], f[2]]).collect::<Vec<_>>());
    let y: Vec<f64> = flakes.iter().map(|f| f[3]).collect();
    for name in ["ident", "exp", "power", "both"] {
        let row = |f: &[f64; 4]| match name {
            "ident" => vec![1.0, f[2]],
            "exp" => vec![1.0, f[0]],
            "power" => vec![1.0, f[0].ln()],
            _ => vec![1.0, f[2], f[0]],
        };
        let z = design(&flakes.iter().map(row).collect::<Vec<_>>());
        let fit =
            Shrunken::default().tolerance(1e-11).fit(&x, &[false; 4], &z, &Tails::normal(), &y).unwrap();
        let model = format!("{name}_reml");
        let se = |m: &nalgebra::DMatrix<f64>| m.diagonal().iter().map(|v| v.sqrt()).collect::<Vec<_>>();
        let (own, spread) = (se(&fit.covariance), se(&fit.gamma_covariance));
        for (j, e) in reference(&model, "gls_beta").iter().enumerate() {
            assert!((fit.coefficients[j] - e).abs() < 1e-6, "{model}: coefficient {j}");
        }
        for (j, e) in reference(&model, "gls_se_beta").iter().enumerate() {
            same(&format!("{model}: standard error {j}"), own[j], *e, 0.0, 1e-6);
        }
        for (j, e) in reference(&model, "gamma").iter().enumerate() {
            same(&format!("{model}: gamma {j}"), fit.gamma[j], *e, spread[j], 1e-8);
        }
        // the slopes of the score have seven digits in the script
        for (k, e) in reference(&model, "gamma_cov").iter().enumerate() {
            let (i, j) = (k / z.columns(), k % z.columns());
            let size = spread[i] * spread[j];
            same(&format!("{model}: gamma covariance {k}"), fit.gamma_covariance[(i, j)], *e, size, 1e-7);
        }
        for (k, e) in reference(&model, "beta_cov").iter().enumerate() {
            let (i, j) = (k / 4, k % 4);
            same(&format!("{model}: covariance {k}"), fit.covariance[(i, j)], *e, own[i] * own[j], 1e-8);
        }
        let reml = reference(&model, "reml")[0];
        same(&format!("{model}: restricted likelihood"), fit.ln_restricted_likelihood, reml, 0.0, 1e-9);
    }
}

/// Units and origins of the columns and of the response must not matter.
#[test]
fn answers_are_the_same_in_other_units() {
    let (x, z, y, class) = data(13, 3);
    let grids = vec![vec![3.0, 6.0, INF], vec![INF]];
    let tails = Tails::by_class(class, grids).unwrap();
    let settings = Shrunken::default().tolerance(1e-10);
    let fit = settings.fit(&x, &second_order(13), &z, &tails, &y).unwrap();
    let change = |row: &[f64]| -> Vec<f64> {
        let mut out: Vec<f64> =
            row.iter().enumerate().map(|(j, v)| v * 10f64.powi(j as i32 % 5 - 2)).collect();
        for j in 1..out.len() {
            out[j] += 3.0 * out[0];
        }
        out
    };
    let rows = table();
    let other: Vec<Vec<f64>> = rows.iter().map(|r| change(&terms(r[0], r[1], r[2], r[3]).0)).collect();
    let y2: Vec<f64> = y.iter().map(|v| 1000.0 * v + 7.0).collect();
    let again = settings.fit(&design(&other), &second_order(13), &z, &tails, &y2).unwrap();
    assert_eq!(fit.degrees_of_freedom, again.degrees_of_freedom);
    for (d, a, antler, edge) in [(4.0, 75.0, 1.0, 0.0), (9.0, 60.0, 0.0, 1.0)] {
        let (row, spread) = terms(d, a, antler, edge);
        let one = fit.predict_row(&row, &spread, edge as usize).unwrap();
        let two = again.predict_row(&change(&row), &spread, edge as usize).unwrap();
        same("location", two.location, 1000.0 * one.location + 7.0, 0.0, 1e-7);
        same("scale", two.scale, 1000.0 * one.scale, 0.0, 1e-7);
        same("degrees of freedom", two.df, one.df, 0.0, 1e-7);
    }
    same("penalty", again.lambda.unwrap(), fit.lambda.unwrap() * 1e-6, 0.0, 1e-6);
}

#[test]
fn the_penalty_runs_to_its_end_where_there_is_nothing_to_see() {
    // a response without any second-order part: its residuals are made orthogonal to all terms
    let (x, z, y, _) = data(13, 1);
    let plain = linear::fit(&x, &y, None).unwrap();
    let flat: Vec<f64> = x
        .matrix()
        .row_iter()
        .zip(&y)
        .map(|(row, y)| {
            let row: Vec<f64> = row.iter().copied().collect();
            y - plain.expected(&row).unwrap() + 0.3 * row[1]
        })
        .collect();
    let fit = Shrunken::default().fit(&x, &second_order(13), &z, &Tails::normal(), &flat).unwrap();
    assert!((fit.effective_parameters - 5.0).abs() < 1e-3, "{}", fit.effective_parameters);
    same("slope", fit.coefficients[1], 0.3, 0.0, 1e-6);
}

#[test]
fn a_penalised_column_that_does_not_vary_keeps_its_prior() {
    let (x, z, y, _) = data(13, 3);
    let with: Vec<Vec<f64>> =
        x.matrix().row_iter().map(|r| r.iter().copied().chain([0.0]).collect()).collect();
    let flags: Vec<bool> = (0..14).map(|j| j >= 5).collect();
    let fit = Shrunken::default().lambda(50.0).fit(&design(&with), &flags, &z, &Tails::normal(), &y).unwrap();
    assert!(fit.coefficients[13].abs() < 1e-12);
    same("its variance", fit.covariance[(13, 13)], 1.0 / 50.0, 0.0, 1e-12);
    let without =
        Shrunken::default().lambda(50.0).fit(&x, &second_order(13), &z, &Tails::normal(), &y).unwrap();
    same("another", fit.coefficients[1], without.coefficients[1], 0.0, 1e-7);
}

#[test]
fn refusals_name_what_is_wrong() {
    let (x, z, y, _) = data(5, 3);
    let fit = |x: &Design, flags: &[bool], z: &Design, y: &[f64]| {
        Shrunken::default().fit(x, flags, z, &Tails::normal(), y).unwrap_err().to_string()
    };
    let free = [false; 5];
    assert_eq!(fit(&x, &free[..4], &z, &y), "entries of penalised: 4 found, 5 expected");
    assert_eq!(fit(&x, &free, &z, &y[1..]), "rows of the location terms: 150 found, 149 expected");
    let mut broken = y.clone();
    broken[6] = f64::NAN;
    assert_eq!(
        fit(&x, &free, &z, &broken),
        "row 7, column response: NaN is out of range (accepted: finite numbers)"
    );
    let twice: Vec<Vec<f64>> =
        x.matrix().row_iter().map(|r| r.iter().copied().chain([r[1] - 2.0 * r[2]]).collect()).collect();
    let message = fit(&design(&twice), &[false; 6], &z, &y);
    assert!(message.starts_with("the term term 5 cannot be told apart"), "{message}");
    // the same column is no trouble under the penalty
    let flags: Vec<bool> = (0..6).map(|j| j == 5).collect();
    assert!(Shrunken::default().fit(&design(&twice), &flags, &z, &Tails::normal(), &y).is_ok());
    let exact: Vec<f64> = x.matrix().column(1).iter().map(|v| 2.0 * v + 1.0).collect();
    assert!(fit(&x, &free, &z, &exact).contains("fit every row exactly"));
    assert!(fit(&x, &free, &z, &[3.0; 150]).contains("all the same"));
    let ok = Shrunken::default().fit(&x, &free, &z, &Tails::normal(), &y).unwrap();
    assert!(ok.predict_row(&[1.0; 5], &[1.0; 3], 1).unwrap_err().to_string().contains("no class 1"));
    assert!(Tails::by_class(vec![0], vec![vec![3.0; 30], vec![3.0; 30]]).is_err());
}

/// Average coverage of 95 % intervals for new flakes, platform and edge, over fits to invented tables of `n` rows
/// whose truth is known. The probability inside an interval is worked out exactly, so only the fits vary.
fn coverage(n: usize, fits: u64) -> [f64; 2] {
    let heavy = StudentT::new(3.0).unwrap();
    let truth = |x: &[f64; 13], edge: f64| {
        let b = [-1.9, 2.0, 0.03, -0.4, -0.9, 0.2, 0.0, 0.01, -0.3, 0.0, 0.0, 0.0, 0.1];
        let location: f64 = x.iter().zip(b).map(|(x, b)| x * b).sum();
        (location, (-0.8 - 0.2 * x[1] + 0.7 * edge).exp())
    };
    let draw = |rng: &mut ChaCha8Rng| {
        let normal: f64 = StandardNormal.sample(rng);
        let depth = (1.6 + 0.45 * normal).exp();
        let angle = [55.0, 65.0, 75.0, 85.0][rng.next_u32() as usize % 4];
        let antler = f64::from(rng.next_u32() % 10 < 4);
        let edge = f64::from(rng.next_u32() % 10 < 4);
        (depth, angle, antler, edge)
    };
    let (mut inside, mut count) = ([0.0; 2], [0u32; 2]);
    for seed in 0..fits {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let (mut x, mut z, mut y, mut class) = (vec![], vec![], vec![], vec![]);
        for _ in 0..n {
            let (d, a, antler, edge) = draw(&mut rng);
            let (row, spread) = terms(d, a, antler, edge);
            let (location, scale) = truth(&row, edge);
            let e: f64 = if edge == 1.0 { StandardNormal.sample(&mut rng) } else { heavy.sample(&mut rng) };
            y.push(location + scale * e);
            x.push(row.to_vec());
            z.push(spread.to_vec());
            class.push(edge as usize);
        }
        let grids = vec![vec![3.0, 4.0, 6.0, 10.0, INF], vec![4.0, 10.0, INF]];
        let tails = Tails::by_class(class, grids).unwrap();
        let fit = Shrunken::default()
            .tolerance(1e-5)
            .fit(&design(&x), &second_order(13), &design(&z), &tails, &y)
            .unwrap();
        for _ in 0..20 {
            let (d, a, antler, edge) = draw(&mut rng);
            let (row, spread) = terms(d, a, antler, edge);
            let (location, scale) = truth(&row, edge);
            let class = edge as usize;
            let new = fit.predict_row(&row, &spread, class).unwrap();
            let half = new.scale * student_quantile(0.975, new.df);
            let cdf = |v: f64| {
                let v = (v - location) / scale;
                if class == 1 { normal_cdf(v) } else { student_cdf(v, 3.0) }
            };
            inside[class] += cdf(new.location + half) - cdf(new.location - half);
            count[class] += 1;
        }
    }
    [inside[0] / f64::from(count[0]), inside[1] / f64::from(count[1])]
}

#[test]
fn intervals_of_hundred_flakes_hold_their_level_in_each_class() {
    let [platform, edge] = coverage(100, 40);
    assert!((0.93..0.97).contains(&platform) && (0.93..0.97).contains(&edge), "{platform} {edge}");
}

#[test]
#[ignore = "takes about a minute"]
fn intervals_hold_their_level_in_each_class() {
    for n in [100, 200, 400] {
        let [platform, edge] = coverage(n, 400);
        println!("n {n}: platform {platform:.4}, edge {edge:.4}");
        assert!((0.94..0.96).contains(&platform) && (0.94..0.96).contains(&edge), "{platform} {edge}");
    }
}
