//! `knap assess` as a process: the comparison as text and JSON, the page of plots, and refusals.

use crate::knap;
use serde_json::Value;
use std::fs;

const TABLE: &str = crate::SCHOOL;

fn run(args: &[&str]) -> (i32, String, String) {
    let out = knap().args(["assess", "--table", TABLE]).args(args).output().unwrap();
    (
        out.status.code().unwrap(),
        String::from_utf8(out.stdout).unwrap(),
        String::from_utf8(out.stderr).unwrap(),
    )
}

#[test]
fn the_comparison_is_readable_in_a_narrow_window() {
    let (code, out, err) = run(&[
        "--forms",
        "log-log,tangent-power,cube-root,hard-hammer-quartzite",
        "--class",
        "blow_lands_on",
        "--class",
        "percussor_class",
        "--folds",
        "6",
        "--repeats",
        "2",
    ]);
    assert_eq!(code, 0, "{out}{err}");
    assert!(err.starts_with("knap: the table has 4 groups of knapper"), "{err}");
    for line in out.lines().chain(err.lines()) {
        assert!(line.chars().count() < 80, "{} characters: {line}", line.chars().count());
    }
    for words in [
        "24 flakes of 24 rows",
        "times 6-fold",
        "By blow lands on",
        "By percussor class",
        "organic",
        "\nTake ",
        "Checks of ",
        "Anderson-Darling",
    ] {
        assert!(out.contains(words), "{words}: {out}");
    }
}

#[test]
fn the_same_seed_gives_the_same_comparison_and_another_does_not() {
    let args =
        |seed| ["--forms", "log-log", "--folds", "4", "--repeats", "1", "--format", "json", "--seed", seed];
    let (a, b, c) = (run(&args("1")), run(&args("1")), run(&args("2")));
    assert_eq!(a, b);
    assert_ne!(a.1, c.1);
}

#[test]
fn json_carries_every_score_with_its_standard_error() {
    let (code, out, _) = run(&[
        "--forms",
        "log-log,cube-root",
        "--by",
        "knapper",
        "--class",
        "blow_lands_on",
        "--format",
        "json",
    ]);
    assert_eq!(code, 0);
    let v: Value = serde_json::from_str(&out).unwrap();
    assert_eq!((v["rule"].as_str().unwrap(), v["flakes"].as_u64().unwrap()), ("leave-one-knapper-out", 24));
    for form in ["log-log", "cube-root"] {
        let s = &v["forms"][form]["overall"];
        assert_eq!(s["groups"], 4);
        for key in ["rmse_ln", "mae_ln", "rmse", "mae", "r_squared", "log_score", "crps", "interval_score"] {
            assert!(s[key]["value"].is_f64() && s[key]["standard_error"].is_f64(), "{form} {key}: {s}");
        }
        let levels: Vec<f64> =
            s["coverage"].as_array().unwrap().iter().map(|c| c["level"].as_f64().unwrap()).collect();
        assert_eq!(levels, [0.5, 0.8, 0.9, 0.95]);
        assert_eq!(v["forms"][form]["by_class"].as_array().unwrap().len(), 2);
        assert_eq!(v["forms"][form]["pit"]["shares"].as_array().unwrap().len(), 10);
    }
    assert_eq!(v["differences"].as_array().unwrap().len(), 1);
    assert!(v["recommendation"]["take"].is_string() && v["sentence"].as_str().unwrap().starts_with("Take "));
    assert!(v["checks"].as_array().unwrap().iter().all(|c| !c["advice"].as_str().unwrap().is_empty()));
}

#[test]
fn the_page_of_plots_is_drawn() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("report.svg");
    let (code, out, _) = run(&[
        "--forms",
        "log-log,cube-root",
        "--class",
        "blow_lands_on",
        "--folds",
        "24",
        "--plot",
        path.to_str().unwrap(),
    ]);
    assert_eq!(code, 0, "{out}");
    assert!(out.contains("leave-one-out"), "{out}");
    let svg = fs::read_to_string(&path).unwrap();
    assert!(svg.starts_with("<svg") && svg.trim_end().ends_with("</svg>"));
    for words in [
        "expected mass (g)",
        "observed mass (g)",
        "Reliability",
        "Probability integral",
        "Cook&apos;s distance",
        "blow lands on edge",
    ] {
        assert!(svg.contains(words) || svg.contains(&words.replace("&apos;", "'")), "{words}");
    }
    assert!(!svg.contains("NaN") && !svg.contains("inf"));
}

#[test]
fn slips_are_named() {
    for (args, code, words) in [
        (&["--forms", "log-lg"][..], 2, "did you mean \"log-log\""),
        (&["--forms", "log-log", "--response", "weight"], 2, "--response: \"weight\" is not known"),
        (&["--forms", "log-log", "--by", "knaper"], 2, "did you mean \"knapper\""),
        (&["--forms", "log-log", "--class", "blow_lands"], 2, "is not known"),
        (&["--forms", "log-log", "--folds", "1"], 1, "at least 2"),
        (&["--forms", "log-log", "--folds", "25"], 1, "at most one for each row"),
        (&["--forms", "log-log", "--by", "knapper", "--folds", "5"], 2, "cannot be used with"),
        (&["--forms", "log-log,log-log"], 1, "stands twice"),
        (&["--forms", "area"], 1, "0 flakes to fit"),
        (&["--forms", "log-log", "--where", "percussor=bronze"], 1, "percussor=bronze leaves no row"),
        (&["--forms", "log-log", "--format", "csv"], 2, "[possible values: text, json]"),
    ] {
        let (found, out, err) = run(args);
        assert_eq!(found, code, "{args:?}: {out}{err}");
        assert!(err.contains(words), "{args:?}: {err}");
        assert!(out.is_empty(), "{args:?}: {out}");
    }
}
