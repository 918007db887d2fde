//! The command line as a process: a fit whose flakes share effects of their cores, and what it answers for a known
//! and for a new core.

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

/// The invented table of students and their cores, with masses.
fn nested(folder: &TempDir) -> String {
    let text = include_str!("../../../../tests/reference/grouped_nested.csv");
    let mut out =
        String::from("knapper,core,platform_depth_mm,exterior_platform_angle_deg,mass_g,percussor_no\n");
    for line in text.lines().skip(1) {
        let c: Vec<&str> = line.split(',').collect();
        let mass = c[4].parse::<f64>().unwrap().exp();
        out.push_str(&format!("{},{},{},{},{mass},1\n", c[0], c[1], c[2], c[3]));
    }
    let path = folder.path().join("nested.csv");
    fs::write(&path, out).unwrap();
    path.to_str().unwrap().to_string()
}

fn fit<'a>(table: &'a str, more: &[&'a str]) -> Vec<&'a str> {
    let args = ["fit", "--table", table, "--response", "mass_g", "--form", "log-log", "--name", "school"];
    args.iter().chain(more).copied().collect()
}

#[test]
fn a_known_core_is_told_apart_from_a_new_one() {
    let folder = TempDir::new().unwrap();
    let table = nested(&folder);
    let out = folder.path().join("school.json");
    let out = out.to_str().unwrap();
    let (code, text, err) = run(&fit(&table, &["--group", "knapper", "--group", "core", "--out", out]));
    assert_eq!(code, 0, "{err}");
    // lme4: 0.4476 within cores, 0.3926 between students, 0.1504 between cores (tests/reference/shared.csv)
    for told in
        ["spread 0.448 between flakes of one core", "0.393 between the 6 groups of knapper", "0.150 between"]
    {
        assert!(text.contains(told), "{told}: {text}");
    }
    let rows = folder.path().join("rows.csv");
    let head = "knapper,core,platform_depth_mm,exterior_platform_angle_deg\n";
    fs::write(&rows, format!("{head}Avis,Avis4,9,80\nAvis,,9,80\n,,9,80\nZoe,Zoe1,9,80\n")).unwrap();
    let (code, text, err) =
        run(&["estimate", "--calibration", out, "--table", rows.to_str().unwrap(), "--size", "mass_g"]);
    assert_eq!(code, 0, "{err}");
    let mut lines = text.lines();
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    let at = |name: &str| header.iter().position(|h| *h == name).unwrap();
    let width = |l: &str| {
        let cells: Vec<&str> = l.split(',').collect();
        let number = |name: &str| cells[at(name)].parse::<f64>().unwrap();
        (number("expected_mass_g_high") / number("expected_mass_g_low")).ln()
    };
    let widths: Vec<f64> = lines.map(width).collect();
    assert_eq!(widths.len(), 4);
    assert!(widths[0] < widths[1] && widths[1] < widths[2], "{widths:?}");
    assert_eq!(widths[2], widths[3], "a new knapper is as unknown as one without a name");
}

#[test]
fn the_fit_is_told_as_json() {
    let folder = TempDir::new().unwrap();
    let table = nested(&folder);
    let (code, out, err) = run(&fit(&table, &["--group", "core", "--format", "json"]));
    assert_eq!(code, 0, "{err}");
    let v: Value = serde_json::from_str(&out).unwrap();
    let sd = v["fits"][0]["shared"]["core"]["spread"].as_f64().unwrap();
    // lme4: tests/reference/shared.csv
    assert!((sd / 0.151_122_609_360_445_47f64.sqrt() - 1.0).abs() < 1e-6);
    assert!(v["fits"][0].get("adjusted_r_squared").is_none());
}

#[test]
fn bad_groups_are_named() {
    let folder = TempDir::new().unwrap();
    let table = nested(&folder);
    for (table, group, told) in [
        (table.as_str(), "site", "site"),
        (table.as_str(), "percussor_no", "all"),
        (SCHOOL, "flake", "each of the 24 flakes is a group of its own"),
    ] {
        let (code, _, err) = run(&fit(table, &["--group", group]));
        assert!(code != 0 && err.contains(told) && err.contains(group), "{group}: {err}");
    }
    let (code, _, err) = run(&fit(SCHOOL, &["--by", "knapper", "--group", "knapper"]));
    assert!(code != 0 && err.contains("knapper: the form has a shift for each"), "{err}");
}

#[test]
fn assess_proposes_to_leave_groups_out() {
    let (code, _, err) = run(&["assess", "--table", SCHOOL, "--forms", "log-log", "--repeats", "1"]);
    assert_eq!(code, 0, "{err}");
    assert!(err.contains("4 groups of knapper") && err.contains("--by knapper"), "{err}");
    let (_, _, err) = run(&["assess", "--table", SCHOOL, "--forms", "log-log", "--by", "knapper"]);
    assert!(!err.contains("groups of knapper"), "{err}");
}
