//! One row of a table, understood, and how it ends: read, with what is bad in it, or refused.

use super::cell;
use super::column::{Kind, NotRead, shorten};
use super::header::{ColumnId, Header};
use super::text::{Cells, like_formula, put_text};
use crate::calibration::ROW;
use crate::error::{Error, Place, counted};
use crate::flake;
use crate::strike::{Measured, PlatformShape};
use std::sync::Arc;

/// A bad cell: which of the understood columns, and what is wrong.
#[derive(Debug, Clone)]
struct Problem {
    column: ColumnId,
    error: Error,
}

/// Where the text of a class cell lies.
#[derive(Debug, Clone, Copy)]
enum TextAt {
    /// In the record, trimmed.
    Record,
    /// In the row's own buffer, where our word is another.
    Ours(usize, usize),
}

/// One row of a table, understood. Numbers are in the units of our names; a bad cell counts as missing.
///
/// They are asked for by name, through [`Measured`].
#[derive(Debug, Clone)]
pub struct Row {
    number: u64,
    pub(super) header: Arc<Header>,
    /// The record as it stands in the table.
    raw: Vec<u8>,
    cells: Cells,
    /// One entry per understood column; not-a-number stands for missing and never leaves this struct.
    numbers: Vec<f64>,
    texts: Vec<Option<TextAt>>,
    ours: String,
    lower: String,
    refused: Option<Error>,
    problems: Vec<Problem>,
    /// Whether the table ended inside quotes here.
    open: bool,
    /// Columns whose cell is what a spreadsheet leaves where a formula failed.
    failed_formulas: Vec<ColumnId>,
    /// Whether the platform area was worked out from width and depth.
    pub(super) area_from_shape: bool,
}

impl Row {
    /// An empty row of a table.
    pub(super) fn of(header: &Arc<Header>) -> Row {
        Row {
            number: 0,
            header: header.clone(),
            raw: Vec::new(),
            cells: Cells::default(),
            numbers: vec![f64::NAN; header.columns.len()],
            texts: vec![None; header.columns.len()],
            ours: String::new(),
            lower: String::new(),
            refused: None,
            problems: Vec::new(),
            open: false,
            failed_formulas: Vec::new(),
            area_from_shape: false,
        }
    }

    /// Fills it from a record; `open` where the table ended inside quotes here.
    pub(super) fn take(&mut self, number: u64, record: &[u8], open: bool) {
        self.raw.clear();
        self.raw.extend_from_slice(record);
        self.cells.take_apart(record, self.header.separator);
        self.number = number;
        self.open = open && self.cells.iter().next_back().is_some_and(|cell| cell.contains('\n'));
        self.understand();
    }

    /// Writes its cells as they stand in the table, filled up where there are too few; of too many, those beyond the
    /// header line are told in [`Row::refused`] or blank.
    pub(super) fn put_cells(&self, out: &mut Vec<u8>) {
        let columns = self.header.names.len();
        let harmless = self.header.formulas_as_text;
        if self.cells.len() == columns && !self.open && self.cells.legacy() == 0 && !harmless {
            out.extend_from_slice(&self.raw);
            return;
        }
        let blanks = std::iter::repeat("");
        for (i, cell) in self.cells.iter().chain(blanks).take(columns).enumerate() {
            if i > 0 {
                out.push(self.header.separator);
            }
            if harmless && like_formula(cell.as_bytes()) {
                put_text(&format!("'{cell}"), self.header.separator, out);
            } else {
                put_text(cell, self.header.separator, out);
            }
        }
    }

    /// The row's number among the rows of data, from 1.
    pub fn row_number(&self) -> u64 {
        self.number
    }

    /// The header line of the table.
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// The cells as written, in the order of the table. One that is not UTF-8 is read as Windows-1252.
    pub fn cells(&self) -> impl Iterator<Item = &str> {
        self.cells.iter()
    }

    /// One cell as written but trimmed, by its place ([`Header::position`]); none where it was not recorded.
    pub fn text(&self, position: usize) -> Option<&str> {
        self.cells.get(position).map(str::trim).filter(|t| !cell::is_missing(t))
    }

