//! One cell of a table: a number, not recorded, or neither and what to do about it. A number is digits with
//! a decimal point; with a decimal comma only where the table allows it. What a spreadsheet leaves where a formula
//! failed (`#VALUE!`) is not recorded either, but is counted.

use super::digits::plain_decimal;

/// What a cell of a number column holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum NumberCell {
    /// Blank, or a marker of "not recorded".
    Missing,
    /// A finite number.
    Number(f64),
    /// What a spreadsheet leaves where a formula failed.
    SheetError,
    /// Neither; the hint says what would be accepted.
    Bad(&'static str),
}

/// The usual markers of "not recorded", in lower case.
const MARKERS: [&str; 22] = [
    "na",
    "n/a",
    "n.a.",
    "n.a",
    "#n/a",
    "nan",
    "null",
    "nil",
    "none",
    "-",
    "--",
    "\u{2013}",
    "\u{2014}",
    ".",
    "?",
    "nd",
    "n.d.",
    "n.d",
    "nr",
    "n.r.",
    "not recorded",
    "missing",
];

/// What says that somebody looked and could not tell, in lower case.
const NOT_TOLD: [&str; 9] = [
    "unknown",
    "not known",
    "unk",
    "unk.",
    "indet",
    "indet.",
    "indeterminate",
    "undetermined",
    "unspecified",
];

/// Whether the text (already trimmed) says that nothing was recorded, or that it could not be told. Zero is a number, not a
/// marker.
pub(super) fn is_missing(text: &str) -> bool {
    is_blank(text) || is_one_of(&NOT_TOLD, text)
}

/// Whether the text (already trimmed) says that nothing was recorded.
pub(super) fn is_blank(text: &str) -> bool {
    text.is_empty() || is_one_of(&MARKERS, text)
}

fn is_one_of(markers: &[&str], text: &str) -> bool {
    match text.as_bytes().first() {
        None | Some(b'0'..=b'9') => false,
        Some(_) => text.len() <= 13 && markers.iter().any(|m| text.eq_ignore_ascii_case(m)),
    }
}

/// What spreadsheets leave where a formula failed, in lower case. (Common practice, no source: the errors of the
/// spreadsheets in use, without `#N/A`, which is a marker.)
const SHEET_ERRORS: [&str; 12] = [
    "#value!",
    "#div/0!",
    "#ref!",
    "#name?",
    "#num!",
    "#null!",
    "#spill!",
    "#calc!",
    "#error!",
    "#getting_data",
    "#field!",
    "#blocked!",
];

/// Whether the text is what a spreadsheet leaves where a formula failed.
pub(super) fn is_sheet_error(text: &str) -> bool {
    let numbered = || {
        // LibreOffice: Err:502
        text.get(..4).is_some_and(|t| t.eq_ignore_ascii_case("err:"))
            && text.len() > 4
            && text[4..].bytes().all(|b| b.is_ascii_digit())
    };
    match text.as_bytes().first() {
        Some(b'#') => SHEET_ERRORS.iter().any(|e| text.eq_ignore_ascii_case(e)),
        Some(b'E' | b'e') => numbered(),
        _ => false,
    }
}

const POINT: &str = "use a point, not a comma";
const POINT_OR_THOUSANDS: &str = "use a point, not a comma, and no thousands separators";
const THOUSANDS: &str = "write it without thousands separators";
const ALONE: &str = "write the number alone; its unit belongs in the header";
const FINITE: &str = "a number must be finite";
const LINES: &str = "the cell runs over several lines, so a quote may have been left open";
const PLAIN: &str = "write a number such as 7.3, or leave the cell blank";

/// Reads a cell as a number.
#[inline]
pub(super) fn number(text: &str, decimal_comma: bool) -> NumberCell {
    match plain_decimal(text.as_bytes()) {
        Some(v) => NumberCell::Number(v),
        None => any_number(text, decimal_comma),
    }
}

/// The same of any text.
fn any_number(text: &str, decimal_comma: bool) -> NumberCell {
    let text = text.trim();
    if is_missing(text) {
        return NumberCell::Missing;
    }
    if is_sheet_error(text) {
        return NumberCell::SheetError;
    }
    match text.parse::<f64>() {
        Ok(v) if v.is_finite() => NumberCell::Number(v),
        Ok(_) => NumberCell::Bad(FINITE),
        Err(_) => spelled_otherwise(text, decimal_comma),
    }
}

