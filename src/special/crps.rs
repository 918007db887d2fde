//! The continuous ranked probability score, CRPS(F, y) = ∫ (F(x) − 1{y ≤ x})² dx, in the unit of y; smaller is
//! better (Matheson and Winkler 1976; Gneiting and Raftery 2007, J. Am. Stat. Assoc. 102:359).
//!
//! Closed forms for the normal (Gneiting et al. 2005, Mon. Weather Rev. 133:1098) and Student's t (Jordan, Krüger
//! and Lerch 2019, J. Stat. Softw. 90(12), appendix), a closed form for normal mixtures (Grimit et al. 2006, Q. J.
//! R. Meteorol. Soc. 132:2925), and adaptive Gauss-Kronrod integration for mixtures with t parts. All citations
//! from memory; the formulas are held against numerical integration of the definition.

use super::kronrod::gauss_kronrod;
use super::normal::mean_absolute;
use super::student::Student;
use std::f64::consts::PI;

/// CRPS of a normal predictive at the observed `y`. `sd` = 0 gives the absolute error; NaN for a negative `sd`.
///
/// # Formula
///
/// With z = (y − mean)/sd: sd · [z (2Φ(z) − 1) + 2φ(z) − 1/√π].
pub fn crps_normal(y: f64, mean: f64, sd: f64) -> f64 {
    if !(0.0..f64::INFINITY).contains(&sd) {
        return f64::NAN;
    }
    mean_absolute(y - mean, sd) - sd / PI.sqrt()
}

/// CRPS of a Student-t predictive at the observed `y`, for `df` > 1 or infinite (the normal) and `scale` ≥ 0; NaN
/// otherwise.
///
/// # Formula
///
/// With z = (y − location)/scale:
/// scale · [z (2F(z) − 1) + 2 f(z)(ν + z²)/(ν − 1) − 2√ν B(½, ν − ½)/((ν − 1) B(½, ν/2)²)].
pub fn crps_student(y: f64, location: f64, scale: f64, df: f64) -> f64 {
    let usable = df > 1.0 && (0.0..f64::INFINITY).contains(&scale);
    if !usable {
        return f64::NAN;
    }
    if df.is_infinite() {
        return crps_normal(y, location, scale);
    }
    if scale == 0.0 {
        return (y - location).abs();
    }
    let t = Student::new(df);
    let z = (y - location) / scale;
    // B(½, c) = √π Γ(c)/Γ(c + ½); Student keeps 1/B(½, ν/2) for its own ν.
    let betas = t.inverse_beta() * t.inverse_beta() / Student::new(2.0 * df - 1.0).inverse_beta();
    let spread = 2.0 / (df - 1.0) * (t.pdf(z) * (df + z * z) - df.sqrt() * betas);
    scale * (2.0 * z * t.central_mass(z) + spread)
}

/// One part of a mixture: a Student t (normal where `df` is infinite) with its weight.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MixturePart {
    /// Weight, not negative; the weights of a mixture are divided by their sum.
    pub weight: f64,
    /// Centre, in the unit of the observation.
    pub location: f64,
    /// Scale, positive, in the unit of the observation.
    pub scale: f64,
    /// Degrees of freedom, above 1, or infinite for a normal part.
    pub df: f64,
}

/// CRPS of a mixture of Student t and normal parts at the observed `y`.
///
/// Parts that are all normal are scored in closed form (work grows with the square of their number); otherwise
/// the definition is integrated numerically to about 1e-11 relative. NaN when there is no part, or any part
/// or `y` is outside its domain.
pub fn crps_mixture(y: f64, parts: &[MixturePart]) -> f64 {
    let total: f64 = parts.iter().map(|p| p.weight).sum();
    let fine = |p: &MixturePart| {
        p.weight >= 0.0 && p.location.is_finite() && p.scale > 0.0 && p.scale.is_finite() && p.df > 1.0
    };
    if !(total > 0.0 && total.is_finite() && y.is_finite() && parts.iter().all(fine)) {
        return f64::NAN;
    }
    if parts.iter().all(|p| p.df.is_infinite()) {
        normal_mixture(y, parts, total)
    } else {
        integrated_mixture(y, parts, total)
    }
}

