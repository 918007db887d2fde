//! Percussor attribution: which of the percussors of an experiment, or which of two experiments, a flake or a
//! group of flakes struck by one percussor speaks for.
//!
//! ```text
//! P(class | flakes) ~ P(class) p(flakes | class),     p(flakes | class) = sum_m w_m p(flakes | material m)
//! ```
//!
//! The materials of a class are weighted by their flakes in the experiment, and p(flakes | material) is the
//! calibration's own forward model: sizes jointly (a multivariate t about what the platform leads one to
//! expect), and termination where the calibration models it; times what lips say, where they are recorded and a [`LipModel`] stands
//! by.
//!
//! Five things keep the answer honest.
//!
//! - *Angle of blow and landing place* cannot be read off an artefact, and in the experiments each percussor
//!   was swung in its own way. Where they are not known they are averaged over settings with weights, the same
//!   for every percussor, so that a percussor is not recognised by the habits of the machine.
//! - *Coefficients are uncertain*, and a group shares that uncertainty: a hundred flakes do not make the
//!   difference between bone and steel better known than the experiment made it.
//! - *A site is not the experiment*: stone, cores and knappers shift all its flakes alike. A [`SiteShift`]
//!   takes that up, so that a whole group being a fifth larger than expected is no evidence.
//! - *No more is said than was earned*: numbers and words end where groups left out of the fits, or the lack of them, end.
//! - *Prior odds are the user's*, and what is reported besides the probability is the Bayes factor: by what the
//!   flakes multiply those odds.
//!
//! A knapper has habits: blows of a group are either all set alike, by one unknown setting, or each anew; the
//! probability of the former is the user's ([`Attribution::with_habit`], one half by default, a judgement
//! without a source). Taking each blow as set anew would make the habits of one hand into evidence that grows
//! with every flake. Given all this, flakes are independent. Not covered: percussors
//! that no experiment used, mixed groups, and that a recorded lip may mean different things to two analysts
//! beyond what the shift of its log odds takes up.
//!
//! | file | what |
//! |---|---|
//! | this one | what is asked: calibrations, prior odds, settings, which flakes are refused |
//! | `settings` | how blows are set where a flake does not tell |
//! | `site` | how far a site may lie from the experiment |
//! | `candidates` | the classes of an answer, and the materials that stand for them |
//! | `lips` | what lips say of the classes |
//! | `weigh` | the flakes under each class: the answer |
//! | `verdict` | the answer, and its words |

mod candidates;
mod lips;
pub(super) mod settings;
pub(super) mod site;
mod verdict;
mod weigh;

pub use settings::BlowSetting;
pub use site::SiteShift;
#[cfg(test)]
pub(crate) use verdict::ClassVerdict;
pub use verdict::{Strength, Verdict};

use super::forward::{Forward, Struck};
use super::lip::LipModel;
use super::track_record::TrackRecord;
use crate::calibration::{Calibration, bundled};
use crate::error::{Bounds, Error, Place, Result};
use crate::form::{ANGLE_OF_BLOW, LANDS_ON, PERCUSSOR_CLASS, TERMINATION};
use crate::material::PercussorClass;
use crate::predict::Caution;
use crate::strike::Measured;
use candidates::{Candidate, Member, members, scaled};
use settings::of_experiment;

/// Prior weight of one class.
const WEIGHT: Bounds = Bounds::above("prior", 0.0, 1e12, "");

/// Fewest and most draws of the integration.
const DRAWS: Bounds = Bounds::closed("draws", 10.0, 1e6, "");

/// Probability that the blows of a group were set alike.
const HABIT: Bounds = Bounds::closed("habit", 0.0, 1.0, "");

/// A ratio of sizes between two experiments.
const RATIO: Bounds = Bounds::closed("offset", 0.001, 1000.0, "");

