//! The predictive distribution of one size of one future flake.
//!
//! On the transformed scale it is a Student t, or a mixture of a few (over settings of the blow that were
//! not recorded, or over terminations):
//!
//! ```text
//! P(g(size) <= v) = sum_k w_k T((v - m_k) / s_k; d_k)
//! ```
//!
//! with weight w, location m, scale s and degrees of freedom d (infinite: normal). Sizes are read off by
//! mapping quantiles back through the transform, which keeps them exact.

use crate::calibration::resolved::At;
use crate::error::{Error, Place, Result};
use crate::form::Transform;
use crate::special::{
    Student, TailQuantile, ln_sum, newton_within, student_cdf, student_ln_pdf, student_quantile,
    student_quantile_upper, student_sf,
};
use crate::vector;
use rand::{Rng, RngExt};
use rand_distr::Distribution;

use super::mixture::Mixtures;
use super::selected::Selected;

pub use super::mixture::Component;
pub use crate::error::LEVEL;

/// The level of an interval where none is asked for: 95 in 100 inside. Common practice, no source.
pub(crate) const USUAL_LEVEL: f64 = 0.95;

impl Component {
    /// Of a size at one input row, by this share.
    pub(crate) fn of(weight: f64, at: &At) -> Component {
        let (location, scale, degrees_of_freedom) = (at.location, at.scale(), at.degrees_of_freedom);
        Component { weight, location, scale, degrees_of_freedom }
    }
}

/// An interval with its middle, in the unit of the size.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Interval {
    /// Lower end: of a central interval, as much probability lies below it as above the upper end.
    pub low: f64,
    /// The size exceeded by half of such flakes.
    pub median: f64,
    /// Upper end.
    pub high: f64,
    /// The probability inside.
    pub level: f64,
}

/// Beyond these the product or quotient of two exponentials could leave the range of numbers, which ends near
/// exp(709): twice 340 stays within. This crate's choice, no source.
pub(super) const LARGEST: f64 = 340.0;

impl Interval {
    /// The interval that lies `half` to either side of `middle` on the transformed scale. Under a logarithm the ends
    /// are the middle divided and multiplied by one factor, so that two exponentials do for three numbers.
    pub(super) fn symmetric(transform: Transform, middle: f64, half: f64, level: f64) -> Interval {
        let powers = Interval::exponents(transform, middle, half).map(vector::exp);
        Interval::of_powers(transform, middle, half, powers, level)
    }

    /// What [`Interval::of_powers`] takes the exponentials of.
    #[inline]
    pub(super) fn exponents(transform: Transform, middle: f64, half: f64) -> [f64; 2] {
        let k = if transform == Transform::Log10 { std::f64::consts::LN_10 } else { 1.0 };
        [k * middle, k * half]
    }

    /// The interval of [`Interval::symmetric`], its exponentials given.
    #[inline]
    pub(super) fn of_powers(
        transform: Transform,
        middle: f64,
        half: f64,
        [median, factor]: [f64; 2],
        level: f64,
    ) -> Interval {
        if !matches!(transform, Transform::Ln | Transform::Log10) {
            let [low, median, high] = [middle - half, middle, middle + half].map(|v| transform.invert(v));
            return Interval { low, median, high, level };
        }
        let [a, b] = Interval::exponents(transform, middle, half);
        if a.abs() < LARGEST && b < LARGEST {
            Interval { low: median / factor, median, high: median * factor, level }
        } else {
            Interval { low: vector::exp(a - b), median, high: vector::exp(a + b), level }
        }
    }

    /// The central interval of a level under a quantile function.
    pub(crate) fn central(level: f64, quantile: impl Fn(f64) -> Result<f64>) -> Result<Interval> {
        let level = LEVEL.check(level)?;
        let tail = 0.5 * (1.0 - level);
        Ok(Interval { low: quantile(tail)?, median: quantile(0.5)?, high: quantile(1.0 - tail)?, level })
    }

