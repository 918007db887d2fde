//! One pass over the rows: log-likelihood, score and expected information of the multinomial logit.
//!
//! With standardised rows z_i (p entries), coefficients γ_k of the m classes that are not the baseline,
//! η_ik = z_i'γ_k, p_ik = exp η_ik / (1 + Σ_l exp η_il) and weights w_i:
//! ℓ = Σ w_i log p_i,y(i); score block k = Σ w_i (1{y_i = k} - p_ik) z_i; information block (k, l) =
//! Σ w_i p_ik (1{k = l} - p_il) z_i z_i'. Both triangles are symmetric, so a block of rows becomes one
//! matrix product: the p(p+1)/2 products of its columns times the m(m+1)/2 weights. Rows are taken in
//! chunks of fixed size, whose sums are added in the order of the rows: the bytes are the same for any
//! number of threads. Scratch space is allocated per chunk, never per row.

use crate::threads;
use nalgebra::{DMatrix, DMatrixView, DMatrixViewMut, Dyn, MatrixView};
use std::ops::Range;

/// Rows of one chunk: the unit of work and of the ordered reduction. This crate's choice, no source.
const CHUNK: usize = 4096;
/// Chunks whose sums may be in memory at once, so that memory does not grow with the rows. This crate's choice, no source.
const WAVE: usize = 64;
/// Entries of the largest scratch array of a block (64 KiB), so that it stays in a near cache. This crate's choice, no source.
const SCRATCH: usize = 8192;
/// Rows whose normalisers are multiplied before one logarithm is taken. This crate's choice, no source.
const LOGS: usize = 16;
/// Largest linear predictor at which [`LOGS`] normalisers cannot overflow for up to 1000 classes:
/// (1 + 1000 exp 30)^16 is below 1e257.
const CALM: f64 = 30.0;

/// Position of the pair (i, j), i <= j, in the packed upper triangle of an n by n matrix, row by row.
pub(super) fn packed(n: usize, i: usize, j: usize) -> usize {
    let (i, j) = if i <= j { (i, j) } else { (j, i) };
    i * n - i * (i + 1) / 2 + j
}

/// The rows, standardised on the fly, and their classes.
#[derive(Debug, Clone)]
pub(super) struct Problem<'a> {
    /// Raw columns one after another, `rows` entries each.
    pub columns: &'a [f64],
    pub rows: usize,
    /// Subtracted from each column.
    pub shift: Vec<f64>,
    /// Multiplied afterwards.
    pub inverse_scale: Vec<f64>,
    /// For each class as given: its place among the classes that are not the baseline, or `classes`.
    pub slot: Vec<usize>,
    pub class_of_row: &'a [usize],
    pub weights: Option<&'a [f64]>,
    /// Number of classes that are not the baseline (m).
    pub classes: usize,
}

/// Sums over rows.
#[derive(Debug, Clone)]
pub(super) struct Sums {
    pub log_likelihood: f64,
    /// Class by class, term by term (m p entries).
    pub score: Vec<f64>,
    /// Packed pairs of terms down, packed pairs of classes across; empty unless asked for.
    pub information: Vec<f64>,
}

impl Sums {
    fn add(&mut self, other: &Sums) {
        self.log_likelihood += other.log_likelihood;
        for (a, b) in self.score.iter_mut().zip(&other.score) {
            *a += b;
        }
        for (a, b) in self.information.iter_mut().zip(&other.information) {
            *a += b;
        }
    }
}

/// What a pass computes besides log-likelihood and score.
#[derive(Debug, Clone, Copy)]
pub(super) enum Pass<'a> {
    /// Also the information.
    Information,
    /// The score is that of half the log-determinant of the information alone; the packed inverse of the
    /// information (products of terms doubled off the diagonal) is passed in.
    Jeffreys(&'a [f64]),
}

