//! Student's t with ν degrees of freedom, a = ν/2.
//!
//! Upper tail for t > 0, x = ν/(ν + t²), y = 1 − x, by where t lies:
//! - t² ≤ min(ν, 3), ν < 20 (and for the mass about the centre): ½ − t f(t) Σ (a + ½)ₙ/(3/2)ₙ yⁿ, all terms positive;
//! - t² > ν: xᵃ/(2B) Σ (½)ₙ xⁿ/(n! (a + n)), all terms positive, B = B(a, ½);
//! - t² ≤ ν, ν ≥ 20: with T = a − ¼ and s = −ln x, the integral B⁻¹ ∫ₛ e^(−Tv) v^(−½) [sinh(v/2)/(v/2)]^(−½) dv,
//!   the bracket expanded in v² and integrated term by term, beginning with erfc(√(Ts)); after DiDonato and
//!   Morris 1992, ACM Trans. Math. Softw. 18:360, section 9 (from memory; derived again here);
//! - between, ν < 20: the continued fraction of the incomplete beta function (same paper, section 4, from memory).
//!
//! The same expansion at s = 0 gives B, so no log-gamma is needed; below a = 10 the recurrence of Γ is used.

use super::normal::{normal_cdf, normal_centre, normal_ln_pdf, normal_quantile_upper, normal_sf};
use super::root::newton_in_ln;
use std::f64::consts::PI;

/// Coefficients of v²ⁿ in [sinh(v/2)/(v/2)]^(−½), computed to 60 digits from the power series of sinh.
pub(super) const SINH_SERIES: [f64; 11] = [
    1.0,
    -0.020833333333333332,
    0.000390625,
    -7.879670965608466e-06,
    1.6967665791721782e-07,
    -3.805064191721906e-09,
    8.748377596315407e-11,
    -2.044523359411974e-12,
    4.833351797967704e-14,
    -1.152434101767386e-15,
    2.76605204359937e-17,
];

/// Where the expansion about the normal takes over from the continued fraction. This crate's choice, no source.
const LARGE_FREEDOM: f64 = 20.0;

/// A tail smaller than this has fewer digits than a double otherwise.
const LEAST_TAIL: f64 = 1e-290;

/// Fewer degrees of freedom than this are taken for so many: halves and products of them would vanish.
const LEAST_FREEDOM: f64 = 1e-300;

/// Student's t at one number of degrees of freedom, with everything that depends on them worked out once.
///
/// Small, copyable, no allocation. Free functions such as [`student_cdf`] build one for each call.
#[derive(Clone, Copy, Debug)]
pub struct Student {
    df: f64,
    half: f64,
    /// 1 / B(a, ½).
    inverse_beta: f64,
    /// Density at zero.
    peak: f64,
    /// a − ¼.
    shifted: f64,
    /// Coefficients of the expansion for large freedom, normed so that the tail at zero is ½.
    expansion: [f64; SINH_SERIES.len()],
}

/// Equal degrees of freedom; everything else follows from them.
impl PartialEq for Student {
    fn eq(&self, other: &Student) -> bool {
        self.df == other.df
    }
}

impl Student {
    /// Student's t with `df` > 0 degrees of freedom, `f64::INFINITY` for the normal. With any other `df` every
    /// function of the value returns NaN. Below 1e-300, where all mass is at infinity, `df` is taken for that.
    pub fn new(df: f64) -> Student {
        let usable = df > 0.0;
        if !usable || df.is_infinite() {
            return Student {
                df: if usable { df } else { f64::NAN },
                half: f64::NAN,
                inverse_beta: f64::NAN,
                peak: f64::NAN,
                shifted: f64::NAN,
                expansion: [f64::NAN; SINH_SERIES.len()],
            };
        }
        let df = df.max(LEAST_FREEDOM);
        let half = 0.5 * df;
        // Γ(a + ½)/Γ(a), taken down from a + k ≥ 10 by the recurrence of Γ.
        let (mut large, mut down) = (half, 1.0);
        while large < 10.0 {
            down *= large / (large + 0.5);
            large += 1.0;
        }
        let (expansion, sum) = expansion(large - 0.25);
        let gamma_ratio = down * (large - 0.25).sqrt() / sum;
        Student {
            df,
            half,
            inverse_beta: gamma_ratio / PI.sqrt(),
            peak: gamma_ratio / (df * PI).sqrt(),
            shifted: half - 0.25,
            expansion: expansion.map(|c| 0.5 * c / sum),
        }
    }

