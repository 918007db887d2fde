//! Several states of the same piece: a location and a spread with terms of their own, each piece counting once,
//! and an uncertainty that knows that the states of one piece belong together.
//!
//! The model, for states j = 1..n_i of pieces i = 1..G, with weights w_ij = 1 / n_i:
//!
//! ```text
//!   y_ij = x_ij'b + s_ij e_ij,    ln s_ij = z_ij'c,    e_ij of mean 0 and variance 1
//!   b solves   sum w x (y - x'b) / s^2 = 0            weighted least squares
//!   c solves   sum w z (e^2 - 1 + h)   = 0            h = x' B x / s^2,   B = (sum w x x' / s^2)^-1
//!   cov(b) = B (sum_i u_i u_i') B  G / (G - 1),       u_i = sum_j w x (y - x'b) / s^2
//! ```
//!
//! and likewise for c. The weights make each piece count as one observation, however often it was measured; h allows
//! for the terms spent. No correlation of the states of one piece is assumed or estimated: it is in the covariances,
//! by the sums over pieces (Liang & Zeger 1986, "Longitudinal data analysis using generalized linear models",
//! Biometrika 73:13, from memory), which are right whatever it is. Solved by QR of the weighted rows; the steps of c
//! are scoring steps. Not covered: prediction of a further state of a piece that was measured before.

use super::Design;
use crate::error::{Error, Place, Result};
use nalgebra::{DMatrix, DVector, QR};

/// Length of a scoring step, in standard errors, taken as none; and steps at most. Common practice, no source.
const TOLERANCE: f64 = 1e-10;
const MOST_STEPS: usize = 200;
/// Part of a column not explained by those before it, below which it counts as explained. Common practice, no source.
const RANK_TOLERANCE: f64 = 1e-9;
/// Furthest that a step moves a log spread. Common practice, no source.
const LARGEST_STEP: f64 = 1.0;
/// Log of the smallest spread beside the spread of the responses: less is an exact fit. Common practice, no source.
const VANISHING: f64 = -20.0;

/// A fit in which each piece counts once.
#[derive(Debug, Clone, PartialEq)]
pub struct ByPieceFit {
    coefficients: Vec<f64>,
    covariance: DMatrix<f64>,
    gamma: Vec<f64>,
    gamma_covariance: DMatrix<f64>,
    rows: usize,
    pieces: usize,
    ln_likelihood: f64,
}

impl ByPieceFit {
    /// Coefficients of the location, in the order of the design.
    pub fn coefficients(&self) -> &[f64] {
        &self.coefficients
    }
    /// Their covariance, by piece.
    pub fn covariance(&self) -> &DMatrix<f64> {
        &self.covariance
    }
    /// Coefficients of the log spread.
    pub fn gamma(&self) -> &[f64] {
        &self.gamma
    }
    /// Their covariance, by piece.
    pub fn gamma_covariance(&self) -> &DMatrix<f64> {
        &self.gamma_covariance
    }
    /// States fitted.
    #[cfg(test)]
    pub fn rows(&self) -> usize {
        self.rows
    }
    /// Pieces fitted.
    pub fn pieces(&self) -> usize {
        self.pieces
    }
    /// Normal log-likelihood in which each piece counts as one observation.
    pub fn ln_likelihood(&self) -> f64 {
        self.ln_likelihood
    }
    /// Expected value at a design row.
    pub fn expected(&self, x: &[f64]) -> f64 {
        x.iter().zip(&self.coefficients).map(|(x, b)| x * b).sum()
    }
    /// Spread at a design row of the log spread.
    pub fn spread(&self, z: &[f64]) -> f64 {
        z.iter().zip(&self.gamma).map(|(z, c)| z * c).sum::<f64>().exp()
    }
    /// Variance of the expected value at a design row.
    pub fn variance_of_expected(&self, x: &[f64]) -> f64 {
        let x = DVector::from_row_slice(x);
        x.dot(&(&self.covariance * &x)).max(0.0)
    }
}

/// Where the iteration is.
struct Here {
    beta: DVector<f64>,
    sigma: DVector<f64>,
    residual: DVector<f64>,
    /// The inverse of the triangle of the weighted rows: B = inverse inverse'.
    inverse: DMatrix<f64>,
    /// Residual over spread, squared, less 1, plus the leverage.
    excess: DVector<f64>,
}

