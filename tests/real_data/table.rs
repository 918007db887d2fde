//! The published tables, read from the folder named by `CONCHOID_DATA`.

use conchoid::Error;
use conchoid::strike::Measured;
use conchoid::table::{TableOptions, TableReader};
use std::fs::File;
use std::path::PathBuf;

fn open(name: &str, options: &TableOptions) -> TableReader<File> {
    let folder = std::env::var_os("CONCHOID_DATA").expect("CONCHOID_DATA names the folder of tables");
    let path = PathBuf::from(folder).join(name);
    let file = File::open(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    TableReader::new(file, options).unwrap()
}

type Outcome = Result<Vec<Error>, Vec<Error>>;

/// Reads a table whole, and counts the rows read, read with a remark, refused, and all; every row goes through `check`.
fn tally(
    name: &str,
    options: &TableOptions,
    needed: &[&str],
    mut check: impl FnMut(&conchoid::table::Row, &Outcome),
) -> (u64, u64, u64, u64) {
    let mut table = open(name, options);
    assert!(table.header().remarks().is_empty(), "{name}: {:?}", table.header().remarks());
    let (mut row, mut read, mut remarked, mut refused) = (table.row(), 0, 0, 0);
    while table.read(&mut row).unwrap() {
        let outcome = row.outcome(needed);
        match &outcome {
            Ok(remarks) if remarks.is_empty() => read += 1,
            Ok(_) => remarked += 1,
            Err(_) => refused += 1,
        }
        assert!(row.refused().is_none());
        check(&row, &outcome);
    }
    assert_eq!(read + remarked + refused, row.row_number());
    (read, remarked, refused, row.row_number())
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn every_row_of_the_five_tables_is_read() {
    for (name, rows) in [
        ("flint-replication.csv", 375),
        ("quartzite-by-core.csv", 361),
        ("platform-landmarks.csv", 568),
        ("platform-remeasured.csv", 53),
    ] {
        let options = TableOptions::new().number("dorsal_scars").number("dorsal_cortex_1_to_5");
        let t = tally(name, &options, &[], |row, outcome| {
            assert_eq!(*outcome, Ok(Vec::new()), "{name}, row {}", row.row_number());
        });
        assert_eq!(t, (rows, 0, 0, rows), "{name}");
    }
    for (name, needed) in [
        (
            "flint-replication.csv",
            &["platform_depth_mm", "platform_area_mm2", "exterior_platform_angle_deg", "mass_g"][..],
        ),
        (
            "quartzite-by-core.csv",
            &["platform_depth_mm", "platform_width_mm", "exterior_platform_angle_deg", "mass_g", "core"][..],
        ),
    ] {
        assert_eq!(tally(name, &TableOptions::new(), needed, |_, _| {}).2, 0, "{name}");
    }
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn the_ten_zero_thicknesses_of_the_glass_table_are_remarks() {
    let options = TableOptions::new().number("force_reading").class("core_shape");
    let (mut zeros, mut exploded) = (0, 0);
    let t = tally("glass-controlled.csv", &options, &[], |row, outcome| {
        if let Ok(remarks) = outcome.as_ref().map(|all| all.as_slice())
            && !remarks.is_empty()
        {
            assert_eq!(remarks.len(), 1);
            assert_eq!(
                remarks[0].to_string(),
                format!(
                    "row {}, column thickness_mm: 0 is out of range (accepted: at least 0.05, at most 10000 mm)",
                    row.row_number()
                )
            );
            assert_eq!(Measured::number(row, "thickness_mm"), None);
            zeros += 1;
        }
        assert!(Measured::number(row, "force_reading").is_some());
        exploded += usize::from(Measured::class(row, "termination") == Some("exploded"));
    });
    assert_eq!(t, (358, 10, 0, 368));
    assert_eq!((zeros, exploded), (10, 2));
    // Needed, a zero thickness is a refusal; 17 depths are blank.
    let t = tally("glass-controlled.csv", &options, &["thickness_mm"], |_, _| {});
    assert_eq!(t, (358, 0, 10, 368));
    let t = tally("glass-controlled.csv", &options, &["platform_depth_mm"], |_, _| {});
    assert_eq!((t.2, t.3), (17, 368));
}
