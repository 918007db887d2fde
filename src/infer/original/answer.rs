//! An original size at one level, as plain numbers: what a program stores, sends and reads back.

use super::loss::BetaLoss;
use super::{LeansOn, OriginalEstimate, Remains};
use crate::error::{Error, Result};
use crate::page::{Page, Told, percent, probability, short};
use crate::predict::{Behind, CautionText, Interval};
use serde::{Deserialize, Serialize};
use std::fmt;

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
    /// [`Error::OutOfRange`] unless 0 < `level` < 1 and 0 <= `share` <= 1; [`Error::Incomparable`] for other remains than
    /// were asked with.
    pub fn at(
        &self,
        remains: &Remains,
        loss: Option<BetaLoss>,
        share: f64,
        level: f64,
    ) -> Result<OriginalAt> {
        if self.mass.remained() != (remains.mass_now_g(), remains.certain_g()) {
            let reason = "the answer is of a piece of which something else remains".to_string();
            return Err(Error::Incomparable { reason });
        }
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

impl OriginalAt {
    /// A page of it all but the cautions; `remains` is what was asked with (`{:79}` breaks its paragraphs at 79
    /// characters).
    ///
    /// ```
    /// use conchoid::flake::Flake;
    /// use conchoid::infer::{LookBack, Remains};
    /// let scraper = Flake::builder().mass_now_g(31.0).retouch_index(0.46).build()?;
    /// let remains = Remains::of(&scraper)?;
    /// let found = LookBack::new()?.original(&scraper, &Default::default())?;
    /// let page = found.at(&remains, None, 0.5, 0.95)?.in_words(&remains).to_string();
    /// assert!(page.contains("original mass") && page.contains("It leans on the retouch."));
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    pub fn in_words<'a>(&'a self, remains: &'a Remains) -> impl fmt::Display + 'a {
        Told(move |page: &mut Page| self.tell(page, remains))
    }

    fn tell(&self, page: &mut Page, remains: &Remains) {
        let mass = self.original_mass_g.interval;
        let level = percent(mass.level);
        page.line(format!("What the piece was when it came off; {level} % of such flakes fall inside:\n"));
        page.figure("original mass", (15, 7), " g    ", ends(mass));
        if let Some(length) = &self.original_length_mm {
            let by = if length.at_least.is_some() { "" } else { ", by the platform alone" };
            let [low, median, high] = ends(length.interval).map(short);
            page.line(format!("  original length {median:>7} mm   ({low} to {high}){by}"));
        }
        let [low, median, high] = ends(self.share_lost).map(|v| format!("{:.0}", 100.0 * v));
        page.line(format!("  share lost      {median:>7} %    ({low} to {high})"));
        let (share, more) =
            (percent(self.lost_more_than.share), probability(self.lost_more_than.probability));
        page.part(format!("More than {share} % is lost with probability {more}."));
        page.say(self.basis());
        if remains.mass_missing_g() > 0.0 {
            let certain = short(remains.certain_g());
            page.say(format!("It was at least {certain} g, with the missing part whose mass is known."));
        }
        if self.leans_on != LeansOn::Unretouched {
            page.say(format!("From {}.", self.calibration));
        }
    }

    /// What the answer rests on, and what was assumed.
    fn basis(&self) -> String {
        match (self.leans_on, &self.original_mass_g_by_platform, &self.model_of_loss) {
            (LeansOn::Retouch, None, _) => "It leans on the retouch.".to_string(),
            (LeansOn::Retouch, Some(beside), _) => {
                let [low, median, high] = ends(*beside).map(short);
                format!(
                    "It leans on the retouch. Its platform alone, not combined with it, would say {median} g ({low} to \
                     {high})."
                )
            }
            (LeansOn::Unretouched, ..) => {
                "It is complete and without retouch, so nothing is lost but what is missing and known.".to_string()
            }
            (LeansOn::Platform, _, None) => {
                "No model of loss is assumed: the piece weighed at least what remains, and nothing is said of \
                 how much is usually lost."
                    .to_string()
            }
            (LeansOn::Platform, _, Some(loss)) => {
                let assumed = loss.in_words("the share lost");
                format!(
                    "It leans on the platform. Assumed before looking at the piece: {assumed}. The interval is the \
                     shortest."
                )
            }
        }
    }
}

/// Lower end, median, upper end.
fn ends(i: Interval) -> [f64; 3] {
    [i.low, i.median, i.high]
}
