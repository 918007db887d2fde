//! One size model made ready: its form compiled, its covariances factored, its tails by code of their class.
//!
//! For a design row x of the location and z of the log spread, on the transformed scale,
//!
//! ```text
//!   location x'b     uncertainty |L'x|^2     own spread s, or exp z'c     1 / d = 1 / d(tails) + 1 / d(spread)
//! ```
//!
//! with L the Cholesky factor of the coefficients' covariance. Every sum is taken in the order of its terms, in a row
//! as in a block of rows, so that both give the same bits.

use super::beyond::Opening;
use super::percussor::Carried;
use crate::calibration::{Range, ResolvedShared, SizeModel, Spread, Tails, cholesky};
use crate::error::{Error, Result};
use crate::fit::dot;
use crate::form::{Compiled, Layout, Transform};

/// A lower triangle, row by row.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Triangle {
    size: usize,
    rows: Vec<f64>,
}

impl Triangle {
    /// The Cholesky factor of a covariance.
    ///
    /// # Errors
    /// As [`cholesky`], naming the field.
    pub(crate) fn factor(field: &str, covariance: &[Vec<f64>], size: usize) -> Result<Triangle> {
        let l = cholesky(field, covariance, size)?;
        let rows = (0..size).flat_map(|k| (0..=k).map(move |j| (k, j))).map(|at| l[at]).collect();
        Ok(Triangle { size, rows })
    }

    /// The rows from their first entries to the diagonal, one after the other.
    pub(crate) fn rows(&self) -> &[f64] {
        &self.rows
    }

    fn row(&self, k: usize) -> &[f64] {
        &self.rows[k * (k + 1) / 2..][..k + 1]
    }

    /// |L'x|^2. Entries of x that are 0 cost nothing.
    pub(crate) fn quadratic(&self, x: &[f64], scratch: &mut Vec<f64>) -> f64 {
        scratch.clear();
        scratch.resize(self.size, 0.0);
        for (k, v) in x.iter().enumerate().filter(|(_, v)| **v != 0.0) {
            scratch.iter_mut().zip(self.row(k)).for_each(|(z, l)| *z += l * v);
        }
        scratch.iter().map(|z| z * z).sum()
    }

    /// The same from the entries one by one, without memory: same sums in the same order.
    #[inline(always)]
    pub(crate) fn quadratic_of(&self, x: impl Fn(usize) -> f64) -> f64 {
        let squares = |j: usize| {
            let mut at = j * (j + 1) / 2 + j;
            let mut z = 0.0;
            for k in j..self.size {
                z += self.rows[at] * x(k);
                at += k + 1;
            }
            z * z
        };
        (0..self.size).map(squares).sum()
    }

    /// (LL')^-1 c.
    pub(crate) fn solve(&self, c: &[f64]) -> Vec<f64> {
        let mut x = c.to_vec();
        for k in 0..self.size {
            let row = self.row(k);
            x[k] = (x[k] - dot(&row[..k], &x[..k])) / row[k];
        }
        for k in (0..self.size).rev() {
            let row = self.row(k);
            x[k] /= row[k];
            let by = x[k];
            x[..k].iter_mut().zip(row).for_each(|(x, l)| *x -= by * l);
        }
        x
    }

    /// Adds `by` L z to numbers.
    pub(crate) fn add_times(&self, by: f64, z: &[f64], out: &mut [f64]) {
        for (j, z) in z.iter().enumerate() {
            for i in j..self.size {
                out[i] += by * self.row(i)[j] * z;
            }
        }
    }
}

/// A flake's own spread.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum ResolvedSpread {
    /// The same everywhere, and the degrees of freedom behind it.
    Constant(f64, f64),
    /// ln spread = z'c, and the factor of the covariance of c.
    Modelled(Vec<f64>, Triangle),
}

impl ResolvedSpread {
    /// A flake's own spread and the degrees of freedom behind it, from the terms of the log spread.
    #[inline]
    pub(crate) fn at(&self, z: impl Fn(usize) -> f64) -> (f64, f64) {
        match self {
            ResolvedSpread::Constant(value, degrees_of_freedom) => (*value, *degrees_of_freedom),
            ResolvedSpread::Modelled(coefficients, factor) => {
                let ln: f64 = coefficients.iter().enumerate().map(|(j, c)| z(j) * c).sum();
                (crate::vector::exp(ln), behind_log_spread(factor.quadratic_of(z)))
            }
        }
    }
}

/// Degrees of freedom of the tails.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum ResolvedTails {
    /// The same everywhere; infinite for normal ones.
    Same(f64),
    /// Place of the class that decides, and degrees of freedom by code.
    ByClass(usize, Vec<f64>),
}

