//! Sizes that grow with the platform and agree with each other: the inequalities that the coefficients of a variant have
//! to obey, and its fits brought to them.
//!
//! ```text
//!   growth     d (x'b of a size) / d (ln depth, ln width, ln area, or angle)  >=  0     at every platform of a grid
//!   agreement  low  <=  ln mass - ln length - ln width - ln thickness  <=  high         likewise, of the medians
//! ```
//!
//! The grid runs from half the smallest length fitted to twice the largest, for angles ten degrees beyond those fitted,
//! and over every level of every class. Between its points growth is not lost, since in each measurement an expected
//! size is straight or has its flattest place at an end or a knot; agreement is held with a margin. Low and high are the
//! 1st and 99th percentile of the flakes fitted. The inequalities are linear and the penalised
//! squares convex, so that the answer is the constrained estimate itself (for Student errors, with the weights of the
//! unconstrained fit): see [`crate::fit::cone`]. The spread is brought to the residuals that are left. The covariance
//! stays that of the unconstrained estimate: in that metric the constrained one is nearer to every truth that
//! grows. That intervals then hold what they say is held by simulation:
//! 95.4 % (standard error 0.5) of new flakes lie inside 95 % intervals where the truth is flat, or nearly, and 6 to 7 tables of
//! 10 were brought to growth (`calibration/tests/growth.rs`).

use super::Collector;
use super::recipe::VariantRecipe;
use super::shrunken::{FOLDS, normal_score, rows_of};
use super::sizes::{FittedSize, Shrunk};
use crate::by_name::each_once;
use crate::calibration::{Range, Recorded, Spread, cholesky};
use crate::error::{Error, Result};
use crate::fit::cone::{Inequalities, nearest};
use crate::fit::linear::dot;
use crate::fit::shrunken::ShrunkenFit;
use crate::form::{ANGLE, AREA, Compiled, DEPTH, Form, Kind, Term, Transform, WIDTH};
use crate::special::sorted_quantile;
use nalgebra::DMatrix;
use std::collections::HashSet;

/// How far beyond the lengths fitted sizes must grow: from the smallest over this to the largest times this. As asked of
/// this crate's calibrations, no source.
const BEYOND: f64 = 2.0;
/// The same for angles, in degrees.
const BEYOND_DEG: f64 = 10.0;
/// Points between the ends in a measurement that a form curves in. This crate's choice, no source.
const BETWEEN: usize = 7;
/// The step of a difference, in logarithms of lengths or in degrees: terms are smooth, so that rounding decides.
const STEP: f64 = 1e-4;
/// Share of the flakes whose mass is least and most for their length, width and thickness. As asked of this crate's
/// calibrations, no source.
const TAIL: f64 = 0.01;
/// How far inside the range of the flakes the points of the grid stay, as a logarithm: between them a curved size may
/// bulge a little. This crate's choice, no source.
const MARGIN: f64 = 0.01;
/// Fewest flakes of which a hundredth is taken. This crate's choice, no source.
const FEWEST: usize = 50;

/// The scale on which a measurement is spread over a grid.
#[derive(Clone, Copy, PartialEq)]
enum Scale {
    Length,
    Angle,
    Other,
}

fn scale_of(name: &str) -> Scale {
    match name {
        n if n.ends_with("_mm") || n.ends_with("_mm2") => Scale::Length,
        n if n.ends_with("_deg") => Scale::Angle,
        _ => Scale::Other,
    }
}

fn moved(name: &str, v: f64, step: f64) -> f64 {
    match scale_of(name) {
        Scale::Length => v * step.exp(),
        Scale::Angle | Scale::Other => v + step,
    }
}

/// Measurements along which a size does not fall; those of one entry grow together.
fn directions(form: &Form, size: &str) -> Vec<Vec<&'static str>> {
    let needs = form.needs();
    let reads = |n: &str| needs.iter().any(|m| m == n);
    let lengths = [DEPTH, WIDTH].into_iter().filter(|n| reads(n));
    let mut all: Vec<Vec<&'static str>> = if reads(AREA) {
        // a platform that is deeper at one width has more area, and so has one that is wider
        std::iter::once(vec![AREA]).chain(lengths.map(|n| vec![AREA, n])).collect()
    } else {
        lengths.map(|n| vec![n]).collect()
    };
    if reads(ANGLE) && size == "mass_g" {
        all.push(vec![ANGLE]);
    }
    all
}