/// Tells percussors, or experiments, apart.
///
/// | setting | default | purpose |
/// |---|---|---|
/// | [`Attribution::with_prior`] | stone and organic alike | the user's classes and prior odds |
/// | [`Attribution::with_metal`] | left out | weigh metal too |
/// | [`Attribution::with_settings`] | those of the experiment's flakes | how blows were set where flakes do not tell |
/// | [`Attribution::with_site`] | [`SiteShift::default`] | how far a site may lie from the experiment |
/// | [`Attribution::with_lip`] | the bundled model for its own calibration | what lips say |
/// | [`Attribution::hiding_blow`] | recorded settings used | treat flakes as artefacts |
/// | [`Attribution::with_habit`] | 0.5 | probability that all blows of a group were set alike |
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::flake::Flake;
/// use conchoid::infer::{Attribution, Strength};
/// use conchoid::strike::Strike;
/// use rand::SeedableRng;
///
/// let attribution = Attribution::of(bundled::named("hard-hammer-flint")?)?
///     .with_prior(&[("stone".into(), 0.7), ("antler".into(), 0.3)])?;
/// let flake = Flake::builder().strike(Strike::builder().platform_depth_mm(4.0).exterior_platform_angle_deg(65.0).build()?).length_mm(45.0).build()?;
/// let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1);
/// let verdict = attribution.attribute(&[&flake], &mut rng)?;
/// assert_eq!(verdict.strength, Strength::SaysLittle);
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Attribution {
    forwards: Vec<Forward>,
    candidates: Vec<Candidate>,
    /// Columns of the sizes used, and for each calibration the ratio of each.
    columns: Vec<String>,
    ratios: Vec<Vec<f64>>,
    pub(crate) settings: Vec<BlowSetting>,
    settings_given: bool,
    pub(crate) site: SiteShift,
    pub(crate) lip: Option<LipModel>,
    /// Whether terminations speak; sizes are judged given the termination in any case, where they depend on it.
    pub(super) terminations: bool,
    hide_blow: bool,
    habit: f64,
    draws: usize,
    cautions: Vec<Caution>,
    /// How often attribution by the first calibration was right.
    pub(crate) record: Option<TrackRecord>,
}

impl Attribution {
    /// Between stone and organic percussors ([`Attribution::with_metal`] and [`Attribution::with_prior`] ask for others). Where
    /// the forms of the calibration read the percussor, each class is what they say of it (a hammerstone leans on steel, where
    /// only that was used). Where they do not, and one class struck, that class is the calibration itself and the other is it times
    /// the ratio known from glass, lips included.
    ///
    /// # Errors
    /// [`Error::Invalid`] where the experiment used one class only, or nobody recorded what struck.
    pub fn of(calibration: Calibration) -> Result<Attribution> {
        let forward = Forward::new(calibration)?;
        let calibration = forward.calibration();
        // lips are from glass, and say the same of a percussor that acts as a ratio from there
        let carries = forward.resolved.own().is_some();
        let lip = LipModel::bundled().ok().filter(|l| carries || l.calibration() == calibration.name());
        let settings = match bundled::named(bundled::NAMES[0]) {
            Ok(glass) if carries => of_experiment(&glass),
            _ => of_experiment(calibration),
        };
        let (columns, name) = (forward.columns(), calibration.name().to_string());
        if columns.is_empty() {
            return Err(Error::invalid("calibration", "its variants share no size"));
        }
        let a = Attribution { lip, ..Attribution::plain(vec![forward], Vec::new(), columns, settings) };
        let usual = a.clone().evenly(&[PercussorClass::Stone, PercussorClass::Organic]);
        usual.or_else(|_| a.clone().evenly(&a.used())).map_err(|_| {
            Error::invalid(
                "calibration",
                format!(
                    "{name} does not tell percussors apart: its experiment used one class only, or its forms do not read the \
                     percussor"
                ),
            )
        })
    }

    /// The classes that the experiment used and its forms read.
    fn used(&self) -> Vec<PercussorClass> {
        let members = members(0, self.forwards[0].calibration());
        PercussorClass::ALL.iter().copied().filter(|c| members.iter().any(|(m, _)| m == c)).collect()
    }

    /// Weighs metal too, with even odds: beside stone and organic where these are told apart from it, otherwise (the
    /// experiment used metal for stone) instead of stone.
    ///
    /// # Errors
    /// [`Error::Invalid`] where nothing stands for metal.
    pub fn with_metal(self) -> Result<Attribution> {
        let three = self.clone().evenly(PercussorClass::ALL);
        three.or_else(|_| self.evenly(&[PercussorClass::Metal, PercussorClass::Organic]))
    }

    /// With even odds of these classes.
    fn evenly(self, classes: &[PercussorClass]) -> Result<Attribution> {
        self.with_prior(&classes.iter().map(|c| (c.name().to_string(), 1.0)).collect::<Vec<_>>())
    }

