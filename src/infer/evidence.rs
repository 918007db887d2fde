//! The probability of a group of flakes under one hypothesis, integrated over what the flakes share.
//!
//! ```text
//! p(group) = integral N(v; 0, C) prod_i p_i(v) dv
//! p_i(v)   = sum_s w_is t(y_i; m_is + u, S_is, d_is) softmax(a_is + t)[end_i]
//! ```
//!
//! with v = (u, t): a shift of every size (transformed scale) and of the log odds of every termination; C holds what is
//! uncertain about the coefficients at the middle of the group and how far the site may be from the experiment; s runs over the settings of the blow that are not known; S has the
//! residual correlation R of the sizes, S_jk = s_j s_k R_jk, and one number of degrees of freedom for all sizes
//! of a piece, the harmonic mean of theirs (a multivariate t: a flake that is odd in one size is odd in all).
//!
//! The integral is by importance sampling about its mode: v = L x with C = L L', damped Newton in x with exact
//! first and second derivatives, then draws x = mode + A^(-T) z with A A' the curvature there and z standard
//! normal in pairs of opposite sign. Where the integrand is exactly normal all weights are equal and the
//! answer is exact.

use crate::special::{chi_squared_sf, ln_sum, normal_quantile_upper, student_sf};
use crate::vector::{self, Kernel};
use nalgebra::{Cholesky, DMatrix, DMatrixView, DVector, Dyn};
use statrs::function::gamma::ln_gamma;

/// One way in which a flake may have come about.
#[derive(Debug, Clone)]
pub(super) struct Piece {
    /// ln of its weight.
    pub ln_weight: f64,
    /// Expected transformed sizes, for the sizes observed.
    pub location: Vec<f64>,
    /// Their scales.
    pub scale: Vec<f64>,
    /// Degrees of freedom of all of them.
    pub degrees_of_freedom: f64,
    /// Log odds of the terminations against the first; empty where terminations are left out.
    pub ends: Vec<f64>,
    /// Which termination this piece has: none stands for the first.
    pub ended: Option<usize>,
}

/// One flake.
#[derive(Debug, Clone, Default)]
pub(super) struct Seen {
    /// Observed sizes, as places among the sizes of the group.
    pub sizes: Vec<usize>,
    /// Their transformed values.
    pub values: Vec<f64>,
    /// What turns a density on the transformed scale into one of the sizes themselves.
    pub ln_jacobian: f64,
    pub pieces: Vec<Piece>,
}

/// A group of flakes under one hypothesis.
#[derive(Debug)]
pub(super) struct Group {
    /// Of all sizes of the group.
    correlation: DMatrix<f64>,
    /// Log odds of terminations: what is shared begins with the sizes and these.
    ends: usize,
    /// Lower factor of the covariance of what is shared.
    shared: DMatrix<f64>,
    flakes: Vec<Ready>,
}

/// A flake with its correlations factored and its constants summed.
#[derive(Debug)]
struct Ready {
    seen: Seen,
    /// Inverse of the lower factor of the correlation of the observed sizes.
    inverse: DMatrix<f64>,
    /// For each piece the terms that do not depend on what is shared.
    constant: Vec<f64>,
}

/// The answer: ln p(group), and the ln weights of the draws behind it (their mean weight is p).
#[derive(Debug, Clone)]
pub(super) struct Evidence {
    pub ln: f64,
    pub ln_weights: Vec<f64>,
}

/// How a group agrees with a hypothesis: its flakes with each other, and together with what is expected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Agreement {
    /// How many times as widely spread as expected they are about their own middle.
    pub times: f64,
    /// Probability of being spread so widely or more.
    pub among: f64,
    /// Probability of a middle so far or farther from what is expected, shifts of the site included.
    pub with: f64,
}

/// Degrees of freedom beyond which a t is a normal to the last digit that matters here. This crate's choice, no source.
const AS_GOOD_AS_NORMAL: f64 = 1e9;
/// Newton steps allowed; the integral is right wherever they stop, only less sharp. This crate's choice, no source.
const STEPS: usize = 60;

