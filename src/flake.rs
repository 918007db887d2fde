//! What came off: a flake as an analyst records it, with its sizes, its termination, what portion of it is
//! left, how it was struck off, from which core and by which knapper. Checked once, when it is built;
//! whatever was not recorded is missing (`None`), never zero.

mod retouch;

pub(crate) use retouch::{
    DERIVED, LENGTH_NOW_MM, MAX_THICKNESS_NOW_MM, ORIGINAL_MASS_G, WIDTH_NOW_MM, WithRetouch,
};
pub use retouch::{
    ORIGINAL_OVER_NOW, RETOUCH_HEIGHT, RETOUCH_HEIGHT_MM, Retouch, RetouchBuilder, RetouchKind,
    RetouchedEdges, THICKNESS_AT_MM,
};

use crate::error::{Bounds, Error, Place, Result};
use crate::strike::{LEAST_MM, Measured, Strike, check, check_name, vocabulary, yes_no};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// The least mass of a flake, g: a twentieth of the least of published tables (0.02 g). This crate's choice, no source.
pub(crate) const LEAST_G: f64 = 0.001;

/// Length of a flake. Generous ends, no source.
pub(crate) const LENGTH_MM: Bounds = Bounds::closed("length_mm", LEAST_MM, 10_000.0, "mm");
/// Width of a flake. Generous ends, no source.
pub(crate) const WIDTH_MM: Bounds = Bounds::closed("width_mm", LEAST_MM, 10_000.0, "mm");
/// Thickness of a flake, however it was measured. Generous ends, no source.
pub(crate) const THICKNESS_MM: Bounds = Bounds::closed("thickness_mm", LEAST_MM, 10_000.0, "mm");
/// Mean of several thicknesses of a flake. Generous ends, no source.
pub(crate) const MEAN_THICKNESS_MM: Bounds = Bounds::closed("mean_thickness_mm", LEAST_MM, 10_000.0, "mm");
/// The greatest thickness of a flake. Generous ends, no source.
pub(crate) const MAX_THICKNESS_MM: Bounds = Bounds::closed("max_thickness_mm", LEAST_MM, 10_000.0, "mm");
/// Mass of a flake as struck. Generous ends, no source.
pub(crate) const MASS_G: Bounds = Bounds::closed("mass_g", LEAST_G, 1e6, "g");
/// Mass of what is left of a retouched or broken flake. Generous ends, no source.
pub(crate) const MASS_NOW_G: Bounds = Bounds::closed("mass_now_g", LEAST_G, 1e6, "g");

vocabulary! {
    /// Which portion of the flake is there.
    pub enum Portion in "portion" {
        /// Whole.
        Complete = "complete" | "whole",
        /// The end with the platform.
        Proximal = "proximal",
        /// Neither end.
        Medial = "medial" | "mesial",
        /// The end with the termination.
        Distal = "distal",
        /// Split along the axis of the blow; it carries part of the platform.
        Split = "split" | "siret",
        /// A fragment that cannot be oriented.
        Shatter = "shatter",
        /// Not a flake but a core.
        Core = "core",
    }
}

impl Portion {
    /// Whether such a piece carries a platform: complete, proximal and split pieces do.
    ///
    /// ```
    /// use conchoid::flake::Portion;
    /// assert!(Portion::Split.has_platform());
    /// assert!(!Portion::Distal.has_platform());
    /// ```
    pub const fn has_platform(self) -> bool {
        matches!(self, Portion::Complete | Portion::Proximal | Portion::Split)
    }
}

vocabulary! {
    /// How the flake was struck off.
    pub enum Technique in "technique" {
        /// The percussor strikes the core.
        Direct = "direct" | "direct percussion" | "hard hammer" | "soft hammer",
        /// Through a punch.
        Indirect = "indirect" | "indirect percussion" | "punch",
        /// Pressed off.
        Pressure = "pressure",
    }
}

vocabulary! {
    /// How the fracture ran out.
    pub enum Termination in "termination" {
        /// A thin sharp edge.
        Feather = "feather",
        /// A rounded turn to the exterior face.
        Hinge = "hinge",
        /// A break at right angles.
        Step = "step",
        /// Through the far end of the core.
        Overshot = "overshot" | "overshoot" | "plunging" | "outrepasse" | "outrepassé",
    }
}

