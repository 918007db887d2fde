//! The stages of a cross-validation: a recipe cut down to the size, the rows it can use, its scores on a test set
//! it was fitted without, and what they come to.

use super::{ClassScores, FormAssessment, Pit, Question, Scores, Tested};
use crate::assess::folds::Folds;
use crate::assess::score::Score;
use crate::by_name::each_once;
use crate::calibration::fitting::{Collector, Recipe, as_struck, commonest_first};
use crate::calibration::{Calibration, Spread, Tails};
use crate::error::{Error, Result, check_size};
use crate::form::{PERCUSSOR_CLASS, TERMINATION};
use crate::predict::{Ask, Predictor};
use crate::strike::{Measured, Without, percussor_class};
use std::collections::BTreeMap;

/// The level of a class that a row has; the class of a percussor is looked up where it is not recorded.
pub(in crate::assess) fn class_of(row: &impl Measured, class: &str) -> Option<String> {
    match class {
        PERCUSSOR_CLASS => percussor_class(row).ok()?,
        _ => row.class(class).map(str::to_string),
    }
}

/// A recipe cut down to the size asked for, with the column it reads.
fn only(recipe: &Recipe, size: &str) -> Result<(Recipe, String)> {
    let mut r = recipe.clone();
    for v in &mut r.variants {
        v.sizes.retain(|s| s.size == size);
    }
    r.variants.retain(|v| !v.sizes.is_empty());
    let mut columns: Vec<String> =
        r.variants.iter().flat_map(|v| v.sizes.iter().map(|s| s.column.clone())).collect();
    columns.dedup();
    let column = match &columns[..] {
        [one] => one.clone(),
        [] => {
            let sizes = recipe.variants.iter().flat_map(|v| v.sizes.iter().map(|s| s.size.clone()));
            return Err(Error::unknown_name("size", size, sizes));
        }
        _ => {
            return Err(Error::Incomparable {
                reason: format!("{} reads {size} from {}", recipe.name, columns.join(" and ")),
            });
        }
    };
    Ok((settled(r), column))
}

/// A recipe without the settings and assumptions that none of its forms reads any more.
fn settled(mut r: Recipe) -> Recipe {
    let needs: Vec<String> =
        r.variants.iter().flat_map(|v| v.sizes.iter().flat_map(|s| s.form.needs())).collect();
    r.settings.retain(|s| needs.contains(s));
    r.assumptions.retain(|a| needs.contains(&a.class));
    r
}

/// What is asked of which rows, and how they are left out.
pub(super) struct Bench<'a, M> {
    pub(super) rows: &'a [M],
    pub(super) folds: &'a Folds,
    pub(super) question: &'a Question,
    /// The column that all recipes read the size from.
    pub(super) column: String,
}

impl<'a, M: Measured> Bench<'a, M> {
    /// With the recipes cut down to the size.
    pub(super) fn of(
        recipes: &[Recipe],
        rows: &'a [M],
        folds: &'a Folds,
        question: &'a Question,
    ) -> Result<(Vec<Recipe>, Bench<'a, M>)> {
        check_size("rows that the folds are made for", folds.rows, rows.len())?;
        if let Some((_, twice)) =
            recipes.iter().enumerate().find(|(i, r)| recipes[..*i].iter().any(|o| o.name == r.name))
        {
            return Err(Error::invalid("forms", format!("\"{}\" stands twice", twice.name)));
        }
        let cut = recipes.iter().map(|r| only(r, &question.size)).collect::<Result<Vec<_>>>()?;
        let Some(column) = cut.first().map(|c| c.1.clone()) else {
            return Err(Error::invalid("forms", "at least one form is needed"));
        };
        if let Some((other, theirs)) = cut.iter().find(|c| c.1 != column) {
            return Err(Error::Incomparable {
                reason: format!("{} reads {} from {theirs}, others from {column}", other.name, question.size),
            });
        }
        Ok((cut.into_iter().map(|c| c.0).collect(), Bench { rows, folds, question, column }))
    }

