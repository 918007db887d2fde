//! Many rows that differ in their numbers alone: what depends on classes, and on which measurements are there, is
//! found once ([`RowKind`]), and the numbers are worked out a block of rows at a time ([`VariantBatch`]).
//!
//! A kind of row has one or more completions, the same for all its rows: all settings given, or the combinations of
//! the experiment that stand in for those that are not, with their shares. Rows whose sizes are averaged over
//! terminations by probabilities of their own are left to [`Predictor::estimate`].

use super::batch::{Batch, BlockAt, Doubts, Limits, RowStanding};
use super::distribution::{Interval, LEVEL};
use super::estimate::{Ask, LEVEL_OF_DOORS, Predictor, beyond_recorded, says_something};
use super::mixture::Mixtures;
use crate::calibration::caution::{Caution, Doubt};
use crate::calibration::resolved::{ResolvedTerminations, STEEPEST_DEG, WeightedRows, near_tangent};
use crate::error::Result;
use crate::form::{ANGLE, BLOCK, Plan, Transform, check_columns};
use crate::strike::Measured;

/// What rows of the same classes and the same measurements have in common.
#[derive(Debug, Clone)]
pub(crate) struct RowKind {
    /// Which variant answers.
    pub variant: usize,
    /// The input row as measured; numbers of other rows take the place of these.
    pub measured: Vec<f64>,
    /// The input rows with what was not measured filled in, and their shares, which sum to 1.
    pub completions: WeightedRows,
    /// Doubts that do not depend on the numbers.
    pub cautions: Vec<Caution>,
    /// Whether terminations are told.
    pub tells_terminations: bool,
    /// The name of the variant's form.
    pub form: String,
}

impl RowKind {
    /// The first completion.
    pub(crate) fn complete(&self) -> &[f64] {
        &self.completions[0].1
    }

    /// Whether rows of two kinds may be worked on in one block.
    pub(crate) fn goes_with(&self, other: &RowKind) -> bool {
        self.completions.len() == 1 && other.completions.len() == 1
    }
}

/// What the kind of a row is.
pub(crate) enum Classified {
    /// This kind.
    Kind(Box<RowKind>),
    /// Its numbers stand outside the domain of the form; another row of the kind may do.
    NotHere,
    /// No kind whose rows share so much: refused, or averaged over terminations.
    Never,
}

impl Predictor {
    /// Finds the kind of a row, as far as it can be told from this one.
    pub(crate) fn classify(&self, data: &impl Measured, ask: &Ask) -> Classified {
        if crate::flake::refusal(data).is_some() || ask.kept.is_some() {
            return Classified::Never;
        }
        let Ok(mut asked) = self.asked(data, ask) else { return Classified::Never };
        let (at, ended) = (asked.variant, asked.ended);
        let (variant, ready) = (self.resolved().variant(at), self.resolved().ready(at));
        let tangent_elsewhere = ready.tangent && self.calibration().layout().position(ANGLE).is_none();
        let mixed = ready.termination.is_some() && ended.is_none() && ready.terminations.is_some();
        if tangent_elsewhere || mixed {
            return Classified::Never;
        }
        let Ok(mut completions) = self.resolved().split(at, asked.rows.clone(), ended) else {
            return Classified::NotHere;
        };
        let Ok(estimate) = self.evaluate(&mut asked) else { return Classified::NotHere };
        let mut estimate = self.doubt(estimate, &asked, data);
        let tells_terminations = !estimate.terminations.is_empty();
        if variant.termination.is_some() && ended.is_none() && !tells_terminations {
            return Classified::NotHere;
        }
        estimate.cautions.retain(|c| {
            !matches!(
                *c.0,
                Doubt::OutsideRange { .. }
                    | Doubt::NearEndOfDomain { .. }
                    | Doubt::Leverage { .. }
                    | Doubt::AtomAtZero { .. }
                    | Doubt::BeyondRecorded { .. }
            )
        });
        let total: f64 = completions.iter().map(|(w, _)| w).sum();
        completions.iter_mut().for_each(|(w, _)| *w /= total);
        Classified::Kind(Box::new(RowKind {
            variant: at,
            measured: asked.x,
            completions,
            cautions: estimate.cautions,
            tells_terminations,
            form: estimate.form,
        }))
    }

