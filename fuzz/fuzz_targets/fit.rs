//! Small tables of any numbers through the fits: an error, or numbers that are numbers.
#![no_main]

use arbitrary::Arbitrary;
use conchoid::fit::multinomial::{self, MultinomialOptions, Outcomes, Penalty};
use conchoid::fit::shrunken::{SharedRows, Shrunken, Tails};
use conchoid::fit::{Design, linear, updating};
use libfuzzer_sys::fuzz_target;

#[derive(Debug, Arbitrary)]
struct Asked {
    columns: u8,
    numbers: Vec<f64>,
    /// Small numbers instead of any, so that the fits are reached.
    small: bool,
    labels: u64,
    which: u8,
    level: f64,
    more: [f64; 3],
}

fn number(small: bool, v: f64) -> f64 {
    if !small {
        return v;
    }
    // keep some structure: few distinct values, ties, zeros
    let bits = v.to_bits();
    ((bits >> 48) as i16 as f64) / 4096.0
}

fn fine(what: &str, v: &[f64]) {
    assert!(v.iter().all(|v| v.is_finite()), "{what}: {v:?}");
}

fuzz_target!(|a: Asked| {
    let p = 1 + a.columns as usize % 3;
    let numbers: Vec<f64> = a.numbers.iter().take(120).map(|v| number(a.small, *v)).collect();
    let rows: Vec<&[f64]> = numbers.chunks_exact(p + 1).collect();
    let names: Vec<String> = (0..=p).map(|j| format!("t{j}")).collect();
    let x: Vec<Vec<f64>> =
        rows.iter().map(|r| std::iter::once(1.0).chain(r[..p].iter().copied()).collect()).collect();
    let y: Vec<f64> = rows.iter().map(|r| r[p]).collect();
    let Ok(design) = Design::from_rows(names.clone(), &x) else { return };
    let n = y.len();
    if n == 0 {
        return;
    }
    let ones = Design::from_rows(vec!["intercept".into()], &vec![[1.0]; n]).unwrap();
    let label = |i: usize| (a.labels >> (2 * (i % 32))) as usize & 3;
    match a.which % 5 {
        0 => {
            let weights: Vec<f64> = (0..n).map(|i| a.more[i % 3]).collect();
            for w in [None, Some(&weights[..])] {
                let Ok(fit) = linear::fit(&design, &y, w) else { continue };
                fine("coefficients", fit.coefficients());
                fine("standard errors", &fit.standard_errors());
                fine("spread", &[fit.spread(), fit.residual_sum_of_squares(), fit.r_squared()]);
                fine("p-values", &fit.p_values());
                assert!(fit.p_values().iter().all(|p| (0.0..=1.0).contains(p)), "{:?}", fit.p_values());
                if let Ok((low, high)) = fit.interval_of_a_new_one(&x[0], a.level) {
                    assert!(low <= high, "{low} {high}");
                }
                let _ = linear::diagnostics(&fit, &design, &y, w);
            }
        }
        1 => {
            let groups = [SharedRows::intercepts((0..n).map(label).collect(), 4)];
            let free = vec![false; p + 1];
            if let Ok(f) = Shrunken::new().fit_shared(&design, &free, &ones, &Tails::normal(), &groups, &y) {
                fine("coefficients", f.coefficients());
                fine("between", f.shared()[0].covariance.as_slice());
            }
        }
        2 => {
            let outcomes = Outcomes::new(
                vec!["feather".into(), "hinge".into(), "step".into(), "overshot".into()],
                (0..n).map(label).collect(),
            );
            let Ok(outcomes) = outcomes else { return };
            for penalty in [Penalty::Firth, Penalty::ridge(a.more[0])] {
                if let Ok(f) = multinomial::fit(&design, &outcomes, &MultinomialOptions::with_penalty(penalty)) {
                    fine("coefficients", f.coefficients().as_slice());
                    if let Ok(p) = f.probabilities(&x[0]) {
                        assert!((p.iter().sum::<f64>() - 1.0).abs() < 1e-9, "{p:?}");
                    }
                    if let Ok(p) = f.probability_intervals(&x[0], a.level) {
                        for i in p {
                            assert!(i.low <= i.high, "{i:?}");
                        }
                    }
                }
            }
        }
        3 => {
            let penalised: Vec<bool> = (0..=p).map(|j| j > 0).collect();
            if let Ok(f) = Shrunken::new().fit(&design, &penalised, &ones, &Tails::normal(), &y) {
                fine("coefficients", f.coefficients());
                if let Ok(new) = f.predict_row(&x[0], &[1.0], 0) {
                    assert!(!format!("{new:?}").contains("NaN"), "{new:?}");
                }
            }
        }
        _ => {
            let k = p + 1;
            let covariance: Vec<Vec<f64>> =
                (0..k).map(|i| (0..k).map(|j| if i == j { a.more[0] } else { 0.0 }).collect()).collect();
            let Ok(prior) = updating::Prior::from_fit(&vec![a.more[1]; k], &covariance, a.more[2], 20.0) else {
                return;
            };
            let Ok(prior) = prior.discounted(0.5) else { return };
            if let Ok(f) = updating::update(&prior, &design, &y, None) {
                fine("coefficients", f.coefficients());
                fine("spread", &[f.spread()]);
                if let Ok(new) = f.predict(&x[0], 1.0) {
                    assert!(!format!("{new:?}").contains("NaN"), "{new:?}");
                }
            }
            let _ = updating::choose_discount(&prior, &design, &y, None);
        }
    }
});
