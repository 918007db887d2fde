//! The experiment as it is asked for, and the plan of it: form, reach, percussors, flakes one has, spread, cores.

use super::answer::{AgainstGrid, Existing, Outlook, Plan, SpreadTaken, Target};
use super::candidates::{Candidates, Factor, Limit, Setting, WithinTolerance};
use super::continuous::continuous_optimum;
use super::exchange::{Chosen, Exchange, choose};
use super::information::{Information, undetermined};
use super::outlook::{Aim, expected_width};
use super::power::{Allocation, Cores, power};
use crate::calibration::resolved::Resolved;
use crate::calibration::{Calibration, SizeModel, Spread, bundled, known_size};
use crate::error::{Error, Place, Result};
use crate::fit::Design;
use crate::form::{self, Form, Transform, indicator, value};
use crate::material::PercussorMaterial;
use crate::page::percent;
use crate::predict::{LEVEL, USUAL_LEVEL, in_words};
use crate::strike::{
    ANGLE_OF_BLOW_DEG, EXTERIOR_PLATFORM_ANGLE_DEG, Measured, PLATFORM_AREA_MM2, PLATFORM_DEPTH_MM,
};
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use std::collections::HashMap;

/// Random starts for the plan itself, and for each point of the curve. This crate's choice, no source.
pub(super) const STARTS: (usize, usize) = (20, 4);

/// Numbers of flakes of the curve.
const CURVE: [usize; 8] = [6, 8, 12, 16, 24, 36, 48, 72];

/// Plans struck within tolerance, to see what is kept; fewer, down to the second number, where that would strike more
/// flakes than the third, whose misses average out. This crate's choice, no source.
const DRAWS: (usize, usize, usize) = (200, 20, 2_000_000);

/// The chance of seeing a difference where there is none.
const ALPHA: f64 = 0.05;

/// What is set in steps: its name, the step, which is how near a practised knapper strikes too (common practice, no
/// source), and the reach taken where none is told.
const SETTABLE: [(&str, f64, (f64, f64)); 4] = [
    (form::DEPTH, 1.0, (4.0, 12.0)),
    (form::ANGLE, 5.0, (60.0, 85.0)),
    (form::AREA, 20.0, (20.0, 300.0)),
    (form::ANGLE_OF_BLOW, 5.0, (0.0, 30.0)),
];

/// Refuses a reach that falls, and ends that no platform or blow can have.
fn check_reach(column: &str, low: f64, high: f64) -> Result<()> {
    if !(low <= high) {
        return Err(Error::invalid(column, "from low to high"));
    }
    [low, high].iter().try_for_each(|v| check(column, *v))
}

/// Refuses what no platform or blow can be.
fn check(column: &str, v: f64) -> Result<()> {
    match column {
        form::DEPTH => PLATFORM_DEPTH_MM.check(v),
        form::ANGLE => EXTERIOR_PLATFORM_ANGLE_DEG.check(v),
        form::AREA => PLATFORM_AREA_MM2.check(v),
        form::ANGLE_OF_BLOW => ANGLE_OF_BLOW_DEG.check(v),
        _ => return Ok(()),
    }
    .map(drop)
}

/// The spread, as it was told.
#[derive(Debug, Clone)]
struct SpreadTold {
    value: f64,
    from: String,
    /// Of flakes of one core, and between cores, where a calibration knows them.
    within: Option<f64>,
    between: Option<f64>,
}

