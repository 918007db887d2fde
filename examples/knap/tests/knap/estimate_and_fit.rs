//! The command line as a process: the contract of `estimate`, `fit` and `calibrations` that other people's
//! scripts rely on, and what becomes of awkward tables.

use crate::knap;
use serde_json::Value;
use std::fs;
use tempfile::TempDir;

const SIZES: [&str; 4] = ["length_mm", "width_mm", "thickness_mm", "mass_g"];

fn stdout(args: &[&str]) -> String {
    let out = knap().args(args).output().unwrap();
    assert!(out.status.success(), "{args:?}: {}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8(out.stdout).unwrap()
}

fn json(args: &[&str]) -> Value {
    serde_json::from_str(&stdout(args)).unwrap()
}

/// Runs on a table given as text; gives back exit code, output and messages.
fn on_table(text: impl AsRef<[u8]>, args: &[&str]) -> (i32, String, String) {
    let out =
        knap().args(["estimate", "--table", "-"]).args(args).write_stdin(text.as_ref()).output().unwrap();
    (
        out.status.code().unwrap(),
        String::from_utf8(out.stdout).unwrap(),
        String::from_utf8(out.stderr).unwrap(),
    )
}

#[test]
fn one_estimate_as_json_keeps_its_contract() {
    let blow = ["estimate", "--depth-mm", "8", "--angle-deg", "75", "--percussor", "quartzite"];
    let v = json(&[&blow[..], &["--format", "json"]].concat());
    for size in SIZES {
        let s = &v[size];
        let number = |k: &str| s[k].as_f64().unwrap_or_else(|| panic!("{size} {k}: {s}"));
        assert!(number("low") < number("median") && number("median") < number("high"), "{s}");
        assert!(number("mean") > number("median"));
        assert_eq!(number("level"), 0.95);
    }
    assert_eq!(v["calibration"]["name"], "hard-hammer-flint");
    assert_eq!(v["calibration"]["form"], "log-log-curved");
    assert!(v["termination"]["feather"]["low"].as_f64() < v["termination"]["feather"]["value"].as_f64());
    assert_eq!(v["calibration"]["n"], 375);
    for c in v["cautions"].as_array().unwrap() {
        assert!(c["kind"].is_string() && c["text"].is_string());
    }
    // eight digits at least, in the text itself
    let text = stdout(&["estimate", "--depth-mm", "8", "--angle-deg", "75", "--format", "json"]);
    let low = text.split("\"low\":").nth(1).unwrap().split(',').next().unwrap();
    assert!(low.chars().filter(char::is_ascii_digit).count() >= 8, "{low}");
}

#[test]
fn the_level_widens_and_the_calibration_is_chosen_by_the_stone() {
    let wide =
        json(&["estimate", "--depth-mm", "8", "--angle-deg", "75", "--level", "0.99", "--format", "json"]);
    let narrow =
        json(&["estimate", "--depth-mm", "8", "--angle-deg", "75", "--level", "0.5", "--format", "json"]);
    assert!(wide["mass_g"]["low"].as_f64() < narrow["mass_g"]["low"].as_f64());
    for (stone, calibration) in [
        ("soda-lime-glass", "controlled-glass"),
        ("quartzite", "hard-hammer-quartzite"),
        ("chert", "hard-hammer-flint"),
    ] {
        let platform =
            ["estimate", "--depth-mm", "8", "--angle-deg", "75", "--stone", stone, "--format", "json"];
        let v = json(&[&platform[..], &["--percussor", "quartzite"]].concat());
        assert_eq!(v["calibration"]["name"], calibration, "{stone}");
        // a stone alone is no blow, but glass has its own
        let expected = if stone == "soda-lime-glass" { calibration } else { "excavated-flakes" };
        assert_eq!(json(&platform)["calibration"]["name"], expected, "{stone}");
        let area =
            ["estimate", "--area-mm2", "90", "--angle-deg", "75", "--stone", "chert", "--format", "json"];
        assert_eq!(json(&area)["calibration"]["name"], "hard-hammer-flint");
    }
    // an experiment is moved to sites and opens, unless the flakes are its own
    let blow =
        ["estimate", "--depth-mm", "8", "--angle-deg", "75", "--percussor", "quartzite", "--format", "json"];
    let (sites, own) = (json(&blow), json(&[&blow[..], &["--of-the-experiment"]].concat()));
    let ratio =
        |v: &serde_json::Value| v["mass_g"]["high"].as_f64().unwrap() / v["mass_g"]["low"].as_f64().unwrap();
    assert!(ratio(&sites) > 1.5 * ratio(&own));
    let has = |v: &serde_json::Value, kind: &str| {
        v["cautions"].as_array().unwrap().iter().any(|c| c["kind"] == kind)
    };
    assert!(has(&sites, "moved-to-sites") && !has(&own, "moved-to-sites") && has(&own, "not-in-experiment"));
    let v = json(&[
        "estimate",
        "--depth-mm",
        "8",
        "--angle-deg",
        "75",
        "--percussor",
        "antler",
        "--format",
        "json",
    ]);
    let kinds: Vec<&str> =
        v["cautions"].as_array().unwrap().iter().map(|c| c["kind"].as_str().unwrap()).collect();
    assert!(kinds.contains(&"percussor-ratio"), "{kinds:?}");
}

#[test]
fn text_reads_within_eighty_columns() {
    let text = stdout(&[
        "estimate",
        "--depth-mm",
        "40",
        "--angle-deg",
        "75",
        "--stone",
        "glass",
        "--percussor",
        "antler",
    ]);
    assert!(text.lines().all(|l| l.chars().count() < 80), "{text}");
    assert!(text.contains("length") && text.contains("mass") && text.contains("controlled-glass"));
    assert!(text.contains("above what the experiment covered"), "{text}");
}

#[test]
fn exit_codes_tell_usage_from_refusal() {
    for (args, code, message) in [
        (&["estimate", "--angle-deg", "75"][..], 2, "platform_depth_mm: not recorded"),
        (&["estimate", "--depth-mm", "-2", "--angle-deg", "75"], 2, "platform_depth_mm: -2 is out of range"),
        (&["estimate", "--depth-mm", "x", "--angle-deg", "75"], 2, "invalid value"),
        (&["estimate", "--depth-mm", "8", "--angle-deg", "180"], 2, "exterior_platform_angle_deg: 180"),
        (
            &["estimate", "--depth-mm", "8", "--angle-deg", "75", "--level", "1"],
            2,
            "level: 1 is out of range",
        ),
        (
            &["estimate", "--depth-mm", "8", "--angle-deg", "75", "--percussor", "chees"],
            2,
            "\"chees\" is not known",
        ),
        (
            &["estimate", "--depth-mm", "8", "--angle-deg", "75", "--calibration", "glas"],
            2,
            "\"glas\" is not known",
        ),
        (
            &["estimate", "--depth-mm", "8", "--angle-deg", "75", "--platform-kind", "crushed"],
            3,
            "a crushed platform cannot be measured",
        ),
        (
            &["estimate", "--depth-mm", "8", "--angle-deg", "75", "--portion", "medial"],
            3,
            "without a platform",
        ),
        (&["estimate", "--table", "no-such-file.csv"], 1, "no-such-file.csv"),
        (
            &[
                "fit",
                "--table",
                "no-such-file.csv",
                "--response",
                "mass_g",
                "--form",
                "log-log",
                "--name",
                "x",
            ],
            1,
            "no-such",
        ),
        (
            &["fit", "--table", "-", "--response", "mass_g", "--form", "lin", "--name", "x"],
            2,
            "\"lin\" is not known",
        ),
        (&["nonsense"], 2, "nonsense"),
    ] {
        let out = knap().args(args).output().unwrap();
        let err = String::from_utf8_lossy(&out.stderr);
        assert_eq!(out.status.code(), Some(code), "{args:?}: {err}");
        assert!(err.contains(message), "{args:?}: {err}");
        assert!(!err.contains("panicked"), "{args:?}: {err}");
    }
}

#[test]
fn a_messy_table_loses_no_row() {
    let table = "flake,platform_depth_mm,exterior_platform_angle_deg,notes,mass_g\n\
                 A1,8,75,fine,21\n\
                 A2,\"7,3\",75,decimal comma,21\n\
                 A3,,75,blank depth,21\n\
                 A4,6,95,obtuse,21\n\
                 A5,6,80,text in a size,heavy\n\
                 A6,6,200,impossible angle,21\n\
                 A7,6\n";
    let (code, out, err) = on_table(table, &[]);
    assert_eq!(code, 3, "{err}");
    let lines: Vec<&str> = out.lines().collect();
    assert_eq!(lines.len(), 8, "a header and seven rows: {out}");
    assert!(lines[0].starts_with(
        "flake,platform_depth_mm,exterior_platform_angle_deg,notes,mass_g,expected_length_mm_low"
    ));
    for size in SIZES {
        for end in ["low", "median", "high"] {
            assert!(lines[0].contains(&format!(",expected_{size}_{end}")), "{size} {end}");
        }
    }
    for (i, name) in ["A1", "A2", "A3", "A4", "A5", "A6", "A7"].iter().enumerate() {
        assert!(lines[i + 1].starts_with(name), "rows stay in place: {}", lines[i + 1]);
    }
    assert!(
        lines[2].contains(
            "row 2, column platform_depth_mm: \"\"7,3\"\" is not a number (use a point, not a comma)"
        ),
        "{}",
        lines[2]
    );
    assert!(lines[3].contains("refused: row 3"), "{}", lines[3]);
    assert!(
        lines[6].contains("row 6, column exterior_platform_angle_deg: 200 is out of range"),
        "{}",
        lines[6]
    );
    assert!(!lines[4].contains("refused") && !lines[5].contains("refused"));
    assert!(
        err.contains("7 rows: 2 answered without one beyond what holds for every row, 1 with a remark"),
        "{err}"
    );
    assert!(err.contains("remark, 1 row: mass_g is not a number, such as \"heavy\" (row 5)"), "{err}");
}

#[test]
fn semicolons_commas_units_and_other_names() {
    let table = "\u{feff}Platform depth (cm);EPA;note\r\n0,8;75;a\r\n0,6;80;b\r\n";
    let (code, out, err) = on_table(table, &["--column", "EPA=exterior_platform_angle_deg"]);
    assert_eq!(code, 0, "{err}");
    let plain = "platform_depth_mm,exterior_platform_angle_deg\n8,75\n6,80\n";
    let (_, expected, _) = on_table(plain, &[]);
    let mass = |text: &str, separator: char| -> Vec<String> {
        let mut lines = text.lines();
        let at = lines.next().unwrap().split(separator).position(|h| h == "expected_mass_g_median").unwrap();
        lines.map(|l| l.split(separator).nth(at).unwrap().to_string()).collect()
    };
    assert_eq!(mass(&out, ';'), mass(&expected, ','));
}

#[test]
fn tables_that_cannot_be_read_end_with_one_message_and_code_one() {
    for (what, table, message) in [
        ("empty", &b""[..], "empty"),
        ("header only", b"platform_depth_mm,exterior_platform_angle_deg\n", "no rows"),
        ("UTF-16", b"\xff\xfep\0l\0a\0t\0", "UTF-16"),
        ("duplicate header", b"platform_depth_mm,platform_depth_mm\n8,75\n", "platform_depth_mm"),
        ("wrong unit", b"platform_depth_g,exterior_platform_angle_deg\n8,75\n", "platform_depth_g"),
    ] {
        let (code, _, err) = on_table(table, &[]);
        assert_eq!(code, 1, "{what}: {err}");
        assert!(err.contains(message), "{what}: {err}");
        assert!(!err.contains("panicked"), "{what}: {err}");
    }
}

#[test]
fn settings_of_a_row_are_used_where_they_stand() {
    let table = "platform_depth_mm,exterior_platform_angle_deg,angle_of_blow_deg,blow_lands_on,percussor\n\
                 6,65,20,platform,steel\n6,65,,,\n6,65,0,edge,bone\n";
    let (code, out, err) = on_table(table, &["--calibration", "controlled-glass"]);
    assert_eq!(code, 0, "{err}");
    let rows: Vec<&str> = out.lines().skip(1).collect();
    assert!(!rows[0].contains("averaged over"), "{}", rows[0]);
    assert!(rows[1].contains("averaged over the blows of the experiment"), "{}", rows[1]);
    let medians: Vec<&str> = rows.iter().map(|r| r.split(',').nth(6).unwrap()).collect();
    assert!(medians[0] != medians[1] && medians[0] != medians[2], "{medians:?}");
}

#[test]
fn a_fit_makes_a_calibration_that_estimate_takes() {
    let folder = TempDir::new().unwrap();
    let out = folder.path().join("school.json");
    let out = out.to_str().unwrap();
    let table = crate::SCHOOL;
    let text = stdout(&[
        "fit",
        "--table",
        table,
        "--response",
        "mass_g",
        "--form",
        "log-log",
        "--name",
        "school",
        "--out",
        out,
        "--stone",
        "flint",
    ]);
    assert!(text.contains("coefficient") && text.contains("24 flakes used, 0 left out"), "{text}");
    assert!(text.lines().all(|l| l.chars().count() < 80 || l.contains(out)), "{text}");
    let v =
        json(&["estimate", "--depth-mm", "6", "--angle-deg", "75", "--calibration", out, "--format", "json"]);
    assert_eq!(v["calibration"]["name"], "school");
    assert_eq!(v["calibration"]["n"], 24);
    // the interval is the one R's predict gives: its reference stands in tests/reference/lm.json, the point "middle"
    let reference: Value = serde_json::from_str(include_str!("../../../../tests/reference/lm.json")).unwrap();
    let model =
        reference["models"].as_array().unwrap().iter().find(|m| m["name"] == "field-school-log-log").unwrap();
    for p in model["predictions"].as_array().unwrap() {
        let (depth, angle) =
            (p["at"]["platform_depth_mm"].to_string(), p["at"]["exterior_platform_angle_deg"].to_string());
        let v = json(&[
            "estimate",
            "--depth-mm",
            &depth,
            "--angle-deg",
            &angle,
            "--calibration",
            out,
            "--format",
            "json",
        ]);
        for (key, i) in [("low", 0), ("high", 1)] {
            let expected = p["prediction_95"][i].as_f64().unwrap().exp();
            let found = v["mass_g"][key].as_f64().unwrap();
            if ["deep", "obtuse", "beyond"].contains(&p["point"].as_str().unwrap()) {
                // beyond the flakes of the school the interval opens
                assert!(
                    if i == 0 { found < expected } else { found > expected },
                    "{key}: {found} {expected}"
                );
                continue;
            }
            assert!((found / expected - 1.0).abs() < 1e-9, "{} {key}: {found} {expected}", p["point"]);
        }
    }
    let some = stdout(&[
        "fit",
        "--table",
        table,
        "--response",
        "length_mm",
        "--form",
        "log-log",
        "--name",
        "antler",
        "--where",
        "percussor=antler",
    ]);
    assert!(some.contains("not percussor=antler"), "{some}");
    let v = json(&[
        "fit",
        "--table",
        table,
        "--response",
        "mass_g",
        "--form",
        "log-log",
        "--name",
        "s",
        "--format",
        "json",
    ]);
    assert_eq!(v["used"], 24);
}

#[test]
fn a_broken_calibration_file_is_told_apart() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("c.json");
    let good = stdout(&["calibrations", "hard-hammer-flint", "--format", "json"]);
    for (what, text, message) in [
        ("empty", String::new(), "not a calibration"),
        ("not JSON", "{".to_string(), "not a calibration"),
        (
            "another schema",
            good.replacen("\"schema\": 2", "\"schema\": 7", 1),
            "version 7 is newer than this program knows",
        ),
        ("no schema", good.replacen("\"schema\": 2,", "", 1), "no schema version"),
        ("infinite", good.replacen("\"flakes\": 375", "\"flakes\": 1e999", 1), "not a calibration"),
        ("nested", "[".repeat(100_000), "not a calibration"),
        ("unknown field", good.replacen("\"name\"", "\"nom\"", 1), "not a calibration"),
    ] {
        fs::write(&path, text).unwrap();
        let out = knap()
            .args(["estimate", "--depth-mm", "8", "--angle-deg", "75", "--calibration"])
            .arg(&path)
            .output()
            .unwrap();
        let err = String::from_utf8_lossy(&out.stderr);
        assert_eq!(out.status.code(), Some(1), "{what}: {err}");
        assert!(err.contains(message), "{what}: {err}");
    }
}

