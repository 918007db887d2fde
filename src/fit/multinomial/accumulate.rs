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
use nalgebra::DMatrix;
use std::ops::Range;

/// Rows of one chunk: the unit of work and of the ordered reduction. This crate's choice, no source.
const CHUNK: usize = 4096;
/// Chunks whose sums may be in memory at once, so that memory does not grow with the rows. This crate's choice, no source.
const WAVE: usize = 64;
/// Entries of the largest scratch array of a block (64 KiB), so that it stays in a near cache. This crate's choice, no source.
const SCRATCH: usize = 8192;
/// Most rows of a block. This crate's choice, no source.
const MOST_ROWS: usize = 512;
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
        (SCRATCH / self.term_pairs().max(self.class_pairs())).clamp(32, MOST_ROWS) / 8 * 8
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
        ordered(
            self.rows,
            |range| {
                let mut sums = empty.clone();
                self.chunk(range, coefficients, pass, &mut sums);
                sums
            },
            |sums| total.add(&sums),
        );
        total
    }

    fn chunk(&self, range: Range<usize>, coefficients: &[f64], pass: Pass<'_>, sums: &mut Sums) {
        let (p, m, b) = (self.terms(), self.classes, self.block());
        let columns = [p, m, m, self.term_pairs(), self.class_pairs()];
        let mut scratch = columns.map(|columns| DMatrix::zeros(b, columns));
        let mut places = Vec::with_capacity(b);
        for start in range.clone().step_by(b) {
            let rows = start..(start + b).min(range.end);
            places.clear();
            places.extend(self.class_of_row[rows.clone()].iter().map(|class| self.slot[*class]));
            let (scratch, places) = (&mut scratch, &places[..]);
            vector::run(Block { problem: self, rows, coefficients, pass, places, scratch, sums });
        }
    }

    #[inline(always)]
    fn standardise(&self, rows: &Range<usize>, z: &mut DMatrix<f64>) {
        for j in 0..self.terms() {
            let (shift, inverse) = (self.shift[j], self.inverse_scale[j]);
            let of = &self.columns[j * self.rows..][rows.clone()];
            let out = column_mut(z, j, rows.len());
            out.iter_mut().zip(of).for_each(|(v, x)| *v = (x - shift) * inverse);
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
                    let rows = start..(start + b).min(range.end);
                    self.standardise(&rows, &mut z);
                    add_transposed_product(&z, &z, rows.len(), sums.as_mut_slice());
                }
                sums
            },
            |sums| total += sums,
        );
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

#[inline(always)]
fn column_mut(of: &mut DMatrix<f64>, j: usize, len: usize) -> &mut [f64] {
    let rows = of.nrows();
    &mut of.as_mut_slice()[j * rows..][..len]
}

/// A block of rows, whose classes have these places.
struct Block<'a> {
    problem: &'a Problem<'a>,
    rows: Range<usize>,
    coefficients: &'a [f64],
    pass: Pass<'a>,
    places: &'a [usize],
    /// Its standardised terms, linear predictors and then probabilities, what the score sums up, products of terms, and
    /// what the information weighs them with.
    scratch: &'a mut [DMatrix<f64>; 5],
    sums: &'a mut Sums,
}

impl Kernel for Block<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        let (p, m, len) = (self.problem.terms(), self.problem.classes, self.rows.len());
        let [z, eta, residual, products, pairs] = self.scratch;
        self.problem.standardise(&self.rows, z);
        product(z, self.coefficients, len, eta);
        self.sums.log_likelihood += softmax(eta, self.places);
        // From here `eta` holds the probabilities.
        for i in 0..p {
            for j in i..p {
                let (x, y) = (column(z, i, len), column(z, j, len));
                let out = column_mut(products, packed(p, i, j), len);
                out.iter_mut().zip(x).zip(y).for_each(|((v, x), y)| *v = x * y);
            }
        }
        match self.pass {
            Pass::Information => {
                for k in 0..m {
                    let out = column_mut(residual, k, len);
                    out.iter_mut().zip(column(eta, k, len)).for_each(|(v, prob)| *v = -prob);
                }
                for (r, &k) in self.places.iter().enumerate().filter(|(_, k)| **k < m) {
                    residual[(r, k)] += 1.0;
                }
                for k in 0..m {
                    for l in k..m {
                        let own = if k == l { 1.0 } else { 0.0 };
                        let (pk, pl) = (column(eta, k, len), column(eta, l, len));
                        let out = column_mut(pairs, packed(m, k, l), len);
                        out.iter_mut().zip(pk).zip(pl).for_each(|((v, pk), pl)| *v = pk * (own - pl));
                    }
                }
                add_transposed_product(products, pairs, len, &mut self.sums.information);
            }
            Pass::Jeffreys(inverse) => {
                product(products, inverse, len, pairs);
                jeffreys(eta, pairs, len, residual);
            }
        }
        add_transposed_product(z, residual, len, &mut self.sums.score);
    }
}

