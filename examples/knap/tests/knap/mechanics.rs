//! `knap blow`, `knap contrast` and the detachment of `knap estimate`, run as a user runs them.

use crate::knap;
use predicates::prelude::*;
use serde_json::Value;

fn run(arguments: &str) -> assert_cmd::assert::Assert {
    knap().args(arguments.split_whitespace()).assert()
}

fn json(arguments: &str) -> Value {
    let out = run(&format!("{arguments} --format json")).success();
    serde_json::from_slice(&out.get_output().stdout).unwrap()
}

fn text(arguments: &str) -> String {
    let out = run(arguments).success();
    let text = String::from_utf8(out.get_output().stdout.clone()).unwrap();
    for line in text.lines() {
        assert!(line.chars().count() < 80, "too long to read: {line}");
    }
    text
}

fn triple(v: &Value, what: &str) -> (f64, f64, f64) {
    let part = |k: &str| v[k].as_f64().unwrap_or_else(|| panic!("{what}.{k} in {v}"));
    (part("value"), part("low"), part("high"))
}

const STEEL_BALL: &str = "blow --stone soda-lime-glass --percussor steel --percussor-mass-g 45 \
    --tip-radius-mm 11.1 --speed-m-s 4.95 --depth-mm 8 --angle-deg 75";

#[test]
fn blow_keeps_its_contract() {
    let answer = json(STEEL_BALL);
    assert_eq!(
        (answer["stone"].as_str(), answer["percussor"].as_str()),
        (Some("soda-lime-glass"), Some("steel"))
    );
    for key in [
        "peak_force_n",
        "contact_time_s",
        "contact_radius_mm",
        "peak_pressure_pa",
        "edge_tensile_stress_pa",
        "required_force_n",
        "square_edge_force_n",
        "margin",
        "detachment_probability",
        "least_speed_m_s",
        "least_energy_j",
    ] {
        let (value, low, high) = triple(&answer[key], key);
        assert!(low <= value && value <= high && low < high && low > 0.0, "{key}: {low} {value} {high}");
    }
    let kinds: Vec<&str> =
        answer["cautions"].as_array().unwrap().iter().map(|c| c["kind"].as_str().unwrap()).collect();
    assert_eq!(kinds, ["no-failed-blows", "core-fixed"]);
    // stdout is one object on one line
    let out = run(&format!("{STEEL_BALL} --format json")).success();
    assert_eq!(out.get_output().stdout.iter().filter(|b| **b == b'\n').count(), 1);
}

#[test]
fn blow_with_exact_materials_is_the_worked_impact() {
    // case 1 of the worked impacts: a steel ball on glass with a free core of 2 kg
    let answer = json(&format!(
        "{STEEL_BALL} --core-mass-g 2000 --stone-modulus-gpa 72 --stone-poisson 0.23 \
         --stone-toughness-mpa-sqrt-m 0.75 --percussor-modulus-gpa 210 --percussor-poisson 0.30"
    ));
    for (key, wanted) in [
        ("peak_force_n", 10958.49122442),
        ("contact_time_s", 7.313824140998e-5),
        ("contact_radius_mm", 1.168478999098),
        ("peak_pressure_pa", 3.832219072424e9),
        ("edge_tensile_stress_pa", 6.897994330363e8),
        ("square_edge_force_n", 4990.90372578),
    ] {
        let (value, low, high) = triple(&answer[key], key);
        assert!((value / wanted - 1.0).abs() < 1e-11, "{key}: {value}");
        assert!(key == "square_edge_force_n" || (low == value && high == value), "{key}: {low} {high}");
    }
    let less = json(&format!("{STEEL_BALL} --restitution 0.6"));
    let full = json(STEEL_BALL);
    let force = |v: &Value| triple(&v["peak_force_n"], "force").0;
    assert!(force(&less) < force(&full));
}

#[test]
fn blow_reads_aloud() {
    let answer = text(STEEL_BALL);
    assert!(answer.starts_with("A blow of steel (45 g, tip radius 11.1 mm, 4.95 m/s) on soda-lime-glass"));
    assert!(answer.contains("This blow would take a flake off"));
    assert!(answer.contains("model-based"));
    let weak = text(&STEEL_BALL.replace("4.95", "0.3"));
    assert!(weak.contains("This blow would not take a flake off: probability below 0.01"), "{weak}");
    let range = text(&STEEL_BALL.replace("--speed-m-s 4.95", "--speed-m-s 2..3"));
    assert!(range.contains("2 to 3 m/s"));
}