#[test]
fn an_output_file_appears_only_when_it_is_complete() {
    let folder = TempDir::new().unwrap();
    let out = folder.path().join("expected.csv");
    // a line without an end cannot be read on
    let mut broken = b"platform_depth_mm,exterior_platform_angle_deg\n8,75\n".to_vec();
    broken.resize(3 << 20, b'7');
    let run = knap()
        .args(["estimate", "--table", "-", "--out"])
        .arg(&out)
        .write_stdin(&broken[..])
        .output()
        .unwrap();
    assert_eq!(run.status.code(), Some(1));
    assert!(!out.exists(), "no half-written file under its final name");
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0, "and none beside it");
    let fine = "platform_depth_mm,exterior_platform_angle_deg\n8,75\n";
    knap()
        .args(["estimate", "--table", "-", "--out"])
        .arg(&out)
        .write_stdin(fine)
        .assert()
        .success()
        .stdout("");
    assert_eq!(fs::read_to_string(&out).unwrap().lines().count(), 2);
    let nowhere = folder.path().join("none").join("x.csv");
    let run =
        knap().args(["estimate", "--table", "-", "--out"]).arg(&nowhere).write_stdin(fine).output().unwrap();
    assert_eq!(run.status.code(), Some(1));
}

#[test]
fn calibrations_are_listed_and_shown() {
    let list = stdout(&["calibrations"]);
    let unknown = knap().args(["calibrations", "no-such"]).output().unwrap();
    let err = String::from_utf8(unknown.stderr).unwrap();
    for name in conchoid::calibration::bundled::NAMES.into_iter().chain(["retouched-flint"]) {
        assert!(list.contains(name) && err.contains(name), "{name}: {list}{err}");
        let one = stdout(&["calibrations", name]);
        assert!(one.contains("Source") && one.contains("Licence"), "{one}");
        assert!(one.lines().all(|l| l.chars().count() < 80), "{one}");
        let text = stdout(&["calibrations", name, "--format", "json"]);
        assert_eq!(conchoid::calibration::Calibration::from_json(&text).unwrap().to_json(), text);
    }
    assert!(list.lines().all(|l| l.chars().count() < 80), "{list}");
}

