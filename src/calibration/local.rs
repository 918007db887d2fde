//! A calibration updated with few flakes of one's own.
//!
//! [`Local`] takes a published calibration, picks the variant whose measurements the local flakes have, takes
//! the flakes one by one and finishes into a calibration of the one size that was measured, and of flakes that were kept of the
//! sizes that decided it too. The local flakes are those of
//! one more group: they tell its effect, whose law before they are seen is
//!
//! ```text
//! of a calibration whose groups share effects     that of the effects of its groups
//! of an experiment                                N(0, t^2 s^2 e e' + k^2 df (V - v e e'))
//! ```
//!
//! with V, s and df the published covariance, spread and degrees of freedom, e the unit vector of the intercept, and v the
//! variance of the expected value at the experiment's own centre (that of the intercept given the slopes): the level moves
//! by t spreads, the slopes turn the line about that centre, of which an experiment then tells as much as 1 / k^2 flakes would.
//!
//! With a spread that has terms of its own, or with Student tails, the update is
//! conditional on what was published of them: row i has the weight
//!
//! ```text
//! w_i = 1 / (sigma(z_i)^2 f_i),   f = d / (d - 2) for tails of d degrees of freedom, 1 for normal ones
//! ```
//!
//! so tails are treated as normal ones of the same variance, and what is updated is the level of the spread:
//! its log constant moves, and the part of its covariance that belongs to the level is replaced. A random intercept of an
//! experiment is not carried over: local flakes of one core move the level as flakes of as many cores would.

mod doubts;

use super::fitting::{Offered, as_struck, commonest_first};
use super::resolved::{DesignRows, Resolved, ResolvedSize, ResolvedSpread, ResolvedTails, canonical_stone};
use super::shared::{EVERYTHING_KEPT, SharedEffect, of_places};
use super::{
    Calibration, Parts, Provenance, Range, Recorded, RecoveryThreshold, SizeModel, Spread, Tails, Variant,
    cholesky,
};
use crate::error::{Error, Place, Result, counted};
use crate::fit::Design;
use crate::fit::kept;
use crate::fit::known_group::{After, Before, learn};
use crate::fit::linear::{self, LinearFit};
use crate::form::{ClassInput, DEPTH, Layout, PERCUSSOR_CLASS, TERMINATION};
use crate::special::sorted_quantile;
use crate::strike::Measured;
use nalgebra::{DMatrix, DVector};
use std::collections::{BTreeMap, BTreeSet};

/// How far flakes of another place may lie from those of an experiment, beyond what its covariance says: standard deviation of
/// the level, in spreads, and of the slopes, in spreads at a platform one standard deviation from the experiment's mean. The level is the expected value at the centre of the experiment, where a change of slopes leaves
/// it alone; the slack of the slopes follows their covariance, so that units do not matter. This crate's choice, no source; judged
/// on 20 quartzite cores started from the flint experiment (`data-sources.md`).
const LEVEL: f64 = 1.0;
const SLOPES: f64 = 0.2;
/// Most degrees of freedom that the published spread counts for: places differ in spread by 0.22 of its logarithm. Between
/// the 25 sites of `excavated-flakes` that is 0.15, between 15 quartzite cores 0.24 (own computation); wider laws and heavy
/// tails foretell these cores worse (`data-sources.md`).
const MOST_DF: f64 = 10.0;

/// Under which the reader of a table tells the number of a row.
pub(crate) const ROW: &str = "number of the row";

/// Takes local flakes and updates a calibration with them.
///
/// ```
/// use conchoid::calibration::{bundled, Local};
/// use conchoid::flake::Flake;
/// use conchoid::strike::Strike;
///
/// let flint = bundled::named("hard-hammer-flint")?;
/// let mut local = Local::new(&flint, "mass_g", |column| ["platform_depth_mm", "exterior_platform_angle_deg", "mass_g"].contains(&column))?;
/// for (depth, angle, mass) in [(4.0, 70.0, 9.1), (6.0, 80.0, 31.0), (9.0, 65.0, 45.0)] {
///     let strike = Strike::builder().platform_depth_mm(depth).exterior_platform_angle_deg(angle).build()?;
///     local.offer(&Flake::builder().strike(strike).mass_g(mass).build()?);
/// }
/// let (mine, _) = local.finish("field school", "example")?;
/// assert_eq!((mine.name(), mine.variants()[0].name.as_str()), ("field school", "depth, angle"));
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Local {
    start: Resolved,
    variant: usize,
    size: usize,
    column: String,
    keep_incomplete: bool,
    /// What was kept, and the places of the sizes that are then learned from together, those that decide first.
    kept: Option<(RecoveryThreshold, Vec<usize>)>,
    inputs: Vec<Vec<f64>>,
    responses: Vec<f64>,
    /// The sizes learned from together, transformed, flake by flake, and whether each was kept of many.
    together: Vec<f64>,
    held: Vec<bool>,
    percussors: BTreeMap<String, u64>,
    stones: BTreeMap<String, u64>,
    /// The rows of the flakes; their places among those offered where they are of no table, and what that is called.
    rows: Vec<u64>,
    of_rows: &'static str,
    /// Names of the groups of the outer shared effect.
    groups: BTreeSet<String>,
    offered: Offered,
}

