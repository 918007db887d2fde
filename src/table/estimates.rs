//! A table in, the same table with its estimates out: any length in the same memory, on all threads with the
//! feature `parallel`, the same bytes for any number of threads.
//!
//! ```text
//! blocks of whole records  ->  records  ->  plain rows:  kind of row settled once, numbers a block at a time
//!                                           all others:  understood, estimated and written one by one
//! ```
//!
//! A row is plain where its numbers can be read and are in their bounds, its text needs no quotes, and its sizes are not
//! averaged over terminations. Rows of the same classes and the same measurements are of one kind: choosing the variant,
//! filling in settings and the doubts that go with them are done once for each kind, and only the numbers, and the doubts
//! about them, are worked out for each row. Plain rows get the intervals of [`Predictor::estimate`] to the last bit, and all
//! are written to six significant digits.

use super::digits::millionths;
use super::header::Header;
use super::read::{BLOCK_BYTES, TableReader};
use super::row::Row;
use super::rows::{self, Answers};
use super::summary::Summary;
use super::write::Line;
use crate::assess::AsItStands;
use crate::assess::measured::{MeasuredSize, Tally};
use crate::calibration::fitting::as_struck;
use crate::calibration::{Calibration, SIZES, bundled};
use crate::error::{Error, Result};
use crate::form::TERMINATION;
use crate::material::Figure;
use crate::predict::measurement::MeasurementErrors;
use crate::predict::{Ask, BlowAsKnown, Caution, Estimate, Interval, LEVEL, Predictor, Quantiles};
use crate::strike::{Measured, NOTHING, PLATFORM_AREA_MM2};
use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::sync::OnceLock;

/// Terminations with a column of their own.
pub(crate) const TERMINATIONS: [&str; 4] = ["feather", "hinge", "step", "overshot"];

/// A row of a table, completed by what is given for all rows.
#[derive(Clone, Copy)]
pub struct Completed<'a> {
    /// The row.
    pub row: &'a Row,
    /// What is given where the row says nothing.
    pub given: &'a (dyn Measured + Sync),
}

impl Measured for Completed<'_> {
    fn number(&self, name: &str) -> Option<f64> {
        Measured::number(self.row, name).or_else(|| self.given.number(name))
    }
    fn class(&self, name: &str) -> Option<&str> {
        Measured::class(self.row, name).or_else(|| self.given.class(name))
    }
    fn figure(&self, name: &str) -> Option<Figure> {
        self.row.figure(name).or_else(|| self.given.figure(name))
    }
    fn unreadable(&self, name: &str) -> Option<Error> {
        self.row.unreadable(name)
    }
}

/// The calibration asked for, or for each row the one that answers where none is named ([`bundled::answering`]).
#[derive(Debug)]
pub(crate) struct Predictors {
    pub(super) first: Predictor,
    by_row: bool,
    of_the_experiment: bool,
    sizes: Vec<String>,
    others: BTreeMap<&'static str, OnceLock<Result<Predictor>>>,
}

impl Predictors {
    /// Resolves the first calibration; with `by_row` the bundled one that answers for a row stands in for it, moved to
    /// sites ([`Calibration::at_sites`]).
    ///
    /// # Errors
    /// As [`Predictor::new`].
    pub(crate) fn new(calibration: Calibration, by_row: bool) -> Result<Predictors> {
        let others = bundled::NAMES.iter().map(|n| (*n, OnceLock::new())).collect();
        let first = Predictor::new(calibration)?;
        Ok(Predictors { first, by_row, of_the_experiment: false, sizes: Vec::new(), others })
    }

    /// Narrows all of them to these sizes.
    ///
    /// # Errors
    /// As [`Calibration::only`].
    pub(crate) fn only(mut self, sizes: &[String]) -> Result<Predictors> {
        let first = self.first.calibration().clone().only(sizes)?;
        self.first = Predictor::new(first)?;
        self.sizes = sizes.to_vec();
        Ok(self)
    }

