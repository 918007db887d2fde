//! The command line as a process: the contract of `original` and `assemblage`.

use crate::knap;
use serde_json::Value;
use std::fs;
use tempfile::TempDir;

fn run(args: &[&str], input: &str) -> (i32, String, String) {
    let out = knap().args(args).write_stdin(input).output().unwrap();
    (
        out.status.code().unwrap(),
        String::from_utf8(out.stdout).unwrap(),
        String::from_utf8(out.stderr).unwrap(),
    )
}

fn json(args: &[&str], input: &str) -> Value {
    let (code, out, err) = run(args, input);
    assert!(code == 0 || code == 3, "{args:?}: {err}");
    serde_json::from_str(&out).unwrap()
}

const PIECE: [&str; 7] = ["original", "--mass-now-g", "14.2", "--depth-mm", "9", "--angle-deg", "72"];

fn piece<'a>(more: &[&'a str]) -> Vec<&'a str> {
    PIECE.iter().copied().chain(more.iter().copied()).collect()
}

#[test]
fn one_piece_as_json_keeps_its_contract() {
    let v = json(&piece(&["--format", "json"]), "");
    for (what, level) in [("original_mass_g", 0.95), ("share_lost", 0.95), ("original_length_mm", 0.95)] {
        let number = |k: &str| v[what][k].as_f64().unwrap_or_else(|| panic!("{what} {k}: {v}"));
        assert!(number("low") < number("median") && number("median") < number("high"));
        assert_eq!(number("level"), level);
    }
    let (mass, share) = (&v["original_mass_g"], &v["share_lost"]);
    for end in ["low", "median", "high"] {
        let (m, s) = (mass[end].as_f64().unwrap(), share[end].as_f64().unwrap());
        assert!(m >= 14.2 && (s - (1.0 - 14.2 / m)).abs() < 1e-12);
    }
    assert_eq!(v["calibration"]["name"], "excavated-flakes");
    assert!(v["cautions"].is_array());
    // what is assumed where nothing is given is written down, and holds that nothing was lost
    assert_eq!((v["model_of_loss"]["a"].as_f64(), v["model_of_loss"]["b"].as_f64()), (Some(0.5), Some(2.0)));
    assert_eq!((v["leans_on"].as_str(), mass["low"].as_f64()), (Some("platform"), Some(14.2)));
    let none = json(&piece(&["--loss", "none", "--format", "json"]), "");
    assert!(none["model_of_loss"].is_null() && none["original_mass_g"]["low"].as_f64().unwrap() > 14.2);
    let with = json(&piece(&["--loss", "2,5", "--format", "json"]), "");
    assert_eq!(with["model_of_loss"]["b"], 5.0);
    assert_ne!(with["share_lost"]["median"], share["median"]);
    let known = json(&piece(&["--mass-missing-g", "6", "--length-now-mm", "48", "--format", "json"]), "");
    assert!(known["original_mass_g"]["low"].as_f64().unwrap() >= 20.2);
    assert!(known["original_length_mm"]["low"].as_f64().unwrap() > 48.0);
}

#[test]
fn one_piece_as_text_reads_within_eighty_columns() {
    for more in [&[][..], &["--loss", "2,5"], &["--mass-missing-g", "3"]] {
        let (code, text, _) = run(&piece(more), "");
        assert_eq!(code, 0);
        assert!(text.lines().all(|l| l.chars().count() < 80), "{text}");
        assert!(text.contains("original mass") && text.contains("share lost"), "{text}");
    }
    let heavy = ["original", "--mass-now-g", "30000", "--depth-mm", "3", "--angle-deg", "60"];
    let (code, text, _) = run(&heavy, "");
    assert!(code == 0 && text.contains("check the measurements"), "{text}");
    let of_flint = ["--calibration", "hard-hammer-flint", "--of-the-experiment"];
    let (code, text, _) = run(&[&heavy[..], &of_flint].concat(), "");
    assert_eq!(code, 0);
    assert!(text.contains("fewer than one in a million") && !text.contains("NaN"), "{text}");
}

