//! What became of the rows of a table of estimates, counted, and the first few reasons in words.

use super::read::{Row, RowOutcome, Tally};
use crate::error::Error;
use crate::predict::{Caution, Estimate};
use std::collections::BTreeMap;
use std::fmt;

/// How many remarks and reasons are spelled out. Own choice.
const SPELLED_OUT: usize = 10;

/// Counts of the rows of a table of estimates; its text is one line for each thing to know.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Summary {
    tally: Tally,
    remarks: Vec<String>,
    reasons: Vec<String>,
    used: BTreeMap<(String, String), u64>,
    cautions: BTreeMap<&'static str, (u64, String)>,
}

impl Summary {
    /// How many rows ended how.
    pub fn tally(&self) -> &Tally {
        &self.tally
    }

    /// Counts a row that was answered.
    pub fn answered(&mut self, row: &Row, e: &Estimate) {
        let remarks: Vec<Error> = row.problems().cloned().collect();
        let room = SPELLED_OUT.saturating_sub(self.remarks.len());
        self.remarks.extend(remarks.iter().take(room).map(Error::to_string));
        self.tally.count(&if remarks.is_empty() {
            RowOutcome::Read
        } else {
            RowOutcome::ReadWithRemark(remarks)
        });
        self.by(&e.calibration, &e.variant, 1);
        self.doubted(&e.cautions);
    }

    /// Counts a row that was refused.
    pub fn refused(&mut self, reasons: Vec<Error>) {
        let room = SPELLED_OUT.saturating_sub(self.reasons.len());
        self.reasons.extend(reasons.iter().take(room).map(Error::to_string));
        self.tally.count(&RowOutcome::Refused(reasons));
    }

    /// Counts rows answered without a remark by a variant of a calibration.
    pub(super) fn plain(&mut self, calibration: &str, variant: &str, rows: u64) {
        self.tally.count_read(rows);
        self.by(calibration, variant, rows);
    }

    fn by(&mut self, calibration: &str, variant: &str, rows: u64) {
        *self.used.entry((calibration.to_string(), variant.to_string())).or_default() += rows;
    }

    /// Counts the cautions of one row.
    pub(super) fn doubted(&mut self, cautions: &[Caution]) {
        for c in cautions {
            self.cautions.entry(c.kind()).or_insert_with(|| (0, c.to_string())).0 += 1;
        }
    }

    /// Counts the same cautions of further rows.
    pub(super) fn doubted_again(&mut self, cautions: &[Caution], rows: u64) {
        for c in cautions {
            if let Some((n, _)) = self.cautions.get_mut(c.kind()) {
                *n += rows;
            }
        }
    }

    /// Adds the counts of the rows that follow.
    pub fn append(&mut self, later: Summary) {
        self.tally = self.tally.merge(later.tally);
        for (mine, theirs) in [(&mut self.remarks, later.remarks), (&mut self.reasons, later.reasons)] {
            let room = SPELLED_OUT.saturating_sub(mine.len());
            mine.extend(theirs.into_iter().take(room));
        }
        for (by, n) in later.used {
            *self.used.entry(by).or_default() += n;
        }
        for (kind, (n, text)) in later.cautions {
            self.cautions.entry(kind).or_insert_with(|| (0, text)).0 += n;
        }
    }
}

fn rows(n: u64) -> String {
    format!("{n} {}", if n == 1 { "row" } else { "rows" })
}

impl fmt::Display for Summary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let t = &self.tally;
        writeln!(
            f,
            "{}: {} answered without a remark, {} with a remark, {} refused",
            rows(t.rows()),
            t.read(),
            t.remarked(),
            t.refused()
        )?;
        for ((calibration, variant), n) in &self.used {
            writeln!(f, "  {n} by {calibration}: {variant}")?;
        }
        for (what, list, all) in
            [("refused", &self.reasons, t.refused()), ("remark", &self.remarks, t.remarked())]
        {
            for text in list {
                writeln!(f, "  {what}: {text}")?;
            }
            if all > SPELLED_OUT as u64 {
                writeln!(f, "  ({all} rows in all; the first {SPELLED_OUT} are told)")?;
            }
        }
        for (kind, (n, example)) in &self.cautions {
            writeln!(f, "  caution on {}, {kind}: {example}", rows(*n))?;
        }
        Ok(())
    }
}
