//! Percussor attribution: which of the percussors of an experiment, or which of two experiments, a flake or a
//! group of flakes struck by one percussor speaks for.
//!
//! ```text
//! P(class | flakes) ~ P(class) p(flakes | class),     p(flakes | class) = sum_m w_m p(flakes | material m)
//! ```
//!
//! The materials of a class are weighted by their flakes in the experiment, and p(flakes | material) is the
//! calibration's own forward model: sizes jointly (a multivariate t about what the platform leads one to
//! expect), termination where the calibration models it, lip where it is recorded and a [`LipModel`] stands by.
//!
//! Four things keep the answer honest.
//!
//! - *Angle of blow and landing place* cannot be read off an artefact, and in the experiments each percussor
//!   was swung in its own way. Where they are not known they are averaged over one [`SettingsPrior`], the same
//!   for every percussor, so that a percussor is not recognised by the habits of the machine.
//! - *Coefficients are uncertain*, and a group shares that uncertainty: a hundred flakes do not make the
//!   difference between bone and steel better known than the experiment made it.
//! - *A site is not the experiment*: stone, cores and knappers shift all its flakes alike. A [`SiteShift`]
//!   takes that up, so that a whole group being a fifth larger than expected is no evidence.
//! - *Prior odds are the user's*, and what is reported besides the probability is the Bayes factor: by what the
//!   flakes multiply those odds.
//!
//! A knapper has habits: blows of a group are either all set alike, by one unknown setting, or each anew; the
//! probability of the former is the user's ([`Attribution::with_habit`], one half by default, a judgement
//! without a source). Taking each blow as set anew would make the habits of one hand into evidence that grows
//! with every flake. Given all this, flakes are independent. Not covered: percussors
//! that no experiment used, mixed groups, and that a recorded lip may mean different things to two analysts
//! beyond what the shift of its log odds takes up.

use super::evidence::{Evidence, ln_mean};
use super::forward::{Forward, Frame, Struck, Used};
use super::lip::LipModel;
use crate::calibration::Calibration;
use crate::error::{Bounds, Error, Place, Result};
use crate::form::{ANGLE_OF_BLOW, LANDS_ON, PERCUSSOR_CLASS};
use crate::material::{PercussorClass, PercussorMaterial};
use crate::predict::Caution;
use crate::strike::{LandsOn, Measured};
use rand::Rng;
use rand_distr::{Distribution, StandardNormal};
use serde::{Deserialize, Serialize};
use std::fmt;

/// One setting of the blow and its weight.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BlowSetting {
    /// Angle of blow in degrees; 0 is perpendicular to the platform.
    pub angle_of_blow_deg: Option<f64>,
    /// Where the blow lands.
    pub lands_on: Option<LandsOn>,
    /// Weight, above 0; only ratios count.
    pub weight: f64,
}

/// How blows are set where a flake does not tell, the same for every percussor.
///
/// ```
/// use conchoid::infer::attribution::{BlowSetting, SettingsPrior};
/// use conchoid::strike::LandsOn;
/// let one = BlowSetting { angle_of_blow_deg: Some(10.0), lands_on: Some(LandsOn::Platform), weight: 1.0 };
/// assert!(SettingsPrior::new(vec![one]).is_ok());
/// assert!(SettingsPrior::new(vec![]).is_err());
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Vec<BlowSetting>", into = "Vec<BlowSetting>")]
pub struct SettingsPrior(Vec<BlowSetting>);

impl SettingsPrior {
    /// From settings with weights, which are scaled to sum to 1.
    ///
    /// # Errors
    /// [`Error::Invalid`] without settings or with a weight not above 0; [`Error::OutOfRange`] for an angle of
    /// blow outside what [`crate::strike::Blow`] accepts.
    pub fn new(mut settings: Vec<BlowSetting>) -> Result<SettingsPrior> {
        for s in &settings {
            crate::strike::Blow::builder().angle_of_blow_deg(s.angle_of_blow_deg).build()?;
            if !(s.weight > 0.0 && s.weight <= 1e12) {
                return Err(Error::invalid(
                    "settings",
                    format!("{} is no weight (accepted: above 0)", s.weight),
                ));
            }
        }
        if settings.is_empty() {
            return Err(Error::invalid("settings", "at least one setting of the blow is needed"));
        }
        let total: f64 = settings.iter().map(|s| s.weight).sum();
        settings.iter_mut().for_each(|s| s.weight /= total);
        Ok(SettingsPrior(settings))
    }

