//! How often attribution was right on flakes it had not seen.
//!
//! The whole of it is fitted again without a part of the experiment's flakes and asked about that part: the
//! calibration by its recipe, the lip model by its form. Parts are drawn at random within each percussor. Single
//! flakes are scored with even prior odds, every class counting alike (the classes are very unequal in number,
//! and a constant answer of even odds then scores ln 2 = 0.693 nats and a Brier score of 0.5). Groups of k
//! flakes of one percussor are drawn without replacement from one part; the more flakes a group needs, the
//! fewer parts, so that a part has enough, and the less the refitted models know: the record is a little
//! unkind to large groups. Groups share flakes, so their fractions are less sure than their number suggests.

use super::attribution::{Attribution, SiteShift};
use super::lip::{LipModel, class_of};
use crate::calibration::fitting::{Collector, Figure, Recipe};
use crate::error::{Error, Result};
use crate::fit::multinomial::{Score, brier_scores, log_scores};
use crate::material::PercussorClass;
use crate::special::shuffle;
use crate::strike::Measured;
use rand::Rng;
use serde::{Deserialize, Serialize};

/// What the flakes of the record were judged by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Judged {
    /// By their lips too.
    pub lips: bool,
    /// By their terminations too.
    pub terminations: bool,
    /// Without angle of blow and landing place, as artefacts are.
    pub blow_hidden: bool,
}

/// A mean with its standard error over flakes, to four decimals.
fn recorded(s: Score) -> Figure {
    let rounded = |v: f64| (v * 1e4).round() / 1e4;
    Figure { value: rounded(s.mean), standard_error: rounded(s.standard_error) }
}

/// What became of the flakes, or groups, of one percussor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RecordedOutcome {
    /// The percussor they were struck with.
    pub percussor: String,
    /// Its class.
    pub class: String,
    /// How many.
    pub count: u64,
    /// Given to their class, with probability above one half.
    pub likelier_right: u64,
    /// Given to their class with the probability that counts as decided.
    pub decided_right: u64,
    /// Given to another class with that probability; the others are undecided.
    pub decided_wrong: u64,
}

impl RecordedOutcome {
    fn add(&mut self, probability_of_own: f64, decided: f64) {
        self.count += 1;
        self.likelier_right += u64::from(probability_of_own > 0.5);
        self.decided_right += u64::from(probability_of_own > decided);
        self.decided_wrong += u64::from(probability_of_own < 1.0 - decided);
    }
}

/// Single flakes, judged in one way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RecordedSingles {
    /// How they were judged.
    pub judged: Judged,
    /// -ln of the probability of what struck, in nats; even odds score 0.693.
    pub log_score: Figure,
    /// Brier score over both classes; even odds score 0.5.
    pub brier: Figure,
    /// By percussor.
    pub outcomes: Vec<RecordedOutcome>,
}

/// Groups of one size.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RecordedGroups {
    /// Flakes in a group.
    pub flakes: u64,
    /// How they were judged.
    pub judged: Judged,
    /// By percussor.
    pub outcomes: Vec<RecordedOutcome>,
}

/// The record of one calibration: how often attribution was right on flakes it had not seen. It is read in its JSON, and
/// told with what a table says of its percussors.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrackRecord {
    /// Name of the calibration.
    pub(crate) calibration: String,
    /// The command that made it.
    pub(crate) command: String,
    /// A single flake counts as decided above this probability.
    pub(crate) single_decided: f64,
    /// Single flakes.
    pub(crate) singles: Vec<RecordedSingles>,
    /// A group counts as decided above this probability.
    pub(crate) group_decided: f64,
    /// Groups.
    pub(crate) groups: Vec<RecordedGroups>,
}

/// What to try.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct RecordPlan {
    /// Parts for single flakes.
    pub folds: usize,
    /// Sizes of groups.
    pub groups: Vec<usize>,
    /// Groups of each size for each percussor.
    pub repeats: usize,
    /// Draws of the integration.
    pub draws: usize,
}

