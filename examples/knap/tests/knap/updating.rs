//! The command line as a process: `fit --starting-from`, a calibration updated with few flakes.

use crate::knap;
use conchoid::calibration::Calibration;
use serde_json::Value;

#[test]
fn the_command_line_updates_and_refuses() {
    let folder = tempfile::tempdir().unwrap();
    let one = folder.path().join("one.csv");
    let head: Vec<&str> = include_str!("../../../data/field-school.csv").lines().take(2).collect();
    std::fs::write(&one, head.join("\n")).unwrap();
    let out = folder.path().join("mine.json");
    let run = |table: &std::path::Path, more: &[&str]| {
        let mut c = knap();
        c.args(["fit", "--response", "mass_g", "--name", "school", "--table"]).arg(table);
        c.args(more).arg("--out").arg(&out);
        let done = c.output().unwrap();
        let text = String::from_utf8(done.stdout).unwrap() + &String::from_utf8(done.stderr).unwrap();
        (done.status.code().unwrap(), text)
    };
    let school = std::path::Path::new(crate::SCHOOL);
    let from = ["--starting-from", "hard-hammer-flint"];
    let (code, text) = run(school, &from);
    assert_eq!(code, 0, "{text}");
    for words in ["24 local flakes used", "own only", "shallow", "deep", "how far their own place lies"] {
        assert!(text.contains(words), "{words}: {text}");
    }
    let written = Calibration::from_json(&std::fs::read_to_string(&out).unwrap()).unwrap();
    assert_eq!((written.name(), written.variants().len()), ("school", 1));
    assert!(written.provenance().summary.contains("updated with 24 local flakes"));
    // a calibration of one's own can be the start of the next
    let start = folder.path().join("start.json");
    std::fs::copy(&out, &start).unwrap();
    let (code, text) = run(&one, &["--starting-from", start.to_str().unwrap()]);
    assert_eq!(code, 0, "{text}");
    assert!(text.contains("1 local flake used"), "{text}");
    let json = run(&one, &[&from[..], &["--format", "json"]].concat());
    let json: Value = serde_json::from_str(&json.1).unwrap();
    assert!(json["platforms"]["middling"]["updated"]["median"].as_f64().unwrap() > 0.0);
    assert!(json["coefficients"]["intercept"]["own"].is_null());
    for (more, words) in [
        (vec!["--starting-from", "hard-hammer-flint", "--form", "log-log"], "cannot be used with"),
        (vec!["--starting-from", "soft-hammer-flint"], "did you mean \"hard-hammer-flint\""),
    ] {
        let (code, text) = run(school, &more);
        assert_eq!(code, 2, "{more:?}: {text}");
        assert!(text.contains(words), "{more:?}: {text}");
    }
}

/// Local flakes of one depth, of many sites and of a site that may be known are told of; what was kept is told of each
/// flake, and one below the threshold is refused by column and row.
#[test]
fn an_update_tells_what_limits_it_and_knows_what_was_kept() {
    let folder = tempfile::tempdir().unwrap();
    let table = folder.path().join("pit.csv");
    let mut text =
        "site,platform_depth_mm,exterior_platform_angle_deg,length_mm,width_mm,mass_g\n".to_string();
    for i in 0..12 {
        let (depth, long) = (2.5 + 0.4 * f64::from(i), 26.0 + f64::from(i * 5 % 7));
        let mass = 1.8 * depth * (1.0 + 0.3 * (1.3 * f64::from(i)).sin());
        text.push_str(&format!("Pit {i},{depth},{},{long},{},{mass:.2}\n", 65 + i * 7 % 25, long - 6.0));
    }
    std::fs::write(&table, &text).unwrap();
    let run = |more: &[&str]| {
        let mut c = knap();
        c.args(["fit", "--name", "pit", "--table"]).arg(&table).args(more);
        let done = c.output().unwrap();
        let text = String::from_utf8(done.stdout).unwrap() + &String::from_utf8(done.stderr).unwrap();
        (done.status.code().unwrap(), text.split_whitespace().collect::<Vec<_>>().join(" "))
    };
    let update = ["--starting-from", "excavated-flakes", "--response", "mass_g"];
    let (code, blind) = run(&update);
    assert_eq!(code, 0, "{blind}");
    for told in [
        "does not name its 25 groups of site",
        "name 12 groups under site",
        "tell the effect of their own group",
    ] {
        assert!(blind.contains(told), "{told}: {blind}");
    }
    let kept = |least: &str| run(&[&update[..], &["--kept-above-mm", least, "--format", "json"]].concat());
    let (code, json) = kept("25");
    assert_eq!(code, 0, "{json}");
    let json: Value = serde_json::from_str(&json[json.find('{').unwrap()..]).unwrap();
    assert_eq!((json["used"].as_u64(), json["cautions"].as_array().unwrap().len()), (Some(12), 2));
    let level = |v: &Value| v["platforms"]["middling"]["updated"]["median"].as_f64().unwrap();
    let (_, plain) = run(&[&update[..], &["--format", "json"]].concat());
    let plain: Value = serde_json::from_str(&plain[plain.find('{').unwrap()..]).unwrap();
    assert!(level(&json) < level(&plain), "{} {}", level(&json), level(&plain));
    let (code, text) = kept("27.5");
    assert_eq!(code, 1, "{text}");
    assert!(
        text.contains("row 1, column length_mm: 26 is below 27.5, from which flakes were kept"),
        "{text}"
    );
    let (code, text) =
        run(&["--starting-from", "hard-hammer-flint", "--response", "mass_g", "--kept-above-g", "1"]);
    assert_eq!(code, 2, "{text}");
    assert!(text.contains("excavated-flakes"), "{text}");
}

