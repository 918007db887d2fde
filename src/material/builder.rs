//! What is said of a stone or of a percussor's material before it is checked: one builder for both.

use serde::{Deserialize, Serialize};

use super::property::{Figure, Property};
use super::{DENSITY, POISSON_RATIO, YOUNGS_MODULUS};
use crate::error::{Bounds, Error, Result};

/// A material being described, as a stone ([`StoneBuilder`](super::StoneBuilder)) or as what strikes
/// ([`PercussorMaterialBuilder`](super::PercussorMaterialBuilder)); nothing is checked before `build`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct MaterialBuilder<Kind> {
    pub(super) name: String,
    #[serde(flatten)]
    pub(super) kind: Kind,
    pub(super) density_kg_m3: Option<Figure>,
    pub(super) youngs_modulus_pa: Option<Figure>,
    pub(super) poisson_ratio: Option<Figure>,
    pub(super) toughness_pa_sqrt_m: Option<Figure>,
    pub(super) yield_strength_pa: Option<Figure>,
}

impl<Kind> MaterialBuilder<Kind> {
    pub(super) fn new(name: String, kind: Kind) -> Self {
        MaterialBuilder {
            name,
            kind,
            density_kg_m3: None,
            youngs_modulus_pa: None,
            poisson_ratio: None,
            toughness_pa_sqrt_m: None,
            yield_strength_pa: None,
        }
    }

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

    /// Fracture toughness, Pa m^(1/2): 10⁴ to 5·10⁸. A percussor can do without.
    pub fn toughness_pa_sqrt_m(mut self, figure: impl Into<Figure>) -> Self {
        self.toughness_pa_sqrt_m = Some(figure.into());
        self
    }
}

/// What every material needs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(super) struct Elastic {
    pub(super) density_kg_m3: Property,
    pub(super) youngs_modulus_pa: Property,
    pub(super) poisson_ratio: Property,
}

impl Elastic {
    /// Checked; `what` is the material in the message (`a stone`).
    pub(super) fn of<Kind>(given: &MaterialBuilder<Kind>, what: &str) -> Result<Self> {
        Ok(Elastic {
            density_kg_m3: required(&given.density_kg_m3, what, &DENSITY)?,
            youngs_modulus_pa: required(&given.youngs_modulus_pa, what, &YOUNGS_MODULUS)?,
            poisson_ratio: required(&given.poisson_ratio, what, &POISSON_RATIO)?,
        })
    }

    /// A builder that starts from these.
    pub(super) fn to_builder<Kind>(&self, name: &str, kind: Kind) -> MaterialBuilder<Kind> {
        MaterialBuilder::new(name.to_owned(), kind)
            .density_kg_m3(self.density_kg_m3.clone())
            .youngs_modulus_pa(self.youngs_modulus_pa.clone())
            .poisson_ratio(self.poisson_ratio.clone())
    }
}

/// The checked property of a material that cannot do without it.
pub(super) fn required(given: &Option<Figure>, what: &str, bounds: &Bounds) -> Result<Property> {
    optional(given, bounds)?
        .ok_or_else(|| Error::missing(bounds.name(), format!("{what} needs it: {bounds}")))
}

/// The checked property, where it was given.
pub(super) fn optional(given: &Option<Figure>, bounds: &Bounds) -> Result<Option<Property>> {
    given.clone().map(|figure| figure.checked(bounds)).transpose()
}
