//! Tables in and out, fitted in columns and in pieces.

mod estimates;
mod fit;
mod intake;
mod originals;
mod read;

use super::Row;
use super::write::TableWriter;
use crate::error::Result;
use std::io::Write;

/// A cell to write.
#[derive(Clone, Copy)]
enum Cell<'a> {
    Blank,
    Number(f64),
    /// A number rounded to six significant digits, as estimates are written.
    Rounded(f64),
    Text(&'a str),
}

impl<W: Write> TableWriter<W> {
    /// Writes a row of the input with the cells added, one by one, as `rows.rs` does with whole lines.
    fn write(&mut self, row: &Row, added: &[Cell<'_>]) -> Result<()> {
        self.line.row(row);
        self.write_cells(added)
    }

    /// Writes a row, or the rest of one.
    fn write_cells(&mut self, cells: &[Cell<'_>]) -> Result<()> {
        for cell in cells {
            match cell {
                Cell::Text(text) => self.line.text(text),
                Cell::Number(v) => self.line.number(*v),
                Cell::Rounded(v) => self.line.rounded(Some(*v)),
                Cell::Blank => self.line.blanks(1),
            }
        }
        self.end_row()
    }
}
