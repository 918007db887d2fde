//! Intervals for whole columns of measurements, and for one row without asking for memory.
//!
//! For a design row x of one size, on the transformed scale
//!
//! ```text
//!   m = x'b     s^2 = spread^2 + |L'x|^2     low, median, high = g^-1(m - t s), g^-1(m), g^-1(m + t s)
//! ```
//!
//! with L the Cholesky factor of the coefficients' covariance and t the quantile of Student's t, worked out once
//! where the degrees of freedom are the same for all rows. Under a logarithm two exponentials do for the three
//! numbers. Nothing is averaged here: every measurement and setting that the form reads must be given. Where one
//! is missing, [`Predictor::estimate`] knows what to do.

use super::distribution::{Interval, LARGEST, LEVEL};
use super::estimate::{HighestLeverage, Predictor, is_narrow};
use crate::calibration::ResolvedShared;
use crate::calibration::SizeModel;
use crate::calibration::caution::ATOM_TOLD;
use crate::calibration::resolved::{At, CLEARLY_BEYOND, ResolvedSize, ResolvedTails, together};
use crate::error::{Error, Result};
use crate::form::{BLOCK, Compiled, Layout, Plan, TERMINATION, Transform, check_columns};
use crate::special::{TailQuantile, student_quantile_upper};
use crate::strike::Measured;
use crate::threads;
use crate::vector::{self, Four, Kernel, Kernel4};

/// Rows of one piece of work. This crate's choice, no source.
const CHUNK: usize = 64 * BLOCK;

/// One size of a calibration, ready for many rows at one level: each gets the interval of [`Predictor::estimate`].
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::predict::Predictor;
/// let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
/// let layout = predictor.calibration().layout();
/// let batch = predictor.batch("depth, angle", "mass_g", 0.95)?;
///
/// let missing = [f64::NAN; 2];
/// let (depth, angle) = ([8.0, 5.0], [75.0, 60.0]);
/// let columns: Vec<&[f64]> = layout.numbers.iter().map(|n| match n.as_str() {
///     "platform_depth_mm" => &depth[..],
///     "exterior_platform_angle_deg" => &angle[..],
///     _ => &missing[..],
/// }).collect();
/// let (mut low, mut median, mut high) = ([0.0; 2], [0.0; 2], [0.0; 2]);
/// let out = [&mut low[..], &mut median, &mut high];
/// assert_eq!(batch.fill(&columns, out)?, 2);
/// assert!(low[0] < median[0] && median[0] < high[0] && median[1] < median[0]);
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Batch {
    size: ResolvedSize,
    plan: Plan,
    level: f64,
    half_width: HalfWidth,
}

/// How the half width of an interval comes from the spread.
#[derive(Debug, Clone)]
enum HalfWidth {
    /// Squared spread and t quantile.
    Constant(f64, f64),
    /// Squared spread, place of the class, t quantile by code, and for any other code.
    ByClass(f64, usize, Vec<f64>, f64),
    /// Spread, shared effects and degrees of freedom of each row, the log spread's terms by this plan.
    Modelled(Plan, Box<TailQuantile>),
}

/// How a row of a block stands.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum RowStanding {
    /// Nothing of its own is to be doubted.
    #[default]
    Plain,
    /// Its numbers stand; it may have cautions of its own ([`Predictor::own_cautions`]).
    Own,
    /// Only [`Predictor::estimate`] can tell.
    Alone,
}

/// The doubts about a row of a block.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Doubts {
    pub(crate) standing: RowStanding,
    pub(super) leverage: HighestLeverage,
    /// Whether a spread was so wide that its interval may say nothing.
    pub(super) wide: bool,
}

impl Doubts {
    pub(crate) fn add(&mut self, standing: RowStanding) {
        self.standing = self.standing.max(standing);
    }
}

/// Where the doubts of an estimate begin.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Limits {
    transform: Transform,
    /// The largest |L'x|^2 / spread^2 of the flakes fitted.
    leverage: f64,
    /// The least mean over scale without a doubt.
    atom: f64,
    /// Medians without a doubt.
    recorded: (f64, f64),
}

impl Limits {
    /// Whether a share below zero may have to be told.
    pub(crate) fn tells_atoms(&self) -> bool {
        self.atom > f64::NEG_INFINITY
    }

