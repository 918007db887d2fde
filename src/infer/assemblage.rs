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
//! stands for itself, with a [`Remark`]). A split piece without a name counts as one flake, with a remark,
//! for its other half may be in the bag.
//!
//! **What remains.** Masses now bound the original from below. [`Bound::Whole`] conditions on what a group
//! weighed in all having been at least what remains in all; [`Bound::Each`] on every single flake. The second
//! uses more of what is certain but, summed over many flakes without a model of loss, drifts upwards: where
//! half of each flake is lost, every term is a little too large and the sum far too sure of it. The first is
//! the default; a group that outweighs nearly all its draws is answered by the second, with a remark.
//!
//! In 2000 simulated assemblages of 400 platforms, each under a calibration of 40 flakes of its own, the 95 %
//! interval of the total held the truth in 95.0 %; the naive sum of independent flakes in 50.3 %. With half of
//! each flake gone it was 95.0 % bound on the whole and 61.4 % bound on each.

use crate::calibration::{Spread, Tails, cholesky};
use crate::error::{Bounds, Error, Result};
use crate::flake::Portion;
use crate::form::{Compiled, Transform};
use crate::infer::original::{Truncated, doubt};
use crate::predict::distribution::standard_draw;
use crate::predict::{Ask, Caution, Component, LEVEL, Predictive, Predictor};
use crate::strike::Measured;
use crate::vector::{self, Kernel};
use nalgebra::DMatrix;
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{ChiSquared, Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt;

/// The accepted numbers of draws.
pub const DRAWS: Bounds = Bounds::closed("draws", 100.0, 1_000_000.0, "");

/// Draws taken where nothing else is asked (common practice, no source).
pub const USUAL_DRAWS: u32 = 10_000;

/// Groups times draws that are kept at most.
const MOST_KEPT: usize = 40_000_000;

/// Share of its draws that a group must leave possible before what remains is conditioned on flake by flake.
const FEWEST_KEPT: f64 = 0.1;

/// How masses now bound the original masses from below.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Bound {
    /// A group in all weighed at least what remains of it in all.
    #[default]
    Whole,
    /// Every flake weighed at least what remains of it.
    Each,
}

/// How to draw.
///
/// | knob | default | purpose | range |
/// |---|---|---|---|
/// | seed | none, it must be given | which draws | any |
/// | draws | 10000 | how many | 100 to 1000000 |
/// | level | 0.95 | probability inside the intervals | 0 to 1 |
/// | bound | whole | how masses now bound the original | |
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drawing {
    seed: u64,
    draws: u32,
    level: f64,
    bound: Bound,
}

impl Drawing {
    /// The usual draws from this seed.
    pub fn seeded(seed: u64) -> Drawing {
        Drawing { seed, draws: USUAL_DRAWS, level: 0.95, bound: Bound::Whole }
    }
    /// So many draws.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] outside [`DRAWS`].
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
    /// How masses now bound the original masses.
    pub fn bound(mut self, bound: Bound) -> Drawing {
        self.bound = bound;
        self
    }
}

/// An interval read off draws, with the Monte Carlo error of its three numbers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Drawn {
    /// Lower end.
    pub low: f64,
    /// Median of the draws.
    pub median: f64,
    /// Upper end.
    pub high: f64,
    /// Probability inside.
    pub level: f64,
    /// Monte Carlo standard error of the lower end: half the distance of the draws one binomial standard
    /// deviation of the rank apart to either side.
    pub low_error: f64,
    /// The same of the median.
    pub median_error: f64,
    /// The same of the upper end.
    pub high_error: f64,
}

impl Drawn {
    fn from_draws(mut draws: Vec<f64>, level: f64) -> Option<Drawn> {
        if draws.is_empty() {
            return None;
        }
        draws.sort_unstable_by(f64::total_cmp);
        let n = draws.len();
        let at = |p: f64| {
            let h = (n - 1) as f64 * p;
            let i = (h.floor() as usize).min(n - 1);
            let j = (i + 1).min(n - 1);
            let part = h - i as f64;
            if part == 0.0 || draws[i] == draws[j] {
                draws[i]
            } else {
                draws[i] + part * (draws[j] - draws[i])
            }
        };
        let error = |p: f64| {
            let step = (p * (1.0 - p) / n as f64).sqrt();
            let apart = at((p + step).min(1.0)) - at((p - step).max(0.0));
            // both beyond the largest double: nothing is known of how far apart they are
            if apart.is_nan() { f64::INFINITY } else { 0.5 * apart }
        };
        let tail = 0.5 * (1.0 - level);
        Some(Drawn {
            low: at(tail),
            median: at(0.5),
            high: at(1.0 - tail),
            level,
            low_error: error(tail),
            median_error: error(0.5),
            high_error: error(1.0 - tail),
        })
    }

