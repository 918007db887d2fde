//! Least squares on the flint, quartzite and glass tables against R's `lm` and statsmodels.

use crate::{common, open};

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn the_published_tables_fit_as_in_r() {
    let mut ran = 0;
    for table in ["flint-replication.csv", "quartzite-by-core.csv", "glass-controlled.csv"] {
        for m in common::models(include_str!("../reference/lm.json"), table) {
            common::compare(&m, open(table));
            ran += 1;
        }
    }
    assert_eq!(ran, 8);
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn the_flint_table_fits_as_in_statsmodels() {
    for m in common::models(include_str!("../reference/statsmodels.json"), "flint-replication.csv") {
        common::compare(&m, open("flint-replication.csv"));
    }
}
