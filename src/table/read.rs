//! Reading a table: the one way in for every caller. The header line is understood once; then the rows come one by
//! one ([`TableReader::read`]), or the blocks of the table are worked on all threads ([`TableReader::in_blocks`]).
//! One block is in memory at a time, or a few for each thread.

use super::blocks::{self, Blocks, Records, count, is_row};
use super::guard;
use super::header::{self, Header, TableOptions};
use super::intake::Intake;
use super::row::Row;
use super::text::Cells;
use crate::error::{Error, Result};
use crate::threads;
use std::io::Read;
use std::ops::Range;
use std::sync::Arc;

/// Bytes of a block. This crate's choice, no source.
pub(super) const BLOCK_BYTES: usize = 64 * 1024;

/// Blocks in memory at once, however many threads there are. This crate's choice, no source.
const MOST_BLOCKS: usize = 16;

/// A table whose header line is read.
///
/// Separators: comma, semicolon or tab ([`TableOptions::separator`]), or what a first line such as `sep=;`
/// names. A decimal comma is understood only where a semicolon stands between cells; thousands separators never are.
/// A byte-order mark, either end of line, quotes (with line ends and separators inside), blank cells and the usual
/// markers of "not recorded" are understood; blank lines are skipped and not counted. A cell that is not UTF-8 is
/// read as Windows-1252. Memory does not grow with the rows, and a row longer than
/// [`TableOptions::longest_record`] stops the reading before it fills memory.
#[derive(Debug)]
pub struct TableReader<R> {
    pub(super) blocks: Blocks<R>,
    pub(super) header: Arc<Header>,
    pub(super) longest: u64,
    /// The block that rows are read from one by one.
    block: Block<()>,
    failed: Option<Error>,
}

impl<R: Read> TableReader<R> {
    /// Reads the header line and makes sure that there is a first row.
    ///
    /// # Errors
    /// [`Error::Table`] when there are no bytes, no names or no rows, when the header line (or first row) is
    /// too long or has NUL bytes, when two columns mean the same, or when a known quantity is in a unit of
    /// another kind; [`Error::UnknownName`] or [`Error::Invalid`] for a column map or a wanted column that
    /// does not fit; [`Error::Io`] when the reader fails.
    pub fn new(mut reader: R, options: &TableOptions) -> Result<Self> {
        let longest = options.longest();
        let opening = guard::open(&mut reader, longest)?;
        let line = &opening.bytes[opening.header.clone()];
        if line.is_empty() {
            return Err(Error::table("empty: neither a header line nor rows"));
        }
        if line.contains(&0) {
            return Err(Error::table(
                "the header line has NUL bytes: UTF-16, or not a table of text (save it as CSV in UTF-8)",
            ));
        }
        if line.len() as u64 > longest {
            return Err(Error::table(guard::too_long("the header line", longest)));
        }
        let separator = header::separator(options, &opening)?;
        let mut names = Cells::default();
        names.take_apart(line, separator);
        let mut bytes = opening.bytes;
        bytes.drain(..opening.header.end);
        let mut blocks = Blocks::new(bytes, reader, separator, longest);
        let mut block = Block::new(());
        let mut names: Vec<String> = names.iter().map(String::from).collect();
        while block.fill(&mut blocks, BLOCK_BYTES)? {
            if count(&block.input, separator, names.len()) == 0 {
                continue;
            }
            let rows = first_rows(&block.input, separator, names.len());
            let nameless = first_is_nameless(&names, &rows);
            if nameless {
                names.insert(0, String::new());
            }
            let mut header = Header::understand(names, separator, options)?;
            if nameless {
                header.remark_nameless();
            }
            header.suggest(&rows);
            return Ok(TableReader { blocks, header: Arc::new(header), longest, block, failed: None });
        }
        // what is wrong with the names is told first
        Header::understand(names, separator, options)?;
        Err(Error::table("no rows of data under the header line"))
    }

