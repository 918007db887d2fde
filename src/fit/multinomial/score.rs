//! How good probabilities were: log score and Brier score.
//!
//! Probabilities come as one slice, row after row, `classes` entries a row, with the class that happened as
//! an index per row. Log score: -log p of what happened, in nats. Brier: Σ_k (p_k - 1{y = k})², from 0 to 2.
//! For both less is better, and both are proper (best in the mean when the true chances are told): G. W.
//! Brier 1950, Monthly Weather Review 78:1-3; T. Gneiting and A. E. Raftery 2007, JASA 102:359-378 (both
//! from memory).

use crate::error::{Result, at_least, check_size};
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
        check_size("weights", weights.map_or(scores.len(), <[f64]>::len), scores.len())?;
        let weight = |i: usize| weights.map_or(1.0, |w| w[i]);
        let used: Vec<usize> = (0..scores.len()).filter(|&i| weight(i) > 0.0).collect();
        at_least("scores", used.len(), 1)?;
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
pub fn log_scores(probabilities: &[f64], classes: usize, happened: &[usize]) -> Vec<f64> {
    // The addition turns the negative zero of a certain event into zero.
    rows(probabilities, classes, happened).map(|(p, k)| 0.0 - p[k].ln()).collect()
}

/// Brier score of each row.
pub fn brier_scores(probabilities: &[f64], classes: usize, happened: &[usize]) -> Vec<f64> {
    rows(probabilities, classes, happened)
        .map(|(p, k)| p.iter().enumerate().map(|(l, v)| (v - f64::from(u8::from(l == k))).powi(2)).sum())
        .collect()
}

fn rows<'a>(
    probabilities: &'a [f64],
    classes: usize,
    happened: &'a [usize],
) -> impl Iterator<Item = (&'a [f64], usize)> {
    probabilities.chunks_exact(classes).zip(happened.iter().copied())
}