/// A termination as recorded: one of the four, or another entry that is kept and counted as it stands.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub(crate) enum RecordedTermination {
    /// One of the four terminations.
    Known(Termination),
    /// Any other entry, in lower case. Make it by parsing, so that a known name never ends up here.
    Other(String),
}

impl RecordedTermination {
    /// The termination, where it is one of the four.
    pub fn known(&self) -> Option<Termination> {
        match self {
            RecordedTermination::Known(t) => Some(*t),
            RecordedTermination::Other(_) => None,
        }
    }
    /// The entry as a table holds it.
    pub fn name(&self) -> &str {
        match self {
            RecordedTermination::Known(t) => t.name(),
            RecordedTermination::Other(text) => text,
        }
    }
}

impl FromStr for RecordedTermination {
    type Err = Error;
    fn from_str(text: &str) -> Result<Self> {
        Ok(match Termination::find(text) {
            Some(t) => RecordedTermination::Known(t),
            None => RecordedTermination::Other(check_name(Termination::COLUMN, text)?.to_lowercase()),
        })
    }
}

impl TryFrom<String> for RecordedTermination {
    type Error = Error;
    fn try_from(text: String) -> Result<Self> {
        text.parse()
    }
}

impl From<RecordedTermination> for String {
    fn from(t: RecordedTermination) -> String {
        match t {
            RecordedTermination::Known(t) => t.name().to_string(),
            RecordedTermination::Other(text) => text,
        }
    }
}

impl From<Termination> for RecordedTermination {
    fn from(t: Termination) -> Self {
        RecordedTermination::Known(t)
    }
}

impl fmt::Display for RecordedTermination {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// A flake as recorded: what is left of it and the [`Strike`] that took it off.
///
/// Sizes are in millimetres and grams, above 0 where recorded. Names of the piece, its core and its knapper
/// keep their case and have 1 to 64 characters.
///
/// ```
/// use conchoid::flake::{Flake, Portion, Termination};
/// use conchoid::strike::{Measured, Platform, Strike};
/// let platform = Platform::builder().depth_mm(8.0).exterior_platform_angle_deg(75.0).build()?;
/// let flake = Flake::builder()
///     .strike(Strike::builder().platform(platform).build()?)
///     .mass_g(21.4)
///     .portion(Portion::Complete)
///     .termination(Termination::Feather)
///     .knapper("Wren")
///     .build()?;
/// assert_eq!(flake.number("platform_depth_mm"), Some(8.0));
/// assert_eq!(flake.class("termination"), Some("feather"));
/// assert!(Flake::builder().mass_g(0.0).build().is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "FlakeBuilder", into = "FlakeBuilder")]
pub struct Flake(FlakeBuilder);

/// The record of a [`Flake`] as given, not yet checked. `None` means not recorded.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct FlakeBuilder {
    #[serde(skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    strike: Strike,
    #[serde(skip_serializing_if = "Option::is_none")]
    length_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    width_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    thickness_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mean_thickness_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    max_thickness_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mass_g: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mass_now_g: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    original_mass_g: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    length_now_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    width_now_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    max_thickness_now_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    retouch: Option<Retouch>,
    #[serde(skip_serializing_if = "Option::is_none")]
    portion: Option<Portion>,
    #[serde(skip_serializing_if = "Option::is_none")]
    technique: Option<Technique>,
    #[serde(skip_serializing_if = "Option::is_none")]
    retouched: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    termination: Option<RecordedTermination>,
    #[serde(skip_serializing_if = "Option::is_none")]
    lip: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    core: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    knapper: Option<String>,
}