    /// One variant ready for blocks of rows: these sizes, in this order, and these terminations.
    ///
    /// # Errors
    /// [`crate::Error::OutOfRange`] unless 0 < level < 1.
    pub(crate) fn variant_batch(
        &self,
        variant: usize,
        asked: &[&str],
        terminations: &[&str],
        level: f64,
    ) -> Result<VariantBatch> {
        let layout = self.calibration().layout();
        let (found, ready) = (self.resolved().variant(variant), self.resolved().ready(variant));
        let level = LEVEL.check(level)?;
        let ready_size = |at: usize| {
            let batch = Batch::of(ready.sizes[at].clone(), level);
            let limits = batch.limits(&found.sizes[at]);
            (batch, limits)
        };
        let place = |name: &&str| found.sizes.iter().position(|m| m.size == *name);
        let sizes = asked.iter().map(|name| place(name).map(ready_size)).collect();
        let told = ready.terminations.as_ref().map(|ready| Told {
            plan: ready.compiled.plan(),
            places: terminations
                .iter()
                .map(|n| ready.model.fit.classes().iter().position(|c| c == n))
                .collect(),
            ready: ready.clone(),
        });
        // a doubt about a size that is not asked for is a doubt about the flake all the same
        let other = |at: &usize| !asked.contains(&found.sizes[*at].size.as_str());
        let others = (0..found.sizes.len()).filter(other).map(ready_size).collect();
        let ranged = found.ranges.iter().zip(&ready.ranged);
        let ranges = ranged.filter_map(|(r, at)| Some(((*at)?, r.low, r.high))).collect();
        let angle = if ready.tangent { layout.position(ANGLE) } else { None };
        Ok(VariantBatch { sizes, others, told, ranges, angle, level })
    }

    /// The cautions that a row of a kind has for its own numbers: those of what was measured, which stand before those
    /// of its kind, and those of what is expected, which stand behind; `x` is the row completed, `of` gives the interval of a
    /// size. None where only [`Predictor::estimate`] can tell.
    pub(crate) fn own_cautions(
        &self,
        kind: &RowKind,
        x: &[f64],
        doubts: &Doubts,
        of: impl Fn(&str) -> Option<Interval>,
    ) -> Option<[Vec<Caution>; 2]> {
        if doubts.standing == RowStanding::Alone {
            return None;
        }
        let (variant, ready) = (self.resolved().variant(kind.variant), self.resolved().ready(kind.variant));
        let (mut before, mut behind) = (Vec::new(), Vec::new());
        let seen = x.iter().zip(&kind.measured);
        let x: Vec<f64> = seen.map(|(v, seen)| if seen.is_nan() { f64::NAN } else { *v }).collect();
        self.resolved().outside_ranges(kind.variant, &x, &mut before);
        if let Some(at) = self.calibration().layout().position(ANGLE).filter(|_| ready.tangent) {
            before.extend(near_tangent(x[at]));
        }
        behind.extend(doubts.leverage.caution());
        for m in &variant.sizes {
            let interval = of(&m.size)?;
            if doubts.wide
                && (interval.level != LEVEL_OF_DOORS || says_something(&m.size, &interval).is_err())
            {
                return None;
            }
            behind.extend(beyond_recorded(m, interval.median));
        }
        Some([before, behind])
    }
}

/// How flakes end, ready for rows.
#[derive(Debug, Clone)]
struct Told {
    ready: ResolvedTerminations,
    plan: Plan,
    /// The class of the model for each termination asked for.
    places: Vec<Option<usize>>,
}

/// One variant ready for blocks of rows.
#[derive(Debug, Clone)]
pub(crate) struct VariantBatch {
    sizes: Vec<Option<(Batch, Limits)>>,
    others: Vec<(Batch, Limits)>,
    told: Option<Told>,
    ranges: Vec<(usize, f64, f64)>,
    angle: Option<usize>,
    level: f64,
}

/// Numbers of the terms of a termination beyond which [`Predictor::estimate`] judges whether there is an interval.
/// This crate's choice, no source.
const FAR: f64 = 1e6;

/// What is worked out of a block of rows, a number for each.
#[derive(Debug)]
pub(crate) struct Answered {
    /// Low, median, high of each size asked.
    pub(crate) intervals: Vec<[Vec<f64>; 3]>,
    /// Probability of each termination asked; not a number where there is none.
    pub(crate) terminations: Vec<Vec<f64>>,
    pub(crate) doubts: Vec<Doubts>,
}

impl Answered {
    /// For so many sizes and terminations.
    pub(crate) fn new(sizes: usize, terminations: usize) -> Answered {
        let terminations = vec![Vec::new(); terminations];
        Answered { intervals: vec![Default::default(); sizes], terminations, doubts: Vec::new() }
    }