#[test]
fn answers_fit_eighty_columns() {
    let school = crate::SCHOOL;
    for line in [
        "estimate --depth-mm 8 --angle-deg 75 --percussor antler --percussor-mass-g 300 --tip-radius-mm 15 --speed-m-s 4..7",
        "estimate --table SCHOOL --out /dev/null",
        "contrast --percussor quartzite --percussor antler --depth-mm 8 --angle-deg 75",
        "fit --table SCHOOL --response mass_g --form log-log --name x --by percussor",
        "fit --table SCHOOL --response mass_g --starting-from hard-hammer-flint --name x",
        "assess --table SCHOOL --forms log-log,cube-root --repeats 1",
        "percussor --table SCHOOL",
        "original --mass-now-g 14.2 --depth-mm 9 --angle-deg 72 --loss 2,5",
        "assemblage --table SCHOOL --group percussor --seed 1 --draws 500 --mesh-mm 6",
        "assemblage --table SCHOOL --group percussor --compare antler,quartzite --seed 1",
        "calibrations controlled-glass",
        "calibrations",
        "plan --flakes 12 --percussor quartzite,antler --difference 1.5 --at depth_mm=8,angle_deg=75",
    ] {
        let words = line.split(' ').map(|w| if w == "SCHOOL" { school } else { w });
        let out = knap().args(words).output().unwrap();
        assert!(out.status.success(), "{line}");
        for said in [out.stdout, out.stderr] {
            for said in String::from_utf8(said).unwrap().lines() {
                assert!(said.chars().count() <= 80, "{line}: {said}");
            }
        }
    }
}

