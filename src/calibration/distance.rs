//! How far the flakes of sites lie from those of an experiment at the same platforms, and an experiment moved there.
//!
//! ```text
//! experiment     g(size) = x'b + s(z) e
//! at a site      g(size) = x'b + shift + u(site) + s(z) exp(ln_spread) e,      u ~ N(0, sd^2), the same for all its flakes
//! ```
//!
//! An experiment whose sizes go with the platform otherwise than those of sites do is moved along the platform too: its
//! coefficients become theirs, and the shift is the mean of that over its own flakes.

use super::shared::SharedEffect;
use super::{Calibration, SizeModel, Spread, wrong};
use crate::error::Result;
use serde::{Deserialize, Serialize};

/// How far the flakes of sites lie from those of an experiment at the same platforms: measured by
/// [`excavated-flakes`](crate::guide::calibrations::excavated_flakes), which speaks of what came off at a new site, on the
/// flakes of the experiment (`examples/bundle.rs`). What no site records, such as the angle of blow, is averaged over the
/// experiment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Distance {
    /// What a site's flakes are expected to have above those of the experiment, transformed scale.
    pub shift: f64,
    /// What is added to each coefficient in place of the shift, where sizes at sites go otherwise with the platform; empty
    /// where they do not.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub coefficients: Vec<f64>,
    /// Standard deviation of that from site to site, transformed scale.
    pub sd: f64,
    /// By how much more flakes scatter within a site: what is added to ln spread, 0 or more.
    pub ln_spread: f64,
    /// Sites that were measured, 3 or more.
    pub sites: u64,
    /// Whether the model has been moved already.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub applied: bool,
}

impl Distance {
    /// What there is to refuse.
    pub(super) fn check(&self, here: &str, coefficients: usize) -> Result<()> {
        let numbers = [self.shift, self.sd, self.ln_spread];
        let numbers = numbers.iter().chain(&self.coefficients).all(|v| v.is_finite());
        if ![0, coefficients].contains(&self.coefficients.len()) {
            return Err(wrong(
                format!("{here}, distance"),
                "as many coefficients as the form has are needed",
            ));
        }
        if numbers && self.sd >= 0.0 && self.ln_spread >= 0.0 && self.sites >= 3 {
            return Ok(());
        }
        Err(wrong(
            format!("{here}, distance"),
            "finite numbers, none below 0 but the shift, and 3 sites or more are needed",
        ))
    }

    /// Moves a model.
    fn apply(mut self, m: &mut SizeModel) {
        if self.applied || !m.form.intercept() {
            return;
        }
        match &self.coefficients[..] {
            [] => m.coefficients[0] += self.shift,
            by => m.coefficients.iter_mut().zip(by).for_each(|(b, by)| *b += by),
        }
        match &mut m.spread {
            Spread::Constant { value, .. } => *value *= self.ln_spread.exp(),
            Spread::Modelled { coefficients, .. } => coefficients[0] += self.ln_spread,
        }
        m.largest_leverage *= (-2.0 * self.ln_spread).exp();
        let variance = self.sd * self.sd;
        let order = 2 + m.shared.len();
        m.variance_covariance.resize(order, Vec::new());
        m.variance_covariance.iter_mut().for_each(|row| row.resize(order, 0.0));
        m.variance_covariance[order - 1][order - 1] = 2.0 * variance * variance / (self.sites - 1) as f64;
        m.shared.push(SharedEffect {
            by: "site".into(),
            groups: self.sites,
            terms: Vec::new(),
            covariance: vec![vec![variance]],
            degrees_of_freedom: None,
            ln_spread_sd: 0.0,
            levels: Vec::new(),
        });
        self.applied = true;
        m.distance = Some(self);
    }
}

impl Calibration {
    /// The calibration for flakes that are not of its experiment: moved by its distance from sites, which flakes of one
    /// site share, so that intervals hold what sites differ by. One without a distance stays as it is.
    ///
    /// ```
    /// use conchoid::calibration::bundled;
    /// use conchoid::predict::Predictor;
    /// use conchoid::strike::Strike;
    /// let strike = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build()?;
    /// let flint = bundled::named("hard-hammer-flint")?;
    /// let (own, elsewhere) = (Predictor::new(flint.clone())?, Predictor::new(flint.at_sites()?)?);
    /// let width = |p: &Predictor| -> conchoid::Result<f64> {
    ///     let i = p.estimate(&strike, &Default::default())?.size("mass_g").unwrap().interval(0.95)?;
    ///     Ok((i.high / i.low).ln())
    /// };
    /// assert!(width(&elsewhere)? > 1.1 * width(&own)?);
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    ///
    /// # Errors
    /// None for a calibration that was read or built by this crate.
    pub fn at_sites(&self) -> Result<Calibration> {
        let mut parts = self.clone().into_parts();
        for m in parts.variants.iter_mut().flat_map(|v| &mut v.sizes) {
            if let Some(distance) = m.distance.clone() {
                distance.apply(m);
            }
        }
        Calibration::new(parts)
    }

    /// The distance from sites of the size that tells most, mass where there is one.
    pub(crate) fn distance(&self) -> Option<(&str, &Distance)> {
        let sizes = || self.variants().iter().flat_map(|v| &v.sizes).filter(|m| m.distance.is_some());
        let mass = sizes().find(|m| m.size == "mass_g").or_else(|| sizes().next())?;
        Some((mass.size.as_str(), mass.distance.as_ref()?))
    }
}
