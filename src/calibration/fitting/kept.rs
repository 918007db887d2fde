//! The sizes of a variant fitted together, given that each flake was kept: rows to the law of [`crate::fit::kept`], and
//! what of it goes into a calibration.
//!
//! A row is used where the form's measurements, the groups and the sizes that decided are there; a row that says
//! `everything_kept` is used with whatever sizes it has, and needs no condition. Where nearly all masses of a group are
//! whole grams they are taken as rounded: 1 g then lies between 0.5 and 1.5 g.

use super::recipe::VariantRecipe;
use super::shrunken::rows_of;
use super::sizes::FittedSize;
use super::{Collector, Standing};
use crate::by_name::place_of;
pub(super) use crate::calibration::shared::EVERYTHING_KEPT;
use crate::calibration::{RecoveryThreshold, SharedCorrelation, SharedEffect, SizeModel, Spread};
use crate::error::{Error, Place, Result};
use crate::fit::kept::{self, Flakes, KeptFit, Model, Threshold};
use crate::form::Transform;
use nalgebra::DMatrix;

/// Share of whole numbers from which the masses of a group are taken as rounded to grams. This crate's choice: at 12 of the 25
/// sites of the bundled table it is 0.98 and more, at the others 0.25 and less.
const ROUNDED: f64 = 0.95;

/// A flake rounded down to nothing weighs at least this much, in grams. This crate's choice, no source.
const LEAST_G: f64 = 0.25;

/// The search ends when nothing moves by more than this share of a standard deviation, or after so many rounds. This
/// crate's choice: far less than a standard error.
const TOLERANCE: f64 = 1e-4;
const ROUNDS: usize = 400;

/// The sizes of a variant, what they share, and how they hang together within a group.
pub(super) struct Together {
    pub(super) sizes: Vec<FittedSize>,
    pub(super) shared: Vec<SharedCorrelation>,
    pub(super) within: Vec<Vec<f64>>,
    pub(super) flakes: u64,
}

/// The rows of a variant.
struct Rows {
    flakes: Flakes,
    /// Which of the collector's rows each is.
    of: Vec<usize>,
    groups: [usize; 2],
}

/// Refuses sizes that cannot be fitted together.
pub(super) fn check(recipe: &VariantRecipe) -> Result<()> {
    let Some(kept) = recipe.sizes.iter().find_map(|s| s.method.kept.as_ref()) else { return Ok(()) };
    let first = &recipe.sizes[0];
    let wrong = |reason: String| Err(Error::invalid("kept", reason));
    for s in &recipe.sizes {
        if s.method != first.method || s.form.terms() != first.form.terms() {
            return wrong(format!("{} and {} need the same terms and the same method", first.size, s.size));
        }
        if s.form.transform() != Transform::Ln || !s.form.intercept() || !s.form.spread_terms().is_empty() {
            return wrong(format!(
                "{} needs a form of its logarithm with an intercept and one spread",
                s.size
            ));
        }
        if !s.method.penalised.is_empty() || s.method.tails != super::TailsToTry::Normal {
            return wrong("what was kept is fitted without penalty and with normal tails".to_string());
        }
        if s.method.shared.get(1).is_some_and(|inner| !inner.terms.is_empty()) {
            return wrong("slopes may vary between the outer groups alone".to_string());
        }
        if s.method.shared.iter().any(|e| e.levels) {
            return wrong(
                "groups are fitted as new ones; take their flakes as local ones to know them".to_string(),
            );
        }
    }
    if recipe.sizes.len() > 4 || !(1..=2).contains(&kept.greatest_of.len()) {
        return wrong("up to four sizes are fitted together, of which one or two decide".to_string());
    }
    for size in &kept.greatest_of {
        if !recipe.sizes.iter().any(|s| s.column == *size) {
            return wrong(format!("{size} decided what was kept, so it must be fitted too"));
        }
    }
    Ok(())
}

