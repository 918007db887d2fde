//! What a grouped fit keeps of its flakes: the size and the mean row of every group, and one triangular
//! factor of everything that varies within groups.
//!
//! A flake that joins a group of `n` flakes with mean row `m` adds the one row `√(n/(n+1)) (x − m)` to the
//! within part. The rows so made are Helmert contrasts: an orthogonal change of the group's own rows, so
//! the factor is a QR of the within-group deviations and loses no digits to a sum of squares. Two
//! accumulations of the same groups merge by the same rule, `√(n₁n₂/(n₁+n₂)) (m₁ − m₂)` for each shared
//! group. Memory is (groups + terms) × terms, whatever the number of flakes.

use crate::error::{Error, Place, Result};
use crate::fit::Design;
use serde::{Deserialize, Serialize};

/// Rows folded into a triangular factor at one go: with ten columns the block stays in the first cache.
/// Own choice.
const BLOCK: usize = 128;

/// Accumulated flakes of a grouped fit: a map-reduce step. Fill one per part of a table with
/// [`GroupedRows::observe`], [`merge`](GroupedRows::merge) them, and fit once with
/// [`GroupedFit::from_rows`](super::GroupedFit::from_rows).
///
/// ```
/// use conchoid::fit::{Design, grouped::GroupedRows};
/// let names = vec!["intercept".to_string(), "ln depth".to_string()];
/// let part = |rows: &[[f64; 2]]| Design::from_rows(names.clone(), rows).unwrap();
/// let mut a = GroupedRows::new(names.clone(), 2);
/// a.observe(&part(&[[1.0, 0.2], [1.0, 0.9]]), &[1.1, 1.9], &[0, 1]).unwrap();
/// let mut b = GroupedRows::new(names.clone(), 2);
/// b.observe(&part(&[[1.0, 0.4]]), &[1.3], &[1]).unwrap();
/// a.merge(&b).unwrap();
/// assert_eq!((a.rows(), a.group_size(1)), (3, Some(2)));
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "StoredRows")]
pub struct GroupedRows {
    terms: Vec<String>,
    sizes: Vec<u64>,
    /// Group by group, the means of the terms and then of the response.
    means: Vec<f64>,
    /// Upper triangle, column by column, of the within-group rows of terms and response.
    within: Vec<f64>,
}

#[derive(Deserialize)]
struct StoredRows {
    terms: Vec<String>,
    sizes: Vec<u64>,
    means: Vec<f64>,
    within: Vec<f64>,
}

impl TryFrom<StoredRows> for GroupedRows {
    type Error = Error;

    fn try_from(s: StoredRows) -> Result<Self> {
        let q = s.terms.len() + 1;
        shape("group means", s.means.len(), s.sizes.len().saturating_mul(q))?;
        shape("within-group factor", s.within.len(), q * q)?;
        finite("group means", &s.means)?;
        finite("within-group factor", &s.within)?;
        if (0..q).any(|j| (j + 1..q).any(|i| s.within[j * q + i] != 0.0)) {
            return Err(Error::invalid("within", "the within-group factor must be upper triangular"));
        }
        if s.sizes.iter().try_fold(0u64, |sum, n| sum.checked_add(*n)).is_none() {
            return Err(Error::invalid("sizes", "the group sizes are too large to add up"));
        }
        Ok(GroupedRows { terms: s.terms, sizes: s.sizes, means: s.means, within: s.within })
    }
}

pub(super) fn shape(what: &str, found: usize, expected: usize) -> Result<()> {
    if found == expected { Ok(()) } else { Err(Error::Shape { what: what.into(), found, expected }) }
}

pub(super) fn finite(field: &str, values: &[f64]) -> Result<()> {
    match values.iter().find(|v| !v.is_finite()) {
        None => Ok(()),
        Some(v) => {
            Err(Error::OutOfRange { at: Place::column(field), value: *v, accepted: "finite numbers".into() })
        }
    }
}

