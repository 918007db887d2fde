//! The command line as a process: the pictures of `estimate`, `original` and `assemblage`, and the errors of
//! measurement of `estimate`.

use crate::{SCHOOL, knap};
use conchoid::calibration::bundled;
use conchoid::predict::MeasurementErrors;
use conchoid::predict::{Ask, Predictor};
use conchoid::strike::Strike;
use serde_json::Value;
use std::fs;
use tempfile::TempDir;

const BLOW: [&str; 5] = ["estimate", "--depth-mm", "8", "--angle-deg", "75"];

fn run(args: &[&str], input: &str) -> (i32, String, String) {
    let out = knap().args(args).write_stdin(input).output().unwrap();
    (
        out.status.code().unwrap(),
        String::from_utf8(out.stdout).unwrap(),
        String::from_utf8(out.stderr).unwrap(),
    )
}

/// Draws, and gives back the picture and its words, each text element on a line.
fn drawn(args: &[&str], input: &str) -> (String, Vec<String>) {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("picture.svg");
    let (code, _, err) = run(&[args, &["--plot", path.to_str().unwrap()]].concat(), input);
    assert!(code == 0 || code == 3, "{args:?}: {err}");
    let svg = fs::read_to_string(&path).unwrap_or_else(|e| panic!("{args:?}: {e}"));
    assert!(svg.starts_with("<svg") && svg.trim_end().ends_with("</svg>"));
    assert!(!svg.contains("NaN") && !svg.contains("inf"), "{args:?}");
    let words = svg
        .split("<text ")
        .skip(1)
        .filter_map(|t| Some(t.split_once('>')?.1.split_once("</text>")?.0.trim().to_string()))
        .collect();
    (svg, words)
}

fn has(words: &[String], part: &str) {
    assert!(words.iter().any(|w| w.contains(part)), "{part}: {words:?}");
}

#[test]
fn one_blow_is_drawn_with_its_numbers_and_units() {
    let (_, words) = drawn(&[&BLOW[..], &["--percussor", "quartzite"]].concat(), "");
    for part in
        ["platform depth, mm", "length, mm", "mass, g", "this blow: ", "exterior platform angle 75 degrees"]
    {
        has(&words, part);
    }
    // past the longest flake of the experiment the picture says so
    let glass = ["--calibration", "controlled-glass", "--percussor", "steel"];
    let (_, words) = drawn(&[&["estimate", "--depth-mm", "8", "--angle-deg", "95"], &glass[..]].concat(), "");
    has(&words, "largest recorded: 121");
    // a platform deeper than any: where the experiment ends
    let (_, words) =
        drawn(&["estimate", "--depth-mm", "40", "--angle-deg", "75", "--percussor", "quartzite"], "");
    has(&words, "the experiment ends");
}

#[test]
fn a_table_is_drawn_against_what_was_expected() {
    let (svg, words) = drawn(&["estimate", "--table", SCHOOL], "");
    has(&words, "24 rows");
    has(&words, "observed mass, g");
    has(&words, "of 24 inside");
    // the calibration means another thickness than the table has
    has(&words, "mean thickness expected (not in the table)");
    // a disc for each flake of the three sizes that the table has
    assert!(svg.matches("<circle").count() >= 60, "{}", svg.matches("<circle").count());
    // a table without sizes shows what is expected
    let bare = "platform_depth_mm,exterior_platform_angle_deg\n5,70\n8,75\n,80\n";
    let (_, words) = drawn(&["estimate", "--table", "-"], bare);
    has(&words, "2 rows");
    has(&words, "mass expected (not in the table)");
    // and a table that answers nothing is no reason to fall over
    drawn(&["estimate", "--table", "-"], "platform_depth_mm,exterior_platform_angle_deg\n,80\n");
}

#[test]
fn broken_pieces_do_not_count_as_observed() {
    let text =
        "platform_depth_mm,exterior_platform_angle_deg,mass_g,portion\n8,75,20,complete\n8,75,9,proximal\n";
    let (_, words) = drawn(&["estimate", "--table", "-"], text);
    has(&words, "mass: 1 of 1 inside");
}

