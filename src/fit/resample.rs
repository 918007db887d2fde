//! Resampling of a least squares fit without refitting: bootstrap, leave-one-out, k-fold.
//!
//! One QR of all rows, X = Q R with residuals r = y - X b, turns every resample into a small well-conditioned
//! system. With weights w (how often a row was drawn; 0 for a row left out)
//!
//! ```text
//!   b(w) = b + R^-1 d,      (Q' W Q) d = Q' W r,      RSS(w) = r' W r - d' Q' W r
//! ```
//!
//! Q'WQ is near a multiple of the identity whatever the condition of X, so that Cholesky keeps the digits that
//! the normal equations in X would lose; and what is solved for is the small difference d. Leaving out one row is
//! closed: r_i / (1 - h_i), h_i = |q_i|^2.

use super::Design;
use super::linear::{Accumulator, LinearFit, back_substitute};
use crate::error::{Error, Result};
use crate::threads;
use crate::vector::{self, Four, Kernel, Kernel4};

/// Replicates that share one walk over the rows. Own choice.
const TOGETHER: usize = 3;
/// Replicates of one piece of work. Own choice.
const PIECE: usize = 16 * TOGETHER;
/// Part of a diagonal under which a resampled system counts as singular. Common practice, no source.
const SINGULAR: f64 = 1e-10;

/// A fit with its rows turned into orthogonal ones.
struct Turned {
    fit: LinearFit,
    /// n x (p + 1), column-major: Q and the residuals.
    q: Vec<f64>,
    n: usize,
    p: usize,
}

impl Turned {
    fn new(design: &Design, y: &[f64]) -> Result<Turned> {
        let (n, p) = (design.rows(), design.columns());
        if y.len() != n {
            return Err(Error::Shape { what: "responses".into(), found: y.len(), expected: n });
        }
        let mut a = Accumulator::new(design.names().to_vec())?;
        a.push_columns(design.matrix().as_slice(), y)?;
        let fit = a.finish()?;
        let mut q = Vec::with_capacity(n * (p + 1));
        q.extend_from_slice(design.matrix().as_slice());
        q.extend_from_slice(y);
        let (triangle, effects) = (fit.triangle(), a.effects());
        vector::run(Orthogonalise { q: &mut q, n, p, triangle, effects });
        Ok(Turned { fit, q, n, p })
    }
}

/// q_j = (x_j - sum R_ij q_i) / R_jj, and the residuals y - sum e_j q_j, in place.
struct Orthogonalise<'a> {
    q: &'a mut [f64],
    n: usize,
    p: usize,
    triangle: &'a [f64],
    effects: &'a [f64],
}

impl Kernel for Orthogonalise<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        let Orthogonalise { q, n, p, triangle, effects } = self;
        for j in 0..=p {
            let (before, own) = q.split_at_mut(j * n);
            let own = &mut own[..n];
            let factors = if j < p { &triangle[j * p..j * p + j] } else { effects };
            for (x, f) in before.chunks_exact(n).zip(factors) {
                for (o, v) in own.iter_mut().zip(x) {
                    *o -= f * v;
                }
            }
            if j < p {
                let inverse = 1.0 / triangle[j * p + j];
                for o in own {
                    *o *= inverse;
                }
            }
        }
    }
}

/// What each row looks like from the others.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOut {
    /// Observed minus what the other rows predict.
    pub residuals: Vec<f64>,
    /// Leverage of each row, between 0 and 1.
    pub leverages: Vec<f64>,
}

/// Leaves out each row in turn, in closed form.
///
/// A row that alone determines a coefficient (leverage 1) has no prediction from the others; its residual is
/// then infinite or not a number.
///
/// # Errors
/// [`Error::Shape`] when lengths differ, and those of [`Accumulator::finish`].
///
/// ```
/// use conchoid::fit::{Design, resample::leave_one_out};
/// let d = Design::from_rows(vec!["intercept".into()], &[[1.0], [1.0], [1.0]]).unwrap();
/// let left = leave_one_out(&d, &[1.0, 2.0, 6.0]).unwrap();
/// assert!((left.residuals[2] - (6.0 - 1.5)).abs() < 1e-14);
/// ```
pub fn leave_one_out(design: &Design, y: &[f64]) -> Result<LeftOut> {
    let t = Turned::new(design, y)?;
    let mut leverages = vec![0.0; t.n];
    let mut residuals = t.q[t.p * t.n..].to_vec();
    vector::run(Leave { q: &t.q[..t.p * t.n], leverages: &mut leverages, residuals: &mut residuals });
    Ok(LeftOut { residuals, leverages })
}

