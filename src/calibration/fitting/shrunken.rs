//! The rows of a fit beyond least squares, fitted whole and by parts, and what a calibration keeps of it.

use super::Standing;
use super::recipe::{SharedRecipe, TailsToTry};
use crate::calibration::{KnownLevel, SharedCorrelation, SharedEffect, SizeModel, Tails};
use crate::error::{Error, Result};
use crate::fit::Design;
use crate::fit::shrunken::{self, SharedRows, Shrunken, ShrunkenFit};
use crate::special::{normal_quantile, student_sf};
use nalgebra::DMatrix;
use std::collections::BTreeMap;

/// The rows of a fit.
pub(super) struct Rows {
    pub(super) names: (Vec<String>, Vec<String>),
    pub(super) penalised: Vec<bool>,
    pub(super) grids: Vec<Vec<f64>>,
    pub(super) class: Vec<usize>,
    pub(super) x: Vec<Vec<f64>>,
    pub(super) z: Vec<Vec<f64>>,
    pub(super) y: Vec<f64>,
    /// Effects that groups share, the outer first.
    pub(super) shared: Vec<Grouped>,
    /// The piece that each row is a state of, where each piece counts once.
    pub(super) piece: Option<Vec<usize>>,
}

/// The groups of one shared effect.
pub(super) struct Grouped {
    pub(super) by: String,
    /// Names of the groups, and of the outer group of each where there is one.
    names: Vec<(Option<String>, String)>,
    /// The group of every row.
    of: Vec<usize>,
    /// Places among the design's columns of the terms whose slope varies.
    slopes: Vec<usize>,
    terms: Vec<usize>,
}

/// Parts that a fit is tried on in turn. Common practice, no source.
pub(super) const FOLDS: usize = 10;

impl Grouped {
    /// The groups of some rows by their names, in the order of the names; those of an inner effect are told apart by
    /// the outer group too.
    ///
    /// # Errors
    /// [`Error::Invalid`] naming the column: one group only, a group for every row, or the same as the outer groups.
    pub(super) fn new(
        recipe: &SharedRecipe,
        names: &[&str],
        outer: Option<&Grouped>,
        offset: usize,
    ) -> Result<Grouped> {
        let key = |i: usize| {
            let outer = outer.map(|o| o.names[o.of[i]].1.clone());
            (outer, names[i].to_string())
        };
        let mut places: BTreeMap<(Option<String>, String), usize> =
            (0..names.len()).map(|i| (key(i), 0)).collect();
        places.values_mut().enumerate().for_each(|(k, place)| *place = k);
        let of = (0..names.len()).map(|i| places[&key(i)]).collect();
        let refused = |why: String| Err(Error::invalid(&recipe.by, why));
        let (groups, flakes) = (places.len(), names.len());
        if groups < 2 {
            return refused(format!(
                "all {flakes} flakes have the same, so nothing can be learnt of how groups differ; fit without it"
            ));
        }
        if groups == flakes {
            return refused(format!(
                "each of the {flakes} flakes is a group of its own, so none shares anything; a column of groups \
                 (core, knapper, site) is needed"
            ));
        }
        if let Some(o) = outer
            && o.names.len() == groups
        {
            return refused(format!("its groups are those of {}; fit with one of the two", o.by));
        }
        Ok(Grouped {
            by: recipe.by.clone(),
            names: places.into_keys().collect(),
            of,
            slopes: recipe.terms.iter().map(|t| t + offset).collect(),
            terms: recipe.terms.clone(),
        })
    }

    /// Refuses groups that are the levels of a class of the form under another name; `codes` are those of the rows.
    pub(super) fn against_class(&self, class: &str, codes: &[f64]) -> Result<()> {
        let mut level_of: Vec<Option<u64>> = vec![None; self.names.len()];
        let mut group_of: BTreeMap<u64, usize> = BTreeMap::new();
        for (g, code) in self.of.iter().zip(codes.iter().map(|c| c.to_bits())) {
            if *level_of[*g].get_or_insert(code) != code || *group_of.entry(code).or_insert(*g) != *g {
                return Ok(());
            }
        }
        Err(Error::invalid(
            &self.by,
            format!(
                "its groups are the levels of {class}, whose shifts the form has already; leave out one of the two"
            ),
        ))
    }

    /// What the intercept and the slopes count in a row.
    fn weights(&self, x: &[f64]) -> Vec<f64> {
        std::iter::once(1.0).chain(self.slopes.iter().map(|j| x[*j])).collect()
    }