const SCRAPER: [&str; 9] = [
    "original",
    "--mass-now-g",
    "31",
    "--max-thickness-now-mm",
    "12.5",
    "--retouch-height-mm",
    "4.2,5,3.9",
    "--thickness-at-mm",
    "9.1,10.2,8.8",
];

fn scraper<'a>(more: &[&'a str]) -> Vec<&'a str> {
    SCRAPER.iter().copied().chain(more.iter().copied()).collect()
}

#[test]
fn a_scraper_is_answered_by_its_retouch() {
    let v = json(&scraper(&["--format", "json"]), "");
    assert_eq!(v["leans_on"], "retouch");
    assert_eq!(v["calibration"]["name"], "retouched-flint");
    assert!(v["model_of_loss"].is_null() && v["original_mass_g_by_platform"].is_null());
    let high_over_low = |v: &Value| {
        v["original_mass_g"]["high"].as_f64().unwrap() / v["original_mass_g"]["low"].as_f64().unwrap()
    };
    assert!(v["original_mass_g"]["low"].as_f64().unwrap() > 31.0 && high_over_low(&v) < 1.4, "{v}");
    let beside = json(&scraper(&["--depth-mm", "9", "--angle-deg", "72", "--format", "json"]), "");
    assert_eq!(beside["original_mass_g"], v["original_mass_g"]);
    assert_eq!(beside["original_mass_g_by_platform"]["low"], 31.0);
    for more in [&[][..], &["--depth-mm", "9", "--angle-deg", "72"], &["--retouch-kind", "inverse"]] {
        let (code, text, err) = run(&scraper(more), "");
        assert_eq!(code, 0, "{err}");
        assert!(
            text.contains("It leans on the retouch.") && text.lines().all(|l| l.chars().count() < 80),
            "{text}"
        );
    }
    let (code, text, _) = run(&["original", "--mass-now-g", "31", "--retouch-height-mm", "0,0,0"], "");
    assert_eq!(code, 0);
    assert!(
        text.contains("without retouch, so nothing is lost") && text.contains("31.0 g    (31.0 to 31.0)"),
        "{text}"
    );
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("p.svg");
    let nothing =
        ["original", "--mass-now-g", "31", "--retouch-index", "0", "--plot", path.to_str().unwrap()];
    assert_eq!(run(&nothing, "").0, 0);
    assert!(!fs::read_to_string(path).unwrap().contains("NaN"));
    for (args, code, message) in [
        // both ways out are named
        (
            vec!["original", "--mass-now-g", "31"],
            2,
            "platform_depth_mm: not recorded (either the marks of retouch of a complete piece are needed, its heights \
             with the thickness there or retouch_index, or its platform)",
        ),
        (scraper(&["--retouch-kind", "sideways"]), 2, "retouch_kind: \"sideways\" is not known"),
        (vec!["original", "--mass-now-g", "31", "--retouch-index", "1.4"], 2, "retouch_index: 1.4"),
        (
            vec!["original", "--mass-now-g", "31", "--retouch-height-mm", "4", "--thickness-at-mm", "5,6"],
            2,
            "2 thicknesses for 1 heights",
        ),
        (
            vec!["original", "--mass-now-g", "31", "--retouch-height-mm", "9", "--thickness-at-mm", "5"],
            2,
            "retouch_height_1_mm: 9 is out of range",
        ),
    ] {
        let (found, _, err) = run(&args, "");
        assert_eq!(found, code, "{args:?}: {err}");
        assert!(err.contains(message), "{args:?}: {err}");
    }
}

#[test]
fn a_table_of_scrapers_takes_for_each_row_what_it_has() {
    let table = "piece,mass_now_g,max_thickness_now_mm,retouch_height_1_mm,thickness_at_1_mm,retouch_index,\
                 platform_depth_mm,exterior_platform_angle_deg\n\
                 a,31,12.5,4.2,9.1,,,\nb,31,12.5,,,0.46,,\nc,31,12.5,,,,9,72\nd,31,12.5,x,9.1,,9,72\n\
                 e,31,12.5,12,9.1,,9,72\nf,31,12.5,,,,,\ng,31,12.5,0,9.1,,,\n";
    let (code, out, err) = run(&["original", "--table", "-"], table);
    assert_eq!(code, 3, "{err}");
    let lines: Vec<&str> = out.lines().collect();
    for (line, expected) in lines[1..].iter().zip([
        "retouched-flint",
        "retouched-flint",
        "excavated-flakes",
        "refused: row 4, column retouch_height_1_mm",
        "refused: row 5, column retouch_height_1_mm: 12 is out of range",
        "refused: row 6, column platform_depth_mm: not recorded (either the marks of retouch",
        ",31,31,31,0,0,0,retouched-flint",
    ]) {
        assert!(line.contains(expected), "{expected}: {line}");
    }
}

