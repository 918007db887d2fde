//! What came off: a flake as an analyst records it, with its sizes, its termination, what portion of it is
//! left, how it was struck off, from which core and by which knapper. Checked once, when it is built;
//! whatever was not recorded is missing (`None`), never zero.

pub(crate) mod columns;
mod retouch;

pub(crate) use retouch::{
    DERIVED, LENGTH_NOW_MM, RETOUCH_HEIGHT, RETOUCH_HEIGHT_MM, Retouch, THICKNESS_AT_MM, WithRetouch,
};
use retouch::{
    MAX_THICKNESS_NOW_MM, MOST_POINTS, ORIGINAL_MASS_G, RETOUCH_INDEX, WIDTH_NOW_MM, check_mass_lost,
};
pub use retouch::{ORIGINAL_OVER_NOW, RetouchKind, RetouchedEdges};

use crate::error::{Bounds, Error, Place, Result};
use crate::strike::{Given, LEAST_MM, Measured, Record, Strike};
use crate::vocabulary::{ClassKind, vocabulary, yes_no};
use serde::Serialize;

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

/// A flake as recorded: what is left of it and the [`Strike`] that took it off.
///
/// Sizes are in millimetres and grams, above 0 where recorded. Names of the piece, its core and its knapper
/// keep their case and have 1 to 64 characters. Stored with `serde` it is what a row of a table holds, by column
/// (`{"platform_depth_mm": 8.0, "termination": "feather"}`), and it is read back through the same checks.
///
/// ```
/// use conchoid::flake::{Flake, Portion, Termination};
/// use conchoid::strike::{Measured, Strike};
/// let flake = Flake::builder()
///     .strike(Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build()?)
///     .mass_g(21.4)
///     .portion(Portion::Complete)
///     .termination(Termination::Feather)
///     .knapper("Wren")
///     .build()?;
/// assert_eq!(flake.number("platform_depth_mm"), Some(8.0));
/// assert_eq!(flake.class("termination"), Some("feather"));
/// assert!(Flake::builder().mass_g(0.0).build().is_err());
///
/// let scraper = Flake::builder().retouch_point(4.2, 9.1).retouch_point(5.0, 10.2).retouch_point(3.9, 8.8).build()?;
/// assert!((scraper.number("retouch_index").unwrap() - 0.4650).abs() < 1e-4);
/// assert_eq!(
///     Flake::builder().retouch_point(9.0, 5.0).build().unwrap_err().to_string(),
///     "retouch_height_1_mm: 9 is out of range (accepted: 0 to 5.5 mm, the thickness of 5 mm there and caliper error)"
/// );
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
#[serde(transparent)]
pub struct Flake(Record);

/// The record of a [`Flake`] as given, not yet checked. `None` means not recorded.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct FlakeBuilder(Given);