    fn clear(&mut self, rows: usize) {
        self.intervals.iter_mut().flatten().for_each(|column| column.resize(rows, 0.0));
        self.terminations.iter_mut().for_each(|column| column.clear());
        self.terminations.iter_mut().for_each(|column| column.resize(rows, f64::NAN));
        self.doubts.clear();
        self.doubts.resize(rows, Doubts::default());
    }
}

/// What blocks of rows are worked out in.
#[derive(Debug, Default)]
pub(crate) struct BlockMemory {
    /// Intervals of sizes that were not asked for.
    spare: [Vec<f64>; 3],
    mixtures: Mixtures,
    at: BlockAt,
    /// For each completion but the first: the places where it differs from the first, and columns of its values there.
    filled: Vec<Vec<(usize, Vec<f64>)>>,
    quantiles: Vec<f64>,
    /// Terms of terminations, by term and row and of one row; probabilities of one row.
    registers: Vec<f64>,
    terms: Vec<f64>,
    probabilities: Vec<f64>,
}

impl VariantBatch {
    /// Whether a size is there, in the order asked.
    pub(crate) fn has(&self, size: usize) -> bool {
        self.sizes[size].is_some()
    }

    /// Works out a block of rows of one kind (or of kinds that go together): sizes and terminations in the order asked.
    /// `columns` holds what was measured, and the first completion elsewhere. The doubts tell where a row lies beyond the
    /// flakes fitted, or a number is not finite.
    ///
    /// # Errors
    /// [`crate::Error::Shape`] when lengths differ, and those of the termination model.
    pub(crate) fn fill(
        &self,
        predictor: &Predictor,
        kind: &RowKind,
        columns: &[&[f64]],
        out: &mut Answered,
        memory: &mut BlockMemory,
    ) -> Result<()> {
        let n = columns.first().map_or(0, |c| c.len());
        out.clear(n);
        let Answered { intervals, terminations, doubts } = out;
        for (i, doubts) in doubts.iter_mut().enumerate() {
            if self.outside(|at| columns[at][i]) {
                doubts.add(RowStanding::Own);
            }
        }
        memory.filled.clear();
        let first = kind.complete();
        for (_, row) in &kind.completions[1..] {
            let differs = (0..row.len()).filter(|at| row[*at].to_bits() != first[*at].to_bits());
            memory.filled.push(differs.map(|at| (at, vec![row[at]; n])).collect());
        }
        let mut spare = std::mem::take(&mut memory.spare);
        spare.iter_mut().for_each(|column| column.resize(n, 0.0));
        let mut one = |(batch, limits): &(Batch, Limits), [low, median, high]: &mut [Vec<f64>; 3]| {
            let out = [&mut low[..], median, high];
            if kind.completions.len() == 1 {
                batch.fill_doubting(columns, out, limits, doubts)
            } else {
                self.fill_mixtures(kind, batch, columns, out, limits, doubts, memory)
            }
        };
        for (size, out) in self.sizes.iter().zip(intervals) {
            if let Some(size) = size {
                one(size, out)?;
            }
        }
        self.others.iter().try_for_each(|size| one(size, &mut spare))?;
        memory.spare = spare;
        // a doubt about a size that is not asked for needs its median, which is not kept
        if !self.others.is_empty() {
            doubts
                .iter_mut()
                .filter(|d| d.standing == RowStanding::Own)
                .for_each(|d| d.add(RowStanding::Alone));
        }
        match &self.told {
            Some(told) => told.fill(predictor, kind, columns, terminations, doubts, memory),
            None => Ok(()),
        }
    }

