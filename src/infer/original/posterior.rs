//! The posterior of the share lost: the predictive by the platform times a model of loss, integrated numerically.

use super::{Loss, Truncated};
use crate::error::{Error, Result};
use crate::predict::Part;
use crate::special::kronrod::{POINTS, gauss_kronrod, node, rule};
use crate::special::newton_within;
use nalgebra::SMatrix;
use std::f64::consts::PI;
use std::sync::Arc;

/// A model of loss made ready: what does not depend on the piece is worked out once for many.
pub(crate) struct ReadyLoss {
    loss: Arc<dyn Loss>,
    /// At each node of the first panels: the share left, and what the log density of t has beyond that of the size.
    nodes: Vec<(f64, f64)>,
    /// From the values at the nodes of a panel to the coefficients of Legendre polynomials through them.
    to_legendre: SMatrix<f64, POINTS, POINTS>,
}

impl ReadyLoss {
    pub(crate) fn new(loss: Arc<dyn Loss>) -> Arc<ReadyLoss> {
        let nodes = (0..FIRST_PANELS).flat_map(|i| {
            let (from, to) = (edge(i), edge(i + 1));
            (0..POINTS).map(move |k| 0.5 * (from + to) + 0.5 * (to - from) * node(k))
        });
        let nodes = nodes.map(|t| at(&*loss, t)).collect();
        let values = SMatrix::<f64, POINTS, POINTS>::from_fn(|k, j| legendre(node(k))[j]);
        // nodes that differ have one polynomial through them
        let to_legendre = values.try_inverse().unwrap_or_else(SMatrix::identity);
        Arc::new(ReadyLoss { loss, nodes, to_legendre })
    }
}

/// The ends of the first panels.
fn edge(i: usize) -> f64 {
    T_END * (2.0 * i as f64 / FIRST_PANELS as f64 - 1.0)
}

/// At t: the share left, and what the log density of t has beyond that of the size, by the model of loss.
fn at(loss: &dyn Loss, t: f64) -> (f64, f64) {
    let y = PI * t.sinh();
    let (lost, left) = (1.0 / (1.0 + (-y).exp()), 1.0 / (1.0 + y.exp()));
    (left, loss.ln_density(lost, left) + lost.ln() + (PI * t.cosh()).ln())
}

/// Legendre polynomials at x, one more than there are nodes, by their recurrence.
fn legendre(x: f64) -> [f64; POINTS + 1] {
    let mut p = [1.0; POINTS + 1];
    p[1] = x;
    for j in 1..POINTS {
        let n = j as f64;
        p[j + 1] = ((2.0 * n + 1.0) * x * p[j] - n * p[j - 1]) / (n + 1.0);
    }
    p
}

/// The posterior of the share lost under a model of loss, over t with logit(l) = pi sinh(t): the ends of a
/// density that runs off there are spread out (double exponential substitution, Takahasi & Mori 1974, from
/// memory). Panels are halved until 7 Gauss and 15 Kronrod points agree.
#[derive(Clone)]
pub(super) struct Posterior {
    pub(super) truncated: Truncated,
    loss: Arc<ReadyLoss>,
    /// Those of the predictive.
    parts: Vec<Part>,
    /// Log of the largest density met, taken out before exponentiating.
    ln_scale: f64,
    panels: Vec<Panel>,
    total: f64,
}

#[derive(Debug, Clone, Copy)]
struct Panel {
    from: f64,
    to: f64,
    /// Integral over the panel, over those to its left, over those to its right.
    mass: f64,
    below: f64,
    above: f64,
    /// Of the Legendre polynomials through the density at its nodes.
    coefficients: [f64; POINTS],
}

impl std::fmt::Debug for Posterior {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Posterior").field("panels", &self.panels.len()).finish_non_exhaustive()
    }
}

/// Where t ends: beyond, either share is below 1e-300.
const T_END: f64 = 6.07;
/// Panels to begin with, and at most. This crate's choice, no source.
const FIRST_PANELS: usize = 48;
const MOST_PANELS: usize = 4000;
/// Lower tails tried for the shortest interval, and steps that refine the best of them: its width is then within a
/// millionth of the least, since a width hardly changes near its least. This crate's choice, no source.
const TAILS: usize = 24;
const REFINED: usize = 16;
/// Last steps of a quantile: of one on the grid, of one that is compared with its neighbours, and of an answer. This
/// crate's choice, no source.
const ROUGH: f64 = 1e-2;
const CLOSE: f64 = 1e-5;
const SETTLED: f64 = 1e-15;

