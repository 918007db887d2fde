//! Conformal intervals: jackknife+ against brute force, and coverage by simulation.

use conchoid::Error;
use conchoid::fit::conformal::{ByClass, LinearJackknife, corrected, jackknife_plus, needed, outside, split};
use conchoid::fit::{Design, linear};
use conchoid::form::Transform;
use conchoid::predict::conformal::Correction;
use conchoid::predict::{Component, Predictive};
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal, StudentT};
use serde_json::Value;

fn numbers(v: &Value) -> Vec<f64> {
    v.as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect()
}

#[test]
fn jackknife_plus_is_what_brute_force_gives() {
    let reference: Value = serde_json::from_str(include_str!("reference/conformal.json")).unwrap();
    let rows: Vec<Vec<f64>> = reference["rows"].as_array().unwrap().iter().map(numbers).collect();
    let names = ["intercept", "a", "b"].map(String::from).to_vec();
    let j =
        LinearJackknife::new(&Design::from_rows(names, &rows).unwrap(), &numbers(&reference["y"])).unwrap();
    for (found, expected) in j.residuals().iter().zip(numbers(&reference["residuals"])) {
        assert!((found - expected).abs() < 1e-12, "{found} {expected}");
    }
    let intervals = reference["intervals"].as_array().unwrap();
    assert_eq!(intervals.len(), 16);
    for i in intervals {
        let (low, high) = j.interval(&numbers(&i["at"]), i["level"].as_f64().unwrap()).unwrap().unwrap();
        for (found, key) in [(low, "low"), (high, "high")] {
            let expected = i[key].as_f64().unwrap();
            assert!((found - expected).abs() < 1e-11, "{i}: {found}");
        }
    }
    assert_eq!(j.interval(&[1.0, 1.0, 60.0], 0.97).unwrap(), None);
    assert!(matches!(j.interval(&[1.0], 0.9), Err(Error::Shape { .. })));
    assert!(matches!(j.interval(&[1.0, 1.0, 60.0], 1.0), Err(Error::OutOfRange { .. })));
}

#[test]
fn a_fit_that_hangs_on_one_row_is_refused() {
    let rows: Vec<[f64; 2]> = (0..10).map(|i| [1.0, f64::from(u8::from(i == 4))]).collect();
    let d = Design::from_rows(vec!["intercept".into(), "only once".into()], &rows).unwrap();
    let y: Vec<f64> = (0..10).map(|i| f64::from(i * i % 7)).collect();
    let e = LinearJackknife::new(&d, &y).unwrap_err();
    assert!(matches!(e, Error::RankDeficient { ref term } if term == "only once"), "{e}");
}

#[test]
fn bad_input_is_refused() {
    assert!(matches!(split(&[1.0, f64::NAN], 0.5), Err(Error::OutOfRange { .. })));
    assert!(matches!(split(&[1.0], 0.0), Err(Error::OutOfRange { .. })));
    assert!(matches!(jackknife_plus(&[1.0], &[1.0, 2.0], 0.5), Err(Error::Shape { .. })));
    assert!(matches!(jackknife_plus(&[1.0], &[-1.0], 0.5), Err(Error::OutOfRange { .. })));
    assert!(matches!(ByClass::new(&["a"], &[], 0.5), Err(Error::Shape { .. })));
    assert_eq!(split(&[], 0.5).unwrap(), None);
    assert!(matches!(Correction::new(&[], 0.9), Err(Error::TooFew { .. })));
}

/// Share of new observations inside, and the number tried.
fn split_coverage(n: usize, level: f64, tables: usize, seed: u64) -> (f64, usize) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let heavy = StudentT::new(2.5).unwrap();
    let draw = |rng: &mut ChaCha8Rng| {
        let x: f64 = StandardNormal.sample(rng);
        let e: f64 = heavy.sample(rng);
        (x, 1.0 + 2.0 * x + e * (0.3 + x.abs()))
    };
    let mut inside = 0;
    for _ in 0..tables {
        let train: Vec<(f64, f64)> = (0..30).map(|_| draw(&mut rng)).collect();
        let rows: Vec<[f64; 2]> = train.iter().map(|(x, _)| [1.0, *x]).collect();
        let d = Design::from_rows(vec!["intercept".into(), "x".into()], &rows).unwrap();
        let fit = linear::fit(&d, &train.iter().map(|t| t.1).collect::<Vec<_>>(), None).unwrap();
        let residual = |(x, y): (f64, f64)| (y - fit.expected(&[1.0, x]).unwrap()).abs();
        let scores: Vec<f64> = (0..n).map(|_| residual(draw(&mut rng))).collect();
        let half = split(&scores, level).unwrap().unwrap();
        inside += usize::from(residual(draw(&mut rng)) <= half);
    }
    (inside as f64 / tables as f64, tables)
}

fn check_split(tables: usize) {
    for (n, level, seed) in [(19, 0.95, 1), (50, 0.9, 2), (99, 0.8, 3)] {
        let (share, tries) = split_coverage(n, level, tables, seed);
        let error = (level * (1.0 - level) / tries as f64).sqrt();
        let (low, high) = (level, level + 1.0 / (n as f64 + 1.0));
        println!(
            "split conformal, n {n}, level {level}: {share:.4} of {tries} (between {low} and {high:.4})"
        );
        assert!(share > low - 3.0 * error && share < high + 3.0 * error, "{n} {level}: {share}");
    }
}

