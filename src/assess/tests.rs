//! Assessment against a small computation of its own in Python and against R's lmtest, on the field school's
//! table; and its laws on simulated flakes.

use crate::Error;
use crate::assess::compare::difference;
use crate::assess::{Assessment, Folds, Question, Score, Scores, cross_validate, residual, residual_checks};
use crate::calibration::{Figure, Provenance, Recipe};
use crate::flake::Flake;
use crate::form::{DEPTH, Form, Transform, ln, value};
use crate::predict::{Component, Predictive};
use crate::strike::{Measured, Strike};
use crate::table::{Row, TableOptions, TableReader};
use proptest::prelude::*;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde_json::Value;

const TABLE: &[u8] = include_bytes!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/data/field-school.csv"));

fn field_school() -> Vec<Row> {
    let mut table = TableReader::new(TABLE, &TableOptions::new()).unwrap();
    let mut rows = Vec::new();
    let mut row = table.row();
    while table.read(&mut row).unwrap() {
        rows.push(row.clone());
    }
    assert_eq!(rows.len(), 24);
    rows
}

fn recipe(form: &str) -> Recipe {
    let own = Provenance::new("field school", "own records", "own", "test");
    Recipe::single(form, "mass_g", Form::named(form).unwrap(), own).unwrap()
}

fn recipes() -> Vec<Recipe> {
    ["log-log", "tangent-power", "cube-root"].map(recipe).to_vec()
}

fn modulo_6() -> Folds {
    let sets = (0..6).map(|k| (0..24).filter(|i| i % 6 == k).collect()).collect();
    Folds::listed("modulo 6", 24, &[sets]).unwrap()
}

#[track_caller]
fn same(what: &str, found: f64, expected: &Value, tolerance: f64) {
    let expected = expected.as_f64().unwrap_or_else(|| panic!("{what}: {expected}"));
    let error = (found - expected).abs() / expected.abs().max(1e-3);
    assert!(error <= tolerance, "{what}: {found} against {expected}");
}

#[track_caller]
fn same_figure(what: &str, found: Figure, expected: &Value) {
    same(what, found.value, &expected[0], 1e-8);
    same(&format!("{what}, standard error"), found.standard_error, &expected[1], 1e-7);
}

fn same_scores(what: &str, s: &Scores, expected: &Value) {
    assert_eq!(s.flakes as u64, expected["flakes"].as_u64().unwrap(), "{what}");
    for (key, found) in [
        ("rmse_ln", s.rmse_ln),
        ("mae_ln", s.mae_ln),
        ("rmse", s.rmse),
        ("mae", s.mae),
        ("r_squared", s.r_squared),
        ("log_score", s.log_score),
        ("crps", s.crps),
        ("interval_score", s.interval_score),
    ] {
        same_figure(&format!("{what} {key}"), found, &expected[key]);
    }
    for c in &s.coverage {
        same_figure(
            &format!("{what} coverage {}", c.level),
            c.inside,
            &expected[format!("inside{}", c.level)],
        );
        same_figure(&format!("{what} width {}", c.level), c.ln_width, &expected[format!("width{}", c.level)]);
    }
    same(&format!("{what} atom"), s.atom, &expected["atom"], 1e-7);
}

fn same_assessment(a: &Assessment, expected: &Value) {
    for f in &a.forms {
        let e = &expected[&f.name];
        same_scores(&f.name, &f.overall, &e["overall"]);
        assert_eq!(f.by_class.len(), 2);
        for c in &f.by_class {
            assert_eq!(c.class, "blow_lands_on");
            same_scores(&format!("{} {}", f.name, c.level), &c.scores, &e[&c.level]);
        }
        for (share, count) in f.pit.shares.iter().zip(e["pit"].as_array().unwrap()) {
            assert!((share * 24.0 - count.as_f64().unwrap()).abs() < 1e-9, "{} {:?}", f.name, f.pit);
        }
    }
    let d = difference(a.form("log-log").unwrap(), a.form("cube-root").unwrap());
    let e = &expected["log-log less cube-root"];
    same_figure("difference crps", d.crps, &e["crps"]);
    same_figure("difference log score", d.log_score, &e["log_score"]);
    same_figure("difference interval score", d.interval_score, &e["interval_score"]);
}

