//! What is fixed before a flake exists: the platform, the blow, and both together with what strikes and
//! what is struck (a strike). Every value is checked once, when it is built; reading a stored value goes
//! through the same builder. A measurement that was not recorded is missing (`None`), never zero.

use crate::error::{Bounds, Error, Place, Result};
use serde::{Deserialize, Serialize};

/// The least length of anything on a flake or percussor, mm: a third of the least that the tables of
/// `data-sources.md` have (0.15 mm, a platform depth). This crate's choice, no source.
pub(crate) const LEAST_MM: f64 = 0.05;

/// Platform depth: percussion point to exterior face. Generous ends, no source.
pub(crate) const PLATFORM_DEPTH_MM: Bounds = Bounds::closed("platform_depth_mm", LEAST_MM, 1000.0, "mm");
/// Platform width: from one lateral edge of the platform to the other. Generous ends, no source.
pub(crate) const PLATFORM_WIDTH_MM: Bounds = Bounds::closed("platform_width_mm", LEAST_MM, 1000.0, "mm");
/// Platform area. Generous ends, no source.
pub(crate) const PLATFORM_AREA_MM2: Bounds = Bounds::closed("platform_area_mm2", 0.0025, 1e6, "mm2");
/// Exterior platform angle; obtuse platforms exist. Generous ends, no source.
pub(crate) const EXTERIOR_PLATFORM_ANGLE_DEG: Bounds =
    Bounds::closed("exterior_platform_angle_deg", 1.0, 179.0, "degrees");
/// Angle of blow: 0 is perpendicular to the platform, positive is tilted toward the flaking face.
pub(crate) const ANGLE_OF_BLOW_DEG: Bounds = Bounds::closed("angle_of_blow_deg", -90.0, 90.0, "degrees");
/// Speed of the percussor at impact. Generous ends, no source.
pub(crate) const SPEED_M_S: Bounds = Bounds::closed("speed_m_s", 0.01, 100.0, "m/s");
/// Mass of the percussor. Generous ends, no source.
pub(crate) const PERCUSSOR_MASS_G: Bounds = Bounds::closed("percussor_mass_g", 0.1, 1e5, "g");
/// Radius of the percussor's tip. Generous ends, no source.
pub(crate) const TIP_RADIUS_MM: Bounds = Bounds::closed("tip_radius_mm", LEAST_MM, 1000.0, "mm");
/// Mass of the core before the blow. Generous ends, no source.
pub(crate) const CORE_MASS_G: Bounds = Bounds::closed("core_mass_g", 0.1, 1e7, "g");

/// The longest name (of a core, a knapper, a percussor, a stone) that is accepted, in characters. This crate's choice, no source.
pub(crate) const LONGEST_NAME: usize = 64;

/// Anything that carries measurements and classes by the name of their column.
///
/// Forms and calibrations see data through this only. A name that is not known, and a measurement that was
/// not recorded, both give `None`; a number that is given is finite.
///
/// ```
/// use conchoid::strike::{Measured, Platform, Strike};
/// let platform = Platform::builder().depth_mm(8.0).exterior_platform_angle_deg(75.0).build()?;
/// let strike = Strike::builder().platform(platform).percussor("Antler").build()?;
/// assert_eq!(strike.number("platform_depth_mm"), Some(8.0));
/// assert_eq!(strike.number("platform_width_mm"), None);
/// assert_eq!(strike.class("percussor"), Some("antler"));
/// # Ok::<(), conchoid::Error>(())
/// ```
pub trait Measured {
    /// The number recorded under this column name, in the unit that the name ends in.
    fn number(&self, name: &str) -> Option<f64>;
    /// The class recorded under this column name.
    fn class(&self, name: &str) -> Option<&str>;
}

impl<T: Measured + ?Sized> Measured for &T {
    fn number(&self, name: &str) -> Option<f64> {
        (**self).number(name)
    }
    fn class(&self, name: &str) -> Option<&str> {
        (**self).class(name)
    }
}

/// What is measured, without some of its columns.
pub(crate) struct Without<'a, M: ?Sized>(pub(crate) &'a M, pub(crate) &'static [&'static str]);

impl<M: Measured + ?Sized> Measured for Without<'_, M> {
    fn number(&self, name: &str) -> Option<f64> {
        if self.1.contains(&name) { None } else { self.0.number(name) }
    }
    fn class(&self, name: &str) -> Option<&str> {
        if self.1.contains(&name) { None } else { self.0.class(name) }
    }
}

