//! An original size at one level, as plain numbers: what a program stores, sends and reads back.

use super::loss::BetaLoss;
use super::{LeansOn, OriginalEstimate, Remains};
use crate::error::Result;
use crate::predict::{Behind, CautionText, Interval};
use serde::{Deserialize, Serialize};

/// An interval, and what the size was at least for certain.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct AtLeast {
    /// The interval.
    #[serde(flatten)]
    pub(crate) interval: Interval,
    /// What is certain; nothing where none of it is.
    pub(crate) at_least: Option<f64>,
}

/// A share, and how likely it is that more was lost.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct MoreThan {
    /// The share, 0 to 1.
    pub(crate) share: f64,
    /// Probability that more is lost.
    pub(crate) probability: f64,
}

/// The answer of [`OriginalEstimate::at`]: what is stored, sent and read back in its JSON.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[non_exhaustive]
pub struct OriginalAt {
    /// The mass as struck.
    pub(crate) original_mass_g: AtLeast,
    /// The share of it that is not in hand.
    pub(crate) share_lost: Interval,
    /// How likely it is that more than a share is lost.
    pub(crate) lost_more_than: MoreThan,
    /// The length as struck, where the calibration tells it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) original_length_mm: Option<AtLeast>,
    /// Probability that such a flake weighs as much as remains; nothing where the answer leans on the retouch.
    pub(crate) probability_of_as_much: Option<f64>,
    /// What the answer rests on.
    pub(crate) leans_on: LeansOn,
    /// The platform's answer beside that of the retouch.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) original_mass_g_by_platform: Option<Interval>,
    /// What was assumed of the share lost, where the answer leans on the platform and something was.
    pub(crate) model_of_loss: Option<BetaLoss>,
    /// What the estimate leans on.
    pub(crate) calibration: Behind,
    /// What there is to doubt.
    pub(crate) cautions: Vec<CautionText>,
}

impl OriginalEstimate {
    /// Every number read off at one level; `remains` is what was asked with, `loss` the model of loss if any, `share`
    /// the share whose exceedance is told.
    ///
    /// # Errors
    /// [`Error::OutOfRange`](crate::Error::OutOfRange) unless 0 < `level` < 1 and 0 <= `share` <= 1.
    pub fn at(
        &self,
        remains: &Remains,
        loss: Option<BetaLoss>,
        share: f64,
        level: f64,
    ) -> Result<OriginalAt> {
        let length = self.length.as_ref().map(|l| -> Result<AtLeast> {
            Ok(AtLeast { interval: l.interval(level)?, at_least: l.at_least_mm() })
        });
        let (interval, share_lost) = self.mass.size_and_share_lost(level)?;
        Ok(OriginalAt {
            original_mass_g: AtLeast { interval, at_least: Some(remains.certain_g()) },
            share_lost,
            lost_more_than: MoreThan { share, probability: self.mass.lost_more_than(share)? },
            original_length_mm: length.transpose()?,
            probability_of_as_much: self.mass.truncated().map(|t| t.probability()),
            leans_on: self.leans_on,
            original_mass_g_by_platform: self.by_platform.as_ref().map(|o| o.interval(level)).transpose()?,
            model_of_loss: loss.filter(|_| self.leans_on == LeansOn::Platform),
            calibration: self.estimate.behind(),
            cautions: self.cautions.iter().map(CautionText::from).collect(),
        })
    }
}