fn reference() -> Value {
    serde_json::from_str(include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/assess.json")))
        .unwrap()
}

#[test]
fn scores_agree_with_an_independent_computation() {
    let question = Question::new("mass_g").by_class("blow_lands_on");
    let a = cross_validate(&recipes(), &field_school(), &modulo_6(), &question).unwrap();
    assert_eq!((a.flakes, a.rows, a.rule.as_str(), a.column.as_str()), (24, 24, "modulo 6", "mass_g"));
    same_assessment(&a, &reference()["modulo_6"]);
}

#[test]
fn leaving_out_knappers_takes_standard_errors_over_knappers() {
    let rows = field_school();
    let labels: Vec<Option<String>> = rows.iter().map(|r| r.class("knapper").map(str::to_string)).collect();
    let folds = Folds::leave_one_group_out("knapper", &labels).unwrap();
    let question = Question::new("mass_g").by_class("blow_lands_on");
    let a = cross_validate(&recipes(), &rows, &folds, &question).unwrap();
    same_assessment(&a, &reference()["by_knapper"]);
    assert_eq!(a.forms[0].overall.groups, Some(4));
    assert!(a.forms[0].pit.effective_flakes <= 24.0);
}

#[test]
fn residual_checks_agree_with_lmtest_and_statsmodels() {
    let rows = field_school();
    let classes = ["blow_lands_on".to_string(), "knapper".to_string()];
    let checks = residual_checks(&recipe("log-log"), &rows, "mass_g", &classes).unwrap();
    let of = |name: &str| checks.checks.iter().find(|c| c.name == name).unwrap_or_else(|| panic!("{name}"));
    let mut compared = 0;
    for line in include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/lmtest.csv"))
        .lines()
        .filter(|l| !l.starts_with('#'))
        .skip(1)
    {
        let cells: Vec<&str> = line.split(',').collect();
        let check = match cells[0] {
            "koenker fitted" => of("spread against expected size"),
            "koenker blow_lands_on" => of("spread by blow lands on"),
            "koenker knapper" => of("spread by knapper"),
            "reset" => of("nonlinearity"),
            other => panic!("{other}"),
        };
        for (found, text) in [(check.statistic, cells[1]), (check.p_value.unwrap(), cells[2])] {
            let expected: f64 = text.parse().unwrap();
            assert!((found - expected).abs() <= 1e-9 * expected.abs(), "{line}: {found}");
        }
        compared += 1;
    }
    assert_eq!(compared, 4);
    let e = &reference()["checks"];
    let normality = of("normality of the residuals");
    same("Anderson-Darling", normality.statistic, &e["anderson_darling"][0], 1e-9);
    same("its p", normality.p_value.unwrap(), &e["anderson_darling"][1], 1e-9);
    for (i, (term, found)) in checks.variance_inflation.iter().enumerate() {
        same(term, *found, &e["vif"][i], 1e-9);
    }
    same("condition", checks.condition_number, &e["condition_number"], 1e-9);
    for ((_, d), expected) in checks.cooks_distances.iter().zip(e["cook"].as_array().unwrap()) {
        same("Cook", *d, expected, 1e-9);
    }
    assert!(checks.influential.iter().all(|(_, d)| *d > 4.0 / 24.0));
}

/// A flake of known depth and mass.
fn flake(depth: f64, mass: f64, core: &str) -> Flake {
    let strike =
        Strike::builder().platform_depth_mm(depth).exterior_platform_angle_deg(70.0).build().unwrap();
    Flake::builder().strike(strike).mass_g(mass).core(core).build().unwrap()
}

/// ln mass = 0.5 + 2 ln depth + scatter (of this spread).
fn simulated(n: usize, spread: f64, seed: u64) -> Vec<Flake> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    (0..n)
        .map(|i| {
            let depth = rng.random_range(2.0..12.0f64);
            let e: f64 = StandardNormal.sample(&mut rng);
            flake(depth, (0.5 + 2.0 * depth.ln() + spread * e).exp(), &format!("K{}", i % 12))
        })
        .collect()
}