impl Collector {
    /// Fits the sizes of a variant together, read from the `first` reading on.
    pub(super) fn fit_kept(
        &self,
        recipe: &VariantRecipe,
        kept: &RecoveryThreshold,
        first: usize,
    ) -> Result<Together> {
        let rows = self.rows_kept(recipe, kept, first)?;
        let method = &recipe.sizes[0].method;
        let outer = method.shared.first();
        let threshold = Threshold {
            sizes: kept
                .greatest_of
                .iter()
                .filter_map(|c| recipe.sizes.iter().position(|s| s.column == *c))
                .collect(),
            least: kept.at_least.ln(),
        };
        let model = Model {
            varying: outer
                .map_or(Vec::new(), |e| std::iter::once(0).chain(e.terms.iter().map(|t| t + 1)).collect()),
            assemblages: method.shared.len() > 1,
            degrees_of_freedom: outer.and_then(|e| e.degrees_of_freedom),
            restricted: true,
            threshold: Some(threshold),
            tolerance: TOLERANCE,
            rounds: ROUNDS,
        };
        let fit = kept::fit(&rows.flakes, &model)?;
        if !fit.at_rest {
            return Err(Error::not_converged(
                "the law of what was kept",
                format!(
                    "it still moved after {ROUNDS} rounds; leave out an effect, give more groups or flakes, or those of a lower threshold too"
                ),
            ));
        }
        self.together(recipe, kept, first, &rows, &fit)
    }

    fn rows_kept(&self, recipe: &VariantRecipe, kept: &RecoveryThreshold, first: usize) -> Result<Rows> {
        let readings = &self.readings[first..first + recipe.sizes.len()];
        let (k, terms) = (readings.len(), readings[0].compiled.terms());
        let everything = self
            .groups
            .iter()
            .position(|(by, _)| by == EVERYTHING_KEPT)
            .map(|g| (self.layout.len() + g, &self.groups[g].1.names));
        let deciding: Vec<usize> =
            kept.greatest_of.iter().filter_map(|c| self.columns.iter().position(|m| m == c)).collect();
        let mut out =
            Rows { flakes: Flakes { terms, sizes: k, ..Flakes::default() }, of: Vec::new(), groups: [0; 2] };
        let (mut outer, mut inner) = (Vec::new(), Vec::new());
        let mut own = vec![0.0; terms];
        for i in 0..self.flakes.rows() {
            let row = self.flakes.row(i);
            let sizes: Vec<f64> = readings.iter().map(|r| self.flakes.size(i, r.column).ln()).collect();
            let here: Vec<f64> = deciding.iter().map(|c| self.flakes.size(i, *c)).collect();
            let whole = everything
                .is_some_and(|(at, names)| !row[at].is_nan() && names[row[at] as usize].as_str() == "yes");
            let usable = readings[0].compiled.check(&row, &self.layout).is_ok()
                && readings[0].groups.iter().all(|g| !row[*g].is_nan())
                && sizes.iter().all(|s| s.is_nan() || s.is_finite())
                && if whole { sizes.iter().any(|s| s.is_finite()) } else { here.iter().all(|v| !v.is_nan()) };
            if !usable {
                continue;
            }
            let greatest = here.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            if !whole && greatest < kept.at_least {
                return Err(Error::Invalid {
                    at: Place::column(kept.greatest_of.join(" and ")),
                    reason: format!(
                        "a flake in the table has {greatest}, though flakes below {} are said not to have been kept; \
                         lower the threshold, leave the row out, or write yes under {EVERYTHING_KEPT}",
                        kept.at_least
                    ),
                });
            }
            readings[0].compiled.fill(&row, &mut own);
            out.flakes.x.extend(&own);
            out.flakes.y.extend(&sizes);
            out.flakes.held.push(!whole);
            for (codes, numbers, at) in [
                (&mut outer, &mut out.flakes.site, readings[0].groups.first()),
                (&mut inner, &mut out.flakes.assemblage, readings[0].groups.get(1)),
            ] {
                let code = at.map_or(0.0, |g| row[*g]);
                numbers.push(place_of(codes, |c| *c == code, || code));
            }
            out.of.push(i);
        }
        let groups = outer.len();
        out.groups = [groups, inner_groups(&out.flakes)];
        if let Some(outer) = recipe.sizes[0].method.shared.first().filter(|_| groups < 2) {
            return Err(Error::TooFew { what: format!("groups of {}", outer.by), found: groups, needed: 2 });
        }
        self.weigh(recipe, groups, &mut out.flakes);
        self.round(recipe, first, groups, &mut out);
        Ok(out)
    }

