//! The byte reader under the parser. It stops when one record asks for more bytes than are allowed, whether
//! or not a line ever ends, so that the memory of a record is bounded below the parser; and it remembers
//! whether a quote was left open when the bytes ended.

use crate::error::{Error, Place, Result};
use std::io::{self, Read};

/// Bytes asked of the reader at a time. Own choice.
pub(super) const BUFFER: usize = 64 * 1024;

/// A reader that serves at most `allowed` bytes between two calls of [`Guard::start_record`].
pub(super) struct Guard<R> {
    opening: io::Cursor<Vec<u8>>,
    inner: R,
    allowed: u64,
    served: u64,
    exceeded: bool,
    ended: bool,
    odd_quotes: bool,
}

impl<R: Read> Guard<R> {
    /// Serves `opening` first, then `inner`.
    pub fn new(opening: Vec<u8>, inner: R, allowed: u64) -> Self {
        Guard {
            opening: io::Cursor::new(opening),
            inner,
            allowed,
            served: 0,
            exceeded: false,
            ended: false,
            odd_quotes: false,
        }
    }

    /// A record begins: count from zero.
    pub fn start_record(&mut self) {
        self.served = 0;
    }

    /// Whether a record asked for more than is allowed.
    pub fn exceeded(&self) -> bool {
        self.exceeded
    }

    /// Whether the bytes have ended with an odd number of quotes among them.
    pub fn ended_in_quotes(&self) -> bool {
        self.ended && self.odd_quotes
    }
}

impl<R: Read> Read for Guard<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        // The parser asks for more only when all it was given belongs to the record it is reading.
        if self.served > self.allowed {
            self.exceeded = true;
            return Err(io::Error::other("a record longer than allowed"));
        }
        let mut n = self.opening.read(buffer)?;
        if n == 0 {
            n = read_some(&mut self.inner, buffer)?;
        }
        self.served += n as u64;
        self.ended = n == 0 && !buffer.is_empty();
        self.odd_quotes ^= buffer[..n].iter().filter(|b| **b == b'"').count() % 2 == 1;
        Ok(n)
    }
}

/// One read, repeated where it was interrupted.
pub(super) fn read_some(reader: &mut impl Read, buffer: &mut [u8]) -> io::Result<usize> {
    loop {
        match reader.read(buffer) {
            Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
            // A reader that claims more than it was asked for must not make us panic.
            Ok(n) => return Ok(n.min(buffer.len())),
            Err(e) => return Err(e),
        }
    }
}

/// The beginning of a table: what was read so far, and where its header line stands in it.
pub(super) struct Opening {
    /// All bytes read so far, without a byte-order mark.
    pub bytes: Vec<u8>,
    /// The header line, without its end.
    pub header: std::ops::Range<usize>,
}

/// Reads until the first line that is not blank has ended (outside quotes), or the bytes have.
pub(super) fn open(reader: &mut impl Read, allowed: u64) -> Result<Opening> {
    let mut bytes: Vec<u8> = Vec::new();
    let mut chunk = [0u8; 8192];
    let (mut at, mut start, mut in_quotes, mut ended) = (0, None, false, false);
    loop {
        while at < bytes.len() {
            let b = bytes[at];
            match start {
                None if !matches!(b, b'\r' | b'\n') => start = Some(at),
                _ => {}
            }
            if let Some(from) = start {
                if b == b'"' {
                    in_quotes = !in_quotes;
                } else if !in_quotes && matches!(b, b'\r' | b'\n') {
                    return Ok(Opening { header: from..at, bytes });
                }
            }
            at += 1;
        }
        if ended {
            let from = start.unwrap_or(at);
            return Ok(Opening { header: from..at, bytes });
        }
        if (at - start.unwrap_or(0)) as u64 > allowed {
            return Err(Error::Table { at: Place::default(), reason: too_long("the header line", allowed) });
        }
        let n = read_some(reader, &mut chunk)?;
        ended = n == 0;
        let first = bytes.is_empty();
        bytes.extend_from_slice(&chunk[..n]);
        if first {
            // A mark may come in pieces; three bytes decide.
            while bytes.len() < 3 && !ended {
                let n = read_some(reader, &mut chunk)?;
                ended = n == 0;
                bytes.extend_from_slice(&chunk[..n]);
            }
            if bytes.starts_with(&[0xEF, 0xBB, 0xBF]) {
                bytes.drain(..3);
            } else if bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]) {
                return Err(Error::Table {
                    at: Place::default(),
                    reason: "it is UTF-16, not UTF-8 (save it as CSV in UTF-8)".into(),
                });
            }
        }
    }
}

/// The sentence for a record longer than allowed.
pub(super) fn too_long(what: &str, allowed: u64) -> String {
    format!("{what} is longer than {allowed} bytes (a quote left open, or not a table of text?)")
}
