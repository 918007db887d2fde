//! Reading a table row by row: one walk over a reader that is passed in, one record in memory, no
//! allocation for a cell that is in order. Every row ends in exactly one of read, read with a remark,
//! refused.

use super::blocks::take_apart;
use super::cell::{self, NumberCell};
use super::guard::{self, BUFFER, Guard};
use super::header::{self, ColumnId, Header, Kind, TableOptions, shorten};
use super::quantity::ClassKind;
use crate::error::{Error, Place, Result, counted};
use crate::flake::{self, Flake, Portion, Technique, Termination};
use crate::strike::{
    Blow, LONGEST_NAME, LandsOn, Measured, Platform, PlatformKind, Strike, check_name, same_name, yes_no,
};
use csv::StringRecord;
use std::io::Read;
use std::sync::Arc;

/// A table being read.
///
/// Separators: comma, semicolon or tab ([`Separator`](super::Separator)). A decimal comma is understood only
/// where a semicolon stands between cells; thousands separators never are. A byte-order mark, either end of
/// line, quotes (with line ends and separators inside), blank cells and the usual markers of "not recorded"
/// are understood; blank lines are skipped and not counted. Memory does not grow with the rows, and a row
/// longer than [`TableOptions::longest_record`] stops the reading before it fills memory.
#[derive(Debug)]
pub struct TableReader<R> {
    csv: csv::Reader<Guard<R>>,
    header: Arc<Header>,
    longest: u64,
    rows: u64,
    /// The first row, read ahead to know that there is one.
    first: Option<StringRecord>,
    failed: Option<Error>,
}

impl<R> std::fmt::Debug for Guard<R> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Guard")
    }
}

impl<R: Read> TableReader<R> {
    /// Reads the header line and makes sure that there is a first row.
    ///
    /// # Errors
    /// [`Error::Table`] when there are no bytes, no names or no rows, when the header line (or first row) is
    /// too long or not UTF-8, when two columns mean the same, or when a known quantity is in a unit of
    /// another kind; [`Error::UnknownName`] or [`Error::Invalid`] for a column map or a wanted column that
    /// does not fit; [`Error::Io`] when the reader fails.
    pub fn new(mut reader: R, options: &TableOptions) -> Result<Self> {
        let longest = options.longest();
        let opening = guard::open(&mut reader, longest)?;
        if opening.header.is_empty() {
            return Err(Error::Table {
                at: Place::default(),
                reason: "empty: neither a header line nor rows".into(),
            });
        }
        if opening.bytes[opening.header.clone()].contains(&0) {
            return Err(Error::Table {
                at: Place::default(),
                reason:
                    "the header line has NUL bytes: UTF-16, or not a table of text (save it as CSV in UTF-8)"
                        .into(),
            });
        }
        let separator = header::separator(options, &opening)?;
        let csv = csv::ReaderBuilder::new()
            .delimiter(separator)
            .has_headers(false)
            .flexible(true)
            .buffer_capacity(BUFFER)
            .from_reader(Guard::new(opening.bytes, reader, longest));
        let nothing = Header::nothing(separator);
        let mut table =
            TableReader { csv, header: Arc::new(nothing), longest, rows: 0, first: None, failed: None };
        let mut record = StringRecord::new();
        table.next_record(&mut record, None)?;
        let names = record.iter().map(String::from).collect();
        table.header = Arc::new(Header::understand(names, separator, options)?);
        if !table.next_record(&mut record, Some(1))? {
            return Err(Error::Table {
                at: Place::default(),
                reason: "no rows of data under the header line".into(),
            });
        }
        table.first = Some(record);
        Ok(table)
    }

    /// The header line.
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// Rows read so far.
    pub fn rows(&self) -> u64 {
        self.rows
    }

    /// An empty row of this table, to be filled by [`TableReader::read`].
    pub fn row(&self) -> Row {
        Row::of(&self.header)
    }