impl FlakeBuilder {
    /// The piece's own name or number (column `flake`).
    pub fn name<'a>(mut self, name: impl Into<Option<&'a str>>) -> Self {
        self.name = name.into().map(String::from);
        self
    }
    /// The strike that took it off.
    pub fn strike(mut self, strike: Strike) -> Self {
        self.strike = strike;
        self
    }
    /// Length, in millimetres.
    pub fn length_mm(mut self, value: impl Into<Option<f64>>) -> Self {
        self.length_mm = value.into();
        self
    }
    /// Width, in millimetres.
    pub fn width_mm(mut self, value: impl Into<Option<f64>>) -> Self {
        self.width_mm = value.into();
        self
    }
    /// Thickness, in millimetres.
    pub fn thickness_mm(mut self, value: impl Into<Option<f64>>) -> Self {
        self.thickness_mm = value.into();
        self
    }
    /// Mean of several thicknesses, in millimetres.
    pub fn mean_thickness_mm(mut self, value: impl Into<Option<f64>>) -> Self {
        self.mean_thickness_mm = value.into();
        self
    }
    /// Greatest thickness, in millimetres.
    pub fn max_thickness_mm(mut self, value: impl Into<Option<f64>>) -> Self {
        self.max_thickness_mm = value.into();
        self
    }
    /// Mass as struck, in grams.
    pub fn mass_g(mut self, value: impl Into<Option<f64>>) -> Self {
        self.mass_g = value.into();
        self
    }
    /// Mass of what is left, in grams.
    pub fn mass_now_g(mut self, value: impl Into<Option<f64>>) -> Self {
        self.mass_now_g = value.into();
        self
    }
    /// Mass of a retouched piece when it was struck, where that is known, in grams.
    pub fn original_mass_g(mut self, value: impl Into<Option<f64>>) -> Self {
        self.original_mass_g = value.into();
        self
    }
    /// Length of what is left, in millimetres.
    pub fn length_now_mm(mut self, value: impl Into<Option<f64>>) -> Self {
        self.length_now_mm = value.into();
        self
    }
    /// Width of what is left, in millimetres.
    pub fn width_now_mm(mut self, value: impl Into<Option<f64>>) -> Self {
        self.width_now_mm = value.into();
        self
    }
    /// Greatest thickness of what is left, in millimetres.
    pub fn max_thickness_now_mm(mut self, value: impl Into<Option<f64>>) -> Self {
        self.max_thickness_now_mm = value.into();
        self
    }
    /// The retouch as measured.
    pub fn retouch(mut self, value: impl Into<Option<Retouch>>) -> Self {
        self.retouch = value.into();
        self
    }
    /// Which portion is there.
    pub fn portion(mut self, value: impl Into<Option<Portion>>) -> Self {
        self.portion = value.into();
        self
    }
    /// How it was struck off.
    pub fn technique(mut self, value: impl Into<Option<Technique>>) -> Self {
        self.technique = value.into();
        self
    }
    /// Whether it was retouched.
    pub fn retouched(mut self, value: impl Into<Option<bool>>) -> Self {
        self.retouched = value.into();
        self
    }
    /// How the fracture ran out, one of the four.
    pub fn termination(mut self, value: Termination) -> Self {
        self.termination = Some(value.into());
        self
    }
    /// How the fracture ran out, as recorded.
    #[cfg_attr(not(feature = "table"), allow(dead_code))]
    pub(crate) fn recorded_termination(mut self, value: impl Into<Option<RecordedTermination>>) -> Self {
        self.termination = value.into();
        self
    }
    /// Whether it has a lip under the platform.
    pub fn lip(mut self, value: impl Into<Option<bool>>) -> Self {
        self.lip = value.into();
        self
    }
    /// The core it comes from, by name.
    pub fn core<'a>(mut self, name: impl Into<Option<&'a str>>) -> Self {
        self.core = name.into().map(String::from);
        self
    }
    /// The knapper, by name.
    pub fn knapper<'a>(mut self, name: impl Into<Option<&'a str>>) -> Self {
        self.knapper = name.into().map(String::from);
        self
    }

    /// The checked flake.
    ///
    /// # Errors
    /// [`Error::OutOfRange`], named by the column, for a size outside its bounds; [`Error::Invalid`] for a
    /// name that is empty, longer than 64 characters or not on one line.
    pub fn build(mut self) -> Result<Flake> {
        check(LENGTH_MM, self.length_mm)?;
        check(WIDTH_MM, self.width_mm)?;
        check(THICKNESS_MM, self.thickness_mm)?;
        check(MEAN_THICKNESS_MM, self.mean_thickness_mm)?;
        check(MAX_THICKNESS_MM, self.max_thickness_mm)?;
        check(MASS_G, self.mass_g)?;
        check(MASS_NOW_G, self.mass_now_g)?;
        check(ORIGINAL_MASS_G, self.original_mass_g)?;
        check(LENGTH_NOW_MM, self.length_now_mm)?;
        check(WIDTH_NOW_MM, self.width_now_mm)?;
        check(MAX_THICKNESS_NOW_MM, self.max_thickness_now_mm)?;
        for (field, name) in
            [("flake", &mut self.name), ("core", &mut self.core), ("knapper", &mut self.knapper)]
        {
            if let Some(text) = name {
                *text = check_name(field, text)?.to_string();
            }
        }
        if let Some(other @ RecordedTermination::Other(_)) = &mut self.termination {
            *other = other.name().parse()?;
        }
        Ok(Flake(self))
    }
}

