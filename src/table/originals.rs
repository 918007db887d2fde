//! A table of retouched or broken pieces in, the same table with what they were out: any length in the same memory,
//! on all threads with the feature `parallel`.

use super::estimates::{Completed, TableEstimates, joined, reasons};
use super::row::Row;
use super::rows::{Answers, refuse};
use super::summary::Summary;
use super::write::Line;
use crate::error::{Error, Result};
use crate::flake::{RETOUCH_HEIGHT_MM, THICKNESS_AT_MM, WithRetouch};
use crate::infer::original::{IMPROBABLE, Truncated};
use crate::infer::{LookBack, Original, OriginalEstimate, Remains};
use crate::predict::Predictive;
use crate::strike::Measured;
use std::io::Write;

/// What the pieces of a table were when they came off.
///
/// A piece needs `mass_now_g` and what tells of the rest: its retouch, or its platform (see [`LookBack`]). Numbers
/// are written to six significant digits; a row without an answer keeps its place, with the reason under `cautions`.
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::table::{TableEstimates, TableOptions, TableOriginals, TableReader};
/// let text = "tool,platform_depth_mm,exterior_platform_angle_deg,mass_now_g\nS1,9,72,14.2\nS2,9,72,\n";
/// let table = TableReader::new(text.as_bytes(), &TableOptions::new())?;
/// let originals = TableOriginals::of(TableEstimates::new(bundled::named("hard-hammer-flint")?, 0.95)?)?;
/// let (out, summary) = originals.write(table, Vec::new(), |_| {}, |_, _| Ok(()))?;
/// let text = String::from_utf8(out).unwrap();
/// let lines: Vec<&str> = text.lines().collect();
/// assert!(lines[0].ends_with("share_lost_high,calibration,cautions"));
/// assert!(lines[1].starts_with("S1,9,72,14.2,") && lines[2].contains("refused: row 2"));
/// assert_eq!((summary.rows(), summary.refused_rows()), (2, 1));
/// # Ok::<(), conchoid::Error>(())
/// ```
pub struct TableOriginals<'a> {
    pub(super) how: TableEstimates<'a>,
    pub(super) look: LookBack<'a>,
    pub(super) keep_seen: bool,
}

impl<'a> TableOriginals<'a> {
    /// The columns added.
    const COLUMNS: [&'static str; 8] = [
        "original_mass_g_low",
        "original_mass_g_median",
        "original_mass_g_high",
        "share_lost_low",
        "share_lost_median",
        "share_lost_high",
        "calibration",
        "cautions",
    ];

    /// By the calibration of estimates, as intervals of their level, with all that they were told.
    ///
    /// # Errors
    /// None for the calibration of losses of this crate.
    pub fn of(how: TableEstimates<'a>) -> Result<Self> {
        Ok(TableOriginals { how, look: LookBack::new()?, keep_seen: false })
    }

    /// How the originals are looked for: what the retouch tells, and what is usually lost.
    pub fn looking(mut self, look: LookBack<'a>) -> Self {
        self.look = look;
        self
    }

    /// Hands each answer over too, with the mass that remains, as [`TableOriginals::write`] goes.
    pub fn seen(mut self) -> Self {
        self.keep_seen = true;
        self
    }

    /// One answer as a table of its own: the columns added and one row.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < level < 1; [`Error::Io`] of the writer.
    pub fn write_one<W: Write>(writer: W, found: &OriginalEstimate, level: f64) -> Result<W> {
        let numbers = Self::numbers(&found.mass, level)?.map(Some);
        let texts = [found.estimate.calibration.as_str(), &joined(&found.cautions, &[])];
        super::write::alone(writer, &Self::COLUMNS, &numbers, &texts)
    }

    /// The numbers added to a row, in the order of the columns.
    fn numbers(mass: &Original, level: f64) -> Result<[f64; 6]> {
        let (m, s) = mass.size_and_share_lost(level)?;
        Ok([m.low, m.median, m.high, s.low, s.median, s.high])
    }

