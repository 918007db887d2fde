//! From rows of observed flakes to a calibration.
//!
//! A [`Recipe`] says which forms to fit to which sizes; a [`Collector`] takes flakes one by one, keeps the
//! few numbers the recipe needs, counts what it leaves out and why, and finishes into a [`Calibration`].

use super::{
    Assumption, Calibration, Parts, PercussorSeen, Provenance, Range, Recorded, Setting, SizeModel, Spread,
    Tails, TerminationModel, Variant,
};
use crate::error::{Error, Result};
use crate::fit::Design;
use crate::fit::columns::RawColumns;
use crate::fit::linear::{Accumulator, Criteria, LinearFit};
use crate::fit::multinomial::{self, MultinomialOptions, Outcomes, Penalty};
use crate::fit::shrunken::{self, Shrunken, ShrunkenFit};
use crate::form::{BLOCK, Compiled, Form, Layout, PERCUSSOR_CLASS, TERMINATION, Transform};
use crate::material::PercussorMaterial;
use crate::special::{normal_quantile, student_sf};
use crate::strike::Measured;
use crate::threads;
use std::collections::BTreeMap;

/// One size to be fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct SizeRecipe {
    /// Which size it is (`thickness_mm`).
    pub size: String,
    /// The column it is read from (`mean_thickness_mm`).
    pub column: String,
    /// The form.
    pub form: Form,
    /// How it is fitted.
    pub method: Method,
}

/// Rows of one piece of work. A fit of no more is done row by row; pieces depend on the rows alone, so the answer
/// is the same bytes for any number of threads.
const PIECE: usize = 64 * BLOCK;

/// How a form is fitted.
#[derive(Debug, Clone, PartialEq, Default)]
#[non_exhaustive]
pub enum Method {
    /// Least squares: one spread, normal errors, exact t intervals. The form must be without spread terms.
    #[default]
    LeastSquares,
    /// Some terms under a ridge penalty, the spread with the form's spread terms, tails by class: see
    /// [`crate::fit::shrunken`].
    Shrunken {
        /// Which of the form's terms are penalised, by their places in [`Form::terms`].
        penalised: Vec<usize>,
        /// The tails to choose from.
        tails: TailsToTry,
    },
}

/// Degrees of freedom to choose from in a shrunken fit; infinity is the normal.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum TailsToTry {
    /// Normal errors.
    Normal,
    /// The same for all flakes.
    Same(Vec<f64>),
    /// By the level of a class that the form reads; levels not listed are normal.
    ByClass {
        /// The class variable (`blow_lands_on`).
        class: String,
        /// Levels, each with the degrees of freedom to try.
        levels: Vec<(String, Vec<f64>)>,
    },
}

/// Sizes that are fitted on the same measurements.
#[derive(Debug, Clone, PartialEq)]
pub struct VariantRecipe {
    /// A short name (`depth, angle`).
    pub name: String,
    /// The sizes.
    pub sizes: Vec<SizeRecipe>,
    /// How its flakes end, where the table supports a model of that.
    pub termination: Option<TerminationRecipe>,
}

/// How a multinomial model of the termination is fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct TerminationRecipe {
    /// Its terms; the transform is not used.
    pub form: Form,
    /// Which terminations are told apart.
    pub told_apart: ToldApart,
    /// The penalty.
    pub penalty: Penalty,
}

/// Which terminations a model tells apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum ToldApart {
    /// Feather, hinge, step, overshot; other entries are left out.
    Four,
    /// Feather against hinge, step, overshot and inflexed together; other entries are left out.
    FeatherOrNot,
}

impl ToldApart {
    /// The class that a recorded termination falls into, if it is a termination.
    fn class(self, recorded: &str) -> Option<&'static str> {
        match (self, known_termination(recorded)) {
            (ToldApart::Four, known) => known,
            (ToldApart::FeatherOrNot, Some("feather")) => Some("feather"),
            (ToldApart::FeatherOrNot, Some(_)) => Some(NOT_FEATHER),
            (ToldApart::FeatherOrNot, None) => (recorded == "inflexed").then_some(NOT_FEATHER),
        }
    }
}

/// The class of all flakes that do not feather out, where a table cannot tell them apart.
pub const NOT_FEATHER: &str = "not feather";

/// What to fit, and what to write beside it.
#[derive(Debug, Clone, PartialEq)]
pub struct Recipe {
    /// Name of the calibration.
    pub name: String,
    /// Where the flakes come from.
    pub provenance: Provenance,
    /// The stone, where all flakes are of one.
    pub stone: Option<String>,
    /// Variants, the one that needs most first.
    pub variants: Vec<VariantRecipe>,
    /// Settings of the blow that a row to be estimated may leave out.
    pub settings: Vec<String>,
    /// Classes taken as given where a row to be estimated does not record them.
    pub assumptions: Vec<Assumption>,
    /// What was not recorded and so is not in the intervals.
    pub not_recorded: Vec<String>,
    /// Whether incomplete and retouched pieces are fitted too.
    pub keep_incomplete: bool,
    /// What struck the flakes, where the table does not record it row by row.
    pub struck_with: Option<String>,
}

