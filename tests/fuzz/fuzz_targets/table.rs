//! Any bytes as a table: every row ends in exactly one outcome, and what is written is read back the same.
#![no_main]

use conchoid::calibration::bundled;
use conchoid::strike::Measured;
use conchoid::table::{QUANTITIES, TableEstimates, TableOptions, TableReader};
use libfuzzer_sys::fuzz_target;

/// Enough for every rule, few enough for speed.
const MOST_ROWS: u64 = 200;

fuzz_target!(|data: &[u8]| {
    // the first byte chooses the options
    let Some((choice, bytes)) = data.split_first() else { return };
    let mut options = TableOptions::new().longest_record(4096);
    if let Some(separator) = [None, Some(','), Some(';'), Some('\t')][usize::from(choice & 3)] {
        options = options.separator(separator);
    }
    if choice & 4 != 0 {
        options = options.number("dorsal_scars").number("tip_x_cm").class("layer");
    }
    if choice & 8 != 0 {
        options = options.column("EPA", "exterior_platform_angle_deg").column("t", "platform_depth_cm");
    }
    let Ok(mut table) = TableReader::new(bytes, &options) else { return };
    let header = table.header().clone();
    for remark in header.remarks() {
        assert!(!remark.to_string().is_empty());
    }
    let mut rows = 0;
    let mut row = table.row();
    while rows < MOST_ROWS {
        match table.read(&mut row) {
            Ok(true) => {}
            Ok(false) => break,
            Err(e) => {
                assert_eq!(table.read(&mut row).unwrap_err(), e, "the same error from then on");
                break;
            }
        }
        rows += 1;
        assert_eq!(rows, row.row_number());
        let outcome = row.outcome(&["platform_depth_mm", "exterior_platform_angle_deg"]);
        assert!(outcome != Err(Vec::new()));
        for e in outcome.unwrap_or_else(|why| why) {
            assert!(!e.to_string().contains('\n'), "{e}");
            assert_eq!(e.place().and_then(|p| p.row), Some(row.row_number()), "{e}");
        }
        for q in QUANTITIES.iter() {
            if let Some(v) = Measured::number(&row, q.name()) {
                assert!(q.check(v).is_ok(), "{} {v}", q.name());
            }
        }
    }
    // the whole table with its answers: text in UTF-8 that is read back with as many rows
    let Ok(table) = TableReader::new(bytes, &options) else { return };
    let separator = table.header().separator();
    let Ok((out, summary)) = estimates().write(table, Vec::new(), |_| {}) else { return };
    assert!(std::str::from_utf8(&out).is_ok());
    let again = TableOptions::new().separator(separator);
    if let Ok(mut written) = TableReader::new(&out[..], &again) {
        let mut row = written.row();
        while written.read(&mut row).expect("what was written") {}
        assert_eq!(written.rows(), summary.rows());
    }
});

/// Estimates by the calibration of most kinds of rows.
fn estimates() -> TableEstimates<'static> {
    let glass = bundled::named("controlled-glass").expect("bundled");
    TableEstimates::new(glass, 0.95).expect("a level")
}