    fn scaled(self, by: f64) -> Drawn {
        Drawn {
            low: self.low * by,
            median: self.median * by,
            high: self.high * by,
            level: self.level,
            low_error: self.low_error * by,
            median_error: self.median_error * by,
            high_error: self.high_error * by,
        }
    }
}

/// What there is to say of a group beside its numbers.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Remark {
    /// Split pieces without a flake name, each counted as one flake.
    SplitWithoutName {
        /// How many.
        pieces: u64,
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
        }
    }
}

/// The answer for one group.
#[derive(Debug, Clone, PartialEq)]
pub struct GroupTotals {
    /// Its name.
    pub group: String,
    /// Pieces offered.
    pub pieces: u64,
    /// Pieces that carry a platform (complete, proximal, split).
    pub platforms: u64,
    /// Flakes estimated, one a platform.
    pub n: u64,
    /// Flakes estimated whose mass now is recorded.
    pub weighed: u64,
    /// Mass now of the flakes that are weighed, in grams.
    pub mass_now_g: f64,
    /// Total original mass of the flakes estimated, in grams. None without a flake.
    pub total_mass_g: Option<Drawn>,
    /// Their mean original mass, in grams.
    pub mean_mass_g: Option<Drawn>,
    /// Mass lost by the flakes that are weighed, in grams.
    pub mass_lost_g: Option<Drawn>,
    /// Mean original length, in millimetres, where the calibration tells.
    pub mean_length_mm: Option<Drawn>,
    /// Pieces not estimated: the reason and how many.
    pub not_estimated: Vec<(String, u64)>,
    /// The first caution of each kind, and on how many flakes.
    pub cautions: Vec<(Caution, u64)>,
    /// What else there is to say.
    pub remarks: Vec<Remark>,
}

/// One size model of a variant, ready to be drawn from.
#[derive(Debug, Clone)]
struct Model {
    transform: Transform,
    compiled: Compiled,
    coefficients: Vec<f64>,
    factor: DMatrix<f64>,
    spread: Spread,
    spread_factor: Option<DMatrix<f64>>,
    tails: Tails,
    /// Column of groups, spread between and within.
    grouping: Option<(String, f64, f64)>,
}

/// One possible row of one flake.
#[derive(Debug, Clone, Copy)]
struct RowAt {
    model: usize,
    /// Where its design row and its spread row begin.
    design: usize,
    spread: usize,
    degrees_of_freedom: f64,
    /// Share of the rows up to and including this one.
    up_to: f64,
    /// Which core or knapper it shares an effect with.
    cluster: Option<usize>,
}

/// All rows of one size, in the order of the pieces estimated.
#[derive(Debug, Clone, Default)]
struct Rows {
    numbers: Vec<f64>,
    rows: Vec<RowAt>,
    /// For each piece its rows.
    pieces: Vec<(usize, usize)>,
    clusters: BTreeMap<(usize, String), usize>,
}

#[derive(Debug, Clone)]
struct Piece {
    group: usize,
    /// Core and name.
    key: Option<(String, String)>,
    portion: Option<Portion>,
    bears_platform: bool,
    mass_now_g: Option<f64>,
    /// Place among the pieces estimated, or why it is not.
    found: std::result::Result<usize, String>,
    variant: usize,
    cautions: Vec<Caution>,
    mass: Option<Predictive>,
}

/// Takes pieces one by one, and answers for all of them together.
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::infer::assemblage::{Assemblage, Drawing};
/// use conchoid::predict::Predictor;
/// use conchoid::strike::{Platform, Strike};
/// let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
/// let mut bag = Assemblage::new(&predictor)?;
/// for (depth, angle) in [(8.0, 75.0), (5.0, 70.0), (11.0, 80.0)] {
///     let platform = Platform::builder().depth_mm(depth).exterior_platform_angle_deg(angle).build()?;
///     bag.offer("pit 3", &Strike::builder().platform(platform).build()?);
/// }
/// let totals = bag.totals(&Drawing::seeded(7).draws(2000)?)?;
/// let total = totals[0].total_mass_g.unwrap();
/// assert_eq!((totals[0].group.as_str(), totals[0].n), ("pit 3", 3));
/// assert!(total.low < total.median && total.median < total.high);
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Assemblage<'p> {
    predictor: &'p Predictor,
    ask: Ask,
    mass: Vec<Option<Model>>,
    length: Vec<Option<Model>>,
    mass_rows: Rows,
    length_rows: Rows,
    groups: Vec<String>,
    by_name: BTreeMap<String, usize>,
    pieces: Vec<Piece>,
}

