//! What strikes: percussor materials by name, their class, and a particular percussor with mass and tip.
//!
//! Young's modulus E, Poisson's ratio ν and density ρ of each, and whether the tip stays elastic, crushes or
//! yields under a blow. Organic percussors are anisotropic: E is that along the grain unless the name says
//! otherwise, and overstates a billet struck on its side.

use serde::{Deserialize, Serialize};

use super::class::{PercussorClass, TipBehaviour};
use super::property::{Figure, Property};
use super::table::{MATERIALS, Material};
use super::{DENSITY, POISSON_RATIO, TOUGHNESS, YIELD_STRENGTH, YOUNGS_MODULUS, check_name};
use crate::error::{Bounds, Error, Result};

/// Mass of a percussor, from a scrap to a stone that takes two hands.
const MASS: Bounds = Bounds::closed("percussor_mass_g", 0.1, 20_000.0, "g");
/// Radius of the touching part of the tip.
const TIP_RADIUS: Bounds = Bounds::closed("tip_radius_mm", 0.05, 500.0, "mm");

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
#[serde(try_from = "MaterialParts")]
pub struct PercussorMaterial {
    name: String,
    class: PercussorClass,
    tip_behaviour: TipBehaviour,
    density_kg_m3: Property,
    youngs_modulus_pa: Property,
    poisson_ratio: Property,
    #[serde(skip_serializing_if = "Option::is_none")]
    toughness_pa_sqrt_m: Option<Property>,
    #[serde(skip_serializing_if = "Option::is_none")]
    yield_strength_pa: Option<Property>,
}

impl PercussorMaterial {
    fn of(m: &Material) -> Option<PercussorMaterial> {
        let strikes = m.strikes.as_ref()?;
        Some(PercussorMaterial {
            name: m.name.to_owned(),
            class: strikes.class,
            tip_behaviour: strikes.tip_behaviour,
            density_kg_m3: m.density_kg_m3.clone(),
            youngs_modulus_pa: m.youngs_modulus_pa.clone(),
            poisson_ratio: m.poisson_ratio.clone(),
            toughness_pa_sqrt_m: m.toughness_pa_sqrt_m.clone(),
            yield_strength_pa: m.yield_strength_pa.clone(),
        })
    }

    /// A material of the bundled table by its name. Case, spaces and underscores do not matter; the trade's
    /// other names are understood (`antler`, `wood`, `hammerstone`, `elk antler`, `iron`).
    ///
    /// # Errors
    /// [`Error::UnknownName`] for the field `percussor`, with the list of [`PercussorMaterial::all_names`].
    pub fn named(name: &str) -> Result<Self> {
        Material::find(name, Material::percussor_names)
            .and_then(PercussorMaterial::of)
            .ok_or_else(|| Error::unknown_name("percussor", name, Self::all_names()))
    }

