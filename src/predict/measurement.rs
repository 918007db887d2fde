//! Errors of the measurements themselves: estimates from a depth, width, area or angle that is not exact.
//!
//! A measurement m with standard deviation d stands for true values t of which, before any other knowledge,
//!
//! ```text
//! lengths, areas, speeds    ln t ~ N(ln m, ln(1 + d^2 / m^2))        (the measured value is the median)
//! angles                    t ~ N(m, d^2), cut off at the ends of what the form allows (0 to 180 degrees,
//!                           0 to 90 under a tangent)
//! anything else             t ~ N(m, d^2)
//! ```
//!
//! independently of each other. The predictive is that of the calibration averaged over t by quadrature, a
//! mixture with one component a node: no line is drawn through the form, so it holds near the end of the
//! domain too. Smooth laws take Gauss-Hermite nodes, as many as the error needs beside the spread; a law cut
//! off at an end takes double exponential nodes (Takahasi & Mori 1974, Publ. RIMS Kyoto 9:721; from memory)
//! in its own distribution function, which a form that runs away at that end does not upset. Errors shared by
//! all flakes (a goniometer out of true) are not covered, nor is a calibration whose own measurements erred
//! as much: that error is already in its spread.

use super::estimate::{Ask, Estimate, Predictor};
use crate::calibration::resolved::DesignRows;
use crate::error::{Error, Place, Result};
use crate::special::{normal_cdf, normal_quantile};
use crate::strike::Measured;
use nalgebra::{DMatrix, SymmetricEigen};

/// How large the error of one measurement is.
#[derive(Debug, Clone, Copy, PartialEq)]
enum ErrorSize {
    /// A standard deviation in the unit of the measurement.
    Absolute(f64),
    /// A standard deviation as a share of the measurement.
    Relative(f64),
}

/// The errors of the measurements of a row, by name; a measurement that is not named is exact.
///
/// | measured with | standard deviation | source |
/// |---|---|---|
/// | caliper | 0.39 mm | 50 platform widths of glass flakes taken twice by caliper, recomputed from the re-measurement table of McPherron et al. 2020, PLOS ONE 15:e0241714: the differences have a standard deviation of 0.55 mm, over the root of 2 |
/// | goniometer, one observer | 4 degrees | common practice, no source: about 3 to 5 degrees |
/// | goniometer, several observers | 7.5 degrees | common practice, no source: about 5 to 10 degrees |
/// | three caliper lengths and trigonometry | 5.8 degrees | 52 angles of the platform plane by goniometer and by three caliper lengths, recomputed from the same table: the differences have a standard deviation of 8.2 degrees, over the root of 2 if both err alike; not an exterior platform angle |
///
/// ```
/// use conchoid::predict::MeasurementErrors;
/// let errors = MeasurementErrors::new()
///     .absolute("platform_depth_mm", 0.3)?
///     .relative("platform_area_mm2", 0.1)?
///     .absolute("exterior_platform_angle_deg", 4.0)?;
/// assert!(errors.clone().absolute("platform_width_mm", -1.0).is_err());
/// assert!(errors.relative("platform_width_mm", 2.0).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq)]
pub struct MeasurementErrors(Vec<(String, ErrorSize)>);

impl MeasurementErrors {
    /// No errors at all.
    pub fn new() -> MeasurementErrors {
        Self::default()
    }

    /// A standard deviation in the unit of the measurement; 0 for none.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for a standard deviation that is not finite or below 0.
    pub fn absolute(self, name: &str, sd: f64) -> Result<Self> {
        self.with(name, ErrorSize::Absolute(sd))
    }

    /// A standard deviation as a share of the measurement, 0 to 1.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] outside 0 to 1.
    pub fn relative(self, name: &str, share: f64) -> Result<Self> {
        self.with(name, ErrorSize::Relative(share))
    }

    fn with(mut self, name: &str, size: ErrorSize) -> Result<Self> {
        let (value, fine, accepted) = match size {
            ErrorSize::Absolute(v) => (v, v >= 0.0 && v.is_finite(), "a standard deviation of 0 or more"),
            ErrorSize::Relative(v) => (v, (0.0..=1.0).contains(&v), "a share of 0 to 1"),
        };
        if !fine {
            return Err(Error::OutOfRange { at: Place::column(name), value, accepted: accepted.into() });
        }
        self.0.retain(|(n, _)| n != name);
        self.0.push((name.to_string(), size));
        Ok(self)
    }