impl Model {
    fn new(predictor: &Predictor, variant: usize, size: &str) -> Result<Option<Model>> {
        let calibration = predictor.calibration();
        let Some(m) = calibration.variants()[variant].sizes.iter().find(|m| m.size == size) else {
            return Ok(None);
        };
        let spread_factor = match &m.spread {
            Spread::Modelled { covariance, .. } => Some(cholesky(size, covariance, covariance.len())?),
            Spread::Constant { .. } => None,
        };
        Ok(Some(Model {
            transform: m.form.transform(),
            compiled: m.form.compile(calibration.layout())?,
            coefficients: m.coefficients.clone(),
            factor: cholesky(size, &m.covariance, m.coefficients.len())?,
            spread: m.spread.clone(),
            spread_factor,
            tails: m.tails.clone(),
            grouping: m.grouping.as_ref().map(|g| (g.by.clone(), g.between, g.within)),
        }))
    }
}

impl<'p> Assemblage<'p> {
    /// An empty bag under a calibration.
    ///
    /// # Errors
    /// [`Error::Invalid`] where no variant of the calibration has a mass.
    pub fn new(predictor: &'p Predictor) -> Result<Assemblage<'p>> {
        Assemblage::asking(predictor, Ask::default())
    }

    /// An empty bag, with something asked of every flake alike.
    ///
    /// # Errors
    /// As [`Assemblage::new`].
    pub fn asking(predictor: &'p Predictor, ask: Ask) -> Result<Assemblage<'p>> {
        let variants = predictor.calibration().variants().len();
        let models =
            |size: &str| (0..variants).map(|v| Model::new(predictor, v, size)).collect::<Result<Vec<_>>>();
        let (mass, length) = (models("mass_g")?, models("length_mm")?);
        if mass.iter().all(Option::is_none) {
            let name = predictor.calibration().name();
            return Err(Error::invalid("calibration", format!("{name} says nothing of mass_g")));
        }
        Ok(Assemblage {
            predictor,
            ask,
            mass,
            length,
            mass_rows: Rows::default(),
            length_rows: Rows::default(),
            groups: Vec::new(),
            by_name: BTreeMap::new(),
            pieces: Vec::new(),
        })
    }

    /// Puts one piece into a group. Gives back why it is not estimated, where that is so; it still counts
    /// among the pieces.
    pub fn offer(&mut self, group: &str, piece: &impl Measured) -> Option<Error> {
        let group = self.group(group);
        let portion = piece.class(Portion::COLUMN).and_then(|t| t.parse::<Portion>().ok());
        let answer = self.estimate(piece);
        let (found, variant, cautions, mass) = match &answer {
            Ok((at, variant, cautions, mass)) => (Ok(*at), *variant, cautions.clone(), Some(mass.clone())),
            Err(e) => (Err(without_row(e)), 0, Vec::new(), None),
        };
        self.pieces.push(Piece {
            group,
            key: piece
                .class("flake")
                .map(|name| (piece.class("core").unwrap_or_default().to_string(), name.to_string())),
            portion,
            bears_platform: portion.is_none_or(Portion::has_platform),
            mass_now_g: piece.number("mass_now_g"),
            found,
            variant,
            cautions,
            mass,
        });
        answer.err()
    }

    /// Counts a piece that could not be read at all, such as a row of a table that was refused.
    pub fn leave_out(&mut self, group: &str, reason: impl Into<String>) {
        let group = self.group(group);
        self.pieces.push(Piece {
            group,
            key: None,
            portion: None,
            bears_platform: false,
            mass_now_g: None,
            found: Err(reason.into()),
            variant: 0,
            cautions: Vec::new(),
            mass: None,
        });
    }

    fn group(&mut self, name: &str) -> usize {
        if let Some(at) = self.by_name.get(name) {
            return *at;
        }
        self.groups.push(name.to_string());
        self.by_name.insert(name.to_string(), self.groups.len() - 1);
        self.groups.len() - 1
    }

    fn estimate(&mut self, piece: &impl Measured) -> Result<(usize, usize, Vec<Caution>, Predictive)> {
        let estimate = self.predictor.estimate(piece, &self.ask)?;
        let (variant, rows) = self.predictor.rows_of(piece, &self.ask)?;
        let lacks = || Error::invalid("calibration", format!("by {} there is no mass_g", estimate.variant));
        let mass = estimate.size("mass_g").cloned().ok_or_else(lacks)?;
        let model = self.mass[variant].as_ref().ok_or_else(lacks)?;
        self.mass_rows.add(variant, model, &rows, piece, self.predictor);
        match &self.length[variant] {
            Some(model) => self.length_rows.add(variant, model, &rows, piece, self.predictor),
            None => self.length_rows.pieces.push((0, 0)),
        }
        // how the flakes ended is no part of the answer
        let mut cautions = estimate.cautions;
        cautions.retain(|c| !matches!(c, Caution::TerminationsNotTold { .. }));
        Ok((self.mass_rows.pieces.len() - 1, variant, cautions, mass))
    }

    /// Draws, and answers for every group in the order in which they first appeared.
    ///
    /// # Errors
    /// [`Error::Invalid`] where draws times groups are more than can be kept.
    pub fn totals(&self, drawing: &Drawing) -> Result<Vec<GroupTotals>> {
        let draws = drawing.draws as usize;
        if draws.saturating_mul(self.groups.len()) > MOST_KEPT {
            return Err(Error::invalid(
                "draws",
                format!(
                    "{draws} draws of {} groups are more than can be kept (accepted: {MOST_KEPT} in all)",
                    self.groups.len()
                ),
            ));
        }
        let (flakes, mut totals) = self.flakes();
        let drawn = self.draw(&flakes, drawing, drawing.bound);
        let mut strict: Option<Vec<Sums>> = None;
        for (g, t) in totals.iter_mut().enumerate() {
            if t.n == 0 {
                continue;
            }
            let mut kept: Vec<&Sums> = of_group(&drawn, g, self.groups.len()).collect();
            if drawing.bound == Bound::Whole && t.weighed > 0 {
                kept.retain(|s| s.weighed >= t.mass_now_g);
                if (kept.len() as f64) < FEWEST_KEPT * draws as f64 {
                    t.remarks.push(Remark::HeavierThanPredicted);
                    let strict = strict.get_or_insert_with(|| self.draw(&flakes, drawing, Bound::Each));
                    kept = of_group(strict, g, self.groups.len()).collect();
                }
            }
            let drawn = |what: fn(&Sums) -> f64| {
                Drawn::from_draws(kept.iter().map(|s| what(s)).collect(), drawing.level)
            };
            t.total_mass_g = drawn(|s| s.mass);
            t.mean_mass_g = t.total_mass_g.map(|d| d.scaled(1.0 / t.n as f64));
            if t.weighed > 0 {
                let now = t.mass_now_g;
                let lost = kept.iter().map(|s| (s.weighed - now).max(0.0)).collect();
                t.mass_lost_g = Drawn::from_draws(lost, drawing.level);
            }
            let long = flakes.iter().filter(|f| f.group == g && self.length_rows.pieces[f.at].1 > 0).count();
            if long > 0 {
                t.mean_length_mm = drawn(|s| s.length).map(|d| d.scaled(1.0 / long as f64));
            }
        }
        Ok(totals)
    }

    /// Which pieces are which flakes, and the counts of every group.
    fn flakes(&self) -> (Vec<Flake>, Vec<GroupTotals>) {
        let mut totals: Vec<GroupTotals> = self.groups.iter().map(|g| GroupTotals::empty(g)).collect();
        let mut named: BTreeMap<(usize, &(String, String)), Vec<usize>> = BTreeMap::new();
        let mut reasons: Vec<BTreeMap<&str, u64>> = vec![BTreeMap::new(); self.groups.len()];
        let mut unnamed_splits = vec![0u64; self.groups.len()];
        for (i, p) in self.pieces.iter().enumerate() {
            let t = &mut totals[p.group];
            t.pieces += 1;
            t.platforms += u64::from(p.bears_platform);
            if let Err(reason) = &p.found {
                *reasons[p.group].entry(reason).or_default() += 1;
            }
            match &p.key {
                Some(key) => named.entry((p.group, key)).or_default().push(i),
                None if p.portion == Some(Portion::Split) && p.found.is_ok() => unnamed_splits[p.group] += 1,
                None => {}
            }
        }
        // pieces that stand for themselves, and those that are gathered under a name
        let mut flakes: Vec<(usize, Flake)> = Vec::new();
        let alone = |i: usize| {
            let p = &self.pieces[i];
            p.found.as_ref().ok().map(|at| {
                let now = p.mass_now_g.unwrap_or(0.0);
                (i, Flake { group: p.group, at: *at, now, weighed: now > 0.0 })
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
                totals[*group]
                    .remarks
                    .push(Remark::NameUsedTwice { name: key.1.clone(), pieces: pieces.len() as u64 });
                flakes.extend(pieces.iter().filter_map(|i| alone(*i)));
                continue;
            }
            if let Some((i, mut flake)) = pieces.iter().find_map(|i| alone(*i)) {
                let masses = || pieces.iter().filter_map(|i| self.pieces[*i].mass_now_g);
                flake.now = masses().sum();
                flake.weighed = masses().next().is_some();
                flakes.push((i, flake));
            }
        }
        flakes.sort_unstable_by_key(|(i, _)| *i);
        for (i, flake) in &flakes {
            let t = &mut totals[flake.group];
            t.n += 1;
            if flake.weighed {
                t.weighed += 1;
                t.mass_now_g += flake.now;
            }
            let p = &self.pieces[*i];
            let improbable =
                p.mass.as_ref().filter(|_| flake.weighed).and_then(|m| {
                    Truncated::new(m.clone(), flake.now).ok().and_then(|t| doubt("mass_g", &t))
                });
            for c in p.cautions.iter().chain(&improbable) {
                match t.cautions.iter_mut().find(|(o, _)| o.kind() == c.kind()) {
                    Some((_, n)) => *n += 1,
                    None => t.cautions.push((c.clone(), 1)),
                }
            }
        }
        for (g, t) in totals.iter_mut().enumerate() {
            t.not_estimated = reasons[g].iter().map(|(r, n)| (r.to_string(), *n)).collect();
            if unnamed_splits[g] > 0 {
                t.remarks.push(Remark::SplitWithoutName { pieces: unnamed_splits[g] });
            }
            let mut variants: Vec<usize> =
                flakes.iter().filter(|(_, f)| f.group == g).map(|(i, _)| self.pieces[*i].variant).collect();
            variants.sort_unstable();
            variants.dedup();
            if variants.len() > 1 {
                let all = self.predictor.calibration().variants();
                let variants = variants.iter().map(|v| all[*v].name.clone()).collect();
                t.remarks.push(Remark::SeveralVariants { variants });
            }
        }
        (flakes.into_iter().map(|(_, f)| f).collect(), totals)
    }

    /// The sums of every draw, one group after another within a draw.
    fn draw(&self, flakes: &[Flake], drawing: &Drawing, bound: Bound) -> Vec<Sums> {
        let groups = self.groups.len();
        let base = ChaCha8Rng::seed_from_u64(drawing.seed);
        let at_least = |f: &Flake| if bound == Bound::Each && f.weighed { f.now } else { 0.0 };
        let (masses, other_masses) = self.mass_rows.sheets(flakes, &self.mass, at_least);
        let long = |f: &&Flake| self.length_rows.pieces[f.at].1 > 0;
        let long: Vec<Flake> = flakes.iter().filter(long).copied().collect();
        let (lengths, other_lengths) = self.length_rows.sheets(&long, &self.length, |_| 0.0);
        let one = |k: usize| {
            let mut stream = base.clone();
            stream.set_stream(k as u64);
            let mut rng = Generator::from_rng(&mut stream);
            let mut sums = vec![Sums::default(); groups];
            let mass = self.mass_rows.draw_models(&self.mass, &mut rng);
            let mut weigh = |group: usize, weighed: bool, size: f64| {
                let s = &mut sums[group];
                s.mass += size;
                if weighed {
                    s.weighed += size;
                }
            };
            for sheet in &masses {
                sheet.draw(&mass.0, &mut rng, &mut weigh);
            }
            for f in &other_masses {
                let size = self.mass_rows.draw(f.at, &self.mass, &mass, at_least(f), &mut rng);
                weigh(f.group, f.weighed, size);
            }
            let length = self.length_rows.draw_models(&self.length, &mut rng);
            for sheet in &lengths {
                sheet.draw(&length.0, &mut rng, |group, _, size| sums[group].length += size);
            }
            for f in &other_lengths {
                sums[f.group].length += self.length_rows.draw(f.at, &self.length, &length, 0.0, &mut rng);
            }
            sums
        };
        let draws = drawing.draws as usize;
        #[cfg(feature = "parallel")]
        {
            use rayon::prelude::*;
            (0..draws).into_par_iter().flat_map_iter(one).collect()
        }
        #[cfg(not(feature = "parallel"))]
        (0..draws).flat_map(one).collect()
    }
}

/// Draws of one repetition: quick, as a total of many flakes takes a number or two for each.
type Generator = Xoshiro256PlusPlus;

/// Flakes that are drawn by one model in the plain way (one possible row each, on the log scale, no effect of a core,
/// nothing known of the size), column by column. Those of a group that are weighed, and those that are not, stand
/// together.
struct Sheet {
    model: usize,
    /// How many flakes, of which group, whether weighed.
    runs: Vec<(usize, usize, bool)>,
    /// Terms of the location, then of the log spread: a column of all flakes each.
    design: Vec<f64>,
    spread: Vec<f64>,
    degrees_of_freedom: Vec<f64>,
    normal: bool,
}

/// Flakes of a sheet worked on together, so that they stay in the first-level cache.
const TOGETHER: usize = 256;

impl Sheet {
    /// Draws a size for every flake; `take` gets a group, whether its flakes are weighed, and the sum of some of them.
    fn draw(
        &self,
        drawn: &[Option<DrawnModel>],
        rng: &mut Generator,
        mut take: impl FnMut(usize, bool, f64),
    ) {
        let Some(model) = &drawn[self.model] else { return };
        let n = self.degrees_of_freedom.len();
        let mut location = [0.0; TOGETHER];
        let mut scale = [model.scale; TOGETHER];
        let mut size = [0.0; TOGETHER];
        let mut runs = self.runs.iter();
        let (mut left, mut group, mut weighed) = (0, 0, false);
        for from in (0..n).step_by(TOGETHER) {
            let m = TOGETHER.min(n - from);
            let summed = |columns: &[f64], coefficients: &[f64], out: &mut [f64]| {
                vector::run(Summed { columns, rows: n, from, coefficients, out });
            };
            summed(&self.design, &model.coefficients, &mut location[..m]);
            if !model.spread.is_empty() {
                summed(&self.spread, &model.spread, &mut size[..m]);
                vector::exp_into(&size[..m], &mut scale[..m]);
            }
            if self.normal {
                size[..m].iter_mut().for_each(|e| *e = StandardNormal.sample(rng));
            } else {
                let degrees = &self.degrees_of_freedom[from..from + m];
                size.iter_mut().zip(degrees).for_each(|(e, d)| *e = standard_draw(*d, rng));
            }
            vector::run(Sizes { location: &location[..m], scale: &scale[..m], size: &mut size[..m] });
            let mut at = 0;
            while at < m {
                if left == 0 {
                    let Some(run) = runs.next() else { return };
                    (left, group, weighed) = *run;
                }
                let some = left.min(m - at);
                take(group, weighed, sum(&size[at..at + some]));
                at += some;
                left -= some;
            }
        }
    }
}

/// The sum of some numbers, eight at a time.
fn sum(of: &[f64]) -> f64 {
    let (eights, rest) = of.as_chunks::<8>();
    let mut sums = [0.0; 8];
    for eight in eights {
        sums.iter_mut().zip(eight).for_each(|(s, v)| *s += v);
    }
    sums.iter().sum::<f64>() + rest.iter().sum::<f64>()
}

/// Columns times coefficients, for the rows that `out` is long, from a row on.
struct Summed<'a> {
    columns: &'a [f64],
    rows: usize,
    from: usize,
    coefficients: &'a [f64],
    out: &'a mut [f64],
}

impl Kernel for Summed<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        self.out.fill(0.0);
        let (columns, rows, from, m) = (self.columns, self.rows, self.from, self.out.len());
        let column = |j: usize| &columns[j * rows + from..][..m];
        let (threes, rest) = self.coefficients.as_chunks::<3>();
        for (j, [a, b, c]) in threes.iter().enumerate() {
            let columns = column(3 * j).iter().zip(column(3 * j + 1)).zip(column(3 * j + 2));
            self.out.iter_mut().zip(columns).for_each(|(o, ((x, y), z))| *o += a * x + b * y + c * z);
        }
        for (j, b) in rest.iter().enumerate() {
            self.out.iter_mut().zip(column(3 * threes.len() + j)).for_each(|(o, x)| *o += b * x);
        }
    }
}

