//! The interval for the degrees of freedom, by profile likelihood: where the drop below the best reaches its limit.

use super::likelihood::Problem;
use super::{FEWEST_DF, KAPPA_MAX, StudentErrors, StudentFit, failed};
use crate::error::{Error, Place, Result};
use crate::fit::Design;
use argmin::core::{CostFunction, Executor, State};
use argmin::solver::brent::BrentRoot;

/// Twice the drop of the profile log-likelihood below its best, less the limit, at a given κ.
struct Drop<'a> {
    problem: Problem<'a>,
    settings: StudentErrors,
    fit: &'a StudentFit,
    limit: f64,
}

impl Drop<'_> {
    fn at(&self, kappa: f64) -> Result<f64> {
        let start = self
            .problem
            .rotated(self.fit, kappa)
            .ok_or_else(|| failed("the fit does not belong to these rows"))?;
        let (best, ..) = self.problem.maximise(start, Some(kappa), &self.settings)?;
        Ok(2.0 * (self.fit.ln_likelihood - best.ln_likelihood) - self.limit)
    }
}

impl CostFunction for Drop<'_> {
    type Param = f64;
    type Output = f64;

    fn cost(&self, kappa: &f64) -> std::result::Result<f64, argmin::core::Error> {
        self.at(*kappa).map_err(argmin::core::Error::from)
    }
}

impl StudentErrors {
    /// Interval for the degrees of freedom by profile likelihood: all ν whose best log-likelihood lies within
    /// half the `level` quantile of χ² with one degree of freedom of the maximum. The lower end is at least
    /// [`FEWEST_DF`], where the interval is cut off; the upper end is infinite when the normal is not
    /// excluded. Takes the rows of the fit again, as the fit does not keep them.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless the level lies above 0 and below 1; as [`StudentErrors::fit`] for the
    /// rows; [`Error::Invalid`] when the fit is not of these rows or its ν was given.
    pub fn df_interval(
        &self,
        location: &Design,
        scale: &Design,
        y: &[f64],
        fit: &StudentFit,
        level: f64,
    ) -> Result<(f64, f64)> {
        self.check(location, scale, y)?;
        if !(level > 0.0 && level < 1.0) {
            let at = Place::column("level");
            return Err(Error::OutOfRange { at, value: level, accepted: "above 0, below 1".into() });
        }
        if !fit.estimated {
            return Err(Error::invalid("freedom", "was given, so it has no interval"));
        }
        let foreign = || Error::invalid("fit", "is not of these rows");
        if location.names() != fit.location_names || scale.names() != fit.scale_names {
            return Err(foreign());
        }
        let problem = Problem::new(location, scale, y)?;
        let same = problem.rotated(fit, fit.kappa).ok_or_else(foreign)?;
        if (same.ln_likelihood - fit.ln_likelihood).abs() > 1e-6 * (1.0 + fit.ln_likelihood.abs()) {
            return Err(foreign());
        }
        let limit = crate::special::normal_quantile(0.5 + 0.5 * level).powi(2);
        let drop = Drop { problem, settings: *self, fit, limit };
        let (low, drop) = end_of_profile(drop, fit.kappa, 0.0)?;
        let (high, _) = end_of_profile(drop, fit.kappa, KAPPA_MAX)?;
        Ok(((1.0 / high).max(FEWEST_DF), 1.0 / low))
    }
}

/// Where the drop reaches its limit between the best κ and an end of the range; the end itself where it does
/// not.
fn end_of_profile<'a>(drop: Drop<'a>, best: f64, end: f64) -> Result<(f64, Drop<'a>)> {
    if best == end || drop.at(end)? <= 0.0 {
        return Ok((end, drop));
    }
    let unsolved = |e: argmin::core::Error| failed(&format!("the interval of the degrees of freedom: {e}"));
    let solver = BrentRoot::new(best.min(end), best.max(end), 1e-10);
    let mut result = Executor::new(drop, solver).configure(|s| s.max_iters(200)).run().map_err(unsolved)?;
    let root = result.state.get_best_param().copied();
    match (root, result.problem.take_problem()) {
        (Some(root), Some(drop)) => Ok((root, drop)),
        _ => Err(failed("the interval of the degrees of freedom has no end")),
    }
}
