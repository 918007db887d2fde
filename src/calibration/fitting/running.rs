//! What the fits keep of the flakes: sums over all of them and, of very many, every second, fourth, eighth row.
//!
//! ```text
//!   rows offered -> waiting -> folded into the sums of each size -> kept, one in `stride`
//! ```
//!
//! The rows kept are the first of every `stride` in the order of the table, so that they do not depend on threads.
//! Coefficients, spread, ranges and counts are those of all flakes; what needs the rows beside the finished fit
//! (left-out errors, correlations between sizes) is worked out on the rows kept, and the largest leverage on these
//! and on the rows that lay farthest out when they passed.

use super::columns::{transform_into, triangle};
use crate::error::{Error, Result};
use crate::fit::linear::{Accumulator, LinearFit};
use crate::form::{BLOCK, Compiled, Form, Layout, Transform};
use crate::threads;
use crate::vector::{self, Kernel};
use serde::{Deserialize, Serialize};

/// Rows of one piece of work. A fit of no more is done row by row; pieces depend on the rows alone, so the answer
/// is the same bytes for any number of threads.
pub(super) const PIECE: usize = 64 * BLOCK;

/// Rows that are folded together. This crate's choice, no source.
const TOGETHER: usize = 8 * PIECE;

/// Numbers that are kept at most where rows may be dropped. This crate's choice, no source.
const MOST_NUMBERS: usize = 1 << 21;

/// Rows remembered for lying farthest out. This crate's choice, no source.
const FARTHEST: usize = 64;

/// The rows: those kept for good, then those that wait to be folded.
#[derive(Debug, Clone)]
pub(super) struct Flakes {
    width: usize,
    columns: usize,
    /// Input rows, one after another.
    inputs: Vec<f64>,
    /// Sizes, one row of `columns` after another; not a number where missing.
    sizes: Vec<f64>,
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
            width,
            columns,
            inputs: Vec::new(),
            sizes: Vec::new(),
            kept: 0,
            most: may_drop.then_some(most),
            stride: 1,
            folded: 0,
        }
    }

    pub(super) fn push(&mut self, x: &[f64], sizes: &[f64]) {
        self.inputs.extend_from_slice(x);
        self.sizes.extend_from_slice(sizes);
    }

    /// Rows held, kept and waiting.
    pub(super) fn rows(&self) -> usize {
        self.sizes.len() / self.columns
    }

    /// Flakes used so far, held or not.
    pub(super) fn used(&self) -> u64 {
        self.folded + (self.rows() - self.kept) as u64
    }

    /// Places of the rows that wait.
    pub(super) fn waiting(&self) -> std::ops::Range<usize> {
        self.kept..self.rows()
    }

    /// Whether so many rows wait that they should be folded.
    pub(super) fn full(&self) -> bool {
        self.most.is_some() && self.waiting().len() >= TOGETHER
    }

    pub(super) fn row(&self, i: usize) -> &[f64] {
        &self.inputs[i * self.width..(i + 1) * self.width]
    }

    pub(super) fn size(&self, i: usize, column: usize) -> f64 {
        self.sizes[i * self.columns + column]
    }

    /// Inputs, sizes and stride of the rows kept.
    pub(super) fn parts(&self) -> (&[f64], &[f64], u64) {
        (&self.inputs, &self.sizes, self.stride)
    }

    /// Adds rows that another has kept, one in `stride` of so many used; none of these may wait.
    pub(super) fn merge(&mut self, inputs: Vec<f64>, sizes: Vec<f64>, stride: u64, used: u64) {
        let kept = sizes.len() / self.columns;
        let (width, columns, most) = (self.width, self.columns, self.most);
        let mut theirs = Flakes { width, columns, most, inputs, sizes, kept, stride, folded: 0 };
        while self.stride < theirs.stride {
            self.stride *= 2;
            self.keep(0, |i| i % 2 == 0);
        }
        while theirs.stride < self.stride {
            theirs.stride *= 2;
            theirs.keep(0, |i| i % 2 == 0);
        }
        self.inputs.append(&mut theirs.inputs);
        self.sizes.append(&mut theirs.sizes);
        self.kept = self.rows();
        self.folded = self.folded.saturating_add(used);
        while self.most.is_some_and(|most| self.kept > most) {
            self.stride *= 2;
            self.keep(0, |i| i % 2 == 0);
        }
    }

    /// The waiting rows have been folded; one in `stride` stays.
    pub(super) fn settle(&mut self) {
        let (from, folded) = (self.kept, self.folded);
        self.folded = self.used();
        let stride = self.stride;
        self.keep(from, |i| (folded + (i - from) as u64).is_multiple_of(stride));
        while self.most.is_some_and(|most| self.kept > most) {
            self.stride *= 2;
            self.keep(0, |i| i % 2 == 0);
        }
    }

    /// Of the rows from a place on only those that `stays` says, in their order.
    fn keep(&mut self, from: usize, stays: impl Fn(usize) -> bool) {
        let mut to = from;
        for i in from..self.rows() {
            if stays(i) {
                if to < i {
                    self.inputs.copy_within(i * self.width..(i + 1) * self.width, to * self.width);
                    self.sizes.copy_within(i * self.columns..(i + 1) * self.columns, to * self.columns);
                }
                to += 1;
            }
        }
        self.inputs.truncate(to * self.width);
        self.sizes.truncate(to * self.columns);
        self.kept = to;
    }
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
    /// Whether the form can use a row.
    pub(super) fn takes(&self, flakes: &Flakes, layout: &Layout, i: usize) -> bool {
        self.compiled.check(flakes.row(i), layout).is_ok()
            && self.transform.apply(flakes.size(i, self.column)).is_finite()
            && self.groups.iter().all(|g| !flakes.row(i)[*g].is_nan())
    }
}

