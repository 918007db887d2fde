//! Quantiles of mixtures of t distributions, of one row or of many rows side by side: a guess from curves that cost
//! little, then Householder's method on the exact tails, all components of all rows in one loop.
//!
//! With g the nearer tail less what it should be, f = g' the density, u = g / f, a = f' / f and b = f'' / f:
//!
//! ```text
//!   v <- v - u (6 - 3 a u) / (6 - 6 a u + b u^2)        an error e becomes one of order e^4
//! ```
//!
//! Two or three evaluations of the tails do. Where a step leaves what is known to enclose the quantile, or the steps do
//! not come to rest, nothing is given back and the slow way is gone. A row gets the same bits alone and among others.

use crate::special::{LEAST_TAIL, Tails, normal_quantile, normal_quantile_upper, student_cdf, student_sf};
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

    /// The normal score of a value, accurate in both tails.
    pub(super) fn normal_score(&self, v: f64) -> f64 {
        let t = self.standard(v);
        let z = if t <= 0.0 {
            normal_quantile(student_cdf(t, self.degrees_of_freedom))
        } else {
            normal_quantile_upper(student_sf(t, self.degrees_of_freedom))
        };
        // beyond the smallest probabilities that a double holds
        z.clamp(-38.0, 38.0)
    }
}

/// A step of so small a share of the narrowest component is the last one: what is left is about its fourth power.
/// This crate's choice, no source.
const LAST_STEP: f64 = 5e-4;

/// Steps before the slow way is gone, and steps of the first guess at most. This crate's choices, no source.
const MOST_STEPS: usize = 12;
const FIRST_STEPS: usize = 30;

/// An excess of so small a share of the tail is near enough for a first guess, which is no nearer to the t than that.
/// This crate's choice, no source.
const NEAR_ENOUGH: f64 = 1e-2;

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

/// What quantiles are worked out in: by component and row, and by row.
#[derive(Debug, Default)]
struct Memory {
    per_scale: Vec<f64>,
    /// Of the components as the first guess takes them.
    wide_per_scale: Vec<f64>,
    tails: Tails,
    /// Values in units of each component's scale, and the curves of the first guess there: shares below, densities.
    z: Vec<f64>,
    curves: [Vec<f64>; 2],
    low: Vec<f64>,
    high: Vec<f64>,
    narrowest: Vec<f64>,
    open: Vec<bool>,
    sums: Vec<Sums>,
}

