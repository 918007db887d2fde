//! The original size of a retouched or broken piece: what a calibration expects of its platform,
//! conditioned on what is certain, that it was at least what remains.
//!
//! With S the upper tail of the predictive of the original size M and `now` what remains:
//!
//! ```text
//! P(M > m | M >= now) = S(m) / S(now)                      m >= now        no model of loss
//! share lost  L = 1 - now / M                              a monotone map, so quantiles map too
//! p(l | now)  ~  f(now / (1 - l)) h(l) / (1 - l)           with a model of loss of density h
//! ```
//!
//! The truncation says only that nothing was gained; it does not say how much is usually lost. That needs a
//! [`Loss`], a density of the share lost before this piece is looked at, taken to be independent of the
//! original size. None is assumed unless one is given. Everything is computed on the scale of log tails, so
//! that a piece far heavier than any flake of the experiment still gets an answer (and a [`Caution`]).

use crate::error::{Bounds, Error, Result};
use crate::flake::MASS_NOW_G;
use crate::predict::{Ask, Caution, Component, Estimate, Interval, LEVEL, Predictive, Predictor};
use crate::special::{student_cdf, student_sf};
use crate::strike::Measured;
use rand::{Rng, RngExt};
use serde::{Deserialize, Serialize};
use statrs::function::beta::ln_beta;
use std::sync::Arc;

/// What remains is called improbable where fewer flakes than this from such a platform had as much: beyond
/// the 99th percentile (common practice, no source).
pub const IMPROBABLE: f64 = 0.01;

/// Mass of a missing part that was weighed apart (a refitted distal end), in grams.
pub const MASS_MISSING_G: Bounds = Bounds::closed("mass_missing_g", 0.0, 1e6, "g");

/// A share of the original that is lost.
pub const SHARE: Bounds = Bounds::closed("share_lost", 0.0, 1.0, "");

const LENGTH_NOW_MM: Bounds = Bounds::above("length_now_mm", 0.0, 10_000.0, "mm");

/// A predictive conditioned on the size being at least what remains.
///
/// ```
/// use conchoid::form::Transform;
/// use conchoid::infer::Truncated;
/// use conchoid::predict::{Component, Predictive};
/// let t = Component { weight: 1.0, location: 3.0, scale: 0.5, degrees_of_freedom: 30.0 };
/// let mass = Predictive::new(Transform::Ln, vec![t])?;
/// let original = Truncated::new(mass, 25.0)?;
/// let i = original.interval(0.95)?;
/// assert!(i.low > 25.0 && (original.cdf(i.high) - 0.975).abs() < 1e-12);
/// // ten kilograms are more than any flake of this platform had, and still have an answer
/// let heavy = Truncated::new(original.predictive().clone(), 10_000.0)?;
/// assert!(heavy.probability() < 1e-9 && heavy.quantile(0.5)? > 10_000.0);
/// assert!(Truncated::new(original.predictive().clone(), -1.0).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Truncated {
    predictive: Predictive,
    at_least: f64,
    /// The bound on the transformed scale, and the log of the probability above it.
    bound: f64,
    ln_above: f64,
}

impl Truncated {
    /// The predictive, given that the size is at least this (in the unit of the size).
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless `at_least` is positive and finite (up to a million).
    pub fn new(predictive: Predictive, at_least: f64) -> Result<Truncated> {
        const AT_LEAST: Bounds = Bounds::above("what remains", 0.0, 1e6, "");
        let at_least = AT_LEAST.check(at_least)?;
        let bound = predictive.forward(at_least);
        let ln_above = ln_sf(predictive.components(), bound);
        Ok(Truncated { predictive, at_least, bound, ln_above })
    }

    /// The predictive before anything was known of what remains.
    pub fn predictive(&self) -> &Predictive {
        &self.predictive
    }

    /// What the size is at least.
    pub fn at_least(&self) -> f64 {
        self.at_least
    }

    /// Probability, before it was seen, that a flake of this platform would be at least so large. May be too
    /// small for a floating point number and then is 0.
    pub fn probability(&self) -> f64 {
        self.ln_above.exp().min(1.0)
    }