    /// What there is to doubt about an interval: whether it is finite, its median among the sizes recorded.
    pub(crate) fn of_interval(&self, i: &Interval) -> RowStanding {
        let recorded = self.recorded.0 <= i.median && i.median <= self.recorded.1;
        match [i.low, i.median, i.high].iter().all(|v| v.is_finite()) {
            true if recorded => RowStanding::Plain,
            true => RowStanding::Own,
            false => RowStanding::Alone,
        }
    }

    /// Looks at what is expected, m, its leverage, own spread and spread: how unlike the row is, the share below zero.
    fn look(&self, doubts: &mut Doubts, m: f64, leverage: f64, own: f64, scale: f64) {
        if !(m > self.atom * own * (1.0 + leverage).sqrt()) {
            doubts.add(RowStanding::Alone);
        }
        if !(leverage <= self.leverage) {
            doubts.add(RowStanding::Own);
            doubts.leverage.see(leverage, self.leverage);
        }
        if !is_narrow(self.transform, scale) {
            doubts.wide = true;
            if self.transform == Transform::Ln {
                doubts.add(RowStanding::Own);
            }
        }
    }
}

/// One size of a block of rows, transformed scale.
#[derive(Debug, Clone)]
pub(crate) struct BlockAt {
    pub(crate) location: [f64; BLOCK],
    /// The spread of a prediction.
    pub(crate) scale: [f64; BLOCK],
    pub(crate) degrees_of_freedom: [f64; BLOCK],
    /// Terms of the location, and of the log spread.
    x: Vec<f64>,
    z: Vec<f64>,
    scratch: Vec<[f64; 4]>,
}

impl Default for BlockAt {
    fn default() -> BlockAt {
        let [location, scale, degrees_of_freedom] = [[0.0; BLOCK]; 3];
        BlockAt { location, scale, degrees_of_freedom, x: Vec::new(), z: Vec::new(), scratch: Vec::new() }
    }
}

/// Limits stand a little inside, so that rounding never hides a doubt.
#[cfg_attr(not(feature = "table"), allow(dead_code))]
const NEAR: f64 = 0.999;

impl Batch {
    /// Prepares one size for intervals of this level; the layout is that of the calibration. A size model knows no
    /// ranges and no percussor: [`Predictor::batch`] does, and opens the interval beyond the flakes fitted.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < level < 1, and those of a size model that contradicts itself.
    #[cfg(test)]
    pub(crate) fn new(model: &SizeModel, layout: &Layout, level: f64) -> Result<Batch> {
        let level = LEVEL.check(level)?;
        Ok(Batch::of(ResolvedSize::new(model, layout, &[])?, level))
    }

    /// The same of a size that is ready, for a level that was checked.
    pub(crate) fn of(size: ResolvedSize, level: f64) -> Batch {
        let quantile = TailQuantile::new(0.5 * (1.0 - level));
        let half_width = match (size.constant.filter(|_| size.shared.is_none()), &size.tails) {
            (Some((value, behind)), ResolvedTails::Same(d)) => {
                HalfWidth::Constant(value * value, quantile.at(together(*d, behind)))
            }
            (Some((value, behind)), ResolvedTails::ByClass(at, by_code)) => {
                let t = |d: f64| quantile.at(together(d, behind));
                let by_code = by_code.iter().map(|d| t(*d)).collect();
                HalfWidth::ByClass(value * value, *at, by_code, t(f64::INFINITY))
            }
            (None, _) => HalfWidth::Modelled(size.compiled.spread_plan(), Box::new(quantile)),
        };
        Batch { plan: size.compiled.plan(), size, level, half_width }
    }

