//! A calibration made ready, once: names to places, covariances to factors, what stands in for what a row does not
//! give, and what there is to doubt. One flake, a block of flakes, draws of groups, updating and attribution all
//! take the same way through it:
//!
//! ```text
//! gather     what was measured, as an input row: numbers, classes as codes, not a number where missing
//! choose     the variant that uses most of it
//! assume     classes that are taken as given
//! complete   the settings of the blow that are missing: those of the experiment, with weights
//! split      the terminations that the sizes depend on, with their probabilities
//! size.at    each size at each complete row
//! ```
//!
//! | file | what |
//! |---|---|
//! | this one | the stages above |
//! | `size` | one size at a row: location, spread, degrees of freedom |
//! | `doubts` | the cautions that a row gives rise to |
//! | `beyond` | what is less known beyond the flakes of the experiment |
//! | `percussor` | what another percussor changes |

mod beyond;
mod doubts;
mod percussor;
mod size;

pub(crate) use doubts::{CLEARLY_BEYOND, STEEPEST_DEG, near_tangent};
pub(in crate::calibration) use doubts::{FEW_GROUPS, canonical_stone};
pub(crate) use size::{At, DesignRows, ResolvedSize, ResolvedSpread, ResolvedTails, Triangle, together};

use super::caution::{Caution, Doubt};
use super::shared::NEW_GROUP;
use super::{Calibration, SizeModel, TerminationModel, Variant};
use crate::error::{Error, Place, Result};
pub(crate) use crate::fit::dot;
use crate::flake::Technique;
use crate::form::{ANGLE_OF_BLOW, Compiled, LANDS_ON, PERCUSSOR_CLASS, TERMINATION, Term};
use crate::material::{PercussorClass, PercussorMaterial};
use crate::strike::Measured;
pub(crate) use percussor::Kind;
use percussor::{BEHIND, Carried};
use std::sync::Arc;

/// Complete input rows with their weights.
pub(crate) type WeightedRows = Vec<(f64, Vec<f64>)>;

/// A calibration made ready.
#[derive(Debug, Clone)]
pub(crate) struct Resolved {
    calibration: Calibration,
    variants: Vec<ResolvedVariant>,
    /// Places of the settings in an input row.
    settings: Vec<usize>,
    /// The percussor of the experiment, where another acts as a ratio.
    own: Option<Kind>,
}

/// One variant made ready.
#[derive(Debug, Clone)]
pub(crate) struct ResolvedVariant {
    /// Places of the measurements that it cannot do without.
    required: Vec<usize>,
    /// Settings that some form of this variant reads.
    reads: Vec<usize>,
    /// The sizes, in the order of the variant's.
    pub(crate) sizes: Vec<ResolvedSize>,
    /// Place of the termination in an input row, where a form reads it.
    pub(crate) termination: Option<usize>,
    /// How flakes end, where the variant tells.
    pub(crate) terminations: Option<ResolvedTerminations>,
    /// Assumed classes that this variant reads: place, code, and which assumption it is.
    assumed: Vec<(usize, f64, usize)>,
    /// Places of the measurements with a range, in the order of the variant's ranges; none outside the layout.
    pub(crate) ranged: Vec<Option<usize>>,
    /// Whether a form takes the tangent of the exterior platform angle.
    pub(crate) tangent: bool,
    /// The doubt about terminations that have no probability where an answer tells none, and where it tells some.
    untold: [Option<Caution>; 2],
    /// What there is to doubt whatever is asked.
    pub(crate) of_all_its_answers: Vec<Caution>,
    /// That of the variant: every answer holds it.
    pub(crate) residual_correlation: Arc<Vec<Vec<f64>>>,
}

/// A model of how flakes end made ready.
#[derive(Debug, Clone)]
pub(crate) struct ResolvedTerminations {
    pub(crate) compiled: Compiled,
    pub(crate) model: TerminationModel,
    /// For each class of the model, its code in the layout.
    pub(crate) codes: Vec<Option<usize>>,
}