/// A number with a decimal comma or a typographic minus where allowed; otherwise the best hint.
fn spelled_otherwise(text: &str, decimal_comma: bool) -> NumberCell {
    let commas = text.bytes().filter(|b| *b == b',').count();
    let takes_comma = decimal_comma && commas == 1 && !text.contains('.');
    let mut buffer = [0u8; 64];
    let minus = text.strip_prefix('\u{2212}');
    if (takes_comma || minus.is_some()) && text.len() <= buffer.len() {
        let mut length = 0;
        if minus.is_some() {
            buffer[0] = b'-';
            length = 1;
        }
        for b in minus.unwrap_or(text).bytes() {
            buffer[length] = if b == b',' && takes_comma { b'.' } else { b };
            length += 1;
        }
        let parsed = std::str::from_utf8(&buffer[..length]).ok().and_then(|t| t.parse::<f64>().ok());
        if let Some(v) = parsed.filter(|v| v.is_finite()) {
            return NumberCell::Number(v);
        }
    }
    NumberCell::Bad(hint(minus.unwrap_or(text), decimal_comma))
}

fn hint(text: &str, decimal_comma: bool) -> &'static str {
    if text.contains(['\n', '\r']) {
        return LINES;
    }
    let body = text.trim_start_matches(['+', '-']);
    let numeric = |t: &str| t.bytes().all(|b| b.is_ascii_digit() || matches!(b, b',' | b'.' | b' ' | b'\''));
    if body.starts_with(|c: char| c.is_ascii_digit()) && numeric(body) {
        let commas = body.bytes().filter(|b| *b == b',').count();
        let marks = body.bytes().filter(|b| !b.is_ascii_digit()).count();
        if commas == 1 && marks == 1 && !decimal_comma {
            let (whole, part) = body.split_once(',').unwrap_or((body, ""));
            let thousands = part.len() == 3 && whole.len() <= 3 && !whole.starts_with('0');
            return if thousands { POINT_OR_THOUSANDS } else { POINT };
        }
        return THOUSANDS;
    }
    let digits = body.find(|c: char| !(c.is_ascii_digit() || c == '.' || c == ',')).unwrap_or(body.len());
    let rest = body[digits..].trim_start();
    let letters = rest.chars().next().is_some_and(|c| c.is_alphabetic() || c == '°');
    if digits > 0 && letters { ALONE } else { PLAIN }
}

#[cfg(test)]
mod tests {
    use super::NumberCell::*;
    use super::*;

    #[test]
    fn cells() {
        for (text, comma, expected) in [
            ("7.3", false, Number(7.3)),
            (" 7.3 ", false, Number(7.3)),
            ("0", false, Number(0.0)),
            ("1e2", false, Number(100.0)),
            ("+.5", false, Number(0.5)),
            ("\u{2212}5", false, Number(-5.0)),
            ("\u{2212}5,5", true, Number(-5.5)),
            ("7,3", true, Number(7.3)),
            ("7.3", true, Number(7.3)),
            ("1,5e1", true, Number(15.0)),
            ("7,3", false, Bad(POINT)),
            ("-7,35", false, Bad(POINT)),
            ("0,123", false, Bad(POINT)),
            ("1,234", false, Bad(POINT_OR_THOUSANDS)),
            ("1,234.5", false, Bad(THOUSANDS)),
            ("1,234,567", false, Bad(THOUSANDS)),
            ("1,234.5", true, Bad(THOUSANDS)),
            ("1.234,5", true, Bad(THOUSANDS)),
            ("1 234", false, Bad(THOUSANDS)),
            ("7.3 mm", false, Bad(ALONE)),
            ("75°", false, Bad(ALONE)),
            ("ca. 7", false, Bad(PLAIN)),
            ("<1", false, Bad(PLAIN)),
            ("inf", false, Bad(FINITE)),
            ("1e999", false, Bad(FINITE)),
            ("\u{2212}\u{2212}", false, Bad(PLAIN)),
            ("", false, Missing),
            ("  ", false, Missing),
            ("NaN", false, Missing),
            ("Not Recorded", false, Missing),
            ("\u{2013}", false, Missing),
            ("#VALUE!", false, SheetError),
            (" #div/0! ", true, SheetError),
            ("Err:502", false, SheetError),
            ("Err:", false, Bad(PLAIN)),
            ("#5", false, Bad(PLAIN)),
        ] {
            assert_eq!(number(text, comma), expected, "{text:?}, decimal comma {comma}");
        }
        for marker in MARKERS {
            assert_eq!(number(marker, false), Missing, "{marker}");
            assert_eq!(number(&marker.to_uppercase(), true), Missing, "{marker}");
        }
        assert_eq!(number(&"9,".repeat(500), true), Bad(THOUSANDS));
    }
}