    /// The header line.
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// What was noticed in the rows read so far.
    pub fn intake(&self) -> &Intake {
        &self.block.intake
    }

    /// An empty row of this table, to be filled by [`TableReader::read`].
    pub fn row(&self) -> Row {
        Row::of(&self.header)
    }

    /// Reads the next row into `row`, using its memory again; `false` when there is none. A row with bad
    /// cells or of the wrong length is read and says so itself.
    ///
    /// # Errors
    /// [`Error::Table`] with the row where the table cannot be read on (a row too long), or at the end where
    /// conditions ([`TableOptions::only`]) left no row; [`Error::Io`] when the reader fails. The same error is
    /// returned from then on.
    pub fn read(&mut self, row: &mut Row) -> Result<bool> {
        loop {
            if let Some(e) = &self.failed {
                return Err(e.clone());
            }
            match self.block.next(&self.header, self.longest) {
                Ok(Some(Record { text, number, open, .. })) => {
                    if !Arc::ptr_eq(&row.header, &self.header) {
                        row.header = self.header.clone();
                    }
                    row.take(number, &self.block.input[text], open);
                    self.block.intake.row(row);
                    return Ok(true);
                }
                Ok(None) => match self.block.fill(&mut self.blocks, BLOCK_BYTES) {
                    Ok(true) => {}
                    Ok(false) => {
                        let left = self.block.intake.chosen.check(&self.header.conditions);
                        return left.map(|()| false).inspect_err(|e| self.failed = Some(e.clone()));
                    }
                    Err(e) => self.failed = Some(e),
                },
                Err(e) => self.failed = Some(e),
            }
        }
    }

    /// Works the whole table through in blocks of about so many bytes: `work` on all threads, `done` here and in
    /// the order of the table. Gives back what the conditions left.
    pub(super) fn in_blocks<B: Send>(
        mut self,
        bytes: usize,
        new: impl Fn() -> B,
        work: impl Fn(&mut Block<B>) + Sync + Send,
        mut done: impl FnMut(&mut Block<B>) -> Result<()>,
    ) -> Result<Intake> {
        // what was read to see that there is a row
        self.blocks.put_back(&self.block.input[self.block.at..]);
        let (separator, columns) = (self.header.separator, self.header.names.len());
        let together = threads::at_once().saturating_mul(2).clamp(1, MOST_BLOCKS);
        let (mut rows, mut failed) = (self.block.number, None);
        let (blocks, mut intake) = (&mut self.blocks, Intake::default());
        let mut read = |mut spare: Vec<Block<B>>, failed: &mut Option<Error>| {
            let mut batch: Vec<Block<B>> = Vec::with_capacity(together);
            while failed.is_none() && batch.len() < together {
                let mut block = spare.pop().unwrap_or_else(|| Block::new(new()));
                match block.fill(blocks, bytes) {
                    Ok(true) => {}
                    Ok(false) => break,
                    Err(e) => {
                        *failed = Some(e);
                        break;
                    }
                }
                block.number = rows;
                block.held = count(&block.input, separator, columns);
                rows += block.held;
                batch.push(block);
            }
            batch
        };
        let mut working = read(Vec::new(), &mut failed);
        let mut worked: Vec<Block<B>> = Vec::new();
        while !(working.is_empty() && worked.is_empty()) {
            // while one batch is worked on, the one before is taken and the next is read
            let next = threads::beside(&mut working, &work, || -> Result<Vec<Block<B>>> {
                for block in &mut worked {
                    done(block)?;
                    block.failed.take().map_or(Ok(()), Err)?;
                    intake.append(std::mem::take(&mut block.intake));
                }
                Ok(read(std::mem::take(&mut worked), &mut failed))
            })?;
            worked = std::mem::replace(&mut working, next);
        }
        failed.map_or(Ok(()), Err)?;
        intake.chosen.check(&self.header.conditions)?;
        Ok(intake)
    }
}

/// Rows that are looked at before the others. This crate's choice, no source.
const FIRST_ROWS: usize = 500;

