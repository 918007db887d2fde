//! Columns by the names that people give them: which known column each may be, with the unit that its values betray.
//! Nothing is taken as what it may be; it is only suggested, so that it can be mapped in one line.

use super::cell::{self, NumberCell};
use super::column::{shorten, snake_case};
use super::header::Header;
use super::quantity::{Dimension, quantity, split_unit};
use super::text::Cells;
use crate::error::Error;
use std::collections::BTreeSet;

/// A known column; the medians that it may have in our unit, since a column with another is in another unit or something
/// else (this crate's choice, no source: from small bladelets to large cutting tools); and its names elsewhere.
type Elsewhere = (&'static str, Option<(f64, f64)>, &'static str);

/// Names without unit, in lower case without anything between words, for each known column; the likelier first.
/// (Common practice, no source: headers and abbreviations of the trade.)
const ELSEWHERE: [Elsewhere; 20] = [
    (
        "platform_depth_mm",
        Some((1.2, 60.0)),
        "platformdepth platformthickness platformthick strikingplatformdepth strikingplatformthickness \
         platdepth platthickness platthick plthick plthickness pdepth pthickness pthick buttthickness \
         buttdepth talonthickness talondepth thicknessofplatform depthofplatform pd pt depth",
    ),
    (
        "platform_width_mm",
        Some((3.0, 200.0)),
        "platformwidth strikingplatformwidth platformbreadth platwidth plwidth pwidth buttwidth \
         talonwidth widthofplatform pw",
    ),
    ("platform_area_mm2", Some((4.0, 8000.0)), "platformarea strikingplatformarea platarea parea area"),
    (
        "exterior_platform_angle_deg",
        Some((30.0, 130.0)),
        "exteriorplatformangle externalplatformangle exteriorplatang extplatformangle extplatangle extplatang \
         exteriorangle externalangle epa platformangle platangle platang angle",
    ),
    (
        "length_mm",
        Some((8.0, 400.0)),
        "length techlength technologicallength technicallength percussionlength axiallength flakelength len",
    ),
    (
        "width_mm",
        Some((5.0, 300.0)),
        "width techwidth technologicalwidth technicalwidth flakewidth midwidth medialwidth widthmid \
         breadth maxwidth maximumwidth",
    ),
    ("max_thickness_mm", Some((1.2, 100.0)), "maxthickness maximumthickness maxthick"),
    ("mean_thickness_mm", Some((1.2, 100.0)), "meanthickness averagethickness"),
    (
        "thickness_mm",
        Some((1.2, 100.0)),
        "thickness techthickness technologicalthickness flakethickness midthickness midthick \
         medialthickness thicknessmid thick",
    ),
    ("mass_g", Some((0.3, 5000.0)), "mass weight flakemass flakeweight wt massg weightg"),
    ("angle_of_blow_deg", Some((-90.0, 90.0)), "angleofblow blowangle strikingangle"),
    ("flake", None, "flakeid findno findnumber find artifactid artefactid lithicid specimen catalogno id"),
    ("percussor", None, "hammer hammertype percussortype hammermaterial indenter"),
    ("stone", None, "rawmaterial rawmat lithology rocktype material rm"),
    ("termination", None, "terminationtype distaltermination distalend terminations term"),
    ("portion", None, "completeness preservation fragmentation breakage fragment portions"),
    (
        "platform_kind",
        None,
        "platformtype platformsurface platformpreparation butttype talontype platsurface platsurf",
    ),
    ("platform_shape", None, "platshape platformform platformfigure"),
    ("retouched", None, "retouch isretouched retouchpresence"),
    ("platform_bevelled", None, "bevelled beveled"),
];

/// A name in lower case without anything between its words: `Platform Thickness (mm)` as `platformthickness`, and
/// its unit, if it has one.
fn squeezed(written: &str) -> (String, Option<&'static str>) {
    let mut spaced = String::new();
    let mut before = ' ';
    for c in written.chars() {
        // PlatformThickness and EPAdeg are words run together
        if c.is_uppercase() && before.is_lowercase() {
            spaced.push(' ');
        }
        spaced.push(c);
        before = c;
    }
    let plain = snake_case(&spaced);
    let (stem, unit) = match split_unit(&plain) {
        // a letter alone is rather a part of a name than metre or gram
        Some((stem, _, unit, _)) if unit != "m" => (stem, Some(unit)),
        _ => (plain.as_str(), None),
    };
    (stem.replace('_', ""), unit)
}

