//! What the fits keep of the flakes: sums over all of them and, of very many, every second, fourth, eighth row.
//!
//! ```text
//!   rows offered -> waiting ---\
//!   columns in memory ---------- -> folded into the sums of each size -> kept, one in `stride`
//! ```
//!
//! The rows kept are the first of every `stride` in the order of the table, so that they do not depend on threads.
//! Coefficients, spread, ranges and counts are those of all flakes; what needs the rows beside the finished fit
//! (left-out errors, correlations between sizes) is worked out on the rows kept, and the largest leverage on these
//! and on the rows that lay farthest out when they passed.

use super::columns::{transform_into, triangle_looking};
use crate::error::{Error, Result};
use crate::fit::linear::{Accumulator, LinearFit};
use crate::form::{BLOCK, Compiled, Form, Layout, Transform};
use crate::threads;
use crate::vector::{self, Kernel};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// Rows of one piece of work. A fit of no more is done row by row; pieces depend on the rows alone, so the answer
/// is the same bytes for any number of threads.
pub(super) const PIECE: usize = 64 * BLOCK;

/// Rows that are folded together. This crate's choice, no source.
pub(super) const TOGETHER: usize = 8 * PIECE;

/// Numbers that are kept at most where rows may be dropped, though not fewer than two pieces of rows. This crate's choice,
/// no source.
const MOST_NUMBERS: usize = 1 << 19;

/// Rows remembered for lying farthest out. This crate's choice, no source.
const FARTHEST: usize = 64;

/// Rows as columns of one length, not a number where missing.
#[derive(Debug, Clone)]
pub(super) struct Columns<'a> {
    pub(super) inputs: Vec<&'a [f64]>,
    pub(super) sizes: Vec<&'a [f64]>,
}

impl<'a> Columns<'a> {
    /// The inputs of a row.
    pub(super) fn row(&self, i: usize) -> Vec<f64> {
        self.inputs.iter().map(|c| c[i]).collect()
    }

    /// Some rows that follow each other.
    pub(super) fn window(&self, rows: std::ops::Range<usize>) -> Columns<'a> {
        let cut = |c: &&'a [f64]| &c[rows.clone()];
        Columns { inputs: self.inputs.iter().map(cut).collect(), sizes: self.sizes.iter().map(cut).collect() }
    }

    /// The sizes of a row.
    pub(super) fn own(&self, i: usize) -> Vec<f64> {
        self.sizes.iter().map(|c| c[i]).collect()
    }
}

/// Some rows of a column: as they lie where they follow each other.
fn rows_of<'a>(column: &'a [f64], rows: &[usize]) -> Cow<'a, [f64]> {
    match (rows.first(), rows.last()) {
        (Some(first), Some(last)) if last - first + 1 == rows.len() => Cow::from(&column[*first..=*last]),
        _ => rows.iter().map(|i| column[*i]).collect(),
    }
}

/// The rows: those kept for good, then those that wait to be folded.
#[derive(Debug, Clone, Default)]
pub(super) struct Flakes {
    /// Columns of inputs, and of sizes; not a number where missing.
    inputs: Vec<Vec<f64>>,
    sizes: Vec<Vec<f64>>,
    kept: usize,
    /// Most rows that are kept; none where every row is needed.
    most: Option<usize>,
    stride: u64,
    folded: u64,
}

impl Flakes {
    /// `width` inputs and `columns` sizes a row; whether rows may be dropped where they are very many.
    pub(super) fn new(width: usize, columns: usize, may_drop: bool) -> Flakes {
        let most = (MOST_NUMBERS / (width + columns)).max(2 * PIECE);
        let most = if most.is_power_of_two() { most } else { most.next_power_of_two() / 2 };
        Flakes {
            inputs: vec![Vec::new(); width],
            sizes: vec![Vec::new(); columns],
            kept: 0,
            most: may_drop.then_some(most),
            stride: 1,
            folded: 0,
        }
    }

    pub(super) fn push(&mut self, x: &[f64], sizes: &[f64]) {
        self.inputs.iter_mut().zip(x).for_each(|(c, v)| c.push(*v));
        self.sizes.iter_mut().zip(sizes).for_each(|(c, v)| c.push(*v));
    }

