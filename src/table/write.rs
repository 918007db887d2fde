//! Writing a table back: the input's columns as they were, then columns of our own.

use super::digits::put_rounded;
use super::header::{Header, Separator, shorten};
use super::read::Row;
use crate::error::{Error, Place, Result};
use std::io::Write;

/// A cell to write.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Cell<'a> {
    /// Nothing.
    Blank,
    /// A number, with a decimal point and as few digits as give the same number back; blank if not finite.
    Number(f64),
    /// A number rounded to six significant digits, as estimates are written; blank if not finite.
    Rounded(f64),
    /// Text, quoted where it needs to be.
    Text(&'a str),
}

impl From<f64> for Cell<'_> {
    fn from(v: f64) -> Self {
        Cell::Number(v)
    }
}

impl From<Option<f64>> for Cell<'_> {
    fn from(v: Option<f64>) -> Self {
        v.map_or(Cell::Blank, Cell::Number)
    }
}

impl<'a> From<&'a str> for Cell<'a> {
    fn from(t: &'a str) -> Self {
        Cell::Text(t)
    }
}

/// Writes the rows of a table with columns added, in UTF-8, lines ending in a line feed.
///
/// The separator is the input's. Cells of the input are written as they stood (decimal commas included);
/// numbers of our own have a decimal point whatever the separator, which [`TableReader`](super::TableReader)
/// reads back in either case. A refused row stays in place: one with too few cells is filled up with blanks;
/// of one with too many, the cells beyond the header line are written after the columns added, so that these stay
/// in line and nothing is lost.
///
/// ```
/// use conchoid::table::{Cell, TableOptions, TableReader, TableWriter};
/// let mut table = TableReader::new("flake;depth_mm\nA1;7,5\n".as_bytes(), &TableOptions::new())?;
/// let mut out = TableWriter::new(Vec::new(), table.header(), &["expected_mass_g_median", "cautions"])?;
/// let mut row = table.row();
/// while table.read(&mut row)? {
///     out.write(&row, &[Cell::Number(21.25), Cell::Text("stone; unknown")])?;
/// }
/// let text = String::from_utf8(out.finish()?).unwrap();
/// assert_eq!(
///     text,
///     "flake;depth_mm;expected_mass_g_median;cautions\nA1;7,5;21.25;\"stone; unknown\"\n"
/// );
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug)]
pub struct TableWriter<W: Write> {
    csv: csv::Writer<W>,
    carried: usize,
    added: usize,
    buffer: Vec<u8>,
}

fn failed(e: csv::Error) -> Error {
    Error::Io { reason: e.to_string() }
}

impl<W: Write> TableWriter<W> {
    /// Writes the header line: the input's columns, then those added.
    ///
    /// # Errors
    /// [`Error::Table`] naming an added column that the input has already, [`Error::Io`] when the writer
    /// fails.
    pub fn new(writer: W, header: &Header, added: &[&str]) -> Result<Self> {
        if let Some(twice) = added.iter().find(|a| header.names().any(|n| n.trim() == **a)) {
            return Err(Error::Table {
                at: Place::column(shorten(twice)),
                reason: "the table has this column already, and nothing of it is overwritten (rename or \
                         remove it)"
                    .into(),
            });
        }
        let names = header.names().chain(added.iter().copied());
        Self::start(writer, header.separator, header.names.len(), added.len(), names)
    }

    /// A table of our own, without an input: every row is written by [`TableWriter::write_cells`].
    ///
    /// # Errors
    /// [`Error::Io`] when the writer fails.
    pub fn sheet(writer: W, separator: Separator, columns: &[&str]) -> Result<Self> {
        let separator = match separator {
            Separator::Auto | Separator::Comma => b',',
            Separator::Semicolon => b';',
            Separator::Tab => b'\t',
        };
        Self::start(writer, separator, 0, columns.len(), columns.iter().copied())
    }

    fn start<'a>(
        writer: W,
        separator: u8,
        carried: usize,
        added: usize,
        names: impl Iterator<Item = &'a str>,
    ) -> Result<Self> {
        let mut csv = csv::WriterBuilder::new().delimiter(separator).flexible(true).from_writer(writer);
        csv.write_record(names).map_err(failed)?;
        Ok(TableWriter { csv, carried, added, buffer: Vec::new() })
    }

    /// Writes a row of the input with the cells added.
    ///
    /// # Errors
    /// [`Error::Shape`] when the cells are not as many as the columns added, [`Error::Io`] when the writer
    /// fails.
    pub fn write(&mut self, row: &Row, added: &[Cell<'_>]) -> Result<()> {
        self.check(added)?;
        let blanks = std::iter::repeat("");
        for cell in row.cells().chain(blanks).take(self.carried) {
            self.csv.write_field(cell).map_err(failed)?;
        }
        self.cells(added)?;
        for surplus in row.cells().skip(self.carried) {
            self.csv.write_field(surplus).map_err(failed)?;
        }
        self.end_row()
    }

    /// Writes a row of a table of our own.
    ///
    /// # Errors
    /// As [`TableWriter::write`]; [`Error::Invalid`] when the table continues an input.
    pub fn write_cells(&mut self, cells: &[Cell<'_>]) -> Result<()> {
        if self.carried != 0 {
            return Err(Error::invalid("row", "this table continues an input, whose row must be given"));
        }
        self.check(cells)?;
        self.cells(cells)?;
        self.end_row()
    }

    fn check(&self, cells: &[Cell<'_>]) -> Result<()> {
        if cells.len() == self.added {
            return Ok(());
        }
        Err(Error::Shape { what: "cells of a row".into(), found: cells.len(), expected: self.added })
    }

    fn cells(&mut self, cells: &[Cell<'_>]) -> Result<()> {
        for cell in cells {
            match cell {
                Cell::Text(text) => self.csv.write_field(text).map_err(failed)?,
                Cell::Number(v) if v.is_finite() => {
                    self.buffer.clear();
                    write!(self.buffer, "{v}")?;
                    self.csv.write_field(&self.buffer).map_err(failed)?;
                }
                Cell::Rounded(v) if v.is_finite() => {
                    self.buffer.clear();
                    put_rounded(*v, &mut self.buffer);
                    self.csv.write_field(&self.buffer).map_err(failed)?;
                }
                Cell::Number(_) | Cell::Rounded(_) | Cell::Blank => {
                    self.csv.write_field("").map_err(failed)?;
                }
            }
        }
        Ok(())
    }

    fn end_row(&mut self) -> Result<()> {
        self.csv.write_record(None::<&[u8]>).map_err(failed)
    }

    /// Writes what is left and gives the writer back.
    ///
    /// # Errors
    /// [`Error::Io`] when the writer fails.
    pub fn finish(self) -> Result<W> {
        self.csv.into_inner().map_err(|e| Error::Io { reason: e.error().to_string() })
    }
}
