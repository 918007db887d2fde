//! Many flakes at once: totals and means of original mass, of mass lost and of length, by group.
//!
//! Every flake is estimated from the same few coefficients, so their errors do not average out: a total is
//! as uncertain as the coefficients, however many flakes it sums. Each draw therefore takes one set of
//! coefficients for all flakes and then an error of its own for each:
//!
//! ```text
//! constant spread   s^2 ~ d s0^2 / chi2(d),  b | s^2 ~ N(b0, (s / s0)^2 V)     the exact t predictive
//! modelled spread   c ~ N(c0, C),            b ~ N(b0, V),   ln s_i = z_i'c
//! flake i           g(size_i) = x_i'b + s_i e_i,    e_i normal, or Student t where the calibration says so
//! ```
//!
//! The quantiles of the drawn totals are the answer, with the Monte Carlo error of each; the total of
//! exponentials of t has no mean, so none is given. Draw k has a generator of its own (xoshiro256++), started from
//! the k-th stream of a ChaCha8 generator: the answer depends on the seed and the number of draws, not on threads. Settings of the blow that were not
//! given, and terminations, are drawn for each flake apart; the uncertainty of their shares is not drawn.
//!
//! **One flake a platform.** Pieces of one group that share core and flake name are one flake, its mass now
//! the sum of theirs, unless two of them carry a platform and one is complete (the name was used twice: each
//! stands for itself, with a remark). A split piece without a name counts as one flake, with a remark,
//! for its other half may be in the bag.
//!
//! **What was weighed.** A complete piece without retouch whose `mass_g` is recorded needs no estimate, nor does one said to
//! be complete and unretouched whose `mass_now_g` is: its mass counts as it is, and only the rest is drawn. Lengths
//! likewise, those of other flakes with a platform being drawn.
//!
//! **What was kept.** Asked of flakes kept above a recovery threshold, a group tells how many were struck for those found;
//! totals stay those of the flakes found, by their platforms.
//!
//! **What remains.** Masses now bound the original from below, and a model of loss of density h says how large a share a
//! group has usually lost in all: a draw in which its weighed flakes were S counts by what is seen of them, `now`,
//!
//! ```text
//! weight = h(1 - now / S) / S                               S >= now
//! ```
//!
//! so that a group of one flake gets what [`super::LookBack`] says of it. The flakes of a group are taken to have
//! lost alike rather than each by chance of its own, which would make the shares average out and the total too sure. Its
//! intervals of masses are the shortest. Without a model, what a group weighed in all was at least what remains
//! in all; with [`Drawing::each_bound`] every single flake was. The last
//! uses more of what is certain but, summed over many flakes, drifts upwards: where
//! half of each flake is lost, every term is a little too large and the sum far too sure of it. A group that outweighs
//! nearly all its draws is answered by it all the same, with a remark.
//!
//! In 1000 simulated groups of 25 flakes, each under a calibration of 40 flakes of its own, the 95 % interval of the total
//! held the truth in 93.5 % where all of a group lost one share drawn from the model, and in 93.0 % where each
//! flake lost its own.
//!
//! In 2000 simulated assemblages of 400 platforms, each under a calibration of 40 flakes of its own, the 95 %
//! interval of the total held the truth in 95.0 %; the naive sum of independent flakes in 50.3 %. With half of
//! each flake gone and no model of loss it was 95.0 % bound on the whole and 61.4 % bound on each.

pub(super) mod draws;

use crate::assess::{AsItStands, SizeAsItStands};
use crate::by_name::{Groups, place_of};
use crate::error::{Bounds, Error, Result, counted};
use crate::flake::{
    LENGTH_MM, LENGTH_NOW_MM, MASS_G, MASS_NOW_G, Portion, Retouch, WithRetouch, nothing_lost, state_known,
};
use crate::infer::groups::{CountedCaution, NotEstimated, Reasons, count_caution, tell_the_rest};
use crate::infer::losses::Losses;
use crate::infer::original::{BetaLoss, MASS_MISSING_G, Remains, Truncated, doubt};
use crate::infer::recovery::{Mesh, Sieved, Struck, struck};
use crate::page::{Page, name, short};
use crate::predict::{Ask, Caution, Interval, LEVEL, Predictive, Predictor, USUAL_LEVEL, in_words};
use crate::special::sorted_quantile;
use crate::strike::Measured;
use crate::threads;
use draws::{Flake, Generator, Model, Rows, Sums};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

/// The accepted numbers of draws.
pub const DRAWS: Bounds = Bounds::closed("draws", 100.0, 1_000_000.0, "");

/// Draws taken where nothing else is asked (common practice, no source).
pub const USUAL_DRAWS: u32 = 10_000;

/// Groups times draws that are kept at most. This crate's choice, no source.
const MOST_KEPT: usize = 40_000_000;

/// Flakes that each name a group of their own are remarked on from so many. This crate's choice, no source.
const FEWEST_OF_ONE: usize = 5;

/// Lower tails tried for a shortest interval. This crate's choice, no source.
const TAILS: usize = 12;

/// Draws so near to what remains, as a share of it, are weighed by a model of loss together, so that none of them weighs
/// without bound where its density does. This crate's choice, no source.
const NEAR: f64 = 0.01;

/// Share of its draws that a group must leave possible before what remains is conditioned on flake by flake.
/// This crate's choice, no source.
const FEWEST_KEPT: f64 = 0.1;

/// Possible draws that are enough under a model of loss, or of a group of one weighed flake. This crate's choice, no source.
const FEWEST_POSSIBLE: f64 = 100.0;

/// How to draw.
///
/// | knob | default | purpose | range |
/// |---|---|---|---|
/// | seed | none, it must be given | which draws | any |
/// | draws | 10000 | how many | 100 to 1000000 |
/// | level | 0.95 | probability inside the intervals | 0 to 1 |
/// | loss | [`BetaLoss::usual`] | how large a share a group has usually lost in all; none: it weighed at least what remains | |
/// | each flake bound | no | without a model of loss, whether every flake weighed at least what remains of it, or only a group in all | |
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drawing {
    pub(super) seed: u64,
    pub(super) draws: u32,
    pub(super) level: f64,
    loss: Option<BetaLoss>,
    each_bound: bool,
}

