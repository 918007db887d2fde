//! Multinomial (baseline-category) logistic regression with a penalty for rare and separated classes.
//!
//! Model: classes 0..m with baseline 0; P(y_i = k) = exp(x_i'β_k) / Σ_l exp(x_i'β_l), β_0 = 0, β_k of p
//! terms. What is maximised, with ℓ the log-likelihood and I the expected
//! information (here also the observed one): ℓ + ½ log|I| ([`Penalty::Firth`]) or
//! ℓ - λ/2 Σ_j s_j² Σ_k (β_kj - mean_k β_kj)² over all m + 1 classes ([`Penalty::Ridge`]). Columns are centred and scaled inside and coefficients mapped back; damped Newton
//! with Cholesky; the passes over the rows are in blocks and, with the feature `parallel`, on several
//! threads with the same bytes for any number of them. Not covered: ordered classes, random effects.
//!
//! | file | holds |
//! |---|---|
//! | `accumulate` | one blocked pass over the rows |
//! | `solve` | standardisation, rank, Newton |
//! | `fitted` | the fit: coefficients, probabilities, intervals, storing |
//! | `score` | log score, Brier score |

mod accumulate;
mod fitted;
mod score;
mod solve;

pub use fitted::MultinomialFit;
pub(crate) use score::{Score, brier_scores, log_scores};

use crate::error::{Error, Place, Result};
use crate::fit::Design;
use serde::{Deserialize, Serialize};

/// What is added to the log-likelihood.
///
/// Firth is the default because terminations are rare: with a dozen steps in a table the unpenalised
/// estimate is biased away from even odds and is infinite as soon as a term happens to separate a class.
/// The Jeffreys prior removes the bias of first order, keeps every estimate finite, does not depend on
/// units, baseline or any strength to choose, and fades as flakes are added. Ridge predicts better
/// where there are many terms for few flakes, at the price of coefficients pulled towards no effect; a very weak one is
/// plain maximum likelihood, where no term separates a class.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[non_exhaustive]
pub(crate) enum Penalty {
    /// Half the log-determinant of the information (Jeffreys prior). D. Firth 1993, Biometrika 80:27-38;
    /// for several classes I. Kosmidis and D. Firth 2011, Biometrika 98:755-759 (both from memory).
    #[default]
    Firth,
    /// A quadratic penalty on everything but the intercept, per standard deviation of the column in the rows fitted
    /// (divisor n; without an intercept, per root mean square), so that units do not matter.
    ///
    /// The spread of a term's coefficients over all classes (the baseline's being zero) is penalised, not
    /// their distance from the baseline, so that the choice of baseline changes no probability. With two
    /// classes this is λ/4 of the squared coefficient.
    Ridge {
        /// The strength λ, above 0, against the log-likelihood summed (not averaged) over rows.
        lambda: f64,
    },
}

/// The class of each row, with the names of the classes.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcomes {
    names: Vec<String>,
    class_of_row: Vec<usize>,
}

impl Outcomes {
    /// From class names and, for each row, an index into them. Classes without rows may be named: they get
    /// no coefficients and no probability.
    ///
    /// # Errors
    /// [`Error::Invalid`] at an empty or repeated name, [`Error::OutOfRange`] at an index without a name.
    pub fn new(names: Vec<String>, class_of_row: Vec<usize>) -> Result<Self> {
        check_names("classes", &names)?;
        if let Some(i) = class_of_row.iter().position(|c| *c >= names.len()) {
            return Err(Error::out_of_range(
                Place::cell(i as u64 + 1, "class"),
                class_of_row[i] as f64,
                format!("class indices from 0, below {}", names.len()),
            ));
        }
        Ok(Outcomes { names, class_of_row })
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.class_of_row.len()
    }

    /// Names of the classes.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The class of each row, as an index into the names.
    pub fn class_of_row(&self) -> &[usize] {
        &self.class_of_row
    }

    /// Number of rows by class.
    pub fn class_rows(&self) -> Vec<usize> {
        let mut rows = vec![0; self.names.len()];
        self.class_of_row.iter().for_each(|c| rows[*c] += 1);
        rows
    }
}

fn check_names(field: &str, names: &[String]) -> Result<()> {
    for (i, name) in names.iter().enumerate() {
        if name.trim().is_empty() {
            return Err(Error::invalid(field, format!("name {} is empty", i + 1)));
        }
        if names[..i].contains(name) {
            return Err(Error::invalid(field, format!("\"{name}\" is named twice")));
        }
    }
    Ok(())
}

/// Why the iterations ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[non_exhaustive]
pub enum Stopped {
    /// The gradient vanished within the tolerance.
    Converged,
    /// No step raised the objective any more, within 1e-5 standard errors of the optimum: rounding.
    Rounding,
}

/// A reason to distrust a fit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[non_exhaustive]
pub enum MultinomialCaution {
    /// A class without rows: it has no probability, which is not the same as probability zero.
    EmptyClass {
        /// Its name.
        class: String,
    },
    /// A class with fewer rows than each class has coefficients.
    RareClass {
        /// Its name.
        class: String,
        /// Its rows.
        rows: usize,
        /// Coefficients of a class.
        terms: usize,
    },
}

/// Fits a multinomial logistic regression; the first class with rows is the one that others are compared with.
///
/// The intercept is the first constant column of the design, if it has one; it is not penalised by ridge.
///
/// # Errors
/// [`Error::Shape`] when classes and design differ in rows; [`Error::TooFew`] with fewer rows than terms or
/// fewer than two classes with rows; [`Error::RankDeficient`] naming a term that earlier ones determine;
/// [`Error::OutOfRange`] at a strength of the penalty; [`Error::NotConverged`] with the reason.
pub fn fit(design: &Design, outcomes: &Outcomes, penalty: Penalty) -> Result<MultinomialFit> {
    fit_within(design, outcomes, penalty, solve::TOLERANCE)
}

/// The same, so near the optimum, in standard errors.
pub(super) fn fit_within(
    design: &Design,
    outcomes: &Outcomes,
    penalty: Penalty,
    tolerance: f64,
) -> Result<MultinomialFit> {
    let prepared = solve::prepare(design, outcomes)?;
    let solution = solve::Solver::new(&prepared, penalty)?.run(tolerance)?;
    fitted::package(design, outcomes, penalty, &prepared, &solution)
}
