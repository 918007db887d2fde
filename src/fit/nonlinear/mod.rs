//! Nonlinear least squares with additive errors: y_i = f(x_i; θ) + e_i, i = 1 … n, where y_i is one observed
//! size, x_i its settings (a row of numbers, in whatever units the form asks for), θ the p coefficients, and
//! the e_i independent, centred and of one spread σ. θ minimises S(θ) = Σ (y_i − f(x_i; θ))². The covariance
//! of the estimates is s²(J'J)⁻¹ with J = ∂f/∂θ at the optimum and s² = S/(n − p), formed from the triangle of
//! the QR of J; it is a linearisation, and [`NonlinearFit::profile_interval`] does without it. Weights,
//! constraints, and errors that grow with the size are not covered (take logarithms for the last).
//!
//! | file | holds |
//! |---|---|
//! | `mod` | the problem, the fit, and prediction |
//! | `trust_region` | the iteration |
//! | `profile` | profile intervals |
//! | `differences` | forms from closures, derivatives by differences |
//! | `depth_angle` | size = a · depth^b · tan(angle)^c |

mod depth_angle;
mod differences;
mod profile;
mod trust_region;

pub use depth_angle::DepthAngle;
pub use differences::{Differences, WithGradient, by_differences, with_gradient};
pub use profile::ProfileInterval;

use crate::error::{Bounds, Error, LEVEL, Place, Result};
use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};
use statrs::distribution::{Continuous, ContinuousCDF, StudentsT};
use trust_region::{Local, Outcome, Residuals, Stop, minimise};

/// Accepted tolerances for the cosine of [`NonlinearOptions`].
const COSINE: Bounds = Bounds::above("cosine", 0.0, 1e-4, "");
/// Derivatives further than this from differences, as a share of the largest, are wrong (own choice: differences
/// are good to 1e-7 and better).
const WRONG_DERIVATIVE: f64 = 1e-3;

/// The shape of a nonlinear regression: a value and its derivatives by the coefficients.
///
/// Closures become a form by [`with_gradient`] or, without derivatives, by [`by_differences`]. A value that is
/// not finite means that the form is not defined there: the fit turns back from such a place.
pub trait NonlinearForm {
    /// f(x; θ) for one row of settings.
    fn value(&self, settings: &[f64], coefficients: &[f64]) -> f64;

    /// ∂f/∂θ_j for one row of settings, written to `gradient`, which has one entry per coefficient.
    fn gradient(&self, settings: &[f64], coefficients: &[f64], gradient: &mut [f64]);

    /// Whether the form can be asked about these settings at all. Accepts everything unless overridden.
    ///
    /// # Errors
    /// Of the form's choice; [`Error::OutOfRange`] with the name of the setting is usual.
    fn check(&self, settings: &[f64]) -> Result<()> {
        let _ = settings;
        Ok(())
    }
}

/// A form with the observations it is to be fitted to: n rows of settings, n sizes, p named coefficients.
///
/// ```
/// use conchoid::fit::nonlinear::{NonlinearProblem, with_gradient};
/// // size = a · depth^b: flakes struck by students on chalk-down flint, platform depth in mm, mass in g.
/// let power = with_gradient(
///     |x: &[f64], t: &[f64]| t[0] * x[0].powf(t[1]),
///     |x: &[f64], t: &[f64], g: &mut [f64]| {
///         g[0] = x[0].powf(t[1]);
///         g[1] = t[0] * x[0].powf(t[1]) * x[0].ln();
///     },
/// );
/// let depths = [[3.1], [4.4], [5.0], [6.2], [7.7], [8.3], [9.6]];
/// let masses = [4.0, 7.5, 9.1, 15.2, 20.8, 27.5, 33.9];
/// let problem = NonlinearProblem::new(vec!["a".into(), "b".into()], power, &depths, &masses)?;
/// let fit = problem.fit(&[1.0, 1.5])?;
/// assert!((fit.coefficient("b").unwrap() - 1.947).abs() < 0.001);
/// let exponent = fit.profile_interval(&problem, 1, 0.95)?;
/// assert!(exponent.low().unwrap() < 1.9 && 2.0 < exponent.high().unwrap());
/// // A start at which the form has no value is an error, not a fit.
/// assert!(problem.fit(&[f64::MAX, 400.0]).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct NonlinearProblem<F> {
    names: Vec<String>,
    form: F,
    settings: Vec<f64>,
    width: usize,
    observed: Vec<f64>,
}

