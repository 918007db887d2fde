//! Collectors merged through their parts against one collector for all flakes, and parts that are refused.

use crate::calibration::{Calibration, Provenance, RecoveryThreshold, TerminationRecipe};
use crate::calibration::{Collector, Part, Recipe};
use crate::error::Error;
use crate::form::{ANGLE, DEPTH, Form, indicator, ln, spline};
use crate::strike::Measured;
use serde_json::{Value, json};

#[derive(Clone)]
struct Row(Vec<f64>, &'static str, String);

impl Measured for Row {
    fn number(&self, name: &str) -> Option<f64> {
        let at = ["length_mm", DEPTH, ANGLE, "mass_g"].iter().position(|n| *n == name)?;
        Some(self.0[at]).filter(|v| !v.is_nan())
    }
    fn class(&self, name: &str) -> Option<&str> {
        match name {
            "percussor" => Some(self.1),
            "core" => Some(&self.2),
            _ => None,
        }
    }
}

/// Invented flakes; some without a length, the percussors and cores in another order in every part.
fn rows(n: usize) -> Vec<Row> {
    let wave = |i: usize, k: f64| ((i as f64 + 1.0) * k).sin();
    (0..n)
        .map(|i| {
            let (depth, angle) = ((1.6 + 0.5 * wave(i, 1.7)).exp(), 70.0 + 9.0 * wave(i, 2.3));
            let core = (i * 7 + i / 50) % 12;
            let y = -4.0 + 2.0 * depth.ln() + 0.03 * angle + 0.3 * wave(core, 5.1) + 0.4 * wave(i, 12.9898);
            let length =
                if i % 9 == 4 { f64::NAN } else { 8.0 * (y / 3.0).exp() * (0.1 * wave(i, 3.3)).exp() };
            let percussor = if (i / 3 + i / 40) % 3 == 0 { "antler" } else { "quartzite" };
            Row(vec![length, depth, angle, y.exp()], percussor, format!("C{core}"))
        })
        .collect()
}

/// Mass and length, the length with a spread of its own, all with a shift for antler; by core where asked.
fn recipe(by_core: bool) -> Recipe {
    let form = Form::named("log-log").unwrap().with_terms([indicator("percussor", "antler")]).unwrap();
    let mut recipe =
        Recipe::single("school", "mass_g", form, Provenance::new("invented", "own", "own", "test")).unwrap();
    if by_core {
        let mut length = recipe.variants[0].sizes[0].clone();
        (length.size, length.column) = ("length_mm".into(), "length_mm".into());
        length.form = length.form.with_spread_terms([ln(DEPTH)]).unwrap();
        recipe.variants[0].sizes.push(length);
        recipe = recipe.sharing("core");
    }
    recipe
}

fn collected(recipe: Recipe, rows: &[Row]) -> Collector {
    let mut collector = Collector::new(recipe).unwrap();
    rows.iter().for_each(|r| {
        collector.offer(r);
    });
    collector
}

fn through_json(part: Part) -> Part {
    serde_json::from_str(&serde_json::to_string(&part).unwrap()).unwrap()
}

fn merged(by_core: bool, rows: &[Row], size: usize) -> (Calibration, crate::calibration::Report) {
    let mut all = Collector::new(recipe(by_core)).unwrap();
    for some in rows.chunks(size) {
        let mut collector = collected(recipe(by_core), some);
        collector.leave_out("another reason");
        all.merge(through_json(collector.into_part().unwrap())).unwrap();
    }
    all.finish().unwrap()
}

#[track_caller]
fn alike(a: &Calibration, b: &Calibration, tolerance: f64) {
    assert_eq!(a.settings(), b.settings());
    assert_eq!(a.percussors(), b.percussors());
    let (v, w) = (&a.variants()[0], &b.variants()[0]);
    assert_eq!((&v.ranges, v.joint_flakes), (&w.ranges, w.joint_flakes));
    for (m, n) in v.sizes.iter().zip(&w.sizes) {
        assert_eq!((m.flakes, m.recorded), (n.flakes, n.recorded));
        for (i, (x, y)) in m.coefficients.iter().zip(&n.coefficients).enumerate() {
            let se = n.covariance[i][i].sqrt();
            assert!((x - y).abs() < tolerance * se, "{x} {y}");
            assert!((m.covariance[i][i].sqrt() / se - 1.0).abs() < tolerance);
        }
        let close = |x: f64, y: f64| assert!((x / y - 1.0).abs() < tolerance, "{x} {y}");
        close(m.left_out_error, n.left_out_error);
        close(m.largest_leverage, n.largest_leverage);
        close(m.r_squared, n.r_squared);
        assert_eq!(m.shared.len(), n.shared.len());
        for (e, f) in m.shared.iter().zip(&n.shared) {
            close(e.covariance[0][0], f.covariance[0][0]);
            let names = |e: &crate::calibration::SharedEffect| -> Vec<String> {
                e.levels.iter().map(|l| l.name.clone()).collect()
            };
            assert_eq!(names(e), names(f));
        }
    }
}

#[test]
fn parts_merge_to_the_whole() {
    let rows = rows(600);
    for (by_core, size, tolerance) in [(false, 70, 1e-9), (false, 600, 1e-9), (true, 130, 1e-5)] {
        let (whole, report) = collected(recipe(by_core), &rows).finish().unwrap();
        let (parts, found) = merged(by_core, &rows, size);
        alike(&parts, &whole, tolerance);
        assert_eq!(found.used, report.used);
        let more = rows.len().div_ceil(size) as u64;
        assert_eq!(found.offered, report.offered + more);
        assert!(found.left_out.contains(&("another reason".to_string(), more)));
    }
}

/// Parts of so many flakes that not all are kept.
#[test]
fn parts_of_many_flakes_stay_small() {
    let rows = rows(2000);
    let mut collector = Collector::new(recipe(false)).unwrap();
    let mut all = Collector::new(recipe(false)).unwrap();
    for _ in 0..3 {
        let mut part = Collector::new(recipe(false)).unwrap();
        for _ in 0..125 {
            rows.iter().for_each(|r| {
                part.offer(r);
                collector.offer(r);
            });
        }
        all.merge(part.into_part().unwrap()).unwrap();
    }
    let (whole, report) = collector.finish().unwrap();
    let (parts, found) = all.finish().unwrap();
    assert_eq!((found.used, report.used), (750_000, 750_000));
    // the same rows again and again: every part of them leaves the same errors
    let (m, n) = (&parts.variants()[0].sizes[0], &whole.variants()[0].sizes[0]);
    assert!((m.left_out_error / n.left_out_error - 1.0).abs() < 1e-3);
    assert!((m.coefficients[1] / n.coefficients[1] - 1.0).abs() < 1e-10);
}

#[test]
fn bad_parts_are_refused() {
    let rows = rows(60);
    let part = collected(recipe(true), &rows).into_part().unwrap();
    let refused = |part: Part, told: &str| {
        let e = Collector::new(recipe(true)).unwrap().merge(part).unwrap_err().to_string();
        assert!(e.contains(told), "{e}");
    };
    refused(collected(recipe(false), &rows).into_part().unwrap(), "another recipe");
    let good = serde_json::to_value(&part).unwrap();
    let spoilt = |pointer: &str, to: Value| {
        let mut v = good.clone();
        *v.pointer_mut(pointer).unwrap_or_else(|| panic!("{pointer}")) = to;
        serde_json::from_value::<Part>(v).unwrap()
    };
    refused(spoilt("/stride", json!(3)), "not those of the recipe");
    refused(spoilt("/stride", json!(0)), "not those of the recipe");
    refused(spoilt("/used", json!(2)), "not those of the recipe");
    refused(spoilt("/groups", json!([])), "not those of the recipe");
    refused(spoilt("/groups/0", json!(["C1"])), "a code of a class without a level");
    refused(spoilt("/inputs/3", json!(-1)), "a code of a class without a level");
    refused(spoilt("/classes/0/name", json!("stone")), "not those of the recipe");
    refused(spoilt("/sizes/0/ends", json!([])), "not those of the recipe");
    assert!(serde_json::from_value::<Part>(json!({"recipe": ""})).is_err());
}

/// Whatever a recipe asks for otherwise is another recipe; what is only written beside the fit is not.
#[test]
fn a_part_of_another_recipe_is_refused() {
    let curved = |knots: &[f64]| {
        let form = Form::named("log-log").unwrap().with_terms(spline(DEPTH, knots)).unwrap();
        let own = Provenance::new("invented", "own", "own", "test");
        let mut recipe = Recipe::single("school", "mass_g", form.clone(), own).unwrap().sharing("core");
        recipe.variants[0].termination = Some(TerminationRecipe::four(form));
        recipe.given_kept(&RecoveryThreshold::above_g(1.0).unwrap())
    };
    let part = |recipe: Recipe| Collector::new(recipe).unwrap().into_part().unwrap();
    let mut all = Collector::new(curved(&[3.0, 5.0, 7.0])).unwrap();
    let mut refused = |recipe: Recipe, what: &str| {
        let answer = all.merge(through_json(part(recipe)));
        assert!(matches!(answer, Err(Error::Incomparable { .. })), "{what}: {answer:?}");
    };
    refused(curved(&[2.0, 4.0, 9.0]), "knots");
    refused(curved(&[3.0, 5.0, 7.0]).given_kept(&RecoveryThreshold::above_g(2.0).unwrap()), "threshold");
    type Change = fn(&mut Recipe);
    let changes: [(&str, Change); 9] = [
        ("incomplete pieces", |r| r.keep_incomplete = true),
        ("what struck", |r| r.struck_with = Some("antler".into())),
        ("stone", |r| r.stone = Some("flint".into())),
        ("size", |r| r.variants[0].sizes[0].size = "original_over_now".into()),
        ("slopes of groups", |r| r.variants[0].sizes[0].method.shared[0].terms = vec![0]),
        ("their variance", |r| r.variants[0].sizes[0].method.shared[0].times = 2.0),
        ("their tails", |r| r.variants[0].sizes[0].method.shared[0].degrees_of_freedom = Some(5.0)),
        ("terminations told apart", |r| {
            let form = r.variants[0].sizes[0].form.clone();
            r.variants[0].termination = Some(TerminationRecipe::feather_or_not(form));
        }),
        ("termination form", |r| {
            r.variants[0].termination = Some(TerminationRecipe::four(Form::named("log-log").unwrap()));
        }),
    ];
    for (what, change) in changes {
        let mut recipe = curved(&[3.0, 5.0, 7.0]);
        change(&mut recipe);
        refused(recipe, what);
    }
    let plain = recipe(false);
    let mut penalised = plain.clone();
    penalised.variants[0].sizes[0].method.penalised = vec![1];
    let answer = Collector::new(plain.clone()).unwrap().merge(part(penalised));
    assert!(matches!(answer, Err(Error::Incomparable { .. })), "penalised: {answer:?}");
    let named = Recipe { name: "another".into(), ..plain.clone() };
    Collector::new(plain).unwrap().merge(part(named)).unwrap();
}