/// An experiment to be planned: what can be struck, and what it is to tell.
///
/// | told by | what | where it is not told |
/// |---|---|---|
/// | [`new`](Experiment::new) | form, size, number of flakes to be struck (1 to 100,000) | |
/// | [`spread`](Experiment::spread), [`spread_of`](Experiment::spread_of) | what flakes vary by, on the scale of the form | an error |
/// | [`reach`](Experiment::reach) | from where to where a measurement can be set | depth 4 to 12 mm, angle 60 to 85 degrees, area 20 to 300 mm2 |
/// | [`percussors`](Experiment::percussors) | what strikes; each after the first adds a term | not asked about |
/// | [`reach_of`](Experiment::reach_of) | where one percussor reaches less far | as all |
/// | [`offer`](Experiment::offer), [`leave_out`](Experiment::leave_out) | flakes one has | none |
/// | [`at`](Experiment::at) | platforms at which intervals are judged | all settings within reach |
/// | [`stone`](Experiment::stone) | what is flaked | any |
/// | [`predictions`](Experiment::predictions) | intervals there are made narrow (I-optimal) | coefficients are made certain (D-optimal) |
/// | [`cores`](Experiment::cores), [`between_cores`](Experiment::between_cores), [`one_percussor_a_core`](Experiment::one_percussor_a_core) | cores that differ | flakes count as independent |
/// | [`difference`](Experiment::difference) | the ratio of sizes between percussors that is to be seen | no power is told |
/// | [`level`](Experiment::level) | probability inside the intervals | 0.95 |
///
/// Depth is set in steps of 1 mm, angles in steps of 5 degrees, area in steps of 20 mm2, in at least four steps however
/// narrow the reach, and a knapper is taken to strike that near; any other measurement in ten steps, and exactly.
///
/// ```
/// use conchoid::form::Form;
/// use conchoid::plan::Experiment;
///
/// // 24 flakes, quartzite against antler: is one 1.5 times as heavy, at a spread of 0.45 of ln mass?
/// let plan = Experiment::new(Form::named("log-log")?, "mass_g", 24)
///     .percussors(&["quartzite", "antler"])?
///     .reach("exterior_platform_angle_deg", 60.0, 90.0)?
///     .spread(0.45, "of last year's flakes")?
///     .difference(1.5)?
///     .plan(1)?;
/// assert_eq!(plan.flakes.len(), 24);
/// let planned = plan.curve.iter().find(|c| c.flakes == 24).unwrap();
/// assert!(planned.power.unwrap() > 0.5 && planned.power.unwrap() < 0.6);
/// let by_antler = |t: &conchoid::plan::Target| t.percussor.as_deref() == Some("antler");
/// assert!(plan.flakes[..12].iter().any(by_antler) && plan.flakes[12..].iter().any(by_antler));
///
/// // a depth that does not vary teaches nothing of depth
/// let flat = Experiment::new(Form::named("log-log")?, "mass_g", 24).reach("platform_depth_mm", 8.0, 8.0)?;
/// assert!(flat.spread(0.45, "given")?.plan(1).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Experiment {
    form: Form,
    response: String,
    flakes: usize,
    reach: Vec<(String, f64, f64)>,
    limits: Vec<Limit>,
    percussors: Vec<String>,
    at: Vec<(String, Setting)>,
    predictions: bool,
    existing: Option<(Vec<Setting>, u64)>,
    spread: Option<SpreadTold>,
    stone: Option<String>,
    /// Whose flakes the platforms are held against; without one, those of the experiment for the stone.
    calibration: Option<Calibration>,
    between: Option<f64>,
    flakes_per_core: Option<usize>,
    allocation: Allocation,
    difference: Option<f64>,
    level: f64,
}

impl Experiment {
    /// So many flakes, to fit a size (`mass_g`) by a form.
    pub fn new(form: Form, response: &str, flakes: usize) -> Experiment {
        Experiment {
            form,
            response: response.to_string(),
            flakes,
            reach: Vec::new(),
            limits: Vec::new(),
            percussors: Vec::new(),
            at: Vec::new(),
            predictions: false,
            existing: None,
            spread: None,
            stone: None,
            calibration: None,
            between: None,
            flakes_per_core: None,
            allocation: Allocation::WithinCores,
            difference: None,
            level: USUAL_LEVEL,
        }
    }

    /// From where to where a measurement of the form can be set; for one value, both alike. An angle of blow adds a term
    /// to a form that does not read it.
    ///
    /// # Errors
    /// [`Error::Invalid`] where the form does not read it or the reach falls; [`Error::OutOfRange`] for what no platform
    /// or blow can be.
    pub fn reach(mut self, column: &str, low: f64, high: f64) -> Result<Experiment> {
        if column != form::ANGLE_OF_BLOW && !self.form.needs().iter().any(|n| n == column) {
            return Err(Error::invalid(column, format!("the form {} does not read it", self.form.name())));
        }
        check_reach(column, low, high)?;
        self.reach.retain(|r| r.0 != column);
        self.reach.push((column.to_string(), low, high));
        Ok(self)
    }

