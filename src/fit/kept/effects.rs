//! Coefficients and effects at given covariances: the top of the log likelihood of flakes and effects together, by
//! Newton's method on a system that is a block a site, bordered by the coefficients.
//!
//! ```text
//! [ A    B_1  B_2 .. ] [ b   ]        A   curvature in the coefficients
//! [ B_1' C_1         ] [ u_1 ]        C_g curvature in the effects of site g, with that of their law
//! [ B_2'      C_2    ] [ u_2 ]        S = A - sum B_g C_g^-1 B_g'
//! ```

use super::law::{Law, MOST, Part};
use super::{Flakes, Model};
use crate::by_name::place_of;
use crate::error::{Error, Result};
use crate::threads;
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// Newton steps in one search, and halvings of one step. Common practice, no source.
const STEPS: usize = 60;
const HALVINGS: usize = 30;
/// A search ends when a step promises less than this of log likelihood, or than the square of the tolerance asked for where
/// that is less: the step is then so small a share of a standard error. Common practice, no source.
const GAIN: f64 = 1e-11;

/// Where the search stands.
#[derive(Debug, Clone)]
pub(super) struct State {
    pub(super) coefficients: DMatrix<f64>,
    pub(super) within: DMatrix<f64>,
    pub(super) between: DMatrix<f64>,
    pub(super) assemblages: Option<DMatrix<f64>>,
    /// Effects of each site, then the levels of its assemblages.
    u: Vec<DVector<f64>>,
    /// How much narrower than the others a site's law is, where sites have heavy tails.
    precision: Vec<f64>,
    /// Rows of each site.
    pub(super) rows: Vec<Vec<usize>>,
    /// For each row the place of its assemblage within the site.
    place: Vec<usize>,
}

/// Which number a row's expected size has from where: column, response, factor.
type Load = (usize, usize, f64);

/// The factor of a group's own block, and what it solves to.
type Solved = (Cholesky<f64, Dyn>, DVector<f64>);

/// What a search found.
pub(super) struct Found {
    /// Covariance of the coefficients.
    pub(super) covariance: DMatrix<f64>,
    pub(super) ln_likelihood: f64,
    sites: Vec<Block>,
}

/// Curvatures of one site.
struct Block {
    border: DMatrix<f64>,
    inverse: DMatrix<f64>,
}

fn singular() -> Error {
    Error::not_converged(
        "the law of what was kept",
        "the flakes do not tell the terms or the spread apart; leave out a term, or give more flakes",
    )
}

/// The factor of a symmetric matrix, with as little added to its diagonal as makes it positive definite.
pub(super) fn factor(m: &DMatrix<f64>) -> Result<Cholesky<f64, Dyn>> {
    let size = m.diagonal().abs().max();
    let mut added = 0.0;
    for _ in 0..12 {
        let mut n = m.clone();
        (0..m.nrows()).for_each(|i| n[(i, i)] += added);
        if let Some(c) = n.cholesky() {
            return Ok(c);
        }
        added = if added == 0.0 { 1e-9 * size } else { 10.0 * added };
    }
    Err(singular())
}

fn ln_determinant(c: &Cholesky<f64, Dyn>) -> f64 {
    2.0 * c.l_dirty().diagonal().iter().map(|v| v.ln()).sum::<f64>()
}

/// Sums of one site.
struct Sums {
    value: f64,
    slope: DVector<f64>,
    slope_u: DVector<f64>,
    a: DMatrix<f64>,
    b: DMatrix<f64>,
    c: DMatrix<f64>,
}