impl Posterior {
    pub(super) fn new(truncated: Truncated, loss: Arc<ReadyLoss>) -> Result<Posterior> {
        let parts = truncated.predictive.parts();
        let mut p = Posterior { truncated, loss, parts, ln_scale: 0.0, panels: Vec::new(), total: 0.0 };
        let mut first: Vec<f64> =
            p.loss.nodes.iter().map(|(left, beyond)| p.ln_density(*left, *beyond)).collect();
        if first.iter().any(|ln| ln.is_nan() || *ln == f64::INFINITY) {
            return Err(Error::invalid("model of loss", "a density must be a number of 0 or more"));
        }
        let no_chance = || Error::invalid("model of loss", "it gives what remains of this piece no chance");
        p.ln_scale = first.iter().fold(f64::NEG_INFINITY, |a, b| a.max(*b));
        if p.ln_scale == f64::NEG_INFINITY {
            return Err(no_chance());
        }
        first.iter_mut().for_each(|ln| *ln = (*ln - p.ln_scale).exp());
        // the ends of a panel, the values at its nodes, its integral and how far the coarser rule is off
        let of =
            |[a, b]: [f64; 2], values: [f64; POINTS]| ([a, b], values, rule(0.5 * (b - a), |k| values[k]));
        let panels = first.chunks_exact(POINTS).enumerate();
        let panels = panels.map(|(i, values)| of([edge(i), edge(i + 1)], std::array::from_fn(|k| values[k])));
        let mut open: Vec<_> = panels.collect();
        open.reverse();
        let rough: f64 = open.iter().map(|(.., (mass, _))| mass).sum();
        while let Some(([a, b], values, (mass, error))) = open.pop() {
            if error > 1e-13 * rough && b - a > 1e-9 && p.panels.len() + open.len() < MOST_PANELS {
                let (middle, half) = (0.5 * (a + b), 0.25 * (b - a));
                for ends in [[middle, b], [a, middle]] {
                    let centre = 0.5 * (ends[0] + ends[1]);
                    open.push(of(ends, std::array::from_fn(|k| p.density(centre + half * node(k)))));
                }
            } else {
                let coefficients = (p.loss.to_legendre * SMatrix::from(values)).into();
                p.panels.push(Panel { from: a, to: b, mass, below: p.total, above: 0.0, coefficients });
                p.total += mass;
            }
        }
        let mut above = 0.0;
        for panel in p.panels.iter_mut().rev() {
            panel.above = above;
            above += panel.mass;
        }
        if !(p.total > 0.0 && p.total.is_finite()) {
            return Err(no_chance());
        }
        Ok(p)
    }

    /// Log density of t, by the share left there and what it has beyond that of the size.
    fn ln_density(&self, left: f64, beyond: f64) -> f64 {
        if beyond == f64::NEG_INFINITY {
            return beyond;
        }
        beyond + self.truncated.predictive.ln_pdf_by(&self.parts, self.truncated.at_least / left)
    }

    /// Density of t, on the scale of the integrals.
    fn density(&self, t: f64) -> f64 {
        let (left, beyond) = at(&*self.loss.loss, t);
        (self.ln_density(left, beyond) - self.ln_scale).exp()
    }

    /// The integral from a to b.
    fn integrate(&self, a: f64, b: f64) -> f64 {
        gauss_kronrod(a, b, |t| self.density(t)).0
    }

    /// Probabilities at most and above a size.
    pub(super) fn tails(&self, size: f64) -> (f64, f64) {
        let least = self.truncated.at_least;
        if size <= least {
            return (0.0, 1.0);
        }
        let y = ((size - least) / least).ln();
        let t = (y / PI).asinh().clamp(-T_END, T_END);
        let i = self.panels.partition_point(|p| p.to < t).min(self.panels.len() - 1);
        let panel = &self.panels[i];
        let below = panel.below + self.integrate(panel.from, t);
        let above = panel.above + self.integrate(t, panel.to);
        ((below / self.total).clamp(0.0, 1.0), (above / self.total).clamp(0.0, 1.0))
    }

