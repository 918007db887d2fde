//! Student-t errors with estimated degrees of freedom, alone or with a spread that has terms of its own.
//!
//! The model, for rows i = 1..n: y_i = x_i'β + σ_i e_i, ln σ_i = z_i'γ, e_i independent Student t with ν
//! degrees of freedom, 2.1 ≤ ν ≤ ∞; by maximum likelihood. With κ = 1/ν and u = e², a row adds
//! −½ ln 2π + c(κ) − ln σ − ½(1 + 1/κ) ln(1 + κu), c(κ) = lnΓ((ν+1)/2) − lnΓ(ν/2) − ½ ln(ν/2), which is
//! smooth down to the normal at κ = 0. Written in κ, "no sign of heavy tails" is an ordinary end of an
//! interval, not a run to infinity. All coefficients move together: scoring steps with the expected
//! information (Lange, Little and Taylor 1989, "Robust statistical modeling using the t distribution",
//! J. Am. Stat. Assoc. 84:881; from memory) far from the optimum, Newton steps with the observed one near it, κ held at an end of its range
//! while its score points outwards. X and Z enter through the Q of their QR, so the information is well
//! conditioned whatever the terms. The loop is written out because argmin has no scoring method; the ends
//! of the interval for ν are found by its Brent root.
//!
//! | file | what |
//! |---|---|
//! | this one | settings, and the fit as a list of stages |
//! | `likelihood` | the rows: log-likelihood, score and information of all coefficients |
//! | `kappa` | what of a row's share depends on κ: exact down to the normal at κ = 0 |
//! | `maximise` | scoring and Newton steps to the optimum |
//! | `fitted` | the fit, what it foretells, and how it is stored |
//! | `interval` | the interval for ν by profile likelihood |

mod fitted;
mod interval;
mod kappa;
mod likelihood;
mod maximise;

pub use fitted::StudentFit;

use crate::error::{Error, Result};
use crate::fit::Design;
use crate::fit::location_scale::{StopReason, check_rows, check_steps, outside};
use likelihood::{Problem, Theta};
use nalgebra::DMatrix;

/// Fewest degrees of freedom that are fitted: below 2 the errors have no variance. Common practice, no
/// source.
pub const FEWEST_DF: f64 = 2.1;
/// The same as κ = 1/ν.
const KAPPA_MAX: f64 = 1.0 / FEWEST_DF;
/// Where the degrees of freedom start, as κ. Common practice, no source.
const KAPPA_STARTS: [f64; 2] = [0.1, 0.35];

/// Degrees of freedom: to be estimated, or given.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Freedom {
    /// Estimated between [`FEWEST_DF`] and infinity. The default.
    #[default]
    Estimated,
    /// Held at this value, [`FEWEST_DF`] or more; infinity is the normal.
    Fixed(f64),
}

/// Settings of a fit with Student-t errors.
///
/// | setting | default | purpose | range |
/// |---|---|---|---|
/// | `freedom` | [`Freedom::Estimated`] | degrees of freedom | 2.1 or more when fixed |
/// | `tolerance` | 1e-9 | length of the scoring step, in standard errors, taken as zero | 1e-13 to 1e-3 |
/// | `max_iterations` | 200 | steps before giving up | 1 or more |
///
/// ```
/// use conchoid::fit::{Design, student::StudentErrors};
/// // Ln mass against ln depth; one flake took a piece of the core's edge along.
/// let depth = [0.7, 1.1, 1.4, 1.9, 2.1, 2.4, 0.8, 1.2, 1.6, 2.0, 2.3];
/// let y = [0.9, 1.6, 2.2, 3.1, 3.4, 4.1, 1.1, 1.8, 5.9, 3.3, 3.7];
/// let rows: Vec<[f64; 2]> = depth.iter().map(|d| [1.0, *d]).collect();
/// let x = Design::from_rows(vec!["1".into(), "ln depth".into()], &rows)?;
/// let fit = StudentErrors::new().fit_one_spread(&x, &y)?;
/// assert!(fit.df() < 3.0, "the odd flake shows as a heavy tail");
/// assert!((fit.beta()[1] - 1.8).abs() < 0.15, "and leaves the slope alone");
/// assert!(StudentErrors::new().fit_one_spread(&x, &y[1..]).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StudentErrors {
    freedom: Freedom,
    tolerance: f64,
    max_iterations: usize,
}

