//! The iteration behind a shrunken fit: from a state (β, γ, λ) to a better one, and how far it still is from
//! the fixed point.
//!
//! With σ_i = exp(z_i'γ), ν_i the degrees of freedom of row i, r = y − Xβ, w = (ν+1)/(ν + r²/σ²),
//! a = (ν+1)/(ν+3), k = ν/(ν+3), D = diag(a/σ²), Λ = λ on the penalised columns and 0 elsewhere:
//!
//! ```text
//!   V = (X'DX + Λ)⁻¹ = R⁻¹R⁻',     H = D^½ X V X'D^½ = QQ'
//!   β:  X'(w r/σ²) − Λβ = 0                              scoring step V × score, halved while it lowers
//!   γ:  Z'(w r²/σ² − 1 + diag H) = 0                     scoring step with 2 Z' diag(k(1 − h)) Z
//!   λ:  λ = (m − λ tr V_pp) / β_p'β_p                    over the m penalised columns
//! ```
//!
//! Columns of shared effects (`shared.rs`) have a penalty of 1; their covariances step together with γ.
//! With normal errors and no penalty these are the equations of restricted maximum likelihood. R comes from a
//! Cholesky factor while iterating and from the QR of the augmented rows [D^½X; Λ^½] in the end.

use super::problem::{Factor, Freedom, Problem, State, failed};
use super::shared::{Joint, JointStep};
use crate::error::{Error, Result};
use crate::fit::linear::dot;
use crate::special::student_ln_pdf;
use nalgebra::{Cholesky, DMatrix, DVector, QR};
use std::f64::consts::PI;

/// Largest change of ln σ of any row in one step. Common practice, no source.
const LARGEST_STEP: f64 = 2.0;
/// Smallest 1 − h taken for the information of γ. Common practice, no source.
const LEAST_ROOM: f64 = 0.05;
/// Ratio of a row's σ to the spread of the response, as a logarithm, that counts as vanishing.
/// As in the location-scale fit.
const VANISHING: f64 = -20.7;
/// Steps after which γ and λ move half way only, should they swing. Common practice, no source.
const PATIENCE: usize = 100;

/// λ moves once β and γ are within this share of its own step. Common practice, no source.
const SETTLED: f64 = 0.05;
/// Flattest slope of the step of ln λ along ln λ that a secant is drawn through. Common practice, no source.
const FLATTEST: f64 = -1e-3;
/// Largest change of ln λ in one step. Common practice, no source.
const LARGEST_CHANGE: f64 = 3.0;

/// How far a state is from the fixed point: lengths of the steps of β and of γ (with the shared effects' covariances)
/// in standard errors, and the change of ln λ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Distance {
    pub beta: f64,
    pub gamma: f64,
    pub lambda: f64,
}

impl Distance {
    pub fn largest(&self) -> f64 {
        self.beta.max(self.gamma).max(self.lambda)
    }
}

/// The search for λ: where its step vanishes, between ends that close in.
struct Search {
    range: (f64, f64),
    /// Ends in ln λ, where the search has shown that the answer lies above or below.
    above: Option<f64>,
    below: Option<f64>,
    last: Option<(f64, f64)>,
}

impl Search {
    fn new(range: (f64, f64)) -> Search {
        Search { range, above: None, below: None, last: None }
    }

    /// The next λ after one at which ln λ wants to move by `step`.
    fn next(&mut self, lambda: f64, step: f64) -> f64 {
        let at = lambda.ln();
        if step > 0.0 {
            self.above = Some(self.above.map_or(at, |a| a.max(at)));
        } else {
            self.below = Some(self.below.map_or(at, |b| b.min(at)));
        }
        let change = match self.last.map(|(a, s)| (step - s) / (at - a)) {
            None => step,
            Some(slope) if slope < FLATTEST => -step / slope,
            Some(_) => step.signum() * LARGEST_CHANGE,
        };
        self.last = Some((at, step));
        let next = at + change.clamp(-LARGEST_CHANGE, LARGEST_CHANGE);
        let (low, high) = (self.range.0.ln(), self.range.1.ln());
        if next >= high && self.below.is_none() {
            return self.range.1;
        }
        if next <= low && self.above.is_none() {
            return self.range.0;
        }
        let (from, to) = (self.above.unwrap_or(low), self.below.unwrap_or(high));
        if next > from && next < to { next.exp() } else { (0.5 * (from + to)).exp() }
    }
}