fn own(name: &str, transform: Transform, terms: Vec<crate::form::Term>) -> Recipe {
    let provenance = Provenance::new("simulated", "simulated", "own", "test");
    Recipe::single(name, "mass_g", Form::new(name, transform, terms).unwrap(), provenance).unwrap()
}

#[test]
fn the_true_form_wins_and_its_probabilities_are_even() {
    let flakes = simulated(400, 0.4, 11);
    let recipes = [
        own("true", Transform::Ln, vec![ln(DEPTH)]),
        own("with a needless square", Transform::Ln, vec![ln(DEPTH), crate::form::square(ln(DEPTH))]),
        own("linear in depth", Transform::Identity, vec![value(DEPTH)]),
    ];
    let mut rng = ChaCha8Rng::seed_from_u64(2);
    let folds = Folds::k_fold(400, 10, 3, &mut rng).unwrap();
    let a = cross_validate(&recipes, &flakes, &folds, &Question::new("mass_g")).unwrap();
    assert_eq!(a.recommendation.take, "true");
    let f = a.form("true").unwrap();
    assert!(f.pit.p_value > 0.01, "{:?}", f.pit);
    assert!(f.tested.iter().all(|t| t.scores.len() == 3));
    for c in &f.overall.coverage {
        assert!((c.inside.value - c.level).abs() < 4.0 * c.inside.standard_error, "{c:?}");
    }
    let wrong = a.form("linear in depth").unwrap();
    assert!(wrong.pit.p_value < 1e-6 && wrong.overall.atom > 0.01, "{:?}", wrong.pit);
    let d = difference(f, wrong);
    assert!(
        d.crps.value < -3.0 * d.crps.standard_error && d.log_score.value < -3.0 * d.log_score.standard_error
    );
    // the same again gives the same bytes
    let again = cross_validate(
        &recipes,
        &flakes,
        &Folds::k_fold(400, 10, 3, &mut ChaCha8Rng::seed_from_u64(2)).unwrap(),
        &Question::new("mass_g"),
    )
    .unwrap();
    assert_eq!(a, again);
}

#[test]
fn a_simpler_form_is_taken_within_one_standard_error() {
    let flakes = simulated(150, 0.4, 3);
    let recipes = [
        own("square", Transform::Ln, vec![ln(DEPTH), crate::form::square(ln(DEPTH))]),
        own("plain", Transform::Ln, vec![ln(DEPTH)]),
    ];
    let a = cross_validate(&recipes, &flakes, &Folds::leave_one_out(150).unwrap(), &Question::new("mass_g"))
        .unwrap();
    let r = &a.recommendation;
    assert_eq!(r.take, "plain");
    assert_eq!((r.coefficients, r.forms), (3, 2));
    assert!(r.sentence().starts_with("Take plain"), "{}", r.sentence());
    let of_best = &a.form(&r.best).unwrap().overall.crps.value;
    assert!(a.forms.iter().all(|f| f.overall.crps.value >= *of_best));
}