/// The first rows of a block.
fn first_rows(block: &[u8], separator: u8, columns: usize) -> Vec<Cells> {
    let apart = |record: &[u8]| {
        let mut cells = Cells::default();
        cells.take_apart(record, separator);
        cells
    };
    let records = Records::new(block, separator).map(|range| &block[range]);
    records.filter(|r| is_row(r, separator, columns)).take(FIRST_ROWS).map(apart).collect()
}

/// Whether the first column has no name: the first rows, two at least, all have one cell more than there are names,
/// and it is not just a separator too many at their ends.
fn first_is_nameless(names: &[String], rows: &[Cells]) -> bool {
    let last_blank = |cells: &Cells| cells.iter().next_back().is_none_or(|c| c.trim().is_empty());
    rows.len() > 1 && rows.iter().all(|cells| cells.len() == names.len() + 1) && !rows.iter().all(last_blank)
}

/// One block of a table, and what is made of it.
#[derive(Debug)]
pub(super) struct Block<B> {
    pub input: Vec<u8>,
    /// Rows of the table up to where it was read.
    number: u64,
    /// Rows in it.
    pub held: u64,
    /// Up to where it was read, and whether it has quotes.
    at: usize,
    quotes: bool,
    ended_in_quotes: bool,
    pub failed: Option<Error>,
    /// What the conditions left of its rows.
    intake: Intake,
    cells: Cells,
    pub made: B,
}

/// One record of a block that is a row.
pub(super) struct Record {
    /// Where its bytes lie in the block.
    pub text: Range<usize>,
    pub number: u64,
    /// Whether it has a quote anywhere.
    pub quoted: bool,
    /// Whether the table ended inside quotes here.
    pub open: bool,
}

impl<B> Block<B> {
    fn new(made: B) -> Self {
        Block {
            input: Vec::new(),
            number: 0,
            held: 0,
            at: 0,
            quotes: false,
            ended_in_quotes: false,
            failed: None,
            intake: Intake::default(),
            cells: Cells::default(),
            made,
        }
    }

    /// Puts the next block of a table into it; false where there is none.
    fn fill<R: Read>(&mut self, blocks: &mut Blocks<R>, bytes: usize) -> Result<bool> {
        let filled = blocks.next(&mut self.input, bytes)?;
        self.at = 0;
        self.quotes = memchr::memchr(b'"', &self.input).is_some();
        self.ended_in_quotes = blocks.ended_in_quotes();
        Ok(filled)
    }

    /// The next row that the conditions leave.
    #[inline]
    fn next(&mut self, header: &Header, longest: u64) -> Result<Option<Record>> {
        let (separator, columns) = (header.separator, header.names.len());
        let mut records = Records::from(&self.input, separator, self.at, self.quotes);
        while let Some(text) = records.next() {
            self.at = records.at;
            let record = &self.input[text.clone()];
            if !is_row(record, separator, columns) {
                continue;
            }
            self.number += 1;
            if record.len() as u64 > longest {
                return Err(blocks::too_long(self.number, longest));
            }
            if !header.conditions.is_empty() {
                self.cells.take_apart(record, separator);
                if !self.intake.chosen.choose(&header.conditions, &self.cells) {
                    continue;
                }
            }
            let open = self.ended_in_quotes && !records.closed;
            return Ok(Some(Record { text, number: self.number, quoted: records.quoted, open }));
        }
        self.at = self.input.len();
        Ok(None)
    }

    /// Its rows, in their order: `take` is told the bytes of the block, one row at a time, and what is made of them.
    pub fn each(
        &mut self,
        header: &Header,
        longest: u64,
        mut take: impl FnMut(&[u8], Record, &mut B) -> Result<()>,
    ) {
        let mut next = self.next(header, longest);
        while let Ok(Some(record)) = next {
            let taken = take(&self.input, record, &mut self.made);
            next = taken.and_then(|()| self.next(header, longest));
        }
        self.failed = next.err();
    }
}
