//! The guide's drawings and the figures on its calibration pages are what the crate says today.
//!
//! With `CONCHOID_REWRITE` set, the files are written instead of compared.

use conchoid::calibration::{Calibration, Spread, bundled};
use conchoid::predict::in_words;
use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

fn guide() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src/guide")
}

/// Compares a committed file with what it should be, or writes it.
fn holds(name: &str, should: &str) {
    let path = guide().join(name);
    if std::env::var_os("CONCHOID_REWRITE").is_some() {
        std::fs::write(&path, should).unwrap();
    }
    let is = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(is == should, "{name} is out of date: run this test once with CONCHOID_REWRITE=1\n{should}");
}

/// An example, which cargo builds along with the tests.
fn example(name: &str) -> Command {
    let here = std::env::current_exe().expect("a test has a path");
    let folder = here.ancestors().nth(2).expect("tests lie two folders below");
    let path = folder.join("examples").join(name).with_extension(std::env::consts::EXE_EXTENSION);
    assert!(path.exists(), "{} is missing: cargo builds it with `cargo test`", path.display());
    Command::new(path)
}

#[test]
fn drawings_are_those_of_the_example() {
    let folder = tempfile::tempdir().unwrap();
    let status = example("drawings").arg(folder.path()).output().unwrap().status;
    assert!(status.success());
    let mut seen = 0;
    for drawing in std::fs::read_dir(folder.path()).unwrap() {
        let drawing = drawing.unwrap();
        let text = std::fs::read_to_string(drawing.path()).unwrap();
        // inside Markdown a blank line would end the drawing
        assert!(!text.contains("\n\n") && text.starts_with("<svg"));
        holds(drawing.file_name().to_str().unwrap(), &text);
        seen += 1;
    }
    assert_eq!(seen, 6);
}

fn short(v: f64) -> String {
    let decimals = if v.abs() >= 100.0 {
        0
    } else if v.abs() >= 10.0 {
        1
    } else {
        2
    };
    let text = format!("{v:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}

fn page(c: &Calibration) -> String {
    let mut out = String::new();
    let p = c.provenance();
    let _ = writeln!(out, "# What is in it\n");
    let _ = writeln!(out, "- Flakes: {}.", p.summary);
    let _ = writeln!(out, "- Source: {}.", p.citation);
    let _ = writeln!(out, "- Licence of the table: {}.", p.licence);
    let seen: Vec<String> = c.percussors().iter().map(|s| format!("{} ({})", s.name, s.flakes)).collect();
    let by = if seen.is_empty() { "not known".to_string() } else { seen.join(", ") };
    let _ = writeln!(out, "- Struck by: {by}.");
    let _ = writeln!(out, "- Not recorded: {}.", c.not_recorded().join(", "));
    for v in c.variants() {
        let _ = writeln!(out, "\n## By {}\n", v.name);
        let ranges: Vec<String> = v
            .ranges
            .iter()
            .map(|r| format!("{} {} to {}", in_words(&r.name), short(r.low), short(r.high)))
            .collect();
        let _ = writeln!(out, "Range: {}.\n", ranges.join("; "));
        let _ =
            writeln!(out, "| size | flakes | R² | spread of ln size | coefficients |\n|---|---|---|---|---|");
        for m in &v.sizes {
            let spread = match &m.spread {
                Spread::Constant { value, degrees_of_freedom } => {
                    format!("{value:.3} on {degrees_of_freedom:.0} degrees of freedom")
                }
                _ => "modelled".to_string(),
            };
            let between = |sd: f64, groups: u64| format!("{spread}, and {sd:.3} between {groups} sites");
            let spread =
                m.shared.first().map_or(spread.clone(), |e| between(e.covariance[0][0].sqrt(), e.groups));
            // given what was kept there is no share of the variance to tell
            let r2 = if m.r_squared > 0.0 { format!("{:.3}", m.r_squared) } else { "-".to_string() };
            let _ = writeln!(
                out,
                "| {} | {} | {r2} | {spread} | {} |",
                in_words(&m.column),
                m.flakes,
                m.coefficients.len()
            );
        }
        let _ = match v.terminations() {
            Some((_, told)) => writeln!(out, "\nTerminations: {}.", told.join(", ")),
            None => writeln!(out, "\nTerminations: not told by these measurements."),
        };
    }
    out
}

#[test]
fn calibration_pages_hold_the_calibrations_figures() {
    for name in bundled::NAMES {
        holds(&format!("{name}-generated.md"), &page(&bundled::named(name).unwrap()));
    }
}

#[test]
fn the_students_example_draws_two_figures() {
    let folder = tempfile::tempdir().unwrap();
    let out = example("hammerstone_or_antler").arg(folder.path()).output().unwrap();
    assert!(out.status.success());
    let text = String::from_utf8(out.stdout).unwrap();
    assert!(text.contains("model-based"));
    for (name, axis) in [("sizes.svg", "length, mm"), ("force.svg", "force, kN")] {
        let drawn = std::fs::read_to_string(folder.path().join(name)).unwrap();
        assert!(
            drawn.starts_with("<svg") && drawn.contains(axis) && drawn.contains("platform depth, mm"),
            "{name}"
        );
    }
}

/// The sentence that says which calibration answers stands in the same words wherever it is told.
#[test]
fn the_rule_is_told_in_the_same_words() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    for page in ["README.md", "src/guide/sites.md"] {
        let text = std::fs::read_to_string(here.join(page)).unwrap();
        let words: Vec<&str> = text.split_whitespace().collect();
        let rule: Vec<&str> = bundled::RULE.split_whitespace().collect();
        assert!(words.windows(rule.len()).any(|w| w == rule), "{page}: {}", bundled::RULE);
    }
}