    /// Fills the intervals of all rows, their lower ends, medians and upper ends, one number a row in each: `columns` holds
    /// one column per entry of the layout (classes as codes).
    /// Rows outside the domain of the form, or that lack what it reads, are not numbers. Returns how many were
    /// answered.
    ///
    /// # Errors
    /// [`Error::Shape`] when lengths differ.
    pub fn fill(&self, columns: &[&[f64]], [low, median, high]: [&mut [f64]; 3]) -> Result<u64> {
        let n = median.len();
        check_columns(&self.plan, columns, n)?;
        if let HalfWidth::Modelled(plan, _) = &self.half_width {
            check_columns(plan, columns, n)?;
        }
        let class = match &self.size.tails {
            ResolvedTails::ByClass(at, _) => Some(*at),
            ResolvedTails::Same(_) => None,
        };
        let groups = self.size.shared.as_ref().and_then(ResolvedShared::last_place);
        if let Some(at) = class.max(groups)
            && at >= columns.len()
        {
            return Err(Error::Shape { what: "columns".into(), found: columns.len(), expected: at + 1 });
        }
        for found in [low.len(), high.len()] {
            if found != n {
                return Err(Error::Shape { what: "numbers to fill".into(), found, expected: n });
            }
        }
        let pieces = low.chunks_mut(CHUNK).zip(median.chunks_mut(CHUNK)).zip(high.chunks_mut(CHUNK));
        let answered = threads::each(
            pieces.enumerate().map(|(k, ((low, median), high))| (k, low, median, high)).collect(),
            |(k, low, median, high)| self.piece(columns, k * CHUNK, low, median, high, None),
        );
        Ok(answered.into_iter().sum())
    }

    /// As [`Batch::fill`], on this thread; `doubts` tells where a row comes near one of the limits or an end
    /// of its interval is not finite.
    #[cfg_attr(not(feature = "table"), allow(dead_code))]
    pub(crate) fn fill_doubting(
        &self,
        columns: &[&[f64]],
        [low, median, high]: [&mut [f64]; 3],
        limits: &Limits,
        doubts: &mut [Doubts],
    ) -> Result<()> {
        let n = doubts.len();
        check_columns(&self.plan, columns, n)?;
        if [low.len(), median.len(), high.len()] != [n; 3] {
            return Err(Error::Shape { what: "numbers to fill".into(), found: low.len(), expected: n });
        }
        self.piece(columns, 0, low, median, high, Some((limits, &mut *doubts)));
        for (i, doubt) in doubts.iter_mut().enumerate() {
            let (low, median, high) = (low[i], median[i], high[i]);
            doubt.add(limits.of_interval(&Interval { low, median, high, level: self.level }));
        }
        Ok(())
    }

    /// How the size is transformed.
    pub(crate) fn transform(&self) -> Transform {
        self.size.transform
    }

    /// Location, scale and degrees of freedom of at most a block of rows; `doubts` tells where a row comes near the
    /// limit of a share below zero, beyond that of leverage.
    ///
    /// # Errors
    /// [`Error::Shape`] when lengths differ.
    pub(crate) fn at(
        &self,
        columns: &[&[f64]],
        n: usize,
        limits: &Limits,
        out: &mut BlockAt,
        doubts: &mut [Doubts],
    ) -> Result<()> {
        check_columns(&self.plan, columns, n)?;
        let p = self.plan.terms();
        out.x.resize(self.plan.registers() * BLOCK, 0.0);
        out.scratch.resize(p, [0.0; 4]);
        let mut v = [0.0; BLOCK];
        self.locate(columns, 0, n, &mut out.x, &mut out.scratch[..p], &mut out.location, &mut v);
        if let HalfWidth::Modelled(plan, _) = &self.half_width {
            out.z.resize(plan.registers() * BLOCK, 0.0);
            plan.fill(columns, 0, n, &mut out.z, BLOCK);
        }
        let mut design = vec![0.0; p];
        for i in 0..n {
            let at = self.row(columns, i, i, &out.x, &out.z, &mut design, out.location[i], v[i]);
            out.location[i] = at.location;
            (out.scale[i], out.degrees_of_freedom[i]) = (at.scale(), at.degrees_of_freedom);
            limits.look(&mut doubts[i], at.location, at.leverage(), at.own, out.scale[i]);
        }
        Ok(())
    }

    /// One row, place `i` of a block, from what is expected of it and its uncertainty: its spread, the effects that
    /// groups share, its degrees of freedom.
    #[allow(clippy::too_many_arguments)]
    fn row(
        &self,
        columns: &[&[f64]],
        row: usize,
        i: usize,
        x: &[f64],
        z: &[f64],
        design: &mut [f64],
        m: f64,
        v: f64,
    ) -> At {
        let tail = self.size.tails.at(|c| columns[c][row]);
        let (own, degrees_of_freedom) = self.spread(tail, |j| z[j * BLOCK + i]);
        let mut at = At { location: m, own, uncertainty: v, degrees_of_freedom, ..At::default() };
        if let Some(shared) = &self.size.shared {
            design.iter_mut().enumerate().for_each(|(j, d)| *d = x[j * BLOCK + i]);
            shared.at(|c| columns[c][row], design).add_to(&mut at);
        }
        self.size.finish(|c| entry(columns, c, row), &mut at);
        at
    }

