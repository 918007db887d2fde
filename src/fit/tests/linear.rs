//! Laws that least squares must obey whatever the data, and what it refuses, by name. The comparison with
//! certified values is in nist_linear.rs, that with R and statsmodels in r_lm.rs and real_data.rs.

use crate::Error;
use crate::fit::linear::{Accumulator, fit};
use crate::fit::{Design, linear};
use approx::assert_relative_eq;
use proptest::prelude::*;

fn names(p: usize) -> Vec<String> {
    (0..p).map(|j| if j == 0 { "intercept".to_string() } else { format!("x{j}") }).collect()
}

/// A well-conditioned design with an intercept, and a response.
fn data() -> impl Strategy<Value = (Vec<Vec<f64>>, Vec<f64>)> {
    (6usize..60, 1usize..5).prop_flat_map(|(n, k)| {
        let row = proptest::collection::vec(-3.0..3.0f64, k).prop_map(|mut r| {
            r.insert(0, 1.0);
            r
        });
        (proptest::collection::vec(row, n.max(2 * k + 4)), proptest::collection::vec(-10.0..10.0f64, 60))
    })
}

proptest! {
    #[test]
    fn merging_equals_one_pass((rows, y) in data(), cut in 0usize..60) {
        let p = rows[0].len();
        let cut = cut.min(rows.len());
        let mut whole = Accumulator::new(names(p)).unwrap();
        let mut left = Accumulator::new(names(p)).unwrap();
        let mut right = Accumulator::new(names(p)).unwrap();
        for (i, r) in rows.iter().enumerate() {
            whole.push(r, y[i]).unwrap();
            if i < cut { &mut left } else { &mut right }.push(r, y[i]).unwrap();
        }
        left.merge(&right).unwrap();
        if let (Ok(a), Ok(b)) = (whole.finish(), left.finish()) {
            for (u, v) in a.coefficients().iter().zip(b.coefficients()) {
                assert_relative_eq!(u, v, max_relative = 1e-9, epsilon = 1e-9);
            }
            assert_relative_eq!(a.spread(), b.spread(), max_relative = 1e-9, epsilon = 1e-12);
            prop_assert_eq!(a.rows(), b.rows());
        }
    }

    #[test]
    fn row_order_does_not_matter((rows, y) in data()) {
        let p = rows[0].len();
        let n = rows.len();
        let mut forward = Accumulator::new(names(p)).unwrap();
        let mut backward = Accumulator::new(names(p)).unwrap();
        for i in 0..n {
            forward.push(&rows[i], y[i]).unwrap();
            backward.push(&rows[n - 1 - i], y[n - 1 - i]).unwrap();
        }
        if let (Ok(a), Ok(b)) = (forward.finish(), backward.finish()) {
            for (u, v) in a.coefficients().iter().zip(b.coefficients()) {
                assert_relative_eq!(u, v, max_relative = 1e-9, epsilon = 1e-9);
            }
        }
    }

    #[test]
    fn a_unit_scales_its_coefficient_and_nothing_else((rows, y) in data(), unit in 0.001..1000.0f64) {
        let p = rows[0].len();
        let mut plain = Accumulator::new(names(p)).unwrap();
        let mut scaled = Accumulator::new(names(p)).unwrap();
        for (i, r) in rows.iter().enumerate() {
            let mut s = r.clone();
            s[p - 1] *= unit;
            plain.push(r, y[i]).unwrap();
            scaled.push(&s, y[i]).unwrap();
        }
        if let (Ok(a), Ok(b)) = (plain.finish(), scaled.finish()) {
            assert_relative_eq!(a.coefficients()[p - 1], b.coefficients()[p - 1] * unit, max_relative = 1e-8, epsilon = 1e-9);
            assert_relative_eq!(a.spread(), b.spread(), max_relative = 1e-9);
            assert_relative_eq!(a.r_squared(), b.r_squared(), max_relative = 1e-8, epsilon = 1e-10);
        }
    }

    #[test]
    fn leverages_sum_to_the_number_of_terms_and_leaving_out_is_refitting((rows, y) in data()) {
        let p = rows[0].len();
        let design = Design::from_rows(names(p), &rows).unwrap();
        let y = &y[..rows.len()];
        if let Ok(f) = fit(&design, y, None) {
            let d = linear::diagnostics(&f, &design, y, None).unwrap();
            let sum: f64 = d.iter().map(|d| d.leverage).sum();
            assert_relative_eq!(sum, p as f64, max_relative = 1e-9);
            // refit without the first row
            if d[0].leverage < 0.99 {
                let rest = Design::from_rows(names(p), &rows[1..]).unwrap();
                if let Ok(g) = fit(&rest, &y[1..], None) {
                    let left_out = y[0] - g.expected(&rows[0]).unwrap();
                    assert_relative_eq!(d[0].left_out, left_out, max_relative = 1e-7, epsilon = 1e-8);
                }
            }
        }
    }

    #[test]
    fn intervals_widen_with_the_level((rows, y) in data(), a in 0.01..0.98f64) {
        let p = rows[0].len();
        let design = Design::from_rows(names(p), &rows).unwrap();
        if let Ok(f) = fit(&design, &y[..rows.len()], None) {
            let (l1, h1) = f.interval(&rows[0], a, 1.0).unwrap();
            let (l2, h2) = f.interval(&rows[0], a + 0.01, 1.0).unwrap();
            let (m1, m2) = f.interval(&rows[0], a, 0.0).unwrap();
            prop_assert!(l2 < l1 && h1 < h2 && l1 < m1 && m2 < h1);
        }
    }

    #[test]
    fn weights_of_one_change_nothing_and_whole_weights_repeat_rows((rows, y) in data()) {
        let p = rows[0].len();
        let mut weighted = Accumulator::new(names(p)).unwrap();
        let mut repeated = Accumulator::new(names(p)).unwrap();
        for (i, r) in rows.iter().enumerate() {
            let times = 1 + i % 3;
            weighted.push_weighted(r, y[i], times as f64).unwrap();
            for _ in 0..times {
                repeated.push(r, y[i]).unwrap();
            }
        }
        if let (Ok(a), Ok(b)) = (weighted.finish(), repeated.finish()) {
            for (u, v) in a.coefficients().iter().zip(b.coefficients()) {
                assert_relative_eq!(u, v, max_relative = 1e-8, epsilon = 1e-9);
            }
            assert_relative_eq!(
                a.residual_sum_of_squares(), b.residual_sum_of_squares(), max_relative = 1e-8, epsilon = 1e-12
            );
        }
    }

    #[test]
    fn an_accumulator_survives_serde((rows, y) in data()) {
        let p = rows[0].len();
        let mut a = Accumulator::new(names(p)).unwrap();
        for (i, r) in rows.iter().enumerate() {
            a.push(r, y[i]).unwrap();
        }
        let text = serde_json::to_string(&a).unwrap();
        let back: Accumulator = serde_json::from_str(&text).unwrap();
        prop_assert_eq!(serde_json::to_string(&back).unwrap(), text);
        prop_assert_eq!(back.finish().is_ok(), a.finish().is_ok());
    }
}

