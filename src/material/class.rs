//! What kind of percussor a material makes, and what its tip does under the load.

use crate::vocabulary::vocabulary;
use serde::Deserialize;

vocabulary! {
    /// The class of a percussor: what the flake forms may tell apart.
    ///
    /// ```
    /// use conchoid::material::PercussorClass;
    /// assert_eq!("Organic".parse::<PercussorClass>().unwrap(), PercussorClass::Organic);
    /// assert_eq!(PercussorClass::Stone.to_string(), "stone");
    /// assert!("soft".parse::<PercussorClass>().is_err());
    /// ```
    pub enum PercussorClass in "percussor_class" {
        /// A hammerstone.
        Stone = "stone",
        /// Steel, copper.
        Metal = "metal",
        /// Antler, bone, wood.
        Organic = "organic",
    }
}

impl PercussorClass {
    /// What stands in for a class that an experiment did not use: the hardest for each other.
    pub(crate) fn stand_in(self) -> PercussorClass {
        match self {
            PercussorClass::Stone => PercussorClass::Metal,
            PercussorClass::Metal => PercussorClass::Stone,
            PercussorClass::Organic => PercussorClass::Organic,
        }
    }
}

/// What the tip does under the pressure of a real blow.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum TipBehaviour {
    /// Stays elastic but for pits (hard stone, hardened steel).
    Elastic,
    /// Crushes at the point of contact (soft stone, wood).
    Crushes,
    /// Flattens by yielding (antler, bone, copper): Hertz stresses are an upper bound.
    Yields,
}