    /// The rows of a block that were struck by another percussor or lie beyond the flakes fitted, where the spread is the
    /// same for all: their middle, and half the width of the interval.
    #[allow(clippy::too_many_arguments)]
    fn finish(
        &self,
        columns: &[&[f64]],
        from: usize,
        n: usize,
        own: f64,
        t: impl Fn(usize) -> f64,
        m: &mut [f64],
        v: &[f64],
        h: &mut [f64],
    ) {
        let column = |c: usize| columns.get(c).map(|c| &c[from..from + n]);
        if !self.size.may_not_be_plain(column, &v[..n], own) {
            return;
        }
        for i in 0..n {
            let x = |c: usize| entry(columns, c, from + i);
            if !self.size.is_plain(x, v[i] / (own * own)) {
                let mut at = At { location: m[i], own, uncertainty: v[i], ..At::default() };
                self.size.finish(x, &mut at);
                (m[i], h[i]) = (at.location, t(i) * at.scale());
            }
        }
    }

    /// What is expected of a block of rows from a row on, and its uncertainty.
    #[allow(clippy::too_many_arguments)]
    fn locate(
        &self,
        columns: &[&[f64]],
        from: usize,
        n: usize,
        x: &mut [f64],
        scratch: &mut [[f64; 4]],
        m: &mut [f64; BLOCK],
        v: &mut [f64; BLOCK],
    ) {
        self.plan.fill(columns, from, n, x, BLOCK);
        let (coefficients, factor) = (&self.size.coefficients[..], self.size.factor.rows());
        vector::run4(Locate {
            x,
            p: self.plan.terms(),
            packs: n.div_ceil(4),
            coefficients,
            factor,
            scratch,
            m,
            v,
        });
    }

    /// The limits beyond which an estimate carries a caution about leverage, about sizes below zero or beyond what
    /// was recorded.
    #[cfg_attr(not(feature = "table"), allow(dead_code))]
    pub(crate) fn limits(&self, model: &SizeModel) -> Limits {
        let below = |d: f64| student_quantile_upper(NEAR * ATOM_TOLD, d);
        let atom = match (self.size.transform, self.size.constant, &self.size.tails) {
            (Transform::Ln | Transform::Log10 | Transform::Identity | Transform::LnExcess, ..) => {
                f64::NEG_INFINITY
            }
            (_, Some((_, behind)), ResolvedTails::Same(d)) => below(together(*d, behind)),
            (_, Some((_, behind)), ResolvedTails::ByClass(_, by_code)) => {
                by_code.iter().map(|d| below(together(*d, behind))).fold(below(behind), f64::max)
            }
            // degrees of freedom differ from row to row
            (_, None, _) => f64::INFINITY,
        };
        let recorded = match model.recorded {
            Some(r) => (r.low / (CLEARLY_BEYOND * NEAR), r.high * CLEARLY_BEYOND * NEAR),
            None => (f64::NEG_INFINITY, f64::INFINITY),
        };
        Limits { transform: self.size.transform, leverage: model.largest_leverage, atom, recorded }
    }

