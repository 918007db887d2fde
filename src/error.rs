//! The one error type of the crate, and the numeric ranges that checks and messages share.
//!
//! Every message says what was found, where it stood, and what would be accepted. A [`Bounds`] is
//! declared once per quantity: the same value decides whether a number passes and writes the sentence
//! when it does not, so the two cannot drift apart.

use std::fmt;

/// The result type of this crate.
pub type Result<T> = std::result::Result<T, Error>;

/// Where in a table, or in which field, something was found.
#[derive(Debug, Clone, Default, PartialEq, Eq, Hash)]
pub struct Place {
    /// Row of data, counted from 1 without the header line.
    pub row: Option<u64>,
    /// Column, field or option by its name.
    pub column: Option<String>,
}

impl Place {
    /// A place known by the name of a column or field only.
    pub(crate) fn column(name: impl Into<String>) -> Self {
        Place { row: None, column: Some(name.into()) }
    }

    /// A place in a table; `row` counts rows of data from 1.
    pub(crate) fn cell(row: u64, name: impl Into<String>) -> Self {
        Place { row: Some(row), column: Some(name.into()) }
    }

    /// A whole row of a table, counted from 1 without the header line.
    #[cfg_attr(not(feature = "table"), allow(dead_code))]
    pub(crate) fn row(row: u64) -> Self {
        Place { row: Some(row), column: None }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self.row, &self.column) {
            (Some(r), Some(c)) => write!(f, "row {r}, column {c}: "),
            (Some(r), None) => write!(f, "row {r}: "),
            (None, Some(c)) => write!(f, "{c}: "),
            (None, None) => Ok(()),
        }
    }
}

/// Everything that can go wrong, in one type.
///
/// [`Error::place`] gives the row and column without taking the message apart.
///
/// ```
/// use conchoid::{Error, strike::Strike};
/// let e = Strike::builder().platform_depth_mm(-2.0).build().unwrap_err();
/// assert_eq!(e.place().unwrap().column.as_deref(), Some("platform_depth_mm"));
/// assert_eq!(e.to_string(), "platform_depth_mm: -2 is out of range (accepted: at least 0.05, at most 1000 mm)");
/// ```
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Error {
    /// A number outside what is accepted. Usually a wrong unit or a slip of the pen; correct the value.
    OutOfRange {
        /// Where it stood.
        at: Place,
        /// The number found.
        value: f64,
        /// What would be accepted, in words.
        accepted: String,
    },
    /// Text where a number was expected. Usually a decimal comma, a unit in the cell, or a remark.
    NotANumber {
        /// Where it stood.
        at: Place,
        /// The text as written.
        text: String,
        /// What to do about it.
        hint: String,
    },
    /// A name that is not on the list of accepted names.
    UnknownName {
        /// Where it stood.
        at: Place,
        /// The text as written.
        text: String,
        /// The accepted names.
        accepted: Vec<String>,
    },
    /// A measurement that the answer needs was not given.
    Missing {
        /// Which measurement or field.
        at: Place,
        /// What needs it, or what would do instead.
        needed: String,
    },
    /// The piece or platform cannot be answered for, by its nature (a crushed platform, a medial fragment).
    Refused {
        /// Where it stood.
        at: Place,
        /// Why, in words.
        reason: String,
    },
    /// A form evaluated outside its mathematical domain (the tangent of an angle of 90 degrees or more).
    Domain {
        /// The term, as the form prints it.
        term: String,
        /// The value of the measurement.
        value: f64,
        /// What would be accepted, in words.
        accepted: String,
    },
    /// A term that the others already determine: its coefficient cannot be estimated. Leave the term out,
    /// or record flakes in which it varies on its own.
    RankDeficient {
        /// The offending term, as the form prints it.
        term: String,
    },
    /// Fewer rows than the fit needs.
    TooFew {
        /// What is counted (rows, flakes of a class, groups).
        what: String,
        /// How many there are.
        found: usize,
        /// How many are needed.
        needed: usize,
    },
    /// Lengths or shapes that do not fit together.
    Shape {
        /// What does not fit.
        what: String,
        /// The size found.
        found: usize,
        /// The size expected.
        expected: usize,
    },
    /// An iterative fit that did not reach its optimum. The message carries the reason for stopping.
    NotConverged {
        /// Which fit.
        what: String,
        /// Why it stopped and what to try.
        reason: String,
    },
    /// Two things that cannot be compared (different rows, different responses).
    Incomparable {
        /// What differs.
        reason: String,
    },
    /// A calibration file that is not one, or contradicts itself.
    Calibration {
        /// The field, as a path in the file.
        at: Place,
        /// What is wrong and what would be accepted.
        reason: String,
    },
    /// A table that cannot be read as a whole (empty, not UTF-8, duplicate headers).
    Table {
        /// Where, as far as known.
        at: Place,
        /// What is wrong and what would be accepted.
        reason: String,
    },
    /// The reader or writer that was passed in failed.
    Io {
        /// The operating system's words.
        reason: String,
    },
    /// A request that contradicts itself or asks for what does not exist.
    Invalid {
        /// Which field or option.
        at: Place,
        /// What is wrong and what would be accepted.
        reason: String,
    },
}

