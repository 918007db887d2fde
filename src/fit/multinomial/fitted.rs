//! The fitted multinomial logit: coefficients with covariance, probabilities with intervals, storing.
//!
//! Probabilities are a softmax of η_k = x'β_k (baseline 0). The interval of class c rests on its logit
//! against all others, L_c = η_c - log Σ_{l≠c} exp η_l, whose gradient by η_c is 1 and by η_l is minus the
//! share of l among the others: L_c ± z sqrt(g' Var(η) g), turned back into a probability. It cannot leave
//! [0, 1] and is the same whichever class is the baseline.

use super::solve::{Prepared, Solution, determinant_shift, map_back};
use super::{MultinomialCaution, Outcomes, Penalty, Stopped, check_names};
use crate::error::{Error, LEVEL, Result, check_size};
use crate::fit::Design;
use crate::special::normal_quantile;
use nalgebra::{DMatrix, DVector};
use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A probability with its confidence interval; all three in [0, 1].
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ProbabilityInterval {
    /// The fitted probability.
    pub value: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Linear predictors of one row: the log odds of each class against the baseline.
#[derive(Debug, Clone, PartialEq)]
pub struct Logits {
    /// One entry per class that is not the baseline, in the order of [`MultinomialFit::classes`].
    pub values: DVector<f64>,
    /// Their covariance from the uncertainty of the coefficients.
    pub covariance: DMatrix<f64>,
}

/// A fitted multinomial logistic regression.
///
/// Only classes with rows are in it. Stored and read back through serde with every check repeated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
pub struct MultinomialFit {
    classes: Vec<String>,
    class_rows: Vec<f64>,
    /// The first, always.
    baseline: usize,
    empty_classes: Vec<String>,
    terms: Vec<String>,
    #[serde(with = "lists")]
    coefficients: DMatrix<f64>,
    #[serde(rename = "covariance_lower", with = "lower")]
    covariance: DMatrix<f64>,
    penalty: Penalty,
    log_likelihood: f64,
    penalised_log_likelihood: f64,
    effective_parameters: f64,
    iterations: usize,
    gradient_norm: f64,
    stopped: Stopped,
    cautions: Vec<MultinomialCaution>,
}

pub(super) fn package(
    design: &Design,
    outcomes: &Outcomes,
    penalty: Penalty,
    prepared: &Prepared<'_>,
    solution: &Solution,
) -> Result<MultinomialFit> {
    let (coefficients, covariance) = map_back(prepared, solution);
    let names = outcomes.names();
    let rows = &prepared.class_rows;
    let seen: Vec<usize> = (0..names.len()).filter(|&c| rows[c] > 0).collect();
    let empty_classes: Vec<String> =
        (0..names.len()).filter(|&c| rows[c] == 0).map(|c| names[c].clone()).collect();
    let mut cautions: Vec<MultinomialCaution> =
        empty_classes.iter().map(|c| MultinomialCaution::EmptyClass { class: c.clone() }).collect();
    for &c in seen.iter().filter(|&&c| rows[c] < design.columns()) {
        cautions.push(MultinomialCaution::RareClass {
            class: names[c].clone(),
            rows: rows[c],
            terms: design.columns(),
        });
    }
    let firth = if penalty == Penalty::Firth { determinant_shift(prepared) } else { 0.0 };
    let fit = MultinomialFit {
        classes: seen.iter().map(|&c| names[c].clone()).collect(),
        class_rows: seen.iter().map(|&c| rows[c] as f64).collect(),
        baseline: 0,
        empty_classes,
        terms: design.names().to_vec(),
        coefficients,
        covariance,
        penalty,
        log_likelihood: solution.log_likelihood,
        penalised_log_likelihood: solution.objective + firth,
        effective_parameters: solution.effective,
        iterations: solution.iterations,
        gradient_norm: solution.gradient,
        stopped: solution.stopped,
        cautions,
    };
    fit.check().map_err(|reason| {
        Error::not_converged(
            "the multinomial logistic fit",
            format!("{reason}; choose ridge, or leave terms out"),
        )
    })?;
    Ok(fit)
}

impl MultinomialFit {
    /// Names of the classes with rows, in the order given to the fit; probabilities are in this order.
    pub fn classes(&self) -> &[String] {
        &self.classes
    }

    /// Number of rows of each class in [`MultinomialFit::classes`].
    pub fn class_rows(&self) -> &[f64] {
        &self.class_rows
    }

    /// Classes that were named but had no rows: no coefficients, no probability.
    #[cfg(test)]
    pub(crate) fn empty_classes(&self) -> &[String] {
        &self.empty_classes
    }

    /// The penalty under which it was fitted.
    pub(crate) fn penalty(&self) -> Penalty {
        self.penalty
    }

    /// Names of the terms.
    pub fn terms(&self) -> &[String] {
        &self.terms
    }

    /// Coefficients: one row per class that is not the baseline (in the order of the classes), one column
    /// per term.
    pub(crate) fn coefficients(&self) -> &DMatrix<f64> {
        &self.coefficients
    }

    /// Class and term of every coefficient, in the order of the covariance: all terms of the first class
    /// that is not the baseline, then of the next.
    #[cfg(test)]
    pub(crate) fn coefficient_names(&self) -> impl Iterator<Item = (&str, &str)> {
        (1..self.classes.len())
            .flat_map(move |c| self.terms.iter().map(move |t| (self.classes[c].as_str(), t.as_str())))
    }

    /// Covariance of the coefficients, class by class as in [`MultinomialFit::coefficient_names`]: the
    /// inverse of the expected information at the estimate, for ridge of information plus penalty (the
    /// covariance of the posterior whose prior the penalty is).
    #[cfg(test)]
    pub(crate) fn covariance(&self) -> &DMatrix<f64> {
        &self.covariance
    }

    /// Standard errors, shaped as the coefficients.
    #[cfg(test)]
    pub(crate) fn standard_errors(&self) -> DMatrix<f64> {
        let p = self.terms.len();
        DMatrix::from_fn(self.classes.len() - 1, p, |k, j| self.covariance[(k * p + j, k * p + j)].sqrt())
    }

    /// Log-likelihood at the estimate, without the penalty.
    #[cfg(test)]
    pub(crate) fn log_likelihood(&self) -> f64 {
        self.log_likelihood
    }

    /// The value that was maximised: log-likelihood and penalty together.
    #[cfg(test)]
    pub(crate) fn penalised_log_likelihood(&self) -> f64 {
        self.penalised_log_likelihood
    }

    /// Minus twice the log-likelihood.
    #[cfg(test)]
    pub(crate) fn deviance(&self) -> f64 {
        -2.0 * self.log_likelihood
    }

    /// Akaike's criterion: deviance plus twice the (effective) parameters. With a penalty it is a guide only.
    #[cfg(test)]
    pub(crate) fn aic(&self) -> f64 {
        self.deviance() + 2.0 * self.effective_parameters
    }

    /// Why the iterations ended.
    #[cfg(test)]
    pub(crate) fn stopped(&self) -> Stopped {
        self.stopped
    }

    /// Reasons to distrust the fit.
    #[cfg(test)]
    pub(crate) fn cautions(&self) -> &[MultinomialCaution] {
        &self.cautions
    }

    /// Probability of each class for one row of terms.
    ///
    /// # Errors
    /// [`Error::Shape`] at another number of terms, [`Error::Invalid`] where an entry or the linear
    /// predictor is not finite.
    pub(crate) fn probabilities(&self, row: &[f64]) -> Result<Vec<f64>> {
        let mut out = vec![0.0; self.classes.len()];
        self.probabilities_into(row, &mut out)?;
        Ok(out)
    }

    /// As [`MultinomialFit::probabilities`], into `out` (one entry per class), without allocation.
    ///
    /// # Errors
    /// As there; also [`Error::Shape`] when `out` has another length.
    pub(crate) fn probabilities_into(&self, row: &[f64], out: &mut [f64]) -> Result<()> {
        self.linear_predictors_into(row, out)?;
        softmax(out);
        Ok(())
    }

    /// Probability of a class by its name: `None` for a class that had no rows.
    ///
    /// # Errors
    /// As [`MultinomialFit::probabilities`]; [`Error::UnknownName`] for a class never named.
    #[cfg(test)]
    pub(crate) fn probability_of(&self, class: &str, row: &[f64]) -> Result<Option<f64>> {
        if let Some(c) = self.classes.iter().position(|n| n == class) {
            return Ok(Some(self.probabilities(row)?[c]));
        }
        if self.empty_classes.iter().any(|n| n == class) {
            return Ok(None);
        }
        Err(Error::unknown_name("class", class, self.classes.iter().chain(&self.empty_classes)))
    }

    /// Log odds of each class against the baseline for one row, with their covariance.
    ///
    /// # Errors
    /// As [`MultinomialFit::probabilities`].
    pub(crate) fn logits(&self, row: &[f64]) -> Result<Logits> {
        let mut all = vec![0.0; self.classes.len()];
        self.linear_predictors_into(row, &mut all)?;
        let values = DVector::from_column_slice(&all[1..]);
        let p = row.len();
        let (n, all) = (self.covariance.nrows(), self.covariance.as_slice());
        let covariance = DMatrix::from_fn(values.len(), values.len(), |k, l| {
            let mut sum = 0.0;
            for (i, &xi) in row.iter().enumerate() {
                for (j, &xj) in row.iter().enumerate() {
                    sum += xi * xj * all[(l * p + j) * n + k * p + i];
                }
            }
            sum
        });
        Ok(Logits { values, covariance })
    }

    /// Probability of each class with a confidence interval of the given level (0.9 for 90 %), for the
    /// uncertainty of the coefficients alone: how well the chance is known, not which class will occur.
    ///
    /// By the delta method on the logit of each class against all others (see the head of this file).
    ///
    /// # Errors
    /// As [`MultinomialFit::probabilities`]; [`Error::OutOfRange`] at a level outside (0, 1).
    pub(crate) fn probability_intervals(&self, row: &[f64], level: f64) -> Result<Vec<ProbabilityInterval>> {
        let z = normal_quantile(0.5 + 0.5 * LEVEL.check(level)?);
        let logits = self.logits(row)?;
        let mut eta = vec![0.0; self.classes.len()];
        eta[1..].copy_from_slice(logits.values.as_slice());
        let mut prob = eta.clone();
        softmax(&mut prob);
        let mut out = Vec::with_capacity(eta.len());
        for (c, value) in prob.iter().enumerate() {
            let top = (0..eta.len()).filter(|&l| l != c).map(|l| eta[l]).fold(f64::NEG_INFINITY, f64::max);
            let others: f64 = (0..eta.len()).filter(|&l| l != c).map(|l| (eta[l] - top).exp()).sum();
            let logit = eta[c] - top - others.ln();
            let slope = |l: usize| if l == c { 1.0 } else { -(eta[l] - top).exp() / others };
            let gradient = DVector::from_fn(eta.len() - 1, |k, _| slope(k + 1));
            let variance = gradient.dot(&(&logits.covariance * &gradient)).max(0.0);
            if !variance.is_finite() {
                return Err(far(variance));
            }
            let half = z * variance.sqrt();
            out.push(ProbabilityInterval {
                value: *value,
                low: logistic(logit - half).min(*value),
                high: logistic(logit + half).max(*value),
            });
        }
        Ok(out)
    }

    fn linear_predictors_into(&self, row: &[f64], out: &mut [f64]) -> Result<()> {
        let (p, classes) = (self.terms.len(), self.classes.len());
        check_size("terms of a row", row.len(), p)?;
        check_size("places for probabilities", out.len(), classes)?;
        out.fill(0.0);
        for (k, slot) in out[1..].iter_mut().enumerate() {
            for (j, x) in row.iter().enumerate() {
                *slot += self.coefficients[(k, j)] * x;
            }
        }
        match out.iter().find(|v| !v.is_finite()) {
            Some(v) => Err(far(*v)),
            None => Ok(()),
        }
    }

    /// The invariants, in words where one fails.
    fn check(&self) -> std::result::Result<(), String> {
        let (n, p) = (self.classes.len(), self.terms.len());
        if n < 2 || p == 0 {
            return Err(format!("{n} classes and {p} terms (accepted: at least 2 and 1)"));
        }
        check_names("classes", &self.classes).map_err(|e| e.to_string())?;
        check_names("empty_classes", &self.empty_classes).map_err(|e| e.to_string())?;
        if self.baseline != 0 {
            return Err(format!("baseline {} (accepted: 0, the first class)", self.baseline));
        }
        if let Some(both) = self.empty_classes.iter().find(|c| self.classes.contains(c)) {
            return Err(format!("{both} is both fitted and empty"));
        }
        if self.class_rows.len() != n || !self.class_rows.iter().all(|r| *r > 0.0 && r.is_finite()) {
            return Err("class_rows must be one positive number per class".into());
        }
        let q = (n - 1) * p;
        if self.coefficients.shape() != (n - 1, p) || self.covariance.shape() != (q, q) {
            return Err(format!("coefficients must be {} by {p}, the covariance {q} by {q}", n - 1));
        }
        let scalars = [
            self.log_likelihood,
            self.penalised_log_likelihood,
            self.effective_parameters,
            self.gradient_norm,
        ];
        let numbers = self.coefficients.iter().chain(self.covariance.iter()).chain(&scalars);
        if !numbers.into_iter().all(|v| v.is_finite()) {
            return Err("a number is not finite".into());
        }
        if let Penalty::Ridge { lambda } = self.penalty
            && !(lambda > 0.0 && lambda.is_finite())
        {
            return Err(format!("lambda {lambda} (accepted: finite numbers above 0)"));
        }
        // Scaled to correlations, so that units do not matter; the small addition allows for rounding.
        let scale: Vec<f64> = (0..q).map(|i| self.covariance[(i, i)].sqrt()).collect();
        if !scale.iter().all(|s| *s > 0.0) {
            return Err("a variance is not positive".into());
        }
        let correlation = DMatrix::from_fn(q, q, |i, j| {
            self.covariance[(i, j)] / (scale[i] * scale[j]) + if i == j { 1e-12 } else { 0.0 }
        });
        match correlation.cholesky() {
            Some(_) => Ok(()),
            None => Err("the covariance is not positive definite".into()),
        }
    }
}

fn far(value: f64) -> Error {
    Error::invalid(
        "row",
        format!(
            "its terms give the linear predictor {value} (accepted: finite terms, not astronomically large)"
        ),
    )
}

/// Exponentials over their sum, safe against overflow.
fn softmax(values: &mut [f64]) {
    let top = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mut sum = 0.0;
    for v in values.iter_mut() {
        *v = (*v - top).exp();
        sum += *v;
    }
    for v in values.iter_mut() {
        *v /= sum;
    }
}

fn logistic(x: f64) -> f64 {
    if x >= 0.0 {
        1.0 / (1.0 + (-x).exp())
    } else {
        let e = x.exp();
        e / (1.0 + e)
    }
}

impl Serialize for MultinomialFit {
    fn serialize<S: Serializer>(&self, to: S) -> std::result::Result<S::Ok, S::Error> {
        MultinomialFit::serialize(self, to)
    }
}

impl<'de> Deserialize<'de> for MultinomialFit {
    fn deserialize<D: Deserializer<'de>>(from: D) -> std::result::Result<Self, D::Error> {
        let fit = MultinomialFit::deserialize(from)?;
        fit.check().map_err(|reason| D::Error::custom(format!("termination model: {reason}")))?;
        Ok(fit)
    }
}

