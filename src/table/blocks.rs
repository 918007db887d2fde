//! A table in blocks of whole records, so that several can be worked on at once, and the records of a block.
//!
//! Records end as the row by row reader ends them: at a line feed, a carriage return or both, outside quotes. A
//! quote opens at the beginning of a cell only; inside, two quotes are one.

use super::guard::{self, read_some};
use super::text::Cells;
use crate::error::{Error, Result};
use memchr::{memchr, memchr2, memrchr2};
use std::io::Read;
use std::ops::Range;

/// Reads a table in blocks.
#[derive(Debug)]
pub(super) struct Blocks<R> {
    reader: R,
    separator: u8,
    /// Read, but not handed out.
    carry: Vec<u8>,
    ended: bool,
    /// The reader failed; told when all whole records before that were handed out.
    failed: Option<Error>,
    /// No record may be longer.
    longest: u64,
    /// Whether an odd number of quotes was read so far.
    odd_quotes: bool,
}

impl<R: Read> Blocks<R> {
    /// `opening` was read from the reader already.
    pub fn new(opening: Vec<u8>, reader: R, separator: u8, longest: u64) -> Self {
        let odd_quotes = quotes(&opening) % 2 == 1;
        Blocks { reader, separator, carry: opening, ended: false, failed: None, longest, odd_quotes }
    }

    /// Whether all bytes were read and had an odd number of quotes among them.
    pub fn ended_in_quotes(&self) -> bool {
        self.ended && self.odd_quotes
    }

    /// Puts the next block into `block`: whole records of about `size` bytes in all, or one record longer than
    /// allowed as far as it was read, or what is left; false where nothing is.
    pub fn next(&mut self, block: &mut Vec<u8>, size: usize) -> Result<bool> {
        block.clear();
        block.append(&mut self.carry);
        let mut want = size.max(1);
        loop {
            while block.len() < want && !self.ended {
                let from = block.len();
                block.resize(want, 0);
                let n = read_some(&mut self.reader, &mut block[from..]).unwrap_or_else(|e| {
                    self.failed = Some(Error::Io { reason: e.to_string() });
                    0
                });
                block.truncate(from + n);
                self.odd_quotes ^= quotes(&block[from..]) % 2 == 1;
                self.ended = n == 0;
            }
            if let Some(e) = &self.failed {
                // the record that was being read is not one
                let end = self.last_end(block).unwrap_or(0);
                block.truncate(end);
                return if block.is_empty() { Err(e.clone()) } else { Ok(true) };
            }
            if self.ended {
                return Ok(!block.is_empty());
            }
            if let Some(end) = self.last_end(block) {
                self.carry.extend_from_slice(&block[end..]);
                block.truncate(end);
                return Ok(true);
            }
            if block.len() as u64 > self.longest {
                return Ok(true);
            }
            want = block.len() + size;
        }
    }

    /// After the last record that has ended.
    fn last_end(&self, block: &[u8]) -> Option<usize> {
        if memchr(b'"', block).is_none() {
            return memrchr2(b'\n', b'\r', block).map(|at| at + 1);
        }
        let mut records = Records::new(block, self.separator);
        let mut end = None;
        while records.next().is_some() {
            if records.closed {
                end = Some(records.at);
            }
        }
        end
    }

    /// Puts a record's bytes back before those not handed out.
    pub fn put_back(&mut self, bytes: &[u8]) {
        self.carry.splice(0..0, bytes.iter().copied());
    }
}

fn quotes(bytes: &[u8]) -> usize {
    match memchr(b'"', bytes) {
        None => 0,
        Some(first) => bytes[first..].iter().filter(|b| **b == b'"').count(),
    }
}

/// The records of a block, empty lines left out: the place of each, without its line end.
pub(super) struct Records<'a> {
    bytes: &'a [u8],
    separator: u8,
    quotes: bool,
    /// After the record given last.
    pub at: usize,
    /// Whether a line end closed the record given last.
    pub closed: bool,
    /// Whether it has a quote anywhere.
    pub quoted: bool,
}

impl<'a> Records<'a> {
    pub fn new(bytes: &'a [u8], separator: u8) -> Self {
        let quotes = memchr(b'"', bytes).is_some();
        Records { bytes, separator, quotes, at: 0, closed: false, quoted: false }
    }

