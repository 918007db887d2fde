//! Checks of stored fits: coefficients, rows and covariances are what they say.

use crate::error::{Error, Place, Result};
use nalgebra::DMatrix;

/// A matrix as rows, for storing.
pub(crate) fn to_rows(m: &DMatrix<f64>) -> Vec<Vec<f64>> {
    m.row_iter().map(|r| r.iter().copied().collect()).collect()
}

/// Stored coefficients: as many as terms, at least one, all finite.
pub(crate) fn check_coefficients(field: &str, values: &[f64], terms: &[String]) -> Result<()> {
    if values.is_empty() || values.len() != terms.len() {
        let reason = format!("{} numbers for {} terms", values.len(), terms.len());
        return Err(Error::Calibration { at: Place::column(field), reason });
    }
    if values.iter().any(|v| !v.is_finite()) {
        let reason = "a number is not finite".into();
        return Err(Error::Calibration { at: Place::column(field), reason });
    }
    Ok(())
}

/// Stored number of rows: enough for the coefficients.
pub(crate) fn check_stored_rows(rows: usize, needed: usize) -> Result<()> {
    if rows < needed {
        let reason = format!("{rows}, but at least {needed} are needed for these coefficients");
        return Err(Error::Calibration { at: Place::column("rows"), reason });
    }
    Ok(())
}

/// A stored covariance: square, finite, symmetric, with variances above zero (the last may be zero where it
/// is allowed to) and correlations within −1 to 1.
pub(crate) fn covariance_from(
    field: &str,
    rows: &[Vec<f64>],
    size: usize,
    last_may_be_zero: bool,
) -> Result<DMatrix<f64>> {
    let wrong =
        |reason: &str| Error::Calibration { at: Place::column(field), reason: format!("must be {reason}") };
    if rows.len() != size || rows.iter().any(|r| r.len() != size) {
        return Err(wrong(&format!("{size} rows of {size} numbers")));
    }
    let m = DMatrix::from_fn(size, size, |i, j| rows[i][j]);
    if m.iter().any(|v| !v.is_finite()) {
        return Err(wrong("finite numbers"));
    }
    for i in 0..size {
        if !(m[(i, i)] > 0.0 || (last_may_be_zero && i + 1 == size && m[(i, i)] == 0.0)) {
            return Err(wrong("a covariance, with variances above zero"));
        }
        for j in 0..i {
            let bound = (m[(i, i)] * m[(j, j)]).sqrt();
            if (m[(i, j)] - m[(j, i)]).abs() > 1e-9 * bound || m[(i, j)].abs() > bound * (1.0 + 1e-9) {
                return Err(wrong("a covariance, symmetric, with correlations within -1 to 1"));
            }
        }
    }
    Ok(m)
}
