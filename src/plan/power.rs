//! The chance to see a difference: power of the two-sided t test of one coefficient.
//!
//! ```text
//! power = P(|T| > t),   T noncentral t with v degrees of freedom and noncentrality
//!         |difference| / sqrt(variance of the coefficient),   t the quantile of Student's t at 1 - alpha/2
//! ```
//!
//! Both tails count (R's `power.t.test(strict = TRUE)`); the wrong one matters only where power is low.
//! Where cores differ (spread between them b, within one w, m flakes a core, K cores, and settings that repeat
//! in every core), the estimate of a difference between percussors has variance and freedom
//!
//! ```text
//! both percussors on every core   w^2 c           v = n - p - (K - 1)
//! each core one percussor         (w^2 + m b^2) c = (w^2 + b^2)(1 + (m - 1) r) c     v = K - 2
//! ```
//!
//! with c the variance of the coefficient in units of the squared spread, r = b^2/(b^2 + w^2), and
//! 1 + (m - 1) r the design effect (L. Kish 1965, Survey Sampling, from memory). The first is exact for a
//! difference that balances in every core; the second where the other settings balance in every core.

use super::information::Information;
use super::outlook::{Aim, width};
use crate::error::{Bounds, Error, Place, Result, at_least, finite, positive};
use crate::predict::LEVEL;
use crate::special::{Student, chi_squared_cdf, normal_cdf};

/// The chance of seeing a difference where there is none.
const ALPHA: Bounds = Bounds::open("alpha", 0.0, 1.0, "");

/// Degrees of freedom beyond which the weight is narrower than its rounding, and the normal law is as good.
const NEARLY_NORMAL: f64 = 1e14;

/// Nodes beyond which the integration would take too long to be worth its digits. This crate's choice, no source.
const MOST_NODES: f64 = 1e6;

/// P(T > t) for the noncentral t: T = (Z + noncentrality) / sqrt(chi2_v / v).
///
/// With u = ln sqrt(chi2_v / v), P = E Phi(noncentrality - t e^u), the density of u proportional to
/// exp(v (u - (e^(2u) - 1)/2)). Both are analytic, and the trapezium rule over the whole line, with the same
/// nodes for the numerator and the norming constant, converges like an exponential. Agrees with
/// 40-digit integration to 1e-12 of itself, or to 1e-18; where |noncentrality| is beyond 5000 and there are few degrees of freedom, Z
/// is neglected, at an error below 1e-7. Not a number for degrees of freedom that are not positive, an input
/// that is not a number, or a noncentrality that is not finite.
pub fn noncentral_student_sf(t: f64, freedom: f64, noncentrality: f64) -> f64 {
    if !(freedom > 0.0) || t.is_nan() || !noncentrality.is_finite() {
        return f64::NAN;
    }
    if freedom.is_infinite() || t.is_infinite() {
        return normal_cdf(noncentrality - t);
    }
    if freedom > NEARLY_NORMAL {
        // to the first order in 1/v (M. Abramowitz and I. A. Stegun 1964, 26.7.10, from memory)
        let centre = noncentrality - t * (1.0 - 0.25 / freedom);
        return normal_cdf(centre / (t / (2.0 * freedom).sqrt()).hypot(1.0));
    }
    let ln_weight = |u: f64| freedom * (u - 0.5 * (2.0 * u).exp_m1());
    let narrow = (0.5 / freedom).sqrt();
    // out to where the weight is below e^-45 of its peak at 0
    let end = |side: f64| {
        let mut u = side * narrow;
        while ln_weight(u) > -45.0 {
            u *= 1.125;
        }
        u
    };
    let (low, high) = (end(-1.0), end(1.0));
    // three steps to the narrowest feature: of the weight, or of the normal tail
    let step = (narrow / 3.0).min(0.1).min(0.25 / noncentrality.abs().max(1.0));
    let nodes = (high - low) / step;
    if nodes > MOST_NODES {
        // the normal tail is a step beside the weight: Z is as good as 0
        let ratio = noncentrality / t;
        let within = if ratio > 0.0 { chi_squared_cdf(freedom * ratio * ratio, freedom) } else { 0.0 };
        return match (noncentrality > 0.0, t > 0.0) {
            (true, true) => within,
            (true, false) => 1.0,
            (false, true) => 0.0,
            (false, false) => 1.0 - within,
        };
    }
    let nodes = nodes.ceil() as usize;
    let step = (high - low) / nodes as f64;
    let (mut sum, mut norm) = (0.0, 0.0);
    for k in 0..=nodes {
        let u = low + step * k as f64;
        let w = ln_weight(u).exp();
        norm += w;
        sum += w * normal_cdf(noncentrality - t * u.exp());
    }
    sum / norm
}