impl Default for RecordPlan {
    fn default() -> Self {
        RecordPlan { folds: 10, groups: vec![1, 5, 10], repeats: 60, draws: 100 }
    }
}

/// A single flake counts as decided above this probability (no source).
const SINGLE_DECIDED: f64 = 0.8;
/// A group counts as decided above this probability (common practice, no source).
const GROUP_DECIDED: f64 = 0.95;

impl TrackRecord {
    /// The record of the bundled calibration of this name, where there is one.
    pub(crate) fn bundled(calibration: &str) -> Option<TrackRecord> {
        let record: TrackRecord = serde_json::from_str(include_str!("track_record.json")).ok()?;
        (record.calibration == calibration).then_some(record)
    }

    /// Its JSON text, ending in a line break.
    pub fn to_json(&self) -> String {
        let mut text = serde_json::to_string_pretty(self).unwrap_or_default();
        text.push('\n');
        text
    }

    /// Tries a recipe on the flakes of its own experiment.
    ///
    /// Only flakes whose percussor is known and that can be attributed at all are judged; all are fitted.
    ///
    /// `rng` is any generator of the crate `rand`, version 0.10 (`rand_chacha::ChaCha8Rng::seed_from_u64(7)`).
    ///
    /// # Errors
    /// Those of the fits; [`Error::TooFew`] where a percussor has fewer than two flakes.
    pub fn of<M: Measured, R: Rng + ?Sized>(
        recipe: &Recipe,
        flakes: &[M],
        command: &str,
        rng: &mut R,
    ) -> Result<TrackRecord> {
        TrackRecord::as_planned(recipe, flakes, &RecordPlan::default(), command, rng)
    }

    /// The same, tried otherwise.
    fn as_planned<M: Measured, R: Rng + ?Sized>(
        recipe: &Recipe,
        flakes: &[M],
        plan: &RecordPlan,
        command: &str,
        rng: &mut R,
    ) -> Result<TrackRecord> {
        let bench = Bench::new(recipe, flakes, plan.draws)?;
        let singles = bench.singles(plan.folds.max(2), rng)?;
        let mut groups = Vec::new();
        for k in &plan.groups {
            groups.extend(bench.groups(*k, plan.repeats, rng)?);
        }
        Ok(TrackRecord {
            calibration: recipe.name.clone(),
            command: command.to_string(),
            single_decided: SINGLE_DECIDED,
            singles,
            group_decided: GROUP_DECIDED,
            groups,
        })
    }

    /// How often such answers were right in the experiment itself, for groups like these.
    #[cfg(feature = "table")]
    pub(crate) fn tell(&self, page: &mut crate::page::Page, lips: bool) {
        let judged = Judged { lips, terminations: true, blow_hidden: true };
        let percent = |n: u64, of: u64| 100.0 * n as f64 / of.max(1) as f64;
        if let Some(s) = self.singles(judged) {
            let each = |o: &RecordedOutcome| format!("{} of {} {}", o.likelier_right, o.count, o.percussor);
            let list: Vec<String> = s.outcomes.iter().map(each).collect();
            page.part(format!(
                "How good this is: single flakes of its own experiment, which it had not seen and whose blows it was \
                 not told, went to the right class for {}, with even prior odds. Their log score is {:.2} +/- {:.2} \
                 (knowing nothing scores 0.69) and their Brier score {:.2} +/- {:.2} (knowing nothing scores 0.50); \
                 smaller is better.",
                list.join(", "),
                s.log_score.value,
                s.log_score.standard_error,
                s.brier.value,
                s.brier.standard_error
            ));
        }
        if let Some(s) = self.singles(Judged { blow_hidden: false, ..judged }) {
            page.say(format!(
                "Told how they were struck, it has a log score of {:.2} +/- {:.2}. Where that is worse, part of the \
                 former is owed not to the percussor but to how each was swung in the experiment; a knapper may swing \
                 otherwise. Hard tips that land on the edge leave lips too.",
                s.log_score.value, s.log_score.standard_error
            ));
        }
        page.say(format!(
            "Groups struck by one percussor, decided where a class reaches {:.2} (right / wrong, in %; the others \
             stay undecided):",
            self.group_decided
        ));
        for g in self.groups.iter().filter(|g| g.judged == judged) {
            let each = |o: &RecordedOutcome| {
                if o.count == 0 {
                    return format!("{} untried", o.percussor);
                }
                let (right, wrong) = (percent(o.decided_right, o.count), percent(o.decided_wrong, o.count));
                format!("{} {right:>3.0} / {wrong:<2.0}", o.percussor)
            };
            let list: Vec<String> = g.outcomes.iter().map(each).collect();
            let flakes = if g.flakes == 1 { "flake" } else { "flakes" };
            page.line(format!("  {:>2} {flakes:6}  {}", g.flakes, list.join("   ").trim_end()));
        }
    }