impl Recipe {
    /// One size under one form; settings are the measurements of the blow that the form reads.
    pub fn single(name: &str, size: &str, form: Form, provenance: Provenance) -> Recipe {
        let settings = [crate::form::ANGLE_OF_BLOW, PERCUSSOR_CLASS, "percussor", crate::form::LANDS_ON];
        let needs = form.needs();
        Recipe {
            name: name.to_string(),
            provenance,
            stone: None,
            settings: settings
                .iter()
                .filter(|s| needs.iter().any(|n| n == *s))
                .map(|s| s.to_string())
                .collect(),
            assumptions: Vec::new(),
            not_recorded: Vec::new(),
            keep_incomplete: false,
            struck_with: None,
            variants: vec![VariantRecipe {
                termination: None,
                name: needs.join(", "),
                sizes: vec![SizeRecipe {
                    size: size.to_string(),
                    column: size.to_string(),
                    form,
                    method: Method::LeastSquares,
                }],
            }],
        }
    }
}

/// What became of the flakes, and the fits behind the calibration.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// Flakes offered.
    pub offered: u64,
    /// Flakes used by at least one fit.
    pub used: u64,
    /// Reasons for leaving flakes out, with their counts. `offered` is `used` plus these.
    pub left_out: Vec<(String, u64)>,
    /// One entry for each variant and size, in order.
    pub fits: Vec<FitReport>,
}

/// One fit of a report.
#[derive(Debug, Clone, PartialEq)]
pub struct FitReport {
    /// Name of the variant.
    pub variant: String,
    /// The size.
    pub size: String,
    /// Names of the coefficients.
    pub terms: Vec<String>,
    /// The fit.
    pub fit: Fitted,
    /// Root mean square error of predicting each flake from others, transformed scale: leave-one-out for
    /// least squares; for a shrunken fit ten folds (the flakes counted off by tens), refitted each time with the
    /// degrees of freedom held.
    pub left_out_error: f64,
    /// Information criteria for the size in its own unit, comparable across transforms. A shrunken fit counts
    /// its effective parameters (the conditional criterion of Vaida & Blanchard 2005, Biometrika 92:351; from
    /// memory).
    pub own_unit: Criteria,
    /// Identifies the rows fitted: fits are comparable only where this agrees.
    pub rows: RowsFitted,
}

/// The fit behind one size, by its method.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Fitted {
    /// By least squares.
    LeastSquares(LinearFit),
    /// Under a penalty.
    Shrunken(Box<ShrunkenFit>),
}

impl Fitted {
    /// The least squares fit, where it is one.
    pub fn linear(&self) -> Option<&LinearFit> {
        match self {
            Fitted::LeastSquares(fit) => Some(fit),
            Fitted::Shrunken(_) => None,
        }
    }

    /// The shrunken fit, where it is one.
    pub fn shrunken(&self) -> Option<&ShrunkenFit> {
        match self {
            Fitted::Shrunken(fit) => Some(fit),
            Fitted::LeastSquares(_) => None,
        }
    }

    /// Flakes fitted.
    pub fn flakes(&self) -> u64 {
        match self {
            Fitted::LeastSquares(fit) => fit.rows(),
            Fitted::Shrunken(fit) => fit.rows() as u64,
        }
    }
}

/// A fingerprint of the sizes that a fit was made on, whatever their order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RowsFitted {
    count: u64,
    mark: u64,
}

impl FitReport {
    /// AIC of this fit less that of another, both for the size in its own unit.
    ///
    /// # Errors
    /// [`Error::Incomparable`] when the fits are of different sizes or of different rows.
    pub fn aic_less(&self, other: &FitReport) -> Result<f64> {
        if self.size != other.size || self.rows != other.rows {
            return Err(Error::Incomparable {
                reason: "information criteria compare fits of the same size on the same rows".to_string(),
            });
        }
        Ok(self.own_unit.aic - other.own_unit.aic)
    }
}

/// What became of one flake that was offered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Taken {
    /// It is fitted.
    Used,
    /// It is left out, for this reason.
    LeftOut(String),
}

/// Takes flakes one by one and finishes into a calibration.
///
/// ```
/// use conchoid::calibration::{Provenance, fitting::{Collector, Recipe}};
/// use conchoid::flake::Flake;
/// use conchoid::form::Form;
/// use conchoid::strike::{Platform, Strike};
///
/// let provenance = Provenance::new("field school", "own records", "own", "example");
/// let recipe = Recipe::single("school", "mass_g", Form::named("log-log")?, provenance);
/// let mut collector = Collector::new(recipe)?;
/// for (depth, angle, mass) in [(4.0, 70.0, 6.1), (6.0, 80.0, 19.0), (9.0, 65.0, 25.0), (7.0, 75.0, 17.0), (5.0, 85.0, 15.0)] {
///     let platform = Platform::builder().depth_mm(depth).exterior_platform_angle_deg(angle).build()?;
///     let strike = Strike::builder().platform(platform).build()?;
///     collector.offer(&Flake::builder().strike(strike).mass_g(mass).build()?);
/// }
/// let (calibration, report) = collector.finish()?;
/// assert_eq!((calibration.name(), report.used), ("school", 5));
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Collector {
    recipe: Recipe,
    layout: Layout,
    /// Columns of sizes to keep, without repeats.
    columns: Vec<String>,
    /// For each size of each variant: its compiled form and its place among the columns.
    compiled: Vec<(Compiled, Transform, usize)>,
    /// Input rows, one after another. Classes may gain levels as they appear.
    inputs: Vec<f64>,
    /// Sizes, one row of `columns` after another; not a number where missing.
    sizes: Vec<f64>,
    /// Terminations as recorded, one for each row, where terminations are fitted.
    ended: Vec<Option<String>>,
    percussors: BTreeMap<String, u64>,
    left_out: BTreeMap<String, u64>,
    offered: u64,
}