impl Drawing {
    /// The usual draws from this seed.
    pub fn seeded(seed: u64) -> Drawing {
        Drawing { seed, draws: USUAL_DRAWS, level: 0.95, loss: Some(BetaLoss::usual()), each_bound: false }
    }
    /// So many draws.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] outside 100 to a million.
    pub fn draws(mut self, draws: u32) -> Result<Drawing> {
        DRAWS.check(f64::from(draws))?;
        self.draws = draws;
        Ok(self)
    }
    /// Intervals of this level.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < level < 1.
    pub fn level(mut self, level: f64) -> Result<Drawing> {
        self.level = LEVEL.check(level)?;
        Ok(self)
    }
    /// With this model of the share that a group lost in all, of the flakes that are weighed; none: all that is known is
    /// that it weighed at least what remains.
    pub fn loss(mut self, loss: Option<BetaLoss>) -> Drawing {
        (self.loss, self.each_bound) = (loss, false);
        self
    }
    /// Without a model of loss, bounded by what remains flake by flake: every flake weighed at least what remains of it,
    /// where otherwise a group in all weighed at least what remains of it in all.
    pub fn each_bound(mut self) -> Drawing {
        (self.loss, self.each_bound) = (None, true);
        self
    }
}

/// An interval read off draws, with the Monte Carlo error of its three numbers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Drawn {
    /// Lower end.
    pub(crate) low: f64,
    /// Median of the draws.
    pub(crate) median: f64,
    /// Upper end.
    pub(crate) high: f64,
    /// Probability inside.
    pub(crate) level: f64,
    /// Of the three numbers.
    pub(crate) monte_carlo_error: DrawnErrors,
}

/// Monte Carlo standard errors: half the distance of the draws one binomial standard deviation of the rank apart to
/// either side.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct DrawnErrors {
    /// Of the lower end.
    pub low: f64,
    /// Of the median.
    pub median: f64,
    /// Of the upper end.
    pub high: f64,
}

impl Drawn {
    /// The interval, its middle the median of the draws.
    pub fn interval(&self) -> Interval {
        Interval { low: self.low, median: self.median, high: self.high, level: self.level }
    }

    /// The central interval.
    pub(crate) fn from_draws(draws: Vec<f64>, level: f64) -> Option<Drawn> {
        let n = draws.len() as f64;
        Drawn::read(draws, level, n, |_| (0.5 * (1.0 - level), 1.0 - 0.5 * (1.0 - level)))
    }

    /// The shortest interval, of draws that are worth so many independent ones.
    fn shortest(draws: Vec<f64>, level: f64, worth: f64) -> Option<Drawn> {
        Drawn::read(draws, level, worth, |at| {
            let tails = (0..TAILS).map(|k| (1.0 - level) * k as f64 / TAILS as f64);
            let width = |tail: f64| at(tail + level) - at(tail);
            let tail = tails.min_by(|a, b| width(*a).total_cmp(&width(*b))).unwrap_or(0.0);
            (tail, tail + level)
        })
    }

    /// The interval between two probabilities, which may be chosen by the quantiles.
    fn read(
        mut draws: Vec<f64>,
        level: f64,
        worth: f64,
        ends: impl Fn(&dyn Fn(f64) -> f64) -> (f64, f64),
    ) -> Option<Drawn> {
        if draws.is_empty() {
            return None;
        }
        draws.sort_unstable_by(f64::total_cmp);
        let at = |p: f64| sorted_quantile(&draws, p);
        let error = |p: f64| {
            // of an end that is the least of the draws too: one draw
            let step = ((p * (1.0 - p)).max(1.0 / worth) / worth).sqrt();
            let apart = at((p + step).min(1.0)) - at((p - step).max(0.0));
            // both beyond the largest double: nothing is known of how far apart they are
            if apart.is_nan() { f64::INFINITY } else { 0.5 * apart }
        };
        let (low, high) = ends(&at);
        Some(Drawn {
            low: at(low),
            median: at(0.5),
            high: at(high),
            level,
            monte_carlo_error: DrawnErrors { low: error(low), median: error(0.5), high: error(high) },
        })
    }

    /// A line with its name, and the chance of the draws.
    pub(super) fn tell(&self, page: &mut Page, name: &str, unit: &str, scale: f64) {
        let [low, median, high, low_error, high_error] =
            [self.low, self.median, self.high, self.monte_carlo_error.low, self.monte_carlo_error.high]
                .map(|v| short(scale * v));
        let ends = format!("({low} to {high}; ends +/- {low_error}, {high_error})");
        page.line(format!("  {name:21}{median:>7} {unit:2}  {ends}"));
    }

    fn shifted(self, by: f64) -> Drawn {
        Drawn { low: self.low + by, median: self.median + by, high: self.high + by, ..self }
    }

    fn scaled(self, by: f64) -> Drawn {
        let DrawnErrors { low, median, high } = self.monte_carlo_error;
        let monte_carlo_error = DrawnErrors { low: low * by, median: median * by, high: high * by };
        let (low, median, high) = (self.low * by, self.median * by, self.high * by);
        Drawn { low, median, high, monte_carlo_error, ..self }
    }
}

