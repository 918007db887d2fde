//! One term with its names resolved: its value at an input row, and why it has none.

use super::elementary::{Function, indicate};
use super::layout::Layout;
use super::term::{Kind, Term};
use crate::error::{Error, Result};

/// A term with its names resolved to places of an input row.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Op {
    One,
    Number(usize),
    Of(Function, Box<Op>),
    Product(Vec<Op>),
    /// Place in the input row, and which codes count, as a bit mask.
    Indicator(usize, u64),
}

impl Op {
    pub(super) fn compile(term: &Term, layout: &Layout) -> Result<Op> {
        let place =
            |name: &str| layout.position(name).ok_or_else(|| Error::missing(name, "the form reads it"));
        let of = |function: Function, t: &Term| Ok(Op::Of(function, Box::new(Op::compile(t, layout)?)));
        match &term.0 {
            Kind::Value(name) => Ok(Op::Number(place(name)?)),
            Kind::Ln(t) => of(Function::Ln, t),
            Kind::Log10(t) => of(Function::Log10, t),
            Kind::Power { of: t, exponent } => of(Function::Power(*exponent), t),
            Kind::Tangent(t) => of(Function::Tangent, t),
            Kind::Above { of: t, knot } => of(Function::Above(*knot), t),
            Kind::Shifted { of: t, by } => of(Function::Shifted(*by), t),
            Kind::Spline { of: t, knots, column } => of(Function::Spline(knots.clone(), *column), t),
            Kind::Product(of) => {
                Ok(Op::Product(of.iter().map(|t| Op::compile(t, layout)).collect::<Result<_>>()?))
            }
            Kind::Indicator { class, levels } => {
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
                Ok(Op::Indicator(at, mask))
            }
        }
    }

    /// The value at an input row; not a number outside the domain or where an input is missing.
    pub(super) fn eval(&self, x: &[f64]) -> f64 {
        match self {
            Op::One => 1.0,
            Op::Number(i) => entry(x, *i),
            Op::Of(function, of) => function.at(of.eval(x)),
            Op::Product(of) => of.iter().map(|o| o.eval(x)).product(),
            Op::Indicator(i, mask) => indicate(entry(x, *i), *mask),
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
            Op::Of(function, of) => {
                if let Some(deeper) = of.explain(x, layout) {
                    return Some(deeper);
                }
                let accepted = match function {
                    Function::Ln | Function::Log10 => "above 0",
                    Function::Tangent => "above 0, below 90 degrees",
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
            Op::Of(function, of) => {
                let of = of.describe(layout);
                match function {
                    Function::Ln => format!("ln {of}"),
                    Function::Log10 => format!("log10 {of}"),
                    Function::Power(e) => format!("({of})^{e}"),
                    Function::Tangent => format!("tan {of}"),
                    Function::Above(knot) => format!("({of} above {knot})"),
                    Function::Shifted(by) => format!("({of} less {by})"),
                    Function::Spline(..) => format!("spline of {of}"),
                }
            }
            Op::Product(of) => of.iter().map(|o| o.describe(layout)).collect::<Vec<_>>().join(" x "),
        }
    }
}

/// An entry of an input row; missing where the row is too short for it.
fn entry(x: &[f64], at: usize) -> f64 {
    x.get(at).copied().unwrap_or(f64::NAN)
}