impl ResolvedTails {
    fn new(tails: &Tails, layout: &Layout) -> Result<ResolvedTails> {
        Ok(match tails {
            Tails::Normal => ResolvedTails::Same(f64::INFINITY),
            Tails::Student { degrees_of_freedom } => ResolvedTails::Same(*degrees_of_freedom),
            Tails::ByClass { class, degrees_of_freedom } => {
                let missing = || Error::missing(class, "the tails depend on it");
                let at = layout.position(class).ok_or_else(missing)?;
                let known = layout.class_at(at).ok_or_else(missing)?;
                let of = |level: &String| {
                    degrees_of_freedom.iter().find(|(n, _)| n == level).map_or(f64::INFINITY, |(_, d)| *d)
                };
                ResolvedTails::ByClass(at, known.levels.iter().map(of).collect())
            }
        })
    }

    /// Degrees of freedom, the code of a class given by its place.
    pub(crate) fn at(&self, code: impl Fn(usize) -> f64) -> f64 {
        match self {
            ResolvedTails::Same(d) => *d,
            // a missing code is read as 0 by the cast; the row is not a number already where the form needs it
            ResolvedTails::ByClass(at, by_code) => {
                by_code.get(code(*at) as usize).copied().unwrap_or(f64::INFINITY)
            }
        }
    }
}

/// What the degrees of freedom of the errors and of the spread come to together.
pub(crate) fn together(tails: f64, spread: f64) -> f64 {
    1.0 / (1.0 / tails + 1.0 / spread)
}

/// Degrees of freedom that a log spread known with this variance stands for.
pub(crate) fn behind_log_spread(variance: f64) -> f64 {
    0.5 / variance
}

/// One size model made ready.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ResolvedSize {
    pub(crate) compiled: Compiled,
    pub(crate) transform: Transform,
    pub(crate) coefficients: Vec<f64>,
    /// Factor of the covariance of the coefficients.
    pub(crate) factor: Triangle,
    pub(crate) spread: ResolvedSpread,
    /// A flake's own spread and the degrees of freedom behind it, where they are the same everywhere.
    pub(crate) constant: Option<(f64, f64)>,
    pub(crate) tails: ResolvedTails,
    /// The smallest and the largest size recorded, transformed scale.
    pub(crate) recorded: Option<(f64, f64)>,
    /// Effects that groups share.
    pub(crate) shared: Option<ResolvedShared>,
    /// How it opens beyond the flakes fitted.
    pub(crate) opening: Opening,
    /// What another percussor changes.
    pub(crate) carried: Option<Carried>,
    /// Whether its design rows are those of the size before.
    pub(super) same_rows: bool,
}

/// Design rows of one size at one input row, and memory to work in.
#[derive(Debug, Default)]
pub(crate) struct DesignRows {
    pub(crate) location: Vec<f64>,
    spread: Vec<f64>,
    scratch: Vec<f64>,
}

impl DesignRows {
    fn are_finite(&self) -> bool {
        self.location.iter().chain(&self.spread).all(|v| v.is_finite())
    }
}

/// One size at one complete input row, transformed scale.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct At {
    /// What is expected, the effects of known groups included.
    pub(crate) location: f64,
    /// A flake's own spread.
    pub(crate) own: f64,
    /// Variance of what is expected, from the coefficients.
    pub(crate) uncertainty: f64,
    /// Variance of what groups share: of new ones, and of the errors of known ones.
    pub(crate) shared: f64,
    /// By how much another percussor moves what is expected.
    pub(crate) moved: f64,
    /// Variance of what another percussor changes, shared by all flakes.
    pub(crate) carried: f64,
    /// Variance for lying beyond the flakes fitted, shared by all flakes.
    pub(crate) beyond: f64,
    /// Of the errors, the spread and the variances of shared effects together.
    pub(crate) degrees_of_freedom: f64,
}

impl At {
    /// The spread of a prediction.
    pub(crate) fn scale(&self) -> f64 {
        (self.own * self.own + self.uncertainty + self.shared + self.carried + self.beyond).sqrt()
    }

    /// How far the row lies from those fitted, in units of the spread.
    pub(crate) fn leverage(&self) -> f64 {
        self.uncertainty / (self.own * self.own)
    }
}

impl ResolvedSize {
    /// Makes a size model ready under the layout of its calibration and the ranges of its variant.
    ///
    /// # Errors
    /// Those of a size model that contradicts itself.
    pub(crate) fn new(m: &SizeModel, layout: &Layout, ranges: &[Range]) -> Result<ResolvedSize> {
        let compiled = m.form.compile(layout)?;
        let terms = compiled.terms();
        if m.coefficients.len() != terms {
            let found = m.coefficients.len();
            return Err(Error::Shape { what: "coefficients".into(), found, expected: terms });
        }
        let spread = match &m.spread {
            Spread::Constant { value, degrees_of_freedom } => {
                ResolvedSpread::Constant(*value, *degrees_of_freedom)
            }
            Spread::Modelled { coefficients, covariance } => ResolvedSpread::Modelled(
                coefficients.clone(),
                Triangle::factor(&m.size, covariance, compiled.spread_terms())?,
            ),
        };
        Ok(ResolvedSize {
            factor: Triangle::factor(&m.size, &m.covariance, terms)?,
            constant: (compiled.spread_terms() == 1).then(|| spread.at(|_| 1.0)),
            spread,
            tails: ResolvedTails::new(&m.tails, layout)?,
            shared: ResolvedShared::new(m, layout),
            recorded: m.recorded.map(|r| (m.form.transform().apply(r.low), m.form.transform().apply(r.high))),
            transform: m.form.transform(),
            coefficients: m.coefficients.clone(),
            compiled,
            opening: Opening::new(m, ranges, layout),
            carried: None,
            same_rows: false,
        })
    }