    /// Some of the rows, groups numbered anew.
    fn some(&self, of: &[usize], x: &[Vec<f64>]) -> SharedRows {
        let mut number = BTreeMap::new();
        for i in of {
            let next = number.len();
            number.entry(self.of[*i]).or_insert(next);
        }
        let weights = DMatrix::from_fn(of.len(), 1 + self.slopes.len(), |i, j| self.weights(&x[of[i]])[j]);
        let (groups, of) = (number.len(), of.iter().map(|i| number[&self.of[*i]]).collect());
        SharedRows { of, groups, weights }
    }
}

impl Rows {
    /// Fits all of the rows.
    pub(super) fn fit_all(&self) -> Result<ShrunkenFit> {
        self.fit(&(0..self.y.len()).collect::<Vec<_>>(), None)
    }

    /// Fits some of the rows; with degrees of freedom held where they are given.
    fn fit(&self, of: &[usize], held: Option<&[f64]>) -> Result<ShrunkenFit> {
        let pick = |rows: &[Vec<f64>]| of.iter().map(|i| rows[*i].clone()).collect::<Vec<_>>();
        let x = Design::from_rows(self.names.0.clone(), &pick(&self.x))?;
        let z = Design::from_rows(self.names.1.clone(), &pick(&self.z))?;
        let y: Vec<f64> = of.iter().map(|i| self.y[*i]).collect();
        let class = of.iter().map(|i| self.class[*i]).collect();
        let grids = match held {
            Some(held) => held.iter().map(|d| vec![*d]).collect(),
            None => self.grids.clone(),
        };
        let tails = shrunken::Tails::by_class(class, grids)?;
        let shared: Vec<SharedRows> = self.shared.iter().map(|s| s.some(of, &self.x)).collect();
        let piece = self.piece.as_ref().map(|piece| of.iter().map(|i| piece[*i]).collect());
        let fitter = Shrunken { piece, ..Shrunken::default() };
        fitter.fit_shared(&x, &self.penalised, &z, &tails, &shared, &y)
    }

    /// What each row counts: its share of a piece, or 1.
    pub(super) fn weights(&self) -> Vec<f64> {
        let Some(piece) = &self.piece else { return vec![1.0; self.y.len()] };
        let mut states: BTreeMap<usize, f64> = BTreeMap::new();
        piece.iter().for_each(|p| *states.entry(*p).or_default() += 1.0);
        piece.iter().map(|p| 1.0 / states[p]).collect()
    }

    /// Share of the variance of the response explained by the expected values, within the rows fitted.
    pub(super) fn explained_by(&self, expected: impl Fn(&[f64]) -> Result<f64>) -> Result<f64> {
        let w = self.weights();
        let mean = self.y.iter().zip(&w).map(|(y, w)| w * y).sum::<f64>() / w.iter().sum::<f64>();
        let (mut rest, mut total) = (0.0, 0.0);
        for ((x, y), w) in self.x.iter().zip(&self.y).zip(&w) {
            rest += w * (y - expected(x)?).powi(2);
            total += w * (y - mean).powi(2);
        }
        Ok((1.0 - rest / total).clamp(0.0, 1.0))
    }

    /// The effects shared by a row, added up; the groups of a fit to some rows stand in the order in which those come,
    /// of a fit to all rows too.
    fn effect(&self, fit: &ShrunkenFit, numbers: &[Vec<usize>], at: usize) -> f64 {
        let of = self.shared.iter().zip(&fit.shared).zip(numbers);
        of.map(|((s, f), number)| {
            let effect = &f.groups[number[s.of[at]]].effect;
            s.weights(&self.x[at]).iter().zip(effect).map(|(w, b)| w * b).sum::<f64>()
        })
        .sum()
    }

    /// For each shared effect the place in a fit to all rows of each of its groups.
    fn numbers(&self) -> Vec<Vec<usize>> {
        let number = |s: &Grouped| {
            let (mut number, mut next) = (vec![usize::MAX; s.names.len()], 0);
            for g in &s.of {
                if number[*g] == usize::MAX {
                    number[*g] = next;
                    next += 1;
                }
            }
            number
        };
        self.shared.iter().map(number).collect()
    }