/// Whether two names are the same but for case, surrounding blanks, and `-`, `_` or a space between words.
pub(crate) fn same_name(written: &str, name: &str) -> bool {
    let plain = |b: u8| match b {
        b' ' | b'-' => b'_',
        other => other.to_ascii_lowercase(),
    };
    let written = written.trim();
    written.len() == name.len() && written.bytes().zip(name.bytes()).all(|(a, b)| plain(a) == plain(b))
}

/// The text without surrounding blanks, if it can serve as a name: 1 to 64 characters on one line.
pub(crate) fn check_name<'a>(field: &str, text: &'a str) -> Result<&'a str> {
    let name = text.trim();
    let length = name.chars().take(LONGEST_NAME + 1).count();
    if length == 0 || length > LONGEST_NAME {
        return Err(Error::invalid(
            field,
            format!("a name has 1 to {LONGEST_NAME} characters, this has {}", name.chars().count()),
        ));
    }
    if name.chars().any(char::is_control) {
        return Err(Error::invalid(field, "a name stands on one line, without control characters"));
    }
    Ok(name)
}

/// Declares a vocabulary: an enum whose names stand here once and serve `FromStr`, `Display`, serde, the
/// messages and the column it is recorded in. Further spellings after `|` are read, never written.
macro_rules! vocabulary {
    (
        $(#[$meta:meta])*
        $vis:vis enum $Name:ident in $column:literal {
            $( $(#[$vmeta:meta])* $Variant:ident = $name:literal $(| $other:literal)* , )+
        }
    ) => {
        $(#[$meta])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        $vis enum $Name {
            $( $(#[$vmeta])* $Variant, )+
        }

        impl $Name {
            /// Every member, in the order of declaration.
            pub const ALL: &'static [$Name] = &[$($Name::$Variant),+];
            /// The names of all members, in the same order.
            pub(crate) const NAMES: &'static [&'static str] = &[$($name),+];
            /// The column in which it is recorded.
            #[cfg_attr(not(feature = "table"), allow(dead_code))]
            pub(crate) const COLUMN: &'static str = $column;

            /// The name, as a table holds it.
            pub const fn name(self) -> &'static str {
                match self { $( $Name::$Variant => $name, )+ }
            }

            /// The member of this name, whatever its case.
            pub(crate) fn find(text: &str) -> Option<Self> {
                $(
                    if $crate::strike::same_name(text, $name)
                        $(|| $crate::strike::same_name(text, $other))*
                    {
                        return Some($Name::$Variant);
                    }
                )+
                None
            }
        }

        impl std::str::FromStr for $Name {
            type Err = $crate::error::Error;
            fn from_str(text: &str) -> $crate::error::Result<Self> {
                $Name::find(text).ok_or_else(|| {
                    $crate::error::Error::unknown_name($column, text.trim(), $Name::NAMES.iter().copied())
                })
            }
        }

        impl std::fmt::Display for $Name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.pad(self.name())
            }
        }

        impl serde::Serialize for $Name {
            fn serialize<S: serde::Serializer>(&self, s: S) -> std::result::Result<S::Ok, S::Error> {
                s.serialize_str(self.name())
            }
        }

        impl<'de> serde::Deserialize<'de> for $Name {
            fn deserialize<D: serde::Deserializer<'de>>(d: D) -> std::result::Result<Self, D::Error> {
                <String as serde::Deserialize>::deserialize(d)?.parse().map_err(serde::de::Error::custom)
            }
        }
    };
}
pub(crate) use vocabulary;

vocabulary! {
    /// The surface of the platform, as analysts record it.
    pub enum PlatformKind in "platform_kind" {
        /// One flat surface.
        Plain = "plain" | "flat" | "smooth",
        /// Natural outer surface of the stone.
        Cortical = "cortical" | "cortex",
        /// Two surfaces meeting in a ridge.
        Dihedral = "dihedral",
        /// Several small removals.
        Faceted = "faceted" | "facetted",
        /// A line: hardly any depth.
        Linear = "linear",
        /// A point: hardly any depth or width.
        Punctiform = "punctiform" | "point",
        /// Crushed or shattered at the blow: not measurable.
        Crushed = "crushed" | "shattered",
    }
}

vocabulary! {
    /// Where the blow lands.
    pub enum LandsOn in "blow_lands_on" {
        /// On the surface of the platform.
        Platform = "platform",
        /// On the edge between platform and exterior face.
        Edge = "edge",
    }
}

vocabulary! {
    /// The figure that a platform most resembles, by which its area is worked out from width and depth. (Common
    /// practice, no source.)
    pub enum PlatformShape in "platform_shape" {
        /// Oval: pi / 4 times width times depth.
        Ellipse = "ellipse" | "elliptical" | "oval" | "lenticular",
        /// Four sides: width times depth.
        Rectangle = "rectangle" | "rectangular" | "square",
        /// Three sides: half of width times depth.
        Triangle = "triangle" | "triangular",
    }
}