    /// Where one of the percussors, by any of its names, reaches less far: no thin platforms by antler. What it says is
    /// checked by [`plan`](Experiment::plan).
    pub fn reach_of(mut self, percussor: &str, column: &str, low: f64, high: f64) -> Experiment {
        let (percussor, column) = (percussor.to_string(), column.to_string());
        self.limits.push(Limit { percussor, column, low, high });
        self
    }

    /// The percussors, in one's own words; with several, each after the first adds a term to the form.
    ///
    /// # Errors
    /// [`Error::UnknownName`] for what is no percussor, [`Error::Invalid`] for one that stands twice.
    pub fn percussors(mut self, words: &[impl AsRef<str>]) -> Result<Experiment> {
        for text in words {
            let word = self.word(text.as_ref())?;
            if self.percussors.contains(&word) {
                return Err(Error::invalid("percussor", format!("{} stands twice", text.as_ref())));
            }
            self.percussors.push(word);
        }
        Ok(self)
    }

    /// The word among those given for the percussor that this word means; itself where it is none of them.
    fn word(&self, text: &str) -> Result<String> {
        let known = PercussorMaterial::named(text.trim())?;
        let same = |g: &&String| PercussorMaterial::named(g).is_ok_and(|m| m.name() == known.name());
        Ok(self.percussors.iter().find(same).cloned().unwrap_or_else(|| text.trim().to_lowercase()))
    }

    /// A platform at which intervals are judged, by any words; for each percussor where it names none. Percussors are told
    /// before it.
    ///
    /// # Errors
    /// [`Error::UnknownName`] for what is no percussor, [`Error::OutOfRange`] for what no platform or blow can be.
    pub fn at(mut self, words: &str, platform: &impl Measured) -> Result<Experiment> {
        let mut setting = self.setting(platform);
        setting.numbers.iter().try_for_each(|(column, v)| check(column, *v))?;
        setting.percussor = platform.class("percussor").map(|p| self.word(p)).transpose()?;
        if setting.percussor.is_some() || self.percussors.len() < 2 {
            self.at.push((words.to_string(), setting));
            return Ok(self);
        }
        for p in &self.percussors {
            let by_it = Setting { percussor: Some(p.clone()), ..setting.clone() };
            self.at.push((format!("{words},percussor={p}"), by_it));
        }
        Ok(self)
    }

    fn setting(&self, measured: &impl Measured) -> Setting {
        let mut names = self.form.needs();
        if !names.iter().any(|n| n == form::ANGLE_OF_BLOW) {
            names.push(form::ANGLE_OF_BLOW.to_string());
        }
        let numbers = names.into_iter().filter_map(|n| Some((measured.number(&n)?, n)).map(|(v, n)| (n, v)));
        Setting { numbers: numbers.collect(), percussor: None }
    }

    /// Makes the intervals at the platforms named (or over the whole reach) narrow, rather than the coefficients certain.
    pub fn predictions(mut self) -> Experiment {
        self.predictions = true;
        self
    }

    /// A flake one has: the plan adds what these lack. One that does not record what the form reads, or is of a percussor
    /// that the experiment does not have, is left out and counted. Percussors are told before it.
    pub fn offer(&mut self, flake: &impl Measured) {
        let plain = flake.class("percussor").and_then(|p| self.word(p).ok());
        // of one percussor only: the others are another experiment
        let foreign = self.percussors.len() == 1 && plain.as_ref().is_some_and(|p| *p != self.percussors[0]);
        if foreign {
            return self.leave_out();
        }
        let setting = Setting { percussor: plain, ..self.setting(flake) };
        self.existing.get_or_insert_default().0.push(setting);
    }

    /// A flake one has that cannot be used, such as a row that is none.
    pub fn leave_out(&mut self) {
        self.existing.get_or_insert_default().1 += 1;
    }

    /// The spread of flakes about the form, on its scale (of ln mass for `log-log`), and where it is from; of flakes of
    /// one core where [cores](Experiment::cores) are planned.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless it is above 0 and finite.
    pub fn spread(mut self, value: f64, from: &str) -> Result<Experiment> {
        if !(value > 0.0 && value.is_finite()) {
            return Err(Error::out_of_range(Place::column("spread"), value, "above 0"));
        }
        self.spread = Some(SpreadTold { value, from: from.to_string(), within: None, between: None });
        Ok(self)
    }