/// What stands in a term with one of some measurements: all that changes how a size grows along them.
fn read_together(form: &Form, along: &[&str]) -> HashSet<String> {
    let mut found = HashSet::new();
    for term in form.terms() {
        let mut read = Vec::new();
        term.visit_names(&mut |name| read.push(name.to_string()));
        if read.iter().any(|n| along.contains(&n.as_str())) {
            found.extend(read);
        }
    }
    found
}

/// Whether a term is curved in a measurement, and where its knots are.
fn curves(term: &Term, name: &str, knots: &mut Vec<f64>) -> bool {
    match &term.0 {
        Kind::Value(_) | Kind::Indicator { .. } => false,
        Kind::Ln(of) | Kind::Log10(of) => !matches!(of.0, Kind::Value(_)) && of.reads(name),
        Kind::Shifted { of, .. } => curves(of, name, knots),
        Kind::Spline { of, knots: own, .. } if of.reads(name) => {
            match &of.0 {
                Kind::Ln(v) if **v == Term::from(name) => knots.extend(own.iter().map(|k| k.exp())),
                Kind::Value(_) => knots.extend(own),
                _ => {}
            }
            true
        }
        Kind::Product(of) => {
            of.iter().filter(|t| t.reads(name)).count() > 1 || of.iter().any(|t| curves(t, name, knots))
        }
        Kind::Power { of, .. } | Kind::Tangent(of) | Kind::Above { of, .. } | Kind::Spline { of, .. } => {
            of.reads(name)
        }
    }
}

/// The points of one measurement, rising.
fn points(forms: &[&Form], range: &Range) -> Vec<f64> {
    let (low, high) = match scale_of(&range.name) {
        Scale::Length => (range.low / BEYOND, range.high * BEYOND),
        Scale::Angle => (range.low - BEYOND_DEG, range.high + BEYOND_DEG),
        Scale::Other => (range.low, range.high),
    };
    let mut all = vec![low, high];
    // every term leaves its knots in the list
    let curved = forms.iter().flat_map(|f| f.terms()).filter(|t| curves(t, &range.name, &mut all)).count();
    if curved > 0 {
        let share = |i: usize| (i + 1) as f64 / (BETWEEN + 1) as f64;
        all.extend((0..BETWEEN).map(|i| match scale_of(&range.name) {
            Scale::Length => low * (high / low).powf(share(i)),
            _ => low + (high - low) * share(i),
        }));
    }
    all.retain(|v| (low..=high).contains(v));
    all.sort_by(f64::total_cmp);
    all.dedup();
    all
}

/// Rows that are told apart to nine digits, none of nothing.
#[derive(Default)]
struct Distinct(HashSet<Vec<i64>>);

impl Distinct {
    fn is_new(&mut self, row: &[f64]) -> bool {
        row.iter().any(|v| v.abs() > 1e-9)
            && self.0.insert(row.iter().map(|v| (v * 1e9).round() as i64).collect())
    }
}

impl Collector {
    /// Every input row of the grid of some forms; what does not vary stays at the first of its points.
    fn grid(&self, forms: &[&Form], ranges: &[Range], varies: impl Fn(&str) -> bool) -> Vec<Vec<f64>> {
        let mut rows = vec![vec![f64::NAN; self.layout.len()]];
        for name in each_once(forms.iter().flat_map(|f| f.needs())) {
            let Some(at) = self.layout.position(&name) else { continue };
            let mut values: Vec<f64> = match self.layout.class_at(at) {
                Some(class) => (0..class.levels.len()).map(|c| c as f64).collect(),
                None => ranges.iter().find(|r| r.name == name).map_or(Vec::new(), |r| points(forms, r)),
            };
            if !varies(&name) {
                values.truncate(1);
            }
            rows = rows
                .iter()
                .flat_map(|row| {
                    values.iter().map(|v| {
                        let mut row = row.clone();
                        row[at] = *v;
                        row
                    })
                })
                .collect();
        }
        rows
    }

