//! The posterior of the share lost: the predictive by the platform times a model of loss, integrated numerically.

use super::{Loss, Truncated};
use crate::error::{Error, Result};
use crate::predict::Part;
use std::sync::Arc;

/// The posterior of the share lost under a model of loss, over t with logit(l) = pi sinh(t): the ends of a
/// density that runs off there are spread out (double exponential substitution, Takahasi & Mori 1974, from
/// memory). Panels are halved until 7 Gauss and 15 Kronrod points agree.
#[derive(Clone)]
pub(super) struct Posterior {
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
    pub(super) fn new(truncated: &Truncated, loss: Arc<dyn Loss>) -> Result<Posterior> {
        let parts = truncated.predictive().parts();
        let mut p = Posterior { loss, parts, ln_scale: 0.0, panels: Vec::new(), total: 0.0 };
        let edge = |i: usize| T_END * (2.0 * i as f64 / FIRST_PANELS as f64 - 1.0);
        let first: Vec<[f64; POINTS]> = (0..FIRST_PANELS)
            .map(|i| {
                let (centre, half) = (0.5 * (edge(i) + edge(i + 1)), 0.5 * (edge(i + 1) - edge(i)));
                std::array::from_fn(|k| p.ln_density(truncated, centre + half * node(k)))
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
                    let (mass, error) = p.integrate(truncated, a, b);
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
    fn ln_density(&self, truncated: &Truncated, t: f64) -> f64 {
        let y = std::f64::consts::PI * t.sinh();
        let (lost, left) = (1.0 / (1.0 + (-y).exp()), 1.0 / (1.0 + y.exp()));
        let h = self.loss.ln_density(lost, left);
        if h == f64::NEG_INFINITY {
            return h;
        }
        h + truncated.predictive().ln_pdf_by(&self.parts, truncated.at_least() / left)
            + lost.ln()
            + (std::f64::consts::PI * t.cosh()).ln()
    }

    /// The integral from a to b, and how far the coarser rule is off.
    fn integrate(&self, truncated: &Truncated, a: f64, b: f64) -> (f64, f64) {
        let (centre, half) = (0.5 * (a + b), 0.5 * (b - a));
        rule(half, |k| (self.ln_density(truncated, centre + half * node(k)) - self.ln_scale).exp())
    }

    /// Probabilities at most and above a size.
    pub(super) fn tails(&self, truncated: &Truncated, size: f64) -> (f64, f64) {
        if size <= truncated.at_least() {
            return (0.0, 1.0);
        }
        let y = ((size - truncated.at_least()) / truncated.at_least()).ln();
        let t = (y / std::f64::consts::PI).asinh().clamp(-T_END, T_END);
        let i = self.panels.partition_point(|p| p.to < t).min(self.panels.len() - 1);
        let panel = &self.panels[i];
        let below = panel.below + self.integrate(truncated, panel.from, t).0;
        let above = panel.above + self.integrate(truncated, t, panel.to).0;
        ((below / self.total).clamp(0.0, 1.0), (above / self.total).clamp(0.0, 1.0))
    }

    /// The shortest interval of this level, in the unit of the size: the least distance of two quantiles so far apart in
    /// probability, over a grid of lower tails and then by golden section, among quantiles that are rough at first.
    pub(super) fn shortest(&self, truncated: &Truncated, level: f64) -> (f64, f64) {
        let spare = 1.0 - level;
        let ends = |tail: f64, settled: f64| {
            // what remains is the end of the distribution, not a quantile that could be missed by a last place
            let low = if tail <= 0.0 { truncated.at_least() } else { self.size_at(truncated, tail, settled) };
            let high = self.size_at(truncated, (tail + level).min(1.0 - 1e-15), settled);
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

    pub(super) fn quantile(&self, truncated: &Truncated, p: f64) -> f64 {
        self.size_at(truncated, p, SETTLED)
    }

    /// The quantile, once a step of Newton is no longer than so much of t: what is left is about its square.
    fn size_at(&self, truncated: &Truncated, p: f64, settled: f64) -> f64 {
        let target = p * self.total;
        let i = self.panels.partition_point(|q| q.below + q.mass < target).min(self.panels.len() - 1);
        let panel = &self.panels[i];
        let (mut low, mut high) = (panel.from, panel.to);
        let part = (target - panel.below) / panel.mass;
        let mut t = low + (high - low) * if part > 0.0 && part < 1.0 { part } else { 0.5 };
        for _ in 0..100 {
            let excess = panel.below + self.integrate(truncated, panel.from, t).0 - target;
            if excess > 0.0 {
                high = t;
            } else {
                low = t;
            }
            let slope = (self.ln_density(truncated, t) - self.ln_scale).exp();
            let newton = t - excess / slope;
            let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
            let at_rest = (next - t).abs() <= settled * t.abs().max(0.1);
            t = next;
            if at_rest || high - low < 1e-15 {
                break;
            }
        }
        let odds = (std::f64::consts::PI * t.sinh()).exp();
        truncated.at_least() * (1.0 + odds)
    }
}

/// Points of the finer rule.
const POINTS: usize = 15;

/// The points of the rule in pairs from the ends to the middle.
fn node(k: usize) -> f64 {
    let x = KRONROD_NODES[k / 2];
    if k.is_multiple_of(2) { -x } else { x }
}

/// The integral over a panel of this half width from the values at its nodes, and how far the coarser rule is off.
fn rule(half: f64, at: impl Fn(usize) -> f64) -> (f64, f64) {
    let (mut fine, mut coarse) = (0.0, 0.0);
    for (i, w) in KRONROD_WEIGHTS.iter().enumerate() {
        let sum = if i == POINTS / 2 { at(POINTS - 1) } else { at(2 * i) + at(2 * i + 1) };
        fine += w * sum;
        if i % 2 == 1 {
            coarse += GAUSS_WEIGHTS[i / 2] * sum;
        }
    }
    (half * fine, half * (fine - coarse).abs())
}

/// Nodes of the 15-point Kronrod rule on [-1, 1], the non-negative ones; every second belongs to the
/// 7-point Gauss rule. Piessens, de Doncker-Kapenga, Ueberhuber & Kahaner 1983, QUADPACK, routine QK15
/// (from memory; the tests integrate powers with them).
const KRONROD_NODES: [f64; 8] = [
    0.991_455_371_120_812_6,
    0.949_107_912_342_758_5,
    0.864_864_423_359_769_1,
    0.741_531_185_599_394_4,
    0.586_087_235_467_691_1,
    0.405_845_151_377_397_2,
    0.207_784_955_007_898_47,
    0.0,
];
/// Weights of the Kronrod rule, same source.
const KRONROD_WEIGHTS: [f64; 8] = [
    0.022_935_322_010_529_224,
    0.063_092_092_629_978_56,
    0.104_790_010_322_250_18,
    0.140_653_259_715_525_92,
    0.169_004_726_639_267_9,
    0.190_350_578_064_785_4,
    0.204_432_940_075_298_9,
    0.209_482_141_084_727_82,
];
/// Weights of the Gauss rule, same source.
const GAUSS_WEIGHTS: [f64; 4] =
    [0.129_484_966_168_869_7, 0.279_705_391_489_276_64, 0.381_830_050_505_118_9, 0.417_959_183_673_469_4];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rules_integrate_powers_exactly() {
        for degree in (0..=22).step_by(2) {
            let exact = 2.0 / (f64::from(degree) + 1.0);
            let (mut fine, mut coarse) = (0.0, 0.0);
            for (i, (x, w)) in KRONROD_NODES.iter().zip(&KRONROD_WEIGHTS).enumerate() {
                let sum = if *x == 0.0 { x.powi(degree) } else { 2.0 * x.powi(degree) };
                fine += w * sum;
                if i % 2 == 1 {
                    coarse += GAUSS_WEIGHTS[i / 2] * sum;
                }
            }
            assert!((fine - exact).abs() < 1e-15, "degree {degree}: {fine} against {exact}");
            if degree <= 12 {
                assert!((coarse - exact).abs() < 1e-15, "degree {degree}: {coarse} against {exact}");
            }
        }
    }
}
