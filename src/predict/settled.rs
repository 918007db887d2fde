//! Many rows that differ in their numbers alone: what depends on classes, and on which measurements are there,
//! is settled once ([`Settled`]), and the numbers are worked out a block of rows at a time ([`Sheet`]).
//!
//! A row is settled where every size is a single Student t: all settings given, or one combination of them in the
//! experiment. Where sizes are mixtures, [`Predictor::estimate`] does each row.

use super::batch::{Batch, IntervalColumns, Limits};
use super::distribution::LEVEL;
use super::estimate::{Ask, Asked, Predictor};
use crate::calibration::caution::Caution;
use crate::calibration::resolved::{ResolvedTerminations, STEEPEST_DEG, near_tangent};
use crate::error::Result;
use crate::form::ANGLE;
use crate::strike::Measured;

/// What rows of the same classes and the same measurements have in common.
#[derive(Debug, Clone)]
pub(crate) struct Settled {
    /// Which variant answers.
    pub variant: usize,
    /// The input row as measured; numbers of other rows take the place of these.
    pub measured: Vec<f64>,
    /// The input row with what was not measured filled in.
    pub complete: Vec<f64>,
    /// Doubts that do not depend on the numbers.
    pub cautions: Vec<Caution>,
    /// Whether terminations are told.
    pub tells_ends: bool,
    /// The name of the variant's form.
    pub form: String,
}

/// Whether a kind of row can be settled.
pub(crate) enum Settling {
    /// It is.
    Settled(Box<Settled>),
    /// Its numbers stand outside the domain of the form; another row of the kind may do.
    NotHere,
    /// No row of this kind: refused, or a mixture.
    Never,
}

impl Predictor {
    /// Settles the kind of a row, as far as it can be told from this one.
    pub(crate) fn settle(&self, data: &impl Measured, ask: &Ask) -> Settling {
        if crate::flake::refusal(data).is_some() {
            return Settling::Never;
        }
        let Ok(mut asked) = self.asked(data, ask) else { return Settling::Never };
        let Asked { variant: at, ended, .. } = asked;
        let (variant, ready) = (self.resolved().variant(at), self.resolved().ready(at));
        let tangent_elsewhere = ready.tangent && self.calibration().layout().position(ANGLE).is_none();
        let mixed = ready.termination.is_some() && ended.is_none() && ready.terminations.is_some();
        if asked.rows.len() != 1 || tangent_elsewhere || mixed {
            return Settling::Never;
        }
        let Ok(filled) = self.resolved().split(at, asked.rows.clone(), ended) else {
            return Settling::NotHere;
        };
        let [(_, complete)] = &filled[..] else { return Settling::Never };
        let Ok(estimate) = self.evaluate(&mut asked) else {
            return Settling::NotHere;
        };
        let mut estimate = self.doubt(estimate, &asked, data);
        let tells_ends = !estimate.terminations.is_empty();
        if variant.termination.is_some() && ended.is_none() && !tells_ends {
            return Settling::NotHere;
        }
        estimate.cautions.retain(|c| {
            !matches!(
                c,
                Caution::OutsideRange { .. }
                    | Caution::NearEndOfDomain { .. }
                    | Caution::Leverage { .. }
                    | Caution::AtomAtZero { .. }
                    | Caution::BeyondRecorded { .. }
            )
        });
        Settling::Settled(Box::new(Settled {
            variant: at,
            measured: asked.x,
            complete: complete.clone(),
            cautions: estimate.cautions,
            tells_ends,
            form: estimate.form,
        }))
    }

    /// One variant ready for blocks of rows: these sizes, in this order, and these terminations.
    ///
    /// # Errors
    /// As [`Batch::new`].
    pub(crate) fn sheet(&self, variant: usize, asked: &[&str], ends: &[&str], level: f64) -> Result<Sheet> {
        let layout = self.calibration().layout();
        let (found, ready) = (self.resolved().variant(variant), self.resolved().ready(variant));
        let level = LEVEL.check(level)?;
        let ready_size = |at: usize| {
            let batch = Batch::of(ready.sizes[at].clone(), level);
            let limits = batch.limits(&found.sizes[at]);
            (batch, limits)
        };
        let place = |name: &&str| found.sizes.iter().position(|m| m.size == *name);
        let sizes = asked.iter().map(|name| place(name).map(ready_size)).collect();
        let ends = ready.terminations.as_ref().map(|ready| Ends {
            places: ends.iter().map(|n| ready.model.fit.classes().iter().position(|c| c == n)).collect(),
            ready: ready.clone(),
        });
        // a doubt about a size that is not asked for is a doubt about the flake all the same
        let other = |at: &usize| !asked.contains(&found.sizes[*at].size.as_str());
        let others = (0..found.sizes.len()).filter(other).map(ready_size).collect();
        let ranged = found.ranges.iter().zip(&ready.ranged);
        let ranges = ranged.filter_map(|(r, at)| Some(((*at)?, r.low, r.high))).collect();
        let angle = if ready.tangent { layout.position(ANGLE) } else { None };
        Ok(Sheet { sizes, others, ends, ranges, angle })
    }