/// The first rows of `left` times `right`, column by column.
#[inline(always)]
fn product(left: &DMatrix<f64>, right: &[f64], len: usize, out: &mut DMatrix<f64>) {
    for (k, by) in right.chunks_exact(left.ncols()).enumerate() {
        let out = column_mut(out, k, len);
        out.fill(0.0);
        for (j, by) in by.iter().enumerate() {
            out.iter_mut().zip(column(left, j, len)).for_each(|(v, x)| *v += x * by);
        }
    }
}

/// `total`, columns of `left` down and of `right` across, += left' right over the first rows.
#[inline(always)]
fn add_transposed_product(left: &DMatrix<f64>, right: &DMatrix<f64>, len: usize, total: &mut [f64]) {
    for (l, sums) in total.chunks_exact_mut(left.ncols()).enumerate() {
        for (k, sum) in sums.iter_mut().enumerate() {
            *sum += dot(column(left, k, len), column(right, l, len));
        }
    }
}

/// Turns the linear predictors of the first rows into probabilities in place; returns their log-likelihood, by the
/// place of the class of each.
#[inline(always)]
fn softmax(eta: &mut DMatrix<f64>, places: &[usize]) -> f64 {
    let (m, len) = (eta.ncols(), places.len());
    let mut value = 0.0;
    for (r, &k) in places.iter().enumerate().filter(|(_, k)| **k < m) {
        value += eta[(r, k)];
    }
    let any_above = |k: usize| column(eta, k, len).iter().fold(false, |any, v| any | (v.abs() > CALM));
    if (0..m).any(any_above) {
        for mut row in eta.rows_mut(0, len).row_iter_mut() {
            let top = row.max().max(0.0);
            row.apply(|v| *v = vector::exp(*v - top));
            let sum = vector::exp(-top) + row.sum();
            row /= sum;
            value -= top + sum.ln();
        }
        return value;
    }
    for k in 0..m {
        column_mut(eta, k, len).iter_mut().for_each(|v| *v = vector::exp(*v));
    }
    let mut sum = [0.0; LOGS];
    for start in (0..len).step_by(LOGS) {
        let n = LOGS.min(len - start);
        sum[..n].fill(1.0);
        for k in 0..m {
            sum.iter_mut().zip(&column(eta, k, len)[start..]).for_each(|(s, v)| *s += v);
        }
        value -= sum[..n].iter().product::<f64>().ln();
        sum[..n].iter_mut().for_each(|s| *s = 1.0 / *s);
        for k in 0..m {
            column_mut(eta, k, len)[start..].iter_mut().zip(&sum).for_each(|(v, s)| *v *= s);
        }
    }
    value
}

/// The rows' part in the derivative of half the log-determinant of the information.
///
/// With q_kl = z'C_kl z (C the inverse information), Q its m by m matrix, and u_c the centred indicator of
/// class c, let q_c = u_c'Q u_c over all m + 1 classes; the derivative by η_k is
/// p_k (q_k - Σ_c p_c q_c) / 2, since the third cumulant of a multinomial draw is Σ_c p_c u_c u_c u_c.
#[inline(always)]
fn jeffreys(prob: &DMatrix<f64>, q: &DMatrix<f64>, len: usize, out: &mut DMatrix<f64>) {
    let m = prob.ncols();
    let mut mean = [0.0; MOST_ROWS];
    for k in 0..m {
        let out = column_mut(out, k, len);
        out.fill(0.0);
        for l in 0..m {
            let (q, p) = (column(q, packed(m, k, l), len), column(prob, l, len));
            out.iter_mut().zip(q).zip(p).for_each(|((v, q), p)| *v += q * p);
        }
        // q_k less the baseline's own p'Qp, which drops out of q_k less the mean.
        let (own, p) = (column(q, packed(m, k, k), len), column(prob, k, len));
        out.iter_mut().zip(own).for_each(|(v, q)| *v = q - 2.0 * *v);
        mean.iter_mut().zip(&*out).zip(p).for_each(|((mean, v), p)| *mean += p * v);
    }
    for k in 0..m {
        let (out, p) = (column_mut(out, k, len), column(prob, k, len));
        out.iter_mut().zip(&mean).zip(p).for_each(|((v, mean), p)| *v = 0.5 * p * (*v - mean));
    }
}
