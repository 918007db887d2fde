//! The options that describe a platform, a percussor and a blow, shared by several verbs.

use crate::failure::{Failure, Outcome, Whose};
use crate::files::bytes;
use crate::number::{self, Amount, number};
use crate::say::named;
use crate::tables::known;
use crate::taken;
use clap::Args;
use conchoid::calibration::{Calibration, bundled};
use conchoid::flake::{Flake, Portion, Technique};
use conchoid::material::Figure;
use conchoid::strike::{LandsOn, Measured, PlatformKind, Strike};
use std::collections::BTreeMap;
use std::io::Read;
use std::str::FromStr;

/// Platform, percussor, blow and stone.
#[derive(Args, Debug, Default)]
pub struct BlowOptions {
    /// Platform depth, percussion point to exterior face, mm
    pub depth_mm: Option<f64>,
    /// Exterior platform angle, degrees
    pub angle_deg: Option<f64>,
    /// Platform width, mm
    pub width_mm: Option<f64>,
    /// Platform area, mm2
    pub area_mm2: Option<f64>,
    /// Angle of blow, degrees; 0 is perpendicular to the platform
    pub angle_of_blow_deg: Option<f64>,
    /// Where the blow lands: platform or edge
    pub blow_lands_on: Option<String>,
    /// Percussor: antler, bone, wood, copper, steel, quartzite, sandstone, ...
    pub percussor: Option<String>,
    /// Stone: flint, chert, obsidian, quartzite, soda-lime-glass, ...
    pub stone: Option<String>,
    #[command(flatten)]
    pub delivery: Delivery,
    /// Kind of platform: plain, cortical, dihedral, faceted, linear, punctiform, crushed
    pub platform_kind: Option<String>,
    /// The platform is bevelled (as on some cores of the glass experiment)
    pub bevelled: bool,
    /// Portion: complete, proximal, medial, distal, split
    pub portion: Option<String>,
    /// Technique: direct, indirect, pressure
    pub technique: Option<String>,
    /// The flakes were struck as in the experiment that answers: it is not moved to excavated sites
    pub of_the_experiment: bool,
    /// A further measurement or class that the calibration reads, such as dorsal_scars=3
    pub also: Vec<String>,
}

/// What the percussor delivers; mass, tip and speed together say whether a flake comes off at all.
#[derive(Args, Debug, Default, Clone, Copy)]
pub struct Delivery {
    /// Mass of the percussor, g; a number or a range such as 350..450
    pub percussor_mass_g: Option<Amount>,
    /// Radius of the touching part of the tip, mm; a number or a range
    pub tip_radius_mm: Option<Amount>,
    /// Speed of the percussor at impact, m/s; a number or a range
    pub speed_m_s: Option<Amount>,
    /// Mass of the core where it is free to move, g; without it the core counts as fixed
    pub core_mass_g: Option<Amount>,
}

/// One strike from the command line, with what was given by `--also`.
pub struct Given {
    flake: Flake,
    delivery: Delivery,
    numbers: BTreeMap<String, f64>,
    classes: BTreeMap<String, String>,
}

impl Measured for Given {
    fn number(&self, name: &str) -> Option<f64> {
        self.numbers.get(name).copied().or_else(|| self.flake.number(name))
    }
    fn class(&self, name: &str) -> Option<&str> {
        self.classes.get(name).map(String::as_str).or_else(|| self.flake.class(name))
    }
    fn figure(&self, name: &str) -> Option<Figure> {
        let amount = match name {
            "percussor_mass_g" => self.delivery.percussor_mass_g,
            "tip_radius_mm" => self.delivery.tip_radius_mm,
            "speed_m_s" => self.delivery.speed_m_s,
            "core_mass_g" => self.delivery.core_mass_g,
            _ => None,
        };
        amount.map(Figure::from).or_else(|| self.number(name).map(Figure::from))
    }
}

/// A word of one of the library's lists.
pub fn parsed<T: FromStr<Err = conchoid::Error>>(text: &Option<String>) -> conchoid::Result<Option<T>> {
    text.as_deref().map(str::parse).transpose()
}