impl PlatformShape {
    /// The area of the figure, in square millimetres.
    #[cfg_attr(not(feature = "table"), allow(dead_code))]
    pub(crate) fn area_mm2(self, width_mm: f64, depth_mm: f64) -> f64 {
        let share = match self {
            PlatformShape::Ellipse => std::f64::consts::FRAC_PI_4,
            PlatformShape::Rectangle => 1.0,
            PlatformShape::Triangle => 0.5,
        };
        share * width_mm * depth_mm
    }
}

/// Yes or no as a class, for the columns that hold one.
pub(crate) const fn yes_no(value: bool) -> &'static str {
    if value { "yes" } else { "no" }
}

/// The surface struck. Every measurement may be missing; what is there is within its bounds.
///
/// | measurement | accepted |
/// |---|---|
/// | [`depth_mm`](PlatformBuilder::depth_mm) | 0.05 to 1000 |
/// | [`width_mm`](PlatformBuilder::width_mm) | 0.05 to 1000 |
/// | [`area_mm2`](PlatformBuilder::area_mm2) | 0.0025 to 1 000 000 |
/// | [`exterior_platform_angle_deg`](PlatformBuilder::exterior_platform_angle_deg) | 1 to 179 |
///
/// ```
/// use conchoid::strike::{Measured, Platform, PlatformKind};
/// let platform = Platform::builder()
///     .depth_mm(8.0)
///     .exterior_platform_angle_deg(75.0)
///     .kind(PlatformKind::Plain)
///     .build()?;
/// assert_eq!(platform.number("platform_depth_mm"), Some(8.0));
/// assert_eq!(platform.number("platform_width_mm"), None);
/// assert!(Platform::builder().exterior_platform_angle_deg(180.0).build().is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "PlatformBuilder", into = "PlatformBuilder")]
pub struct Platform(PlatformBuilder);

/// The measurements of a [`Platform`] as given, not yet checked. `None` means not recorded.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PlatformBuilder {
    #[serde(skip_serializing_if = "Option::is_none")]
    depth_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    width_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    area_mm2: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    exterior_platform_angle_deg: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    kind: Option<PlatformKind>,
    #[serde(skip_serializing_if = "Option::is_none")]
    bevelled: Option<bool>,
}

/// Checks a number that may be missing.
pub(crate) fn check(bounds: Bounds, value: Option<f64>) -> Result<()> {
    value.map_or(Ok(()), |v| bounds.check(v).map(|_| ()))
}

impl PlatformBuilder {
    /// Percussion point to exterior face, in millimetres.
    pub fn depth_mm(mut self, value: impl Into<Option<f64>>) -> Self {
        self.depth_mm = value.into();
        self
    }
    /// Across the platform, in millimetres.
    pub fn width_mm(mut self, value: impl Into<Option<f64>>) -> Self {
        self.width_mm = value.into();
        self
    }
    /// Area of the platform, in square millimetres.
    pub fn area_mm2(mut self, value: impl Into<Option<f64>>) -> Self {
        self.area_mm2 = value.into();
        self
    }
    /// Angle between platform and exterior face, in degrees.
    pub fn exterior_platform_angle_deg(mut self, value: impl Into<Option<f64>>) -> Self {
        self.exterior_platform_angle_deg = value.into();
        self
    }
    /// The surface of the platform.
    pub fn kind(mut self, value: impl Into<Option<PlatformKind>>) -> Self {
        self.kind = value.into();
        self
    }
    /// Whether the edge of the platform was bevelled before the blow.
    pub fn bevelled(mut self, value: impl Into<Option<bool>>) -> Self {
        self.bevelled = value.into();
        self
    }

    /// The checked platform.
    ///
    /// # Errors
    /// [`Error::OutOfRange`], named by the column, for the first measurement outside its bounds (see the
    /// table at [`Platform`]).
    pub fn build(self) -> Result<Platform> {
        check(PLATFORM_DEPTH_MM, self.depth_mm)?;
        check(PLATFORM_WIDTH_MM, self.width_mm)?;
        check(PLATFORM_AREA_MM2, self.area_mm2)?;
        check(EXTERIOR_PLATFORM_ANGLE_DEG, self.exterior_platform_angle_deg)?;
        Ok(Platform(self))
    }
}

impl Platform {
    /// Nothing recorded yet.
    pub fn builder() -> PlatformBuilder {
        PlatformBuilder::default()
    }
}

