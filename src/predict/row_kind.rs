//! Many rows that differ in their numbers alone: what depends on classes, and on which measurements are there, is
//! found once ([`RowKind`]), and the numbers are worked out a block of rows at a time ([`VariantBatch`]).
//!
//! A kind of row has one or more completions, the same for all its rows: all settings given, or the combinations of
//! the experiment that stand in for those that are not, with their shares. Rows whose sizes are averaged over
//! terminations by probabilities of their own are left to [`Predictor::estimate`].

use super::batch::{Batch, BlockAt, IntervalColumns, Limits};
use super::distribution::{Interval, LEVEL};
use super::estimate::{Ask, Predictor};
use super::mixture::Mixtures;
use crate::calibration::caution::{Caution, Doubt};
use crate::calibration::resolved::{ResolvedTerminations, STEEPEST_DEG, WeightedRows};
use crate::error::Result;
use crate::form::ANGLE;
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
                c.0,
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
}

/// How flakes end, ready for rows.
#[derive(Debug, Clone)]
struct Told {
    ready: ResolvedTerminations,
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

/// What blocks of mixtures are worked out in.
#[derive(Debug, Default)]
pub(crate) struct MixtureMemory {
    mixtures: Mixtures,
    at: BlockAt,
    /// For each completion but the first: the places where it differs from the first, and columns of its values there.
    filled: Vec<Vec<(usize, Vec<f64>)>>,
    quantiles: Vec<f64>,
}

impl VariantBatch {
    /// Whether a size is there, in the order asked.
    pub(crate) fn has(&self, size: usize) -> bool {
        self.sizes[size].is_some()
    }

    /// Fills intervals of a block of rows of one kind (or of kinds that go together): low, median, high for each size
    /// asked. `columns` holds what was measured, and the first completion elsewhere. `doubtful` is set where a row lies
    /// beyond the flakes fitted, a doubt is likely, or a number is not finite: there [`Predictor::estimate`] decides.
    ///
    /// # Errors
    /// [`crate::Error::Shape`] when lengths differ.
    pub(crate) fn fill(
        &self,
        kind: &RowKind,
        columns: &[&[f64]],
        out: &mut [[Vec<f64>; 3]],
        spare: &mut [Vec<f64>; 3],
        doubtful: &mut [bool],
        memory: &mut MixtureMemory,
    ) -> Result<()> {
        let n = doubtful.len();
        for (i, doubtful) in doubtful.iter_mut().enumerate() {
            let measured = |at: usize| if kind.measured[at].is_nan() { f64::NAN } else { columns[at][i] };
            *doubtful |= self.outside(measured);
        }
        if kind.completions.len() > 1 {
            memory.filled.clear();
            let first = kind.complete();
            for (_, row) in &kind.completions[1..] {
                let differs = (0..row.len()).filter(|at| row[*at].to_bits() != first[*at].to_bits());
                memory.filled.push(differs.map(|at| (at, vec![row[at]; n])).collect());
            }
        }
        let mut one = |(batch, limits): &(Batch, Limits), [low, median, high]: &mut [Vec<f64>; 3]| {
            let out = IntervalColumns { low: &mut low[..n], median: &mut median[..n], high: &mut high[..n] };
            if kind.completions.len() == 1 {
                batch.fill_doubting(columns, out, limits, doubtful)
            } else {
                self.fill_mixtures(kind, batch, columns, out, limits, doubtful, memory)
            }
        };
        for (size, out) in self.sizes.iter().zip(out) {
            if let Some(size) = size {
                one(size, out)?;
            }
        }
        self.others.iter().try_for_each(|size| one(size, spare))
    }

