//! The command line as a process: a fit with shifts by class, from the plan's sheet to an estimate.

use crate::{SCHOOL, knap};
use serde_json::Value;
use std::fs;
use tempfile::TempDir;

fn run(args: &[&str]) -> (i32, String, String) {
    let out = knap().args(args).output().unwrap();
    (
        out.status.code().unwrap(),
        String::from_utf8(out.stdout).unwrap(),
        String::from_utf8(out.stderr).unwrap(),
    )
}

fn json(args: &[&str]) -> Value {
    let (code, out, err) = run(&[args, &["--format", "json"]].concat());
    assert_eq!(code, 0, "{args:?}: {err}");
    serde_json::from_str(&out).unwrap()
}

fn fit<'a>(table: &'a str, more: &[&'a str]) -> Vec<&'a str> {
    let args = ["fit", "--table", table, "--response", "mass_g", "--form", "log-log", "--name", "school"];
    args.iter().chain(more).copied().collect()
}

#[test]
fn a_shift_by_percussor_agrees_with_r() {
    let v = json(&fit(SCHOOL, &["--by", "percussor"]));
    assert_eq!(v["used"], 24);
    // both have twelve flakes: the first by name is what the other is compared with
    assert_eq!(v["shifts_from"]["percussor"], "antler");
    // R 4.x: lm(log(mass_g) ~ log(platform_depth_mm) + exterior_platform_angle_deg + (percussor == "quartzite")),
    // tests/reference/fit_by.R
    let reference = include_str!("../../../../tests/reference/fit_by.csv");
    let mut lines = 0;
    for line in reference.lines().skip(2) {
        let cells: Vec<&str> = line.split(',').collect();
        let c = &v["fits"][0]["coefficients"][cells[0]];
        for (key, expected) in [("value", cells[1]), ("standard_error", cells[2])] {
            let (found, expected): (f64, f64) = (c[key].as_f64().unwrap(), expected.parse().unwrap());
            assert!((found / expected - 1.0).abs() < 1e-9, "{} {key}: {found} {expected}", cells[0]);
        }
        lines += 1;
    }
    assert_eq!(lines, 4);
}

#[test]
fn an_estimate_takes_the_percussor_or_averages() {
    let folder = TempDir::new().unwrap();
    let file = folder.path().join("school.json");
    let file = file.to_str().unwrap();
    let (code, text, err) = run(&fit(SCHOOL, &["--by", "percussor", "--out", file]));
    assert_eq!(code, 0, "{err}");
    assert!(text.contains("A coefficient of percussor is a shift from antler."), "{text}");
    let median = |more: &[&str]| {
        let blow = ["estimate", "--depth-mm", "6", "--angle-deg", "75", "--calibration", file];
        let v = json(&[&blow[..], more].concat());
        (v["mass_g"]["median"].as_f64().unwrap(), v["cautions"].to_string())
    };
    let (antler, _) = median(&["--percussor", "antler"]);
    let (quartzite, cautions) = median(&["--percussor", "quartzite"]);
    let shift =
        json(&fit(SCHOOL, &["--by", "percussor"]))["fits"][0]["coefficients"]["percussor = quartzite"]["value"].as_f64();
    assert!((quartzite / antler / shift.unwrap().exp() - 1.0).abs() < 1e-9);
    assert!(!cautions.contains("averaged"), "{cautions}");
    let (open, cautions) = median(&[]);
    assert!(open > antler.min(quartzite) && open < antler.max(quartzite));
    assert!(cautions.contains("settings-averaged"), "{cautions}");
    // bone leans on antler, and says so
    let (bone, cautions) = median(&["--percussor", "bone"]);
    assert_eq!(bone, antler);
    assert!(cautions.contains("leans on antler"), "{cautions}");
}

#[test]
fn the_sheet_of_a_plan_is_fitted_as_planned() {
    let folder = TempDir::new().unwrap();
    let sheet = folder.path().join("saturday.csv");
    let path = sheet.to_str().unwrap();
    let plan =
        ["plan", "--flakes", "24", "--percussor", "quartzite,antler", "--difference", "1.5", "--sheet", path];
    let (code, text, err) = run(&plan);
    assert_eq!(code, 0, "{err}");
    let pasted = text.replace("\\\n", " ");
    let flat = pasted.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("--response mass_g --form log-log --by percussor --name saturday"), "{text}");
    assert!(flat.contains("chances are of shifts from quartzite"), "{text}");
    let blank = fs::read_to_string(&sheet).unwrap();
    let columns: Vec<&str> = blank.lines().next().unwrap().split(',').collect();
    let at = |name: &str| columns.iter().position(|c| *c == name).unwrap();
    let mut filled = format!("{}\n", blank.lines().next().unwrap());
    for line in blank.lines().skip(1) {
        let mut cells: Vec<String> = line.split(',').map(str::to_string).collect();
        let number = |cells: &[String], name: &str| cells[at(name)].parse::<f64>().unwrap();
        let (depth, angle) = (number(&cells, "target_depth_mm"), number(&cells, "target_angle_deg"));
        let shift = if cells[at("percussor")] == "antler" { -0.3 } else { 0.0 };
        cells[at("platform_depth_mm")] = depth.to_string();
        cells[at("exterior_platform_angle_deg")] = angle.to_string();
        cells[at("mass_g")] = format!("{}", (-5.0 + 2.0 * depth.ln() + 0.04 * angle + shift).exp());
        filled.push_str(&format!("{}\n", cells.join(",")));
    }
    fs::write(&sheet, filled).unwrap();
    let v = json(&fit(path, &["--by", "percussor"]));
    assert_eq!(v["used"], 24);
    let from = v["shifts_from"]["percussor"].as_str().unwrap();
    let (term, expected) =
        if from == "quartzite" { ("percussor = antler", -0.3) } else { ("percussor = quartzite", 0.3) };
    assert!((v["fits"][0]["coefficients"][term]["value"].as_f64().unwrap() - expected).abs() < 1e-6, "{v}");
    assert!(
        (v["fits"][0]["coefficients"]["ln platform_depth_mm"]["value"].as_f64().unwrap() - 2.0).abs() < 1e-6
    );
}