#[test]
fn exit_codes_tell_usage_from_refusal() {
    for (args, code, message) in [
        (piece(&["--portion", "medial"]), 3, "medial"),
        (piece(&["--platform-kind", "crushed"]), 3, "crushed"),
        (piece(&["--loss", "2"]), 2, "A,B"),
        (piece(&["--loss", "0,1"]), 2, "out of range"),
        (piece(&["--more-than", "1.5"]), 2, "out of range"),
        (vec!["original", "--depth-mm", "9", "--angle-deg", "72"], 2, "--mass-now-g"),
        (vec!["original", "--mass-now-g", "-1", "--depth-mm", "9", "--angle-deg", "72"], 2, "mass_now_g: -1"),
        (vec!["original", "--table", "nowhere.csv"], 1, "nowhere.csv"),
        (vec!["assemblage", "--table", "-"], 2, "--seed"),
        (vec!["assemblage", "--table", "-", "--seed", "1", "--draws", "3"], 2, "draws: 3"),
    ] {
        let (found, _, err) = run(&args, "");
        assert_eq!(found, code, "{args:?}: {err}");
        assert!(err.contains(message), "{args:?}: {err}");
    }
}

#[test]
fn a_table_keeps_its_rows_and_refuses_in_place() {
    let table = "piece,platform_depth_mm,exterior_platform_angle_deg,mass_now_g,portion\n\
                 a,9,72,14.2,complete\nb,9,72,,complete\nc,9,72,5,medial\nd,9,72,x,complete\ne,,72,4,proximal\n\
                 f,9,72,20000,proximal\n";
    let (code, out, err) = run(&["original", "--table", "-"], table);
    assert_eq!(code, 3, "{err}");
    let lines: Vec<&str> = out.lines().collect();
    assert_eq!(
        lines[0],
        "piece,platform_depth_mm,exterior_platform_angle_deg,mass_now_g,portion,original_mass_g_low,\
         original_mass_g_median,original_mass_g_high,share_lost_low,share_lost_median,share_lost_high,\
         calibration,cautions"
    );
    assert_eq!(lines.len(), 7);
    let reasons = ["", "mass_now_g", "medial", "mass_now_g", "platform_depth_mm", ""];
    for (line, reason) in lines[1..].iter().zip(reasons) {
        assert_eq!(line.contains("refused: "), !reason.is_empty(), "{line}");
        assert!(line.contains(reason), "{line}");
    }
    assert!(
        lines[6].contains("of flakes from such a platform had the mass that remains (20000 g)"),
        "{}",
        lines[6]
    );
    assert!(err.contains("6 rows") && err.contains("4 refused"), "{err}");
    // the same numbers as for one piece, and in a file
    let v = json(&piece(&["--format", "json"]), "");
    let cells: Vec<&str> = lines[1].split(',').collect();
    // in a table to six significant digits
    let median = v["original_mass_g"]["median"].as_f64().unwrap();
    assert!((cells[6].parse::<f64>().unwrap() / median - 1.0).abs() < 5e-6, "{} {median}", cells[6]);
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("out.csv");
    let (code, stdout, _) = run(&["original", "--table", "-", "--out", path.to_str().unwrap()], table);
    assert_eq!((code, stdout.as_str()), (3, ""));
    assert_eq!(fs::read_to_string(path).unwrap(), out);
    let (code, _, err) = run(&["original", "--table", "-"], "depth_mm,angle_deg\n9,72\n");
    assert_eq!(code, 2, "{err}");
}

