//! One size fitted: the finished sums, or the rows where more is asked for, and how the rows kept stand to the fit.

use super::recipe::{SizeRecipe, TailsToTry};
use super::running::{PIECE, Reading, Running, each_block};
use super::shrunken::{Grouped, Rows, chosen, conditional, rows_of};
use super::{Collector, Standing};
use crate::calibration::{Recorded, SizeModel, Spread, Tails};
use crate::error::{Error, Result};
use crate::fit::linear::LinearFit;
use crate::fit::shrunken::ShrunkenFit;
use crate::form::Layout;
use crate::threads;
use std::collections::BTreeMap;

/// A size that is fitted.
pub(super) struct FittedSize {
    pub(super) model: SizeModel,
    pub(super) aic_own_unit: f64,
    /// Rows fitted.
    pub(super) states: u64,
    pub(super) standardised: Vec<f64>,
    pub(super) left_out_flakes: u64,
    pub(super) adjusted_r_squared: Option<f64>,
    pub(super) penalty: Option<f64>,
    pub(super) effective_parameters: f64,
    pub(super) shrunken: Option<Box<Shrunk>>,
}

/// A shrunken fit, its rows and their places among the flakes kept, and its fits without a tenth of them.
pub(super) struct Shrunk {
    pub(super) fit: ShrunkenFit,
    pub(super) rows: Rows,
    pub(super) places: Vec<usize>,
    pub(super) folds: Vec<Option<ShrunkenFit>>,
}

impl FittedSize {
    /// What all fits tell alike; coefficients, spread and what they explain are still to come.
    pub(super) fn of(recipe: &SizeRecipe, running: &Running, standing: Standing) -> FittedSize {
        FittedSize {
            model: SizeModel {
                size: recipe.size.clone(),
                column: recipe.column.clone(),
                form: recipe.form.clone(),
                coefficients: Vec::new(),
                covariance: Vec::new(),
                spread: Spread::Constant { value: f64::NAN, degrees_of_freedom: f64::NAN },
                tails: Tails::Normal,
                flakes: 0,
                r_squared: f64::NAN,
                left_out_error: standing.left_out_error,
                largest_leverage: standing.largest_leverage,
                recorded: running.seen.recorded.map(|(low, high)| Recorded { low, high }),
                shared: Vec::new(),
                variance_covariance: Vec::new(),
                kept: None,
                distance: None,
            },
            aic_own_unit: f64::NAN,
            states: running.seen.flakes,
            standardised: standing.standardised,
            left_out_flakes: standing.left_out_flakes,
            adjusted_r_squared: None,
            penalty: None,
            effective_parameters: f64::NAN,
            shrunken: None,
        }
    }
}

impl Collector {
    /// Fits one size, read by the reading at this place.
    pub(super) fn fit_size(&self, recipe: &SizeRecipe, at: usize) -> Result<FittedSize> {
        let (reading, running) = (&self.readings[at], &self.running[at]);
        let kept = 0..self.flakes.rows();
        // what the only form could not take was left out before
        let rows: Vec<usize> = if self.readings.len() == 1 {
            kept.collect()
        } else {
            let columns = self.flakes.columns();
            kept.filter(|i| reading.takes(&columns.row(*i), &columns.own(*i), &self.layout)).collect()
        };
        match &running.seen.sums {
            Some(accumulator) => self.least_squares(recipe, accumulator.finish()?, reading, running, &rows),
            None => self.shrunken(recipe, reading, running, &rows),
        }
    }

    fn least_squares(
        &self,
        recipe: &SizeRecipe,
        fit: LinearFit,
        reading: &Reading,
        running: &Running,
        rows: &[usize],
    ) -> Result<FittedSize> {
        let fitted = FittedSize::of(recipe, running, self.stand(&fit, reading, running, rows));
        let model = SizeModel {
            coefficients: fit.coefficients().to_vec(),
            covariance: fit.covariance(),
            spread: Spread::Constant { value: fit.spread(), degrees_of_freedom: fit.degrees_of_freedom() },
            flakes: fit.rows(),
            r_squared: fit.r_squared(),
            ..fitted.model
        };
        Ok(FittedSize {
            model,
            aic_own_unit: fit.aic_in_own_unit(running.seen.ln_jacobian),
            adjusted_r_squared: Some(fit.adjusted_r_squared()),
            effective_parameters: fit.coefficients().len() as f64,
            ..fitted
        })
    }

