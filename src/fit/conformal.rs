//! Intervals that trust no model: split conformal, jackknife+, and the correction of given intervals.
//!
//! Given n scores of observations that were not fitted (how far each fell from what was said of it), the
//! half width is the k-th smallest,
//!
//! ```text
//! k = ceil((n + 1) level)          infinite where k > n: fewer than level / (1 - level) scores
//! ```
//!
//! | method | score or construction | guarantee for the next observation, whatever the distribution |
//! |---|---|---|
//! | [`split`] | absolute residual of rows held out | level <= coverage <= level + 1/(n + 1), the right side without ties |
//! | [`corrected`] | how far outside its interval (negative: inside) | the same |
//! | [`jackknife_plus`] | residual and prediction of every fit that leaves one row out | coverage >= 2 level - 1; in practice near the level |
//! | [`ByClass`] | [`split`] within each class | that of [`split`] within each class, by its own n |
//!
//! All of them need the next observation to be exchangeable with the rows held out: flakes of the same cores
//! and knappers, not of another site. Coverage is on average over tables: with one calibration set of n it
//! scatters with standard deviation about sqrt(level (1 - level) / n).
//!
//! Sources: Vovk, Gammerman & Shafer 2005, Algorithmic Learning in a Random World (split, and class by
//! class); Lei, G'Sell, Rinaldo, Tibshirani & Wasserman 2018, J. Am. Stat. Assoc. 113:1094 (the upper bound);
//! Romano, Patterson & Candes 2019, NeurIPS 32 (correction of quantiles); Barber, Candes, Ramdas & Tibshirani
//! 2021, Ann. Stat. 49:486 (jackknife+).

use super::Design;
use super::linear::{self, LinearFit};
use crate::error::{Error, LEVEL, Place, Result};
use std::collections::BTreeMap;

/// ceil((n + 1) level), with a level that misses a whole number by rounding taken as meant (20 x 0.95 = 19).
fn rank(n: usize, level: f64) -> usize {
    let exact = (n as f64 + 1.0) * level;
    (exact - 1e-9 * exact).ceil().max(1.0) as usize
}

/// The fewest rows held out that give a finite interval at a level: 19 at 95 %.
///
/// # Errors
/// [`Error::OutOfRange`] unless 0 < level < 1.
///
/// ```
/// use conchoid::fit::conformal::needed;
/// assert_eq!((needed(0.95).unwrap(), needed(0.9).unwrap(), needed(0.5).unwrap()), (19, 9, 1));
/// ```
pub fn needed(level: f64) -> Result<usize> {
    let level = LEVEL.check(level)?;
    let exact = level / (1.0 - level);
    Ok((exact - 1e-9 * exact).ceil().max(1.0) as usize)
}

fn finite(what: &'static str, values: &[f64]) -> Result<()> {
    match values.iter().position(|v| !v.is_finite()) {
        None => Ok(()),
        Some(i) => Err(Error::OutOfRange {
            at: Place::cell(i as u64 + 1, what),
            value: values[i],
            accepted: "finite numbers".into(),
        }),
    }
}

/// The half width of split conformal intervals: `scores` are absolute residuals of rows that were not
/// fitted. None where they are too few for any finite interval ([`needed`]).
///
/// **Guarantee**: prediction +/- half width holds the next exchangeable observation with probability at
/// least `level`, and at most level + 1/(n + 1) where no two scores are the same.
///
/// # Errors
/// [`Error::OutOfRange`] for a level outside (0, 1) or a score that is not finite.
///
/// ```
/// use conchoid::fit::conformal::split;
/// let scores: Vec<f64> = (1..=19).map(f64::from).collect();
/// assert_eq!(split(&scores, 0.95).unwrap(), Some(19.0));
/// assert_eq!(split(&scores[..18], 0.95).unwrap(), None);
/// ```
pub fn split(scores: &[f64], level: f64) -> Result<Option<f64>> {
    let level = LEVEL.check(level)?;
    finite("score", scores)?;
    let k = rank(scores.len(), level);
    if k > scores.len() {
        return Ok(None);
    }
    let mut sorted = scores.to_vec();
    Ok(Some(*sorted.select_nth_unstable_by(k - 1, f64::total_cmp).1))
}