    /// Adds some rows of columns.
    pub(super) fn extend(&mut self, columns: &Columns<'_>, rows: &[usize]) {
        self.inputs.iter_mut().zip(&columns.inputs).for_each(|(c, v)| c.extend(&*rows_of(v, rows)));
        self.sizes.iter_mut().zip(&columns.sizes).for_each(|(c, v)| c.extend(&*rows_of(v, rows)));
    }

    pub(super) fn columns(&self) -> Columns<'_> {
        let inputs = self.inputs.iter().map(Vec::as_slice).collect();
        Columns { inputs, sizes: self.sizes.iter().map(Vec::as_slice).collect() }
    }

    /// Rows held, kept and waiting.
    pub(super) fn rows(&self) -> usize {
        self.sizes.first().map_or(0, Vec::len)
    }

    /// Flakes used so far, held or not.
    pub(super) fn used(&self) -> u64 {
        self.folded + (self.rows() - self.kept) as u64
    }

    /// Places of the rows that wait.
    pub(super) fn waiting(&self) -> std::ops::Range<usize> {
        self.kept..self.rows()
    }

    /// How many rows may still wait before they should be folded; none where they all stay.
    pub(super) fn room(&self) -> Option<usize> {
        self.most.map(|_| TOGETHER - self.waiting().len())
    }

    pub(super) fn row(&self, i: usize) -> Vec<f64> {
        self.inputs.iter().map(|c| c[i]).collect()
    }

    pub(super) fn input(&self, i: usize, at: usize) -> f64 {
        self.inputs[at][i]
    }

    pub(super) fn size(&self, i: usize, column: usize) -> f64 {
        self.sizes[column][i]
    }

    /// Inputs and sizes of the rows kept, row by row, and their stride.
    pub(super) fn parts(&self) -> (Vec<f64>, Vec<f64>, u64) {
        let by_row = |of: &[Vec<f64>]| (0..self.kept).flat_map(|i| of.iter().map(move |c| c[i])).collect();
        (by_row(&self.inputs), by_row(&self.sizes), self.stride)
    }

    /// Adds rows that another has kept, row by row, one in `stride` of so many used; none of these may wait.
    pub(super) fn merge(&mut self, inputs: &[f64], sizes: &[f64], stride: u64, used: u64) {
        let (width, columns) = (self.inputs.len(), self.sizes.len());
        let mut theirs = Flakes::new(width, columns, self.most.is_some());
        for (i, sizes) in sizes.chunks_exact(columns).enumerate() {
            theirs.push(&inputs[i * width..][..width], sizes);
        }
        theirs.stride = stride;
        while self.stride < theirs.stride {
            self.halve();
        }
        while theirs.stride < self.stride {
            theirs.halve();
        }
        self.extend(&theirs.columns(), &(0..theirs.rows()).collect::<Vec<usize>>());
        self.kept = self.rows();
        self.folded = self.folded.saturating_add(used);
        self.drop_too_many();
    }

    /// The waiting rows have been folded; one in `stride` stays.
    pub(super) fn settle(&mut self) {
        let (from, pass) = (self.kept, self.passed_over());
        self.folded = self.used();
        self.keep(from, pass, self.stride as usize);
        self.drop_too_many();
    }

    /// How many of the rows to come go before one stays.
    fn passed_over(&self) -> usize {
        (self.stride - 1 - (self.folded + self.stride - 1) % self.stride) as usize
    }

    /// Rows that never waited have been folded; one in `stride` stays. None may wait.
    pub(super) fn settle_from(&mut self, columns: &Columns<'_>) {
        debug_assert!(self.waiting().is_empty(), "rows that wait come first");
        let rows = columns.sizes.first().map_or(0, |c| c.len());
        // those that would go at once are not taken in
        let mut every = 1;
        let staying = |of: &Flakes| rows.saturating_sub(of.passed_over()).div_ceil(of.stride as usize);
        while self.most.is_some_and(|most| self.kept.div_ceil(every) + staying(self) > most) {
            every *= 2;
            self.stride *= 2;
        }
        let (pass, stride) = (self.passed_over().min(rows), self.stride as usize);
        let pairs = self.inputs.iter_mut().chain(&mut self.sizes);
        let pairs = pairs.zip(columns.inputs.iter().chain(&columns.sizes)).collect();
        threads::each(pairs, |(to, from): (&mut Vec<f64>, &&[f64])| {
            thin(to, 0, 0, every);
            to.extend(from[pass..].iter().step_by(stride));
        });
        self.kept = self.rows();
        self.folded += rows as u64;
    }

    fn drop_too_many(&mut self) {
        while self.most.is_some_and(|most| self.kept > most) {
            self.halve();
        }
    }

    /// Every second row goes.
    fn halve(&mut self) {
        self.stride *= 2;
        self.keep(0, 0, 2);
    }

    /// Of the rows from a place on, the first of every `stride` once some are passed over.
    fn keep(&mut self, from: usize, pass: usize, stride: usize) {
        self.inputs.iter_mut().chain(&mut self.sizes).for_each(|column| thin(column, from, pass, stride));
        self.kept = self.rows();
    }
}

