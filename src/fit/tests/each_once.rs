//! Several states of the same piece, each piece counting once, against R (by_piece.R).

use crate::error::{Error, Result};
use crate::fit::Design;
use crate::fit::shrunken::{Shrunken, ShrunkenFit, Tails};
use nalgebra::DMatrix;
use std::collections::BTreeMap;

fn table() -> Vec<[f64; 4]> {
    let text = include_str!("../../../tests/reference/by_piece_data.csv");
    let row = |line: &str| {
        let v: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
        [v[0], v[1], v[2], v[3]]
    };
    text.lines().skip(1).map(row).collect()
}

fn fitted(rows: &[[f64; 4]]) -> Result<ShrunkenFit> {
    let x: Vec<[f64; 3]> = rows.iter().map(|r| [1.0, r[1], r[2]]).collect();
    let z: Vec<[f64; 2]> = rows.iter().map(|r| [1.0, r[1]]).collect();
    let y: Vec<f64> = rows.iter().map(|r| r[3]).collect();
    let piece: Vec<usize> = rows.iter().map(|r| r[0] as usize).collect();
    let names = |n: &[&str]| n.iter().map(|n| n.to_string()).collect();
    let x = Design::from_rows(names(&["intercept", "u", "v"]), &x)?;
    let z = Design::from_rows(names(&["intercept", "u"]), &z)?;
    let fitter = Shrunken { piece: Some(piece), ..Shrunken::default().tolerance(1e-11) };
    fitter.fit(&x, &[false; 3], &z, &Tails::normal(), &y)
}

#[test]
fn coefficients_and_errors_are_those_of_r() {
    let fit = fitted(&table()).unwrap();
    let error = |m: &DMatrix<f64>, i: usize| m[(i, i)].sqrt();
    let (v, w) = (fit.covariance, fit.gamma_covariance);
    let mut found: BTreeMap<String, f64> = BTreeMap::new();
    for i in 0..3 {
        found.insert(format!("coefficient_{}", i + 1), fit.coefficients[i]);
        found.insert(format!("error_{}", i + 1), error(&v, i));
    }
    for i in 0..2 {
        found.insert(format!("spread_{}", i + 1), fit.gamma[i]);
        found.insert(format!("spread_error_{}", i + 1), error(&w, i));
    }
    for (i, (a, b)) in [(1, 0), (2, 0), (2, 1)].into_iter().enumerate() {
        found.insert(format!("covariance_{}", i + 1), v[(a, b)]);
    }
    found.insert("ln_likelihood_1".into(), fit.ln_likelihood);
    assert_eq!(fit.rows, 24);
    let mut cases = 0;
    for line in include_str!("../../../tests/reference/by_piece.csv").lines().skip(2) {
        let (name, value) = line.split_once(',').unwrap();
        let value: f64 = value.trim().parse().unwrap();
        assert!((found[name] / value - 1.0).abs() < 1e-9, "{line}: {}", found[name]);
        cases += 1;
    }
    assert_eq!(cases, found.len());
}

#[test]
fn a_state_written_down_twice_changes_nothing_if_all_of_its_piece_are() {
    let rows = table();
    let once = fitted(&rows).unwrap();
    // pieces with even numbers have every state twice
    let twice: Vec<[f64; 4]> =
        rows.iter().flat_map(|r| vec![*r; if r[0] % 2.0 == 0.0 { 2 } else { 1 }]).collect();
    let fit = fitted(&twice).unwrap();
    for (a, b) in once.coefficients.iter().zip(fit.coefficients) {
        assert!((a / b - 1.0).abs() < 1e-8, "{a} {b}");
    }
    assert!((&once.covariance - &fit.covariance).amax() < 1e-8 * once.covariance.amax());
    assert_eq!(fit.rows, 24);
}

#[test]
fn what_cannot_be_told_apart_is_refused() {
    let rows = table();
    let few: Vec<[f64; 4]> = rows.iter().copied().filter(|r| r[0] < 6.0).collect();
    assert!(matches!(fitted(&few), Err(Error::TooFew { found: 5, needed: 6, .. })));
    let flat: Vec<[f64; 4]> = rows.iter().map(|r| [r[0], r[1], 2.0 * r[1], r[3]]).collect();
    assert_eq!(fitted(&flat).unwrap_err(), Error::RankDeficient { term: "v".into() });
    let same: Vec<[f64; 4]> = rows.iter().map(|r| [r[0], r[1], r[2], 1.0]).collect();
    assert!(fitted(&same).is_err());
    let exact: Vec<[f64; 4]> = rows.iter().map(|r| [r[0], r[1], r[2], r[1] - r[2]]).collect();
    assert!(fitted(&exact).is_err());
}