    /// The names of the bundled table, in its order.
    pub fn all_names() -> impl Iterator<Item = &'static str> {
        MATERIALS.iter().filter(|m| m.strikes.is_some()).map(|m| m.name)
    }

    /// A material of the user's own, checked by [`PercussorMaterialBuilder::build`].
    pub fn builder(name: impl Into<String>, class: PercussorClass) -> PercussorMaterialBuilder {
        PercussorMaterialBuilder {
            name: name.into(),
            class,
            tip_behaviour: TipBehaviour::Elastic,
            density_kg_m3: None,
            youngs_modulus_pa: None,
            poisson_ratio: None,
            toughness_pa_sqrt_m: None,
            yield_strength_pa: None,
        }
    }

    /// A builder that starts from this material, to replace one property or another.
    pub fn to_builder(&self) -> PercussorMaterialBuilder {
        PercussorMaterialBuilder {
            name: self.name.clone(),
            class: self.class,
            tip_behaviour: self.tip_behaviour,
            density_kg_m3: Some(self.density_kg_m3.clone().into()),
            youngs_modulus_pa: Some(self.youngs_modulus_pa.clone().into()),
            poisson_ratio: Some(self.poisson_ratio.clone().into()),
            toughness_pa_sqrt_m: self.toughness_pa_sqrt_m.clone().map(Figure::from),
            yield_strength_pa: self.yield_strength_pa.clone().map(Figure::from),
        }
    }

    /// The name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The class.
    pub fn class(&self) -> PercussorClass {
        self.class
    }

    /// What the tip does under a blow.
    pub fn tip_behaviour(&self) -> TipBehaviour {
        self.tip_behaviour
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

/// A percussor material being described; nothing is checked before
/// [`build`](PercussorMaterialBuilder::build).
#[derive(Debug, Clone, PartialEq)]
pub struct PercussorMaterialBuilder {
    name: String,
    class: PercussorClass,
    tip_behaviour: TipBehaviour,
    density_kg_m3: Option<Figure>,
    youngs_modulus_pa: Option<Figure>,
    poisson_ratio: Option<Figure>,
    toughness_pa_sqrt_m: Option<Figure>,
    yield_strength_pa: Option<Figure>,
}

impl PercussorMaterialBuilder {
    /// Another name.
    pub fn name(mut self, name: impl Into<String>) -> Self {
        self.name = name.into();
        self
    }

    /// What the tip does under a blow; elastic unless said.
    pub fn tip_behaviour(mut self, behaviour: TipBehaviour) -> Self {
        self.tip_behaviour = behaviour;
        self
    }

    /// Density, kg/m³: 100 to 25 000.
    pub fn density_kg_m3(mut self, figure: impl Into<Figure>) -> Self {
        self.density_kg_m3 = Some(figure.into());
        self
    }

    /// Young's modulus, Pa: 10⁷ to 1.3·10¹².
    pub fn youngs_modulus_pa(mut self, figure: impl Into<Figure>) -> Self {
        self.youngs_modulus_pa = Some(figure.into());
        self
    }

    /// Poisson's ratio: 0 to 0.499.
    pub fn poisson_ratio(mut self, figure: impl Into<Figure>) -> Self {
        self.poisson_ratio = Some(figure.into());
        self
    }

    /// Fracture toughness, Pa m^(1/2): 10⁴ to 5·10⁸. Optional.
    pub fn toughness_pa_sqrt_m(mut self, figure: impl Into<Figure>) -> Self {
        self.toughness_pa_sqrt_m = Some(figure.into());
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
        let given = |figure, bounds| Figure::required(figure, "a percussor", bounds);
        Ok(PercussorMaterial {
            name: check_name("percussor", &self.name)?,
            class: self.class,
            tip_behaviour: self.tip_behaviour,
            density_kg_m3: given(self.density_kg_m3, &DENSITY)?,
            youngs_modulus_pa: given(self.youngs_modulus_pa, &YOUNGS_MODULUS)?,
            poisson_ratio: given(self.poisson_ratio, &POISSON_RATIO)?,
            toughness_pa_sqrt_m: self.toughness_pa_sqrt_m.map(|f| f.checked(&TOUGHNESS)).transpose()?,
            yield_strength_pa: self.yield_strength_pa.map(|f| f.checked(&YIELD_STRENGTH)).transpose()?,
        })
    }
}

/// Reading a stored material goes through the builder.
#[derive(Deserialize)]
struct MaterialParts {
    name: String,
    class: PercussorClass,
    tip_behaviour: TipBehaviour,
    density_kg_m3: Figure,
    youngs_modulus_pa: Figure,
    poisson_ratio: Figure,
    toughness_pa_sqrt_m: Option<Figure>,
    yield_strength_pa: Option<Figure>,
}

impl TryFrom<MaterialParts> for PercussorMaterial {
    type Error = Error;

    fn try_from(p: MaterialParts) -> Result<Self> {
        PercussorMaterialBuilder {
            name: p.name,
            class: p.class,
            tip_behaviour: p.tip_behaviour,
            density_kg_m3: Some(p.density_kg_m3),
            youngs_modulus_pa: Some(p.youngs_modulus_pa),
            poisson_ratio: Some(p.poisson_ratio),
            toughness_pa_sqrt_m: p.toughness_pa_sqrt_m,
            yield_strength_pa: p.yield_strength_pa,
        }
        .build()
    }
}

/// A particular percussor: its material, and its mass and tip radius where they were recorded.
///
/// The tip radius is that of the bump that touches, not of the whole cobble: often 2 to 10 mm on a
/// hammerstone (an assumption, no source).
///
/// ```
/// use conchoid::material::{Percussor, PercussorMaterial};
/// let quartzite = PercussorMaterial::named("quartzite").unwrap();
/// let ours = Percussor::new(quartzite.clone()).with_mass_g(400.0).unwrap().with_tip_radius_mm(25.0).unwrap();
/// assert_eq!(ours.mass_g(), Some(400.0));
/// let e = Percussor::new(quartzite).with_tip_radius_mm(0.0).unwrap_err();
/// assert_eq!(e.to_string(), "tip_radius_mm: 0 is out of range (accepted: at least 0.05, at most 500 mm)");
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Parts")]
pub struct Percussor {
    material: PercussorMaterial,
    #[serde(skip_serializing_if = "Option::is_none")]
    mass_g: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    tip_radius_mm: Option<f64>,
}

impl Percussor {
    /// A percussor of which the material is all that is known.
    pub fn new(material: PercussorMaterial) -> Self {
        Percussor { material, mass_g: None, tip_radius_mm: None }
    }

    /// A percussor of a bundled material, by name.
    ///
    /// # Errors
    /// As [`PercussorMaterial::named`].
    pub fn named(material: &str) -> Result<Self> {
        Ok(Self::new(PercussorMaterial::named(material)?))
    }

    /// With a mass in grams, above 0 and at most 20 000.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for `percussor_mass_g`.
    pub fn with_mass_g(mut self, mass_g: f64) -> Result<Self> {
        self.mass_g = Some(MASS.check(mass_g)?);
        Ok(self)
    }

    /// With a tip radius in millimetres, above 0 and at most 500.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for `tip_radius_mm`.
    pub fn with_tip_radius_mm(mut self, tip_radius_mm: f64) -> Result<Self> {
        self.tip_radius_mm = Some(TIP_RADIUS.check(tip_radius_mm)?);
        Ok(self)
    }

    /// What it is made of.
    pub fn material(&self) -> &PercussorMaterial {
        &self.material
    }

    /// The class of its material.
    pub fn class(&self) -> PercussorClass {
        self.material.class
    }

    /// Mass, g, where recorded.
    pub fn mass_g(&self) -> Option<f64> {
        self.mass_g
    }

    /// Radius of the touching tip, mm, where recorded.
    pub fn tip_radius_mm(&self) -> Option<f64> {
        self.tip_radius_mm
    }
}

/// Reading a stored percussor goes through the checks.
#[derive(Deserialize)]
struct Parts {
    material: PercussorMaterial,
    mass_g: Option<f64>,
    tip_radius_mm: Option<f64>,
}

impl TryFrom<Parts> for Percussor {
    type Error = Error;

    fn try_from(p: Parts) -> Result<Self> {
        let mut percussor = Percussor::new(p.material);
        if let Some(m) = p.mass_g {
            percussor = percussor.with_mass_g(m)?;
        }
        if let Some(r) = p.tip_radius_mm {
            percussor = percussor.with_tip_radius_mm(r)?;
        }
        Ok(percussor)
    }
}

#[cfg(test)]
mod tests {
    use super::super::plain_name;
    use super::*;

    #[test]
    fn every_row_passes_the_checks_of_a_users_own_material() {
        assert_eq!(PercussorMaterial::all_names().count(), 16);
        for row in MATERIALS.iter().filter(|m| m.strikes.is_some()) {
            let m = PercussorMaterial::of(row).unwrap();
            for name in row.percussor_names() {
                assert_eq!(plain_name(name), name, "names are kept in the form they are looked up by");
                assert_eq!(PercussorMaterial::named(name).unwrap(), m, "{name}");
            }
            assert_eq!(m.to_builder().build().unwrap(), m);
            for q in [m.density_kg_m3(), m.youngs_modulus_pa(), m.poisson_ratio()]
                .into_iter()
                .chain(m.toughness_pa_sqrt_m())
                .chain(m.yield_strength_pa())
            {
                Property::new(q.typical(), q.low(), q.high(), q.source().to_owned()).unwrap();
                assert!(!q.source().is_empty(), "{}", row.name);
            }
            assert!(m.tip_behaviour() != TipBehaviour::Yields || m.yield_strength_pa().is_some());
        }
    }

    #[test]
    fn no_name_means_two_materials() {
        let mut names: Vec<_> = MATERIALS.iter().flat_map(Material::percussor_names).collect();
        let all = names.len();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), all);
    }

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
        let p = Percussor::named("antler").unwrap().with_mass_g(300.0).unwrap();
        let text = serde_json::to_string(&p).unwrap();
        assert!(text.contains("\"organic\"") && text.contains("\"yields\"") && !text.contains("null"));
        assert_eq!(serde_json::from_str::<Percussor>(&text).unwrap(), p);
        for (from, to, field) in [
            ("\"mass_g\":300.0", "\"mass_g\":-3.0", "percussor_mass_g"),
            ("\"mass_g\":300.0", "\"tip_radius_mm\":0.0", "tip_radius_mm"),
            ("15000000000.0", "1.0", "youngs_modulus_pa"),
        ] {
            let bad = text.replace(from, to);
            assert_ne!(bad, text);
            let message = serde_json::from_str::<Percussor>(&bad).unwrap_err().to_string();
            assert!(message.contains(field), "{message}");
        }
    }

    #[test]
    fn masses_and_radii_have_ends() {
        let p = || Percussor::named("steel").unwrap();
        for m in [0.0, -1.0, 20_001.0, f64::NAN, f64::INFINITY] {
            assert!(p().with_mass_g(m).is_err(), "{m}");
        }
        for r in [0.0, -1.0, 501.0, f64::NAN] {
            assert!(p().with_tip_radius_mm(r).is_err(), "{r}");
        }
        assert!(p().with_mass_g(20_000.0).is_ok() && p().with_tip_radius_mm(500.0).is_ok());
    }
}
