//! How far a site may lie from the experiment: shifts that all flakes of a group share.

use crate::error::{Bounds, Result};
use serde::Serialize;

/// How far all flakes of a site may lie from those of the experiment: standard deviations of normal shifts
/// that the flakes of a group share.
///
/// | part | default | what it shifts |
/// |---|---|---|
/// | `common` | 0.24 | ln of every length, and three times as much ln mass: larger or smaller flakes of the same shape |
/// | `own` | 0.3 | ln of each size on its own: another stone, another way to measure |
/// | `log_odds` | 1 | log odds of each termination and of a lip: another core, another eye |
///
/// The first two are how the 25 excavated sites behind `excavated-flakes` differ from each other: fitted to the covariance of the
/// effects of its sites, which have heavy tails, they are 0.17 and 0.21 by scale (in ln mass 0.56), 0.24 and 0.30 by standard deviation. The third is judgement without a source: a site may well record lips and hinges two or three times as readily.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SiteShift {
    /// Of the shift of all sizes together, in ln of a length, 0 to 10.
    pub common: f64,
    /// Of the shift of each size on its own, in ln of the size, 0 to 10.
    pub own: f64,
    /// Of the shift of log odds, 0 to 10.
    pub log_odds: f64,
}

/// A standard deviation of a shift.
const SHIFT: Bounds = Bounds::closed("site shift", 0.0, 10.0, "");

impl Default for SiteShift {
    fn default() -> Self {
        SiteShift { common: 0.24, own: 0.3, log_odds: 1.0 }
    }
}

impl SiteShift {
    /// # Errors
    /// [`Error::OutOfRange`](crate::Error::OutOfRange) for a standard deviation outside 0 to 10.
    pub(super) fn check(&self) -> Result<()> {
        [self.common, self.own, self.log_odds].iter().try_for_each(|sd| SHIFT.check(*sd).map(drop))
    }

    /// No shift: the flakes are from the experiment itself.
    #[cfg(test)]
    pub(crate) fn none() -> SiteShift {
        SiteShift { common: 0.0, own: 0.0, log_odds: 0.0 }
    }

    /// Covariance of the shifts of ln of two sizes.
    pub(in crate::infer) fn covariance(&self, a: &str, b: &str, same: bool) -> f64 {
        // a mass goes with the cube of the lengths of the same shape
        let power = |size: &str| if size.ends_with("_g") { 3.0 } else { 1.0 };
        let own = if same { self.own * self.own } else { 0.0 };
        power(a) * power(b) * self.common * self.common + own
    }

    pub(in crate::infer) fn logit_variance(&self) -> f64 {
        self.log_odds * self.log_odds
    }
}
