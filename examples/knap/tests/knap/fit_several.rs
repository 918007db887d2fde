//! A calibration of several sizes from what a table records, and several calibrations in one run.

use crate::knap;
use serde_json::Value;
use std::fs;
use std::path::Path;
use tempfile::TempDir;

fn run(args: &[&str]) -> (i32, String, String) {
    let out = knap().args(args).output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (out.status.code().unwrap(), text(out.stdout), text(out.stderr))
}

fn json(args: &[&str]) -> Vec<Value> {
    let (code, out, err) = run(&[args, &["--format", "json"]].concat());
    assert_eq!(code, 0, "{args:?}: {err}");
    out.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

/// Invented flakes: sizes grow as powers of depth and width with a little unevenness, every third angle was not
/// recorded, every fourth flake does not feather out.
fn table(folder: &TempDir) -> String {
    let mut text = "flake,stone,platform_depth_mm,platform_width_mm,exterior_platform_angle_deg,length_mm,\
                    thickness_mm,max_thickness_mm,mass_g,portion,termination\n"
        .to_string();
    for i in 0..120_u32 {
        let uneven = |k: u32| f64::from((i * k) % 17) / 17.0 - 0.5;
        let (depth, width) = (3.0 * (1.0 + 0.9 * uneven(5)).exp(), 12.0 * (0.8 * uneven(11)).exp());
        let angle = 70.0 + 20.0 * uneven(7);
        let stone = if i % 2 == 0 { "flint" } else { "Quartzite" };
        let larger = if i % 2 == 0 { 1.0 } else { 1.5 };
        let length =
            larger * 8.0 * depth.powf(0.6) * width.powf(0.2) * (0.01 * angle + 0.2 * uneven(3)).exp();
        let thickness = 1.2 * depth.powf(0.7) * (0.2 * uneven(13)).exp();
        let mass = larger * 0.4 * depth.powf(1.5) * width.powf(0.4) * (0.02 * angle + 0.4 * uneven(6)).exp();
        let angle = if i % 3 == 0 { String::new() } else { format!("{angle:.0}") };
        // the largest thickness of a few flakes only
        let largest = if i < 12 { format!("{:.2}", thickness * 1.2) } else { String::new() };
        let portion = if i % 20 == 19 { "proximal" } else { "complete" };
        let ended = if i % 4 == 3 { "hinge" } else { "feather" };
        text.push_str(&format!(
            "F{i},{stone},{depth:.2},{width:.2},{angle},{length:.2},{thickness:.2},{largest},{mass:.3},{portion},{ended}\n"
        ));
    }
    let path = folder.path().join("pit.csv");
    fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_string()
}

#[test]
fn one_calibration_holds_what_the_table_records() {
    let folder = TempDir::new().unwrap();
    let table = table(&folder);
    let out = folder.path().join("pit.json");
    let out = out.to_str().unwrap();
    let v = json(&["fit", "--table", &table, "--name", "pit", "--out", out]).remove(0);
    assert_eq!(v["used"], 114);
    assert_eq!(v["left_out"]["not complete (proximal)"], 6);
    let fits: Vec<(&str, &str, u64)> = v["fits"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| {
            let text = |k: &str| f[k].as_str().unwrap();
            (text("form"), text("response"), f["flakes"].as_u64().unwrap())
        })
        .collect();
    let of = |form, flakes| ["length_mm", "thickness_mm", "mass_g"].map(|size| (form, size, flakes));
    let expected = [of("log-log-width", 76), of("log-log", 76), of("log-width", 114), of("log-depth", 114)];
    assert_eq!(fits, expected.concat());
    // each is the fit that is asked for alone
    for (place, size) in [(3, "length_mm"), (4, "thickness_mm"), (5, "mass_g")] {
        let alone = json(&["fit", "--table", &table, "--response", size, "--form", "log-log", "--name", "x"]);
        assert_eq!(alone[0]["fits"][0]["coefficients"], v["fits"][place]["coefficients"], "{size}");
    }
    // a flake of which less is recorded is answered by the variant that needs no more, its termination too
    let estimate = |more: &[&str]| {
        let blow = ["estimate", "--calibration", out, "--depth-mm", "5"];
        json(&[&blow[..], more].concat()).remove(0)
    };
    let full = estimate(&["--angle-deg", "72", "--width-mm", "12"]);
    assert_eq!(full["calibration"]["form"], "log-log-width", "{full}");
    let less = estimate(&[]);
    assert_eq!(less["calibration"]["form"], "log-depth");
    assert!(less["thickness_mm"]["median"].as_f64().unwrap() > 0.0);
    // 28 of the 114 hinge
    let feather = less["termination"]["feather"]["value"].as_f64().unwrap();
    assert!((feather - 0.75).abs() < 0.1, "{less}");
}

#[test]
fn sizes_and_the_form_may_be_named() {
    let folder = TempDir::new().unwrap();
    let table = table(&folder);
    let fit = [
        "fit",
        "--table",
        &table,
        "--name",
        "pit",
        "--response",
        "mass_g,max_thickness_mm",
        "--form",
        "log-log",
    ];
    let v = json(&fit).remove(0);
    let fits: Vec<(&str, u64)> = v["fits"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| (f["response"].as_str().unwrap(), f["flakes"].as_u64().unwrap()))
        .collect();
    assert_eq!(fits, [("max_thickness_mm", 8), ("mass_g", 76)]);
    let (code, text, err) = run(&fit);
    assert_eq!(code, 0, "{err}");
    assert!(text.contains("platform depth, exterior platform angle, 8 to 76 flakes"), "{text}");
    assert!(text.lines().all(|l| l.chars().count() <= 80) && text.lines().count() <= 25, "{text}");
    let (code, _, err) = run(&["fit", "--table", &table, "--name", "pit", "--response", "mass_g,weight"]);
    assert!(code == 2 && err.contains("\"weight\""), "{err}");
}

#[test]
fn a_calibration_for_each_stone() {
    let folder = TempDir::new().unwrap();
    let table = table(&folder);
    let out = folder.path().join("pit.json");
    let args = [
        "fit",
        "--table",
        &table,
        "--name",
        "pit",
        "--by-calibration",
        "stone",
        "--out",
        out.to_str().unwrap(),
    ];
    let all = json(&args);
    assert_eq!(
        all.iter().map(|v| v["name"].as_str().unwrap()).collect::<Vec<_>>(),
        ["pit-flint", "pit-quartzite"]
    );
    assert!(!Path::new(&out).exists());
    let median = |stone: &str| -> f64 {
        let file = folder.path().join(format!("pit-{stone}.json"));
        let file = file.to_str().unwrap();
        let blow =
            ["estimate", "--calibration", file, "--depth-mm", "5", "--angle-deg", "72", "--width-mm", "12"];
        let v = json(&blow).remove(0);
        assert!(!v["cautions"].to_string().contains("stone"), "{v}");
        v["length_mm"]["median"].as_f64().unwrap()
    };
    let ratio = median("quartzite") / median("flint");
    assert!((ratio - 1.5).abs() < 0.1, "{ratio}");
    let (code, _, err) = run(&["fit", "--table", &table, "--name", "pit", "--by-calibration", "stoen"]);
    assert!(code == 2 && err.contains("stone"), "{err}");
}

#[test]
fn a_table_without_what_a_form_reads_says_so() {
    for (text, told) in [
        ("flake,length_mm\nA,30\nB,40\n", "none of 2 flakes with a size records what a form reads"),
        ("flake,platform_depth_mm\nA,3\nB,4\n", "no flake records a size (length_mm"),
    ] {
        let out = knap().args(["fit", "--table", "-", "--name", "x"]).write_stdin(text).output().unwrap();
        let err = String::from_utf8(out.stderr).unwrap();
        assert_eq!(out.status.code(), Some(1), "{err}");
        assert!(err.contains(told), "{err}");
    }
}