impl<F: NonlinearForm> NonlinearProblem<F> {
    /// From the names of the coefficients, a form, one row of settings per observation, and the sizes.
    ///
    /// # Errors
    /// [`Error::Missing`] without a name, [`Error::Invalid`] for a name used twice, [`Error::Shape`] when rows
    /// differ in length or in number from the sizes, [`Error::OutOfRange`] at a number that is not finite,
    /// [`Error::TooFew`] unless there are more rows than coefficients, and whatever
    /// [`NonlinearForm::check`] says, with its row.
    pub fn new<R: AsRef<[f64]>>(
        names: Vec<String>,
        form: F,
        settings: &[R],
        observed: &[f64],
    ) -> Result<Self> {
        if names.is_empty() {
            return Err(Error::missing("coefficients", "a form has at least one named coefficient"));
        }
        if let Some((i, name)) = names.iter().enumerate().find(|(i, n)| names[..*i].contains(n)) {
            let reason = format!("coefficient {} has a name that is already taken", i + 1);
            return Err(Error::invalid(name, reason));
        }
        if settings.len() != observed.len() {
            return Err(Error::Shape {
                what: "rows of settings".into(),
                found: settings.len(),
                expected: observed.len(),
            });
        }
        if observed.len() <= names.len() {
            return Err(Error::TooFew {
                what: "rows".into(),
                found: observed.len(),
                needed: names.len() + 1,
            });
        }
        let width = settings[0].as_ref().len();
        let mut flat = Vec::with_capacity(width * settings.len());
        for (i, (row, size)) in settings.iter().zip(observed).enumerate() {
            let (row, at) = (row.as_ref(), i as u64 + 1);
            if row.len() != width {
                return Err(Error::Shape {
                    what: format!("settings in row {at}"),
                    found: row.len(),
                    expected: width,
                });
            }
            if let Some((j, value)) = row.iter().enumerate().find(|(_, v)| !v.is_finite()) {
                return Err(not_finite(Place::cell(at, format!("setting {}", j + 1)), *value));
            }
            if !size.is_finite() {
                return Err(not_finite(Place::cell(at, "size"), *size));
            }
            form.check(row).map_err(|e| e.in_row(at))?;
            flat.extend_from_slice(row);
        }
        Ok(NonlinearProblem { names, form, settings: flat, width, observed: observed.to_vec() })
    }

    /// Number of observations.
    pub fn rows(&self) -> usize {
        self.observed.len()
    }

    /// The names of the coefficients.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The form.
    pub fn form(&self) -> &F {
        &self.form
    }

    /// The observed sizes.
    pub fn observed(&self) -> &[f64] {
        &self.observed
    }

    /// The settings of one row, counted from 0; panics as a slice would beyond the last.
    fn row(&self, i: usize) -> &[f64] {
        &self.settings[i * self.width..(i + 1) * self.width]
    }

