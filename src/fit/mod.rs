//! Fitting, without archaeology: matrices and named columns in, coefficients and their uncertainty out.
//!
//! | file | fits |
//! |---|---|
//! | [`linear`] | least squares by streaming Householder QR |
//! | [`shrunken`] | many location terms under one ridge penalty, a modelled spread, tails by class, effects that groups share |
//! | `known_group` | what a few flakes of a group tell of its effect |
//! | `kept` | several sizes at once by groups, given what was kept |
//! | [`multinomial`] | multinomial logistic regression |
//! | `cone` | (the estimate nearest to one that obeys inequalities) |
//! | `new_row` | (the predictive distribution of one new row, for any of them) |

pub(crate) mod cone;
pub(crate) mod kept;
pub(crate) mod known_group;
pub(crate) mod linear;
pub(crate) mod multinomial;
mod new_row;
pub(crate) mod shrunken;
#[cfg(all(test, feature = "table"))]
pub(crate) mod tests;

#[cfg(test)]
pub(crate) use new_row::NewRow;
pub(crate) use new_row::dot;

use crate::error::{Error, Place, Result, check_size};
use nalgebra::DMatrix;

/// A design matrix with a name for each column; every entry is finite.
#[derive(Debug, Clone, PartialEq)]
pub struct Design {
    names: Vec<String>,
    matrix: DMatrix<f64>,
}

impl Design {
    /// From a matrix of one row per observation, one column per name.
    ///
    /// # Errors
    /// [`Error::Shape`] when the names do not match the columns, [`Error::OutOfRange`] at an entry that is
    /// not finite (row and column named).
    pub(crate) fn new(names: Vec<String>, matrix: DMatrix<f64>) -> Result<Self> {
        check_size("names of the columns", names.len(), matrix.ncols())?;
        for (j, name) in names.iter().enumerate() {
            for (i, v) in matrix.column(j).iter().enumerate() {
                if !v.is_finite() {
                    return Err(Error::out_of_range(Place::cell(i as u64 + 1, name), *v, "finite numbers"));
                }
            }
        }
        Ok(Design { names, matrix })
    }

    /// From rows of equal length.
    ///
    /// # Errors
    /// [`Error::Shape`] at a row of another length than the names, [`Error::OutOfRange`] at an entry that is not finite (row
    /// and column named).
    pub fn from_rows<R: AsRef<[f64]>>(names: Vec<String>, rows: &[R]) -> Result<Self> {
        let p = names.len();
        if let Some(bad) = rows.iter().find(|r| r.as_ref().len() != p) {
            return Err(Error::Shape {
                what: "entries of a row".into(),
                found: bad.as_ref().len(),
                expected: p,
            });
        }
        let matrix = DMatrix::from_fn(rows.len(), p, |i, j| rows[i].as_ref()[j]);
        Design::new(names, matrix)
    }

    /// The rows, one entry a name.
    pub fn to_rows(&self) -> Vec<Vec<f64>> {
        self.matrix.row_iter().map(|row| row.iter().copied().collect()).collect()
    }

    /// Number of observations.
    pub fn rows(&self) -> usize {
        self.matrix.nrows()
    }

    /// Number of terms.
    pub(crate) fn columns(&self) -> usize {
        self.matrix.ncols()
    }

    /// The names of the terms.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The matrix itself.
    pub(crate) fn matrix(&self) -> &DMatrix<f64> {
        &self.matrix
    }
}
