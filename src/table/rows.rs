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
struct Made<T> {
    lines: Line,
    summary: Summary,
    row: Row,
    seen: Vec<T>,
}

/// Reads a table to its end and writes it with its answers. `progress` is told the rows written so far, `take` what
/// was seen of the rows, in their order.
pub(super) fn write<A: Answers, R: Read, W: Write>(
    answers: &A,
    table: TableReader<R>,
    writer: W,
    mut progress: impl FnMut(u64),
    mut take: impl FnMut(A::Seen) -> Result<()>,
) -> Result<(W, Summary)> {
    let names = answers.columns();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let mut writer = TableWriter::new(writer, table.header(), &names)?;
    let (header, longest) = (table.header.clone(), table.longest);
    let (mut written, mut summary) = (0, Summary::default());
    let intake = table.in_blocks(
        BLOCK_BYTES,
        || Made {
            lines: Line::new(header.separator),
            summary: Summary::default(),
            row: Row::of(&header),
            seen: Vec::new(),
        },
        |block: &mut Block<Made<A::Seen>>| {
            block.made.lines.clear();
            block.each(&header, longest, |input, record, made| {
                made.row.take(record.number, &input[record.text], record.open);
                made.seen.extend(answers.answer(&made.row, &mut made.lines, &mut made.summary)?);
                Ok(())
            });
        },
        |block| {
            writer.lines(&block.made.lines.bytes)?;
            written += block.rows;
            summary.append(std::mem::take(&mut block.made.summary));
            block.made.seen.drain(..).try_for_each(&mut take)?;
            progress(written);
            Ok(())
        },
    )?;
    summary.take_in(intake);
    Ok((writer.finish()?, summary))
}

/// The cells of a row without an answer, up to the reason: it stays in its place with all it has.
pub(super) fn refuse(out: &mut Line, row: &Row, blanks: usize, calibration: &str, reasons: &[Error]) {
    let text: Vec<String> = reasons.iter().map(Error::to_string).collect();
    out.row(row);
    out.blanks(blanks);
    out.text(calibration);
    out.text(&format!("refused: {}", text.join("; ")));
}
