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
fn cells_beyond_the_header_line_are_kept_at_the_end_of_their_row() {
    let (code, out, err) = on_table(&format!("{TABLE}A3,8,75,\"a note, kept\",x\n"), &["--size", "mass_g"]);
    assert_eq!(code, 3, "{err}");
    let last = out.lines().last().unwrap();
    assert!(last.starts_with("A3,8,75,,,,"), "{last}");
    assert!(last.contains("refused: row 3: 5 cells, but the header line has 3"), "{last}");
    assert!(last.ends_with(",\"a note, kept\",x"), "{last}");
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
    assert!(err.contains("30000 rows: 29998 answered without a remark, 0 with a remark, 2 refused"), "{err}");
    assert!(err.contains("row 4001, column platform_depth_mm: \"wide\""), "{err}");
    assert!(err.contains("row 30000: 3 cells, but the header line has 2"), "{err}");
    assert!(err.contains("caution on 1 row, outside-range: platform depth 300 mm"), "{err}");
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