    /// What goes beyond least squares.
    fn shrunken(
        &self,
        recipe: &SizeRecipe,
        reading: &Reading,
        running: &Running,
        rows: &[usize],
    ) -> Result<FittedSize> {
        let data = self.designs(recipe, reading, rows)?;
        let fit = data.fit_all()?;
        let (standing, folds) = data.stand(&fit, rows, self.flakes.rows(), self.folds)?;
        let (shared, variance_covariance) = data.effects(&fit);
        let spread = match &fit.gamma[..] {
            // a log spread known with variance v stands for 1 / (2 v) degrees of freedom
            [ln] if !shared.is_empty() => {
                Spread::Constant { value: ln.exp(), degrees_of_freedom: 0.5 / fit.gamma_covariance[(0, 0)] }
            }
            gamma => {
                Spread::Modelled { coefficients: gamma.to_vec(), covariance: rows_of(&fit.gamma_covariance) }
            }
        };
        let fitted = FittedSize::of(recipe, running, standing);
        let model = SizeModel {
            coefficients: fit.coefficients.to_vec(),
            covariance: rows_of(&fit.covariance),
            spread,
            tails: chosen(&recipe.method.tails, &fit.degrees_of_freedom),
            flakes: fit.rows as u64,
            r_squared: data.explained_by(|x| fit.expected(x))?,
            shared,
            variance_covariance,
            ..fitted.model
        };
        let ln_jacobian = match data.piece {
            None => running.seen.ln_jacobian,
            Some(_) => {
                let each =
                    rows.iter().map(|i| reading.transform.ln_jacobian(self.flakes.size(*i, reading.column)));
                each.zip(data.weights()).map(|(j, w)| j * w).sum()
            }
        };
        Ok(FittedSize {
            model,
            aic_own_unit: conditional(&fit, ln_jacobian),
            penalty: fit.lambda.filter(|l| l.is_finite()),
            effective_parameters: fit.effective_parameters,
            shrunken: (data.piece.is_none())
                .then(|| Box::new(Shrunk { fit, rows: data, places: rows.to_vec(), folds })),
            ..fitted
        })
    }

    /// The rows of such a fit: both designs, the class of the tails, the response, the groups.
    fn designs(&self, recipe: &SizeRecipe, reading: &Reading, rows: &[usize]) -> Result<Rows> {
        let compiled = &reading.compiled;
        let offset = usize::from(recipe.form.intercept());
        let mut flags = vec![false; compiled.terms()];
        for at in &recipe.method.penalised {
            flags[at + offset] = true;
        }
        let x = rows.iter().map(|i| compiled.row(&self.flakes.row(*i))).collect();
        let z = rows.iter().map(|i| compiled.spread_row(&self.flakes.row(*i))).collect();
        let (grids, class) = match &recipe.method.tails {
            TailsToTry::Normal => (vec![vec![f64::INFINITY]], vec![0; rows.len()]),
            TailsToTry::ByClass { class, levels } => {
                let at =
                    self.layout.position(class).ok_or_else(|| Error::missing(class, "the tails need it"))?;
                let known = self.layout.class_at(at).map_or(&[][..], |c| &c.levels);
                let by_code: Vec<usize> = known
                    .iter()
                    .map(|l| levels.iter().position(|(n, _)| n == l).unwrap_or(levels.len()))
                    .collect();
                let grids = levels.iter().map(|(_, g)| g.clone()).chain([vec![f64::INFINITY]]).collect();
                let of = |i: &usize| {
                    by_code.get(self.flakes.input(*i, at) as usize).copied().unwrap_or(levels.len())
                };
                (grids, rows.iter().map(of).collect())
            }
        };
        let mut shared: Vec<Grouped> = Vec::new();
        for (s, place) in recipe.method.shared.iter().zip(&reading.groups) {
            let names = &self.groups[place - self.layout.len()].1.names;
            let of: Vec<&str> =
                rows.iter().map(|i| names[self.flakes.input(*i, *place) as usize].as_str()).collect();
            let grouped = Grouped::new(s, &of, shared.last(), offset)?;
            for class in Layout::of([&recipe.form]).classes {
                if let Some(at) = self.layout.position(&class.name) {
                    let codes: Vec<f64> = rows.iter().map(|i| self.flakes.input(*i, at)).collect();
                    grouped.against_class(&class.name, &codes)?;
                }
            }
            shared.push(grouped);
        }
        Ok(Rows {
            shared,
            piece: recipe.method.by_piece.as_ref().map(|_| self.pieces(rows)),
            names: (recipe.form.term_names(), recipe.form.spread_term_names()),
            penalised: flags,
            grids,
            class,
            y: rows.iter().map(|i| reading.transform.apply(self.flakes.size(*i, reading.column))).collect(),
            x,
            z,
        })
    }

