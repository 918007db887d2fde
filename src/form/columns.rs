//! Terms for blocks of rows, a column at a time: each term that occurs in several others is worked out once.

use super::elementary::Function;
use super::op::Op;
use crate::error::{Error, Result};
use crate::vector;

/// Rows that a [`Plan`] takes at a time: seven columns of 256 numbers are half a first-level cache.
pub(crate) const BLOCK: usize = 256;

/// That all columns a plan may read are there and hold `rows` numbers.
pub(crate) fn check_columns(plan: &Plan, x: &[&[f64]], rows: usize) -> Result<()> {
    if let Some(wrong) = x.iter().find(|c| c.len() != rows) {
        return Err(Error::Shape { what: "numbers in a column".into(), found: wrong.len(), expected: rows });
    }
    if x.len() < plan.inputs() {
        return Err(Error::Shape { what: "columns".into(), found: x.len(), expected: plan.inputs() });
    }
    Ok(())
}

/// Where a step of a plan finds its operand.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Operand {
    /// A column of the input.
    Input(usize),
    /// A register.
    Register(usize),
}

#[derive(Debug, Clone, PartialEq)]
enum Step {
    One,
    Copy(Operand),
    Of(Function, Operand),
    Product(Vec<Operand>),
    Indicator(usize, u64),
}

/// A compiled form laid out for blocks of rows: each term that occurs in several others is worked out once.
///
/// The first registers are the design's columns, in order; the next is left free for a response; what stands
/// only inside other terms follows.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Plan {
    steps: Vec<(usize, Step)>,
    terms: usize,
    registers: usize,
}

impl Plan {
    pub(super) fn of(ops: &[Op]) -> Plan {
        let mut plan = Plan { steps: Vec::new(), terms: ops.len(), registers: ops.len() + 1 };
        let mut known: Vec<(&Op, usize)> = Vec::new();
        for op in ops {
            plan.place(op, ops, &mut known);
        }
        plan
    }

    /// The register in which a term ends up, with the steps that bring it there.
    fn place<'a>(&mut self, op: &'a Op, ops: &[Op], known: &mut Vec<(&'a Op, usize)>) -> usize {
        if let Some((_, at)) = known.iter().find(|(o, _)| *o == op) {
            return *at;
        }
        let step = match op {
            Op::One => Step::One,
            Op::Number(i) => Step::Copy(Operand::Input(*i)),
            Op::Of(function, of) => Step::Of(function.clone(), self.operand(of, ops, known)),
            Op::Product(of) => Step::Product(of.iter().map(|o| self.operand(o, ops, known)).collect()),
            Op::Indicator(i, mask) => Step::Indicator(*i, *mask),
        };
        let at = ops.iter().position(|o| o == op).unwrap_or_else(|| {
            self.registers += 1;
            self.registers - 1
        });
        known.push((op, at));
        self.steps.push((at, step));
        at
    }

    fn operand<'a>(&mut self, op: &'a Op, ops: &[Op], known: &mut Vec<(&'a Op, usize)>) -> Operand {
        match op {
            Op::Number(i) => Operand::Input(*i),
            _ => Operand::Register(self.place(op, ops, known)),
        }
    }

    /// Columns of [`BLOCK`] numbers that [`Plan::fill`] needs.
    pub(crate) fn registers(&self) -> usize {
        self.registers
    }

    /// How many input columns must be there.
    fn inputs(&self) -> usize {
        let reads = |f: &Operand| match f {
            Operand::Input(i) => i + 1,
            Operand::Register(_) => 0,
        };
        let of = |step: &Step| match step {
            Step::One => 0,
            Step::Indicator(i, _) => i + 1,
            Step::Product(of) => of.iter().map(reads).max().unwrap_or(0),
            Step::Copy(of) | Step::Of(_, of) => reads(of),
        };
        self.steps.iter().map(|(_, s)| of(s)).max().unwrap_or(0)
    }

    /// Number of design columns.
    pub(crate) fn terms(&self) -> usize {
        self.terms
    }

    /// Fills the registers (columns `stride` apart) for the rows `from..from + rows` of the input columns.
    /// Entries outside a term's domain are not a number, as with [`super::Compiled::fill`].
    pub(crate) fn fill(&self, x: &[&[f64]], from: usize, rows: usize, out: &mut [f64], stride: usize) {
        for (at, step) in &self.steps {
            let start = at * stride;
            let input = |i: usize| &x[i][from..from + rows];
            match step {
                Step::One => out[start..start + rows].fill(1.0),
                Step::Indicator(i, mask) => {
                    vector::run(Indicate { of: input(*i), out: &mut out[start..start + rows], mask: *mask });
                }
                Step::Product(of) => {
                    for (k, operand) in of.iter().enumerate() {
                        with(out, start, rows, *operand, stride, input, |o, v| {
                            if k == 0 {
                                o.copy_from_slice(v);
                            } else {
                                vector::each(v, o, |o, v| *o *= v);
                            }
                        });
                    }
                }
                Step::Copy(of) => with(out, start, rows, *of, stride, input, |o, v| o.copy_from_slice(v)),
                Step::Of(function, of) => {
                    with(out, start, rows, *of, stride, input, |o, v| function.fill(v, o));
                }
            }
        }
    }
}

/// The column of [`super::elementary::indicate`].
struct Indicate<'a> {
    of: &'a [f64],
    out: &'a mut [f64],
    mask: u64,
}

impl vector::Kernel for Indicate<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        // missing entries become not-a-number here, all others 0
        for (o, v) in self.out.iter_mut().zip(self.of) {
            *o = if v.is_nan() { *v } else { 0.0 };
        }
        let mut left = self.mask;
        while left != 0 {
            let code = f64::from(left.trailing_zeros());
            for (o, v) in self.out.iter_mut().zip(self.of) {
                *o += if (*v >= code) & (*v < code + 1.0) { 1.0 } else { 0.0 };
            }
            left &= left - 1;
        }
    }
}

/// Shows a register to be written and the column that it is made from.
fn with<'a>(
    out: &mut [f64],
    start: usize,
    rows: usize,
    operand: Operand,
    stride: usize,
    input: impl Fn(usize) -> &'a [f64],
    see: impl FnOnce(&mut [f64], &[f64]),
) {
    match operand {
        Operand::Input(i) => see(&mut out[start..start + rows], input(i)),
        // a term is never its own operand, so one of the two lies before the other
        Operand::Register(r) if r * stride < start => {
            let (before, rest) = out.split_at_mut(start);
            see(&mut rest[..rows], &before[r * stride..r * stride + rows]);
        }
        Operand::Register(r) => {
            let (before, rest) = out.split_at_mut(r * stride);
            see(&mut before[start..start + rows], &rest[..rows]);
        }
    }
}