    /// Those of an experiment: how its flakes were struck, whatever the percussor.
    pub fn of(calibration: &Calibration) -> SettingsPrior {
        let names = calibration.setting_names();
        let (angle, lands) =
            (names.iter().position(|n| n == ANGLE_OF_BLOW), names.iter().position(|n| n == LANDS_ON));
        let layout = calibration.layout();
        let levels = layout.position(LANDS_ON).and_then(|at| layout.class_at(at)).map(|c| &c.levels);
        let mut found: Vec<BlowSetting> = Vec::new();
        for s in calibration.settings() {
            let angle_of_blow_deg = angle.map(|i| s.values[i]);
            let name = lands.and_then(|i| levels.and_then(|l| l.get(s.values[i] as usize)));
            let lands_on = name.and_then(|n| n.parse().ok());
            let same =
                |f: &&mut BlowSetting| f.angle_of_blow_deg == angle_of_blow_deg && f.lands_on == lands_on;
            match found.iter_mut().find(same) {
                Some(f) => f.weight += s.flakes as f64,
                None => found.push(BlowSetting { angle_of_blow_deg, lands_on, weight: s.flakes as f64 }),
            }
        }
        let open = BlowSetting { angle_of_blow_deg: None, lands_on: None, weight: 1.0 };
        SettingsPrior::new(found).unwrap_or(SettingsPrior(vec![open]))
    }

    /// The settings, their weights summing to 1.
    pub fn settings(&self) -> &[BlowSetting] {
        &self.0
    }
}

impl TryFrom<Vec<BlowSetting>> for SettingsPrior {
    type Error = Error;
    fn try_from(settings: Vec<BlowSetting>) -> Result<Self> {
        SettingsPrior::new(settings)
    }
}

impl From<SettingsPrior> for Vec<BlowSetting> {
    fn from(p: SettingsPrior) -> Self {
        p.0
    }
}

/// How far all flakes of a site may lie from those of the experiment: standard deviations of normal shifts
/// that the flakes of a group share.
///
/// | part | default | what it shifts |
/// |---|---|---|
/// | `common` | 0.2 | ln of every length, and three times as much ln mass: larger or smaller flakes of the same shape |
/// | `own` | 0.1 | ln of each size on its own: another stone, another way to measure |
/// | `log_odds` | 1 | log odds of each termination and of a lip: another core, another eye |
///
/// The defaults are judgement without a source: a site may well be a fifth larger or smaller than the
/// experiment, a tenth in any one size, and record lips and hinges two or three times as readily.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "StoredShift", into = "StoredShift")]
pub struct SiteShift {
    common: f64,
    own: f64,
    log_odds: f64,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredShift {
    common: f64,
    own: f64,
    log_odds: f64,
}

impl TryFrom<StoredShift> for SiteShift {
    type Error = Error;
    fn try_from(s: StoredShift) -> Result<Self> {
        SiteShift::new(s.common, s.own, s.log_odds)
    }
}

impl From<SiteShift> for StoredShift {
    fn from(s: SiteShift) -> Self {
        StoredShift { common: s.common, own: s.own, log_odds: s.log_odds }
    }
}

/// A standard deviation of a shift.
pub const SHIFT: Bounds = Bounds::closed("site shift", 0.0, 10.0, "");

impl Default for SiteShift {
    fn default() -> Self {
        SiteShift { common: 0.2, own: 0.1, log_odds: 1.0 }
    }
}

impl SiteShift {
    /// From the three standard deviations; see the table above.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] outside [`SHIFT`].
    pub fn new(common: f64, own: f64, log_odds: f64) -> Result<SiteShift> {
        Ok(SiteShift {
            common: SHIFT.check(common)?,
            own: SHIFT.check(own)?,
            log_odds: SHIFT.check(log_odds)?,
        })
    }

