//! The trust-region iteration behind nonlinear least squares, as an [`argmin`] solver: the problem evaluates,
//! argmin's executor drives, and the step is decided here.
//!
//! With residuals r = y − f(θ) (n), the Jacobian J = ∂f/∂θ (n by p) and a diagonal D (the largest norm each
//! column of J has had so far), a step s solves min ‖J s − r‖ subject to ‖D s‖ ≤ Δ. It comes from one QR of
//! J D⁻¹ and, when the full step is too long, from QR of that triangle with √λ times the identity below it,
//! λ found by Newton's method on ‖D s‖ = Δ. J'J is never formed. Source of the method: J. J. Moré, 1978, The
//! Levenberg-Marquardt algorithm: implementation and theory, Lecture Notes in Mathematics 630, 105-116 (from
//! memory, as are the constants below, which follow MINPACK).
//!
//! The cost alone is a poor judge of arrival: it is flat to half the digits at the optimum. So when it no
//! longer changes, undamped QR steps follow, each kept only if it shortens the component of r in the tangent
//! space, until the cosine of the angle between r and that space meets the tolerance. The cosine is free of
//! units and of the parameters' scales, and a fit whose cosine is c lies, to first order, within c·√(n − p)
//! standard errors of the optimum in every coefficient.

use argmin::core::{
    Error as ArgminError, Executor, IterState, KV, Problem, Solver, State, TerminationReason,
};
use nalgebra::{DMatrix, DVector};

/// What the iteration needs to know of a problem. Not defined (a value that is not finite) is `None`.
pub(super) trait Residuals {
    /// Number of coefficients.
    fn columns(&self) -> usize;
    /// Euclidean norm of the observed values, which bounds the rounding in the residuals.
    fn observed_norm(&self) -> f64;
    /// y − f(θ).
    fn residuals(&self, theta: &[f64]) -> Option<DVector<f64>>;
    /// ∂f/∂θ, one row per observation.
    fn jacobian(&self, theta: &[f64]) -> Option<DMatrix<f64>>;
}

/// First radius of the trust region, as a multiple of ‖D θ‖; the later ones are tried only if the earlier
/// ones led nowhere. 100 is MINPACK's; the others common practice, no source.
const FIRST_RADII: [f64; 3] = [100.0, 1.0, 0.01];
/// A step is kept when the fall of the sum of squares is at least this share of the promised one (MINPACK).
const ACCEPT: f64 = 1e-4;
/// The relative change of the sum of squares below which undamped steps are tried for the first time, and the
/// factor by which it falls when they fail (common practice, no source).
const POLISH_FROM: f64 = 1e-7;
const POLISH_FACTOR: f64 = 1e-4;
/// Where rounding stops the undamped steps, a larger cosine still passes: at most this one, or one that
/// rounding in f explains, taken as this many units in the last place of ‖y‖ + ‖f‖ (own choice).
const STALL_COSINE: f64 = 1e-7;
const ROUNDING_UNITS: f64 = 16.0;
/// Columns of J, scaled to unit length, with a ratio of singular values below this are dependent.
/// Common practice, no source.
const RANK: f64 = 1e-13;

/// Why an iteration ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Stop {
    /// The cosine met the tolerance.
    Orthogonal,
    /// No further progress can be told from rounding.
    MachinePrecision,
    /// No step makes progress, and rounding does not explain it.
    Stalled,
    /// The derivatives cannot tell this coefficient (by its index) from the others.
    Dependent(usize),
    /// The sum of squares or a derivative is not finite at the start.
    Undefined,
    /// The number of iterations ran out.
    Iterations,
}

impl Stop {
    fn converged(self) -> bool {
        matches!(self, Stop::Orthogonal | Stop::MachinePrecision)
    }
}

/// A point with everything evaluated there.
#[derive(Debug, Clone)]
pub(super) struct Local {
    pub(super) theta: Vec<f64>,
    /// Norm of the residuals.
    pub(super) norm: f64,
    /// Norm of the projection of the residuals on the tangent space.
    tangent: f64,
    /// The triangle of the QR of J with its columns scaled to unit length, and those lengths.
    pub(super) triangle: DMatrix<f64>,
    pub(super) lengths: DVector<f64>,
    /// The first p entries of Q'r.
    projected: DVector<f64>,
}

