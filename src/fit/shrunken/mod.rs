//! Many location terms under one ridge penalty, a spread with terms of its own, and tails that differ by class.
//!
//! The model, for rows i = 1..n of class c(i):
//!
//! ```text
//!   y_i = x_i'β + σ_i e_i,    ln σ_i = z_i'γ,    e_i ~ Student t with ν_c(i) degrees of freedom (∞: normal)
//!   with shared effects  y_i = x_i'β + w_i'b_g(i) + σ_i e_i,   b_g ~ N(0, Σ)
//!   β_j free,  or penalised: β_j s_j ~ N(0, 1/λ)  with s_j the standard deviation of column j
//! ```
//!
//! β is the penalised mode; γ solves the score equation that allows for the location terms spent; λ is chosen by
//! generalised Fellner-Schall steps (restricted likelihood), the covariances of shared effects by scoring of it, and the degrees of freedom by the Laplace marginal
//! likelihood over a small grid. All of it happens inside the fit, so a fit in cross-validation chooses anew.
//! The equations stand in `solve.rs`. Columns are centred (where there is a constant column) and scaled inside;
//! coefficients and covariances are of the columns as given. Groups (cores) may share an intercept and slopes, and
//! lie in outer groups (knappers) that share others. Not covered: several ridge penalties.
//!
//! Rows that are n states of one piece may count 1/n each ([`Shrunken::piece`]), so that each piece counts once:
//! every term of the equations of β and γ is then multiplied by that weight, and the covariances are by piece,
//! B (Σ u u') B G / (G − 1) with u the score of a piece and B the inverse of its expected information.
//!
//! | file | what |
//! |---|---|
//! | `mod.rs` | settings, tails, the fit and its result |
//! | `columns.rs` | standardised columns and the way back |
//! | `problem.rs` | what is given, and where an iteration stands |
//! | `shared.rs` | effects that groups share |
//! | `solve.rs` | the iteration |

mod columns;
mod problem;
mod shared;
mod solve;

pub use problem::SharedRows;

use super::Design;
#[cfg(test)]
use super::NewRow;
#[cfg(test)]
use super::new_row::new_row;
use super::new_row::{check_new, dot, quadratic};
use crate::error::{Error, Place, Result, at_least, check_size};
use columns::Standard;
use nalgebra::{Cholesky, DMatrix, DVector};
use problem::{Freedom, Problem, State, failed};
use solve::{Here, Way};
use std::collections::BTreeMap;
use std::f64::consts::PI;

/// Degrees of freedom tried where nothing else is asked for: from tails so heavy that the variance barely
/// exists to the normal. Common practice, no source.
pub const USUAL_GRID: [f64; 5] = [3.0, 4.0, 6.0, 10.0, f64::INFINITY];

/// Fewest degrees of freedom that are fitted: below 2 the errors have no variance. This crate's choice, no source.
const FEWEST_DF: f64 = 2.1;
/// Most combinations of degrees of freedom that are tried. Common practice, no source.
const MOST_COMBINATIONS: usize = 500;
/// Distance to the fixed point at which combinations are compared: their likelihoods are then right to about
/// its square. Common practice, no source.
const COMPARING: f64 = 1e-4;
/// Distance to the fixed point that is forgiven when rounding forbids coming nearer, as in the location-scale
/// fit.
const FORGIVEN: f64 = 1e-6;
/// Most steps for one combination of degrees of freedom, and by QR after those by Cholesky. Common practice, no source.
const MOST_STEPS: usize = 1000;
const LAST_STEPS: usize = 50;
/// The standard deviation of a penalised coefficient's prior, on standardised columns, as a multiple of the
/// standard deviation of the response: smallest and largest. Common practice, no source.
const PRIOR: (f64, f64) = (1e-4, 1e3);

/// Which rows have which tails: a class for every row, and for every class the degrees of freedom to try.
#[derive(Debug, Clone, PartialEq)]
pub struct Tails {
    /// Empty: every row is of class 0.
    of_row: Vec<usize>,
    grids: Vec<Vec<f64>>,
}

