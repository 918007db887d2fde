//! `knap percussor` as a process: its contract, its honesty, and what becomes of awkward tables.

use crate::knap;
use serde_json::Value;

/// Seven flakes of a field school on the chalk downs, with two that cannot be answered.
const SCHOOL: &str = "\
flake,platform_depth_mm,exterior_platform_angle_deg,length_mm,mass_g,lip,heap,portion
Q1,4,68,38,5.2,no,north,complete
Q2,5,70,44,7.5,no,north,complete
Q3,3.5,66,33,3.1,yes,north,complete
A1,4.5,67,58,5.0,yes,south,complete
A2,3,71,49,3.4,yes,south,complete
A3,4,65,,,yes,south,complete
A4,4,65,30,2.0,yes,south,distal
";

fn on(table: &str, args: &[&str]) -> (i32, String, String) {
    let out =
        knap().args(["percussor", "--table", "-"]).args(args).write_stdin(table.as_bytes()).output().unwrap();
    let text = |b| String::from_utf8(b).unwrap();
    (out.status.code().unwrap(), text(out.stdout), text(out.stderr))
}

#[test]
fn five_flakes_say_how_little_they_tell() {
    let five: String = SCHOOL.lines().take(6).map(|l| format!("{l}\n")).collect();
    let (code, out, err) = on(&five, &["--calibration", "controlled-glass", "--metal"]);
    assert_eq!(code, 0, "{err}");
    assert!(out.contains("5 rows: 5 answered, 0 refused"), "{out}");
    let plain = out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(plain.contains("All together, if one percussor struck them: these 5 flakes "), "{plain}");
    assert!(plain.contains("How good this is") && plain.contains("log score"), "{plain}");
    assert!(plain.contains("the same for every class"), "{plain}");
    assert!(out.lines().all(|l| l.chars().count() < 80), "{out}");
    assert!(!err.contains("panicked"));
}

/// A piece in a state that nobody can read is not taken for complete.
#[test]
fn words_for_the_state_of_a_piece_are_known_or_refused() {
    let row = |portion: &str| format!("8,75,40,12,{portion}\n");
    let header = "platform_depth_mm,exterior_platform_angle_deg,length_mm,mass_g,portion\n";
    let table = [header.to_string(), row("complete"), row("Prox"), row("")].concat();
    let (code, out, err) = on(&table, &["--format", "json"]);
    assert_eq!(code, 3, "{err}");
    let v: Value = serde_json::from_str(&out).unwrap();
    assert_eq!((v["rows"].as_u64(), v["refused"].as_u64()), (Some(3), Some(1)), "{out}");
}

#[test]
fn groups_priors_and_cautions_are_in_the_json() {
    let args = [
        &["--prior", "stone=0.7,organic=0.3", "--group", "heap", "--format", "json"][..],
        &["--calibration", "controlled-glass"],
    ]
    .concat();
    let (code, out, err) = on(SCHOOL, &args);
    assert_eq!(code, 3, "{err}");
    let v: Value = serde_json::from_str(&out).unwrap();
    assert_eq!((v["rows"].as_u64(), v["refused"].as_u64()), (Some(7), Some(2)));
    for (heap, flakes) in [("north", 3), ("south", 2)] {
        let g = &v["groups"][heap];
        assert_eq!(g["flakes"], flakes);
        let class = |c: &str, k: &str| g["classes"][c][k].as_f64().unwrap();
        assert_eq!(class("stone", "prior"), 0.7);
        assert!((class("stone", "probability") + class("organic", "probability") - 1.0).abs() < 1e-12);
        let odds = class("stone", "probability") / class("organic", "probability");
        assert!((odds / (7.0 / 3.0 * class("stone", "bayes_factor")) - 1.0).abs() < 1e-9);
        assert_eq!(g["classes"]["stone"]["leans_on"], "metal");
        let kinds: Vec<&str> =
            g["cautions"].as_array().unwrap().iter().map(|c| c["kind"].as_str().unwrap()).collect();
        assert!(kinds.contains(&"percussor-not-in-experiment"), "{kinds:?}");
        assert!(g["sentence"].as_str().unwrap().starts_with("These "));
    }
    assert!(
        v["groups"]["south"]["classes"]["organic"]["probability"].as_f64()
            > v["groups"]["north"]["classes"]["organic"]["probability"].as_f64()
    );
    assert!(!v["settings"].as_array().unwrap().is_empty());
    assert_eq!(v["track_record"]["calibration"], "controlled-glass");
    assert_eq!(on(SCHOOL, &args).1, out, "the same bytes");
}

#[test]
fn refused_rows_stay_in_place_with_their_reason() {
    let (code, out, err) = on(SCHOOL, &["--format", "csv"]);
    assert_eq!(code, 3, "{err}");
    let lines: Vec<&str> = out.lines().collect();
    assert_eq!(lines.len(), 8);
    assert!(lines[0].ends_with(
        "percussor_probability_stone,percussor_probability_organic,percussor_ln_bayes_factor,\
         percussor_favours,percussor_strength,percussor_cautions"
    ));
    assert!(lines[6].contains("refused: row 6, column length_mm: not recorded"), "{}", lines[6]);
    assert!(lines[7].contains("refused: row 7, column portion: distal"), "{}", lines[7]);
    let p: Vec<f64> = lines[1].split(',').skip(8).take(2).map(|c| c.parse().unwrap()).collect();
    assert!((p[0] + p[1] - 1.0).abs() < 2e-6, "each to six significant digits");
    // a row's answer does not depend on the others
    let alone: String =
        SCHOOL.lines().take(1).chain(SCHOOL.lines().skip(4).take(1)).map(|l| format!("{l}\n")).collect();
    let (_, one, _) = on(&alone, &["--format", "csv"]);
    assert_eq!(one.lines().nth(1).unwrap(), lines[4]);
}