impl ResolvedTerminations {
    fn new(model: &TerminationModel, calibration: &Calibration) -> Result<ResolvedTerminations> {
        let layout = calibration.layout();
        let levels = layout.position(TERMINATION).and_then(|at| layout.class_at(at)).map(|c| &c.levels);
        let code = |class: &String| levels.and_then(|l| l.iter().position(|n| n == class));
        Ok(ResolvedTerminations {
            compiled: model.form.compile(layout)?,
            codes: model.fit.classes().iter().map(code).collect(),
            model: model.clone(),
        })
    }
}

impl ResolvedVariant {
    fn new(
        v: &Variant,
        calibration: &Calibration,
        settings: &[usize],
        carried: &impl Fn(&SizeModel) -> Carried,
    ) -> Result<ResolvedVariant> {
        let layout = calibration.layout();
        let ready = |m| {
            let size = ResolvedSize::new(m, layout, &v.ranges)?;
            Ok(ResolvedSize { carried: Some(carried(m)), ..size })
        };
        let mut sizes = v.sizes.iter().map(ready).collect::<Result<Vec<_>>>()?;
        for k in 1..sizes.len() {
            sizes[k].same_rows = sizes[k].compiled == sizes[k - 1].compiled;
        }
        let mut names: Vec<String> = v.sizes.iter().flat_map(|m| m.form.needs()).collect();
        names.extend(v.termination.iter().flat_map(|t| t.form.needs()));
        let code = |class: &str, level: &str| {
            let at = layout.position(class)?;
            Some((at, layout.class_at(at)?.levels.iter().position(|l| l == level)? as f64))
        };
        let assumed = calibration.assumptions().iter().enumerate();
        Ok(ResolvedVariant {
            required: places(calibration, &calibration.required(v))?,
            reads: settings
                .iter()
                .copied()
                .filter(|at| names.iter().any(|n| n == layout.name(*at)))
                .collect(),
            sizes,
            termination: names
                .iter()
                .any(|n| n == TERMINATION)
                .then(|| layout.position(TERMINATION))
                .flatten(),
            terminations: v
                .termination
                .as_ref()
                .map(|t| ResolvedTerminations::new(t, calibration))
                .transpose()?,
            assumed: assumed
                .filter(|(_, a)| names.contains(&a.class))
                .filter_map(|(i, a)| code(&a.class, &a.level).map(|(at, code)| (at, code, i)))
                .collect(),
            ranged: v.ranges.iter().map(|r| layout.position(&r.name)).collect(),
            untold: [&[][..], v.termination.as_ref().map_or(&[], |t| t.fit.classes())].map(doubts::untold),
            of_all_its_answers: doubts::of_all_its_answers(calibration, v),
            residual_correlation: Arc::new(v.residual_correlation.clone()),
            tangent: v.sizes.iter().any(|m| m.form.terms().iter().any(Term::has_tangent)),
        })
    }
}

/// The places of names in an input row.
fn places(calibration: &Calibration, names: &[String]) -> Result<Vec<usize>> {
    let lacks = |n: &String| Error::missing(n, "the calibration's layout lacks it");
    names.iter().map(|n| calibration.layout().position(n).ok_or_else(|| lacks(n))).collect()
}

impl Resolved {
    /// Makes a calibration ready.
    ///
    /// # Errors
    /// Those of a calibration that contradicts itself; none for one that was read or built by this crate.
    pub(crate) fn new(calibration: Calibration) -> Result<Resolved> {
        let settings = places(&calibration, calibration.setting_names())?;
        let carried = Resolved::carried(&calibration);
        let variants = calibration.variants().iter();
        let variants = variants
            .map(|v| ResolvedVariant::new(v, &calibration, &settings, &carried))
            .collect::<Result<Vec<_>>>()?;
        let own = Resolved::own_percussor(&calibration);
        Ok(Resolved { calibration, variants, settings, own })
    }

    pub(crate) fn calibration(&self) -> &Calibration {
        &self.calibration
    }

    /// A variant as the calibration has it.
    pub(crate) fn variant(&self, at: usize) -> &Variant {
        &self.calibration.variants()[at]
    }

