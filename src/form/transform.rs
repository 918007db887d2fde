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
}

impl Transform {
    /// g(size). Not a number for sizes outside the domain (zero or less, except under the identity).
    pub fn apply(self, size: f64) -> f64 {
        match self {
            Transform::Identity => size,
            _ if size <= 0.0 => f64::NAN,
            Transform::Ln => size.ln(),
            Transform::Log10 => size.log10(),
            Transform::CubeRoot => size.cbrt(),
        }
    }

    /// The size at which g takes this value. A cube root below zero has no size and gives 0.
    pub fn invert(self, value: f64) -> f64 {
        match self {
            Transform::Identity => value,
            Transform::Ln => vector::exp(value),
            Transform::Log10 => vector::exp(std::f64::consts::LN_10 * value),
            Transform::CubeRoot if value <= 0.0 => 0.0,
            Transform::CubeRoot => value * value * value,
        }
    }

    /// ln of dg/dsize: what must be added to a log density of g(size) to get that of the size itself.
    pub fn ln_jacobian(self, size: f64) -> f64 {
        match self {
            Transform::Identity => 0.0,
            Transform::Ln => -size.ln(),
            Transform::Log10 => -size.ln() - std::f64::consts::LN_10.ln(),
            Transform::CubeRoot => -(2.0 / 3.0) * size.ln() - 3f64.ln(),
        }
    }

    /// How a response reads under this transform: `ln mass_g`.
    pub fn describe(self, response: &str) -> String {
        match self {
            Transform::Identity => response.to_string(),
            Transform::Ln => format!("ln {response}"),
            Transform::Log10 => format!("log10 {response}"),
            Transform::CubeRoot => format!("{response}^(1/3)"),
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
}