impl Error {
    /// The row and column, where the error has one.
    pub fn place(&self) -> Option<&Place> {
        match self {
            Error::OutOfRange { at, .. }
            | Error::NotANumber { at, .. }
            | Error::UnknownName { at, .. }
            | Error::Missing { at, .. }
            | Error::Refused { at, .. }
            | Error::Calibration { at, .. }
            | Error::Table { at, .. }
            | Error::Invalid { at, .. } => Some(at),
            _ => None,
        }
    }

    /// The same error at another place, where it has one.
    pub(crate) fn at(mut self, place: Place) -> Self {
        match &mut self {
            Error::OutOfRange { at, .. }
            | Error::NotANumber { at, .. }
            | Error::UnknownName { at, .. }
            | Error::Missing { at, .. }
            | Error::Refused { at, .. }
            | Error::Calibration { at, .. }
            | Error::Table { at, .. }
            | Error::Invalid { at, .. } => *at = place,
            _ => {}
        }
        self
    }

    /// The same error, placed in a row of a table (rows of data, counted from 1).
    pub fn in_row(self, row: u64) -> Self {
        self.with_row(Some(row))
    }

    /// The same error at another row, or at none, so that like errors of many rows are the same.
    pub(crate) fn with_row(self, row: Option<u64>) -> Self {
        let column = self.place().and_then(|at| at.column.clone());
        self.at(Place { row, column })
    }

    /// An [`Error::Invalid`] about a named field.
    pub(crate) fn invalid(field: impl Into<String>, reason: impl Into<String>) -> Self {
        Error::Invalid { at: Place::column(field), reason: reason.into() }
    }

    /// An [`Error::Table`] about the whole of one.
    #[cfg(feature = "table")]
    pub(crate) fn table(reason: impl Into<String>) -> Self {
        Error::Table { at: Place::default(), reason: reason.into() }
    }

    /// An [`Error::Missing`] measurement, and what needs it.
    pub fn missing(field: impl Into<String>, needed: impl Into<String>) -> Self {
        Error::Missing { at: Place::column(field), needed: needed.into() }
    }

    /// An [`Error::OutOfRange`], and what would be accepted.
    pub(crate) fn out_of_range(at: Place, value: f64, accepted: impl Into<String>) -> Self {
        Error::OutOfRange { at, value, accepted: accepted.into() }
    }

    /// An [`Error::NotConverged`]: which fit, and why it stopped.
    pub(crate) fn not_converged(what: impl Into<String>, reason: impl Into<String>) -> Self {
        Error::NotConverged { what: what.into(), reason: reason.into() }
    }

    /// An [`Error::UnknownName`] for a named field.
    pub fn unknown_name<S: Into<String>>(
        field: impl Into<String>,
        text: impl Into<String>,
        accepted: impl IntoIterator<Item = S>,
    ) -> Self {
        Error::UnknownName {
            at: Place::column(field),
            text: text.into(),
            accepted: accepted.into_iter().map(Into::into).collect(),
        }
    }
}

/// Refuses a number of things that is not the one expected.
pub(crate) fn check_size(what: impl Into<String>, found: usize, expected: usize) -> Result<()> {
    if found == expected { Ok(()) } else { Err(Error::Shape { what: what.into(), found, expected }) }
}

/// Refuses fewer things than are needed.
pub(crate) fn at_least(what: impl Into<String>, found: usize, needed: usize) -> Result<()> {
    if found >= needed { Ok(()) } else { Err(Error::TooFew { what: what.into(), found, needed }) }
}

/// The number itself where it is above 0 and finite.
pub(crate) fn positive(name: &str, value: f64) -> Result<f64> {
    let accepted = value > 0.0 && value.is_finite();
    if accepted {
        Ok(value)
    } else {
        Err(Error::out_of_range(Place::column(name), value, "above 0 and finite"))
    }
}

/// The number itself where it is finite.
pub(crate) fn finite(at: impl FnOnce() -> Place, value: f64) -> Result<f64> {
    if value.is_finite() { Ok(value) } else { Err(Error::out_of_range(at(), value, "finite numbers")) }
}

impl Error {
    /// What it says whatever the value was, for counting rows that fail alike.
    pub(crate) fn of_its_kind(&self) -> String {
        match self {
            Error::Domain { term, accepted, .. } => {
                format!("the term {term} has no value there (accepted: {accepted})")
            }
            Error::OutOfRange { at, accepted, .. } => {
                format!(
                    "{} is out of range (accepted: {accepted})",
                    at.column.as_deref().unwrap_or("a value")
                )
            }
            other => other.to_string(),
        }
    }
}