/// Of the numbers from a place on, the first of every `stride` once some are passed over.
fn thin(column: &mut Vec<f64>, from: usize, pass: usize, stride: usize) {
    if pass == 0 && stride == 1 {
        return;
    }
    let stay = (from + pass..column.len()).step_by(stride);
    let to = from + stay.len();
    stay.zip(from..).for_each(|(i, to)| column[to] = column[i]);
    column.truncate(to);
}

/// How one size reads the rows.
#[derive(Debug, Clone)]
pub(super) struct Reading {
    pub(super) form: Form,
    pub(super) compiled: Compiled,
    pub(super) transform: Transform,
    /// Its place among the columns of sizes.
    pub(super) column: usize,
    /// Numbers that the form reads, with their places.
    pub(super) reads: Vec<(String, usize)>,
    /// Places of the groups that share effects, the outer first.
    pub(super) groups: Vec<usize>,
}

impl Reading {
    /// Whether the form can use a row of these inputs and sizes.
    pub(super) fn takes(&self, row: &[f64], sizes: &[f64], layout: &Layout) -> bool {
        self.compiled.check(row, layout).is_ok()
            && self.transform.apply(sizes[self.column]).is_finite()
            && self.groups.iter().all(|g| !row[*g].is_nan())
    }
}

/// The smallest and the largest of some numbers, where there are any.
type Ends = Option<(f64, f64)>;

/// What one size has seen of some rows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Sums {
    /// None for a method that needs every row again.
    pub(super) sums: Option<Accumulator>,
    pub(super) flakes: u64,
    /// Sum of the log derivatives of the transform.
    pub(super) ln_jacobian: f64,
    /// Ends of the numbers read, and of the sizes.
    pub(super) ends: Vec<Ends>,
    pub(super) recorded: Ends,
    /// The rows that lay farthest out by a fit of the first rows: their leverage then, and their inputs.
    pub(super) far: Vec<(f64, Vec<Option<f64>>)>,
}

/// What a piece adds, and the leverages and places of its rows farthest out.
type PieceSeen = (Sums, Vec<(f64, usize)>);

/// What one size has seen, and a fit of the first rows.
#[derive(Debug, Clone)]
pub(super) struct Running {
    pub(super) seen: Sums,
    /// What rows are held against, once there are enough; it does not change any more.
    pub(super) early: Option<LinearFit>,
}

const NOTHING: (f64, f64) = (f64::INFINITY, f64::NEG_INFINITY);

fn wider(a: (f64, f64), b: (f64, f64)) -> (f64, f64) {
    (a.0.min(b.0), a.1.max(b.1))
}

fn widest(a: Ends, b: Ends) -> Ends {
    ends(wider(a.unwrap_or(NOTHING), b.unwrap_or(NOTHING)))
}

/// The smallest and the largest size that any of these has seen.
pub(super) fn ends_of_all<'a>(all: impl Iterator<Item = &'a Sums>) -> Ends {
    all.fold(None, |ends, sums| widest(ends, sums.recorded))
}

/// Ends of a range, where it holds anything.
fn ends((low, high): (f64, f64)) -> Ends {
    (low <= high).then_some((low, high))
}

/// A row with nothing where something was not recorded.
pub(super) fn holes(row: &[f64]) -> Vec<Option<f64>> {
    row.iter().map(|v| (!v.is_nan()).then_some(*v)).collect()
}

