//! Held against a likelihood written in R and against lme4 (`tests/reference/kept.R`), and against its own model by
//! simulation.

use super::law::{Law, Seen, Two};
use super::*;
use crate::special::normal_sf;
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const TABLE: &str = include_str!("../../../tests/reference/kept_flakes.csv");
const EXPECTED: &str = include_str!("../../../tests/reference/kept.csv");

fn expected(what: &str) -> Vec<f64> {
    let of = |line: &str| {
        let (name, rest) = line.split_once(',')?;
        (name == what).then(|| rest.split_once(',')?.1.parse().ok())?
    };
    let found: Vec<f64> = EXPECTED.lines().filter_map(of).collect();
    assert!(!found.is_empty(), "no {what}");
    found
}

/// The invented table, some of its sizes.
fn table(sizes: &[usize], held: bool) -> Flakes {
    let mut f = Flakes { terms: 3, sizes: sizes.len(), ..Flakes::default() };
    for line in TABLE.lines().skip(1) {
        let (knapper, rest) = line.split_once(',').unwrap();
        let v: Vec<f64> = rest.split(',').map(|t| t.parse().unwrap()).collect();
        f.x.extend([1.0, v[0].ln() - 1.5, (v[1] - 75.0) / 10.0]);
        f.y.extend(sizes.iter().map(|s| v[2 + s].ln()));
        f.site.push(knapper.trim_start_matches("student ").parse::<usize>().unwrap() - 1);
        f.assemblage.push(0);
        f.held.push(held);
        f.between.push(None);
        f.weight.push(1.0);
    }
    f
}

fn close(what: &str, found: &[f64], expected: &[f64], within: f64) {
    assert_eq!(found.len(), expected.len(), "{what}");
    for (i, (a, b)) in found.iter().zip(expected).enumerate() {
        assert!((a - b).abs() <= within * b.abs().max(0.1), "{what} {i}: {a} against {b}");
    }
}

fn triangle(m: &DMatrix<f64>) -> Vec<f64> {
    (0..m.ncols()).flat_map(|j| (j..m.nrows()).map(move |i| m[(i, j)])).collect()
}

/// Both orthant values of a correlation of one half and of none are known in closed form; the others from mpmath
/// (30 digits, quadrature of the conditional law): `mp.quad(lambda z: npdf(z)*ncdf((r*z-k)/sqrt(1-r*r)), [h, inf])`.
#[test]
fn two_normals_above() {
    assert!((Two::new(0.5).both_above(0.0, 0.0) - 1.0 / 3.0).abs() < 1e-14);
    assert!((Two::new(0.0).both_above(0.0, 0.0) - 0.25).abs() < 1e-15);
    let (h, k) = (1.3, -0.4);
    let alone = Two::new(0.0).either_above(h, k);
    assert!((alone - (1.0 - (1.0 - normal_sf(h)) * (1.0 - normal_sf(k)))).abs() < 1e-15);
}

/// Slopes and curvature of the law against differences of its value: flakes with every size and with some, kept and whole,
/// exact and rounded, near and so far out that a rounded size has no probability left.
#[test]
fn slopes_are_those_of_the_value() {
    let covariance = DMatrix::from_row_slice(3, 3, &[0.2, 0.12, 0.2, 0.12, 0.25, 0.24, 0.2, 0.24, 0.6]);
    let l = covariance.clone().cholesky().unwrap().l();
    let mut cases = 0;
    for sizes in [vec![0, 1], vec![0]] {
        let threshold = Threshold { sizes, least: 3.2 };
        let law = |c: &DMatrix<f64>| Law::new(c, Some(&threshold)).unwrap();
        for (mask, held) in [(7, true), (7, false), (4, false), (5, true), (6, true)] {
            for between in [None, Some((1.1, 1.5)), Some((60.0, 60.3))] {
                let y = [3.3, 2.9, 1.3];
                let seen = Seen { y: &y, mask, between, held };
                let at = [3.0, 2.7, 1.7, 0.0, 0.2];
                let value = |v: &[f64; 5]| law(&covariance).value(&seen, &[v[0], v[1], v[2], v[3]], v[4]);
                let found = law(&covariance).at(&seen, &[3.0, 2.7, 1.7, 0.0], 0.2);
                let off = |a: f64, b: f64, what: &str| {
                    assert!((a - b).abs() < 2e-6 * b.abs().max(1.0), "{what}: {a} for {b}, {seen:?}");
                };
                assert_eq!(found.value, value(&at));
                let moved = |i: usize, by: f64| {
                    let mut v = at;
                    v[i] += by;
                    v
                };
                for i in [0, 1, 2, 4] {
                    off(found.slopes[i], (value(&moved(i, 1e-5)) - value(&moved(i, -1e-5))) / 2e-5, "slope");
                    let slopes = |by: f64| {
                        let v = moved(i, by);
                        law(&covariance).at(&seen, &[v[0], v[1], v[2], v[3]], v[4]).slopes
                    };
                    let (up, down) = (slopes(1e-5), slopes(-1e-5));
                    for j in [0, 1, 2, 4] {
                        off(found.curvature[i][j], (up[j] - down[j]) / 2e-5, "curvature");
                    }
                }
                // in the root of the covariance
                let own = law(&covariance).slopes_in_covariance(
                    &seen,
                    &[3.0, 2.7, 1.7, 0.0],
                    &[[3.0, 2.7, 1.7, 0.0]],
                );
                for (i, j) in [(0, 0), (1, 0), (2, 1), (2, 2)] {
                    let value = |by: f64| {
                        let mut l = l.clone();
                        l[(i, j)] += by;
                        law(&(&l * l.transpose())).value(&seen, &[3.0, 2.7, 1.7, 0.0], 0.0)
                    };
                    let slope: f64 = (0..3).map(|k| 2.0 * own[i][k] * l[(k, j)]).sum();
                    off(slope, (value(1e-6) - value(-1e-6)) / 2e-6, "slope in the covariance");
                }
                cases += 1;
            }
        }
    }
    assert_eq!(cases, 30);
}