    /// What the coefficients of all sizes, one after another, have to obey; and the range of mass over length, width
    /// and thickness behind the last of it.
    fn inequalities(
        &self,
        recipe: &VariantRecipe,
        first: usize,
        ranges: &[Range],
    ) -> Result<(Inequalities, Option<Recorded>)> {
        let compiled: Vec<&Compiled> =
            (0..recipe.sizes.len()).map(|k| &self.readings[first + k].compiled).collect();
        let starts: Vec<usize> = compiled
            .iter()
            .scan(0, |at, c| {
                *at += c.terms();
                Some(*at - c.terms())
            })
            .collect();
        let total: usize = compiled.iter().map(|c| c.terms()).sum();
        let (mut all, mut seen) = (Inequalities::default(), Distinct::default());
        for (k, s) in recipe.sizes.iter().enumerate() {
            let (mut here, mut there) = (vec![0.0; compiled[k].terms()], vec![0.0; compiled[k].terms()]);
            for along in directions(&s.form, &s.size) {
                let together = read_together(&s.form, &along);
                for x in self.grid(&[&s.form], ranges, |n| together.contains(n)) {
                    compiled[k].fill(&x, &mut here);
                    let mut y = x.clone();
                    for name in &along {
                        if let Some(at) = self.layout.position(name) {
                            y[at] = moved(name, y[at], STEP);
                        }
                    }
                    compiled[k].fill(&y, &mut there);
                    let mut row = vec![0.0; total];
                    for (j, (a, b)) in here.iter().zip(&there).enumerate() {
                        // what does not change but for rounding does not change
                        let d = (b - a) / STEP;
                        row[starts[k] + j] = if d.abs() < 1e-9 { 0.0 } else { d };
                    }
                    if row.iter().any(|v| !v.is_finite()) {
                        return Err(Error::invalid(
                            s.form.name(),
                            "a form that must grow needs a value at every platform from half the smallest to twice \
                             the largest",
                        ));
                    }
                    if seen.is_new(&row) {
                        all.push(&row, 0.0, f64::INFINITY);
                    }
                }
            }
        }
        let range = self.mass_over_box(recipe, first);
        if let Some((range, signs)) = &range {
            let forms: Vec<&Form> = recipe.sizes.iter().map(|s| &s.form).collect();
            // mass in g over cubic millimetres, so that the range in g/cm3 is a thousandth of itself
            let (low, high) = ((range.low * 1e-3).ln() + MARGIN, (range.high * 1e-3).ln() - MARGIN);
            for x in self.grid(&forms, ranges, |_| true) {
                let mut row = vec![0.0; total];
                for (k, c) in compiled.iter().enumerate() {
                    let own = &mut row[starts[k]..starts[k] + c.terms()];
                    c.fill(&x, own);
                    own.iter_mut().for_each(|v| *v *= signs[k]);
                }
                all.push(&row, low, high);
            }
        }
        Ok((all, range.map(|(r, _)| r)))
    }

    /// The 1st and 99th percentile of mass over length x width x thickness, g/cm3, and the sign of each size in its
    /// logarithm; nothing where a size is missing, is not under a logarithm, or flakes are few.
    fn mass_over_box(&self, recipe: &VariantRecipe, first: usize) -> Option<(Recorded, Vec<f64>)> {
        let sign = |size: &str| match size {
            "mass_g" => Some(1.0),
            "length_mm" | "width_mm" | "thickness_mm" => Some(-1.0),
            _ => None,
        };
        let logs = recipe.sizes.iter().all(|s| s.form.transform() == Transform::Ln);
        let signs: Vec<f64> = recipe.sizes.iter().filter_map(|s| sign(&s.size)).collect();
        if !logs || signs.len() != 4 || recipe.sizes.len() != 4 {
            return None;
        }
        let columns: Vec<usize> = (0..4).map(|k| self.readings[first + k].column).collect();
        let mut found: Vec<f64> = (0..self.flakes.rows())
            .map(|i| {
                let ln = columns.iter().zip(&signs).map(|(c, s)| s * self.flakes.size(i, *c).ln());
                ln.sum::<f64>()
            })
            .filter(|v| v.is_finite())
            .collect();
        if found.len() < FEWEST {
            return None;
        }
        found.sort_by(f64::total_cmp);
        let quantile = |p: f64| sorted_quantile(&found, p).exp() * 1e3;
        Some((Recorded { low: quantile(TAIL), high: quantile(1.0 - TAIL) }, signs))
    }

