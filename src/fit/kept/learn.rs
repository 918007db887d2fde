//! What a few flakes of one more group tell of its law, given that each was kept.
//!
//! The model is that of [`known_group`](crate::fit::known_group), for up to four sizes at once and conditional on each flake
//! having been kept:
//!
//! ```text
//! y_i = (B + U)' x_i + e^s e_i,   e_i ~ N(0, S),   B ~ N(published),   U = h / sqrt(l) + v,   l ~ Gamma(d/2, d/2)
//! p(y | ..) p(B + U | l) p(s) / prod P(kept_i | ..),           s ~ N(0, sd^2)
//! ```
//!
//! At each l and s of a grid the top of it in B + U is searched by Newton's method, what is about it taken as normal
//! (Laplace's approximation) and its mean moved by what it leans to; over l and s it is summed, over s about its own top.
//! Held against quadrature (`tests/reference/kept_learn.py`): means are off by less than 0.01 standard deviations, standard
//! deviations by less than 1 %.

use super::effects::factor;
use super::law::{Law, MOST, Part};
use super::{Flakes, Threshold};
use crate::error::{Error, Result};
use crate::fit::known_group::{After, LEAST_LN_PRECISION, MOST_LN_PRECISION};
use nalgebra::{DMatrix, DVector};

/// Nodes over ln l, nodes over s and how many of its standard deviations they reach, Newton steps in one search, and the
/// gain below which it ends. This crate's choice, no source.
const PRECISIONS: usize = 33;
const SPREADS: usize = 13;
const REACH: f64 = 4.5;
const STEPS: usize = 60;
const GAIN: f64 = 1e-10;

/// What is known before the group's flakes are seen; covariances are of coefficients term by term, within a term size by
/// size.
#[derive(Debug, Clone)]
pub(crate) struct Before {
    /// Coefficients as published, a column a size, and the covariance of their errors.
    pub(crate) coefficients: DMatrix<f64>,
    pub(crate) covariance: DMatrix<f64>,
    /// Scale of the group's heavy effect, and its degrees of freedom.
    pub(crate) heavy: DMatrix<f64>,
    pub(crate) degrees_of_freedom: Option<f64>,
    /// Covariance of what else is the group's own.
    pub(crate) normal: DMatrix<f64>,
    /// Covariance of the sizes of a flake as published, and the standard deviation of the log of what multiplies its root.
    pub(crate) within: DMatrix<f64>,
    pub(crate) ln_spread_sd: f64,
}

/// The top at one l: its log posterior with what is about it integrated out, the deviation from what was published (log
/// spread last), and its covariance.
struct Top(f64, DVector<f64>, DMatrix<f64>);

/// The group's own law of each size given its flakes; they have one spread factor in common.
///
/// # Errors
/// [`Error::NotConverged`] where a covariance given is none or no top is found.
pub(crate) fn learn(before: &Before, flakes: &Flakes, threshold: &Threshold) -> Result<Vec<After>> {
    let broken = || {
        Error::not_converged("what the kept flakes tell", "the published covariance is not positive definite")
    };
    let (p, k) = (flakes.terms, flakes.sizes);
    let law = Law::new(&before.within, Some(threshold)).ok_or_else(broken)?;
    let step = (MOST_LN_PRECISION - LEAST_LN_PRECISION) / (PRECISIONS - 1) as f64;
    let precisions: Vec<f64> = match before.degrees_of_freedom {
        None => vec![0.0],
        Some(_) => (0..PRECISIONS).map(|i| LEAST_LN_PRECISION + step * i as f64).collect(),
    };
    let root = |ln: f64, spread: f64| -> Result<DMatrix<f64>> {
        let total = &before.covariance + &before.heavy * (-ln).exp() + &before.normal;
        let mut root = DMatrix::zeros(p * k + 1, p * k + 1);
        root.view_mut((0, 0), (p * k, p * k)).copy_from(&total.cholesky().ok_or_else(broken)?.l());
        root[(p * k, p * k)] = spread;
        Ok(root)
    };
    // where s is, and how surely, where the precision is what is expected of it
    let Top(_, about, spread) = top(before, flakes, &law, &root(0.0, before.ln_spread_sd)?, 0.0)?;
    let (centre, reach) = (about[p * k], REACH * spread[(p * k, p * k)].max(0.0).sqrt());
    let mut tops = Vec::new();
    for ln in precisions {
        // ln of the density of ln l, less its constant
        let density = before.degrees_of_freedom.map_or(0.0, |d| 0.5 * d * (ln - ln.exp()));
        let root = root(ln, 0.0)?;
        for i in 0..SPREADS {
            let s = centre + reach * (2.0 * i as f64 / (SPREADS - 1) as f64 - 1.0);
            let Top(value, mean, covariance) = top(before, flakes, &law, &root, s)?;
            tops.push(Top(value + density - 0.5 * (s / before.ln_spread_sd).powi(2), mean, covariance));
        }
    }
    let most = tops.iter().map(|t| t.0).fold(f64::NEG_INFINITY, f64::max);
    let n = p * k + 1;
    let (mut weight, mut mean, mut second) = (0.0, DVector::zeros(n), DMatrix::zeros(n, n));
    for Top(value, at, covariance) in &tops {
        let w = (value - most).exp();
        weight += w;
        mean += at * w;
        second += (covariance + at * at.transpose()) * w;
    }
    mean /= weight;
    let covariance = second / weight - &mean * mean.transpose();
    let covariance = (&covariance + covariance.transpose()) * 0.5;
    if !covariance.iter().all(|v| v.is_finite()) {
        return Err(broken());
    }
    let of = |size: usize| After {
        coefficients: DVector::from_fn(p, |a, _| before.coefficients[(a, size)] + mean[a * k + size]),
        covariance: DMatrix::from_fn(p, p, |a, b| covariance[(a * k + size, b * k + size)]),
        ln_spread: 0.5 * before.within[(size, size)].ln() + mean[n - 1],
        ln_spread_sd: covariance[(n - 1, n - 1)].max(0.0).sqrt(),
    };
    Ok((0..k).map(of).collect())
}

