//! Least squares by streaming blocked Householder QR.
//!
//! Model: y = X b + e, e ~ N(0, s^2 / w), X of n rows and p named columns, w > 0 (1 where not given).
//!
//! Rows arrive one by one or in columns; a block of them is stacked under the triangle R of what came
//! before and the whole is made triangular again by Householder reflections, with the response as one
//! more column:
//!
//! ```text
//!   [ R  Q'y ]        [ R*  Q*'y ]
//!   [ X   y  ]   ->   [ 0    r   ]     memory: (p + 1)^2 numbers and one block, for any n
//! ```
//!
//! X'X is never formed. Two [`Accumulator`]s merge by the same step, so a fit can be split over threads
//! or machines:
//!
//! | step | where | what |
//! |---|---|---|
//! | map | beside each partition | [`Accumulator::push`] its rows (or fold its columns, [`Accumulator::of`]) |
//! | carry | | [`Accumulator`] through `serde`: (p + 1)(p + 2) / 2 numbers, whatever the rows |
//! | reduce | anywhere, in any tree | [`Accumulator::merge`] in one agreed order, which fixes the bytes |
//! | finish | once | [`Accumulator::finish`], equal to the single fit to rounding |
//!
//! `examples/partitions.rs` does it with files. A column that the others determine is named in the error. Everything a fit reports
//! (coefficients, covariance, spread, R2, likelihood) comes from the triangle; leverage, residuals and
//! leave-one-out come from a second walk over the rows, in closed form.

pub(crate) mod kernel;

use super::Design;
use crate::error::{Error, Place, Result, at_least, check_size};
use serde::{Deserialize, Serialize};

/// Rows in a block: 512 rows of a dozen columns stay within a first-level cache. This crate's choice, no source.
const BLOCK: usize = 512;

/// Relative size of a diagonal element of R, against its column, under which the column counts as
/// determined by the earlier ones: some hundred units of rounding.
const RANK_TOLERANCE: f64 = 1e-13;

/// Collects rows for a least squares fit in constant memory; two of them merge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "UncheckedAccumulator", into = "UncheckedAccumulator")]
pub struct Accumulator {
    names: Vec<String>,
    /// Column-major upper triangle of [R Q'y], (p + 1) x (p + 1).
    r: Vec<f64>,
    n: u64,
    sum_ln_weight: f64,
    /// Column-major block of rows that wait for the next reflection, BLOCK x (p + 1).
    block: Vec<f64>,
    waiting: usize,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct UncheckedAccumulator {
    names: Vec<String>,
    rows: u64,
    sum_ln_weight: f64,
    triangle: Vec<Vec<f64>>,
}

impl From<Accumulator> for UncheckedAccumulator {
    fn from(mut a: Accumulator) -> Self {
        a.settle();
        let m = a.names.len() + 1;
        let triangle = (0..m).map(|j| a.r[j * m..=j * m + j].to_vec()).collect();
        UncheckedAccumulator { names: a.names, rows: a.n, sum_ln_weight: a.sum_ln_weight, triangle }
    }
}

impl TryFrom<UncheckedAccumulator> for Accumulator {
    type Error = Error;
    fn try_from(u: UncheckedAccumulator) -> Result<Self> {
        let mut a = Accumulator::new(u.names)?;
        let m = a.names.len() + 1;
        let right_shape =
            u.triangle.len() == m && u.triangle.iter().enumerate().all(|(j, c)| c.len() == j + 1);
        if !right_shape || !u.sum_ln_weight.is_finite() || u.triangle.iter().flatten().any(|v| !v.is_finite())
        {
            return Err(Error::invalid(
                "triangle",
                "expected one column of finite numbers per term and one more",
            ));
        }
        for (j, column) in u.triangle.iter().enumerate() {
            a.r[j * m..=j * m + j].copy_from_slice(column);
        }
        a.n = u.rows;
        a.sum_ln_weight = u.sum_ln_weight;
        Ok(a)
    }
}

impl Accumulator {
    /// An empty accumulator for terms of these names. A first term called `intercept` marks a constant,
    /// about whose mean R2 is then measured.
    ///
    /// # Errors
    /// [`Error::TooFew`] without any name, [`Error::Invalid`] beyond 1000 terms.
    pub fn new(names: Vec<String>) -> Result<Accumulator> {
        at_least("terms", names.len(), 1)?;
        if names.len() > 1000 {
            return Err(Error::invalid("terms", "at most 1000 terms"));
        }
        let m = names.len() + 1;
        Ok(Accumulator {
            names,
            r: vec![0.0; m * m],
            n: 0,
            sum_ln_weight: 0.0,
            block: vec![0.0; BLOCK * m],
            waiting: 0,
        })
    }

