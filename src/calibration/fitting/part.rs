//! What a collector has taken in, on its way to another: many tables, each folded where it lies, become one calibration.
//!
//! ```text
//!   table -> Collector -> Part (JSON) \
//!   table -> Collector -> Part (JSON) -> Collector::merge, in one agreed order -> Calibration
//! ```
//!
//! A part holds sums, and the rows that the collector keeps (all of them, of very many one in two, four, eight): its
//! size does not grow with the table. Methods beyond least squares keep every row.

use super::running::{Sums, holes};
use super::{Collector, Recipe};
use crate::calibration::{Provenance, Setting};
use crate::error::{Error, Result};
use crate::form::ClassInput;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What a [`Collector`] has taken in, to be stored and merged into another collector of the same recipe.
///
/// ```
/// use conchoid::calibration::{Provenance, Collector, Part, Recipe};
/// use conchoid::flake::Flake;
/// use conchoid::form::Form;
/// use conchoid::strike::Strike;
///
/// let recipe = || Ok::<_, conchoid::Error>(Recipe::single(
///     "school", "mass_g", Form::named("log-log")?, Provenance::new("field school", "own records", "own", "example"))?);
/// let part = |rows: &[(f64, f64, f64)]| {
///     let mut collector = Collector::new(recipe()?)?;
///     for (depth, angle, mass) in rows {
///         let strike = Strike::builder().platform_depth_mm(*depth).exterior_platform_angle_deg(*angle).build()?;
///         collector.offer(&Flake::builder().strike(strike).mass_g(*mass).build()?);
///     }
///     collector.into_part()
/// };
/// let monday = part(&[(4.0, 70.0, 6.1), (6.0, 80.0, 19.0), (9.0, 65.0, 25.0)])?;
/// let stored = serde_json::to_string(&monday).unwrap();
/// let tuesday = part(&[(7.0, 75.0, 17.0), (5.0, 85.0, 15.0)])?;
///
/// let mut all = Collector::new(recipe()?)?;
/// all.merge(serde_json::from_str::<Part>(&stored).unwrap())?;
/// all.merge(tuesday)?;
/// assert_eq!(all.finish()?.1.used, 5);
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Part {
    /// The recipe, as text.
    recipe: String,
    classes: Vec<ClassInput>,
    /// Names of the groups that share effects, by code, for each column of them.
    groups: Vec<Vec<String>>,
    sizes: Vec<Sums>,
    /// Rows kept, one in `stride` of the flakes used; none where not recorded.
    inputs: Vec<Option<f64>>,
    values: Vec<Option<f64>>,
    stride: u64,
    used: u64,
    settings: Vec<Setting>,
    ended: Vec<Option<String>>,
    /// Names of the pieces, where each counts once.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    names: Vec<Option<String>>,
    percussors: BTreeMap<String, u64>,
    left_out: BTreeMap<String, u64>,
    offered: u64,
}

fn broken(reason: &str) -> Error {
    Error::invalid("part", reason)
}

impl Collector {
    /// All that the recipe asks for, as text: parts are merged where it is the same. Left out is what is only written
    /// beside the fit.
    fn signature(&self) -> String {
        let beside = Provenance::new("", "", "", "");
        let asked = Recipe {
            name: String::new(),
            provenance: beside,
            not_recorded: Vec::new(),
            of_too_few: Vec::new(),
            ..self.recipe.clone()
        };
        format!("{asked:?}")
    }

    /// What was taken in so far, to be stored or sent.
    ///
    /// # Errors
    /// Those of numbers that could not be folded.
    pub fn into_part(mut self) -> Result<Part> {
        self.fold(false);
        if let Some(e) = self.failed {
            return Err(e);
        }
        let (inputs, values, stride) = self.flakes.parts();
        Ok(Part {
            recipe: self.signature(),
            inputs: holes(&inputs),
            values: holes(&values),
            stride,
            used: self.flakes.used(),
            classes: self.layout.classes.clone(),
            groups: self.groups.iter().map(|(_, names)| names.names.clone()).collect(),
            sizes: self.running.iter().map(|r| r.seen.clone()).collect(),
            settings: self.settings,
            ended: self.ended.iter().map(|code| Some(self.ends.names[(*code)?].clone())).collect(),
            names: self.names,
            percussors: self.percussors,
            left_out: self.offered.left_out,
            offered: self.offered.flakes,
        })
    }