impl Tails {
    /// Normal errors for all rows.
    #[cfg(test)]
    pub fn normal() -> Tails {
        Tails { of_row: Vec::new(), grids: vec![vec![f64::INFINITY]] }
    }

    /// The same tails for all rows, chosen among these degrees of freedom.
    ///
    /// # Errors
    /// As [`Tails::by_class`].
    #[cfg(test)]
    pub fn same(grid: Vec<f64>) -> Result<Tails> {
        Tails { of_row: Vec::new(), grids: vec![grid] }.checked()
    }

    /// Tails by class: the class of every row, and the degrees of freedom to try for each class.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for degrees of freedom below 2.1 (infinity is the normal); [`Error::Invalid`] for a
    /// row of a class without a grid, an empty grid, or more than 500 combinations.
    pub fn by_class(of_row: Vec<usize>, grids: Vec<Vec<f64>>) -> Result<Tails> {
        Tails { of_row, grids }.checked()
    }

    fn checked(self) -> Result<Tails> {
        if self.grids.iter().any(Vec::is_empty) || self.grids.is_empty() {
            return Err(Error::invalid("degrees of freedom", "at least one value to try for every class"));
        }
        if let Some(bad) = self.grids.iter().flatten().find(|d| !(**d >= FEWEST_DF)) {
            return Err(Error::out_of_range(
                Place::column("degrees of freedom"),
                *bad,
                format!("{FEWEST_DF} or more, infinity for the normal"),
            ));
        }
        let combinations = self.grids.iter().try_fold(1usize, |n, g| n.checked_mul(g.len()));
        if combinations.is_none_or(|n| n > MOST_COMBINATIONS) {
            return Err(Error::invalid(
                "degrees of freedom",
                format!("at most {MOST_COMBINATIONS} combinations are tried; shorten the lists"),
            ));
        }
        if let Some(i) = self.of_row.iter().position(|c| *c >= self.grids.len()) {
            return Err(Error::invalid(
                "class of the tails",
                format!("row {} is of class {}, but there are {}", i + 1, self.of_row[i], self.grids.len()),
            ));
        }
        Ok(self)
    }

    fn class(&self, row: usize) -> usize {
        self.of_row.get(row).copied().unwrap_or(0)
    }

    /// The combinations of degrees of freedom, the last class fastest.
    fn combinations(&self) -> Vec<Vec<f64>> {
        let mut all = vec![Vec::new()];
        for grid in &self.grids {
            all = all
                .iter()
                .flat_map(|head: &Vec<f64>| {
                    grid.iter().map(move |d| head.iter().copied().chain([*d]).collect())
                })
                .collect();
        }
        all
    }
}

/// A fitter.
#[derive(Debug, Clone, PartialEq)]
pub struct Shrunken {
    /// The penalty on standardised columns, in inverse squared units of the response; chosen in the fit where none is held.
    pub lambda: Option<f64>,
    /// Distance to the fixed point taken as none, in standard errors and ln λ.
    pub tolerance: f64,
    /// Rows that are several states of the same pieces, by the number of the piece of each: every piece counts once,
    /// shared out over its states, and the covariances are those of so many pieces, whatever the correlation of the
    /// states of one is (Liang & Zeger 1986, Biometrika 73:13, from memory). It goes with no penalty, tails or
    /// shared effects.
    pub piece: Option<Vec<usize>>,
}

impl Default for Shrunken {
    fn default() -> Self {
        Shrunken { lambda: None, tolerance: 1e-8, piece: None }
    }
}

/// What is settled before the iteration: the problem and the ways back to the columns as given.
struct Ready {
    problem: Problem,
    location: Standard,
    scale: Standard,
    /// The piece of each row, and how many there are, where each counts once.
    pieces: Option<(Vec<usize>, usize)>,
}

impl Shrunken {
    /// Holds the penalty at this value instead of choosing it.
    #[cfg(test)]
    pub fn lambda(mut self, lambda: f64) -> Self {
        self.lambda = Some(lambda);
        self
    }

