//! A column that is understood: its name, how its cells are read, and how names and texts are compared and shown.

use super::cell::{self, NumberCell};
use crate::error::{Bounds, Error, Place, Result};
use crate::flake::STATE;
use crate::vocabulary::{ClassKind, same_name};

/// How the cells of an understood column are read.
#[derive(Debug, Clone, Copy)]
pub(super) enum Kind {
    Number { factor: f64, bounds: Option<Bounds> },
    Class(ClassKind),
}

/// An understood column.
#[derive(Debug, Clone)]
pub(super) struct Column {
    /// Our name.
    pub name: String,
    /// Where it stands in the table; beyond the last for an area that is worked out.
    pub field: usize,
    pub kind: Kind,
    /// Further texts that say "not recorded", with their number if they are one.
    pub missing: Vec<(String, Option<f64>)>,
    /// Words of the table's own: theirs, ours.
    pub words: Vec<(String, String)>,
}

/// Why a cell of a number column has no number.
#[derive(Debug)]
pub(super) enum NotRead {
    /// A spreadsheet left it where a formula failed.
    FailedFormula,
    /// What is wrong with it.
    Bad(Error),
}

impl Column {
    pub fn new(name: String, field: usize, kind: Kind) -> Column {
        Column { name, field, kind, missing: Vec::new(), words: Vec::new() }
    }

    /// The number in a cell, in our unit and within its bounds; not a number where nothing was recorded. Every way of
    /// reading a table comes through here.
    #[inline]
    pub(crate) fn number(&self, text: &str, decimal_comma: bool) -> std::result::Result<f64, NotRead> {
        let Kind::Number { factor, bounds } = self.kind else { return Ok(f64::NAN) };
        match cell::number(text, decimal_comma) {
            NumberCell::Missing => Ok(f64::NAN),
            NumberCell::Number(written) if self.missing.iter().any(|(_, m)| *m == Some(written)) => {
                Ok(f64::NAN)
            }
            NumberCell::Bad(_) if self.is_missing(text) => Ok(f64::NAN),
            NumberCell::Number(written) => {
                let value = if factor == 1.0 { written } else { written * factor };
                let fine = match bounds {
                    Some(bounds) => bounds.contains(value),
                    None => value.is_finite(),
                };
                if fine { Ok(value) } else { Err(NotRead::Bad(outside(written, value, bounds))) }
            }
            NumberCell::SheetError => Err(NotRead::FailedFormula),
            NumberCell::Bad(hint) => Err(NotRead::Bad(Error::NotANumber {
                at: Place::default(),
                text: shorten(text.trim()),
                hint: hint.into(),
            })),
        }
    }

    /// Whether the text is one of the further ones that say "not recorded".
    pub fn is_missing(&self, text: &str) -> bool {
        !self.missing.is_empty() && self.missing.iter().any(|(m, _)| same_name(m, text.trim()))
    }

    /// What the text of a class cell says in our words; none where nothing was recorded. `lower` is where a name is put
    /// into lower case.
    pub(crate) fn class<'t>(&'t self, text: &'t str, lower: &'t mut String) -> Result<Option<&'t str>> {
        let Kind::Class(kind) = self.kind else { return Ok(None) };
        // a piece whose portion or retouch could not be told is not taken for a whole one
        let blank =
            if STATE.contains(&self.name.as_str()) { cell::is_blank(text) } else { cell::is_missing(text) };
        if blank || self.is_missing(text) {
            return Ok(None);
        }
        let ours = self.words.iter().find(|(theirs, _)| same_name(theirs, text));
        kind.read("", ours.map_or(text, |(_, ours)| ours), lower).map(Some)
    }
}

/// The sentence for a number outside what is accepted: the number as written, and what it is in our unit.
fn outside(written: f64, value: f64, bounds: Option<Bounds>) -> Error {
    let mut error =
        Error::OutOfRange { at: Place::default(), value: written, accepted: "finite numbers".into() };
    let Some(bounds) = bounds else { return error };
    if let Error::OutOfRange { accepted, .. } = &mut error {
        *accepted = bounds.to_string();
        if written != value {
            accepted.push_str(&format!("; this is {value} {}", bounds.unit()));
        }
    }
    error
}

/// Where a column stands, by its name as written or in snake case; `what` is asked for by it.
pub(super) fn field_named(names: &[String], what: &str, name: &str) -> Result<usize> {
    let plain = snake_case(name);
    let exact = names.iter().position(|n| n.trim() == name.trim());
    exact.or_else(|| names.iter().position(|n| !plain.is_empty() && snake_case(n) == plain)).ok_or_else(
        || {
            let present: Vec<String> = names.iter().take(50).map(|n| shorten(n.trim())).collect();
            Error::unknown_name(what, name, present)
        },
    )
}

/// Text for a message: on one line, and cut where it would not be read.
pub(super) fn shorten(text: &str) -> String {
    const MOST: usize = 60;
    let mut out: String = text.chars().take(MOST).map(|c| if c.is_control() { ' ' } else { c }).collect();
    if text.chars().nth(MOST).is_some() {
        out.push('…');
    }
    out
}

/// Lower case, with one underscore between words, brackets dropped, and typographic units spelt out.
pub(super) fn snake_case(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.trim().chars() {
        match c {
            '²' => out.push('2'),
            '°' => out.push_str("_deg"),
            'µ' | 'μ' => out.push('u'),
            '^' => {}
            '(' | ')' | '[' | ']' | '{' | '}' | '/' | ',' | ';' | ':' | '.' | '-' | '_' => out.push('_'),
            c if c.is_whitespace() => out.push('_'),
            c => out.extend(c.to_lowercase()),
        }
    }
    let words: Vec<&str> = out.split('_').filter(|w| !w.is_empty()).collect();
    words.join("_")
}
