//! The answer: probability and Bayes factor of each class, how much they are worth, and a plain sentence.

use crate::calibration::caution::Doubt;
use crate::predict::Caution;
use serde::{Serialize, Serializer};
use std::collections::BTreeMap;
use std::fmt;

/// What a Bayes factor is worth, in words, by the grades of R. E. Kass and A. E. Raftery 1995, "Bayes factors",
/// JASA 90:773-795, p. 777 (from memory): 3, 20 and 150.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
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

/// Each grade with the Bayes factor that it begins at, and a stable name.
const GRADES: [(Strength, f64, &str); 4] = [
    (Strength::SaysLittle, 0.0, "says-little"),
    (Strength::Leans, 3.0, "leans"),
    (Strength::Speaks, 20.0, "speaks"),
    (Strength::SpeaksStrongly, 150.0, "speaks-strongly"),
];

impl Strength {
    /// The grade of a log Bayes factor, in either direction.
    pub(crate) fn of(ln_bayes_factor: f64) -> Strength {
        let factor = ln_bayes_factor.abs().exp();
        GRADES.iter().rfind(|g| factor >= g.1).map_or(Strength::SaysLittle, |g| g.0)
    }

    /// The Bayes factor from which on a stronger word would be due; none above the strongest.
    fn limit(self) -> f64 {
        GRADES.get(self as usize + 1).map_or(f64::INFINITY, |g| g.1)
    }

    /// Its name, as it is written.
    #[cfg(feature = "table")]
    pub(crate) fn name(self) -> &'static str {
        GRADES[self as usize].2
    }
}

/// A class of percussors in a verdict.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema), schemars(rename = "OfClass"))]
pub(crate) struct ClassVerdict {
    /// The class as it was asked for (`metal`, `stone`, a calibration's name).
    #[serde(skip)]
    pub(crate) class: String,
    /// Probability before the flakes were seen.
    #[cfg_attr(feature = "schema", schemars(description = ""))]
    pub(crate) prior: f64,
    /// Probability after, no surer than earned.
    pub(crate) probability: f64,
    /// ln of what the flakes multiply the odds of this class against all others by, no more than earned.
    pub(crate) ln_bayes_factor: f64,
    pub(crate) bayes_factor: f64,
    /// The same logarithm by the model alone, however large: beyond `ln_bayes_factor` nothing has borne it out.
    pub(crate) ln_bayes_factor_of_model: f64,
    /// What the class leans on where the experiment did not use it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) leans_on: Option<String>,
}

impl ClassVerdict {
    /// A class as the model alone has it.
    pub(super) fn of_model(class: &str, prior: f64, ln_bayes_factor: f64, leans_on: Option<String>) -> Self {
        let (class, own) = (class.to_string(), ln_bayes_factor);
        let unbounded = ClassVerdict {
            class,
            prior,
            probability: 0.0,
            ln_bayes_factor,
            bayes_factor: own.exp(),
            ln_bayes_factor_of_model: own,
            leans_on,
        };
        ClassVerdict { probability: unbounded.probability_of_model(), ..unbounded }
    }

    /// Probability by the model alone.
    fn probability_of_model(&self) -> f64 {
        1.0 / (1.0 + (1.0 - self.prior) / self.prior * (-self.ln_bayes_factor_of_model).exp())
    }

    /// How likely the flakes are under the class and under the others, over how likely they are at all.
    fn likely(&self) -> (f64, f64) {
        let (p, ln) = (self.probability_of_model(), self.ln_bayes_factor_of_model);
        let (own, others) = (p / self.prior, (1.0 - p) / (1.0 - self.prior));
        if ln > 0.0 { (own, own * (-ln).exp()) } else { (others * ln.exp(), others) }
    }

    /// The class where flakes like these may also come about whatever struck: `more` times as often as they do by the model.
    fn bounded(self, more: f64) -> ClassVerdict {
        if more == 0.0 {
            return ClassVerdict::of_model(
                &self.class,
                self.prior,
                self.ln_bayes_factor_of_model,
                self.leans_on,
            );
        }
        let (own, others) = self.likely();
        let factor = (own + more) / (others + more);
        let probability = (self.probability_of_model() + self.prior * more) / (1.0 + more);
        ClassVerdict { probability, ln_bayes_factor: factor.ln(), bayes_factor: factor, ..self }
    }
}

