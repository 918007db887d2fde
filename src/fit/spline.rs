//! Columns of a natural cubic spline, for forms whose shape is not known beforehand.
//!
//! With knots k_1 < ... < k_m and t = (x − k_1)/(k_m − k_1), the columns are t and, for j = 1..m−2,
//! d_j(t) − d_{m−1}(t), d_j(t) = ((t − t_j)³₊ − (t − t_m)³₊)/(t_m − t_j): together with a constant they
//! span all cubic splines with these knots that are straight lines beyond the outer two (Hastie, Tibshirani
//! and Friedman 2009, *The Elements of Statistical Learning*, eqs 5.4 and 5.5; from memory).

use crate::error::{Error, Place, Result};

/// Columns of a natural cubic spline of `x` with the given knots, without the constant: one column fewer
/// than knots, each as long as `x`. The first and last knot are the boundary, beyond which every column is
/// a straight line; the first column is x itself, scaled to 0 at the first knot and 1 at the last.
///
/// # Errors
/// [`Error::TooFew`] with fewer than two knots, [`Error::Invalid`] when knots do not increase,
/// [`Error::OutOfRange`] at a number that is not finite.
///
/// ```
/// use conchoid::fit::spline::natural_cubic_basis;
/// let columns = natural_cubic_basis(&[4.0, 6.5, 20.0], &[3.0, 6.0, 9.0, 15.0])?;
/// assert_eq!(columns.len(), 3);
/// assert_eq!(columns[0], [1.0 / 12.0, 3.5 / 12.0, 17.0 / 12.0]);
/// assert!(natural_cubic_basis(&[4.0], &[3.0, 3.0]).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
pub fn natural_cubic_basis(x: &[f64], knots: &[f64]) -> Result<Vec<Vec<f64>>> {
    let m = knots.len();
    if m < 2 {
        return Err(Error::TooFew { what: "knots".into(), found: m, needed: 2 });
    }
    for (name, values) in [("knots", knots), ("x", x)] {
        if let Some(i) = values.iter().position(|v| !v.is_finite()) {
            let at = Place::cell(i as u64 + 1, name);
            return Err(Error::OutOfRange { at, value: values[i], accepted: "finite numbers".into() });
        }
    }
    let range = knots[m - 1] - knots[0];
    let t: Vec<f64> = knots.iter().map(|k| (k - knots[0]) / range).collect();
    if !range.is_finite() || !t.windows(2).all(|w| w[0] < w[1]) {
        return Err(Error::invalid("knots", "must increase from each to the next"));
    }
    let scaled: Vec<f64> = x.iter().map(|v| (v - knots[0]) / range).collect();
    let mut columns = vec![scaled.clone()];
    for j in 0..m - 2 {
        let (own, last) = (t[j], t[m - 2]);
        // d_j − d_(m−1) up to the last knot; beyond it the line with the value and slope it has there, written
        // out because the cubes would cancel.
        let inside =
            |v: f64| (v - own).max(0.0).powi(3) / (1.0 - own) - (v - last).max(0.0).powi(3) / (1.0 - last);
        let end = (1.0 - own).powi(2) - (1.0 - last).powi(2);
        let slope = 3.0 * (last - own);
        columns.push(
            scaled.iter().map(|&v| if v > 1.0 { end + slope * (v - 1.0) } else { inside(v) }).collect(),
        );
    }
    Ok(columns)
}
