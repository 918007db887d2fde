//! What of a row's share of the likelihood depends on κ = 1/ν: the constant c(κ), the tail L(u, κ) =
//! ln(1 + κu)/κ, their derivatives and the expected information; all exact down to the normal at κ = 0.

/// Expected information of one row, per unit of x/σ, of z and of κ. In ν it is that of Lange, Little and
/// Taylor (1989, appendix B; from memory), multiplied out in κ = 1/ν so that κ = 0 is no exception.
pub(super) struct Expected {
    pub(super) location: f64,
    pub(super) scale: f64,
    pub(super) scale_kappa: f64,
    pub(super) kappa: f64,
}

impl Expected {
    pub(super) fn at(k: f64) -> Self {
        let both = (1.0 + k) * (1.0 + 3.0 * k);
        Expected {
            location: (1.0 + k) / (1.0 + 3.0 * k),
            scale: 2.0 / (1.0 + 3.0 * k),
            scale_kappa: 2.0 / both,
            kappa: 0.5 * (7.0 + 3.0 * k) / both + 0.25 * trigamma_rest(k),
        }
    }
}

/// (ψ'(ν/2) − ψ'((ν+1)/2) − 2κ² − 2κ³) / κ⁴ at κ = 1/ν.
fn trigamma_rest(k: f64) -> f64 {
    if k < SERIES_BELOW {
        // Term by term from the second derivative in x = ν/2 of the series of `gamma_ratio`, whose first
        // two terms are the ones taken off.
        let mut sum = 0.0;
        let mut power = k;
        for (j, a) in RATIO_SERIES.iter().enumerate().skip(1) {
            let m = (2 * j + 1) as f64;
            // a κ^m = a (2x)^-m has the second derivative 4 a m (m + 1) κ^(m+2).
            sum -= 4.0 * a * m * (m + 1.0) * power;
            power *= k * k;
        }
        sum
    } else {
        let x = 0.5 / k;
        let [_, _, second] = gamma_ratio_in_x(x);
        // c = lnΓ(x + ½) − lnΓ(x) − ½ ln x, so ψ'(x) − ψ'(x + ½) = 1/(2x²) − c''.
        (0.5 / (x * x) - second - 2.0 * k * k - 2.0 * k * k * k) / k.powi(4)
    }
}

/// Below this κ the asymptotic series is exact in double precision; above, arguments are raised first.
const SERIES_BELOW: f64 = 1.0 / 48.0;

/// Coefficients of κ, κ³, κ⁵, ... in lnΓ((ν+1)/2) − lnΓ(ν/2) − ½ ln(ν/2), κ = 1/ν: −(1 − 4^−k) B_2k 2^(2k−1) /
/// (k (2k − 1)) with the Bernoulli numbers B_2k, from Stirling's series at x + ½ and x (Abramowitz and Stegun
/// 1964, 6.1.40 and its half-step form; worked out here and tested against 30-digit values).
const RATIO_SERIES: [f64; 6] =
    [-1.0 / 4.0, 1.0 / 24.0, -1.0 / 20.0, 17.0 / 112.0, -31.0 / 36.0, 691.0 / 88.0];

/// c(κ) = lnΓ((ν+1)/2) − lnΓ(ν/2) − ½ ln(ν/2) with its first and second derivative in κ = 1/ν.
pub(super) fn gamma_ratio(k: f64) -> [f64; 3] {
    if k < SERIES_BELOW {
        let mut out = [0.0; 3];
        for (j, a) in RATIO_SERIES.iter().enumerate() {
            let m = 2 * j as i32 + 1;
            out[0] += a * k.powi(m);
            out[1] += a * f64::from(m) * k.powi(m - 1);
            if m > 1 {
                out[2] += a * f64::from(m * (m - 1)) * k.powi(m - 2);
            }
        }
        out
    } else {
        let [c, first, second] = gamma_ratio_in_x(0.5 / k);
        let (d1, d2) = (-0.5 / (k * k), 1.0 / (k * k * k));
        [c, first * d1, second * d1 * d1 + first * d2]
    }
}

