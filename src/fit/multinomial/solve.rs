//! Damped Newton on the standardised problem: centring and scaling, rank, penalties, the reason to stop.
//!
//! The objective is ℓ(γ) - ½ γ'Pγ for ridge, ℓ(γ) + ½ log|I(γ)| for Firth; the step is
//! (I(γ) + P)⁻¹ times the exact gradient of the objective, by Cholesky, halved until the objective rises.
//! Without Firth that is Newton's own step; with it the curvature of the log-determinant is left out of the
//! matrix (not of the gradient), which keeps the matrix positive definite and costs a few iterations; where
//! that is slow (few flakes a coefficient) differences of the exact gradient supply it.

use super::accumulate::{Pass, Problem, Sums};
use super::{Outcomes, Penalty, Stopped};
use crate::error::{Error, Place, Result, at_least, check_size};
use crate::fit::Design;
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// Magnitudes of a column's largest entry that can be squared and summed without overflow. This crate's choice, no source.
const MAGNITUDES: (f64, f64) = (1e-120, 1e120);
/// Share of a column's variance that earlier columns leave over, above which rank is not in doubt.
/// Common practice, no source.
const CLEAR_PIVOT: f64 = 1e-6;
/// Relative diagonal of R below which a column is determined by the earlier ones (common practice, no
/// source: some digits above the rounding of Householder QR).
const RANK_TOLERANCE: f64 = 1e-11;
/// Distance from the optimum at which to stop, sqrt(g'H⁻¹g), in standard errors, and most steps. Common practice, no source.
pub(super) const TOLERANCE: f64 = 1e-9;
const MOST_STEPS: usize = 200;
/// Firth iterations after which the full curvature is taken in. This crate's choice, no source.
const SLOW: usize = 15;
/// Rows from which a start on a sixteenth of the rows pays. This crate's choice, no source.
const WORTH_SAMPLING: usize = 20_000;
/// Share of the rows used for that start. This crate's choice, no source.
const SAMPLE_STEP: usize = 16;

/// The checked problem with its standardisation.
#[derive(Debug, Clone)]
pub(super) struct Prepared<'a> {
    pub problem: Problem<'a>,
    /// Index of the constant column.
    pub intercept: Option<usize>,
    /// Classes with rows, by their index as given; the baseline is left out.
    pub others: Vec<usize>,
    /// The baseline, by its index as given.
    pub baseline: usize,
    /// Rows by class as given.
    pub class_rows: Vec<usize>,
}

/// Checks the table and finds the standardisation of the columns.
pub(super) fn prepare<'a>(design: &'a Design, outcomes: &'a Outcomes) -> Result<Prepared<'a>> {
    let (n, p) = (design.rows(), design.columns());
    check_size("classes of the rows", outcomes.rows(), n)?;
    at_least("terms", p, 1)?;
    let class_rows = outcomes.class_rows();
    let seen: Vec<usize> = (0..class_rows.len()).filter(|&c| class_rows[c] > 0).collect();
    at_least("classes with rows", seen.len(), 2)?;
    let baseline = seen[0];
    let others = seen[1..].to_vec();
    let mut slot = vec![others.len(); class_rows.len()];
    for (k, &c) in others.iter().enumerate() {
        slot[c] = k;
    }
    at_least("rows for the terms", n, p)?;
    let columns = design.matrix().as_slice();
    let column = |j: usize| &columns[j * n..(j + 1) * n];
    let mean_of = |j: usize, f: &dyn Fn(f64) -> f64| chunked_sum(column(j), f) / n as f64;
    let mut intercept = None;
    for j in 0..p {
        let x = column(j);
        let largest = x.iter().fold(0.0f64, |a, v| a.max(v.abs()));
        if largest == 0.0 {
            return Err(Error::RankDeficient { term: design.names()[j].clone() });
        }
        if largest < MAGNITUDES.0 || largest > MAGNITUDES.1 {
            return Err(Error::out_of_range(
                Place::column(&design.names()[j]),
                largest,
                "columns whose largest entry is between 1e-120 and 1e120",
            ));
        }
        if intercept.is_none() && x.iter().all(|v| *v == x[0]) {
            intercept = Some(j);
        }
    }
    let (mut shift, mut inverse_scale) = (vec![0.0; p], vec![0.0; p]);
    for j in 0..p {
        if intercept == Some(j) {
            inverse_scale[j] = 1.0 / column(j)[0];
            continue;
        }
        let centre = if intercept.is_some() { mean_of(j, &|x| x) } else { 0.0 };
        let scale = mean_of(j, &|x| (x - centre) * (x - centre)).sqrt();
        if scale <= 1e-13 * centre.abs() || scale == 0.0 {
            return Err(Error::RankDeficient { term: design.names()[j].clone() });
        }
        shift[j] = centre;
        inverse_scale[j] = 1.0 / scale;
    }
    let problem = Problem {
        columns,
        rows: n,
        shift,
        inverse_scale,
        slot,
        class_of_row: outcomes.class_of_row(),
        classes: others.len(),
    };
    check_rank(&problem, design.names())?;
    Ok(Prepared { problem, intercept, others, baseline, class_rows })
}