    /// The number in an understood column.
    pub(super) fn value(&self, column: ColumnId) -> Option<f64> {
        self.numbers.get(column.0).copied().filter(|v| !v.is_nan())
    }

    /// The class in an understood column: names of percussor and stone and any termination in lower case,
    /// vocabularies and yes or no by our names, others as written.
    pub(crate) fn class_of(&self, column: ColumnId) -> Option<&str> {
        match (*self.texts.get(column.0)?)? {
            TextAt::Record => self.cells.get(self.header.columns.get(column.0)?.field).map(str::trim),
            TextAt::Ours(from, to) => self.ours.get(from..to),
        }
    }

    /// Why the row as a whole is not a row of this table (too few or too many cells), where that is so.
    pub fn refused(&self) -> Option<&Error> {
        self.refused.as_ref()
    }

    /// The bad cells, in the order of the table. Each counts as missing.
    pub(crate) fn problems(&self) -> impl ExactSizeIterator<Item = &Error> {
        self.problems.iter().map(|p| &p.error)
    }

    /// What is wrong with the cell of a column, by our name for it; such a cell counts as missing.
    pub fn problem(&self, column: &str) -> Option<&Error> {
        self.problem_at(self.header.column(column)?)
    }

    pub(super) fn problem_at(&self, column: ColumnId) -> Option<&Error> {
        self.problems.iter().find(|p| p.column == column).map(|p| &p.error)
    }

    /// The bad cells of these columns, by our names.
    pub(super) fn bad(&self, columns: impl IntoIterator<Item = impl AsRef<str>>) -> Vec<Error> {
        columns.into_iter().filter_map(|name| self.problem(name.as_ref()).cloned()).collect()
    }

    /// How this row ends for an answer that needs the columns named (by our names): what is bad in other columns where it
    /// is read, or why it is refused. Each error carries row, column, value and what would be accepted.
    ///
    /// # Errors
    /// Refused when it has the wrong number of cells, when a needed cell is bad, blank or without a column,
    /// or when a platform measurement is needed and the piece has none to measure (a crushed platform, a portion
    /// without one). A bad cell that is not needed is a remark.
    pub fn outcome(&self, needed: &[&str]) -> std::result::Result<Vec<Error>, Vec<Error>> {
        if let Some(e) = &self.refused {
            return Err(vec![e.clone()]);
        }
        let mut reasons = Vec::new();
        if needed.iter().any(|n| n.starts_with("platform_") || *n == "exterior_platform_angle_deg") {
            reasons.extend(flake::refusal(self).map(|e| e.in_row(self.number)));
        }
        for name in needed {
            match self.header.column(name) {
                None => reasons.push(Error::Missing {
                    at: Place::cell(self.number, *name),
                    needed: "the answer needs it, and the table has no such column".into(),
                }),
                Some(id) => match self.problem_at(id) {
                    Some(e) => reasons.push(e.clone()),
                    None if self.value(id).is_none() && self.class_of(id).is_none() => {
                        reasons.push(Error::Missing {
                            at: self.place(id),
                            needed: "the answer needs it".into(),
                        });
                    }
                    None => {}
                },
            }
        }
        if reasons.is_empty() { Ok(self.problems().cloned().collect()) } else { Err(reasons) }
    }

    fn place(&self, id: ColumnId) -> Place {
        Place::cell(self.number, shorten(self.header.written(&self.header.columns[id.0])))
    }

