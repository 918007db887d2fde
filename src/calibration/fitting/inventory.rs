//! What a table records of its flakes, counted before a fit is chosen: which sizes, which measurements of the platform
//! together, how the flakes end; and the recipe that these allow.

use super::{Recipe, SIZE_COLUMNS, TerminationRecipe, ToldApart, VariantRecipe, as_struck};
use crate::by_name::each_once;
use crate::calibration::{Provenance, SIZES};
use crate::error::{Error, Result};
use crate::form::{Form, TERMINATION, Term, Transform, ln, value};
use crate::strike::Measured;
use std::cmp::Reverse;
use std::collections::BTreeMap;

/// Flakes for each coefficient that a variant, or a size in it, needs to be proposed. (This crate's choice, no source:
/// what few flakes leave open is in the intervals, so that a variant need only be worth having.)
pub(super) const FLAKES_A_COEFFICIENT: u64 = 5;

/// Flakes of the rarest termination for each term of a model of terminations. (Ten events a term: Peduzzi, Concato,
/// Kemper, Holford & Feinstein 1996, J. Clin. Epidemiol. 49:1373; from memory.)
const ENDED_A_TERM: u64 = 10;

/// What a table records of its flakes, for a calibration of all its sizes.
///
/// ```
/// use conchoid::calibration::{Inventory, Provenance};
/// use conchoid::flake::Flake;
/// use conchoid::strike::Strike;
/// let mut inventory = Inventory::new(None)?;
/// for i in 0..40 {
///     let depth = 4.0 + 0.1 * f64::from(i);
///     // every second flake has an exterior platform angle
///     let angle = (i % 2 == 0).then_some(75.0);
///     let strike = Strike::builder().platform_depth_mm(depth).exterior_platform_angle_deg(angle).build()?;
///     inventory.see(&Flake::builder().strike(strike).length_mm(30.0).mass_g(12.0).build()?);
/// }
/// let own = Provenance::new("field school", "own records", "own", "example");
/// let recipe = inventory.recipe("school", &[], own)?;
/// let variants: Vec<&str> = recipe.variants.iter().map(|v| v.name.as_str()).collect();
/// assert_eq!(variants, ["platform_depth_mm, exterior_platform_angle_deg", "platform_depth_mm"]);
/// let sizes: Vec<&str> = recipe.variants[0].sizes.iter().map(|s| s.size.as_str()).collect();
/// assert_eq!(sizes, ["length_mm", "mass_g"]);
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Inventory {
    candidates: Vec<Candidate>,
    /// Whether the form was asked for, and is not to be chosen.
    asked: bool,
    keep_incomplete: bool,
    flakes: u64,
}

/// A form that may become a variant, and the flakes that record what it reads.
#[derive(Debug, Clone)]
struct Candidate {
    form: Form,
    needs: Vec<String>,
    /// Flakes with each of [`SIZE_COLUMNS`], and those with any.
    sizes: [u64; SIZE_COLUMNS.len()],
    flakes: u64,
    /// Of these, flakes that no candidate before records all of.
    further: u64,
    /// Terminations as recorded.
    ended: BTreeMap<String, u64>,
}

impl Candidate {
    fn needed(&self) -> u64 {
        FLAKES_A_COEFFICIENT * (1 + self.form.terms().len() as u64)
    }

    /// Flakes that a size needs; where even the commonest is short of them, what least squares take.
    fn enough(&self) -> u64 {
        if self.flakes < self.needed() { self.form.terms().len() as u64 + 2 } else { self.needed() }
    }
}

/// The forms that a table is offered where none is asked for: log size on log platform size and angle, for what may be
/// recorded, the fullest first.
fn usual() -> Result<Vec<Form>> {
    let (depth, width) = (ln("platform_depth_mm"), ln("platform_width_mm"));
    let angle = value("exterior_platform_angle_deg");
    Ok(vec![
        Form::new("log-log-width", Transform::Ln, vec![depth.clone(), width.clone(), angle])?,
        Form::named("log-log")?,
        Form::new("log-width", Transform::Ln, vec![depth.clone(), width])?,
        Form::new("log-depth", Transform::Ln, vec![depth])?,
        Form::named("area-angle")?,
        Form::named("area")?,
    ])
}