/// Which way to R.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Way {
    Cholesky,
    Qr,
}

/// Everything known at one state.
pub(super) struct Here {
    pub factor: Factor,
    pub sigma: DVector<f64>,
    pub residual: DVector<f64>,
    beta_step: DVector<f64>,
    joint: Option<Joint>,
    /// Change of ln λ that the fixed point asks for.
    lambda_step: f64,
    /// How much of that the next step of β would undo or add.
    lambda_drift: f64,
    pub distance: Distance,
}

impl Problem {
    pub fn penalties(&self) -> usize {
        self.penalised.iter().filter(|p| **p).count()
    }

    /// The penalty on a column.
    fn penalty(&self, j: usize, lambda: f64) -> f64 {
        match self.penalised.get(j) {
            Some(true) => lambda,
            Some(false) => 0.0,
            None => 1.0,
        }
    }

    /// A start: ridge regression with one spread, from a prior worth as much as the rows.
    pub fn start(&self) -> Result<State> {
        let (n, p) = self.x.shape();
        let (low, high) = self.lambda_range;
        let prior = n as f64 * (-2.0 * self.ln_size).exp();
        let lambda = prior.clamp(low, high);
        let flat = DVector::from_element(n, self.ln_size.exp());
        let free = Freedom::new(vec![f64::INFINITY; n], self.w.clone());
        let factor = self.factor(&self.x, &flat, &free, lambda, Way::Qr)?;
        let mut beta = DVector::zeros(p);
        let pull = self.y.map(|v| v * (-2.0 * self.ln_size).exp());
        let side = factor.inverse.tr_mul(&self.x.tr_mul(&pull));
        beta.gemv(1.0, &factor.inverse, &side, 0.0);
        let mut sizes: Vec<f64> = (&self.y - &self.x * &beta).iter().map(|r| r.abs()).collect();
        let rms = (sizes.iter().map(|r| r * r).sum::<f64>() / n as f64).sqrt();
        if !(rms.is_finite() && rms > 1e-12 * self.y.amax()) {
            return Err(Error::invalid(
                "response",
                "the location terms fit every row exactly, so no spread can be estimated",
            ));
        }
        sizes.sort_by(f64::total_cmp);
        // the median of absolute residuals, as a standard deviation; not where half of them vanish
        let middle = 1.4826 * sizes[n / 2];
        let common = if middle > 0.1 * rms { middle.ln() } else { rms.ln() };
        let qr = QR::new(self.z.clone());
        let mut gamma = qr.q().tr_mul(&DVector::from_element(n, common));
        if !qr.unpack_r().solve_upper_triangular_mut(&mut gamma) {
            return Err(failed("the scale terms cannot be told apart in these rows"));
        }
        let beta = beta.resize_vertically(p + self.shared_columns(), 0.0);
        Ok(State { beta, gamma, lambda, between: self.first_between(rms * rms) })
    }

