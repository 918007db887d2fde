//! A predictive given that the size is at least what remains, on the scale of log tails, so that a piece far heavier
//! than any flake of the experiment still gets an answer.

use crate::error::{Bounds, Result};
use crate::predict::{Component, Interval, LEVEL, Predictive};
use crate::special::{Student, ln_sum, newton_within, student_cdf, student_quantile_upper, student_sf};
use rand::{Rng, RngExt};

/// A predictive conditioned on the size being at least what remains.
#[derive(Debug, Clone, PartialEq)]
pub struct Truncated {
    /// The predictive before anything was known of what remains.
    pub(crate) predictive: Predictive,
    /// What the size is at least.
    pub(crate) at_least: f64,
    /// The bound on the transformed scale, and the log of the probability above it.
    bound: f64,
    /// The logarithm of the probability of a size of at least that.
    pub(crate) ln_above: f64,
}

impl Truncated {
    /// The predictive, given that the size is at least this (in the unit of the size).
    ///
    /// # Errors
    /// [`crate::Error::OutOfRange`] unless `at_least` is positive and finite (up to a million).
    pub fn new(predictive: Predictive, at_least: f64) -> Result<Truncated> {
        const AT_LEAST: Bounds = Bounds::above("what remains", 0.0, 1e6, "");
        let at_least = AT_LEAST.check(at_least)?;
        let bound = predictive.forward(at_least);
        let ln_above = ln_sf(predictive.components(), bound);
        Ok(Truncated { predictive, at_least, bound, ln_above })
    }

    /// Probability, before it was seen, that a flake of this platform would be at least so large. May be too
    /// small for a floating point number and then is 0.
    pub fn probability(&self) -> f64 {
        self.ln_above.exp().min(1.0)
    }

    /// Probabilities that the size is at most this, and that it is more.
    pub fn tails(&self, size: f64) -> (f64, f64) {
        if size <= self.at_least {
            return (0.0, 1.0);
        }
        let ln = ln_sf(self.predictive.components(), self.predictive.forward(size)) - self.ln_above;
        ((-ln.exp_m1()).clamp(0.0, 1.0), ln.exp().min(1.0))
    }

    /// Log density of the size; minus infinity below what remains.
    #[cfg(test)]
    pub(crate) fn ln_pdf(&self, size: f64) -> f64 {
        if size < self.at_least { f64::NEG_INFINITY } else { self.predictive.ln_pdf(size) - self.ln_above }
    }

    /// The size below which the flake was with probability p.
    ///
    /// # Errors
    /// [`crate::Error::OutOfRange`] unless 0 < p < 1.
    pub fn quantile(&self, p: f64) -> Result<f64> {
        Ok(self.upper((-LEVEL.check(p)?).ln_1p()))
    }

    /// The size exceeded with probability exp(ln_q), found on the scale of log tails.
    fn upper(&self, ln_q: f64) -> f64 {
        let v = quantile_beyond(&self.predictive, self.bound, self.ln_above, ln_q);
        self.predictive.transform().invert(v).max(self.at_least)
    }

    /// The central interval of this level, with the median.
    ///
    /// # Errors
    /// [`crate::Error::OutOfRange`] unless 0 < level < 1.
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
    ln_sum(terms.iter().copied())
}

/// The log of P(T > z) of a Student t (normal where the degrees of freedom are infinite), also where the
/// probability itself is too small for a floating point number. Against mpmath within 2e-11 of the log for
/// degrees of freedom up to 1e5 and for the normal. Between (finite and above 1e5) tails below 1e-280 are
/// approximate: the log is off by 5e-9 of itself at 1e5 degrees of freedom and z = 36, by 1.4e-7 at z = 200,
/// and by a hundredth of that for every tenfold of the degrees of freedom.
pub fn ln_student_sf(z: f64, df: f64) -> f64 {
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
    Student::new(df).ln_far_sf(z)
}

/// Log tails above this have a quantile of their own; those below are searched for. This crate's choice, no source.
const LEAST_LN_TAIL: f64 = -600.0;

/// The point v of the transformed scale, at or above `bound`, with ln S(v) = ln S(bound) + ln_q.
fn quantile_beyond(p: &Predictive, bound: f64, ln_above: f64, ln_q: f64) -> f64 {
    let components = p.components();
    let target = ln_above + ln_q;
    if let ([one], true) = (components, target > LEAST_LN_TAIL) {
        return one.location + one.scale * student_quantile_upper(target.exp(), one.degrees_of_freedom);
    }
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
    let excess_and_slope = |v: f64| {
        let here = ln_sf(components, v);
        (target - here, (p.ln_pdf_transformed(v) - here).exp())
    };
    let settled = |before: f64, v: f64, _| (v - before).abs() <= 2.0 * f64::EPSILON * before.abs().max(1e-3);
    newton_within((low, high), 0.5 * (low + high), excess_and_slope, settled)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_log_tail_agrees_with_fifty_digits() {
        // df (0: normal), z, ln P(T > z): mpmath, tests/reference/original.py
        let mut cases = 0;
        for line in include_str!("../../../tests/reference/original_tail.csv").lines().skip(2) {
            let v: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
            let df = if v[0] == 0.0 { f64::INFINITY } else { v[0] };
            let found = ln_student_sf(v[1], df);
            assert!((found - v[2]).abs() <= 2e-11 * v[2].abs().max(1.0), "{line}: {found}");
            cases += 1;
        }
        assert!(cases > 30);
    }
}