    fn piece(
        &self,
        columns: &[&[f64]],
        from: usize,
        low: &mut [f64],
        median: &mut [f64],
        high: &mut [f64],
        mut doubts: Option<(&Limits, &mut [Doubts])>,
    ) -> u64 {
        let p = self.plan.terms();
        let mut x = vec![0.0; self.plan.registers() * BLOCK];
        let mut z = match &self.half_width {
            HalfWidth::Modelled(plan, _) => vec![0.0; plan.registers() * BLOCK],
            _ => Vec::new(),
        };
        let mut scratch = vec![[0.0; 4]; p];
        let mut design = vec![0.0; p];
        let own = self.size.constant.map_or(0.0, |(own, _)| own);
        let (mut m, mut v, mut h) = ([0.0; BLOCK], [0.0; BLOCK], [0.0; BLOCK]);
        let told = doubts.is_some();
        let mut look = |row: usize, m: f64, leverage: f64, own: f64, scale: f64| {
            if let Some((limits, doubts)) = &mut doubts {
                limits.look(&mut doubts[row], m, leverage, own, scale);
            }
        };
        let mut answered = 0;
        for start in (0..median.len()).step_by(BLOCK) {
            let n = BLOCK.min(median.len() - start);
            self.locate(columns, from + start, n, &mut x, &mut scratch, &mut m, &mut v);
            match &self.half_width {
                HalfWidth::Constant(s2, t) => {
                    vector::run(Half { s2: *s2, t: *t, v: &v, h: &mut h });
                    self.finish(columns, from + start, n, own, |_| *t, &mut m, &v, &mut h);
                    if told {
                        (0..n).for_each(|i| look(start + i, m[i], v[i] / s2, own, h[i] / t));
                    }
                }
                HalfWidth::ByClass(s2, at, by_code, other) => {
                    let t = |i: usize| *by_code.get(columns[*at][from + start + i] as usize).unwrap_or(other);
                    for i in 0..n {
                        h[i] = t(i) * (s2 + v[i]).sqrt();
                    }
                    self.finish(columns, from + start, n, own, t, &mut m, &v, &mut h);
                    (0..n).for_each(|i| look(start + i, m[i], v[i] / s2, own, h[i] / t(i)));
                }
                HalfWidth::Modelled(plan, quantile) => {
                    plan.fill(columns, from + start, n, &mut z, BLOCK);
                    for i in 0..n {
                        let at = self.row(columns, from + start + i, i, &x, &z, &mut design, m[i], v[i]);
                        m[i] = at.location;
                        h[i] = quantile.at(at.degrees_of_freedom) * at.scale();
                        look(start + i, m[i], at.leverage(), at.own, at.scale());
                    }
                }
            }
            let range = start..start + n;
            answered += vector::run(Finish {
                transform: self.size.transform,
                m: &m[..n],
                h: &h[..n],
                low: &mut low[range.clone()],
                median: &mut median[range.clone()],
                high: &mut high[range],
            });
        }
        answered
    }

    /// Own spread and degrees of freedom of a row whose spread is modelled, from the terms of its log spread.
    fn spread(&self, tail: f64, z: impl Fn(usize) -> f64) -> (f64, f64) {
        let (own, behind) = self.size.constant.unwrap_or_else(|| self.size.spread.at(z));
        (own, together(tail, behind))
    }
}

/// An entry of a row; not a number where there is no such column.
#[inline(always)]
fn entry(columns: &[&[f64]], column: usize, row: usize) -> f64 {
    columns.get(column).map_or(f64::NAN, |c| c[row])
}

/// m = X b and v = |L'x|^2 for a block.
struct Locate<'a> {
    x: &'a [f64],
    p: usize,
    /// Packs of four rows that are worked out.
    packs: usize,
    coefficients: &'a [f64],
    /// L, row by row.
    factor: &'a [f64],
    scratch: &'a mut [[f64; 4]],
    m: &'a mut [f64; BLOCK],
    v: &'a mut [f64; BLOCK],
}

impl Kernel4 for Locate<'_> {
    type Output = ();
    #[inline(always)]
    fn go<F: Four>(self, f: F) {
        // written out for the usual numbers of terms
        match self.p {
            2 => self.of::<F, 2>(f),
            3 => self.of::<F, 3>(f),
            4 => self.of::<F, 4>(f),
            5 => self.of::<F, 5>(f),
            6 => self.of::<F, 6>(f),
            7 => self.of::<F, 7>(f),
            8 => self.of::<F, 8>(f),
            _ => self.any(f),
        }
    }
}

