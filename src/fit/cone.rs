//! The point of a cone, or of any set that linear inequalities bound, that lies nearest to an estimate: what sign
//! constraints make of a fit.
//!
//! ```text
//!   minimise (x - b)'V⁻¹(x - b)   subject to   g_i'x >= h_i,  i = 1..m
//!   x = b + C z,  V = CC':   minimise |z|²   subject to   (C'g_i)'z >= h_i - g_i'b
//! ```
//!
//! b is an estimate and V its covariance, so that the answer is the constrained least squares (or penalised) estimate
//! itself. The problem in z is one of least distance; it is answered by non-negative least squares on its dual (Lawson
//! and Hanson 1974, *Solving Least Squares Problems*, ch. 23; from memory), which ends after finitely many steps. Only
//! the inequalities that some answer on the way broke are taken into it, so that very many may be given. Because V⁻¹ is
//! the metric, the answer is never farther from any point of the set than the estimate was: an ellipsoid of confidence
//! drawn about it with V holds the truth at least as often as about the estimate.

use super::linear::dot;
use crate::error::{Error, Result};
use nalgebra::{DMatrix, DVector};

/// How far an inequality may be broken, with its row scaled to unit length in z (standard errors). This crate's choice, no source.
const BROKEN: f64 = 1e-9;
/// Inequalities that enter together at most. This crate's choice, no source.
const TOGETHER: usize = 24;
/// Times that broken inequalities are looked for. This crate's choice, no source.
const ROUNDS: usize = 500;

/// Inequalities low <= row'x <= high, each scaled so that its row has unit length.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Inequalities {
    rows: Vec<f64>,
    between: Vec<[f64; 2]>,
}

impl Inequalities {
    /// One more, of which one side may be infinite; all rows have the same number of coefficients.
    pub(crate) fn push(&mut self, row: &[f64], low: f64, high: f64) {
        let length = dot(row, row).sqrt();
        let by = if length > 0.0 { 1.0 / length } else { 1.0 };
        self.rows.extend(row.iter().map(|v| v * by));
        self.between.push([low * by, high * by]);
    }

    fn row(&self, i: usize, p: usize) -> &[f64] {
        &self.rows[i * p..(i + 1) * p]
    }

    /// How far a point is below the low end, and how far above the high one.
    fn short(&self, i: usize, point: &[f64]) -> [f64; 2] {
        let at = dot(self.row(i, point.len()), point);
        [self.between[i][0] - at, at - self.between[i][1]]
    }
}

/// The point nearest to `b` in the metric of a covariance, of which `root` is the lower Cholesky factor. `watched` are
/// the inequalities that are looked at first, none for all of them; those that were broken on the way join it.
///
/// # Errors
/// [`Error::NotConverged`] where no point obeys all inequalities.
pub(crate) fn nearest(
    b: &[f64],
    root: &DMatrix<f64>,
    all: &Inequalities,
    watched: &mut Vec<usize>,
) -> Result<Vec<f64>> {
    let (p, m) = (b.len(), all.between.len());
    let mut point = b.to_vec();
    let mut is_taken = vec![[false; 2]; m];
    // in z, each of unit length
    let mut taken: Vec<(DVector<f64>, f64)> = Vec::new();
    // those that were broken the last time all were looked at are looked at alone until they hold
    let mut looked_at = if watched.is_empty() { (0..m).collect() } else { watched.clone() };
    for _ in 0..ROUNDS {
        let sides = looked_at.iter().flat_map(|i| {
            let short = all.short(*i, &point);
            [(short[0], *i, 0), (short[1], *i, 1)]
        });
        let mut broken: Vec<(f64, usize, usize)> =
            sides.filter(|(short, i, side)| *short > 0.0 && !is_taken[*i][*side]).collect();
        broken.sort_by(|a, b| b.0.total_cmp(&a.0).then((a.1, a.2).cmp(&(b.1, b.2))));
        let complete = looked_at.len() == m;
        if complete {
            looked_at = broken.iter().map(|(_, i, _)| *i).collect();
        }
        let before = taken.len();
        for (short, i, side) in broken {
            if taken.len() == before + TOGETHER {
                break;
            }
            let turned = root.tr_mul(&DVector::from_column_slice(all.row(i, p)));
            let length = turned.norm();
            if length <= 1e-12 {
                // nothing moves it
                if short > BROKEN {
                    return Err(impossible());
                }
            } else if short > BROKEN * length {
                let up = if side == 0 { 1.0 } else { -1.0 };
                taken.push((turned * (up / length), all.short(i, b)[side] / length));
                is_taken[i][side] = true;
                watched.push(i);
            }
        }
        if taken.len() > before {
            let z = least_distance(&taken, p)?;
            point = (DVector::from_column_slice(b) + root * z).as_slice().to_vec();
        } else if complete {
            watched.sort_unstable();
            watched.dedup();
            return Ok(point);
        } else {
            looked_at = (0..m).collect();
        }
    }
    Err(impossible())
}