    /// How far the form's derivatives are from differences of its values at these coefficients: the largest
    /// disagreement in any row, as a share of the largest derivative by the same coefficient in any row.
    /// Correct derivatives of a smooth form give about 1e-9; a slip gives 0.01 or more.
    ///
    /// ```
    /// use conchoid::fit::nonlinear::{NonlinearProblem, with_gradient};
    /// let wrong = with_gradient(
    ///     |x: &[f64], t: &[f64]| t[0] * x[0] * x[0],
    ///     |x: &[f64], _: &[f64], g: &mut [f64]| g[0] = x[0],
    /// );
    /// let p = NonlinearProblem::new(vec!["a".into()], wrong, &[[1.0], [2.0], [3.0]], &[1.0, 4.0, 9.0])?;
    /// assert!(p.gradient_error(&[2.0])? > 0.1);
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`Error::Shape`] for a wrong number of coefficients, [`Error::Invalid`] where the form or a derivative
    /// is not finite.
    pub fn gradient_error(&self, coefficients: &[f64]) -> Result<f64> {
        self.check_coefficients("coefficients", coefficients)?;
        let differences = by_differences(|x: &[f64], t: &[f64]| self.form.value(x, t));
        let worst = self.disagreement(coefficients, &differences);
        worst.map(|d| d.share).map_err(|(row, j)| Error::Invalid {
            at: Place::row(row as u64 + 1),
            reason: format!("the form or its derivative by {} has no finite value", self.names[j]),
        })
    }

    /// Where the form's derivatives are furthest from differences, as shares of the largest derivative by the
    /// same coefficient. Not finite: the row and the coefficient, from 0.
    fn disagreement<V>(
        &self,
        coefficients: &[f64],
        differences: &Differences<V>,
    ) -> std::result::Result<Disagreement, (usize, usize)>
    where
        V: Fn(&[f64], &[f64]) -> f64,
    {
        let p = self.names.len();
        let (mut given, mut differenced) = (vec![0.0; p], vec![0.0; p]);
        let mut largest = vec![0.0_f64; p];
        let mut apart = vec![(0.0_f64, 0); p];
        for i in 0..self.rows() {
            self.form.gradient(self.row(i), coefficients, &mut given);
            differences.gradient(self.row(i), coefficients, &mut differenced);
            for (j, (g, d)) in given.iter().zip(&differenced).enumerate() {
                if !g.is_finite() || !d.is_finite() {
                    return Err((i, j));
                }
                largest[j] = largest[j].max(g.abs()).max(d.abs());
                if (g - d).abs() > apart[j].0 {
                    apart[j] = ((g - d).abs(), i);
                }
            }
        }
        let mut worst = Disagreement { share: 0.0, row: 0, coefficient: 0 };
        for (coefficient, ((distance, row), largest)) in apart.into_iter().zip(largest).enumerate() {
            let share = if largest > 0.0 { distance / largest } else { 0.0 };
            if share > worst.share {
                worst = Disagreement { share, row, coefficient };
            }
        }
        Ok(worst)
    }

    /// A fit whose derivatives are wrong is at right angles to the wrong space. So what a fit rests on is
    /// checked where it stands, with steps of the size of its standard errors.
    fn check_derivatives(&self, fit: &NonlinearFit) -> Result<()> {
        let form =
            by_differences(|x: &[f64], t: &[f64]| self.form.value(x, t)).typical(&fit.standard_errors());
        match self.disagreement(&fit.coefficients, &form) {
            Ok(worst) if worst.share > WRONG_DERIVATIVE => Err(Error::Invalid {
                at: Place::cell(worst.row as u64 + 1, &self.names[worst.coefficient]),
                reason: format!(
                    "the form's derivative by {} is not that of its values: they disagree by {:.1e} of the largest \
                     (correct the derivative, or let differences take it)",
                    self.names[worst.coefficient], worst.share
                ),
            }),
            // At the end of the domain differences may not exist.
            _ => Ok(()),
        }
    }

    /// Fits by least squares from starting values, one per coefficient, with the default options.
    ///
    /// # Errors
    /// [`Error::Shape`] or [`Error::OutOfRange`] for starting values of a wrong number or not finite,
    /// [`Error::Invalid`] at the first row where the form has no finite value or derivative there, and where the
    /// form's derivatives at the fit are not those of its values, [`Error::RankDeficient`] when the rows cannot tell the coefficients apart at the optimum, and
    /// [`Error::NotConverged`] with the reason for stopping, the place reached and what to try.
    pub fn fit(&self, start: &[f64]) -> Result<NonlinearFit> {
        self.fit_with(start, &NonlinearOptions::default())
    }

    /// Fits as [`NonlinearProblem::fit`], with options.
    ///
    /// # Errors
    /// As [`NonlinearProblem::fit`].
    pub fn fit_with(&self, start: &[f64], options: &NonlinearOptions) -> Result<NonlinearFit> {
        self.check_coefficients("start", start)?;
        let outcome = minimise(self, start, options.cosine, options.max_iterations);
        let (point, stop) = match (outcome.stop, &outcome.point) {
            (Stop::Orthogonal, Some(point)) => (point, StopReason::Orthogonal),
            (Stop::MachinePrecision, Some(point)) => (point, StopReason::MachinePrecision),
            _ => return Err(self.failure(start, &outcome)),
        };
        let fit = self.package(point, stop, outcome.iterations)?;
        self.check_derivatives(&fit)?;
        Ok(fit)
    }

    fn check_coefficients(&self, what: &str, values: &[f64]) -> Result<()> {
        if values.len() != self.names.len() {
            return Err(Error::Shape {
                what: format!("values in {what}"),
                found: values.len(),
                expected: self.names.len(),
            });
        }
        match self.names.iter().zip(values).find(|(_, v)| !v.is_finite()) {
            Some((name, value)) => Err(not_finite(Place::column(name), *value)),
            None => Ok(()),
        }
    }

    /// The fit at a point where the iteration arrived.
    fn package(&self, point: &Local, stop: StopReason, iterations: u64) -> Result<NonlinearFit> {
        let (n, p) = (self.rows(), self.names.len());
        let df = n - p;
        let rss = point.norm * point.norm;
        let variance = rss / df as f64;
        // C = s² W W' with W = D⁻¹ R⁻¹, R the triangle of the unit columns and D their lengths.
        let identity = DMatrix::identity(p, p);
        let deficient = || Error::RankDeficient { term: self.names[point.dependent().unwrap_or(0)].clone() };
        let mut inverse = point.triangle.solve_upper_triangular(&identity).ok_or_else(deficient)?;
        for (j, mut row) in inverse.row_iter_mut().enumerate() {
            row /= point.lengths[j];
        }
        let covariance = &inverse * inverse.transpose() * variance;
        if covariance.iter().any(|c| !c.is_finite()) {
            return Err(deficient());
        }
        Ok(NonlinearFit {
            names: self.names.clone(),
            coefficients: point.theta.clone(),
            covariance,
            rss,
            rows: n,
            iterations,
            stop,
            cosine: point.cosine(),
        })
    }

    /// Why there is no fit.
    fn failure(&self, start: &[f64], outcome: &Outcome) -> Error {
        let p = self.names.len();
        if outcome.stop == Stop::Undefined {
            let mut gradient = vec![0.0; p];
            let undefined = |i: &usize| {
                self.form.gradient(self.row(*i), start, &mut gradient);
                let value = self.form.value(self.row(*i), start);
                !value.is_finite() || gradient.iter().any(|g| !g.is_finite())
            };
            let row = (0..self.rows()).find(undefined).map(|i| i as u64 + 1);
            return Error::Invalid {
                at: Place { row, column: Some("start".into()) },
                reason: "the form or its derivatives have no finite value at the starting values \
                         (choose others, nearer to what is expected)"
                    .into(),
            };
        }
        if let Stop::Dependent(j) = outcome.stop {
            return Error::RankDeficient { term: self.names[j].clone() };
        }
        let why = match outcome.stop {
            Stop::Iterations => format!("it was still moving after {} iterations", outcome.iterations),
            _ => format!("no step made progress after {} iterations", outcome.iterations),
        };
        let place = match &outcome.point {
            None => String::new(),
            Some(point) => {
                let at: Vec<String> =
                    self.names.iter().zip(&point.theta).map(|(n, v)| format!("{n} = {v:.6e}")).collect();
                format!(
                    ", at {} with residual sum of squares {:.6e} and cosine {:.1e} (0 at an optimum)",
                    at.join(", "),
                    point.norm * point.norm,
                    point.cosine()
                )
            }
        };
        Error::NotConverged {
            what: "the nonlinear fit".into(),
            reason: format!(
                "{why}{place}; try starting values nearer to what is expected, check the derivatives \
                 against differences, or leave out a coefficient that the rows do not determine"
            ),
        }
    }
}