    /// Whether every measurement is exact.
    pub fn is_empty(&self) -> bool {
        self.0.iter().all(|(_, s)| matches!(s, ErrorSize::Absolute(0.0) | ErrorSize::Relative(0.0)))
    }

    /// The standard deviation of a measurement of this value; 0 where it is exact.
    pub(crate) fn sd(&self, name: &str, value: f64) -> f64 {
        match self.0.iter().find(|(n, _)| n == name) {
            Some((_, ErrorSize::Absolute(sd))) => *sd,
            Some((_, ErrorSize::Relative(share))) => share * value.abs(),
            None => 0.0,
        }
    }
}

/// Most components of a mixture; with more erring measurements each gets fewer nodes. This crate's choice, no source.
const MOST_COMPONENTS: usize = 20_000;

/// Probability beyond which the tail of a law is left off: the quantiles of the predictive do not feel it.
/// This crate's choice, no source.
const NEGLIGIBLE: f64 = 1e-13;

/// The law of one true measurement.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Law {
    /// ln t is normal about ln of the median.
    LogNormal { median: f64, sd: f64 },
    /// Normal, far from any end.
    Normal { mean: f64, sd: f64 },
    /// Normal, between two ends of which at least one is near.
    Cut { mean: f64, sd: f64, low: f64, high: f64 },
}

impl Law {
    fn of(name: &str, value: f64, sd: f64, domain: (f64, f64)) -> Law {
        let positive = ["_mm", "_mm2", "_g", "_m_s"].iter().any(|u| name.ends_with(u));
        if positive && value > 0.0 {
            return Law::LogNormal { median: value, sd: (sd / value).powi(2).ln_1p().sqrt() };
        }
        let (low, high) = domain;
        // eight standard deviations away, an end cuts off less than rounding
        if value - 8.0 * sd > low && value + 8.0 * sd < high {
            Law::Normal { mean: value, sd }
        } else {
            Law::Cut { mean: value, sd, low, high }
        }
    }

    /// The value one standard deviation to each side, inside the domain.
    fn sides(&self) -> [f64; 2] {
        match *self {
            Law::LogNormal { median, sd } => [median * (-sd).exp(), median * sd.exp()],
            Law::Normal { mean, sd } => [mean - sd, mean + sd],
            Law::Cut { mean, sd, low, high } => {
                [(mean - sd).max(0.5 * (low + mean)), (mean + sd).min(0.5 * (high + mean))]
            }
        }
    }

    /// Nodes and weights, `count` of them (a cut law takes those it needs, `count` times the usual ones).
    fn nodes(&self, count: usize) -> Vec<(f64, f64)> {
        match *self {
            Law::LogNormal { median, sd } => {
                hermite(count).into_iter().map(|(z, w)| (median * (sd * z).exp(), w)).collect()
            }
            Law::Normal { mean, sd } => hermite(count).into_iter().map(|(z, w)| (mean + sd * z, w)).collect(),
            Law::Cut { mean, sd, low, high } => cut(mean, sd, low, high, count),
        }
    }
}

/// Gauss-Hermite nodes for a standard normal, by the eigenvalues of its Jacobi matrix (Golub & Welsch 1969,
/// Math. Comput. 23:221; from memory); symmetric, weights summing to 1, negligible ones left off.
fn hermite(count: usize) -> Vec<(f64, f64)> {
    let jacobi =
        DMatrix::from_fn(
            count,
            count,
            |i, j| {
                if i.abs_diff(j) == 1 { (i.max(j) as f64).sqrt() } else { 0.0 }
            },
        );
    let eigen = SymmetricEigen::new(jacobi);
    let mut nodes: Vec<(f64, f64)> =
        (0..count).map(|k| (eigen.eigenvalues[k], eigen.eigenvectors[(0, k)].powi(2))).collect();
    nodes.sort_by(|a, b| a.0.total_cmp(&b.0));
    // exactly symmetric, as they are in theory
    let symmetric: Vec<(f64, f64)> = (0..count)
        .map(|k| {
            let mirror = nodes[count - 1 - k];
            (0.5 * (nodes[k].0 - mirror.0), 0.5 * (nodes[k].1 + mirror.1))
        })
        .collect();
    normalised(symmetric)
}

