//! Cross-validation of recipes on one table, and which of them to prefer.
//!
//! Stages: leave out recipes that cannot be fitted; admit the rows that each recipe can use; fit it without each test set
//! and score the flakes tested; keep the flakes that every recipe answered, and for each recipe those that it answered
//! itself; average each flake over the repeats; report means with standard errors, by class, in pairs.
//!
//! Standard errors. With z_i the value of flake i (averaged over repeats) and m the mean over n flakes,
//!
//! ```text
//! flakes on their own     se^2 = sum_i (z_i - m)^2 / (n (n - 1))
//! flakes in groups        se^2 = G/(G - 1) sum_g (sum_{i in g} (z_i - m))^2 / n^2
//! ```
//!
//! the second where whole groups are left out, since flakes of one core go wrong together (the linearised
//! cluster estimate; common practice in survey sampling). Root mean squares and R2 take theirs by the
//! delta method. The standard errors treat the flakes as if scored by one fitted model: what repeats of the
//! folds add is averaged out, what another table of flakes would add to the fit is not in them.
//!
//! | file | what |
//! |---|---|
//! | this one | the question, the stages, the answer with its differences and recommendation |
//! | `stages` | which rows a recipe can use, and its scores on the flakes it was fitted without |
//! | `told` | the answer as a page |
//! | `means` | means of scores with their standard errors |

mod means;
mod stages;
mod told;

use super::folds::Folds;
use super::measured::{MeasuredSize, MeasuredSizes, Tally, verdict};
use super::score::{LEVELS, NINETY_FIVE, Score};
use crate::calibration::fitting::{Recipe, as_struck, repeated, told_of_repeats};
use crate::calibration::{Calibration, Figure, RecoveryThreshold, SizeModel};
use crate::error::{Error, Result, at_least};
use crate::form::Layout;
use crate::predict::{Predictor, in_words};
use crate::strike::Measured;
use crate::threads;
use means::{clusters, mean};
use serde::Serialize;
pub(super) use stages::class_of;
use stages::{Bench, assess_form, labels_of, score};
use std::collections::BTreeMap;

/// What is asked of the forms.
///
/// | setting | default | purpose |
/// |---|---|---|
/// | [`Question::new`] | | the size (`mass_g`) |
/// | [`Question::by_class`] | none | also report the scores within each level of this class column |
/// | [`Question::of_kept`] | all that came off | score by the law of flakes that were kept |
#[derive(Debug, Clone, PartialEq)]
pub struct Question {
    size: String,
    classes: Vec<String>,
    kept: Option<RecoveryThreshold>,
}

impl Question {
    /// How well is this size foretold?
    pub fn new(size: &str) -> Question {
        Question { size: size.to_string(), classes: Vec::new(), kept: None }
    }

    /// Also within each level of this class column (`blow_lands_on`, `percussor_class`). May be repeated.
    pub fn by_class(mut self, class: &str) -> Question {
        self.classes.push(class.to_string());
        self
    }

    /// The flakes were kept from this threshold on: each is scored by the law of flakes that were kept; one below it is left out
    /// and counted.
    pub fn of_kept(mut self, threshold: RecoveryThreshold) -> Question {
        self.kept = Some(threshold);
        self
    }
}

/// Coverage and width of the central intervals of one level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Coverage {
    /// The probability that the intervals claim.
    pub level: f64,
    /// The share of flakes inside.
    pub inside: Figure,
    /// Mean width of ln size.
    pub ln_width: Figure,
}

