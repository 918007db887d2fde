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

    /// An error about a value that stood on the command line.
    pub fn of_options(e: Error) -> Failure {
        match e {
            Error::Refused { .. } | Error::Domain { .. } => Failure { code: 3, message: e.to_string() },
            other => Failure::usage(other.to_string()),
        }
    }
}

impl From<Error> for Failure {
    fn from(e: Error) -> Failure {
        Failure::other(e.to_string())
    }
}

impl From<std::io::Error> for Failure {
    fn from(e: std::io::Error) -> Failure {
        Failure::other(e.to_string())
    }
}

impl From<serde_json::Error> for Failure {
    fn from(e: serde_json::Error) -> Failure {
        Failure::other(e.to_string())
    }
}

pub type Outcome<T> = Result<T, Failure>;
