//! The original size of a retouched or broken piece, and the share of it that is lost.
//!
//! Where the retouch was measured, a calibration of loss tells the ratio of original over now; what remains times that
//! ratio is the answer, never below what remains. Where it was not, the platform tells what size to expect, conditioned
//! on what is certain, that it was at least what remains. With S the upper tail of the predictive of the original size
//! M by the platform, and `now` what remains:
//!
//! ```text
//! M = now r,    ln(r - 1) = x'b + s(z) e                   the marks of retouch x
//! P(M > m | M >= now) = S(m) / S(now)                      m >= now        the platform, no model of loss
//! share lost  L = 1 - now / M                              a monotone map, so quantiles map too
//! p(l | now)  ~  f(now / (1 - l)) h(l) / (1 - l)           the platform, with a model of loss of density h
//! ```
//!
//! The truncation says only that nothing was gained; it does not say how much is usually lost. That needs a
//! [`Loss`], a density of the share lost before this piece is looked at, taken to be independent of the
//! original size; [`BetaLoss::usual`] where nothing else is asked of a [`LookBack`].
//!
//! | file | what |
//! |---|---|
//! | `mod.rs` | what remains, the distribution of the original size, and one piece by its platform |
//! | `look_back.rs` | one piece by whatever was recorded of it |
//! | `truncated.rs` | a predictive given that the size is at least what remains |
//! | `loss.rs` | models of loss |
//! | `posterior.rs` | platform and model of loss together |

mod answer;
mod look_back;
mod loss;
mod posterior;
mod truncated;

pub use answer::OriginalAt;
pub use look_back::LookBack;
pub use loss::{BetaLoss, Loss};
pub(crate) use posterior::ReadyLoss;
pub(crate) use truncated::{Truncated, ln_student_sf};

use crate::calibration::caution::Doubt;
use crate::error::{Bounds, Error, Result};
use crate::flake::{LENGTH_NOW_MM, MASS_NOW_G, ORIGINAL_OVER_NOW};
use crate::predict::{Ask, Caution, Estimate, Interval, Joint, LEVEL, Predictive, Predictor};
use crate::strike::Measured;
use posterior::Posterior;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// What remains is called improbable where fewer flakes than this from such a platform had as much: beyond
/// the 99th percentile (common practice, no source).
pub const IMPROBABLE: f64 = 0.01;

/// Mass of a missing part that was weighed apart (a refitted distal end), in grams.
pub const MASS_MISSING_G: Bounds = Bounds::closed("mass_missing_g", 0.0, 1e6, "g");

/// A share of the original that is lost.
pub const SHARE: Bounds = Bounds::closed("share_lost", 0.0, 1.0, "");

/// What remains of a piece: what is in hand, and what is missing but known.
///
/// ```
/// use conchoid::infer::Remains;
/// let blade = Remains::new(14.2)?.with_missing_g(3.1)?;
/// assert_eq!(blade.certain_g(), 14.2 + 3.1);
/// assert!(Remains::new(0.0).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Remains {
    mass_now_g: f64,
    mass_missing_g: f64,
    length_now_mm: Option<f64>,
}

impl Remains {
    /// A piece that weighs this now, in grams. What it lost is unknown.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless above 0 and at most a million.
    pub fn new(mass_now_g: f64) -> Result<Remains> {
        Ok(Remains { mass_now_g: MASS_NOW_G.check(mass_now_g)?, mass_missing_g: 0.0, length_now_mm: None })
    }

    /// With a missing part whose mass is known, in grams, such as a distal end that refits: the original was
    /// at least both together.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] below 0 or above a million.
    pub fn with_missing_g(mut self, mass_missing_g: f64) -> Result<Remains> {
        self.mass_missing_g = MASS_MISSING_G.check(mass_missing_g)?;
        MASS_NOW_G.check(self.certain_g())?;
        Ok(self)
    }

    /// With the length now, in millimetres.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless above 0 and at most ten thousand.
    pub(crate) fn with_length_mm(mut self, length_now_mm: impl Into<Option<f64>>) -> Result<Remains> {
        self.length_now_mm = length_now_mm.into().map(|v| LENGTH_NOW_MM.check(v)).transpose()?;
        Ok(self)
    }

    /// Reads `mass_now_g`, and `mass_missing_g` and `length_now_mm` where recorded.
    ///
    /// # Errors
    /// [`Error::Missing`] without a mass now; [`Error::OutOfRange`] as above.
    pub fn of(measured: &impl Measured) -> Result<Remains> {
        let now = measured.number("mass_now_g").ok_or_else(|| {
            Error::missing("mass_now_g", "the mass that remains bounds the original from below")
        })?;
        Remains::new(now)?
            .with_missing_g(measured.number("mass_missing_g").unwrap_or(0.0))?
            .with_length_mm(measured.number("length_now_mm"))
    }