    /// Degrees of freedom; NaN when those given were not a positive number.
    #[cfg(test)]
    pub fn df(&self) -> f64 {
        self.df
    }

    /// P(T ≤ x), with its relative accuracy kept in the lower tail.
    pub fn cdf(&self, x: f64) -> f64 {
        self.sf(-x)
    }

    /// P(T > x), with its relative accuracy kept in the upper tail.
    pub fn sf(&self, x: f64) -> f64 {
        if x > 0.0 {
            if self.df.is_infinite() {
                normal_sf(x)
            } else if self.near_centre(x) && self.df < LARGE_FREEDOM {
                0.5 - self.centre(x)
            } else {
                self.far_tail(x)
            }
        } else if self.df.is_infinite() {
            normal_cdf(-x)
        } else if self.near_centre(-x) && self.df < LARGE_FREEDOM {
            0.5 + self.centre(-x)
        } else {
            1.0 - self.far_tail(-x)
        }
    }

    /// P(0 < T < x), negative for x < 0: the distribution function less one half, without cancellation.
    pub(super) fn central_mass(&self, x: f64) -> f64 {
        if self.df.is_infinite() {
            return normal_centre(x);
        }
        let size = x.abs();
        let value = if self.near_centre(size) { self.centre(size) } else { 0.5 - self.far_tail(size) };
        value.copysign(x)
    }

    /// 1 / B(½, ν/2).
    pub(super) fn inverse_beta(&self) -> f64 {
        self.inverse_beta
    }

    /// Density at x.
    pub fn pdf(&self, x: f64) -> f64 {
        if self.df.is_infinite() {
            return normal_ln_pdf(x).exp();
        }
        self.peak * (-(self.half + 0.5) * self.ln_1p_square_over_df(x)).exp()
    }

    /// Logarithm of the density at x.
    pub fn ln_pdf(&self, x: f64) -> f64 {
        if self.df.is_infinite() { normal_ln_pdf(x) } else { self.peak.ln() + self.ln_pdf_below_peak(x) }
    }

    /// The same less that at 0.
    pub(crate) fn ln_pdf_below_peak(&self, x: f64) -> f64 {
        if self.df.is_infinite() { -0.5 * x * x } else { -(self.half + 0.5) * self.ln_1p_square_over_df(x) }
    }

    /// The x with P(T ≤ x) = `p`. Infinite at 0 and 1; NaN outside.
    ///
    /// Near 1 the double `p` itself cannot tell tails apart; give the tail to
    /// [`quantile_upper`](Student::quantile_upper) there.
    pub fn quantile(&self, p: f64) -> f64 {
        -self.quantile_upper(p)
    }

    /// The x with P(T > x) = `q`. Infinite at 0 and 1; NaN outside.
    pub fn quantile_upper(&self, q: f64) -> f64 {
        if self.df.is_nan() || !(0.0..=1.0).contains(&q) {
            return f64::NAN;
        }
        if self.df.is_infinite() {
            return normal_quantile_upper(q);
        }
        if q == 0.5 {
            return 0.0;
        }
        if q > 0.5 {
            return -self.quantile_upper(1.0 - q);
        }
        if q == 0.0 {
            return f64::INFINITY;
        }
        // of few degrees of freedom half the mass may lie beyond the doubles, and Newton's way there is long
        if q > 0.1 && (self.df >= 1.0 || 0.5 - q <= self.central_mass(self.df.sqrt())) {
            return self.central_quantile(0.5 - q);
        }
        if self.df < 3.0 || q < LEAST_TAIL {
            return self.far_quantile(q);
        }
        newton_in_ln(self.tail_guess(q), |x| {
            let tail = self.sf(x);
            ((tail / q).ln(), -x * self.pdf(x) / tail)
        })
    }