    /// One size of a block of rows that each stand for several completions.
    #[allow(clippy::too_many_arguments)]
    fn fill_mixtures(
        &self,
        kind: &RowKind,
        batch: &Batch,
        columns: &[&[f64]],
        [lows, medians, highs]: [&mut [f64]; 3],
        limits: &Limits,
        doubts: &mut [Doubts],
        memory: &mut BlockMemory,
    ) -> Result<()> {
        let n = doubts.len();
        let BlockMemory { mixtures, at, filled, quantiles, .. } = memory;
        mixtures.clear(n);
        for (k, (share, _)) in kind.completions.iter().enumerate() {
            let mine = completed(columns, filled, k);
            batch.at(&mine, n, limits, at, doubts)?;
            mixtures.push(*share, &at.location[..n], &at.scale[..n], &at.degrees_of_freedom[..n]);
        }
        mixtures.move_to_the_mean();
        // the share below zero is that of the mixture as moved
        if limits.tells_atoms() {
            doubts.iter_mut().for_each(|d| d.add(RowStanding::Alone));
        }
        let tail = 0.5 * (1.0 - self.level);
        quantiles.resize(3 * n, 0.0);
        mixtures.quantiles(&[(tail, 1.0 - tail), (0.5, 0.5), (1.0 - tail, tail)], quantiles);
        for (i, doubt) in doubts.iter_mut().enumerate() {
            let [low, median, high] = [0, 1, 2].map(|k| batch.transform().invert(quantiles[k * n + i]));
            let interval = Interval { low, median, high, level: self.level }.in_order();
            (lows[i], medians[i], highs[i]) = (interval.low, interval.median, interval.high);
            doubt.add(limits.of_interval(&interval));
        }
        Ok(())
    }

    /// The transform of a size, in the order asked, and its law in each row of a block of one completion.
    ///
    /// # Errors
    /// [`crate::Error::Shape`] when lengths differ.
    pub(crate) fn law<'m>(
        &self,
        size: usize,
        columns: &[&[f64]],
        doubts: &mut [Doubts],
        memory: &'m mut BlockMemory,
    ) -> Result<Option<(Transform, &'m BlockAt)>> {
        let Some((batch, limits)) = &self.sizes[size] else { return Ok(None) };
        batch.at(columns, doubts.len(), limits, &mut memory.at, doubts)?;
        Ok(Some((batch.transform(), &memory.at)))
    }

    /// Whether a number is outside the range fitted or near the end of the domain.
    fn outside(&self, measured: impl Fn(usize) -> f64) -> bool {
        let outside = |(at, low, high): &(usize, f64, f64)| {
            let v = measured(*at);
            v < *low || v > *high
        };
        self.ranges.iter().any(outside) || self.angle.is_some_and(|at| measured(at) > STEEPEST_DEG)
    }

    /// Whether terminations have a probability under this variant.
    pub(crate) fn tells_terminations(&self) -> bool {
        self.told.is_some()
    }
}

/// The columns of a block of rows as completed in the k-th way.
fn completed<'a>(columns: &[&'a [f64]], filled: &'a [Vec<(usize, Vec<f64>)>], k: usize) -> Vec<&'a [f64]> {
    let mut mine = columns.to_vec();
    for (place, column) in k.checked_sub(1).map_or(&[][..], |k| &filled[k]) {
        mine[*place] = column;
    }
    mine
}