impl State {
    pub(super) fn start(flakes: &Flakes, model: &Model) -> Result<State> {
        let (p, k, n) = (flakes.terms, flakes.sizes, flakes.rows());
        let grouped = !model.varying.is_empty();
        let sites = flakes.site.iter().max().map_or(0, |m| m + 1);
        let mut rows = vec![Vec::new(); sites];
        (0..n).for_each(|i| rows[flakes.site[i]].push(i));
        let q = effects(k, model);
        let mut place = vec![0; n];
        let mut lengths = Vec::new();
        for of in &rows {
            let mut known: Vec<usize> = Vec::new();
            for i in of {
                let a = flakes.assemblage.get(*i).copied().unwrap_or(0);
                place[*i] = place_of(&mut known, |b| *b == a, || a);
            }
            let inner = if model.assemblages { known.len() * k } else { 0 };
            lengths.push(if grouped { q + inner } else { inner });
        }
        let mut coefficients = DMatrix::zeros(p, k);
        let mut within = DMatrix::zeros(k, k);
        for j in 0..k {
            let has: Vec<usize> = (0..n).filter(|i| !flakes.y[i * k + j].is_nan()).collect();
            if has.len() <= p {
                return Err(Error::TooFew {
                    what: "flakes with every size".into(),
                    found: has.len(),
                    needed: p + 1,
                });
            }
            let x = DMatrix::from_fn(has.len(), p, |r, c| flakes.x[has[r] * p + c]);
            let y = DVector::from_iterator(has.len(), has.iter().map(|i| flakes.y[i * k + j]));
            let qr = x.clone().qr();
            let b = qr.r().solve_upper_triangular(&(qr.q().transpose() * &y)).ok_or_else(singular)?;
            within[(j, j)] = (&y - x * &b).norm_squared() / (has.len() - p) as f64;
            coefficients.set_column(j, &b);
        }
        if within.diagonal().iter().any(|v| !(*v > 0.0)) {
            return Err(singular());
        }
        // a start: a quarter of the spread lies between sites, slopes vary by a tenth of it
        let between = DMatrix::from_fn(q, q, |i, j| match (i == j, i) {
            (false, _) => 0.0,
            (true, i) if i < k => 0.25 * within[(i, i)],
            (true, i) => 0.05 * within[(i % k, i % k)],
        });
        let assemblages = model.assemblages.then(|| 0.05 * &within);
        Ok(State {
            coefficients,
            within,
            between,
            assemblages,
            u: lengths.iter().map(|l| DVector::zeros(*l)).collect(),
            precision: vec![1.0; sites],
            rows,
            place,
        })
    }

    /// The coefficients and the triangle of the covariance of the sizes, its diagonal in logs, as one column.
    pub(super) fn point(&self) -> Result<DVector<f64>> {
        let triangle = super::covariances::packed(&self.within)?;
        Ok(DVector::from_vec([self.coefficients.as_slice(), &triangle].concat()))
    }

    /// Goes to such a point.
    pub(super) fn go_to(&mut self, point: &DVector<f64>) {
        let n = self.coefficients.len();
        self.coefficients.iter_mut().zip(point.iter()).for_each(|(c, v)| *c = *v);
        self.within = super::covariances::covariance(&point.as_slice()[n..], self.within.nrows());
    }

    /// The standard deviations, as one column.
    pub(super) fn sds(&self) -> DVector<f64> {
        let all = [Some(&self.within), Some(&self.between), self.assemblages.as_ref()];
        let values: Vec<f64> = all
            .into_iter()
            .flatten()
            .flat_map(|m| m.diagonal().iter().map(|v| v.sqrt()).collect::<Vec<_>>())
            .collect();
        DVector::from_vec(values)
    }

    fn loads(
        &self,
        flakes: &Flakes,
        model: &Model,
        i: usize,
        coefficients: &mut Vec<Load>,
        own: &mut Vec<Load>,
    ) {
        let (x, k) = (flakes.design(i), flakes.sizes);
        coefficients.clear();
        own.clear();
        for (a, v) in x.iter().enumerate() {
            coefficients.extend((0..k).map(|j| (a * k + j, j, *v)));
        }
        for (a, at) in model.varying.iter().enumerate() {
            own.extend((0..k).map(|j| (a * k + j, j, x[*at])));
        }
        if model.assemblages {
            let q = effects(k, model);
            own.extend((0..k).map(|j| (q + self.place[i] * k + j, j, 1.0)));
        }
    }

