//! Distribution functions against mpmath (tests/reference/special.py and .json), to 1e-12 relative with no
//! absolute floor, and their laws as properties.

use crate::special::*;
use proptest::prelude::*;
use serde_json::Value;
use statrs::distribution::{ContinuousCDF, StudentsT};

const TOLERANCE: f64 = 1e-12;

fn reference(table: &str) -> Vec<Vec<Value>> {
    let all: Value = serde_json::from_str(include_str!(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/reference/special.json"
    )))
    .unwrap();
    let rows: Vec<Vec<Value>> =
        all[table].as_array().unwrap().iter().map(|row| row.as_array().unwrap().clone()).collect();
    assert!(!rows.is_empty(), "no rows in {table}");
    rows
}

/// A double written as a number, as a decimal string of more digits, or as "inf".
fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| value.as_str().unwrap().parse().unwrap())
}

/// Largest relative error seen, with what gave it.
struct Worst {
    name: &'static str,
    error: f64,
    at: String,
    count: usize,
}

impl Worst {
    fn new(name: &'static str) -> Worst {
        Worst { name, error: 0.0, at: String::new(), count: 0 }
    }

    fn see(&mut self, got: f64, expected: f64, at: impl FnOnce() -> String) {
        self.count += 1;
        let error = if got == expected { 0.0 } else { ((got - expected) / expected).abs() };
        if error.is_nan() || error > self.error {
            self.error = if error.is_nan() { f64::INFINITY } else { error };
            self.at = format!("{}: got {got:e}, expected {expected:e}", at());
        }
    }

    fn at_most(&self, tolerance: f64) {
        println!(
            "{}: {} values, worst relative error {:.2e} at {}",
            self.name, self.count, self.error, self.at
        );
        assert!(self.error <= tolerance, "{}: {:e} at {}", self.name, self.error, self.at);
    }
}

#[test]
fn normal_tails_match_mpmath() {
    let (mut upper, mut lower, mut density) =
        (Worst::new("normal_sf"), Worst::new("normal_cdf"), Worst::new("normal_ln_pdf"));
    for row in reference("normal") {
        let x = number(&row[0]);
        upper.see(normal_sf(x), number(&row[1]), || format!("{x}"));
        lower.see(normal_cdf(-x), number(&row[1]), || format!("{x}"));
        density.see(normal_ln_pdf(x), number(&row[2]), || format!("{x}"));
    }
    upper.at_most(2e-15);
    lower.at_most(2e-15);
    density.at_most(1e-15);
}

#[test]
fn normal_quantiles_are_good_to_the_last_digits() {
    let mut worst = Worst::new("normal_quantile_upper");
    for row in reference("normal_upper_quantile") {
        let q = number(&row[0]);
        worst.see(normal_quantile_upper(q), number(&row[1]), || format!("{q}"));
        worst.see(-normal_quantile(q), number(&row[1]), || format!("{q}"));
    }
    worst.at_most(4.0 * f64::EPSILON);
}

#[test]
fn student_tails_match_mpmath() {
    let (mut upper, mut lower, mut body, mut density) = (
        Worst::new("student_sf"),
        Worst::new("student_cdf, lower tail"),
        Worst::new("student_cdf, upper half"),
        Worst::new("student_ln_pdf"),
    );
    for row in reference("student") {
        let (t, df) = (number(&row[0]), number(&row[1]));
        upper.see(student_sf(t, df), number(&row[2]), || format!("t {t}, df {df}"));
        lower.see(student_cdf(-t, df), number(&row[2]), || format!("t {t}, df {df}"));
        body.see(student_cdf(t, df), number(&row[3]), || format!("t {t}, df {df}"));
        density.see(student_ln_pdf(t, df), number(&row[4]), || format!("t {t}, df {df}"));
    }
    for worst in [upper, lower, body, density] {
        worst.at_most(TOLERANCE);
    }
}

#[test]
fn student_quantiles_match_mpmath() {
    let mut worst = Worst::new("student_quantile_upper");
    for row in reference("student_upper_quantile") {
        let (q, df) = (number(&row[0]), number(&row[1]));
        worst.see(student_quantile_upper(q, df), number(&row[2]), || format!("q {q}, df {df}"));
        worst.see(-student_quantile(q, df), number(&row[2]), || format!("q {q}, df {df}"));
    }
    worst.at_most(TOLERANCE);
}