/// The scores of one form over a set of flakes. Of ln size unless the name says otherwise.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Scores {
    /// Flakes behind the numbers.
    pub flakes: usize,
    /// Groups behind the standard errors, where whole groups were left out.
    pub groups: Option<usize>,
    /// Root mean square of ln observed - ln median.
    pub rmse_ln: Figure,
    /// Mean absolute value of the same.
    pub(crate) mae_ln: Figure,
    /// Mean of ln observed - ln median: the bias; above 0 flakes are larger than expected.
    pub(crate) bias_ln: Figure,
    /// Root mean square of observed - median, in the unit of the size.
    pub(crate) rmse: Figure,
    /// Mean absolute value of the same, in the unit of the size.
    pub(crate) mae: Figure,
    /// 1 - sum of squares about the medians / sum of squares about the mean ln size of the other flakes.
    pub r_squared: Figure,
    /// Mean log score, nats.
    pub log_score: Figure,
    /// Mean continuous ranked probability score.
    pub crps: Figure,
    /// Mean interval score at 95 %: width and 40 times the miss.
    pub interval_score: Figure,
    /// Coverage and width at [`LEVELS`](super::LEVELS).
    pub coverage: Vec<Coverage>,
    /// Mean probability that the form gives to no size at all; the scores are given a size.
    pub(crate) atom: f64,
}

/// The scores within one level of a class.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ClassScores {
    /// The class column.
    pub class: String,
    /// The level.
    pub level: String,
    /// The scores.
    pub scores: Scores,
}

/// The histogram of probability integral transforms, in ten bins, and a test of its evenness.
///
/// Pearson's chi-squared on the share in each bin, every flake counting once however often it was tested.
/// Where whole groups were left out, the statistic is divided by the mean design effect of the shares
/// (Rao & Scott 1981, J. Am. Stat. Assoc. 76:221), so that twenty cores do not count as hundreds of flakes.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Pit {
    /// Share of the flakes in each tenth; a tenth each if the predictives are right.
    pub shares: [f64; 10],
    /// Flakes, divided by the design effect where there are groups.
    pub effective_flakes: f64,
    /// Chi-squared on 9 degrees of freedom.
    pub(crate) chi_squared: f64,
    /// Probability of as uneven a histogram if the predictives are right. About right from 50 effective
    /// flakes on; with repeated folds somewhat too large, since averaging evens the shares out.
    pub p_value: f64,
}

/// One flake as it was tested, once or in several repeats.
#[derive(Debug, Clone, PartialEq)]
pub struct Tested {
    /// Place among the rows given.
    pub row: usize,
    /// Its group, where whole groups were left out.
    pub(crate) group: Option<usize>,
    /// Its scores, one for each repeat.
    pub(crate) scores: Vec<Score>,
}

impl Tested {
    /// The size that came off, in its own unit.
    pub fn observed(&self) -> f64 {
        self.mean(|s| s.observed)
    }

    /// The median that was expected of it, in the unit of the size: the geometric mean over the repeats, as the ends of
    /// its interval are.
    pub fn expected(&self) -> f64 {
        self.mean(|s| s.expected.ln()).exp()
    }

    /// The ends of its central interval at 95 %, in the unit of the size.
    pub fn interval(&self) -> (f64, f64) {
        let end = |of: fn(&(f64, f64)) -> f64| self.mean(|s| of(&s.intervals[NINETY_FIVE]).ln()).exp();
        (end(|i| i.0), end(|i| i.1))
    }

    /// ln observed - ln expected.
    pub fn ln_error(&self) -> f64 {
        self.mean(|s| s.ln_error)
    }

    /// The share of the repeats in which it lies inside the central interval of a level.
    pub fn inside(&self, level: f64) -> f64 {
        self.mean(|s| f64::from(u8::from((s.pit - 0.5).abs() <= 0.5 * level)))
    }

    /// A property of the scores, averaged over the repeats.
    pub(crate) fn mean(&self, of: impl Fn(&Score) -> f64) -> f64 {
        self.scores.iter().map(of).sum::<f64>() / self.scores.len() as f64
    }
}