    /// Distance to the fixed point that counts as none.
    #[cfg(test)]
    pub fn tolerance(mut self, tolerance: f64) -> Self {
        self.tolerance = tolerance;
        self
    }

    /// Fits. `penalised` has one entry per location term. Free terms must be told apart by the rows; a penalised
    /// column that does not vary is answered by its prior (one unit of it counts as one standard deviation).
    ///
    /// # Errors
    /// [`Error::Shape`] when lengths differ; [`Error::OutOfRange`] at a response that is not finite or a setting
    /// outside its range; [`Error::TooFew`] without more rows than free location and scale terms;
    /// [`Error::RankDeficient`] naming a free location term or a scale term that the others determine;
    /// [`Error::Invalid`] when the location terms fit every row exactly; [`Error::NotConverged`] with the reason,
    /// when no combination of degrees of freedom can be fitted.
    #[cfg(test)]
    pub fn fit(
        &self,
        location: &Design,
        penalised: &[bool],
        scale: &Design,
        tails: &Tails,
        y: &[f64],
    ) -> Result<ShrunkenFit> {
        self.fit_shared(location, penalised, scale, tails, &[], y)
    }

    /// The same with effects that groups of rows share, the outer first; every group lies in one group of the effect
    /// before.
    ///
    /// # Errors
    /// As [`Shrunken::fit`]; also [`Error::TooFew`] for fewer than two groups and [`Error::Invalid`] for as many as
    /// rows; [`Error::NotConverged`] where slopes do not differ between groups.
    pub fn fit_shared(
        &self,
        location: &Design,
        penalised: &[bool],
        scale: &Design,
        tails: &Tails,
        shared: &[SharedRows],
        y: &[f64],
    ) -> Result<ShrunkenFit> {
        self.check(location, penalised, scale, tails, y)?;
        shared.iter().try_for_each(|s| s.check(y.len()))?;
        let mut ready = self.set_up(location, penalised, scale, y)?;
        ready.problem.shared = shared.to_vec();
        let (chosen, mut state) = self.choose(&ready.problem, tails)?;
        let free = freedom(&chosen, tails, &ready.problem);
        let here = self.finish(&ready.problem, &mut state, &free)?;
        package(&ready, (location, scale), chosen, &free, (&state, &here))
    }

    fn check(
        &self,
        location: &Design,
        penalised: &[bool],
        scale: &Design,
        tails: &Tails,
        y: &[f64],
    ) -> Result<()> {
        let n = y.len();
        for (what, found, expected) in [
            ("rows of the location terms", location.rows(), n),
            ("rows of the scale terms", scale.rows(), n),
            ("entries of penalised", penalised.len(), location.columns()),
            ("classes of the tails", if tails.of_row.is_empty() { n } else { tails.of_row.len() }, n),
        ] {
            check_size(what, found, expected)?;
        }
        for (what, found) in [("location terms", location.columns()), ("scale terms", scale.columns())] {
            at_least(what, found, 1)?;
        }
        if let Some(i) = y.iter().position(|v| !v.is_finite()) {
            let at = Place::cell(i as u64 + 1, "response");
            return Err(Error::out_of_range(at, y[i], "finite numbers"));
        }
        let free = penalised.iter().filter(|p| !**p).count();
        let needed = free + scale.columns() + 1;
        match &self.piece {
            None => at_least("rows", n, needed),
            Some(piece) => {
                check_size("numbers of pieces", piece.len(), n)?;
                at_least("pieces", renumber(piece).1.len(), needed)
            }
        }
    }