#[test]
fn bad_options_are_named_with_their_range() {
    for (change, wanted) in [
        (("11.1", "0"), "tip_radius_mm: 0 is out of range (accepted: at least 0.05"),
        (
            ("4.95", "299792458"),
            "speed_m_s: 299792458 is out of range (accepted: at least 0.01, at most 100 m/s)",
        ),
        (("--percussor-mass-g 45", "--percussor-mass-g -45"), "percussor_mass_g: -45 is out of range"),
        (("--angle-deg 75", "--angle-deg 200"), "exterior_platform_angle_deg: 200 is out of range"),
        (
            ("--angle-deg 75", "--angle-deg 75 --stone-poisson 0.6"),
            "--stone-poisson: poisson_ratio: 0.6 is out of",
        ),
        (
            ("--angle-deg 75", "--angle-deg 75 --stone-toughness-mpa-sqrt-m -1"),
            "--stone-toughness-mpa-sqrt-m: toughness_pa_sqrt_m: -1000000 is out of range (accepted: at least 10000",
        ),
        (
            ("--angle-deg 75", "--angle-deg 75 --percussor-poisson 0.6"),
            "--percussor-poisson: poisson_ratio: 0.6",
        ),
        (("--angle-deg 75", "--angle-deg 75 --restitution 2"), "restitution: 2 is out of range"),
        (("--angle-deg 75", "--angle-deg 75 --core-mass-g 0"), "core_mass_g: 0 is out of range"),
        (("soda-lime-glass", "cheese"), "\"cheese\" is not known"),
        (("steel", "stel"), "did you mean \"steel\"?"),
        (("4.95", "5..3"), "a range runs from a number above 0 to one not below it"),
        (("4.95", "fast"), "\"fast\" is not a number"),
        (("4.95", "NaN"), "\"NaN\" is not a finite number"),
        (("--depth-mm 8", ""), "--depth-mm"),
        (("--angle-deg 75", "--angle-deg 75 --format csv"), "[possible values: text, json]"),
    ] {
        let arguments = STEEL_BALL.replace(change.0, change.1);
        run(&arguments).code(2).stderr(predicate::str::contains(wanted)).stdout("");
    }
}

const TWO: &str = "contrast --percussor quartzite --percussor antler --depth-mm 8 --angle-deg 75 \
    --percussor-mass-g 400 --percussor-mass-g 300 --tip-radius-mm 8 --tip-radius-mm 15 --speed-m-s 3";

#[test]
fn contrast_lays_two_side_by_side() {
    let answer = json(TWO);
    assert_eq!(answer["calibration"]["name"], "hard-hammer-flint");
    assert_eq!(answer["stone"], "flint");
    let each = answer["percussors"].as_array().unwrap();
    assert_eq!(each.len(), 2);
    for p in each {
        for key in ["peak_force_n", "required_force_n", "least_speed_m_s", "detachment_probability"] {
            let (value, low, high) = triple(&p[key], key);
            assert!(low <= value && value <= high);
        }
        for size in ["length_mm", "width_mm", "thickness_mm", "mass_g"] {
            assert!(p[size]["low"].as_f64() < p[size]["median"].as_f64());
        }
        let ratio = p["cautions"].to_string().contains("percussor-ratio");
        assert_eq!(ratio, p["percussor"] == "red-deer-antler");
        // the sizes are those of asking for it alone, to the last digit
        let name = p["percussor"].as_str().unwrap();
        let alone = json(&format!("estimate --stone flint --depth-mm 8 --angle-deg 75 --percussor {name}"));
        assert_eq!(p["mass_g"]["median"], alone["mass_g"]["median"]);
        assert_eq!(p["length_mm"]["low"], alone["length_mm"]["low"]);
    }
    let d = &answer["differences"][0];
    assert_eq!((d["first"].as_str(), d["second"].as_str()), (Some("quartzite"), Some("red-deer-antler")));
    assert_eq!(d["told_apart"], true);
    for size in ["length_mm", "width_mm", "thickness_mm", "mass_g"] {
        let (value, low, high) = triple(&d[size]["expected"], size);
        let (_, least, most) = triple(&d[size]["new_flakes"], size);
        assert!(least < low && low < value && value < high && high < most, "{size}");
        let supported = d[size]["supported"].as_f64().unwrap();
        assert!((0.5..=1.0).contains(&supported));
        assert_eq!(d[size]["scale"], "ratio");
    }
    // the same platform asks the same of both
    assert_eq!(each[0]["required_force_n"], each[1]["required_force_n"]);
}