    /// Probability that the size is more than this.
    pub fn sf(&self, size: f64) -> f64 {
        if size.is_nan() {
            return f64::NAN;
        }
        if size <= self.at_least {
            return 1.0;
        }
        (ln_sf(self.predictive.components(), self.predictive.forward(size)) - self.ln_above).exp().min(1.0)
    }

    /// Probability that the size is at most this.
    pub fn cdf(&self, size: f64) -> f64 {
        if size.is_nan() {
            return f64::NAN;
        }
        if size <= self.at_least {
            return 0.0;
        }
        let ln = ln_sf(self.predictive.components(), self.predictive.forward(size)) - self.ln_above;
        (-ln.exp_m1()).clamp(0.0, 1.0)
    }

    /// Log density of the size; minus infinity below what remains.
    pub fn ln_pdf(&self, size: f64) -> f64 {
        if size < self.at_least { f64::NEG_INFINITY } else { self.predictive.ln_pdf(size) - self.ln_above }
    }

    /// The size below which the flake was with probability p.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < p < 1.
    pub fn quantile(&self, p: f64) -> Result<f64> {
        Ok(self.upper((-LEVEL.check(p)?).ln_1p()))
    }

    /// The size that the flake exceeded with probability q; accurate for small q.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < q < 1.
    pub fn quantile_upper(&self, q: f64) -> Result<f64> {
        Ok(self.upper(LEVEL.check(q)?.ln()))
    }

    /// The size exceeded with probability exp(ln_q), found on the scale of log tails.
    fn upper(&self, ln_q: f64) -> f64 {
        let v = quantile_beyond(&self.predictive, self.bound, self.ln_above, ln_q);
        self.predictive.transform().invert(v).max(self.at_least)
    }

    /// The central interval of this level, with the median.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < level < 1.
    pub fn interval(&self, level: f64) -> Result<Interval> {
        let level = LEVEL.check(level)?;
        let tail = 0.5 * (1.0 - level);
        Ok(Interval {
            low: self.upper((-tail).ln_1p()),
            median: self.upper(0.5f64.ln()),
            high: self.upper(tail.ln()),
            level,
        })
    }

    /// Draws one size.
    ///
    /// `rng` is any generator of the crate `rand`, version 0.10 (`rand_chacha::ChaCha8Rng::seed_from_u64(7)`).
    pub fn sample<R: Rng + ?Sized>(&self, rng: &mut R) -> f64 {
        let u: f64 = rng.random();
        self.upper((1.0 - u).ln())
    }
}

/// The log of the upper tail of a mixture at a point of the transformed scale, without underflow.
fn ln_sf(components: &[Component], v: f64) -> f64 {
    let term = |c: &Component| ln_student_sf((v - c.location) / c.scale, c.degrees_of_freedom);
    if let [one] = components {
        return term(one);
    }
    if components.iter().all(|c| c.weight == 0.0 || v < c.location) {
        let below: f64 = components
            .iter()
            .map(|c| c.weight * student_cdf((v - c.location) / c.scale, c.degrees_of_freedom))
            .sum();
        return (-below).ln_1p();
    }
    let terms: Vec<f64> =
        components.iter().filter(|c| c.weight > 0.0).map(|c| c.weight.ln() + term(c)).collect();
    let largest = terms.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if largest == f64::NEG_INFINITY {
        return largest;
    }
    largest + terms.iter().map(|t| (t - largest).exp()).sum::<f64>().ln()
}