    /// The spread that flakes of a calibration show, by its form of the same name or of the same scale.
    ///
    /// # Errors
    /// [`Error::UnknownName`] where it does not have the size, [`Error::Incomparable`] where it has it on other scales.
    pub fn spread_of(mut self, calibration: &Calibration) -> Result<Experiment> {
        let all = || calibration.variants().iter().flat_map(|v| &v.sizes);
        let models: Vec<&SizeModel> = all().filter(|m| m.size == self.response).collect();
        let (name, transform) = (calibration.name(), self.form.transform());
        let Some(first) = models.first() else {
            let mut sizes: Vec<&str> = all().map(|m| m.size.as_str()).collect();
            sizes.sort_unstable();
            sizes.dedup();
            return Err(Error::unknown_name("response", &self.response, sizes));
        };
        let same = models.iter().filter(|m| m.form.transform() == transform);
        let own = same.clone().find(|m| m.form.name() == self.form.name());
        let Some(model) = own.or(same.clone().next()) else {
            return Err(Error::Incomparable {
                reason: format!(
                    "the calibration {name} has {}, the form {} needs the spread of {}",
                    first.form.transform().describe(&self.response),
                    self.form.name(),
                    transform.describe(&self.response)
                ),
            });
        };
        let between = model.shared.last().map(|e| e.covariance[0][0].sqrt());
        let constant = match &model.spread {
            Spread::Constant { value, .. } => Some(*value),
            Spread::Modelled { .. } => None,
        };
        let (value, how) = match constant {
            Some(within) => (between.map_or(within, |b| within.hypot(b)), "about the form"),
            None => (model.left_out_error, "of predicting each flake from the others"),
        };
        let from = format!("{how}, from the calibration {name}");
        let within = between.and(constant);
        self.spread = Some(SpreadTold { value, from, within, between });
        self.calibration = Some(calibration.clone());
        Ok(self)
    }

