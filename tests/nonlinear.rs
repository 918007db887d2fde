//! Nonlinear least squares against the 27 nonlinear reference sets of NIST, from both of their starting points,
//! against R's profile intervals, and against its own laws: units, order of rows, derivatives.

use conchoid::Error;
use conchoid::fit::nonlinear::{
    DepthAngle, NonlinearFit, NonlinearForm, NonlinearOptions, NonlinearProblem, StopReason, by_differences,
    with_gradient,
};
use proptest::prelude::*;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::f64::consts::PI;

/// One set as `tests/reference/nist_nonlinear.py` writes it.
#[derive(Deserialize)]
struct Set {
    x: Vec<Vec<f64>>,
    y: Vec<f64>,
    start1: Vec<f64>,
    start2: Vec<f64>,
    coefficients: Vec<f64>,
    standard_errors: Vec<f64>,
    rss: f64,
    residual_sd: f64,
}

fn sets() -> BTreeMap<String, Set> {
    serde_json::from_str(include_str!("reference/nist_nonlinear.json")).unwrap()
}

/// The models of the sets, several sets sharing one.
#[derive(Clone, Copy, Debug)]
enum Model {
    Bennett5,
    Box,
    Chwirut,
    DanWood,
    Enso,
    Eckerle,
    Gauss,
    Cubics,
    Kirby,
    Lanczos,
    Mgh09,
    Mgh10,
    Mgh17,
    Misra1b,
    Misra1c,
    Misra1d,
    Nelson,
    Rat42,
    Rat43,
    Roszman,
}

fn model_of(name: &str) -> Model {
    match name {
        "Bennett5" => Model::Bennett5,
        "BoxBOD" | "Misra1a" => Model::Box,
        "Chwirut1" | "Chwirut2" => Model::Chwirut,
        "DanWood" => Model::DanWood,
        "ENSO" => Model::Enso,
        "Eckerle4" => Model::Eckerle,
        "Gauss1" | "Gauss2" | "Gauss3" => Model::Gauss,
        "Hahn1" | "Thurber" => Model::Cubics,
        "Kirby2" => Model::Kirby,
        "Lanczos1" | "Lanczos2" | "Lanczos3" => Model::Lanczos,
        "MGH09" => Model::Mgh09,
        "MGH10" => Model::Mgh10,
        "MGH17" => Model::Mgh17,
        "Misra1b" => Model::Misra1b,
        "Misra1c" => Model::Misra1c,
        "Misra1d" => Model::Misra1d,
        "Nelson" => Model::Nelson,
        "Rat42" => Model::Rat42,
        "Rat43" => Model::Rat43,
        "Roszman1" => Model::Roszman,
        other => panic!("no model for {other}"),
    }
}

/// Numerator and denominator polynomials in x: `top` coefficients above, the others below after a 1.
fn ratio(x: f64, b: &[f64], top: usize) -> (f64, f64) {
    let numerator = (0..top).map(|k| b[k] * x.powi(k as i32)).sum();
    let denominator = 1.0 + (top..b.len()).map(|k| b[k] * x.powi((k - top + 1) as i32)).sum::<f64>();
    (numerator, denominator)
}

fn ratio_gradient(x: f64, b: &[f64], top: usize, g: &mut [f64]) {
    let (u, v) = ratio(x, b, top);
    for (k, slope) in g.iter_mut().enumerate() {
        *slope = match k.checked_sub(top) {
            None => x.powi(k as i32) / v,
            Some(below) => -u * x.powi(below as i32 + 1) / (v * v),
        };
    }
}

impl NonlinearForm for Model {
    fn value(&self, x: &[f64], b: &[f64]) -> f64 {
        let w = x[0];
        match self {
            Model::Bennett5 => b[0] * (b[1] + w).powf(-1.0 / b[2]),
            Model::Box => -b[0] * (-b[1] * w).exp_m1(),
            Model::Chwirut => (-b[0] * w).exp() / (b[1] + b[2] * w),
            Model::DanWood => b[0] * w.powf(b[1]),
            Model::Enso => {
                let wave = |period: f64| (2.0 * PI * w / period).sin_cos();
                let ((s1, c1), (s2, c2), (s3, c3)) = (wave(12.0), wave(b[3]), wave(b[6]));
                b[0] + b[1] * c1 + b[2] * s1 + b[4] * c2 + b[5] * s2 + b[7] * c3 + b[8] * s3
            }
            Model::Eckerle => (b[0] / b[1]) * (-0.5 * ((w - b[2]) / b[1]).powi(2)).exp(),
            Model::Gauss => {
                let bell = |h: f64, m: f64, s: f64| h * (-((w - m) / s).powi(2)).exp();
                b[0] * (-b[1] * w).exp() + bell(b[2], b[3], b[4]) + bell(b[5], b[6], b[7])
            }
            Model::Cubics => {
                let (u, v) = ratio(w, b, 4);
                u / v
            }
            Model::Kirby => {
                let (u, v) = ratio(w, b, 3);
                u / v
            }
            Model::Lanczos => b[0] * (-b[1] * w).exp() + b[2] * (-b[3] * w).exp() + b[4] * (-b[5] * w).exp(),
            Model::Mgh09 => b[0] * (w * w + w * b[1]) / (w * w + w * b[2] + b[3]),
            Model::Mgh10 => b[0] * (b[1] / (w + b[2])).exp(),
            Model::Mgh17 => b[0] + b[1] * (-w * b[3]).exp() + b[2] * (-w * b[4]).exp(),
            Model::Misra1b => b[0] * (1.0 - (1.0 + b[1] * w / 2.0).powi(-2)),
            Model::Misra1c => b[0] * (1.0 - (1.0 + 2.0 * b[1] * w).powf(-0.5)),
            Model::Misra1d => b[0] * b[1] * w / (1.0 + b[1] * w),
            Model::Nelson => b[0] - b[1] * w * (-b[2] * x[1]).exp(),
            Model::Rat42 => b[0] / (1.0 + (b[1] - b[2] * w).exp()),
            Model::Rat43 => b[0] * (1.0 + (b[1] - b[2] * w).exp()).powf(-1.0 / b[3]),
            Model::Roszman => b[0] - b[1] * w - (b[2] / (w - b[3])).atan() / PI,
        }
    }