/// The score of an interval that was said of an observation: how far outside it lies, below zero inside.
pub fn outside(low: f64, high: f64, observed: f64) -> f64 {
    (low - observed).max(observed - high)
}

/// Corrects an interval by an amount from [`split`] of scores by [`outside`]: both ends move outward, or
/// inward where it is negative; ends that would cross meet in the middle.
///
/// **Guarantee**: as for [`split`], whatever model said the intervals, if it was not fitted to the rows held
/// out.
pub fn corrected(low: f64, high: f64, amount: f64) -> (f64, f64) {
    let (l, u) = (low - amount, high + amount);
    if l <= u {
        (l, u)
    } else {
        let middle = 0.5 * (low + high);
        (middle, middle)
    }
}

/// The jackknife+ interval from the fits that leave each row out: `predictions` are theirs at the new place,
/// `residuals` the absolute residual of each row under the fit without it. None where the rows are too few
/// for a finite interval.
///
/// **Guarantee**: the next exchangeable observation lies inside with probability at least 2 level - 1 (90 %
/// at a level of 95 %), whatever the distribution; typically near the level.
///
/// # Errors
/// [`Error::Shape`] when lengths differ; [`Error::OutOfRange`] for a level outside (0, 1), a number that is
/// not finite or a residual below zero.
pub fn jackknife_plus(predictions: &[f64], residuals: &[f64], level: f64) -> Result<Option<(f64, f64)>> {
    let level = LEVEL.check(level)?;
    if predictions.len() != residuals.len() {
        return Err(Error::Shape {
            what: "residuals".into(),
            found: residuals.len(),
            expected: predictions.len(),
        });
    }
    finite("prediction", predictions)?;
    finite("residual", residuals)?;
    if let Some(i) = residuals.iter().position(|r| *r < 0.0) {
        return Err(Error::OutOfRange {
            at: Place::cell(i as u64 + 1, "residual"),
            value: residuals[i],
            accepted: "0 or more".into(),
        });
    }
    let n = predictions.len();
    let k = rank(n, level);
    if k > n {
        return Ok(None);
    }
    let mut lower: Vec<f64> = predictions.iter().zip(residuals).map(|(p, r)| p - r).collect();
    let mut upper: Vec<f64> = predictions.iter().zip(residuals).map(|(p, r)| p + r).collect();
    // the floor((1 - level)(n + 1))-th smallest from below is the k-th largest
    let low = *lower.select_nth_unstable_by(n - k, f64::total_cmp).1;
    let high = *upper.select_nth_unstable_by(k - 1, f64::total_cmp).1;
    Ok(Some((low, high)))
}

/// Jackknife+ for least squares, without fitting again: the fit without row i predicts
///
/// ```text
/// x'b(i) = x'b - x'(X'X)^-1 x_i e_i / (1 - h_i)          with residual e_i / (1 - h_i)
/// ```
///
/// h the leverage (the deletion formula of Miller 1974, Biometrika 61:1).
///
/// ```
/// use conchoid::fit::{Design, conformal::LinearJackknife};
/// let rows: Vec<[f64; 2]> = (0..25).map(|i| [1.0, f64::from(i)]).collect();
/// let y: Vec<f64> = (0..25).map(|i| 2.0 * f64::from(i) + f64::from(i % 3)).collect();
/// let d = Design::from_rows(vec!["intercept".into(), "x".into()], &rows).unwrap();
/// let j = LinearJackknife::new(&d, &y).unwrap();
/// let (low, high) = j.interval(&[1.0, 12.0], 0.9).unwrap().unwrap();
/// assert!(low < 25.0 && 25.0 < high);
/// assert!(j.interval(&[1.0, 12.0], 0.99).unwrap().is_none()); // would need 99 rows
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct LinearJackknife {
    fit: LinearFit,
    /// For each row R'^-1 x_i, and its residual when left out.
    rows: Vec<(Vec<f64>, f64)>,
}

