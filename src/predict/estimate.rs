//! From the measurements of one platform to an estimate of every size under a calibration.
//!
//! [`Predictor::new`] makes a calibration ready once. Then [`Predictor::estimate`] walks the same stages for every
//! row: refuse what cannot be answered, gather the measurements, choose the variant that uses most of them, complete
//! the settings that were not given, evaluate each size, and say what there is to doubt.

use super::detachment::Ranged;
use super::distribution::{Component, Interval, Predictive};
use super::kept::condition;
use crate::calibration::caution::{ATOM_TOLD, Caution, Doubt};
use crate::calibration::fitting::as_struck;
use crate::calibration::resolved::{CLEARLY_BEYOND, DesignRows, Resolved, WeightedRows, near_tangent};
use crate::calibration::{Calibration, Recorded, RecoveryThreshold, SizeModel};
use crate::error::{Error, Place, Result};
use crate::flake::{LENGTH_MM, MASS_G, Termination};
use crate::form::{ANGLE, TERMINATION, Transform};
use crate::strike::Measured;
use std::sync::Arc;

/// What is asked for beyond the measurements.
#[derive(Debug, Clone, Default, PartialEq)]
#[non_exhaustive]
pub struct Ask {
    /// Condition on this termination.
    pub termination: Option<Termination>,
    /// Ask for flakes that were kept from this threshold on, not for all that came off.
    pub kept: Option<RecoveryThreshold>,
}

/// The level at which an estimate that exists has finite intervals.
pub(super) const LEVEL_OF_DOORS: f64 = 0.95;

/// Whether a spread cannot reach from the least to the most that can be measured: below 2 on a logarithmic scale.
pub(super) fn is_narrow(transform: Transform, scale: f64) -> bool {
    transform == Transform::Ln && scale < 2.0
}

/// Refuses a size whose interval goes beyond all that can be measured on both sides: no flake of the experiment says
/// anything of it.
pub(super) fn says_something(size: &str, i: &Interval) -> Result<()> {
    let (bounds, unit) = match size {
        _ if size.ends_with("_mm") => (LENGTH_MM, "mm"),
        _ if size.ends_with("_g") => (MASS_G, "g"),
        _ => return Ok(()),
    };
    if bounds.contains(i.low) || bounds.contains(i.high) || i.low > 1.0 || i.high < 1.0 {
        return Ok(());
    }
    Err(Error::Refused {
        at: Place::column(size),
        reason: format!(
            "the measurements are too far from those of the calibration: its interval, {:.0e} to {:.0e} {unit}, goes \
             beyond all that can be measured",
            i.low, i.high
        ),
    })
}

/// One size of an estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct SizeEstimate {
    /// Which size (`mass_g`).
    pub size: String,
    /// What it means in the calibration's table, where that differs (`mean_thickness_mm`).
    pub column: String,
    /// Its distribution.
    pub predictive: Predictive,
    /// Flakes behind it.
    pub(crate) flakes: u64,
}

/// Everything a calibration says of one platform.
#[derive(Debug, Clone, PartialEq)]
pub struct Estimate {
    /// The sizes, in the order of the calibration.
    pub sizes: Vec<SizeEstimate>,
    /// Name of the calibration.
    pub calibration: String,
    /// Which variant of it was used, by what it needs.
    pub variant: String,
    /// The form of that variant.
    pub(crate) form: String,
    /// Flakes behind it (the largest count among the sizes).
    pub flakes: u64,
    /// How it ends: each termination by the name that the calibration has for it, with its probability and the 95 %
    /// interval of that; empty where the calibration cannot tell.
    pub terminations: Vec<(String, Ranged)>,
    /// Correlation of the sizes about what is expected, transformed scale, in the order of `sizes`.
    pub(crate) residual_correlation: Arc<Vec<Vec<f64>>>,
    /// Probability that such a flake was kept, where flakes above a threshold were asked for.
    pub kept: Option<f64>,
    /// What there is to doubt.
    pub cautions: Vec<Caution>,
    /// How flakes of each component end, in the order of the components; nothing where sizes do not depend on it.
    pub(crate) endings: Vec<Option<String>>,
}

impl Estimate {
    /// What there is to doubt of its sizes.
    pub(crate) fn doubts_of_sizes(&self) -> Vec<Caution> {
        self.cautions.iter().filter(|c| c.is_of_sizes()).cloned().collect()
    }

    /// The distribution of one size by its column name.
    pub fn size(&self, name: &str) -> Option<&Predictive> {
        self.sizes.iter().find(|s| s.size == name).map(|s| &s.predictive)
    }