    /// Reads the next row into `row`, using its memory again; `false` when there is none. A row with bad
    /// cells or of the wrong length is read and says so itself.
    ///
    /// # Errors
    /// [`Error::Table`] with the row where the table cannot be read on (not UTF-8, a row too long),
    /// [`Error::Io`] when the reader fails. The same error is returned from then on.
    pub fn read(&mut self, row: &mut Row) -> Result<bool> {
        if let Some(e) = &self.failed {
            return Err(e.clone());
        }
        match self.first.take() {
            Some(first) => row.record = first,
            None => match self.next_record(&mut row.record, Some(self.rows + 1)) {
                Ok(true) => {}
                Ok(false) => return Ok(false),
                Err(e) => {
                    self.failed = Some(e.clone());
                    return Err(e);
                }
            },
        }
        self.rows += 1;
        row.number = self.rows;
        if !Arc::ptr_eq(&row.header, &self.header) {
            row.header = self.header.clone();
        }
        let open_quote = self.csv.get_ref().ended_in_quotes()
            && row.record.iter().next_back().is_some_and(|cell| cell.contains('\n'));
        row.understand(open_quote);
        Ok(true)
    }

    /// Reads up to `most` rows into `rows`, using their memory again, and says how many; 0 at the end. The
    /// vector grows to at most `most` rows; those beyond the count are left over from before.
    ///
    /// # Errors
    /// As [`TableReader::read`], after the rows before the failing one were returned.
    pub fn read_chunk(&mut self, rows: &mut Vec<Row>, most: usize) -> Result<usize> {
        for n in 0..most {
            if rows.len() == n {
                rows.push(self.row());
            }
            match self.read(&mut rows[n]) {
                Ok(true) => {}
                Ok(false) => return Ok(n),
                Err(e) if n == 0 => return Err(e),
                Err(_) => return Ok(n),
            }
        }
        Ok(most)
    }

    /// The next record that is not a blank line; `row` is its number, none for the header line.
    fn next_record(&mut self, record: &mut StringRecord, row: Option<u64>) -> Result<bool> {
        let place = || row.map_or_else(Place::default, Place::row);
        let what = if row.is_some() { "the row" } else { "the header line" };
        loop {
            self.csv.get_mut().start_record();
            let from = self.csv.position().byte();
            let more = match self.csv.read_record(record) {
                Ok(more) => more,
                Err(_) if self.csv.get_ref().exceeded() => {
                    return Err(Error::Table { at: place(), reason: guard::too_long(what, self.longest) });
                }
                Err(e) => {
                    return Err(match e.kind() {
                        csv::ErrorKind::Utf8 { .. } => Error::Table {
                            at: place(),
                            reason: format!("{what} is not UTF-8 (save the table as CSV in UTF-8)"),
                        },
                        _ => Error::Io { reason: e.to_string() },
                    });
                }
            };
            if !more {
                return Ok(false);
            }
            if self.csv.position().byte().saturating_sub(from) > self.longest {
                return Err(Error::Table { at: place(), reason: guard::too_long(what, self.longest) });
            }
            let blank_line = record.len() == 1 && record[0].trim().is_empty() && self.header.names.len() > 1;
            if !blank_line {
                return Ok(true);
            }
        }
    }
}

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
    /// A fixed name of a vocabulary.
    Fixed(&'static str),
    /// In the row's own buffer.
    Lower(usize, usize),
}

/// One row of a table, understood. Numbers are in the units of our names; a bad cell counts as missing.
///
/// By name through [`Measured`], or faster by [`ColumnId`].
#[derive(Debug, Clone)]
pub struct Row {
    number: u64,
    header: Arc<Header>,
    record: StringRecord,
    /// One entry per understood column; not-a-number stands for missing and never leaves this struct.
    numbers: Vec<f64>,
    texts: Vec<Option<TextAt>>,
    lower: String,
    refused: Option<Error>,
    problems: Vec<Problem>,
}

/// How one row of a table ended; the errors carry row, column, value and what would be accepted.
#[derive(Debug, Clone, PartialEq)]
pub enum RowOutcome {
    /// Read, and all understood cells are in order.
    Read,
    /// Read; something the answer does not need was bad, and counts as missing.
    ReadWithRemark(Vec<Error>),
    /// Not read: the reasons.
    Refused(Vec<Error>),
}

/// How many rows ended how; they always add up to the rows counted.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tally {
    read: u64,
    remarked: u64,
    refused: u64,
}