    /// Rows taken so far.
    #[cfg(test)]
    pub fn rows(&self) -> u64 {
        self.n
    }

    /// Takes one row: the terms, and the response.
    ///
    /// # Errors
    /// [`Error::Shape`] for a row of another length; [`Error::OutOfRange`] for a number that is not finite,
    /// naming the term. The accumulator is unchanged then.
    pub fn push(&mut self, row: &[f64], y: f64) -> Result<()> {
        self.push_weighted(row, y, 1.0)
    }

    /// Takes one row with a weight (a variance of s^2 / weight).
    ///
    /// # Errors
    /// As [`Accumulator::push`]; also for a weight that is not positive.
    pub fn push_weighted(&mut self, row: &[f64], y: f64, weight: f64) -> Result<()> {
        let p = self.names.len();
        check_size("terms in a row", row.len(), p)?;
        let position = self.n + 1;
        if let Some(j) = row.iter().position(|v| !v.is_finite()) {
            return Err(not_finite(position, &self.names[j], row[j]));
        }
        if !y.is_finite() {
            return Err(not_finite(position, "response", y));
        }
        if !(weight > 0.0 && weight.is_finite()) {
            return Err(Error::out_of_range(Place::cell(position, "weight"), weight, "above 0 and finite"));
        }
        let root = if weight == 1.0 { 1.0 } else { weight.sqrt() };
        for (j, v) in row.iter().enumerate() {
            self.block[j * BLOCK + self.waiting] = v * root;
        }
        self.block[p * BLOCK + self.waiting] = y * root;
        if weight != 1.0 {
            self.sum_ln_weight += weight.ln();
        }
        self.n += 1;
        self.waiting += 1;
        if self.waiting == BLOCK {
            self.settle();
        }
        Ok(())
    }

    /// Folds the waiting rows into the triangle.
    fn settle(&mut self) {
        if self.waiting > 0 {
            self.reflect_waiting();
        }
    }

    /// Of rows without weights whose triangle was made elsewhere.
    ///
    /// # Errors
    /// As [`Accumulator::new`].
    pub(crate) fn of(names: Vec<String>, triangle: Vec<f64>, rows: u64) -> Result<Accumulator> {
        Ok(Accumulator { r: triangle, n: rows, ..Accumulator::new(names)? })
    }

    fn reflect_waiting(&mut self) {
        let m = self.names.len() + 1;
        let rows = self.waiting.next_multiple_of(kernel::STEP);
        if rows > self.waiting {
            for column in self.block.chunks_exact_mut(BLOCK) {
                column[self.waiting..rows].fill(0.0);
            }
        }
        kernel::reflect(&mut self.r, m, &mut self.block, BLOCK, rows, &mut vec![0.0; m]);
        self.waiting = 0;
    }

    /// Takes in everything another accumulator has seen.
    ///
    /// # Errors
    /// [`Error::Incomparable`] when the terms differ.
    pub fn merge(&mut self, other: &Accumulator) -> Result<()> {
        if self.names != other.names {
            return Err(Error::Incomparable { reason: "the accumulators have different terms".into() });
        }
        self.settle();
        let m = self.names.len() + 1;
        let mut theirs = other.clone();
        theirs.settle();
        kernel::stack(&mut self.r, m, &theirs.r);
        self.n += other.n;
        self.sum_ln_weight += other.sum_ln_weight;
        Ok(())
    }

