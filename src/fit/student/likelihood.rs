//! The rows of a fit with Student-t errors: log-likelihood, score and information of all coefficients, with both
//! designs turned to orthogonal columns.

use super::StudentFit;
use super::kappa::{Expected, gamma_ratio, tail, tail_slopes};
use crate::error::{Error, Result};
use crate::fit::Design;
use crate::fit::location_scale::weighted_gram;
use nalgebra::{DMatrix, DVector, QR};
use std::f64::consts::PI;

/// The rows, with both designs turned to orthogonal columns of squared length n.
pub(super) struct Problem<'a> {
    pub(super) location: &'a Design,
    pub(super) scale: &'a Design,
    pub(super) y: &'a [f64],
    pub(super) x: DMatrix<f64>,
    pub(super) x_root: DMatrix<f64>,
    pub(super) z: DMatrix<f64>,
    pub(super) z_root: DMatrix<f64>,
    /// ln σ of least squares.
    pub(super) common: f64,
    pub(super) ols: DVector<f64>,
}

/// A value of all coefficients (β and γ in the turned coordinates), with its rows.
pub(super) struct Theta {
    pub(super) b: DVector<f64>,
    pub(super) g: DVector<f64>,
    pub(super) kappa: f64,
    pub(super) ln_sigma: DVector<f64>,
    pub(super) e: DVector<f64>,
    pub(super) ln_likelihood: f64,
}

/// Score and information, in the order b, g, κ.
pub(super) struct Slopes {
    pub(super) score: DVector<f64>,
    pub(super) expected: DMatrix<f64>,
}

fn turned(design: &Design) -> (DMatrix<f64>, DMatrix<f64>) {
    let n = design.rows() as f64;
    let qr = QR::new(design.matrix().clone());
    (qr.q() * n.sqrt(), qr.unpack_r() / n.sqrt())
}

impl<'a> Problem<'a> {
    pub(super) fn new(location: &'a Design, scale: &'a Design, y: &'a [f64]) -> Result<Self> {
        let n = y.len() as f64;
        let ((x, x_root), (z, z_root)) = (turned(location), turned(scale));
        let response = DVector::from_column_slice(y);
        let ols = x.tr_mul(&response) / n;
        let residuals = &response - &x * &ols;
        let common = (residuals.norm() / (n - x.ncols() as f64).sqrt()).ln();
        if response.amax() == 0.0 || residuals.amax() <= 1e-12 * response.amax() {
            return Err(Error::invalid(
                "response",
                "the location terms fit every row exactly, so no spread can be estimated",
            ));
        }
        if !common.is_finite() {
            return Err(Error::invalid("response", "the numbers are too large or too small to be fitted"));
        }
        Ok(Problem { location, scale, y, x, x_root, z, z_root, common, ols })
    }

    pub(super) fn least_squares(&self, kappa: f64) -> Result<Theta> {
        let n = self.y.len();
        let g = self.z.tr_mul(&DVector::from_element(n, self.common)) / n as f64;
        self.at(self.ols.clone(), g, kappa)
            .ok_or_else(|| Error::invalid("response", "the numbers are too large or too small to be fitted"))
    }

    /// The coefficients of another fit in the turned coordinates.
    pub(super) fn rotated(&self, fit: &StudentFit, kappa: f64) -> Option<Theta> {
        self.at(&self.x_root * &fit.beta, &self.z_root * &fit.gamma, kappa)
    }

    pub(super) fn at(&self, b: DVector<f64>, g: DVector<f64>, kappa: f64) -> Option<Theta> {
        let ln_sigma = &self.z * &g;
        let mut e = &self.x * &b;
        let mut sum = 0.0;
        for ((e, y), s) in e.iter_mut().zip(self.y).zip(ln_sigma.iter()) {
            *e = (y - *e) * (-s).exp();
            sum -= s + 0.5 * (1.0 + kappa) * tail(*e * *e, kappa);
        }
        let constant = gamma_ratio(kappa)[0] - 0.5 * (2.0 * PI).ln();
        let ln_likelihood = sum + self.y.len() as f64 * constant;
        ln_likelihood.is_finite().then_some(Theta { b, g, kappa, ln_sigma, e, ln_likelihood })
    }