    /// No shift: the flakes are from the experiment itself.
    pub fn none() -> SiteShift {
        SiteShift { common: 0.0, own: 0.0, log_odds: 0.0 }
    }

    /// Standard deviation of the shift of all sizes together, in ln of a length.
    pub fn common(&self) -> f64 {
        self.common
    }

    /// Standard deviation of the shift of each size on its own, in ln of the size.
    pub fn own(&self) -> f64 {
        self.own
    }

    /// Standard deviation of the shift of log odds.
    pub fn log_odds(&self) -> f64 {
        self.log_odds
    }

    /// Covariance of the shifts of ln of two sizes.
    pub(super) fn covariance(&self, a: &str, b: &str, same: bool) -> f64 {
        // a mass goes with the cube of the lengths of the same shape
        let power = |size: &str| if size.ends_with("_g") { 3.0 } else { 1.0 };
        let own = if same { self.own * self.own } else { 0.0 };
        power(a) * power(b) * self.common * self.common + own
    }

    pub(super) fn logit_variance(&self) -> f64 {
        self.log_odds * self.log_odds
    }
}

/// What a Bayes factor is worth, in words, by the grades of R. E. Kass and A. E. Raftery 1995, "Bayes factors",
/// JASA 90:773-795, p. 777 (from memory): 3, 20 and 150.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Strength {
    /// Below 3: not worth more than a bare mention.
    SaysLittle,
    /// From 3: some evidence, easily wrong.
    Leans,
    /// From 20: strong, if the model holds.
    Speaks,
    /// From 150: very strong, if the model holds.
    SpeaksStrongly,
}

impl Strength {
    /// The grade of a log Bayes factor, in either direction.
    ///
    /// ```
    /// use conchoid::infer::attribution::Strength;
    /// assert_eq!(Strength::of(2.9f64.ln()), Strength::SaysLittle);
    /// assert_eq!(Strength::of(-(25.0f64.ln())), Strength::Speaks);
    /// ```
    pub fn of(ln_bayes_factor: f64) -> Strength {
        match ln_bayes_factor.abs().exp() {
            b if b >= 150.0 => Strength::SpeaksStrongly,
            b if b >= 20.0 => Strength::Speaks,
            b if b >= 3.0 => Strength::Leans,
            _ => Strength::SaysLittle,
        }
    }

    /// A stable name: `says-little`, `leans`, `speaks`, `speaks-strongly`.
    pub fn name(self) -> &'static str {
        match self {
            Strength::SaysLittle => "says-little",
            Strength::Leans => "leans",
            Strength::Speaks => "speaks",
            Strength::SpeaksStrongly => "speaks-strongly",
        }
    }
}

/// One class of an answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ClassVerdict {
    /// The class as it was asked for (`metal`, `stone`, a calibration's name).
    pub class: String,
    /// What it leans on where the experiment did not use it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub leans_on: Option<String>,
    /// Probability before the flakes were seen.
    pub prior: f64,
    /// Probability after.
    pub probability: f64,
    /// ln of what the flakes multiply the odds of this class against all others by.
    pub ln_bayes_factor: f64,
}

/// What a flake, or a group struck by one percussor, says.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Verdict {
    /// The classes, in the order asked for.
    pub classes: Vec<ClassVerdict>,
    /// Flakes in it.
    pub flakes: usize,
    /// Flakes whose termination was used.
    pub terminations: usize,
    /// Flakes whose lip was used.
    pub lips: usize,
    /// The variant of the calibration (of the first, where there are two).
    pub variant: String,
    /// Standard error of the integration, of the ln Bayes factor of the first class.
    pub integration_error: f64,
    /// What there is to doubt.
    pub cautions: Vec<Caution>,
}

impl Verdict {
    /// The likeliest class after the flakes were seen.
    pub fn likeliest(&self) -> &ClassVerdict {
        let best = |a: &&ClassVerdict, b: &&ClassVerdict| a.probability.total_cmp(&b.probability);
        self.classes.iter().max_by(best).unwrap_or(&self.classes[0])
    }

    /// The class that the flakes speak for, whatever the prior odds.
    pub fn favoured(&self) -> &ClassVerdict {
        let best = |a: &&ClassVerdict, b: &&ClassVerdict| a.ln_bayes_factor.total_cmp(&b.ln_bayes_factor);
        self.classes.iter().max_by(best).unwrap_or(&self.classes[0])
    }