/// Sum of `f` over a column with eight running sums.
fn chunked_sum(x: &[f64], f: &dyn Fn(f64) -> f64) -> f64 {
    let mut s = [0.0; 8];
    let chunks = x.chunks_exact(8);
    let tail: f64 = chunks.remainder().iter().map(|v| f(*v)).sum();
    for c in chunks {
        for (s, v) in s.iter_mut().zip(c) {
            *s += f(*v);
        }
    }
    s.iter().sum::<f64>() + tail
}

/// Names the first term that the earlier ones determine.
fn check_rank(problem: &Problem<'_>, names: &[String]) -> Result<()> {
    let gram = problem.gram();
    // The pivots of the Gram matrix settle clear cases in one pass; anything near is left to QR.
    let p = names.len();
    let clear = gram
        .clone()
        .cholesky()
        .is_some_and(|c| (0..p).all(|j| c.l_dirty()[(j, j)].powi(2) > CLEAR_PIVOT * gram[(j, j)]));
    if clear {
        return Ok(());
    }
    let scaled = DMatrix::from_fn(problem.rows, p, |i, j| {
        (problem.columns[j * problem.rows + i] - problem.shift[j]) * problem.inverse_scale[j]
    });
    let norms: Vec<f64> = (0..p).map(|j| scaled.column(j).norm()).collect();
    let r = scaled.qr().r();
    for (j, name) in names.iter().enumerate() {
        let left = r[(j, j)].abs();
        if left.is_nan() || left <= RANK_TOLERANCE * norms[j] {
            return Err(Error::RankDeficient { term: name.clone() });
        }
    }
    Ok(())
}

/// The optimum on the standardised scale.
#[derive(Debug, Clone)]
pub(super) struct Solution {
    pub coefficients: Vec<f64>,
    /// Inverse of information plus penalty.
    pub covariance: DMatrix<f64>,
    pub log_likelihood: f64,
    /// The value that was maximised (Firth: in standardised columns).
    pub objective: f64,
    /// Trace of covariance times information.
    pub effective: f64,
    pub iterations: usize,
    pub gradient: f64,
    pub stopped: Stopped,
}

/// A place that was evaluated.
struct Here {
    coefficients: Vec<f64>,
    sums: Sums,
    information: DMatrix<f64>,
    matrix: Cholesky<f64, Dyn>,
    objective: f64,
}

pub(super) struct Solver<'a, 'b> {
    prepared: &'b Prepared<'a>,
    firth: bool,
    /// Ridge strength by term on the standardised scale; empty without ridge.
    strength: Vec<f64>,
}

impl<'a, 'b> Solver<'a, 'b> {
    pub fn new(prepared: &'b Prepared<'a>, penalty: Penalty) -> Result<Self> {
        let strength = match penalty {
            Penalty::Ridge { lambda } => {
                if !(lambda > 0.0 && lambda.is_finite()) {
                    let at = Place::column("lambda");
                    return Err(Error::out_of_range(at, lambda, "finite numbers above 0"));
                }
                let of = |j| if prepared.intercept == Some(j) { 0.0 } else { lambda };
                (0..prepared.problem.terms()).map(of).collect()
            }
            Penalty::Firth => Vec::new(),
        };
        Ok(Solver { prepared, firth: penalty == Penalty::Firth, strength })
    }

    /// Intercepts at the class frequencies, everything else at zero.
    fn default_start(&self) -> Vec<f64> {
        let (prepared, p) = (self.prepared, self.prepared.problem.terms());
        let mut start = vec![0.0; prepared.problem.classes * p];
        if let Some(j) = prepared.intercept {
            for (k, &c) in prepared.others.iter().enumerate() {
                let rows = |c: usize| prepared.class_rows[c] as f64;
                start[k * p + j] = (rows(c) / rows(prepared.baseline)).ln();
            }
        }
        start
    }

