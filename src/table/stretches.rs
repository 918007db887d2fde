//! A table in its order, as stretches of rows that record nothing but numbers, and single rows of all other kinds:
//! what a fit of many flakes needs. The blocks are read into columns on all threads.

use super::flow::{Seen, Use, read_cells, uses_of};
use super::header::Header;
use super::intake::Intake;
use super::read::{Record, TableReader};
use super::row::Row;
use crate::error::Result;
use std::io::Read;
use std::ops::Range;

/// Bytes of a block. This crate's choice, no source.
const BLOCK_BYTES: usize = 256 * 1024;

/// What comes next in a table.
#[derive(Debug)]
#[non_exhaustive]
pub(crate) enum Stretch<'a> {
    /// Rows that record nothing but numbers (and names of flake, core and knapper): one column for each understood
    /// column of the header, in that order; not a number where nothing was recorded, and in columns of classes.
    Numbers(&'a [Vec<f64>]),
    /// A row of another kind.
    Row(&'a Row),
}

/// What was read of a block.
#[derive(Default)]
struct Columns {
    numbers: Vec<Vec<f64>>,
    values: Vec<f64>,
    /// In the order of the block; the numbers of a stretch follow those of the stretch before.
    pieces: Vec<Piece>,
}

enum Piece {
    Numbers(usize),
    Row { text: Range<usize>, number: u64, open: bool },
}

impl Columns {
    fn read(&mut self, input: &[u8], record: Record, header: &Header, uses: &[Use]) {
        let blank = |seen: Seen<'_>| match seen {
            Seen::Number { .. } => true,
            // such rows come one by one, where they are noticed
            Seen::Formula | Seen::Area => false,
            Seen::Class(cell) => cell.trim_ascii().is_empty(),
        };
        let bytes = &input[record.text.clone()];
        let plain = !uses.is_empty() && !record.quoted && std::str::from_utf8(bytes).is_ok();
        if plain && read_cells(bytes, uses, header, &mut self.values, blank) {
            for (column, v) in self.numbers.iter_mut().zip(&self.values) {
                column.push(*v);
            }
            match self.pieces.last_mut() {
                Some(Piece::Numbers(n)) => *n += 1,
                _ => self.pieces.push(Piece::Numbers(1)),
            }
        } else {
            let Record { text, number, open, .. } = record;
            self.pieces.push(Piece::Row { text, number, open });
        }
    }
}

impl<R: Read> TableReader<R> {
    /// Hands over the whole table, in its order, and gives back what was noticed in it. Without `numbers` every row comes by itself. `progress` is told
    /// the rows handed over so far.
    ///
    /// # Errors
    /// [`Error::Table`](crate::Error::Table) with the row where the table cannot be read on (a row too long),
    /// [`Error::Io`](crate::Error::Io) when the reader fails, and what `take` returns. Rows before that were handed over.
    pub(crate) fn each(
        self,
        numbers: bool,
        mut progress: impl FnMut(u64),
        mut take: impl FnMut(Stretch<'_>) -> Result<()>,
    ) -> Result<Intake> {
        let header = self.header.clone();
        let longest = self.longest;
        // without columns of numbers no row is read as one
        let uses = if numbers { uses_of(&header, |_| false) } else { Vec::new() };
        let new = || Columns {
            numbers: vec![Vec::new(); header.columns.len()],
            values: vec![f64::NAN; header.columns.len()],
            pieces: Vec::new(),
        };
        let mut row = Row::of(&header);
        let (mut given, mut noticed) = (0, Intake::default());
        let chosen = self.in_blocks(
            BLOCK_BYTES,
            new,
            |block| {
                block.made.pieces.clear();
                block.made.numbers.iter_mut().for_each(Vec::clear);
                block.each(&header, longest, |input, record, columns| {
                    columns.read(input, record, &header, &uses);
                    Ok(())
                });
            },
            |block| {
                hand_over(&block.input, &block.made, &mut row, &mut noticed, &mut take)?;
                given += block.held;
                progress(given);
                Ok(())
            },
        )?;
        noticed.append(chosen);
        Ok(noticed)
    }
}

/// Hands over one block.
fn hand_over(
    input: &[u8],
    columns: &Columns,
    row: &mut Row,
    noticed: &mut Intake,
    take: &mut impl FnMut(Stretch<'_>) -> Result<()>,
) -> Result<()> {
    let whole = matches!(&columns.pieces[..], [Piece::Numbers(_)]);
    let mut from = 0;
    for piece in &columns.pieces {
        match piece {
            Piece::Numbers(_) if whole => take(Stretch::Numbers(&columns.numbers))?,
            Piece::Numbers(n) => {
                let part: Vec<Vec<f64>> =
                    columns.numbers.iter().map(|c| c[from..from + n].to_vec()).collect();
                take(Stretch::Numbers(&part))?;
                from += n;
            }
            Piece::Row { text, number, open } => {
                row.take(*number, &input[text.clone()], *open);
                noticed.row(row);
                take(Stretch::Row(row))?;
            }
        }
    }
    Ok(())
}