    /// How much the flakes say.
    pub fn strength(&self) -> Strength {
        Strength::of(self.favoured().ln_bayes_factor)
    }

    /// Probability of a class by its name.
    pub fn probability(&self, class: &str) -> Option<f64> {
        self.classes.iter().find(|c| c.class == class).map(|c| c.probability)
    }

    /// The answer as a plain sentence, without more digits than it can bear.
    pub fn sentence(&self) -> String {
        let f = self.favoured();
        let others: Vec<&str> =
            self.classes.iter().filter(|c| c.class != f.class).map(|c| c.class.as_str()).collect();
        let (subject, plural) = match self.flakes {
            1 => ("This flake".to_string(), false),
            n => (format!("These {n} flakes"), true),
        };
        let verb = match (self.strength(), plural) {
            (Strength::SaysLittle, false) => "says little about",
            (Strength::SaysLittle, true) => "say little about",
            (Strength::Leans, false) => "leans towards",
            (Strength::Leans, true) => "lean towards",
            (Strength::Speaks, false) => "speaks for",
            (Strength::Speaks, true) => "speak for",
            (Strength::SpeaksStrongly, false) => "speaks strongly for",
            (Strength::SpeaksStrongly, true) => "speak strongly for",
        };
        let against = others.join(" or ");
        let claim = match self.strength() {
            Strength::SaysLittle => format!("{} against {against}", f.class),
            _ => format!("{}, not {against}", f.class),
        };
        format!(
            "{subject} {verb} {claim}: the odds of {} are multiplied by {}, its probability goes from {} to {}",
            f.class,
            times(f.ln_bayes_factor.exp()),
            chance(f.prior),
            chance(f.probability)
        )
    }
}

/// A factor in two digits; beyond a thousand no number is meant seriously.
fn times(factor: f64) -> String {
    match factor {
        f if f > 1000.0 => "more than 1000".to_string(),
        f if f >= 9.95 => {
            let step = 10f64.powi(f.log10().floor() as i32 - 1);
            format!("{:.0}", (f / step).round() * step)
        }
        f => format!("{f:.1}"),
    }
}

/// A probability in two digits, never as a certainty.
fn chance(p: f64) -> String {
    match p {
        p if p > 0.99 => "more than 0.99".to_string(),
        p if p < 0.01 => "less than 0.01".to_string(),
        p => format!("{p:.2}"),
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.sentence())
    }
}

/// A class with the materials that stand for it.
#[derive(Debug, Clone, PartialEq)]
struct Candidate {
    class: String,
    leans_on: Option<String>,
    prior: f64,
    members: Vec<Member>,
}

#[derive(Debug, Clone, PartialEq)]
struct Member {
    /// Which calibration.
    forward: usize,
    struck: Struck,
    /// Name of the material (or class) as the calibration has it.
    name: String,
    weight: f64,
}

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
/// | [`Attribution::with_prior`] | every class alike | the user's prior odds |
/// | [`Attribution::with_settings`] | those of the experiment's flakes | how blows were set where flakes do not tell |
/// | [`Attribution::with_site`] | [`SiteShift::default`] | how far a site may lie from the experiment |
/// | [`Attribution::with_lip`] | the bundled model for its own calibration | what lips say |
/// | [`Attribution::without_terminations`] | terminations used where modelled | leave them out |
/// | [`Attribution::hiding_blow`] | recorded settings used | treat flakes as artefacts |
/// | [`Attribution::with_habit`] | 0.5 | probability that all blows of a group were set alike |
/// | [`Attribution::with_draws`] | 400 | draws of the integration |
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::flake::Flake;
/// use conchoid::infer::attribution::{Attribution, Strength};
/// use conchoid::strike::{Platform, Strike};
/// use rand::SeedableRng;
///
/// let attribution = Attribution::of(bundled::named("controlled-glass")?)?
///     .with_prior(&[("stone".into(), 0.7), ("antler".into(), 0.3)])?;
/// let platform = Platform::builder().depth_mm(4.0).exterior_platform_angle_deg(65.0).build()?;
/// let flake = Flake::builder().strike(Strike::builder().platform(platform).build()?).length_mm(45.0).build()?;
/// let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1);
/// let verdict = attribution.attribute(&[&flake], &mut rng)?;
/// assert_eq!(verdict.strength(), Strength::SaysLittle);
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Attribution {
    forwards: Vec<Forward>,
    candidates: Vec<Candidate>,
    /// Columns of the sizes used, and for each calibration the ratio of each.
    columns: Vec<String>,
    ratios: Vec<Vec<f64>>,
    settings: SettingsPrior,
    site: SiteShift,
    lip: Option<LipModel>,
    terminations: bool,
    hide_blow: bool,
    habit: f64,
    draws: usize,
    cautions: Vec<Caution>,
}