impl Default for StudentErrors {
    fn default() -> Self {
        StudentErrors { freedom: Freedom::Estimated, tolerance: 1e-9, max_iterations: 200 }
    }
}

impl StudentErrors {
    /// The default settings.
    pub fn new() -> Self {
        Self::default()
    }

    /// Estimate the degrees of freedom, or hold them.
    pub fn freedom(mut self, freedom: Freedom) -> Self {
        self.freedom = freedom;
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

    /// Fit location and scale terms.
    ///
    /// Starts from least squares with ν = 10; where that leads to the normal, also from ν = 3, and keeps
    /// the better.
    ///
    /// # Errors
    /// [`Error::Shape`] when rows differ in number, [`Error::OutOfRange`] at a response that is not finite
    /// or a setting outside its range, [`Error::TooFew`] unless n > p + q + 1, [`Error::RankDeficient`]
    /// naming a column explained by the others, [`Error::Invalid`] when the location terms fit the rows
    /// exactly, [`Error::NotConverged`] with the reason.
    pub fn fit(&self, location: &Design, scale: &Design, y: &[f64]) -> Result<StudentFit> {
        self.check(location, scale, y)?;
        let problem = Problem::new(location, scale, y)?;
        let held = self.held();
        let mut best: Option<(Theta, usize, StopReason)> = None;
        for kappa in KAPPA_STARTS {
            let start = problem.least_squares(held.unwrap_or(kappa))?;
            match (problem.maximise(start, held, self), &best) {
                (Ok(found), None) => best = Some(found),
                (Ok(found), Some(before)) if found.0.ln_likelihood > before.0.ln_likelihood => {
                    best = Some(found);
                }
                (Err(e), None) => return Err(e),
                _ => {}
            }
            if held.is_some() || best.as_ref().is_some_and(|b| b.0.kappa > 0.0) {
                break;
            }
        }
        let (at, iterations, stopped) = best.ok_or_else(|| failed("no start led to an optimum"))?;
        problem.package(&at, held, iterations, stopped)
    }

    /// Fit location terms with one spread for all rows; the scale's one term is named "1".
    ///
    /// # Errors
    /// As [`StudentErrors::fit`].
    pub fn fit_one_spread(&self, location: &Design, y: &[f64]) -> Result<StudentFit> {
        let one = Design::new(vec!["1".into()], DMatrix::from_element(location.rows(), 1, 1.0))?;
        self.fit(location, &one, y)
    }

    /// As [`StudentErrors::fit`], from a neighbouring fit with the same terms (for example of the whole
    /// table, when folds are left out in turn).
    ///
    /// # Errors
    /// As [`StudentErrors::fit`]; also [`Error::Shape`] when the neighbour has other numbers of terms.
    pub fn fit_from(
        &self,
        location: &Design,
        scale: &Design,
        y: &[f64],
        start: &StudentFit,
    ) -> Result<StudentFit> {
        self.check(location, scale, y)?;
        for (what, found, expected) in [
            ("location terms of the starting fit", start.beta.len(), location.columns()),
            ("scale terms of the starting fit", start.gamma.len(), scale.columns()),
        ] {
            if found != expected {
                return Err(Error::Shape { what: what.into(), found, expected });
            }
        }
        let problem = Problem::new(location, scale, y)?;
        let held = self.held();
        match problem.rotated(start, held.unwrap_or(start.kappa)) {
            Some(theta) => {
                let (at, iterations, stopped) = problem.maximise(theta, held, self)?;
                problem.package(&at, held, iterations, stopped)
            }
            None => self.fit(location, scale, y),
        }
    }

    /// κ when it is not estimated.
    fn held(&self) -> Option<f64> {
        match self.freedom {
            Freedom::Estimated => None,
            Freedom::Fixed(df) => Some(1.0 / df),
        }
    }

    fn check(&self, location: &Design, scale: &Design, y: &[f64]) -> Result<()> {
        if let Freedom::Fixed(df) = self.freedom
            && (df.is_nan() || df < FEWEST_DF)
        {
            return Err(outside("freedom", df, "2.1 or more, infinity for the normal"));
        }
        check_steps(self.tolerance, self.max_iterations)?;
        check_rows(location, scale, y, 1)
    }
}

fn failed(reason: &str) -> Error {
    Error::NotConverged { what: "the fit with Student-t errors".into(), reason: reason.into() }
}
