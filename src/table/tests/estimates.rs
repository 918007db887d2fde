//! Tables estimated in blocks against the same tables read, estimated and written row by row: the same bytes and
//! the same summary, for any size of block and any number of threads.

use super::Cell;
use crate::calibration::{Calibration, SIZES, bundled};
use crate::flake::Termination;
use crate::predict::MeasurementErrors;
use crate::predict::{Ask, Quantiles};
use crate::strike::Measured;
use crate::table::estimates::{Predictors, answer, joined};
use crate::table::{Completed, Summary, TableEstimates, TableOptions, TableReader, TableWriter};
use crate::{Error, Result};
use proptest::prelude::*;

/// Settings for all rows of a table.
#[derive(Clone, Default)]
struct Given(Vec<(&'static str, f64)>, Vec<(&'static str, &'static str)>);

impl Measured for Given {
    fn number(&self, name: &str) -> Option<f64> {
        self.0.iter().find(|(n, _)| *n == name).map(|(_, v)| *v)
    }
    fn class(&self, name: &str) -> Option<&str> {
        self.1.iter().find(|(n, _)| *n == name).map(|(_, v)| *v)
    }
}

struct Case<'a> {
    calibration: Calibration,
    by_row: bool,
    given: Given,
    ask: Ask,
    sizes: &'a [&'a str],
}

impl Case<'_> {
    fn new(name: &str) -> Case<'static> {
        let calibration = bundled::named(name).unwrap();
        Case { calibration, by_row: false, given: Given::default(), ask: Ask::default(), sizes: &SIZES }
    }

    fn estimates(&self) -> Result<TableEstimates<'_>> {
        let e = TableEstimates::new(self.calibration.clone(), 0.9)?.given(&self.given).ask(self.ask.clone());
        let e = if self.by_row { e.by_row() } else { e };
        if self.sizes.len() < 4 { e.only(self.sizes) } else { Ok(e) }
    }

    /// Row by row.
    fn simple(&self, text: &[u8]) -> Result<(String, Summary)> {
        let estimates = self.estimates()?;
        let mut table = TableReader::new(text, &TableOptions::new())?;
        let predictors = Predictors::new(self.calibration.clone(), self.by_row)?;
        let predictors = if self.sizes.len() < 4 {
            predictors.only(&self.sizes.iter().map(|s| s.to_string()).collect::<Vec<_>>())?
        } else {
            predictors
        };
        let names = estimates.columns();
        let mut out = TableWriter::new(Vec::new(), table.header(), &names)?;
        let (mut row, mut summary) = (table.row(), Summary::default());
        while table.read(&mut row)? {
            // nothing is remembered from row to row
            let mut quantiles = Quantiles::default();
            let both = Completed { row: &row, given: &self.given };
            let predictor = predictors.of(&both)?;
            match answer(predictor, &row, &both, &self.ask, &MeasurementErrors::new()) {
                Ok(mut e) => {
                    estimates.against_measured(&row, &mut e, &mut summary, &mut quantiles)?;
                    let numbers = estimates.numbers(&e, &mut quantiles)?;
                    let mut cells: Vec<Cell> =
                        numbers.iter().map(|n| n.map_or(Cell::Blank, Cell::Rounded)).collect();
                    let text = joined(&e.cautions, estimates.left_out(table.header()));
                    cells.extend([Cell::Text(&e.calibration), Cell::Text(&text), Cell::Text(&e.form)]);
                    out.write(&row, &cells)?;
                    summary.answered(&row, &e);
                }
                Err(reasons) => {
                    let text = reasons.iter().map(Error::to_string).collect::<Vec<_>>().join("; ");
                    let text = format!("refused: {text}");
                    let mut cells = vec![Cell::Blank; names.len() - 3];
                    cells.extend([
                        Cell::Text(predictor.calibration().name()),
                        Cell::Text(&text),
                        Cell::Blank,
                    ]);
                    out.write(&row, &cells)?;
                    summary.refused(&row, &reasons);
                }
            }
        }
        Ok((String::from_utf8(out.finish()?).unwrap(), summary))
    }

    fn in_blocks(&self, text: &[u8], bytes: usize) -> Result<(String, Summary)> {
        let table = TableReader::new(text, &TableOptions::new())?;
        let (out, summary) = self.estimates()?.block_bytes(bytes).write(table, Vec::new(), |_| {})?;
        Ok((String::from_utf8(out).unwrap(), summary))
    }

    fn check(&self, text: &str, bytes: usize) {
        self.check_each(text, &[bytes]);
    }

    /// Row by row once, and in blocks of each of these sizes.
    fn check_each(&self, text: &str, sizes: &[usize]) {
        let simple = self.simple(text.as_bytes());
        sizes.iter().for_each(|bytes| self.check_against(&simple, text, *bytes));
    }

    fn check_against(&self, simple: &Result<(String, Summary)>, text: &str, bytes: usize) {
        let fast = self.in_blocks(text.as_bytes(), bytes);
        match (simple, &fast) {
            (Ok((a, s)), Ok((b, t))) => {
                for (a, b) in a.lines().zip(b.lines()) {
                    assert_eq!(a, b, "of {text:?} in blocks of {bytes}");
                }
                assert_eq!((a.len(), s), (b.len(), t), "of {text:?} in blocks of {bytes}");
            }
            (Err(a), Err(b)) => assert_eq!(a, b, "of {text:?} in blocks of {bytes}"),
            (a, b) => panic!("{a:?} row by row, {b:?} in blocks of {bytes}: {text:?}"),
        }
    }
}

