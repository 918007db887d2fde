//! Distribution functions that the intervals rest on, and the score that judges them.
//!
//! Student's t and the normal: distribution function, upper tail and quantiles from either tail, and the tails of
//! chi-squared, to a relative accuracy of 1e-12 or better from the centre down to tails of 1e-10 and beyond,
//! for degrees of freedom from 1 to 10⁷, whole or fractional, and infinite. `statrs` takes its beta function
//! from differences of log-gammas and a limited number of continued-fraction steps: measured against 25 digits,
//! its Student tail is wrong by up to 2e-7 of itself and its quantile fails outright in some tails, so it
//! serves here for the first guess of the normal quantile only; `libm` gives the error function. Many tails at once
//! (`tails`) are as exact down to tails of 1e-6 only.
//!
//! These are low-level functions: outside its stated domain each returns NaN, and none panics. The public
//! callers check what users give before it comes here.

mod chi_squared;
mod crps;
pub(crate) mod kronrod;
mod normal;
mod root;
mod series;
mod student;
mod tail_quantile;
mod tails;

pub use chi_squared::{chi_squared_cdf, chi_squared_sf};
pub(crate) use crps::crps_by_quadrature;
#[cfg(test)]
pub(crate) use crps::crps_normal;
pub use crps::{MixturePart, crps_mixture, crps_student};
#[cfg(test)]
pub use normal::normal_ln_pdf;
pub use normal::{normal_cdf, normal_quantile, normal_quantile_upper, normal_sf};
pub(crate) use root::{halved, newton_within};
pub(crate) use series::Series;
pub use student::{
    Student, student_cdf, student_ln_pdf, student_quantile, student_quantile_upper, student_sf,
};
pub(crate) use tail_quantile::TailQuantile;
pub(crate) use tails::{LEAST_TAIL, Tails};

/// ln of the sum of exponentials of terms, without overflow.
pub(crate) fn ln_sum(terms: impl Iterator<Item = f64> + Clone) -> f64 {
    let top = terms.clone().fold(f64::NEG_INFINITY, f64::max);
    if !top.is_finite() {
        return top;
    }
    top + terms.map(|t| (t - top).exp()).sum::<f64>().ln()
}

/// The quantile of sorted values between order statistics, (n - 1) p from the first (R's type 7).
pub(crate) fn sorted_quantile(sorted: &[f64], p: f64) -> f64 {
    let last = sorted.len() - 1;
    let h = last as f64 * p;
    let i = (h.floor() as usize).min(last);
    let (low, high, part) = (sorted[i], sorted[(i + 1).min(last)], h - i as f64);
    // beyond the largest double nothing of what is between is nothing
    if part == 0.0 || low == high { low } else { low + part * (high - low) }
}

/// Puts items in random order (Fisher and Yates).
pub(crate) fn shuffle<T, R: rand::Rng + ?Sized>(items: &mut [T], rng: &mut R) {
    for i in (1..items.len()).rev() {
        items.swap(i, rand::RngExt::random_range(rng, 0..=i));
    }
}

/// The continued fraction b₀ + a₁/(b₁ + a₂/(b₂ + …)) by Lentz's method, from b₀ and (aₙ, bₙ) by n.
fn lentz(first: f64, step: impl Fn(f64) -> (f64, f64)) -> f64 {
    let tiny = f64::MIN_POSITIVE / f64::EPSILON;
    let guard = |v: f64| if v.abs() < tiny { tiny } else { v };
    let mut value = guard(first);
    let (mut c, mut d, mut n) = (value, 0.0, 1.0);
    loop {
        let (numerator, denominator) = step(n);
        d = 1.0 / guard(denominator + numerator * d);
        c = guard(denominator + numerator / c);
        let change: f64 = c * d;
        value *= change;
        if (change - 1.0).abs() < 2.0 * f64::EPSILON || n > 1e6 {
            return value;
        }
        n += 1.0;
    }
}

#[cfg(test)]
mod tests;
