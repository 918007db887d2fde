//! The rows of a fit with a modelled spread: log-likelihood and restricted log-likelihood at one value of the scale
//! terms, their score and information.

use super::{Criterion, LocationScale};
use crate::error::Result;
use crate::fit::Design;
use nalgebra::{DMatrix, DVector, QR};
use std::f64::consts::PI;

/// The rows and settings that stay as they are during a fit.
pub(super) struct Problem<'a> {
    pub(super) location: &'a Design,
    pub(super) scale: &'a Design,
    pub(super) x: &'a DMatrix<f64>,
    pub(super) z: &'a DMatrix<f64>,
    pub(super) y: DVector<f64>,
    pub(super) criterion: Criterion,
    /// λ times the squared standard deviation of each scale column.
    pub(super) penalty: DVector<f64>,
}

/// Everything known at one value of γ.
pub(super) struct Point {
    pub(super) gamma: DVector<f64>,
    pub(super) ln_sigma: DVector<f64>,
    /// Thin Q and R of the weighted location rows.
    pub(super) q: DMatrix<f64>,
    pub(super) r: DMatrix<f64>,
    pub(super) qty: DVector<f64>,
    /// Standardised residuals e.
    pub(super) e: DVector<f64>,
    pub(super) ml: f64,
    pub(super) reml: f64,
    pub(super) objective: f64,
}

impl<'a> Problem<'a> {
    pub(super) fn new(
        location: &'a Design,
        scale: &'a Design,
        y: &[f64],
        settings: &LocationScale,
    ) -> Result<Self> {
        let z = scale.matrix();
        let penalty =
            DVector::from_iterator(z.ncols(), z.column_iter().map(|c| settings.ridge * c.variance()));
        let y = DVector::from_column_slice(y);
        Ok(Problem { location, scale, x: location.matrix(), z, y, criterion: settings.criterion, penalty })
    }

    /// The likelihoods at γ; none where they are not finite or the weighted rows have lost rank.
    pub(super) fn at(&self, gamma: DVector<f64>) -> Option<Point> {
        let (n, p) = self.x.shape();
        let ln_sigma = self.z * &gamma;
        let root_weight = ln_sigma.map(|s| (-s).exp());
        let mut rows = self.x.clone();
        for mut column in rows.column_iter_mut() {
            column.component_mul_assign(&root_weight);
        }
        let target = self.y.component_mul(&root_weight);
        let (q, r) = {
            let qr = QR::new(rows);
            (qr.q(), qr.unpack_r())
        };
        let qty = q.tr_mul(&target);
        let mut e = target;
        e.gemv(-1.0, &q, &qty, 1.0);
        // A second pass takes out what rounding left along Q.
        let rest = q.tr_mul(&e);
        e.gemv(-1.0, &q, &rest, 1.0);
        let qty = qty + rest;
        let ln_det: f64 = 2.0 * r.diagonal().iter().map(|d| d.abs().ln()).sum::<f64>();
        let ml = -0.5 * n as f64 * (2.0 * PI).ln() - ln_sigma.sum() - 0.5 * e.norm_squared();
        let reml = ml + 0.5 * p as f64 * (2.0 * PI).ln() - 0.5 * ln_det;
        let likelihood = match self.criterion {
            Criterion::Ml => ml,
            Criterion::Reml => reml,
        };
        let penalty = 0.5 * gamma.iter().zip(&self.penalty).map(|(g, l)| l * g * g).sum::<f64>();
        let objective = likelihood - penalty;
        (objective.is_finite() && reml.is_finite()).then_some(Point {
            gamma,
            ln_sigma,
            q,
            r,
            qty,
            e,
            ml,
            reml,
            objective,
        })
    }

    /// Score of the objective.
    pub(super) fn score(&self, here: &Point) -> DVector<f64> {
        let mut excess = here.e.map(|e| e * e - 1.0);
        if self.criterion == Criterion::Reml {
            for column in here.q.column_iter() {
                excess.zip_apply(&column, |v, q| *v += q * q);
            }
        }
        self.z.tr_mul(&excess) - here.gamma.component_mul(&self.penalty)
    }

    /// Expected information of γ under the criterion, without the penalty.
    pub(super) fn expected(&self, here: &Point) -> DMatrix<f64> {
        let (n, p) = self.x.shape();
        let terms = self.z.ncols();
        let mut weight = DVector::from_element(n, 2.0);
        let mut pairs = DMatrix::zeros(terms, terms);
        if self.criterion == Criterion::Reml {
            let mut product = DVector::zeros(n);
            let mut t = DVector::zeros(terms);
            for a in 0..p {
                for b in 0..=a {
                    product.copy_from(&here.q.column(a));
                    product.component_mul_assign(&here.q.column(b));
                    if a == b {
                        weight.axpy(-4.0, &product, 1.0);
                    }
                    t.gemv_tr(1.0, self.z, &product, 0.0);
                    let twice = if a == b { 2.0 } else { 4.0 };
                    pairs.ger(twice, &t, &t, 1.0);
                }
            }
        }
        weighted_gram(self.z, &weight) + pairs
    }

    /// Observed information of γ under the criterion, without the penalty.
    pub(super) fn observed(&self, here: &Point, expected: &DMatrix<f64>) -> DMatrix<f64> {
        let mut spread = self.z.clone();
        for mut column in spread.column_iter_mut() {
            column.component_mul_assign(&here.e);
        }
        let along = here.q.tr_mul(&spread);
        let mut info = spread.tr_mul(&spread) * 4.0 - along.tr_mul(&along) * 4.0;
        if self.criterion == Criterion::Reml {
            let mut weight = here.e.map(|e| 2.0 - 2.0 * e * e);
            for column in here.q.column_iter() {
                weight.zip_apply(&column, |w, q| *w -= 2.0 * q * q);
            }
            info -= expected;
            info += weighted_gram(self.z, &weight);
        } else {
            // The profile over β: 2 Z'diag(e²)Z less what β takes up.
            let weight = here.e.map(|e| -2.0 * e * e);
            info += weighted_gram(self.z, &weight);
        }
        info
    }
}

/// Z' diag(w) Z.
pub(crate) fn weighted_gram(z: &DMatrix<f64>, w: &DVector<f64>) -> DMatrix<f64> {
    let q = z.ncols();
    let mut gram = DMatrix::zeros(q, q);
    let mut weighted = DVector::zeros(z.nrows());
    for a in 0..q {
        weighted.copy_from(&z.column(a));
        weighted.component_mul_assign(w);
        for b in 0..=a {
            let sum = weighted.dot(&z.column(b));
            gram[(a, b)] = sum;
            gram[(b, a)] = sum;
        }
    }
    gram
}