/// How one form did.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct FormAssessment {
    /// Name of the recipe.
    #[serde(skip)]
    pub name: String,
    /// Coefficients of its largest variant for the size, those of the spread and the tails included.
    pub coefficients: usize,
    /// Scores over all common flakes.
    pub overall: Scores,
    /// Scores over all flakes that this form answers for, whether or not the others do.
    pub(crate) own: Scores,
    /// Scores by class, in the order asked for; levels in order of first appearance.
    pub by_class: Vec<ClassScores>,
    /// Whether the predictive probabilities are even.
    pub pit: Pit,
    /// Flakes that the form could not be tested on, by reason. A flake refused by one form is not among the common
    /// ones.
    #[serde(serialize_with = "crate::by_name::serialize")]
    #[cfg_attr(feature = "schema", schemars(with = "std::collections::BTreeMap<String, u64>"))]
    pub refused: Vec<(String, u64)>,
    /// The common flakes, in the order of the rows.
    #[serde(skip)]
    pub tested: Vec<Tested>,
    /// The form fitted to all flakes.
    #[serde(skip)]
    pub(crate) calibration: Calibration,
}

/// The paired difference of two forms on the same flakes: first less second, so that below zero the first
/// is better.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct Difference {
    /// Name of the first form.
    pub first: String,
    /// Name of the second.
    pub second: String,
    /// Of CRPS.
    pub crps: Figure,
    /// Of the log score.
    pub log_score: Figure,
    /// Of the interval score at 95 %.
    pub interval_score: Figure,
    /// Of the squared error of ln size.
    pub squared_error: Figure,
}

/// Which form to take: of those whose CRPS is within one standard error of the best (the standard error of
/// the paired difference from the best) and that do no worse than the mean, the one with fewest coefficients; the better of
/// two equally simple. Where any does better than the mean, the best is one that does no worse.
///
/// (The rule of one standard error: Breiman, Friedman, Olshen & Stone 1984, Classification and Regression
/// Trees, section 3.4.3; here with the standard error of the difference, which is what the flakes in common
/// allow.)
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct Recommendation {
    /// The form to take.
    pub(crate) take: String,
    /// The form of lowest CRPS.
    pub(crate) best: String,
    /// CRPS of the form to take less that of the best.
    pub(crate) difference: Figure,
    /// Coefficients of the form to take.
    pub(crate) coefficients: usize,
    /// Coefficients of the best.
    pub(crate) coefficients_of_best: usize,
    /// Whether some form foretells better than the mean of the other flakes does: its R2 lies above its standard error.
    pub(crate) better_than_mean: bool,
    /// R2 of the best.
    pub(crate) r_squared_of_best: Figure,
    /// How many forms were compared.
    pub(crate) forms: usize,
    /// Flakes that the form to take answers for, of those that record the size.
    pub(crate) answered: usize,
    /// Flakes that record the size.
    pub(crate) with_size: usize,
}

/// Below this share of the flakes a form is not simply recommended. (This crate's choice, no source.)
const MOST_OF_THEM: f64 = 2.0 / 3.0;

impl Recommendation {
    /// Whether it answers too few of the flakes to be simply recommended: two thirds of those with the size, or fewer.
    pub(crate) fn partial(&self) -> bool {
        (self.answered as f64) <= MOST_OF_THEM * self.with_size as f64
    }

    /// In a sentence, or two.
    pub(crate) fn sentence(&self) -> String {
        let taken = self.taken();
        if !self.partial() || !self.better_than_mean {
            return taken;
        }
        format!(
            "{taken} But it answers only {} of {} flakes with this size: take it for those alone, and for the others a \
             form that needs less.",
            self.answered, self.with_size
        )
    }

    fn taken(&self) -> String {
        if !self.better_than_mean {
            let r2 = self.r_squared_of_best;
            let forms = if self.forms == 1 { "The form" } else { "No form" };
            let not = if self.forms == 1 { " does not foretell" } else { " foretells" };
            return format!(
                "{forms}{not} better than the mean of the table does (R2 of {}, the best, {:.2}, standard error {:.2}): take \
                 none, and expect the mean with the spread of all.",
                self.best, r2.value, r2.standard_error
            );
        }
        if self.forms == 1 {
            return format!("Only one form was assessed ({}): nothing to prefer it to.", self.take);
        }
        if self.take == self.best {
            return format!(
                "Take {}: it has the lowest CRPS, and no simpler form comes within one standard error of it.",
                self.take
            );
        }
        let kind = if self.coefficients < self.coefficients_of_best { "simpler" } else { "no larger" };
        format!(
            "Take {}: its CRPS is {:.4} above that of the best ({}), within the standard error of the \
             difference ({:.4}), and it is {kind} ({} coefficients against {}).",
            self.take,
            self.difference.value,
            self.best,
            self.difference.standard_error,
            self.coefficients,
            self.coefficients_of_best
        )
    }
}

