//! Held-out probabilities by folds, and the ridge strength that they favour.
//!
//! Folds come from the caller as one number per row, so that nothing here draws at random. For each fold f
//! the model is fitted to the rows of other folds (weights of fold f set to zero, columns standardised anew)
//! and asked for the probabilities of fold f; over strengths, each fit starts from its stronger neighbour.

use super::score::Score;
use super::solve::{Prepared, Solution, Solver, prepare};
use super::{MultinomialOptions, Outcomes, Penalty, RidgeColumns, fitted};
use crate::error::{Error, Place, Result};
use crate::fit::Design;

/// Probabilities of the class of every row from the model fitted without the row's fold.
///
/// `folds` gives each row a number from 0; every number up to the largest must occur, with at least two
/// folds. The answer has one row after another, one entry per class that has rows, in the order of the class
/// names: `rows × classes` numbers, as the scores in this room take them.
///
/// # Errors
/// As [`super::fit`]; [`Error::Shape`] or [`Error::Invalid`] at the folds; [`Error::TooFew`] when a class
/// has rows in one fold only, so that it is unseen where it should be predicted.
pub fn held_out_probabilities(
    design: &Design,
    outcomes: &Outcomes,
    options: &MultinomialOptions,
    folds: &[usize],
) -> Result<Vec<f64>> {
    options.check()?;
    let plan = Plan::new(design, outcomes, options.baseline, folds)?;
    let mut out = vec![0.0; design.rows() * plan.classes.len()];
    for fold in 0..plan.count {
        let kept = plan.without(fold)?;
        let prepared = prepare(design, &kept, options.baseline)?;
        let solver = Solver::new(&prepared, &options.penalty, options.tolerance, options.max_iterations)?;
        plan.predict(fold, &kept, &options.penalty, &prepared, &solver.run(None)?, &mut out)?;
    }
    Ok(out)
}

/// One strength and how well it predicted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RidgeCandidate {
    /// The strength.
    pub lambda: f64,
    /// Held-out log score in nats a row (less is better).
    pub log_score: Score,
    /// Log score less that of the best strength, row by row.
    pub behind_best: Score,
}

/// The strengths tried and the one chosen.
#[derive(Debug, Clone, PartialEq)]
pub struct RidgeChoice {
    /// The strength with the least mean log score.
    pub lambda: f64,
    /// All of them, from the strongest to the weakest. A choice at either end asks for a wider list.
    pub candidates: Vec<RidgeCandidate>,
    /// Held-out probabilities at the chosen strength, as from [`held_out_probabilities`].
    pub probabilities: Vec<f64>,
}

/// Chooses the strength of a ridge penalty by the held-out log score.
///
/// The chosen score is a little flattering, being the best of several; to judge the whole procedure, choose
/// within each fold of an outer round.
///
/// # Errors
/// As [`held_out_probabilities`]; [`Error::TooFew`] without strengths, [`Error::OutOfRange`] at a strength
/// that is not finite and above 0.
///
/// ```
/// use conchoid::fit::Design;
/// use conchoid::fit::multinomial::{MultinomialOptions, Outcomes, RidgeColumns, choose_ridge};
/// let rows: Vec<[f64; 2]> = (0..40).map(|i| [1.0, (i % 7) as f64]).collect();
/// let ends: Vec<usize> = (0..40).map(|i| usize::from((i % 7) + (i % 3) > 5)).collect();
/// let folds: Vec<usize> = (0..40).map(|i| i % 5).collect();
/// let design = Design::from_rows(vec!["intercept".into(), "depth".into()], &rows)?;
/// let outcomes = Outcomes::new(vec!["feather".into(), "hinge".into()], ends)?;
/// let options = MultinomialOptions::default();
/// let choice =
///     choose_ridge(&design, &outcomes, &options, &folds, &[0.1, 1.0, 10.0], RidgeColumns::Standardised)?;
/// assert!(choice.lambda < 10.0);
/// # Ok::<(), conchoid::Error>(())
/// ```
pub fn choose_ridge(
    design: &Design,
    outcomes: &Outcomes,
    options: &MultinomialOptions,
    folds: &[usize],
    lambdas: &[f64],
    columns: RidgeColumns,
) -> Result<RidgeChoice> {
    options.check()?;
    if lambdas.is_empty() {
        return Err(Error::TooFew { what: "ridge strengths".into(), found: 0, needed: 1 });
    }
    let mut order = lambdas.to_vec();
    order.sort_by(|a, b| b.total_cmp(a));
    order.dedup();
    let plan = Plan::new(design, outcomes, options.baseline, folds)?;
    let classes = plan.classes.len();
    let mut held_out = vec![vec![0.0; design.rows() * classes]; order.len()];
    for fold in 0..plan.count {
        let kept = plan.without(fold)?;
        let prepared = prepare(design, &kept, options.baseline)?;
        let mut start: Option<Vec<f64>> = None;
        for (lambda, out) in order.iter().zip(&mut held_out) {
            let penalty = Penalty::Ridge { lambda: *lambda, columns };
            let solver = Solver::new(&prepared, &penalty, options.tolerance, options.max_iterations)?;
            let solution = solver.run(start.as_deref())?;
            plan.predict(fold, &kept, &penalty, &prepared, &solution, out)?;
            start = Some(solution.coefficients);
        }
    }
    let scores: Vec<Vec<f64>> =
        held_out.iter().map(|p| super::log_scores(p, classes, &plan.happened)).collect::<Result<_>>()?;
    let weights = outcomes.weights();
    let summaries: Vec<Score> = scores.iter().map(|s| Score::of(s, weights)).collect::<Result<_>>()?;
    let best = (0..order.len()).fold(0, |b, i| if summaries[i].mean < summaries[b].mean { i } else { b });
    let candidates = (0..order.len())
        .map(|i| {
            let difference: Vec<f64> = scores[i].iter().zip(&scores[best]).map(|(a, b)| a - b).collect();
            Ok(RidgeCandidate {
                lambda: order[i],
                log_score: summaries[i],
                behind_best: Score::of(&difference, weights)?,
            })
        })
        .collect::<Result<_>>()?;
    Ok(RidgeChoice { lambda: order[best], candidates, probabilities: held_out.swap_remove(best) })
}

