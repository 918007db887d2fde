//! Stones and percussors: what they are made of, each property as a typical value with a range and a source.
//!
//! A [`Property`] is three numbers and a sentence: typical, low and high (read as about two standard
//! deviations either side on a log scale) and where they come from. [`Stone`] and [`PercussorMaterial`] are
//! looked up by name in one table of such properties; a user's own material starts from one of them.

mod class;
mod kinds;
mod property;
mod table;

pub use class::PercussorClass;
pub(crate) use class::TipBehaviour;
pub use kinds::{Flaked, Material, PercussorMaterial, Stone, Striking};
pub use property::{Figure, Property};
pub(crate) use table::near;

use crate::error::Bounds;

/// Density from foam-light to heavier than any metal a knapper would own.
pub(crate) const DENSITY: Bounds = Bounds::closed("density_kg_m3", 100.0, 25_000.0, "kg/m3");
/// Young's modulus from a soft plastic to diamond.
pub(crate) const YOUNGS_MODULUS: Bounds = Bounds::closed("youngs_modulus_pa", 1e7, 1.3e12, "Pa");
/// Poisson's ratio of an ordinary isotropic solid; 0.5 (incompressible) has no rim tension and is refused.
pub(crate) const POISSON_RATIO: Bounds = Bounds::closed("poisson_ratio", 0.0, 0.499, "");
/// Mode I fracture toughness.
pub(crate) const TOUGHNESS: Bounds = Bounds::closed("toughness_pa_sqrt_m", 1e4, 5e8, "Pa m^(1/2)");
/// Yield or crushing strength.
pub(crate) const YIELD_STRENGTH: Bounds = Bounds::closed("yield_strength_pa", 1e5, 1e11, "Pa");

/// The name as looked up: lower case, trimmed, spaces and underscores as hyphens. Long text is cut, since
/// no name on the lists is long.
pub(crate) fn plain_name(text: &str) -> String {
    text.trim()
        .chars()
        .take(64)
        .flat_map(char::to_lowercase)
        .map(|c| if c == ' ' || c == '_' { '-' } else { c })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_looked_up_however_they_are_typed() {
        assert_eq!(plain_name("  Red Deer_Antler "), "red-deer-antler");
    }
}
