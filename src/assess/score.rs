//! What one predictive distribution says of one flake that came off.
//!
//! Everything is on the natural logarithm of the size, z = ln y, whatever the transform of the form, so that
//! forms with different transforms are comparable:
//!
//! ```text
//! log score       -ln f(z) = -(ln f(y) + ln y)
//! CRPS            integral of (F(v) - 1{v >= z})^2 dv
//! PIT             F(z)
//! interval score  (u - l) + 2/(1 - level) max(l - z, z - u, 0)         at 95 %: width + 40 times the miss
//! ```
//!
//! all of them smaller is better but for the PIT, which is uniform for a perfect predictive. (Gneiting &
//! Raftery 2007, J. Am. Stat. Assoc. 102:359, for the scores and for what makes them proper.)
//!
//! **Atoms.** A form for the size itself or its cube root gives some probability a to sizes of zero and
//! less, where ln has no value and no flake is. Only flakes that came off are ever tested, so all scores are
//! of the predictive *given a size above zero*: F becomes (F - a) / (1 - a), f becomes f / (1 - a). The
//! probability a is kept beside the scores (`Score::atom`), as it is what conditioning hides.

use crate::error::{Error, Result, positive};
use crate::form::Transform;
use crate::predict::Predictive;
use crate::special::{MixturePart, crps_by_quadrature, crps_mixture, crps_student};

/// The levels at which coverage and width are reported. Common practice, no source.
pub const LEVELS: [f64; 4] = [0.5, 0.8, 0.9, 0.95];

/// The place of 95 % among [`LEVELS`].
pub(super) const NINETY_FIVE: usize = 3;

/// The scores of one flake under one predictive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Score {
    /// The size that came off, its own unit.
    pub(crate) observed: f64,
    /// The median of the predictive, its own unit.
    pub(crate) expected: f64,
    /// Ends of the central intervals at [`LEVELS`], its own unit.
    pub(crate) intervals: [(f64, f64); 4],
    /// ln observed - ln expected.
    pub(crate) ln_error: f64,
    /// Log score of ln size, nats.
    pub(crate) log_score: f64,
    /// Continuous ranked probability score of ln size. Infinite where the predictive has no mean.
    pub(crate) crps: f64,
    /// Probability of a smaller size.
    pub(crate) pit: f64,
    /// Interval score of ln size at 95 %.
    pub(crate) interval_score: f64,
    /// Probability that the predictive gives to no size at all.
    pub(crate) atom: f64,
}

impl Score {
    /// Scores a size against a predictive.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless the size is positive and finite; [`Error::Invalid`] where the predictive
    /// gives no probability to any size above zero.
    pub(crate) fn of(predictive: &Predictive, observed: f64) -> Result<Score> {
        positive("size", observed)?;
        let atom = predictive.cdf(0.0);
        let rest = predictive.sf(0.0);
        if !(rest > 0.0) {
            return Err(Error::invalid("predictive", "no size above zero has any probability"));
        }
        // central intervals of the part above zero
        let ends = |level: f64| -> Result<(f64, f64)> {
            let tail = 0.5 * (1.0 - level);
            let high = predictive.quantile_upper(rest * tail)?;
            let low = if atom > 0.0 {
                predictive.quantile_upper(rest * (1.0 - tail))?
            } else {
                predictive.quantile(tail)?
            };
            Ok((low, high))
        };
        let mut intervals = [(0.0, 0.0); 4];
        for (i, level) in LEVELS.iter().enumerate() {
            intervals[i] = ends(*level)?;
        }
        let expected = if atom > 0.0 { predictive.quantile_upper(0.5 * rest)? } else { predictive.median() };
        let z = observed.ln();
        let (low, high) = (intervals[NINETY_FIVE].0.ln(), intervals[NINETY_FIVE].1.ln());
        let miss = (low - z).max(z - high).max(0.0);
        Ok(Score {
            observed,
            expected,
            intervals,
            ln_error: z - expected.ln(),
            log_score: rest.ln() - predictive.ln_pdf(observed) - z,
            crps: crps_of_ln(predictive, observed)?,
            pit: ((predictive.cdf(observed) - atom) / rest).clamp(0.0, 1.0),
            interval_score: (high - low) + 2.0 / (1.0 - LEVELS[NINETY_FIVE]) * miss,
            atom,
        })
    }

