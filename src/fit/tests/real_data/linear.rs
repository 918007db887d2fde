//! Least squares on the flint, quartzite and glass tables against R's `lm` and statsmodels.

use crate::fit::tests::compare::{compare, models};
use crate::tests::open;

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn the_published_tables_fit_as_in_r() {
    let mut ran = 0;
    for table in ["flint-replication.csv", "quartzite-by-core.csv", "glass-controlled.csv"] {
        for m in models(include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/lm.json")), table)
        {
            compare(&m, open(table));
            ran += 1;
        }
    }
    assert_eq!(ran, 8);
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn the_flint_table_fits_as_in_statsmodels() {
    for m in models(
        include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/statsmodels.json")),
        "flint-replication.csv",
    ) {
        compare(&m, open("flint-replication.csv"));
    }
}