/// How well forms foretell flakes that they have not seen; what follows the forms is in its JSON alone.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[non_exhaustive]
pub struct Assessment {
    #[cfg_attr(feature = "schema", schemars(description = ""))]
    /// The size assessed.
    pub size: String,
    #[cfg_attr(feature = "schema", schemars(description = ""))]
    /// The column that it was read from.
    pub column: String,
    /// How flakes were left out.
    pub rule: String,
    /// Rows offered.
    pub rows: usize,
    /// Flakes that every form answered.
    pub flakes: usize,
    /// Flakes that record the size.
    pub(crate) with_size: usize,
    /// Forms that cannot be used, each with the reason.
    #[serde(serialize_with = "crate::by_name::sorted")]
    #[cfg_attr(feature = "schema", schemars(with = "BTreeMap<String, String>"))]
    pub(crate) left_out: Vec<(String, String)>,
    /// The forms, in the order given.
    #[serde(serialize_with = "by_their_names")]
    #[cfg_attr(feature = "schema", schemars(with = "BTreeMap<String, FormAssessment>", description = ""))]
    pub forms: Vec<FormAssessment>,
    /// Each form against the best, on the same flakes.
    differences: Vec<Difference>,
    /// Which form to take.
    #[cfg_attr(feature = "schema", schemars(description = ""))]
    pub(crate) recommendation: Recommendation,
    sentence: String,
    /// That a calibration does not fit these flakes, and what to do.
    #[serde(skip_serializing_if = "Option::is_none")]
    verdict: Option<String>,
    /// Flakes that equal an earlier one in the size and every number that a form reads, where they are more than one in ten
    /// (of two numbers alone, one in two) and half of them as many rows behind it as each other: each foretells its copies.
    #[serde(skip_serializing_if = "Option::is_none")]
    repeated: Option<u64>,
    /// Whether calibrations were scored as they stand.
    #[serde(skip)]
    as_they_stand: bool,
    /// Over what standard errors are taken, in words; nothing where over flakes.
    #[serde(skip)]
    over: Option<String>,
    /// For each row its level, one list for each class asked for.
    #[serde(skip)]
    labels: Vec<(String, Vec<Option<String>>)>,
}

/// Forms as an object, by their names.
fn by_their_names<S: serde::Serializer>(
    forms: &[FormAssessment],
    s: S,
) -> std::result::Result<S::Ok, S::Error> {
    s.collect_map(forms.iter().map(|f| (&f.name, f)).collect::<BTreeMap<_, _>>())
}

impl Assessment {
    /// What the forms come to: each against the best, and which to take.
    fn of(
        (question, column, rule): (&Question, String, String),
        (rows, with_size): (usize, usize),
        forms: Vec<FormAssessment>,
        labels: Vec<(String, Vec<Option<String>>)>,
    ) -> Assessment {
        let recommendation = recommendation(&forms, with_size);
        let best = forms.iter().find(|f| f.name == recommendation.best);
        let others = forms.iter().filter(|f| f.name != recommendation.best);
        let differences = others.filter_map(|f| Some(difference(f, best?))).collect();
        Assessment {
            size: question.size.clone(),
            column,
            rule,
            rows,
            flakes: forms.first().map_or(0, |f| f.tested.len()),
            with_size,
            left_out: Vec::new(),
            forms,
            differences,
            sentence: recommendation.sentence(),
            recommendation,
            verdict: None,
            repeated: None,
            as_they_stand: false,
            over: None,
            labels,
        }
    }

    /// The form to take: of those whose CRPS is within one standard error of the best, the one with fewest coefficients.
    pub fn take(&self) -> &str {
        &self.recommendation.take
    }

