//! The answer: probability and Bayes factor of each class, how much they are worth, and a plain sentence.

use crate::calibration::caution::Doubt;
use crate::predict::Caution;
use serde::{Deserialize, Serialize, Serializer};
use std::collections::BTreeMap;
use std::fmt;

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
    pub(crate) fn of(ln_bayes_factor: f64) -> Strength {
        match ln_bayes_factor.abs().exp() {
            b if b >= 150.0 => Strength::SpeaksStrongly,
            b if b >= 20.0 => Strength::Speaks,
            b if b >= 3.0 => Strength::Leans,
            _ => Strength::SaysLittle,
        }
    }

    /// The Bayes factor from which on a stronger word would be due; none above the strongest.
    fn limit(self) -> f64 {
        match self {
            Strength::SaysLittle => 3.0,
            Strength::Leans => 20.0,
            Strength::Speaks => 150.0,
            Strength::SpeaksStrongly => f64::INFINITY,
        }
    }

    /// A stable name: `says-little`, `leans`, `speaks`, `speaks-strongly`.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Strength::SaysLittle => "says-little",
            Strength::Leans => "leans",
            Strength::Speaks => "speaks",
            Strength::SpeaksStrongly => "speaks-strongly",
        }
    }
}

/// One class of an answer.
#[derive(Debug, Clone, PartialEq)]
pub struct ClassVerdict {
    /// The class as it was asked for (`metal`, `stone`, a calibration's name).
    pub class: String,
    /// What it leans on where the experiment did not use it.
    pub leans_on: Option<String>,
    /// Probability before the flakes were seen.
    pub prior: f64,
    /// Probability after.
    pub probability: f64,
    /// ln of what the flakes multiply the odds of this class against all others by.
    pub ln_bayes_factor: f64,
}

/// What a flake, or a group struck by one percussor, says; serialised with its words and by the names of its classes.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// The classes, in the order asked for.
    pub classes: Vec<ClassVerdict>,
    /// Flakes in it.
    pub(crate) flakes: usize,
    /// Flakes whose termination was used.
    pub(crate) terminations: usize,
    /// Flakes whose lip was used.
    pub(crate) lips: usize,
    /// The strongest words that groups left out of the fits have earned.
    pub(crate) earned: Strength,
    /// The variant of the calibration (of the first, where there are two).
    pub(crate) variant: String,
    /// Standard error of the integration, of the ln Bayes factor of the first class.
    pub(crate) integration_error: f64,
    /// What there is to doubt.
    pub cautions: Vec<Caution>,
    /// Percussors recorded of its flakes, with their counts.
    pub(crate) recorded: BTreeMap<String, u64>,
}

/// A class of percussors in a verdict.
#[derive(Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
struct OfClass<'a> {
    prior: f64,
    probability: f64,
    ln_bayes_factor: f64,
    bayes_factor: f64,
    /// What the class leans on where the experiment did not use it.
    #[serde(skip_serializing_if = "Option::is_none")]
    leans_on: Option<&'a str>,
}

/// What flakes struck by one percussor say of it.
#[derive(Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct Told<'a> {
    flakes: usize,
    with_termination: usize,
    with_lip: usize,
    classes: BTreeMap<&'a str, OfClass<'a>>,
    favours: &'a str,
    strength: &'static str,
    /// The strongest word that groups left out of the fits have earned.
    earned: &'static str,
    sentence: String,
    integration_error: f64,
    measured_by: &'a str,
    cautions: &'a [Caution],
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    recorded_percussors: &'a BTreeMap<String, u64>,
}

impl Serialize for Verdict {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        fn class(c: &ClassVerdict) -> OfClass<'_> {
            OfClass {
                prior: c.prior,
                probability: c.probability,
                ln_bayes_factor: c.ln_bayes_factor,
                bayes_factor: c.ln_bayes_factor.exp(),
                leans_on: c.leans_on.as_deref(),
            }
        }
        let told = Told {
            flakes: self.flakes,
            with_termination: self.terminations,
            with_lip: self.lips,
            classes: self.classes.iter().map(|c| (c.class.as_str(), class(c))).collect(),
            favours: &self.favoured().class,
            strength: self.strength().name(),
            earned: self.earned.name(),
            sentence: self.sentence(),
            integration_error: self.integration_error,
            measured_by: &self.variant,
            cautions: &self.cautions,
            recorded_percussors: &self.recorded,
        };
        told.serialize(serializer)
    }
}

impl Verdict {
    /// The class that the flakes speak for, whatever the prior odds.
    pub fn favoured(&self) -> &ClassVerdict {
        let best = |a: &&ClassVerdict, b: &&ClassVerdict| a.ln_bayes_factor.total_cmp(&b.ln_bayes_factor);
        self.classes.iter().max_by(best).unwrap_or(&self.classes[0])
    }

    /// How much the flakes say, in words no stronger than earned.
    pub fn strength(&self) -> Strength {
        Strength::of(self.favoured().ln_bayes_factor).min(self.earned)
    }

    /// Probability of a class by its name.
    pub fn probability(&self, class: &str) -> Option<f64> {
        self.classes.iter().find(|c| c.class == class).map(|c| c.probability)
    }

    /// The answer as a plain sentence, without more digits than it can bear, and with odds no stronger than groups left out of
    /// the fits have earned.
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
        let first = self.cautions.iter().filter(|c| {
            use Doubt::{FlakesDisagree, LikeNone, LipsAgainstSizes};
            matches!(c.0, FlakesDisagree { .. } | LikeNone { .. } | LipsAgainstSizes { .. })
        });
        let first: String = first.map(|c| format!("Before any odds: {c}. ")).collect();
        let (factor, limit) = (f.ln_bayes_factor.exp(), self.earned.limit());
        let (odds, probability) = if factor > limit {
            let odds =
                format!("{limit}, and by no more, which is what groups left out of the fits have earned");
            (odds, f.prior * limit / (f.prior * limit + 1.0 - f.prior))
        } else {
            (times(factor), f.probability)
        };
        format!(
            "{first}{subject} {verb} {claim}: the odds of {} are multiplied by {odds}; its probability goes from {} to {}",
            f.class,
            chance(f.prior),
            chance(probability)
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