/// What a flake's sizes are expected to be, at a deviation from what was published.
fn expected(before: &Before, flakes: &Flakes, i: usize, deviation: &DVector<f64>) -> [f64; MOST] {
    let (k, mut mu) = (flakes.sizes, [0.0; MOST]);
    for (a, x) in flakes.design(i).iter().enumerate() {
        (0..k).for_each(|j| mu[j] += x * (before.coefficients[(a, j)] + deviation[a * k + j]));
    }
    mu
}

/// Where each number of a deviation stands, what it is multiplied by in a flake, and its place in the slopes of the law.
fn loads(flakes: &Flakes, i: usize) -> Vec<(usize, f64, usize)> {
    let (x, k) = (flakes.design(i), flakes.sizes);
    let n = x.len() * k;
    (0..n).map(|at| (at, x[at / k], at % k)).chain(std::iter::once((n, 1.0, MOST))).collect()
}

/// How far the mean lies from the top, to first order in the third slopes T of the log posterior: V T(V) / 2, with V the
/// covariance and T(V)_b the sum of T_bcd V_cd (Tierney & Kadane 1986, J. Am. Stat. Assoc. 81:82, from memory).
fn skewed(
    before: &Before,
    flakes: &Flakes,
    law: &Law,
    at: &DVector<f64>,
    covariance: &DMatrix<f64>,
) -> DVector<f64> {
    const STEP: f64 = 1e-3;
    let n = at.len();
    let mut third = DVector::zeros(n);
    for i in 0..flakes.rows() {
        let (seen, mu, loads) = (flakes.seen(i), expected(before, flakes, i, at), loads(flakes, i));
        let mut own = [[0.0; MOST + 1]; MOST + 1];
        for (a, x, j) in &loads {
            loads.iter().for_each(|(b, y, l)| own[*j][*l] += x * y * covariance[(*a, *b)]);
        }
        let traced = |j: usize, by: f64| {
            let (mut mu, mut s) = (mu, at[n - 1]);
            *mu.get_mut(j).unwrap_or(&mut s) += by;
            let c = law.at(&seen, &mu, s).curvature;
            c.iter().flatten().zip(own.iter().flatten()).map(|(c, v)| c * v).sum::<f64>()
        };
        let mut slopes = [0.0; MOST + 1];
        for j in (0..flakes.sizes).chain([MOST]) {
            slopes[j] = 0.5 * (traced(j, STEP) - traced(j, -STEP)) / STEP;
        }
        loads.iter().for_each(|(a, x, j)| third[*a] += x * slopes[*j]);
    }
    covariance * third * 0.5
}