fn normalised(mut nodes: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    nodes.retain(|(v, w)| v.is_finite() && *w > NEGLIGIBLE);
    let total: f64 = nodes.iter().map(|n| n.1).sum();
    nodes.iter_mut().for_each(|n| n.1 /= total);
    nodes
}

/// Double exponential nodes of a normal law cut off at both ends, in its distribution function.
fn cut(mean: f64, sd: f64, low: f64, high: f64, count: usize) -> Vec<(f64, f64)> {
    let (a, b) = ((low - mean) / sd, (high - mean) / sd);
    // from the side on which the numbers are small, so that neither tail loses digits
    let (below, above) = (normal_cdf(a), normal_cdf(-b));
    let inside = 1.0 - below - above;
    let half = (count as i64 - 1) / 2;
    let step = 3.4 / half as f64;
    let nodes = (-half..=half).map(|k| {
        let t = k as f64 * step;
        let s = std::f64::consts::FRAC_PI_2 * t.sinh();
        // u of the way from the low end, and what is left to the high one, each with all its digits
        let (u, v) = (1.0 / (1.0 + (-2.0 * s).exp()), 1.0 / (1.0 + (2.0 * s).exp()));
        let weight = t.cosh() / s.cosh().powi(2);
        let (p, q) = (below + inside * u, above + inside * v);
        let z = if p <= q { normal_quantile(p) } else { -normal_quantile(q) };
        let value = mean + sd * z;
        (if value > low && value < high { value } else { f64::NAN }, weight)
    });
    normalised(nodes.collect())
}

/// How many nodes an error needs whose standard deviation moves the expected size by this many spreads: the
/// convolution of the two laws is then right to some 1e-8 (checked by `tests/measurement.rs`).
fn count_for(ratio: f64) -> usize {
    match ratio {
        r if r < 0.02 => 3,
        r if r < 0.1 => 5,
        r if r < 0.3 => 9,
        r if r < 0.6 => 13,
        r if r < 1.0 => 23,
        r if r < 2.0 => 61,
        _ => 121,
    }
}

impl Predictor {
    /// As [`Predictor::estimate`], from measurements that err: wider by as much as the errors deserve. The
    /// cautions are those of the measurements as they stand. Without errors the answer is the same to the bit.
    ///
    /// # Errors
    /// As [`Predictor::estimate`]; also where a true value that the errors allow is outside the domain of the
    /// form.
    ///
    /// ```
    /// use conchoid::calibration::bundled;
    /// use conchoid::predict::{MeasurementErrors, Predictor};
    /// use conchoid::strike::Strike;
    ///
    /// let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
    /// let strike = Strike::builder().platform_depth_mm(3.0).exterior_platform_angle_deg(75.0).build()?;
    /// let errors = MeasurementErrors::new()
    ///     .absolute("platform_depth_mm", 1.0)?
    ///     .absolute("exterior_platform_angle_deg", 4.0)?;
    /// let exact = predictor.estimate(&strike, &Default::default())?;
    /// let wider = predictor.estimate_with_error(&strike, &Default::default(), &errors)?;
    /// let width = |e: &conchoid::predict::Estimate| -> conchoid::Result<f64> {
    ///     let i = e.size("mass_g").unwrap().interval(0.95)?;
    ///     Ok((i.high / i.low).ln())
    /// };
    /// assert!(width(&wider)? > width(&exact)?);
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    pub fn estimate_with_error(
        &self,
        measured: &impl Measured,
        ask: &Ask,
        errors: &MeasurementErrors,
    ) -> Result<Estimate> {
        let exact = self.estimate(measured, ask)?;
        if errors.is_empty() {
            return Ok(exact);
        }
        // the same stages as an exact estimate, whose cautions are kept
        let mut asked = self.asked(measured, ask)?;
        let (at, x) = (asked.variant, &asked.x);
        let laws = self.laws(at, x, errors);
        if laws.is_empty() {
            return Ok(exact);
        }
        let mut rows = std::mem::take(&mut asked.rows);
        let ratios: Vec<f64> =
            laws.iter().map(|(place, law)| self.ratio(at, &rows[0].1, *place, law)).collect();
        let mut counts: Vec<usize> = laws
            .iter()
            .zip(&ratios)
            .map(|((_, law), r)| match law {
                Law::Cut { .. } => 81.max(count_for(*r)),
                _ => count_for(*r),
            })
            .collect();
        while rows.len() * counts.iter().product::<usize>() > MOST_COMPONENTS {
            let Some(most) = counts.iter_mut().max().filter(|c| **c > 4) else { break };
            *most -= 2;
        }
        for ((place, law), count) in laws.iter().zip(counts) {
            let nodes = law.nodes(count);
            rows = rows
                .iter()
                .flat_map(|(weight, row)| {
                    nodes.iter().map(move |(value, w)| {
                        let mut row = row.clone();
                        row[*place] = *value;
                        (weight * w, row)
                    })
                })
                .collect();
        }
        asked.rows = rows;
        asked.averaged = false;
        let wide = self.evaluate(&mut asked)?;
        Ok(Estimate { sizes: wide.sizes, endings: wide.endings, kept: wide.kept, ..exact })
    }

