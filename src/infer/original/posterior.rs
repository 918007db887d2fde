//! The posterior of the share lost: the predictive by the platform times a model of loss, integrated numerically.

use super::{Loss, Truncated};
use crate::error::{Error, Result};
use crate::predict::Part;
use crate::special::kronrod::{POINTS, gauss_kronrod, node, rule};
use crate::special::newton_within;
use std::sync::Arc;

/// The posterior of the share lost under a model of loss, over t with logit(l) = pi sinh(t): the ends of a
/// density that runs off there are spread out (double exponential substitution, Takahasi & Mori 1974, from
/// memory). Panels are halved until 7 Gauss and 15 Kronrod points agree.
#[derive(Clone)]
pub(super) struct Posterior {
    pub(super) truncated: Truncated,
    loss: Arc<dyn Loss>,
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
}

impl std::fmt::Debug for Posterior {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Posterior").field("panels", &self.panels.len()).finish_non_exhaustive()
    }
}

/// Where t ends: beyond, either share is below 1e-300.
const T_END: f64 = 6.07;
/// Panels to begin with, and at most. Own choices.
const FIRST_PANELS: usize = 48;
const MOST_PANELS: usize = 4000;
/// Lower tails tried for the shortest interval, and steps that refine the best of them: its width is then within a
/// millionth of the least, since a width hardly changes near its least. Own choices.
const TAILS: usize = 24;
const REFINED: usize = 16;
/// Last steps of a quantile: of one on the grid, of one that is compared with its neighbours, and of an answer. This
/// crate's choice, no source.
const ROUGH: f64 = 1e-2;
const CLOSE: f64 = 1e-5;
const SETTLED: f64 = 1e-15;

impl Posterior {
    pub(super) fn new(truncated: Truncated, loss: Arc<dyn Loss>) -> Result<Posterior> {
        let parts = truncated.predictive().parts();
        let mut p = Posterior { truncated, loss, parts, ln_scale: 0.0, panels: Vec::new(), total: 0.0 };
        let edge = |i: usize| T_END * (2.0 * i as f64 / FIRST_PANELS as f64 - 1.0);
        let first: Vec<[f64; POINTS]> = (0..FIRST_PANELS)
            .map(|i| {
                let (centre, half) = (0.5 * (edge(i) + edge(i + 1)), 0.5 * (edge(i + 1) - edge(i)));
                std::array::from_fn(|k| p.ln_density(centre + half * node(k)))
            })
            .collect();
        if first.iter().flatten().any(|ln| ln.is_nan() || *ln == f64::INFINITY) {
            return Err(Error::invalid("model of loss", "a density must be a number of 0 or more"));
        }
        let largest = first.iter().flatten().fold(f64::NEG_INFINITY, |a, b| a.max(*b));
        if largest == f64::NEG_INFINITY {
            return Err(Error::invalid("model of loss", "it gives what remains of this piece no chance"));
        }
        p.ln_scale = largest;
        // the ends of a panel, its integral and how far the coarser rule is off
        let mut open: Vec<[f64; 4]> = (0..FIRST_PANELS)
            .rev()
            .map(|i| {
                let half = 0.5 * (edge(i + 1) - edge(i));
                let (mass, error) = rule(half, |k| (first[i][k] - largest).exp());
                [edge(i), edge(i + 1), mass, error]
            })
            .collect();
        let rough: f64 = open.iter().map(|[_, _, mass, _]| mass).sum();
        while let Some([a, b, mass, error]) = open.pop() {
            if error > 1e-13 * rough && b - a > 1e-9 && p.panels.len() + open.len() < MOST_PANELS {
                let middle = 0.5 * (a + b);
                for (a, b) in [(middle, b), (a, middle)] {
                    let (mass, error) = p.integrate(a, b);
                    open.push([a, b, mass, error]);
                }
            } else {
                p.panels.push(Panel { from: a, to: b, mass, below: p.total, above: 0.0 });
                p.total += mass;
            }
        }
        let mut above = 0.0;
        for panel in p.panels.iter_mut().rev() {
            panel.above = above;
            above += panel.mass;
        }
        if !(p.total > 0.0 && p.total.is_finite()) {
            return Err(Error::invalid("model of loss", "it gives what remains of this piece no chance"));
        }
        Ok(p)
    }

    /// Log density of t.
    fn ln_density(&self, t: f64) -> f64 {
        let y = std::f64::consts::PI * t.sinh();
        let (lost, left) = (1.0 / (1.0 + (-y).exp()), 1.0 / (1.0 + y.exp()));
        let h = self.loss.ln_density(lost, left);
        if h == f64::NEG_INFINITY {
            return h;
        }
        h + self.truncated.predictive().ln_pdf_by(&self.parts, self.truncated.at_least() / left)
            + lost.ln()
            + (std::f64::consts::PI * t.cosh()).ln()
    }

    /// The integral from a to b, and how far the coarser rule is off.
    fn integrate(&self, a: f64, b: f64) -> (f64, f64) {
        gauss_kronrod(a, b, |t| (self.ln_density(t) - self.ln_scale).exp())
    }

    /// Probabilities at most and above a size.
    pub(super) fn tails(&self, size: f64) -> (f64, f64) {
        let least = self.truncated.at_least();
        if size <= least {
            return (0.0, 1.0);
        }
        let y = ((size - least) / least).ln();
        let t = (y / std::f64::consts::PI).asinh().clamp(-T_END, T_END);
        let i = self.panels.partition_point(|p| p.to < t).min(self.panels.len() - 1);
        let panel = &self.panels[i];
        let below = panel.below + self.integrate(panel.from, t).0;
        let above = panel.above + self.integrate(t, panel.to).0;
        ((below / self.total).clamp(0.0, 1.0), (above / self.total).clamp(0.0, 1.0))
    }

    /// The shortest interval of this level, in the unit of the size: the least distance of two quantiles so far apart in
    /// probability, over a grid of lower tails and then by golden section, among quantiles that are rough at first.
    pub(super) fn shortest(&self, level: f64) -> (f64, f64) {
        let spare = 1.0 - level;
        let ends = |tail: f64, settled: f64| {
            // what remains is the end of the distribution, not a quantile that could be missed by a last place
            let low = if tail <= 0.0 { self.truncated.at_least() } else { self.size_at(tail, settled) };
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

    /// The quantile, once a step of Newton is no longer than so much of t: what is left is about its square.
    fn size_at(&self, p: f64, settled: f64) -> f64 {
        let target = p * self.total;
        let i = self.panels.partition_point(|q| q.below + q.mass < target).min(self.panels.len() - 1);
        let panel = &self.panels[i];
        let (low, high) = (panel.from, panel.to);
        let part = (target - panel.below) / panel.mass;
        let start = low + (high - low) * if part > 0.0 && part < 1.0 { part } else { 0.5 };
        let excess_and_slope = |t: f64| {
            let excess = panel.below + self.integrate(panel.from, t).0 - target;
            (excess, (self.ln_density(t) - self.ln_scale).exp())
        };
        let at_rest = |before: f64, t: f64, width: f64| {
            (t - before).abs() <= settled * before.abs().max(0.1) || width < 1e-15
        };
        let t = newton_within((low, high), start, excess_and_slope, at_rest);
        let odds = (std::f64::consts::PI * t.sinh()).exp();
        self.truncated.at_least() * (1.0 + odds)
    }
}
