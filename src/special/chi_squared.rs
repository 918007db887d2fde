//! Chi-squared with k degrees of freedom: the incomplete gamma functions P(a, z) and Q(a, z), a = k/2, z = x/2.
//!
//! P by its series of positive terms for z ≤ a + 1, Q by Legendre's continued fraction beyond, the other as the
//! complement (never below a few hundredths there). The factor zᵃ e⁻ᶻ/Γ(a + 1) comes from the deviation of z
//! from a, so it stays accurate for large a. Work grows at most with √k.

use std::f64::consts::PI;

/// The largest number of degrees of freedom taken here, so that the work is bounded. This crate's choice, no source.
const LARGEST_FREEDOM: f64 = 1e10;

/// P(X ≤ x) for chi-squared with `df` in (0, 10¹⁰] degrees of freedom; zero below x = 0; NaN outside the domain.
pub fn chi_squared_cdf(x: f64, df: f64) -> f64 {
    tails(x, df).0
}

/// P(X > x) for chi-squared with `df` in (0, 10¹⁰] degrees of freedom; one below x = 0; NaN outside the domain.
pub fn chi_squared_sf(x: f64, df: f64) -> f64 {
    tails(x, df).1
}

fn tails(x: f64, df: f64) -> (f64, f64) {
    if x.is_nan() || !(df > 0.0 && df <= LARGEST_FREEDOM) {
        (f64::NAN, f64::NAN)
    } else if x <= 0.0 {
        (0.0, 1.0)
    } else if x.is_infinite() {
        (1.0, 0.0)
    } else {
        let (a, z) = (0.5 * df, 0.5 * x);
        let lead = scaled_power(a, z);
        if z <= a + 1.0 {
            let below = (lead * series(a, z)).min(1.0);
            (below, 1.0 - below)
        } else {
            let above = (lead * a / fraction(a, z)).min(1.0);
            (1.0 - above, above)
        }
    }
}

/// Σ zⁿ/((a + 1)…(a + n)).
fn series(a: f64, z: f64) -> f64 {
    let mut term = 1.0;
    let mut sum = 1.0;
    let mut n = 1.0;
    while term > 1e-17 * sum {
        term *= z / (a + n);
        sum += term;
        n += 1.0;
    }
    sum
}

/// The denominator of Q = zᵃ e⁻ᶻ/Γ(a) / (z + 1 − a + 1(a − 1)/(z + 3 − a + …)), by Lentz's method.
fn fraction(a: f64, z: f64) -> f64 {
    let first = z + 1.0 - a;
    super::lentz(first, |n| (n * (a - n), first + 2.0 * n))
}

/// zᵃ e⁻ᶻ/Γ(a + 1).
fn scaled_power(a: f64, z: f64) -> f64 {
    if a < 10.0 {
        let value = z.powf(a) * (-z).exp() / libm::tgamma(a + 1.0);
        return if value.is_finite() { value } else { 0.0 };
    }
    (-a * excess_over_ln_1p((z - a) / a) - stirling_rest(a)).exp() / (2.0 * PI * a).sqrt()
}

/// ln Γ(a) − [(a − ½) ln a − a + ½ ln 2π] for a ≥ 10: Stirling's series, Abramowitz and Stegun 1964, 6.1.40.
fn stirling_rest(a: f64) -> f64 {
    const TERMS: [f64; 7] =
        [1.0 / 12.0, -1.0 / 360.0, 1.0 / 1260.0, -1.0 / 1680.0, 1.0 / 1188.0, -691.0 / 360360.0, 1.0 / 156.0];
    let inverse = 1.0 / a;
    let square = inverse * inverse;
    inverse * TERMS.iter().rev().fold(0.0, |sum, term| sum * square + term)
}

/// u − ln(1 + u) for u > −1, without cancellation near zero.
///
/// With r = u / (2 + u), ln(1 + u) = 2 (r + r³/3 + r⁵/5 + …) and u = 2r + u r.
fn excess_over_ln_1p(u: f64) -> f64 {
    if u.abs() > 0.4 {
        return u - u.ln_1p();
    }
    let r = u / (2.0 + u);
    let square = r * r;
    let mut power = 1.0;
    let mut sum = 0.0;
    let mut odd = 3.0;
    loop {
        let term = power / odd;
        sum += term;
        if term < 1e-18 {
            return r * (u - 2.0 * square * sum);
        }
        power *= square;
        odd += 2.0;
    }
}
