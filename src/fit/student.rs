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

use crate::error::{Error, Place, Result};
use crate::fit::Design;
use crate::fit::location_scale::{
    NewRow, StopReason, check_coefficients, check_new, check_rows, check_stored_rows, covariance_from, dot,
    new_row, quadratic, to_rows, weighted_gram,
};
use argmin::core::{CostFunction, Executor, State};
use argmin::solver::brent::BrentRoot;
use nalgebra::{Cholesky, DMatrix, DVector, QR, SymmetricEigen};
use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// Fewest degrees of freedom that are fitted: below 2 the errors have no variance. Common practice, no
/// source.
pub const FEWEST_DF: f64 = 2.1;
/// The same as κ = 1/ν.
const KAPPA_MAX: f64 = 1.0 / FEWEST_DF;
/// Where the degrees of freedom start, as κ. Common practice, no source.
const KAPPA_STARTS: [f64; 2] = [0.1, 0.35];
/// As in the location-scale fit: largest change of ln σ of any row in one step.
const LARGEST_STEP: f64 = 2.0;
/// As in the location-scale fit: ratio of spreads, as a logarithm, that counts as vanishing.
const VANISHING: f64 = -20.7;
/// As in the location-scale fit: where Newton steps take over.
const NEWTON_BELOW: f64 = 1.0;
/// As in the location-scale fit: what is forgiven when rounding forbids further gain.
const FORGIVEN: f64 = 1e-6;

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
        let outside = |name: &str, value: f64, accepted: &str| Error::OutOfRange {
            at: Place::column(name),
            value,
            accepted: accepted.into(),
        };
        if let Freedom::Fixed(df) = self.freedom
            && (df.is_nan() || df < FEWEST_DF)
        {
            return Err(outside("freedom", df, "2.1 or more, infinity for the normal"));
        }
        if !(1e-13..=1e-3).contains(&self.tolerance) {
            return Err(outside("tolerance", self.tolerance, "1e-13 to 1e-3"));
        }
        if self.max_iterations == 0 {
            return Err(outside("max_iterations", 0.0, "1 or more"));
        }
        check_rows(location, scale, y, 1)
    }
}

fn failed(reason: &str) -> Error {
    Error::NotConverged { what: "the fit with Student-t errors".into(), reason: reason.into() }
}

/// The rows, with both designs turned to orthogonal columns of squared length n.
struct Problem<'a> {
    location: &'a Design,
    scale: &'a Design,
    y: &'a [f64],
    x: DMatrix<f64>,
    x_root: DMatrix<f64>,
    z: DMatrix<f64>,
    z_root: DMatrix<f64>,
    /// ln σ of least squares.
    common: f64,
    ols: DVector<f64>,
}

/// A value of all coefficients (β and γ in the turned coordinates), with its rows.
struct Theta {
    b: DVector<f64>,
    g: DVector<f64>,
    kappa: f64,
    ln_sigma: DVector<f64>,
    e: DVector<f64>,
    ln_likelihood: f64,
}

/// Score and information, in the order b, g, κ.
struct Slopes {
    score: DVector<f64>,
    expected: DMatrix<f64>,
}

fn turned(design: &Design) -> (DMatrix<f64>, DMatrix<f64>) {
    let n = design.rows() as f64;
    let qr = QR::new(design.matrix().clone());
    (qr.q() * n.sqrt(), qr.unpack_r() / n.sqrt())
}

impl<'a> Problem<'a> {
    fn new(location: &'a Design, scale: &'a Design, y: &'a [f64]) -> Result<Self> {
        let n = y.len() as f64;
        let ((x, x_root), (z, z_root)) = (turned(location), turned(scale));
        let response = DVector::from_column_slice(y);
        let ols = x.tr_mul(&response) / n;
        let residuals = &response - &x * &ols;
        let common = (residuals.norm() / (n - x.ncols() as f64).sqrt()).ln();
        if response.amax() == 0.0 || residuals.amax() <= 1e-12 * response.amax() {
            return Err(Error::invalid(
                "response",
                "the location terms fit every row exactly, so no spread can be estimated",
            ));
        }
        if !common.is_finite() {
            return Err(Error::invalid("response", "the numbers are too large or too small to be fitted"));
        }
        Ok(Problem { location, scale, y, x, x_root, z, z_root, common, ols })
    }