/// Searches the top where what deviates from the published law has this root of a covariance, its log spread about this.
fn top(before: &Before, flakes: &Flakes, law: &Law, root: &DMatrix<f64>, ln_spread: f64) -> Result<Top> {
    let n = root.nrows();
    let deviation = |z: &DVector<f64>| {
        let mut out = root * z;
        out[n - 1] += ln_spread;
        out
    };
    let value = |z: &DVector<f64>| {
        let deviation = deviation(z);
        let of =
            |i: usize| law.value(&flakes.seen(i), &expected(before, flakes, i, &deviation), deviation[n - 1]);
        (0..flakes.rows()).map(of).sum::<f64>() - 0.5 * z.norm_squared()
    };
    let mut z = DVector::zeros(n);
    let mut here = value(&z);
    for _ in 0..STEPS {
        let deviation = deviation(&z);
        let (mut slope, mut curvature) = (DVector::zeros(n), DMatrix::zeros(n, n));
        for i in 0..flakes.rows() {
            let (seen, mu) = (flakes.seen(i), expected(before, flakes, i, &deviation));
            let Part { slopes, curvature: second, .. } = law.at(&seen, &mu, deviation[n - 1]);
            let loads = loads(flakes, i);
            for (at, x, j) in &loads {
                slope[*at] += x * slopes[*j];
                for (other, y, l) in &loads {
                    curvature[(*at, *other)] += x * y * second[*j][*l];
                }
            }
        }
        let slope = root.tr_mul(&slope) - &z;
        let information = DMatrix::identity(n, n) - root.tr_mul(&(curvature * root));
        let factor = factor(&information)?;
        let step = factor.solve(&slope);
        if slope.dot(&step) < GAIN {
            let ln_determinant = 2.0 * factor.l().diagonal().iter().map(|v| v.ln()).sum::<f64>();
            let covariance = root * factor.solve(&root.transpose());
            let mean = &deviation + skewed(before, flakes, law, &deviation, &covariance);
            return Ok(Top(here - 0.5 * ln_determinant, mean, covariance));
        }
        let mut share = 1.0;
        let further = loop {
            let tried = &z + &step * share;
            let there = value(&tried);
            if there > here || share < 1e-6 {
                break (there > here).then_some((tried, there));
            }
            share *= 0.5;
        };
        let Some((tried, there)) = further else { break };
        (z, here) = (tried, there);
    }
    Err(Error::not_converged(
        "what the kept flakes tell",
        "no most likely effect is found; give more flakes, or leave out those that lie far from the others",
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    const EXPECTED: &str = include_str!("../../../tests/reference/kept_learn.csv");

    fn flakes(n: usize, sizes: usize) -> Flakes {
        let mut f = Flakes { terms: 1, sizes, ..Flakes::default() };
        for i in 0..n {
            let i = i as f64;
            let y = [3.1 + 0.45 * (2.3 * i + 0.5).cos().abs(), 2.2 + 0.6 * (1.9 * i + 0.2).sin()];
            f.x.push(1.0);
            f.y.extend(&y[..sizes]);
            f.held.push(true);
            f.between.push(None);
        }
        f
    }

    fn before(sizes: usize) -> Before {
        let of = |all: [f64; 3]| DMatrix::from_fn(sizes, sizes, |i, j| if i == j { all[i] } else { all[2] });
        Before {
            coefficients: DMatrix::from_row_slice(1, 2, &[2.8, 1.7]).columns(0, sizes).into_owned(),
            covariance: of([0.01, 0.012, 0.004]),
            heavy: of([0.06, 0.15, 0.06]),
            degrees_of_freedom: Some(4.0),
            normal: of([0.006, 0.006, 0.003]),
            within: of([0.12, 0.5, 0.18]),
            ln_spread_sd: 0.15,
        }
    }

    /// One size that decides itself, and one beside another that decides: against quadrature. Taken as if all that came off
    /// had been kept the same flakes say something else.
    #[test]
    fn what_kept_flakes_tell_is_that_of_quadrature() {
        let threshold = Threshold { sizes: vec![0], least: 3.0 };
        let mut cases = 0;
        for line in EXPECTED.lines() {
            let cells: Vec<&str> = line.split(',').collect();
            let expected: Vec<f64> = cells[1..].iter().map(|v| v.parse().unwrap()).collect();
            let (sizes, n) = cells[0].split_once('-').unwrap();
            let (sizes, n) = (sizes.parse::<usize>().unwrap(), n.parse::<usize>().unwrap());
            let after = |f: &Flakes| learn(&before(sizes), f, &threshold).unwrap().swap_remove(sizes - 1);
            let mut f = flakes(n, sizes);
            let kept = after(&f);
            let sd = kept.covariance[(0, 0)].sqrt();
            let off = [
                (kept.coefficients[0] - expected[0]) / expected[1],
                sd / expected[1] - 1.0,
                (kept.ln_spread - expected[2]) / expected[3],
                kept.ln_spread_sd / expected[3] - 1.0,
            ];
            println!("{line}: {off:.3?}");
            assert!(off.iter().all(|o| o.abs() < 0.01), "{line}: {off:?}");
            f.held.fill(false);
            let blind = after(&f);
            assert!(blind.coefficients[0] > kept.coefficients[0] + 0.2 * sd, "{line}");
            cases += 1;
        }
        assert_eq!(cases, 6);
    }
}
