//! What was selected of one component of a predictive: the law of its score given that the flake was kept.

use super::mixture::Component;
use crate::fit::kept::Two;
use crate::special::{normal_cdf, normal_sf};

/// The grid of Simpson's rule over a score.
const REACH: f64 = 8.0;
const STEP: f64 = 0.1;

/// A score beyond this on one side is as good as certain.
const CERTAIN: f64 = 8.5;

/// The scores of two sizes and their correlation.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Pair {
    correlation: f64,
    law: Two,
}

impl Pair {
    pub(super) fn new(correlation: f64) -> Pair {
        Pair { correlation, law: Two::new(correlation) }
    }

    pub(super) fn both_below(&self, h: f64, k: f64) -> f64 {
        match (h.min(k), h.max(k)) {
            // less than 1e-17 on either side
            (least, _) if least < -CERTAIN => 0.0,
            (least, most) if most > CERTAIN => normal_cdf(least),
            _ => self.law.both_above(-h, -k).clamp(0.0, 1.0),
        }
    }

    /// P(second < b | first = z).
    fn below_given(&self, b: f64, z: f64) -> f64 {
        let r = self.correlation;
        normal_cdf((b - r * z) / (1.0 - r * r).max(1e-12).sqrt())
    }
}

/// What was selected of one component.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Selected {
    /// Probability of being kept.
    pub(super) kept: f64,
    pub(super) lost: Lost,
}

/// Which flakes of a component were lost, by the score of one of their sizes.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Lost {
    /// Those where it is below its own threshold, and so is another size.
    Own(f64, Option<(f64, Box<Pair>)>),
    /// Those where another size is below.
    Other(f64, Box<Pair>),
    /// Those where two others are: P(score <= z, lost) and its slope on the grid.
    Two(Vec<(f64, f64)>),
}

impl Lost {
    pub(super) fn of(size: usize, least: &[(usize, f64)], correlation: &[Vec<f64>]) -> Lost {
        let r = |j: usize| correlation[size][j];
        let pair = |j: usize| Box::new(Pair::new(r(j)));
        match *least {
            [(i, a)] if i == size => Lost::Own(a, None),
            [(i, a)] => Lost::Other(a, pair(i)),
            [(i, a), (j, b), ..] if i == size => Lost::Own(a, Some((b, pair(j)))),
            [(i, a), (j, b), ..] if j == size => Lost::Own(b, Some((a, pair(i)))),
            [(i, a), (j, b), ..] => {
                let (p, q) = (r(i), r(j));
                let (sp, sq) = ((1.0 - p * p).sqrt(), (1.0 - q * q).sqrt());
                let partial = Pair::new((correlation[i][j] - p * q) / (sp * sq));
                let slope = |z: f64| {
                    let lost = partial.both_below((a - p * z) / sp, (b - q * z) / sq);
                    lost * (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt()
                };
                let steps = (2.0 * REACH / STEP).round() as usize;
                let mut sum = 0.0;
                let mut grid = vec![(0.0, slope(-REACH))];
                for k in 1..=steps {
                    let z = -REACH + STEP * k as f64;
                    let (before, middle, here) = (grid[k - 1].1, slope(z - 0.5 * STEP), slope(z));
                    sum += STEP / 6.0 * (before + 4.0 * middle + here);
                    grid.push((sum, here));
                }
                Lost::Two(grid)
            }
            [] => Lost::Own(f64::NEG_INFINITY, None),
        }
    }

    /// P(score <= z, lost).
    fn below(&self, z: f64) -> f64 {
        match self {
            Lost::Own(a, None) => normal_cdf(z.min(*a)),
            Lost::Own(a, Some((b, pair))) => pair.both_below(z.min(*a), *b),
            Lost::Other(a, pair) => pair.both_below(z, *a),
            Lost::Two(grid) => {
                let (i, t) = on(grid, z);
                let ((v0, d0), (v1, d1)) = (grid[i], grid[i + 1]);
                let (s, h) = (1.0 - t, STEP);
                s * s * (1.0 + 2.0 * t) * v0 + t * t * (3.0 - 2.0 * t) * v1 + h * t * s * (s * d0 - t * d1)
            }
        }
    }

    /// P(lost | score = z).
    fn given(&self, z: f64) -> f64 {
        match self {
            Lost::Own(a, _) if z >= *a => 0.0,
            Lost::Own(_, None) => 1.0,
            Lost::Own(_, Some((b, pair))) | Lost::Other(b, pair) => pair.below_given(*b, z),
            Lost::Two(grid) => {
                let (i, t) = on(grid, z);
                let density = |k: usize| grid[k].1 / normal_pdf(-REACH + STEP * k as f64);
                (1.0 - t) * density(i) + t * density(i + 1)
            }
        }
    }
}

/// The step of the grid in which a score lies, and how far into it.
fn on(grid: &[(f64, f64)], z: f64) -> (usize, f64) {
    let at = ((z + REACH) / STEP).clamp(0.0, (grid.len() - 1) as f64);
    let i = (at as usize).min(grid.len() - 2);
    (i, at - i as f64)
}

fn normal_pdf(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt()
}

impl Selected {
    pub(super) fn cdf(&self, c: &Component, v: f64) -> f64 {
        let z = c.normal_score(v);
        ((normal_cdf(z) - self.lost.below(z)) / self.kept).clamp(0.0, 1.0)
    }

    pub(super) fn sf(&self, c: &Component, v: f64) -> f64 {
        let z = c.normal_score(v);
        let lost_above = ((1.0 - self.kept) - self.lost.below(z)).max(0.0);
        ((normal_sf(z) - lost_above) / self.kept).clamp(0.0, 1.0)
    }

    /// What the density of the component is multiplied by.
    pub(super) fn factor(&self, c: &Component, v: f64) -> f64 {
        (1.0 - self.lost.given(c.normal_score(v))).max(0.0) / self.kept
    }
}
