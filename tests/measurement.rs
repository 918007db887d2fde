//! Estimates from measurements that err: against brute-force integration, and laws that must hold.

use approx::assert_relative_eq;
use conchoid::calibration::{
    Calibration, Parts, Provenance, Range, SizeModel, Spread, Tails, Variant, bundled,
};
use conchoid::fit::{Design, attenuation, linear};
use conchoid::form::{ANGLE, DEPTH, Form, Layout};
use conchoid::predict::Predictor;
use conchoid::predict::measurement::{Instrument, MeasurementErrors};
use conchoid::strike::{Platform, Strike};
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde_json::Value;

const REFERENCE: &str = include_str!("reference/measurement.json");

/// A calibration of one size with independent coefficients.
fn calibration(form: &str, coefficients: &[f64], se: &[f64], spread: f64, df: f64) -> Calibration {
    let form = Form::named(form).unwrap();
    let covariance = (0..se.len())
        .map(|i| (0..se.len()).map(|j| if i == j { se[i] * se[i] } else { 0.0 }).collect())
        .collect();
    let layout = Layout::of([&form]);
    let ranges = [(DEPTH, 1.0, 20.0), (ANGLE, 40.0, 89.0)]
        .map(|(name, low, high)| Range { name: name.into(), low, high })
        .to_vec();
    let model = SizeModel {
        size: "mass_g".into(),
        column: "mass_g".into(),
        form,
        coefficients: coefficients.to_vec(),
        covariance,
        spread: Spread::Constant { value: spread, degrees_of_freedom: df },
        tails: Tails::Normal,
        flakes: 50,
        r_squared: 0.5,
        left_out_error: spread,
        largest_leverage: 10.0,
        recorded: None,
        grouping: None,
    };
    Calibration::new(Parts {
        name: "made up".into(),
        provenance: Provenance::new("made up", "none", "none", "none"),
        stone: None,
        percussors: vec![],
        not_recorded: vec![],
        layout,
        setting_names: vec![],
        settings: vec![],
        assumptions: vec![],
        variants: vec![Variant {
            name: "depth, angle".into(),
            sizes: vec![model],
            ranges,
            joint_flakes: 50,
            residual_correlation: vec![vec![1.0]],
            termination: None,
        }],
    })
    .unwrap()
}

fn strike(depth: f64, angle: f64) -> Strike {
    let platform = Platform::builder().depth_mm(depth).exterior_platform_angle_deg(angle).build().unwrap();
    Strike::builder().platform(platform).build().unwrap()
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
        (none().instrument(ANGLE, Instrument::Caliper).unwrap_err(), "measures in mm"),
    ] {
        assert!(e.to_string().contains(words), "{e}");
    }
    let all = none().relative(DEPTH, 0.1).unwrap().instrument(ANGLE, Instrument::Goniometer).unwrap();
    let text = serde_json::to_string(&all).unwrap();
    assert_eq!(serde_json::from_str::<MeasurementErrors>(&text).unwrap(), all);
    assert!(serde_json::from_str::<MeasurementErrors>(&text.replace("0.1", "-0.1")).is_err());
    // an angle outside the domain of the form stays an error
    let c = calibration("tangent-power", &[0.0, 1.0, 1.0], &[0.1, 0.1, 0.1], 0.5, 30.0);
    let p = Predictor::new(c).unwrap();
    let e = p.estimate_with_error(&strike(6.0, 95.0), &Default::default(), &errors(0.0, 5.0)).unwrap_err();
    assert!(matches!(e, conchoid::Error::Domain { .. }), "{e}");
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
fn corrected_slopes_agree_with_regression_calibration() {
    let r: Value = serde_json::from_str(include_str!("reference/measurement_attenuation.json")).unwrap();
    let numbers = |v: &Value| v.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect::<Vec<_>>();
    let rows: Vec<Vec<f64>> = r["w"].as_array().unwrap().iter().map(numbers).collect();
    let names = ["intercept", "ln depth", "angle", "organic"].map(String::from).to_vec();
    let design = Design::from_rows(names, &rows).unwrap();
    let fit = attenuation::correct(&design, &numbers(&r["y"]), &numbers(&r["sd"])).unwrap();
    for (f, e) in fit.coefficients().iter().zip(numbers(&r["coefficients"])) {
        assert_relative_eq!(*f, e, max_relative = 1e-9, epsilon = 0.0);
    }
    for (f, e) in fit.covariance().iter().zip(r["covariance"].as_array().unwrap()) {
        for (f, e) in f.iter().zip(numbers(e)) {
            assert_relative_eq!(*f, e, max_relative = 1e-7, epsilon = 0.0);
        }
    }
    assert_relative_eq!(fit.spread(), r["spread"].as_f64().unwrap(), max_relative = 1e-9);
    // without errors it is ordinary least squares
    let none = attenuation::correct(&design, &numbers(&r["y"]), &[0.0; 4]).unwrap();
    let ols = linear::fit(&design, &numbers(&r["y"]), None).unwrap();
    for ((a, b), c) in none.coefficients().iter().zip(ols.coefficients()).zip(none.uncorrected()) {
        assert_relative_eq!(*a, *b, max_relative = 1e-10);
        assert_relative_eq!(*a, *c, max_relative = 1e-10);
    }
    assert_relative_eq!(none.spread(), ols.spread(), max_relative = 1e-12);
    assert!(none.reliability().iter().all(|r| *r == 1.0));
    assert!(attenuation::correct(&design, &numbers(&r["y"]), &[0.0, -1.0, 0.0, 0.0]).is_err());
    assert!(attenuation::correct(&design, &numbers(&r["y"]), &[0.0, 5.0, 0.0, 0.0]).is_err());
}