#[test]
fn words_that_do_not_fit_are_usage_errors() {
    for (args, message) in [
        (&["--prior", "stone"][..], "NAME=NUMBER"),
        (&["--prior", "stone=1,metal=1", "--calibration", "controlled-glass"], "cannot be told apart"),
        (&["--prior", "butter=1,metal=1"], "butter"),
        (&["--prior", "stone=-1,organic=1"], "out of range"),
        (&["--group", "layr"], "--group: \"layr\" is not known"),
        (&["--blow", "10,edge"], "ANGLE,platform|edge,WEIGHT"),
        (&["--blow", "10,nowhere,1"], "nowhere"),
        (&["--site-own", "-1"], "site shift: -1 is out of range"),
        (&["--offset", "mass_g=2"], "--against"),
    ] {
        let (code, _, err) = on(SCHOOL, args);
        assert_eq!(code, 2, "{args:?}: {err}");
        assert!(err.contains(message), "{args:?}: {err}");
    }
    // where nobody recorded what struck nothing is told apart
    let (code, _, err) = on(SCHOOL, &["--calibration", "excavated-flakes"]);
    assert_eq!(code, 1, "{err}");
    assert!(err.contains("does not tell percussors apart"), "{err}");
    let (code, _, err) = on("", &[]);
    assert_eq!(code, 1, "{err}");
    let help = knap().args(["percussor", "--help"]).output().unwrap();
    let help = String::from_utf8(help.stdout).unwrap().split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(help.contains("knap percussor --table") && help.contains("Never strike"), "{help}");
}

#[test]
fn two_experiments_can_be_told_apart_after_an_offset() {
    let base =
        ["--against", "hard-hammer-quartzite", "--calibration", "hard-hammer-flint", "--format", "json"];
    let table: String = SCHOOL.lines().take(3).map(|l| format!("{l}\n")).collect();
    let factor = |args: &[&str]| -> f64 {
        let (code, out, err) = on(&table, &[&base[..], args].concat());
        assert_eq!(code, 0, "{err}");
        let v: Value = serde_json::from_str(&out).unwrap();
        v["together"]["classes"]["hard-hammer-flint"]["ln_bayes_factor"].as_f64().unwrap()
    };
    let (plain, larger) = (factor(&[]), factor(&["--offset", "length_mm=3", "--offset", "mass_g=27"]));
    assert!(plain.is_finite() && larger > plain, "{plain} {larger}");
}

#[test]
fn blows_can_be_set_by_the_user() {
    let args = |blow: &'static str| {
        ["--blow", blow, "--format", "json", "--calibration", "controlled-glass", "--metal"]
    };
    let table: String = SCHOOL.lines().take(5).map(|l| format!("{l}\n")).collect();
    let factor = |blow| {
        let (code, out, err) = on(&table, &args(blow));
        assert_eq!(code, 0, "{err}");
        let v: Value = serde_json::from_str(&out).unwrap();
        assert_eq!(v["settings"].as_array().unwrap().len(), 1);
        v["together"]["classes"]["metal"]["ln_bayes_factor"].as_f64().unwrap()
    };
    assert!(factor("-10,edge,1") != factor("20,platform,1"));
}

/// Of flint, stone against organic by the ratio of glass, which is said; metal only where it is asked for.
#[test]
fn flint_is_weighed_by_the_ratio_from_glass() {
    let classes = |args: &[&str]| -> (Vec<String>, Value) {
        let (_, out, err) = on(SCHOOL, &[&["--format", "json"], args].concat());
        let v: Value = serde_json::from_str(&out).unwrap_or_else(|e| panic!("{e} {err}"));
        let together = v["together"].clone();
        let names = together["classes"].as_object().unwrap().keys().cloned().collect();
        (names, together)
    };
    let (names, v) = classes(&[]);
    assert_eq!(names, ["organic", "stone"]);
    assert_eq!(v["classes"]["organic"]["leans_on"], "bone over steel on glass");
    assert!(v["cautions"].to_string().contains("percussor-ratio"));
    assert_eq!(v["with_lip"], 5);
    assert_eq!(classes(&["--metal"]).0, ["metal", "organic", "stone"]);
}

#[test]
fn the_stone_of_the_rows_chooses_the_experiment() {
    let folder = tempfile::tempdir().unwrap();
    let run = |stones: [&str; 4]| {
        let table = folder.path().join("t.csv");
        let mut text =
            "stone,platform_depth_mm,platform_width_mm,exterior_platform_angle_deg,length_mm,mass_g\n"
                .to_string();
        for (i, stone) in stones.iter().enumerate() {
            text.push_str(&format!("{stone},{},20,75,{},{}\n", 6 + i, 45 + 3 * i, 22 + 5 * i));
        }
        std::fs::write(&table, text).unwrap();
        let out = knap().args(["percussor", "--table"]).arg(&table).output().unwrap();
        assert_eq!(out.status.code(), Some(0));
        (String::from_utf8(out.stdout).unwrap(), String::from_utf8(out.stderr).unwrap())
    };
    let (out, err) = run(["quartzite"; 4]);
    assert!(out.contains("From hard-hammer-quartzite.") && !err.contains("is judged by"), "{out}{err}");
    let (out, err) = run(["flint", "chert", "flint", "quartzite"]);
    assert!(out.contains("From hard-hammer-flint."), "{out}");
    assert!(err.contains("quartzite is judged by hard-hammer-flint too") && !err.contains("chert"), "{err}");
    assert!(run([""; 4]).0.contains("From hard-hammer-flint."));
}
