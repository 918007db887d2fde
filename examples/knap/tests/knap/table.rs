//! Tables on the command line: one size, awkward rows that stay whole, results that appear only when complete.

use crate::knap;
use serde_json::Value;

const TABLE: &str = "flake,platform_depth_mm,exterior_platform_angle_deg\nA1,8,75\nA2,6.25,80\n";

fn on_table(text: &str, args: &[&str]) -> (i32, String, String) {
    let out = knap().args(["estimate", "--table", "-"]).args(args).write_stdin(text).output().unwrap();
    let [out_text, err] = [out.stdout, out.stderr].map(|b| String::from_utf8(b).unwrap());
    (out.status.code().unwrap(), out_text, err)
}

#[test]
fn one_size_is_the_same_numbers_with_fewer_columns() {
    let (code, all, err) = on_table(TABLE, &[]);
    assert_eq!(code, 0, "{err}");
    let (_, one, _) = on_table(TABLE, &["--size", "mass_g"]);
    let (_, two, _) = on_table(TABLE, &["--size", "mass_g", "--size", "length_mm"]);
    let column = |text: &str, name: &str| -> Vec<String> {
        let at = text
            .lines()
            .next()
            .unwrap()
            .split(',')
            .position(|h| h == name)
            .unwrap_or_else(|| panic!("{name}"));
        text.lines().skip(1).map(|l| l.split(',').nth(at).unwrap().to_string()).collect()
    };
    for name in ["expected_mass_g_low", "expected_mass_g_median", "expected_mass_g_high", "p_feather", "form"]
    {
        assert_eq!(column(&all, name), column(&one, name), "{name}");
        assert_eq!(column(&all, name), column(&two, name), "{name}");
    }
    assert!(!one.contains("length_mm") && two.contains("expected_length_mm_low"));
    // what decides which flakes were kept is read, and not told
    let kept = ["--kept-above-mm", "25"];
    let (_, all_kept, _) = on_table(TABLE, &kept);
    let (code, one_kept, err) = on_table(TABLE, &[&kept[..], &["--size", "mass_g"]].concat());
    assert_eq!(code, 0, "{err}");
    assert!(!one_kept.contains("length_mm"));
    let name = "expected_mass_g_low";
    assert_eq!(column(&all_kept, name), column(&one_kept, name));
    assert_ne!(column(&all, name), column(&one_kept, name));
    for number in column(&all, "expected_mass_g_high") {
        assert!(number.chars().filter(char::is_ascii_digit).count() <= 6, "{number}");
    }
    let single = ["estimate", "--depth-mm", "8", "--angle-deg", "75", "--size", "mass_g", "--format"];
    let json = knap().args(single).arg("json").output().unwrap().stdout;
    let json: Value = serde_json::from_slice(&json).unwrap();
    assert!(json.get("length_mm").is_none());
    let low: f64 = column(&all, "expected_mass_g_low")[0].parse().unwrap();
    assert!((json["mass_g"]["low"].as_f64().unwrap() / low - 1.0).abs() < 5e-6, "{json}");
    let csv = String::from_utf8(knap().args(single).arg("csv").output().unwrap().stdout).unwrap();
    assert_eq!(column(&csv, "expected_mass_g_low"), [column(&all, "expected_mass_g_low")[0].clone()]);
}

#[test]
fn a_size_that_is_not_there_is_refused_with_those_that_are() {
    let (code, _, err) = on_table(TABLE, &["--size", "mas_g"]);
    assert_eq!(code, 2, "{err}");
    assert!(err.contains("mass_g") && err.contains("length_mm"), "{err}");
}