/// What there is to say of a group beside its numbers.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub(crate) enum Remark {
    /// Split pieces without a flake name, each counted as one flake.
    SplitWithoutName {
        /// How many.
        pieces: u64,
    },
    /// Flakes that were weighed as they came off, though so small that none of them is said to have been kept.
    SmallerThanKept {
        /// How many.
        flakes: u64,
    },
    /// A flake name that stands for pieces that cannot be of one flake; each counts by itself.
    NameUsedTwice {
        /// The name.
        name: String,
        /// How many pieces bear it.
        pieces: u64,
    },
    /// The flakes were estimated by several variants of the calibration, whose coefficients are drawn
    /// independently: the interval is somewhat too narrow.
    SeveralVariants {
        /// The variants.
        variants: Vec<String>,
    },
    /// What remains of the group is more than nearly all draws of the original; it was conditioned on flake
    /// by flake.
    HeavierThanPredicted,
    /// Few draws speak for what remains of the group, which is unlikely, or the draws are few.
    FewDraws {
        /// How many independent ones they are worth.
        draws: u64,
    },
    /// Every flake names a group of its own (a site), so that nothing is shared.
    GroupsOfOne {
        /// The column of the groups.
        by: String,
        /// How many flakes.
        flakes: u64,
    },
}

impl fmt::Display for Remark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Remark::SplitWithoutName { pieces: 1 } => {
                write!(f, "1 split piece has no flake name and counts as one flake")
            }
            Remark::SplitWithoutName { pieces } => write!(
                f,
                "{pieces} split pieces have no flake name and count as {pieces} flakes; name the halves of one \
                 flake alike"
            ),
            Remark::SmallerThanKept { flakes } => write!(
                f,
                "{} weighed although smaller than those said to have been kept: in the totals, but not in what the \
                 recovery threshold lost",
                counted(*flakes, "flake was", "flakes were")
            ),
            Remark::NameUsedTwice { name, pieces } => {
                write!(
                    f,
                    "the flake name {name} stands for {pieces} pieces that cannot be one flake; each counts"
                )
            }
            Remark::SeveralVariants { variants } => write!(
                f,
                "estimated by several variants ({}), as if independent: the interval is somewhat too narrow",
                variants.join("; ")
            ),
            Remark::HeavierThanPredicted => write!(
                f,
                "what remains is more than nearly all of what was predicted; each flake was bound by what \
                 remains of it"
            ),
            Remark::FewDraws { draws } => write!(
                f,
                "the answer rests on {draws} draws, the others hardly speak for what remains: take more of them"
            ),
            Remark::GroupsOfOne { by, flakes } => write!(
                f,
                "each of the {flakes} flakes names a {by} of its own, so none shares what flakes of one {by} share: \
                 the interval is too narrow if they are of one"
            ),
        }
    }
}

/// The answer for one group; `to_string` tells it in words (`{:79}` breaks its paragraphs at 79 characters).
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct GroupTotals {
    /// Its name.
    pub group: String,
    /// Pieces offered.
    pub pieces: u64,
    /// Pieces whose platform was measured (its depth, width or area).
    pub platforms: u64,
    /// Flakes, one a platform: those weighed as they came off, and those estimated.
    pub n: u64,
    /// Complete flakes without retouch that were weighed; their masses are taken as they are.
    pub(crate) weighed_whole: u64,
    /// What they weigh in all, in grams.
    pub(crate) weighed_whole_g: f64,
    /// Mass lost since by those of them whose mass now is recorded too, in grams.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) lost_known_g: Option<f64>,
    /// Flakes estimated whose mass now is recorded.
    pub weighed: u64,
    /// Mass now of the flakes that are weighed, in grams.
    pub mass_now_g: f64,
    /// The same with what is missing and known: they weighed so much at least.
    #[serde(skip)]
    certain_g: f64,
    /// Flakes whose length as struck was measured, and the sum of these lengths in millimetres.
    #[serde(skip)]
    measured_lengths: (usize, f64),
    /// What was assumed of the share that these flakes lost in all, where something was.
    #[serde(skip_serializing_if = "Option::is_none")]
    model_of_loss: Option<BetaLoss>,
    /// Total original mass of the flakes, weighed and estimated, in grams. None without a flake.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub total_mass_g: Option<Drawn>,
    /// The same in grams with the pieces of the group that the retouch tells of ([`Assemblage::totals_with`]), where there are any.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub total_with_retouched_g: Option<Drawn>,
    /// Their mean original mass, in grams.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mean_mass_g: Option<Drawn>,
    /// Mass lost by the flakes that are weighed, in grams.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mass_lost_g: Option<Drawn>,
    /// How many flakes were struck for those found, where a recovery threshold was asked for ([`Ask::kept`]).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) struck_for_kept: Option<Struck>,
    /// Mean original length, in millimetres: as measured of flakes that lost nothing, otherwise as the calibration tells.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mean_length_mm: Option<Drawn>,
    /// Sizes of complete flakes that were recorded, against what was expected of them (95 % intervals).
    pub(crate) found: Vec<SizeAsItStands>,
    /// Pieces not estimated: the reason and how many.
    pub(crate) not_estimated: Vec<NotEstimated>,
    /// The first caution of each kind, and on how many flakes.
    pub(crate) cautions: Vec<CountedCaution>,
    /// What else there is to say.
    #[serde(serialize_with = "told_remarks")]
    pub(crate) remarks: Vec<Remark>,
    /// What a field mesh held of such flakes, where one was asked for ([`Assemblage::sieved`]).
    #[serde(flatten)]
    pub(crate) sieved: Option<Sieved>,
}

