//! Effects that groups of rows share, and the joint scoring step of their covariances and of the log spread.
//!
//! Effect k of group g is b = Λu with ΛΛ' = Σ_k and u ~ N(0, I), so that nothing becomes singular where a variance
//! vanishes: columns ZΛ stand beside the fixed ones, with a penalty of 1. With Q the rows of the data in
//! [D^½X; Λ^½] = QR, A = D^½Z, B = Q'A and s = Z'(w r/σ²):
//!
//! ```text
//!   M = Z'PZ = A'A − B'B                     P = D − DXVX'D, the restricted likelihood's projection
//!   score of an element E of Σ:  ½ Σ_g (s_g'E s_g − tr M_gg E)
//!   information:  ½ Σ_gh tr(M_gh'E M_gh F);   with γ:  Z_γ' k diag(C (E⊗I) C'),  C = A − QB
//! ```
//!
//! For normal errors this is Fisher scoring of the restricted likelihood. A variance may come to rest at 0, where the
//! likelihood falls from there; a covariance of an intercept and slopes may not be singular.

use super::problem::{Factor, Freedom, Problem, SharedRows, State, failed};
use crate::error::Result;
use crate::fit::linear::dot;
use nalgebra::{DMatrix, DVector};
use std::borrow::Cow;

/// A variance this small, against that of the response, is put to 0. This crate's choice, no source.
const NO_VARIANCE: f64 = 1e-10;
/// How much a variance falls in one step where scoring asks for less than nothing. This crate's choice, no source.
const FALL: f64 = 0.125;
/// Halvings of a step of a covariance after which it counts as singular. This crate's choice, no source.
const HALVINGS: usize = 20;

/// A root of a covariance that may be singular: lower triangular Λ with ΛΛ' = Σ.
pub(super) fn root(sigma: &DMatrix<f64>) -> DMatrix<f64> {
    let r = sigma.nrows();
    let mut l = DMatrix::zeros(r, r);
    for j in 0..r {
        let rest = sigma[(j, j)] - (0..j).map(|k| l[(j, k)] * l[(j, k)]).sum::<f64>();
        l[(j, j)] = rest.max(0.0).sqrt();
        for i in j + 1..r {
            let along = sigma[(i, j)] - (0..j).map(|k| l[(i, k)] * l[(j, k)]).sum::<f64>();
            l[(i, j)] = if l[(j, j)] > 0.0 { along / l[(j, j)] } else { 0.0 };
        }
    }
    l
}

/// Elements of the lower triangle of a symmetric matrix of some order.
fn elements(order: usize) -> impl Iterator<Item = (usize, usize)> {
    (0..order).flat_map(|a| (0..=a).map(move |b| (a, b)))
}

/// What the joint step needs beside the residuals, at one factor.
pub(super) struct Joint {
    /// Information of γ and of the elements of every Σ.
    pub information: DMatrix<f64>,
    /// Σ_g M_gg of every effect.
    own: Vec<DMatrix<f64>>,
}

/// A step of γ and of every Σ.
pub(super) struct JointStep {
    pub gamma: DVector<f64>,
    between: Vec<DMatrix<f64>>,
    /// In standard errors.
    pub length: f64,
}

