//! The beginning of a table: its marks, a line that only names the separator, and where the header line stands. It
//! is read as far as one record may be long and no further, whether or not a line ever ends.

use crate::error::{Error, Result};
use std::io::{self, Read};

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
    /// What a line before it says that stands between cells.
    pub separator: Option<u8>,
}

/// The separator that a first line of some spreadsheets names, such as `sep=;`.
fn named_separator(line: &[u8]) -> Option<u8> {
    let line = line.strip_prefix(b"\"").and_then(|l| l.strip_suffix(b"\"")).unwrap_or(line);
    match line {
        [s, e, p, b'=', named @ (b',' | b';' | b'\t')] if [*s, *e, *p].eq_ignore_ascii_case(b"sep") => {
            Some(*named)
        }
        _ => None,
    }
}

/// Reads until the first line that is not blank has ended (outside quotes), or the bytes have.
pub(super) fn open(reader: &mut impl Read, allowed: u64) -> Result<Opening> {
    let mut bytes: Vec<u8> = Vec::new();
    let mut chunk = [0u8; 8192];
    let (mut at, mut start, mut in_quotes, mut ended) = (0, None, false, false);
    let mut separator = None;
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
                    match named_separator(&bytes[from..at]).filter(|_| separator.is_none()) {
                        Some(named) => (separator, start) = (Some(named), None),
                        None => {
                            let bytes = bytes.split_off(from);
                            return Ok(Opening { header: 0..at - from, bytes, separator });
                        }
                    }
                }
            }
            at += 1;
        }
        if ended {
            let from = start.unwrap_or(at);
            let bytes = bytes.split_off(from);
            return Ok(Opening { header: 0..at - from, bytes, separator });
        }
        if (at - start.unwrap_or(0)) as u64 > allowed {
            return Err(Error::table(too_long("the header line", allowed)));
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
                return Err(Error::table("it is UTF-16, not UTF-8 (save it as CSV in UTF-8)"));
            }
        }
    }
}

/// The sentence for a record longer than allowed.
pub(super) fn too_long(what: &str, allowed: u64) -> String {
    format!("{what} is longer than {allowed} bytes (a quote left open, or not a table of text?)")
}