    /// The one for a row.
    ///
    /// # Errors
    /// Those of a bundled calibration; none in fact.
    pub(crate) fn of(&self, row: &impl Measured) -> Result<&Predictor> {
        if !self.by_row {
            return Ok(&self.first);
        }
        let name = bundled::answering(row);
        if name == self.first.calibration().name() {
            return Ok(&self.first);
        }
        let Some(other) = self.others.get(name) else { return Ok(&self.first) };
        let made = other.get_or_init(|| {
            let calibration = bundled::named(name)?;
            let calibration = if self.of_the_experiment { calibration } else { calibration.at_sites()? };
            Predictor::new(if self.sizes.is_empty() { calibration } else { calibration.only(&self.sizes)? })
        });
        made.as_ref().map_err(Error::clone)
    }
}

/// The estimate of one row, measured with these errors, or why there is none.
///
/// # Errors
/// Every reason: what [`Row::refused`] says; otherwise the bad cells that the answer could have used, after what
/// [`Predictor::estimate`] says unless a bad cell explains it.
pub(crate) fn answer(
    predictor: &Predictor,
    row: &Row,
    both: &Completed<'_>,
    ask: &Ask,
    errors: &MeasurementErrors,
) -> std::result::Result<Estimate, Vec<Error>> {
    if let Some(e) = row.refused() {
        return Err(vec![e.clone()]);
    }
    predictor.estimate_with_error(both, ask, errors).map_err(|e| reasons(predictor, row, e))
}

/// Why a row has no answer by a calibration: the bad cells that it could have used, after the error unless one explains it.
pub(crate) fn reasons(predictor: &Predictor, row: &Row, e: Error) -> Vec<Error> {
    // a bad cell in a column that the answer could have used is the reason, before what is missing
    let mut reasons = row.bad(predictor.reads());
    let told = matches!(&e, Error::Missing { at, .. } if !row.bad(at.column.as_slice()).is_empty());
    if !told {
        reasons.insert(0, e.in_row(row.row_number()));
    }
    reasons
}

/// What a calibration says of all its flakes, and what blank cells of terminations say too.
pub(super) const GENERAL: [&str; 3] = ["moved-to-sites", "not-in-experiment", "terminations-not-told"];

/// Cautions as one cell, but for these kinds.
pub(crate) fn joined(cautions: &[Caution], left_out: &[&str]) -> String {
    let own = cautions.iter().filter(|c| !left_out.contains(&c.kind()));
    own.map(Caution::to_string).collect::<Vec<_>>().join("; ")
}

/// The column that tells whether blows detach.
const DETACHMENT: &str = "detachment_probability";

/// Estimates of every row of a table.
///
/// The columns added are the ends and the median of each size (`expected_mass_g_low`), each termination (`p_feather`),
/// `calibration`, `cautions` and `form`; a row without an answer keeps its place, with the
/// reason under `cautions`. What one calibration that answers all rows says of every one of them stands in the summary.
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::table::{TableEstimates, TableOptions, TableReader};
/// let text = "flake,platform_depth_mm,exterior_platform_angle_deg\nA1,8,75\nA2,wide,75\n";
/// let table = TableReader::new(text.as_bytes(), &TableOptions::new())?;
/// let estimates = TableEstimates::new(bundled::named("hard-hammer-flint")?, 0.95)?.only(&["mass_g"])?;
/// let (out, summary) = estimates.write(table, Vec::new(), |_| {})?;
/// let text = String::from_utf8(out).unwrap();
/// let lines: Vec<&str> = text.lines().collect();
/// assert!(lines[0].ends_with("expected_mass_g_high,p_feather,p_hinge,p_step,p_overshot,calibration,cautions,form"));
/// assert!(lines[1].starts_with("A1,8,75,") && lines[2].contains("refused: row 2, column platform_depth_mm"));
/// assert_eq!((summary.rows(), summary.refused_rows()), (2, 1));
/// # Ok::<(), conchoid::Error>(())
/// ```
pub struct TableEstimates<'a> {
    pub(super) predictors: Predictors,
    pub(super) level: f64,
    pub(super) ask: Ask,
    pub(super) given: &'a (dyn Measured + Sync),
    pub(super) sizes: Vec<&'static str>,
    detachment: bool,
    every_caution: bool,
    pub(super) errors: MeasurementErrors,
    pub(super) block_bytes: usize,
}