    /// For each row why a recipe cannot use it, where that is so.
    pub(super) fn left_out(&self, recipe: &Recipe) -> Result<Vec<Option<String>>> {
        let mut probe = Collector::new(recipe.clone())?;
        let mut reason = |(i, row): (usize, &M)| {
            if !self.folds.admits(i) {
                return Some("its group is not recorded".to_string());
            }
            match (probe.offer(row), row.number(&self.column)) {
                (Some(reason), _) => Some(reason),
                (None, None) => Some(format!("{} not recorded", self.column)),
                (None, Some(v)) if !is_size(v) => Some(format!("{} is not above 0", self.column)),
                _ => None,
            }
        };
        Ok(self.rows.iter().enumerate().map(&mut reason).collect())
    }

    /// Fits a recipe to the rows of the folds that are not left out.
    fn fit(&self, recipe: &Recipe, left_out: &[usize]) -> Result<Calibration> {
        let mut collector = Collector::new(recipe.clone())?;
        for (i, row) in self.rows.iter().enumerate() {
            if self.folds.admits(i) && left_out.binary_search(&i).is_err() {
                collector.offer(row);
            }
        }
        Ok(collector.finish()?.0)
    }

    /// Fits a recipe to all rows; where that fails, those of its variants that can be fitted.
    pub(super) fn fit_what_can_be(&self, recipe: &Recipe) -> Result<(Recipe, Calibration)> {
        let failed = match self.fit(recipe, &[]) {
            Ok(calibration) => return Ok((recipe.clone(), calibration)),
            Err(e) => e,
        };
        let mut some = recipe.clone();
        some.variants.retain(|v| {
            let alone = Recipe { variants: vec![v.clone()], ..recipe.clone() };
            self.fit(&settled(alone), &[]).is_ok()
        });
        if some.variants.is_empty() || some.variants.len() == recipe.variants.len() {
            return Err(failed);
        }
        let some = settled(some);
        let calibration = self.fit(&some, &[])?;
        Ok((some, calibration))
    }

    /// Flakes that could be tested, whatever their platforms record: as they were struck, with the size, in a fold.
    pub(super) fn with_size(&self, recipes: &[Recipe]) -> usize {
        let keep = recipes.iter().any(|r| r.keep_incomplete);
        let asked = self.rows.iter().enumerate().filter(|(i, row)| {
            self.folds.admits(*i)
                && row.number(&self.column).is_some_and(is_size)
                && as_struck(*row, keep).is_ok()
        });
        asked.count()
    }

    /// Fits a recipe without a test set and scores the flakes of the set that it can use; a flake that is refused, with
    /// the reason.
    pub(super) fn test(
        &self,
        recipe: &Recipe,
        set: &[usize],
        left_out: &[Option<String>],
    ) -> Vec<(usize, std::result::Result<Score, String>)> {
        let tested: Vec<usize> = set.iter().copied().filter(|i| left_out[*i].is_none()).collect();
        if tested.is_empty() {
            return Vec::new();
        }
        let predictor = match self.fit(recipe, set).and_then(Predictor::new) {
            Ok(p) => p,
            Err(e) => {
                let reason = format!("no fit without its fold: {e}");
                return tested.into_iter().map(|i| (i, Err(reason.clone()))).collect();
            }
        };
        let one = |i: usize| {
            score(&predictor, &self.rows[i], &self.column, self.question).map_err(|e| e.of_its_kind())
        };
        tested.into_iter().map(|i| (i, one(i))).collect()
    }