    /// The stone to be flaked: a plan says where the experiment that its spread is of flaked another, or nobody knows it.
    pub fn stone<'a>(mut self, stone: impl Into<Option<&'a str>>) -> Experiment {
        self.stone = stone.into().map(str::to_string);
        self
    }

    /// Cores that differ, of so many flakes each (1 or more), every percussor on every core.
    pub fn cores(mut self, flakes_each: usize) -> Experiment {
        self.flakes_per_core = Some(flakes_each);
        self
    }

    /// The spread between cores, on the scale of the form (0 or more), instead of a calibration's.
    pub fn between_cores(mut self, spread: f64) -> Experiment {
        self.between = Some(spread);
        self
    }

    /// Each core is struck by one percussor only.
    pub fn one_percussor_a_core(mut self) -> Experiment {
        self.allocation = Allocation::ByCore;
        self
    }

    /// The ratio of sizes between the first percussor and any other that the plan should be able to show, such as 1.5.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless it is above 0 and not 1; [`Error::Invalid`] for a form that is not on a logarithmic
    /// scale.
    pub fn difference(mut self, ratio: f64) -> Result<Experiment> {
        if !(ratio > 0.0 && ratio.is_finite() && ratio != 1.0) {
            let accepted = "a ratio above 0, not 1";
            return Err(Error::out_of_range(Place::column("difference"), ratio, accepted));
        }
        if !matches!(self.form.transform(), Transform::Ln | Transform::Log10) {
            return Err(Error::invalid("difference", "a ratio needs a form on a logarithmic scale"));
        }
        self.difference = Some(ratio);
        Ok(self)
    }

    /// Probability inside the intervals.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless it is strictly between 0 and 1.
    pub fn level(mut self, level: f64) -> Result<Experiment> {
        self.level = LEVEL.check(level)?;
        Ok(self)
    }

    /// The plan; the same experiment and seed give the same one.
    ///
    /// # Errors
    /// [`Error::TooFew`] for fewer flakes (those one has included) than terms; [`Error::RankDeficient`] naming a term that
    /// no settings within reach can tell; [`Error::Missing`] for a spread, a spread between cores, a reach or a platform
    /// that was not told; [`Error::Domain`] for a setting at which the form has no value (90 degrees under a tangent);
    /// [`Error::Invalid`] for a number of flakes or settings beyond 100,000, a difference of one percussor, or a percussor's
    /// reach that falls, lies outside that of the others, or is of another percussor or measurement than the experiment's;
    /// [`Error::UnknownName`] for a size that does not exist, or a reach of what is no percussor.
    pub fn plan(&self, seed: u64) -> Result<Plan> {
        let checked = Checked::of(self)?;
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let (reach, old) = (&checked.reach, checked.old.as_ref());
        let chosen = choose(&reach.design, &checked.exchange(self.flakes, STARTS.0), &mut rng)?;
        let flakes = checked.targets(&chosen, &mut rng);
        let known = &chosen.information;
        let against_even_grid = match Information::with_existing(&reach.even_grid(self.flakes)?, old) {
            Err(Error::RankDeficient { term }) => AgainstGrid::Unknown { undetermined: term },
            Err(e) => return Err(e),
            Ok(grid) => AgainstGrid::Known {
                d_efficiency_ratio: known.efficiency_against(&grid),
                mean_width: checked.mean_width(known, Aim::NewFlake),
                mean_width_even_grid: checked.mean_width(&grid, Aim::NewFlake),
            },
        };
        let best = continuous_optimum(&reach.design)?;
        let share_of_bound = old.is_none().then(|| best.efficiency_of(known));
        let draws = (DRAWS.2 / self.flakes).clamp(DRAWS.1, DRAWS.0);
        let kept_within_tolerance =
            reach.efficiency_within_tolerance(&chosen.points, old, draws, &mut rng)?;
        let undetermined = old.map(undetermined).unwrap_or_default();
        let worth_well_placed = match old {
            Some(old) if undetermined.is_empty() => {
                let information = Information::of(old)?;
                Some(best.efficiency_of(&information) * information.flakes as f64)
            }
            _ => None,
        };
        let existing =
            checked.had.map(|(used, left_out)| Existing { used, left_out, worth_well_placed, undetermined });
        let curve = checked.curve(&chosen, &mut rng);
        let mut cautions = cautions(&checked.spread, checked.cores.as_ref(), kept_within_tolerance, self);
        cautions.splice(0..0, self.doubts(&reach.factors)?);
        Ok(Plan {
            form: checked.form.name().to_string(),
            response: self.response.clone(),
            terms: checked.form.term_names(),
            criterion: if self.predictions { "i" } else { "d" },
            seed,
            flakes,
            criterion_value: chosen.value,
            starts_agreeing: chosen.starts_agreeing,
            starts: STARTS.0,
            share_of_bound,
            against_even_grid,
            kept_within_tolerance,
            spread: checked.spread,
            existing,
            level: self.level,
            difference: self.difference,
            curve,
            at: checked.at.into_iter().map(|a| a.0).collect(),
            cautions,
            transform: self.form.transform(),
        })
    }

    /// What the flakes of a calibration, and the reach, do not bear out: the ends of the reach, the platforms named, the
    /// stone.
    fn doubts(&self, factors: &[Factor]) -> Result<Vec<String>> {
        let calibration = match &self.calibration {
            Some(known) => known.clone(),
            None => bundled::named(bundled::experiment_for(self.stone.as_deref()))?,
        };
        let name = calibration.name().to_string();
        let resolved = Resolved::new(calibration)?;
        let end =
            |of: fn((f64, f64)) -> f64| factors.iter().map(|f| (f.name.clone(), of(f.range()))).collect();
        let ends = [end(|r| r.0), end(|r| r.1)].map(|numbers| Setting { numbers, percussor: None });
        let (mut found, mut beyond) = (Vec::new(), Vec::new());
        for (words, setting) in
            ends.iter().map(|s| ("", s)).chain(self.at.iter().map(|(w, s)| (w.as_str(), s)))
        {
            let planned = Planned { setting, stone: self.stone.as_deref() };
            resolved.unlike_experiment(&planned, &mut found);
            if let Ok(x) = resolved.gather(&planned, None, &mut Vec::new())
                && let Ok(variant) = resolved.choose(&x)
            {
                resolved.outside_ranges(variant, &x, &mut found);
            }
            for f in factors {
                let ((low, high), asked) = (f.range(), setting.number(&f.name));
                beyond.extend(asked.filter(|v| !(low..=high).contains(v)).map(|v| {
                    format!("{words}: the {} {v} lies beyond the reach ({low} to {high})", in_words(&f.name))
                }));
            }
        }
        let mut told: Vec<String> = Vec::new();
        for caution in found.iter().map(|c| format!("{c} (calibration {name})")).chain(beyond) {
            if !told.contains(&caution) {
                told.push(caution);
            }
        }
        Ok(told)
    }

    /// The percussors, and whether a difference is asked about: what the sentences about a plan need.
    pub(super) fn asked(&self) -> (&[String], bool) {
        (&self.percussors, self.difference.is_some())
    }
}