impl fmt::Display for GroupTotals {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut page = Page::new(f);
        page.line(format!(
            "{}: {} from {}, {} with a measured platform",
            name(&self.group),
            counted(self.n, "flake", "flakes"),
            counted(self.pieces, "piece", "pieces"),
            self.platforms
        ));
        if self.weighed_whole > 0 {
            let (whole, mass) = (self.weighed_whole, short(self.weighed_whole_g));
            let others = self.n - whole;
            let line =
                format!("{whole} weighed as struck, {mass} g in all, taken as they are; {others} estimated.");
            page.under("  ", "  ", line);
        }
        for (name, unit, d) in [
            ("total original mass", "g", &self.total_mass_g),
            ("total with retouched", "g", &self.total_with_retouched_g),
            ("mean original mass", "g", &self.mean_mass_g),
            ("mass lost", "g", &self.mass_lost_g),
            ("mean original length", "mm", &self.mean_length_mm),
        ] {
            d.iter().for_each(|d| d.tell(&mut page, name, unit, 1.0));
        }
        if let Some(loss) = &self.model_of_loss {
            let assumed = loss.in_words("the share that a group lost in all");
            page.under("  ", "  ", format!("Assumed: {assumed}; the intervals of masses are the shortest."));
        }
        if let Some(s) = &self.struck_for_kept {
            page.under("  ", "  ", format!("What the recovery threshold lost: {}.", s.in_words()));
        }
        self.sieved.iter().flat_map(Sieved::in_words).for_each(|line| page.under("  ", "  ", line));
        for f in &self.found {
            let (Some(low), Some(high)) = (f.factor_low, f.factor_high) else { continue };
            let [low, factor, high] = [low, f.factor, high].map(short);
            let (size, flakes) =
                (in_words(&f.column), counted(f.flakes, "complete flake", "complete flakes"));
            page.entry(format!(
                "{size} found over expected: {factor} ({low} to {high}, 95 %), of {flakes}; {:.0} % inside their 95 % \
                 intervals",
                100.0 * f.inside as f64 / f.flakes as f64
            ));
        }
        let remarks = self.remarks.iter().map(Remark::to_string);
        tell_the_rest(&mut page, &self.not_estimated, remarks, &self.cautions, ["flake", "flakes"]);
        page.show(f)
    }
}

/// Remarks with their sentences.
fn told_remarks<S: serde::Serializer>(of: &[Remark], s: S) -> std::result::Result<S::Ok, S::Error> {
    #[derive(Serialize)]
    struct One<'a> {
        #[serde(flatten)]
        remark: &'a Remark,
        text: String,
    }
    s.collect_seq(of.iter().map(|remark| One { remark, text: remark.to_string() }))
}

/// A piece that an answer is got from: estimated, weighed as it came off, or named as a part of a flake. What was not
/// recorded is not a number: there may be millions of pieces.
#[derive(Debug, Clone)]
struct Piece {
    group: u32,
    variant: u32,
    /// Core and name.
    key: Option<Box<(String, String)>>,
    portion: Option<Portion>,
    bears_platform: bool,
    mass_now_g: f64,
    /// What is missing of it and known.
    missing_g: f64,
    /// The mass as it came off, where it was weighed, and the length where that was measured.
    whole_g: f64,
    whole_mm: f64,
    /// Place among the pieces estimated; the last that there is where it is not.
    found: usize,
    /// Which of the kinds of caution it has, a bit each.
    cautions: u64,
    /// What its mass was expected to be, where what remains must be compared with it.
    mass: Option<Box<Predictive>>,
    /// Probability that such a flake was kept, where that was asked.
    kept: f64,
}

impl Piece {
    /// Whether its mass is drawn: not where it was weighed as it came off.
    fn is_drawn(&self) -> bool {
        self.whole_g.is_nan()
    }
}

/// What an estimate says of a piece.
struct Estimated {
    at: usize,
    variant: usize,
    cautions: Vec<Caution>,
    mass: Predictive,
    kept: Option<f64>,
}

/// What is counted of a group as pieces are offered.
#[derive(Debug, Clone, Default)]
struct Offered {
    pieces: u64,
    platforms: u64,
    unnamed_splits: u64,
    smaller_than_kept: u64,
    /// What was found of complete flakes.
    found: Option<AsItStands>,
    /// Pieces not estimated and not weighed as they came off, by reason.
    reasons: Reasons,
    /// The first caution of each kind, by its bit.
    first: BTreeMap<u32, Caution>,
    /// Where a mesh is asked about: widths expected of the flakes, and split flakes counted already.
    widths: Vec<Predictive>,
    halves: BTreeSet<(String, String)>,
}

/// Takes pieces one by one, and answers for all of them together.
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::infer::{Assemblage, Drawing};
/// use conchoid::predict::Predictor;
/// use conchoid::strike::Strike;
/// let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
/// let mut bag = Assemblage::new(&predictor, Default::default())?;
/// for (depth, angle) in [(8.0, 75.0), (5.0, 70.0), (11.0, 80.0)] {
///     bag.offer("pit 3", &Strike::builder().platform_depth_mm(depth).exterior_platform_angle_deg(angle).build()?);
/// }
/// let totals = bag.totals(&Drawing::seeded(7).draws(2000)?)?;
/// let total = totals[0].total_mass_g.unwrap().interval();
/// assert_eq!((totals[0].group.as_str(), totals[0].n), ("pit 3", 3));
/// assert!(total.low < total.median && total.median < total.high);
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Assemblage<'p> {
    predictor: &'p Predictor,
    ask: Ask,
    mesh: Option<Mesh>,
    mass: Vec<Option<Model>>,
    length: Vec<Option<Model>>,
    mass_rows: Rows,
    length_rows: Rows,
    groups: Groups<Offered>,
    kinds: Vec<&'static str>,
    pieces: Vec<Piece>,
}

/// Refuses what no piece can be, as [`super::LookBack`] does; otherwise its retouch, where that was recorded.
fn checked(piece: &impl Measured) -> Result<Option<Retouch>> {
    state_known(piece)?;
    for bounds in [MASS_G, LENGTH_MM, MASS_NOW_G, MASS_MISSING_G, LENGTH_NOW_MM] {
        piece.number(bounds.name()).map_or(Ok(0.0), |v| bounds.check(v))?;
    }
    if piece.number(MASS_NOW_G.name()).is_some() {
        Remains::of(piece)?;
    }
    Ok(WithRetouch::of(piece)?.retouch)
}

