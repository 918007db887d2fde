//! The choice of n settings by exchange, after V. V. Fedorov.
//!
//! From several random starts each chosen setting in turn is exchanged for the candidate that helps most,
//! until none helps; of more than a thousand flakes, as many of one candidate at once as helps most. In coordinates z in
//! which all candidates (and existing flakes) together are orthonormal, with V = M^-1, d_i = z_i'V z_i, d_ij = z_i'V z_j and, for the predictions, W the mean of z z' at the
//! platforms and f_ij = z_i'V W V z_j, the exchange of k flakes at i for k at j changes (with d, f times k; k = 1 here)
//!
//! ```text
//! det M   by the factor  D = (1 + d_j)(1 - d_i) + d_ij^2                            (Fedorov 1972)
//! tr(W V) by  - [(1 - d_i) f_jj + 2 d_ij f_ij - (1 + d_j) f_ii] / D                 (derived; tested)
//! ```
//!
//! M is summed afresh and factored by Cholesky after every exchange, so nothing drifts. Sources: V. V.
//! Fedorov 1972, Theory of Optimal Experiments (from memory); exchange point by point: R. D. Cook & C. J.
//! Nachtsheim 1980, Technometrics 22:315 (from memory).

use super::information::{
    Information, TIE, rows_at, stacked, take_direction_out, take_longest, take_out, undetermined,
};
use crate::error::{Error, Result, at_least};
use crate::fit::{Design, dot};
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use rand::{Rng, RngExt};

/// The least relative gain for which a setting is exchanged; below it is rounding. Common practice, no source.
const LEAST_GAIN: f64 = 1e-9;

/// Passes over all settings after which a start is given up as it stands. Usual numbers are 3 to 8.
/// This crate's choice, no source.
const MOST_PASSES: usize = 100;

/// Flakes beyond which those of one candidate are exchanged together, so that time does not grow with their square.
/// This crate's choice, no source.
const MANY: usize = 1000;

/// The most flakes of a plan, and the most candidates. This crate's choice, no source.
const MOST: usize = 100_000;

/// How to choose.
#[derive(Debug, Clone, PartialEq)]
pub struct Exchange {
    /// Flakes to be struck: 1 to 100,000; with the existing ones at least as many as terms.
    pub flakes: usize,
    /// Rows of terms at which predictions are made certain: the least average of x'M^-1 x (I-optimal). Without them the
    /// coefficients are, jointly: the largest determinant of M (D-optimal).
    pub at: Option<Vec<Vec<f64>>>,
    /// Rows of terms of flakes that one has already: the plan adds what they lack.
    pub existing: Option<Design>,
    /// Random starts, of which the best is kept: 1 to 10,000.
    pub starts: usize,
}

impl Exchange {
    /// So many flakes, for the coefficients, from ten starts.
    #[cfg(test)]
    pub fn new(flakes: usize) -> Exchange {
        Exchange { flakes, at: None, existing: None, starts: 10 }
    }
}

/// Which candidates are chosen, how often, and what they will know together with the existing flakes.
#[derive(Debug, Clone, PartialEq)]
pub struct Chosen {
    /// Places of the chosen candidates, rising; one that is to be struck several times stands several times.
    pub points: Vec<usize>,
    /// What the plan knows, existing flakes included.
    pub information: Information,
    /// The criterion reached: ln det M for the coefficients, the average of x'M^-1 x for the predictions.
    pub value: f64,
    /// How many of the starts ended at this value. Where it is one of many, more starts may find a better plan.
    pub starts_agreeing: usize,
}