impl Collector {
    /// An empty collector.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a recipe without a variant or a size, or a method that does not suit its form.
    pub fn new(recipe: Recipe) -> Result<Collector> {
        if recipe.variants.is_empty() || recipe.variants.iter().any(|v| v.sizes.is_empty()) {
            return Err(Error::invalid("recipe", "at least one variant with at least one size is needed"));
        }
        let forms = recipe
            .variants
            .iter()
            .flat_map(|v| v.sizes.iter().map(|s| &s.form).chain(v.termination.iter().map(|t| &t.form)));
        let mut layout = Layout::of(forms);
        for a in &recipe.assumptions {
            layout.add_level(&a.class, &a.level);
        }
        for name in &recipe.settings {
            if layout.position(name).is_none() {
                return Err(Error::invalid("settings", format!("no form reads {name}")));
            }
        }
        let mut columns: Vec<String> = Vec::new();
        for s in recipe.variants.iter().flat_map(|v| &v.sizes) {
            if !columns.contains(&s.column) {
                columns.push(s.column.clone());
            }
        }
        for s in recipe.variants.iter().flat_map(|v| &v.sizes) {
            check_method(s)?;
            if let Method::Shrunken { tails: TailsToTry::ByClass { class, levels }, .. } = &s.method {
                for (level, _) in levels {
                    layout.add_level(class, level);
                }
            }
        }
        // levels may be added as they appear, but places and codes once given stay
        let mut compiled = Vec::new();
        for s in recipe.variants.iter().flat_map(|v| &v.sizes) {
            let at = columns.iter().position(|c| *c == s.column).unwrap_or(0);
            compiled.push((s.form.compile(&layout)?, s.form.transform(), at));
        }
        Ok(Collector {
            recipe,
            layout,
            columns,
            compiled,
            inputs: Vec::new(),
            sizes: Vec::new(),
            ended: Vec::new(),
            percussors: BTreeMap::new(),
            left_out: BTreeMap::new(),
            offered: 0,
        })
    }

    /// Offers one flake. It is used, or left out and counted under the reason given back.
    pub fn offer(&mut self, flake: &impl Measured) -> Taken {
        self.offered += 1;
        match self.take(flake) {
            Ok(()) => Taken::Used,
            Err(reason) => {
                *self.left_out.entry(reason.clone()).or_default() += 1;
                Taken::LeftOut(reason)
            }
        }
    }

    /// Offers flakes that record nothing but numbers: columns of one length under these names, not a number where
    /// nothing was recorded. Each is used or left out as [`Collector::offer`] would do.
    ///
    /// # Errors
    /// [`Error::Shape`] when lengths differ, or there are not as many columns as names.
    pub fn offer_numbers(&mut self, names: &[&str], columns: &[&[f64]]) -> Result<()> {
        let rows = columns.first().map_or(0, |c| c.len());
        for (what, found, expected) in [
            ("columns", columns.len(), names.len()),
            ("numbers in a column", columns.iter().map(|c| c.len()).max().unwrap_or(0), rows),
            ("numbers in a column", columns.iter().map(|c| c.len()).min().unwrap_or(0), rows),
        ] {
            if found != expected {
                return Err(Error::Shape { what: what.into(), found, expected });
            }
        }
        let nothing = vec![f64::NAN; rows];
        let column = |n: &String| names.iter().position(|m| m == n).map_or(&nothing[..], |at| columns[at]);
        let mut x: Vec<&[f64]> = self.layout.numbers.iter().map(column).collect();
        x.resize(self.layout.len(), &nothing);
        let sizes: Vec<&[f64]> = self.columns.iter().map(column).collect();
        let plans: Vec<_> = self
            .compiled
            .iter()
            .filter(|c| c.0.spread_terms() <= 1)
            .map(|c| (c.0.plan(), c.1, c.2))
            .collect();
        let most = plans.iter().map(|(p, ..)| p.registers()).max().unwrap_or(0);
        let mut block = vec![0.0; most * BLOCK];
        let (mut row, mut own) = (vec![0.0; x.len()], vec![0.0; sizes.len()]);
        let before = self.sizes.len();
        for from in (0..rows).step_by(BLOCK) {
            let n = BLOCK.min(rows - from);
            // a row that some form takes as it stands is used; the others are looked at one by one
            let mut fine = [false; BLOCK];
            for (plan, transform, at) in &plans {
                plan.fill(&x, from, n, &mut block, BLOCK);
                let mut takes = [true; BLOCK];
                for j in 0..plan.terms() {
                    for (t, v) in takes.iter_mut().zip(&block[j * BLOCK..][..n]) {
                        *t &= v.is_finite();
                    }
                }
                let least = if *transform == Transform::Identity { f64::NEG_INFINITY } else { 0.0 };
                for ((f, t), v) in fine.iter_mut().zip(takes).zip(&sizes[*at][from..from + n]) {
                    *f |= t & v.is_finite() & (*v > least);
                }
            }
            for i in from..from + n {
                row.iter_mut().zip(&x).for_each(|(r, c)| *r = c[i]);
                own.iter_mut().zip(&sizes).for_each(|(s, c)| *s = c[i]);
                self.offered += 1;
                if !fine[i - from]
                    && let Err(reason) = self.usable(&row, &own)
                {
                    *self.left_out.entry(reason).or_default() += 1;
                    continue;
                }
                self.inputs.extend_from_slice(&row);
                self.sizes.extend_from_slice(&own);
            }
        }
        let used = (self.sizes.len() - before) / self.columns.len();
        if self.tells_ends() {
            self.ended.resize(self.ended.len() + used, None);
        }
        if let Some(p) = self.recipe.struck_with.as_ref().filter(|_| used > 0) {
            *self.percussors.entry(p.clone()).or_default() += used as u64;
        }
        Ok(())
    }