    /// Weighs the rows so that no outer group counts for more flakes than it may.
    fn weigh(&self, recipe: &VariantRecipe, groups: usize, flakes: &mut Flakes) {
        let mut counts = vec![0.0; groups];
        flakes.site.iter().for_each(|g| counts[*g] += 1.0);
        let most = recipe.sizes[0].method.shared.first().and_then(|e| e.at_most).unwrap_or(f64::INFINITY);
        flakes.weight = flakes.site.iter().map(|g| (most / counts[*g]).min(1.0)).collect();
    }

    /// Between which bounds rounded masses lie.
    fn round(&self, recipe: &VariantRecipe, first: usize, groups: usize, rows: &mut Rows) {
        let k = recipe.sizes.len();
        let mass = &self.readings[first + k - 1];
        rows.flakes.between = vec![None; rows.of.len()];
        if recipe.sizes[k - 1].column != "mass_g" {
            return;
        }
        let masses: Vec<f64> = rows.of.iter().map(|i| self.flakes.size(*i, mass.column)).collect();
        let mut counts = vec![(0.0, 0.0); groups];
        for (g, m) in rows.flakes.site.iter().zip(&masses).filter(|(_, m)| !m.is_nan()) {
            counts[*g].0 += 1.0;
            counts[*g].1 += f64::from(u8::from((m - m.round()).abs() < 1e-9));
        }
        for ((g, m), between) in rows.flakes.site.iter().zip(masses).zip(&mut rows.flakes.between) {
            let rounded = counts[*g].1 >= ROUNDED * counts[*g].0 && !m.is_nan();
            *between = rounded.then(|| ((m - 0.5).max(LEAST_G).ln(), (m + 0.5).ln()));
        }
    }