/// The smallest and the largest of some numbers, where there are any.
type Ends = Option<(f64, f64)>;

/// What one size has seen of some rows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Sums {
    /// None for a method that needs every row again.
    sums: Option<Accumulator>,
    pub(super) flakes: u64,
    /// Sum of the log derivatives of the transform.
    pub(super) ln_jacobian: f64,
    /// Ends of the numbers read, and of the sizes.
    pub(super) ends: Vec<Ends>,
    pub(super) recorded: Ends,
    /// The rows that lay farthest out by a fit of the first rows: their leverage then, and their inputs.
    pub(super) far: Vec<(f64, Vec<Option<f64>>)>,
}

/// What one size has seen, and a fit of the first rows.
#[derive(Debug, Clone)]
pub(super) struct Running {
    pub(super) seen: Sums,
    early: Option<LinearFit>,
}

const NOTHING: (f64, f64) = (f64::INFINITY, f64::NEG_INFINITY);

fn wider(a: (f64, f64), b: (f64, f64)) -> (f64, f64) {
    (a.0.min(b.0), a.1.max(b.1))
}

fn widest(a: Ends, b: Ends) -> Ends {
    ends(wider(a.unwrap_or(NOTHING), b.unwrap_or(NOTHING)))
}

/// Ends of a range, where it holds anything.
pub(super) fn ends((low, high): (f64, f64)) -> Ends {
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
        farthest(&mut self.seen.far, |f| f.0);
        Ok(())
    }

    pub(super) fn accumulator(&self) -> Option<&Accumulator> {
        self.seen.sums.as_ref()
    }

    /// Takes in some rows. `last` where there will be no more.
    pub(super) fn fold(
        &mut self,
        reading: &Reading,
        flakes: &Flakes,
        rows: &[usize],
        last: bool,
    ) -> Result<()> {
        let before = self.seen.flakes;
        let few = before == 0 && rows.len() <= PIECE;
        let parts = threads::in_order(rows.len().div_ceil(PIECE), |k| {
            let piece = &rows[k * PIECE..rows.len().min((k + 1) * PIECE)];
            self.part(reading, flakes, piece, few)
        });
        for part in parts {
            self.seen.add(&part?)?;
        }
        if few && let Some(all) = &mut self.seen.sums {
            let mut design = vec![0.0; reading.compiled.terms()];
            for i in rows {
                reading.compiled.fill(flakes.row(*i), &mut design);
                all.push(&design, reading.transform.apply(flakes.size(*i, reading.column)))?;
            }
        }
        if !(last && before == 0) {
            self.look_far(reading, flakes, rows);
        }
        Ok(())
    }

    fn part(&self, reading: &Reading, flakes: &Flakes, piece: &[usize], few: bool) -> Result<Sums> {
        let mut part = Sums { flakes: piece.len() as u64, ..Sums::new(reading) };
        let (mut read, mut recorded) = (vec![NOTHING; reading.reads.len()], NOTHING);
        for i in piece {
            let size = flakes.size(*i, reading.column);
            recorded = wider(recorded, (size, size));
            let row = flakes.row(*i);
            for (ends, (_, at)) in read.iter_mut().zip(&reading.reads) {
                *ends = wider(*ends, (row[*at], row[*at]));
            }
        }
        part.recorded = ends(recorded);
        part.ends = read.into_iter().map(ends).collect();
        if few || self.seen.sums.is_none() {
            let each = piece.iter().map(|i| reading.transform.ln_jacobian(flakes.size(*i, reading.column)));
            part.ln_jacobian = each.sum();
        } else {
            let columns = columns_of(flakes, piece);
            let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
            let sizes: Vec<f64> = piece.iter().map(|i| flakes.size(*i, reading.column)).collect();
            if reading.transform == Transform::LnExcess {
                part.ln_jacobian = sizes.iter().map(|v| reading.transform.ln_jacobian(*v)).sum();
            } else if reading.transform != Transform::Identity {
                // the log derivative is a constant less a share of the logarithm
                let mut ln = vec![0.0; sizes.len()];
                vector::ln_into(&sizes, &mut ln);
                let at_one = reading.transform.ln_jacobian(1.0);
                let share = at_one - reading.transform.ln_jacobian(std::f64::consts::E);
                part.ln_jacobian = sizes.len() as f64 * at_one - share * ln.iter().sum::<f64>();
            }
            let triangle = triangle(&reading.compiled, reading.transform, &columns, &sizes);
            part.sums = Some(Accumulator::of(reading.form.term_names(), triangle, sizes.len() as u64)?);
        }
        Ok(part)
    }

    /// Remembers the rows that lie farthest out by the first fit that there was.
    fn look_far(&mut self, reading: &Reading, flakes: &Flakes, rows: &[usize]) {
        let Some(accumulator) = &self.seen.sums else { return };
        if self.early.is_none() {
            self.early = accumulator.finish().ok();
        }
        let Some(early) = &self.early else { return };
        let threshold = match self.seen.far.last() {
            Some((leverage, ..)) if self.seen.far.len() == FARTHEST => *leverage,
            _ => f64::NEG_INFINITY,
        };
        let inverse = early.inverse_triangle();
        let found = threads::in_order(rows.len().div_ceil(PIECE), |k| {
            let piece = &rows[k * PIECE..rows.len().min((k + 1) * PIECE)];
            let mut far: Vec<(f64, usize)> = Vec::new();
            let mut least = threshold;
            each_block(reading, flakes, piece, early, &inverse, |some, block| {
                for (i, leverage) in some.iter().zip(block.leverage) {
                    if leverage > least {
                        far.push((leverage, *i));
                    }
                }
                if far.len() >= 4 * FARTHEST {
                    farthest(&mut far, |f| f.0);
                    least = far[FARTHEST - 1].0;
                }
            });
            farthest(&mut far, |f| f.0);
            far
        });
        for (leverage, i) in found.into_iter().flatten() {
            self.seen.far.push((leverage, holes(flakes.row(i))));
        }
        farthest(&mut self.seen.far, |f| f.0);
    }
}

