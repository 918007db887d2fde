//! A calibration's forward model of one flake, with the percussor set by hypothesis and the settings of the
//! blow drawn from a distribution where they are not known.
//!
//! For one complete input row x: location x'b, own spread s, degrees of freedom, and how uncertain x'b is; in
//! a group the part of that uncertainty at the group's middle row is shared by all flakes, and what a flake's
//! own row adds to it is counted as its own.

use super::attribution::BlowSetting;
use super::attribution::site::SiteShift;
use super::evidence::{Group, Piece, Seen};
use crate::by_name::each_once;
use crate::calibration::Calibration;
use crate::calibration::caution::Caution;
use crate::calibration::resolved::{At, DesignRows, Resolved, ResolvedTerminations, WeightedRows, add_row};
use crate::error::{Error, Result};
use crate::flake::Termination;
use crate::form::{ANGLE_OF_BLOW, LANDS_ON, PERCUSSOR_CLASS, TERMINATION};
use crate::strike::{Measured, Without};
use nalgebra::DMatrix;

/// A calibration made ready, and for each variant which one tells how its flakes end: itself, or where it takes the
/// termination as known the first that has a model and asks for no more measurements.
#[derive(Debug, Clone)]
pub(super) struct Forward {
    pub resolved: Resolved,
    telling: Vec<Option<usize>>,
}

/// One size at one input row, and the row of its form.
struct Placed {
    row: Vec<f64>,
    at: At,
}

/// What a hypothesis fixes in an input row: place and code of the percussor, and the class of percussor for
/// the lip.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Struck {
    pub set: Vec<(usize, f64)>,
    pub class: Option<String>,
}

/// Which of the things recorded are to be used, and how.
pub(super) struct Frame<'a> {
    pub settings: &'a [BlowSetting],
    pub site: SiteShift,
    pub terminations: bool,
    /// Whether recorded settings of the blow are ignored.
    pub hide_blow: bool,
    /// Columns of the sizes to be used, and by what their expected values are multiplied.
    pub columns: &'a [String],
    pub ratios: &'a [f64],
}

/// The class as one of the four terminations, where it is one.
pub(super) fn known_termination(flake: &dyn Measured) -> Option<&'static str> {
    let text = flake.class(TERMINATION)?;
    Termination::find(text).map(Termination::name)
}

/// A flake whose percussor, and blow where it is to be hidden, is not read.
fn open(flake: &dyn Measured, hide_blow: bool) -> Without<'_, dyn Measured + '_> {
    let percussor = &[PERCUSSOR_CLASS, "percussor"];
    Without(
        flake,
        if hide_blow { &[PERCUSSOR_CLASS, "percussor", ANGLE_OF_BLOW, LANDS_ON] } else { percussor },
    )
}

impl Forward {
    pub fn new(calibration: Calibration) -> Result<Forward> {
        let resolved = Resolved::new(calibration)?;
        let calibration = resolved.calibration();
        let variants = calibration.variants();
        let tells = |own: usize| {
            let required = calibration.required(&variants[own]);
            let other = |o: &usize| {
                let v = &variants[*o];
                v.termination.is_some() && calibration.required(v).iter().all(|n| required.contains(n))
            };
            if variants[own].termination.is_some() { Some(own) } else { (0..variants.len()).find(other) }
        };
        let telling = (0..variants.len()).map(tells).collect();
        Ok(Forward { resolved, telling })
    }

    pub fn calibration(&self) -> &Calibration {
        self.resolved.calibration()
    }

    /// How flakes of a variant end.
    fn terminations(&self, variant: usize) -> Option<&ResolvedTerminations> {
        self.telling[variant].and_then(|at| self.resolved.ready(at).terminations.as_ref())
    }

    /// The columns of the sizes of every variant.
    pub fn columns(&self) -> Vec<String> {
        let variants = self.calibration().variants();
        let columns = variants.iter().flat_map(|v| &v.sizes).map(|m| m.column.clone());
        let everywhere = |c: &String| variants.iter().all(|v| v.sizes.iter().any(|o| o.column == *c));
        each_once(columns.filter(everywhere))
    }

    /// The name of a variant.
    pub fn variant_name(&self, variant: usize) -> &str {
        &self.resolved.variant(variant).name
    }

    /// Whether a variant says how flakes end.
    pub fn knows_terminations(&self, variant: usize) -> bool {
        self.telling[variant].is_some()
    }

