//! The text of cells: a record taken apart into them, in UTF-8 or in the encoding of old spreadsheets, and a cell
//! written so that it is read back.
//!
//! A cell that is not UTF-8 is read as Windows-1252, which is what spreadsheets of western Europe and America saved
//! before; each cell for itself, so that one old note costs nothing else. Of the 256 bytes five have no character
//! there and become the control character of their number, so that every text can be read.

use memchr::memchr;

/// The characters of the bytes 0x80 to 0x9F in Windows-1252; the others are those of their number. Source: WHATWG,
/// Encoding Standard, index windows-1252.
const WINDOWS_1252: [char; 32] = [
    '\u{20AC}', '\u{81}', '\u{201A}', '\u{192}', '\u{201E}', '\u{2026}', '\u{2020}', '\u{2021}', '\u{2C6}',
    '\u{2030}', '\u{160}', '\u{2039}', '\u{152}', '\u{8D}', '\u{17D}', '\u{8F}', '\u{90}', '\u{2018}',
    '\u{2019}', '\u{201C}', '\u{201D}', '\u{2022}', '\u{2013}', '\u{2014}', '\u{2DC}', '\u{2122}', '\u{161}',
    '\u{203A}', '\u{153}', '\u{9D}', '\u{17E}', '\u{178}',
];

fn windows_1252(byte: u8) -> char {
    match byte {
        0x80..=0x9F => WINDOWS_1252[usize::from(byte - 0x80)],
        other => char::from(other),
    }
}

/// The cells of one record; its memory is used again.
#[derive(Debug, Clone, Default)]
pub(super) struct Cells {
    text: String,
    ends: Vec<usize>,
    bytes: Vec<u8>,
    /// Cells that were not UTF-8.
    legacy: u32,
}

impl Cells {
    pub fn len(&self) -> usize {
        self.ends.len()
    }

    pub fn get(&self, at: usize) -> Option<&str> {
        let end = *self.ends.get(at)?;
        let start = if at == 0 { 0 } else { self.ends[at - 1] };
        self.text.get(start..end)
    }

    pub fn iter(&self) -> impl DoubleEndedIterator<Item = &str> + ExactSizeIterator {
        (0..self.len()).map(|at| self.get(at).unwrap_or(""))
    }

    /// How many of them were not UTF-8.
    pub fn legacy(&self) -> u32 {
        self.legacy
    }

    fn clear(&mut self) {
        self.text.clear();
        self.ends.clear();
        self.legacy = 0;
    }

    fn push(&mut self, cell: &[u8]) {
        match std::str::from_utf8(cell) {
            Ok(text) => self.text.push_str(text),
            Err(_) => {
                self.legacy += 1;
                self.text.extend(cell.iter().map(|b| windows_1252(*b)));
            }
        }
        self.ends.push(self.text.len());
    }

    /// Takes a record apart. A quote opens at the beginning of a cell only; inside, two quotes are one.
    pub fn take_apart(&mut self, record: &[u8], separator: u8) {
        self.clear();
        let mut bytes = std::mem::take(&mut self.bytes);
        let mut rest = record;
        loop {
            bytes.clear();
            let mut quoted = false;
            if let [b'"', after @ ..] = rest {
                quoted = true;
                rest = after;
                loop {
                    let at = memchr(b'"', rest);
                    bytes.extend_from_slice(&rest[..at.unwrap_or(rest.len())]);
                    // without another the quote was never closed
                    rest = &rest[at.map_or(rest.len(), |at| at + 1)..];
                    match rest {
                        [b'"', after @ ..] if at.is_some() => {
                            bytes.push(b'"');
                            rest = after;
                        }
                        _ => break,
                    }
                }
            }
            let at = memchr(separator, rest);
            let end = &rest[..at.unwrap_or(rest.len())];
            if quoted {
                bytes.extend_from_slice(end);
                self.push(&bytes);
            } else {
                self.push(end);
            }
            match at {
                Some(at) => rest = &rest[at + 1..],
                None => break,
            }
        }
        self.bytes = bytes;
    }
}

/// Writes text as a cell, in quotes where it needs them.
pub(super) fn put_text(text: &str, separator: u8, out: &mut Vec<u8>) {
    let needs = |b: u8| b == separator || matches!(b, b'"' | b'\n' | b'\r');
    if !text.bytes().any(needs) {
        out.extend_from_slice(text.as_bytes());
        return;
    }
    out.push(b'"');
    for (i, piece) in text.split('"').enumerate() {
        if i > 0 {
            out.extend_from_slice(b"\"\"");
        }
        out.extend_from_slice(piece.as_bytes());
    }
    out.push(b'"');
}

/// Whether a spreadsheet that opens the table would run the cell as a formula: it begins with a sign of one and is
/// no number. (Common practice, no source: spreadsheets take `=`, `+`, `-` and `@` so.)
#[inline]
pub(super) fn like_formula(cell: &[u8]) -> bool {
    match cell {
        [b'=' | b'@' | b'+' | b'-', rest @ ..] => {
            !rest.is_empty()
                && rest.iter().any(|b| !b.is_ascii_whitespace() && *b != b'-')
                && std::str::from_utf8(cell).map_or(true, |t| {
                    t.trim().parse::<f64>().is_err() && t.trim().replace(',', ".").parse::<f64>().is_err()
                })
        }
        _ => false,
    }
}

/// A number of rows as it is told: `7,114`.
pub(super) fn rows_told(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::new();
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(c);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn apart(record: &[u8]) -> Vec<String> {
        let mut cells = Cells::default();
        cells.take_apart(record, b',');
        cells.iter().map(String::from).collect()
    }

    #[test]
    fn each_cell_has_its_own_encoding() {
        // bytes as Python's cp1252 codec writes them
        let record = b"caf\xe9,\x80 5 \x96 6,\xc3\xa9clat,\"\x93a\x94, b\"";
        assert_eq!(
            apart(record),
            ["caf\u{e9}", "\u{20AC} 5 \u{2013} 6", "\u{e9}clat", "\u{201C}a\u{201D}, b"]
        );
        let mut cells = Cells::default();
        cells.take_apart(record, b',');
        assert_eq!(cells.legacy(), 3);
        assert_eq!(apart(b"\x81\x9d"), ["\u{81}\u{9d}"], "bytes without a character");
    }

    #[test]
    fn formulas_and_what_is_none() {
        for (cell, formula) in [
            ("=1+1", true),
            ("@SUM(A1)", true),
            ("-A1", true),
            ("+3b", true),
            ("-2.5", false),
            ("-2,5", false),
            ("+3", false),
            ("-", false),
            ("--", false),
            ("A-1", false),
            ("", false),
        ] {
            assert_eq!(like_formula(cell.as_bytes()), formula, "{cell}");
        }
    }
}