    fn set_up(&self, location: &Design, penalised: &[bool], scale: &Design, y: &[f64]) -> Result<Ready> {
        let (x, location) = Standard::new(location, penalised)?;
        let (z, scale) = Standard::new(scale, &vec![false; scale.columns()])?;
        let mean = y.iter().sum::<f64>() / y.len() as f64;
        let size = y.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / y.len() as f64;
        if !(size > 0.0 && size.is_finite()) {
            return Err(Error::invalid(
                "response",
                "the numbers are all the same, or too large or small to be fitted",
            ));
        }
        let lambda_range = match self.lambda {
            Some(lambda) => (lambda, lambda),
            None => (1.0 / (size * PRIOR.1.powi(2)), 1.0 / (size * PRIOR.0.powi(2))),
        };
        let pieces = self.piece.as_deref().map(renumber);
        let problem = Problem {
            w: match &pieces {
                Some((of, states)) => of.iter().map(|p| 1.0 / states[*p] as f64).collect(),
                None => vec![1.0; y.len()],
            },
            x,
            z,
            y: y.to_vec().into(),
            penalised: penalised.to_vec(),
            lambda_range,
            ln_size: 0.5 * size.ln(),
            shared: Vec::new(),
        };
        let pieces = pieces.map(|(of, states)| (of, states.len()));
        Ok(Ready { problem, location, scale, pieces })
    }

    /// The combination of degrees of freedom with the largest marginal likelihood, and where it is reached.
    fn choose(&self, problem: &Problem, tails: &Tails) -> Result<(Vec<f64>, State)> {
        let mut start = problem.start()?;
        let mut combinations = tails.combinations();
        if combinations.len() == 1 {
            return Ok((combinations.swap_remove(0), start));
        }
        let mut best: Option<(f64, Vec<f64>, State)> = None;
        let mut last_error = failed("no combination of degrees of freedom has a likelihood");
        for nu in combinations {
            let free = freedom(&nu, tails, problem);
            let mut state = start.clone();
            let near = COMPARING.max(self.tolerance);
            let found = problem.look(&state, &free, Way::Cholesky);
            let found =
                found.and_then(|h| problem.walk(&mut state, h, &free, Way::Cholesky, near, MOST_STEPS));
            let value = found.and_then(|here| {
                let gamma = problem.gamma_covariance(&here, &free)?;
                Ok(likelihoods(problem, &state, &here, &free, &gamma).2)
            });
            match value {
                Ok(value) if value.is_finite() => {
                    // the next combination starts from the neighbour's answer
                    start = state.clone();
                    if best.as_ref().is_none_or(|b| value > b.0) {
                        best = Some((value, nu, state));
                    }
                }
                Ok(_) => {}
                Err(e) => last_error = e,
            }
        }
        best.map(|(_, nu, state)| (nu, state)).ok_or(last_error)
    }

    /// Walks to the fixed point and solves once more by QR; then judges the distance from it, whatever the iteration
    /// thought of it.
    fn finish(&self, problem: &Problem, state: &mut State, free: &Freedom) -> Result<Here> {
        let here = problem.look(state, free, Way::Cholesky)?;
        problem.walk(state, here, free, Way::Cholesky, self.tolerance, MOST_STEPS)?;
        let here = problem.look(state, free, Way::Qr)?;
        let here = problem.polish(state, here, free)?;
        let here = problem.walk(state, here, free, Way::Qr, self.tolerance, LAST_STEPS)?;
        let distance = here.distance.largest();
        if distance > self.tolerance.max(FORGIVEN) {
            return Err(failed(&format!(
                "still {distance:.1e} standard errors from the fixed point; allow more steps, or use fewer scale \
                 terms"
            )));
        }
        Ok(here)
    }
}

