//! Least squares on the invented field-school table against R's `lm`: coefficients, standard errors,
//! covariance, criteria, prediction limits, leverage, Cook's distance, leave-one-out, weighted and not.
//! Reference: tests/reference/lm.R and lm.json (the R version stands in it).

mod common;

#[test]
fn the_field_school_table_fits_as_in_r() {
    let models = common::models(include_str!("reference/lm.json"), "field-school.csv");
    assert_eq!(models.len(), 4);
    for m in models {
        common::compare(&m, &include_bytes!("../examples/data/field-school.csv")[..]);
    }
}