    /// R, Q and the leverages at these spreads.
    fn factor(
        &self,
        x: &DMatrix<f64>,
        sigma: &DVector<f64>,
        free: &Freedom,
        lambda: f64,
        way: Way,
    ) -> Result<Factor> {
        let (n, p) = x.shape();
        let m = (0..p).filter(|j| self.penalty(*j, lambda) > 0.0).count();
        let rows = if way == Way::Qr { n + m } else { n };
        let root_d: Vec<f64> = free.a.iter().zip(sigma.as_slice()).map(|(a, s)| a.sqrt() / s).collect();
        let mut q = DMatrix::zeros(rows, p);
        for (column, from) in q.as_mut_slice().chunks_exact_mut(rows).zip(x.as_slice().chunks_exact(n)) {
            column.iter_mut().zip(from.iter().zip(&root_d)).for_each(|(t, (x, d))| *t = x * d);
        }
        let singular =
            || failed("the weighted location terms have lost rank; use fewer terms or penalise more of them");
        let r = match way {
            Way::Qr => {
                for (at, j) in (0..p).filter(|j| self.penalty(*j, lambda) > 0.0).enumerate() {
                    q[(n + at, j)] = self.penalty(j, lambda).sqrt();
                }
                let qr = QR::new(q);
                let r = qr.r();
                q = qr.q().remove_rows(n, m);
                r
            }
            Way::Cholesky => {
                let mut a = DMatrix::zeros(p, p);
                let columns = q.as_slice();
                for j in 0..p {
                    let right = &columns[j * n..(j + 1) * n];
                    for i in j..p {
                        a[(i, j)] = dot(&columns[i * n..(i + 1) * n], right);
                    }
                    a[(j, j)] += self.penalty(j, lambda);
                }
                let l = Cholesky::new(a).ok_or_else(singular)?.unpack();
                for j in 0..p {
                    let (before, rest) = q.as_mut_slice().split_at_mut(j * n);
                    let column = &mut rest[..n];
                    for (k, known) in before.chunks_exact(n).enumerate() {
                        let by = l[(j, k)];
                        column.iter_mut().zip(known).for_each(|(c, b)| *c -= by * b);
                    }
                    let by = 1.0 / l[(j, j)];
                    column.iter_mut().for_each(|c| *c *= by);
                }
                l.transpose()
            }
        };
        let mut h = DVector::zeros(n);
        for column in q.column_iter() {
            h.iter_mut().zip(column.iter()).for_each(|(h, q)| *h += q * q);
        }
        let mut inverse = DMatrix::identity(p, p);
        let ln_det = 2.0 * r.diagonal().iter().map(|d| d.abs().ln()).sum::<f64>();
        if !(r.solve_upper_triangular_mut(&mut inverse) && ln_det.is_finite()) {
            return Err(singular());
        }
        Ok(Factor { q, inverse, ln_det, h })
    }

    fn residual(&self, x: &DMatrix<f64>, beta: &DVector<f64>) -> DVector<f64> {
        let mut r = self.y.clone();
        r.gemv(-1.0, x, beta, 1.0);
        r
    }

    /// What pulls at the coefficients: w r/σ² of every row.
    pub fn pull(&self, free: &Freedom, sigma: &DVector<f64>, r: &DVector<f64>) -> DVector<f64> {
        DVector::from_fn(r.len(), |i, _| {
            let e = r[i] / sigma[i];
            free.weight(i, e * e) * e / sigma[i]
        })
    }

    /// By how much each row is further out than its spread says: what the score of γ sums.
    pub fn excess(
        &self,
        free: &Freedom,
        (sigma, h): (&DVector<f64>, &DVector<f64>),
        r: &DVector<f64>,
    ) -> DVector<f64> {
        DVector::from_fn(r.len(), |i, _| {
            let u = (r[i] / sigma[i]).powi(2);
            free.weight(i, u) * u - free.w[i] + h[i]
        })
    }

    /// The joint step of γ and the shared effects' covariances at these residuals.
    fn shared_step(
        &self,
        joint: &Joint,
        free: &Freedom,
        (sigma, h): (&DVector<f64>, &DVector<f64>),
        r: &DVector<f64>,
        between: &[DMatrix<f64>],
    ) -> Result<JointStep> {
        let excess = self.excess(free, (sigma, h), r);
        self.joint_step(joint, &self.z.tr_mul(&excess), &self.pull(free, sigma, r), between)
    }

    /// Score of γ and the scoring step.
    fn gamma_step(
        &self,
        free: &Freedom,
        sigma: &DVector<f64>,
        r: &DVector<f64>,
        h: &DVector<f64>,
    ) -> Result<(DVector<f64>, f64)> {
        let (n, q) = self.z.shape();
        let score = self.z.tr_mul(&self.excess(free, (sigma, h), r));
        let mut information: DMatrix<f64> = DMatrix::zeros(q, q);
        for i in 0..n {
            let worth = 2.0 * free.k[i] * (1.0 - h[i] / free.w[i]).max(LEAST_ROOM);
            for a in 0..q {
                for b in 0..=a {
                    information[(a, b)] += worth * self.z[(i, a)] * self.z[(i, b)];
                }
            }
        }
        let root = Cholesky::new(information)
            .ok_or_else(|| failed("the scale terms cannot be told apart in these rows; use fewer of them"))?;
        let step = root.solve(&score);
        let length = step.dot(&score).max(0.0).sqrt();
        Ok((step, length))
    }