#[test]
fn contrast_reads_aloud() {
    let answer = text(TWO).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(answer.find("as ratios") < answer.find("Peak force, N"));
    for part in [
        "Peak force, N",
        "Probability that a flake detaches",
        "quartzite over red-deer-antler, as ratios",
        "standard errors apart",
        "the ratio of bone over steel on glass",
        "model-based",
    ] {
        assert!(answer.contains(part), "{part} in\n{answer}");
    }
    // three, without the mechanics, under a calibration that cannot tell
    let three = text(
        "contrast --percussor quartzite --percussor antler --percussor steel --depth-mm 8 --angle-deg 75 \
         --calibration excavated-flakes",
    );
    assert!(three.contains("does not tell quartzite from"), "{three}");
    assert!(three.contains("Force and detachment were left out"));
}

#[test]
fn contrast_refuses_what_does_not_fit() {
    for (arguments, wanted) in [
        ("contrast --percussor antler --depth-mm 8 --angle-deg 75".to_string(), "name two or more"),
        (format!("{TWO} --percussor bone"), "2 values for 3 percussors"),
        (TWO.replace("--speed-m-s 3", ""), "needs mass, tip radius and speed together"),
        (TWO.replace("--depth-mm 8", "--depth-mm 0"), "platform_depth_mm: 0 is out of range"),
        (format!("{TWO} --level 2"), "level: 2 is out of range"),
    ] {
        run(&arguments).code(2).stderr(predicate::str::contains(wanted)).stdout("");
    }
}

const ESTIMATE: &str = "estimate --depth-mm 8 --angle-deg 75 --percussor antler";

#[test]
fn estimate_says_first_whether_it_detaches() {
    let blow = "--percussor-mass-g 300 --tip-radius-mm 15 --speed-m-s 6";
    let answer = text(&format!("{ESTIMATE} {blow}"));
    assert!(answer.starts_with("This blow would take a flake off"), "{answer}");
    assert!(answer.contains("The stone was taken as flint."));
    let weak = text(&format!("{ESTIMATE} {}", blow.replace('6', "0.5")));
    assert!(weak.starts_with("This blow would not take a flake off"), "{weak}");
    assert!(weak.contains("came off a harder blow"));

    let answer = json(&format!("{ESTIMATE} {blow} --stone flint"));
    let d = &answer["detachment"];
    for key in ["probability", "margin", "delivered_force_n", "required_force_n"] {
        let (value, low, high) = triple(&d[key], key);
        assert!(low <= value && value <= high);
    }
    // the sizes do not depend on it
    let without = json(&format!("{ESTIMATE} --stone flint"));
    assert_eq!(answer["mass_g"], without["mass_g"]);
    assert!(without.get("detachment").is_none());
    // and it is that of the verb of its own
    let own = json(&format!("blow --stone flint --percussor antler {blow} --depth-mm 8 --angle-deg 75"));
    assert_eq!(own["detachment_probability"], d["probability"]);

    run(&format!("{ESTIMATE} --percussor-mass-g 300"))
        .code(2)
        .stderr(predicate::str::contains("tip_radius_mm: not recorded"));
    run(&format!("{} {blow}", ESTIMATE.replace("--percussor antler", "")))
        .code(2)
        .stderr(predicate::str::contains("percussor: not recorded"));
}