/// The n-th of a fixed sequence spread over 0 to 1.
fn spread_out(n: usize, k: u32) -> f64 {
    (n as f64 * 0.618_033_988_749_894_9 + f64::from(k) * 0.414_213_562_373_095).fract()
}

fn a_table(rows: usize, separator: char, line_end: &str) -> String {
    let mut text =
        format!("flake{0}platform_depth_mm{0}exterior_platform_angle_deg{0}mass_g{1}", separator, line_end);
    for n in 0..rows {
        let (depth, angle) = (1.0 + 14.0 * spread_out(n, 0), 50.0 + 38.0 * spread_out(n, 1));
        let (depth, angle) = (format!("{depth:.2}"), format!("{angle:.1}"));
        let depth = if separator == ';' { depth.replace('.', ",") } else { depth };
        text.push_str(&format!("F{n}{separator}{depth}{separator}{angle}{separator}{}{line_end}", n % 40));
    }
    text
}

#[test]
fn a_plain_table_is_the_same_in_blocks_of_any_size() {
    for name in bundled::NAMES {
        let case = Case::new(name);
        let rows = if name == "controlled-glass" { 12 } else { 700 };
        for (separator, line_end) in [(',', "\n"), (';', "\r\n"), ('\t', "\r")] {
            let text = a_table(rows, separator, line_end);
            for text in [&text, text.trim_end()] {
                case.check_each(text, &[1, 1000, 1 << 20]);
            }
        }
    }
}

#[test]
fn one_size_known_terminations_and_settings_given_for_all_rows() {
    let text = a_table(300, ',', "\n");
    let mut case = Case::new("hard-hammer-flint");
    case.sizes = &["mass_g"];
    case.check(&text, 4000);
    case.sizes = &["width_mm", "thickness_mm"];
    case.ask.termination = Some(Termination::Hinge);
    case.check(&text, 4000);
    let mut case = Case::new("controlled-glass");
    let text = a_table(60, ',', "\n");
    case.ask.termination = Some(Termination::Feather);
    case.given = Given(
        vec![("angle_of_blow_deg", 10.0), ("platform_width_mm", 20.0)],
        vec![("percussor", "steel"), ("blow_lands_on", "platform"), ("stone", "soda-lime-glass")],
    );
    case.check(&text, 700);
    case.by_row = true;
    case.check(&text, 700);
}

