//! The criterion, minus twice the (restricted) log likelihood with the flake variance σ² profiled out, as a
//! function of the variance ratios γ₁ (groups) and γ₂ (outer groups), with its exact derivatives.
//!
//! V/σ² = I + γ₁Z₁Z₁' + γ₂Z₂Z₂'. All that depends on γ lives in the space of group means, where the
//! variance of the means of one outer group is diag(1/n + γ₁) + γ₂11', with the inverse
//! diag(d) − a dd', d = n/(1 + nγ₁), W = Σd, b = 1/(1 + γ₂W), a = γ₂b. Its symmetric root whitens the
//! means as √d (x̄ − c Σdx̄), c = a/(1 + √b). One QR of these rows below the within-group factor gives R with
//! R'R = X'V⁻¹X, the residual sum of squares, and by substitution every trace the derivatives need:
//!
//! * criterion: ln|V| + ln|X'V⁻¹X| + (n − p)(1 + ln(2π RSS/(n − p))), or without the second term and with
//!   n for n − p under full likelihood;
//! * gradient: tr(PZᵢZᵢ') − (n − p) y'PZᵢZᵢ'Py / RSS;
//! * Hessian: −tr(PGᵢPGⱼ) + (n − p)(2y'PGᵢPGⱼPy/RSS − sᵢsⱼ/RSS²), sᵢ = y'PGᵢPy.
//!
//! With one level the groups of one size share d, so their means are first reduced to a triangular factor:
//! an evaluation costs (distinct sizes) × terms³ at most, or groups × terms² where that is less.

use super::Likelihood;
use super::rows::{GroupedRows, fold, solve_transposed};
use std::collections::BTreeMap;
use std::f64::consts::PI;
use std::ops::Range;

/// A row of group means: its group's size, how many groups it stands for in the sums over groups.
#[derive(Debug, Clone, Copy)]
struct Standing {
    size: f64,
    groups: f64,
}

/// The reduced data of one fit.
#[derive(Debug, Clone)]
pub(super) struct Problem {
    q: usize,
    n: f64,
    levels: usize,
    likelihood: Likelihood,
    within: Vec<f64>,
    standings: Vec<Standing>,
    /// Row by row, terms then response.
    rows: Vec<f64>,
    /// The rows of each outer group; one block of all rows where there is one level.
    blocks: Vec<Range<usize>>,
}

/// The value alone: what a search compares.
#[derive(Debug, Clone)]
pub(super) struct Value {
    pub(super) criterion: f64,
    /// Upper triangle of order terms + 1, column by column: R, then R β and the root of RSS.
    pub(super) factor: Vec<f64>,
}

/// The derivatives at one point.
#[derive(Debug, Clone)]
pub(super) struct Slopes {
    pub(super) gradient: [f64; 2],
    pub(super) hessian: [[f64; 2]; 2],
    /// tr(PGᵢPGⱼ) in units of σ = 1, restricted whatever the criterion.
    pub(super) information: [[f64; 2]; 2],
    /// tr(PGᵢ), likewise.
    pub(super) traces: [f64; 2],
    /// R⁻ᵀ X'V⁻¹GᵢV⁻¹X R⁻¹, bordered by the response: order terms + 1, column by column.
    pub(super) spread: [Vec<f64>; 2],
}

impl Problem {
    /// `outer_of` gives the outer group of each group where there are two levels.
    pub(super) fn new(rows: &GroupedRows, outer_of: Option<&[usize]>, likelihood: Likelihood) -> Self {
        let q = rows.terms().len() + 1;
        let mut problem = Problem {
            q,
            n: rows.rows() as f64,
            levels: 1 + usize::from(outer_of.is_some()),
            likelihood,
            within: rows.within().to_vec(),
            standings: Vec::new(),
            rows: Vec::new(),
            blocks: Vec::new(),
        };
        let seen = (0..rows.groups()).filter(|g| rows.group_size(*g).is_some_and(|n| n > 0));
        match outer_of {
            None => {
                let mut by_size: BTreeMap<u64, Vec<usize>> = BTreeMap::new();
                for g in seen {
                    by_size.entry(rows.group_size(g).unwrap_or(0)).or_default().push(g);
                }
                for (size, members) in &by_size {
                    problem.add_size(rows, *size as f64, members);
                }
                problem.blocks.push(0..problem.standings.len());
            }
            Some(outer_of) => {
                let mut by_outer: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
                for g in seen {
                    by_outer.entry(outer_of[g]).or_default().push(g);
                }
                for members in by_outer.values() {
                    let start = problem.standings.len();
                    for &g in members {
                        let size = rows.group_size(g).unwrap_or(0) as f64;
                        problem.standings.push(Standing { size, groups: 1.0 });
                        problem.rows.extend_from_slice(rows.mean(g));
                    }
                    problem.blocks.push(start..problem.standings.len());
                }
            }
        }
        problem
    }