    /// Whether terminations are fitted, and so kept.
    fn tells_ends(&self) -> bool {
        self.recipe.variants.iter().any(|v| v.termination.is_some())
    }

    /// Counts a flake that could not be offered at all, such as a row of a table that was refused.
    pub fn leave_out(&mut self, reason: impl Into<String>) {
        self.offered += 1;
        *self.left_out.entry(reason.into()).or_default() += 1;
    }

    fn take(&mut self, flake: &impl Measured) -> std::result::Result<(), String> {
        if !self.recipe.keep_incomplete {
            if let Some(portion) = flake.class("portion")
                && portion != "complete"
            {
                return Err(format!("not complete ({portion})"));
            }
            if flake.class("retouched") == Some("yes") {
                return Err("retouched".to_string());
            }
        }
        if flake.class("platform_kind") == Some("crushed") {
            return Err("crushed platform".to_string());
        }
        let mut x: Vec<f64> = Vec::with_capacity(self.layout.len());
        for n in &self.layout.numbers {
            x.push(flake.number(n).unwrap_or(f64::NAN));
        }
        for k in 0..self.layout.classes.len() {
            let name = self.layout.classes[k].name.clone();
            let level = match name.as_str() {
                PERCUSSOR_CLASS => match flake.class(PERCUSSOR_CLASS) {
                    Some(level) => Some(level.to_string()),
                    None => match flake.class("percussor") {
                        Some(p) => Some(
                            PercussorMaterial::named(p)
                                .map_err(|_| format!("percussor \"{p}\" is not known"))?
                                .class()
                                .to_string(),
                        ),
                        None => None,
                    },
                },
                TERMINATION => flake.class(TERMINATION).and_then(known_termination).map(str::to_string),
                _ => flake.class(&name).map(str::to_string),
            };
            x.push(match level {
                Some(level) => self.layout.add_level(&name, &level) as f64,
                None => f64::NAN,
            });
        }
        let sizes: Vec<f64> = self.columns.iter().map(|c| flake.number(c).unwrap_or(f64::NAN)).collect();
        self.usable(&x, &sizes)?;
        if let Some(p) = flake.class("percussor").or(self.recipe.struck_with.as_deref()) {
            *self.percussors.entry(p.to_string()).or_default() += 1;
        }
        if self.tells_ends() {
            self.ended.push(flake.class(TERMINATION).map(str::to_string));
        }
        self.inputs.extend(x);
        self.sizes.extend(sizes);
        Ok(())
    }

    /// Whether some fit can use this row; otherwise why not.
    fn usable(&self, x: &[f64], sizes: &[f64]) -> std::result::Result<(), String> {
        let mut reason = None;
        for (compiled, transform, at) in &self.compiled {
            let column = &self.columns[*at];
            let why = match compiled.check(x, &self.layout) {
                Err(Error::Missing { at, .. }) => {
                    format!("{} not recorded", at.column.unwrap_or_default())
                }
                Err(e) => e.to_string(),
                Ok(()) if sizes[*at].is_nan() => format!("{column} not recorded"),
                Ok(()) if !transform.apply(sizes[*at]).is_finite() => format!("{column} is not above 0"),
                Ok(()) => return Ok(()),
            };
            reason.get_or_insert(why);
        }
        Err(reason.unwrap_or_else(|| "nothing to fit".to_string()))
    }

    /// Fits everything the recipe asks for.
    ///
    /// # Errors
    /// [`Error::TooFew`], [`Error::RankDeficient`] from the fits, with the term named; [`Error::TooFew`]
    /// when no flake was used at all.
    pub fn finish(self) -> Result<(Calibration, Report)> {
        let width = self.layout.len();
        let used = self.inputs.len().checked_div(width).unwrap_or(self.sizes.len() / self.columns.len());
        if used == 0 {
            return Err(Error::TooFew { what: "flakes to fit".into(), found: 0, needed: 2 });
        }
        for (k, column) in self.columns.iter().enumerate() {
            let mut seen = self.sizes[k..].iter().step_by(self.columns.len()).filter(|v| !v.is_nan());
            let first = seen.next();
            if used > 1 && seen.clone().next().is_some() && seen.all(|v| Some(v) == first) {
                return Err(Error::invalid(
                    column,
                    "all flakes have the same, so nothing can be learnt of it",
                ));
            }
        }
        let mut variants = Vec::new();
        let mut fits = Vec::new();
        for v in &self.recipe.variants {
            let (variant, mut reports) = self.fit_variant(v, used)?;
            variants.push(variant);
            fits.append(&mut reports);
        }
        let settings = self.settings(used);
        let calibration = Calibration::new(Parts {
            name: self.recipe.name.clone(),
            provenance: self.recipe.provenance.clone(),
            stone: self.recipe.stone.clone(),
            percussors: self
                .percussors
                .iter()
                .map(|(name, flakes)| PercussorSeen { name: name.clone(), flakes: *flakes })
                .collect(),
            not_recorded: self.recipe.not_recorded.clone(),
            layout: self.layout.clone(),
            setting_names: self.recipe.settings.clone(),
            settings,
            assumptions: self.recipe.assumptions.clone(),
            variants,
        })?;
        let mut left_out: Vec<(String, u64)> = self.left_out.into_iter().collect();
        left_out.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
        Ok((calibration, Report { offered: self.offered, used: used as u64, left_out, fits }))
    }

