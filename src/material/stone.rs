//! The stones that are flaked: density ρ, Young's modulus E, Poisson's ratio ν and fracture toughness K.
//!
//! Typical value and range of each, by name. Rock values scatter by source, direction, size and moisture, and
//! toughness by the method of the test; most toughnesses here are from memory and say so. All solids are
//! taken as isotropic, which vein quartz and crystal are not.

use serde::{Deserialize, Serialize};

use super::builder::{Elastic, MaterialBuilder, required};
use super::property::Property;
use super::{TOUGHNESS, check_name, table};
use crate::error::{Error, Result};

/// A stone to be flaked, with each property as a typical value and a range.
///
/// ```
/// use conchoid::material::Stone;
/// let flint = Stone::named("flint").unwrap();
/// assert_eq!(flint.toughness_pa_sqrt_m().typical(), 1.5e6);
/// assert_eq!(Stone::named("Glass").unwrap().name(), "soda-lime-glass");
/// assert!(Stone::named("cheese").is_err());
///
/// let ours = Stone::builder("grey flint, pit 3")
///     .density_kg_m3(2600.0)
///     .youngs_modulus_pa((75e9, 60e9, 90e9))
///     .poisson_ratio(0.17)
///     .toughness_pa_sqrt_m((1.4e6, 1.2e6, 1.6e6))
///     .build()
///     .unwrap();
/// assert_eq!((ours.poisson_ratio().low(), ours.poisson_ratio().high()), (0.17, 0.17));
///
/// let bad = Stone::named("flint").unwrap().to_builder().poisson_ratio(0.6).build().unwrap_err();
/// assert_eq!(bad.to_string(), "poisson_ratio: 0.6 is out of range (accepted: at least 0, at most 0.499)");
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "StoneBuilder")]
pub struct Stone {
    name: String,
    #[serde(flatten)]
    elastic: Elastic,
    toughness_pa_sqrt_m: Property,
}

impl Stone {
    /// A stone of the bundled table by its name. Case, spaces and underscores do not matter; the trade's
    /// other names are understood (`glass`, `quartz`, `vein quartz`, `treated chert`, `china`).
    ///
    /// # Errors
    /// [`Error::UnknownName`] for the field `stone`, with the list of [`Stone::all_names`].
    pub fn named(name: &str) -> Result<Self> {
        table::find("stone", name, |m| &m.stones)
    }

    /// The names of the bundled table, in its order.
    pub fn all_names() -> impl Iterator<Item = &'static str> {
        table::names(|m| &m.stones)
    }

    /// A stone of the user's own, checked by [`StoneBuilder::build`].
    pub fn builder(name: impl Into<String>) -> StoneBuilder {
        MaterialBuilder::new(name.into(), Flaked {})
    }

    /// A builder that starts from this stone, to replace one property or another.
    pub fn to_builder(&self) -> StoneBuilder {
        let elastic = self.elastic.to_builder(&self.name, Flaked {});
        elastic.toughness_pa_sqrt_m(self.toughness_pa_sqrt_m.clone())
    }

    /// The name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Density, kg/m³.
    pub fn density_kg_m3(&self) -> &Property {
        &self.elastic.density_kg_m3
    }

    /// Young's modulus, Pa.
    pub fn youngs_modulus_pa(&self) -> &Property {
        &self.elastic.youngs_modulus_pa
    }

    /// Poisson's ratio.
    pub fn poisson_ratio(&self) -> &Property {
        &self.elastic.poisson_ratio
    }

    /// Mode I fracture toughness, Pa m^(1/2).
    pub fn toughness_pa_sqrt_m(&self) -> &Property {
        &self.toughness_pa_sqrt_m
    }
}

/// The kind of a builder of stones.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Flaked {}

/// A stone being described; nothing is checked before [`build`](StoneBuilder::build).
pub type StoneBuilder = MaterialBuilder<Flaked>;

impl StoneBuilder {
    /// The checked stone.
    ///
    /// # Errors
    /// [`Error::Missing`] for a property not given, [`Error::OutOfRange`] for one outside the ranges above,
    /// [`Error::Invalid`] for a range out of order or a name that is empty or longer than 64 characters.
    pub fn build(self) -> Result<Stone> {
        Ok(Stone {
            name: check_name("stone", &self.name)?,
            elastic: Elastic::of(&self, "a stone")?,
            toughness_pa_sqrt_m: required(&self.toughness_pa_sqrt_m, "a stone", &TOUGHNESS)?,
        })
    }
}

/// Reading a stored stone goes through the builder.
impl TryFrom<StoneBuilder> for Stone {
    type Error = Error;

    fn try_from(given: StoneBuilder) -> Result<Self> {
        given.build()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stored_stone_goes_through_the_checks() {
        let flint = Stone::named("flint").unwrap();
        let text = serde_json::to_string(&flint).unwrap();
        assert_eq!(serde_json::from_str::<Stone>(&text).unwrap(), flint);
        let bad = text.replace("0.25", "0.6");
        let message = serde_json::from_str::<Stone>(&bad).unwrap_err().to_string();
        assert!(message.contains("poisson_ratio: 0.6"), "{message}");
    }

    #[test]
    fn an_error_names_the_field() {
        let flint = || Stone::named("flint").unwrap().to_builder();
        for (built, field) in [
            (flint().toughness_pa_sqrt_m(-1.0).build(), "toughness_pa_sqrt_m"),
            (flint().youngs_modulus_pa(0.0).build(), "youngs_modulus_pa"),
            (flint().density_kg_m3(f64::NAN).build(), "density_kg_m3"),
            (flint().density_kg_m3((2600.0, 2700.0, 2800.0)).build(), "density_kg_m3"),
            (flint().name("  ").build(), "stone"),
            (Stone::builder("x").density_kg_m3(2600.0).build(), "youngs_modulus_pa"),
            (Stone::named("flintt"), "stone"),
        ] {
            let e = built.unwrap_err();
            assert_eq!(e.place().unwrap().column.as_deref(), Some(field), "{e}");
        }
        assert!(Stone::named("flintt").unwrap_err().to_string().contains("did you mean \"flint\"?"));
    }
}
