//! What a few flakes of a group tell of its effect, exactly.
//!
//! The model of the group's rows is y = X (b + u) + s e, e_i ~ N(0, 1 / w_i), with
//!
//! ```text
//! b ~ N(m, V)      as published             u = h / sqrt(l) + v,   h ~ N(0, H),  v ~ N(0, E),  l ~ Gamma(d/2, d/2)
//! ln s ~ N(ln s0, t^2)                      what groups differ in spread, and what is not known of it
//! ```
//!
//! so that h / sqrt(l) is a Student t of d degrees of freedom (normal where none are given). Given s and l all is normal:
//! with P = V + H / l + E = L L' and X L = U D T' the posterior of T' L^-1 (b + u - m) has the covariance
//! 1 / (1 + D^2 / s^2), a number for each direction, and the evidence of (s, l) comes with it. Over s and l the posterior is
//! summed on a grid (the trapezoidal rule, which for
//! such smooth integrands gains digits with every node), about the posterior of ln s. Held to 1e-6 against another
//! quadrature (`tests/reference/known_group.py`).

use crate::error::{Error, Result};
use crate::fit::Design;
use nalgebra::{DMatrix, DVector};

/// Nodes over ln s and over ln l, and how far the grids reach. This crate's choice, by the error against the reference.
const SPREADS: usize = 49;
const PRECISIONS: usize = 97;
const REACH: f64 = 7.0;
pub(super) const LEAST_LN_PRECISION: f64 = -9.0;
pub(super) const MOST_LN_PRECISION: f64 = 4.0;

/// What is known before the group's flakes are seen.
#[derive(Debug, Clone)]
pub(crate) struct Before {
    /// Coefficients as published, and their covariance.
    pub(crate) coefficients: DVector<f64>,
    pub(crate) covariance: DMatrix<f64>,
    /// Scale of the group's heavy effect on the coefficients, and its degrees of freedom.
    pub(crate) heavy: DMatrix<f64>,
    pub(crate) degrees_of_freedom: Option<f64>,
    /// Covariance of what else is the group's own.
    pub(crate) normal: DMatrix<f64>,
    /// Spread as published, and the standard deviation of its logarithm.
    pub(crate) spread: f64,
    pub(crate) ln_spread_sd: f64,
}

/// What is known of the group after.
#[derive(Debug, Clone)]
pub(crate) struct After {
    pub(crate) coefficients: DVector<f64>,
    pub(crate) covariance: DMatrix<f64>,
    /// Mean and standard deviation of ln spread.
    pub(crate) ln_spread: f64,
    pub(crate) ln_spread_sd: f64,
}

/// The group's coefficients at one l, in directions that the flakes tell apart.
struct Turned {
    /// ln of the density of ln l, less a constant.
    density: f64,
    /// L T: from directions to coefficients.
    root: DMatrix<f64>,
    /// D^2 and D U'(y - X m), direction by direction, and the squares of U'(y - X m) and of what no direction explains.
    squares: Vec<f64>,
    told: Vec<f64>,
    explained: Vec<f64>,
    rest: f64,
}

/// Sums over the grid.
struct Sums {
    weight: f64,
    mean: DVector<f64>,
    second: DMatrix<f64>,
    ln_spread: (f64, f64),
}

/// The group's own law given its flakes, with weights of the rows where they are not all 1.
///
/// # Errors
/// [`Error::NotConverged`] where a covariance given is none.
pub(crate) fn learn(before: &Before, x: &Design, y: &[f64], weights: Option<&[f64]>) -> Result<After> {
    let p = x.columns();
    let broken = || {
        Error::not_converged(
            "what the local flakes tell",
            "the published covariance is not positive definite, or a number too large",
        )
    };
    // all that the rows say is in the triangle of [X r]
    let residual = DVector::from_column_slice(y) - x.matrix() * &before.coefficients;
    let root = |i: usize| weights.map_or(1.0, |w| w[i].sqrt());
    let joined = DMatrix::from_fn(x.rows().max(p + 1), p + 1, |i, j| match (i < x.rows(), j < p) {
        (false, _) => 0.0,
        (true, true) => x.matrix()[(i, j)] * root(i),
        (true, false) => residual[i] * root(i),
    });
    let triangle = joined.qr().r();
    let design = triangle.columns(0, p).into_owned();
    let rest = triangle.column(p).into_owned();
    let n = x.rows() as f64;
    let precisions: Vec<f64> = match before.degrees_of_freedom {
        None => vec![0.0],
        Some(_) => {
            let step = (MOST_LN_PRECISION - LEAST_LN_PRECISION) / (PRECISIONS - 1) as f64;
            (0..PRECISIONS).map(|i| LEAST_LN_PRECISION + step * i as f64).collect()
        }
    };
    let turned = precisions.iter().map(|ln| {
        let total = &before.covariance + &before.heavy * (-ln).exp() + &before.normal;
        let l = total.cholesky()?.l();
        let told = &design * &l;
        // what overflows has no singular values
        if !told.iter().chain(rest.iter()).all(|v| v.is_finite()) {
            return None;
        }
        let svd = told.svd(true, true);
        let (u, turn) = (svd.u?, svd.v_t?);
        let of = u.tr_mul(&rest);
        Some(Turned {
            density: before.degrees_of_freedom.map_or(0.0, |d| 0.5 * d * (ln - ln.exp())),
            root: l * turn.transpose(),
            squares: svd.singular_values.iter().map(|d| d * d).collect(),
            told: svd.singular_values.iter().zip(&of).map(|(d, r)| d * r).collect(),
            explained: of.iter().map(|r| r * r).collect(),
            rest: (&rest - u * of).norm_squared(),
        })
    });
    let turned = turned.collect::<Option<Vec<_>>>().ok_or_else(broken)?;
    let (mut centre, mut reach) = (before.spread.ln(), REACH * before.ln_spread_sd);
    let mut sums = None;
    // the grid over ln s moves to where the flakes say it is
    for _ in 0..4 {
        let node = |i: usize| centre + reach * (2.0 * i as f64 / (SPREADS - 1) as f64 - 1.0);
        let found = summed(before, &turned, n, &(0..SPREADS).map(node).collect::<Vec<_>>());
        let mean = found.ln_spread.0 / found.weight;
        let sd = (found.ln_spread.1 / found.weight - mean * mean).max(0.0).sqrt();
        centre = mean;
        reach = (REACH * sd).max(0.2 * reach);
        sums = Some(found);
    }
    let sums = sums.ok_or_else(broken)?;
    let mean = &sums.mean / sums.weight;
    let covariance = &sums.second / sums.weight - &mean * mean.transpose();
    let ln_spread = sums.ln_spread.0 / sums.weight;
    if !(sums.weight > 0.0 && covariance.iter().all(|v| v.is_finite())) {
        return Err(broken());
    }
    Ok(After {
        coefficients: &before.coefficients + mean,
        covariance: (&covariance + covariance.transpose()) * 0.5,
        ln_spread,
        ln_spread_sd: (sums.ln_spread.1 / sums.weight - ln_spread * ln_spread).max(0.0).sqrt(),
    })
}