#[test]
fn flakes_that_one_form_refuses_are_used_for_none() {
    let mut flakes = simulated(40, 0.3, 4);
    // beyond 90 degrees the tangent has no value
    let strike = Strike::builder().platform_depth_mm(5.0).exterior_platform_angle_deg(95.0).build().unwrap();
    flakes.push(Flake::builder().strike(strike.clone()).mass_g(30.0).build().unwrap());
    flakes.push(Flake::builder().strike(strike).build().unwrap());
    let recipes = [
        own("depth", Transform::Ln, vec![ln(DEPTH)]),
        own(
            "tangent",
            Transform::Ln,
            vec![ln(DEPTH), crate::form::above(crate::form::tangent("exterior_platform_angle_deg"), 100.0)],
        ),
    ];
    let alone =
        cross_validate(&recipes, &flakes, &Folds::leave_one_out(42).unwrap(), &Question::new("mass_g"));
    // the second form's term never varies: it cannot be fitted, and is left out with what it says
    let alone = alone.unwrap();
    assert_eq!((alone.forms.len(), alone.flakes), (1, 41));
    assert_eq!(alone.left_out[0].0, "tangent");
    assert!(alone.left_out[0].1.contains("cannot be told apart"), "{:?}", alone.left_out);
    let mut varied = flakes.clone();
    for (i, f) in varied.iter_mut().enumerate().take(40) {
        let strike = Strike::builder()
            .platform_depth_mm(f.number(DEPTH))
            .exterior_platform_angle_deg(55.0 + (i % 7) as f64 * 5.0)
            .build()
            .unwrap();
        *f = f.to_builder().strike(strike).build().unwrap();
    }
    let recipes = [own("depth", Transform::Ln, vec![ln(DEPTH)]), recipe("tangent-power")];
    let a = cross_validate(&recipes, &varied, &Folds::leave_one_out(42).unwrap(), &Question::new("mass_g"))
        .unwrap();
    assert_eq!((a.flakes, a.rows), (40, 42));
    let refused = |i: usize| a.forms[i].refused.iter().map(|r| r.1).sum::<u64>();
    assert_eq!((refused(0), refused(1)), (1, 2));
    // each is scored on its own flakes too, as if it had been asked alone
    let own = |i: usize| a.forms[i].own.flakes;
    assert_eq!((own(0), own(1), a.with_size), (41, 40, 41));
    let one =
        cross_validate(&recipes[..1], &varied, &Folds::leave_one_out(42).unwrap(), &Question::new("mass_g"));
    assert_eq!(one.unwrap().forms[0].overall, a.forms[0].own);
    assert_ne!(a.forms[0].own, a.forms[0].overall);
    assert!(!a.recommendation.partial());
    assert_eq!(a.forms[0].refused[0].0, "mass_g not recorded");
}

#[test]
fn a_form_that_answers_few_of_the_flakes_is_not_simply_recommended() {
    // the angle tells much of the mass, and was measured on some of the flakes
    let flakes = |measured: usize| -> Vec<Flake> {
        let mut flakes = simulated(60, 0.2, 21);
        for (i, f) in flakes.iter_mut().enumerate() {
            let angle = 50.0 + (i * 7 % 10) as f64 * 4.0;
            let platform = Strike::builder().platform_depth_mm(f.number(DEPTH));
            let platform = if i < measured { platform.exterior_platform_angle_deg(angle) } else { platform };
            let strike = platform.build().unwrap();
            let mass = f.number("mass_g").unwrap() * (0.05 * angle).exp() / 20.0;
            *f = Flake::builder().strike(strike).mass_g(mass).build().unwrap();
        }
        flakes
    };
    let recipes = [own("depth", Transform::Ln, vec![ln(DEPTH)]), recipe("log-log")];
    for (measured, partial) in [(40, true), (41, false)] {
        let folds = Folds::leave_one_out(60).unwrap();
        let a = cross_validate(&recipes, &flakes(measured), &folds, &Question::new("mass_g")).unwrap();
        let r = a.recommendation;
        assert_eq!((r.take.as_str(), r.answered, r.with_size), ("log-log", measured, 60));
        assert_eq!(r.partial(), partial);
        assert_eq!(r.sentence().contains("answers only 40 of 60 flakes"), partial, "{}", r.sentence());
    }
}