    fn gradient(&self, x: &[f64], b: &[f64], g: &mut [f64]) {
        let w = x[0];
        match self {
            Model::Bennett5 => {
                let power = (b[1] + w).powf(-1.0 / b[2]);
                g[0] = power;
                g[1] = -b[0] * power / (b[2] * (b[1] + w));
                g[2] = b[0] * power * (b[1] + w).ln() / (b[2] * b[2]);
            }
            Model::Box => {
                g[0] = -(-b[1] * w).exp_m1();
                g[1] = b[0] * w * (-b[1] * w).exp();
            }
            Model::Chwirut => {
                let (e, d) = ((-b[0] * w).exp(), b[1] + b[2] * w);
                (g[0], g[1], g[2]) = (-w * e / d, -e / (d * d), -w * e / (d * d));
            }
            Model::DanWood => (g[0], g[1]) = (w.powf(b[1]), b[0] * w.powf(b[1]) * w.ln()),
            Model::Enso => {
                let wave = |period: f64| (2.0 * PI * w / period).sin_cos();
                let ((s1, c1), (s2, c2), (s3, c3)) = (wave(12.0), wave(b[3]), wave(b[6]));
                let turn = |period: f64| 2.0 * PI * w / (period * period);
                (g[0], g[1], g[2]) = (1.0, c1, s1);
                g[3] = turn(b[3]) * (b[4] * s2 - b[5] * c2);
                (g[4], g[5]) = (c2, s2);
                g[6] = turn(b[6]) * (b[7] * s3 - b[8] * c3);
                (g[7], g[8]) = (c3, s3);
            }
            Model::Eckerle => {
                let z = (w - b[2]) / b[1];
                let e = (-0.5 * z * z).exp();
                g[0] = e / b[1];
                g[1] = b[0] * e * (z * z - 1.0) / (b[1] * b[1]);
                g[2] = b[0] * e * z / (b[1] * b[1]);
            }
            Model::Gauss => {
                let e = (-b[1] * w).exp();
                (g[0], g[1]) = (e, -w * b[0] * e);
                for k in [2, 5] {
                    let z = (w - b[k + 1]) / b[k + 2];
                    let bell = (-z * z).exp();
                    g[k] = bell;
                    g[k + 1] = b[k] * bell * 2.0 * z / b[k + 2];
                    g[k + 2] = b[k] * bell * 2.0 * z * z / b[k + 2];
                }
            }
            Model::Cubics => ratio_gradient(w, b, 4, g),
            Model::Kirby => ratio_gradient(w, b, 3, g),
            Model::Lanczos => {
                for k in [0, 2, 4] {
                    let e = (-b[k + 1] * w).exp();
                    (g[k], g[k + 1]) = (e, -w * b[k] * e);
                }
            }
            Model::Mgh09 => {
                let (u, v) = (w * w + w * b[1], w * w + w * b[2] + b[3]);
                (g[0], g[1]) = (u / v, b[0] * w / v);
                (g[2], g[3]) = (-b[0] * u * w / (v * v), -b[0] * u / (v * v));
            }
            Model::Mgh10 => {
                let e = (b[1] / (w + b[2])).exp();
                (g[0], g[1]) = (e, b[0] * e / (w + b[2]));
                g[2] = -b[0] * e * b[1] / (w + b[2]).powi(2);
            }
            Model::Mgh17 => {
                let (e, f) = ((-w * b[3]).exp(), (-w * b[4]).exp());
                (g[0], g[1], g[2]) = (1.0, e, f);
                (g[3], g[4]) = (-w * b[1] * e, -w * b[2] * f);
            }
            Model::Misra1b => {
                let v = 1.0 + b[1] * w / 2.0;
                (g[0], g[1]) = (1.0 - v.powi(-2), b[0] * w * v.powi(-3));
            }
            Model::Misra1c => {
                let v = 1.0 + 2.0 * b[1] * w;
                (g[0], g[1]) = (1.0 - v.powf(-0.5), b[0] * w * v.powf(-1.5));
            }
            Model::Misra1d => {
                let v = 1.0 + b[1] * w;
                (g[0], g[1]) = (b[1] * w / v, b[0] * w / (v * v));
            }
            Model::Nelson => {
                let e = (-b[2] * x[1]).exp();
                (g[0], g[1], g[2]) = (1.0, -w * e, b[1] * w * x[1] * e);
            }
            Model::Rat42 => {
                let e = (b[1] - b[2] * w).exp();
                let v = 1.0 + e;
                // e/v² without overflow.
                let tail = 1.0 / ((1.0 + 1.0 / e) * v);
                (g[0], g[1], g[2]) = (1.0 / v, -b[0] * tail, b[0] * w * tail);
            }
            Model::Rat43 => {
                let e = (b[1] - b[2] * w).exp();
                let v = 1.0 + e;
                let power = v.powf(-1.0 / b[3]);
                let share = 1.0 / (1.0 + 1.0 / e);
                g[0] = power;
                g[1] = -b[0] * power * share / b[3];
                g[2] = b[0] * power * share * w / b[3];
                g[3] = b[0] * power * v.ln() / (b[3] * b[3]);
            }
            Model::Roszman => {
                let d = w - b[3];
                let c = PI * (d * d + b[2] * b[2]);
                (g[0], g[1], g[2], g[3]) = (1.0, -w, -d / c, -b[2] / c);
            }
        }
    }
}