impl Locate<'_> {
    #[inline(always)]
    fn of<F: Four, const P: usize>(self, f: F) {
        let columns: [&[[f64; 4]]; P] =
            std::array::from_fn(|j| &self.x[j * BLOCK..(j + 1) * BLOCK].as_chunks().0[..BLOCK / 4]);
        let b = &self.coefficients[..P];
        let l = &self.factor[..P * (P + 1) / 2];
        let (m, v) = (self.m.as_chunks_mut::<4>().0, self.v.as_chunks_mut::<4>().0);
        for i in 0..self.packs {
            let x: [F::Pack; P] = std::array::from_fn(|j| f.load(&columns[j][i]));
            let mut mean = f.mul(f.all(b[0]), x[0]);
            for j in 1..P {
                mean = f.add(mean, f.mul(f.all(b[j]), x[j]));
            }
            m[i] = f.store(mean);
            let mut sum = f.all(0.0);
            for j in 0..P {
                let mut z = f.mul(f.all(l[j * (j + 1) / 2 + j]), x[j]);
                for k in j + 1..P {
                    z = f.add(z, f.mul(f.all(l[k * (k + 1) / 2 + j]), x[k]));
                }
                sum = f.add(sum, f.mul(z, z));
            }
            v[i] = f.store(sum);
        }
    }

    #[inline(always)]
    fn any<F: Four>(self, f: F) {
        let p = self.p;
        let columns = self.x.as_chunks::<4>().0;
        let (m, v) = (self.m.as_chunks_mut::<4>().0, self.v.as_chunks_mut::<4>().0);
        // a term that is 0 in all rows adds nothing
        let zero = |j: usize| columns[j * (BLOCK / 4)..][..self.packs].iter().flatten().all(|x| *x == 0.0);
        let terms: Vec<usize> = (0..p).filter(|j| !zero(*j)).collect();
        for i in 0..self.packs {
            let mut mean = f.all(0.0);
            self.scratch.fill([0.0; 4]);
            for k in &terms {
                let x = f.load(&columns[k * (BLOCK / 4) + i]);
                mean = f.add(mean, f.mul(f.all(self.coefficients[*k]), x));
                // each sum of a column of L in the order of its terms, all columns side by side
                for (z, l) in self.scratch.iter_mut().zip(&self.factor[k * (k + 1) / 2..][..k + 1]) {
                    *z = f.store(f.add(f.load(z), f.mul(f.all(*l), x)));
                }
            }
            m[i] = f.store(mean);
            let squares = |sum: F::Pack, z: &[f64; 4]| f.add(sum, f.mul(f.load(z), f.load(z)));
            v[i] = f.store(self.scratch.iter().fold(f.all(0.0), squares));
        }
    }
}

/// h = t sqrt(s2 + v) for a block.
struct Half<'a> {
    s2: f64,
    t: f64,
    v: &'a [f64; BLOCK],
    h: &'a mut [f64; BLOCK],
}

impl Kernel for Half<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        for i in 0..BLOCK {
            self.h[i] = self.t * (self.s2 + self.v[i]).sqrt();
        }
    }
}

/// [`Interval::symmetric`] for a block; returns how many are numbers.
struct Finish<'a> {
    transform: Transform,
    m: &'a [f64],
    h: &'a [f64],
    low: &'a mut [f64],
    median: &'a mut [f64],
    high: &'a mut [f64],
}

impl Kernel for Finish<'_> {
    type Output = u64;
    #[inline(always)]
    fn go(self) -> u64 {
        let n = self.m.len();
        let (m, h) = (&self.m[..n], &self.h[..n]);
        let (low, median, high) = (&mut self.low[..n], &mut self.median[..n], &mut self.high[..n]);
        match self.transform {
            Transform::Ln | Transform::Log10 => {
                let k = if self.transform == Transform::Ln { 1.0 } else { std::f64::consts::LN_10 };
                let mut within = true;
                for i in 0..n {
                    let (a, b) = (k * m[i], k * h[i]);
                    within &= (a.abs() < LARGEST) & (b < LARGEST);
                    let middle = vector::exp(a);
                    let factor = vector::exp(b);
                    median[i] = middle;
                    low[i] = middle / factor;
                    high[i] = middle * factor;
                }
                if !within {
                    for i in 0..n {
                        let (a, b) = (k * m[i], k * h[i]);
                        if !(a.abs() < LARGEST && b < LARGEST) {
                            low[i] = vector::exp(a - b);
                            high[i] = vector::exp(a + b);
                        }
                    }
                }
            }
            other => {
                for i in 0..n {
                    low[i] = other.invert(m[i] - h[i]);
                    median[i] = other.invert(m[i]);
                    high[i] = other.invert(m[i] + h[i]);
                }
            }
        }
        let mut answered = 0;
        for v in high {
            answered += u64::from(!v.is_nan());
        }
        answered
    }
}