    /// The piece of each row, by its name; a row without one is a piece of its own.
    fn pieces(&self, rows: &[usize]) -> Vec<usize> {
        let mut known: BTreeMap<&str, usize> = BTreeMap::new();
        let mut next = 0;
        let mut new = || {
            next += 1;
            next - 1
        };
        rows.iter()
            .map(|i| match self.names.get(*i).and_then(Option::as_deref) {
                Some(name) => *known.entry(name).or_insert_with(&mut new),
                None => new(),
            })
            .collect()
    }

    /// How the rows kept stand to a fit: leverage, leave-one-out error, standardised residuals.
    fn stand(&self, fit: &LinearFit, reading: &Reading, running: &Running, rows: &[usize]) -> Standing {
        let spread = fit.spread();
        let inverse = fit.inverse_triangle();
        let pieces = threads::in_order(rows.len().div_ceil(PIECE), |k| {
            let piece = &rows[k * PIECE..rows.len().min((k + 1) * PIECE)];
            let mut found = Stood { own: Vec::with_capacity(piece.len()), ..Stood::default() };
            if rows.len() <= PIECE {
                let (mut design, mut z) = (vec![0.0; reading.compiled.terms()], Vec::new());
                for i in piece {
                    reading.compiled.fill(&self.flakes.row(*i), &mut design);
                    let y = reading.transform.apply(self.flakes.size(*i, reading.column));
                    let (leverage, standardised, left_out) = fit.stand(&design, y, spread, &mut z);
                    found.add(leverage, standardised, left_out);
                }
            } else {
                each_block(reading, &self.flakes.columns(), piece, fit, &inverse, |some, stands| {
                    for (h, e) in stands.leverage.iter().zip(stands.residual).take(some.len()) {
                        found.add(*h, e / (spread * (1.0 - h).sqrt()), e / (1.0 - h));
                        found.residuals += e * e;
                    }
                });
            }
            found
        });
        let mut standardised = vec![f64::NAN; self.flakes.rows()];
        let mut all = Stood::default();
        for (k, found) in pieces.into_iter().enumerate() {
            rows[k * PIECE..].iter().zip(found.own).for_each(|(i, v)| standardised[*i] = v);
            all.largest = all.largest.max(found.largest);
            all.squares += found.squares;
            all.count += found.count;
            all.residuals += found.residuals;
        }
        let mut largest_leverage = all.largest;
        let mut mean_square = if all.count > 0 { all.squares / all.count as f64 } else { 0.0 };
        if (rows.len() as u64) < fit.rows() && all.residuals > 0.0 {
            // the squares of all residuals are known; how much larger the left-out ones are is that of the rows kept
            mean_square = fit.residual_sum_of_squares() / fit.rows() as f64 * (all.squares / all.residuals);
        }
        for (_, inputs) in &running.seen.far {
            let inputs: Vec<f64> = inputs.iter().map(|v| v.unwrap_or(f64::NAN)).collect();
            let design = reading.compiled.row(&inputs);
            largest_leverage = largest_leverage.max(fit.stand(&design, 0.0, spread, &mut Vec::new()).0);
        }
        Standing {
            standardised,
            largest_leverage,
            left_out_error: mean_square.sqrt(),
            left_out_flakes: all.count,
        }
    }
}

/// How the rows of a piece stand.
#[derive(Default)]
struct Stood {
    /// Standardised residuals.
    own: Vec<f64>,
    /// Largest leverage.
    largest: f64,
    /// Sum of the squared left-out errors, and of how many.
    squares: f64,
    count: u64,
    /// Sum of the squared residuals.
    residuals: f64,
}

impl Stood {
    fn add(&mut self, leverage: f64, standardised: f64, left_out: f64) {
        self.own.push(standardised);
        self.largest = self.largest.max(leverage);
        if left_out.is_finite() {
            self.squares += left_out * left_out;
            self.count += 1;
        }
    }
}
