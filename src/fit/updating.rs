//! A published linear model updated with few flakes of one's own: conjugate, exact, in closed form.
//!
//! The model of the local rows is y = X b + e, e_i ~ N(0, s^2 / w_i), X of n rows and p terms. The earlier
//! experiment gave coefficients m with covariance s0^2 V, a spread s0 and d degrees of freedom. The prior is
//!
//! ```text
//! s^2      ~ scaled inverse chi-squared(d0, s0^2),    d0 = min(a d, most)
//! b | s^2  ~ N(m, s^2 V0),   V0 = V / a + t^2 e e' + k^2 d (V - v e e'),   e the intercept's unit vector
//! ```
//!
//! with a discount a (the power of the power prior of Ibrahim & Chen 2000, "Power prior distributions for
//! regression models", Statistical Science 15:46; from memory; its flat part is taken such that the degrees
//! of freedom scale by a too), and a [`Shift`] (t, k, most). v is the variance of the expected value at the
//! experiment's own centre, the conditional variance of the intercept given the slopes, so that
//! V = L diag(..) L' with the intercept last gives V0 = L D^2 L' by scaling the columns of L: nothing is
//! inverted. With b = m + L D u and A = W^(1/2) X L D the posterior is one QR of the stacked rows [A; I],
//!
//! ```text
//! R'R = I + A'A,  u = R^-1 Q'[W^(1/2)(y - X m); 0],  dn = d0 + n,  dn sn^2 = d0 s0^2 + |r - A u|^2 + |u|^2
//! ```
//!
//! the predictive of a row x of weight w a Student t with dn degrees of freedom about x'(m + L D u), scale
//! sn (1 / w + |R^-T D L' x|^2)^(1/2). Leaving out row i is a rank-one downdate: with leverage h and residual
//! r_i, error r_i / (1 - h), scale s_-i (1 - h)^(-1/2), (dn - 1) s_-i^2 = dn sn^2 - r_i^2 / (1 - h). Not
//! covered: correlated local rows, spreads with terms of their own (pass weights).

use crate::error::{Bounds, Error, Place, Result, check_size, finite, positive};
use crate::fit::Design;
#[cfg(test)]
use crate::fit::NewRow;
use crate::fit::linear;
use crate::special::student_ln_pdf;
use nalgebra::{DMatrix, DVector};
use statrs::function::gamma::ln_gamma;
use std::f64::consts::PI;

/// The accepted discounts: 0 forgets the earlier experiment, 1 counts each of its flakes as a local one.
pub const DISCOUNT: Bounds = Bounds::closed("discount", 0.0, 1.0, "");

/// The discounts among which [`choose_discount`] looks. Common practice, no source: dense near 0, where a
/// large experiment still outweighs a few flakes.
pub const DISCOUNT_GRID: [f64; 11] = [0.0, 0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9, 1.0];

/// The discount where there are too few flakes to choose one. Common practice, no source: an experiment of
/// 400 flakes then speaks for 80.
pub const DEFAULT_DISCOUNT: f64 = 0.2;

/// Fewest local flakes from which a discount is chosen; below, the left-out scores are too few to tell one
/// discount from another. Common practice, no source; on the quartzite cores, ten flakes a core, choosing by
/// the rule of [`choose_discount`] lost 0.07 of the log score of a later flake against the default, and 4 % of
/// coverage.
pub const FEWEST_TO_CHOOSE: usize = 20;

/// Local flakes for each term from which forgetting the experiment (a discount of 0) is considered at all.
/// Common practice, no source; on the quartzite cores, ten flakes a core, choosing freely among all discounts
/// took 0 too often and lost 0.3 of the log score of a later flake.
pub const ALONE_FROM: usize = 10;