impl Local {
    fn at(problem: &dyn Residuals, theta: &[f64]) -> Option<Self> {
        let residuals = problem.residuals(theta)?;
        let norm = finite(residuals.norm())?;
        let mut jacobian = problem.jacobian(theta)?;
        let p = problem.columns();
        let mut lengths = DVector::zeros(p);
        for (j, mut column) in jacobian.column_iter_mut().enumerate() {
            lengths[j] = finite(column.norm())?;
            if lengths[j] > 0.0 {
                column /= lengths[j];
            }
        }
        let qr = jacobian.qr();
        let mut rotated = residuals;
        qr.q_tr_mul(&mut rotated);
        let projected = rotated.rows(0, p).into_owned();
        Some(Local {
            theta: theta.to_vec(),
            norm,
            tangent: finite(projected.norm())?,
            triangle: qr.unpack_r(),
            lengths,
            projected,
        })
    }

    /// Cosine of the angle between the residuals and the tangent space; 0 when there are no residuals.
    pub(super) fn cosine(&self) -> f64 {
        if self.norm > 0.0 { self.tangent / self.norm } else { 0.0 }
    }

    /// The coefficient that the others determine to first order here, if there is one.
    pub(super) fn dependent(&self) -> Option<usize> {
        if let Some(j) = self.lengths.iter().position(|l| *l == 0.0) {
            return Some(j);
        }
        let svd = nalgebra::linalg::SVD::try_new(self.triangle.clone(), false, true, f64::EPSILON, 0)?;
        let (low, high) = (svd.singular_values.imin(), svd.singular_values.imax());
        if svd.singular_values[low] > RANK * svd.singular_values[high] {
            return None;
        }
        Some(svd.v_t?.row(low).transpose().iamax())
    }

    /// The undamped step, where the triangle has full rank.
    fn full_step(&self) -> Option<DVector<f64>> {
        let step = self.triangle.solve_upper_triangular(&self.projected)?;
        let step = step.zip_map(&self.lengths, |s, l| s / l);
        step.iter().all(|s| s.is_finite()).then_some(step)
    }

    /// Whether the tangent component is as small as rounding in f can make it.
    fn at_rounding(&self, observed_norm: f64) -> bool {
        self.tangent <= ROUNDING_UNITS * f64::EPSILON * (2.0 * observed_norm + self.norm)
    }
}

fn finite(x: f64) -> Option<f64> {
    x.is_finite().then_some(x)
}

/// The solver's own state; argmin's holds the point, the sum of squares and the count.
struct TrustRegion {
    tolerance: f64,
    first_radius: f64,
    scale: DVector<f64>,
    radius: f64,
    lambda: f64,
    threshold: f64,
    polishing: bool,
    here: Option<Local>,
    stop: Option<Stop>,
}

type Iterate = IterState<Vec<f64>, (), (), (), (), f64>;
type Advance = Result<(Iterate, Option<KV>), ArgminError>;

impl TrustRegion {
    fn new(tolerance: f64, first_radius: f64) -> Self {
        TrustRegion {
            tolerance,
            first_radius,
            scale: DVector::zeros(0),
            radius: 0.0,
            lambda: 0.0,
            threshold: POLISH_FROM,
            polishing: false,
            here: None,
            stop: None,
        }
    }

    /// Hands the state back to argmin, terminated where a reason has been found.
    fn hand_back(&self, state: Iterate) -> Advance {
        let state = match &self.here {
            Some(here) => state.param(here.theta.clone()).cost(here.norm * here.norm),
            None => state,
        };
        Ok((
            match self.stop {
                Some(stop) if stop.converged() => state.terminate_with(TerminationReason::SolverConverged),
                Some(_) => state.terminate_with(TerminationReason::SolverExit("no progress".into())),
                None => state,
            },
            None,
        ))
    }

    /// Length of θ in the scale D.
    fn scaled_length(&self, theta: &[f64]) -> f64 {
        theta.iter().zip(self.scale.iter()).map(|(t, d)| (t * d).powi(2)).sum::<f64>().sqrt()
    }

    /// Takes a new point: widens the scale and tests for arrival.
    fn move_to(&mut self, point: Local) {
        self.scale = self.scale.zip_map(&point.lengths, f64::max);
        if point.cosine() <= self.tolerance {
            self.stop = Some(match point.dependent() {
                Some(j) => Stop::Dependent(j),
                None => Stop::Orthogonal,
            });
        }
        self.here = Some(point);
    }