fn bag() -> String {
    let mut text = String::from(
        "flake,layer,percussor,platform_depth_mm,exterior_platform_angle_deg,mass_g,mass_now_g,portion\n",
    );
    for i in 0..30 {
        let (layer, percussor) = if i % 2 == 0 { ("upper", "antler") } else { ("lower", "quartzite") };
        let depth = 4.0 + 0.3 * f64::from(i);
        text += &format!("F{i},{layer},{percussor},{depth},72,{},{},complete\n", depth * 2.0, depth);
    }
    text +=
        "F0,upper,antler,,,,1.5,distal\n,lower,quartzite,7,70,,3,split\n,lower,quartzite,,70,,3,proximal\n";
    text
}

#[test]
fn an_assemblage_by_group_keeps_its_contract() {
    let args = ["assemblage", "--table", "-", "--group", "layer", "--seed", "7", "--draws", "2000"];
    let with = |more: &[&'static str]| args.iter().copied().chain(more.iter().copied()).collect::<Vec<_>>();
    // the masses as struck are not known here
    let unweighed = bag().replacen(",mass_g,", ",before_g,", 1);
    let bag = || unweighed.clone();
    let v = json(&with(&["--format", "json"]), &bag());
    for (group, n, pieces, platforms) in [("upper", 15, 16, 15), ("lower", 16, 17, 16)] {
        let g = &v["groups"][group];
        assert_eq!((g["n"].as_u64(), g["pieces"].as_u64()), (Some(n), Some(pieces)), "{g}");
        assert_eq!(g["platforms"].as_u64(), Some(platforms));
        for what in ["total_mass_g", "mean_mass_g", "mass_lost_g", "mean_length_mm"] {
            let number = |k: &str| g[what][k].as_f64().unwrap_or_else(|| panic!("{group} {what} {k}: {g}"));
            assert!(number("low") < number("median") && number("median") < number("high"));
            assert_eq!(number("level"), 0.95);
            assert!(g[what]["monte_carlo_error"]["high"].as_f64().unwrap() > 0.0);
        }
    }
    assert_eq!(v["groups"]["lower"]["remarks"][0]["kind"], "split-without-name");
    let (code, text, _) = run(&with(&["--mesh-mm", "12.7"]), &bag());
    assert_eq!(code, 3);
    assert!(text.contains("total original mass") && text.contains("A mesh of 12.7 mm holds"), "{text}");
    assert!(text.lines().all(|l| l.chars().count() < 80), "{text}");
    assert_eq!(run(&with(&["--mesh-mm", "12.7"]), &bag()).1, text);
    let (code, _, err) = run(&["assemblage", "--table", "-", "--group", "pit", "--seed", "1"], &bag());
    assert_eq!(code, 2);
    assert!(err.contains("--group: \"pit\" is not known"), "{err}");
}

#[test]
fn what_was_weighed_counts_as_it_is() {
    let text = "layer,platform_depth_mm,exterior_platform_angle_deg,mass_g,portion,retouched\n\
                a,8,72,21.5,complete,no\na,,,30.25,,\na,7,70,9,proximal,no\na,7,70,9,complete,yes\nb,,,4,complete,\n";
    let args = ["assemblage", "--table", "-", "--group", "layer", "--seed", "7", "--draws", "2000"];
    let v = json(&[&args[..], &["--format", "json"]].concat(), text);
    let a = &v["groups"]["a"];
    assert_eq!((a["n"].as_u64(), a["weighed_whole"].as_u64()), (Some(4), Some(2)), "{a}");
    assert_eq!(a["weighed_whole_g"], 51.75);
    let total = |k: &str| a["total_mass_g"][k].as_f64().unwrap();
    assert!(51.75 < total("low") && total("low") < total("high"), "{a}");
    // all of it weighed: nothing is left to be unsure of
    let b = &v["groups"]["b"]["total_mass_g"];
    assert_eq!((b["low"].as_f64(), b["high"].as_f64()), (Some(4.0), Some(4.0)), "{b}");
    let (_, told, _) = run(&args, text);
    assert!(told.contains("2 weighed as struck, 51.8 g in all, taken as they are; 2 estimated."), "{told}");
}

/// Both verbs say the same of pieces that are said to be complete and unretouched.
#[test]
fn of_complete_unretouched_pieces_nothing_is_lost() {
    let row = "8,75,12,complete,no\n";
    let text = format!(
        "platform_depth_mm,exterior_platform_angle_deg,mass_now_g,portion,retouched\n{}",
        row.repeat(5)
    );
    let args = ["assemblage", "--table", "-", "--seed", "7", "--draws", "200", "--format", "json"];
    let v = json(&args, &text);
    let all = &v["groups"]["all"];
    let ends = |what: &str| ["low", "median", "high"].map(|k| all[what][k].as_f64().unwrap());
    assert_eq!((ends("total_mass_g"), ends("mass_lost_g")), ([60.0; 3], [0.0; 3]), "{all}");
    for more in [&[][..], &["--loss", "none"], &["--loss", "2,5"]] {
        let (code, out, err) = run(&[&["original", "--table", "-"], more].concat(), &text);
        assert_eq!(code, 0, "{err}");
        let answered = out.lines().skip(1).filter(|l| l.starts_with("8,75,12,complete,no,12,12,12,0,0,0,"));
        assert_eq!(answered.count(), 5, "{out}");
    }
}

/// What is not known to have lost nothing is answered by the same model of loss in both verbs.
#[test]
fn a_total_of_one_piece_is_what_original_says_of_it() {
    let text =
        "platform_depth_mm,exterior_platform_angle_deg,mass_now_g,stone,percussor\n8,75,12,flint,quartzite\n";
    let piece = ["--depth-mm", "8", "--angle-deg", "75", "--mass-now-g", "12", "--stone", "flint"];
    for loss in [&[][..], &["--loss", "2,5"], &["--loss", "none"]] {
        let one = [&["original", "--percussor", "quartzite", "--format", "json"], &piece[..], loss].concat();
        let one = &json(&one, "")["original_mass_g"];
        let args = ["assemblage", "--table", "-", "--seed", "7", "--format", "json"];
        let all = &json(&[&args[..], loss].concat(), text)["groups"]["all"];
        let total = &all["total_mass_g"];
        for k in ["low", "median", "high"] {
            let [expected, found, error] =
                [&one[k], &total[k], &total["monte_carlo_error"][k]].map(|v| v.as_f64().unwrap());
            assert!((found - expected).abs() < 4.0 * error + 0.12, "{loss:?} {k}: {found} {expected}");
        }
        assert_eq!(all["model_of_loss"].is_null(), loss.contains(&"none"), "{all}");
    }
    let asking = |more: &[&'static str]| {
        run(&[&["assemblage", "--table", "-", "--seed", "7", "--draws", "200"], more].concat(), text)
    };
    assert!(asking(&[]).1.contains("Assumed: a beta distribution of the share that a group lost in all"));
    // a bound alone asks for no model of loss
    assert_eq!(asking(&["--bound", "whole"]).1, asking(&["--loss", "none"]).1);
    assert_ne!(asking(&["--bound", "whole"]).1, asking(&[]).1);
    let (code, _, err) = asking(&["--bound", "each", "--loss", "2,5"]);
    assert!(code == 2 && err.contains("--bound goes with --loss none"), "{err}");
}

/// A portion in a word that is not known is no complete flake, whichever verb decides by it.
#[test]
fn a_portion_in_an_unknown_word_is_refused_alike() {
    let mut text = String::from("platform_depth_mm,exterior_platform_angle_deg,mass_g,mass_now_g,portion\n");
    for i in 0..40 {
        let (depth, mass) = (4 + i % 9, 12 + 3 * (i % 9) + i % 5);
        text += &format!("{depth}.{i},{},{mass},{mass},complete\n", 60 + i % 20);
    }
    text += "8,75,12,12,Prox\n8,75,13,13,Dist\n8,75,14,14,distal\n";
    let fit = ["fit", "--table", "-", "--response", "mass_g", "--name", "pit"];
    let verbs = [
        [&fit[..], &["--form", "log-log"]].concat(),
        fit.to_vec(),
        [&fit[..], &["--starting-from", "hard-hammer-flint"]].concat(),
        vec!["assess", "--table", "-", "--forms", "log-log"],
        vec!["assemblage", "--table", "-", "--seed", "1", "--draws", "200"],
        vec!["original", "--table", "-"],
    ];
    for args in &verbs {
        let (_, out, err) = run(args, &text);
        let told = format!("{err}{out}").split_whitespace().collect::<Vec<_>>().join(" ");
        let named = "portion is not one of complete, proximal, medial, distal, split, shatter, core, such as \"Prox\" \
                     (rows 41, 42)";
        assert!(told.contains(named), "{args:?}: {told}");
        let counted = match args[0] {
            "fit" => "2: portion: a cell that cannot be used",
            "assess" => "40 flakes of 41 rows",
            "assemblage" => "40 flakes from 43 pieces, 40 with a measured platform",
            _ => "refused, 2 rows",
        };
        assert!(told.contains(counted), "{args:?}: {told}");
        if args[0] != "original" {
            assert!(told.contains("tell it with --word OURS=THEIRS"), "{args:?}: {told}");
        }
        // once the words are told, the rows are what they say
        let words = ["--word", "proximal=Prox", "--word", "distal=Dist"];
        let (_, out, err) = run(&[&args[..], &words].concat(), &text);
        assert!(!format!("{err}{out}").contains("such as"), "{args:?}: {err}{out}");
    }
    // what keeps incomplete pieces does not ask for their portion
    let (_, out, err) = run(&[&verbs[0][..], &["--keep-incomplete"]].concat(), &text);
    assert!(out.contains("43 flakes used, 0 left out"), "{out}{err}");
}

/// A column is mapped where a table has it: a mapping that neither has is an error.
#[test]
fn of_two_tables_compared_one_may_lack_a_mapped_column() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("school.csv");
    fs::write(&path, "mass_g\n12\n15\n9\n32\n11\n19\n").unwrap();
    let path = path.to_str().unwrap();
    let pit = "Heft,percussor\n12,antler\n14,antler\n9,antler\n22,antler\n11,antler\n13,antler\n";
    let with = |a, b, column| {
        run(&["assemblage", "--table", a, "--against", b, "--column", column, "--seed", "1"], pit)
    };
    for (a, b) in [("-", path), (path, "-")] {
        let (code, out, err) = with(a, b, "Heft=mass_g");
        assert!(code == 0 && out.contains("mass: 6 of "), "{out}{err}");
    }
    let (code, _, err) = with("-", path, "Hefts=mass_g");
    assert_eq!(code, 2, "{err}");
    assert!(err.contains("--column: \"Hefts\" is not known; did you mean \"Heft\"?"), "{err}");
    let (code, _, err) = with("-", "-", "Heft=mass_g");
    assert!(code == 2 && err.contains("standard input is --table already"), "{err}");
}