    /// Solves for the coefficients.
    ///
    /// # Errors
    /// [`Error::TooFew`] with fewer rows than terms plus one, [`Error::RankDeficient`] naming the first term
    /// that the earlier ones determine, [`Error::Invalid`] where squares are beyond what a double holds.
    pub fn finish(&self) -> Result<LinearFit> {
        // the block is only copied where rows wait in it
        if self.waiting > 0 {
            let mut a = self.clone();
            a.settle();
            return a.finish();
        }
        let a = self;
        let p = a.names.len();
        let m = p + 1;
        let at = |i: usize, j: usize| a.r[j * m + i];
        if (a.n as usize) < p + 1 {
            return Err(Error::TooFew { what: "rows".into(), found: a.n as usize, needed: p + 1 });
        }
        for j in 0..p {
            let norm = (0..=j).map(|i| at(i, j).powi(2)).sum::<f64>().sqrt();
            // a comparison that also catches a norm that overflowed
            if !(at(j, j).abs() > RANK_TOLERANCE * norm && norm.is_finite()) {
                return Err(Error::RankDeficient { term: a.names[j].clone() });
            }
        }
        let mut triangle = vec![0.0; p * p];
        for j in 0..p {
            for i in 0..=j {
                triangle[j * p + i] = at(i, j);
            }
        }
        let effects: Vec<f64> = (0..p).map(|i| at(i, p)).collect();
        let rss = at(p, p).powi(2);
        let coefficients = back_substitute(&triangle, p, &effects);
        let has_intercept = a.names[0] == "intercept";
        let explained: f64 = effects.iter().skip(usize::from(has_intercept)).map(|e| e * e).sum();
        LinearFit {
            names: a.names.clone(),
            coefficients,
            triangle,
            rss,
            explained,
            n: a.n,
            sum_ln_weight: a.sum_ln_weight,
            has_intercept,
        }
        .checked()
    }
}

fn not_finite(row: u64, name: &str, value: f64) -> Error {
    Error::out_of_range(Place::cell(row, name), value, "finite numbers")
}

/// Dot product in eight running sums, in a fixed order, so that every build gives the same bytes.
#[inline(always)]
pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0f64; 8];
    let (a8, b8) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f64 = a8.remainder().iter().zip(b8.remainder()).map(|(x, y)| x * y).sum();
    for (x, y) in a8.zip(b8) {
        for k in 0..8 {
            sums[k] += x[k] * y[k];
        }
    }
    ((sums[0] + sums[4]) + (sums[1] + sums[5])) + ((sums[2] + sums[6]) + (sums[3] + sums[7])) + rest
}

/// Solves R b = e for an upper triangle (column-major p x p).
pub(crate) fn back_substitute(r: &[f64], p: usize, e: &[f64]) -> Vec<f64> {
    let mut b = e.to_vec();
    for j in (0..p).rev() {
        b[j] /= r[j * p + j];
        let bj = b[j];
        for i in 0..j {
            b[i] -= r[j * p + i] * bj;
        }
    }
    b
}

/// Solves R' z = x in place for an upper triangle (column-major p x p).
fn forward_substitute(r: &[f64], p: usize, z: &mut [f64]) {
    for j in 0..p {
        let mut s = z[j];
        for i in 0..j {
            s -= r[j * p + i] * z[i];
        }
        z[j] = s / r[j * p + j];
    }
}

/// A finished least squares fit.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearFit {
    names: Vec<String>,
    coefficients: Vec<f64>,
    /// Column-major upper triangle R, p x p.
    triangle: Vec<f64>,
    rss: f64,
    explained: f64,
    n: u64,
    sum_ln_weight: f64,
    has_intercept: bool,
}

/// Fits a whole design at once.
///
/// # Errors
/// [`Error::Shape`] when lengths differ, and those of [`Accumulator::push_weighted`] and
/// [`Accumulator::finish`].
pub fn fit(design: &Design, y: &[f64], weights: Option<&[f64]>) -> Result<LinearFit> {
    let n = design.rows();
    for (what, found) in [("responses", y.len()), ("weights", weights.map_or(n, <[f64]>::len))] {
        check_size(what, found, n)?;
    }
    let mut a = Accumulator::new(design.names().to_vec())?;
    let mut row = vec![0.0; design.columns()];
    for i in 0..n {
        for (j, v) in row.iter_mut().enumerate() {
            *v = design.matrix()[(i, j)];
        }
        a.push_weighted(&row, y[i], weights.map_or(1.0, |w| w[i]))?;
    }
    a.finish()
}

impl LinearFit {
    fn checked(self) -> Result<LinearFit> {
        let finite = self.coefficients.iter().chain(&self.triangle).all(|v| v.is_finite())
            && (self.explained + self.rss + self.sum_ln_weight).is_finite();
        if !finite || self.standard_errors().iter().any(|s| !s.is_finite()) {
            let reason = "its numbers are too large or too small to square (give the columns in other units)";
            return Err(Error::invalid("fit", reason));
        }
        Ok(self)
    }

    /// Names of the terms.
    #[cfg(test)]
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The coefficients, in the order of the names.
    pub fn coefficients(&self) -> &[f64] {
        &self.coefficients
    }