/// Chooses settings from candidates. The same candidates, options and generator give the same plan.
///
/// # Errors
/// [`Error::TooFew`] without candidates, or with fewer flakes (existing ones included) than terms;
/// [`Error::RankDeficient`] naming a term that no choice from these candidates can estimate (a percussor of
/// which there is only one, a depth that does not vary); [`Error::Shape`] where
/// platforms have other terms; [`Error::Invalid`] for options out of range;
/// [`Error::OutOfRange`] for an entry beyond 1e100.
pub fn choose<R: Rng + ?Sized>(candidates: &Design, options: &Exchange, rng: &mut R) -> Result<Chosen> {
    let ground = Ground::new(candidates, options)?;
    // among plans equally good, the one with the most different settings: it shows more of the form's failings
    let mut best: Option<(f64, Vec<usize>, usize)> = None;
    let mut agreeing = 0;
    for _ in 0..options.starts {
        let mut points = ground.start(rng);
        let loss = ground.improve(&mut points)?;
        points.sort_unstable();
        let tolerance = 10.0 * LEAST_GAIN * loss.abs().max(1.0);
        let different = 1 + points.windows(2).filter(|w| w[0] != w[1]).count();
        match &best {
            Some((least, ..)) if loss > least + tolerance => {}
            Some((least, _, most)) if loss >= least - tolerance => {
                agreeing += 1;
                if different > *most {
                    best = Some((*least, points, different));
                }
            }
            _ => {
                best = Some((loss, points, different));
                agreeing = 1;
            }
        }
    }
    let Some((_, points, _)) = best else { return Err(Error::invalid("starts", "at least one start")) };
    let new = rows_at(candidates, &points)?;
    let information = Information::with_existing(&new, options.existing.as_ref())?;
    let value = match &options.at {
        None => information.ln_determinant(),
        Some(at) => {
            let variances = at.iter().map(|x| information.variance_at(x)).collect::<Result<Vec<f64>>>()?;
            variances.iter().sum::<f64>() / at.len() as f64
        }
    };
    Ok(Chosen { points, information, value, starts_agreeing: agreeing })
}

/// The checked problem in orthonormal coordinates.
struct Ground {
    /// A candidate a column, p x N.
    z: DMatrix<f64>,
    /// Existing flakes, a column each.
    old: DMatrix<f64>,
    /// A with A'A = W, the mean of z z' at the platforms; none for the coefficients.
    aim: Option<DMatrix<f64>>,
    flakes: usize,
}

impl Ground {
    fn new(candidates: &Design, options: &Exchange) -> Result<Ground> {
        let (p, n) = (candidates.columns(), options.flakes);
        at_least("terms", p, 1)?;
        at_least("candidates", candidates.rows(), 1)?;
        if n == 0 || n > MOST || candidates.rows() > MOST {
            return Err(Error::invalid("flakes", format!("1 to {MOST} flakes, at most {MOST} candidates")));
        }
        if options.starts == 0 || options.starts > 10_000 {
            return Err(Error::invalid("starts", "1 to 10000 starts"));
        }
        let empty = Design::new(candidates.names().to_vec(), DMatrix::zeros(0, p))?;
        let existing = options.existing.as_ref().unwrap_or(&empty);
        let all = Information::of(&stacked(candidates, existing)?)?;
        let known = p - if existing.rows() == 0 { p } else { undetermined(existing).len() };
        at_least("flakes", n, p - known)?;
        let aim = match &options.at {
            None => None,
            Some(at) if at.is_empty() => {
                return Err(Error::TooFew { what: "platforms to predict at".into(), found: 0, needed: 1 });
            }
            Some(at) => {
                let platforms = all.turned(Design::from_rows(candidates.names().to_vec(), at)?.matrix());
                let mut rows = platforms.transpose() / (at.len() as f64).sqrt();
                if rows.nrows() > p {
                    rows = rows.qr().r();
                }
                Some(rows)
            }
        };
        let (z, old) = (all.turned(candidates.matrix()), all.turned(existing.matrix()));
        Ok(Ground { z, old, aim, flakes: n })
    }

    /// Random settings, and where these leave something undetermined, those that determine it best.
    fn start<R: Rng + ?Sized>(&self, rng: &mut R) -> Vec<usize> {
        let (p, count) = self.z.shape();
        let mut points: Vec<usize> =
            (0..self.flakes.saturating_sub(p)).map(|_| rng.random_range(0..count)).collect();
        // what of each candidate is not yet spanned
        let mut rest = self.z.clone();
        let mut basis: Vec<DVector<f64>> = Vec::new();
        let taken: Vec<DVector<f64>> = self
            .old
            .column_iter()
            .chain(points.iter().map(|i| self.z.column(*i)))
            .map(|c| c.into_owned())
            .collect();
        for mut v in taken {
            if basis.len() == p {
                break;
            }
            let before = v.norm();
            take_out(&basis, &mut v);
            let after = v.norm();
            if after > 1e-6 * before {
                v /= after;
                take_direction_out(&mut rest, &v);
                basis.push(v);
            }
        }
        let determining = (p - basis.len()).min(self.flakes - points.len());
        points.extend((0..determining).map(|_| take_longest(&mut rest)));
        points.extend((points.len()..self.flakes).map(|_| rng.random_range(0..count)));
        points
    }