    /// The laws of the measurements that err and that a variant reads, by their place in an input row.
    fn laws(&self, variant: usize, x: &[f64], errors: &MeasurementErrors) -> Vec<(usize, Law)> {
        let calibration = self.calibration();
        let layout = calibration.layout();
        let v = &calibration.variants()[variant];
        let forms: Vec<_> =
            v.sizes.iter().map(|m| &m.form).chain(v.termination.as_ref().map(|t| &t.form)).collect();
        let mut laws = Vec::new();
        for (place, name) in layout.numbers.iter().enumerate() {
            let read = forms.iter().any(|f| f.needs().contains(name));
            if !read || !x[place].is_finite() {
                continue;
            }
            let sd = errors.sd(name, x[place]);
            if sd == 0.0 {
                continue;
            }
            let tangent = forms.iter().any(|f| {
                f.needs().contains(name)
                    && f.terms().iter().chain(f.spread_terms()).any(|t| t.reads(name) && t.has_tangent())
            });
            let domain = match name.as_str() {
                _ if tangent => (0.0, 90.0),
                crate::form::ANGLE => (0.0, 180.0),
                crate::form::ANGLE_OF_BLOW => (-90.0, 90.0),
                _ => (f64::NEG_INFINITY, f64::INFINITY),
            };
            laws.push((place, Law::of(name, x[place], sd, domain)));
        }
        laws
    }