/// Standard errors, in `size`, become sizes.
struct Sizes<'a> {
    location: &'a [f64],
    scale: &'a [f64],
    size: &'a mut [f64],
}

impl Kernel for Sizes<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        for ((e, l), s) in self.size.iter_mut().zip(self.location).zip(self.scale) {
            *e = vector::exp(l + s * *e);
        }
    }
}

/// Sums of one draw over one group.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    mass: f64,
    weighed: f64,
    length: f64,
}

fn of_group(drawn: &[Sums], group: usize, groups: usize) -> impl Iterator<Item = &Sums> {
    drawn.iter().skip(group).step_by(groups.max(1))
}

/// One flake that is estimated.
#[derive(Debug, Clone, Copy)]
struct Flake {
    group: usize,
    /// Place among the pieces estimated.
    at: usize,
    now: f64,
    weighed: bool,
}

/// One draw of a model: coefficients, the spread of all rows or the coefficients of its log, and effects.
struct DrawnModel {
    coefficients: Vec<f64>,
    scale: f64,
    spread: Vec<f64>,
}

impl Rows {
    fn add(
        &mut self,
        variant: usize,
        model: &Model,
        rows: &[(f64, Vec<f64>)],
        piece: &impl Measured,
        predictor: &Predictor,
    ) {
        let layout = predictor.calibration().layout();
        let total: f64 = rows.iter().map(|(w, _)| w).sum();
        let cluster = model.grouping.as_ref().and_then(|(by, _, _)| piece.class(by)).map(|label| {
            let next = self.clusters.len();
            *self.clusters.entry((variant, label.to_string())).or_insert(next)
        });
        let first = self.rows.len();
        let mut up_to = 0.0;
        for (weight, x) in rows {
            let degrees_of_freedom = match &model.tails {
                Tails::Normal => f64::INFINITY,
                Tails::Student { degrees_of_freedom } => *degrees_of_freedom,
                Tails::ByClass { class, degrees_of_freedom } => layout
                    .position(class)
                    .and_then(|at| layout.class_at(at)?.levels.get(x[at] as usize))
                    .and_then(|level| degrees_of_freedom.iter().find(|(l, _)| l == level))
                    .map_or(f64::INFINITY, |(_, d)| *d),
            };
            let design = self.numbers.len();
            self.numbers.resize(design + model.compiled.terms(), 0.0);
            model.compiled.fill(x, &mut self.numbers[design..]);
            let spread = self.numbers.len();
            if model.spread_factor.is_some() {
                self.numbers.resize(spread + model.compiled.spread_terms(), 0.0);
                model.compiled.fill_spread(x, &mut self.numbers[spread..]);
            }
            up_to += weight / total;
            self.rows.push(RowAt { model: variant, design, spread, degrees_of_freedom, up_to, cluster });
        }
        self.pieces.push((first, self.rows.len() - first));
    }