    /// Of candidates, each chosen so often.
    fn factor(&self, chosen: impl Iterator<Item = (usize, f64)>) -> Result<Cholesky<f64, Dyn>> {
        let mut m = &self.old * self.old.transpose();
        let p = self.z.nrows();
        for (i, times) in chosen {
            let z = &self.z.as_slice()[i * p..][..p];
            for (column, by) in m.as_mut_slice().chunks_exact_mut(p).zip(z) {
                let by = times * by;
                column.iter_mut().zip(z).for_each(|(m, z)| *m += by * z);
            }
        }
        m.cholesky().ok_or_else(|| {
            Error::not_converged(
                "the exchange of settings",
                "the settings chosen cannot be told from singular ones (widen the reach)",
            )
        })
    }

    /// What is made small: - ln det M, or ln tr(W V).
    fn loss(&self, factor: &Cholesky<f64, Dyn>) -> f64 {
        match &self.aim {
            None => -2.0 * factor.l_dirty().diagonal().iter().map(|d| d.ln()).sum::<f64>(),
            Some(a) => self.trace(factor, a).ln(),
        }
    }

    fn trace(&self, factor: &Cholesky<f64, Dyn>, a: &DMatrix<f64>) -> f64 {
        let mut t = a.transpose();
        factor.l_dirty().solve_lower_triangular_mut(&mut t);
        t.norm_squared()
    }

    /// Exchanges until nothing helps; gives the loss reached.
    fn improve(&self, points: &mut Vec<usize>) -> Result<f64> {
        if points.len() > MANY {
            return self.improve_together(points);
        }
        let mut state = State::new(self, once(points))?;
        for _ in 0..MOST_PASSES {
            let mut changed = false;
            for at in 0..points.len() {
                if let Some((j, _)) = state.best_for(points[at], 1.0) {
                    points[at] = j;
                    state = State::new(self, once(points))?;
                    changed = true;
                }
            }
            if !changed {
                break;
            }
        }
        Ok(state.loss)
    }

    /// The same by candidates: as many flakes of one as help most go to another at once.
    fn improve_together(&self, points: &mut Vec<usize>) -> Result<f64> {
        let mut counts = vec![0usize; self.z.ncols()];
        points.iter().for_each(|i| counts[*i] += 1);
        let state_of = |counts: &[usize]| {
            let chosen = counts.iter().enumerate().filter(|(_, n)| **n > 0);
            State::new(self, chosen.map(|(i, n)| (i, *n as f64)))
        };
        let mut state = state_of(&counts)?;
        for _ in 0..MOST_PASSES {
            let mut changed = false;
            for i in 0..counts.len() {
                // one, two, four, eight, and all of them
                let several =
                    |n: usize| (0..usize::BITS).map(|k| 1 << k).take_while(move |k| *k < n).chain([n]);
                while counts[i] > 0 {
                    let best = several(counts[i])
                        .filter_map(|k| state.best_for(i, k as f64).map(|(j, gain)| (k, j, gain)))
                        .max_by(|a, b| a.2.total_cmp(&b.2));
                    let Some((k, j, _)) = best else { break };
                    (counts[i], counts[j]) = (counts[i] - k, counts[j] + k);
                    state = state_of(&counts)?;
                    changed = true;
                }
            }
            if !changed {
                break;
            }
        }
        let all = counts.iter().enumerate();
        *points = all.flat_map(|(i, n)| std::iter::repeat_n(i, *n)).collect();
        Ok(state.loss)
    }
}

/// Points, each counting once.
fn once(points: &[usize]) -> impl Iterator<Item = (usize, f64)> {
    points.iter().map(|i| (*i, 1.0))
}

/// L^-1 of every column, in place.
fn solve_columns(l: &DMatrix<f64>, columns: &mut DMatrix<f64>) {
    let p = l.nrows();
    for u in columns.as_mut_slice().chunks_exact_mut(p) {
        for (j, below) in l.as_slice().chunks_exact(p).enumerate() {
            let by = u[j] / below[j];
            u[j] = by;
            u[j + 1..].iter_mut().zip(&below[j + 1..]).for_each(|(u, l)| *u -= by * l);
        }
    }
}

/// Everything about the present choice that the gains need.
struct State {
    /// L^-1 z of each candidate.
    u: Squared,
    /// A V z of each candidate, and tr(W V).
    aimed: Option<(Squared, f64)>,
    loss: f64,
}