struct Problem<'a> {
    x: &'a DMatrix<f64>,
    z: &'a DMatrix<f64>,
    y: DVector<f64>,
    w: DVector<f64>,
}

impl Problem<'_> {
    fn look(&self, gamma: &DVector<f64>) -> Result<Here> {
        let sigma = (self.z * gamma).map(f64::exp);
        let mut rows = self.x.clone();
        let mut side = self.y.clone();
        for i in 0..self.y.len() {
            let by = self.w[i].sqrt() / sigma[i];
            rows.row_mut(i).scale_mut(by);
            side[i] *= by;
        }
        let qr = QR::new(rows);
        qr.q_tr_mul(&mut side);
        let r = qr.unpack_r();
        let p = r.ncols();
        let mut beta = side.rows(0, p).into_owned();
        let mut inverse = DMatrix::identity(p, p);
        let solved = r.solve_upper_triangular_mut(&mut beta) && r.solve_upper_triangular_mut(&mut inverse);
        if !solved || !beta.iter().chain(inverse.iter()).all(|v| v.is_finite()) {
            return Err(failed("the location terms cannot be told apart once the rows are weighted"));
        }
        let mut residual = self.y.clone();
        residual.gemv(-1.0, self.x, &beta, 1.0);
        let leverage = self.x * &inverse;
        let excess = DVector::from_fn(residual.len(), |i, _| {
            let s2 = sigma[i] * sigma[i];
            (residual[i] * residual[i] + leverage.row(i).norm_squared()) / s2 - 1.0
        });
        Ok(Here { beta, sigma, residual, inverse, excess })
    }
}

/// Fits. `piece` is the number of the piece of every row.
///
/// # Errors
/// Those of shapes, ranks and too few rows; [`Error::TooFew`] unless there are more pieces than location and spread
/// terms; [`Error::NotConverged`] where the spread of some rows falls to nothing.
pub fn fit(location: &Design, scale: &Design, y: &[f64], piece: &[usize]) -> Result<ByPieceFit> {
    check(location, scale, y)?;
    if piece.len() != y.len() {
        return Err(Error::Shape { what: "numbers of pieces".into(), found: piece.len(), expected: y.len() });
    }
    let (of, states) = renumber(piece);
    let needed = location.columns() + scale.columns() + 1;
    if states.len() < needed {
        return Err(Error::TooFew { what: "pieces".into(), found: states.len(), needed });
    }
    let problem = Problem {
        x: location.matrix(),
        z: scale.matrix(),
        y: DVector::from_row_slice(y),
        w: DVector::from_iterator(y.len(), of.iter().map(|i| 1.0 / states[*i] as f64)),
    };
    let mean = problem.y.mean();
    let ln_size = 0.5 * (problem.y.map(|v| (v - mean).powi(2)).mean()).ln();
    if !ln_size.is_finite() {
        return Err(Error::invalid(
            "response",
            "the numbers are all the same, or too large or small to be fitted",
        ));
    }
    // the expected information of the spread, 2 sum w z z', does not change on the way
    let triangle = {
        let mut rows = problem.z.clone();
        rows.row_iter_mut().zip(problem.w.iter()).for_each(|(mut r, w)| r.scale_mut((2.0 * w).sqrt()));
        QR::new(rows).unpack_r()
    };
    let mut gamma = {
        let qr = QR::new(problem.z.clone());
        let mut c = qr.q().tr_mul(&DVector::from_element(y.len(), ln_size));
        if !qr.unpack_r().solve_upper_triangular_mut(&mut c) {
            return Err(failed("the spread terms cannot be told apart in these rows"));
        }
        c
    };
    for _ in 0..MOST_STEPS {
        let here = problem.look(&gamma)?;
        let score = problem.z.tr_mul(&here.excess.component_mul(&problem.w));
        let mut half = score;
        let mut solved = triangle.tr_solve_upper_triangular_mut(&mut half);
        let mut step = half.clone();
        solved &= triangle.solve_upper_triangular_mut(&mut step);
        if !solved {
            return Err(failed("the spread terms cannot be told apart in these rows"));
        }
        if half.norm() <= TOLERANCE {
            return Ok(package(&problem, here, &gamma, &triangle, &of, states.len()));
        }
        let reach = (problem.z * &step).amax();
        if reach > LARGEST_STEP {
            step *= LARGEST_STEP / reach;
        }
        gamma += step;
        if (problem.z * &gamma).min() - ln_size < VANISHING {
            return Err(failed("the spread of some rows falls to nothing: use fewer terms"));
        }
    }
    Err(failed("the spread has not settled: use fewer spread terms"))
}