/// The [`FARTHEST`] with the largest leverage, the largest first; of like ones those that came first.
fn farthest<T>(far: &mut Vec<T>, leverage: impl Fn(&T) -> f64) {
    far.sort_by(|a, b| leverage(b).total_cmp(&leverage(a)));
    far.truncate(FARTHEST);
}

/// Input columns of some rows.
fn columns_of(flakes: &Flakes, rows: &[usize]) -> Vec<Vec<f64>> {
    let column = |at: usize| rows.iter().map(|i| flakes.row(*i)[at]).collect::<Vec<f64>>();
    (0..flakes.width).map(column).collect()
}

/// How a block of rows stands to a fit.
pub(super) struct Stands {
    pub(super) leverage: [f64; BLOCK],
    /// Observed less expected.
    pub(super) residual: [f64; BLOCK],
}

/// Hands over the rows a block at a time, and how they stand to a fit, whose inverse triangle is given.
pub(super) fn each_block(
    reading: &Reading,
    flakes: &Flakes,
    rows: &[usize],
    fit: &LinearFit,
    inverse: &[f64],
    mut take: impl FnMut(&[usize], &Stands),
) {
    let plan = reading.compiled.plan();
    let mut x = vec![0.0; plan.registers() * BLOCK];
    let mut stands = Stands { leverage: [0.0; BLOCK], residual: [0.0; BLOCK] };
    for some in rows.chunks(BLOCK) {
        let columns = columns_of(flakes, some);
        let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
        plan.fill(&columns, 0, some.len(), &mut x, BLOCK);
        let sizes: Vec<f64> = some.iter().map(|i| flakes.size(*i, reading.column)).collect();
        transform_into(reading.transform, &sizes, &mut stands.residual[..some.len()]);
        vector::run(Stand { x: &x, coefficients: fit.coefficients(), inverse, stands: &mut stands });
        take(some, &stands);
    }
}

/// Leverages and residuals of a block; the responses stand where the residuals go.
struct Stand<'a> {
    x: &'a [f64],
    coefficients: &'a [f64],
    /// Columns of R^-1, each down to its diagonal.
    inverse: &'a [f64],
    stands: &'a mut Stands,
}

impl Kernel for Stand<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        let Stands { leverage, residual } = self.stands;
        let column = |j: usize| &self.x[j * BLOCK..][..BLOCK];
        leverage.fill(0.0);
        let mut at = 0;
        for (j, b) in self.coefficients.iter().enumerate() {
            residual.iter_mut().zip(column(j)).for_each(|(r, x)| *r -= b * x);
            let mut z = [0.0; BLOCK];
            for i in 0..=j {
                let c = self.inverse[at];
                z.iter_mut().zip(column(i)).for_each(|(z, x)| *z += c * x);
                at += 1;
            }
            leverage.iter_mut().zip(&z).for_each(|(v, z)| *v += z * z);
        }
    }
}
