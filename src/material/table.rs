//! The table of materials, `materials.json`: what is flaked and what strikes, each number with its range and its own
//! source. A material that is both (quartzite, flint, basalt) stands there once. It is read through the checks of a
//! user's own materials.

use std::sync::LazyLock;

use serde::Deserialize;

use super::property::Figure;
use super::*;
use crate::error::{Error, Result, nearest};

/// A row of the table: the material, and its other names as a stone that is flaked and as a percussor, none where it is not
/// one.
#[derive(Deserialize)]
struct Row {
    name: String,
    flaked_as: Option<Vec<String>>,
    strikes_as: Option<Vec<String>>,
    class: Option<PercussorClass>,
    tip_behaviour: Option<TipBehaviour>,
    density_kg_m3: Figure,
    youngs_modulus_pa: Figure,
    poisson_ratio: Figure,
    toughness_pa_sqrt_m: Option<Figure>,
    yield_strength_pa: Option<Figure>,
}

/// A material with all its names, its own first.
pub(super) struct Named<M> {
    pub(super) names: Vec<String>,
    pub(super) material: M,
}

impl Row {
    fn named<Kind>(&self, others: &[String], kind: Kind) -> Result<Named<Material<Kind>>> {
        let names = std::iter::once(&self.name).chain(others).cloned().collect();
        let material = Material {
            name: self.name.clone(),
            density_kg_m3: self.density_kg_m3.clone().checked(&DENSITY)?,
            youngs_modulus_pa: self.youngs_modulus_pa.clone().checked(&YOUNGS_MODULUS)?,
            poisson_ratio: self.poisson_ratio.clone().checked(&POISSON_RATIO)?,
            kind,
        };
        Ok(Named { names, material })
    }

    fn flaked(&self) -> Result<Flaked> {
        let figure = self.toughness_pa_sqrt_m.clone();
        let figure = figure.ok_or_else(|| Error::missing(TOUGHNESS.name(), "a stone needs it"))?;
        Ok(Flaked { toughness_pa_sqrt_m: figure.checked(&TOUGHNESS)? })
    }

    fn striking(&self) -> Result<Striking> {
        let needed = |name: &str| Error::missing(name, "a percussor needs it");
        let strength = self.yield_strength_pa.clone();
        Ok(Striking {
            class: self.class.ok_or_else(|| needed("class"))?,
            tip_behaviour: self.tip_behaviour.ok_or_else(|| needed("tip_behaviour"))?,
            yield_strength_pa: strength.map(|figure| figure.checked(&YIELD_STRENGTH)).transpose()?,
        })
    }
}

/// What is flaked, and what strikes.
#[derive(Default)]
pub(super) struct Materials {
    pub(super) stones: Vec<Named<Stone>>,
    pub(super) percussors: Vec<Named<PercussorMaterial>>,
}

static MATERIALS: LazyLock<Result<Materials>> = LazyLock::new(|| {
    let rows: Vec<Row> = serde_json::from_str(include_str!("materials.json"))
        .map_err(|e| Error::invalid("materials", e.to_string()))?;
    let mut all = Materials::default();
    for row in &rows {
        if let Some(others) = &row.flaked_as {
            all.stones.push(row.named(others, row.flaked()?)?);
        }
        if let Some(others) = &row.strikes_as {
            all.percussors.push(row.named(others, row.striking()?)?);
        }
    }
    Ok(all)
});

/// The stones or the percussors of the table.
pub(super) fn all<M: 'static>(part: fn(&Materials) -> &[Named<M>]) -> &'static [Named<M>] {
    MATERIALS.as_ref().map_or(&[], part)
}

/// Their names, without the other names.
pub(super) fn names<M: 'static>(part: fn(&Materials) -> &[Named<M>]) -> impl Iterator<Item = &'static str> {
    all(part).iter().map(|m| m.names[0].as_str())
}