impl<'p> Assemblage<'p> {
    /// An empty bag under a calibration, with something asked of every flake alike.
    ///
    /// # Errors
    /// [`Error::Invalid`] where no variant of the calibration has a mass; [`Error::Missing`] where flakes are asked for
    /// that were kept by a size that the calibration does not tell.
    pub fn new(predictor: &'p Predictor, ask: Ask) -> Result<Assemblage<'p>> {
        let variants = predictor.calibration().variants().len();
        let models = |size: &str| -> Vec<Option<Model>> {
            (0..variants).map(|v| Model::of(predictor.resolved(), v, size)).collect()
        };
        let (mass, length) = (models("mass_g"), models("length_mm"));
        if mass.iter().all(Option::is_none) {
            let name = predictor.calibration().name();
            return Err(Error::invalid("calibration", format!("{name} says nothing of mass_g")));
        }
        let decide = ask.kept.iter().flat_map(|kept| kept.sizes());
        if let Some(size) = decide.into_iter().find(|s| !predictor.calibration().tells(s)) {
            return Err(Error::missing(
                size,
                "it decides which flakes were kept, and the calibration does not tell it",
            ));
        }
        Ok(Assemblage {
            predictor,
            ask,
            mesh: None,
            mass,
            length,
            mass_rows: Rows::default(),
            length_rows: Rows::default(),
            groups: Groups::default(),
            kinds: Vec::new(),
            pieces: Vec::new(),
        })
    }

    /// Asks what a field mesh holds of such flakes, by the width that their platforms lead one to expect: the share held, how
    /// many were struck for those found, and their size grades.
    pub fn sieved(mut self, mesh: Mesh) -> Assemblage<'p> {
        self.mesh = Some(mesh);
        self
    }

    /// Puts one piece into a group. Gives back why it is not estimated, where that is so; it still counts
    /// among the pieces. A complete piece without retouch whose `mass_g` is recorded is taken as weighed, and so is one
    /// by its `mass_now_g` that is said to be complete and unretouched; their lengths likewise.
    ///
    /// No piece is kept that no answer comes from.
    pub fn offer(&mut self, group: &str, piece: &impl Measured) -> Option<Error> {
        let retouch = match checked(piece) {
            Ok(retouch) => retouch,
            Err(e) => {
                self.leave_out(group, e.clone().with_row(None).to_string());
                return Some(e);
            }
        };
        let group = self.groups.place(group);
        let portion = piece.class(Portion::COLUMN).and_then(|t| t.parse::<Portion>().ok());
        let retouched = piece.class("retouched") == Some("yes");
        let complete = portion.is_none_or(|p| p == Portion::Complete) && !retouched;
        let mass_now_g = piece.number("mass_now_g");
        let missing_g = piece.number("mass_missing_g").unwrap_or(0.0);
        // as it was struck, or as it is where nothing was lost since
        let kept_all = complete && mass_now_g.is_some() && nothing_lost(piece, retouch.as_ref());
        let whole = |struck: &str, now: Option<f64>| {
            now.filter(|_| kept_all).or_else(|| piece.number(struck).filter(|v| complete && *v > 0.0))
        };
        let whole_g = whole("mass_g", mass_now_g.map(|g| g + missing_g));
        let whole_mm = whole("length_mm", piece.number("length_now_mm"));
        let bears_platform = portion.is_none_or(Portion::has_platform);
        let key = piece
            .class("flake")
            .map(|name| Box::new((piece.class("core").unwrap_or_default().to_string(), name.to_string())));
        let answer = self.estimate(piece, group);
        let (found, variant, cautions, mass, kept) = match &answer {
            Ok(e) => {
                let mass = mass_now_g.map(|_| Box::new(e.mass.clone()));
                (Some(e.at), e.variant, self.bits(group, &e.cautions), mass, e.kept)
            }
            Err(_) => (None, 0, 0, None, None),
        };
        let counted = &mut self.groups.of[group];
        counted.pieces += 1;
        let measured = ["platform_depth_mm", "platform_width_mm", "platform_area_mm2"];
        let measured = measured.iter().any(|name| piece.number(name).is_some());
        counted.platforms += u64::from(bears_platform && measured);
        if let (Err(e), None) = (&answer, whole_g) {
            counted.reasons.count(e.clone().with_row(None).to_string());
        }
        let too_small =
            whole_g.is_some() && self.ask.kept.as_ref().is_some_and(|kept| kept.check(piece).is_err());
        counted.smaller_than_kept += u64::from(too_small);
        let split = portion == Some(Portion::Split);
        counted.unnamed_splits += u64::from(split && key.is_none() && found.is_some());
        // a named part counts by what it weighs
        if found.is_some() || whole_g.is_some() || (key.is_some() && mass_now_g.is_some()) {
            self.pieces.push(Piece {
                group: group as u32,
                variant: variant as u32,
                key,
                portion,
                bears_platform,
                mass_now_g: mass_now_g.unwrap_or(f64::NAN),
                missing_g,
                whole_g: whole_g.unwrap_or(f64::NAN),
                whole_mm: whole_mm.unwrap_or(f64::NAN),
                found: found.unwrap_or(usize::MAX),
                cautions,
                mass,
                kept: kept.unwrap_or(f64::NAN),
            });
        }
        let refused = answer.err().filter(|_| whole_g.is_none());
        if self.mesh.is_some() && refused.is_none() {
            self.expect_width(group, piece);
        }
        refused
    }

    /// The width expected of a flake, by its platform. A half more is not a flake more.
    fn expect_width(&mut self, group: usize, piece: &impl Measured) {
        let Ok(estimate) = self.predictor.estimate(piece, &Ask::default()) else { return };
        let Some(width) = estimate.size("width_mm") else { return };
        let counted = &mut self.groups.of[group];
        let half = piece.class("flake").filter(|_| piece.class(Portion::COLUMN) == Some("split"));
        let core = || piece.class("core").unwrap_or_default().to_string();
        if half.is_none_or(|name| counted.halves.insert((core(), name.to_string()))) {
            counted.widths.push(width.clone());
        }
    }