/// Most different terms of all sizes for which there is room on the stack. This crate's choice, no source.
const TERMS: usize = 128;
/// Sizes whose exponentials are taken side by side. This crate's choice, no source.
const TOGETHER: usize = 4;

/// All sizes of one variant at one level, for rows that give everything: the hot path of simulations. Small,
/// and [`Quick::intervals`] asks for no memory.
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::predict::{Interval, Predictor};
/// let predictor = Predictor::new(bundled::named("hard-hammer-quartzite")?)?;
/// let quick = predictor.quick("depth, angle", 0.95)?;
/// // depth, width and angle, in the order of the calibration's layout
/// let row = [8.0, f64::NAN, 75.0];
/// assert_eq!(predictor.calibration().layout().position("platform_depth_mm"), Some(0));
/// let mut out = [Interval { low: 0.0, median: 0.0, high: 0.0, level: 0.95 }; 4];
/// quick.intervals(&row, &mut out)?;
/// assert!(out.iter().all(|i| i.low < i.median && i.median < i.high));
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Quick {
    layout: Layout,
    /// Entries of an input row with those behind the layout.
    width: usize,
    /// Those of all sizes, each once.
    terms: Compiled,
    sizes: Vec<QuickSize>,
    level: f64,
}

#[derive(Debug, Clone)]
struct QuickSize {
    /// Places of the terms of the location and of the log spread.
    location: Vec<usize>,
    spread: Vec<usize>,
    batch: Batch,
}

impl Predictor {
    /// One variant at one level, ready for complete input rows.
    ///
    /// # Errors
    /// [`Error::UnknownName`] for a variant that the calibration does not have, [`Error::OutOfRange`] unless
    /// 0 < level < 1, [`Error::Invalid`] for sizes of more than 128 different terms.
    pub fn quick(&self, variant: &str, level: f64) -> Result<Quick> {
        let level = LEVEL.check(level)?;
        let at = self.variant_named(variant)?;
        let ready = &self.resolved().ready(at).sizes;
        let (terms, places) = Compiled::of_all(ready.iter().map(|size| &size.compiled));
        if terms.terms() > TERMS {
            return Err(Error::invalid("terms", format!("at most {TERMS} different terms")));
        }
        let batches = ready.iter().map(|size| Batch::of(size.clone(), level));
        let sizes = batches.zip(places);
        let sizes = sizes.map(|(batch, [location, spread])| QuickSize { location, spread, batch }).collect();
        let layout = self.calibration().layout().clone();
        Ok(Quick { layout, width: self.resolved().width(), terms, sizes, level })
    }
}

impl Predictor {
    /// One size of a variant at one level, ready for whole columns of input rows.
    ///
    /// # Errors
    /// [`Error::UnknownName`] for a variant or a size that is not there, [`Error::OutOfRange`] unless 0 < level < 1.
    pub fn batch(&self, variant: &str, size: &str, level: f64) -> Result<Batch> {
        let level = LEVEL.check(level)?;
        let at = self.variant_named(variant)?;
        let sizes = &self.calibration().variants()[at].sizes;
        let names = || sizes.iter().map(|m| m.size.clone());
        let of = sizes.iter().position(|m| m.size == size);
        let of = of.ok_or_else(|| Error::unknown_name("size", size, names()))?;
        Ok(Batch::of(self.resolved().ready(at).sizes[of].clone(), level))
    }

    fn variant_named(&self, variant: &str) -> Result<usize> {
        let variants = self.calibration().variants();
        let at = variants.iter().position(|v| v.name == variant);
        at.ok_or_else(|| Error::unknown_name("variant", variant, variants.iter().map(|v| v.name.clone())))
    }

