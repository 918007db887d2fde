//! How good probabilities were: log score, Brier score, reliability.
//!
//! Probabilities come as one slice, row after row, `classes` entries a row, with the class that happened as
//! an index per row. Log score: -log p of what happened, in nats. Brier: Σ_k (p_k - 1{y = k})², from 0 to 2.
//! For both less is better, and both are proper (best in the mean when the true chances are told): G. W.
//! Brier 1950, Monthly Weather Review 78:1-3; T. Gneiting and A. E. Raftery 2007, JASA 102:359-378 (both
//! from memory).

use crate::error::{Error, Place, Result};
use serde::{Deserialize, Serialize};

/// A mean over rows with its standard error.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Score {
    /// Weighted mean.
    pub mean: f64,
    /// Standard error of the mean: standard deviation (divisor n - 1) over root n; not a number for one row.
    pub standard_error: f64,
    /// Rows of positive weight.
    pub rows: usize,
}

impl Score {
    /// Mean and standard error of scores, or of differences of scores between two models on the same rows.
    ///
    /// With weights w (how much a row counts) the mean is Σ w s / Σ w, and the standard error is
    /// sqrt(n / (n - 1) Σ w² (s - mean)²) / Σ w.
    ///
    /// # Errors
    /// [`Error::TooFew`] without rows, [`Error::Shape`] at another number of weights.
    pub fn of(scores: &[f64], weights: Option<&[f64]>) -> Result<Self> {
        if let Some(w) = weights
            && w.len() != scores.len()
        {
            return Err(Error::Shape { what: "weights".into(), found: w.len(), expected: scores.len() });
        }
        let weight = |i: usize| weights.map_or(1.0, |w| w[i]);
        let used: Vec<usize> = (0..scores.len()).filter(|&i| weight(i) > 0.0).collect();
        if used.is_empty() {
            return Err(Error::TooFew { what: "scores".into(), found: 0, needed: 1 });
        }
        let total: f64 = used.iter().map(|&i| weight(i)).sum();
        let mean = used.iter().map(|&i| weight(i) * scores[i]).sum::<f64>() / total;
        let n = used.len() as f64;
        let squares: f64 = used.iter().map(|&i| (weight(i) * (scores[i] - mean)).powi(2)).sum();
        let standard_error = (n / (n - 1.0) * squares).sqrt() / total;
        Ok(Score { mean, standard_error, rows: used.len() })
    }
}

/// Log score of each row: minus the logarithm of the probability of what happened (infinite where that was
/// given no chance).
///
/// # Errors
/// [`Error::Shape`] or [`Error::OutOfRange`] when the probabilities are not `classes` numbers in [0, 1] a row
/// that sum to one, or a class does not exist.
pub fn log_scores(probabilities: &[f64], classes: usize, happened: &[usize]) -> Result<Vec<f64>> {
    check(probabilities, classes, happened)?;
    // The addition turns the negative zero of a certain event into zero.
    Ok(rows(probabilities, classes, happened).map(|(p, k)| 0.0 - p[k].ln()).collect())
}

/// Brier score of each row.
///
/// # Errors
/// As [`log_scores`].
pub fn brier_scores(probabilities: &[f64], classes: usize, happened: &[usize]) -> Result<Vec<f64>> {
    check(probabilities, classes, happened)?;
    Ok(rows(probabilities, classes, happened)
        .map(|(p, k)| p.iter().enumerate().map(|(l, v)| (v - f64::from(u8::from(l == k))).powi(2)).sum())
        .collect())
}

fn rows<'a>(
    probabilities: &'a [f64],
    classes: usize,
    happened: &'a [usize],
) -> impl Iterator<Item = (&'a [f64], usize)> {
    probabilities.chunks_exact(classes).zip(happened.iter().copied())
}

fn check(probabilities: &[f64], classes: usize, happened: &[usize]) -> Result<()> {
    if classes == 0 || Some(probabilities.len()) != classes.checked_mul(happened.len()) {
        return Err(Error::Shape {
            what: format!("probabilities of {classes} classes"),
            found: probabilities.len(),
            expected: classes.saturating_mul(happened.len()),
        });
    }
    for (i, (p, k)) in rows(probabilities, classes, happened).enumerate() {
        let place = || Place::cell(i as u64 + 1, "probability");
        if k >= classes {
            return Err(Error::OutOfRange {
                at: Place::cell(i as u64 + 1, "class"),
                value: k as f64,
                accepted: format!("class indices from 0, below {classes}"),
            });
        }
        if let Some(v) = p.iter().find(|v| !(0.0..=1.0).contains(*v)) {
            return Err(Error::OutOfRange { at: place(), value: *v, accepted: "0 to 1".into() });
        }
        let sum: f64 = p.iter().sum();
        if (sum - 1.0).abs() > 1e-9 {
            return Err(Error::OutOfRange {
                at: place(),
                value: sum,
                accepted: "probabilities of a row that sum to 1".into(),
            });
        }
    }
    Ok(())
}