impl Tally {
    /// Counts one row.
    pub fn count(&mut self, outcome: &RowOutcome) {
        match outcome {
            RowOutcome::Read => self.read += 1,
            RowOutcome::ReadWithRemark(_) => self.remarked += 1,
            RowOutcome::Refused(_) => self.refused += 1,
        }
    }
    /// Rows read without a remark.
    pub fn read(&self) -> u64 {
        self.read
    }
    /// Rows read with a remark.
    pub fn remarked(&self) -> u64 {
        self.remarked
    }
    /// Rows refused.
    pub fn refused(&self) -> u64 {
        self.refused
    }
    /// Counts rows read without a remark.
    pub(super) fn count_read(&mut self, rows: u64) {
        self.read += rows;
    }
    /// All rows counted.
    pub fn rows(&self) -> u64 {
        self.read + self.remarked + self.refused
    }
    /// Both counts together.
    pub fn merge(self, other: Tally) -> Tally {
        Tally {
            read: self.read + other.read,
            remarked: self.remarked + other.remarked,
            refused: self.refused + other.refused,
        }
    }
}

impl Row {
    /// An empty row of a table.
    pub(super) fn of(header: &Arc<Header>) -> Row {
        Row {
            number: 0,
            header: header.clone(),
            record: StringRecord::new(),
            numbers: vec![f64::NAN; header.columns.len()],
            texts: vec![None; header.columns.len()],
            lower: String::new(),
            refused: None,
            problems: Vec::new(),
        }
    }

    /// Fills it from a record; `open` where the table ended inside quotes here. None if it is not UTF-8.
    pub(super) fn take(&mut self, number: u64, record: &[u8], separator: u8, open: bool) -> Option<()> {
        take_apart(record, separator, &mut self.record)?;
        self.number = number;
        let open = open && self.record.iter().next_back().is_some_and(|cell| cell.contains('\n'));
        self.understand(open);
        Some(())
    }

    /// The row's number among the rows of data, from 1.
    pub fn row_number(&self) -> u64 {
        self.number
    }

    /// The header line of the table.
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// The cells as written, in the order of the table.
    pub fn cells(&self) -> impl Iterator<Item = &str> {
        self.record.iter()
    }

    /// One cell as written but trimmed, by its place ([`Header::position`]); none where it was not recorded.
    pub fn text(&self, position: usize) -> Option<&str> {
        self.record.get(position).map(str::trim).filter(|t| !cell::is_missing(t))
    }

    /// The number in an understood column.
    pub fn value(&self, column: ColumnId) -> Option<f64> {
        self.numbers.get(column.0).copied().filter(|v| !v.is_nan())
    }

    /// The class in an understood column: names of percussor and stone and any termination in lower case,
    /// vocabularies and yes or no by our names, others as written.
    pub fn class_of(&self, column: ColumnId) -> Option<&str> {
        match (*self.texts.get(column.0)?)? {
            TextAt::Record => self.record.get(self.header.columns.get(column.0)?.field).map(str::trim),
            TextAt::Fixed(name) => Some(name),
            TextAt::Lower(from, to) => self.lower.get(from..to),
        }
    }

    /// Why the row as a whole is not a row of this table (too few or too many cells), where that is so.
    pub fn refused(&self) -> Option<&Error> {
        self.refused.as_ref()
    }

    /// The bad cells, in the order of the table. Each counts as missing.
    pub fn problems(&self) -> impl ExactSizeIterator<Item = &Error> {
        self.problems.iter().map(|p| &p.error)
    }

    /// The bad cell of an understood column, where it is bad.
    pub fn problem(&self, column: ColumnId) -> Option<&Error> {
        self.problems.iter().find(|p| p.column == column).map(|p| &p.error)
    }