    fn row(&self, i: usize) -> &[f64] {
        let width = self.layout.len();
        &self.inputs[i * width..(i + 1) * width]
    }

    fn fit_variant(&self, recipe: &VariantRecipe, used: usize) -> Result<(Variant, Vec<FitReport>)> {
        let mut sizes = Vec::new();
        let mut reports = Vec::new();
        // standardised residuals, one column a size, not a number where the size is missing
        let mut residuals: Vec<Vec<f64>> = Vec::new();
        let mut ranges: Vec<Range> = Vec::new();
        for s in &recipe.sizes {
            let fitted = self.fit_size(s, used, &mut ranges)?;
            residuals.push(fitted.standardised);
            reports.push(FitReport {
                variant: recipe.name.clone(),
                size: s.size.clone(),
                terms: s.form.term_names(),
                left_out_error: fitted.model.left_out_error,
                own_unit: fitted.own_unit,
                rows: fitted.rows,
                fit: fitted.fit,
            });
            sizes.push(fitted.model);
        }
        let (joint_flakes, residual_correlation) = correlation(&residuals);
        let variant = Variant {
            name: recipe.name.clone(),
            sizes,
            ranges,
            joint_flakes,
            residual_correlation,
            termination: recipe.termination.as_ref().map(|t| self.fit_termination(t, used)).transpose()?,
        };
        Ok((variant, reports))
    }

    fn fit_termination(&self, recipe: &TerminationRecipe, used: usize) -> Result<TerminationModel> {
        let compiled = recipe.form.compile(&self.layout)?;
        let names = match recipe.told_apart {
            ToldApart::Four => vec!["feather", "hinge", "step", "overshot"],
            ToldApart::FeatherOrNot => vec!["feather", NOT_FEATHER],
        };
        let (mut rows, mut classes) = (Vec::new(), Vec::new());
        for i in 0..used {
            let class = self.ended[i].as_deref().and_then(|e| recipe.told_apart.class(e));
            let Some(class) = class.and_then(|c| names.iter().position(|n| *n == c)) else { continue };
            if compiled.check(self.row(i), &self.layout).is_err() {
                continue;
            }
            let mut terms = vec![0.0; compiled.terms()];
            compiled.fill(self.row(i), &mut terms);
            rows.push(terms);
            classes.push(class);
        }
        let design = Design::from_rows(recipe.form.term_names(), &rows)?;
        let outcomes = Outcomes::new(names.iter().map(|n| n.to_string()).collect(), classes)?;
        let fit = multinomial::fit(&design, &outcomes, &MultinomialOptions::with_penalty(recipe.penalty))?;
        Ok(TerminationModel { form: recipe.form.clone(), fit })
    }

    fn fit_size(&self, recipe: &SizeRecipe, used: usize, ranges: &mut Vec<Range>) -> Result<FittedSize> {
        let compiled = recipe.form.compile(&self.layout)?;
        let column = self.columns.iter().position(|c| *c == recipe.column).unwrap_or(0);
        let transform = recipe.form.transform();
        let size = |i: usize| self.sizes[i * self.columns.len() + column];
        let takes = |i: &usize| {
            compiled.check(self.row(*i), &self.layout).is_ok() && transform.apply(size(*i)).is_finite()
        };
        // what the only form could not take was left out before
        let rows: Vec<usize> =
            if self.compiled.len() == 1 { (0..used).collect() } else { (0..used).filter(takes).collect() };
        let reads: Vec<(String, usize)> = Layout::of([&recipe.form])
            .numbers
            .iter()
            .filter_map(|n| Some((n.clone(), self.layout.position(n)?)))
            .collect();
        let pieces = threads::in_order(rows.len().div_ceil(PIECE), |k| {
            let piece = &rows[k * PIECE..rows.len().min((k + 1) * PIECE)];
            let (mut ln_jacobian, mut mark) = (0.0, 0u64);
            let mut ends = vec![(f64::INFINITY, f64::NEG_INFINITY); reads.len()];
            for i in piece {
                ln_jacobian += transform.ln_jacobian(size(*i));
                mark = mark.wrapping_add(scramble(size(*i)));
                for ((low, high), (_, at)) in ends.iter_mut().zip(&reads) {
                    let v = self.row(*i)[*at];
                    (*low, *high) = (low.min(v), high.max(v));
                }
            }
            (ln_jacobian, mark, ends)
        });
        let (mut ln_jacobian, mut mark) = (0.0, 0u64);
        for (l, m, ends) in pieces {
            ln_jacobian += l;
            mark = mark.wrapping_add(m);
            reads.iter().zip(ends).for_each(|((name, _), (low, high))| widen(ranges, name, low, high));
        }
        let marks = (ln_jacobian, RowsFitted { count: rows.len() as u64, mark });
        match &recipe.method {
            Method::LeastSquares => self.least_squares(recipe, &compiled, &rows, &size, used, marks),
            Method::Shrunken { penalised, tails } => {
                self.shrunken(recipe, (penalised, tails), &compiled, &rows, &size, used, marks)
            }
        }
    }