#[test]
fn sizes_of_complete_flakes_are_told_against_what_was_expected() {
    let mut text = String::from("platform_depth_mm,exterior_platform_angle_deg,length_mm,portion\n");
    for i in 0..12 {
        text.push_str(&format!("{},75,{},complete\n", 5 + i % 4, 30 + 2 * i));
    }
    text.push_str("8,75,5,proximal\n");
    let args = ["assemblage", "--table", "-", "--seed", "7", "--draws", "100"];
    let v = json(&[&args[..], &["--format", "json"]].concat(), &text);
    let found = v["groups"]["all"]["found"].as_array().unwrap();
    assert_eq!(found.len(), 1);
    assert_eq!((&found[0]["column"], &found[0]["flakes"]), (&"length_mm".into(), &12.into()));
    // the geometric mean of observed over expected, from the table of estimates
    let rows = knap().args(["estimate", "--table", "-"]).write_stdin(text.clone()).output().unwrap().stdout;
    let rows = String::from_utf8(rows).unwrap();
    let header: Vec<&str> = rows.lines().next().unwrap().split(',').collect();
    let at = header.iter().position(|h| *h == "expected_length_mm_median").unwrap();
    let logs = rows.lines().skip(1).take(12).map(|line| {
        let cells: Vec<&str> = line.split(',').collect();
        (cells[2].parse::<f64>().unwrap() / cells[at].parse::<f64>().unwrap()).ln()
    });
    let factor = (logs.sum::<f64>() / 12.0).exp();
    assert!((found[0]["factor"].as_f64().unwrap() / factor - 1.0).abs() < 1e-5, "{factor}: {found:?}");
    let (_, told, _) = run(&args, &text);
    let told = told.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        told.contains("length found over expected: ") && told.contains("of 12 complete flakes"),
        "{told}"
    );
}