/// A number for a message: with an exponent where it would be a row of zeros.
fn shown(value: f64) -> String {
    let size = value.abs();
    if size >= 1e16 || (size > 0.0 && size < 1e-6) { format!("{value:e}") } else { value.to_string() }
}

/// A text as written, for a message: in one line, without what a terminal would obey, and cut where it is longer than
/// anybody would read.
fn quoted(text: &str) -> String {
    const LONGEST: usize = 120;
    let obeyed = |c: char| {
        c.is_control()
            || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    let mut out = String::new();
    for (i, c) in text.chars().enumerate() {
        match c {
            _ if i == LONGEST => {
                out.push_str("...");
                break;
            }
            c if obeyed(c) => out.extend(c.escape_default()),
            c => out.push(c),
        }
    }
    format!("\"{out}\"")
}

/// Names for a message, with commas; of very many the first, and how many more there are.
fn listed(names: &[String]) -> String {
    const MOST: usize = 100;
    let mut out = names.iter().take(MOST).map(String::as_str).collect::<Vec<_>>().join(", ");
    if names.len() > MOST {
        out.push_str(&format!(", and {} more", names.len() - MOST));
    }
    out
}

/// A count with its noun, in number with it.
pub(crate) fn counted(n: u64, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// What is counted, of one: its first word is the noun (`rows to test`, `classes with rows`).
fn one_of(what: &str) -> String {
    let (noun, rest) = what.split_at(what.find(' ').unwrap_or(what.len()));
    let ending = ["sses", "shes", "ches"].iter().any(|e| noun.ends_with(e));
    let one = match noun.strip_suffix("es") {
        Some(stem) if ending => stem,
        _ => noun.strip_suffix('s').unwrap_or(noun),
    };
    format!("{one}{rest}")
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Error::OutOfRange { at, value, accepted } => {
                write!(f, "{at}{} is out of range (accepted: {accepted})", shown(*value))
            }
            Error::NotANumber { at, text, hint } => {
                write!(f, "{at}{} is not a number ({hint})", quoted(text))
            }
            Error::UnknownName { at, text, accepted } => {
                write!(f, "{at}{} is not known", quoted(text))?;
                if let Some(near) = nearest(text, accepted) {
                    write!(f, "; did you mean \"{near}\"?")?;
                }
                write!(f, " (accepted: {})", listed(accepted))
            }
            Error::Missing { at, needed } => write!(f, "{at}not recorded ({needed})"),
            Error::Refused { at, reason } => write!(f, "{at}{reason}"),
            Error::Domain { term, value, accepted } => {
                write!(f, "the term {term} has no value at {} (accepted: {accepted})", shown(*value))
            }
            Error::RankDeficient { term } => write!(
                f,
                "the term {term} cannot be told apart from the others in these rows \
                 (leave it out, or record flakes in which it varies on its own)"
            ),
            Error::TooFew { what, found, needed } => {
                let what = if *found == 1 { one_of(what) } else { what.clone() };
                let verb = if *needed == 1 { "is" } else { "are" };
                write!(f, "{found} {what}, but at least {needed} {verb} needed")
            }
            Error::Shape { what, found, expected } => {
                write!(f, "{what}: {found} found, {expected} expected")
            }
            Error::NotConverged { what, reason } => write!(f, "{what} did not converge: {reason}"),
            Error::Incomparable { reason } => write!(f, "not comparable: {reason}"),
            Error::Calibration { at, reason } => write!(f, "calibration: {at}{reason}"),
            Error::Table { at, reason } => write!(f, "table: {at}{reason}"),
            Error::Io { reason } => write!(f, "{reason}"),
            Error::Invalid { at, reason } => write!(f, "{at}{reason}"),
        }
    }
}

impl std::error::Error for Error {}

impl From<std::io::Error> for Error {
    fn from(e: std::io::Error) -> Self {
        Error::Io { reason: e.to_string() }
    }
}

/// The accepted name nearest to `text` by edit distance, where one is near enough to be a likely slip.
pub(crate) fn nearest<'a>(text: &str, accepted: impl IntoIterator<Item = &'a String>) -> Option<&'a str> {
    let lower: String = text.chars().take(64).collect::<String>().to_lowercase();
    accepted
        .into_iter()
        .map(|a| (distance_to(&lower, &a.to_lowercase()), a))
        .filter(|(d, a)| *d <= 1 + a.chars().count() / 4)
        .min_by_key(|(d, _)| *d)
        .map(|(_, a)| a.as_str())
}