fn names(p: usize) -> Vec<String> {
    (1..=p).map(|j| format!("b{j}")).collect()
}

fn problem(name: &str, set: &Set) -> NonlinearProblem<Model> {
    let y: Vec<f64> = match name {
        "Nelson" => set.y.iter().map(|y| y.ln()).collect(),
        _ => set.y.clone(),
    };
    NonlinearProblem::new(names(set.coefficients.len()), model_of(name), &set.x, &y).unwrap()
}

/// Digits two numbers share: −log10 of the relative error, at most the eleven that are certified.
fn digits(found: f64, certified: f64) -> f64 {
    (-((found - certified) / certified).abs().log10()).clamp(0.0, 11.0)
}

fn least(found: &[f64], certified: &[f64]) -> f64 {
    found.iter().zip(certified).map(|(f, c)| digits(*f, *c)).fold(11.0, f64::min)
}

/// What the residuals' rounding leaves of a set: its observations fit the model to 13 digits, so its spread, and
/// with it the standard errors, is known to three digits in double precision whatever the method.
const SPREAD_IS_ROUNDING: [&str; 1] = ["Lanczos1"];

#[test]
fn nist_certified_digits_from_both_starts() {
    let mut table = String::from("set        start  coefficients  errors  spread  iterations  stop\n");
    let mut ran = 0;
    let mut poor = Vec::new();
    for (name, set) in &sets() {
        let problem = problem(name, set);
        for (k, start) in [&set.start1, &set.start2].into_iter().enumerate() {
            let case = format!("{name} from start {}", k + 1);
            ran += 1;
            let fit = match problem.fit(start) {
                Ok(fit) => fit,
                Err(e) => {
                    poor.push(format!("{case}: {e}"));
                    continue;
                }
            };
            let theta = least(fit.coefficients(), &set.coefficients);
            let errors = least(&fit.standard_errors(), &set.standard_errors);
            let spread = digits(fit.residual_sd(), set.residual_sd)
                .min(digits(fit.residual_sum_of_squares(), set.rss));
            table.push_str(&format!(
                "{name:<10} {:>5} {theta:>13.1} {errors:>7.1} {spread:>7.1} {:>11}  {:?}\n",
                k + 1,
                fit.iterations(),
                fit.stop_reason()
            ));
            let asked = match name.as_str() {
                "DanWood" | "Misra1a" | "Misra1b" | "Misra1c" | "Misra1d" => 10.0,
                _ => 8.5,
            };
            let (asked_errors, asked_spread) =
                if SPREAD_IS_ROUNDING.contains(&name.as_str()) { (2.5, 2.5) } else { (9.0, 10.0) };
            if theta < asked || errors < asked_errors || spread < asked_spread {
                poor.push(format!("{case}: {theta:.1}, {errors:.1}, {spread:.1} digits"));
            }
        }
    }
    println!("{table}");
    assert_eq!(ran, 54, "27 sets from two starts each were to be run");
    assert!(poor.is_empty(), "{table}\nshort of the digits asked for: {poor:#?}");
}