    /// A variant made ready.
    pub(crate) fn ready(&self, at: usize) -> &ResolvedVariant {
        &self.variants[at]
    }

    /// The input row: what was measured, classes as codes, not a number where missing; behind it what the ratio of
    /// another percussor needs. `termination` is the one to condition on.
    ///
    /// # Errors
    /// [`Error::UnknownName`] for a class or percussor that neither the calibration nor this crate knows;
    /// [`Error::Refused`] for a pressed flake.
    pub(crate) fn gather(
        &self,
        measured: &dyn Measured,
        termination: Option<&str>,
        cautions: &mut Vec<Caution>,
    ) -> Result<Vec<f64>> {
        let layout = self.calibration.layout();
        let mut x: Vec<f64> = Vec::with_capacity(layout.len());
        x.extend(layout.numbers.iter().map(|n| measured.number(n).unwrap_or(f64::NAN)));
        for class in &layout.classes {
            let code_of = |level: &str| class.levels.iter().position(|l| l == level);
            let code = match class.name.as_str() {
                TERMINATION => termination.and_then(code_of),
                PERCUSSOR_CLASS | "percussor" => {
                    self.percussor(&class.name, &class.levels, measured, cautions)?
                }
                name => match measured.class(name) {
                    None => None,
                    Some(level) => match code_of(level) {
                        Some(code) => Some(code),
                        // a group that was not fitted is a new one
                        None if self.calibration.shares(name) => {
                            x.push(NEW_GROUP);
                            continue;
                        }
                        // a level the experiment did not have falls back on what is taken as given
                        None if self.calibration.assumptions().iter().any(|a| a.class == name) => None,
                        None => return Err(Error::unknown_name(name, level, class.levels.iter().cloned())),
                    },
                },
            };
            x.push(code.map_or(f64::NAN, |c| c as f64));
        }
        let technique =
            measured.class(Technique::COLUMN).filter(|_| layout.position(Technique::COLUMN).is_none());
        if technique == Some(Technique::Pressure.name()) {
            let reason = "pressure: no flake of these experiments was pressed off, and nothing here tells how large \
                          pressed flakes are (accepted: direct, indirect)";
            return Err(Error::Refused { at: Place::column(Technique::COLUMN), reason: reason.into() });
        }
        let asked = measured.class("percussor").or(measured.class(PERCUSSOR_CLASS));
        let other = match (self.own, asked) {
            (Some(_), Some(name)) => self.other_percussor(name).map_or(f64::NAN, |k| k as usize as f64),
            _ => f64::NAN,
        };
        let edge = measured.class(LANDS_ON).map_or(f64::NAN, |l| f64::from(u8::from(l == "edge")));
        let punched = f64::from(u8::from(technique == Some(Technique::Indirect.name())));
        x.extend([other, measured.number(ANGLE_OF_BLOW).unwrap_or(f64::NAN), edge, punched]);
        Ok(x)
    }

    /// What a percussor is on glass, where the experiment had none of its class.
    fn other_percussor(&self, name: &str) -> Option<Kind> {
        let class = class_of(name).ok()?;
        let used = self.calibration.percussors().iter().any(|p| class_of(&p.name).ok() == Some(class));
        if used { None } else { Kind::named(name).ok() }
    }

    /// The percussor of the experiment, where another acts as a ratio.
    pub(crate) fn own(&self) -> Option<Kind> {
        self.own
    }

    /// Entries of a gathered row: those of the layout and those behind it.
    pub(crate) fn width(&self) -> usize {
        self.calibration.layout().len() + BEHIND
    }

    /// The places of numbers in a gathered row, with their names.
    pub(crate) fn number_places(&self) -> impl Iterator<Item = (usize, &str)> {
        let layout = self.calibration.layout();
        let behind = (layout.len() + 1, ANGLE_OF_BLOW);
        layout.numbers.iter().map(String::as_str).enumerate().chain([behind])
    }

