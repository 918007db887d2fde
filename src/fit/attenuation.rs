//! Least squares on terms that were measured with error: the slopes corrected for attenuation.
//!
//! The model is y = X b + e, e ~ N(0, s^2), of which W = X + U is seen: the errors U are independent of X, of
//! e and between rows and columns, column j with a known standard deviation u_j (0 where exact: the intercept,
//! a class). Slopes fitted to W are drawn towards 0 by the share of the variation of W that is error. The
//! corrected ones are those of the regression calibration of Carroll et al. 2006, Measurement Error in
//! Nonlinear Models, chapter 4 (from memory), for a linear model the moments estimator of Fuller 1987 (from memory):
//!
//! ```text
//! (W'W - m S) b = W'y,   S = diag(u_j^2),   m = n - number of exact columns
//! W = Q R,  K = I - m R^-T S R^-1,  b = R^-1 K^-1 Q'y,   V = M^-1 (sum psi psi') M^-1,  M = R'KR
//! psi_i = w_i (y_i - w_i'b) + (m / n) S b
//! ```
//!
//! K is factored by Cholesky; it has no factor where the errors explain all that is seen of some term. Not
//! covered: errors that hang together or grow with the size, unknown u, shared errors of one instrument.

use crate::error::{Error, Place, Result};
use crate::fit::Design;
use nalgebra::{DMatrix, DVector};

/// What must hold for a corrected fit to mean something: goes with every use of one.
pub const CAUTION: &str = "corrected for errors of the measurements: this supposes that their size is known and \
    that they are independent of the flake, of each other and of the size measured; the corrected slopes are \
    for exact measurements, and platforms measured as badly as those fitted are better served by the fit \
    without correction";

/// A fit corrected for errors in its terms.
#[derive(Debug, Clone, PartialEq)]
pub struct CorrectedFit {
    names: Vec<String>,
    coefficients: Vec<f64>,
    covariance: Vec<Vec<f64>>,
    uncorrected: Vec<f64>,
    spread: f64,
    reliability: Vec<f64>,
    rows: usize,
}

/// The standard deviation of ln of a length whose standard deviation is this share of it: the moments of a
/// lognormal. 0 or more.
///
/// ```
/// use conchoid::fit::attenuation::sd_of_ln;
/// assert!((sd_of_ln(0.1) - 0.0998).abs() < 1e-4);
/// ```
pub fn sd_of_ln(share: f64) -> f64 {
    (share * share).ln_1p().sqrt()
}

