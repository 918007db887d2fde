//! Tables of pieces answered in blocks against the same tables answered row by row: the same bytes and the same summary.

use crate::calibration::{Calibration, bundled};
use crate::infer::LookBack;
use crate::table::{TableEstimates, TableOptions, TableOriginals, TableReader};
use proptest::prelude::*;
use std::sync::LazyLock;

const COLUMNS: &str = "flake,stone,percussor,platform_depth_mm,exterior_platform_angle_deg,mass_now_g,mass_missing_g,length_now_mm,\
                       max_thickness_now_mm,retouched,portion,retouch_height_1_mm,thickness_at_1_mm";

/// The bundled calibrations, read once.
static CALIBRATIONS: LazyLock<Vec<Calibration>> =
    LazyLock::new(|| bundled::NAMES.iter().map(|name| bundled::named(name).unwrap()).collect());

fn check(text: &str, calibration: usize, by_row: bool) -> Result<(), TestCaseError> {
    let write = |row_by_row: bool| {
        let how = TableEstimates::new(CALIBRATIONS[calibration].clone(), 0.9).unwrap();
        let how = if by_row { how.by_row() } else { how };
        let look = LookBack::new().unwrap().loss(None);
        let mut originals = TableOriginals::of(how).unwrap().looking(look);
        if row_by_row {
            originals = originals.seen();
        }
        let table = TableReader::new(text.as_bytes(), &TableOptions::new()).unwrap();
        let (out, summary) = originals.write(table, Vec::new(), |_| {}, |_, _| Ok(())).unwrap();
        (String::from_utf8(out).unwrap(), summary)
    };
    let ((rows, told), (blocks, also_told)) = (write(true), write(false));
    for (a, b) in rows.lines().zip(blocks.lines()) {
        prop_assert_eq!(a, b, "of {}", text);
    }
    prop_assert_eq!((rows.len(), told), (blocks.len(), also_told), "of {}", text);
    Ok(())
}

/// A cell of these, or blank.
fn one_of(cells: &'static [&'static str]) -> impl Strategy<Value = String> {
    prop_oneof![1 => Just(String::new()), 4 => prop::sample::select(cells).prop_map(String::from)]
}

/// A row: mostly of pieces that a platform answers for, some far from any.
fn row() -> impl Strategy<Value = Vec<String>> {
    (
        (one_of(&["flint", "glass", "quartzite"]), one_of(&["quartzite", "antler", "steel", "soft"])),
        (0.5..40.0f64, 30.0..100.0f64, -1.0..4.0f64),
        (one_of(&["0", "1.5", "-2"]), one_of(&["20", "33.5", "400", "x"]), one_of(&["4", "9", "60"])),
        (one_of(&["yes", "no"]), one_of(&["complete", "proximal", "medial", "brokn"])),
        prop_oneof![9 => Just(("", "")), 1 => prop::sample::select(vec![("2", "8"), ("0", "8"), ("9", "2")])],
    )
        .prop_map(|((stone, percussor), (depth, angle, mass), state, marks, (height, there))| {
            let numbers = [format!("{depth:.2}"), format!("{angle:.1}"), format!("{:.3}", mass.exp2().exp())];
            let (missing, length, thickness) = state;
            let mut cells = vec!["F".to_string(), stone, percussor];
            cells.extend(numbers);
            cells.extend([missing, length, thickness, marks.0, marks.1, height.into(), there.into()]);
            cells
        })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn pieces_are_the_same_row_by_row_and_in_blocks(
        rows in prop::collection::vec(row(), 1..24),
        which in 0usize..3,
        by_row: bool,
    ) {
        let rows: Vec<String> = rows.iter().map(|cells| cells.join(",")).collect();
        let text = format!("{COLUMNS}\n{}\n", rows.join("\n"));
        check(&text, which, by_row)?;
    }
}

#[test]
fn pieces_that_fill_more_than_one_block() {
    let rows: Vec<String> =
        (0..700).map(|i| format!("{:.2},{},{}", 3.0 + 0.01 * f64::from(i), 60 + i % 25, 2 + i % 9)).collect();
    let text = format!("platform_depth_mm,exterior_platform_angle_deg,mass_now_g\n{}\n", rows.join("\n"));
    check(&text, 1, false).unwrap();
}

#[test]
fn a_bad_cell_is_the_reason_before_what_is_missing() {
    let text =
        "platform_depth_mm,exterior_platform_angle_deg,mass_now_g\n\"7,3\",72,14\n,72,14\n9,72,\"1,4\"\n";
    for loss in [true, false] {
        let how = TableEstimates::new(bundled::named("hard-hammer-flint").unwrap(), 0.9).unwrap();
        let look = LookBack::new().unwrap();
        let look = if loss { look } else { look.loss(None) };
        let originals = TableOriginals::of(how).unwrap().looking(look);
        let table = TableReader::new(text.as_bytes(), &TableOptions::new()).unwrap();
        let (out, _) = originals.write(table, Vec::new(), |_| {}, |_, _| Ok(())).unwrap();
        let out = String::from_utf8(out).unwrap();
        let lines: Vec<&str> = out.lines().collect();
        assert!(
            lines[1].contains("refused: row 1, column platform_depth_mm: \"\"7,3\"\" is not a number"),
            "{out}"
        );
        assert!(lines[2].contains("refused: row 2, column platform_depth_mm: not recorded"), "{out}");
        assert!(lines[3].contains("refused: row 3, column mass_now_g: \"\"1,4\"\" is not a number"), "{out}");
    }
}