    /// What was measured, the percussor left open.
    fn gather(&self, flake: &dyn Measured, hide_blow: bool) -> Result<Vec<f64>> {
        // what stands in for what is no part of this answer is told with the answer's own cautions
        self.resolved.gather(&open(flake, hide_blow), known_termination(flake), &mut Vec::new())
    }

    /// The first variant that can do with what every one of the flakes has.
    ///
    /// # Errors
    /// [`Error::Missing`] naming what the least demanding variant lacks.
    pub fn variant_for(&self, flakes: &[&dyn Measured], hide_blow: bool) -> Result<usize> {
        let layout = self.calibration().layout();
        let mut rows = flakes.iter().map(|f| self.gather(*f, hide_blow)).collect::<Result<Vec<_>>>()?;
        // the percussor is what is asked
        for at in ["percussor", PERCUSSOR_CLASS].iter().filter_map(|n| layout.position(n)) {
            rows.iter_mut().for_each(|x| x[at] = 0.0);
        }
        let lacks = |v: usize| rows.iter().find_map(|x| self.resolved.lacks(v, x));
        let variants = 0..self.telling.len();
        if let Some(at) = variants.clone().find(|v| lacks(*v).is_none()) {
            return Ok(at);
        }
        let lacking = variants.rev().find_map(lacks).map_or("", |at| layout.name(at));
        Err(Error::missing(lacking, format!("the calibration {} needs it", self.calibration().name())))
    }

    /// Doubts about one flake under a variant.
    pub fn cautions(&self, variant: usize, flake: &dyn Measured) -> Vec<Caution> {
        let mut found = Vec::new();
        if let Ok(x) = self.gather(flake, true) {
            self.resolved.outside_ranges(variant, &x, &mut found);
            self.resolved.of_groups(variant, &x, flake, &mut found);
        }
        self.resolved.unlike_experiment(&open(flake, true), &mut found);
        found
    }

    /// Complete input rows of one flake with their weights.
    fn rows(
        &self,
        variant: usize,
        flake: &dyn Measured,
        struck: &Struck,
        frame: &Frame,
    ) -> Result<WeightedRows> {
        let layout = self.calibration().layout();
        let mut x = self.gather(flake, frame.hide_blow)?;
        self.resolved.assume(variant, &mut x, &mut Vec::new());
        for (at, code) in &struck.set {
            x[*at] = *code;
        }
        let (angle, lands) = (layout.position(ANGLE_OF_BLOW), layout.position(LANDS_ON));
        let missing = |at: Option<usize>| at.is_some_and(|at| x[at].is_nan());
        if !missing(angle) && !missing(lands) {
            return Ok(vec![(1.0, x)]);
        }
        let code_of = |name: &str| {
            let levels = lands.and_then(|at| layout.class_at(at)).map(|c| &c.levels);
            levels.and_then(|l| l.iter().position(|n| n == name)).map(|c| c as f64)
        };
        let mut rows = WeightedRows::new();
        // a landing place that is known keeps only the settings that agree with it, where there are any
        let known = lands.filter(|at| !x[*at].is_nan()).map(|at| x[at]);
        let agrees = |p: &BlowSetting| known.is_none() || p.lands_on.and_then(|l| code_of(l.name())) == known;
        let any = frame.settings.iter().any(agrees);
        for p in frame.settings.iter().filter(|p| !any || agrees(p)) {
            let mut row = x.clone();
            if let Some(at) = angle.filter(|at| row[*at].is_nan()) {
                row[at] = p.angle_of_blow_deg.ok_or_else(|| {
                    Error::missing(ANGLE_OF_BLOW, "the calibration needs it, and the settings lack it")
                })?;
            }
            if let Some(at) = lands.filter(|at| row[*at].is_nan()) {
                let code = p.lands_on.and_then(|l| code_of(l.name()));
                row[at] = code.ok_or_else(|| {
                    Error::missing(LANDS_ON, "the calibration needs it, and the settings lack it")
                })?;
            }
            add_row(&mut rows, p.weight, row);
        }
        let total: f64 = rows.iter().map(|r| r.0).sum();
        rows.iter_mut().for_each(|r| r.0 /= total);
        Ok(rows)
    }