/// A platform that is planned, in its stone, whatever strikes it.
struct Planned<'a> {
    setting: &'a Setting,
    stone: Option<&'a str>,
}

impl Measured for Planned<'_> {
    fn number(&self, name: &str) -> Option<f64> {
        self.setting.number(name)
    }
    fn class(&self, name: &str) -> Option<&str> {
        self.stone.filter(|_| name == "stone")
    }
}

/// The experiment, checked: rows of the form's terms.
struct Checked<'a> {
    asked: &'a Experiment,
    form: Form,
    reach: Candidates,
    /// Platforms named, by their words.
    at: Vec<(String, Vec<f64>)>,
    /// Where intervals are judged.
    platforms: Vec<Vec<f64>>,
    old: Option<Design>,
    /// Flakes one has that are used and left out.
    had: Option<(usize, u64)>,
    spread: SpreadTaken,
    cores: Option<Cores>,
}

impl Checked<'_> {
    fn of(e: &Experiment) -> Result<Checked<'_>> {
        known_size("response", &e.response)?;
        let mut form = e.form.clone();
        if e.reach.iter().any(|r| r.0 == form::ANGLE_OF_BLOW)
            && !form.needs().iter().any(|n| n == form::ANGLE_OF_BLOW)
        {
            form = form.with_terms([value(form::ANGLE_OF_BLOW)])?;
        }
        let several = e.percussors.len() > 1;
        if several {
            let terms = e.percussors[1..].iter().map(|p| indicator("percussor", p));
            form = form.with_terms(terms.collect::<Vec<_>>())?;
        }
        if e.difference.is_some() && !several {
            return Err(Error::invalid("difference", "name two percussors or more"));
        }
        let percussors = if several { &e.percussors[..] } else { &[] };
        let reach = Candidates::grid(&form, e.factors(&form)?, percussors, &e.limits()?)?;
        let row = |(words, s): &(String, Setting)| Ok((words.clone(), reach.row_of(s)?));
        let at = e.at.iter().map(row).collect::<Result<Vec<_>>>()?;
        let platforms = match at.is_empty() {
            true => reach.design.to_rows(),
            false => at.iter().map(|a| a.1.clone()).collect(),
        };
        let (mut old, mut had) = (None, None);
        if let Some((flakes, left_out)) = &e.existing {
            let rows: Vec<Vec<f64>> = flakes.iter().filter_map(|s| reach.row_of(s).ok()).collect();
            had = Some((rows.len(), left_out + (flakes.len() - rows.len()) as u64));
            if !rows.is_empty() {
                old = Some(Design::from_rows(reach.design.names().to_vec(), &rows)?);
            }
        }
        let (spread, cores) = e.spread_taken()?;
        Ok(Checked { asked: e, form, reach, at, platforms, old, had, spread, cores })
    }

    fn exchange(&self, flakes: usize, starts: usize) -> Exchange {
        let at = self.asked.predictions.then(|| self.platforms.clone());
        Exchange { flakes, at, existing: self.old.clone(), starts }
    }

    fn width(&self, i: &Information, row: &[f64], aim: Aim) -> Option<f64> {
        match &self.cores {
            Some(c) => c.expected_width(i, row, self.asked.level, aim).ok(),
            None => expected_width(i, row, self.spread.value, self.asked.level, aim).ok(),
        }
    }

    /// The mean width over the platforms, on the scale of the form.
    fn mean_width(&self, i: &Information, aim: Aim) -> Option<f64> {
        let widths = self.platforms.iter().map(|x| self.width(i, x, aim)).collect::<Option<Vec<f64>>>()?;
        Some(widths.iter().sum::<f64>() / self.platforms.len() as f64)
    }

    /// The chance to see the least visible of the differences from the first percussor.
    fn power(&self, i: &Information) -> Option<f64> {
        let ratio = self.asked.difference?;
        let difference = match self.form.transform() {
            Transform::Log10 => ratio.log10(),
            _ => ratio.ln(),
        };
        let (terms, spread) = (i.names.len(), self.spread.value);
        let chances = self.asked.percussors[1..].iter().map(|p| {
            let variance = i.variance_of(&indicator("percussor", p).to_string()).ok()?;
            match &self.cores {
                None => power(difference, spread, variance, i.degrees_of_freedom(), ALPHA).ok(),
                Some(c) => c.power(difference, variance, i.flakes, terms, self.asked.allocation, ALPHA).ok(),
            }
        });
        chances.collect::<Option<Vec<f64>>>()?.into_iter().reduce(f64::min)
    }

    /// What more or fewer flakes would tell.
    fn curve(&self, chosen: &Chosen, rng: &mut ChaCha8Rng) -> Vec<Outlook> {
        let planned = self.asked.flakes;
        let mut sizes = CURVE.to_vec();
        sizes.push(planned);
        sizes.sort_unstable();
        sizes.dedup();
        let mut curve = Vec::new();
        for flakes in sizes {
            let other = match flakes == planned {
                true => Ok(chosen.clone()),
                false => choose(&self.reach.design, &self.exchange(flakes, STARTS.1), rng),
            };
            let Ok(other) = other else { continue };
            let i = &other.information;
            curve.push(Outlook {
                flakes,
                width_new_flake: self.mean_width(i, Aim::NewFlake),
                width_mean: self.mean_width(i, Aim::Mean),
                width_new_flake_at: self.at.iter().map(|(_, x)| self.width(i, x, Aim::NewFlake)).collect(),
                power: self.power(i),
            });
        }
        curve
    }

    /// The knapping list, core after core and in random order. Cores are dealt round, so that each has as many flakes of every percussor as any
    /// other, but for one.
    fn targets(&self, chosen: &Chosen, rng: &mut ChaCha8Rng) -> Vec<Target> {
        let percussors = &self.asked.percussors;
        let mut by: Vec<Vec<&Setting>> = vec![Vec::new(); percussors.len().max(1)];
        for i in &chosen.points {
            let setting = &self.reach.settings[*i];
            let of = |p: &String| percussors.iter().position(|q| q == p);
            by[setting.percussor.as_ref().and_then(of).unwrap_or(0)].push(setting);
        }
        let cores = self.cores.as_ref().map(|c| c.number_for(self.asked.flakes).max(1));
        let (mut out, mut taken) = (Vec::new(), 0);
        for (k, mut settings) in by.into_iter().enumerate() {
            settings.shuffle(rng);
            // the cores of this percussor, where each is struck by one
            let (from, mine) = (taken, self.cores.as_ref().map_or(0, |c| c.number_for(settings.len())));
            taken += mine;
            for (i, setting) in settings.into_iter().enumerate() {
                let core = cores.map(|c| match self.asked.allocation {
                    Allocation::ByCore => from + i % mine.max(1) + 1,
                    Allocation::WithinCores => out.len() % c + 1,
                });
                let settings = self.reach.factors.iter().zip(&setting.numbers).map(|(f, (_, v))| {
                    let (low, high) = self.reach.range(f, setting);
                    let t = f.tolerance;
                    let fixed = low == high;
                    let accept = if fixed { (v - t, v + t) } else { ((v - t).max(low), (v + t).min(high)) };
                    (f.name.clone(), tidy(*v), tidy(accept.0), tidy(accept.1))
                });
                let settings = settings.collect();
                out.push(Target { number: 0, percussor: percussors.get(k).cloned(), core, settings });
            }
        }
        out.shuffle(rng);
        // core after core, in the order in which chance brought them up
        let mut met = HashMap::new();
        for core in out.iter_mut().filter_map(|target| target.core.as_mut()) {
            let next = met.len() + 1;
            *core = *met.entry(*core).or_insert(next);
        }
        out.sort_by_key(|target| target.core);
        out.iter_mut().enumerate().for_each(|(i, target)| target.number = i + 1);
        out
    }
}