#[test]
fn further_columns_of_other_kinds() {
    // a class that the library does not know by itself, and a number
    let v = json(&fit(SCHOOL, &["--by", "knapper", "--by", "angle_of_blow_deg"]));
    assert!(v["fits"][0]["coefficients"]["angle_of_blow_deg"]["value"].is_number());
    assert_eq!(v["fits"][0]["coefficients"].as_object().unwrap().len(), 3 + 1 + 3);
    // the class of the percussor is looked up
    let v = json(&fit(SCHOOL, &["--by", "percussor_class"]));
    assert!(
        v["fits"][0]["coefficients"].as_object().unwrap().keys().any(|k| k.starts_with("percussor_class = ")),
        "{v}"
    );
}

#[test]
fn what_cannot_be_told_apart_is_said() {
    let (code, _, err) = run(&fit(SCHOOL, &["--by", "percussor", "--where", "percussor=antler"]));
    assert_eq!(code, 1);
    assert!(err.contains("at least two levels (found: only antler)"), "{err}");
    let (code, _, err) = run(&fit(SCHOOL, &["--by", "colour"]));
    assert_eq!(code, 1);
    assert!(err.contains("colour"), "{err}");
    let from = ["--starting-from", "hard-hammer-flint", "--by", "percussor"];
    let (code, ..) =
        run(&[&["fit", "--table", SCHOOL, "--response", "mass_g", "--name", "x"], &from[..]].concat());
    assert_eq!(code, 2);
    let (code, _, err) = run(&fit(SCHOOL, &["--by", "exterior_platform_angle_deg"]));
    assert_eq!(code, 2, "{err}");
}

#[test]
fn a_condition_that_leaves_no_row_is_named_with_what_the_table_has() {
    let antlr = "percussor=antlr leaves no row; in the table percussor is: antler, quartzite";
    let plain = fit(SCHOOL, &["--where", "percussor=antlr"]);
    let by = fit(SCHOOL, &["--by", "percussor", "--where", "percussor=antlr"]);
    let args = ["fit", "--table", SCHOOL, "--response", "mass_g", "--name", "school"];
    let from = [&args[..], &["--starting-from", "hard-hammer-flint", "--where", "percussor=antlr"]].concat();
    let both = fit(SCHOOL, &["--where", "percussor=antler", "--where", "percussor=quartzite"]);
    let together = "leave no row together, though each leaves some";
    for (args, words) in [(plain, antlr), (by, antlr), (from, antlr), (both, together)] {
        let (code, out, err) = run(&args);
        assert_eq!(code, 1, "{args:?}: {out}{err}");
        assert!(err.contains(words) && out.is_empty(), "{args:?}: {out}{err}");
    }
}