#[test]
fn requests_that_make_no_sense_are_refused() {
    let rows = field_school();
    let question = Question::new("mass_g");
    let folds = Folds::leave_one_out(24).unwrap();
    let refused = |r: &[Recipe], f: &Folds, q: &Question| cross_validate(r, &rows, f, q).unwrap_err();
    assert!(matches!(refused(&[], &folds, &question), Error::Invalid { .. }));
    assert!(matches!(
        refused(&recipes(), &Folds::leave_one_out(23).unwrap(), &question),
        Error::Shape { .. }
    ));
    assert!(matches!(
        refused(&[recipe("log-log"), recipe("log-log")], &folds, &question),
        Error::Invalid { .. }
    ));
    assert!(matches!(refused(&recipes(), &folds, &Question::new("age")), Error::UnknownName { .. }));
    let mut other = recipe("cube-root");
    other.variants[0].sizes[0].column = "length_mm".to_string();
    assert!(matches!(refused(&[recipe("log-log"), other], &folds, &question), Error::Incomparable { .. }));
    // no flake of the table has an area
    assert!(matches!(refused(&[recipe("area")], &folds, &question), Error::TooFew { .. }));
    assert!(matches!(Folds::listed("x", 3, &[vec![vec![0, 0]]]), Err(Error::Invalid { .. })));
    assert!(matches!(Folds::listed("x", 3, &[vec![vec![3]]]), Err(Error::Invalid { .. })));
    assert!(matches!(Folds::listed("x", 3, &[vec![]]), Err(Error::TooFew { .. })));
    assert!(matches!(Folds::leave_one_group_out("core", &[Some("a"), None]), Err(Error::TooFew { .. })));
}

#[test]
fn a_form_of_many_terms_that_fails_without_a_fold_is_counted_not_fatal() {
    // one flake alone carries a term: without it the term cannot be told apart
    let mut flakes = simulated(20, 0.3, 9);
    flakes.push(flake(30.0, 900.0, "K0"));
    let recipes = [
        own("plain", Transform::Ln, vec![ln(DEPTH)]),
        own("bent", Transform::Ln, vec![ln(DEPTH), crate::form::above(DEPTH, 20.0)]),
    ];
    let a = cross_validate(&recipes, &flakes, &Folds::leave_one_out(21).unwrap(), &Question::new("mass_g"))
        .unwrap();
    assert_eq!(a.flakes, 20);
    assert!(a.forms[1].refused[0].0.contains("no fit without its fold"), "{:?}", a.forms[1].refused);
}

#[test]
fn the_checks_see_what_is_there() {
    let mut rng = ChaCha8Rng::seed_from_u64(6);
    let flakes: Vec<Flake> = (0..200)
        .map(|i| {
            let depth = rng.random_range(2.0..12.0f64);
            let e: f64 = StandardNormal.sample(&mut rng);
            let edge = i % 2 == 0;
            let spread = if edge { 0.9 } else { 0.2 };
            // a bend, a spread that differs by class
            let ln_mass = 0.5 + 2.0 * depth.ln() + 0.5 * (depth.ln() - 1.7).powi(2) * 4.0 + spread * e;
            flake(depth, ln_mass.exp(), if edge { "A" } else { "B" })
        })
        .collect();
    let r = own("line", Transform::Ln, vec![ln(DEPTH)]);
    let checks = residual_checks(&r, &flakes, "mass_g", &["core".to_string()]).unwrap();
    let doubtful: Vec<&str> = checks.checks.iter().filter(|c| c.doubtful).map(|c| c.name.as_str()).collect();
    assert!(doubtful.contains(&"spread by core") && doubtful.contains(&"nonlinearity"), "{doubtful:?}");
    assert!(checks.checks.iter().any(|c| c.advice.contains("residuals of A are")));
}

#[test]
fn honest_data_are_seldom_doubted() {
    // 200 tables: each check at 5 % should doubt about 10 of them
    let mut doubted = std::collections::BTreeMap::<String, u32>::new();
    for seed in 0..200 {
        let flakes = simulated(60, 0.4, 1000 + seed);
        let r = own("line", Transform::Ln, vec![ln(DEPTH)]);
        let checks = residual_checks(&r, &flakes, "mass_g", &["core".to_string()]).unwrap();
        for c in checks.checks.iter().filter(|c| c.p_value.is_some()) {
            *doubted.entry(c.name.clone()).or_default() += u32::from(c.doubtful);
        }
    }
    println!("doubted of 200: {doubted:?}");
    assert_eq!(doubted.len(), 4);
    assert!(doubted.values().all(|n| *n <= 20), "{doubted:?}");
}