/// The chance to see a difference in one coefficient by a two-sided t test.
///
/// `difference` and `spread` are on the transformed scale (for ln mass, a flake 1.3 times as heavy differs by
/// ln 1.3); `variance` is that of the coefficient in units of the squared spread, as
/// [`Information::variance_of`] gives it; `alpha` the chance to see a difference where there is none.
///
/// # Errors
/// [`Error::OutOfRange`] for a spread or variance that is not positive, freedom below 1, an alpha not strictly
/// between 0 and 1, or a difference that is not finite.
pub fn power(difference: f64, spread: f64, variance: f64, freedom: f64, alpha: f64) -> Result<f64> {
    let alpha = ALPHA.check(alpha)?;
    let (spread, variance) = (positive("spread", spread)?, positive("variance", variance)?);
    if !(freedom >= 1.0) {
        return Err(Error::out_of_range(Place::column("degrees of freedom"), freedom, "at least 1"));
    }
    finite(|| Place::column("difference"), difference)?;
    let shift = difference.abs() / (spread * variance.sqrt());
    let t = Student::new(freedom).quantile_upper(alpha / 2.0);
    Ok((noncentral_student_sf(t, freedom, shift) + noncentral_student_sf(t, freedom, -shift)).min(1.0))
}

/// Which flakes are struck by which percussor, where cores differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Allocation {
    /// Every core is struck by all percussors, in equal shares.
    WithinCores,
    /// Every core is struck by one percussor only.
    ByCore,
}

/// Cores that differ: what that does to a plan. Equal numbers of flakes a core are assumed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cores {
    /// Standard deviation within a core.
    pub within: f64,
    /// Standard deviation between cores.
    pub between: f64,
    flakes_per_core: usize,
}

impl Cores {
    /// Standard deviations within a core and between cores (transformed scale), and flakes a core.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for a spread within that is not positive, one between below 0, or no flakes.
    pub fn new(within: f64, between: f64, flakes_per_core: usize) -> Result<Cores> {
        let within = positive("spread within a core", within)?;
        if !(between >= 0.0 && between.is_finite()) {
            return Err(Error::out_of_range(
                Place::column("spread between cores"),
                between,
                "at least 0 and finite",
            ));
        }
        at_least("flakes a core", flakes_per_core, 1)?;
        Ok(Cores { within, between, flakes_per_core })
    }

    /// Cores that so many flakes take.
    pub fn number_for(&self, flakes: usize) -> usize {
        flakes.div_ceil(self.flakes_per_core)
    }

    /// By how much the variance of what differs only between cores is greater than if all flakes came from
    /// cores of their own: 1 + (m - 1) r.
    pub fn design_effect(&self) -> f64 {
        let (w, b) = (self.within * self.within, self.between * self.between);
        1.0 + (self.flakes_per_core as f64 - 1.0) * b / (b + w)
    }

    /// The chance to see a difference between percussors, as [`power`], where cores differ. `variance` is that
    /// of the percussor's coefficient in units of the squared spread, `terms` the number of coefficients.
    ///
    /// # Errors
    /// As [`power`]; degrees of freedom are below 1 where there are too few cores.
    pub fn power(
        &self,
        difference: f64,
        variance: f64,
        flakes: usize,
        terms: usize,
        allocation: Allocation,
        alpha: f64,
    ) -> Result<f64> {
        let cores = self.number_for(flakes) as f64;
        let (spread, freedom) = match allocation {
            Allocation::WithinCores => (self.within, flakes as f64 - terms as f64 - (cores - 1.0)),
            Allocation::ByCore => {
                (self.within.hypot(self.between * (self.flakes_per_core as f64).sqrt()), cores - 2.0)
            }
        };
        power(difference, spread, variance, freedom, alpha)
    }

    /// Expected width of the interval for a flake of a new core, or for the mean of all cores, at a row of
    /// terms with an intercept, where the settings repeat in every core:
    ///
    /// ```text
    /// V = w^2 (own + x'M^-1 x) + b^2 (own + 1/K)
    /// ```
    ///
    /// with Satterthwaite's degrees of freedom (F. E. Satterthwaite 1946, Biometrics Bull. 2:110) from the
    /// mean squares within cores (n - p - (K - 1)) and between them (K - 1), and the expectation of the spread
    /// shown as in [`expected_width`](super::expected_width): an approximation.
    ///
    /// # Errors
    /// As [`expected_width`](super::expected_width); [`Error::TooFew`] with fewer than two cores.
    pub fn expected_width(
        &self,
        information: &Information,
        row: &[f64],
        level: f64,
        aim: Aim,
    ) -> Result<f64> {
        let level = LEVEL.check(level)?;
        let n = information.flakes;
        let cores = self.number_for(n);
        at_least("cores", cores, 2)?;
        let within_freedom = n as f64 - information.names.len() as f64 - (cores as f64 - 1.0);
        if within_freedom < 1.0 {
            let needed = information.names.len() + cores;
            return Err(Error::TooFew { what: "flakes".into(), found: n, needed });
        }
        let (m, k) = (n as f64 / cores as f64, cores as f64);
        let (w, b) = (self.within * self.within, self.between * self.between);
        // V as a combination of the two mean squares
        let of_between = (aim.own() + 1.0 / k) / m;
        let of_within = aim.own() + information.variance_at(row)? - of_between;
        let (part_between, part_within) = (of_between * (w + m * b), of_within * w);
        let variance = part_between + part_within;
        let freedom = variance * variance
            / (part_between * part_between / (k - 1.0) + part_within * part_within / within_freedom);
        Ok(width(variance, 1.0, level, freedom))
    }
}
