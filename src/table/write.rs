//! Writing a table back: the input's columns as they were, then columns of our own.

use super::column::shorten;
use super::digits::put_rounded;
use super::header::Header;
use super::row::Row;
use super::text::{like_formula, put_text};
use crate::error::{Error, Place, Result};
use std::io::Write;

/// Writes the rows of a table with columns added, in UTF-8, lines ending in a line feed.
///
/// The separator is the input's. Cells of the input are written as they stood (decimal commas included);
/// numbers of our own have a decimal point whatever the separator, which [`TableReader`](super::TableReader)
/// reads back in either case. A refused row stays in place: one with too few cells is filled up with blanks;
/// of one with too many, the cells beyond the header line are not written (the table stays rectangular) but told in
/// the reason ([`Row::refused`](super::Row::refused)). A row of the right length comes back byte for byte.
#[derive(Debug)]
pub(crate) struct TableWriter<W: Write> {
    writer: W,
    pub(super) line: Line,
}

/// Bytes gathered before they are handed on. This crate's choice, no source.
const GATHERED: usize = 64 * 1024;

/// Lines of a table being written: what a cell looks like is decided here for every way of writing.
#[derive(Debug, Default)]
pub(super) struct Line {
    pub bytes: Vec<u8>,
    separator: u8,
    /// Where the line begins, and whether a cell of it was written already.
    from: usize,
    begun: bool,
}

impl Line {
    pub(crate) fn new(separator: u8) -> Line {
        Line { separator, ..Line::default() }
    }

    /// Forgets the lines written.
    pub fn clear(&mut self) {
        self.bytes.clear();
        (self.from, self.begun) = (0, false);
    }

    #[inline]
    fn next(&mut self) {
        if self.begun {
            self.bytes.push(self.separator);
        }
        self.begun = true;
    }

    /// The cells of a row of the input.
    pub(crate) fn row(&mut self, row: &Row) {
        row.put_cells(&mut self.bytes);
        self.begun = true;
    }

    pub fn blanks(&mut self, cells: usize) {
        (0..cells).for_each(|_| self.next());
    }

    /// A number to six significant digits; blank where there is none.
    #[inline]
    pub fn rounded(&mut self, number: Option<f64>) {
        self.next();
        if let Some(v) = number.filter(|v| v.is_finite()) {
            put_rounded(v, &mut self.bytes);
        }
    }

    /// A number as it is; blank where it is not finite.
    pub fn number(&mut self, v: f64) {
        self.next();
        if v.is_finite() {
            self.bytes.extend_from_slice(v.to_string().as_bytes());
        }
    }

    /// Text of our own. Names of calibrations and classes come from people: one that a spreadsheet would run as a
    /// formula has an apostrophe before it, unless it is a number.
    pub(crate) fn text(&mut self, text: &str) {
        self.next();
        match like_formula(text.as_bytes()) {
            true => put_text(&format!("'{text}"), self.separator, &mut self.bytes),
            false => put_text(text, self.separator, &mut self.bytes),
        }
    }

    /// Bytes of cells that are as they will be written.
    #[inline]
    pub fn made(&mut self, bytes: &[u8]) {
        self.bytes.extend_from_slice(bytes);
        self.begun = true;
    }

    #[inline]
    pub fn end(&mut self) {
        if self.bytes.len() == self.from {
            // a line without a byte would be no row
            self.bytes.extend_from_slice(b"\"\"");
        }
        self.bytes.push(b'\n');
        (self.from, self.begun) = (self.bytes.len(), false);
    }
}

/// One row of our own under its header line: numbers to six digits, then texts.
pub(super) fn alone<W: Write>(
    writer: W,
    columns: &[impl AsRef<str>],
    numbers: &[Option<f64>],
    texts: &[&str],
) -> Result<W> {
    let mut sheet = TableWriter::sheet(writer, b',', columns)?;
    numbers.iter().for_each(|n| sheet.line.rounded(*n));
    texts.iter().for_each(|t| sheet.line.text(t));
    sheet.end_row()?;
    sheet.finish()
}

impl<W: Write> TableWriter<W> {
    /// Writes the header line: the input's columns, then those added.
    ///
    /// # Errors
    /// [`Error::Table`] naming an added column that the input has already, [`Error::Io`] when the writer
    /// fails.
    pub(crate) fn new(writer: W, header: &Header, added: &[impl AsRef<str>]) -> Result<Self> {
        let added = added.iter().map(AsRef::as_ref);
        if let Some(twice) = added.clone().find(|a| header.names().any(|n| n.trim() == *a)) {
            return Err(Error::Table {
                at: Place::column(shorten(twice)),
                reason: "the table has this column already, and nothing of it is overwritten (rename or \
                         remove it)"
                    .into(),
            });
        }
        Self::start(writer, header.separator, header.names().chain(added))
    }

    /// A table of our own, without an input: the cells of a row are written to `line`, then the row is ended.
    ///
    /// # Errors
    /// [`Error::Io`] when the writer fails.
    pub(crate) fn sheet(writer: W, separator: u8, columns: &[impl AsRef<str>]) -> Result<Self> {
        Self::start(writer, separator, columns.iter().map(AsRef::as_ref))
    }

    fn start<'a>(writer: W, separator: u8, names: impl Iterator<Item = &'a str>) -> Result<Self> {
        let mut table = TableWriter { writer, line: Line::new(separator) };
        names.for_each(|name| table.line.text(name));
        table.end_row()?;
        Ok(table)
    }

    pub(super) fn end_row(&mut self) -> Result<()> {
        self.line.end();
        if self.line.bytes.len() >= GATHERED {
            self.lines(&[])?;
        }
        Ok(())
    }

    /// Hands on what was gathered, then lines that were made elsewhere.
    pub(super) fn lines(&mut self, made: &[u8]) -> Result<()> {
        self.writer.write_all(&self.line.bytes)?;
        self.line.clear();
        Ok(self.writer.write_all(made)?)
    }

    /// Writes what is left and gives the writer back.
    ///
    /// # Errors
    /// [`Error::Io`] when the writer fails.
    pub(crate) fn finish(mut self) -> Result<W> {
        self.lines(&[])?;
        self.writer.flush()?;
        Ok(self.writer)
    }
}