/// Distance to a name, or to one of the longer words of a hyphenated name and one more (`antler`).
fn distance_to(text: &str, name: &str) -> usize {
    let near = |word: &str| word.len() >= 5 && edit_distance(text, word) <= 1;
    let whole = edit_distance(text, name);
    if name.contains('-') && name.split('-').any(near) { whole.min(2) } else { whole }
}

/// Levenshtein distance between two short texts, by characters.
pub(crate) fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let step = diagonal + usize::from(ca != *cb);
            diagonal = row[j + 1];
            row[j + 1] = step.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

/// The accepted range of one quantity: decides, and writes the message.
///
/// Where no source stands beside a range of this crate, its ends are generous limits against wrong units and slips
/// of the pen: common practice, no source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bounds {
    name: &'static str,
    low: f64,
    low_open: bool,
    high: f64,
    high_open: bool,
    unit: &'static str,
}

impl Bounds {
    /// Greater than `low`, at most `high`.
    pub(crate) const fn above(name: &'static str, low: f64, high: f64, unit: &'static str) -> Self {
        Bounds { name, low, low_open: true, high, high_open: false, unit }
    }

    /// At least `low`, at most `high`.
    pub(crate) const fn closed(name: &'static str, low: f64, high: f64, unit: &'static str) -> Self {
        Bounds { name, low, low_open: false, high, high_open: false, unit }
    }

    /// Greater than `low`, less than `high`.
    pub(crate) const fn open(name: &'static str, low: f64, high: f64, unit: &'static str) -> Self {
        Bounds { name, low, low_open: true, high, high_open: true, unit }
    }

    /// The name of the quantity, with its unit, as a column would be called.
    pub const fn name(&self) -> &'static str {
        self.name
    }

    /// Whether the number is inside. Not-a-number and infinities are never inside.
    pub(crate) fn contains(&self, value: f64) -> bool {
        let low = if self.low_open { value > self.low } else { value >= self.low };
        let high = if self.high_open { value < self.high } else { value <= self.high };
        value.is_finite() && low && high
    }

    /// The unit that the range is in.
    #[cfg(feature = "table")]
    pub(crate) fn unit(&self) -> &'static str {
        self.unit
    }

    /// The number itself if it is inside.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] naming the quantity, the value and the range.
    pub fn check(&self, value: f64) -> Result<f64> {
        if self.contains(value) {
            Ok(value)
        } else {
            Err(Error::OutOfRange { at: Place::column(self.name), value, accepted: self.to_string() })
        }
    }
}

/// The accepted levels of an interval (the probability inside it), and probabilities of a quantile.
pub const LEVEL: Bounds = Bounds::open("level", 0.0, 1.0, "");

impl fmt::Display for Bounds {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let low = if self.low_open { "above" } else { "at least" };
        let high = if self.high_open { "below" } else { "at most" };
        write!(f, "{low} {}, {high} {}", self.low, self.high)?;
        if !self.unit.is_empty() {
            write!(f, " {}", self.unit)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nearest_name_is_a_likely_slip_only() {
        let names: Vec<String> = ["antler", "bone", "quartzite"].map(String::from).to_vec();
        assert_eq!(nearest("antlr", &names), Some("antler"));
        assert_eq!(nearest("Quartzit", &names), Some("quartzite"));
        assert_eq!(nearest("limestone", &names), None);
    }

    #[test]
    fn messages_agree_in_number() {
        let few = |what: &str, found, needed| Error::TooFew { what: what.into(), found, needed }.to_string();
        assert_eq!(few("flakes to fit", 1, 2), "1 flake to fit, but at least 2 are needed");
        assert_eq!(few("classes with rows", 1, 2), "1 class with rows, but at least 2 are needed");
        assert_eq!(few("rows", 0, 1), "0 rows, but at least 1 is needed");
        assert_eq!(few("rows", 2, 3), "2 rows, but at least 3 are needed");
        assert_eq!(
            (counted(1, "cell", "cells"), counted(0, "cell", "cells")),
            ("1 cell".into(), "0 cells".into())
        );
    }

    #[test]
    fn what_was_written_stands_in_one_readable_line() {
        let told = Error::unknown_name("stone", "fl\u{1b}[31mint\n\u{202e}tnilf", ["flint"]).to_string();
        assert_eq!(told, "stone: \"fl\\u{1b}[31mint\\n\\u{202e}tnilf\" is not known (accepted: flint)");
        let long =
            Error::unknown_name("stone", "x".repeat(5000), (0..500).map(|i| format!("n{i}"))).to_string();
        assert!(
            long.len() < 1000 && long.contains("xxx...\"") && long.ends_with("n99, and 400 more)"),
            "{long}"
        );
    }

    #[test]
    fn edit_distance_counts_changes() {
        for (a, b, d) in [("", "", 0), ("abc", "abc", 0), ("abc", "", 3), ("kitten", "sitting", 3)] {
            assert_eq!(edit_distance(a, b), d, "{a:?} {b:?}");
        }
    }
}