    /// By how many spreads an error of one standard deviation moves the expected size, at most.
    fn ratio(&self, variant: usize, x: &[f64], place: usize, law: &Law) -> f64 {
        let sides = law.sides().map(|value| {
            // a class still open (the termination) does not matter here
            let mut row = x.to_vec();
            row[..self.calibration().layout().len()].iter_mut().filter(|v| v.is_nan()).for_each(|v| *v = 0.0);
            row[place] = value;
            let (mut designs, sizes) = (DesignRows::default(), &self.resolved().ready(variant).sizes);
            let at = sizes.iter().map(|size| size.at(&row, &mut designs));
            at.map(|at| (at.location, at.scale())).collect::<Vec<_>>()
        });
        sides[0]
            .iter()
            .zip(&sides[1])
            .map(|((low, scale), (high, other))| 0.5 * (high - low).abs() / scale.min(*other))
            .filter(|r| r.is_finite())
            .fold(0.0, f64::max)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::form::{Term, above, indicator, ln, log10, product, shifted, spline, square, tangent, value};

    #[test]
    fn hermite_nodes_are_exact_on_moments() {
        for count in [5, 7, 11, 27, 61] {
            let nodes = hermite(count);
            let moment = |k: i32| nodes.iter().map(|(z, w)| w * z.powi(k)).sum::<f64>();
            for (k, expected) in [(0, 1.0), (1, 0.0), (2, 1.0), (3, 0.0), (4, 3.0), (6, 15.0), (8, 105.0)] {
                assert!(
                    (moment(k) - expected).abs() < 1e-9 * f64::max(expected, 1.0),
                    "{count} {k}: {}",
                    moment(k)
                );
            }
        }
    }

    #[test]
    fn a_cut_law_has_its_own_mean() {
        // mean of a normal cut off from above at b: mean - sd phi(b) / Phi(b)
        for gap in [0.1, 1.0, 3.0] {
            let nodes = cut(85.0, 4.0, 0.0, 85.0 + 4.0 * gap, 81);
            let phi = (-0.5 * gap * gap).exp() / (2.0 * std::f64::consts::PI).sqrt();
            let expected = 85.0 - 4.0 * phi / normal_cdf(gap);
            let mean: f64 = nodes.iter().map(|(v, w)| v * w).sum();
            assert!((mean - expected).abs() < 1e-8, "{gap}: {mean} {expected}");
        }
    }

    /// Closed forms: Abramowitz & Stegun 1964, table 25.10, in the scale of a standard normal.
    #[test]
    fn hermite_nodes_are_those_of_the_handbook() {
        let r = 3f64.sqrt();
        for ((z, w), (node, weight)) in
            hermite(3).into_iter().zip([(-r, 1.0 / 6.0), (0.0, 2.0 / 3.0), (r, 1.0 / 6.0)])
        {
            assert!((z - node).abs() < 1e-14 && (w - weight).abs() < 1e-14, "{z} {w}");
        }
        for count in [4, 9, 30] {
            let nodes = hermite(count);
            for ((z, w), (mirror, same)) in nodes.iter().zip(nodes.iter().rev()) {
                assert!(*z == -*mirror && w == same, "{count}: {z} {w}");
            }
        }
    }

    #[test]
    fn what_is_left_of_nodes_sums_to_one() {
        let left =
            normalised(vec![(1.0, 0.2), (f64::NAN, 0.5), (2.0, 0.6), (3.0, 1e-14), (f64::INFINITY, 9.0)]);
        assert_eq!(left.iter().map(|n| n.0).collect::<Vec<_>>(), [1.0, 2.0]);
        assert!((left[0].1 - 0.25).abs() < 1e-15 && (left[1].1 - 0.75).abs() < 1e-15);
    }

    /// The mean and variance of a normal cut off at both ends have closed forms in its density.
    #[test]
    fn a_law_cut_off_at_both_ends_has_its_own_moments() {
        let phi = |z: f64| (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt();
        for (mean, sd, low, high) in
            [(88.0, 4.0, 0.0, 90.0), (2.0, 3.0, 0.0, 180.0), (45.0, 30.0, 0.0, 90.0), (60.0, 40.0, 0.0, 90.0)]
        {
            let (a, b) = ((low - mean) / sd, (high - mean) / sd);
            let inside = normal_cdf(b) - normal_cdf(a);
            let shift = (phi(a) - phi(b)) / inside;
            let variance = 1.0 + (a * phi(a) - b * phi(b)) / inside - shift * shift;
            let law = Law::Cut { mean, sd, low, high };
            let nodes = law.nodes(81);
            assert!(nodes.iter().all(|(v, _)| low < *v && *v < high));
            let found: f64 = nodes.iter().map(|(v, w)| v * w).sum();
            assert!((found - (mean + sd * shift)).abs() < 1e-8, "{mean} {sd}: {found}");
            let spread: f64 = nodes.iter().map(|(v, w)| w * (v - found).powi(2)).sum();
            assert!((spread / (sd * sd * variance) - 1.0).abs() < 1e-8, "{mean} {sd}: {spread}");
        }
    }

    #[test]
    fn smooth_laws_have_the_moments_asked_for() {
        // a log-normal about a median m with standard deviation d where d is small, by its definition:
        // E t = m sqrt(1 + d^2 / m^2) and var t = (E t)^2 d^2 / m^2
        let law = Law::of("platform_depth_mm", 5.0, 1.0, (f64::NEG_INFINITY, f64::INFINITY));
        let nodes = law.nodes(23);
        let mean: f64 = nodes.iter().map(|(v, w)| v * w).sum();
        let spread: f64 = nodes.iter().map(|(v, w)| w * (v - mean).powi(2)).sum();
        assert!((mean - 5.0 * 1.04f64.sqrt()).abs() < 1e-12, "{mean}");
        assert!((spread - mean * mean * 0.04).abs() < 1e-11, "{spread}");
        let nodes = Law::of(crate::form::ANGLE, 75.0, 4.0, (0.0, 180.0)).nodes(9);
        let mean: f64 = nodes.iter().map(|(v, w)| v * w).sum();
        let spread: f64 = nodes.iter().map(|(v, w)| w * (v - mean).powi(2)).sum();
        assert!((mean - 75.0).abs() < 1e-12 && (spread - 16.0).abs() < 1e-11, "{mean} {spread}");
    }

    #[test]
    fn the_law_is_chosen_by_unit_and_by_how_near_an_end_is() {
        let all = (f64::NEG_INFINITY, f64::INFINITY);
        for name in ["platform_depth_mm", "platform_area_mm2", "mass_g", "speed_m_s"] {
            assert!(matches!(Law::of(name, 2.0, 9.0, all), Law::LogNormal { .. }), "{name}");
        }
        // nothing has no logarithm
        assert_eq!(Law::of("mass_g", 0.0, 1.0, all), Law::Normal { mean: 0.0, sd: 1.0 });
        let angle = |value, high| Law::of(crate::form::ANGLE, value, 4.0, (0.0, high));
        assert_eq!(angle(75.0, 180.0), Law::Normal { mean: 75.0, sd: 4.0 });
        assert_eq!(angle(75.0, 90.0), Law::Cut { mean: 75.0, sd: 4.0, low: 0.0, high: 90.0 });
        assert_eq!(angle(30.0, 180.0), Law::Cut { mean: 30.0, sd: 4.0, low: 0.0, high: 180.0 });
        // 33 and 57 are eight and a quarter standard deviations from an end
        assert_eq!(angle(33.0, 90.0), Law::Normal { mean: 33.0, sd: 4.0 });
        assert_eq!(angle(57.0, 90.0), Law::Normal { mean: 57.0, sd: 4.0 });
    }

    #[test]
    fn sides_are_one_standard_deviation_away_or_half_way_to_the_end() {
        let near = |found: [f64; 2], expected: [f64; 2]| {
            assert!(found.iter().zip(expected).all(|(f, e)| (f - e).abs() < 1e-13), "{found:?}");
        };
        near(Law::Normal { mean: 75.0, sd: 4.0 }.sides(), [71.0, 79.0]);
        near(Law::LogNormal { median: 6.0, sd: 2f64.ln() }.sides(), [3.0, 12.0]);
        near(Law::Cut { mean: 88.0, sd: 4.0, low: 0.0, high: 90.0 }.sides(), [84.0, 89.0]);
        near(Law::Cut { mean: 2.0, sd: 4.0, low: 0.0, high: 90.0 }.sides(), [1.0, 6.0]);
        near(Law::Cut { mean: 4.0, sd: 20.0, low: -2.0, high: 10.0 }.sides(), [1.0, 7.0]);
    }

    /// A normal error in a normal law is a normal law: the mixture is held against it at the largest ratio that
    /// each count of nodes serves.
    #[test]
    fn nodes_are_as_many_as_the_convolution_needs() {
        for ratio in [0.0199, 0.0999, 0.2999, 0.5999, 0.9999, 1.9999, 3.3] {
            let nodes = hermite(count_for(ratio));
            for step in -40..=40 {
                let x = 0.1 * f64::from(step);
                let found: f64 = nodes.iter().map(|(z, w)| w * normal_cdf(x - ratio * z)).sum();
                let expected = normal_cdf(x / (1.0 + ratio * ratio).sqrt());
                assert!((found - expected).abs() < 1e-7, "{ratio} at {x}: {found} {expected}");
            }
        }
    }

    #[test]
    fn terms_are_searched_to_their_leaves() {
        let around = |of: &Term| {
            let curved = spline(of.clone(), &[1.0, 2.0, 3.0]).remove(1);
            let both = product([value("b_mm"), of.clone()]);
            let of = || of.clone();
            [ln(of()), log10(of()), square(of()), above(of(), 1.0), shifted(of(), 1.0), curved, both]
        };
        for term in around(&tangent("a_deg")) {
            assert!(term.has_tangent() && term.reads("a_deg") && !term.reads("c"), "{term}");
        }
        for term in around(&value("a_deg")) {
            assert!(!term.has_tangent() && term.reads("a_deg"), "{term}");
        }
        let class = indicator("a_deg", "x");
        assert!(!class.has_tangent() && !class.reads("a_deg"));
    }

    /// A piece of numbers only.
    struct Piece(&'static [(&'static str, f64)]);

