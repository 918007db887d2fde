//! Errors with their exit codes: 2 for a usage error, 3 where what was asked is refused, 1 for anything else.

use conchoid::Error;

/// Why a run ends early.
#[derive(Debug)]
pub struct Failure {
    pub code: u8,
    pub message: String,
}

impl Failure {
    /// The words on the command line do not fit.
    pub fn usage(message: impl Into<String>) -> Failure {
        Failure { code: 2, message: message.into() }
    }

    /// Anything else.
    pub fn other(message: impl Into<String>) -> Failure {
        Failure { code: 1, message: message.into() }
    }

    /// A name that is none of those known.
    pub fn unknown<S: Into<String>>(field: &str, name: &str, known: impl IntoIterator<Item = S>) -> Failure {
        Failure::usage(Error::unknown_name(field, name, known).to_string())
    }
}

impl<E: std::error::Error> From<E> for Failure {
    fn from(e: E) -> Failure {
        Failure::other(e.to_string())
    }
}

/// Whose fault an error of the library is.
pub trait Whose<T> {
    /// That of a value on the command line.
    fn asked(self) -> Outcome<T>;
    /// That of a file, such as a table.
    fn of_file(self, path: &str) -> Outcome<T>;
    /// That of a table where it speaks of one, otherwise nobody's.
    fn of_table(self, path: &str) -> Outcome<T>;
}

impl<T> Whose<T> for conchoid::Result<T> {
    fn asked(self) -> Outcome<T> {
        self.map_err(|e| match e {
            Error::Refused { .. } | Error::Domain { .. } => Failure { code: 3, message: e.to_string() },
            other => Failure::usage(other.to_string()),
        })
    }
    fn of_file(self, path: &str) -> Outcome<T> {
        self.map_err(|e| Failure::other(format!("{path}: {e}")))
    }
    fn of_table(self, path: &str) -> Outcome<T> {
        self.map_err(|e| match e {
            e @ Error::Table { .. } => Failure::other(format!("{path}: {e}")),
            e => e.into(),
        })
    }
}

pub type Outcome<T> = Result<T, Failure>;