    /// Between two experiments, after an offset between them: by how much a flake of the second would be
    /// larger (ratio above 1) or smaller, size by size, were it struck where the first was. Sizes not named
    /// have ratio 1. The settings of the blow are those of the first that has any; lips are left out.
    ///
    /// # Errors
    /// [`Error::Incomparable`] where they share no size or bear the same name; [`Error::UnknownName`] for a
    /// size that they do not share; [`Error::OutOfRange`] for a ratio outside 0.001 to 1000.
    pub fn between(first: Calibration, second: Calibration, offset: &[(String, f64)]) -> Result<Attribution> {
        if first.name() == second.name() {
            return Err(Error::Incomparable { reason: "two calibrations of the same name".to_string() });
        }
        let settings = [&first, &second].into_iter().find(|c| !c.settings().is_empty()).unwrap_or(&first);
        let settings = of_experiment(settings);
        let mut candidates = Vec::new();
        for (i, c) in [&first, &second].into_iter().enumerate() {
            let mut mine: Vec<Member> = members(i, c).into_iter().map(|(_, m)| m).collect();
            if mine.is_empty() {
                let struck = Struck::default();
                mine.push(Member { forward: i, struck, name: c.name().to_string(), weight: 1.0 });
            }
            candidates.push(Candidate {
                class: c.name().to_string(),
                leans_on: None,
                prior: 0.5,
                members: scaled(mine),
            });
        }
        let forwards = vec![Forward::new(first)?, Forward::new(second)?];
        let second = forwards[1].columns();
        let columns: Vec<String> = forwards[0].columns().into_iter().filter(|c| second.contains(c)).collect();
        if columns.is_empty() {
            return Err(Error::Incomparable { reason: "the two calibrations share no size".to_string() });
        }
        let mut a = Attribution::plain(forwards, candidates, columns, settings);
        for (size, ratio) in offset {
            let at = a.columns.iter().position(|c| c == size);
            let at = at.ok_or_else(|| Error::unknown_name("offset", size, a.columns.iter().cloned()))?;
            a.ratios[1][at] = RATIO.check(*ratio)?;
        }
        Ok(a)
    }

    fn plain(
        forwards: Vec<Forward>,
        candidates: Vec<Candidate>,
        columns: Vec<String>,
        settings: Vec<BlowSetting>,
    ) -> Attribution {
        Attribution {
            record: TrackRecord::bundled(forwards[0].calibration().name()),
            ratios: vec![vec![1.0; columns.len()]; forwards.len()],
            forwards,
            candidates,
            columns,
            settings,
            settings_given: false,
            site: SiteShift::default(),
            lip: None,
            terminations: true,
            hide_blow: false,
            habit: 0.5,
            draws: 400,
            cautions: Vec::new(),
        }
    }

    /// Sets the user's prior odds, and thereby the classes: each name is a class of percussor or a material
    /// (for two experiments a calibration). What the experiment did not use leans on its nearest kin: stone
    /// on steel (without it on any metal), metal on stone, an organic material on the organic ones; each with a caution.
    ///
    /// # Errors
    /// [`Error::UnknownName`] for a name that is neither; [`Error::OutOfRange`] for a weight not above 0;
    /// [`Error::Invalid`] where two names would mean the same flakes, or fewer than two are given.
    pub fn with_prior(mut self, prior: &[(String, f64)]) -> Result<Attribution> {
        let mut candidates: Vec<Candidate> = Vec::new();
        let mut cautions = Vec::new();
        for (name, weight) in prior {
            let weight = WEIGHT.check(*weight)?;
            let (mut one, caution) = self.candidate(name)?;
            one.prior = weight;
            cautions.extend(caution);
            for other in &candidates {
                if one
                    .members
                    .iter()
                    .any(|m| other.members.iter().any(|o| o.name == m.name && o.forward == m.forward))
                {
                    return Err(Error::invalid(
                        "prior",
                        format!(
                            "{name} and {} would both be judged by the same flakes of the experiment and \
                             cannot be told apart by it",
                            other.class
                        ),
                    ));
                }
            }
            candidates.push(one);
        }
        if candidates.len() < 2 {
            return Err(Error::invalid(
                "prior",
                "at least two classes are needed, such as metal=0.7, organic=0.3",
            ));
        }
        let total: f64 = candidates.iter().map(|c| c.prior).sum();
        candidates.iter_mut().for_each(|c| c.prior /= total);
        self.candidates = candidates;
        self.cautions = cautions;
        Ok(self)
    }

    /// Sets how blows are set where flakes do not tell, the same for every percussor; weights are scaled to sum to 1.
    ///
    /// # Errors
    /// [`Error::Invalid`] without settings or with a weight not above 0; [`Error::OutOfRange`] for an angle of
    /// blow outside what a [`Strike`](crate::strike::Strike) accepts.
    pub fn with_settings(mut self, settings: Vec<BlowSetting>) -> Result<Attribution> {
        self.settings = settings::scaled(settings)?;
        self.settings_given = true;
        Ok(self)
    }

    /// Sets how far a site may lie from the experiment.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for a standard deviation outside 0 to 10.
    pub fn with_site(mut self, site: SiteShift) -> Result<Attribution> {
        site.check()?;
        self.site = site;
        Ok(self)
    }

    /// Sets what lips say; nothing leaves them out.
    pub fn with_lip(mut self, lip: Option<LipModel>) -> Attribution {
        self.lip = lip;
        self
    }

