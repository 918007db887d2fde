//! Fisher's F with d₁ and d₂ degrees of freedom: the incomplete beta function at a = d₁/2, b = d₂/2,
//! x = aF/(aF + b), y = 1 − x.
//!
//! The side of the mean away from the bulk is computed (a continued fraction, or a series of positive terms where
//! the first parameter is small), the other side is its complement. The factor xᵃ yᵇ/B(a, b) is taken from
//! the deviation of F from one, so it stays accurate for large parameters.

use super::chi_squared::{LARGEST_FREEDOM, chi_squared_cdf, chi_squared_sf};
use super::stirling::{excess_over_ln_1p, stirling_rest};
use std::f64::consts::PI;

/// P(F > f) for Fisher's F with `df1`, `df2` in (0, 10¹⁰] or one of them infinite; NaN outside the domain.
pub fn fisher_f_sf(f: f64, df1: f64, df2: f64) -> f64 {
    tails(f, df1, df2).1
}

fn valid(df1: f64, df2: f64) -> bool {
    let fine = |df: f64| df > 0.0 && (df <= LARGEST_FREEDOM || df.is_infinite());
    fine(df1) && fine(df2) && (df1.is_finite() || df2.is_finite())
}

fn tails(f: f64, df1: f64, df2: f64) -> (f64, f64) {
    if f.is_nan() || !valid(df1, df2) {
        return (f64::NAN, f64::NAN);
    }
    if f <= 0.0 {
        return (0.0, 1.0);
    }
    if f.is_infinite() {
        return (1.0, 0.0);
    }
    if df2.is_infinite() {
        return (chi_squared_cdf(df1 * f, df1), chi_squared_sf(df1 * f, df1));
    }
    if df1.is_infinite() {
        return (chi_squared_sf(df2 / f, df2), chi_squared_cdf(df2 / f, df2));
    }
    let (a, b) = (0.5 * df1, 0.5 * df2);
    if f > 1.0 {
        let above = lower_beta(b, a, 1.0 / f).min(1.0);
        (1.0 - above, above)
    } else {
        let below = lower_beta(a, b, f).min(1.0);
        (below, 1.0 - below)
    }
}

/// I_x(a, b) at x = aF/(aF + b) for F ≤ 1, that is, x at or below its mean a/(a + b).
fn lower_beta(a: f64, b: f64, f: f64) -> f64 {
    let lead = scaled_power(a, b, f);
    if lead == 0.0 {
        return 0.0;
    }
    let total = a * f + b;
    let (x, y) = (a * f / total, b / total);
    if a < 30.0 && x < 0.5 {
        // Σ (a + b)ₙ/(a + 1)ₙ xⁿ: no term grows, since (a + b) x ≤ a, and few are needed while a is small.
        let mut term = 1.0;
        let mut sum = 1.0;
        let mut n = 0.0;
        while term > 1e-17 * sum {
            term *= (a + b + n) / (a + 1.0 + n) * x;
            sum += term;
            n += 1.0;
        }
        lead / a * sum
    } else {
        lead / beta_fraction(a, b, x, y)
    }
}

/// xᵃ yᵇ/B(a, b) at x = aF/(aF + b): also F times the density of F.
fn scaled_power(a: f64, b: f64, f: f64) -> f64 {
    let total = a * f + b;
    if a >= 10.0 && b >= 10.0 {
        let by_a = a * excess_over_ln_1p(b * (f - 1.0) / total);
        let by_b = b * excess_over_ln_1p(a * (1.0 - f) / total);
        let rest = stirling_rest(a + b) - stirling_rest(a) - stirling_rest(b);
        return (rest - by_a - by_b).exp() * (a * (b / (a + b)) / (2.0 * PI)).sqrt();
    }
    let (x, y) = (a * f / total, b / total);
    if a < 10.0 && b < 10.0 {
        return x.powf(a) * y.powf(b) * libm::tgamma(a + b) / (libm::tgamma(a) * libm::tgamma(b));
    }
    // One small parameter s at w, one large l at v = 1 − w: Γ(l + s)/(Γ(l) lˢ) by Stirling's formula.
    let (s, w, l, v) = if a < b { (a, x, b, y) } else { (b, y, a, x) };
    let ratio =
        -l * excess_over_ln_1p(s / l) + (s - 0.5) * (s / l).ln_1p() + stirling_rest(l + s) - stirling_rest(l);
    let ln_v = if w < 0.5 { (-w).ln_1p() } else { v.ln() };
    (l * w).powf(s) * (l * ln_v + ratio).exp() / libm::tgamma(s)
}

/// The continued fraction K with I_x(a, b) = xᵃ yᵇ/(B(a, b) K), x + y = 1 (DiDonato and Morris 1992, from
/// memory), by Lentz's method. Meant for x up to about the mean a/(a + b); the steps needed grow with √(a + b).
pub(super) fn beta_fraction(a: f64, b: f64, x: f64, y: f64) -> f64 {
    let tiny = f64::MIN_POSITIVE / f64::EPSILON;
    let guard = |v: f64| if v.abs() < tiny { tiny } else { v };
    let partial = |m: f64| {
        m + m * (b - m) * x / (a + 2.0 * m - 1.0)
            + (a + m) * (a * y - b * x + 1.0 + m * (1.0 + y)) / (a + 2.0 * m + 1.0)
    };
    let mut value = guard(a * (a * y - b * x + 1.0) / (a + 1.0));
    let mut c = value;
    let mut d = 0.0;
    let mut m = 1.0;
    loop {
        let odd = a + 2.0 * m - 1.0;
        let numerator = ((a + m - 1.0) / odd) * ((a + b + m - 1.0) / odd) * (m * (b - m)) * x * x;
        let denominator = partial(m);
        d = 1.0 / guard(denominator + numerator * d);
        c = guard(denominator + numerator / c);
        let change = c * d;
        value *= change;
        if (change - 1.0).abs() < 2.0 * f64::EPSILON || m > 1e6 {
            return value;
        }
        m += 1.0;
    }
}