    /// The bits of some cautions; the first of each kind is remembered for the group.
    fn bits(&mut self, group: usize, cautions: &[Caution]) -> u64 {
        let mut bits = 0;
        for c in cautions {
            let at = place_of(&mut self.kinds, |k| *k == c.kind(), || c.kind());
            // there are fewer kinds than bits
            bits |= 1u64 << (at % 64);
            self.groups.of[group].first.entry(at as u32).or_insert_with(|| c.clone());
        }
        bits
    }

    /// Counts a piece that could not be read at all, such as a row of a table that was refused.
    pub fn leave_out(&mut self, group: &str, reason: impl Into<String>) {
        let group = self.groups.place(group);
        let counted = &mut self.groups.of[group];
        counted.pieces += 1;
        counted.reasons.count(reason.into());
    }

    fn estimate(&mut self, piece: &impl Measured, group: usize) -> Result<Estimated> {
        let estimate = self.predictor.estimate(piece, &self.ask)?;
        let found = &mut self.groups.of[group].found;
        let found = match found {
            Some(found) => found,
            None => found.insert(AsItStands::new(USUAL_LEVEL)?),
        };
        found.take(found.found(piece, &estimate)?);
        let (variant, rows) = self.predictor.rows_of(piece, &self.ask)?;
        let lacks = || Error::invalid("calibration", format!("by {} there is no mass_g", estimate.variant));
        let mass = estimate.size("mass_g").cloned().ok_or_else(lacks)?;
        let model = self.mass[variant].as_ref().ok_or_else(lacks)?;
        self.mass_rows.add(variant, model, &rows, piece);
        match &self.length[variant] {
            Some(model) => self.length_rows.add(variant, model, &rows, piece),
            None => self.length_rows.add_none(),
        }
        let (at, cautions) = (self.mass_rows.pieces() - 1, estimate.doubts_of_sizes());
        Ok(Estimated { at, variant, cautions, mass, kept: estimate.kept })
    }

    /// Draws, and answers for every group in the order in which they first appeared.
    ///
    /// # Errors
    /// [`Error::Invalid`] where draws times groups are more than can be kept.
    pub fn totals(&self, drawing: &Drawing) -> Result<Vec<GroupTotals>> {
        self.totals_beside(None, drawing)
    }

    /// The same, with what each group weighed together with those of its pieces that the retouch tells of.
    ///
    /// ```
    /// use conchoid::calibration::bundled;
    /// use conchoid::flake::Flake;
    /// use conchoid::infer::{Assemblage, Drawing, LookBack, Losses};
    /// use conchoid::predict::Predictor;
    /// use conchoid::strike::Strike;
    /// let predictor = Predictor::new(bundled::named("excavated-flakes")?)?;
    /// let look = LookBack::new()?;
    /// let (mut bag, mut retouched) = (Assemblage::new(&predictor, Default::default())?, Losses::new(&look));
    /// bag.offer("pit 3", &Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build()?);
    /// retouched.offer("pit 3", &Flake::builder().mass_now_g(20.0).retouch_index(0.4).build()?);
    /// let totals = bag.totals_with(&retouched, &Drawing::seeded(7).draws(500)?)?;
    /// // at least what is left of the scraper, in all
    /// assert!(totals[0].total_with_retouched_g.unwrap().interval().low > 20.0);
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of [`Assemblage::totals`].
    pub fn totals_with(&self, retouched: &Losses<'_>, drawing: &Drawing) -> Result<Vec<GroupTotals>> {
        self.totals_beside(Some(retouched), drawing)
    }

    fn totals_beside(&self, retouched: Option<&Losses<'_>>, drawing: &Drawing) -> Result<Vec<GroupTotals>> {
        let (draws, groups) = (drawing.draws as usize, self.groups.names.len());
        if draws.saturating_mul(groups) > MOST_KEPT {
            return Err(Error::invalid(
                "draws",
                format!(
                    "{draws} draws of {} are more than can be kept (accepted: {MOST_KEPT} in all)",
                    counted(groups as u64, "group", "groups")
                ),
            ));
        }
        let (flakes, long, mut totals) = self.flakes(drawing.level);
        let drawn = self.draw(&flakes, &long, drawing, drawing.each_bound);
        let mut strict: Option<Vec<Sums>> = None;
        for (g, t) in totals.iter_mut().enumerate() {
            if t.n == 0 {
                continue;
            }
            let mut kept: Vec<Sums> = of_group(&drawn, g, groups).collect();
            let mut worth = None;
            if !drawing.each_bound && t.weighed > 0 {
                let possible = kept.iter().filter(|s| s.weighed >= t.certain_g).count() as f64;
                let mut fewest = FEWEST_KEPT * draws as f64;
                if drawing.loss.is_some() || t.weighed == 1 {
                    fewest = fewest.min(FEWEST_POSSIBLE);
                }
                let heavier = possible < fewest;
                if heavier {
                    t.remarks.push(Remark::HeavierThanPredicted);
                    let strict = strict.get_or_insert_with(|| self.draw(&flakes, &long, drawing, true));
                    kept = of_group(strict, g, groups).collect();
                } else if drawing.loss.is_none() {
                    kept.retain(|s| s.weighed >= t.certain_g);
                }
                if heavier || drawing.loss.is_some() {
                    let (weighed, n) = weighed_by(&kept, t.certain_g, drawing.loss.as_ref());
                    (kept, t.model_of_loss) = (weighed, drawing.loss);
                    worth = drawing.loss.map(|_| n);
                    if n < fewest {
                        t.remarks.push(Remark::FewDraws { draws: n as u64 });
                    }
                }
            }
            let read = |of: Vec<f64>| match worth {
                Some(n) => Drawn::shortest(of, drawing.level, n),
                None => Drawn::from_draws(of, drawing.level),
            };
            let whole = t.weighed_whole_g;
            t.total_mass_g = read(kept.iter().map(|s| s.mass).collect()).map(|d| d.shifted(whole));
            t.mean_mass_g = t.total_mass_g.map(|d| d.scaled(1.0 / t.n as f64));
            if let Some(others) = retouched.and_then(|l| l.originals(&t.group, drawing)) {
                let both = kept.iter().zip(others).map(|(s, other)| s.mass + other).collect();
                t.total_with_retouched_g = read(both).map(|d| d.shifted(whole));
            }
            if t.weighed > 0 {
                let now = t.mass_now_g;
                t.mass_lost_g = read(kept.iter().map(|s| (s.weighed - now).max(0.0)).collect());
            }
            if let Some(known) = t.lost_known_g {
                let none = || Drawn::from_draws(vec![0.0; 2], drawing.level);
                t.mass_lost_g = t.mass_lost_g.or_else(none).map(|d| d.shifted(known));
            }
            let (measured, measured_mm) = t.measured_lengths;
            let long = measured + long.iter().filter(|f| f.group as usize == g).count();
            if long > 0 {
                let lengths = of_group(&drawn, g, groups).map(|s| s.length).collect();
                let sum = Drawn::from_draws(lengths, drawing.level).map(|d| d.shifted(measured_mm));
                t.mean_length_mm = sum.map(|d| d.scaled(1.0 / long as f64));
            }
        }
        if let Some(mesh) = self.mesh {
            for (t, counted) in totals.iter_mut().zip(&self.groups.of).filter(|(_, o)| !o.widths.is_empty()) {
                t.sieved = Some(Sieved::of(&counted.widths, mesh, drawing.level)?);
            }
        }
        Ok(totals)
    }