#[test]
fn every_help_shows_an_example_or_the_cautions() {
    for verb in [
        "estimate",
        "blow",
        "contrast",
        "fit",
        "assess",
        "percussor",
        "original",
        "assemblage",
        "calibrations",
        "plan",
        "completions",
        "manual",
        "schema",
    ] {
        let help = stdout(&[verb, "--help"]);
        assert!(help.lines().all(|l| l.chars().count() <= 80), "{help}");
        let help = help.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(help.contains("eye protection") && help.contains("Never strike"), "{help}");
    }
}

/// What a word of a table is not known as is told in its row with the option that would do, and the option does.
#[test]
fn a_misspelt_percussor_is_answered_with_what_would_do() {
    let table =
        "percussor,platform_depth_mm,exterior_platform_angle_deg\nantlr,8,75\nred deer,8,75\nantler,8,75\n";
    let (code, out, err) = on_table(table, &[]);
    assert_eq!(code, 0, "{err}");
    let option = "--word percussor:antler=\"\"antlr\"\" makes it antler";
    assert!(out.contains("did you mean \"\"antler\"\"?") && out.contains(option), "{out}");
    assert!(
        !err.contains("every row, percussor") && err.contains("caution percussor-not-known on 1 row: "),
        "{err}"
    );
    let words = ["--word", "percussor:antler=antlr", "--word", "percussor:red-deer-antler=Red Deer"];
    let (code, out, err) = on_table(table, &words);
    assert_eq!(code, 0, "{err}");
    let mass = |line: &str| line.split(',').skip(4).take(12).collect::<Vec<_>>().join(",");
    let lines: Vec<&str> = out.lines().collect();
    assert!(
        !out.contains("is not known") && mass(lines[1]) == mass(lines[3]) && mass(lines[2]) == mass(lines[3]),
        "{out}"
    );
    // one flake: a stone that nobody knows is told of, a percussor refused with the general names
    let said = stdout(&["estimate", "--depth-mm", "8", "--angle-deg", "75", "--stone", "cheese"]);
    assert!(said.contains("the stone \"cheese\" is not known; the answer is for any stone"), "{said}");
    let percussor = ["estimate", "--depth-mm", "8", "--angle-deg", "75", "--percussor", "cheese"];
    let err = String::from_utf8(knap().args(percussor).output().unwrap().stderr).unwrap();
    assert!(err.contains("(accepted: hammerstone, antler, wood, flint, "), "{err}");
}