/// Columns, and the squared length of each.
struct Squared {
    columns: DMatrix<f64>,
    squares: Vec<f64>,
}

impl Squared {
    fn of(columns: DMatrix<f64>) -> Squared {
        let squares = columns.as_slice().chunks_exact(columns.nrows()).map(|c| dot(c, c)).collect();
        Squared { columns, squares }
    }

    /// Of two columns.
    fn product(&self, i: usize, j: usize) -> f64 {
        let (p, all) = (self.columns.nrows(), self.columns.as_slice());
        dot(&all[i * p..][..p], &all[j * p..][..p])
    }
}

impl State {
    fn new(ground: &Ground, chosen: impl Iterator<Item = (usize, f64)>) -> Result<State> {
        let factor = ground.factor(chosen)?;
        let mut u = ground.z.clone();
        solve_columns(factor.l_dirty(), &mut u);
        let aimed = ground.aim.as_ref().map(|a| {
            let mut v = u.clone();
            factor.l_dirty().tr_solve_lower_triangular_mut(&mut v);
            (Squared::of(a * v), ground.trace(&factor, a))
        });
        Ok(State { u: Squared::of(u), aimed, loss: ground.loss(&factor) })
    }

    /// The candidate that helps most in place of so many flakes at `i`, if any does, and what it gains.
    fn best_for(&self, i: usize, times: f64) -> Option<(usize, f64)> {
        let (d, di) = (&self.u.squares, times * self.u.squares[i]);
        let mut best: Option<(usize, f64)> = None;
        for j in 0..d.len() {
            let (dj, dij) = (times * d[j], times * self.u.product(i, j));
            let factor = (1.0 + dj) * (1.0 - di) + dij * dij;
            let gain = match &self.aimed {
                None => factor - 1.0,
                // the predictions are lost with the rank
                Some(_) if factor < 1e-10 => continue,
                Some((g, trace)) => {
                    let gij = g.product(i, j);
                    let less = (1.0 - di) * g.squares[j] + 2.0 * dij * gij - (1.0 + dj) * g.squares[i];
                    times * less / factor / trace
                }
            };
            if gain > LEAST_GAIN && best.is_none_or(|(_, b)| gain > b + TIE * b.abs().max(1.0)) {
                best = Some((j, gain));
            }
        }
        best
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The gain of one exchange of predictions, by its formula and from the factors before and after.
    #[test]
    fn the_gain_of_an_exchange_is_what_the_exchange_gains() {
        let names: Vec<String> = ["intercept", "a", "b"].map(String::from).to_vec();
        let rows: Vec<[f64; 3]> =
            (0..12).map(|i| [1.0, f64::from(i % 4), (f64::from(i) * 0.7).sin()]).collect();
        let design = Design::from_rows(names, &rows).unwrap();
        let at = vec![vec![1.0, 1.5, 0.2], vec![1.0, 3.0, -0.5]];
        let options = Exchange { at: Some(at), ..Exchange::new(5) };
        let ground = Ground::new(&design, &options).unwrap();
        let points = [0usize, 3, 5, 7, 10];
        let state = State::new(&ground, once(&points)).unwrap();
        let (g, trace) = state.aimed.as_ref().unwrap();
        for i in points {
            for j in 0..12 {
                let (ui, uj) = (state.u.columns.column(i), state.u.columns.column(j));
                let (di, dj, dij) = (ui.norm_squared(), uj.norm_squared(), ui.dot(&uj));
                let d = (1.0 + dj) * (1.0 - di) + dij * dij;
                let (gi, gj) = (g.columns.column(i), g.columns.column(j));
                let less = ((1.0 - di) * gj.norm_squared() + 2.0 * dij * gi.dot(&gj)
                    - (1.0 + dj) * gi.norm_squared())
                    / d;
                let swapped: Vec<usize> = points.iter().map(|k| if *k == i { j } else { *k }).collect();
                let after = State::new(&ground, once(&swapped)).unwrap();
                let gained = trace - after.aimed.as_ref().unwrap().1;
                assert!((gained - less).abs() < 1e-12 * trace, "{i} for {j}: {gained} {less}");
                let before = ground.factor(once(&points)).unwrap().determinant();
                let ratio = ground.factor(once(&swapped)).unwrap().determinant() / before;
                assert!((ratio / d - 1.0).abs() < 1e-11, "{i} for {j}: {ratio} {d}");
            }
        }
    }
}