    /// Itself, where its ends are numbers.
    pub(crate) fn finite(self) -> Result<Interval> {
        if self.low.is_finite() && self.median.is_finite() && self.high.is_finite() {
            return Ok(self);
        }
        let reason = format!(
            "its interval at level {} has no finite ends (the measurements are too far from those of the calibration)",
            self.level
        );
        Err(Error::Refused { at: Place::default(), reason })
    }

    /// With its ends on their sides of the median, where rounding put them a last place beyond it.
    pub(crate) fn in_order(mut self) -> Interval {
        if self.low > self.median {
            self.low = self.median;
        }
        if self.high < self.median {
            self.high = self.median;
        }
        self
    }
}

/// Upper t quantiles at a few tails, as far as they were worked out: pass one along where many intervals are asked for.
#[derive(Debug, Clone, Default)]
pub(crate) struct Quantiles(Vec<TailQuantile>);

/// Tails remembered at once. This crate's choice, no source.
const MOST_TAILS: usize = 8;

impl Quantiles {
    fn upper(&mut self, tail: f64, degrees_of_freedom: f64) -> f64 {
        let at = self.0.iter().position(|q| q.tail() == tail).unwrap_or_else(|| {
            self.0.truncate(MOST_TAILS - 1);
            self.0.push(TailQuantile::new(tail));
            self.0.len() - 1
        });
        self.0[at].at(degrees_of_freedom)
    }
}

/// The distribution of one size of one future flake.
///
/// ```
/// use conchoid::form::Transform;
/// use conchoid::predict::{Component, Predictive};
/// let t = Component { weight: 1.0, location: 3.0, scale: 0.4, degrees_of_freedom: 20.0 };
/// let mass = Predictive::new(Transform::Ln, vec![t]).unwrap();
/// let i = mass.interval(0.95).unwrap();
/// assert!(i.low < i.median && i.median < i.high);
/// assert!((mass.cdf(i.high) - mass.cdf(i.low) - 0.95).abs() < 1e-12);
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Predictive {
    transform: Transform,
    components: Vec<Component>,
    /// For each component what was kept of it; empty where nothing was selected.
    selected: Vec<Selected>,
}

/// What the log density needs of a component and does not change with the size.
#[derive(Debug, Clone)]
pub(crate) struct Part {
    /// Log density at its middle, by its weight.
    ln_peak: f64,
    shape: Student,
}

impl Predictive {
    /// From components on the transformed scale; their weights are scaled to sum to 1.
    ///
    /// # Errors
    /// [`Error::Invalid`] without components, or with a weight below 0, a scale or degrees of freedom not
    /// above 0, or a number that is not finite (degrees of freedom may be infinite).
    pub fn new(transform: Transform, components: Vec<Component>) -> Result<Predictive> {
        let fine = |c: &Component| {
            c.weight >= 0.0
                && c.weight.is_finite()
                && c.location.is_finite()
                && c.scale > 0.0
                && c.scale.is_finite()
                && c.degrees_of_freedom > 0.0
        };
        let total: f64 = components.iter().map(|c| c.weight).sum();
        if components.is_empty() || !components.iter().all(fine) || !(total > 0.0 && total.is_finite()) {
            return Err(Error::invalid(
                "predictive",
                "needs components of finite location, positive spread and a positive sum of weights",
            ));
        }
        let mut p = Predictive { transform, components, selected: Vec::new() };
        if p.components.len() == 1 {
            p.components[0].weight = 1.0;
        } else {
            p.components.iter_mut().for_each(|c| c.weight /= total);
        }
        Ok(p)
    }

    /// The same, of what was kept of each component.
    pub(super) fn selected(mut self, selected: Vec<Selected>) -> Predictive {
        self.selected = selected;
        self
    }

    /// Whether it is the law of flakes that were kept.
    pub(crate) fn is_selected(&self) -> bool {
        !self.selected.is_empty()
    }