fn package(
    ready: &Ready,
    (location, scale): (&Design, &Design),
    nu: Vec<f64>,
    free: &Freedom,
    (state, here): (&State, &Here),
) -> Result<ShrunkenFit> {
    let problem = &ready.problem;
    let (p, q) = (problem.x.ncols(), problem.z.ncols());
    let inverse = &here.factor.inverse;
    let lost = || failed("the scale terms have lost rank");
    let (root, gamma_root, variances) = match &ready.pieces {
        None => {
            let variances = problem.variances(here, free)?;
            let gamma = Cholesky::new(variances.view((0, 0), (q, q)).into_owned()).ok_or_else(lost)?.l();
            (inverse.rows(0, p).into_owned(), gamma, variances)
        }
        Some(pieces) => {
            let pull = problem.pull(free, &here.sigma, &here.residual);
            let excess = problem.excess(free, (&here.sigma, &here.factor.h), &here.residual);
            // the expected information of the spread, 2 sum w z z'
            let mut rows = problem.z.clone();
            rows.row_iter_mut().zip(&problem.w).for_each(|(mut r, w)| r.scale_mut((2.0 * w).sqrt()));
            let mut of_gamma = DMatrix::identity(q, q);
            if !rows.qr().r().solve_upper_triangular_mut(&mut of_gamma) {
                return Err(lost());
            }
            let gamma = root_by_piece(&problem.z, &excess, &of_gamma, pieces);
            (root_by_piece(&problem.x, &pull, inverse, pieces), gamma.clone(), &gamma * gamma.transpose())
        }
    };
    let standard_gamma = variances.view((0, 0), (q, q)).into_owned();
    let (ll, restricted, marginal) = likelihoods(problem, state, here, free, &standard_gamma);
    let ln_volume = ready.location.ln_scale(|j| !problem.penalised[j]);
    let ln_both = ln_volume + ready.scale.ln_scale(|_| true);
    let root = ready.location.back_rows(&root);
    let gamma_root = ready.scale.back_rows(&gamma_root);
    let shrunk: f64 = (0..problem.penalised.len())
        .filter(|j| problem.penalised[*j])
        .map(|j| state.lambda * inverse.row(j).norm_squared())
        .sum();
    // the columns of a shared effect count for what their penalty leaves of them
    let more: f64 = (p..inverse.nrows()).map(|j| 1.0 - inverse.row(j).norm_squared()).sum();
    let shared = package_shared(ready, state, here, &root, &variances);
    let fit = ShrunkenFit {
        names: location.names().to_vec(),
        scale_names: scale.names().to_vec(),
        coefficients: ready.location.back(&state.beta.rows(0, p).into_owned()),
        shared,
        covariance: &root * root.transpose(),
        gamma: ready.scale.back(&state.gamma),
        gamma_covariance: &gamma_root * gamma_root.transpose(),
        degrees_of_freedom: nu,
        lambda: (problem.penalties() > 0).then_some(state.lambda),
        effective_parameters: p as f64 - shrunk + more,
        rows: ready.pieces.as_ref().map_or(problem.y.len(), |(_, n)| *n),
        ln_likelihood: ll,
        ln_restricted_likelihood: restricted - ln_volume,
        ln_marginal_likelihood: marginal - ln_both,
    };
    let numbers = fit.coefficients.iter().chain(&fit.covariance).chain(&fit.gamma);
    if numbers.chain(&fit.gamma_covariance).all(|v| v.is_finite()) && marginal.is_finite() {
        Ok(fit)
    } else {
        Err(failed("the numbers are too large or too small to be fitted"))
    }
}

fn freedom(nu: &[f64], tails: &Tails, problem: &Problem) -> Freedom {
    Freedom::new((0..problem.y.len()).map(|i| nu[tails.class(i)]).collect(), problem.w.clone())
}

/// The number of each piece among those there are, in the order in which they appear, and the states of each.
fn renumber(piece: &[usize]) -> (Vec<usize>, Vec<usize>) {
    let mut known = BTreeMap::new();
    let mut states = Vec::new();
    let of = piece.iter().map(|p| {
        let at = *known.entry(*p).or_insert(states.len());
        states.resize(states.len().max(at + 1), 0);
        states[at] += 1;
        at
    });
    (of.collect(), states)
}

/// A root of the covariance of coefficients whose scores are `pull` times the rows of a design, summed by piece:
/// B (sum u u') B G / (G - 1) with B = R R'. The scores go through R first: their squares never stand alone.
fn root_by_piece(
    design: &DMatrix<f64>,
    pull: &DVector<f64>,
    inverse: &DMatrix<f64>,
    (of, pieces): &(Vec<usize>, usize),
) -> DMatrix<f64> {
    let mut sums = DMatrix::zeros(*pieces, design.ncols());
    for (i, piece) in of.iter().enumerate() {
        let mut row = sums.row_mut(*piece);
        row += design.row(i) * pull[i];
    }
    let g = *pieces as f64;
    inverse * (sums * inverse).transpose() * (g / (g - 1.0)).sqrt()
}

