//! `knap plan` as a process: the list, the sheet that `knap fit` reads, the comparison with the even grid.

use crate::knap;
use serde_json::Value;
use std::fs;
use tempfile::TempDir;

fn run(args: &[&str]) -> (i32, String, String) {
    let out = knap().arg("plan").args(args).output().unwrap();
    (
        out.status.code().unwrap(),
        String::from_utf8(out.stdout).unwrap(),
        String::from_utf8(out.stderr).unwrap(),
    )
}

fn stdout(args: &[&str]) -> String {
    let (code, out, err) = run(args);
    assert_eq!(code, 0, "{args:?}: {err}");
    out
}

fn json(args: &[&str]) -> Value {
    serde_json::from_str(&stdout(&[args, &["--format", "json"]].concat())).unwrap()
}

const TWO: [&str; 8] =
    ["--flakes", "24", "--percussor", "quartzite,antler", "--depth-mm", "4..12", "--angle-deg", "60..90"];

#[test]
fn a_plan_of_24_beats_an_even_grid_of_24_by_a_printed_margin() {
    let v = json(&[&TWO[..], &["--difference", "1.3"]].concat());
    let even = &v["against_even_grid"];
    let number = |k: &str| even[k].as_f64().unwrap();
    assert!((number("d_efficiency_ratio") - 1.2788).abs() < 1e-4, "{even}");
    assert!(number("mean_width") < number("mean_width_even_grid"));
    assert!(v["share_of_bound"].as_f64().unwrap() > 0.999);
    let flakes = v["flakes"].as_array().unwrap();
    assert_eq!(flakes.len(), 24);
    for f in flakes {
        let depth = f["target_depth_mm"].as_f64().unwrap();
        let accept = f["target_depth_mm_accept"].as_array().unwrap();
        assert!(accept[0].as_f64().unwrap() <= depth && depth <= accept[1].as_f64().unwrap());
        assert!(
            (4.0..=12.0).contains(&depth) && (60.0..=90.0).contains(&f["target_angle_deg"].as_f64().unwrap())
        );
        assert!(f["percussor"] == "quartzite" || f["percussor"] == "antler");
    }
    let curve = v["curve"].as_array().unwrap();
    let power: Vec<f64> = curve.iter().map(|c| c["power"].as_f64().unwrap()).collect();
    let width: Vec<f64> = curve.iter().map(|c| c["width_new_flake"].as_f64().unwrap()).collect();
    assert!(power.windows(2).all(|w| w[0] < w[1]) && width.windows(2).all(|w| w[0] > w[1]), "{curve:?}");
    let text = stdout(&TWO);
    assert!(text.contains("D-efficiency 1.279 times the grid's"), "{text}");
}

#[test]
fn the_same_seed_prints_the_same_bytes() {
    let again = |seed| stdout(&[&TWO[..], &["--seed", seed, "--criterion", "i"]].concat());
    let first = again("7");
    assert_eq!(first, again("7"));
    assert_ne!(first, again("8"));
}

#[test]
fn text_reads_within_eighty_columns_and_carries_the_cautions() {
    let text = stdout(
        &[
            &TWO[..],
            &[
                "--difference",
                "1.5",
                "--at",
                "depth_mm=8,angle_deg=75,angle_of_blow_deg=10",
                "--flakes-per-core",
                "4",
            ],
            &["--between-cores", "0.3", "--angle-of-blow-deg", "0..20", "--criterion", "i"],
        ]
        .concat(),
    );
    assert!(text.lines().all(|l| l.chars().count() < 80), "{text}");
    for part in [
        "eye protection",
        "Strike, in this order:",
        "  quartzite  ",
        "design effect",
        "percussor=antler",
        "core",
    ] {
        assert!(text.contains(part), "{part} is missing: {text}");
    }
}

/// Fills the sheet as a knapper would: what was struck is near the target, the mass follows a known law.
fn fill(sheet: &str) -> String {
    let mut lines = sheet.lines();
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    let at = |name: &str| header.iter().position(|h| *h == name).unwrap_or_else(|| panic!("no {name}"));
    let mut out = format!("{}\n", header.join(","));
    for (i, line) in lines.enumerate() {
        let mut cells: Vec<String> = line.split(',').map(str::to_string).collect();
        let target = |name: &str| cells[at(name)].parse::<f64>().unwrap();
        let depth = target("target_depth_mm") + 0.1 * (i % 7) as f64;
        let angle = target("target_angle_deg") - (i % 4) as f64;
        let antler = f64::from(u8::from(cells[at("percussor")] == "antler"));
        let mass = (-5.0 + 2.0 * depth.ln() + 0.04 * angle - 0.3 * antler).exp();
        for (name, v) in
            [("platform_depth_mm", depth), ("exterior_platform_angle_deg", angle), ("mass_g", mass)]
        {
            assert_eq!(cells[at(name)], "", "{name} is to be filled in");
            cells[at(name)] = v.to_string();
        }
        cells[at("termination")] = "feather".into();
        out.push_str(&cells.join(","));
        out.push('\n');
    }
    out
}