/// Coefficients in a file: a list of lists, row by row.
mod lists {
    use super::*;

    pub(super) fn serialize<S: Serializer>(m: &DMatrix<f64>, to: S) -> std::result::Result<S::Ok, S::Error> {
        to.collect_seq(m.row_iter().map(|r| r.iter().copied().collect::<Vec<f64>>()))
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(
        from: D,
    ) -> std::result::Result<DMatrix<f64>, D::Error> {
        let rows = Vec::<Vec<f64>>::deserialize(from)?;
        let p = rows.first().map_or(0, Vec::len);
        if rows.iter().any(|r| r.len() != p) {
            return Err(D::Error::custom("coefficients: lists of different lengths"));
        }
        Ok(DMatrix::from_row_iterator(rows.len(), p, rows.into_iter().flatten()))
    }
}

/// A covariance in a file: its lower triangle, row by row.
mod lower {
    use super::*;

    pub(super) fn serialize<S: Serializer>(m: &DMatrix<f64>, to: S) -> std::result::Result<S::Ok, S::Error> {
        to.collect_seq((0..m.nrows()).flat_map(|i| (0..=i).map(move |j| m[(i, j)])))
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(
        from: D,
    ) -> std::result::Result<DMatrix<f64>, D::Error> {
        let lower = Vec::<f64>::deserialize(from)?;
        let q = (0..).find(|q| q * (q + 1) / 2 >= lower.len()).unwrap_or(0);
        if q * (q + 1) / 2 != lower.len() {
            return Err(D::Error::custom(format!(
                "covariance_lower: {} numbers make no triangle",
                lower.len()
            )));
        }
        let at = |i: usize, j: usize| lower[i.max(j) * (i.max(j) + 1) / 2 + i.min(j)];
        Ok(DMatrix::from_fn(q, q, at))
    }
}