    /// The shortest interval of this level, in the unit of the size: the least distance of two quantiles so far apart in
    /// probability, over a grid of lower tails and then by golden section, among quantiles that are rough at first.
    pub(super) fn shortest(&self, level: f64) -> (f64, f64) {
        let spare = 1.0 - level;
        let ends = |tail: f64, settled: f64| {
            // what remains is the end of the distribution, not a quantile that could be missed by a last place
            let low = if tail <= 0.0 { self.truncated.at_least } else { self.size_at(tail, settled) };
            let high = self.size_at((tail + level).min(1.0 - 1e-15), settled);
            (low, high)
        };
        let width = |tail: f64, settled: f64| {
            let (low, high) = ends(tail, settled);
            high - low
        };
        let at = |k: usize| spare * k as f64 / TAILS as f64;
        let best = (0..TAILS)
            .map(|k| (k, width(at(k), ROUGH)))
            .fold((0, f64::INFINITY), |best, next| if next.1 < best.1 { next } else { best });
        if best.0 == 0 {
            return ends(0.0, SETTLED);
        }
        let (mut from, mut to) = (at(best.0 - 1), at(best.0 + 1).min(spare * (1.0 - 1e-9)));
        let golden = 0.5 * (5f64.sqrt() - 1.0);
        let (mut a, mut b) = (to - golden * (to - from), from + golden * (to - from));
        let (mut at_a, mut at_b) = (width(a, CLOSE), width(b, CLOSE));
        for _ in 0..REFINED {
            if at_a < at_b {
                (to, b, at_b) = (b, a, at_a);
                a = to - golden * (to - from);
                at_a = width(a, CLOSE);
            } else {
                (from, a, at_a) = (a, b, at_b);
                b = from + golden * (to - from);
                at_b = width(b, CLOSE);
            }
        }
        ends(0.5 * (from + to), SETTLED)
    }

    pub(super) fn quantile(&self, p: f64) -> f64 {
        self.size_at(p, SETTLED)
    }

    /// The quantile, once a step of Newton is no longer than so much of t: what is left is about its square. It is found on the
    /// polynomials, and one that is [`SETTLED`] from there on the density.
    fn size_at(&self, p: f64, settled: f64) -> f64 {
        let target = p * self.total;
        let i = self.panels.partition_point(|q| q.below + q.mass < target).min(self.panels.len() - 1);
        let panel = &self.panels[i];
        let part = (target - panel.below) / panel.mass;
        let ends = (panel.from, panel.to);
        let start = panel.from + (panel.to - panel.from) * if part > 0.0 && part < 1.0 { part } else { 0.5 };
        let at_rest = |settled: f64| {
            move |before: f64, t: f64, width: f64| {
                (t - before).abs() <= settled * before.abs().max(0.1) || width < 1e-15
            }
        };
        let roughly = |t: f64| {
            let (below, density) = panel.roughly(t);
            (panel.below + below - target, density)
        };
        let mut t = newton_within(ends, start, roughly, at_rest(settled.max(CLOSE)));
        if settled < CLOSE {
            let exactly = |t: f64| (panel.below + self.integrate(panel.from, t) - target, self.density(t));
            t = newton_within(ends, t, exactly, at_rest(settled));
        }
        self.truncated.at_least * (1.0 + (PI * t.sinh()).exp())
    }
}

impl Panel {
    /// The integral from its lower end to t, and the density there, by the polynomials.
    fn roughly(&self, t: f64) -> (f64, f64) {
        let half = 0.5 * (self.to - self.from);
        let p = legendre((t - self.from) / half - 1.0);
        let (mut below, mut density) = (self.coefficients[0] * (p[1] + 1.0), self.coefficients[0]);
        for (j, c) in self.coefficients.iter().enumerate().skip(1) {
            below += c * (p[j + 1] - p[j - 1]) / (2 * j + 1) as f64;
            density += c * p[j];
        }
        (half * below, density)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::form::Transform;
    use crate::infer::BetaLoss;
    use crate::predict::{Component, Predictive};

    #[test]
    fn the_polynomials_of_a_panel_have_its_integral_and_its_density() {
        let component = Component { weight: 1.0, location: 2.6, scale: 0.8, degrees_of_freedom: 7.0 };
        let law = Predictive::new(Transform::Ln, vec![component]).unwrap();
        let ready = ReadyLoss::new(Arc::new(BetaLoss::usual()));
        let p = Posterior::new(Truncated::new(law, 9.0).unwrap(), ready).unwrap();
        let mut looked_at = 0;
        for panel in p.panels.iter().filter(|panel| panel.mass > 1e-6 * p.total) {
            for share in [0.2, 0.5, 0.9, 1.0] {
                let t = panel.from + share * (panel.to - panel.from);
                let (below, density) = panel.roughly(t);
                assert!((below - p.integrate(panel.from, t)).abs() < 1e-11 * p.total, "{t}: {below}");
                assert!((density - p.density(t)).abs() < 1e-9, "{t}: {density}");
                looked_at += 1;
            }
        }
        assert!(looked_at > 40, "{looked_at}");
    }
}