#[test]
fn two_groups_or_two_tables_are_compared() {
    let args = [
        "assemblage",
        "--table",
        "-",
        "--group",
        "percussor",
        "--compare",
        "antler,quartzite",
        "--seed",
        "7",
    ];
    let (code, text, err) = run(&args, &bag());
    assert_eq!(code, 0, "{err}");
    assert!(text.contains("Nothing tells them apart"), "{text}");
    assert!(text.lines().all(|l| l.chars().count() < 80), "{text}");
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("school.csv");
    let heavy: String = (1..20).map(|i| format!("{}\n", 200 + 10 * i)).collect();
    fs::write(&path, format!("mass_g\n{heavy}")).unwrap();
    let args = ["assemblage", "--table", "-", "--against", path.to_str().unwrap(), "--seed", "7"];
    let (_, text, _) = run(&args, &bag());
    // how much stands before the word
    let at = |words: &str| text.find(words).unwrap_or_else(|| panic!("{words}: {text}"));
    assert!(at("times the mass of") < at("they do not look alike"), "{text}");
    let v = json(&[&args[..], &["--format", "json"]].concat(), &bag());
    assert_eq!(
        (&v["differ"], &v["verdict"], &v["matters_from"]),
        (&true.into(), &"different".into(), &1.1.into())
    );
    // a difference that would have to be enormous to matter
    let v = json(&[&args[..], &["--matters", "100", "--format", "json"]].concat(), &bag());
    assert_eq!((&v["differ"], &v["verdict"]), (&true.into(), &"difference-too-small".into()));
    let (code, _, err) = run(&[&args[..], &["--matters", "0.9"]].concat(), &bag());
    assert!(code == 2 && err.contains("ratio that matters"), "{err}");
    assert_eq!(v["n"], serde_json::json!([30, 19]));
    assert!(v["kolmogorov_smirnov"]["p_value"].as_f64().unwrap() < 0.01 && v["energy"]["value"].is_number());
    assert!(v["ratio"]["high"].as_f64().unwrap() < 1.0 && v["overlap"]["value"].as_f64().unwrap() < 0.1);
    let (code, _, err) = run(
        &["assemblage", "--table", "-", "--group", "percussor", "--compare", "antler,bone", "--seed", "7"],
        &bag(),
    );
    assert_eq!(code, 2);
    assert!(err.contains("\"bone\" is not known (accepted: antler, quartzite)"), "{err}");
}

