//! Estimates from measurements that err: against brute-force integration, and laws that must hold.

use crate::calibration::{Calibration, Provenance, Spread, bundled};
use crate::form::{ANGLE, DEPTH, Form, Layout};
use crate::predict::MeasurementErrors;
use crate::predict::Predictor;
use crate::strike::Strike;
use approx::assert_relative_eq;
use proptest::prelude::*;
use serde_json::{Value, json};

const REFERENCE: &str = include_str!("../../../tests/reference/measurement.json");

/// A calibration of one size with independent coefficients.
fn calibration(form: &str, coefficients: &[f64], se: &[f64], spread: f64, df: f64) -> Calibration {
    let form = Form::named(form).unwrap();
    let covariance: Vec<Vec<f64>> = (0..se.len())
        .map(|i| (0..se.len()).map(|j| if i == j { se[i] * se[i] } else { 0.0 }).collect())
        .collect();
    let layout = Layout::of([&form]);
    // wide, so that no error of measurement carries a platform beyond them, where intervals open for another reason
    let range = |name: &str, low: f64, high: f64| json!({"name": name, "low": low, "high": high});
    let model = json!({
        "size": "mass_g",
        "column": "mass_g",
        "form": form,
        "coefficients": coefficients,
        "covariance": covariance,
        "spread": Spread::Constant { value: spread, degrees_of_freedom: df },
        "tails": "normal",
        "flakes": 50,
        "r_squared": 0.5,
        "left_out_error": spread,
        "largest_leverage": 1e9,
    });
    let file = json!({
        "schema": 2,
        "name": "made up",
        "provenance": Provenance::new("made up", "none", "none", "none"),
        "stone": null,
        "percussors": [],
        "not_recorded": [],
        "layout": layout,
        "setting_names": [],
        "settings": [],
        "assumptions": [],
        "variants": [{
            "name": "depth, angle",
            "sizes": [model],
            "ranges": [range(DEPTH, 1e-300, 1e300), range(ANGLE, 0.0, 180.0)],
            "joint_flakes": 50,
            "residual_correlation": [[1.0]],
        }],
    });
    Calibration::from_json(&file.to_string()).unwrap()
}

fn strike(depth: f64, angle: f64) -> Strike {
    Strike::builder().platform_depth_mm(depth).exterior_platform_angle_deg(angle).build().unwrap()
}

fn errors(depth: f64, angle: f64) -> MeasurementErrors {
    MeasurementErrors::new().absolute(DEPTH, depth).unwrap().absolute(ANGLE, angle).unwrap()
}

#[test]
fn quantiles_agree_with_brute_force_integration() {
    let all: Value = serde_json::from_str(REFERENCE).unwrap();
    let cases = all["cases"].as_array().unwrap();
    assert_eq!(cases.len(), 9);
    for c in cases {
        let number = |k: &str| c[k].as_f64().unwrap();
        let numbers =
            |k: &str| c[k].as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect::<Vec<_>>();
        let form = c["form"].as_str().unwrap();
        let calibration =
            calibration(form, &numbers("coefficients"), &numbers("se"), number("spread"), number("df"));
        let p = Predictor::new(calibration).unwrap();
        let e = p
            .estimate_with_error(
                &strike(number("depth"), number("angle")),
                &Default::default(),
                &errors(number("depth_sd"), number("angle_sd")),
            )
            .unwrap();
        let mass = e.size("mass_g").unwrap();
        for (p, q) in numbers("probabilities").iter().zip(numbers("quantiles")) {
            let found = mass.quantile(*p).unwrap();
            println!(
                "{form} {} {} {} {}: at {p} {found} against {q}, relative {:.1e}, {} components",
                number("depth"),
                number("depth_sd"),
                number("angle"),
                number("angle_sd"),
                found / q - 1.0,
                mass.components().len()
            );
            assert_relative_eq!(found, q, max_relative = 1e-8, epsilon = 0.0);
        }
    }
}