    fn least_squares(
        &self,
        recipe: &SizeRecipe,
        compiled: &Compiled,
        rows: &[usize],
        size: &(impl Fn(usize) -> f64 + Sync),
        used: usize,
        (ln_jacobian, marks): (f64, RowsFitted),
    ) -> Result<FittedSize> {
        let transform = recipe.form.transform();
        let mut accumulator = Accumulator::new(recipe.form.term_names())?;
        if rows.len() <= PIECE {
            let mut design = vec![0.0; compiled.terms()];
            for i in rows {
                compiled.fill(self.row(*i), &mut design);
                accumulator.push(&design, transform.apply(size(*i)))?;
            }
        } else {
            let parts = threads::in_order(rows.len().div_ceil(PIECE), |k| {
                let piece = &rows[k * PIECE..rows.len().min((k + 1) * PIECE)];
                let column = |at: usize| piece.iter().map(|i| self.row(*i)[at]).collect::<Vec<f64>>();
                let columns: Vec<Vec<f64>> = (0..self.layout.len()).map(column).collect();
                let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
                let sizes: Vec<f64> = piece.iter().map(|i| size(*i)).collect();
                RawColumns::new(&recipe.form, &self.layout, &columns, &sizes)?.accumulate()
            });
            for part in parts {
                accumulator.merge(&part?)?;
            }
        }
        let fit = accumulator.finish()?;
        let standing = self.stand(&fit, compiled, transform, rows, size, used)?;
        let recorded = recorded(rows, size);
        let model = SizeModel {
            size: recipe.size.clone(),
            column: recipe.column.clone(),
            form: recipe.form.clone(),
            coefficients: fit.coefficients().to_vec(),
            covariance: fit.covariance(),
            spread: Spread::Constant { value: fit.spread(), degrees_of_freedom: fit.degrees_of_freedom() },
            tails: Tails::Normal,
            flakes: fit.rows(),
            r_squared: fit.r_squared(),
            left_out_error: standing.left_out_error,
            largest_leverage: standing.largest_leverage,
            recorded,
            grouping: None,
        };
        Ok(FittedSize {
            model,
            own_unit: fit.criteria_in_own_unit(ln_jacobian),
            rows: marks,
            standardised: standing.standardised,
            fit: Fitted::LeastSquares(fit),
        })
    }

    #[allow(clippy::too_many_arguments)]
    fn shrunken(
        &self,
        recipe: &SizeRecipe,
        (penalised, tails): (&[usize], &TailsToTry),
        compiled: &Compiled,
        rows: &[usize],
        size: &(impl Fn(usize) -> f64 + Sync),
        used: usize,
        (ln_jacobian, marks): (f64, RowsFitted),
    ) -> Result<FittedSize> {
        let data = self.designs(recipe, penalised, tails, compiled, rows, size)?;
        let fit = data.fit(&(0..rows.len()).collect::<Vec<_>>(), None)?;
        let standing = data.stand(&fit, rows, used)?;
        let own_unit = conditional(&fit, ln_jacobian);
        let recorded = recorded(rows, size);
        let model = SizeModel {
            size: recipe.size.clone(),
            column: recipe.column.clone(),
            form: recipe.form.clone(),
            coefficients: fit.coefficients().to_vec(),
            covariance: rows_of(fit.covariance()),
            spread: Spread::Modelled {
                coefficients: fit.gamma().to_vec(),
                covariance: rows_of(fit.gamma_covariance()),
            },
            tails: chosen(tails, fit.degrees_of_freedom()),
            flakes: fit.rows() as u64,
            r_squared: data.explained(&fit)?,
            left_out_error: standing.left_out_error,
            largest_leverage: standing.largest_leverage,
            recorded,
            grouping: None,
        };
        Ok(FittedSize {
            model,
            own_unit,
            rows: marks,
            standardised: standing.standardised,
            fit: Fitted::Shrunken(Box::new(fit)),
        })
    }

    /// The rows of a shrunken fit: both designs, the class of the tails, the response.
    fn designs(
        &self,
        recipe: &SizeRecipe,
        penalised: &[usize],
        tails: &TailsToTry,
        compiled: &Compiled,
        rows: &[usize],
        size: &(impl Fn(usize) -> f64 + Sync),
    ) -> Result<Rows> {
        let offset = usize::from(recipe.form.intercept());
        let mut flags = vec![false; compiled.terms()];
        for at in penalised {
            flags[at + offset] = true;
        }
        let (mut x, mut z) = (Vec::with_capacity(rows.len()), Vec::with_capacity(rows.len()));
        for i in rows {
            let (mut a, mut b) = (vec![0.0; compiled.terms()], vec![0.0; compiled.spread_terms()]);
            compiled.fill(self.row(*i), &mut a);
            compiled.fill_spread(self.row(*i), &mut b);
            x.push(a);
            z.push(b);
        }
        let (grids, class) = match tails {
            TailsToTry::Normal => (vec![vec![f64::INFINITY]], vec![0; rows.len()]),
            TailsToTry::Same(grid) => (vec![grid.clone()], vec![0; rows.len()]),
            TailsToTry::ByClass { class, levels } => {
                let at =
                    self.layout.position(class).ok_or_else(|| Error::missing(class, "the tails need it"))?;
                let known = self.layout.class_at(at).map_or(&[][..], |c| &c.levels);
                let by_code: Vec<usize> = known
                    .iter()
                    .map(|l| levels.iter().position(|(n, _)| n == l).unwrap_or(levels.len()))
                    .collect();
                let grids = levels.iter().map(|(_, g)| g.clone()).chain([vec![f64::INFINITY]]).collect();
                let of = |i: &usize| by_code.get(self.row(*i)[at] as usize).copied().unwrap_or(levels.len());
                (grids, rows.iter().map(of).collect())
            }
        };
        Ok(Rows {
            names: (recipe.form.term_names(), recipe.form.spread_term_names()),
            penalised: flags,
            grids,
            class,
            y: rows.iter().map(|i| recipe.form.transform().apply(size(*i))).collect(),
            x,
            z,
        })
    }