/// How much a site may differ from an experiment beyond what its covariance says.
///
/// Between assemblages the level of a size moves a lot (stone, percussor, knapper, what was kept), while how
/// it rises with the platform stays much the same. So the three parts move in different measure:
///
/// | part | default | meaning |
/// |---|---|---|
/// | `offset` | 1 | standard deviation of the shift of the level, in spreads of the experiment |
/// | `slopes` | 0.1 | standard deviation, in spreads, by which a platform one standard deviation from the experiment's mean may move for a change of slopes |
/// | `most_df` | 10 | most degrees of freedom that the experiment's spread may count for, so that the local spread soon takes over |
///
/// The level is the expected value at the centre of the experiment, not at a depth of one millimetre and an
/// angle of nought, where an intercept is defined: a change of slopes turns the line about that centre and
/// leaves the level alone. The slack of the slopes follows the shape of their covariance, so that it does not
/// depend on the units of the measurements. The defaults are judged, not estimated: common practice, no
/// source. Started from the flint experiment, the first flakes of each of 20 quartzite cores stood for a table
/// of one's own and predicted the later ones (`src/calibration/tests/real_data.rs`): without a shift the log score of
/// a later flake was 0.2 to 0.4 worse, while doubling the offset, trebling or dropping the slack, or a cap of
/// 6 to 30, moved it by some 0.03.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shift {
    /// Standard deviation of the shift of the level, in spreads.
    pub offset: f64,
    /// Slack of the slopes, in spreads.
    pub slopes: f64,
    /// Most degrees of freedom that the earlier spread counts for.
    pub most_df: f64,
}

impl Default for Shift {
    fn default() -> Self {
        Shift { offset: 1.0, slopes: 0.1, most_df: 10.0 }
    }
}

impl Shift {
    /// The same shift where rows have weights: the offset counts in the typical spread of the rows, the
    /// geometric mean of 1 / sqrt(weight), and no longer in that of a row of weight 1.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for a weight that is not positive.
    pub fn stretched(self, weights: Option<&[f64]>) -> Result<Shift> {
        let Some(weights) = weights.filter(|w| !w.is_empty()) else { return Ok(self) };
        let ln: f64 = weights.iter().map(|w| positive("weight", *w).map(f64::ln)).sum::<Result<f64>>()?;
        let typical = (-0.5 * ln / weights.len() as f64).exp();
        Ok(Shift { offset: self.offset * typical, ..self })
    }
}

/// What an earlier experiment says of the coefficients and the spread at a new place.
#[derive(Debug, Clone, PartialEq)]
pub struct Prior {
    mean: DVector<f64>,
    /// Covariance of the coefficients over the squared spread.
    unit: DMatrix<f64>,
    spread: f64,
    df: f64,
    discount: f64,
    shift: Option<(Shift, Option<usize>)>,
}

impl Prior {
    /// From a fit: p coefficients, their covariance (row by row, the squared spread included), the spread of
    /// one observation of weight 1 and its degrees of freedom. Undiscounted, without a shift: updating with
    /// it is refitting on both tables stacked.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] at a spread or degrees of freedom that are not positive, [`Error::Invalid`] when the
    /// covariance is not positive definite.
    pub fn from_fit(
        coefficients: &[f64],
        covariance: &[Vec<f64>],
        spread: f64,
        degrees_of_freedom: f64,
    ) -> Result<Prior> {
        let p = coefficients.len();
        let spread = positive("spread", spread)?;
        let df = positive("degrees of freedom", degrees_of_freedom)?;
        let unit = DMatrix::from_fn(p, p, |i, j| covariance[i.max(j)][i.min(j)] / (spread * spread));
        let prior = Prior {
            mean: DVector::from_column_slice(coefficients),
            unit,
            spread,
            df,
            discount: 1.0,
            shift: None,
        };
        prior.factor()?;
        Ok(prior)
    }

    /// The same experiment taken at a power between 0 and 1: its flakes count for this share of a local one.
    /// At 0 nothing is left of it and the local flakes stand alone.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] outside 0 to 1.
    pub fn discounted(mut self, discount: f64) -> Result<Prior> {
        self.discount = DISCOUNT.check(discount)?;
        Ok(self)
    }

