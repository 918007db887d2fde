//! What is noticed while a table is taken in that is no fault of a row: old encodings, failed formulas, cells that a
//! spreadsheet would run, blank cells beyond the header line. Counted once, told in a line each.

use super::column::shorten;
use super::condition::Chosen;
use super::row::Row;
use super::text::rows_told;
use crate::error::counted;
use std::collections::BTreeMap;
use std::fmt;

/// Rows that are named as examples. This crate's choice, no source.
const NAMED: usize = 3;

/// Columns with failed formulas that are told apart. This crate's choice, no source.
const MOST_COLUMNS: usize = 64;

/// A count, and the first rows.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Noticed {
    pub count: u64,
    rows: Vec<u64>,
}

impl Noticed {
    #[inline]
    pub fn notice(&mut self, row: u64, count: u64) {
        if count == 0 {
            return;
        }
        self.count += count;
        if self.rows.len() < NAMED + 1 && self.rows.last() != Some(&row) {
            self.rows.push(row);
        }
    }

    /// One row.
    pub fn of(row: u64) -> Noticed {
        Noticed { count: 1, rows: vec![row] }
    }

    pub(crate) fn append(&mut self, other: Noticed) {
        self.count += other.count;
        self.rows.extend(other.rows);
        self.rows.sort_unstable();
        self.rows.dedup();
        self.rows.truncate(NAMED + 1);
    }

    /// `rows 1, 2, 5, ...`
    pub(crate) fn rows(&self) -> String {
        let mut told: Vec<String> = self.rows.iter().take(NAMED).map(u64::to_string).collect();
        if self.rows.len() > NAMED {
            told.push("...".into());
        }
        let noun = if self.rows.len() == 1 { "row" } else { "rows" };
        format!("{noun} {}", told.join(", "))
    }
}

/// So many rows, in words.
pub(super) fn rows_counted(n: u64) -> String {
    format!("{} {}", rows_told(n), if n == 1 { "row" } else { "rows" })
}

/// What was noticed on the way in; its text is one line for each thing.
///
/// ```
/// use conchoid::table::{TableOptions, TableReader};
/// let text = b"flake,depth_mm,notes\nA1,8,caf\xe9\nA2,#VALUE!,\n";
/// let mut table = TableReader::new(text.as_slice(), &TableOptions::new())?;
/// let mut row = table.row();
/// while table.read(&mut row)? {}
/// let told = table.intake().to_string();
/// assert!(told.starts_with("1 cell is not UTF-8 and was read as Windows-1252 (row 1)\n"), "{told}");
/// assert!(told.contains("depth_mm: 1 cell where a formula failed, taken as not recorded (row 2)"), "{told}");
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Intake {
    legacy: Noticed,
    surplus: Noticed,
    formulas: Noticed,
    failed_formulas: BTreeMap<String, Noticed>,
    areas: Noticed,
    pub(super) chosen: Chosen,
}

impl Intake {
    /// Notices what one row has.
    pub(super) fn row(&mut self, row: &Row) {
        let n = row.row_number();
        self.legacy.notice(n, row.legacy_cells());
        self.formulas.notice(n, row.formulas());
        self.surplus.notice(n, row.blank_surplus());
        self.areas.notice(n, u64::from(row.area_from_shape));
        for column in row.failed_formulas() {
            if self.failed_formulas.len() < MOST_COLUMNS || self.failed_formulas.contains_key(column) {
                self.failed_formulas.entry(shorten(column)).or_default().notice(n, 1);
            }
        }
    }

    /// Notices cells like formulas, and an area worked out, of a row that was not looked at in full.
    #[inline]
    pub(super) fn plain(&mut self, row: u64, formulas: u32, area: bool) {
        if formulas > 0 {
            self.formulas.notice(row, u64::from(formulas));
        }
        if area {
            self.areas.notice(row, 1);
        }
    }

    /// Adds what was noticed in the rows that follow.
    pub(super) fn append(&mut self, later: Intake) {
        self.legacy.append(later.legacy);
        self.surplus.append(later.surplus);
        self.formulas.append(later.formulas);
        self.areas.append(later.areas);
        for (column, noticed) in later.failed_formulas {
            self.failed_formulas.entry(column).or_default().append(noticed);
        }
        self.chosen.append(later.chosen);
    }

    /// Rows of the table that were looked at, and those chosen of them, where there are conditions.
    #[cfg(test)]
    pub(crate) fn chosen(&self) -> Option<(u64, u64)> {
        (self.chosen.rows > 0).then_some((self.chosen.rows, self.chosen.kept))
    }
}

impl fmt::Display for Intake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let cells = |n: &Noticed| counted(n.count, "cell", "cells");
        let is = |n: &Noticed| if n.count == 1 { ("is", "was") } else { ("are", "were") };
        if let Some(chosen) = self.chosen.in_words() {
            writeln!(f, "{chosen}")?;
        }
        if self.legacy.count > 0 {
            let (is, was) = is(&self.legacy);
            let rows = self.legacy.rows();
            writeln!(f, "{} {is} not UTF-8 and {was} read as Windows-1252 ({rows})", cells(&self.legacy))?;
        }
        for (column, n) in &self.failed_formulas {
            let rows = n.rows();
            writeln!(f, "{column}: {} where a formula failed, taken as not recorded ({rows})", cells(n))?;
        }
        if self.areas.count > 0 {
            let n = counted(self.areas.count, "platform area", "platform areas");
            writeln!(f, "{n} worked out from width and depth by the shape ({})", self.areas.rows())?;
        }
        if self.surplus.count > 0 {
            let n = counted(self.surplus.count, "row has", "rows have");
            writeln!(
                f,
                "{n} blank cells beyond the header line, which are left away ({})",
                self.surplus.rows()
            )?;
        }
        if self.formulas.count > 0 {
            let n = counted(self.formulas.count, "cell begins", "cells begin");
            let rows = self.formulas.rows();
            writeln!(f, "{n} like a formula, which a spreadsheet would run ({rows}); written as it stands")?;
        }
        Ok(())
    }
}