/// What became of the local flakes, and how the answer moved; read through [`Updated`](crate::predict::Updated).
#[derive(Debug, Clone, PartialEq)]
pub struct LocalReport {
    /// Flakes used.
    pub(crate) used: u64,
    /// Reasons for leaving flakes out, with their counts.
    pub(crate) left_out: Vec<(String, u64)>,
    /// The place of the size that was updated among those of the variant.
    pub(crate) size: usize,
    /// Coefficients of the fit to the local flakes alone, where they are enough for it.
    pub(crate) own_coefficients: Option<Vec<f64>>,
    /// Its spread, on the scale of the form.
    pub(crate) own_spread: Option<f64>,
    /// What speaks against the update or limits it, each a sentence.
    pub(crate) cautions: Vec<String>,
    /// The published model as a calibration of its own: one variant with the sizes that the updated one has. Where it
    /// shares effects, the local flakes were taken as one more of its groups (a site), not as flakes that may lie off an
    /// experiment.
    pub(crate) before: Calibration,
    /// The updated one.
    pub(crate) after: Calibration,
    /// A shallow, a middling and a deep platform of the local flakes; only the middling one where all have
    /// the same.
    pub(crate) platforms: Vec<TypicalPlatform>,
}

/// A platform such as the local flakes have.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct TypicalPlatform {
    /// `shallow`, `middling` or `deep`.
    pub(crate) name: &'static str,
    /// The measurements: depth (or the first that the form reads) at the 0.1, 0.5 or 0.9 quantile of the
    /// local flakes, the others at their median.
    pub(crate) numbers: Vec<(String, f64)>,
    /// The classes, each with its commonest level among the local flakes.
    pub(crate) classes: Vec<(String, String)>,
}

impl Measured for TypicalPlatform {
    fn number(&self, name: &str) -> Option<f64> {
        self.numbers.iter().find(|(n, _)| n == name).map(|(_, v)| *v)
    }
    fn class(&self, name: &str) -> Option<&str> {
        self.classes.iter().find(|(n, _)| n == name).map(|(_, l)| l.as_str())
    }
}

impl Local {
    /// Starts from a calibration. `response` is the size, or the column it means in the calibration's table;
    /// `has` tells whether the local flakes record a column. The variant is the first whose measurements
    /// they have all, settings of the blow included.
    ///
    /// # Errors
    /// [`Error::UnknownName`] when no variant has the size; [`Error::Missing`] when the flakes lack what
    /// every variant needs, or the size itself.
    pub fn new(start: &Calibration, response: &str, has: impl Fn(&str) -> bool) -> Result<Local> {
        let sized: Vec<(usize, usize)> = start
            .variants()
            .iter()
            .enumerate()
            .filter_map(|(v, variant)| {
                variant.sizes.iter().position(|m| m.size == response || m.column == response).map(|s| (v, s))
            })
            .collect();
        if sized.is_empty() {
            let mut known: Vec<&str> =
                start.variants().iter().flat_map(|v| v.sizes.iter().map(|m| m.size.as_str())).collect();
            known.dedup();
            return Err(Error::unknown_name("response", response, known));
        }
        if !has(response) {
            return Err(Error::missing(response, "the size that the calibration is to be updated for"));
        }
        let needs = |(v, s): (usize, usize)| needs(start, &start.variants()[v].sizes[s]);
        let recorded = |n: &String| has(n) || (n == PERCUSSOR_CLASS && has("percussor"));
        let fits = |at: &&(usize, usize)| needs(**at).iter().all(recorded);
        // how a flake ended is rather told than asked
        let plain = |at: &&(usize, usize)| !needs(**at).iter().any(|n| n == TERMINATION);
        let found = sized.iter().filter(plain).find(fits).or_else(|| sized.iter().find(fits));
        let Some(&(variant, size)) = found else {
            let sets: Vec<String> = sized.iter().map(|at| needs(*at).join(", ")).collect();
            let least =
                sized.iter().rev().min_by_key(|at| needs(**at).iter().filter(|n| !recorded(n)).count());
            let lacking = least
                .and_then(|at| needs(*at).into_iter().find(|n| !recorded(n)))
                .unwrap_or_else(|| response.to_string());
            return Err(Error::missing(
                lacking,
                format!("updating {} needs {}", start.name(), sets.join("; or ")),
            ));
        };
        Ok(Local {
            start: Resolved::new(start.clone())?,
            variant,
            size,
            column: response.to_string(),
            keep_incomplete: false,
            kept: None,
            inputs: Vec::new(),
            responses: Vec::new(),
            together: Vec::new(),
            held: Vec::new(),
            percussors: BTreeMap::new(),
            stones: BTreeMap::new(),
            rows: Vec::new(),
            of_rows: "flake",
            groups: BTreeSet::new(),
            offered: Offered::default(),
        })
    }