    /// The single flakes judged in this way.
    #[cfg(feature = "table")]
    pub(crate) fn singles(&self, judged: Judged) -> Option<&RecordedSingles> {
        self.singles.iter().find(|s| s.judged == judged)
    }
}

/// The ways in which single flakes are judged.
fn ways() -> Vec<Judged> {
    let way = |lips, terminations, blow_hidden| Judged { lips, terminations, blow_hidden };
    vec![
        way(false, false, true),
        way(false, true, true),
        way(true, true, true),
        way(false, true, false),
        way(true, true, false),
    ]
}

/// The flakes, sorted by percussor, ready to be fitted without some of them.
struct Bench<'a, M> {
    recipe: &'a Recipe,
    flakes: &'a [M],
    /// Percussors with their class and the places of their flakes.
    percussors: Vec<(String, &'static str, Vec<usize>)>,
    draws: usize,
}

impl<'a, M: Measured> Bench<'a, M> {
    fn new(recipe: &'a Recipe, flakes: &'a [M], draws: usize) -> Result<Bench<'a, M>> {
        let mut bench = Bench { recipe, flakes, percussors: Vec::new(), draws };
        let whole = bench.without(&vec![false; flakes.len()])?;
        for (i, f) in flakes.iter().enumerate() {
            let (Some(name), Some(class)) = (f.class("percussor"), class_of(f)) else { continue };
            if whole.check(f).is_err() || f.number(crate::form::ANGLE_OF_BLOW).is_none() {
                continue;
            }
            match bench.percussors.iter_mut().find(|p| p.0 == name) {
                Some(p) => p.2.push(i),
                None => bench.percussors.push((name.to_string(), class, vec![i])),
            }
        }
        bench.percussors.sort();
        match bench.percussors.iter().find(|p| p.2.len() < 2) {
            Some(p) => {
                Err(Error::TooFew { what: format!("flakes struck with {}", p.0), found: 1, needed: 2 })
            }
            None => Ok(bench),
        }
    }

    /// Everything fitted without the flakes marked.
    fn without(&self, out: &[bool]) -> Result<Attribution> {
        let mut collector = Collector::new(self.recipe.clone())?;
        let kept = || self.flakes.iter().zip(out).filter(|(_, out)| !**out).map(|(f, _)| f);
        kept().for_each(|f| {
            collector.offer(f);
        });
        let calibration = collector.finish()?.0;
        let lips = kept().map(|f| f as &dyn Measured);
        let lip = LipModel::fit(calibration.name(), "a part of the experiment", lips)?;
        // what the experiment struck with, and flakes that are its own but for another day
        let site = SiteShift { common: 0.2, own: 0.1, log_odds: 1.0 };
        let a = Attribution::of(calibration)?.with_metal()?.with_site(site)?;
        a.with_lip(Some(lip)).with_draws(self.draws)
    }

    fn judge(attribution: &Attribution, judged: Judged) -> Attribution {
        let mut a = attribution.clone();
        a.terminations &= judged.terminations;
        let a = if judged.lips { a } else { a.with_lip(None) };
        if judged.blow_hidden { a.hiding_blow() } else { a }
    }

    /// A part for each flake to be judged, at random within each percussor.
    fn folds<R: Rng + ?Sized>(&self, parts: usize, rng: &mut R) -> Vec<Option<usize>> {
        let mut folds = vec![None; self.flakes.len()];
        for (_, _, places) in &self.percussors {
            let mut order = places.clone();
            shuffle(&mut order, rng);
            order.iter().enumerate().for_each(|(i, at)| folds[*at] = Some(i % parts));
        }
        folds
    }

    fn outcomes(&self) -> Vec<RecordedOutcome> {
        let none = |(name, class, _): &(String, &'static str, Vec<usize>)| RecordedOutcome {
            percussor: name.clone(),
            class: class.to_string(),
            count: 0,
            likelier_right: 0,
            decided_right: 0,
            decided_wrong: 0,
        };
        self.percussors.iter().map(none).collect()
    }

    /// Single flakes, judged in every way by the same refitted models.
    fn singles<R: Rng + ?Sized>(&self, parts: usize, rng: &mut R) -> Result<Vec<RecordedSingles>> {
        let classes: Vec<&str> = PercussorClass::NAMES.to_vec();
        let folds = self.folds(parts, rng);
        let mut found: Vec<(Judged, Vec<RecordedOutcome>, Vec<f64>)> =
            ways().into_iter().map(|judged| (judged, self.outcomes(), Vec::new())).collect();
        let mut happened = Vec::new();
        for part in 0..parts {
            let out: Vec<bool> = folds.iter().map(|f| *f == Some(part)).collect();
            let fitted = self.without(&out)?;
            for (judged, outcomes, probabilities) in &mut found {
                let attribution = Self::judge(&fitted, *judged);
                for ((_, class, places), outcome) in self.percussors.iter().zip(outcomes) {
                    for at in places.iter().filter(|at| out[**at]) {
                        let verdict = attribution.attribute(&[&self.flakes[*at]], rng)?;
                        outcome.add(verdict.probability_of_model(class).unwrap_or(0.0), SINGLE_DECIDED);
                        probabilities
                            .extend(classes.iter().map(|c| verdict.probability_of_model(c).unwrap_or(0.0)));
                    }
                }
            }
            for (_, class, places) in &self.percussors {
                let here = places.iter().filter(|at| out[**at]).count();
                let class = classes.iter().position(|c| c == class).unwrap_or(0);
                happened.extend(std::iter::repeat_n(class, here));
            }
        }
        let mut counts = vec![0.0; classes.len()];
        happened.iter().for_each(|k| counts[*k] += 1.0);
        let weights: Vec<f64> = happened.iter().map(|k| 1.0 / counts[*k]).collect();
        let scored = |(judged, outcomes, probabilities): (Judged, Vec<RecordedOutcome>, Vec<f64>)| {
            let log = log_scores(&probabilities, classes.len(), &happened);
            let brier = brier_scores(&probabilities, classes.len(), &happened);
            Ok(RecordedSingles {
                judged,
                log_score: recorded(Score::of(&log, Some(&weights))?),
                brier: recorded(Score::of(&brier, Some(&weights))?),
                outcomes,
            })
        };
        found.into_iter().map(scored).collect()
    }

    /// Groups of k flakes, without and with their lips, by the same refitted models.
    fn groups<R: Rng + ?Sized>(&self, k: usize, repeats: usize, rng: &mut R) -> Result<Vec<RecordedGroups>> {
        let mut found: Vec<RecordedGroups> = [false, true]
            .map(|lips| RecordedGroups {
                flakes: k as u64,
                judged: Judged { lips, terminations: true, blow_hidden: true },
                outcomes: self.outcomes(),
            })
            .to_vec();
        let fewest = self.percussors.iter().map(|p| p.2.len()).min().unwrap_or(0);
        let parts = (fewest / k.max(1)).clamp(2, 10);
        // at least six rounds of two parts: several groups a part, so that a fit is not wasted on one
        let each = repeats.div_ceil(parts.max(12));
        let mut made = 0;
        while made < repeats {
            let folds = self.folds(parts, rng);
            for part in 0..parts {
                let out: Vec<bool> = folds.iter().map(|f| *f == Some(part)).collect();
                let take = each.min(repeats - made);
                if take == 0 {
                    break;
                }
                made += take;
                let fitted = self.without(&out)?;
                for g in &mut found {
                    let attribution = Self::judge(&fitted, g.judged);
                    for ((_, class, places), outcome) in self.percussors.iter().zip(&mut g.outcomes) {
                        let mut order: Vec<usize> = places.iter().copied().filter(|at| out[*at]).collect();
                        for _ in 0..take {
                            shuffle(&mut order, rng);
                            if order.len() < k {
                                continue;
                            }
                            let group: Vec<&M> = order[..k].iter().map(|at| &self.flakes[*at]).collect();
                            let verdict = attribution.attribute(&group, rng)?;
                            outcome.add(verdict.probability_of_model(class).unwrap_or(0.0), GROUP_DECIDED);
                        }
                    }
                }
            }
        }
        Ok(found)
    }
}

