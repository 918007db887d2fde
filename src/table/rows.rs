//! Rows that are answered one by one, on all threads, and written in their order with the answers beside them: what
//! every verb does with a row is decided here once.

use super::read::{BLOCK_BYTES, Block, TableReader};
use super::row::Row;
use super::summary::Summary;
use super::write::{Line, TableWriter};
use crate::error::{Error, Result};
use std::io::{Read, Write};

/// What becomes of the rows of a table.
pub(super) trait Answers: Sync {
    /// What a caller may see of an answer beside the cells.
    type Seen: Send;

    /// The columns added.
    fn columns(&self) -> Vec<String>;

    /// Answers a row: writes its cells, those added and the end of the line, and counts it.
    ///
    /// # Errors
    /// What stops the whole table; a row that is refused is no error.
    fn answer(&self, row: &Row, out: &mut Line, summary: &mut Summary) -> Result<Option<Self::Seen>>;
}

/// What is made of one block.
pub(super) struct Made<T> {
    pub(super) lines: Line,
    pub(super) summary: Summary,
    pub(super) row: Row,
    seen: Vec<T>,
}

/// Reads a table to its end and writes it with its answers. `progress` is told the rows written so far, `take` what
/// was seen of the rows, in their order.
pub(super) fn write<A: Answers, R: Read, W: Write>(
    answers: &A,
    table: TableReader<R>,
    writer: W,
    progress: impl FnMut(u64),
    take: impl FnMut(A::Seen) -> Result<()>,
) -> Result<(W, Summary)> {
    let (header, longest) = (table.header.clone(), table.longest);
    let work = |block: &mut Block<Made<A::Seen>>| {
        block.each(&header, longest, |input, record, made| {
            made.row.take(record.number, &input[record.text], record.open);
            made.seen.extend(answers.answer(&made.row, &mut made.lines, &mut made.summary)?);
            Ok(())
        });
    };
    write_blocks((table, BLOCK_BYTES), writer, &answers.columns(), work, progress, take)
}

/// The same of a table in blocks of about so many bytes, whose lines `work` makes.
pub(super) fn write_blocks<T: Send, R: Read, W: Write>(
    (table, bytes): (TableReader<R>, usize),
    writer: W,
    columns: &[String],
    work: impl Fn(&mut Block<Made<T>>) + Sync + Send,
    mut progress: impl FnMut(u64),
    mut take: impl FnMut(T) -> Result<()>,
) -> Result<(W, Summary)> {
    let mut writer = TableWriter::new(writer, table.header(), columns)?;
    let header = table.header.clone();
    let (mut written, mut summary) = (0, Summary::default());
    let intake = table.in_blocks(
        bytes,
        || Made {
            lines: Line::new(header.separator),
            summary: Summary::default(),
            row: Row::of(&header),
            seen: Vec::new(),
        },
        |block| {
            block.made.lines.clear();
            work(block);
        },
        |block| {
            writer.lines(&block.made.lines.bytes)?;
            written += block.held;
            summary.append(std::mem::take(&mut block.made.summary));
            block.made.seen.drain(..).try_for_each(&mut take)?;
            progress(written);
            Ok(())
        },
    )?;
    summary.intake.append(intake);
    Ok((writer.finish()?, summary))
}

/// Writes a row without an answer, and counts it: it stays in its place with all it has, then cells that are blank, the
/// calibration where it has a column, the reasons, and further blanks.
pub(super) fn refuse(
    (out, summary): (&mut Line, &mut Summary),
    row: &Row,
    (blanks, calibration, after): (usize, Option<&str>, usize),
    reasons: Vec<Error>,
) {
    let text: Vec<String> = reasons.iter().map(Error::to_string).collect();
    out.row(row);
    out.blanks(blanks);
    calibration.iter().for_each(|name| out.text(name));
    out.text(&format!("refused: {}", text.join("; ")));
    out.blanks(after);
    out.end();
    summary.refused(row, &reasons);
}