impl GroupedRows {
    /// No flakes yet, of `groups` groups, for a design with these terms.
    pub fn new(terms: Vec<String>, groups: usize) -> Self {
        let q = terms.len() + 1;
        GroupedRows { sizes: vec![0; groups], means: vec![0.0; groups * q], within: vec![0.0; q * q], terms }
    }

    /// Adds flakes: row `i` of the design has the response `y[i]` and belongs to group `of[i]` (from 0).
    /// Nothing is added when there is an error.
    ///
    /// # Errors
    /// [`Error::Incomparable`] when the terms are others, [`Error::Shape`] when the lengths differ,
    /// [`Error::OutOfRange`] at a response that is not finite or a group that does not exist.
    pub fn observe(&mut self, design: &Design, y: &[f64], of: &[usize]) -> Result<()> {
        if design.names() != self.terms {
            return Err(Error::Incomparable { reason: "the terms differ from those seen before".into() });
        }
        shape("responses", y.len(), design.rows())?;
        shape("group labels", of.len(), design.rows())?;
        if let Some(i) = y.iter().position(|v| !v.is_finite()) {
            return Err(Error::OutOfRange {
                at: Place::cell(i as u64 + 1, "response"),
                value: y[i],
                accepted: "finite numbers".into(),
            });
        }
        let groups = self.sizes.len();
        if let Some(i) = of.iter().position(|g| *g >= groups) {
            return Err(Error::OutOfRange {
                at: Place::cell(i as u64 + 1, "group"),
                value: of[i] as f64,
                accepted: format!("whole numbers from 0, below {groups}"),
            });
        }
        let (q, n) = (self.terms.len() + 1, y.len());
        let x = design.matrix().as_slice();
        let mut columns: Vec<&[f64]> = x.chunks_exact(n.max(1)).collect();
        columns.push(y);
        let mut block = vec![0.0; BLOCK * q];
        for start in (0..n).step_by(BLOCK) {
            let m = BLOCK.min(n - start);
            for i in 0..m {
                let g = of[start + i];
                let before = self.sizes[g] as f64;
                self.sizes[g] += 1;
                let share = 1.0 / (before + 1.0);
                let weight = (before * share).sqrt();
                let mean = &mut self.means[g * q..(g + 1) * q];
                for (j, (column, mean)) in columns.iter().zip(mean).enumerate() {
                    let away = column[start + i] - *mean;
                    block[j * m + i] = weight * away;
                    *mean += away * share;
                }
            }
            fold(&mut self.within, q, &mut block, m);
        }
        Ok(())
    }

    /// Adds all flakes of another accumulation of the same terms and the same groups. The result is that of
    /// one pass over all flakes, up to rounding.
    ///
    /// # Errors
    /// [`Error::Incomparable`] when the terms differ, [`Error::Shape`] when the number of groups does.
    pub fn merge(&mut self, other: &GroupedRows) -> Result<()> {
        if other.terms != self.terms {
            return Err(Error::Incomparable { reason: "the terms of the two parts differ".into() });
        }
        shape("groups", other.sizes.len(), self.sizes.len())?;
        let q = self.terms.len() + 1;
        let mut block = vec![0.0; BLOCK * q];
        let mut filled = 0;
        for (g, &theirs) in other.sizes.iter().enumerate() {
            if theirs == 0 {
                continue;
            }
            let ours = self.sizes[g] as f64;
            let all = ours + theirs as f64;
            let weight = (ours * (theirs as f64 / all)).sqrt();
            for j in 0..q {
                let away = other.means[g * q + j] - self.means[g * q + j];
                block[j * BLOCK + filled] = weight * away;
                self.means[g * q + j] += away * (theirs as f64 / all);
            }
            self.sizes[g] = self.sizes[g].saturating_add(theirs);
            filled += 1;
            if filled == BLOCK {
                fold(&mut self.within, q, &mut block, BLOCK);
                filled = 0;
            }
        }
        for j in 0..q {
            block[j * BLOCK + filled..(j + 1) * BLOCK].fill(0.0);
        }
        fold(&mut self.within, q, &mut block, BLOCK);
        let mut theirs = other.within.clone();
        fold(&mut self.within, q, &mut theirs, q);
        Ok(())
    }

