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
        assert_eq!(
            g["classes"]["stone"]["leans_on"], "steel",
            "copper was used, and stone is not taken for it"
        );
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

/// What the words say the numbers say, in the JSON and beside each row: no more than is earned.
#[test]
fn words_fields_and_columns_agree_on_what_is_earned() {
    let header = "platform_depth_mm,exterior_platform_angle_deg,length_mm,width_mm,mass_g,thickness_mm,lip\n";
    let table = format!("{header}{}", "5,60,30,20,5,4,no\n".repeat(30));
    let (_, text, _) = on(&table, &[]);
    let plain = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        plain.contains("multiplied by 20, and by no more, since organic leans on bone over steel on glass;"),
        "{plain}"
    );
    assert!(plain.contains("goes from 0.50 to 0.95"), "{plain}");
    let (_, json, _) = on(&table, &["--format", "json"]);
    let stone = serde_json::from_str::<Value>(&json).unwrap()["together"]["classes"]["stone"].clone();
    let number = |key: &str| stone[key].as_f64().unwrap();
    assert!((number("bayes_factor") - 20.0).abs() < 1e-9, "{stone}");
    assert!((number("ln_bayes_factor") - 20f64.ln()).abs() < 1e-9, "{stone}");
    assert!((number("probability") - 20.0 / 21.0).abs() < 1e-9, "{stone}");
    assert!(number("ln_bayes_factor_of_model") > 20f64.ln() + 0.5, "{stone}");

    // one by one: as many are counted as have the number in their column
    let lips = "5,60,30,20,5,4,no\n5,60,20,20,5,7,no\n5,60,30,20,5,4,\n";
    let (_, csv, told) = on(&format!("{header}{lips}"), &["--format", "csv", "--site-log-odds", "0"]);
    let ln: Vec<f64> = csv.lines().skip(1).map(|l| l.split(',').nth(9).unwrap().parse().unwrap()).collect();
    assert!(ln.iter().all(|l| l.abs() < 20f64.ln() + 1e-5), "{ln:?}");
    let telling = ln.iter().filter(|l| **l > 20f64.ln() - 1e-5).count();
    assert!(told.contains(&format!(" more like stone; {telling} by 20 to 1 or more")), "{ln:?} {told}");
    assert!(telling > 0, "{ln:?}");
}

/// On glass, where the blow is hidden: a flake without a lip never makes a soft hammer likelier, one with a lip never less.
#[test]
fn lips_speak_for_a_soft_hammer_in_a_group_as_alone() {
    let header = "platform_depth_mm,exterior_platform_angle_deg,length_mm,width_mm,thickness_mm,mass_g,lip,termination\n";
    let row = |i: usize, lip: &str| {
        let (depth, angle) = ([7.8, 6.6, 9.4][i % 3], [67, 72, 66][i % 3]);
        format!("{depth},{angle},{},{},6.7,{},{lip},feather\n", 24 + i, 34 - i, 6.5 + 0.1 * i as f64)
    };
    let organic = |lips: &[&str]| -> f64 {
        let rows: String = lips.iter().enumerate().map(|(i, lip)| row(i, lip)).collect();
        let (code, out, err) =
            on(&format!("{header}{rows}"), &["--calibration", "controlled-glass", "--format", "json"]);
        assert_eq!(code, 0, "{err}");
        let v: Value = serde_json::from_str(&out).unwrap();
        v["together"]["classes"]["organic"]["ln_bayes_factor_of_model"].as_f64().unwrap()
    };
    let (none, blank, all) = (organic(&["no"; 3]), organic(&[""; 3]), organic(&["yes"; 3]));
    assert!(none < blank - 1.0 && blank + 1.0 < all, "{none} {blank} {all}");
    // three flakes that by themselves say little together lean: that is told
    let rows: String = (0..3).map(|i| row(i, "")).collect();
    let (_, out, _) = on(&format!("{header}{rows}"), &["--calibration", "controlled-glass"]);
    let plain = out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        plain.contains(
            "by themselves only 1 of these 3 flakes would be more like organic: what speaks for it"
        ),
        "{plain}"
    );
    let (one, two) = (organic(&["no", "yes", "no"]), organic(&["yes", "yes", "no"]));
    assert!(none < one && one < two && two < all, "{none} {one} {two} {all}");
}

