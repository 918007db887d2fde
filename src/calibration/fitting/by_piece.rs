//! Rows that are several states of the same piece: fitted so that each piece counts once, and tried on pieces left out.

use super::running::{Reading, Running};
use super::shrunken::rows_of;
use super::sizes::{FittedSize, recorded};
use super::{Collector, SizeRecipe};
use crate::calibration::{SizeModel, Spread, Tails};
use crate::error::Result;
use crate::fit::Design;
use crate::fit::by_piece::{self, ByPieceFit};
use std::collections::BTreeMap;

/// Parts that the pieces are left out by in turn. Common practice, no source.
const FOLDS: usize = 10;

/// Both designs, the response and the piece of every row.
struct States {
    names: (Vec<String>, Vec<String>),
    x: Vec<Vec<f64>>,
    z: Vec<Vec<f64>>,
    y: Vec<f64>,
    piece: Vec<usize>,
}

impl States {
    fn fit(&self, of: &[usize]) -> Result<ByPieceFit> {
        let pick = |rows: &[Vec<f64>]| of.iter().map(|i| rows[*i].clone()).collect::<Vec<_>>();
        let x = Design::from_rows(self.names.0.clone(), &pick(&self.x))?;
        let z = Design::from_rows(self.names.1.clone(), &pick(&self.z))?;
        let y: Vec<f64> = of.iter().map(|i| self.y[*i]).collect();
        let piece: Vec<usize> = of.iter().map(|i| self.piece[*i]).collect();
        by_piece::fit(&x, &z, &y, &piece)
    }

    /// How much a row counts: one over the states of its piece.
    fn weights(&self) -> Vec<f64> {
        let mut states: BTreeMap<usize, f64> = BTreeMap::new();
        self.piece.iter().for_each(|p| *states.entry(*p).or_default() += 1.0);
        self.piece.iter().map(|p| 1.0 / states[p]).collect()
    }

    /// Share of the variation explained, each piece counting once.
    fn explained(&self, fit: &ByPieceFit, w: &[f64]) -> f64 {
        let total: f64 = w.iter().sum();
        let mean = self.y.iter().zip(w).map(|(y, w)| w * y).sum::<f64>() / total;
        let (mut rest, mut all) = (0.0, 0.0);
        for ((x, y), w) in self.x.iter().zip(&self.y).zip(w) {
            rest += w * (y - fit.expected(x)).powi(2);
            all += w * (y - mean).powi(2);
        }
        (1.0 - rest / all).clamp(0.0, 1.0)
    }

    /// Root mean square error of pieces left out by tens, each counting once; and the rows left out.
    fn left_out(&self, w: &[f64]) -> (f64, u64) {
        let (mut squares, mut total, mut count) = (0.0, 0.0, 0);
        for fold in 0..FOLDS {
            let (out, kept): (Vec<usize>, Vec<usize>) =
                (0..self.y.len()).partition(|i| self.piece[*i] % FOLDS == fold);
            // a fold without which the terms cannot be told apart says nothing
            let Ok(fit) = self.fit(&kept) else { continue };
            for i in out {
                squares += w[i] * (self.y[i] - fit.expected(&self.x[i])).powi(2);
                total += w[i];
                count += 1;
            }
        }
        (if total > 0.0 { (squares / total).sqrt() } else { 0.0 }, count)
    }
}

impl Collector {
    /// Fits one size of states of pieces.
    pub(super) fn by_piece(
        &self,
        recipe: &SizeRecipe,
        reading: &Reading,
        running: &Running,
        rows: &[usize],
    ) -> Result<FittedSize> {
        let states = self.states(recipe, reading, rows);
        let fit = states.fit(&(0..rows.len()).collect::<Vec<_>>())?;
        let w = states.weights();
        let mut standardised = vec![f64::NAN; self.flakes.rows()];
        let mut largest_leverage = 0.0f64;
        for (at, i) in rows.iter().enumerate() {
            let spread = fit.spread(&states.z[at]);
            largest_leverage =
                largest_leverage.max(fit.variance_of_expected(&states.x[at]) / (spread * spread));
            standardised[*i] = (states.y[at] - fit.expected(&states.x[at])) / spread;
        }
        let (left_out_error, left_out_flakes) = states.left_out(&w);
        let model = SizeModel {
            size: recipe.size.clone(),
            column: recipe.column.clone(),
            form: recipe.form.clone(),
            coefficients: fit.coefficients().to_vec(),
            covariance: rows_of(fit.covariance()),
            spread: Spread::Modelled {
                coefficients: fit.gamma().to_vec(),
                covariance: rows_of(fit.gamma_covariance()),
            },
            tails: Tails::Normal,
            flakes: fit.pieces() as u64,
            r_squared: states.explained(&fit, &w),
            left_out_error,
            largest_leverage,
            recorded: recorded(running),
            shared: Vec::new(),
            variance_covariance: Vec::new(),
            kept: None,
        };
        let each = rows.iter().map(|i| reading.transform.ln_jacobian(self.flakes.size(*i, reading.column)));
        let jacobian: f64 = each.zip(&w).map(|(j, w)| j * w).sum();
        Ok(FittedSize {
            design: None,
            places: Vec::new(),
            folds: Vec::new(),
            model,
            aic_own_unit: aic(&fit, jacobian),
            rows: running.rows(),
            standardised,
            left_out_flakes,
            effects: Vec::new(),
            shrunken: None,
            adjusted_r_squared: None,
            penalty: None,
            effective_parameters: fit.coefficients().len() as f64,
        })
    }

    fn states(&self, recipe: &SizeRecipe, reading: &Reading, rows: &[usize]) -> States {
        let compiled = &reading.compiled;
        let mut known: BTreeMap<&str, usize> = BTreeMap::new();
        let (mut x, mut z, mut piece, mut unnamed) = (Vec::new(), Vec::new(), Vec::new(), 0);
        for i in rows {
            let (mut a, mut b) = (vec![0.0; compiled.terms()], vec![0.0; compiled.spread_terms()]);
            compiled.fill(self.flakes.row(*i), &mut a);
            compiled.fill_spread(self.flakes.row(*i), &mut b);
            x.push(a);
            z.push(b);
            // a row without a name is a piece of its own
            let next = known.len() + unnamed;
            piece.push(match self.names.get(*i).and_then(Option::as_deref) {
                Some(name) => *known.entry(name).or_insert(next),
                None => {
                    unnamed += 1;
                    next
                }
            });
        }
        States {
            names: (recipe.form.term_names(), recipe.form.spread_term_names()),
            x,
            z,
            y: rows.iter().map(|i| reading.transform.apply(self.flakes.size(*i, reading.column))).collect(),
            piece,
        }
    }
}

/// Information criteria in which each piece counts as one observation.
fn aic(fit: &ByPieceFit, ln_jacobian: f64) -> f64 {
    let k = (fit.coefficients().len() + fit.gamma().len()) as f64;
    2.0 * (k - fit.ln_likelihood() - ln_jacobian)
}
