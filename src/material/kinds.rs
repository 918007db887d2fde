//! Stones that are flaked and what strikes them: density ρ, Young's modulus E and Poisson's ratio ν of both, with the
//! fracture toughness K of a stone, and the class, the tip and the strength of a percussor.
//!
//! Typical value and range of each, by name. Rock values scatter by source, direction, size and moisture, and
//! toughness by the method of the test; most toughnesses here are from memory and say so. All solids are
//! taken as isotropic, which vein quartz and crystal are not, nor organic percussors: their E is that along the grain
//! unless the name says otherwise, and overstates a billet struck on its side.

use super::class::{PercussorClass, TipBehaviour};
use super::property::{Figure, Property};
use super::{DENSITY, POISSON_RATIO, TOUGHNESS, YIELD_STRENGTH, YOUNGS_MODULUS, table};
use crate::error::Result;
use crate::vocabulary::check_name;

/// A material with what it is taken as: flaked (a [`Stone`]), or striking (a [`PercussorMaterial`]).
///
/// One of your own starts from one that is named, with another name and other properties, each checked when it is given.
#[derive(Debug, Clone, PartialEq)]
pub struct Material<Kind> {
    pub(super) name: String,
    pub(super) density_kg_m3: Property,
    pub(super) youngs_modulus_pa: Property,
    pub(super) poisson_ratio: Property,
    pub(super) kind: Kind,
}

/// What only a stone has.
#[derive(Debug, Clone, PartialEq)]
pub struct Flaked {
    pub(super) toughness_pa_sqrt_m: Property,
}

/// What only a percussor has.
#[derive(Debug, Clone, PartialEq)]
pub struct Striking {
    pub(super) class: PercussorClass,
    pub(super) tip_behaviour: TipBehaviour,
    pub(super) yield_strength_pa: Option<Property>,
}

/// A stone to be flaked, with each property as a typical value and a range.
///
/// ```
/// use conchoid::material::Stone;
/// let flint = Stone::named("flint")?;
/// assert_eq!(flint.toughness_pa_sqrt_m().typical(), 1.5e6);
/// assert_eq!(Stone::named("Glass")?.name(), "soda-lime-glass");
/// assert!(Stone::named("cheese").is_err());
///
/// let ours = flint.called("grey flint, pit 3")?.with_youngs_modulus_pa((70e9, 60e9, 90e9))?.with_poisson_ratio(0.17)?;
/// assert_eq!((ours.poisson_ratio().low(), ours.poisson_ratio().high()), (0.17, 0.17));
/// let bad = ours.with_poisson_ratio(0.6).unwrap_err();
/// assert_eq!(bad.to_string(), "poisson_ratio: 0.6 is out of range (accepted: at least 0, at most 0.499)");
/// # Ok::<(), conchoid::Error>(())
/// ```
pub type Stone = Material<Flaked>;

/// What a percussor is made of.
///
/// ```
/// use conchoid::material::{PercussorClass, PercussorMaterial};
/// let antler = PercussorMaterial::named("antler").unwrap();
/// assert_eq!(antler.name(), "red-deer-antler");
/// assert_eq!(antler.class(), PercussorClass::Organic);
/// assert_eq!(PercussorMaterial::named("hammerstone").unwrap().name(), "quartzite");
/// assert!(PercussorMaterial::named("rubber").is_err());
/// ```
pub type PercussorMaterial = Material<Striking>;

impl<Kind> Material<Kind> {
    /// The name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Density, kg/m³.
    pub fn density_kg_m3(&self) -> &Property {
        &self.density_kg_m3
    }

    /// Young's modulus, Pa.
    pub fn youngs_modulus_pa(&self) -> &Property {
        &self.youngs_modulus_pa
    }

    /// Poisson's ratio.
    pub fn poisson_ratio(&self) -> &Property {
        &self.poisson_ratio
    }

    /// The same under another name, of 1 to 64 characters.
    ///
    /// # Errors
    /// [`Error::Invalid`](crate::Error::Invalid) for a name that is empty, longer or not on one line.
    pub fn called(mut self, name: &str) -> Result<Self> {
        self.name = check_name("name", name)?.to_string();
        Ok(self)
    }

    /// With another density, kg/m³: 100 to 25 000.
    ///
    /// # Errors
    /// [`Error::OutOfRange`](crate::Error::OutOfRange) for a number outside, [`Error::Invalid`](crate::Error::Invalid) for a
    /// range out of order.
    pub fn with_density_kg_m3(mut self, figure: impl Into<Figure>) -> Result<Self> {
        self.density_kg_m3 = figure.into().checked(&DENSITY)?;
        Ok(self)
    }