    /// What is expected of a row.
    pub(super) fn expected(
        &self,
        flakes: &Flakes,
        model: &Model,
        i: usize,
        coefficients: &DMatrix<f64>,
        u: &DVector<f64>,
    ) -> [f64; MOST] {
        let (x, k) = (flakes.design(i), flakes.sizes);
        let mut mu = [0.0; MOST];
        for (a, v) in x.iter().enumerate() {
            (0..k).for_each(|j| mu[j] += v * coefficients[(a, j)]);
        }
        for (a, at) in model.varying.iter().enumerate() {
            (0..k).for_each(|j| mu[j] += x[*at] * u[a * k + j]);
        }
        if model.assemblages {
            let q = effects(k, model);
            (0..k).for_each(|j| mu[j] += u[q + self.place[i] * k + j]);
        }
        mu
    }

    /// Precision of the effects of a site.
    fn law_of(&self, g: usize, precisions: &(DMatrix<f64>, Option<DMatrix<f64>>)) -> DMatrix<f64> {
        let n = self.u[g].len();
        let q = precisions.0.nrows().min(n);
        let mut out = DMatrix::zeros(n, n);
        out.view_mut((0, 0), (q, q)).copy_from(&(&precisions.0 * self.precision[g]));
        if let Some(inner) = &precisions.1 {
            let k = inner.nrows();
            for at in (q..n).step_by(k) {
                out.view_mut((at, at), (k, k)).copy_from(inner);
            }
        }
        out
    }

    fn precisions(&self) -> Result<(DMatrix<f64>, Option<DMatrix<f64>>)> {
        let inverse = |m: &DMatrix<f64>| -> Result<DMatrix<f64>> {
            if m.is_empty() { Ok(m.clone()) } else { Ok(factor(m)?.inverse()) }
        };
        Ok((inverse(&self.between)?, self.assemblages.as_ref().map(inverse).transpose()?))
    }

    /// The sums of one site; of the value alone where `slopes` is not set.
    fn sums(&self, flakes: &Flakes, model: &Model, law: &Law, g: usize, slopes: bool) -> Sums {
        let pk = flakes.terms * flakes.sizes;
        let n = self.u[g].len();
        let zero = if slopes { n } else { 0 };
        let pz = if slopes { pk } else { 0 };
        let mut s = Sums {
            value: 0.0,
            slope: DVector::zeros(pz),
            slope_u: DVector::zeros(zero),
            a: DMatrix::zeros(pz, pz),
            b: DMatrix::zeros(pz, zero),
            c: DMatrix::zeros(zero, zero),
        };
        let (mut of_b, mut of_u) = (Vec::new(), Vec::new());
        for i in &self.rows[g] {
            let seen = flakes.seen(*i);
            let weight = flakes.weight[*i];
            let mu = self.expected(flakes, model, *i, &self.coefficients, &self.u[g]);
            if !slopes {
                s.value += weight * law.value(&seen, &mu, 0.0);
                continue;
            }
            let Part { value, slopes: slope, curvature } = law.at(&seen, &mu, 0.0);
            s.value += weight * value;
            self.loads(flakes, model, *i, &mut of_b, &mut of_u);
            for (c, r, v) in &of_b {
                s.slope[*c] += weight * v * slope[*r];
                for (d, t, w) in &of_b {
                    s.a[(*c, *d)] -= weight * v * w * curvature[*r][*t];
                }
                for (d, t, w) in &of_u {
                    s.b[(*c, *d)] -= weight * v * w * curvature[*r][*t];
                }
            }
            for (c, r, v) in &of_u {
                s.slope_u[*c] += weight * v * slope[*r];
                for (d, t, w) in &of_u {
                    s.c[(*c, *d)] -= weight * v * w * curvature[*r][*t];
                }
            }
        }
        s
    }