    /// The x > 0 with P(0 < T < x) = `mass`; Newton from below on a concave function, so always from one side.
    /// An x beyond the doubles (very few degrees of freedom) gives the end of their range.
    fn central_quantile(&self, mass: f64) -> f64 {
        let mut x = mass / self.peak;
        for _ in 0..100 {
            let step = (mass - self.central_mass(x)) / self.pdf(x);
            x += step;
            if !x.is_finite() {
                return f64::MAX;
            }
            if step.abs() <= 1e-10 * x {
                break;
            }
        }
        x
    }

    /// The upper quantile on the scale of log tails, where the tail itself has too few digits or the quantile is
    /// beyond the doubles: then the end of their range.
    fn far_quantile(&self, q: f64) -> f64 {
        let target = q.ln();
        if self.ln_sf(f64::MAX) >= target {
            return f64::MAX;
        }
        newton_in_ln(self.tail_guess(q), |x| {
            let ln_tail = self.ln_sf(x);
            (ln_tail - target, -(x.ln() + self.ln_pdf(x) - ln_tail).exp())
        })
    }

    /// The log of the upper tail at x > 0, also where the tail itself is too small for a double.
    fn ln_sf(&self, x: f64) -> f64 {
        if x * x <= self.df {
            return self.sf(x).ln();
        }
        self.ln_far_sf(x)
    }

    /// The same by the series of the power tail, at any x > 0.
    pub(crate) fn ln_far_sf(&self, x: f64) -> f64 {
        let (ln_power, sum) = self.power_series(x);
        (0.5 * self.inverse_beta * sum).ln() + ln_power
    }

    /// A first guess of the upper quantile: the power tail where it rules, else the normal one with the first
    /// two terms in 1/ν (Abramowitz and Stegun 1964, 26.7.5).
    fn tail_guess(&self, q: f64) -> f64 {
        let power = self.df.sqrt() * (self.inverse_beta / (self.df * q)).powf(1.0 / self.df);
        let z = normal_quantile_upper(q);
        let square = z * z;
        if square > 2.0 * self.df || self.df < 3.0 {
            return power;
        }
        let first = (square + 1.0) * z / 4.0;
        let second = ((5.0 * square + 16.0) * square + 3.0) * z / 96.0;
        z + (first + second / self.df) / self.df
    }

    fn near_centre(&self, size: f64) -> bool {
        size * size <= self.df.min(3.0)
    }

    fn ln_1p_square_over_df(&self, x: f64) -> f64 {
        let size = x.abs();
        if size <= 1e150 {
            return (size * size / self.df).ln_1p();
        }
        let ratio = size / self.df.sqrt();
        if ratio < 1e150 { (ratio * ratio).ln_1p() } else { 2.0 * ratio.ln() }
    }

    /// P(0 < T < t) for 0 ≤ t, t² ≤ min(ν, 3).
    fn centre(&self, t: f64) -> f64 {
        let y = t * t / (self.df + t * t);
        let mut term = 1.0;
        let mut sum = 1.0;
        let mut n = 0.0;
        while term > 1e-17 * sum {
            term *= (self.half + 0.5 + n) / (1.5 + n) * y;
            sum += term;
            n += 1.0;
        }
        t * self.pdf(t) * sum
    }

    /// P(T > t) for t² > min(ν, 3).
    fn far_tail(&self, t: f64) -> f64 {
        if t.is_nan() || self.df.is_nan() {
            f64::NAN
        } else if t * t > self.df {
            self.power_tail(t)
        } else if self.df >= LARGE_FREEDOM {
            self.expanded_tail(t)
        } else {
            self.fraction_tail(t)
        }
    }

    fn power_tail(&self, t: f64) -> f64 {
        let power =
            if t > 1e150 { (self.df.sqrt() / t).powf(self.df) } else { self.power_share(t).powf(self.half) };
        0.5 * power * self.inverse_beta * self.power_series(t).1
    }

    /// ν/(ν + t²), 0 where t² is beyond the doubles.
    fn power_share(&self, t: f64) -> f64 {
        if t > 1e150 { 0.0 } else { self.df / (self.df + t * t) }
    }

    /// The log of the power in front of the series of the power tail, and the series.
    fn power_series(&self, t: f64) -> (f64, f64) {
        let x = self.power_share(t);
        let ln_power = if x == 0.0 { self.df * (0.5 * self.df.ln() - t.ln()) } else { self.half * x.ln() };
        let mut coefficient = 1.0;
        let mut sum = 1.0 / self.half;
        let mut n = 1.0;
        loop {
            coefficient *= (n - 0.5) / n * x;
            let term = coefficient / (self.half + n);
            sum += term;
            if term <= 1e-17 * sum {
                return (ln_power, sum);
            }
            n += 1.0;
        }
    }