    /// Mass in hand, in grams.
    pub fn mass_now_g(&self) -> f64 {
        self.mass_now_g
    }
    /// Mass that is missing but known, in grams.
    pub fn mass_missing_g(&self) -> f64 {
        self.mass_missing_g
    }
    /// Length now, in millimetres.
    pub(crate) fn length_now_mm(&self) -> Option<f64> {
        self.length_now_mm
    }
    /// What the original mass certainly was at least, in grams: in hand and known together.
    pub fn certain_g(&self) -> f64 {
        self.mass_now_g + self.mass_missing_g
    }
}

/// The distribution of an original size and of the share of it that is lost.
#[derive(Debug, Clone)]
pub struct Original {
    law: Law,
    /// What is in hand; the share lost counts from it.
    now: f64,
}

/// Where the distribution comes from.
#[derive(Debug, Clone)]
enum Law {
    /// The platform's predictive, at least what remains.
    AtLeast(Truncated),
    /// The same under a model of loss.
    WithLoss(Posterior),
    /// What is certain times the ratio of original over now that the marks of retouch tell.
    ByMarks { ratio: Predictive, certain: f64 },
    /// Nothing was lost: what is certain.
    Whole { certain: f64 },
}

impl Original {
    /// By the platform: the predictive truncated at what is certain, combined by Bayes' rule with a model of loss where
    /// there is one, by which `certain` is what was left of the original. `now` is what is in hand, `certain` that and
    /// what is missing but known.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for sizes that are not positive; [`Error::Invalid`] where `now` is more than
    /// `certain`, or where the model gives what is seen no chance at all.
    pub(crate) fn new(
        predictive: Predictive,
        now: f64,
        certain: f64,
        loss: Option<Arc<ReadyLoss>>,
    ) -> Result<Original> {
        let truncated = Truncated::new(predictive, certain)?;
        check_remains(now, certain)?;
        let law = match loss {
            None => Law::AtLeast(truncated),
            Some(loss) => Law::WithLoss(Posterior::new(truncated, loss)?),
        };
        Ok(Original { law, now })
    }

    /// By the marks of retouch: the predictive of the ratio of original over now, times what is certain.
    ///
    /// # Errors
    /// Those of [`Original::new`]; [`Error::Invalid`] for a ratio that could be below 1.
    pub(crate) fn by_marks(ratio: Predictive, now: f64, certain: f64) -> Result<Original> {
        check_remains(now, certain)?;
        if ratio.transform().above() < 1.0 {
            return Err(Error::invalid(
                ORIGINAL_OVER_NOW,
                "a calibration of loss needs a transform of ratios above 1 (accepted: ln-excess)",
            ));
        }
        Ok(Original { law: Law::ByMarks { ratio, certain }, now })
    }

    /// Nothing was lost, but for what is missing and known.
    ///
    /// # Errors
    /// Those of [`Original::new`].
    pub(crate) fn whole(now: f64, certain: f64) -> Result<Original> {
        check_remains(now, certain)?;
        Ok(Original { law: Law::Whole { certain }, now })
    }

    /// The platform's predictive conditioned on what remains, before any model of loss; none where the answer comes
    /// from the retouch.
    pub(crate) fn truncated(&self) -> Option<&Truncated> {
        match &self.law {
            Law::AtLeast(t) | Law::WithLoss(Posterior { truncated: t, .. }) => Some(t),
            Law::ByMarks { .. } | Law::Whole { .. } => None,
        }
    }

    /// Probability that the original was at most this.
    pub fn cdf(&self, size: f64) -> f64 {
        self.tails(size).0
    }

    /// Probability that the original was more than this.
    pub(crate) fn sf(&self, size: f64) -> f64 {
        self.tails(size).1
    }

    fn tails(&self, size: f64) -> (f64, f64) {
        match &self.law {
            _ if size.is_nan() => (f64::NAN, f64::NAN),
            Law::AtLeast(t) => t.tails(size),
            Law::WithLoss(p) => p.tails(size),
            Law::ByMarks { ratio, certain } => (ratio.cdf(size / certain), ratio.sf(size / certain)),
            Law::Whole { certain } if size < *certain => (0.0, 1.0),
            Law::Whole { .. } => (1.0, 0.0),
        }
    }