/// The numbers of a column among rows.
fn numbers(rows: &[Cells], field: usize, comma: bool) -> Vec<f64> {
    let number = |cells: &Cells| match cell::number(cells.get(field).unwrap_or(""), comma) {
        NumberCell::Number(v) if v != 0.0 => Some(v),
        _ => None,
    };
    let mut found: Vec<f64> = rows.iter().filter_map(number).collect();
    found.sort_by(f64::total_cmp);
    found
}

/// The unit in which the values of a column make sense as a quantity.
fn betrayed(medians: (f64, f64), dimension: Dimension, values: &[f64]) -> Option<&'static str> {
    let median = *values.get(values.len() / 2)?;
    let tried: &[&str] = match dimension {
        Dimension::Length => &["mm", "cm", "m", "in"],
        Dimension::Area => &["mm2", "cm2"],
        Dimension::Mass => &["g", "kg"],
        Dimension::Angle => &["deg", "rad"],
        Dimension::Speed => &["m_s"],
    };
    let factor = |unit: &str| dimension.units().iter().find(|(u, _)| *u == unit).map_or(1.0, |(_, f)| *f);
    tried.iter().copied().find(|unit| (medians.0..=medians.1).contains(&(median * factor(unit))))
}

impl Header {
    /// Looks for columns by other names, with the values of some rows; what is suggested needs no remark of its own.
    pub(super) fn suggest(&mut self, rows: &[Cells]) {
        let found = suggestions(self, rows);
        let told = |e: &Error| {
            let column = e.place().and_then(|at| at.column.as_deref());
            found.iter().any(|(theirs, _)| Some(shorten(theirs).as_str()) == column)
        };
        self.remarks.retain(|e| !told(e));
        self.suggestions = found;
    }
}

/// What the columns of a table that are not understood may be, by their names and the first rows.
fn suggestions(header: &Header, rows: &[Cells]) -> Vec<(String, String)> {
    let understood: BTreeSet<usize> = header.columns.iter().map(|c| c.field).collect();
    let names: Vec<(usize, String, Option<&'static str>)> = header
        .names
        .iter()
        .enumerate()
        .filter(|(field, name)| {
            !understood.contains(field) && !name.trim().is_empty() && !header.ignored.contains(field)
        })
        .take(256)
        .map(|(field, name)| {
            let (plain, unit) = squeezed(name);
            (field, plain, unit)
        })
        .collect();
    let mut out: Vec<(usize, (String, String))> = Vec::new();
    for (ours, medians, theirs) in ELSEWHERE {
        if header.column(ours).is_some() {
            continue;
        }
        let own = split_unit(ours).map_or(ours, |(stem, ..)| stem).replace('_', "");
        let mut likely = std::iter::once(own.as_str()).chain(theirs.split(' '));
        let found = likely.find_map(|alias| names.iter().find(|(_, plain, _)| plain == alias));
        let Some((field, _, written)) = found.filter(|(f, ..)| out.iter().all(|(o, _)| o != f)) else {
            continue;
        };
        let name = match (quantity(ours), medians) {
            (Some(q), Some(medians)) => {
                let of_kind = |unit: &&str| q.dimension.units().iter().any(|(u, _)| u == unit);
                let values = || numbers(rows, *field, header.decimal_comma());
                let unit = written.filter(of_kind).or_else(|| betrayed(medians, q.dimension, &values()));
                let Some(unit) = unit else { continue };
                format!("{}_{unit}", q.stem)
            }
            _ => ours.to_string(),
        };
        let theirs = header.names[*field].trim().to_string();
        out.push((*field, (theirs, name)));
    }
    out.sort_by_key(|(field, _)| *field);
    out.into_iter().map(|(_, suggestion)| suggestion).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_run_together_and_apart() {
        for (written, plain, unit) in [
            ("PlatformThickness", "platformthickness", None),
            ("Platform Thickness (cm)", "platformthickness", Some("cm")),
            ("EPA", "epa", None),
            ("P.t.", "pt", None),
            ("TechLength", "techlength", None),
            ("weight_kg", "weight", Some("kg")),
        ] {
            assert_eq!(squeezed(written), (plain.to_string(), unit), "{written}");
        }
    }

    #[test]
    fn every_suggested_name_is_known_and_of_one_column() {
        let mut all = BTreeSet::new();
        for (ours, medians, theirs) in ELSEWHERE {
            assert!(quantity(ours).is_some() == medians.is_some(), "{ours}");
            assert!(quantity(ours).is_some() || crate::flake::columns::CLASSES.contains(&ours), "{ours}");
            assert!(medians.is_none_or(|(low, high)| low < high), "{ours}");
            for name in theirs.split(' ') {
                assert_eq!(squeezed(name).0, *name, "as it is looked for");
                assert!(all.insert(name), "{name}");
            }
        }
    }
}