struct Leave<'a> {
    q: &'a [f64],
    leverages: &'a mut [f64],
    residuals: &'a mut [f64],
}

impl Kernel for Leave<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        for column in self.q.chunks_exact(self.leverages.len()) {
            for (h, v) in self.leverages.iter_mut().zip(column) {
                *h += v * v;
            }
        }
        for (r, h) in self.residuals.iter_mut().zip(&*self.leverages) {
            *r /= 1.0 - h;
        }
    }
}

/// Leaves out one fold after the other; `folds` gives the fold of each row. Returns, for each row, observed minus
/// what the rows of the other folds predict.
///
/// # Errors
/// [`Error::Shape`] when lengths differ, those of [`Accumulator::finish`], and [`Error::RankDeficient`] naming a
/// term that is determined no longer when some fold is left out.
///
/// ```
/// use conchoid::fit::{Design, resample::k_fold};
/// let d = Design::from_rows(vec!["intercept".into()], &[[1.0], [1.0], [1.0], [1.0]]).unwrap();
/// let left = k_fold(&d, &[1.0, 2.0, 6.0, 8.0], &[0, 0, 1, 1]).unwrap();
/// assert!((left[0] - (1.0 - 7.0)).abs() < 1e-14);
/// ```
pub fn k_fold(design: &Design, y: &[f64], folds: &[usize]) -> Result<Vec<f64>> {
    if folds.len() != design.rows() {
        return Err(Error::Shape { what: "folds".into(), found: folds.len(), expected: design.rows() });
    }
    let t = Turned::new(design, y)?;
    let (n, p) = (t.n, t.p);
    let m = p + 1;
    // the rows of each fold together, in their order
    let mut rows: Vec<usize> = (0..n).collect();
    rows.sort_by_key(|i| folds[*i]);
    let mut row = vec![0.0; m];
    let mut add = |sums: &mut [f64], i: usize| {
        for (j, v) in row.iter_mut().enumerate() {
            *v = t.q[j * n + i];
        }
        let mut at = 0;
        for a in 0..m {
            for b in a..m {
                sums[at] += row[a] * row[b];
                at += 1;
            }
        }
    };
    let mut all = vec![0.0; m * (m + 1) / 2];
    (0..n).for_each(|i| add(&mut all, i));
    let mut out = vec![0.0; n];
    let mut small = Small::new(p);
    for fold in rows.chunk_by(|a, b| folds[*a] == folds[*b]) {
        let mut left = vec![0.0; all.len()];
        fold.iter().for_each(|i| add(&mut left, *i));
        for (l, a) in left.iter_mut().zip(&all) {
            *l = a - *l;
        }
        // Q'Q is the identity, so what is left is judged against 1
        small.solve(&left, 1.0).map_err(|j| Error::RankDeficient { term: design.names()[j].clone() })?;
        for i in fold {
            let change: f64 = small.d.iter().enumerate().map(|(j, d)| d * t.q[j * n + i]).sum();
            out[*i] = t.q[p * n + i] - change;
        }
    }
    Ok(out)
}

/// The small system of one resample.
struct Small {
    p: usize,
    /// Column-major, lower triangle filled.
    a: Vec<f64>,
    d: Vec<f64>,
}

impl Small {
    fn new(p: usize) -> Small {
        Small { p, a: vec![0.0; p * p], d: vec![0.0; p] }
    }

    /// Solves for d and returns the residual sum of squares; `sums` are the packed products of (Q, r), `size`
    /// what a diagonal would be. The index of a column that is not determined where there is one.
    fn solve(&mut self, sums: &[f64], size: f64) -> std::result::Result<f64, usize> {
        let p = self.p;
        let a = &mut self.a;
        let mut at = 0;
        for j in 0..p {
            a[j * p + j..j * p + p].copy_from_slice(&sums[at..at + p - j]);
            self.d[j] = sums[at + p - j];
            at += p - j + 1;
        }
        let mut rss = sums[at];
        for j in 0..p {
            let pivot = a[j * p + j];
            if !(pivot > SINGULAR * size) {
                return Err(j);
            }
            let inverse = 1.0 / pivot.sqrt();
            for i in j..p {
                a[j * p + i] *= inverse;
            }
            for k in j + 1..p {
                let f = a[j * p + k];
                for i in k..p {
                    a[k * p + i] -= f * a[j * p + i];
                }
            }
            let z = self.d[j] * inverse;
            self.d[j] = z;
            rss -= z * z;
            for i in j + 1..p {
                self.d[i] -= a[j * p + i] * z;
            }
        }
        for j in (0..p).rev() {
            let mut s = self.d[j];
            for i in j + 1..p {
                s -= a[j * p + i] * self.d[i];
            }
            self.d[j] = s / a[j * p + j];
        }
        Ok(rss.max(0.0))
    }
}

