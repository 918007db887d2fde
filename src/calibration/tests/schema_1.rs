//! Calibrations written by version 0.1 (schema 1, `tests/schema-1`) are read, answer as they answered then, and are
//! written again as schema 2, which answers the same; what a newer version wrote is named.

use crate::calibration::{Calibration, bundled};
use crate::flake::Termination;
use crate::predict::{Ask, Predictor};
use crate::strike::Strike;
use std::path::Path;

fn folder() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/schema-1")
}

/// Sizes and terminations of one platform: name, low, middle, high; whether it lies beyond the experiment, whose
/// intervals version 0.1 did not open, and whether blows were averaged, whose median it took from their mixture.
fn answers(predictor: &Predictor, at: &[&str], ask: &Ask) -> (Vec<(String, [f64; 3])>, bool, bool) {
    let number = |k: usize| at[k].parse::<f64>().unwrap();
    let strike = Strike::builder().platform_depth_mm(number(0)).platform_width_mm(number(1));
    let mut strike = strike.exterior_platform_angle_deg(number(2));
    if !at[3].is_empty() {
        strike = strike.percussor(at[3]);
    }
    let e = predictor.estimate(&strike.build().unwrap(), ask).unwrap();
    let sizes = e.sizes.iter().map(|s| {
        let i = s.predictive.interval(0.95).unwrap();
        (s.size.clone(), [i.low, i.median, i.high])
    });
    let ends = e.terminations.iter().map(|(n, t)| (n.clone(), [t.low, t.value, t.high]));
    let averaged = e.cautions.iter().any(|c| c.kind() == "settings-averaged");
    (sizes.chain(ends).collect(), e.beyond_experiment().is_some(), averaged)
}

#[test]
fn files_of_version_0_1_answer_as_they_did() {
    let expected = std::fs::read_to_string(folder().join("expected.csv")).unwrap();
    let rows: Vec<Vec<&str>> = expected.lines().skip(1).map(|l| l.split(',').collect()).collect();
    let mut files: Vec<&str> = rows.iter().map(|r| r[0]).collect();
    files.dedup();
    let there = std::fs::read_dir(folder()).unwrap().flatten();
    let there = there.filter(|f| f.path().extension().is_some_and(|e| e == "json")).count();
    assert_eq!((files.len(), there), (6, 6));
    for file in files {
        let text = std::fs::read_to_string(folder().join(format!("{file}.json"))).unwrap();
        let old = Calibration::from_json(&text).unwrap_or_else(|e| panic!("{file}: {e}"));
        let written = old.to_json();
        assert!(written.contains("\"schema\": 2") && written.len() < text.len(), "{file}");
        let again = Calibration::from_json(&written).unwrap();
        assert_eq!(again.to_json(), written, "{file}");
        let termination = (file == "updated-glass").then_some(Termination::Feather);
        let ask = Ask { termination, ..Ask::default() };
        let mut checked = 0;
        for predictor in [old, again].map(|c| Predictor::new(c).unwrap()) {
            for row in rows.iter().filter(|r| r[0] == file) {
                let (found, beyond, averaged) = answers(&predictor, &row[1..5], &ask);
                let (_, found) = found.iter().find(|f| f.0 == row[5]).unwrap();
                let was: Vec<f64> = row[6..9].iter().map(|e| e.parse().unwrap()).collect();
                let size = row[5].ends_with("_g") || row[5].ends_with("_mm");
                if beyond && !size {
                    // told by the shares of the experiment as well
                    assert!(
                        found[0] <= was[0] * (1.0 + 1e-9) && found[2] >= was[2] * (1.0 - 1e-9),
                        "{row:?}"
                    );
                } else if beyond {
                    assert!(found[2] / found[0] >= was[2] / was[0] * (1.0 - 1e-9), "{row:?}: {found:?}");
                } else if averaged && size {
                    let moved = found.iter().zip(&was).map(|(f, e)| f / e).collect::<Vec<_>>();
                    assert!(moved.iter().all(|m| (m / moved[0] - 1.0).abs() < 1e-9), "{row:?}: {found:?}");
                } else {
                    assert!(
                        found.iter().zip(&was).all(|(f, e)| (f / e - 1.0).abs() < 1e-9),
                        "{row:?}: {found:?}"
                    );
                }
                checked += 3;
            }
        }
        assert!(checked >= 24, "{file}");
    }
}

#[test]
fn an_older_program_names_a_newer_schema() {
    let text = std::fs::read_to_string(folder().join("plain.json")).unwrap();
    let newer = text.replacen("\"schema\": 1", "\"schema\": 3", 1);
    let told = Calibration::from_json(&newer).unwrap_err().to_string();
    assert!(told.contains("version 3 is newer than this program knows (accepted: 1 to 2)"), "{told}");
}

/// A member that stands twice is refused by both doors, at any depth; so is a version that is not known.
#[test]
fn what_stands_twice_is_refused_however_it_is_read() {
    let text = bundled::named("excavated-flakes").unwrap().to_json();
    serde_json::from_str::<Calibration>(&text).unwrap();
    for (member, twice) in [
        ("\"name\":", "\"name\": \"another\","),
        ("\"summary\":", "\"summary\": \"another\","),
        ("\"groups\":", "\"groups\": 2,"),
    ] {
        let spoilt = text.replacen(member, &format!("{twice} {member}"), 1);
        assert_ne!(spoilt, text, "{member}");
        for e in [
            Calibration::from_json(&spoilt).unwrap_err().to_string(),
            serde_json::from_str::<Calibration>(&spoilt).unwrap_err().to_string(),
        ] {
            assert!(e.contains("duplicate field"), "{member}: {e}");
        }
    }
    let newer = text.replacen("\"schema\": 2", "\"schema\": 9", 1);
    let e = serde_json::from_str::<Calibration>(&newer).unwrap_err().to_string();
    assert!(e.contains("version 9 is newer than this program knows"), "{e}");
}
