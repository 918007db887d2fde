//! The predictive distribution of one new row, and the products that make it.

use crate::error::{Error, Place, Result, check_size};
use nalgebra::DMatrix;

/// The predictive distribution of one new row: Student's t, moved and stretched.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg(test)]
pub struct NewRow {
    /// Centre, in units of the response.
    pub location: f64,
    /// Scale of the t distribution, in units of the response; not its standard deviation.
    pub scale: f64,
    /// Degrees of freedom; infinite for the normal.
    pub df: f64,
}

/// Wraps up a new row's predictive where it is one.
#[cfg(test)]
pub(crate) fn new_row(location: f64, variance: f64, df: f64) -> Result<NewRow> {
    let scale = variance.sqrt();
    if location.is_finite() && scale.is_finite() && scale > 0.0 && df > 0.0 {
        Ok(NewRow { location, scale, df })
    } else {
        Err(Error::invalid("new row", "lies too far outside the fitted rows: its spread is no number"))
    }
}

/// The terms of a new row have the right number and are finite.
pub(crate) fn check_new(row: &[f64], names: &[String]) -> Result<()> {
    check_size("terms of a new row", row.len(), names.len())?;
    match row.iter().position(|v| !v.is_finite()) {
        Some(j) => Err(Error::out_of_range(Place::column(&names[j]), row[j], "finite numbers")),
        None => Ok(()),
    }
}

/// a'b, in the order of the terms.
pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// v'Av.
pub(crate) fn quadratic(a: &DMatrix<f64>, v: &[f64]) -> f64 {
    a.column_iter().zip(v).map(|(column, w)| w * dot(column.as_slice(), v)).sum()
}
