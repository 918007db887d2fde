//! Doubts that do not stop an answer but travel with it, each typed and with one plain sentence.

use super::fitting::SETTINGS;
use crate::flake::columns::{INCH_MM, OUNCE_G, RADIAN_DEG};
use crate::material::near;
use serde::{Serialize, Serializer, ser::SerializeStruct};
use std::fmt;
use std::sync::Arc;

/// Probability below zero from which it is told; common practice, no source.
pub(crate) const ATOM_TOLD: f64 = 1e-6;

/// A reason to distrust an answer: a sentence for people (`to_string`), and a word for programs ([`Caution::kind`]).
#[derive(Debug, Clone, PartialEq)]
pub struct Caution(pub(crate) Arc<Doubt>);

/// What a caution is about.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Doubt {
    /// A measurement outside what the experiment covered.
    OutsideRange {
        /// The measurement.
        measurement: String,
        /// Its value.
        value: f64,
        /// Smallest value fitted.
        low: f64,
        /// Largest value fitted.
        high: f64,
    },
    /// Each measurement may be inside its range, but the combination is unlike any flake fitted.
    Leverage {
        /// Leverage of this platform.
        value: f64,
        /// The largest among the flakes fitted.
        largest: f64,
    },
    /// The size expected is clearly (by one twentieth or more) beyond any that the experiment recorded.
    BeyondRecorded {
        /// The size (`length_mm`).
        size: String,
        /// The median of its predictive.
        expected: f64,
        /// Smallest size recorded.
        low: f64,
        /// Largest size recorded.
        high: f64,
    },
    /// A percussor the experiment did not use.
    PercussorNotInExperiment {
        /// What was asked for.
        percussor: String,
        /// What the answer leans on instead; nothing where the experiment had one class only.
        leans_on: Option<String>,
        /// Percussors the experiment used.
        seen: Vec<String>,
    },
    /// A percussor or stone whose name this crate does not know.
    NameNotKnown {
        /// `percussor` or `stone`.
        what: &'static str,
        /// The name.
        name: String,
        /// What the answer is for instead; nothing where it is for all.
        instead: Vec<String>,
    },
    /// A percussor the experiment did not use: its sizes times a ratio known from glass.
    PercussorRatio {
        /// What was asked for.
        percussor: String,
        /// Percussors the experiment used.
        seen: Vec<String>,
        /// What struck the glass over what struck it instead (`bone` over `steel`); nothing where both are alike there.
        ratio: Option<(String, String)>,
    },
    /// A percussor that struck some of the flakes, which the forms do not tell from those of the others.
    PercussorsNotToldApart {
        /// What struck them, with how many.
        seen: Vec<String>,
    },
    /// A stone the experiment did not use.
    StoneNotInExperiment {
        /// What was asked for.
        stone: String,
        /// The stone of the experiment.
        seen: String,
        /// Flakes that the level was moved to, where it was: the stone is theirs.
        local: Option<u64>,
    },
    /// What speaks against the flakes that a calibration was updated with.
    LocalFlakes {
        /// The sentence.
        text: String,
    },
    /// Sizes that fall as the platform grows.
    FallsWithPlatform {
        /// Each with the measurement (`mass with platform depth`).
        what: Vec<String>,
    },
    /// Settings of the blow that were not given; the answer is averaged over those of the experiment.
    SettingsAveraged {
        /// Their names.
        settings: Vec<String>,
    },
    /// A class that was not recorded and was taken as given.
    Assumed {
        /// The class.
        class: String,
        /// The level taken.
        level: String,
    },
    /// What was not recorded in the experiment, so that its spread is not in the interval.
    NotInExperiment {
        /// What (`core`, `knapper`).
        what: Vec<String>,
    },
    /// A group by a name that none of the groups fitted has.
    GroupNotFitted {
        /// The column (`core`).
        by: String,
        /// The name.
        name: String,
        /// How many groups were fitted.
        groups: u64,
        /// A size of which that holds, where it does not of all.
        of: Option<String>,
    },
    /// A new group, where too few were fitted to tell how much groups differ.
    FewGroups {
        /// The column (`core`).
        by: String,
        /// How many groups were fitted.
        groups: u64,
    },
    /// The flakes are not of the experiment: it was moved by its distance from sites.
    MovedToSites {
        /// The size.
        size: String,
        /// How many times larger it is expected at sites; nothing where that differs by platform.
        times: Option<f64>,
        /// By what factor a site may lie to either side of that, 95 times in 100.
        either_way: f64,
    },
    /// The form is close to where it breaks down.
    NearEndOfDomain {
        /// The measurement.
        measurement: String,
        /// Its value.
        value: f64,
        /// What happens there.
        why: String,
    },
    /// Part of the predictive lies where no flake is.
    AtomAtZero {
        /// The size.
        size: String,
        /// Probability of no size at all.
        probability: f64,
    },
    /// A technique that the experiments did not use.
    Technique {
        /// `indirect`.
        technique: String,
    },
    /// A bevelled platform under a calibration without bevelled platforms: heavier than predicted.
    Bevelled,
    /// A kind of platform that the calibration does not read.
    PlatformKind {
        /// `faceted`.
        kind: String,
    },
    /// A termination that the calibration cannot tell apart or never saw.
    TerminationNotInExperiment {
        /// The termination.
        termination: String,
    },
    /// Terminations to which the calibration's experiment gives no probability of their own.
    TerminationsNotTold {
        /// The terminations.
        terminations: Vec<String>,
    },
    /// The piece is not complete as struck; the answer is for the flake as it came off.
    NotAsStruck {
        /// Its state (`split`, `proximal`, `retouched`).
        state: String,
    },
    /// What remains is more than nearly every flake from such a platform had to begin with.
    RemainsImprobable {
        /// The size (`mass_g`).
        size: String,
        /// What remains.
        now: f64,
        /// Probability that a flake from this platform had at least as much.
        probability: f64,
    },
    /// The size of the flake was measured, and lies outside of what was expected.
    MeasuredOutside {
        /// Its column.
        column: String,
        /// What was measured.
        measured: f64,
        /// Lower end of the interval.
        low: f64,
        /// Upper end.
        high: f64,
    },
    /// A kind of retouch that the experiment did not make.
    RetouchNotInExperiment {
        /// What (`inverse retouch`).
        what: String,
    },
    /// A height of retouch above the thickness there, within what calipers can do.
    HeightAboveThickness,
    /// The states of the experiment, from first retouch to exhaustion, act as a model of loss.
    StatesOfExperiment,
    /// A group whose flakes differ among themselves more than those of one percussor do.
    FlakesDisagree {
        /// How many times as widely spread they are, at the least over the classes.
        times: f64,
    },
    /// A group that agrees with none of the classes, however far a site may lie from the experiment.
    LikeNone {
        /// Probability that a group lies so far from the likeliest class.
        probability: f64,
    },
    /// A group whose lips speak for one class and whose sizes for another.
    LipsAgainstSizes {
        /// The class that the lips speak for.
        lips_for: String,
        /// By what they multiply its odds.
        lips_times: f64,
        /// The class that sizes, and terminations where they are used, speak for.
        sizes_for: String,
        /// By what these multiply its odds.
        sizes_times: f64,
    },
    /// A group that speaks for a class for which few of its flakes speak one by one.
    #[cfg_attr(not(feature = "table"), allow(dead_code))]
    GroupAgainstFlakes {
        /// The class.
        class: String,
        /// Flakes more like it than like the others.
        alike: u64,
        /// All flakes.
        of: u64,
    },
    /// A calibration of the user's own, which may have been fitted to the flakes that are asked about.
    MayBeFittedToThese {
        /// Its name.
        calibration: String,
    },
    /// The probability of detachment rests on the model alone.
    NoFailedBlows,
    /// A doubt about the mechanics of the blow.
    Mechanics {
        /// Its kind (`core-fixed`).
        kind: &'static str,
        /// The sentence.
        text: &'static str,
    },
}

