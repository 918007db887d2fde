//! Several sizes of a flake at once, by groups, given what was kept.
//!
//! The model of the sizes y (k of them, transformed) of flake i of site g and assemblage a of it is
//!
//! ```text
//! y_i = B' x_i + U_g' z_i + v_a + e_i,   e_i ~ N(0, S),   U_g ~ t_d(0, D),   v_a ~ N(0, D_a)
//! ```
//!
//! with x the terms (p), z those of them whose coefficients vary between sites, S, D and D_a covariances over the sizes,
//! and the likelihood of a flake conditional on its having been kept ([`law`]). The effects are integrated out by
//! Laplace's approximation (exact where nothing is held or rounded), the covariances estimated by
//! expectation and maximisation, restricted (the coefficients are integrated out too) or full. A row may have a weight,
//! so that no site need speak by its rows alone. Where sites have heavy tails their degrees of freedom are given, not
//! estimated. Not covered: crossed groups, tails of flakes.
//!
//! | file | holds |
//! |---|---|
//! | `law` | one flake: log likelihood, slopes, curvature |
//! | `effects` | coefficients and effects at given covariances: a Newton search on a system bordered by the coefficients |
//! | `covariances` | the covariance of the sizes at given coefficients and effects |
//! | `learn` | what a few flakes of one more group tell of its law |

mod covariances;
mod effects;
mod law;
mod learn;
#[cfg(test)]
mod tests;

use crate::error::{Error, Result, at_least};
use effects::State;
use law::Seen;
pub(crate) use law::{Threshold, Two};
pub(crate) use learn::{Before, learn};
use nalgebra::{DMatrix, DVector};

/// Rows of flakes, one after another.
#[derive(Debug, Clone, Default)]
pub(crate) struct Flakes {
    /// Terms and sizes of a row.
    pub(crate) terms: usize,
    pub(crate) sizes: usize,
    /// The design, row by row.
    pub(crate) x: Vec<f64>,
    /// The sizes, transformed, row by row; not a number where not recorded.
    pub(crate) y: Vec<f64>,
    /// What the last size lies between, where it was rounded.
    pub(crate) between: Vec<Option<(f64, f64)>>,
    /// Whether the row is there only because the flake was kept.
    pub(crate) held: Vec<bool>,
    /// The site of each row (all 0 where there are none) and its assemblage, both from 0.
    pub(crate) site: Vec<usize>,
    pub(crate) assemblage: Vec<usize>,
    /// The weight of each row.
    pub(crate) weight: Vec<f64>,
}

impl Flakes {
    pub(crate) fn rows(&self) -> usize {
        self.held.len()
    }

    pub(crate) fn design(&self, i: usize) -> &[f64] {
        &self.x[i * self.terms..][..self.terms]
    }

    fn seen(&self, i: usize) -> Seen<'_> {
        let y = &self.y[i * self.sizes..][..self.sizes];
        let mask = (0..self.sizes).filter(|k| !y[*k].is_nan()).map(|k| 1 << k).sum();
        Seen { y, mask, between: self.between[i], held: self.held[i] }
    }
}

/// What is fitted.
#[derive(Debug, Clone, Default)]
pub(crate) struct Model {
    /// Columns of the design whose coefficients vary between sites; none where there are no sites.
    pub(crate) varying: Vec<usize>,
    /// Whether assemblages of a site have a level of their own.
    pub(crate) assemblages: bool,
    /// Degrees of freedom of the effects of sites; none for normal ones.
    pub(crate) degrees_of_freedom: Option<f64>,
    /// Whether the coefficients are integrated out when covariances are estimated.
    pub(crate) restricted: bool,
    /// What was kept.
    pub(crate) threshold: Option<Threshold>,
    /// The search ends when a round moves no coefficient or standard deviation by more than this share of a standard
    /// deviation; without groups, when all rounds to come would not.
    pub(crate) tolerance: f64,
    /// Rounds after which it ends without.
    pub(crate) rounds: usize,
}

