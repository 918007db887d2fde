//! The rows of a shrunken fit, fitted whole and by tens, and what a calibration keeps of it.

use super::Standing;
use super::recipe::TailsToTry;
use crate::calibration::Tails;
use crate::error::Result;
use crate::fit::Design;
use crate::fit::linear::Criteria;
use crate::fit::shrunken::{self, Shrunken, ShrunkenFit};
use crate::special::{normal_quantile, student_sf};

/// The rows of a shrunken fit.
pub(super) struct Rows {
    pub(super) names: (Vec<String>, Vec<String>),
    pub(super) penalised: Vec<bool>,
    pub(super) grids: Vec<Vec<f64>>,
    pub(super) class: Vec<usize>,
    pub(super) x: Vec<Vec<f64>>,
    pub(super) z: Vec<Vec<f64>>,
    pub(super) y: Vec<f64>,
}

/// Parts that a shrunken fit is tried on in turn. Common practice, no source.
const FOLDS: usize = 10;

impl Rows {
    /// Fits some of the rows; with degrees of freedom held where they are given.
    pub(super) fn fit(&self, of: &[usize], held: Option<&[f64]>) -> Result<ShrunkenFit> {
        let pick = |rows: &[Vec<f64>]| of.iter().map(|i| rows[*i].clone()).collect::<Vec<_>>();
        let x = Design::from_rows(self.names.0.clone(), &pick(&self.x))?;
        let z = Design::from_rows(self.names.1.clone(), &pick(&self.z))?;
        let y: Vec<f64> = of.iter().map(|i| self.y[*i]).collect();
        let class = of.iter().map(|i| self.class[*i]).collect();
        let grids = match held {
            Some(held) => held.iter().map(|d| vec![*d]).collect(),
            None => self.grids.clone(),
        };
        let tails = shrunken::Tails::by_class(class, grids)?;
        Shrunken::new().fit(&x, &self.penalised, &z, &tails, &y)
    }

    pub(super) fn explained(&self, fit: &ShrunkenFit) -> Result<f64> {
        let mean = self.y.iter().sum::<f64>() / self.y.len() as f64;
        let (mut rest, mut total) = (0.0, 0.0);
        for (x, y) in self.x.iter().zip(&self.y) {
            rest += (y - fit.expected(x)?).powi(2);
            total += (y - mean).powi(2);
        }
        Ok((1.0 - rest / total).clamp(0.0, 1.0))
    }

    /// How the rows stand to a fit. Residuals are brought to a normal scale through the t of their class, so
    /// that correlations between sizes are not those of a few outliers.
    pub(super) fn stand(&self, fit: &ShrunkenFit, rows: &[usize], used: usize) -> Result<Standing> {
        let mut standardised = vec![f64::NAN; used];
        let mut largest_leverage = 0.0f64;
        for (at, i) in rows.iter().enumerate() {
            let spread = fit.spread(&self.z[at])?;
            largest_leverage =
                largest_leverage.max(fit.variance_of_expected(&self.x[at])? / (spread * spread));
            let e = (self.y[at] - fit.expected(&self.x[at])?) / spread;
            let tail = student_sf(e.abs(), fit.degrees_of_freedom()[self.class[at]]);
            let size = if tail < 0.5 { -normal_quantile(tail.max(1e-300)) } else { 0.0 };
            standardised[*i] = size.copysign(e);
        }
        let (mut squares, mut count) = (0.0, 0u64);
        for fold in 0..FOLDS {
            let kept: Vec<usize> = (0..self.y.len()).filter(|i| i % FOLDS != fold).collect();
            // a fold without which the terms cannot be told apart says nothing
            let Ok(fit) = self.fit(&kept, Some(fit.degrees_of_freedom())) else { continue };
            for at in (0..self.y.len()).filter(|i| i % FOLDS == fold) {
                squares += (self.y[at] - fit.expected(&self.x[at])?).powi(2);
                count += 1;
            }
        }
        Ok(Standing {
            standardised,
            largest_leverage,
            left_out_error: if count > 0 { (squares / count as f64).sqrt() } else { 0.0 },
            left_out_flakes: count,
        })
    }
}
pub(super) fn rows_of(m: &nalgebra::DMatrix<f64>) -> Vec<Vec<f64>> {
    m.row_iter().map(|r| r.iter().copied().collect()).collect()
}

/// The tails of a calibration from the degrees of freedom chosen.
pub(super) fn chosen(tails: &TailsToTry, df: &[f64]) -> Tails {
    match tails {
        TailsToTry::Same(_) if df[0].is_finite() => Tails::Student { degrees_of_freedom: df[0] },
        TailsToTry::ByClass { class, levels } if df.iter().any(|d| d.is_finite()) => Tails::ByClass {
            class: class.clone(),
            degrees_of_freedom: levels
                .iter()
                .zip(df)
                .filter(|(_, d)| d.is_finite())
                .map(|((level, _), d)| (level.clone(), *d))
                .collect(),
        },
        _ => Tails::Normal,
    }
}

/// Information criteria with the effective number of parameters.
pub(super) fn conditional(fit: &ShrunkenFit, ln_jacobian: f64) -> Criteria {
    let log_likelihood = fit.ln_likelihood() + ln_jacobian;
    let chosen = fit.degrees_of_freedom().iter().filter(|d| d.is_finite()).count();
    let k = fit.effective_parameters() + (fit.gamma().len() + chosen) as f64;
    let n = fit.rows() as f64;
    let aic = 2.0 * (k - log_likelihood);
    let room = n - k - 1.0;
    Criteria {
        log_likelihood,
        aic,
        aicc: if room > 0.0 { aic + 2.0 * k * (k + 1.0) / room } else { f64::INFINITY },
        bic: k * n.ln() - 2.0 * log_likelihood,
    }
}
