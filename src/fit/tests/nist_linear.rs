//! Least squares against the certified values of NIST's Statistical Reference Datasets (linear regression,
//! <https://www.itl.nist.gov/div898/strd/>): Longley, Norris, Pontius, NoInt1, NoInt2, Filip, Wampler1-5.
//!
//! The reference is certified in exact arithmetic, so it shares no rounding with our QR. The number of
//! correct digits is the log relative error, -log10 |q - c| / |c|, as NIST counts it; where the certified
//! value is zero, -log10 |q|.

use crate::fit::linear::Accumulator;
use serde_json::Value;

/// Fewest correct digits that each set must give: (coefficients, standard errors).
const FLOORS: [(&str, f64, f64); 11] = [
    ("Longley", 9.0, 9.0),
    ("Norris", 12.0, 12.0),
    ("Pontius", 11.0, 11.0),
    ("NoInt1", 13.0, 13.0),
    ("NoInt2", 13.0, 13.0),
    ("Filip", 7.0, 7.0),
    ("Wampler1", 9.0, 6.0),
    ("Wampler2", 12.0, 12.0),
    ("Wampler3", 9.0, 9.0),
    ("Wampler4", 7.0, 9.0),
    ("Wampler5", 6.0, 9.0),
];

fn digits(found: f64, certified: f64) -> f64 {
    let error = if certified == 0.0 { found.abs() } else { ((found - certified) / certified).abs() };
    if error == 0.0 { 15.0 } else { (-error.log10()).min(15.0) }
}

fn numbers(v: &Value) -> Vec<f64> {
    v.as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect()
}

#[test]
fn certified_coefficients_and_standard_deviations() {
    let text = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/nist_linear.json"));
    let sets: Value = serde_json::from_str(text).unwrap();
    let mut ran = 0;
    for (name, coefficient_floor, error_floor) in FLOORS {
        let set = &sets[name];
        let mut terms: Vec<String> =
            set["terms"].as_array().unwrap().iter().map(|t| t.as_str().unwrap().to_string()).collect();
        if set["intercept"].as_bool().unwrap() {
            terms[0] = "intercept".to_string();
        }
        let mut a = Accumulator::new(terms).unwrap();
        for (row, y) in set["x"].as_array().unwrap().iter().zip(numbers(&set["y"])) {
            a.push(&numbers(row), y).unwrap();
        }
        let fit = a.finish().unwrap_or_else(|e| panic!("{name}: {e}"));
        let worst = |found: &[f64], certified: &Value| {
            found.iter().zip(numbers(certified)).map(|(f, c)| digits(*f, c)).fold(15.0, f64::min)
        };
        let b = worst(fit.coefficients(), &set["coefficients"]);
        // Wampler 1 and 2 fit exactly: their certified standard errors are zero
        let se = worst(&fit.standard_errors(), &set["standard_errors"]);
        let spread = digits(fit.spread(), set["residual_sd"].as_f64().unwrap());
        let r2 = digits(fit.r_squared(), set["r_squared"].as_f64().unwrap());
        println!(
            "{name:9} coefficients {b:5.1}  standard errors {se:5.1}  spread {spread:5.1}  R2 {r2:5.1} digits"
        );
        assert!(b >= coefficient_floor, "{name}: {b} correct digits of the coefficients");
        assert!(se >= error_floor, "{name}: {se} correct digits of the standard errors");
        assert!(spread >= error_floor, "{name}: {spread} correct digits of the residual spread");
        assert!(r2 >= error_floor, "{name}: {r2} correct digits of R2");
        ran += 1;
    }
    assert_eq!(ran, 11);
}