/// ln mean exp of ln weights.
fn ln_mean(ln_weights: &[f64]) -> f64 {
    let mut sum = [0.0];
    add_ln_sum(1.0, ln_weights, &mut sum);
    sum[0] - (ln_weights.len() as f64).ln()
}

/// out += by v.
#[inline(always)]
fn add(by: f64, v: &[f64], out: &mut [f64]) {
    for (o, v) in out.iter_mut().zip(v) {
        *o += by * v;
    }
}

/// out += by ln sum exp of terms, which stand one behind the other, each as long as `out`.
#[inline(always)]
fn add_ln_sum(by: f64, terms: &[f64], out: &mut [f64]) {
    let n = out.len();
    if terms.len() == n {
        return add(by, terms, out);
    }
    let (mut top, mut sum) = (vec![f64::MIN; n], vec![0.0; n]);
    for term in terms.chunks_exact(n) {
        for (m, t) in top.iter_mut().zip(term) {
            *m = m.max(*t);
        }
    }
    for term in terms.chunks_exact(n) {
        for ((s, m), t) in sum.iter_mut().zip(&top).zip(term) {
            *s += vector::exp(t - m);
        }
    }
    for ((o, m), s) in out.iter_mut().zip(&top).zip(&sum) {
        *o += by * if *s == 0.0 { f64::NEG_INFINITY } else { m + vector::ln(*s) };
    }
}

impl Group {
    /// `correlation` is of all sizes of the group; `shared` the covariance of sizes and of log odds of
    /// terminations (`ends` of them), in this order. None where either is not positive definite.
    pub fn new(
        correlation: DMatrix<f64>,
        ends: usize,
        shared: DMatrix<f64>,
        flakes: Vec<Seen>,
    ) -> Option<Group> {
        let shared = Cholesky::new(shared)?.unpack();
        let mut ready = Vec::with_capacity(flakes.len());
        for seen in flakes {
            let k = seen.sizes.len();
            let own = DMatrix::from_fn(k, k, |a, b| correlation[(seen.sizes[a], seen.sizes[b])]);
            let inverse = Cholesky::new(own)?.l_dirty().solve_lower_triangular(&DMatrix::identity(k, k))?;
            let ln_det: f64 = (0..k).map(|a| -inverse[(a, a)].ln()).sum();
            let constant = seen.pieces.iter().map(|p| seen.ln_jacobian - ln_det + constant(p)).collect();
            ready.push(Ready { seen, inverse, constant });
        }
        Some(Group { correlation, ends, shared, flakes: ready })
    }

    /// Entries of what is shared.
    pub fn dimension(&self) -> usize {
        self.shared.nrows()
    }