#[test]
fn originals_are_drawn() {
    let piece = ["original", "--mass-now-g", "14.2", "--depth-mm", "9", "--angle-deg", "72"];
    for more in [&[][..], &["--loss", "2,5"], &["--mass-missing-g", "5"]] {
        let (_, words) = drawn(&[&piece[..], more].concat(), "");
        for part in ["original mass, g", "share of the mass lost, %", "remains now (dashed): 14.2 g"] {
            has(&words, part);
        }
    }
    let text = "platform_depth_mm,exterior_platform_angle_deg,mass_now_g\n8,75,9\n3,60,400\n5,70,2\n";
    let (_, words) = drawn(&["original", "--table", "-"], text);
    has(&words, "3 pieces");
    has(&words, "more remains than expected: check");
    drawn(&["original", "--table", "-"], "platform_depth_mm,exterior_platform_angle_deg,mass_now_g\n8,75,\n");
}

#[test]
fn groups_and_comparisons_are_drawn() {
    let (_, words) = drawn(&["assemblage", "--table", SCHOOL, "--group", "percussor", "--seed", "1"], "");
    for part in ["2 groups", "total original mass, g", "mean original length, mm", "antler: ", "quartzite: "]
    {
        has(&words, part);
    }
    let compare = ["--group", "percussor", "--compare", "antler,quartzite", "--seed", "1", "--draws", "199"];
    let (_, words) = drawn(&[&["assemblage", "--table", SCHOOL], &compare[..]].concat(), "");
    for part in ["mass, g", "share of flakes that are smaller, %", "ratio, first over second", "antler (12)"]
    {
        has(&words, part);
    }
    // many groups, one of them without any platform
    let mut text = String::from("pit,platform_depth_mm,exterior_platform_angle_deg,mass_now_g,portion\n");
    for i in 0..45 {
        text.push_str(&format!("pit {i},{},75,3,complete\n", 3 + i % 9));
    }
    text.push_str("shatter,,,3,distal\n");
    let args = ["assemblage", "--table", "-", "--group", "pit", "--seed", "1", "--draws", "200"];
    let (_, words) = drawn(&args, &text);
    has(&words, "46 groups");
    has(&words, "the first 40 drawn");
}

#[test]
fn a_picture_that_cannot_be_written_is_an_error() {
    let (code, _, err) = run(&[&BLOW[..], &["--plot", "no/such/folder/blow.svg"]].concat(), "");
    assert_eq!(code, 1);
    assert!(err.contains("no/such/folder/blow.svg"), "{err}");
}

#[test]
fn errors_of_measurement_widen_as_in_the_library() {
    let exact: Value =
        serde_json::from_str(&run(&[&BLOW[..], &["--format", "json"]].concat(), "").1).unwrap();
    let with = ["--depth-error-mm", "0.5", "--angle-error-deg", "3", "--format", "json"];
    let wide: Value = serde_json::from_str(&run(&[&BLOW[..], &with].concat(), "").1).unwrap();
    let predictor = Predictor::new(bundled::named("excavated-flakes").unwrap()).unwrap();
    let strike = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build().unwrap();
    let errors = MeasurementErrors::new()
        .absolute("platform_depth_mm", 0.5)
        .and_then(|e| e.absolute("exterior_platform_angle_deg", 3.0))
        .unwrap();
    let estimate = predictor.estimate_with_error(&strike, &Ask::default(), &errors).unwrap();
    let expected = estimate.size("mass_g").unwrap().interval(0.95).unwrap();
    assert_eq!(wide["mass_g"]["low"].as_f64().unwrap(), expected.low);
    assert_eq!(wide["mass_g"]["high"].as_f64().unwrap(), expected.high);
    assert!(wide["mass_g"]["low"].as_f64() < exact["mass_g"]["low"].as_f64());
    assert!(wide["mass_g"]["high"].as_f64() > exact["mass_g"]["high"].as_f64());
    assert_eq!(wide["measurement_errors"]["platform_depth_mm"], 0.5);
    assert_eq!(wide["measurement_errors"]["exterior_platform_angle_deg"], 3.0);
    assert!(exact.get("measurement_errors").is_none());
    // no error is no change, and in words the errors are told
    let none = run(&[&BLOW[..], &["--depth-error-mm", "0", "--format", "json"]].concat(), "");
    assert_eq!(serde_json::from_str::<Value>(&none.1).unwrap(), exact);
    let (_, text, _) = run(&[&BLOW[..], &["--depth-error-mm", "0.5"]].concat(), "");
    assert!(text.contains("errors of measurement (one standard deviation)"), "{text}");
    let (code, _, err) = run(&[&BLOW[..], &["--depth-error-mm", "-1"]].concat(), "");
    assert_eq!(code, 2);
    assert!(err.contains("platform_depth_mm"), "{err}");
}