    /// With local flakes of which an excavator or a mesh kept only these: they teach given that each was kept, by the joint
    /// law of the sizes that decide it and the one updated. The calibration then tells all of these, of what came off;
    /// asked with the threshold ([`Ask::kept`](crate::predict::Ask::kept)), of what is kept.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a calibration whose groups share no effects (an experiment), or where the sizes that decide are
    /// not told by the same terms.
    pub fn given_kept(mut self, kept: RecoveryThreshold) -> Result<Local> {
        let (start, m) = (self.start.calibration(), self.published());
        let wrong = |reason: String| Err(Error::invalid("kept", reason));
        if !as_of_groups(m) {
            return wrong(format!(
                "flakes that were kept update a calibration of sites, such as excavated-flakes; {} is none",
                start.name()
            ));
        }
        let variant = self.start.variant(self.variant);
        let mut places = Vec::new();
        for size in &kept.greatest_of {
            match variant.sizes.iter().position(|o| o.size == *size) {
                Some(at)
                    if variant.sizes[at].form.terms() == m.form.terms()
                        && as_of_groups(&variant.sizes[at]) =>
                {
                    places.push(at);
                }
                _ => {
                    return wrong(format!(
                        "{} does not tell {size} by the terms of {}",
                        start.name(),
                        m.size
                    ));
                }
            }
        }
        if !places.contains(&self.size) {
            places.push(self.size);
        }
        self.kept = Some((kept, places));
        Ok(self)
    }

    /// Use incomplete and retouched pieces too.
    pub fn keep_incomplete(mut self, keep: bool) -> Local {
        self.keep_incomplete = keep;
        self
    }

    /// The columns that are read, the size last.
    pub fn needs(&self) -> Vec<String> {
        let mut names = needs(self.start.calibration(), self.published());
        names.push(self.column.clone());
        names
    }

    fn published(&self) -> &SizeModel {
        &self.start.variant(self.variant).sizes[self.size]
    }

    /// The published model made ready.
    fn ready(&self) -> &ResolvedSize {
        &self.start.ready(self.variant).sizes[self.size]
    }

    /// Offers one flake. It is used, or left out and counted under the reason, which is given back.
    pub fn offer(&mut self, flake: &impl Measured) -> Option<String> {
        let taken = self.take(flake);
        self.offered.count(taken)
    }

    /// Counts a flake that could not be offered at all, such as a row of a table that was refused.
    pub fn leave_out(&mut self, reason: impl Into<String>) {
        self.offered.count(Err(reason.into()));
    }