/// Scrapers of a field school weighed after each of five resharpenings: invented.
fn scrapers() -> String {
    let mut text = String::from("flake,original_mass_g,mass_now_g,max_thickness_now_mm,retouch_index\n");
    for p in 0..24u32 {
        let then = 20.0 + 3.0 * f64::from(p);
        for s in 1..=5u32 {
            let wobble = 0.9 + 0.02 * f64::from((p * 7 + s * 3) % 11);
            let own = 0.75 + f64::from((p * 5) % 13) / 24.0;
            let now = then / (1.0 + 0.05 * f64::from(s * s) * own * wobble);
            let index = 0.16 * f64::from(s) * wobble;
            text += &format!("S{p},{then},{now:.3},{},{index:.3}\n", 9 + p % 7);
        }
    }
    text + "odd,10,12,9,0.3\nbad,10,x,9,0.3\n"
}

#[test]
fn an_assemblage_of_scrapers_tells_the_shares_lost_by_site() {
    let mut table =
        String::from("site,mass_now_g,retouch_index,platform_depth_mm,exterior_platform_angle_deg,portion\n");
    for k in 0..30 {
        let mass = 20 + k % 9;
        table.push_str(&format!("spring,{mass},0.{},,,\n", 30 + 2 * k));
        table.push_str(&format!("quarry,{mass},0.{},,,\n", 10 + k));
    }
    // refused by name; a flake with a platform and no retouch; a broken one, told by its platform
    table.push_str("spring,20,1.7,,,\nquarry,14,,8,75,\nquarry,6,0.3,8,75,proximal\n");
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("s.svg");
    let args = ["assemblage", "--table", "-", "--group", "site", "--seed", "7", "--draws", "400"];
    let plot = [&args[..], &["--plot", path.to_str().unwrap()]].concat();
    let (code, text, err) = run(&plot, &table);
    assert_eq!(code, 3, "{err}");
    for line in [
        "spring: 30 pieces of 31 told by retouch",
        "quarry: 2 flakes from 2 pieces, 2 with a measured platform",
        "  total with retouched ",
        "  share of mass lost",
        "  lost over 25 %:",
        "From the calibrations excavated-flakes (platforms) and retouched-flint",
        "30 pieces: the experiment has every state from first retouch",
    ] {
        assert!(text.contains(line), "{line}\n{text}\n{err}");
    }
    assert!(text.lines().all(|l| l.chars().count() < 80), "{text}");
    let svg = fs::read_to_string(path).unwrap();
    for words in [
        "share of a piece's mass lost, %",
        "pieces that lost more, %",
        "Retouched pieces: share of their mass lost",
    ] {
        assert!(svg.contains(&words.replace('\'', "&apos;")) || svg.contains(words), "{words}");
    }
    assert!(!svg.contains("NaN"));
    let (code, out, _) = run(&[&args[..], &["--format", "json"]].concat(), &table);
    assert_eq!(code, 3);
    let v: Value = serde_json::from_str(&out).unwrap();
    let share = |site: &str| v["groups"][site]["retouched"]["share_lost"]["median"].as_f64().unwrap();
    assert!(share("spring") > 2.0 * share("quarry"), "{out}");
    assert_eq!(v["groups"]["quarry"]["n"], 2);
    assert_eq!(v["groups"]["quarry"]["retouched"]["n"], 30);
    assert_eq!(v["calibration"]["of_loss"], "retouched-flint");
    // the same seed, the same numbers, whatever else is there
    let alone: String =
        table.lines().filter(|l| !l.starts_with("quarry")).map(|l| format!("{l}\n")).collect();
    let (_, alone, _) = run(&[&args[..], &["--format", "json"]].concat(), &alone);
    let alone: Value = serde_json::from_str(&alone).unwrap();
    assert_eq!(alone["groups"]["spring"]["retouched"], v["groups"]["spring"]["retouched"]);
}