/// The log of P(T > z) of a Student t (normal where the degrees of freedom are infinite), also where the
/// probability itself is too small for a floating point number. Against mpmath within 2e-11 of the log for
/// degrees of freedom up to 1e5 and for the normal. Between (finite and above 1e5) tails below 1e-280 are
/// approximate: the log is off by 5e-9 of itself at 1e5 degrees of freedom and z = 36, by 1.4e-7 at z = 200,
/// and by a hundredth of that for every tenfold of the degrees of freedom.
pub(crate) fn ln_student_sf(z: f64, df: f64) -> f64 {
    if z < 0.0 {
        return (-student_cdf(z, df)).ln_1p();
    }
    let sf = student_sf(z, df);
    if sf > 1e-280 {
        return sf.ln();
    }
    if z == f64::INFINITY {
        return f64::NEG_INFINITY;
    }
    if df > 1e5 {
        // a normal deviate of the same tail: Wallace, 1959, "Bounds on normal approximations to Student's
        // and the chi-square distributions", Annals of Mathematical Statistics 30 (from memory)
        let w = if df.is_infinite() {
            z
        } else {
            (8.0 * df + 1.0) / (8.0 * df + 3.0) * (df * (z / df.sqrt()).powi(2).ln_1p()).sqrt()
        };
        // the asymptotic series of Mills' ratio; w is above 35 here
        let r = 1.0 / (w * w);
        return -0.5 * w * w - (w * std::f64::consts::TAU.sqrt()).ln()
            + (-r * (1.0 - 3.0 * r * (1.0 - 5.0 * r * (1.0 - 7.0 * r)))).ln_1p();
    }
    // half the regularised incomplete beta function I_h(a, 1/2) with its hypergeometric series, whose terms
    // are all positive and fall at least as fast as h^n
    let a = 0.5 * df;
    let ratio = (z / df.sqrt()).powi(2);
    let ln_h = if ratio.is_finite() { -ratio.ln_1p() } else { 2.0 * (df.sqrt().ln() - z.ln()) };
    let h = ln_h.exp();
    let (mut term, mut sum, mut n) = (1.0, 1.0, 0.0);
    while term > 1e-17 * sum && n < 1e6 {
        term *= h * (a + 0.5 + n) / (a + 1.0 + n);
        sum += term;
        n += 1.0;
    }
    -std::f64::consts::LN_2 + a * ln_h + 0.5 * (-h).ln_1p() - a.ln() - ln_beta(a, 0.5) + f64::ln(sum)
}

/// The point v of the transformed scale, at or above `bound`, with ln S(v) = ln S(bound) + ln_q.
fn quantile_beyond(p: &Predictive, bound: f64, ln_above: f64, ln_q: f64) -> f64 {
    let components = p.components();
    let target = ln_above + ln_q;
    let widest = components.iter().map(|c| c.scale).fold(0.0, f64::max);
    let (mut low, mut high) = (bound, f64::INFINITY);
    if bound == f64::NEG_INFINITY {
        low = components.iter().map(|c| c.location - c.scale).fold(f64::INFINITY, f64::min);
        while ln_sf(components, low) < target {
            low -= 2.0 * widest + low.abs();
        }
    }
    let mut step = widest;
    let mut v = low;
    while high == f64::INFINITY {
        let next = v + step;
        if !next.is_finite() {
            return v;
        }
        if ln_sf(components, next) > target {
            v = next;
            low = v;
        } else {
            high = next;
        }
        step *= 2.0;
    }
    v = 0.5 * (low + high);
    for _ in 0..200 {
        let here = ln_sf(components, v);
        let excess = here - target;
        if excess == 0.0 {
            break;
        }
        if excess > 0.0 {
            low = v;
        } else {
            high = v;
        }
        let hazard = (p.ln_pdf_transformed(v) - here).exp();
        let newton = v + excess / hazard;
        let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
        let settled = (next - v).abs() <= 2.0 * f64::EPSILON * v.abs().max(1e-3);
        v = next;
        if settled || high - low <= 2.0 * f64::EPSILON * v.abs() {
            break;
        }
    }
    v
}

/// A model of loss: how large a share of a flake is usually lost, before this piece is looked at.
///
/// Implemented by [`BetaLoss`] and by every function from the share lost to its density.
pub trait Loss: Send + Sync {
    /// Log density of the share lost, up to a constant. Both the share lost and the share left are given
    /// (they sum to 1), so that neither end loses digits. Minus infinity where it cannot be.
    fn ln_density(&self, lost: f64, left: f64) -> f64;
}