#[test]
fn cells_beyond_the_header_line_are_told_and_the_table_stays_rectangular() {
    let (code, out, err) = on_table(&format!("{TABLE}A3,8,75,\"a note, kept\",x\n"), &["--size", "mass_g"]);
    assert_eq!(code, 3, "{err}");
    let last = out.lines().last().unwrap();
    assert!(last.starts_with("A3,8,75,,,,"), "{last}");
    assert!(last.contains("refused: row 3: 5 cells, but the header line has 3"), "{last}");
    assert!(last.contains("beyond them: \"\"a note, kept\"\", \"\"x\"\""), "{last}");
    let columns = |line: &str| conchoid_columns(line);
    assert!(out.lines().all(|l| columns(l) == columns(out.lines().next().unwrap())), "{out}");
}

#[test]
fn the_summary_counts_rows_far_apart_in_a_long_table() {
    let mut table = "platform_depth_mm,exterior_platform_angle_deg\n".to_string();
    for n in 0..30_000 {
        table.push_str(match n {
            4_000 => "wide,75\n",
            20_000 => "300,75\n",
            29_999 => "7,3,75\n",
            _ => "8.25,75.5\n",
        });
    }
    let (code, out, err) = on_table(&table, &[]);
    assert_eq!((code, out.lines().count()), (3, 30_001), "{err}");
    assert!(
        err.contains("30000 rows: 29997 answered without one beyond what holds for every row, 1 with"),
        "{err}"
    );
    assert!(err.contains("such as \"wide\" (row 4001)"), "{err}");
    assert!(err.contains("refused, 1 row: 3 cells, but the header line has 2"), "{err}");
    assert!(err.contains("30000)"), "{err}");
    // the row 300 mm deep: the commonest cautions with their row, the others by name
    assert!(err.contains("caution beyond-recorded on 1 row: such as the mass expected here ("), "{err}");
    assert!(err.contains("(row 20001)"), "{err}");
    assert!(err.contains("fewer rows have the cautions outside-range"), "{err}");
}

#[test]
fn a_table_is_not_answered_as_json() {
    for verb in ["estimate", "original"] {
        let out =
            knap().args([verb, "--table", "-", "--format", "json"]).write_stdin(TABLE).output().unwrap();
        let err = String::from_utf8(out.stderr).unwrap();
        assert_eq!(out.status.code(), Some(2), "{verb}: {err}");
        assert!(out.stdout.is_empty(), "{verb}");
        assert!(err.contains("a table is answered as a table") && err.contains("--out"), "{verb}: {err}");
    }
    assert_eq!(on_table(TABLE, &["--format", "csv"]).0, 0);
}

/// How many cells a line has, by a reader that is not ours.
pub fn conchoid_columns(line: &str) -> usize {
    let mut in_quotes = false;
    1 + line
        .chars()
        .filter(|c| {
            in_quotes ^= *c == '"';
            !in_quotes && *c == ','
        })
        .count()
}

/// What a verb says of one of the field school's tables: code, table, summary.
fn on_school(args: &[&str]) -> (i32, String, String) {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../data");
    let out = knap().current_dir(folder).args(args).output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (out.status.code().unwrap(), text(out.stdout), text(out.stderr))
}

/// The options that a first run suggests, ready to be given to a second.
fn suggested(err: &str) -> Vec<String> {
    let line = err.lines().find(|l| l.trim_start().starts_with("--column")).expect("a line of options");
    line.split_whitespace().map(|w| w.trim_matches('\'').to_string()).collect()
}

#[test]
fn a_table_with_notes_in_an_old_encoding_takes_two_commands() {
    let first = ["estimate", "--table", "chalk-pit-notes.csv"];
    let (code, out, err) = on_school(&first);
    assert_eq!(code, 3, "{err}");
    assert!(
        err.contains("are not UTF-8 and were read as Windows-1252") || err.contains("Windows-1252"),
        "{err}"
    );
    assert!(err.contains("no row is answered"), "{err}");
    assert!(out.contains("caf\u{e9} table") && out.contains("d\u{e9}j\u{e0} recoll\u{e9}"), "both encodings");
    let more = suggested(&err);
    for pair in ["PlatformThickness=platform_depth_mm", "ExteriorPlatformAngle=exterior_platform_angle_deg"] {
        assert!(more.iter().any(|w| w == pair), "{more:?}");
    }
    let second: Vec<&str> = first.iter().copied().chain(more.iter().map(String::as_str)).collect();
    let (code, out, err) = on_school(&second);
    assert_eq!((code, out.lines().count()), (0, 241), "{err}");
    assert!(err.contains("240 rows: "), "{err}");
    assert!(err.lines().count() <= 25, "{err}");
}