fn summed(before: &Before, turned: &[Turned], n: f64, nodes: &[f64]) -> Sums {
    let p = before.coefficients.len();
    let evidence = |t: &Turned, ln_spread: f64| {
        let precision = (-2.0 * ln_spread).exp();
        let apart = (ln_spread - before.spread.ln()) / before.ln_spread_sd.max(f64::MIN_POSITIVE);
        let mut ln = t.density - 0.5 * apart * apart - n * ln_spread - 0.5 * t.rest * precision;
        for (d, r) in t.squares.iter().zip(&t.explained) {
            let more = 1.0 + d * precision;
            ln -= 0.5 * (more.ln() + r * precision / more);
        }
        ln
    };
    let all: Vec<f64> = turned.iter().flat_map(|t| nodes.iter().map(|s| evidence(t, *s))).collect();
    let most = all.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mut sums =
        Sums { weight: 0.0, mean: DVector::zeros(p), second: DMatrix::zeros(p, p), ln_spread: (0.0, 0.0) };
    for (t, all) in turned.iter().zip(all.chunks(nodes.len())) {
        let (mut mean, mut second) = (vec![0.0; p], vec![0.0; p * p]);
        let mut z = vec![0.0; p];
        for (ln_spread, ln) in nodes.iter().zip(all) {
            let w = (ln - most).exp();
            let precision = (-2.0 * ln_spread).exp();
            for i in 0..p {
                let more = 1.0 + t.squares[i] * precision;
                z[i] = t.told[i] * precision / more;
                mean[i] += w * z[i];
                second[i * p + i] += w / more;
            }
            for i in 0..p {
                for j in 0..p {
                    second[i * p + j] += w * z[i] * z[j];
                }
            }
            sums.weight += w;
            sums.ln_spread.0 += w * ln_spread;
            sums.ln_spread.1 += w * ln_spread * ln_spread;
        }
        sums.mean += &t.root * DVector::from_vec(mean);
        sums.second += &t.root * DMatrix::from_vec(p, p, second) * t.root.transpose();
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;

    const EXPECTED: &str = include_str!("../../tests/reference/known_group.csv");

    fn expected(case: &str) -> Vec<f64> {
        let line = EXPECTED.lines().find(|l| l.starts_with(&format!("{case},"))).unwrap();
        line.split(',').skip(1).map(|v| v.parse().unwrap()).collect()
    }

    /// One, five and twenty flakes, normal and heavy tails: the case of `tests/reference/known_group.py`.
    #[test]
    fn what_flakes_tell_is_that_of_another_quadrature() {
        for (case, flakes, df) in
            [("t4-1", 1, Some(4.0)), ("t4-5", 5, Some(4.0)), ("t4-20", 20, Some(4.0)), ("normal-5", 5, None)]
        {
            let rows: Vec<[f64; 2]> = (0..flakes).map(|i| [1.0, 0.3 * (f64::from(i) * 1.7).sin()]).collect();
            let y: Vec<f64> = (0..flakes).map(|i| 3.1 + 0.6 * (f64::from(i) * 2.3 + 0.5).cos()).collect();
            let x = Design::from_rows(vec!["intercept".into(), "ln depth".into()], &rows).unwrap();
            let before = Before {
                coefficients: DVector::from_vec(vec![2.0, 1.2]),
                covariance: DMatrix::from_row_slice(2, 2, &[0.01, 0.001, 0.001, 0.004]),
                heavy: DMatrix::from_row_slice(2, 2, &[0.2, 0.0, 0.0, 0.0]),
                degrees_of_freedom: df,
                normal: DMatrix::from_row_slice(2, 2, &[0.02, 0.0, 0.0, 0.0]),
                spread: 0.7,
                ln_spread_sd: 0.2,
            };
            let after = learn(&before, &x, &y, None).unwrap();
            let found = [
                after.coefficients[0],
                after.coefficients[1],
                after.covariance[(0, 0)],
                after.covariance[(0, 1)],
                after.covariance[(1, 1)],
                after.ln_spread,
                after.ln_spread_sd,
            ];
            for (i, (a, b)) in found.iter().zip(expected(case)).enumerate() {
                assert!((a - b).abs() < 1e-6 * b.abs().max(1.0), "{case} {i}: {a} against {b}");
            }
        }
    }
}