    /// Which pieces are which flakes, and the counts of every group.
    ///
    /// The flakes whose mass is drawn, and those whose length is.
    fn flakes(&self, level: f64) -> (Vec<Flake>, Vec<Flake>, Vec<GroupTotals>) {
        let empty = |group: &String| GroupTotals { group: group.clone(), ..GroupTotals::default() };
        let mut totals: Vec<GroupTotals> = self.groups.names.iter().map(empty).collect();
        let mut named: BTreeMap<(u32, &(String, String)), Vec<usize>> = BTreeMap::new();
        for (t, counted) in totals.iter_mut().zip(&self.groups.of) {
            (t.pieces, t.platforms) = (counted.pieces, counted.platforms);
            t.found = counted.found.as_ref().map_or(Vec::new(), AsItStands::sizes);
            t.not_estimated = counted.reasons.0.clone().into_iter().map(NotEstimated::from).collect();
        }
        for (i, p) in self.pieces.iter().enumerate() {
            if let Some(key) = &p.key {
                named.entry((p.group, key.as_ref())).or_default().push(i);
            }
        }
        // pieces that stand for themselves, and those that are gathered under a name
        let mut flakes: Vec<(usize, Flake)> = Vec::new();
        let alone = |i: usize| {
            let p = &self.pieces[i];
            (p.found != usize::MAX || !p.is_drawn()).then(|| {
                let now = if p.mass_now_g.is_nan() { 0.0 } else { p.mass_now_g };
                let certain = now + p.missing_g;
                (i, Flake { group: p.group, at: p.found, now, certain, weighed: now > 0.0 && p.is_drawn() })
            })
        };
        flakes.extend(
            self.pieces.iter().enumerate().filter(|(_, p)| p.key.is_none()).filter_map(|(i, _)| alone(i)),
        );
        for ((group, key), pieces) in &named {
            let bearing = pieces.iter().filter(|i| self.pieces[**i].bears_platform).count();
            // a portion that is not recorded is taken for complete
            let whole = |i: &usize| self.pieces[*i].portion.is_none_or(|p| p == Portion::Complete);
            if bearing > 1 && pieces.iter().any(whole) {
                totals[*group as usize]
                    .remarks
                    .push(Remark::NameUsedTwice { name: key.1.clone(), pieces: pieces.len() as u64 });
                flakes.extend(pieces.iter().filter_map(|i| alone(*i)));
                continue;
            }
            if let Some((i, mut flake)) = pieces.iter().find_map(|i| alone(*i)) {
                let masses = || pieces.iter().map(|i| self.pieces[*i].mass_now_g).filter(|g| !g.is_nan());
                flake.now = masses().sum();
                flake.certain = flake.now + pieces.iter().map(|i| self.pieces[*i].missing_g).sum::<f64>();
                flake.weighed = masses().next().is_some() && self.pieces[i].is_drawn();
                flakes.push((i, flake));
            }
        }
        flakes.sort_unstable_by_key(|(i, _)| *i);
        for (i, flake) in &flakes {
            let t = &mut totals[flake.group as usize];
            t.n += 1;
            if flake.weighed {
                t.weighed += 1;
                t.mass_now_g += flake.now;
                t.certain_g += flake.certain;
            }
            let p = &self.pieces[*i];
            if !p.whole_mm.is_nan() {
                t.measured_lengths = (t.measured_lengths.0 + 1, t.measured_lengths.1 + p.whole_mm);
            }
            if !p.is_drawn() {
                let whole = p.whole_g;
                t.weighed_whole += 1;
                t.weighed_whole_g += whole;
                if flake.now > 0.0 {
                    t.lost_known_g = Some(t.lost_known_g.unwrap_or(0.0) + (whole - flake.now).max(0.0));
                }
                continue;
            }
            let improbable = p.mass.as_ref().filter(|_| flake.weighed).and_then(|m| {
                Truncated::new(m.as_ref().clone(), flake.certain).ok().and_then(|t| doubt("mass_g", &t))
            });
            let first = &self.groups.of[flake.group as usize].first;
            let own = first.iter().filter(|(bit, _)| p.cautions >> (**bit % 64) & 1 == 1).map(|(_, c)| c);
            for c in own.chain(&improbable) {
                count_caution(&mut t.cautions, c);
            }
        }
        for (g, t) in totals.iter_mut().enumerate() {
            let of_group = flakes.iter().filter(|(_, f)| f.group as usize == g);
            let kept = of_group.map(|(i, _)| self.pieces[*i].kept);
            let held: Vec<f64> = kept.filter(|p| !p.is_nan()).collect();
            // where some are hardly ever kept it cannot be told
            t.struck_for_kept = if held.is_empty() { None } else { struck(&held, level).ok() };
            let Offered { unnamed_splits, smaller_than_kept, .. } = self.groups.of[g];
            if unnamed_splits > 0 {
                t.remarks.push(Remark::SplitWithoutName { pieces: unnamed_splits });
            }
            if smaller_than_kept > 0 {
                t.remarks.push(Remark::SmallerThanKept { flakes: smaller_than_kept });
            }
            let drawn = |(i, f): &&(usize, Flake)| f.group as usize == g && self.pieces[*i].is_drawn();
            let mut variants: Vec<u32> =
                flakes.iter().filter(drawn).map(|(i, _)| self.pieces[*i].variant).collect();
            variants.sort_unstable();
            variants.dedup();
            let estimated: Vec<usize> = flakes.iter().filter(drawn).map(|(_, f)| f.at).collect();
            let mut outer: Vec<usize> = estimated.iter().filter_map(|at| self.mass_rows.outer(*at)).collect();
            outer.sort_unstable();
            outer.dedup();
            let shared = variants.first().and_then(|v| self.mass[*v as usize].as_ref()?.shared.first());
            if let Some(e) = shared.filter(|_| outer.len() >= FEWEST_OF_ONE && outer.len() == estimated.len())
            {
                let flakes = outer.len() as u64;
                t.remarks.push(Remark::GroupsOfOne { by: e.by.clone(), flakes });
            }
            if variants.len() > 1 {
                let all = self.predictor.calibration().variants();
                let variants = variants.iter().map(|v| all[*v as usize].name.clone()).collect();
                t.remarks.push(Remark::SeveralVariants { variants });
            }
        }
        let has_length =
            |(i, f): &&(usize, Flake)| self.pieces[*i].whole_mm.is_nan() && self.length_rows.has(f.at);
        let long = flakes.iter().filter(has_length).map(|(_, f)| *f).collect();
        let drawn = |(i, f): (usize, Flake)| self.pieces[i].is_drawn().then_some(f);
        (flakes.into_iter().filter_map(drawn).collect(), long, totals)
    }