impl Experiment {
    /// Where percussors reach less far, by the words given for these.
    fn limits(&self) -> Result<Vec<Limit>> {
        let checked = |told: &Limit| {
            let percussor = self.word(&told.percussor)?;
            if !self.percussors.contains(&percussor) {
                let reason =
                    format!("{percussor} is told a reach, but does not strike (name it in percussors)");
                return Err(Error::invalid("percussor", reason));
            }
            check_reach(&told.column, told.low, told.high)?;
            Ok(Limit { percussor, ..told.clone() })
        };
        self.limits.iter().map(checked).collect()
    }

    /// What is set, in a fixed order.
    fn factors(&self, form: &Form) -> Result<Vec<Factor>> {
        let needs = form.needs();
        let mut factors = Vec::new();
        for (column, step, usual) in SETTABLE {
            if !needs.iter().any(|n| n == column) {
                continue;
            }
            let told = self.reach.iter().find(|r| r.0 == column);
            let (low, high) = told.map_or(usual, |r| (r.1, r.2));
            // at least four steps, however narrow the reach
            let steps = if low < high { step.min((high - low) / 4.0) } else { step };
            factors.push(Factor::steps(column, low, high, steps)?.within(step));
        }
        for (column, low, high) in &self.reach {
            if SETTABLE.iter().all(|s| s.0 != column) {
                let step = if low < high { (high - low) / 10.0 } else { 1.0 };
                factors.push(Factor::steps(column, *low, *high, step)?);
            }
        }
        Ok(factors)
    }