/// A fit of one's own table given what was kept: steeper in depth than one that takes it for all that came off.
#[test]
fn a_fit_knows_what_was_kept() {
    let folder = tempfile::tempdir().unwrap();
    let (table, out) = (folder.path().join("sieved.csv"), folder.path().join("sieved.json"));
    let mut text =
        "core,platform_depth_mm,exterior_platform_angle_deg,length_mm,width_mm,mass_g\n".to_string();
    let mut kept = 0;
    for i in 0..300 {
        let wave = |by: f64| (f64::from(i) * by).sin();
        let depth = (1.2 + 0.6 * wave(0.7)).exp();
        let (long, wide) =
            (3.0 + 0.4 * depth.ln() + 0.5 * wave(1.9), 2.8 + 0.4 * depth.ln() + 0.4 * wave(2.3));
        let mass = -0.2 + 1.4 * depth.ln() + 0.6 * wave(1.9) + 0.5 * wave(2.3) + 0.3 * wave(3.1);
        if long.max(wide) >= 30f64.ln() {
            kept += 1;
            let sizes = [long, wide, mass].map(|v| format!("{:.3}", v.exp())).join(",");
            text.push_str(&format!("C{},{depth:.3},{},{sizes}\n", i % 9, 60 + i * 7 % 30));
        }
    }
    assert!((100..250).contains(&kept), "{kept}");
    std::fs::write(&table, &text).unwrap();
    let run = |more: &[&str]| {
        let mut c = knap();
        c.args([
            "fit",
            "--name",
            "sieved",
            "--response",
            "length_mm,width_mm,mass_g",
            "--form",
            "log-log",
            "--table",
        ]);
        c.arg(&table).args(more).arg("--out").arg(&out);
        let done = c.output().unwrap();
        let text = String::from_utf8(done.stdout).unwrap() + &String::from_utf8(done.stderr).unwrap();
        (done.status.code().unwrap(), text)
    };
    let fitted = |more: &[&str]| {
        let (code, text) = run(more);
        assert_eq!(code, 0, "{text}");
        Calibration::from_json(&std::fs::read_to_string(&out).unwrap()).unwrap()
    };
    let slope =
        |c: &Calibration| c.variants()[0].sizes.iter().find(|m| m.size == "mass_g").unwrap().coefficients[1];
    let (plain, given) = (fitted(&[]), fitted(&["--kept-above-mm", "30"]));
    assert!(slope(&given) > slope(&plain) + 0.05, "{} {}", slope(&given), slope(&plain));
    assert!(given.to_json().contains("\"at_least\":30.0"), "{}", given.to_json());
    assert!(given.provenance().command.contains("--kept-above-mm 30"));
    let by_core = fitted(&["--kept-above-mm", "30", "--group", "core"]);
    assert_eq!(by_core.variants()[0].sizes[0].shared[0].groups, 9);
    let (code, text) = run(&["--kept-above-mm", "40"]);
    assert_eq!(code, 1, "{text}");
    assert!(text.contains("from which flakes were kept") && text.contains("row "), "{text}");
}