    fn value(&self, flakes: &Flakes, model: &Model, law: &Law, laws: &[DMatrix<f64>]) -> f64 {
        let of = |g: usize| {
            self.sums(flakes, model, law, g, false).value - 0.5 * self.u[g].dot(&(&laws[g] * &self.u[g]))
        };
        threads::in_order(self.u.len(), of).into_iter().sum()
    }

    /// Goes to the top and takes the curvatures there.
    pub(super) fn search(&mut self, flakes: &Flakes, model: &Model) -> Result<Found> {
        let law = Law::new(&self.within, model.threshold.as_ref()).ok_or_else(singular)?;
        let precisions = self.precisions()?;
        let laws: Vec<DMatrix<f64>> = (0..self.u.len()).map(|g| self.law_of(g, &precisions)).collect();
        let (p, k) = (flakes.terms, flakes.sizes);
        let mut value = self.value(flakes, model, &law, &laws);
        for step in 0.. {
            let sums = threads::in_order(self.u.len(), |g| self.sums(flakes, model, &law, g, true));
            let mut s = DMatrix::zeros(p * k, p * k);
            let mut slope = DVector::zeros(p * k);
            let mut factors = Vec::new();
            for (g, sum) in sums.iter().enumerate() {
                s += &sum.a;
                slope += &sum.slope;
                if self.u[g].is_empty() {
                    factors.push(None);
                    continue;
                }
                let c = factor(&(&sum.c + &laws[g]))?;
                s -= &sum.b * c.solve(&sum.b.transpose());
                let own = &sum.slope_u - &laws[g] * &self.u[g];
                slope -= &sum.b * c.solve(&own);
                factors.push(Some((c, own)));
            }
            let border = factor(&s)?;
            let b = border.solve(&slope);
            let mut gain = b.dot(&slope);
            let mut steps = Vec::new();
            for (sum, f) in sums.iter().zip(&factors) {
                steps.push(match f {
                    Some((c, own)) => {
                        gain += own.dot(&c.solve(own));
                        c.solve(&(own - sum.b.transpose() * &b))
                    }
                    None => DVector::zeros(0),
                });
            }
            if gain < GAIN.min(model.tolerance.powi(2)) || step == STEPS {
                return self.found(sums, &factors, &border, value, model);
            }
            let start = (self.coefficients.clone(), self.u.clone());
            let mut by = 1.0;
            for halving in 0..=HALVINGS {
                for a in 0..p {
                    (0..k).for_each(|j| self.coefficients[(a, j)] = start.0[(a, j)] + by * b[a * k + j]);
                }
                self.u = start.1.iter().zip(&steps).map(|(u, s)| u + by * s).collect();
                let new = self.value(flakes, model, &law, &laws);
                if new >= value - 1e-12 * value.abs() || halving == HALVINGS {
                    value = new;
                    break;
                }
                by *= 0.5;
            }
        }
        Err(singular())
    }

    fn found(
        &self,
        sums: Vec<Sums>,
        factors: &[Option<Solved>],
        border: &Cholesky<f64, Dyn>,
        value: f64,
        model: &Model,
    ) -> Result<Found> {
        let mut ln_likelihood = value;
        let between = if self.between.is_empty() { 0.0 } else { ln_determinant(&factor(&self.between)?) };
        let inner = match &self.assemblages {
            Some(m) => ln_determinant(&factor(m)?),
            None => 0.0,
        };
        let q = self.between.nrows();
        let mut sites = Vec::new();
        for ((sum, f), u) in sums.into_iter().zip(factors).zip(&self.u) {
            let n = u.len();
            let inverse = match f {
                Some((c, _)) => {
                    ln_likelihood -= 0.5 * ln_determinant(c);
                    c.inverse()
                }
                None => DMatrix::zeros(0, 0),
            };
            if n > 0 {
                let k = self.within.nrows();
                ln_likelihood -= 0.5 * (between + ((n - q) / k) as f64 * inner);
            }
            sites.push(Block { border: sum.b, inverse });
        }
        if model.restricted {
            ln_likelihood -= 0.5 * ln_determinant(border);
        }
        Ok(Found { covariance: border.inverse(), ln_likelihood, sites })
    }