    /// One size of a block of rows that each stand for several completions.
    #[allow(clippy::too_many_arguments)]
    fn fill_mixtures(
        &self,
        kind: &RowKind,
        batch: &Batch,
        columns: &[&[f64]],
        out: IntervalColumns<'_>,
        limits: &Limits,
        doubtful: &mut [bool],
        memory: &mut MixtureMemory,
    ) -> Result<()> {
        let n = doubtful.len();
        let MixtureMemory { mixtures, at, filled, quantiles } = memory;
        mixtures.clear(n);
        for (k, (share, _)) in kind.completions.iter().enumerate() {
            let mut mine = columns.to_vec();
            for (place, column) in k.checked_sub(1).map_or(&[][..], |k| &filled[k]) {
                mine[*place] = column;
            }
            batch.at(&mine, n, limits, at, doubtful)?;
            mixtures.push(*share, &at.location[..n], &at.scale[..n], &at.degrees_of_freedom[..n]);
        }
        mixtures.move_to_the_mean();
        let tail = 0.5 * (1.0 - self.level);
        quantiles.resize(3 * n, 0.0);
        mixtures.quantiles(&[(tail, 1.0 - tail), (0.5, 0.5), (1.0 - tail, tail)], quantiles);
        for (i, doubtful) in doubtful.iter_mut().enumerate() {
            let [low, median, high] = [0, 1, 2].map(|k| batch.transform().invert(quantiles[k * n + i]));
            let interval = Interval { low, median, high, level: self.level }.in_order();
            (out.low[i], out.median[i], out.high[i]) = (interval.low, interval.median, interval.high);
            *doubtful |= !limits.allow(&interval);
        }
        Ok(())
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

    /// What decides how a flake ends: for each completion its share and the terms; false where they are not ordinary
    /// numbers. `x` is the row completed in the first way.
    pub(crate) fn termination_terms(&self, kind: &RowKind, x: &mut [f64], terms: &mut Vec<f64>) -> bool {
        let Some(told) = &self.told else { return false };
        terms.clear();
        let mut before = kind.complete();
        for (share, row) in &kind.completions {
            for at in (0..row.len()).filter(|at| row[*at].to_bits() != before[*at].to_bits()) {
                x[at] = row[at];
            }
            before = row;
            terms.push(*share);
            let from = terms.len();
            terms.resize(from + told.ready.compiled.terms(), 0.0);
            told.ready.compiled.fill(x, &mut terms[from..]);
        }
        terms.iter().all(|t| t.abs() < FAR)
    }

    /// Probabilities of the terminations asked for, from those terms.
    ///
    /// # Errors
    /// Those of the termination model.
    pub(crate) fn terminations(&self, terms: &[f64], out: &mut Vec<Option<f64>>) -> Result<()> {
        out.clear();
        let Some(told) = &self.told else { return Ok(()) };
        out.extend(told.places.iter().map(|at| at.map(|_| 0.0)));
        for one in terms.chunks_exact(1 + told.ready.compiled.terms()) {
            let p = told.ready.model.fit.probabilities(&one[1..])?;
            for (out, at) in out.iter_mut().zip(&told.places) {
                if let (Some(out), Some(at)) = (out, at) {
                    *out += one[0] * p[*at];
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

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]
        /// A row of a block, mixtures included, has the numbers of an estimate to the last bit.
        #[test]
        fn a_row_of_a_block_is_an_estimate(
            rows in proptest::collection::vec((1.5..20.0, 45.0..88.0, 6.0..60.0, -5.0..25.0), 1..40),
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
                let sizes = ["length_mm", "mass_g"];
                let batch = predictor.variant_batch(kind.variant, &sizes, &["hinge", "step"], level).unwrap();
                let n = rows.len();
                let mut columns: Vec<Vec<f64>> = kind.complete().iter().map(|v| vec![*v; n]).collect();
                for (i, row) in rows.iter().enumerate() {
                    for (name, v) in piece(row).0 {
                        predictor.number_places().filter(|p| p.1 == name).for_each(|(at, _)| columns[at][i] = v);
                    }
                }
                let columns: Vec<&[f64]> = columns.iter().map(|c| &c[..]).collect();
                let block = || [vec![0.0; n], vec![0.0; n], vec![0.0; n]];
                let (mut out, mut spare) = ([block(), block()], block());
                let mut doubtful = vec![false; n];
                let memory = &mut MixtureMemory::default();
                batch.fill(&kind, &columns, &mut out, &mut spare, &mut doubtful, memory).unwrap();
                for (i, row) in rows.iter().enumerate().filter(|(i, _)| !doubtful[*i]) {
                    let estimate = predictor.estimate(&piece(row), &ask).unwrap();
                    for (size, [low, median, high]) in sizes.iter().zip(&out) {
                        let one = estimate.size(size).unwrap().interval(level).unwrap();
                        let bits = [one.low, one.median, one.high].map(f64::to_bits);
                        prop_assert_eq!(bits, [low[i], median[i], high[i]].map(f64::to_bits), "{} {}", name, size);
                    }
                    if batch.tells_terminations() {
                        let (mut terms, mut told) = (Vec::new(), Vec::new());
                        let mut x: Vec<f64> = columns.iter().map(|c| c[i]).collect();
                        prop_assert!(batch.termination_terms(&kind, &mut x, &mut terms));
                        batch.terminations(&terms, &mut told).unwrap();
                        let known = |n: &str| estimate.terminations.iter().find(|t| t.0 == n);
                        for (name, told) in ["hinge", "step"].iter().zip(told) {
                            let apart = known(name).map(|t| (t.1.value - told.unwrap()).abs());
                            prop_assert!(apart.is_none_or(|d| d < 1e-14));
                        }
                    }
                }
            }
        }
    }
}