/// With a known truth the bias is gone, and the standard errors are those of the simulation.
#[test]
fn the_correction_takes_the_bias_away() {
    let mut rng = ChaCha8Rng::seed_from_u64(404);
    let (repetitions, n, truth) = (400, 150, 1.7);
    let (mut corrected, mut plain, mut covered) = (Vec::new(), Vec::new(), 0);
    for _ in 0..repetitions {
        let mut draw = || -> f64 { StandardNormal.sample(&mut rng) };
        let (mut rows, mut y) = (Vec::new(), Vec::new());
        for _ in 0..n {
            let (depth, angle) = (1.8 + 0.4 * draw(), 75.0 + 8.0 * draw());
            y.push(-3.0 + truth * depth + 0.03 * angle + 0.5 * draw());
            rows.push([1.0, depth + 0.2 * draw(), angle + 4.0 * draw()]);
        }
        let names = ["intercept", "ln depth", "angle"].map(String::from).to_vec();
        let fit =
            attenuation::correct(&Design::from_rows(names, &rows).unwrap(), &y, &[0.0, 0.2, 4.0]).unwrap();
        corrected.push(fit.coefficients()[1]);
        plain.push(fit.uncorrected()[1]);
        covered += usize::from((fit.coefficients()[1] - truth).abs() < 1.96 * fit.standard_errors()[1]);
    }
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let (c, p) = (mean(&corrected), mean(&plain));
    let se = (corrected.iter().map(|v| (v - c).powi(2)).sum::<f64>()).sqrt() / repetitions as f64;
    println!(
        "truth {truth}, corrected {c:.4} (se {se:.4}), plain {p:.4}, covered {covered} of {repetitions}"
    );
    // the theory: a share 0.16 / (0.16 + 0.04) of the slope is left without correction
    assert!((p - 0.8 * truth).abs() < 0.03, "{p}");
    assert!((c - truth).abs() < 4.0 * se, "{c} {se}");
    assert!((0.92..=0.975).contains(&(covered as f64 / repetitions as f64)), "{covered}");
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
        .instrument("exterior_platform_angle_deg", Instrument::Goniometer)
        .unwrap();
    assert!(!some.is_empty());
    assert_eq!(some.sd("platform_depth_mm", 8.0), 0.3);
    assert_eq!(some.sd("angle_of_blow_deg", -20.0), 5.0, "a share of the size, whatever its sign");
    assert_eq!(some.sd("exterior_platform_angle_deg", 75.0), Instrument::Goniometer.sd());
    assert_eq!(some.sd("platform_width_mm", 20.0), 0.0);
    let all = [
        Instrument::Caliper,
        Instrument::Goniometer,
        Instrument::GoniometerOfSeveral,
        Instrument::CaliperTrigonometry,
    ];
    assert_eq!(all.map(Instrument::sd), [0.39, 4.0, 7.5, 5.8], "the table at the type");
    assert_eq!(all.map(Instrument::unit), ["mm", "deg", "deg", "deg"]);
}
