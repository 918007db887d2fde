//! A form whose names are resolved: the value of its terms at an input row, and why a term has none.

use super::columns::Plan;
#[cfg(test)]
use super::columns::{BLOCK, check_columns};
use super::layout::Layout;
use super::op::Op;
#[cfg(test)]
use crate::error::check_size;
use crate::error::{Error, Result};

/// A form whose names are resolved: fills design rows from input rows.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Compiled {
    pub(super) location: Vec<Op>,
    pub(super) spread: Vec<Op>,
}

impl Compiled {
    /// The terms of several forms, each once, and the places at which each form has those of its location and its spread.
    pub(crate) fn of_all<'a>(forms: impl Iterator<Item = &'a Compiled>) -> (Compiled, Vec<[Vec<usize>; 2]>) {
        let mut all = Compiled { location: Vec::new(), spread: Vec::new() };
        let mut place = |op: &Op| {
            all.location.iter().position(|o| o == op).unwrap_or_else(|| {
                all.location.push(op.clone());
                all.location.len() - 1
            })
        };
        let places =
            forms.map(|c| [&c.location, &c.spread].map(|of| of.iter().map(&mut place).collect())).collect();
        (all, places)
    }

    /// Number of coefficients, the intercept included.
    pub(crate) fn terms(&self) -> usize {
        self.location.len()
    }

    /// Number of coefficients of the log spread, its constant included.
    pub(crate) fn spread_terms(&self) -> usize {
        self.spread.len()
    }

    /// Fills one design row. Entries outside a term's domain are not a number; [`Compiled::check`] says why.
    pub(crate) fn fill(&self, x: &[f64], out: &mut [f64]) {
        for (o, op) in out.iter_mut().zip(&self.location) {
            *o = op.eval(x);
        }
    }

    /// Fills one design row of the log spread.
    pub(crate) fn fill_spread(&self, x: &[f64], out: &mut [f64]) {
        for (o, op) in out.iter_mut().zip(&self.spread) {
            *o = op.eval(x);
        }
    }

    /// One design row; see [`Compiled::fill`].
    pub(crate) fn row(&self, x: &[f64]) -> Vec<f64> {
        self.location.iter().map(|op| op.eval(x)).collect()
    }

    /// One design row of the log spread.
    pub(crate) fn spread_row(&self, x: &[f64]) -> Vec<f64> {
        self.spread.iter().map(|op| op.eval(x)).collect()
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
    /// of `rows` numbers, one after the other. Logarithms are taken several at a time, so they may differ from
    /// [`Compiled::fill`] in the last place.
    ///
    /// # Errors
    /// [`Error::Shape`] when the columns differ in length, or `out` is not of `terms` times their length.
    #[cfg(test)]
    pub(crate) fn fill_columns(&self, x: &[&[f64]], out: &mut [f64]) -> Result<()> {
        let plan = self.plan();
        let rows = out.len() / plan.terms().max(1);
        check_columns(&plan, x, rows)?;
        check_size("numbers to fill", out.len(), rows * plan.terms())?;
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
    pub(crate) fn check(&self, x: &[f64], layout: &Layout) -> Result<()> {
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
        let log = Form::named("log-log").unwrap();
        assert!(matches!(log.compile(&Layout::default()), Err(crate::Error::Missing { .. })));
        let logged = log.compile(&layout).unwrap().check(&[-1.0, 75.0], &layout);
        assert!(matches!(logged, Err(crate::Error::Domain { .. })), "the logarithm of a negative depth");
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