    /// The original size below which the flake was with probability p.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < p < 1.
    pub fn quantile(&self, p: f64) -> Result<f64> {
        let p = LEVEL.check(p)?;
        match &self.law {
            Law::AtLeast(t) => t.quantile(p),
            Law::WithLoss(post) => Ok(post.quantile(p)),
            Law::ByMarks { ratio, certain } => Ok(certain * ratio.quantile(p)?),
            Law::Whole { certain } => Ok(*certain),
        }
    }

    /// The interval of the original size, with its median: central, but under a model of loss the shortest of its
    /// level (in grams), which begins at what remains where that is likely.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < level < 1; [`Error::Refused`] where an end of it is beyond the numbers.
    pub fn interval(&self, level: f64) -> Result<Interval> {
        let level = LEVEL.check(level)?;
        let found = match &self.law {
            Law::AtLeast(t) => t.interval(level)?,
            Law::WithLoss(post) => {
                let (low, high) = post.shortest(level);
                Interval { low, median: post.quantile(0.5), high, level }.in_order()
            }
            Law::ByMarks { ratio, certain } => {
                let i = ratio.interval(level)?;
                let scaled = |v: f64| certain * v;
                Interval { low: scaled(i.low), median: scaled(i.median), high: scaled(i.high), level }
            }
            Law::Whole { certain } => Interval { low: *certain, median: *certain, high: *certain, level },
        };
        found.finite()
    }

    /// The interval of the share lost, 0 to 1, with its median: that of the size, told as shares. A share counts as
    /// lost that is not in hand, whether or not its mass is known.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < level < 1.
    pub fn share_lost(&self, level: f64) -> Result<Interval> {
        Ok(self.size_and_share_lost(level)?.1)
    }

    /// The interval of the original size, and that of the share lost.
    pub(crate) fn size_and_share_lost(&self, level: f64) -> Result<(Interval, Interval)> {
        let i = self.interval(level)?;
        let share = |size: f64| (1.0 - self.now / size).clamp(0.0, 1.0);
        let lost =
            Interval { low: share(i.low), median: share(i.median), high: share(i.high), level: i.level };
        Ok((i, lost))
    }

    /// Probability that more than this share (0 to 1) of the original is lost.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for a share outside 0 to 1.
    pub fn lost_more_than(&self, share: f64) -> Result<f64> {
        let share = SHARE.check(share)?;
        Ok(if share == 1.0 { 0.0 } else { self.sf(self.now / (1.0 - share)) })
    }

    /// What is in hand, and what was certain, in grams.
    fn remained(&self) -> (f64, f64) {
        let certain = match &self.law {
            Law::AtLeast(t) | Law::WithLoss(Posterior { truncated: t, .. }) => t.at_least,
            Law::ByMarks { certain, .. } | Law::Whole { certain } => *certain,
        };
        (self.now, certain)
    }
}

/// Refuses what is in hand where it is not above 0, or more than what is certain.
fn check_remains(now: f64, certain: f64) -> Result<()> {
    if now > 0.0 && now <= certain && certain.is_finite() {
        return Ok(());
    }
    Err(Error::invalid("what remains", format!("{now} in hand of {certain} that is certain")))
}

/// What a piece was: its original mass and, where the calibration tells, its original length.
#[derive(Debug, Clone)]
pub struct OriginalEstimate {
    /// Original mass, in grams, with the share lost.
    pub mass: Original,
    /// Original length, in millimetres. Conditioned on the length now where that is recorded; otherwise as
    /// the platform alone predicts.
    pub length: Option<LengthThen>,
    /// The estimate behind the answer, with its calibration: of the ratio of original over now where the answer leans
    /// on the retouch, of the sizes where on the platform.
    pub estimate: Estimate,
    /// What the answer leans on.
    pub leans_on: LeansOn,
    /// What the platform tells beside it, where the answer leans on the retouch and a platform was recorded: not
    /// combined with it, for on the published flakes that gains nothing.
    pub(crate) by_platform: Option<Original>,
    /// What there is to doubt, that of the estimate included.
    pub cautions: Vec<Caution>,
}

/// What an original size leans on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum LeansOn {
    /// The measured retouch, by a calibration of loss.
    Retouch,
    /// A retouch that was measured and is none, or a piece said to be complete and unretouched: nothing is lost.
    Unretouched,
    /// The platform, by a calibration of sizes.
    Platform,
}