impl<F: NonlinearForm> Residuals for NonlinearProblem<F> {
    fn columns(&self) -> usize {
        self.names.len()
    }

    fn observed_norm(&self) -> f64 {
        self.observed.iter().map(|y| y * y).sum::<f64>().sqrt()
    }

    fn residuals(&self, theta: &[f64]) -> Option<DVector<f64>> {
        let r = DVector::from_fn(self.rows(), |i, _| self.observed[i] - self.form.value(self.row(i), theta));
        r.iter().all(|v| v.is_finite()).then_some(r)
    }

    fn jacobian(&self, theta: &[f64]) -> Option<DMatrix<f64>> {
        let mut j = DMatrix::zeros(self.rows(), self.names.len());
        let mut gradient = vec![0.0; self.names.len()];
        for (i, mut row) in j.row_iter_mut().enumerate() {
            self.form.gradient(self.row(i), theta, &mut gradient);
            row.iter_mut().zip(&gradient).for_each(|(to, from)| *to = *from);
        }
        j.iter().all(|v| v.is_finite()).then_some(j)
    }
}

fn not_finite(at: Place, value: f64) -> Error {
    Error::OutOfRange { at, value, accepted: "finite numbers".into() }
}

/// How long and how closely to iterate.
///
/// | option | default | purpose | range |
/// |---|---|---|---|
/// | `max_iterations` | 5000 | iterations from each first radius of the trust region (there are three) | at least 1 |
/// | `cosine` | 1e-10 | angle between residuals and tangent space at which the fit has arrived | above 0, at most 1e-4 |
///
/// A fit whose cosine is c lies within about c·√(n − p) standard errors of the optimum.
#[derive(Debug, Clone, PartialEq)]
pub struct NonlinearOptions {
    max_iterations: u64,
    cosine: f64,
}