    /// How the rows stand to a fit. Residuals are brought to a normal scale through the t of their class, so
    /// that correlations between sizes are not those of a few outliers. Where groups share effects, whole outer groups
    /// are left out in turn, and their flakes predicted as those of a new group. The fits without a tenth of the rows are
    /// answered beside it, for the first `folds` tenths.
    pub(super) fn stand(
        &self,
        fit: &ShrunkenFit,
        rows: &[usize],
        used: usize,
        folds: usize,
    ) -> Result<(Standing, Vec<Option<ShrunkenFit>>)> {
        let mut standardised = vec![f64::NAN; used];
        let mut largest_leverage = 0.0f64;
        let numbers = self.numbers();
        for (at, i) in rows.iter().enumerate() {
            let spread = fit.spread(&self.z[at])?;
            largest_leverage =
                largest_leverage.max(fit.variance_of_expected(&self.x[at])? / (spread * spread));
            let expected = fit.expected(&self.x[at])? + self.effect(fit, &numbers, at);
            let e = (self.y[at] - expected) / spread;
            standardised[*i] = normal_score(e, fit.degrees_of_freedom[self.class[at]]);
        }
        let w = self.weights();
        let error_of = |fit: &ShrunkenFit, at: usize| -> Result<f64> {
            Ok(w[at] * (self.y[at] - fit.expected(&self.x[at])?).powi(2))
        };
        let (mut squares, mut total, mut count) = (0.0, 0.0, 0u64);
        let mut without = Vec::with_capacity(folds);
        for fold in 0..folds {
            let kept: Vec<usize> = (0..self.y.len()).filter(|i| self.part(*i) != fold).collect();
            // a fold without which the terms cannot be told apart says nothing
            let fit = self.fit(&kept, Some(&fit.degrees_of_freedom)).ok();
            for at in (0..self.y.len()).filter(|i| self.part(*i) == fold) {
                let Some(fit) = &fit else { break };
                squares += error_of(fit, at)?;
                total += w[at];
                count += 1;
            }
            without.push(fit);
        }
        if count == 0 {
            // nothing could be left out (two groups): the errors of what is expected where no group is known
            squares = (0..w.len()).map(|at| error_of(fit, at)).sum::<Result<f64>>()?;
            total = w.iter().sum();
        }
        let standing = Standing {
            standardised,
            largest_leverage,
            left_out_error: (squares / total).sqrt(),
            left_out_flakes: count,
        };
        Ok((standing, without))
    }

    /// The part in which a row is left out: by whole outer groups where groups share effects.
    pub(super) fn part(&self, i: usize) -> usize {
        match (&self.piece, self.shared.first()) {
            (Some(piece), _) => piece[i] % FOLDS,
            (None, outer) => outer.map_or(i, |s| s.of[i]) % FOLDS,
        }
    }

    /// The shared effects with those of every group, and the covariance of the variances.
    pub(super) fn effects(&self, fit: &ShrunkenFit) -> (Vec<SharedEffect>, Vec<Vec<f64>>) {
        let numbers = self.numbers();
        let mut shared = Vec::new();
        for ((s, f), number) in self.shared.iter().zip(&fit.shared).zip(&numbers) {
            let level = |(k, (of, name)): (usize, &(Option<String>, String))| {
                let g = &f.groups[number[k]];
                KnownLevel {
                    name: name.clone(),
                    of: of.clone(),
                    effect: g.effect.clone(),
                    covariance: rows_of(&g.covariance),
                    with_coefficients: rows_of(&g.with_coefficients),
                    with_outer: g.with_outer.as_ref().map_or(Vec::new(), |(_, m)| rows_of(m)),
                }
            };
            shared.push(SharedEffect {
                by: s.by.clone(),
                groups: s.names.len() as u64,
                terms: s.terms.clone(),
                covariance: rows_of(&f.covariance),
                degrees_of_freedom: None,
                ln_spread_sd: 0.0,
                levels: s.names.iter().enumerate().map(level).collect(),
            });
        }
        (shared, if self.shared.is_empty() { Vec::new() } else { self.variances(fit) })
    }

    /// Covariance of the squared spread, where it is constant, and of the intercepts' variances.
    fn variances(&self, fit: &ShrunkenFit) -> Vec<Vec<f64>> {
        let k = self.shared.len();
        let mut all = vec![vec![0.0; k + 1]; k + 1];
        if let ([ln], 1) = (&fit.gamma[..], fit.gamma_covariance.len()) {
            // of ln spread to spread squared
            let slope = 2.0 * (2.0 * ln).exp();
            all[0][0] = slope * slope * fit.gamma_covariance[(0, 0)];
            for (i, f) in fit.shared.iter().enumerate() {
                all[0][i + 1] = slope * f.with_first_scale;
                all[i + 1][0] = all[0][i + 1];
            }
        }
        for (i, f) in fit.shared.iter().enumerate() {
            for (j, v) in f.variances.iter().enumerate() {
                all[i + 1][j + 1] = *v;
            }
        }
        all
    }
}