#[test]
fn a_table_gains_one_column() {
    let folder = tempfile::tempdir().unwrap();
    let table = folder.path().join("blows.csv");
    std::fs::write(
        &table,
        "platform_depth_mm,exterior_platform_angle_deg,percussor,percussor_mass_g,tip_radius_mm,speed_m_s\n\
         8,75,quartzite,400,8,4\n\
         8,75,antler,300,15,0.5\n\
         8,75,antler,300,,6\n\
         0,75,antler,300,15,6\n",
    )
    .unwrap();
    let path = table.to_str().unwrap();
    let out = run(&format!("estimate --table {path}")).code(3);
    let text = String::from_utf8(out.get_output().stdout.clone()).unwrap();
    let lines: Vec<Vec<&str>> = text.lines().map(|l| l.split(',').collect()).collect();
    let at = lines[0].iter().position(|c| *c == "detachment_probability").unwrap();
    let p = |row: usize| lines[row][at].parse::<f64>().ok();
    assert!(p(1).unwrap() > 0.9 && p(2).unwrap() < 0.1, "{text}");
    assert_eq!((p(3), p(4)), (None, None));
    let cells = |line: usize| crate::table::conchoid_columns(text.lines().nth(line).unwrap());
    assert_eq!(cells(1), cells(0));

    // what a row lacks comes from the command line, with its range
    let out = run(&format!("estimate --table {path} --tip-radius-mm 10..20")).code(3);
    let text = String::from_utf8(out.get_output().stdout.clone()).unwrap();
    let row: Vec<&str> = text.lines().nth(3).unwrap().split(',').collect();
    assert!(row[at].parse::<f64>().unwrap() > 0.9, "{text}");

    // without these columns the table gains none
    let bare = folder.path().join("bare.csv");
    std::fs::write(&bare, "platform_depth_mm,exterior_platform_angle_deg\n8,75\n").unwrap();
    run(&format!("estimate --table {}", bare.to_str().unwrap()))
        .success()
        .stdout(predicate::str::contains("detachment").not());
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    for arguments in [STEEL_BALL, TWO] {
        let once = || run(&format!("{arguments} --format json")).success().get_output().stdout.clone();
        assert_eq!(once(), once());
    }
}

#[test]
fn help_warns() {
    for verb in ["blow", "contrast"] {
        run(&format!("{verb} --help"))
            .success()
            .stdout(predicate::str::contains("eye protection").and(predicate::str::contains("Example:")));
    }
}

#[test]
fn what_is_not_given_of_a_blow_is_taken_as_usual_and_said() {
    let run = |more: &[&str]| {
        let mut c = knap();
        c.args(["blow", "--stone", "flint", "--percussor", "antler", "--depth-mm", "8", "--angle-deg", "75"]);
        let out = c.args(more).output().unwrap();
        assert_eq!(out.status.code(), Some(0));
        let text = String::from_utf8(out.stdout).unwrap();
        text.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let told = run(&["--percussor-mass-g", "300"]);
    assert!(
        told.contains("usual with antler, bone or wood: tip radius 10 to 25 mm, speed 3 to 8 m/s"),
        "{told}"
    );
    assert!(told.contains("common practice, no source") && told.contains("antler (300 g"), "{told}");
    let all = ["--percussor-mass-g", "300", "--tip-radius-mm", "15", "--speed-m-s", "5"];
    assert!(!run(&all).contains("taken as is usual"));
}

/// A stone and a technique that no experiment covers, and a percussor that none used: one caution each, the gravest first,
/// and no more than six.
#[test]
fn cautions_are_few_and_the_gravest_first() {
    let out = knap()
        .args(["estimate", "--stone", "rhyolite", "--percussor", "wood", "--technique", "indirect"])
        .args(["--depth-mm", "40", "--angle-deg", "20", "--portion", "proximal", "--bevelled"])
        .output()
        .unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    let mind = text.split("Mind:").nth(1).unwrap();
    let told: Vec<&str> = mind.split("\n - ").skip(1).collect();
    assert_eq!(told.len(), 6, "{mind}");
    assert!(
        told[0].starts_with("platform depth 40 mm") && told[0].contains("exterior platform angle 20"),
        "{mind}"
    );
    let count = |words: &str| told.iter().filter(|t| t.contains(words)).count();
    assert_eq!((count("wood"), count("indirect technique"), count("rhyolite")), (1, 1, 1), "{mind}");
    assert!(told[5].contains("further cautions, each in --format json"), "{mind}");
}
