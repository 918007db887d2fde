//! The units that the known columns of numbers may be written in.
//! value in the column's own unit = value as written × factor of the written unit.

use crate::error::Bounds;
use crate::flake::columns::{
    INCH_MM as INCH, OUNCE_G as OUNCE, POUND_G as POUND, QUANTITIES, RADIAN_DEG as RADIAN,
};
use std::sync::LazyLock;

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
#[derive(Debug)]
pub(super) struct Quantity {
    pub(super) bounds: Bounds,
    pub(super) dimension: Dimension,
    /// The name without its unit.
    pub(super) stem: &'static str,
    /// A shorter stem that is accepted too (`depth` for `platform_depth`).
    pub(super) short: Option<&'static str>,
}

impl Quantity {
    /// The name of the column, ending in the unit that values are kept in.
    pub(super) const fn name(&self) -> &'static str {
        self.bounds.name()
    }
    /// The unit that values are kept in, as the name ends.
    pub(super) const fn unit(&self) -> &'static str {
        self.dimension.units()[0].0
    }
}

/// Shorter stems.
const SHORT: [(&str, &str); 3] =
    [("platform_depth", "depth"), ("platform_area", "area"), ("exterior_platform_angle", "angle")];

/// The [`QUANTITIES`], each with its dimension.
pub(super) static KNOWN: LazyLock<Vec<Quantity>> = LazyLock::new(|| {
    let known = QUANTITIES.iter().filter_map(|bounds| {
        let (stem, dimension, ..) = split_unit(bounds.name())?;
        let short = SHORT.iter().find(|(long, _)| *long == stem).map(|(_, short)| *short);
        Some(Quantity { bounds: *bounds, dimension, stem, short })
    });
    known.collect()
});

/// The quantity of this name, which ends in the unit that values are kept in.
pub(super) fn quantity(name: &str) -> Option<&'static Quantity> {
    KNOWN.iter().find(|q| q.name() == name)
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
        assert_eq!(KNOWN.len(), QUANTITIES.len());
        for q in KNOWN.iter() {
            let (_, _, unit, factor) = split_unit(q.name()).unwrap();
            assert_eq!((unit, factor), (q.unit(), 1.0), "{}", q.name());
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