/// The materials of a calibration: what each fixes in an input row, with its class and its flakes.
fn members(forward: usize, calibration: &Calibration) -> Vec<(PercussorClass, Member)> {
    let layout = calibration.layout();
    let flakes =
        |name: &str| calibration.percussors().iter().find(|p| p.name == name).map_or(0, |p| p.flakes);
    let class_at = layout.position(PERCUSSOR_CLASS);
    let class_code = |class: PercussorClass| {
        let levels = &layout.class_at(class_at?)?.levels;
        Some((class_at?, levels.iter().position(|l| l == class.word())? as f64))
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
            let struck = Struck { set, class: Some(material.class().word().to_string()) };
            let weight = flakes(level) as f64;
            found.push((material.class(), Member { forward, struck, name: level.clone(), weight }));
        }
    } else if let Some(at) = class_at
        && let Some(variable) = layout.class_at(at)
    {
        for (code, level) in variable.levels.iter().enumerate() {
            let Ok(class) = level.parse::<PercussorClass>() else { continue };
            let struck = Struck { set: vec![(at, code as f64)], class: Some(class.word().to_string()) };
            found.push((class, Member { forward, struck, name: level.clone(), weight: 1.0 }));
        }
    }
    found
}

/// Weights of the members of each candidate summing to 1.
fn scaled(mut members: Vec<Member>) -> Vec<Member> {
    let total: f64 = members.iter().map(|m| m.weight).sum();
    members.iter_mut().for_each(|m| m.weight /= total);
    members
}

impl Attribution {
    /// Between the classes of percussor that an experiment used.
    ///
    /// # Errors
    /// [`Error::Invalid`] where the experiment used one class only, or its forms do not read the percussor.
    pub fn of(calibration: Calibration) -> Result<Attribution> {
        let members = members(0, &calibration);
        let mut candidates = Vec::new();
        for class in PercussorClass::ALL {
            let mine: Vec<Member> =
                members.iter().filter(|(c, _)| *c == class).map(|(_, m)| m.clone()).collect();
            if !mine.is_empty() {
                candidates.push(Candidate {
                    class: class.word().to_string(),
                    leans_on: None,
                    prior: 0.0,
                    members: scaled(mine),
                });
            }
        }
        if candidates.len() < 2 {
            return Err(Error::invalid(
                "calibration",
                format!(
                    "{} does not tell percussors apart: its experiment used one class only, or its forms do \
                     not read the percussor",
                    calibration.name()
                ),
            ));
        }
        let even = 1.0 / candidates.len() as f64;
        candidates.iter_mut().for_each(|c| c.prior = even);
        let lip = LipModel::bundled().ok().filter(|l| l.calibration() == calibration.name());
        let settings = SettingsPrior::of(&calibration);
        let forward = Forward::new(calibration)?;
        let columns = forward.columns();
        Attribution { lip, ..Attribution::plain(vec![forward], candidates, columns, settings) }.checked()
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
        let settings = SettingsPrior::of(settings);
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
        a.checked()
    }

    fn plain(
        forwards: Vec<Forward>,
        candidates: Vec<Candidate>,
        columns: Vec<String>,
        settings: SettingsPrior,
    ) -> Attribution {
        Attribution {
            ratios: vec![vec![1.0; columns.len()]; forwards.len()],
            forwards,
            candidates,
            columns,
            settings,
            site: SiteShift::default(),
            lip: None,
            terminations: true,
            hide_blow: false,
            habit: 0.5,
            draws: 400,
            cautions: Vec::new(),
        }
    }