#[cfg(all(test, feature = "table"))]
mod tests {
    use super::*;
    use crate::calibration::bundled;
    use crate::table::{Row, TableOptions, TableReader};
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;

    fn flakes() -> Vec<Row> {
        let options = TableOptions::new().class("core_shape");
        let mut table = TableReader::new(crate::tests::open("glass-controlled.csv"), &options).unwrap();
        let (mut rows, mut row) = (Vec::new(), table.row());
        while table.read(&mut row).unwrap() {
            rows.push(row.clone());
        }
        rows
    }

    #[test]
    #[ignore = "needs CONCHOID_DATA"]
    fn real_data_single_flakes_are_told_apart_better_than_by_chance_and_as_the_record_says() {
        let flakes = flakes();
        let plan = RecordPlan { groups: vec![5], repeats: 60, ..RecordPlan::default() };
        let mut rng = ChaCha8Rng::seed_from_u64(99);
        let (recipe, _) = bundled::recipe("controlled-glass").unwrap();
        let again = TrackRecord::as_planned(&recipe, &flakes, &plan, "again", &mut rng).unwrap();
        let bundled = TrackRecord::bundled("controlled-glass").unwrap();
        for s in &again.singles {
            let told = bundled.singles(s.judged).unwrap();
            println!("{:?}: {:?} {:?}, bundled {:?}", s.judged, s.log_score, s.brier, told.log_score);
            // other folds, the same flakes: well within a standard error
            assert!(
                (s.log_score.value - told.log_score.value).abs() < told.log_score.standard_error,
                "{:?}",
                s.judged
            );
            assert!(
                s.log_score.value + 2.0 * s.log_score.standard_error < std::f64::consts::LN_2,
                "{:?}",
                s.judged
            );
            assert!(s.brier.value < 0.45);
        }
        // lips help
        let judged = |lips| Judged { lips, terminations: true, blow_hidden: true };
        let score = |lips| again.singles(judged(lips)).unwrap().log_score.value;
        assert!(score(true) < score(false) - 0.05);
        for g in &again.groups {
            for o in &g.outcomes {
                println!("groups of {} {:?}: {o:?}", g.flakes, g.judged);
                assert!(o.decided_wrong * 5 <= o.count, "{o:?}");
            }
        }
    }
}