    /// The same experiment, from which the new place is expected to be shifted. `intercept` is the place of
    /// the intercept among the coefficients; without one only slopes and spread have slack.
    ///
    /// # Errors
    /// [`Error::Invalid`] when the covariance is then not positive definite.
    pub fn with_shift(mut self, shift: Shift, intercept: Option<usize>) -> Result<Prior> {
        self.shift = Some((shift, intercept));
        self.factor()?;
        Ok(self)
    }

    /// The expected coefficients.
    #[cfg(test)]
    pub fn coefficients(&self) -> &[f64] {
        self.mean.as_slice()
    }

    /// The expected spread.
    #[cfg(test)]
    pub fn spread(&self) -> f64 {
        self.spread
    }

    /// Degrees of freedom of the spread, after discount and shift; 0 where nothing is left of the experiment.
    pub fn degrees_of_freedom(&self) -> f64 {
        let discounted = self.discount * self.df;
        self.shift.map_or(discounted, |(s, _)| discounted.min(s.most_df))
    }

    /// A factor F of V0 = F F', after discount and shift. The discount must be above 0.
    fn factor(&self) -> Result<DMatrix<f64>> {
        let p = self.mean.len();
        let last = self.shift.and_then(|(_, at)| at);
        // the intercept last, so that its column of the factor is the level at the experiment's centre
        let mut order: Vec<usize> = (0..p).filter(|j| Some(*j) != last).collect();
        order.extend(last);
        let scale: Vec<f64> = (0..p).map(|j| self.unit[(j, j)].sqrt()).collect();
        let refused = || Error::invalid("covariance", "a covariance must be positive definite");
        if scale.iter().any(|s| !(s.is_finite() && *s > 0.0)) {
            return Err(refused());
        }
        // scaled to a unit diagonal, so that definiteness is judged apart from the units
        let correlation = DMatrix::from_fn(p, p, |i, j| {
            self.unit[(order[i], order[j])] / (scale[order[i]] * scale[order[j]])
        });
        let l = correlation.cholesky().ok_or_else(refused)?.l();
        let base = 1.0 / self.discount;
        let mut factor = DMatrix::zeros(p, p);
        for c in 0..p {
            let is_level = last.is_some() && c == p - 1;
            let stretch = match self.shift {
                None => base.sqrt(),
                Some((s, _)) if is_level => {
                    let level = l[(c, c)] * scale[order[c]];
                    base.sqrt().hypot(s.offset / level)
                }
                Some((s, _)) => (base + s.slopes * s.slopes * self.df).sqrt(),
            };
            for r in c..p {
                factor[(order[r], c)] = l[(r, c)] * scale[order[r]] * stretch;
            }
        }
        Ok(factor)
    }

    /// Covariance of the coefficients after discount and shift, given that the spread is as expected; row by
    /// row. None at discount 0, where it is infinite.
    #[cfg(test)]
    pub fn covariance(&self) -> Option<Vec<Vec<f64>>> {
        if self.discount == 0.0 {
            return None;
        }
        self.factor().ok().map(|f| gram(&f, self.spread * self.spread))
    }
}

/// scale * F F', row by row.
fn gram(f: &DMatrix<f64>, scale: f64) -> Vec<Vec<f64>> {
    let p = f.nrows();
    (0..p)
        .map(|a| (0..p).map(|b| scale * (0..f.ncols()).map(|c| f[(a, c)] * f[(b, c)]).sum::<f64>()).collect())
        .collect()
}

/// What the other local rows and the experiment say of one local row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeftOut {
    /// Centre of its predictive.
    pub location: f64,
    /// Scale of its predictive.
    pub scale: f64,
    /// Degrees of freedom of its predictive.
    pub degrees_of_freedom: f64,
    /// Log density of what was observed, per unit of the response. Minus infinity where the others leave no
    /// degree of freedom.
    pub score: f64,
}

