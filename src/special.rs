//! Distribution functions that the intervals rest on. (Provisional; being refined.)

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Quantile of Student's t with `df` degrees of freedom (`df` may be infinite: the normal).
pub fn student_quantile(p: f64, df: f64) -> f64 {
    if df.is_infinite() {
        normal_quantile(p)
    } else {
        StudentsT::new(0.0, 1.0, df).map_or(f64::NAN, |t| t.inverse_cdf(p))
    }
}

/// Distribution function of Student's t.
pub fn student_cdf(x: f64, df: f64) -> f64 {
    if df.is_infinite() { normal_cdf(x) } else { StudentsT::new(0.0, 1.0, df).map_or(f64::NAN, |t| t.cdf(x)) }
}

/// Upper tail of Student's t, P(T > x).
pub fn student_sf(x: f64, df: f64) -> f64 {
    student_cdf(-x, df)
}

/// Quantile of the standard normal.
pub fn normal_quantile(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p)
}

/// Distribution function of the standard normal.
pub fn normal_cdf(x: f64) -> f64 {
    Normal::standard().cdf(x)
}

/// Quantile from the upper tail.
pub fn student_quantile_upper(q: f64, df: f64) -> f64 {
    -student_quantile(q, df)
}

/// Log density of Student's t.
pub fn student_ln_pdf(x: f64, df: f64) -> f64 {
    use statrs::distribution::Continuous;
    if df.is_infinite() {
        Normal::standard().ln_pdf(x)
    } else {
        StudentsT::new(0.0, 1.0, df).map_or(f64::NAN, |t| t.ln_pdf(x))
    }
}