/// What flakes struck by one percussor say of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema), schemars(rename = "Told"))]
pub struct Verdict {
    pub(crate) flakes: usize,
    pub(crate) with_termination: usize,
    pub(crate) with_lip: usize,
    /// The classes, in the order asked for.
    #[serde(serialize_with = "by_class")]
    #[cfg_attr(feature = "schema", schemars(with = "BTreeMap<String, ClassVerdict>", description = ""))]
    pub(crate) classes: Vec<ClassVerdict>,
    /// The class that the flakes speak for, whatever the prior odds.
    #[cfg_attr(feature = "schema", schemars(description = ""))]
    pub favours: String,
    /// How much the flakes say, in words no stronger than earned.
    #[cfg_attr(feature = "schema", schemars(with = "String", description = ""))]
    pub strength: Strength,
    /// The strongest word that is earned, and with it the largest Bayes factor: by groups left out of the fits, or where a class
    /// leans on another or no group was left out no more than "leans".
    #[cfg_attr(feature = "schema", schemars(with = "String"))]
    pub(crate) earned: Strength,
    /// Whether groups left out of the fits have earned it.
    #[serde(skip)]
    pub(crate) tried: bool,
    /// The answer as a plain sentence, without more digits than it can bear.
    #[cfg_attr(feature = "schema", schemars(description = ""))]
    pub(crate) sentence: String,
    // Standard error of the integration, of the ln Bayes factor of the first class.
    pub(crate) integration_error: f64,
    // The variant of the calibration (of the first, where there are two).
    pub(crate) measured_by: String,
    /// What there is to doubt.
    #[cfg_attr(feature = "schema", schemars(description = ""))]
    pub cautions: Vec<Caution>,
    // Percussors recorded of its flakes, with their counts.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub(crate) recorded_percussors: BTreeMap<String, u64>,
}

/// Classes as an object, by their names.
fn by_class<S: Serializer>(classes: &[ClassVerdict], s: S) -> Result<S::Ok, S::Error> {
    s.collect_map(classes.iter().map(|c| (&c.class, c)).collect::<BTreeMap<_, _>>())
}

impl Verdict {
    /// With the class favoured, how much is said for it, no more than earned, and the words for that.
    pub(super) fn told(mut self) -> Verdict {
        let limit = self.earned.limit();
        let lacks = |c: &ClassVerdict| {
            let (own, others) = c.likely();
            (own.max(others) - limit * own.min(others)) / (limit - 1.0)
        };
        let more = self.classes.iter().map(lacks).fold(0.0, f64::max);
        let more = if limit.is_finite() { more } else { 0.0 };
        self.classes = self.classes.into_iter().map(|c| c.bounded(more)).collect();
        let best = self.classes.iter().max_by(|a, b| a.ln_bayes_factor.total_cmp(&b.ln_bayes_factor));
        let favoured = best.unwrap_or(&self.classes[0]).clone();
        self.strength = Strength::of(favoured.ln_bayes_factor).min(self.earned);
        self.sentence = self.in_words(&favoured);
        self.favours = favoured.class;
        self
    }

    /// The class that the flakes speak for.
    #[cfg(feature = "table")]
    pub(crate) fn favoured(&self) -> &ClassVerdict {
        self.classes.iter().find(|c| c.class == self.favours).unwrap_or(&self.classes[0])
    }

    /// Probability of a class by its name, the odds before the flakes were seen included; no surer than earned: by groups left
    /// out of the fits, or where there were none or a class leans on another by 20 to 1.
    pub fn probability(&self, class: &str) -> Option<f64> {
        self.of_class(class).map(|c| c.probability)
    }

    /// ln of what the flakes multiply the odds of a class against all others by, no more than earned.
    pub fn ln_bayes_factor(&self, class: &str) -> Option<f64> {
        self.of_class(class).map(|c| c.ln_bayes_factor)
    }

    /// Probability of a class by the model alone.
    pub(crate) fn probability_of_model(&self, class: &str) -> Option<f64> {
        self.of_class(class).map(ClassVerdict::probability_of_model)
    }

    fn of_class(&self, class: &str) -> Option<&ClassVerdict> {
        self.classes.iter().find(|c| c.class == class)
    }

    fn in_words(&self, f: &ClassVerdict) -> String {
        let others: Vec<&str> =
            self.classes.iter().filter(|c| c.class != f.class).map(|c| c.class.as_str()).collect();
        let (subject, plural) = match self.flakes {
            1 => ("This flake".to_string(), false),
            n => (format!("These {n} flakes"), true),
        };
        let verb = match (self.strength, plural) {
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
        let claim = match self.strength {
            Strength::SaysLittle => format!("{} against {against}", f.class),
            _ => format!("{}, not {against}", f.class),
        };
        let first = self.cautions.iter().filter(|c| {
            use Doubt::{FlakesDisagree, LikeNone, LipsAgainstSizes};
            matches!(*c.0, FlakesDisagree { .. } | LikeNone { .. } | LipsAgainstSizes { .. })
        });
        let first: String = first.map(|c| format!("Before any odds: {c}. ")).collect();
        let mut odds = times(f.bayes_factor);
        if f.ln_bayes_factor_of_model.exp() > self.earned.limit() {
            let leans = self.classes.iter().find_map(|c| Some((&c.class, c.leans_on.as_ref()?)));
            let why = match leans {
                Some((class, on)) => format!("since {class} leans on {on}"),
                None if self.tried => "which is what groups left out of the fits have earned".to_string(),
                None => "since no groups left out of a fit have tried it".to_string(),
            };
            odds = format!("{odds}, and by no more, {why}");
        }
        format!(
            "{first}{subject} {verb} {claim}: the odds of {} are multiplied by {odds}; its probability goes from {} to {}",
            f.class,
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
        f.pad(&self.sentence)
    }
}