impl Problem<'_> {
    /// Number of terms.
    pub fn terms(&self) -> usize {
        self.shift.len()
    }

    fn term_pairs(&self) -> usize {
        self.terms() * (self.terms() + 1) / 2
    }

    fn class_pairs(&self) -> usize {
        self.classes * (self.classes + 1) / 2
    }

    fn block(&self) -> usize {
        (SCRATCH / self.term_pairs().max(self.class_pairs())).clamp(32, 512) / 8 * 8
    }

    /// One pass over the rows.
    pub fn pass(&self, coefficients: &[f64], pass: Pass<'_>) -> Sums {
        let information = match pass {
            Pass::Information => self.term_pairs() * self.class_pairs(),
            Pass::Jeffreys(_) => 0,
        };
        let mut total = Sums {
            log_likelihood: 0.0,
            score: vec![0.0; self.classes * self.terms()],
            information: vec![0.0; information],
        };
        ordered(
            self.rows,
            |range| {
                let mut sums = Sums {
                    log_likelihood: 0.0,
                    score: vec![0.0; self.classes * self.terms()],
                    information: vec![0.0; information],
                };
                self.chunk(range, coefficients, pass, &mut sums);
                sums
            },
            |sums| total.add(&sums),
        );
        total
    }

    fn chunk(&self, range: Range<usize>, coefficients: &[f64], pass: Pass<'_>, sums: &mut Sums) {
        let (p, m, b) = (self.terms(), self.classes, self.block());
        let (tp, cp) = (self.term_pairs(), self.class_pairs());
        let mut z = vec![0.0; b * p];
        let mut eta = vec![0.0; b * m];
        let mut residual = vec![0.0; b * m];
        let mut products = vec![0.0; b * tp];
        let mut pairs = vec![0.0; b * cp];
        let mut weight = vec![1.0; b];
        let mut places = vec![0; b];
        let mut start = range.start;
        while start < range.end {
            let len = b.min(range.end - start);
            self.standardise(start, len, b, &mut z);
            if let Some(w) = self.weights {
                weight[..len].copy_from_slice(&w[start..start + len]);
            }
            let rows = start..start + len;
            for (place, class) in places.iter_mut().zip(&self.class_of_row[rows]) {
                *place = self.slot[*class];
            }
            linear_predictors(&z, coefficients, b, len, p, m, &mut eta);
            sums.log_likelihood += self.softmax(&mut eta, b, &places[..len], &weight);
            // From here `eta` holds the probabilities.
            column_products(&z, b, len, p, &mut products);
            match pass {
                Pass::Information => {
                    for k in 0..m {
                        let prob = &eta[k * b..k * b + len];
                        for ((out, v), w) in residual[k * b..].iter_mut().zip(prob).zip(&weight) {
                            *out = -w * v;
                        }
                    }
                    for (r, &k) in places[..len].iter().enumerate() {
                        if k < m {
                            residual[k * b + r] += weight[r];
                        }
                    }
                    let mut at = 0;
                    for k in 0..m {
                        for l in k..m {
                            let out = &mut pairs[at * b..at * b + len];
                            let own = if k == l { 1.0 } else { 0.0 };
                            let (pk, pl) = (&eta[k * b..k * b + len], &eta[l * b..l * b + len]);
                            for (((v, w), pk), pl) in out.iter_mut().zip(&weight).zip(pk).zip(pl) {
                                *v = w * pk * (own - pl);
                            }
                            at += 1;
                        }
                    }
                    add_transposed_product(&products, &pairs, b, len, tp, cp, &mut sums.information);
                }
                Pass::Jeffreys(inverse) => {
                    product(&products, inverse, b, len, tp, cp, &mut pairs);
                    jeffreys(&eta, &pairs, &weight, b, len, m, &mut residual);
                }
            }
            for k in 0..m {
                for j in 0..p {
                    sums.score[k * p + j] += dot(&residual[k * b..k * b + len], &z[j * b..j * b + len]);
                }
            }
            start += len;
        }
    }

    fn standardise(&self, start: usize, len: usize, b: usize, z: &mut [f64]) {
        for j in 0..self.terms() {
            let column = &self.columns[j * self.rows + start..][..len];
            let (shift, inverse) = (self.shift[j], self.inverse_scale[j]);
            for (v, x) in z[j * b..j * b + len].iter_mut().zip(column) {
                *v = (x - shift) * inverse;
            }
        }
    }

    /// Every `step`-th row, as columns and classes of their own.
    pub fn every(&self, step: usize) -> (Vec<f64>, Vec<usize>) {
        let columns = self.columns.chunks_exact(self.rows).flat_map(|c| c.iter().copied().step_by(step));
        (columns.collect(), self.class_of_row.iter().copied().step_by(step).collect())
    }

    /// Turns linear predictors into probabilities in place; returns the block's log-likelihood.
    fn softmax(&self, eta: &mut [f64], b: usize, places: &[usize], weight: &[f64]) -> f64 {
        let (m, len) = (self.classes, places.len());
        let mut largest = 0.0f64;
        for k in 0..m {
            for v in &eta[k * b..k * b + len] {
                largest = largest.max(v.abs());
            }
        }
        let mut value = 0.0;
        for (r, &k) in places.iter().enumerate() {
            if k < m {
                value += weight[r] * eta[k * b + r];
            }
        }
        if largest <= CALM && self.weights.is_none() {
            let mut sum = [0.0; LOGS];
            let mut start = 0;
            while start < len {
                let n = LOGS.min(len - start);
                sum[..n].fill(1.0);
                for k in 0..m {
                    for (v, s) in eta[k * b + start..k * b + start + n].iter_mut().zip(&mut sum) {
                        *v = v.exp();
                        *s += *v;
                    }
                }
                value -= sum[..n].iter().product::<f64>().ln();
                for s in &mut sum[..n] {
                    *s = 1.0 / *s;
                }
                for k in 0..m {
                    for (v, s) in eta[k * b + start..k * b + start + n].iter_mut().zip(&sum) {
                        *v *= s;
                    }
                }
                start += n;
            }
        } else {
            for r in 0..len {
                let top = (0..m).fold(0.0f64, |t, k| t.max(eta[k * b + r]));
                let mut sum = (-top).exp();
                for k in 0..m {
                    let v = &mut eta[k * b + r];
                    *v = (*v - top).exp();
                    sum += *v;
                }
                for k in 0..m {
                    eta[k * b + r] /= sum;
                }
                value -= weight[r] * (top + sum.ln());
            }
        }
        value
    }

    /// Weighted sum of products of standardised columns, p by p.
    pub fn gram(&self) -> DMatrix<f64> {
        let (p, b) = (self.terms(), self.block());
        let mut total = vec![0.0; self.term_pairs()];
        ordered(
            self.rows,
            |range| {
                let mut z = vec![0.0; b * p];
                let mut weighted = vec![0.0; b];
                let mut sums = vec![0.0; p * (p + 1) / 2];
                let mut start = range.start;
                while start < range.end {
                    let len = b.min(range.end - start);
                    self.standardise(start, len, b, &mut z);
                    for i in 0..p {
                        weighted[..len].copy_from_slice(&z[i * b..i * b + len]);
                        if let Some(w) = self.weights {
                            for (v, w) in weighted.iter_mut().zip(&w[start..start + len]) {
                                *v *= w;
                            }
                        }
                        for j in i..p {
                            sums[packed(p, i, j)] += dot(&weighted[..len], &z[j * b..j * b + len]);
                        }
                    }
                    start += len;
                }
                sums
            },
            |sums| total.iter_mut().zip(&sums).for_each(|(a, b)| *a += b),
        );
        DMatrix::from_fn(p, p, |i, j| total[packed(p, i, j)])
    }

    /// The information of the packed sums as an m p by m p matrix, class by class.
    pub fn unpack(&self, sums: &[f64]) -> DMatrix<f64> {
        let (p, m, tp) = (self.terms(), self.classes, self.term_pairs());
        DMatrix::from_fn(m * p, m * p, |r, c| sums[packed(m, r / p, c / p) * tp + packed(p, r % p, c % p)])
    }

    /// The packed form of an inverse information that [`Pass::Jeffreys`] takes: q_kl = z'C_kl z is then a
    /// plain product with the packed products of z.
    pub fn pack(&self, inverse: &DMatrix<f64>) -> Vec<f64> {
        let (p, m, tp) = (self.terms(), self.classes, self.term_pairs());
        let mut out = vec![0.0; tp * self.class_pairs()];
        for k in 0..m {
            for l in k..m {
                for i in 0..p {
                    for j in i..p {
                        let v = inverse[(k * p + i, l * p + j)];
                        let both = if i == j { v } else { v + inverse[(k * p + j, l * p + i)] };
                        out[packed(m, k, l) * tp + packed(p, i, j)] = both;
                    }
                }
            }
        }
        out
    }
}