#[test]
fn a_table_with_a_nameless_column_and_failed_formulas_takes_one_command() {
    let args = ["estimate", "--table", "spoil-heap.csv", "--column", "EPA=exterior_platform_angle_deg"];
    let (code, out, err) = on_school(&args);
    assert_eq!((code, out.lines().count()), (3, 161), "{err}");
    assert!(err.contains("the first column is taken as one without a name"), "{err}");
    assert!(err.contains("where a formula failed, taken as not recorded"), "{err}");
    assert!(err.contains("6 rows: no platform depth"), "{err}");
    assert!(out.lines().nth(1).unwrap().starts_with("1,0."), "{out}");
    assert!(err.lines().count() <= 25, "{err}");
}

#[test]
fn a_table_of_all_sorts_of_pieces_takes_two_commands() {
    let first = ["estimate", "--table", "trench-two.csv", "--where", "Class=flake"];
    let (_, _, err) = on_school(&first);
    let mut args: Vec<String> = first.iter().map(|w| w.to_string()).collect();
    args.extend(suggested(&err));
    let words = ["complete=Whole", "proximal=Prox", "distal=Dist", "medial=Med"];
    args.extend(words.iter().flat_map(|w| ["--word".to_string(), w.to_string()]));
    args.extend(["--missing", "0"].map(String::from));
    let args: Vec<&str> = args.iter().map(String::as_str).collect();
    let (code, out, err) = on_school(&args);
    assert_eq!(code, 3, "{err}");
    let told = err.lines().find(|l| l.contains("chosen")).expect("how many were chosen");
    let chosen: usize = told.trim().split(' ').next().unwrap().replace(',', "").parse().unwrap();
    assert_eq!(out.lines().count() - 1, chosen, "{err}");
    assert!(out.lines().skip(1).all(|l| l.contains(",flake,")), "only what was chosen");
    assert!(err.contains("rows: portion: distal"), "by reason: {err}");
    assert!(err.lines().count() <= 25, "{err}");
}

/// Ten thousand invented rows of all sorts: flakes whole and broken, tools, cores, shatter, slips of many kinds.
fn mixed() -> String {
    let mut text =
        "find,class,portion,percussor,stone,platform_depth_mm,platform_width_mm,exterior_platform_angle_deg,\
                    length_mm,thickness_mm,mass_g,mass_now_g,retouched,termination\n"
            .to_string();
    for i in 0..10_000_u32 {
        let uneven = |k: u32| f64::from((i * k) % 97) / 97.0 - 0.5;
        let class = ["flake", "flake", "tool", "core", "shatter"][(i % 5) as usize];
        let platform = class == "flake" || class == "tool";
        let depth = match i {
            _ if !platform => String::new(),
            _ if i % 31 == 0 => format!("{}x", i % 7),
            _ if i % 37 == 0 => "0".to_string(),
            _ => format!("{:.1}", 6.0 * (1.2 * uneven(5)).exp()),
        };
        let angle = match i {
            _ if !platform || i % 6 == 1 => String::new(),
            _ if i % 41 == 0 => format!("{}", 200 + i % 90),
            _ => format!("{:.0}", 75.0 + 25.0 * uneven(7)),
        };
        let portion = ["complete", "proximal", "distal", "unclear"][(i % 29 / 8) as usize];
        let (percussor, stone) =
            (["", "antler", "quartzite"][(i % 3) as usize], ["flint", "obsidian"][(i % 2) as usize]);
        let (length, thickness, mass) =
            (30.0 * uneven(3).exp(), 7.0 * uneven(11).exp(), 12.0 * (2.0 * uneven(13)).exp());
        // or most rows would equal an earlier one, which is told
        let mass = mass + 0.01 * f64::from(i % 1009);
        let (retouched, ended) = (
            if class == "tool" { "yes" } else { "no" },
            ["feather", "hinge", "step", "odd"][(i % 4) as usize],
        );
        text.push_str(&format!(
            "F{i},{class},{portion},{percussor},{stone},{depth},{:.1},{angle},{length:.1},{thickness:.1},{mass:.2},{:.2},{retouched},{ended}\n",
            15.0 * uneven(17).exp(),
            0.8 * mass
        ));
    }
    text
}