impl Told {
    /// Fills the probabilities of a block of rows, averaged over the completions; where the terms of a row are not ordinary
    /// numbers, [`Predictor::estimate`] decides.
    fn fill(
        &self,
        predictor: &Predictor,
        kind: &RowKind,
        columns: &[&[f64]],
        out: &mut [Vec<f64>],
        doubts: &mut [Doubts],
        memory: &mut BlockMemory,
    ) -> Result<()> {
        let BlockMemory { filled, registers, terms, probabilities, .. } = memory;
        let (fit, n) = (&self.ready.model.fit, doubts.len());
        let (shares, all) = (fit.class_rows(), fit.class_rows().iter().sum::<f64>());
        let known = out.iter_mut().zip(&self.places).filter(|(_, place)| place.is_some());
        known.for_each(|(column, _)| column.fill(0.0));
        registers.resize(self.plan.registers() * BLOCK, 0.0);
        terms.resize(self.plan.terms(), 0.0);
        probabilities.resize(fit.classes().len(), 0.0);
        for (k, (share, _)) in kind.completions.iter().enumerate() {
            let mine = completed(columns, filled, k);
            check_columns(&self.plan, &mine, n)?;
            self.plan.fill(&mine, 0, n, registers, BLOCK);
            terms.fill(f64::NAN);
            for i in 0..n {
                let entry = |j: usize| registers[j * BLOCK + i];
                let mut same = true;
                for (j, term) in terms.iter_mut().enumerate() {
                    same &= *term == entry(j);
                    *term = entry(j);
                }
                if !terms.iter().all(|t| t.abs() < FAR) {
                    doubts[i].add(RowStanding::Alone);
                    continue;
                }
                if !same {
                    fit.probabilities_into(terms, probabilities)?;
                }
                // beyond the flakes of the experiment the answer goes back to their shares
                let back = if doubts[i].standing == RowStanding::Plain {
                    0.0
                } else {
                    let x: Vec<f64> = mine.iter().map(|c| c[i]).collect();
                    predictor.resolved().share_of_experiment(kind.variant, &x)
                };
                for (column, at) in out.iter_mut().zip(&self.places) {
                    if let Some(at) = *at {
                        let p = probabilities[at];
                        column[i] += share * (p + back * (shares[at] / all - p));
                    }
                }
            }
        }
        Ok(())
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::calibration::{Calibration, SharedEffect, bundled};
    use proptest::prelude::*;

    /// A row of these numbers and classes.
    #[derive(Debug, Clone)]
    struct Piece(Vec<(&'static str, f64)>, Vec<(&'static str, &'static str)>);

    impl Measured for Piece {
        fn number(&self, name: &str) -> Option<f64> {
            self.0.iter().find(|(n, _)| *n == name).map(|(_, v)| *v)
        }
        fn class(&self, name: &str) -> Option<&str> {
            self.1.iter().find(|(n, _)| *n == name).map(|(_, v)| *v)
        }
    }

    /// What of the blow a row tells.
    fn blow() -> impl Strategy<Value = (bool, Vec<(&'static str, &'static str)>)> {
        let percussor = prop_oneof![
            Just(None),
            Just(Some("steel")),
            Just(Some("bone")),
            Just(Some("quartzite")),
            Just(Some("copper"))
        ];
        let lands = prop_oneof![Just(None), Just(Some("edge")), Just(Some("platform"))];
        (any::<bool>(), percussor, lands).prop_map(|(angle, percussor, lands)| {
            let classes = percussor.map(|p| ("percussor", p)).into_iter();
            (angle, classes.chain(lands.map(|l| ("blow_lands_on", l))).collect())
        })
    }

    /// A bundled calibration; with effects of sites where wanted.
    pub(crate) fn calibration(name: &str, of_sites: bool) -> Calibration {
        let mut parts = bundled::named(name).unwrap().into_parts();
        for m in parts.variants.iter_mut().flat_map(|v| &mut v.sizes).filter(|_| of_sites) {
            m.shared = vec![SharedEffect {
                by: "site".into(),
                groups: 9,
                terms: vec![0],
                covariance: vec![vec![0.09, 0.01], vec![0.01, 0.04]],
                degrees_of_freedom: None,
                ln_spread_sd: 0.0,
                levels: Vec::new(),
            }];
            m.variance_covariance = vec![vec![1e-4, 0.0], vec![0.0, 1e-3]];
        }
        Calibration::new(parts).unwrap()
    }

    /// Rows among the flakes of an experiment are worked out in blocks, also where some of the blow is not told.
    #[test]
    fn rows_of_a_block_seldom_go_alone() {
        for (name, class) in
            [("hard-hammer-flint", ("percussor", "quartzite")), ("controlled-glass", ("percussor", "steel"))]
        {
            let predictor = Predictor::new(bundled::named(name).unwrap()).unwrap();
            let piece = |k: usize| {
                let depth = 2.0 + 0.5 * k as f64;
                let angle = 56.0 + (7 * k % 29) as f64;
                Piece(vec![("platform_depth_mm", depth), ("exterior_platform_angle_deg", angle)], vec![class])
            };
            let Classified::Kind(kind) = predictor.classify(&piece(0), &Ask::default()) else {
                panic!("{name}")
            };
            let mut columns: Vec<Vec<f64>> = kind.complete().iter().map(|v| vec![*v; 60]).collect();
            for k in 0..60 {
                for (name, v) in piece(k).0 {
                    predictor.number_places().filter(|p| p.1 == name).for_each(|(at, _)| columns[at][k] = v);
                }
            }
            let columns: Vec<&[f64]> = columns.iter().map(|c| &c[..]).collect();
            let fill = |sizes: &[&str]| {
                let batch = predictor.variant_batch(kind.variant, sizes, &["hinge"], 0.95).unwrap();
                let mut answered = Answered::new(sizes.len(), 1);
                batch.fill(&predictor, &kind, &columns, &mut answered, &mut BlockMemory::default()).unwrap();
                answered
            };
            let all = fill(&["mass_g", "length_mm", "width_mm", "thickness_mm"]);
            assert!(all.doubts.iter().all(|d| d.standing != RowStanding::Alone), "{name}");
            assert!(all.doubts.iter().any(|d| d.standing == RowStanding::Own), "{name}");
            // a doubt about a size that was not asked for sends a row alone
            let mass = fill(&["mass_g"]);
            assert!(mass.doubts.iter().all(|d| d.standing != RowStanding::Own), "{name}");
            for (k, median) in mass.intervals[0][1].iter().enumerate() {
                let estimate = predictor.estimate(&piece(k), &Ask::default()).unwrap();
                assert_eq!(median.to_bits(), all.intervals[0][1][k].to_bits(), "{name} {k}");
                assert_eq!(
                    median.to_bits(),
                    estimate.size("mass_g").unwrap().median().to_bits(),
                    "{name} {k}"
                );
            }
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]
        /// A row of a block, mixtures included, has the numbers of an estimate to the last bit.
        #[test]
        fn a_row_of_a_block_is_an_estimate(
            rows in proptest::collection::vec((1.5..30.0, 40.0..89.0, 6.0..60.0, -5.0..25.0), 1..40),
            (angle_of_blow, classes) in blow(),
            wide: bool,
            of_sites: bool,
            level in prop_oneof![Just(0.95), Just(0.5), 0.3..0.99],
        ) {
            for name in bundled::NAMES {
                let predictor = Predictor::new(calibration(name, of_sites)).unwrap();
                let piece = |(depth, angle, width, blow): &(f64, f64, f64, f64)| {
                    let mut numbers = vec![("platform_depth_mm", *depth), ("exterior_platform_angle_deg", *angle)];
                    if wide {
                        numbers.extend([("platform_width_mm", *width), ("platform_area_mm2", depth * width * 0.6)]);
                    }
                    if angle_of_blow {
                        numbers.push(("angle_of_blow_deg", *blow));
                    }
                    Piece(numbers, classes.clone())
                };
                let ask = Ask::default();
                let Classified::Kind(kind) = predictor.classify(&piece(&rows[0]), &ask) else {
                    return Err(TestCaseError::fail("a row of a kind"));
                };
                let sizes = ["length_mm", "width_mm", "thickness_mm", "mass_g"];
                let batch = predictor.variant_batch(kind.variant, &sizes, &["hinge", "step"], level).unwrap();
                let n = rows.len();
                let mut columns: Vec<Vec<f64>> = kind.complete().iter().map(|v| vec![*v; n]).collect();
                for (i, row) in rows.iter().enumerate() {
                    for (name, v) in piece(row).0 {
                        predictor.number_places().filter(|p| p.1 == name).for_each(|(at, _)| columns[at][i] = v);
                    }
                }
                let columns: Vec<&[f64]> = columns.iter().map(|c| &c[..]).collect();
                let mut answered = Answered::new(sizes.len(), 2);
                batch.fill(&predictor, &kind, &columns, &mut answered, &mut BlockMemory::default()).unwrap();
                let Answered { intervals: out, terminations, doubts } = answered;
                for (i, row) in rows.iter().enumerate().filter(|(i, _)| doubts[*i].standing != RowStanding::Alone) {
                    let estimate = predictor.estimate(&piece(row), &ask);
                    let row: Vec<f64> = columns.iter().map(|c| c[i]).collect();
                    let interval = |name: &str| {
                        let [low, median, high] = out[sizes.iter().position(|s| *s == name)?].each_ref().map(|c| c[i]);
                        Some(Interval { low, median, high, level })
                    };
                    let mut cautions = kind.cautions.clone();
                    if doubts[i].standing == RowStanding::Own {
                        let own = predictor.own_cautions(&kind, &row, &doubts[i], interval);
                        let Some([before, behind]) = own else { continue };
                        cautions = [before, cautions, behind].concat();
                    }
                    let estimate = estimate.unwrap();
                    let words = |c: &[Caution]| c.iter().map(Caution::to_string).collect::<Vec<_>>();
                    prop_assert_eq!(words(&cautions), words(&estimate.cautions));
                    for (size, [low, median, high]) in sizes.iter().zip(&out) {
                        let one = estimate.size(size).unwrap().interval(level).unwrap();
                        let bits = [one.low, one.median, one.high].map(f64::to_bits);
                        prop_assert_eq!(bits, [low[i], median[i], high[i]].map(f64::to_bits), "{} {}", name, size);
                    }
                    if batch.tells_terminations() {
                        for (name, told) in ["hinge", "step"].iter().zip(&terminations) {
                            let known = estimate.terminations.iter().find(|t| t.0 == *name);
                            let apart = known.map(|t| (t.1.value - told[i]).abs());
                            prop_assert!(apart.is_none_or(|d| d < 1e-14));
                        }
                    }
                }
            }
        }
    }
}