    impl Measured for Piece {
        fn number(&self, name: &str) -> Option<f64> {
            self.0.iter().find(|(n, _)| *n == name).map(|(_, v)| *v)
        }
        fn class(&self, _: &str) -> Option<&str> {
            None
        }
    }

    fn predictor(name: &str) -> Predictor {
        Predictor::new(crate::calibration::bundled::named(name).unwrap()).unwrap()
    }

    const DEPTH: (&str, f64) = ("platform_depth_mm", 6.0);
    const WIDTH: (&str, f64) = ("platform_width_mm", 20.0);
    const ANGLE: (&str, f64) = ("exterior_platform_angle_deg", 75.0);
    const ANGLE_OF_BLOW: (&str, f64) = ("angle_of_blow_deg", 20.0);

    #[test]
    fn an_error_of_what_the_form_does_not_read_changes_nothing() {
        // scars count only beside cortex
        let piece = Piece(&[DEPTH, ANGLE, ("dorsal_scars", 3.0)]);
        let p = predictor("hard-hammer-flint");
        let errors = MeasurementErrors::new().absolute("dorsal_scars", 2.0).unwrap();
        let exact = p.estimate(&piece, &Default::default()).unwrap();
        assert_eq!(p.estimate_with_error(&piece, &Default::default(), &errors).unwrap(), exact);
    }