impl Default for NonlinearOptions {
    fn default() -> Self {
        NonlinearOptions { max_iterations: 5000, cosine: 1e-10 }
    }
}

impl NonlinearOptions {
    /// Checked options.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for a cosine outside its range, [`Error::Invalid`] for no iterations.
    pub fn new(max_iterations: u64, cosine: f64) -> Result<Self> {
        if max_iterations == 0 {
            return Err(Error::invalid("max_iterations", "no iterations were allowed (accepted: 1 or more)"));
        }
        Ok(NonlinearOptions { max_iterations, cosine: COSINE.check(cosine)? })
    }
}

/// The largest distance between given derivatives and differences.
struct Disagreement {
    share: f64,
    row: usize,
    coefficient: usize,
}

/// Why a fit that arrived stopped where it did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[non_exhaustive]
pub enum StopReason {
    /// The residuals are at right angles to the tangent space, to the tolerance asked for.
    Orthogonal,
    /// They are so as far as rounding lets it be told, short of the tolerance asked for.
    MachinePrecision,
}

/// A nonlinear fit: coefficients, their covariance, the spread, and how the iteration ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "StoredFit", into = "StoredFit")]
pub struct NonlinearFit {
    names: Vec<String>,
    coefficients: Vec<f64>,
    covariance: DMatrix<f64>,
    rss: f64,
    rows: usize,
    iterations: u64,
    stop: StopReason,
    cosine: f64,
}

impl NonlinearFit {
    /// The names of the coefficients.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The estimates θ̂, in the order of the names.
    pub fn coefficients(&self) -> &[f64] {
        &self.coefficients
    }

    /// One estimate by its name.
    pub fn coefficient(&self, name: &str) -> Option<f64> {
        self.names.iter().position(|n| n == name).map(|j| self.coefficients[j])
    }

    /// The covariance of the estimates, s²(J'J)⁻¹ (p by p).
    pub fn covariance(&self) -> &DMatrix<f64> {
        &self.covariance
    }

    /// The standard errors of the estimates, from the covariance.
    pub fn standard_errors(&self) -> Vec<f64> {
        self.covariance.diagonal().iter().map(|v| v.sqrt()).collect()
    }

    /// The residual standard deviation s, in units of the size.
    pub fn residual_sd(&self) -> f64 {
        (self.rss / self.degrees_of_freedom() as f64).sqrt()
    }

