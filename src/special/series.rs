//! Chebyshev series of a smooth function on an interval, held against the function where it is least sure.

use crate::vector::{self, Kernel};

/// A function on an interval as a Chebyshev series of N terms.
#[derive(Debug, Clone)]
pub(crate) struct Series<const N: usize> {
    low: f64,
    high: f64,
    terms: [f64; N],
}

impl<const N: usize> Series<N> {
    /// From its terms.
    pub(crate) fn of(low: f64, high: f64, terms: [f64; N]) -> Series<N> {
        Series { low, high, terms }
    }

    /// Interpolates at the roots of the N-th polynomial, and checks between them; none where the two differ there by
    /// more than `error(value)`.
    pub(crate) fn new(
        low: f64,
        high: f64,
        exact: impl Fn(f64) -> f64,
        error: impl Fn(f64) -> f64,
    ) -> Option<Series<N>> {
        let angle = |i: f64| std::f64::consts::PI * i / N as f64;
        let place = |x: f64| (0.5 * (low + high) + 0.5 * (high - low) * x).clamp(low, high);
        let values: [f64; N] = std::array::from_fn(|i| exact(place(angle(i as f64 + 0.5).cos())));
        let terms = std::array::from_fn(|j| {
            let sum: f64 = (0..N).map(|i| values[i] * (angle(i as f64 + 0.5) * j as f64).cos()).sum();
            sum * if j == 0 { 1.0 } else { 2.0 } / N as f64
        });
        let series = Series { low, high, terms };
        let fits = (0..=N).all(|i| {
            let at = place(angle(i as f64).cos());
            let value = exact(at);
            (series.at(at) - value).abs() <= error(value)
        });
        fits.then_some(series)
    }

    /// The function at a value on the interval, by Clenshaw's sum.
    #[inline(always)]
    pub(crate) fn at(&self, v: f64) -> f64 {
        let x = (2.0 * v - self.low - self.high) / (self.high - self.low);
        let (mut b1, mut b2) = (0.0, 0.0);
        for j in (1..N).rev() {
            (b1, b2) = (self.terms[j] + 2.0 * x * b1 - b2, b1);
        }
        self.terms[0] + x * b1 - b2
    }

    /// Replaces each value by the function there.
    pub(crate) fn replace(&self, values: &mut [f64]) {
        vector::run(Replace { series: self, values });
    }
}

struct Replace<'a, const N: usize> {
    series: &'a Series<N>,
    values: &'a mut [f64],
}

impl<const N: usize> Kernel for Replace<'_, N> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        let (middle, per) = (self.series.low + self.series.high, 1.0 / (self.series.high - self.series.low));
        let mut eights = self.values.chunks_exact_mut(8);
        for eight in &mut eights {
            let mut x = [0.0; 8];
            for (x, v) in x.iter_mut().zip(&*eight) {
                *x = (2.0 * v - middle) * per;
            }
            let (mut b1, mut b2) = ([0.0; 8], [0.0; 8]);
            for j in (1..N).rev() {
                let term = self.series.terms[j];
                for k in 0..8 {
                    let b = term + 2.0 * x[k] * b1[k] - b2[k];
                    b2[k] = b1[k];
                    b1[k] = b;
                }
            }
            for k in 0..8 {
                eight[k] = self.series.terms[0] + x[k] * b1[k] - b2[k];
            }
        }
        eights.into_remainder().iter_mut().for_each(|v| *v = self.series.at(*v));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_smooth_function_is_met_and_a_rough_one_refused() {
        let series = Series::<20>::new(-1.0, 2.0, f64::exp, |v| 1e-13 * v).unwrap();
        let mut values: Vec<f64> = (0..=100).map(|i| -1.0 + 0.03 * f64::from(i)).collect();
        let exact: Vec<f64> = values.iter().map(|v| v.exp()).collect();
        series.replace(&mut values);
        for (i, (v, e)) in values.iter().zip(&exact).enumerate() {
            assert!((v / e - 1.0).abs() < 1e-13, "{i}: {v} {e}");
            assert!((series.at(-1.0 + 0.03 * i as f64) / e - 1.0).abs() < 1e-13);
        }
        assert!(Series::<20>::new(-1.0, 2.0, f64::abs, |_| 1e-6).is_none());
    }
}