/// Shapes, finite responses, and terms that the rows tell apart.
fn check(location: &Design, scale: &Design, y: &[f64]) -> Result<()> {
    for (what, design) in [("rows of the location terms", location), ("rows of the spread terms", scale)] {
        if design.rows() != y.len() {
            return Err(Error::Shape { what: what.into(), found: design.rows(), expected: y.len() });
        }
        let needed = design.columns() + 1;
        if y.len() < needed {
            return Err(Error::TooFew { what: "rows".into(), found: y.len(), needed });
        }
        let mut unit = design.matrix().clone();
        for (j, mut column) in unit.column_iter_mut().enumerate() {
            let largest = column.amax();
            if largest == 0.0 {
                return Err(Error::RankDeficient { term: design.names()[j].clone() });
            }
            column.unscale_mut(largest);
            let norm = column.norm();
            column.unscale_mut(norm);
        }
        let r = QR::new(unit).unpack_r();
        if let Some(j) = (0..r.ncols()).find(|j| r[(*j, *j)].abs() < RANK_TOLERANCE) {
            return Err(Error::RankDeficient { term: design.names()[j].clone() });
        }
    }
    if let Some(i) = y.iter().position(|v| !v.is_finite()) {
        let at = Place::cell(i as u64 + 1, "response");
        return Err(Error::OutOfRange { at, value: y[i], accepted: "finite numbers".into() });
    }
    Ok(())
}

fn failed(reason: &str) -> Error {
    Error::NotConverged { what: "fit by piece".into(), reason: reason.into() }
}

/// Numbers of pieces from 0 on without gaps, in order of appearance, and how many states each has.
fn renumber(piece: &[usize]) -> (Vec<usize>, Vec<u64>) {
    let mut known = std::collections::BTreeMap::new();
    let mut states: Vec<u64> = Vec::new();
    let of = piece
        .iter()
        .map(|p| {
            let at = *known.entry(*p).or_insert_with(|| {
                states.push(0);
                states.len() - 1
            });
            states[at] += 1;
            at
        })
        .collect();
    (of, states)
}