    /// The form of lowest CRPS.
    pub fn best(&self) -> &str {
        &self.recommendation.best
    }

    /// Which form to take and why, in a sentence or two.
    pub fn recommendation(&self) -> String {
        self.recommendation.sentence()
    }

    /// That flakes equal earlier ones.
    pub(crate) fn told_of_repeats(&self) -> Option<String> {
        Some(format!("{}.", told_of_repeats(self.repeated?, self.flakes as u64)))
    }

    /// A form by its name.
    pub fn form(&self, name: &str) -> Option<&FormAssessment> {
        self.forms.iter().find(|f| f.name == name)
    }

    /// CRPS of each form less that of the best, over all common flakes, in their order.
    pub fn behind_best(&self) -> Vec<(&str, Figure)> {
        let best = self.form(&self.recommendation.best);
        self.forms.iter().filter_map(|f| Some((f.name.as_str(), difference(f, best?).crps))).collect()
    }

    /// The level of a class that a row has, for the classes asked for.
    pub fn label(&self, class: &str, row: usize) -> Option<&str> {
        self.labels.iter().find(|(c, _)| c == class)?.1.get(row)?.as_deref()
    }
}

/// The paired difference of two forms over all common flakes.
pub(super) fn difference(a: &FormAssessment, b: &FormAssessment) -> Difference {
    let clusters = clusters(a.tested.iter());
    let of = |f: &dyn Fn(&Score) -> f64| {
        let values: Vec<f64> = a.tested.iter().zip(&b.tested).map(|(s, t)| s.mean(f) - t.mean(f)).collect();
        mean(&values, clusters.as_deref())
    };
    Difference {
        first: a.name.clone(),
        second: b.name.clone(),
        crps: of(&|s| s.crps),
        log_score: of(&|s| s.log_score),
        interval_score: of(&|s| s.interval_score),
        squared_error: of(&|s| s.ln_error * s.ln_error),
    }
}

/// Which form to take.
fn recommendation(forms: &[FormAssessment], with_size: usize) -> Recommendation {
    let crps = |f: &&FormAssessment| match f.overall.crps.value {
        v if v.is_nan() => f64::INFINITY,
        v => v,
    };
    let better = |a: &&FormAssessment, b: &&FormAssessment| crps(a).total_cmp(&crps(b));
    // of those that foretell better than the mean of the table, where any does
    let beats = |f: &&FormAssessment| {
        let r2 = f.overall.r_squared;
        r2.value > if r2.standard_error.is_nan() { 0.0 } else { r2.standard_error }
    };
    let better_than_mean = forms.iter().any(|f| beats(&f));
    let may = |f: &&FormAssessment| !better_than_mean || f.overall.r_squared.value > 0.0;
    let best = forms.iter().filter(may).min_by(better).unwrap_or(&forms[0]);
    let near = |f: &&FormAssessment| {
        let d = difference(f, best).crps;
        f.name == best.name || d.value <= d.standard_error && f.overall.r_squared.value > 0.0
    };
    let simpler = |a: &&FormAssessment, b: &&FormAssessment| {
        a.coefficients.cmp(&b.coefficients).then_with(|| better(a, b))
    };
    let take = forms.iter().filter(near).min_by(simpler).unwrap_or(best);
    Recommendation {
        take: take.name.clone(),
        best: best.name.clone(),
        difference: difference(take, best).crps,
        coefficients: take.coefficients,
        coefficients_of_best: best.coefficients,
        better_than_mean,
        r_squared_of_best: best.overall.r_squared,
        forms: forms.len(),
        answered: take.own.flakes,
        with_size,
    }
}