    /// Rows fitted.
    pub fn rows(&self) -> u64 {
        self.n
    }

    /// n - p.
    pub fn degrees_of_freedom(&self) -> f64 {
        self.n as f64 - self.names.len() as f64
    }

    /// Residual sum of squares (weighted).
    pub fn residual_sum_of_squares(&self) -> f64 {
        self.rss
    }

    /// Residual standard deviation, sqrt(RSS / (n - p)): the spread of one observation of weight 1.
    pub fn spread(&self) -> f64 {
        (self.rss / self.degrees_of_freedom()).sqrt()
    }

    /// Share of the variation explained; about the mean where there is an intercept, else about zero. 0 where
    /// the response does not vary, so that there is nothing to explain.
    pub fn r_squared(&self) -> f64 {
        let total = self.explained + self.rss;
        if total == 0.0 { 0.0 } else { self.explained / total }
    }

    /// R2 corrected for the number of terms.
    pub fn adjusted_r_squared(&self) -> f64 {
        let total = self.n as f64 - f64::from(u8::from(self.has_intercept));
        1.0 - (1.0 - self.r_squared()) * total / self.degrees_of_freedom()
    }

    /// Log-likelihood of the response as fitted (transformed), at its maximum.
    pub(crate) fn log_likelihood(&self) -> f64 {
        let n = self.n as f64;
        0.5 * (self.sum_ln_weight - n * ((2.0 * std::f64::consts::PI).ln() + 1.0 + (self.rss / n).ln()))
    }

    /// Akaike's criterion for the size in its own unit, the residual variance a parameter: `ln_jacobian` is the sum
    /// over the rows of ln |dg/dsize|, so that forms with different transforms of the same sizes can be compared.
    pub(crate) fn aic_in_own_unit(&self, ln_jacobian: f64) -> f64 {
        2.0 * ((self.names.len() + 1) as f64 - self.log_likelihood() - ln_jacobian)
    }

    /// Covariance of the coefficients, s^2 (X'WX)^-1, row by row.
    pub fn covariance(&self) -> Vec<Vec<f64>> {
        let p = self.names.len();
        let s2 = self.rss / self.degrees_of_freedom();
        // the Gram matrix of the columns of R^-1
        let inverse = self.inverse();
        (0..p)
            .map(|a| (0..p).map(|b| s2 * inverse.iter().map(|c| c[a] * c[b]).sum::<f64>()).collect())
            .collect()
    }

    /// Columns of R^-1.
    fn inverse(&self) -> Vec<Vec<f64>> {
        let p = self.names.len();
        let unit = |j: usize| (0..p).map(|i| f64::from(u8::from(i == j))).collect::<Vec<f64>>();
        (0..p).map(|j| back_substitute(&self.triangle, p, &unit(j))).collect()
    }

    /// Columns of R^-1, each down to its diagonal, one after the other.
    pub(crate) fn inverse_triangle(&self) -> Vec<f64> {
        self.inverse().into_iter().enumerate().flat_map(|(j, c)| c.into_iter().take(j + 1)).collect()
    }

    /// Standard errors of the coefficients.
    pub fn standard_errors(&self) -> Vec<f64> {
        self.covariance().iter().enumerate().map(|(j, row)| row[j].sqrt()).collect()
    }

    /// Leverage of a row of terms: x' (X'WX)^-1 x.
    ///
    /// # Errors
    /// [`Error::Shape`] for a row of another length.
    pub fn leverage(&self, row: &[f64]) -> Result<f64> {
        let p = self.names.len();
        check_size("terms in a row", row.len(), p)?;
        let mut z = row.to_vec();
        forward_substitute(&self.triangle, p, &mut z);
        Ok(dot(&z, &z))
    }

    /// The expected response at a row of terms.
    ///
    /// # Errors
    /// [`Error::Shape`] for a row of another length.
    pub fn expected(&self, row: &[f64]) -> Result<f64> {
        check_size("terms in a row", row.len(), self.names.len())?;
        Ok(row.iter().zip(&self.coefficients).map(|(x, b)| x * b).sum())
    }