    /// How this row ends for an answer that needs the columns named (by our names).
    ///
    /// Refused when it has the wrong number of cells, when a needed cell is bad, blank or without a column,
    /// or when a platform measurement is needed and the piece has none to measure
    /// ([`flake::refusal`]). A bad cell that is not needed is a remark.
    pub fn outcome(&self, needed: &[&str]) -> RowOutcome {
        if let Some(e) = &self.refused {
            return RowOutcome::Refused(vec![e.clone()]);
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
                Some(id) => match self.problem(id) {
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
        if !reasons.is_empty() {
            RowOutcome::Refused(reasons)
        } else if !self.problems.is_empty() {
            RowOutcome::ReadWithRemark(self.problems().cloned().collect())
        } else {
            RowOutcome::Read
        }
    }

    /// The row as a [`Flake`]; bad cells are missing in it.
    ///
    /// # Errors
    /// What [`Row::refused`] says.
    pub fn to_flake(&self) -> Result<Flake> {
        if let Some(e) = &self.refused {
            return Err(e.clone());
        }
        let number = |name| Measured::number(self, name);
        let class = |name| self.class(name);
        let yes = |name| self.class(name).map(|text| text == yes_no(true));
        let platform = Platform::builder()
            .depth_mm(number("platform_depth_mm"))
            .width_mm(number("platform_width_mm"))
            .area_mm2(number("platform_area_mm2"))
            .exterior_platform_angle_deg(number("exterior_platform_angle_deg"))
            .kind(class(PlatformKind::COLUMN).and_then(PlatformKind::find))
            .bevelled(yes("platform_bevelled"))
            .build();
        let blow = Blow::builder()
            .angle_of_blow_deg(number("angle_of_blow_deg"))
            .speed_m_s(number("speed_m_s"))
            .lands_on(class(LandsOn::COLUMN).and_then(LandsOn::find))
            .build();
        let termination = class(Termination::COLUMN).map(str::parse).transpose();
        let placed = |e: Error| e.in_row(self.number);
        let strike = Strike::builder()
            .platform(platform.map_err(placed)?)
            .blow(blow.map_err(placed)?)
            .percussor(class("percussor"))
            .percussor_mass_g(number("percussor_mass_g"))
            .tip_radius_mm(number("tip_radius_mm"))
            .stone(class("stone"))
            .core_mass_g(number("core_mass_g"))
            .build()
            .map_err(placed)?;
        Flake::builder()
            .name(class("flake"))
            .strike(strike)
            .length_mm(number("length_mm"))
            .width_mm(number("width_mm"))
            .thickness_mm(number("thickness_mm"))
            .mean_thickness_mm(number("mean_thickness_mm"))
            .max_thickness_mm(number("max_thickness_mm"))
            .mass_g(number("mass_g"))
            .mass_now_g(number("mass_now_g"))
            .original_mass_g(number("original_mass_g"))
            .length_now_mm(number("length_now_mm"))
            .width_now_mm(number("width_now_mm"))
            .max_thickness_now_mm(number("max_thickness_now_mm"))
            .retouch(flake::Retouch::of(self).map_err(|e| e.in_row(self.number))?)
            .portion(class(Portion::COLUMN).and_then(Portion::find))
            .technique(class(Technique::COLUMN).and_then(Technique::find))
            .retouched(yes("retouched"))
            .recorded_termination(termination.map_err(placed)?)
            .lip(yes("lip"))
            .core(class("core"))
            .knapper(class("knapper"))
            .build()
            .map_err(placed)
    }

    fn place(&self, id: ColumnId) -> Place {
        Place::cell(self.number, shorten(self.header.written(&self.header.columns[id.0])))
    }

    /// Fills the values from the record.
    fn understand(&mut self, open_quote: bool) {
        let header = self.header.clone();
        self.problems.clear();
        self.lower.clear();
        self.numbers.clear();
        self.numbers.resize(header.columns.len(), f64::NAN);
        self.texts.clear();
        self.texts.resize(header.columns.len(), None);
        self.refused = self.wrong_shape(&header, open_quote);
        if self.refused.is_some() {
            return;
        }
        for (i, column) in header.columns.iter().enumerate() {
            let text = self.record.get(column.field).unwrap_or("").trim();
            let read = match column.kind {
                Kind::Number { factor, bounds } => match cell::number(text, header.decimal_comma()) {
                    NumberCell::Missing => Ok(()),
                    NumberCell::Number(written) => {
                        let value = if factor == 1.0 { written } else { written * factor };
                        let checked = match bounds {
                            Some(bounds) => bounds.check(value).err(),
                            None if value.is_finite() => None,
                            None => Some(Error::OutOfRange {
                                at: Place::default(),
                                value: written,
                                accepted: "finite numbers".into(),
                            }),
                        };
                        match checked {
                            None => {
                                self.numbers[i] = value;
                                Ok(())
                            }
                            Some(e) => Err(e),
                        }
                    }
                    NumberCell::Bad(hint) => Err(Error::NotANumber {
                        at: Place::default(),
                        text: shorten(text),
                        hint: hint.into(),
                    }),
                },
                Kind::Class(_) if cell::is_missing(text) => Ok(()),
                Kind::Class(kind) => {
                    class_cell(kind, text, &mut self.lower).map(|at| self.texts[i] = Some(at))
                }
            };
            if let Err(error) = read {
                let error = placed(error, self.place(ColumnId(i)));
                self.problems.push(Problem { column: ColumnId(i), error });
            }
        }
    }

    /// Whether the record is a row of this table at all.
    fn wrong_shape(&self, header: &Header, open_quote: bool) -> Option<Error> {
        let (found, expected) = (self.record.len(), header.names.len());
        let reason = if open_quote {
            "a quote that opens here is never closed (close it, or double a quote that is meant as one)"
                .into()
        } else if found != expected {
            let hint = if self.record.iter().any(|c| c.contains('\n')) {
                "; one cell runs over several lines, so a quote may have been left open"
            } else {
                ""
            };
            format!("{}, but the header line has {expected}{hint}", counted(found as u64, "cell", "cells"))
        } else {
            return None;
        };
        Some(Error::Refused { at: Place::row(self.number), reason })
    }
}

/// The same error at a place.
fn placed(mut error: Error, place: Place) -> Error {
    match &mut error {
        Error::OutOfRange { at, .. }
        | Error::NotANumber { at, .. }
        | Error::UnknownName { at, .. }
        | Error::Invalid { at, .. } => *at = place,
        _ => {}
    }
    error
}

/// Reads a class cell that is not blank.
fn class_cell(kind: ClassKind, text: &str, lower: &mut String) -> Result<TextAt> {
    match kind {
        ClassKind::Label => check_name("", text).map(|_| TextAt::Record),
        ClassKind::Name => lower_case(text, lower),
        ClassKind::Termination => match Termination::find(text) {
            Some(t) => Ok(TextAt::Fixed(t.name())),
            None => lower_case(text, lower),
        },
        ClassKind::Vocabulary(find, names) => find(text)
            .map(TextAt::Fixed)
            .ok_or_else(|| Error::unknown_name("", shorten(text), names.iter().copied())),
        ClassKind::YesNo => {
            let is = |names: &[&str]| names.iter().any(|n| same_name(text, n));
            if is(&["yes", "y", "true", "1"]) {
                Ok(TextAt::Fixed(yes_no(true)))
            } else if is(&["no", "n", "false", "0"]) {
                Ok(TextAt::Fixed(yes_no(false)))
            } else {
                Err(Error::unknown_name("", shorten(text), ["yes", "no"]))
            }
        }
    }
}

/// Where the name lies in lower case: in the record if it is so already, else in the buffer.
fn lower_case(text: &str, lower: &mut String) -> Result<TextAt> {
    check_name("", text)?;
    if text.bytes().all(|b| b.is_ascii() && !b.is_ascii_uppercase()) {
        return Ok(TextAt::Record);
    }
    let from = lower.len();
    lower.extend(text.chars().flat_map(char::to_lowercase));
    if lower[from..].chars().count() > LONGEST_NAME {
        return Err(check_name("", &lower[from..])
            .err()
            .unwrap_or_else(|| Error::invalid("", format!("a name has at most {LONGEST_NAME} characters"))));
    }
    Ok(TextAt::Lower(from, lower.len()))
}

impl Measured for Row {
    fn number(&self, name: &str) -> Option<f64> {
        self.value(self.header.column(name)?)
    }
    fn class(&self, name: &str) -> Option<&str> {
        self.class_of(self.header.column(name)?)
    }
}
