//! The stones that are flaked: density ρ, Young's modulus E, Poisson's ratio ν and fracture toughness K.
//!
//! Typical value and range of each, by name. Rock values scatter by source, direction, size and moisture, and
//! toughness by the method of the test; most toughnesses here are from memory and say so. All solids are
//! taken as isotropic, which vein quartz and crystal are not.

use serde::{Deserialize, Serialize};

use super::property::{Figure, Property};
use super::table::{MATERIALS, Material};
use super::{DENSITY, POISSON_RATIO, TOUGHNESS, YOUNGS_MODULUS, check_name};
use crate::error::{Bounds, Error, Result};

/// How much of its toughness a stone may keep after heating: 0.5 to 1.1.
///
/// Treated jasper had 0.55 of the untreated toughness, and a novaculite went the other way: G. Quinn, Am.
/// Ceram. Soc. Bull., January/February 2013, p. 29.
const HEAT_FACTOR: Bounds = Bounds::closed("heat_factor", 0.5, 1.1, "");

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
/// assert_eq!(ours.poisson_ratio().log_sd(), 0.0);
///
/// let bad = Stone::named("flint").unwrap().to_builder().poisson_ratio(0.6).build().unwrap_err();
/// assert_eq!(bad.to_string(), "poisson_ratio: 0.6 is out of range (accepted: at least 0, at most 0.499)");
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Parts")]
pub struct Stone {
    name: String,
    density_kg_m3: Property,
    youngs_modulus_pa: Property,
    poisson_ratio: Property,
    toughness_pa_sqrt_m: Property,
}

impl Stone {
    fn of(m: &Material) -> Option<Stone> {
        Some(Stone {
            name: m.name.to_owned(),
            density_kg_m3: m.density_kg_m3.clone(),
            youngs_modulus_pa: m.youngs_modulus_pa.clone(),
            poisson_ratio: m.poisson_ratio.clone(),
            toughness_pa_sqrt_m: m.toughness_pa_sqrt_m.clone()?,
        })
    }

    /// A stone of the bundled table by its name. Case, spaces and underscores do not matter; the trade's
    /// other names are understood (`glass`, `quartz`, `vein quartz`, `treated chert`, `china`).
    ///
    /// # Errors
    /// [`Error::UnknownName`] for the field `stone`, with the list of [`Stone::all_names`].
    pub fn named(name: &str) -> Result<Self> {
        Material::find(name, Material::stone_names)
            .and_then(Stone::of)
            .ok_or_else(|| Error::unknown_name("stone", name, Self::all_names()))
    }

    /// The names of the bundled table, in its order.
    pub fn all_names() -> impl Iterator<Item = &'static str> {
        MATERIALS.iter().filter(|m| m.flaked.is_some()).map(|m| m.name)
    }

    /// A stone of the user's own, checked by [`StoneBuilder::build`].
    pub fn builder(name: impl Into<String>) -> StoneBuilder {
        StoneBuilder {
            name: name.into(),
            density_kg_m3: None,
            youngs_modulus_pa: None,
            poisson_ratio: None,
            toughness_pa_sqrt_m: None,
        }
    }

    /// A builder that starts from this stone, to replace one property or another.
    pub fn to_builder(&self) -> StoneBuilder {
        StoneBuilder {
            name: self.name.clone(),
            density_kg_m3: Some(self.density_kg_m3.clone().into()),
            youngs_modulus_pa: Some(self.youngs_modulus_pa.clone().into()),
            poisson_ratio: Some(self.poisson_ratio.clone().into()),
            toughness_pa_sqrt_m: Some(self.toughness_pa_sqrt_m.clone().into()),
        }
    }

    /// The same stone after heating: its toughness times `factor` (0.5 to 1.1), the rest as it was.
    ///
    /// Heating usually makes flaking easier, but not in every stone: a jasper fell to 0.55 of its toughness
    /// while a novaculite rose (G. Quinn, Am. Ceram. Soc. Bull., January/February 2013, p. 29). That
    /// the modulus stays is an assumption.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for `heat_factor` outside 0.5 to 1.1.
    pub fn heated(&self, factor: f64) -> Result<Self> {
        HEAT_FACTOR.check(factor)?;
        let toughness = self.toughness_pa_sqrt_m.scaled(
            TOUGHNESS.name(),
            factor,
            &format!("times {factor} for heating"),
        )?;
        self.to_builder().name(format!("{}, heated", self.name)).toughness_pa_sqrt_m(toughness).build()
    }

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

    /// Mode I fracture toughness, Pa m^(1/2).
    pub fn toughness_pa_sqrt_m(&self) -> &Property {
        &self.toughness_pa_sqrt_m
    }
}