/// Log-likelihood, the same without β, and without β and γ; standardised columns.
fn likelihoods(
    problem: &Problem,
    state: &State,
    here: &Here,
    free: &Freedom,
    gamma: &DMatrix<f64>,
) -> (f64, f64, f64) {
    let ll = problem.ln_likelihood(here, free);
    let restricted = problem.ln_restricted(state, here, ll);
    let q = gamma.nrows() as f64;
    let ln_det = Cholesky::new(gamma.clone())
        .map_or(f64::NEG_INFINITY, |c| 2.0 * c.l().diagonal().iter().map(|d| d.ln()).sum::<f64>());
    (ll, restricted, restricted + 0.5 * q * (2.0 * PI).ln() + 0.5 * ln_det)
}

/// The shared effects on the terms as given.
fn package_shared(
    ready: &Ready,
    state: &State,
    here: &Here,
    root: &DMatrix<f64>,
    variances: &DMatrix<f64>,
) -> Vec<SharedFit> {
    let problem = &ready.problem;
    let (mut from, mut at) = (problem.x.ncols(), problem.z.ncols());
    // errors of all effects, as rows of a root of their covariance; places of the intercepts' variances
    let mut outer: Option<(DMatrix<f64>, &SharedRows)> = None;
    let mut found: Vec<SharedFit> = Vec::new();
    let mut places = Vec::new();
    for (s, sigma) in problem.shared.iter().zip(&state.between) {
        let (r, l) = (s.order(), shared::root(sigma));
        let errors = here.factor.inverse.rows(from, s.groups * r);
        let mut own = DMatrix::zeros(s.groups * r, errors.ncols());
        let of_outer = |g: usize| s.of.iter().position(|of| *of == g);
        let mut groups = Vec::with_capacity(s.groups);
        for g in 0..s.groups {
            let mine = &l * errors.rows(g * r, r);
            let with_outer = outer.as_ref().zip(of_outer(g)).map(|((outer, t), row)| {
                let (k, c) = (t.of[row], t.order());
                (k, &mine * outer.rows(k * c, c).transpose())
            });
            groups.push(GroupFit {
                effect: (&l * state.beta.rows(from + g * r, r)).as_slice().to_vec(),
                covariance: &mine * mine.transpose(),
                with_coefficients: &mine * root.transpose(),
                with_outer,
            });
            own.rows_mut(g * r, r).copy_from(&mine);
        }
        let with_first_scale = variances[(0, at)];
        found.push(SharedFit { covariance: sigma.clone(), groups, with_first_scale, variances: Vec::new() });
        places.push(at);
        from += s.groups * r;
        at += r * (r + 1) / 2;
        outer = Some((own, s));
    }
    for k in 0..found.len() {
        found[k].variances = places.iter().map(|b| variances[(places[k], *b)]).collect();
    }
    found
}

/// Shared effects that were fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct SharedFit {
    /// Covariance of the effects between groups: of the intercept, then of each slope.
    pub covariance: DMatrix<f64>,
    /// Covariance of the estimate of the intercept's variance with that of the first scale coefficient, where the
    /// spread is constant.
    pub with_first_scale: f64,
    /// Covariance of the estimate of the intercept's variance with those of all effects, in their order.
    pub variances: Vec<f64>,
    /// The groups.
    pub groups: Vec<GroupFit>,
}

/// One group of a shared effect.
#[derive(Debug, Clone, PartialEq)]
pub struct GroupFit {
    /// Its expected effect: of the intercept, then of each slope.
    pub effect: Vec<f64>,
    /// Covariance of the error of that.
    pub covariance: DMatrix<f64>,
    /// Covariance with the error of the coefficients.
    pub with_coefficients: DMatrix<f64>,
    /// Its outer group, and the covariance with the error of that one's effect.
    pub with_outer: Option<(usize, DMatrix<f64>)>,
}