    /// The same mixture moved so that its median stands at the mean of its components' locations. Blows that were not
    /// given are averaged so: what grows at every blow grows in the answer, and sizes that agree at every blow agree in
    /// it, which medians of mixtures do not.
    pub(crate) fn about_the_mean(mut self) -> Predictive {
        if self.components.len() > 1 {
            let by = self.median_to_mean();
            self.components.iter_mut().for_each(|c| c.location += by);
        }
        self
    }

    /// How far the mean of the components' locations lies above the median of the mixture, transformed scale.
    pub(crate) fn median_to_mean(&self) -> f64 {
        let mean: f64 = self.components.iter().map(|c| c.weight * c.location).sum();
        mean - self.quantile_transformed(0.5, 0.5)
    }

    /// The transform of the size.
    pub(crate) fn transform(&self) -> Transform {
        self.transform
    }

    /// The components, transformed scale, weights summing to 1.
    pub fn components(&self) -> &[Component] {
        &self.components
    }

    /// The value on the transformed scale that a size has; minus infinity where a size is too small for the
    /// transform (zero and less under a logarithm, 1 and less under that of the excess; below zero under a cube
    /// root).
    pub(crate) fn forward(&self, size: f64) -> f64 {
        match self.transform {
            Transform::Identity => size,
            Transform::CubeRoot if size == 0.0 => 0.0,
            t if size <= t.above() => f64::NEG_INFINITY,
            t => t.apply(size),
        }
    }

    /// Something of every component with what was kept of it, summed by weight.
    fn of_selected(&self, of: impl Fn(&Selected, &Component) -> f64) -> f64 {
        self.components.iter().zip(&self.selected).map(|(c, s)| c.weight * of(s, c)).sum()
    }

    fn cdf_at(&self, v: f64) -> f64 {
        if self.is_selected() {
            return self.of_selected(|s, c| s.cdf(c, v));
        }
        self.components.iter().map(|c| c.weight * student_cdf(c.standard(v), c.degrees_of_freedom)).sum()
    }

    fn sf_at(&self, v: f64) -> f64 {
        if self.is_selected() {
            return self.of_selected(|s, c| s.sf(c, v));
        }
        self.components.iter().map(|c| c.weight * student_sf(c.standard(v), c.degrees_of_freedom)).sum()
    }

    fn pdf_at(&self, v: f64) -> f64 {
        if self.is_selected() {
            let plain =
                |c: &Component| (student_ln_pdf(c.standard(v), c.degrees_of_freedom) - c.scale.ln()).exp();
            return self.of_selected(|s, c| s.factor(c, v) * plain(c));
        }
        self.components
            .iter()
            .map(|c| c.weight * (student_ln_pdf(c.standard(v), c.degrees_of_freedom) - c.scale.ln()).exp())
            .sum()
    }

    /// Probability that the size is at most this.
    pub fn cdf(&self, size: f64) -> f64 {
        if size.is_nan() {
            return f64::NAN;
        }
        self.cdf_at(self.forward(size)).clamp(0.0, 1.0)
    }

    /// Probability that the size is more than this, accurate in the upper tail.
    pub fn sf(&self, size: f64) -> f64 {
        if size.is_nan() {
            return f64::NAN;
        }
        self.sf_at(self.forward(size)).clamp(0.0, 1.0)
    }

    /// Log density of the size, in one over its unit. Minus infinity where it cannot be.
    ///
    /// Under a cube root the probability of no flake at all (an atom at 0) has no density.
    pub fn ln_pdf(&self, size: f64) -> f64 {
        self.ln_pdf_by(&self.parts(), size)
    }

    /// What the log density needs of each component, for many sizes.
    pub(crate) fn parts(&self) -> Vec<Part> {
        let part = |c: &Component| {
            let shape = Student::new(c.degrees_of_freedom);
            Part { ln_peak: c.weight.ln() + shape.ln_pdf(0.0) - c.scale.ln(), shape }
        };
        self.components.iter().map(part).collect()
    }