impl<F: Fn(f64) -> f64 + Send + Sync> Loss for F {
    fn ln_density(&self, lost: f64, _left: f64) -> f64 {
        self(lost).ln()
    }
}

/// A beta distribution of the share lost: density proportional to l^(a-1) (1-l)^(b-1).
///
/// Its mean is a / (a + b). `BetaLoss::new(1.0, 1.0)` takes every share for equally likely.
///
/// ```
/// use conchoid::infer::BetaLoss;
/// let light_retouch = BetaLoss::new(2.0, 8.0)?;
/// assert_eq!(light_retouch.mean(), 0.2);
/// assert!(BetaLoss::new(0.0, 1.0).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "UncheckedBeta")]
pub struct BetaLoss {
    a: f64,
    b: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct UncheckedBeta {
    a: f64,
    b: f64,
}

impl TryFrom<UncheckedBeta> for BetaLoss {
    type Error = Error;
    fn try_from(u: UncheckedBeta) -> Result<BetaLoss> {
        BetaLoss::new(u.a, u.b)
    }
}

impl BetaLoss {
    /// With exponents a (of what is lost) and b (of what is left), each from 0.05 to 1000.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] outside that.
    pub fn new(a: f64, b: f64) -> Result<BetaLoss> {
        const A: Bounds = Bounds::closed("model of loss, a", 0.05, 1000.0, "");
        const B: Bounds = Bounds::closed("model of loss, b", 0.05, 1000.0, "");
        Ok(BetaLoss { a: A.check(a)?, b: B.check(b)? })
    }
    /// Exponent of what is lost.
    pub fn a(&self) -> f64 {
        self.a
    }
    /// Exponent of what is left.
    pub fn b(&self) -> f64 {
        self.b
    }
    /// The share lost on average.
    pub fn mean(&self) -> f64 {
        self.a / (self.a + self.b)
    }
}

impl Loss for BetaLoss {
    fn ln_density(&self, lost: f64, left: f64) -> f64 {
        // an exponent of exactly 0 must not meet ln 0
        let power = |e: f64, x: f64| if e == 0.0 { 0.0 } else { e * x.ln() };
        power(self.a - 1.0, lost) + power(self.b - 1.0, left)
    }
}

/// What remains of a piece: what is in hand, and what is missing but known.
///
/// ```
/// use conchoid::infer::Remains;
/// let blade = Remains::new(14.2)?.with_missing_g(3.1)?;
/// assert_eq!(blade.certain_g(), 14.2 + 3.1);
/// assert!(Remains::new(0.0).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "UncheckedRemains")]
pub struct Remains {
    mass_now_g: f64,
    mass_missing_g: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    length_now_mm: Option<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct UncheckedRemains {
    mass_now_g: f64,
    #[serde(default)]
    mass_missing_g: f64,
    #[serde(default)]
    length_now_mm: Option<f64>,
}

impl TryFrom<UncheckedRemains> for Remains {
    type Error = Error;
    fn try_from(u: UncheckedRemains) -> Result<Remains> {
        Remains::new(u.mass_now_g)?.with_missing_g(u.mass_missing_g)?.with_length_mm(u.length_now_mm)
    }
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
    pub fn with_length_mm(mut self, length_now_mm: impl Into<Option<f64>>) -> Result<Remains> {
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
    pub fn length_now_mm(&self) -> Option<f64> {
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
    truncated: Truncated,
    /// What is in hand; the share lost counts from it.
    now: f64,
    posterior: Option<Posterior>,
}

impl Original {
    /// Without a model of loss: the truncated predictive and nothing more. `now` is what is in hand,
    /// `certain` that and what is missing but known.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for sizes that are not positive; [`Error::Invalid`] where `now` is more than
    /// `certain`.
    pub fn new(predictive: Predictive, now: f64, certain: f64) -> Result<Original> {
        let truncated = Truncated::new(predictive, certain)?;
        if !(now > 0.0 && now <= certain) {
            return Err(Error::invalid(
                "what remains",
                format!("{now} in hand of {certain} that is certain"),
            ));
        }
        Ok(Original { truncated, now, posterior: None })
    }

    /// Combined by Bayes' rule with a model of loss, by which `certain` is what was left of the original.
    ///
    /// # Errors
    /// Those of [`Original::new`]; [`Error::Invalid`] where the model gives what is seen no chance at all.
    pub fn with_loss(
        predictive: Predictive,
        now: f64,
        certain: f64,
        loss: Arc<dyn Loss>,
    ) -> Result<Original> {
        let mut original = Original::new(predictive, now, certain)?;
        original.posterior = Some(Posterior::new(&original.truncated, loss)?);
        Ok(original)
    }

    /// The predictive conditioned on what remains, before any model of loss.
    pub fn truncated(&self) -> &Truncated {
        &self.truncated
    }

    /// Probability that the original was at most this.
    pub fn cdf(&self, size: f64) -> f64 {
        match &self.posterior {
            None => self.truncated.cdf(size),
            Some(_) if size.is_nan() => f64::NAN,
            Some(p) => p.tails(&self.truncated, size).0,
        }
    }

    /// Probability that the original was more than this.
    pub fn sf(&self, size: f64) -> f64 {
        match &self.posterior {
            None => self.truncated.sf(size),
            Some(_) if size.is_nan() => f64::NAN,
            Some(p) => p.tails(&self.truncated, size).1,
        }
    }

    /// The original size below which the flake was with probability p.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < p < 1.
    pub fn quantile(&self, p: f64) -> Result<f64> {
        match &self.posterior {
            None => self.truncated.quantile(p),
            Some(post) => Ok(post.quantile(&self.truncated, LEVEL.check(p)?)),
        }
    }

    /// The central interval of the original size, with its median.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < level < 1.
    pub fn interval(&self, level: f64) -> Result<Interval> {
        if self.posterior.is_none() {
            return self.truncated.interval(level);
        }
        Interval::central(level, |p| self.quantile(p))
    }

    /// The central interval of the share lost, 0 to 1, with its median. A share counts as lost that is not
    /// in hand, whether or not its mass is known.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < level < 1.
    pub fn share_lost(&self, level: f64) -> Result<Interval> {
        let i = self.interval(level)?;
        let share = |size: f64| (1.0 - self.now / size).clamp(0.0, 1.0);
        Ok(Interval { low: share(i.low), median: share(i.median), high: share(i.high), level: i.level })
    }

    /// Probability that more than this share (0 to 1) of the original is lost.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for a share outside 0 to 1.
    pub fn lost_more_than(&self, share: f64) -> Result<f64> {
        let share = SHARE.check(share)?;
        Ok(if share == 1.0 { 0.0 } else { self.sf(self.now / (1.0 - share)) })
    }

    /// Draws one original size.
    ///
    /// `rng` is any generator of the crate `rand`, version 0.10 (`rand_chacha::ChaCha8Rng::seed_from_u64(7)`).
    pub fn sample<R: Rng + ?Sized>(&self, rng: &mut R) -> f64 {
        match &self.posterior {
            None => self.truncated.sample(rng),
            Some(p) => p.quantile(&self.truncated, rng.random::<f64>().clamp(1e-16, 1.0 - 1e-16)),
        }
    }
}

/// The posterior of the share lost under a model of loss, over t with logit(l) = pi sinh(t): the ends of a
/// density that runs off there are spread out (double exponential substitution, Takahasi & Mori 1974, from
/// memory). Panels are halved until 7 Gauss and 15 Kronrod points agree.
#[derive(Clone)]
struct Posterior {
    loss: Arc<dyn Loss>,
    /// Log of the largest density met, taken out before exponentiating.
    ln_scale: f64,
    panels: Vec<Panel>,
    total: f64,
}

#[derive(Debug, Clone, Copy)]
struct Panel {
    from: f64,
    to: f64,
    /// Integral over the panel, over those to its left, over those to its right.
    mass: f64,
    below: f64,
    above: f64,
}

impl std::fmt::Debug for Posterior {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Posterior").field("panels", &self.panels.len()).finish_non_exhaustive()
    }
}

/// Where t ends: beyond, either share is below 1e-300.
const T_END: f64 = 6.07;
/// Panels to begin with, and at most. Own choices.
const FIRST_PANELS: usize = 48;
const MOST_PANELS: usize = 4000;

impl Posterior {
    fn new(truncated: &Truncated, loss: Arc<dyn Loss>) -> Result<Posterior> {
        let mut p = Posterior { loss, ln_scale: 0.0, panels: Vec::new(), total: 0.0 };
        let edge = |i: usize| T_END * (2.0 * i as f64 / FIRST_PANELS as f64 - 1.0);
        let mut largest = f64::NEG_INFINITY;
        for i in 0..FIRST_PANELS {
            for x in KRONROD_NODES.iter().flat_map(|x| [-x, *x]) {
                let (a, b) = (edge(i), edge(i + 1));
                let ln = p.ln_density(truncated, 0.5 * (a + b) + 0.5 * (b - a) * x);
                if ln.is_nan() || ln == f64::INFINITY {
                    return Err(Error::invalid("model of loss", "a density must be a number of 0 or more"));
                }
                largest = largest.max(ln);
            }
        }
        if largest == f64::NEG_INFINITY {
            return Err(Error::invalid("model of loss", "it gives what remains of this piece no chance"));
        }
        p.ln_scale = largest;
        let mut open: Vec<(f64, f64)> = (0..FIRST_PANELS).rev().map(|i| (edge(i), edge(i + 1))).collect();
        let rough: f64 = open.iter().map(|(a, b)| p.integrate(truncated, *a, *b).0).sum();
        while let Some((a, b)) = open.pop() {
            let (mass, error) = p.integrate(truncated, a, b);
            if error > 1e-13 * rough && b - a > 1e-9 && p.panels.len() + open.len() < MOST_PANELS {
                let middle = 0.5 * (a + b);
                open.push((middle, b));
                open.push((a, middle));
            } else {
                p.panels.push(Panel { from: a, to: b, mass, below: p.total, above: 0.0 });
                p.total += mass;
            }
        }
        let mut above = 0.0;
        for panel in p.panels.iter_mut().rev() {
            panel.above = above;
            above += panel.mass;
        }
        if !(p.total > 0.0 && p.total.is_finite()) {
            return Err(Error::invalid("model of loss", "it gives what remains of this piece no chance"));
        }
        Ok(p)
    }