#[test]
fn every_percussor_and_stone_is_a_kind_of_its_own() {
    let stones = ["flint", "", "Quartzite", "glass", "obsidian", "NA", "chalk"];
    let percussors = ["antler", "", "quartzite hammerstone", "quartzite", "steel", "?", "bone"];
    let ends = ["feather", "", "hinge", "plunging", "crushed edge"];
    let mut text =
        "platform_depth_mm,exterior_platform_angle_deg,stone,percussor,termination,angle_of_blow_deg\n"
            .to_string();
    for n in 0..400 {
        let depth = if n % 17 == 3 { String::new() } else { format!("{:.1}", 2.0 + 11.0 * spread_out(n, 2)) };
        text.push_str(&format!(
            "{depth},{:.1},{},{},{},{}\n",
            55.0 + 34.0 * spread_out(n, 3),
            stones[n % 7],
            percussors[(n / 7) % 7],
            ends[(n / 3) % 5],
            if n % 2 == 0 { "10" } else { "" },
        ));
    }
    let mut case = Case::new("hard-hammer-flint");
    case.by_row = true;
    case.check_each(&text, &[300, 1 << 20]);
}

/// What is said of every row is the same for every row; what differs is told by its rows, and stands in their cells.
#[test]
fn what_differs_from_row_to_row_is_said_of_no_row_but_its_own() {
    let header = "stone,percussor,platform_depth_mm,exterior_platform_angle_deg\n";
    let mut case = Case::new("hard-hammer-flint");
    (case.by_row, case.sizes) = (true, &["mass_g"]);
    case.calibration = case.calibration.at_sites().unwrap();
    let stones = ["flint,quartzite", "quartzite,quartzite", "soda-lime-glass,steel", "flint,quartzite"];
    let text: String =
        [header.to_string()].into_iter().chain(stones.map(|s| format!("{s},8,75\n"))).collect();
    case.check_each(&text, &[1, 30, 1 << 20]);
    let (out, summary) = case.in_blocks(text.as_bytes(), 1 << 20).unwrap();
    let told = summary.to_string();
    assert!(!told.contains("every row, moved-to-sites"), "{told}");
    let times = |times: &str| format!("taken {times} times as large");
    let platform = "that of such platforms".to_string();
    for (row, says) in [(1, times("0.76")), (2, platform), (3, times("1.2")), (4, times("0.76"))] {
        assert!(out.lines().nth(row).unwrap().contains(&says), "{row}: {out}");
        // what is the same as in the line before is left out there
        assert!(told.contains(says.trim_start_matches("taken ")), "{told}");
    }
    assert!(
        told.contains("moved-to-sites on 2 rows: not flakes of the experiment: mass is taken 0.76"),
        "{told}"
    );
    assert!(told.contains("(rows 1, 4)") && told.contains("differ by a factor of"), "{told}");

    let percussors = ["antler", "wood", "copper", "antler"];
    let rows = percussors.map(|p| format!("flint,{p},8,75\n"));
    let (_, summary) = case.in_blocks(format!("{header}{}", rows.concat()).as_bytes(), 20).unwrap();
    let told = summary.to_string();
    assert!(told.contains("every row, moved-to-sites") && !told.contains("every row, percussor"), "{told}");
    assert!(told.contains("percussor-ratio on 2 rows: nobody struck these flakes with antler"), "{told}");
    assert!(told.contains("1 row: ... wood (") && told.contains("1 row: ... copper ("), "{told}");
    // more texts than are told are counted, and each row keeps its own
    let many: String = (0..100).map(|n| format!("flint,billet {n},8,75\n")).collect();
    let (out, summary) = case.in_blocks(format!("{header}{many}").as_bytes(), 200).unwrap();
    let told = summary.to_string();
    assert!(told.contains("percussor-not-known on 97 rows: 62 other"), "{told}");
    assert!((0..100).all(|n| out.lines().nth(n + 1).unwrap().contains(&format!("billet {n}"))), "{out}");
    case.check_each(&format!("{header}{many}"), &[200, 1 << 20]);
}

