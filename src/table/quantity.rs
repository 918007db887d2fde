//! The columns a table may have: numbers with their dimension, unit and bounds, and classes; and the units
//! that are converted. value in the column's own unit = value as written × factor of the written unit.

use crate::error::Bounds;
use crate::flake::*;
use crate::strike::*;

/// What kind of quantity a number is, and so which units it may be written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) enum Dimension {
    /// Kept in millimetres.
    Length,
    /// Kept in square millimetres.
    Area,
    /// Kept in grams.
    Mass,
    /// Kept in degrees.
    Angle,
    /// Kept in metres per second.
    Speed,
}

/// Inch in millimetres, exact by definition: international yard and pound agreement, 1959.
const INCH: f64 = 25.4;
/// Pound in grams, exact by definition: international yard and pound agreement, 1959.
const POUND: f64 = 453.592_37;
/// Ounce in grams, a sixteenth of the pound.
const OUNCE: f64 = POUND / 16.0;
/// Degrees in a radian, exact by definition.
const RADIAN: f64 = 180.0 / std::f64::consts::PI;

impl Dimension {
    /// Every dimension.
    pub(crate) const ALL: [Dimension; 5] =
        [Dimension::Length, Dimension::Area, Dimension::Mass, Dimension::Angle, Dimension::Speed];

    /// The endings of a column's name that are accepted, each with the factor to the unit kept. The unit
    /// kept comes first.
    pub(crate) const fn units(self) -> &'static [(&'static str, f64)] {
        match self {
            Dimension::Length => &[
                ("mm", 1.0),
                ("cm", 10.0),
                ("m", 1000.0),
                ("um", 1e-3),
                ("in", INCH),
                ("inch", INCH),
                ("inches", INCH),
                ("ft", 12.0 * INCH),
            ],
            Dimension::Area => &[
                ("mm2", 1.0),
                ("cm2", 100.0),
                ("m2", 1e6),
                ("in2", INCH * INCH),
                ("sq_mm", 1.0),
                ("sq_cm", 100.0),
                ("sq_in", INCH * INCH),
            ],
            Dimension::Mass => {
                &[("g", 1.0), ("kg", 1000.0), ("mg", 1e-3), ("oz", OUNCE), ("lb", POUND), ("lbs", POUND)]
            }
            Dimension::Angle => &[
                ("deg", 1.0),
                ("degree", 1.0),
                ("degrees", 1.0),
                ("rad", RADIAN),
                ("radian", RADIAN),
                ("radians", RADIAN),
            ],
            Dimension::Speed => &[
                ("m_s", 1.0),
                ("cm_s", 0.01),
                ("mm_s", 1e-3),
                ("km_h", 1.0 / 3.6),
                ("ft_s", 12.0 * INCH / 1000.0),
                ("mph", 63_360.0 * INCH / 3_600_000.0),
            ],
        }
    }

    /// The name of the dimension in a sentence.
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Dimension::Length => "a length",
            Dimension::Area => "an area",
            Dimension::Mass => "a mass",
            Dimension::Angle => "an angle",
            Dimension::Speed => "a speed",
        }
    }
}

/// One known column of numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantity {
    dimension: Dimension,
    bounds: Bounds,
    short: Option<&'static str>,
}

impl Quantity {
    const fn new(dimension: Dimension, bounds: Bounds) -> Self {
        Quantity { dimension, bounds, short: None }
    }
    const fn or(mut self, short: &'static str) -> Self {
        self.short = Some(short);
        self
    }
    /// The name of the column, ending in the unit that values are kept in.
    pub const fn name(&self) -> &'static str {
        self.bounds.name()
    }
    /// What kind of quantity it is.
    pub(crate) const fn dimension(&self) -> Dimension {
        self.dimension
    }
    /// The units that it may be written in, as a column's name ends, each with the factor to the unit kept, which comes
    /// first.
    pub const fn units(&self) -> &'static [(&'static str, f64)] {
        self.dimension.units()
    }
    /// What is accepted, in the unit of the name.
    pub const fn bounds(&self) -> Bounds {
        self.bounds
    }
    /// The unit that values are kept in, as the name ends.
    pub(crate) const fn unit(&self) -> &'static str {
        self.dimension.units()[0].0
    }
    /// The name without its unit.
    pub(crate) fn stem(&self) -> &'static str {
        let name = self.name();
        &name[..name.len() - self.unit().len() - 1]
    }
    /// A shorter stem that is accepted too (`depth` for `platform_depth`).
    pub(crate) const fn short(&self) -> Option<&'static str> {
        self.short
    }
}