#[test]
fn errors_of_measurement_hold_for_every_row_of_a_table() {
    let table = "platform_depth_mm,exterior_platform_angle_deg\n8,75\n3,65\n";
    let high = |more: &[&str]| -> Vec<f64> {
        let (code, out, err) = run(&[&["estimate", "--table", "-"], more].concat(), table);
        assert_eq!(code, 0, "{err}");
        let mut lines = out.lines();
        let at = lines.next().unwrap().split(',').position(|c| c == "expected_mass_g_high").unwrap();
        lines.map(|l| l.split(',').nth(at).unwrap().parse().unwrap()).collect()
    };
    let (exact, wide) = (high(&[]), high(&["--depth-error-mm", "1"]));
    assert!(exact.len() == 2 && exact.iter().zip(&wide).all(|(e, w)| w > e), "{exact:?} {wide:?}");
    // a millimetre matters more on the smaller platform
    assert!(wide[1] / exact[1] > wide[0] / exact[0]);
}

#[test]
fn a_field_mesh_says_what_it_holds_and_what_was_struck() {
    let text = "flake,platform_depth_mm,exterior_platform_angle_deg,portion\n\
                a,1.2,65,complete\nb,3,70,complete\nc,8,75,split\nc,8,75,split\n";
    let json = |more: &[&str]| -> Value {
        let args = ["assemblage", "--table", "-", "--seed", "1", "--draws", "200", "--format", "json"];
        let (code, out, err) = run(&[&args[..], more].concat(), text);
        assert_eq!(code, 0, "{err}");
        serde_json::from_str::<Value>(&out).unwrap()["groups"]["all"].clone()
    };
    let v = json(&["--mesh-in", "0.5"]);
    // two halves are one flake
    assert_eq!((v["n"].as_u64(), v["struck"]["found"].as_u64()), (Some(3), Some(3)));
    assert_eq!(v["mesh_mm"], 12.7);
    let share = v["share_held"].as_f64().unwrap();
    assert!(share > 0.2 && share < 0.98, "{v}");
    let number = |k: &str| v["struck"][k].as_f64().unwrap();
    assert!(
        3.0 <= number("low") && number("low") < number("estimate") && number("estimate") < number("high")
    );
    let grades = v["size_grades"].as_array().unwrap();
    assert_eq!(grades.len(), 6);
    let total: f64 = grades.iter().map(|g| g["share"].as_f64().unwrap()).sum();
    assert!((total - 1.0).abs() < 1e-12);
    // what the mesh asked for holds lies on it and on the larger common one
    let on = |k: usize| grades[k]["share"].as_f64().unwrap();
    assert!((on(0) + on(1) - share).abs() < 1e-12);
    assert_eq!(json(&["--mesh-mm", "12.7"])["share_held"], v["share_held"]);
    // a mesh that holds next to nothing has no number of flakes struck to give
    assert!(json(&["--mesh-mm", "300"])["struck"].is_null());
    let (code, ..) =
        run(&["assemblage", "--table", "-", "--seed", "1", "--mesh-mm", "5", "--mesh-in", "1"], text);
    assert_eq!(code, 2);
}