/// Correlations of shared effects between sizes, for the columns that all sizes have.
///
/// With effects shrunk by the share w_g of their variance that group g tells, E[b̂_a b̂_b] = w_a w_b (c + r v_a v_b)
/// where c is the covariance of the effects, r the correlation of flakes within a group, and v² = τ²(1 − w)/w the
/// variance of a group's mean that its flakes bring; c follows by moments, and is drawn towards 0 until the whole is a
/// correlation matrix.
pub(super) fn shared_correlation(models: &[SizeModel], within: &[Vec<f64>]) -> Vec<SharedCorrelation> {
    let sizes = models.len();
    let mut found = Vec::new();
    for by in models.iter().take(1).flat_map(|m| &m.shared).map(|e| &e.by) {
        let of: Vec<&SharedEffect> =
            models.iter().flat_map(|m| &m.shared).filter(|e| e.by == *by && !e.levels.is_empty()).collect();
        if of.len() != sizes || sizes < 2 {
            continue;
        }
        let variance = |i: usize| of[i].covariance[0][0];
        // by name the effect and the share of its variance that is told; none where groups do not differ
        let told = |i: usize| -> BTreeMap<_, _> {
            let told = |l: &KnownLevel| (1.0 - l.covariance[0][0] / variance(i)).clamp(0.0, 1.0);
            let groups = of[i].levels.iter().filter(|_| variance(i) > 0.0);
            groups.map(|l| ((l.of.as_ref(), &l.name), (l.effect[0], told(l)))).collect()
        };
        let groups: Vec<BTreeMap<_, _>> = (0..sizes).map(told).collect();
        let mut m = DMatrix::identity(sizes, sizes);
        for i in 0..sizes {
            for j in 0..i {
                let (mut sum, mut weight) = (0.0, 0.0);
                for (name, (x, w)) in &groups[i] {
                    let Some((y, v)) = groups[j].get(name).filter(|(_, v)| *v > 0.0 && *w > 0.0) else {
                        continue;
                    };
                    let noise = (variance(i) * (1.0 - w) / w * variance(j) * (1.0 - v) / v).sqrt();
                    sum += x * y - w * v * within[i][j] * noise;
                    weight += w * v;
                }
                let c = sum / weight / (variance(i) * variance(j)).sqrt();
                let c = if c.is_finite() { c.clamp(-0.99, 0.99) } else { 0.0 };
                m[(i, j)] = c;
                m[(j, i)] = c;
            }
        }
        while m.clone().cholesky().is_none() {
            let diagonal = DMatrix::identity(sizes, sizes);
            m = m * 0.95 + diagonal * 0.05;
        }
        found.push(SharedCorrelation { by: by.clone(), correlation: rows_of(&m) });
    }
    found
}

/// Takes out the groups that the recipe does not keep, and what others say of these.
pub(super) fn keep_levels(model: &mut SizeModel, recipe: &[SharedRecipe]) {
    let mut outer = true;
    for (e, asked) in model.shared.iter_mut().zip(recipe) {
        if !asked.levels {
            e.levels.clear();
        } else if !outer {
            e.levels.iter_mut().for_each(|l| (l.of, l.with_outer) = (None, Vec::new()));
        }
        outer = asked.levels;
    }
}

/// A standardised residual on a normal scale, through the t that it is from.
pub(super) fn normal_score(e: f64, degrees_of_freedom: f64) -> f64 {
    let tail = student_sf(e.abs(), degrees_of_freedom);
    let size = if tail < 0.5 { -normal_quantile(tail.max(1e-300)) } else { 0.0 };
    size.copysign(e)
}

pub(super) fn rows_of(m: &DMatrix<f64>) -> Vec<Vec<f64>> {
    m.row_iter().map(|r| r.iter().copied().collect()).collect()
}

/// The tails of a calibration from the degrees of freedom chosen.
pub(super) fn chosen(tails: &TailsToTry, df: &[f64]) -> Tails {
    match tails {
        TailsToTry::ByClass { class, levels } if df.iter().any(|d| d.is_finite()) => Tails::ByClass {
            class: class.clone(),
            degrees_of_freedom: levels
                .iter()
                .zip(df)
                .filter(|(_, d)| d.is_finite())
                .map(|((level, _), d)| (level.clone(), *d))
                .collect(),
        },
        _ => Tails::Normal,
    }
}

/// Information criteria with the effective number of parameters.
pub(super) fn conditional(fit: &ShrunkenFit, ln_jacobian: f64) -> f64 {
    let chosen = fit.degrees_of_freedom.iter().filter(|d| d.is_finite()).count();
    let k = fit.effective_parameters + (fit.gamma.len() + chosen) as f64;
    2.0 * (k - fit.ln_likelihood - ln_jacobian)
}
