//! Profile intervals. Hold one coefficient at θ_k, minimise S over the others, and call the minimum S(θ_k); then
//! τ(θ_k) = ± √((S(θ_k) − S(θ̂))/s²), signed as θ_k − θ̂_k, is close to Student's t with n − p degrees of
//! freedom, and the interval is where |τ| is at most its quantile. Unlike θ̂ ± t·se it follows the bend of the
//! form, and it can be open at one end. Source: D. M. Bates and D. G. Watts, 1988, Nonlinear Regression
//! Analysis and Its Applications, section 6.1 (from memory).

use super::trust_region::{Outcome, Residuals, Stop, minimise};
use super::{NonlinearFit, NonlinearForm, NonlinearProblem, t_multiplier};
use crate::error::{Error, Result};
use argmin::core::{CostFunction, Error as ArgminError, Executor};
use argmin::solver::brent::BrentRoot;
use nalgebra::{DMatrix, DVector};

/// Tolerances of the refits (cosine) and of the ends (in standard errors), and their iterations. Own choices.
const REFIT_COSINE: f64 = 1e-9;
const END: f64 = 1e-9;
const REFIT_ITERATIONS: u64 = 2000;
/// How far out an end is looked for, in standard errors, before it is called open. Own choice.
const FAR: f64 = 1e6;
/// How many steps outwards are taken at most (own choice; an ordinary end takes about six).
const WALK: usize = 200;

/// A profile interval for one coefficient, in that coefficient's units. An end is absent where the observations
/// put no bound on that side: however far the coefficient is moved, the others make up for it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProfileInterval {
    low: Option<f64>,
    high: Option<f64>,
    level: f64,
}

impl ProfileInterval {
    /// The lower end, or none when it is open.
    pub fn low(&self) -> Option<f64> {
        self.low
    }

    /// The upper end, or none when it is open.
    pub fn high(&self) -> Option<f64> {
        self.high
    }

    /// The level, between 0 and 1.
    pub fn level(&self) -> f64 {
        self.level
    }
}

impl NonlinearFit {
    /// The profile interval for the coefficient with this index (from 0): the problem is refitted with the
    /// coefficient held, and each end found by Brent's method to 1e-9 standard errors.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for a level not between 0 and 1, [`Error::Invalid`] for an index beyond the last or a
    /// form that fits exactly,
    /// [`Error::Incomparable`] when the fit is not of this problem, [`Error::NotConverged`] when a refit fails
    /// or finds a smaller sum of squares than the fit's.
    pub fn profile_interval<F: NonlinearForm>(
        &self,
        problem: &NonlinearProblem<F>,
        index: usize,
        level: f64,
    ) -> Result<ProfileInterval> {
        let t = t_multiplier(level, self.degrees_of_freedom())?;
        if index >= self.names.len() {
            let reason = format!("there is no coefficient {index} (accepted: 0 to {})", self.names.len() - 1);
            return Err(Error::invalid("index", reason));
        }
        self.check_problem(problem)?;
        let side = |sign: f64| Profile::new(self, problem, index, sign).and_then(|p| p.end(t));
        Ok(ProfileInterval { low: side(-1.0)?, high: side(1.0)?, level })
    }

    fn check_problem<F: NonlinearForm>(&self, problem: &NonlinearProblem<F>) -> Result<()> {
        let same = problem.names == self.names
            && problem.rows() == self.rows
            && problem.residuals(&self.coefficients).is_some_and(|r| {
                let rounding = 1e-12 * problem.observed_norm().powi(2);
                (r.norm_squared() - self.rss).abs() <= 1e-6 * self.rss + rounding
            });
        if same {
            Ok(())
        } else {
            Err(Error::Incomparable { reason: "the fit was made from another problem than this one".into() })
        }
    }
}

/// A problem with one coefficient held at a value; the others keep their order.
struct Held<'a> {
    problem: &'a dyn Residuals,
    index: usize,
    value: f64,
}

impl Held<'_> {
    fn whole(&self, others: &[f64]) -> Vec<f64> {
        let mut theta = others.to_vec();
        theta.insert(self.index, self.value);
        theta
    }
}

impl Residuals for Held<'_> {
    fn columns(&self) -> usize {
        self.problem.columns() - 1
    }

    fn observed_norm(&self) -> f64 {
        self.problem.observed_norm()
    }

    fn residuals(&self, others: &[f64]) -> Option<DVector<f64>> {
        self.problem.residuals(&self.whole(others))
    }

    fn jacobian(&self, others: &[f64]) -> Option<DMatrix<f64>> {
        Some(self.problem.jacobian(&self.whole(others))?.remove_column(self.index))
    }
}

/// One side of the profile of one coefficient, by its distance from the estimate in standard errors.
struct Profile<'a> {
    problem: &'a dyn Residuals,
    name: &'a str,
    index: usize,
    estimate: f64,
    /// One standard error, signed to the side.
    unit: f64,
    rss: f64,
    variance: f64,
    /// Where the others start: where they were at the estimate and at the last refit, with its distance.
    at_estimate: Vec<f64>,
    last: (f64, Vec<f64>),
}