    fn expanded_tail(&self, t: f64) -> f64 {
        let u = self.shifted * (t * t / self.df).ln_1p();
        // Γ(2n + ½, u)/√π and u^(2n + ½) e^(−u)/√π, by the recurrence upwards in n, all positive.
        let mut gamma = libm::erfc(u.sqrt());
        let mut power = (-u).exp() * (u / PI).sqrt();
        let mut sum = self.expansion[0] * gamma;
        let mut s = 0.5;
        for c in &self.expansion[1..] {
            gamma = s * (s + 1.0) * gamma + power * (s + 1.0 + u);
            power *= u * u;
            s += 2.0;
            let term = c * gamma;
            sum += term;
            if term.abs() <= 1e-18 * sum {
                break;
            }
        }
        sum
    }

    fn fraction_tail(&self, t: f64) -> f64 {
        let total = self.df + t * t;
        let (x, y) = (self.df / total, t * t / total);
        let fraction = beta_fraction(self.half, 0.5, x, y);
        0.5 * x.powf(self.half) * y.sqrt() * self.inverse_beta / fraction
    }
}

/// cₙ T⁻²ⁿ, and Σ cₙ T⁻²ⁿ Γ(2n + ½)/Γ(½).
fn expansion(shifted: f64) -> ([f64; SINH_SERIES.len()], f64) {
    let square = 1.0 / (shifted * shifted);
    let mut scale = 1.0;
    let mut rising = 1.0;
    let mut sum = 0.0;
    let mut s = 0.5;
    let coefficients = SINH_SERIES.map(|c| {
        let scaled = c * scale;
        sum += scaled * rising;
        scale *= square;
        rising *= s * (s + 1.0);
        s += 2.0;
        scaled
    });
    (coefficients, sum)
}

/// Distribution function of Student's t, P(T ≤ x), for `df` > 0 or infinite (the normal); NaN otherwise.
///
/// Relative accuracy is kept in the lower tail. For many calls at one `df` build a [`Student`] once.
pub fn student_cdf(x: f64, df: f64) -> f64 {
    Student::new(df).cdf(x)
}

/// Upper tail of Student's t, P(T > x), for `df` > 0 or infinite; NaN otherwise.
pub fn student_sf(x: f64, df: f64) -> f64 {
    Student::new(df).sf(x)
}

/// Logarithm of the density of Student's t, for `df` > 0 or infinite; NaN otherwise.
pub fn student_ln_pdf(x: f64, df: f64) -> f64 {
    Student::new(df).ln_pdf(x)
}

/// Quantile of Student's t: the x with P(T ≤ x) = `p`, 0 ≤ p ≤ 1, `df` > 0 or infinite; NaN otherwise.
pub fn student_quantile(p: f64, df: f64) -> f64 {
    Student::new(df).quantile(p)
}

/// The x with P(T > x) = `q`, 0 ≤ q ≤ 1, for Student's t with `df` > 0 or infinite; NaN otherwise.
pub fn student_quantile_upper(q: f64, df: f64) -> f64 {
    Student::new(df).quantile_upper(q)
}

/// The continued fraction K with I_x(a, b) = xᵃ yᵇ/(B(a, b) K), x + y = 1 (DiDonato and Morris 1992, from
/// memory), by Lentz's method. Meant for x up to about the mean a/(a + b); the steps needed grow with √(a + b).
fn beta_fraction(a: f64, b: f64, x: f64, y: f64) -> f64 {
    let partial = |m: f64| {
        m + m * (b - m) * x / (a + 2.0 * m - 1.0)
            + (a + m) * (a * y - b * x + 1.0 + m * (1.0 + y)) / (a + 2.0 * m + 1.0)
    };
    super::lentz(a * (a * y - b * x + 1.0) / (a + 1.0), |m| {
        let odd = a + 2.0 * m - 1.0;
        (((a + m - 1.0) / odd) * ((a + b + m - 1.0) / odd) * (m * (b - m)) * x * x, partial(m))
    })
}