#[test]
fn a_known_size_that_no_such_flake_has_is_told() {
    let blow = ["estimate", "--depth-mm", "8", "--angle-deg", "75", "--percussor", "quartzite", "--known"];
    let said = stdout(&[&blow[..], &["mass_g=5000"]].concat());
    assert!(
        said.starts_with("The mass measured (5000 g) lies outside of what was expected (1.58 to"),
        "{said}"
    );
    let v = json(&[&blow[..], &["mass_g=5000", "--format", "json"]].concat());
    assert!(v["cautions"].as_array().unwrap().iter().any(|c| c["kind"] == "measured-outside"), "{v}");
    assert!(stdout(&[&blow[..], &["mass_g=50"]].concat()).starts_with("Expected of this blow"));
}

#[test]
fn the_usage_of_a_blow_asks_for_what_must_be_given() {
    let help = stdout(&["blow", "--help"]);
    let usage = help.split("Options:").next().unwrap();
    assert!(usage.contains("--stone <STONE>") && !usage.contains("--percussor-mass-g"), "{usage}");
    stdout(&["blow", "--stone", "flint", "--percussor", "antler", "--depth-mm", "8", "--angle-deg", "75"]);
}

#[test]
fn quiet_says_nothing_beside_the_answer() {
    let table = "platform_depth_mm,exterior_platform_angle_deg\n8,75\nx,75\n";
    let told = |args: &[&str]| {
        let out = knap().args(args).write_stdin(table).output().unwrap();
        (out.status.code(), String::from_utf8(out.stdout).unwrap(), String::from_utf8(out.stderr).unwrap())
    };
    let loud = told(&["estimate", "--table", "-"]);
    let quiet = told(&["estimate", "--quiet", "--table", "-"]);
    assert!(loud.2.contains("1 refused") && quiet.2.is_empty(), "{}", quiet.2);
    assert_eq!(quiet.0, loud.0);
    // what the summary would say of every row stands in the row
    let general = ["percussor and core and knapper not recorded", "no probability of their own: feather"];
    assert!(general.iter().all(|text| quiet.1.contains(text) && !loud.1.contains(text)), "{}", quiet.1);
    let numbers = |out: &str| -> Vec<String> {
        out.lines().map(|l| l.split("excavated").next().unwrap_or_default().to_string()).collect()
    };
    assert_eq!(numbers(&quiet.1), numbers(&loud.1));
    // an error is not quiet
    assert!(!told(&["-q", "estimate", "--depth-mm", "8"]).2.is_empty());
}