#[test]
fn law_of_kept_flakes_is_that_of_r() {
    let model = Model {
        threshold: Some(Threshold { sizes: vec![0, 1], least: 25f64.ln() }),
        tolerance: 1e-8,
        rounds: 3000,
        ..Model::default()
    };
    let fit = fit(&table(&[0, 1, 2], true), &model).unwrap();
    assert!(fit.at_rest);
    let b: Vec<f64> =
        fit.coefficients.row_iter().flat_map(|r| r.iter().copied().collect::<Vec<_>>()).collect();
    close("coefficient", &b, &expected("coefficient"), 1e-6);
    close("covariance", &triangle(&fit.within), &expected("covariance"), 1e-6);
    close("ln likelihood", &[fit.ln_likelihood], &expected("ln likelihood"), 1e-9);
}

#[test]
fn groups_are_those_of_lme4() {
    let model =
        Model { varying: vec![0], restricted: true, tolerance: 1e-9, rounds: 5000, ..Model::default() };
    let fit = fit(&table(&[2], false), &model).unwrap();
    assert!(fit.at_rest);
    close("coefficient", fit.coefficients.as_slice(), &expected("mixed coefficient"), 1e-6);
    let errors: Vec<f64> = fit.covariance.diagonal().iter().map(|v| v.sqrt()).collect();
    close("standard error", &errors, &expected("mixed standard error"), 1e-6);
    close("between", fit.between.as_slice(), &expected("mixed between"), 1e-6);
    close("within", fit.within.as_slice(), &expected("mixed within"), 1e-6);
}

/// Takes a flake of a site that was kept.
fn take(f: &mut Flakes, site: usize, x: &[f64], y: &[f64]) {
    f.x.extend(x);
    f.y.extend(y);
    f.site.push(site);
    f.assemblage.push(0);
    f.held.push(true);
    f.between.push(None);
    f.weight.push(1.0);
}

/// Flakes by the model itself: forty sites of sixty flakes before the sieve.
fn simulated(rng: &mut impl Rng, sites: usize) -> Flakes {
    let mut z = || -> f64 { StandardNormal.sample(rng) };
    let mut f = Flakes { terms: 2, sizes: 2, ..Flakes::default() };
    for site in 0..sites {
        let u = [0.3 * z(), 0.3 * z()];
        for _ in 0..60 {
            let x = 0.5 * z();
            let (a, b) = (z(), z());
            let y = [
                3.2 + 0.3 * x + u[0] + 0.35 * a,
                3.0 + 0.4 * x + u[1] + 0.35 * (0.5 * a + 0.75f64.sqrt() * b),
            ];
            if y[0].max(y[1]) < 25f64.ln() {
                continue;
            }
            take(&mut f, site, &[1.0, x], &y);
        }
    }
    f
}

