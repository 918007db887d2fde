//! Every known column, once: numbers with their bounds, classes with how they are read. Tables, and flakes that were
//! stored, are read by it.

use super::*;
use crate::strike::*;
use serde::{Deserialize, Deserializer};
use std::collections::BTreeMap;

/// Inch in millimetres, exact by definition: international yard and pound agreement, 1959.
pub(crate) const INCH_MM: f64 = 25.4;
/// Pound in grams, exact by definition: international yard and pound agreement, 1959.
pub(crate) const POUND_G: f64 = 453.592_37;
/// Ounce in grams, a sixteenth of the pound.
pub(crate) const OUNCE_G: f64 = POUND_G / 16.0;
/// Degrees in a radian, exact by definition.
pub(crate) const RADIAN_DEG: f64 = 180.0 / std::f64::consts::PI;

/// Every known column of numbers: its name, which ends in the unit that values are kept in, and what is accepted.
/// In a table each may also be written in another unit. `depth_mm`, `area_mm2` and `angle_deg` are short for the
/// platform's depth, area and exterior angle; `width_mm` is the width of the flake.
pub static QUANTITIES: [Bounds; 40] = {
    let mut all = [PLATFORM_DEPTH_MM; 40];
    let named = [
        PLATFORM_DEPTH_MM,
        PLATFORM_WIDTH_MM,
        PLATFORM_AREA_MM2,
        EXTERIOR_PLATFORM_ANGLE_DEG,
        ANGLE_OF_BLOW_DEG,
        PERCUSSOR_MASS_G,
        TIP_RADIUS_MM,
        SPEED_M_S,
        CORE_MASS_G,
        LENGTH_MM,
        WIDTH_MM,
        THICKNESS_MM,
        MEAN_THICKNESS_MM,
        MAX_THICKNESS_MM,
        MASS_G,
        MASS_NOW_G,
        ORIGINAL_MASS_G,
        LENGTH_NOW_MM,
        WIDTH_NOW_MM,
        MAX_THICKNESS_NOW_MM,
    ];
    let mut k = 0;
    while k < 20 {
        all[k] = named[k];
        all[20 + k] = if k < 10 { RETOUCH_HEIGHT_MM[k] } else { THICKNESS_AT_MM[k - 10] };
        k += 1;
    }
    all
};

/// Every known column of classes or names, and how its cells are read.
const KINDS: [(&str, ClassKind); 19] = [
    ("flake", ClassKind::Label),
    ("percussor", ClassKind::Name),
    ("stone", ClassKind::Name),
    (LandsOn::COLUMN, LandsOn::KIND),
    (Termination::COLUMN, ClassKind::OpenVocabulary(|text| Termination::find(text).map(Termination::name))),
    (Portion::COLUMN, Portion::KIND),
    (Technique::COLUMN, Technique::KIND),
    ("retouched", ClassKind::YesNo),
    (RetouchKind::COLUMN, RetouchKind::KIND),
    (RetouchedEdges::COLUMN, RetouchedEdges::KIND),
    (PlatformKind::COLUMN, PlatformKind::KIND),
    (PlatformShape::COLUMN, PlatformShape::KIND),
    ("platform_bevelled", ClassKind::YesNo),
    ("core", ClassKind::Label),
    ("knapper", ClassKind::Label),
    ("lip", ClassKind::YesNo),
    ("site", ClassKind::Label),
    ("assemblage", ClassKind::Label),
    ("everything_kept", ClassKind::YesNo),
];

/// Every known column of classes or names.
#[cfg(feature = "table")]
pub static CLASSES: [&str; 19] = {
    let mut names = [""; 19];
    let mut k = 0;
    while k < 19 {
        names[k] = KINDS[k].0;
        k += 1;
    }
    names
};

/// The name of a known column of classes, and how its cells are read.
pub(crate) fn class_kind(name: &str) -> Option<(&'static str, ClassKind)> {
    KINDS.into_iter().find(|(known, _)| *known == name)
}

impl<'de> Deserialize<'de> for Flake {
    fn deserialize<D: Deserializer<'de>>(d: D) -> std::result::Result<Flake, D::Error> {
        let mut given = Given::default();
        for (column, entry) in BTreeMap::<String, Entry>::deserialize(d)? {
            let bounds = QUANTITIES.iter().chain([&RETOUCH_INDEX]).find(|b| b.name() == column);
            given = match (entry, bounds, class_kind(&column)) {
                (Entry::Number(number), Some(bounds), _) => given.number(*bounds, Some(number)),
                (Entry::Word(word), _, Some((name, kind))) => given.class(name, kind, Some(&word)),
                _ => {
                    let reason = "not a column of a flake, or of the other kind (numbers, words)";
                    return Err(serde::de::Error::custom(Error::invalid(column, reason)));
                }
            };
        }
        FlakeBuilder(given).build().map_err(serde::de::Error::custom)
    }
}