    /// How the group agrees with the hypothesis in the sizes that all its flakes have. Each size becomes a normal score under
    /// the mixture of the ways in which the flake may have come about, taken as one t of their mean and variance; then
    ///
    /// ```text
    ///   among   sum_i (z_i - z)' R^-1 (z_i - z)  ~  chi squared, (n - 1) k     with   z' (R / n + D C D)^-1 z  ~  chi squared, k
    /// ```
    ///
    /// with k sizes, z their mean over n flakes, D one over the middling scales and C what the flakes share.
    pub fn agreement(&self) -> Agreement {
        let open = Agreement { times: 1.0, among: 1.0, with: 1.0 };
        let all = |j: &usize| self.flakes.iter().all(|f| f.seen.sizes.contains(j));
        let sizes: Vec<usize> = (0..self.correlation.nrows()).filter(all).collect();
        let (n, k) = (self.flakes.len(), sizes.len());
        if n == 0 || k == 0 {
            return open;
        }
        let mut scores = DMatrix::zeros(n, k);
        let mut scale = vec![0.0; k];
        for (i, f) in self.flakes.iter().enumerate() {
            for (c, j) in sizes.iter().enumerate() {
                let at = f.seen.sizes.iter().position(|s| s == j).unwrap_or(0);
                let total: f64 = f.seen.pieces.iter().map(|p| p.ln_weight.exp()).sum();
                let mean = |of: &dyn Fn(&Piece) -> f64| -> f64 {
                    f.seen.pieces.iter().map(|p| p.ln_weight.exp() / total * of(p)).sum()
                };
                let middle = mean(&|p| p.location[at]);
                let square = mean(&|p| p.scale[at].powi(2) + (p.location[at] - middle).powi(2));
                let df = 1.0 / mean(&|p| 1.0 / p.degrees_of_freedom);
                let t = (f.seen.values[at] - middle) / square.sqrt();
                let tail = student_sf(t.abs(), df).max(f64::MIN_POSITIVE);
                scores[(i, c)] = normal_quantile_upper(tail).max(0.0).copysign(t);
                scale[c] += square.sqrt() / n as f64;
            }
        }
        let r = DMatrix::from_fn(k, k, |a, b| self.correlation[(sizes[a], sizes[b])]);
        let c = &self.shared * self.shared.transpose();
        let together = DMatrix::from_fn(k, k, |a, b| {
            r[(a, b)] / n as f64 + c[(sizes[a], sizes[b])] / (scale[a] * scale[b])
        });
        let (Some(r), Some(together)) = (Cholesky::new(r), Cholesky::new(together)) else { return open };
        let mean = DVector::from_fn(k, |c, _| scores.column(c).mean());
        let length = |by: &Cholesky<f64, Dyn>, z: &DVector<f64>| {
            by.l().solve_lower_triangular(z).map_or(f64::NAN, |w| w.norm_squared())
        };
        let among: f64 = (0..n).map(|i| length(&r, &(scores.row(i).transpose() - &mean))).sum();
        let freedom = ((n - 1) * k) as f64;
        if !among.is_finite() {
            return open;
        }
        Agreement {
            times: if n > 1 { (among / freedom).sqrt() } else { 1.0 },
            among: if n > 1 { chi_squared_sf(among, freedom) } else { 1.0 },
            with: chi_squared_sf(length(&together, &mean), k as f64),
        }
    }

    /// ln p(group), from standard normal numbers, [`Group::dimension`] columns of them at least.
    pub fn evidence(&self, normals: &DMatrix<f64>) -> Evidence {
        let (mode, curvature) = self.mode(DVector::zeros(self.dimension()));
        let ln_weights = self.ln_weights(&mode, &curvature, normals.as_view());
        Evidence { ln: ln_mean(&ln_weights), ln_weights }
    }

    /// ln of the weights of draws x = mode + A^(-T) z and of as many x = mode - A^(-T) z, with A the lower factor `curvature`.
    fn ln_weights(
        &self,
        mode: &DVector<f64>,
        curvature: &DMatrix<f64>,
        normals: DMatrixView<f64>,
    ) -> Vec<f64> {
        let d = self.dimension();
        let ln_det: f64 = (0..d).map(|i| curvature[(i, i)].ln()).sum();
        let mut step = DMatrix::identity(d, d);
        curvature.tr_solve_lower_triangular_mut(&mut step);
        let (middle, shift) = (&self.shared * mode, &self.shared * &step);
        let mut out = vec![-ln_det; 2 * normals.nrows()];
        let (x, v) = ((mode, &step), (&middle, &shift));
        vector::run(Weigh { group: self, normals, x, v, out: &mut out });
        out
    }

    /// Where the integrand is highest, and the lower factor of minus its second derivatives there.
    fn mode(&self, mut x: DVector<f64>) -> (DVector<f64>, DMatrix<f64>) {
        let mut here = self.bent(&x);
        for _ in 0..STEPS {
            let step = here.curvature.solve(&here.gradient);
            let gain = here.gradient.dot(&step);
            if !(gain > 1e-14) {
                break;
            }
            let mut lengths = std::iter::successors(Some(1.0), |l| (*l > 2e-6).then_some(0.5 * l));
            let better = lengths.find_map(|length| {
                let trial = &x + length * &step;
                let there = self.bent(&trial);
                (there.value >= here.value + 1e-4 * length * gain).then_some((trial, there))
            });
            let Some(better) = better else { break };
            (x, here) = better;
        }
        (x, here.curvature.unpack())
    }