#[test]
fn a_calibration_of_loss_is_made_and_used() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("school.json");
    let path = path.to_str().unwrap();
    let fit =
        ["fit", "--table", "-", "--response", "original_over_now", "--form", "retouch", "--name", "school"];
    let with = |more: &[&'static str]| fit.iter().copied().chain(more.iter().copied()).collect::<Vec<_>>();
    let out: Vec<&str> = fit.iter().copied().chain(["--out", path]).collect();
    let (code, text, err) = run(&out, &scrapers());
    assert_eq!(code, 0, "{err}");
    assert!(text.contains("120 states") && text.contains("24 pieces"), "{text}");
    assert!(text.contains("mass, thickness, index") && !text.contains("heights"), "{text}");
    assert!(text.contains("mass_now_g: more than original_mass_g"), "{text}");
    let v = json(&with(&["--format", "json"]), &scrapers());
    assert_eq!((v["used"].as_u64(), v["mass, index"]["pieces"].as_u64()), (Some(120), Some(24)));
    let args = [
        "original",
        "--mass-now-g",
        "31",
        "--retouch-index",
        "0.4",
        "--calibration",
        path,
        "--format",
        "json",
    ];
    let v = json(&args, "");
    assert_eq!(
        (v["calibration"]["name"].as_str(), v["leans_on"].as_str()),
        (Some("school"), Some("retouch"))
    );
    for (args, message) in [
        (
            ["fit", "--table", "-", "--response", "original_over_now", "--form", "log-log", "--name", "x"],
            "retouch",
        ),
        (
            ["fit", "--table", "-", "--response", "original_over_now", "--form", "retouch", "--name", "x"],
            "heights",
        ),
    ] {
        let (code, _, err) = run(&args, "original_mass_g,mass_now_g\n10,8\n");
        assert!(code != 0 && err.contains(message.trim_end_matches('s')), "{err}");
    }
}
