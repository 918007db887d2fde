//! What is fixed before a flake exists: a strike, which is the platform, the percussor, the blow and what is struck. Every value is checked once, when it is built. A measurement that was not recorded is missing
//! (`None`), never zero.

mod record;

#[cfg(feature = "table")]
pub(crate) use record::NOTHING;
pub(crate) use record::{Entry, Given, Record};

use crate::error::{Bounds, Error, Place, Result};
use crate::material::{Figure, PercussorMaterial};
use crate::vocabulary::{ClassKind, vocabulary, yes_no};

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

/// Anything that carries measurements and classes by the name of their column.
///
/// Forms and calibrations see data through this only. A name that is not known, and a measurement that was
/// not recorded, both give `None`; a number that is given is finite.
///
/// ```
/// use conchoid::strike::{Measured, Strike};
/// let strike = Strike::builder().platform_depth_mm(8.0).percussor("Antler").build()?;
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
    /// The number as well as it is known: exact, but where one overrides this and says in which range it lies.
    fn figure(&self, name: &str) -> Option<Figure> {
        self.number(name).map(Figure::from)
    }
    /// What is wrong with what stands under this column name, where something was recorded that cannot be read.
    fn unreadable(&self, name: &str) -> Option<Error> {
        let _ = name;
        None
    }
}

impl<T: Measured + ?Sized> Measured for &T {
    fn number(&self, name: &str) -> Option<f64> {
        (**self).number(name)
    }
    fn class(&self, name: &str) -> Option<&str> {
        (**self).class(name)
    }
    fn figure(&self, name: &str) -> Option<Figure> {
        (**self).figure(name)
    }
    fn unreadable(&self, name: &str) -> Option<Error> {
        (**self).unreadable(name)
    }
}