    /// Log density at a size, by the parts of this distribution.
    pub(crate) fn ln_pdf_by(&self, parts: &[Part], size: f64) -> f64 {
        let v = self.forward(size);
        if !v.is_finite() || size <= self.transform.above() {
            return f64::NEG_INFINITY;
        }
        self.ln_pdf_at(parts, v) + self.transform.ln_jacobian_at(v)
    }

    /// Log density on the transformed scale.
    pub(crate) fn ln_pdf_transformed(&self, v: f64) -> f64 {
        self.ln_pdf_at(&self.parts(), v)
    }

    fn ln_pdf_at(&self, parts: &[Part], v: f64) -> f64 {
        if self.is_selected() {
            return self.pdf_at(v).ln();
        }
        let each = self.components.iter().zip(parts);
        let terms = each.map(|(c, part)| part.ln_peak + part.shape.ln_pdf_below_peak(c.standard(v)));
        if let [_] = parts {
            let only: f64 = terms.sum();
            return if only.is_nan() { f64::NEG_INFINITY } else { only };
        }
        ln_sum(terms)
    }

    /// Probability of no size at all: what lies below zero on the scale of a cube root (or of an identity).
    pub(crate) fn atom_at_zero(&self) -> f64 {
        match self.transform {
            Transform::CubeRoot => self.cdf_at(0.0),
            _ => 0.0,
        }
    }

    /// The size below which a flake falls with probability p.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < p < 1.
    pub fn quantile(&self, p: f64) -> Result<f64> {
        let p = LEVEL.check(p)?;
        Ok(self.transform.invert(self.quantile_transformed(p, 1.0 - p)))
    }

    /// The size that a flake exceeds with probability q; accurate for small q.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < q < 1.
    pub(crate) fn quantile_upper(&self, q: f64) -> Result<f64> {
        let q = LEVEL.check(q)?;
        Ok(self.transform.invert(self.quantile_transformed(1.0 - q, q)))
    }

    /// The quantile on the transformed scale, from both tail probabilities (p + q = 1).
    fn quantile_transformed(&self, p: f64, q: f64) -> f64 {
        let [v] = self.quantiles_transformed([(p, q)]);
        v
    }