    /// The doubts about numbers alone, which come before all others.
    pub(crate) fn doubts_of_numbers(&self, variant: usize, measured: &[f64], found: &mut Vec<Caution>) {
        let layout = self.calibration().layout();
        self.resolved().outside_ranges(variant, measured, found);
        if self.resolved().ready(variant).tangent
            && let Some(at) = layout.position(ANGLE)
        {
            found.extend(near_tangent(measured[at]));
        }
    }
}

/// How flakes end, ready for rows.
#[derive(Debug, Clone)]
struct Ends {
    ready: ResolvedTerminations,
    /// The class of the model for each termination asked for.
    places: Vec<Option<usize>>,
}

/// One variant ready for blocks of rows.
#[derive(Debug, Clone)]
pub(crate) struct Sheet {
    sizes: Vec<Option<(Batch, Limits)>>,
    others: Vec<(Batch, Limits)>,
    ends: Option<Ends>,
    ranges: Vec<(usize, f64, f64)>,
    angle: Option<usize>,
}

/// Numbers of the terms of a termination beyond which the slow path judges whether there is an interval.
/// Own choice.
const FAR: f64 = 1e6;

impl Sheet {
    /// Whether a size is there, in the order asked.
    pub(crate) fn has(&self, size: usize) -> bool {
        self.sizes[size].is_some()
    }

    /// Fills intervals of a block: low, median, high for each size asked. `doubtful` is set where a doubt other
    /// than a range is likely, or a number is not finite: there the slow path decides.
    ///
    /// # Errors
    /// [`crate::Error::Shape`] when lengths differ.
    pub(crate) fn fill(
        &self,
        columns: &[&[f64]],
        out: &mut [[Vec<f64>; 3]],
        spare: &mut [Vec<f64>; 3],
        doubtful: &mut [bool],
    ) -> Result<()> {
        let n = doubtful.len();
        let asked = self.sizes.iter().zip(out).filter_map(|(s, o)| Some((s.as_ref()?, o)));
        for ((batch, limits), [low, median, high]) in asked {
            let (low, median, high) = (&mut low[..n], &mut median[..n], &mut high[..n]);
            batch.fill_doubting(columns, IntervalColumns { low, median, high }, limits, doubtful)?;
        }
        let [low, median, high] = spare;
        for (batch, limits) in &self.others {
            let out = IntervalColumns { low: &mut low[..n], median: &mut median[..n], high: &mut high[..n] };
            batch.fill_doubting(columns, out, limits, doubtful)?;
        }
        Ok(())
    }

    /// Whether a number is outside the range fitted or near the end of the domain.
    pub(crate) fn outside(&self, measured: impl Fn(usize) -> f64) -> bool {
        let outside = |(at, low, high): &(usize, f64, f64)| {
            let v = measured(*at);
            v < *low || v > *high
        };
        self.ranges.iter().any(outside) || self.angle.is_some_and(|at| measured(at) > STEEPEST_DEG)
    }

    /// Whether terminations have a probability under this variant.
    pub(crate) fn tells_ends(&self) -> bool {
        self.ends.is_some()
    }

    /// The terms that decide how a flake ends; false where they are not ordinary numbers.
    pub(crate) fn terms_of_ends(&self, x: &[f64], terms: &mut Vec<f64>) -> bool {
        let Some(ends) = &self.ends else { return false };
        terms.resize(ends.ready.compiled.terms(), 0.0);
        ends.ready.compiled.fill(x, terms);
        terms.iter().all(|t| t.abs() < FAR)
    }

    /// Probabilities of the terminations asked for, from those terms.
    ///
    /// # Errors
    /// Those of the termination model.
    pub(crate) fn ends(&self, terms: &[f64], out: &mut Vec<Option<f64>>) -> Result<()> {
        out.clear();
        let Some(ends) = &self.ends else { return Ok(()) };
        let p = ends.ready.model.fit.probabilities(terms)?;
        out.extend(ends.places.iter().map(|at| at.map(|k| p[k])));
        Ok(())
    }
}
