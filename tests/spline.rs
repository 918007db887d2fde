//! Natural cubic splines against R's `ns` (same span: same fitted values), and the shape they promise.
//! Reference numbers: `tests/reference/spline.R`.

use conchoid::Error;
use conchoid::fit::spline::natural_cubic_basis;
use nalgebra::{DMatrix, DVector};

const KNOTS: [f64; 5] = [4.0, 6.0, 8.0, 11.0, 14.0];

#[test]
fn least_squares_fits_as_with_ns() {
    let rows: Vec<Vec<f64>> = include_str!("reference/spline.csv")
        .lines()
        .skip(1)
        .map(|l| l.split(',').map(|c| c.parse().unwrap()).collect())
        .collect();
    let depth: Vec<f64> = rows.iter().map(|r| r[0]).collect();
    assert!(depth.iter().any(|d| *d > 14.0) && depth.iter().any(|d| *d < 4.0), "some lie beyond the knots");
    let columns = natural_cubic_basis(&depth, &KNOTS).unwrap();
    let x = DMatrix::from_fn(40, 5, |i, j| if j == 0 { 1.0 } else { columns[j - 1][i] });
    let y = DVector::from_iterator(40, rows.iter().map(|r| r[1]));
    let beta = x.clone().svd(true, true).solve(&y, 1e-12).unwrap();
    for (found, row) in (x * beta).iter().zip(&rows) {
        assert!((found - row[2]).abs() < 1e-10, "{found} against {} at {}", row[2], row[0]);
    }
}

#[test]
fn straight_beyond_the_outer_knots_and_smooth_at_every_knot() {
    let at =
        |x: f64| -> Vec<f64> { natural_cubic_basis(&[x], &KNOTS).unwrap().iter().map(|c| c[0]).collect() };
    for j in 0..4 {
        for x in [-50.0, 2.0, 16.0, 500.0] {
            let bend = at(x + 1.0)[j] - 2.0 * at(x)[j] + at(x - 1.0)[j];
            assert!(bend.abs() < 1e-10, "column {j} bends by {bend} at {x}");
        }
        for k in KNOTS {
            // Value, slope and second derivative from the two sides.
            let h = 1e-3;
            let second = |x: f64| (at(x + h)[j] - 2.0 * at(x)[j] + at(x - h)[j]) / (h * h);
            assert!((at(k + 1e-9)[j] - at(k - 1e-9)[j]).abs() < 1e-8);
            assert!((second(k + 2.0 * h) - second(k - 2.0 * h)).abs() < 1e-2, "column {j} at {k}");
        }
    }
    assert_eq!(natural_cubic_basis(&[3.0, 5.0], &[1.0, 5.0]).unwrap(), [[0.5, 1.0]]);
}

#[test]
fn bad_knots_are_answered() {
    assert!(matches!(natural_cubic_basis(&[1.0], &[1.0]), Err(Error::TooFew { found: 1, needed: 2, .. })));
    assert!(matches!(natural_cubic_basis(&[1.0], &[1.0, 3.0, 2.0]), Err(Error::Invalid { .. })));
    assert!(matches!(natural_cubic_basis(&[1.0], &[-1e308, 1e308]), Err(Error::Invalid { .. })));
    assert!(matches!(natural_cubic_basis(&[1.0], &[1.0, f64::NAN]), Err(Error::OutOfRange { .. })));
    assert!(matches!(natural_cubic_basis(&[f64::INFINITY], &[1.0, 2.0]), Err(Error::OutOfRange { .. })));
}