/// A fitted model, with what prediction needs; everything on the columns as given.
#[derive(Debug, Clone, PartialEq)]
pub struct ShrunkenFit {
    names: Vec<String>,
    scale_names: Vec<String>,
    /// Location coefficients, in units of the response per unit of the term.
    pub coefficients: Vec<f64>,
    /// The shared effects, the outer first.
    pub shared: Vec<SharedFit>,
    /// Covariance of the location coefficients given spreads and penalty: V = (X'DX + Λ)⁻¹, the posterior one
    /// where there is a penalty.
    pub covariance: DMatrix<f64>,
    /// Coefficients of ln σ.
    pub gamma: Vec<f64>,
    /// Covariance of the coefficients of ln σ: inverse of 2 Z'K^½(M∘M)K^½Z with M = I − H and
    /// K = diag(ν/(ν+3)); for normal errors the expected information of restricted maximum likelihood.
    pub gamma_covariance: DMatrix<f64>,
    /// Degrees of freedom chosen, one entry a class; infinite for normal errors.
    pub degrees_of_freedom: Vec<f64>,
    /// The penalty on standardised columns: a penalised coefficient, times the standard deviation of its column,
    /// has prior variance 1/λ. None without penalised terms.
    pub lambda: Option<f64>,
    /// Effective number of location parameters: the trace of H, from the count of free terms to that of all.
    pub effective_parameters: f64,
    /// Rows fitted; pieces, where rows are states of them and each piece counts once.
    pub rows: usize,
    /// Log-likelihood of the rows at the estimates, without the penalty.
    pub ln_likelihood: f64,
    /// The likelihood with the location coefficients integrated out (flat prior on the free ones, Laplace on
    /// the expected information); for normal errors without a penalty exactly the restricted likelihood.
    pub ln_restricted_likelihood: f64,
    /// The same with the scale coefficients integrated out too (flat prior, Laplace): what chooses the degrees
    /// of freedom. Comparable between fits with the same free location and scale terms.
    pub ln_marginal_likelihood: f64,
}

impl ShrunkenFit {
    /// The expected response of a row with location terms `x`.
    ///
    /// # Errors
    /// [`Error::Shape`] for another number of terms, [`Error::OutOfRange`] for one that is not finite.
    pub fn expected(&self, x: &[f64]) -> Result<f64> {
        check_new(x, &self.names)?;
        Ok(dot(x, &self.coefficients))
    }

    /// Variance of the expected response, x'Vx.
    ///
    /// # Errors
    /// As [`ShrunkenFit::expected`].
    pub fn variance_of_expected(&self, x: &[f64]) -> Result<f64> {
        check_new(x, &self.names)?;
        Ok(quadratic(&self.covariance, x).max(0.0))
    }

    /// Spread σ of a row with scale terms `z`: the scale of the t, not its standard deviation.
    ///
    /// # Errors
    /// As [`ShrunkenFit::expected`], of the scale terms.
    pub fn spread(&self, z: &[f64]) -> Result<f64> {
        check_new(z, &self.scale_names)?;
        Ok(dot(z, &self.gamma).exp())
    }

    /// Predictive distribution of one new row of tail class `class`: location x'β, scale √(σ² + x'Vx), degrees
    /// of freedom 1/(1/ν + 2 z'V_γ z) (a log spread known with variance v stands for 1/(2v) degrees of freedom;
    /// the two kinds of heavy tails add as 1/ν does to the excess kurtosis, to first order).
    ///
    /// # Errors
    /// As [`ShrunkenFit::expected`]; [`Error::Invalid`] for a class that was not fitted, or a row so far out
    /// that the spread is no number.
    #[cfg(test)]
    pub fn predict_row(&self, x: &[f64], z: &[f64], class: usize) -> Result<NewRow> {
        let Some(nu) = self.degrees_of_freedom.get(class) else {
            return Err(Error::invalid("class of the tails", format!("no class {class} was fitted")));
        };
        let variance = self.spread(z)?.powi(2) + self.variance_of_expected(x)?;
        let df = 1.0 / (1.0 / nu + 2.0 * quadratic(&self.gamma_covariance, z));
        new_row(self.expected(x)?, variance, df)
    }
}
