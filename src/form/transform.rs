//! How a size is transformed before the regression, and back.

use crate::vector;
use serde::{Deserialize, Serialize};

/// How the size is transformed before the regression.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Transform {
    /// The size itself.
    Identity,
    /// Natural logarithm of the size.
    Ln,
    /// Common logarithm of the size.
    Log10,
    /// Cube root of the size ("to correct for the different dimensions": McPherron et al. 2020).
    CubeRoot,
    /// Natural logarithm of what a ratio is above 1, ln(size - 1): for the original mass over what remains of it.
    /// It is also the log odds of the share lost, ln(lost / left), so that shares stay between 0 and 1.
    LnExcess,
}

impl Transform {
    /// g(size). Not a number for sizes outside the domain: zero or less, except under the identity; 1 or less under
    /// the logarithm of the excess.
    pub(crate) fn apply(self, size: f64) -> f64 {
        match self {
            Transform::Identity => size,
            _ if size <= 0.0 => f64::NAN,
            Transform::Ln => size.ln(),
            Transform::Log10 => size.log10(),
            Transform::CubeRoot => size.cbrt(),
            Transform::LnExcess if size <= 1.0 => f64::NAN,
            Transform::LnExcess => (size - 1.0).ln(),
        }
    }

    /// The size at which g takes this value. A cube root below zero has no size and gives 0.
    pub(crate) fn invert(self, value: f64) -> f64 {
        match self {
            Transform::Identity => value,
            Transform::Ln => vector::exp(value),
            Transform::Log10 => vector::exp(std::f64::consts::LN_10 * value),
            Transform::CubeRoot if value <= 0.0 => 0.0,
            Transform::CubeRoot => value * value * value,
            Transform::LnExcess => 1.0 + value.exp(),
        }
    }

    /// ln of dg/dsize: what must be added to a log density of g(size) to get that of the size itself.
    pub(crate) fn ln_jacobian(self, size: f64) -> f64 {
        self.ln_jacobian_at(self.apply(size))
    }

    /// The same of the size at which g takes this value.
    pub(crate) fn ln_jacobian_at(self, value: f64) -> f64 {
        use std::f64::consts::LN_10;
        match self {
            Transform::Identity => 0.0,
            Transform::Ln | Transform::LnExcess => -value,
            Transform::Log10 => -LN_10 * value - LN_10.ln(),
            Transform::CubeRoot => -2.0 * value.ln() - 3f64.ln(),
        }
    }

    /// The end of the domain: sizes are above it.
    pub(crate) fn above(self) -> f64 {
        match self {
            Transform::Identity => f64::NEG_INFINITY,
            Transform::Ln | Transform::Log10 | Transform::CubeRoot => 0.0,
            Transform::LnExcess => 1.0,
        }
    }

    /// Location, and the factor of the spread, where every size is multiplied by the exponential of a number; for original
    /// over remaining mass it is what is above 1.
    pub(crate) fn times(self, location: f64, ln_ratio: f64) -> (f64, f64) {
        match self {
            Transform::Ln | Transform::LnExcess => (location + ln_ratio, 1.0),
            Transform::Log10 => (location + std::f64::consts::LOG10_E * ln_ratio, 1.0),
            Transform::CubeRoot => {
                let by = vector::exp(ln_ratio / 3.0);
                (location * by, by)
            }
            Transform::Identity => {
                let by = vector::exp(ln_ratio);
                (location * by, by)
            }
        }
    }

    /// The logarithm of the size at which g takes this value.
    pub(crate) fn ln_of(self, value: f64) -> f64 {
        match self {
            Transform::Ln => value,
            Transform::Log10 => std::f64::consts::LN_10 * value,
            _ => self.invert(value).ln(),
        }
    }

    /// How far the transformed size moves for a small step in the logarithm of the size.
    pub(crate) fn per_ln(self, location: f64) -> f64 {
        match self {
            Transform::Ln => 1.0,
            Transform::Log10 => std::f64::consts::LOG10_E,
            Transform::CubeRoot => location.abs() / 3.0,
            Transform::Identity => location.abs(),
            // d ln(r - 1) / d ln r = r / (r - 1)
            Transform::LnExcess => 1.0 + (-location).exp(),
        }
    }

    /// How a response reads under this transform: `ln mass_g`.
    pub(crate) fn describe(self, response: &str) -> String {
        match self {
            Transform::Identity => response.to_string(),
            Transform::Ln => format!("ln {response}"),
            Transform::Log10 => format!("log10 {response}"),
            Transform::CubeRoot => format!("{response}^(1/3)"),
            Transform::LnExcess => format!("ln({response} - 1)"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn transforms_invert_and_their_jacobian_is_the_derivative() {
        for t in [Transform::Identity, Transform::Ln, Transform::Log10, Transform::CubeRoot] {
            for size in [0.01, 1.0, 7.3, 812.0] {
                let back = t.invert(t.apply(size));
                assert!((back / size - 1.0).abs() < 1e-14, "{t:?} {size}: {back}");
                let h = size * 1e-6;
                let slope = (t.apply(size + h) - t.apply(size - h)) / (2.0 * h);
                assert!((slope.ln() - t.ln_jacobian(size)).abs() < 1e-8, "{t:?} {size}");
            }
        }
        assert!(Transform::Ln.apply(0.0).is_nan());
        assert_eq!(Transform::CubeRoot.invert(-0.5), 0.0);
    }

    #[test]
    fn the_logarithm_of_the_excess_agrees_with_fifty_digits() {
        // size, ln(size - 1), ln of its derivative: mpmath, tests/reference/transform.py
        let mut cases = 0;
        for line in include_str!("../../tests/reference/transform.csv").lines().skip(2) {
            let v: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
            let near = |a: f64, b: f64| (a - b).abs() <= 4.0 * f64::EPSILON * b.abs().max(1.0);
            assert!(near(Transform::LnExcess.apply(v[0]), v[1]), "{line}");
            assert!(near(Transform::LnExcess.ln_jacobian(v[0]), v[2]), "{line}");
            // rounding of a value of size |v| moves the excess by |v| places
            let back = (Transform::LnExcess.invert(v[1]) - 1.0) / (v[0] - 1.0) - 1.0;
            let places = (1.0 + v[1].abs()) * f64::EPSILON + f64::EPSILON / (v[0] - 1.0);
            assert!(back.abs() <= 2.0 * places, "{line}: {back:e}");
            cases += 1;
        }
        assert!(cases >= 12);
        for outside in [1.0, 0.5, 0.0, -2.0] {
            assert!(Transform::LnExcess.apply(outside).is_nan());
        }
        assert_eq!(Transform::LnExcess.describe("original_over_now"), "ln(original_over_now - 1)");
    }
}