/// The experiment and the local rows together.
#[derive(Debug, Clone, PartialEq)]
pub struct Posterior {
    coefficients: DVector<f64>,
    /// F with covariance spread^2 F F'.
    factor: DMatrix<f64>,
    spread: f64,
    df: f64,
    rows: usize,
    ln_marginal_likelihood: Option<f64>,
    left_out: Vec<LeftOut>,
}

/// Updates a prior with local rows; without rows the answer is the prior itself.
///
/// `weights` are those of the rows (a variance of s^2 / weight); 1 where not given.
///
/// # Errors
/// [`Error::Shape`] when lengths differ, [`Error::OutOfRange`] at a response that is not finite or a weight
/// that is not positive. At discount 0 also those of [`linear::fit`]: the local rows must do alone.
pub fn update(prior: &Prior, design: &Design, y: &[f64], weights: Option<&[f64]>) -> Result<Posterior> {
    check(prior, design, y, weights)?;
    if prior.discount == 0.0 { alone(design, y, weights) } else { together(prior, design, y, weights) }
}

fn check(prior: &Prior, design: &Design, y: &[f64], weights: Option<&[f64]>) -> Result<()> {
    let (n, p) = (design.rows(), prior.mean.len());
    for (what, found, expected) in [
        ("terms of the design", design.columns(), p),
        ("responses", y.len(), n),
        ("weights", weights.map_or(n, <[f64]>::len), n),
    ] {
        check_size(what, found, expected)?;
    }
    for (i, v) in y.iter().enumerate() {
        finite(|| Place::cell(i as u64 + 1, "response"), *v)?;
    }
    for (i, w) in weights.unwrap_or(&[]).iter().enumerate() {
        positive("weight", *w).map_err(|e| e.in_row(i as u64 + 1))?;
    }
    Ok(())
}

/// The local rows without the experiment.
fn alone(design: &Design, y: &[f64], weights: Option<&[f64]>) -> Result<Posterior> {
    let fit = linear::fit(design, y, weights)?;
    let (p, s2) = (design.columns(), fit.residual_sum_of_squares() / fit.degrees_of_freedom());
    let spread = positive("spread of the local rows", s2.sqrt())?;
    let covariance = fit.covariance();
    let unit = DMatrix::from_fn(p, p, |i, j| covariance[i][j] / s2);
    let factor =
        unit.cholesky().ok_or_else(|| Error::RankDeficient { term: design.names()[p - 1].clone() })?.l();
    let coefficients = DVector::from_column_slice(fit.coefficients());
    let df = fit.degrees_of_freedom();
    let left_out = (0..y.len())
        .map(|i| {
            let x: Vec<f64> = design.matrix().row(i).iter().copied().collect();
            let w = weights.map_or(1.0, |w| w[i]);
            let h = w * fit.leverage(&x)?;
            Ok(leave_out(fit.expected(&x)?, y[i], w, h, df, df * s2))
        })
        .collect::<Result<Vec<_>>>()?;
    Ok(Posterior { coefficients, factor, spread, df, rows: y.len(), ln_marginal_likelihood: None, left_out })
}

/// One row left out, by a rank-one downdate.
fn leave_out(expected: f64, y: f64, weight: f64, leverage: f64, df: f64, squares: f64) -> LeftOut {
    let room = 1.0 - leverage;
    let residual = (y - expected) * weight.sqrt();
    let own_df = df - 1.0;
    let own = (squares - residual * residual / room) / own_df;
    let scale = (own / (weight * room)).sqrt();
    let location = y - (y - expected) / room;
    let fine = own_df > 0.0 && room > 0.0 && scale > 0.0 && scale.is_finite();
    let score =
        if fine { student_ln_pdf((y - location) / scale, own_df) - scale.ln() } else { f64::NEG_INFINITY };
    LeftOut { location, scale, degrees_of_freedom: own_df, score }
}