impl<'a> TableEstimates<'a> {
    /// Every size of a calibration, as intervals of this level.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < level < 1, and those of [`Predictor::new`].
    pub fn new(calibration: Calibration, level: f64) -> Result<Self> {
        Ok(TableEstimates {
            predictors: Predictors::new(calibration, false)?,
            level: LEVEL.check(level)?,
            ask: Ask::default(),
            given: &NOTHING,
            sizes: SIZES.to_vec(),
            detachment: false,
            every_caution: false,
            errors: MeasurementErrors::new(),
            block_bytes: BLOCK_BYTES,
        })
    }

    /// Each row by the bundled calibration that answers where none is named ([`bundled::answering`]), the experiments moved
    /// to sites; the one given counts as its own bundled namesake.
    pub fn by_row(mut self) -> Self {
        self.predictors.by_row = true;
        self
    }

    /// The flakes were struck as in the experiments: those that stand in are not moved to sites.
    pub fn of_the_experiment(mut self) -> Self {
        self.predictors.of_the_experiment = true;
        self
    }

    /// What is given for all rows that say nothing themselves.
    pub fn given(mut self, given: &'a (dyn Measured + Sync)) -> Self {
        self.given = given;
        self
    }

    /// What is asked for beyond the measurements.
    pub fn ask(mut self, ask: Ask) -> Self {
        self.ask = ask;
        self
    }

    /// Only these sizes; what is asked ([`Self::ask`]) is said before.
    ///
    /// # Errors
    /// As [`Calibration::only`].
    pub fn only(mut self, sizes: &[impl AsRef<str>]) -> Result<Self> {
        let names: Vec<String> = sizes.iter().map(|s| s.as_ref().to_string()).collect();
        // what decided which flakes were kept is needed, though not told
        let deciding = self.ask.kept.iter().flat_map(|k| k.sizes().to_vec());
        self.predictors = self.predictors.only(&deciding.chain(names.clone()).collect::<Vec<_>>())?;
        self.sizes = SIZES.into_iter().filter(|s| names.iter().any(|n| n == s)).collect();
        Ok(self)
    }

    /// A column `detachment_probability` before the sizes, where a table of this header, with what is given, says enough of
    /// its blows ([`BlowAsKnown::measured`]); blank for a row that does not. Say what is given first.
    pub fn detachment(mut self, header: &Header) -> Self {
        let there = |name: &&str| self.given.number(name).is_some() || header.column(name).is_some();
        self.detachment = ["percussor_mass_g", "tip_radius_mm", "speed_m_s"].iter().all(there);
        self
    }

    /// How exactly the platforms were measured; the intervals widen by it.
    pub fn measured_with(mut self, errors: MeasurementErrors) -> Self {
        self.errors = errors;
        self
    }

    /// Whether every caution stands in the cell of its row, also what the summary says of every row: for a table without its
    /// summary.
    pub fn every_caution(mut self, every: bool) -> Self {
        self.every_caution = every;
        self
    }

    /// Bytes of a block; the answers do not depend on it.
    #[cfg(test)]
    pub(crate) fn block_bytes(mut self, bytes: usize) -> Self {
        self.block_bytes = bytes.max(1);
        self
    }

    /// The names of the columns added.
    pub(crate) fn columns(&self) -> Vec<String> {
        let ends = |size: &&str| ["low", "median", "high"].map(|end| format!("expected_{size}_{end}"));
        let mut names: Vec<String> = self.detachment.then(|| DETACHMENT.to_string()).into_iter().collect();
        names.extend(self.sizes.iter().flat_map(ends));
        names.extend(TERMINATIONS.map(|t| format!("p_{t}")));
        names.extend(["calibration", "cautions", "form"].map(String::from));
        names
    }