    /// The input row of what was measured, as [`Quick::intervals`] and (a column for each entry) [`Batch::fill`] take it:
    /// one entry per entry of the calibration's layout, and behind them what is needed where another percussor struck
    /// than that of the experiment. Without those last entries a row is one of the experiment's percussor.
    ///
    /// ```
    /// use conchoid::calibration::bundled;
    /// use conchoid::predict::{Interval, Predictor};
    /// use conchoid::strike::Strike;
    /// let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
    /// let antler = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).percussor("antler").build()?;
    /// let mut out = [Interval { low: 0.0, median: 0.0, high: 0.0, level: 0.95 }; 4];
    /// predictor.quick("depth, angle", 0.95)?.intervals(&predictor.input_row(&antler)?, &mut out)?;
    /// let estimate = predictor.estimate(&antler, &Default::default())?;
    /// assert_eq!(out[3], estimate.sizes[3].predictive.interval(0.95)?);
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`Error::UnknownName`] for a class that the calibration does not know, [`Error::Refused`] for a pressed flake.
    pub fn input_row(&self, measured: &impl Measured) -> Result<Vec<f64>> {
        self.resolved().gather(measured, measured.class(TERMINATION), &mut Vec::new())
    }
}

impl Quick {
    /// The interval of each size at an input row: one entry per entry of the calibration's layout, classes as
    /// codes, not a number where missing; or all that [`Predictor::input_row`] gives. It asks for no memory but where
    /// another percussor struck.
    ///
    /// # Errors
    /// [`Error::Shape`] for a row of another length or another number of answers, [`Error::Missing`] and
    /// [`Error::Domain`] where a term of the form has no value; [`Error::Invalid`] so far outside the range that the spread is
    /// beyond the largest number.
    pub fn intervals(&self, x: &[f64], out: &mut [Interval]) -> Result<()> {
        let entries = if x.len() == self.width { self.width } else { self.layout.len() };
        for (what, found, expected) in
            [("entries of an input row", x.len(), entries), ("intervals", out.len(), self.sizes.len())]
        {
            if found != expected {
                return Err(Error::Shape { what: what.into(), found, expected });
            }
        }
        let mut terms = [0.0; TERMS];
        self.terms.fill(x, &mut terms);
        for (sizes, out) in self.sizes.chunks(TOGETHER).zip(out.chunks_mut(TOGETHER)) {
            let [mut at, mut exponents, mut powers] = [[[0.0; 2]; TOGETHER]; 3];
            for ((size, at), exponents) in sizes.iter().zip(&mut at).zip(&mut exponents) {
                *at = size.at(x, &terms);
                *exponents = Interval::exponents(size.batch.size.transform, at[0], at[1]);
            }
            vector::exp_into(exponents.as_flattened(), powers.as_flattened_mut());
            for (((size, at), powers), out) in sizes.iter().zip(at).zip(powers).zip(out) {
                *out = Interval::of_powers(size.batch.size.transform, at[0], at[1], powers, self.level);
                if !out.median.is_finite() || out.low.is_nan() || out.high.is_nan() {
                    size.batch.size.compiled.check(x, &self.layout)?;
                }
                if out.low.is_nan() || out.median.is_nan() || out.high.is_nan() {
                    return Err(Error::invalid("predictive", "its spread is beyond the largest number here"));
                }
            }
        }
        Ok(())
    }
}

impl QuickSize {
    /// What is expected and half the width of the interval, transformed scale.
    fn at(&self, x: &[f64], terms: &[f64; TERMS]) -> [f64; 2] {
        let entry = |c: usize| x.get(c).copied().unwrap_or(f64::NAN);
        let (b, row) = (&self.batch, |i: usize| terms[self.location[i]]);
        let m = b.size.coefficients.iter().enumerate().map(|(i, b)| row(i) * b).sum();
        let v = b.size.factor.quadratic_of(row);
        let own = b.size.constant.map_or(0.0, |(own, _)| own);
        let mut at = At { location: m, own, uncertainty: v, ..At::default() };
        let t = match &b.half_width {
            HalfWidth::Constant(_, t) => *t,
            HalfWidth::ByClass(_, place, by_code, other) => *by_code.get(x[*place] as usize).unwrap_or(other),
            HalfWidth::Modelled(_, quantile) => {
                let tail = b.size.tails.at(|c| x[c]);
                (at.own, at.degrees_of_freedom) = b.spread(tail, |j| terms[self.spread[j]]);
                if let Some(shared) = &b.size.shared {
                    let mut design = [0.0; TERMS];
                    design.iter_mut().zip(&self.location).for_each(|(v, at)| *v = terms[*at]);
                    shared.at(|c| x[c], &design[..self.location.len()]).add_to(&mut at);
                }
                quantile.at(at.degrees_of_freedom)
            }
        };
        b.size.finish(entry, &mut at);
        [at.location, t * at.scale()]
    }
}