/// A word of the table that is no known name is answered, and told as such with the name it is near, as is a stone.
#[test]
fn names_that_are_not_known_are_told_with_what_would_do() {
    let mut case = Case::new("hard-hammer-flint");
    (case.by_row, case.sizes) = (true, &["mass_g"]);
    let table = |percussor: &str, stone: &str| {
        let row = format!("{percussor},{stone},8,75");
        let text = format!("percussor,stone,platform_depth_mm,exterior_platform_angle_deg\n{row}\n");
        let (out, summary) = case.in_blocks(text.as_bytes(), 1 << 20).unwrap();
        assert_eq!(summary.refused_rows(), 0, "{out}");
        case.check(&text, 10);
        out.replace("\"\"", "'")
    };
    for (word, said) in [
        ("antlr", "the percussor 'antlr' is not known; did you mean 'antler'? The answer is for hammerstone"),
        ("Red Deer", "did you mean 'red-deer-antler'?"),
        (
            "Leather mallet",
            "--word percussor:OURS='leather mallet' makes it OURS: antler, wood, hammerstone or another",
        ),
        ("pressure flaker", "the percussor 'pressure flaker' is not known; the answer is for hammerstone"),
    ] {
        let out = table(word, "flint");
        assert!(out.contains(said) && !out.contains("was not used"), "{out}");
    }
    // what field sheets call it
    let numbers = |word: &str| {
        table(word, "flint")
            .lines()
            .nth(1)
            .unwrap()
            .split_once(",8,75,")
            .unwrap()
            .1
            .split(",0.")
            .next()
            .unwrap()
            .to_string()
    };
    assert_eq!(numbers("Soft hammer"), numbers("antler"));
    assert_eq!(numbers("hard hammer"), numbers("hammerstone"));
    let out = table("quartzite", "quarzite");
    assert!(
        out.contains("the stone 'quarzite' is not known; did you mean 'quartzite'? The answer is for flint"),
        "{out}"
    );
    assert!(table("", "cheese").contains("the stone 'cheese' is not known; the answer is for any stone"));
    for known in [table("antler", "flint"), table("quartzite", "obsidian"), table("", "glass")] {
        assert!(!known.contains("is not known"), "{known}");
    }
}

/// One calibration that answers all rows is spoken of once; without the summary, in each row.
#[test]
fn what_one_calibration_says_of_all_rows_is_said_once() {
    let plain = "platform_depth_mm,exterior_platform_angle_deg\n8,75\n";
    let mut case = Case::new("excavated-flakes");
    case.by_row = true;
    let (out, summary) = case.in_blocks(plain.as_bytes(), 100).unwrap();
    let says = "not recorded in the experiment: the interval may be too narrow for a new one";
    assert!(
        !out.contains(says) && summary.to_string().contains(&format!("core and knapper {says}")),
        "{summary}"
    );
    assert!(summary.to_string().contains("every row, not-in-experiment"), "{summary}");
    let whole = case.estimates().unwrap().every_caution(true);
    let table = TableReader::new(plain.as_bytes(), &TableOptions::new()).unwrap();
    let out = String::from_utf8(whole.write(table, Vec::new(), |_| {}).unwrap().0).unwrap();
    assert!(out.contains(says) && out.contains("no probability of their own"), "{out}");
    // a stone may call for another calibration further down
    let (out, _) = case
        .in_blocks(plain.replace("deg\n", "deg,stone\n").replace("75\n", "75,\n").as_bytes(), 100)
        .unwrap();
    assert!(out.contains(says), "{out}");
}

#[test]
fn more_kinds_of_rows_than_are_remembered() {
    let mut text = "platform_depth_mm,exterior_platform_angle_deg,stone\n".to_string();
    for n in 0..1500 {
        text.push_str(&format!("{:.2},75,stone {}\n", 3.0 + 9.0 * spread_out(n, 5), n % 1300));
    }
    Case::new("hard-hammer-quartzite").check(&text, 1 << 20);
    // the first that is too many cannot be told by its kind, and the next is like the last before it
    let mut text = "platform_depth_mm,exterior_platform_angle_deg,stone,portion\n".to_string();
    (0..512).for_each(|n| text.push_str(&format!("5,75,stone {n},\n")));
    text.push_str("5,75,stone 512,brokn\n5,75,stone 511,\n");
    Case::new("hard-hammer-quartzite").check(&text, 1 << 20);
}