    fn least_squares(&self, kappa: f64) -> Result<Theta> {
        let n = self.y.len();
        let g = self.z.tr_mul(&DVector::from_element(n, self.common)) / n as f64;
        self.at(self.ols.clone(), g, kappa)
            .ok_or_else(|| Error::invalid("response", "the numbers are too large or too small to be fitted"))
    }

    /// The coefficients of another fit in the turned coordinates.
    fn rotated(&self, fit: &StudentFit, kappa: f64) -> Option<Theta> {
        self.at(&self.x_root * &fit.beta, &self.z_root * &fit.gamma, kappa)
    }

    fn at(&self, b: DVector<f64>, g: DVector<f64>, kappa: f64) -> Option<Theta> {
        let ln_sigma = &self.z * &g;
        let mut e = &self.x * &b;
        let mut sum = 0.0;
        for ((e, y), s) in e.iter_mut().zip(self.y).zip(ln_sigma.iter()) {
            *e = (y - *e) * (-s).exp();
            sum -= s + 0.5 * (1.0 + kappa) * tail(*e * *e, kappa);
        }
        let constant = gamma_ratio(kappa)[0] - 0.5 * (2.0 * PI).ln();
        let ln_likelihood = sum + self.y.len() as f64 * constant;
        ln_likelihood.is_finite().then_some(Theta { b, g, kappa, ln_sigma, e, ln_likelihood })
    }

    fn slopes(&self, here: &Theta) -> Slopes {
        let (p, q) = (self.x.ncols(), self.z.ncols());
        let n = self.y.len();
        let k = here.kappa;
        let (mut along_x, mut along_z) = (DVector::zeros(n), DVector::zeros(n));
        let mut along_kappa = n as f64 * gamma_ratio(k)[1];
        for i in 0..n {
            let (e, u) = (here.e[i], here.e[i] * here.e[i]);
            let w = (1.0 + k) / (1.0 + k * u);
            along_x[i] = w * e * (-here.ln_sigma[i]).exp();
            along_z[i] = w * u - 1.0;
            let [l, l1, _] = tail_slopes(u, k);
            along_kappa -= 0.5 * (l + (1.0 + k) * l1);
        }
        let mut score = DVector::zeros(p + q + 1);
        score.rows_mut(0, p).gemv_tr(1.0, &self.x, &along_x, 0.0);
        score.rows_mut(p, q).gemv_tr(1.0, &self.z, &along_z, 0.0);
        score[p + q] = along_kappa;
        let per_row = Expected::at(k);
        let mut expected = DMatrix::zeros(p + q + 1, p + q + 1);
        let weights = here.ln_sigma.map(|s| per_row.location * (-2.0 * s).exp());
        expected.view_mut((0, 0), (p, p)).copy_from(&weighted_gram(&self.x, &weights));
        expected.view_mut((p, p), (q + 1, q + 1)).copy_from(&self.scale_information(&self.z, k));
        Slopes { score, expected }
    }

    /// Expected information of γ (for the columns given) and κ.
    fn scale_information(&self, z: &DMatrix<f64>, kappa: f64) -> DMatrix<f64> {
        let (n, q) = z.shape();
        let per_row = Expected::at(kappa);
        let mut information = DMatrix::zeros(q + 1, q + 1);
        let gram = weighted_gram(z, &DVector::from_element(n, per_row.scale));
        information.view_mut((0, 0), (q, q)).copy_from(&gram);
        for (j, column) in z.column_iter().enumerate() {
            information[(j, q)] = per_row.scale_kappa * column.sum();
            information[(q, j)] = information[(j, q)];
        }
        information[(q, q)] = n as f64 * per_row.kappa;
        information
    }