#[test]
fn what_cannot_be_fitted_is_named() {
    let mut a = Accumulator::new(vec!["intercept".into(), "depth".into(), "twice the depth".into()]).unwrap();
    for i in 0..20 {
        let d = f64::from(i);
        a.push(&[1.0, d, 2.0 * d], d).unwrap();
    }
    assert_eq!(a.finish().unwrap_err(), Error::RankDeficient { term: "twice the depth".into() });

    let mut a = Accumulator::new(vec!["intercept".into(), "never".into()]).unwrap();
    for i in 0..20 {
        a.push(&[1.0, 0.0], f64::from(i)).unwrap();
    }
    assert_eq!(a.finish().unwrap_err(), Error::RankDeficient { term: "never".into() });

    let mut a = Accumulator::new(vec!["intercept".into(), "x".into()]).unwrap();
    a.push(&[1.0, 2.0], 3.0).unwrap();
    assert_eq!(a.finish().unwrap_err(), Error::TooFew { what: "rows".into(), found: 1, needed: 3 });
    let before = a.clone();
    let e = a.push(&[1.0, f64::NAN], 3.0).unwrap_err();
    assert_eq!(e.to_string(), "row 2, column x: NaN is out of range (accepted: finite numbers)");
    assert!(a.push(&[1.0], 3.0).is_err());
    assert!(a.push(&[1.0, 2.0], f64::INFINITY).is_err());
    assert!(a.push_weighted(&[1.0, 2.0], 1.0, 0.0).is_err());
    assert_eq!(a, before, "a refused row leaves no trace");
}

#[test]
fn rows_and_weights_are_counted() {
    let mut a = Accumulator::new(names(2)).unwrap();
    assert_eq!(a.rows(), 0);
    let rows = [[1.0, 0.0], [1.0, 1.0], [1.0, 2.0], [1.0, 4.0], [1.0, 5.0]];
    let (y, w): ([f64; 5], [f64; 5]) = ([1.0, 2.5, 2.0, 5.0, 4.5], [0.5, 2.0, 4.0, 1.0, 3.0]);
    for (i, row) in rows.iter().enumerate() {
        a.push_weighted(row, y[i], w[i]).unwrap();
        assert_eq!(a.rows(), i as u64 + 1);
    }
    // the likelihood of normal errors of variance s²/w, at the s² that makes it largest, by its definition
    let fit = a.finish().unwrap();
    let residual = |i: usize| y[i] - fit.expected(&rows[i]).unwrap();
    let s2 = (0..5).map(|i| w[i] * residual(i).powi(2)).sum::<f64>() / 5.0;
    let ln_density = |i: usize| {
        let variance = s2 / w[i];
        -0.5 * ((2.0 * std::f64::consts::PI * variance).ln() + residual(i).powi(2) / variance)
    };
    let expected: f64 = (0..5).map(ln_density).sum();
    assert!((fit.log_likelihood() - expected).abs() < 1e-12, "{expected}");
}

#[test]
fn a_stored_accumulator_that_contradicts_itself_is_refused() {
    let mut a = Accumulator::new(names(2)).unwrap();
    for (x, y) in [(0.0, 1.0), (1.0, 2.0), (2.0, 2.5), (3.0, 5.0)] {
        a.push(&[1.0, x], y).unwrap();
    }
    let stored = serde_json::to_value(&a).unwrap();
    let back: Accumulator = serde_json::from_value(stored.clone()).unwrap();
    assert_eq!(back.finish().unwrap().coefficients(), a.finish().unwrap().coefficients());
    assert_eq!(back.rows(), 4);
    let spoilt = |change: fn(&mut serde_json::Value)| {
        let mut v = stored.clone();
        change(&mut v);
        serde_json::from_value::<Accumulator>(v).is_err()
    };
    // a column too few, a column too many, one too short, one too long
    assert!(spoilt(|v| {
        v["triangle"].as_array_mut().unwrap().pop();
    }));
    assert!(spoilt(|v| v["triangle"].as_array_mut().unwrap().push(serde_json::json!([1.0, 1.0, 1.0, 1.0]))));
    assert!(spoilt(|v| v["triangle"][1] = serde_json::json!([1.0])));
    assert!(spoilt(|v| v["triangle"][0] = serde_json::json!([1.0, 2.0])));
}