    fn take(&mut self, flake: &impl Measured) -> std::result::Result<(), String> {
        as_struck(flake, self.keep_incomplete)?;
        let plain = |e: Error| match e {
            Error::Missing { at, .. } => format!("{} not recorded", at.column.unwrap_or_default()),
            e => e.to_string(),
        };
        let layout = self.start.calibration().layout();
        let mut told = Vec::new();
        let mut x = self.start.gather(flake, flake.class(TERMINATION), &mut told).map_err(plain)?;
        self.start.assume(self.variant, &mut x, &mut told);
        self.ready().compiled.check(&x, layout).map_err(plain)?;
        let size = flake.number(&self.column).ok_or_else(|| format!("{} not recorded", self.column))?;
        let response = self.published().form.transform().apply(size);
        if !response.is_finite() {
            return Err(format!("{} is not above 0", self.column));
        }
        if let Some(group) = self.published().shared.first().and_then(|e| flake.class(&e.by)) {
            let group = group.to_string();
            self.groups.insert(group);
        }
        for (class, counts) in [("percussor", &mut self.percussors), ("stone", &mut self.stones)] {
            if let Some(name) = flake.class(class) {
                let name = name.to_lowercase();
                let name = if class == "stone" { canonical_stone(&name) } else { name };
                *counts.entry(name).or_default() += 1;
            }
        }
        let row = flake.number(ROW);
        self.of_rows = if row.is_some() { "row" } else { "flake" };
        self.rows.push(row.map_or(self.offered.flakes + 1, |row| row as u64));
        if let Some((_, places)) = &self.kept {
            let all = flake.class(EVERYTHING_KEPT) == Some("yes");
            for at in places {
                let m = &self.start.variant(self.variant).sizes[*at];
                let size = if *at == self.size { Some(size) } else { flake.number(&m.column) };
                self.together
                    .push(size.filter(|v| *v > 0.0).map_or(f64::NAN, |v| m.form.transform().apply(v)));
            }
            self.held.push(!all);
        }
        self.inputs.push(x);
        self.responses.push(response);
        Ok(())
    }

    /// Updates the calibration. `command` goes into the provenance.
    ///
    /// # Errors
    /// [`Error::TooFew`] without a single flake; [`Error::Calibration`] for an empty name.
    pub fn finish(self, name: &str, command: &str) -> Result<(Calibration, LocalReport)> {
        let n = self.responses.len();
        if n == 0 {
            return Err(self.offered.none_used("local flakes that can be used", 1));
        }
        let published = self.published().clone();
        let design = self.design(&published)?;
        let weights = self.weights();
        let weights = weights.as_deref();
        let sizes = self.updated(&design, weights)?;
        let own = linear::fit(&design, &self.responses, weights).ok();
        let before: Vec<(usize, SizeModel)> =
            sizes.iter().map(|(at, _)| (*at, self.start.variant(self.variant).sizes[*at].clone())).collect();
        let size = sizes.iter().position(|(at, _)| *at == self.size).unwrap_or_default();
        let against = self.against(&sizes[size].1)?;
        let mut parts = self.parts(name, command, sizes);
        let cautions = against.iter().cloned().chain(self.limits()).collect();
        self.takes_over(&mut parts, against);
        let calibration = Calibration::new(parts)?;
        let mut parts = self.parts(self.start.calibration().name(), command, before);
        parts.provenance = self.start.calibration().provenance().clone();
        let platforms = self.platforms(&published);
        let before = Calibration::new(parts)?;
        let report = LocalReport {
            used: n as u64,
            left_out: commonest_first(self.offered.left_out),
            size,
            own_coefficients: own.as_ref().map(|f| f.coefficients().to_vec()),
            own_spread: own.as_ref().map(LinearFit::spread),
            cautions,
            before,
            after: calibration.clone(),
            platforms,
        };
        Ok((calibration, report))
    }

    /// The law of one more group: the local flakes tell its effect, and its spread may differ from the published within bounds.
    /// Of flakes that were kept they tell the sizes that decide it too. In the order of the variant, with their places.
    fn updated(&self, design: &Design, weights: Option<&[f64]>) -> Result<Vec<(usize, SizeModel)>> {
        let mut learned: Vec<(usize, After)> = match &self.kept {
            None => {
                let before = before_of(self.published(), self.typical_spread(weights))?;
                vec![(self.size, learn(&before, design, &self.responses, weights)?)]
            }
            Some((kept, places)) => {
                places.iter().copied().zip(self.learn_kept(kept, places, design)?).collect()
            }
        };
        learned.sort_by_key(|(at, _)| *at);
        learned.iter().map(|(at, after)| Ok((*at, self.model(*at, after, design, weights)?))).collect()
    }

    /// The spread of a local flake over that of a flake of weight 1.
    fn typical_spread(&self, weights: Option<&[f64]>) -> f64 {
        let ln: f64 = weights.map_or(0.0, |w| w.iter().map(|w| -0.5 * w.ln()).sum());
        (ln / self.responses.len() as f64).exp()
    }