    /// The flakes that can be drawn in the plain way, and the others.
    fn sheets(
        &self,
        flakes: &[Flake],
        models: &[Option<Model>],
        at_least: impl Fn(&Flake) -> f64,
    ) -> (Vec<Sheet>, Vec<Flake>) {
        let plain = |f: &Flake| {
            let (first, count) = self.pieces[f.at];
            let row = self.rows.get(first).filter(|_| count == 1 && at_least(f) <= 0.0)?;
            let log = models[row.model].as_ref().is_some_and(|m| m.transform == Transform::Ln);
            (log && row.cluster.is_none()).then_some(row)
        };
        let mut sheets = Vec::new();
        for (k, model) in models.iter().enumerate() {
            let Some(model) = model else { continue };
            let of = |f: &&Flake| plain(f).is_some_and(|row| row.model == k);
            let mut flakes: Vec<Flake> = flakes.iter().filter(of).copied().collect();
            if flakes.is_empty() {
                continue;
            }
            flakes.sort_by_key(|f| (f.group, f.weighed));
            let mut runs: Vec<(usize, usize, bool)> = Vec::new();
            for f in &flakes {
                match runs.last_mut() {
                    Some((n, group, weighed)) if (*group, *weighed) == (f.group, f.weighed) => *n += 1,
                    _ => runs.push((1, f.group, f.weighed)),
                }
            }
            let rows: Vec<&RowAt> = flakes.iter().filter_map(&plain).collect();
            let column = |from: fn(&RowAt) -> usize, terms: usize| -> Vec<f64> {
                (0..terms).flat_map(|j| rows.iter().map(move |r| self.numbers[from(r) + j])).collect()
            };
            let spread_terms = if model.spread_factor.is_some() { model.compiled.spread_terms() } else { 0 };
            let degrees_of_freedom: Vec<f64> = rows.iter().map(|r| r.degrees_of_freedom).collect();
            sheets.push(Sheet {
                model: k,
                design: column(|r| r.design, model.compiled.terms()),
                spread: column(|r| r.spread, spread_terms),
                normal: degrees_of_freedom.iter().all(|d| d.is_infinite()),
                degrees_of_freedom,
                runs,
            });
        }
        (sheets, flakes.iter().filter(|f| plain(f).is_none()).copied().collect())
    }