    /// The spread to reckon with, and the cores where they are planned.
    fn spread_taken(&self) -> Result<(SpreadTaken, Option<Cores>)> {
        let Some(told) = &self.spread else {
            return Err(Error::missing("spread", "what flakes vary by, on the scale of the form"));
        };
        let mut taken = SpreadTaken { value: told.value, between: None, from: told.from.clone() };
        let Some(each) = self.flakes_per_core else { return Ok((taken, None)) };
        let between = self.between.or(told.between).ok_or_else(|| {
            Error::missing("between_cores", "what cores differ by, on the scale of the form")
        })?;
        if let Some(within) = told.within {
            taken.value = within;
            taken.from = taken.from.replacen("about the form", "within a core", 1);
        }
        taken.between = Some(between);
        Ok((taken.clone(), Some(Cores::new(taken.value, between, each)?)))
    }
}

/// Nobody strikes to more than a tenth.
fn tidy(v: f64) -> f64 {
    (v * 10.0).round() / 10.0
}

/// What to mind of a plan.
fn cautions(
    spread: &SpreadTaken,
    cores: Option<&Cores>,
    tolerance: WithinTolerance,
    experiment: &Experiment,
) -> Vec<String> {
    let (percussors, difference) = experiment.asked();
    let kept = |share: f64| percent((share * 1000.0).round() / 1000.0);
    let mut cautions = vec![
        format!("the spread is taken as {:.4} ({}); your own may differ", spread.value, spread.from),
        "the plan trusts its form and strikes mostly at the ends of the reach; a few flakes in the middle \
         show whether the form bends there"
            .to_string(),
        format!(
            "nobody strikes an exact target: within the bands (1 mm, 5 degrees; common practice) {} % of what \
             the plan would know is kept on average, at least {} % in nineteen of twenty runs. Measure every platform \
             and record what it was, not what it should have been",
            kept(tolerance.mean),
            kept(tolerance.low)
        ),
        format!(
            "targets are rounded to tenths; strike in the order of the list, which is random {}{}",
            if cores.is_some() { "within each core, core after core" } else { "over the whole plan" },
            match (percussors.len() > 1, cores) {
                (true, Some(_)) if experiment.allocation == Allocation::ByCore => {
                    ", cores as chance brings them up, each struck with one percussor"
                }
                (true, Some(_)) if experiment.flakes_per_core > Some(1) => {
                    ", percussors mixed within every core: struck one after the other, what changes as the core wears down \
                     or the knapper tires would pass for a difference between them"
                }
                (true, _) => {
                    ", percussors mixed: struck one after the other, what changes as the knapper tires would pass for a \
                     difference between them"
                }
                _ => "",
            }
        ),
    ];
    if let Some(c) = cores {
        cautions.push(format!(
            "cores differ by {:.4} and flakes of one core by {:.4}: design effect {:.2} for what differs only \
             between cores",
            c.between,
            c.within,
            c.design_effect()
        ));
    }
    if percussors.len() > 1 {
        cautions.push(format!(
            "all percussors are to be fitted together (knap fit --by percussor): the same slopes, and a shift of \
             each from the one that the fit names; chances are of shifts from {}",
            percussors[0]
        ));
    }
    if difference {
        cautions.push(
            "chances are for a two-sided test at 5 %, of the percussor hardest to tell from the first".into(),
        );
    }
    cautions
}