/// Why nothing can be estimated from the platform of these data, by `platform_kind` and what was measured.
pub(crate) fn refusal(data: &dyn Measured) -> Option<Error> {
    let refused = |reason: String| Some(Error::Refused { at: Place::column(PlatformKind::COLUMN), reason });
    match PlatformKind::find(data.class(PlatformKind::COLUMN)?)? {
        kind @ PlatformKind::Crushed => {
            refused(format!("a {kind} platform cannot be measured, so nothing can be estimated from it"))
        }
        kind @ (PlatformKind::Linear | PlatformKind::Punctiform)
            if data.number(PLATFORM_DEPTH_MM.name()).is_none()
                && data.number(PLATFORM_AREA_MM2.name()).is_none() =>
        {
            refused(format!("a {kind} platform without a measured depth or area cannot be estimated from"))
        }
        _ => None,
    }
}

impl TryFrom<PlatformBuilder> for Platform {
    type Error = Error;
    fn try_from(fields: PlatformBuilder) -> Result<Self> {
        fields.build()
    }
}

impl From<Platform> for PlatformBuilder {
    fn from(platform: Platform) -> Self {
        platform.0
    }
}

impl Measured for Platform {
    fn number(&self, name: &str) -> Option<f64> {
        match name {
            "platform_depth_mm" => self.0.depth_mm,
            "platform_width_mm" => self.0.width_mm,
            "platform_area_mm2" => self.0.area_mm2,
            "exterior_platform_angle_deg" => self.0.exterior_platform_angle_deg,
            _ => None,
        }
    }
    fn class(&self, name: &str) -> Option<&str> {
        match name {
            "platform_kind" => self.0.kind.map(PlatformKind::name),
            "platform_bevelled" => self.0.bevelled.map(yes_no),
            _ => None,
        }
    }
}

/// How the platform is struck. Every measurement may be missing.
///
/// | measurement | accepted |
/// |---|---|
/// | [`angle_of_blow_deg`](BlowBuilder::angle_of_blow_deg) | −90 to 90; 0 is perpendicular to the platform |
/// | [`speed_m_s`](BlowBuilder::speed_m_s) | 0.01 to 100 |
///
/// ```
/// use conchoid::strike::{Blow, LandsOn, Measured};
/// let blow = Blow::builder().angle_of_blow_deg(20.0).lands_on(LandsOn::Edge).build()?;
/// assert_eq!(blow.class("blow_lands_on"), Some("edge"));
/// assert!(Blow::builder().speed_m_s(0.0).build().is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "BlowBuilder", into = "BlowBuilder")]
pub struct Blow(BlowBuilder);

/// The settings of a [`Blow`] as given, not yet checked. `None` means not recorded.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct BlowBuilder {
    #[serde(skip_serializing_if = "Option::is_none")]
    angle_of_blow_deg: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    speed_m_s: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    lands_on: Option<LandsOn>,
}

impl BlowBuilder {
    /// Angle of blow in degrees: 0 is perpendicular to the platform.
    pub fn angle_of_blow_deg(mut self, value: impl Into<Option<f64>>) -> Self {
        self.angle_of_blow_deg = value.into();
        self
    }
    /// Speed of the percussor at impact, in metres per second.
    pub fn speed_m_s(mut self, value: impl Into<Option<f64>>) -> Self {
        self.speed_m_s = value.into();
        self
    }
    /// Where the blow lands.
    pub fn lands_on(mut self, value: impl Into<Option<LandsOn>>) -> Self {
        self.lands_on = value.into();
        self
    }

    /// The checked blow.
    ///
    /// # Errors
    /// [`Error::OutOfRange`], named by the column, for the first setting outside its bounds.
    pub fn build(self) -> Result<Blow> {
        check(ANGLE_OF_BLOW_DEG, self.angle_of_blow_deg)?;
        check(SPEED_M_S, self.speed_m_s)?;
        Ok(Blow(self))
    }
}

impl Blow {
    /// Nothing recorded yet.
    pub fn builder() -> BlowBuilder {
        BlowBuilder::default()
    }
}

impl TryFrom<BlowBuilder> for Blow {
    type Error = Error;
    fn try_from(fields: BlowBuilder) -> Result<Self> {
        fields.build()
    }
}

impl From<Blow> for BlowBuilder {
    fn from(blow: Blow) -> Self {
        blow.0
    }
}

impl Measured for Blow {
    fn number(&self, name: &str) -> Option<f64> {
        match name {
            "angle_of_blow_deg" => self.0.angle_of_blow_deg,
            "speed_m_s" => self.0.speed_m_s,
            _ => None,
        }
    }
    fn class(&self, name: &str) -> Option<&str> {
        match name {
            "blow_lands_on" => self.0.lands_on.map(LandsOn::name),
            _ => None,
        }
    }
}