impl Inventory {
    /// Nothing seen. With a form that alone is fitted; without one the log-log form, in a variant for each set of
    /// measurements (platform depth, width, exterior platform angle; platform area where depth is wanting) that enough
    /// flakes record.
    ///
    /// # Errors
    /// None for the forms of this crate.
    pub fn new(form: Option<Form>) -> Result<Inventory> {
        let asked = form.is_some();
        let forms = form.map_or_else(usual, |form| Ok(vec![form]))?;
        let candidate = |form: Form| Candidate {
            needs: form.needs(),
            form,
            sizes: Default::default(),
            flakes: 0,
            further: 0,
            ended: BTreeMap::new(),
        };
        let candidates = forms.into_iter().map(candidate).collect();
        Ok(Inventory { candidates, asked, keep_incomplete: false, flakes: 0 })
    }

    /// Counts incomplete and retouched pieces too.
    pub fn keep_incomplete(mut self, keep: bool) -> Inventory {
        self.keep_incomplete = keep;
        self
    }

    /// The measurements that a row may need, by column.
    pub(crate) fn reads(&self) -> Vec<String> {
        each_once(self.candidates.iter().flat_map(|c| c.needs.iter().cloned()))
    }

    /// Counts what a flake records.
    pub fn see(&mut self, flake: &impl Measured) {
        if as_struck(flake, self.keep_incomplete).is_err() {
            return;
        }
        let sizes = SIZE_COLUMNS.map(|(column, _)| flake.number(column).is_some_and(|v| v > 0.0));
        if !sizes.contains(&true) {
            return;
        }
        self.flakes += 1;
        let mut before = false;
        for c in &mut self.candidates {
            if !c.needs.iter().all(|n| flake.number(n).is_some() || flake.class(n).is_some()) {
                continue;
            }
            c.flakes += 1;
            c.further += u64::from(!before);
            before = true;
            c.sizes.iter_mut().zip(sizes).for_each(|(n, has)| *n += u64::from(has));
            if let Some(ended) = flake.class(TERMINATION) {
                *c.ended.entry(ended.to_string()).or_default() += 1;
            }
        }
    }

    /// What can be fitted: these sizes (by their columns), or, of none named, all that enough flakes record.
    ///
    /// # Errors
    /// [`Error::UnknownName`] for a column that holds no size; [`Error::Invalid`] where nothing that was seen records a
    /// size and what a form reads.
    pub fn recipe(&self, name: &str, asked: &[&str], provenance: Provenance) -> Result<Recipe> {
        if let Some(other) = asked.iter().find(|a| !SIZE_COLUMNS.iter().any(|(column, _)| column == *a)) {
            return Err(Error::unknown_name("response", *other, SIZE_COLUMNS.map(|(column, _)| column)));
        }
        let chosen = self.chosen();
        let Some(first) = chosen.first() else {
            let what = self.reads().join(", ");
            let seen = match self.flakes {
                0 => {
                    format!("no flake records a size ({})", SIZE_COLUMNS.map(|(column, _)| column).join(", "))
                }
                n => format!("none of {n} flakes with a size records what a form reads ({what})"),
            };
            return Err(Error::invalid("sizes", seen));
        };
        let mut recipe = Recipe::single(name, "mass_g", first.form.clone(), provenance)?;
        recipe.variants = chosen.iter().map(|c| variant(c, &columns(c, asked))).collect();
        recipe.variants.retain(|v| !v.sizes.is_empty());
        let read: Vec<&String> = chosen.iter().flat_map(|c| &c.needs).collect();
        let seen = self.candidates.iter().filter(|c| c.flakes > 0).flat_map(|c| &c.needs);
        recipe.of_too_few = each_once(seen.filter(|n| !read.contains(n) && !n.ends_with("_mm2")).cloned());
        if recipe.variants.is_empty() {
            return Err(Error::TooFew {
                what: format!("flakes with a size and {}", first.needs.join(", ")),
                found: first.flakes as usize,
                needed: first.enough() as usize,
            });
        }
        Ok(recipe)
    }