    /// The mean rows of all groups of one size, reduced to a triangle where that is smaller.
    fn add_size(&mut self, rows: &GroupedRows, size: f64, members: &[usize]) {
        let (q, m) = (self.q, members.len());
        if m <= q {
            for &g in members {
                self.standings.push(Standing { size, groups: 1.0 });
                self.rows.extend_from_slice(rows.mean(g));
            }
            return;
        }
        let mut block = vec![0.0; m * q];
        for (i, &g) in members.iter().enumerate() {
            for (j, v) in rows.mean(g).iter().enumerate() {
                block[j * m + i] = *v;
            }
        }
        let mut triangle = vec![0.0; q * q];
        fold(&mut triangle, q, &mut block, m);
        for i in 0..q {
            // The first row stands for all groups of this size, the others for none.
            self.standings.push(Standing { size, groups: if i == 0 { m as f64 } else { 0.0 } });
            self.rows.extend((0..q).map(|j| triangle[j * q + i]));
        }
    }

    pub(super) fn levels(&self) -> usize {
        self.levels
    }

    /// Rows less terms, or rows under full likelihood: what RSS is divided by.
    pub(super) fn divisor(&self) -> f64 {
        match self.likelihood {
            Likelihood::Restricted => self.n - (self.q as f64 - 1.0),
            Likelihood::Full => self.n,
        }
    }

    /// (a, b, W) of one block.
    fn block(&self, range: &Range<usize>, ratios: [f64; 2]) -> (f64, f64, f64) {
        if self.levels == 1 {
            return (0.0, 1.0, 0.0);
        }
        let w: f64 = self.standings[range.clone()].iter().map(|s| s.groups * s.weight(ratios[0])).sum();
        let b = 1.0 / (1.0 + ratios[1] * w);
        (ratios[1] * b, b, w)
    }

    /// Criterion and factor at these ratios.
    pub(super) fn value(&self, ratios: [f64; 2]) -> Value {
        let (q, m) = (self.q, self.standings.len());
        let mut block = vec![0.0; m * q];
        let mut log_det = 0.0;
        let mut sum = vec![0.0; q];
        for range in &self.blocks {
            let (a, b, w) = self.block(range, ratios);
            let c = a / (1.0 + b.sqrt());
            log_det += (ratios[1] * w).ln_1p();
            self.weighted_sum(range, ratios[0], &mut sum);
            for i in range.clone() {
                let s = self.standings[i];
                log_det += s.groups * (s.size * ratios[0]).ln_1p();
                let root = s.weight(ratios[0]).sqrt();
                for j in 0..q {
                    block[j * m + i] = root * (self.rows[i * q + j] - c * sum[j]);
                }
            }
        }
        let mut factor = self.within.clone();
        fold(&mut factor, q, &mut block, m);
        let p = q - 1;
        let rss = factor[p * q + p] * factor[p * q + p];
        let divisor = self.divisor();
        let mut criterion = log_det + divisor * (1.0 + (2.0 * PI * (rss / divisor)).ln());
        if self.likelihood == Likelihood::Restricted {
            criterion += 2.0 * (0..p).map(|j| factor[j * q + j].abs().ln()).sum::<f64>();
        }
        Value { criterion, factor }
    }

    fn weighted_sum(&self, range: &Range<usize>, ratio: f64, sum: &mut [f64]) {
        sum.fill(0.0);
        if self.levels == 1 {
            return;
        }
        for i in range.clone() {
            let d = self.standings[i].weight(ratio);
            for (s, x) in sum.iter_mut().zip(&self.rows[i * self.q..]) {
                *s += d * x;
            }
        }
    }