#[test]
fn the_sheet_is_read_by_fit_once_filled_in() {
    let folder = TempDir::new().unwrap();
    let sheet = folder.path().join("sheet.csv");
    let path = sheet.to_str().unwrap();
    let text = stdout(&[&TWO[..], &["--sheet", path, "--stone", "flint"]].concat());
    assert!(text.contains("sheet.csv"));
    let blank = fs::read_to_string(&sheet).unwrap();
    assert_eq!(blank.lines().count(), 25);
    assert!(
        blank.starts_with("flake,knapper,core,percussor,stone,target_depth_mm,target_angle_deg,"),
        "{blank}"
    );
    let fit = |more: &[&str]| {
        let args =
            ["fit", "--table", path, "--response", "mass_g", "--form", "log-log", "--name", "saturday"];
        knap().args(args).args(["--format", "json"]).args(more).output().unwrap()
    };
    // not filled in: nothing to fit, and it says so
    let out = fit(&[]);
    assert_eq!(out.status.code(), Some(1));
    let out = fit(&["--by", "percussor"]);
    let err = String::from_utf8_lossy(&out.stderr);
    assert!(
        err.contains(
            "no flake has its measurements yet (exterior_platform_angle_deg, mass_g, platform_depth_mm)"
        ),
        "{err}"
    );
    fs::write(&sheet, fill(&blank)).unwrap();
    for (percussor, constant) in [("quartzite", -5.0), ("antler", -5.3)] {
        let out = fit(&["--where", &format!("percussor={percussor}")]);
        let messages = String::from_utf8_lossy(&out.stderr);
        assert!(out.status.success() && messages.trim() == "knap: 12 of 24 rows chosen", "{messages}");
        let v: Value = serde_json::from_slice(&out.stdout).unwrap();
        assert_eq!(v["used"], 12);
        let value = |k: &str| v["fits"][0]["coefficients"][k]["value"].as_f64().unwrap();
        assert!((value("intercept") - constant).abs() < 1e-6, "{v}");
        assert!((value("ln platform_depth_mm") - 2.0).abs() < 1e-6);
        assert!((value("exterior_platform_angle_deg") - 0.04).abs() < 1e-6);
    }
    // and by plan itself, as flakes that exist: the next plan rests on them
    let v = json(&[&TWO[..], &["--existing", path]].concat());
    assert_eq!((v["existing"]["used"].as_u64(), v["existing"]["left_out"].as_u64()), (Some(24), Some(0)));
    let worth = v["existing"]["worth_well_placed"].as_f64().unwrap();
    assert!(worth > 18.0 && worth < 24.5, "{worth}");
}

#[test]
fn existing_flakes_are_what_is_built_on() {
    let v = json(&[&TWO[..4], &["--existing", crate::SCHOOL]].concat());
    assert_eq!(v["existing"]["used"], 24);
    let alone = json(&TWO[..4]);
    let width = |v: &Value| v["curve"].as_array().unwrap()[0]["width_mean"].as_f64().unwrap();
    assert!(width(&v) < width(&alone));
    // the table's antler alone cannot tell antler from quartzite, but is no hindrance
    let v = json(&["--flakes", "6", "--percussor", "antler", "--existing", crate::SCHOOL]);
    assert!(v["existing"]["left_out"].as_u64().unwrap() > 0);
}