impl Problem {
    /// All columns: the fixed ones, and the shared effects' at these covariances.
    pub(super) fn columns(&self, between: &[DMatrix<f64>]) -> Cow<'_, DMatrix<f64>> {
        if self.shared.is_empty() {
            return Cow::Borrowed(&self.x);
        }
        let (n, p) = self.x.shape();
        let more: usize = self.shared.iter().map(SharedRows::columns).sum();
        let mut x = self.x.clone().resize_horizontally(p + more, 0.0);
        let mut from = p;
        for (s, sigma) in self.shared.iter().zip(between) {
            let (l, r) = (root(sigma), s.order());
            let weights = &s.weights * &l;
            for i in 0..n {
                for j in 0..r {
                    x[(i, from + s.of[i] * r + j)] = weights[(i, j)];
                }
            }
            from += s.columns();
        }
        Cow::Owned(x)
    }

    /// Covariances to start from: a part of the variance that the fixed terms leave.
    pub(super) fn first_between(&self, variance: f64) -> Vec<DMatrix<f64>> {
        let of = |s: &SharedRows| {
            let n = s.of.len() as f64;
            let diagonal = DVector::from_fn(s.order(), |j, _| {
                0.2 * variance / (s.weights.column(j).norm_squared() / n).max(f64::MIN_POSITIVE)
            });
            DMatrix::from_diagonal(&diagonal)
        };
        self.shared.iter().map(of).collect()
    }

    /// Coefficients of the shared effects among all.
    pub(super) fn shared_columns(&self) -> usize {
        self.shared.iter().map(SharedRows::columns).sum()
    }

    /// What the joint step needs, from the factor and the information of γ alone.
    pub(super) fn joint(
        &self,
        factor: &Factor,
        sigma: &DVector<f64>,
        free: &Freedom,
        of_gamma: &DMatrix<f64>,
    ) -> Joint {
        let (n, q) = self.z.shape();
        let p = factor.q.ncols();
        // A of every effect, of which a row has entries in its own group alone: a column for each weight
        let own_entries: Vec<DMatrix<f64>> = self
            .shared
            .iter()
            .map(|s| DMatrix::from_fn(n, s.order(), |i, j| free.root_a(i) / sigma[i] * s.weights[(i, j)]))
            .collect();
        // B of every effect: a column for every group and weight
        let b: Vec<DMatrix<f64>> = self
            .shared
            .iter()
            .zip(&own_entries)
            .map(|(s, a)| {
                let r = s.order();
                let mut b = DMatrix::zeros(p, s.columns());
                let to = b.as_mut_slice();
                for (c, q) in factor.q.as_slice().chunks_exact(n).enumerate() {
                    for (j, a) in a.as_slice().chunks_exact(n).enumerate() {
                        let rows = q.iter().zip(a).zip(&s.of);
                        rows.for_each(|((q, a), g)| to[(g * r + j) * p + c] += q * a);
                    }
                }
                b
            })
            .collect();
        let m = |k: usize, l: usize| {
            let (s, t) = (&self.shared[k], &self.shared[l]);
            let mut m = DMatrix::zeros(s.columns(), t.columns());
            let to = m.as_mut_slice();
            for (y, right) in b[l].as_slice().chunks_exact(p).enumerate() {
                for (x, left) in b[k].as_slice().chunks_exact(p).enumerate() {
                    to[y * s.columns() + x] = -dot(left, right);
                }
            }
            for (j, left) in own_entries[k].as_slice().chunks_exact(n).enumerate() {
                for (c, right) in own_entries[l].as_slice().chunks_exact(n).enumerate() {
                    for i in 0..n {
                        let (x, y) = (s.of[i] * s.order() + j, t.of[i] * t.order() + c);
                        to[y * s.columns() + x] += left[i] * right[i];
                    }
                }
            }
            m
        };
        let place: Vec<usize> = self
            .shared
            .iter()
            .scan(q, |at, s| {
                let here = *at;
                *at += s.order() * (s.order() + 1) / 2;
                Some(here)
            })
            .collect();
        let all = q + self.shared.iter().map(|s| s.order() * (s.order() + 1) / 2).sum::<usize>();
        let mut information = DMatrix::zeros(all, all);
        information.view_mut((0, 0), (q, q)).copy_from(of_gamma);
        let mut own = Vec::with_capacity(self.shared.len());
        for (k, s) in self.shared.iter().enumerate() {
            let r = s.order();
            for (l, t) in self.shared.iter().enumerate().take(k + 1) {
                let (m, c) = (m(k, l), t.order());
                if l == k {
                    let mut sum = DMatrix::zeros(r, r);
                    (0..s.groups).for_each(|g| sum += m.view((g * r, g * r), (r, r)));
                    own.push(sum);
                }
                // products of entries of M, summed over pairs of groups
                let mut products = vec![0.0; r * r * c * c];
                for g in 0..s.groups {
                    for h in 0..t.groups {
                        let block = m.view((g * r, h * c), (r, c));
                        for (at, sum) in products.iter_mut().enumerate() {
                            let (a, rest) = (at / (r * c * c), at % (r * c * c));
                            let (d, rest) = (rest / (r * c), rest % (r * c));
                            *sum += block[(a, d)] * block[(rest / c, rest % c)];
                        }
                    }
                }
                let product =
                    |a: usize, d: usize, b: usize, e: usize| products[a * r * c * c + d * r * c + b * c + e];
                for (x, (a, b)) in elements(r).enumerate() {
                    for (y, (d, e)) in elements(c).enumerate() {
                        // E = e_a e_b' (and its transpose), F likewise: tr(M'EMF) = M_ae M_bd
                        let mut sum = product(a, e, b, d);
                        if a != b {
                            sum += product(b, e, a, d);
                        }
                        if d != e {
                            sum += product(a, d, b, e);
                        }
                        if a != b && d != e {
                            sum += product(b, d, a, e);
                        }
                        let (x, y) = (place[k] + x, place[l] + y);
                        information[(x, y)] = 0.5 * sum;
                        information[(y, x)] = 0.5 * sum;
                    }
                }
            }
            // C, a column for each weight of one group at a time, and from it diag(C (E x I) C')
            let mut along = vec![vec![0.0; n]; r * (r + 1) / 2];
            let mut c = DMatrix::zeros(n, r);
            for g in 0..s.groups {
                let of_group = b[k].as_slice()[g * r * p..][..r * p].chunks_exact(p);
                let entries = own_entries[k].as_slice().chunks_exact(n);
                for (column, (b, a)) in c.as_mut_slice().chunks_exact_mut(n).zip(of_group.zip(entries)) {
                    let rows = column.iter_mut().zip(a).zip(&s.of);
                    rows.for_each(|((c, a), of)| *c = if *of == g { *a } else { 0.0 });
                    for (q, by) in factor.q.as_slice().chunks_exact(n).zip(b) {
                        column.iter_mut().zip(q).for_each(|(c, q)| *c -= by * q);
                    }
                }
                for (sum, (a, b)) in along.iter_mut().zip(elements(r)) {
                    let (left, right) = (&c.as_slice()[a * n..][..n], &c.as_slice()[b * n..][..n]);
                    sum.iter_mut().zip(left.iter().zip(right)).for_each(|(sum, (l, r))| *sum += l * r);
                }
            }
            for (x, ((a, b), along)) in elements(r).zip(&along).enumerate() {
                let times = if a == b { 1.0 } else { 2.0 };
                for (j, z) in self.z.as_slice().chunks_exact(n).enumerate() {
                    let sum: f64 = z.iter().zip(along).zip(&free.k).map(|((z, v), k)| z * v * k).sum();
                    information[(place[k] + x, j)] = times * sum;
                    information[(j, place[k] + x)] = times * sum;
                }
            }
        }
        Joint { information, own }
    }

    /// The scoring step of γ, whose score is given, and of every Σ, at these residuals.
    pub(super) fn joint_step(
        &self,
        joint: &Joint,
        of_gamma: &DVector<f64>,
        pull: &DVector<f64>,
        between: &[DMatrix<f64>],
    ) -> Result<JointStep> {
        let q = of_gamma.len();
        let all = joint.information.nrows();
        let mut score = of_gamma.clone().resize_vertically(all, 0.0);
        let mut active = vec![true; all];
        let mut at = q;
        for ((s, own), sigma) in self.shared.iter().zip(&joint.own).zip(between) {
            let r = s.order();
            let mut sums = DMatrix::<f64>::zeros(s.groups, r);
            for (i, g) in s.of.iter().enumerate() {
                for j in 0..r {
                    sums[(*g, j)] += s.weights[(i, j)] * pull[i];
                }
            }
            for (a, b) in elements(r) {
                let half = if a == b { 0.5 } else { 1.0 };
                score[at] = half * (sums.column(a).dot(&sums.column(b)) - own[(a, b)]);
                // a variance at its end stays there while the likelihood falls from it
                active[at] = !(r == 1 && sigma[(0, 0)] == 0.0 && score[at] <= 0.0);
                at += 1;
            }
        }
        let some: Vec<usize> = (0..all).filter(|i| active[*i]).collect();
        let scale: Vec<f64> = some.iter().map(|i| joint.information[(*i, *i)].sqrt()).collect();
        let unit = DMatrix::from_fn(some.len(), some.len(), |a, b| {
            joint.information[(some[a], some[b])] / (scale[a] * scale[b])
        });
        let side = DVector::from_fn(some.len(), |a, _| score[some[a]] / scale[a]);
        let solved = unit
            .cholesky()
            .ok_or_else(|| failed("the variances between groups and within them cannot be told apart"))?
            .solve(&side);
        let length = solved.dot(&side).max(0.0).sqrt();
        let mut step = DVector::zeros(all);
        some.iter().zip(scale.iter().zip(solved.iter())).for_each(|(i, (s, v))| step[*i] = v / s);
        let mut at = q;
        let steps = self.shared.iter().map(|s| {
            let mut m = DMatrix::zeros(s.order(), s.order());
            for (a, b) in elements(s.order()) {
                m[(a, b)] = step[at];
                m[(b, a)] = step[at];
                at += 1;
            }
            m
        });
        let between = steps.collect();
        Ok(JointStep { gamma: step.rows(0, q).into_owned(), between, length })
    }

    /// Moves the covariances by a share of a step, staying where they are covariances.
    pub(super) fn move_between(&self, state: &mut State, step: &JointStep, share: f64) -> Result<()> {
        let least = NO_VARIANCE * (2.0 * self.ln_size).exp();
        for (sigma, step) in state.between.iter_mut().zip(&step.between) {
            if sigma.nrows() == 1 {
                let (now, next) = (sigma[(0, 0)], sigma[(0, 0)] + share * step[(0, 0)]);
                sigma[(0, 0)] = match next > 0.0 {
                    true => next,
                    false if now > least => FALL * now,
                    false => 0.0,
                };
                continue;
            }
            let mut fraction = share;
            let mut halved = 0;
            while (&*sigma + step * fraction).cholesky().is_none() {
                fraction *= 0.5;
                halved += 1;
                if halved > HALVINGS {
                    return Err(failed(
                        "a slope does not differ between groups beyond what chance allows, or goes wholly with \
                         the intercept; let the intercept alone differ",
                    ));
                }
            }
            *sigma += step * fraction;
        }
        Ok(())
    }
}