impl Sums {
    /// Of no rows.
    fn new(reading: &Reading) -> Sums {
        Sums {
            sums: None,
            flakes: 0,
            ln_jacobian: 0.0,
            ends: vec![None; reading.reads.len()],
            recorded: None,
            far: Vec::new(),
        }
    }

    /// Takes the ends of each number read, and last of the sizes.
    fn set_ends(&mut self, lanes: &[Lanes]) {
        if let Some((sizes, read)) = lanes.split_last() {
            (self.recorded, self.ends) = (sizes.ends(), read.iter().map(Lanes::ends).collect());
        }
    }

    /// Adds what was seen of other rows, but for those far out.
    fn add(&mut self, other: &Sums) -> Result<()> {
        if let (Some(all), Some(sums)) = (&mut self.sums, &other.sums) {
            all.merge(sums)?;
        }
        self.flakes = self.flakes.saturating_add(other.flakes);
        self.ln_jacobian += other.ln_jacobian;
        self.ends.iter_mut().zip(&other.ends).for_each(|(a, b)| *a = widest(*a, *b));
        self.recorded = widest(self.recorded, other.recorded);
        Ok(())
    }
}

impl Running {
    pub(super) fn new(reading: &Reading, least_squares: bool) -> Result<Running> {
        let sums = least_squares.then(|| Accumulator::new(reading.form.term_names())).transpose()?;
        Ok(Running { seen: Sums { sums, ..Sums::new(reading) }, early: None })
    }

    /// Adds what another has seen.
    pub(super) fn merge(&mut self, part: Sums) -> Result<()> {
        if part.ends.len() != self.seen.ends.len() || part.sums.is_some() != self.seen.sums.is_some() {
            return Err(Error::invalid("part", "its sums are not those of the recipe"));
        }
        self.seen.add(&part)?;
        self.seen.far.extend(part.far);
        farthest(&mut self.seen.far);
        Ok(())
    }

    /// Takes in some rows, if the form takes them all: false where it does not, and nothing is taken in. `last` where
    /// there will be no more.
    pub(super) fn fold(
        &mut self,
        reading: &Reading,
        columns: &Columns<'_>,
        rows: &[usize],
        last: bool,
    ) -> Result<bool> {
        let all_there_is = last && self.seen.flakes == 0;
        let few = all_there_is && rows.len() <= PIECE;
        let threshold = self.seen.far.get(FARTHEST - 1).map_or(f64::NEG_INFINITY, |(leverage, _)| *leverage);
        let pieces: Vec<&[usize]> = rows.chunks(PIECE).collect();
        let mut early = self.early.as_ref();
        let mut first_fit = None;
        if let (None, false, Some(all), Some(first)) = (early, all_there_is, &self.seen.sums, pieces.first())
        {
            // rows are held against a fit of the first of them
            let mut all = all.clone();
            let Some((sums, _)) =
                self.part(reading, columns, first, (false, None), FarOut::beyond(threshold))?
            else {
                return Ok(false);
            };
            sums.sums.iter().try_for_each(|sums| all.merge(sums))?;
            first_fit = all.finish().ok();
            early = first_fit.as_ref();
        }
        let parts = threads::in_order(pieces.len(), |k| {
            self.part(reading, columns, pieces[k], (few, early), FarOut::beyond(threshold))
        });
        let Some(parts) = parts.into_iter().collect::<Result<Option<Vec<_>>>>()? else { return Ok(false) };
        self.early = self.early.take().or(first_fit);
        let mut far = Vec::new();
        for (sums, found) in parts {
            self.seen.add(&sums)?;
            far.extend(found);
        }
        if few && let Some(all) = &mut self.seen.sums {
            let mut design = vec![0.0; reading.compiled.terms()];
            for i in rows {
                reading.compiled.fill(&columns.row(*i), &mut design);
                all.push(&design, reading.transform.apply(columns.sizes[reading.column][*i]))?;
            }
        }
        for (leverage, i) in far {
            self.seen.far.push((leverage, holes(&columns.row(i))));
        }
        farthest(&mut self.seen.far);
        Ok(true)
    }

