//! The way to the optimum: scoring steps with the expected information, Newton steps with the observed one near
//! it, κ kept within its range.

use super::likelihood::{Problem, Slopes, Theta};
use super::{KAPPA_MAX, StudentErrors, failed};
use crate::error::Result;
use crate::fit::location_scale::StopReason;
use nalgebra::{Cholesky, DMatrix, DVector, SymmetricEigen};

/// As in the location-scale fit: largest change of ln σ of any row in one step.
const LARGEST_STEP: f64 = 2.0;
/// As in the location-scale fit: ratio of spreads, as a logarithm, that counts as vanishing.
const VANISHING: f64 = -20.7;
/// As in the location-scale fit: where Newton steps take over.
const NEWTON_BELOW: f64 = 1.0;
/// As in the location-scale fit: what is forgiven when rounding forbids further gain.
const FORGIVEN: f64 = 1e-6;

impl Problem<'_> {
    pub(super) fn maximise(
        &self,
        start: Theta,
        held: Option<f64>,
        settings: &StudentErrors,
    ) -> Result<(Theta, usize, StopReason)> {
        let m = self.x.ncols() + self.z.ncols();
        let mut here = start;
        for iteration in 0..settings.max_iterations {
            let Slopes { score, expected } = self.slopes(&here);
            let outwards =
                (here.kappa <= 0.0 && score[m] <= 0.0) || (here.kappa >= KAPPA_MAX && score[m] >= 0.0);
            let free = if held.is_some() || outwards { m } else { m + 1 };
            let active = score.rows(0, free).into_owned();
            let indefinite = || failed("the terms cannot be told apart in these rows; use fewer terms");
            let scoring =
                Cholesky::new(expected.view((0, 0), (free, free)).into_owned()).ok_or_else(indefinite)?;
            let length = active.dot(&scoring.solve(&active)).max(0.0);
            if length.sqrt() <= settings.tolerance {
                return Ok((here, iteration, StopReason::Gradient));
            }
            let mut stretch = false;
            let mut step = None;
            if length < NEWTON_BELOW {
                let observed = self.observed(&here);
                step = bounded_step(&observed, &score, free, here.kappa);
                if step.is_none() {
                    // The likelihood curves upwards some way: walk that way too, as far as it rises.
                    stretch = true;
                    step = made_definite(&observed, &expected)
                        .and_then(|m| bounded_step(&m, &score, free, here.kappa));
                }
            }
            let mut step =
                step.or_else(|| bounded_step(&expected, &score, free, here.kappa)).ok_or_else(indefinite)?;
            let reach = (&self.z * step.rows(self.x.ncols(), self.z.ncols())).amax();
            if reach > LARGEST_STEP {
                step *= LARGEST_STEP / reach;
            }
            match self.climb(&here, &step, step.dot(&score), stretch) {
                Some(next) => here = next,
                None if length.sqrt() < FORGIVEN => return Ok((here, iteration, StopReason::Precision)),
                None => return Err(failed("no step raises the likelihood; try other starting values")),
            }
            if here.ln_sigma.min() - self.common < VANISHING {
                return Err(failed(
                    "the spread of some rows falls to nothing because the location terms fit them exactly; \
                     use fewer terms",
                ));
            }
        }
        Err(failed("too many steps; use fewer terms"))
    }

    /// The first point along the step, halved as needed, that raises the likelihood; stretched, where asked,
    /// for as long as doubling raises it further.
    fn climb(&self, here: &Theta, step: &DVector<f64>, slope: f64, stretch: bool) -> Option<Theta> {
        let (p, q) = (self.x.ncols(), self.z.ncols());
        let slack = 1e-14 * (here.ln_likelihood.abs() + self.y.len() as f64);
        let along = |fraction: f64| {
            let b = &here.b + step.rows(0, p) * fraction;
            let g = &here.g + step.rows(p, q) * fraction;
            let mut kappa = here.kappa + fraction * step[p + q];
            // Held values stay what they are.
            if step[p + q] != 0.0 {
                kappa = kappa.clamp(0.0, KAPPA_MAX);
            }
            self.at(b, g, kappa)
        };
        let mut fraction = 1.0;
        for _ in 0..40 {
            if let Some(mut next) = along(fraction)
                && next.ln_likelihood >= here.ln_likelihood + 1e-4 * fraction * slope - slack
            {
                while stretch && fraction < 1e4 {
                    fraction *= 2.0;
                    match along(fraction) {
                        Some(further) if further.ln_likelihood > next.ln_likelihood => next = further,
                        _ => break,
                    }
                }
                return Some(next);
            }
            fraction *= 0.5;
        }
        None
    }
}

/// The step that solves information · step = score in the first `free` coordinates; where it would carry κ
/// (the last coordinate) past an end, κ goes to that end and the others to their best given that. None where
/// the information is not positive definite.
fn bounded_step(
    information: &DMatrix<f64>,
    score: &DVector<f64>,
    free: usize,
    kappa: f64,
) -> Option<DVector<f64>> {
    let m = score.len() - 1;
    let mut step = DVector::zeros(m + 1);
    if free == m + 1 {
        let full = Cholesky::new(information.clone())?.solve(score);
        if (0.0..=KAPPA_MAX).contains(&(kappa + full[m])) {
            return Some(full);
        }
        step[m] = if full[m] < 0.0 { -kappa } else { KAPPA_MAX - kappa };
    }
    let rest = score.rows(0, m) - information.view((0, m), (m, 1)) * step[m];
    let others = Cholesky::new(information.view((0, 0), (m, m)).into_owned())?.solve(&rest);
    step.rows_mut(0, m).copy_from(&others);
    Some(step)
}

/// The observed information with each of its eigenvalues relative to the expected one made positive.
fn made_definite(observed: &DMatrix<f64>, expected: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let root = Cholesky::new(expected.clone())?.unpack();
    let half = root.solve_lower_triangular(observed)?;
    let relative = root.solve_lower_triangular(&half.transpose())?;
    let eigen = SymmetricEigen::try_new(0.5 * (&relative + relative.transpose()), f64::EPSILON, 1000)?;
    let sizes = eigen.eigenvalues.map(|v| v.abs().max(0.01));
    let turned = root * &eigen.eigenvectors;
    Some(&turned * DMatrix::from_diagonal(&sizes) * turned.transpose())
}