    /// The cells added to a row by its estimate, in the order of the columns, less the one of detachment and the three of
    /// text.
    ///
    /// # Errors
    /// None for an estimate of this crate.
    pub(crate) fn numbers(&self, e: &Estimate, quantiles: &mut Quantiles) -> Result<Vec<Option<f64>>> {
        let mut numbers = Vec::with_capacity(3 * self.sizes.len() + TERMINATIONS.len());
        for size in &self.sizes {
            match e.size(size) {
                Some(p) => {
                    let i = p.interval_with(self.level, quantiles)?;
                    numbers.extend([Some(i.low), Some(i.median), Some(i.high)]);
                }
                None => numbers.extend([None; 3]),
            }
        }
        for name in TERMINATIONS {
            let known = e.terminations.iter().find(|t| t.0 == name);
            numbers.push(known.map(|t| millionths(t.1.value)));
        }
        Ok(numbers)
    }

    /// One estimate as a table of its own: the columns added and one row, with the probability that the blow detaches where
    /// that is given.
    ///
    /// # Errors
    /// [`Error::Io`](crate::Error::Io) of the writer.
    ///
    /// ```
    /// use conchoid::calibration::bundled;
    /// use conchoid::predict::Predictor;
    /// use conchoid::strike::Strike;
    /// use conchoid::table::TableEstimates;
    /// let flint = bundled::named("hard-hammer-flint")?;
    /// let strike = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build()?;
    /// let estimate = Predictor::new(flint.clone())?.estimate(&strike, &Default::default())?;
    /// let out = TableEstimates::new(flint, 0.95)?.only(&["mass_g"])?.write_one(Vec::new(), &estimate, None)?;
    /// let text = String::from_utf8(out).unwrap();
    /// assert!(text.starts_with("expected_mass_g_low,expected_mass_g_median") && text.lines().count() == 2);
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    pub fn write_one<W: Write>(mut self, writer: W, e: &Estimate, detachment: Option<f64>) -> Result<W> {
        self.detachment = detachment.is_some();
        let sizes = self.numbers(e, &mut Quantiles::default())?;
        let numbers: Vec<Option<f64>> = detachment.map(Some).into_iter().chain(sizes).collect();
        let texts = [e.calibration.as_str(), &joined(&e.cautions, &[]), &e.form];
        super::write::alone(writer, &self.columns(), &numbers, &texts)
    }

