//! Held-out probabilities by folds, and the ridge strength that they favour.
//!
//! Folds come from the caller as one number per row, so that nothing here draws at random. For each fold f
//! the model is fitted to the rows of other folds (weights of fold f set to zero, columns standardised anew)
//! and asked for the probabilities of fold f; over strengths, each fit starts from its stronger neighbour.

use super::solve::{Prepared, Solution, Solver, prepare};
use super::{MultinomialOptions, Outcomes, Penalty, fitted};
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

/// Checked folds.
struct Plan<'a> {
    design: &'a Design,
    outcomes: &'a Outcomes,
    folds: &'a [usize],
    count: usize,
    /// Classes with rows, by their index as given.
    classes: Vec<usize>,
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
        let unseen = |c: &usize| !classes.contains(c);
        if let Some(i) = outcomes.class_of_row().iter().position(unseen) {
            return Err(Error::Invalid {
                at: Place::cell(i as u64 + 1, "class"),
                reason: "a class whose rows all have weight 0 cannot be predicted".into(),
            });
        }
        Ok(Plan { design, outcomes, folds, count, classes })
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