#[test]
fn derivatives_of_every_model_agree_with_differences() {
    let sets = sets();
    assert_eq!(sets.len(), 27);
    for (name, set) in &sets {
        let problem = problem(name, set);
        for at in [&set.coefficients, &set.start2] {
            let error = problem.gradient_error(at).unwrap();
            // 12 digits of the values, fewer of a slope much smaller than they are (Bennett5, Nelson).
            assert!(error < 1e-7, "{name} at {at:?}: {error:e}");
        }
    }
}

#[test]
fn differences_alone_reach_the_certified_values() {
    let mut ran = 0;
    for (name, set) in &sets() {
        let model = model_of(name);
        let form = by_differences(move |x: &[f64], t: &[f64]| model.value(x, t)).typical(&set.start2);
        let given = problem(name, set);
        let alone =
            NonlinearProblem::new(names(set.coefficients.len()), form, &set.x, given.observed()).unwrap();
        let fit = alone.fit(&set.start2).unwrap_or_else(|e| panic!("{name}: {e}"));
        let theta = least(fit.coefficients(), &set.coefficients);
        assert!(theta >= 6.0, "{name}: {theta:.1} digits");
        ran += 1;
    }
    assert_eq!(ran, 27);
}

/// One problem as `tests/reference/nonlinear_profile.R` writes it.
#[derive(Deserialize)]
struct Profiled {
    y: Vec<f64>,
    x: Vec<Vec<f64>>,
    start: Vec<f64>,
    coefficients: Vec<f64>,
    standard_errors: Vec<f64>,
    rss: f64,
    level: f64,
    t: f64,
    low: Vec<f64>,
    high: Vec<f64>,
    confint_low: Vec<f64>,
    confint_high: Vec<f64>,
    new: Vec<f64>,
    value: f64,
    mean_sd: f64,
    new_sd: f64,
}

fn profiled(name: &str) -> Profiled {
    let all: serde_json::Value =
        serde_json::from_str(include_str!("reference/nonlinear_profile.json")).unwrap();
    serde_json::from_value(all[name].clone()).unwrap()
}

fn close(found: f64, expected: f64, tolerance: f64, what: &str) {
    assert!((found - expected).abs() <= tolerance * expected.abs(), "{what}: {found:e} for {expected:e}");
}

fn agrees_with_r<F: NonlinearForm>(problem: &NonlinearProblem<F>, start: &[f64], r: &Profiled) {
    let fit = problem.fit(start).unwrap();
    close(fit.residual_sum_of_squares(), r.rss, 1e-11, "residual sum of squares");
    for (j, se) in fit.standard_errors().into_iter().enumerate() {
        close(fit.coefficients()[j], r.coefficients[j], 1e-9, "coefficient");
        close(se, r.standard_errors[j], 1e-8, "standard error");
        let profile = fit.profile_interval(problem, j, r.level).unwrap();
        let (low, high) = (profile.low().unwrap(), profile.high().unwrap());
        // Ends to 1e-7 standard errors of the exact ones, and to the 1e-3 that R's spline is good for.
        for (found, exact, spline) in
            [(low, r.low[j], r.confint_low[j]), (high, r.high[j], r.confint_high[j])]
        {
            assert!((found - exact).abs() < 1e-7 * se, "coefficient {j}: end {found:e} for {exact:e}");
            assert!((found - spline).abs() < 1e-3 * se, "coefficient {j}: end {found:e} for {spline:e}");
        }
        // The interval follows the bend of the form: it is not the symmetric one.
        let lean = (high - r.coefficients[j]) / (r.coefficients[j] - low);
        assert!((lean - 1.0).abs() > 1e-3, "coefficient {j} leans {lean}");
    }
    let expected = fit.expected(problem, &r.new, r.level).unwrap();
    close(expected.value(), r.value, 1e-10, "fitted value");
    close(expected.sd(), r.mean_sd, 1e-8, "standard deviation of the fitted value");
    close(expected.high() - expected.value(), r.t * r.mean_sd, 1e-8, "half width for the expected size");
    let one = fit.one_new(problem, &r.new, r.level).unwrap();
    close(one.sd(), r.new_sd, 1e-8, "standard deviation of one new size");
    close(one.value() - one.low(), r.t * r.new_sd, 1e-8, "half width for one new size");
    assert_eq!((one.value(), one.level()), (expected.value(), r.level));
}

#[test]
fn profiles_and_predictions_agree_with_r() {
    for (name, model) in [("Misra1a", Model::Box), ("DanWood", Model::DanWood)] {
        let r = profiled(name);
        let problem = NonlinearProblem::new(names(2), model, &r.x, &r.y).unwrap();
        agrees_with_r(&problem, &r.start, &r);
    }
    let r = profiled("flakes");
    let (depths, angles): (Vec<f64>, Vec<f64>) = r.x.iter().map(|row| (row[0], row[1])).unzip();
    let problem = DepthAngle::problem(&depths, &angles, &r.y).unwrap();
    let start = DepthAngle::starting_values(&problem).unwrap();
    for (found, lm) in start.iter().zip(&r.start) {
        close(*found, *lm, 1e-12, "starting value from logarithms");
    }
    assert!(problem.gradient_error(&start).unwrap() < 1e-9);
    agrees_with_r(&problem, &start, &r);
}