/// The class of what struck: as it is recorded, or else that of its material.
///
/// # Errors
/// [`Error::UnknownName`] for a material that is not known.
pub(crate) fn percussor_class(row: &(impl Measured + ?Sized)) -> Result<Option<String>> {
    if let Some(class) = row.class("percussor_class") {
        return Ok(Some(class.to_string()));
    }
    let material = row.class("percussor").map(PercussorMaterial::named).transpose()?;
    Ok(material.map(|m| m.class().to_string()))
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

/// Everything fixed before the flake exists: the platform (the surface struck), the percussor, the blow (how it is
/// struck) and the stone. Every entry may be missing; what is there is within its bounds.
///
/// Each is given and asked for by the name of its column in a table.
///
/// | measurement | accepted |
/// |---|---|
/// | [`platform_depth_mm`](StrikeBuilder::platform_depth_mm) | 0.05 to 1000 |
/// | [`platform_width_mm`](StrikeBuilder::platform_width_mm) | 0.05 to 1000 |
/// | [`platform_area_mm2`](StrikeBuilder::platform_area_mm2) | 0.0025 to 1 000 000 |
/// | [`exterior_platform_angle_deg`](StrikeBuilder::exterior_platform_angle_deg) | 1 to 179 |
/// | [`angle_of_blow_deg`](StrikeBuilder::angle_of_blow_deg) | −90 to 90; 0 is perpendicular to the platform |
/// | [`speed_m_s`](StrikeBuilder::speed_m_s) | 0.01 to 100 |
/// | [`percussor_mass_g`](StrikeBuilder::percussor_mass_g) | 0.1 to 100 000 |
/// | [`tip_radius_mm`](StrikeBuilder::tip_radius_mm) | 0.05 to 1000 |
/// | [`core_mass_g`](StrikeBuilder::core_mass_g) | 0.1 to 10 000 000 |
///
/// Percussor and stone are held by name, in lower case, 1 to 64 characters.
///
/// ```
/// use conchoid::strike::{LandsOn, Measured, PlatformKind, Strike};
/// let strike = Strike::builder()
///     .platform_depth_mm(8.0)
///     .platform_kind(PlatformKind::Plain)
///     .percussor("Quartzite")
///     .stone("flint")
///     .blow_lands_on(LandsOn::Edge)
///     .build()?;
/// assert_eq!(strike.number("platform_depth_mm"), Some(8.0));
/// assert_eq!(strike.number("platform_width_mm"), None);
/// assert_eq!(strike.class("percussor"), Some("quartzite"));
/// assert_eq!(strike.class("blow_lands_on"), Some("edge"));
/// assert!(Strike::builder().exterior_platform_angle_deg(180.0).build().is_err());
/// assert!(Strike::builder().percussor("").build().is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Strike(pub(crate) Record);

/// The record of a [`Strike`] as given, not yet checked. `None` means not recorded.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct StrikeBuilder(Given);

impl StrikeBuilder {
    /// Percussion point to exterior face, in millimetres.
    pub fn platform_depth_mm(self, value: impl Into<Option<f64>>) -> Self {
        StrikeBuilder(self.0.number(PLATFORM_DEPTH_MM, value.into()))
    }
    /// Across the platform, in millimetres.
    pub fn platform_width_mm(self, value: impl Into<Option<f64>>) -> Self {
        StrikeBuilder(self.0.number(PLATFORM_WIDTH_MM, value.into()))
    }
    /// Area of the platform, in square millimetres.
    pub fn platform_area_mm2(self, value: impl Into<Option<f64>>) -> Self {
        StrikeBuilder(self.0.number(PLATFORM_AREA_MM2, value.into()))
    }
    /// Angle between platform and exterior face, in degrees.
    pub fn exterior_platform_angle_deg(self, value: impl Into<Option<f64>>) -> Self {
        StrikeBuilder(self.0.number(EXTERIOR_PLATFORM_ANGLE_DEG, value.into()))
    }
    /// The surface of the platform.
    pub fn platform_kind(self, value: impl Into<Option<PlatformKind>>) -> Self {
        StrikeBuilder(self.0.word(PlatformKind::COLUMN, value.into().map(PlatformKind::name)))
    }
    /// Whether the edge of the platform was bevelled before the blow.
    pub fn platform_bevelled(self, value: impl Into<Option<bool>>) -> Self {
        StrikeBuilder(self.0.word("platform_bevelled", value.into().map(yes_no)))
    }
    /// Angle of blow in degrees: 0 is perpendicular to the platform.
    pub fn angle_of_blow_deg(self, value: impl Into<Option<f64>>) -> Self {
        StrikeBuilder(self.0.number(ANGLE_OF_BLOW_DEG, value.into()))
    }
    /// Speed of the percussor at impact, in metres per second.
    pub fn speed_m_s(self, value: impl Into<Option<f64>>) -> Self {
        StrikeBuilder(self.0.number(SPEED_M_S, value.into()))
    }
    /// Where the blow lands.
    pub fn blow_lands_on(self, value: impl Into<Option<LandsOn>>) -> Self {
        StrikeBuilder(self.0.word(LandsOn::COLUMN, value.into().map(LandsOn::name)))
    }
    /// What strikes, by name (antler, bone, steel, quartzite, …).
    pub fn percussor<'a>(self, name: impl Into<Option<&'a str>>) -> Self {
        StrikeBuilder(self.0.class("percussor", ClassKind::Name, name.into()))
    }
    /// Mass of the percussor, in grams.
    pub fn percussor_mass_g(self, value: impl Into<Option<f64>>) -> Self {
        StrikeBuilder(self.0.number(PERCUSSOR_MASS_G, value.into()))
    }
    /// Radius of the percussor's tip, in millimetres.
    pub fn tip_radius_mm(self, value: impl Into<Option<f64>>) -> Self {
        StrikeBuilder(self.0.number(TIP_RADIUS_MM, value.into()))
    }
    /// What is struck, by name (flint, chert, quartzite, …).
    pub fn stone<'a>(self, name: impl Into<Option<&'a str>>) -> Self {
        StrikeBuilder(self.0.class("stone", ClassKind::Name, name.into()))
    }
    /// Mass of the core before the blow, in grams.
    pub fn core_mass_g(self, value: impl Into<Option<f64>>) -> Self {
        StrikeBuilder(self.0.number(CORE_MASS_G, value.into()))
    }

    /// The checked strike; the names are put into lower case.
    ///
    /// # Errors
    /// Of the entries that are not in order, that which was given first: [`Error::OutOfRange`], named by the column, for a
    /// measurement outside its bounds (see the table at [`Strike`]), [`Error::Invalid`] for a name that is empty,
    /// longer than 64 characters or not on one line.
    pub fn build(self) -> Result<Strike> {
        self.0.checked().map(Strike)
    }
}

impl Strike {
    /// The columns of what it holds.
    pub(crate) const COLUMNS: [&'static str; 14] = [
        PLATFORM_DEPTH_MM.name(),
        PLATFORM_WIDTH_MM.name(),
        PLATFORM_AREA_MM2.name(),
        EXTERIOR_PLATFORM_ANGLE_DEG.name(),
        PlatformKind::COLUMN,
        "platform_bevelled",
        ANGLE_OF_BLOW_DEG.name(),
        SPEED_M_S.name(),
        LandsOn::COLUMN,
        "percussor",
        PERCUSSOR_MASS_G.name(),
        TIP_RADIUS_MM.name(),
        "stone",
        CORE_MASS_G.name(),
    ];

    /// Nothing recorded yet.
    pub fn builder() -> StrikeBuilder {
        StrikeBuilder::default()
    }
    /// The same entries, to change some of them.
    #[cfg(test)]
    pub(crate) fn to_builder(&self) -> StrikeBuilder {
        StrikeBuilder(Given::default().with(self.0.clone(), &[]))
    }
}

impl Measured for Strike {
    fn number(&self, name: &str) -> Option<f64> {
        self.0.number(name)
    }
    fn class(&self, name: &str) -> Option<&str> {
        self.0.class(name)
    }
}