    /// The candidates that enough flakes record; where none has enough, the plainest of those that most do.
    fn chosen(&self) -> Vec<&Candidate> {
        // platform area stands in where depth is wanting, not beside it
        let area = |c: &Candidate| c.needs.first().is_some_and(|n| n == "platform_area_mm2");
        let of_area = self.candidates.iter().filter(|c| area(c)).map(|c| c.further).sum::<u64>();
        let enough =
            |c: &&Candidate| self.asked || (c.flakes >= c.needed() && (!area(c) || of_area >= c.needed()));
        let mut chosen: Vec<&Candidate> =
            self.candidates.iter().filter(|c| c.flakes > 0).filter(enough).collect();
        if chosen.is_empty() {
            let most = self.candidates.iter().rev().max_by_key(|c| (c.flakes, Reverse(c.form.terms().len())));
            chosen.extend(most.filter(|c| c.flakes > 0));
        }
        chosen
    }
}

/// The columns to fit with a candidate: those asked for, or of each size the one of most flakes, where they are enough.
fn columns(c: &Candidate, asked: &[&str]) -> Vec<(&'static str, &'static str)> {
    let needed = c.enough();
    let of_size = |size: &&str| -> Option<(&'static str, &'static str)> {
        let of = SIZE_COLUMNS
            .iter()
            .zip(&c.sizes)
            .filter(|((column, s), _)| s == size && (asked.is_empty() || asked.contains(column)));
        let (pair, flakes) = of.rev().max_by_key(|(_, n)| **n)?;
        (!asked.is_empty() || *flakes >= needed).then_some(*pair)
    };
    SIZES.iter().filter_map(of_size).collect()
}

fn variant(c: &Candidate, columns: &[(&str, &str)]) -> VariantRecipe {
    let size = |(column, size): &(&str, &str)| super::SizeRecipe {
        size: size.to_string(),
        column: column.to_string(),
        form: c.form.clone(),
        method: super::Method::least_squares(),
    };
    VariantRecipe {
        name: c.needs.join(", "),
        sizes: columns.iter().map(size).collect(),
        termination: termination(c),
    }
}

/// A model of terminations as far as their counts allow one: four or feather against the others, by the terms of the
/// form or as a mere share. The prior needs no strength to be chosen.
fn termination(c: &Candidate) -> Option<TerminationRecipe> {
    let rarest = |told_apart: ToldApart, classes: usize| -> u64 {
        let mut counts: BTreeMap<&str, u64> = BTreeMap::new();
        for (name, n) in &c.ended {
            if let Some(class) = told_apart.class(name) {
                *counts.entry(class).or_default() += n;
            }
        }
        if counts.len() < classes { 0 } else { counts.into_values().min().unwrap_or(0) }
    };
    let terms = c.form.terms();
    let enough = ENDED_A_TERM * terms.len().max(1) as u64;
    let (four, two) = (rarest(ToldApart::Four, 4), rarest(ToldApart::FeatherOrNot, 2));
    let form = |terms: &[Term]| Form::new("ends", Transform::Identity, terms.to_vec()).ok();
    match (four >= enough, two >= enough, two >= ENDED_A_TERM) {
        (true, ..) => form(terms).map(TerminationRecipe::four),
        (_, true, _) => form(terms).map(TerminationRecipe::feather_or_not),
        (.., true) => form(&[]).map(TerminationRecipe::feather_or_not),
        _ => None,
    }
}
