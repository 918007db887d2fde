//! Quantiles of a mixture of t distributions, quickly: a guess from a mixture of logistic curves, then Halley's method on
//! the exact tail.
//!
//! With g the nearer tail less what it should be, f its density and d = g / f:
//!
//! ```text
//!   v <- v - d / (1 - d f'(v) / (2 f(v)))        an error e becomes one of order e^3
//! ```
//!
//! Two or three evaluations of the tails do. Where a step leaves what is known to enclose the quantile, or the steps do
//! not settle, nothing is given back and the slow way is gone.

use crate::special::{Student, normal_quantile_upper};
use crate::vector::{self, Kernel};

/// One Student t on the transformed scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Component {
    /// Share of this component; the shares of a predictive sum to 1.
    pub weight: f64,
    /// Centre, transformed scale.
    pub location: f64,
    /// Scale, transformed scale; for a normal its standard deviation.
    pub scale: f64,
    /// Degrees of freedom; infinite for a normal.
    pub degrees_of_freedom: f64,
}

impl Component {
    pub(super) fn standard(&self, v: f64) -> f64 {
        (v - self.location) / self.scale
    }
}

/// A step of so small a share of the narrowest component is the last one: what is left is its cube. Own choice.
const LAST_STEP: f64 = 1e-6;

/// Steps before the slow way is gone. Own choice.
const MOST_STEPS: usize = 12;

/// The value below which the mixture has probability p, and above which q = 1 - p.
pub(super) fn quantile(components: &[Component], p: f64, q: f64) -> Option<f64> {
    let some: Vec<&Component> = components.iter().filter(|c| c.weight > 0.0).collect();
    let shapes: Vec<Student> = some.iter().map(|c| Student::new(c.degrees_of_freedom)).collect();
    let narrowest = some.iter().map(|c| c.scale).fold(f64::INFINITY, f64::min);
    let mut v = guess(&some, &shapes, p, q)?;
    let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
    for _ in 0..MOST_STEPS {
        let (mut tail, mut density, mut slope) = (0.0, 0.0, 0.0);
        for (c, t) in some.iter().zip(&shapes) {
            let z = c.standard(v);
            let f = c.weight * t.pdf(z) / c.scale;
            tail += c.weight * if p <= 0.5 { t.cdf(z) } else { t.sf(z) };
            density += f;
            slope += f * t.ln_pdf_slope(z) / c.scale;
        }
        // positive where v is too large
        let excess = if p <= 0.5 { tail - p } else { q - tail };
        if excess == 0.0 {
            return Some(v);
        }
        if excess > 0.0 {
            high = v;
        } else {
            low = v;
        }
        let newton = excess / density;
        let bent = 1.0 - 0.5 * newton * slope / density;
        let step = if (0.5..2.0).contains(&bent) { newton / bent } else { newton };
        let next = v - step;
        if !next.is_finite() {
            return None;
        }
        if step.abs() <= LAST_STEP * narrowest || step.abs() <= 4.0 * f64::EPSILON * v.abs() {
            return Some(next);
        }
        if !(next > low && next < high) {
            return None;
        }
        v = next;
    }
    None
}

/// Where about the quantile is: the components as normals, widened as much as the t is there.
fn guess(some: &[&Component], shapes: &[Student], p: f64, q: f64) -> Option<f64> {
    let z = normal_quantile_upper(p.min(q)).abs();
    let side = if p < q { -1.0 } else { 1.0 };
    let mut wide = Vec::with_capacity(some.len());
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for (c, t) in some.iter().zip(shapes) {
        let scale = c.scale * t.widening(z)?;
        let own = c.location + side * scale * z;
        (low, high) = (low.min(own), high.max(own));
        wide.push(Wide { weight: c.weight, location: c.location, per_scale: 1.0 / scale });
    }
    let mut v = 0.5 * (low + high);
    for _ in 0..30 {
        let (below, density) = vector::run(Curves { wide: &wide, v });
        let excess = below - p;
        if excess > 0.0 {
            high = v;
        } else {
            low = v;
        }
        let next = v - excess / density;
        let next = if next > low && next < high { next } else { 0.5 * (low + high) };
        let moved = (next - v).abs();
        v = next;
        if excess.abs() < 1e-5 * p.min(q) || moved <= 1e-12 * v.abs() {
            break;
        }
    }
    v.is_finite().then_some(v)
}

struct Wide {
    weight: f64,
    location: f64,
    per_scale: f64,
}

/// Distribution function and density of the mixture of logistic curves that stand for normals (Bowling et al. 2009,
/// J. Ind. Eng. Manag. 2:114, from memory: within 0.00014).
struct Curves<'a> {
    wide: &'a [Wide],
    v: f64,
}

impl Kernel for Curves<'_> {
    type Output = (f64, f64);
    #[inline(always)]
    fn go(self) -> (f64, f64) {
        let (mut below, mut density) = (0.0, 0.0);
        for c in self.wide {
            let x = (self.v - c.location) * c.per_scale;
            let f = 1.0 / (1.0 + vector::exp(-x * (1.5976 + 0.070_565_992 * x * x)));
            below += c.weight * f;
            density += c.weight * c.per_scale * f * (1.0 - f) * (1.5976 + 3.0 * 0.070_565_992 * x * x);
        }
        (below, density)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::form::Transform;
    use crate::predict::Predictive;
    use proptest::prelude::*;

    fn component() -> impl Strategy<Value = Component> {
        let df = prop_oneof![2.1..6.0, 6.0..40.0, 40.0..1e4, Just(f64::INFINITY)];
        (0.01..1.0, -3.0..3.0, -3.0..1.0, df).prop_map(|(weight, location, ln_scale, degrees_of_freedom)| {
            Component { weight, location, scale: f64::exp(ln_scale), degrees_of_freedom }
        })
    }

    proptest! {
        /// The quick way against the distribution function, and it is hardly ever given up.
        #[test]
        fn the_tail_beyond_the_quantile_is_what_was_asked(
            parts in proptest::collection::vec(component(), 2..12),
            tail in prop_oneof![Just(0.5), Just(0.025), Just(0.005), 0.001..0.5],
            upper: bool,
        ) {
            let total: f64 = parts.iter().map(|c| c.weight).sum();
            let parts: Vec<Component> =
                parts.into_iter().map(|c| Component { weight: c.weight / total, ..c }).collect();
            let (p, q) = if upper { (1.0 - tail, tail) } else { (tail, 1.0 - tail) };
            if let Some(v) = quantile(&parts, p, q) {
                let mixture = Predictive::new(Transform::Identity, parts).unwrap();
                let found = if upper { mixture.sf(v) } else { mixture.cdf(v) };
                prop_assert!((found / tail - 1.0).abs() < 1e-12, "{found} {tail}");
            }
        }
    }

    #[test]
    fn the_quick_way_is_hardly_ever_given_up() {
        let mut tried = 0;
        let mut found = 0;
        for i in 0..2000u32 {
            let part = |k: u32| {
                let at = |m: u32| (f64::from(i * 7 + k * m) * 0.618_033_988_75).fract();
                Component {
                    weight: 0.25,
                    location: 2.0 * at(3),
                    scale: 0.1 + at(5),
                    degrees_of_freedom: 2.5 + 300.0 * at(11) * at(13),
                }
            };
            let parts: Vec<Component> = (1..5).map(part).collect();
            for (p, q) in [(0.025, 0.975), (0.5, 0.5), (0.975, 0.025)] {
                tried += 1;
                found += u32::from(quantile(&parts, p, q).is_some());
            }
        }
        assert!(found * 100 >= tried * 97, "{found} of {tried}");
    }
}