    /// Ignores recorded settings of the blow, as if the flakes were artefacts.
    pub fn hiding_blow(mut self) -> Attribution {
        self.hide_blow = true;
        self
    }

    /// Sets the probability that all blows of a group were set alike; it matters for settings that the flakes
    /// do not tell.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] outside 0 to 1.
    pub fn with_habit(mut self, habit: f64) -> Result<Attribution> {
        self.habit = HABIT.check(habit)?;
        Ok(self)
    }

    /// Sets the number of draws of the integration.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] outside 10 to a million.
    pub(crate) fn with_draws(mut self, draws: usize) -> Result<Attribution> {
        DRAWS.check(draws as f64)?;
        self.draws = draws;
        Ok(self)
    }

    /// The classes and their prior probabilities.
    #[cfg(feature = "table")]
    pub(crate) fn prior(&self) -> impl Iterator<Item = (&str, f64)> {
        self.candidates.iter().map(|c| (c.class.as_str(), c.prior))
    }

    /// The calibrations behind it: one, or two that are compared.
    pub fn calibrations(&self) -> impl Iterator<Item = &Calibration> {
        self.forwards.iter().map(|f| f.calibration())
    }

    /// Why a flake cannot be attributed, where that is so.
    ///
    /// # Errors
    /// [`Error::Refused`] for a piece without a platform, a crushed platform, or one that is broken or
    /// retouched, so that its sizes are not those it was struck with; what is wrong with a cell that decides and cannot
    /// be read, its state and lip among them; [`Error::Missing`] without the platform
    /// measurements that the calibration needs, or without any size.
    pub fn check(&self, flake: &dyn Measured) -> Result<()> {
        if let Some(e) = crate::flake::refusal(flake) {
            return Err(e);
        }
        crate::flake::state_known(flake)?;
        let refused = |column: &str, reason: String| Error::Refused { at: Place::column(column), reason };
        if let Some(portion) = flake.class("portion")
            && portion != "complete"
        {
            return Err(refused(
                "portion",
                format!("{portion}, so its sizes are not those it was struck with (accepted: complete)"),
            ));
        }
        if flake.class("retouched") == Some("yes") {
            return Err(refused(
                "retouched",
                "yes, so its sizes are not those it was struck with (accepted: no)".to_string(),
            ));
        }
        if let Some(e) = self.reads().find_map(|column| flake.unreadable(column)) {
            return Err(e);
        }
        for f in &self.forwards {
            f.variant_for(&[flake], self.hide_blow)?;
        }
        if !self.columns.iter().any(|c| flake.number(c).is_some()) {
            return Err(Error::missing(
                &self.columns[0],
                format!("or any other of {}", self.columns.join(", ")),
            ));
        }
        Ok(())
    }

    /// The columns that decide, beside the state of the piece: a cell of theirs that cannot be read is not taken for blank.
    fn reads(&self) -> impl Iterator<Item = &str> {
        let layouts = || self.forwards.iter().map(|f| f.calibration().layout());
        let hidden = if self.hide_blow { &[ANGLE_OF_BLOW, LANDS_ON][..] } else { &[] };
        let asked = |name: &&str| ["percussor", PERCUSSOR_CLASS].contains(name) || hidden.contains(name);
        let numbers = layouts().flat_map(|l| &l.numbers).chain(&self.columns).map(String::as_str);
        let classes = layouts().flat_map(|l| &l.classes).map(|c| c.name.as_str());
        // what the lips go by, though no form may read it
        let lip = self.lip.as_ref().map(|_| ["lip", ANGLE_OF_BLOW, LANDS_ON]).into_iter().flatten();
        let ends = self.knows_terminations().then_some(TERMINATION);
        numbers.chain(classes).chain(lip).chain(ends).filter(move |name| !asked(name))
    }

    /// How the blow is taken, in words.
    #[cfg(feature = "table")]
    pub(crate) fn of_blows(&self) -> &'static str {
        match (self.settings_given, self.hide_blow) {
            (false, true) => {
                "Angle of blow and landing place are averaged as the experiment's flakes were struck"
            }
            (false, false) => {
                "Angle of blow and landing place, where a row does not tell, are averaged as the experiment's \
                 flakes were struck"
            }
            (true, _) => "Angle of blow and landing place, where a row does not tell, are averaged as given",
        }
    }

    /// Whether the calibration says how flakes end.
    pub(crate) fn knows_terminations(&self) -> bool {
        self.terminations
            && self
                .forwards
                .iter()
                .all(|f| (0..f.calibration().variants().len()).any(|v| f.knows_terminations(v)))
    }
}

#[cfg(test)]
mod tests;