/// An original length: at least the length now, where that is known; that length, of a piece that lost nothing.
#[derive(Debug, Clone)]
pub struct LengthThen {
    pub(crate) predictive: Predictive,
    pub(crate) truncated: Option<Truncated>,
    /// What it is, of a piece that lost nothing.
    as_now: Option<f64>,
}

impl LengthThen {
    /// The central interval of this level.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < level < 1.
    pub fn interval(&self, level: f64) -> Result<Interval> {
        if let Some(mm) = self.as_now {
            return Ok(Interval { low: mm, median: mm, high: mm, level: LEVEL.check(level)? });
        }
        self.truncated.as_ref().map_or_else(|| self.predictive.interval(level), |t| t.interval(level))
    }

    /// What it was at least, in millimetres.
    pub(crate) fn at_least_mm(&self) -> Option<f64> {
        self.truncated.as_ref().map(|t| t.at_least)
    }
}

/// The original size of one piece by its platform, under a calibration of sizes. See [`LookBack`] for pieces whose
/// retouch was measured.
///
/// Complete, proximal and split pieces carry a platform and are answered for; of a split piece the answer is
/// for the whole flake. Without a model of `loss` the answer is the truncated predictive.
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::infer::{Remains, original};
/// use conchoid::predict::{Ask, Predictor};
/// use conchoid::strike::Strike;
/// let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
/// let strike = Strike::builder().platform_depth_mm(9.0).exterior_platform_angle_deg(72.0).build()?;
/// let found = original(&predictor, &strike, &Remains::new(14.2)?, &Ask::default(), None)?;
/// let mass = found.mass.interval(0.95)?;
/// assert!(mass.low > 14.2);
/// let share = found.mass.share_lost(0.95)?;
/// assert!(share.low > 0.0 && share.high < 1.0);
/// # Ok::<(), conchoid::Error>(())
/// ```
///
/// # Errors
/// Those of [`Predictor::estimate`] (medial and distal pieces, crushed platforms are refused);
/// [`Error::Invalid`] where the calibration has no mass, or a model of loss gives the piece no chance.
pub fn original(
    predictor: &Predictor,
    piece: &impl Measured,
    remains: &Remains,
    ask: &Ask,
    loss: Option<Arc<dyn Loss>>,
) -> Result<OriginalEstimate> {
    by_platform(predictor, piece, remains, (ask, loss.map(ReadyLoss::new)), &[])
}

/// [`original`], given the first of the sizes that neither retouch nor a break has changed, where it was recorded.
fn by_platform(
    predictor: &Predictor,
    piece: &impl Measured,
    remains: &Remains,
    (ask, loss): (&Ask, Option<Arc<ReadyLoss>>),
    unbroken: &[String],
) -> Result<OriginalEstimate> {
    let estimate = predictor.estimate(piece, ask)?;
    let recorded = unbroken.iter().find_map(|name| {
        let size = estimate.sizes.iter().find(|s| s.size == *name)?;
        Some((name, piece.number(&size.column).or_else(|| piece.number(name))?))
    });
    let given = match recorded {
        Some((name, value)) => Some(Joint::new(&estimate)?.given(name, value)?),
        None => None,
    };
    let size = |name: &str| match given.as_ref().and_then(|g| g.size(name)) {
        Some(known) => known.predictive().map(Some),
        None => Ok(estimate.size(name).cloned()),
    };
    let Some(mass) = size("mass_g")? else {
        let name = &estimate.calibration;
        return Err(Error::invalid("calibration", format!("{name} says nothing of mass_g")));
    };
    let (now, certain) = (remains.mass_now_g(), remains.certain_g());
    let mass = Original::new(mass, now, certain, loss)?;
    let length = match size("length_mm")? {
        Some(p) => {
            let truncated = remains.length_now_mm().map(|now| Truncated::new(p.clone(), now)).transpose()?;
            Some(LengthThen { predictive: p, truncated, as_now: None })
        }
        None => None,
    };
    let mut cautions = estimate.doubts_of_sizes();
    cautions.extend(mass.truncated().and_then(|t| doubt("mass_g", t)));
    if let Some(t) = length.as_ref().and_then(|l| l.truncated.as_ref()) {
        cautions.extend(doubt("length_mm", t));
    }
    Ok(OriginalEstimate { mass, length, estimate, leans_on: LeansOn::Platform, by_platform: None, cautions })
}

/// A caution where what remains is improbable.
pub(crate) fn doubt(size: &str, t: &Truncated) -> Option<Caution> {
    let probability = t.probability();
    (probability < IMPROBABLE)
        .then(|| Doubt::RemainsImprobable { size: size.to_string(), now: t.at_least, probability }.into())
}