#[test]
fn chi_squared_matches_mpmath() {
    let (mut lower, mut upper) = (Worst::new("chi_squared_cdf"), Worst::new("chi_squared_sf"));
    for row in reference("chi_squared") {
        let (x, df) = (number(&row[0]), number(&row[1]));
        lower.see(chi_squared_cdf(x, df), number(&row[2]), || format!("x {x}, df {df}"));
        upper.see(chi_squared_sf(x, df), number(&row[3]), || format!("x {x}, df {df}"));
    }
    lower.at_most(TOLERANCE);
    upper.at_most(TOLERANCE);
}

#[test]
fn crps_matches_integration_of_its_definition() {
    let (mut closed, mut integrated) = (Worst::new("crps closed forms"), Worst::new("crps_mixture"));
    for row in reference("crps") {
        let (y, expected) = (number(&row[0]), number(&row[2]));
        let parts: Vec<MixturePart> = row[1]
            .as_array()
            .unwrap()
            .iter()
            .map(|p| MixturePart {
                weight: number(&p[0]),
                location: number(&p[1]),
                scale: number(&p[2]),
                df: number(&p[3]),
            })
            .collect();
        integrated.see(crps_mixture(y, &parts), expected, || format!("y {y}, {parts:?}"));
        if let [part] = parts[..] {
            closed.see(crps_student(y, part.location, part.scale, part.df), expected, || {
                format!("y {y}, {part:?}")
            });
            if part.df.is_infinite() {
                closed
                    .see(crps_normal(y, part.location, part.scale), expected, || format!("y {y}, {part:?}"));
            }
        }
    }
    closed.at_most(1e-12);
    integrated.at_most(1e-10);
}

/// Why this crate does not simply call statrs. Should this fail, statrs has become better: look again.
#[test]
fn statrs_alone_falls_short() {
    let (mut tail, mut quantile) = (0.0_f64, 0.0_f64);
    for row in reference("student") {
        let (t, df) = (number(&row[0]), number(&row[1]));
        if df.is_finite() && number(&row[2]) > 1e-10 {
            let got = StudentsT::new(0.0, 1.0, df).unwrap().cdf(-t);
            tail = tail.max((got / number(&row[2]) - 1.0).abs());
        }
    }
    for row in reference("student_upper_quantile") {
        let (q, df) = (number(&row[0]), number(&row[1]));
        if df.is_finite() && q >= 1e-10 {
            let got = -StudentsT::new(0.0, 1.0, df).unwrap().inverse_cdf(q);
            quantile = quantile.max((got / number(&row[2]) - 1.0).abs());
        }
    }
    println!("statrs alone, tails of 1e-10 and more: cdf {tail:.2e}, quantile {quantile:.2e}");
    assert!(tail > TOLERANCE && quantile > TOLERANCE);
}

#[test]
fn one_student_many_calls_gives_the_same_bits_as_the_functions() {
    for df in [1.0, 1.7, 8.0, 20.0, 372.0, 1e7, f64::INFINITY] {
        let t = Student::new(df);
        assert_eq!(t.df(), df);
        for x in [-40.0, -3.0, -1.0, 0.0, 0.3, 1.9, 6.0, 1e6] {
            assert_eq!(t.cdf(x).to_bits(), student_cdf(x, df).to_bits());
            assert_eq!(t.sf(x).to_bits(), student_sf(x, df).to_bits());
            assert_eq!(t.ln_pdf(x).to_bits(), student_ln_pdf(x, df).to_bits());
            assert!((t.pdf(x).ln() - t.ln_pdf(x)).abs() < 1e-12 || t.pdf(x) == 0.0);
        }
    }
}

#[test]
fn the_edges_of_the_domains() {
    for df in [1.0, 1.7, 30.0, 1e7, f64::INFINITY] {
        assert_eq!(student_quantile(0.0, df), f64::NEG_INFINITY);
        assert_eq!(student_quantile(1.0, df), f64::INFINITY);
        assert_eq!(student_quantile(0.5, df), 0.0);
        assert_eq!(student_cdf(0.0, df), 0.5);
        assert_eq!(student_cdf(f64::INFINITY, df), 1.0);
        assert_eq!(student_cdf(f64::NEG_INFINITY, df), 0.0);
        assert!(student_cdf(f64::NAN, df).is_nan());
        for p in [-0.1, 1.1, f64::NAN, f64::INFINITY] {
            assert!(student_quantile(p, df).is_nan() && student_quantile_upper(p, df).is_nan());
            assert!(normal_quantile(p).is_nan() && normal_quantile_upper(p).is_nan());
        }
    }
    for df in [0.0, -1.0, f64::NAN, f64::NEG_INFINITY] {
        for x in [-50.0, -1.0, 0.0, 1.0, 50.0] {
            assert!(student_cdf(x, df).is_nan() && student_sf(x, df).is_nan(), "{x} {df}");
            assert!(student_ln_pdf(x, df).is_nan() && student_quantile(0.3, df).is_nan());
            assert!(chi_squared_cdf(x, df).is_nan() && chi_squared_sf(x, df).is_nan());
            assert!(crps_student(x, 0.0, 1.0, df).is_nan());
        }
    }
    assert_eq!((chi_squared_cdf(-1.0, 3.0), chi_squared_sf(0.0, 3.0)), (0.0, 1.0));
    assert_eq!(crps_normal(3.0, 1.0, 0.0), 2.0);
    assert_eq!(crps_student(3.0, 1.0, 0.0, 5.0), 2.0);
    assert!(crps_normal(3.0, 1.0, -1.0).is_nan() && crps_mixture(0.0, &[]).is_nan());
    assert!(crps_student(0.0, 0.0, 1.0, 1.0).is_nan());
}