#[test]
fn percussors_are_drawn_side_by_side() {
    let pair = [
        "contrast",
        "--percussor",
        "quartzite",
        "--percussor",
        "antler",
        "--depth-mm",
        "8",
        "--angle-deg",
        "75",
    ];
    let (_, words) = drawn(&pair, "");
    for part in [
        "length, mm",
        "mass, g",
        "quartzite: ",
        "red-deer-antler: ",
        "quartzite over red-deer-antler, as expected",
    ] {
        has(&words, part);
    }
}

#[test]
fn frames_and_bars_have_lines() {
    let (svg, _) = drawn(&["assess", "--table", SCHOOL, "--forms", "log-log,cube-root", "--folds", "6"], "");
    // six panels, each with its frame, a closed line
    let frames = svg.matches("stroke=\"#000000\" stroke-width=\"100\"").count();
    assert!(frames >= 6 + 10, "{frames}");
    assert!(!svg.contains("fill=\"none\" stroke=\"#000000\"/>"), "an outline without a width");
}

/// So many invented flakes of sixty layers, six sites and two percussors.
fn many(rows: u32) -> String {
    let mut text =
        "layer,site,hammer,platform_depth_mm,exterior_platform_angle_deg,length_mm,mass_g,mass_now_g\n"
            .to_string();
    for i in 0..rows {
        let uneven = |k: u32| f64::from((i * k) % 1499) / 1499.0 - 0.5;
        let (depth, angle) = (7.0 * (1.4 * uneven(5)).exp(), 72.0 + 24.0 * uneven(7));
        let length = 9.0 * depth.powf(0.6) * (0.6 * uneven(3)).exp();
        let mass = 0.7 * depth.powf(1.5) * (1.2 * uneven(11)).exp();
        text.push_str(&format!(
            "L{},S{},{},{depth:.2},{angle:.1},{length:.1},{mass:.2},{:.2}\n",
            i % 60,
            i % 6,
            ["antler", "quartzite"][(i % 2) as usize],
            0.7 * mass
        ));
    }
    text
}

#[test]
fn pictures_of_many_rows_are_small_whatever_the_verb() {
    let text = many(1500);
    let quick = ["--seed", "1", "--draws", "100"];
    let pair = ["--group", "hammer", "--compare", "antler,quartzite"];
    let sites = ["--forms", "log-log,cube-root", "--by", "site"];
    for (verb, more, told) in [
        ("estimate", &[][..], "1500 rows"),
        ("original", &["--loss", "none"], "1500 pieces"),
        ("assemblage", &[&quick[..], &["--group", "layer"]].concat(), "60 groups"),
        ("assemblage", &[&quick[..], &pair].concat(), "antler (750)"),
        ("assess", &sites, "1500 flakes of 1500 rows"),
    ] {
        let (svg, words) = drawn(&[&[verb, "--table", "-"], more].concat(), &text);
        has(&words, told);
        assert!(svg.len() <= 300_000, "{verb} {more:?}: {}", svg.len());
        // squares instead of a disc for each row
        assert!(svg.matches("<circle").count() < 700, "{verb} {more:?}");
    }
}

#[test]
fn a_guide_stops_where_words_stand() {
    let (svg, words) = drawn(&["plan", "--flakes", "24", "--percussor", "quartzite"], "");
    has(&words, "the mean of such flakes");
    // hundredths of a point: the legend stands in the upper fifth of the frame, the guide under it
    let upright = svg.split("<polyline ").skip(1).filter(|l| l.contains("stroke=\"#6E6E6E\""));
    let highest = upright
        .flat_map(|l| l.split_once("points=\"").unwrap().1.split('"').next().unwrap().split_whitespace())
        .map(|at| at.split_once(',').unwrap().1.parse::<u32>().unwrap())
        .min()
        .unwrap();
    let legend = svg.split("<text ").find(|t| t.contains("the mean of such flakes")).unwrap();
    let y: u32 = legend.split_once(" y=\"").unwrap().1.split('"').next().unwrap().parse().unwrap();
    assert!(highest > y, "{highest} {y}");
}