#[test]
fn ten_thousand_mixed_rows_are_summarised_in_twenty_five_lines() {
    let (text, folder) = (mixed(), tempfile::TempDir::new().unwrap());
    let path = folder.path().join("pit.csv");
    std::fs::write(&path, &text).unwrap();
    let path = path.to_str().unwrap();
    let told = |args: &[&str], with_answer: bool| {
        let out = knap().args(args).output().unwrap();
        let [answer, told] = [out.stdout, out.stderr].map(|b| String::from_utf8(b).unwrap());
        assert!(matches!(out.status.code(), Some(0 | 3)), "{args:?}: {told}");
        let all = if with_answer { format!("{told}{answer}") } else { told };
        assert!(all.lines().count() <= 25, "{args:?}: {} lines\n{all}", all.lines().count());
        assert!(all.lines().all(|l| l.chars().count() <= 110), "{args:?}: {all}");
        all
    };
    let out = |name: &str| folder.path().join(name).to_str().unwrap().to_string();
    let estimated = told(&["estimate", "--table", path, "--out", &out("e.csv")], true);
    // every row is there, the reasons by their numbers
    assert!(estimated.contains("10000 rows: "), "{estimated}");
    assert!(estimated.contains(" rows: no exterior platform angle (rows "), "{estimated}");
    assert_eq!(std::fs::read_to_string(out("e.csv")).unwrap().lines().count(), 10_001);
    told(&["original", "--table", path, "--where", "class=tool", "--out", &out("o.csv")], true);
    let fitted = told(
        &["fit", "--table", path, "--where", "class=flake", "--name", "pit", "--out", &out("c.json")],
        true,
    );
    assert!(fitted.contains("platform depth, platform width, exterior platform angle"), "{fitted}");
    told(&["percussor", "--table", path, "--where", "class=flake", "--out", &out("p.csv")], false);
    // and pictures of so many rows stay small
    told(&["estimate", "--table", path, "--out", &out("e.csv"), "--plot", &out("e.svg")], true);
    assert!(std::fs::metadata(out("e.svg")).unwrap().len() <= 300_000);
}

#[test]
fn what_leaves_nothing_says_in_one_line_what_to_change() {
    let table = "find,class,portion,platform_depth_mm,exterior_platform_angle_deg\n\
                 A,flake,Blank,8,75\nB,core,Blank,7,70\n";
    for (args, told) in [
        (
            &["--where", "class=flake", "--where", "class=core"][..],
            "class=flake and class=core leave no row together",
        ),
        (&["--where", "class=blade"], "class=blade leaves no row; in the table class is: core, flake"),
        (&["--where", "class<3"], "class<3 leaves no row; in the table class is: core, flake"),
        (
            &["--word", "complete=Blank", "--word", "distal=Blank"],
            "word Blank: given twice, as complete and as distal",
        ),
        (
            &["--ignore", "platform_depth_mm", "--word", "complete=Blank"],
            "--ignore leaves alone: platform_depth_mm; take back",
        ),
        (&["--word", "distal=Blank"], "no row is answered"),
    ] {
        let (code, _, err) = on_table(table, args);
        assert_ne!(code, 0, "{args:?}: {err}");
        let lines: Vec<&str> = err.lines().filter(|l| l.contains(told)).collect();
        assert!(!lines.is_empty(), "{args:?}: {err}");
        assert!(err.lines().count() <= 6, "{args:?}: {err}");
    }
}

