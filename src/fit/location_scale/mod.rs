//! A location and a spread that each have terms of their own, by restricted maximum likelihood.
//!
//! The model, for rows i = 1..n:
//! y_i = x_i'β + σ_i e_i, ln σ_i = z_i'γ, e_i independent standard normal; X is n by p, Z is n by q, both
//! of full column rank. With W = diag(1/σ²), r = y − Xβ̂(γ), M = I − H the residual projection of the
//! weighted rows W^½X (H = QQ' from their QR) and e = W^½r, the restricted log-likelihood is
//! −½[(n − p) ln 2π + 2 Σ z_i'γ + ln|X'WX| + e'e]; its score is Z'(e² − diag M), its expected information
//! 2 Z'(M∘M)Z, its observed information 4 (Z∘e)'M(Z∘e) − 2 Z'(M∘M)Z + 2 Z' diag(diag M − e²) Z. Scoring
//! with the expected information, as in Smyth (2002, "An efficient algorithm for REML in heteroscedastic
//! regression", J. Comput. Graph. Stat. 11:836; from memory), finished by Newton steps with the observed
//! one. Z'(H∘H)Z is summed over pairs of columns of Q, so a step costs n p² q / 2 and never n².
//! The loop is written out because argmin has no scoring method, which needs two matrices and a start that
//! both come from the one QR. Not covered: correlated errors, random effects (see [`super::grouped`]).
//!
//! | file | what |
//! |---|---|
//! | this one | settings, checks of the rows, and the fit as a list of stages |
//! | `likelihood` | the rows: both log-likelihoods, score and information of the scale terms |
//! | `maximise` | the start, and scoring and Newton steps to the optimum |
//! | `fitted` | the fit, and how it is stored |
//! | `stored` | checks of stored fits, shared with the other fits of a spread |
//! | `new_row` | the predictive of one new row, shared likewise |

mod fitted;
mod likelihood;
mod maximise;
mod new_row;
mod stored;

pub use fitted::LocationScaleFit;
pub(crate) use likelihood::weighted_gram;
pub use new_row::NewRow;
pub(crate) use new_row::{check_new, dot, new_row, quadratic};
pub(crate) use stored::{check_coefficients, check_stored_rows, covariance_from, to_rows};

use crate::error::{Error, Place, Result};
use crate::fit::Design;
use likelihood::Problem;
use nalgebra::QR;
use serde::{Deserialize, Serialize};

/// Relative size of a column's part not explained by the columns before it, below which the column counts
/// as explained. Common practice, no source (R's `lm` uses 1e-7).
const RANK_TOLERANCE: f64 = 1e-9;

/// Which likelihood of the scale terms is maximised.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum Criterion {
    /// Restricted maximum likelihood: allows for the location terms spent. The default.
    #[default]
    Reml,
    /// Maximum likelihood: needed to compare fits with different location terms; its spreads are too small
    /// by about p/(2n).
    Ml,
}

/// Why a fit stopped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum StopReason {
    /// The gradient is zero within the tolerance.
    Gradient,
    /// No step raises the likelihood in double precision, and the gradient is below a millionth of a
    /// standard error.
    Precision,
}

/// Settings of a location-scale fit.
///
/// | setting | default | purpose | range |
/// |---|---|---|---|
/// | `criterion` | [`Criterion::Reml`] | which likelihood | |
/// | `ridge` | 0 | pull towards one spread for all rows: λ/2 · Σ (sd of column j · γ_j)² off the log-likelihood; constant columns are left free | 0 or more |
/// | `tolerance` | 1e-9 | length of the scoring step, in standard errors, taken as zero | 1e-13 to 1e-3 |
/// | `max_iterations` | 100 | steps before giving up | 1 or more |
///
/// ```
/// use conchoid::fit::{Design, location_scale::LocationScale};
/// // Ln mass against ln depth; antler (last five) scatters more than quartzite (first six).
/// let depth = [0.7, 1.1, 1.4, 1.9, 2.1, 2.4, 0.8, 1.2, 1.6, 2.0, 2.3];
/// let y = [0.9, 1.6, 2.2, 3.1, 3.4, 4.1, 0.1, 2.5, 2.1, 4.2, 3.0];
/// let x: Vec<[f64; 2]> = depth.iter().map(|d| [1.0, *d]).collect();
/// let z: Vec<[f64; 2]> = (0..11).map(|i| [1.0, f64::from(u8::from(i > 5))]).collect();
/// let x = Design::from_rows(vec!["1".into(), "ln depth".into()], &x)?;
/// let z = Design::from_rows(vec!["1".into(), "antler".into()], &z)?;
/// let fit = LocationScale::new().fit(&x, &z, &y)?;
/// assert!(fit.gamma()[1] > 1.0, "antler scatters more");
/// let antler = fit.predict_row(&[1.0, 1.5], &[1.0, 1.0])?;
/// let quartzite = fit.predict_row(&[1.0, 1.5], &[1.0, 0.0])?;
/// assert!(antler.scale > 2.0 * quartzite.scale);
/// // One column given twice cannot be fitted, and the answer says which.
/// let twice = Design::from_rows(vec!["1".into(), "also 1".into()], &[[1.0, 1.0]; 11])?;
/// let e = LocationScale::new().fit(&x, &twice, &y).unwrap_err();
/// assert!(e.to_string().contains("also 1"));
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LocationScale {
    criterion: Criterion,
    ridge: f64,
    tolerance: f64,
    max_iterations: usize,
}

impl Default for LocationScale {
    fn default() -> Self {
        LocationScale { criterion: Criterion::Reml, ridge: 0.0, tolerance: 1e-9, max_iterations: 100 }
    }
}

