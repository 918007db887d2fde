//! Forms made from closures: a value with its derivatives, or a value alone, whose derivatives are then taken
//! by the five-point difference f'(θ) ≈ (8(f₁ − f₋₁) − (f₂ − f₋₂))/(12h), f_k = f(θ + kh). Its truncation
//! falls as h⁴ and its rounding rises as ε/h. For a form that varies on the scale of the coefficient itself the
//! best h is about the fifth root of ε times the coefficient; one that varies faster needs a smaller h. So h is
//! divided by eight until two estimates agree to 11 digits, and of those tried the one that differs least from
//! its predecessor is taken.

use super::NonlinearForm;

/// The first step as a share of the coefficient, ε^(1/5); how many are tried; and when two agree (own choices).
const FIRST_STEP: f64 = 7.4e-4;
const STEPS: usize = 5;
const AGREEMENT: f64 = 1e-11;

/// A form from two closures: its value, and its derivatives. Made by [`with_gradient`].
#[derive(Debug, Clone, Copy)]
pub struct WithGradient<V, G> {
    value: V,
    gradient: G,
}

/// A form from a closure for f(x; θ) and one that writes ∂f/∂θ_j, as [`NonlinearForm`] asks.
///
/// ```
/// use conchoid::fit::nonlinear::{NonlinearForm, with_gradient};
/// let line = with_gradient(
///     |x: &[f64], t: &[f64]| t[0] + t[1] * x[0],
///     |x: &[f64], _: &[f64], g: &mut [f64]| (g[0], g[1]) = (1.0, x[0]),
/// );
/// assert_eq!(line.value(&[2.0], &[1.0, 3.0]), 7.0);
/// ```
pub fn with_gradient<V, G>(value: V, gradient: G) -> WithGradient<V, G>
where
    V: Fn(&[f64], &[f64]) -> f64,
    G: Fn(&[f64], &[f64], &mut [f64]),
{
    WithGradient { value, gradient }
}

impl<V, G> NonlinearForm for WithGradient<V, G>
where
    V: Fn(&[f64], &[f64]) -> f64,
    G: Fn(&[f64], &[f64], &mut [f64]),
{
    fn value(&self, settings: &[f64], coefficients: &[f64]) -> f64 {
        (self.value)(settings, coefficients)
    }

    fn gradient(&self, settings: &[f64], coefficients: &[f64], gradient: &mut [f64]) {
        (self.gradient)(settings, coefficients, gradient);
    }
}

/// A form from its value alone. Made by [`by_differences`].
#[derive(Debug, Clone)]
pub struct Differences<V> {
    value: V,
    typical: Vec<f64>,
}

/// A form from a closure for f(x; θ), its derivatives taken by five-point differences.
///
/// The first step for a coefficient is 7e-4 of its magnitude, or 7e-4 itself where the coefficient is 0, and the
/// last a 4096th of it. Where a coefficient may pass near 0, tell its usual magnitude with
/// [`Differences::typical`].
///
/// ```
/// use conchoid::fit::nonlinear::{NonlinearForm, by_differences};
/// let power = by_differences(|x: &[f64], t: &[f64]| t[0] * x[0].powf(t[1]));
/// let mut g = [0.0; 2];
/// power.gradient(&[3.0], &[2.0, 1.5], &mut g);
/// assert!((g[0] - 3f64.powf(1.5)).abs() < 1e-11);
/// assert!((g[1] - 2.0 * 3f64.powf(1.5) * 3f64.ln()).abs() < 1e-10);
/// ```
pub fn by_differences<V: Fn(&[f64], &[f64]) -> f64>(value: V) -> Differences<V> {
    Differences { value, typical: Vec::new() }
}

impl<V> Differences<V> {
    /// The least magnitude of each coefficient for which the step is chosen. Entries that are missing, zero or
    /// not finite say nothing.
    pub fn typical(mut self, magnitudes: &[f64]) -> Self {
        self.typical = magnitudes.to_vec();
        self
    }

    fn magnitude(&self, j: usize, coefficient: f64) -> f64 {
        let typical = self.typical.get(j).map_or(0.0, |t| t.abs());
        let magnitude = if typical.is_finite() { coefficient.abs().max(typical) } else { coefficient.abs() };
        if magnitude > 0.0 { magnitude } else { 1.0 }
    }
}

impl<V: Fn(&[f64], &[f64]) -> f64> NonlinearForm for Differences<V> {
    fn value(&self, settings: &[f64], coefficients: &[f64]) -> f64 {
        (self.value)(settings, coefficients)
    }

    fn gradient(&self, settings: &[f64], coefficients: &[f64], gradient: &mut [f64]) {
        let mut moved = coefficients.to_vec();
        for (j, slope) in gradient.iter_mut().enumerate().take(coefficients.len()) {
            let centre = coefficients[j];
            let mut step = self.magnitude(j, centre) * FIRST_STEP;
            let mut last = f64::NAN;
            let mut least = f64::INFINITY;
            *slope = f64::NAN;
            for _ in 0..STEPS {
                let mut at = |k: f64| {
                    moved[j] = centre + k * step;
                    // The place that was really reached, after rounding.
                    ((self.value)(settings, &moved), moved[j])
                };
                let ((f1, x1), (b1, y1)) = (at(1.0), at(-1.0));
                let ((f2, x2), (b2, y2)) = (at(2.0), at(-2.0));
                let near = (f1 - b1) / (x1 - y1);
                let far = (f2 - b2) / (x2 - y2);
                let estimate = (4.0 * near - far) / 3.0;
                // Near the end of the form's domain the outer points may have no value: a smaller step has.
                if estimate.is_finite() {
                    let change = (estimate - last).abs();
                    if slope.is_nan() || change < least {
                        *slope = estimate;
                        least = if change.is_nan() { f64::INFINITY } else { change };
                    }
                    if least <= AGREEMENT * estimate.abs() {
                        break;
                    }
                    last = estimate;
                }
                step /= 8.0;
            }
            moved[j] = centre;
        }
    }
}
