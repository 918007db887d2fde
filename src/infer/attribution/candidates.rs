//! The classes of an answer, and the materials of an experiment that stand for each: its own, or its nearest kin.

use super::Attribution;
use crate::calibration::Calibration;
use crate::calibration::caution::Doubt;
use crate::calibration::resolved::{Kind, class_of};
use crate::error::{Error, Result};
use crate::form::PERCUSSOR_CLASS;
use crate::infer::forward::Struck;
use crate::material::{PercussorClass, PercussorMaterial};
use crate::predict::Caution;

/// A class with the materials that stand for it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Candidate {
    pub(super) class: String,
    pub(super) leans_on: Option<String>,
    pub(super) prior: f64,
    pub(super) members: Vec<Member>,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Member {
    /// Which calibration.
    pub(super) forward: usize,
    pub(super) struck: Struck,
    /// Name of the material (or class) as the calibration has it.
    pub(super) name: String,
    pub(super) weight: f64,
}

/// The materials of a calibration: what each fixes in an input row, with its class and its flakes.
pub(super) fn members(forward: usize, calibration: &Calibration) -> Vec<(PercussorClass, Member)> {
    let layout = calibration.layout();
    let flakes =
        |name: &str| calibration.percussors().iter().find(|p| p.name == name).map_or(0, |p| p.flakes);
    let class_at = layout.position(PERCUSSOR_CLASS);
    let class_code = |class: PercussorClass| {
        let levels = &layout.class_at(class_at?)?.levels;
        Some((class_at?, levels.iter().position(|l| l == class.name())? as f64))
    };
    let mut found = Vec::new();
    if let Some(at) = layout.position("percussor")
        && let Some(variable) = layout.class_at(at)
    {
        for (code, level) in variable.levels.iter().enumerate() {
            let Ok(material) = PercussorMaterial::named(level) else { continue };
            if flakes(level) == 0 {
                continue;
            }
            let mut set = vec![(at, code as f64)];
            set.extend(class_code(material.class()));
            let struck = Struck { set, class: Some(material.class().name().to_string()) };
            let weight = flakes(level) as f64;
            found.push((material.class(), Member { forward, struck, name: level.clone(), weight }));
        }
    } else if let Some(at) = class_at
        && let Some(variable) = layout.class_at(at)
    {
        for (code, level) in variable.levels.iter().enumerate() {
            let Ok(class) = level.parse::<PercussorClass>() else { continue };
            let struck = Struck { set: vec![(at, code as f64)], class: Some(class.name().to_string()) };
            found.push((class, Member { forward, struck, name: level.clone(), weight: 1.0 }));
        }
    }
    found
}

/// Weights of the members of each candidate summing to 1.
pub(super) fn scaled(mut members: Vec<Member>) -> Vec<Member> {
    let total: f64 = members.iter().map(|m| m.weight).sum();
    members.iter_mut().for_each(|m| m.weight /= total);
    members
}

impl Attribution {
    /// The class or material of a name that acts as a ratio on the calibration's own percussor; none where its forms read the
    /// percussor.
    fn by_ratio(&self, name: &str) -> Result<Option<(Candidate, Option<Caution>)>> {
        let resolved = &self.forwards[0].resolved;
        let Some((at, code)) = resolved.ratio_of(name) else { return Ok(None) };
        let class = class_of(name)?;
        let seen: Vec<String> = resolved.calibration().percussors().iter().map(|p| p.name.clone()).collect();
        let (kind, another) = (Kind::named(name)?, !code.is_nan());
        let set = if another { vec![(at, code)] } else { Vec::new() };
        let struck = Struck { set, class: Some(class.name().to_string()) };
        let ratio = resolved.own().filter(|own| another && *own != kind);
        let ratio = ratio.map(|own| (kind.on_glass().to_string(), own.on_glass().to_string()));
        let leans_on = another.then(|| match &ratio {
            Some((over, under)) => format!("{over} over {under} on glass"),
            None => seen.join(", "),
        });
        let caution =
            another.then(|| Doubt::PercussorRatio { percussor: name.to_string(), seen, ratio }.into());
        // hard kinds are told apart from each other by nothing
        let member = Member { forward: 0, struck, name: kind.on_glass().to_string(), weight: 1.0 };
        Ok(Some((
            Candidate { class: name.to_string(), leans_on, prior: 0.0, members: vec![member] },
            caution,
        )))
    }

    /// The members that stand for a name.
    pub(super) fn candidate(&self, name: &str) -> Result<(Candidate, Option<Caution>)> {
        let one = |members: Vec<Member>, leans_on: Option<String>| Candidate {
            class: name.to_string(),
            leans_on,
            prior: 0.0,
            members: scaled(members),
        };
        if self.forwards.len() > 1 {
            let known = self.candidates.iter().find(|c| c.class == name);
            let names = || self.candidates.iter().map(|c| c.class.clone());
            let known = known.ok_or_else(|| Error::unknown_name("prior", name, names()))?;
            return Ok((known.clone(), None));
        }
        if let Some(found) = self.by_ratio(name)? {
            return Ok(found);
        }
        let all = members(0, self.forwards[0].calibration());
        let of = |class: PercussorClass| -> Vec<Member> {
            all.iter().filter(|(c, _)| *c == class).map(|(_, m)| m.clone()).collect()
        };
        let (class, material) = match name.parse::<PercussorClass>() {
            Ok(class) => (class, None),
            Err(_) => {
                let unknown = |_| {
                    let classes = PercussorClass::NAMES.iter().copied();
                    Error::unknown_name(
                        "prior",
                        name,
                        classes.into_iter().chain(PercussorMaterial::all_names()),
                    )
                };
                let material = PercussorMaterial::named(name).map_err(unknown)?;
                (material.class(), Some(material.name().to_string()))
            }
        };
        let seen: Vec<String> =
            self.forwards[0].calibration().percussors().iter().map(|p| p.name.clone()).collect();
        let named = |m: &&Member| material.as_ref() == Some(&m.name);
        let own: Vec<Member> = all.iter().map(|(_, m)| m).filter(named).cloned().collect();
        let mine = if own.is_empty() { of(class) } else { own };
        let used = material.as_ref().is_none_or(|m| seen.contains(m));
        if !mine.is_empty() && used {
            return Ok((one(mine, None), None));
        }
        let (stand_in, mine) = if mine.is_empty() {
            // a hammerstone leans on steel, where there is any
            let other = class.stand_in();
            let hard: Vec<Member> = of(other).into_iter().filter(|m| m.name.contains("steel")).collect();
            match (class, &hard[..]) {
                (PercussorClass::Stone, [steel, ..]) => (steel.name.clone(), hard),
                _ => (other.name().to_string(), of(other)),
            }
        } else {
            (class.name().to_string(), mine)
        };
        if mine.is_empty() {
            return Err(Error::invalid(
                "prior",
                format!("the experiment used nothing like {name} (it used {})", seen.join(", ")),
            ));
        }
        let caution = Doubt::PercussorNotInExperiment {
            percussor: name.to_string(),
            leans_on: Some(stand_in.clone()),
            seen,
        };
        Ok((one(mine, Some(stand_in)), Some(caution.into())))
    }
}