    /// The records from a place on; `quotes` tells whether there are any.
    pub fn from(bytes: &'a [u8], separator: u8, at: usize, quotes: bool) -> Self {
        Records { bytes, separator, quotes, at, closed: false, quoted: false }
    }

    /// The end of a record with a quote that begins at `start`: of its text.
    fn end_with_quotes(&self, start: usize) -> Option<usize> {
        let mut at = start;
        loop {
            // at the beginning of a cell
            if self.bytes.get(at) == Some(&b'"') {
                at += 1;
                loop {
                    at += memchr(b'"', &self.bytes[at..])? + 1;
                    if self.bytes.get(at) != Some(&b'"') {
                        break;
                    }
                    at += 1;
                }
            }
            let ends = |b: &u8| *b == self.separator || matches!(b, b'\n' | b'\r');
            at += self.bytes[at..].iter().position(ends)?;
            if self.bytes[at] != self.separator {
                return Some(at);
            }
            at += 1;
        }
    }
}

impl Iterator for Records<'_> {
    type Item = Range<usize>;

    #[inline]
    fn next(&mut self) -> Option<Range<usize>> {
        while matches!(self.bytes.get(self.at), Some(b'\n' | b'\r')) {
            self.at += 1;
        }
        let start = self.at;
        if start == self.bytes.len() {
            return None;
        }
        let mut end = memchr2(b'\n', b'\r', &self.bytes[start..]).map(|n| start + n);
        self.quoted =
            self.quotes && memchr(b'"', &self.bytes[start..end.unwrap_or(self.bytes.len())]).is_some();
        if self.quoted {
            end = self.end_with_quotes(start);
        }
        self.closed = end.is_some();
        let end = end.unwrap_or(self.bytes.len());
        self.at = end + usize::from(self.closed);
        Some(start..end)
    }
}

/// Whether a record is a line of blanks, which is no row in a table of several columns.
pub(super) fn is_blank_line(record: &[u8], separator: u8) -> bool {
    if record.first().is_some_and(|b| b.is_ascii_graphic() && *b != b'"')
        || memchr(separator, record).is_some()
    {
        return false;
    }
    let mut cells = Cells::default();
    cells.take_apart(record, separator);
    cells.len() == 1 && cells.get(0).is_some_and(|cell| cell.trim().is_empty())
}

/// Whether a record is a row of a table of so many columns.
#[inline]
pub(super) fn is_row(record: &[u8], separator: u8, columns: usize) -> bool {
    record.first().is_some_and(|b| b.is_ascii_digit()) || columns < 2 || !is_blank_line(record, separator)
}

/// Rows in a block.
pub(super) fn count(block: &[u8], separator: u8, columns: usize) -> u64 {
    let rows = Records::new(block, separator).filter(|r| is_row(&block[r.clone()], separator, columns));
    rows.count() as u64
}

/// The sentence for a record longer than allowed.
pub(super) fn too_long(row: u64, longest: u64) -> Error {
    Error::Table { at: crate::error::Place::row(row), reason: guard::too_long("the row", longest) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The records of a text by blocks of a size.
    fn in_blocks(text: &[u8], size: usize) -> Vec<Vec<String>> {
        let mut blocks = Blocks::new(Vec::new(), text, b',', 1 << 20);
        let (mut block, mut found, mut cells) = (Vec::new(), Vec::new(), Cells::default());
        while blocks.next(&mut block, size).unwrap() {
            for range in Records::new(&block, b',') {
                cells.take_apart(&block[range], b',');
                found.push(cells.iter().map(String::from).collect());
            }
        }
        found
    }

    fn by_csv(text: &[u8]) -> Vec<Vec<String>> {
        let mut reader = csv::ReaderBuilder::new().has_headers(false).flexible(true).from_reader(text);
        reader.records().map(|r| r.unwrap().iter().map(String::from).collect()).collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 2000, failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn records_in_blocks_are_those_of_the_row_by_row_reader(
            pieces in prop::collection::vec(
                prop::sample::select(vec!["\n", "\r", "\r\n", "\"", "\"\"", ",", ",", "a", "7.5", " ", "é"]), 0..40),
            size in 1usize..50,
        ) {
            let text: String = pieces.concat();
            prop_assert_eq!(in_blocks(text.as_bytes(), size), by_csv(text.as_bytes()), "{:?}", text);
        }
    }
}