    /// How the rows stand to a fit: leverage, leave-one-out error, standardised residuals.
    fn stand(
        &self,
        fit: &LinearFit,
        compiled: &Compiled,
        transform: Transform,
        rows: &[usize],
        size: &(impl Fn(usize) -> f64 + Sync),
        used: usize,
    ) -> Result<Standing> {
        let spread = fit.spread();
        let pieces = threads::in_order(rows.len().div_ceil(PIECE), |k| {
            let piece = &rows[k * PIECE..rows.len().min((k + 1) * PIECE)];
            let (mut design, mut z) = (vec![0.0; compiled.terms()], Vec::new());
            let (mut largest, mut squares, mut count) = (0.0f64, 0.0, 0u64);
            let mut own = Vec::with_capacity(piece.len());
            for i in piece {
                compiled.fill(self.row(*i), &mut design);
                let (leverage, standardised, left_out) =
                    fit.stand(&design, transform.apply(size(*i)), spread, &mut z);
                own.push(standardised);
                largest = largest.max(leverage);
                if left_out.is_finite() {
                    squares += left_out * left_out;
                    count += 1;
                }
            }
            (own, largest, squares, count)
        });
        let mut standardised = vec![f64::NAN; used];
        let (mut largest_leverage, mut squares, mut count) = (0.0f64, 0.0, 0u64);
        for (k, (own, largest, s, n)) in pieces.into_iter().enumerate() {
            rows[k * PIECE..].iter().zip(own).for_each(|(i, v)| standardised[*i] = v);
            largest_leverage = largest_leverage.max(largest);
            squares += s;
            count += n;
        }
        Ok(Standing {
            standardised,
            largest_leverage,
            left_out_error: if count > 0 { (squares / count as f64).sqrt() } else { 0.0 },
        })
    }

    /// The combinations of settings of the flakes used, with their counts, in order of first appearance.
    fn settings(&self, used: usize) -> Vec<Setting> {
        let places: Vec<usize> =
            self.recipe.settings.iter().filter_map(|n| self.layout.position(n)).collect();
        let mut found: Vec<Setting> = Vec::new();
        if places.is_empty() {
            return found;
        }
        for i in 0..used {
            let values: Vec<f64> = places.iter().map(|at| self.row(i)[*at]).collect();
            if values.iter().any(|v| v.is_nan()) {
                continue;
            }
            match found.iter_mut().find(|s| s.values == values) {
                Some(s) => s.flakes += 1,
                None => found.push(Setting { values, flakes: 1 }),
            }
        }
        found.sort_by(|a, b| a.values.partial_cmp(&b.values).unwrap_or(std::cmp::Ordering::Equal));
        found
    }
}

struct FittedSize {
    model: SizeModel,
    own_unit: Criteria,
    rows: RowsFitted,
    standardised: Vec<f64>,
    fit: Fitted,
}

/// The rows of a shrunken fit.
struct Rows {
    names: (Vec<String>, Vec<String>),
    penalised: Vec<bool>,
    grids: Vec<Vec<f64>>,
    class: Vec<usize>,
    x: Vec<Vec<f64>>,
    z: Vec<Vec<f64>>,
    y: Vec<f64>,
}

/// Parts that a shrunken fit is tried on in turn.
const FOLDS: usize = 10;

impl Rows {
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
        Shrunken::new().fit(&x, &self.penalised, &z, &tails, &y)
    }

    fn explained(&self, fit: &ShrunkenFit) -> Result<f64> {
        let mean = self.y.iter().sum::<f64>() / self.y.len() as f64;
        let (mut rest, mut total) = (0.0, 0.0);
        for (x, y) in self.x.iter().zip(&self.y) {
            rest += (y - fit.expected(x)?).powi(2);
            total += (y - mean).powi(2);
        }
        Ok((1.0 - rest / total).clamp(0.0, 1.0))
    }

    /// How the rows stand to a fit. Residuals are brought to a normal scale through the t of their class, so
    /// that correlations between sizes are not those of a few outliers.
    fn stand(&self, fit: &ShrunkenFit, rows: &[usize], used: usize) -> Result<Standing> {
        let mut standardised = vec![f64::NAN; used];
        let mut largest_leverage = 0.0f64;
        for (at, i) in rows.iter().enumerate() {
            let spread = fit.spread(&self.z[at])?;
            largest_leverage =
                largest_leverage.max(fit.variance_of_expected(&self.x[at])? / (spread * spread));
            let e = (self.y[at] - fit.expected(&self.x[at])?) / spread;
            let tail = student_sf(e.abs(), fit.degrees_of_freedom()[self.class[at]]);
            let size = if tail < 0.5 { -normal_quantile(tail.max(1e-300)) } else { 0.0 };
            standardised[*i] = size.copysign(e);
        }
        let (mut squares, mut count) = (0.0, 0u64);
        for fold in 0..FOLDS {
            let kept: Vec<usize> = (0..self.y.len()).filter(|i| i % FOLDS != fold).collect();
            // a fold without which the terms cannot be told apart says nothing
            let Ok(fit) = self.fit(&kept, Some(fit.degrees_of_freedom())) else { continue };
            for at in (0..self.y.len()).filter(|i| i % FOLDS == fold) {
                squares += (self.y[at] - fit.expected(&self.x[at])?).powi(2);
                count += 1;
            }
        }
        Ok(Standing {
            standardised,
            largest_leverage,
            left_out_error: if count > 0 { (squares / count as f64).sqrt() } else { 0.0 },
        })
    }
}