/// A tail or distribution function, its density and the first two slopes of that, of one mixture.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    tail: f64,
    density: f64,
    slope: f64,
    bend: f64,
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
        let m = &mut self.memory;
        m.per_scale.clear();
        m.per_scale.extend(self.scale.iter().map(|s| 1.0 / s));
        m.narrowest.clear();
        m.narrowest.resize(n, f64::INFINITY);
        for scale in self.scale.chunks_exact(n) {
            m.narrowest.iter_mut().zip(scale).for_each(|(least, s)| *least = least.min(*s));
        }
        m.tails.prepare(&self.degrees_of_freedom);
        for ((p, q), v) in pairs.iter().zip(out.chunks_exact_mut(n)) {
            if p.min(*q) < LEAST_TAIL {
                v.fill(f64::NAN);
                continue;
            }
            self.first_guess(*p, *q, v);
            self.refine(*p, *q, v);
        }
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
        m.wide_per_scale.clear();
        for (k, (location, scale)) in self.location.iter().zip(&self.scale).enumerate() {
            let wide = scale * widening(self.degrees_of_freedom[k], z);
            let (i, own) = (k % n, location + side * wide * z);
            (m.low[i], m.high[i]) = (m.low[i].min(own), m.high[i].max(own));
            m.wide_per_scale.push(1.0 / wide);
        }
        m.open.clear();
        m.open.resize(n, true);
        v.iter_mut().enumerate().for_each(|(i, v)| *v = 0.5 * (m.low[i] + m.high[i]));
        for _ in 0..FIRST_STEPS {
            standardise(v, &self.location, &m.wide_per_scale, &mut m.z);
            vector::run(Curves { z: &m.z, out: &mut m.curves });
            let [below, density] = &m.curves;
            m.sums.clear();
            m.sums.resize(n, Sums::default());
            for (k, weight) in self.weights.iter().enumerate() {
                for (e, sum) in (k * n..).zip(&mut m.sums) {
                    sum.tail += weight * below[e];
                    sum.density += weight * density[e] * m.wide_per_scale[e];
                }
            }
            for (i, v) in v.iter_mut().enumerate() {
                if !m.open[i] {
                    continue;
                }
                let excess = m.sums[i].tail - p;
                if excess > 0.0 {
                    m.high[i] = *v;
                } else {
                    m.low[i] = *v;
                }
                let next = *v - excess / m.sums[i].density;
                let next =
                    if next > m.low[i] && next < m.high[i] { next } else { 0.5 * (m.low[i] + m.high[i]) };
                let moved = (next - *v).abs();
                // written so that a row that is not a number rests at once
                m.open[i] = excess.abs() >= NEAR_ENOUGH * p.min(q) && moved > 1e-12 * v.abs();
                *v = next;
            }
            if !m.open.contains(&true) {
                break;
            }
        }
    }

    /// The quantiles from a guess, on the exact tails; not a number where that does not come to rest.
    fn refine(&mut self, p: f64, q: f64, v: &mut [f64]) {
        let n = self.rows;
        let upper = p > 0.5;
        let m = &mut self.memory;
        m.open.clear();
        m.open.resize(n, true);
        m.low.fill(f64::NEG_INFINITY);
        m.high.fill(f64::INFINITY);
        for _ in 0..MOST_STEPS {
            standardise(v, &self.location, &m.per_scale, &mut m.z);
            m.tails.at(&m.z);
            m.sums.clear();
            m.sums.resize(n, Sums::default());
            let of = &m.tails;
            for (k, weight) in self.weights.iter().enumerate() {
                for (e, sum) in (k * n..).zip(&mut m.sums) {
                    let (s, nearer) = (m.per_scale[e], (m.z[e] > 0.0) == upper);
                    let f = weight * of.density[e] * s;
                    sum.tail += weight * if nearer { of.beyond[e] } else { 1.0 - of.beyond[e] };
                    sum.density += f;
                    sum.slope += f * of.slope[e] * s;
                    sum.bend += f * of.bend[e] * s * s;
                }
            }
            for (i, v) in v.iter_mut().enumerate() {
                if !m.open[i] {
                    continue;
                }
                let Sums { tail, density, slope, bend } = m.sums[i];
                // positive where v is too large
                let excess = if upper { q - tail } else { tail - p };
                if excess == 0.0 {
                    m.open[i] = false;
                    continue;
                }
                if excess > 0.0 {
                    m.high[i] = *v;
                } else {
                    m.low[i] = *v;
                }
                let u = excess / density;
                let (a, b) = (slope / density, bend / density);
                let bent = (6.0 - 3.0 * a * u) / (6.0 - 6.0 * a * u + b * u * u);
                let step = if (0.5..2.0).contains(&bent) { u * bent } else { u };
                let next = *v - step;
                let rests =
                    step.abs() <= LAST_STEP * m.narrowest[i] || step.abs() <= 4.0 * f64::EPSILON * v.abs();
                let enclosed = next > m.low[i] && next < m.high[i];
                let found = next.is_finite() && (rests || enclosed);
                *v = if found { next } else { f64::NAN };
                m.open[i] = found && !rests;
            }
            if !m.open.contains(&true) {
                return;
            }
        }
        v.iter_mut().zip(&m.open).filter(|(_, open)| **open).for_each(|(v, _)| *v = f64::NAN);
    }
}

/// The values of rows in units of the scale of each component.
fn standardise(v: &[f64], location: &[f64], per_scale: &[f64], z: &mut Vec<f64>) {
    z.clear();
    for (location, per_scale) in location.chunks_exact(v.len()).zip(per_scale.chunks_exact(v.len())) {
        z.extend(v.iter().zip(location).zip(per_scale).map(|((v, l), s)| (v - l) * s));
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

/// Distribution function and density of logistic curves that stand for normals (Bowling et al. 2009,
/// J. Ind. Eng. Manag. 2:114, from memory: within 0.00014).
struct Curves<'a> {
    z: &'a [f64],
    out: &'a mut [Vec<f64>; 2],
}

impl Kernel for Curves<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        let n = self.z.len();
        self.out.iter_mut().for_each(|column| column.resize(n, 0.0));
        let [below, density] = self.out;
        let (below, density) = (&mut below[..n], &mut density[..n]);
        for i in 0..n {
            let x = self.z[i];
            let f = 1.0 / (1.0 + vector::exp(-x * (1.5976 + 0.070_565_992 * x * x)));
            below[i] = f;
            density[i] = f * (1.0 - f) * (1.5976 + 3.0 * 0.070_565_992 * x * x);
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