    /// What must be said before any number where no flake of the experiment was struck like this: which measurements lie
    /// beyond its flakes and where the nearest was, or that only the combination is unlike any; nothing inside.
    pub(crate) fn beyond_experiment(&self) -> Option<String> {
        let outside: Vec<String> = self
            .cautions
            .iter()
            .filter_map(|c| match &*c.0 {
                Doubt::OutsideRange { measurement, value, low, high } => {
                    Some(crate::calibration::caution::nearest(measurement, *value, *low, *high))
                }
                _ => None,
            })
            .collect();
        let unlike = self.cautions.iter().any(|c| matches!(*c.0, Doubt::Leverage { .. }));
        let what = match (outside.is_empty(), unlike) {
            (true, false) => return None,
            (true, true) => "each measurement is among its flakes, the combination is not".to_string(),
            (false, _) => outside.join("; "),
        };
        Some(format!(
            "No flake of the experiment was struck like this: {what}. The intervals open with the distance; believe the \
             direction, not the size."
        ))
    }
}

/// A calibration resolved for prediction.
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::predict::Predictor;
/// use conchoid::strike::Strike;
///
/// let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
/// let strike = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build()?;
/// let estimate = predictor.estimate(&strike, &Default::default())?;
/// let mass = estimate.size("mass_g").unwrap().interval(0.95)?;
/// assert!(mass.low < mass.median && mass.median < mass.high);
///
/// // without a depth there is nothing to go by
/// let blank = Strike::builder().build()?;
/// assert!(predictor.estimate(&blank, &Default::default()).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Predictor {
    resolved: Resolved,
}

/// One row on its way to an answer: which variant, what was measured, and the complete rows it stands for.
pub(super) struct Asked {
    pub(super) variant: usize,
    /// What was measured, and the classes taken as given.
    pub(super) x: Vec<f64>,
    /// Complete but for the termination.
    pub(super) rows: WeightedRows,
    /// Whether the rows are blows that were not given.
    pub(super) averaged: bool,
    /// The code of the termination that is known.
    pub(super) ended: Option<usize>,
    pub(super) kept: Option<RecoveryThreshold>,
    pub(super) cautions: Vec<Caution>,
}

impl Predictor {
    /// Makes a calibration ready.
    ///
    /// # Errors
    /// Those of a calibration that contradicts itself; none for one that was read or built by this crate.
    pub fn new(calibration: Calibration) -> Result<Predictor> {
        Ok(Predictor { resolved: Resolved::new(calibration)? })
    }

    /// The calibration behind it.
    pub fn calibration(&self) -> &Calibration {
        self.resolved.calibration()
    }

    /// The share of the variance of a prediction that flakes of one site have in common, for a size of a variant.
    #[cfg_attr(not(feature = "table"), allow(dead_code))]
    pub(crate) fn common(&self, variant: &str, size: &str) -> f64 {
        let found = self.calibration().variants().iter().find(|v| v.name == variant);
        found.and_then(|v| v.sizes.iter().find(|m| m.size == size)).map_or(0.0, SizeModel::common)
    }

    /// The same made ready.
    pub(crate) fn resolved(&self) -> &Resolved {
        &self.resolved
    }

    /// The names of the measurements any of which the answer may need: those of the forms, the settings.
    #[cfg_attr(not(feature = "table"), allow(dead_code))]
    pub(crate) fn reads(&self) -> Vec<&str> {
        let layout = self.calibration().layout();
        (0..layout.len()).map(|i| layout.name(i)).collect()
    }

    /// The places of numbers in an input row, with their names.
    #[cfg_attr(not(feature = "table"), allow(dead_code))]
    pub(crate) fn number_places(&self) -> impl Iterator<Item = (usize, &str)> {
        self.resolved.number_places()
    }

    /// Estimates every size of one flake.
    ///
    /// # Errors
    /// [`Error::Refused`](crate::Error::Refused) for a crushed platform or a portion without one;
    /// [`Error::Missing`](crate::Error::Missing) where no variant of the calibration can do with what was measured;
    /// [`Error::Domain`](crate::Error::Domain) outside the domain of the form;
    /// [`Error::UnknownName`](crate::Error::UnknownName) for a class that the calibration does not know.
    pub fn estimate(&self, measured: &impl Measured, ask: &Ask) -> Result<Estimate> {
        if let Some(e) = crate::flake::refusal(measured) {
            return Err(e);
        }
        if let Some(threshold) = ask.kept.as_ref().filter(|_| as_struck(measured, false).is_ok()) {
            threshold.check(measured)?;
        }
        let mut asked = self.asked(measured, ask)?;
        let estimate = self.evaluate(&mut asked)?;
        Ok(self.doubt(estimate, &asked, measured))
    }

