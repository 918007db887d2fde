//! The covariance of the sizes at given coefficients and effects: in closed form where every flake has every size, none
//! is rounded and none held, otherwise by a quasi-Newton search (argmin) over its triangle.
//!
//! The effects are uncertain, which adds the covariance V of what is expected to the squares, and takes the chance of
//! having been kept over a few values of that covariance, alike to second order. The chance at what is expected alone
//! would have V counted in full where what was kept tells of it too: the spread then feeds on V, and V on the spread,
//! without end where much was lost and what was kept tells little.
//!
//! ```text
//! Q(S) = sum w [ ln p(y; S) - tr(S^-1 V) / 2 - E ln P(kept; S) ]
//! ```

use super::effects::{Found, State};
use super::law::{Law, MOST};
use super::{Flakes, Model};
use crate::error::{Error, Result};
use crate::threads;
use argmin::core::{CostFunction, Executor, Gradient, State as _};
use argmin::solver::linesearch::MoreThuenteLineSearch;
use argmin::solver::quasinewton::LBFGS;
use argmin_math::{
    ArgminAdd, ArgminConj, ArgminDot, ArgminL1Norm, ArgminL2Norm, ArgminMinMax, ArgminMul, ArgminScaledAdd,
    ArgminSignum, ArgminSub, ArgminZeroLike,
};
use nalgebra::{DMatrix, DVector};
use std::f64::consts::PI;

/// Steps of one search (there is one in every round), and how many slopes it remembers. This crate's choice, no source.
const STEPS: u64 = 4;
const REMEMBERED: usize = 10;
/// What is known of the rows at the coefficients and effects.
struct Problem<'a> {
    flakes: &'a Flakes,
    model: &'a Model,
    /// For each site its rows, with what is expected of them.
    expected: Vec<Vec<Expected>>,
    /// For each set of sizes recorded: the sum of w V.
    uncertain: Vec<DMatrix<f64>>,
    weight: f64,
}

/// What is expected of a row, and values about it, each as likely, with the covariance of what is expected.
struct Expected {
    row: usize,
    mu: [f64; MOST],
    about: Vec<[f64; MOST]>,
}

/// Values about what is expected, in the sizes that decide: two for one of them, a triangle for two.
fn about(mu: &[f64; MOST], v: &DMatrix<f64>, deciding: &[usize]) -> Vec<[f64; MOST]> {
    let n = deciding.len() + 1;
    let turns = (0..n).map(|j| (2.0 * PI * j as f64 / n as f64).sin_cos());
    let radius = (deciding.len() as f64).sqrt();
    let at = |(sin, cos): (f64, f64)| {
        let mut at = *mu;
        let [a, rest @ ..] = deciding else { return at };
        let sd = v[(*a, *a)].max(0.0).sqrt();
        at[*a] += radius * cos * sd;
        if let [b] = rest {
            let along = if sd > 0.0 { v[(*a, *b)] / sd } else { 0.0 };
            let across = (v[(*b, *b)] - along * along).max(0.0).sqrt();
            at[*b] += radius * (cos * along + sin * across);
        }
        at
    };
    turns.map(at).collect()
}

/// A triangle row by row, its diagonal in logs, with the arithmetic that the search asks for.
#[derive(Debug, Clone)]
struct Triangle(DVector<f64>);

