//! Errors with their exit codes: 2 for a usage error, 3 where what was asked is refused, 1 for anything else.

use conchoid::Error;

/// Why a run ends early.
#[derive(Debug)]
pub struct Failure {
    pub code: u8,
    pub message: String,
    pub broken_pipe: bool,
}

impl Failure {
    /// The words on the command line do not fit.
    pub fn usage(message: impl Into<String>) -> Failure {
        Failure { code: 2, message: message.into(), broken_pipe: false }
    }

    /// Anything else.
    pub fn other(message: impl Into<String>) -> Failure {
        Failure { code: 1, message: message.into(), broken_pipe: false }
    }

    /// An error about a value that stood on the command line.
    pub fn of_options(e: Error) -> Failure {
        match e {
            Error::Refused { .. } | Error::Domain { .. } => {
                Failure { code: 3, message: e.to_string(), broken_pipe: false }
            }
            other => Failure::usage(other.to_string()),
        }
    }
}

impl From<Error> for Failure {
    fn from(e: Error) -> Failure {
        // the library hands on the operating system's words only
        let broken_pipe =
            matches!(&e, Error::Io { reason } if reason.to_lowercase().starts_with("broken pipe"));
        Failure { broken_pipe, ..Failure::other(e.to_string()) }
    }
}

impl From<std::io::Error> for Failure {
    fn from(e: std::io::Error) -> Failure {
        let broken_pipe = e.kind() == std::io::ErrorKind::BrokenPipe;
        Failure { code: 1, message: e.to_string(), broken_pipe }
    }
}

impl From<serde_json::Error> for Failure {
    fn from(e: serde_json::Error) -> Failure {
        let broken_pipe = e.io_error_kind() == Some(std::io::ErrorKind::BrokenPipe);
        Failure { code: 1, message: e.to_string(), broken_pipe }
    }
}

pub type Outcome<T> = Result<T, Failure>;