    /// Fills the values from the record.
    fn understand(&mut self) {
        let header = self.header.clone();
        self.problems.clear();
        self.failed_formulas.clear();
        self.area_from_shape = false;
        self.ours.clear();
        self.numbers.clear();
        self.numbers.resize(header.columns.len(), f64::NAN);
        self.texts.clear();
        self.texts.resize(header.columns.len(), None);
        self.refused = self.wrong_shape(&header);
        if self.refused.is_some() {
            return;
        }
        for (i, column) in header.columns.iter().enumerate() {
            if column.field >= header.names.len() {
                continue;
            }
            let text = self.cells.get(column.field).unwrap_or("").trim();
            let read = match column.kind {
                Kind::Number { .. } => match column.number(text, header.decimal_comma()) {
                    Ok(value) => {
                        self.numbers[i] = value;
                        Ok(())
                    }
                    Err(NotRead::FailedFormula) => {
                        self.failed_formulas.push(ColumnId(i));
                        Ok(())
                    }
                    Err(NotRead::Bad(e)) => Err(e),
                },
                Kind::Class(_) if cell::is_sheet_error(text) => {
                    self.failed_formulas.push(ColumnId(i));
                    Ok(())
                }
                Kind::Class(_) => column.class(text, &mut self.lower).map(|word| {
                    self.texts[i] = word.map(|word| match word == text {
                        true => TextAt::Record,
                        false => {
                            self.ours.push_str(word);
                            TextAt::Ours(self.ours.len() - word.len(), self.ours.len())
                        }
                    });
                }),
            };
            if let Err(error) = read {
                let error = placed(error, self.place(ColumnId(i)));
                self.problems.push(Problem { column: ColumnId(i), error });
            }
        }
        if let Some(from) = &header.area {
            let shape = from.shape.and_then(|at| self.class_of(ColumnId(at))).and_then(PlatformShape::find);
            self.area_from_shape = from.work_out(&mut self.numbers, shape);
        }
    }

    /// Cells that were not UTF-8.
    pub(super) fn legacy_cells(&self) -> u64 {
        u64::from(self.cells.legacy())
    }

    /// Cells that a spreadsheet would run as formulas.
    pub(super) fn formulas(&self) -> u64 {
        self.cells.iter().filter(|c| like_formula(c.as_bytes())).count() as u64
    }

    /// 1 where the row has blank cells beyond the header line and is in order otherwise.
    pub(super) fn blank_surplus(&self) -> u64 {
        u64::from(self.refused.is_none() && self.cells.len() > self.header.names.len())
    }

    /// Columns whose cell is what a spreadsheet leaves where a formula failed, as the table writes them.
    pub(super) fn failed_formulas(&self) -> impl Iterator<Item = &str> {
        self.failed_formulas.iter().map(|id| self.header.written(&self.header.columns[id.0]))
    }

    /// Whether the record is a row of this table at all. Blank cells beyond the header line are none.
    fn wrong_shape(&self, header: &Header) -> Option<Error> {
        let (found, expected) = (self.cells.len(), header.names.len());
        let surplus = || self.cells.iter().skip(expected).filter(|c| !c.trim().is_empty());
        let reason = if self.open {
            "a quote that opens here is never closed (close it, or double a quote that is meant as one)"
                .into()
        } else if found < expected || surplus().next().is_some() {
            let mut hint = String::new();
            if found > expected {
                let told: Vec<String> =
                    surplus().take(3).map(|c| format!("\"{}\"", shorten(c.trim()))).collect();
                hint = format!("; beyond them: {}", told.join(", "));
            }
            if self.cells.iter().any(|c| c.contains('\n')) {
                hint.push_str("; one cell runs over several lines, so a quote may have been left open");
            }
            format!("{}, but the header line has {expected}{hint}", counted(found as u64, "cell", "cells"))
        } else {
            return None;
        };
        Some(Error::Refused { at: Place::row(self.number), reason })
    }
}

/// The same error at a place.
fn placed(mut error: Error, place: Place) -> Error {
    if let Error::UnknownName { text, .. } = &mut error {
        *text = shorten(text);
    }
    error.at(place)
}

impl Measured for Row {
    fn number(&self, name: &str) -> Option<f64> {
        match self.header.column(name) {
            None if name == ROW => Some(self.number as f64),
            column => self.value(column?),
        }
    }
    fn class(&self, name: &str) -> Option<&str> {
        self.class_of(self.header.column(name)?)
    }
    fn unreadable(&self, name: &str) -> Option<Error> {
        if self.problems.is_empty() { None } else { self.problem(name).cloned() }
    }
}