    /// The log integrand at x, ridged where it does not bend down everywhere.
    fn bent(&self, x: &DVector<f64>) -> Bent {
        let d = self.dimension();
        let (value, gradient, hessian) = self.derivatives(&(&self.shared * x));
        let value = value - 0.5 * x.norm_squared();
        let gradient = self.shared.tr_mul(&gradient) - x;
        let hessian = self.shared.tr_mul(&hessian) * &self.shared;
        for ridge in std::iter::once(0.0).chain((0..60).map(|i| 0.1 * 2f64.powi(i))) {
            let curvature = DMatrix::from_diagonal_element(d, d, 1.0 + ridge) - &hessian;
            if let Some(curvature) = Cholesky::new(curvature) {
                return Bent { value, gradient, curvature };
            }
        }
        // only numbers that are not finite get here: the draws then come from the prior
        let curvature = Cholesky::new_unchecked(DMatrix::identity(d, d));
        Bent { value, gradient: DVector::zeros(d), curvature }
    }
}

/// The log integrand at a place: its value, its gradient, and the factor of minus its second derivatives.
struct Bent {
    value: f64,
    gradient: DVector<f64>,
    curvature: Cholesky<f64, Dyn>,
}

/// The terms of a piece that do not depend on what is shared.
fn constant(p: &Piece) -> f64 {
    let k = p.location.len() as f64;
    let nu = p.degrees_of_freedom;
    let norm = if nu < AS_GOOD_AS_NORMAL {
        ln_gamma(0.5 * (nu + k)) - ln_gamma(0.5 * nu) - 0.5 * k * (nu * std::f64::consts::PI).ln()
    } else {
        -0.5 * k * (2.0 * std::f64::consts::PI).ln()
    };
    let own = p.ended.map_or(0.0, |k| p.ends[k]);
    p.ln_weight + own + norm - p.scale.iter().map(|s| s.ln()).sum::<f64>()
}

/// Adds to `out` what draws weigh by their flakes and by how they were drawn.
struct Weigh<'a> {
    group: &'a Group,
    /// Standard normal numbers z, a row a draw.
    normals: DMatrixView<'a, f64>,
    /// What they become, a + B z of all rows and then a - B z of all: x, and v = L x.
    x: (&'a DVector<f64>, &'a DMatrix<f64>),
    v: (&'a DVector<f64>, &'a DMatrix<f64>),
    out: &'a mut [f64],
}

/// Entry `i` of a + B z for all rows z, and behind them of a - B z.
#[inline(always)]
fn pairs((a, b): (&DVector<f64>, &DMatrix<f64>), z: &DMatrixView<f64>, i: usize, out: &mut [f64]) {
    let (plus, minus) = out.split_at_mut(z.nrows());
    plus.fill(0.0);
    for j in 0..b.ncols() {
        add(b[(i, j)], z.column(j).data.into_slice(), plus);
    }
    for (p, m) in plus.iter_mut().zip(minus) {
        (*p, *m) = (a[i] + *p, a[i] - *p);
    }
}

impl Kernel for Weigh<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        let Weigh { group, normals, x, v, out } = self;
        let n = out.len();
        // the numbers of one entry for every draw stand together
        let (mut entry, mut shift) = (vec![0.0; n], vec![0.0; group.dimension() * n]);
        for (i, shift) in shift.chunks_exact_mut(n).enumerate() {
            pairs(x, &normals, i, &mut entry);
            for (out, entry) in out.chunks_exact_mut(n / 2).zip(entry.chunks_exact(n / 2)) {
                for ((o, x), z) in out.iter_mut().zip(entry).zip(normals.column(i).data.into_slice()) {
                    *o += 0.5 * (z * z - x * x);
                }
            }
            pairs(v, &normals, i, shift);
        }
        for f in &group.flakes {
            add_ln_sum(1.0, &group.ln_pieces(f, &shift, n), out);
        }
    }
}