/// Degrees of freedom from 1 to 10⁷, evenly on the logarithm, fractional.
fn freedom() -> impl Strategy<Value = f64> {
    (0.0..7.0_f64).prop_map(|power| 10.0_f64.powf(power))
}

/// Tails from 1e-12 to one half, evenly on the logarithm.
fn tail() -> impl Strategy<Value = f64> {
    (-12.0..-0.302_f64).prop_map(|power| 10.0_f64.powf(power))
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(400) })]

    #[test]
    fn student_quantile_inverts(df in freedom(), q in tail()) {
        let x = student_quantile_upper(q, df);
        prop_assert!((student_sf(x, df) / q - 1.0).abs() < 1e-12, "x {x}, sf {}", student_sf(x, df));
        prop_assert_eq!(student_quantile(q, df), -x);
    }

    #[test]
    fn student_is_symmetric_and_monotone(df in freedom(), x in -60.0..60.0_f64, step in 1e-6..3.0_f64) {
        prop_assert_eq!(student_cdf(x, df), student_sf(-x, df));
        prop_assert!((student_cdf(x, df) + student_sf(x, df) - 1.0).abs() < 4.0 * f64::EPSILON);
        prop_assert!(student_cdf(x + step, df) >= student_cdf(x, df));
    }

    #[test]
    fn quantiles_are_monotone(df in freedom(), q in tail(), less in 0.5..0.999_f64) {
        prop_assert!(student_quantile_upper(q * less, df) > student_quantile_upper(q, df));
        prop_assert!(normal_quantile_upper(q * less) > normal_quantile_upper(q));
    }

    #[test]
    fn heavier_tails_with_fewer_freedoms(df in freedom(), x in 0.5..6.0_f64) {
        prop_assert!(student_sf(x, df) > student_sf(x, df * 1.1));
        prop_assert!(student_sf(x, df) > normal_sf(x));
    }

    #[test]
    fn normal_quantile_inverts(q in tail()) {
        prop_assert!((normal_sf(normal_quantile_upper(q)) / q - 1.0).abs() < 2e-14);
    }

    #[test]
    fn nothing_panics(x in any::<f64>(), a in any::<f64>(), b in any::<f64>()) {
        let _ = (student_cdf(x, a), student_quantile(x, a), student_ln_pdf(x, a), normal_quantile(x), normal_sf(x));
        let _ = (student_quantile(x.fract().abs(), a), crps_normal(x, a, b), crps_student(x, a, 1.0, b));
        let _ = (chi_squared_cdf(x, a.abs()), chi_squared_sf(x, b.abs()));
    }

    #[test]
    fn crps_scales_and_shifts(y in -5.0..5.0_f64, df in 1.1..50.0_f64, by in 0.1..10.0_f64, shift in -3.0..3.0_f64) {
        let one = crps_student(y, 0.3, 1.2, df);
        let other = crps_student(by * y + shift, by * 0.3 + shift, by * 1.2, df);
        prop_assert!(one > 0.0);
        prop_assert!((other / (by * one) - 1.0).abs() < 1e-11);
    }
}

#[test]
fn far_tails_of_few_degrees_of_freedom_have_their_quantile() {
    let corners = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/student_corners.csv"));
    let mut seen = 0;
    for line in corners.lines().skip(1) {
        let v: Vec<f64> = line.split(',').map(|t| t.parse().unwrap()).collect();
        let (df, q, ln_x) = (v[0], v[1], v[2]);
        let expected = if ln_x > 999.0 { f64::MAX } else { ln_x.exp() };
        let x = student_quantile_upper(q, df);
        assert!((x / expected - 1.0).abs() < 1e-9, "df {df:e}, q {q:e}: {x:e}, expected {expected:e}");
        seen += 1;
    }
    assert_eq!(seen, 144);
}