    /// Whether the flake lies inside the central interval at a place of [`LEVELS`].
    pub(crate) fn inside(&self, level: usize) -> bool {
        self.intervals.get(level).is_some_and(|(l, u)| (*l..=*u).contains(&self.observed))
    }

    /// Width of the central interval at a place of [`LEVELS`], of ln size.
    pub(crate) fn ln_width(&self, level: usize) -> f64 {
        self.intervals.get(level).map_or(f64::NAN, |(l, u)| u.ln() - l.ln())
    }
}

/// The continuous ranked probability score of the logarithm of a size, given a size above zero: the mean absolute error
/// of a forecast that tells its uncertainty, smaller is better.
///
/// Under a logarithm in closed form where there is one; for the size itself or its cube root by quadrature, to about nine digits.
/// Infinite where ln size has no mean (one degree of freedom or less).
///
/// # Errors
/// [`Error::OutOfRange`] for a size that is not positive and finite.
///
/// ```
/// use conchoid::assess::crps_of_ln;
/// use conchoid::form::Transform;
/// use conchoid::predict::{Component, Predictive};
/// let c = Component { weight: 1.0, location: 2.0, scale: 0.4, degrees_of_freedom: f64::INFINITY };
/// let mass = Predictive::new(Transform::Ln, vec![c])?;
/// let crps = crps_of_ln(&mass, 2f64.exp())?;
/// assert!((crps - 0.4 * 0.233695).abs() < 1e-6); // 0.4 (sqrt 2 - 1) / sqrt pi
/// assert!(crps_of_ln(&mass, 0.0).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
pub fn crps_of_ln(predictive: &Predictive, observed: f64) -> Result<f64> {
    positive("size", observed)?;
    let to_ln = match predictive.transform() {
        // given what was kept there is no closed form
        _ if predictive.is_selected() => return Ok(integrated(predictive, observed.ln())),
        Transform::Ln => 1.0,
        Transform::Log10 => std::f64::consts::LN_10,
        Transform::Identity | Transform::CubeRoot | Transform::LnExcess => {
            return Ok(integrated(predictive, observed.ln()));
        }
    };
    let parts: Vec<MixturePart> = predictive
        .components()
        .iter()
        .filter(|c| c.weight > 0.0)
        .map(|c| MixturePart {
            weight: c.weight,
            location: to_ln * c.location,
            scale: to_ln * c.scale,
            df: c.degrees_of_freedom,
        })
        .collect();
    if parts.iter().any(|p| p.df <= 1.0) {
        return Ok(f64::INFINITY);
    }
    Ok(match &parts[..] {
        [one] => crps_student(observed.ln(), one.location, one.scale, one.df),
        _ => crps_mixture(observed.ln(), &parts),
    })
}