/// Sizes that hardly level off, so that any plateau high enough fits them.
fn never_levels() -> NonlinearProblem<Model> {
    let x: Vec<[f64; 1]> = (1..=8).map(|i| [f64::from(i)]).collect();
    let waver = [0.3, -0.2, 0.1, -0.4, 0.2, 0.3, -0.3, 0.1];
    let y: Vec<f64> = x.iter().zip(waver).map(|(x, w)| 100.0 * (1.0 - (-0.018 * x[0]).exp()) + w).collect();
    NonlinearProblem::new(vec!["plateau".into(), "rate".into()], Model::Box, &x, &y).unwrap()
}

#[test]
fn a_profile_without_bound_is_open_at_that_end() {
    let problem = never_levels();
    let fit = problem.fit(&[100.0, 0.02]).unwrap();
    let plateau = fit.profile_interval(&problem, 0, 0.95).unwrap();
    assert_eq!(plateau.high(), None);
    assert_eq!(plateau.level(), 0.95);
    // The lower end is where the sum of squares has risen by s² t²: the rate is then alone, found by a fit of it.
    let low = plateau.low().unwrap();
    let held = with_gradient(
        move |x: &[f64], t: &[f64]| -low * (-t[0] * x[0]).exp_m1(),
        move |x: &[f64], t: &[f64], g: &mut [f64]| g[0] = low * x[0] * (-t[0] * x[0]).exp(),
    );
    let rows: Vec<[f64; 1]> = (1..=8).map(|i| [f64::from(i)]).collect();
    let alone = NonlinearProblem::new(vec!["rate".into()], held, &rows, problem.observed()).unwrap();
    let rise = alone.fit(&[2.0 / low]).unwrap().residual_sum_of_squares() - fit.residual_sum_of_squares();
    let variance = fit.residual_sd().powi(2);
    // Quantile of Student's t with 6 degrees of freedom at 0.975, by R's qt.
    let t: f64 = 2.446_911_851_144_97;
    close(rise / variance, t * t, 1e-7, "rise of the sum of squares at the end");
}

#[test]
fn a_profile_refuses_what_it_cannot_answer() {
    let r = profiled("DanWood");
    let problem = NonlinearProblem::new(names(2), Model::DanWood, &r.x, &r.y).unwrap();
    let fit = problem.fit(&r.start).unwrap();
    assert!(matches!(fit.profile_interval(&problem, 2, 0.95), Err(Error::Invalid { .. })));
    for level in [0.0, 1.0, -0.5, f64::NAN] {
        assert!(matches!(fit.profile_interval(&problem, 0, level), Err(Error::OutOfRange { .. })));
    }
    let heavier: Vec<f64> = r.y.iter().map(|y| 2.0 * y).collect();
    let other = NonlinearProblem::new(names(2), Model::DanWood, &r.x, &heavier).unwrap();
    assert!(matches!(fit.profile_interval(&other, 0, 0.95), Err(Error::Incomparable { .. })));
}

#[test]
fn one_coefficient_has_a_profile_with_a_closed_form() {
    // y = a x: the profile is the symmetric t interval.
    let rows = [[1.0], [2.0], [3.0], [4.0], [5.0]];
    let y = [1.1, 1.9, 3.2, 3.9, 5.05];
    let form = by_differences(|x: &[f64], t: &[f64]| t[0] * x[0]);
    let problem = NonlinearProblem::new(vec!["a".into()], form, &rows, &y).unwrap();
    let fit = problem.fit(&[10.0]).unwrap();
    let xy: f64 = rows.iter().zip(y).map(|(x, y)| x[0] * y).sum();
    close(fit.coefficients()[0], xy / 55.0, 1e-12, "slope");
    let se = fit.residual_sd() / 55f64.sqrt();
    close(fit.standard_errors()[0], se, 1e-10, "standard error");
    let profile = fit.profile_interval(&problem, 0, 0.95).unwrap();
    // Quantile of Student's t with 4 degrees of freedom at 0.975, by R's qt.
    let half = 2.776_445_105_197_79 * se;
    close(profile.high().unwrap() - xy / 55.0, half, 1e-7, "upper half");
    close(xy / 55.0 - profile.low().unwrap(), half, 1e-7, "lower half");
}