    fn together(
        &self,
        recipe: &VariantRecipe,
        kept: &RecoveryThreshold,
        first: usize,
        rows: &Rows,
        fit: &KeptFit,
    ) -> Result<Together> {
        let (k, terms) = (recipe.sizes.len(), rows.flakes.terms);
        let behind = rows.flakes.weight.iter().sum::<f64>() - terms as f64;
        let part =
            |m: &DMatrix<f64>, n: usize, j: usize| DMatrix::from_fn(n, n, |a, b| m[(a * k + j, b * k + j)]);
        let method = &recipe.sizes[0].method;
        let mut sizes = Vec::new();
        for (j, s) in recipe.sizes.iter().enumerate() {
            let running = &self.running[first + j];
            let covariance = part(&fit.covariance, terms, j);
            let variance = fit.within[(j, j)];
            let spread = variance.sqrt();
            let mut standardised = vec![f64::NAN; self.flakes.rows()];
            let (mut largest_leverage, mut rest, mut total, mut count) = (0.0f64, 0.0, 0.0, 0u64);
            let has: Vec<usize> = (0..rows.of.len()).filter(|r| !rows.flakes.y[r * k + j].is_nan()).collect();
            let mean = has.iter().map(|r| rows.flakes.y[r * k + j]).sum::<f64>() / has.len() as f64;
            for r in has {
                let x = nalgebra::DVector::from_column_slice(rows.flakes.design(r));
                largest_leverage = largest_leverage.max(x.dot(&(&covariance * &x)) / variance);
                let y = rows.flakes.y[r * k + j];
                let expected = x.dot(&fit.coefficients.column(j));
                standardised[rows.of[r]] = (y - expected) / spread;
                rest += (y - expected).powi(2);
                total += (y - mean).powi(2);
                count += 1;
            }
            let shared = method
                .shared
                .iter()
                .enumerate()
                .map(|(level, e)| {
                    let (m, n) = match (level, &fit.assemblages) {
                        (1, Some(m)) => (m, 1),
                        _ => (&fit.between, 1 + e.terms.len()),
                    };
                    // a t of d degrees of freedom and scale S has the covariance S d / (d - 2)
                    let heavy = e.degrees_of_freedom.filter(|_| level == 0).map_or(1.0, |d| d / (d - 2.0));
                    let by = e.times * heavy;
                    SharedEffect {
                        by: e.by.clone(),
                        groups: rows.groups[level] as u64,
                        terms: e.terms.clone(),
                        covariance: rows_of(&(part(m, n, j) * by)),
                        degrees_of_freedom: e.degrees_of_freedom.filter(|_| level == 0),
                        ln_spread_sd: 0.0,
                        levels: Vec::new(),
                    }
                })
                .collect::<Vec<_>>();
            let order = 1 + shared.len();
            let mut variances = DMatrix::zeros(order, order);
            variances[(0, 0)] = 2.0 * variance * variance / behind;
            for (l, e) in shared.iter().enumerate() {
                variances[(l + 1, l + 1)] = 2.0 * e.covariance[0][0].powi(2) / (e.groups as f64 - 1.0);
            }
            let left_out_error = (rest / count as f64).sqrt();
            let standing =
                Standing { standardised, largest_leverage, left_out_error, left_out_flakes: count };
            let fitted = FittedSize::of(s, running, standing);
            sizes.push(FittedSize {
                model: SizeModel {
                    coefficients: fit.coefficients.column(j).iter().copied().collect(),
                    covariance: rows_of(&covariance),
                    spread: Spread::Constant { value: spread, degrees_of_freedom: behind },
                    flakes: count,
                    r_squared: (1.0 - rest / total).clamp(0.0, 1.0),
                    variance_covariance: if shared.is_empty() { Vec::new() } else { rows_of(&variances) },
                    shared,
                    kept: Some(kept.clone()),
                    ..fitted.model
                },
                aic_own_unit: aic(fit, running.seen.ln_jacobian),
                effective_parameters: fit.coefficients.len() as f64,
                ..fitted
            });
        }
        let correlation = |m: &DMatrix<f64>| {
            rows_of(&DMatrix::from_fn(k, k, |a, b| m[(a, b)] / (m[(a, a)] * m[(b, b)]).sqrt()))
        };
        let shared = method.shared.iter().enumerate().map(|(level, e)| SharedCorrelation {
            by: e.by.clone(),
            correlation: match (level, &fit.assemblages) {
                (1, Some(m)) => correlation(m),
                _ => correlation(&fit.between),
            },
        });
        Ok(Together {
            sizes,
            shared: shared.collect(),
            within: correlation(&fit.within),
            flakes: rows.of.len() as u64,
        })
    }
}

/// Information criteria of the sizes together: they have one likelihood.
fn aic(fit: &KeptFit, ln_jacobian: f64) -> f64 {
    let k = fit.within.nrows() as f64;
    let q = fit.between.nrows() as f64;
    let inner = fit.assemblages.as_ref().map_or(0.0, |_| k * (k + 1.0) / 2.0);
    let parameters = fit.coefficients.len() as f64 + 0.5 * k * (k + 1.0) + 0.5 * q * (q + 1.0) + inner;
    2.0 * (parameters - fit.ln_likelihood - ln_jacobian)
}

/// How many groups lie within the outer ones.
fn inner_groups(flakes: &Flakes) -> usize {
    let mut pairs: Vec<(usize, usize)> =
        flakes.site.iter().copied().zip(flakes.assemblage.iter().copied()).collect();
    pairs.sort_unstable();
    pairs.dedup();
    pairs.len()
}
