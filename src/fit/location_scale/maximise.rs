//! The way to the optimum of the scale terms: a start from least squares, scoring steps with the expected
//! information, Newton steps with the observed one near the end.

use super::likelihood::{Point, Problem};
use super::{LocationScale, StopReason};
use crate::error::{Error, Place, Result};
use nalgebra::{Cholesky, DMatrix, DVector, QR};

/// Largest change of ln σ of any row in one step. Common practice, no source.
const LARGEST_STEP: f64 = 2.0;
/// Ratio of a row's σ to the overall one, as a logarithm, below which the spread is said to vanish: a
/// thousand-millionth. Common practice, no source.
const VANISHING: f64 = -20.7;
/// Squared length of a scoring step, in standard errors, below which Newton steps take over. Common
/// practice, no source.
const NEWTON_BELOW: f64 = 1.0;
/// Length of the last step, in standard errors, that is still forgiven when rounding forbids any further
/// gain. Common practice, no source.
const FORGIVEN: f64 = 1e-6;

impl Problem<'_> {
    fn start(&self, start: Option<&[f64]>) -> Result<(Point, f64)> {
        let (n, p) = self.x.shape();
        let terms = self.z.ncols();
        let vague = || Error::invalid("response", "the numbers are too large or too small to be fitted");
        let unit = self.at(DVector::zeros(terms)).ok_or_else(vague)?;
        let common = (unit.e.norm() / ((n - p) as f64).sqrt()).ln();
        let size = self.y.amax();
        if size == 0.0 || unit.e.amax() <= 1e-12 * size {
            return Err(Error::invalid(
                "response",
                "the location terms fit every row exactly, so no spread can be estimated",
            ));
        }
        if let Some(gamma) = start {
            if gamma.len() != terms {
                return Err(Error::Shape {
                    what: "starting values of the scale terms".into(),
                    found: gamma.len(),
                    expected: terms,
                });
            }
            if let Some(j) = gamma.iter().position(|g| !g.is_finite()) {
                return Err(Error::OutOfRange {
                    at: Place::column(&self.scale.names()[j]),
                    value: gamma[j],
                    accepted: "finite numbers".into(),
                });
            }
            if let Some(point) = self.at(DVector::from_column_slice(gamma)) {
                return Ok((point, common));
            }
        }
        // The constant as near as the scale terms come to it: exact where they hold an intercept.
        let qr = QR::new(self.z.clone());
        let mut gamma = qr.q().tr_mul(&DVector::from_element(n, common));
        if !qr.unpack_r().solve_upper_triangular_mut(&mut gamma) {
            return Err(vague());
        }
        Ok((self.at(gamma).ok_or_else(vague)?, common))
    }

    pub(super) fn maximise(
        &self,
        start: Option<&[f64]>,
        settings: &LocationScale,
    ) -> Result<(Point, usize, StopReason)> {
        let what = "the location-scale fit";
        let failed = |reason: &str| Error::NotConverged { what: what.into(), reason: reason.into() };
        let (mut here, common) = self.start(start)?;
        let penalised = |information: &DMatrix<f64>| {
            Cholesky::new(information + DMatrix::from_diagonal(&self.penalty)).ok_or_else(|| {
                failed("the scale terms cannot be told apart in these rows; use fewer scale terms or a ridge")
            })
        };
        let mut expected = self.expected(&here);
        let mut scoring = penalised(&expected)?;
        let mut near = false;
        for iteration in 0..settings.max_iterations {
            let score = self.score(&here);
            // Near the optimum the expected information hardly moves and need not be summed again.
            if iteration > 0 && !near {
                expected = self.expected(&here);
                scoring = penalised(&expected)?;
            }
            let mut step = scoring.solve(&score);
            let length = step.dot(&score).max(0.0);
            if length.sqrt() <= settings.tolerance {
                return Ok((here, iteration, StopReason::Gradient));
            }
            near = length < NEWTON_BELOW;
            if near {
                let observed = self.observed(&here, &expected) + DMatrix::from_diagonal(&self.penalty);
                if let Some(newton) = Cholesky::new(observed) {
                    step = newton.solve(&score);
                } else {
                    near = false;
                }
            }
            let reach = (self.z * &step).amax();
            if reach > LARGEST_STEP {
                step *= LARGEST_STEP / reach;
            }
            match self.climb(&here, &step, step.dot(&score)) {
                Some(next) => here = next,
                None if length.sqrt() < FORGIVEN => return Ok((here, iteration, StopReason::Precision)),
                None => return Err(failed("no step raises the likelihood; try other starting values")),
            }
            if here.ln_sigma.min() - common < VANISHING {
                return Err(failed(
                    "the spread of some rows falls to nothing because the location terms fit them exactly; \
                     use fewer scale terms or a ridge",
                ));
            }
        }
        Err(failed("too many steps; rescale the scale terms, use fewer of them, or a ridge"))
    }

    /// The first point along the step, halved as needed, that raises the objective.
    fn climb(&self, here: &Point, step: &DVector<f64>, slope: f64) -> Option<Point> {
        // What rounding may take from a sum of n terms.
        let slack = 1e-14 * (here.objective.abs() + self.y.len() as f64);
        let mut fraction = 1.0;
        for _ in 0..40 {
            if let Some(next) = self.at(&here.gamma + step * fraction)
                && next.objective >= here.objective + 1e-4 * fraction * slope - slack
            {
                return Some(next);
            }
            fraction *= 0.5;
        }
        None
    }
}