    /// Brings the sizes of a variant to what they have to obey; answers the range of mass over length, width and thickness.
    pub(super) fn bring_to_growth(
        &self,
        recipe: &VariantRecipe,
        first: usize,
        ranges: &[Range],
        fitted: &mut [FittedSize],
    ) -> Result<Option<Recorded>> {
        let (all, range) = self.inequalities(recipe, first, ranges)?;
        let fits: Option<Vec<&ShrunkenFit>> =
            fitted.iter().map(|f| Some(&f.shrunken.as_ref()?.fit)).collect();
        let fits = fits.ok_or_else(needs_shrunken)?;
        let mut watched = Vec::new();
        let grown = brought(&fits, &all, &mut watched)?;
        let mut squares = vec![(0.0, 0u64); fitted.len()];
        for fold in 0..FOLDS {
            let fits: Option<Vec<&ShrunkenFit>> =
                fitted.iter().map(|f| f.shrunken.as_ref()?.folds.get(fold)?.as_ref()).collect();
            // a fold without which the terms cannot be told apart says nothing
            let Some(fits) = fits else { continue };
            for ((f, b), (sum, count)) in
                fitted.iter().zip(brought(&fits, &all, &mut watched)?).zip(&mut squares)
            {
                let Some(Shrunk { rows, .. }) = f.shrunken.as_deref() else { continue };
                for at in (0..rows.y.len()).filter(|at| rows.part(*at) == fold) {
                    *sum += (rows.y[at] - dot(&rows.x[at], &b)).powi(2);
                    *count += 1;
                }
            }
        }
        for ((f, b), (sum, count)) in fitted.iter_mut().zip(grown).zip(squares) {
            if count > 0 {
                (f.model.left_out_error, f.left_out_flakes) = ((sum / count as f64).sqrt(), count);
            }
            f.take(b)?;
        }
        Ok(range)
    }
}

fn needs_shrunken() -> Error {
    Error::invalid("grows", "sizes that must grow need shrunken fits")
}

/// The estimates of all sizes brought together to what they have to obey.
fn brought(fits: &[&ShrunkenFit], all: &Inequalities, watched: &mut Vec<usize>) -> Result<Vec<Vec<f64>>> {
    let total: usize = fits.iter().map(|f| f.coefficients.len()).sum();
    let mut root = DMatrix::zeros(total, total);
    let (mut b, mut at) = (Vec::with_capacity(total), 0);
    for fit in fits {
        let (own, rows) = (&fit.coefficients, rows_of(&fit.covariance));
        let factor = cholesky("covariance", &rows, own.len())?;
        root.view_mut((at, at), (own.len(), own.len())).copy_from(&factor);
        b.extend_from_slice(own);
        at += own.len();
    }
    let found = nearest(&b, &root, all, watched)?;
    let mut rest = &found[..];
    Ok(fits
        .iter()
        .map(|fit| {
            let (own, after) = rest.split_at(fit.coefficients.len());
            rest = after;
            own.to_vec()
        })
        .collect())
}

impl FittedSize {
    /// Takes other coefficients: what explains, the spread and how flakes stand follow.
    fn take(&mut self, coefficients: Vec<f64>) -> Result<()> {
        let Shrunk { fit, rows, places, .. } = self.shrunken.as_deref().ok_or_else(needs_shrunken)?;
        if fit.coefficients == coefficients {
            return Ok(());
        }
        let (mut before, mut after) = (0.0, 0.0);
        for at in 0..rows.y.len() {
            let variance = fit.spread(&rows.z[at])?.powi(2);
            let nu = fit.degrees_of_freedom[rows.class[at]];
            let own = (rows.y[at] - fit.expected(&rows.x[at])?).powi(2) / variance;
            let weight = if nu.is_finite() { (nu + 1.0) / (nu + own) } else { 1.0 };
            before += weight * own;
            after += weight * (rows.y[at] - dot(&rows.x[at], &coefficients)).powi(2) / variance;
        }
        let wider = 0.5 * (after / before).ln();
        if let Spread::Modelled { coefficients, .. } = &mut self.model.spread {
            coefficients[0] += wider;
        }
        self.model.r_squared = rows.explained_by(|x| Ok(dot(x, &coefficients)))?;
        // residuals on the normal scale of their tails
        for (at, i) in places.iter().enumerate() {
            let spread = fit.spread(&rows.z[at])? * wider.exp();
            let e = (rows.y[at] - dot(&rows.x[at], &coefficients)) / spread;
            self.standardised[*i] = normal_score(e, fit.degrees_of_freedom[rows.class[at]]);
        }
        self.model.coefficients = coefficients;
        Ok(())
    }
}
