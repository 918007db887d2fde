//! Least squares on the invented field-school table against R's `lm`: coefficients, standard errors,
//! covariance, criteria, prediction limits, leverage, Cook's distance, leave-one-out, weighted and not.
//! Reference: tests/reference/lm.R and lm.json (the R version stands in it).

use super::compare::{compare, models};

#[test]
fn the_field_school_table_fits_as_in_r() {
    let models = models(
        include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/lm.json")),
        "field-school.csv",
    );
    assert_eq!(models.len(), 4);
    for m in models {
        compare(
            &m,
            &include_bytes!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/data/field-school.csv"))[..],
        );
    }
}