    /// Log density of t.
    fn ln_density(&self, truncated: &Truncated, t: f64) -> f64 {
        let y = std::f64::consts::PI * t.sinh();
        let (lost, left) = (1.0 / (1.0 + (-y).exp()), 1.0 / (1.0 + y.exp()));
        let h = self.loss.ln_density(lost, left);
        if h == f64::NEG_INFINITY {
            return h;
        }
        h + truncated.predictive.ln_pdf(truncated.at_least / left)
            + lost.ln()
            + (std::f64::consts::PI * t.cosh()).ln()
    }

    /// The integral from a to b, and how far the coarser rule is off.
    fn integrate(&self, truncated: &Truncated, a: f64, b: f64) -> (f64, f64) {
        let (centre, half) = (0.5 * (a + b), 0.5 * (b - a));
        let at = |x: f64| (self.ln_density(truncated, centre + half * x) - self.ln_scale).exp();
        let (mut fine, mut coarse) = (0.0, 0.0);
        for (i, (x, w)) in KRONROD_NODES.iter().zip(&KRONROD_WEIGHTS).enumerate() {
            let sum = if *x == 0.0 { at(0.0) } else { at(-x) + at(*x) };
            fine += w * sum;
            if i % 2 == 1 {
                coarse += GAUSS_WEIGHTS[i / 2] * sum;
            }
        }
        (half * fine, half * (fine - coarse).abs())
    }