    /// What was recorded of a size, transformed, flake by flake; not a number where it was not.
    fn recorded(&self, at: usize) -> Vec<f64> {
        match &self.kept {
            Some((_, places)) if at != self.size => {
                let of = places.iter().position(|p| *p == at).unwrap_or_default();
                self.together.iter().skip(of).step_by(places.len()).copied().collect()
            }
            _ => self.responses.clone(),
        }
    }

    /// The updated model of a size.
    fn model(&self, at: usize, after: &After, design: &Design, weights: Option<&[f64]>) -> Result<SizeModel> {
        let published = &self.start.variant(self.variant).sizes[at];
        let transform = published.form.transform();
        let published_coefficients = DVector::from_column_slice(&published.coefficients);
        let w = |i: usize| weights.map_or(1.0, |w| w[i]);
        let spread = after.ln_spread.exp();
        let mut largest_leverage = self.leverage_of_the_experiment(published, spread)?;
        let (mut squares, mut n, mut recorded) = (0.0, 0, published.recorded);
        for (i, (x, y)) in design.matrix().row_iter().zip(self.recorded(at)).enumerate() {
            let x = x.transpose();
            let leverage = w(i) * x.dot(&(&after.covariance * &x)) / (spread * spread);
            largest_leverage = largest_leverage.max(leverage);
            if y.is_finite() {
                n += 1;
                // foretold from the others (exact at a known spread), one that stands nearly alone from what was published
                let off = if leverage < 0.5 {
                    (y - x.dot(&after.coefficients)) / (1.0 - leverage)
                } else {
                    y - x.dot(&published_coefficients)
                };
                squares += off * off;
                let v = transform.invert(y);
                recorded = recorded.map(|r| Recorded { low: r.low.min(v), high: r.high.max(v) });
            }
        }
        Ok(SizeModel {
            column: if at == self.size { self.column.clone() } else { published.column.clone() },
            coefficients: after.coefficients.iter().copied().collect(),
            covariance: after.covariance.row_iter().map(|r| r.iter().copied().collect()).collect(),
            spread: moved(&published.spread, after)?,
            flakes: published.flakes + n,
            left_out_error: if n > 0 { (squares / n as f64).sqrt() } else { published.left_out_error },
            largest_leverage,
            recorded,
            shared: Vec::new(),
            variance_covariance: Vec::new(),
            kept: self.kept.as_ref().map(|(kept, _)| kept.clone()),
            distance: None,
            ..published.clone()
        })
    }

    /// The largest leverage of platforms like those of the experiment after as many local flakes at this spread: the level is
    /// known at least as well as by these alone, and the slopes by these beside what is taken of the experiment.
    fn leverage_of_the_experiment(&self, published: &SizeModel, spread: f64) -> Result<f64> {
        let (before, n) = (before_of(published, 1.0)?, self.responses.len() as f64);
        let slack = slack_of_slopes(published)?;
        let heavy = before.degrees_of_freedom.map_or(1.0, |d| d / (d - 2.0));
        let level = before.normal[(0, 0)] - slack * before.covariance[(0, 0)];
        let level = (level + heavy * before.heavy[(0, 0)]).max(0.0);
        let (squared, told) = (spread * spread, 1.0 / (SLOPES * SLOPES));
        let slopes = (1.0 + slack * told / (told + n)) * published.largest_leverage;
        Ok(slopes * before.spread.powi(2) / squared + (level / squared).min(1.0 / n))
    }