    /// The stages before anything is evaluated.
    pub(super) fn asked(&self, measured: &impl Measured, ask: &Ask) -> Result<Asked> {
        let mut cautions = Vec::new();
        let wanted = ask.wanted(measured);
        let mut x = self.resolved.gather(measured, wanted, &mut cautions)?;
        let variant = self.resolved.choose(&x)?;
        self.resolved.assume(variant, &mut x, &mut cautions);
        let rows = self.resolved.complete(variant, &x, &mut cautions);
        let ended = self.resolved.condition(variant, wanted, ask.termination.is_some(), &mut cautions);
        Ok(Asked { variant, x, averaged: rows.len() > 1, rows, ended, kept: ask.kept.clone(), cautions })
    }

    /// The variant of the calibration that answers for these measurements, and its complete input rows with
    /// their weights, before anything is evaluated.
    ///
    /// # Errors
    /// As [`Predictor::estimate`], but for what is refused.
    pub(crate) fn rows_of(&self, measured: &impl Measured, ask: &Ask) -> Result<(usize, WeightedRows)> {
        let Asked { variant, rows, ended, .. } = self.asked(measured, ask)?;
        Ok((variant, self.resolved.split(variant, rows, ended)?))
    }

    /// Evaluates the rows, which are used up, and adds the cautions of the numbers to those there are.
    pub(super) fn evaluate(&self, asked: &mut Asked) -> Result<Estimate> {
        let layout = self.calibration().layout();
        let (variant, ready) = (self.resolved.variant(asked.variant), self.resolved.ready(asked.variant));
        let terminations =
            if asked.ended.is_none() { self.terminations(asked.variant, &asked.rows)? } else { Vec::new() };
        let rows = self.resolved.split(asked.variant, std::mem::take(&mut asked.rows), asked.ended)?;
        let mut components: Vec<Vec<Component>> =
            variant.sizes.iter().map(|_| Vec::with_capacity(rows.len())).collect();
        let mut shared: Vec<Vec<f64>> = vec![Vec::new(); variant.sizes.len()];
        let mut highest = HighestLeverage::default();
        let mut designs = DesignRows::default();
        let at = layout.position(TERMINATION);
        let name_of = |code: usize| {
            let class = at.and_then(|at| layout.class_at(at))?;
            class.levels.get(code).cloned()
        };
        let told = asked.ended.and_then(name_of);
        let endings = rows
            .iter()
            .map(|(_, x)| match (&told, ready.termination) {
                (Some(name), _) => Some(name.clone()),
                (None, Some(at)) if ready.terminations.is_some() => name_of(x[at] as usize),
                _ => None,
            })
            .collect();
        for (weight, x) in &rows {
            for (k, (m, r)) in variant.sizes.iter().zip(&ready.sizes).enumerate() {
                let at = r.at_checked(x, &mut designs, layout)?;
                highest.see(at.leverage(), m.largest_leverage);
                if asked.kept.is_some() {
                    shared[k].push(at.shared.sqrt());
                }
                components[k].push(Component::of(*weight, &at));
            }
        }
        let cautions = &mut asked.cautions;
        cautions.extend(highest.caution());
        let mut sizes = Vec::with_capacity(variant.sizes.len());
        for ((m, r), c) in variant.sizes.iter().zip(&ready.sizes).zip(components) {
            let predictive = Predictive::new(m.form.transform(), c)?;
            let predictive = if asked.averaged { predictive.about_the_mean() } else { predictive };
            cautions.extend(r.recorded.and_then(|r| beyond(m, r, &predictive)));
            let atom = predictive.atom_at_zero();
            if atom > ATOM_TOLD {
                cautions.push(Doubt::AtomAtZero { size: m.size.clone(), probability: atom }.into());
            }
            if !predictive.plainly_finite() {
                let named = |e| match e {
                    Error::Refused { reason, .. } => Error::Refused { at: Place::column(&m.size), reason },
                    e => e,
                };
                predictive.interval(LEVEL_OF_DOORS).map_err(named)?;
            }
            if !predictive.components().iter().all(|c| is_narrow(predictive.transform(), c.scale)) {
                says_something(&m.size, &predictive.interval(LEVEL_OF_DOORS)?)?;
            }
            sizes.push(SizeEstimate {
                size: m.size.clone(),
                column: m.column.clone(),
                predictive,
                flakes: m.flakes,
            });
        }
        let mut kept = None;
        if let Some(threshold) = &asked.kept {
            let came_off = sizes.iter().map(|s| s.predictive.clone()).collect();
            let r = &variant.residual_correlation;
            let (conditioned, probability) = condition(threshold, &variant.sizes, came_off, &shared, r)?;
            sizes.iter_mut().zip(conditioned).for_each(|(s, p)| s.predictive = p);
            kept = Some(probability);
        }
        let mass = variant.sizes.iter().rfind(|m| m.size == "mass_g");
        Ok(Estimate {
            kept,
            flakes: sizes.iter().map(|s| s.flakes).max().unwrap_or(0),
            form: mass.unwrap_or(&variant.sizes[0]).form.name().to_string(),
            sizes,
            calibration: self.calibration().name().to_string(),
            variant: variant.name.clone(),
            terminations,
            residual_correlation: ready.residual_correlation.clone(),
            cautions: Vec::new(),
            endings,
        })
    }

