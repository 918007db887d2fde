//! The standard normal: tails from the complementary error function, quantiles polished on them.

use std::f64::consts::{FRAC_1_SQRT_2, FRAC_2_SQRT_PI, PI, SQRT_2};

/// ln √(2π).
const LN_SQRT_2_PI: f64 = 0.918_938_533_204_672_8;

/// 1/√2 less its nearest double.
const FRAC_1_SQRT_2_REST: f64 = -4.833_646_656_726_457e-17;

/// Distribution function of the standard normal, P(Z ≤ x). NaN for NaN.
pub fn normal_cdf(x: f64) -> f64 {
    normal_sf(-x)
}

/// Upper tail of the standard normal, P(Z > x), with its relative accuracy kept in the tail. NaN for NaN.
pub fn normal_sf(x: f64) -> f64 {
    let z = x * FRAC_1_SQRT_2;
    let tail = libm::erfc(z);
    if !(x > 1.0 && tail > 0.0) {
        return 0.5 * tail;
    }
    // The rounding of x/√2 matters in the tail (erfc falls by 2z of itself per unit): put it back.
    let rest = product_rest(x, FRAC_1_SQRT_2, z) + x * FRAC_1_SQRT_2_REST;
    0.5 * (tail - FRAC_2_SQRT_PI * (-z * z).exp() * rest)
}

/// P(0 < Z < x) for x > 0 and its mirror image with a minus sign for x < 0.
pub(super) fn normal_centre(x: f64) -> f64 {
    0.5 * libm::erf(x * FRAC_1_SQRT_2)
}

/// Logarithm of the density of the standard normal. NaN for NaN.
pub fn normal_ln_pdf(x: f64) -> f64 {
    -0.5 * x * x - LN_SQRT_2_PI
}

/// Quantile of the standard normal: the x with P(Z ≤ x) = `p`. Infinite at 0 and 1; NaN outside.
///
/// Near 1 the double `p` itself cannot tell tails apart; give the tail to [`normal_quantile_upper`] there.
pub fn normal_quantile(p: f64) -> f64 {
    -normal_quantile_upper(p)
}

/// The x with P(Z > x) = `q`, to full double accuracy. Infinite at 0 and 1; NaN outside.
pub fn normal_quantile_upper(q: f64) -> f64 {
    if !(0.0..=1.0).contains(&q) {
        return f64::NAN;
    }
    if q == 0.5 {
        return 0.0;
    }
    if q > 0.5 {
        return -normal_quantile_upper(1.0 - q);
    }
    if q == 0.0 {
        return f64::INFINITY;
    }
    let mut x = SQRT_2 * statrs::function::erf::erfc_inv(2.0 * q);
    // Two steps of Halley's method; the first already reaches rounding wherever the guess has eight digits.
    for _ in 0..2 {
        let pdf = normal_ln_pdf(x).exp();
        let miss = if q > 0.25 { (0.5 - q) - normal_centre(x) } else { normal_sf(x) - q };
        let step = miss / pdf;
        if !step.is_finite() {
            break;
        }
        x += step / (1.0 - 0.5 * x * step);
    }
    x
}

/// What rounding took from `a * b`, given `rounded` = fl(a b) (Dekker 1971, Numerische Mathematik 18:224).
fn product_rest(a: f64, b: f64, rounded: f64) -> f64 {
    let split = |v: f64| {
        let c = 134_217_729.0 * v;
        let high = c - (c - v);
        (high, v - high)
    };
    let ((a_high, a_low), (b_high, b_low)) = (split(a), split(b));
    ((a_high * b_high - rounded) + a_high * b_low + a_low * b_high) + a_low * b_low
}

/// CRPS part shared with the scores: E|Z·`sd` + `mean`|.
pub(super) fn mean_absolute(mean: f64, sd: f64) -> f64 {
    if sd == 0.0 {
        return mean.abs();
    }
    let z = mean / sd;
    let pdf = (-0.5 * z * z).exp() / (2.0 * PI).sqrt();
    2.0 * (sd * pdf + mean * normal_centre(z))
}