    /// One damped step, kept or not, and the radius for the next.
    fn descend(&mut self, problem: &mut Problem<&dyn Residuals>, here: Local) -> Result<(), ArgminError> {
        // The triangle of J D⁻¹ from that of the unit columns.
        let mut triangle = here.triangle.clone();
        for (j, mut column) in triangle.column_iter_mut().enumerate() {
            column *= here.lengths[j] / self.scale[j];
        }
        let (lambda, z) = damped(&triangle, &here.projected, self.radius, self.lambda);
        self.lambda = lambda;
        let length = z.norm();
        let theta: Vec<f64> =
            here.theta.iter().zip(z.iter().zip(self.scale.iter())).map(|(t, (z, d))| t + z / d).collect();
        let norm = problem
            .problem("residual_count", |p| Ok(p.residuals(&theta)))?
            .map_or(f64::INFINITY, |r| r.norm());

        // Falls of the sum of squares, as shares of what it is: real, promised, and the slope along the step.
        let actual = if 0.1 * norm < here.norm { 1.0 - (norm / here.norm).powi(2) } else { -1.0 };
        let linear = ((&triangle * &z).norm() / here.norm).powi(2);
        let damping = self.lambda * (length / here.norm).powi(2);
        let promised = linear + 2.0 * damping;
        let slope = -(linear + damping);
        let ratio = if promised > 0.0 { actual / promised } else { 0.0 };
        if ratio <= 0.25 {
            let shrink = if actual >= 0.0 { 0.5 } else { 0.5 * slope / (slope + 0.5 * actual) };
            let shrink = if 0.1 * norm >= here.norm || shrink < 0.1 { 0.1 } else { shrink };
            self.radius = shrink * self.radius.min(length / 0.1);
            self.lambda /= shrink;
        } else if self.lambda == 0.0 || ratio >= 0.75 {
            self.radius = length / 0.5;
            self.lambda *= 0.5;
        }

        let tiny_radius = self.radius <= f64::EPSILON * self.scaled_length(&here.theta);
        let settled = actual.abs() <= self.threshold && promised <= self.threshold && ratio <= 2.0;
        let next = if ratio >= ACCEPT {
            problem.problem("jacobian_count", |p| Ok(Local::at(*p, &theta)))?
        } else {
            None
        };
        match next {
            Some(point) => self.move_to(point),
            None => {
                if ratio >= ACCEPT {
                    // A value without derivatives: not a place to stand.
                    self.radius *= 0.1;
                }
                self.here = Some(here);
            }
        }
        if self.stop.is_none() && (settled || tiny_radius) {
            self.polishing = true;
            if tiny_radius {
                self.threshold = 0.0;
            }
        }
        Ok(())
    }

    /// One undamped step, halved until it shortens the tangent component; back to damped steps if none does.
    fn polish(&mut self, problem: &mut Problem<&dyn Residuals>, here: Local) -> Result<(), ArgminError> {
        if let Some(step) = here.full_step() {
            let mut share = 1.0;
            for _ in 0..8 {
                let theta: Vec<f64> =
                    here.theta.iter().zip(step.iter()).map(|(t, s)| t + share * s).collect();
                let next = problem.problem("jacobian_count", |p| Ok(Local::at(*p, &theta)))?;
                if let Some(next) = next
                    && next.tangent < here.tangent
                    && next.norm <= here.norm * (1.0 + POLISH_FROM)
                {
                    self.move_to(next);
                    return Ok(());
                }
                share *= 0.5;
            }
        }
        self.polishing = false;
        let rounding = here.at_rounding(problem.problem("norm_count", |p| Ok(p.observed_norm()))?);
        if here.cosine() <= STALL_COSINE || rounding {
            self.stop = Some(here.dependent().map_or(Stop::MachinePrecision, Stop::Dependent));
        } else if self.threshold < f64::EPSILON {
            self.stop = Some(here.dependent().map_or(Stop::Stalled, Stop::Dependent));
        } else {
            self.threshold *= POLISH_FACTOR;
        }
        self.here = Some(here);
        Ok(())
    }
}

impl<'a> Solver<&'a dyn Residuals, Iterate> for TrustRegion {
    fn name(&self) -> &str {
        "trust region by QR"
    }

    fn init(&mut self, problem: &mut Problem<&'a dyn Residuals>, state: Iterate) -> Advance {
        let start = state.param.clone().unwrap_or_default();
        match problem.problem("jacobian_count", |p| Ok(Local::at(*p, &start)))? {
            None => self.stop = Some(Stop::Undefined),
            Some(point) => {
                self.scale = point.lengths.map(|l| if l > 0.0 { l } else { 1.0 });
                let length = self.scaled_length(&start);
                self.radius = self.first_radius * if length > 0.0 { length } else { 1.0 };
                self.move_to(point);
            }
        }
        self.hand_back(state)
    }

    fn next_iter(&mut self, problem: &mut Problem<&'a dyn Residuals>, state: Iterate) -> Advance {
        if let Some(here) = self.here.take() {
            if self.polishing {
                self.polish(problem, here)?;
            } else {
                self.descend(problem, here)?;
            }
        }
        self.hand_back(state)
    }
}