#[test]
fn a_design_alone_can_be_checked() {
    let rows: Vec<[f64; 2]> = (0..12).map(|i| [1.0, f64::from(i)]).collect();
    let d = crate::fit::Design::from_rows(vec!["intercept".into(), "x".into()], &rows).unwrap();
    let y: Vec<f64> = (0..12).map(|i| f64::from(i * i % 5)).collect();
    let places: Vec<usize> = (0..12).collect();
    assert!(residual::check_design(&d, &y, &places, &[]).is_ok());
    assert!(matches!(residual::check_design(&d, &y[..9], &places, &[]), Err(Error::Shape { .. })));
}

fn normal(location: f64, scale: f64) -> Predictive {
    let c = Component { weight: 1.0, location, scale, degrees_of_freedom: f64::INFINITY };
    Predictive::new(Transform::Ln, vec![c]).unwrap()
}

/// Mean log score, CRPS and interval score of a predictive over draws of the true one.
fn means(p: &Predictive, draws: &[f64]) -> [f64; 3] {
    let mut sums = [0.0; 3];
    for y in draws {
        let s = Score::of(p, *y).unwrap();
        for (sum, v) in sums.iter_mut().zip([s.log_score, s.crps, s.interval_score]) {
            *sum += v / draws.len() as f64;
        }
    }
    sums
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(30))]

    #[test]
    fn scores_are_proper(location in -1.0..4.0f64, scale in 0.1..1.0f64, shift in 0.15..1.0f64, up in any::<bool>(), stretch in 1.3..3.0f64, seed in 0u64..1000) {
        let truth = normal(location, scale);
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let draws: Vec<f64> = (0..4000).map(|_| truth.sample(&mut rng)).collect();
        let best = means(&truth, &draws);
        let side = if up { shift } else { -shift };
        for other in [normal(location + side * scale, scale), normal(location, scale * stretch), normal(location, scale / stretch)] {
            for (a, b) in best.iter().zip(means(&other, &draws)) {
                // a shift of a seventh of the scale is about 4 standard errors of the paired mean from here
                prop_assert!(*a < b + 0.02 * scale, "{a} {b}");
            }
        }
    }

    #[test]
    fn scores_move_with_the_unit(location in -1.0..4.0f64, scale in 0.1..1.0f64, z in -3.0..3.0f64, factor in 0.01..100.0f64) {
        let y = (location + scale * z).exp();
        let a = Score::of(&normal(location, scale), y).unwrap();
        let b = Score::of(&normal(location + factor.ln(), scale), y * factor).unwrap();
        for (a, b) in [(a.log_score, b.log_score), (a.crps, b.crps), (a.interval_score, b.interval_score), (a.pit, b.pit)] {
            prop_assert!((a - b).abs() < 1e-9, "{a} {b}");
        }
    }

    #[test]
    fn every_row_is_tested_once_a_repeat(rows in 2usize..60, k in 2usize..12, repeats in 1usize..4, seed in any::<u64>()) {
        let folds = Folds::k_fold(rows, k, repeats, &mut ChaCha8Rng::seed_from_u64(seed));
        if k > rows {
            prop_assert!(folds.is_err());
        } else {
            let folds = folds.unwrap();
            prop_assert_eq!(folds.sets.len(), k * repeats);
            for sets in folds.sets.chunks(k) {
                let mut all: Vec<usize> = sets.concat();
                all.sort_unstable();
                prop_assert_eq!(all, (0..rows).collect::<Vec<_>>());
                let sizes = sets.iter().map(Vec::len);
                prop_assert!(sizes.clone().max().unwrap() - sizes.min().unwrap() <= 1);
            }
        }
    }
}

