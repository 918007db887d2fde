//! Quantiles of mixtures of t distributions, of one row or of many rows side by side: a guess from curves that cost
//! little, a column of rows at a time, then Householder's method on the exact tail, row by row.
//!
//! With g the nearer tail less what it should be, f = g' the density, u = g / f, a = f' / f and b = f'' / f:
//!
//! ```text
//!   v <- v - u (6 - 3 a u) / (6 - 6 a u + b u^2)        an error e becomes one of order e^4
//! ```
//!
//! One or two evaluations of the tails do. Where a step leaves what is known to enclose the quantile, or the steps do
//! not come to rest, nothing is given back and the slow way is gone. A row gets the same bits alone and among others.

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

/// A step of so small a share of the narrowest component is the last one: what is left is about its fourth power.
/// This crate's choice, no source.
const LAST_STEP: f64 = 5e-4;

/// Steps before the slow way is gone. This crate's choice, no source.
const MOST_STEPS: usize = 12;

/// Steps of the first guess at most, and of the second. This crate's choice, no source.
const FIRST_STEPS: usize = 30;
const SECOND_STEPS: usize = 3;

/// Degrees of freedom beyond which the guess takes the normal for the t. This crate's choice, no source.
const NEARLY_NORMAL: f64 = 1e7;

/// Mixtures of equally many components and the same weights, one for each row: entries by component, then by row.
#[derive(Debug, Default)]
pub(super) struct Mixtures {
    rows: usize,
    weights: Vec<f64>,
    location: Vec<f64>,
    scale: Vec<f64>,
    degrees_of_freedom: Vec<f64>,
    memory: Memory,
}

/// What guesses are worked out in: entries by component and row, and by row.
#[derive(Debug, Default)]
struct Memory {
    per_scale: Vec<f64>,
    low: Vec<f64>,
    high: Vec<f64>,
    below: Vec<f64>,
    density: Vec<f64>,
    open: Vec<bool>,
    shapes: Vec<Student>,
}

impl Mixtures {
    /// One mixture; components of no weight are left off.
    pub(super) fn of(components: &[Component]) -> Mixtures {
        let mut one = Mixtures { rows: 1, ..Mixtures::default() };
        for c in components.iter().filter(|c| c.weight > 0.0) {
            one.push(c.weight, &[c.location], &[c.scale], &[c.degrees_of_freedom]);
        }
        one
    }

    /// Takes all components away and stands ready for so many rows.
    pub(super) fn clear(&mut self, rows: usize) {
        self.rows = rows;
        self.weights.clear();
        self.location.clear();
        self.scale.clear();
        self.degrees_of_freedom.clear();
    }

    /// Adds a component: its share, and an entry for each row of the other three.
    pub(super) fn push(&mut self, weight: f64, location: &[f64], scale: &[f64], degrees_of_freedom: &[f64]) {
        self.weights.push(weight);
        self.location.extend_from_slice(location);
        self.scale.extend_from_slice(scale);
        self.degrees_of_freedom.extend_from_slice(degrees_of_freedom);
    }

    /// For each pair (p, 1 - p) the value below which a row's mixture has probability p: `out` gets a number for each
    /// row, then those of the next pair; not a number where the slow way must be gone.
    pub(super) fn quantiles(&mut self, pairs: &[(f64, f64)], out: &mut [f64]) {
        let n = self.rows;
        for ((p, q), v) in pairs.iter().zip(out.chunks_exact_mut(n)) {
            self.first_guess(*p, *q, v);
            for _ in 0..SECOND_STEPS {
                vector::run(SecondGuess { of: self, p: *p, q: *q, v });
            }
        }
        let mut shapes = std::mem::take(&mut self.memory.shapes);
        for i in 0..n {
            shapes.clear();
            shapes.extend(self.degrees_of_freedom.iter().skip(i).step_by(n).map(|d| Student::new(*d)));
            for (k, (p, q)) in pairs.iter().enumerate() {
                let v = &mut out[k * n + i];
                *v = self.refine(i, &shapes, *p, *q, *v).unwrap_or(f64::NAN);
            }
        }
        self.memory.shapes = shapes;
    }

    /// Moves each mixture so that its median stands at the mean of its components' locations, as
    /// [`super::distribution::Predictive::about_the_mean`] does.
    pub(super) fn move_to_the_mean(&mut self) {
        let n = self.rows;
        let (mut mean, mut median) = (vec![0.0; n], vec![0.0; n]);
        self.quantiles(&[(0.5, 0.5)], &mut median);
        for (location, weight) in self.location.chunks_exact(n).zip(&self.weights) {
            mean.iter_mut().zip(location).for_each(|(m, l)| *m += weight * l);
        }
        for location in self.location.chunks_exact_mut(n) {
            let by = mean.iter().zip(&median).map(|(mean, median)| mean - median);
            location.iter_mut().zip(by).for_each(|(l, by)| *l += by);
        }
    }

