//! What became of the flakes offered, and the fits that came of them.

use crate::error::{Error, Result};
use crate::fit::linear::{Criteria, LinearFit};
use crate::fit::shrunken::ShrunkenFit;

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
    /// How many flakes were left out in turn: all that were fitted, or of very many every second, fourth, eighth in
    /// the order in which they came (about half a million for a form of two measurements). Then the error is that
    /// of all residuals times the ratio of the two on those.
    pub left_out_flakes: u64,
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
    /// Each piece counting once, however many of its states were measured.
    ByPiece {
        /// Pieces.
        pieces: u64,
        /// Their states.
        states: u64,
    },
    /// Together with the other sizes, given what was kept.
    Kept {
        /// Flakes with this size.
        flakes: u64,
        /// Log likelihood of all sizes together, the effects of groups integrated out, less its constant.
        ln_likelihood: f64,
        /// Rounds of the search.
        rounds: u64,
    },
}

impl Fitted {
    /// The least squares fit, where it is one.
    pub fn linear(&self) -> Option<&LinearFit> {
        match self {
            Fitted::LeastSquares(fit) => Some(fit),
            _ => None,
        }
    }

    /// The shrunken fit, where it is one.
    pub fn shrunken(&self) -> Option<&ShrunkenFit> {
        match self {
            Fitted::Shrunken(fit) => Some(fit),
            _ => None,
        }
    }

    /// Flakes fitted.
    pub fn flakes(&self) -> u64 {
        match self {
            Fitted::LeastSquares(fit) => fit.rows(),
            Fitted::Shrunken(fit) => fit.rows() as u64,
            Fitted::ByPiece { pieces, .. } => *pieces,
            Fitted::Kept { flakes, .. } => *flakes,
        }
    }
}

/// A fingerprint of the sizes that a fit was made on, whatever their order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RowsFitted {
    count: u64,
    mark: u64,
}

impl RowsFitted {
    pub(super) fn new(count: u64, mark: u64) -> RowsFitted {
        RowsFitted { count, mark }
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
