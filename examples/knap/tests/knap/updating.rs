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
    for words in
        ["24 local flakes used", "own only", "shallow", "deep", "Discount 0.01", "counts beside a local one"]
    {
        assert!(text.contains(words), "{words}: {text}");
    }
    let written = Calibration::from_json(&std::fs::read_to_string(&out).unwrap()).unwrap();
    assert_eq!((written.name(), written.variants().len()), ("school", 1));
    assert!(written.provenance().summary.contains("updated with 24 local flakes at a discount of 0.01"));
    // a calibration of one's own can be the start of the next
    let start = folder.path().join("start.json");
    std::fs::copy(&out, &start).unwrap();
    let (code, text) = run(&one, &["--starting-from", start.to_str().unwrap(), "--discount", "0.5"]);
    assert_eq!(code, 0, "{text}");
    assert!(text.contains("1 local flake used") && text.contains("as given"), "{text}");
    let json = run(&one, &[&from[..], &["--format", "json"]].concat());
    let json: Value = serde_json::from_str(&json.1).unwrap();
    assert_eq!(json["discount"].as_f64(), Some(0.2), "the usual one");
    assert!(json["platforms"]["middling"]["updated"]["median"].as_f64().unwrap() > 0.0);
    assert!(json["coefficients"]["intercept"]["own"].is_null());
    for (more, words) in [
        (vec!["--starting-from", "hard-hammer-flint", "--form", "log-log"], "cannot be used with"),
        (vec!["--form", "log-log", "--discount", "0.1"], "--discount goes with --starting-from"),
        (vec!["--starting-from", "hard-hammer-flint", "--discount", "2"], "discount: 2 is out of range"),
        (vec!["--starting-from", "soft-hammer-flint"], "did you mean \"hard-hammer-flint\""),
    ] {
        let (code, text) = run(school, &more);
        assert_eq!(code, 2, "{more:?}: {text}");
        assert!(text.contains(words), "{more:?}: {text}");
    }
}