/// Coefficients of bootstrap replicates.
#[derive(Debug, Clone, PartialEq)]
pub struct Bootstrap {
    terms: usize,
    coefficients: Vec<f64>,
    spreads: Vec<f64>,
    singular: u64,
}

impl Bootstrap {
    /// The coefficients of one replicate, in the order of the design's names; not numbers where the rows drawn do
    /// not determine them.
    pub fn coefficients(&self, replicate: usize) -> Option<&[f64]> {
        self.coefficients.chunks_exact(self.terms).nth(replicate)
    }

    /// All coefficients, one replicate after the other.
    pub fn all(&self) -> &[f64] {
        &self.coefficients
    }

    /// Residual standard deviation of each replicate.
    pub fn spreads(&self) -> &[f64] {
        &self.spreads
    }

    /// Replicates whose rows do not determine the coefficients (all rows of a class missing, for instance).
    pub fn singular(&self) -> u64 {
        self.singular
    }
}

/// Draws the rows with replacement, `replicates` times, and fits each draw (Efron 1979, Ann. Stat. 7:1: the
/// bootstrap of pairs).
///
/// Each replicate draws from a stream of its own, given by `seed` and its number, so that the answer is the same
/// bytes for any number of threads.
///
/// # Errors
/// [`Error::Shape`] when lengths differ, those of [`Accumulator::finish`], and [`Error::Invalid`] above 2^32 - 1
/// rows.
///
/// ```
/// use conchoid::fit::{Design, resample::bootstrap};
/// let rows: Vec<[f64; 2]> = (0..30).map(|i| [1.0, f64::from(i)]).collect();
/// let d = Design::from_rows(vec!["intercept".into(), "x".into()], &rows).unwrap();
/// let y: Vec<f64> = (0..30).map(|i| 2.0 + 0.5 * f64::from(i) + f64::from(i * 7 % 5) * 0.1).collect();
/// let b = bootstrap(&d, &y, 100, 1).unwrap();
/// assert!((b.coefficients(0).unwrap()[1] - 0.5).abs() < 0.05);
/// assert_eq!(b, bootstrap(&d, &y, 100, 1).unwrap());
/// ```
pub fn bootstrap(design: &Design, y: &[f64], replicates: usize, seed: u64) -> Result<Bootstrap> {
    let n = u32::try_from(design.rows()).map_err(|_| Error::invalid("rows", "at most 2^32 - 1 rows"))?;
    let t = Turned::new(design, y)?;
    let p = t.p;
    let products = Products::new(&t);
    let pieces = threads::in_order(replicates.div_ceil(PIECE), |k| {
        let from = k * PIECE;
        products.piece(&t, n, seed, from..replicates.min(from + PIECE))
    });
    let mut all = Bootstrap {
        terms: p,
        coefficients: Vec::with_capacity(replicates * p),
        spreads: Vec::with_capacity(replicates),
        singular: 0,
    };
    for part in pieces {
        all.coefficients.extend(part.coefficients);
        all.spreads.extend(part.spreads);
        all.singular += part.singular;
    }
    Ok(all)
}

/// The products of each row's (q, r), packed: what a resample sums.
struct Products {
    /// `packs` packs of four for each row.
    of: Vec<[f64; 4]>,
    packs: usize,
}

impl Products {
    fn new(t: &Turned) -> Products {
        let m = t.p + 1;
        let packs = (m * (m + 1) / 2).div_ceil(4);
        let mut of = vec![[0.0; 4]; packs * t.n];
        for (i, packs) in of.chunks_exact_mut(packs).enumerate() {
            let packed = packs.as_flattened_mut();
            let mut at = 0;
            for a in 0..m {
                for b in a..m {
                    packed[at] = t.q[a * t.n + i] * t.q[b * t.n + i];
                    at += 1;
                }
            }
        }
        Products { of, packs }
    }