    /// The same for several pairs.
    fn quantiles_transformed<const N: usize>(&self, pairs: [(f64, f64); N]) -> [f64; N] {
        let of = |c: &Component, (p, q): (f64, f64)| {
            let z = if p <= 0.5 {
                student_quantile(p, c.degrees_of_freedom)
            } else {
                student_quantile_upper(q, c.degrees_of_freedom)
            };
            c.location + c.scale * z
        };
        if self.is_selected() {
            // P(<= v | kept) is at most P(<= v) / P(kept), in each component and at either end
            let ends = |(p, q): (f64, f64)| {
                let each = self.components.iter().zip(&self.selected);
                let each = each.map(|(c, s)| {
                    let z = |tail: f64, t: fn(f64, f64) -> f64| {
                        c.location + c.scale * t(tail * s.kept, c.degrees_of_freedom)
                    };
                    (z(p, student_quantile), z(q, student_quantile_upper))
                });
                each.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), (low, high)| (a.min(low), b.max(high)))
            };
            return pairs.map(|(p, q)| {
                let (low, high) = ends((p, q));
                self.solve(p, q, low, high)
            });
        }
        if let [one] = &self.components[..] {
            return pairs.map(|pair| of(one, pair));
        }
        let mut found = [f64::NAN; N];
        Mixtures::of(&self.components).quantiles(&pairs, &mut found);
        for (v, (p, q)) in found.iter_mut().zip(pairs).filter(|(v, _)| v.is_nan()) {
            // the quantile of a mixture lies between those of its components
            let some = self.components.iter().filter(|c| c.weight > 0.0);
            let own = some.map(|c| of(c, (p, q)));
            let (low, high) = own.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (v.min(a), v.max(b)));
            *v = self.solve(p, q, low, high);
        }
        found
    }

    /// Newton's method on the nearer tail.
    fn solve(&self, p: f64, q: f64, low: f64, high: f64) -> f64 {
        let excess_and_slope = |v: f64| {
            // positive where v is too large
            let excess = if p <= 0.5 { self.cdf_at(v) - p } else { q - self.sf_at(v) };
            (excess, self.pdf_at(v))
        };
        let settled =
            |before: f64, v: f64, _| (v - before).abs() <= 4.0 * f64::EPSILON * before.abs().max(1e-3);
        newton_within((low, high), 0.5 * (low + high), excess_and_slope, settled)
    }

    /// The median size.
    pub fn median(&self) -> f64 {
        self.transform.invert(self.quantile_transformed(0.5, 0.5))
    }

    /// The central interval of this level, with the median.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < level < 1; [`Error::Refused`] where an end of it is beyond the numbers.
    pub fn interval(&self, level: f64) -> Result<Interval> {
        self.interval_with(level, &mut Quantiles::default())
    }

    /// The same, remembering t quantiles between calls: many flakes under one calibration share few.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < level < 1; [`Error::Refused`] where an end of it is beyond the numbers.
    pub(crate) fn interval_with(&self, level: f64, quantiles: &mut Quantiles) -> Result<Interval> {
        let level = LEVEL.check(level)?;
        let tail = 0.5 * (1.0 - level);
        if let ([one], false) = (&self.components[..], self.is_selected()) {
            // symmetric on the transformed scale: one quantile does for both ends
            let half = one.scale * quantiles.upper(tail, one.degrees_of_freedom);
            return Interval::symmetric(self.transform, one.location, half, level).finite();
        }
        let pairs = [(tail, 1.0 - tail), (0.5, 0.5), (1.0 - tail, tail)];
        let [low, median, high] = self.quantiles_transformed(pairs).map(|v| self.transform.invert(v));
        Interval { low, median, high, level }.in_order().finite()
    }

    /// Whether no usual interval can come near the end of the numbers: then none need be looked at.
    pub(crate) fn plainly_finite(&self) -> bool {
        self.components.iter().all(|c| c.location.abs() + 45.0 * c.scale < 300.0)
    }

    /// The mean size *if the errors were normal with this scale*.
    ///
    /// The exponential of a Student t has no mean, so under a logarithm this is the only mean there is, and
    /// it rests on the normal law far out in its tail. None where even that does not exist: an identity
    /// whose t has one degree of freedom or less.
    ///
    /// | transform | mean |
    /// |---|---|
    /// | identity | m |
    /// | ln | exp(m + s^2 / 2) |
    /// | log10 | the same in natural logarithms |
    /// | cube root | m^3 + 3 m s^2 |
    /// | ln(size - 1) | 1 + exp(m + s^2 / 2) |
    ///
    /// None of flakes that were kept.
    pub(crate) fn mean_under_normal_errors(&self) -> Option<f64> {
        if self.is_selected() {
            return None;
        }
        let mut mean = 0.0;
        for c in &self.components {
            let (m, s) = (c.location, c.scale);
            mean += c.weight
                * match self.transform {
                    Transform::Identity if c.degrees_of_freedom <= 1.0 => return None,
                    Transform::Identity => m,
                    Transform::Ln => (m + 0.5 * s * s).exp(),
                    Transform::Log10 => {
                        let k = std::f64::consts::LN_10;
                        (k * m + 0.5 * (k * s) * (k * s)).exp()
                    }
                    Transform::CubeRoot => m * m * m + 3.0 * m * s * s,
                    Transform::LnExcess => 1.0 + (m + 0.5 * s * s).exp(),
                };
        }
        (mean.is_finite()).then_some(mean)
    }

    /// Draws one size.
    ///
    /// `rng` is any generator of the crate `rand`, version 0.10 (`rand_chacha::ChaCha8Rng::seed_from_u64(7)`).
    pub fn sample<R: Rng + ?Sized>(&self, rng: &mut R) -> f64 {
        if self.is_selected() {
            let u: f64 = rng.random_range(f64::EPSILON..1.0);
            return self.transform.invert(self.quantile_transformed(u, 1.0 - u));
        }
        let mut left: f64 = rng.random();
        let last = self.components.len() - 1;
        let picked = self.components.iter().take(last).find(|c| {
            left -= c.weight;
            left < 0.0
        });
        let c = picked.unwrap_or(&self.components[last]);
        self.transform.invert(c.location + c.scale * standard_draw(c.degrees_of_freedom, rng))
    }
}