    /// Interval for the expected response at a row of terms (`own` 0) or one new observation there (`own` 1), exact under
    /// normal errors.
    #[cfg(test)]
    pub(crate) fn interval(&self, row: &[f64], level: f64, own: f64) -> Result<(f64, f64)> {
        let centre = self.expected(row)?;
        let half = crate::special::student_quantile(0.5 + level / 2.0, self.degrees_of_freedom())
            * self.spread()
            * (own + self.leverage(row)?).sqrt();
        Ok((centre - half, centre + half))
    }

    /// Leverage, standardised residual and left-out residual of a row of as many terms, as
    /// [`LinearFit::diagnose`] has them; `spread` is that of the fit, `z` memory to work in.
    pub(crate) fn stand(&self, row: &[f64], y: f64, spread: f64, z: &mut Vec<f64>) -> (f64, f64, f64) {
        let p = self.names.len();
        let residual = y - row.iter().zip(&self.coefficients).map(|(x, b)| x * b).sum::<f64>();
        z.clear();
        z.extend_from_slice(row);
        forward_substitute(&self.triangle, p, z);
        let leverage = dot(z, z);
        let standardised = residual / (spread * (1.0 - leverage).sqrt());
        (leverage, standardised, residual / (1.0 - leverage))
    }

    /// What one row says of the fit, and the fit of it; `y` is its response, `weight` 1 where there is none.
    ///
    /// # Errors
    /// [`Error::Shape`] for a row of another length.
    pub fn diagnose(&self, row: &[f64], y: f64, weight: f64) -> Result<RowDiagnostics> {
        let residual = y - self.expected(row)?;
        let leverage = weight * self.leverage(row)?;
        let df = self.degrees_of_freedom();
        let s = self.spread();
        let p = self.names.len() as f64;
        let weighted = residual * weight.sqrt();
        let standardised = weighted / (s * (1.0 - leverage).sqrt());
        let without = ((self.rss - weighted * weighted / (1.0 - leverage)) / (df - 1.0)).sqrt();
        Ok(RowDiagnostics {
            residual,
            leverage,
            standardised,
            studentised: weighted / (without * (1.0 - leverage).sqrt()),
            cooks_distance: standardised * standardised * leverage / ((1.0 - leverage) * p),
            left_out: residual / (1.0 - leverage),
        })
    }
}

/// How one row stands to a least squares fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RowDiagnostics {
    /// Observed minus expected.
    pub residual: f64,
    /// Between 0 and 1; the sum over all rows is the number of terms.
    pub leverage: f64,
    /// Residual over its standard deviation, the spread taken from all rows.
    pub standardised: f64,
    /// The same with the spread taken from the other rows (follows t with n - p - 1).
    pub studentised: f64,
    /// How far all fitted values move if the row is left out (Cook 1977, Technometrics 19:15).
    pub cooks_distance: f64,
    /// Observed minus what the other rows predict.
    pub left_out: f64,
}