/// A stone being described; nothing is checked before [`build`](StoneBuilder::build).
#[derive(Debug, Clone, PartialEq)]
pub struct StoneBuilder {
    name: String,
    density_kg_m3: Option<Figure>,
    youngs_modulus_pa: Option<Figure>,
    poisson_ratio: Option<Figure>,
    toughness_pa_sqrt_m: Option<Figure>,
}

impl StoneBuilder {
    /// Another name.
    pub fn name(mut self, name: impl Into<String>) -> Self {
        self.name = name.into();
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

    /// Fracture toughness, Pa m^(1/2): 10⁴ to 5·10⁸.
    pub fn toughness_pa_sqrt_m(mut self, figure: impl Into<Figure>) -> Self {
        self.toughness_pa_sqrt_m = Some(figure.into());
        self
    }

    /// The checked stone.
    ///
    /// # Errors
    /// [`Error::Missing`] for a property not given, [`Error::OutOfRange`] for one outside the ranges above,
    /// [`Error::Invalid`] for a range out of order or a name that is empty or longer than 64 characters.
    pub fn build(self) -> Result<Stone> {
        let given = |figure, bounds| Figure::required(figure, "a stone", bounds);
        Ok(Stone {
            name: check_name("stone", &self.name)?,
            density_kg_m3: given(self.density_kg_m3, &DENSITY)?,
            youngs_modulus_pa: given(self.youngs_modulus_pa, &YOUNGS_MODULUS)?,
            poisson_ratio: given(self.poisson_ratio, &POISSON_RATIO)?,
            toughness_pa_sqrt_m: given(self.toughness_pa_sqrt_m, &TOUGHNESS)?,
        })
    }
}

/// Reading a stored stone goes through the builder.
#[derive(Deserialize)]
struct Parts {
    name: String,
    density_kg_m3: Figure,
    youngs_modulus_pa: Figure,
    poisson_ratio: Figure,
    toughness_pa_sqrt_m: Figure,
}

impl TryFrom<Parts> for Stone {
    type Error = Error;

    fn try_from(p: Parts) -> Result<Self> {
        Stone::builder(p.name)
            .density_kg_m3(p.density_kg_m3)
            .youngs_modulus_pa(p.youngs_modulus_pa)
            .poisson_ratio(p.poisson_ratio)
            .toughness_pa_sqrt_m(p.toughness_pa_sqrt_m)
            .build()
    }
}

#[cfg(test)]
mod tests {
    use super::super::plain_name;
    use super::*;

    #[test]
    fn every_row_passes_the_checks_of_a_users_own_stone() {
        assert_eq!(Stone::all_names().count(), 12);
        for row in MATERIALS.iter().filter(|m| m.flaked.is_some()) {
            let stone = Stone::of(row).unwrap();
            for name in row.stone_names() {
                assert_eq!(plain_name(name), name, "names are kept in the form they are looked up by");
                assert_eq!(Stone::named(name).unwrap(), stone, "{name}");
            }
            let again = stone.to_builder().build().unwrap();
            assert_eq!(again, stone);
            for q in [
                stone.density_kg_m3(),
                stone.youngs_modulus_pa(),
                stone.poisson_ratio(),
                stone.toughness_pa_sqrt_m(),
            ] {
                Property::new(q.typical(), q.low(), q.high(), q.source().to_owned()).unwrap();
                assert!(!q.source().is_empty() && q.log_sd() > 0.0, "{}", row.name);
            }
        }
    }

    #[test]
    fn no_name_means_two_stones() {
        let mut names: Vec<_> = MATERIALS.iter().flat_map(Material::stone_names).collect();
        let all = names.len();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), all);
    }

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
            (Stone::named("flint").unwrap().heated(0.2), "heat_factor"),
        ] {
            let e = built.unwrap_err();
            assert_eq!(e.place().unwrap().column.as_deref(), Some(field), "{e}");
        }
        assert!(Stone::named("flintt").unwrap_err().to_string().contains("did you mean \"flint\"?"));
    }

    #[test]
    fn heating_changes_toughness_only() {
        let chert = Stone::named("chert").unwrap();
        let heated = chert.heated(0.55).unwrap();
        assert!((heated.toughness_pa_sqrt_m().typical() - 0.88e6).abs() < 1e-6 * 0.88e6);
        assert_eq!(heated.youngs_modulus_pa(), chert.youngs_modulus_pa());
        assert!((heated.toughness_pa_sqrt_m().log_sd() - chert.toughness_pa_sqrt_m().log_sd()).abs() < 1e-15);
    }
}