impl BlowOptions {
    /// Refuses a name of `--also` that neither the tables nor any of the calibrations know.
    pub fn check_also(&self, chosen: &Calibration, by_row: bool) -> Outcome<()> {
        if self.also.is_empty() {
            return Ok(());
        }
        // each bundled one may answer where none is named
        let bundled = bundled::NAMES.into_iter().filter(|_| by_row).map(bundled::named);
        let bundled = bundled.collect::<Result<Vec<_>, _>>()?;
        let layouts = || bundled.iter().chain([chosen]).map(|c| c.layout());
        let numbers = layouts().flat_map(|l| l.numbers.iter().map(String::as_str));
        let read: Vec<&str> =
            numbers.chain(layouts().flat_map(|l| l.classes.iter().map(|c| c.name.as_str()))).collect();
        for pair in &self.also {
            let key = pair.split('=').next().unwrap_or(pair).trim();
            if !read.contains(&key) && !known(key) {
                let mut names = read.clone();
                names.sort_unstable();
                names.dedup();
                return Err(Failure::unknown("--also", key, names));
            }
        }
        Ok(())
    }

    /// The calibration asked for, or the one that answers for these flakes where none is; moved to sites unless they are of
    /// its experiment.
    pub fn calibration(&self, asked: Option<&str>, flakes: &impl Measured) -> Outcome<Calibration> {
        let found = calibration(Some(asked.unwrap_or(bundled::answering(flakes))), None)?;
        Ok(if self.of_the_experiment { found } else { found.at_sites()? })
    }

    /// Checks everything that was given.
    pub fn given(&self) -> Outcome<Given> {
        let flake = self.flake().asked()?;
        let mut given =
            Given { flake, delivery: self.delivery, numbers: BTreeMap::new(), classes: BTreeMap::new() };
        for pair in &self.also {
            let (key, value) = taken::pair("also", pair, "NAME=VALUE")?;
            // what begins with a figure may be a class still (layer=3b)
            let meant_as_number = value.parse::<f64>().is_ok() || number::with_comma(&value);
            if meant_as_number {
                let v = number(&value).map_err(|e| Failure::usage(format!("--also {key}: {e}")))?;
                given.numbers.entry(key).or_insert(v);
            } else {
                given.classes.entry(key).or_insert(value);
            }
        }
        Ok(given)
    }

    fn flake(&self) -> Result<Flake, conchoid::Error> {
        if let Some(percussor) = &self.percussor {
            // a slip of the pen must not pass as an unknown percussor
            let classes = ["stone", "metal", "organic"];
            if !classes.contains(&percussor.as_str()) {
                conchoid::material::PercussorMaterial::named(percussor)?;
            }
        }
        let strike = Strike::builder()
            .platform_depth_mm(self.depth_mm)
            .platform_width_mm(self.width_mm)
            .platform_area_mm2(self.area_mm2)
            .exterior_platform_angle_deg(self.angle_deg)
            .platform_kind(parsed::<PlatformKind>(&self.platform_kind)?)
            .platform_bevelled(self.bevelled.then_some(true))
            .angle_of_blow_deg(self.angle_of_blow_deg)
            .speed_m_s(self.delivery.speed_m_s.map(|a| a.typical))
            .blow_lands_on(parsed::<LandsOn>(&self.blow_lands_on)?)
            .percussor(self.percussor.as_deref())
            .stone(self.stone.as_deref())
            .percussor_mass_g(self.delivery.percussor_mass_g.map(|a| a.typical))
            .tip_radius_mm(self.delivery.tip_radius_mm.map(|a| a.typical))
            .core_mass_g(self.delivery.core_mass_g.map(|a| a.typical))
            .build()?;
        Flake::builder()
            .strike(strike)
            .portion(parsed::<Portion>(&self.portion)?)
            .technique(parsed::<Technique>(&self.technique)?)
            .build()
    }
}

/// The largest calibration file that is read: far above any real one.
const LARGEST: u64 = 64 << 20;

/// A calibration by its name, or from a file; without either, the experiment for the stone.
pub fn calibration(asked: Option<&str>, stone: Option<&str>) -> Outcome<Calibration> {
    let Some(asked) = asked else { return Ok(bundled::named(bundled::experiment_for(stone))?) };
    match bundled::named(asked) {
        Ok(found) => return Ok(found),
        Err(unknown) if !std::path::Path::new(asked).exists() => {
            return Err(Failure::usage(format!("{unknown}, or a file; there is no file of this name")));
        }
        Err(_) => {}
    }
    let mut text = String::new();
    let read = bytes(asked)?.take(LARGEST + 1).read_to_string(&mut text);
    read.map_err(|e| named(asked, e))?;
    if text.len() as u64 > LARGEST {
        return Err(Failure::other(format!("{asked}: larger than any calibration (accepted: up to 64 MiB)")));
    }
    Calibration::from_json(text.trim_start_matches('\u{feff}')).of_file(asked)
}