    /// Kinds of caution that cells leave out, since the summary says them of every row: where one calibration answers all.
    pub(crate) fn left_out(&self, header: &Header) -> &'static [&'static str] {
        let has = |name: &str| header.column(name).is_some();
        let all_alike = !self.predictors.by_row
            || self.given.number(PLATFORM_AREA_MM2.name()).is_none() && bundled::answers_alike(has);
        // how a flake ends may be asked of one row and known of the next
        let reads_ends = self.predictors.first.calibration().layout().position(TERMINATION).is_some();
        match all_alike && !self.every_caution {
            true => &GENERAL[..if reads_ends { 2 } else { 3 }],
            false => &[],
        }
    }

    /// Whether every row must be looked at by itself.
    pub(super) fn one_by_one(&self) -> bool {
        self.detachment || !self.errors.is_empty()
    }

    /// Estimates one row and writes it, or why there is no estimate.
    pub(super) fn one(
        &self,
        row: &Row,
        out: &mut Line,
        summary: &mut Summary,
        quantiles: &mut Quantiles,
    ) -> Result<Option<Estimate>> {
        let both = Completed { row, given: self.given };
        let predictor = self.predictors.of(&both)?;
        let calibration = predictor.calibration();
        match answer(predictor, row, &both, &self.ask, &self.errors) {
            Ok(mut estimate) => {
                self.against_measured(row, &mut estimate, summary, quantiles)?;
                out.row(row);
                if self.detachment {
                    let blow = BlowAsKnown::measured(&both, calibration.stone()).ok().flatten();
                    out.rounded(blow.map(|b| b.probability()));
                }
                self.numbers(&estimate, quantiles)?.into_iter().for_each(|number| out.rounded(number));
                let cautions = joined(&estimate.cautions, self.left_out(row.header()));
                [&estimate.calibration, &cautions, &estimate.form].iter().for_each(|t| out.text(t));
                out.end();
                summary.answered(row, &estimate);
                Ok(Some(estimate))
            }
            Err(reasons) => {
                let blanks = usize::from(self.detachment) + 3 * self.sizes.len() + TERMINATIONS.len();
                rows::refuse((out, summary), row, (blanks, Some(calibration.name()), 1), reasons);
                Ok(None)
            }
        }
    }

    /// Compares the sizes that a complete flake without retouch holds with what was expected of them: each is counted,
    /// and there is a caution for each that lies outside.
    ///
    /// # Errors
    /// None for an estimate of this crate.
    pub(crate) fn against_measured(
        &self,
        row: &Row,
        estimate: &mut Estimate,
        summary: &mut Summary,
        quantiles: &mut Quantiles,
    ) -> Result<()> {
        if as_struck(row, false).is_err() {
            return Ok(());
        }
        let predictor = self.predictors.of(&Completed { row, given: self.given })?;
        let mut outside = Vec::new();
        for s in estimate.sizes.iter().filter(|s| self.sizes.iter().any(|n| *n == s.size)) {
            let Some(observed) = Measured::number(row, &s.column).filter(|v| *v > 0.0) else { continue };
            let Interval { low, median, high, level } = s.predictive.interval_with(self.level, quantiles)?;
            let size = MeasuredSize { observed, low, median, high };
            outside.extend(Caution::outside(&s.column, observed, (low, high)));
            let law = (level, predictor.common(&estimate.variant, &s.size));
            let site = row.class("site").unwrap_or_default();
            summary.measured_sizes((&estimate.calibration, &s.column), site, Tally::of(&size), law);
        }
        estimate.cautions.extend(outside);
        Ok(())
    }

    /// As [`TableEstimates::write`], and hands over what `see` makes of each row and its estimate, in the order of
    /// the table: for a picture of them. No row is kept.
    ///
    /// # Errors
    /// As [`TableEstimates::write`], and what `take` returns.
    pub fn write_seen<R: Read, W: Write, T: Send>(
        &self,
        table: TableReader<R>,
        writer: W,
        progress: impl FnMut(u64),
        see: impl Fn(&Completed<'_>, Estimate) -> Result<T> + Sync,
        take: impl FnMut(T) -> Result<()>,
    ) -> Result<(W, Summary)> {
        rows::write(&Watched { how: self, see }, table, writer, progress, take)
    }

    /// As [`TableEstimates::write_seen`], and how the sizes recorded lie beside what was expected of them.
    ///
    /// # Errors
    /// As [`TableEstimates::write_seen`].
    pub fn write_beside<R: Read, W: Write, T: Send>(
        &self,
        table: TableReader<R>,
        writer: W,
        progress: impl FnMut(u64),
        see: impl Fn(&Completed<'_>, Estimate) -> Result<T> + Sync,
        mut take: impl FnMut(T) -> Result<()>,
    ) -> Result<(W, Summary, AsItStands)> {
        let mut fit = AsItStands::new(self.level)?;
        let finder = fit.clone();
        let (writer, summary) = self.write_seen(
            table,
            writer,
            progress,
            |row, e| Ok((finder.found(row, &e)?, see(row, e)?)),
            |(found, seen)| {
                fit.take(found);
                take(seen)
            },
        )?;
        Ok((writer, summary, fit))
    }
}

/// Estimates of which something is seen.
struct Watched<'t, F> {
    how: &'t TableEstimates<'t>,
    see: F,
}

impl<T: Send, F: Fn(&Completed<'_>, Estimate) -> Result<T> + Sync> Answers for Watched<'_, F> {
    type Seen = T;

    fn columns(&self) -> Vec<String> {
        self.how.columns()
    }

    fn answer(&self, row: &Row, out: &mut Line, summary: &mut Summary) -> Result<Option<T>> {
        let found = self.how.one(row, out, summary, &mut Quantiles::default())?;
        found.map(|e| (self.see)(&Completed { row, given: self.how.given }, e)).transpose()
    }
}