    /// The group as the integral takes it, and how many of its terminations are used.
    pub fn group(
        &self,
        variant: usize,
        flakes: &[&dyn Measured],
        struck: &Struck,
        frame: &Frame,
    ) -> Result<(Group, usize)> {
        let (model, ready) = (self.resolved.variant(variant), self.resolved.ready(variant));
        let layout = self.calibration().layout();
        let places: Vec<usize> = frame
            .columns
            .iter()
            .map(|c| {
                let at = model.sizes.iter().position(|m| m.column == *c);
                at.ok_or_else(|| Error::invalid("calibration", format!("a variant lacks {c}")))
            })
            .collect::<Result<_>>()?;
        let sizes = places.len();
        let mut middle: Vec<Vec<f64>> =
            places.iter().map(|k| vec![0.0; ready.sizes[*k].compiled.terms()]).collect();
        let (mut reference, mut carried, mut moved) = (vec![0.0; sizes], vec![0.0; sizes], vec![0.0; sizes]);
        let ends_model = self.terminations(variant).map(|t| &t.model);
        let ends_terms = self.terminations(variant).map_or(0, |t| t.compiled.terms());
        let (mut ends_middle, mut ends_weight) = (vec![0.0; ends_terms], 0.0);
        let mut used = 0;
        let mut designs = DesignRows::default();
        let mut drafts: Vec<(Seen, Vec<Vec<Placed>>)> = Vec::with_capacity(flakes.len());
        for flake in flakes {
            let mut seen = Seen::default();
            for (j, column) in frame.columns.iter().enumerate() {
                let transform = model.sizes[places[j]].form.transform();
                let Some(size) = flake.number(column).filter(|v| transform.apply(*v).is_finite()) else {
                    continue;
                };
                seen.sizes.push(j);
                seen.values.push(transform.apply(size));
                seen.ln_jacobian += transform.ln_jacobian(size);
            }
            if seen.sizes.is_empty() {
                return Err(Error::missing(frame.columns.join(", "), "at least one size is needed"));
            }
            let mut ats = Vec::new();
            let ended = known_termination(*flake);
            let rows = self.rows(variant, *flake, struck, frame)?;
            let mut told = false;
            for (weight, x) in rows {
                for End { share, x, terms: ends, place } in self.by_end(variant, x, ended, frame)? {
                    let middling = weight * share;
                    for k in &places {
                        ready.sizes[*k].compiled.check(&x, layout)?;
                    }
                    let mut placed = |k: &usize| {
                        let at = ready.sizes[*k].at(&x, &mut designs);
                        Placed { row: designs.location.clone(), at }
                    };
                    let here: Vec<Placed> = places.iter().map(&mut placed).collect();
                    for (j, p) in here.iter().enumerate() {
                        carried[j] += middling * p.at.carried;
                        moved[j] += middling * p.at.moved;
                        middle[j].iter_mut().zip(&p.row).for_each(|(m, v)| *m += middling * v);
                        reference[j] += middling * p.at.location;
                    }
                    let mut logits = Vec::new();
                    if let (Some(row), Some(t)) = (&ends, ends_model) {
                        ends_middle.iter_mut().zip(row).for_each(|(m, v)| *m += middling * v);
                        ends_weight += middling;
                        let b = t.fit.coefficients();
                        logits = (0..b.nrows())
                            .map(|k| row.iter().enumerate().map(|(j, v)| v * b[(k, j)]).sum())
                            .collect();
                        told |= ended.is_some();
                    }
                    seen.pieces.push(Piece {
                        ln_weight: weight.ln(),
                        location: Vec::new(),
                        scale: Vec::new(),
                        degrees_of_freedom: f64::INFINITY,
                        ends: logits,
                        ended: place,
                    });
                    ats.push(here);
                }
            }
            used += usize::from(told);
            drafts.push((seen, ats));
        }
        let n = flakes.len() as f64;
        middle.iter_mut().flatten().for_each(|v| *v /= n);
        reference.iter_mut().chain(&mut carried).chain(&mut moved).for_each(|v| *v /= n);
        let common: Vec<f64> = (0..sizes).map(|j| ready.sizes[places[j]].variance(&middle[j])).collect();
        for (seen, ats) in &mut drafts {
            for (piece, ats) in seen.pieces.iter_mut().zip(ats) {
                let mut behind = 0.0;
                for j in &seen.sizes {
                    let at = &ats[*j].at;
                    let own = at.uncertainty - common[*j];
                    let transform = model.sizes[places[*j]].form.transform();
                    // one ratio of percussors for the group: how it runs with depth and angle at another site nobody
                    // knows, and hundreds of flakes would make much of it
                    let middle = at.location - at.moved + moved[*j];
                    let (location, factor) = transform.times(middle, frame.ratios[*j].ln());
                    piece.location.push(location);
                    piece
                        .scale
                        .push(factor * (at.own * at.own + at.shared + at.beyond + own.max(0.0)).sqrt());
                    behind += 1.0 / at.degrees_of_freedom;
                }
                piece.degrees_of_freedom = seen.sizes.len() as f64 / behind;
            }
        }
        let correlation =
            DMatrix::from_fn(sizes, sizes, |a, b| model.residual_correlation[places[a]][places[b]]);
        let ends = if ends_weight > 0.0 { ends_model.map_or(0, |t| t.fit.coefficients().nrows()) } else { 0 };
        let mut shared = DMatrix::zeros(sizes + ends, sizes + ends);
        for a in 0..sizes {
            let m = |j: usize| &model.sizes[places[j]];
            let load = |j: usize| m(j).form.transform().per_ln(reference[j]);
            for b in 0..sizes {
                let site = frame.site.covariance(&m(a).size, &m(b).size, a == b);
                // sizes err together in the coefficients of one experiment as its flakes do
                let known = (common[a] * common[b]).sqrt() + (carried[a] * carried[b]).sqrt();
                shared[(a, b)] = correlation[(a, b)] * known + load(a) * load(b) * site;
            }
        }
        if let Some(t) = ends_model.filter(|_| ends > 0) {
            ends_middle.iter_mut().for_each(|v| *v /= ends_weight);
            let at = t.fit.logits(&ends_middle)?.covariance;
            for a in 0..ends {
                for b in 0..ends {
                    let site = if a == b { frame.site.logit_variance() } else { 0.0 };
                    shared[(sizes + a, sizes + b)] = at[(a, b)] + site;
                }
            }
        }
        let seen = drafts.into_iter().map(|d| d.0).collect();
        let group = Group::new(correlation, ends, shared, seen).ok_or_else(|| {
            Error::invalid("calibration", "its correlations or covariances are not positive definite here")
        })?;
        Ok((group, used))
    }