impl Caution {
    /// That a size lies outside of its interval, if it does.
    pub(crate) fn outside(column: &str, measured: f64, (low, high): (f64, f64)) -> Option<Caution> {
        let outside = !(low..=high).contains(&measured);
        outside.then(|| Doubt::MeasuredOutside { column: column.into(), measured, low, high }.into())
    }

    /// A stable name of the kind, for programs.
    pub fn kind(&self) -> &'static str {
        self.kind_and_family().0
    }

    /// Whether its words hold numbers of one flake, and so differ from row to row.
    #[cfg(feature = "table")]
    pub(crate) fn is_of_numbers(&self) -> bool {
        use Doubt::*;
        matches!(
            *self.0,
            OutsideRange { .. }
                | Leverage { .. }
                | BeyondRecorded { .. }
                | NearEndOfDomain { .. }
                | AtomAtZero { .. }
                | RemainsImprobable { .. }
                | MeasuredOutside { .. }
                | FlakesDisagree { .. }
                | LikeNone { .. }
                | GroupAgainstFlakes { .. }
        )
    }

    /// Whether it speaks of sizes: how the flake ends is no part of every answer.
    pub(crate) fn is_of_sizes(&self) -> bool {
        !matches!(*self.0, Doubt::TerminationsNotTold { .. })
    }

    /// A stable name of the kind; and which cautions are told in one sentence with it, the families in the order of their
    /// weight, the gravest first. (This crate's choice, no source.)
    fn kind_and_family(&self) -> (&'static str, u8) {
        match &*self.0 {
            Doubt::FlakesDisagree { .. } => ("flakes-disagree", 0),
            Doubt::LikeNone { .. } => ("like-none", 0),
            Doubt::LipsAgainstSizes { .. } => ("lips-against-sizes", 0),
            Doubt::GroupAgainstFlakes { .. } => ("group-against-flakes", 0),
            Doubt::LocalFlakes { .. } => ("local-flakes", 0),
            Doubt::OutsideRange { .. } => ("outside-range", 1),
            Doubt::Leverage { .. } => ("leverage", 2),
            Doubt::BeyondRecorded { .. } => ("beyond-recorded", 2),
            Doubt::NearEndOfDomain { .. } => ("near-end-of-domain", 3),
            Doubt::AtomAtZero { .. } => ("atom-at-zero", 3),
            Doubt::FallsWithPlatform { .. } => ("falls-with-platform", 3),
            Doubt::RemainsImprobable { .. } => ("remains-improbable", 4),
            Doubt::MeasuredOutside { .. } => ("measured-outside", 4),
            Doubt::Mechanics { kind: kind @ "crushes", .. } => (kind, 5),
            Doubt::PercussorNotInExperiment { .. } => ("percussor-not-in-experiment", 6),
            Doubt::PercussorRatio { .. } => ("percussor-ratio", 6),
            Doubt::PercussorsNotToldApart { .. } => ("percussors-not-told-apart", 6),
            Doubt::NameNotKnown { what: "percussor", .. } => ("percussor-not-known", 6),
            Doubt::NameNotKnown { .. } => ("stone-not-known", 8),
            Doubt::Technique { .. } => ("technique", 7),
            Doubt::StoneNotInExperiment { .. } => ("stone-not-in-experiment", 8),
            Doubt::MovedToSites { .. } => ("moved-to-sites", 9),
            Doubt::Bevelled => ("bevelled", 10),
            Doubt::PlatformKind { .. } => ("platform-kind", 10),
            Doubt::NotAsStruck { .. } => ("not-as-struck", 10),
            Doubt::HeightAboveThickness => ("height-above-thickness", 10),
            Doubt::RetouchNotInExperiment { .. } => ("retouch-not-in-experiment", 11),
            Doubt::StatesOfExperiment => ("states-of-experiment", 11),
            Doubt::Mechanics { kind, .. } => (kind, 12),
            Doubt::MayBeFittedToThese { .. } => ("may-be-fitted-to-these", 13),
            Doubt::NoFailedBlows => ("no-failed-blows", 13),
            Doubt::SettingsAveraged { .. } => ("settings-averaged", 14),
            Doubt::Assumed { .. } => ("assumed", 14),
            Doubt::GroupNotFitted { .. } => ("group-not-fitted", 14),
            Doubt::TerminationNotInExperiment { .. } => ("termination-not-in-experiment", 15),
            Doubt::TerminationsNotTold { .. } => ("terminations-not-told", 15),
            Doubt::NotInExperiment { .. } => ("not-in-experiment", 16),
            Doubt::FewGroups { .. } => ("few-groups", 16),
        }
    }
}