impl Group {
    /// ln of each piece of a flake where what is shared is `v`, `n` draws of it.
    #[inline(always)]
    fn ln_pieces(&self, f: &Ready, v: &[f64], n: usize) -> Vec<f64> {
        let ends = &v[self.correlation.nrows() * n..];
        let (mut terms, mut odds) = (vec![0.0; f.seen.pieces.len() * n], Vec::new());
        for (i, (p, out)) in f.seen.pieces.iter().zip(terms.chunks_exact_mut(n)).enumerate() {
            // pieces of one setting differ in how they end only, and stand together
            let same = |o: &Piece| o.ends == p.ends;
            if i == 0 || !same(&f.seen.pieces[i - 1]) {
                odds = ln_odds(p, ends, n);
            }
            for r in f.residuals(p, v, n).chunks_exact(n) {
                for (q, r) in out.iter_mut().zip(r) {
                    *q += r * r;
                }
            }
            let (k, nu) = (p.location.len() as f64, p.degrees_of_freedom);
            let normal = nu >= AS_GOOD_AS_NORMAL;
            for (q, odds) in out.iter_mut().zip(&odds) {
                let far = if normal { *q } else { (nu + k) * vector::ln(1.0 + *q / nu) };
                *q = f.constant[i] - 0.5 * far + odds;
            }
            if let Some(k) = p.ended {
                add(1.0, &ends[k * n..], out);
            }
        }
        terms
    }

    /// sum_i ln p_i, its gradient and its second derivatives with respect to v.
    fn derivatives(&self, v: &DVector<f64>) -> (f64, DVector<f64>, DMatrix<f64>) {
        let d = v.len();
        let (mut value, mut gradient, mut hessian) = (0.0, DVector::zeros(d), DMatrix::zeros(d, d));
        let (mut g, mut mean) = (DVector::zeros(d), DVector::zeros(d));
        for f in &self.flakes {
            let terms = self.ln_pieces(f, v.as_slice(), 1);
            let total = ln_sum(terms.iter().copied());
            value += total;
            if !total.is_finite() {
                continue;
            }
            if let [p] = &f.seen.pieces[..] {
                self.add_derivatives((f, p), v.as_slice(), 1.0, &mut gradient, &mut hessian);
                continue;
            }
            mean.fill(0.0);
            for (p, t) in f.seen.pieces.iter().zip(&terms) {
                let share = (t - total).exp();
                if share < 1e-14 {
                    continue;
                }
                g.fill(0.0);
                self.add_derivatives((f, p), v.as_slice(), share, &mut g, &mut hessian);
                hessian.ger(share, &g, &g, 1.0);
                mean.axpy(share, &g, 1.0);
            }
            hessian.ger(-1.0, &mean, &mean, 1.0);
            gradient += &mean;
        }
        (value, gradient, hessian)
    }