    /// With another Young's modulus, Pa: 10⁷ to 1.3·10¹².
    ///
    /// # Errors
    /// As [`Material::with_density_kg_m3`].
    pub fn with_youngs_modulus_pa(mut self, figure: impl Into<Figure>) -> Result<Self> {
        self.youngs_modulus_pa = figure.into().checked(&YOUNGS_MODULUS)?;
        Ok(self)
    }

    /// With another Poisson's ratio: 0 to 0.499.
    ///
    /// # Errors
    /// As [`Material::with_density_kg_m3`].
    pub fn with_poisson_ratio(mut self, figure: impl Into<Figure>) -> Result<Self> {
        self.poisson_ratio = figure.into().checked(&POISSON_RATIO)?;
        Ok(self)
    }
}

impl Stone {
    /// A stone of the bundled table by its name. Case, spaces and underscores do not matter; the trade's
    /// other names are understood (`glass`, `quartz`, `vein quartz`, `treated chert`, `china`).
    ///
    /// # Errors
    /// [`Error::UnknownName`](crate::Error::UnknownName) for the field `stone`, with the names there are.
    pub fn named(name: &str) -> Result<Self> {
        table::find("stone", name, |m| &m.stones, &["glass", "quartz"])
    }

    /// Mode I fracture toughness, Pa m^(1/2).
    pub fn toughness_pa_sqrt_m(&self) -> &Property {
        &self.kind.toughness_pa_sqrt_m
    }

    /// With another fracture toughness, Pa m^(1/2): 10⁴ to 5·10⁸.
    ///
    /// # Errors
    /// As [`Material::with_density_kg_m3`].
    pub fn with_toughness_pa_sqrt_m(mut self, figure: impl Into<Figure>) -> Result<Self> {
        self.kind.toughness_pa_sqrt_m = figure.into().checked(&TOUGHNESS)?;
        Ok(self)
    }
}

impl PercussorMaterial {
    /// A material of the bundled table by its name. Case, spaces and underscores do not matter; the trade's
    /// other names are understood (`antler`, `wood`, `hammerstone`, `elk antler`, `iron`); `soft hammer` is taken as antler and
    /// `hard hammer` as a hammerstone (name a soft stone, such as `limestone`, by itself).
    ///
    /// # Errors
    /// [`Error::UnknownName`](crate::Error::UnknownName) for the field `percussor`, with the names there
    /// are.
    pub fn named(name: &str) -> Result<Self> {
        table::find("percussor", name, |m| &m.percussors, &["hammerstone", "antler", "wood"])
    }

    /// The names of the bundled table, in its order.
    pub(crate) fn all_names() -> impl Iterator<Item = &'static str> {
        table::names(|m| &m.percussors)
    }

    /// The class.
    pub fn class(&self) -> PercussorClass {
        self.kind.class
    }

    /// What the tip does under a blow.
    pub(crate) fn tip_behaviour(&self) -> TipBehaviour {
        self.kind.tip_behaviour
    }

    /// Yield or crushing strength in simple compression, Pa, where one is given (all from memory in the
    /// bundled table).
    pub fn yield_strength_pa(&self) -> Option<&Property> {
        self.kind.yield_strength_pa.as_ref()
    }

    /// With another yield or crushing strength, Pa: 10⁵ to 10¹¹.
    ///
    /// # Errors
    /// As [`Material::with_density_kg_m3`].
    pub fn with_yield_strength_pa(mut self, figure: impl Into<Figure>) -> Result<Self> {
        self.kind.yield_strength_pa = Some(figure.into().checked(&YIELD_STRENGTH)?);
        Ok(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_percussor_column_maps_to_a_class() {
        for (text, class) in [
            ("quartzite", PercussorClass::Stone),
            ("steel", PercussorClass::Metal),
            ("copper", PercussorClass::Metal),
            ("Bone", PercussorClass::Organic),
            ("red deer antler", PercussorClass::Organic),
        ] {
            assert_eq!(PercussorMaterial::named(text).unwrap().class(), class, "{text}");
        }
    }

    #[test]
    fn an_error_names_the_field() {
        let flint = || Stone::named("flint").unwrap();
        for (built, field) in [
            (flint().with_toughness_pa_sqrt_m(-1.0), "toughness_pa_sqrt_m"),
            (flint().with_youngs_modulus_pa(0.0), "youngs_modulus_pa"),
            (flint().with_density_kg_m3(f64::NAN), "density_kg_m3"),
            (flint().with_density_kg_m3((2600.0, 2700.0, 2800.0)), "density_kg_m3"),
            (flint().called("  "), "name"),
            (Stone::named("flintt"), "stone"),
        ] {
            let e = built.unwrap_err();
            assert_eq!(e.place().unwrap().column.as_deref(), Some(field), "{e}");
        }
        assert!(Stone::named("flintt").unwrap_err().to_string().contains("did you mean \"flint\"?"));
        assert_eq!(flint().called(" grey flint ").unwrap().name(), "grey flint");
    }
}