/// The damping λ and the step z with ‖z‖ within a tenth of the radius, or the full step if it is shorter:
/// min ‖T z − q‖² + λ‖z‖² for a triangle T.
fn damped(triangle: &DMatrix<f64>, projected: &DVector<f64>, radius: f64, last: f64) -> (f64, DVector<f64>) {
    let p = projected.len();
    let gradient = (triangle.tr_mul(projected)).norm();
    let mut low = 0.0;
    if let Some(z) = triangle.solve_upper_triangular(projected)
        && z.iter().all(|v| v.is_finite())
    {
        let length = z.norm();
        if length <= 1.1 * radius {
            return (0.0, z);
        }
        // Newton's bound from the undamped end.
        if let Some(w) = triangle.tr_solve_upper_triangular(&(&z / length)) {
            let bound = (length - radius) / radius / w.norm_squared();
            if bound.is_finite() {
                low = bound;
            }
        }
    }
    let mut high = gradient / radius;
    let mut lambda = last.clamp(low, high.max(low));
    let mut z = DVector::zeros(p);
    if gradient == 0.0 {
        return (0.0, z);
    }
    for _ in 0..20 {
        if lambda <= 0.0 {
            lambda = (1e-3 * high).max(f64::MIN_POSITIVE);
        }
        let mut stacked = DMatrix::zeros(2 * p, p);
        stacked.rows_mut(0, p).copy_from(triangle);
        stacked.rows_mut(p, p).fill_diagonal(lambda.sqrt());
        let mut right = DVector::zeros(2 * p);
        right.rows_mut(0, p).copy_from(projected);
        let qr = stacked.qr();
        qr.q_tr_mul(&mut right);
        let r = qr.unpack_r();
        let Some(step) = r.solve_upper_triangular(&right.rows(0, p).into_owned()) else { break };
        z = step;
        let length = z.norm();
        let excess = length - radius;
        if excess.abs() <= 0.1 * radius || !length.is_finite() || length == 0.0 {
            break;
        }
        let Some(w) = r.tr_solve_upper_triangular(&(&z / length)) else { break };
        if excess > 0.0 {
            low = low.max(lambda);
        } else {
            high = high.min(lambda);
        }
        let newton = lambda + excess / radius / w.norm_squared();
        lambda = if newton > low && newton < high { newton } else { (low * high).sqrt().max(0.001 * high) };
    }
    (lambda, z)
}

/// Where an iteration ended, and why.
#[derive(Debug, Clone)]
pub(super) struct Outcome {
    pub(super) stop: Stop,
    pub(super) iterations: u64,
    pub(super) point: Option<Local>,
}

impl Outcome {
    pub(super) fn converged(&self) -> bool {
        self.stop.converged() && self.point.is_some()
    }
}

/// Runs the iteration from a start, with the first radii in turn until one arrives. Of failures, the one with
/// the smallest sum of squares is returned. The iterations of all runs are counted together.
pub(super) fn minimise(
    problem: &dyn Residuals,
    start: &[f64],
    tolerance: f64,
    max_iterations: u64,
) -> Outcome {
    let mut best: Option<Outcome> = None;
    let mut spent = 0;
    for radius in FIRST_RADII {
        let mut outcome = run(problem, start, TrustRegion::new(tolerance, radius), max_iterations);
        spent += outcome.iterations;
        outcome.iterations = spent;
        if outcome.converged() || outcome.stop == Stop::Undefined {
            return outcome;
        }
        let norm = |o: &Outcome| o.point.as_ref().map_or(f64::INFINITY, |p| p.norm);
        if best.as_ref().is_none_or(|b| norm(&outcome) < norm(b)) {
            best = Some(outcome);
        }
    }
    let mut best = best.unwrap_or(Outcome { stop: Stop::Undefined, iterations: 0, point: None });
    best.iterations = spent;
    best
}

fn run(problem: &dyn Residuals, start: &[f64], solver: TrustRegion, max_iterations: u64) -> Outcome {
    let executor = Executor::new(problem, solver)
        .configure(|state: Iterate| state.param(start.to_vec()).max_iters(max_iterations).counting(false))
        .ctrlc(false)
        .timer(false);
    // Nothing in this solver or its problems returns argmin's error; were it to, there is no point to report.
    match executor.run() {
        Err(_) => Outcome { stop: Stop::Undefined, iterations: 0, point: None },
        Ok(result) => Outcome {
            stop: result.solver.stop.unwrap_or(Stop::Iterations),
            iterations: result.state.iter,
            point: result.solver.here,
        },
    }
}