/// The CRPS by its integral, with marks where the components begin, peak and end.
fn integrated(predictive: &Predictive, z: f64) -> f64 {
    let atom = predictive.cdf(0.0);
    let rest = predictive.sf(0.0);
    if !(rest > 0.0) {
        return f64::NAN;
    }
    // what lies below and above, given a size above zero; an atom needs care only below
    let below = |v: f64| ((predictive.cdf(v.exp()) - atom) / rest).max(0.0);
    let above = |v: f64| predictive.sf(v.exp()) / rest;
    let components = predictive.components().iter().filter(|c| c.weight > 0.0);
    let marks = components.flat_map(|c| [-4.0, 0.0, 4.0].map(|k| c.location + k * c.scale));
    let marks = marks.map(|at| predictive.transform().invert(at).ln()).filter(|v| v.is_finite());
    crps_by_quadrature(z, marks.collect(), below, above)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::predict::Component;
    use crate::special::kronrod::gauss_kronrod;

    fn one(transform: Transform, location: f64, scale: f64, degrees_of_freedom: f64) -> Predictive {
        Predictive::new(transform, vec![Component { weight: 1.0, location, scale, degrees_of_freedom }])
            .unwrap()
    }

    #[test]
    fn the_closed_form_is_the_integral() {
        for df in [2.0, 3.5, 9.0, 30.0, 150.0, 1e4, 1e9, f64::INFINITY] {
            for z in [-6.0, -1.3, 0.0, 0.4, 2.7, 9.0] {
                let p = one(Transform::Ln, 1.5, 0.35, df);
                let closed = crps_of_ln(&p, (1.5f64 + 0.35 * z).exp()).unwrap();
                let integral = integrated(&p, 1.5 + 0.35 * z);
                assert!((closed - integral).abs() < 1e-9, "df {df}, z {z}: {closed} {integral}");
            }
        }
    }

    #[test]
    fn the_logarithm_base_does_not_matter() {
        let k = std::f64::consts::LN_10;
        let a = Score::of(&one(Transform::Ln, 2.0, 0.5, 12.0), 3.0).unwrap();
        let b = Score::of(&one(Transform::Log10, 2.0 / k, 0.5 / k, 12.0), 3.0).unwrap();
        for (a, b) in [
            (a.crps, b.crps),
            (a.log_score, b.log_score),
            (a.pit, b.pit),
            (a.interval_score, b.interval_score),
        ] {
            assert!((a - b).abs() < 1e-12, "{a} {b}");
        }
    }

    /// E|X - z| - E|X - X'|/2 by the components of a mixture of two normals, in closed form.
    #[test]
    fn a_mixture_of_normals_agrees_with_its_closed_form() {
        let folded = |m: f64, s: f64| {
            // E|N(m, s^2)|
            let u = m / s;
            let phi = (-0.5 * u * u).exp() / (2.0 * std::f64::consts::PI).sqrt();
            s * (2.0 * phi + u * (2.0 * crate::special::normal_cdf(u) - 1.0))
        };
        let (w, m, s) = ([0.3, 0.7], [1.0, 2.5], [0.2, 0.6]);
        let p = Predictive::new(
            Transform::Ln,
            (0..2)
                .map(|k| Component {
                    weight: w[k],
                    location: m[k],
                    scale: s[k],
                    degrees_of_freedom: f64::INFINITY,
                })
                .collect(),
        )
        .unwrap();
        for z in [-1.0, 0.9, 1.8, 2.5, 6.0] {
            let mut exact = 0.0;
            for j in 0..2 {
                exact += w[j] * folded(m[j] - z, s[j]);
                for k in 0..2 {
                    exact -= 0.5 * w[j] * w[k] * folded(m[j] - m[k], s[j].hypot(s[k]));
                }
            }
            let found = crps_of_ln(&p, z.exp()).unwrap();
            assert!((found - exact).abs() < 1e-9, "{z}: {found} {exact}");
            let integral = integrated(&p, z);
            assert!((integral - exact).abs() < 1e-9, "{z}: {integral} {exact}");
        }
    }

    #[test]
    fn what_lies_below_zero_is_conditioned_away() {
        let p = one(Transform::CubeRoot, 0.8, 0.5, f64::INFINITY);
        let s = Score::of(&p, 1.0).unwrap();
        assert!((s.atom - crate::special::normal_cdf(-1.6)).abs() < 1e-12);
        let (low, high) = s.intervals[3];
        let inside = (p.cdf(high) - p.cdf(low)) / (1.0 - s.atom);
        assert!(low > 0.0 && (inside - 0.95).abs() < 1e-9, "{low} {inside}");
        assert!(s.crps.is_finite() && s.log_score.is_finite());
        // the density of ln size given a flake integrates to one
        let f = |v: f64| (p.ln_pdf(v.exp()) + v).exp() / (1.0 - s.atom);
        let pieces = (-600..40).map(|k| 0.1 * f64::from(k));
        let whole: f64 = pieces.map(|from| gauss_kronrod(from, from + 0.1, f).0).sum();
        assert!((whole - 1.0).abs() < 1e-7);
    }

    #[test]
    fn a_predictive_without_a_mean_has_an_infinite_crps() {
        assert_eq!(crps_of_ln(&one(Transform::Ln, 0.0, 1.0, 1.0), 1.0).unwrap(), f64::INFINITY);
    }
}