/// Every known column of numbers. Each may also be written in another unit of its dimension
/// ([`Quantity::units`]). `depth_mm`, `area_mm2` and `angle_deg` are short for the platform's depth, area and
/// exterior angle; `width_mm` is the width of the flake.
pub static QUANTITIES: [Quantity; 40] = [
    Quantity::new(Dimension::Length, PLATFORM_DEPTH_MM).or("depth"),
    Quantity::new(Dimension::Length, PLATFORM_WIDTH_MM),
    Quantity::new(Dimension::Area, PLATFORM_AREA_MM2).or("area"),
    Quantity::new(Dimension::Angle, EXTERIOR_PLATFORM_ANGLE_DEG).or("angle"),
    Quantity::new(Dimension::Angle, ANGLE_OF_BLOW_DEG),
    Quantity::new(Dimension::Mass, PERCUSSOR_MASS_G),
    Quantity::new(Dimension::Length, TIP_RADIUS_MM),
    Quantity::new(Dimension::Speed, SPEED_M_S),
    Quantity::new(Dimension::Mass, CORE_MASS_G),
    Quantity::new(Dimension::Length, LENGTH_MM),
    Quantity::new(Dimension::Length, WIDTH_MM),
    Quantity::new(Dimension::Length, THICKNESS_MM),
    Quantity::new(Dimension::Length, MEAN_THICKNESS_MM),
    Quantity::new(Dimension::Length, MAX_THICKNESS_MM),
    Quantity::new(Dimension::Mass, MASS_G),
    Quantity::new(Dimension::Mass, MASS_NOW_G),
    Quantity::new(Dimension::Mass, ORIGINAL_MASS_G),
    Quantity::new(Dimension::Length, LENGTH_NOW_MM),
    Quantity::new(Dimension::Length, WIDTH_NOW_MM),
    Quantity::new(Dimension::Length, MAX_THICKNESS_NOW_MM),
    Quantity::new(Dimension::Length, RETOUCH_HEIGHT_MM[0]),
    Quantity::new(Dimension::Length, RETOUCH_HEIGHT_MM[1]),
    Quantity::new(Dimension::Length, RETOUCH_HEIGHT_MM[2]),
    Quantity::new(Dimension::Length, RETOUCH_HEIGHT_MM[3]),
    Quantity::new(Dimension::Length, RETOUCH_HEIGHT_MM[4]),
    Quantity::new(Dimension::Length, RETOUCH_HEIGHT_MM[5]),
    Quantity::new(Dimension::Length, RETOUCH_HEIGHT_MM[6]),
    Quantity::new(Dimension::Length, RETOUCH_HEIGHT_MM[7]),
    Quantity::new(Dimension::Length, RETOUCH_HEIGHT_MM[8]),
    Quantity::new(Dimension::Length, RETOUCH_HEIGHT_MM[9]),
    Quantity::new(Dimension::Length, THICKNESS_AT_MM[0]),
    Quantity::new(Dimension::Length, THICKNESS_AT_MM[1]),
    Quantity::new(Dimension::Length, THICKNESS_AT_MM[2]),
    Quantity::new(Dimension::Length, THICKNESS_AT_MM[3]),
    Quantity::new(Dimension::Length, THICKNESS_AT_MM[4]),
    Quantity::new(Dimension::Length, THICKNESS_AT_MM[5]),
    Quantity::new(Dimension::Length, THICKNESS_AT_MM[6]),
    Quantity::new(Dimension::Length, THICKNESS_AT_MM[7]),
    Quantity::new(Dimension::Length, THICKNESS_AT_MM[8]),
    Quantity::new(Dimension::Length, THICKNESS_AT_MM[9]),
];

/// Every known column of classes or names.
pub static CLASSES: [&str; 19] = [
    "flake",
    "percussor",
    "stone",
    LandsOn::COLUMN,
    Termination::COLUMN,
    Portion::COLUMN,
    Technique::COLUMN,
    "retouched",
    RetouchKind::COLUMN,
    RetouchedEdges::COLUMN,
    PlatformKind::COLUMN,
    PlatformShape::COLUMN,
    "platform_bevelled",
    "core",
    "knapper",
    "lip",
    "site",
    "assemblage",
    "everything_kept",
];