    /// Probabilities at most and above a size.
    fn tails(&self, truncated: &Truncated, size: f64) -> (f64, f64) {
        if size <= truncated.at_least {
            return (0.0, 1.0);
        }
        let y = ((size - truncated.at_least) / truncated.at_least).ln();
        let t = (y / std::f64::consts::PI).asinh().clamp(-T_END, T_END);
        let i = self.panels.partition_point(|p| p.to < t).min(self.panels.len() - 1);
        let panel = &self.panels[i];
        let below = panel.below + self.integrate(truncated, panel.from, t).0;
        let above = panel.above + self.integrate(truncated, t, panel.to).0;
        ((below / self.total).clamp(0.0, 1.0), (above / self.total).clamp(0.0, 1.0))
    }

    fn quantile(&self, truncated: &Truncated, p: f64) -> f64 {
        let target = p * self.total;
        let i = self.panels.partition_point(|q| q.below + q.mass < target).min(self.panels.len() - 1);
        let panel = &self.panels[i];
        let (mut low, mut high) = (panel.from, panel.to);
        let mut t = 0.5 * (low + high);
        for _ in 0..100 {
            let excess = panel.below + self.integrate(truncated, panel.from, t).0 - target;
            if excess > 0.0 {
                high = t;
            } else {
                low = t;
            }
            let slope = (self.ln_density(truncated, t) - self.ln_scale).exp();
            let newton = t - excess / slope;
            let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
            let settled = (next - t).abs() <= 1e-15 * t.abs().max(0.1);
            t = next;
            if settled || high - low < 1e-15 {
                break;
            }
        }
        let odds = (std::f64::consts::PI * t.sinh()).exp();
        truncated.at_least * (1.0 + odds)
    }
}

/// Nodes of the 15-point Kronrod rule on [-1, 1], the non-negative ones; every second belongs to the
/// 7-point Gauss rule. Piessens, de Doncker-Kapenga, Ueberhuber & Kahaner 1983, QUADPACK, routine QK15
/// (from memory; the tests integrate powers with them).
const KRONROD_NODES: [f64; 8] = [
    0.991_455_371_120_812_6,
    0.949_107_912_342_758_5,
    0.864_864_423_359_769_1,
    0.741_531_185_599_394_4,
    0.586_087_235_467_691_1,
    0.405_845_151_377_397_2,
    0.207_784_955_007_898_47,
    0.0,
];
/// Weights of the Kronrod rule, same source.
const KRONROD_WEIGHTS: [f64; 8] = [
    0.022_935_322_010_529_224,
    0.063_092_092_629_978_56,
    0.104_790_010_322_250_18,
    0.140_653_259_715_525_92,
    0.169_004_726_639_267_9,
    0.190_350_578_064_785_4,
    0.204_432_940_075_298_9,
    0.209_482_141_084_727_82,
];
/// Weights of the Gauss rule, same source.
const GAUSS_WEIGHTS: [f64; 4] =
    [0.129_484_966_168_869_7, 0.279_705_391_489_276_64, 0.381_830_050_505_118_9, 0.417_959_183_673_469_4];

/// What a piece was: its original mass and, where the calibration tells, its original length.
#[derive(Debug, Clone)]
pub struct OriginalEstimate {
    /// Original mass, in grams, with the share lost.
    pub mass: Original,
    /// Original length, in millimetres. Conditioned on the length now where that is recorded; otherwise as
    /// the platform alone predicts.
    pub length: Option<LengthThen>,
    /// The estimate from the platform alone, with the calibration behind it.
    pub estimate: Estimate,
    /// What there is to doubt, that of the estimate included.
    pub cautions: Vec<Caution>,
}

/// An original length.
#[derive(Debug, Clone)]
pub enum LengthThen {
    /// At least the length now.
    AtLeast(Truncated),
    /// Nothing is known of the length now.
    Unbounded(Predictive),
}

impl LengthThen {
    /// The central interval of this level.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < level < 1.
    pub fn interval(&self, level: f64) -> Result<Interval> {
        match self {
            LengthThen::AtLeast(t) => t.interval(level),
            LengthThen::Unbounded(p) => p.interval(level),
        }
    }

