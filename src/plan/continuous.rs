//! The bound that no plan can pass: the continuous D-optimum.
//!
//! Give every candidate a share w of the flakes, w >= 0 and sum w = 1, and let M(w) = sum w z z'. The shares
//! with the largest det M(w) are those, and only those, under which no candidate has x'M(w)^-1 x above p
//! (the equivalence theorem: J. Kiefer & J. Wolfowitz 1960, Canadian J. Math. 12:363, from memory). No plan of n
//! flakes has a det M above n^p times that.
//!
//! Shares are moved from the supporting candidate of least variance to the candidate of greatest, by the step
//! that is best in that direction (vertex exchange: D. Böhning 1986, Metrika 33:337, from memory):
//! (d_j - d_i) / (2 (d_i d_j - d_ij^2)), at most all of it.

use super::information::{Information, take_longest};
use crate::error::{Error, Result, at_least};
use crate::fit::Design;
use nalgebra::DMatrix;

/// The excess of the largest variance over p, relative to p, at which the shares count as optimal.
/// Common practice, no source.
const EXCESS: f64 = 1e-9;

/// Steps after which the search is left; the bound then holds with the excess that remains. This crate's choice, no source.
const MOST_STEPS: usize = 20_000;

/// Shares of the flakes that no plan can beat.
#[derive(Debug, Clone, PartialEq)]
pub struct ContinuousOptimum {
    shares: Vec<(usize, f64)>,
    largest_variance: f64,
    ln_determinant: f64,
}

impl ContinuousOptimum {
    /// Candidates with a share of the flakes, in their order, and the shares; they sum to one.
    #[cfg(test)]
    pub fn shares(&self) -> &[(usize, f64)] {
        &self.shares
    }

    /// The largest x'M(w)^-1 x of any candidate; the number of terms at the optimum.
    #[cfg(test)]
    pub(crate) fn largest_variance(&self) -> f64 {
        self.largest_variance
    }

    /// ln det M(w).
    #[cfg(test)]
    pub(crate) fn ln_determinant(&self) -> f64 {
        self.ln_determinant
    }

    /// How much of what its number of flakes could know a set of flakes of the same terms does know: 1 for a plan that
    /// cannot be bettered. Times the number of flakes, it is how many well placed ones would do as well.
    pub fn efficiency_of(&self, information: &Information) -> f64 {
        let p = information.names.len() as f64;
        let per_flake = information.ln_determinant() / p - (information.flakes as f64).ln();
        (per_flake - self.ln_determinant / p).exp()
    }
}

/// The continuous D-optimum over candidates.
///
/// # Errors
/// [`Error::TooFew`] without candidates or terms, [`Error::RankDeficient`] naming a term that the candidates
/// cannot tell apart, [`Error::OutOfRange`] for an entry beyond 1e100.
pub fn continuous_optimum(candidates: &Design) -> Result<ContinuousOptimum> {
    let (count, p) = (candidates.rows(), candidates.columns());
    at_least("candidates", count, 1)?;
    let all = Information::of(candidates)?;
    let z = all.turned(candidates.matrix());
    // equal shares of p candidates that are far apart: pivoted Gram-Schmidt
    let (mut rest, mut shares) = (z.clone(), vec![0.0; count]);
    (0..p).for_each(|_| shares[take_longest(&mut rest)] += 1.0 / p as f64);
    let singular = || {
        Error::not_converged(
            "the continuous optimum",
            "the candidates cannot be told from singular ones (widen the reach)",
        )
    };
    for step in 0..=MOST_STEPS {
        let mut m = DMatrix::zeros(p, p);
        for (i, w) in shares.iter().enumerate().filter(|(_, w)| **w > 0.0) {
            m.ger(*w, &z.column(i), &z.column(i), 1.0);
        }
        let factor = m.cholesky().ok_or_else(singular)?;
        let mut u = z.clone();
        factor.l_dirty().solve_lower_triangular_mut(&mut u);
        let d: Vec<f64> = u.column_iter().map(|c| c.norm_squared()).collect();
        let (mut j, mut i) = (0, None);
        for k in 0..count {
            if d[k] > d[j] {
                j = k;
            }
            if shares[k] > 0.0 && i.is_none_or(|i: usize| d[k] < d[i]) {
                i = Some(k);
            }
        }
        let i = i.unwrap_or(j);
        if d[j] <= p as f64 * (1.0 + EXCESS) || i == j || step == MOST_STEPS {
            let ln_determinant =
                all.ln_determinant() + 2.0 * factor.l_dirty().diagonal().iter().map(|l| l.ln()).sum::<f64>();
            return Ok(ContinuousOptimum {
                shares: shares.into_iter().enumerate().filter(|(_, w)| *w > 0.0).collect(),
                largest_variance: d[j],
                ln_determinant,
            });
        }
        let dij = u.column(i).dot(&u.column(j));
        let best = (d[j] - d[i]) / (2.0 * (d[i] * d[j] - dij * dij));
        let moved = if best > 0.0 && best < shares[i] { best } else { shares[i] };
        shares[j] += moved;
        shares[i] = if moved == shares[i] { 0.0 } else { shares[i] - moved };
    }
    Err(singular())
}