    /// Derivatives at these ratios, given the value there.
    pub(super) fn slopes(&self, ratios: [f64; 2], value: &Value) -> Slopes {
        let q = self.q;
        let p = q - 1;
        let mut spread = [vec![0.0; q * q], vec![0.0; q * q]];
        // By column of (terms, response): diagonals of E'(V⁻¹)E and its kin, see the head of this file.
        let mut inner = [vec![0.0; q], vec![0.0; q], vec![0.0; q]];
        let (mut trace, mut square) = ([0.0; 2], [0.0; 3]);
        let mut sum = vec![0.0; q];
        let (mut e, mut total, mut weighted) = (vec![0.0; q], vec![0.0; q], vec![0.0; q]);
        for range in &self.blocks {
            let (a, b, w) = self.block(range, ratios);
            self.weighted_sum(range, ratios[0], &mut sum);
            total.fill(0.0);
            weighted.fill(0.0);
            let (mut d2, mut d3) = (0.0, 0.0);
            for i in range.clone() {
                let s = self.standings[i];
                let d = s.weight(ratios[0]);
                for j in 0..q {
                    e[j] = d * (self.rows[i * q + j] - a * sum[j]);
                }
                solve_transposed(&value.factor, q, &mut e);
                add_outer(&mut spread[0], &e);
                for j in 0..q {
                    total[j] += e[j];
                    weighted[j] += d * e[j];
                    inner[0][j] += d * e[j] * e[j];
                }
                trace[0] += s.groups * d;
                d2 += s.groups * d * d;
                d3 += s.groups * d * d * d;
            }
            trace[0] -= a * d2;
            square[0] += d2 - 2.0 * a * d3 + a * a * d2 * d2;
            if self.levels == 2 {
                add_outer(&mut spread[1], &total);
                trace[1] += b * w;
                square[1] += b * b * d2;
                square[2] += b * w * b * w;
                for j in 0..q {
                    inner[0][j] -= a * weighted[j] * weighted[j];
                    inner[1][j] += b * weighted[j] * total[j];
                    inner[2][j] += b * w * total[j] * total[j];
                }
            }
        }
        let cross =
            |i: usize, j: usize| -> f64 { (0..p).map(|k| spread[i][p * q + k] * spread[j][p * q + k]).sum() };
        let product = |i: usize, j: usize| -> f64 {
            (0..p)
                .flat_map(|k| (0..p).map(move |l| (k, l)))
                .map(|(k, l)| spread[i][k * q + l] * spread[j][k * q + l])
                .sum()
        };
        let divisor = self.divisor();
        let mut gradient = [0.0; 2];
        let mut traces = [0.0; 2];
        for i in 0..self.levels {
            traces[i] = trace[i] - (0..p).map(|k| spread[i][k * q + k]).sum::<f64>();
            let own = if self.likelihood == Likelihood::Restricted { traces[i] } else { trace[i] };
            gradient[i] = own - divisor * spread[i][p * q + p];
        }
        let (mut information, mut hessian) = ([[0.0; 2]; 2], [[0.0; 2]; 2]);
        for i in 0..self.levels {
            for j in 0..self.levels {
                let n_trace: f64 = inner[i + j][..p].iter().sum();
                information[i][j] = square[i + j] - 2.0 * n_trace + product(i, j);
                let first =
                    if self.likelihood == Likelihood::Restricted { information[i][j] } else { square[i + j] };
                let quadratic = inner[i + j][p] - cross(i, j);
                hessian[i][j] =
                    -first + divisor * (2.0 * quadratic - spread[i][p * q + p] * spread[j][p * q + p]);
            }
        }
        Slopes { gradient, hessian, information, traces, spread }
    }
}

impl Standing {
    fn weight(&self, ratio: f64) -> f64 {
        self.size / (1.0 + self.size * ratio)
    }
}

fn add_outer(sum: &mut [f64], e: &[f64]) {
    let q = e.len();
    for (j, column) in sum.chunks_exact_mut(q).enumerate() {
        for (s, v) in column.iter_mut().zip(e) {
            *s += v * e[j];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::Design;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    fn invented(nested: bool, likelihood: Likelihood) -> Problem {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let mut rows = Vec::new();
        let (mut y, mut of) = (Vec::new(), Vec::new());
        for g in 0..14usize {
            let u: f64 = rng.random_range(-1.0..1.0) + (g / 3) as f64 * 0.3;
            for _ in 0..2 + g % 4 {
                let x = [1.0, rng.random_range(-1.0..1.0), (g % 5) as f64];
                y.push(x[1] + u + rng.random_range(-1.0..1.0));
                rows.push(x);
                of.push(g);
            }
        }
        let names = ["intercept", "a", "b"].map(String::from).to_vec();
        let design = Design::from_rows(names.clone(), &rows).unwrap();
        let mut sums = GroupedRows::new(names, 14);
        sums.observe(&design, &y, &of).unwrap();
        let outer: Vec<usize> = (0..14).map(|g| g / 3).collect();
        Problem::new(&sums, nested.then_some(&outer[..]), likelihood)
    }

    #[test]
    fn derivatives_agree_with_differences() {
        for (nested, likelihood) in [
            (false, Likelihood::Restricted),
            (false, Likelihood::Full),
            (true, Likelihood::Restricted),
            (true, Likelihood::Full),
        ] {
            let problem = invented(nested, likelihood);
            for at in [[0.4, 0.3], [1.7, 0.05], [0.05, 2.0]] {
                let at = if nested { at } else { [at[0], 0.0] };
                let slopes = problem.slopes(at, &problem.value(at));
                for i in 0..problem.levels() {
                    let h = 1e-4 * at[i];
                    let moved = |s: f64| {
                        let mut to = at;
                        to[i] += s * h;
                        let value = problem.value(to);
                        (value.criterion, problem.slopes(to, &value).gradient)
                    };
                    let (up, down) = (moved(1.0), moved(-1.0));
                    approx::assert_relative_eq!(
                        slopes.gradient[i],
                        (up.0 - down.0) / (2.0 * h),
                        max_relative = 1e-6,
                        epsilon = 1e-6
                    );
                    for j in 0..problem.levels() {
                        approx::assert_relative_eq!(
                            slopes.hessian[i][j],
                            (up.1[j] - down.1[j]) / (2.0 * h),
                            max_relative = 1e-6,
                            epsilon = 1e-6
                        );
                    }
                }
            }
        }
    }
}