#[test]
fn options_take_columns_by_the_names_of_the_table() {
    let mapped =
        ["--table", "chalk-pit-notes.csv", "--column", "Hammer=percussor", "--column", "Weight=mass_g"];
    let platforms = [
        "--column",
        "PlatformThickness=platform_depth_mm",
        "--column",
        "ExteriorPlatformAngle=exterior_platform_angle_deg",
    ];
    let said = |verb: &[&str]| {
        let (code, out, err) = on_school(&[verb, &mapped, &platforms].concat());
        assert_eq!(code, 0, "{verb:?}: {err}");
        out
    };
    let compared = ["--compare", "antler,quartzite", "--seed", "1", "--draws", "100"];
    let pair = |group: &str, size: &str| {
        said(&[&["assemblage", "--group", group, "--size", size], &compared[..]].concat())
    };
    assert!(pair("Hammer", "Weight").starts_with("mass: 104 of antler against 136 of quartzite."));
    assert_eq!(pair("Hammer", "Weight"), pair("percussor", "mass_g"));
    // another spelling of one of ours
    assert_eq!(pair("Percussor", "Mass_g"), pair("percussor", "mass_g"));
    let folder = tempfile::TempDir::new().unwrap();
    let fitted = |by: &str, response: &str, name: &str| {
        let out = folder.path().join(name);
        let to = ["fit", "--by", by, "--response", response, "--form", "log-log", "--name", "x", "--out"];
        said(&[&to[..], &[out.to_str().unwrap()]].concat());
        let fitted: Value = serde_json::from_slice(&std::fs::read(out).unwrap()).unwrap();
        fitted["variants"].clone()
    };
    assert_eq!(fitted("Hammer", "Weight", "a.json"), fitted("percussor", "mass_g", "b.json"));
    let assessed = |class: &str, response: &str| {
        said(&["assess", "--response", response, "--class", class, "--folds", "4", "--repeats", "1"])
    };
    let all = assessed("Hammer", "Weight");
    assert_eq!(all, assessed("percussor", "mass_g"));
    // and all forms where none are named
    assert!(["log-log", "tangent-power", "cube-root"].iter().all(|form| all.contains(form)), "{all}");
}

#[test]
fn an_assemblage_tells_a_bad_cell_as_it_was_written() {
    let text = "layer,platform_depth_cm,exterior_platform_angle_deg\nI,500,70\nI,0.5,70\nII,0.6,x\n";
    let args = ["assemblage", "--table", "-", "--seed", "1", "--draws", "100"];
    let out = knap().args(args).write_stdin(text).output().unwrap();
    let err = String::from_utf8(out.stderr).unwrap();
    assert_eq!(out.status.code(), Some(3), "{err}");
    let deep =
        "1 row: platform_depth_cm is out of range (at least 0.05, at most 1000 mm), such as \"500\" (row 1)";
    let angle = "1 row: exterior_platform_angle_deg is not a number, such as \"x\" (row 3)";
    let one_line = err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(one_line.contains(deep) && one_line.contains(angle), "{err}");
}

#[test]
fn a_set_that_is_too_small_is_named() {
    let text = "hammer,mass_g\nantler,5\nantler,6\nquartzite,6\n";
    let args =
        ["assemblage", "--table", "-", "--group", "hammer", "--compare", "antler,quartzite", "--seed", "1"];
    let out = knap().args(args).write_stdin(text).output().unwrap();
    let err = String::from_utf8(out.stderr).unwrap();
    assert_eq!(err, "knap: 2 flakes in antler, but at least 5 are needed\n");
}