/// Every row is in a group or told of: blank groups are one, and a group of which no row is answered is named.
#[test]
fn no_row_is_lost_among_groups() {
    let table = "platform_depth_mm,exterior_platform_angle_deg,length_mm,width_mm,mass_g,layer\n\
                 5,60,1000000,20,4,B\n5,60,30,20,4,B\n5,70,33,24,5,\n5,70,33,24,5,NA\n5,70,,,,C\n";
    let (code, out, err) = on(table, &["--group", "layer"]);
    assert_eq!(code, 3, "{err}");
    let plain = out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(plain.contains("5 rows: 3 answered, 2 refused"), "{plain}");
    assert!(plain.contains("B: this flake says") && plain.contains(" 1 row of it refused."), "{plain}");
    assert!(plain.contains("not recorded: these 2 flakes say"), "{plain}");
    assert!(plain.contains("C: no answer, 1 row refused."), "{plain}");
    // a length that no flake has is a reason, not a cell to be passed over
    assert!(err.contains("length_mm is out of range"), "{err}");
    let (_, out, _) = on(table, &["--group", "layer", "--format", "json"]);
    let v: Value = serde_json::from_str(&out).unwrap();
    let flakes: u64 = v["groups"].as_object().unwrap().values().map(|g| g["flakes"].as_u64().unwrap()).sum();
    assert_eq!((flakes, v["groups"]["not recorded"]["flakes"].as_u64()), (3, Some(2)));
    assert_eq!(v["refused_by_group"], serde_json::json!({ "B": 1, "C": 1 }));
}

/// Lips decide: a word for them that is not known is refused, with the way to tell it.
#[test]
fn words_for_a_lip_are_known_or_refused() {
    let header = "platform_depth_mm,exterior_platform_angle_deg,length_mm,mass_g,lip\n";
    let words = ["present", "Absent", "yes", "", "ja", "lipped"];
    let table = words.iter().fold(header.to_string(), |t, w| format!("{t}5,60,30,4,{w}\n"));
    let (code, out, err) = on(&table, &[]);
    assert_eq!(code, 3, "{err}");
    assert!(out.contains("6 rows: 4 answered, 2 refused") && out.contains("lips of 3 of 4"), "{out}");
    let plain = err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(plain.contains("lip is not one of yes, no, such as \"ja\" (rows 5, 6)"), "{err}");
    assert!(plain.contains("tell it with --word OURS=THEIRS"), "{err}");
    let (code, out, err) = on(&table, &["--word", "lip:yes=ja", "--word", "lip:yes=lipped"]);
    assert_eq!(code, 0, "{err}");
    assert!(out.contains("lips of 5 of 6"), "{out}");
}

/// Each doubt is told by its words: one for each class that rests on a ratio, and of each group its own.
#[test]
fn doubts_of_every_class_and_group_are_told() {
    let header = "platform_depth_mm,exterior_platform_angle_deg,length_mm,mass_g,pit\n";
    let rows = "4,68,38,5.2,north\n60,68,38,5.2,south\n4,20,38,5.2,east\n";
    let (_, out, _) = on(&format!("{header}{rows}"), &["--metal", "--group", "pit"]);
    let plain = out.split_whitespace().collect::<Vec<_>>().join(" ");
    for told in [
        "with metal (hammerstone did): the answer is theirs times the ratio of copper over steel",
        "with organic (hammerstone did): the answer is theirs times the ratio of bone over steel",
        "south: platform depth 60 mm is 35.9 mm above what the experiment covered",
        "east: exterior platform angle 20 degrees is 10 degrees below",
    ] {
        assert!(plain.contains(told), "{told}: {plain}");
    }
    // many groups are counted rather than listed
    let many: String = (0..40).map(|i| format!("{},68,38,5.2,p{i}\n", 60 + i)).collect();
    let (_, out, _) = on(&format!("{header}{many}"), &["--group", "pit"]);
    let plain = out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        plain.contains("p0: platform depth 60 mm") && plain.contains("and 36 more of the kind"),
        "{plain}"
    );
}

/// A calibration of one's own may have been fitted to the very table that is asked about.
#[test]
fn flakes_are_told_apart_only_by_fits_without_them() {
    let folder = tempfile::tempdir().unwrap();
    let (table, own) = (folder.path().join("t.csv"), folder.path().join("own.json"));
    let mut text = "platform_depth_mm,exterior_platform_angle_deg,length_mm,mass_g\n".to_string();
    for i in 0..30 {
        let (depth, angle) = (3.0 + 0.3 * f64::from(i), 60 + 7 * i % 20);
        let length = 12.0 * depth.sqrt() * (1.0 + 0.1 * f64::from(i % 5));
        text.push_str(&format!("{depth:.1},{angle},{length:.1},{:.2}\n", 0.0003 * length.powi(3)));
    }
    std::fs::write(&table, text).unwrap();
    let fit = knap()
        .args(["fit", "--name", "ours", "--table"])
        .arg(&table)
        .arg("--out")
        .arg(&own)
        .output()
        .unwrap();
    assert!(fit.status.success(), "{}", String::from_utf8_lossy(&fit.stderr));
    let told = |against: &str| {
        let mut command = knap();
        command.args(["percussor", "--table"]).arg(&table).args(["--calibration", "hard-hammer-flint"]);
        let out = command.arg("--against").arg(against).output().unwrap();
        let out = String::from_utf8(out.stdout).unwrap();
        out.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let ours = told(own.to_str().unwrap());
    assert!(
        ours.contains("ours foretells these flakes only if they were not among those that it was fitted to"),
        "{ours}"
    );
    assert!(!ours.contains("which is what groups left out of the fits have earned"), "{ours}");
    assert!(!told("hard-hammer-quartzite").contains("fitted to"), "bundled ones are fitted to other flakes");
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