    /// The level that stands for a percussor: its own, or the nearest the experiment used.
    fn percussor(
        &self,
        variable: &str,
        levels: &[String],
        measured: &dyn Measured,
        cautions: &mut Vec<Caution>,
    ) -> Result<Option<usize>> {
        let own = measured.class(variable);
        let named = measured.class("percussor");
        let Some(asked) = own.or(named) else { return Ok(None) };
        if let Some(code) = levels.iter().position(|l| l == asked) {
            return Ok(Some(code));
        }
        let seen = self.calibration.percussors();
        let class = class_of(asked)?;
        // most used first, so that a class leans on its best known member
        let flakes = |l: &String| seen.iter().find(|p| p.name == *l).map_or(0, |p| p.flakes);
        let best = |wanted: PercussorClass| {
            (0..levels.len())
                .filter(|i| class_of(&levels[*i]).ok() == Some(wanted))
                .max_by_key(|i| flakes(&levels[*i]))
        };
        let code = best(class).or_else(|| best(class.stand_in()));
        let known = variable == PERCUSSOR_CLASS && best(class).is_some();
        let told = match named {
            Some(name) if known => (!seen.iter().any(|p| p.name == name)).then_some(name),
            None if known => None,
            _ => Some(asked),
        };
        cautions.extend(told.map(|percussor| {
            Doubt::PercussorNotInExperiment {
                percussor: percussor.to_string(),
                leans_on: code.map(|c| levels[c].clone()),
                seen: seen.iter().map(|p| p.name.clone()).collect(),
            }
            .into()
        }));
        Ok(code)
    }

    /// The first required measurement that a row lacks.
    pub(crate) fn lacks(&self, variant: usize, x: &[f64]) -> Option<usize> {
        self.variants[variant].required.iter().copied().find(|at| x[*at].is_nan())
    }

    /// The first variant whose measurements are all there.
    ///
    /// # Errors
    /// [`Error::Missing`] naming what the least demanding variant lacks, and what would do.
    pub(crate) fn choose(&self, x: &[f64]) -> Result<usize> {
        if let Some(at) = (0..self.variants.len()).find(|v| self.lacks(*v, x).is_none()) {
            return Ok(at);
        }
        // name what the least demanding variant lacks
        let layout = self.calibration.layout();
        let least = self
            .variants
            .iter()
            .rev()
            .min_by_key(|v| v.required.iter().filter(|at| x[**at].is_nan()).count())
            .unwrap_or(&self.variants[0]);
        let lacking = least.required.iter().find(|at| x[**at].is_nan()).copied().unwrap_or(0);
        // a set that holds another asks for more than it must
        let required = |v: &ResolvedVariant| v.required.iter().map(|at| layout.name(*at)).collect::<Vec<_>>();
        let all: Vec<Vec<&str>> = self.variants.iter().map(required).collect();
        let sets: Vec<String> = all
            .iter()
            .enumerate()
            .filter(|(i, set)| {
                !all.iter().enumerate().any(|(j, other)| {
                    other.iter().all(|n| set.contains(n)) && (other.len() < set.len() || j < *i)
                })
            })
            .map(|(_, set)| set.join(", "))
            .collect();
        Err(Error::missing(
            layout.name(lacking),
            format!("the calibration {} needs at least {}", self.calibration.name(), sets.join("; or ")),
        ))
    }

    /// Fills in the classes that are taken as given.
    pub(crate) fn assume(&self, variant: usize, x: &mut [f64], cautions: &mut Vec<Caution>) {
        for (at, code, which) in &self.variants[variant].assumed {
            if x[*at].is_nan() {
                x[*at] = *code;
                let a = &self.calibration.assumptions()[*which];
                cautions.push(Doubt::Assumed { class: a.class.clone(), level: a.level.clone() }.into());
            }
        }
    }

