//! What a shrunken fit is given, standardised, and where an iteration stands.

use crate::error::{Error, Result, at_least};
use nalgebra::{DMatrix, DVector};

/// Numbers that the columns of a fit may take at most (a gigabyte). This crate's choice, no source.
const MOST_NUMBERS: usize = 1 << 27;
/// Groups of rows and what their effects count in each.
#[derive(Debug, Clone, PartialEq)]
pub struct SharedRows {
    /// The group of every row, from 0.
    pub of: Vec<usize>,
    /// Number of groups.
    pub groups: usize,
    /// Weights of the effects: a column of ones, then a column for each slope that varies.
    pub weights: DMatrix<f64>,
}

impl SharedRows {
    /// Intercepts that differ from group to group.
    #[cfg(test)]
    pub fn intercepts(of: Vec<usize>, groups: usize) -> SharedRows {
        let weights = DMatrix::from_element(of.len(), 1, 1.0);
        SharedRows { of, groups, weights }
    }

    /// Effects of one group: 1, or more with slopes.
    pub fn order(&self) -> usize {
        self.weights.ncols()
    }

    pub(super) fn columns(&self) -> usize {
        self.groups * self.order()
    }

    /// Refuses what cannot be fitted: other rows than the responses, fewer than two groups.
    pub(super) fn check(&self, rows: usize) -> Result<()> {
        let of = self.of.len().max(self.weights.nrows()).max(self.of.iter().max().map_or(0, |g| g + 1));
        if self.of.len() != rows || self.weights.nrows() != rows || self.of.iter().any(|g| *g >= self.groups)
        {
            return Err(Error::Shape { what: "rows of the groups".into(), found: of, expected: rows });
        }
        at_least("groups", self.groups, 2)?;
        if rows.saturating_mul(self.columns()) > MOST_NUMBERS {
            return Err(Error::invalid(
                "group",
                format!(
                    "{rows} rows in {} groups are more than one fit can hold; fit fewer groups",
                    self.groups
                ),
            ));
        }
        if self.groups == rows {
            return Err(Error::invalid("group", "every row is a group of its own, so none shares anything"));
        }
        Ok(())
    }
}

/// Standardised columns, their penalties, and the response.
pub(super) struct Problem {
    pub x: DMatrix<f64>,
    pub z: DMatrix<f64>,
    pub y: DVector<f64>,
    pub penalised: Vec<bool>,
    /// Ends of the range of λ; equal where it is given.
    pub lambda_range: (f64, f64),
    /// Natural logarithm of the standard deviation of the response.
    pub ln_size: f64,
    /// Effects that groups of rows share, the outer first.
    pub shared: Vec<SharedRows>,
    /// What each row counts.
    pub w: Vec<f64>,
}

/// Degrees of freedom and weight w of every row, with a and k, which w multiplies.
pub(super) struct Freedom {
    pub nu: Vec<f64>,
    pub w: Vec<f64>,
    pub a: Vec<f64>,
    pub k: Vec<f64>,
}

impl Freedom {
    pub fn new(nu: Vec<f64>, w: Vec<f64>) -> Freedom {
        let ratio = |add: f64| {
            let of = move |(v, w): (&f64, &f64)| if v.is_finite() { w * (v + add) / (v + 3.0) } else { *w };
            nu.iter().zip(&w).map(of).collect()
        };
        let (a, k) = (ratio(1.0), ratio(0.0));
        Freedom { nu, w, a, k }
    }

    pub fn root_a(&self, i: usize) -> f64 {
        self.a[i].sqrt()
    }

    /// The weight of a row with squared standardised residual u.
    pub fn weight(&self, i: usize, u: f64) -> f64 {
        let nu = self.nu[i];
        self.w[i] * if nu.is_finite() { (nu + 1.0) / (nu + u) } else { 1.0 }
    }

    /// What a row takes from the log-likelihood, beyond its constants.
    pub fn loss(&self, i: usize, u: f64) -> f64 {
        let nu = self.nu[i];
        self.w[i] * if nu.is_finite() { 0.5 * (nu + 1.0) * (u / nu).ln_1p() } else { 0.5 * u }
    }
}

/// Where an iteration stands.
#[derive(Debug, Clone)]
pub(super) struct State {
    /// Coefficients of the fixed columns, then those of the shared effects.
    pub beta: DVector<f64>,
    pub gamma: DVector<f64>,
    pub lambda: f64,
    /// Covariance of each shared effect between groups.
    pub between: Vec<DMatrix<f64>>,
}

/// R and the rows of Q that belong to the data, at one γ and λ.
pub(super) struct Factor {
    pub q: DMatrix<f64>,
    /// R⁻¹, upper triangular.
    pub inverse: DMatrix<f64>,
    /// ln |X'DX + Λ|.
    pub ln_det: f64,
    pub h: DVector<f64>,
}

pub(super) fn failed(reason: &str) -> Error {
    Error::not_converged("the shrunken fit", reason)
}