    /// λ as the fixed point would have it: Wood & Fasiolo 2017, Biometrics 73:1071 (generalised
    /// Fellner-Schall; from memory), for one ridge.
    fn lambda_next(&self, factor: &Factor, beta: &DVector<f64>, lambda: f64) -> f64 {
        let (mut trace, mut length, mut m) = (0.0, 0.0, 0.0);
        for j in (0..self.penalised.len()).filter(|j| self.penalised[*j]) {
            trace += factor.inverse.row(j).norm_squared();
            length += beta[j] * beta[j];
            m += 1.0;
        }
        let (low, high) = self.lambda_range;
        let next = (m - lambda * trace) / length;
        // not where rounding has eaten the difference
        if next > 0.0 { next.clamp(low, high) } else { lambda }
    }

    /// How far a state is from the fixed point, and the steps that lead on.
    pub fn look(&self, state: &State, free: &Freedom, way: Way) -> Result<Here> {
        let ln_sigma = &self.z * &state.gamma;
        if ln_sigma.min() - self.ln_size < VANISHING {
            return Err(failed(
                "the form fits some rows exactly, so that there is no spread to tell: are they worked out from each \
                 other, or too few?",
            ));
        }
        let sigma = ln_sigma.map(f64::exp);
        if !sigma.iter().all(|s| s.is_finite()) {
            return Err(failed("the spread of some rows runs away: fewer terms of the spread may do"));
        }
        let factor = self.factor(&self.columns(&state.between), &sigma, free, state.lambda, way)?;
        let joint = (!self.shared.is_empty())
            .then(|| self.joint(&factor, &sigma, free, &self.gamma_information(&factor, free)));
        self.look_on(state, free, (sigma, factor, joint))
    }

    /// The same with the spreads, R and what the joint step needs known: they do not change with the coefficients.
    fn look_on(
        &self,
        state: &State,
        free: &Freedom,
        (sigma, factor, joint): (DVector<f64>, Factor, Option<Joint>),
    ) -> Result<Here> {
        let x = self.columns(&state.between);
        let residual = self.residual(&x, &state.beta);
        let mut score = x.tr_mul(&self.pull(free, &sigma, &residual));
        for (j, s) in score.iter_mut().enumerate() {
            *s -= self.penalty(j, state.lambda) * state.beta[j];
        }
        let half = factor.inverse.tr_mul(&score);
        let beta_step = &factor.inverse * &half;
        let gamma = match &joint {
            None => self.gamma_step(free, &sigma, &residual, &factor.h)?.1,
            Some(joint) => {
                self.shared_step(joint, free, (&sigma, &factor.h), &residual, &state.between)?.length
            }
        };
        let lambda_step = if self.penalties() > 0 && self.lambda_range.0 < self.lambda_range.1 {
            (self.lambda_next(&factor, &state.beta, state.lambda) / state.lambda).ln()
        } else {
            0.0
        };
        let (mut now, mut then) = (0.0, 0.0);
        for j in (0..self.penalised.len()).filter(|j| self.penalised[*j]) {
            now += state.beta[j].powi(2);
            then += (state.beta[j] + beta_step[j]).powi(2);
        }
        let lambda_drift = (now / then).ln().abs();
        let distance = Distance { beta: half.norm(), gamma, lambda: lambda_step.abs() };
        if !distance.largest().is_finite() {
            return Err(failed("the numbers are too large or too small to be fitted"));
        }
        Ok(Here { factor, sigma, residual, beta_step, joint, lambda_step, lambda_drift, distance })
    }