    /// The numbers of a piece by the laws of its mass and length when it came off, as [`LookBack::original`] has them; none
    /// where only that can tell: `now` holds what [`STATE`] names, not a number where it was not recorded.
    pub(super) fn by_laws(
        &self,
        now: &[f64; STATE.len()],
        [mass, length]: [Option<Predictive>; 2],
    ) -> Option<[f64; 6]> {
        let now = Now(now);
        WithRetouch::of(&now).ok()?;
        let remains = Remains::of(&now).ok()?;
        let likely = |t: &Truncated| t.probability() >= IMPROBABLE;
        if let Some(now) = remains.length_now_mm() {
            Truncated::new(length?, now).ok().filter(likely)?;
        }
        let mass = Original::new(mass?, remains.mass_now_g(), remains.certain_g(), None).ok()?;
        mass.truncated().filter(|t| likely(t))?;
        Self::numbers(&mass, self.how.level).ok()
    }

    fn found(
        &self,
        row: &Row,
        both: &Completed<'_>,
    ) -> std::result::Result<(OriginalEstimate, [f64; 6]), Vec<Error>> {
        let placed = |e: Error| vec![e.in_row(row.row_number())];
        readable(row)?;
        let predictor = self.how.predictors.of(both).map_err(placed)?;
        let found = self.look.clone().sizes(predictor).original(both, &self.how.ask);
        let found = found.map_err(|e| reasons(predictor, row, e))?;
        let numbers = Self::numbers(&found.mass, self.how.level).map_err(placed)?;
        Ok((found, numbers))
    }
}

/// Refuses a row that is none, or whose state now cannot be read: it must not be answered without what stands there.
fn readable(row: &Row) -> std::result::Result<(), Vec<Error>> {
    if let Some(e) = row.refused() {
        return Err(vec![e.clone()]);
    }
    let heights = RETOUCH_HEIGHT_MM.iter().chain(&THICKNESS_AT_MM).map(|b| b.name());
    let sizes = ["mass_now_g", "mass_missing_g", "max_thickness_now_mm", "length_now_mm", "width_now_mm"];
    let marks = ["retouch_index", "retouch_kind", "retouched_edges", "retouched", "portion"];
    let state = sizes.into_iter().chain(marks).chain(heights);
    let bad = row.bad(state);
    if bad.is_empty() { Ok(()) } else { Err(bad) }
}

/// The mass that remains.
pub(super) const NOW: &str = STATE[0];

/// What the numbers of a piece without retouch may depend on beside its platform.
pub(super) const STATE: [&str; 6] =
    ["mass_now_g", "mass_missing_g", "length_now_mm", "max_thickness_now_mm", "mass_g", "original_mass_g"];

/// A piece without retouch as it is now: its [`STATE`], not a number where it was not recorded.
struct Now<'a>(&'a [f64; STATE.len()]);

impl Measured for Now<'_> {
    fn number(&self, name: &str) -> Option<f64> {
        let at = STATE.iter().position(|n| *n == name)?;
        Some(self.0[at]).filter(|v| !v.is_nan())
    }
    fn class(&self, _: &str) -> Option<&str> {
        None
    }
}

impl Answers for TableOriginals<'_> {
    type Seen = (OriginalEstimate, f64);

    fn columns(&self) -> Vec<String> {
        Self::COLUMNS.map(String::from).to_vec()
    }

    fn answer(&self, row: &Row, out: &mut Line, summary: &mut Summary) -> Result<Option<Self::Seen>> {
        let both = Completed { row, given: self.how.given };
        match self.found(row, &both) {
            Ok((mut found, numbers)) => {
                out.row(row);
                numbers.iter().for_each(|v| out.rounded(Some(*v)));
                out.text(&found.estimate.calibration);
                out.text(&joined(&found.cautions, &[]));
                out.end();
                found.estimate.cautions.clone_from(&found.cautions);
                summary.answered(row, &found.estimate);
                let now = both.number(NOW).filter(|_| self.keep_seen);
                Ok(now.map(|now| (found, now)))
            }
            Err(reasons) => {
                let calibration = self.how.predictors.of(&both)?.calibration().name();
                refuse((out, summary), row, (6, Some(calibration), 0), reasons);
                Ok(None)
            }
        }
    }
}