/// lnΓ(x + ½) − lnΓ(x) − ½ ln x and its first two derivatives in x ≥ 1, by Γ(x + 1) = xΓ(x) upwards to where
/// the series holds.
fn gamma_ratio_in_x(x: f64) -> [f64; 3] {
    let mut out = [-0.5 * x.ln(), -0.5 / x, 0.5 / (x * x)];
    let mut top = x;
    while top < 0.5 / SERIES_BELOW {
        let half = top + 0.5;
        out[0] -= (0.5 / top).ln_1p();
        out[1] += 1.0 / top - 1.0 / half;
        out[2] += 1.0 / (half * half) - 1.0 / (top * top);
        top += 1.0;
    }
    // At the top: ½ ln x + Σ a_m (2x)^-m.
    out[0] += 0.5 * top.ln();
    out[1] += 0.5 / top;
    out[2] -= 0.5 / (top * top);
    for (j, a) in RATIO_SERIES.iter().enumerate() {
        let m = 2 * j as i32 + 1;
        let power = a * (2.0 * top).powi(-m);
        out[0] += power;
        out[1] -= power * f64::from(m) / top;
        out[2] += power * f64::from(m * (m + 1)) / (top * top);
    }
    out
}

/// L(u, κ) = ln(1 + κu)/κ, u itself at κ = 0.
pub(super) fn tail(u: f64, k: f64) -> f64 {
    let t = k * u;
    if t < 1e-8 { u * (1.0 - 0.5 * t) } else { t.ln_1p() / k }
}

/// L with its first and second derivative in κ.
pub(super) fn tail_slopes(u: f64, k: f64) -> [f64; 3] {
    let t = k * u;
    if t < 0.02 {
        // Series in t, ten terms: the rest is below 1e-17 of the sum.
        let (mut l, mut l1, mut l2) = (0.0, 0.0, 0.0);
        for j in (0..10).rev() {
            let j = f64::from(j);
            l = 1.0 / (j + 1.0) - t * l;
            l1 = (j + 1.0) / (j + 2.0) - t * l1;
            l2 = (j + 1.0) * (j + 2.0) / (j + 3.0) - t * l2;
        }
        [u * l, -u * u * l1, u * u * u * l2]
    } else {
        let l = t.ln_1p() / k;
        let ratio = u / (1.0 + t);
        let l1 = (ratio - l) / k;
        [l, l1, (-ratio * ratio - 2.0 * l1) / k]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// κ, then c, c', c'' and the trigamma remainder, from mpmath with 60 digits; see
    /// `tests/reference/student.py`.
    const RATIO: &str = include_str!("../../../tests/reference/student_ratio.csv");

    #[test]
    fn gamma_ratio_and_its_derivatives_match_many_digits() {
        let mut rows = 0;
        for line in RATIO.lines().skip(1) {
            let v: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
            let [c, c1, c2] = gamma_ratio(v[0]);
            let found = [c, c1, c2, trigamma_rest(v[0])];
            // Above the series the derivatives pass through x = ν/2, which costs some digits.
            for (j, (f, e)) in found.iter().zip(&v[1..]).enumerate() {
                let tolerance = [1e-13, 1e-11, 1e-9, 1e-8][j];
                assert!((f - e).abs() <= tolerance * e.abs(), "κ = {}, entry {j}: {f} against {e}", v[0]);
            }
            rows += 1;
        }
        assert!(rows > 10);
    }

    #[test]
    fn tail_and_its_derivatives_agree_across_the_join() {
        for (u, k) in [(1.0, 0.019_999_999), (4.0, 0.004_999_999), (0.05, 0.39)] {
            let (a, b) = (tail_slopes(u, k), tail_slopes(u, k * 1.000_000_2));
            for j in 0..3 {
                assert!((a[j] - b[j]).abs() < 1e-6 * a[j].abs(), "u = {u}, κ = {k}, derivative {j}");
            }
            assert!((a[0] - tail(u, k)).abs() < 1e-14 * u);
        }
        assert_eq!(tail_slopes(3.0, 0.0), [3.0, -4.5, 18.0]);
    }
}