    fn penalised_loss(
        &self,
        free: &Freedom,
        sigma: &DVector<f64>,
        r: &DVector<f64>,
        beta: &DVector<f64>,
        lambda: f64,
    ) -> f64 {
        let rows: f64 = (0..r.len()).map(|i| free.loss(i, (r[i] / sigma[i]).powi(2))).sum();
        let pull: f64 = (0..self.x.ncols()).filter(|j| self.penalised[*j]).map(|j| beta[j] * beta[j]).sum();
        let shared = beta.rows_range(self.x.ncols()..).norm_squared();
        rows + 0.5 * lambda * pull + 0.5 * shared
    }

    /// One step of β and then γ from a state already looked at.
    fn advance(&self, state: &mut State, here: &Here, free: &Freedom, damping: f64) -> Result<()> {
        let before = self.penalised_loss(free, &here.sigma, &here.residual, &state.beta, state.lambda);
        let slack = 1e-13 * (before.abs() + self.y.len() as f64);
        let x = self.columns(&state.between);
        let mut fraction = 1.0;
        let mut beta = &state.beta + &here.beta_step;
        let mut r = self.residual(&x, &beta);
        while fraction > 1e-3
            && self.penalised_loss(free, &here.sigma, &r, &beta, state.lambda) > before + slack
        {
            fraction *= 0.5;
            beta = &state.beta + &here.beta_step * fraction;
            r = self.residual(&x, &beta);
        }
        if let Some(joint) = &here.joint {
            state.beta = beta;
            let step = self.shared_step(joint, free, (&here.sigma, &here.factor.h), &r, &state.between)?;
            let reach = (&self.z * &step.gamma).amax();
            let share = if reach > LARGEST_STEP { LARGEST_STEP / reach } else { damping };
            state.gamma += &step.gamma * share;
            return self.move_between(state, &step, share);
        }
        let (mut step, _) = self.gamma_step(free, &here.sigma, &r, &here.factor.h)?;
        let reach = (&self.z * &step).amax();
        step *= if reach > LARGEST_STEP { LARGEST_STEP / reach } else { damping };
        state.beta = beta;
        state.gamma += step;
        Ok(())
    }

    /// Walks from a state already looked at to within the tolerance, or as many steps as there may be; where it came to.
    ///
    /// β and γ step until they have settled at this λ, then ln λ moves by a bracketed secant: its own steps may
    /// creep where the penalised terms hardly matter.
    pub fn walk(
        &self,
        state: &mut State,
        mut here: Here,
        free: &Freedom,
        way: Way,
        tolerance: f64,
        most: usize,
    ) -> Result<Here> {
        let mut search = Search::new(self.lambda_range);
        let mut iteration = 0;
        loop {
            if here.distance.largest() <= tolerance || iteration >= most {
                return Ok(here);
            }
            let asked = here.distance.lambda;
            let settled = here.distance.beta.max(here.distance.gamma) <= tolerance.max(SETTLED * asked)
                && !(here.lambda_drift > SETTLED * asked);
            if asked > tolerance && settled {
                state.lambda = search.next(state.lambda, here.lambda_step);
            } else {
                let damping = if iteration < PATIENCE { 1.0 } else { 0.5 };
                self.advance(state, &here, free, damping)?;
            }
            iteration += 1;
            here = self.look(state, free, way)?;
        }
    }

    /// The last solution for β, and the look from there: least squares on the augmented rows by QR.
    pub fn polish(&self, state: &mut State, here: Here, free: &Freedom) -> Result<Here> {
        let target = DVector::from_fn(self.y.len(), |i, _| {
            let u = (here.residual[i] / here.sigma[i]).powi(2);
            let pseudo = self.y[i] + here.residual[i] * (free.weight(i, u) / free.a[i] - 1.0);
            pseudo * free.root_a(i) / here.sigma[i]
        });
        let beta = &here.factor.inverse * here.factor.q.tr_mul(&target);
        if beta.iter().all(|b| b.is_finite()) {
            state.beta = beta;
        }
        self.look_on(state, free, (here.sigma, here.factor, here.joint))
    }