impl FlakeBuilder {
    /// The piece's own name or number (column `flake`).
    pub fn name<'a>(self, name: impl Into<Option<&'a str>>) -> Self {
        FlakeBuilder(self.0.class("flake", ClassKind::Label, name.into()))
    }
    /// The strike that took it off, in place of one given before.
    pub fn strike(self, strike: Strike) -> Self {
        FlakeBuilder(self.0.with(strike.0, &Strike::COLUMNS))
    }
    /// Length, in millimetres.
    pub fn length_mm(self, value: impl Into<Option<f64>>) -> Self {
        FlakeBuilder(self.0.number(LENGTH_MM, value.into()))
    }
    /// Width, in millimetres.
    pub fn width_mm(self, value: impl Into<Option<f64>>) -> Self {
        FlakeBuilder(self.0.number(WIDTH_MM, value.into()))
    }
    /// Thickness, in millimetres.
    pub fn thickness_mm(self, value: impl Into<Option<f64>>) -> Self {
        FlakeBuilder(self.0.number(THICKNESS_MM, value.into()))
    }
    /// Mean of several thicknesses, in millimetres.
    pub fn mean_thickness_mm(self, value: impl Into<Option<f64>>) -> Self {
        FlakeBuilder(self.0.number(MEAN_THICKNESS_MM, value.into()))
    }
    /// Greatest thickness, in millimetres.
    pub fn max_thickness_mm(self, value: impl Into<Option<f64>>) -> Self {
        FlakeBuilder(self.0.number(MAX_THICKNESS_MM, value.into()))
    }
    /// Mass as struck, in grams.
    pub fn mass_g(self, value: impl Into<Option<f64>>) -> Self {
        FlakeBuilder(self.0.number(MASS_G, value.into()))
    }
    /// Mass of what is left, in grams.
    pub fn mass_now_g(self, value: impl Into<Option<f64>>) -> Self {
        FlakeBuilder(self.0.number(MASS_NOW_G, value.into()))
    }
    /// Mass of a retouched piece when it was struck, where that is known, in grams.
    pub fn original_mass_g(self, value: impl Into<Option<f64>>) -> Self {
        FlakeBuilder(self.0.number(ORIGINAL_MASS_G, value.into()))
    }
    /// Length of what is left, in millimetres.
    pub fn length_now_mm(self, value: impl Into<Option<f64>>) -> Self {
        FlakeBuilder(self.0.number(LENGTH_NOW_MM, value.into()))
    }
    /// Width of what is left, in millimetres.
    pub fn width_now_mm(self, value: impl Into<Option<f64>>) -> Self {
        FlakeBuilder(self.0.number(WIDTH_NOW_MM, value.into()))
    }
    /// Greatest thickness of what is left, in millimetres.
    pub fn max_thickness_now_mm(self, value: impl Into<Option<f64>>) -> Self {
        FlakeBuilder(self.0.number(MAX_THICKNESS_NOW_MM, value.into()))
    }
    /// A further point of the retouched edge, of ten at most: the height of retouch (from the flat face to the top of its
    /// scars, 0 where unretouched) and the thickness of the piece there, in millimetres.
    pub fn retouch_point(self, height_mm: f64, thickness_mm: impl Into<Option<f64>>) -> Self {
        let Some(k) = RETOUCH_HEIGHT_MM.iter().position(|at| !self.0.holds(at.name())) else {
            return FlakeBuilder(
                self.0.wrong("retouch", format!("{} points (accepted: 1 to {MOST_POINTS})", MOST_POINTS + 1)),
            );
        };
        let with_height = self.0.number(RETOUCH_HEIGHT_MM[k], Some(height_mm));
        FlakeBuilder(with_height.number(THICKNESS_AT_MM[k], thickness_mm.into()))
    }
    /// The mean of height of retouch over thickness, where only that was recorded.
    pub fn retouch_index(self, value: impl Into<Option<f64>>) -> Self {
        FlakeBuilder(self.0.number(RETOUCH_INDEX, value.into()))
    }
    /// Which edges are retouched.
    pub fn retouched_edges(self, value: impl Into<Option<RetouchedEdges>>) -> Self {
        FlakeBuilder(self.0.word(RetouchedEdges::COLUMN, value.into().map(RetouchedEdges::name)))
    }
    /// On which face the retouch lies.
    pub fn retouch_kind(self, value: impl Into<Option<RetouchKind>>) -> Self {
        FlakeBuilder(self.0.word(RetouchKind::COLUMN, value.into().map(RetouchKind::name)))
    }
    /// Which portion is there.
    pub fn portion(self, value: impl Into<Option<Portion>>) -> Self {
        FlakeBuilder(self.0.word(Portion::COLUMN, value.into().map(Portion::name)))
    }
    /// How it was struck off.
    pub fn technique(self, value: impl Into<Option<Technique>>) -> Self {
        FlakeBuilder(self.0.word(Technique::COLUMN, value.into().map(Technique::name)))
    }
    /// Whether it was retouched.
    pub fn retouched(self, value: impl Into<Option<bool>>) -> Self {
        FlakeBuilder(self.0.word("retouched", value.into().map(yes_no)))
    }
    /// How the fracture ran out, one of the four.
    pub fn termination(self, value: Termination) -> Self {
        FlakeBuilder(self.0.word(Termination::COLUMN, Some(value.name())))
    }
    /// Whether it has a lip under the platform.
    pub fn lip(self, value: impl Into<Option<bool>>) -> Self {
        FlakeBuilder(self.0.word("lip", value.into().map(yes_no)))
    }
    /// The core it comes from, by name.
    pub fn core<'a>(self, name: impl Into<Option<&'a str>>) -> Self {
        FlakeBuilder(self.0.class("core", ClassKind::Label, name.into()))
    }
    /// The knapper, by name.
    pub fn knapper<'a>(self, name: impl Into<Option<&'a str>>) -> Self {
        FlakeBuilder(self.0.class("knapper", ClassKind::Label, name.into()))
    }

    /// The checked flake.
    ///
    /// # Errors
    /// By column, [`Error::OutOfRange`] for a size outside its bounds, or a height of retouch above the thickness there by
    /// more than calipers err; [`Error::Missing`] for a height without a thickness among others that have one;
    /// [`Error::Invalid`] for a name that is empty, longer than 64 characters or not on one line, for more than ten
    /// points of retouch, for retouch on a piece that is said to be unretouched, an index that the heights contradict, and a
    /// piece that weighs more now than when it was struck.
    pub fn build(self) -> Result<Flake> {
        let mut record = self.0.checked()?;
        check_mass_lost(&record)?;
        if let Some(index) = Retouch::of(&record)?.and_then(|retouch| retouch.index_of_points()) {
            record.set(RETOUCH_INDEX.name(), index);
        }
        Ok(Flake(record))
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
        FlakeBuilder(Given::default().with(self.0.clone(), &[]))
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

/// The columns that say what state a piece is in.
pub(crate) const STATE: [&str; 2] = [Portion::COLUMN, "retouched"];

/// Refuses a piece whose state was recorded in words that are not known: it must not be taken for a complete flake.
pub(crate) fn state_known(piece: &(impl Measured + ?Sized)) -> Result<()> {
    STATE.iter().find_map(|column| piece.unreadable(column)).map_or(Ok(()), Err)
}

/// Whether a piece is as it was struck: its retouch was measured and is none and it is not broken, or it is said to be
/// complete and unretouched.
pub(crate) fn nothing_lost(piece: &(impl Measured + ?Sized), retouch: Option<&Retouch>) -> bool {
    let complete = piece.class(Portion::COLUMN).map(|p| p == Portion::Complete.name());
    match retouch {
        Some(retouch) => retouch.is_none() && complete != Some(false),
        None => complete == Some(true) && piece.class("retouched") == Some("no"),
    }
}

impl Measured for Flake {
    fn number(&self, name: &str) -> Option<f64> {
        if name == RETOUCH_HEIGHT {
            return Retouch::of(&self.0).ok()??.height_mm();
        }
        self.0.number(name)
    }
    fn class(&self, name: &str) -> Option<&str> {
        self.0.class(name)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::strike::LandsOn;

    #[test]
    fn a_part_given_again_takes_the_place_of_the_first() {
        let struck = Strike::builder().platform_depth_mm(8.0).blow_lands_on(LandsOn::Edge).stone("flint");
        let strike = struck.clone().build().unwrap();
        let again = struck.platform_depth_mm(None).platform_width_mm(20.0).build().unwrap();
        assert_eq!(again.number("platform_depth_mm"), None);
        assert_eq!(again.number("platform_width_mm"), Some(20.0));
        assert_eq!((again.class("blow_lands_on"), again.class("stone")), (Some("edge"), Some("flint")));

        let piece = Flake::builder().strike(strike).length_mm(40.0);
        let flake = piece.clone().retouch_point(1.0, 4.0).retouch_point(3.0, 4.0).build().unwrap();
        assert_eq!(
            (flake.number("retouch_height_mm"), flake.number("retouch_index")),
            (Some(2.0), Some(0.5))
        );
        let blunter = piece.strike(again).retouch_point(1.0, 4.0).build().unwrap();
        assert_eq!(blunter.number("retouch_height_mm"), Some(1.0));
        assert_eq!((blunter.number("platform_depth_mm"), blunter.number("length_mm")), (None, Some(40.0)));
    }

    #[test]
    fn a_stored_flake_is_checked_as_one_that_is_built() {
        let read = serde_json::from_str::<Flake>;
        assert!(read(r#"{"retouch_height_1_mm": 2.0, "thickness_at_1_mm": 4.0}"#).is_ok());
        for wrong in
            [r#"{"retouch_height_1_mm": 5.0, "thickness_at_1_mm": 4.0}"#, r#"{"platform_depth_mm": -1.0}"#]
        {
            assert!(read(wrong).is_err(), "{wrong}");
        }
    }
}