/// E|X − y| − ½ E|X − X′|, each a weighted sum of mean absolute normals.
fn normal_mixture(y: f64, parts: &[MixturePart], total: f64) -> f64 {
    let to_y: f64 = parts.iter().map(|p| p.weight * mean_absolute(y - p.location, p.scale)).sum();
    let between: f64 = parts
        .iter()
        .enumerate()
        .map(|(i, p)| {
            let others: f64 = parts[..i]
                .iter()
                .map(|o| o.weight * mean_absolute(p.location - o.location, p.scale.hypot(o.scale)))
                .sum();
            let own = p.weight * mean_absolute(0.0, p.scale * std::f64::consts::SQRT_2);
            p.weight * (2.0 * others + own)
        })
        .sum();
    to_y / total - 0.5 * between / (total * total)
}

/// The parts of a mixture from three marks each: where they begin, peak and end.
fn integrated_mixture(y: f64, parts: &[MixturePart], total: f64) -> f64 {
    let prepared: Vec<(f64, &MixturePart, Student)> =
        parts.iter().map(|p| (p.weight / total, p, Student::new(p.df))).collect();
    let mixed = |tail: fn(&Student, f64) -> f64| {
        let prepared = &prepared;
        move |x: f64| prepared.iter().map(|(w, p, t)| w * tail(t, (x - p.location) / p.scale)).sum()
    };
    let marks = parts.iter().flat_map(|p| [-4.0, 0.0, 4.0].map(|k| p.location + k * p.scale));
    crps_by_quadrature(y, marks.collect(), mixed(Student::cdf), mixed(Student::sf))
}

/// How often an interval is halved at most. This crate's choice, no source.
const DEEPEST: u32 = 30;

/// Marks to begin with at most: many parts make a smooth whole. This crate's choice, no source.
const MOST_MARKS: usize = 24;

/// The CRPS by its integral, from the probabilities below and above a point: cut at the observed `y` and at marks, and with
/// the outer stretches brought to (0, 1) by x = end -/+ unit (1 - v) / v.
pub(crate) fn crps_by_quadrature(
    y: f64,
    mut marks: Vec<f64>,
    below: impl Fn(f64) -> f64,
    above: impl Fn(f64) -> f64,
) -> f64 {
    marks.sort_by(f64::total_cmp);
    let (stride, last) = (marks.len().div_ceil(MOST_MARKS).max(1), marks.last().copied());
    let mut cuts: Vec<f64> = marks.into_iter().step_by(stride).chain(last).chain([y]).collect();
    cuts.sort_by(f64::total_cmp);
    cuts.dedup();
    let (first, last) = (cuts[0], cuts[cuts.len() - 1]);
    let unit = if last > first { (last - first) / 8.0 } else { 1e-3 };
    let tolerance = 1e-12 * unit;
    let square = |x: f64| if x < y { below(x).powi(2) } else { above(x).powi(2) };
    let outer = |end: f64, side: f64| {
        let at = |v: f64| {
            let square = square(end + side * unit * (1.0 - v) / v) * unit / (v * v);
            if square.is_finite() { square } else { 0.0 }
        };
        integrate(&at, 0.0, 1.0, tolerance, DEEPEST)
    };
    let inner: f64 = cuts.windows(2).map(|c| integrate(&square, c[0], c[1], tolerance, DEEPEST)).sum();
    inner + outer(first, -1.0) + outer(last, 1.0)
}

/// The integral of f over an interval, halved until the two rules agree to `tolerance` on each piece. (Not to
/// a share of it: halving the tolerance too would end below rounding, where no piece is ever done.)
fn integrate(f: &impl Fn(f64) -> f64, from: f64, to: f64, tolerance: f64, depth: u32) -> f64 {
    let (fine, off) = gauss_kronrod(from, to, f);
    if off <= tolerance || depth == 0 || !fine.is_finite() {
        return fine;
    }
    let middle = 0.5 * (from + to);
    integrate(f, from, middle, tolerance, depth - 1) + integrate(f, middle, to, tolerance, depth - 1)
}