/// One draw of a standard Student t (normal where the degrees of freedom are infinite or huge).
pub(crate) fn standard_draw<R: Rng + ?Sized>(degrees_of_freedom: f64, rng: &mut R) -> f64 {
    match rand_distr::StudentT::new(degrees_of_freedom) {
        Ok(t) if degrees_of_freedom < 1e9 => t.sample(rng),
        _ => rand_distr::StandardNormal.sample(rng),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn normal(weight: f64, location: f64, scale: f64) -> Component {
        Component { weight, location, scale, degrees_of_freedom: f64::INFINITY }
    }

    /// Standard normal quantiles: 0.975 from any table, the rest by Python's `statistics.NormalDist().inv_cdf`.
    const Z_975: f64 = 1.959_963_984_540_054;
    const Z_90: f64 = 1.281_551_565_544_600_4;

    #[test]
    fn ends_beyond_the_median_are_drawn_to_it_and_others_left() {
        let i = |low, median, high| Interval { low, median, high, level: 0.5 }.in_order();
        assert_eq!((i(1.0, 2.0, 3.0).low, i(1.0, 2.0, 3.0).high), (1.0, 3.0));
        let turned = i(3.0, 2.0, 1.0);
        assert_eq!((turned.low, turned.median, turned.high, turned.level), (2.0, 2.0, 2.0, 0.5));
    }

    #[test]
    fn a_few_tails_are_remembered_and_no_more_than_a_few() {
        let mut known = Quantiles::default();
        for tail in [0.025, 0.05, 0.025, 0.05] {
            known.upper(tail, 7.0);
        }
        assert_eq!(known.0.len(), 2, "each is worked out once");
        for i in 1..50 {
            known.upper(0.01 * f64::from(i), 7.0);
            assert!(known.0.len() <= MOST_TAILS);
        }
    }

    #[test]
    fn ends_on_the_transformed_scale_are_those_of_the_normal_table() {
        let ends = |p: &Predictive, level: f64| {
            let i = p.interval(level).unwrap();
            (i.low.ln(), i.high.ln())
        };
        let (low, high) = ends(&Predictive::new(Transform::Ln, vec![normal(1.0, 3.0, 2.0)]).unwrap(), 0.95);
        assert!((low - (3.0 - 2.0 * Z_975)).abs() < 1e-13 && (high - (3.0 + 2.0 * Z_975)).abs() < 1e-13);
        // a mixture of two laws that do not touch: half of each tail's probability belongs to one of them
        let apart =
            Predictive::new(Transform::Ln, vec![normal(1.0, -50.0, 1.0), normal(1.0, 50.0, 3.0)]).unwrap();
        let (low, high) = ends(&apart, 0.9);
        assert!((low - (-50.0 - Z_90)).abs() < 1e-12, "{low}");
        assert!((high - (50.0 + 3.0 * Z_90)).abs() < 1e-12, "{high}");
        assert!(apart.interval(1.0).is_err());
    }

    #[test]
    fn no_flake_at_all_has_no_density() {
        let p = Predictive::new(Transform::CubeRoot, vec![normal(1.0, 1.0, 1.0)]).unwrap();
        assert_eq!(p.ln_pdf(0.0), f64::NEG_INFINITY);
        assert!(p.ln_pdf(1e-9).is_finite());
    }
}