    fn checked(self) -> Result<Attribution> {
        if self.columns.is_empty() {
            return Err(Error::invalid("calibration", "its variants share no size"));
        }
        Ok(self)
    }

    /// Sets the user's prior odds, and thereby the classes: each name is a class of percussor or a material
    /// (for two experiments a calibration). What the experiment did not use leans on its nearest kin: stone
    /// on metal and metal on stone, an organic material on the organic ones; each with a caution.
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

    /// The members that stand for a name.
    fn candidate(&self, name: &str) -> Result<(Candidate, Option<Caution>)> {
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
        let all = members(0, &self.forwards[0].calibration);
        let of = |class: PercussorClass| -> Vec<Member> {
            all.iter().filter(|(c, _)| *c == class).map(|(_, m)| m.clone()).collect()
        };
        let (class, material) = match name.parse::<PercussorClass>() {
            Ok(class) => (class, None),
            Err(_) => {
                let unknown = |_| {
                    let classes = PercussorClass::ALL.map(|c| c.word());
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
            self.forwards[0].calibration.percussors().iter().map(|p| p.name.clone()).collect();
        if let Some(m) = &material {
            let own: Vec<Member> = all.iter().filter(|(_, o)| o.name == *m).map(|(_, o)| o.clone()).collect();
            if !own.is_empty() {
                return Ok((one(own, None), None));
            }
        }
        let mine = of(class);
        let used = material.as_ref().is_none_or(|m| seen.contains(m));
        if !mine.is_empty() && used {
            return Ok((one(mine, None), None));
        }
        let (stand_in, mine) = if mine.is_empty() {
            let other = match class {
                PercussorClass::Stone => PercussorClass::Metal,
                PercussorClass::Metal => PercussorClass::Stone,
                PercussorClass::Organic => PercussorClass::Organic,
            };
            (other, of(other))
        } else {
            (class, mine)
        };
        if mine.is_empty() {
            return Err(Error::invalid(
                "prior",
                format!("the experiment used nothing like {name} (it used {})", seen.join(", ")),
            ));
        }
        let caution = Caution::PercussorNotInExperiment {
            percussor: name.to_string(),
            leans_on: Some(stand_in.word().to_string()),
            seen,
        };
        Ok((one(mine, Some(stand_in.word().to_string())), Some(caution)))
    }

    /// Sets how blows are set where flakes do not tell.
    pub fn with_settings(mut self, settings: SettingsPrior) -> Attribution {
        self.settings = settings;
        self
    }

    /// Sets how far a site may lie from the experiment.
    pub fn with_site(mut self, site: SiteShift) -> Attribution {
        self.site = site;
        self
    }

    /// Sets what lips say; nothing leaves them out.
    pub fn with_lip(mut self, lip: Option<LipModel>) -> Attribution {
        self.lip = lip;
        self
    }

    /// Leaves terminations out. Sizes are still judged given the termination where they depend on it.
    pub fn without_terminations(mut self) -> Attribution {
        self.terminations = false;
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
    pub fn with_draws(mut self, draws: usize) -> Result<Attribution> {
        DRAWS.check(draws as f64)?;
        self.draws = draws;
        Ok(self)
    }

    /// The classes and their prior probabilities.
    pub fn prior(&self) -> impl Iterator<Item = (&str, f64)> {
        self.candidates.iter().map(|c| (c.class.as_str(), c.prior))
    }

    /// How blows are set where flakes do not tell.
    pub fn settings(&self) -> &SettingsPrior {
        &self.settings
    }

    /// How far a site may lie from the experiment.
    pub fn site(&self) -> SiteShift {
        self.site
    }

    /// What lips say.
    pub fn lip(&self) -> Option<&LipModel> {
        self.lip.as_ref()
    }

    /// The calibrations behind it: one, or two that are compared.
    pub fn calibrations(&self) -> impl Iterator<Item = &Calibration> {
        self.forwards.iter().map(|f| &f.calibration)
    }

    /// Why a flake cannot be attributed, where that is so.
    ///
    /// # Errors
    /// [`Error::Refused`] for a piece without a platform, a crushed platform, or one that is broken or
    /// retouched, so that its sizes are not those it was struck with; [`Error::Missing`] without the platform
    /// measurements that the calibration needs, or without any size.
    pub fn check(&self, flake: &dyn Measured) -> Result<()> {
        if let Some(e) = crate::flake::refusal(flake) {
            return Err(e);
        }
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

    /// What one flake, or a group struck by one percussor, says of the classes.
    ///
    /// The answer depends on the draws within [`Verdict::integration_error`]; the same generator gives the
    /// same bytes, and the number of draws taken from it does not depend on the flakes. The whole group is
    /// judged by the first variant of the calibration that can do with what all its flakes have.
    ///
    /// # Errors
    /// Those of [`Attribution::check`] for any of the flakes, placed in its row of the group;
    /// [`Error::TooFew`] without flakes.
    pub fn attribute<M: Measured, R: Rng + ?Sized>(&self, flakes: &[M], rng: &mut R) -> Result<Verdict> {
        if flakes.is_empty() {
            return Err(Error::TooFew { what: "flakes".into(), found: 0, needed: 1 });
        }
        let flakes: Vec<&dyn Measured> = flakes.iter().map(|f| f as &dyn Measured).collect();
        for (i, f) in flakes.iter().enumerate() {
            self.check(*f).map_err(|e| if flakes.len() > 1 { e.in_row(i as u64 + 1) } else { e })?;
        }
        let normals = self.normals(rng);
        let mut variants = Vec::with_capacity(self.forwards.len());
        for f in &self.forwards {
            variants.push(f.variant_for(&flakes, self.hide_blow)?);
        }
        let habits = self.habits(&flakes);
        let mut weighed: Vec<Vec<(f64, Evidence)>> = Vec::with_capacity(self.candidates.len());
        let mut used = Used::default();
        for c in &self.candidates {
            let mut mine = Vec::with_capacity(c.members.len());
            for m in &c.members {
                for (share, settings) in &habits {
                    let frame = Frame {
                        settings,
                        site: self.site,
                        lip: self.lip.as_ref(),
                        terminations: self.terminations,
                        hide_blow: self.hide_blow,
                        columns: &self.columns,
                        ratios: &self.ratios[m.forward],
                    };
                    let (group, here) =
                        self.forwards[m.forward].group(variants[m.forward], &flakes, &m.struck, &frame)?;
                    used = here;
                    mine.push((m.weight * share, group.evidence(&normals)));
                }
            }
            weighed.push(mine);
        }
        Ok(self.verdict(&flakes, &weighed, used, &variants))
    }

    /// How the blows of the group may have been set, with shares: each anew, or all by one of the settings.
    fn habits(&self, flakes: &[&dyn Measured]) -> Vec<(f64, SettingsPrior)> {
        let open = |f: &&dyn Measured| {
            self.hide_blow || f.number(ANGLE_OF_BLOW).is_none() || f.class(LANDS_ON).is_none()
        };
        let settings = self.settings.settings();
        if flakes.len() < 2 || settings.len() < 2 || self.habit == 0.0 || !flakes.iter().any(open) {
            return vec![(1.0, self.settings.clone())];
        }
        let mut habits: Vec<(f64, SettingsPrior)> = settings
            .iter()
            .map(|s| (self.habit * s.weight, SettingsPrior(vec![BlowSetting { weight: 1.0, ..*s }])))
            .collect();
        if self.habit < 1.0 {
            habits.push((1.0 - self.habit, self.settings.clone()));
        }
        habits
    }

    /// Standard normal numbers enough for every hypothesis, drawn in a block whatever the flakes.
    fn normals<R: Rng + ?Sized>(&self, rng: &mut R) -> Vec<Vec<f64>> {
        let ends = self
            .forwards
            .iter()
            .flat_map(|f| f.calibration.variants())
            .filter_map(|v| v.termination.as_ref())
            .map(|t| t.fit.coefficients().nrows())
            .max()
            .unwrap_or(0);
        let width = self.columns.len() + ends + 1;
        (0..self.draws.div_ceil(2))
            .map(|_| (0..width).map(|_| StandardNormal.sample(rng)).collect())
            .collect()
    }

    fn verdict(
        &self,
        flakes: &[&dyn Measured],
        weighed: &[Vec<(f64, Evidence)>],
        used: Used,
        variants: &[usize],
    ) -> Verdict {
        // ln p(flakes | class), and the same draw by draw
        let ln: Vec<f64> = weighed.iter().map(|c| ln_mixture(c.iter().map(|(w, e)| (*w, e.ln)))).collect();
        let by_draw: Vec<Vec<f64>> = weighed
            .iter()
            .map(|c| {
                let draws = c[0].1.ln_weights.len();
                (0..draws).map(|d| ln_mixture(c.iter().map(|(w, e)| (*w, e.ln_weights[d])))).collect()
            })
            .collect();
        let all = ln_mixture(self.candidates.iter().zip(&ln).map(|(c, l)| (c.prior, *l)));
        let others = |i: usize| {
            let rest = || self.candidates.iter().enumerate().filter(move |(j, _)| *j != i);
            let total: f64 = rest().map(|(_, c)| c.prior).sum();
            ln_mixture(rest().map(|(j, c)| (c.prior / total, ln[j])))
        };
        let classes = self
            .candidates
            .iter()
            .enumerate()
            .map(|(i, c)| ClassVerdict {
                class: c.class.clone(),
                leans_on: c.leans_on.clone(),
                prior: c.prior,
                probability: (c.prior.ln() + ln[i] - all).exp().clamp(0.0, 1.0),
                ln_bayes_factor: ln[i] - others(i),
            })
            .collect();
        let mut cautions = self.cautions.clone();
        let forward = &self.forwards[0];
        for f in flakes {
            for c in forward.cautions(variants[0], *f) {
                if !cautions.iter().any(|o| alike(o, &c)) {
                    cautions.push(c);
                }
            }
        }
        Verdict {
            classes,
            flakes: flakes.len(),
            terminations: used.terminations,
            lips: used.lips,
            variant: forward.variant_name(variants[0]).to_string(),
            integration_error: integration_error(&by_draw, &self.candidates),
            cautions,
        }
    }

    /// Whether the calibration says how flakes end.
    pub fn knows_terminations(&self) -> bool {
        self.terminations
            && self
                .forwards
                .iter()
                .all(|f| (0..f.calibration.variants().len()).any(|v| f.knows_terminations(v)))
    }
}

/// ln sum w exp l.
fn ln_mixture(terms: impl Iterator<Item = (f64, f64)> + Clone) -> f64 {
    let top = terms.clone().map(|(_, l)| l).fold(f64::NEG_INFINITY, f64::max);
    if !top.is_finite() {
        return top;
    }
    top + terms.map(|(w, l)| w * (l - top).exp()).sum::<f64>().ln()
}

/// Standard error of ln p(first) - ln p(others), from pairs of draws of opposite sign.
fn integration_error(by_draw: &[Vec<f64>], candidates: &[Candidate]) -> f64 {
    let rest: f64 = candidates[1..].iter().map(|c| c.prior).sum();
    let draws = by_draw[0].len();
    let others: Vec<f64> = (0..draws)
        .map(|d| ln_mixture(candidates[1..].iter().zip(&by_draw[1..]).map(|(c, l)| (c.prior / rest, l[d]))))
        .collect();
    let relative = |ln: &[f64]| -> Vec<f64> {
        let mean = ln_mean(ln);
        ln.chunks(2).map(|p| p.iter().map(|l| (l - mean).exp()).sum::<f64>() / p.len() as f64).collect()
    };
    let differences: Vec<f64> =
        relative(&by_draw[0]).iter().zip(relative(&others)).map(|(a, b)| a - b).collect();
    let n = differences.len() as f64;
    (differences.iter().map(|d| d * d).sum::<f64>() / (n * (n - 1.0).max(1.0))).sqrt()
}

/// Whether two cautions say the same of different flakes.
fn alike(a: &Caution, b: &Caution) -> bool {
    match (a, b) {
        (Caution::OutsideRange { measurement: x, .. }, Caution::OutsideRange { measurement: y, .. }) => {
            x == y
        }
        _ => a == b,
    }
}