    /// What flakes that were kept tell, by the law of the sizes that decide it and the response together.
    fn learn_kept(&self, kept: &RecoveryThreshold, places: &[usize], design: &Design) -> Result<Vec<After>> {
        let variant = self.start.variant(self.variant);
        let models: Vec<&SizeModel> = places.iter().map(|at| &variant.sizes[*at]).collect();
        let (p, k) = (models[0].coefficients.len(), models.len());
        let size = places.iter().position(|at| *at == self.size).unwrap_or(k - 1);
        let own: Vec<Before> = models.iter().map(|m| before_of(m, 1.0)).collect::<Result<_>>()?;
        let residual = |i: usize, j: usize| variant.residual_correlation[places[i]][places[j]];
        // effects hang together as those of the outer groups do, errors of coefficients as the flakes
        let shared = |i: usize, j: usize| {
            let of = variant.shared_correlation.first().map(|c| c.correlation[places[i]][places[j]]);
            of.unwrap_or(f64::from(u8::from(i == j)))
        };
        let joined = |part: &dyn Fn(&Before) -> &DMatrix<f64>, correlation: &dyn Fn(usize, usize) -> f64| {
            let roots: Vec<DMatrix<f64>> = own.iter().map(|o| root_of(part(o))).collect();
            let mut out = DMatrix::zeros(p * k, p * k);
            for i in 0..k {
                for j in 0..k {
                    let block = &roots[i] * roots[j].transpose() * correlation(i, j);
                    (0..p).for_each(|a| (0..p).for_each(|b| out[(a * k + i, b * k + j)] = block[(a, b)]));
                }
            }
            out
        };
        let before = kept::Before {
            coefficients: DMatrix::from_fn(p, k, |a, j| models[j].coefficients[a]),
            covariance: joined(&|o| &o.covariance, &residual),
            heavy: joined(&|o| &o.heavy, &shared),
            degrees_of_freedom: own[0].degrees_of_freedom,
            normal: joined(&|o| &o.normal, &shared),
            within: DMatrix::from_fn(k, k, |i, j| residual(i, j) * own[i].spread * own[j].spread),
            ln_spread_sd: own[size].ln_spread_sd,
        };
        let n = self.responses.len();
        let flakes = kept::Flakes {
            terms: p,
            sizes: k,
            x: design.matrix().row_iter().flat_map(|r| r.iter().copied().collect::<Vec<_>>()).collect(),
            y: self.together.clone(),
            between: vec![None; n],
            held: self.held.clone(),
            ..kept::Flakes::default()
        };
        let threshold = kept::Threshold {
            sizes: (0..kept.greatest_of.len()).collect(),
            least: models[0].form.transform().apply(kept.at_least),
        };
        let below = |i: usize| threshold.sizes.iter().all(|j| flakes.y[i * k + j] < threshold.least);
        if (0..n).any(|i| self.held[i] && below(i)) {
            return Err(Error::Invalid {
                at: Place::column(kept.greatest_of.join(" and ")),
                reason: format!("a local flake is below {}, from which flakes were kept", kept.at_least),
            });
        }
        kept::learn(&before, &flakes, &threshold)
    }

    fn design(&self, m: &SizeModel) -> Result<Design> {
        let rows: Vec<Vec<f64>> = self
            .inputs
            .iter()
            .map(|x| {
                let mut row = vec![0.0; self.ready().compiled.terms()];
                self.ready().compiled.fill(x, &mut row);
                row
            })
            .collect();
        Design::from_rows(m.form.term_names(), &rows)
    }

    /// Weights of the rows where the published spread or its tails are not the same everywhere.
    fn weights(&self) -> Option<Vec<f64>> {
        let ready = self.ready();
        if matches!(
            (&ready.spread, &ready.tails),
            (ResolvedSpread::Constant(..), ResolvedTails::Same(f64::INFINITY))
        ) {
            return None;
        }
        let mut rows = DesignRows::default();
        let weight = |x: &Vec<f64>| {
            let spread = match ready.spread {
                ResolvedSpread::Constant(..) => 1.0,
                ResolvedSpread::Modelled(..) => ready.at(x, &mut rows).own,
            };
            // variance of the tails over that of a normal of the same scale
            let df = ready.tails.at(|place| x[place]);
            let tails = if df.is_infinite() { 1.0 } else { df / (df - 2.0) };
            1.0 / (spread * spread * tails)
        };
        Some(self.inputs.iter().map(weight).collect())
    }