#[test]
fn the_leverage_of_strange_rows_is_told() {
    let mut text = a_table(40, ',', "\n");
    text.push_str("far,400,20,1\nfurther,0.001,179,1\nnear,0.01,85,1\nwrong,-1,60,1\nout,1e300,60,2\n");
    for name in bundled::NAMES {
        Case::new(name).check(&text, 500);
    }
    // the doubts of a strange row that comes first are its own
    let (header, rows) =
        a_table(40, ',', "\n").split_once('\n').map(|(h, r)| (h.to_string(), r.to_string())).unwrap();
    for strange in ["far,58,59,1", "near,0.2,35,1"] {
        for name in bundled::NAMES {
            Case::new(name).check(&format!("{header}\n{strange}\n{rows}"), 500);
        }
    }
}

#[test]
fn a_row_in_no_encoding_costs_itself_only() {
    let mut text = a_table(20, ',', "\n").into_bytes();
    text.extend(b"X,\xff\xfe,75,1\nY,8,75,1\n");
    let case = Case::new("hard-hammer-flint");
    for bytes in [10, 1 << 20] {
        let (out, summary) = case.in_blocks(&text, bytes).unwrap();
        assert_eq!(out, case.simple(&text).unwrap().0);
        assert_eq!(summary.refused_rows(), 1);
        assert!(
            out.contains("refused: row 21, column platform_depth_mm: \"\"\u{ff}\u{fe}\"\" is not"),
            "{out}"
        );
    }
}

#[test]
fn rows_longer_than_allowed_end_the_table() {
    let mut text = a_table(20, ',', "\n");
    text.push_str(&format!("{},8,75,1\nZ,8,75,1\n", "x".repeat(5000)));
    let case = Case::new("hard-hammer-flint");
    let options = TableOptions::new().longest_record(2000);
    for bytes in [10, 1 << 20] {
        let table = TableReader::new(text.as_bytes(), &options).unwrap();
        let error =
            case.estimates().unwrap().block_bytes(bytes).write(table, Vec::new(), |_| {}).err().unwrap();
        assert!(error.to_string().contains("row 21: the row is longer than 2000 bytes"), "{error}");
    }
}

#[cfg(feature = "parallel")]
#[test]
fn any_number_of_threads_gives_the_same_bytes() {
    let text = a_table(3000, ',', "\n");
    let case = Case::new("hard-hammer-flint");
    let one = case.in_blocks(text.as_bytes(), 700).unwrap();
    for threads in [1, 2, 3, 8] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        assert_eq!(pool.install(|| case.in_blocks(text.as_bytes(), 700)).unwrap(), one, "{threads} threads");
    }
}