impl ArgminSub<Triangle, Triangle> for Triangle {
    fn sub(&self, other: &Triangle) -> Triangle {
        Triangle(&self.0 - &other.0)
    }
}
impl ArgminAdd<Triangle, Triangle> for Triangle {
    fn add(&self, other: &Triangle) -> Triangle {
        Triangle(&self.0 + &other.0)
    }
}
impl ArgminMul<f64, Triangle> for Triangle {
    fn mul(&self, by: &f64) -> Triangle {
        Triangle(&self.0 * *by)
    }
}
impl ArgminScaledAdd<Triangle, f64, Triangle> for Triangle {
    fn scaled_add(&self, by: &f64, other: &Triangle) -> Triangle {
        Triangle(&self.0 + &other.0 * *by)
    }
}
impl ArgminDot<Triangle, f64> for Triangle {
    fn dot(&self, other: &Triangle) -> f64 {
        self.0.dot(&other.0)
    }
}
impl ArgminL2Norm<f64> for Triangle {
    fn l2_norm(&self) -> f64 {
        self.0.norm()
    }
}
impl ArgminSub<f64, Triangle> for Triangle {
    fn sub(&self, by: &f64) -> Triangle {
        Triangle(self.0.add_scalar(-by))
    }
}
impl ArgminAdd<f64, Triangle> for Triangle {
    fn add(&self, by: &f64) -> Triangle {
        Triangle(self.0.add_scalar(*by))
    }
}
impl ArgminMul<Triangle, Triangle> for Triangle {
    fn mul(&self, by: &Triangle) -> Triangle {
        Triangle(self.0.component_mul(&by.0))
    }
}
impl ArgminL1Norm<f64> for Triangle {
    fn l1_norm(&self) -> f64 {
        self.0.abs().sum()
    }
}
impl ArgminSignum for Triangle {
    fn signum(self) -> Triangle {
        Triangle(self.0.map(f64::signum))
    }
}
impl ArgminZeroLike for Triangle {
    fn zero_like(&self) -> Triangle {
        Triangle(self.0.map(|_| 0.0))
    }
}
impl ArgminMinMax for Triangle {
    fn min(a: &Triangle, b: &Triangle) -> Triangle {
        Triangle(a.0.zip_map(&b.0, f64::min))
    }
    fn max(a: &Triangle, b: &Triangle) -> Triangle {
        Triangle(a.0.zip_map(&b.0, f64::max))
    }
}
impl ArgminConj for Triangle {
    fn conj(&self) -> Triangle {
        self.clone()
    }
}

/// The triangle of a covariance row by row, log diagonal.
pub(super) fn packed(covariance: &DMatrix<f64>) -> Result<Vec<f64>> {
    let l = super::effects::factor(covariance)?.l();
    let places = (0..l.nrows()).flat_map(|i| (0..=i).map(move |j| (i, j)));
    Ok(places.map(|(i, j)| if i == j { l[(i, i)].ln() } else { l[(i, j)] }).collect())
}

/// The covariance from its triangle, log diagonal.
pub(super) fn covariance(theta: &[f64], k: usize) -> DMatrix<f64> {
    let l = triangle(theta, k);
    &l * l.transpose()
}

fn triangle(theta: &[f64], k: usize) -> DMatrix<f64> {
    let mut l = DMatrix::zeros(k, k);
    let mut values = theta.iter();
    for i in 0..k {
        for j in 0..=i {
            let v = values.next().copied().unwrap_or(0.0);
            l[(i, j)] = if i == j { v.clamp(-30.0, 30.0).exp() } else { v };
        }
    }
    l
}

impl Problem<'_> {
    fn at(&self, theta: &[f64]) -> f64 {
        let s = covariance(theta, self.flakes.sizes);
        let Some(law) = Law::new(&s, self.model.threshold.as_ref()) else { return f64::MAX.sqrt() };
        let of = |g: usize| -> f64 {
            let rows = self.expected[g].iter();
            rows.map(|e| {
                self.flakes.weight[e.row] * law.value_about(&self.flakes.seen(e.row), &e.mu, &e.about)
            })
            .sum()
        };
        let mut value: f64 = threads::in_order(self.expected.len(), of).into_iter().sum();
        for (mask, v) in self.uncertain.iter().enumerate().filter(|(_, v)| v.amax() > 0.0) {
            let of: Vec<usize> = (0..s.nrows()).filter(|j| mask >> j & 1 == 1).collect();
            let part = |m: &DMatrix<f64>| DMatrix::from_fn(of.len(), of.len(), |i, j| m[(of[i], of[j])]);
            let Some(c) = part(&s).cholesky() else { return f64::MAX.sqrt() };
            value -= 0.5 * c.solve(&part(v)).trace();
        }
        let out = -value / self.weight;
        if out.is_finite() { out } else { f64::MAX.sqrt() }
    }
}

impl CostFunction for Problem<'_> {
    type Param = Triangle;
    type Output = f64;
    fn cost(&self, theta: &Triangle) -> std::result::Result<f64, argmin::core::Error> {
        Ok(self.at(theta.0.as_slice()))
    }
}