    /// The sums of every draw, one group after another within a draw.
    fn draw(&self, flakes: &[Flake], long: &[Flake], drawing: &Drawing, each_bound: bool) -> Vec<Sums> {
        let groups = self.groups.names.len();
        let base = ChaCha8Rng::seed_from_u64(drawing.seed);
        let at_least = |f: &Flake| if each_bound && f.weighed { f.certain } else { 0.0 };
        let (masses, other_masses) = self.mass_rows.sheets(flakes, &self.mass, at_least);
        let (lengths, other_lengths) = self.length_rows.sheets(long, &self.length, |_| 0.0);
        let one = |k: usize| {
            let mut stream = base.clone();
            stream.set_stream(k as u64);
            let mut rng = Generator::from_rng(&mut stream);
            let mut sums = vec![Sums::default(); groups];
            let mass = self.mass_rows.draw_models(&self.mass, &mut rng);
            let mut weigh = |group: u32, weighed: bool, size: f64| {
                let s = &mut sums[group as usize];
                s.mass += size;
                if weighed {
                    s.weighed += size;
                }
            };
            for sheet in &masses {
                sheet.draw(&mass.0, &mut rng, &mut weigh);
            }
            let mut possible = Vec::new();
            for f in &other_masses {
                let (size, ln_possible) = self.mass_rows.draw(f.at, &self.mass, &mass, at_least(f), &mut rng);
                weigh(f.group, f.weighed, size);
                if ln_possible != 0.0 {
                    possible.push((f.group, ln_possible));
                }
            }
            for (group, ln) in possible {
                sums[group as usize].ln_possible += ln;
            }
            let length = self.length_rows.draw_models(&self.length, &mut rng);
            for sheet in &lengths {
                sheet.draw(&length.0, &mut rng, |group, _, size| sums[group as usize].length += size);
            }
            for f in &other_lengths {
                sums[f.group as usize].length +=
                    self.length_rows.draw(f.at, &self.length, &length, 0.0, &mut rng).0;
            }
            sums
        };
        threads::in_order(drawing.draws as usize, one).into_iter().flatten().collect()
    }
}

fn of_group(drawn: &[Sums], group: usize, groups: usize) -> impl Iterator<Item = Sums> {
    drawn.iter().skip(group).step_by(groups.max(1)).copied()
}

/// The draws of a group as a model of loss weighs them, where so much of it is certain, and how possible that was: as many as before, each as often
/// as its weight says, and how many independent ones they are worth; nothing where none of them can be.
fn weighed_by(draws: &[Sums], certain: f64, loss: Option<&BetaLoss>) -> (Vec<Sums>, f64) {
    let likeliest = draws.iter().fold(f64::NEG_INFINITY, |most, s| most.max(s.ln_possible));
    let weight = |s: &Sums| {
        let of_loss = loss.map_or(1.0, |l| l.likelihood(certain, s.weighed, NEAR * certain));
        if of_loss > 0.0 { of_loss * (s.ln_possible - likeliest).exp() } else { 0.0 }
    };
    let weights: Vec<f64> = draws.iter().map(weight).collect();
    let [total, squares] = [1, 2].map(|power| weights.iter().map(|w| w.powi(power)).sum::<f64>());
    if !(total > 0.0 && squares > 0.0) {
        return (Vec::new(), 0.0);
    }
    let step = total / draws.len() as f64;
    let (mut sum, mut next, mut taken) = (0.0, 0.5 * step, Vec::with_capacity(draws.len()));
    for (s, weight) in draws.iter().zip(weights) {
        sum += weight;
        let more = (certain - s.weighed).max(0.0);
        while next < sum {
            taken.push(Sums { mass: s.mass + more, weighed: s.weighed + more, ..*s });
            next += step;
        }
    }
    (taken, total * total / squares)
}