/// The reach that is taken where none is told stands in the help, and what no flake had is told.
#[test]
fn the_usual_reach_is_told_and_one_that_nobody_can_strike() {
    let help = stdout(&["--help"]);
    assert!(
        help.contains("mm (4..12 where none is told)") && help.contains("degrees (60..85 where none"),
        "{help}"
    );
    let said = ["--flakes", "8", "--depth-mm", "4..12", "--angle-deg", "60..85"];
    assert_eq!(stdout(&said), stdout(&said[..2]));
    let area = ["--flakes", "8", "--form", "area", "--spread", "0.3", "--area-mm2", "20..300"];
    assert_eq!(stdout(&area), stdout(&area[..6]));
    assert!(help.contains("mm2 (20..300 where none is told)"), "{help}");
    let wide = stdout(&["--flakes", "8", "--depth-mm", "0.1..100", "--angle-deg", "10..170"]);
    for said in
        ["platform depth 100 mm is ", "exterior platform angle 170 degrees is ", "angle 10 degrees is "]
    {
        assert!(wide.contains(said), "{said}: {wide}");
    }
    let at = stdout(&["--flakes", "8", "--at", "depth_mm=80,angle_deg=175", "--stone", "cheese"]);
    let at = at.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(at.contains("the platform depth 80 lies beyond the reach (4 to 12)"), "{at}");
    assert!(at.contains("the exterior platform angle 175 lies beyond the reach (60 to 85)"), "{at}");
    assert!(at.contains("the stone \"cheese\" is not known; the answer is for flint"), "{at}");
    for angle in ["0..80", "60..180"] {
        let (code, _, err) = run(&["--flakes", "8", "--angle-deg", angle]);
        assert!(
            code == 2 && err.contains("exterior_platform_angle_deg: ") && err.contains("out of range"),
            "{err}"
        );
    }
}

#[test]
fn curves_are_drawn() {
    let folder = TempDir::new().unwrap();
    let picture = folder.path().join("plan.svg");
    stdout(&[&TWO[..], &["--difference", "1.5", "--plot", picture.to_str().unwrap()]].concat());
    let svg = fs::read_to_string(&picture).unwrap();
    for part in ["<svg", "flakes struck", "high over low", "chance to see a ratio of 1.5"] {
        assert!(svg.contains(part), "{part}");
    }
}

#[test]
fn exit_codes_and_what_is_said() {
    for (args, code, message) in [
        (&["--flakes", "3", "--percussor", "quartzite,antler"][..], 2, "3 flakes, but at least 4 are needed"),
        (&["--flakes", "0"], 2, "1 to 100000 flakes"),
        (&["--flakes", "x"], 2, "invalid value"),
        (&["--flakes", "9", "--form", "log-lin"], 2, "did you mean \"log-log\""),
        (&["--flakes", "9", "--depth-mm", "12..4"], 2, "write LOW..HIGH"),
        (&["--flakes", "9", "--depth-mm", "0..4"], 2, "platform_depth_mm: 0 is out of range"),
        (&["--flakes", "9", "--depth-mm", "8"], 2, "ln platform_depth_mm cannot be told apart"),
        (&["--flakes", "9", "--form", "tangent-power", "--angle-deg", "60..90"], 2, "has no value at 90"),
        (&["--flakes", "9", "--area-mm2", "10..90"], 2, "does not read it"),
        (&["--flakes", "9", "--percussor", "cheese"], 2, "\"cheese\" is not known"),
        (&["--flakes", "9", "--percussor", "antler,antler"], 2, "stands twice"),
        (&["--flakes", "9", "--difference", "1.3"], 2, "two percussors"),
        (&["--flakes", "9", "--percussor", "quartzite,antler", "--difference", "1"], 2, "not 1"),
        (&["--flakes", "9", "--spread", "-1"], 2, "--spread: -1 is out of range"),
        (&["--flakes", "9", "--form", "cube-root"], 2, "say --spread"),
        (&["--flakes", "9", "--flakes-per-core", "3"], 2, "--between-cores"),
        (&["--flakes", "9", "--at", "depth_mm=8"], 2, "exterior_platform_angle_deg: not recorded"),
        (&["--flakes", "9", "--at", "nonsense"], 2, "--at nonsense"),
        (&["--flakes", "9", "--level", "2"], 2, "level"),
        (&["--flakes", "9", "--existing", "no-such.csv"], 1, "no-such.csv"),
        (&["--flakes", "9", "--sheet", "no/such/folder.csv"], 1, "no/such/folder.csv"),
    ] {
        let (found, _, err) = run(args);
        assert_eq!(found, code, "{args:?}: {err}");
        assert!(err.contains(message), "{args:?}: {err}");
    }
    let v = json(&["--flakes", "9", "--form", "cube-root", "--spread", "0.3"]);
    assert_eq!(v["terms"].as_array().unwrap().len(), 4);
}

#[test]
fn a_level_next_to_one_has_numbers() {
    let (code, text, err) = run(&["--flakes", "9", "--level", "0.9999999999999999"]);
    assert_eq!(code, 0, "{err}");
    assert!(!text.contains("NaN") && !text.contains("inf") && text.contains("over 1e308"), "{text}");
    assert!(text.lines().all(|l| l.chars().count() < 80), "{text}");
}