    /// What it was at least, in millimetres.
    pub fn at_least_mm(&self) -> Option<f64> {
        match self {
            LengthThen::AtLeast(t) => Some(t.at_least()),
            LengthThen::Unbounded(_) => None,
        }
    }
}

/// The original size of one piece under a calibration.
///
/// Complete, proximal and split pieces carry a platform and are answered for; of a split piece the answer is
/// for the whole flake. Without a model of `loss` the answer is the truncated predictive.
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::infer::{Remains, original};
/// use conchoid::predict::{Ask, Predictor};
/// use conchoid::strike::{Platform, Strike};
/// let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
/// let platform = Platform::builder().depth_mm(9.0).exterior_platform_angle_deg(72.0).build()?;
/// let strike = Strike::builder().platform(platform).build()?;
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
    let estimate = predictor.estimate(piece, ask)?;
    let Some(mass) = estimate.size("mass_g").cloned() else {
        let name = &estimate.calibration;
        return Err(Error::invalid("calibration", format!("{name} says nothing of mass_g")));
    };
    let (now, certain) = (remains.mass_now_g(), remains.certain_g());
    let mass = match loss {
        None => Original::new(mass, now, certain)?,
        Some(loss) => Original::with_loss(mass, now, certain, loss)?,
    };
    let length = match (estimate.size("length_mm").cloned(), remains.length_now_mm()) {
        (Some(p), Some(now)) => Some(LengthThen::AtLeast(Truncated::new(p, now)?)),
        (Some(p), None) => Some(LengthThen::Unbounded(p)),
        (None, _) => None,
    };
    // how the flake ended is no part of this answer
    let ends = |c: &&Caution| !matches!(c, Caution::TerminationsNotTold { .. });
    let mut cautions: Vec<Caution> = estimate.cautions.iter().filter(ends).cloned().collect();
    cautions.extend(doubt("mass_g", mass.truncated()));
    if let Some(LengthThen::AtLeast(t)) = &length {
        cautions.extend(doubt("length_mm", t));
    }
    Ok(OriginalEstimate { mass, length, estimate, cautions })
}

/// A caution where what remains is improbable.
pub(crate) fn doubt(size: &str, t: &Truncated) -> Option<Caution> {
    let probability = t.probability();
    (probability < IMPROBABLE).then(|| Caution::RemainsImprobable {
        size: size.to_string(),
        now: t.at_least(),
        probability,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rules_integrate_powers_exactly() {
        for degree in (0..=22).step_by(2) {
            let exact = 2.0 / (f64::from(degree) + 1.0);
            let (mut fine, mut coarse) = (0.0, 0.0);
            for (i, (x, w)) in KRONROD_NODES.iter().zip(&KRONROD_WEIGHTS).enumerate() {
                let sum = if *x == 0.0 { x.powi(degree) } else { 2.0 * x.powi(degree) };
                fine += w * sum;
                if i % 2 == 1 {
                    coarse += GAUSS_WEIGHTS[i / 2] * sum;
                }
            }
            assert!((fine - exact).abs() < 1e-15, "degree {degree}: {fine} against {exact}");
            if degree <= 12 {
                assert!((coarse - exact).abs() < 1e-15, "degree {degree}: {coarse} against {exact}");
            }
        }
    }

    #[test]
    fn the_log_tail_agrees_with_fifty_digits() {
        // df (0: normal), z, ln P(T > z): mpmath, tests/reference/original.py
        let mut cases = 0;
        for line in include_str!("../../tests/reference/original_tail.csv").lines().skip(2) {
            let v: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
            let df = if v[0] == 0.0 { f64::INFINITY } else { v[0] };
            let found = ln_student_sf(v[1], df);
            assert!((found - v[2]).abs() <= 2e-11 * v[2].abs().max(1.0), "{line}: {found}");
            cases += 1;
        }
        assert!(cases > 30);
    }
}