    /// Puts all doubts into an estimate: those of the measurements and the calibration first.
    pub(super) fn doubt(&self, mut e: Estimate, asked: &Asked, measured: &impl Measured) -> Estimate {
        let (resolved, variant) = (&self.resolved, asked.variant);
        let found = &mut e.cautions;
        resolved.outside_ranges(variant, &asked.x, found);
        if resolved.ready(variant).tangent
            && let Some(value) = measured.number(ANGLE)
        {
            found.extend(near_tangent(value));
        }
        resolved.unlike_experiment(measured, found);
        resolved.of_groups(variant, &asked.x, measured, found);
        found.extend(resolved.untold_terminations(variant, &asked.x, !e.terminations.is_empty()));
        found.extend_from_slice(&resolved.ready(variant).of_all_its_answers);
        found.extend_from_slice(&asked.cautions);
        e
    }

    /// How the flake will end, averaged over the completions of the settings: probabilities, and their intervals
    /// averaged likewise.
    fn terminations(&self, variant: usize, rows: &[(f64, Vec<f64>)]) -> Result<Vec<(String, Ranged)>> {
        let Some(told) = &self.resolved.ready(variant).terminations else { return Ok(Vec::new()) };
        let total: f64 = rows.iter().map(|r| r.0).sum();
        let none = |c: &String| (c.clone(), Ranged { value: 0.0, low: 0.0, high: 0.0 });
        let mut found: Vec<(String, Ranged)> = told.model.fit.classes().iter().map(none).collect();
        let mut terms = vec![0.0; told.compiled.terms()];
        for (weight, x) in rows {
            told.compiled.fill(x, &mut terms);
            if terms.iter().any(|t| !t.is_finite()) {
                return Ok(Vec::new());
            }
            // beyond the flakes of the experiment the answer goes back to their shares, and its interval opens until
            // anything may be
            let back = self.resolved.share_of_experiment(variant, x);
            let (shares, open) = (told.model.fit.class_rows(), back * back);
            let rows: f64 = shares.iter().sum();
            let intervals = told.model.fit.probability_intervals(&terms, 0.95)?;
            for (((_, f), i), n) in found.iter_mut().zip(intervals).zip(shares) {
                let (share, value) = (weight / total, i.value + back * (n / rows - i.value));
                f.value += share * value;
                f.low += share * (1.0 - open) * i.low.min(value);
                f.high += share * (open + (1.0 - open) * i.high.max(value));
            }
        }
        Ok(found)
    }
}

impl Ask {
    /// The termination to condition on: the one asked for, otherwise the one recorded.
    pub(super) fn wanted<'a>(&self, measured: &'a impl Measured) -> Option<&'a str> {
        match self.termination {
            Some(t) => Some(t.name()),
            None => measured.class(TERMINATION),
        }
    }
}

/// The highest leverage seen, as a share of the largest of the flakes fitted.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct HighestLeverage {
    value: f64,
    largest: f64,
}

impl HighestLeverage {
    pub(super) fn see(&mut self, value: f64, largest: f64) {
        if value / largest > self.value / self.largest || self.largest == 0.0 {
            *self = HighestLeverage { value, largest };
        }
    }

    /// The doubt that a combination of measurements is unlike those fitted.
    pub(super) fn caution(&self) -> Option<Caution> {
        let HighestLeverage { value, largest } = *self;
        (value > largest).then(|| Doubt::Leverage { value, largest }.into())
    }
}

/// The doubt that the median of a predictive is beyond what was recorded.
fn beyond(m: &SizeModel, (low, high): (f64, f64), predictive: &Predictive) -> Option<Caution> {
    // where every component's middle is inside, so is that of the mixture
    if predictive.components().iter().all(|c| (low..=high).contains(&c.location)) {
        return None;
    }
    beyond_recorded(m, predictive.median())
}

/// The doubt that what is expected of a size is beyond what was recorded.
pub(super) fn beyond_recorded(m: &SizeModel, expected: f64) -> Option<Caution> {
    let Recorded { low, high, .. } = m.recorded?;
    let inside = (low / CLEARLY_BEYOND..=high * CLEARLY_BEYOND).contains(&expected);
    let size = m.size.clone();
    (!inside).then(|| Doubt::BeyondRecorded { size, expected, low, high }.into())
}