impl LinearJackknife {
    /// Fits a design and keeps what each row left out needs.
    ///
    /// # Errors
    /// Those of [`linear::fit`]; [`Error::RankDeficient`] where the fit hangs on a single row (leverage 1).
    pub fn new(design: &Design, y: &[f64]) -> Result<LinearJackknife> {
        let fit = linear::fit(design, y, None)?;
        let mut rows = Vec::with_capacity(y.len());
        for (i, y) in y.iter().enumerate() {
            let x: Vec<f64> = design.matrix().row(i).iter().copied().collect();
            let left_out = fit.diagnose(&x, *y, 1.0)?;
            if !(left_out.leverage < 1.0 - 1e-10) {
                // the term that this row alone carries
                let j = (0..x.len()).max_by(|a, b| x[*a].abs().total_cmp(&x[*b].abs())).unwrap_or(0);
                return Err(Error::RankDeficient { term: design.names()[j].clone() });
            }
            rows.push((fit.whitened(&x)?, left_out.left_out));
        }
        Ok(LinearJackknife { fit, rows })
    }

    /// The fit to all rows.
    pub fn fit(&self) -> &LinearFit {
        &self.fit
    }

    /// The absolute residual of each row under the fit without it.
    pub fn residuals(&self) -> Vec<f64> {
        self.rows.iter().map(|(_, r)| r.abs()).collect()
    }

    /// What the fit without each row predicts at a row of terms.
    ///
    /// # Errors
    /// [`Error::Shape`] for a row of another length.
    pub fn predictions(&self, row: &[f64]) -> Result<Vec<f64>> {
        let centre = self.fit.expected(row)?;
        let z = self.fit.whitened(row)?;
        Ok(self
            .rows
            .iter()
            .map(|(w, r)| centre - z.iter().zip(w).map(|(a, b)| a * b).sum::<f64>() * r)
            .collect())
    }

    /// The jackknife+ interval at a row of terms; none where the rows are too few for the level.
    ///
    /// # Errors
    /// As [`jackknife_plus`].
    pub fn interval(&self, row: &[f64], level: f64) -> Result<Option<(f64, f64)>> {
        jackknife_plus(&self.predictions(row)?, &self.residuals(), level)
    }
}

/// Split conformal within each class.
///
/// **Guarantee**: that of [`split`] for the observations of each class on their own, by the number of rows
/// of that class: rare classes get wide intervals, and below [`needed`] none that is finite.
///
/// ```
/// use conchoid::fit::conformal::ByClass;
/// let scores: Vec<f64> = (0..30).map(f64::from).collect();
/// let labels: Vec<&str> = (0..30).map(|i| if i < 20 { "platform" } else { "edge" }).collect();
/// let c = ByClass::new(&labels, &scores, 0.95).unwrap();
/// assert_eq!(c.amount("platform"), (20, Some(19.0)));
/// assert_eq!(c.amount("edge"), (10, None));
/// assert_eq!(c.amount("unheard of"), (0, None));
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct ByClass {
    amounts: BTreeMap<String, (usize, Option<f64>)>,
}

impl ByClass {
    /// From the class and the score of each row held out.
    ///
    /// # Errors
    /// As [`split`]; [`Error::Shape`] when lengths differ.
    pub fn new<S: AsRef<str>>(labels: &[S], scores: &[f64], level: f64) -> Result<ByClass> {
        if labels.len() != scores.len() {
            return Err(Error::Shape { what: "scores".into(), found: scores.len(), expected: labels.len() });
        }
        LEVEL.check(level)?;
        let mut lists: BTreeMap<String, Vec<f64>> = BTreeMap::new();
        for (l, s) in labels.iter().zip(scores) {
            lists.entry(l.as_ref().to_string()).or_default().push(*s);
        }
        let amounts = lists
            .into_iter()
            .map(|(l, s)| Ok((l, (s.len(), split(&s, level)?))))
            .collect::<Result<BTreeMap<_, _>>>()?;
        Ok(ByClass { amounts })
    }

    /// Rows of a class, and its half width (or correction); none where they are too few.
    pub fn amount(&self, class: &str) -> (usize, Option<f64>) {
        self.amounts.get(class).copied().unwrap_or((0, None))
    }

    /// The classes.
    pub fn classes(&self) -> impl Iterator<Item = &str> {
        self.amounts.keys().map(String::as_str)
    }
}