/// Fits every recipe without each test set and scores it on the flakes of the set.
///
/// Recipes are cut down to the size asked for. A flake counts only if every recipe answers for it, in every
/// repeat; the others are counted by reason. The termination is hidden from the predictors. A recipe that cannot be
/// fitted to all rows does without the variants that
/// cannot, and is left out with the reason where none can; one that fails without some fold has the flakes of that fold
/// counted as refused.
///
/// # Errors
/// [`Error::Shape`] when the folds are made for another number of rows; [`Error::Invalid`] without a recipe
/// or with two of one name; [`Error::UnknownName`] for a size that a recipe lacks;
/// [`Error::Incomparable`] when recipes read the size from different columns; [`Error::TooFew`] with fewer
/// than 2 flakes in common; and those of the fit to all rows where no recipe can be fitted.
pub fn cross_validate<M: Measured + Sync>(
    recipes: &[Recipe],
    rows: &[M],
    folds: &Folds,
    question: &Question,
) -> Result<Assessment> {
    let (asked, bench) = Bench::of(recipes, rows, folds, question)?;
    let (mut recipes, mut calibrations, mut left_out) = (Vec::new(), Vec::new(), Vec::new());
    for r in asked {
        match bench.fit_what_can_be(&r) {
            Ok((recipe, calibration)) => {
                recipes.push(recipe);
                calibrations.push(calibration);
            }
            Err(e) => left_out.push((r.name, e)),
        }
    }
    if recipes.is_empty()
        && let Some((name, e)) = std::mem::take(&mut left_out).into_iter().min_by_key(|(_, e)| found_for(e))
    {
        return Err(match e {
            Error::TooFew { what, found, needed } => {
                Error::TooFew { what: format!("{what} ({name})"), found, needed }
            }
            other => other,
        });
    }
    // for each recipe the first reason for which a row was refused, and scores[recipe][row]
    let mut refused = recipes.iter().map(|r| bench.left_out(r)).collect::<Result<Vec<_>>>()?;
    let work: Vec<(usize, &Vec<usize>)> =
        folds.sets.iter().flat_map(|s| (0..recipes.len()).map(move |r| (r, s))).collect();
    let results = threads::each(work.clone(), |(r, set)| bench.test(&recipes[r], set, &refused[r]));
    let mut scores: Vec<Vec<Vec<Score>>> = vec![vec![Vec::new(); rows.len()]; recipes.len()];
    for ((r, _), list) in work.into_iter().zip(results) {
        for (i, outcome) in list {
            match outcome {
                Ok(s) => scores[r][i].push(s),
                Err(reason) => {
                    refused[r][i].get_or_insert(reason);
                }
            }
        }
    }
    let usable: Vec<bool> = (0..rows.len()).map(|i| refused.iter().all(|r| r[i].is_none())).collect();
    let common: Vec<usize> = (0..rows.len()).filter(|i| usable[*i] && !scores[0][*i].is_empty()).collect();
    let answered =
        |r: usize| -> Vec<usize> { (0..rows.len()).filter(|i| refused[r][*i].is_none()).collect() };
    let each = recipes.iter().enumerate().map(|(r, recipe)| format!("{} {}", recipe.name, answered(r).len()));
    let each = each.collect::<Vec<_>>().join(", ");
    at_least(format!("flakes that every form answers for (each alone: {each})"), common.len(), 2)?;
    let tested = |r: usize, rows: &[usize]| -> Vec<Tested> {
        let of = |i: &usize| Tested { row: *i, group: folds.group(*i), scores: scores[r][*i].clone() };
        rows.iter().map(of).filter(|t| !t.scores.is_empty()).collect()
    };
    let reference = bench.about_the_others(&usable);
    let labels = labels_of(rows, question);
    let form = |(r, calibration): (usize, Calibration)| {
        let in_common = tested(r, &common);
        let alone = tested(r, &answered(r));
        let usable: Vec<bool> = refused[r].iter().map(Option::is_none).collect();
        let own_reference = bench.about_the_others(&usable);
        let own = Scores::of(&alone.iter().collect::<Vec<_>>(), &own_reference);
        assess_form(&recipes[r].name, calibration, (in_common, own), &refused[r], &labels, &reference)
    };
    let forms = calibrations.into_iter().enumerate().map(form).collect();
    let with_size = bench.with_size(&recipes);
    let read = recipes.iter().flat_map(|r| &r.variants).flat_map(|v| &v.sizes).map(|s| &s.form);
    let names = [Layout::of(read).numbers, vec![bench.column.clone()]].concat();
    let flake = |i: &usize| names.iter().map(|n| rows[*i].number(n).unwrap_or(f64::NAN)).collect::<Vec<_>>();
    let again = repeated(common.iter().map(flake));
    let asked = (question, bench.column, folds.rule.clone());
    let mut found = Assessment::of(asked, (rows.len(), with_size), forms, labels);
    found.left_out = left_out.into_iter().map(|(name, e)| (name, e.to_string())).collect();
    found.repeated = again;
    found.over = folds.by().map(in_words);
    Ok(found)
}