/// Fits with a correction for errors of known standard deviation, one for each column (0: exact).
///
/// # Errors
/// [`Error::Shape`] when lengths differ, [`Error::TooFew`] unless there are more rows than terms,
/// [`Error::OutOfRange`] at a number that is not finite or a standard deviation below 0,
/// [`Error::RankDeficient`] for a term that the others determine, [`Error::Invalid`] where the errors are as
/// large as all that is seen of some combination of terms, or where squares are beyond what a double holds.
///
/// ```
/// use conchoid::fit::{Design, attenuation};
/// // true x 0, 1, 2, ..., each seen 0.6 too low or too high in turn; y = 1 + 2 x
/// let sign = |i: i32| if i / 5 % 2 == 0 { 1.0 } else { -1.0 };
/// let seen: Vec<[f64; 2]> = (0..40).map(|i| [1.0, f64::from(i % 5) + 0.6 * sign(i)]).collect();
/// let y: Vec<f64> = (0..40).map(|i| 1.0 + 2.0 * f64::from(i % 5)).collect();
/// let d = Design::from_rows(vec!["intercept".into(), "x".into()], &seen)?;
/// let fit = attenuation::correct(&d, &y, &[0.0, 0.6])?;
/// assert!(fit.uncorrected()[1] < 1.75);
/// assert!((fit.coefficients()[1] - 2.0).abs() < 0.05);
/// // errors as large as everything that is seen cannot be corrected for
/// assert!(attenuation::correct(&d, &y, &[0.0, 2.0]).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
pub fn correct(design: &Design, y: &[f64], error_sd: &[f64]) -> Result<CorrectedFit> {
    let (n, p) = (design.rows(), design.columns());
    for (what, found, expected) in
        [("responses", y.len(), n), ("standard deviations of errors", error_sd.len(), p)]
    {
        if found != expected {
            return Err(Error::Shape { what: what.into(), found, expected });
        }
    }
    if n <= p {
        return Err(Error::TooFew { what: "rows".into(), found: n, needed: p + 1 });
    }
    if let Some((i, v)) = y.iter().enumerate().find(|(_, v)| !v.is_finite()) {
        let at = Place::cell(i as u64 + 1, "response");
        return Err(Error::OutOfRange { at, value: *v, accepted: "finite numbers".into() });
    }
    for (name, sd) in design.names().iter().zip(error_sd) {
        if !(*sd >= 0.0 && sd.is_finite()) {
            let at = Place::column(name);
            return Err(Error::OutOfRange {
                at,
                value: *sd,
                accepted: "a standard deviation of 0 or more".into(),
            });
        }
    }
    let w = design.matrix();
    let y = DVector::from_column_slice(y);
    let qr = w.clone().qr();
    let r = qr.r();
    for j in 0..p {
        if r[(j, j)].abs() <= 1e-10 * w.column(j).norm() {
            return Err(Error::RankDeficient { term: design.names()[j].clone() });
        }
    }
    let singular = || Error::RankDeficient { term: design.names()[p - 1].clone() };
    let exact = error_sd.iter().filter(|s| **s == 0.0).count();
    let m = (n - exact) as f64;
    // T = R^-T diag(sqrt(m) u), so that K = I - T T'
    let scaled = DMatrix::from_diagonal(&DVector::from_iterator(p, error_sd.iter().map(|s| m.sqrt() * s)));
    let t = r.tr_solve_upper_triangular(&scaled).ok_or_else(singular)?;
    let k = DMatrix::identity(p, p) - &t * t.transpose();
    let too_large = || {
        Error::invalid(
            "errors of the measurements",
            "as large as all that is seen of some term: nothing is left to fit (smaller errors, or fewer terms)",
        )
    };
    let factor = k.cholesky().ok_or_else(too_large)?;
    let turned = qr.q().tr_mul(&y);
    let back = |v: &DVector<f64>| r.solve_upper_triangular(v).ok_or_else(singular);
    let b = back(&factor.solve(&turned))?;
    let uncorrected = back(&turned)?;
    let residual = &y - w * &b;
    let pull =
        DVector::from_iterator(p, error_sd.iter().zip(b.iter()).map(|(s, b)| s * s * b * m / n as f64));
    let psi = DMatrix::from_fn(p, n, |j, i| w[(i, j)] * residual[i] + pull[j]);
    // M^-1 psi = R^-1 K^-1 R^-T psi; its Gram matrix is the covariance
    let inner = factor.solve(&r.tr_solve_upper_triangular(&psi).ok_or_else(singular)?);
    let influence = r.solve_upper_triangular(&inner).ok_or_else(singular)?;
    let small_sample = n as f64 / (n - p) as f64;
    let covariance = &influence * influence.transpose() * small_sample;
    let by_error: f64 = error_sd.iter().zip(b.iter()).map(|(s, b)| s * s * b * b).sum();
    let seen = residual.norm_squared() / (n - p) as f64;
    let spread = (seen - by_error).max(0.0).sqrt();
    // what is seen of column j beyond the others, and the share of it that is true
    let reliability: Vec<f64> = (0..p)
        .map(|j| {
            let e = DVector::from_fn(p, |i, _| f64::from(u8::from(i == j)));
            let alone = r.tr_solve_upper_triangular(&e).map_or(f64::NAN, |z| 1.0 / z.norm_squared());
            1.0 - m * error_sd[j] * error_sd[j] / alone
        })
        .collect();
    let numbers = b.iter().chain(covariance.iter()).chain([&spread]);
    if numbers.chain(&reliability).any(|v| !v.is_finite()) {
        let reason = "its numbers are too large or too small to square (give the columns in other units)";
        return Err(Error::invalid("fit", reason));
    }
    Ok(CorrectedFit {
        names: design.names().to_vec(),
        coefficients: b.iter().copied().collect(),
        covariance: (0..p).map(|i| (0..p).map(|j| covariance[(i, j)]).collect()).collect(),
        uncorrected: uncorrected.iter().copied().collect(),
        spread,
        reliability,
        rows: n,
    })
}

impl CorrectedFit {
    /// Names of the terms.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The corrected coefficients.
    pub fn coefficients(&self) -> &[f64] {
        &self.coefficients
    }

    /// Their covariance, by the sandwich, row by row: it takes the errors of measurement into account, their
    /// standard deviations as known, and holds for large tables.
    pub fn covariance(&self) -> &[Vec<f64>] {
        &self.covariance
    }

    /// Standard errors of the corrected coefficients.
    pub fn standard_errors(&self) -> Vec<f64> {
        self.covariance.iter().enumerate().map(|(j, row)| row[j].sqrt()).collect()
    }

    /// The coefficients of ordinary least squares on what was seen.
    pub fn uncorrected(&self) -> &[f64] {
        &self.uncorrected
    }

    /// The spread about what exact measurements would have led to expect; 0 where the errors of measurement
    /// explain all of it.
    pub fn spread(&self) -> f64 {
        self.spread
    }

    /// For each term, the share of what is seen of it beyond the other terms that is true: 1 where exact.
    pub fn reliability(&self) -> &[f64] {
        &self.reliability
    }

    /// Rows fitted.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// What must hold for the correction to mean something.
    pub fn caution(&self) -> &'static str {
        CAUTION
    }
}