/// The one that bears a name; the error has the names of the table, and `usual` ones that stand for one of them.
pub(super) fn find<M: Clone + 'static>(
    field: &str,
    name: &str,
    part: fn(&Materials) -> &[Named<M>],
    usual: &'static [&'static str],
) -> Result<M> {
    let plain = plain_name(name);
    match all(part).iter().find(|m| m.names.contains(&plain)) {
        Some(found) => Ok(found.material.clone()),
        None => Err(Error::unknown_name(field, name, usual.iter().copied().chain(names(part)))),
    }
}

/// The name that an unknown one is likely meant as: a slip of the pen away, begun by it (`red deer`), or a word of it
/// (`grey flint`).
pub(crate) fn near(what: &str, name: &str) -> Option<&'static str> {
    fn of<M>(all: &'static [Named<M>], plain: &str) -> Option<&'static str> {
        let names = || all.iter().flat_map(|m| &m.names);
        let begun = format!("{plain}-");
        nearest(plain, names())
            .or_else(|| names().find(|n| n.starts_with(&begun)).map(String::as_str))
            .or_else(|| names().find(|n| plain.split('-').any(|word| word == *n)).map(String::as_str))
    }
    let plain = plain_name(name);
    if what == "stone" { of(all(|m| &m.stones), &plain) } else { of(all(|m| &m.percussors), &plain) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names_are_plain_and_of_one<M>(of: &[Named<M>]) {
        let mut names: Vec<_> = of.iter().flat_map(|m| &m.names).collect();
        for name in &names {
            assert_eq!(&&plain_name(name), name, "names are kept in the form they are looked up by");
        }
        let all = names.len();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), all);
    }

    #[test]
    fn no_name_means_two_materials() {
        assert!(MATERIALS.is_ok());
        names_are_plain_and_of_one(all(|m| &m.stones));
        names_are_plain_and_of_one(all(|m| &m.percussors));
    }

    #[test]
    fn a_name_that_is_not_known_is_near_one_that_is() {
        for (what, name, meant) in [
            ("percussor", "antlr", Some("antler")),
            ("percussor", "Red Deer", Some("red-deer-antler")),
            ("percussor", "quartzite cobble", Some("quartzite")),
            ("percussor", "hamerstone", Some("hammerstone")),
            ("percussor", "soft", Some("soft-hammer")),
            ("percussor", "soft hamer", Some("soft-hammer")),
            ("percussor", "pressure flaker", None),
            ("stone", "quarzite", Some("quartzite")),
            ("stone", "Grey flint", Some("flint")),
            ("stone", "cheese", None),
        ] {
            assert_eq!(near(what, name), meant, "{what} {name}");
        }
    }

    fn has_a_source(q: &Property, of: &str) {
        assert!(!q.source().is_empty(), "{of}");
    }

    #[test]
    fn every_stone_is_found_by_every_name_and_has_ranges_and_sources() {
        let stones = all(|m| &m.stones);
        assert_eq!(stones.len(), 12);
        for Named { names, material } in stones {
            for name in names {
                assert_eq!(&Stone::named(name).unwrap(), material, "{name}");
            }
            for q in [
                material.density_kg_m3(),
                material.youngs_modulus_pa(),
                material.poisson_ratio(),
                material.toughness_pa_sqrt_m(),
            ] {
                has_a_source(q, &names[0]);
                assert!(q.log_sd() > 0.0, "{}", names[0]);
            }
        }
    }

    #[test]
    fn every_percussor_is_found_by_every_name_and_has_sources() {
        let percussors = all(|m| &m.percussors);
        assert_eq!(percussors.len(), 16);
        for Named { names, material } in percussors {
            for name in names {
                assert_eq!(&PercussorMaterial::named(name).unwrap(), material, "{name}");
            }
            for q in [material.density_kg_m3(), material.youngs_modulus_pa(), material.poisson_ratio()]
                .into_iter()
                .chain(material.yield_strength_pa())
            {
                has_a_source(q, &names[0]);
            }
            let yields = material.tip_behaviour() == TipBehaviour::Yields;
            assert!(!yields || material.yield_strength_pa().is_some());
        }
    }
}
