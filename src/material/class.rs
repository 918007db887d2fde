//! What kind of percussor a material makes, and what its tip does under the load.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use super::plain_name;
use crate::error::{Error, Result};

/// The class of a percussor: what the flake forms may tell apart.
///
/// ```
/// use conchoid::material::PercussorClass;
/// assert_eq!("Organic".parse::<PercussorClass>().unwrap(), PercussorClass::Organic);
/// assert_eq!(PercussorClass::Stone.to_string(), "stone");
/// assert!("soft".parse::<PercussorClass>().is_err());
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PercussorClass {
    /// A hammerstone.
    Stone,
    /// Steel, copper.
    Metal,
    /// Antler, bone, wood.
    Organic,
}

impl PercussorClass {
    /// All classes.
    pub(crate) const ALL: [PercussorClass; 3] =
        [PercussorClass::Stone, PercussorClass::Metal, PercussorClass::Organic];

    /// The word for it, in lower case.
    pub(crate) const fn word(self) -> &'static str {
        match self {
            PercussorClass::Stone => "stone",
            PercussorClass::Metal => "metal",
            PercussorClass::Organic => "organic",
        }
    }

    /// What stands in for a class that an experiment did not use: the hardest for each other.
    pub(crate) fn stand_in(self) -> PercussorClass {
        match self {
            PercussorClass::Stone => PercussorClass::Metal,
            PercussorClass::Metal => PercussorClass::Stone,
            PercussorClass::Organic => PercussorClass::Organic,
        }
    }
}

impl fmt::Display for PercussorClass {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl FromStr for PercussorClass {
    type Err = Error;

    /// # Errors
    /// [`Error::UnknownName`] for anything but `stone`, `metal` and `organic` (in any case).
    fn from_str(text: &str) -> Result<Self> {
        let plain = plain_name(text);
        Self::ALL
            .into_iter()
            .find(|c| c.word() == plain)
            .ok_or_else(|| Error::unknown_name("percussor_class", text, Self::ALL.map(PercussorClass::word)))
    }
}

/// What the tip does under the pressure of a real blow.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum TipBehaviour {
    /// Stays elastic but for pits (hard stone, hardened steel).
    Elastic,
    /// Crushes at the point of contact (soft stone, wood).
    Crushes,
    /// Flattens by yielding (antler, bone, copper): Hertz stresses are an upper bound.
    Yields,
}