impl Flake {
    /// Nothing recorded yet.
    pub fn builder() -> FlakeBuilder {
        FlakeBuilder::default()
    }
    /// The same record, to change some of it.
    #[cfg(test)]
    pub(crate) fn to_builder(&self) -> FlakeBuilder {
        self.0.clone()
    }
    /// The strike that took it off.
    #[cfg(test)]
    pub(crate) fn strike(&self) -> &Strike {
        &self.0.strike
    }
}

/// Why nothing can be estimated from these data, by their portion, kind of platform and what was measured.
/// For a flake or a row of a table alike.
pub(crate) fn refusal(data: &dyn Measured) -> Option<Error> {
    let portion = data.class(Portion::COLUMN).and_then(Portion::find);
    if let Some(portion) = portion.filter(|p| !p.has_platform()) {
        let with: Vec<&str> = Portion::ALL.iter().filter(|p| p.has_platform()).map(|p| p.name()).collect();
        return Some(Error::Refused {
            at: Place::column(Portion::COLUMN),
            reason: format!(
                "{portion}, so without a platform to estimate from (accepted: {})",
                with.join(", ")
            ),
        });
    }
    crate::strike::refusal(data)
}

impl TryFrom<FlakeBuilder> for Flake {
    type Error = Error;
    fn try_from(fields: FlakeBuilder) -> Result<Self> {
        fields.build()
    }
}

impl From<Flake> for FlakeBuilder {
    fn from(flake: Flake) -> Self {
        flake.0
    }
}

impl Measured for Flake {
    fn number(&self, name: &str) -> Option<f64> {
        match name {
            "length_mm" => self.0.length_mm,
            "width_mm" => self.0.width_mm,
            "thickness_mm" => self.0.thickness_mm,
            "mean_thickness_mm" => self.0.mean_thickness_mm,
            "max_thickness_mm" => self.0.max_thickness_mm,
            "mass_g" => self.0.mass_g,
            "mass_now_g" => self.0.mass_now_g,
            "original_mass_g" => self.0.original_mass_g,
            "length_now_mm" => self.0.length_now_mm,
            "width_now_mm" => self.0.width_now_mm,
            "max_thickness_now_mm" => self.0.max_thickness_now_mm,
            _ => match self.0.retouch.as_ref().and_then(|r| r.number(name)) {
                Some(number) => Some(number),
                None => self.0.strike.number(name),
            },
        }
    }
    fn class(&self, name: &str) -> Option<&str> {
        match name {
            "flake" => self.0.name.as_deref(),
            "portion" => self.0.portion.map(Portion::name),
            "technique" => self.0.technique.map(Technique::name),
            "retouched" => self.0.retouched.map(yes_no),
            "termination" => self.0.termination.as_ref().map(RecordedTermination::name),
            "lip" => self.0.lip.map(yes_no),
            "core" => self.0.core.as_deref(),
            "knapper" => self.0.knapper.as_deref(),
            _ => match self.0.retouch.as_ref().and_then(|r| r.class(name)) {
                Some(class) => Some(class),
                None => self.0.strike.class(name),
            },
        }
    }
}