    /// Adds the gradient of one piece, and its second derivatives times its share.
    fn add_derivatives(
        &self,
        (f, p): (&Ready, &Piece),
        v: &[f64],
        share: f64,
        g: &mut DVector<f64>,
        h: &mut DMatrix<f64>,
    ) {
        let (k, sizes) = (p.location.len(), self.correlation.nrows());
        let residual = f.residuals(p, v, 1);
        let nu = p.degrees_of_freedom;
        let (w, bend) = if nu < AS_GOOD_AS_NORMAL {
            let w = (nu + k as f64) / (nu + residual.iter().map(|r| r * r).sum::<f64>());
            (w, 2.0 * w * w / (nu + k as f64))
        } else {
            (1.0, 0.0)
        };
        // the transpose of what decorrelates takes the decorrelated residual back
        let by = |a: usize, b: usize| f.inverse[(a, b)] / p.scale[b];
        let back = |b: usize| (b..k).map(|a| by(a, b) * residual[a]).sum::<f64>();
        for (i, si) in f.seen.sizes.iter().enumerate() {
            g[*si] += w * back(i);
            for (j, sj) in f.seen.sizes.iter().enumerate() {
                let precision: f64 = (i.max(j)..k).map(|a| by(a, i) * by(a, j)).sum();
                h[(*si, *sj)] += share * (bend * back(i) * back(j) - w * precision);
            }
        }
        if !p.ends.is_empty() {
            let a: Vec<f64> = p.ends.iter().zip(&v[sizes..]).map(|(a, t)| a + t).collect();
            let total = ln_sum(std::iter::once(0.0).chain(a.iter().copied()));
            let chance: Vec<f64> = a.iter().map(|a| (a - total).exp()).collect();
            for i in 0..self.ends {
                g[sizes + i] += f64::from(u8::from(p.ended == Some(i))) - chance[i];
                for j in 0..self.ends {
                    let own = if i == j { chance[i] } else { 0.0 };
                    h[(sizes + i, sizes + j)] += share * (chance[i] * chance[j] - own);
                }
            }
        }
    }
}

/// ln of the probability of the first termination, where the log odds of terminations are shifted by `v`.
#[inline(always)]
fn ln_odds(p: &Piece, v: &[f64], n: usize) -> Vec<f64> {
    let mut out = vec![0.0; n];
    if !p.ends.is_empty() {
        let mut terms = vec![0.0; (1 + p.ends.len()) * n];
        for ((term, a), t) in terms[n..].chunks_exact_mut(n).zip(&p.ends).zip(v.chunks_exact(n)) {
            term.fill(*a);
            add(1.0, t, term);
        }
        add_ln_sum(-1.0, &terms, &mut out);
    }
    out
}

