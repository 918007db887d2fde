//! What several test files share: comparing a least squares fit with one model of tests/reference/lm.json.

use crate::fit::Design;
use crate::fit::linear::{self, LinearFit};
use crate::form::{
    ANGLE, ANGLE_OF_BLOW, AREA, DEPTH, Form, LANDS_ON, Layout, PERCUSSOR_CLASS, Term, Transform, WIDTH,
    indicator, ln, log10, product, value,
};
use crate::strike::Measured;
use crate::table::{TableOptions, TableReader};
use serde_json::Value;
use std::io::Read;

/// A term of the reference by the name it has there.
fn term(name: &str) -> Term {
    match name {
        "ln_platform_depth_mm" => ln(DEPTH),
        "ln_platform_width_mm" => ln(WIDTH),
        "ln_platform_area_mm2" => ln(AREA),
        "log10_platform_depth_mm" => log10(DEPTH),
        "log10_platform_area_mm2" => log10(AREA),
        "log10_max_thickness_mm" => log10("max_thickness_mm"),
        "angle_times_depth" => product([ANGLE, DEPTH]),
        "class_organic" => indicator(PERCUSSOR_CLASS, "organic"),
        "blow_lands_on_edge" => indicator(LANDS_ON, "edge"),
        "exterior_platform_angle_deg" => value(ANGLE),
        "angle_of_blow_deg" => value(ANGLE_OF_BLOW),
        other => value(other),
    }
}

fn numbers(v: &Value) -> Vec<f64> {
    v.as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect()
}

/// The design rows and responses of one reference model, and the row numbers in the table.
struct Rows {
    design: Design,
    y: Vec<f64>,
    weights: Option<Vec<f64>>,
    numbers: Vec<u64>,
    form: Form,
    layout: Layout,
}

/// An input row of a layout from anything measured; the class of a percussor is looked up.
fn input(layout: &Layout, measured: &impl Measured) -> Vec<f64> {
    let numbers = layout.numbers.iter().map(|n| measured.number(n).unwrap_or(f64::NAN));
    let classes = layout.classes.iter().map(|c| {
        let level = match c.name.as_str() {
            PERCUSSOR_CLASS => measured
                .class("percussor")
                .map(|p| crate::material::PercussorMaterial::named(p).unwrap().class().to_string()),
            name => measured.class(name).map(str::to_string),
        };
        match level {
            None => f64::NAN,
            // a level beside the ones of the form counts as none of them
            Some(l) => c.levels.iter().position(|k| *k == l).map_or(63.0, |i| i as f64),
        }
    });
    numbers.chain(classes).collect()
}

fn rows(model: &Value, table: impl Read) -> Rows {
    let terms: Vec<Term> =
        model["terms"].as_array().unwrap().iter().skip(1).map(|t| term(t.as_str().unwrap())).collect();
    let transform = match model["transform"].as_str().unwrap() {
        "ln" => Transform::Ln,
        "log10" => Transform::Log10,
        "cube_root" => Transform::CubeRoot,
        other => panic!("unknown transform {other}"),
    };
    let form = Form::new("reference", transform, terms).unwrap();
    let layout = Layout::of([&form]);
    let compiled = form.compile(&layout).unwrap();
    let mut options = TableOptions::new();
    for extra in ["dorsal_scars", "dorsal_cortex_1_to_5"] {
        if layout.numbers.iter().any(|n| n == extra) || model["weights"].as_str().unwrap().contains(extra) {
            options = options.number(extra);
        }
    }
    let mut reader = TableReader::new(table, &options).unwrap();
    let mut row = reader.row();
    let (mut design, mut y, mut weights, mut numbers) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    while reader.read(&mut row).unwrap() {
        let x = input(&layout, &row);
        let Some(size) = row.number("mass_g") else { continue };
        if compiled.check(&x, &layout).is_err() {
            continue;
        }
        let mut d = vec![0.0; compiled.terms()];
        compiled.fill(&x, &mut d);
        design.push(d);
        y.push(transform.apply(size));
        numbers.push(row.row_number());
        match model["weights"].as_str().unwrap() {
            "none" => {}
            "1 + dorsal_scars" => weights.push(1.0 + row.number("dorsal_scars").unwrap()),
            column => weights.push(row.number(column).unwrap()),
        }
    }
    Rows {
        design: Design::from_rows(form.term_names(), &design).unwrap(),
        weights: (!weights.is_empty()).then_some(weights),
        y,
        numbers,
        form,
        layout,
    }
}

/// Asserts that a number agrees relative to the reference; differences of numbers that nearly cancel are
/// judged against `size`.
#[track_caller]
fn same(what: &str, found: f64, expected: f64, size: f64) {
    let error = (found - expected).abs() / expected.abs().max(size);
    assert!(error <= 1e-9, "{what}: {found} against {expected} (relative {error:.2e})");
}

/// A point given by name in the reference.
struct Point<'a>(&'a Value);

impl Measured for Point<'_> {
    fn number(&self, name: &str) -> Option<f64> {
        self.0[name].as_f64()
    }
    fn class(&self, name: &str) -> Option<&str> {
        self.0[name].as_str()
    }
}