    fn piece(&self, t: &Turned, n: u32, seed: u64, replicates: std::ops::Range<usize>) -> Bootstrap {
        let p = t.p;
        let rows = n as usize;
        let mut out = Bootstrap { terms: p, coefficients: Vec::new(), spreads: Vec::new(), singular: 0 };
        let mut counts = vec![[0.0; TOGETHER]; rows];
        let mut sums = vec![[[0.0; 4]; TOGETHER]; self.packs];
        let mut packed = vec![0.0; 4 * self.packs];
        let mut small = Small::new(p);
        for first in replicates.clone().step_by(TOGETHER) {
            let some = TOGETHER.min(replicates.end - first);
            counts.fill([0.0; TOGETHER]);
            for k in 0..some {
                draw(&mut counts, k, n, seed, (first + k) as u64);
            }
            vector::run4(Sum { counts: &counts, products: self, sums: &mut sums });
            for k in 0..some {
                for (to, from) in packed.chunks_exact_mut(4).zip(&sums) {
                    to.copy_from_slice(&from[k]);
                }
                match small.solve(&packed, 1.0) {
                    Ok(rss) => {
                        let change = back_substitute(t.fit.triangle(), p, &small.d);
                        out.coefficients.extend(t.fit.coefficients().iter().zip(change).map(|(b, d)| b + d));
                        out.spreads.push((rss / t.fit.degrees_of_freedom()).sqrt());
                    }
                    Err(_) => {
                        out.coefficients.extend(std::iter::repeat_n(f64::NAN, p));
                        out.spreads.push(f64::NAN);
                        out.singular += 1;
                    }
                }
            }
        }
        out
    }
}

/// How often each of `rows` rows is drawn in one replicate of a [`bootstrap`] with this seed.
///
/// ```
/// let counts = conchoid::fit::resample::drawn(500, 1, 0);
/// assert_eq!(counts.iter().sum::<u32>(), 500);
/// ```
pub fn drawn(rows: u32, seed: u64, replicate: u64) -> Vec<u32> {
    let mut counts = vec![[0.0; TOGETHER]; rows as usize];
    draw(&mut counts, 0, rows, seed, replicate);
    counts.into_iter().map(|c| c[0] as u32).collect()
}

/// Counts how often each row is drawn, without bias (Lemire 2019, ACM Trans. Model. Comput. Simul. 29:3).
fn draw(counts: &mut [[f64; TOGETHER]], k: usize, n: u32, seed: u64, replicate: u64) {
    let mut stream = Stream::new(seed, replicate);
    let unfair = n.wrapping_neg().checked_rem(n).unwrap_or(0);
    let mut left = n;
    while left > 0 {
        let both = stream.next();
        for half in [both as u32, (both >> 32) as u32] {
            let product = u64::from(half) * u64::from(n);
            if left > 0 && product as u32 >= unfair {
                counts[(product >> 32) as usize][k] += 1.0;
                left -= 1;
            }
        }
    }
}

/// SplitMix64 (Steele, Lea & Flood 2014, OOPSLA, p. 453; constants of Vigna's public-domain version, from
/// memory): the k-th number is a mix of seed, replicate and k, so that any stream can start anywhere.
struct Stream {
    at: u64,
}

const GOLDEN: u64 = 0x9e37_79b9_7f4a_7c15;

impl Stream {
    fn new(seed: u64, replicate: u64) -> Stream {
        Stream { at: mix(seed ^ mix(replicate.wrapping_add(GOLDEN))) }
    }

    fn next(&mut self) -> u64 {
        self.at = self.at.wrapping_add(GOLDEN);
        mix(self.at)
    }
}

fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// Sums of the products, weighted by the counts of a few replicates.
struct Sum<'a> {
    counts: &'a [[f64; TOGETHER]],
    products: &'a Products,
    sums: &'a mut [[[f64; 4]; TOGETHER]],
}

impl Kernel4 for Sum<'_> {
    type Output = ();
    #[inline(always)]
    fn go<F: Four>(self, f: F) {
        let packs = self.products.packs;
        let mut at = 0;
        while at < packs {
            let k = (packs - at).min(4);
            match k {
                1 => some::<F, 1>(f, self.counts, &self.products.of, packs, at, self.sums),
                2 => some::<F, 2>(f, self.counts, &self.products.of, packs, at, self.sums),
                3 => some::<F, 3>(f, self.counts, &self.products.of, packs, at, self.sums),
                _ => some::<F, 4>(f, self.counts, &self.products.of, packs, at, self.sums),
            }
            at += k;
        }
    }
}

#[inline(always)]
fn some<F: Four, const K: usize>(
    f: F,
    counts: &[[f64; TOGETHER]],
    products: &[[f64; 4]],
    packs: usize,
    at: usize,
    sums: &mut [[[f64; 4]; TOGETHER]],
) {
    let mut own = [[f.all(0.0); TOGETHER]; K];
    for (count, row) in counts.iter().zip(products.chunks_exact(packs)) {
        let row = &row[at..at + K];
        let by = count.map(|c| f.all(c));
        for k in 0..K {
            let v = f.load(&row[k]);
            for r in 0..TOGETHER {
                own[k][r] = f.add(own[k][r], f.mul(by[r], v));
            }
        }
    }
    for k in 0..K {
        for r in 0..TOGETHER {
            sums[at + k][r] = f.store(own[k][r]);
        }
    }
}
