//! What became of the flakes offered, and the fits that came of them.

use super::sizes::FittedSize;
use crate::calibration::{SharedEffect, Spread};
use crate::error::Error;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What became of the flakes, and the fits behind the calibration.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Report {
    /// Flakes offered.
    pub offered: u64,
    /// Flakes used by at least one fit.
    pub used: u64,
    /// Reasons for leaving flakes out, with their counts. `offered` is `used` plus these.
    #[serde(serialize_with = "crate::by_name::serialize")]
    #[cfg_attr(feature = "schema", schemars(with = "std::collections::BTreeMap<String, u64>"))]
    pub left_out: Vec<(String, u64)>,
    /// One entry for each variant and size, in order.
    pub fits: Vec<FitReport>,
}

/// A number with its standard error: a coefficient, a mean of scores.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Figure {
    /// The number.
    pub value: f64,
    /// Its standard error; not a number where one flake or one group is all there is.
    pub standard_error: f64,
}

/// What groups that share an effect differ by.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct GroupSpread {
    /// Groups.
    pub groups: u64,
    /// The spread between them, on the scale of the form.
    pub spread: f64,
}

/// One fit of a report: what the size model of the calibration ([`SizeModel`](crate::calibration::SizeModel)) does not hold itself. All of
/// it is serialised, with what the model holds.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct FitReport {
    /// Name of the variant.
    #[serde(rename = "measured_by")]
    pub variant: String,
    /// The size.
    pub size: String,
    /// The column fitted.
    #[serde(rename = "response")]
    pub(crate) column: String,
    /// Name of the form.
    pub(crate) form: String,
    /// The coefficients by term on the scale of the form, in its order.
    #[serde(serialize_with = "crate::by_name::serialize")]
    #[cfg_attr(feature = "schema", schemars(with = "std::collections::BTreeMap<String, Figure>"))]
    pub coefficients: Vec<(String, Figure)>,
    /// The spread on the scale of the form, of flakes of one group where groups share effects; none where it has terms
    /// of its own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) spread: Option<f64>,
    /// Its degrees of freedom.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) degrees_of_freedom: Option<f64>,
    /// What flakes of one group share, by the column of the groups.
    #[serde(serialize_with = "crate::by_name::serialize", skip_serializing_if = "Vec::is_empty")]
    #[cfg_attr(
        feature = "schema",
        schemars(with = "Option<std::collections::BTreeMap<String, GroupSpread>>")
    )]
    pub(crate) shared: Vec<(String, GroupSpread)>,
    /// Flakes fitted; where each piece counts once, pieces.
    pub flakes: u64,
    /// Rows fitted: more than `flakes` where several states of a piece were measured.
    pub states: u64,
    /// R2, without what groups share.
    pub r_squared: f64,
    /// Adjusted R2, of least squares.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub adjusted_r_squared: Option<f64>,
    /// The strength of the penalty, where there is one that is finite.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub penalty: Option<f64>,
    /// Parameters of the location that the fit uses: under a penalty fewer than there are coefficients.
    pub effective_parameters: f64,
    /// Root mean square error of predicting each flake from others, transformed scale: leave-one-out for
    /// least squares; for a shrunken fit ten folds (the flakes counted off by tens), refitted each time with the
    /// degrees of freedom held.
    pub left_out_error: f64,
    /// How many flakes were left out in turn: all that were fitted, or of very many every second, fourth, eighth in
    /// the order in which they came (about half a million for a form of two measurements). Then the error is that
    /// of all residuals times the ratio of the two on those.
    pub(crate) left_out_flakes: u64,
    /// Akaike's criterion for the size in its own unit, comparable across transforms. A shrunken fit counts
    /// its effective parameters (the conditional criterion of Vaida & Blanchard 2005, Biometrika 92:351; from
    /// memory).
    pub(crate) aic_own_unit: f64,
}

impl FitReport {
    pub(super) fn of(variant: &str, fitted: &FittedSize) -> FitReport {
        let m = &fitted.model;
        let each = m.coefficients.iter().zip(&m.covariance).enumerate();
        let coefficients = each.map(|(i, (b, v))| Figure { value: *b, standard_error: v[i].sqrt() });
        let (spread, degrees_of_freedom) = match m.spread {
            Spread::Constant { value, degrees_of_freedom } => (Some(value), Some(degrees_of_freedom)),
            Spread::Modelled { .. } => (None, None),
        };
        let between = |e: &SharedEffect| GroupSpread { groups: e.groups, spread: e.covariance[0][0].sqrt() };
        FitReport {
            variant: variant.to_string(),
            size: m.size.clone(),
            column: m.column.clone(),
            form: m.form.name().to_string(),
            coefficients: m.form.term_names().into_iter().zip(coefficients).collect(),
            spread,
            degrees_of_freedom,
            shared: m.shared.iter().map(|e| (e.by.clone(), between(e))).collect(),
            flakes: m.flakes,
            states: fitted.states,
            r_squared: m.r_squared,
            adjusted_r_squared: fitted.adjusted_r_squared,
            penalty: fitted.penalty,
            effective_parameters: fitted.effective_parameters,
            left_out_error: m.left_out_error,
            left_out_flakes: fitted.left_out_flakes,
            aic_own_unit: fitted.aic_own_unit,
        }
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

/// How many flakes were offered, and why some were left out.
#[derive(Debug, Clone, Default)]
pub(crate) struct Offered {
    pub(crate) flakes: u64,
    pub(crate) left_out: BTreeMap<String, u64>,
}

impl Offered {
    /// Counts a flake that was taken, or why it was not.
    pub(crate) fn count(&mut self, taken: std::result::Result<(), String>) -> Taken {
        self.flakes += 1;
        match taken {
            Ok(()) => Taken::Used,
            Err(reason) => {
                *self.left_out.entry(reason.clone()).or_default() += 1;
                Taken::LeftOut(reason)
            }
        }
    }

    /// That none was used, with the commonest reason.
    pub(crate) fn none_used(&self, what: &str, needed: usize) -> Error {
        let most = self.left_out.iter().max_by_key(|(_, n)| **n);
        let why = most.map_or(String::new(), |(reason, _)| format!(" (most often: {reason})"));
        Error::TooFew { what: format!("{what}{why}"), found: 0, needed }
    }
}

/// Reasons with their counts, the commonest first.
pub(crate) fn commonest_first(counts: BTreeMap<String, u64>) -> Vec<(String, u64)> {
    let mut all: Vec<(String, u64)> = counts.into_iter().collect();
    all.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    all
}
