//! One pass over the rows: log-likelihood, score and expected information of the multinomial logit.
//!
//! With standardised rows z_i (p entries), coefficients γ_k of the m classes that are not the baseline,
//! η_ik = z_i'γ_k and p_ik = exp η_ik / (1 + Σ_l exp η_il): ℓ = Σ log p_i,y(i); score block k =
//! Σ (1{y_i = k} - p_ik) z_i; information block (k, l) = Σ p_ik (1{k = l} - p_il) z_i z_i'. Both triangles are symmetric, so a block of rows becomes one
//! matrix product: the p(p+1)/2 products of its columns times the m(m+1)/2 weights. Rows are taken in
//! chunks of fixed size, whose sums are added in the order of the rows: the bytes are the same for any
//! number of threads. Scratch space is allocated per chunk, never per row.

use crate::fit::linear::dot;
use crate::threads;
use crate::vector::{self, Kernel};
use nalgebra::{DMatrix, DMatrixView};
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

    fn no_sums(&self, information: bool) -> Sums {
        let information = if information { self.term_pairs() * self.class_pairs() } else { 0 };
        Sums {
            log_likelihood: 0.0,
            score: vec![0.0; self.classes * self.terms()],
            information: vec![0.0; information],
        }
    }

    /// One pass over the rows.
    pub fn pass(&self, coefficients: &[f64], pass: Pass<'_>) -> Sums {
        let empty = self.no_sums(matches!(pass, Pass::Information));
        let mut total = empty.clone();
        let coefficients = DMatrix::from_column_slice(self.terms(), self.classes, coefficients);
        ordered(
            self.rows,
            |range| {
                let mut sums = empty.clone();
                self.chunk(range, &coefficients, pass, &mut sums);
                sums
            },
            |sums| total.add(&sums),
        );
        total
    }

    fn chunk(&self, range: Range<usize>, coefficients: &DMatrix<f64>, pass: Pass<'_>, sums: &mut Sums) {
        let (p, m, b) = (self.terms(), self.classes, self.block());
        let (tp, cp) = (self.term_pairs(), self.class_pairs());
        let scratch = |columns: usize| DMatrix::zeros(b, columns);
        let (mut z, mut eta, mut residual) = (scratch(p), scratch(m), scratch(m));
        let (mut products, mut pairs) = (scratch(tp), scratch(cp));
        for start in range.clone().step_by(b) {
            let len = b.min(range.end - start);
            let classes = self.class_of_row[start..start + len].iter().map(|class| self.slot[*class]);
            let places: Vec<usize> = classes.collect();
            self.standardise(start, len, &mut z);
            let z = z.rows(0, len);
            eta.rows_mut(0, len).gemm(1.0, &z, coefficients, 0.0);
            sums.log_likelihood += softmax(&mut eta, &places);
            // From here `eta` holds the probabilities.
            for at in (0..p).flat_map(|i| (i..p).map(move |j| (i, j))).enumerate() {
                let (at, (i, j)) = at;
                let mut out = products.view_mut((0, at), (len, 1));
                out.zip_zip_apply(&z.column(i), &z.column(j), |v, x, y| *v = x * y);
            }
            match pass {
                Pass::Information => {
                    residual.rows_mut(0, len).zip_apply(&eta.rows(0, len), |v, prob| *v = -prob);
                    for (r, &k) in places.iter().enumerate().filter(|(_, k)| **k < m) {
                        residual[(r, k)] += 1.0;
                    }
                    for at in (0..m).flat_map(|k| (k..m).map(move |l| (k, l))).enumerate() {
                        let (at, (k, l)) = at;
                        let own = if k == l { 1.0 } else { 0.0 };
                        let (pk, pl) = (eta.view((0, k), (len, 1)), eta.view((0, l), (len, 1)));
                        let mut out = pairs.view_mut((0, at), (len, 1));
                        out.zip_zip_apply(&pk, &pl, |v, pk, pl| *v = pk * (own - pl));
                    }
                    let total = &mut sums.information;
                    vector::run(AddTransposedProduct { left: &products, right: &pairs, len, total });
                }
                Pass::Jeffreys(inverse) => {
                    let inverse = DMatrixView::from_slice(inverse, tp, cp);
                    pairs.rows_mut(0, len).gemm(1.0, &products.rows(0, len), &inverse, 0.0);
                    jeffreys(&eta, &pairs, len, &mut residual);
                }
            }
            for (k, of_class) in sums.score.chunks_exact_mut(p).enumerate() {
                for (j, sum) in of_class.iter_mut().enumerate() {
                    *sum += dot(column(&residual, k, len), &z.column(j).as_slice()[..len]);
                }
            }
        }
    }

    fn standardise(&self, start: usize, len: usize, z: &mut DMatrix<f64>) {
        for (j, mut out) in z.column_iter_mut().enumerate() {
            let column = &self.columns[j * self.rows + start..][..len];
            let (shift, inverse) = (self.shift[j], self.inverse_scale[j]);
            out.iter_mut().zip(column).for_each(|(v, x)| *v = (x - shift) * inverse);
        }
    }

    /// Every `step`-th row, as columns and classes of their own.
    pub fn every(&self, step: usize) -> (Vec<f64>, Vec<usize>) {
        let columns = self.columns.chunks_exact(self.rows).flat_map(|c| c.iter().copied().step_by(step));
        (columns.collect(), self.class_of_row.iter().copied().step_by(step).collect())
    }

    /// Sum of products of standardised columns, p by p.
    pub fn gram(&self) -> DMatrix<f64> {
        let (p, b) = (self.terms(), self.block());
        let mut total = DMatrix::zeros(p, p);
        ordered(
            self.rows,
            |range| {
                let (mut z, mut sums) = (DMatrix::zeros(b, p), DMatrix::zeros(p, p));
                for start in range.clone().step_by(b) {
                    let len = b.min(range.end - start);
                    self.standardise(start, len, &mut z);
                    for i in 0..p {
                        for j in i..p {
                            sums[(i, j)] += dot(column(&z, i, len), column(&z, j, len));
                        }
                    }
                }
                sums
            },
            |sums| total += sums,
        );
        total.fill_lower_triangle_with_upper_triangle();
        total
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

/// The first entries of a column.
#[inline(always)]
fn column(of: &DMatrix<f64>, j: usize, len: usize) -> &[f64] {
    &of.as_slice()[j * of.nrows()..][..len]
}

/// Turns the linear predictors of the first rows into probabilities in place; returns their log-likelihood, by the
/// place of the class of each.
fn softmax(eta: &mut DMatrix<f64>, places: &[usize]) -> f64 {
    let (b, m, len) = (eta.nrows(), eta.ncols(), places.len());
    let mut value = 0.0;
    for (r, &k) in places.iter().enumerate().filter(|(_, k)| **k < m) {
        value += eta[(r, k)];
    }
    if eta.rows(0, len).amax() > CALM {
        for mut row in eta.rows_mut(0, len).row_iter_mut() {
            let top = row.max().max(0.0);
            row.apply(|v| *v = (*v - top).exp());
            let sum = (-top).exp() + row.sum();
            row /= sum;
            value -= top + sum.ln();
        }
        return value;
    }
    let eta = eta.as_mut_slice();
    let mut sum = [0.0; LOGS];
    for start in (0..len).step_by(LOGS) {
        let n = LOGS.min(len - start);
        sum[..n].fill(1.0);
        for k in 0..m {
            for (v, s) in eta[k * b + start..][..n].iter_mut().zip(&mut sum) {
                *v = v.exp();
                *s += *v;
            }
        }
        value -= sum[..n].iter().product::<f64>().ln();
        sum[..n].iter_mut().for_each(|s| *s = 1.0 / *s);
        for k in 0..m {
            eta[k * b + start..][..n].iter_mut().zip(&sum).for_each(|(v, s)| *v *= s);
        }
    }
    value
}

/// `total`, columns of `left` down and of `right` across, += left' right over the first rows.
struct AddTransposedProduct<'a> {
    left: &'a DMatrix<f64>,
    right: &'a DMatrix<f64>,
    len: usize,
    total: &'a mut [f64],
}