impl Ready {
    /// Residuals of the sizes from a piece, divided by scale and decorrelated, one size behind the other.
    #[inline(always)]
    fn residuals(&self, p: &Piece, v: &[f64], n: usize) -> Vec<f64> {
        let sizes = &self.seen.sizes;
        let mut residuals = vec![0.0; sizes.len() * n];
        for (a, r) in residuals.chunks_exact_mut(n).enumerate() {
            let by = |b: usize| self.inverse[(a, b)] / p.scale[b];
            r.fill((0..=a).map(|b| by(b) * (self.seen.values[b] - p.location[b])).sum());
            for b in 0..=a {
                add(-by(b), &v[sizes[b] * n..], r);
            }
        }
        residuals
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    fn piece(ln_weight: f64, location: &[f64], df: f64, ends: &[f64], ended: Option<usize>) -> Piece {
        Piece {
            ln_weight,
            location: location.to_vec(),
            scale: vec![0.4, 0.7][..location.len()].to_vec(),
            degrees_of_freedom: df,
            ends: ends.to_vec(),
            ended,
        }
    }

    fn mixed() -> Group {
        let correlation = DMatrix::from_row_slice(2, 2, &[1.0, 0.6, 0.6, 1.0]);
        let shared = DMatrix::from_fn(4, 4, |i, j| if i == j { 0.3 + 0.1 * i as f64 } else { 0.05 });
        let flakes = (0..4)
            .map(|i| Seen {
                sizes: if i == 2 { vec![1] } else { vec![0, 1] },
                values: if i == 2 { vec![0.9] } else { vec![0.3 * i as f64, 1.0 - 0.5 * i as f64] },
                ln_jacobian: 0.2,
                pieces: (0..2)
                    .map(|s| {
                        let at = [0.1 + s as f64, 0.5 - s as f64];
                        let at = if i == 2 { &at[1..] } else { &at[..] };
                        let df = if s == 0 { 5.0 } else { f64::INFINITY };
                        let ended = [None, Some(0), Some(1), None][i];
                        piece([0.7f64, 0.3][s].ln(), at, df, &[-0.3, 0.2], ended)
                    })
                    .collect(),
            })
            .collect();
        Group::new(correlation.clone(), 2, shared, flakes).unwrap()
    }

    #[test]
    fn derivatives_agree_with_differences() {
        let group = mixed();
        let x = DVector::from_vec(vec![0.2, -0.4, 0.3, 0.1]);
        let value = |x: &DVector<f64>| group.derivatives(&(&group.shared * x)).0;
        let (_, g, h) = group.derivatives(&(&group.shared * &x));
        let (g, h) = (group.shared.tr_mul(&g), group.shared.tr_mul(&h) * &group.shared);
        let e = 1e-4;
        let unit = |i: usize| DVector::from_fn(4, |k, _| if k == i { e } else { 0.0 });
        for i in 0..4 {
            let slope = (value(&(&x + unit(i))) - value(&(&x - unit(i)))) / (2.0 * e);
            assert!((slope - g[i]).abs() < 1e-7, "{i}: {slope} {}", g[i]);
            for j in 0..4 {
                let at = |a: f64, b: f64| value(&(&x + a * unit(i) + b * unit(j)));
                let bend = (at(1.0, 1.0) - at(1.0, -1.0) - at(-1.0, 1.0) + at(-1.0, -1.0)) / (4.0 * e * e);
                assert!((bend - h[(i, j)]).abs() < 1e-5, "{i} {j}: {bend} {}", h[(i, j)]);
            }
        }
    }

    #[test]
    fn importance_sampling_agrees_with_plain_averaging_over_the_prior() {
        let group = mixed();
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        let mut normals =
            |n| DMatrix::from_row_iterator(n, 4, (0..n * 4).map(|_| StandardNormal.sample(&mut rng)));
        let found = group.evidence(&normals(4000)).ln;
        let prior = (DVector::zeros(4), DMatrix::identity(4, 4));
        let plain = group.ln_weights(&prior.0, &prior.1, normals(300_000).as_view());
        assert!((found - ln_mean(&plain)).abs() < 0.02, "{found} {}", ln_mean(&plain));
    }

    #[test]
    fn a_normal_integrand_is_integrated_exactly() {
        // y_i ~ N(m + u, R), u ~ N(0, C): jointly normal over both flakes
        let correlation = DMatrix::from_row_slice(2, 2, &[1.0, 0.6, 0.6, 1.0]);
        let shared = DMatrix::from_row_slice(2, 2, &[0.2, 0.05, 0.05, 0.3]);
        let values = [[0.3, -0.2], [1.1, 0.4]];
        let flakes = values
            .iter()
            .map(|v| Seen {
                sizes: vec![0, 1],
                values: v.to_vec(),
                ln_jacobian: 0.0,
                pieces: vec![piece(0.0, &[0.1, 0.2], f64::INFINITY, &[], None)],
            })
            .collect();
        let group = Group::new(correlation.clone(), 0, shared.clone(), flakes).unwrap();
        let normals = DMatrix::from_row_slice(2, 2, &[0.3, -1.2, 2.0, 0.7]);
        let found = group.evidence(&normals);
        let scale = [0.4, 0.7];
        let whole = DMatrix::from_fn(4, 4, |i, j| {
            let own =
                if i / 2 == j / 2 { scale[i % 2] * scale[j % 2] * correlation[(i % 2, j % 2)] } else { 0.0 };
            own + shared[(i % 2, j % 2)]
        });
        let r = DVector::from_fn(4, |i, _| values[i / 2][i % 2] - [0.1, 0.2][i % 2]);
        let factor = Cholesky::new(whole).unwrap();
        let expected = -0.5 * (r.dot(&factor.solve(&r)) + factor.ln_determinant())
            - 2.0 * (2.0 * std::f64::consts::PI).ln();
        assert!((found.ln - expected).abs() < 1e-12, "{} {expected}", found.ln);
        for w in &found.ln_weights {
            assert!((w - expected).abs() < 1e-12);
        }
    }
}