    /// One set of coefficients for every model, and one effect for every core (standardised).
    fn draw_models(
        &self,
        models: &[Option<Model>],
        rng: &mut Generator,
    ) -> (Vec<Option<DrawnModel>>, Vec<f64>) {
        let drawn = models.iter().map(|m| m.as_ref().map(|m| m.draw(rng))).collect();
        let effects = (0..self.clusters.len()).map(|_| StandardNormal.sample(rng)).collect();
        (drawn, effects)
    }

    /// One size of one piece, at least so large.
    fn draw(
        &self,
        piece: usize,
        models: &[Option<Model>],
        (drawn, effects): &(Vec<Option<DrawnModel>>, Vec<f64>),
        at_least: f64,
        rng: &mut Generator,
    ) -> f64 {
        let (first, count) = self.pieces[piece];
        let rows = &self.rows[first..first + count];
        let at = |row: &RowAt| -> Option<(f64, f64, Transform)> {
            let (model, drawn) = (models[row.model].as_ref()?, drawn[row.model].as_ref()?);
            let dot = |from: usize, b: &[f64]| -> f64 {
                self.numbers[from..from + b.len()].iter().zip(b).map(|(x, b)| x * b).sum()
            };
            let mut location = dot(row.design, &drawn.coefficients);
            let mut scale = drawn.scale;
            if !drawn.spread.is_empty() {
                scale *= dot(row.spread, &drawn.spread).exp();
            }
            if let (Some(cluster), Some((_, between, within)), Spread::Constant { value, .. }) =
                (row.cluster, &model.grouping, &model.spread)
            {
                let by = drawn.scale / value;
                location += effects[cluster] * between * by;
                scale = within * by;
            }
            Some((location, scale, model.transform))
        };
        let mut row = &rows[0];
        if count > 1 {
            // given what remains, the rows that make it likelier weigh more
            if at_least > 0.0 {
                let mut before = 0.0;
                let components: Vec<Component> = rows
                    .iter()
                    .filter_map(|r| {
                        let weight = r.up_to - before;
                        before = r.up_to;
                        let (location, scale, _) = at(r)?;
                        Some(Component { weight, location, scale, degrees_of_freedom: r.degrees_of_freedom })
                    })
                    .collect();
                let transform = at(row).map_or(Transform::Identity, |a| a.2);
                let truncated =
                    Predictive::new(transform, components).and_then(|p| Truncated::new(p, at_least));
                return truncated.map_or(at_least, |t| t.sample(rng));
            }
            let u: f64 = rng.random();
            row = rows.iter().find(|r| u < r.up_to).unwrap_or(&rows[count - 1]);
        }
        let Some((location, scale, transform)) = at(row) else { return 0.0 };
        let df = row.degrees_of_freedom;
        if at_least <= 0.0 {
            return transform.invert(location + scale * standard_draw(df, rng));
        }
        let bound = (transform.apply(at_least) - location) / scale;
        // most bounds lie below the middle, where trying again is quickest
        if bound < 1.0 {
            for _ in 0..100 {
                let e = standard_draw(df, rng);
                if e >= bound {
                    return transform.invert(location + scale * e).max(at_least);
                }
            }
        }
        let one = Component { weight: 1.0, location, scale, degrees_of_freedom: df };
        Predictive::new(transform, vec![one])
            .and_then(|p| Truncated::new(p, at_least))
            .map_or(at_least, |t| t.sample(rng))
    }
}