    #[test]
    fn a_blow_leans_to_either_side() {
        let p = predictor("controlled-glass");
        let asked = p.asked(&Piece(&[DEPTH, ANGLE, ANGLE_OF_BLOW]), &Default::default()).unwrap();
        let (at, x) = (asked.variant, asked.x);
        let law = |sd| {
            let errors = MeasurementErrors::new().absolute(ANGLE_OF_BLOW.0, sd).unwrap();
            let laws = p.laws(at, &x, &errors);
            assert_eq!(laws.len(), 1);
            laws[0].1
        };
        assert_eq!(law(2.0), Law::Normal { mean: 20.0, sd: 2.0 });
        assert_eq!(law(12.0), Law::Cut { mean: 20.0, sd: 12.0, low: -90.0, high: 90.0 });
    }

    #[test]
    fn a_mixture_stays_small_however_much_errs() {
        let errors = |names: &[&str]| {
            names.iter().try_fold(MeasurementErrors::new(), |e, n| e.relative(n, 0.9)).unwrap()
        };
        // 39 settings of the blow; and none, where three measurements err
        let names = [DEPTH.0, ANGLE.0, WIDTH.0, ANGLE_OF_BLOW.0];
        for piece in [Piece(&[DEPTH, ANGLE, WIDTH]), Piece(&[DEPTH, ANGLE, WIDTH, ANGLE_OF_BLOW])] {
            let p = predictor("controlled-glass");
            let e = p.estimate_with_error(&piece, &Default::default(), &errors(&names)).unwrap();
            let exact = p.estimate(&piece, &Default::default()).unwrap();
            for (wide, exact) in e.sizes.iter().zip(&exact.sizes) {
                let (many, few) = (wide.predictive.components().len(), exact.predictive.components().len());
                // negligible nodes are left off, so fewer than the most that are allowed
                assert!(many <= MOST_COMPONENTS && many > 20 * few, "{many} from {few}");
            }
        }
    }

    /// Against two exact estimates, one standard deviation to each side.
    #[test]
    fn the_ratio_is_how_far_estimates_at_both_sides_lie_apart() {
        let p = predictor("hard-hammer-flint");
        let asked = p.asked(&Piece(&[DEPTH, ANGLE]), &Default::default()).unwrap();
        let (at, x) = (asked.variant, asked.x);
        let errors = MeasurementErrors::new().absolute(ANGLE.0, 4.0).unwrap();
        let (place, law) = p.laws(at, &x, &errors)[0];
        let sizes = |piece: Piece| p.estimate(&piece, &Default::default()).unwrap().sizes;
        let (low, high) = (
            sizes(Piece(&[DEPTH, ("exterior_platform_angle_deg", 71.0)])),
            sizes(Piece(&[DEPTH, ("exterior_platform_angle_deg", 79.0)])),
        );
        let expected = low
            .iter()
            .zip(&high)
            .map(|(l, h)| {
                let (l, h) = (l.predictive.components()[0], h.predictive.components()[0]);
                (h.location - l.location).abs() / 2.0 / l.scale.min(h.scale)
            })
            .fold(0.0, f64::max);
        let found = p.ratio(at, &x, place, &law);
        assert!((found - expected).abs() < 1e-9 && found > 0.0, "{found} {expected}");
    }
}
