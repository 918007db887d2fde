//! What a set of flakes knows of the coefficients, before any size is measured.
//!
//! ```text
//! M = X'X = R'R,  R the triangle of a QR of the design rows X (n x p; X'X is never formed)
//! x'M^-1 x = |R^-T x|^2:  variance of the expected response at x, in units of the squared spread
//! ```

use crate::error::{Error, Place, Result, at_least, check_size};
use crate::fit::Design;
use nalgebra::{DMatrix, DVector};

/// A column that keeps less than this share of its length once the earlier ones are taken out counts as
/// determined by them: some ten thousand units of rounding. Common practice, no source.
const RANK_TOLERANCE: f64 = 1e-12;

/// Settings this near to equal are taken as equal, so that rounding does not choose. This crate's choice, no source.
pub(super) const TIE: f64 = 1e-11;

/// The terms of a design that its earlier terms determine, by name; empty where all can be estimated.
pub fn undetermined(design: &Design) -> Vec<String> {
    let mut basis: Vec<DVector<f64>> = Vec::new();
    let mut names = Vec::new();
    for (j, name) in design.names().iter().enumerate() {
        let mut v = design.matrix().column(j).into_owned();
        let largest = v.amax();
        if largest > 0.0 {
            v /= largest;
        }
        let before = v.norm();
        take_out(&basis, &mut v);
        let after = v.norm();
        if after > RANK_TOLERANCE * before {
            basis.push(v / after);
        } else {
            names.push(name.clone());
        }
    }
    names
}

/// Takes orthonormal directions out of a vector; twice, so that rounding of the first pass is taken out too.
pub(super) fn take_out(basis: &[DVector<f64>], v: &mut DVector<f64>) {
    for _ in 0..2 {
        for q in basis {
            let share = q.dot(v);
            v.axpy(-share, q, 1.0);
        }
    }
}

/// The longest of the columns, the first of equals; what it spans is taken out of all of them.
pub(super) fn take_longest(columns: &mut DMatrix<f64>) -> usize {
    let mut best = (0, 0.0);
    for (j, column) in columns.column_iter().enumerate() {
        let length = column.norm_squared();
        if length > best.1 * (1.0 + TIE) {
            best = (j, length);
        }
    }
    if best.1 > 0.0 {
        let direction = columns.column(best.0).normalize();
        take_direction_out(columns, &direction);
    }
    best.0
}

/// Takes a direction of unit length out of every column.
pub(super) fn take_direction_out(columns: &mut DMatrix<f64>, direction: &DVector<f64>) {
    for mut column in columns.column_iter_mut() {
        let share = direction.dot(&column);
        column.axpy(-share, direction, 1.0);
    }
}

/// The largest entry of a design that a plan takes: its square, and sums of such, are still far from overflow.
const LARGEST_ENTRY: f64 = 1e100;

/// Refuses entries whose squares a double could not hold.
fn representable(design: &Design) -> Result<()> {
    for (j, name) in design.names().iter().enumerate() {
        if let Some(value) = design.matrix().column(j).iter().find(|v| v.abs() > LARGEST_ENTRY) {
            let accepted = format!("from -{LARGEST_ENTRY:e} to {LARGEST_ENTRY:e}");
            return Err(Error::out_of_range(Place::column(name), *value, accepted));
        }
    }
    Ok(())
}

/// What a set of flakes knows: all that the widths of intervals and the power of tests depend on.
#[derive(Debug, Clone, PartialEq)]
pub struct Information {
    /// Names of the terms.
    pub names: Vec<String>,
    /// Upper triangle, p x p, no zero on its diagonal.
    triangle: DMatrix<f64>,
    pub flakes: usize,
}