    pub(super) fn slopes(&self, here: &Theta) -> Slopes {
        let (p, q) = (self.x.ncols(), self.z.ncols());
        let n = self.y.len();
        let k = here.kappa;
        let (mut along_x, mut along_z) = (DVector::zeros(n), DVector::zeros(n));
        let mut along_kappa = n as f64 * gamma_ratio(k)[1];
        for i in 0..n {
            let (e, u) = (here.e[i], here.e[i] * here.e[i]);
            let w = (1.0 + k) / (1.0 + k * u);
            along_x[i] = w * e * (-here.ln_sigma[i]).exp();
            along_z[i] = w * u - 1.0;
            let [l, l1, _] = tail_slopes(u, k);
            along_kappa -= 0.5 * (l + (1.0 + k) * l1);
        }
        let mut score = DVector::zeros(p + q + 1);
        score.rows_mut(0, p).gemv_tr(1.0, &self.x, &along_x, 0.0);
        score.rows_mut(p, q).gemv_tr(1.0, &self.z, &along_z, 0.0);
        score[p + q] = along_kappa;
        let per_row = Expected::at(k);
        let mut expected = DMatrix::zeros(p + q + 1, p + q + 1);
        let weights = here.ln_sigma.map(|s| per_row.location * (-2.0 * s).exp());
        expected.view_mut((0, 0), (p, p)).copy_from(&weighted_gram(&self.x, &weights));
        expected.view_mut((p, p), (q + 1, q + 1)).copy_from(&self.scale_information(&self.z, k));
        Slopes { score, expected }
    }

    /// Expected information of γ (for the columns given) and κ.
    pub(super) fn scale_information(&self, z: &DMatrix<f64>, kappa: f64) -> DMatrix<f64> {
        let (n, q) = z.shape();
        let per_row = Expected::at(kappa);
        let mut information = DMatrix::zeros(q + 1, q + 1);
        let gram = weighted_gram(z, &DVector::from_element(n, per_row.scale));
        information.view_mut((0, 0), (q, q)).copy_from(&gram);
        for (j, column) in z.column_iter().enumerate() {
            information[(j, q)] = per_row.scale_kappa * column.sum();
            information[(q, j)] = information[(j, q)];
        }
        information[(q, q)] = n as f64 * per_row.kappa;
        information
    }

    /// Observed information, in the order b, g, κ.
    pub(super) fn observed(&self, here: &Theta) -> DMatrix<f64> {
        let (p, q) = (self.x.ncols(), self.z.ncols());
        let n = self.y.len();
        let k = here.kappa;
        let zeros = || DVector::zeros(n);
        let (mut xx, mut xz, mut zz, mut xk, mut zk) = (zeros(), zeros(), zeros(), zeros(), zeros());
        let mut kk = -(n as f64) * gamma_ratio(k)[2];
        for i in 0..n {
            let (e, u) = (here.e[i], here.e[i] * here.e[i]);
            let inverse = (-here.ln_sigma[i]).exp();
            let shrink = 1.0 + k * u;
            let w = (1.0 + k) / shrink;
            let wu = -(1.0 + k) * k / (shrink * shrink);
            let wk = (1.0 - u) / (shrink * shrink);
            let [_, l1, l2] = tail_slopes(u, k);
            xx[i] = (w + 2.0 * u * wu) * inverse * inverse;
            xz[i] = (2.0 * w + 2.0 * u * wu) * e * inverse;
            zz[i] = 2.0 * u * (w + u * wu);
            xk[i] = -wk * e * inverse;
            zk[i] = -wk * u;
            kk += l1 + 0.5 * (1.0 + k) * l2;
        }
        let mut information = DMatrix::zeros(p + q + 1, p + q + 1);
        information.view_mut((0, 0), (p, p)).copy_from(&weighted_gram(&self.x, &xx));
        information.view_mut((p, p), (q, q)).copy_from(&weighted_gram(&self.z, &zz));
        let mut weighted = DVector::zeros(n);
        for c in 0..q {
            weighted.copy_from(&self.z.column(c));
            weighted.component_mul_assign(&xz);
            for a in 0..p {
                let sum = weighted.dot(&self.x.column(a));
                information[(a, p + c)] = sum;
                information[(p + c, a)] = sum;
            }
        }
        for (j, sum) in self.x.tr_mul(&xk).iter().chain(&self.z.tr_mul(&zk)).enumerate() {
            information[(j, p + q)] = *sum;
            information[(p + q, j)] = *sum;
        }
        information[(p + q, p + q)] = kk;
        information
    }
}
