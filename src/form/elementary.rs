//! The functions that terms are made of, at one value and for a column of them: the same numbers. Outside its domain each is not
//! a number.

use crate::vector;

/// A function of what stands inside a term.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Function {
    Ln,
    Log10,
    Power(f64),
    Tangent,
    Above(f64),
    Shifted(f64),
    /// Knots, and which column of the spline.
    Spline(Vec<f64>, usize),
}

impl Function {
    pub(super) fn at(&self, v: f64) -> f64 {
        match self {
            Function::Ln => vector::ln(v),
            Function::Log10 => vector::log10(v),
            Function::Power(e) => raise(v, *e),
            Function::Tangent => tangent_of(v),
            Function::Above(knot) => above_knot(v, *knot),
            Function::Shifted(by) => v - by,
            Function::Spline(knots, column) => natural_cubic(v, knots, *column),
        }
    }

    /// The same for a column.
    pub(super) fn fill(&self, of: &[f64], out: &mut [f64]) {
        match self {
            Function::Ln => vector::ln_into(of, out),
            Function::Log10 => vector::log10_into(of, out),
            Function::Power(e) if *e == 2.0 => vector::each(of, out, |o, v| *o = v * v),
            Function::Power(e) => vector::each(of, out, |o, v| *o = raise(v, *e)),
            Function::Above(knot) => vector::each(of, out, |o, v| *o = above_knot(v, *knot)),
            Function::Shifted(by) => vector::each(of, out, |o, v| *o = v - by),
            Function::Tangent | Function::Spline(..) => vector::each(of, out, |o, v| *o = self.at(v)),
        }
    }
}

fn tangent_of(v: f64) -> f64 {
    if v > 0.0 && v < 90.0 { v.to_radians().tan() } else { f64::NAN }
}

fn above_knot(v: f64, knot: f64) -> f64 {
    let v = v - knot;
    if v < 0.0 { 0.0 } else { v }
}

/// 1 where the code is in the mask, 0 where it is not; not a number where it is missing.
pub(super) fn indicate(code: f64, mask: u64) -> f64 {
    if code.is_nan() {
        f64::NAN
    } else if (0.0..64.0).contains(&code) && mask >> (code as u64) & 1 == 1 {
        1.0
    } else {
        0.0
    }
}

fn raise(v: f64, exponent: f64) -> f64 {
    if exponent == 2.0 {
        v * v
    } else if exponent == 3.0 {
        v * v * v
    } else if exponent == 0.5 {
        v.sqrt()
    } else {
        v.powf(exponent)
    }
}

/// One curved column of a natural cubic spline: cubic between the knots, straight beyond them.
///
/// d_k(v) = ((v - t_k)+^3 - (v - t_K)+^3) / (t_K - t_k); column k is (d_k - d_(K-1)), divided by the square
/// of the knots' span so that it has the size of `v` (Hastie, Tibshirani & Friedman 2009, The Elements
/// of Statistical Learning, section 5.2.1, equation 5.4, up to that scale).
///
/// Not a number with fewer than three knots, or for a column that these knots do not have.
pub(crate) fn natural_cubic(v: f64, knots: &[f64], column: usize) -> f64 {
    if knots.len() < 3 || column > knots.len() - 3 {
        return f64::NAN;
    }
    let last = knots.len() - 1;
    let cube = |x: f64| if x > 0.0 { x * x * x } else { 0.0 };
    let d = |k: usize| (cube(v - knots[k]) - cube(v - knots[last])) / (knots[last] - knots[k]);
    if v.is_nan() {
        return v;
    }
    let span = knots[last] - knots[0];
    (d(column) - d(last - 1)) / (span * span)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn natural_spline_is_straight_beyond_its_knots() {
        let knots = [1.0, 2.0, 3.5, 5.0];
        for column in 0..2 {
            let f = |v| natural_cubic(v, &knots, column);
            assert_eq!(f(0.3), 0.0);
            let (a, b, c) = (f(6.0), f(7.0), f(8.0));
            assert!(((c - b) - (b - a)).abs() < 1e-12 * c.abs().max(1.0));
        }
    }

    /// Least squares on the spline's columns against R's `ns`, which spans the same (tests/reference/spline.R).
    #[test]
    fn fits_as_r_does() {
        let text = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/spline.csv"));
        let rows: Vec<Vec<f64>> =
            text.lines().skip(1).map(|l| l.split(',').map(|c| c.parse().unwrap()).collect()).collect();
        let knots = [4.0, 6.0, 8.0, 11.0, 14.0];
        assert!(
            rows.iter().any(|r| r[0] > 14.0) && rows.iter().any(|r| r[0] < 4.0),
            "some lie beyond the knots"
        );
        let x = nalgebra::DMatrix::from_fn(rows.len(), 5, |i, j| match j {
            0 => 1.0,
            1 => rows[i][0],
            j => natural_cubic(rows[i][0], &knots, j - 2),
        });
        let y = nalgebra::DVector::from_iterator(rows.len(), rows.iter().map(|r| r[1]));
        let beta = x.clone().svd(true, true).solve(&y, 1e-12).unwrap();
        for (found, row) in (x * beta).iter().zip(&rows) {
            assert!((found - row[2]).abs() < 1e-10, "{found} against {} at {}", row[2], row[0]);
        }
    }
}