impl Kernel for AddTransposedProduct<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        let (n, rows) = (self.len, self.left.ncols());
        for (l, sums) in self.total.chunks_exact_mut(rows).enumerate() {
            for (k, sum) in sums.iter_mut().enumerate() {
                *sum += dot(column(self.left, k, n), column(self.right, l, n));
            }
        }
    }
}

/// The rows' part in the derivative of half the log-determinant of the information.
///
/// With q_kl = z'C_kl z (C the inverse information), Q its m by m matrix, and u_c the centred indicator of
/// class c, let q_c = u_c'Q u_c over all m + 1 classes; the derivative by η_k is
/// p_k (q_k - Σ_c p_c q_c) / 2, since the third cumulant of a multinomial draw is Σ_c p_c u_c u_c u_c.
fn jeffreys(prob: &DMatrix<f64>, q: &DMatrix<f64>, len: usize, out: &mut DMatrix<f64>) {
    let m = prob.ncols();
    for r in 0..len {
        let entry = |k: usize, l: usize| q[(r, packed(m, k, l))];
        // q_k less the baseline's own p'Qp, which drops out of q_k less the mean.
        for k in 0..m {
            let row: f64 = (0..m).map(|l| entry(k, l) * prob[(r, l)]).sum();
            out[(r, k)] = entry(k, k) - 2.0 * row;
        }
        let mean: f64 = (0..m).map(|k| prob[(r, k)] * out[(r, k)]).sum();
        for k in 0..m {
            out[(r, k)] = 0.5 * prob[(r, k)] * (out[(r, k)] - mean);
        }
    }
}