#[test]
fn an_exact_fit_has_no_spread_and_no_profile() {
    let rows: Vec<[f64; 1]> = (1..=6).map(|i| [f64::from(i)]).collect();
    let y: Vec<f64> = rows.iter().map(|x| 3.0 * x[0].powf(1.5)).collect();
    let problem = NonlinearProblem::new(names(2), Model::DanWood, &rows, &y).unwrap();
    let fit = problem.fit(&[1.0, 1.0]).unwrap();
    close(fit.coefficients()[0], 3.0, 1e-13, "a");
    close(fit.coefficients()[1], 1.5, 1e-13, "b");
    assert!(fit.residual_sd() < 1e-13);
    // Noughts to the last bit, or rounding alone: either way an answer, never a panic.
    if let Ok(profile) = fit.profile_interval(&problem, 1, 0.95) {
        assert!(profile.low().unwrap_or(1.5) <= 1.5 + 1e-12);
    }
}

#[test]
fn too_few_iterations_say_so() {
    let set = &sets()["MGH09"];
    let options = NonlinearOptions::new(3, 1e-10).unwrap();
    let error = problem("MGH09", set).fit_with(&set.start1, &options).unwrap_err();
    assert!(matches!(error, Error::NotConverged { .. }), "{error:?}");
    let text = error.to_string();
    for word in ["the nonlinear fit did not converge", "still moving", "b1 = ", "cosine", "starting values"] {
        assert!(text.contains(word), "{word} is not in: {text}");
    }
    assert!(matches!(NonlinearOptions::new(0, 1e-10), Err(Error::Invalid { .. })));
    for cosine in [0.0, -1.0, 0.5, f64::NAN] {
        assert!(matches!(NonlinearOptions::new(10, cosine), Err(Error::OutOfRange { .. })), "{cosine}");
    }
}

#[test]
fn wrong_derivatives_do_not_converge_quietly() {
    // The derivative by the exponent has x for its logarithm.
    let wrong = with_gradient(
        |x: &[f64], t: &[f64]| t[0] * x[0].powf(t[1]),
        |x: &[f64], t: &[f64], g: &mut [f64]| {
            g[0] = x[0].powf(t[1]);
            g[1] = t[0] * x[0].powf(t[1]) * x[0];
        },
    );
    let r = profiled("DanWood");
    let problem = NonlinearProblem::new(names(2), wrong, &r.x, &r.y).unwrap();
    assert!(problem.gradient_error(&r.start).unwrap() > 0.1);
    for start in [&r.start, &vec![1.0, 5.0], &vec![0.7, 4.0]] {
        let error = problem.fit(start).unwrap_err();
        // Either it ends at right angles to the wrong space, which is found out, or it gets nowhere.
        match &error {
            Error::Invalid { at, .. } => assert_eq!(at.column.as_deref(), Some("b2")),
            Error::NotConverged { reason, .. } => {
                assert!(reason.contains("check the derivatives"), "{reason}")
            }
            other => panic!("{other:?}"),
        }
    }
}

#[test]
fn coefficients_that_only_occur_together_are_named() {
    let product = with_gradient(
        |x: &[f64], t: &[f64]| t[0] * t[1] * x[0],
        |x: &[f64], t: &[f64], g: &mut [f64]| (g[0], g[1]) = (t[1] * x[0], t[0] * x[0]),
    );
    let rows = [[1.0], [2.0], [3.0], [4.0]];
    let problem = NonlinearProblem::new(names(2), product, &rows, &[2.1, 3.9, 6.2, 7.8]).unwrap();
    assert!(matches!(problem.fit(&[1.0, 1.0]), Err(Error::RankDeficient { .. })));
    // A coefficient that the form does not use.
    let idle = by_differences(|x: &[f64], t: &[f64]| t[0] * x[0]);
    let problem = NonlinearProblem::new(names(2), idle, &rows, &[2.1, 3.9, 6.2, 7.8]).unwrap();
    assert_eq!(problem.fit(&[1.0, 1.0]).unwrap_err(), Error::RankDeficient { term: "b2".into() });
}