/// Cautions of one or several answers in few sentences: related ones told together, the gravest first, the same one once.
/// Each answer has a name (none where there is one answer): what holds for some of them only is told with theirs in front, but
/// where the sentence names the percussor itself. Of more than five answers some are named and some sentences told, and how many
/// more there are.
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::predict::{Caution, Predictor, in_few_of};
/// use conchoid::strike::Strike;
/// let glass = Predictor::new(bundled::named("controlled-glass")?)?;
/// let cautions = |angle: f64| -> conchoid::Result<Vec<Caution>> {
///     let strike = Strike::builder().platform_depth_mm(40.0).exterior_platform_angle_deg(angle).build()?;
///     Ok(glass.estimate(&strike, &Default::default())?.cautions)
/// };
/// let (steep, flat) = (cautions(75.0)?, cautions(30.0)?);
/// let told = in_few_of(&[("", &flat)]);
/// assert!(told.len() < flat.len());
/// assert!(told[0].starts_with("platform depth 40 mm") && told[0].contains("exterior platform angle 30 degrees"));
/// let told = in_few_of(&[("the first", &steep), ("the second", &flat)]);
/// assert!(told[0].contains("the second: exterior platform angle 30 degrees"));
/// # Ok::<(), conchoid::Error>(())
/// ```
pub fn in_few_of(all: &[(&str, &[Caution])]) -> Vec<String> {
    // by place, since two answers may bear one name
    let mut found: Vec<(&Caution, String, Vec<usize>)> = Vec::new();
    let mut places = std::collections::HashMap::new();
    for (i, (_, cautions)) in all.iter().enumerate() {
        for c in *cautions {
            let place = *places.entry(c.to_string()).or_insert_with_key(|sentence| {
                found.push((c, sentence.clone(), Vec::new()));
                found.len() - 1
            });
            let whose = &mut found[place].2;
            if whose.last() != Some(&i) {
                whose.push(i);
            }
        }
    }
    let mut families: std::collections::BTreeMap<u8, Vec<String>> = Default::default();
    for (c, sentence, whose) in found {
        use Doubt::{NameNotKnown, PercussorNotInExperiment, PercussorRatio};
        let named =
            matches!(*c.0, PercussorNotInExperiment { .. } | PercussorRatio { .. } | NameNotKnown { .. });
        let told = if whose.len() == all.len() || named {
            sentence
        } else {
            let mut names: Vec<String> = whose.iter().map(|i| all[*i].0.to_string()).collect();
            if names.len() > MOST_TOLD {
                names.splice(MOST_TOLD - 1.., [format!("{} more", whose.len() + 1 - MOST_TOLD)]);
            }
            format!("{}: {sentence}", names.join(", "))
        };
        families.entry(c.kind_and_family().1).or_default().push(told);
    }
    let of_family = |mut told: Vec<String>| {
        let more = (told.len() + 1).saturating_sub(MOST_TOLD);
        if all.len() > MOST_TOLD && more > 1 {
            told.splice(MOST_TOLD - 1.., [format!("and {more} more of the kind")]);
        }
        told.join("; ")
    };
    families.into_values().map(of_family).collect()
}