/// Diagnostics of every row of a design.
///
/// # Errors
/// [`Error::Shape`] when lengths differ.
pub fn diagnostics(
    fit: &LinearFit,
    design: &Design,
    y: &[f64],
    weights: Option<&[f64]>,
) -> Result<Vec<RowDiagnostics>> {
    if y.len() != design.rows() || weights.is_some_and(|w| w.len() != y.len()) {
        return Err(Error::Shape { what: "responses".into(), found: y.len(), expected: design.rows() });
    }
    let mut row = vec![0.0; design.columns()];
    (0..y.len())
        .map(|i| {
            for (j, v) in row.iter_mut().enumerate() {
                *v = design.matrix()[(i, j)];
            }
            fit.diagnose(&row, y[i], weights.map_or(1.0, |w| w[i]))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names() -> Vec<String> {
        ["intercept", "x", "z"].map(String::from).to_vec()
    }

    /// Invented rows, more than two blocks of them, with terms of unlike size.
    fn rows(n: usize) -> Vec<([f64; 3], f64)> {
        (0..n)
            .map(|i| {
                let t = i as f64;
                ([1.0, (0.7 * t).sin(), 3.0 * (0.3 * t).cos() + 0.01 * t], 2.0 + (1.1 * t).sin() - 0.02 * t)
            })
            .collect()
    }

    /// R' (Q'y) is X'y, summed here without any triangle; so are R'R and X'X.
    #[test]
    fn effects_and_triangle_reproduce_the_products_of_the_rows() {
        for n in [4, 9, 30, 700] {
            let rows = rows(n);
            let mut a = Accumulator::new(names()).unwrap();
            rows.iter().for_each(|(x, y)| a.push(x, *y).unwrap());
            a.settle();
            let effects = &a.r[12..15];
            for j in 0..3 {
                let column: Vec<f64> = (0..=j).map(|i| a.r[j * 4 + i]).collect();
                let found: f64 = column.iter().zip(effects).map(|(r, e)| r * e).sum();
                let expected: f64 = rows.iter().map(|(x, y)| x[j] * y).sum();
                assert!((found - expected).abs() < 1e-11 * n as f64, "{n} rows, {j}: {found} {expected}");
                let found: f64 = column.iter().map(|r| r * r).sum();
                let expected: f64 = rows.iter().map(|(x, _)| x[j] * x[j]).sum();
                assert!((found / expected - 1.0).abs() < 1e-12, "{n} rows, {j}: {found} {expected}");
            }
        }
    }

    /// Whole numbers, so that the sum is exact whatever its order.
    #[test]
    fn a_dot_product_leaves_no_element_out() {
        for n in 0..40i32 {
            let a: Vec<f64> = (0..n).map(|i| f64::from(i + 1)).collect();
            let b: Vec<f64> = (0..n).map(|i| f64::from(3 * i - 7)).collect();
            let expected: i32 = (0..n).map(|i| (i + 1) * (3 * i - 7)).sum();
            assert_eq!(dot(&a, &b), f64::from(expected), "{n} elements");
        }
    }

    #[test]
    fn merged_and_adopted_rows_keep_their_weights() {
        let rows = rows(20);
        let weight = |i: usize| 0.5 + i as f64 / 7.0;
        let take = |range: std::ops::Range<usize>| {
            let mut a = Accumulator::new(names()).unwrap();
            range.for_each(|i| a.push_weighted(&rows[i].0, rows[i].1, weight(i)).unwrap());
            a
        };
        let whole = take(0..20).finish().unwrap();
        let mut merged = take(0..9);
        merged.merge(&take(9..20)).unwrap();
        let merged = merged.finish().unwrap();
        let (a, b) = (whole.log_likelihood(), merged.log_likelihood());
        assert!((a - b).abs() < 1e-11, "{a} {b}");
        assert_eq!(merged.rows(), 20);
        let mut from = take(0..20);
        from.settle();
        let heir = Accumulator::of(names(), from.r.clone(), from.n).unwrap();
        assert_eq!(heir.finish().unwrap().coefficients(), from.finish().unwrap().coefficients());
    }

    #[test]
    fn one_row_more_than_terms_is_enough_and_one_fewer_is_not() {
        let mut a = Accumulator::new(names()).unwrap();
        for (x, y) in rows(3) {
            a.push(&x, y).unwrap();
        }
        let few = Error::TooFew { what: "rows".into(), found: 3, needed: 4 };
        assert_eq!(a.finish().unwrap_err(), few);
        let (x, y) = rows(4)[3];
        a.push(&x, y).unwrap();
        assert_eq!(a.finish().unwrap().degrees_of_freedom(), 1.0);
    }

    #[test]
    fn whether_a_column_is_determined_does_not_depend_on_its_unit() {
        let fitted = |unit: f64, slip: f64| {
            let mut a = Accumulator::new(names()).unwrap();
            for i in 0..20 {
                let x = (f64::from(i) * 0.7).sin();
                let z = 0.3 + 2.0 * x + slip * f64::from(i % 3);
                a.push(&[1.0, unit * x, unit * z], f64::from(i)).unwrap();
            }
            a.finish()
        };
        for unit in [1e-9, 1.0, 1e9] {
            assert_eq!(fitted(unit, 0.0).unwrap_err(), Error::RankDeficient { term: "z".into() }, "{unit}");
            assert!(fitted(unit, 1e-3).is_ok(), "{unit}");
        }
    }

    /// Eight points about a line, with residuals of 1 and -1 that are orthogonal to both terms.
    #[test]
    fn a_whole_design_is_fitted_and_unlike_lengths_are_refused() {
        let x: Vec<[f64; 2]> = (0..8).map(|i| [1.0, f64::from(i)]).collect();
        let signs = [1.0, -1.0, -1.0, 1.0, 1.0, -1.0, -1.0, 1.0];
        let y: Vec<f64> = x.iter().zip(signs).map(|(x, s)| 2.0 + 3.0 * x[1] + s).collect();
        let design = Design::from_rows(vec!["intercept".into(), "x".into()], &x).unwrap();
        let found = fit(&design, &y, None).unwrap();
        assert!(
            (found.coefficients()[0] - 2.0).abs() < 1e-13 && (found.coefficients()[1] - 3.0).abs() < 1e-13
        );
        assert!((found.residual_sum_of_squares() - 8.0).abs() < 1e-12);
        let e = fit(&design, &y[..7], None).unwrap_err();
        assert_eq!(e, Error::Shape { what: "responses".into(), found: 7, expected: 8 });
        let e = fit(&design, &y, Some(&[1.0; 9])).unwrap_err();
        assert_eq!(e, Error::Shape { what: "weights".into(), found: 9, expected: 8 });
        assert!(diagnostics(&found, &design, &y[..7], None).is_err());
        assert!(diagnostics(&found, &design, &y, Some(&[1.0; 7])).is_err());
        assert_eq!(diagnostics(&found, &design, &y, Some(&[1.0; 8])).unwrap().len(), 8);
        let heavier = fit(&design, &y, Some(&[4.0; 8])).unwrap();
        assert!((heavier.residual_sum_of_squares() - 32.0).abs() < 1e-12);
    }

    #[test]
    fn a_fit_with_numbers_beyond_the_doubles_is_refused() {
        let mut a = Accumulator::new(names()).unwrap();
        rows(12).iter().for_each(|(x, y)| a.push(x, *y).unwrap());
        let fine = a.finish().unwrap();
        assert_eq!(fine.clone().checked().unwrap(), fine);
        type Spoil = fn(&mut LinearFit);
        let spoilt: [(&str, Spoil); 6] = [
            ("a coefficient that is no number", |f| f.coefficients[1] = f64::NAN),
            ("an infinite number in the triangle", |f| f.triangle[3] = f64::INFINITY),
            ("an infinite sum of squares", |f| f.rss = f64::INFINITY),
            ("a weight that is no number", |f| f.sum_ln_weight = f64::NAN),
            ("squares that overflow together", |f| (f.rss, f.explained) = (1.7e308, 1.7e308)),
            ("standard errors beyond the doubles", |f| f.triangle[8] = 1e-200),
        ];
        for (what, spoil) in spoilt {
            let mut f = fine.clone();
            spoil(&mut f);
            let told = f.checked().expect_err(what).to_string();
            assert!(told.contains("too small to square"), "{what}: {told}");
        }
        // nothing left over and nothing to explain are no faults
        let mut flat = fine.clone();
        (flat.rss, flat.explained) = (0.0, 0.0);
        assert_eq!(flat.checked().unwrap().r_squared(), 0.0);
        let mut large = fine.clone();
        (large.rss, large.explained) = (1e200, 3e200);
        assert_eq!(large.checked().unwrap().r_squared(), 0.75);
    }

    /// What stands by itself here is held against R by `tests/r_lm.rs` of this room where it is diagnosed.
    #[test]
    fn shorter_ways_agree_with_the_longer_ones() {
        let rows = rows(15);
        let mut a = Accumulator::new(names()).unwrap();
        rows.iter().for_each(|(x, y)| a.push(x, *y).unwrap());
        let fit = a.finish().unwrap();
        let near = |a: f64, b: f64, what: &str| assert!((a - b).abs() <= 1e-12 * b.abs(), "{what}: {a} {b}");
        let mut z = vec![9.0; 5];
        for (x, y) in &rows {
            let d = fit.diagnose(x, *y, 1.0).unwrap();
            let (leverage, standardised, left_out) = fit.stand(x, *y, fit.spread(), &mut z);
            near(leverage, d.leverage, "leverage");
            near(standardised, d.standardised, "standardised");
            near(left_out, d.left_out, "left out");
        }
        // a density in another unit has the logarithm of the unit added, and no more parameters
        near(fit.aic_in_own_unit(-7.5), fit.aic_in_own_unit(0.0) + 15.0, "criterion");
        assert_eq!((fit.names(), fit.rows()), (&names()[..], 15));
        // R'R of the triangle is X'X
        let t = &fit.triangle;
        for (j, k) in [(0, 0), (0, 2), (1, 1), (1, 2), (2, 2)] {
            let found: f64 = (0..3).map(|i| t[j * 3 + i] * t[k * 3 + i]).sum();
            let expected: f64 = rows.iter().map(|(x, _)| x[j] * x[k]).sum();
            assert!((found - expected).abs() < 1e-12, "{j} {k}: {found} {expected}");
        }
    }
}
