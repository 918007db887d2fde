//! What strikes: percussor materials by name and their class.
//!
//! Young's modulus E, Poisson's ratio ν and density ρ of each, and whether the tip stays elastic, crushes or
//! yields under a blow. Organic percussors are anisotropic: E is that along the grain unless the name says
//! otherwise, and overstates a billet struck on its side.

use serde::{Deserialize, Serialize};

use super::builder::{Elastic, MaterialBuilder, optional};
use super::class::{PercussorClass, TipBehaviour};
use super::property::{Figure, Property};
use super::{TOUGHNESS, YIELD_STRENGTH, check_name, table};
use crate::error::{Error, Result};

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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "PercussorMaterialBuilder")]
pub struct PercussorMaterial {
    name: String,
    #[serde(flatten)]
    kind: Striking,
    #[serde(flatten)]
    elastic: Elastic,
    #[serde(skip_serializing_if = "Option::is_none")]
    toughness_pa_sqrt_m: Option<Property>,
    #[serde(skip_serializing_if = "Option::is_none")]
    yield_strength_pa: Option<Property>,
}

impl PercussorMaterial {
    /// A material of the bundled table by its name. Case, spaces and underscores do not matter; the trade's
    /// other names are understood (`antler`, `wood`, `hammerstone`, `elk antler`, `iron`).
    ///
    /// # Errors
    /// [`Error::UnknownName`] for the field `percussor`, with the list of [`PercussorMaterial::all_names`].
    pub fn named(name: &str) -> Result<Self> {
        table::find("percussor", name, |m| &m.percussors)
    }

    /// The names of the bundled table, in its order.
    pub fn all_names() -> impl Iterator<Item = &'static str> {
        table::names(|m| &m.percussors)
    }

    /// A material of the user's own, checked by [`PercussorMaterialBuilder::build`].
    pub fn builder(name: impl Into<String>, class: PercussorClass) -> PercussorMaterialBuilder {
        MaterialBuilder::new(name.into(), Striking { class, tip_behaviour: TipBehaviour::Elastic })
    }

    /// A builder that starts from this material, to replace one property or another.
    pub fn to_builder(&self) -> PercussorMaterialBuilder {
        PercussorMaterialBuilder {
            toughness_pa_sqrt_m: self.toughness_pa_sqrt_m.clone().map(Figure::from),
            yield_strength_pa: self.yield_strength_pa.clone().map(Figure::from),
            ..self.elastic.to_builder(&self.name, self.kind)
        }
    }

    /// The name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The class.
    pub fn class(&self) -> PercussorClass {
        self.kind.class
    }

    /// What the tip does under a blow.
    pub(crate) fn tip_behaviour(&self) -> TipBehaviour {
        self.kind.tip_behaviour
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

    /// Fracture toughness, Pa m^(1/2), where it was found; it matters only for the percussor's own breaking.
    pub fn toughness_pa_sqrt_m(&self) -> Option<&Property> {
        self.toughness_pa_sqrt_m.as_ref()
    }

    /// Yield or crushing strength in simple compression, Pa, where one is given (all from memory in the
    /// bundled table).
    pub fn yield_strength_pa(&self) -> Option<&Property> {
        self.yield_strength_pa.as_ref()
    }
}

/// The kind of a builder of percussor materials: what the material is as a percussor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Striking {
    class: PercussorClass,
    tip_behaviour: TipBehaviour,
}

/// A percussor material being described; nothing is checked before
/// [`build`](PercussorMaterialBuilder::build).
pub type PercussorMaterialBuilder = MaterialBuilder<Striking>;

impl PercussorMaterialBuilder {
    /// What the tip does under a blow; elastic unless said.
    pub fn tip_behaviour(mut self, behaviour: TipBehaviour) -> Self {
        self.kind.tip_behaviour = behaviour;
        self
    }

    /// Yield or crushing strength, Pa: 10⁵ to 10¹¹. Optional.
    pub fn yield_strength_pa(mut self, figure: impl Into<Figure>) -> Self {
        self.yield_strength_pa = Some(figure.into());
        self
    }

    /// The checked material.
    ///
    /// # Errors
    /// [`Error::Missing`] for density, modulus or Poisson's ratio not given, [`Error::OutOfRange`] for a
    /// property outside the ranges above, [`Error::Invalid`] for a range out of order or a name that is empty
    /// or longer than 64 characters.
    pub fn build(self) -> Result<PercussorMaterial> {
        Ok(PercussorMaterial {
            name: check_name("percussor", &self.name)?,
            kind: self.kind,
            elastic: Elastic::of(&self, "a percussor")?,
            toughness_pa_sqrt_m: optional(&self.toughness_pa_sqrt_m, &TOUGHNESS)?,
            yield_strength_pa: optional(&self.yield_strength_pa, &YIELD_STRENGTH)?,
        })
    }
}

/// Reading a stored material goes through the builder.
impl TryFrom<PercussorMaterialBuilder> for PercussorMaterial {
    type Error = Error;

    fn try_from(given: PercussorMaterialBuilder) -> Result<Self> {
        given.build()
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
    fn a_stored_percussor_goes_through_the_checks() {
        let p = PercussorMaterial::named("antler").unwrap();
        let text = serde_json::to_string(&p).unwrap();
        assert!(text.contains("\"organic\"") && text.contains("\"yields\"") && !text.contains("null"));
        assert_eq!(serde_json::from_str::<PercussorMaterial>(&text).unwrap(), p);
        let bad = text.replace("15000000000.0", "1.0");
        assert_ne!(bad, text);
        let message = serde_json::from_str::<PercussorMaterial>(&bad).unwrap_err().to_string();
        assert!(message.contains("youngs_modulus_pa"), "{message}");
    }
}