/// The smallest and the largest size of some rows.
fn recorded(rows: &[usize], size: &impl Fn(usize) -> f64) -> Option<Recorded> {
    let ends = rows.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), i| {
        let v = size(*i);
        (low.min(v), high.max(v))
    });
    (ends.0 <= ends.1).then_some(Recorded { low: ends.0, high: ends.1 })
}

fn rows_of(m: &nalgebra::DMatrix<f64>) -> Vec<Vec<f64>> {
    m.row_iter().map(|r| r.iter().copied().collect()).collect()
}

/// The tails of a calibration from the degrees of freedom chosen.
fn chosen(tails: &TailsToTry, df: &[f64]) -> Tails {
    match tails {
        TailsToTry::Same(_) if df[0].is_finite() => Tails::Student { degrees_of_freedom: df[0] },
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
fn conditional(fit: &ShrunkenFit, ln_jacobian: f64) -> Criteria {
    let log_likelihood = fit.ln_likelihood() + ln_jacobian;
    let chosen = fit.degrees_of_freedom().iter().filter(|d| d.is_finite()).count();
    let k = fit.effective_parameters() + (fit.gamma().len() + chosen) as f64;
    let n = fit.rows() as f64;
    let aic = 2.0 * (k - log_likelihood);
    let room = n - k - 1.0;
    Criteria {
        log_likelihood,
        aic,
        aicc: if room > 0.0 { aic + 2.0 * k * (k + 1.0) / room } else { f64::INFINITY },
        bic: k * n.ln() - 2.0 * log_likelihood,
    }
}

/// Refuses a method that does not suit its form.
fn check_method(recipe: &SizeRecipe) -> Result<()> {
    match &recipe.method {
        Method::LeastSquares if !recipe.form.spread_terms().is_empty() => {
            Err(Error::invalid("method", "least squares has one spread; spread terms need a shrunken fit"))
        }
        Method::Shrunken { penalised, .. } if penalised.iter().any(|p| *p >= recipe.form.terms().len()) => {
            Err(Error::invalid("penalised", "the places of terms count from 0 to one less than the form has"))
        }
        Method::Shrunken { tails: TailsToTry::ByClass { class, levels }, .. } => {
            if !recipe.form.needs().contains(class) {
                return Err(Error::invalid(class, "the class of the tails must be one that the form reads"));
            }
            if (0..levels.len()).any(|i| levels[..i].iter().any(|(l, _)| *l == levels[i].0)) {
                return Err(Error::invalid(class, "a level of the tails stands twice"));
            }
            Ok(())
        }
        _ => Ok(()),
    }
}

struct Standing {
    standardised: Vec<f64>,
    largest_leverage: f64,
    left_out_error: f64,
}

/// A recorded termination as one of the four, or none.
fn known_termination(text: &str) -> Option<&'static str> {
    text.parse::<crate::flake::RecordedTermination>().ok()?.known().map(|t| t.name())
}

/// Widens the range of a measurement.
fn widen(ranges: &mut Vec<Range>, name: &str, low: f64, high: f64) {
    match ranges.iter_mut().find(|r| r.name == name) {
        Some(r) => (r.low, r.high) = (r.low.min(low), r.high.max(high)),
        None => ranges.push(Range { name: name.to_string(), low, high }),
    }
}

/// Correlation of the columns over the rows that have them all, and how many those are. The identity where
/// they are too few to tell.
pub(crate) fn correlation(columns: &[Vec<f64>]) -> (u64, Vec<Vec<f64>>) {
    let k = columns.len();
    let n = columns.first().map_or(0, Vec::len);
    let complete: Vec<usize> = (0..n).filter(|i| columns.iter().all(|c| c[*i].is_finite())).collect();
    let mut r = vec![vec![0.0; k]; k];
    for (a, row) in r.iter_mut().enumerate() {
        row[a] = 1.0;
    }
    if complete.len() < k + 3 {
        return (complete.len() as u64, r);
    }
    let m = complete.len() as f64;
    let mean: Vec<f64> = columns.iter().map(|c| complete.iter().map(|i| c[*i]).sum::<f64>() / m).collect();
    let moment = |a: usize, b: usize| -> f64 {
        complete.iter().map(|i| (columns[a][*i] - mean[a]) * (columns[b][*i] - mean[b])).sum()
    };
    for a in 0..k {
        for b in 0..a {
            let c = moment(a, b) / (moment(a, a) * moment(b, b)).sqrt();
            let c = if c.is_finite() { c.clamp(-0.999_999, 0.999_999) } else { 0.0 };
            r[a][b] = c;
            r[b][a] = c;
        }
    }
    (complete.len() as u64, r)
}

/// A well mixed word of a number's bits (the finaliser of SplitMix64, Steele et al. 2014, OOPSLA), so that a
/// sum of them identifies a set of numbers whatever their order.
fn scramble(v: f64) -> u64 {
    let mut z = v.to_bits().wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}
