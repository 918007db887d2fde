//! A table in its order, as stretches of rows that record nothing but numbers, and single rows of all other kinds:
//! what a fit of many flakes needs. The blocks are read into columns on all threads.

use super::blocks::{self, Records};
use super::estimates::OpenTable;
use super::flow::{Seen, Use, count, is_row, read_cells, uses_of};
use super::header::Header;
use super::read::Row;
use crate::error::{Error, Result};
use crate::threads;
use std::io::Read;
use std::ops::Range;

/// Bytes of a block. Own choice.
const BLOCK_BYTES: usize = 256 * 1024;

/// Blocks in memory at once, however many threads there are. Own choice.
const MOST_BLOCKS: usize = 16;

/// What comes next in a table.
#[derive(Debug)]
#[non_exhaustive]
pub enum Stretch<'a> {
    /// Rows that record nothing but numbers (and names of flake, core and knapper): one column for each understood
    /// column of the header, in that order; not a number where nothing was recorded, and in columns of classes.
    Numbers(&'a [Vec<f64>]),
    /// A row of another kind.
    Row(&'a Row),
}

/// A block and what was read of it.
#[derive(Default)]
struct Block {
    input: Vec<u8>,
    first: u64,
    rows: u64,
    ended_in_quotes: bool,
    columns: Vec<Vec<f64>>,
    /// In the order of the block; the numbers of a stretch follow those of the stretch before.
    pieces: Vec<Piece>,
    failed: Option<Error>,
}

enum Piece {
    Numbers(usize),
    Row { text: Range<usize>, number: u64, closed: bool },
}

impl Block {
    fn read(&mut self, header: &Header, uses: &[Use], longest: u64, numbers: bool) {
        self.pieces.clear();
        self.columns.resize(header.columns.len(), Vec::new());
        self.columns.iter_mut().for_each(Vec::clear);
        let (separator, width) = (header.separator, header.names.len());
        let text = std::str::from_utf8(&self.input).is_ok();
        let mut values = vec![f64::NAN; header.columns.len()];
        let mut number = self.first;
        let mut records = Records::new(&self.input, separator);
        while let Some(range) = records.next() {
            let record = &self.input[range.clone()];
            if !is_row(record, separator, width) {
                continue;
            }
            if record.len() as u64 > longest {
                self.failed = Some(blocks::too_long(number, longest));
                return;
            }
            let blank = |seen: Seen<'_>| match seen {
                Seen::Number { .. } => true,
                Seen::Class(cell) => cell.trim_ascii().is_empty(),
            };
            let simple = numbers && !records.quoted && (text || std::str::from_utf8(record).is_ok());
            if simple && read_cells(record, uses, header, &mut values, blank) {
                for (column, v) in self.columns.iter_mut().zip(&values) {
                    column.push(*v);
                }
                match self.pieces.last_mut() {
                    Some(Piece::Numbers(n)) => *n += 1,
                    _ => self.pieces.push(Piece::Numbers(1)),
                }
            } else {
                self.pieces.push(Piece::Row { text: range, number, closed: records.closed });
            }
            number += 1;
        }
    }
}

impl<R: Read> OpenTable<R> {
    /// Hands over the whole table, in its order. Without `numbers` every row comes by itself. `progress` is told
    /// the rows handed over so far.
    ///
    /// # Errors
    /// [`Error::Table`] with the row where the table cannot be read on (not UTF-8, a row too long), [`Error::Io`]
    /// when the reader fails, and what `take` returns. Rows before that were handed over.
    ///
    /// ```
    /// use conchoid::table::{OpenTable, Stretch, TableOptions};
    /// let text = "depth_mm,mass_g,percussor\n8,21,\n7,19,\n6,wide,\n5,4,antler\n";
    /// let table = OpenTable::new(text.as_bytes(), &TableOptions::new())?;
    /// let mut found = Vec::new();
    /// table.each(true, |_| {}, |stretch| {
    ///     found.push(match stretch {
    ///         Stretch::Numbers(columns) => columns[1].clone(),
    ///         Stretch::Row(row) => vec![row.row_number() as f64],
    ///         _ => vec![],
    ///     });
    ///     Ok(())
    /// })?;
    /// assert_eq!(found, [vec![21.0, 19.0], vec![3.0], vec![4.0]]);
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    pub fn each(
        self,
        numbers: bool,
        mut progress: impl FnMut(u64),
        mut take: impl FnMut(Stretch<'_>) -> Result<()>,
    ) -> Result<()> {
        let OpenTable { mut blocks, header, longest } = self;
        let uses = uses_of(&header, |_| false);
        let together = threads::at_once().saturating_mul(2).clamp(1, MOST_BLOCKS);
        let (mut rows, mut given, mut failed) = (0, 0, None);
        let mut row = Row::of(&header);
        let mut read = |mut spare: Vec<Block>, failed: &mut Option<Error>| {
            let mut batch: Vec<Block> = Vec::with_capacity(together);
            while failed.is_none() && batch.len() < together {
                let mut block = spare.pop().unwrap_or_default();
                match blocks.next(&mut block.input, BLOCK_BYTES) {
                    Ok(true) => {}
                    Ok(false) => break,
                    Err(e) => {
                        *failed = Some(e);
                        break;
                    }
                }
                block.first = rows + 1;
                block.ended_in_quotes = blocks.ended_in_quotes();
                block.rows = count(&block.input, header.separator, header.names.len());
                rows += block.rows;
                batch.push(block);
            }
            batch
        };
        let mut working = read(Vec::new(), &mut failed);
        let mut done: Vec<Block> = Vec::new();
        while !(working.is_empty() && done.is_empty()) {
            let next = threads::beside(
                &mut working,
                |block| block.read(&header, &uses, longest, numbers),
                || -> Result<Vec<Block>> {
                    for block in &mut done {
                        hand_over(block, &header, &mut row, &mut take)?;
                        given += block.rows;
                        progress(given);
                    }
                    Ok(read(std::mem::take(&mut done), &mut failed))
                },
            )?;
            done = std::mem::replace(&mut working, next);
        }
        failed.map_or(Ok(()), Err)
    }
}

/// Hands over one block.
fn hand_over(
    block: &mut Block,
    header: &Header,
    row: &mut Row,
    take: &mut impl FnMut(Stretch<'_>) -> Result<()>,
) -> Result<()> {
    let whole = matches!(&block.pieces[..], [Piece::Numbers(_)]);
    let mut from = 0;
    for piece in &block.pieces {
        match piece {
            Piece::Numbers(_) if whole => take(Stretch::Numbers(&block.columns))?,
            Piece::Numbers(n) => {
                let part: Vec<Vec<f64>> = block.columns.iter().map(|c| c[from..from + n].to_vec()).collect();
                take(Stretch::Numbers(&part))?;
                from += n;
            }
            Piece::Row { text, number, closed } => {
                let open = block.ended_in_quotes && !closed;
                let record = &block.input[text.clone()];
                row.take(*number, record, header.separator, open).ok_or_else(|| blocks::not_text(*number))?;
                take(Stretch::Row(row))?;
            }
        }
    }
    block.failed.take().map_or(Ok(()), Err)
}