    /// Where about the quantiles are: the components as normals, widened as much as the t is there, and the normals
    /// as logistic curves.
    fn first_guess(&mut self, p: f64, q: f64, v: &mut [f64]) {
        let n = self.rows;
        let z = normal_quantile_upper(p.min(q)).abs();
        let side = if p < q { -1.0 } else { 1.0 };
        let m = &mut self.memory;
        for (column, filled) in [(&mut m.low, f64::INFINITY), (&mut m.high, f64::NEG_INFINITY)] {
            column.clear();
            column.resize(n, filled);
        }
        m.per_scale.clear();
        for (k, (location, scale)) in self.location.iter().zip(&self.scale).enumerate() {
            let wide = scale * widening(self.degrees_of_freedom[k], z);
            let (i, own) = (k % n, location + side * wide * z);
            (m.low[i], m.high[i]) = (m.low[i].min(own), m.high[i].max(own));
            m.per_scale.push(1.0 / wide);
        }
        m.open.clear();
        m.open.resize(n, true);
        m.below.resize(n, 0.0);
        m.density.resize(n, 0.0);
        v.iter_mut().enumerate().for_each(|(i, v)| *v = 0.5 * (m.low[i] + m.high[i]));
        for _ in 0..FIRST_STEPS {
            vector::run(Curves { of: self, v });
            let m = &mut self.memory;
            for i in 0..n {
                if !m.open[i] {
                    continue;
                }
                let excess = m.below[i] - p;
                if excess > 0.0 {
                    m.high[i] = v[i];
                } else {
                    m.low[i] = v[i];
                }
                let next = v[i] - excess / m.density[i];
                let next =
                    if next > m.low[i] && next < m.high[i] { next } else { 0.5 * (m.low[i] + m.high[i]) };
                let moved = (next - v[i]).abs();
                // written so that a row that is not a number rests at once
                m.open[i] = excess.abs() >= 1e-3 * p.min(q) && moved > 1e-12 * v[i].abs();
                v[i] = next;
            }
            if !m.open.contains(&true) {
                break;
            }
        }
    }

    /// The quantile of one row from a guess, on the exact tails.
    fn refine(&self, row: usize, shapes: &[Student], p: f64, q: f64, mut v: f64) -> Option<f64> {
        let n = self.rows;
        let narrowest = self.scale.iter().skip(row).step_by(n).copied().fold(f64::INFINITY, f64::min);
        let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
        for _ in 0..MOST_STEPS {
            if !v.is_finite() {
                return None;
            }
            let (mut tail, mut density, mut slope, mut bend) = (0.0, 0.0, 0.0, 0.0);
            for (k, t) in shapes.iter().enumerate() {
                let per_scale = 1.0 / self.scale[k * n + row];
                let z = (v - self.location[k * n + row]) * per_scale;
                let f = self.weights[k] * t.pdf(z) * per_scale;
                let (first, second) = t.pdf_slopes(z);
                tail += self.weights[k] * if p <= 0.5 { t.cdf(z) } else { t.sf(z) };
                density += f;
                slope += f * first * per_scale;
                bend += f * second * per_scale * per_scale;
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
            let u = excess / density;
            let (a, b) = (slope / density, bend / density);
            let bent = (6.0 - 3.0 * a * u) / (6.0 - 6.0 * a * u + b * u * u);
            let step = if (0.5..2.0).contains(&bent) { u * bent } else { u };
            let next = v - step;
            if step.abs() <= LAST_STEP * narrowest || step.abs() <= 4.0 * f64::EPSILON * v.abs() {
                return next.is_finite().then_some(next);
            }
            if !(next > low && next < high) {
                return None;
            }
            v = next;
        }
        None
    }
}

/// About how much wider than the normal the t is where the normal has its upper quantile `z` >= 0, by the first two
/// terms in 1 / degrees of freedom (Abramowitz and Stegun 1964, 26.7.5); no more than that where they say nothing.
fn widening(degrees_of_freedom: f64, z: f64) -> f64 {
    let square = z * z;
    let d = degrees_of_freedom.max(2.0).max(0.5 * square);
    let first = (square + 1.0) / 4.0;
    let second = ((5.0 * square + 16.0) * square + 3.0) / 96.0;
    1.0 + (first + second / d) / d
}

/// Distribution function and density of mixtures of logistic curves that stand for normals (Bowling et al. 2009,
/// J. Ind. Eng. Manag. 2:114, from memory: within 0.00014).
struct Curves<'a> {
    of: &'a mut Mixtures,
    v: &'a [f64],
}

impl Kernel for Curves<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        let n = self.v.len();
        let m = &mut self.of.memory;
        let (below, density) = (&mut m.below[..n], &mut m.density[..n]);
        below.fill(0.0);
        density.fill(0.0);
        for (k, weight) in self.of.weights.iter().enumerate() {
            let (location, per_scale) = (&self.of.location[k * n..][..n], &m.per_scale[k * n..][..n]);
            for i in 0..n {
                let x = (self.v[i] - location[i]) * per_scale[i];
                let f = 1.0 / (1.0 + vector::exp(-x * (1.5976 + 0.070_565_992 * x * x)));
                below[i] += weight * f;
                density[i] += weight * per_scale[i] * f * (1.0 - f) * (1.5976 + 3.0 * 0.070_565_992 * x * x);
            }
        }
    }
}