    /// n − p, at least 1.
    pub fn degrees_of_freedom(&self) -> usize {
        self.rows - self.names.len()
    }

    /// Number of observations.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// The least sum of squares S(θ̂).
    pub fn residual_sum_of_squares(&self) -> f64 {
        self.rss
    }

    /// Iterations spent.
    pub fn iterations(&self) -> u64 {
        self.iterations
    }

    /// Why the iteration stopped.
    pub fn stop_reason(&self) -> StopReason {
        self.stop
    }

    /// Cosine of the angle between the residuals and the tangent space, 0 at an exact optimum.
    pub fn cosine(&self) -> f64 {
        self.cosine
    }

    /// The expected size at some settings, with a t interval for it by the delta method.
    ///
    /// ## Formula
    /// f(x; θ̂) ± t √(g'Cg), with g = ∂f/∂θ at (x, θ̂), C the covariance, and t the quantile of Student's t
    /// with n − p degrees of freedom that leaves (1 − level)/2 above it.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for a level not between 0 and 1, [`Error::Incomparable`] for a problem with other
    /// coefficients, [`Error::Shape`] for a wrong number of settings, what [`NonlinearForm::check`] says, and
    /// [`Error::Domain`] where the form has no finite value.
    pub fn expected<F: NonlinearForm>(
        &self,
        problem: &NonlinearProblem<F>,
        settings: &[f64],
        level: f64,
    ) -> Result<NonlinearInterval> {
        self.interval(problem, settings, level, 0.0)
    }

    /// The size of one new flake at some settings, with a t interval for it by the delta method: as
    /// [`NonlinearFit::expected`], with s² added under the root.
    ///
    /// # Errors
    /// As [`NonlinearFit::expected`].
    pub fn one_new<F: NonlinearForm>(
        &self,
        problem: &NonlinearProblem<F>,
        settings: &[f64],
        level: f64,
    ) -> Result<NonlinearInterval> {
        self.interval(problem, settings, level, self.rss / self.degrees_of_freedom() as f64)
    }

    fn interval<F: NonlinearForm>(
        &self,
        problem: &NonlinearProblem<F>,
        settings: &[f64],
        level: f64,
        own_variance: f64,
    ) -> Result<NonlinearInterval> {
        let t = t_multiplier(level, self.degrees_of_freedom())?;
        if problem.names != self.names {
            return Err(Error::Incomparable {
                reason: "the fit and the problem have other coefficients".into(),
            });
        }
        if settings.len() != problem.width {
            return Err(Error::Shape {
                what: "settings".into(),
                found: settings.len(),
                expected: problem.width,
            });
        }
        if let Some((j, value)) = settings.iter().enumerate().find(|(_, v)| !v.is_finite()) {
            return Err(not_finite(Place::column(format!("setting {}", j + 1)), *value));
        }
        problem.form.check(settings)?;
        let value = problem.form.value(settings, &self.coefficients);
        let mut gradient = vec![0.0; self.names.len()];
        problem.form.gradient(settings, &self.coefficients, &mut gradient);
        let gradient = DVector::from_vec(gradient);
        let sd = ((&self.covariance * &gradient).dot(&gradient).max(0.0) + own_variance).sqrt();
        if !value.is_finite() || !sd.is_finite() {
            return Err(Error::Domain {
                term: "the fitted form".into(),
                value,
                accepted: "settings at which it and its derivatives are finite".into(),
            });
        }
        Ok(NonlinearInterval { value, sd, low: value - t * sd, high: value + t * sd, level })
    }
}

/// A value with its standard deviation and a symmetric interval; all in units of the size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NonlinearInterval {
    value: f64,
    sd: f64,
    low: f64,
    high: f64,
    level: f64,
}

impl NonlinearInterval {
    /// The fitted value.
    pub fn value(&self) -> f64 {
        self.value
    }

    /// Its standard deviation: of the estimate, or of the estimate and one flake's own spread together.
    pub fn sd(&self) -> f64 {
        self.sd
    }

