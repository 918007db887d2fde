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

/// F² below y and (1 − F)² above it, over intervals between the centres of the parts and two endless tails.
fn integrated_mixture(y: f64, parts: &[MixturePart], total: f64) -> f64 {
    let prepared: Vec<(f64, f64, f64, Student)> =
        parts.iter().map(|p| (p.weight / total, p.location, p.scale, Student::new(p.df))).collect();
    let square = |x: f64| {
        let tail: f64 = prepared
            .iter()
            .map(|(w, m, s, t)| {
                let z = (x - m) / s;
                w * if x < y { t.cdf(z) } else { t.sf(z) }
            })
            .sum();
        tail * tail
    };
    let mut marks: Vec<f64> = parts.iter().map(|p| p.location).collect();
    marks.sort_by(f64::total_cmp);
    // Many parts make a smooth whole: a few of their centres are enough to begin with.
    let stride = marks.len().div_ceil(24);
    let last = marks[marks.len() - 1];
    marks = marks.into_iter().step_by(stride).chain([last, y]).collect();
    marks.sort_by(f64::total_cmp);
    marks.dedup();
    let (low, high) = (marks[0], marks[marks.len() - 1]);
    let reach = parts.iter().map(|p| p.scale).fold(0.0, f64::max);
    // x = high + reach (1 − v)/v carries v from 1 to 0 as x goes from high to infinity; likewise below low.
    let endless =
        |v: f64, sign: f64, from: f64| square(from + sign * reach * (1.0 - v) / v) * reach / (v * v);
    let mut pieces: Vec<Piece> = Vec::new();
    let push = |place: Place, from: f64, to: f64, pieces: &mut Vec<Piece>| {
        let (value, doubt) = match place {
            Place::Between => gauss_kronrod(from, to, square),
            Place::Above => gauss_kronrod(from, to, |v| endless(v, 1.0, high)),
            Place::Below => gauss_kronrod(from, to, |v| endless(v, -1.0, low)),
        };
        pieces.push(Piece { place, from, to, value, doubt });
    };
    push(Place::Below, 0.0, 1.0, &mut pieces);
    push(Place::Above, 0.0, 1.0, &mut pieces);
    for pair in marks.windows(2) {
        push(Place::Between, pair[0], pair[1], &mut pieces);
    }
    for _ in 0..600 {
        let value: f64 = pieces.iter().map(|p| p.value).sum();
        let doubt: f64 = pieces.iter().map(|p| p.doubt).sum();
        if doubt.is_nan() || doubt <= 1e-11 * value {
            break;
        }
        let worst = (0..pieces.len()).fold(0, |w, i| if pieces[i].doubt > pieces[w].doubt { i } else { w });
        let piece = pieces.swap_remove(worst);
        let middle = 0.5 * (piece.from + piece.to);
        push(piece.place, piece.from, middle, &mut pieces);
        push(piece.place, middle, piece.to, &mut pieces);
    }
    pieces.iter().map(|p| p.value).sum()
}

#[derive(Clone, Copy)]
enum Place {
    Below,
    Between,
    Above,
}

struct Piece {
    place: Place,
    from: f64,
    to: f64,
    value: f64,
    doubt: f64,
}
