//! Columns brought to one footing before a fit, and coefficients brought back after it.
//!
//! With a constant column c among the free ones, every other column becomes (x_j − mean_j)/s_j, s_j its standard
//! deviation about the mean (divisor n); without one x_j/s_j, s_j about zero. Then
//! b_j = β_j/s_j and b_c = (β_c − Σ b_j mean_j)/c.

use super::super::Design;
use crate::error::{Error, Result};
use nalgebra::{DMatrix, DVector, QR};

/// Relative size of a free column's part not explained by the free columns before it, below which it counts as
/// explained: as in the location-scale fit.
const RANK_TOLERANCE: f64 = 1e-9;
/// Relative size of a column's variation, against its largest entry, below which it does not vary.
/// Common practice, no source.
const FLAT: f64 = 1e-12;

/// Means and scales of the columns.
pub(super) struct Standard {
    constant: Option<usize>,
    mean: Vec<f64>,
    scale: Vec<f64>,
}

impl Standard {
    /// The standardised columns; a free one that the others determine is named in the error.
    pub fn new(design: &Design, penalised: &[bool]) -> Result<(DMatrix<f64>, Standard)> {
        let mut x = design.matrix().clone();
        let (n, p) = x.shape();
        let constant = (0..p)
            .find(|j| !penalised[*j] && x[(0, *j)] != 0.0 && x.column(*j).iter().all(|v| *v == x[(0, *j)]));
        let (mut mean, mut scale) = (vec![0.0; p], vec![1.0; p]);
        for j in 0..p {
            if constant == Some(j) {
                scale[j] = x[(0, j)];
                x.column_mut(j).fill(1.0);
                continue;
            }
            let largest = x.column(j).amax();
            let unit = if largest > 0.0 { largest } else { 1.0 };
            let mut column = x.column_mut(j);
            column /= unit;
            let centre = if constant.is_some() { column.sum() / n as f64 } else { 0.0 };
            column.add_scalar_mut(-centre);
            // a second pass takes out what rounding left in the mean
            let rest = if constant.is_some() { column.sum() / n as f64 } else { 0.0 };
            column.add_scalar_mut(-rest);
            let spread = column.norm() / (n as f64).sqrt();
            if spread > FLAT {
                column /= spread;
                scale[j] = spread * unit;
            } else if penalised[j] {
                column.fill(0.0);
            } else {
                return Err(Error::RankDeficient { term: design.names()[j].clone() });
            }
            mean[j] = (centre + rest) * unit;
        }
        let free: Vec<usize> = (0..p).filter(|j| !penalised[*j]).collect();
        if !free.is_empty() {
            let r = QR::new(x.select_columns(&free)).unpack_r();
            let least = RANK_TOLERANCE * (n as f64).sqrt();
            if let Some(at) = (0..free.len()).find(|j| *j >= n || !(r[(*j, *j)].abs() > least)) {
                return Err(Error::RankDeficient { term: design.names()[free[at]].clone() });
            }
        }
        Ok((x, Standard { constant, mean, scale }))
    }

    /// Coefficients of the columns as given.
    pub fn back(&self, beta: &DVector<f64>) -> Vec<f64> {
        let column = DMatrix::from_column_slice(beta.len(), 1, beta.as_slice());
        self.back_rows(&column).as_slice().to_vec()
    }

    /// The same for every column of a matrix: T M with b = T β.
    pub fn back_rows(&self, matrix: &DMatrix<f64>) -> DMatrix<f64> {
        let mut out = matrix.clone();
        for mut column in out.column_iter_mut() {
            let mut shift = 0.0;
            for j in (0..column.len()).filter(|j| Some(*j) != self.constant) {
                column[j] /= self.scale[j];
                shift += column[j] * self.mean[j];
            }
            if let Some(c) = self.constant {
                column[c] = (column[c] - shift) / self.scale[c];
            }
        }
        out
    }

    /// Sum of ln |scale| over the columns of a kind: ln |det T|, changed in sign.
    pub fn ln_scale(&self, of: impl Fn(usize) -> bool) -> f64 {
        (0..self.scale.len()).filter(|j| of(*j)).map(|j| self.scale[j].abs().ln()).sum()
    }
}