/// Of more answers than these, so many are named in front of a sentence, and so many sentences told of a family, the last
/// being how many there are beyond. This crate's choice, no source.
const MOST_TOLD: usize = 5;

/// A measurement's column name in words: `platform_depth_mm` reads `platform depth`.
pub fn in_words(column: &str) -> String {
    let units = ["_mm2", "_mm", "_g", "_deg", "_m_s"];
    let bare = units.iter().find_map(|u| column.strip_suffix(u)).unwrap_or(column);
    bare.replace('_', " ")
}

/// A measurement beyond the flakes of an experiment, and the nearest of them.
pub(crate) fn nearest(measurement: &str, value: f64, low: f64, high: f64) -> String {
    let (u, end) = (unit(measurement), if value < low { low } else { high });
    format!("{} {}{u} (the nearest: {}{u})", in_words(measurement), short(value), short(end))
}

/// The unit a column name ends in, for a sentence.
fn unit(column: &str) -> String {
    let unit = crate::page::unit(column);
    if unit.is_empty() { String::new() } else { format!(" {unit}") }
}

/// Units that are taken for ours, with how many of ours one of them is.
const UNITS: [(&str, &[(&str, f64)]); 4] = [
    ("_mm", &[("centimetres", 10.0), ("inches", INCH_MM), ("metres", 1e3)]),
    ("_mm2", &[("square centimetres", 1e2), ("square inches", INCH_MM * INCH_MM)]),
    ("_g", &[("kilograms", 1e3), ("ounces", OUNCE_G), ("milligrams", 1e-3)]),
    ("_deg", &[("radians", RADIAN_DEG)]),
];