fn package(
    problem: &Problem<'_>,
    here: Here,
    gamma: &DVector<f64>,
    triangle: &DMatrix<f64>,
    of: &[usize],
    pieces: usize,
) -> ByPieceFit {
    let g = pieces as f64;
    // by piece, the score of each row brought through the triangle first: (sum u_i u_i') never stands alone
    let sandwich = |design: &DMatrix<f64>, pull: &DVector<f64>, inverse: &DMatrix<f64>| {
        let mut sums = DMatrix::zeros(pieces, design.ncols());
        for (i, piece) in of.iter().enumerate() {
            for j in 0..design.ncols() {
                sums[(*piece, j)] += design[(i, j)] * pull[i];
            }
        }
        let half = sums * inverse;
        let middle = half.tr_mul(&half) * (g / (g - 1.0));
        inverse * middle * inverse.transpose()
    };
    let pull = DVector::from_fn(problem.y.len(), |i, _| {
        problem.w[i] * here.residual[i] / (here.sigma[i] * here.sigma[i])
    });
    let covariance = sandwich(problem.x, &pull, &here.inverse);
    let mut inverse = DMatrix::identity(gamma.len(), gamma.len());
    triangle.solve_upper_triangular_mut(&mut inverse);
    let gamma_covariance = sandwich(problem.z, &here.excess.component_mul(&problem.w), &inverse);
    let ln_likelihood = (0..problem.y.len())
        .map(|i| {
            let e = here.residual[i] / here.sigma[i];
            -problem.w[i] * (0.5 * (e * e + std::f64::consts::TAU.ln()) + here.sigma[i].ln())
        })
        .sum();
    ByPieceFit {
        coefficients: here.beta.iter().copied().collect(),
        covariance,
        gamma: gamma.iter().copied().collect(),
        gamma_covariance,
        rows: problem.y.len(),
        pieces,
        ln_likelihood,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    fn table() -> Vec<[f64; 4]> {
        let text = include_str!("../../tests/reference/by_piece_data.csv");
        let row = |line: &str| {
            let v: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
            [v[0], v[1], v[2], v[3]]
        };
        text.lines().skip(1).map(row).collect()
    }

    fn fitted(rows: &[[f64; 4]]) -> Result<ByPieceFit> {
        let x: Vec<[f64; 3]> = rows.iter().map(|r| [1.0, r[1], r[2]]).collect();
        let z: Vec<[f64; 2]> = rows.iter().map(|r| [1.0, r[1]]).collect();
        let y: Vec<f64> = rows.iter().map(|r| r[3]).collect();
        let piece: Vec<usize> = rows.iter().map(|r| r[0] as usize).collect();
        let names = |n: &[&str]| n.iter().map(|n| n.to_string()).collect();
        let x = Design::from_rows(names(&["intercept", "u", "v"]), &x)?;
        fit(&x, &Design::from_rows(names(&["intercept", "u"]), &z)?, &y, &piece)
    }

    #[test]
    fn coefficients_and_errors_are_those_of_r() {
        let fit = fitted(&table()).unwrap();
        let error = |m: &DMatrix<f64>, i: usize| m[(i, i)].sqrt();
        let (v, w) = (fit.covariance(), fit.gamma_covariance());
        let mut found: BTreeMap<String, f64> = BTreeMap::new();
        for i in 0..3 {
            found.insert(format!("coefficient_{}", i + 1), fit.coefficients()[i]);
            found.insert(format!("error_{}", i + 1), error(v, i));
        }
        for i in 0..2 {
            found.insert(format!("spread_{}", i + 1), fit.gamma()[i]);
            found.insert(format!("spread_error_{}", i + 1), error(w, i));
        }
        for (i, (a, b)) in [(1, 0), (2, 0), (2, 1)].into_iter().enumerate() {
            found.insert(format!("covariance_{}", i + 1), v[(a, b)]);
        }
        found.insert("ln_likelihood_1".into(), fit.ln_likelihood());
        assert_eq!((fit.rows(), fit.pieces()), (84, 24));
        let mut cases = 0;
        for line in include_str!("../../tests/reference/by_piece.csv").lines().skip(2) {
            let (name, value) = line.split_once(',').unwrap();
            let value: f64 = value.trim().parse().unwrap();
            assert!((found[name] / value - 1.0).abs() < 1e-9, "{line}: {}", found[name]);
            cases += 1;
        }
        assert_eq!(cases, found.len());
    }

    #[test]
    fn a_state_written_down_twice_changes_nothing_if_all_of_its_piece_are() {
        let rows = table();
        let once = fitted(&rows).unwrap();
        // pieces with even numbers have every state twice
        let twice: Vec<[f64; 4]> =
            rows.iter().flat_map(|r| vec![*r; if r[0] % 2.0 == 0.0 { 2 } else { 1 }]).collect();
        let fit = fitted(&twice).unwrap();
        for (a, b) in once.coefficients().iter().zip(fit.coefficients()) {
            assert!((a / b - 1.0).abs() < 1e-8, "{a} {b}");
        }
        assert!((once.covariance() - fit.covariance()).amax() < 1e-8 * once.covariance().amax());
        assert_eq!(fit.pieces(), 24);
    }

    #[test]
    fn what_cannot_be_told_apart_is_refused() {
        let rows = table();
        let few: Vec<[f64; 4]> = rows.iter().copied().filter(|r| r[0] < 6.0).collect();
        assert!(matches!(fitted(&few), Err(Error::TooFew { found: 5, needed: 6, .. })));
        let flat: Vec<[f64; 4]> = rows.iter().map(|r| [r[0], r[1], 2.0 * r[1], r[3]]).collect();
        assert_eq!(fitted(&flat).unwrap_err(), Error::RankDeficient { term: "v".into() });
        let same: Vec<[f64; 4]> = rows.iter().map(|r| [r[0], r[1], r[2], 1.0]).collect();
        assert!(fitted(&same).is_err());
        let exact: Vec<[f64; 4]> = rows.iter().map(|r| [r[0], r[1], r[2], r[1] - r[2]]).collect();
        assert!(fitted(&exact).is_err());
    }
}
