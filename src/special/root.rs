//! Newton's method for a quantile: inside a bracket, and on logarithms, the logarithm of a tail probability as a function of
//! ln x.
//!
//! Every distribution solved this way here has a log-concave density in ln x, so ln tail is concave in ln x:
//! Newton overshoots at most once and then closes in from one side. A bracket guards the first steps.

/// Newton's method kept inside a shrinking bracket, from a point in it: slow, and sure. `excess_and_slope` says by how much a
/// rising function lies above what is sought, and its slope; `settled`, of where a step began and ended and how wide the bracket is, whether it was the last.
pub(crate) fn newton_within(
    (mut low, mut high): (f64, f64),
    start: f64,
    excess_and_slope: impl Fn(f64) -> (f64, f64),
    settled: impl Fn(f64, f64, f64) -> bool,
) -> f64 {
    let mut x = start;
    for _ in 0..200 {
        let (excess, slope) = excess_and_slope(x);
        if excess == 0.0 {
            break;
        }
        if excess > 0.0 {
            high = x;
        } else {
            low = x;
        }
        let (before, newton) = (x, x - excess / slope);
        x = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
        if settled(before, x, high - low) || high - low <= 2.0 * f64::EPSILON * x.abs() {
            break;
        }
    }
    x
}

/// Where what holds at the low end of a bracket ceases to hold, by halving: eighty halvings end below rounding.
pub(crate) fn halved((mut low, mut high): (f64, f64), holds: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if holds(middle) { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// The x > 0 where `ln_ratio(x)` is zero.
///
/// `ln_ratio_and_slope` gives ln(tail(x) / target) and its derivative by ln x, of a tail that falls
/// as x grows. A root beyond the doubles gives the end of their range; a NaN on the way gives NaN.
pub(super) fn newton_in_ln(start: f64, ln_ratio_and_slope: impl Fn(f64) -> (f64, f64)) -> f64 {
    let mut low = f64::MIN_POSITIVE.ln();
    let mut high = f64::MAX.ln();
    let mut x = if start.is_finite() && start >= f64::MIN_POSITIVE { start } else { 1.0 };
    for _ in 0..100 {
        let (ratio, slope) = ln_ratio_and_slope(x);
        if ratio.is_nan() {
            return f64::NAN;
        }
        if ratio == 0.0 {
            return x;
        }
        let here = x.ln();
        if ratio > 0.0 {
            low = here;
        } else {
            high = here;
        }
        let step = -ratio / slope;
        if step.is_finite() && here + step > low && here + step < high {
            x += x * step.exp_m1();
            if step.abs() < 1e-10 {
                return x;
            }
        } else if step.is_finite() && step.abs() < 1e-14 {
            // The bracket has closed to rounding.
            return x;
        } else {
            x = (0.5 * (low + high)).exp();
            if high - low < 1e-15 * high.abs().max(1.0) {
                return x;
            }
        }
    }
    x
}