/// How much a form found before it failed, as a key of which the least says most: a column that is lacking tells nothing of
/// the flakes.
fn found_for(e: &Error) -> std::cmp::Reverse<usize> {
    std::cmp::Reverse(if let Error::TooFew { found, .. } = e { *found } else { usize::MAX })
}

/// That calibrations stand as they are, and which of them may have been made with the sites of these flakes: where a
/// calibration does not name its sites nobody can tell.
fn as_fitted(calibrations: &[Calibration]) -> String {
    let with_sites = calibrations.iter().filter_map(|c| {
        let sizes = c.variants().iter().flat_map(|v| &v.sizes);
        let shared = sizes.flat_map(|m| &m.shared).filter(|e| e.by == "site" && e.levels.is_empty());
        let how = if c.distance().is_some() { "moved to" } else { "made with" };
        Some(format!("{} was {how} {} sites", c.name(), shared.map(|e| e.groups).max()?))
    });
    let with_sites: Vec<String> = with_sites.collect();
    let plain = "as it stands: foretold only if these flakes were not among those that it was fitted to";
    if with_sites.is_empty() {
        return plain.to_string();
    }
    format!(
        "{plain}; {}, whose names are not known: flakes of one of these are predicted better than those of a new site",
        with_sites.join(", ")
    )
}