    /// Runs to within so many standard errors of the optimum.
    pub fn run(&self, tolerance: f64) -> Result<Solution> {
        let problem = &self.prepared.problem;
        let mut start = self.default_start();
        if problem.rows >= WORTH_SAMPLING && !self.firth {
            // Every sixteenth row gives a start within a few standard errors at a sixteenth of the cost;
            // where it fails (a class too rare there), the ordinary start stands.
            let (columns, class_of_row) = problem.every(SAMPLE_STEP);
            let sample = Problem {
                columns: &columns,
                rows: class_of_row.len(),
                class_of_row: &class_of_row,
                ..problem.clone()
            };
            if let Ok(s) = self.newton(&sample, start.clone(), 1e-2)
                && s.stopped == Stopped::Converged
            {
                start = s.coefficients;
            }
        }
        self.newton(problem, start, tolerance)
    }

    fn newton(&self, problem: &Problem<'_>, start: Vec<f64>, tolerance: f64) -> Result<Solution> {
        let failed = |reason: &str| Error::not_converged("the multinomial logistic fit", reason);
        let mut here = match self.evaluate(problem, start) {
            Some(h) => h,
            None => self
                .evaluate(problem, self.default_start())
                .ok_or_else(|| failed("the information is singular at the start; try ridge or Firth"))?,
        };
        let mut iterations = 0;
        loop {
            let gradient = self.gradient(problem, &here);
            let mut step = here.matrix.solve(&gradient);
            let mut decrement = gradient.dot(&step).max(0.0);
            if self.firth && iterations >= SLOW && decrement.sqrt() > tolerance {
                // Few flakes a coefficient: the log-determinant's own curvature matters, so take it in.
                if let Some(full) = self.full_curvature(problem, &here) {
                    step = full.solve(&gradient);
                    decrement = gradient.dot(&step).max(0.0);
                }
            }
            if decrement.sqrt() <= tolerance {
                return Ok(self.package(here, &gradient, iterations, Stopped::Converged));
            }
            if iterations == MOST_STEPS {
                return Err(failed(
                    "the iterations ran out before the gradient vanished; allow more, or choose ridge",
                ));
            }
            match self.search(problem, &here, &step, decrement) {
                Some(next) => here = next,
                None if decrement.sqrt() <= 1e-5 => {
                    return Ok(self.package(here, &gradient, iterations, Stopped::Rounding));
                }
                None => return Err(failed("no step raises the objective; try ridge or Firth")),
            }
            iterations += 1;
        }
    }

    /// The first of the halved steps that raises the objective enough.
    fn search(
        &self,
        problem: &Problem<'_>,
        here: &Here,
        step: &DVector<f64>,
        decrement: f64,
    ) -> Option<Here> {
        let noise = 1e-12 * (1.0 + here.objective.abs());
        let mut t = 1.0;
        for _ in 0..40 {
            let trial = here.coefficients.iter().zip(step.iter()).map(|(c, s)| c + t * s).collect();
            if let Some(next) = self.evaluate(problem, trial) {
                let enough = here.objective + 1e-4 * t * decrement;
                if next.objective >= enough || (decrement < noise && next.objective >= here.objective - noise)
                {
                    return Some(next);
                }
            }
            t *= 0.5;
        }
        None
    }

    /// `None` where the objective is not finite or the matrix not positive definite.
    fn evaluate(&self, problem: &Problem<'_>, coefficients: Vec<f64>) -> Option<Here> {
        let sums = problem.pass(&coefficients, Pass::Information);
        let information = problem.unpack(&sums.information);
        let mut matrix = information.clone();
        let mut objective = sums.log_likelihood;
        if !self.strength.is_empty() {
            let (p, m) = (problem.terms(), problem.classes);
            for (j, s) in self.strength.iter().enumerate() {
                let sum: f64 = (0..m).map(|k| coefficients[k * p + j]).sum();
                let squares: f64 = (0..m).map(|k| coefficients[k * p + j].powi(2)).sum();
                let share = 1.0 / (m + 1) as f64;
                objective -= 0.5 * s * (squares - sum * sum * share);
                for k in 0..m {
                    for l in 0..m {
                        matrix[(k * p + j, l * p + j)] += s * (f64::from(u8::from(k == l)) - share);
                    }
                }
            }
        }
        let matrix = Cholesky::new(matrix)?;
        if self.firth {
            objective += 0.5 * matrix.ln_determinant();
        }
        let finite = objective.is_finite() && sums.score.iter().all(|v| v.is_finite());
        finite.then_some(Here { coefficients, sums, information, matrix, objective })
    }