    /// The lower end.
    pub fn low(&self) -> f64 {
        self.low
    }

    /// The upper end.
    pub fn high(&self) -> f64 {
        self.high
    }

    /// The level, between 0 and 1.
    pub fn level(&self) -> f64 {
        self.level
    }
}

/// The quantile of Student's t that leaves (1 − level)/2 above it.
fn t_multiplier(level: f64, df: usize) -> Result<f64> {
    let tail = 0.5 * (1.0 - LEVEL.check(level)?);
    let broken = |_| Error::invalid("level", "no quantile of Student's t could be formed");
    let t = StudentsT::new(0.0, 1.0, df as f64).map_err(broken)?;
    let mut q = -t.inverse_cdf(tail);
    // Newton's method on the tail takes away what the library's search for the quantile leaves.
    for _ in 0..4 {
        let step = (t.sf(q) - tail) / t.pdf(q);
        if !step.is_finite() {
            break;
        }
        q += step;
    }
    if q.is_finite() {
        Ok(q)
    } else {
        Err(Error::invalid("level", "too near to 1 for an interval of finite width"))
    }
}

/// The stored layout of a fit, checked on the way in.
#[derive(Serialize, Deserialize)]
struct StoredFit {
    names: Vec<String>,
    coefficients: Vec<f64>,
    covariance: Vec<Vec<f64>>,
    residual_sum_of_squares: f64,
    rows: usize,
    iterations: u64,
    stop_reason: StopReason,
    cosine: f64,
}

impl From<NonlinearFit> for StoredFit {
    fn from(fit: NonlinearFit) -> Self {
        StoredFit {
            covariance: fit.covariance.row_iter().map(|r| r.iter().copied().collect()).collect(),
            names: fit.names,
            coefficients: fit.coefficients,
            residual_sum_of_squares: fit.rss,
            rows: fit.rows,
            iterations: fit.iterations,
            stop_reason: fit.stop,
            cosine: fit.cosine,
        }
    }
}

impl TryFrom<StoredFit> for NonlinearFit {
    type Error = Error;

    fn try_from(stored: StoredFit) -> Result<Self> {
        let p = stored.names.len();
        let wrong = |field: &str, reason: &str| {
            Err(Error::Calibration { at: Place::column(field), reason: reason.into() })
        };
        if p == 0 || stored.coefficients.len() != p || stored.coefficients.iter().any(|c| !c.is_finite()) {
            return wrong("coefficients", "one finite number is expected for each name");
        }
        if stored.covariance.len() != p || stored.covariance.iter().any(|r| r.len() != p) {
            return wrong("covariance", "one row and one column are expected for each name");
        }
        let covariance = DMatrix::from_fn(p, p, |i, j| stored.covariance[i][j]);
        let bound = |i: usize, j: usize| (covariance[(i, i)] * covariance[(j, j)]).sqrt() * (1.0 + 1e-9);
        let sound = |i: usize, j: usize| {
            let c = covariance[(i, j)];
            c.is_finite() && c.abs() <= bound(i, j) && (c - covariance[(j, i)]).abs() <= 1e-9 * bound(i, j)
        };
        if !(0..p).all(|i| covariance[(i, i)] >= 0.0 && (0..p).all(|j| sound(i, j))) {
            return wrong("covariance", "a symmetric matrix of variances and covariances is expected");
        }
        if !(stored.residual_sum_of_squares.is_finite() && stored.residual_sum_of_squares >= 0.0) {
            return wrong("residual_sum_of_squares", "a finite number, at least 0, is expected");
        }
        if stored.rows <= p {
            return wrong("rows", "more rows than coefficients are expected");
        }
        if !(0.0..=1.0).contains(&stored.cosine) {
            return wrong("cosine", "a number from 0 to 1 is expected");
        }
        Ok(NonlinearFit {
            names: stored.names,
            coefficients: stored.coefficients,
            covariance,
            rss: stored.residual_sum_of_squares,
            rows: stored.rows,
            iterations: stored.iterations,
            stop: stored.stop_reason,
            cosine: stored.cosine,
        })
    }
}