/// How the cells of a class column are read.
#[derive(Debug, Clone, Copy)]
pub(super) enum ClassKind {
    /// Kept as written.
    Label,
    /// Put into lower case.
    Name,
    /// One of the four terminations, or any other entry in lower case.
    Termination,
    /// A member of a vocabulary, by its name.
    Vocabulary(fn(&str) -> Option<&'static str>, &'static [&'static str]),
    /// Yes or no.
    YesNo,
}

/// How a known class column is read.
pub(super) fn class_kind(name: &str) -> ClassKind {
    match name {
        "percussor" | "stone" => ClassKind::Name,
        "termination" => ClassKind::Termination,
        "retouched" | "platform_bevelled" | "lip" | "everything_kept" => ClassKind::YesNo,
        LandsOn::COLUMN => ClassKind::Vocabulary(|t| LandsOn::find(t).map(LandsOn::name), LandsOn::NAMES),
        Portion::COLUMN => ClassKind::Vocabulary(|t| Portion::find(t).map(Portion::name), Portion::NAMES),
        RetouchKind::COLUMN => {
            ClassKind::Vocabulary(|t| RetouchKind::find(t).map(RetouchKind::name), RetouchKind::NAMES)
        }
        RetouchedEdges::COLUMN => ClassKind::Vocabulary(
            |t| RetouchedEdges::find(t).map(RetouchedEdges::name),
            RetouchedEdges::NAMES,
        ),
        Technique::COLUMN => {
            ClassKind::Vocabulary(|t| Technique::find(t).map(Technique::name), Technique::NAMES)
        }
        PlatformKind::COLUMN => {
            ClassKind::Vocabulary(|t| PlatformKind::find(t).map(PlatformKind::name), PlatformKind::NAMES)
        }
        PlatformShape::COLUMN => {
            ClassKind::Vocabulary(|t| PlatformShape::find(t).map(PlatformShape::name), PlatformShape::NAMES)
        }
        _ => ClassKind::Label,
    }
}

/// The unit that a normalised name ends in: stem, dimension, ending, factor. The longest ending wins, so
/// that `_m_s` is a speed and `_sq_mm` an area.
pub(super) fn split_unit(name: &str) -> Option<(&str, Dimension, &'static str, f64)> {
    Dimension::ALL
        .iter()
        .flat_map(|d| d.units().iter().map(move |(unit, factor)| (*d, *unit, *factor)))
        .filter_map(|(d, unit, factor)| {
            let stem = name.strip_suffix(unit)?.strip_suffix('_')?;
            (!stem.is_empty()).then_some((stem, d, unit, factor))
        })
        .max_by_key(|(_, _, unit, _)| unit.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_quantity_ends_in_its_own_unit() {
        for q in &QUANTITIES {
            let (stem, dimension, unit, factor) = split_unit(q.name()).unwrap();
            assert_eq!(
                (stem, dimension, unit, factor),
                (q.stem(), q.dimension(), q.unit(), 1.0),
                "{}",
                q.name()
            );
        }
    }

    #[test]
    fn factors_are_the_defined_ones() {
        let factor = |name| split_unit(name).map(|(_, d, _, f)| (d, f));
        for (name, dimension, expected) in [
            ("x_in", Dimension::Length, 25.4),
            ("x_oz", Dimension::Mass, 28.349_523_125),
            ("x_lb", Dimension::Mass, 453.592_37),
            ("x_in2", Dimension::Area, 645.16),
            ("x_ft_s", Dimension::Speed, 0.3048),
            ("x_mph", Dimension::Speed, 0.447_04),
            ("x_km_h", Dimension::Speed, 1.0 / 3.6),
            ("x_rad", Dimension::Angle, 57.295_779_513_082_32),
        ] {
            let (d, f) = factor(name).unwrap();
            assert_eq!(d, dimension, "{name}");
            assert!((f / expected - 1.0).abs() < 4e-16, "{name}: {f} against {expected}");
        }
        assert!(split_unit("mm").is_none() && split_unit("_mm").is_none() && split_unit("depth").is_none());
    }
}