/// A step of Newton's method with the t turned into a normal by Hill 1970 (Comm. ACM 13:617, algorithm 395, from memory:
/// within 0.001 of the scale from three degrees of freedom on, 1e-5 from five) and the normal by Abramowitz and Stegun 1964, 7.1.26
/// (within 1e-7).
struct SecondGuess<'a> {
    of: &'a mut Mixtures,
    p: f64,
    q: f64,
    v: &'a mut [f64],
}

impl Kernel for SecondGuess<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        let n = self.v.len();
        let upper = self.p > 0.5;
        let m = &mut self.of.memory;
        let (tail, density) = (&mut m.below[..n], &mut m.density[..n]);
        tail.fill(0.0);
        density.fill(0.0);
        for (k, weight) in self.of.weights.iter().enumerate() {
            let location = &self.of.location[k * n..][..n];
            let scale = &self.of.scale[k * n..][..n];
            let freedom = &self.of.degrees_of_freedom[k * n..][..n];
            for i in 0..n {
                let per_scale = 1.0 / scale[i];
                let d = if freedom[i] < NEARLY_NORMAL { freedom[i] } else { NEARLY_NORMAL };
                let x = (self.v[i] - location[i]) * per_scale;
                // next to the middle the size of x hardly matters, but a root of 0 has no slope
                let t = if x.abs() > 1e-4 { x.abs() } else { 1e-4 };
                let (a, square) = (d - 0.5, t * t);
                let b = 48.0 * a * a;
                let y = a * vector::ln(1.0 + square / d);
                let root = y.sqrt();
                let inner = (((-0.4 * y - 3.3) * y - 24.0) * y - 85.5) / (0.8 * y * y + 100.0 + b) + y + 3.0;
                let factor = inner / b + 1.0;
                let w = factor * root;
                let u = 1.0 / (1.0 + 0.327_591_1 * std::f64::consts::FRAC_1_SQRT_2 * w);
                let bell = vector::exp(-0.5 * w * w);
                let poly = u
                    * (0.254_829_592
                        + u * (-0.284_496_736
                            + u * (1.421_413_741 + u * (-1.453_152_027 + u * 1.061_405_429))));
                let beyond = 0.5 * poly * bell;
                // beyond lies on the side of x
                let nearer = (x > 0.0) == upper;
                tail[i] += weight * if nearer { beyond } else { 1.0 - beyond };
                let slope = factor * a * t / ((d + square) * root);
                density[i] += weight
                    * per_scale
                    * slope
                    * bell
                    * (0.5 * std::f64::consts::FRAC_2_SQRT_PI * std::f64::consts::FRAC_1_SQRT_2);
            }
        }
        for i in 0..n {
            let excess = if upper { self.q - tail[i] } else { tail[i] - self.p };
            let next = self.v[i] - excess / density[i];
            self.v[i] = if next.is_finite() { next } else { self.v[i] };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn quantile(components: &[Component], p: f64, q: f64) -> Option<f64> {
        let mut v = [0.0];
        Mixtures::of(components).quantiles(&[(p, q)], &mut v);
        v[0].is_finite().then_some(v[0])
    }

    #[test]
    fn a_row_gets_the_same_bits_alone_and_among_others() {
        let at = |i: usize, k: usize| (0.618_033_988_75 * (7 * i + 31 * k) as f64).fract();
        let part = |i: usize, k: usize| Component {
            weight: [0.3, 0.5, 0.2][k],
            location: 2.0 * at(i, k),
            scale: 0.2 + at(i, k + 3),
            degrees_of_freedom: [2.9, 40.0 + 100.0 * at(i, k + 5), f64::INFINITY][k],
        };
        let pairs = [(0.025, 0.975), (0.5, 0.5), (0.9, 0.1)];
        let rows = 61;
        let mut many = Mixtures::default();
        many.clear(rows);
        for k in 0..3 {
            let column = |f: fn(&Component) -> f64| (0..rows).map(|i| f(&part(i, k))).collect::<Vec<f64>>();
            many.push(
                part(0, k).weight,
                &column(|c| c.location),
                &column(|c| c.scale),
                &column(|c| c.degrees_of_freedom),
            );
        }
        let mut found = vec![0.0; pairs.len() * rows];
        many.quantiles(&pairs, &mut found);
        for i in 0..rows {
            let alone: Vec<Component> = (0..3).map(|k| part(i, k)).collect();
            for (k, (p, q)) in pairs.iter().enumerate() {
                assert_eq!(quantile(&alone, *p, *q).map(f64::to_bits), Some(found[k * rows + i].to_bits()));
            }
        }
    }
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