    /// Observed information, in the order b, g, κ.
    fn observed(&self, here: &Theta) -> DMatrix<f64> {
        let (p, q) = (self.x.ncols(), self.z.ncols());
        let n = self.y.len();
        let k = here.kappa;
        let zeros = || DVector::zeros(n);
        let (mut xx, mut xz, mut zz, mut xk, mut zk) = (zeros(), zeros(), zeros(), zeros(), zeros());
        let mut kk = -(n as f64) * gamma_ratio(k)[2];
        for i in 0..n {
            let (e, u) = (here.e[i], here.e[i] * here.e[i]);
            let inverse = (-here.ln_sigma[i]).exp();
            let shrink = 1.0 + k * u;
            let w = (1.0 + k) / shrink;
            let wu = -(1.0 + k) * k / (shrink * shrink);
            let wk = (1.0 - u) / (shrink * shrink);
            let [_, l1, l2] = tail_slopes(u, k);
            xx[i] = (w + 2.0 * u * wu) * inverse * inverse;
            xz[i] = (2.0 * w + 2.0 * u * wu) * e * inverse;
            zz[i] = 2.0 * u * (w + u * wu);
            xk[i] = -wk * e * inverse;
            zk[i] = -wk * u;
            kk += l1 + 0.5 * (1.0 + k) * l2;
        }
        let mut information = DMatrix::zeros(p + q + 1, p + q + 1);
        information.view_mut((0, 0), (p, p)).copy_from(&weighted_gram(&self.x, &xx));
        information.view_mut((p, p), (q, q)).copy_from(&weighted_gram(&self.z, &zz));
        let mut weighted = DVector::zeros(n);
        for c in 0..q {
            weighted.copy_from(&self.z.column(c));
            weighted.component_mul_assign(&xz);
            for a in 0..p {
                let sum = weighted.dot(&self.x.column(a));
                information[(a, p + c)] = sum;
                information[(p + c, a)] = sum;
            }
        }
        for (j, sum) in self.x.tr_mul(&xk).iter().chain(&self.z.tr_mul(&zk)).enumerate() {
            information[(j, p + q)] = *sum;
            information[(p + q, j)] = *sum;
        }
        information[(p + q, p + q)] = kk;
        information
    }