/// Compares our fit of one model with the reference, number by number, to 1e-9.
pub fn compare(model: &Value, table: impl Read) {
    let name = model["name"].as_str().unwrap();
    let r = rows(model, table);
    assert_eq!(r.y.len() as u64, model["n"].as_u64().unwrap(), "{name}: rows");
    let fit = linear::fit(&r.design, &r.y, r.weights.as_deref()).unwrap();
    for (what, found, expected) in [
        ("coefficient", fit.coefficients().to_vec(), numbers(&model["coefficients"])),
        ("standard error", fit.standard_errors(), numbers(&model["standard_errors"])),
    ] {
        for (i, (f, e)) in found.iter().zip(&expected).enumerate() {
            same(&format!("{name} {what} {i}"), *f, *e, 0.0);
        }
    }
    for (i, (f, e)) in fit.covariance().iter().zip(model["covariance"].as_array().unwrap()).enumerate() {
        for (j, (f, e)) in f.iter().zip(numbers(e)).enumerate() {
            let size = (fit.covariance()[i][i] * fit.covariance()[j][j]).sqrt();
            same(&format!("{name} covariance {i} {j}"), *f, e, size);
        }
    }
    let (likelihood, parameters) = (fit.log_likelihood(), fit.coefficients().len() as f64 + 1.0);
    for (what, found) in [
        ("sigma", fit.spread()),
        ("df_residual", fit.degrees_of_freedom()),
        ("residual_sum_of_squares", fit.residual_sum_of_squares()),
        ("r_squared", fit.r_squared()),
        ("adjusted_r_squared", fit.adjusted_r_squared()),
        ("log_likelihood", likelihood),
        ("aic", fit.aic_in_own_unit(0.0)),
        ("bic", parameters * (fit.rows() as f64).ln() - 2.0 * likelihood),
    ] {
        if !model[what].is_null() {
            same(&format!("{name} {what}"), found, model[what].as_f64().unwrap(), 0.0);
        }
    }
    predictions(name, model, &r, &fit);
    diagnostics(name, model, &r, &fit);
}

fn predictions(name: &str, model: &Value, r: &Rows, fit: &LinearFit) {
    let compiled = r.form.compile(&r.layout).unwrap();
    for p in model["predictions"].as_array().unwrap() {
        let mut x = vec![0.0; compiled.terms()];
        compiled.fill(&input(&r.layout, &Point(&p["at"])), &mut x);
        let what = format!("{name} at {}", p["point"]);
        same(&what, fit.expected(&x).unwrap(), p["fit"].as_f64().unwrap(), 1.0);
        if let Some(se) = p["se_fit"].as_f64() {
            same(&what, fit.leverage(&x).unwrap().sqrt() * fit.spread(), se, 0.0);
        }
        for (key, level, new) in [
            ("mean_95", 0.95, false),
            ("prediction_95", 0.95, true),
            ("prediction_50", 0.5, true),
            ("prediction_999", 0.999, true),
        ] {
            if p[key].is_null() {
                continue;
            }
            let (low, high) = if new {
                fit.interval(&x, level, 1.0).unwrap()
            } else {
                fit.interval(&x, level, 0.0).unwrap()
            };
            let expected = numbers(&p[key]);
            same(&format!("{what} {key} low"), low, expected[0], 1.0);
            same(&format!("{what} {key} high"), high, expected[1], 1.0);
        }
    }
}

fn diagnostics(name: &str, model: &Value, r: &Rows, fit: &LinearFit) {
    let d = linear::diagnostics(fit, &r.design, &r.y, r.weights.as_deref()).unwrap();
    for row in model["rows"].as_array().unwrap() {
        let i = r.numbers.iter().position(|n| Some(*n) == row["row"].as_u64()).unwrap();
        for (key, found) in [
            ("leverage", d[i].leverage),
            ("cooks_distance", d[i].cooks_distance),
            ("internally_studentised", d[i].standardised),
            ("externally_studentised", d[i].studentised),
            ("residual", d[i].residual),
            ("left_out_residual", d[i].left_out),
        ] {
            if !row[key].is_null() {
                same(&format!("{name} row {} {key}", row["row"]), found, row[key].as_f64().unwrap(), 0.0);
            }
        }
    }
    let all = &model["over_all_rows"];
    for (key, values) in [
        ("leverage", d.iter().map(|d| d.leverage).collect::<Vec<_>>()),
        ("cooks_distance", d.iter().map(|d| d.cooks_distance).collect()),
        ("internally_studentised", d.iter().map(|d| d.standardised).collect()),
        ("externally_studentised", d.iter().map(|d| d.studentised).collect()),
        ("left_out_residual", d.iter().map(|d| d.left_out).collect()),
    ] {
        if !all[key].is_null() {
            let absolutes: f64 = values.iter().map(|v| v.abs()).sum();
            let squares: f64 = values.iter().map(|v| v * v).sum();
            same(
                &format!("{name} {key} sum"),
                values.iter().sum(),
                all[key]["sum"].as_f64().unwrap(),
                absolutes,
            );
            same(
                &format!("{name} {key} absolutes"),
                absolutes,
                all[key]["sum_of_absolutes"].as_f64().unwrap(),
                0.0,
            );
            same(
                &format!("{name} {key} squares"),
                squares,
                all[key]["sum_of_squares"].as_f64().unwrap(),
                0.0,
            );
        }
    }
    if let Some(press) = model["press"].as_f64() {
        same(&format!("{name} PRESS"), d.iter().map(|d| d.left_out * d.left_out).sum(), press, 0.0);
    }
}

/// The models of a reference file that were fitted to this table.
pub fn models(reference: &str, table: &str) -> Vec<Value> {
    let all: Value = serde_json::from_str(reference).unwrap();
    let found: Vec<Value> =
        all["models"].as_array().unwrap().iter().filter(|m| m["table"] == table).cloned().collect();
    assert!(!found.is_empty(), "no model of {table} in the reference");
    found
}