    /// Complete input rows with their weights: one where every setting is given, otherwise one for each
    /// combination of the experiment that agrees with the landing place where it is given, whatever the percussor.
    pub(crate) fn complete(&self, variant: usize, x: &[f64], cautions: &mut Vec<Caution>) -> WeightedRows {
        let reads = &self.variants[variant].reads;
        let missing: Vec<usize> = reads.iter().copied().filter(|at| x[*at].is_nan()).collect();
        if missing.is_empty() {
            return vec![(1.0, x.to_vec())];
        }
        let layout = self.calibration.layout();
        cautions.push(
            Doubt::SettingsAveraged {
                settings: missing.iter().map(|at| layout.name(*at).to_string()).collect(),
            }
            .into(),
        );
        let agrees = |values: &[f64]| {
            self.settings.iter().zip(values).all(|(at, v)| {
                // the percussors were not all used with the same blows, and that is no effect of theirs
                let open = layout.class_at(*at).is_none() || is_percussor(layout.name(*at));
                open || x[*at].is_nan() || x[*at] == *v || !reads.contains(at)
            })
        };
        let settings = self.calibration.settings();
        let any = settings.iter().any(|s| agrees(&s.values));
        let mut rows: WeightedRows = Vec::new();
        for s in settings.iter().filter(|s| !any || agrees(&s.values)) {
            let mut row = x.to_vec();
            for (at, v) in self.settings.iter().zip(&s.values) {
                if missing.contains(at) {
                    row[*at] = *v;
                }
            }
            add_row(&mut rows, s.flakes as f64, row);
        }
        rows
    }

    /// The code of the termination that is wanted, where the calibration can condition on it; `asked` tells that it
    /// was asked for, not only recorded.
    pub(crate) fn condition(
        &self,
        variant: usize,
        wanted: Option<&str>,
        asked: bool,
        cautions: &mut Vec<Caution>,
    ) -> Option<usize> {
        let wanted = wanted?;
        let place = self.variants[variant].termination;
        let class = place.and_then(|at| self.calibration.layout().class_at(at));
        let code = class.and_then(|c| c.levels.iter().position(|l| l == wanted));
        if code.is_none() && (asked || place.is_some()) {
            cautions.push(Doubt::TerminationNotInExperiment { termination: wanted.to_string() }.into());
        }
        code
    }

    /// One row for each termination that the sizes depend on, weighted by its probability; `ended` is the code of
    /// the one that is known.
    ///
    /// # Errors
    /// Those of the termination model.
    pub(crate) fn split(
        &self,
        variant: usize,
        rows: WeightedRows,
        ended: Option<usize>,
    ) -> Result<WeightedRows> {
        let ready = &self.variants[variant];
        let Some(at) = ready.termination else { return Ok(rows) };
        let mut out = Vec::with_capacity(rows.len() * 4);
        let (mut terms, mut p) = (Vec::new(), Vec::new());
        for (weight, mut x) in rows {
            match (ended, &ready.terminations) {
                (Some(code), _) => {
                    x[at] = code as f64;
                    out.push((weight, x));
                }
                (None, Some(told)) => {
                    terms.resize(told.compiled.terms(), 0.0);
                    told.compiled.fill(&x, &mut terms);
                    p.resize(told.codes.len(), 0.0);
                    told.model.fit.probabilities_into(&terms, &mut p)?;
                    for (p, code) in p.iter().zip(&told.codes) {
                        if let Some(code) = code {
                            let mut row = x.clone();
                            row[at] = *code as f64;
                            out.push((weight * p, row));
                        }
                    }
                }
                (None, None) => {
                    x[at] = 0.0;
                    out.push((weight, x));
                }
            }
        }
        Ok(out)
    }
}

/// Whether a class is the percussor, or its class.
fn is_percussor(name: &str) -> bool {
    matches!(name, "percussor" | PERCUSSOR_CLASS)
}

/// Adds an input row with its weight, to the weight of the same row where it is there already.
pub(crate) fn add_row(rows: &mut WeightedRows, weight: f64, row: Vec<f64>) {
    let same = |r: &&mut (f64, Vec<f64>)| r.1.iter().zip(&row).all(|(a, b)| a.to_bits() == b.to_bits());
    match rows.iter_mut().find(same) {
        Some(r) => r.0 += weight,
        None => rows.push((weight, row)),
    }
}

/// The class of a percussor, by the name of the class or of a material.
pub(crate) fn class_of(name: &str) -> Result<PercussorClass> {
    match name.parse() {
        Ok(class) => Ok(class),
        Err(_) => PercussorMaterial::named(name).map(|m| m.class()),
    }
}