/// Who scores a calibration as it stands on sites is told where it may have been made with them; an experiment that is not
/// moved knows no sites, and nothing is said.
#[test]
fn scores_as_they_stand_say_which_calibrations_may_know_the_sites() {
    use crate::assess::as_they_stand;
    use crate::calibration::bundled;
    let rows = field_school();
    let rule = |c: crate::calibration::Calibration| {
        as_they_stand(&[c], &rows, &Question::new("mass_g")).unwrap().rule
    };
    let flint = bundled::named("hard-hammer-flint").unwrap();
    let plain = "as it stands: foretold only if these flakes were not among those that it was fitted to";
    assert_eq!(rule(flint.clone()), plain);
    // the page claims no more, and explains no column but those it has
    let told = as_they_stand(std::slice::from_ref(&flint), &rows, &Question::new("mass_g")).unwrap();
    let page = told.in_words(None).to_string();
    assert!(
        page.contains("the mass of these flakes is predicted") && !page.contains("not yet seen"),
        "{page}"
    );
    assert!(!page.contains("R2") && !page.contains("the column g") && !page.contains("coef."), "{page}");
    assert!(page.contains("bias the mean of ln observed"), "{page}");
    let moved = rule(flint.at_sites().unwrap());
    assert!(moved.contains("hard-hammer-flint was moved to 25 sites, whose names are not known"), "{moved}");
    let made = rule(bundled::named("excavated-flakes").unwrap());
    assert!(made.contains("excavated-flakes was made with 25 sites, whose names are not known"), "{made}");
}

/// A flake below the threshold is none of those kept: it is left out and counted, not scored.
#[test]
fn a_flake_below_the_threshold_is_not_scored() {
    use crate::calibration::{RecoveryThreshold, bundled};
    let rows = field_school();
    let threshold = RecoveryThreshold::above_mm(25.0).unwrap();
    let below = rows.iter().filter(|r| threshold.check(*r).is_err()).count();
    assert!(below > 0);
    let calibrations = [bundled::named("excavated-flakes").unwrap()];
    let flakes =
        |question: Question| crate::assess::as_they_stand(&calibrations, &rows, &question).unwrap().flakes;
    let all = flakes(Question::new("mass_g"));
    assert_eq!(flakes(Question::new("mass_g").of_kept(threshold)), all - below);
}

/// Masses that go with no platform.
fn unrelated() -> Vec<Flake> {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let mut draw = || -> f64 { StandardNormal.sample(&mut rng) };
    (0..60).map(|_| flake((1.8 + 0.4 * draw()).exp(), (2.5 + 0.7 * draw()).exp(), "K")).collect()
}

#[test]
fn where_no_form_beats_the_mean_none_is_to_be_taken() {
    let recipes =
        [own("depth", Transform::Ln, vec![ln(DEPTH)]), own("line", Transform::Ln, vec![value(DEPTH)])];
    let of = |flakes: &[Flake]| {
        let folds = Folds::leave_one_out(flakes.len()).unwrap();
        cross_validate(&recipes, flakes, &folds, &Question::new("mass_g")).unwrap()
    };
    let a = of(&unrelated());
    assert!(!a.recommendation.better_than_mean);
    assert!(
        a.recommendation().starts_with("No form foretells better than the mean of the table does (R2 of "),
        "{}",
        a.recommendation()
    );
    assert!(of(&simulated(60, 0.8, 4)).recommendation.better_than_mean);
}

#[test]
fn a_reason_that_the_flakes_give_is_told_before_that_of_a_column_that_is_lacking() {
    let recipes = [recipe("log-log"), recipe("area")];
    // all of one angle
    let flakes = simulated(30, 0.4, 8);
    let folds = Folds::leave_one_out(30).unwrap();
    let e = cross_validate(&recipes, &flakes, &folds, &Question::new("mass_g")).unwrap_err();
    assert!(e.to_string().contains("exterior_platform_angle_deg cannot be told apart"), "{e}");
}

#[test]
fn rows_pasted_twice_are_told() {
    let recipes = [own("depth", Transform::Ln, vec![ln(DEPTH)])];
    let of = |flakes: &[Flake]| {
        let folds = Folds::leave_one_out(flakes.len()).unwrap();
        cross_validate(&recipes, flakes, &folds, &Question::new("mass_g")).unwrap().told_of_repeats()
    };
    let once = simulated(40, 0.4, 2);
    assert_eq!(of(&once), None);
    let told = of(&[&once[..], &once[..], &once[..]].concat()).unwrap();
    assert!(told.starts_with("80 of 120 flakes equal an earlier one in every number used"), "{told}");
    // a few are ordinary
    assert_eq!(of(&[&once[..], &once[..4]].concat()), None);
}