impl Gradient for Problem<'_> {
    type Param = Triangle;
    type Gradient = Triangle;
    fn gradient(&self, theta: &Triangle) -> std::result::Result<Triangle, argmin::core::Error> {
        let k = self.flakes.sizes;
        let (l, s) = (triangle(theta.0.as_slice(), k), covariance(theta.0.as_slice(), k));
        let law = Law::new(&s, self.model.threshold.as_ref())
            .ok_or_else(|| argmin::core::Error::msg("no covariance"))?;
        // slopes of the value in the covariance
        let of = |g: usize| {
            let mut sum = DMatrix::zeros(k, k);
            for e in &self.expected[g] {
                let own = law.slopes_in_covariance(&self.flakes.seen(e.row), &e.mu, &e.about);
                sum += DMatrix::from_fn(k, k, |a, b| self.flakes.weight[e.row] * own[a][b]);
            }
            sum
        };
        let mut slopes: DMatrix<f64> = threads::in_order(self.expected.len(), of).into_iter().sum();
        for (mask, v) in self.uncertain.iter().enumerate().filter(|(_, v)| v.amax() > 0.0) {
            let of: Vec<usize> = (0..k).filter(|j| mask >> j & 1 == 1).collect();
            let part = |m: &DMatrix<f64>| DMatrix::from_fn(of.len(), of.len(), |i, j| m[(of[i], of[j])]);
            let c = part(&s).cholesky().ok_or_else(|| argmin::core::Error::msg("no covariance"))?;
            let turned = c.solve(&c.solve(&part(v)).transpose());
            for (a, i) in of.iter().enumerate() {
                of.iter().enumerate().for_each(|(b, j)| slopes[(*i, *j)] += 0.5 * turned[(a, b)]);
            }
        }
        // S = L L', the diagonal of L in logs
        let in_l = (&slopes + slopes.transpose()) * &l;
        let places = (0..k).flat_map(|i| (0..=i).map(move |j| (i, j)));
        let of_place = |(i, j)| if i == j { in_l[(i, i)] * l[(i, i)] } else { in_l[(i, j)] };
        Ok(Triangle(DVector::from_iterator(theta.0.len(), places.map(of_place)) / -self.weight))
    }
}

/// The covariance of the sizes that fits best.
pub(super) fn within(state: &State, found: &Found, flakes: &Flakes, model: &Model) -> Result<DMatrix<f64>> {
    let k = flakes.sizes;
    let mut uncertain = vec![DMatrix::zeros(k, k); 1 << k];
    let mut expected = Vec::with_capacity(state.rows.len());
    let mut squares = DMatrix::zeros(k, k);
    let mut plain = true;
    for (g, of) in state.rows.iter().enumerate() {
        let joint = found.joint(g, model.restricted);
        let mut rows = Vec::with_capacity(of.len());
        for i in of {
            let seen = flakes.seen(*i);
            let mu = state.expected(flakes, model, *i, &state.coefficients, state.effects(g));
            let by = flakes.weight[*i];
            let v = state.uncertain(&joint, flakes, model, *i);
            let deciding = model.threshold.as_ref().filter(|_| seen.held).map_or(&[][..], |t| &t.sizes);
            rows.push(Expected { row: *i, mu, about: about(&mu, &v, deciding) });
            uncertain[seen.mask] += v * by;
            plain &= seen.mask + 1 == 1 << k
                && seen.between.is_none()
                && !(seen.held && model.threshold.is_some());
            if plain {
                squares += DMatrix::from_fn(k, k, |a, b| by * (seen.y[a] - mu[a]) * (seen.y[b] - mu[b]));
            }
        }
        expected.push(rows);
    }
    let weight: f64 = flakes.weight.iter().sum();
    if plain {
        return Ok((squares + &uncertain[(1 << k) - 1]) / weight);
    }
    let theta = packed(&state.within)?;
    let problem = Problem { flakes, model, expected, uncertain, weight };
    let before = problem.at(&theta);
    let failed = |e: argmin::core::Error| Error::not_converged("the spread of what was kept", format!("{e}"));
    let solver = LBFGS::new(MoreThuenteLineSearch::new(), REMEMBERED)
        .with_tolerance_grad(1e-10)
        .and_then(|s| s.with_tolerance_cost(1e-15))
        .map_err(failed)?;
    let start = Triangle(DVector::from_vec(theta.clone()));
    let run = Executor::new(problem, solver).configure(|s| s.param(start).max_iters(STEPS)).run();
    // a line search that finds nothing better ends the search where it is
    let Ok(run) = run else { return Ok(state.within.clone()) };
    let best = run.state().get_best_param().map_or(theta, |t| t.0.as_slice().to_vec());
    if run.state().get_best_cost() > before {
        return Ok(state.within.clone());
    }
    Ok(covariance(&best, k))
}