impl LocationScale {
    /// The default settings.
    pub fn new() -> Self {
        Self::default()
    }

    /// Choose the likelihood.
    pub fn criterion(mut self, criterion: Criterion) -> Self {
        self.criterion = criterion;
        self
    }

    /// Shrink the scale terms (not constant columns) towards one spread for all rows; 0 for none.
    pub fn ridge(mut self, lambda: f64) -> Self {
        self.ridge = lambda;
        self
    }

    /// Length of the scoring step, in standard errors, that counts as zero.
    pub fn tolerance(mut self, tolerance: f64) -> Self {
        self.tolerance = tolerance;
        self
    }

    /// Steps before giving up.
    pub fn max_iterations(mut self, steps: usize) -> Self {
        self.max_iterations = steps;
        self
    }

    /// Fit from a common spread for all rows.
    ///
    /// # Errors
    /// [`Error::Shape`] when rows differ in number, [`Error::OutOfRange`] at a response that is not finite
    /// or a setting outside its range, [`Error::TooFew`] unless n > p + q, [`Error::RankDeficient`] naming a
    /// column explained by the others, [`Error::Invalid`] when the location terms fit the rows exactly,
    /// [`Error::NotConverged`] with the reason (most often a spread that falls to nothing because some
    /// rows are fitted exactly: fewer scale terms, or a ridge).
    pub fn fit(&self, location: &Design, scale: &Design, y: &[f64]) -> Result<LocationScaleFit> {
        self.run(location, scale, y, None)
    }

    /// As [`LocationScale::fit`], starting from scale coefficients of a neighbouring fit (for example of
    /// the whole table, when folds are left out in turn). The answer is the same to within the tolerance.
    ///
    /// # Errors
    /// As [`LocationScale::fit`]; also [`Error::Shape`] when `gamma` does not have one entry per scale term,
    /// [`Error::OutOfRange`] when one is not finite.
    pub fn fit_from(
        &self,
        location: &Design,
        scale: &Design,
        y: &[f64],
        gamma: &[f64],
    ) -> Result<LocationScaleFit> {
        self.run(location, scale, y, Some(gamma))
    }

    fn run(
        &self,
        location: &Design,
        scale: &Design,
        y: &[f64],
        start: Option<&[f64]>,
    ) -> Result<LocationScaleFit> {
        self.check_settings()?;
        check_rows(location, scale, y, 0)?;
        let problem = Problem::new(location, scale, y, self)?;
        let (here, iterations, stopped) = problem.maximise(start, self)?;
        problem.package(&here, iterations, stopped)
    }

    fn check_settings(&self) -> Result<()> {
        if !(self.ridge.is_finite() && self.ridge >= 0.0) {
            return Err(outside("ridge", self.ridge, "0 or more"));
        }
        check_steps(self.tolerance, self.max_iterations)
    }
}

/// A setting outside its range.
pub(crate) fn outside(name: &str, value: f64, accepted: &str) -> Error {
    Error::OutOfRange { at: Place::column(name), value, accepted: accepted.into() }
}

/// The settings of the steps to the optimum.
pub(crate) fn check_steps(tolerance: f64, max_iterations: usize) -> Result<()> {
    if !(1e-13..=1e-3).contains(&tolerance) {
        return Err(outside("tolerance", tolerance, "1e-13 to 1e-3"));
    }
    if max_iterations == 0 {
        return Err(outside("max_iterations", 0.0, "1 or more"));
    }
    Ok(())
}

/// The checks that every fit with a location and a scale design shares: shapes, finite responses, more rows
/// than coefficients (`extra` of them beyond the two designs), full rank of both designs.
pub(crate) fn check_rows(location: &Design, scale: &Design, y: &[f64], extra: usize) -> Result<()> {
    let n = y.len();
    for (what, found) in
        [("rows of the location terms", location.rows()), ("rows of the scale terms", scale.rows())]
    {
        if found != n {
            return Err(Error::Shape { what: what.into(), found, expected: n });
        }
    }
    for (what, found) in [("location terms", location.columns()), ("scale terms", scale.columns())] {
        if found == 0 {
            return Err(Error::TooFew { what: what.into(), found, needed: 1 });
        }
    }
    if let Some(i) = y.iter().position(|v| !v.is_finite()) {
        let at = Place::cell(i as u64 + 1, "response");
        return Err(Error::OutOfRange { at, value: y[i], accepted: "finite numbers".into() });
    }
    let needed = location.columns() + scale.columns() + extra + 1;
    if n < needed {
        return Err(Error::TooFew { what: "rows".into(), found: n, needed });
    }
    check_rank(location)?;
    check_rank(scale)
}

/// [`Error::RankDeficient`] naming the first column that those before it explain.
fn check_rank(design: &Design) -> Result<()> {
    let mut unit = design.matrix().clone();
    for j in 0..unit.ncols() {
        // Largest entry first, so that the norm can neither overflow nor vanish.
        let largest = unit.column(j).amax();
        let norm = if largest > 0.0 { unit.column(j).unscale(largest).norm() } else { 0.0 };
        if norm == 0.0 {
            return Err(Error::RankDeficient { term: design.names()[j].clone() });
        }
        unit.column_mut(j).unscale_mut(largest);
        unit.column_mut(j).unscale_mut(norm);
    }
    let r = QR::new(unit).unpack_r();
    match (0..r.ncols()).find(|&j| r[(j, j)].abs() < RANK_TOLERANCE) {
        Some(j) => Err(Error::RankDeficient { term: design.names()[j].clone() }),
        None => Ok(()),
    }
}