#[test]
fn completions_and_manual_pages_know_the_verbs() {
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        assert!(stdout(&["completions", shell]).contains("assemblage"), "{shell}");
    }
    assert!(stdout(&["manual"]).contains("knap\\-assemblage"));
    let page = stdout(&["manual", "estimate"]);
    assert!(page.contains(".TH knap-estimate 1") && page.contains("depth\\-mm"), "{page}");
    // commands keep their lines, prose is filled
    let (_, last) = page.split_once(".SH EXAMPLES AND CAUTIONS\n").unwrap();
    assert!(last.contains(".nf\n  knap estimate ") && last.contains("\n.fi\nA table"), "{last}");
    let wrong = knap().args(["manual", "estimat"]).output().unwrap();
    assert_eq!(wrong.status.code(), Some(2));
}

#[test]
fn kept_flakes_are_larger_and_a_row_below_the_threshold_is_refused() {
    let platform = ["estimate", "--depth-mm", "3", "--angle-deg", "75", "--format", "json"];
    let kept = |more: &[&str]| json(&[&platform[..], more].concat());
    let number = |v: &serde_json::Value, k: &str, end: &str| v[k][end].as_f64().unwrap();
    let (all, mm, g) = (kept(&[]), kept(&["--kept-above-mm", "25"]), kept(&["--kept-above-g", "3"]));
    for v in [&mm, &g] {
        assert!(v["share_kept"].as_f64().unwrap() < 0.95, "{v}");
        for size in SIZES {
            assert!(number(v, size, "median") > number(&all, size, "median"), "{size}");
        }
    }
    // nothing lighter than the threshold is in hand
    assert!(number(&g, "mass_g", "low") >= 3.0);
    let table = "platform_depth_mm,exterior_platform_angle_deg,length_mm,width_mm\n3,75,22,24\n3,75,22,26\n";
    let (code, out, err) = on_table(table, &["--kept-above-mm", "25"]);
    assert_eq!(code, 3, "{err}");
    let lines: Vec<&str> = out.lines().collect();
    assert!(
        lines[1].contains("refused: row 1, column width_mm: 24 is below 25") && !lines[2].contains("refused")
    );
    let out =
        knap().args(["estimate", "--depth-mm", "3", "--angle-deg", "75", "--kept-above-mm", "-1"]).output();
    assert_eq!(out.unwrap().status.code(), Some(2));
}