    /// The exact gradient of the objective.
    fn gradient(&self, problem: &Problem<'_>, here: &Here) -> DVector<f64> {
        let mut gradient = DVector::from_column_slice(&here.sums.score);
        if self.firth {
            let inverse = problem.pack(&here.matrix.inverse());
            let extra = problem.pass(&here.coefficients, Pass::Jeffreys(&inverse));
            gradient.iter_mut().zip(&extra.score).for_each(|(g, e)| *g += e);
        }
        let (p, m) = (problem.terms(), problem.classes);
        for (j, s) in self.strength.iter().enumerate() {
            let mean: f64 = (0..m).map(|k| here.coefficients[k * p + j]).sum::<f64>() / (m + 1) as f64;
            for k in 0..m {
                gradient[k * p + j] -= s * (here.coefficients[k * p + j] - mean);
            }
        }
        gradient
    }

    /// Minus the second derivatives of the Firth objective, by central differences of its exact gradient;
    /// `None` where they are not positive definite.
    fn full_curvature(&self, problem: &Problem<'_>, here: &Here) -> Option<Cholesky<f64, Dyn>> {
        let d = here.coefficients.len();
        let inverse = here.matrix.inverse();
        let mut curvature = DMatrix::zeros(d, d);
        for i in 0..d {
            let h = 1e-4 * inverse[(i, i)].sqrt();
            let side = |sign: f64| {
                let mut coefficients = here.coefficients.clone();
                coefficients[i] += sign * h;
                self.evaluate(problem, coefficients).map(|there| self.gradient(problem, &there))
            };
            curvature.set_column(i, &((side(-1.0)? - side(1.0)?) / (2.0 * h)));
        }
        Cholesky::new((&curvature + curvature.transpose()) * 0.5)
    }

    fn package(&self, here: Here, gradient: &DVector<f64>, iterations: usize, stopped: Stopped) -> Solution {
        let covariance = here.matrix.inverse();
        let effective = if self.strength.is_empty() {
            here.coefficients.len() as f64
        } else {
            covariance.component_mul(&here.information).sum()
        };
        Solution {
            covariance,
            log_likelihood: here.sums.log_likelihood,
            objective: here.objective,
            effective,
            iterations,
            gradient: gradient.amax(),
            stopped,
            coefficients: here.coefficients,
        }
    }
}

/// Coefficients and covariance for the columns as they were given.
pub(super) fn map_back(prepared: &Prepared<'_>, solution: &Solution) -> (DMatrix<f64>, DMatrix<f64>) {
    let (p, m) = (prepared.problem.terms(), prepared.problem.classes);
    let (shift, inverse) = (&prepared.problem.shift, &prepared.problem.inverse_scale);
    let mut t = DMatrix::from_diagonal(&DVector::from_column_slice(inverse));
    if let Some(at) = prepared.intercept {
        for j in (0..p).filter(|&j| j != at) {
            t[(at, j)] = -shift[j] * inverse[j] * inverse[at];
        }
    }
    let mut coefficients = DMatrix::zeros(m, p);
    let mut covariance = DMatrix::zeros(m * p, m * p);
    for k in 0..m {
        let own = DVector::from_column_slice(&solution.coefficients[k * p..(k + 1) * p]);
        coefficients.row_mut(k).tr_copy_from(&(&t * own));
        for l in 0..=k {
            let block = &t * solution.covariance.view((k * p, l * p), (p, p)) * t.transpose();
            covariance.view_mut((k * p, l * p), (p, p)).copy_from(&block);
            covariance.view_mut((l * p, k * p), (p, p)).tr_copy_from(&block);
        }
    }
    let covariance = (&covariance + covariance.transpose()) * 0.5;
    (coefficients, covariance)
}

/// What half the log-determinant gains when the columns are taken as given instead of standardised.
pub(super) fn determinant_shift(prepared: &Prepared<'_>) -> f64 {
    let scales: f64 = prepared.problem.inverse_scale.iter().map(|s| s.abs().ln()).sum();
    -(prepared.problem.classes as f64) * scales
}
