//! Pieces of Stirling's formula that keep their relative accuracy when the arguments are large.

/// ln Γ(a) − [(a − ½) ln a − a + ½ ln 2π] for a ≥ 10: Stirling's series, Abramowitz and Stegun 1964, 6.1.40.
pub(super) fn stirling_rest(a: f64) -> f64 {
    const TERMS: [f64; 7] =
        [1.0 / 12.0, -1.0 / 360.0, 1.0 / 1260.0, -1.0 / 1680.0, 1.0 / 1188.0, -691.0 / 360360.0, 1.0 / 156.0];
    let inverse = 1.0 / a;
    let square = inverse * inverse;
    inverse * TERMS.iter().rev().fold(0.0, |sum, term| sum * square + term)
}

/// u − ln(1 + u) for u > −1, without cancellation near zero.
///
/// With r = u / (2 + u), ln(1 + u) = 2 (r + r³/3 + r⁵/5 + …) and u = 2r + u r.
pub(super) fn excess_over_ln_1p(u: f64) -> f64 {
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