    fn maximise(
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

    fn package(
        &self,
        at: &Theta,
        held: Option<f64>,
        iterations: usize,
        stopped: StopReason,
    ) -> Result<StudentFit> {
        let (n, p) = self.x.shape();
        let q = self.z.ncols();
        let last =
            |design: &Design| Error::RankDeficient { term: design.names()[design.columns() - 1].clone() };
        let (mut beta, mut gamma) = (at.b.clone(), at.g.clone());
        if !self.x_root.solve_upper_triangular_mut(&mut beta) {
            return Err(last(self.location));
        }
        if !self.z_root.solve_upper_triangular_mut(&mut gamma) {
            return Err(last(self.scale));
        }
        // Cov(β) from the QR of the rows weighted by their expected information.
        let per_row = Expected::at(at.kappa);
        let mut rows = self.location.matrix().clone();
        for mut column in rows.column_iter_mut() {
            for (v, s) in column.iter_mut().zip(&at.ln_sigma) {
                *v *= per_row.location.sqrt() * (-s).exp();
            }
        }
        let mut root = DMatrix::identity(p, p);
        if !QR::new(rows).unpack_r().solve_upper_triangular_mut(&mut root) {
            return Err(last(self.location));
        }
        // Cov(γ, κ); κ counts as known at the ends of its range and when it was given.
        let information = self.scale_information(&self.z, at.kappa);
        let inside = held.is_none() && at.kappa > 0.0 && at.kappa < KAPPA_MAX;
        let size = if inside { q + 1 } else { q };
        let covariance = Cholesky::new(information.view((0, 0), (size, size)).into_owned())
            .ok_or_else(|| last(self.scale))?
            .inverse();
        let mut back = DMatrix::identity(q + 1, q + 1);
        let mut z_root = DMatrix::identity(q, q);
        if !self.z_root.solve_upper_triangular_mut(&mut z_root) {
            return Err(last(self.scale));
        }
        back.view_mut((0, 0), (q, q)).copy_from(&z_root);
        let mut turned = DMatrix::zeros(q + 1, q + 1);
        turned.view_mut((0, 0), (size, size)).copy_from(&covariance);
        let scale_covariance = &back * turned * back.transpose();
        let fit = StudentFit {
            location_names: self.location.names().to_vec(),
            scale_names: self.scale.names().to_vec(),
            beta,
            beta_covariance: &root * root.transpose(),
            gamma,
            scale_covariance,
            kappa: at.kappa,
            estimated: held.is_none(),
            rows: n,
            ln_likelihood: at.ln_likelihood,
            iterations,
            stopped,
        };
        let mut numbers =
            fit.beta.iter().chain(&fit.gamma).chain(&fit.beta_covariance).chain(&fit.scale_covariance);
        if numbers.all(|v| v.is_finite()) { Ok(fit) } else { Err(last(self.location)) }
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

/// Expected information of one row, per unit of x/σ, of z and of κ. In ν it is that of Lange, Little and
/// Taylor (1989, appendix B; from memory), multiplied out in κ = 1/ν so that κ = 0 is no exception.
struct Expected {
    location: f64,
    scale: f64,
    scale_kappa: f64,
    kappa: f64,
}

impl Expected {
    fn at(k: f64) -> Self {
        let both = (1.0 + k) * (1.0 + 3.0 * k);
        Expected {
            location: (1.0 + k) / (1.0 + 3.0 * k),
            scale: 2.0 / (1.0 + 3.0 * k),
            scale_kappa: 2.0 / both,
            kappa: 0.5 * (7.0 + 3.0 * k) / both + 0.25 * trigamma_rest(k),
        }
    }
}

/// (ψ'(ν/2) − ψ'((ν+1)/2) − 2κ² − 2κ³) / κ⁴ at κ = 1/ν.
fn trigamma_rest(k: f64) -> f64 {
    if k < SERIES_BELOW {
        // Term by term from the second derivative in x = ν/2 of the series of `gamma_ratio`, whose first
        // two terms are the ones taken off.
        let mut sum = 0.0;
        let mut power = k;
        for (j, a) in RATIO_SERIES.iter().enumerate().skip(1) {
            let m = (2 * j + 1) as f64;
            // a κ^m = a (2x)^-m has the second derivative 4 a m (m + 1) κ^(m+2).
            sum -= 4.0 * a * m * (m + 1.0) * power;
            power *= k * k;
        }
        sum
    } else {
        let x = 0.5 / k;
        let [_, _, second] = gamma_ratio_in_x(x);
        // c = lnΓ(x + ½) − lnΓ(x) − ½ ln x, so ψ'(x) − ψ'(x + ½) = 1/(2x²) − c''.
        (0.5 / (x * x) - second - 2.0 * k * k - 2.0 * k * k * k) / k.powi(4)
    }
}

/// Below this κ the asymptotic series is exact in double precision; above, arguments are raised first.
const SERIES_BELOW: f64 = 1.0 / 48.0;

/// Coefficients of κ, κ³, κ⁵, ... in lnΓ((ν+1)/2) − lnΓ(ν/2) − ½ ln(ν/2), κ = 1/ν: −(1 − 4^−k) B_2k 2^(2k−1) /
/// (k (2k − 1)) with the Bernoulli numbers B_2k, from Stirling's series at x + ½ and x (Abramowitz and Stegun
/// 1964, 6.1.40 and its half-step form; worked out here and tested against 30-digit values).
const RATIO_SERIES: [f64; 6] =
    [-1.0 / 4.0, 1.0 / 24.0, -1.0 / 20.0, 17.0 / 112.0, -31.0 / 36.0, 691.0 / 88.0];

/// c(κ) = lnΓ((ν+1)/2) − lnΓ(ν/2) − ½ ln(ν/2) with its first and second derivative in κ = 1/ν.
fn gamma_ratio(k: f64) -> [f64; 3] {
    if k < SERIES_BELOW {
        let mut out = [0.0; 3];
        for (j, a) in RATIO_SERIES.iter().enumerate() {
            let m = 2 * j as i32 + 1;
            out[0] += a * k.powi(m);
            out[1] += a * f64::from(m) * k.powi(m - 1);
            if m > 1 {
                out[2] += a * f64::from(m * (m - 1)) * k.powi(m - 2);
            }
        }
        out
    } else {
        let [c, first, second] = gamma_ratio_in_x(0.5 / k);
        let (d1, d2) = (-0.5 / (k * k), 1.0 / (k * k * k));
        [c, first * d1, second * d1 * d1 + first * d2]
    }
}

/// lnΓ(x + ½) − lnΓ(x) − ½ ln x and its first two derivatives in x ≥ 1, by Γ(x + 1) = xΓ(x) upwards to where
/// the series holds.
fn gamma_ratio_in_x(x: f64) -> [f64; 3] {
    let mut out = [-0.5 * x.ln(), -0.5 / x, 0.5 / (x * x)];
    let mut top = x;
    while top < 0.5 / SERIES_BELOW {
        let half = top + 0.5;
        out[0] -= (0.5 / top).ln_1p();
        out[1] += 1.0 / top - 1.0 / half;
        out[2] += 1.0 / (half * half) - 1.0 / (top * top);
        top += 1.0;
    }
    // At the top: ½ ln x + Σ a_m (2x)^-m.
    out[0] += 0.5 * top.ln();
    out[1] += 0.5 / top;
    out[2] -= 0.5 / (top * top);
    for (j, a) in RATIO_SERIES.iter().enumerate() {
        let m = 2 * j as i32 + 1;
        let power = a * (2.0 * top).powi(-m);
        out[0] += power;
        out[1] -= power * f64::from(m) / top;
        out[2] += power * f64::from(m * (m + 1)) / (top * top);
    }
    out
}

/// L(u, κ) = ln(1 + κu)/κ, u itself at κ = 0.
fn tail(u: f64, k: f64) -> f64 {
    let t = k * u;
    if t < 1e-8 { u * (1.0 - 0.5 * t) } else { t.ln_1p() / k }
}

/// L with its first and second derivative in κ.
fn tail_slopes(u: f64, k: f64) -> [f64; 3] {
    let t = k * u;
    if t < 0.02 {
        // Series in t, ten terms: the rest is below 1e-17 of the sum.
        let (mut l, mut l1, mut l2) = (0.0, 0.0, 0.0);
        for j in (0..10).rev() {
            let j = f64::from(j);
            l = 1.0 / (j + 1.0) - t * l;
            l1 = (j + 1.0) / (j + 2.0) - t * l1;
            l2 = (j + 1.0) * (j + 2.0) / (j + 3.0) - t * l2;
        }
        [u * l, -u * u * l1, u * u * u * l2]
    } else {
        let l = t.ln_1p() / k;
        let ratio = u / (1.0 + t);
        let l1 = (ratio - l) / k;
        [l, l1, (-ratio * ratio - 2.0 * l1) / k]
    }
}

/// A fit with Student-t errors, with what prediction needs. Stored and read back through the same checks:
/// shapes fit, numbers are finite, covariances are ones.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Stored", into = "Stored")]
pub struct StudentFit {
    location_names: Vec<String>,
    scale_names: Vec<String>,
    beta: DVector<f64>,
    beta_covariance: DMatrix<f64>,
    gamma: DVector<f64>,
    /// Of γ and κ; zero in κ where κ counts as known.
    scale_covariance: DMatrix<f64>,
    kappa: f64,
    estimated: bool,
    rows: usize,
    ln_likelihood: f64,
    iterations: usize,
    stopped: StopReason,
}

impl StudentFit {
    /// Names of the location terms, in the order of [`StudentFit::beta`].
    pub fn location_names(&self) -> &[String] {
        &self.location_names
    }

    /// Names of the scale terms, in the order of [`StudentFit::gamma`].
    pub fn scale_names(&self) -> &[String] {
        &self.scale_names
    }

    /// Location coefficients, p of them, in units of the response per unit of the term.
    pub fn beta(&self) -> &[f64] {
        self.beta.as_slice()
    }

    /// Covariance of the location coefficients from the expected information, p by p.
    pub fn beta_covariance(&self) -> &DMatrix<f64> {
        &self.beta_covariance
    }

    /// Coefficients of ln σ, q of them; σ is the scale of the t, not its standard deviation.
    pub fn gamma(&self) -> &[f64] {
        self.gamma.as_slice()
    }

    /// Covariance of the coefficients of ln σ from the expected information, q by q; allows for the
    /// estimation of the degrees of freedom unless these lie at an end of their range or were given.
    pub fn gamma_covariance(&self) -> DMatrix<f64> {
        let q = self.gamma.len();
        self.scale_covariance.view((0, 0), (q, q)).into_owned()
    }

    /// Degrees of freedom ν; infinite when the rows show no heavy tails.
    pub fn df(&self) -> f64 {
        1.0 / self.kappa
    }

    /// Standard error of 1/ν from the expected information; none where ν was given or lies at an end of
    /// its range. For an interval use [`StudentErrors::df_interval`], which does not assume symmetry.
    pub fn reciprocal_df_standard_error(&self) -> Option<f64> {
        let q = self.gamma.len();
        let variance = self.scale_covariance[(q, q)];
        (variance > 0.0).then(|| variance.sqrt())
    }

    /// Covariance of γ with κ taken as known.
    fn known_covariance(&self) -> DMatrix<f64> {
        let q = self.gamma.len();
        let all = &self.scale_covariance;
        let mut known = all.view((0, 0), (q, q)).into_owned();
        if all[(q, q)] > 0.0 {
            let cross = all.view((0, q), (q, 1)).into_owned();
            known -= &cross * cross.transpose() / all[(q, q)];
        }
        known
    }

    /// Number of rows fitted.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// Log-likelihood at the estimates, all constants included.
    pub fn ln_likelihood(&self) -> f64 {
        self.ln_likelihood
    }

    /// Akaike's criterion: p + q coefficients count, and ν where it was estimated.
    pub fn aic(&self) -> f64 {
        let count = self.beta.len() + self.gamma.len() + usize::from(self.estimated);
        2.0 * count as f64 - 2.0 * self.ln_likelihood
    }

    /// Steps taken.
    pub fn iterations(&self) -> usize {
        self.iterations
    }

    /// Why it stopped.
    pub fn stopped(&self) -> StopReason {
        self.stopped
    }

    /// Predictive distribution of one new row with location terms `x` and scale terms `z`.
    ///
    /// # Formula
    /// Student t with location x'β̂, squared scale σ̂² n/(n − p) + x' Cov(β̂) x where ln σ̂ = z'γ̂, and
    /// reciprocal degrees of freedom κ̂ + 2v/(1 + 6κ̂) + 4κ̂/n, where κ̂ = 1/ν̂ and v is the variance of ln σ̂
    /// with κ known. The factor n/(n − p) undoes the smallness of maximum likelihood spreads. 2v/(1 + 6κ)
    /// is how much an uncertain ln σ thickens the tail: the member of the t family nearest (in
    /// Kullback-Leibler's sense, to first order in v) to the mixture over ln σ, worked out by quadrature for
    /// this project (`tests/reference/student_predictive.py`) and met within 5 %; at κ = 0 it leaves the
    /// 1/(2v) of the location-scale fit. 4κ/n, for the uncertainty of ν, was chosen by simulation with the
    /// design of the table below, on other draws.
    ///
    /// Chance that the 95 % interval holds a new flake, 10,000 simulated experiments of each kind (1,000 at
    /// n = 350; `tests/student.rs`; simulation error below 0.001): over the flakes of the experiment, and in
    /// the corner with the fewest flakes.
    ///
    /// | spread | ν | n = 30 | n = 50 | n = 100 | n = 350 |
    /// |---|---|---|---|---|---|
    /// | one | 3 | 0.950, 0.952 | 0.951, 0.953 | 0.951, 0.953 | 0.951, 0.951 |
    /// | one | 5 | 0.951, 0.952 | 0.951, 0.953 | 0.951, 0.952 | 0.951, 0.951 |
    /// | one | 10 | 0.951, 0.952 | 0.951, 0.951 | 0.950, 0.951 | 0.950, 0.950 |
    /// | one | ∞ | 0.953, 0.953 | 0.952, 0.952 | 0.952, 0.951 | 0.951, 0.951 |
    /// | covariate and group | 3 | 0.934, 0.945 | 0.945, 0.947 | 0.949, 0.950 | 0.950, 0.950 |
    /// | covariate and group | 5 | 0.936, 0.949 | 0.945, 0.949 | 0.948, 0.949 | 0.950, 0.951 |
    /// | covariate and group | 10 | 0.938, 0.952 | 0.945, 0.952 | 0.948, 0.951 | 0.949, 0.951 |
    /// | covariate and group | ∞ | 0.942, 0.958 | 0.948, 0.958 | 0.950, 0.954 | 0.951, 0.952 |
    ///
    /// With scale terms of its own, fewer than about 50 flakes leave the interval a little narrow.
    ///
    /// # Errors
    /// [`Error::Shape`] when `x` or `z` has another length than the fit, [`Error::OutOfRange`] naming the
    /// term at a number that is not finite, [`Error::Invalid`] when the row lies so far out that the spread
    /// is no number.
    pub fn predict_row(&self, x: &[f64], z: &[f64]) -> Result<NewRow> {
        check_new(x, &self.location_names)?;
        check_new(z, &self.scale_names)?;
        let location = dot(x, self.beta.as_slice());
        let spread = (2.0 * dot(z, self.gamma.as_slice())).exp();
        // Variance of ln σ at z with κ known.
        let v = quadratic(&self.known_covariance(), z);
        let n = self.rows as f64;
        let variance = spread * n / (n - self.beta.len() as f64) + quadratic(&self.beta_covariance, x);
        new_row(
            location,
            variance,
            1.0 / (self.kappa + 2.0 * v / (1.0 + 6.0 * self.kappa) + 4.0 * self.kappa / n),
        )
    }
}

/// The fit as it is stored; ν as its reciprocal, so that the normal has a number.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Stored {
    location_terms: Vec<String>,
    scale_terms: Vec<String>,
    beta: Vec<f64>,
    beta_covariance: Vec<Vec<f64>>,
    gamma: Vec<f64>,
    reciprocal_df: f64,
    reciprocal_df_estimated: bool,
    gamma_and_reciprocal_df_covariance: Vec<Vec<f64>>,
    rows: usize,
    ln_likelihood: f64,
    iterations: usize,
    stopped: StopReason,
}

impl From<StudentFit> for Stored {
    fn from(fit: StudentFit) -> Self {
        Stored {
            beta_covariance: to_rows(&fit.beta_covariance),
            gamma_and_reciprocal_df_covariance: to_rows(&fit.scale_covariance),
            location_terms: fit.location_names,
            scale_terms: fit.scale_names,
            beta: fit.beta.as_slice().to_vec(),
            gamma: fit.gamma.as_slice().to_vec(),
            reciprocal_df: fit.kappa,
            reciprocal_df_estimated: fit.estimated,
            rows: fit.rows,
            ln_likelihood: fit.ln_likelihood,
            iterations: fit.iterations,
            stopped: fit.stopped,
        }
    }
}

impl TryFrom<Stored> for StudentFit {
    type Error = Error;

    fn try_from(stored: Stored) -> Result<Self> {
        check_coefficients("beta", &stored.beta, &stored.location_terms)?;
        check_coefficients("gamma", &stored.gamma, &stored.scale_terms)?;
        check_coefficients("ln_likelihood", &[stored.ln_likelihood], &[String::new()])?;
        check_stored_rows(stored.rows, stored.beta.len() + stored.gamma.len() + 2)?;
        if !(0.0..=KAPPA_MAX).contains(&stored.reciprocal_df) {
            let reason = format!("{}, must be 0 to 1/2.1", stored.reciprocal_df);
            return Err(Error::Calibration { at: Place::column("reciprocal_df"), reason });
        }
        Ok(StudentFit {
            beta_covariance: covariance_from(
                "beta_covariance",
                &stored.beta_covariance,
                stored.beta.len(),
                false,
            )?,
            scale_covariance: covariance_from(
                "gamma_and_reciprocal_df_covariance",
                &stored.gamma_and_reciprocal_df_covariance,
                stored.gamma.len() + 1,
                true,
            )?,
            location_names: stored.location_terms,
            scale_names: stored.scale_terms,
            beta: DVector::from_vec(stored.beta),
            gamma: DVector::from_vec(stored.gamma),
            kappa: stored.reciprocal_df,
            estimated: stored.reciprocal_df_estimated,
            rows: stored.rows,
            ln_likelihood: stored.ln_likelihood,
            iterations: stored.iterations,
            stopped: stored.stopped,
        })
    }
}

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

#[cfg(test)]
mod tests {
    use super::*;

    /// κ, then c, c', c'' and the trigamma remainder, from mpmath with 60 digits; see
    /// `tests/reference/student.py`.
    const RATIO: &str = include_str!("../../tests/reference/student_ratio.csv");

    #[test]
    fn gamma_ratio_and_its_derivatives_match_many_digits() {
        let mut rows = 0;
        for line in RATIO.lines().skip(1) {
            let v: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
            let [c, c1, c2] = gamma_ratio(v[0]);
            let found = [c, c1, c2, trigamma_rest(v[0])];
            // Above the series the derivatives pass through x = ν/2, which costs some digits.
            for (j, (f, e)) in found.iter().zip(&v[1..]).enumerate() {
                let tolerance = [1e-13, 1e-11, 1e-9, 1e-8][j];
                assert!((f - e).abs() <= tolerance * e.abs(), "κ = {}, entry {j}: {f} against {e}", v[0]);
            }
            rows += 1;
        }
        assert!(rows > 10);
    }

    #[test]
    fn tail_and_its_derivatives_agree_across_the_join() {
        for (u, k) in [(1.0, 0.019_999_999), (4.0, 0.004_999_999), (0.05, 0.39)] {
            let (a, b) = (tail_slopes(u, k), tail_slopes(u, k * 1.000_000_2));
            for j in 0..3 {
                assert!((a[j] - b[j]).abs() < 1e-6 * a[j].abs(), "u = {u}, κ = {k}, derivative {j}");
            }
            assert!((a[0] - tail(u, k)).abs() < 1e-14 * u);
        }
        assert_eq!(tail_slopes(3.0, 0.0), [3.0, -4.5, 18.0]);
    }
}