#[test]
fn bad_input_is_answered_at_the_door() {
    let two = || names(2);
    let rows = [[1.0], [2.0], [3.0]];
    let made = |names: Vec<String>, rows: &[Vec<f64>], y: &[f64]| {
        NonlinearProblem::new(names, Model::DanWood, rows, y).map(|_| ()).unwrap_err()
    };
    let rows_of = |v: &[f64]| v.iter().map(|x| vec![*x]).collect::<Vec<_>>();
    assert!(matches!(made(vec![], &rows_of(&[1.0]), &[1.0]), Error::Missing { .. }));
    assert!(matches!(
        made(vec!["a".into(), "a".into()], &rows_of(&[1.0; 3]), &[1.0; 3]),
        Error::Invalid { .. }
    ));
    assert!(matches!(
        made(two(), &rows_of(&[1.0; 3]), &[1.0; 4]),
        Error::Shape { found: 3, expected: 4, .. }
    ));
    assert!(matches!(made(two(), &rows_of(&[1.0; 2]), &[1.0; 2]), Error::TooFew { found: 2, needed: 3, .. }));
    assert!(matches!(made(two(), &[], &[]), Error::TooFew { found: 0, needed: 3, .. }));
    let uneven = made(two(), &[vec![1.0], vec![2.0, 3.0], vec![4.0]], &[1.0; 3]);
    assert!(matches!(uneven, Error::Shape { found: 2, expected: 1, .. }));
    let nan = made(two(), &rows_of(&[1.0, f64::NAN, 3.0]), &[1.0; 3]);
    assert_eq!(nan.place().unwrap().row, Some(2));
    let infinite = made(two(), &rows_of(&[1.0; 3]), &[1.0, 2.0, f64::INFINITY]);
    assert_eq!(infinite.place().unwrap().row, Some(3));

    let problem = NonlinearProblem::new(two(), Model::DanWood, &rows, &[1.0, 3.0, 5.5]).unwrap();
    assert!(matches!(problem.fit(&[1.0]), Err(Error::Shape { found: 1, expected: 2, .. })));
    assert!(matches!(problem.fit(&[1.0, f64::NAN]), Err(Error::OutOfRange { .. })));
    // 2^2000 overflows, in the second row first.
    let undefined = problem.fit(&[1.0, 2000.0]).unwrap_err();
    assert!(matches!(undefined, Error::Invalid { .. }), "{undefined:?}");
    assert_eq!(undefined.place().unwrap().row, Some(2));
    // Finite in every row, but not its square.
    assert!(matches!(problem.fit(&[1e300, 1.0]), Ok(_) | Err(Error::Invalid { .. })));

    let fit = problem.fit(&[1.0, 1.5]).unwrap();
    assert!(matches!(fit.expected(&problem, &[1.0, 2.0], 0.95), Err(Error::Shape { .. })));
    assert!(matches!(fit.one_new(&problem, &[f64::NAN], 0.95), Err(Error::OutOfRange { .. })));
    assert!(matches!(fit.one_new(&problem, &[-1.0], 0.95), Err(Error::Domain { .. })));
    assert!(matches!(fit.one_new(&problem, &[1.0], 1.0), Err(Error::OutOfRange { .. })));
}

#[test]
fn depth_and_angle_keep_to_their_domain() {
    let depths = [4.0, 6.0, 8.0, 10.0, 12.0];
    let angles = [60.0, 75.0, 65.0, 80.0, 70.0];
    let sizes = [5.0, 14.0, 17.0, 45.0, 40.0];
    for (j, bad, column) in [
        (1, 90.0, "exterior_platform_angle_deg"),
        (2, 0.0, "exterior_platform_angle_deg"),
        (3, 104.0, "exterior_platform_angle_deg"),
        (4, -3.0, "exterior_platform_angle_deg"),
    ] {
        let mut wrong = angles;
        wrong[j] = bad;
        let error = DepthAngle::problem(&depths, &wrong, &sizes).map(|_| ()).unwrap_err();
        let place = error.place().unwrap();
        assert_eq!((place.row, place.column.as_deref()), (Some(j as u64 + 1), Some(column)), "{bad}");
    }
    let error = DepthAngle::problem(&[4.0, 0.0, 8.0, 10.0, 12.0], &angles, &sizes).map(|_| ()).unwrap_err();
    assert_eq!(error.place().unwrap().column.as_deref(), Some("platform_depth_mm"));
    assert!(DepthAngle::problem(&depths, &angles[..4], &sizes).is_err());

    let weightless = DepthAngle::problem(&depths, &angles, &[5.0, 14.0, 0.0, 45.0, 40.0]).unwrap();
    let error = DepthAngle::starting_values(&weightless).unwrap_err();
    assert_eq!(error.place().unwrap().row, Some(3));
    let same_angle = DepthAngle::problem(&depths, &[70.0; 5], &sizes).unwrap();
    assert!(matches!(DepthAngle::starting_values(&same_angle), Err(Error::RankDeficient { .. })));
}

#[test]
fn a_fit_is_stored_and_read_through_the_same_door() {
    let r = profiled("DanWood");
    let problem = NonlinearProblem::new(names(2), Model::DanWood, &r.x, &r.y).unwrap();
    let fit = problem.fit(&r.start).unwrap();
    assert_eq!(fit.stop_reason(), StopReason::Orthogonal);
    assert!(fit.cosine() <= 1e-10);
    assert_eq!((fit.rows(), fit.degrees_of_freedom()), (6, 4));
    assert_eq!(fit.coefficient("b2"), Some(fit.coefficients()[1]));
    assert_eq!(fit.coefficient("b3"), None);
    let text = serde_json::to_string(&fit).unwrap();
    assert_eq!(serde_json::from_str::<NonlinearFit>(&text).unwrap(), fit);
    let spoiled = |field: &str, value: serde_json::Value| {
        let mut stored: serde_json::Value = serde_json::from_str(&text).unwrap();
        stored[field] = value;
        serde_json::from_value::<NonlinearFit>(stored).unwrap_err().to_string()
    };
    use serde_json::json;
    assert!(spoiled("rows", json!(2)).contains("rows"));
    assert!(spoiled("coefficients", json!([1.0])).contains("coefficients"));
    assert!(spoiled("covariance", json!([[1.0, 0.0], [0.5, 1.0]])).contains("covariance"));
    assert!(spoiled("covariance", json!([[1.0, 3.0], [3.0, 1.0]])).contains("covariance"));
    assert!(spoiled("covariance", json!([[-1.0, 0.0], [0.0, 1.0]])).contains("covariance"));
    assert!(spoiled("residual_sum_of_squares", json!(-1.0)).contains("residual_sum_of_squares"));
    assert!(spoiled("cosine", json!(2.0)).contains("cosine"));
}