#[test]
fn a_calibration_that_does_not_fit_says_so_first() {
    let mut table = "site,platform_depth_mm,exterior_platform_angle_deg,mass_g,percussor\n".to_string();
    for n in 0..40 {
        table.push_str(&format!(
            "down,{:.1},{},{:.2},quartzite\n",
            4.0 + 0.2 * f64::from(n),
            65 + n % 20,
            0.4 + 0.01 * f64::from(n)
        ));
    }
    let (code, out, err) = on_table(&table, &["--of-the-experiment"]);
    assert_eq!(code, 0, "{err}");
    assert!(err.trim_start().starts_with("The calibration does not fit these flakes"), "{err}");
    assert!(
        err.contains("--starting-from")
            && err.contains("mass by hard-hammer-flint: 0 of 40 (chance 35 to 40)"),
        "{err}"
    );
    assert!(err.contains("40 rows: 0 answered without"), "{err}");
    assert_eq!(out.lines().filter(|l| l.contains("the mass measured")).count(), 40);
}

/// What the page of a fit says stands in its JSON; no percussor is told from another where the form reads none.
#[test]
fn a_fit_says_the_same_in_json_and_its_estimates_say_what_falls() {
    let folder = tempfile::tempdir().unwrap();
    let [table, out] = ["pit.csv", "own.json"].map(|n| folder.path().join(n).to_str().unwrap().to_string());
    let mut text = "platform_depth_mm,mass_g,percussor\n".to_string();
    for i in 0..24 {
        let depth = 3.0 + 0.6 * f64::from(i / 3);
        text.push_str(&format!(
            "{depth:.1},{:.2},{}\n",
            30.0 / depth,
            ["antler", "quartzite"][i as usize / 12]
        ));
    }
    std::fs::write(&table, text).unwrap();
    let fit = ["fit", "--table", &table, "--name", "own", "--out", &out, "--format", "json"];
    let run = knap().args(fit).output().unwrap();
    let json: Value = serde_json::from_slice(&run.stdout).unwrap();
    assert_eq!(json["falls"], serde_json::json!(["mass with platform depth"]), "{json}");
    assert_eq!(
        (&json["repeated"], &json["used"], &json["offered"]),
        (&16.into(), &24.into(), &24.into()),
        "{json}"
    );
    let told = |percussor: &str| {
        let asked = ["estimate", "--calibration", &out, "--depth-mm", "5", "--percussor", percussor];
        String::from_utf8(knap().args(asked).output().unwrap().stdout).unwrap().replace("\n   ", " ")
    };
    for percussor in ["antler", "quartzite"] {
        let page = told(percussor);
        let says = "struck by antler (12), quartzite (12), and the calibration does not tell them apart";
        assert!(page.contains(says), "{page}");
        assert!(
            page.contains("falls as the platform grows (flakes do not): mass with platform depth"),
            "{page}"
        );
    }
}
