//! One term with its names resolved: its value at an input row, and why it has none.

use super::elementary::{above_knot, indicate, natural_cubic, raise, tangent_of};
use super::layout::Layout;
use super::term::Term;
use crate::error::{Error, Result};
use crate::vector;

/// A term with its names resolved to places of an input row.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Op {
    One,
    Number(usize),
    Ln(Box<Op>),
    Log10(Box<Op>),
    Power(Box<Op>, f64),
    Tangent(Box<Op>),
    Above(Box<Op>, f64),
    Shifted(Box<Op>, f64),
    Product(Vec<Op>),
    /// Place in the input row, and which codes count, as a bit mask.
    Indicator(usize, u64),
    Spline(Box<Op>, Vec<f64>, usize),
}

impl Op {
    pub(super) fn compile(term: &Term, layout: &Layout) -> Result<Op> {
        let place =
            |name: &str| layout.position(name).ok_or_else(|| Error::missing(name, "the form reads it"));
        let inner = |t: &Term| Op::compile(t, layout).map(Box::new);
        Ok(match term {
            Term::Value(name) => Op::Number(place(name)?),
            Term::Ln(of) => Op::Ln(inner(of)?),
            Term::Log10(of) => Op::Log10(inner(of)?),
            Term::Power { of, exponent } => Op::Power(inner(of)?, *exponent),
            Term::Tangent(of) => Op::Tangent(inner(of)?),
            Term::Above { of, knot } => Op::Above(inner(of)?, *knot),
            Term::Shifted { of, by } => Op::Shifted(inner(of)?, *by),
            Term::Product(of) => {
                Op::Product(of.iter().map(|t| Op::compile(t, layout)).collect::<Result<_>>()?)
            }
            Term::Indicator { class, levels } => {
                let at = place(class)?;
                let known = layout
                    .class_at(at)
                    .ok_or_else(|| Error::invalid(class, "a number is used as a class"))?;
                if known.levels.len() > 64 {
                    return Err(Error::invalid(class, "at most 64 levels of a class"));
                }
                let mut mask = 0;
                for level in levels {
                    let code = known
                        .levels
                        .iter()
                        .position(|l| l == level)
                        .ok_or_else(|| Error::unknown_name(class, level, known.levels.iter().cloned()))?;
                    mask |= 1u64 << code;
                }
                Op::Indicator(at, mask)
            }
            Term::Spline { of, knots, column } => Op::Spline(inner(of)?, knots.clone(), *column),
        })
    }

    /// The value at an input row; not a number outside the domain or where an input is missing.
    pub(super) fn eval(&self, x: &[f64]) -> f64 {
        match self {
            Op::One => 1.0,
            Op::Number(i) => entry(x, *i),
            Op::Ln(of) => vector::ln(of.eval(x)),
            Op::Log10(of) => vector::log10(of.eval(x)),
            Op::Power(of, e) => raise(of.eval(x), *e),
            Op::Tangent(of) => tangent_of(of.eval(x)),
            Op::Above(of, knot) => above_knot(of.eval(x), *knot),
            Op::Shifted(of, by) => of.eval(x) - by,
            Op::Product(of) => of.iter().map(|o| o.eval(x)).product(),
            Op::Indicator(i, mask) => indicate(entry(x, *i), *mask),
            Op::Spline(of, knots, column) => natural_cubic(of.eval(x), knots, *column),
        }
    }

    /// Which measurement is at fault where the value is not a number.
    pub(super) fn explain(&self, x: &[f64], layout: &Layout) -> Option<Error> {
        match self {
            Op::One => None,
            Op::Number(i) | Op::Indicator(i, _) => {
                entry(x, *i).is_nan().then(|| Error::missing(layout.name(*i), "the form needs it"))
            }
            Op::Product(of) => of.iter().find_map(|o| o.explain(x, layout)),
            Op::Ln(of)
            | Op::Log10(of)
            | Op::Tangent(of)
            | Op::Above(of, _)
            | Op::Shifted(of, _)
            | Op::Power(of, _)
            | Op::Spline(of, _, _) => {
                if let Some(deeper) = of.explain(x, layout) {
                    return Some(deeper);
                }
                let accepted = match self {
                    Op::Ln(_) | Op::Log10(_) => "above 0",
                    Op::Tangent(_) => "above 0, below 90 degrees",
                    _ => "a finite result",
                };
                (!self.eval(x).is_finite()).then(|| Error::Domain {
                    term: self.describe(layout),
                    value: of.eval(x),
                    accepted: accepted.to_string(),
                })
            }
        }
    }

    pub(super) fn describe(&self, layout: &Layout) -> String {
        match self {
            Op::One => "intercept".to_string(),
            Op::Number(i) | Op::Indicator(i, _) => layout.name(*i).to_string(),
            Op::Ln(of) => format!("ln {}", of.describe(layout)),
            Op::Log10(of) => format!("log10 {}", of.describe(layout)),
            Op::Power(of, e) => format!("({})^{e}", of.describe(layout)),
            Op::Tangent(of) => format!("tan {}", of.describe(layout)),
            Op::Above(of, knot) => format!("({} above {knot})", of.describe(layout)),
            Op::Shifted(of, by) => format!("({} less {by})", of.describe(layout)),
            Op::Product(of) => of.iter().map(|o| o.describe(layout)).collect::<Vec<_>>().join(" x "),
            Op::Spline(of, _, _) => format!("spline of {}", of.describe(layout)),
        }
    }
}

/// An entry of an input row; missing where the row is too short for it.
fn entry(x: &[f64], at: usize) -> f64 {
    x.get(at).copied().unwrap_or(f64::NAN)
}
