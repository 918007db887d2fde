//! Layouts: which measurement or class stands at which place of an input row.

use crate::by_name::place_of;
use serde::{Deserialize, Serialize};

/// Which measurement stands at which place of an input row: numbers first, then classes.
///
/// A class is held as the index of its level (0.0, 1.0, ...); a missing entry is not a number.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Layout {
    /// Names of the numeric measurements.
    pub numbers: Vec<String>,
    /// Class variables with their levels.
    pub classes: Vec<ClassInput>,
}

/// A class variable and its levels.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClassInput {
    /// Name of the variable (`blow_lands_on`).
    pub name: String,
    /// Its levels (`platform`, `edge`); the index into this list is the code in an input row.
    pub levels: Vec<String>,
}

impl Layout {
    /// The code of a level of a class, added if it is new.
    pub(crate) fn add_level(&mut self, class: &str, level: &str) -> usize {
        let new = || ClassInput { name: class.to_string(), levels: Vec::new() };
        let at = place_of(&mut self.classes, |c| c.name == class, new);
        place_of(&mut self.classes[at].levels, |l| l == level, || level.to_string())
    }

    /// Whether an input row has no entries.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Entries of an input row.
    pub fn len(&self) -> usize {
        self.numbers.len() + self.classes.len()
    }

    /// The place of a measurement or class in an input row.
    pub fn position(&self, name: &str) -> Option<usize> {
        self.numbers
            .iter()
            .position(|n| n == name)
            .or_else(|| self.classes.iter().position(|c| c.name == name).map(|i| i + self.numbers.len()))
    }

    /// The name at a place.
    pub fn name(&self, position: usize) -> &str {
        match self.numbers.get(position) {
            Some(n) => n,
            None => &self.classes[position - self.numbers.len()].name,
        }
    }

    /// The class variable at a place, if it is one.
    pub(crate) fn class_at(&self, position: usize) -> Option<&ClassInput> {
        position.checked_sub(self.numbers.len()).and_then(|i| self.classes.get(i))
    }
}