fn impossible() -> Error {
    Error::not_converged("the constrained fit", "no coefficients obey all that is asked of them")
}

/// The shortest z with row'z >= least for every row.
fn least_distance(rows: &[(DVector<f64>, f64)], p: usize) -> Result<DVector<f64>> {
    let columns: Vec<DVector<f64>> = rows
        .iter()
        .map(|(row, least)| DVector::from_iterator(p + 1, row.iter().chain([least]).copied()))
        .collect();
    let mut wanted = DVector::zeros(p + 1);
    wanted[p] = 1.0;
    let u = non_negative(&columns, &wanted)?;
    let mut rest = -wanted;
    columns.iter().zip(&u).for_each(|(c, u)| rest.axpy(*u, c, 1.0));
    let last = -rest[p];
    if !(last > 1e-12) {
        return Err(impossible());
    }
    let held: Vec<usize> = (0..rows.len()).filter(|i| u[*i] > 0.0).collect();
    // once more with what holds as equations, so that rounding of the dual does not stay in the answer
    Ok(shortest(&held.iter().map(|i| &rows[*i]).collect::<Vec<_>>(), p)
        .unwrap_or_else(|| rest.rows(0, p) / last))
}

/// The shortest z with row'z = least for every row; nothing where the rows depend on each other.
fn shortest(rows: &[&(DVector<f64>, f64)], p: usize) -> Option<DVector<f64>> {
    let k = rows.len();
    if k == 0 {
        return Some(DVector::zeros(p));
    }
    if k > p {
        return None;
    }
    let qr = DMatrix::from_fn(p, k, |i, j| rows[j].0[i]).qr();
    let r = qr.r();
    if (0..k).any(|j| r[(j, j)].abs() < 1e-9) {
        return None;
    }
    let least = DVector::from_iterator(k, rows.iter().map(|(_, v)| *v));
    let w = r.transpose().solve_lower_triangular(&least)?;
    Some(qr.q() * w)
}

/// Non-negative least squares: u >= 0 for which the columns come nearest to what is wanted.
fn non_negative(columns: &[DVector<f64>], wanted: &DVector<f64>) -> Result<Vec<f64>> {
    let m = columns.len();
    let mut u = vec![0.0; m];
    let mut passive: Vec<usize> = Vec::new();
    for _ in 0..20 * (m + 10) {
        let mut rest = wanted.clone();
        passive.iter().for_each(|i| rest.axpy(-u[*i], &columns[*i], 1.0));
        let gain = (0..m)
            .filter(|i| !passive.contains(i))
            .map(|i| (columns[i].dot(&rest), i))
            .filter(|(g, _)| *g > 1e-12)
            .max_by(|a, b| a.0.total_cmp(&b.0));
        let Some((_, enters)) = gain else { return Ok(u) };
        passive.push(enters);
        loop {
            let matrix = DMatrix::from_fn(wanted.len(), passive.len(), |i, j| columns[passive[j]][i]);
            let Some(s) = solved(matrix, wanted) else {
                // it depends on the others: it adds nothing
                passive.pop();
                break;
            };
            if s.iter().all(|v| *v > 0.0) {
                passive.iter().zip(&s).for_each(|(i, v)| u[*i] = *v);
                break;
            }
            let step = passive
                .iter()
                .zip(&s)
                .filter(|(_, v)| **v <= 0.0)
                .map(|(i, v)| u[*i] / (u[*i] - v))
                .fold(1.0f64, f64::min);
            passive.iter().zip(&s).for_each(|(i, v)| u[*i] += step * (v - u[*i]));
            for i in &passive {
                if u[*i] <= 1e-15 {
                    u[*i] = 0.0;
                }
            }
            passive.retain(|i| u[*i] > 0.0);
            if passive.is_empty() {
                break;
            }
        }
        if passive.len() < m && !passive.contains(&enters) && u[enters] == 0.0 {
            // nothing more to gain that rounding would not take back
            return Ok(u);
        }
    }
    Err(impossible())
}