#[test]
fn split_conformal_covers_what_it_promises() {
    check_split(4_000);
}

#[test]
#[ignore = "long: 100,000 tables each"]
fn split_conformal_covers_what_it_promises_long() {
    check_split(100_000);
}

#[test]
fn jackknife_plus_covers_near_its_level_without_a_model() {
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    let heavy = StudentT::new(3.0).unwrap();
    let (mut inside, tables) = (0, 2_000);
    for _ in 0..tables {
        let mut draw = || {
            let x: f64 = StandardNormal.sample(&mut rng);
            // curved, though a line is fitted
            (x, x * x + heavy.sample(&mut rng))
        };
        let train: Vec<(f64, f64)> = (0..40).map(|_| draw()).collect();
        let (x, y) = draw();
        let rows: Vec<[f64; 2]> = train.iter().map(|(x, _)| [1.0, *x]).collect();
        let d = Design::from_rows(vec!["intercept".into(), "x".into()], &rows).unwrap();
        let j = LinearJackknife::new(&d, &train.iter().map(|t| t.1).collect::<Vec<_>>()).unwrap();
        let (low, high) = j.interval(&[1.0, x], 0.9).unwrap().unwrap();
        inside += i32::from((low..=high).contains(&y));
    }
    let share = f64::from(inside) / f64::from(tables);
    println!("jackknife+, n 40, level 0.9: {share:.4}");
    assert!((0.88..0.93).contains(&share), "{share}");
}

#[test]
fn class_by_class_mends_what_is_right_on_average_only() {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let said = |x: f64| {
        let c = Component { weight: 1.0, location: x, scale: 1.0, degrees_of_freedom: f64::INFINITY };
        Predictive::new(Transform::Ln, vec![c]).unwrap()
    };
    let mut draw = |i: usize| {
        let x: f64 = StandardNormal.sample(&mut rng);
        let e: f64 = StandardNormal.sample(&mut rng);
        let (label, scale) = if i.is_multiple_of(4) { ("edge", 2.0) } else { ("platform", 0.5) };
        (said(x), (x + scale * e).exp(), label.to_string())
    };
    let held_out: Vec<(Predictive, f64, String)> = (0..800).map(&mut draw).collect();
    let c = Correction::by_class("blow_lands_on", &held_out, 0.9).unwrap();
    let mut inside = [(0, 0); 2];
    for i in 0..8000 {
        let (p, y, label) = draw(i);
        let interval = c.interval(&p, Some(&label)).unwrap();
        let at = usize::from(label == "edge");
        inside[at].0 += i32::from((interval.low..=interval.high).contains(&y));
        inside[at].1 += 1;
    }
    for (n, of) in inside {
        // one calibration set of 200 (600): its own scatter, 0.021 (0.012), counts most
        let share = f64::from(n) / f64::from(of);
        assert!((0.83..0.97).contains(&share), "{share}");
    }
    let unheard = c.interval(&said(0.0), None).unwrap();
    assert!(!unheard.is_finite() && unheard.low == 0.0);
    assert_eq!(unheard.cautions[0].kind(), "too-few-for-level");
    let text = unheard.cautions[0].to_string();
    assert!(
        text.contains("0 flakes of blow_lands_on = not recorded") && text.contains("9 are needed"),
        "{text}"
    );
}

#[test]
fn a_correction_of_another_transform_is_refused() {
    let of = |t: Transform| {
        let c = Component { weight: 1.0, location: 2.0, scale: 0.3, degrees_of_freedom: 9.0 };
        Predictive::new(t, vec![c]).unwrap()
    };
    let mixed = [(of(Transform::Ln), 3.0), (of(Transform::CubeRoot), 3.0)];
    assert!(matches!(Correction::new(&mixed, 0.5), Err(Error::Incomparable { .. })));
    assert!(matches!(Correction::new(&[(of(Transform::Ln), 0.0)], 0.5), Err(Error::OutOfRange { .. })));
    let c = Correction::new(&[(of(Transform::Ln), 3.0)], 0.5).unwrap();
    assert!(matches!(c.interval(&of(Transform::Log10), None), Err(Error::Incomparable { .. })));
}

proptest! {
    #[test]
    fn the_half_width_holds_enough_scores(scores in prop::collection::vec(0.0..100.0f64, 1..80), level in 0.01..0.99f64) {
        let n = scores.len();
        match split(&scores, level).unwrap() {
            None => prop_assert!(n < needed(level).unwrap()),
            Some(q) => {
                prop_assert!(n >= needed(level).unwrap());
                let held = scores.iter().filter(|s| **s <= q).count();
                prop_assert!(held as f64 >= level * (n as f64 + 1.0) - 1e-6);
            }
        }
    }

    #[test]
    fn a_corrected_interval_holds_exactly_what_scores_below_the_amount(low in -5.0..5.0f64, width in 0.0..5.0f64, y in -20.0..20.0f64, amount in -1.0..10.0f64) {
        let high = low + width;
        let (l, u) = corrected(low, high, amount);
        prop_assert!(l <= u);
        if 2.0 * amount > -width + 1e-9 && (outside(low, high, y) - amount).abs() > 1e-9 {
            prop_assert_eq!(outside(low, high, y) <= amount, l <= y && y <= u);
        }
    }
}