/// Checked folds.
struct Plan<'a> {
    design: &'a Design,
    outcomes: &'a Outcomes,
    folds: &'a [usize],
    count: usize,
    /// Classes with rows, by their index as given.
    classes: Vec<usize>,
    /// Class of each row among those.
    happened: Vec<usize>,
}

impl<'a> Plan<'a> {
    fn new(
        design: &'a Design,
        outcomes: &'a Outcomes,
        baseline: Option<usize>,
        folds: &'a [usize],
    ) -> Result<Self> {
        if folds.len() != design.rows() {
            return Err(Error::Shape {
                what: "folds of the rows".into(),
                found: folds.len(),
                expected: design.rows(),
            });
        }
        let count = folds.iter().max().map_or(0, |m| m.saturating_add(1));
        if count < 2 || count > folds.len() {
            return Err(Error::invalid(
                "folds",
                format!("the largest number makes {count} folds (accepted: 2 to the number of rows)"),
            ));
        }
        let mut rows = vec![0usize; count];
        folds.iter().for_each(|f| rows[*f] += 1);
        if let Some(f) = rows.iter().position(|r| *r == 0) {
            return Err(Error::invalid("folds", format!("fold {f} has no rows")));
        }
        // The whole table must be one that can be fitted.
        prepare(design, outcomes, baseline)?;
        let weights = outcomes.class_weights();
        let classes: Vec<usize> = (0..weights.len()).filter(|&c| weights[c] > 0.0).collect();
        let mut happened = Vec::with_capacity(folds.len());
        for (i, c) in outcomes.class_of_row().iter().enumerate() {
            match classes.iter().position(|k| k == c) {
                Some(k) => happened.push(k),
                None => {
                    return Err(Error::Invalid {
                        at: Place::cell(i as u64 + 1, "class"),
                        reason: "a class whose rows all have weight 0 cannot be predicted".into(),
                    });
                }
            }
        }
        Ok(Plan { design, outcomes, folds, count, classes, happened })
    }

    /// The outcomes with the weights of a fold set to zero.
    fn without(&self, fold: usize) -> Result<Outcomes> {
        let weights = (0..self.folds.len())
            .map(|i| match self.outcomes.weights() {
                _ if self.folds[i] == fold => 0.0,
                Some(w) => w[i],
                None => 1.0,
            })
            .collect();
        let kept = self.outcomes.clone().with_weights(weights)?;
        let sums = kept.class_weights();
        match self.classes.iter().find(|&&c| sums[c] == 0.0) {
            Some(&c) => Err(Error::TooFew {
                what: format!("rows of {} outside fold {fold}", self.outcomes.names()[c]),
                found: 0,
                needed: 1,
            }),
            None => Ok(kept),
        }
    }

    fn predict(
        &self,
        fold: usize,
        kept: &Outcomes,
        penalty: &Penalty,
        prepared: &Prepared<'_>,
        solution: &Solution,
        out: &mut [f64],
    ) -> Result<()> {
        let fit = fitted::package(self.design, kept, penalty, prepared, solution)?;
        let classes = self.classes.len();
        let mut row = vec![0.0; self.design.columns()];
        for i in (0..self.folds.len()).filter(|&i| self.folds[i] == fold) {
            row.iter_mut().enumerate().for_each(|(j, v)| *v = self.design.matrix()[(i, j)]);
            fit.probabilities_into(&row, &mut out[i * classes..(i + 1) * classes])?;
        }
        Ok(())
    }
}