fn together(prior: &Prior, design: &Design, y: &[f64], weights: Option<&[f64]>) -> Result<Posterior> {
    let (n, p) = (design.rows(), design.columns());
    let prior_factor = prior.factor()?;
    let x = design.matrix();
    let w = |i: usize| weights.map_or(1.0, |w| w[i]);
    let expected = x * &prior.mean;
    let mut a = x * &prior_factor;
    let mut stacked = DMatrix::zeros(n + p, p);
    let mut r = DVector::zeros(n + p);
    for i in 0..n {
        let root = w(i).sqrt();
        a.row_mut(i).scale_mut(root);
        r[i] = (y[i] - expected[i]) * root;
    }
    stacked.view_mut((0, 0), (n, p)).copy_from(&a);
    stacked.view_mut((n, 0), (p, p)).fill_with_identity();
    let qr = stacked.qr();
    let triangle = qr.r();
    let mut turned = r.clone();
    qr.q_tr_mul(&mut turned);
    let singular = || Error::invalid("design", "numbers too large to be told apart from the experiment's");
    let u = triangle.solve_upper_triangular(&turned.rows(0, p).into_owned()).ok_or_else(singular)?;
    let residual = r.rows(0, n) - &a * &u;
    let (d0, df) = (prior.degrees_of_freedom(), prior.degrees_of_freedom() + n as f64);
    let before = d0 * prior.spread * prior.spread;
    let squares = before + residual.norm_squared() + u.norm_squared();
    // F' solves R' F' = (prior factor)'
    let turned_factor = triangle.tr_solve_upper_triangular(&prior_factor.transpose()).ok_or_else(singular)?;
    let ln_det: f64 = (0..p).map(|j| triangle[(j, j)].abs().ln()).sum();
    let ln_weights: f64 = (0..n).map(|i| 0.5 * w(i).ln()).sum();
    let ln_marginal = ln_weights - 0.5 * n as f64 * PI.ln() - ln_det + ln_gamma(0.5 * df)
        - ln_gamma(0.5 * d0)
        + 0.5 * d0 * before.ln()
        - 0.5 * df * squares.ln();
    let leverages = triangle.tr_solve_upper_triangular(&a.transpose()).ok_or_else(singular)?;
    let left_out = (0..n)
        .map(|i| {
            let fitted = y[i] - residual[i] / w(i).sqrt();
            leave_out(fitted, y[i], w(i), leverages.column(i).norm_squared(), df, squares)
        })
        .collect();
    let spread = (squares / df).sqrt();
    let coefficients = &prior.mean + &prior_factor * u;
    if !(spread.is_finite() && coefficients.iter().all(|b| b.is_finite())) {
        return Err(singular());
    }
    Ok(Posterior {
        coefficients,
        factor: turned_factor.transpose(),
        spread,
        df,
        rows: n,
        ln_marginal_likelihood: Some(ln_marginal),
        left_out,
    })
}

impl Posterior {
    /// The coefficients.
    pub fn coefficients(&self) -> &[f64] {
        self.coefficients.as_slice()
    }

    /// Covariance of the coefficients in the sense of a fit (squared spread included), row by row.
    pub fn covariance(&self) -> Vec<Vec<f64>> {
        gram(&self.factor, self.spread * self.spread)
    }

    /// The spread of one observation of weight 1.
    pub fn spread(&self) -> f64 {
        self.spread
    }

    /// Its degrees of freedom: those of the prior and one for each local row.
    pub fn degrees_of_freedom(&self) -> f64 {
        self.df
    }

    /// Log density of all local rows under the prior: the predictive score of the experiment for the site.
    /// None at discount 0, where there is no prior to speak of.
    #[cfg(test)]
    pub fn ln_marginal_likelihood(&self) -> Option<f64> {
        self.ln_marginal_likelihood
    }

