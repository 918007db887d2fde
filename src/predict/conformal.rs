//! The conformal correction of any calibration's intervals, by flakes that it was not fitted to.
//!
//! For each of n flakes held out, with central interval (l, u) of the level on the transformed scale and
//! transformed size y, the score is max(l - y, y - u); the correction q is their ceil((n + 1) level)-th
//! smallest, and the corrected interval of a new flake is (l - q, u + q), mapped back to a size. The numbers
//! come from [`crate::fit::conformal`], where the guarantee and its sources stand: coverage of at least the
//! level for flakes exchangeable with those held out, within each class where the correction is by class.

use super::caution::Caution;
use super::distribution::{LEVEL, Predictive};
use crate::error::{Error, Place, Result};
use crate::fit::conformal::{ByClass, corrected, needed, outside, split};
use crate::form::Transform;

/// A correction learnt from flakes held out.
///
/// ```
/// use conchoid::form::Transform;
/// use conchoid::predict::conformal::Correction;
/// use conchoid::predict::{Component, Predictive};
/// let c = Component { weight: 1.0, location: 2.0, scale: 0.4, degrees_of_freedom: 30.0 };
/// let said = Predictive::new(Transform::Ln, vec![c]).unwrap();
/// // 40 flakes that scatter twice as much as was said
/// let held_out: Vec<(Predictive, f64)> =
///     (1..=40).map(|i| (said.clone(), (2.0 + 0.8 * (f64::from(i) - 20.5) / 10.0).exp())).collect();
/// let correction = Correction::new(&held_out, 0.95).unwrap();
/// let wide = correction.interval(&said, None).unwrap();
/// let plain = said.interval(0.95).unwrap();
/// assert!(wide.low < plain.low && wide.high > plain.high && wide.is_finite());
///
/// let few = Correction::new(&held_out[..18], 0.95).unwrap().interval(&said, None).unwrap();
/// assert!(!few.is_finite());
/// assert_eq!(few.cautions[0].kind(), "too-few-for-level");
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Correction {
    level: f64,
    transform: Transform,
    learnt: Learnt,
}

#[derive(Debug, Clone, PartialEq)]
enum Learnt {
    Together { flakes: usize, amount: Option<f64> },
    ByClass { class: String, amounts: ByClass },
}

/// A corrected interval, in the unit of the size.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct CorrectedInterval {
    /// Lower end; the smallest size there can be where no finite interval is to be had.
    pub low: f64,
    /// Median of the calibration.
    pub median: f64,
    /// Upper end; infinite where no finite interval is to be had.
    pub high: f64,
    /// The level.
    pub level: f64,
    /// What there is to doubt.
    pub cautions: Vec<Caution>,
}

impl CorrectedInterval {
    /// Whether the flakes held out suffice for an upper end.
    pub fn is_finite(&self) -> bool {
        self.high.is_finite()
    }
}

/// The scores of flakes held out, and the transform that they share.
fn scores<'a>(
    held_out: impl Iterator<Item = (&'a Predictive, f64)>,
    level: f64,
) -> Result<(Option<Transform>, Vec<f64>)> {
    let mut transform: Option<Transform> = None;
    let mut scores = Vec::new();
    for (i, (predictive, observed)) in held_out.enumerate() {
        if *transform.get_or_insert(predictive.transform()) != predictive.transform() {
            return Err(Error::Incomparable {
                reason: "the flakes held out were predicted under different transforms".into(),
            });
        }
        let y = predictive.transform().apply(observed);
        if !y.is_finite() {
            return Err(Error::OutOfRange {
                at: Place::cell(i as u64 + 1, "size"),
                value: observed,
                accepted: "above 0 and finite".into(),
            });
        }
        let (low, high) = predictive.interval_transformed(level)?;
        scores.push(outside(low, high, y));
    }
    Ok((transform, scores))
}

impl Correction {
    /// From flakes that the calibration was not fitted to: what was predicted of each, and its size.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for a level outside (0, 1) or a size that the transform cannot take;
    /// [`Error::Incomparable`] for predictives of different transforms; [`Error::TooFew`] without a flake.
    pub fn new(held_out: &[(Predictive, f64)], level: f64) -> Result<Correction> {
        let level = LEVEL.check(level)?;
        let (transform, scores) = scores(held_out.iter().map(|(p, y)| (p, *y)), level)?;
        Ok(Correction {
            level,
            transform: transform.ok_or_else(none_held_out)?,
            learnt: Learnt::Together { flakes: scores.len(), amount: split(&scores, level)? },
        })
    }

    /// The same within each level of a class, such as `blow_lands_on`: what was predicted of each flake, its
    /// size, and its level.
    ///
    /// # Errors
    /// As [`Correction::new`].
    pub fn by_class(class: &str, held_out: &[(Predictive, f64, String)], level: f64) -> Result<Correction> {
        let level = LEVEL.check(level)?;
        let (transform, scores) = scores(held_out.iter().map(|(p, y, _)| (p, *y)), level)?;
        let labels: Vec<&str> = held_out.iter().map(|(_, _, l)| l.as_str()).collect();
        Ok(Correction {
            level,
            transform: transform.ok_or_else(none_held_out)?,
            learnt: Learnt::ByClass {
                class: class.to_string(),
                amounts: ByClass::new(&labels, &scores, level)?,
            },
        })
    }

    /// The corrected interval of a new flake; `label` is its level of the class, where the correction is by
    /// class. A class that no flake held out has, or none given, has no finite interval.
    ///
    /// # Errors
    /// [`Error::Incomparable`] for a predictive of another transform than the flakes held out.
    pub fn interval(&self, predictive: &Predictive, label: Option<&str>) -> Result<CorrectedInterval> {
        if predictive.transform() != self.transform {
            return Err(Error::Incomparable {
                reason: "the correction was learnt under another transform".into(),
            });
        }
        let (flakes, amount, class) = match &self.learnt {
            Learnt::Together { flakes, amount } => (*flakes, *amount, None),
            Learnt::ByClass { class, amounts } => {
                let level = label.unwrap_or("not recorded");
                let (flakes, amount) = amounts.amount(level);
                (flakes, amount, Some(format!("{class} = {level}")))
            }
        };
        let median = predictive.median();
        let Some(amount) = amount else {
            let low = match self.transform {
                Transform::Identity => f64::NEG_INFINITY,
                _ => 0.0,
            };
            let caution =
                Caution::TooFewForLevel { class, flakes, needed: needed(self.level)?, level: self.level };
            return Ok(CorrectedInterval {
                low,
                median,
                high: f64::INFINITY,
                level: self.level,
                cautions: vec![caution],
            });
        };
        let (low, high) = predictive.interval_transformed(self.level)?;
        let (low, high) = corrected(low, high, amount);
        Ok(CorrectedInterval {
            low: self.transform.invert(low),
            median,
            high: self.transform.invert(high),
            level: self.level,
            cautions: Vec::new(),
        })
    }
}

fn none_held_out() -> Error {
    Error::TooFew { what: "flakes held out".into(), found: 0, needed: 1 }
}