    /// Fills the design rows at an input row.
    pub(crate) fn fill(&self, x: &[f64], rows: &mut DesignRows) {
        rows.location.resize(self.compiled.terms(), 0.0);
        self.compiled.fill(x, &mut rows.location);
        rows.spread.resize(self.compiled.spread_terms(), 0.0);
        self.compiled.fill_spread(x, &mut rows.spread);
    }

    /// The size at a complete input row; not a number outside the domain of its form.
    pub(crate) fn at(&self, x: &[f64], rows: &mut DesignRows) -> At {
        self.fill(x, rows);
        self.at_rows(x, rows)
    }

    /// The same where the design rows are those of the size before, or `rows` is filled with them anew.
    ///
    /// # Errors
    /// [`Error::Missing`] and [`Error::Domain`] where a term has no value.
    pub(crate) fn at_checked(&self, x: &[f64], rows: &mut DesignRows, layout: &Layout) -> Result<At> {
        if !self.same_rows {
            self.fill(x, rows);
            if !rows.are_finite() {
                self.compiled.check(x, layout)?;
            }
        }
        Ok(self.at_rows(x, rows))
    }

    /// The size where its design rows are filled.
    fn at_rows(&self, x: &[f64], rows: &mut DesignRows) -> At {
        let (own, behind) = self.constant.unwrap_or_else(|| self.spread.at(|j| rows.spread[j]));
        let mut at = At {
            location: dot(&rows.location, &self.coefficients),
            own,
            uncertainty: self.factor.quadratic(&rows.location, &mut rows.scratch),
            degrees_of_freedom: together(self.tails.at(|place| x[place]), behind),
            ..At::default()
        };
        if let Some(shared) = &self.shared {
            shared.at(|place| x[place], &rows.location).add_to(&mut at);
        }
        self.finish(|place| x.get(place).copied().unwrap_or(f64::NAN), &mut at);
        at
    }

    /// What is left to do for a row that lies beyond the flakes fitted or was struck by another percussor than they.
    #[inline]
    pub(crate) fn finish(&self, x: impl Fn(usize) -> f64, at: &mut At) {
        if self.opening.is_beyond(&x, at.leverage()) {
            at.beyond = self.opening.variance(&x, at);
        }
        if let Some(carried) = self.carried.as_ref().filter(|c| c.any(&x))
            && let Some(ratio) = carried.at(&x, self)
        {
            let (location, by) = self.transform.times(at.location, ratio.ln);
            let square = by * by;
            at.moved = location - at.location;
            (at.location, at.own) = (location, at.own * by);
            at.uncertainty *= square;
            at.shared *= square;
            at.beyond *= square;
            at.carried = ratio.variance() * self.transform.per_ln(location).powi(2);
        }
    }

    /// The variance that the ratios of two percussors give the difference of a size between two rows that are otherwise
    /// alike: none where the same ratio, or none, is taken for both.
    pub(crate) fn carried_apart(&self, x: &[f64], y: &[f64], a: &At, b: &At) -> f64 {
        let alike = self.carried.as_ref().is_none_or(|c| c.alike(x, y));
        if alike { 0.0 } else { a.carried + b.carried }
    }

    /// Whether [`ResolvedSize::finish`] has anything to do.
    #[inline]
    pub(crate) fn is_plain(&self, x: impl Fn(usize) -> f64, leverage: f64) -> bool {
        !(self.opening.is_beyond(&x, leverage) || self.carried.as_ref().is_some_and(|c| c.any(&x)))
    }

    /// Whether it may have something to do for some row of a block; see [`Opening::may_be_beyond`].
    pub(crate) fn may_not_be_plain<'a>(
        &self,
        column: impl Fn(usize) -> Option<&'a [f64]>,
        variances: &[f64],
        spread: f64,
    ) -> bool {
        self.carried.as_ref().is_some_and(|c| c.is_in(&column))
            || self.opening.may_be_beyond(column, variances, spread)
    }

    /// |L'd|^2 of a row, or a difference of rows.
    pub(crate) fn variance(&self, d: &[f64]) -> f64 {
        self.factor.quadratic(d, &mut Vec::new())
    }
}
