//! From rows of observed flakes to a calibration.
//!
//! A [`Recipe`] says which forms to fit to which sizes; a [`Collector`] takes flakes one by one, keeps the
//! few numbers the recipe needs, counts what it leaves out and why, and finishes into a [`Calibration`].

use super::{
    Assumption, Calibration, Parts, PercussorSeen, Provenance, Range, Setting, SizeModel, Spread, Tails,
    Variant,
};
use crate::error::{Error, Result};
use crate::fit::linear::{Accumulator, Criteria, LinearFit};
use crate::form::{Compiled, Form, Layout, PERCUSSOR_CLASS, TERMINATION, Transform};
use crate::material::PercussorMaterial;
use crate::strike::Measured;
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
}

/// Sizes that are fitted on the same measurements.
#[derive(Debug, Clone, PartialEq)]
pub struct VariantRecipe {
    /// A short name (`depth, angle`).
    pub name: String,
    /// The sizes.
    pub sizes: Vec<SizeRecipe>,
}

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
            variants: vec![VariantRecipe {
                name: needs.join(", "),
                sizes: vec![SizeRecipe { size: size.to_string(), column: size.to_string(), form }],
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
    /// The least squares fit.
    pub fit: LinearFit,
    /// Root mean square error of predicting each flake from the others, transformed scale.
    pub left_out_error: f64,
    /// Information criteria for the size in its own unit, comparable across transforms.
    pub own_unit: Criteria,
    /// Identifies the rows fitted: fits are comparable only where this agrees.
    pub rows: RowsFitted,
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
    percussors: BTreeMap<String, u64>,
    left_out: BTreeMap<String, u64>,
    offered: u64,
}

impl Collector {
    /// An empty collector.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a recipe without a variant or a size.
    pub fn new(recipe: Recipe) -> Result<Collector> {
        if recipe.variants.is_empty() || recipe.variants.iter().any(|v| v.sizes.is_empty()) {
            return Err(Error::invalid("recipe", "at least one variant with at least one size is needed"));
        }
        let mut layout = Layout::of(recipe.variants.iter().flat_map(|v| v.sizes.iter().map(|s| &s.form)));
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
        if let Some(p) = flake.class("percussor") {
            *self.percussors.entry(p.to_string()).or_default() += 1;
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
            termination: None,
        };
        Ok((variant, reports))
    }

    fn fit_size(&self, recipe: &SizeRecipe, used: usize, ranges: &mut Vec<Range>) -> Result<FittedSize> {
        let compiled = recipe.form.compile(&self.layout)?;
        let column = self.columns.iter().position(|c| *c == recipe.column).unwrap_or(0);
        let transform = recipe.form.transform();
        let mut accumulator = Accumulator::new(recipe.form.term_names())?;
        let mut design = vec![0.0; compiled.terms()];
        let rows: Vec<usize> = (0..used)
            .filter(|i| {
                compiled.check(self.row(*i), &self.layout).is_ok()
                    && transform.apply(self.sizes[i * self.columns.len() + column]).is_finite()
            })
            .collect();
        let size = |i: usize| self.sizes[i * self.columns.len() + column];
        let mut ln_jacobian = 0.0;
        let mut mark = 0u64;
        for i in &rows {
            compiled.fill(self.row(*i), &mut design);
            accumulator.push(&design, transform.apply(size(*i)))?;
            ln_jacobian += transform.ln_jacobian(size(*i));
            mark = mark.wrapping_add(scramble(size(*i)));
            widen(ranges, &self.layout, &recipe.form, self.row(*i));
        }
        let fit = accumulator.finish()?;
        let standing = self.stand(&fit, &compiled, transform, &rows, &size, used)?;
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
            grouping: None,
        };
        Ok(FittedSize {
            model,
            own_unit: fit.criteria_in_own_unit(ln_jacobian),
            rows: RowsFitted { count: rows.len() as u64, mark },
            standardised: standing.standardised,
            fit,
        })
    }

    /// How the rows stand to a fit: leverage, leave-one-out error, standardised residuals.
    fn stand(
        &self,
        fit: &LinearFit,
        compiled: &Compiled,
        transform: Transform,
        rows: &[usize],
        size: &impl Fn(usize) -> f64,
        used: usize,
    ) -> Result<Standing> {
        let mut design = vec![0.0; compiled.terms()];
        let mut standardised = vec![f64::NAN; used];
        let (mut largest_leverage, mut squares, mut count) = (0.0f64, 0.0, 0u64);
        for i in rows {
            compiled.fill(self.row(*i), &mut design);
            let d = fit.diagnose(&design, transform.apply(size(*i)), 1.0)?;
            standardised[*i] = d.standardised;
            largest_leverage = largest_leverage.max(d.leverage);
            if d.left_out.is_finite() {
                squares += d.left_out * d.left_out;
                count += 1;
            }
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
    fit: LinearFit,
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

/// Widens the ranges by one row of inputs.
fn widen(ranges: &mut Vec<Range>, layout: &Layout, form: &Form, x: &[f64]) {
    let mine = Layout::of([form]);
    for name in &mine.numbers {
        let Some(v) = layout.position(name).map(|at| x[at]) else { continue };
        match ranges.iter_mut().find(|r| r.name == *name) {
            Some(r) => {
                r.low = r.low.min(v);
                r.high = r.high.max(v);
            }
            None => ranges.push(Range { name: name.clone(), low: v, high: v }),
        }
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