    /// Covariance of γ: inverse of its information, with the shared effects' covariances where there are some.
    pub fn gamma_covariance(&self, here: &Here, free: &Freedom) -> Result<DMatrix<f64>> {
        let q = self.z.ncols();
        Ok(self.variances(here, free)?.view((0, 0), (q, q)).into_owned())
    }

    /// Covariance of γ and of the elements of the shared effects' covariances.
    pub fn variances(&self, here: &Here, free: &Freedom) -> Result<DMatrix<f64>> {
        let apart = || failed("the scale terms cannot be told apart in these rows; use fewer of them");
        let Some(joint) = &here.joint else {
            let information = self.gamma_information(&here.factor, free);
            return Cholesky::new(information).map(|c| c.inverse()).ok_or_else(apart);
        };
        // to a unit diagonal first: variances may differ by many powers of ten
        let m = &joint.information;
        let scale: Vec<f64> = m.diagonal().iter().map(|d| d.sqrt()).collect();
        let unit = DMatrix::from_fn(m.nrows(), m.ncols(), |i, j| m[(i, j)] / (scale[i] * scale[j]));
        let inverse = Cholesky::new(unit).ok_or_else(apart)?.inverse();
        Ok(DMatrix::from_fn(m.nrows(), m.ncols(), |i, j| inverse[(i, j)] / (scale[i] * scale[j])))
    }

    /// Expected information of γ: 2 Z' K^½ (M∘M) K^½ Z with M = I − H.
    fn gamma_information(&self, factor: &Factor, free: &Freedom) -> DMatrix<f64> {
        let (n, q) = self.z.shape();
        let p = factor.q.ncols();
        let mut z = self.z.clone();
        for mut column in z.column_iter_mut() {
            column.iter_mut().zip(&free.k).for_each(|(v, k)| *v *= k.sqrt());
        }
        let mut information = DMatrix::zeros(q, q);
        let mut product = vec![0.0; n * q];
        let mut t = vec![0.0; q];
        let columns = factor.q.as_slice();
        for a in 0..p {
            for (product, z) in product.chunks_exact_mut(n).zip(z.as_slice().chunks_exact(n)) {
                let pair = columns[a * n..][..n].iter().zip(z);
                product.iter_mut().zip(pair).for_each(|(t, (u, z))| *t = u * z);
            }
            for b in 0..=a {
                for (t, product) in t.iter_mut().zip(product.chunks_exact(n)) {
                    *t = dot(product, &columns[b * n..][..n]);
                }
                let times = if a == b { 2.0 } else { 4.0 };
                for i in 0..q {
                    for j in 0..=i {
                        information[(i, j)] += times * t[i] * t[j];
                    }
                }
            }
        }
        for i in 0..q {
            for j in 0..=i {
                let (zi, zj) = (&z.as_slice()[i * n..(i + 1) * n], &z.as_slice()[j * n..(j + 1) * n]);
                let sum: f64 = (0..n).map(|r| zi[r] * zj[r] * (2.0 - 4.0 * factor.h[r])).sum();
                information[(i, j)] += sum;
            }
        }
        information
    }

    /// Log-likelihood of the rows at the estimates.
    pub fn ln_likelihood(&self, here: &Here, free: &Freedom) -> f64 {
        (0..self.y.len())
            .map(|i| {
                let u = (here.residual[i] / here.sigma[i]).powi(2);
                free.w[i] * (student_ln_pdf(0.0, free.nu[i]) - here.sigma[i].ln()) - free.loss(i, u)
            })
            .sum()
    }

    /// The same with β integrated out by Laplace's method on the expected information, standardised columns.
    pub fn ln_restricted(&self, state: &State, here: &Here, ln_likelihood: f64) -> f64 {
        let free = (self.penalised.len() - self.penalties()) as f64;
        let pull: f64 = (0..self.x.ncols())
            .filter(|j| self.penalised[*j])
            .map(|j| state.lambda.ln() - state.lambda * state.beta[j].powi(2))
            .sum();
        let pull = pull - state.beta.rows_range(self.x.ncols()..).norm_squared();
        ln_likelihood + 0.5 * pull + 0.5 * free * (2.0 * PI).ln() - 0.5 * here.factor.ln_det
    }
}
