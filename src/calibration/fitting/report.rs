//! What became of the flakes offered, and the fits that came of them.

use crate::error::{Error, Result};
use serde::Serialize;

/// What became of the flakes, and the fits behind the calibration.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
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

/// One fit of a report; its coefficients stand in the calibration.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct FitReport {
    /// Name of the variant.
    pub variant: String,
    /// The size.
    pub size: String,
    /// Names of the coefficients.
    pub terms: Vec<String>,
    /// Flakes fitted; where each piece counts once, pieces.
    pub flakes: u64,
    /// Rows fitted: more than `flakes` where several states of a piece were measured.
    pub states: u64,
    /// Adjusted R2, of least squares.
    pub adjusted_r_squared: Option<f64>,
    /// The strength of the penalty, where there is one that is finite.
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
    pub left_out_flakes: u64,
    /// Akaike's criterion for the size in its own unit, comparable across transforms. A shrunken fit counts
    /// its effective parameters (the conditional criterion of Vaida & Blanchard 2005, Biometrika 92:351; from
    /// memory).
    pub aic_own_unit: f64,
    /// Identifies the rows fitted: fits are comparable only where this agrees.
    #[serde(skip)]
    pub(super) rows: RowsFitted,
}

/// A fingerprint of the sizes that a fit was made on, whatever their order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct RowsFitted {
    count: u64,
    mark: u64,
}

impl RowsFitted {
    pub(super) fn new(count: u64, mark: u64) -> RowsFitted {
        RowsFitted { count, mark }
    }

    pub(super) fn count(self) -> u64 {
        self.count
    }
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
        Ok(self.aic_own_unit - other.aic_own_unit)
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
