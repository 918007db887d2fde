//! A form whose names are resolved: the value of its terms at an input row, and why a term has none.

use super::columns::{BLOCK, Plan, check_columns};
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
    fn eval(&self, x: &[f64]) -> f64 {
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
    fn explain(&self, x: &[f64], layout: &Layout) -> Option<Error> {
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

    fn describe(&self, layout: &Layout) -> String {
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

/// A form whose names are resolved: fills design rows from input rows.
#[derive(Debug, Clone, PartialEq)]
pub struct Compiled {
    pub(super) location: Vec<Op>,
    pub(super) spread: Vec<Op>,
}

impl Compiled {
    /// Number of coefficients, the intercept included.
    pub fn terms(&self) -> usize {
        self.location.len()
    }

    /// Number of coefficients of the log spread, its constant included.
    pub fn spread_terms(&self) -> usize {
        self.spread.len()
    }

    /// Fills one design row. Entries outside a term's domain are not a number; [`Compiled::check`] says why.
    pub fn fill(&self, x: &[f64], out: &mut [f64]) {
        for (o, op) in out.iter_mut().zip(&self.location) {
            *o = op.eval(x);
        }
    }

    /// Fills one design row of the log spread.
    pub fn fill_spread(&self, x: &[f64], out: &mut [f64]) {
        for (o, op) in out.iter_mut().zip(&self.spread) {
            *o = op.eval(x);
        }
    }

    /// The terms laid out for blocks of rows.
    pub(crate) fn plan(&self) -> Plan {
        Plan::of(&self.location)
    }

    /// The terms of the log spread laid out for blocks of rows.
    pub(crate) fn spread_plan(&self) -> Plan {
        Plan::of(&self.spread)
    }

    /// Fills whole design columns: `x` holds one column per entry of the layout, `out` one column per term, each
    /// of `rows` numbers, one after the other. Logarithms are those of [`crate::vector`], so they may differ from
    /// [`Compiled::fill`] in the last place.
    ///
    /// # Errors
    /// [`Error::Shape`] when the columns differ in length, or `out` is not of `terms` times their length.
    ///
    /// ```
    /// use conchoid::form::{Form, Layout};
    /// let form = Form::named("cube-root").unwrap();
    /// let layout = Layout::of([&form]);
    /// let mut out = [0.0; 8];
    /// form.compile(&layout).unwrap().fill_columns(&[&[75.0, 60.0], &[8.0, 4.0]], &mut out).unwrap();
    /// assert_eq!(out, [1.0, 1.0, 75.0, 60.0, 8.0, 4.0, 600.0, 240.0]);
    /// ```
    pub fn fill_columns(&self, x: &[&[f64]], out: &mut [f64]) -> Result<()> {
        let plan = self.plan();
        let rows = out.len() / plan.terms().max(1);
        check_columns(&plan, x, rows)?;
        if rows * plan.terms() != out.len() {
            return Err(Error::Shape {
                what: "numbers to fill".into(),
                found: out.len(),
                expected: rows * plan.terms(),
            });
        }
        let mut block = vec![0.0; plan.registers() * BLOCK];
        for from in (0..rows).step_by(BLOCK) {
            let n = BLOCK.min(rows - from);
            plan.fill(x, from, n, &mut block, BLOCK);
            for j in 0..plan.terms() {
                out[j * rows + from..][..n].copy_from_slice(&block[j * BLOCK..][..n]);
            }
        }
        Ok(())
    }

    /// Whether every term has a finite value at this input row.
    ///
    /// # Errors
    /// [`Error::Missing`] for a measurement that is not there, [`Error::Domain`] for one outside the domain
    /// of a term.
    pub fn check(&self, x: &[f64], layout: &Layout) -> Result<()> {
        for op in self.location.iter().chain(&self.spread) {
            if !op.eval(x).is_finite() {
                return Err(op.explain(x, layout).unwrap_or_else(|| Error::Domain {
                    term: op.describe(layout),
                    value: f64::NAN,
                    accepted: "a finite result".to_string(),
                }));
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use crate::form::{ANGLE, DEPTH, Form, Layout, Transform, ln, product, shifted, square};

    #[test]
    fn tangent_beyond_ninety_is_an_error_and_not_a_number() {
        let form = Form::named("tangent-power").unwrap();
        let layout = Layout::of([&form]);
        let c = form.compile(&layout).unwrap();
        assert!(c.check(&[8.0, 75.0], &layout).is_ok());
        let e = c.check(&[8.0, 95.0], &layout).unwrap_err();
        assert_eq!(
            e.to_string(),
            "the term tan exterior_platform_angle_deg has no value at 95 (accepted: above 0, below 90 degrees)"
        );
        let e = c.check(&[f64::NAN, 75.0], &layout).unwrap_err();
        assert_eq!(e.to_string(), "platform_depth_mm: not recorded (the form needs it)");
    }

    #[test]
    fn cube_root_form_fills_its_row() {
        let form = Form::named("cube-root").unwrap();
        let layout = Layout::of([&form]);
        let mut row = [0.0; 4];
        form.compile(&layout).unwrap().fill(&[75.0, 8.0], &mut row);
        assert_eq!(row, [1.0, 75.0, 8.0, 600.0]);
    }

    #[test]
    fn a_shifted_term_is_the_term_less_its_shift() {
        let terms =
            vec![product([shifted(ln(DEPTH), 1.4), shifted(ANGLE, 65.0)]), square(shifted(ANGLE, -2.0))];
        let form = Form::new("shifted", Transform::Ln, terms).unwrap();
        assert_eq!(
            form.term_names()[1..],
            [
                "(ln platform_depth_mm - 1.4) x (exterior_platform_angle_deg - 65)",
                "(exterior_platform_angle_deg + 2)^2"
            ]
        );
        let mut row = [0.0; 3];
        form.compile(&Layout::of([&form])).unwrap().fill(&[1f64.exp(), 75.0], &mut row);
        assert!((row[1] + 4.0).abs() < 1e-12 && row[2] == 77.0 * 77.0, "{row:?}");
        assert!(Form::new("endless", Transform::Ln, vec![shifted(ANGLE, f64::INFINITY)]).is_err());
    }
}