fn messy_cell() -> impl Strategy<Value = String> {
    prop_oneof![
        6 => (1u32..1500).prop_map(|v| format!("{}.{}", v / 100, v % 100)),
        4 => (20u32..92).prop_map(|v| v.to_string()),
        3 => prop::sample::select(vec![
            "", " ", "NA", "-", "7,3", "\"7,3\"", "\"8\"", " 6.5 ", "1e1", "+5", "\u{2212}5", "0", "95", "200", "wide",
            "7.3 mm", "\"a \"\"quoted\"\" word\"", "\"two\nlines\"", "5\" flake", "nan", "inf", "\u{a0}7\u{a0}",
        ])
        .prop_map(String::from),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn messy_tables_are_the_same_row_by_row_and_in_blocks(
        rows in prop::collection::vec(prop::collection::vec(messy_cell(), 2..6), 0..25),
        separator in prop::sample::select(vec![",", ";", "\t"]),
        line_end in prop::sample::select(vec!["\n", "\r\n", "\r", "\n\n", "\n \n"]),
        last in prop::sample::select(vec!["", "\n", "\"left open\n3"]),
        bytes in 1usize..400,
        which in 0usize..2,
        wide in 0usize..8,
    ) {
        let names = ["platform_depth_mm", "exterior_platform_angle_deg", "flake", "termination"];
        let mut text = names.join(separator);
        for row in &rows {
            text.push_str(line_end);
            // most rows have as many cells as the header
            let cells = if row.len() > 3 || wide > 1 { names.len() } else { row.len() };
            let cells: Vec<&str> = (0..cells).map(|i| row.get(i).map_or("", String::as_str)).collect();
            text.push_str(&cells.join(separator));
            if wide == 0 && row.len() == 5 {
                text.push_str(separator);
                text.push_str(&row[4]);
            }
        }
        text.push_str(line_end);
        text.push_str(last);
        Case::new(["hard-hammer-flint", "hard-hammer-quartzite"][which]).check(&text, bytes);
    }
}

#[test]
fn what_is_written_of_our_own_is_no_formula() {
    let mut writer = TableWriter::sheet(Vec::new(), b',', &["name", "value"]).unwrap();
    for (text, value) in [("=1+1", -3.5), ("@sum", 2.0), ("+x;y", 1e-9), ("-7.5", 0.0), ("thin, =x", 4.0)] {
        writer.write_cells(&[Cell::Text(text), Cell::Number(value)]).unwrap();
    }
    let text = String::from_utf8(writer.finish().unwrap()).unwrap();
    assert_eq!(text, "name,value\n'=1+1,-3.5\n'@sum,2\n'+x;y,0.000000001\n-7.5,0\n\"thin, =x\",4\n");
}

/// A column that a bundled calibration reads is read wherever that one answers, whatever else answers other rows.
#[test]
fn what_bundled_calibrations_read_is_known() {
    let reader = |text: String, options: &TableOptions| {
        let text: &'static [u8] = text.leak().as_bytes();
        TableReader::new(text, options).unwrap()
    };
    for name in bundled::NAMES {
        let calibration = bundled::named(name).unwrap();
        let layout = calibration.layout();
        let read = layout.numbers.iter().chain(layout.classes.iter().map(|c| &c.name));
        let read: Vec<&str> = read.map(String::as_str).filter(|n| *n != "percussor_class").collect();
        let table = reader(format!("flake,{}\na\n", read.join(",")), &TableOptions::new());
        for column in read {
            assert!(table.header().has(column), "{name} reads {column}");
        }
    }
    let text = "depth_mm,angle_deg,percussor,stone,core_shape\n5,75,steel,soda-lime-glass,centerridge\n\
                8,75,,flint,\n5,75,steel,soda-lime-glass,semispherical\n";
    let flint = bundled::named("hard-hammer-flint").unwrap();
    let estimates = TableEstimates::new(flint, 0.95).unwrap().by_row().of_the_experiment();
    let (out, _) = estimates.write(reader(text.into(), &TableOptions::new()), Vec::new(), |_| {}).unwrap();
    let mut written =
        reader(String::from_utf8(out).unwrap(), &TableOptions::new().number("expected_length_mm_median"));
    let (mut row, mut found) = (written.row(), Vec::new());
    while written.read(&mut row).unwrap() {
        found.push(row.number("expected_length_mm_median").unwrap());
    }
    let glass = crate::predict::Predictor::new(bundled::named("controlled-glass").unwrap()).unwrap();
    for (shape, median) in [("centerridge", found[0]), ("semispherical", found[2])] {
        let given = Given(
            vec![("platform_depth_mm", 5.0), ("exterior_platform_angle_deg", 75.0)],
            vec![("percussor", "steel"), ("core_shape", shape)],
        );
        let told = glass.estimate(&given, &Ask::default()).unwrap();
        assert!((told.size("length_mm").unwrap().median() / median - 1.0).abs() < 1e-4, "{shape}: {median}");
    }
    assert!(found[0] > 1.2 * found[2]);
    // one that is asked for as of the other kind is of that kind
    let asked = TableOptions::new().class("dorsal_scars").number("core_shape");
    let mut table = reader("dorsal_scars,core_shape\nmany,2\n".into(), &asked);
    let mut row = table.row();
    assert!(table.read(&mut row).unwrap());
    assert_eq!((row.class("dorsal_scars"), row.number("core_shape")), (Some("many"), Some(2.0)));
    // what only a calibration of one's own reads is asked for
    let line = "depth_mm,edge_wear\n8,none\n";
    assert!(!reader(line.into(), &TableOptions::new()).header().has("edge_wear"));
}