    /// The names of the terms.
    pub fn terms(&self) -> &[String] {
        &self.terms
    }

    /// Number of flakes seen.
    pub fn rows(&self) -> u64 {
        self.sizes.iter().fold(0, |sum, n| sum.saturating_add(*n))
    }

    /// Number of flakes of one group, where there is such a group.
    pub fn group_size(&self, group: usize) -> Option<u64> {
        self.sizes.get(group).copied()
    }

    /// Number of groups, those without a flake included.
    pub fn groups(&self) -> usize {
        self.sizes.len()
    }

    /// The means of the terms, and last of the response, in one group (zeros where it has no flakes).
    pub(super) fn mean(&self, group: usize) -> &[f64] {
        let q = self.terms.len() + 1;
        &self.means[group * q..(group + 1) * q]
    }

    pub(super) fn within(&self) -> &[f64] {
        &self.within
    }
}

/// Folds `m` rows (column by column in `block`, which is destroyed) into the upper triangular `q` × `q`
/// factor `r` (column by column) by Householder reflections that touch the triangle's own row only.
pub(super) fn fold(r: &mut [f64], q: usize, block: &mut [f64], m: usize) {
    for j in 0..q {
        let (done, rest) = block.split_at_mut((j + 1) * m);
        let v = &done[j * m..];
        let below = dot(v, v);
        if below == 0.0 {
            continue;
        }
        let top = r[j * q + j];
        let norm = (top * top + below).sqrt();
        let head = if top > 0.0 { top + norm } else { top - norm };
        r[j * q + j] = if top > 0.0 { -norm } else { norm };
        // 2 / (v'v) of the reflection I − 2vv'/(v'v) with v = (head, column).
        let factor = 2.0 / (head * head + below);
        for (k, column) in rest.chunks_exact_mut(m).take(q - j - 1).enumerate() {
            let top = &mut r[(j + 1 + k) * q + j];
            let along = factor * (head * *top + dot(v, column));
            *top -= along * head;
            for (c, v) in column.iter_mut().zip(v) {
                *c -= along * v;
            }
        }
    }
}

/// Inner product in eight lanes, so that it runs as vector instructions and rounds the same everywhere.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut lanes = [0.0; 8];
    let (a8, b8) = (a.chunks_exact(8), b.chunks_exact(8));
    let tail: f64 = a8.remainder().iter().zip(b8.remainder()).map(|(x, y)| x * y).sum();
    for (x, y) in a8.zip(b8) {
        for k in 0..8 {
            lanes[k] += x[k] * y[k];
        }
    }
    let [a, b, c, d, e, f, g, h] = lanes;
    ((a + e) + (b + f)) + ((c + g) + (d + h)) + tail
}

/// Solves `R' t = e` in place for the leading `e.len()` columns of the upper triangle `r` of order `q`.
pub(super) fn solve_transposed(r: &[f64], q: usize, e: &mut [f64]) {
    for j in 0..e.len() {
        let column = &r[j * q..j * q + j];
        let above: f64 = column.iter().zip(e.iter()).map(|(a, b)| a * b).sum();
        e[j] = (e[j] - above) / r[j * q + j];
    }
}

/// Solves `R b = z` in place for the leading `z.len()` columns of the upper triangle `r` of order `q`.
pub(super) fn solve_upper(r: &[f64], q: usize, z: &mut [f64]) {
    for j in (0..z.len()).rev() {
        z[j] /= r[j * q + j];
        let b = z[j];
        for i in 0..j {
            z[i] -= r[j * q + i] * b;
        }
    }
}