    /// The terminations that a flake may have.
    fn by_end(&self, variant: usize, x: Vec<f64>, ended: Option<&str>, frame: &Frame) -> Result<Vec<End>> {
        let termination = self.resolved.ready(variant).termination;
        let layout = self.calibration().layout();
        let code = |name: &str| {
            let levels = termination.and_then(|at| layout.class_at(at)).map(|c| &c.levels);
            levels.and_then(|l| l.iter().position(|n| n == name))
        };
        let tells = self.terminations(variant);
        let terms = tells.map(|t| t.compiled.row(&x)).filter(|row| row.iter().all(|v| v.is_finite()));
        let set = |code: Option<usize>| {
            let mut x = x.clone();
            if let (Some(at), Some(c)) = (termination, code) {
                x[at] = c as f64;
            }
            x
        };
        let one = |x: Vec<f64>, terms: Option<Vec<f64>>, place: Option<usize>| {
            vec![End { share: 1.0, x, terms, place }]
        };
        let fit = tells.map(|t| &t.model.fit);
        // known, and either the sizes can be conditioned on it or they do not depend on it
        if let Some(name) = ended
            && (termination.is_none() || code(name).is_some())
        {
            let class = fit.and_then(|f| f.classes().iter().position(|c| c == name));
            return Ok(match class {
                Some(i) if frame.terminations => one(set(code(name)), terms, i.checked_sub(1)),
                _ => one(set(code(name)), None, None),
            });
        }
        match (termination, fit, tells, terms) {
            (Some(_), Some(fit), Some(ends), Some(terms)) => {
                let chances = fit.probabilities(&terms)?;
                let known = ends.codes.iter().zip(chances).enumerate().filter(|(_, (c, _))| c.is_some());
                Ok(known
                    .map(|(i, (c, share))| End {
                        share,
                        x: set(*c),
                        terms: Some(terms.clone()),
                        place: i.checked_sub(1),
                    })
                    .collect())
            }
            (Some(_), ..) => Ok(one(set(Some(0)), None, None)),
            _ => Ok(one(x, None, None)),
        }
    }
}

/// A termination that a flake may have: its share (for the middle of a group only; the piece weighs by its log
/// odds), the complete input row, the terms of the termination model where it is used, and which of its log
/// odds it is.
struct End {
    share: f64,
    x: Vec<f64>,
    terms: Option<Vec<f64>>,
    place: Option<usize>,
}