    /// What a piece of the rows adds to the sums, and which lie far out by the first fit that there was; none where the
    /// form does not take some row.
    fn part(
        &self,
        reading: &Reading,
        columns: &Columns<'_>,
        piece: &[usize],
        (few, early): (bool, Option<&LinearFit>),
        mut far: FarOut,
    ) -> Result<Option<PieceSeen>> {
        let inputs: Vec<Cow<'_, [f64]>> = columns.inputs.iter().map(|c| rows_of(c, piece)).collect();
        let sizes = rows_of(columns.sizes[reading.column], piece);
        let mut part = Sums { flakes: piece.len() as u64, ..Sums::new(reading) };
        let mut lanes = vec![Lanes::new(); reading.reads.len() + 1];
        let mut see_ends = |rows: std::ops::Range<usize>| {
            let columns = reading.reads.iter().map(|(_, at)| &inputs[*at]).chain([&sizes]);
            lanes.iter_mut().zip(columns).for_each(|(l, c)| vector::run(Widen(l, &c[rows.clone()])));
        };
        let transform = reading.transform;
        if few || self.seen.sums.is_none() {
            see_ends(0..piece.len());
            part.ln_jacobian = sizes.iter().map(|v| transform.ln_jacobian(*v)).sum();
            part.set_ends(&lanes);
            return Ok(Some((part, Vec::new())));
        }
        let blocks: Vec<&[f64]> = inputs.iter().map(|c| &**c).collect();
        let early = early.map(LinearFit::inverse_triangle);
        let (mut leverage, mut ln, mut sum_ln) = ([0.0; BLOCK], [0.0; BLOCK], 0.0);
        let triangle = triangle_looking(&reading.compiled, transform, &blocks, &sizes, |from, n, block| {
            see_ends(from..from + n);
            match transform {
                Transform::Identity | Transform::LnExcess => {}
                Transform::Ln => {
                    sum_ln += vector::sum_of(&block[reading.compiled.terms() * BLOCK..][..n], |v| v);
                }
                Transform::Log10 | Transform::CubeRoot => {
                    vector::ln_into(&sizes[from..from + n], &mut ln[..n]);
                    sum_ln += vector::sum_of(&ln[..n], |v| v);
                }
            }
            if let Some(inverse) = &early
                && vector::run(Leverage { x: block, inverse, leverage: &mut leverage }) > far.least
            {
                far.look(&piece[from..from + n], &leverage[..n]);
            }
        });
        let Some(triangle) = triangle else { return Ok(None) };
        part.set_ends(&lanes);
        part.ln_jacobian = match transform {
            Transform::Identity => 0.0,
            Transform::LnExcess => sizes.iter().map(|v| transform.ln_jacobian(*v)).sum(),
            // the log derivative is a constant less a share of the logarithm
            Transform::Ln | Transform::Log10 | Transform::CubeRoot => {
                let at_one = transform.ln_jacobian(1.0);
                let share = at_one - transform.ln_jacobian(std::f64::consts::E);
                sizes.len() as f64 * at_one - share * sum_ln
            }
        };
        part.sums = Some(Accumulator::of(reading.form.term_names(), triangle, sizes.len() as u64)?);
        Ok(Some((part, far.found())))
    }
}

/// The smallest and the largest of some numbers, in sixteen lanes; what is not a number is passed over.
#[derive(Clone)]
struct Lanes {
    low: [f64; 16],
    high: [f64; 16],
}

impl Lanes {
    fn new() -> Lanes {
        Lanes { low: [NOTHING.0; 16], high: [NOTHING.1; 16] }
    }

    fn ends(&self) -> Ends {
        ends(self.low.into_iter().zip(self.high).fold(NOTHING, wider))
    }
}

/// Widens the ends by some numbers.
struct Widen<'a>(&'a mut Lanes, &'a [f64]);

impl Kernel for Widen<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        let Lanes { mut low, mut high } = self.0.clone();
        let mut see = |k: usize, v: f64| {
            low[k] = if v < low[k] { v } else { low[k] };
            high[k] = if v > high[k] { v } else { high[k] };
        };
        // loops, since what is handed a closure may be compiled for narrow registers
        let (some, rest) = self.1.as_chunks::<16>();
        for some in some {
            for k in 0..16 {
                see(k, some[k]);
            }
        }
        for (k, v) in rest.iter().enumerate() {
            see(k, *v);
        }
        *self.0 = Lanes { low, high };
    }
}