/// The units that may have been taken for that of a column.
pub(crate) fn units_taken(column: &str) -> impl Iterator<Item = (&'static str, f64)> {
    UNITS.iter().filter(move |(of, _)| column.ends_with(of)).flat_map(|(_, units)| units.iter().copied())
}

/// The unit that numbers of a column may be in, being so many times what was expected (logarithm), within a factor of 2.5.
/// (This crate's choice, no source.)
pub(crate) fn unit_taken(column: &str, ln_times: f64) -> Option<&'static str> {
    let miss = |ours: f64| (ln_times + ours.ln()).abs();
    let near = units_taken(column).filter(|u| miss(u.1) < 2.5f64.ln());
    near.min_by(|a, b| miss(a.1).total_cmp(&miss(b.1))).map(|(name, _)| name)
}

impl From<Doubt> for Caution {
    fn from(doubt: Doubt) -> Caution {
        Caution(Arc::new(doubt))
    }
}

impl fmt::Display for Caution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &*self.0 {
            Doubt::OutsideRange { measurement, value, low, high } => {
                let (side, by) = if value < low { ("below", low - value) } else { ("above", value - high) };
                let u = unit(measurement);
                write!(
                    f,
                    "{} {}{u} is {}{u} {side} what the experiment covered ({low} to {high}{u})",
                    in_words(measurement),
                    short(*value),
                    short(by)
                )
            }
            Doubt::Leverage { value, largest } => write!(
                f,
                "this combination of measurements is unlike any flake of the experiment \
                 (leverage {}, largest fitted {})",
                short(*value),
                short(*largest)
            ),
            Doubt::BeyondRecorded { size, expected, low, high } => {
                let side = if expected < low { "below" } else { "above" };
                let u = unit(size);
                write!(
                    f,
                    "the {} expected here ({}{u}) is {side} any that the experiment recorded ({} to {}{u}): \
                     the form is drawn on past its flakes",
                    in_words(size),
                    short(*expected),
                    short(*low),
                    short(*high)
                )
            }
            Doubt::PercussorNotInExperiment { percussor, leans_on, seen } => {
                if seen.is_empty() {
                    return write!(f, "what struck the flakes of this calibration is not recorded: {percussor} changes nothing");
                }
                write!(f, "{percussor} was not used in the experiment ({})", seen.join(", "))?;
                match leans_on {
                    Some(l) => write!(f, "; the answer leans on {l}"),
                    None => write!(f, "; the answer is for what was used"),
                }
            }
            Doubt::NameNotKnown { what, name, instead } => {
                let (any, known) = match *what {
                    "stone" => ("any stone", "flint, quartzite"),
                    _ => ("any percussor", "antler, wood, hammerstone"),
                };
                let instead = if instead.is_empty() { any.to_string() } else { instead.join(", ") };
                write!(f, "the {what} \"{name}\" is not known")?;
                match near(what, name) {
                    Some(near) => write!(
                        f,
                        "; did you mean \"{near}\"? The answer is for {instead} (in a table, --word {what}:{near}=\"{name}\" \
                         makes it {near})"
                    ),
                    None => write!(
                        f,
                        "; the answer is for {instead} (in a table, --word {what}:OURS=\"{name}\" makes it OURS: {known} or \
                         another known one)"
                    ),
                }
            }
            Doubt::PercussorRatio { percussor, seen, ratio: Some((over, under)) } => write!(
                f,
                "nobody struck these flakes with {percussor} ({} did): the answer is theirs times the ratio of {over} over \
                 {under} on glass at the same angle of blow and landing place, with its uncertainty and more for carrying it over \
                 (this crate's choice); how flakes end is left as it was",
                seen.join(", ")
            ),
            Doubt::PercussorRatio { percussor, seen, ratio: None } => write!(
                f,
                "nobody struck these flakes with {percussor} ({} did): taken as one of these, with wider intervals",
                seen.join(", ")
            ),
            Doubt::PercussorsNotToldApart { seen } => write!(
                f,
                "these flakes were struck by {}, and the calibration does not tell them apart: which is named changes \
                 nothing",
                seen.join(", ")
            ),
            Doubt::StoneNotInExperiment { stone, seen, local: None } => {
                write!(f, "the experiment flaked {seen}, not {stone}")
            }
            Doubt::StoneNotInExperiment { stone, seen, local: Some(flakes) } => {
                let flakes = crate::error::counted(*flakes, "local flake", "local flakes");
                write!(f, "the level is that of {flakes} of {seen}, not {stone}")
            }
            Doubt::LocalFlakes { text } => f.write_str(text),
            Doubt::FallsWithPlatform { what } => write!(f, "falls as the platform grows (flakes do not): {}", what.join(", ")),
            Doubt::SettingsAveraged { settings } => {
                let names: Vec<String> = settings.iter().map(|s| in_words(s)).collect();
                let of_blows = |s: &String| SETTINGS.contains(&s.as_str());
                let over = if settings.iter().all(of_blows) { "blows of the experiment" } else { "flakes fitted" };
                write!(f, "not given: {}; averaged over the {over}", names.join(", "))
            }
            Doubt::Assumed { class, level } => {
                write!(f, "{} is taken as \"{level}\" (not given, or not in the experiment)", in_words(class))
            }
            Doubt::NotInExperiment { what } => write!(
                f,
                "{} not recorded in the experiment: the interval may be too narrow for a new one",
                what.join(" and ")
            ),
            Doubt::GroupNotFitted { by, name, groups, of } => {
                let of = of.as_ref().map_or(String::new(), |size| format!(" for its {}", in_words(size)));
                let by = in_words(by);
                write!(f, "{by} \"{name}\" is none of the {groups} of the fit{of}: answered as a new one")
            }
            Doubt::FewGroups { by, groups } => write!(
                f,
                "{groups} groups of {} hardly tell how much they differ: a new one may lie further out than the interval says",
                in_words(by)
            ),
            Doubt::MovedToSites { size, times, either_way } => write!(
                f,
                "not flakes of the experiment: {}, which differ by a factor of {} either way",
                match times {
                    Some(times) => format!(
                        "{} is taken {} times as large as there, as at excavated sites",
                        in_words(size),
                        two(*times)
                    ),
                    None => format!("{} is that of such platforms at excavated sites", in_words(size)),
                },
                two(*either_way)
            ),
            Doubt::NearEndOfDomain { measurement, value, why } => {
                write!(f, "{} {}{}: {why}", in_words(measurement), short(*value), unit(measurement))
            }
            Doubt::AtomAtZero { size, probability } => write!(
                f,
                "{:.1} % of the predictive of {} lies below zero, where no flake is",
                probability * 100.0,
                in_words(size)
            ),
            Doubt::Technique { technique } => write!(
                f,
                "{technique} technique: the experiments struck directly; the sizes are those of a direct blow, with wider \
                 intervals (this crate's choice)"
            ),
            Doubt::Bevelled => {
                write!(f, "a bevelled platform gives a heavier flake than its depth predicts")
            }
            Doubt::PlatformKind { kind } => {
                write!(f, "the kind of platform ({kind}) is not read by the calibration: answered as any other")
            }
            Doubt::TerminationNotInExperiment { termination } => {
                write!(
                    f,
                    "the calibration cannot answer for a {termination} termination; not conditioned on it"
                )
            }
            Doubt::TerminationsNotTold { terminations } => write!(
                f,
                "the calibration gives these terminations no probability of their own: {}",
                terminations.join(", ")
            ),
            Doubt::NotAsStruck { state } => {
                write!(f, "the piece is {state}: the sizes are those of the flake as it came off")
            }
            Doubt::RemainsImprobable { size, now, probability } => {
                let share = if *probability < 1e-6 {
                    "fewer than one in a million flakes".to_string()
                } else {
                    format!("only {} % of flakes", short(probability * 100.0))
                };
                write!(
                    f,
                    "{share} from such a platform had the {} that remains ({}{}): check the \
                     measurements; the answer rests on the far tail of the calibration",
                    in_words(size),
                    short(*now),
                    unit(size)
                )
            }
            Doubt::MeasuredOutside { column, measured, low, high } => {
                let u = unit(column);
                write!(
                    f,
                    "the {} measured ({}{u}) lies outside of what was expected ({} to {}{u})",
                    in_words(column),
                    short(*measured),
                    short(*low),
                    short(*high)
                )
            }
            Doubt::RetouchNotInExperiment { what } => write!(
                f,
                "{what} is not in the experiment (direct, on one edge): more may be lost than its heights tell"
            ),
            Doubt::HeightAboveThickness => f.write_str(
                "a height of retouch is above the thickness there, within caliper error: it counts as the whole thickness",
            ),
            Doubt::StatesOfExperiment => f.write_str(
                "the experiment has every state from first retouch to exhaustion in like numbers; where nearly all \
                 pieces are fresh, or nearly all worn out, the answer leans toward the middle",
            ),
            Doubt::FlakesDisagree { times } => write!(
                f,
                "these flakes differ among themselves {} times as widely as flakes of one percussor do: more than one hand, \
                 stone or percussor, or errors of measurement; the odds mean little",
                short(*times)
            ),
            Doubt::LikeNone { .. } => f.write_str(
                "these flakes agree with none of the classes, even if the site differs from the experiment as sites do: the odds say \
                 which is less wrong, not which is right",
            ),
            Doubt::LipsAgainstSizes { lips_for, sizes_for, .. } => write!(
                f,
                "the lips speak for {lips_for}, the sizes for {sizes_for}: the odds are what is left where one is set against \
                 the other, and change with every flake"
            ),
            Doubt::GroupAgainstFlakes { class, alike, of } => write!(
                f,
                "by themselves only {alike} of these {of} flakes would be more like {class}: what speaks for it is what all have in \
                 common, which may be their site's"
            ),
            Doubt::MayBeFittedToThese { calibration } => write!(
                f,
                "{calibration} foretells these flakes only if they were not among those that it was fitted to; if they were, \
                 they seem more like it than they are"
            ),
            Doubt::NoFailedBlows => f.write_str(
                "whether the flake detaches is model-based: no failed blows were recorded, and the law of the \
                 required force was found with sharp points pressed slowly",
            ),
            Doubt::Mechanics { text, .. } => f.write_str(text),
        }
    }
}

/// Two figures.
fn two(v: f64) -> String {
    if v < 1.0 { format!("{v:.2}") } else { format!("{v:.1}") }
}

/// A number short enough for a sentence.
fn short(v: f64) -> String {
    if v == 0.0 {
        return "0".to_string();
    }
    if !(1e-6..1e15).contains(&v.abs()) {
        return format!("{v:e}");
    }
    let decimals = (3 - v.abs().log10().floor() as i64).clamp(0, 6) as usize;
    let text = format!("{v:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}

#[cfg(feature = "schema")]
impl schemars::JsonSchema for Caution {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Caution".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "description": "A reason to distrust the answer.",
            "type": "object",
            "properties": {
                "kind": { "type": "string", "description": "A word for programs, such as `outside-range`." },
                "text": { "type": "string", "description": "A sentence for people." }
            },
            "required": ["kind", "text"]
        })
    }
}

impl Serialize for Caution {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        let mut out = s.serialize_struct("Caution", 2)?;
        out.serialize_field("kind", self.kind())?;
        out.serialize_field("text", &self.to_string())?;
        out.end()
    }
}