/// A fitted law.
#[derive(Debug, Clone)]
pub(crate) struct KeptFit {
    /// Coefficients, a column a size.
    pub(crate) coefficients: DMatrix<f64>,
    /// Their covariance: term by term, within a term size by size.
    pub(crate) covariance: DMatrix<f64>,
    /// Covariance of the sizes about what is expected.
    pub(crate) within: DMatrix<f64>,
    /// Covariance of the effects of a site: varying term by term, within a term size by size.
    pub(crate) between: DMatrix<f64>,
    /// Covariance of the levels of assemblages of a site.
    pub(crate) assemblages: Option<DMatrix<f64>>,
    /// Log likelihood with the effects integrated out, less its constant.
    pub(crate) ln_likelihood: f64,
    pub(crate) at_rest: bool,
}

/// Fits.
///
/// # Errors
/// [`Error::TooFew`] with fewer rows than terms; [`Error::NotConverged`] where no covariance can be told, or the search runs
/// away from what the flakes say.
pub(crate) fn fit(flakes: &Flakes, model: &Model) -> Result<KeptFit> {
    let (p, k) = (flakes.terms, flakes.sizes);
    at_least("flakes to fit", flakes.rows(), p + k)?;
    let mut state = State::start(flakes, model)?;
    let mut found = state.search(flakes, model)?;
    let (mut rounds, mut at_rest) = (0, false);
    let grouped = !model.varying.is_empty() || model.assemblages;
    let mut trail = vec![state.point()?];
    let (start, mut best) = (state.sds(), found.ln_likelihood);
    while rounds < model.rounds && !at_rest {
        rounds += 1;
        let before = (state.coefficients.clone(), state.sds());
        state.between_from(&found, flakes, model);
        state.within = covariances::within(&state, &found, flakes, model)?;
        found = state.search(flakes, model)?;
        best = best.max(found.ln_likelihood);
        // the log likelihood of heavy tails is that at the precisions of the round, and may fall from one to the next
        let fallen = model.degrees_of_freedom.is_none() && found.ln_likelihood < best - FALL;
        if fallen || (0..k).any(|j| !(state.sds()[j] <= WIDEST * start[j])) {
            return Err(run_away());
        }
        let unit = state.within[(0, 0)].sqrt().min(2.0 * start[0]);
        let moved = (&state.coefficients - before.0).amax().max((state.sds() - before.1).amax());
        if grouped {
            at_rest = moved < model.tolerance * unit;
            continue;
        }
        trail.push(state.point()?);
        let Some((ratio, ahead)) = extrapolated(&trail) else { continue };
        // what is left to go, if steps go on shrinking as the last two did
        at_rest = moved / (1.0 - ratio) < model.tolerance * unit;
        if !at_rest && trail.len() > 3 {
            let mut there = state.clone();
            there.go_to(&ahead);
            match there.search(flakes, model) {
                Ok(better) if better.ln_likelihood > found.ln_likelihood => (state, found) = (there, better),
                _ => {}
            }
            trail = vec![state.point()?];
        }
    }
    Ok(KeptFit {
        coefficients: state.coefficients.clone(),
        covariance: found.covariance.clone(),
        within: state.within.clone(),
        between: state.between.clone(),
        assemblages: state.assemblages.clone(),
        ln_likelihood: found.ln_likelihood,
        at_rest,
    })
}

/// A search has run away where its log likelihood is so much less than it was before, or the spread so many times that of
/// the flakes kept about their own line. This crate's choice, no source: where the threshold lies three standard deviations
/// above what is expected, the flakes kept about it have 0.28 of the spread.
const FALL: f64 = 2.0;
const WIDEST: f64 = 10.0;

fn run_away() -> Error {
    Error::not_converged(
        "the law of what was kept",
        "the flakes that were kept do not tell how much lighter or smaller the others were; give more flakes, those \
         of a lower threshold too, or all flakes of some groups with yes under everything_kept",
    )
}

/// The ratio of the last two steps and where steps that go on shrinking like that would end (Aitken): rounds move one
/// thing at a time, and coefficients and spread pull at each other the more, the fewer flakes were kept. None before
/// there are two steps.
fn extrapolated(trail: &[DVector<f64>]) -> Option<(f64, DVector<f64>)> {
    const LARGEST_RATIO: f64 = 0.9999;
    let [.., first, second, third] = trail else { return None };
    let (a, b) = (second - first, third - second);
    let ratio = (a.dot(&b) / a.norm_squared()).clamp(0.0, LARGEST_RATIO);
    if !ratio.is_finite() {
        return Some((0.0, third.clone()));
    }
    Some((ratio, third + b * (ratio / (1.0 - ratio))))
}
