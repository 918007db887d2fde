//! Logarithm and exponential against 40 digits and against the scalar ones.

use super::{exp_into, ln_into};

/// Distance in units in the last place.
fn ulps(found: f64, expected: f64) -> f64 {
    let unit = expected.abs().next_up() - expected.abs();
    (found - expected).abs() / unit
}

#[test]
fn vector_logarithm_and_exponential_are_within_a_unit_of_40_digits() {
    let text = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/vector.csv"));
    let (mut worst_ln, mut worst_exp, mut ran) = (0.0f64, 0.0f64, 0);
    for line in text.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let number = |i: usize| f64::from_bits(u64::from_str_radix(cells[i], 16).unwrap());
        // the reference holds the nearest double and what is left beyond it, in its last place
        let (x, nearest, rest) = (number(1), number(2), cells[3].parse::<f64>().unwrap());
        let mut out = [0.0];
        let worst = if cells[0] == "ln" {
            ln_into(&[x], &mut out);
            &mut worst_ln
        } else {
            exp_into(&[x], &mut out);
            &mut worst_exp
        };
        let unit = nearest.abs().next_up() - nearest.abs();
        *worst = worst.max(((out[0] - nearest) / unit - rest).abs());
        ran += 1;
    }
    assert!(ran >= 4000, "{ran}");
    println!("ln {worst_ln:.3}, exp {worst_exp:.3} units in the last place");
    assert!(worst_ln < 0.9 && worst_exp < 1.0, "ln {worst_ln}, exp {worst_exp}");
}

#[test]
fn vector_functions_agree_with_the_scalar_ones_everywhere() {
    let mut x: Vec<f64> = (0..200_000).map(|i| f64::from_bits(1 + i * 46_000_000_000_003)).collect();
    x.extend([f64::MIN_POSITIVE, f64::MAX, 1.0, 1.0f64.next_up(), 1.0f64.next_down()]);
    let mut out = vec![0.0; x.len()];
    ln_into(&x, &mut out);
    for (v, o) in x.iter().zip(&out).filter(|(v, _)| v.is_finite()) {
        assert!(ulps(*o, v.ln()) <= 1.0, "ln {v:e}: {o} {}", v.ln());
    }
    let x: Vec<f64> = (0..200_000).map(|i| -745.0 + f64::from(i) * 0.007_27).collect();
    let mut out = vec![0.0; x.len()];
    exp_into(&x, &mut out);
    for (v, o) in x.iter().zip(&out) {
        let e = v.exp();
        assert!(*o == e || ulps(*o, e) <= 1.0, "exp {v}: {o:e} {e:e}");
    }
    let mut out = [0.0; 5];
    ln_into(&[0.0, -1.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY], &mut out);
    assert!(out[0].is_nan() && out[1].is_nan() && out[2].is_nan() && out[4].is_nan());
    assert_eq!(out[3], f64::INFINITY);
    exp_into(&[f64::NEG_INFINITY, -800.0, f64::NAN, f64::INFINITY, 710.0], &mut out);
    assert!(out[2].is_nan());
    assert_eq!([out[0], out[1], out[3], out[4]], [0.0, 0.0, f64::INFINITY, f64::INFINITY]);
}