    /// What a calibration of some sizes of the variant, by their places, is made of.
    fn parts(&self, name: &str, command: &str, sizes: Vec<(usize, SizeModel)>) -> Parts {
        let mut parts = self.start.calibration().clone().into_parts();
        let n = self.responses.len();
        let flakes = if n == 1 { "flake" } else { "flakes" };
        let (from, before_flakes) = (parts.name.clone(), self.published().flakes);
        let flakes_before = counted(before_flakes, "flake", "flakes");
        let before = &parts.provenance;
        parts.provenance = Provenance::new(
            &format!(
                "{from} ({flakes_before}: {}), updated with {n} local {flakes}{}",
                before.summary,
                self.of_what()
            ),
            &format!("the user's own records; {from}: {}", before.citation),
            &format!("the user's own; {from}: {}", before.licence),
            command,
        );
        parts.name = name.to_string();
        let mut variant = parts.variants.swap_remove(self.variant);
        let (places, sizes): (Vec<usize>, Vec<SizeModel>) = sizes.into_iter().unzip();
        let read = Layout::of(sizes.iter().map(|m| &m.form)).numbers;
        variant.ranges.retain(|r| read.contains(&r.name));
        variant.ranges.iter_mut().for_each(|r| self.widen(&parts.layout, r));
        parts.variants = vec![Variant {
            joint_flakes: sizes.iter().map(|m| m.flakes).min().unwrap_or(0),
            residual_correlation: of_places(&variant.residual_correlation, &places),
            shared_correlation: match sizes.iter().any(|m| m.shared.is_empty()) {
                true => Vec::new(),
                false => variant.shared_correlation.iter().map(|c| c.of_places(&places)).collect(),
            },
            sizes,
            box_density_g_cm3: None,
            ..variant
        }];
        parts
    }

    fn widen(&self, layout: &Layout, r: &mut Range) {
        let Some(at) = layout.position(&r.name) else { return };
        for x in &self.inputs {
            r.low = r.low.min(x[at]);
            r.high = r.high.max(x[at]);
        }
    }

    /// Three platforms of the local flakes.
    fn platforms(&self, published: &SizeModel) -> Vec<TypicalPlatform> {
        let layout = self.start.calibration().layout();
        let mine = Layout::of([&published.form]);
        let Some(first) = mine.numbers.iter().find(|n| *n == DEPTH).or(mine.numbers.first()) else {
            return Vec::new();
        };
        let mut out: Vec<TypicalPlatform> = Vec::new();
        for (name, p) in [("shallow", 0.1), ("middling", 0.5), ("deep", 0.9)] {
            let typical = |name: &str, p: f64| {
                layout
                    .position(name)
                    .map_or(f64::NAN, |at| self.typical(at, layout.class_at(at).is_some(), p))
            };
            let numbers: Vec<(String, f64)> = mine
                .numbers
                .iter()
                .map(|n| (n.clone(), typical(n, if n == first { p } else { 0.5 })))
                .collect();
            let level = |c: &ClassInput| {
                let known = &layout.class_at(layout.position(&c.name)?)?.levels;
                known.get(typical(&c.name, 0.5) as usize).map(|l| (c.name.clone(), l.clone()))
            };
            let classes = mine.classes.iter().filter_map(level).collect();
            out.push(TypicalPlatform { name, numbers, classes });
        }
        // one flake has one platform
        if out.first().map(|p| &p.numbers) == out.last().map(|p| &p.numbers) {
            out.retain(|p| p.name == "middling");
        }
        out
    }

    /// The quantile of a measurement among the local flakes, or the commonest level of a class.
    fn typical(&self, at: usize, class: bool, p: f64) -> f64 {
        let mut values: Vec<f64> = self.inputs.iter().map(|x| x[at]).filter(|v| !v.is_nan()).collect();
        values.sort_by(f64::total_cmp);
        if values.is_empty() {
            return f64::NAN;
        }
        if class {
            let count = |v: f64| values.iter().filter(|o| **o == v).count();
            return values.iter().copied().max_by_key(|v| count(*v)).unwrap_or(f64::NAN);
        }
        sorted_quantile(&values, p)
    }
}

/// Whether a size's law is one whose groups' effects local flakes can tell.
fn as_of_groups(m: &SizeModel) -> bool {
    let plain = matches!((&m.spread, &m.tails), (Spread::Constant { .. }, Tails::Normal));
    plain && !shared(m).is_empty()
}

/// The effects that one more group has in common with those of a size; an intercept carries them.
fn shared(m: &SizeModel) -> &[SharedEffect] {
    if m.form.intercept() { &m.shared } else { &[] }
}