/// The rows of a piece that lie farthest out.
struct FarOut {
    far: Vec<(f64, usize)>,
    /// The leverage under which a row is no longer among them.
    least: f64,
}

impl FarOut {
    fn beyond(least: f64) -> FarOut {
        FarOut { far: Vec::new(), least }
    }

    fn look(&mut self, rows: &[usize], leverage: &[f64]) {
        let beyond = rows.iter().zip(leverage).filter(|(_, leverage)| **leverage > self.least);
        self.far.extend(beyond.map(|(i, leverage)| (*leverage, *i)));
        if self.far.len() >= 4 * FARTHEST {
            farthest(&mut self.far);
            self.least = self.far[FARTHEST - 1].0;
        }
    }

    fn found(mut self) -> Vec<(f64, usize)> {
        farthest(&mut self.far);
        self.far
    }
}

/// The [`FARTHEST`] with the largest leverage, the largest first; of like ones those that came first.
fn farthest<T>(far: &mut Vec<(f64, T)>) {
    far.sort_by(|a, b| b.0.total_cmp(&a.0));
    far.truncate(FARTHEST);
}

/// How a block of rows stands to a fit.
pub(super) struct Stands {
    pub(super) leverage: [f64; BLOCK],
    /// Observed less expected.
    pub(super) residual: [f64; BLOCK],
}

impl Default for Stands {
    fn default() -> Stands {
        Stands { leverage: [0.0; BLOCK], residual: [0.0; BLOCK] }
    }
}

/// Hands over the rows a block at a time, and how they stand to a fit, whose inverse triangle is given.
pub(super) fn each_block(
    reading: &Reading,
    columns: &Columns<'_>,
    rows: &[usize],
    fit: &LinearFit,
    inverse: &[f64],
    mut take: impl FnMut(&[usize], &Stands),
) {
    let plan = reading.compiled.plan();
    let mut x = vec![0.0; plan.registers() * BLOCK];
    let mut stands = Stands::default();
    for some in rows.chunks(BLOCK) {
        let inputs: Vec<Cow<'_, [f64]>> = columns.inputs.iter().map(|c| rows_of(c, some)).collect();
        let inputs: Vec<&[f64]> = inputs.iter().map(|c| &**c).collect();
        plan.fill(&inputs, 0, some.len(), &mut x, BLOCK);
        let sizes = rows_of(columns.sizes[reading.column], some);
        transform_into(reading.transform, &sizes, &mut stands.residual[..some.len()]);
        vector::run(Leverage { x: &x, inverse, leverage: &mut stands.leverage });
        for (b, column) in fit.coefficients().iter().zip(x.chunks_exact(BLOCK)) {
            stands.residual.iter_mut().zip(column).for_each(|(r, x)| *r -= b * x);
        }
        take(some, &stands);
    }
}

/// Leverages of a block, some rows at a time; gives the largest.
struct Leverage<'a> {
    x: &'a [f64],
    /// Columns of R^-1, each down to its diagonal.
    inverse: &'a [f64],
    leverage: &'a mut [f64; BLOCK],
}

impl Kernel for Leverage<'_> {
    type Output = f64;
    #[inline(always)]
    fn go(self) -> f64 {
        const AT_ONCE: usize = 16;
        let mut largest = [0.0; AT_ONCE];
        for (at, leverage) in self.leverage.as_chunks_mut::<AT_ONCE>().0.iter_mut().enumerate() {
            *leverage = [0.0; AT_ONCE];
            let mut inverse = self.inverse;
            for j in 1.. {
                let Some((column, rest)) = inverse.split_at_checked(j) else {
                    break;
                };
                let mut z = [0.0; AT_ONCE];
                for (c, x) in column.iter().zip(self.x[at * AT_ONCE..].chunks(BLOCK)) {
                    z.iter_mut().zip(&x[..AT_ONCE]).for_each(|(z, x)| *z += c * x);
                }
                leverage.iter_mut().zip(&z).for_each(|(v, z)| *v += z * z);
                inverse = rest;
            }
            largest.iter_mut().zip(leverage).for_each(|(l, v)| *l = if *v > *l { *v } else { *l });
        }
        largest.into_iter().fold(0.0, f64::max)
    }
}