fn flakes(seed: &[(f64, f64, f64)], a: f64, b: f64, c: f64) -> [Vec<f64>; 3] {
    let depths = seed.iter().map(|s| s.0).collect();
    let angles = seed.iter().map(|s| s.1).collect();
    let sizes = seed.iter().map(|(d, v, e)| a * d.powf(b) * v.to_radians().tan().powf(c) * (1.0 + 0.1 * e));
    [depths, angles, sizes.collect()]
}

fn fitted(table: &[Vec<f64>; 3]) -> NonlinearFit {
    let problem = DepthAngle::problem(&table[0], &table[1], &table[2]).unwrap();
    problem.fit(&DepthAngle::starting_values(&problem).unwrap()).unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn units_scale_the_coefficients_and_nothing_else(
        seed in prop::collection::vec((2.0..15.0f64, 50.0..85.0f64, -1.0..1.0f64), 12..30),
        (a, b, c) in (0.05..2.0f64, 0.8..2.5f64, 0.3..2.0f64),
        grams in 1e-3..1e3f64,
    ) {
        let table = flakes(&seed, a, b, c);
        let fit = fitted(&table);
        let mut other = table.clone();
        other[2].iter_mut().for_each(|y| *y *= grams);
        let heavier = fitted(&other);
        let se = fit.standard_errors();
        let se_heavier = heavier.standard_errors();
        let units = [grams, 1.0, 1.0];
        for j in 0..3 {
            let moved = heavier.coefficients()[j] / units[j] - fit.coefficients()[j];
            prop_assert!(moved.abs() <= 1e-8 * se[j], "coefficient {j} moved by {moved:e}");
            prop_assert!((se_heavier[j] / units[j] / se[j] - 1.0).abs() < 1e-7);
        }
        prop_assert!((heavier.residual_sd() / grams / fit.residual_sd() - 1.0).abs() < 1e-9);

        // Depth in another unit moves the factor alone: a (u d)^b = (a u^b) d^b.
        let mut finer = table.clone();
        finer[0].iter_mut().for_each(|d| *d *= 10.0);
        let finer = fitted(&finer);
        for ((finer, coarse), se) in finer.coefficients().iter().zip(fit.coefficients()).zip(&se).skip(1) {
            prop_assert!((finer - coarse).abs() <= 1e-8 * se);
        }
        let factor = fit.coefficients()[0] / 10f64.powf(fit.coefficients()[1]);
        prop_assert!((finer.coefficients()[0] / factor - 1.0).abs() < 1e-7);
    }

    #[test]
    fn the_order_of_rows_does_not_matter(
        seed in prop::collection::vec((2.0..15.0f64, 50.0..85.0f64, -1.0..1.0f64), 12..30),
        turn in 1usize..11,
    ) {
        let fit = fitted(&flakes(&seed, 0.4, 1.5, 0.9));
        let mut turned = seed.clone();
        turned.rotate_left(turn);
        turned.reverse();
        let other = fitted(&flakes(&turned, 0.4, 1.5, 0.9));
        for j in 0..3 {
            let moved = (other.coefficients()[j] - fit.coefficients()[j]).abs();
            prop_assert!(moved <= 1e-8 * fit.standard_errors()[j], "coefficient {j} moved by {moved:e}");
        }
    }

    #[test]
    fn whatever_is_fitted_is_at_right_angles_or_refused(
        rows in prop::collection::vec((-5.0..5.0f64, -1e3..1e3f64), 3..10),
        start in (-1e3..1e3f64, -10.0..10.0f64),
    ) {
        let x: Vec<[f64; 1]> = rows.iter().map(|r| [r.0]).collect();
        let y: Vec<f64> = rows.iter().map(|r| r.1).collect();
        let problem = NonlinearProblem::new(names(2), Model::Box, &x, &y).unwrap();
        match problem.fit(&[start.0, start.1]) {
            Ok(fit) => {
                prop_assert!(fit.cosine() <= 1e-7);
                prop_assert!(fit.standard_errors().iter().all(|s| s.is_finite()));
                // A profile answers or says why not.
                let _ = fit.profile_interval(&problem, 1, 0.9);
            }
            Err(e) => prop_assert!(
                matches!(e, Error::NotConverged { .. } | Error::RankDeficient { .. } | Error::Invalid { .. }),
                "{e:?}"
            ),
        }
    }
}
