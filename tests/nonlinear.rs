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
    for k in 0..top {
        g[k] = x.powi(k as i32) / v;
    }
    for k in top..b.len() {
        g[k] = -u * x.powi((k - top + 1) as i32) / (v * v);
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
            Model::Lanczos => {
                b[0] * (-b[1] * w).exp() + b[2] * (-b[3] * w).exp() + b[4] * (-b[5] * w).exp()
            }
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

#[test]
fn nist_certified_digits_from_both_starts() {
    let mut table = String::from("set        start  theta     se     sd  iterations  stop\n");
    let mut good = [0, 0];
    let mut ran = 0;
    let mut poor = Vec::new();
    for (name, set) in &sets() {
        let problem = problem(name, set);
        for (k, start) in [&set.start1, &set.start2].into_iter().enumerate() {
            ran += 1;
            let line = match problem.fit(start) {
                Err(e) => {
                    poor.push(format!("{name} from start {}", k + 1));
                    format!("{name:<10} {:>5}  {e}\n", k + 1)
                }
                Ok(fit) => {
                    let theta = least(fit.coefficients(), &set.coefficients);
                    let se = least(&fit.standard_errors(), &set.standard_errors);
                    let sd = digits(fit.residual_sd(), set.residual_sd);
                    if theta >= 6.0 {
                        good[k] += 1;
                    } else {
                        poor.push(format!("{name} from start {}", k + 1));
                    }
                    let stop = fit.stop_reason();
                    let iterations = fit.iterations();
                    format!("{name:<10} {:>5} {theta:>6.1} {se:>6.1} {sd:>6.1} {iterations:>11}  {stop:?} {:.1e} {:.3e}\n", k + 1, fit.cosine(), set.rss)
                }
            };
            table.push_str(&line);
        }
    }
    println!("{table}{good:?} {poor:?}");
    assert_eq!(ran, 54, "the table of sets is not whole");
}