/// Scores calibrations as they stand, not fitted to these flakes: whether one may speak for a site. Complete flakes
/// without retouch whose size was measured are scored; where a column `site` names more than one site, standard errors
/// are taken over sites, whose flakes lie to one side together.
///
/// # Errors
/// [`Error::Invalid`] without a calibration or with two of one name; [`Error::UnknownName`] for a size that one lacks;
/// [`Error::Incomparable`] when they mean different columns by it; [`Error::TooFew`] with fewer than 2 flakes in common.
///
/// ```
/// use conchoid::assess::{Question, as_they_stand};
/// use conchoid::calibration::bundled;
/// use conchoid::flake::Flake;
/// use conchoid::strike::Strike;
/// let flake = |depth: f64, angle: f64, mass: f64| -> conchoid::Result<Flake> {
///     Flake::builder().strike(Strike::builder().platform_depth_mm(depth).exterior_platform_angle_deg(angle).build()?).mass_g(mass).build()
/// };
/// let site = [flake(4.0, 75.0, 2.1)?, flake(6.0, 80.0, 5.5)?, flake(9.0, 70.0, 8.0)?, flake(7.0, 85.0, 6.2)?];
/// let a = as_they_stand(&[bundled::named("hard-hammer-flint")?], &site, &Question::new("mass_g"))?;
/// // these flakes are lighter than the experiment has them: 0.4 times as heavy
/// let tested = &a.forms[0].tested;
/// let mean = tested.iter().map(|t| t.ln_error()).sum::<f64>() / tested.len() as f64;
/// assert!((mean + 0.90).abs() < 0.01);
/// # Ok::<(), conchoid::Error>(())
/// ```
pub fn as_they_stand<M: Measured + Sync>(
    calibrations: &[Calibration],
    rows: &[M],
    question: &Question,
) -> Result<Assessment> {
    let (size, mut column) = (&question.size, None);
    for (i, c) in calibrations.iter().enumerate() {
        if calibrations[..i].iter().any(|o| o.name() == c.name()) {
            return Err(Error::invalid("calibrations", format!("\"{}\" stands twice", c.name())));
        }
        let sizes = || c.variants().iter().flat_map(|v| &v.sizes);
        let own = sizes().find(|m| m.size == *size).map(|m| m.column.clone());
        let own = own.ok_or_else(|| Error::unknown_name("size", size, sizes().map(|m| m.size.clone())))?;
        if column.get_or_insert_with(|| own.clone()) != &own {
            let reason = format!("{} means {own} by {size}, others another column", c.name());
            return Err(Error::Incomparable { reason });
        }
    }
    let column = column.ok_or_else(|| Error::invalid("calibrations", "at least one is needed"))?;
    let sites: Vec<Option<&str>> = rows.iter().map(|r| r.class("site")).collect();
    let mut names: Vec<&str> = sites.iter().flatten().copied().collect();
    names.sort_unstable();
    names.dedup();
    let group = |i: usize| match names.len() {
        0 | 1 => None,
        // flakes without a site are one more
        n => Some(sites[i].and_then(|s| names.binary_search(&s).ok()).unwrap_or(n)),
    };
    let each: Vec<usize> = (0..rows.len()).collect();
    let answers = calibrations
        .iter()
        .map(|c| {
            let predictor = Predictor::new(c.clone())?;
            Ok(threads::each(each.iter().collect(), |i: &usize| {
                as_struck(&rows[*i], false)?;
                rows[*i].number(&column).ok_or_else(|| format!("{column} not recorded"))?;
                score(&predictor, &rows[*i], &column, question).map_err(|e| e.to_string())
            }))
        })
        .collect::<Result<Vec<Vec<std::result::Result<Score, String>>>>>()?;
    let common: Vec<usize> = each.into_iter().filter(|i| answers.iter().all(|a| a[*i].is_ok())).collect();
    at_least("flakes that every calibration answers for", common.len(), 2)?;
    let ln = |i: &usize| rows[*i].number(&column).unwrap_or(f64::NAN).ln();
    let middle = common.iter().map(ln).sum::<f64>() / common.len() as f64;
    let reference: Vec<f64> = (0..rows.len()).map(|i| (ln(&i) - middle).powi(2)).collect();
    let labels = labels_of(rows, question);
    let mut measured = MeasuredSizes::default();
    for (c, answers) in calibrations.iter().zip(&answers) {
        let models = c.variants().iter().flat_map(|v| &v.sizes).filter(|m| m.size == *size);
        let common = models.map(SizeModel::common).fold(0.0, f64::max);
        for (i, s) in answers.iter().enumerate().filter_map(|(i, s)| Some((i, s.as_ref().ok()?))) {
            let (low, high) = s.intervals[NINETY_FIVE];
            let found = MeasuredSize { observed: s.observed, low, median: s.expected, high };
            let law = (LEVELS[NINETY_FIVE], common);
            measured.add((c.name(), &column), sites[i].unwrap_or(""), Tally::of(&found), law);
        }
    }
    let forms = calibrations.iter().zip(answers).map(|(c, answers)| {
        let tested = common.iter().filter_map(|i| {
            Some(Tested { row: *i, group: group(*i), scores: vec![answers[*i].clone().ok()?] })
        });
        let tested: Vec<Tested> = tested.collect();
        let own = Scores::of(&tested.iter().collect::<Vec<_>>(), &reference);
        let refused: Vec<Option<String>> = answers.into_iter().map(std::result::Result::err).collect();
        assess_form(c.name(), c.clone(), (tested, own), &refused, &labels, &reference)
    });
    let with_size = rows.iter().filter(|r| r.number(&column).is_some()).count();
    let asked = (question, column, as_fitted(calibrations));
    let mut found = Assessment::of(asked, (rows.len(), with_size), forms.collect(), labels);
    found.as_they_stand = true;
    found.verdict = verdict(&measured.fits());
    found.over = (names.len() > 1).then(|| "site".to_string());
    Ok(found)
}