/// Runs `work` over the chunks of `0..count` and hands the results to `add` in the order of the rows.
pub(super) fn ordered<T: Send>(
    count: usize,
    work: impl Fn(Range<usize>) -> T + Sync,
    mut add: impl FnMut(T),
) {
    let chunks = count.div_ceil(CHUNK);
    let range = |c: usize| c * CHUNK..((c + 1) * CHUNK).min(count);
    let mut first = 0;
    while first < chunks {
        let wave = first..(first + WAVE).min(chunks);
        let parts = threads::in_order(wave.len(), |c| work(range(wave.start + c)));
        parts.into_iter().for_each(&mut add);
        first = wave.end;
    }
}

fn linear_predictors(
    z: &[f64],
    coefficients: &[f64],
    b: usize,
    len: usize,
    p: usize,
    m: usize,
    eta: &mut [f64],
) {
    for k in 0..m {
        let out = &mut eta[k * b..k * b + len];
        out.fill(0.0);
        // Two columns at a time halve the traffic of the running sums.
        let mut j = 0;
        while j + 1 < p {
            let (c, d) = (coefficients[k * p + j], coefficients[k * p + j + 1]);
            let (x, y) = (&z[j * b..j * b + len], &z[(j + 1) * b..(j + 1) * b + len]);
            for ((v, x), y) in out.iter_mut().zip(x).zip(y) {
                *v += c * x + d * y;
            }
            j += 2;
        }
        if j < p {
            let c = coefficients[k * p + j];
            for (v, x) in out.iter_mut().zip(&z[j * b..j * b + len]) {
                *v += c * x;
            }
        }
    }
}