#[test]
fn without_errors_the_answer_is_the_same_to_the_bit() {
    for name in bundled::NAMES {
        let p = Predictor::new(bundled::named(name).unwrap()).unwrap();
        let s = strike(6.0, 75.0);
        let exact = p.estimate(&s, &Default::default()).unwrap();
        for none in [MeasurementErrors::new(), errors(0.0, 0.0)] {
            assert_eq!(p.estimate_with_error(&s, &Default::default(), &none).unwrap(), exact);
        }
        // an error of what is not measured does not matter either
        let other = MeasurementErrors::new().absolute("platform_area_mm2", 10.0).unwrap();
        assert_eq!(p.estimate_with_error(&s, &Default::default(), &other).unwrap(), exact);
        // and the cautions are those of the measurements
        let wide = p.estimate_with_error(&s, &Default::default(), &errors(1.0, 5.0)).unwrap();
        assert_eq!(wide.cautions, exact.cautions);
        for (w, e) in wide.sizes.iter().zip(&exact.sizes) {
            let (w, e) = (w.predictive.interval(0.95).unwrap(), e.predictive.interval(0.95).unwrap());
            assert!(w.high / w.low > e.high / e.low, "{name}");
        }
    }
}

#[test]
fn errors_of_errors_are_told() {
    let none = MeasurementErrors::new;
    for (e, words) in [
        (none().absolute(DEPTH, -0.1).unwrap_err(), "platform_depth_mm: -0.1 is out of range"),
        (none().absolute(DEPTH, f64::NAN).unwrap_err(), "a standard deviation of 0 or more"),
        (none().relative(DEPTH, 1.5).unwrap_err(), "a share of 0 to 1"),
    ] {
        assert!(e.to_string().contains(words), "{e}");
    }
    // an angle outside the domain of the form stays an error
    let c = calibration("tangent-power", &[0.0, 1.0, 1.0], &[0.1, 0.1, 0.1], 0.5, 30.0);
    let p = Predictor::new(c).unwrap();
    let e = p.estimate_with_error(&strike(6.0, 95.0), &Default::default(), &errors(0.0, 5.0)).unwrap_err();
    assert!(matches!(e, crate::Error::Domain { .. }), "{e}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    /// The larger the error, the wider the interval, on forms that are linear in the logarithm of what errs.
    #[test]
    fn widening_is_monotone(depth in 1.0f64..20.0, share in 0.01f64..0.45, more in 1.05f64..2.0, level in 0.3f64..0.99) {
        let c = calibration("log-log", &[-1.6, 1.7, 0.02], &[0.2, 0.05, 0.002], 0.5, 40.0);
        let p = Predictor::new(c).unwrap();
        let width = |share: f64| {
            let e = MeasurementErrors::new().relative(DEPTH, share).unwrap();
            let e = p.estimate_with_error(&strike(depth, 75.0), &Default::default(), &e).unwrap();
            let i = e.size("mass_g").unwrap().interval(level).unwrap();
            (i.high / i.low).ln()
        };
        prop_assert!(width(share) > width(0.0));
        prop_assert!(width(share * more) > width(share));
    }
}

#[test]
fn sizes_of_errors_are_what_was_said() {
    let none = MeasurementErrors::new();
    assert!(none.is_empty() && none.sd("platform_depth_mm", 8.0) == 0.0);
    let exact = none.clone().absolute("platform_depth_mm", 0.0).unwrap().relative("mass_g", 0.0).unwrap();
    assert!(exact.is_empty());
    let some = none
        .absolute("platform_depth_mm", 0.3)
        .unwrap()
        .relative("angle_of_blow_deg", 0.25)
        .unwrap()
        .absolute("exterior_platform_angle_deg", 4.0)
        .unwrap();
    assert!(!some.is_empty());
    assert_eq!(some.sd("platform_depth_mm", 8.0), 0.3);
    assert_eq!(some.sd("angle_of_blow_deg", -20.0), 5.0, "a share of the size, whatever its sign");
    assert_eq!(some.sd("exterior_platform_angle_deg", 75.0), 4.0);
    assert_eq!(some.sd("platform_width_mm", 20.0), 0.0);
}