impl Information {
    /// The information of the rows of a design.
    ///
    /// # Errors
    /// [`Error::RankDeficient`] naming the first term that these rows cannot tell apart from the earlier
    /// ones; [`Error::TooFew`] for a design without terms; [`Error::OutOfRange`] for an entry beyond 1e100.
    pub fn of(design: &Design) -> Result<Information> {
        at_least("terms", design.columns(), 1)?;
        representable(design)?;
        if let Some(term) = undetermined(design).into_iter().next() {
            return Err(Error::RankDeficient { term });
        }
        Ok(Information {
            names: design.names().to_vec(),
            triangle: design.matrix().clone().qr().r(),
            flakes: design.rows(),
        })
    }

    /// The information of new rows together with those of the flakes one has already.
    ///
    /// # Errors
    /// As [`Information::of`].
    pub fn with_existing(new: &Design, existing: Option<&Design>) -> Result<Information> {
        match existing {
            Some(old) => Information::of(&stacked(new, old)?),
            None => Information::of(new),
        }
    }

    /// Rows of terms x as columns R^-T x, in which these flakes' own information is the identity.
    pub(super) fn turned(&self, rows: &DMatrix<f64>) -> DMatrix<f64> {
        let mut columns = rows.transpose();
        self.triangle.tr_solve_upper_triangular_mut(&mut columns);
        columns
    }

    /// Flakes less terms: what is left to estimate the spread from. 0 where there are no more flakes than
    /// terms.
    pub fn degrees_of_freedom(&self) -> f64 {
        self.flakes.saturating_sub(self.names.len()) as f64
    }

    /// Logarithm of the determinant of M.
    pub(crate) fn ln_determinant(&self) -> f64 {
        2.0 * self.triangle.diagonal().iter().map(|d| d.abs().ln()).sum::<f64>()
    }

    /// Variance of the expected response at a row of terms, in units of the squared spread: x'M^-1 x. The
    /// leverage, where the row is one of the flakes.
    ///
    /// # Errors
    /// [`Error::Shape`] for a row of another length.
    pub fn variance_at(&self, row: &[f64]) -> Result<f64> {
        let p = self.names.len();
        check_size("terms in a row", row.len(), p)?;
        Ok(self.turned(&DMatrix::from_row_slice(1, p, row)).norm_squared())
    }

    /// Variance of one coefficient, in units of the squared spread.
    ///
    /// # Errors
    /// [`Error::UnknownName`] listing the terms.
    pub fn variance_of(&self, term: &str) -> Result<f64> {
        let Some(j) = self.names.iter().position(|n| n == term) else {
            return Err(Error::unknown_name("term", term, self.names.iter().cloned()));
        };
        let row: Vec<f64> = (0..self.names.len()).map(|k| f64::from(u8::from(k == j))).collect();
        self.variance_at(&row)
    }

    /// How many times as many flakes like those of `other` would be needed, for each flake of `self`, to know
    /// the coefficients equally well: the p-th root of the ratio of determinants, each by flake
    /// (D-efficiency; Atkinson & Donev 1992, Optimum Experimental Designs, from memory). Of the same terms.
    pub fn efficiency_against(&self, other: &Information) -> f64 {
        let p = self.names.len() as f64;
        let by_flake = other.flakes as f64 / self.flakes as f64;
        ((self.ln_determinant() - other.ln_determinant()) / p).exp() * by_flake
    }
}

/// Designs of the same terms, one under the other.
pub(super) fn stacked(first: &Design, second: &Design) -> Result<Design> {
    let n = first.rows();
    let matrix = DMatrix::from_fn(n + second.rows(), first.columns(), |i, j| {
        if i < n { first.matrix()[(i, j)] } else { second.matrix()[(i - n, j)] }
    });
    Design::new(first.names().to_vec(), matrix)
}

/// The rows of a design at these places.
pub(super) fn rows_at(design: &Design, places: &[usize]) -> Result<Design> {
    let matrix = DMatrix::from_fn(places.len(), design.columns(), |i, j| design.matrix()[(places[i], j)]);
    Design::new(design.names().to_vec(), matrix)
}