/// What came off is found again where a third of it was never kept, and by how much it would be missed otherwise.
#[test]
fn what_came_off_is_found_again() {
    let mut rng = ChaCha8Rng::seed_from_u64(14);
    let f = simulated(&mut rng, 40);
    let model = Model {
        varying: vec![0],
        restricted: true,
        threshold: Some(Threshold { sizes: vec![0, 1], least: 25f64.ln() }),
        tolerance: 1e-4,
        rounds: 100,
        ..Model::default()
    };
    let kept = fit(&f, &model).unwrap();
    let blind = fit(&f, &Model { threshold: None, ..model }).unwrap();
    let error = |k: &KeptFit, at: (usize, usize)| (k.covariance[(at.0 * 2 + at.1, at.0 * 2 + at.1)]).sqrt();
    for (at, truth) in [((0, 0), 3.2), ((0, 1), 3.0), ((1, 0), 0.3), ((1, 1), 0.4)] {
        let off = (kept.coefficients[at] - truth) / error(&kept, at);
        assert!(off.abs() < 3.5, "{at:?}: {} against {truth}", kept.coefficients[at]);
    }
    assert!((blind.coefficients[(0, 0)] - 3.2) / error(&blind, (0, 0)) > 2.0);
    assert!(blind.coefficients[(1, 0)] < kept.coefficients[(1, 0)]);
    close("within", &[kept.within[(0, 0)].sqrt(), kept.between[(0, 0)].sqrt()], &[0.35, 0.3], 0.3);
}

/// Fifteen sites of twenty-five flakes of 5 g and more each, of which more than half came off lighter and were not kept:
/// ln m = -3 + 1.5 ln d + 0.03 a, spread 0.5, 0.4 between sites.
fn much_lost(seed: u64) -> Flakes {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut f = Flakes { terms: 3, sizes: 1, ..Flakes::default() };
    for site in 0..15 {
        let u: f64 = StandardNormal.sample(&mut rng);
        let mut kept = 0;
        while kept < 25 {
            let mut z = || -> f64 { StandardNormal.sample(&mut rng) };
            let depth = (1.0 + 0.5 * z()).exp() + 1.0;
            let e = z();
            let angle = 60.0 + 30.0 * rng.random::<f64>();
            let y = -3.0 + 1.5 * depth.ln() + 0.03 * angle + 0.4 * u + 0.5 * e;
            if y < 5f64.ln() {
                continue;
            }
            kept += 1;
            take(&mut f, site, &[1.0, depth.ln(), angle], &[y]);
        }
    }
    f
}

/// Fits such tables and tells how many of flakes that came off at another site lie inside 95 % as told, of how many.
fn much_lost_is_found(seeds: std::ops::Range<u64>) -> (usize, usize) {
    let model = Model {
        varying: vec![0],
        restricted: true,
        threshold: Some(Threshold { sizes: vec![0], least: 5f64.ln() }),
        tolerance: 1e-4,
        rounds: 400,
        ..Model::default()
    };
    let (mut inside, mut of) = (0, 0);
    for seed in seeds {
        let fit = fit(&much_lost(seed), &model).unwrap();
        let (error, spread) = (fit.covariance[(0, 0)].sqrt(), fit.within[(0, 0)].sqrt());
        assert!(fit.at_rest, "{seed}");
        // the error takes the spread as known, so that the intercept is off by more than it says
        assert!((fit.coefficients[0] + 3.0).abs() < 5.0 * error && error < 1.0, "{seed}: {fit:?}");
        assert!((0.35..0.75).contains(&spread), "{seed}: {fit:?}");
        let mut rng = ChaCha8Rng::seed_from_u64(1000 + seed);
        for _ in 0..60 {
            let mut z = || -> f64 { StandardNormal.sample(&mut rng) };
            let depth = (1.0 + 0.5 * z()).exp() + 1.0;
            let apart = 0.4 * z() + 0.5 * z();
            let angle = 60.0 + 30.0 * rng.random::<f64>();
            let x = DVector::from_vec(vec![1.0, depth.ln(), angle]);
            let y = -3.0 + 1.5 * depth.ln() + 0.03 * angle + apart;
            let variance = x.dot(&(&fit.covariance * &x)) + spread.powi(2) + fit.between[(0, 0)];
            inside += usize::from((y - x.dot(&fit.coefficients.column(0))).abs() < 1.96 * variance.sqrt());
            of += 1;
        }
    }
    (inside, of)
}

/// The search does not run away where much was lost: it did at the ninth of these tables, to an intercept in the
/// thousands, while the spread took the uncertainty of what is expected for its own.
#[test]
fn the_search_stays_where_much_was_lost() {
    let (inside, of) = much_lost_is_found(7..10);
    assert!(100 * inside >= 88 * of, "{inside} of {of}");
}

#[test]
#[ignore = "a hundred tables: run with --release; last run 5602 of 6000"]
fn flakes_that_came_off_lie_inside_where_much_was_lost() {
    let (inside, of) = much_lost_is_found(0..100);
    println!("{inside} of {of} flakes that came off lie inside 95 %");
    assert!((0.92..0.98).contains(&(inside as f64 / of as f64)), "{inside} of {of}");
}