    /// Takes in what another collector of the same recipe has taken in. The answer is that of one collector for all
    /// flakes, to rounding; merged in the same order, the same bytes.
    ///
    /// # Errors
    /// [`Error::Incomparable`] for a part of another recipe; [`Error::Invalid`] for one that contradicts itself.
    pub fn merge(&mut self, part: Part) -> Result<()> {
        if part.recipe != self.signature() {
            let reason =
                "the part was collected by another recipe (sizes, forms, method or pieces)".to_string();
            return Err(Error::Incomparable { reason });
        }
        self.fold(false);
        let numbers = self.layout.numbers.len();
        let width = numbers + part.classes.len() + part.groups.len();
        let same = |a: usize, b: usize| a == b;
        let rows = part.values.len() / self.columns.len().max(1);
        let fits = same(part.classes.len(), self.layout.classes.len())
            && part.classes.iter().zip(&self.layout.classes).all(|(a, b)| a.name == b.name)
            && same(part.groups.len(), self.groups.len())
            && same(part.sizes.len(), self.running.len())
            && same(part.values.len(), rows * self.columns.len())
            && same(part.inputs.len(), rows * width)
            && (part.ended.is_empty() || same(part.ended.len(), rows))
            && same(part.ended.len(), if self.tells_ends() { rows } else { 0 })
            && same(part.names.len(), if self.names_pieces().is_some() { rows } else { 0 })
            && part.stride.is_power_of_two()
            && part.used >= rows as u64;
        if !fits {
            return Err(broken("its rows, sizes or classes are not those of the recipe"));
        }
        // codes of the part to codes of this collector
        let mut codes: Vec<Vec<f64>> = Vec::with_capacity(width - numbers);
        for class in &part.classes {
            codes.push(class.levels.iter().map(|l| self.layout.add_level(&class.name, l) as f64).collect());
        }
        for (names, (_, own)) in part.groups.iter().zip(&mut self.groups) {
            codes.push(names.iter().map(|n| own.place(n) as f64).collect());
        }
        let recode = |at: usize, v: Option<f64>| -> Result<f64> {
            match (v, at.checked_sub(numbers)) {
                (None, _) => Ok(f64::NAN),
                (Some(v), None) => Ok(v),
                (Some(v), Some(k)) => {
                    let known = codes[k].get(v as usize).filter(|_| v >= 0.0);
                    known.copied().ok_or_else(|| broken("a code of a class without a level"))
                }
            }
        };
        let row = |row: &[Option<f64>]| -> Result<Vec<f64>> {
            row.iter().enumerate().map(|(at, v)| recode(at, *v)).collect()
        };
        let mut inputs = Vec::with_capacity(part.inputs.len());
        for one in part.inputs.chunks(width.max(1)) {
            inputs.extend(row(one)?);
        }
        let mut sizes = part.sizes;
        for (_, x) in sizes.iter_mut().flat_map(|size| &mut size.far) {
            if x.len() != width {
                return Err(broken("a row of another length"));
            }
            *x = holes(&row(x)?);
        }
        let places: Vec<usize> =
            self.recipe.settings.iter().filter_map(|n| self.layout.position(n)).collect();
        let mut settings = Vec::with_capacity(part.settings.len());
        for s in part.settings {
            if s.values.len() != places.len() {
                return Err(broken("settings of another number"));
            }
            let values = places.iter().zip(&s.values).map(|(at, v)| recode(*at, Some(*v)));
            settings.push(Setting { values: values.collect::<Result<_>>()?, flakes: s.flakes });
        }
        self.running.iter_mut().zip(sizes).try_for_each(|(running, size)| running.merge(size))?;
        let values: Vec<f64> = part.values.iter().map(|v| v.unwrap_or(f64::NAN)).collect();
        self.flakes.merge(&inputs, &values, part.stride, part.used);
        for s in settings {
            match self.settings.iter_mut().find(|o| o.values == s.values) {
                Some(o) => o.flakes = o.flakes.saturating_add(s.flakes),
                None => self.settings.push(s),
            }
        }
        let ended = part.ended.iter().map(|end| end.as_ref().map(|end| self.ends.place(end)));
        self.ended.extend(ended);
        self.names.extend(part.names);
        for (all, more) in
            [(&mut self.percussors, part.percussors), (&mut self.offered.left_out, part.left_out)]
        {
            for (name, n) in more {
                let sum = all.entry(name).or_default();
                *sum = sum.saturating_add(n);
            }
        }
        self.offered.flakes = self.offered.flakes.saturating_add(part.offered);
        Ok(())
    }
}