/// What a size model says of one more group before its flakes are seen; `typical` is the spread of a local flake over that of
/// a flake of weight 1.
fn before_of(m: &SizeModel, typical: f64) -> Result<Before> {
    let p = m.coefficients.len();
    let covariance = DMatrix::from_fn(p, p, |i, j| m.covariance[i][j]);
    let (mut heavy, mut normal) = (DMatrix::zeros(p, p), DMatrix::zeros(p, p));
    let (spread, degrees_of_freedom) = spread_of(m)?;
    let mut ln_spread = 0.5 / degrees_of_freedom.min(MOST_DF);
    let mut tails = None;
    if shared(m).is_empty() {
        let slack = slack_of_slopes(m)?;
        normal = &covariance * slack;
        if m.form.intercept() {
            let level = level_variance(&m.size, &m.covariance)?;
            normal[(0, 0)] += (LEVEL * spread * typical).powi(2) - slack * level;
        }
    }
    for e in shared(m) {
        let places: Vec<usize> = std::iter::once(0).chain(e.terms.iter().map(|t| t + 1)).collect();
        // one effect may have heavy tails: the first that does; a t of d degrees of freedom and scale S has the
        // covariance S d / (d - 2)
        let scale = match (tails, e.degrees_of_freedom) {
            (None, Some(d)) => {
                tails = Some(d);
                Some((d - 2.0) / d)
            }
            _ => None,
        };
        let into = if scale.is_some() { &mut heavy } else { &mut normal };
        for (a, i) in places.iter().enumerate() {
            for (b, j) in places.iter().enumerate() {
                into[(*i, *j)] += scale.unwrap_or(1.0) * e.covariance[a][b];
            }
        }
        ln_spread += e.ln_spread_sd.powi(2);
    }
    Ok(Before {
        coefficients: DVector::from_column_slice(&m.coefficients),
        covariance,
        heavy,
        degrees_of_freedom: tails,
        normal,
        spread,
        ln_spread_sd: ln_spread.sqrt(),
    })
}

/// The spread as published and its degrees of freedom. Where it has terms, rows are weighted by it: what is left to know is a
/// common factor, 1 as published.
fn spread_of(m: &SizeModel) -> Result<(f64, f64)> {
    match &m.spread {
        Spread::Constant { value, degrees_of_freedom } => Ok((*value, *degrees_of_freedom)),
        Spread::Modelled { covariance, .. } => Ok((1.0, 0.5 / level_variance(&m.size, covariance)?)),
    }
}

/// By how many times their covariance the slopes of another place may differ: those of an experiment alone.
fn slack_of_slopes(m: &SizeModel) -> Result<f64> {
    if shared(m).is_empty() { Ok(SLOPES * SLOPES * spread_of(m)?.1) } else { Ok(0.0) }
}

/// A root of a covariance that may be singular, as that of an effect on the intercept alone.
fn root_of(m: &DMatrix<f64>) -> DMatrix<f64> {
    let eigen = m.clone().symmetric_eigen();
    let scale = eigen.eigenvalues.map(|v| v.max(0.0).sqrt());
    &eigen.eigenvectors * DMatrix::from_diagonal(&scale) * eigen.eigenvectors.transpose()
}

/// What a size model reads and a local flake must record.
fn needs(calibration: &Calibration, m: &SizeModel) -> Vec<String> {
    let assumed = |n: &String| calibration.assumptions().iter().any(|a| a.class == *n);
    m.form.needs().into_iter().filter(|n| !assumed(n)).collect()
}

/// Variance of the first of some coefficients given the others: that of the level at their own centre.
fn level_variance(field: &str, covariance: &[Vec<f64>]) -> Result<f64> {
    let order: Vec<usize> = (1..covariance.len()).chain([0]).collect();
    let at = |i: usize, j: usize| covariance[order[i]].get(order[j]).copied().unwrap_or(f64::NAN);
    let turned: Vec<Vec<f64>> =
        (0..order.len()).map(|i| (0..order.len()).map(|j| at(i, j)).collect()).collect();
    let l = cholesky(field, &turned, order.len())?;
    Ok(l[(order.len() - 1, order.len() - 1)].powi(2))
}

/// The spread after the update; a log spread known with variance v stands for 1 / (2 v) degrees of freedom.
fn moved(published: &Spread, after: &After) -> Result<Spread> {
    let variance = after.ln_spread_sd.powi(2);
    match published {
        Spread::Constant { .. } => {
            Ok(Spread::Constant { value: after.ln_spread.exp(), degrees_of_freedom: 0.5 / variance })
        }
        Spread::Modelled { coefficients, covariance } => {
            let (mut coefficients, mut covariance) = (coefficients.clone(), covariance.clone());
            coefficients[0] += after.ln_spread;
            covariance[0][0] += variance - level_variance("spread", &covariance)?;
            Ok(Spread::Modelled { coefficients, covariance })
        }
    }
}