impl Model {
    fn draw<R: Rng + ?Sized>(&self, rng: &mut R) -> DrawnModel {
        let (scale, by, spread) = match (&self.spread, &self.spread_factor) {
            (Spread::Constant { value, degrees_of_freedom }, _) => {
                // the checked degrees of freedom of a calibration are positive and finite
                let by = ChiSquared::new(*degrees_of_freedom)
                    .map_or(1.0, |c| (degrees_of_freedom / c.sample(rng)).sqrt());
                (value * by, by, Vec::new())
            }
            (Spread::Modelled { coefficients, .. }, Some(factor)) => {
                (1.0, 1.0, normal(coefficients, factor, 1.0, rng))
            }
            (Spread::Modelled { coefficients, .. }, None) => (1.0, 1.0, coefficients.clone()),
        };
        DrawnModel { coefficients: normal(&self.coefficients, &self.factor, by, rng), scale, spread }
    }
}

/// A draw of N(centre, by^2 L L').
fn normal<R: Rng + ?Sized>(centre: &[f64], l: &DMatrix<f64>, by: f64, rng: &mut R) -> Vec<f64> {
    let mut out = centre.to_vec();
    for j in 0..centre.len() {
        let z: f64 = StandardNormal.sample(rng);
        for i in j..centre.len() {
            out[i] += by * l[(i, j)] * z;
        }
    }
    out
}

impl GroupTotals {
    fn empty(group: &str) -> GroupTotals {
        GroupTotals {
            group: group.to_string(),
            pieces: 0,
            platforms: 0,
            n: 0,
            weighed: 0,
            mass_now_g: 0.0,
            total_mass_g: None,
            mean_mass_g: None,
            mass_lost_g: None,
            mean_length_mm: None,
            not_estimated: Vec::new(),
            cautions: Vec::new(),
            remarks: Vec::new(),
        }
    }
}

/// The reason of an error without its place in a table, so that like reasons are counted together.
fn without_row(e: &Error) -> String {
    let mut e = e.clone();
    match &mut e {
        Error::OutOfRange { at, .. }
        | Error::NotANumber { at, .. }
        | Error::UnknownName { at, .. }
        | Error::Missing { at, .. }
        | Error::Refused { at, .. }
        | Error::Invalid { at, .. } => at.row = None,
        _ => {}
    }
    e.to_string()
}