impl<'a> Profile<'a> {
    fn new<F: NonlinearForm>(
        fit: &'a NonlinearFit,
        problem: &'a NonlinearProblem<F>,
        index: usize,
        sign: f64,
    ) -> Result<Self> {
        let unit = sign * fit.covariance[(index, index)].sqrt();
        let variance = fit.rss / fit.degrees_of_freedom() as f64;
        if unit == 0.0 || variance == 0.0 {
            return Err(Error::Invalid {
                at: crate::error::Place::column(&fit.names[index]),
                reason: "the form fits exactly, so its profile has no width".into(),
            });
        }
        let mut others = fit.coefficients.clone();
        let estimate = others.remove(index);
        // To first order the others move with the covariance.
        let mut step: Vec<f64> = fit.covariance.column(index).iter().map(|c| c / unit).collect();
        step.remove(index);
        let at_one = others.iter().zip(&step).map(|(o, s)| o + s).collect();
        Ok(Profile {
            problem,
            name: &fit.names[index],
            index,
            estimate,
            unit,
            rss: fit.rss,
            variance,
            at_estimate: others,
            last: (1.0, at_one),
        })
    }

    /// |τ| at a distance, and where the other coefficients went.
    fn tau(&self, distance: f64) -> Result<(f64, Vec<f64>)> {
        let held =
            Held { problem: self.problem, index: self.index, value: self.estimate + distance * self.unit };
        let (sum, others) = if self.at_estimate.is_empty() {
            let sum = held.residuals(&[]).map(|r| r.norm_squared());
            (sum.ok_or_else(|| self.failed(held.value, "the form has no finite value there"))?, Vec::new())
        } else {
            let share = distance / self.last.0;
            let line = |(a, b): (&f64, &f64)| a + share * (b - a);
            let along: Vec<f64> = self.at_estimate.iter().zip(&self.last.1).map(line).collect();
            let mut refit = None;
            for start in [&along, &self.last.1, &self.at_estimate] {
                let outcome = minimise(&held, start, REFIT_COSINE, REFIT_ITERATIONS);
                if arrived(&outcome) {
                    refit = outcome.point;
                    break;
                }
            }
            let point =
                refit.ok_or_else(|| self.failed(held.value, "the refit of the others did not converge"))?;
            (point.norm * point.norm, point.theta)
        };
        let rise = (sum - self.rss) / self.variance;
        if rise < -1e-6 {
            return Err(self
                .failed(held.value, "there the sum of squares is smaller than the fit's: refit from there"));
        }
        Ok((rise.max(0.0).sqrt(), others))
    }

    fn failed(&self, value: f64, why: &str) -> Error {
        Error::NotConverged {
            what: format!("the profile of {}", self.name),
            reason: format!("held at {value:.6e}: {why}"),
        }
    }

    /// The value at which |τ| first reaches t on the way out, in steps that raise it by a fifth of t as far as
    /// its slope tells; none if it never does.
    fn end(mut self, t: f64) -> Result<Option<f64>> {
        let (mut inside, mut tau_inside) = (0.0, 0.0);
        let mut step = t / 8.0;
        let (mut failures, mut falls) = (0, 0);
        let mut bracket = None;
        for _ in 0..WALK {
            let outside = inside + step;
            let (tau, others) = match self.tau(outside) {
                Ok(refit) => refit,
                // The form may end before the interval does: come nearer a few times.
                Err(_) if failures < 8 => {
                    failures += 1;
                    step *= 0.5;
                    continue;
                }
                Err(e) => return Err(e),
            };
            if tau >= t {
                bracket = Some((inside, outside));
                break;
            }
            // A fall may hide a ridge that the step leapt over: look closer before believing it.
            if tau < 0.95 * tau_inside && falls < 6 {
                falls += 1;
                step *= 0.5;
                continue;
            }
            if outside >= FAR {
                return Ok(None);
            }
            let slope = (tau - tau_inside) / step;
            let longest = if failures > 0 { step } else { 2.0 * outside };
            step = if slope > 0.0 { (0.2 * t / slope).min(longest) } else { longest };
            (inside, tau_inside, falls) = (outside, tau, 0);
            self.last = (outside, others);
        }
        let at = |distance: f64| self.estimate + distance * self.unit;
        let Some((inside, outside)) = bracket else {
            return Err(self.failed(at(inside), "the profile rises too slowly to be followed further"));
        };
        let excess = Excess { profile: &self, t };
        let solver = BrentRoot::new(inside, outside, END);
        let outcome = Executor::new(excess, solver)
            .configure(|state| state.param(outside).max_iters(200).counting(false))
            .ctrlc(false)
            .timer(false)
            .run();
        match outcome.map(|o| o.state.param) {
            Ok(Some(distance)) => Ok(Some(at(distance))),
            _ => Err(self.failed(at(outside), "no end could be found nearer than this")),
        }
    }
}

/// Whether a refit can be used: it converged, or the others are free to trade against each other.
fn arrived(outcome: &Outcome) -> bool {
    outcome.converged() || (matches!(outcome.stop, Stop::Dependent(_)) && outcome.point.is_some())
}

/// |τ| − t as argmin wants it.
struct Excess<'a> {
    profile: &'a Profile<'a>,
    t: f64,
}

impl CostFunction for Excess<'_> {
    type Param = f64;
    type Output = f64;

    fn cost(&self, distance: &f64) -> std::result::Result<f64, ArgminError> {
        if *distance == 0.0 {
            return Ok(-self.t);
        }
        self.profile.tau(*distance).map(|(tau, _)| tau - self.t).map_err(ArgminError::from)
    }
}