    /// Covariances of the effects from what a search found.
    pub(super) fn between_from(&mut self, found: &Found, flakes: &Flakes, model: &Model) {
        let (q, k) = (self.between.nrows(), flakes.sizes);
        if self.u.iter().all(|u| u.is_empty()) {
            return;
        }
        let mut between = DMatrix::zeros(q, q);
        let mut inner = DMatrix::zeros(k, k);
        let mut assemblages = 0.0;
        for g in 0..self.u.len() {
            let second = &self.u[g] * self.u[g].transpose() + found.uncertainty(g, model.restricted);
            between += second.view((0, 0), (q, q)) * self.precision[g];
            for at in (q..self.u[g].len()).step_by(k) {
                inner += second.view((at, at), (k, k));
                assemblages += 1.0;
            }
        }
        self.between = between / self.u.len() as f64;
        if let Some(m) = &mut self.assemblages {
            *m = inner / assemblages;
        }
        if let (Some(d), Ok(c)) = (model.degrees_of_freedom, factor(&self.between)) {
            for g in 0..self.u.len() {
                let second = &self.u[g] * self.u[g].transpose() + found.uncertainty(g, model.restricted);
                let distance = c.solve(&second.view((0, 0), (q, q)).into_owned()).trace();
                self.precision[g] = (d + q as f64) / (d + distance);
            }
        }
    }

    /// Effects of a site, its assemblages included.
    pub(super) fn effects(&self, g: usize) -> &DVector<f64> {
        &self.u[g]
    }

    /// Covariance of what is expected of a row's sizes, from that of the coefficients and the effects of its site.
    pub(super) fn uncertain(
        &self,
        joint: &DMatrix<f64>,
        flakes: &Flakes,
        model: &Model,
        i: usize,
    ) -> DMatrix<f64> {
        let k = flakes.sizes;
        let pk = flakes.terms * k;
        let (mut of_b, mut of_u) = (Vec::new(), Vec::new());
        self.loads(flakes, model, i, &mut of_b, &mut of_u);
        let mut loads: Vec<Load> = if model.restricted { of_b } else { Vec::new() };
        loads.extend(of_u.into_iter().map(|(c, r, v)| (pk + c, r, v)));
        let mut out = DMatrix::zeros(k, k);
        for (c, r, v) in &loads {
            for (d, t, w) in &loads {
                out[(*r, *t)] += v * w * joint[(*c, *d)];
            }
        }
        out
    }
}

/// Number of effects of a site.
pub(super) fn effects(sizes: usize, model: &Model) -> usize {
    model.varying.len() * sizes
}

impl Found {
    /// Covariance of the effects of a site, the coefficients given or integrated out.
    fn uncertainty(&self, g: usize, restricted: bool) -> DMatrix<f64> {
        let Block { border, inverse } = &self.sites[g];
        if !restricted || inverse.is_empty() {
            return inverse.clone();
        }
        let turned = inverse * border.transpose();
        inverse + &turned * &self.covariance * turned.transpose()
    }

    /// Covariance of the coefficients and the effects of a site together.
    pub(super) fn joint(&self, g: usize, restricted: bool) -> DMatrix<f64> {
        let Block { border, inverse } = &self.sites[g];
        let (p, n) = (self.covariance.nrows(), inverse.nrows());
        let mut out = DMatrix::zeros(p + n, p + n);
        out.view_mut((0, 0), (p, p)).copy_from(&self.covariance);
        if n > 0 {
            out.view_mut((p, p), (n, n)).copy_from(&self.uncertainty(g, restricted));
            let cross = -&self.covariance * border * inverse;
            out.view_mut((0, p), (p, n)).copy_from(&cross);
            out.view_mut((p, 0), (n, p)).copy_from(&cross.transpose());
        }
        out
    }
}
