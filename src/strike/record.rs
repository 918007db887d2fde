//! What was measured and noted, by the name of its column: as given, each entry with what is wrong with it, and as checked.

use super::Measured;
use crate::error::{Bounds, Error, Result};
use crate::vocabulary::ClassKind;
use serde::{Deserialize, Serialize};

/// What stands in one column.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub(crate) enum Entry {
    Number(f64),
    Word(String),
}

/// Entries as given, each or what is wrong with it: of one column the last.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Given(Vec<(&'static str, Result<Entry>)>);

/// Entries that are in order, by column: few, and looked for oftener than put in.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
#[serde(transparent)]
pub(crate) struct Record(#[serde(serialize_with = "crate::by_name::serialize")] Vec<(&'static str, Entry)>);

/// Where nothing was measured or noted.
#[cfg(feature = "table")]
pub(crate) static NOTHING: Record = Record(Vec::new());

impl Given {
    fn put(mut self, column: &'static str, entry: Option<Result<Entry>>) -> Given {
        self.0.retain(|(given, _)| *given != column);
        self.0.extend(entry.map(|e| (column, e)));
        self
    }

    /// Whether something was given in a column.
    pub(crate) fn holds(&self, column: &str) -> bool {
        self.0.iter().any(|(given, _)| *given == column)
    }

    /// What is wrong with what was given.
    pub(crate) fn wrong(self, column: &'static str, reason: String) -> Given {
        self.put(column, Some(Err(Error::invalid(column, reason))))
    }

    /// A number, which its bounds name.
    pub(crate) fn number(self, bounds: Bounds, value: Option<f64>) -> Given {
        self.put(bounds.name(), value.map(|v| bounds.check(v).map(Entry::Number)))
    }

    /// A word of a vocabulary.
    pub(crate) fn word(self, column: &'static str, word: Option<&'static str>) -> Given {
        self.put(column, word.map(|w| Ok(Entry::Word(w.to_string()))))
    }

    /// A text that is read as those of its column are.
    pub(crate) fn class(self, column: &'static str, kind: ClassKind, text: Option<&str>) -> Given {
        let read = |t: &str| Ok(Entry::Word(kind.read(column, t, &mut String::new())?.to_string()));
        self.put(column, text.map(read))
    }

    /// Everything that another record holds, in place of what was given in these columns.
    pub(crate) fn with(mut self, record: Record, columns: &[&str]) -> Given {
        self.0.retain(|(given, _)| !columns.contains(given));
        record.0.into_iter().fold(self, |given, (column, entry)| given.put(column, Some(Ok(entry))))
    }

    /// The record, where all of it is in order.
    ///
    /// # Errors
    /// What is wrong with the first entry that is not.
    pub(crate) fn checked(self) -> Result<Record> {
        let entries = self.0.into_iter().map(|(column, entry)| Ok((column, entry?)));
        let mut entries: Vec<_> = entries.collect::<Result<_>>()?;
        entries.sort_by_key(|(column, _)| *column);
        Ok(Record(entries))
    }
}

impl Record {
    /// Puts a number that is in order into a column.
    pub(crate) fn set(&mut self, column: &'static str, number: f64) {
        let number = (column, Entry::Number(number));
        match self.0.binary_search_by_key(&column, |(column, _)| column) {
            Ok(at) => self.0[at] = number,
            Err(at) => self.0.insert(at, number),
        }
    }

    fn get(&self, name: &str) -> Option<&Entry> {
        self.0.iter().find(|(column, _)| *column == name).map(|(_, entry)| entry)
    }
}

impl Measured for Record {
    fn number(&self, name: &str) -> Option<f64> {
        match self.get(name)? {
            Entry::Number(number) => Some(*number),
            Entry::Word(_) => None,
        }
    }
    fn class(&self, name: &str) -> Option<&str> {
        match self.get(name)? {
            Entry::Word(word) => Some(word),
            Entry::Number(_) => None,
        }
    }
}