    /// Each local row as the experiment and the other local rows expect it, in the order of the rows.
    pub fn left_out(&self) -> &[LeftOut] {
        &self.left_out
    }

    /// x'Vx over the squared spread at a row of terms.
    ///
    /// # Errors
    /// [`Error::Shape`] for a row of another length.
    pub fn leverage(&self, row: &[f64]) -> Result<f64> {
        let p = self.coefficients.len();
        check_size("terms in a row", row.len(), p)?;
        Ok(self.factor.tr_mul(&DVector::from_column_slice(row)).norm_squared())
    }

    /// The exact predictive of one new row of terms with this weight: a Student t.
    ///
    /// # Errors
    /// [`Error::Shape`] for a row of another length, [`Error::OutOfRange`] for a weight that is not positive.
    #[cfg(test)]
    pub fn predict(&self, row: &[f64], weight: f64) -> Result<NewRow> {
        let own = 1.0 / positive("weight", weight)?;
        let scale = self.spread * (own + self.leverage(row)?).sqrt();
        let location = row.iter().zip(&self.coefficients).map(|(x, b)| x * b).sum();
        Ok(NewRow { location, scale, df: self.df })
    }
}

/// A discount and how it came about.
#[derive(Debug, Clone, PartialEq)]
pub struct ChosenDiscount {
    /// The discount.
    pub discount: f64,
    /// The discounts tried with the sum of their left-out scores; empty where there were too few rows.
    pub tried: Vec<(f64, f64)>,
}

/// Chooses the discount by the left-out scores of the local rows, over [`DISCOUNT_GRID`].
///
/// It stays at [`DEFAULT_DISCOUNT`] unless the best one beats it by more than one standard error of the paired
/// difference of the scores: few flakes say little of a discount, and least of all once a shift is allowed for.
/// With fewer than [`FEWEST_TO_CHOOSE`] rows it is not looked for at all, and the discount 0 is tried only from
/// [`ALONE_FROM`] rows a term. The shift of the prior is kept; its own discount is not looked at.
///
/// # Errors
/// As [`update`], those of discount 0 apart.
pub fn choose_discount(
    prior: &Prior,
    design: &Design,
    y: &[f64],
    weights: Option<&[f64]>,
) -> Result<ChosenDiscount> {
    check(prior, design, y, weights)?;
    let n = design.rows();
    if n < FEWEST_TO_CHOOSE {
        return Ok(ChosenDiscount { discount: DEFAULT_DISCOUNT, tried: Vec::new() });
    }
    let scores = |a: f64| -> Result<Vec<f64>> {
        let posterior = update(&prior.clone().discounted(a)?, design, y, weights)?;
        Ok(posterior.left_out().iter().map(|l| l.score).collect())
    };
    let usual = scores(DEFAULT_DISCOUNT)?;
    let mut tried = Vec::with_capacity(DISCOUNT_GRID.len());
    let mut best = (DEFAULT_DISCOUNT, usual.iter().sum::<f64>(), usual.clone());
    for a in DISCOUNT_GRID {
        if a == 0.0 && n < ALONE_FROM * design.columns() {
            continue;
        }
        let found = match scores(a) {
            Err(_) if a == 0.0 => continue,
            found => found?,
        };
        let total = found.iter().sum::<f64>();
        tried.push((a, total));
        if total > best.1 {
            best = (a, total, found);
        }
    }
    let gains: Vec<f64> = best.2.iter().zip(&usual).map(|(b, u)| b - u).collect();
    let mean = gains.iter().sum::<f64>() / n as f64;
    let variance = gains.iter().map(|g| (g - mean).powi(2)).sum::<f64>() / (n as f64 - 1.0);
    let beats = mean > (variance / n as f64).sqrt();
    Ok(ChosenDiscount { discount: if beats { best.0 } else { DEFAULT_DISCOUNT }, tried })
}