    /// For each row the squared distance of ln size from the mean of the usable rows outside its test set,
    /// averaged over the repeats.
    pub(super) fn about_the_others(&self, usable: &[bool]) -> Vec<f64> {
        let ln: Vec<f64> =
            self.rows.iter().map(|r| r.number(&self.column).unwrap_or(f64::NAN).ln()).collect();
        let sum: f64 = (0..ln.len()).filter(|i| usable[*i]).map(|i| ln[i]).sum();
        let count = usable.iter().filter(|u| **u).count() as f64;
        let mut total = vec![(0.0, 0.0); ln.len()];
        for set in &self.folds.sets {
            let mine: Vec<usize> = set.iter().copied().filter(|i| usable[*i]).collect();
            let others = (sum - mine.iter().map(|i| ln[*i]).sum::<f64>()) / (count - mine.len() as f64);
            for i in mine {
                total[i].0 += (ln[i] - others).powi(2);
                total[i].1 += 1.0;
            }
        }
        total.into_iter().map(|(s, n)| s / n).collect()
    }
}

/// Whether a number can be a size.
fn is_size(v: f64) -> bool {
    v > 0.0 && v.is_finite()
}

/// Scores what a predictor says of one flake.
pub(super) fn score<M: Measured>(
    predictor: &Predictor,
    row: &M,
    column: &str,
    question: &Question,
) -> Result<Score> {
    if let Some(threshold) = &question.kept {
        threshold.check(row)?;
    }
    // how a flake ended is not known before the blow
    let before = Without(row, &[TERMINATION]);
    let ask = Ask { kept: question.kept.clone(), ..Ask::default() };
    let estimate = predictor.estimate(&before, &ask)?;
    let predictive = estimate
        .size(&question.size)
        .ok_or_else(|| Error::missing(&question.size, "the variant does not estimate it"))?;
    Score::of(predictive, row.number(column).unwrap_or(f64::NAN))
}

/// For each class asked for the level of each row.
pub(super) fn labels_of<M: Measured>(rows: &[M], question: &Question) -> Vec<(String, Vec<Option<String>>)> {
    let of = |c: &String| (c.clone(), rows.iter().map(|row| class_of(row, c)).collect());
    question.classes.iter().map(of).collect()
}

/// Coefficients of the largest variant: location, spread, tails, groups.
fn coefficients(calibration: &Calibration) -> usize {
    let models = calibration.variants().iter().flat_map(|v| &v.sizes);
    models
        .map(|m| {
            let spread = match &m.spread {
                Spread::Modelled { coefficients, .. } => coefficients.len(),
                _ => 1,
            };
            let tails = match &m.tails {
                Tails::Normal => 0,
                Tails::ByClass { degrees_of_freedom, .. } => degrees_of_freedom.len(),
                _ => 1,
            };
            m.coefficients.len() + spread + tails + m.shared.len()
        })
        .max()
        .unwrap_or(0)
}

pub(super) fn assess_form(
    name: &str,
    calibration: Calibration,
    (tested, own): (Vec<Tested>, Scores),
    refused: &[Option<String>],
    labels: &[(String, Vec<Option<String>>)],
    reference: &[f64],
) -> FormAssessment {
    let mut counts: BTreeMap<String, u64> = BTreeMap::new();
    for reason in refused.iter().flatten() {
        *counts.entry(reason.clone()).or_default() += 1;
    }
    let mut by_class = Vec::new();
    for (class, levels) in labels {
        for level in each_once(tested.iter().filter_map(|t| levels[t.row].as_deref())) {
            let mine: Vec<&Tested> =
                tested.iter().filter(|t| levels[t.row].as_deref() == Some(level)).collect();
            by_class.push(ClassScores {
                class: class.clone(),
                level: level.to_string(),
                scores: Scores::of(&mine, reference),
            });
        }
    }
    FormAssessment {
        name: name.to_string(),
        coefficients: coefficients(&calibration),
        overall: Scores::of(&tested.iter().collect::<Vec<_>>(), reference),
        own,
        by_class,
        pit: Pit::of(&tested),
        refused: commonest_first(counts),
        tested,
        calibration,
    }
}