/// Least squares by QR; nothing where the columns depend on each other.
fn solved(matrix: DMatrix<f64>, wanted: &DVector<f64>) -> Option<Vec<f64>> {
    let k = matrix.ncols();
    if k > matrix.nrows() {
        return None;
    }
    let qr = matrix.qr();
    let r = qr.r();
    if (0..k).any(|j| r[(j, j)].abs() < 1e-10) {
        return None;
    }
    let mut side = wanted.clone();
    qr.q_tr_mul(&mut side);
    Some(r.solve_upper_triangular(&side.rows(0, k))?.as_slice().to_vec())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at_least<const P: usize>(all: &[([f64; P], f64)]) -> Inequalities {
        let mut found = Inequalities::default();
        all.iter().for_each(|(row, least)| found.push(row, *least, f64::INFINITY));
        found
    }

    #[test]
    fn an_estimate_that_obeys_stays_as_it_is() {
        let found =
            nearest(&[1.0, 2.0], &DMatrix::identity(2, 2), &at_least(&[([1.0, 1.0], 0.0)]), &mut vec![])
                .unwrap();
        assert_eq!(found, [1.0, 2.0]);
    }

    #[test]
    fn the_nearest_point_is_in_the_metric_of_the_covariance() {
        // by hand: minimise (x-b)'V⁻¹(x-b) with x_1 >= 0: x = b + V e_1 (0 - b_1)/V_11
        let v = DMatrix::from_row_slice(2, 2, &[4.0, 1.0, 1.0, 2.0]);
        let found =
            nearest(&[-2.0, 3.0], &v.cholesky().unwrap().l(), &at_least(&[([1.0, 0.0], 0.0)]), &mut vec![])
                .unwrap();
        assert!(found[0].abs() < 1e-14 && (found[1] - 3.5).abs() < 1e-14, "{found:?}");
    }

    #[test]
    fn many_inequalities_end_where_the_gradient_says() {
        // a random convex problem: the answer must obey all, and its gradient be a non-negative mix of what holds it
        let mut seed = 7u64;
        let mut next = || {
            seed = seed.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (seed >> 33) as f64 / (1u64 << 31) as f64 - 0.5
        };
        const P: usize = 6;
        let p = P;
        let a = DMatrix::from_fn(p, p, |_, _| next());
        let v = &a * a.transpose() + DMatrix::identity(p, p) * 0.05;
        let root = v.clone().cholesky().unwrap().l();
        let b: Vec<f64> = (0..p).map(|_| 2.0 * next()).collect();
        let inside: Vec<f64> = (0..p).map(|_| next()).collect();
        let all: Vec<([f64; P], f64)> = (0..300)
            .map(|_| {
                let row = [(); P].map(|_| next());
                (row, dot(&row, &inside) - 0.05 * next().abs())
            })
            .collect();
        let mut watched = Vec::new();
        let found = nearest(&b, &root, &at_least(&all), &mut watched).unwrap();
        // the same from the other side, and where only some are looked at first
        let mut other = Inequalities::default();
        all.iter().for_each(|(row, least)| other.push(&row.map(|v| -v), f64::NEG_INFINITY, -least));
        for first in [vec![], watched, vec![0, 1]] {
            let again = nearest(&b, &root, &other, &mut first.clone()).unwrap();
            for (u, v) in again.iter().zip(&found) {
                assert!((u - v).abs() < 1e-9, "{again:?} {found:?}");
            }
        }
        assert!(all.iter().filter(|c| dot(&c.0, &found) - c.1 < 1e-8).count() > 1);
        for c in &all {
            assert!(dot(&c.0, &found) - c.1 > -1e-8);
        }
        // no feasible direction lowers the distance: towards the inner point and towards small moves of it
        let metric = v.try_inverse().unwrap();
        let from = DVector::from_iterator(p, found.iter().zip(&b).map(|(x, b)| x - b));
        let slope = &metric * from;
        for k in 0..2000 {
            let mut to = inside.clone();
            to[k % p] += 0.4 * next();
            let steps: Vec<f64> = (0..p).map(|i| to[i] + 0.3 * next() - found[i]).collect();
            let feasible = all.iter().all(|c| {
                let moved: Vec<f64> = found.iter().zip(&steps).map(|(x, s)| x + 1e-3 * s).collect();
                dot(&c.0, &moved) >= c.1
            });
            if feasible {
                assert!(dot(slope.as_slice(), &steps) > -1e-7);
            }
        }
    }

    #[test]
    fn what_contradicts_itself_is_refused() {
        let both = at_least(&[([1.0], 1.0), ([-1.0], 0.0)]);
        assert!(nearest(&[0.0], &DMatrix::identity(1, 1), &both, &mut vec![]).is_err());
    }
}