/// Everything fixed before the flake exists: platform, percussor, blow, stone.
///
/// Percussor and stone are held by name, in lower case, 1 to 64 characters.
///
/// ```
/// use conchoid::strike::{Measured, Platform, Strike};
/// let platform = Platform::builder().depth_mm(8.0).build()?;
/// let strike = Strike::builder().platform(platform).percussor("quartzite").stone("flint").build()?;
/// assert_eq!(strike.class("stone"), Some("flint"));
/// assert!(Strike::builder().percussor("").build().is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "StrikeBuilder", into = "StrikeBuilder")]
pub struct Strike(StrikeBuilder);

/// The parts of a [`Strike`] as given, not yet checked. `None` means not recorded.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct StrikeBuilder {
    platform: Platform,
    blow: Blow,
    #[serde(skip_serializing_if = "Option::is_none")]
    percussor: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    percussor_mass_g: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    tip_radius_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    stone: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    core_mass_g: Option<f64>,
}

impl StrikeBuilder {
    /// The surface struck.
    pub fn platform(mut self, platform: Platform) -> Self {
        self.platform = platform;
        self
    }
    /// How it is struck.
    pub fn blow(mut self, blow: Blow) -> Self {
        self.blow = blow;
        self
    }
    /// What strikes, by name (antler, bone, steel, quartzite, …).
    pub fn percussor<'a>(mut self, name: impl Into<Option<&'a str>>) -> Self {
        self.percussor = name.into().map(String::from);
        self
    }
    /// Mass of the percussor, in grams.
    pub fn percussor_mass_g(mut self, value: impl Into<Option<f64>>) -> Self {
        self.percussor_mass_g = value.into();
        self
    }
    /// Radius of the percussor's tip, in millimetres.
    pub fn tip_radius_mm(mut self, value: impl Into<Option<f64>>) -> Self {
        self.tip_radius_mm = value.into();
        self
    }
    /// What is struck, by name (flint, chert, quartzite, …).
    pub fn stone<'a>(mut self, name: impl Into<Option<&'a str>>) -> Self {
        self.stone = name.into().map(String::from);
        self
    }
    /// Mass of the core before the blow, in grams.
    pub fn core_mass_g(mut self, value: impl Into<Option<f64>>) -> Self {
        self.core_mass_g = value.into();
        self
    }

    /// The checked strike; the names are put into lower case.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for a mass or radius outside its bounds, [`Error::Invalid`] for a name that is
    /// empty, longer than 64 characters or not on one line.
    pub fn build(mut self) -> Result<Strike> {
        check(PERCUSSOR_MASS_G, self.percussor_mass_g)?;
        check(TIP_RADIUS_MM, self.tip_radius_mm)?;
        check(CORE_MASS_G, self.core_mass_g)?;
        for (field, name) in [("percussor", &mut self.percussor), ("stone", &mut self.stone)] {
            if let Some(text) = name {
                *text = check_name(field, text)?.to_lowercase();
            }
        }
        Ok(Strike(self))
    }
}

impl Strike {
    /// Nothing recorded yet.
    pub fn builder() -> StrikeBuilder {
        StrikeBuilder::default()
    }
    /// The same parts, to change some of them.
    #[cfg(test)]
    pub(crate) fn to_builder(&self) -> StrikeBuilder {
        self.0.clone()
    }
    /// The surface struck.
    #[cfg(test)]
    pub(crate) fn platform(&self) -> &Platform {
        &self.0.platform
    }
}

impl TryFrom<StrikeBuilder> for Strike {
    type Error = Error;
    fn try_from(fields: StrikeBuilder) -> Result<Self> {
        fields.build()
    }
}

impl From<Strike> for StrikeBuilder {
    fn from(strike: Strike) -> Self {
        strike.0
    }
}

impl Measured for Strike {
    fn number(&self, name: &str) -> Option<f64> {
        match name {
            "percussor_mass_g" => self.0.percussor_mass_g,
            "tip_radius_mm" => self.0.tip_radius_mm,
            "core_mass_g" => self.0.core_mass_g,
            _ => self.0.platform.number(name).or_else(|| self.0.blow.number(name)),
        }
    }
    fn class(&self, name: &str) -> Option<&str> {
        match name {
            "percussor" => self.0.percussor.as_deref(),
            "stone" => self.0.stone.as_deref(),
            _ => self.0.platform.class(name).or_else(|| self.0.blow.class(name)),
        }
    }
}