fn column_products(z: &[f64], b: usize, len: usize, p: usize, out: &mut [f64]) {
    let mut at = 0;
    for i in 0..p {
        for j in i..p {
            let (x, y) = (&z[i * b..i * b + len], &z[j * b..j * b + len]);
            for ((v, x), y) in out[at * b..at * b + len].iter_mut().zip(x).zip(y) {
                *v = x * y;
            }
            at += 1;
        }
    }
}

/// `total` (rows by columns) += left' right, both with `len` rows at a stride of `b`.
fn add_transposed_product(
    left: &[f64],
    right: &[f64],
    b: usize,
    len: usize,
    rows: usize,
    columns: usize,
    total: &mut [f64],
) {
    if rows > 5 && columns > 5 && len > 5 {
        // Large enough for nalgebra's blocked kernel, which takes a transposed view as it is.
        let a: MatrixView<'_, f64, Dyn, Dyn, Dyn, Dyn> =
            MatrixView::from_slice_with_strides_generic(left, Dyn(rows), Dyn(len), Dyn(b), Dyn(1));
        let w = DMatrixView::from_slice_with_strides(right, len, columns, 1, b);
        let mut c = DMatrixViewMut::from_slice(total, rows, columns);
        c.gemm(1.0, &a, &w, 1.0);
    } else {
        for c in 0..columns {
            for r in 0..rows {
                total[c * rows + r] += dot(&left[r * b..r * b + len], &right[c * b..c * b + len]);
            }
        }
    }
}

/// `out` (len by columns, stride `b`) = left (len by inner, stride `b`) times right (inner by columns).
fn product(left: &[f64], right: &[f64], b: usize, len: usize, inner: usize, columns: usize, out: &mut [f64]) {
    for c in 0..columns {
        let column = &mut out[c * b..c * b + len];
        column.fill(0.0);
        for i in 0..inner {
            let f = right[c * inner + i];
            for (v, x) in column.iter_mut().zip(&left[i * b..i * b + len]) {
                *v += f * x;
            }
        }
    }
}

/// The rows' part in the derivative of half the log-determinant of the information.
///
/// With q_kl = z'C_kl z (C the inverse information), Q its m by m matrix, and u_c the centred indicator of
/// class c, let q_c = u_c'Q u_c over all m + 1 classes; the derivative by η_k is
/// p_k (q_k - Σ_c p_c q_c) / 2, since the third cumulant of a multinomial draw is Σ_c p_c u_c u_c u_c.
fn jeffreys(prob: &[f64], q: &[f64], weight: &[f64], b: usize, len: usize, m: usize, out: &mut [f64]) {
    for r in 0..len {
        let p = |k: usize| prob[k * b + r];
        let entry = |k: usize, l: usize| q[packed(m, k, l) * b + r];
        // q_k less the baseline's own p'Qp, which drops out of q_k less the mean.
        for k in 0..m {
            let row: f64 = (0..m).map(|l| entry(k, l) * p(l)).sum();
            out[k * b + r] = entry(k, k) - 2.0 * row;
        }
        let mut mean = 0.0;
        for k in 0..m {
            mean += p(k) * out[k * b + r];
        }
        for k in 0..m {
            out[k * b + r] = 0.5 * weight[r] * p(k) * (out[k * b + r] - mean);
        }
    }
}

/// Dot product with eight running sums, so that the order of addition does not hinder vector registers.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut s = [0.0; 8];
    let (ca, cb) = (a.chunks_exact(8), b.chunks_exact(8));
    let tail: f64 = ca.remainder().iter().zip(cb.remainder()).map(|(x, y)| x * y).sum();
    for (x, y) in ca.zip(cb) {
        for i in 0..8 {
            s[i] += x[i] * y[i];
        }
    }
    ((s[0] + s[4]) + (s[1] + s[5])) + ((s[2] + s[6]) + (s[3] + s[7])) + tail
}
